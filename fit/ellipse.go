package fit

import "math"

// circleHandle is the handle of a quarter circle of radius 1 with the least radial error, 1.96e-4 (S. Riškus,
// "Approximation of a cubic Bézier curve by circular arcs and vice versa", 2006); 4/3·tan(π/8) = 0.5523 errs by
// 2.73e-4.
const circleHandle = 0.551915024494

// Ellipse returns an ellipse with half axes a and b, the first turned by theta radians from the x axis (clockwise on
// screen), as four cubics with their points at the ends of the axes. It runs clockwise on screen.
func Ellipse(centre Point, a, b, theta float64) Path {
	u := unitAt(theta).Mul(a)
	v := unitAt(theta).Perp().Mul(b)
	p := Path{Closed: true}
	for range 4 {
		p.Segments = append(p.Segments, CubicTo(centre.Add(u), centre.Add(u).Add(v.Mul(circleHandle)),
			centre.Add(v).Add(u.Mul(circleHandle)), centre.Add(v)))
		u, v = v, u.Mul(-1)
	}
	return p
}

// wholeEllipse returns the ellipse that explains a closed run within the tolerance, if there is one.
func wholeEllipse(p []Point, w []float64, st setting) (Path, bool) {
	n := len(p)
	if n < 6 {
		return Path{}, false
	}
	// Area moments of the polygon by Green's theorem, about its first point.
	o := p[0]
	var area, sx, sy, sxx, sxy, syy float64
	for i := range p {
		a, b := p[i].Sub(o), p[(i+1)%n].Sub(o)
		c := a.Cross(b)
		area += c / 2
		sx += float64(c*(a.X+b.X)) / 6
		sy += float64(c*(a.Y+b.Y)) / 6
		sxx += float64(c*(float64(a.X*a.X)+float64(a.X*b.X)+float64(b.X*b.X))) / 12
		syy += float64(c*(float64(a.Y*a.Y)+float64(a.Y*b.Y)+float64(b.Y*b.Y))) / 12
		sxy += float64(c*(float64(2*a.X*a.Y)+float64(a.X*b.Y)+float64(b.X*a.Y)+float64(2*b.X*b.Y))) / 24
	}
	if math.Abs(area) < 1 {
		return Path{}, false
	}
	m := Point{sx / area, sy / area}
	vxx, vyy, vxy := sxx/area-float64(m.X*m.X), syy/area-float64(m.Y*m.Y), sxy/area-float64(m.X*m.Y)
	mean, diff := (vxx+vyy)/2, math.Hypot((vxx-vyy)/2, vxy)
	if mean-diff <= 0 {
		return Path{}, false
	}
	a, b := 2*math.Sqrt(mean+diff), 2*math.Sqrt(mean-diff)
	theta := 0.5 * math.Atan2(2*vxy, vxx-vyy)
	centre := o.Add(m)
	round := a-b < math.Max(0.05, 3*st.noise)
	if round {
		theta = 0
		a = math.Sqrt(a * b)
		b = a
	}
	// A polygon lies inside its ellipse: move the axes out by the mean distance, then judge.
	u, v := unitAt(theta), unitAt(theta).Perp()
	limit := math.Max(st.tol, 3*st.noise)
	for pass := range 2 {
		var sum, weight float64
		for i, q := range p {
			d := q.Sub(centre)
			x, y := d.Dot(u)/a, d.Dot(v)/b
			r := math.Hypot(x, y)
			if r == 0 {
				return Path{}, false
			}
			// Distance to first order: (r-1) over the gradient of r.
			g := math.Hypot(x/(r*a), y/(r*b))
			e := (r - 1) / g
			if pass == 1 && math.Abs(e)*w[i] > limit {
				return Path{}, false
			}
			sum += float64(w[i] * e)
			weight += w[i]
		}
		if pass == 0 {
			a += sum / weight
			b += sum / weight
		}
	}
	path := Ellipse(centre, a, b, theta)
	if area < 0 {
		path = path.Reverse()
	}
	return path, true
}

// unitAt returns the unit vector at an angle from the x axis, clockwise on screen.
func unitAt(angle float64) Point { return Point{math.Cos(angle), math.Sin(angle)} }
