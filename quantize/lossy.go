package quantize

import (
	"cmp"
	"math"
	"slices"

	"pochoir/quantize/colour"
)

// lossyCores takes the palette of a picture coded with loss. Away from edges its flat areas are nearly even; a colour
// is a crowd of such pixels, and its swatch the crowd's commonest value.
func (q *flattener) lossyCores() {
	const evenRange = 8 // levels between neighbours in an even place
	w, h := q.px.W, q.px.H
	q.core = make([]uint64, bitmapLen(w*h))
	q.deep = make([]uint64, bitmapLen(w*h))
	q.reach, q.miss = 6, 14
	rowBands(h, q.opt.Workers, func(_, y0, y1 int) {
		for y := max(1, y0); y < min(h-1, y1); y++ {
			for x := 1; x < w-1; x++ {
				i := y*w + x
				if q.even(i, evenRange) {
					setBits(q.core, i, i+1)
				}
			}
		}
	})
	// The frame follows its inner neighbours.
	for y := range h {
		for x := range w {
			if x == 0 || y == 0 || x == w-1 || y == h-1 {
				j := min(max(y, 1), h-2)*w + min(max(x, 1), w-2)
				if j >= 0 && w > 2 && h > 2 && bit(q.core, j) {
					setBits(q.core, y*w+x, y*w+x+1)
				}
			}
		}
	}
	if len(q.opt.Palette) > 0 {
		q.deep = q.core
		q.table = map[uint32]uint8{}
		q.lockPalette()
		return
	}
	q.crowds()
}

// even reports whether the 3×3 pixels around i vary by at most limit levels in every channel.
func (q *flattener) even(i, limit int) bool {
	p, w := q.px.Pix, 4*q.px.W
	for k := 0; k < 3; k++ {
		c := 4*i + k
		lo, hi := p[c], p[c]
		for _, o := range [8]int{-w - 4, -w, -w + 4, -4, 4, w - 4, w, w + 4} {
			v := p[c+o]
			lo, hi = min(lo, v), max(hi, v)
		}
		if int(hi)-int(lo) > limit {
			return false
		}
	}
	return true
}

// crowds finds the colours of the even places.
func (q *flattener) crowds() {
	list := coreCensus(q.px, q.core, q.core, q.opt.Workers)
	// coreCensus counts runs; single pixels are counted here, as noise leaves few runs.
	var all census
	n := q.px.W * q.px.H
	for i := 0; i < n; i++ {
		if bit(q.core, i) {
			all.add(at(q.px.Pix, i), 1, 0)
		}
	}
	list = all.list()
	q.table = map[uint32]uint8{}
	if len(list) == 0 {
		q.table[pack(q.mean())] = q.addSwatch(q.mean())
		return
	}
	// Density: neighbours within near levels vote for a colour.
	const near = 6.0
	type crowd struct {
		c     [3]float64
		rgb   colour.RGB
		count int
	}
	var crowds []crowd
	member := make([]int, len(list))
	top := min(len(list), 4000)
	for k := range list {
		c := rgbOf(list[k].colour)
		best, bestD := -1, math.Inf(1)
		for j := range crowds {
			if d := dist(c, crowds[j].c); d < bestD {
				best, bestD = j, d
			}
		}
		if best < 0 || bestD > 2*near && k < top {
			crowds = append(crowds, crowd{c: c, rgb: list[k].colour})
			best = len(crowds) - 1
		}
		crowds[best].count += list[k].core
		member[k] = best
	}
	order := make([]int, len(crowds))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(crowds[b].count, crowds[a].count) })
	least := max(12, n/6000)
	label := make([]int, len(crowds))
	for i := range label {
		label[i] = -1
	}
	for _, j := range order {
		k := crowds[j]
		if k.count < least || len(q.palette) >= q.limit() {
			continue
		}
		if k.count < n/250 && q.mixed(k.c, 12) {
			continue
		}
		label[j] = int(q.addSwatch(k.rgb))
	}
	if len(q.palette) == 0 {
		label[order[0]] = int(q.addSwatch(crowds[order[0]].rgb))
	}
	for k := range list {
		j := member[k]
		if label[j] >= 0 && dist(rgbOf(list[k].colour), q.palette[label[j]]) < 4*near {
			q.table[pack(list[k].colour)] = uint8(label[j])
		}
	}
}
