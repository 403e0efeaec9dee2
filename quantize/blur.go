package quantize

import (
	"math"
	"math/bits"
)

// This file estimates the spread of edges.
//
// The sum of α(1-α) over the pixels of a straight edge's profile is half the mean distance of two random points of its
// spread: 1/6 for the pixel's own box, σ/√π for a Gaussian. Variances add up.

const (
	boxSpread   = 1.0 / 6
	gaussSpread = 0.5641895835477563 // 1/√π
	blurFloor   = 0.25               // px: what is less is the slant of edges, and noise
	blurEvery   = 17                 // words of the core bitmap; prime to the usual widths
	blurLeast   = 32                 // profiles that tell anything
	blurParts   = 16                 // of the picture, looked at on all cores
)

// measureBlur returns the standard deviation of the edge spread beyond the pixel's box, px.
func (q *flattener) measureBlur() float64 {
	every := max(1, min(blurEvery, len(q.core)/4096))
	words := (len(q.core) + every - 1) / every // that are looked at
	// Added up in the order of the words, whoever looks at them.
	parts := make([][]float64, blurParts)
	parallel(blurParts, q.opt.Workers, func(part int) {
		var found []float64
		for j := part * words / blurParts; j < (part+1)*words/blurParts; j++ {
			k := j * every
			for m := ^q.core[k]; m != 0; m &= m - 1 {
				i := k<<6 + bits.TrailingZeros64(m)
				if i >= q.w*q.h {
					break
				}
				for _, dir := range [2]int{0, 2} {
					if s, ok := q.spread(i, dir); ok {
						found = append(found, s)
					}
				}
			}
		}
		parts[part] = found
	})
	var sum float64
	n := 0
	for _, found := range parts {
		for _, s := range found {
			sum += s
		}
		n += len(found)
	}
	if n < blurLeast {
		return 0
	}
	mean := sum / float64(n)
	v := math.Sqrt(max(0, mean*mean-boxSpread*boxSpread)) / gaussSpread
	if v < blurFloor {
		return 0
	}
	return v
}

// spread returns the sum of α(1-α) along the profile through pixel i in a direction, 0 or 2, and whether the profile
// is one: cores of two labels at its ends, α falling from one to the other, the edge about square to it, and i its
// pixel nearest to one half.
func (q *flattener) spread(i, dir int) (sum float64, ok bool) {
	x, y := i%q.w, i/q.w
	a, na := q.ray(q.core, x, y, dir, 7)
	b, nb := q.ray(q.core, x, y, dir+4, 7)
	if a < 0 || b < 0 || a == b || q.mids[a*len(q.tints)+b] { // a rim would look like a spread edge
		return 0, false
	}
	p := q.pair(a, b)
	step := compass[dir][1]*q.w + compass[dir][0]
	across := compass[dir+2][1]*q.w + compass[dir+2][0]
	if j := i - across; j < 0 || j >= q.w*q.h || i+across < 0 || i+across >= q.w*q.h {
		return 0, false
	}
	own := p.of(q.tone(i))
	last := 1.0
	for k := na; k >= -nb; k-- {
		s, miss := p.mix(q.tone(i + k*step))
		if miss > q.mayMiss() || s > last+0.05 || k != 0 && math.Abs(s-0.5) < math.Abs(own-0.5) {
			return 0, false
		}
		last = s
		sum += float64(s * (1 - s))
	}
	along := p.of(q.tone(i+step)) - p.of(q.tone(i-step))
	aside := p.of(q.tone(i+across)) - p.of(q.tone(i-across))
	if math.Abs(aside) > 0.3*along {
		return 0, false
	}
	return sum, true
}
