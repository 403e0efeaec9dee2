package trace_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pochoir/fit"
)

// TestRoundRims: where the round end of a rim bends away close beside the junction with the bowl that stands in it, nothing is
// drawn beyond the rim. (Its bend, carried on backwards, meets the line between the two several px outside.)
func TestRoundRims(t *testing.T) {
	const most = 1.2 // px
	for _, c := range []struct {
		x, y, radius, long  float64 // the middle of the bowl's sag; the rim's half width, and how many times as long its end is, px
		turn, covered, foot float64 // of the bowl's side; how much of the half width it covers; how far out its side stands, px
	}{
		{46.71, -9.38, 2.88, 1.67, 0.29, 0.96, -1.84},
		{46.76, -9.42, 3.38, 1.54, 0.56, 0.77, 2.67},
		{46.69, -9.35, 2.88, 1.36, 0.23, 0.77, 2.64},
		{47.05, -10.26, 2.58, 1.77, 0.47, 0.76, 2.56},
	} {
		const sag, reach = 54.0, 0.45          // px, and radians to either side
		beyond := func(x, y float64) float64 { // the rim, px
			dx, dy := math.Abs(x-c.x), y-c.y
			along := math.Max(0, (math.Atan2(dx, dy)-reach)*sag) / c.long
			return math.Hypot(along, math.Hypot(dx, dy)-sag) - c.radius
		}
		foot := fit.Point{X: sag*math.Sin(reach) + c.foot, Y: sag*math.Cos(reach) - c.radius}
		side := fit.Point{X: math.Sin(c.turn), Y: -math.Cos(c.turn)}
		bowl := figure{orange, func(x, y float64) bool {
			d := fit.Point{X: math.Abs(x - c.x), Y: y - c.y}
			return d.Len() < sag-c.covered*c.radius && side.Cross(d.Sub(foot)) < 0
		}}
		rim := figure{navy, func(x, y float64) bool { return beyond(x, y) < 0 }}
		worst, at := 0.0, fit.Point{}
		for _, shape := range layer(traced(t, drawn(48, 56, rim, bowl), digital).Drawing, navy).Shapes {
			for _, ring := range shape.Rings {
				for _, s := range ring.Segments {
					for k := range 8 {
						p := s.At(float64(k) / 8)
						if off := beyond(p.X, p.Y); off > worst && !bowl.inside(p.X, p.Y) {
							worst, at = off, p
						}
					}
				}
			}
		}
		if worst > most {
			t.Errorf("%+v: the outline runs to %.1f, %.1f, %.2f px beyond the rim", c, at.X, at.Y, worst)
		}
	}
}

// TestTipsBesideStripes: the points of hollow wedges are drawn where stripes of a third colour end on their sides a few px before
// the point, which is known from the wedge's own sides; no more than one in ten is missed.
func TestTipsBesideStripes(t *testing.T) {
	const within = 0.7 // px
	var missed []string
	all := 0
	for turn := 0.0; turn < 6.2; turn += 0.31 {
		for _, before := range []float64{3, 4, 5} { // px from the point to the stripes
			u := fit.Point{X: math.Cos(turn), Y: math.Sin(turn)}
			tip := fit.Point{X: 30.3, Y: 29.8}.Add(u.Mul(12))
			along := func(x, y float64) (back, aside float64) {
				d := fit.Point{X: x, Y: y}.Sub(tip)
				return -d.Dot(u), math.Abs(d.Cross(u))
			}
			pic := drawn(60, 60,
				figure{sand, func(x, y float64) bool { return true }},
				figure{orange, func(x, y float64) bool {
					back, _ := along(x, y)
					return back > before
				}},
				figure{navy, func(x, y float64) bool {
					back, aside := along(x, y)
					return back > 0 && aside < 0.3*back+float64(0.03*back*back)
				}})
			all++
			off := math.Inf(1) // of the outline of whichever colour lies above
			for _, l := range traced(t, pic, digital).Drawing.Layers {
				for _, shape := range l.Shapes {
					for _, ring := range shape.Rings {
						_, _, far := ring.Nearest(tip)
						off = min(off, far)
					}
				}
			}
			if off > within {
				missed = append(missed, fmt.Sprintf("turned by %.2f, stripes from %g px: by %.2f px", turn, before, off))
			}
		}
	}
	if 10*len(missed) > all {
		t.Errorf("%d points of %d are missed:\n%s", len(missed), all, strings.Join(missed, "\n"))
	}
}
