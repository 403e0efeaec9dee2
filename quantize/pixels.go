package quantize

import (
	"slices"

	"pochoir/quantize/mosaic"
)

// Pixels is a picture as quantising sees it: plain upright sRGB pixels and what is known of their coding.
type Pixels struct {
	W, H int
	Pix  []uint8 // R,G,B,A a pixel with A = 255, row by row, len 4*W*H
	// Mosaic is the picture instead of Pix, which then is nil, where most of it is even; nil else.
	Mosaic *mosaic.Mosaic
	// Clear marks pixels that were mostly transparent in the source; nil when none were. Row by row, len W*H.
	Clear      []bool
	Lossy      bool  // coded with loss (JPEG and the like)
	Subsampled bool  // chroma stored at lower resolution than luma
	Luma       *Luma // as it was coded, nil where that is not known
}

// Options steer quantising. The zero value finds everything out.
type Options struct {
	Colours int      // number of colours, paper included; 0 finds it, else 2..64
	Palette []Swatch // locked palette; overrides Colours
	Medium  Medium
	Workers int // goroutines; 0 means runtime.GOMAXPROCS(0). The result does not depend on it
	// Spent says that nobody will look at the pixels again: FlattenPaper may write over them, which saves the memory of
	// another bitmap.
	Spent bool
}

// len returns the number of pixels there are.
func (px *Pixels) len() int {
	if px.Mosaic != nil {
		return px.Mosaic.Len()
	}
	return len(px.Pix) / 4
}

// at returns pixel i as it lies in a bitmap: R in the lowest byte, A in the highest.
func (px *Pixels) at(i int) uint32 {
	if px.Mosaic != nil {
		return px.Mosaic.At(i)
	}
	return at(px.Pix, i)
}

// runEnd returns the first pixel from <= i <= end that is not c, end if there is none.
func (px *Pixels) runEnd(from, end int, c uint32) int {
	if px.Mosaic != nil {
		return px.Mosaic.RunEnd(from, end, c)
	}
	return runEnd(px.Pix, from, end, c)
}

// bitmap returns a copy of the pixels as a bitmap.
func (px *Pixels) bitmap() []uint8 {
	if px.Mosaic != nil {
		return px.Mosaic.Pixels()
	}
	return slices.Clone(px.Pix)
}

// clipped reports whether a channel of a pixel may have been cut off, so that its chroma is not what was stored.
func clipped(p uint32) bool {
	r, g, b := channels(p)
	return min(r, g, b) == 0 || max(r, g, b) == 255
}

// channels takes a pixel apart.
func channels(p uint32) (r, g, b uint8) { return uint8(p), uint8(p >> 8), uint8(p >> 16) }

// toneAt is toneOf for a pixel.
func toneAt(p uint32, soft bool) tone {
	r, g, b := channels(p)
	return toneOf(r, g, b, soft)
}
