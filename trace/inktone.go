package trace

import (
	"math"
	"slices"

	"pochoir/quantize"
	"pochoir/quantize/colour"
)

// This file colours the ink.

const (
	// toneLight is the lightness of ink beside a fill, as a share of the fill's (OKLab).
	toneLight = 0.5
	// toneChroma is the same for chroma: a darker tone is duller.
	toneChroma = 0.8
)

// toneOf returns a darker tone of a fill.
func toneOf(fill colour.RGB) colour.RGB {
	o := fill.OKLab()
	o.L *= toneLight
	o.A *= toneChroma
	o.B *= toneChroma
	return o.RGB()
}

// inked returns the picture with its ink coloured as the options say, and which labels are ink then.
func (w *flatwork) inked() (*quantize.Flats, []bool) {
	f := w.f
	if w.opt.Ink == InkDrawn {
		return f, w.inks
	}
	to := make([]uint8, len(f.Palette))
	for l := range to {
		to[l] = uint8(l)
		if w.inks[l] {
			to[l] = uint8(f.Ink)
		}
	}
	one := f.Pour(to)
	inks := make([]bool, len(f.Palette))
	inks[f.Ink] = true
	if w.opt.Ink == InkOne {
		return one, inks
	}
	return w.toned(one)
}

// toned parts the ink among the fills it borders: between two of them it goes to the darker, beside bare paper to the
// fill. Ink that borders none keeps its colour.
func (w *flatwork) toned(f *quantize.Flats) (*quantize.Flats, []bool) {
	ink := uint8(f.Ink)
	// A swatch of ink for each fill that is no white.
	label := make([]int, len(w.swatches))
	var tones []quantize.Swatch
	for k, s := range w.swatches {
		label[k] = -1
		if s.Colour == white.Colour || f.Ground >= 0 && s.Colour == f.Palette[f.Ground].Colour {
			continue
		}
		c := toneOf(s.Colour)
		i := slices.IndexFunc(tones, func(t quantize.Swatch) bool { return t.Colour == c })
		if i < 0 && c != f.Palette[ink].Colour {
			i = len(tones)
			tones = append(tones, quantize.Swatch{Name: "ink-" + s.Name, Colour: c})
		}
		label[k] = i
	}
	g, first, ok := f.Split(ink, tones)
	if !ok {
		w.notes = append(w.notes, "too many colours to tone the ink")
		inks := make([]bool, len(f.Palette))
		inks[f.Ink] = true
		return f, inks
	}
	light := make([]float64, len(w.swatches))
	for k, s := range w.swatches {
		light[k] = s.Colour.Lab().L
	}
	// wins returns the cell of the two that the ink between them goes to.
	wins := func(a, b int32) int32 {
		x, y := &w.cells[a], &w.cells[b]
		ax, ay := w.toneable(x, label), w.toneable(y, label)
		switch {
		case ax != ay:
			if ax {
				return a
			}
			return b
		case !ax:
			return min(a, b)
		case light[x.swatch] != light[y.swatch]:
			if light[x.swatch] < light[y.swatch] {
				return a
			}
			return b
		}
		return min(a, b)
	}
	width := w.f.W
	between := make([]bool, len(w.of))
	winner := make([]int32, len(w.of))
	note := func(i, j int) {
		if a, b := w.of[i], w.of[j]; a != b {
			v := wins(a, b)
			for _, k := range [2]int{i, j} {
				if !between[k] {
					between[k], winner[k] = true, v
				} else {
					winner[k] = wins(winner[k], v)
				}
			}
		}
	}
	for i := range w.of {
		if i%width > 0 {
			note(i, i-1)
		}
		if i >= width {
			note(i, i-width)
		}
	}
	at, distance := quantize.NearestSite(between, width)
	reach := int32(math.Ceil(float64((w.areas.Line + 1) * (w.areas.Line + 1))))
	for i, l := range f.Labels {
		if l != ink {
			continue
		}
		c := w.of[i]
		if at[i] >= 0 && distance[i] <= reach {
			c = winner[at[i]]
		}
		if w.toneable(&w.cells[c], label) {
			g.Labels[i] = uint8(first + label[w.cells[c].swatch])
		}
	}
	inks := make([]bool, len(g.Palette))
	inks[ink] = true
	for k := range tones {
		inks[first+k] = true
	}
	return g, inks
}

// toneable reports whether ink beside a cell takes a tone of its fill.
func (w *flatwork) toneable(c *cell, label []int) bool { return c.swatch >= 0 && label[c.swatch] >= 0 }
