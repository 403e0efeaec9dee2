package fit

import "math"

// Nearest returns the parameter t in [0,1] of the point of s closest to p, and its distance in px: nine starts along
// the segment, Newton's method from the best two. The distance may exceed the true minimum on segments that come near
// p several times between the starts.
func (s Segment) Nearest(p Point) (t, d float64) {
	if s.Line {
		v := s.P[3].Sub(s.P[0])
		if l := v.Dot(v); l > 0 {
			t = math.Max(0, math.Min(1, p.Sub(s.P[0]).Dot(v)/l))
		}
		return t, s.P[0].Lerp(s.P[3], t).Sub(p).Len()
	}
	const starts = 8
	best, second := 0, 0
	bd, sd := math.Inf(1), math.Inf(1)
	for k := 0; k <= starts; k++ {
		e := s.At(float64(k) / starts).Sub(p)
		if q := e.Dot(e); q < bd {
			second, sd = best, bd
			best, bd = k, q
		} else if q < sd {
			second, sd = k, q
		}
	}
	d = math.Inf(1)
	for _, k := range [2]int{best, second} {
		u := project(&s, p, float64(k)/starts, 5)
		if e := s.At(u).Sub(p).Len(); e < d {
			t, d = u, e
		}
	}
	return t, d
}
