package sketchbook

import (
	"fmt"
	"slices"

	"pochoir/quantize"
	"pochoir/quantize/colour"
)

// sameColour is the CIEDE2000 difference below which colours of two plates are taken for one: paint and paper differ by
// less between pages, two paints of one box by more. A choice of ours.
const sameColour = 5.0

// mostPalette bounds the colours of a run's palette.
const mostPalette = 48

// MergePalettes makes one palette of many, of at most most colours; 0 means mostPalette. Each colour joins the group it is nearest to, by complete
// linkage, so that no two in a group differ by sameColour or more; past most colours the limit is widened. Each
// group is shown by the colour in it that most plates have exactly, so that exact colours stay exact. The order is by
// the number of plates, then by the colour.
func MergePalettes(palettes [][]quantize.Swatch, most int) []quantize.Swatch {
	if most == 0 {
		most = mostPalette
	}
	type entry struct {
		c colour.RGB
		n int
	}
	count := map[colour.RGB]int{}
	for _, p := range palettes {
		for _, s := range p {
			count[s.Colour]++
		}
	}
	var all []entry
	for c, n := range count {
		all = append(all, entry{c, n})
	}
	number := func(c colour.RGB) int { return int(c.R)<<16 | int(c.G)<<8 | int(c.B) }
	commonest := func(a, b entry) int {
		if a.n != b.n {
			return b.n - a.n
		}
		return number(a.c) - number(b.c)
	}
	slices.SortFunc(all, commonest)
	type group struct{ members []entry }
	var groups []*group
	limit := sameColour
	for {
		groups = groups[:0]
		for _, e := range all {
			var best *group
			least := limit
			for _, g := range groups {
				far := 0.0
				for _, m := range g.members {
					if far = max(far, e.c.Difference(m.c)); far >= least {
						break
					}
				}
				if far < least {
					best, least = g, far
				}
			}
			if best == nil {
				groups = append(groups, &group{[]entry{e}})
				continue
			}
			best.members = append(best.members, e)
		}
		if len(groups) <= most {
			break
		}
		limit *= 1.25
	}
	var shown []entry
	for _, g := range groups {
		e := entry{g.members[0].c, 0} // the commonest came first
		for _, m := range g.members {
			e.n += m.n
		}
		shown = append(shown, e)
	}
	slices.SortFunc(shown, commonest)
	var list []quantize.Swatch
	names := map[string]int{}
	for _, e := range shown {
		name := colour.Name(e.c)
		names[name]++
		if k := names[name]; k > 1 {
			name = fmt.Sprintf("%s-%d", name, k)
		}
		list = append(list, quantize.Swatch{Name: name, Colour: e.c})
	}
	return list
}
