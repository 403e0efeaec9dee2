package svgout

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// circle returns a circle of four cubics, clockwise on screen (handles 4/3·tan(π/8), classic construction).
func circle(cx, cy, r float64) fit.Path { return ellipse(cx, cy, r, r, 0) }

// ellipse returns an ellipse with half axes a, b, turned by rad.
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

// polygon returns the closed outline through pts.
func polygon(pts ...fit.Point) fit.Path {
	p := fit.Path{Closed: true}
	for i, a := range pts {
		p.Segments = append(p.Segments, fit.LineTo(a, pts[(i+1)%len(pts)]))
	}
	return p
}

func rect(x0, y0, x1, y1 float64) fit.Path {
	return polygon(fit.Point{X: x0, Y: y0}, fit.Point{X: x1, Y: y0}, fit.Point{X: x1, Y: y1}, fit.Point{X: x0, Y: y1})
}

func shape(rings ...fit.Path) trace.Shape { return trace.Shape{Rings: rings} }

var (
	teal = colour.RGB{R: 0x1a, G: 0x8c, B: 0x8c}
	red  = colour.RGB{R: 0xb2, G: 0x22, B: 0x22}
	ink  = colour.RGB{R: 0x20, G: 0x1c, B: 0x1c}
)

// buoy is a drawing with everything in it: lines along both axes and askew, curves, holes, several shapes a layer,
// ids, a physical size, texts that need escaping.
func buoy() *trace.Drawing {
	cone := polygon(fit.Point{X: 120.004, Y: 30.25}, fit.Point{X: 200.5, Y: 170.125}, fit.Point{X: 39.5, Y: 170.125})
	return &trace.Drawing{
		Width: 240, Height: 320, DPI: 300,
		Meta: trace.Meta{
			Title:       "Buoy <\"No. 7\"> & bell",
			Description: "Drawn at the quay;\nseen from the 'north'.",
			Creator:     "the harbour office",
			Rights:      "CC0",
			Keywords:    []string{"buoy", "عوامة", "浮標", "R&D"},
		},
		Layers: []trace.Layer{
			{Name: "teal", Colour: teal, Shapes: []trace.Shape{
				{ID: "sea", Rings: []fit.Path{rect(0, 200, 240, 320)}},
				shape(circle(40, 40, 12.345), circle(40, 40, 6).Reverse()),
			}},
			{Name: "firebrick", Colour: red, Shapes: []trace.Shape{
				shape(cone),
				shape(ellipse(120.37, 230.81, 83.33, 41.7, 0.3), ellipse(120, 231, 20, 10, 0.3).Reverse()),
			}},
			{Name: "ink", Colour: ink, Shapes: []trace.Shape{shape(circle(120, 24, 0.5))}},
		},
	}
}

func write(t testing.TB, d *trace.Drawing, opt Options) string {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, d, opt); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestGolden(t *testing.T) {
	small := &trace.Drawing{Width: 24, Height: 24, Layers: []trace.Layer{
		{Name: "teal", Colour: teal, Shapes: []trace.Shape{shape(circle(12, 12, 8))}},
	}}
	cases := map[string]*trace.Drawing{"buoy": buoy(), "small": small, "empty": {Width: 10.5, Height: 7}}
	files, err := filepath.Glob(filepath.Join("testdata", "*.golden.svg"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if cases[strings.TrimSuffix(filepath.Base(f), ".golden.svg")] == nil {
			t.Errorf("%s belongs to no case", f)
		}
	}
	for name, d := range cases {
		got := write(t, d, Options{})
		if again := write(t, d, Options{}); again != got {
			t.Errorf("%s: two writes differ", name)
		}
		file := filepath.Join("testdata", name+".golden.svg")
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatalf("%v (go test -update writes it)", err)
		}
		if got != string(want) {
			t.Errorf("%s: got\n%s\nwant\n%s", name, got, want)
		}
		wellFormed(t, got)
	}
}

// wellFormed reads s with encoding/xml and tests that nothing stands in it that must not: only the elements and
// attributes named here, in the namespaces of SVG, RDF and Dublin Core.
func wellFormed(t *testing.T, s string) {
	t.Helper()
	allowed := map[string]string{
		"svg": "width height viewBox xmlns", "title": "", "desc": "", "metadata": "", "g": "id fill", "path": "id d",
	}
	dec := xml.NewDecoder(strings.NewReader(s))
	for {
		tok, err := dec.Token()
		if err == io.EOF {
			return
		}
		if err != nil {
			t.Fatalf("not well-formed: %v\n%s", err, s)
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		switch e.Name.Space {
		case "http://www.w3.org/2000/svg":
			attrs, ok := allowed[e.Name.Local]
			if !ok {
				t.Errorf("element %s", e.Name.Local)
			}
			for _, a := range e.Attr {
				if !strings.Contains(" "+attrs+" ", " "+a.Name.Local+" ") {
					t.Errorf("attribute %s of %s", a.Name.Local, e.Name.Local)
				}
				if a.Name.Local == "d" {
					if !strings.HasSuffix(a.Value, "Z") || strings.ContainsAny(a.Value, "NIaeE") {
						t.Errorf("path data %q", a.Value)
					}
				}
			}
		case rdfSpace, dcSpace:
		default:
			t.Errorf("element %s in namespace %q", e.Name.Local, e.Name.Space)
		}
	}
}

func TestPathData(t *testing.T) {
	at := func(v ...int64) edge { // hundredths: a line with four numbers, a curve with eight
		if len(v) == 4 {
			a, b := spot{v[0], v[1]}, spot{v[2], v[3]}
			return edge{p: [4]spot{a, a, b, b}, line: true}
		}
		return edge{p: [4]spot{{v[0], v[1]}, {v[2], v[3]}, {v[4], v[5]}, {v[6], v[7]}}}
	}
	for _, c := range []struct {
		name  string
		rings [][]edge
		want  string
	}{
		{"a square by h and v, last side by Z",
			[][]edge{{at(0, 0, 1000, 0), at(1000, 0, 1000, 1000), at(1000, 1000, 0, 1000), at(0, 1000, 0, 0)}}, "M0 0h10v10H0Z"},
		{"a relative line after an absolute start, then the shorter of both",
			[][]edge{{at(0, 0, 5, 100), at(5, 100, 1050, 100), at(1050, 100, 2, 30), at(2, 30, 0, 0)}}, "M0 0l.05 1H10.5L.02.3Z"},
		{"a point after a point needs no space, after a whole number it does",
			[][]edge{{at(50, 50, 125, 175), at(125, 175, 225, 200), at(225, 200, 50, 50)}}, "M.5.5l.75 1.25 1 .25Z"},
		{"a line goes on from M without a letter", [][]edge{{at(9000, 9000, 9, 100), at(9, 100, 100, 9), at(100, 9, 9000, 9000)}}, "M90 90 .09 1 1 .09Z"},
		{"minus separates", [][]edge{{at(-50, -5, -125, -175), at(-125, -175, 300, 100), at(300, 100, -50, -5)}},
			"M-.5-.05l-.75-1.7L3 1Z"},
		{"S where the handle mirrors", [][]edge{{at(0, 0, 100, 0, 200, 100, 200, 200), at(200, 200, 200, 300, 100, 400, 0, 400), at(0, 400, 0, 0)}},
			"M0 0c1 0 2 1 2 2S1 4 0 4Z"},
		{"S after a line where the handle lies on the knot", [][]edge{{at(0, 0, 100, 300), at(100, 300, 100, 300, 200, 100, 200, 200), at(200, 200, 0, 0)}},
			"M0 0l1 3s1-2 1-1Z"},
		{"a second ring starts from the first's start", [][]edge{
			{at(10000, 10000, 20000, 10000), at(20000, 10000, 20000, 20000), at(20000, 20000, 10000, 10000)},
			{at(10100, 10200, 10100, 10500), at(10100, 10500, 10500, 10500), at(10500, 10500, 10100, 10200)}},
			"M100 100h100v100Zm1 2v3h4Z"},
	} {
		if got := string(appendPathData(nil, c.rings, 2)); got != c.want {
			t.Errorf("%s: got %s, want %s", c.name, got, c.want)
		}
	}
}

func TestBadDrawings(t *testing.T) {
	nan := math.NaN()
	layer := func(name string, c colour.RGB, s ...trace.Shape) trace.Layer {
		return trace.Layer{Name: name, Colour: c, Shapes: s}
	}
	open := rect(0, 0, 5, 5)
	open.Closed = false
	gap := rect(0, 0, 5, 5)
	gap.Segments[1].P[0].X += 1
	for want, d := range map[string]*trace.Drawing{
		"size":                      {Width: nan, Height: 5},
		"pixels an inch":            {Width: 5, Height: 5, DPI: math.Inf(1)},
		"same colour #1a8c8c":       {Width: 5, Height: 5, Layers: []trace.Layer{layer("a", teal), layer("b", teal)}},
		`the name "a" occurs twice`: {Width: 5, Height: 5, Layers: []trace.Layer{layer("a", teal), layer("a", red)}},
		"layer name":                {Width: 5, Height: 5, Layers: []trace.Layer{layer("Deep <teal>", teal)}},
		"no XML name": {Width: 5, Height: 5, Layers: []trace.Layer{
			layer("a", teal, trace.Shape{ID: "1\"", Rings: []fit.Path{rect(0, 0, 5, 5)}})}},
		"the outline is open": {Width: 5, Height: 5, Layers: []trace.Layer{layer("a", teal, shape(open))}},
		"does not start":      {Width: 5, Height: 5, Layers: []trace.Layer{layer("a", teal, shape(gap))}},
		"not a number":        {Width: 5, Height: 5, Layers: []trace.Layer{layer("a", teal, shape(rect(nan, 0, 5, 5)))}},
	} {
		var b bytes.Buffer
		err := Write(&b, d, Options{})
		if !errors.Is(err, ErrDrawing) || !strings.Contains(err.Error(), want) || b.Len() > 0 {
			t.Errorf("want an error with %q and nothing written, got %v and %q", want, err, b.String())
		}
	}
	if err := Write(io.Discard, buoy(), Options{Decimals: 5}); err == nil {
		t.Error("five decimals are written without complaint")
	}
}

func TestNothingIdle(t *testing.T) {
	d := &trace.Drawing{Width: 200, Height: 200, Layers: []trace.Layer{
		{Name: "teal", Colour: teal, Shapes: []trace.Shape{
			shape(rect(0, 0, 0.09, 0.1)),                                         // 0.009 px²
			shape(rect(10, 10, 20, 20), rect(12, 12, 12.05, 12.1).Reverse()),     // a hole of 0.005 px²
			shape(polygon(fit.Point{X: 50, Y: 50}, fit.Point{X: 50.001, Y: 50})), // nothing
			shape(),
		}},
		{Name: "red", Colour: red, Shapes: []trace.Shape{shape(rect(3, 3, 3.001, 90))}},
		{Name: "ink", Colour: ink},
	}}
	got := write(t, d, Options{})
	want := `<g id="teal" fill="#1a8c8c">` + "\n" + `<path d="M10 10h10v10H10Z"/>` + "\n</g>\n</svg>\n"
	if !strings.HasSuffix(got, want) || strings.Count(got, "<g") != 1 {
		t.Errorf("got %s", got)
	}
}

// TestWatertight tests property 2 on random triples of shapes that meet in a point, where one passes smoothly and the
// others turn: all curves they share are the same in the file.
func TestWatertight(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 0))
	for range 200 {
		pt := func() fit.Point { return fit.Point{X: 200 + 40*rnd.Float64(), Y: 200 + 40*rnd.Float64()} }
		node, dir := pt(), fit.Point{X: 1 + rnd.Float64(), Y: rnd.Float64()}
		arc := fit.CubicTo(pt(), pt(), node.Sub(dir), node)
		on := fit.CubicTo(node, node.Add(dir.Mul(2)), pt(), pt())
		off := fit.CubicTo(node, pt(), pt(), pt())
		ring := func(a, b fit.Segment) fit.Path {
			return fit.Path{Closed: true, Segments: []fit.Segment{a, b, fit.LineTo(b.P[3], a.P[0])}}
		}
		g := newGrid(2)
		x, y, z := g.ring(ring(arc, on)), g.ring(ring(arc, off).Reverse()), g.ring(ring(on.Reverse(), off))
		if back := flip(y[2]); x[0] != back {
			t.Fatalf("shared curve differs: %v, %v", x[0], back)
		}
		if x[1] != flip(z[0]) || flip(y[1]) != z[1] {
			t.Fatal("shared curve differs")
		}
		// The other way round: the corner comes first.
		g = newGrid(2)
		y, x = g.ring(ring(arc, off).Reverse()), g.ring(ring(arc, on))
		if x[0] != flip(y[2]) {
			t.Fatal("shared curve differs when the corner comes first")
		}
	}
}

func flip(e edge) edge { return edge{p: [4]spot{e.p[3], e.p[2], e.p[1], e.p[0]}, line: e.line} }

// TestSmoothStaysSmooth tests property 3: over random ellipses of 2 to 60 px, the turn that rounding leaves at the
// joins is a fraction of what plain rounding leaves.
func TestSmoothStaysSmooth(t *testing.T) {
	rnd := rand.New(rand.NewPCG(11, 0))
	turn := func(r []edge) (sum float64) {
		for i, e := range r {
			u := r[(i+len(r)-1)%len(r)]
			p, q := u.p[3].sub(u.p[2]), e.p[1].sub(e.p[0])
			sum += math.Abs(math.Atan2(float64(p.cross(q)), float64(p.dot(q))))
		}
		return sum * 180 / math.Pi
	}
	var plain, ours, worst float64
	n := 0
	for range 500 {
		a := 2 + 58*rnd.Float64()
		p := ellipse(100*rnd.Float64(), 100*rnd.Float64(), a, a*(0.3+0.7*rnd.Float64()), 3*rnd.Float64())
		g := newGrid(2)
		var naive []edge
		for _, s := range p.Segments {
			naive = append(naive, edge{p: [4]spot{g.near(s.P[0]), g.near(s.P[1]), g.near(s.P[2]), g.near(s.P[3])}})
		}
		r := g.ring(p)
		for i, e := range r {
			for j := range e.p {
				if d := e.p[j].sub(naive[i].p[j]); d.dot(d) > 5 {
					t.Fatalf("a point moved by %v units", d)
				}
				if (j == 0 || j == 3) && e.p[j] != naive[i].p[j] {
					t.Fatal("a knot moved")
				}
			}
		}
		plain += turn(naive)
		ours += turn(r)
		worst = math.Max(worst, turn(r)/4)
		n += 4
	}
	plain, ours = plain/float64(n), ours/float64(n)
	t.Logf("mean turn at a smooth join: %.4f° by plain rounding, %.4f° written, worst drawing %.3f°", plain, ours, worst)
	if ours > plain/5 || worst > 0.05 {
		t.Errorf("mean turn %.4f° (plain %.4f°), worst %.3f°", ours, plain, worst)
	}
}

// TestSlack tests that ends which arithmetic left a hair apart are written as one point, even where the hair falls on
// the middle between two grid points.
func TestSlack(t *testing.T) {
	p := rect(10, 10, 20.005, 20)
	p.Segments[0].P[3].X = math.Nextafter(20.005, 0)
	p.Segments[1].P[0].X = math.Nextafter(20.005, 30)
	d := &trace.Drawing{Width: 200, Height: 200, Layers: []trace.Layer{{Name: "teal", Colour: teal, Shapes: []trace.Shape{shape(p)}}}}
	if got := write(t, d, Options{}); !strings.Contains(got, `d="M10 10h10.01v10H10Z"`) {
		t.Errorf("got %s", got)
	}
}

func TestCleanText(t *testing.T) {
	for in, want := range map[string]string{
		" a\r\nb\rc ":          "a\nb\nc",
		"bell\x00\x1b[31m\x7f": "bell[31m",
		"\xff\xfeok\ufffe":     "ok",
		"\ufffd kept":          "\ufffd kept",
		"مرفأ\u200f 港":         "مرفأ\u200f 港",
		"\t\n":                 "",
	} {
		if got := cleanText(in); got != want {
			t.Errorf("cleanText(%q) = %q, want %q", in, got, want)
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	rnd := rand.New(rand.NewPCG(3, 0))
	d := &trace.Drawing{Width: 4000, Height: 3000}
	for i := range 8 {
		l := trace.Layer{Name: string(rune('a' + i)), Colour: colour.RGB{R: uint8(i)}}
		for range 500 {
			l.Shapes = append(l.Shapes, shape(ellipse(4000*rnd.Float64(), 3000*rnd.Float64(), 9, 5, rnd.Float64())))
		}
		d.Layers = append(d.Layers, l)
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		var buf bytes.Buffer
		if err := Write(&buf, d, Options{}); err != nil {
			b.Fatal(err)
		}
		n = buf.Len()
	}
	b.ReportMetric(float64(n)/16000, "bytes/segment")
}
