package trace_test

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"strings"
	"sync/atomic"
	"testing"

	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"

	"pochoir/fit"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// picture returns a picture of grey levels as R,G,B,A.
func picture(w, h int, at func(x, y int) (r, g, b uint8)) *paper.Picture {
	p := &paper.Picture{W: w, H: h, Pix: make([]uint8, 4*w*h), Name: "test", Format: "png"}
	for y := range h {
		for x := range w {
			r, g, b := at(x, y)
			copy(p.Pix[4*(y*w+x):], []uint8{r, g, b, 255})
		}
	}
	return p
}

// glyph returns the true outline of a letter as segments, quadratic curves raised to cubics, and its picture in ink on
// white with the exact area coverage of golang.org/x/image/vector.
func glyph(t *testing.T, ttf []byte, r rune, size int) ([]fit.Segment, *paper.Picture) {
	t.Helper()
	f, err := sfnt.Parse(ttf)
	if err != nil {
		t.Fatal(err)
	}
	var buf sfnt.Buffer
	i, err := f.GlyphIndex(&buf, r)
	if err != nil {
		t.Fatal(err)
	}
	segs, err := f.LoadGlyph(&buf, i, fixed.I(size), &sfnt.LoadGlyphOptions{})
	if err != nil {
		t.Fatal(err)
	}
	b, _, err := f.GlyphBounds(&buf, i, fixed.I(size), font.HintingNone)
	if err != nil {
		t.Fatal(err)
	}
	const margin = 12
	w, h := (b.Max.X-b.Min.X).Ceil()+2*margin, (b.Max.Y-b.Min.Y).Ceil()+2*margin
	pt := func(p fixed.Point26_6) fit.Point {
		return fit.Point{X: float64(p.X-b.Min.X)/64 + margin + 0.3, Y: float64(p.Y-b.Min.Y)/64 + margin + 0.7}
	}
	ras := vector.NewRasterizer(w, h)
	var truth []fit.Segment
	var at fit.Point
	for _, s := range segs {
		switch s.Op {
		case sfnt.SegmentOpMoveTo:
			at = pt(s.Args[0])
			ras.MoveTo(float32(at.X), float32(at.Y))
		case sfnt.SegmentOpLineTo:
			p := pt(s.Args[0])
			ras.LineTo(float32(p.X), float32(p.Y))
			truth = append(truth, fit.LineTo(at, p))
			at = p
		case sfnt.SegmentOpQuadTo:
			q, p := pt(s.Args[0]), pt(s.Args[1])
			ras.QuadTo(float32(q.X), float32(q.Y), float32(p.X), float32(p.Y))
			truth = append(truth, fit.CubicTo(at, at.Lerp(q, 2.0/3), p.Lerp(q, 2.0/3), p))
			at = p
		default:
			t.Fatal("the Go fonts have quadratic outlines only")
		}
	}
	mask := image.NewAlpha(image.Rect(0, 0, w, h))
	ras.Draw(mask, mask.Bounds(), image.Opaque, image.Point{})
	return truth, picture(w, h, func(x, y int) (uint8, uint8, uint8) {
		a := int(mask.Pix[y*mask.Stride+x])
		mix := func(ink int) uint8 { return uint8((ink*a + 255*(255-a) + 127) / 255) }
		return mix(24), mix(28), mix(44)
	})
}

func rings(d *trace.Drawing) []fit.Segment {
	var out []fit.Segment
	for _, l := range d.Layers {
		for _, s := range l.Shapes {
			for _, r := range s.Rings {
				out = append(out, r.Segments...)
			}
		}
	}
	return out
}

// scene returns a picture of discs in flat colours, edges anti-aliased by 8×8 samples.
func scene(w, h int, seed uint64) *paper.Picture {
	rng := rand.New(rand.NewPCG(seed, 7))
	type disc struct {
		x, y, r float64
		c       [3]uint8
	}
	colours := [][3]uint8{{200, 30, 30}, {30, 160, 60}, {20, 20, 20}, {250, 180, 0}, {60, 80, 200}}
	var discs []disc
	for range 1 + rng.IntN(6) {
		discs = append(discs, disc{rng.Float64() * float64(w), rng.Float64() * float64(h), 2 + rng.Float64()*float64(min(w, h))/3, colours[rng.IntN(len(colours))]})
	}
	return picture(w, h, func(x, y int) (uint8, uint8, uint8) {
		var sum [3]int
		for k := range 64 {
			c := [3]uint8{255, 255, 255}
			px, py := float64(x)+(float64(k%8)+0.5)/8, float64(y)+(float64(k/8)+0.5)/8
			for _, d := range discs {
				if math.Hypot(px-d.x, py-d.y) < d.r {
					c = d.c
				}
			}
			for i := range sum {
				sum[i] += int(c[i])
			}
		}
		return uint8((sum[0] + 32) / 64), uint8((sum[1] + 32) / 64), uint8((sum[2] + 32) / 64)
	})
}

func write(t *testing.T, pic *paper.Picture, opt trace.Options) []byte {
	t.Helper()
	res, err := trace.Trace(context.Background(), pic, opt)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := svgout.Write(&b, res.Drawing, svgout.Options{}); err != nil {
		t.Fatal(err)
	}
	if _, err := svgout.Read(bytes.NewReader(b.Bytes())); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Whatever the picture, the drawing is closed, finite, written and read back, and the same for any number of workers.
func TestAnyPicture(t *testing.T) {
	pics := map[string]*paper.Picture{
		"one pixel": picture(1, 1, func(int, int) (uint8, uint8, uint8) { return 9, 9, 9 }),
		"one row":   picture(40, 1, func(x, _ int) (uint8, uint8, uint8) { return uint8(x / 20 * 255), 0, 0 }),
		"one colour": picture(30, 20, func(int, int) (uint8, uint8, uint8) {
			return 255, 255, 255
		}),
	}
	rng := rand.New(rand.NewPCG(3, 3))
	pics["noise"] = picture(48, 48, func(int, int) (uint8, uint8, uint8) {
		v := rng.Uint32()
		return uint8(v), uint8(v >> 8), uint8(v >> 16)
	})
	for seed := range uint64(25) {
		pics[fmt.Sprint("discs ", seed)] = scene(60+int(seed), 50, seed)
	}
	for name, pic := range pics {
		one, many := write(t, pic, trace.Options{Workers: 1}), write(t, pic, trace.Options{Workers: 7})
		if !bytes.Equal(one, many) {
			t.Errorf("%s: one worker and seven give different files", name)
		}
	}
}

// A Tracer that reruns only the later stages gives what a fresh trace gives.
func TestRetrace(t *testing.T) {
	pic := scene(120, 90, 5)
	tr := trace.NewTracer(pic)
	for _, s := range []float64{50, 0, 100, 50} {
		opt := trace.Options{Smoothness: &s}
		res, err := tr.Trace(context.Background(), opt)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := svgout.Write(&b, res.Drawing, svgout.Options{}); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), write(t, pic, opt)) {
			t.Errorf("smoothness %g: the kept stages give another file", s)
		}
	}
}

// A full disc is four smooth cubics, a bar behind it does not break its outline.
func TestFrontOutlineStaysWhole(t *testing.T) {
	pic := picture(160, 120, func(x, y int) (uint8, uint8, uint8) {
		var sum [3]int
		for k := range 64 {
			px, py := float64(x)+(float64(k%8)+0.5)/8, float64(y)+(float64(k/8)+0.5)/8
			c := [3]int{255, 255, 255}
			if py > 50.3 && py < 72.6 && px > 10.2 && px < 150.7 {
				c = [3]int{30, 120, 160}
			}
			if math.Hypot(px-80.3, py-60.2) < 40.4 {
				c = [3]int{230, 140, 20}
			}
			for i := range sum {
				sum[i] += c[i]
			}
		}
		return uint8((sum[0] + 32) / 64), uint8((sum[1] + 32) / 64), uint8((sum[2] + 32) / 64)
	})
	res, err := trace.Trace(context.Background(), pic, trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	top := res.Drawing.Layers[len(res.Drawing.Layers)-1]
	var worst float64
	found := false
	for _, l := range res.Drawing.Layers {
		for _, s := range l.Shapes {
			if l.Colour.R != 230 {
				continue
			}
			found = true
			for _, g := range s.Rings[0].Segments {
				for k := range 9 {
					p := g.At(float64(k) / 8)
					worst = math.Max(worst, math.Abs(math.Hypot(p.X-80.3, p.Y-60.2)-40.4))
				}
			}
		}
	}
	if !found {
		t.Fatalf("no disc; top layer %v", top.Colour)
	}
	// The lower of the two goes on under the other by a trap; where the disc is on top it must be round throughout.
	if top.Colour.R == 230 && worst > 0.1 {
		t.Errorf("the disc in front leaves its circle by %.2f px", worst)
	}
}

func TestCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := trace.Trace(ctx, scene(40, 40, 1), trace.Options{}); err != context.Canceled {
		t.Errorf("error %v, want context.Canceled", err)
	}
}

// TestTooMuchDetail gives noise to the tracer: it must say what it leaves out, and draw no more than it says.
func TestTooMuchDetail(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	pic := picture(400, 400, func(x, y int) (uint8, uint8, uint8) {
		v := r.Uint32()
		return uint8(v), uint8(v >> 8), uint8(v >> 16)
	})
	res, err := trace.Trace(context.Background(), pic, trace.Options{Colours: 16})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(res.Report.Notes); n == 0 || !strings.Contains(res.Report.Notes[n-1], "too much detail") {
		t.Errorf("notes %q do not say that detail was left out", res.Report.Notes)
	}
	if res.Report.Segments > 60_000 {
		t.Errorf("%d segments for 160,000 pixels of noise", res.Report.Segments)
	}
}

// patient is a context that ends once it has been asked a number of times.
type patient struct {
	context.Context
	left atomic.Int64
}

func (p *patient) Err() error {
	if p.left.Add(-1) < 0 {
		return context.Canceled
	}
	return nil
}

// TestCancelledAnywhere stops a trace after every number of questions, within stages and between them, and goes on with
// the same Tracer: what a stopped stage left must not show.
func TestCancelledAnywhere(t *testing.T) {
	pic := scene(64, 64, 5)
	want := write(t, pic, trace.Options{})
	stopped := 0
	for n := int64(0); ; n++ {
		ctx := &patient{Context: context.Background()}
		ctx.left.Store(n)
		tracer := trace.NewTracer(pic)
		_, err := tracer.Trace(ctx, trace.Options{Workers: 2})
		if err == nil {
			break
		}
		if err != context.Canceled {
			t.Fatalf("stopped after %d: %v", n, err)
		}
		stopped++
		r, err := tracer.Trace(context.Background(), trace.Options{})
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := svgout.Write(&b, r.Drawing, svgout.Options{}); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(b.Bytes(), want) {
			t.Fatalf("stopped after %d questions, the same tracer draws something else", n)
		}
	}
	if stopped < 10 {
		t.Errorf("only %d places to stop at", stopped)
	}
}

// A tracer that may let its picture go traces again with what concerns later stages, and refuses what concerns the sheet.
func TestOnce(t *testing.T) {
	pic := scene(120, 90, 3)
	tr := trace.NewTracer(pic)
	tr.Once()
	soft := 80.0
	for _, opt := range []trace.Options{{}, {Smoothness: &soft}} {
		if _, err := tr.Trace(context.Background(), opt); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := tr.Trace(context.Background(), trace.Options{Sheet: paper.Options{Kind: paper.Scan}}); err == nil {
		t.Error("another sheet was made from no picture")
	}
}

// A tracer that is used for the last time draws the same with its pixels gone, and refuses to draw again.
func TestLast(t *testing.T) {
	for _, lossy := range []bool{false, true} {
		pic := scene(120, 90, 3)
		pic.Lossy = lossy
		var want, got bytes.Buffer
		for k, b := range []*bytes.Buffer{&want, &got} {
			tr := trace.NewTracer(pic)
			if k == 1 {
				tr.Last(nil)
			}
			r, err := tr.Trace(context.Background(), trace.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if err := svgout.Write(b, r.Drawing, svgout.Options{}); err != nil {
				t.Fatal(err)
			}
			if _, err := tr.Trace(context.Background(), trace.Options{}); (err != nil) != (k == 1) {
				t.Errorf("lossy %t, tracing again: %v", lossy, err)
			}
		}
		if !bytes.Equal(want.Bytes(), got.Bytes()) {
			t.Errorf("lossy %t: without its pixels the tracer draws something else", lossy)
		}
	}
}
