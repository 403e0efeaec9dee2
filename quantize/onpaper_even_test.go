package quantize

import (
	"testing"

	"pochoir/quantize/colour"
)

// A patch of a paint that noise took for another, nearer in colour to what lies around it, goes; one that shows its
// colour stays.
func TestPaperPatchesShowTheirPaint(t *testing.T) {
	const w, h = 60, 60
	dark, pale := colour.RGB{R: 140, G: 83, B: 62}, colour.RGB{R: 168, G: 107, B: 84}
	for _, c := range []struct {
		patch colour.RGB
		label uint8
	}{{colour.RGB{R: 150, G: 92, B: 70}, 0}, {pale, 1}} {
		s := newSheet(w, h)
		s.paint(dark, 0, disc(30, 30, 200), nil)
		s.paint(c.patch, 0.5, disc(30, 30, 6), nil)
		px := s.pixels(1)
		paperTables()
		p := &onPaper{plane: plane{w: w, h: h}, raw: px.Pix, pix: px.Pix, area: w * h}
		p.findBlank()
		p.smoothLab()
		p.half = p.halve()
		p.measureRough()
		p.findCores()
		p.half.measureRough()
		p.half.findCores()
		p.paints = []paint{{c: vecOf(dark)}, {c: vecOf(pale)}}
		p.labels, p.fixed = make([]uint8, w*h), make([]bool, w*h)
		for i := range p.labels {
			p.labels[i], p.fixed[i] = uint8(b2i(disc(30, 30, 6)(float64(i%w)+0.5, float64(i/w)+0.5) < 0)), true
		}
		p.measureLocals(p.paints, nil)
		p.dust()
		if got := p.labels[30*w+30]; got != c.label {
			t.Errorf("a patch of %s comes under label %d, want %d", c.patch.Hex(), got, c.label)
		}
	}
}
