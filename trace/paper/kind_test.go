package paper

import (
	"image"
	"math/rand/v2"
	"reflect"
	"testing"

	"pochoir/quantize/mosaic"
)

// tiled returns pic as a mosaic.
func tiled(pic *Picture) *Picture {
	for i := 3; i < len(pic.Pix); i += 4 {
		pic.Pix[i] = 255
	}
	m := *pic
	m.Mosaic, m.Pix = mosaic.New(pic.W*pic.H, 1), nil
	m.Mosaic.Filler().Fill(0, pic.Pix)
	return &m
}

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
		if got := innerView(tiled(pic)); got != want {
			t.Fatalf("seed %d: %d x %d px as a mosaic: %v, want %v", seed, w, h, got, want)
		}
	}
}

// TestBlocks: calm and flat blocks are those that comparing every pixel finds.
func TestBlocks(t *testing.T) {
	for seed := range uint64(400) {
		rng := rand.New(rand.NewPCG(seed, 10))
		side := []int{4, blockSide}[seed%2]
		pic := &Picture{W: side + 3, H: side + 2, Lossy: true, Pix: make([]uint8, 4*(side+3)*(side+2))}
		vary := 1 + rng.IntN(30)
		shade := [3]int{rng.IntN(256 - vary), 127 - vary/2, rng.IntN(256 - vary)}
		for i := range pic.Pix {
			if pic.Pix[i] = 255; i%4 < 3 {
				pic.Pix[i] = uint8(shade[i%4])
				if rng.IntN(6) == 0 {
					pic.Pix[i] += uint8(rng.IntN(vary))
				}
			}
		}
		var lo, hi [3]uint8
		spread := 0
		for c := range 3 {
			lo[c], hi[c] = 255, 0
			for y := range side {
				for x := range side {
					v := pic.Pix[4*((y+1)*pic.W+x+2)+c]
					lo[c], hi[c] = min(lo[c], v), max(hi[c], v)
				}
			}
			spread = max(spread, int(hi[c]-lo[c]))
		}
		want := census{shades: map[uint32]int{}}
		if spread <= calmRange {
			want.calm = 1
		}
		if spread <= flatRange {
			want.flat = 1
			want.shades[uint32(lo[0])<<16|uint32(lo[1])<<8|uint32(lo[2])] = 1
		}
		got := census{shades: map[uint32]int{}}
		if got.block(pic, 2, 1, side); !reflect.DeepEqual(got, want) {
			t.Fatalf("seed %d: %v, want %v", seed, got, want)
		}
		got = census{shades: map[uint32]int{}}
		if got.block(tiled(pic), 2, 1, side); !reflect.DeepEqual(got, want) {
			t.Fatalf("seed %d: as a mosaic %v, want %v", seed, got, want)
		}
	}
}
