package svgout

// This file prints rings as SVG path data, as short as it goes without a change of the points: each command absolute
// or relative, whichever is shorter, H and V for lines along an axis, S for a handle that mirrors the one before.
// All numbers are taken from grid points, so relative coordinates do not gather errors.

// pen is the state of the writing of one path.
type pen struct {
	b        []byte
	decimals int
	letter   byte // the command a number would continue, 0 if none
	point    bool // the last number has a decimal point
	at       spot // current point
	start    spot // start of the subpath
	mirror   spot // the handle that S would take
	text     [2][]byte
}

// appendPathData appends the data of one path, a closed subpath a ring.
func appendPathData(b []byte, rings [][]edge, decimals int) []byte {
	p := pen{b: b, decimals: decimals}
	for _, r := range rings {
		p.ring(r)
	}
	return p.b
}

// ring writes one closed subpath. A straight last segment is left to Z.
func (p *pen) ring(r []edge) {
	if p.letter == 0 {
		p.put('M', 'M', r[0].p[0])
	} else {
		p.put('M', 'm', r[0].p[0])
	}
	p.start = r[0].p[0]
	for i, e := range r {
		to := e.p[3]
		switch {
		case e.line && i == len(r)-1:
		case e.line && to.y == p.at.y:
			p.put('H', 'h', to)
		case e.line && to.x == p.at.x:
			p.put('V', 'v', to)
		case e.line:
			p.put('L', 'l', to)
		case e.p[1] == p.mirror:
			p.put('S', 's', e.p[2], to)
		default:
			p.put('C', 'c', e.p[1], e.p[2], to)
		}
		p.mirror = to
		if !e.line {
			p.mirror = spot{2*to.x - e.p[2].x, 2*to.y - e.p[2].y}
		}
	}
	p.b = append(p.b, 'Z')
	p.letter, p.point = 'Z', false
	p.at = p.start
}

// put writes the command in its shorter form, given both its letters; for equal lengths the relative one.
func (p *pen) put(abs, rel byte, pts ...spot) {
	p.text[0] = p.form(p.text[0][:0], abs, spot{}, pts)
	best, letter := p.text[0], abs
	if rel != abs {
		p.text[1] = p.form(p.text[1][:0], rel, p.at, pts)
		if len(p.text[1]) <= len(best) {
			best, letter = p.text[1], rel
		}
	}
	p.b = append(p.b, best...)
	p.at = pts[len(pts)-1]
	p.mirror = p.at
	p.letter = letter
	switch letter { // a further pair after M draws a line
	case 'M':
		p.letter = 'L'
	case 'm':
		p.letter = 'l'
	}
	p.point = false
	for i := len(best) - 1; i >= 0 && (best[i] >= '0' && best[i] <= '9' || best[i] == '.'); i-- {
		p.point = p.point || best[i] == '.'
	}
}

// form appends the command with its points taken from origin.
func (p *pen) form(t []byte, letter byte, origin spot, pts []spot) []byte {
	first, point := false, p.point
	if letter != p.letter {
		t = append(t, letter)
		first = true
	}
	for _, q := range pts {
		q = q.sub(origin)
		if letter != 'V' && letter != 'v' {
			t, point = appendNumber(t, q.x, p.decimals, first, point)
			first = false
		}
		if letter != 'H' && letter != 'h' {
			t, point = appendNumber(t, q.y, p.decimals, first, point)
			first = false
		}
	}
	return t
}

// appendNumber appends v units of the last decimal, as short as can be, after a space where one is needed: not after
// a letter (first), not before a sign, not before a point if the number before has one too (point). It reports whether
// the number has a decimal point.
func appendNumber(t []byte, v int64, decimals int, first, point bool) ([]byte, bool) {
	neg := v < 0
	if neg {
		v = -v
	}
	unit := pow10[decimals]
	whole, part := v/unit, v%unit
	switch {
	case neg:
		t = append(t, '-')
	case first, point && whole == 0 && part != 0:
	default:
		t = append(t, ' ')
	}
	if whole != 0 || part == 0 {
		var d [20]byte
		i := len(d)
		for {
			i--
			d[i] = byte('0' + whole%10)
			if whole /= 10; whole == 0 {
				break
			}
		}
		t = append(t, d[i:]...)
	}
	if part == 0 {
		return t, false
	}
	t = append(t, '.')
	for part != 0 {
		unit /= 10
		t = append(t, byte('0'+part/unit))
		part %= unit
	}
	return t, true
}
