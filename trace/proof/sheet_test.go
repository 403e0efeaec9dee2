package proof

import (
	"bytes"
	"image"
	"image/color"
	"math/rand/v2"
	"strings"
	"testing"

	"pochoir/fit"
	"pochoir/trace"
)

// TestSheet looks at places of which the colour is known: in each panel, a place amid the buoy.
func TestSheet(t *testing.T) {
	d := scene()
	pic := picture(d, 120, 100, white)
	d.Layers[1].Colour = ink // a difference to be seen
	d.Layers[3].Colour = teal
	f := compare(t, d, pic, 120, 100)
	img := Sheet(d, pic, 120, 100, f)
	if again := Sheet(d, pic, 120, 100, f); !bytes.Equal(img.Pix, again.Pix) {
		t.Error("two sheets differ")
	}
	const k = panelSide / 120.0
	panel := func(i int, x, y float64) color.RGBA {
		high := 683 // 100 px at that scale
		return img.RGBAAt(margin+i%2*(panelSide+gutter)+int(x*k), margin+66+i/2*(caption+high+gutter)+caption+int(y*k))
	}
	if got := panel(0, 80, 60); got != rgba(teal) {
		t.Errorf("original: %v", got)
	}
	if got := panel(1, 80, 60); got != rgba(ink) {
		t.Errorf("drawing: %v", got)
	}
	if got := panel(2, 80, 66); got.R < 0xb0 || got.R == 0xff { // pale
		t.Errorf("points: %v", got)
	}
	if got := panel(2, 8.4, 10.2); got != knotInk {
		t.Errorf("corner in points: %v", got)
	}
	if got := panel(3, 80, 60); int(got.R) < 2*int(got.G) { // hot
		t.Errorf("difference: %v", got)
	}
	if got := panel(3, 60, 95); got.R != got.G || got.G != got.B || got.R < 0xe0 { // the sand is true: faded
		t.Errorf("no difference: %v", got)
	}
}

// TestSheetSizes draws sheets of odd pictures; each has the room for its captions, and a title nobody can read in
// these fonts is left out rather than shown as boxes.
func TestSheetSizes(t *testing.T) {
	for _, c := range []struct {
		w, h  int
		title string
	}{{1, 1, ""}, {300, 2, strings.Repeat("long ", 40)}, {2, 300, "浮標"}, {1700, 900, "Buoy"}} {
		pix := bytes.Repeat([]byte{0xe8, 0xd5, 0xa3, 255}, c.w*c.h)
		d := drawing(float64(c.w), float64(c.h), layer("teal", teal, rect(0, 0, float64(c.w)/2, float64(c.h))))
		d.Meta.Title = c.title
		img := Sheet(d, pix, c.w, c.h, compare(t, d, pix, c.w, c.h))
		if r := img.Rect; r.Dx() < 2*leastWide || r.Dy() < 2*leastHigh || r.Dx() > 2000 || r.Dy() > 2000 {
			t.Errorf("%d x %d makes a sheet of %v", c.w, c.h, r)
		}
	}
	if writable("浮標") || !writable("Bouée № 7 – Ø") {
		t.Error("the fonts have other characters than thought")
	}
	if img := Sheet(drawing(3, 3), make([]uint8, 36), 3, 3, Figures{}); img.Rect == (image.Rectangle{}) {
		t.Error("an empty drawing makes no sheet")
	}
}

func TestText(t *testing.T) {
	d := scene()
	pic := picture(d, 120, 100, white)
	text := compare(t, d, pic, 120, 100).Text()
	for _, want := range []string{"120 x 100 px, on #ffffff", "4 layers, 4 shapes, 20 segments", "100.00 %", "#1a8c8c teal", "too thin"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	f := compare(t, drawing(3, 3), make([]uint8, 36), 3, 3)
	if text := f.Text(); !strings.Contains(text, "nowhere to measure") || f.Ground != "#000000" {
		t.Errorf("empty drawing:\n%s", text)
	}
}

func BenchmarkCompare(b *testing.B) {
	r := rand.New(rand.NewPCG(9, 0))
	const w, h = 2000, 1500
	d := drawing(w, h, layer("sandybrown", sand, rect(0, 700, w, h)))
	var discs []fit.Path
	for y := range 12 {
		for x := range 16 {
			discs = append(discs, ellipse(125*float64(x)+60, 125*float64(y)+60, 30+20*r.Float64(), 25+20*r.Float64(), r.Float64()))
		}
	}
	d.Layers = append(d.Layers, layer("teal", teal, discs...))
	pix := Render(d, 1, color.White).Pix
	for i := range pix {
		if i%4 < 3 {
			pix[i] = uint8(min(255, max(0, int(pix[i])+r.IntN(7)-3)))
		}
	}
	b.SetBytes(int64(len(pix)))
	b.ReportAllocs()
	var f Figures
	for b.Loop() {
		var err error
		if f, err = Compare(d, pix, w, h); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(f.Deviation.Mean, "deviation-px")
}

func BenchmarkRender(b *testing.B) {
	d := &trace.Drawing{Width: 2000, Height: 1500}
	for i := range 500 {
		d.Layers = append(d.Layers, layer("teal", teal, ellipse(float64(i*4), float64(i*3), 90, 50, float64(i))))
	}
	b.ReportAllocs()
	for b.Loop() {
		Render(d, 1, color.White)
	}
}
