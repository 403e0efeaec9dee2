package check

import (
	"math"

	"pochoir/fit"
)

// thin returns the ring with fewer points, none of it moved by more than tol, and how many points went. Runs of
// segments between corners are replaced by one line or cubic as long as one within tol exists; corners, where the
// outline turns by more than cornerTurn, stay.
func thin(ring fit.Path, tol float64) (fit.Path, int) {
	segs := ring.Segments
	if len(segs) < 3 {
		return ring, 0
	}
	// Begin at the sharpest corner, so that the start of the ring does not count as one.
	start, sharpest := 0, -1.0
	for i := range segs {
		if t := turnAt(segs[(i+len(segs)-1)%len(segs)], segs[i]); t > sharpest {
			start, sharpest = i, t
		}
	}
	turned := append(append([]fit.Segment(nil), segs[start:]...), segs[:start]...)
	n := len(turned)
	into, from := make([]fit.Point, n), make([]fit.Point, n) // tangents before and after the start of each segment
	for i := range turned {
		into[i], from[i] = tangents(turned[(i+n-1)%n], turned[i])
	}
	var out []fit.Segment
	for i := 0; i < len(turned); {
		best, used := turned[i], 1
		for n := 2; n <= mostMerged && i+n <= len(turned); n++ {
			run := turned[i : i+n]
			if turnAt(run[n-2], run[n-1]) > cornerTurn || i == 0 && n == len(turned) {
				break
			}
			m, ok := merge(run, from[i], into[(i+n)%len(turned)].Mul(-1), tol)
			if !ok {
				if n > used+2 {
					break
				}
				continue
			}
			best, used = m, n
		}
		out = append(out, best)
		i += used
	}
	return fit.Path{Segments: out, Closed: ring.Closed}, len(segs) - len(out)
}

const (
	cornerTurn = 0.35 // radians (20°): a sharper turn is a corner and stays
	mostMerged = 40   // segments replaced by one
)

// turnAt is the angle between the end of a and the beginning of b in radians.
func turnAt(a, b fit.Segment) float64 {
	u, v := direction(a.Reverse()).Mul(-1), direction(b)
	return math.Abs(math.Atan2(u.Cross(v), u.Dot(v)))
}

// tangents returns the unit tangents of the outline before and after the point where a meets b. At a corner they are
// those of a and b; elsewhere both are that of the circle through the ends of a and b, so that a polygon drawn for a
// curve gets the curve's tangents back.
func tangents(a, b fit.Segment) (before, after fit.Point) {
	u, v := direction(a.Reverse()).Mul(-1), direction(b)
	if turnAt(a, b) > cornerTurn {
		return u, v
	}
	t := u.Mul(b.P[3].Sub(b.P[0]).Len()).Add(v.Mul(a.P[3].Sub(a.P[0]).Len())).Unit()
	return t, t
}

// direction returns the unit tangent at the start of s, also where handles lie on their points.
func direction(s fit.Segment) fit.Point {
	for _, p := range s.P[1:] {
		if d := p.Sub(s.P[0]); d.Len() > 0 {
			return d.Unit()
		}
	}
	return fit.Point{}
}

// merge returns one line or cubic that stays within tol of a run of segments. The cubic leaves along t0 and arrives
// against t1, unit vectors; its handle lengths are the least-squares ones for samples at shares of the arc length, refined by two rounds of Newton
// steps on the parameters (Schneider, "An algorithm for automatically fitting digitized curves", Graphics Gems, 1990).
func merge(run []fit.Segment, t0, t1 fit.Point, tol float64) (fit.Segment, bool) {
	a, d := run[0].P[0], run[len(run)-1].P[3]
	const perSegment = 6
	pts := make([]fit.Point, 0, perSegment*len(run))
	for _, s := range run {
		for k := 1; k <= perSegment; k++ {
			pts = append(pts, s.At(float64(k)/perSegment))
		}
	}
	pts = pts[:len(pts)-1]
	if chord := d.Sub(a); chord.Len() > 0 {
		u, straight := chord.Unit(), true
		for _, p := range pts {
			along := p.Sub(a).Dot(u)
			if math.Abs(p.Sub(a).Cross(u)) > tol || along < -tol || along > chord.Len()+tol {
				straight = false
				break
			}
		}
		if straight {
			return fit.LineTo(a, d), true
		}
	}
	ts := make([]float64, len(pts))
	total := 0.0
	prev := a
	for i, p := range pts {
		total += p.Sub(prev).Len()
		ts[i] = total
		prev = p
	}
	total += d.Sub(prev).Len()
	if total == 0 {
		return fit.Segment{}, false
	}
	for i := range ts {
		ts[i] /= total
	}
	var c fit.Segment
	for round := range 3 {
		// Least squares for the handle lengths.
		var c00, c01, c11, x0, x1 float64
		for i, p := range pts {
			t := ts[i]
			u := 1 - t
			b1, b2 := float64(3*u*u*t), float64(3*u*t*t)
			v0, v1 := t0.Mul(b1), t1.Mul(b2)
			rest := p.Sub(a.Mul(float64(u*u*u) + b1)).Sub(d.Mul(float64(t*t*t) + b2))
			c00 += v0.Dot(v0)
			c01 += v0.Dot(v1)
			c11 += v1.Dot(v1)
			x0 += v0.Dot(rest)
			x1 += v1.Dot(rest)
		}
		det := float64(c00*c11) - float64(c01*c01)
		if det <= 1e-12*c00*c11 {
			return fit.Segment{}, false
		}
		l0, l1 := (float64(x0*c11)-float64(x1*c01))/det, (float64(x1*c00)-float64(x0*c01))/det
		if l0 <= 0 || l1 <= 0 || l0 > 2*total || l1 > 2*total {
			return fit.Segment{}, false
		}
		c = fit.CubicTo(a, a.Add(t0.Mul(l0)), d.Add(t1.Mul(l1)), d)
		if round == 2 {
			break
		}
		for i, p := range pts {
			q, d1, d2 := c.At(ts[i]).Sub(p), c.Deriv(ts[i]), c.Deriv2(ts[i])
			if den := d1.Dot(d1) + q.Dot(d2); den > 0 {
				ts[i] = math.Min(math.Max(ts[i]-q.Dot(d1)/den, 0), 1)
			}
		}
	}
	for i, p := range pts {
		if c.At(ts[i]).Sub(p).Len() > tol {
			return fit.Segment{}, false
		}
	}
	return c, true
}

// nearPoints counts neighbouring points of a ring that are closer than least to each other.
func nearPoints(ring fit.Path, least float64) (n int, at fit.Point) {
	for _, s := range ring.Segments {
		if s.P[3].Sub(s.P[0]).Len() < least && tiny(s, least) {
			if n == 0 {
				at = s.P[0]
			}
			n++
		}
	}
	return n, at
}

// tiny reports whether a whole segment, not only its ends, lies within reach of its start: a loop does not.
func tiny(s fit.Segment, reach float64) bool {
	return s.P[1].Sub(s.P[0]).Len() < reach && s.P[2].Sub(s.P[0]).Len() < reach
}

// mergeNear returns the ring without segments shorter than least: both ends move to their middle, and the handles on
// the far sides with them.
func mergeNear(ring fit.Path, least float64) fit.Path {
	segs := append([]fit.Segment(nil), ring.Segments...)
	for i := 0; i < len(segs) && len(segs) > 2; {
		s := segs[i]
		if s.P[3].Sub(s.P[0]).Len() >= least || !tiny(s, least) {
			i++
			continue
		}
		mid := s.P[0].Lerp(s.P[3], 0.5)
		prev, next := (i+len(segs)-1)%len(segs), (i+1)%len(segs)
		segs[prev] = moveEnd(segs[prev], mid)
		segs[next] = moveEnd(segs[next].Reverse(), mid).Reverse()
		segs = append(segs[:i], segs[i+1:]...)
	}
	return fit.Path{Segments: segs, Closed: ring.Closed}
}

// moveEnd moves the last point of s, and its handle with it.
func moveEnd(s fit.Segment, to fit.Point) fit.Segment {
	if s.Line {
		return fit.LineTo(s.P[0], to)
	}
	return fit.CubicTo(s.P[0], s.P[1], s.P[2].Add(to.Sub(s.P[3])), to)
}
