package quantize

import (
	"image"
	"math"
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
	bh := (px.H + block - 1) / block
	first, last := make([]int, bh), make([]int, bh) // squares of each row of them that are drawn on
	parallel(bh, workers, func(by int) {
		count := make([]uint8, (px.W+block-1)/block)
		for y := by * block; y < min(by*block+block, px.H); y++ {
			row := px.Pix[4*y*px.W : 4*(y+1)*px.W]
			for x := 0; x+3 < len(row); x += 4 {
				if q := row[x : x+3 : x+3]; q[0] < floor || q[1] < floor || q[2] < floor {
					count[x/(4*block)]++
				}
			}
		}
		first[by], last[by] = len(count), -1
		for bx, n := range count {
			if n > drawnPixels {
				first[by], last[by] = min(first[by], bx), bx
			}
		}
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

// part copies a part of the picture.
func (px Pixels) part(r image.Rectangle) Pixels {
	o := px
	o.W, o.H, o.Clear = r.Dx(), r.Dy(), nil
	o.Pix = make([]uint8, 4*o.W*o.H)
	for y := range o.H {
		copy(o.Pix[4*y*o.W:4*(y+1)*o.W], px.Pix[4*((y+r.Min.Y)*px.W+r.Min.X):])
	}
	return o
}

// padded takes Flats of part r of a w×h sheet to the whole sheet, the rest of which is ground.
func (f *Flats) padded(w, h int, r image.Rectangle) {
	labels, pix, core := f.Labels, f.pix, f.Core
	pw := r.Dx()
	ground := f.Palette[f.Ground].Colour
	f.W, f.H = w, h
	f.Labels, f.pix, f.Core = make([]uint8, w*h), make([]uint8, 4*w*h), make([]uint64, bitmapLen(w*h))
	for i := range f.Labels {
		f.Labels[i] = uint8(f.Ground)
	}
	for i := 0; i < len(f.pix); i += 4 {
		f.pix[i], f.pix[i+1], f.pix[i+2], f.pix[i+3] = ground.R, ground.G, ground.B, 255
	}
	setBits(f.Core, 0, w*h)
	for y := r.Min.Y; y < r.Max.Y; y++ {
		at, from := y*w+r.Min.X, (y-r.Min.Y)*pw
		copy(f.Labels[at:at+pw], labels[from:from+pw])
		copy(f.pix[4*at:4*(at+pw)], pix[4*from:4*(from+pw)])
		for x := range pw {
			if i := from + x; core[i>>6]>>(uint(i)&63)&1 == 0 {
				f.Core[(at+x)>>6] &^= 1 << (uint(at+x) & 63)
			}
		}
	}
}
