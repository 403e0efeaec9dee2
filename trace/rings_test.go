package trace_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/fit"
)

// TestOutlinesDoNotCrossThemselves: strokes that narrow to a tip close to a bar, or in it: however the pixels show that, no
// outline crosses itself, and nothing of size is lost.
func TestOutlinesDoNotCrossThemselves(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 11))
	rings := 0
	for range 80 {
		x := 55 + 3*r.Float64()
		a := -0.6 + 1.2*r.Float64()
		x0, y0 := x-24*math.Cos(a), 40+r.Float64()-24*math.Sin(a)
		tip := strip(x0, y0, 3+3*r.Float64(), x, 40, 0.2+0.5*r.Float64(), true)
		bar := box(navy, 55.3+r.Float64(), 10.4, 60.2+r.Float64(), 75.7)
		pic := drawn(90, 86, tip, bar)
		d := traced(t, pic, digital).Drawing
		painted := 0.0
		for _, l := range d.Layers {
			for _, s := range l.Shapes {
				for _, ring := range s.Rings {
					rings++
					painted += ring.Area()
					largest := 0.0
					for _, loop := range fit.Uncross(ring) {
						largest = math.Max(largest, math.Abs(loop.Area()))
					}
					for _, loop := range fit.Uncross(ring) {
						if area := math.Abs(loop.Area()); area < largest && area > 0.1 {
							t.Errorf("a ring crosses itself about %v, in a loop of %.2f px²", loop.Segments[0].P[0], area)
						}
					}
				}
			}
		}
		want := 0.0
		for i := 0; i < len(pic.Pix); i += 4 {
			want += (255 - float64(pic.Pix[i])) / (255 - float64(navy.R))
		}
		if math.Abs(painted-want) > 4 {
			t.Errorf("%.1f px² are painted, want %.1f", painted, want)
		}
	}
	if rings < 80 {
		t.Errorf("only %d rings", rings)
	}
}
