package fit

import "math"

// Point is a position or a vector in the drawing plane, in pixels, y down.
type Point struct{ X, Y float64 }

// Add returns p+q.
func (p Point) Add(q Point) Point { return Point{p.X + q.X, p.Y + q.Y} }

// Sub returns p-q.
func (p Point) Sub(q Point) Point { return Point{p.X - q.X, p.Y - q.Y} }

// Mul returns p scaled by k. The conversions keep callers' additions from being fused with it.
func (p Point) Mul(k float64) Point { return Point{float64(p.X * k), float64(p.Y * k)} }

// Dot returns the scalar product.
func (p Point) Dot(q Point) float64 { return float64(p.X*q.X) + float64(p.Y*q.Y) }

// Cross returns the z component of p×q; with y down it is positive when q lies clockwise of p on screen.
func (p Point) Cross(q Point) float64 { return float64(p.X*q.Y) - float64(p.Y*q.X) }

// Len returns the length of p.
func (p Point) Len() float64 { return math.Sqrt(p.Dot(p)) }

// Unit returns p scaled to length 1, or the zero vector when p has no length.
func (p Point) Unit() Point {
	l := p.Len()
	if l == 0 {
		return Point{}
	}
	return Point{p.X / l, p.Y / l}
}

// Perp returns p turned a quarter clockwise on screen (y down).
func (p Point) Perp() Point { return Point{-p.Y, p.X} }

// Lerp returns the point at share t from p to q.
func (p Point) Lerp(q Point, t float64) Point {
	return Point{p.X + float64(t*(q.X-p.X)), p.Y + float64(t*(q.Y-p.Y))}
}

// Segment is a straight line or a cubic Bézier from P[0] to P[3]. A line keeps its handles P[1], P[2] at the
// thirds, so every method serves both.
type Segment struct {
	P    [4]Point
	Line bool
}

// LineTo returns the straight segment from a to b.
func LineTo(a, b Point) Segment {
	return Segment{P: [4]Point{a, a.Lerp(b, 1.0/3), a.Lerp(b, 2.0/3), b}, Line: true}
}

// CubicTo returns the cubic Bézier with on-curve ends a, d and handles b, c.
func CubicTo(a, b, c, d Point) Segment { return Segment{P: [4]Point{a, b, c, d}} }

// At returns the point at parameter t in [0,1].
func (s Segment) At(t float64) Point {
	u := 1 - t
	b0, b1, b2, b3 := u*u*u, 3*u*u*t, 3*u*t*t, t*t*t
	return Point{
		float64(b0*s.P[0].X) + float64(b1*s.P[1].X) + float64(b2*s.P[2].X) + float64(b3*s.P[3].X),
		float64(b0*s.P[0].Y) + float64(b1*s.P[1].Y) + float64(b2*s.P[2].Y) + float64(b3*s.P[3].Y),
	}
}

// Deriv returns the first derivative with respect to t.
func (s Segment) Deriv(t float64) Point {
	u := 1 - t
	d0, d1, d2 := s.P[1].Sub(s.P[0]), s.P[2].Sub(s.P[1]), s.P[3].Sub(s.P[2])
	a, b, c := 3*u*u, 6*u*t, 3*t*t
	return Point{
		float64(a*d0.X) + float64(b*d1.X) + float64(c*d2.X),
		float64(a*d0.Y) + float64(b*d1.Y) + float64(c*d2.Y),
	}
}

// Deriv2 returns the second derivative with respect to t.
func (s Segment) Deriv2(t float64) Point {
	e0 := s.P[2].Sub(s.P[1].Mul(2)).Add(s.P[0])
	e1 := s.P[3].Sub(s.P[2].Mul(2)).Add(s.P[1])
	return e0.Mul(6 * (1 - t)).Add(e1.Mul(6 * t))
}

// Sub returns the part of s between parameters a and b, 0 <= a < b <= 1.
func (s Segment) Sub(a, b float64) Segment {
	if s.Line {
		return LineTo(s.P[0].Lerp(s.P[3], a), s.P[0].Lerp(s.P[3], b))
	}
	k := (b - a) / 3
	p0, p3 := s.At(a), s.At(b)
	if a == 0 {
		p0 = s.P[0]
	}
	if b == 1 {
		p3 = s.P[3]
	}
	return CubicTo(p0, p0.Add(s.Deriv(a).Mul(k)), p3.Sub(s.Deriv(b).Mul(k)), p3)
}

// Reverse returns s run backwards.
func (s Segment) Reverse() Segment {
	return Segment{P: [4]Point{s.P[3], s.P[2], s.P[1], s.P[0]}, Line: s.Line}
}

// Length returns the arc length in pixels, by 8-point Gauss–Legendre quadrature (relative error below 1e-4 for
// curves without cusps).
func (s Segment) Length() float64 {
	if s.Line {
		return s.P[3].Sub(s.P[0]).Len()
	}
	var sum float64
	for i, x := range gauss8x {
		sum += float64(gauss8w[i] * (s.Deriv(0.5+0.5*x).Len() + s.Deriv(0.5-0.5*x).Len()))
	}
	return sum / 2
}

// Abscissae and weights of 8-point Gauss–Legendre quadrature on [-1,1], one of each symmetric pair (Abramowitz &
// Stegun, Handbook of Mathematical Functions, 1964, table 25.4).
var (
	gauss8x = [4]float64{0.1834346424956498, 0.5255324099163290, 0.7966664774136267, 0.9602898564975363}
	gauss8w = [4]float64{0.3626837833783620, 0.3137066458778873, 0.2223810344533745, 0.1012285362903763}
)

// Path is a run of segments, each starting where the one before ends. A closed path ends where it begins.
type Path struct {
	Segments []Segment
	Closed   bool
}

// Reverse returns p run backwards.
func (p Path) Reverse() Path {
	r := Path{Segments: make([]Segment, len(p.Segments)), Closed: p.Closed}
	for i, s := range p.Segments {
		r.Segments[len(r.Segments)-1-i] = s.Reverse()
	}
	return r
}

// Area returns the signed area inside a closed path in px²; with y down it is positive when the path runs
// clockwise on screen. The value is exact for lines and cubics (Green's theorem on the Bernstein form).
func (p Path) Area() float64 {
	var a float64
	for _, s := range p.Segments {
		p0, p1, p2, p3 := s.P[0], s.P[1], s.P[2], s.P[3]
		six := p0.Cross(p1) + p2.Cross(p3)
		three := p0.Cross(p2) + p1.Cross(p2) + p1.Cross(p3)
		a += (float64(6*six) + float64(3*three) + p0.Cross(p3)) / 20
	}
	return a
}
