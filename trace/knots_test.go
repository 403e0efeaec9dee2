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

// TestShallowJunctions: where an edge runs out below another one at a small angle, labels part px beside the place. The edge
// is drawn up to it all the same.
func TestShallowJunctions(t *testing.T) {
	const within = 0.3 // px
	for _, angle := range []float64{0.12, 0.18, 0.25, 0.35, 0.5} {
		for _, turn := range []float64{0.2, 0.9, 1.7, 2.6, 3.3, 4.1} {
			const radius = 26
			centre := fit.Point{X: 50.2, Y: 49.7}
			u := fit.Point{X: math.Cos(turn), Y: math.Sin(turn)}
			joint := centre.Add(u.Mul(radius))
			// The edge leaves the disc's at the angle.
			along := u.Perp().Mul(math.Cos(angle)).Add(u.Mul(math.Sin(angle)))
			pic := drawn(100, 100,
				figure{sand, func(x, y float64) bool { return true }},
				figure{navy, func(x, y float64) bool { return along.Cross(fit.Point{X: x, Y: y}.Sub(joint)) > 0 }},
				disc(teal, centre.X, centre.Y, radius),
			)
			d := traced(t, pic, digital).Drawing
			for far := 0.5; far < 6; far += 0.5 {
				if off := offLayers(joint.Add(along.Mul(far)), d.Layers...); off > within {
					t.Errorf("turned by %.1f, at an angle of %.2f: %.2f px off, %.1f px from the junction", turn, angle, off, far)
				}
			}
		}
	}
}
