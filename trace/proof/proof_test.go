package proof

import (
	"encoding/json"
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"reflect"
	"runtime"
	"testing"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

var (
	white = colour.RGB{R: 255, G: 255, B: 255}
	teal  = colour.RGB{R: 0x1a, G: 0x8c, B: 0x8c}
	sand  = colour.RGB{R: 0xe8, G: 0xd5, B: 0xa3}
	red   = colour.RGB{R: 0xb2, G: 0x22, B: 0x22}
	ink   = colour.RGB{R: 0x20, G: 0x1c, B: 0x1c}
)

// ellipse returns an ellipse with half axes a, b, turned by rad, clockwise on screen.
func ellipse(cx, cy, a, b, rad float64) fit.Path {
	k := 4.0 / 3 * math.Tan(math.Pi/8)
	sin, cos := math.Sincos(rad)
	at := func(x, y float64) fit.Point {
		return fit.Point{X: cx + a*x*cos - b*y*sin, Y: cy + a*x*sin + b*y*cos}
	}
	knot := [4]fit.Point{at(1, 0), at(0, 1), at(-1, 0), at(0, -1)}
	return fit.Path{Closed: true, Segments: []fit.Segment{
		fit.CubicTo(knot[0], at(1, k), at(k, 1), knot[1]),
		fit.CubicTo(knot[1], at(-k, 1), at(-1, k), knot[2]),
		fit.CubicTo(knot[2], at(-1, -k), at(-k, -1), knot[3]),
		fit.CubicTo(knot[3], at(k, -1), at(1, -k), knot[0]),
	}}
}

func rect(x0, y0, x1, y1 float64) fit.Path {
	a, b, c, d := fit.Point{X: x0, Y: y0}, fit.Point{X: x1, Y: y0}, fit.Point{X: x1, Y: y1}, fit.Point{X: x0, Y: y1}
	return fit.Path{Closed: true, Segments: []fit.Segment{fit.LineTo(a, b), fit.LineTo(b, c), fit.LineTo(c, d), fit.LineTo(d, a)}}
}

func layer(name string, c colour.RGB, outlines ...fit.Path) trace.Layer {
	l := trace.Layer{Name: name, Colour: c}
	for _, p := range outlines {
		l.Shapes = append(l.Shapes, trace.Shape{Rings: []fit.Path{p}})
	}
	return l
}

func drawing(w, h float64, layers ...trace.Layer) *trace.Drawing {
	return &trace.Drawing{Width: w, Height: h, Layers: layers}
}

// picture renders d on c by another way than Render: each pixel is the mean of 64x64 points, for which the area is
// decided by counting crossings. It is slow and plain.
func picture(d *trace.Drawing, w, h int, c colour.RGB) []uint8 {
	const n = 64
	type side struct {
		a, b fit.Point // a above b
		dir  int
	}
	sides := make([][]side, len(d.Layers)) // of all shapes: those of a layer do not overlap
	for i, l := range d.Layers {
		for _, s := range l.Shapes {
			for _, r := range s.Rings {
				for _, g := range r.Segments {
					parts := 200
					if g.Line {
						parts = 1
					}
					for k := range parts {
						e := side{g.At(float64(k) / float64(parts)), g.At(float64(k+1) / float64(parts)), 1}
						if e.a.Y > e.b.Y {
							e.a, e.b, e.dir = e.b, e.a, -1
						}
						sides[i] = append(sides[i], e)
					}
				}
			}
		}
	}
	pix := make([]uint8, 4*w*h)
	ids := make([]uint8, n*w) // one more than the layer
	wind := make([]int, n*w+1)
	sums := make([][3]int, w)
	for y := range h {
		clear(sums)
		for j := range n {
			clear(ids)
			py := float64(y) + (float64(j)+0.5)/n
			for i := range d.Layers {
				first, last := n*w, 0 // nothing lies outside
				for _, e := range sides[i] {
					if e.a.Y <= py && py < e.b.Y {
						x := e.a.X + (e.b.X-e.a.X)*(py-e.a.Y)/(e.b.Y-e.a.Y)
						at := min(max(int(math.Ceil(x*n-0.5)), 0), n*w)
						wind[at] += e.dir
						first, last = min(first, at), max(last, at)
					}
				}
				for x, sum := first, 0; x < last; x++ {
					if sum += wind[x]; sum != 0 {
						ids[x] = uint8(i + 1)
					}
				}
				if first <= last {
					clear(wind[first : last+1])
				}
			}
			for x, id := range ids {
				q := c
				if id > 0 {
					q = d.Layers[id-1].Colour
				}
				s := &sums[x/n]
				s[0] += int(q.R)
				s[1] += int(q.G)
				s[2] += int(q.B)
			}
		}
		for x, s := range sums {
			for k, v := range s {
				pix[4*(y*w+x)+k] = uint8((v + n*n/2) / (n * n))
			}
			pix[4*(y*w+x)+3] = 255
		}
	}
	return pix
}

// scene is a small harbour: areas side by side with the lower grown under the upper, a hole, a line of ink 4 px wide.
func scene() *trace.Drawing {
	buoy := trace.Shape{Rings: []fit.Path{ellipse(60, 52, 30, 24, 0.4), ellipse(58, 50, 12, 9, 0.4).Reverse()}}
	return drawing(120, 100,
		layer("sandybrown", sand, rect(-2, 60.3, 122, 102)),
		trace.Layer{Name: "teal", Colour: teal, Shapes: []trace.Shape{buoy}},
		layer("firebrick", red, ellipse(100, 24, 11, 11, 0)),
		layer("ink", ink, rect(8.4, 10.2, 12.4, 90.7)),
	)
}

func compare(t testing.TB, d *trace.Drawing, pix []uint8, w, h int) Figures {
	t.Helper()
	f, err := Compare(d, pix, w, h)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// TestRender tests the renderer against the plain one of this test.
func TestRender(t *testing.T) {
	d := scene()
	want := picture(d, 120, 100, white)
	got := Render(d, 1, color.White)
	worst, sum, off := 0, 0, 0
	for i := range want {
		e := int(got.Pix[i]) - int(want[i])
		e = max(e, -e)
		worst = max(worst, e)
		sum += e
		if e > 3 {
			off++
		}
	}
	mean := float64(sum) / float64(len(want))
	// A side along an axis is known to 1/64 px in the plain renderer: up to 1/128 of 230 levels. Where edges of two
	// layers cross one pixel, laying one over the other by coverage is not exact: a handful of pixels here.
	if worst > 8 || off > 24 || mean > 0.05 {
		t.Errorf("worst difference %d levels, %d above 3, mean %.4f", worst, off, mean)
	}

	clear := Render(d, 0.5, nil)
	if clear.Rect != image.Rect(0, 0, 60, 50) || clear.RGBAAt(2, 2) != (color.RGBA{}) || clear.RGBAAt(50, 12) != rgba(red) {
		t.Errorf("at half size: %v, %v, %v", clear.Rect, clear.RGBAAt(2, 2), clear.RGBAAt(50, 12))
	}
	if a := Render(drawing(10, 10, layer("teal", teal, rect(2.5, 0, 10, 10))), 1, nil).RGBAAt(2, 5); a.A != 128 || a.G > a.A {
		t.Errorf("half a pixel on nothing is %v", a) // premultiplied
	}
	if r := Render(drawing(5, 5, layer("teal", teal, rect(-1e5, -1e5, 1e5, 1e5))), 3, nil).Rect; r != image.Rect(0, 0, 15, 15) {
		t.Errorf("size %v", r)
	}
}

// TestShift tests known answers: a square and an ellipse in the picture, the drawing displaced or grown by a known
// distance.
func TestShift(t *testing.T) {
	for _, c := range []struct {
		name                    string
		pic, drawn              fit.Path
		mean, worst, bias, slop float64
	}{ // The mean weighs what is measured: near corners the window is narrower than 3 px and finds nothing.
		{"the same square", rect(20.3, 20.6, 70.1, 60.2), rect(20.3, 20.6, 70.1, 60.2), 0, 0, 0, 0.01},
		{"0.3 px too small", rect(20, 20, 70, 60), rect(20.3, 20.3, 69.7, 59.7), 0.3, 0.3, 0.3, 0.02},
		{"0.3 px too large", rect(20, 20, 70, 60), rect(19.7, 19.7, 70.3, 60.3), 0.3, 0.3, -0.3, 0.02},
		{"0.3 px to the right", rect(20, 20, 60, 60), rect(20.3, 20, 60.3, 60), 0.15, 0.3, 0, 0.02},
		{"1.5 px too small", rect(20, 20, 70, 60), rect(21.5, 21.5, 68.5, 58.5), 1.5, 1.5, 1.5, 0.1},
		{"3 px too large", rect(20, 20, 70, 60), rect(17, 17, 73, 63), 3, 3, -3, 0.2},
		{"an ellipse 0.2 px too small", ellipse(45, 40, 30, 20, 0.5), ellipse(45, 40, 29.8, 19.8, 0.5), 0.2, 0.2, 0.2, 0.02},
		{"an ellipse 0.05 px too large", ellipse(45, 40, 30, 20, 0.5), ellipse(45, 40, 30.05, 20.05, 0.5), 0.05, 0.05, -0.05, 0.02},
	} {
		pic := picture(drawing(90, 80, layer("teal", teal, c.pic)), 90, 80, sand)
		f := compare(t, drawing(90, 80, layer("teal", teal, c.drawn)), pic, 90, 80)
		e := f.Deviation
		if math.Abs(e.Mean-c.mean) > c.slop/2 || math.Abs(e.Bias-c.bias) > c.slop/2 || math.Abs(e.Worst-c.worst) > 3*c.slop ||
			e.Unmatched > 0 && c.worst < 2 || e.Unmatched > 24 || e.Measured < 100 || e.Unclear > e.Measured/10 {
			t.Errorf("%s: %+v", c.name, e)
		}
		if f.Missed.Length > 0 && c.worst < 1 {
			t.Errorf("%s: missed %+v", c.name, f.Missed)
		}
		if f.Ground != sand.Hex() || f.Shapes != 1 || f.Segments != 4 || f.Layers[0].Name != "teal" || f.Layers[0].Difference != 0 && c.worst < 2 {
			t.Errorf("%s: %+v", c.name, f)
		}
	}
}

// TestScene tests that a true drawing of several layers is found true: hidden outlines are left out, and so is the
// border of the picture.
func TestScene(t *testing.T) {
	d := scene()
	pic := picture(d, 120, 100, white)
	f := compare(t, d, pic, 120, 100)
	e := f.Deviation
	t.Logf("%+v", f)
	if e.Mean > 0.01 || e.Worst > 0.1 || e.Unmatched > 0 || e.Measured < 500 || e.Unclear > 60 {
		t.Errorf("deviation %+v", e)
	}
	if f.Colour.Worst > 5 || f.Coverage != 1 || f.Missed.Length > 0 {
		t.Errorf("colour %+v, coverage %v, missed %+v", f.Colour, f.Coverage, f.Missed)
	}
	for i, l := range f.Layers {
		if l.Colour != d.Layers[i].Colour.Hex() || l.Difference != 0 || l.Picture != l.Colour && i < 3 {
			t.Errorf("layer %+v", l)
		}
	}
	if math.Abs(f.Layers[2].Share-math.Pi*121/12000) > 0.001 {
		t.Errorf("share of the red disc %v", f.Layers[2].Share)
	}

	// At twice the size the picture's pixels are half as large.
	big := picture(drawing(240, 200, layer("teal", teal, ellipse(121, 100, 60, 40, 0))), 240, 200, white)
	f = compare(t, drawing(120, 100, layer("teal", teal, ellipse(60.5, 50, 29.8, 19.8, 0))), big, 240, 200)
	if e := f.Deviation; math.Abs(e.Mean-0.4) > 0.02 || math.Abs(e.Bias-0.4) > 0.02 {
		t.Errorf("twice the size: %+v", e)
	}
}

// TestFaults tests that what is missing, invented or wrongly coloured shows, and where.
func TestFaults(t *testing.T) {
	d := scene()
	pic := picture(d, 120, 100, white)
	near := func(p Place, x, y, r float64) bool { return math.Hypot(p.X-x, p.Y-y) <= r }

	less := scene()
	less.Layers = append(less.Layers[:2], less.Layers[3]) // no red disc at (100, 24)
	f := compare(t, less, pic, 120, 100)
	// The disc has a circumference of 69 px.
	if f.Missed.Length < 50 || f.Missed.Length > 85 || !near(f.Missed.At, 100, 24, 16) || f.Coverage > 0.98 || !near(f.Colour.At, 100, 24, 12) {
		t.Errorf("missing disc: %+v", f)
	}

	more := scene()
	more.Layers = append(more.Layers, layer("teal-2", teal, ellipse(30, 25, 9, 9, 0)))
	f = compare(t, more, pic, 120, 100)
	if f.Deviation.Unmatched < 45 || !near(f.Deviation.UnmatchedAt, 30, 25, 10) {
		t.Errorf("invented disc: %+v", f.Deviation)
	}

	moved := scene()
	moved.Layers[2] = layer("firebrick", red, ellipse(101.2, 24, 11, 11, 0))
	f = compare(t, moved, pic, 120, 100)
	if e := f.Deviation; math.Abs(e.Worst-1.2) > 0.15 || e.Layer != "firebrick" || math.Abs(e.At.Y-24) > 4 {
		t.Errorf("moved disc: %+v", e)
	}

	tinted := scene()
	tinted.Layers[2].Colour = colour.RGB{R: 0xb2, G: 0x30, B: 0x22}
	f = compare(t, tinted, pic, 120, 100)
	if got := f.Layers[2]; got.Picture != red.Hex() || math.Abs(got.Difference-red.Difference(tinted.Layers[2].Colour)) > 1e-3 || f.Deviation.Mean > 0.02 {
		t.Errorf("tinted disc: %+v", f)
	}
}

// TestSoftAndNoisy tests that blur and noise, which the drawing does not have, do not pass for deviation.
func TestSoftAndNoisy(t *testing.T) {
	path := ellipse(45, 40, 30, 20, 0.5)
	d := drawing(90, 80, layer("teal", teal, path))
	pic := picture(d, 90, 80, white)
	soft := blur(pic, 90, 80)
	if e := compare(t, d, soft, 90, 80).Deviation; e.Mean > 0.05 || math.Abs(e.Bias) > 0.03 || e.Unmatched > 0 {
		t.Errorf("soft picture: %+v", e)
	}
	r := rand.New(rand.NewPCG(5, 0))
	for i := range soft {
		if i%4 < 3 {
			soft[i] = uint8(math.Min(255, math.Max(0, math.Round(float64(soft[i])+6*r.NormFloat64()))))
		}
	}
	f := compare(t, d, soft, 90, 80)
	// Blur itself draws the edge of a convex area in, by about half the curvature times its variance: here 0.03 px.
	if e := f.Deviation; e.Mean > 0.1 || math.Abs(e.Bias) > 0.08 || e.Unmatched > 0 {
		t.Errorf("soft and noisy picture: %+v", e)
	}
	if f.Missed.Length > 0 {
		t.Errorf("noise is taken for edges: %+v", f.Missed)
	}
}

// blur applies the kernel 1-2-1 twice in both directions: a standard deviation of one pixel.
func blur(pix []uint8, w, h int) []uint8 {
	a := append([]uint8(nil), pix...)
	for range 2 {
		for _, step := range [2]int{4, 4 * w} {
			b := append([]uint8(nil), a...)
			for i := step; i < len(a)-step; i++ {
				b[i] = uint8((int(a[i-step]) + 2*int(a[i]) + int(a[i+step]) + 2) / 4)
			}
			a = b
		}
	}
	return a
}

func TestCompareErrors(t *testing.T) {
	d := scene()
	for _, c := range []struct {
		d          *trace.Drawing
		n, w, h    int
		acceptable bool
	}{
		{d, 4 * 120 * 100, 120, 100, true},
		{d, 4 * 60 * 50, 60, 50, true},
		{d, 4 * 61 * 50, 61, 50, true}, // rounding
		{d, 4 * 120 * 120, 120, 120, false},
		{d, 5, 120, 100, false},
		{d, 0, 0, 0, false},
		{&trace.Drawing{}, 4, 1, 1, false},
	} {
		if _, err := Compare(c.d, make([]uint8, c.n), c.w, c.h); (err == nil) != c.acceptable {
			t.Errorf("%d bytes, %d x %d: %v", c.n, c.w, c.h, err)
		}
	}
}

// TestOneWorker tests that the number of processors does not show.
func TestOneWorker(t *testing.T) {
	pic := picture(scene(), 120, 100, white)
	d := scene()
	d.Layers[2] = layer("firebrick", red, ellipse(100.4, 24, 11, 11, 0))
	want := compare(t, d, pic, 120, 100)
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	for _, n := range []int{1, 3, 8} {
		runtime.GOMAXPROCS(n)
		if got := compare(t, d, pic, 120, 100); !reflect.DeepEqual(got, want) {
			t.Errorf("with %d processors %+v, else %+v", n, got, want)
		}
	}
}

func FuzzCompare(f *testing.F) {
	f.Add(uint64(1), uint8(40), uint8(30), uint8(3))
	f.Add(uint64(2), uint8(1), uint8(1), uint8(0))
	f.Add(uint64(3), uint8(200), uint8(2), uint8(9))
	f.Fuzz(func(t *testing.T, seed uint64, w, h, shapes uint8) {
		if w == 0 || h == 0 {
			return
		}
		r := rand.New(rand.NewPCG(seed, 0))
		pix := make([]uint8, 4*int(w)*int(h))
		for i := range pix {
			pix[i] = uint8(r.Uint32())
		}
		d := drawing(float64(w), float64(h))
		for range shapes % 16 {
			var p fit.Path
			pt := func() fit.Point {
				return fit.Point{X: 1.4*float64(w)*r.Float64() - 5, Y: 1.4*float64(h)*r.Float64() - 5}
			}
			start := pt()
			at := start
			for range 2 {
				to := pt()
				p.Segments = append(p.Segments, fit.CubicTo(at, pt(), pt(), to))
				at = to
			}
			p.Segments = append(p.Segments, fit.LineTo(at, start))
			p.Closed = true
			d.Layers = append(d.Layers, layer("a", colour.RGB{R: uint8(r.Uint32()), G: uint8(r.Uint32())}, p))
		}
		fig := compare(t, d, pix, int(w), int(h))
		if _, err := json.Marshal(fig); err != nil {
			t.Fatal(err) // NaN and Inf have no place in JSON
		}
		for _, v := range []float64{fig.Coverage, fig.Missed.Share} {
			if v < 0 || v > 1 {
				t.Fatalf("%+v", fig)
			}
		}
		if e := fig.Deviation; e.Median > e.P95 || e.P95 > e.Worst || e.Mean > e.Worst || math.Abs(e.Bias) > e.Mean+1e-4 {
			t.Fatalf("%+v", e)
		}
	})
}
