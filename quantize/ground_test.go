package quantize

import (
	"math/rand/v2"
	"slices"
	"testing"
)

// TestContacts: edges and areas are what looking at every pixel and its neighbours counts.
func TestContacts(t *testing.T) {
	const n = 4
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 7))
		w, h := 1+rng.IntN(60), 1+rng.IntN(40)
		f := &Flats{W: w, H: h, Palette: make([]Swatch, n), Labels: make([]uint8, w*h)}
		for i := range f.Labels {
			if f.Labels[i] = uint8(rng.IntN(n)); i > 0 && rng.IntN(12) > 0 {
				f.Labels[i] = f.Labels[i-1]
			}
			if i >= w && rng.IntN(3) > 0 {
				f.Labels[i] = f.Labels[i-w]
			}
		}
		edges, areas := make([]int, n*n), make([]int, n)
		for i, l := range f.Labels {
			areas[l]++
			meets := func(j int) {
				if m := f.Labels[j]; m != l {
					edges[int(l)*n+int(m)]++
					edges[int(m)*n+int(l)]++
				}
			}
			if i%w+1 < w {
				meets(i + 1)
			}
			if i+w < len(f.Labels) {
				meets(i + w)
			}
		}
		gotEdges, gotAreas := f.contacts(2)
		if !slices.Equal(gotEdges, edges) || !slices.Equal(gotAreas, areas) {
			t.Fatalf("seed %d: %d x %d px: edges %v, areas %v, want %v, %v", seed, w, h, gotEdges, gotAreas, edges, areas)
		}
		// Brought under fewer labels, they are what is counted of those.
		q := &flattener{tints: make([]tint, n)}
		under := make([]int, n)
		for k := range under {
			under[k], q.tints[k].cores = rng.IntN(n-1), areas[k]
		}
		for i, l := range f.Labels {
			f.Labels[i] = uint8(under[l])
		}
		f.Palette = f.Palette[:n-1]
		gotEdges, gotAreas = f.contacts(2)
		if e, a := joined(edges, under, n-1), q.areas(under, n-1); !slices.Equal(gotEdges, e) || !slices.Equal(gotAreas, a) {
			t.Fatalf("seed %d: under %v: edges %v, areas %v, want %v, %v", seed, under, e, a, gotEdges, gotAreas)
		}
	}
}
