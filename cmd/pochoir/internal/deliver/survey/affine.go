package survey

import (
	"math"
	"strings"

	"pochoir/fit"
)

// affine maps (x, y) to (a x + c y + e, b x + d y + f): the order of SVG's matrix().
type affine struct{ a, b, c, d, e, f float64 }

var identity = affine{a: 1, d: 1}

// dot2 is a·b + c·d, each product rounded by itself so that every machine gives the same.
func dot2(a, b, c, d float64) float64 { return float64(a*b) + float64(c*d) }

// then returns the map that applies m first and n afterwards.
func (m affine) then(n affine) affine {
	return affine{
		dot2(n.a, m.a, n.c, m.b), dot2(n.b, m.a, n.d, m.b),
		dot2(n.a, m.c, n.c, m.d), dot2(n.b, m.c, n.d, m.d),
		dot2(n.a, m.e, n.c, m.f) + n.e, dot2(n.b, m.e, n.d, m.f) + n.f,
	}
}

func (m affine) apply(p fit.Point) fit.Point {
	return fit.Point{X: dot2(m.a, p.X, m.c, p.Y) + m.e, Y: dot2(m.b, p.X, m.d, p.Y) + m.f}
}

// scale is the factor by which lengths grow on average.
func (m affine) scale() float64 { return math.Sqrt(math.Abs(dot2(m.a, m.d, -m.b, m.c))) }

func (m affine) path(p fit.Path) fit.Path {
	if m == identity {
		return p
	}
	out := fit.Path{Segments: make([]fit.Segment, len(p.Segments)), Closed: p.Closed}
	for i, s := range p.Segments {
		for k := range s.P {
			s.P[k] = m.apply(s.P[k])
		}
		out.Segments[i] = s
	}
	return out
}

// parseTransform reads a transform attribute or property (CSS Transforms 1, section 8, the functions in two
// dimensions). It stops at what it does not understand and reports whether all was understood.
func parseTransform(s string) (affine, bool) {
	m := identity
	for {
		s = strings.TrimLeft(s, " \t\r\n,")
		if s == "" || s == "none" {
			return m, true
		}
		open, shut := strings.IndexByte(s, '('), strings.IndexByte(s, ')')
		if open < 0 || shut < open {
			return m, false
		}
		name, args := strings.TrimSpace(s[:open]), s[open+1:shut]
		s = s[shut+1:]
		var v []float64
		sc := scanner{s: args}
		for !sc.done() {
			x, ok := sc.number()
			if !ok {
				return m, false
			}
			switch sc.unit() {
			case "", "px", "deg":
			case "rad":
				x *= 180 / math.Pi
			case "turn":
				x *= 360
			default:
				return m, false
			}
			v = append(v, x)
		}
		at := func(i int, otherwise float64) float64 {
			if i < len(v) {
				return v[i]
			}
			return otherwise
		}
		if len(v) == 0 {
			return m, false
		}
		var t affine
		switch name {
		case "matrix":
			if len(v) != 6 {
				return m, false
			}
			t = affine{v[0], v[1], v[2], v[3], v[4], v[5]}
		case "translate":
			t = affine{1, 0, 0, 1, v[0], at(1, 0)}
		case "translateX":
			t = affine{1, 0, 0, 1, v[0], 0}
		case "translateY":
			t = affine{1, 0, 0, 1, 0, v[0]}
		case "scale":
			t = affine{v[0], 0, 0, at(1, v[0]), 0, 0}
		case "scaleX":
			t = affine{v[0], 0, 0, 1, 0, 0}
		case "scaleY":
			t = affine{1, 0, 0, v[0], 0, 0}
		case "rotate":
			sin, cos := math.Sincos(v[0] * math.Pi / 180)
			x, y := at(1, 0), at(2, 0)
			t = affine{1, 0, 0, 1, -x, -y}.then(affine{cos, sin, -sin, cos, 0, 0}).then(affine{1, 0, 0, 1, x, y})
		case "skewX":
			t = affine{1, 0, math.Tan(v[0] * math.Pi / 180), 1, 0, 0}
		case "skewY":
			t = affine{1, math.Tan(v[0] * math.Pi / 180), 0, 1, 0, 0}
		default:
			return m, false
		}
		m = t.then(m)
	}
}
