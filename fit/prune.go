package fit

import "math"

// effort is how thoroughly a chain is refined: so many rounds at most, until one lowers the cost by less than a share, with
// feet good to so much of a parameter.
type effort struct {
	rounds int
	share  float64
	near   float64
}

// wholeEffort is spent on the whole chain when its knots are found.
var wholeEffort = effort{8, 0.001, nearPrecision}

// improve refines the chain, adds knots where the tolerance is not kept, drops those that are not needed and moves the
// others to natural places.
func (b *builder) improve() {
	b.grow(b.care().first)
	b.prune()
	worst := b.grow(wholeEffort)
	for range checkRounds {
		if !b.check() {
			break
		}
		worst = b.grow(wholeEffort)
	}
	var plain chain
	plain.copyFrom(&b.chain)
	if b.level() {
		if w, _ := b.refine(&b.chain, &b.marks, wholeEffort, 0); w > max(worst, growShare*b.tol) {
			b.chain = plain
		}
	}
	b.snap()
}

// checkRounds bounds how often samples that were left out are taken in again.
const checkRounds = 3

// check looks at the samples that did not shape the chain. Those that lie too far from it do from now on; it reports
// whether there are any.
func (b *builder) check() bool {
	c, m := &b.chain, &b.marks
	n := len(m.p)
	if len(m.rest) == 0 || n == 0 {
		return false
	}
	b.reproject(c, m, 2, math.Inf(1))
	kept := m.rest[:0]
	next := 0 // the first mark behind
	for _, r := range m.rest {
		for next < n && m.along[next] < r.along {
			next++
		}
		// Between two marks on one piece the foot is about where the length says; else the nearer mark's piece will do.
		at, t := m.at[min(next, n-1)], m.t[min(next, n-1)]
		if next > 0 && next < n && m.at[next-1] == at && m.along[next] > m.along[next-1] {
			share := (r.along - m.along[next-1]) / (m.along[next] - m.along[next-1])
			t = m.t[next-1] + float64(share*(t-m.t[next-1]))
		}
		i, t, sq := b.foot(c, r.p, int(at), t, 2)
		if r.w*math.Sqrt(sq) > growShare*b.tol {
			m.add(r.p, r.w, r.along, i, t)
		} else {
			kept = append(kept, r)
		}
	}
	m.rest = kept
	if len(m.p) == n {
		return false
	}
	m.sort()
	return true
}

// Knots are added where a sample lies further off than this share of the tolerance, at most so many times over.
const (
	growShare  = 1.25
	growRounds = 5
)

// grow refines the chain and parts the pieces that leave the tolerance: a line is bent first, a cubic is cut where it
// strays most. It returns the worst distance left.
func (b *builder) grow(most effort) (worst float64) {
	c, m := &b.chain, &b.marks
	for round := 0; ; round++ {
		worst, _ = b.refine(c, m, most, 0)
		if worst <= growShare*b.tol || round == growRounds {
			return worst
		}
		stray := make([]float64, len(c.pieces))
		where := make([]float64, len(c.pieces))
		count := make([]int, len(c.pieces))
		for x := range m.p {
			i := m.at[x]
			count[i]++
			if e := m.w[x] * b.poly[i].at(m.t[x]).Sub(m.p[x]).Len(); e > stray[i] {
				stray[i], where[i] = e, m.t[x]
			}
		}
		var out chain
		out.closed = c.closed
		first := make([]int32, len(c.pieces))
		cut := make([]float64, len(c.pieces))
		changed := false
		for k := range c.knots {
			out.knots = append(out.knots, c.knots[k])
			if c.after(k) < 0 {
				break
			}
			first[k] = int32(len(out.pieces))
			s := c.pieces[k]
			if stray[k] <= growShare*b.tol {
				out.pieces = append(out.pieces, s)
				continue
			}
			seg := c.segment(k)
			if s.line {
				changed = true
				l := seg.Length() / 3
				out.pieces = append(out.pieces, piece{a: l, b: l})
				continue
			}
			if count[k] < 4 || seg.Length() < 3 {
				out.pieces = append(out.pieces, s)
				continue
			}
			changed = true
			t := max(0.2, min(0.8, where[k]))
			cut[k] = t
			u := seg.Deriv(t).Unit()
			l, r := seg.Sub(0, t), seg.Sub(t, 1)
			out.pieces = append(out.pieces,
				piece{a: l.P[1].Sub(l.P[0]).Len(), b: l.P[3].Sub(l.P[2]).Len()},
				piece{a: r.P[1].Sub(r.P[0]).Len(), b: r.P[3].Sub(r.P[2]).Len()})
			out.knots = append(out.knots, knot{p: seg.At(t), in: u, out: u, smooth: true})
		}
		if !changed {
			return worst
		}
		for x := range m.p {
			i := m.at[x]
			m.at[x] = first[i]
			if t := cut[i]; t > 0 {
				if m.t[x] <= t {
					m.t[x] /= t
				} else {
					m.t[x] = (m.t[x] - t) / (1 - t)
					m.at[x]++
				}
			}
		}
		*c = out
		c.settle()
	}
}

// pruner drops knots of a chain. While it works, knots keep their numbers and a piece has the number of the knot where
// it starts, linked to its neighbours.
type pruner struct {
	*builder
	next, prev []int   // of each knot, -1 beyond an end
	own        [][]int // samples of each piece
	left       int     // pieces left

	// Buffers.
	all, count, beside []int
	parts              []part
	solver             solver
}

// part is a neighbourhood taken out to be tried in another shape.
type part struct {
	chain  chain
	marks  marks
	knots  []int // numbers in the whole chain
	source []int // of each mark
	merged int   // the piece that two became
	cost   float64
	ok     bool
	fresh  bool // up to date with the chain around it
	waits  bool // failed before the chain around it changed
	bends  bool // a line would become part of a curve
}

// empty makes q one that has not been tried, and keeps its buffers.
func (q *part) empty() {
	q.chain.empty()
	q.marks.empty()
	*q = part{chain: q.chain, marks: q.marks, knots: q.knots[:0], source: q.source[:0]}
}

// before reports whether q is to be tried before o: lines are kept as long as other knots can go.
func (q *part) before(o *part) bool {
	if q.bends != o.bends {
		return o.bends
	}
	return q.cost < o.cost
}

// partReach is how many pieces either side of a change are refined with it.
const partReach = 1

func (b *builder) pruning() *pruner {
	c, p := &b.chain, &b.pruner
	n := len(c.knots)
	p.builder, p.left = b, len(c.pieces)
	p.next, p.prev, p.own = sized(p.next, n), sized(p.prev, n), sized(p.own, n)
	for k := range n {
		p.next[k], p.prev[k] = -1, -1
		if c.after(k) >= 0 {
			p.next[k] = c.next(k)
		}
		if i := c.before(k); i >= 0 {
			p.prev[k] = i
		}
	}
	// The lists of all pieces lie in one array; one that grows moves out of it.
	p.count, p.all = sized(p.count, n+1), sized(p.all, len(b.marks.at))
	clear(p.count)
	for _, at := range b.marks.at {
		p.count[at+1]++
	}
	for k := range n {
		p.count[k+1] += p.count[k]
		p.own[k] = p.all[p.count[k]:p.count[k]:p.count[k+1]]
	}
	for x, at := range b.marks.at {
		p.own[at] = append(p.own[at], x)
	}
	for len(p.parts) < n {
		p.parts = append(p.parts, part{})
	}
	for k := range n {
		p.parts[k].empty()
	}
	return p
}

// prune drops smooth knots, the one that seems to cost least accuracy first, while the tolerance is kept. Costs are found
// anew only for the knot that seems cheapest: they hardly ever fall when a neighbour goes.
func (b *builder) prune() {
	p := b.pruning()
	n := len(b.chain.knots)
	parts := p.parts[:n]
	for k := range n {
		if p.spare(k) {
			p.without(k, &parts[k])
		}
	}
	for {
		best := -1
		for k := range n {
			if q := &parts[k]; p.spare(k) && q.ok && (best < 0 || q.before(&parts[best])) {
				best = k
			}
		}
		if best >= 0 && !parts[best].fresh {
			p.without(best, &parts[best])
			continue
		}
		if best < 0 {
			again := false
			for k := range parts {
				if parts[k].waits {
					if parts[k].waits = false; p.spare(k) {
						p.without(k, &parts[k])
						again = true
					}
				}
			}
			if again {
				continue
			}
			break
		}
		if !p.refined(&parts[best]) {
			continue
		}
		p.put(best, &parts[best])
		for _, dir := range [2][]int{p.next, p.prev} {
			k := parts[best].knots[0]
			for range len(parts[best].knots) + partReach + 2 {
				if k < 0 {
					break
				}
				// What failed hardly ever does with longer neighbours: it waits for the end.
				if parts[k].ok {
					parts[k].fresh = false
				} else {
					parts[k].waits = true
				}
				k = dir[k]
			}
		}
	}
	p.straighten()
	p.compact()
}

// spare reports whether knot k may be dropped.
func (p *pruner) spare(k int) bool {
	q := &p.chain.knots[k]
	if !q.smooth || q.pinned || p.next[k] < 0 || p.prev[k] < 0 || p.next[p.prev[k]] != k {
		return false
	}
	return !p.closed || p.left > 2
}

// window returns the knots of a neighbourhood: from lo to hi, and outward while the chain goes on smoothly, to the far
// end of a line at most. Its ends stay where they are.
func (p *pruner) window(lo, hi, pieces int) []int {
	c := &p.chain
	smooth := func(k int) bool { return c.knots[k].smooth && !c.knots[k].pinned && pieces < p.left }
	for range partReach {
		if l := p.prev[lo]; l >= 0 && smooth(lo) {
			lo = l
			pieces++
			if c.pieces[l].line {
				break
			}
		}
	}
	for range partReach {
		if r := p.next[hi]; r >= 0 && smooth(hi) {
			line := c.pieces[hi].line
			hi = r
			pieces++
			if line {
				break
			}
		}
	}
	p.beside = p.beside[:0]
	for k := lo; len(p.beside) <= pieces; k = p.next[k] {
		p.beside = append(p.beside, k)
	}
	return p.beside
}

// take starts part q on the given knots of the chain, without the one numbered skip: its two pieces become one, still
// to be shaped, whose place in the part is returned.
func (p *pruner) take(q *part, knots []int, skip int) (merged int) {
	c := &p.chain
	q.empty()
	q.fresh = true
	last := len(knots) - 1
	for x, k := range knots {
		if k == skip {
			merged = x - 1
			continue
		}
		q.knots = append(q.knots, k)
		e := c.knots[k]
		if x == 0 || x == last {
			e.pinned, e.held = true, e.smooth
		}
		q.chain.knots = append(q.chain.knots, e)
		if x < last {
			q.chain.pieces = append(q.chain.pieces, c.pieces[k])
		}
	}
	// Lines at the ends keep their direction: their inner ends slide along them.
	for x, near := range [2]int{1, len(q.chain.knots) - 2} {
		line := near - 1
		if x == 1 {
			line = near
		}
		if len(q.chain.pieces) < 2 || !q.chain.pieces[line].line || !q.chain.knots[near].smooth || line == merged && skip >= 0 {
			continue
		}
		e := &q.chain.knots[near]
		e.held = true
		e.rail = e.in
	}
	return merged
}

// collect adds the samples of the piece that starts at knot to a part's piece at, their parameters scaled and shifted.
// It returns their summed square distance.
func (p *pruner) collect(q *part, knot, at int, scale, shift float64) (square float64) {
	seg := polynomialOf(p.segmentAt(knot))
	for _, x := range p.own[knot] {
		e := seg.at(p.marks.t[x]).Sub(p.marks.p[x])
		square += float64(p.marks.w[x] * e.Dot(e))
		q.marks.add(p.marks.p[x], p.marks.w[x], p.marks.along[x], at, shift+float64(scale*p.marks.t[x]))
		q.source = append(q.source, x)
	}
	return square
}

// without takes out the surroundings of smooth knot r with the two pieces that meet there made one cubic, shaped by its
// own samples alone. It is ok if that is not hopeless.
func (p *pruner) without(r int, q *part) {
	before := p.prev[r]
	q.merged = p.take(q, p.window(before, p.next[r], 2), r)
	k0, k1 := &q.chain.knots[q.merged], &q.chain.knots[q.merged+1]
	if k0.p.Sub(k1.p).Len() < samePlace {
		return
	}
	l0, l1 := p.segmentAt(before).Length(), p.segmentAt(r).Length()
	share := l0 / max(samePlace, l0+l1)
	square := p.collect(q, before, q.merged, share, 0)
	square += p.collect(q, r, q.merged, 1-share, share)
	guess := bend{u0: k0.out, u1: k1.in, a: (l0 + l1) / 3, b: (l0 + l1) / 3}
	var t trialMarks
	n := len(q.marks.p)
	if n > 0 {
		t.n = min(n, maxTrial)
		for x := range t.n {
			y := (2*x + 1) * n / (2 * t.n)
			t.p[x], t.w[x], t.t[x] = q.marks.p[y], q.marks.w[y], q.marks.t[y]
		}
		p.bendTo(&guess, &t, k0.p, k1.p, doubtOf(k0), doubtOf(k1), 0)
		if guess.worst > hopeless*p.tol {
			return
		}
	}
	if g := handled(k0.p, guess.u0, guess.a, k1.p, guess.u1, guess.b); folded(g) || g.hull() > float64(wildShare*(l0+l1))+wildSlack {
		return
	}
	q.chain.pieces[q.merged] = piece{a: guess.a, b: guess.b}
	if !k0.held {
		k0.out = guess.u0
		if k0.smooth {
			k0.in = k0.out
		}
	}
	if !k1.held {
		k1.in = guess.u1
		if k1.smooth {
			k1.out = k1.in
		}
	}
	q.bends = p.chain.pieces[before].line || p.chain.pieces[r].line
	q.cost = float64(guess.square*float64(n)) - square
	q.ok = true
}

// refined improves all of a part that leaves out a knot, and reports whether it keeps the tolerance.
func (p *pruner) refined(q *part) bool {
	for x, k := range q.knots[:len(q.knots)-1] {
		if x != q.merged {
			p.collect(q, k, x, 1, 0)
		}
	}
	worst, _ := p.solver.refine(&q.chain, &q.marks, p.care().part, p.tol)
	q.ok = worst <= p.tol
	return q.ok
}

// straightened tries the piece that starts at knot k as a line.
func (p *pruner) straightened(k int, q *part) {
	n := p.next[k]
	p.take(q, p.window(k, n, 1), -1)
	for x, k2 := range q.knots[:len(q.knots)-1] {
		if k2 == k {
			q.chain.pieces[x].line = true
		}
		p.collect(q, k2, x, 1, 0)
	}
	q.chain.settle()
	worst, _ := p.solver.refine(&q.chain, &q.marks, p.care().part, p.tol)
	q.ok = worst <= p.tol
}

// straightenShare is the share of the tolerance within which a cubic is as good as a line.
const straightenShare = 0.4

// straighten makes lines of the cubics that are nearly straight, where they do not meet other lines smoothly and
// their neighbours can follow.
func (p *pruner) straighten() {
	c := &p.chain
	for k := range c.knots {
		n := p.next[k]
		if n < 0 || p.prev[n] != k || c.pieces[k].line {
			continue
		}
		a, b := &c.knots[k], &c.knots[n]
		// Not beside another line, and not where the window ends at the line.
		if x := p.prev[k]; a.smooth && (a.pinned || x < 0 || c.pieces[x].line) {
			continue
		}
		if b.smooth && (b.pinned || p.next[n] < 0 || c.pieces[n].line) {
			continue
		}
		g := p.segmentAt(k)
		u := g.P[3].Sub(g.P[0]).Unit()
		// A cubic leaves its chord by at most three quarters of its handles.
		off := 0.75 * max(math.Abs(u.Cross(g.P[1].Sub(g.P[0]))), math.Abs(u.Cross(g.P[2].Sub(g.P[3]))))
		if off > straightenShare*p.tol || u.Dot(g.P[1].Sub(g.P[0])) < 0 || u.Dot(g.P[3].Sub(g.P[2])) < 0 {
			continue
		}
		if p.left < 4 && p.closed {
			continue
		}
		q := &p.parts[k] // of no more use where it was tried to do without k
		if p.straightened(k, q); q.ok {
			p.put(-1, q)
		}
	}
}

// hopeless is the share of the tolerance beyond which a first guess is not worth refining.
const hopeless = 3

func (p *pruner) segmentAt(k int) Segment {
	a, b, s := &p.chain.knots[k], &p.chain.knots[p.next[k]], p.chain.pieces[k]
	if s.line {
		return LineTo(a.p, b.p)
	}
	return handled(a.p, a.out, s.a, b.p, b.in, s.b)
}

func doubtOf(k *knot) float64 {
	switch {
	case k.held:
		return 0
	case k.smooth:
		return midDoubt
	}
	return endDoubt
}

// put makes the chain follow a part that leaves out knot r, or none if r is negative.
func (p *pruner) put(r int, q *part) {
	c := &p.chain
	last := len(q.knots) - 1
	for x, k := range q.knots {
		e, s := &c.knots[k], &q.chain.knots[x]
		switch x {
		case 0:
			e.out = s.out
		case last:
			e.in = s.in
		default:
			e.p, e.in, e.out = s.p, s.in, s.out
		}
		if x < last {
			c.pieces[k] = q.chain.pieces[x]
			p.own[k] = p.own[k][:0]
		}
	}
	if r >= 0 {
		p.own[r] = nil
		p.next[p.prev[r]], p.prev[p.next[r]] = p.next[r], p.prev[r]
		p.left--
	}
	for y, x := range q.source {
		k := q.knots[q.marks.at[y]]
		p.marks.at[x], p.marks.t[x] = int32(k), q.marks.t[y]
		p.own[k] = append(p.own[k], x)
	}
}

// compact gives the knots that are left consecutive numbers again.
func (p *pruner) compact() {
	c := &p.chain
	number := make([]int32, len(c.knots))
	var out chain
	out.closed = c.closed
	for k := range c.knots {
		alive := p.next[k] >= 0 && p.prev[p.next[k]] == k || p.prev[k] >= 0 && p.next[p.prev[k]] == k
		if !alive {
			continue
		}
		number[k] = int32(len(out.knots))
		out.knots = append(out.knots, c.knots[k])
		if p.next[k] >= 0 {
			out.pieces = append(out.pieces, c.pieces[k])
		}
	}
	for x, at := range p.marks.at {
		p.marks.at[x] = number[at]
	}
	*c = out
}
