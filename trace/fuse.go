package trace

import (
	"math"

	"pochoir/fit"
)

// This file takes a point out between two curves.

// fuse returns one curve in the place of s and the first of the pieces that it goes on in; ok is false where there is none.
func fuse(s fit.Segment, rest []piece) (one fit.Segment, ok bool) {
	if len(rest) == 0 {
		return one, false
	}
	r := rest[0].Segment
	var on []fit.Point
	const steps = 6
	for k := 1; k < steps; k++ {
		on = append(on, s.At(float64(k)/steps), r.At(float64(k)/steps))
	}
	on = append(on, r.P[0])
	off := func(c *fit.Segment) (worst float64) {
		for _, p := range on {
			_, d := c.Nearest(p)
			worst = max(worst, d)
		}
		return worst
	}
	if r.Line {
		one = fit.LineTo(s.P[0], r.P[3])
		return one, off(&one) < fused
	}
	from, to := s.Deriv(0).Unit(), r.Deriv(1).Unit()
	a, b := s.Length(), r.Length()
	if a < jointReach || b < jointReach || s.Deriv(1).Unit().Dot(r.Deriv(0).Unit()) < mendTurn {
		return one, false
	}
	// Handles as long as they are where the two are parts of one curve, then varied with the direction at the free end by Gauss
	// and Newton's method.
	x := [mendMost]float64{s.P[1].Sub(s.P[0]).Len() * (a + b) / a, r.P[3].Sub(r.P[2]).Len() * (a + b) / b, 0}
	curve := func(x *[mendMost]float64) fit.Segment {
		longest := s.P[0].Sub(r.P[3]).Len()
		within := func(v float64) float64 { return max(0.05*longest, min(longest, v)) }
		sin, cos := math.Sincos(x[2] / longest)
		u := from.Mul(cos).Add(from.Perp().Mul(sin))
		return fit.CubicTo(s.P[0], s.P[0].Add(u.Mul(within(x[0]))), r.P[3].Sub(to.Mul(within(x[1]))), r.P[3])
	}
	misses := func(x *[mendMost]float64) (d [2*steps - 1]float64, worst float64) {
		c := curve(x)
		for k, p := range on {
			t, far := c.Nearest(p)
			if c.Deriv(t).Cross(p.Sub(c.At(t))) < 0 {
				far = -far
			}
			d[k], worst = far, max(worst, math.Abs(far))
		}
		return d, worst
	}
	const step, rounds = 0.05, 4 // px
	d, worst := misses(&x)
	for range rounds {
		if worst < fused/2 {
			break
		}
		var slopes [3][2*steps - 1]float64
		for k := range slopes {
			y := x
			y[k] += step
			moved, _ := misses(&y)
			for n := range d {
				slopes[k][n] = (moved[n] - d[n]) / step
			}
		}
		var eq [mendMost][mendMost + 1]float64
		for i := range slopes {
			for n := range d {
				for j := range slopes {
					eq[i][j] += float64(slopes[i][n] * slopes[j][n])
				}
				eq[i][mendMost] -= float64(slopes[i][n] * d[n])
			}
			eq[i][i] += 1e-4
		}
		y, change := x, solved(&eq, len(slopes))
		for k := range slopes {
			y[k] += change[k]
		}
		next, now := misses(&y)
		if now >= worst {
			break
		}
		x, d, worst = y, next, now
	}
	return curve(&x), worst < fused
}
