package trace_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pochoir/fit"
)

// TestHairlinesAslant: hairlines that grow lie where their own equations tell, and in few curves; no more than one in ten does not.
func TestHairlinesAslant(t *testing.T) {
	const within, mostSegments = 0.15, 10 // px, of their middles
	var bad []string
	all := 0
	for turn := 0.22; turn < 1.5; turn += 0.17 {
		for _, wide := range []float64{0.35, 0.55, 0.8} {
			u := fit.Point{X: math.Cos(turn), Y: math.Sin(turn)}
			from := fit.Point{X: 10.3, Y: 9.8}
			const long = 40.0 // px
			line := figure{navy, func(x, y float64) bool {
				d := fit.Point{X: x, Y: y}.Sub(from)
				a := d.Dot(u)
				return a > 0 && a < long && math.Abs(d.Cross(u)) < wide/2*min(1, 0.4+a/long)
			}}
			l := layer(traced(t, drawn(64, 64, line, disc(navy, 52, 8, 4)), digital).Drawing, navy)
			worst, segs := 0.0, 0
			for _, shape := range l.Shapes {
				for _, ring := range shape.Rings {
					if ring.Segments[0].P[0].Sub(fit.Point{X: 52, Y: 8}).Len() < 6 {
						continue
					}
					segs += len(ring.Segments)
					for _, s := range ring.Segments {
						for k := range 8 {
							d := s.At(float64(k) / 8).Sub(from)
							if a := d.Dot(u); a > 3 && a < long-3 {
								worst = math.Max(worst, math.Abs(d.Cross(u))-wide/2*min(1, 0.4+a/long))
							}
						}
					}
				}
			}
			all++
			if worst > within || segs > mostSegments {
				bad = append(bad, fmt.Sprintf("turned by %.2f, %.2f px wide: off by %.2f px, %d segments", turn, wide, worst, segs))
			}
		}
	}
	if 10*len(bad) > all {
		t.Errorf("%d hairlines of %d:\n%s", len(bad), all, strings.Join(bad, "\n"))
	}
}
