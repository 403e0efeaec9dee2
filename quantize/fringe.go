package quantize

import (
	"math"
	"math/bits"
	"slices"
)

// This file labels the pixels between the cores.

const (
	// mixMiss is by how many levels a mixture may miss a pixel of a picture coded without loss: each of three channels
	// is rounded about twice.
	mixMiss = 3.5
	// roughMiss is the same in a picture coded with loss.
	roughMiss = 12
)

// The eight directions in which cores are looked for; direction d+4 is opposed to d.
var compass = [8][2]int{{1, 0}, {1, 1}, {0, 1}, {-1, 1}, {-1, 0}, {-1, -1}, {0, -1}, {1, -1}}

// ray returns the label of the first core within far pixels of (x, y) and how many pixels away it is; -1 if there is
// none.
func (q *flattener) ray(cores []uint64, x, y, dir, far int) (label, away int) {
	dx, dy := compass[dir][0], compass[dir][1]
	far = min(far, steps(x, dx, q.w), steps(y, dy, q.h))
	i, step := y*q.w+x, dy*q.w+dx
	for k := 1; k <= far; k++ {
		if i += step; bit(cores, i) {
			return int(q.labels[i]), k
		}
	}
	return -1, 0
}

// steps returns how many steps of d, -1 to 1, from x stay within 0 to n-1.
func steps(x, d, n int) int {
	switch d {
	case 1:
		return n - 1 - x
	case -1:
		return x
	}
	return math.MaxInt
}

// around is what a pixel sees along the eight directions.
type around struct {
	label [8]int // of the nearest core, -1 for none
	away  [8]int // px
	all   [8]int // where nearest puts its result
}

func (q *flattener) look(i, far int) (a around) {
	x, y := i%q.w, i/q.w
	for dir := range 8 {
		a.label[dir], a.away[dir] = q.ray(q.core, x, y, dir, far)
	}
	return a
}

// nearest returns the labels without repetition, the nearest first, of equally near ones by direction.
func (a *around) nearest() []int {
	n := 0
	var seen uint8
	for {
		next := -1
		for dir := range 8 {
			if seen>>dir&1 == 0 && a.label[dir] >= 0 && (next < 0 || a.away[dir] < a.away[next]) {
				next = dir
			}
		}
		if next < 0 {
			return a.all[:n]
		}
		l := a.label[next]
		for dir := range 8 { // no nearer, so never again
			if a.label[dir] == l {
				seen |= 1 << dir
			}
		}
		a.all[n] = l
		n++
	}
}

// reach is how many pixels away from an edge the cores begin at most.
func (q *flattener) reach() int {
	far := 3
	if q.rough {
		far = 6
	}
	return far + int(2*q.blur)
}

func (q *flattener) mayMiss() float64 {
	if q.rough {
		return roughMiss
	}
	return mixMiss
}

// fringes labels the pixels that are no cores: mixtures of the colours either side of an edge first, thin features
// after them.
func (q *flattener) fringes() {
	// Only the labels of cores are read meanwhile, and only those of others written.
	found, mixed := make([][]int, bandCount(q.h)), make([][]int, bandCount(q.h))
	rowBands(q.h, q.opt.Workers, func(band, y0, y1 int) {
		var open, odd []int
		for k := y0 * q.w >> 6; k<<6 < y1*q.w; k++ {
			if q.core[k] == ^uint64(0) {
				continue
			}
			for m := ^q.core[k]; m != 0; m &= m - 1 {
				if i := k<<6 + bits.TrailingZeros64(m); i < y1*q.w {
					l, plain := q.fringe(i)
					if q.labels[i] = l; l == unlabelled {
						open = append(open, i)
					}
					if !plain {
						odd = append(odd, i)
					}
				}
			}
		}
		found[band], mixed[band] = open, odd
	})
	q.thinFeatures(slices.Concat(found...))
	if !q.rough {
		q.takeSeams(slices.Concat(mixed...))
	}
	q.drownIslands()
	if !q.rough {
		q.hairlines()
		q.narrows()
		q.faintMarks()
	}
}

// fringePixel is a pixel that is to get a label.
type fringePixel struct {
	at    int32
	label uint8
}

// fringe returns the label of pixel i by the cores around it, or unlabelled, and whether one or two of those on opposite
// sides explain it.
func (q *flattener) fringe(i int) (l uint8, plain bool) {
	c, may := q.tone(i), q.mayMiss()
	a := q.look(i, q.reach())
	best, label := math.Inf(1), unlabelled
	other := unlabelled
	var share, missed float64 // of the pair met last: mostly it is met again
	x, y := -1, -1
	for dir := range 4 {
		l, m := a.label[dir], a.label[dir+4]
		if l < 0 || m < 0 {
			continue
		}
		// nearer cores tell more than an exact match of mixtures
		cost := 0.6 * float64(a.away[dir]+a.away[dir+4])
		if l == m {
			if miss := toneDistance(c, q.tints[l].v, q.soft); miss <= may && miss+cost < best {
				best, label, other = miss+cost, l, l
			}
			continue
		}
		if l != x || m != y {
			x, y = l, m
			share, missed = q.pair(l, m).mix(c)
		}
		if missed <= may && missed+cost < best {
			best, label, other = missed+cost, m, l
			if share >= 0.5 {
				label, other = l, m
			}
		}
	}
	if label != unlabelled {
		if label != other && q.rimmed(i, &a, label, other) {
			return unlabelled, true
		}
		return uint8(label), true
	}
	near := a.nearest()
	if label, _ = q.explainTwo(c, near, may); label == unlabelled && !q.soft {
		if label = q.sandwiched(c, &a, near, may); label == unlabelled {
			label, _ = q.explainThree(c, near, may)
		}
	}
	return uint8(label), false
}

// sandwiched returns which of two labels close by on opposite sides has the larger share in c where a third of those near
// shines through between them, unlabelled where that does not explain c.
func (q *flattener) sandwiched(c tone, a *around, near []int, may float64) int {
	const close = 3 // px from core to core
	best, label := may, unlabelled
	for dir := range 4 {
		l, m := a.label[dir], a.label[dir+4]
		if l < 0 || m < 0 || l == m || a.away[dir]+a.away[dir+4] > close {
			continue
		}
		for _, n := range near {
			if n == l || n == m {
				continue
			}
			if s, miss, ok := mix3(c, q.tints[l].v, q.tints[m].v, q.tints[n].v); ok && miss <= best {
				best, label = miss, m
				if s[0] >= s[1] {
					label = l
				}
			}
		}
	}
	return label
}

// explain returns the label with the largest share in the mixture of up to three of the given labels that comes
// nearest to c, fewer labels first, and by how much it misses; unlabelled if none is within may levels.
func (q *flattener) explain(c tone, labels []int, may float64) (label int, miss float64) {
	if label, miss = q.explainTwo(c, labels, may); label != unlabelled || q.soft {
		return label, miss
	}
	return q.explainThree(c, labels, may)
}

// explainTwo is explain for mixtures of two labels at most.
func (q *flattener) explainTwo(c tone, labels []int, may float64) (label int, miss float64) {
	best, label := may, unlabelled
	for _, l := range labels {
		if m := toneDistance(c, q.tints[l].v, q.soft); m <= best {
			best, label = m, l
		}
	}
	if label != unlabelled {
		return label, best
	}
	for x, l := range labels {
		for _, m := range labels[:x] {
			if share, miss := q.pair(l, m).mix(c); miss <= best {
				best, label = miss, m
				if share >= 0.5 {
					label = l
				}
			}
		}
	}
	return label, best
}

// explainThree is explain for mixtures of three labels.
func (q *flattener) explainThree(c tone, labels []int, may float64) (label int, miss float64) {
	best, label := may, unlabelled
	for x, l := range labels {
		for y, m := range labels[:x] {
			for _, n := range labels[:y] {
				s, miss, ok := mix3(c, q.tints[l].v, q.tints[m].v, q.tints[n].v)
				if !ok || miss > best {
					continue
				}
				best, label = miss, n
				switch {
				case s[0] >= s[1] && s[0] >= s[2]:
					label = l
				case s[1] >= s[2]:
					label = m
				}
			}
		}
	}
	return label, best
}
