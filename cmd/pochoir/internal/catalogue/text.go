package catalogue

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Printable is text for one line of a terminal, at most limit characters: white space becomes one blank, control and
// direction characters are left out.
func Printable(s string, limit int) string {
	var b strings.Builder
	n := 0
	for _, r := range strings.Join(strings.Fields(s), " ") {
		if r == utf8.RuneError || unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
			continue
		}
		if n++; n >= limit {
			b.WriteRune('…')
			break
		}
		b.WriteRune(r)
	}
	return b.String()
}
