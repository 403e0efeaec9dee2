package trace

import (
	"cmp"
	"math"
	"slices"

	"pochoir/fit"
)

// This file sees to it that no outline crosses itself: where both sides of a narrow tip, or a tip and what it touches, are
// closer together than their curves are true, the curves may cross.

const (
	// leastRing is the area below which a ring paints nothing one could see, px².
	leastRing = 0.02
	// leastBlob is the area, px², below which paint goes that a crossing cuts off; leastBay and slimBay are the area and
	// the width, px, below which a bay is closed.
	leastBlob         = 0.5
	leastBay, slimBay = 1.0, 0.3
	// leastSeen is the area, px², of a loop below which nobody sees that there is one.
	leastSeen = 0.1
	// blobTolerances is the diameter, in tolerances of the fit, below which a blob may be the fit's own.
	blobTolerances = 3.0
)

// uncrossed parts a ring where it crosses itself, so that what was painted by the even-odd rule stays painted, and leaves out
// the loops that are too small to be meant. A neck whose sides cross thus parts a blob from its shape, or a bay from the
// ground. hole tells what the ring is; outer rings come out clockwise, holes the other way. A ring that goes on under higher
// colours opens no bays that those cover, as covered tells, if there is one: they belong to its hidden edges. tolerance is that
// of the fit, px.
func uncrossed(path fit.Path, hole bool, covered func(bay fit.Path) bool, tolerance float64) []fit.Path {
	blob := max(leastBlob, math.Pi/4*blobTolerances*blobTolerances*tolerance*tolerance)
	loops := fit.Uncross(path)
	seen := 0
	for _, l := range loops {
		if math.Abs(l.Area()) > leastSeen {
			seen++
		}
	}
	if seen < 2 { // nothing crosses, save perhaps within a tip
		return []fit.Path{path}
	}
	rows := make([]ringRows, len(loops))
	area := make([]float64, len(loops))
	for i, l := range loops {
		rows[i], area[i] = rowsOf(l), math.Abs(l.Area())
	}
	apart := func(i, k int) bool {
		a, b := &rows[i], &rows[k]
		return a.low.X > b.high.X || b.low.X > a.high.X || a.low.Y > b.high.Y || b.low.Y > a.high.Y
	}
	var out []fit.Path
	for i, l := range loops {
		within := hole
		for k := range rows {
			if k != i && area[k] > area[i] && !apart(i, k) && mostlyWithin(l, &rows[k]) {
				within = !within
			}
		}
		// In doubt paint stays: what lies beneath is opened for it.
		if area[i] < blob || within && (covered != nil && !hole && covered(l) || area[i] < leastBay || 2*area[i] < float64(slimBay*l.Length())) {
			continue
		}
		l.Segments = withoutSlivers(l.Segments)
		if (l.Area() < 0) != within {
			l = l.Reverse()
		}
		out = append(out, l)
	}
	return out
}

// mostlyWithin reports whether the middles of most segments of a ring lie within another one.
func mostlyWithin(l fit.Path, o *ringRows) bool {
	in := 0
	for _, s := range l.Segments {
		if o.hold(s.At(0.5)) {
			in++
		}
	}
	return 2*in > len(l.Segments)
}

// leastPart is the length of a segment, px, below which it is left out where a crossing has cut it.
const leastPart = 0.3

// withoutSlivers leaves out the shortest segments of a ring, never two in a row, and lets the next ones begin where they
// began.
func withoutSlivers(segs []fit.Segment) []fit.Segment {
	out := segs[:0:0]
	left := false // out the one before
	for i, s := range segs {
		if !left && s.Length() < leastPart && len(segs)-i+len(out) > 3 {
			left = true
			continue
		}
		left = false
		if n := len(out); n > 0 && out[n-1].P[3] != s.P[0] {
			s = from(s, out[n-1].P[3])
		}
		out = append(out, s)
	}
	if n := len(out); n > 0 && out[n-1].P[3] != out[0].P[0] {
		out[0] = from(out[0], out[n-1].P[3])
	}
	return out
}

// from returns a segment that begins elsewhere.
func from(s fit.Segment, at fit.Point) fit.Segment {
	if s.Line {
		return fit.LineTo(at, s.P[3])
	}
	s.P[0], s.P[1] = at, s.P[1].Add(at.Sub(s.P[0]))
	return s
}

// shapesWithin makes a shape of each outer ring with the holes that lie in it. The outer ring comes first: it alone runs
// clockwise.
func shapesWithin(outer, holes []fit.Path) []Shape {
	if len(outer) == 0 {
		return nil
	}
	slices.SortStableFunc(outer, func(a, b fit.Path) int { return cmp.Compare(b.Area(), a.Area()) })
	slices.SortStableFunc(holes, func(a, b fit.Path) int { return cmp.Compare(b.Area(), a.Area()) })
	shapes := make([]Shape, len(outer))
	rows := make([]ringRows, len(outer))
	for i, r := range outer {
		shapes[i].Rings = []fit.Path{r}
		if i > 0 && len(holes) > 0 {
			rows[i] = rowsOf(r)
		}
	}
	for _, h := range holes {
		in := 0
		for i := len(outer) - 1; i > 0; i-- { // the smallest first
			if rows[i].hold(h.Segments[0].At(0.5)) {
				in = i
				break
			}
		}
		shapes[in].Rings = append(shapes[in].Rings, h)
	}
	return shapes
}

// ringRows is a ring by rows of pixels: it tells at once whether a place lies within, whatever the length of the ring.
type ringRows struct {
	low, high fit.Point
	rows      [][][2]fit.Point // the lines that reach into each row
}

// rowsOf returns the rows of a ring.
func rowsOf(ring fit.Path) (r ringRows) {
	const flat = 0.05 // px
	pts := ring.Flatten(nil, flat)
	if len(pts) == 0 {
		return r
	}
	r.low, r.high = pts[0], pts[0]
	for _, p := range pts {
		r.low = fit.Point{X: min(r.low.X, p.X), Y: min(r.low.Y, p.Y)}
		r.high = fit.Point{X: max(r.high.X, p.X), Y: max(r.high.Y, p.Y)}
	}
	r.rows = make([][][2]fit.Point, r.row(r.high.Y)+1)
	for i, b := range pts {
		a := pts[(i+len(pts)-1)%len(pts)]
		for y := r.row(min(a.Y, b.Y)); y <= r.row(max(a.Y, b.Y)); y++ {
			r.rows[y] = append(r.rows[y], [2]fit.Point{a, b})
		}
	}
	return r
}

// row returns the row of height y.
func (r *ringRows) row(y float64) int { return int(y - r.low.Y) }

// hold reports whether a place lies within the ring, by the even-odd rule.
func (r *ringRows) hold(p fit.Point) bool {
	if len(r.rows) == 0 || p.X < r.low.X || p.Y < r.low.Y || p.X > r.high.X || p.Y > r.high.Y {
		return false
	}
	in := false
	for _, l := range r.rows[r.row(p.Y)] {
		a, b := l[0], l[1]
		if (a.Y > p.Y) != (b.Y > p.Y) && p.X < a.X+float64((p.Y-a.Y)*(b.X-a.X))/(b.Y-a.Y) {
			in = !in
		}
	}
	return in
}
