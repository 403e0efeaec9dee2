package quantize

import "math"

// This file tells a thin rim of a middle colour from an anti-aliased edge between the colours either side of it.

// An edge under the pixel's box alone runs from 0 to 1 over less than two pixels along the axis that it is more nearly
// square to. Where two pixels in a row are mixed, by mixedLeast at least, the step between them is 0.71 at least; that is
// the bound over all slopes and places of a straight edge. edgeStep leaves some room for coverage counted in
// sixteenths.
const (
	mixedLeast = 0.05
	edgeStep   = 0.65
)

// rimBlur is the spread of edges from which their steps tell nothing, px.
const rimBlur = 0.3

// findMids notes which pairs of tints have another tint for a mixture.
func (q *flattener) findMids() {
	n := len(q.tints)
	q.mids = make([]bool, n*n)
	parallel(n, q.opt.Workers, func(a int) {
		for b := range n {
			for c := range n {
				if a == b || b == c || c == a || c == q.paper {
					continue
				}
				share, miss := q.pair(a, b).mix(q.tints[c].v)
				if miss <= mixMiss && share > 0.15 && share < 0.85 {
					q.mids[a*n+b] = true
					break
				}
			}
		}
	})
}

// rimmed reports whether the change from label a to label b at pixel i is too gradual for an edge, and a tint lies
// between the two.
func (q *flattener) rimmed(i int, ar *around, a, b int) bool {
	if q.rough || q.blur >= rimBlur || !q.mids[a*len(q.tints)+b] {
		return false
	}
	for dir := range 4 {
		// a tip is as gradual along its axis, but has one label on both its sides
		if l, m := ar.label[dir], ar.label[dir+4]; l == m && (l == a || l == b) {
			return false
		}
	}
	// rows and columns cross an edge within few pixels; where they find no end, the diagonals tell
	for _, dirs := range [2][2]int{{0, 2}, {1, 3}} {
		asked := false
		for _, dir := range dirs {
			l, m := ar.label[dir], ar.label[dir+4]
			if l == b && m == a {
				dir += 4
			} else if l != a || m != b {
				continue
			}
			if asked = true; !q.gradual(i, dir, ar.away[dir], ar.away[(dir+4)%8], q.pair(a, b)) {
				return false
			}
		}
		if asked {
			return true
		}
	}
	return false
}

// gradual reports whether the share of a pair changes more slowly than at an edge, from the core that is before pixels
// away in a direction to the one that is behind pixels away in the other.
func (q *flattener) gradual(i, dir, before, behind int, p *pair) bool {
	step := compass[dir][1]*q.w + compass[dir][0]
	last, mixed, most := 1.0, 0, 0.0
	for k := before - 1; k >= -behind; k-- {
		s := p.of(q.tone(i + k*step))
		if s > mixedLeast && s < 1-mixedLeast {
			mixed++
		}
		most = max(most, math.Abs(last-s))
		last = s
	}
	return mixed >= 2 && most < edgeStep
}
