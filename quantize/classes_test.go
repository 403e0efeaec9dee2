package quantize

import (
	"math/rand/v2"
	"slices"
	"testing"

	"pochoir/quantize/colour"
)

// TestClassesByPixel: labels and cores, found over the even runs and squares of a picture, are those that looking at every
// pixel gives.
func TestClassesByPixel(t *testing.T) {
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 11))
		w, h := 1+rng.IntN(150), 1+rng.IntN(90)
		px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h)}
		for range 15 {
			x0, y0, shade := rng.IntN(w), rng.IntN(h), uint8(rng.IntN(5))
			for y := y0; y < min(h, y0+1+rng.IntN(h)); y++ {
				for x := x0; x < min(w, x0+1+w/2); x++ {
					copy(px.Pix[4*(y*w+x):], []uint8{50 * shade, 30 * shade, 20 * shade, 255})
				}
			}
		}
		for range w * h / 20 { // a few levels off, or far from every tint
			px.Pix[4*rng.IntN(w*h)] += uint8(rng.IntN(60))
		}
		q := &flattener{px: &px, w: w, h: h, paper: -1, labels: make([]uint8, w*h), blocks: uniformBlocks(&px, 2)}
		for shade := range uint8(4) {
			q.addTint(colour.RGB{R: 50 * shade, G: 30 * shade, B: 20 * shade}, 1)
		}
		q.classifyRough()
		want := make([]uint8, w*h)
		for i := range want {
			want[i] = q.nearWithin(unpack(at(px.Pix, i)), roughRadius)
		}
		if !slices.Equal(q.labels, want) {
			t.Fatalf("seed %d: %d x %d px: other labels than pixel by pixel", seed, w, h)
		}
		table := map[uint32]uint8{pack(q.tints[1].colour): 1, pack(q.tints[3].colour): 3}
		q.classify(table)
		for i := range want {
			if l, ok := table[at(px.Pix, i)&0xffffff]; ok {
				want[i] = l
			} else {
				want[i] = unlabelled
			}
		}
		if !slices.Equal(q.labels, want) {
			t.Fatalf("seed %d: %d x %d px: other exact labels than pixel by pixel", seed, w, h)
		}
		for _, side := range [2]int{2, 3} {
			cores := make([]uint64, bitmapLen(w*h))
			for y := range h - side + 1 {
				for x := range w - side + 1 {
					l, one := want[y*w+x], true
					for k := range side * side {
						one = one && want[(y+k/side)*w+x+k%side] == l
					}
					for k := range side * side {
						if i := (y+k/side)*w + x + k%side; one && l != unlabelled {
							setBits(cores, i, i+1)
						}
					}
				}
			}
			for _, known := range [2][]uint64{nil, q.blocks} {
				if got := q.coresOfLabels(side, known); !slices.Equal(got, cores) {
					t.Fatalf("seed %d: %d x %d px: other cores of %d px than pixel by pixel", seed, w, h, side)
				}
			}
		}
	}
}
