package paper

import (
	"image"
	"math/rand/v2"
	"testing"
)

// TestInnerView: the frame of one colour goes, as taking off whole rows and columns finds it.
func TestInnerView(t *testing.T) {
	for seed := range uint64(300) {
		rng := rand.New(rand.NewPCG(seed, 9))
		w, h := 1+rng.IntN(30), 1+rng.IntN(12)
		pic := &Picture{W: w, H: h, Pix: make([]uint8, 4*w*h)}
		for i := range pic.Pix {
			if pic.Pix[i] = 200; rng.IntN(3) == 0 {
				pic.Pix[i] += uint8(rng.IntN(3)) // as coding leaves it
			}
		}
		copy(pic.Pix, []uint8{200, 200, 200, 200})
		for range rng.IntN(4) {
			pic.Pix[4*rng.IntN(w*h)+rng.IntN(3)] = 150
		}
		framed := func(x, y int) bool {
			p := pic.Pix[4*(y*w+x):]
			return abs(int(p[0])-int(pic.Pix[0])) <= 2 && abs(int(p[1])-int(pic.Pix[1])) <= 2 && abs(int(p[2])-int(pic.Pix[2])) <= 2
		}
		want := image.Rectangle{}
		for y := range h {
			for x := range w {
				if !framed(x, y) {
					want = want.Union(image.Rect(x, y, x+1, y+1))
				}
			}
		}
		if want.Empty() {
			want = image.Rect(0, 0, w, h)
		}
		if got := innerView(pic); got != want {
			t.Fatalf("seed %d: %d x %d px: %v, want %v", seed, w, h, got, want)
		}
	}
}
