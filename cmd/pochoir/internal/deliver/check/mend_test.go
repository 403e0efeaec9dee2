package check

import (
	"bytes"
	"fmt"
	"image/color"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/proof"
)

// ring returns a closed polygon through the given x, y pairs.
func ring(xy ...float64) fit.Path {
	var segs []fit.Segment
	n := len(xy) / 2
	at := func(i int) fit.Point { i %= n; return fit.Point{X: xy[2*i], Y: xy[2*i+1]} }
	for i := range n {
		segs = append(segs, fit.LineTo(at(i), at(i+1)))
	}
	return fit.Path{Segments: segs, Closed: true}
}

// blob returns a closed outline of smooth curves around a centre.
func blob(rng *rand.Rand, cx, cy, r float64) fit.Path {
	const n = 7
	var p [n]fit.Point
	for i := range p {
		a := 2 * math.Pi * float64(i) / n
		k := r * (0.5 + rng.Float64())
		p[i] = fit.Point{X: cx + k*math.Cos(a), Y: cy + k*math.Sin(a)}
	}
	var segs []fit.Segment
	for i := range p {
		a, b := p[i], p[(i+1)%n]
		before, after := p[(i+n-1)%n], p[(i+2)%n]
		segs = append(segs, fit.CubicTo(a, a.Add(b.Sub(before).Mul(1.0/6)), b.Sub(after.Sub(a).Mul(1.0/6)), b))
	}
	return fit.Path{Segments: segs, Closed: true}
}

// TestClip compares cut outlines with the pixels of the uncut ones, on random shapes with holes that cross the edges of
// the drawing area many times.
func TestClip(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	box := survey.Box{MaxX: 100, MaxY: 80}
	for n := range 300 {
		var rings []fit.Path
		for range 1 + rng.IntN(4) {
			rings = append(rings, blob(rng, 120*rng.Float64()-10, 100*rng.Float64()-10, 10+30*rng.Float64()))
		}
		whole, cut := newCanvas(box, 40000), newCanvas(box, 40000)
		whole.paint(rings, 1)
		got := clip(rings, box)
		cut.paint(got, 1)
		off := 0
		for i := range whole.id {
			if whole.id[i] != cut.id[i] {
				off++
			}
		}
		if off > 30 { // curves cut in two are flattened at other points, a tenth of a pixel apart at most
			t.Fatalf("case %d: %d pixels differ", n, off)
		}
		for _, r := range got {
			b := survey.BoxOf(r)
			const slack = 1e-9
			if b.MinX < -slack || b.MinY < -slack || b.MaxX > 100+slack || b.MaxY > 80+slack {
				t.Fatalf("case %d: %v stands over", n, b)
			}
			for i, s := range r.Segments {
				if next := r.Segments[(i+1)%len(r.Segments)]; s.P[3] != next.P[0] {
					t.Fatalf("case %d: a gap from %v to %v", n, s.P[3], next.P[0])
				}
			}
		}
	}
}

// TestCanvas compares the painted pixels of random outlines with a point-in-polygon test at each centre.
func TestCanvas(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	box := survey.Box{MinX: 5, MinY: -3, MaxX: 45, MaxY: 37}
	for range 50 {
		r := blob(rng, 25, 15, 15)
		c := newCanvas(box, 1600)
		n := c.paint([]fit.Path{r}, 7)
		poly := flatten(r, nil, 0.1/c.scale)
		want := 0
		for y := range c.h {
			for x := range c.w {
				in := inside(poly, fit.Point{X: c.x + (float64(x)+0.5)/c.scale, Y: c.y + (float64(y)+0.5)/c.scale})
				if in {
					want++
				}
				if in != (c.id[y*c.w+x] == 7) {
					t.Fatalf("pixel %d, %d", x, y)
				}
			}
		}
		if n != want {
			t.Fatalf("painted %d, want %d", n, want)
		}
	}
}

// TestThin takes points out of outlines drawn with far too many: few are left, none of the outline moves by more than
// the tolerance (measured to the dense original), and corners stay.
func TestThin(t *testing.T) {
	circle := func(n int) fit.Path {
		var xy []float64
		for i := range n {
			s, c := math.Sincos(2 * math.Pi * float64(i) / float64(n))
			xy = append(xy, 100+80*c, 100+80*s)
		}
		return ring(xy...)
	}
	square := func(per int) fit.Path {
		var xy []float64
		for side := range 4 {
			for i := range per {
				k := 100 * float64(i) / float64(per)
				xy = append(xy, []float64{k, 100, 100 - k, 0}[side], []float64{0, k, 100, 100 - k}[side])
			}
		}
		return ring(xy...)
	}
	rng := rand.New(rand.NewPCG(13, 14))
	cut := func(p fit.Path, parts int) fit.Path {
		var segs []fit.Segment
		for _, s := range p.Segments {
			for i := range parts {
				segs = append(segs, s.Sub(float64(i)/float64(parts), float64(i+1)/float64(parts)))
			}
		}
		return fit.Path{Segments: segs, Closed: true}
	}
	for _, c := range []struct {
		name string
		path fit.Path
		most int
	}{
		{"circle of lines", circle(200), 12},
		{"square", square(20), 4},
		{"blob cut into pieces", cut(blob(rng, 100, 100, 60), 9), 14},
		{"square as it is", square(1), 4},
	} {
		const tol = 0.1
		got, spare := thin(c.path, tol)
		if len(got.Segments) > c.most || len(got.Segments)+spare != len(c.path.Segments) {
			t.Errorf("%s: %d segments left of %d, want at most %d", c.name, len(got.Segments), len(c.path.Segments), c.most)
		}
		dense := flatten(c.path, nil, 1e-3)
		worst := 0.0
		for _, s := range got.Segments {
			for k := range 20 {
				worst = math.Max(worst, distance(dense, s.At(float64(k)/20)))
			}
		}
		if worst > 1.5*tol { // the tolerance is held at samples
			t.Errorf("%s: moved by %.3f", c.name, worst)
		}
	}
}

// distance from a point to a closed polygon.
func distance(poly []fit.Point, p fit.Point) float64 {
	best := math.Inf(1)
	for i, a := range poly {
		b := poly[(i+1)%len(poly)]
		d := b.Sub(a)
		k := 0.0
		if n := d.Dot(d); n > 0 {
			k = math.Min(math.Max(p.Sub(a).Dot(d)/n, 0), 1)
		}
		best = math.Min(best, p.Sub(a.Add(d.Mul(k))).Len())
	}
	return best
}

func TestCovered(t *testing.T) {
	rect := func(x0, y0, x1, y1 float64) fit.Path { return ring(x0, y0, x1, y0, x1, y1, x0, y1) }
	of := func(solid bool, rings ...fit.Path) area {
		return area{rings: rings, solid: solid, box: survey.BoxOf(rings[0])}
	}
	page := survey.Box{MaxX: 1000, MaxY: 1000}
	areas := []area{
		of(true, rect(100, 100, 200, 200)),                           // 0 hidden by 2 and 3 together
		of(true, rect(300, 300, 400, 400)),                           // 1 a hair of it shows
		of(true, rect(90, 90, 150, 210)),                             // 2
		of(true, rect(150, 90, 210, 210)),                            // 3
		of(true, rect(290, 290, 399.7, 410)),                         // 4
		of(true, rect(500, 500, 600, 600)),                           // 5 shows through the hole of 6
		of(true, rect(490, 490, 610, 610), rect(540, 540, 560, 560)), // 6
		of(true, rect(700, 700, 700.2, 700.2)),                       // 7 smaller than a pixel, hidden by 8
		of(true, rect(690, 690, 710, 710)),                           // 8
		of(true, rect(800, 800, 850, 850)),                           // 9 below transparent paint only
		of(false, rect(790, 790, 860, 860)),                          // 10
	}
	if got := fmt.Sprint(covered(areas, page)); got != "[0 7]" {
		t.Errorf("covered: %s, want [0 7]", got)
	}
}

// resaved is a boat as our program writes it, and as an editor may save it.
const (
	ours = `<svg xmlns="http://www.w3.org/2000/svg" width="200" height="200" viewBox="0 0 200 200">
<g id="skyblue" fill="#87ceeb"><path d="M10 120L190 120L190 180L10 180Z"/></g>
<g id="sienna" fill="#a0522d"><path d="M40 110L160 110C150 140 130 150 100 150C70 150 50 140 40 110Z"/></g>
<g id="ivory" fill="#fffff0"><path d="M98 30L98 100L50 100C70 80 86 56 98 30Z"/><path d="M104 40L150 100L104 100Z"/></g>
</svg>`
	resaved = `<svg xmlns="http://www.w3.org/2000/svg" xmlns:pen="urn:pen" width="200mm" height="200mm" viewBox="-20 -30 200 200" pen:zoom="2">
<style>.a{fill:#87ceeb}.b{fill:rgb(160,82,45)}.c{fill:ivory}.old{fill:#123456}</style>
<defs><linearGradient id="old"/></defs>
<g id="g1" transform="translate(-20 -30)">
 <g id="g2" pen:locked="true"><path class="a" style="stroke:none;stroke-width:4" d="M10 120h180v60H10"/></g>
 <g id="Layer_2" transform="scale(2)"><g><path class="b" d="M20 55 80 55C75 70 65 75 50 75 35 75 25 70 20 55z"/></g>
  <path class="c" transform="scale(.5)" d="M98 30 98 100 50 100C70 80 86 56 98 30zM104 40 150 100 104 100z M3 3"/></g>
 <g id="old-sail" style="display:none"><path class="b" d="M0 0h50v50z"/></g>
 <path class="b" fill="none" style="fill:none" d="M0 0h50v50z"/>
</g></svg>`
)

// TestMendResaved mends what an editor has made of a drawing of ours: no finding is left, and it looks as before.
func TestMendResaved(t *testing.T) {
	terms := termsFor(t, "")
	sheet, err := survey.Read(strings.NewReader(resaved))
	if err != nil {
		t.Fatal(err)
	}
	before := Check(sheet, terms)
	if got := broken(before); got != "hidden idle layer-colour layer-name locked loose-shape open-path private-data stray-point transform unpainted" &&
		got != "hidden idle layer-colour layer-name locked open-path private-data stray-point transform unpainted" {
		t.Errorf("found %s", got)
	}
	d, done, err := Mend(sheet, terms)
	if err != nil {
		t.Fatal(err)
	}
	if len(done) < 9 {
		t.Errorf("mended only %v", done)
	}
	after, err := OfDrawing(d, terms)
	if err != nil || broken(after) != "" {
		t.Errorf("left: %s %v", broken(after), err)
	}
	want, err := svgout.Read(strings.NewReader(ours))
	if err != nil {
		t.Fatal(err)
	}
	a, b := proof.Render(want, 3, color.White), proof.Render(d, 3, color.White)
	if !bytes.Equal(a.Pix, b.Pix) {
		off := 0
		for i := range a.Pix {
			if a.Pix[i] != b.Pix[i] {
				off++
			}
		}
		t.Errorf("%d of %d values differ from the original's picture", off, len(a.Pix))
	}
	var names []string
	for _, l := range d.Layers {
		names = append(names, l.Name)
	}
	if got := strings.Join(names, " "); got != "skyblue sienna ivory" {
		t.Errorf("layers %s", got)
	}
}

// TestRegroup gathers a colour from two heights where nothing is in the way, and says so where something is.
func TestRegroup(t *testing.T) {
	const file = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100"><g id="a">
<path fill="#111111" d="M10 10h30v30h-30z"/><path fill="#eeeeee" d="M20 20h10v10h-10z"/><path fill="#111111" d="M%d 22h6v6h-6z"/></g></svg>`
	for x, want := range map[int]string{60: "", 22: "both below and above"} {
		s, err := survey.Read(strings.NewReader(fmt.Sprintf(file, x)))
		if err != nil {
			t.Fatal(err)
		}
		d, _, err := Mend(s, nil)
		switch {
		case want == "" && (err != nil || len(d.Layers) != 2 || len(d.Layers[0].Shapes) != 2):
			t.Errorf("x = %d: %v, %v", x, d, err)
		case want != "" && (err == nil || !strings.Contains(err.Error(), want)):
			t.Errorf("x = %d: error %v, want %q", x, err, want)
		}
	}
}

// TestSwitchedOff leaves alone what the terms switch off.
func TestSwitchedOff(t *testing.T) {
	terms := termsFor(t, "")
	terms.Rules["sliver"] = Off
	terms.Rules["stroke"] = Note
	sheet := load(t, "sliver-fail.svg")
	if r := Check(sheet, terms); broken(r) != "" {
		t.Errorf("found %s", broken(r))
	}
	if d, done, err := Mend(sheet, terms); err != nil || len(done) != 0 || len(d.Layers[0].Shapes) != 2 {
		t.Errorf("mended %v, %v", done, err)
	}
	if r := Check(load(t, "stroke-fail.svg"), terms); r.Refusals != 0 || r.Notes != 1 || r.Findings[0].Severity != Note {
		t.Errorf("%+v", r)
	}
}

func TestTerms(t *testing.T) {
	var b bytes.Buffer
	if err := WriteTerms(&b); err != nil {
		t.Fatal(err)
	}
	terms, err := ReadTerms(bytes.NewReader(b.Bytes()), "empty.toml")
	if err != nil || terms.maxTitle() != 80 || terms.minKeywords() != 7 || terms.maxKeywords() != 40 || terms.MaxMegabytes() != 10 {
		t.Errorf("%+v, %v", terms, err)
	}
	// Every line that is commented out is good once the sign is gone.
	var all []string
	for _, line := range strings.Split(b.String(), "\n") {
		if strings.HasPrefix(line, "# ") && strings.Contains(line, " = ") {
			line = line[2:]
		}
		all = append(all, line)
	}
	terms, err = ReadTerms(strings.NewReader(strings.Join(all, "\n")), "full.toml")
	if err != nil || len(terms.Rules) != len(Rules) || terms.Area.Aim != 16e6 || len(terms.Pack.Formats) != 5 {
		t.Errorf("%+v, %v", terms, err)
	}
	for text, want := range map[string]string{
		"[area]\naim = \"x\"":          "t.toml:2: ",
		"[rules]\nstrokes = \"off\"":   `no rule "strokes"`,
		"[rules]\nstroke = \"maybe\"":  "want off, note, warning or refusal",
		"[keyword]\nmin = 2":           `unknown key "keyword`,
		"[title]\nmax_characters = -1": "title.max_characters = -1",
		"[area]\nmin = 9e6\nmax = 4e6": "above area.max",
		"[area\n":                      "t.toml:",
	} {
		_, err := ReadTerms(strings.NewReader(text), "t.toml")
		if err == nil || !strings.HasPrefix(err.Error(), "t.toml:") || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: error %v, want one line with %q", text, err, want)
		}
	}
}

// TestPicture marks every kind of failing file.
func TestPicture(t *testing.T) {
	for _, rule := range Rules {
		s := load(t, rule.ID+"-fail.svg")
		pic, err := Picture(s, Check(s, termsFor(t, rule.ID)))
		if err != nil {
			t.Fatal(err)
		}
		if size := pic.Bounds().Size(); size.X < pictureSide || size.Y < 100 || size.X > 3000 {
			t.Errorf("%s: %v", rule.ID, size)
		}
	}
	s := load(t, "stroke-fail.svg")
	pic, err := Picture(s, Check(s, termsFor(t, "stroke")))
	if err != nil {
		t.Fatal(err)
	}
	// The frame around the stroked sail, whose left edge is at x = 50 of 200, is in the colour of a refusal.
	want := markColours[Refusal]
	r, g, b, _ := pic.At(int(pictureRim+50*pictureSide/200), int(pictureRim+60*pictureSide/200)).RGBA()
	if math.Abs(float64(r)/65535-want[0])+math.Abs(float64(g)/65535-want[1])+math.Abs(float64(b)/65535-want[2]) > 0.1 {
		t.Errorf("no frame: %d %d %d", r>>8, g>>8, b>>8)
	}
}

func TestMendKeepsMeta(t *testing.T) {
	s := load(t, "keyword-plural-fail.svg")
	d, _, err := Mend(s, nil)
	if err != nil || d.Meta.Title != s.Meta.Title || len(d.Meta.Keywords) != len(s.Meta.Keywords)-1 {
		t.Errorf("%+v, %v", d.Meta, err)
	}
}

func TestScale(t *testing.T) {
	d := &trace.Drawing{Width: 10, Height: 20, DPI: 100, Layers: []trace.Layer{{Name: "teal", Colour: colour.RGB{G: 128, B: 128},
		Shapes: []trace.Shape{{Rings: []fit.Path{ring(1, 1, 5, 1, 5, 5)}}}}}}
	Scale(d, 2)
	if d.Width != 20 || d.Height != 40 || d.DPI != 200 || d.Layers[0].Shapes[0].Rings[0].Segments[0].P[3] != (fit.Point{X: 10, Y: 2}) {
		t.Errorf("%+v", d)
	}
}

// FuzzCheck checks and mends anything that can be surveyed.
func FuzzCheck(f *testing.F) {
	f.Add(ours)
	f.Add(resaved)
	names, err := filepath.Glob("testdata/*.svg")
	if err != nil {
		f.Fatal(err)
	}
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(b))
	}
	f.Fuzz(func(t *testing.T, text string) {
		s, err := survey.Read(strings.NewReader(text))
		if err != nil || len(s.Marks) > 50 {
			return
		}
		r := Check(s, nil)
		if n := r.Refusals + r.Warnings + r.Notes; n < len(r.Findings) {
			t.Fatalf("%d counted, %d listed", n, len(r.Findings))
		}
		d, _, err := Mend(s, nil)
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Fatalf("error %q", err)
			}
			return
		}
		if _, err := OfDrawing(d, nil); err != nil {
			t.Fatalf("the mended drawing cannot be written: %v", err)
		}
	})
}
