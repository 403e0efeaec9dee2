package trace

import (
	"context"
	"image"
	"image/color"
	"image/draw"
	"testing"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/quantize/colour"
	"pochoir/trace/paper"
)

// blocks is a picture of upright rectangles on white.
func blocks(w, h int, list ...any) *paper.Picture {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(m, m.Rect, image.White, image.Point{}, draw.Src)
	for i := 0; i < len(list); i += 2 {
		draw.Draw(m, list[i].(image.Rectangle), image.NewUniform(list[i+1].(color.RGBA)), image.Point{}, draw.Src)
	}
	return &paper.Picture{W: w, H: h, Pix: m.Pix, Format: "png"}
}

var (
	navy = color.RGBA{29, 36, 64, 255}
	gold = color.RGBA{246, 185, 59, 255}
	teal = color.RGBA{26, 140, 140, 255}
)

func traced(t *testing.T, p *paper.Picture, opt Options) *Result {
	t.Helper()
	opt.Medium = quantize.MediumFlat
	r, err := Trace(context.Background(), p, opt)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// shapes returns the number of shapes of each layer colour.
func shapes(r *Result) map[string]int {
	n := map[string]int{}
	for _, l := range r.Drawing.Layers {
		n[l.Colour.Hex()] += len(l.Shapes)
	}
	return n
}

const navyHex, goldHex, tealHex = "#1d2440", "#f6b93b", "#1a8c8c"

func TestTouchesChangeAreas(t *testing.T) {
	two := blocks(120, 60, image.Rect(10, 10, 50, 50), navy, image.Rect(60, 10, 110, 50), navy)
	neck := blocks(120, 60, image.Rect(10, 10, 50, 50), navy, image.Rect(60, 10, 110, 50), navy, image.Rect(50, 26, 60, 34), navy)
	mixed := blocks(120, 60, image.Rect(10, 10, 50, 50), navy, image.Rect(50, 10, 110, 50), gold)
	speck := blocks(120, 60, image.Rect(10, 10, 50, 50), navy, image.Rect(80, 30, 83, 33), navy)
	at := func(x, y float64) fit.Point { return fit.Point{X: x, Y: y} }
	for name, c := range map[string]struct {
		pic    *paper.Picture
		opt    Options
		before int // shapes of navy without the touches
		after  map[string]int
	}{
		"join two of one colour": {two, Options{Touches: []Touch{{Do: Join, At: at(30, 30), To: at(85, 30)}}}, 2, map[string]int{navyHex: 1}},
		"join two colours":       {mixed, Options{Touches: []Touch{{Do: Join, At: at(30, 30), To: at(85, 30)}}}, 1, map[string]int{navyHex: 1}},
		"separate at the neck":   {neck, Options{Touches: []Touch{{Do: Separate, At: at(30, 30), To: at(85, 30)}}}, 1, map[string]int{navyHex: 2}},
		"drop":                   {speck, Options{Touches: []Touch{{Do: Drop, At: at(81, 31), To: at(0, 0)}}}, 2, map[string]int{navyHex: 1}},
		"keep in spite of dust":  {speck, Options{Dust: ptr(5.0), Touches: []Touch{{Do: Keep, At: at(81, 31), To: at(0, 0)}}}, 1, map[string]int{navyHex: 2}},
		"outside the picture":    {two, Options{Touches: []Touch{{Do: Join, At: at(30, 30), To: at(850, 30)}, {Do: Drop, At: at(-3, 2), To: at(0, 0)}}}, 2, map[string]int{navyHex: 2}},
		"on one area":            {two, Options{Touches: []Touch{{Do: Join, At: at(30, 30), To: at(32, 30)}, {Do: Separate, At: at(30, 30), To: at(85, 30)}}}, 2, map[string]int{navyHex: 2}},
	} {
		t.Run(name, func(t *testing.T) {
			plain := c.opt
			plain.Touches = nil
			if n := shapes(traced(t, c.pic, plain))[navyHex]; n != c.before {
				t.Errorf("%d shapes before, want %d", n, c.before)
			}
			got := shapes(traced(t, c.pic, c.opt))
			for hex, n := range c.after {
				if got[hex] != n {
					t.Errorf("%d shapes of %s, want %d", got[hex], hex, n)
				}
			}
			if name == "join two colours" && got[goldHex] != 0 {
				t.Error("the other colour is still there")
			}
		})
	}
}

// Where a mark is dropped its surroundings must look as if it had never been: the outline of a joined area runs straight
// on over the border that is gone.
func TestJoinedAreaHasNoScar(t *testing.T) {
	soft := blocks(120, 60, image.Rect(10, 10, 50, 50), navy, image.Rect(50, 10, 110, 50), gold)
	for y := 10; y < 50; y++ { // a border half way through a pixel
		i := 4 * (y*120 + 50)
		copy(soft.Pix[i:], []uint8{(29 + 246) / 2, (36 + 185) / 2, (64 + 59) / 2, 255})
	}
	r := traced(t, soft, Options{Touches: []Touch{{Do: Join, At: fit.Point{X: 30, Y: 30}, To: fit.Point{X: 85, Y: 30}}}})
	if len(r.Drawing.Layers) != 1 || len(r.Drawing.Layers[0].Shapes) != 1 {
		t.Fatalf("%+v", shapes(r))
	}
	ring := r.Drawing.Layers[0].Shapes[0].Rings[0]
	if len(ring.Segments) != 4 || ring.Area() < 3999 || ring.Area() > 4001 {
		t.Errorf("%d segments around %.2f px², want a plain rectangle of 4000", len(ring.Segments), ring.Area())
	}
}

// A corner marked smooth is drawn round and the other way about; the rest stays.
func TestCornerAndSmooth(t *testing.T) {
	square := blocks(80, 80, image.Rect(20, 20, 60, 60), navy)
	corners := func(opt Options) int {
		ring := traced(t, square, opt).Drawing.Layers[0].Shapes[0].Rings[0]
		n := 0
		for i, s := range ring.Segments {
			next := ring.Segments[(i+1)%len(ring.Segments)]
			a, b := s.P[3].Sub(s.P[2]), next.P[1].Sub(next.P[0])
			if s.Line {
				a = s.P[3].Sub(s.P[0])
			}
			if next.Line {
				b = next.P[3].Sub(next.P[0])
			}
			if a.Dot(b) < 0.9*a.Len()*b.Len() {
				n++
			}
		}
		return n
	}
	if n := corners(Options{}); n != 4 {
		t.Fatalf("%d corners, want 4", n)
	}
	if n := corners(Options{Touches: []Touch{{Do: Smooth, At: fit.Point{X: 20, Y: 20}}}}); n != 3 {
		t.Errorf("%d corners with one marked smooth, want 3", n)
	}
	all := Options{Turn: ptr(170.0)}
	if n := corners(all); n != 0 {
		t.Fatalf("%d corners where turns up to 170° are drawn round, want none", n)
	}
	all.Touches = []Touch{{Do: Corner, At: fit.Point{X: 60, Y: 20}}}
	if n := corners(all); n != 1 {
		t.Errorf("%d corners with one marked, want 1", n)
	}
}

func TestPourLockRecolour(t *testing.T) {
	pic := blocks(120, 60, image.Rect(10, 10, 50, 50), navy, image.Rect(50, 10, 80, 50), gold, image.Rect(80, 10, 110, 50), teal)
	name := map[string]string{}
	for _, l := range traced(t, pic, Options{}).Drawing.Layers {
		name[l.Colour.Hex()] = l.Name
	}
	got := shapes(traced(t, pic, Options{Pours: []Pour{{name[goldHex], name[tealHex]}, {"no-such", name[navyHex]}}}))
	if got[goldHex] != 0 || got[tealHex] != 1 || got[navyHex] != 1 {
		t.Errorf("poured: %v", got)
	}
	sea := quantize.Swatch{Name: "sea", Colour: colour.RGB{R: 30, G: 150, B: 150}}
	r := traced(t, pic, Options{Locked: []quantize.Swatch{sea}})
	got = shapes(r)
	if got[sea.Colour.Hex()] != 1 || got[tealHex] != 0 || got[goldHex] != 1 {
		t.Errorf("locked: %v", got)
	}
	plain, other := traced(t, pic, Options{}), traced(t, pic, Options{Colourway: []quantize.Swatch{{Name: name[goldHex], Colour: sea.Colour}}})
	if shapes(other)[sea.Colour.Hex()] != 1 || other.Report.Segments != plain.Report.Segments {
		t.Errorf("recoloured: %v", shapes(other))
	}
}

func TestMarksSayWhatDustDrops(t *testing.T) {
	pic := blocks(120, 60, image.Rect(10, 10, 50, 50), navy, image.Rect(80, 30, 83, 33), navy, image.Rect(90, 10, 96, 16), navy)
	r := traced(t, pic, Options{})
	if len(r.Report.Marks) != 3 {
		t.Fatalf("%d marks, want 3: %v", len(r.Report.Marks), r.Report.Marks)
	}
	for i, want := range []float64{3, 6, 40} {
		m := r.Report.Marks[i]
		if m.Dust != want {
			t.Errorf("mark %d goes at %g px, want %g", i, m.Dust, want)
		}
		below, at := m.Dust-0.01, m.Dust
		n := shapes(traced(t, pic, Options{Dust: &below}))[navyHex]
		if k := shapes(traced(t, pic, Options{Dust: &at}))[navyHex]; i < 2 && k != n-1 {
			t.Errorf("dust of %g px leaves %d marks of %d", at, k, n)
		}
	}
}

func ptr(v float64) *float64 { return &v }

// An area that ink encloses takes the colour that is laid there, in a layer of its own, and fits under the ink.
func TestLayFlat(t *testing.T) {
	ring := blocks(100, 80, image.Rect(10, 10, 90, 70), navy, image.Rect(16, 16, 84, 64), color.RGBA{255, 255, 255, 255})
	sea := quantize.Swatch{Name: "sea", Colour: colour.RGB{R: 30, G: 150, B: 150}}
	for _, medium := range []quantize.Medium{quantize.MediumAuto, quantize.MediumLine} {
		opt := Options{Medium: medium, Touches: []Touch{{Do: Lay, At: fit.Point{X: 40, Y: 40}, Swatch: sea}, {Do: Lay, At: fit.Point{X: 12, Y: 40}, Swatch: sea}}}
		r, err := Trace(context.Background(), ring, opt)
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]float64{}
		for _, l := range r.Drawing.Layers {
			for _, s := range l.Shapes {
				for _, p := range s.Rings {
					got[l.Name] += p.Area()
				}
			}
		}
		// The flat reaches under the ink, by less than the ink is wide.
		if a := got["sea"]; a < 68*48 || a > 80*60 {
			t.Errorf("medium %d: the flat covers %.0f px², want %d and a trap around it", medium, a, 68*48)
		}
		if a := got["ink"]; a < 80*60-68*48-2 || a > 80*60-68*48+2 {
			t.Errorf("medium %d: the ink covers %.0f px², want %d: %v", medium, a, 80*60-68*48, got)
		}
	}
}

// A break in a line that is closed for laying flats is told with its two ends.
func TestBridgesAreTold(t *testing.T) {
	white := color.RGBA{255, 255, 255, 255}
	p := blocks(120, 100, image.Rect(20, 20, 100, 80), navy, image.Rect(26, 26, 94, 74), white, image.Rect(20, 46, 26, 49), white)
	gap := 6.0
	r, err := Trace(context.Background(), p, Options{Medium: quantize.MediumLine, LayFlats: true, Gap: &gap})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Report.Bridges) != 1 {
		t.Fatalf("%d bridges, want 1: %v", len(r.Report.Bridges), r.Report.Bridges)
	}
	for _, q := range r.Report.Bridges[0] {
		if q.X < 18 || q.X > 28 || q.Y < 44 || q.Y > 51 {
			t.Errorf("a bridge ends at %v, the break is at 20..26, 46..49", q)
		}
	}
}
