package quantize

import (
	"math"
	"testing"

	"pochoir/quantize/colour"
)

// TestHairlines: lines of less than half a pixel, light on dark and dark on light, stay whole beside a broad one.
func TestHairlines(t *testing.T) {
	for _, dark := range []bool{true, false} {
		line, ground := black, white
		if !dark {
			line, ground = white, black
		}
		for _, slope := range []float64{0.1, 0.4, 1} {
			at := func(x, y float64) colour.RGB {
				d := math.Abs(y-20.4-slope*(x-20)) / math.Hypot(1, slope)
				if d < 0.42/2 && x > 10 && x < 80 || x > 90 {
					return line
				}
				return ground
			}
			f := flatten(t, rendered(110, 100, at), Options{})
			l := wantPalette(t, f, 0, ground, line)
			for x := 14; x < 76; x++ {
				seen := false
				for y := range f.H {
					seen = seen || int(f.Labels[y*f.W+x]) == l[1]
				}
				if !seen {
					t.Errorf("dark %t, slope %g: broken at x = %d", dark, slope, x)
					break
				}
			}
		}
	}
}

// TestIslandsAreTakenBack: at the corner of two areas whose soft edges let white shine through, no third colour of the
// palette appears, though its mixture would explain the pixels better.
func TestIslandsAreTakenBack(t *testing.T) {
	yellow, green := colour.RGB{R: 177, G: 204, B: 51}, colour.RGB{R: 92, G: 158, B: 49}
	const w, h = 60, 40
	px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h)}
	put := func(x, y int, c colour.RGB) {
		copy(px.Pix[4*(y*w+x):], []uint8{c.R, c.G, c.B, 255})
	}
	for y := range h {
		for x := range w {
			switch {
			case x >= 40 && y < 20:
				put(x, y, green)
			case x >= 40:
				put(x, y, white)
			case x < 20 && y > 39-x:
				put(x, y, yellow)
			default:
				put(x, y, black)
			}
		}
	}
	// a column beside the yellow area in which white shines through, as in a drawing painted edge to edge
	for y := 21; y < h; y++ {
		put(19, y, colour.RGB{R: 182, G: 207, B: 64})
	}
	put(19, 20, colour.RGB{R: 167, G: 190, B: 60})
	f := flatten(t, px, Options{})
	l := wantPalette(t, f, 0, white, black, yellow, green)
	for y := range h {
		for x := range 30 {
			if v := int(f.Labels[y*w+x]); v == l[3] || v == l[0] {
				t.Errorf("label of %v at %d, %d", f.Palette[v].Colour, x, y)
			}
		}
	}
}
