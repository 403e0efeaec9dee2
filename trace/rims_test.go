package trace_test

import (
	"math"
	"testing"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// TestThinRims: between two areas a rim of half a pixel stays whole whichever way it runs, also where its colour is near one
// of the two beside it, and both its sides lie where they are.
func TestThinRims(t *testing.T) {
	yellow, amber := colour.RGB{R: 252, G: 234, B: 43}, colour.RGB{R: 241, G: 179, B: 28}
	black := colour.RGB{}
	for _, c := range []struct{ outer, rim, inner colour.RGB }{{white, yellow, black}, {amber, yellow, black}, {orange, white, navy}} {
		for i := range 3 {
			cx, cy, r, width := 50.3+0.13*float64(i), 50.6-0.17*float64(i), 30.2+0.7*float64(i), 0.5+0.07*float64(i)
			// a box shows the rim's colour unmixed, as a drawing does somewhere
			pic := drawn(100, 130, box(c.outer, 4.3, 4.4, 95.6, 125.7), box(c.rim, 20.3, 100.2, 80.7, 120.6),
				disc(c.rim, cx, cy, r+width), disc(c.inner, cx, cy, r))
			d := traced(t, pic, trace.Options{Knockout: true}).Drawing
			l := layer(d, c.rim)
			if l == nil || len(l.Shapes) != 2 {
				t.Errorf("%v between %v and %v, %.2f px: want a rim and a box, have %s", c.rim, c.outer, c.inner, width, summary(d))
				continue
			}
			for _, s := range l.Shapes {
				if s.Rings[0].Segments[0].P[0].Y > 95 {
					continue
				}
				if len(s.Rings) != 2 {
					t.Errorf("%v between %v and %v, %.2f px: the rim is broken: %s", c.rim, c.outer, c.inner, width, summary(d))
					continue
				}
				for k, at := range [2]float64{r + width, r} {
					if off := worstOff(s.Rings[k], func(q fit.Point) float64 { return math.Hypot(q.X-cx, q.Y-cy) - at }); off > 0.3 {
						t.Errorf("%v between %v and %v, %.2f px: side %d of the rim is %.2f px off", c.rim, c.outer, c.inner, width, k, off)
					}
				}
			}
		}
	}
}

// TestRimsLieBelow: a thin rim is painted below what it borders, though more of its colour lies on top: edges hidden under
// the rim would show through its pixels.
func TestRimsLieBelow(t *testing.T) {
	for _, width := range []float64{1.2, 1.6} {
		pic := drawn(130, 130, box(orange, 4.3, 4.4, 125.6, 125.7), disc(white, 65.2+width, 65.4, 40.3), disc(navy, 65.2, 65.4, 40.3),
			disc(white, 55.3, 50.2, 7), disc(white, 78.4, 76.1, 6))
		d := traced(t, pic, trace.Options{}).Drawing
		if len(d.Layers) != 3 || d.Layers[2].Colour != navy {
			t.Errorf("a rim of %.1f px: want the rim below the disc, have %s", width, summary(d))
		}
	}
}
