package svgout

import (
	"math"

	"pochoir/fit"
	"pochoir/trace"
)

// This file puts outlines on the grid of the last decimal, where all further arithmetic is in integers.

// spot is a grid point: a position in units of the last decimal.
type spot struct{ x, y int64 }

func (p spot) sub(q spot) spot    { return spot{p.x - q.x, p.y - q.y} }
func (p spot) cross(q spot) int64 { return p.x*q.y - p.y*q.x }
func (p spot) dot(q spot) int64   { return p.x*q.x + p.y*q.y }

// edge is a segment on the grid, from p[0] to p[3]; a line has its handles on its ends.
type edge struct {
	p    [4]spot
	line bool
}

// pow10 holds the units of a whole for each number of decimals. The largest coordinate, mostExtent with finestDecimal
// digits, is 1e9 units: squared distances between any two points stay below 2^63.
var pow10 = [finestDecimal + 1]int64{1, 10, 100, 1000, 10000}

// grid rounds the outlines of one drawing.
type grid struct {
	scale float64 // units a pixel
	// handles holds every handle rounded so far, by its knot and itself, unrounded. A curve that two outlines
	// share is thus rounded alike in both, whatever meets it at its ends.
	handles map[[2]fit.Point]spot

	from, to []choice // of the join at hand, kept for their room
}

func newGrid(decimals int) *grid {
	return &grid{scale: float64(pow10[decimals]), handles: make(map[[2]fit.Point]spot)}
}

// near returns the grid point nearest to p.
func (g *grid) near(p fit.Point) spot {
	return spot{int64(math.Round(p.X * g.scale)), int64(math.Round(p.Y * g.scale))}
}

// onGrid is the distance, in grid units, below which a point counts as lying on the grid: far above the error of
// reading a decimal number of at most 1e9 units (1e-7), far below half a unit.
const onGrid = 1e-3

// isOn reports whether p lies on the grid already.
func (g *grid) isOn(p fit.Point) bool {
	s := g.near(p)
	return math.Abs(p.X*g.scale-float64(s.x)) < onGrid && math.Abs(p.Y*g.scale-float64(s.y)) < onGrid
}

// joinSlack is what may lie, in px, between the end of a segment and the start of the next by rounding in the arithmetic
// that made them: a thousand times the spacing of float64 at mostExtent. Both are then written as one point, the
// latter.
const joinSlack = 1e-8

// checkRing says what is wrong with a ring, or nothing.
func checkRing(p fit.Path) string {
	if !p.Closed {
		return "the outline is open"
	}
	for i, s := range p.Segments {
		for _, q := range s.P {
			if !(math.Abs(q.X) <= mostExtent && math.Abs(q.Y) <= mostExtent) {
				return "a coordinate is not a number between -100000 and 100000"
			}
		}
		if next := p.Segments[(i+1)%len(p.Segments)]; !(s.P[3].Sub(next.P[0]).Len() <= joinSlack) {
			return "a segment does not start where the one before ends"
		}
	}
	return ""
}

// shape returns the rings of s on the grid, the outer one first; none when the outer ring is too small to keep.
func (g *grid) shape(s trace.Shape) [][]edge {
	var rings [][]edge
	for i, p := range s.Rings {
		r := g.ring(p)
		if math.Abs(ringArea(r)) < leastArea*g.scale*g.scale {
			if i == 0 {
				return nil
			}
			continue
		}
		rings = append(rings, r)
	}
	return rings
}

// ring returns p on the grid, without segments of no length.
func (g *grid) ring(p fit.Path) []edge {
	kept := make([]fit.Segment, 0, len(p.Segments))
	for _, s := range p.Segments {
		a := g.near(s.P[0])
		if a == g.near(s.P[3]) && (s.Line || a == g.near(s.P[1]) && a == g.near(s.P[2])) {
			continue
		}
		kept = append(kept, s)
	}
	for i := range kept {
		g.join(kept[(i+len(kept)-1)%len(kept)], kept[i])
	}
	r := make([]edge, 0, len(kept))
	for i, s := range kept {
		e := edge{line: s.Line}
		e.p[0], e.p[3] = g.near(s.P[0]), g.near(kept[(i+1)%len(kept)].P[0])
		if s.Line && e.p[0] == e.p[3] {
			continue
		}
		if s.Line {
			e.p[1], e.p[2] = e.p[0], e.p[3]
		} else {
			e.p[1], e.p[2] = g.handle(s.P[0], s.P[1]), g.handle(s.P[3], s.P[2])
			e.straighten()
		}
		r = append(r, e)
	}
	return r
}

// straighten makes a line of a curve whose handles lie on its chord, in order: the two are the same set of points.
func (e *edge) straighten() {
	c := e.p[3].sub(e.p[0])
	u, v := e.p[1].sub(e.p[0]), e.p[2].sub(e.p[0])
	if c.cross(u) != 0 || c.cross(v) != 0 {
		return
	}
	if s, t, l := c.dot(u), c.dot(v), c.dot(c); l > 0 && s >= 0 && s <= t && t <= l {
		e.line = true
		e.p[1], e.p[2] = e.p[0], e.p[3]
	}
}

// handle returns the grid point for the handle h of the knot k, and keeps to it from then on.
func (g *grid) handle(k, h fit.Point) spot {
	key := [2]fit.Point{k, h}
	s, ok := g.handles[key]
	if !ok {
		s = g.near(h)
		g.handles[key] = s
	}
	return s
}

const (
	// smoothSine is the sine of the largest turn, about 1°, at a join that is meant to be smooth.
	smoothSine = 0.0175
	// moveCost is what it costs to take a handle one unit (squared) off, against the squared sine of the turn:
	// a unit must mend 0.05°, which no eye sees. Choice of ours.
	moveCost = 0.00087 * 0.00087
	// farthest is how far, in units, a handle may be rounded from where it was; plain rounding reaches 0.71.
	farthest = 1.5
)

// join rounds the handles where a runs into b, if the join is smooth, so that it stays so.
func (g *grid) join(a, b fit.Segment) {
	knot := b.P[0]             // a.P[3] is the same grid point; the two differ where a segment of no length was dropped
	from, to := a.P[2], b.P[1] // the handles; of a line, its far end
	if a.Line {
		from = a.P[0]
	}
	if b.Line {
		to = b.P[3]
	}
	if a.Line && b.Line || g.isOn(knot) && g.isOn(from) && g.isOn(to) {
		return
	}
	u, v := knot.Sub(from), to.Sub(knot)
	if !(u.Dot(v) > 0) || math.Abs(u.Cross(v)) > smoothSine*float64(u.Len()*v.Len()) {
		return
	}
	k := g.near(knot)
	g.from = g.choices(g.from[:0], a.P[3], from, a.Line)
	g.to = g.choices(g.to[:0], knot, to, b.Line)
	best := math.Inf(1)
	var bestFrom, bestTo spot
	for _, f := range g.from {
		p := k.sub(f.at)
		for _, t := range g.to {
			q := t.at.sub(k)
			dot := p.dot(q)
			if dot <= 0 {
				continue
			}
			sine := float64(p.cross(q)) / (math.Sqrt(float64(p.dot(p))) * math.Sqrt(float64(q.dot(q))))
			cost := float64(sine*sine) + float64(moveCost*(f.off+t.off))
			if cost < best {
				best, bestFrom, bestTo = cost, f.at, t.at
			}
		}
	}
	if math.IsInf(best, 1) {
		return
	}
	if !a.Line {
		g.handles[[2]fit.Point{a.P[3], from}] = bestFrom
	}
	if !b.Line {
		g.handles[[2]fit.Point{knot, to}] = bestTo
	}
}

// choice is a grid point a handle may be rounded to, and the square of its distance in units.
type choice struct {
	at  spot
	off float64
}

// choices appends to dst where the handle h of the knot k may go: one place if it is the end of a line (fixed) or was
// rounded before, else all grid points within farthest, and within mostExtent of the origin.
func (g *grid) choices(dst []choice, k, h fit.Point, fixed bool) []choice {
	c := g.near(h)
	if fixed {
		return append(dst, choice{at: c})
	}
	if s, ok := g.handles[[2]fit.Point{k, h}]; ok {
		return append(dst, choice{at: s})
	}
	for dy := int64(-2); dy <= 2; dy++ {
		for dx := int64(-2); dx <= 2; dx++ {
			s := spot{c.x + dx, c.y + dy}
			if max(s.x, -s.x, s.y, -s.y) > int64(mostExtent*g.scale) {
				continue
			}
			ex, ey := float64(s.x)-float64(h.X*g.scale), float64(s.y)-float64(h.Y*g.scale)
			if off := float64(ex*ex) + float64(ey*ey); off <= farthest*farthest {
				dst = append(dst, choice{s, off})
			}
		}
	}
	return dst
}

// ringArea returns the signed area within r in square units (Green's theorem on the Bernstein form, as
// fit.Path.Area). It is taken about the first point, which keeps the terms small.
func ringArea(r []edge) float64 {
	if len(r) == 0 {
		return 0
	}
	var sum float64
	o := r[0].p[0]
	for _, e := range r {
		p0, p1, p2, p3 := e.p[0].sub(o), e.p[1].sub(o), e.p[2].sub(o), e.p[3].sub(o)
		if e.line {
			sum += 10 * float64(p0.cross(p3))
			continue
		}
		sum += 6*float64(p0.cross(p1)) + 3*float64(p0.cross(p2)) + float64(p0.cross(p3)) +
			3*float64(p1.cross(p2)) + 3*float64(p1.cross(p3)) + 6*float64(p2.cross(p3))
	}
	return sum / 20
}
