package fit

import (
	"cmp"
	"math"
	"slices"
)

// chord is a straight part that stands for a part of a ring.
type chord struct {
	a, b       Point
	seg        int
	from, to   float64 // parameters of the ends
	minX, maxX float64
}

// Crossing is where a ring crosses itself: at parameter T[0] of segment Segment[0] and at T[1] of Segment[1].
type Crossing struct {
	Segment [2]int
	T       [2]float64
	At      Point
}

// sameParameter is how near two crossings of the same segments lie that are one: far above what Newton's method leaves.
const sameParameter = 1e-6

// chordsOf cuts a ring into chords that lie within an eight thousandth of its size.
func chordsOf(r Path) []chord {
	const mostParts = 64
	low, high := r.Bounds()
	tol := max(high.Sub(low).Len()/8000, 1e-9)
	parts := make([]int, len(r.Segments))
	total := 0
	for k, s := range r.Segments {
		n := 1
		if !s.Line {
			bend := max(s.Deriv2(0).Len(), s.Deriv2(1).Len())
			n = min(mostParts, max(4, int(math.Ceil(math.Sqrt(bend/(8*tol))))))
		}
		parts[k] = n
		total += n
	}
	out := make([]chord, 0, total)
	for k, s := range r.Segments {
		n := parts[k]
		a := s.P[0]
		for i := 1; i <= n; i++ {
			b := s.P[3]
			if i < n {
				b = s.At(float64(i) / float64(n))
			}
			out = append(out, chord{a, b, k, float64(i-1) / float64(n), float64(i) / float64(n), min(a.X, b.X), max(a.X, b.X)})
			a = b
		}
	}
	return out
}

// Crossings finds where a closed path crosses itself; places where it only touches itself are none.
func Crossings(r Path) []Crossing {
	chords := chordsOf(r)
	order := make([]int, len(chords))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int {
		return cmp.Or(cmp.Compare(chords[i].minX, chords[j].minX), cmp.Compare(i, j))
	})
	var out []Crossing
	for n, i := range order {
		for _, j := range order[n+1:] {
			if chords[j].minX > chords[i].maxX {
				break
			}
			if d := max(i, j) - min(i, j); d < 2 || d == len(chords)-1 { // neighbours share an end
				continue
			}
			a, b := &chords[min(i, j)], &chords[max(i, j)]
			if max(a.a.Y, a.b.Y) < min(b.a.Y, b.b.Y) || max(b.a.Y, b.b.Y) < min(a.a.Y, a.b.Y) {
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
			c := Crossing{Segment: [2]int{a.seg, b.seg}, T: [2]float64{a.from + x*(a.to-a.from), b.from + y*(b.to-b.from)}}
			c.refine(r, a.to-a.from, b.to-b.from)
			known := false // at the end of a chord it is found twice
			for _, o := range out {
				known = known || o.Segment == c.Segment && math.Abs(o.T[0]-c.T[0]) < sameParameter && math.Abs(o.T[1]-c.T[1]) < sameParameter
			}
			if !known {
				out = append(out, c)
			}
		}
	}
	return out
}

// refine goes from the crossing of the chords to that of the curves, by Newton's method, if that is near.
func (c *Crossing) refine(r Path, stepA, stepB float64) {
	a, b := r.Segments[c.Segment[0]], r.Segments[c.Segment[1]]
	t, u := c.T[0], c.T[1]
	for range 8 {
		da, db, w := a.Deriv(t), b.Deriv(u), b.At(u).Sub(a.At(t))
		det := da.Cross(db)
		if det == 0 {
			break
		}
		t, u = t+w.Cross(db)/det, u+w.Cross(da)/det
		if math.Abs(t-c.T[0]) > stepA || math.Abs(u-c.T[1]) > stepB {
			t, u = c.T[0], c.T[1]
			break
		}
	}
	c.T = [2]float64{max(0, min(1, t)), max(0, min(1, u))}
	c.At = a.At(c.T[0]).Lerp(b.At(c.T[1]), 0.5)
}

// Uncross parts a closed path at its crossings into rings that at most touch there: at each crossing the strand that comes in
// goes on where the other one went out (H. Seifert, "Über das Geschlecht von Knoten", 1935). Every place keeps its
// winding number, so both fill rules paint what they painted. It returns nil where there is nothing to part, or where
// crossings lie too close together to be told apart.
func Uncross(r Path) []Path {
	crossings := Crossings(r)
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
			cuts[c.Segment[k]] = append(cuts[c.Segment[k]], cut{c.T[k], i})
		}
	}
	var parts []Segment
	ends := make([][]int, len(crossings)) // the parts that end at each crossing
	low, high := r.Bounds()
	least := 1e-7 * high.Sub(low).Len()
	start := r.Segments[0].P[0] // of the next part; a crossing moves ends by less than the chords were off
	for k, s := range r.Segments {
		slices.SortStableFunc(cuts[k], func(a, b cut) int { return cmp.Compare(a.t, b.t) })
		from := 0.0
		for _, c := range append(cuts[k], cut{1, -1}) {
			q := s
			if from > 0 || c.t < 1 {
				q = s.Sub(from, c.t)
			}
			q.P[0] = start
			if c.crossing >= 0 {
				q.P[3] = crossings[c.crossing].At
			} else {
				q.P[3] = s.P[3]
			}
			if q.Line {
				q = LineTo(q.P[0], q.P[3])
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
	var out []Path
	seen := make([]bool, len(parts))
	for i := range parts {
		ring := Path{Closed: true}
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
