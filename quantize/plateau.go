package quantize

import "math"

// This file finds strips too narrow for cores in a picture coded with loss. An edge is mixed over two pixels at most,
// so two and two pixels of the same luma between two tints, and unlike both, are a third.

const (
	plateauRange = 7.0  // levels of luma within two by two pixels
	plateauGap   = 20.0 // levels of luma that a strip must differ from the tints on either side
)

// plateaus labels narrow strips and makes cores of them.
func (q *flattener) plateaus() {
	q.preparePairs()
	found := make([][]fringePixel, bandCount(q.h))
	rowBands(q.h-1, q.opt.Workers, func(band, y0, y1 int) {
		var out []fringePixel
		for y := y0; y < y1; y++ {
			for i := y * q.w; i < (y+1)*q.w-1; i++ {
				if bit(q.core, i) || bit(q.core, i+1) || bit(q.core, i+q.w) || bit(q.core, i+q.w+1) {
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
	lo, hi := math.Inf(1), math.Inf(-1)
	var m tone
	for _, j := range [4]int{i, i + 1, i + q.w, i + q.w + 1} {
		v := q.tone(j)
		l := v[0]
		if !q.soft {
			l = luma(v[0], v[1], v[2])
		}
		lo, hi = math.Min(lo, l), math.Max(hi, l)
		if hi-lo > plateauRange {
			return unlabelled
		}
		for k := range m {
			m[k] += v[k] / 4
		}
	}
	a := q.look(i, q.reach())
	label, best := uint8(unlabelled), roughRadius
	for dir := range 4 {
		l, n := a.label[dir], a.label[dir+4]
		if l < 0 || n < 0 || l == n {
			continue
		}
		if _, miss := q.pair(l, n).mix(m); miss > roughMiss {
			continue
		}
		for c := range q.tints {
			if c == l || c == n || q.lumaGap(c, l) < plateauGap || q.lumaGap(c, n) < plateauGap {
				continue
			}
			// the strip's chroma is hazed by both sides
			_, d1 := q.pair(c, l).mix(m)
			_, d2 := q.pair(c, n).mix(m)
			d := math.Min(d1, d2)
			if q.soft {
				d = math.Max(d, math.Abs(m[0]-q.tints[c].v[0]))
			}
			if d < best {
				best, label = d, uint8(c)
			}
		}
	}
	return label
}

func (q *flattener) lumaGap(a, b int) float64 {
	if q.soft {
		return math.Abs(q.tints[a].v[0] - q.tints[b].v[0])
	}
	return q.tints[a].v.sub(q.tints[b].v).len()
}
