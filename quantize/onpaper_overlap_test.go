package quantize

import (
	"math"
	"testing"

	"pochoir/quantize/colour"
)

// Felt-tip paint comes out as one area though its strokes overlap; lines drawn over it in other inks stay.
func TestOverlapsGo(t *testing.T) {
	const w, h = 500, 400
	brown, black, blue := colour.RGB{R: 163, G: 101, B: 78}, colour.RGB{R: 20, G: 20, B: 22}, colour.RGB{R: 20, G: 40, B: 150}
	lines := []func(x, y float64) float64{bar(80, 120, 420, 160, 5), bar(100, 300, 400, 250, 4)}
	s := newSheet(w, h)
	s.paint(brown, 0.8, disc(250, 200, 170), nil)
	for i := range s.light {
		if t := math.Mod(float64(i%w)+0.6*float64(i/w), 26); t < 7 {
			more := 1 + 0.35*math.Min(1, math.Min(t, 7-t))
			for k := range s.light[i] {
				s.light[i][k] = math.Pow(s.light[i][k], more)
			}
		}
	}
	s.paint(black, 0.8, lines[0], nil)
	s.paint(blue, 0.8, lines[1], nil)
	f, err := FlattenPaper(s.pixels(3), 3, 0.8, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Palette) != 4 {
		t.Errorf("%d swatches: %v", len(f.Palette), f.Palette)
	}
	own, _ := nearestSwatch(f, brown)
	other, all := 0, 0
	for i, l := range f.Labels {
		x, y := float64(i%w)+0.5, float64(i/w)+0.5
		if disc(250, 200, 166)(x, y) < 0 && lines[0](x, y) > 4 && lines[1](x, y) > 4 {
			all++
			other += b2i(int(l) != own)
		}
	}
	if 5000*other > all {
		t.Errorf("%d of %d px of the paint are of another swatch", other, all)
	}
	for i, line := range lines {
		at := [2]int{110, 0} // of the paint: where x is
		for y := range h {
			if line(float64(at[0])+0.5, float64(y)+0.5) < line(float64(at[0])+0.5, float64(at[1])+0.5) {
				at[1] = y
			}
		}
		if l := int(f.Labels[at[1]*w+at[0]]); l == own || l == f.Ground {
			t.Errorf("line %d is gone", i)
		}
	}
}

// Paint that is even but for noise is left as it is.
func TestEvenPaintStays(t *testing.T) {
	const w, h = 300, 300
	s := newSheet(w, h)
	s.paint(colour.RGB{R: 163, G: 101, B: 78}, 0.8, disc(150, 150, 120), nil)
	s.paint(colour.RGB{R: 110, G: 60, B: 45}, 0.8, bar(60, 150, 240, 150, 6), nil)
	for _, noise := range []float64{0, 4, 9} {
		px := s.pixels(noise)
		paperTables()
		p := &onPaper{plane: plane{w: w, h: h}, raw: px.Pix, pix: px.Pix, area: w * h}
		if p.evenOverlaps() || &p.pix[0] != &px.Pix[0] {
			t.Errorf("paint with a noise of %g levels was changed", noise)
		}
	}
}
