package quantize

import (
	"encoding/binary"

	"pochoir/quantize/large"
	"pochoir/quantize/mosaic"
)

// This file finds the cores of a clean picture: pixels in a block of 2 x 2 equal ones. Anti-aliasing hardly ever makes
// such a block, as an edge under a box filter is mixed over less than two pixels across.

// at returns pixel i as a number that differs for different colours.
func at(pix []uint8, i int) uint32 { return binary.LittleEndian.Uint32(pix[4*i:]) }

// uniformBlocks returns a bitmap: pixel (x, y) is set where it equals (x+1, y), (x, y+1) and (x+1, y+1). The last
// column and the last row are clear.
func uniformBlocks(px *Pixels, workers int) []uint64 {
	w, h := px.W, px.H
	b := large.Make[uint64](bitmapLen(w * h))
	rowBands(h-1, workers, func(_, y0, y1 int) {
		if px.Mosaic != nil && w%mosaic.Span == 0 {
			px.Mosaic.Blocks(b, w, y0, y1)
			return
		}
		for y := y0; y < y1; y++ {
			for i, end := y*w, (y+1)*w; i+1 < end; {
				c := px.at(i)
				if px.at(i+w) != c {
					i++
					continue
				}
				e := px.runEnd(i+1, end, c)
				e = px.runEnd(i+w+1, e+w, c) - w
				setBits(b, i, e-1)
				i = e
			}
		}
	})
	return b
}

// runEnd returns the first x of the row, from <= x <= end, whose colour is not c, end if there is none.
func runEnd(row []uint8, from, end int, c uint32) int {
	x := from
	cc := uint64(c)<<32 | uint64(c)
	for ; x+8 <= end; x += 8 {
		p := row[4*x : 4*x+32 : 4*x+32]
		if (binary.LittleEndian.Uint64(p)^cc)|(binary.LittleEndian.Uint64(p[8:])^cc)|
			(binary.LittleEndian.Uint64(p[16:])^cc)|(binary.LittleEndian.Uint64(p[24:])^cc) != 0 {
			break
		}
	}
	for x < end && at(row, x) == c {
		x++
	}
	return x
}

// coresOf fills core with the pixels that lie in at least one block and deep with those whose four blocks are all set, that
// is, the middles of uniform 3 x 3 squares.
func coresOf(core, deep, blocks []uint64, w, workers int) {
	words(len(blocks), workers, func(lo, hi int) {
		for k := lo; k < hi; k++ {
			// the last column and row hold no block, so moving the bits across the ends of rows is harmless
			a, b, c, d := blocks[k], shifted(blocks, k, 1), shifted(blocks, k, w), shifted(blocks, k, w+1)
			core[k], deep[k] = a|b|c|d, a&b&c&d
		}
	})
}
