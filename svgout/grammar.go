package svgout

import (
	"fmt"
	"math"
	"strconv"

	"pochoir/fit"
)

// This file reads path data: the whole grammar of SVG 2, section 9.3.9, and of SVG 1.1, section 8.3.9, whose numbers
// may end in a point.

// A dataError says where path data stops making sense.
type dataError struct {
	at   int // byte offset
	text string
}

func (e *dataError) Error() string {
	return fmt.Sprintf("path data at character %d: %s", e.at+1, e.text)
}

// parsePath reads path data into closed outlines, one a subpath; an open one is closed by a line, as filling does, and
// one without a segment is left out. Quadratic curves are raised to cubics, which is exact; arcs become cubics within
// 2.8e-4 of their radius.
//
// Coordinates written with a fixed number of decimals come out as the numbers nearest to the decimals they stand for,
// absolute or relative: relative coordinates are summed without gathering errors.
func parsePath(d string) ([]fit.Path, error) {
	p := dataReader{s: d, unit: decimalUnit(d)}
	if err := p.read(); err != nil {
		return nil, err
	}
	return p.paths, nil
}

// decimalUnit returns 10^n where n is the most digits after a point in d, or 0 when d has exponents or more decimals
// than a sum can keep.
func decimalUnit(d string) float64 {
	const mostDecimals = 9 // 1e5 px with nine decimals are 1e14 units, which a float64 counts exactly
	most, run, counting := 0, 0, false
	for i := 0; i < len(d); i++ {
		switch c := d[i]; {
		case c == 'e' || c == 'E':
			return 0
		case c == '.':
			run, counting = 0, true
		case c >= '0' && c <= '9' && counting:
			run++
			most = max(most, run)
		default:
			counting = false
		}
	}
	if most > mostDecimals {
		return 0
	}
	unit := 1.0
	for range most {
		unit *= 10
	}
	return unit
}

type dataReader struct {
	s    string
	i    int
	unit float64 // see decimalUnit

	paths []fit.Path
	segs  []fit.Segment // of the open subpath
	fresh int           // how many of them the command at hand has added
	at    fit.Point
	start fit.Point
	// ctrl is the last handle of the segment before, for S and T; kind tells which of the two may use it.
	ctrl fit.Point
	kind byte // 'C' after a cubic, 'Q' after a quadratic, else 0
}

func (p *dataReader) fail(format string, a ...any) error {
	return &dataError{p.i, fmt.Sprintf(format, a...)}
}

func (p *dataReader) space() {
	for p.i < len(p.s) {
		switch p.s[p.i] {
		case ' ', '\t', '\n', '\f', '\r':
			p.i++
		default:
			return
		}
	}
}

// comma skips white space with at most one comma in it, and reports whether there was a comma.
func (p *dataReader) comma() bool {
	p.space()
	if p.i < len(p.s) && p.s[p.i] == ',' {
		p.i++
		p.space()
		return true
	}
	return false
}

// here describes the character at hand, for messages.
func (p *dataReader) here() string {
	if p.i >= len(p.s) {
		return "the end"
	}
	for _, r := range p.s[p.i:] {
		return strconv.QuoteRune(r)
	}
	return ""
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// numberNext reports whether a number starts here.
func (p *dataReader) numberNext() bool {
	if p.i >= len(p.s) {
		return false
	}
	c := p.s[p.i]
	return isDigit(c) || c == '.' || c == '-' || c == '+'
}

func (p *dataReader) number() (float64, error) {
	from, i := p.i, p.i
	digits := func() int {
		n := i
		for i < len(p.s) && isDigit(p.s[i]) {
			i++
		}
		return i - n
	}
	if i < len(p.s) && (p.s[i] == '-' || p.s[i] == '+') {
		i++
	}
	n := digits()
	if i < len(p.s) && p.s[i] == '.' {
		i++
		n += digits()
	}
	if n == 0 {
		return 0, p.fail("want a number, got %s", p.here())
	}
	if i < len(p.s) && (p.s[i] == 'e' || p.s[i] == 'E') {
		mark := i
		i++
		if i < len(p.s) && (p.s[i] == '-' || p.s[i] == '+') {
			i++
		}
		if digits() == 0 {
			i = mark // not an exponent; whatever it is, the caller will stumble over it
		}
	}
	v, err := strconv.ParseFloat(p.s[from:i], 64)
	if err != nil || math.Abs(v) > 2*mostExtent { // from one end of the plane to the other
		return 0, p.fail("%s is out of range, want at most %.0f", p.s[from:i], 2*mostExtent)
	}
	p.i = i
	return v, nil
}

// numbers reads len(v) numbers with separators between them.
func (p *dataReader) numbers(v []float64) error {
	for k := range v {
		if k > 0 {
			p.comma()
		}
		var err error
		if v[k], err = p.number(); err != nil {
			return err
		}
	}
	return nil
}

// flag reads 0 or 1, which need no separator after it.
func (p *dataReader) flag() (bool, error) {
	if p.i < len(p.s) && (p.s[p.i] == '0' || p.s[p.i] == '1') {
		p.i++
		return p.s[p.i-1] == '1', nil
	}
	return false, p.fail("want a flag, 0 or 1, got %s", p.here())
}

// sum returns a+b, to the last decimal of the path data.
func (p *dataReader) sum(a, b float64) float64 {
	if p.unit == 0 || b == 0 {
		return a + b
	}
	return math.Round((a+b)*p.unit) / p.unit
}

// point returns the position of a coordinate pair.
func (p *dataReader) point(rel bool, x, y float64) fit.Point {
	if rel {
		return fit.Point{X: p.sum(p.at.X, x), Y: p.sum(p.at.Y, y)}
	}
	return fit.Point{X: x, Y: y}
}

// mirrored returns the handle of the segment before, mirrored at the current point, if that was of the given kind.
func (p *dataReader) mirrored(kind byte) fit.Point {
	if p.kind != kind {
		return p.at
	}
	return fit.Point{X: p.sum(p.at.X, p.at.X-p.ctrl.X), Y: p.sum(p.at.Y, p.at.Y-p.ctrl.Y)}
}

func (p *dataReader) line(to fit.Point) {
	p.segs = append(p.segs, fit.LineTo(p.at, to))
	p.fresh++
	p.at, p.kind = to, 0
}

func (p *dataReader) cubic(b, c, to fit.Point) {
	p.segs = append(p.segs, fit.CubicTo(p.at, b, c, to))
	p.fresh++
	p.at, p.ctrl, p.kind = to, c, 'C'
}

func (p *dataReader) quadratic(q, to fit.Point) {
	p.segs = append(p.segs, fit.CubicTo(p.at, p.at.Lerp(q, 2.0/3), to.Lerp(q, 2.0/3), to))
	p.fresh++
	p.at, p.ctrl, p.kind = to, q, 'Q'
}

// end closes the open subpath.
func (p *dataReader) end() {
	if len(p.segs) > 0 {
		if p.at != p.start {
			p.line(p.start)
		}
		p.paths = append(p.paths, fit.Path{Segments: p.segs, Closed: true})
	}
	p.segs, p.fresh = nil, 0
	p.at, p.kind = p.start, 0
}

// within reports whether the current point and the segments just added stay within mostExtent of the origin.
func (p *dataReader) within() bool {
	in := func(q fit.Point) bool { return math.Abs(q.X) <= mostExtent && math.Abs(q.Y) <= mostExtent }
	for _, s := range p.segs[len(p.segs)-p.fresh:] {
		if !in(s.P[1]) || !in(s.P[2]) {
			return false
		}
	}
	return in(p.at)
}

func (p *dataReader) read() error {
	p.space()
	if p.i == len(p.s) {
		return nil
	}
	if c := p.s[p.i]; c != 'M' && c != 'm' {
		return p.fail("want M or m first, got %s", p.here())
	}
	for p.i < len(p.s) {
		c := p.s[p.i]
		upper, rel := c, false
		if c >= 'a' && c <= 'z' {
			upper, rel = c-'a'+'A', true
		}
		switch upper {
		case 'Z':
			p.i++
			p.end()
			p.space()
			continue
		case 'M', 'L', 'H', 'V', 'C', 'S', 'Q', 'T', 'A':
			p.i++
			p.space()
		default:
			return p.fail("want a command, got %s", p.here())
		}
		for {
			p.fresh = 0
			if err := p.command(upper, rel); err != nil {
				return err
			}
			if !p.within() {
				return p.fail("the path runs more than %.0f px off", mostExtent)
			}
			if upper == 'M' {
				upper = 'L' // further pairs are lines
			}
			comma := p.comma()
			if !p.numberNext() {
				if comma {
					return p.fail("want a number after the comma, got %s", p.here())
				}
				break
			}
		}
	}
	p.end()
	return nil
}

// command reads the numbers of one command and carries it out.
func (p *dataReader) command(upper byte, rel bool) error {
	var v [6]float64
	switch upper {
	case 'M', 'L', 'T':
		if err := p.numbers(v[:2]); err != nil {
			return err
		}
	case 'H', 'V':
		if err := p.numbers(v[:1]); err != nil {
			return err
		}
	case 'S', 'Q':
		if err := p.numbers(v[:4]); err != nil {
			return err
		}
	case 'C':
		if err := p.numbers(v[:6]); err != nil {
			return err
		}
	case 'A':
		return p.arc(rel)
	}
	a := p.point(rel, v[0], v[1])
	switch upper {
	case 'M':
		p.end()
		p.at, p.start = a, a
	case 'L':
		p.line(a)
	case 'H':
		p.line(fit.Point{X: a.X, Y: p.at.Y})
	case 'V':
		y := v[0]
		if rel {
			y = p.sum(p.at.Y, y)
		}
		p.line(fit.Point{X: p.at.X, Y: y})
	case 'C':
		p.cubic(a, p.point(rel, v[2], v[3]), p.point(rel, v[4], v[5]))
	case 'S':
		p.cubic(p.mirrored('C'), a, p.point(rel, v[2], v[3]))
	case 'Q':
		p.quadratic(a, p.point(rel, v[2], v[3]))
	case 'T':
		p.quadratic(p.mirrored('Q'), a)
	}
	return nil
}

// arc reads an elliptical arc and draws it as cubics, one for each quarter turn or less: SVG 1.1, appendix F.6
// (conversion from endpoint to centre parameterisation, corrections of out-of-range radii).
func (p *dataReader) arc(rel bool) error {
	var r [3]float64
	if err := p.numbers(r[:]); err != nil {
		return err
	}
	p.comma()
	large, err := p.flag()
	if err != nil {
		return err
	}
	p.comma()
	sweep, err := p.flag()
	if err != nil {
		return err
	}
	p.comma()
	var v [2]float64
	if err := p.numbers(v[:]); err != nil {
		return err
	}
	from, to := p.at, p.point(rel, v[0], v[1])
	rx, ry := math.Abs(r[0]), math.Abs(r[1])
	if from == to { // F.6.2: as if it were not there
		return nil
	}
	if rx == 0 || ry == 0 { // F.6.2: a straight line
		p.line(to)
		return nil
	}
	sin, cos := math.Sincos(r[2] * math.Pi / 180)
	mx, my := (from.X-to.X)/2, (from.Y-to.Y)/2
	x, y := cos*mx+sin*my, cos*my-sin*mx // F.6.5.1
	over := x/rx*(x/rx) + y/ry*(y/ry)
	if over > 1 {
		rx, ry = rx*math.Sqrt(over), ry*math.Sqrt(over) // F.6.6.3
	}
	// On the unit circle: half the chord is (ux, uy), the centre is square to it (F.6.5.2 divided by the radii).
	ux, uy := x/rx, y/ry
	h := math.Sqrt(math.Max(0, 1/(ux*ux+uy*uy)-1))
	if math.IsInf(over, 1) || math.IsInf(h, 1) { // radii out of all proportion to the chord
		p.line(to)
		return nil
	}
	if large == sweep {
		h = -h
	}
	cx, cy := h*uy, -h*ux
	a0 := math.Atan2(uy-cy, ux-cx)
	turn := math.Atan2(-uy-cy, -ux-cx) - a0 // F.6.5.6
	if sweep && turn < 0 {
		turn += 2 * math.Pi
	} else if !sweep && turn > 0 {
		turn -= 2 * math.Pi
	}
	mid := from.Lerp(to, 0.5)
	place := func(x, y float64) fit.Point {
		x, y = rx*(x+cx), ry*(y+cy)
		return fit.Point{X: mid.X + cos*x - sin*y, Y: mid.Y + sin*x + cos*y}
	}
	const quarter = math.Pi/2 + 1e-9 // rad; the slack keeps a quarter circle in one piece
	n := max(1, int(math.Ceil(math.Abs(turn)/quarter)))
	step := turn / float64(n)
	k := 4.0 / 3 * math.Tan(step/4)
	for i := range n {
		s0, c0 := math.Sincos(a0 + float64(i)*step)
		s1, c1 := math.Sincos(a0 + float64(i+1)*step)
		end := to
		if i < n-1 {
			end = place(c1, s1)
		}
		p.cubic(place(c0-k*s0, s0+k*c0), place(c1+k*s1, s1-k*c1), end)
	}
	p.kind = 0
	return nil
}
