package quantize

import "math"

// This file labels thin features: what no mixture of the cores around explains.

// thinFeatures divides the open pixels into connected parts, each of one colour mixed with its surroundings.
func (q *flattener) thinFeatures(open []int) {
	if len(open) == 0 {
		return
	}
	waiting := make([]uint64, len(q.core))
	for _, i := range open {
		setBits(waiting, i, i+1)
	}
	var part []int
	for _, first := range open {
		if !bit(waiting, first) {
			continue
		}
		part = append(part[:0], first)
		clearBit(waiting, first)
		for k := 0; k < len(part); k++ {
			x, y := part[k]%q.w, part[k]/q.w
			for yy := max(0, y-1); yy <= min(q.h-1, y+1); yy++ {
				for xx := max(0, x-1); xx <= min(q.w-1, x+1); xx++ {
					if j := yy*q.w + xx; bit(waiting, j) {
						clearBit(waiting, j)
						part = append(part, j)
					}
				}
			}
		}
		q.labelPart(part)
	}
}

// thinPixel is one pixel of a thin feature.
type thinPixel struct {
	at   int
	c    tone
	near [8]int // labels of the cores around
	n    int
}

// labelPart finds the colour that, mixed with the cores around each pixel, explains a part best, and labels it.
func (q *flattener) labelPart(part []int) {
	pixels := make([]thinPixel, len(part))
	for k, i := range part {
		a := q.look(i, q.reach()+2)
		pixels[k] = thinPixel{i, q.tone(i), a.all, a.n}
	}
	for len(pixels) > 0 {
		k, _ := q.bestThin(pixels)
		rest := pixels[:0]
		explained := 0
		for _, p := range pixels {
			label, share, miss := q.mixThin(&p, k)
			if miss > q.mayMiss() {
				rest = append(rest, p)
				continue
			}
			explained++
			if share >= 0.5 {
				label = k
			}
			q.labels[p.at] = uint8(label)
		}
		if explained == 0 { // nothing comes near: the nearest of all
			for _, p := range rest {
				label, share, _ := q.mixThin(&p, k)
				if share >= 0.5 {
					label = k
				}
				q.labels[p.at] = uint8(label)
			}
			return
		}
		pixels = rest
	}
}

// bestThin returns the tint that explains the pixels best, and by how many levels it misses them in the mean.
func (q *flattener) bestThin(pixels []thinPixel) (best int, miss float64) {
	bestCost := math.Inf(1)
	cap := 3 * q.mayMiss()
	for k := range q.tints {
		if k == q.paper {
			continue
		}
		var sum, most float64
		for i := range pixels {
			_, share, m := q.mixThin(&pixels[i], k)
			sum += math.Min(m, cap)
			if m <= q.mayMiss() {
				most = math.Max(most, share)
			}
		}
		mean := sum / float64(len(pixels))
		// of two that explain it equally, the one that shows itself more nearly unmixed
		if cost := mean + q.mayMiss()*(1-most); cost < bestCost {
			best, bestCost, miss = k, cost, mean
		}
	}
	return best, miss
}

// mixThin returns the share of tint k in the mixture with one of the labels around that comes nearest to the pixel,
// that label, and by how much the mixture misses.
func (q *flattener) mixThin(p *thinPixel, k int) (label int, share, miss float64) {
	label, share, miss = k, 1, toneDistance(p.c, q.tints[k].v, q.soft)
	for _, l := range p.near[:p.n] {
		if l == k {
			continue
		}
		if s, m := q.pair(k, l).mix(p.c); m < miss {
			label, share, miss = l, s, m
		}
	}
	return label, share, miss
}
