package trace_test

import (
	"context"
	"math/rand/v2"
	"strings"
	"testing"

	"pochoir/trace"
	"pochoir/trace/paper"
)

// Noise is evened out, said so, and drawn by far fewer segments than it has pixels; the same for any number of workers.
func TestNoiseEvenedOut(t *testing.T) {
	const n = 260
	for _, c := range []struct {
		name string
		most int // segments
		at   func(rng *rand.Rand) [3]uint8
	}{
		{"black and white", n * n / 10, func(rng *rand.Rand) [3]uint8 { v := uint8(255 * (rng.Uint32() & 1)); return [3]uint8{v, v, v} }},
		{"eight colours", n * n / 3, func(rng *rand.Rand) [3]uint8 {
			v := rng.Uint32()
			return [3]uint8{uint8(255 * (v & 1)), uint8(255 * (v >> 1 & 1)), uint8(255 * (v >> 2 & 1))}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(7, 7))
			pic := &paper.Picture{W: n, H: n, Pix: make([]uint8, 4*n*n), Name: "test", Format: "png"}
			for i := range n * n {
				p := c.at(rng)
				copy(pic.Pix[4*i:], []uint8{p[0], p[1], p[2], 255})
			}
			var first *trace.Result
			for _, workers := range []int{1, 3} {
				res, err := trace.Trace(context.Background(), pic, trace.Options{Workers: workers})
				if err != nil {
					t.Fatal(err)
				}
				r := res.Report
				if !evenedOut(res) {
					t.Errorf("nothing says that detail was given up: %q", r.Notes)
				}
				if r.Segments > c.most {
					t.Errorf("%d segments for %d pixels", r.Segments, n*n)
				}
				if first == nil {
					first = res
				} else if r.Segments != first.Report.Segments || r.Mean != first.Report.Mean {
					t.Errorf("%d segments, mean %g, with one worker %d and %g", r.Segments, r.Mean, first.Report.Segments, first.Report.Mean)
				}
			}
		})
	}
}

// A page of the finest hatching, lines of a pixel and a half every three pixels both ways, is a drawing, and stays.
func TestHatchingIsNoNoise(t *testing.T) {
	const n = 600
	pic := &paper.Picture{W: n, H: n, Pix: make([]uint8, 4*n*n), Name: "test", Format: "png"}
	for y := range n {
		for x := range n {
			v := min(255, (x+y/3)%3*128, (y+x/7)%3*128)
			copy(pic.Pix[4*(y*n+x):], []uint8{uint8(v), uint8(v), uint8(v), 255})
		}
	}
	res, err := trace.Trace(context.Background(), pic, trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if evenedOut(res) {
		t.Errorf("hatching was evened out: %q", res.Report.Notes)
	}
}

func evenedOut(res *trace.Result) bool {
	return strings.Contains(strings.Join(res.Report.Notes, "\n"), "evened out")
}
