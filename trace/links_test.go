package trace_test

import (
	"math"
	"testing"

	"pochoir/fit"
	"pochoir/trace"
)

// sandBelow traces figures, of which what is sand must be one shape that lies below all else, and returns its outline.
func sandBelow(t *testing.T, w, h int, figures ...figure) (*trace.Drawing, fit.Path) {
	t.Helper()
	d := traced(t, drawn(w, h, figures...), trace.Options{}).Drawing
	if d.Layers[0].Colour != sand {
		t.Fatalf("sand should lie below, have %s", summary(d))
	}
	return d, onlyRing(t, d, sand)
}

// A bar that bands cross is one bar beneath them, of four lines, though the bands are the larger; what is seen of it through a
// window is not drawn again.
func TestEdgesGoOnBeneath(t *testing.T) {
	d, p := sandBelow(t, 260, 200, box(sand, 20.25, 80.5, 240.25, 110.75), box(teal, 60.25, 20.25, 100.5, 180.25),
		box(teal, 150.25, 20.25, 190.5, 180.25), box(sand, 165.25, 90.25, 175.25, 100.25))
	if len(p.Segments) != 4 {
		t.Errorf("the bar has %d segments, want its four sides", len(p.Segments))
	}
	if a := p.Area(); math.Abs(a-220*30.25) > 4 {
		t.Errorf("the bar covers %.1f px², want %.1f", a, 220*30.25)
	}
	l := layer(d, teal)
	n := 0
	for _, s := range l.Shapes {
		for _, r := range s.Rings {
			n += len(r.Segments)
		}
	}
	if len(l.Shapes) != 2 || n != 12 {
		t.Errorf("the bands should be two boxes and a window, have %s", summary(d))
	}
}

// Panels between bands that end where they end are one shape where that is drawn with fewer segments. It keeps below the
// bands' ends there, so that it does not shine through the pixels that those cover in part.
func TestPartedPanelsAreOne(t *testing.T) {
	const top, bottom = 30.5, 130.5
	_, p := sandBelow(t, 260, 160, box(sand, 20.3, top, 240.3, bottom), box(teal, 70.25, top, 90.5, bottom), disc(teal, 80.5, 80.5, 20),
		box(teal, 150.25, top, 180.5, bottom), disc(teal, 165.5, 80.5, 24))
	// Two sides; above and below three lines and a way under each of the two bands.
	if len(p.Segments) != 12 {
		t.Errorf("%d segments, want 12", len(p.Segments))
	}
	hidden := 0
	for _, g := range p.Segments {
		if g.Line {
			continue
		}
		hidden++
		if m := g.At(0.5); m.Y-top < 0.9 || bottom-m.Y < 0.9 || (m.Y > top+20 && m.Y < bottom-20) {
			t.Errorf("a hidden edge lies at %.2f, %.2f", m.X, m.Y)
		}
	}
	if hidden != 4 {
		t.Errorf("%d hidden edges, want 4", hidden)
	}
}

// Bars that weave are drawn whole where they lie below, not piece by piece.
func TestWeave(t *testing.T) {
	pic := drawn(200, 200, figure{sand, func(x, y float64) bool { // four rows
		return x > 15 && x < 185 && math.Mod(y, 40) > 30 && y > 30 && y < 180
	}}, figure{teal, func(x, y float64) bool { // four columns, above at every other crossing
		i, j := int(x/40), int(y/40)
		return y > 15 && y < 185 && math.Mod(x, 40) > 30 && x > 30 && x < 180 && !(math.Mod(y, 40) > 30 && y > 30 && y < 180 && (i+j)%2 == 1)
	}})
	d := traced(t, pic, trace.Options{}).Drawing
	if n := len(d.Layers[0].Shapes); n != 4 {
		t.Errorf("the lower bars are %d shapes, want 4: %s", n, summary(d))
	}
	for _, s := range d.Layers[0].Shapes {
		// A way under each of two ends of bars on either side parts its line in three.
		if n := len(s.Rings[0].Segments); n > 4+4*2+2 {
			t.Errorf("a lower bar has %d segments", n)
		}
	}
}
