package quantize

import (
	"encoding/binary"
	"image"
	"math"

	"pochoir/quantize/large"
)

// This file leaves out the bare paper around a drawing, which is most of many a sheet, before anything is looked at
// closely.

const (
	// drawnDeviations is how many standard deviations of the noise below white a pixel must be to count as drawn, and
	// drawnPixels how many of them a square of paper may hold.
	drawnDeviations = 5
	drawnPixels     = 2
	// cropMargin is the paper kept around what is drawn, px, and cropShare the share of the sheet above which nothing
	// is left out.
	cropMargin = 4 * block
	cropShare  = 0.75
)

// drawnPart returns the part of a sheet that holds the drawing, the whole sheet where little would be left out.
func drawnPart(px Pixels, noise float64, workers int) image.Rectangle {
	all := image.Rect(0, 0, px.W, px.H)
	floor := uint8(min(blankFloor, 255-drawnDeviations*math.Min(noise, 12)))
	paper := 0x0001010100010101 * uint64(floor) // of two pixels, whatever their alpha
	bh := (px.H + block - 1) / block
	first, last := make([]int, bh), make([]int, bh) // squares of each row of them that are drawn on
	parallel(bh, workers, func(by int) {
		count := make([]uint8, (px.W+block-1)/block)
		lo, hi := len(count), -1
		// look counts in the squares from b0 to b1 of a row of pixels.
		look := func(row []uint8, b0, b1 int) {
			row = row[:min(4*block*b1, len(row))]
			for x := 4 * block * b0; x+3 < len(row); x += 4 {
				for x+32 <= len(row) && binary.LittleEndian.Uint64(row[x:])&binary.LittleEndian.Uint64(row[x+8:])&
					binary.LittleEndian.Uint64(row[x+16:])&binary.LittleEndian.Uint64(row[x+24:]) == math.MaxUint64 {
					x += 32 // white
				}
				if x+3 >= len(row) {
					break
				}
				// Two pixels at once, most of which are paper.
				if x+8 <= len(row) && noLess(binary.LittleEndian.Uint64(row[x:]), paper) {
					x += 4
					continue
				}
				if q := row[x : x+3 : x+3]; q[0] < floor || q[1] < floor || q[2] < floor {
					bx := x / (4 * block)
					if count[bx]++; count[bx] > drawnPixels {
						lo, hi = min(lo, bx), max(hi, bx)
					}
				}
			}
		}
		for y := by * block; y < min(by*block+block, px.H); y++ {
			row := px.Pix[4*y*px.W : 4*(y+1)*px.W]
			// What lies between two squares that are drawn on changes nothing.
			if hi < 0 {
				look(row, 0, len(count))
			} else {
				look(row, 0, lo)
				look(row, hi+1, len(count))
			}
		}
		first[by], last[by] = lo, hi
	})
	var r image.Rectangle
	for by := range bh {
		if last[by] >= 0 {
			r = r.Union(image.Rect(first[by]*block, by*block, (last[by]+1)*block, (by+1)*block))
		}
	}
	if r.Empty() {
		return all
	}
	r = r.Inset(-cropMargin).Intersect(all)
	if float64(r.Dx()*r.Dy()) > cropShare*float64(px.W*px.H) {
		return all
	}
	return r
}

// noLess reports whether no byte of a is less than that of b; the bytes are compared all at once, their top bits apart.
func noLess(a, b uint64) bool {
	const top = 0x8080808080808080
	low := a | top - b&^top // the top bit of each byte tells of the lower seven
	return (a&^b|^(a^b)&low)&top == top
}

// part copies a part of the picture.
func (px Pixels) part(r image.Rectangle) Pixels {
	o := px
	o.W, o.H, o.Clear = r.Dx(), r.Dy(), nil
	o.Pix = large.Make[uint8](4 * o.W * o.H)
	for y := range o.H {
		copy(o.Pix[4*y*o.W:4*(y+1)*o.W], px.Pix[4*((y+r.Min.Y)*px.W+r.Min.X):])
	}
	return o
}

// padded takes Flats of part r of a w×h sheet to the whole sheet, the rest of which is ground. Its pixels become those of
// the bitmap into, or of a new one where there is none.
func (f *Flats) padded(w, h int, r image.Rectangle, into []uint8, workers int) {
	if into == nil {
		into = large.Make[uint8](4 * w * h)
	}
	labels, pix, core := f.Labels, f.px.Pix, f.Core
	pw := r.Dx()
	ground := f.Palette[f.Ground].Colour
	f.W, f.H = w, h
	f.Labels, f.px.Pix, f.Core = large.Make[uint8](w*h), into, large.Make[uint64](bitmapLen(w*h))
	bare := make([]uint8, 4*w) // a row of ground
	for i := 0; i < len(bare); i += 4 {
		bare[i], bare[i+1], bare[i+2], bare[i+3] = ground.R, ground.G, ground.B, 255
	}
	rowBands(h, workers, func(_, lo, hi int) {
		if f.Ground != 0 {
			labels := f.Labels[lo*w : hi*w]
			for i := range labels {
				labels[i] = uint8(f.Ground)
			}
		}
		setBits(f.Core, lo*w, hi*w)
		for y := lo; y < hi; y++ {
			row := f.px.Pix[4*y*w : 4*(y+1)*w]
			if y < r.Min.Y || y >= r.Max.Y {
				copy(row, bare)
				continue
			}
			at, from := y*w+r.Min.X, (y-r.Min.Y)*pw
			copy(row[:4*r.Min.X], bare)
			copy(row[4*r.Min.X:], pix[4*from:4*(from+pw)])
			copy(row[4*r.Max.X:], bare)
			copy(f.Labels[at:at+pw], labels[from:from+pw])
			for x := 0; x < pw; x++ {
				if i := from + x; core[i>>6] == ^uint64(0) {
					x += 63 - i&63 // on to the next word
				} else if core[i>>6]>>(uint(i)&63)&1 == 0 {
					clearBit(f.Core, at+x)
				}
			}
		}
	})
}
