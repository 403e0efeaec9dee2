package quantize

import (
	"bytes"
	"encoding/binary"
)

// This file gives pixels the label of their own colour, and finds the pixels that show it unmixed.

// classify labels every pixel whose colour is in table, and transparent ones as paper; the others become unlabelled.
func (q *flattener) classify(table map[uint32]uint8) {
	w, even := q.w, q.evenRuns()
	rowBands(q.h, q.opt.Workers, func(_, y0, y1 int) {
		var last uint32
		label, known := uint8(unlabelled), false
		for y := y0; y < y1; y++ {
			out := q.labels[y*w : (y+1)*w]
			for x := 0; x < w; {
				i := y*w + x
				c, e := q.px.at(i), x+1
				if bit(even, i) {
					e += nextClear(even, i, y*w+w) - i
				}
				if !known || c != last {
					l, ok := table[c&0xffffff]
					if !ok {
						l = unlabelled
					}
					last, label, known = c, l, true
				}
				fill(out[x:e], label)
				x = e
			}
		}
		q.markPaper(y0, y1)
	})
	q.spare = append(q.spare, even)
}

// evenRuns returns pixels that equal the next one in their row: all that do, and the next with them, in the row above or
// below.
func (q *flattener) evenRuns() []uint64 {
	even := q.bitmap()
	words(len(even), q.opt.Workers, func(lo, hi int) {
		for k := lo; k < hi; k++ {
			even[k] = q.blocks[k] | shifted(q.blocks, k, q.w)
		}
	})
	return even
}

// oneLabel returns the upper left pixels of 2 x 2 that have one label, as far as their colours tell; nil where transparent
// places have one of their own.
func (q *flattener) oneLabel() []uint64 {
	if q.paper >= 0 {
		return nil
	}
	return q.blocks
}

func fill(b []uint8, v uint8) {
	if len(b) < 16 {
		for i := range b {
			b[i] = v
		}
		return
	}
	b[0] = v
	for n := 1; n < len(b); n *= 2 {
		copy(b[n:], b[:n])
	}
}

// addPaper makes the tint of transparent places, white like the paper they were laid on.
func (q *flattener) addPaper() {
	for _, c := range q.px.Clear {
		if c {
			q.paper = q.addTint(paperColour, 0)
			return
		}
	}
}

// markPaper labels the transparent pixels of rows y0 to y1 whose colour is the paper's.
func (q *flattener) markPaper(y0, y1 int) {
	if q.paper < 0 {
		return
	}
	for i := y0 * q.w; i < y1*q.w; i++ {
		if q.px.Clear[i] && q.px.at(i)&0xffffff == pack(paperColour) {
			q.labels[i] = uint8(q.paper)
		}
	}
}

// coresOfLabels returns the pixels that lie in a square of side x side pixels of one label, side 2 or 3. known marks upper
// left pixels of 2 x 2 that have one label, or none; nil where nothing is known.
func (q *flattener) coresOfLabels(side int, known []uint64) []uint64 {
	w, h := q.w, q.h
	blocks := q.blank()
	rowBands(h-1, q.opt.Workers, func(_, y0, y1 int) {
		for y := y0; y < y1; y++ {
			top, below := q.labels[y*w:(y+1)*w], q.labels[(y+1)*w:(y+2)*w]
			for x := 0; x+1 < w; {
				l := top[x]
				if i := y*w + x; known != nil && bit(known, i) {
					e := nextClear(known, i, y*w+w)
					if l != unlabelled {
						setBits(blocks, i, e)
					}
					x += e - i
					continue
				}
				if l == unlabelled || below[x] != l {
					x++
					continue
				}
				e := byteRunEnd(below, x+1, byteRunEnd(top, x+1, w, l), l)
				setBits(blocks, y*w+x, y*w+e-1)
				x = e
			}
		}
	})
	if side == 2 {
		core, deep := q.bitmap(), q.bitmap()
		coresOf(core, deep, blocks, w, q.opt.Workers)
		q.spare = append(q.spare, blocks, deep)
		return core
	}
	// The middles of squares of 3 x 3 and the pixels to their left and right, then those above and below these.
	wide := q.bitmap()
	words(len(wide), q.opt.Workers, func(lo, hi int) {
		before, own := deepWord(blocks, lo-1, w), deepWord(blocks, lo, w)
		for k := lo; k < hi; k++ {
			after := deepWord(blocks, k+1, w)
			wide[k] = own | own<<1 | before>>63 | own>>1 | after<<63
			before, own = own, after
		}
	})
	core := blocks
	words(len(core), q.opt.Workers, func(lo, hi int) {
		for k := lo; k < hi; k++ {
			core[k] = wide[k] | shifted(wide, k, w) | shiftedDown(wide, k, w)
		}
	})
	q.spare = append(q.spare, wide)
	return core
}

// deepWord returns word k of the middles of uniform 3 x 3 squares, as coresOf does; 0 outside the bitmap.
func deepWord(blocks []uint64, k, w int) uint64 {
	if k < 0 || k >= len(blocks) {
		return 0
	}
	return blocks[k] & shifted(blocks, k, 1) & shifted(blocks, k, w) & shifted(blocks, k, w+1)
}

// nextByte returns the first x of the row, from <= x, whose label is l, the row's length if there is none.
func nextByte(row []uint8, from int, l uint8) int {
	if k := bytes.IndexByte(row[from:], l); k >= 0 {
		return from + k
	}
	return len(row)
}

// byteRunEnd returns the first x of the row, from <= x <= end, whose label is not l, end if there is none.
func byteRunEnd(row []uint8, from, end int, l uint8) int {
	x := from
	ll := uint64(l) * 0x0101010101010101
	for ; x+8 <= end && binary.LittleEndian.Uint64(row[x:]) == ll; x += 8 {
	}
	for x < end && row[x] == l {
		x++
	}
	return x
}
