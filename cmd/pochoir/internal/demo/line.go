package demo

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"pochoir/fit"
)

// knot is a point a hand-drawn line passes through.
type knot struct {
	fit.Point
	corner bool // the line breaks here
}

// parseLine reads a line of the drawings' own notation: points "x,y" that the line passes through smoothly, or "x,y^"
// where it breaks. It panics on anything else, as the drawings are part of the program.
func parseLine(text string) []knot {
	var line []knot
	for _, word := range strings.Fields(text) {
		xy, corner := strings.CutSuffix(word, "^")
		sx, sy, ok := strings.Cut(xy, ",")
		x, err1 := strconv.ParseFloat(sx, 64)
		y, err2 := strconv.ParseFloat(sy, 64)
		if !ok || err1 != nil || err2 != nil {
			panic(fmt.Sprintf("demo: %q is no point", word))
		}
		line = append(line, knot{fit.Point{X: x, Y: y}, corner})
	}
	return line
}

// curve draws a line through knots: straight between two corners, else in pieces of circular arcs. At a smooth knot
// its direction is that of the circle through it and its two neighbours; next to a corner it runs on as one arc.
func curve(line []knot, closed bool) fit.Path {
	n := len(line)
	last := n - 1
	if closed {
		last = n
	}
	at := func(i int) knot { return line[(i+n)%n] }
	ends := func(i int) bool { return at(i).corner || !closed && (i == 0 || i == n-1) }
	path := fit.Path{Closed: closed}
	for i := range last {
		a, b := at(i), at(i+1)
		chord := b.Sub(a.Point)
		var from, to fit.Point // unit directions at both ends
		if !ends(i) {
			from = arcDirection(at(i-1).Point, a.Point, b.Point)
		}
		if !ends(i + 1) {
			to = arcDirection(a.Point, b.Point, at(i+2).Point)
		}
		switch {
		case ends(i) && ends(i+1):
			path.Segments = append(path.Segments, fit.LineTo(a.Point, b.Point))
			continue
		case ends(i):
			from = mirrored(to, chord)
		case ends(i + 1):
			to = mirrored(from, chord)
		}
		path.Segments = append(path.Segments, fit.CubicTo(a.Point, a.Add(from.Mul(handle(from, chord))),
			b.Sub(to.Mul(handle(to, chord))), b.Point))
	}
	return path
}

// arcDirection is the direction, at b, of the circle that passes through a, b and c in this order: the mean of the two
// chords' directions, each weighted with the inverse of its length.
func arcDirection(a, b, c fit.Point) fit.Point {
	u, v := b.Sub(a), c.Sub(b)
	return u.Mul(1 / u.Dot(u)).Add(v.Mul(1 / v.Dot(v))).Unit()
}

// mirrored is the direction at the other end of an arc that has direction d at one end of chord.
func mirrored(d, chord fit.Point) fit.Point {
	u := chord.Unit()
	return u.Mul(2 * d.Dot(u)).Sub(d).Unit()
}

// handle is the length of a cubic's handle in direction d that follows a circular arc over chord: chord·2/(3(1+cos a))
// for an angle a between the two, which is 4/3·tan(θ/4)·r for an arc of θ = 2a.
func handle(d, chord fit.Point) float64 {
	l := chord.Len()
	return l * 2 / (3 * (1 + max(d.Dot(chord)/l, -0.5)))
}

// ellipse is a closed line around (cx, cy) of half axes rx and ry, in four smooth pieces, clockwise on screen.
func ellipse(cx, cy, rx, ry float64) fit.Path {
	const k = 0.5522847498307936 // 4/3·(√2-1): a quarter circle by one cubic
	p := func(x, y float64) fit.Point { return fit.Point{X: cx + x*rx, Y: cy + y*ry} }
	return fit.Path{Closed: true, Segments: []fit.Segment{
		fit.CubicTo(p(1, 0), p(1, k), p(k, 1), p(0, 1)),
		fit.CubicTo(p(0, 1), p(-k, 1), p(-1, k), p(-1, 0)),
		fit.CubicTo(p(-1, 0), p(-1, -k), p(-k, -1), p(0, -1)),
		fit.CubicTo(p(0, -1), p(k, -1), p(1, -k), p(1, 0)),
	}}
}

// clockwise returns p run clockwise on screen, or the other way round.
func clockwise(p fit.Path, want bool) fit.Path {
	if (p.Area() > 0) != want {
		return p.Reverse()
	}
	return p
}

// hand is the unsteadiness of a hand: a smooth displacement of the plane, so that edges which meet move together.
type hand struct {
	waves []wave
}

// wave displaces points along (dx, dy) by a sine of their position.
type wave struct {
	kx, ky, phase float64 // rad/px, rad/px, rad
	dx, dy        float64 // px
}

// newHand returns a hand of its own for each seed, which displaces by up to about size pixels.
func newHand(seed uint64, size float64) hand {
	var h hand
	r := seed
	next := func() float64 { // 0..1, by a xorshift generator (Marsaglia, "Xorshift RNGs", 2003)
		r ^= r << 13
		r ^= r >> 7
		r ^= r << 17
		return float64(r>>11) / (1 << 53)
	}
	for range 8 {
		next()
	}
	const count = 5
	for i := range count {
		length := 70 + 45*float64(i) // px
		angle := 2 * math.Pi * next()
		k := 2 * math.Pi / length
		way := 2 * math.Pi * next()
		a := size * 0.5 * math.Sqrt(length/160)
		h.waves = append(h.waves, wave{k * math.Cos(angle), k * math.Sin(angle), 2 * math.Pi * next(), a * math.Cos(way), a * math.Sin(way)})
	}
	return h
}

// move returns where p comes to lie, and how a small step from it is turned: step (x, y) becomes
// (x+ (x·gx+y·gy) …), given as the two images of the unit steps.
func (h hand) move(p fit.Point) (to, ex, ey fit.Point) {
	to, ex, ey = p, fit.Point{X: 1}, fit.Point{Y: 1}
	for _, w := range h.waves {
		t := w.kx*p.X + w.ky*p.Y + w.phase
		s, c := math.Sincos(t)
		d := fit.Point{X: w.dx, Y: w.dy}
		to = to.Add(d.Mul(s))
		ex = ex.Add(d.Mul(c * w.kx))
		ey = ey.Add(d.Mul(c * w.ky))
	}
	return to, ex, ey
}

// draw returns p as the hand draws it. Handles follow their end's displacement, so what was smooth stays smooth.
func (h hand) draw(p fit.Path) fit.Path {
	out := fit.Path{Closed: p.Closed, Segments: make([]fit.Segment, len(p.Segments))}
	for i, s := range p.Segments {
		a, ax, ay := h.move(s.P[0])
		d, dx, dy := h.move(s.P[3])
		u, v := s.P[1].Sub(s.P[0]), s.P[2].Sub(s.P[3])
		b := a.Add(ax.Mul(u.X)).Add(ay.Mul(u.Y))
		c := d.Add(dx.Mul(v.X)).Add(dy.Mul(v.Y))
		out.Segments[i] = fit.CubicTo(a, b, c, d)
	}
	return out
}
