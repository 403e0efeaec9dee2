package trace

import (
	"math"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file joins the two arcs of an outline that turns a corner just beyond a junction. What lies between the two is
// too short to be known by samples of its own, so joinThrough does not see that the line before the junction goes on.

const (
	// cornerNear and cornerFar bound how far beyond the junction the corner lies, px: nearer, it is the junction; what
	// is farther has samples enough.
	cornerNear, cornerFar = 0.5, 7.0
	// cornerTurn is the cosine of the turn, 25 degrees, from which on a bend is a corner.
	cornerTurn = 0.906
	// cornerFold is the cosine of the turn beyond which the arc would fold back.
	cornerFold = -0.87
	// cornerOff is how far a sample between the junction and the corner may lie off both sides, px, cornerBlunt the same
	// within blunted px of the corner, which the pixels round off.
	cornerOff, cornerBlunt, blunted = 0.12, 0.4, 1.2
	// cornerArm is how far from one curve the samples of a side may lie in the mean, px.
	cornerArm = 0.03
	// cornerLack is how much of a corner its pixels may lack, px²: true ones show all but 0.25 at most, round ends half a
	// pixel less.
	cornerLack = 0.3
)

// cornerGaps are the distances from the junction, in cracks, beyond which the side behind a corner is looked for.
var cornerGaps = [...]float64{1.5, 2.5, 3.5, 5, 7, 9}

// arcCorner is a corner of an arc whose place is known from what lies on both sides of a junction.
type arcCorner struct {
	at   fit.Point
	out  fit.Point // unit direction in which it points
	turn float64   // its cosine
	far  float64   // cracks from the junction: samples that are further lie behind it
}

// joinToCorner links two arcs of node n whose line turns a corner just beyond it, and returns where the third one meets
// that line, and the corner.
func (j *junctions) joinToCorner(e *edges, n int) (at fit.Point, found junctionCorner, ok bool) {
	m := e.m
	node := &m.Nodes[n]
	var free []planar.Half
	for _, h := range node.Out {
		if h < 0 {
			continue
		}
		a := &m.Arcs[h.Arc()]
		if a.Left == planar.Outside || a.Right == planar.Outside || a.From == a.To || j.through[h.Twin()] >= 0 || e.coded(h) {
			return at, found, false
		}
		free = append(free, h)
	}
	if len(free) != 3 {
		return at, found, false
	}
	v := fit.Point{X: float64(node.X), Y: float64(node.Y)}
	best := math.Inf(1)
	var before, beyond planar.Half
	var corner arcCorner
	for i := range free {
		for k := range free {
			if i == k {
				continue
			}
			if p, c, miss, ok := e.cornerBeyond(v, free[i], free[k], free[3-i-k]); ok && miss < best {
				best, at, corner, before, beyond = miss, p, c, free[i], free[k]
			}
		}
	}
	if math.IsInf(best, 1) {
		return at, found, false
	}
	j.through[before.Twin()], j.through[beyond.Twin()] = beyond, before
	return at, junctionCorner{corner, beyond, true}, true
}

// cornerBeyond tests whether the line of one half arc of the junction near v goes on into the half arc beyond it, as far
// as a corner. It returns where the third one meets the line, the corner, and how well the samples bear it out, px.
func (e *edges) cornerBeyond(v fit.Point, before, beyond, third planar.Half) (at fit.Point, c arcCorner, miss float64, ok bool) {
	straight := cornerArm + float64(2*e.noise)
	line, ok1 := e.endOf(before, 1.5)
	stem, ok2 := e.endOf(third, 1.5)
	if !ok1 || !ok2 || line.local.Count < minLocal || stem.local.Count < minLocal || line.local.RMS > straight || stem.local.RMS > 2*straight {
		return at, c, 0, false
	}
	at, ok = crossing(line.local, stem.local, v)
	if !ok || at.Sub(v).Len() > maxJunctionShift+0.5 {
		return at, c, 0, false
	}
	// Without a corner the samples beyond the junction lie on one curve, from the beginning.
	if l, ok := e.endOf(beyond, endGap); !ok || l.local.RMS <= straight && math.Abs(l.local.Off(at)) < cornerBlunt {
		return at, c, 0, false
	}
	for _, gap := range cornerGaps {
		side, ok := e.endOf(beyond, gap)
		if !ok || side.local.Count < minLocal+1 {
			return at, c, 0, false
		}
		if side.local.RMS > straight {
			continue
		}
		c.at, ok = crossing(line.local, side.local, v)
		if !ok {
			return at, c, 0, false
		}
		_, in := line.local.At(c.at)
		_, out := side.local.At(c.at)
		in = in.Mul(-1) // a local runs away from its junction
		c.turn, c.out = in.Dot(out), in.Sub(out).Unit()
		if far := c.at.Sub(at).Dot(in); far < cornerNear || far > cornerFar || c.turn > cornerTurn || c.turn < cornerFold {
			return at, c, 0, false
		}
		if e.lacks(beyond, third, c.at, in, out) > cornerLack {
			return at, c, 0, false
		}
		miss, ok = e.missOfCorner(beyond, at, &c, gap, line.local, side.local)
		return at, c, miss + side.local.RMS + line.local.RMS, ok
	}
	return at, c, 0, false
}

// lacks returns how much of a corner, px², the pixels about it do not show. It lies where the half arc beyond, coming in one
// direction from its junction with the third, turns to another.
func (e *edges) lacks(beyond, third planar.Half, corner, in, out fit.Point) float64 {
	f, m := e.flats, e.m
	if !e.seen || !e.digital {
		return 0
	}
	// The arcs before and beyond the junction part one face, across, from the two that the third parts.
	left := m.Faces[m.LeftOf(beyond)].Label
	across, own, other := left, m.Faces[m.RightOf(beyond)].Label, m.Faces[m.LeftOf(third)].Label
	onLeft := true
	if m.LeftOf(beyond) == m.LeftOf(third) || m.LeftOf(beyond) == m.RightOf(third) {
		across, own, onLeft = own, left, false
	}
	if other == own {
		other = m.Faces[m.RightOf(third)].Label
	}
	bend := in.Cross(out) // positive to the right
	x0, y0 := int(math.Floor(corner.X))-1, int(math.Floor(corner.Y))-1
	if x0 < 0 || y0 < 0 || x0+3 > f.W || y0+3 > f.H {
		return 0
	}
	const fine = 8
	var lack float64
	for y := y0; y < y0+3; y++ {
		for x := x0; x < x0+3; x++ {
			n := 0 // places across
			for k := range fine * fine {
				p := fit.Point{X: float64(x) + (float64(k%fine)+0.5)/fine, Y: float64(y) + (float64(k/fine)+0.5)/fine}.Sub(corner)
				right := in.Cross(p) > 0 && out.Cross(p) > 0
				if bend < 0 {
					right = in.Cross(p) > 0 || out.Cross(p) > 0
				}
				if right != onLeft {
					n++
				}
			}
			i := y*f.W + x
			var shown float64
			if f.IsCore(i) {
				if f.Labels[i] == across {
					shown = 1
				}
			} else if share, _, _, ok := sharesAt(f, i, across, own, other); ok {
				shown = share
			} else {
				continue
			}
			lack += math.Abs(shown - float64(n)/(fine*fine))
		}
	}
	return lack
}

// missOfCorner returns how far the samples of a half arc between its junction and a corner lie off the two sides in the
// mean, and completes the corner; ok is false where one lies too far off.
func (e *edges) missOfCorner(beyond planar.Half, at fit.Point, c *arcCorner, gap float64, line, side fit.Local) (miss float64, ok bool) {
	n := 0
	limit := cornerOff + float64(3*e.noise)
	c.far = gap
	behind := false
	eachNear(e.m, e.samples, beyond, gap, func(far float64, s *edgeSample) {
		on, off := math.Abs(line.Off(s.Point)), math.Abs(side.Off(s.Point))
		if !behind && off < on {
			behind = true
			c.far = far - 0.25
		}
		if s.Sub(at).Len() < 1 || s.Sub(at).Dot(c.at.Sub(at)) < 0 || s.Weight <= doubtfulWeight {
			return // the third colour taints it
		}
		d := min(on, off)
		if most := limit; d > cornerBlunt || d > most && s.Sub(c.at).Len() >= blunted {
			n = math.MinInt32
		}
		miss += d
		n++
	})
	return miss / max(1, float64(n)), n >= 0
}

// sharp returns the corner close behind the node that half arc h leaves, if there is one that turns by more than turn
// degrees.
func (j *junctions) sharp(h planar.Half, turn float64) (c arcCorner, ok bool) {
	c, ok = j.corners[h]
	return c, ok && c.turn < math.Cos(turn*math.Pi/180)
}

// crossing returns where two local curves meet, looked for from v.
func crossing(a, b fit.Local, v fit.Point) (fit.Point, bool) {
	x := v
	for range 5 {
		p, d := a.At(x)
		q, f := b.At(x)
		den := d.Cross(f)
		if math.Abs(den) < 0.1 { // nearly parallel
			return x, false
		}
		x = p.Add(d.Mul(q.Sub(p).Cross(f) / den))
		if !(x.Sub(v).Len() <= cornerFar+maxJunctionShift) {
			return x, false
		}
	}
	return x, true
}
