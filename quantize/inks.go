package quantize

import (
	"math"
	"slices"
)

// This file tells drawn lines of other colours from paint, and parts ink by where it lies.

const (
	// penWidth is how much broader than the ink the lines of another pen may be on average.
	penWidth = 1.8
	// penTouch is the share of its edges up to which a line may run along the ink; paint is mostly framed by it.
	penTouch = 0.35
	// penLight is the greatest CIELAB lightness of a pen; lighter marks are lights set on paint.
	penLight = 75.0
)

// DrawnInks tells for every label whether it is ink: the ink itself, and the thin lines of other pens. Without an ink
// none is.
func (f *Flats) DrawnInks() []bool {
	n := len(f.Palette)
	out := make([]bool, n)
	if f.Ink < 0 {
		return out
	}
	out[f.Ink] = true
	edges, areas := f.contacts(1)
	width := func(l int) (mean, touch float64) {
		own := 0
		for m := range n {
			own += edges[l*n+m]
		}
		if own == 0 {
			return math.Inf(1), 1
		}
		return 2 * float64(areas[l]) / float64(own), float64(edges[l*n+f.Ink]) / float64(own)
	}
	line, _ := width(f.Ink)
	for l, s := range f.Palette {
		if l == f.Ink || l == f.Ground || s.Colour.Lab().L > penLight {
			continue
		}
		if w, touch := width(l); w <= penWidth*line && touch <= penTouch {
			out[l] = true
		}
	}
	return out
}

// Beside returns for every pixel of the labels for which ink is true the nearest pixel of another label, and -1 for all
// other pixels and where there is none.
func (f *Flats) Beside(ink []bool) []int32 {
	free := make([]bool, len(f.Labels))
	for i, l := range f.Labels {
		free[i] = !ink[l]
	}
	_, at := nearestOf(free, f.W, f.H)
	for i := range at {
		if free[i] {
			at[i] = -1
		}
	}
	return at
}

// NearestSite returns for every pixel of a picture w px wide the nearest site and its squared distance, px². Without any
// site it is -1, at a distance beyond any picture's.
func NearestSite(site []bool, w int) (at, distance []int32) {
	distance, at = nearestOf(site, w, len(site)/w)
	return at, distance
}

// Split returns a copy of f with more labels for the colour of label l, one for each of swatches, which names and colours
// them in the palette; edges are measured by what the picture shows, the colour of l. ok is false where the palette is
// full.
func (f *Flats) Split(l uint8, swatches []Swatch) (g *Flats, first int, ok bool) {
	n, k := len(f.Palette), len(swatches)
	if n+k > maxSwatches {
		return nil, 0, false
	}
	c := *f
	c.Labels = slices.Clone(f.Labels)
	c.Palette = append(slices.Clone(f.Palette), swatches...)
	same := int32(len(f.mixtures))
	own := toneOfRGB(f.Palette[l].Colour, f.soft)
	c.mixtures = append(slices.Clone(f.mixtures), pairOf(own, own, f.soft, f.chromaBlur))
	c.runs = make([]pairRun, (n+k)*(n+k))
	as := func(a int) int {
		if a >= n {
			return int(l)
		}
		return a
	}
	for a := range n + k {
		for b := range n + k {
			switch x, y := as(a), as(b); {
			case x != y:
				c.runs[a*(n+k)+b] = f.runs[x*n+y]
			case a != b:
				c.runs[a*(n+k)+b] = pairRun{same, same + 1}
			}
		}
	}
	return &c, n, true
}
