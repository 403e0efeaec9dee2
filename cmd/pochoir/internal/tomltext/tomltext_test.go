package tomltext

import (
	"strings"
	"testing"

	"github.com/BurntSushi/toml"
)

// TestQuotedReadsBack checks against a general-purpose reader of TOML.
func TestQuotedReadsBack(t *testing.T) {
	all := ""
	for r := rune(0); r < 0x250; r++ {
		all += string(r)
	}
	for _, s := range []string{"", "boat", `a "quoted" \ text`, "two\nlines\tand\r\n", "\x00\x1f\x7f", "סירה 港 𝄞\u200f", all, strings.Repeat("keel ", 2000)} {
		q := Quoted(s)
		if strings.ContainsAny(q, "\n\r") {
			t.Errorf("%q is not on one line", q)
		}
		var got struct{ V string }
		if _, err := toml.Decode("v = "+q+"\n", &got); err != nil || got.V != s {
			t.Errorf("%q came back as %q (%v)", s, got.V, err)
		}
	}
}
