package fit

import (
	"cmp"
	"math"
	"slices"
)

// knot is a point where two pieces of a chain join.
type knot struct {
	p       Point
	in, out Point // unit tangents of the pieces that arrive and leave; the same where smooth
	smooth  bool
	pinned  bool     // the position is given
	held    bool     // the tangents are given as well
	rail    Point    // with tangents held, the direction in which the position may move; zero for none
	home    Point    // where a corner was found; it is drawn there weakly
	arm     [2]Point // how its arms were seen to arrive and leave, zero if unknown; they are drawn there weakly
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

func (c *chain) empty() { c.knots, c.pieces = c.knots[:0], c.pieces[:0] }

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
	return max(minHandle*chord, min(maxHandle*chord, v))
}

// handled returns the cubic with handles a along u0 and b against u1.
func handled(p0, u0 Point, a float64, p1, u1 Point, b float64) Segment {
	return CubicTo(p0, p0.Add(u0.Mul(a)), p1.Sub(u1.Mul(b)), p1)
}

// marks are the samples a chain is fitted to, in order, and where their feet lie: piece at[i], parameter t[i].
type marks struct {
	p     []Point
	w     []float64
	along []float64 // length along the run, px
	at    []int32
	t     []float64
	rest  []rest
}

func (m *marks) empty() {
	m.p, m.w, m.along, m.at, m.t, m.rest = m.p[:0], m.w[:0], m.along[:0], m.at[:0], m.t[:0], m.rest[:0]
}

// sort puts the marks into their order along the run.
func (m *marks) sort() {
	order := make([]int, len(m.p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(m.along[i], m.along[j]) })
	out := marks{rest: m.rest}
	for _, i := range order {
		out.add(m.p[i], m.w[i], m.along[i], int(m.at[i]), m.t[i])
	}
	*m = out
}

// rest are samples that are only looked at when all is done, in order along the run.
type rest struct {
	p     Point
	w     float64
	along float64
}

// grow makes room for n more marks.
func (m *marks) grow(n int) {
	m.p, m.w, m.along = slices.Grow(m.p, n), slices.Grow(m.w, n), slices.Grow(m.along, n)
	m.at, m.t = slices.Grow(m.at, n), slices.Grow(m.t, n)
}

func (m *marks) add(p Point, w, along float64, at int, t float64) {
	m.p, m.w, m.along = append(m.p, p), append(m.w, w), append(m.along, along)
	m.at, m.t = append(m.at, int32(at)), append(m.t, t)
}

// solver improves chains and keeps its buffers between calls.
type solver struct {
	normal envelope // the normal equations of the chain,
	slope  []float64
	stiff  []float64 // by variable: how much it is held back
	matrix envelope  // and the same, damped and solved
	rhs    []float64
	vp     []int // first of the two variables of a knot's position, -1 if given
	vin    []int // variable of the turn of a knot's tangents, -1 if given or following a line
	vout   []int
	va     []int // first of the two variables of a cubic's handles
	first  []int // by variable: the first one that shares a piece with it
	poly   []polynomial
	trial  chain
	at     []int32
	t      []float64
	chord  []float64
	low    []float64 // samples of each piece: their extent along the run, then
	high   []float64 // how long it may become, px
	near   float64   // precision of feet
}

// refine improves the knots, tangents and handles of c together by the Levenberg–Marquardt method on the distances of
// the samples along the normal, their feet found anew in every step. It returns the worst distance of a sample and the
// mean square, px. It stops early where the worst stays far beyond aim, px, the less of it the more rounds have gone; 0 for no aim.
func (v *solver) refine(c *chain, m *marks, most effort, aim float64) (worst, square float64) {
	v.near = most.near
	v.number(c)
	v.allow(c, m)
	var sum float64
	worst, sum = v.reproject(c, m, 2, math.Inf(1))
	if len(m.p) == 0 {
		return 0, 0
	}
	cost := sum + homing(c)
	lambda := 1e-3
	still := false // the normal equations are those of c
	for round := range most.rounds {
		if aim > 0 && (worst > aim*patience[min(round, len(patience)-1)] || worst < enough*aim) {
			break
		}
		if !still {
			v.assemble(c, m)
			clear(v.stiff)
			still = true
		}
		if !v.tamed(c, lambda) {
			lambda = max(1e-3, lambda*10)
			continue
		}
		v.at = append(v.at[:0], m.at...)
		v.t = append(v.t[:0], m.t...)
		w, s := v.reproject(&v.trial, m, 2, cost)
		if next := s + homing(&v.trial); next < cost {
			done := cost-next < float64(most.share*cost)
			c.copyFrom(&v.trial)
			worst, sum, cost = w, s, next
			still = false
			if done {
				break
			}
			lambda = max(1e-7, lambda*0.2)
			continue
		}
		copy(m.at, v.at)
		copy(m.t, v.t)
		if lambda *= 8; lambda > 1e4 {
			break
		}
	}
	v.shape(c) // not that of a step which was not taken
	return worst, sum / float64(len(m.p))
}

// enough is the share of its aim at which the worst is good enough.
const enough = 0.85

// patience is how far the worst may lie beyond its aim before each round.
var patience = [...]float64{20, 10, 3}

// A cubic may be longer than the samples it follows by this share and so many px: it rounds corners that have none.
// One that is longer wanders where no sample sees it.
const (
	wildShare = 1.5
	wildSlack = 2.0
)

// allow notes how long each piece may become.
func (v *solver) allow(c *chain, m *marks) {
	n := len(c.pieces)
	v.low, v.high = sized(v.low, n), sized(v.high, n)
	for i := range n {
		v.low[i], v.high[i] = math.Inf(1), math.Inf(-1)
	}
	for x, i := range m.at {
		v.low[i], v.high[i] = min(v.low[i], m.along[x]), max(v.high[i], m.along[x])
	}
	for i := range n {
		v.high[i] = max(float64(wildShare*max(0, v.high[i]-v.low[i]))+wildSlack, 1.2*c.segment(i).hull())
	}
}

// tamed makes v.trial of c by the step that the normal equations say. Where that makes a piece longer than allowed, or
// folds one, it holds back what this piece depends on, so that the others may go on. It reports whether that did.
func (v *solver) tamed(c *chain, lambda float64) bool {
	for range tamings {
		v.damp(lambda)
		if !v.matrix.solve(v.rhs) {
			return false
		}
		v.trial.copyFrom(c)
		v.step(&v.trial)
		tame := true
		for i := range v.trial.pieces {
			g := v.trial.segment(i)
			if g.hull() <= v.high[i] && (g.Line || !folded(g) || folded(c.segment(i))) {
				continue
			}
			tame = false
			var row [slots]int
			v.involve(c, i, &row)
			for _, x := range row {
				if x >= 0 {
					v.stiff[x] = max(1, 16*v.stiff[x])
				}
			}
		}
		if tame {
			return true
		}
	}
	return false
}

// tamings bounds how often a step is held back before it is given up.
const tamings = 5

// hull returns the length of the control polygon, px.
func (g Segment) hull() float64 {
	return g.P[1].Sub(g.P[0]).Len() + g.P[2].Sub(g.P[1]).Len() + g.P[3].Sub(g.P[2]).Len()
}

// homeWeight draws corners to the place where their arms were seen to meet, armWeight the arms, by the angle in
// radians, to how they were seen to run: no sample may tell how a curve gets around a place that none lies near. A
// sample counts 1.
const homeWeight, armWeight = 3e-3, 0.2

// astray returns about the angle from the direction an arm was seen to have to the one it is drawn with, u, in radians.
func astray(arm, u Point) float64 {
	if arm == (Point{}) {
		return 0
	}
	c := arm.Cross(u)
	if arm.Dot(u) < 0 {
		return math.Copysign(2-math.Abs(c), c)
	}
	return c
}

func homing(c *chain) float64 {
	var s float64
	for i := range c.knots {
		if k := &c.knots[i]; !k.smooth && !k.pinned {
			d := k.p.Sub(k.home)
			s += float64(homeWeight * d.Dot(d))
			a, b := astray(k.arm[0], k.in), astray(k.arm[1], k.out)
			s += float64(armWeight * (float64(a*a) + float64(b*b)))
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
		switch {
		case q.pinned:
		case q.rail == (Point{}):
			v.vp[k] = take(2)
		default:
			v.vp[k] = take(1)
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
	v.first = sized(v.first, next)
	for x := range v.first {
		v.first[x] = x
	}
	var row [slots]int
	for i := range c.pieces {
		v.involve(c, i, &row)
		lo := next
		for _, x := range row {
			if x >= 0 {
				lo = min(lo, x)
			}
		}
		for _, x := range row {
			if x >= 0 {
				v.first[x] = min(v.first[x], lo)
			}
		}
	}
	v.normal.reset(v.first)
	v.slope, v.stiff = sized(v.slope, next), sized(v.stiff, next)
}

func sized[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/2)
	}
	return s[:n]
}

// slots name the figures that the distances of one piece depend on: 0–1 the knot it leaves, 2–3 the one it reaches, 4
// the turn of its tangent at the first or, where that follows a line, 4–5 the line's other knot, 6–7 the same at the
// last, 8–9 the handles. Each holds a row of the matrix, -1 for a figure that is given.
const slots = 10

// involve fills in the rows of piece i.
func (v *solver) involve(c *chain, i int, row *[slots]int) {
	for x := range row {
		row[x] = -1
	}
	j := c.next(i)
	point := func(x, k int) {
		if r := v.vp[k]; r >= 0 {
			row[x] = r
			if c.knots[k].rail == (Point{}) {
				row[x+1] = r + 1
			}
		}
	}
	point(0, i)
	point(2, j)
	if c.pieces[i].line {
		return
	}
	if r := v.vout[i]; r >= 0 {
		row[4] = r
	} else if b := c.lineBefore(i); b >= 0 {
		point(4, b)
	}
	if r := v.vin[j]; r >= 0 {
		row[6] = r
	} else if a := c.lineAfter(j); a >= 0 {
		point(6, a)
	}
	row[8], row[9] = v.va[i], v.va[i]+1
}

// lineBefore returns the knot where the line begins that the tangent of knot k follows, -1 if none.
func (c *chain) lineBefore(k int) int {
	if b := c.before(k); b >= 0 && c.knots[k].smooth && !c.knots[k].held && c.pieces[b].line {
		return b
	}
	return -1
}

// lineAfter returns the knot where the line ends that the tangent of knot k follows, -1 if none.
func (c *chain) lineAfter(k int) int {
	if a := c.after(k); a >= 0 && c.knots[k].smooth && !c.knots[k].held && c.pieces[a].line {
		return c.next(a)
	}
	return -1
}

// assemble fills the normal equations.
func (v *solver) assemble(c *chain, m *marks) {
	v.normal.clear()
	clear(v.slope)
	for x := 0; x < len(m.p); {
		// The samples of one piece mostly follow each other: their sums go to the matrix at once.
		i := m.at[x]
		end := x + 1
		for end < len(m.p) && m.at[end] == i {
			end++
		}
		v.sum(c, m, int(i), x, end)
		x = end
	}
	for k := range c.knots {
		if q := &c.knots[k]; !q.smooth && v.vp[k] >= 0 {
			d := q.p.Sub(q.home)
			x := v.vp[k]
			*v.normal.diag(x) += homeWeight
			*v.normal.diag(x + 1) += homeWeight
			v.slope[x] -= float64(homeWeight * d.X)
			v.slope[x+1] -= float64(homeWeight * d.Y)
		}
		if q := &c.knots[k]; !q.smooth && !q.pinned {
			if x := v.vin[k]; x >= 0 && q.arm[0] != (Point{}) {
				*v.normal.diag(x) += armWeight
				v.slope[x] -= float64(armWeight * astray(q.arm[0], q.in))
			}
			if x := v.vout[k]; x >= 0 && q.arm[1] != (Point{}) {
				*v.normal.diag(x) += armWeight
				v.slope[x] -= float64(armWeight * astray(q.arm[1], q.out))
			}
		}
	}
}

// damp copies the normal equations to those that are solved and damps them by lambda.
func (v *solver) damp(lambda float64) {
	v.matrix.copyFrom(&v.normal)
	v.rhs = append(v.rhs[:0], v.slope...)
	for x := range v.rhs {
		d := v.matrix.diag(x)
		*d += float64((lambda+v.stiff[x])**d) + float64(lambda*1e-3) + 1e-9
	}
}

// sum adds samples x … end-1, which lie on piece i, to the normal equations.
func (v *solver) sum(c *chain, m *marks, i, x, end int) {
	var row [slots]int
	v.involve(c, i, &row)
	var n [slots][slots]float64
	var y, g, h [slots]float64
	j := c.next(i)
	poly := &v.poly[i]
	s := &c.pieces[i]
	u0, u1 := c.knots[i].out, c.knots[j].in
	p0, p1 := u0.Perp(), u1.Perp()
	rail0, rail1 := c.knots[i].rail, c.knots[j].rail
	// A tangent that follows a line turns by its ends' movement across over its length.
	b, a := c.lineBefore(i), c.lineAfter(j)
	var turn0, turn1 float64
	if b >= 0 {
		turn0 = s.a / max(samePlace, c.knots[i].p.Sub(c.knots[b].p).Len())
	}
	if a >= 0 {
		turn1 = s.b / max(samePlace, c.knots[a].p.Sub(c.knots[j].p).Len())
	}
	// Figures that are given, or not used, are left out of the sums.
	var active [slots]int
	count := 0
	for k, r := range row {
		if r >= 0 {
			active[count] = k
			row[count] = r
			count++
		}
	}
	for ; x < end; x++ {
		t := m.t[x]
		// The normal is as long as the derivative; the weight makes up for it.
		nrm := poly.deriv(t).Perp()
		sq := nrm.Dot(nrm)
		if sq == 0 {
			continue
		}
		w := m.w[x] / sq
		off := poly.at(t).Sub(m.p[x]).Dot(nrm)
		u := 1 - t
		if s.line {
			g[0], g[1] = nrm.X*u, nrm.Y*u
			g[2], g[3] = nrm.X*t, nrm.Y*t
		} else {
			b0, b1, b2, b3 := float64(u*u*u), float64(3*u*u*t), float64(3*u*t*t), float64(t*t*t)
			f := b0 + b1
			g[0], g[1] = float64(f*nrm.X), float64(f*nrm.Y)
			f = b2 + b3
			g[2], g[3] = float64(f*nrm.X), float64(f*nrm.Y)
			k := float64(b1 * p0.Dot(nrm))
			if b >= 0 {
				k = float64(k * turn0)
				g[0] += float64(k * p0.X)
				g[1] += float64(k * p0.Y)
				g[4], g[5] = -k*p0.X, -k*p0.Y
			} else {
				g[4] = k * s.a
			}
			k = -b2 * p1.Dot(nrm)
			if a >= 0 {
				k *= turn1
				g[6], g[7] = k*p1.X, k*p1.Y
				g[2] -= float64(k * p1.X)
				g[3] -= float64(k * p1.Y)
			} else {
				g[6] = k * s.b
			}
			g[8], g[9] = b1*u0.Dot(nrm), -b2*u1.Dot(nrm)
		}
		if rail0 != (Point{}) {
			g[0] = float64(g[0]*rail0.X) + float64(g[1]*rail0.Y)
		}
		if rail1 != (Point{}) {
			g[2] = float64(g[2]*rail1.X) + float64(g[3]*rail1.Y)
		}
		for k := range count {
			h[k] = g[active[k]]
		}
		for k := range count {
			wg := w * h[k]
			y[k] -= float64(wg * off)
			hk := h[:k+1]
			nk := n[k][:len(hk)]
			for l, x := range hk {
				nk[l] += float64(wg * x)
			}
		}
	}
	for k := range count {
		rk := row[k]
		v.slope[rk] += y[k]
		for l := 0; l <= k; l++ {
			rl := row[l]
			v.normal.add(rk, rl, n[k][l])
			if l < k && rl == rk { // one knot in two slots: both halves fall on the diagonal
				v.normal.add(rk, rl, n[k][l])
			}
		}
	}
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
					limit = min(limit, maxSlide*v.chord[i])
				}
			}
			var d Point
			if q.rail != (Point{}) {
				d = q.rail.Mul(v.rhs[x])
			} else {
				d = Point{v.rhs[x], v.rhs[x+1]}
			}
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

func bounded(x, limit float64) float64 {
	if x > limit {
		return limit
	}
	if x < -limit {
		return -limit
	}
	return x
}

// turned returns the unit vector u turned clockwise on screen by the angle whose tangent is k.
func turned(u Point, k float64) Point { return u.Add(u.Perp().Mul(k)).Unit() }

// reproject moves the foot of every sample by so many Newton steps and returns the worst weighted distance and the
// weighted sum of squares. It stops where that reaches most.
func (v *solver) reproject(c *chain, m *marks, steps int, most float64) (worst, sum float64) {
	v.shape(c)
	for x := range m.p {
		if sum >= most {
			break
		}
		i, t, sq := v.foot(c, m.p[x], int(m.at[x]), m.t[x], steps)
		m.at[x], m.t[x] = int32(i), t
		sum += float64(m.w[x] * sq)
		if d := float64(m.w[x]*m.w[x]) * sq; d > worst {
			worst = d
		}
	}
	return math.Sqrt(worst), sum
}

// shape prepares the pieces of c for evaluation.
func (v *solver) shape(c *chain) {
	v.poly = sized(v.poly, len(c.pieces))
	for i := range v.poly {
		v.poly[i] = polynomialOf(c.segment(i))
	}
}

// foot improves the foot of p, at parameter t of piece i or beyond its ends on the next one, and returns it with the
// squared distance.
func (v *solver) foot(c *chain, p Point, i int, t float64, steps int) (int, float64, float64) {
	n := len(v.poly)
	t = v.poly[i].footWithin(p, t, steps, v.near)
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
			u := v.poly[j].footWithin(p, from, 3, v.near)
			f := v.poly[j].at(u).Sub(p)
			if s := f.Dot(f); s < sq-1e-12 {
				return j, u, s
			}
		}
	}
	return i, t, sq
}
