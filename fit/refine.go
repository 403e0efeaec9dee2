package fit

import "math"

// spline is a chain of cubics that share tangents at their knots. Knot k has a position and a direction angle,
// segment k the handle lengths a at its start and b at its end.
type spline struct {
	knot   []Point
	angle  []float64
	a, b   []float64
	closed bool // the last segment ends at knot 0
}

func (s *spline) next(k int) int {
	if k+1 == len(s.knot) {
		return 0
	}
	return k + 1
}

func direction(angle float64) Point { return Point{math.Cos(angle), math.Sin(angle)} }

func (s *spline) segment(k int) Segment {
	j := s.next(k)
	return handled(s.knot[k], direction(s.angle[k]), s.a[k], s.knot[j], direction(s.angle[j]), s.b[k])
}

func (s *spline) segments() []Segment {
	out := make([]Segment, len(s.a))
	for k := range out {
		out[k] = s.segment(k)
	}
	return out
}

func (s *spline) copyFrom(o *spline) {
	s.knot = append(s.knot[:0], o.knot...)
	s.angle = append(s.angle[:0], o.angle...)
	s.a = append(s.a[:0], o.a...)
	s.b = append(s.b[:0], o.b...)
	s.closed = o.closed
}

// feet tells on which segment and at which parameter the foot of each point lies.
type feet struct {
	seg []int
	t   []float64
}

func (f *feet) copyFrom(o *feet) {
	f.seg = append(f.seg[:0], o.seg...)
	f.t = append(f.t[:0], o.t...)
}

// spline returns the chain with the given knots, its handles fitted one segment at a time.
func (s *section) spline(knots []int) *spline {
	sp := &spline{closed: s.closed}
	for q, k := range knots {
		if s.closed && q == len(knots)-1 {
			break
		}
		sp.knot = append(sp.knot, s.p[k])
		sp.angle = append(sp.angle, math.Atan2(s.tangent[k].Y, s.tangent[k].X))
	}
	for q := 0; q+1 < len(knots); q++ {
		c, _ := s.cubic(knots[q], knots[q+1])
		sp.a = append(sp.a, c.P[1].Sub(c.P[0]).Len())
		sp.b = append(sp.b, c.P[3].Sub(c.P[2]).Len())
	}
	return sp
}

// feetFor starts the feet at shares of length.
func (s *section) feetFor(knots []int) *feet {
	f := &feet{}
	q := 0
	for k := 1; k+1 < len(s.p); k++ {
		for q+2 < len(knots) && k >= knots[q+1] {
			q++
		}
		f.seg = append(f.seg, q)
		f.t = append(f.t, (s.length[k]-s.length[knots[q]])/math.Max(1e-9, s.length[knots[q+1]]-s.length[knots[q]]))
	}
	return f
}

// fitKnots refines the chain with the given knots and returns it with its worst and mean square distance.
func (s *section) fitKnots(knots []int) (sp *spline, worst, square float64) {
	sp = s.spline(knots)
	f := s.feetFor(knots)
	worst, square = s.refine(sp, f, 7)
	return sp, worst, square
}

// refined fits the chain, drops knots that are not needed and adds some where the tolerance is not kept.
func (s *section) refined(knots []int) []Segment {
	sp, worst, _ := s.fitKnots(knots)
	for tries := 0; worst > 1.5*s.tol && tries < 3; tries++ {
		more := s.split(sp, knots)
		if len(more) == len(knots) {
			break
		}
		if sp2, w2, _ := s.fitKnots(more); w2 < worst {
			knots, sp, worst = more, sp2, w2
		} else {
			break
		}
	}
	least := 2
	if s.closed {
		least = 3
	}
	// Knots whose neighbours are close are the likeliest to be spared; each is tried on its own neighbourhood's
	// length, shortest first, once.
	limit := math.Min(1.5*s.tol, math.Max(s.tol, worst))
	for len(knots) > least && len(knots) <= maxPrunedKnots {
		best, bestSquare := -1, math.Inf(1)
		var bestSpline *spline
		for r := 1; r+1 < len(knots); r++ {
			if c, w := s.cubic(knots[r-1], knots[r+1]); w > 6*s.tol && c.P[0] != c.P[3] {
				continue // hopeless
			}
			fewer := append(append(make([]int, 0, len(knots)), knots[:r]...), knots[r+1:]...)
			if sp2, w, sq := s.fitKnots(fewer); w <= limit && sq < bestSquare {
				best, bestSquare, bestSpline = r, sq, sp2
			}
		}
		if best < 0 {
			break
		}
		knots = append(append(make([]int, 0, len(knots)), knots[:best]...), knots[best+1:]...)
		sp = bestSpline
	}
	return sp.segments()
}

// maxPrunedKnots bounds the chains whose knots are tried for removal one by one; the work grows with the square.
const maxPrunedKnots = 24

// split adds a knot in the middle of every segment that leaves the tolerance by more than half.
func (s *section) split(sp *spline, knots []int) []int {
	f := s.feetFor(knots)
	s.reproject(sp, f)
	bad := make([]bool, len(sp.a))
	segs := sp.segments()
	for k := range f.seg {
		if s.w[k+1]*segs[f.seg[k]].At(f.t[k]).Sub(s.p[k+1]).Len() > 1.5*s.tol {
			bad[f.seg[k]] = true
		}
	}
	var out []int
	for q := 0; q+1 < len(knots); q++ {
		out = append(out, knots[q])
		if q < len(bad) && bad[q] && knots[q+1]-knots[q] >= 4 {
			out = append(out, (knots[q]+knots[q+1])/2)
		}
	}
	return append(out, knots[len(knots)-1])
}

// reproject moves the feet and returns the worst and the summed square distance.
func (s *section) reproject(sp *spline, f *feet) (worst, sum float64) {
	segs := sp.segments()
	n := len(segs)
	for k := range f.seg {
		p, w := s.p[k+1], s.w[k+1]
		g := f.seg[k]
		t := project(&segs[g], p, f.t[k], 2)
		e := segs[g].At(t).Sub(p).Len()
		other := -1
		if t >= 1 {
			other = g + 1
		} else if t <= 0 {
			other = g - 1
		}
		if other >= n && s.closed {
			other = 0
		} else if other < 0 && s.closed && t <= 0 {
			other = n - 1
		}
		if other >= 0 && other < n && other != g {
			t0 := 0.05
			if t <= 0 {
				t0 = 0.95
			}
			t2 := project(&segs[other], p, t0, 3)
			if e2 := segs[other].At(t2).Sub(p).Len(); e2 < e-1e-9 {
				g, t, e = other, t2, e2
			}
		}
		f.seg[k], f.t[k] = g, t
		worst = math.Max(worst, e*w)
		sum += float64(w * e * e)
	}
	return worst, sum
}

// maxDense bounds the closed chains that are solved as one ring; longer ones keep their first knot and direction.
const maxDense = 24

// refine improves all knots, directions and handles together by the Levenberg–Marquardt method on distances along the
// normals. The ends of an open section stay where they are.
func (s *section) refine(sp *spline, f *feet, steps int) (worst, square float64) {
	nk, ns := len(sp.knot), len(sp.a)
	ring := sp.closed && ns <= maxDense
	// Unknowns knot by knot: x, y, angle, then the handles of the segment that begins there.
	const per = 5
	nv := per * nk
	half := 7
	if ring {
		half = nv - 1
	}
	var m band
	rhs := make([]float64, nv)
	damping := 1e-3
	worst, cost := s.reproject(sp, f)
	var trial spline
	var moved feet
	for range steps {
		m.reset(nv, half)
		clear(rhs)
		for k := range f.seg {
			g, t := f.seg[k], f.t[k]
			j := sp.next(g)
			c := sp.segment(g)
			w := s.w[k+1]
			v := 1 - t
			b0, b1, b2, b3 := v*v*v, 3*v*v*t, 3*v*t*t, t*t*t
			nrm := c.Deriv(t).Unit().Perp()
			r := c.At(t).Sub(s.p[k+1]).Dot(nrm)
			u0, u1 := direction(sp.angle[g]), direction(sp.angle[j])
			idx := [8]int{per * g, per*g + 1, per*g + 2, per * j, per*j + 1, per*j + 2, per*g + 3, per*g + 4}
			jac := [8]float64{
				(b0 + b1) * nrm.X, (b0 + b1) * nrm.Y, b1 * sp.a[g] * u0.Perp().Dot(nrm),
				(b2 + b3) * nrm.X, (b2 + b3) * nrm.Y, -b2 * sp.b[g] * u1.Perp().Dot(nrm),
				b1 * u0.Dot(nrm), -b2 * u1.Dot(nrm),
			}
			if !ring { // fixed ends
				if g == 0 {
					jac[0], jac[1] = 0, 0
					if sp.closed {
						jac[2] = 0
					}
				}
				if g == ns-1 {
					jac[3], jac[4] = 0, 0
					if sp.closed {
						jac[5] = 0
					}
				}
			}
			for x := range 8 {
				if jac[x] == 0 {
					continue
				}
				rhs[idx[x]] -= float64(w * jac[x] * r)
				for y := range x + 1 {
					if jac[y] != 0 {
						add := float64(w * jac[x] * jac[y])
						m.add(idx[x], idx[y], add)
					}
				}
			}
		}
		for v := range nv {
			*m.diag(v) += damping
		}
		if !m.solve(rhs) {
			damping *= 10
			continue
		}
		trial.copyFrom(sp)
		for k := range nk {
			d := Point{rhs[per*k], rhs[per*k+1]}
			if l := d.Len(); l > 2 {
				d = d.Mul(2 / l)
			}
			trial.knot[k] = trial.knot[k].Add(d)
			trial.angle[k] += math.Max(-0.3, math.Min(0.3, rhs[per*k+2]))
		}
		for k := range ns {
			chord := trial.knot[trial.next(k)].Sub(trial.knot[k]).Len()
			trial.a[k] = clampHandle(trial.a[k]+rhs[per*k+3], chord)
			trial.b[k] = clampHandle(trial.b[k]+rhs[per*k+4], chord)
		}
		moved.copyFrom(f)
		w2, c2 := s.reproject(&trial, &moved)
		if !(c2 < cost) {
			damping *= 8
			continue
		}
		done := cost-c2 < 1e-3*cost
		sp.copyFrom(&trial)
		f.copyFrom(&moved)
		worst, cost = w2, c2
		damping = math.Max(1e-6, damping*0.3)
		if done {
			break
		}
	}
	return worst, cost / float64(len(f.seg)+1)
}
