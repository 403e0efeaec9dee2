package trace_test

import (
	"bytes"
	"context"
	"image"
	"image/draw"
	"image/png"
	"math/rand/v2"
	"os"
	"reflect"
	"testing"

	"pochoir/quantize"
	"pochoir/quantize/colour"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/paper"
)

var harbourWay = []quantize.Swatch{
	{Name: "teal", Colour: colour.RGB{R: 0x1a, G: 0x8c, B: 0x8c}}, {Name: "lamp", Colour: colour.RGB{R: 0xf6, G: 0xb9, B: 0x3b}},
	{Name: "red", Colour: colour.RGB{R: 0xd9, G: 0x48, B: 0x34}}, {Name: "ink", Colour: colour.RGB{R: 0x1d, G: 0x24, B: 0x40}},
}

// TestFlatsWhateverTheWorkers lays flats in every manner: with one worker and with eight the drawing is the same, it can
// be written, and what is read back has the same flats by name.
func TestFlatsWhateverTheWorkers(t *testing.T) {
	for _, name := range []string{"lantern.png", "lantern-ink.png"} {
		b, err := os.ReadFile("../testdata/harbour/" + name)
		if err != nil {
			t.Fatal(err)
		}
		m, err := png.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		n := image.NewNRGBA(m.Bounds())
		draw.Draw(n, n.Rect, m, n.Rect.Min, draw.Src)
		pic := &paper.Picture{W: n.Rect.Dx(), H: n.Rect.Dy(), Pix: n.Pix}
		for i, opt := range []trace.Options{
			{LayFlats: true},
			{Suggest: harbourWay, KeepPaper: true},
			{RegisterColour: true, Knockout: true},
			{Suggest: harbourWay, Ink: trace.InkToned},
		} {
			var drawings [2]*trace.Result
			for k, workers := range [2]int{1, 8} {
				opt.Workers = workers
				if drawings[k], err = trace.Trace(context.Background(), pic, opt); err != nil {
					t.Fatalf("%s, manner %d: %v", name, i, err)
				}
			}
			if !reflect.DeepEqual(drawings[0].Drawing, drawings[1].Drawing) || !reflect.DeepEqual(drawings[0].Report.Flats, drawings[1].Report.Flats) {
				t.Errorf("%s, manner %d: eight workers draw another drawing than one", name, i)
			}
			var out bytes.Buffer
			if err := svgout.Write(&out, drawings[0].Drawing, svgout.Options{}); err != nil {
				t.Fatalf("%s, manner %d: %v", name, i, err)
			}
			back, err := svgout.Read(&out)
			if err != nil {
				t.Fatalf("%s, manner %d: %v", name, i, err)
			}
			layer := map[string]string{}
			for _, l := range back.Layers {
				for _, s := range l.Shapes {
					layer[s.ID] = l.Name
				}
			}
			for _, f := range drawings[0].Report.Flats {
				if layer[f.ID] != f.Layer {
					t.Errorf("%s, manner %d: %s lies in %q, the report says %q", name, i, f.ID, layer[f.ID], f.Layer)
				}
			}
			if len(drawings[0].Report.Flats) < 10 {
				t.Errorf("%s, manner %d: %d flats", name, i, len(drawings[0].Report.Flats))
			}
		}
	}
}

// TestFlatsOfScribbles lays flats under random patches and strokes of few colours, down to one pixel.
func TestFlatsOfScribbles(t *testing.T) {
	r := rand.New(rand.NewPCG(15, 4))
	box := []colour.RGB{{R: 255, G: 255, B: 255}, {R: 0x1d, G: 0x24, B: 0x40}, {R: 0x1a, G: 0x8c, B: 0x8c}, {R: 0xd9, G: 0x48, B: 0x34}}
	for range 150 {
		w, h := 1+r.IntN(50), 1+r.IntN(50)
		pix := make([]uint8, 4*w*h)
		for i := range pix {
			pix[i] = 255
		}
		for range r.IntN(12) {
			c := box[r.IntN(len(box))]
			x0, y0, x1, y1 := r.IntN(w), r.IntN(h), r.IntN(w), r.IntN(h)
			for y := min(y0, y1); y <= max(y0, y1); y++ {
				for x := min(x0, x1); x <= max(x0, x1); x++ {
					p := pix[4*(y*w+x):]
					p[0], p[1], p[2] = c.R, c.G, c.B
				}
			}
		}
		opt := trace.Options{LayFlats: true, Medium: quantize.Medium(r.IntN(4)), RegisterColour: r.IntN(2) == 0,
			Ink: trace.InkMode(r.IntN(3)), KeepPaper: r.IntN(2) == 0, Workers: 2}
		if r.IntN(2) == 0 {
			opt.Suggest = harbourWay
		}
		res, err := trace.Trace(context.Background(), &paper.Picture{W: w, H: h, Pix: pix}, opt)
		if err != nil {
			t.Fatalf("%d x %d: %v", w, h, err)
		}
		var out bytes.Buffer
		if err := svgout.Write(&out, res.Drawing, svgout.Options{}); err != nil {
			t.Fatalf("%d x %d, %+v: %v", w, h, opt, err)
		}
	}
}
