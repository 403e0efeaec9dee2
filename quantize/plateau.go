package quantize

import (
	"math"
	"math/bits"
)

// This file finds strips too narrow for cores in a picture coded with loss. An edge is mixed over two pixels at most,
// so two and two pixels of the same luma between two tints, and unlike both, are a third.

const (
	plateauRange = 7    // levels of luma within two by two pixels
	plateauGap   = 20.0 // levels of luma that a strip must differ from the tints on either side
)

// plateaus labels narrow strips and makes cores of them.
func (q *flattener) plateaus() {
	q.prepareMixtures()
	found := make([][]fringePixel, bandCount(q.h))
	rowBands(q.h-1, q.opt.Workers, func(band, y0, y1 int) {
		var out []fringePixel
		for k := y0 * q.w >> 6; k<<6 < y1*q.w; k++ {
			if q.core[k] == ^uint64(0) {
				continue
			}
			taken := q.core[k] | shiftedDown(q.core, k, 1) | shiftedDown(q.core, k, q.w) | shiftedDown(q.core, k, q.w+1)
			for m := ^taken; m != 0; m &= m - 1 {
				i := k<<6 + bits.TrailingZeros64(m)
				if i >= y1*q.w || i%q.w == q.w-1 {
					continue
				}
				if l := q.plateau(i); l != unlabelled {
					for _, j := range [4]int{i, i + 1, i + q.w, i + q.w + 1} {
						out = append(out, fringePixel{int32(j), l})
					}
				}
			}
		}
		found[band] = out
	})
	for _, list := range found {
		for _, p := range list {
			q.labels[p.at] = p.label
			setBits(q.core, int(p.at), int(p.at)+1)
		}
	}
}

// plateau returns the tint of the strip that the two by two pixels at i lie in, or unlabelled.
func (q *flattener) plateau(i int) uint8 {
	square := [4]int{i, i + 1, i + q.w, i + q.w + 1}
	lo, hi := 255*256, 0
	for _, j := range square {
		p := q.px.at(j)
		l := 77*int(uint8(p)) + 150*int(uint8(p>>8)) + 29*int(uint8(p>>16))
		if lo, hi = min(lo, l), max(hi, l); hi-lo > plateauRange*256 {
			return unlabelled
		}
	}
	var m tone
	for _, j := range square {
		v := q.tone(j)
		m = tone{m.x + v.x/4, m.y + v.y/4, m.z + v.z/4}
	}
	a := q.look(i, q.reach())
	label, best := uint8(unlabelled), roughRadius
	for dir := range 4 {
		l, n := a.label[dir], a.label[dir+4]
		if l < 0 || n < 0 || l == n || q.lumaGap(m, l) < plateauGap-roughRadius || q.lumaGap(m, n) < plateauGap-roughRadius {
			continue // the strip's tint lies within roughRadius of m
		}
		if _, miss := q.pair(l, n).mix(m); miss > roughMiss {
			continue
		}
		for c := range q.tints {
			t := q.tints[c].v
			if c == l || c == n || q.soft && q.lumaGap(m, c) > roughRadius || q.lumaGap(t, l) < plateauGap || q.lumaGap(t, n) < plateauGap {
				continue
			}
			// the strip's chroma is hazed by both sides
			_, d1 := q.pair(c, l).mix(m)
			_, d2 := q.pair(c, n).mix(m)
			d := min(d1, d2)
			if q.soft {
				d = max(d, q.lumaGap(m, c))
			}
			if d < best {
				best, label = d, uint8(c)
			}
		}
	}
	return label
}

// lumaGap returns by how many levels of luma v differs from tint k; of the whole colour where chroma is as sharp.
func (q *flattener) lumaGap(v tone, k int) float64 {
	if q.soft {
		return math.Abs(v.x - q.tints[k].v.x)
	}
	return v.sub(q.tints[k].v).len()
}
