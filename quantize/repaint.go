package quantize

import (
	"math"
	"slices"
)

// This file changes Flats after the fact: one swatch poured into another, single pixels painted anew.

// Pour returns f with the labels of some swatches given to others: to[l] is the label that l becomes, l itself where it
// stays; len(to) is that of the palette, and a label that others become stays itself. The palette keeps its entries, so
// labels mean what they meant. Edges of a poured area are measured by its own colour.
func (f *Flats) Pour(to []uint8) *Flats {
	g := *f
	g.Labels = make([]uint8, len(f.Labels))
	for i, l := range f.Labels {
		g.Labels[i] = to[l]
	}
	n := len(f.Palette)
	members := make([][]int, n)
	for l := range n {
		members[to[l]] = append(members[to[l]], l)
	}
	g.runs, g.mixtures = make([]pairRun, n*n), nil
	for a := range n {
		for b := range n {
			from := len(g.mixtures)
			for _, x := range members[a] {
				for _, y := range members[b] {
					if a != b {
						r := f.runs[x*n+y]
						g.mixtures = append(g.mixtures, f.mixtures[r.from:r.to]...)
					}
				}
			}
			g.runs[a*n+b] = pairRun{int32(from), int32(len(g.mixtures))}
		}
	}
	if f.Ground >= 0 {
		g.Ground = int(to[f.Ground])
	}
	if f.Ink >= 0 {
		g.Ink = int(to[f.Ink])
	}
	return &g
}

// Copy returns a copy of f whose pixels can be painted.
func (f *Flats) Copy() *Flats {
	g := *f
	g.Labels, g.Core, g.px = slices.Clone(f.Labels), slices.Clone(f.Core), Pixels{W: f.W, H: f.H, Pix: f.px.bitmap()}
	f.clear.lay(g.px.Pix)
	g.clear = overlay{}
	return &g
}

// Paint makes pixel i show the swatch of label l, unmixed. It wants a Copy.
func (f *Flats) Paint(i int, l uint8) {
	c := f.Palette[l].Colour
	f.px.Pix[4*i], f.px.Pix[4*i+1], f.px.Pix[4*i+2] = c.R, c.G, c.B
	f.Labels[i] = l
	f.Core[i>>6] |= 1 << (uint(i) & 63)
}

// Cover lays a share of the swatch of label l, 0 to 1, over pixel i, which takes that label where the share is one half
// or more. It wants a Copy.
func (f *Flats) Cover(i int, l uint8, share float64) {
	if share >= 1 {
		f.Paint(i, l)
		return
	}
	c := f.Palette[l].Colour
	for k, v := range [3]uint8{c.R, c.G, c.B} {
		p := &f.px.Pix[4*i+k]
		*p = uint8(math.Round(float64((1-share)*float64(*p)) + float64(share*float64(v))))
	}
	f.Core[i>>6] &^= 1 << (uint(i) & 63)
	if share >= 0.5 {
		f.Labels[i] = l
	}
}

// Exchange takes pixel i for a mixture of old and beside and puts the colour of label l in place of old's. It leaves the
// label. It wants a Copy.
func (f *Flats) Exchange(i int, old, beside, l uint8) {
	share := f.Coverage(i, old, beside)
	was, now := f.Palette[old].Colour, f.Palette[l].Colour
	for k, d := range [3]float64{float64(now.R) - float64(was.R), float64(now.G) - float64(was.G), float64(now.B) - float64(was.B)} {
		p := &f.px.Pix[4*i+k]
		*p = uint8(min(255, max(0, math.Round(float64(*p)+float64(share*d)))))
	}
	f.Core[i>>6] &^= 1 << (uint(i) & 63)
}

// Add returns the label of the swatch of that name or, where there is none, of that colour; else it puts the swatch into
// the palette. ok is false where the palette is full. It wants a Copy.
func (f *Flats) Add(s Swatch) (l uint8, ok bool) {
	for k, p := range f.Palette {
		if p.Name == s.Name {
			return uint8(k), true
		}
	}
	for k, p := range f.Palette {
		if p.Colour == s.Colour {
			return uint8(k), true
		}
	}
	n := len(f.Palette)
	if n == maxSwatches {
		return 0, false
	}
	runs := make([]pairRun, (n+1)*(n+1))
	for a := range n {
		copy(runs[a*(n+1):], f.runs[a*n:(a+1)*n])
	}
	f.mixtures = slices.Clone(f.mixtures)
	own := toneOf(s.Colour.R, s.Colour.G, s.Colour.B, f.soft)
	mix := func(a, b tone) pairRun {
		from := int32(len(f.mixtures))
		f.mixtures = append(f.mixtures, pairOf(a, b, f.soft, f.chromaBlur))
		return pairRun{from, from + 1}
	}
	for a, p := range f.Palette {
		c := toneOf(p.Colour.R, p.Colour.G, p.Colour.B, f.soft)
		runs[a*(n+1)+n], runs[n*(n+1)+a] = mix(c, own), mix(own, c)
	}
	f.runs = runs
	f.Palette = append(slices.Clone(f.Palette), s)
	return uint8(n), true
}
