package trace_test

import (
	"math"
	"testing"
)

// TestSlantedLanes: a lane aslant that a line of less than a pixel parts from an area of its colour is drawn by itself, where
// their pixels meet at corners too. Of lines and lanes as narrow as that no more than a third comes out otherwise.
func TestSlantedLanes(t *testing.T) {
	joined, all := 0, 0
	for k := range 72 {
		turn := 0.55 + 0.026*float64(k%18) // about 45 degrees
		line, lane := 0.75+0.1*float64(k/18%2), 0.55+0.1*float64(k/36)
		c, s := math.Cos(turn), math.Sin(turn)
		at := func(x, y float64) (across, along float64) {
			x, y = x-20.1, y-19.8
			return float64(x*c) + float64(y*s) + 0.07*float64(k%7), float64(y*c) - float64(x*s)
		}
		pic := drawn(40, 40, figure{navy, func(x, y float64) bool {
			a, b := at(x, y)
			area := a > 0 && a < 10 && math.Abs(b) < 13
			return math.Hypot(x-20, y-20) < 18 && !area && !(a < -line && a > -line-lane && math.Abs(b) < 4)
		}})
		all++
		if l := layer(traced(t, pic, digital).Drawing, navy); len(l.Shapes) != 1 || len(l.Shapes[0].Rings) != 3 {
			joined++
		}
	}
	if 3*joined > all {
		t.Errorf("%d lanes of %d join the area, or fall to pieces", joined, all)
	}
}
