package demo

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace"
)

// step adds an area to a layer or takes one away. Its rings wind around it as the non-zero rule has it.
type step struct {
	rings []fit.Path
	away  bool
}

// Lengths of merge, in pixels.
const (
	probe   = 0.01  // how far beside an outline it is asked what lies there
	leap    = 0.25  // widest gap closed in an outline, where a piece too short to probe was judged wrongly
	scrap   = 2.0   // length of an outline that is dropped when it does not close
	weld    = 1e-6  // ends nearer than this are one
	meetTol = 1e-9  // how near two curves must be to meet
	sliver  = 0.3   // px², rings around less are dropped
	flat    = 0.001 // how far the straight pieces for probing may lie from the curve
)

// merge carries out the steps in order and returns what is left as shapes that do not overlap, their outlines cut where
// they cross. It panics where outlines do not close, which the tests rule out for all drawings.
func merge(steps []step) []trace.Shape {
	a := newArrangement(steps)
	var kept []fit.Segment
	for _, p := range a.pieces() {
		m, n := p.At(0.5), p.Deriv(0.5).Unit().Perp().Mul(probe)
		right, left := a.inside(m.Add(n)), a.inside(m.Sub(n))
		switch {
		case right && !left:
			kept = append(kept, p)
		case left && !right:
			kept = append(kept, p.Reverse())
		}
	}
	return group(stitch(kept))
}

// arrangement is all outlines of all steps.
type arrangement struct {
	steps  []step
	boxes  []box         // of each step
	lines  [][]line      // of each step, its outlines in short straight pieces
	curves []fit.Segment // of all
	cuts   [][]cut       // of each curve
	bounds []box         // of each curve
}

// cut is a place where a curve is crossed.
type cut struct {
	t  float64
	at fit.Point
}

// line is one straight piece of an outline.
type line struct{ a, b fit.Point }

// box is an upright rectangle.
type box struct{ x0, y0, x1, y1 float64 }

var noBox = box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}

func (b box) with(p fit.Point) box {
	return box{min(b.x0, p.X), min(b.y0, p.Y), max(b.x1, p.X), max(b.y1, p.Y)}
}

func (b box) meets(c box) bool { return b.x0 <= c.x1 && c.x0 <= b.x1 && b.y0 <= c.y1 && c.y0 <= b.y1 }

// hull is the box around a curve's control points, and so around the curve.
func hull(s *fit.Segment) box {
	b := noBox
	for _, p := range s.P {
		b = b.with(p)
	}
	return b
}

func newArrangement(steps []step) *arrangement {
	a := &arrangement{steps: steps}
	for _, st := range steps {
		b := noBox
		var lines []line
		for _, r := range st.rings {
			for _, s := range r.Segments {
				a.curves = append(a.curves, s)
				a.bounds = append(a.bounds, hull(&s))
			}
			lines = straight(lines, r)
		}
		for _, l := range lines {
			b = b.with(l.a).with(l.b)
		}
		a.boxes, a.lines = append(a.boxes, b), append(a.lines, lines)
	}
	a.cuts = make([][]cut, len(a.curves))
	for i := range a.curves {
		for j := range i {
			if a.bounds[i].meets(a.bounds[j]) {
				a.cross(j, i)
			}
		}
	}
	return a
}

// straight appends an outline to dst in straight pieces, so short that none is further than flat from the curve.
func straight(dst []line, r fit.Path) []line {
	for _, s := range r.Segments {
		n := 1
		if !s.Line {
			// The chord of 1/n of a cubic is off by at most 3/4·d/n² (d the larger second difference).
			d := max(s.P[2].Sub(s.P[1]).Sub(s.P[1].Sub(s.P[0])).Len(), s.P[3].Sub(s.P[2]).Sub(s.P[2].Sub(s.P[1])).Len())
			n = max(int(math.Ceil(math.Sqrt(0.75*d/flat))), 1)
		}
		from := s.P[0]
		for i := range n {
			to := s.P[3]
			if i < n-1 {
				to = s.At(float64(i+1) / float64(n))
			}
			dst = append(dst, line{from, to})
			from = to
		}
	}
	return dst
}

// inside reports whether p is covered after all steps.
func (a *arrangement) inside(p fit.Point) bool {
	in := false
	for i := range a.steps {
		if in == !a.steps[i].away {
			continue
		}
		if b := a.boxes[i]; p.X < b.x0 || p.X > b.x1 || p.Y < b.y0 || p.Y > b.y1 {
			continue
		}
		if winding(a.lines[i], p) != 0 {
			in = !in
		}
	}
	return in
}

// winding is how often the lines run around p, counted where they cross the level of p to its right.
func winding(lines []line, p fit.Point) int {
	n := 0
	for _, l := range lines {
		up, down := l.a.Y <= p.Y && l.b.Y > p.Y, l.b.Y <= p.Y && l.a.Y > p.Y
		if !up && !down {
			continue
		}
		side := l.b.Sub(l.a).Cross(p.Sub(l.a))
		if up && side > 0 {
			n++
		}
		if down && side < 0 {
			n--
		}
	}
	return n
}

// cross finds where curves i and j meet and notes it with both.
func (a *arrangement) cross(i, j int) {
	s, t := &a.curves[i], &a.curves[j]
	var found [][2]float64
	meet(*s, *t, 0, 1, 0, 1, 0, &found)
	for _, f := range found {
		u, v := polish(s, t, f[0], f[1])
		if !(u >= 0 && u <= 1 && v >= 0 && v <= 1) {
			continue
		}
		p, q := s.At(u), t.At(v)
		if p.Sub(q).Len() > weld {
			continue
		}
		if atEnd(s, p) && atEnd(t, q) { // neighbours in one outline
			continue
		}
		m := p.Lerp(q, 0.5)
		a.cuts[i] = append(a.cuts[i], cut{u, m})
		a.cuts[j] = append(a.cuts[j], cut{v, m})
	}
}

// atEnd reports whether p is an end of s.
func atEnd(s *fit.Segment, p fit.Point) bool {
	return p.Sub(s.P[0]).Len() < 10*weld || p.Sub(s.P[3]).Len() < 10*weld
}

// meet collects the places where two curves may meet, by halving the curve with the larger box while the boxes meet.
func meet(s, t fit.Segment, s0, s1, t0, t1 float64, depth int, found *[][2]float64) {
	bs, bt := hull(&s), hull(&t)
	if !bs.meets(bt) {
		return
	}
	const small, deepest = 1e-3, 48
	ls, lt := max(bs.x1-bs.x0, bs.y1-bs.y0), max(bt.x1-bt.x0, bt.y1-bt.y0)
	if ls < small && lt < small || depth == deepest {
		u, v := (s0+s1)/2, (t0+t1)/2
		for _, f := range *found {
			if math.Abs(f[0]-u) < 1e-3 && math.Abs(f[1]-v) < 1e-3 {
				return
			}
		}
		*found = append(*found, [2]float64{u, v})
		return
	}
	if ls >= lt {
		m := (s0 + s1) / 2
		meet(s.Sub(0, 0.5), t, s0, m, t0, t1, depth+1, found)
		meet(s.Sub(0.5, 1), t, m, s1, t0, t1, depth+1, found)
		return
	}
	m := (t0 + t1) / 2
	meet(s, t.Sub(0, 0.5), s0, s1, t0, m, depth+1, found)
	meet(s, t.Sub(0.5, 1), s0, s1, m, t1, depth+1, found)
}

// polish brings a rough meeting of two curves to full accuracy by Newton's method.
func polish(s, t *fit.Segment, u, v float64) (float64, float64) {
	for range 12 {
		d := s.At(u).Sub(t.At(v))
		if d.Len() < meetTol {
			break
		}
		a, b := s.Deriv(u), t.Deriv(v)
		det := a.Cross(b)
		if det == 0 {
			break
		}
		u -= d.Cross(b) / det
		v -= d.Cross(a) / det
		u, v = min(max(u, 0), 1), min(max(v, 0), 1)
	}
	return u, v
}

// pieces returns all curves cut where they are crossed.
func (a *arrangement) pieces() []fit.Segment {
	var out []fit.Segment
	for i, s := range a.curves {
		cuts := a.cuts[i]
		slices.SortFunc(cuts, func(c, d cut) int { return cmp.Compare(c.t, d.t) })
		from, start := 0.0, s.P[0]
		for _, c := range append(cuts, cut{1, s.P[3]}) {
			if c.at.Sub(start).Len() < weld {
				continue
			}
			p := s
			if from > 0 || c.t < 1 {
				p = s.Sub(from, c.t)
			}
			p.P[0], p.P[3] = start, c.at
			if p.Line {
				p = fit.LineTo(start, c.at)
			}
			out = append(out, p)
			from, start = c.t, c.at
		}
	}
	return out
}

// cell is where a point lies on a grid coarse enough that ends which are one share a cell, or lie in neighbours.
func cell(p fit.Point) [2]int {
	const per = 1000 // cells a pixel
	return [2]int{int(math.Round(p.X * per)), int(math.Round(p.Y * per))}
}

// stitch joins segments end to start into closed paths. Where several go on, the sharpest turn to the right is taken,
// so that areas which touch at a point stay apart.
func stitch(segments []fit.Segment) []fit.Path {
	starts := map[[2]int][]int{}
	for i, s := range segments {
		c := cell(s.P[0])
		starts[c] = append(starts[c], i)
	}
	used := make([]bool, len(segments))
	follow := func(s fit.Segment) int {
		best, sharpest := -1, math.Inf(-1)
		dir := s.Deriv(1)
		c := cell(s.P[3])
		for dx := -1; dx <= 1; dx++ {
			for dy := -1; dy <= 1; dy++ {
				for _, i := range starts[[2]int{c[0] + dx, c[1] + dy}] {
					if used[i] {
						continue
					}
					d := segments[i].Deriv(0)
					if turn := math.Atan2(dir.Cross(d), dir.Dot(d)); turn > sharpest {
						best, sharpest = i, turn
					}
				}
			}
		}
		if best >= 0 {
			return best
		}
		nearest := leap
		for i := range segments {
			if d := segments[i].P[0].Sub(s.P[3]).Len(); !used[i] && d < nearest {
				best, nearest = i, d
			}
		}
		return best
	}
	var paths []fit.Path
	for first := range segments {
		if used[first] {
			continue
		}
		p := fit.Path{Closed: true}
		length := 0.0
		for i := first; i >= 0; {
			used[i] = true
			s := segments[i]
			if n := len(p.Segments); n > 0 {
				s.P[0] = p.Segments[n-1].P[3]
			}
			p.Segments = append(p.Segments, s)
			length += s.Length()
			gap := s.P[3].Sub(segments[first].P[0]).Len()
			i = -1
			if gap > weld {
				i = follow(s)
			}
			if i < 0 && gap > leap && length > scrap {
				panic(fmt.Sprintf("demo: an outline does not close at %.3f,%.3f", s.P[3].X, s.P[3].Y))
			}
		}
		p.Segments[len(p.Segments)-1].P[3] = segments[first].P[0]
		if math.Abs(p.Area()) >= sliver {
			paths = append(paths, p)
		}
	}
	return paths
}

// group makes shapes of rings: each hole goes to the smallest outline around it.
func group(paths []fit.Path) []trace.Shape {
	var shapes []trace.Shape
	var holes []fit.Path
	for _, p := range paths {
		if p.Area() > 0 {
			shapes = append(shapes, trace.Shape{Rings: []fit.Path{p}})
		} else {
			holes = append(holes, p)
		}
	}
	outlines := make([][]line, len(shapes))
	for i := range shapes {
		outlines[i] = straight(nil, shapes[i].Rings[0])
	}
	for _, h := range holes {
		best, least := -1, math.Inf(1)
		s := h.Segments[0]
		at := s.At(0.5).Add(s.Deriv(0.5).Unit().Perp().Mul(probe)) // just inside the shape around the hole
		for i := range shapes {
			outer := shapes[i].Rings[0]
			if area := outer.Area(); area < least && winding(outlines[i], at) != 0 {
				best, least = i, area
			}
		}
		if best < 0 {
			panic("demo: a hole lies in nothing")
		}
		shapes[best].Rings = append(shapes[best].Rings, h)
	}
	return shapes
}
