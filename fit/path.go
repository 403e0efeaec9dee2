package fit

import (
	"math"
	"slices"
)

// Nearest returns the parameter t in [0,1] of the point of s nearest p, and its distance in px. A cubic is sampled at
// 17 places and the best are improved by Newton's method on (s(t)-p)·s'(t), so a curve that loops more tightly than a
// sixteenth of itself may give a neighbouring minimum.
func (s Segment) Nearest(p Point) (t, dist float64) {
	if s.Line {
		d := s.P[3].Sub(s.P[0])
		if l := d.Dot(d); l > 0 {
			t = clamp01(p.Sub(s.P[0]).Dot(d) / l)
		}
		return t, s.P[0].Lerp(s.P[3], t).Sub(p).Len()
	}
	const steps = 16
	c := polynomialOf(s)
	var d [steps + 1]float64
	for i := range d {
		e := c.at(float64(i) / steps).Sub(p)
		d[i] = e.Dot(e)
	}
	dist = math.Inf(1)
	for i := range d {
		if i > 0 && d[i-1] < d[i] || i < steps && d[i+1] < d[i] {
			continue
		}
		u := c.foot(p, float64(i)/steps, 6)
		if e := c.at(u).Sub(p).Len(); e < dist {
			t, dist = u, e
		}
	}
	return t, dist
}

// Walk measures the distances of points that follow a path in order.
type Walk struct {
	path  Path
	poly  []polynomial
	begun bool
	at    int // segment, and parameter on it, of the last point's foot
	t     float64
	last  Point
}

// NewWalk returns a Walk along p, which must have a segment.
func NewWalk(p Path) *Walk {
	w := &Walk{path: p, poly: make([]polynomial, len(p.Segments))}
	for i, s := range p.Segments {
		w.poly[i] = polynomialOf(s)
	}
	return w
}

const (
	lostOff     = 2.0 // a point further from the path than this has not the segment at hand beside it, px
	doubtfulOff = 0.2 // further off than this, its nearest place may not be the one beside the last point's, px
	// walkPrecision is the change of a parameter below which a foot counts as found: distances err by less than a thousandth
	// of a pixel.
	walkPrecision = 4e-3
	walkEnd       = 0.8 // past this share of a segment the next two are looked at as well
)

// Distance returns the distance of the next point from the path, px. Points less than about half a segment apart are
// found where they lie even where the path comes near itself.
func (w *Walk) Distance(p Point) float64 {
	n := len(w.poly)
	best := math.Inf(1)
	look := func(i int, t, d float64) bool {
		if d < best {
			w.at, w.t, best = i, t, d
			return true
		}
		return false
	}
	beside := func(i int, guess float64) (t, d float64) {
		c := &w.poly[i]
		t = c.footWithin(p, guess, 6, walkPrecision)
		if d = c.at(t).Sub(p).Len(); d > doubtfulOff {
			t, d = w.path.Segments[i].Nearest(p)
		}
		return t, d
	}
	by := p.Sub(w.last)
	w.last = p
	anywhere := func() {
		for i := range w.path.Segments {
			t, d := w.path.Segments[i].Nearest(p)
			look(i, t, d)
		}
	}
	if !w.begun { // a closed path may start anywhere
		w.begun = true
		anywhere()
		return best
	}
	from := w.at
	// On by as much as the point has moved along.
	guess := w.t
	if along := w.poly[from].deriv(w.t); along != (Point{}) {
		guess = clamp01(guess + by.Dot(along)/along.Dot(along))
	}
	t, d := beside(from, guess)
	look(from, t, d)
	for step := 1; step <= 2 && (t > walkEnd || d > doubtfulOff); step++ {
		i := from + step
		if w.path.Closed && i >= n {
			i -= n
		}
		if i >= n {
			break
		}
		if t, d := beside(i, 0); look(i, t, d) {
			break
		}
	}
	if best > lostOff {
		anywhere()
	}
	return best
}

// Bounds returns the smallest upright rectangle that holds s.
func (s Segment) Bounds() (low, high Point) {
	low = Point{min(s.P[0].X, s.P[3].X), min(s.P[0].Y, s.P[3].Y)}
	high = Point{max(s.P[0].X, s.P[3].X), max(s.P[0].Y, s.P[3].Y)}
	if s.Line {
		return low, high
	}
	for _, t := range s.Extrema() {
		p := s.At(t)
		low = Point{min(low.X, p.X), min(low.Y, p.Y)}
		high = Point{max(high.X, p.X), max(high.Y, p.Y)}
	}
	return low, high
}

// Extrema returns the parameters inside (0,1), in order, at which a cubic runs level or upright. A line has none.
func (s Segment) Extrema() []float64 {
	if s.Line {
		return nil
	}
	d0, d1, d2 := s.P[1].Sub(s.P[0]), s.P[2].Sub(s.P[1]), s.P[3].Sub(s.P[2])
	var ts []float64
	for _, c := range [2][3]float64{{d0.X, d1.X, d2.X}, {d0.Y, d1.Y, d2.Y}} {
		// (1-t)²·c0 + 2t(1-t)·c1 + t²·c2 = 0
		for _, t := range quadraticRoots(c[0]-2*c[1]+c[2], 2*(c[1]-c[0]), c[0]) {
			if t > 0 && t < 1 {
				ts = append(ts, t)
			}
		}
	}
	slices.Sort(ts)
	return ts
}

// quadraticRoots returns the real roots of a·t² + b·t + c, none for a constant.
func quadraticRoots(a, b, c float64) []float64 {
	if a == 0 {
		if b == 0 {
			return nil
		}
		return []float64{-c / b}
	}
	disc := float64(b*b) - float64(4*float64(a*c))
	if disc < 0 {
		return nil
	}
	q := -0.5 * (b + math.Copysign(math.Sqrt(disc), b)) // no cancellation: both terms have the same sign
	if q == 0 {
		return []float64{0}
	}
	return []float64{q / a, c / q}
}

// Bounds returns the smallest upright rectangle that holds p; both corners are zero for an empty path.
func (p Path) Bounds() (low, high Point) {
	for i, s := range p.Segments {
		l, h := s.Bounds()
		if i == 0 {
			low, high = l, h
			continue
		}
		low = Point{min(low.X, l.X), min(low.Y, l.Y)}
		high = Point{max(high.X, h.X), max(high.Y, h.Y)}
	}
	return low, high
}

// Length returns the arc length of p in px.
func (p Path) Length() float64 {
	var l float64
	for _, s := range p.Segments {
		l += s.Length()
	}
	return l
}

// Nearest returns the segment of p nearest q, the parameter on it and the distance in px; segment is -1 for an empty
// path.
func (p Path) Nearest(q Point) (segment int, t, dist float64) {
	segment, dist = -1, math.Inf(1)
	for i, s := range p.Segments {
		if u, d := s.Nearest(q); d < dist {
			segment, t, dist = i, u, d
		}
	}
	return segment, t, dist
}

// Split parts an open path at parameter t of a segment. Pieces shorter than samePlace are left out.
func (p Path) Split(segment int, t float64) (head, tail Path) {
	s := p.Segments[segment]
	head.Segments = append(head.Segments, p.Segments[:segment]...)
	switch l := s.Length(); {
	case t*l < samePlace:
		tail.Segments = append(tail.Segments, s)
	case (1-t)*l < samePlace:
		head.Segments = append(head.Segments, s)
	default:
		head.Segments = append(head.Segments, s.Sub(0, t))
		tail.Segments = append(tail.Segments, s.Sub(t, 1))
	}
	tail.Segments = append(tail.Segments, p.Segments[segment+1:]...)
	return head, tail
}

// Flatten appends to dst the corners of a polyline that leaves s by at most tol px, without the first point. The
// number of pieces follows from the bound h²/8·max|s”| on the error of linear interpolation.
func (s Segment) Flatten(dst []Point, tol float64) []Point {
	if !s.Line {
		e0 := s.P[2].Sub(s.P[1].Mul(2)).Add(s.P[0]).Len()
		e1 := s.P[3].Sub(s.P[2].Mul(2)).Add(s.P[1]).Len()
		n := int(min(1000, math.Ceil(math.Sqrt(6*max(e0, e1)/8/max(tol, 1e-6)))))
		for i := 1; i < n; i++ {
			dst = append(dst, s.At(float64(i)/float64(n)))
		}
	}
	return append(dst, s.P[3])
}

// Flatten appends to dst a polyline that leaves p by at most tol px, its first point included.
func (p Path) Flatten(dst []Point, tol float64) []Point {
	for i, s := range p.Segments {
		if i == 0 {
			dst = append(dst, s.P[0])
		}
		dst = s.Flatten(dst, tol)
	}
	return dst
}

func clamp01(t float64) float64 {
	if t < 0 {
		return 0
	}
	if t > 1 {
		return 1
	}
	return t
}

// polynomial holds a cubic as c0 + c1·t + c2·t² + c3·t³, the form that is quickest to evaluate.
type polynomial struct{ c0, c1, c2, c3 Point }

func polynomialOf(s Segment) polynomial {
	d1 := s.P[1].Sub(s.P[0])
	e := s.P[2].Sub(s.P[1])
	return polynomial{
		c0: s.P[0],
		c1: d1.Mul(3),
		c2: e.Sub(d1).Mul(3),
		c3: s.P[3].Sub(s.P[0]).Sub(e.Mul(3)),
	}
}

func (c *polynomial) at(t float64) Point {
	return Point{
		c.c0.X + float64(t*(c.c1.X+float64(t*(c.c2.X+float64(t*c.c3.X))))),
		c.c0.Y + float64(t*(c.c1.Y+float64(t*(c.c2.Y+float64(t*c.c3.Y))))),
	}
}

func (c *polynomial) deriv(t float64) Point {
	return Point{
		c.c1.X + float64(t*(2*c.c2.X+float64(3*float64(t*c.c3.X)))),
		c.c1.Y + float64(t*(2*c.c2.Y+float64(3*float64(t*c.c3.Y)))),
	}
}

// footPrecision is the change of a parameter below which its foot counts as found: the distance errs by its square.
const footPrecision = 1e-4

// nearPrecision is the same where a hundredth of a tolerance will do: Newton's method leaves an error of about the square
// of its last step.
const nearPrecision = 1e-3

// roughPrecision is the same where a tenth of a tolerance will do, or the way is found again from there.
const roughPrecision = 1e-2

// maxFootStep bounds one step of a foot along its curve: a longer one may land in another bend.
const maxFootStep = 0.25

// foot improves t, the parameter of a point near p, by Newton steps on (c(t)-p)·c'(t), kept inside [0,1].
func (c *polynomial) foot(p Point, t float64, steps int) float64 {
	return c.footWithin(p, t, steps, footPrecision)
}

// footWithin is foot that stops at a step below precision.
func (c *polynomial) footWithin(p Point, t float64, steps int, precision float64) float64 {
	for range steps {
		e, d := c.at(t).Sub(p), c.deriv(t)
		dd := Point{2*c.c2.X + float64(6*float64(t*c.c3.X)), 2*c.c2.Y + float64(6*float64(t*c.c3.Y))}
		sq := d.Dot(d)
		den := sq + e.Dot(dd)
		if den < 0.5*sq { // near the centre of curvature or past it the full step overshoots
			den = 0.5 * sq
		}
		if den <= 0 {
			return t
		}
		next := clamp01(t - bounded(e.Dot(d)/den, maxFootStep))
		if math.Abs(next-t) < precision {
			return next
		}
		t = next
	}
	return t
}
