package fit

import "math"

// This file moves what the fit leaves nearly level or upright to exactly there, as a careful hand would place it.

// A smooth knot is moved to an extremum of its curve where one lies within this share of a neighbouring piece.
const naturalShare = 0.4

// How much the summed square distance may grow for it: by this factor, and by this share of the tolerance's square.
const (
	naturalLoss  = 1.3
	naturalSlack = 0.1
)

// level moves smooth knots between cubics to extrema near them: their handles then run level or upright. It reports
// whether it moved any.
func (b *builder) level() (moved bool) {
	p := b.pruning()
	c := &p.chain
	for k := range c.knots {
		if !p.spare(k) || c.knots[k].held || c.pieces[k].line || c.pieces[p.prev[k]].line {
			continue
		}
		at, u, ok := p.extremumNear(k)
		if !ok {
			continue
		}
		before := p.prev[k]
		q := &p.parts[k]
		p.take(q, p.window(before, p.next[k], 2), -1)
		square := 0.0
		for x, k2 := range q.knots[:len(q.knots)-1] {
			square += p.collect(q, k2, x, 1, 0)
		}
		for x, k2 := range q.knots {
			if k2 != k {
				continue
			}
			e := &q.chain.knots[x]
			by := at.Sub(e.p)
			e.p, e.in, e.out, e.held = at, u, u, true
			// The handles give way to the move.
			q.chain.pieces[x-1].b = max(0, q.chain.pieces[x-1].b+by.Dot(u))
			q.chain.pieces[x].a = max(0, q.chain.pieces[x].a-by.Dot(u))
		}
		q.chain.settle()
		worst, mean := p.solver.refine(&q.chain, &q.marks, p.care().part, 0)
		n := float64(len(q.marks.p))
		if worst <= p.tol && float64(mean*n) <= float64(naturalLoss*square)+float64(naturalSlack*float64(p.tol*p.tol)) {
			for x, k2 := range q.knots {
				if k2 == k {
					c.knots[k].held = q.chain.knots[x].held
				}
			}
			p.put(-1, q)
			moved = true
		}
	}
	return moved
}

// extremumNear returns the extremum nearest knot k on the pieces beside it, and the axis along which they run there.
func (p *pruner) extremumNear(k int) (at, u Point, ok bool) {
	best := math.Inf(1)
	look := func(g Segment, low, high float64, dist func(t float64) float64) {
		for _, t := range g.Extrema() {
			if t < low || t > high {
				continue
			}
			if d := dist(t); d < best {
				v := g.Deriv(t)
				best, at, ok = d, g.At(t), true
				if math.Abs(v.X) > math.Abs(v.Y) {
					u = Point{math.Copysign(1, v.X), 0}
				} else {
					u = Point{0, math.Copysign(1, v.Y)}
				}
			}
		}
	}
	g := p.segmentAt(k)
	look(g, 0, naturalShare, func(t float64) float64 { return t * g.Length() })
	h := p.segmentAt(p.prev[k])
	look(h, 1-naturalShare, 1, func(t float64) float64 { return (1 - t) * h.Length() })
	return at, u, ok
}

// snap makes lines that are level or upright within the noise exactly so.
func (b *builder) snap() {
	c := &b.chain
	count := make([]int, len(c.pieces))
	for _, i := range b.marks.at {
		count[i]++
	}
	for i := range c.pieces {
		if !c.pieces[i].line {
			continue
		}
		k, n := &c.knots[i], &c.knots[c.next(i)]
		d := n.p.Sub(k.p)
		// The difference between the ends of a line through n even samples has the error σ·√(12/n).
		slack := snapSlack + float64(3*b.noise*math.Sqrt(12/max(3, float64(count[i]))))
		if max(math.Abs(d.X), math.Abs(d.Y)) < 4*max(1, b.scale) {
			continue
		}
		if math.Abs(d.Y) <= slack && d.Y != 0 {
			alike(&k.p.Y, &n.p.Y, k.pinned, n.pinned)
		} else if math.Abs(d.X) <= slack && d.X != 0 {
			alike(&k.p.X, &n.p.X, k.pinned, n.pinned)
		}
	}
	c.settle()
}

// snapSlack is how far the ends of a line may differ beyond the noise and still be meant alike, px.
const snapSlack = 0.02

// alike makes two coordinates the same, their mean unless one is given.
func alike(a, b *float64, aGiven, bGiven bool) {
	switch {
	case aGiven && bGiven:
	case aGiven:
		*b = *a
	case bGiven:
		*a = *b
	default:
		*a = (*a + *b) / 2
		*b = *a
	}
}
