package trace

import (
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file measures the ends of strokes, and of gaps between them, that are broad enough for their sides to be measured
// like any edge. Next to the end they are not: a sample is the mean of an edge over a pixel's width, and about a corner or
// a tight bend there is none that fits. So the sides are carried on, ends of known forms are laid between them where they
// hold what the pixels hold, and the pixels tell which form it is.

// endSpans are the windows, in cracks, in which a boundary that turns back is looked for, and how far apart it may be at
// both ends of each, px.
var endSpans = [...]struct {
	cracks int
	gap    float64
}{{14, 3.8}, {18, 5}, {24, 6.5}}

const (
	// endLeast and endMost are the widths of ends that are measured, px: narrower ones have no sides to themselves.
	endLeast, endMost = 1.8, 6.5
	// endSide is how much of either side is looked at, px, and endSamples how many samples it must have.
	endSide, endSamples = 7.0, 4
	// endBlunt is how far before the end the sides are measured as if there were none, px beyond half the width.
	endBlunt = 1.2
	// endEven is by how much a side may leave its curve, px.
	endEven = 0.06
	// endTaper is by how much the half width may change along the stroke, px a px.
	endTaper = 0.35
	// endSlant is by how much an end may be cut aslant, px a px.
	endSlant = 0.6
	// endMiss is the sum of squares by which the best form may miss the pixels, and endShare what it must stay below of
	// what the other one misses.
	endMiss, endShare = 0.06, 0.5
)

// endForm is a form of an end: half a disc as wide as the stroke, or a straight cut.
type endForm struct {
	round bool
	at    float64 // where it ends in the middle of the stroke, along the axis
	slant float64 // of a cut: how much further it reaches, px a px to the right
}

// endSight is a stroke near its end in a frame of its own: t along the axis, outwards, and u to the right of it, px.
type endSight struct {
	e           *edgeMeter
	own, other  uint8
	origin      fit.Point
	axis, right fit.Point
	low, high   sideCurve // the sides, at smaller and greater u
}

// sideCurve is u over t: a parabola.
type sideCurve [3]float64

func (c *sideCurve) at(t float64) float64 { return c[0] + float64(t*(c[1]+float64(t*c[2]))) }

// broadEnds measures ends of strokes along an arc with samples s.
func (e *edgeMeter) broadEnds(arc *planar.Arc, s []edgeSample) []strokeEnd {
	n := int(arc.N)
	if len(s) < 2*endSamples || arc.Left == planar.Outside || arc.Right == planar.Outside {
		return nil
	}
	pr := e.pairOf(e.m.Faces[arc.Left].Label, e.m.Faces[arc.Right].Label)
	if pr.pure > quietTip {
		return nil
	}
	closed := arc.From == planar.None
	dirs := e.m.Dirs[arc.Off : arc.Off+arc.N]
	at := make([][2]int32, n+1)
	at[0] = [2]int32{int32(arc.X), int32(arc.Y)}
	for k, d := range dirs {
		at[k+1] = [2]int32{at[k][0] + int32(planar.DX[d]), at[k][1] + int32(planar.DY[d])}
	}
	var out []strokeEnd
	for _, span := range endSpans {
		w := span.cracks
		if closed {
			w = min(w, n/2) // the other half may turn back as well
		}
		if n < w+1 || w < endSpans[0].cracks/2 {
			break
		}
		last := n - w
		if closed {
			last = n - 1
		}
		point := func(k int) [2]int32 {
			if k > n {
				k -= n
			}
			return at[k]
		}
		best, from, to := math.MaxInt32, -1, -1
		flush := func() {
			if from < 0 {
				return
			}
			mid := (from+to)/2 + w/2
			from = -1
			for i := range out {
				if d := (out[i].crack - mid%n + n) % n; d < w/2 || closed && n-d < w/2 {
					return
				}
			}
			if t, ok := e.broadEnd(s, closed, mid%n, point(mid-w/2), point(mid+w/2), point(mid), pr); ok {
				out = append(out, t)
			}
		}
		for k := 0; k <= last; k++ {
			p, q := point(k), point(k+w)
			dx, dy := int(p[0]-q[0]), int(p[1]-q[1])
			switch d := dx*dx + dy*dy; {
			case float64(d) > span.gap*span.gap:
				flush()
				best = math.MaxInt32
			case d < best:
				best, from, to = d, k, k
			case d == best && k == to+1:
				to = k
			}
		}
		flush()
	}
	return out
}

// withBroad adds the broad ends of an arc to its narrow ones. Where both are seen the one counts that is measured.
func (e *edgeMeter) withBroad(arc *planar.Arc, s []edgeSample, narrow []strokeEnd) []strokeEnd {
	out := narrow
	for _, b := range e.broadEnds(arc, s) {
		known := false
		for k := range narrow {
			if t := &narrow[k]; t.At.Sub(b.At).Len() < b.Reach+2 {
				if known = t.End != fit.Bounded; known {
					break
				}
				t.Reach = -1 // nothing is left to say
			}
		}
		if !known {
			out = append(out, b)
		}
	}
	return slices.DeleteFunc(out, func(t strokeEnd) bool { return t.Reach < 0 })
}

// broadEnd measures the end whose boundary turns back about crack mid of n, from lattice vertex p over top to q.
func (e *edgeMeter) broadEnd(s []edgeSample, closed bool, mid int, p, q, top [2]int32, pr pair) (t strokeEnd, ok bool) {
	axis := fit.Point{X: float64(2*top[0] - p[0] - q[0]), Y: float64(2*top[1] - p[1] - q[1])}
	if axis.Len() < 2 {
		return t, false
	}
	first := 0 // the first sample behind the turn
	for first < len(s) && int(s[first].at) < mid {
		first++
	}
	v := endSight{e: e, origin: fit.Point{X: float64(top[0]), Y: float64(top[1])}, axis: axis.Unit(), own: pr.a, other: pr.b}
	across := fit.Point{X: float64(q[0] - p[0]), Y: float64(q[1] - p[1])}
	atRight := across.Dot(v.axis.Perp()) > 0 // of the boundary, on its way out, the stroke lies
	if atRight {
		v.own, v.other = pr.b, pr.a
	}
	width := across.Len()
	const turns = 2 // the second time along the axis that the first has shown
	for turn := range turns {
		v.right = v.axis.Perp()
		out, okOut := v.side(s, first-1, -1, width, closed)
		in, okIn := v.side(s, first, 1, width, closed)
		if !okOut || !okIn {
			return t, false
		}
		v.low, v.high = in, out
		if atRight {
			v.low, v.high = out, in
		}
		width = v.high.at(0) - v.low.at(0)
		if width < endLeast || width > endMost || math.Abs(v.high[1]-v.low[1])/2 > endTaper {
			return t, false
		}
		if turn < turns-1 {
			v.origin = v.origin.Add(v.right.Mul((v.low.at(0) + v.high.at(0)) / 2))
			v.axis = v.axis.Add(v.right.Mul((v.low[1] + v.high[1]) / 2)).Unit()
		}
	}
	form, ok := v.form(width, pr.pure)
	if !ok {
		return t, false
	}
	return v.end(form, mid, width, atRight), true
}

// side fits a curve to the samples of one side of the stroke, from sample k on in steps of step.
func (v *endSight) side(s []edgeSample, k, step int, width float64, closed bool) (c sideCurve, ok bool) {
	var ts, us [64]float64
	n := 0
	near := -float64(width/2) - endBlunt
	least := math.Inf(1)
	for count := 0; count < len(s) && n < len(ts); count++ {
		if k < 0 || k >= len(s) {
			if !closed {
				break
			}
			k = (k + len(s)) % len(s)
		}
		q := s[k].Point.Sub(v.origin)
		t, u := q.Dot(v.axis), q.Dot(v.right)
		if t < near-endSide || t > least+1 {
			break
		}
		least = min(least, t)
		if t < near && s[k].Weight > doubtfulWeight {
			ts[n], us[n] = t, u
			n++
		}
		k += step
	}
	if n < endSamples {
		return c, false
	}
	c, worst := parabola(ts[:n], us[:n], false)
	if worst > endEven && n >= endSamples+2 {
		c, worst = parabola(ts[:n], us[:n], true)
	}
	for n--; worst > endEven && n >= endSamples; n-- { // the far samples of a short stroke may lie on its other end
		c, worst = parabola(ts[:n], us[:n], false)
	}
	return c, worst <= endEven
}

// parabola fits u over t by least squares, a line unless bent, and returns by how much the worst place misses it.
func parabola(ts, us []float64, bent bool) (c sideCurve, worst float64) {
	// About the mean of t the sums stay small.
	n := float64(len(ts))
	mean := 0.0
	for _, t := range ts {
		mean += t / n
	}
	var s [5]float64
	var b [3]float64
	for k, t := range ts {
		x, p := t-mean, 1.0
		for i := range s {
			s[i] += p
			if i < 3 {
				b[i] += float64(p * us[k])
			}
			p *= x
		}
	}
	var d sideCurve // about the mean; s[1] is 0
	if bent {
		// s0 d0 + s2 d2 = b0, s2 d1 + s3 d2 = b1, s2 d0 + s3 d1 + s4 d2 = b2
		det := s[4] - float64(s[2]*s[2])/s[0] - float64(s[3]*s[3])/s[2]
		d[2] = (b[2] - float64(s[2]*b[0])/s[0] - float64(s[3]*b[1])/s[2]) / det
	}
	d[0] = (b[0] - float64(s[2]*d[2])) / s[0]
	d[1] = (b[1] - float64(s[3]*d[2])) / s[2]
	c = sideCurve{d[0] - float64(d[1]*mean) + float64(d[2]*float64(mean*mean)), d[1] - 2*float64(d[2]*mean), d[2]}
	for k, t := range ts {
		worst = max(worst, math.Abs(us[k]-c.at(t)))
	}
	return c, worst
}

// form returns the form of the end; ok is false where no form explains the pixels, or both do. noise is the share of a pixel
// that may be noise.
func (v *endSight) form(width, noise float64) (best endForm, ok bool) {
	type cell struct {
		x, y  int
		share float64
	}
	var cells []cell
	from, to := -float64(width/2)-endBlunt/2, 3.0
	reach := math.Hypot(max(-from, to), width/2+2)
	x0, y0 := int(math.Floor(v.origin.X-reach)), int(math.Floor(v.origin.Y-reach))
	x1, y1 := int(math.Ceil(v.origin.X+reach)), int(math.Ceil(v.origin.Y+reach))
	w, h := v.e.m.W, v.e.m.H
	for y := max(0, y0); y < min(h, y1); y++ {
		for x := max(0, x0); x < min(w, x1); x++ {
			q := fit.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5}.Sub(v.origin)
			t, u := q.Dot(v.axis), q.Dot(v.right)
			if t < from || t > to || u < v.low.at(t)-1.2 || u > v.high.at(t)+1.2 {
				continue
			}
			i := y*w + x
			if l := v.e.flats.Labels[i]; l != v.own && l != v.other {
				return best, false
			}
			cells = append(cells, cell{x, y, v.e.flats.Coverage(i, v.own, v.other)})
		}
	}
	// misses returns the sums of what the form lacks, of the same times u, and of its squares.
	misses := func(f endForm) (sum, moment, squares float64) {
		const n = 8
		for _, c := range cells {
			hits := 0
			for k := range n * n {
				q := fit.Point{X: float64(c.x) + (float64(k%n)+0.5)/n, Y: float64(c.y) + (float64(k/n)+0.5)/n}.Sub(v.origin)
				if v.within(f, q.Dot(v.axis), q.Dot(v.right)) {
					hits++
				}
			}
			d := c.share - float64(hits)/(n*n)
			u := fit.Point{X: float64(c.x) + 0.5, Y: float64(c.y) + 0.5}.Sub(v.origin).Dot(v.right)
			sum += d
			moment += float64(d * u)
			squares += float64(d * d)
		}
		return sum, moment, squares
	}
	solve := func(f endForm) (endForm, float64) {
		const turns = 4
		for range turns {
			sum, moment, _ := misses(f)
			f.at += sum / width
			if !f.round {
				f.slant += 12 * moment / float64(width*float64(width*width))
			}
		}
		_, _, squares := misses(f)
		return f, squares
	}
	round, missRound := solve(endForm{round: true})
	square, missSquare := solve(endForm{})
	limit := endMiss + float64(len(cells))*float64(noise*noise)/6
	best, miss, other := round, missRound, missSquare
	if missSquare < missRound {
		best, miss, other = square, missSquare, missRound
	}
	return best, miss < limit && miss < endShare*other && math.Abs(best.slant) < endSlant && best.at < to-0.5 && best.at > -float64(width/2)
}

// within reports whether a place lies in the stroke with an end of form f.
func (v *endSight) within(f endForm, t, u float64) bool {
	low, high := v.low.at(t), v.high.at(t)
	if u <= low || u >= high {
		return false
	}
	middle := (low + high) / 2
	if !f.round {
		return t < f.at+float64(f.slant*(u-middle))
	}
	r := (v.high.at(f.at) - v.low.at(f.at)) / 2
	d := t - (f.at - r)
	return d < 0 || float64(d*d)+float64((u-middle)*(u-middle)) < float64(r*r)
}

// end puts the end into the terms of the fit.
func (v *endSight) end(f endForm, mid int, width float64, atRight bool) strokeEnd {
	place := func(t, u float64) fit.Point { return v.origin.Add(v.axis.Mul(t)).Add(v.right.Mul(u)) }
	middle := func(t float64) float64 { return (v.low.at(t) + v.high.at(t)) / 2 }
	e := strokeEnd{crack: mid, dir: v.axis}
	e.Out, e.At = v.axis, place(f.at, middle(f.at))
	e.Reach = width/2 + 1.5
	if f.round {
		e.End = fit.Round
		r := (v.high.at(f.at) - v.low.at(f.at)) / 2
		c := f.at - r
		for _, q := range half {
			e.in = append(e.in, place(c+float64(r*q.X), middle(c)-float64(r*q.Y)))
		}
		e.limit = c - 0.2
	} else {
		e.End = fit.Square
		corner := func(side *sideCurve) fit.Point {
			t := f.at
			for range 3 { // the cut moves the corner along its side
				t = f.at + float64(f.slant*(side.at(t)-middle(t)))
			}
			return place(t, side.at(t))
		}
		e.in = []fit.Point{corner(&v.low), corner(&v.high)}
		e.limit = f.at - float64(math.Abs(f.slant)*width/2) - 0.8
	}
	if !atRight { // the boundary comes along the side at greater u
		slices.Reverse(e.in)
	}
	e.limit += v.origin.Dot(v.axis)
	e.Sides = [2]fit.Point{e.in[0], e.in[len(e.in)-1]}
	return e
}
