package trace

import (
	"context"
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file draws narrow wedges with straight sides anew as a whole. Labels show only the first px of one that is narrower than
// half a pixel, and mending brings it on a few px at a time, which leaves kinks in its sides and stops short of its point, where
// pixels show too little. But the width of such a wedge falls evenly to nothing, so all its pixels together tell where the point
// lies.

const (
	// wedgeTurn is the cosine of the turn at a point, or beyond.
	wedgeTurn = -0.8
	// wedgeMouth is how wide the mouth of a wedge is at most, px: broader ones are measured by their sides.
	wedgeMouth = 1.2
	// wedgeLong is how long its sides are, wedgePieces of how many pieces each, at most.
	wedgeLong, wedgePieces = 14.0, 4
	// wedgeWindow is how far from its middle pixels are looked at, wedgeRoom how far about it, px.
	wedgeWindow, wedgeRoom = 12, 3
	// wedgeSlack is by how much the sum of the squares may grow where sides have kinks no more.
	wedgeSlack = 0.002
	// wedgeDamped and wedgeEnough are what solve takes: of the last px of a point no pixel shows more than a few hundredths.
	wedgeDamped, wedgeEnough = 1e-4, 1e-6
)

// taper is a point of an arc: the joint before piece k.
type taper struct {
	place
	arc, k int
}

// wedges draws wedges anew where straight sides explain their pixels as well with fewer pieces, or much better.
func (o *outlines) wedges(ctx context.Context, m *mender, workers int) error {
	var all []taper
	for a, ps := range o.arcs {
		arc := &m.e.m.Arcs[a]
		if arc.Left == planar.Outside || arc.Right == planar.Outside || m.e.dots[a] != nil || m.e.doubt[a] > 0 {
			continue
		}
		l, r := m.e.m.Faces[arc.Left].Label, m.e.m.Faces[arc.Right].Label
		for k := range ps {
			before := (k + len(ps) - 1) % len(ps)
			if k == 0 && arc.From != planar.None || ps[before].Deriv(1).Unit().Dot(ps[k].Deriv(0).Unit()) > wedgeTurn {
				continue
			}
			p := ps[k].P[0]
			if slices.ContainsFunc(m.e.tips[a], func(t fit.Tip) bool { return t.End != fit.Bounded && t.At.Sub(p).Len() < wedgeRoom }) {
				continue // it was measured
			}
			all = append(all, taper{place{x: int(p.X), y: int(p.Y), a: min(l, r), b: max(l, r)}, a, k})
		}
	}
	anew := make([]*section, len(all))
	err := largestFirst(ctx, len(all), workers, func(int) int { return 1 }, func(i int) { anew[i] = m.wedge(&all[i]) })
	if err != nil {
		return err
	}
	// Two that lie near each other were both held to the pixels with the other one as it was.
	taken := placesBy(2 * wedgeWindow)
	for i := range all {
		if anew[i] == nil {
			continue
		}
		if taken.near(all[i].place) {
			anew[i] = nil
			continue
		}
		taken.add(all[i].place)
	}
	o.putAll(slices.DeleteFunc(anew, func(s *section) bool { return s == nil }))
	return nil
}

// wedge returns what a wedge is drawn as with straight sides; nil where that is not better.
func (m *mender) wedge(w *taper) *section {
	if slices.ContainsFunc(m.left, func(q fit.Point) bool {
		return math.Hypot(q.X-float64(w.x), q.Y-float64(w.y)) < wedgeLong+wedgeRoom
	}) {
		return nil
	}
	ps := m.shown.arcs[w.arc]
	n := len(ps)
	closed := m.e.m.Arcs[w.arc].From == planar.None
	sign := 1.0
	if m.e.m.Faces[m.e.m.Arcs[w.arc].Right].Label == w.b {
		sign = -1
	}
	at := func(k int) *fit.Segment { return &ps[(k%n+n)%n].Segment }
	var best *section
	least, bestMiss, pieces := math.Inf(1), math.Inf(1), 0
	long := [2]float64{}
	for before := 1; before <= wedgePieces && long[0] < wedgeLong; before++ {
		long[0] += at(w.k - before).Length()
		long[1] = 0
		for after := 1; after <= wedgePieces && long[1] < wedgeLong; after++ {
			i, j := w.k-before-1, w.k+after // the pieces that the sides leave and come to
			long[1] += at(j - 1).Length()
			if !closed && (i < 0 || j >= n) || before+after+2 > n || max(long[0], long[1]) > wedgeLong ||
				at(i).P[3].Sub(at(j).P[0]).Len() > wedgeMouth {
				continue
			}
			s, miss, was := m.straight(w, i, j, sign)
			if s == nil {
				continue
			}
			fewer := before + after - 2
			if fewer > 0 && miss > was+wedgeSlack || fewer == 0 && miss*mendSimple > was-wedgeSlack {
				continue
			}
			// The fewest pieces that explain the pixels about as well as any.
			least = min(least, miss)
			may := mendSimple*least + wedgeSlack
			if bestMiss > may || miss <= may && (fewer > pieces || fewer == pieces && miss < bestMiss) {
				best, bestMiss, pieces = s, miss, fewer
			}
		}
	}
	return best
}

// straight returns the section of an arc from piece i to piece j with two straight sides and a point between them, and the
// sums of the squares of what the pixels about it then lack and lack now; nil where it cannot be drawn so.
func (m *mender) straight(w *taper, i, j int, sign float64) (s *section, miss, was float64) {
	ps := m.shown.arcs[w.arc]
	n := len(ps)
	var old []fit.Segment
	for k := i; k <= j; k++ {
		old = append(old, ps[(k+n)%n].Segment)
	}
	first, last := old[0], old[len(old)-1]
	mouth := first.P[3].Lerp(last.P[0], 0.5)
	tip := ps[w.k].P[0]
	middle := mouth.Lerp(tip, 0.5)
	if tip.Sub(mouth).Len() > 2*(wedgeWindow-wedgeRoom) {
		return nil, 0, 0
	}
	v := m.window(place{x: int(middle.X), y: int(middle.Y), a: w.a, b: w.b}, wedgeWindow)
	for _, d := range v.lack {
		was += float64(d * d)
	}
	v.replace(old, sign)
	la, lb := first.Length(), last.Length()
	const most = 1.5 // px that the mouth's corners may move
	within := func(d, l float64) float64 { return max(-min(most, l/2), min(min(most, l/2), d)) / l }
	curve := func(x *[mendMost]float64) []fit.Segment {
		c := fit.Point{X: x[0], Y: x[1]}
		a := first.Sub(0, 1+within(x[2], la))
		b := last.Sub(within(x[3], lb), 1)
		return []fit.Segment{a, fit.LineTo(a.P[3], c), fit.LineTo(c, b.P[0]), b}
	}
	segs, lack := v.solve(mendForm{4, [mendMost]float64{tip.X, tip.Y}, curve}, wedgeDamped, wedgeEnough)
	for _, d := range lack {
		miss += float64(d * d)
	}
	s = &section{arc: w.arc, from: float64((i + n) % n), to: float64(j + 1), old: old, new: segs}
	if j+1 > n {
		s.to -= float64(n)
	}
	s.around = s.from > s.to
	if !sane(segs) || m.crosses(segs, s) {
		return nil, 0, 0
	}
	return s, miss, was
}
