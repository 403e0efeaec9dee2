package check

import (
	"math"
	"sort"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
	"pochoir/trace"
)

// piece is a chord of a ring.
type piece struct {
	a, b       fit.Point
	seg        int
	from, to   float64 // parameters of the ends
	minX, maxX float64
}

// crossPoint is where a ring crosses itself: at parameter t[0] of segment seg[0] and at t[1] of seg[1].
type crossPoint struct {
	seg [2]int
	t   [2]float64
	p   fit.Point
}

// sameParameter is how near two crossings of the same segments lie that are one: far above what Newton's method leaves.
const sameParameter = 1e-6

// piecesOf cuts a ring into chords as flatten does, finer.
func piecesOf(r fit.Path) []piece {
	const mostParts = 64
	tol := flatness(survey.BoxOf(r)) / 8
	var out []piece
	for k, s := range r.Segments {
		n := 1
		if !s.Line {
			bend := math.Max(s.Deriv2(0).Len(), s.Deriv2(1).Len())
			n = min(mostParts, max(4, int(math.Ceil(math.Sqrt(bend/(8*tol))))))
		}
		a := s.P[0]
		for i := 1; i <= n; i++ {
			b := s.P[3]
			if i < n {
				b = s.At(float64(i) / float64(n))
			}
			out = append(out, piece{a, b, k, float64(i-1) / float64(n), float64(i) / float64(n), math.Min(a.X, b.X), math.Max(a.X, b.X)})
			a = b
		}
	}
	return out
}

// crossPoints finds where a ring crosses itself; places where it only touches itself are none.
func crossPoints(r fit.Path) []crossPoint {
	pieces := piecesOf(r)
	order := make([]int, len(pieces))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(i, j int) bool {
		a, b := &pieces[order[i]], &pieces[order[j]]
		return a.minX < b.minX || a.minX == b.minX && order[i] < order[j]
	})
	var out []crossPoint
	for n, i := range order {
		for _, j := range order[n+1:] {
			if pieces[j].minX > pieces[i].maxX {
				break
			}
			if d := max(i, j) - min(i, j); d < 2 || d == len(pieces)-1 { // neighbours share an end
				continue
			}
			a, b := &pieces[min(i, j)], &pieces[max(i, j)]
			if math.Max(a.a.Y, a.b.Y) < math.Min(b.a.Y, b.b.Y) || math.Max(b.a.Y, b.b.Y) < math.Min(a.a.Y, a.b.Y) {
				continue
			}
			va, vb, w := a.b.Sub(a.a), b.b.Sub(b.a), b.a.Sub(a.a)
			det := va.Cross(vb)
			if det == 0 {
				continue
			}
			x, y := w.Cross(vb)/det, w.Cross(va)/det
			if !(x >= 0 && x < 1 && y >= 0 && y < 1) {
				continue
			}
			c := crossPoint{seg: [2]int{a.seg, b.seg}, t: [2]float64{a.from + x*(a.to-a.from), b.from + y*(b.to-b.from)}}
			c.refine(r, a.to-a.from, b.to-b.from)
			known := false // at the end of a chord it is found twice
			for _, o := range out {
				known = known || o.seg == c.seg && math.Abs(o.t[0]-c.t[0]) < sameParameter && math.Abs(o.t[1]-c.t[1]) < sameParameter
			}
			if !known {
				out = append(out, c)
			}
		}
	}
	return out
}

// refine goes from the crossing of the chords to that of the curves, by Newton's method, if that is near.
func (c *crossPoint) refine(r fit.Path, stepA, stepB float64) {
	a, b := r.Segments[c.seg[0]], r.Segments[c.seg[1]]
	t, u := c.t[0], c.t[1]
	for range 8 {
		da, db, w := a.Deriv(t), b.Deriv(u), b.At(u).Sub(a.At(t))
		det := da.Cross(db)
		if det == 0 {
			break
		}
		t, u = t+w.Cross(db)/det, u+w.Cross(da)/det
		if math.Abs(t-c.t[0]) > stepA || math.Abs(u-c.t[1]) > stepB {
			t, u = c.t[0], c.t[1]
			break
		}
	}
	c.t = [2]float64{math.Max(0, math.Min(1, t)), math.Max(0, math.Min(1, u))}
	c.p = a.At(c.t[0]).Lerp(b.At(c.t[1]), 0.5)
}

// uncross parts a ring at its crossings into rings that at most touch there: at each crossing the strand that comes in
// goes on where the other one went out (H. Seifert, "Über das Geschlecht von Knoten", 1935). Every place keeps its
// winding number, so both fill rules paint what they painted. It returns nil where there is nothing to part, or where
// crossings lie too close together to be told apart.
func uncross(r fit.Path) []fit.Path {
	r = closed(r)
	crossings := crossPoints(r)
	const mostCrossings = 1000
	if len(crossings) == 0 || len(crossings) > mostCrossings {
		return nil
	}
	type cut struct {
		t        float64
		crossing int
	}
	cuts := make([][]cut, len(r.Segments))
	for i, c := range crossings {
		for k := range 2 {
			cuts[c.seg[k]] = append(cuts[c.seg[k]], cut{c.t[k], i})
		}
	}
	var parts []fit.Segment
	ends := make([][]int, len(crossings)) // the parts that end at each crossing
	least := 1e-7 * math.Hypot(survey.BoxOf(r).Width(), survey.BoxOf(r).Height())
	start := r.Segments[0].P[0] // of the next part; a crossing moves ends by less than the chords were off
	for k, s := range r.Segments {
		sort.Slice(cuts[k], func(i, j int) bool { return cuts[k][i].t < cuts[k][j].t })
		from := 0.0
		for _, c := range append(cuts[k], cut{1, -1}) {
			q := s
			if from > 0 || c.t < 1 {
				q = s.Sub(from, c.t)
			}
			q.P[0] = start
			if c.crossing >= 0 {
				q.P[3] = crossings[c.crossing].p
			} else {
				q.P[3] = s.P[3]
			}
			if q.Line {
				q = fit.LineTo(q.P[0], q.P[3])
			}
			switch {
			case q.P[3].Sub(q.P[0]).Len() >= least || q.Length() >= least:
				parts = append(parts, q)
			case len(parts) > 0: // at a corner: the part before ends in the crossing
				parts[len(parts)-1].P[3] = q.P[3]
			}
			if c.crossing >= 0 {
				ends[c.crossing] = append(ends[c.crossing], len(parts)-1)
			}
			start, from = q.P[3], c.t
		}
	}
	if len(parts) == 0 {
		return nil
	}
	parts[len(parts)-1].P[3] = parts[0].P[0]
	taken := make([]bool, len(parts))
	for _, e := range ends {
		for k := range e {
			if e[k] < 0 { // in the corner where the ring begins
				e[k] = len(parts) - 1
			}
			if taken[e[k]] { // two crossings in one place
				return nil
			}
			taken[e[k]] = true
		}
	}
	next := make([]int, len(parts))
	for i := range next {
		next[i] = (i + 1) % len(parts)
	}
	for _, e := range ends {
		next[e[0]], next[e[1]] = next[e[1]], next[e[0]]
	}
	var out []fit.Path
	seen := make([]bool, len(parts))
	for i := range parts {
		ring := fit.Path{Closed: true}
		for k := i; !seen[k]; k = next[k] {
			seen[k] = true
			ring.Segments = append(ring.Segments, parts[k])
		}
		if len(ring.Segments) > 0 {
			out = append(out, ring)
		}
	}
	return out
}

// uncross parts the rings of a shape at their crossings. What was around twice becomes a hole, as the even-odd rule
// paints it; loops no wider than a hair go.
func (m *mender) uncross(s trace.Shape) ([]trace.Shape, int) {
	scale := math.Sqrt(coverPixels / (m.d.Width * m.d.Height))
	mark := survey.Mark{EvenOdd: true, Fill: survey.Flat, FillAlpha: 1, Opacity: 1}
	count := 0
	for _, r := range s.Rings {
		rings := []fit.Path{r}
		if crossesItself(r, scale) != nil {
			if loops := uncross(r); loops != nil && m.simple(loops, scale) {
				rings = rings[:0]
				count++
				for _, l := range loops {
					length := 0.0
					for _, g := range l.Segments {
						length += g.Length()
					}
					if 2*math.Abs(l.Area()) >= thinShare*m.diag*length {
						rings = append(rings, l)
					}
				}
			}
		}
		for _, l := range rings {
			mark.Subpaths = append(mark.Subpaths, survey.Subpath{Path: l, Start: l.Segments[0].P[0]})
		}
	}
	if count == 0 {
		return []trace.Shape{s}, 0
	}
	return m.reshape(&mark, s.ID), count
}

// simple reports whether no ring crosses itself.
func (m *mender) simple(rings []fit.Path, scale float64) bool {
	for _, r := range rings {
		if crossesItself(r, scale) != nil {
			return false
		}
	}
	return true
}
