package catalogue

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"pochoir/cmd/pochoir/internal/deliver/meta"
)

// spaced prepares text for the index of words: one form for all spellings, and each character of a script that parts no
// words by spaces a word of its own.
func spaced(s string) string {
	var b strings.Builder
	for _, r := range meta.Fold(s) {
		if alone(r) {
			b.WriteByte(' ')
			b.WriteRune(r)
			b.WriteByte(' ')
			continue
		}
		b.WriteRune(r)
	}
	return b.String()
}

// alone reports whether a character is indexed by itself.
func alone(r rune) bool {
	return r >= 0x2e80 && unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana)
}

// match turns words as users write them into a query of the index: every word must occur, in singular or plural; a star
// at the end of a word stands for any ending. It returns "" where s holds no word.
func match(s string) string {
	var all []string
	for _, w := range strings.Fields(meta.Fold(s)) {
		word, open := strings.CutSuffix(w, "*")
		word = strings.TrimFunc(word, func(r rune) bool { return !unicode.In(r, unicode.L, unicode.N, unicode.M) })
		if word == "" {
			continue
		}
		if open {
			all = append(all, quoted(word)+" *")
			continue
		}
		forms := []string{quoted(word)}
		if single := meta.Singular(word); single != word {
			forms = append(forms, quoted(single))
		} else if r, _ := utf8.DecodeLastRuneInString(word); r < utf8.RuneSelf && unicode.IsLetter(r) {
			forms = append(forms, quoted(plural(word)))
		}
		all = append(all, "("+strings.Join(forms, " OR ")+")")
	}
	return strings.Join(all, " AND ")
}

// plural is the regular English plural.
func plural(w string) string {
	switch {
	case strings.HasSuffix(w, "s"), strings.HasSuffix(w, "x"), strings.HasSuffix(w, "ch"), strings.HasSuffix(w, "sh"):
		return w + "es"
	case strings.HasSuffix(w, "y") && len(w) > 2 && !strings.ContainsRune("aeiou", rune(w[len(w)-2])):
		return w[:len(w)-1] + "ies"
	}
	return w + "s"
}

// quoted is a word as a string of the index's query language.
func quoted(w string) string {
	return `"` + strings.ReplaceAll(strings.TrimSpace(spaced(w)), `"`, `""`) + `"`
}

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
