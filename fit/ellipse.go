package fit

import "math"

// circleHandle is the handle of a quarter circle of radius 1 with the least radial error, 1.96e-4 (S. Riškus,
// "Approximation of a cubic Bézier curve by circular arcs and vice versa", 2006); 4/3·tan(π/8) = 0.5523 errs by
// 2.73e-4.
const circleHandle = 0.551915024494

// Ellipse returns an ellipse with half axes a and b, the first turned by theta radians from the x axis (clockwise on
// screen), as four cubics with their points at the ends of the axes. It runs clockwise on screen.
func Ellipse(centre Point, a, b, theta float64) Path {
	return oval{centre: centre, u: unitAt(theta), a: a, b: b}.path()
}

// unitAt returns the unit vector at an angle from the x axis, clockwise on screen.
func unitAt(angle float64) Point { return Point{math.Cos(angle), math.Sin(angle)} }

// oval is an ellipse with half axes a along the unit vector u and b across it, px.
type oval struct {
	centre, u Point
	a, b      float64
}

func (o oval) path() Path {
	u, v := o.u.Mul(o.a), o.u.Perp().Mul(o.b)
	p := Path{Closed: true}
	for range 4 {
		p.Segments = append(p.Segments, CubicTo(o.centre.Add(u), o.centre.Add(u).Add(v.Mul(circleHandle)),
			o.centre.Add(v).Add(u.Mul(circleHandle)), o.centre.Add(v)))
		u, v = v, u.Mul(-1)
	}
	return p
}

// off returns the distance of p from o to first order, positive outside, the outward normal, and p's coordinates along
// the axes as shares of them. ok is false at the centre.
func (o *oval) off(p Point) (dist float64, normal, at Point, ok bool) {
	d := p.Sub(o.centre)
	at = Point{d.Dot(o.u) / o.a, d.Dot(o.u.Perp()) / o.b}
	r := at.Len()
	if r == 0 {
		return 0, Point{}, at, false
	}
	g := Point{at.X / (r * o.a), at.Y / (r * o.b)} // gradient of r along the axes
	l := g.Len()
	g = g.Mul(1 / l)
	return (r - 1) / l, o.u.Mul(g.X).Add(o.u.Perp().Mul(g.Y)), at, true
}

// Limits of what is drawn as an ellipse.
const (
	ellipseRounds = 8
	leastEllipse  = 6   // samples
	leastHalfAxis = 0.3 // px
	leastTip      = 0.4 // px, radius at the ends of the long axis: what is sharper may be pointed
)

// wholeEllipse returns the ellipse that explains a closed run within the tolerance, if there is one.
func wholeEllipse(p []Point, w []float64, st setting) (Path, bool) {
	if len(p) < leastEllipse {
		return Path{}, false
	}
	o, area, ok := ovalOf(p)
	if !ok {
		return Path{}, false
	}
	limit := max(st.tol, 3*st.noise)
	if !o.follow(p, w, limit) {
		return Path{}, false
	}
	o.tidy(len(p), st.noise)
	if o.b*o.b < leastTip*o.a {
		return Path{}, false
	}
	for i, q := range p {
		if d, _, _, ok := o.off(q); !ok || math.Abs(d)*w[i] > limit {
			return Path{}, false
		}
	}
	// A sample is the mean over a pixel column, which lies inside a bend by a 24th of its y'': by the curvature times
	// a 24th to a 12th across it, 4/π·1/24 over all directions.
	const inside = 4 / math.Pi / 24
	a, b := o.a, o.b
	o.a += float64(inside * min(1, a/(b*b)))
	o.b += float64(inside * min(1, b/(a*a)))
	path := o.path()
	if area < 0 {
		path = path.Reverse()
	}
	return path, true
}

// ovalOf returns the ellipse with the area moments of the polygon p, and the polygon's signed area.
func ovalOf(p []Point) (o oval, area float64, ok bool) {
	n := len(p)
	origin := p[0]
	var sx, sy, sxx, sxy, syy float64 // by Green's theorem
	for i := range p {
		a, b := p[i].Sub(origin), p[(i+1)%n].Sub(origin)
		c := a.Cross(b)
		area += c / 2
		sx += float64(c*(a.X+b.X)) / 6
		sy += float64(c*(a.Y+b.Y)) / 6
		sxx += float64(c*(float64(a.X*a.X)+float64(a.X*b.X)+float64(b.X*b.X))) / 12
		syy += float64(c*(float64(a.Y*a.Y)+float64(a.Y*b.Y)+float64(b.Y*b.Y))) / 12
		sxy += float64(c*(float64(2*float64(a.X*a.Y))+float64(a.X*b.Y)+float64(b.X*a.Y)+float64(2*float64(b.X*b.Y)))) / 24
	}
	if math.Abs(area) < 1 {
		return o, area, false
	}
	m := Point{sx / area, sy / area}
	xx, yy, xy := sxx/area-float64(m.X*m.X), syy/area-float64(m.Y*m.Y), sxy/area-float64(m.X*m.Y)
	mean, diff := (xx+yy)/2, Point{(xx - yy) / 2, xy}.Len()
	if !(mean-diff > leastHalfAxis*leastHalfAxis/4) {
		return o, area, false
	}
	return oval{origin.Add(m), principal(xx, xy, yy), 2 * math.Sqrt(mean+diff), 2 * math.Sqrt(mean-diff)}, area, true
}

// follow improves o by Gauss–Newton steps on the distances of the samples. It gives up on samples that no ellipse
// comes near.
func (o *oval) follow(p []Point, w []float64, limit float64) bool {
	var m envelope
	m.reset(make([]int, 5))
	x := make([]float64, 5) // centre, turn, half axes
	hopelessOval := float64(4*limit) + 0.5
	for round := range ellipseRounds {
		m.clear()
		clear(x)
		for i, q := range p {
			d, n, at, ok := o.off(q)
			if !ok {
				return false
			}
			if round == 1 && w[i]*math.Abs(d) > hopelessOval {
				return false
			}
			r := at.Len()
			c, s := at.X/r, at.Y/r
			nu, nv := n.Dot(o.u), n.Dot(o.u.Perp())
			// Moving, turning and widening the ellipse moves its point under the sample along n by so much.
			g := [5]float64{n.X, n.Y, float64(float64(c*o.a)*nv) - float64(float64(s*o.b)*nu), c * nu, s * nv}
			for j := range g {
				x[j] += float64(w[i] * float64(g[j]*d))
				for k := 0; k <= j; k++ {
					m.add(j, k, w[i]*g[j]*g[k])
				}
			}
		}
		for j := range x { // the turn of a circle says nothing
			*m.diag(j) += float64(1e-6 * (1 + *m.diag(j)))
		}
		if !m.solve(x) {
			return false
		}
		o.centre = o.centre.Add(Point{x[0], x[1]})
		o.u = turned(o.u, bounded(x[2], 0.3))
		o.a += bounded(x[3], 0.3*o.a)
		o.b += bounded(x[4], 0.3*o.b)
		if o.a < leastHalfAxis || o.b < leastHalfAxis {
			return false
		}
		if math.Abs(x[0])+math.Abs(x[1])+math.Abs(x[3])+math.Abs(x[4]) < 1e-5 {
			break
		}
	}
	return true
}

// tidy makes a circle of what is round within the noise, and turns upright or level what is so within the noise.
func (o *oval) tidy(samples int, noise float64) {
	slack := 0.03 + float64(3*noise*math.Sqrt(8/float64(samples)))
	if math.Abs(o.a-o.b) < slack {
		o.a = (o.a + o.b) / 2
		o.b = o.a
		o.u = Point{1, 0}
		return
	}
	if o.a < o.b {
		o.a, o.b, o.u = o.b, o.a, o.u.Perp()
	}
	if o.u.X < 0 {
		o.u = o.u.Mul(-1)
	}
	// Turned by an angle, the outline moves by at most the difference of the axes times it.
	switch move := o.a - o.b; {
	case math.Abs(o.u.Y)*move < slack:
		o.u = Point{1, 0}
	case math.Abs(o.u.X)*move < slack:
		o.u = Point{0, 1}
	}
}
