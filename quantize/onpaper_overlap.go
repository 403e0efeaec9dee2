package quantize

import (
	"math"
	"slices"

	"pochoir/quantize/colour"
	"pochoir/quantize/large"
)

// This file evens felt-tip paint: where two strokes overlap there is more of the same ink, a narrow stripe that is a
// little denser in every channel, in proportion to the paint beside it. It is no line and no swatch of its own.

const (
	overlapWide = 4 // px of the half plane: an opening by 2·overlapWide+1 leaves no stripe in the density of a paint
	// overlapPaint is the least density of a paint that is looked at, as a natural logarithm.
	overlapPaint = 0.12
	// The ink of an overlap is at most overlapMost of that beside it, and what its channels say of that may differ by
	// overlapHue, and overlapGrain, the logarithm of light that grain reaches. What is more, or of another hue, is a line,
	// and all within overlapLine px of the half plane may be its soft edge.
	overlapMost  = 0.5
	overlapHue   = 0.3
	overlapGrain = 0.03
	overlapLine  = 1
	// A paint is laid in strokes if overlapShare of it is at least overlapSeen denser than most of it, and by overlapNoise
	// times what grain and noise make of its lower half: as far from the middle as they take one place in a hundred.
	overlapSeen  = 0.08
	overlapNoise = 3.5
	overlapShare = 0.05
)

// densityUnit is the number of steps to 1 of density, the natural logarithm of what light is left.
const densityUnit = 4096

// densities holds the density of 8-bit levels, up to that of a black ink.
var densities = func() (t [256]uint16) {
	for i := range t {
		t[i] = uint16(math.Round(-densityUnit * math.Log(max(colour.ToLinear(float64(i)/255), 0.01))))
	}
	return t
}()

// mayOverlap reports whether there may be stripes in paint that was laid in overlapping strokes: most paint has none, which
// a quarter of the places tells.
func (s *onPaper) mayOverlap() bool {
	if !s.anyPaint() {
		return false
	}
	_, _, striped := s.overlaps(4)
	return striped
}

// evenOverlaps takes the stripes out of paint that was laid in overlapping strokes, and reports whether there are any.
func (s *onPaper) evenOverlaps() bool {
	extra, usual, striped := s.overlaps(2)
	if !striped {
		return false
	}
	w := (s.w + 1) / 2
	pix := slices.Clone(s.pix)
	rowBands(s.h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			for x := range s.w {
				e := extra[y/2*w+x/2]
				if e <= usual {
					continue
				}
				p := pix[4*(y*s.w+x):][:3]
				for k, v := range p {
					p[k] = levelOf(float32(densities[v]) / densityUnit * ((1 + usual) / (1 + e)))
				}
			}
		}
	})
	s.pix = pix
	return true
}

// overlaps looks at one place in every step px, 2 or 4, both ways. It returns how much more ink there is in each than in
// the paint beside it, what is usual, and whether enough of the paint is striped.
func (s *onPaper) overlaps(step int) (extra []float32, usual float32, striped bool) {
	w, h := (s.w+step-1)/step, (s.h+step-1)/step
	var dense, paint [3][]uint16
	parallel(3, s.workers, func(k int) {
		dense[k] = s.density(k, step, w, h)
		paint[k] = opened(dense[k], w, h, 2*overlapWide/step)
	})
	extra, line := large.Make[float32](w*h), large.Make[uint16](w*h)
	rowBands(h, s.workers, func(_, lo, hi int) {
		for i := lo * w; i < hi*w; i++ {
			var other bool
			extra[i], other = moreOf([3]uint16{paint[0][i], paint[1][i], paint[2][i]}, [3]uint16{dense[0][i], dense[1][i], dense[2][i]})
			if other {
				line[i] = 1
			}
		}
	})
	most16(line, w, h, overlapLine)
	var some []float32
	for i, e := range extra {
		if e < 0 || line[i] > 0 {
			extra[i] = 0
		} else {
			some = append(some, e)
		}
	}
	if len(some) == 0 {
		return nil, 0, false
	}
	slices.Sort(some)
	usual = some[len(some)/2]
	first, _ := slices.BinarySearch(some, usual+max(overlapSeen, overlapNoise*(usual-some[len(some)/4])))
	return extra, usual, float64(len(some)-first) >= overlapShare*float64(len(some))
}

// anyPaint reports whether the sheet has paint: places with ink in them and all round them.
func (s *onPaper) anyPaint() bool {
	const (
		step  = 8  // px between the places looked at
		round = 12 // px
		least = 0.002
	)
	inked := func(x, y int) bool {
		p := s.pix[4*(y*s.w+x):][:3]
		return float32(densities[min(p[0], p[1], p[2])]) > overlapPaint*densityUnit
	}
	n, all := 0, 0
	for y := round; y < s.h-round; y += step {
		for x := round; x < s.w-round; x += step {
			all++
			if inked(x, y) && inked(x-round, y) && inked(x+round, y) && inked(x, y-round) && inked(x, y+round) {
				n++
			}
		}
	}
	return float64(n) > least*float64(all)
}

// density returns channel k of the sheet at one place in every step px both ways, w×h: the mean of four densities.
func (s *onPaper) density(k, step, w, h int) []uint16 {
	out := large.Make[uint16](w * h)
	for y := range h {
		r0, r1 := s.pix[4*step*y*s.w+k:], s.pix[4*min(step*y+step/2, s.h-1)*s.w+k:]
		for x := range w {
			l, r := 4*step*x, 4*min(step*x+step/2, s.w-1)
			out[y*w+x] = uint16((uint32(densities[r0[l]]) + uint32(densities[r0[r]]) + uint32(densities[r1[l]]) + uint32(densities[r1[r]])) / 4)
		}
	}
	return out
}

// moreOf returns how much more ink than in the paint beside it there is in a place of the given density, over that of the
// paint; below 0 where there is no paint. line is true where it is another ink or too much of it.
func moreOf(paint, dense [3]uint16) (extra float32, line bool) {
	pp, pe, ee := float32(0), float32(0), float32(0)
	for k := range paint {
		p := float32(paint[k]) / densityUnit
		e := float32(dense[k])/densityUnit - p
		pp += float32(p * p)
		pe += float32(p * e)
		ee += float32(e * e)
	}
	if float32(max(paint[0], paint[1], paint[2])) < overlapPaint*densityUnit {
		return -1, ee > overlapPaint*overlapPaint
	}
	extra = pe / pp
	off := float32(math.Sqrt(float64(max(0, ee-float32(pe*extra)))))
	much := float32(math.Sqrt(float64(ee)))
	return extra, extra > overlapMost || off > overlapHue*much+overlapGrain
}

// levelOf is the level of a density.
func levelOf(d float32) uint8 { return colour.Byte(colour.FromLinear(math.Exp(-float64(d)))) }

// opened is the grey opening of v, w×h, by a square of 2r+1: the greatest that a square over a place has everywhere.
func opened(v []uint16, w, h, r int) []uint16 {
	out := make([]uint16, len(v))
	for i, x := range v {
		out[i] = ^x // so that the least is the greatest
	}
	most16(out, w, h, r)
	for i, x := range out {
		out[i] = ^x
	}
	most16(out, w, h, r)
	return out
}

// most16 sets every place of v, w×h, to the greatest within r of it, both ways.
func most16(v []uint16, w, h, r int) {
	// First the greatest of the 2r+1 that begin at each place, by shifts that double, then back by r.
	run := func(v []uint16, stride int) {
		have := 1
		for have < 2*r+1 {
			shift := min(have, 2*r+1-have)
			for i := range max(0, len(v)-shift*stride) {
				v[i] = max(v[i], v[i+shift*stride])
			}
			have += shift
		}
		if back := r * stride; back < len(v) {
			copy(v[back:], v[:len(v)-back])
		}
	}
	for y := range h {
		run(v[y*w:(y+1)*w], 1)
	}
	run(v, w)
}
