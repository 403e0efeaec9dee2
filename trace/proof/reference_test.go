package proof

import (
	"image/color"
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// lamp is a figure without symmetry: a body, a lid, a window and a hook.
func lamp(stretch float64) *trace.Drawing {
	at := func(x, y float64) fit.Point { return fit.Point{X: 150 + (x-150)*stretch, Y: y} }
	poly := func(p ...fit.Point) trace.Shape {
		var r fit.Path
		for i, a := range p {
			r.Segments = append(r.Segments, fit.LineTo(a, p[(i+1)%len(p)]))
		}
		r.Closed = true
		return trace.Shape{Rings: []fit.Path{r}}
	}
	return &trace.Drawing{Width: 300, Height: 400, Meta: trace.Meta{Title: "Lamp"}, Layers: []trace.Layer{
		{Name: "slate", Colour: colour.RGB{R: 40, G: 60, B: 90}, Shapes: []trace.Shape{
			poly(at(90, 120), at(210, 120), at(240, 340), at(60, 340)),
			poly(at(120, 60), at(150, 30), at(200, 90), at(160, 100))}},
		{Name: "amber", Colour: colour.RGB{R: 240, G: 180, B: 50}, Shapes: []trace.Shape{
			poly(at(115, 160), at(170, 160), at(180, 260), at(105, 240))}},
	}}
}

// photograph renders d as it lies by p on a photograph of w by h pixels, with grain, on grey.
func photograph(d *trace.Drawing, w, h int, p Placement) []uint8 {
	moved := &trace.Drawing{Width: float64(w), Height: float64(h)}
	for _, l := range d.Layers {
		m := trace.Layer{Name: l.Name, Colour: l.Colour}
		for _, s := range l.Shapes {
			var t trace.Shape
			for _, r := range s.Rings {
				q := fit.Path{Closed: r.Closed}
				for _, g := range r.Segments {
					q.Segments = append(q.Segments, fit.LineTo(p.At(g.P[0]), p.At(g.P[3])))
				}
				t.Rings = append(t.Rings, q)
			}
			m.Shapes = append(m.Shapes, t)
		}
		moved.Layers = append(moved.Layers, m)
	}
	img := Render(moved, 1, color.RGBA{R: 200, G: 196, B: 190, A: 255})
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range img.Pix {
		if i%4 < 3 {
			img.Pix[i] = uint8(max(0, min(255, int(img.Pix[i])+rng.IntN(13)-6)))
		}
	}
	return img.Pix
}

// TestPlaceOver finds drawings again at known places: to a per cent of their size, and half a degree.
func TestPlaceOver(t *testing.T) {
	for _, want := range []Placement{
		{Scale: 1, X: 100, Y: 60}, {Scale: 1.9, X: 40, Y: 10}, {Scale: 0.9, Turn: 0.12, X: 300, Y: 200}, {Scale: 1.4, Turn: -0.08, X: 20, Y: 120},
	} {
		d := lamp(1)
		const w, h = 760, 820
		pix := photograph(d, w, h, want)
		got, err := PlaceOver(d, pix, w, h)
		if err != nil {
			t.Fatal(err)
		}
		for _, q := range []fit.Point{{X: 60, Y: 30}, {X: 240, Y: 340}, {X: 150, Y: 200}} {
			if off := got.At(q).Sub(want.At(q)).Len() / (310 * want.Scale); off > 0.01 {
				t.Errorf("%+v: %v lies %.3f of the size off (placed %+v)", want, q, off, got)
			}
		}
		f, err := OverFigures(d, pix, w, h, got)
		if err != nil || f.Near < 0.98 || f.Distance > 1 || math.Abs(f.Wider) > 1 {
			t.Errorf("%+v: figures %+v, %v", want, f, err)
		}
	}
}

// TestProportion lays drawings that are too wide or too narrow over the photograph: how much so is told to a per cent.
func TestProportion(t *testing.T) {
	const w, h = 600, 600
	place := Placement{Scale: 1.2, X: 80, Y: 60}
	pix := photograph(lamp(1), w, h, place)
	for _, stretch := range []float64{0.9, 0.96, 1.05, 1.12} {
		d := lamp(stretch)
		p, err := PlaceOver(d, pix, w, h)
		if err != nil {
			t.Fatal(err)
		}
		f, err := OverFigures(d, pix, w, h, p)
		if err != nil || math.Abs(f.Wider-100*(stretch-1)) > 1 {
			t.Errorf("%g times as wide: %+v, %v", stretch, f, err)
		}
	}
}

func TestPlaceByPoints(t *testing.T) {
	want := Placement{Scale: 2.5, Turn: 0.4, X: -30, Y: 12}
	a, b := fit.Point{X: 3, Y: 4}, fit.Point{X: 100, Y: -20}
	got, err := PlaceByPoints([2]fit.Point{a, b}, [2]fit.Point{want.At(a), want.At(b)})
	if err != nil || math.Abs(got.Scale-want.Scale) > 1e-12 || math.Abs(got.Turn-want.Turn) > 1e-12 || math.Hypot(got.X-want.X, got.Y-want.Y) > 1e-9 {
		t.Errorf("%+v, %v", got, err)
	}
	q := fit.Point{X: 7, Y: 9}
	if back := got.back(got.At(q)); back.Sub(q).Len() > 1e-9 {
		t.Errorf("back at %v, want %v", back, q)
	}
	if _, err := PlaceByPoints([2]fit.Point{a, a}, [2]fit.Point{a, b}); err == nil {
		t.Error("two points that are one are taken")
	}
}

func TestReferenceErrors(t *testing.T) {
	d := lamp(1)
	plain := make([]uint8, 4*50*40)
	for i := range plain {
		plain[i] = 200
	}
	if _, err := PlaceOver(d, plain, 50, 40); err == nil {
		t.Error("a photograph without an edge is matched")
	}
	if _, err := PlaceOver(&trace.Drawing{Width: 10, Height: 10}, photograph(d, 300, 400, Placement{Scale: 1}), 300, 400); err == nil {
		t.Error("a drawing without an outline is matched")
	}
	if _, err := PlaceOver(d, plain[4:], 50, 40); err == nil {
		t.Error("too few bytes are taken")
	}
}

// TestReferenceSheet looks for the outline over the photograph where the drawing's edge lies.
func TestReferenceSheet(t *testing.T) {
	d, place := lamp(1), Placement{Scale: 1.5, X: 50, Y: 40}
	const w, h = 600, 700
	pix := photograph(d, w, h, place)
	f, err := OverFigures(d, pix, w, h, place)
	if err != nil {
		t.Fatal(err)
	}
	img := ReferenceSheet(d, pix, w, h, place, f)
	scale := math.Min(panelSide/float64(w), panelSide/float64(h))
	iw := int(float64(w)*scale + 0.5)
	x0, y0 := margin+(max(iw, leastWide)-iw)/2, margin+66+caption
	q := place.At(fit.Point{X: 150, Y: 340}) // on the lower edge of the body
	found := false
	for y := -3; y <= 3; y++ {
		c := img.RGBAAt(x0+int(q.X*scale), y0+int(q.Y*scale)+y)
		found = found || c.R > 170 && c.G < 120 && c.B < 120
	}
	if !found {
		t.Error("no outline lies over the photograph at the body's lower edge")
	}
}
