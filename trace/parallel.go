package trace

import (
	"slices"

	"pochoir/fit"
)

// This file draws hidden edges as parallels of the outline they stand for, as a careful hand would: lines stay lines, and
// corners lie within corners. Where that takes more segments than any way under the higher colour, it is left to
// fit.Within.

// side is a part of an outline between two joints: one curve, or a line of several pieces.
type side struct {
	fit.Segment
	from int // the bank where it begins
}

// sidesOf joins the pieces of a run that go straight on into sides; nothing where one begins without a bank.
func sidesOf(run []piece, banks []bank) (out []side) {
	for i := range run {
		q := run[i].Segment
		if len(out) > 0 && q.Line && out[len(out)-1].Line {
			p := &out[len(out)-1]
			d, e := p.P[3].Sub(p.P[0]).Unit(), q.P[3].Sub(q.P[0]).Unit()
			if d.Dot(e) > 0 && d.Cross(e) < evenSides && d.Cross(e) > -evenSides {
				p.Segment = fit.LineTo(p.P[0], q.P[3])
				continue
			}
		}
		from := -1
		for k := range banks {
			if banks[k].joint == i {
				from = k
				break
			}
		}
		if from < 0 {
			return nil
		}
		out = append(out, side{q, from})
	}
	return out
}

// evenSides is the sine of the turn up to which two lines count as one.
const evenSides = 0.01

// sharpest is the cosine of the turn from which on the corners of parallels would lie too far out, or fold.
const sharpest = -0.5

// parallel returns a parallel of a run of sides, through its banks; nothing where a joint has no place to go.
func parallel(sides []side, banks []bank, closed bool) (segs []fit.Segment) {
	n := len(sides)
	if closed && n < 2 {
		return nil
	}
	place := func(b *bank) fit.Point { return b.Base.Add(b.Normal.Mul(b.Want)) }
	if closed {
		banks = append(slices.Clone(banks), banks[sides[0].from])
	}
	for i, s := range sides {
		if i > 0 || closed {
			if before := &sides[(i+n-1)%n]; before.Deriv(1).Unit().Dot(s.Deriv(0).Unit()) < sharpest {
				return nil
			}
		}
		lo, hi := s.from, len(banks)-1
		if i+1 < n {
			hi = sides[i+1].from
		}
		if hi <= lo {
			return nil
		}
		a, b := place(&banks[lo]), place(&banks[hi])
		first, last := !closed && i == 0, !closed && i == n-1
		if first {
			a = s.P[0]
		}
		if last {
			b = s.P[3]
		}
		gates := make([]fit.Corridor, 0, hi+1-lo)
		for _, b := range banks[lo : hi+1] {
			gates = append(gates, b.Corridor)
		}
		if g := s.beside(a, b); !first && !last && fit.Passes(gates, g) {
			segs = append(segs, g)
		} else {
			segs = append(segs, s.withEnds(gates, a, b, first, last)...)
		}
	}
	return segs
}

// beside returns a copy of a side from a to b.
func (s *side) beside(a, b fit.Point) fit.Segment {
	if s.Line {
		return fit.LineTo(a, b)
	}
	k := b.Sub(a).Len() / s.P[3].Sub(s.P[0]).Len()
	return fit.CubicTo(a, a.Add(s.P[1].Sub(s.P[0]).Mul(k)), b.Add(s.P[2].Sub(s.P[3]).Mul(k)), b)
}

// hookDepths are how far beyond the parallel the handle of a hooked curve reaches, tried one after the other.
var hookDepths = [...]float64{1, 1.6, 2.4, 2.7}

// hookLeans are how far along the line the handles of a bow lean, in parts of how far they reach out: a bow that leans may
// leave a corner of the higher colour.
var hookLeans = [...]float64{0, 0.5, 1}

// chamfer is how far along a line its parallel is reached from an end that is seen, px.
const chamfer = 1.6

// withEnds returns what runs from a to b beside a side of which one end, or both, are seen: there it begins or ends on the
// side itself.
func (s *side) withEnds(gates []fit.Corridor, a, b fit.Point, first, last bool) []fit.Segment {
	if !s.Line || !first && !last {
		return fit.Within(gates, a, b)
	}
	along := s.P[3].Sub(s.P[0])
	mid := &gates[len(gates)/2]
	out := mid.Normal.Mul(mid.Want)
	for _, depth := range hookDepths {
		hook := out.Mul(depth)
		if first && last {
			for _, k := range hookLeans {
				lean := along.Unit().Mul(k * hook.Len())
				// A cubic's middle lies at three quarters of its handles.
				if g := fit.CubicTo(a, a.Add(hook.Add(lean).Mul(4.0/3)), b.Add(hook.Sub(lean).Mul(4.0/3)), b); fit.Passes(gates, g) {
					return []fit.Segment{g}
				}
			}
			continue
		}
		p, q := a.Add(along.Mul(1.0/3)), b.Sub(along.Mul(1.0/3))
		if first {
			p = a.Add(hook)
		} else {
			q = b.Add(hook)
		}
		if g := fit.CubicTo(a, p, q, b); fit.Passes(gates, g) {
			return []fit.Segment{g}
		}
	}
	way := fit.Within(gates, a, b)
	at := []fit.Point{a}
	if first {
		at = append(at, a.Add(out).Add(along.Unit().Mul(chamfer)))
	}
	if last {
		at = append(at, b.Add(out).Sub(along.Unit().Mul(chamfer)))
	}
	at = append(at, b)
	if len(at)-1 > len(way) || along.Len() < 4*chamfer || !staysUnder(gates, at) {
		return way
	}
	way = way[:0]
	for k := range at[1:] {
		way = append(way, fit.LineTo(at[k], at[k+1]))
	}
	return way
}

// Where a corner has hardly any room, the parallels of its sides run out to it: on paper, where sides are long, they may come
// to lie on the side itself. deepEnough reports whether segments cross all gates no nearer to it than half of what was asked
// for; what is farther than strayFrom px from a gate belongs to another part of the outline.
func deepEnough(gates []fit.Corridor, segs []fit.Segment) bool {
	const share, strayFrom = 0.5, 2.0
	var way []fit.Point
	for _, g := range segs {
		way = g.Flatten(append(way, g.P[0]), 0.1)
	}
	return crossings(gates, way, func(g *fit.Corridor, far float64) bool { return far <= -strayFrom || far >= share*g.Low })
}

// staysUnder reports whether lines from place to place stay below the upper ends of the gates that they cross.
func staysUnder(gates []fit.Corridor, at []fit.Point) bool {
	return crossings(gates, at, func(g *fit.Corridor, far float64) bool { return far <= g.High })
}

// crossings reports whether ok holds wherever lines from place to place cross a gate, asked with how far along its normal.
func crossings(gates []fit.Corridor, at []fit.Point, ok func(g *fit.Corridor, far float64) bool) bool {
	for i := range gates {
		g := &gates[i]
		for k := range at[1:] {
			d := at[k+1].Sub(at[k])
			across := g.Normal.Cross(d)
			if across == 0 {
				continue
			}
			to := at[k].Sub(g.Base)
			// at[k] + t·d = Base + far·Normal
			t, far := to.Cross(g.Normal)/across, to.Cross(d)/across
			if t >= 0 && t <= 1 && !ok(g, far) {
				return false
			}
		}
	}
	return true
}
