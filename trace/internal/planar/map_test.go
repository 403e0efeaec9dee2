package planar

import (
	"math/rand/v2"
	"testing"
)

// random labels with blobs of the given cell size, so that saddles, nodes and loops all occur.
func randomLabels(rng *rand.Rand, w, h, colours, cell int) []uint8 {
	cw := w/cell + 1
	cells := make([]uint8, cw*(h/cell+1))
	for i := range cells {
		cells[i] = uint8(rng.IntN(colours))
	}
	l := make([]uint8, w*h)
	for i := range l {
		l[i] = cells[i/w/cell*cw+i%w/cell]
	}
	return l
}

func randomSaddle(seed uint64) Saddle {
	return func(x, y int, a, b, c, d uint8) SaddleKind {
		return SaddleKind((uint64(x)*7919 + uint64(y)*104729 + seed) % 3)
	}
}

func TestMapInvariants(t *testing.T) {
	for seed := uint64(0); seed < 300; seed++ {
		rng := rand.New(rand.NewPCG(seed, 1))
		w, h := 1+rng.IntN(40), 1+rng.IntN(40)
		labels := randomLabels(rng, w, h, 1+rng.IntN(5), 1+rng.IntN(4))
		m := Build(labels, w, h, randomSaddle(seed), 1+int(seed%4))
		if err := m.Check(); err != nil {
			t.Fatalf("seed %d, %dx%d: %v", seed, w, h, err)
		}
		for y := 0; y < h; y++ {
			for x := 0; x < w; x++ {
				if f := m.FaceAt(x, y); m.Faces[f].Label != labels[y*w+x] {
					t.Fatalf("seed %d: pixel %d,%d has label %d, its face %d", seed, x, y, labels[y*w+x], m.Faces[f].Label)
				}
			}
		}
	}
}

// The number of workers must not change a byte of the map.
func TestWorkersAgree(t *testing.T) {
	labels := randomLabels(rand.New(rand.NewPCG(9, 9)), 200, 150, 4, 3)
	one, many := Build(labels, 200, 150, randomSaddle(1), 1), Build(labels, 200, 150, randomSaddle(1), 7)
	if len(one.Arcs) != len(many.Arcs) || string(one.Dirs) != string(many.Dirs) {
		t.Fatalf("1 worker: %d arcs, 7 workers: %d", len(one.Arcs), len(many.Arcs))
	}
	for i := range one.Arcs {
		if one.Arcs[i] != many.Arcs[i] {
			t.Fatalf("arc %d: %v, %v", i, one.Arcs[i], many.Arcs[i])
		}
	}
}

func FuzzBuild(f *testing.F) {
	f.Add([]byte{3, 0, 1, 2, 1, 0, 1, 2, 1, 0}, uint64(1))
	f.Add([]byte{2, 0, 1, 1, 0}, uint64(2))
	f.Fuzz(func(t *testing.T, data []byte, seed uint64) {
		if len(data) < 2 {
			return
		}
		w := 1 + int(data[0])%32
		h := (len(data) - 1) / w
		if h == 0 {
			return
		}
		labels := make([]uint8, w*h)
		for i := range labels {
			labels[i] = data[1+i] % 6
		}
		if err := Build(labels, w, h, randomSaddle(seed), 2).Check(); err != nil {
			t.Fatal(err)
		}
	})
}

func BenchmarkBuild(b *testing.B) {
	for _, c := range []struct {
		name string
		cell int
	}{{"sparse", 200}, {"dense", 8}, {"noise", 1}} {
		b.Run(c.name, func(b *testing.B) {
			labels := randomLabels(rand.New(rand.NewPCG(1, 1)), 1000, 1000, 5, c.cell)
			b.SetBytes(int64(len(labels)))
			b.ReportAllocs()
			arcs := 0
			for b.Loop() {
				arcs = len(Build(labels, 1000, 1000, randomSaddle(0), 2).Arcs)
			}
			b.ReportMetric(float64(arcs), "arcs")
		})
	}
}
