package trace_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pochoir/fit"
	"pochoir/trace"
)

// nearestPoint returns how far the nearest on-curve point of a colour lies from a place, px.
func nearestPoint(c *trace.Layer, at fit.Point) float64 {
	off := math.Inf(1)
	for _, shape := range c.Shapes {
		for _, ring := range shape.Rings {
			for _, s := range ring.Segments {
				off = min(off, s.P[0].Sub(at).Len())
			}
		}
	}
	return off
}

// TestStripedTips: where a tip has a stripe up to its point, three colours meet there and labels put several junctions about it.
// Tip and stripe come to their common point all the same, as it is known from the figures' own equations; not in one case of six.
func TestStripedTips(t *testing.T) {
	const within = 0.6 // px
	var missed []string
	all := 0
	for _, turn := range []float64{0.1, 0.5, 0.9, 1.4, 2, 2.7, 3.5, 4.4} {
		for _, wide := range []float64{0.16, 0.22, 0.26} { // half the stripe, of its length
			u := fit.Point{X: math.Cos(turn), Y: math.Sin(turn)}
			tip := fit.Point{X: 40.3, Y: 39.8}.Add(u.Mul(20))
			at := func(along, aside float64) fit.Point { return tip.Sub(u.Mul(along)).Add(u.Perp().Mul(aside)) }
			pic := drawn(80, 80,
				figure{sand, func(x, y float64) bool { return true }},
				figure{teal, triangle(at(40, -16), tip, at(40, 16))},
				figure{navy, triangle(at(40, -40*wide), tip, at(40, 40*wide))},
			)
			d := traced(t, pic, digital).Drawing
			all++
			if off := nearestPoint(layer(d, navy), tip); off > within {
				missed = append(missed, fmt.Sprintf("turned by %.1f, %.2f wide: by %.2f px", turn, 2*wide, off))
			}
		}
	}
	if 6*len(missed) > all {
		t.Errorf("%d points of %d are missed:\n%s", len(missed), all, strings.Join(missed, "\n"))
	}
}

// TestCornersBelowEdges: where a side comes out below the gentle edge of what lies above, at a junction, its end is where the
// two cross.
func TestCornersBelowEdges(t *testing.T) {
	const within = 0.35 // px
	for _, x := range []float64{40.1, 40.35, 40.6, 40.85} {
		for _, low := range []float64{50.05, 50.3, 50.55, 50.8} {
			const radius = 60
			above := disc(teal, 52, low-radius, radius)
			pic := drawn(80, 80,
				figure{sand, func(x, y float64) bool { return true }},
				figure{navy, func(px, py float64) bool { return px < x && px > 8 && py > 20 && py < 72 }},
				above,
			)
			d := traced(t, pic, digital).Drawing
			y := low - radius + math.Sqrt(radius*radius-(x-52)*(x-52))
			if off := nearestPoint(layer(d, navy), fit.Point{X: x, Y: y}); off > within {
				// The side may go on beneath what lies above: then it passes the place.
				if off = missedBy(d, fit.Point{X: x, Y: y}); off > within/2 {
					t.Errorf("side at %g under an edge at %g: %.2f px off", x, low, off)
				}
			}
		}
	}
}
