package trace_test

import (
	"math"
	"testing"

	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// This file traces pictures by renderers that paint one shape after the other, each with the coverage that 4×4 samples of a
// pixel tell, so that what lies beneath shines through where two shapes abut.

// painted paints figures on white as such a renderer does.
func painted(w, h int, figures ...figure) *paper.Picture {
	const n = 4
	return picture(w, h, func(x, y int) (uint8, uint8, uint8) {
		r, g, b := 255.0, 255.0, 255.0
		for _, f := range figures {
			covered := 0.0
			for k := range n * n {
				if f.inside(float64(x)+(float64(k%n)+0.5)/n, float64(y)+(float64(k/n)+0.5)/n) {
					covered += 1.0 / (n * n)
				}
			}
			r += math.Round(covered * (float64(f.c.R) - r))
			g += math.Round(covered * (float64(f.c.G) - g))
			b += math.Round(covered * (float64(f.c.B) - b))
		}
		return uint8(r), uint8(g), uint8(b)
	})
}

// both is where a and b overlap; only is a without b.
func both(a, b figure) figure {
	return figure{a.c, func(x, y float64) bool { return a.inside(x, y) && b.inside(x, y) }}
}

func only(a, b figure) figure {
	return figure{a.c, func(x, y float64) bool { return a.inside(x, y) && !b.inside(x, y) }}
}

// TestSeamsOfOneColour: along the seam of two shapes of one colour nothing is drawn, whether one colour shines through or
// two at once, which mix to a colour that is nowhere else; a lone mark as faint stays.
func TestSeamsOfOneColour(t *testing.T) {
	green := colour.RGB{R: 119, G: 177, B: 85}
	whole := disc(green, 80.3, 80.6, 60.2)
	for _, c := range []struct {
		name string
		cut  figure
	}{
		{"level", box(green, 0, 0, 160, 80.5)},
		{"nearly level", stroke(green, 0, 0, 160, 5, 130)},
		{"slanting", stroke(green, 0, 0, 160, 40, 100)},
		{"bent", disc(green, 60.7, 90.2, 40.4)},
	} {
		for _, under := range []bool{false, true} {
			figures := []figure{box(orange, 2.5, 150.5, 157.5, 157.5)}
			if under {
				lining := disc(orange, 80.3, 80.6, 60.2)
				figures = append(figures, both(lining, c.cut), only(lining, c.cut))
			}
			figures = append(figures, both(whole, c.cut), only(whole, c.cut), disc(white, 110.5, 50.5, 0.3))
			d := traced(t, painted(160, 160, figures...), trace.Options{Sheet: paper.Options{Kind: paper.Digital}}).Drawing
			shape, mark := layer(d, green), layer(d, white)
			if len(d.Layers) != 3 || shape == nil || len(shape.Shapes) != 1 || mark == nil || len(mark.Shapes) != 1 {
				t.Errorf("%s, orange beneath %v: want a disc, a mark on it and a bar, have %s", c.name, under, summary(d))
			}
		}
	}
}
