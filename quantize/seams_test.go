package quantize

import (
	"math"
	"testing"

	"pochoir/quantize/colour"
)

// painter paints shapes one after the other, as a renderer does that counts coverage in sixteenths of a pixel.
func painter(w, h int, shapes ...func(x, y float64) (colour.RGB, bool)) Pixels {
	const n = 4
	px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h)}
	for i := range w * h {
		c := [3]float64{255, 255, 255}
		for _, shape := range shapes {
			var own colour.RGB
			covered := 0.0
			for k := range n * n {
				x, y := float64(i%w)+(float64(k%n)+0.5)/n, float64(i/w)+(float64(k/n)+0.5)/n
				if v, in := shape(x, y); in {
					own = v
					covered += 1.0 / (n * n)
				}
			}
			for k, v := range [3]uint8{own.R, own.G, own.B} {
				c[k] += math.Round(covered * (float64(v) - c[k]))
			}
		}
		copy(px.Pix[4*i:], []uint8{uint8(c[0]), uint8(c[1]), uint8(c[2]), 255})
	}
	return px
}

// TestSeams: along an edge that two areas share, what shines through from an area beneath, which is seen elsewhere, is no rim of
// it, however the edge runs, and the pixels there show what lies on top as if nothing shone through. A rim that was drawn stays.
func TestSeams(t *testing.T) {
	orange, grey, navy := colour.RGB{R: 244, G: 144, B: 12}, colour.RGB{R: 204, G: 214, B: 221}, colour.RGB{R: 20, G: 40, B: 90}
	const w, h = 140, 120
	for _, turn := range []float64{0.05, 0.2, 0.5, 0.79} {
		cos, sin := math.Cos(turn), math.Sin(turn)
		over := func(x, y float64) float64 { return (y-60.3)*cos + (x-70)*sin } // px beyond the edge
		inside := func(x, y, m float64) bool { return x > 8+m && x < w-8-m && y > 8+m && y < h-8-m }
		ground := func(x, y float64) (colour.RGB, bool) { return grey, inside(x, y, 0) }
		for _, rim := range []float64{0, 0.6} {
			// orange ends with the navy one, which goes on beyond it to the left
			under := func(x, y float64) (colour.RGB, bool) {
				return orange, inside(x, y, 4) && (over(x, y) > -rim || x < 30)
			}
			top := func(x, y float64) (colour.RGB, bool) { return navy, inside(x, y, 4) && x > 30 && over(x, y) > 0 }
			px := painter(w, h, ground, under, top)
			f := flatten(t, px, Options{})
			l := wantPalette(t, f, 0, white, grey, orange, navy)
			for x := 50; x < 100; x++ {
				shown := 0.0
				var rows []int
				for y := range h {
					if d := over(float64(x)+0.5, float64(y)+0.5); d < -4 || d > 4 {
						continue
					}
					i := y*w + x
					if int(f.Labels[i]) == l[2] {
						rows = append(rows, y)
					}
					if s := f.Coverage(i, uint8(l[3]), uint8(l[1])); s > 0.02 && s < 0.98 {
						want := 0.0
						for k := range 16 {
							if over(float64(x)+(float64(k%4)+0.5)/4, float64(y)+(float64(k/4)+0.5)/4) > 0 {
								want += 1.0 / 16
							}
						}
						shown = max(shown, math.Abs(s-want))
					}
				}
				if rim == 0 && (len(rows) > 0 || shown > 0.04) {
					t.Errorf("edge turned by %.2f: at x = %d a seam labels rows %v, and shares are off by %.2f", turn, x, rows, shown)
					break
				}
				if rim > 0 && len(rows) == 0 {
					t.Errorf("edge turned by %.2f: at x = %d the rim of %.1f px is gone", turn, x, rim)
					break
				}
			}
		}
	}
}
