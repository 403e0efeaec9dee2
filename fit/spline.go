package fit

import "math"

// knot is a point where two pieces of a chain join.
type knot struct {
	p       Point
	in, out Point // unit tangents of the pieces that arrive and leave; the same where smooth
	smooth  bool
	pinned  bool  // the position is given
	held    bool  // the tangents are given as well
	home    Point // where a corner was found; it is drawn there weakly
}

// piece is what runs from one knot to the next: a line, or a cubic with handles of length a and b, in px.
type piece struct {
	line bool
	a, b float64
}

// chain is a run of pieces. Piece i starts at knot i and ends at knot i+1; the last piece of a closed chain ends at
// knot 0.
type chain struct {
	knots  []knot
	pieces []piece
	closed bool
}

func (c *chain) next(k int) int {
	if k++; k == len(c.knots) {
		return 0
	}
	return k
}

// before returns the piece that arrives at knot k, -1 if none.
func (c *chain) before(k int) int {
	if k > 0 {
		return k - 1
	}
	if c.closed {
		return len(c.pieces) - 1
	}
	return -1
}

// after returns the piece that leaves knot k, -1 if none.
func (c *chain) after(k int) int {
	if k < len(c.pieces) {
		return k
	}
	return -1
}

func (c *chain) segment(i int) Segment {
	k, n, s := &c.knots[i], &c.knots[c.next(i)], c.pieces[i]
	if s.line {
		return LineTo(k.p, n.p)
	}
	return handled(k.p, k.out, s.a, n.p, n.in, s.b)
}

func (c *chain) copyFrom(o *chain) {
	c.knots = append(c.knots[:0], o.knots...)
	c.pieces = append(c.pieces[:0], o.pieces...)
	c.closed = o.closed
}

// settle makes the tangents at the ends of lines follow them and keeps the handles inside their bounds.
func (c *chain) settle() {
	for i := range c.pieces {
		k, n := &c.knots[i], &c.knots[c.next(i)]
		d := n.p.Sub(k.p)
		s := &c.pieces[i]
		if !s.line {
			chord := d.Len()
			s.a, s.b = clampHandle(s.a, chord), clampHandle(s.b, chord)
			continue
		}
		u := d.Unit()
		if u == (Point{}) {
			continue
		}
		if !k.held {
			k.out = u
			if k.smooth {
				k.in = u
			}
		}
		if !n.held {
			n.in = u
			if n.smooth {
				n.out = u
			}
		}
	}
}

// Handles shorter or longer than these shares of the chord make kinks and loops between the samples.
const minHandle, maxHandle = 0.05, 1.0

func clampHandle(v, chord float64) float64 {
	return math.Max(minHandle*chord, math.Min(maxHandle*chord, v))
}

// handled returns the cubic with handles a along u0 and b against u1.
func handled(p0, u0 Point, a float64, p1, u1 Point, b float64) Segment {
	return CubicTo(p0, p0.Add(u0.Mul(a)), p1.Sub(u1.Mul(b)), p1)
}

// marks are the samples a chain is fitted to, in order, and where their feet lie: piece at[i], parameter t[i].
type marks struct {
	p  []Point
	w  []float64
	at []int32
	t  []float64
}

func (m *marks) add(p Point, w float64, at int, t float64) {
	m.p, m.w = append(m.p, p), append(m.w, w)
	m.at, m.t = append(m.at, int32(at)), append(m.t, t)
}

// solver improves chains and keeps its buffers between calls.
type solver struct {
	matrix band
	rhs    []float64
	vp     []int // first of the two variables of a knot's position, -1 if given
	vin    []int // variable of the turn of a knot's tangents, -1 if given or following a line
	vout   []int
	va     []int // first of the two variables of a cubic's handles
	poly   []polynomial
	trial  chain
	at     []int32
	t      []float64
	chord  []float64
}

// refine improves the knots, tangents and handles of c together by the Levenberg–Marquardt method on the distances of
// the samples along the normal, their feet found anew in every step. It returns the worst distance of a sample and the
// mean square, px.
func (v *solver) refine(c *chain, m *marks, iterations int) (worst, square float64) {
	v.number(c)
	var sum float64
	worst, sum = v.reproject(c, m)
	if len(m.p) == 0 {
		return 0, 0
	}
	cost := sum + homing(c)
	lambda := 1e-3
	for range iterations {
		v.assemble(c, m, lambda)
		if !v.matrix.solve(v.rhs) {
			lambda *= 10
			continue
		}
		v.trial.copyFrom(c)
		v.step(&v.trial)
		v.at = append(v.at[:0], m.at...)
		v.t = append(v.t[:0], m.t...)
		w, s := v.reproject(&v.trial, m)
		if next := s + homing(&v.trial); next < cost {
			done := cost-next < 1e-3*cost
			c.copyFrom(&v.trial)
			worst, sum, cost = w, s, next
			if done {
				break
			}
			lambda = math.Max(1e-7, lambda*0.2)
			continue
		}
		copy(m.at, v.at)
		copy(m.t, v.t)
		if lambda *= 8; lambda > 1e4 {
			break
		}
	}
	return worst, sum / float64(len(m.p))
}

// homeWeight draws corners to the place where their arms were seen to meet; a sample counts 1.
const homeWeight = 1e-4

func homing(c *chain) float64 {
	var s float64
	for i := range c.knots {
		if k := &c.knots[i]; !k.smooth && !k.pinned {
			d := k.p.Sub(k.home)
			s += float64(homeWeight * d.Dot(d))
		}
	}
	return s
}

// number gives every free figure of c a row of the matrix. Neighbours on the chain are neighbours there: knots are
// taken in order, those of a closed chain alternately from both ends, so that the ring folds flat.
func (v *solver) number(c *chain) {
	n := len(c.knots)
	v.vp, v.vin, v.vout = sized(v.vp, n), sized(v.vin, n), sized(v.vout, n)
	v.va = sized(v.va, len(c.pieces))
	next := 0
	take := func(count int) int { next += count; return next - count }
	for i := range n {
		k := i
		if c.closed {
			if k = i / 2; i&1 == 1 {
				k = n - 1 - i/2
			}
		}
		v.vp[k], v.vin[k], v.vout[k] = -1, -1, -1
		q := &c.knots[k]
		before, after := c.before(k), c.after(k)
		if !q.pinned && !q.held {
			v.vp[k] = take(2)
		}
		curved := func(s int) bool { return s >= 0 && !c.pieces[s].line }
		switch {
		case q.held:
		case q.smooth:
			if curved(before) && curved(after) {
				v.vin[k] = take(1)
				v.vout[k] = v.vin[k]
			}
		default:
			if curved(before) {
				v.vin[k] = take(1)
			}
			if curved(after) {
				v.vout[k] = take(1)
			}
		}
		if after >= 0 && curved(after) {
			v.va[after] = take(2)
		}
	}
	half := 0
	var e entries
	for i := range c.pieces {
		v.involve(c, i, &e)
		lo, hi := next, 0
		for _, x := range e.index[:e.n] {
			lo, hi = min(lo, x), max(hi, x)
		}
		half = max(half, hi-lo)
	}
	v.matrix.reset(next, half)
	v.rhs = sized(v.rhs, next)
}

func sized[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/2)
	}
	return s[:n]
}

// entries is a sparse row: the derivatives of one distance.
type entries struct {
	n     int
	index [14]int
	value [14]float64
}

func (e *entries) put(i int, v float64) {
	e.index[e.n], e.value[e.n] = i, v
	e.n++
}

// involve lists the variables that piece i depends on.
func (v *solver) involve(c *chain, i int, e *entries) {
	e.n = 0
	j := c.next(i)
	point := func(k int) {
		if x := v.vp[k]; x >= 0 {
			e.put(x, 0)
			e.put(x+1, 0)
		}
	}
	point(i)
	point(j)
	if c.pieces[i].line {
		return
	}
	if x := v.vout[i]; x >= 0 {
		e.put(x, 0)
	} else if b := c.before(i); b >= 0 && c.knots[i].smooth && c.pieces[b].line {
		point(b)
	}
	if x := v.vin[j]; x >= 0 {
		e.put(x, 0)
	} else if a := c.after(j); a >= 0 && c.knots[j].smooth && c.pieces[a].line {
		point(c.next(a))
	}
	e.put(v.va[i], 0)
	e.put(v.va[i]+1, 0)
}

// assemble fills the normal equations, damped by lambda.
func (v *solver) assemble(c *chain, m *marks, lambda float64) {
	v.matrix.reset(v.matrix.n, v.matrix.half)
	clear(v.rhs)
	var e entries
	for x := range m.p {
		i := int(m.at[x])
		j := c.next(i)
		t := m.t[x]
		poly := &v.poly[i]
		n := poly.deriv(t).Unit().Perp()
		off := poly.at(t).Sub(m.p[x]).Dot(n)
		e.n = 0
		if c.pieces[i].line {
			v.point(&e, i, n, 1-t)
			v.point(&e, j, n, t)
		} else {
			v.derive(c, i, j, t, n, &e)
		}
		w := m.w[x]
		for a := 0; a < e.n; a++ {
			va := w * e.value[a]
			ia := e.index[a]
			v.rhs[ia] -= float64(va * off)
			for b := 0; b <= a; b++ {
				v.matrix.add(ia, e.index[b], va*e.value[b])
				if b < a && e.index[b] == ia { // the same variable twice: both halves fall on the diagonal
					v.matrix.add(ia, ia, va*e.value[b])
				}
			}
		}
	}
	for k := range c.knots {
		if q := &c.knots[k]; !q.smooth && v.vp[k] >= 0 {
			d := q.p.Sub(q.home)
			x := v.vp[k]
			*v.matrix.diag(x) += homeWeight
			*v.matrix.diag(x + 1) += homeWeight
			v.rhs[x] -= float64(homeWeight * d.X)
			v.rhs[x+1] -= float64(homeWeight * d.Y)
		}
	}
	for x := range v.matrix.n {
		d := v.matrix.diag(x)
		*d += float64(lambda**d) + float64(lambda*1e-3) + 1e-9
	}
}

func (v *solver) point(e *entries, k int, n Point, share float64) {
	if x := v.vp[k]; x >= 0 {
		e.put(x, n.X*share)
		e.put(x+1, n.Y*share)
	}
}

// derive lists the derivatives of the distance along n of cubic i (from knot i to j) at t.
func (v *solver) derive(c *chain, i, j int, t float64, n Point, e *entries) {
	u := 1 - t
	b0, b1, b2, b3 := u*u*u, 3*u*u*t, 3*u*t*t, t*t*t
	s := &c.pieces[i]
	u0, u1 := c.knots[i].out, c.knots[j].in
	v.point(e, i, n, b0+b1)
	v.point(e, j, n, b2+b3)
	turn := b1 * s.a * u0.Perp().Dot(n)
	if x := v.vout[i]; x >= 0 {
		e.put(x, turn)
	} else if b := c.before(i); b >= 0 && c.knots[i].smooth && !c.knots[i].held && c.pieces[b].line {
		// The tangent follows the line from knot b: it turns by the ends' movement across over the length.
		k := turn / math.Max(samePlace, c.knots[i].p.Sub(c.knots[b].p).Len())
		v.point(e, i, u0.Perp(), k)
		v.point(e, b, u0.Perp(), -k)
	}
	turn = -b2 * s.b * u1.Perp().Dot(n)
	if x := v.vin[j]; x >= 0 {
		e.put(x, turn)
	} else if a := c.after(j); a >= 0 && c.knots[j].smooth && !c.knots[j].held && c.pieces[a].line {
		k := turn / math.Max(samePlace, c.knots[c.next(a)].p.Sub(c.knots[j].p).Len())
		v.point(e, c.next(a), u1.Perp(), k)
		v.point(e, j, u1.Perp(), -k)
	}
	e.put(v.va[i], b1*u0.Dot(n))
	e.put(v.va[i]+1, -b2*u1.Dot(n))
}

// Bounds of one step: of a knot as a share of the shorter chord beside it, of a tangent in radians (by its tangent),
// of a handle as a share of the chord.
const maxSlide, maxSwing, maxStretch = 0.3, 0.3, 0.4

// step moves c by the solution in rhs.
func (v *solver) step(c *chain) {
	v.chord = sized(v.chord, len(c.pieces))
	for i := range c.pieces {
		v.chord[i] = c.knots[i].p.Sub(c.knots[c.next(i)].p).Len()
	}
	for i := range c.pieces {
		if s := &c.pieces[i]; !s.line {
			l := maxStretch * v.chord[i]
			s.a += bounded(v.rhs[v.va[i]], l)
			s.b += bounded(v.rhs[v.va[i]+1], l)
		}
	}
	for k := range c.knots {
		q := &c.knots[k]
		if x := v.vp[k]; x >= 0 {
			limit := math.Inf(1)
			for _, i := range [2]int{c.before(k), c.after(k)} {
				if i >= 0 {
					limit = math.Min(limit, maxSlide*v.chord[i])
				}
			}
			d := Point{v.rhs[x], v.rhs[x+1]}
			if l := d.Len(); l > limit {
				d = d.Mul(limit / l)
			}
			q.p = q.p.Add(d)
		}
		if x := v.vin[k]; x >= 0 {
			q.in = turned(q.in, bounded(v.rhs[x], maxSwing))
			if q.smooth {
				q.out = q.in
			}
		}
		if x := v.vout[k]; x >= 0 && !q.smooth {
			q.out = turned(q.out, bounded(v.rhs[x], maxSwing))
		}
	}
	c.settle()
}

func bounded(x, limit float64) float64 { return math.Max(-limit, math.Min(limit, x)) }

// turned returns the unit vector u turned clockwise on screen by the angle whose tangent is k.
func turned(u Point, k float64) Point { return u.Add(u.Perp().Mul(k)).Unit() }

// reproject finds the foot of every sample and returns the worst weighted distance and the weighted sum of squares.
func (v *solver) reproject(c *chain, m *marks) (worst, sum float64) {
	n := len(c.pieces)
	v.poly = sized(v.poly, n)
	for i := range v.poly {
		v.poly[i] = polynomialOf(c.segment(i))
	}
	for x := range m.p {
		i, t, p := int(m.at[x]), m.t[x], m.p[x]
		t = v.poly[i].foot(p, t, 2)
		e := v.poly[i].at(t).Sub(p)
		sq := e.Dot(e)
		if t <= 0 || t >= 1 {
			j, from := i+1, 0.05
			if t <= 0 {
				j, from = i-1, 0.95
			}
			if c.closed {
				j = (j + n) % n
			}
			if j >= 0 && j < n && j != i {
				u := v.poly[j].foot(p, from, 3)
				f := v.poly[j].at(u).Sub(p)
				if s := f.Dot(f); s < sq-1e-12 {
					i, t, sq = j, u, s
				}
			}
		}
		m.at[x], m.t[x] = int32(i), t
		sum += float64(m.w[x] * sq)
		if d := float64(m.w[x]*m.w[x]) * sq; d > worst {
			worst = d
		}
	}
	return math.Sqrt(worst), sum
}
