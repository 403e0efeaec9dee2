package catalogue

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"pochoir/cmd/pochoir/internal/deliver/meta"
)

// This file holds the terms: what can be asked of an item, each as a text that begins with a letter for its sort.
// The terms of an item that follow from others are not kept with it, see expand.
const (
	wordTerm   = "w" // a word
	startTerm  = "p" // up to mostStart characters that a longer word begins with
	pairTerm   = "d" // two neighbouring characters of a script without spaces
	kindTerm   = "k"
	stateTerm  = "s" // the item is in it now, at any place
	placeTerm  = "l" // it is in some state there
	thereTerm  = "b" // both, of one and the same event
	goneTerm   = "g"
	sideTerm   = "z" // the whole pixels of its long side; expanded, a range of sizes
	colourTerm = "c" // a colour of many items
)

const (
	mostStart = 8       // characters of beginnings that are kept
	mostWord  = 64      // characters of a word that count
	sideBits  = 17      // longer sides count as the longest
	mostRange = 1 << 17 // sides below it are told apart
)

// tokens cuts text into words: runs of letters and digits in one form for all spellings, without accents and vowel
// points. Each character of a script that parts no words by spaces is a word of its own.
func tokens(s string) []string {
	s = plain(meta.Fold(s))
	var out []string
	start, n := -1, 0 // of the word, and its characters
	end := func(at int) {
		if start >= 0 {
			out = append(out, s[start:at])
		}
		start = -1
	}
	full := false
	for i, r := range s {
		switch {
		case alone(r):
			end(i)
			full = false
			out = append(out, s[i:i+utf8.RuneLen(r)])
		case !unicode.In(r, unicode.L, unicode.N, unicode.M, unicode.Co):
			end(i)
			full = false
		case start < 0 && !full:
			start, n = i, 1
		case n == mostWord:
			end(i)
			full = true
		default:
			n++
		}
	}
	end(len(s))
	return out
}

// alone reports whether a character is a word by itself.
func alone(r rune) bool {
	return r >= 0x2e80 && unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana)
}

// plain takes accents off letters, points off Hebrew and Arabic, and what is not seen out.
func plain(s string) string {
	ascii := true
	for i := 0; i < len(s) && ascii; i++ {
		ascii = s[i] < utf8.RuneSelf
	}
	if ascii {
		return s
	}
	var b strings.Builder
	for _, r := range norm.NFD.String(s) {
		switch {
		case r >= 0x300 && r <= 0x36f, r >= 0x591 && r <= 0x5c7 && unicode.Is(unicode.Mn, r),
			r >= 0x610 && r <= 0x670 && unicode.Is(unicode.Mn, r), unicode.Is(unicode.Cf, r):
		default:
			b.WriteRune(r)
		}
	}
	return norm.NFC.String(b.String())
}

// facets are what an item's terms are made of.
type facets struct {
	kind   Kind
	texts  []string // title, description, path, each keyword
	side   float64
	gone   bool
	states [][2]string // state and place
}

// terms lists the terms of an item, sorted, without those that expand adds.
func (f *facets) terms() []string {
	out := []string{kindTerm + string(f.kind)}
	for _, t := range f.texts {
		last := ""
		for _, w := range tokens(t) {
			out = append(out, wordTerm+w)
			if isAlone(last) && isAlone(w) {
				out = append(out, pairTerm+last+w)
			}
			last = w
		}
	}
	for _, s := range f.states {
		out = append(out, stateTerm+s[0])
		if s[1] != "" {
			place := meta.Fold(s[1])
			out = append(out, placeTerm+place, thereTerm+s[0]+" "+place)
		}
	}
	if f.gone {
		out = append(out, goneTerm)
	}
	if side := f.wholeSide(); side > 0 {
		out = append(out, sideTerm+strconv.Itoa(side))
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// wholeSide is the long side in whole pixels, 0 where it is unknown.
func (f *facets) wholeSide() int {
	if f.side > 0 {
		return wholeSide(f.side)
	}
	return 0
}

func isAlone(w string) bool {
	r, _ := utf8.DecodeRuneInString(w)
	return alone(r)
}

// wholeSide is a side in whole pixels, from 1 to below mostRange.
func wholeSide(side float64) int { return int(min(max(math.Floor(side), 1), mostRange-1)) }

// expand lists terms with those that follow from them: the beginnings of a word, the ranges a size lies in.
func expand(terms []string) []string {
	var out []string
	for _, t := range terms {
		switch t[:1] {
		case sideTerm:
			side, _ := strconv.Atoi(t[1:])
			for level := range sideBits {
				out = append(out, sideRange(level, side>>level))
			}
			continue
		case wordTerm:
			n := 0
			for i := range t[1:] {
				if n > 0 {
					out = append(out, startTerm+t[1:1+i])
				}
				if n++; n > mostStart {
					break
				}
			}
		}
		out = append(out, t)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// sideRange is the term of sizes from i*2^level to below (i+1)*2^level.
func sideRange(level, i int) string { return fmt.Sprintf("%s%d.%d", sideTerm, level, i) }

// sides lists the ranges that make up the sizes from lo to hi, whole pixels.
func sides(lo, hi int) group {
	var g group
	for level := 0; lo <= hi; level++ {
		if lo&1 == 1 {
			g = append(g, sideRange(level, lo))
			lo++
		}
		if hi&1 == 0 {
			g = append(g, sideRange(level, hi))
			hi--
		}
		if level == sideBits-1 {
			for ; lo <= hi; lo++ {
				g = append(g, sideRange(level, lo))
			}
		}
		lo, hi = lo>>1, hi>>1
	}
	return g
}

// asked is one word that is searched for.
type asked struct {
	tokens []string // more than one must follow each other
	open   bool     // the last only begins so
}

// words reads what users write: every word must occur, in singular or plural; a star at the end of a word stands for
// any ending.
func words(s string) []asked {
	var all []asked
	for _, w := range strings.Fields(meta.Fold(s)) {
		w, open := strings.CutSuffix(w, "*")
		if t := tokens(w); len(t) > 0 {
			all = append(all, asked{t, open})
		}
	}
	return all
}

// last lists the forms that the last token may have; an open one stands for itself.
func (a asked) last() []string {
	w := a.tokens[len(a.tokens)-1]
	if a.open {
		return []string{w}
	}
	if single := meta.Singular(w); single != w {
		return []string{w, single}
	}
	if r, _ := utf8.DecodeLastRuneInString(w); r < utf8.RuneSelf && unicode.IsLetter(r) {
		return []string{w, plural(w)}
	}
	return []string{w}
}

// groups are the terms that a word's being there implies. Where the word is a beginning longer than those that are kept,
// start is it, and its words are to be looked up.
func (a asked) groups() (all []group, start string) {
	for i, w := range a.tokens {
		final := i == len(a.tokens)-1
		if i > 0 && isAlone(w) && isAlone(a.tokens[i-1]) {
			all = append(all, group{pairTerm + a.tokens[i-1] + w})
			continue
		}
		switch {
		case final && a.open && utf8.RuneCountInString(w) <= mostStart:
			all = append(all, group{startTerm + w, wordTerm + w})
		case final && a.open:
			start = w
		case final:
			var g group
			for _, f := range a.last() {
				g = append(g, wordTerm+f)
			}
			all = append(all, g)
		case isAlone(w) && isAlone(a.tokens[i+1]): // in the pair
		default:
			all = append(all, group{wordTerm + w})
		}
	}
	return all, start
}

// sure reports whether an item of all its groups holds the word, so that its text need not be looked at.
func (a asked) sure() bool {
	return len(a.tokens) == 1 || len(a.tokens) == 2 && isAlone(a.tokens[0]) && isAlone(a.tokens[1])
}

// in reports whether the tokens of a text hold the word.
func (a asked) in(text []string) bool {
	n := len(a.tokens)
	forms := a.last()
	for i := 0; i+n <= len(text); i++ {
		if !slices.Equal(text[i:i+n-1], a.tokens[:n-1]) {
			continue
		}
		w := text[i+n-1]
		if slices.Contains(forms, w) || a.open && strings.HasPrefix(w, forms[0]) {
			return true
		}
	}
	return false
}

// inAny reports whether one of the texts holds the word.
func (a asked) inAny(texts []string) bool {
	return slices.ContainsFunc(texts, func(t string) bool { return a.in(tokens(t)) })
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
