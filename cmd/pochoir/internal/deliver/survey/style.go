package survey

import (
	"math"
	"sort"
	"strings"

	"pochoir/quantize/colour"
)

// This file resolves what CSS says of an element, as far as drawing programs write it: presentation attributes, style
// attributes, and style sheets of rules whose selectors are built from element names, classes, ids and the descendant
// and child combinators (Selectors Level 3). Rules inside conditions (@media and the like) are passed over.

// rule is one selector of a style sheet with its declarations.
type rule struct {
	parts  []compound // the last one is the subject
	weight [3]int     // ids, classes, elements
	order  int
	decls  map[string]string
	line   int
	text   string
	used   bool
}

// compound is a selector without combinators.
type compound struct {
	element string // "" or "*" matches all
	id      string
	classes []string
	child   bool // must be the parent of what follows rather than any ancestor
	never   bool // holds something we cannot match
}

// parseSheet reads a style sheet. The second result is what it imports from elsewhere.
func parseSheet(css string, line int) (rules []*rule, imports []string) {
	css = stripComments(css)
	for {
		css = strings.TrimLeft(css, " \t\r\n\f")
		css = strings.TrimPrefix(strings.TrimPrefix(css, "<!--"), "-->")
		css = strings.TrimLeft(css, " \t\r\n\f")
		if css == "" {
			return
		}
		if css[0] == '@' {
			semi, brace := strings.IndexByte(css, ';'), strings.IndexByte(css, '{')
			if strings.HasPrefix(css, "@import") || strings.HasPrefix(css, "@font-face") {
				imports = append(imports, strings.TrimSpace(css[:ends(css)]))
			}
			if brace < 0 || semi >= 0 && semi < brace {
				if semi < 0 {
					return
				}
				css = css[semi+1:]
				continue
			}
			css = css[ends(css):]
			continue
		}
		brace := strings.IndexByte(css, '{')
		if brace < 0 {
			return
		}
		shut := strings.IndexByte(css[brace:], '}')
		if shut < 0 {
			shut = len(css) - brace
		}
		decls := parseDeclarations(css[brace+1 : brace+shut])
		for _, sel := range strings.Split(css[:brace], ",") {
			r := &rule{order: len(rules), decls: decls, line: line, text: strings.Join(strings.Fields(sel), " ")}
			r.parse(sel)
			rules = append(rules, r)
		}
		css = css[min(len(css), brace+shut+1):]
	}
}

// ends returns the length of the at-rule that css begins with.
func ends(css string) int {
	depth := 0
	for i := range len(css) {
		switch css[i] {
		case ';':
			if depth == 0 {
				return i + 1
			}
		case '{':
			depth++
		case '}':
			if depth--; depth <= 0 {
				return i + 1
			}
		}
	}
	return len(css)
}

func stripComments(s string) string {
	for {
		i := strings.Index(s, "/*")
		if i < 0 {
			return s
		}
		j := strings.Index(s[i+2:], "*/")
		if j < 0 {
			return s[:i]
		}
		s = s[:i] + " " + s[i+2+j+2:]
	}
}

func (r *rule) parse(sel string) {
	for _, word := range strings.Fields(strings.ReplaceAll(sel, ">", " > ")) {
		if word == ">" {
			if len(r.parts) > 0 {
				r.parts[len(r.parts)-1].child = true
			}
			continue
		}
		var c compound
		for word != "" {
			n := strings.IndexAny(word[1:], ".#:[+~") + 1
			if n == 0 {
				n = len(word)
			}
			switch word[0] {
			case '.':
				c.classes = append(c.classes, word[1:n])
				r.weight[1]++
			case '#':
				c.id = word[1:n]
				r.weight[0]++
			case ':', '[', '+', '~':
				c.never = true
			default:
				if c.element = word[:n]; c.element != "*" {
					r.weight[2]++
				}
			}
			word = word[n:]
		}
		r.parts = append(r.parts, c)
	}
	if len(r.parts) == 0 {
		r.parts = []compound{{never: true}}
	}
}

func (c *compound) matches(n *node) bool {
	if c.never || c.element != "" && c.element != "*" && c.element != n.name || c.id != "" && c.id != n.attr("id") {
		return false
	}
	if len(c.classes) > 0 {
		have := strings.Fields(n.attr("class"))
		for _, want := range c.classes {
			if !contains(have, want) {
				return false
			}
		}
	}
	return true
}

func contains(list []string, s string) bool {
	for _, t := range list {
		if t == s {
			return true
		}
	}
	return false
}

func (r *rule) matches(n *node) bool {
	last := len(r.parts) - 1
	if !r.parts[last].matches(n) {
		return false
	}
	p := n.parent
	for i := last - 1; i >= 0; i-- {
		for {
			if p == nil {
				return false
			}
			hit := r.parts[i].matches(p)
			p = p.parent
			if hit {
				break
			}
			if r.parts[i].child {
				return false
			}
		}
	}
	return true
}

// parseDeclarations reads "fill:#fff; stroke:none". "!important" is dropped: with one sheet it hardly matters.
func parseDeclarations(s string) map[string]string {
	out := map[string]string{}
	for _, d := range splitOutside(s, ';') {
		key, value, ok := strings.Cut(d, ":")
		if !ok {
			continue
		}
		value = strings.TrimSpace(value)
		if i := strings.Index(value, "!"); i >= 0 {
			value = strings.TrimSpace(value[:i])
		}
		out[strings.ToLower(strings.TrimSpace(key))] = value
	}
	return out
}

// splitOutside cuts s at sep where that stands outside brackets and quotes (data: links hold semicolons).
func splitOutside(s string, sep byte) []string {
	var out []string
	depth, start := 0, 0
	var quote byte
	for i := range len(s) {
		switch c := s[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '(':
			depth++
		case c == ')':
			depth--
		case c == sep && depth <= 0:
			out = append(out, s[start:i])
			start = i + 1
		}
	}
	return append(out, s[start:])
}

// properties returns what applies to n itself, before inheritance: attributes, then rules by weight, then the style
// attribute.
func properties(n *node, rules []*rule) map[string]string {
	out := map[string]string{}
	for _, a := range n.attrs {
		if a.space == "" && presentation[a.name] {
			out[a.name] = strings.TrimSpace(a.value)
		}
	}
	var hits []*rule
	for _, r := range rules {
		if r.matches(n) {
			r.used = true
			hits = append(hits, r)
		}
	}
	sort.SliceStable(hits, func(i, j int) bool {
		a, b := hits[i], hits[j]
		for k := range a.weight {
			if a.weight[k] != b.weight[k] {
				return a.weight[k] < b.weight[k]
			}
		}
		return a.order < b.order
	})
	for _, r := range hits {
		for k, v := range r.decls {
			out[k] = v
		}
	}
	if s := n.attr("style"); s != "" {
		for k, v := range parseDeclarations(s) {
			out[k] = v
		}
	}
	return out
}

// presentation lists the attributes that count as style (SVG 2, section 6.6), as far as we look at them.
var presentation = map[string]bool{
	"fill": true, "fill-opacity": true, "fill-rule": true, "stroke": true, "stroke-width": true, "stroke-opacity": true,
	"opacity": true, "display": true, "visibility": true, "color": true, "clip-path": true, "mask": true, "filter": true,
	"mix-blend-mode": true, "pointer-events": true, "transform": true, "marker": true, "marker-start": true,
	"marker-mid": true, "marker-end": true, "stop-color": true, "stop-opacity": true,
}

// tint is a parsed paint or colour value.
type tint struct {
	paint Paint
	rgb   colour.RGB
	alpha float64
	ref   string // id of a paint server
	ok    bool
}

// parsePaint reads the value of fill or stroke (SVG 2, section 13.2; CSS Color 4 for what is sRGB). current is the
// value of currentColor.
func parsePaint(v string, current tint) tint {
	v = strings.TrimSpace(v)
	low := strings.ToLower(v)
	switch {
	case low == "none" || low == "transparent":
		return tint{paint: NoPaint, ok: true}
	case low == "currentcolor":
		return current
	case strings.HasPrefix(low, "url("):
		ref := strings.Trim(strings.TrimSpace(v[4:max(4, strings.IndexByte(v+")", ')'))]), `"'`)
		return tint{paint: Server, alpha: 1, ref: strings.TrimPrefix(ref, "#"), ok: true}
	}
	if i := strings.Index(low, "icc-color("); i >= 0 {
		base := parsePaint(v[:i], current)
		return tint{paint: Other, rgb: base.rgb, alpha: 1, ok: true}
	}
	if strings.HasPrefix(low, "#") {
		return parseHex(low[1:])
	}
	if open := strings.IndexByte(low, '('); open > 0 && strings.HasSuffix(low, ")") {
		args := low[open+1 : len(low)-1]
		switch low[:open] {
		case "rgb", "rgba":
			return parseRGB(args)
		case "hsl", "hsla":
			return parseHSL(args)
		case "device-cmyk", "cmyk", "color", "lab", "lch", "oklab", "oklch", "hwb", "color-mix":
			return tint{paint: Other, alpha: 1, ok: true}
		}
		return tint{}
	}
	if c, ok := colour.Named(low); ok {
		return tint{paint: Flat, rgb: c, alpha: 1, ok: true}
	}
	return tint{}
}

func parseHex(h string) tint {
	var n [8]uint8
	if len(h) != 3 && len(h) != 4 && len(h) != 6 && len(h) != 8 {
		return tint{}
	}
	for i := range len(h) {
		d := strings.IndexByte("0123456789abcdef", h[i])
		if d < 0 {
			return tint{}
		}
		n[i] = uint8(d)
	}
	t := tint{paint: Flat, alpha: 1, ok: true}
	if len(h) < 6 {
		t.rgb = colour.RGB{R: n[0] * 17, G: n[1] * 17, B: n[2] * 17}
		if len(h) == 4 {
			t.alpha = float64(n[3]) / 15
		}
		return t
	}
	t.rgb = colour.RGB{R: n[0]<<4 | n[1], G: n[2]<<4 | n[3], B: n[4]<<4 | n[5]}
	if len(h) == 8 {
		t.alpha = float64(n[6]<<4|n[7]) / 255
	}
	return t
}

// numbers reads up to four values with their units; a slash counts as a separator.
func numbers(args string) (v []float64, units []string, ok bool) {
	s := scanner{s: strings.ReplaceAll(args, "/", " ")}
	for !s.done() {
		x, good := s.number()
		if !good {
			return nil, nil, false
		}
		v, units = append(v, x), append(units, s.unit())
	}
	return v, units, len(v) == 3 || len(v) == 4
}

func alphaOf(v []float64, units []string) float64 {
	if len(v) < 4 {
		return 1
	}
	a := v[3]
	if units[3] == "%" {
		a /= 100
	}
	return math.Min(math.Max(a, 0), 1)
}

func parseRGB(args string) tint {
	v, units, ok := numbers(args)
	if !ok {
		return tint{}
	}
	var c [3]uint8
	for i := range c {
		x := v[i]
		if units[i] == "%" {
			x *= 2.55
		}
		c[i] = uint8(math.Round(math.Min(math.Max(x, 0), 255)))
	}
	return tint{paint: Flat, rgb: colour.RGB{R: c[0], G: c[1], B: c[2]}, alpha: alphaOf(v, units), ok: true}
}

// parseHSL follows the sample code of CSS Color 4, section 7.1.
func parseHSL(args string) tint {
	v, units, ok := numbers(args)
	if !ok {
		return tint{}
	}
	h, s, l := v[0], math.Min(math.Max(v[1]/100, 0), 1), math.Min(math.Max(v[2]/100, 0), 1)
	channel := func(n float64) uint8 {
		k := math.Mod(math.Mod(n+h/30, 12)+12, 12)
		a := s * math.Min(l, 1-l)
		return uint8(math.Round(255 * (l - a*math.Max(-1, math.Min(math.Min(k-3, 9-k), 1)))))
	}
	return tint{paint: Flat, rgb: colour.RGB{R: channel(0), G: channel(8), B: channel(4)}, alpha: alphaOf(v, units), ok: true}
}
