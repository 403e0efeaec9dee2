package trace_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pochoir/fit"
)

// TestNarrows: a line that is thinner than a fifth of a pixel for a few px, and then opens again, is drawn through up to where it
// ends, whether that is in a wedge of its own or on a third colour beside which it is never half a pixel wide. The sides are
// known from their equation; no more than one in twenty is missed.
func TestNarrows(t *testing.T) {
	const within = 1.0 // px
	var missed []string
	all := 0
	for turn := 0.0; turn < 6.2; turn += 0.31 {
		for _, c := range []struct {
			least, opens float64 // px wide at its narrowest, and so many px from there 1 px wider
			end          float64 // px from there, where the third colour begins
			bent         bool    // one side is straight on either hand, and the third colour goes on between the sides
		}{{0.12, 8, 12, false}, {0.16, 9, 12, false}, {0.14, 10, 6, false}, {0.13, 7, 4, true}, {0.14, 6, 4.5, true}} {
			u := fit.Point{X: math.Cos(turn), Y: math.Sin(turn)}
			middle := fit.Point{X: 30.3, Y: 29.8}
			sides := func(along float64) (lo, hi float64) {
				wider := along * along / (c.opens * c.opens)
				switch {
				case !c.bent:
					return -(c.least + wider) / 2, (c.least + wider) / 2
				case along < 0:
					return -c.least/2 - wider, c.least / 2
				}
				return -c.least / 2, c.least/2 + wider
			}
			pic := drawn(60, 60,
				figure{sand, func(x, y float64) bool { return true }},
				figure{navy, func(x, y float64) bool {
					d := fit.Point{X: x, Y: y}.Sub(middle)
					along, aside := d.Dot(u), u.Cross(d)
					lo, hi := sides(along)
					return -20 < along && along < c.end && lo < aside && aside < hi
				}},
				figure{white, func(x, y float64) bool {
					d := fit.Point{X: x, Y: y}.Sub(middle)
					along, aside := d.Dot(u), u.Cross(d)
					lo, hi := sides(along)
					return along > c.end && aside < hi && (!c.bent || lo < aside)
				}})
			all++
			d := traced(t, pic, digital).Drawing
			worst := 0.0
			for along := -10.0; along <= c.end; along++ {
				lo, hi := sides(along)
				for _, aside := range [2]float64{lo, hi} {
					worst = max(worst, missedBy(d, middle.Add(u.Mul(along)).Add(fit.Point{X: -u.Y, Y: u.X}.Mul(aside))))
				}
			}
			if worst > within {
				missed = append(missed, fmt.Sprintf("turned by %.2f, %+v: by %.2f px", turn, c, worst))
			}
		}
	}
	if 20*len(missed) > all {
		t.Errorf("%d narrows of %d are missed:\n%s", len(missed), all, strings.Join(missed, "\n"))
	}
}

// TestTipsStayApart: two wedges that point at each other with nothing between them are two shapes.
func TestTipsStayApart(t *testing.T) {
	for turn := 0.0; turn < 3.1; turn += 0.31 {
		for _, apart := range []float64{1, 1.5, 2.5} { // px
			u := fit.Point{X: math.Cos(turn), Y: math.Sin(turn)}
			pic := drawn(60, 60, figure{navy, func(x, y float64) bool {
				d := fit.Point{X: x - 30.3, Y: y - 29.8}
				along := math.Abs(d.Dot(u)) - apart/2
				return along < 18 && math.Abs(d.Cross(u)) < 0.12*along
			}})
			if n := len(layer(traced(t, pic, digital).Drawing, navy).Shapes); n != 2 {
				t.Errorf("turned by %.2f, %g px apart: %d shapes, want 2", turn, apart, n)
			}
		}
	}
}
