package fit

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestNoWandering fits noisy runs whose ends lie beside what the samples tell, as junctions on paper do: no curve may
// run far beyond its end and back, where no sample sees it.
func TestNoWandering(t *testing.T) {
	const noise, tolerance, aside = 0.5, 2.2, 2.0 // px
	for seed := range uint64(400) {
		rng := rand.New(rand.NewPCG(seed, 1))
		length, bend := 60+240*rng.Float64(), (rng.Float64()-0.5)*0.004
		at := func(x float64) Point {
			return Point{X: x + noise*rng.NormFloat64(), Y: bend*x*(length-x) + noise*rng.NormFloat64()}
		}
		var run []Sample
		for x := 1.0; x < length; x += 0.8 {
			run = append(run, Sample{at(x), 1})
		}
		off := func() float64 { return aside * (2*rng.Float64() - 1) }
		start, end := Point{X: off(), Y: off()}, Point{X: length + off(), Y: off()}
		path := Curve(run, false, start, end, Options{Tolerance: tolerance})
		for _, s := range path.Segments {
			for k := range 21 {
				if p := s.At(float64(k) / 20); p.X < -8 || p.X > length+8 || math.Abs(p.Y) > math.Abs(bend)*length*length/4+8 {
					t.Fatalf("seed %d: the curve runs to %.1f,%.1f; the samples lie from 0 to %.1f", seed, p.X, p.Y, length)
				}
			}
		}
	}
}
