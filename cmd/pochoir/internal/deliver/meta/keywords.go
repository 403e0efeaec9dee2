package meta

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Limits that hold until a terms file says otherwise: common practice in the picture trade, no source.
const (
	DefaultMinKeywords = 7
	DefaultMaxKeywords = 40
	DefaultMaxTitle    = 80 // characters
)

// Remark is one fault of a keyword list.
type Remark struct {
	Kind string // "few", "many", "duplicate", "plural" or "phrase"
	Text string // a sentence that names the words
	Drop int    // index of the keyword to take away, or -1 where none can be named
}

// maxKeywordWords is how many words a single concept has at most ("crab pot", "coil of rope"): common practice, no
// source.
const maxKeywordWords = 3

// Keywords judges a keyword list. It reports fewer than min and more than max (0 means no such limit), words that
// stand twice whatever their case, singular beside plural (by the regular English rules only), and phrases that are
// no single concept.
func Keywords(words []string, min, max int) []Remark {
	var out []Remark
	if min > 0 && len(words) < min {
		out = append(out, Remark{"few", fmt.Sprintf("%d keywords, at least %d are usual", len(words), min), -1})
	}
	if max > 0 && len(words) > max {
		out = append(out, Remark{"many", fmt.Sprintf("%d keywords, at most %d are usual", len(words), max), -1})
	}
	seen := map[string]int{}
	root := map[string]int{}
	for i, w := range words {
		f := Fold(w)
		if j, ok := seen[f]; ok {
			out = append(out, Remark{"duplicate", fmt.Sprintf("keyword %q repeats %q", w, words[j]), i})
			continue
		}
		seen[f] = i
		s := Singular(f)
		if j, ok := root[s]; ok {
			drop := i
			if Singular(Fold(words[j])) != Fold(words[j]) {
				drop = j // keep the singular
			}
			out = append(out, Remark{"plural", fmt.Sprintf("keywords %q and %q are singular and plural of one word",
				words[j], w), drop})
		} else {
			root[s] = i
		}
		if n := len(strings.Fields(w)); n > maxKeywordWords || strings.ContainsAny(w, ",;") {
			out = append(out, Remark{"phrase", fmt.Sprintf("keyword %q is no single concept", short(w)), -1})
		}
	}
	return out
}

// Fold returns w in the form in which two spellings of one keyword are equal: composed (Unicode NFKC), lower case,
// single spaces, hyphens as spaces.
func Fold(w string) string {
	w = strings.ToLower(norm.NFKC.String(w))
	return strings.Join(strings.Fields(strings.ReplaceAll(w, "-", " ")), " ")
}

// Singular returns the singular of a lower-case English noun or noun phrase by the regular rules: -ies to -y, -es
// after a hiss or -o, plain -s. Words that only look plural (glass, compass, cactus, iris) stay as they are. Irregular
// plurals are not known to it, and a plural in -oes gives a form both spellings share.
func Singular(w string) string {
	n := len(w)
	switch {
	case n < 4:
		return w
	case strings.HasSuffix(w, "ss"), strings.HasSuffix(w, "us"), strings.HasSuffix(w, "is"):
		return w
	case strings.HasSuffix(w, "ies") && n > 4:
		return w[:n-3] + "y"
	case strings.HasSuffix(w, "sses"), strings.HasSuffix(w, "shes"), strings.HasSuffix(w, "ches"),
		strings.HasSuffix(w, "xes"), strings.HasSuffix(w, "zzes"), strings.HasSuffix(w, "oes"):
		return w[:n-2]
	case strings.HasSuffix(w, "s"):
		return w[:n-1]
	}
	return w
}

// short cuts long text for a message.
func short(s string) string {
	const limit = 60
	if utf8.RuneCountInString(s) <= limit {
		return s
	}
	return string([]rune(s)[:limit]) + "…"
}
