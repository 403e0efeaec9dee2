package colour

import "golang.org/x/image/colornames"

// named lists the colours of CSS Color Module Level 4, section 6.1: the names of SVG 1.1 and rebeccapurple, in
// alphabetical order. Where two names mean one colour the one that the section lists first is kept; the spelling
// with "grey" is left to Named.
var named, namedLab = func() ([]string, []Lab) {
	var names []string
	var labs []Lab
	seen := map[RGB]bool{}
	add := func(name string, c RGB) {
		if !seen[c] {
			seen[c] = true
			names = append(names, name)
			labs = append(labs, c.Lab())
		}
	}
	for _, n := range colornames.Names {
		if n > rebecca && !seen[rebeccaRGB] {
			add(rebecca, rebeccaRGB)
		}
		c := colornames.Map[n]
		add(n, RGB{c.R, c.G, c.B})
	}
	return names, labs
}()

const rebecca = "rebeccapurple"

var rebeccaRGB = RGB{0x66, 0x33, 0x99}

// Named returns the CSS colour of that name (lower case), and whether there is one.
func Named(name string) (RGB, bool) {
	if name == rebecca {
		return rebeccaRGB, true
	}
	c, ok := colornames.Map[name]
	return RGB{c.R, c.G, c.B}, ok
}

// Name returns the name of the CSS colour nearest to c by CIEDE2000; of equally near ones the alphabetically first.
func Name(c RGB) string {
	l := c.Lab()
	best, at := Difference(l, namedLab[0]), 0
	for i, n := range namedLab {
		if d := Difference(l, n); d < best {
			best, at = d, i
		}
	}
	return named[at]
}
