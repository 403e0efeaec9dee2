package fit

import (
	"math"
	"slices"
)

// stretch is a smooth part of a run: samples between two places that are corners, ends of the run, or the same place
// of a loop.
type stretch struct {
	*setting
	p      []Point // samples, the first and the last moved to the ends
	w      []float64
	length []float64 // along p
	loop   bool      // p ends where it begins, smoothly
	from   float64   // length along the run at which it begins, px

	tangent []Point // by sample, zero where not yet known
	sums    []moments
	buf     []Point
}

// moments are sums over the samples before one, about the first: for lines through any part in constant time.
type moments struct{ w, x, y, xx, xy, yy float64 }

func (s *stretch) prepare() {
	n := len(s.p)
	s.length = lengths(s.length, s.p)
	s.tangent, s.sums = sized(s.tangent, n), sized(s.sums, n+1)
	clear(s.tangent)
	var m moments
	s.sums[0] = m
	for i, p := range s.p {
		d, w := p.Sub(s.p[0]), s.w[i]
		if i == 0 || i == n-1 {
			w *= endWeight
		}
		m.w += w
		m.x += float64(w * d.X)
		m.y += float64(w * d.Y)
		m.xx += float64(w * float64(d.X*d.X))
		m.xy += float64(w * float64(d.X*d.Y))
		m.yy += float64(w * float64(d.Y*d.Y))
		s.sums[i+1] = m
	}
}

// endWeight is what the ends of a stretch, which are not samples, count in lines through them.
const endWeight = 0.25

// line returns the middle and direction of the best line through samples i … j.
func (s *stretch) line(i, j int) (o, u Point) {
	a, b := &s.sums[i], &s.sums[j+1]
	w := b.w - a.w
	x, y := (b.x-a.x)/w, (b.y-a.y)/w
	u = principal(b.xx-a.xx-float64(w*float64(x*x)), b.xy-a.xy-float64(w*float64(x*y)), b.yy-a.yy-float64(w*float64(y*y)))
	if u.Dot(s.p[j].Sub(s.p[i])) < 0 {
		u = u.Mul(-1)
	}
	return s.p[0].Add(Point{x, y}), u
}

// strays reports whether a sample strictly between i and j lies further than limit from the line through o along u.
func (s *stretch) strays(i, j int, o, u Point, limit float64) bool {
	for k := i + 1; k < j; k++ {
		if math.Abs(u.Cross(s.p[k].Sub(o)))*s.w[k] > limit {
			return true
		}
	}
	return false
}

// straight reports whether a line from end to end explains the whole stretch.
func (s *stretch) straight() bool {
	n := len(s.p)
	d := s.p[n-1].Sub(s.p[0])
	l := d.Len()
	if s.loop || l < samePlace {
		return false
	}
	u := d.Mul(1 / l)
	for _, p := range s.p {
		if t := u.Dot(p.Sub(s.p[0])); t < -s.tol || t > l+s.tol {
			return false
		}
	}
	return !s.strays(0, n-1, s.p[0], u, s.tol)
}

// span is a straight part of a stretch, samples i … j.
type span struct {
	i, j int
	o, u Point
}

// leastStraight is the shortest straight part that becomes a line of its own between curves, px; straightShare is its
// least length in tolerances, or in standard deviations of the noise: a shorter one bends as little as any curve does.
// Tolerances above mostStrict, px, count as that: they allow for the wobble of a hand on paper, which tells nothing of how
// straight a line was meant (drawings on paper came back a tenth farther off where they did), unless it goes to and fro.
const leastStraight, straightShare, mostStrict = 10.0, 40.0, 0.5

// spans finds the parts that are straight within the noise, or about which a hand wavered within the tolerance: not a gentle
// bend that merely stays near a chord.
func (s *stretch) spans() []span {
	n := len(s.p)
	limit := s.straightLimit()
	least := max(leastStraight, straightShare*max(s.noise, min(s.tol, mostStrict)))
	core := s.core
	if s.freehand && s.tol > limit {
		limit, least, core = s.tol, straightShare*s.tol, s.wavering
	}
	holds := func(i, j int) bool {
		o, u := s.line(i, j)
		return !s.strays(i-1, j+1, o, u, limit)
	}
	var out []span
	floor := 0
	for i := 0; i < n-1; {
		j := i + 1
		for j < n-1 && s.length[j]-s.length[i] < least {
			j++
		}
		if s.length[j]-s.length[i] < least {
			break
		}
		if !holds(i, j) {
			i += max(1, (j-i)/4)
			continue
		}
		// As far as it goes, by doubling and bisection.
		bad := n
		for step := j - i; j+step < n; step *= 2 {
			if !holds(i, j+step) {
				bad = j + step
				break
			}
			j += step
		}
		for bad-j > 1 {
			if mid := (j + bad) / 2; holds(i, mid) {
				j = mid
			} else {
				bad = mid
			}
		}
		if sp, ok := core(i, j, floor, limit); ok && s.length[sp.j]-s.length[sp.i] >= least {
			out = append(out, sp)
			i = max(i+1, sp.j)
			floor = sp.j
		} else {
			i = max(i+1, (i+j)/2)
		}
	}
	return out
}

// straightLimit is how far a sample may lie from a straight part, px.
func (s *stretch) straightLimit() float64 { return float64(3*s.noise) + 0.02 }

// core trims the ends of a straight part, which may already bend, and tests whether what is left is straight: the
// sagitta of its quadratic must not stand out from its error. It may grow again, not below sample floor.
func (s *stretch) core(i, j, floor int, limit float64) (span, bool) {
	cut := (j - i) / 8
	a, b := i+cut, j-cut
	o, u := s.line(a, b)
	// Out again as far as the line reaches.
	for a > floor && math.Abs(u.Cross(s.p[a-1].Sub(o))) < 0.7*limit {
		a--
	}
	for b < len(s.p)-2 && math.Abs(u.Cross(s.p[b+1].Sub(o))) < 0.7*limit {
		b++
	}
	if b-a < 4 {
		return span{}, false
	}
	q := fitLocal(s.p[a:b+1], s.w[a:b+1], true)
	half := (s.length[b] - s.length[a]) / 2
	sagitta := math.Abs(q.c) * half * half
	// The error of a quadratic's sagitta over n even places is σ·√(45/(4n)).
	if sagitta > float64(2.5*s.noise*math.Sqrt(11.25/float64(b-a+1)))+0.01 {
		return span{}, false
	}
	o, u = s.line(a, b)
	return span{a, b, o, u}, true
}

// A line that a hand drew, or that ran into paper, goes to and fro about the straight one that was meant: from one side to
// the other at least leastSides times, where more than sideShare of its root mean square off counts as a side. The sagitta of its
// quadratic must not stand out from what so many swings make by chance: by more than swingShare of its standard error.
const leastSides, sideShare, swingShare = 6, 0.3, 1.2

// wavering tests whether samples i to j waver about a straight line: a bend lies on its inside first, then outside, and inside.
func (s *stretch) wavering(i, j, _ int, _ float64) (span, bool) {
	o, u := s.line(i, j)
	off := func(k int) float64 { return u.Cross(s.p[k].Sub(o)) }
	var sum float64
	for k := i; k <= j; k++ {
		sum += float64(off(k) * off(k))
	}
	rms := math.Sqrt(sum / float64(j-i+1))
	sides, side := 0, 0
	for k := i; k <= j; k++ {
		switch d := off(k); {
		case d > sideShare*rms && side != 1:
			side = 1
			sides++
		case d < -sideShare*rms && side != -1:
			side = -1
			sides++
		}
	}
	if sides < leastSides {
		return span{}, false
	}
	q := fitLocal(s.p[i:j+1], s.w[i:j+1], true)
	half := (s.length[j] - s.length[i]) / 2
	sagitta := math.Abs(q.c) * half * half
	return span{i, j, o, u}, sagitta <= float64(swingShare*rms)*math.Sqrt(11.25/float64(sides+1))
}

// direction returns the tangent at sample i, from the widest window between samples lo and hi, up to 16 px either
// side, that a quadratic explains within the noise.
func (s *stretch) direction(i, lo, hi int) Point {
	if s.tangent[i] != (Point{}) {
		return s.tangent[i]
	}
	limit := max(0.02, 1.7*s.noise)
	var best Local
	n := len(s.p)
	for _, width := range [4]float64{3, 6, 10, 16} {
		width *= math.Sqrt(s.scale)
		a, b := i, i
		var l Local
		if s.loop && (i == 0 || i == n-1) {
			// Around the place where the loop was opened.
			s.buf = s.buf[:0]
			k := n - 1
			for k > n/2 && s.length[n-1]-s.length[k-1] < width {
				k--
			}
			s.buf = append(s.buf, s.p[k:n-1]...)
			for k = 0; k < n/2 && s.length[k] < width; k++ {
				s.buf = append(s.buf, s.p[k])
			}
			l = fitLocal(s.buf, nil, len(s.buf) > 4)
		} else {
			for a > lo && s.length[i]-s.length[a-1] < width {
				a--
			}
			for b < hi && s.length[b+1]-s.length[i] < width {
				b++
			}
			l = fitLocal(s.p[a:b+1], s.w[a:b+1], b-a >= 4)
		}
		if best.Count > 2 && l.RMS > limit {
			break
		}
		if l.Count > 1 {
			best = l
		}
	}
	var u Point
	if best.Count > 0 {
		_, u = best.At(s.p[i])
	}
	if u == (Point{}) {
		u = s.p[min(i+1, n-1)].Sub(s.p[max(i-1, 0)]).Unit()
	}
	if u == (Point{}) {
		u = Point{1, 0}
	}
	s.tangent[i] = u
	return u
}

// bend is a trial cubic between two samples.
type bend struct {
	u0, u1 Point // tangents, turned from those proposed
	a, b   float64
	worst  float64 // largest distance of a sample looked at, px
	square float64 // mean square distance
}

// maxTrial bounds the samples looked at in one trial.
const maxTrial = 32

// care is how thoroughly a run is fitted.
type care struct {
	samples int     // looked at in a trial that only asks whether a cubic will do
	share   int     // of its length, one in so many, to which the reach of a cubic is found
	doubt   float64 // how far the tangents of knots may turn in trials, as a standard deviation in radians
	chains  bool    // straight parts are weighed against chains of cubics along the whole stretch

	first, part effort // refinement of the whole chain before its knots are known, and of a neighbourhood
}

// Along well measured edges little will do, as the solver finds its way from there. Where the tolerance is above mostStrict
// much lies within it, and the beginning tells which: captures of paper came back a tenth further off with the quick one.
var (
	quick    = care{10, 16, 0.2, false, effort{10, 0.02, roughPrecision}, effort{6, 0.01, roughPrecision}}
	thorough = care{16, 32, midDoubt, true, effort{10, 0.001, nearPrecision}, effort{6, 0.001, nearPrecision}}
)

func (s *setting) care() care {
	if s.tol > mostStrict {
		return thorough
	}
	return quick
}

// How far a trial may turn the tangents it is given, as a standard deviation in radians: estimates in the midst of a
// curve are good, those at its ends are read off one side only, those along a line are exact.
const (
	midDoubt = 0.02
	endDoubt = 0.6
)

// cubic fits a cubic from sample i to sample j: least squares of its handles and, within their doubt (0: fixed), its
// tangents, on distances along the normal, with a Newton step for the feet in every round (after Plass & Stone, "Curve-
// fitting with piecewise parametric cubics", 1983).
// At most so many samples are looked at, and it is good enough as soon as they lie within aim, px.
func (s *stretch) cubic(i, j int, u0, u1 Point, doubt0, doubt1 float64, most int, aim float64) bend {
	p0, p1 := s.p[i], s.p[j]
	chord := p1.Sub(p0).Len()
	total := s.length[j] - s.length[i]
	r := bend{u0: u0, u1: u1, a: clampHandle(total/3, chord), b: clampHandle(total/3, chord)}
	m := min(most, j-i-1)
	if m < 1 || chord < samePlace {
		return r
	}
	var q trialMarks
	for k := range m {
		x := i + 1 + (2*k+1)*(j-i-1)/(2*m)
		q.p[k], q.w[k] = s.p[x], s.w[x]
		q.t[k] = (s.length[x] - s.length[i]) / total
	}
	q.n = m
	s.setting.bendTo(&r, &q, p0, p1, doubt0, doubt1, aim)
	if folded(handled(p0, r.u0, r.a, p1, r.u1, r.b)) {
		r.worst = math.Inf(1)
	}
	return r
}

// folded reports whether a cubic turns back sharply at one of its handles, by more than 150°: such a hook lies between
// the samples, where none tells.
func folded(g Segment) bool {
	u, v, w := g.P[1].Sub(g.P[0]), g.P[2].Sub(g.P[1]), g.P[3].Sub(g.P[2])
	back := func(a, b Point) bool { d := a.Dot(b); return d < 0 && float64(d*d) > 0.75*float64(a.Dot(a)*b.Dot(b)) }
	return back(u, v) || back(v, w)
}

// trialMarks are the samples a trial looks at, and the parameters of their feet.
type trialMarks struct {
	n int
	p [maxTrial]Point
	w [maxTrial]float64
	t [maxTrial]float64
}

// promising is how many times the tolerance the worst sample may lie off before each round of a trial.
var promising = [...]float64{math.Inf(1), math.Inf(1), 10, 4, 2}

// stillShare is how far a round may move the handles, as a share of the chord, and turn the tangents, in radians, for it to
// be the last: the curve moves by less than half of that.
const stillShare = 1e-3

// bendTo improves r, from p0 to p1, to follow the samples q, until all lie within aim, px. It gives up what is not
// promising.
func (s *setting) bendTo(r *bend, q *trialMarks, p0, p1 Point, doubt0, doubt1, aim float64) {
	m := q.n
	ps, ws, ts := q.p[:m], q.w[:m], q.t[:m]
	chord := p1.Sub(p0).Len()
	c := polynomialOf(handled(p0, r.u0, r.a, p1, r.u1, r.b))
	stiff := func(doubt float64) float64 {
		if doubt == 0 {
			return 1e12
		}
		return max(s.noise, 0.2*s.tol) * max(s.noise, 0.2*s.tol) / (doubt * doubt)
	}
	k0, k1 := stiff(doubt0), stiff(doubt1)
	var d0, d1 float64 // turned so far
	for round := range promising {
		n, y := r.normal(&c, ps, ws, ts)
		if r.worst <= aim || r.worst > promising[round]*s.tol {
			return
		}
		hold := float64(1e-4 * float64(m)) // weakly at what they are
		n[0][0] += hold
		n[1][1] += hold
		n[2][2] += k0
		n[3][3] += k1
		y[2] -= float64(k0 * d0)
		y[3] -= float64(k1 * d1)
		if !solve4(&n, &y) {
			break
		}
		still := math.Abs(y[0])+math.Abs(y[1]) < stillShare*chord && math.Abs(y[2])+math.Abs(y[3]) < stillShare
		r.a = clampHandle(r.a+y[0], chord)
		r.b = clampHandle(r.b+y[1], chord)
		y[2], y[3] = bounded(y[2], 0.3), bounded(y[3], 0.3)
		if doubt0 > 0 {
			r.u0 = turned(r.u0, y[2])
			d0 += y[2]
		}
		if doubt1 > 0 {
			r.u1 = turned(r.u1, y[3])
			d1 += y[3]
		}
		c = polynomialOf(handled(p0, r.u0, r.a, p1, r.u1, r.b))
		for k := range m {
			ts[k] = c.foot(ps[k], ts[k], 1)
		}
		if still {
			break
		}
	}
	worst := 0.0
	for k := range m {
		e := c.at(c.foot(ps[k], ts[k], 1)).Sub(ps[k])
		sq := e.Dot(e)
		r.square += float64(ws[k] * sq)
		worst = max(worst, float64(ws[k]*ws[k])*sq)
	}
	r.worst = math.Sqrt(worst)
	r.square /= float64(m)
}

// normal returns the normal equations (lower half) for the changes of r's handles (0, 1) and for the turns of its tangents
// (2, 3) that bring it, drawn as c, to samples ps of weights ws with feet ts, and notes the worst distance.
func (r *bend) normal(c *polynomial, ps []Point, ws, ts []float64) (n [4][4]float64, y [4]float64) {
	ws, ts = ws[:len(ps)], ts[:len(ps)]
	// In variables of their own: arrays are kept in memory.
	var n00, n10, n11, n20, n21, n22, n30, n31, n32, n33 float64
	var y0, y1, y2, y3 float64
	worst := 0.0
	perp0, perp1 := r.u0.Perp(), r.u1.Perp()
	for k, p := range ps {
		t, w := ts[k], ws[k]
		v := 1 - t
		b1, b2 := 3*v*v*t, 3*v*t*t
		// The normal is as long as the derivative; the weight makes up for it.
		nrm := c.deriv(t).Perp()
		sq := nrm.Dot(nrm)
		if sq == 0 {
			continue
		}
		e := p.Sub(c.at(t)).Dot(nrm)
		w /= sq
		worst = max(worst, float64(ws[k]*e)*float64(w*e))
		g0, g1, g2, g3 := b1*r.u0.Dot(nrm), -b2*r.u1.Dot(nrm), b1*r.a*perp0.Dot(nrm), -b2*r.b*perp1.Dot(nrm)
		wg := w * g0
		y0 += float64(wg * e)
		n00 += float64(wg * g0)
		wg = w * g1
		y1 += float64(wg * e)
		n10 += float64(wg * g0)
		n11 += float64(wg * g1)
		wg = w * g2
		y2 += float64(wg * e)
		n20 += float64(wg * g0)
		n21 += float64(wg * g1)
		n22 += float64(wg * g2)
		wg = w * g3
		y3 += float64(wg * e)
		n30 += float64(wg * g0)
		n31 += float64(wg * g1)
		n32 += float64(wg * g2)
		n33 += float64(wg * g3)
	}
	r.worst = math.Sqrt(worst)
	n = [4][4]float64{{n00}, {n10, n11}, {n20, n21, n22}, {n30, n31, n32, n33}}
	y = [4]float64{y0, y1, y2, y3}
	return n, y
}

// solve4 solves the symmetric positive definite system n·x = y, the lower half of n given; y becomes x. It is n = L·D·Lᵀ
// written out: loops take several times as long, and this is done for every trial of a cubic.
func solve4(n *[4][4]float64, y *[4]float64) bool {
	d0 := n[0][0]
	by0 := 1 / d0
	m10, m20, m30 := n[1][0], n[2][0], n[3][0]
	l10, l20, l30 := m10*by0, m20*by0, m30*by0
	d1 := n[1][1] - float64(l10*m10)
	by1 := 1 / d1
	m21, m31 := n[2][1]-float64(l20*m10), n[3][1]-float64(l30*m10)
	l21, l31 := m21*by1, m31*by1
	d2 := n[2][2] - float64(l20*m20) - float64(l21*m21)
	by2 := 1 / d2
	m32 := n[3][2] - float64(l30*m20) - float64(l31*m21)
	l32 := m32 * by2
	d3 := n[3][3] - float64(l30*m30) - float64(l31*m31) - float64(l32*m32)
	if !(d0 > 0 && d1 > 0 && d2 > 0 && d3 > 0) {
		return false
	}
	y0 := y[0]
	y1 := y[1] - float64(l10*y0)
	y2 := y[2] - float64(l20*y0) - float64(l21*y1)
	y3 := (y[3] - float64(l30*y0) - float64(l31*y1) - float64(l32*y2)) / d3
	y2 = float64(y2*by2) - float64(l32*y3)
	y1 = float64(y1*by1) - float64(l21*y2) - float64(l31*y3)
	y0 = float64(y0*by0) - float64(l10*y1) - float64(l20*y2) - float64(l30*y3)
	*y = [4]float64{y0, y1, y2, y3}
	return true
}

// end is how a stretch begins or ends.
type end struct {
	dir   Point   // tangent, zero if unknown
	doubt float64 // of it, radians
}

// fit appends the pieces of the stretch to c, whose last knot is where it begins, and its samples to m. The knot where
// it ends is left to the caller, who gets the tangents at both ends.
func (s *stretch) fit(c *chain, m *marks, from, to end) (first, last Point) {
	n := len(s.p)
	if n < 3 || s.straight() {
		u := s.p[n-1].Sub(s.p[0]).Unit()
		s.length = lengths(s.length, s.p)
		s.emit(c, m, 0, n-1, piece{line: true})
		return u, u
	}
	s.prepare()
	if from.dir != (Point{}) {
		s.tangent[0] = from.dir
	}
	if to.dir != (Point{}) {
		s.tangent[n-1] = to.dir
	}
	at, doubt := 0, from.doubt
	spans := s.settled(s.needed(s.spans(), from.doubt, to.doubt))
	if k := len(spans); s.loop && k > 0 && spans[k-1].j == n-1 {
		doubt = 0 // opened at the end of a line
	}
	curveTo := func(j int, doubt1 float64) {
		f, l := s.curve(c, m, at, j, doubt, doubt1)
		if at == 0 {
			first = f
		}
		last = l
	}
	knotAt := func(i int, u Point) {
		if i > 0 && i < n-1 {
			c.knots = append(c.knots, knot{p: s.p[i], in: u, out: u, smooth: true})
		}
	}
	for _, sp := range spans {
		u := s.p[sp.j].Sub(s.p[sp.i]).Unit()
		if sp.i > at {
			curveTo(sp.i, 0)
			knotAt(sp.i, u)
		} else if at == 0 {
			first = u
		}
		s.emit(c, m, sp.i, sp.j, piece{line: true})
		knotAt(sp.j, u)
		at, doubt, last = sp.j, 0, u
	}
	if at < n-1 {
		curveTo(n-1, to.doubt)
	}
	return first, last
}

// needed leaves out the straight parts that a cubic explains which goes on beyond both their ends, by aroundSpan of their
// length: what is short and gently bent looks straight, and would only have to be put together again.
func (s *stretch) needed(spans []span, doubt0, doubt1 float64) []span {
	if len(spans) == 0 {
		return nil
	}
	if s.care().chains {
		return s.beyondReach(spans, doubt0, doubt1)
	}
	n := len(s.p)
	t := trial{s, 0, n - 1, doubt0, doubt1}
	kept := slices.DeleteFunc(spans, func(sp span) bool {
		i, j := sp.i, sp.j
		more := aroundSpan * (s.length[j] - s.length[i])
		for i > 0 && s.length[sp.i]-s.length[i] < more {
			i--
		}
		for j < n-1 && s.length[j]-s.length[sp.j] < more {
			j++
		}
		if i == sp.i || j == sp.j || !t.fits(i, j) {
			return false
		}
		b := t.bend(i, j, maxTrial, 0)
		return t.explains(i, j, &b, sp)
	})
	clear(s.tangent[1 : n-1]) // seen past the ends of straight parts
	return kept
}

// aroundSpan is how far beyond each end of a straight part a cubic must go that does for it, as a share of its length.
const aroundSpan = 0.5

// beyondReach leaves out those that lie within the cubics which go as far as the tolerance allows, from either end of the
// stretch.
func (s *stretch) beyondReach(spans []span, doubt0, doubt1 float64) []span {
	n := len(s.p)
	t := trial{s, 0, n - 1, doubt0, doubt1}
	within := func(i, j int) {
		if !slices.ContainsFunc(spans, func(sp span) bool { return sp.i > i && sp.j < j }) {
			return
		}
		b := t.bend(i, j, maxTrial, 0)
		spans = slices.DeleteFunc(spans, func(sp span) bool { return sp.i > i && sp.j < j && t.explains(i, j, &b, sp) })
	}
	i := 0
	for _, j := range t.ahead() {
		within(i, j)
		i = j
	}
	if len(spans) == 0 {
		return nil
	}
	i = 0
	for _, j := range append(t.back()[1:], n-1) {
		within(i, j)
		i = j
	}
	if len(spans) > 0 {
		clear(s.tangent[1 : n-1]) // seen past the ends of straight parts
	}
	return spans
}

// A cubic explains a straight part as well as a line does when its samples lie about it with this many times their
// noise, and this share of the tolerance more, mostStrict at most.
const (
	explainShare = 1.3
	explainSlack = 0.2
)

// explains reports whether a cubic from sample i to j does for the straight part sp within it.
func (t *trial) explains(i, j int, b *bend, sp span) bool {
	c := polynomialOf(handled(t.p[i], b.u0, b.a, t.p[j], b.u1, b.b))
	total := t.length[j] - t.length[i]
	at := (t.length[sp.i] - t.length[i]) / total
	at = c.foot(t.p[sp.i], at, 3)
	var sum, weight float64
	for k := sp.i; k <= sp.j; k++ {
		if k > sp.i {
			at = c.foot(t.p[k], at+(t.length[k]-t.length[k-1])/total, 1)
		}
		e := c.at(at).Sub(t.p[k])
		sum += float64(t.w[k] * e.Dot(e))
		weight += t.w[k]
	}
	return math.Sqrt(sum/weight) <= float64(explainShare*t.noise)+float64(explainSlack*min(t.tol, mostStrict))
}

// settled returns the straight parts with their ends moved onto them: apart by the room a bend between them needs, and
// up to the ends of the stretch where they nearly reach them.
func (s *stretch) settled(spans []span) []span {
	n := len(s.p)
	near := max(2.5, 10*s.noise)
	limit := s.straightLimit()
	kept := spans[:0]
	for _, sp := range spans {
		if k := len(kept); k > 0 {
			q := &kept[k-1]
			if whole, ok := s.core(q.i, sp.j, q.i, limit); ok && q.u.Dot(sp.u) > 0 && whole.i <= q.i+1 && whole.j >= sp.j-1 && !s.strays(whole.i, whole.j, whole.o, whole.u, limit) {
				*q = whole // one line with a stumble
				continue
			}
			for s.length[sp.i]-s.length[q.j] < near && sp.i < sp.j && q.i < q.j {
				sp.i++
				q.j--
			}
			if s.length[q.j]-s.length[q.i] < near {
				kept = kept[:k-1]
			}
		}
		if s.length[sp.j]-s.length[sp.i] >= near {
			kept = append(kept, sp)
		}
	}
	if len(kept) == 0 {
		return nil
	}
	if sp := &kept[0]; !s.loop && s.length[sp.i] < near {
		sp.i = 0
	}
	if sp := &kept[len(kept)-1]; s.length[n-1]-s.length[sp.j] < near {
		sp.j = n - 1
		// The bend behind the line at which a loop was opened needs room too.
		if q := &kept[0]; s.loop && len(kept) > 1 {
			for s.length[q.i] < near && q.i < q.j {
				q.i++
			}
			if s.length[q.j]-s.length[q.i] < near {
				kept = kept[1:]
			}
		} else if s.loop && s.length[q.i] < near {
			return nil
		}
	}
	for _, sp := range kept {
		if sp.i > 0 {
			s.place(sp.i, sp)
		}
		if sp.j < n-1 || s.loop {
			s.place(sp.j, sp)
		}
		if s.loop && sp.j == n-1 {
			s.p[0], s.tangent[0] = s.p[n-1], sp.u
		}
	}
	for _, sp := range kept {
		u := s.p[sp.j].Sub(s.p[sp.i]).Unit()
		s.tangent[sp.i], s.tangent[sp.j] = u, u
		if s.loop && sp.j == n-1 {
			s.tangent[0] = u
		}
	}
	s.length = lengths(s.length, s.p)
	return kept
}

// place moves a sample onto the line of its span, as an end of it.
func (s *stretch) place(i int, sp span) {
	s.p[i] = sp.o.Add(sp.u.Mul(sp.u.Dot(s.p[i].Sub(sp.o))))
	s.tangent[i] = sp.u
}

// emit appends a piece from sample i to sample j.
func (s *stretch) emit(c *chain, m *marks, i, j int, p piece) {
	at := len(c.pieces)
	c.pieces = append(c.pieces, p)
	total := max(samePlace, s.length[j]-s.length[i])
	lo := i + 1
	if i == 0 && s.loop {
		lo = 0
	}
	hi := min(j, len(s.p)-2)
	stride := max(1, (hi-lo+1)/int(pieceMarks*(1+float64(noiseMarks*s.noise))))
	m.grow((hi-lo+1)/stride + 1)
	for k := lo; k <= hi; k++ {
		along := s.from + s.length[k]
		if (k-lo)%stride == stride/2 || k == hi {
			m.add(s.p[k], s.w[k], along, at, (s.length[k]-s.length[i])/total)
		} else {
			m.rest = append(m.rest, rest{s.p[k], s.w[k], along})
		}
	}
}

// pieceMarks is the number of samples, at least, that shape a piece where it has so many; noiseMarks how much larger a
// share for every px of noise. The others are looked at in the end.
const pieceMarks, noiseMarks = 16, 5

// curve appends the fewest cubics from sample i to sample j that keep the tolerance.
func (s *stretch) curve(c *chain, m *marks, i, j int, doubt0, doubt1 float64) (first, last Point) {
	t := trial{s, i, j, doubt0, doubt1}
	knots := t.knots()
	for x := 0; x+1 < len(knots); x++ {
		b := t.bend(knots[x], knots[x+1], maxTrial, 0)
		if x == 0 {
			first = b.u0
		}
		last = b.u1
		s.emit(c, m, knots[x], knots[x+1], piece{a: b.a, b: b.b})
		if x+2 < len(knots) {
			u := s.direction(knots[x+1], i, j)
			c.knots = append(c.knots, knot{p: s.p[knots[x+1]], in: u, out: u, smooth: true})
		}
	}
	return first, last
}

// trial looks for knots between samples lo and hi.
type trial struct {
	*stretch
	lo, hi         int
	doubt0, doubt1 float64
}

func (t *trial) bend(i, j, most int, aim float64) bend {
	d0 := t.care().doubt
	d1 := d0
	if i == t.lo {
		d0 = t.doubt0
	}
	if j == t.hi {
		d1 = t.doubt1
	}
	return t.cubic(i, j, t.direction(i, t.lo, t.hi), t.direction(j, t.lo, t.hi), d0, d1, most, aim)
}

func (t *trial) fits(i, j int) bool {
	// One that comes back to where it began needs a knot on its way.
	if j-i > 2 && t.p[i].Sub(t.p[j]).Len() < leastChord*(t.length[j]-t.length[i]) {
		return false
	}
	most := t.care().samples
	b := t.bend(i, j, most, t.tol)
	return b.worst <= t.tol && (j-i <= 2*most || t.holds(i, j, &b))
}

// maxHold is about how many samples along a trial tell whether it holds: an edge does not leave a cubic and come back to it
// within a few hundredths of its length, and what does is found in the end.
const maxHold = 64

// holds reports whether a cubic that keeps the tolerance at the samples looked at keeps it along all of its length.
func (t *trial) holds(i, j int, b *bend) bool {
	c := polynomialOf(handled(t.p[i], b.u0, b.a, t.p[j], b.u1, b.b))
	total := t.length[j] - t.length[i]
	at, before := 0.0, i
	stride := 1 + (j-i)/maxHold
	for k := i + 1; k < j; k += stride {
		at = c.foot(t.p[k], at+(t.length[k]-t.length[before])/total, 1)
		before = k
		if t.w[k]*c.at(at).Sub(t.p[k]).Len() > 1.5*t.tol {
			return false
		}
	}
	return true
}

// leastChord is the least share of its length that a cubic may span: half a circle has 0.64, three quarters 0.3.
const leastChord = 0.4

// reach returns the furthest sample that one cubic from i covers, going by dir (1 or -1), by doubling and bisection.
func (t *trial) reach(i, dir int) int {
	stop := t.hi
	if dir < 0 {
		stop = t.lo
	}
	fits := func(d int) bool {
		if dir > 0 {
			return t.fits(i, i+d)
		}
		return t.fits(i-d, i)
	}
	room := (stop - i) * dir
	if fits(room) {
		return stop
	}
	good, bad := min(2, room), room
	for d := 8; d < room; d *= 2 {
		if fits(d) {
			good = d
			continue
		}
		// One failure may be a bad tangent: look a little further before giving up.
		if d+2 < room && fits(d+2) {
			good = d + 2
			continue
		}
		bad = d
		break
	}
	for bad-good > max(1, good/t.care().share) {
		if mid := (good + bad) / 2; fits(mid) {
			good = mid
		} else {
			bad = mid
		}
	}
	return i + good*dir
}

// ahead returns where the cubics end that go as far as possible, from sample lo on: the last is hi.
func (t *trial) ahead() (far []int) {
	for i := t.lo; i < t.hi; {
		i = t.reach(i, 1)
		far = append(far, i)
	}
	return far
}

// back returns where the cubics begin that go back as far as possible, from sample hi on: the first is lo.
func (t *trial) back() (near []int) {
	for i := t.hi; i > t.lo; {
		i = t.reach(i, -1)
		near = append(near, i)
	}
	slices.Reverse(near)
	return near
}

// windowTries is how many places are tried for one knot.
const windowTries = 5

// knots returns the samples at which cubics join. Going as far as possible from one end gives the furthest place of
// each knot, from the other end the nearest; between these the cheapest are chosen by dynamic programming.
func (t *trial) knots() []int {
	far := t.ahead()
	if len(far) == 1 {
		return []int{t.lo, t.hi}
	}
	near := t.back()
	if len(near) < len(far) { // the way back is shorter: take it
		far = append(append([]int{}, near[1:]...), t.hi)
		near = near[:0]
		near = append(append(near, t.lo), far[:len(far)-1]...)
	}
	shift := len(near) - len(far)
	type place struct {
		at, from int
		cost     float64
		natural  bool
	}
	layers := [][]place{{{at: t.lo}}}
	for x := 0; x < len(far)-1; x++ {
		hi := far[x]
		lo := min(hi, near[x+1+shift])
		if shift > 0 {
			lo = max(lo, hi-(hi-lo)/2)
		}
		lo = max(lo, layers[len(layers)-1][0].at+2)
		hi = max(lo, hi)
		if hi >= t.hi {
			break
		}
		var layer []place
		count := min(windowTries, hi-lo+1)
		for k := range count {
			at := lo
			if count > 1 {
				at = lo + k*(hi-lo)/(count-1)
			}
			layer = append(layer, place{at: at})
		}
		for _, at := range t.natural(lo, hi) {
			layer = append(layer, place{at: at, natural: true})
		}
		layers = append(layers, layer)
	}
	layers = append(layers, []place{{at: t.hi}})
	for x := 1; x < len(layers); x++ {
		for y := range layers[x] {
			q := &layers[x][y]
			q.cost = math.Inf(1)
			for z := range layers[x-1] {
				from := &layers[x-1][z]
				if from.at >= q.at {
					continue
				}
				if cost := from.cost + t.cost(from.at, q.at); cost < q.cost {
					q.cost, q.from = cost, z
				}
			}
			if q.natural {
				q.cost -= naturalBonus
			}
		}
	}
	out := make([]int, len(layers))
	y := 0
	for x := len(layers) - 1; x >= 0; x-- {
		out[x] = layers[x][y].at
		y = layers[x][y].from
	}
	// Windows that overlap may have left a place without a way to it.
	kept := out[:1]
	for _, i := range out[1 : len(out)-1] {
		if i > kept[len(kept)-1] {
			kept = append(kept, i)
		}
	}
	return append(kept, t.hi)
}

// naturalBonus is what a knot at an extremum is worth, in segments.
const naturalBonus = 0.15

// natural returns up to two samples between lo and hi at which the run goes level or upright.
func (t *trial) natural(lo, hi int) []int {
	var out []int
	const reach = 3
	for i := max(lo, t.lo+reach); i <= min(hi, t.hi-reach) && len(out) < 2; i++ {
		a, b := t.p[i].Sub(t.p[i-reach]), t.p[i+reach].Sub(t.p[i])
		if a.X*b.X < 0 && math.Abs(a.Y) > math.Abs(a.X) || a.Y*b.Y < 0 && math.Abs(a.X) > math.Abs(a.Y) {
			// The first of a few neighbours that all look like it; the middle one is nearest.
			out = append(out, min(i+reach/2, hi))
			i += 2 * reach
		}
	}
	return out
}

// cost of a cubic, in segments: one that misses the tolerance is not forbidden, or there might be no way at all.
func (t *trial) cost(i, j int) float64 {
	b := t.bend(i, j, t.care().samples, 0)
	cost := 0.3 * min(1, b.square/(t.tol*t.tol))
	if b.worst > t.tol {
		cost += 0.5 + float64(2*min(10, b.worst/t.tol-1))
	}
	return cost
}
