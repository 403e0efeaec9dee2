package quantize

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// TestSolidCensus holds squares and solidCensus against what they say of single pixels.
func TestSolidCensus(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for _, size := range [][2]int{{5, 5}, {64, 9}, {67, 70}, {200, 130}} {
		w, h := size[0], size[1]
		px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h)}
		for range 12 { // rectangles of few colours
			x0, y0, shade := rng.IntN(w), rng.IntN(h), uint8(rng.IntN(4))
			for y := y0; y < min(h, y0+3+rng.IntN(h)); y++ {
				for x := x0; x < min(w, x0+w/3+1); x++ {
					copy(px.Pix[4*(y*w+x):], []uint8{shade, 7 * shade, 9, 255})
				}
			}
		}
		blocks := uniformBlocks(&px, 2)
		solid := make([]uint64, len(blocks))
		squares(solid, make([]uint64, len(blocks)), blocks, w, 2)
		want := make([]uint64, len(blocks))
		for y := range h - 3 {
			for x := range w - 3 {
				all := true
				for k := range 16 {
					all = all && bit(blocks, (y+k/4)*w+x+k%4)
				}
				if i := y*w + x; all {
					setBits(want, i, i+1)
				}
			}
		}
		if !slices.Equal(solid, want) {
			t.Errorf("%d x %d: other squares than pixel by pixel", w, h)
		}
		if got, want := solidCensus(&px, solid, 2), coreCensus(&px, solid, solid, 2); !slices.Equal(got, want) {
			t.Errorf("%d x %d: %v, want %v", w, h, got, want)
		}
	}
}
