package paper

import (
	"math"
	"slices"

	"pochoir/fit"
)

// This file finds a sheet that runs out of the picture on one side: three sides are seen, and on the fourth paper goes on
// up to the rim. Two parallel sides and one across them tell how the sheet lies before a camera of known focal length;
// where the sheet ends on the open side nobody knows, so all that is seen of it is kept.

const (
	noSide      = -1
	leastOpen   = 0.25 // least length of each side that is seen, of the picture's short side
	openRim     = 0.6  // share of the rim between the open ends that must show paper
	openLast    = 0.4  // share of the last third of each open side that must be seen: else the sheet may end there
	openSamples = 32   // along the rim
	// The focal length and the middle of the camera's picture tell how the sheet is tilted. Where the file does not say it,
	// the usual focal length may be off by a quarter; the middle is that of the picture unless something was cut off.
	slackUsual, slackKnown = 1.25, 1.05
	slackMiddle            = 0.03 // of the picture's long side
	// How far the shape may hang on that, of the sheet's width: less than a part of what straightening changes, so that it
	// surely makes things better, or so little that it does no harm; and no more than can be taken for true.
	shareDoubt, leastDoubt, mostDoubt = 2.0 / 3, 0.0015, 0.008
)

// outline is a sheet as it is seen: its corners clockwise on screen, and which of its sides, from corner i to the next,
// lies outside the picture; noSide when none does. The corners at the ends of an open side lie on the picture's rim.
type outline struct {
	q    [4]fit.Point
	open int
}

// leave returns where the way from p along the unit vector d leaves the w×h picture; p where it never is inside.
func leave(p, d fit.Point, w, h float64) fit.Point {
	lo, hi := 0.0, math.Inf(1)
	for _, s := range [2][3]float64{{p.X, d.X, w}, {p.Y, d.Y, h}} {
		a, b := -s[0]/s[1], (s[2]-s[0])/s[1]
		if s[1] == 0 {
			if s[0] < 0 || s[0] > s[2] {
				return p
			}
			continue
		}
		lo, hi = math.Max(lo, math.Min(a, b)), math.Min(hi, math.Max(a, b))
	}
	if lo >= hi {
		return p
	}
	return p.Add(d.Mul(hi))
}

// roughOpen returns the outline of the sheet that is best seen among those with one open side, in pixels of g (see
// roughQuad).
func roughOpen(g *field, lines []straight, seen *edgeMap) (outline, bool) {
	w, h := float64(g.w), float64(g.h)
	least := leastOpen * math.Min(w, h)
	var best outline
	bestScore := 0.0
	for ai, a := range lines {
		for bi, b := range lines[:ai] {
			if math.Abs(a.nx*b.nx+a.ny*b.ny) < 0.8 {
				continue
			}
			for ci, c := range lines {
				if ci == ai || ci == bi || math.Abs(a.nx*c.nx+a.ny*c.ny) > 0.6 || math.Abs(b.nx*c.nx+b.ny*c.ny) > 0.6 {
					continue
				}
				p, okP := a.meet(c)
				r, okR := b.meet(c)
				if !okP || !okR || r.Sub(p).Len() < least || !g.nearly(p) || !g.nearly(r) {
					continue
				}
				for _, sign := range [2]float64{1, -1} {
					if o, ok := openOutline(a, b, c, p, r, sign, w, h); ok {
						if s := openScore(g, seen, o, least); s > bestScore {
							best, bestScore = o, s
						}
					}
				}
			}
		}
	}
	return best, bestScore > 0
}

// nearly reports whether p lies inside the field or a little outside.
func (o *field) nearly(p fit.Point) bool {
	const out = 0.1
	w, h := float64(o.w), float64(o.h)
	return p.X > -out*w && p.Y > -out*h && p.X < (1+out)*w && p.Y < (1+out)*h
}

// openOutline lays out the sheet whose closed end, on c, has the corners p on a and r on b, and which goes on to that side
// of c that sign says.
func openOutline(a, b, c straight, p, r fit.Point, sign, w, h float64) (outline, bool) {
	n := fit.Point{X: sign * c.nx, Y: sign * c.ny}
	way := func(s straight) fit.Point {
		d := fit.Point{X: -s.ny, Y: s.nx}
		if d.Dot(n) < 0 {
			d = d.Mul(-1)
		}
		return d
	}
	pe, re := leave(p, way(a), w, h), leave(r, way(b), w, h)
	// Clockwise on screen with paper to the right of each side: along the closed end, out along one side, back along
	// the other.
	o := outline{[4]fit.Point{p, r, re, pe}, 2}
	if r.Sub(p).Perp().Dot(n) < 0 {
		o = outline{[4]fit.Point{r, p, pe, re}, 2}
	}
	if !convex(o.q) {
		return o, false
	}
	var area float64
	for i, q := range o.q {
		area += q.Cross(o.q[(i+1)%4]) / 2
	}
	return o, area > minSheetArea*w*h
}

// openScore rates an outline by how well its three sides are seen; 0 when one is not, or when there is no paper at the open
// end.
func openScore(g *field, seen *edgeMap, o outline, least float64) float64 {
	score := 1.0
	var area float64
	for i, p := range o.q {
		r := o.q[(i+1)%4]
		area += p.Cross(r) / 2
		if i == o.open {
			continue
		}
		if r.Sub(p).Len() < least {
			return 0
		}
		support, step := seen.side(g, p, r)
		if support < roughSupport {
			return 0
		}
		score *= support * math.Min(step, 0.6)
	}
	for _, i := range [2]int{o.open + 3, o.open + 1} { // the sides that run out
		p, r := o.q[i%4], o.q[(i+1)%4]
		if i == o.open+3 { // ends at the open side
			p = p.Lerp(r, 2.0/3)
		} else {
			r = p.Lerp(r, 1.0/3)
		}
		if support, _ := seen.side(g, p, r); support < openLast {
			return 0
		}
	}
	if !paperAtRim(g, o) {
		return 0
	}
	return math.Cbrt(score) * math.Sqrt(area)
}

// paperAtRim reports whether the open end of the sheet, along the picture's rim, shows paper and not what lies beside the
// sheet.
func paperAtRim(g *field, o outline) bool {
	a, b := o.q[o.open], o.q[(o.open+1)%4]
	pa, pb := o.q[(o.open+3)%4], o.q[(o.open+2)%4]
	const in = 4 // px from an edge
	look := func(p fit.Point) [3]float32 { return [3]float32(g.nearest(p)) }
	// What lies either side of the two sides that run out, near their ends.
	paperA, deskA := acrossSide(g, pa, a, 1), acrossSide(g, pa, a, -1)
	paperB, deskB := acrossSide(g, pb, b, -1), acrossSide(g, pb, b, 1)
	ok := 0
	for k := range openSamples {
		t := (float64(k) + 0.5) / openSamples
		base := pa.Lerp(pb, t)
		at := leave(base, a.Lerp(b, t).Sub(base).Unit(), float64(g.w), float64(g.h))
		v := look(at.Add(base.Sub(at).Unit().Mul(in)))
		var num, den float64
		for c := range 3 {
			paper := float64(paperA[c]) + float64(t*float64(paperB[c]-paperA[c]))
			desk := float64(deskA[c]) + float64(t*float64(deskB[c]-deskA[c]))
			s := paper - desk
			num += float64(s * (float64(v[c]) - desk))
			den += float64(s * s)
		}
		if num > 0.6*den {
			ok++
		}
	}
	return float64(ok) >= openRim*openSamples
}

// acrossSide returns the middle light a few pixels to the right (or left, for a sign of -1) of the second half of the way
// from p to q.
func acrossSide(g *field, p, q fit.Point, sign float64) [3]float32 {
	const n, off = 9, 5
	d := q.Sub(p).Unit().Perp().Mul(sign * off)
	var v [3][]float32
	for k := range n {
		x := g.nearest(p.Lerp(q, 0.5+0.45*(float64(k)+0.5)/n).Add(d))
		for c := range v {
			v[c] = append(v[c], x[c])
		}
	}
	for c := range v {
		slices.Sort(v[c])
	}
	return [3]float32{v[0][n/2], v[1][n/2], v[2][n/2]}
}

// pinhole is a camera without distortion: the focal length and the middle of its picture, px.
type pinhole struct {
	f float64
	c fit.Point
}

// ray is the direction in which the camera sees p.
func (k pinhole) ray(p fit.Point) [3]float64 {
	return [3]float64{(p.X - k.c.X) / k.f, (p.Y - k.c.Y) / k.f, 1}
}

// desk is the plane a sheet lies in: unit vectors along its open sides and across, and at a right angle to both. The
// camera's distance from it is 1.
type desk struct {
	pinhole
	d1, d2, n [3]float64
}

// deskUnder returns the plane of a sheet with one open side. The two sides that run out meet in the direction d1 of both.
// The closed end lies in the plane through the camera and its picture, and at a right angle to d1 (R. Hartley & A.
// Zisserman, "Multiple View Geometry in Computer Vision", 2nd edition, 2004, section 8.6: vanishing points of orthogonal
// lines).
func (k pinhole) deskUnder(o outline) desk {
	plane := func(i int) [3]float64 { return cross(k.ray(o.q[i%4]), k.ray(o.q[(i+1)%4])) }
	d1 := unit3(cross(plane(o.open+1), plane(o.open+3)))
	d2 := unit3(cross(plane(o.open+2), d1))
	return desk{k, d1, d2, cross(d1, d2)}
}

// on returns where on the desk p lies.
func (d desk) on(p fit.Point) fit.Point {
	r := d.ray(p)
	k := dot(d.n, r)
	return fit.Point{X: dot(d.d2, r) / k, Y: dot(d.d1, r) / k}
}

// before reports whether what is seen at p can lie on the desk: the rest of the picture shows what is beyond its horizon.
func (d desk) before(p fit.Point) bool { return dot(d.n, d.ray(p))*d.n[2] > 0 }

// seen returns where the camera sees the point s of the desk.
func (d desk) seen(s fit.Point) fit.Point {
	var r [3]float64
	for k := range r {
		r[k] = float64(d.d2[k]*s.X) + float64(d.d1[k]*s.Y) + d.n[k]
	}
	return fit.Point{X: d.c.X + float64(d.f*r[0])/r[2], Y: d.c.Y + float64(d.f*r[1])/r[2]}
}

// complete replaces the two corners of an open side by those of the least rectangle that holds all that is seen of the
// sheet, and returns the rectangle's width over its height, both as in sheetProportion. The picture's centre is taken for
// the middle of the camera's. why says why it cannot be done; it is empty when it can.
func (o outline) complete(w, h int, focal35 float64) (q [4]fit.Point, ratio float64, why string) {
	long := float64(max(w, h))
	k := pinhole{usualFocal * long, fit.Point{X: float64(w) / 2, Y: float64(h) / 2}}
	slack := slackUsual
	if focal35 > 0 {
		k.f = focal35 / diagonal35 * math.Hypot(float64(w), float64(h))
		slack = slackKnown
	}
	d := k.deskUnder(o)
	facing := desk{k, [3]float64{0, 1, 0}, [3]float64{1, 0, 0}, [3]float64{0, 0, 1}}
	doubt := math.Min(mostDoubt, math.Max(leastDoubt, shareDoubt*unlike(o, d, facing)))
	for _, other := range [6]pinhole{
		{k.f * slack, k.c}, {k.f / slack, k.c},
		{k.f, k.c.Add(fit.Point{X: slackMiddle * long})}, {k.f, k.c.Sub(fit.Point{X: slackMiddle * long})},
		{k.f, k.c.Add(fit.Point{Y: slackMiddle * long})}, {k.f, k.c.Sub(fit.Point{Y: slackMiddle * long})},
	} {
		if !(unlike(o, d, other.deskUnder(o)) < doubt) {
			return q, 0, "three sides do not tell how it is tilted"
		}
	}
	// The closed end runs from a to b; the open one lies beyond, at the corner of the picture that is farthest if it cuts
	// one off.
	a, b := d.on(o.q[(o.open+2)%4]), d.on(o.q[(o.open+3)%4])
	far := d.on(o.q[o.open]).Y
	dir := math.Copysign(1, far-a.Y)
	reach := math.Max(dir*(far-a.Y), dir*(d.on(o.q[(o.open+1)%4]).Y-a.Y))
	left, right := math.Min(a.X, b.X), math.Max(a.X, b.X)
	for _, p := range [4]fit.Point{{X: 0, Y: 0}, {X: float64(w), Y: 0}, {X: float64(w), Y: float64(h)}, {X: 0, Y: float64(h)}} {
		if s := d.on(p); s.X > left && s.X < right && d.before(p) {
			reach = math.Max(reach, dir*(s.Y-a.Y))
		}
	}
	end := a.Y + float64(dir*reach)
	q = clockwise([4]fit.Point{d.seen(a), d.seen(b), d.seen(fit.Point{X: a.X, Y: end}), d.seen(fit.Point{X: b.X, Y: end})})
	if !convex(q) {
		return q, 0, "its shape is not that of a sheet"
	}
	ratio = math.Abs(b.X-a.X) / reach
	// The first side of q is an end of the sheet or one of its sides that run out.
	if end := o.q[(o.open+3)%4].Sub(o.q[(o.open+2)%4]).Unit(); math.Abs(q[1].Sub(q[0]).Unit().Dot(end)) < math.Sqrt(0.5) {
		ratio = 1 / ratio
	}
	return q, ratio, ""
}

// unlike says how far the shapes of what is seen of a sheet lie apart on two desks: the rms distance that no turn, shift
// or scaling takes away, over the width of the sheet.
func unlike(o outline, d, e desk) float64 {
	const side = 5
	var p, q [side * side]complex128
	var pm, qm complex128
	for i := range p {
		u, v := float64(i%side)/(side-1), float64(i/side)/(side-1)
		at := o.q[0].Lerp(o.q[1], u).Lerp(o.q[3].Lerp(o.q[2], u), v)
		if !d.before(at) || !e.before(at) {
			return math.Inf(1)
		}
		a, b := d.on(at), e.on(at)
		p[i], q[i] = complex(a.X, a.Y), complex(b.X, b.Y)
		pm += p[i] / (side * side)
		qm += q[i] / (side * side)
	}
	// The best similarity is q ≈ k·p for k = Σ q·conj(p) / Σ |p|².
	var num complex128
	var pp, qq float64
	for i := range p {
		a, b := p[i]-pm, q[i]-qm
		num += b * complex(real(a), -imag(a))
		pp += float64(real(a)*real(a)) + float64(imag(a)*imag(a))
		qq += float64(real(b)*real(b)) + float64(imag(b)*imag(b))
	}
	rest := qq - (float64(real(num)*real(num))+float64(imag(num)*imag(num)))/pp
	wide := e.on(o.q[(o.open+3)%4]).Sub(e.on(o.q[(o.open+2)%4])).Len()
	return math.Sqrt(math.Max(0, rest)/(side*side)) / wide
}

func unit3(v [3]float64) [3]float64 {
	l := math.Sqrt(dot(v, v))
	return [3]float64{v[0] / l, v[1] / l, v[2] / l}
}
