package demo

import (
	"math"

	"pochoir/fit"
)

// stroke is one pull of the brush along a line.
type stroke struct {
	line  fit.Path
	width float64 // px where the brush presses hardest
	blunt bool    // ends are round instead of drawn out to a tip
	even  bool    // the width does not come and go
}

// The brush presses harder where the line turns away from the light, which falls from the upper left, and lets up at
// its ends.
const (
	pressure  = 0.3  // share of the width that comes and goes with the direction
	tremor    = 0.1  // share that comes and goes by itself
	tipLength = 0.32 // longest tip, as a share of the stroke
	mostTip   = 46.0 // px
	leastTip  = 0.12 // width at a tip, as a share
	mostPiece = 46.0 // px, so that an outline follows the width
	mostTurn  = 0.6  // rad a piece of the outline may turn
)

// outline returns the edge of the ink that a stroke leaves, closed and clockwise; a closed line leaves a ring, whose
// inner edge is the second path.
func (s stroke) outline(seed float64) []fit.Path {
	pieces := divide(s.line)
	if len(pieces) == 0 {
		return nil
	}
	total := 0.0
	starts := make([]float64, len(pieces)+1)
	for i, p := range pieces {
		total += p.Length()
		starts[i+1] = total
	}
	half := func(at float64, dir fit.Point) float64 {
		if s.even {
			return s.width / 2
		}
		w := 1 + pressure*(dir.X*-0.55+dir.Y*0.3) + tremor*math.Sin(2*math.Pi*at/97+seed)
		// The right side of a clockwise line is its inside: pressing depends on the direction of travel, so take the
		// part that does not change when the line is run backwards for open strokes.
		if !s.line.Closed {
			w = 1 + pressure*math.Abs(dir.Y)*0.7 - pressure*0.3 + tremor*math.Sin(2*math.Pi*at/97+seed)
			if !s.blunt {
				tip := min(mostTip, tipLength*total)
				w *= leastTip + (1-leastTip)*smoothStep(min(at, total-at)/tip)
			}
		}
		return s.width / 2 * w
	}
	var left, right []fit.Segment
	n := len(pieces)
	for i, p := range pieces {
		left = append(left, beside(p, starts[i], starts[i+1], -1, half))
		right = append(right, beside(p, starts[i], starts[i+1], 1, half))
		if i == n-1 && !s.line.Closed {
			break
		}
		// Where the line breaks, both sides go round the corner as the round brush does.
		next, at := pieces[(i+1)%n], starts[(i+1)%n]
		left = around(left, p.P[3], beside(next, at, starts[(i+1)%n+1], -1, half).P[0])
		right = around(right, p.P[3], beside(next, at, starts[(i+1)%n+1], 1, half).P[0])
	}
	outer, inner := fit.Path{Segments: left, Closed: true}, fit.Path{Segments: right, Closed: true}
	if s.line.Closed {
		left[len(left)-1].P[3], right[len(right)-1].P[3] = left[0].P[0], right[0].P[0]
		return []fit.Path{clockwise(outer, true), clockwise(inner, false)}
	}
	back := inner.Reverse().Segments
	ring := fit.Path{Closed: true, Segments: left}
	ring.Segments = append(ring.Segments, end(left[len(left)-1].P[3], back[0].P[0])...)
	ring.Segments = append(ring.Segments, back...)
	ring.Segments = append(ring.Segments, end(back[len(back)-1].P[3], left[0].P[0])...)
	return []fit.Path{clockwise(ring, true)}
}

// around takes an outline from its end to the point to: on the outer side of a corner on a circle about centre, on the
// inner side, where the two edges cross, by way of centre. Where the two are one already it only makes them exactly so.
func around(outline []fit.Segment, centre, to fit.Point) []fit.Segment {
	last := &outline[len(outline)-1]
	a, b := last.P[3].Sub(centre), to.Sub(centre)
	const same = 1e-3 // px
	if to.Sub(last.P[3]).Len() < same {
		last.P[3] = to
		return outline
	}
	if b.Sub(a).Dot(last.Deriv(1)) < 0 {
		return append(outline, fit.LineTo(last.P[3], centre), fit.LineTo(centre, to))
	}
	turn := math.Atan2(a.Cross(b), a.Dot(b))
	n := math.Ceil(math.Abs(turn) / (math.Pi / 2))
	k := 4.0 / 3 * math.Tan(turn/n/4) // handle of a circular arc, as a share of the radius
	sin, cos := math.Sincos(turn / n)
	for i := range int(n) {
		c := a.Mul(cos).Add(a.Perp().Mul(sin))
		if i == int(n)-1 {
			c = b
		}
		outline = append(outline, fit.CubicTo(centre.Add(a), centre.Add(a.Add(a.Perp().Mul(k))), centre.Add(c.Sub(c.Perp().Mul(k))), centre.Add(c)))
		a = c
	}
	return outline
}

// smoothStep rises from 0 to 1 over 0..1, quickly first, without a break at 1.
func smoothStep(t float64) float64 {
	t = min(max(t, 0), 1)
	return t * (2 - t)
}

// divide cuts a line into pieces short and straight enough for beside.
func divide(line fit.Path) []fit.Segment {
	var out []fit.Segment
	for _, s := range line.Segments {
		l := s.Length()
		if l == 0 {
			continue
		}
		turn := 0.0
		const probes = 8
		for i := range probes {
			a, b := s.Deriv(float64(i)/probes), s.Deriv(float64(i+1)/probes)
			turn += math.Abs(math.Atan2(a.Cross(b), a.Dot(b)))
		}
		n := int(math.Ceil(max(l/mostPiece, turn/mostTurn, 1)))
		for i := range n {
			out = append(out, s.Sub(float64(i)/float64(n), float64(i+1)/float64(n)))
		}
	}
	return out
}

// beside returns the line at the side (1 right, -1 left) of a piece at the distance half gives; from and to are the
// arc lengths of its ends. Ends and directions are exact, handles are scaled with the chord (Tiller & Hanson, "Offsets
// of two-dimensional profiles", 1984).
func beside(p fit.Segment, from, to, side float64, half func(float64, fit.Point) float64) fit.Segment {
	edge := func(t, at float64) (pos, dir fit.Point) {
		d := p.Deriv(t).Unit()
		w := half(at, d)
		// The slope of the width along the line turns the edge's direction.
		const step = 0.5
		slope := (half(min(at+step, to), d) - half(max(at-step, from), d)) / (min(at+step, to) - max(at-step, from))
		n := d.Perp().Mul(side)
		return p.At(t).Add(n.Mul(w)), d.Add(n.Mul(slope)).Unit()
	}
	a, da := edge(0, from)
	b, db := edge(1, to)
	scale := b.Sub(a).Len() / max(p.P[3].Sub(p.P[0]).Len(), 1e-9)
	return fit.CubicTo(a, a.Add(da.Mul(p.P[1].Sub(p.P[0]).Len()*scale)), b.Sub(db.Mul(p.P[3].Sub(p.P[2]).Len()*scale)), b)
}

// end rounds off a stroke from one side to the other by a half circle, in two pieces.
func end(a, b fit.Point) []fit.Segment {
	m := a.Lerp(b, 0.5)
	r := b.Sub(a).Mul(0.5)
	out := fit.Point{X: r.Y, Y: -r.X} // away from the stroke
	const k = 0.5522847498307936      // a quarter circle by one cubic
	top := m.Add(out)
	return []fit.Segment{
		fit.CubicTo(a, a.Add(out.Mul(k)), top.Sub(r.Mul(k)), top),
		fit.CubicTo(top, top.Add(r.Mul(k)), b.Add(out.Mul(k)), b),
	}
}
