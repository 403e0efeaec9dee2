package trace

import (
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file varies forms of a knot until they miss the pixels about it least.

// starts returns where the places of a knot begin to be varied: where they are, and where its straight ends meet.
func (k *knot) starts() [][]fit.Point {
	out := [][]fit.Point{slices.Clone(k.places)}
	// Least squares: the point nearest to the lines on along the ends.
	var xx, xy, yy, bx, by float64
	for i := range k.ends {
		n := k.ends[i].toward.Perp()
		d := n.Dot(k.ends[i].from)
		xx += float64(n.X * n.X)
		xy += float64(n.X * n.Y)
		yy += float64(n.Y * n.Y)
		bx += float64(n.X * d)
		by += float64(n.Y * d)
	}
	det := float64(xx*yy) - float64(xy*xy)
	if det < 0.05 {
		return out
	}
	p := fit.Point{X: (float64(bx*yy) - float64(by*xy)) / det, Y: (float64(by*xx) - float64(bx*xy)) / det}
	if p.Sub(k.at).Len() > knotShift {
		return out
	}
	if len(k.places) == 1 {
		return append(out, []fit.Point{p})
	}
	all := make([]fit.Point, len(k.places))
	for i := range all { // apart, so that each finds its own way
		all[i] = p.Lerp(k.places[i], 0.1)
	}
	return append(out, all)
}

// knotForm is a form of a knot: its places vary, the directions of lines through them and, with bulges, the bend of each end.
type knotForm struct {
	m      *mender
	k      *knot
	slides bool // along the one line through it
	bulges bool
}

// knotAngle is the turn of a line through a junction for each px that its number varies, radians.
const knotAngle = 0.3

// begin returns the numbers of the form that give the knot as it is, but with other places.
func (f *knotForm) begin(places []fit.Point) (x []float64) {
	if f.slides {
		x = []float64{0}
	} else {
		for _, p := range places {
			x = append(x, p.X, p.Y)
		}
	}
	for i := range f.k.ends {
		switch e := &f.k.ends[i]; {
		case e.mate > i && !f.slides:
			t := f.k.ends[e.mate].from.Sub(e.from).Unit()
			u := f.k.ends[e.mate].old[0].Deriv(0).Unit()
			if t.Dot(u) < 0.5 {
				u = t // it leaves quite differently
			}
			x = append(x, math.Atan2(t.Cross(u), t.Dot(u))/knotAngle)
		case e.mate < 0 && f.bulges:
			x = append(x, 0)
		}
	}
	return x
}

// curves returns the curves of a form by its numbers: for each end one from its place on.
func (f *knotForm) curves(x []float64) (places []fit.Point, segs [][]fit.Segment) {
	segs = make([][]fit.Segment, len(f.k.ends))
	if f.slides {
		i := slices.IndexFunc(f.k.ends, func(e knotEnd) bool { return e.mate >= 0 })
		j := f.k.ends[i].mate
		if x[0] < 0 {
			i, j = j, i
		}
		var p fit.Point
		segs[i], segs[j], p = moved(f.k.ends[i].old, f.k.ends[j].old, math.Abs(x[0]))
		places, x = []fit.Point{p}, x[1:]
	} else {
		places, x = f.placesOf(x)
	}
	for i := range f.k.ends {
		e := &f.k.ends[i]
		c := places[e.spot]
		length := e.from.Sub(c).Len()
		far := e.from.Add(e.toward.Mul(length / 3))
		switch {
		case segs[i] != nil:
		case e.mate > i:
			j := &f.k.ends[e.mate]
			s, cos := math.Sincos(float64(x[0] * knotAngle))
			x = x[1:]
			t := j.from.Sub(e.from).Unit()
			t = t.Mul(cos).Add(t.Perp().Mul(s))
			reach := j.from.Sub(c).Len()
			segs[i] = []fit.Segment{fit.CubicTo(c, c.Sub(t.Mul(length/3)), far, e.from)}
			segs[e.mate] = []fit.Segment{fit.CubicTo(c, c.Add(t.Mul(reach/3)), j.from.Add(j.toward.Mul(reach/3)), j.from)}
		case e.mate < 0:
			near := c.Lerp(far, 0.5)
			if f.bulges {
				near = near.Add(e.from.Sub(c).Unit().Perp().Mul(x[0]))
				x = x[1:]
			}
			segs[i] = []fit.Segment{fit.CubicTo(c, near, far, e.from)}
		}
	}
	return places, segs
}

// placesOf reads the places of a form from its numbers and returns them and the rest.
func (f *knotForm) placesOf(x []float64) (places []fit.Point, rest []float64) {
	for i := range f.k.places {
		p := fit.Point{X: x[2*i], Y: x[2*i+1]}
		if d := p.Sub(f.k.places[i]); d.Len() > knotShift {
			p = f.k.places[i].Add(d.Mul(knotShift / d.Len()))
		}
		places = append(places, p)
	}
	return places, x[2*len(places):]
}

// moved parts a line at a place so many px along b, which goes on where a begins: on from there the way of a, and that of b.
func moved(a, b []fit.Segment, px float64) (along, rest []fit.Segment, at fit.Point) {
	const shortest = 0.3 // px, of what must be left of b
	at = b[0].P[0]
	rest = b
	for px > 0 && len(rest) > 0 {
		s := rest[0]
		length := s.Length()
		if length <= px && len(rest) > 1 {
			along, rest, px = append(along, s.Reverse()), rest[1:], px-length
			at = s.P[3]
			continue
		}
		if t := min(px, length-shortest) / length; t > 0 {
			along = append(along, s.Sub(0, t).Reverse())
			rest = append([]fit.Segment{s.Sub(t, 1)}, rest[1:]...)
			at = rest[0].P[0]
		}
		break
	}
	slices.Reverse(along)
	return append(along, a...), rest, at
}

// misses sets dst to what the pixels lack when a form is drawn and returns the sum of the squares.
func (f *knotForm) misses(v *knotView, dst *[knotSize * knotSize]levels, x []float64, contrast float64) float64 {
	places, segs := f.curves(x)
	var area, beyond [knotSize * knotSize]levels
	for i := range segs {
		step := f.m.shown.step(f.k.ends[i].half)
		for s := range segs[i] {
			v.add(&area, &beyond, &segs[i][s], step, false)
		}
	}
	for _, a := range f.k.inner {
		from, to := f.k.between(f.m.e.m, a)
		s := fit.LineTo(places[from], places[to])
		v.add(&area, &beyond, &s, f.m.shown.step(planar.HalfOf(a, false)), false)
	}
	spread(&area, &beyond)
	for i := range dst {
		for c := range dst[i] {
			dst[i][c] = 0
			if !v.blind[i] {
				dst[i][c] = v.lack[i][c] - area[i][c]
			}
		}
	}
	return v.sum(dst, contrast)
}

// between returns the places that an inner arc runs between.
func (k *knot) between(m *planar.Map, arc int) (from, to int) {
	return k.spots[slices.Index(k.nodes, m.Arcs[arc].From)], k.spots[slices.Index(k.nodes, m.Arcs[arc].To)]
}

// solve varies the numbers of a form until it misses the pixels least, by Gauss and Newton's method, and returns the sum that
// is left.
func (f *knotForm) solve(v *knotView, x []float64, contrast float64) float64 {
	const (
		turns  = 8
		step   = 0.05 // px, of the slopes
		stride = 0.8  // px
		damped = 0.01 // what the pixels do not tell stays as it is
		enough = 0.02 // of what is missed
	)
	n := len(x)
	var r, moved [knotSize * knotSize]levels
	slopes := make([][knotSize * knotSize]levels, n)
	y := make([]float64, n)
	best := f.misses(v, &r, x, contrast)
	eq := make([][]float64, n)
	for i := range eq {
		eq[i] = make([]float64, n+1)
	}
	for range turns {
		for k := range n {
			copy(y, x)
			y[k] += step
			f.misses(v, &moved, y, contrast)
			for i := range r {
				for c := range r[i] {
					slopes[k][i][c] = (moved[i][c] - r[i][c]) / (step * contrast)
				}
			}
		}
		for i := range n {
			clear(eq[i])
		}
		for i := range n {
			for j := range i + 1 {
				for p := range r {
					eq[i][j] += dot3(slopes[i][p], slopes[j][p])
				}
				eq[j][i] = eq[i][j]
			}
			for p := range r {
				eq[i][n] -= dot3(slopes[i][p], r[p]) / contrast
			}
			eq[i][i] += damped
		}
		d := eliminated(eq)
		gained := 0.0
		for share := 1.0; share > 0.02 && gained == 0; share /= 3 {
			for k := range n {
				y[k] = x[k] + max(-stride, min(stride, float64(share*d[k])))
			}
			if now := f.misses(v, &moved, y, contrast); now < best {
				gained = best - now
				copy(x, y)
				best, r = now, moved
			}
		}
		if gained < enough*best {
			break
		}
	}
	return best
}

// untangled reports whether the curves of a knot cross neither one another nor any other.
func (m *mender) untangled(o *outlines, k *knot, places []fit.Point, segs [][]fit.Segment) bool {
	type line struct {
		a, b fit.Point
		of   int
	}
	var lines []line
	lo, hi := k.at, k.at
	add := func(s *fit.Segment, of int) {
		asLines(s, func(a, b fit.Point) { lines = append(lines, line{a, b, of}) })
		l, h := boundsOf(s)
		lo, hi = fit.Point{X: min(lo.X, l.X), Y: min(lo.Y, l.Y)}, fit.Point{X: max(hi.X, h.X), Y: max(hi.Y, h.Y)}
	}
	for i := range segs {
		for s := range segs[i] {
			add(&segs[i][s], i)
		}
	}
	for i, a := range k.inner {
		from, to := k.between(m.e.m, a)
		s := fit.LineTo(places[from], places[to])
		add(&s, len(segs)+i)
	}
	for i := range lines {
		for j := range i {
			if lines[i].of != lines[j].of && linesCross(lines[i].a, lines[i].b, lines[j].a, lines[j].b) {
				return false
			}
		}
	}
	const joint = 0.05 // px from the far ends, where the rest of a curve goes on
	joins := func(p fit.Point) bool {
		return slices.ContainsFunc(k.ends, func(e knotEnd) bool { return p.Sub(e.from).Len() < joint })
	}
	hit := false
	test := func(p, q fit.Point) {
		hit = hit || !joins(p) && !joins(q) && slices.ContainsFunc(lines, func(l line) bool { return linesCross(p, q, l.a, l.b) })
	}
	m.shown.around(lo, hi, func(c curveAt) {
		if hit || slices.Contains(k.inner, int(c.arc)) {
			return
		}
		u0, u1 := 0.0, float64(len(o.arcs[c.arc]))
		for i := range k.ends {
			switch e := &k.ends[i]; {
			case e.half.Arc() != int(c.arc):
			case e.half.Backwards():
				u1 -= e.cut
			default:
				u0 = e.cut
			}
		}
		a, b := max(0, u0-float64(c.k)), min(1, u1-float64(c.k))
		if b-a < 1e-6 {
			return
		}
		seg := o.arcs[c.arc][c.k].Segment
		if a > 0 || b < 1 {
			seg = seg.Sub(a, b)
		}
		asLines(&seg, test)
	})
	return !hit
}
