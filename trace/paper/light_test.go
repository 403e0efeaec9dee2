package paper

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// TestRelax holds relaxing by runs against going from cell to cell, bit for bit.
func TestRelax(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for _, size := range [][2]int{{1, 1}, {1, 6}, {7, 1}, {5, 4}, {31, 23}} {
		w, h := size[0], size[1]
		for _, share := range []float64{0, 0.2, 0.5, 0.9} {
			f, known := newField(w, h), make([]bool, w*h)
			for i := range f.v {
				f.v[i] = rng.Float32()
			}
			for i := range known {
				known[i] = rng.Float64() < share
			}
			want := &field{w, h, slices.Clone(f.v)}
			settle := func(i int) {
				if x, y := i%w, i/w; !known[i] {
					for k := range 3 {
						at := func(x, y int) float32 {
							return want.v[3*(min(max(y, 0), h-1)*w+min(max(x, 0), w-1))+k]
						}
						want.v[3*i+k] = (at(x-1, y) + at(x+1, y) + at(x, y-1) + at(x, y+1)) / 4
					}
				}
			}
			for range 3 {
				for i := range known {
					settle(i)
				}
				for i := len(known) - 1; i >= 0; i-- {
					settle(i)
				}
			}
			if relax(f, known, 3); !slices.Equal(f.v, want.v) {
				t.Errorf("%d×%d cells, %g of them known: other means", w, h, share)
			}
		}
	}
}
