package quantize

// This file tells a thin rim of a middle colour from an anti-aliased edge between the colours either side of it.

// edgeStep is the least of the largest step between neighbours across an edge that is only mixed by the pixel's box:
// the coverage runs from 0 to 1 over less than two pixels along the axis that the edge is more nearly square to, so
// one of two steps is a half at least. Less some rounding.
const edgeStep = 0.46

// rimBlur is the spread of edges from which their steps tell nothing, px.
const rimBlur = 0.3

// prepareMids notes which pairs of tints have another tint for a mixture.
func (q *flattener) prepareMids() {
	n := len(q.tints)
	q.mids = make([]bool, n*n)
	if q.rough || q.blur >= rimBlur {
		return
	}
	for a := range n {
		for b := range n {
			for c := range n {
				if a == b || b == c || c == a || c == q.paper {
					continue
				}
				share, miss := q.pair(a, b).mix(q.tints[c].v)
				if miss <= mixMiss && share > 0.15 && share < 0.85 {
					q.mids[a*n+b] = true
				}
			}
		}
	}
}

// rimmed reports whether the change from label a to label b at pixel i is too gradual for an edge, and a tint lies
// between the two.
func (q *flattener) rimmed(i int, ar *around, a, b int) bool {
	if !q.mids[a*len(q.tints)+b] {
		return false
	}
	p := q.pair(a, b)
	asked := false
	for _, dir := range [2]int{0, 2} {
		l, m := ar.label[dir], ar.label[dir+4]
		if l == b && m == a {
			dir += 4
		} else if l != a || m != b {
			continue
		}
		asked = true
		step := compass[dir][1]*q.w + compass[dir][0]
		last := 1.0
		for k := ar.away[dir] - 1; k >= -ar.away[(dir+4)%8]; k-- {
			s := p.of(q.tone(i + k*step))
			if last-s >= edgeStep || s-last >= edgeStep {
				return false
			}
			last = s
		}
	}
	return asked
}
