package quantize

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/quantize/colour"
)

// cornerSheet is a sheet of grainy paper with a small drawing in one corner: a ring of ink and a red disc.
func cornerSheet(w, h int, noise float64) Pixels {
	r := rand.New(rand.NewPCG(3, 9))
	px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h)}
	for y := range h {
		for x := range w {
			c := [3]float64{255, 255, 255}
			dx, dy := float64(x)-300.5, float64(y)-250.5
			if math.Abs(math.Hypot(dx, dy)-80) < 3.2 {
				c = [3]float64{8, 8, 8}
			} else if math.Hypot(dx-110, dy) < 60 {
				c = [3]float64{210, 40, 50}
			}
			i := 4 * (y*w + x)
			n := noise * r.NormFloat64()
			for k := range 3 {
				px.Pix[i+k] = uint8(math.Min(math.Max(c[k]+n, 0), 255))
			}
			px.Pix[i+3] = 255
		}
	}
	return px
}

// Leaving the bare paper out changes nothing that can be seen.
func TestBarePaperLeftOut(t *testing.T) {
	for _, noise := range []float64{0.5, 4} {
		px := cornerSheet(1100, 900, noise)
		r := drawnPart(px, noise, 2)
		if !image.Rect(218, 168, 472, 333).In(r) || r.Dx() > 400 || r.Dy() > 300 {
			t.Errorf("noise %g: the drawing lies in %v", noise, r)
		}
		part := flattenPart(px, r, noise, 0.5, Options{Workers: 2})
		whole := flattenPart(px, image.Rect(0, 0, px.W, px.H), noise, 0.5, Options{Workers: 2})
		if len(part.Palette) != 3 || len(whole.Palette) != 3 || part.Ground < 0 || whole.Ground < 0 {
			t.Fatalf("noise %g: palettes %v and %v", noise, part.Palette, whole.Palette)
		}
		off := 0
		for i := range part.Labels {
			a, b := part.Palette[part.Labels[i]].Colour, whole.Palette[whole.Labels[i]].Colour
			if colour.Difference(a.Lab(), b.Lab()) > 2 {
				off++
			}
			if p := image.Pt(i%px.W, i/px.W); !p.In(r) && (!part.IsCore(i) || int(part.Labels[i]) != part.Ground) {
				t.Fatalf("noise %g: %v is not bare paper", noise, p)
			}
		}
		if off > 60 {
			t.Errorf("noise %g: %d labels differ", noise, off)
		}
	}
}

// A sheet drawn on all over is looked at whole, a blank one too.
func TestNothingLeftOut(t *testing.T) {
	px := cornerSheet(520, 400, 2)
	if r := drawnPart(px, 2, 1); r != image.Rect(0, 0, 520, 400) && r.Dx()*r.Dy() > 520*400*3/4 {
		t.Errorf("%v", r)
	}
	blank := Pixels{W: 300, H: 200, Pix: make([]uint8, 4*300*200)}
	for i := range blank.Pix {
		blank.Pix[i] = 255
	}
	if r := drawnPart(blank, 1, 1); r != image.Rect(0, 0, 300, 200) {
		t.Errorf("%v", r)
	}
}
