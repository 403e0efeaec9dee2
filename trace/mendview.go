package trace

import (
	"math"
	"slices"

	"pochoir/fit"
)

// This file varies forms of a section of a curve until they miss the pixels about it least.

// mendPixels is a number for each pixel of a square window, row by row.
type mendPixels []float64

// mendView is the window about a place.
type mendView struct {
	x, y   int        // its upper left pixel
	size   int        // its width, px
	lack   mendPixels // how much of a colour the pixels lack
	blind  []bool     // those that do not tell
	sign   float64    // of what the section adds of it to the east of where it goes down
	beyond mendPixels // for shows alone
}

// sums returns the sums of the squares of what the pixels within r px of the middle and the others lack.
func (v *mendView) sums(lack mendPixels, r int) (about, beside float64) {
	for k, d := range lack {
		if x, y := k%v.size-v.size/2, k/v.size-v.size/2; max(abs(x), abs(y)) <= r {
			about += float64(d * d)
		} else {
			beside += float64(d * d)
		}
	}
	return about, beside
}

// replace takes what a section shows out of the window; sign is that of what it adds to the east of where it goes down.
func (v *mendView) replace(old []fit.Segment, sign float64) {
	v.sign = sign
	shows := make(mendPixels, len(v.lack))
	v.shows(shows, old)
	for k := range v.lack {
		v.lack[k] += float64(sign * shows[k])
	}
}

// shows sets area to what lies east of segments in the window's pixels.
func (v *mendView) shows(area mendPixels, segs []fit.Segment) {
	clear(area)
	clear(v.beyond)
	for k := range segs {
		asLines(&segs[k], func(p, q fit.Point) {
			eachCrossed(p, q, func(x, y int, at, on float64) {
				x, y = x-v.x, y-v.y
				if y < 0 || y >= v.size || x >= v.size {
					return
				}
				if x < 0 {
					x, at = 0, on
				}
				area[y*v.size+x] += at
				v.beyond[y*v.size+x] += on
			})
		})
	}
	for y := range v.size {
		sum := 0.0
		for k := y * v.size; k < (y+1)*v.size; k++ {
			area[k] += sum
			sum += v.beyond[k]
			if v.blind[k] {
				area[k] = 0
			}
		}
	}
}

// misses sets dst to what the pixels lack when segments are drawn and returns the sum of the squares.
func (v *mendView) misses(dst mendPixels, segs []fit.Segment) (sum float64) {
	v.shows(dst, segs)
	for k := range dst {
		d := v.lack[k] - float64(v.sign*dst[k])
		dst[k] = d
		sum += float64(d * d)
	}
	return sum
}

// mendTurn is the cosine of the turn from which on a joint in a section is a corner: less than the sharpest that is drawn round.
const mendTurn = 0.9

// mendMost is how many numbers of a form may vary at most.
const mendMost = 6

// mendForm is a form of a section: n numbers that may vary, where they begin, and the curve that they give.
type mendForm struct {
	n     int
	x     [mendMost]float64
	curve func(x *[mendMost]float64) []fit.Segment
}

// mendForms lists what may be drawn in the place of a section about a place, what is taken first where several do.
func mendForms(at fit.Point, s *section) []mendForm {
	first, last := &s.old[0], &s.old[len(s.old)-1]
	a, b := first.P[0], last.P[3]
	out, in := first.Deriv(0).Unit(), last.Deriv(1).Unit()
	// Two curves begin to be varied from where the section comes nearest, or to a point, and from the middle of what is missed.
	var near fit.Point
	var lengths []float64
	least, length, foot, cornered := math.Inf(1), 0.0, 0.0, false
	for k := range s.old {
		lengths = append(lengths, s.old[k].Length())
		if t, d := s.old[k].Nearest(at); d < least {
			near, least, foot = s.old[k].At(t), d, length+float64(t*lengths[k])
		}
		length += lengths[k]
		cornered = cornered || k > 0 && s.old[k-1].Deriv(1).Unit().Dot(s.old[k].Deriv(0).Unit()) < mendTurn
	}
	one := mendForm{2, [mendMost]float64{length / 3, length / 3}, func(x *[mendMost]float64) []fit.Segment {
		const shortest = 0.05 // px
		longest := max(shortest, b.Sub(a).Len())
		within := func(v float64) float64 { return max(shortest, min(longest, v)) }
		return []fit.Segment{fit.CubicTo(a, a.Add(out.Mul(within(x[0]))), b.Sub(in.Mul(within(x[1]))), b)}
	}}
	// A spur or a notch with straight sides leaves the section at two places, px along it.
	along := func(u float64) (k int, t float64) {
		for k = 0; k < len(s.old)-1 && u > lengths[k]; k++ {
			u -= lengths[k]
		}
		return k, max(0, min(1, u/lengths[k]))
	}
	spur := func(c fit.Point) mendForm {
		const half, least = 0.5, 0.1 // px
		return mendForm{4, [mendMost]float64{c.X, c.Y, foot - half, foot + half}, func(x *[mendMost]float64) []fit.Segment {
			c := fit.Point{X: x[0], Y: x[1]}
			from := max(least, min(length-2*least, x[2]))
			to := max(from+least, min(length-least, x[3]))
			i, t := along(from)
			j, u := along(to)
			segs := slices.Clone(s.old[:i])
			if t > 0 {
				segs = append(segs, s.old[i].Sub(0, t))
			}
			segs = append(segs, fit.LineTo(s.old[i].At(t), c), fit.LineTo(c, s.old[j].At(u)))
			if u < 1 {
				segs = append(segs, s.old[j].Sub(u, 1))
			}
			return append(segs, s.old[j+1:]...)
		}}
	}
	// two returns two curves that meet in c, with their handles there; none is longer than its chord.
	two := func(c, l, r fit.Point) []fit.Segment {
		before, after := c.Sub(a).Len(), c.Sub(b).Len()
		within := func(v fit.Point, most float64) fit.Point { return v.Mul(min(1, most/max(most, v.Len()))) }
		return []fit.Segment{
			fit.CubicTo(a, a.Add(out.Mul(before/3)), c.Add(within(l, before)), c),
			fit.CubicTo(c, c.Add(within(r, after)), b.Sub(in.Mul(after/3)), b),
		}
	}
	if p, ok := s.point(); ok { // where it ends the pixels tell little of a narrow point
		near = p
	}
	var smooth, sharp []mendForm
	for _, c := range [2]fit.Point{near, at} {
		e := b.Sub(a).Unit().Mul(0.7)
		smooth = append(smooth, mendForm{4, [mendMost]float64{c.X, c.Y, e.X, e.Y}, func(x *[mendMost]float64) []fit.Segment {
			e := fit.Point{X: x[2], Y: x[3]}
			return two(fit.Point{X: x[0], Y: x[1]}, e.Mul(-1), e)
		}})
		l := a.Add(out.Mul(c.Sub(a).Len() / 3)).Sub(c).Mul(0.5)
		r := b.Sub(in.Mul(c.Sub(b).Len() / 3)).Sub(c).Mul(0.5)
		sharp = append(sharp, mendForm{6, [mendMost]float64{c.X, c.Y, l.X, l.Y, r.X, r.Y}, func(x *[mendMost]float64) []fit.Segment {
			return two(fit.Point{X: x[0], Y: x[1]}, fit.Point{X: x[2], Y: x[3]}, fit.Point{X: x[4], Y: x[5]})
		}})
	}
	spurs := []mendForm{spur(at), spur(at.Add(at.Sub(near).Unit()))}
	if cornered { // a corner stays one unless the pixels speak against it
		return slices.Concat(sharp, []mendForm{one}, smooth, spurs)
	}
	return slices.Concat([]mendForm{one}, smooth, sharp, spurs)
}

// solve varies the numbers of a form until it misses the pixels least, by Gauss and Newton's method. It returns what they then
// lack. What the pixels do not tell by more than damped stays as it is; enough is the gain of a turn that is worth another.
func (v *mendView) solve(f mendForm, damped, enough float64) (segs []fit.Segment, lack mendPixels) {
	const (
		turns  = 10
		step   = 0.05 // px, of the slopes
		stride = 0.8  // px
	)
	x := f.x
	var slopes [mendMost]mendPixels
	for k := range f.n {
		slopes[k] = make(mendPixels, len(v.lack))
	}
	r, moved := make(mendPixels, len(v.lack)), make(mendPixels, len(v.lack))
	best := v.misses(r, f.curve(&x))
	for range turns {
		for k := range f.n {
			y := x
			y[k] += step
			v.misses(moved, f.curve(&y))
			for n := range r {
				slopes[k][n] = (moved[n] - r[n]) / step
			}
		}
		var eq [mendMost][mendMost + 1]float64
		for i := range f.n {
			for j := range f.n {
				for n := range r {
					eq[i][j] += float64(slopes[i][n] * slopes[j][n])
				}
			}
			for n := range r {
				eq[i][mendMost] -= float64(slopes[i][n] * r[n])
			}
			eq[i][i] += damped
		}
		d := solved(&eq, f.n)
		gained := 0.0
		for share := 1.0; share > 0.02 && gained == 0; share /= 3 {
			y := x
			for k := range f.n {
				y[k] += max(-stride, min(stride, float64(share*d[k])))
			}
			if now := v.misses(moved, f.curve(&y)); now < best {
				gained = best - now
				x, best = y, now
				r, moved = moved, r
			}
		}
		if gained < enough {
			break
		}
	}
	return f.curve(&x), r
}

// solved solves n linear equations, a positive definite matrix with its right side in the last column.
func solved(m *[mendMost][mendMost + 1]float64, n int) (x [mendMost]float64) {
	rows := make([][]float64, n)
	for i := range rows {
		rows[i] = append(m[i][:n:n], m[i][mendMost])
	}
	copy(x[:], eliminated(rows))
	return x
}

// eliminated solves linear equations, a positive definite matrix with its right side in the last column, which it spends.
func eliminated(m [][]float64) []float64 {
	n := len(m)
	x := make([]float64, n)
	for k := range n {
		for i := k + 1; i < n; i++ {
			f := m[i][k] / m[k][k]
			for j := k; j <= n; j++ {
				m[i][j] -= float64(f * m[k][j])
			}
		}
	}
	for k := n - 1; k >= 0; k-- {
		x[k] = m[k][n]
		for j := k + 1; j < n; j++ {
			x[k] -= float64(m[k][j] * x[j])
		}
		x[k] /= m[k][k]
	}
	return x
}
