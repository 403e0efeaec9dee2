package quantize

import (
	"bytes"
	"math/rand/v2"
	"testing"
)

// Parts of thin features that lie two pixels apart look at one another's pixels: what one goroutine has labelled must
// not sway another, nor the order in which they are taken. Blocks seen through a box of three pixels have many such
// parts. Run with -race this also finds the reading itself.
func TestThinFeaturesKeepApart(t *testing.T) {
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 11))
		w, h, cell := 40+rng.IntN(40), 40+rng.IntN(40), 4+rng.IntN(9)
		colours := make([][3]int, 3+rng.IntN(4))
		for k := range colours {
			colours[k] = [3]int{rng.IntN(256), rng.IntN(256), rng.IntN(256)}
		}
		across := (w+2)/cell + 1
		cells := make([]int, across*((h+2)/cell+1))
		for k := range cells {
			cells[k] = rng.IntN(len(colours))
		}
		pix := make([]uint8, 4*w*h)
		for i := range w * h {
			for c := range 3 {
				sum := 0
				for k := range 9 {
					x, y := i%w+k%3, i/w+k/3
					sum += colours[cells[y/cell*across+x/cell]][c]
				}
				pix[4*i+c] = uint8(sum / 9)
			}
			pix[4*i+3] = 255
		}
		var first []uint8
		for range 8 {
			for _, workers := range []int{1, 7} {
				f, err := Flatten(Pixels{W: w, H: h, Pix: pix}, Options{Workers: workers})
				if err != nil {
					t.Fatal(err)
				}
				if first == nil {
					first = f.Labels
				}
				if !bytes.Equal(first, f.Labels) {
					t.Fatalf("seed %d: %d workers give other labels", seed, workers)
				}
			}
		}
	}
}
