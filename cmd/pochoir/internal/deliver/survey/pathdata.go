package survey

import (
	"math"
	"strconv"
	"strings"

	"pochoir/fit"
)

// scanner reads numbers parted by white space and commas, as SVG writes them.
type scanner struct {
	s string
	i int
}

func (s *scanner) skip() {
	for s.i < len(s.s) && strings.IndexByte(" \t\r\n\f,", s.s[s.i]) >= 0 {
		s.i++
	}
}

func (s *scanner) done() bool {
	s.skip()
	return s.i == len(s.s)
}

// number reads one number; two may stand together where the sign or the point of the second parts them.
func (s *scanner) number() (float64, bool) {
	s.skip()
	i, n := s.i, len(s.s)
	if i < n && (s.s[i] == '+' || s.s[i] == '-') {
		i++
	}
	digits := 0
	for ; i < n && '0' <= s.s[i] && s.s[i] <= '9'; i++ {
		digits++
	}
	if i < n && s.s[i] == '.' {
		for i++; i < n && '0' <= s.s[i] && s.s[i] <= '9'; i++ {
			digits++
		}
	}
	if digits == 0 {
		return 0, false
	}
	if i < n && (s.s[i] == 'e' || s.s[i] == 'E') {
		j := i + 1
		if j < n && (s.s[j] == '+' || s.s[j] == '-') {
			j++
		}
		if j < n && '0' <= s.s[j] && s.s[j] <= '9' { // else the e belongs to a unit such as em
			for i = j; i < n && '0' <= s.s[i] && s.s[i] <= '9'; i++ {
			}
		}
	}
	v, err := strconv.ParseFloat(s.s[s.i:i], 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, false
	}
	s.i = i
	return v, true
}

// unit reads the letters or the percent sign right after a number.
func (s *scanner) unit() string {
	start := s.i
	for s.i < len(s.s) && (s.s[s.i] == '%' || s.s[s.i]|0x20 >= 'a' && s.s[s.i]|0x20 <= 'z') {
		s.i++
	}
	return s.s[start:s.i]
}

// flag reads a single 0 or 1, which needs nothing to part it from what follows.
func (s *scanner) flag() (bool, bool) {
	s.skip()
	if s.i < len(s.s) && (s.s[s.i] == '0' || s.s[s.i] == '1') {
		s.i++
		return s.s[s.i-1] == '1', true
	}
	return false, false
}

// roundOff is how far, as a share of its coordinates, the end of a subpath may be from its start and still be the same
// point: what relative coordinates gather over some ten thousand segments.
const roundOff = 1e-10

// parsePath reads path data by the grammar of SVG 2, section 9.3.9, and returns the subpaths as written. On an error
// it returns what stands before it, as browsers do, and false.
func parsePath(d string) ([]Subpath, bool) {
	s := scanner{s: d}
	var out []Subpath
	var segs []fit.Segment
	var at, start, handle fit.Point
	var last byte // the command before, upper case
	open := false
	end := func(closed bool) {
		if open {
			out = append(out, Subpath{fit.Path{Segments: segs, Closed: closed}, start})
		}
		segs, open = nil, false
	}
	add := func(g fit.Segment) {
		if !open { // after Z drawing goes on from the start of the subpath before
			start, open = at, true
		}
		segs = append(segs, g)
		at = g.P[3]
	}
	var cmd byte
	for !s.done() {
		c := s.s[s.i]
		switch {
		case c|0x20 >= 'a' && c|0x20 <= 'z':
			s.i++
			cmd = c
		case cmd == 0 || cmd|0x20 == 'z':
			end(false)
			return out, false
		case cmd == 'M':
			cmd = 'L'
		case cmd == 'm':
			cmd = 'l'
		}
		upper := cmd &^ 0x20
		if last == 0 && upper != 'M' {
			return out, false
		}
		ok := true
		num := func() float64 {
			v, good := s.number()
			ok = ok && good
			return v
		}
		pt := func() fit.Point {
			p := fit.Point{X: num(), Y: num()}
			if cmd != upper {
				p = p.Add(at)
			}
			return p
		}
		switch upper {
		case 'M':
			p := pt()
			if ok {
				end(false)
				at, start, open = p, p, true
			}
		case 'Z':
			if n := len(segs); open && n > 0 && at != start {
				if d := at.Sub(start).Len(); d <= roundOff*(math.Abs(at.X)+math.Abs(at.Y)+1) {
					segs[n-1].P[3] = start
				} else {
					segs = append(segs, fit.LineTo(at, start))
				}
			}
			end(true)
			at = start
		case 'L':
			if p := pt(); ok {
				add(fit.LineTo(at, p))
			}
		case 'H':
			x := num()
			if cmd == 'h' {
				x += at.X
			}
			if ok {
				add(fit.LineTo(at, fit.Point{X: x, Y: at.Y}))
			}
		case 'V':
			y := num()
			if cmd == 'v' {
				y += at.Y
			}
			if ok {
				add(fit.LineTo(at, fit.Point{X: at.X, Y: y}))
			}
		case 'C', 'S':
			p1 := at
			if upper == 'C' {
				p1 = pt()
			} else if last == 'C' || last == 'S' {
				p1 = at.Mul(2).Sub(handle)
			}
			p2, p3 := pt(), fit.Point{}
			p3 = pt()
			if ok {
				add(fit.CubicTo(at, p1, p2, p3))
				handle = p2
			}
		case 'Q', 'T':
			q := at
			if upper == 'Q' {
				q = pt()
			} else if last == 'Q' || last == 'T' {
				q = at.Mul(2).Sub(handle)
			}
			p := pt()
			if ok {
				add(fit.CubicTo(at, at.Lerp(q, 2.0/3), p.Lerp(q, 2.0/3), p))
				handle = q
			}
		case 'A':
			rx, ry, turn := num(), num(), num()
			large, good1 := s.flag()
			sweep, good2 := s.flag()
			p := pt()
			if ok = ok && good1 && good2; ok {
				for _, g := range arc(at, p, rx, ry, turn, large, sweep) {
					add(g)
				}
			}
		default:
			ok = false
		}
		if !ok {
			end(false)
			return out, false
		}
		last = upper
	}
	end(false)
	return out, true
}

// arc returns an elliptical arc as cubics of at most a quarter turn (SVG 2, appendix B.2.4; the handle length is the
// usual 4/3·tan(θ/4), whose error at a quarter turn is 2.7e-4 of the radius).
func arc(from, to fit.Point, rx, ry, degrees float64, large, sweep bool) []fit.Segment {
	rx, ry = math.Abs(rx), math.Abs(ry)
	if from == to {
		return nil
	}
	if rx == 0 || ry == 0 {
		return []fit.Segment{fit.LineTo(from, to)}
	}
	sin, cos := math.Sincos(degrees * math.Pi / 180)
	dx, dy := (from.X-to.X)/2, (from.Y-to.Y)/2
	x, y := dot2(cos, dx, sin, dy), dot2(-sin, dx, cos, dy)
	if grow := float64(x*x/(rx*rx)) + float64(y*y/(ry*ry)); grow > 1 {
		rx, ry = rx*math.Sqrt(grow), ry*math.Sqrt(grow)
	}
	den := dot2(rx*rx, y*y, ry*ry, x*x)
	k := math.Sqrt(math.Max(0, (float64(rx*rx*ry*ry)-den)/den))
	if large == sweep {
		k = -k
	}
	cx, cy := k*rx*y/ry, -k*ry*x/rx
	centre := fit.Point{X: dot2(cos, cx, -sin, cy) + (from.X+to.X)/2, Y: dot2(sin, cx, cos, cy) + (from.Y+to.Y)/2}
	a0 := math.Atan2((y-cy)/ry, (x-cx)/rx)
	da := math.Atan2((-y-cy)/ry, (-x-cx)/rx) - a0
	if sweep && da < 0 {
		da += 2 * math.Pi
	} else if !sweep && da > 0 {
		da -= 2 * math.Pi
	}
	n := max(1, int(math.Ceil(math.Abs(da)/(math.Pi/2)-1e-9)))
	step := da / float64(n)
	h := 4.0 / 3 * math.Tan(step/4)
	on := func(a float64) (p, d fit.Point) { // point and derivative
		s, c := math.Sincos(a)
		u, v := rx*c, ry*s
		du, dv := -rx*s, ry*c
		return fit.Point{X: centre.X + dot2(cos, u, -sin, v), Y: centre.Y + dot2(sin, u, cos, v)},
			fit.Point{X: dot2(cos, du, -sin, dv), Y: dot2(sin, du, cos, dv)}
	}
	var out []fit.Segment
	p := from
	_, d := on(a0)
	for i := 1; i <= n; i++ {
		q, e := on(a0 + float64(float64(i)*step))
		if i == n {
			q = to
		}
		out = append(out, fit.CubicTo(p, p.Add(d.Mul(h)), q.Sub(e.Mul(h)), q))
		p, d = q, e
	}
	return out
}
