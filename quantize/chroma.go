package quantize

import "math"

// This file reads chroma that was stored at lower resolution between its samples. Decoders repeat each sample over the
// pixels it stands for, which moves an edge that only chroma shows by up to half a sample, forth and back from row to row.

const (
	// gridLook is about how many pixels are looked at for the grid of chroma samples along either axis.
	gridLook = 1 << 18
	// sameChroma is by how many levels two pixels of one sample may differ: their channels are rounded.
	sameChroma = 1.5
	// gridContrast is how many times rarer chroma must change within samples than between them.
	gridContrast = 8
)

// chromaGrid is the phase of the chroma samples along x and y: 0 or 1, the parity of their first pixels; -1 where chroma
// does not come in pairs of equal pixels.
type chromaGrid struct{ x, y int }

// gridOf finds the chroma samples of a picture.
func gridOf(px *Pixels, workers int) chromaGrid {
	w, h := px.W, px.H
	every := 1 + w*h/gridLook
	changes := func(i, j int) bool {
		p, q := px.at(i), px.at(j)
		if p == q || clipped(p) || clipped(q) {
			return false
		}
		d := toneAt(p, true).sub(toneAt(q, true))
		return max(math.Abs(d.y), math.Abs(d.z)) > sameChroma
	}
	type count [2]int // of changes, by the parity of the first of two pixels
	found := make([][2]count, bandCount(h))
	rowBands(h, workers, func(band, y0, y1 int) {
		n := &found[band]
		for y := y0; y < y1; y++ {
			if y/2%every != every/2 { // rows in pairs, so that those of either parity are among them
				continue
			}
			for i, end := y*w, (y+1)*w; ; {
				if i = px.runEnd(i+1, end, px.at(i)); i == end {
					break
				}
				if changes(i-1, i) {
					n[0][(i-1-y*w)&1]++
				}
			}
			if y+1 == h {
				break
			}
			for i := y * w; i < (y+1)*w; i++ {
				if c := px.at(i); c != px.at(i+w) {
					if changes(i, i+w) {
						n[1][y&1]++
					}
				} else if e := px.runEnd(i+1, (y+1)*w, c); e > i+1 { // as far as both rows are alike
					i = px.runEnd(i+w+1, e+w, c) - w - 1
				}
			}
		}
	})
	phase := func(axis int) int {
		var n count
		for _, f := range found {
			n[0] += f[axis][0]
			n[1] += f[axis][1]
		}
		switch {
		case gridContrast*n[0] < n[1]:
			return 0
		case gridContrast*n[1] < n[0]:
			return 1
		}
		return -1
	}
	return chromaGrid{phase(0), phase(1)}
}

// between returns the tone of pixel i with chroma interpolated between the four nearest samples, linearly either way, as
// their centres lie half a pixel inside. Beside clipped pixels and at the picture's frame it is the tone as it is.
func (f *Flats) between(i int) tone {
	own := f.px.at(i)
	c := toneAt(own, true)
	x, y := i%f.W, i/f.W
	dx, dy := 0, 0
	if f.grid.x >= 0 {
		dx = 2*((x-f.grid.x)&1) - 1
	}
	if f.grid.y >= 0 {
		dy = 2*((y-f.grid.y)&1) - 1
	}
	if uint(x+dx) >= uint(f.W) || uint(y+dy) >= uint(f.H) {
		return c
	}
	beside, above, across := i+dx, i+dy*f.W, i+dx+dy*f.W
	pb, pa, pd := f.px.at(beside), f.px.at(above), f.px.at(across)
	if clipped(own) || clipped(pb) || clipped(pa) || clipped(pd) {
		return c
	}
	b, a, d := toneAt(pb, true), toneAt(pa, true), toneAt(pd, true)
	c.y = (float64(9*c.y) + float64(3*b.y) + float64(3*a.y) + d.y) / 16
	c.z = (float64(9*c.z) + float64(3*b.z) + float64(3*a.z) + d.z) / 16
	return c
}
