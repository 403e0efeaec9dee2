package survey

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/svgout"
)

func read(t *testing.T, text string) *Sheet {
	t.Helper()
	s, err := Read(strings.NewReader(text))
	if err != nil {
		t.Fatalf("%v in %.200s", err, text)
	}
	return s
}

// page wraps elements in a drawing area of 100 by 100 units.
func page(body string) string {
	return `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100">` + body + `</svg>`
}

func kinds(s *Sheet) string {
	names := []string{"raster", "text", "gradient", "blend", "clip", "script", "external", "nested", "instance", "idle", "empty",
		"private", "unreadable", "colour", "marker"}
	var out []string
	for _, n := range s.Notes {
		out = append(out, names[n.Kind])
	}
	return strings.Join(out, " ")
}

// TestResaved reads a drawing as an editor may save it: other ids, styles instead of attributes, nested groups, shifts
// and scales, a foreign namespace declared as an entity, a shifted viewBox.
func TestResaved(t *testing.T) {
	f, err := os.Open(filepath.Join("testdata", "resaved.svg"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s, err := Read(f)
	if err != nil {
		t.Fatal(err)
	}
	if s.Width != 360 || s.Height != 300 || !s.HasArea || s.Odd != "" {
		t.Errorf("area %g x %g, %v %q", s.Width, s.Height, s.HasArea, s.Odd)
	}
	if got := kinds(s); got != "private idle idle" {
		t.Errorf("notes %q: %v", got, s.Notes)
	}
	var layers []string
	for _, l := range s.Layers {
		layers = append(layers, fmt.Sprintf("%s/%s/%v/%v", l.Name, l.ID, l.Hidden, l.Locked))
	}
	if got := strings.Join(layers, " "); got != "water/g11/false/false Body/g12/false/false Top mark/cap/false/true ghost/ghost/true/false" {
		t.Errorf("layers %s", got)
	}
	want := []struct {
		colour string
		box    Box
		moved  bool
	}{
		{"#a9c9df", Box{20, 210.54, 340, 280}, true},
		{"#c8322f", Box{105.679, 96, 254.321, 250}, true},
		{"#000000", Box{172, 30, 188, 48}, true}, // its own style goes over the rule, and black is inherited
		{"#2d4a58", Box{156, 46, 204, 98}, true},
		{"#000000", Box{40, 40, 60, 60}, true},
	}
	for i, m := range s.Marks {
		b := m.Box()
		w := want[i]
		if m.FillColour.Hex() != w.colour || m.Fill != Flat || m.Stroke != NoPaint || m.Transformed != w.moved || m.EvenOdd != (i == 1) ||
			math.Abs(b.MinX-w.box.MinX)+math.Abs(b.MinY-w.box.MinY)+math.Abs(b.MaxX-w.box.MaxX)+math.Abs(b.MaxY-w.box.MaxY) > 0.01 {
			t.Errorf("mark %d: %s %v moved %v even-odd %v, want %v", i, m.FillColour.Hex(), b, m.Transformed, m.EvenOdd, w)
		}
	}
	if len(s.Marks) != len(want) {
		t.Fatalf("%d marks", len(s.Marks))
	}
	if s.Marks[2].Locked != true || s.Marks[4].Hidden != true || s.Marks[0].Locked || s.Marks[0].Hidden {
		t.Error("locked or hidden marks are not told")
	}
}

// TestPaint gives paints as people and programs write them (CSS Color 4, SVG 2 section 13).
func TestPaint(t *testing.T) {
	for css, want := range map[string]string{
		"fill:#fa0":                       "#ffaa00 1",
		"fill:#ffaa0080":                  "#ffaa00 0.502",
		"fill: RGB(255,170,0)":            "#ffaa00 1",
		"fill:rgb(100% 66.67% 0% / 50%)":  "#ffaa00 0.5",
		"fill:rgba(255, 170, 0, .25)":     "#ffaa00 0.25",
		"fill:hsl(40,100%,50%)":           "#ffaa00 1",
		"fill:hsl(40deg 100% 50%)":        "#ffaa00 1",
		"fill:Teal;fill-opacity:.5":       "#008080 0.5",
		"fill:teal;fill-opacity:50%":      "#008080 0.5",
		"color:#123456;fill:currentColor": "#123456 1",
		"fill:none":                       "none",
		"fill:transparent":                "none",
		"fill:url(#gone)":                 "none",
		"fill:#ffaa00 icc-color(a, 1)":    "other",
		"fill:device-cmyk(0 0 1 0)":       "other",
		"fill:color(display-p3 1 0 0)":    "other",
		"fill:blurple":                    "#000000 1", // an unknown value does not count
	} {
		m := read(t, page(`<path style="`+css+`" d="M0 0h9v9z"/>`)).Marks[0]
		got := "none"
		switch m.Fill {
		case Flat:
			got = fmt.Sprintf("%s %.3g", m.FillColour.Hex(), m.FillAlpha)
		case Other:
			got = "other"
		case Server:
			got = "server"
		}
		if got != want {
			t.Errorf("%s: %s, want %s", css, got, want)
		}
	}
}

// TestCascade has an attribute, rules by element, class and id, and a style attribute compete.
func TestCascade(t *testing.T) {
	style := `<style>path{fill:#111111}.a{fill:#222222}#x{fill:#333333}g.b > path{fill:#444444}g g path{fill:#555555}:hover{fill:#666666}</style>`
	for body, want := range map[string]string{
		`<path fill="#999" d="M0 0h9v9z"/>`:                                     "#111111",
		`<rect fill="#999" width="9" height="9"/>`:                              "#999999",
		`<path class="c a" d="M0 0h9v9z"/>`:                                     "#222222",
		`<path id="x" class="a" d="M0 0h9v9z"/>`:                                "#333333",
		`<path id="x" style="fill:#777777" d="M0 0h9v9z"/>`:                     "#777777",
		`<g class="b"><path d="M0 0h9v9z"/></g>`:                                "#444444",
		`<g class="b"><a><path d="M0 0h9v9z"/></a></g>`:                         "#111111",
		`<g><a><g><a><path d="M0 0h9v9z"/></a></g></a></g>`:                     "#555555",
		`<g fill="#888888"><circle r="4"/></g>`:                                 "#888888",
		`<g style="fill:#888888"><circle r="4" style="fill:inherit"/></g>`:      "#888888",
		`<g fill="#888888"><svg><ellipse rx="4" ry="3" fill="#abc"/></svg></g>`: "#aabbcc",
	} {
		if got := read(t, page(style+body)).Marks[0].FillColour.Hex(); got != want {
			t.Errorf("%s: %s, want %s", body, got, want)
		}
	}
}

func TestNotes(t *testing.T) {
	for body, want := range map[string]string{
		`<image href="boat.png" width="9" height="9"/>`:                   "external raster",
		`<image href="data:image/png;base64,AAAA" width="9" height="9"/>`: "raster",
		`<text x="1" y="2">ab<tspan>c</tspan></text>`:                     "text",
		`<script>1</script>`:                                                                                 "script",
		`<rect onclick="x" width="1" height="1"/>`:                                                           "script",
		`<rect width="1" height="1"><animate attributeName="x"/></rect>`:                                     "script",
		`<style>@import url(a.css);</style>`:                                                                 "external",
		`<style>@media print{path{fill:red}} path{fill:blue}</style><path d="M0 0h9v9z"/>`:                   "",
		`<rect width="1" height="1" style="filter:url(f.svg#a)"/>`:                                           "external blend",
		`<g style="mix-blend-mode:multiply"><path d="M0 0h9v9z"/></g>`:                                       "blend",
		`<mask id="m"/><g mask="url(#m)"><path d="M0 0h9v9z"/></g>`:                                          "blend",
		`<radialGradient id="g"/><path d="M0 0h9v9z" stroke="url(#g)"/>`:                                     "gradient",
		`<svg x="10" y="10" width="20" height="20" viewBox="0 0 10 10"><rect width="10" height="10"/></svg>`: "nested",
		`<g/>`:           "empty",
		`<g><defs/></g>`: "empty",
		`<path d="M0 0h9v9z" marker-end="url(#m)"/>`:        "marker",
		`<path d="M0 0h9 9 q"/>`:                            "unreadable",
		`<path transform="twist(3)" d="M0 0h9v9z"/>`:        "unreadable",
		`<symbol id="s"/>`:                                  "idle",
		`<metadata><x:y xmlns:x="urn:x" z="1"/></metadata>`: "",
	} {
		if got := kinds(read(t, page(body))); got != want {
			t.Errorf("%s: %q, want %q", body, got, want)
		}
	}
}

// TestUses follows copies, with shifts, symbols and their boxes, and does not follow one into itself.
func TestUses(t *testing.T) {
	s := read(t, page(`<defs><path id="p" d="M0 0h10v10z"/><g id="a"><use href="#b"/></g><g id="b"><use href="#a"/></g></defs>
<symbol id="s" viewBox="0 0 10 10"><rect width="10" height="10" fill="red"/></symbol>
<g id="l"><use href="#p" x="5" y="6" transform="scale(2)"/><use href="#s" x="50" y="50" width="20" height="20"/><use href="#a"/><use href="#none"/></g>`))
	var got []string
	for _, m := range s.Marks {
		b := m.Box()
		got = append(got, fmt.Sprint(b.MinX, b.MinY, b.MaxX, b.MaxY, m.Instance, m.Layer))
	}
	if want := []string{"10 12 30 32 true 0", "50 50 70 70 true 0"}; !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestUsesMultiplying(t *testing.T) {
	var b strings.Builder
	b.WriteString(`<defs><path id="u0" d="M0 0h1v1z"/>`)
	for i := 1; i <= 40; i++ {
		fmt.Fprintf(&b, `<g id="u%d">%s</g>`, i, strings.Repeat(fmt.Sprintf(`<use href="#u%d"/>`, i-1), 10))
	}
	b.WriteString(`</defs><use href="#u40"/>`)
	if _, err := Read(strings.NewReader(page(b.String()))); err == nil {
		t.Error("a thousand million million copies went through")
	}
}

func TestRefusals(t *testing.T) {
	for text, want := range map[string]string{
		"":        "is empty",
		"harbour": "does not begin with a tag", "<!-- -->": "no elements", "\x1f\x8b\x08": "compressed",
		"<html></html>":             "begins with <html>",
		"<svg>\n<g>\n</svg>":        "line 3",
		"<svg a=\"":                 "line 1",
		"\x89PNG\r\n\x1a\n\x00\x00": "does not begin with a tag",
		`<?xml version="1.0" encoding="klingon"?><svg/>`:                         "unknown encoding",
		`<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><svg id="&b;"/>`: "entity &b;",
		"<svg>" + strings.Repeat("<g>", 600):                                     "nested more than",
	} {
		_, err := Read(strings.NewReader(text))
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%.40q: error %v, want %q", text, err, want)
		}
	}
}

// TestEncodings reads one file in three encodings.
func TestEncodings(t *testing.T) {
	const text = `<svg xmlns="http://www.w3.org/2000/svg"><title>Bär</title></svg>`
	utf16 := []byte{0xff, 0xfe}
	for _, r := range `<?xml version="1.0" encoding="UTF-16"?>` + text {
		utf16 = append(utf16, byte(r), byte(r>>8))
	}
	for name, b := range map[string][]byte{
		"UTF-8": []byte(text), "with mark": []byte("\ufeff" + text), "UTF-16": utf16,
		"Latin-1": []byte(`<?xml version="1.0" encoding="iso-8859-1"?>` + strings.Replace(text, "ä", "\xe4", 1)),
	} {
		s, err := Read(bytes.NewReader(b))
		if err != nil || s.Meta.Title != "Bär" {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestPathDataAgrees compares outlines with what svgout, which has its own reader, makes of the same data.
func TestPathDataAgrees(t *testing.T) {
	for _, d := range []string{
		"M10 10L90 10 90 90 10 90Z",
		"m10 10h80v80h-80z",
		"M10,10c20-5,60-5,80,0s5,60,0,80S30 95 10 90z",
		"M10 10Q50-10 90 10T90 90T10 90Z",
		"M10 50a40 40 0 1 1 80 0a40 40 0 1 1-80 0Z",
		"M20 20A60 30 30 01 80 80A20 20 0 00 20 20Z",
		"M.5.5.5 50 50 50.5e1z",
		"M10 10H60V60H10ZM20 20V50H50V20Z",
	} {
		s := read(t, page(`<g id="teal" fill="teal"><path d="`+d+`"/></g>`))
		ours, err := svgout.Read(strings.NewReader(page(`<g id="teal" fill="teal"><path d="` + d + `"/></g>`)))
		if err != nil {
			t.Errorf("%s: %v", d, err)
			continue
		}
		var a, b float64
		box := NoBox()
		for _, sub := range s.Marks[0].Subpaths {
			a += math.Abs(sub.Path.Area())
			box = box.Union(BoxOf(sub.Path))
		}
		other := NoBox()
		for _, l := range ours.Layers {
			for _, sh := range l.Shapes {
				for _, r := range sh.Rings {
					b += math.Abs(r.Area())
					other = other.Union(BoxOf(r))
				}
			}
		}
		if math.Abs(a-b) > 1e-9*a || math.Abs(box.MinX-other.MinX)+math.Abs(box.MaxY-other.MaxY) > 1e-9 {
			t.Errorf("%s: area %.9g and %.9g, box %v and %v", d, a, b, box, other)
		}
	}
}

// TestOpenAndLone tells closed, open and lone subpaths apart.
func TestOpenAndLone(t *testing.T) {
	subs, ok := parsePath("M0 0h10v10zM20 20h10v10M5 5ZM7 7M40 40h5v5l-5-5z l3 0 0 3")
	var got []string
	for _, s := range subs {
		got = append(got, fmt.Sprint(len(s.Path.Segments), s.Path.Closed, s.Start.X))
	}
	want := []string{"3 true 0", "2 false 20", "0 true 5", "0 false 7", "3 true 40", "2 false 40"}
	if !ok || !reflect.DeepEqual(got, want) {
		t.Errorf("%v %v, want %v", got, ok, want)
	}
}

// TestArc compares arcs with the ellipse they stand for: the worst error of a quarter turn is 2.73e-4 of the radius.
func TestArc(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 200 {
		rx, ry, turn := 1+9*rng.Float64(), 1+9*rng.Float64(), 180*rng.Float64()
		a, b := fit.Point{X: 10 * rng.Float64(), Y: 10 * rng.Float64()}, fit.Point{X: 10 * rng.Float64(), Y: 10 * rng.Float64()}
		segs := arc(a, b, rx, ry, turn, rng.IntN(2) == 0, rng.IntN(2) == 0)
		if segs[0].P[0] != a || segs[len(segs)-1].P[3] != b {
			t.Fatal("the arc does not join its ends")
		}
		// All points lie on one ellipse: map to the unit circle and fit its centre from three of them.
		sin, cos := math.Sincos(turn * math.Pi / 180)
		grown := 1.0 // radii may have been enlarged to reach
		dx, dy := (a.X-b.X)/2, (a.Y-b.Y)/2
		if g := math.Hypot((cos*dx+sin*dy)/rx, (-sin*dx+cos*dy)/ry); g > 1 {
			grown = g
		}
		unit := func(p fit.Point) fit.Point {
			return fit.Point{X: (cos*p.X + sin*p.Y) / (rx * grown), Y: (-sin*p.X + cos*p.Y) / (ry * grown)}
		}
		p, q := unit(a), unit(b)
		mid, half := p.Lerp(q, 0.5), q.Sub(p).Mul(0.5)
		h := math.Sqrt(math.Max(0, 1-half.Dot(half)))
		worst := math.Inf(1)
		for _, sign := range []float64{1, -1} {
			c := mid.Add(half.Perp().Unit().Mul(sign * h))
			far := 0.0
			for _, s := range segs {
				for k := range 11 {
					far = math.Max(far, math.Abs(unit(s.At(float64(k)/10)).Sub(c).Len()-1))
				}
			}
			worst = math.Min(worst, far)
		}
		if worst > 2.8e-4 {
			t.Fatalf("%.3g of the radius off", worst)
		}
	}
}

func TestTransform(t *testing.T) {
	for s, want := range map[string]fit.Point{
		"translate(3)":                     {X: 4, Y: 2},
		"translate(3 4) scale(2)":          {X: 5, Y: 8},
		"scale(2,3)translate(1,1)":         {X: 4, Y: 9},
		"rotate(90)":                       {X: -2, Y: 1},
		"rotate(90 1 1)":                   {X: 0, Y: 1},
		"rotate(.25turn)":                  {X: -2, Y: 1},
		"skewX(45)":                        {X: 3, Y: 2},
		"skewY(45)":                        {X: 1, Y: 3},
		"matrix(1 2 3 4 5 6)":              {X: 12, Y: 16},
		"translateX(1px), translateY(2px)": {X: 2, Y: 4},
		"none":                             {X: 1, Y: 2},
	} {
		m, ok := parseTransform(s)
		if got := m.apply(fit.Point{X: 1, Y: 2}); !ok || got.Sub(want).Len() > 1e-12 {
			t.Errorf("%s: %v, want %v", s, got, want)
		}
	}
	for _, s := range []string{"scale()", "matrix(1 2)", "rotate(1", "translate(1em)", "spin(3)"} {
		if _, ok := parseTransform(s); ok {
			t.Errorf("%s is understood", s)
		}
	}
}

// TestBox compares the box of random cubics with a dense sampling.
func TestBox(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 500 {
		var p [4]fit.Point
		for i := range p {
			p[i] = fit.Point{X: float64(rng.IntN(9)), Y: float64(rng.IntN(9))}
		}
		s := fit.CubicTo(p[0], p[1], p[2], p[3])
		got, want := BoxOf(fit.Path{Segments: []fit.Segment{s}}), NoBox()
		for k := range 2001 {
			want.add(s.At(float64(k) / 2000))
		}
		for _, d := range []float64{want.MinX - got.MinX, want.MinY - got.MinY, got.MaxX - want.MaxX, got.MaxY - want.MaxY} {
			if d < -1e-9 || d > 1e-4 {
				t.Fatalf("%v: box %v, sampled %v", p, got, want)
			}
		}
	}
}

func TestMetaForms(t *testing.T) {
	s := read(t, page(`<title>T</title><desc>D</desc><metadata><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"
 xmlns:dc="http://purl.org/dc/elements/1.1/"><r:Work xmlns:r="urn:r"><dc:title>Title of the work</dc:title>
 <dc:creator><r:Agent><dc:title>Ann</dc:title></r:Agent></dc:creator>
 <dc:subject><rdf:Bag><rdf:li>boat</rdf:li><rdf:li>sea</rdf:li></rdf:Bag></dc:subject></r:Work></rdf:RDF></metadata>`))
	if m := s.Meta; m.Title != "Title of the work" || m.Description != "D" || m.Creator != "Ann" || !reflect.DeepEqual(m.Keywords, []string{"boat", "sea"}) {
		t.Errorf("%+v", m)
	}
}

func TestNamedColourAgrees(t *testing.T) {
	if c := parsePaint("rebeccapurple", tint{}); c.rgb != (colour.RGB{R: 0x66, G: 0x33, B: 0x99}) {
		t.Errorf("rebeccapurple is %v", c.rgb)
	}
}

// FuzzRead surveys anything without a panic, with finite numbers only.
func FuzzRead(f *testing.F) {
	f.Add(page(`<g id="a" transform="scale(2)"><path d="M0 0a9 4 30 1 0 9 9q1 2 3 4t5 6zm1 1h3" style="fill:red;stroke:#0f0"/></g>`))
	f.Add(page(`<style>.a>b c,#d{fill:rgb(1,2,3)}@media x{y{z:1}}</style><use href="#e"/><rect rx="3" width="9" height="4"/>`))
	b, err := os.ReadFile(filepath.Join("testdata", "resaved.svg"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(string(b))
	f.Fuzz(func(t *testing.T, text string) {
		s, err := Read(strings.NewReader(text))
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Fatalf("error %q", err)
			}
			return
		}
		if !(s.Width > 0 && s.Height > 0) {
			t.Fatalf("area %g x %g", s.Width, s.Height)
		}
		for _, m := range s.Marks {
			if m.Layer >= len(s.Layers) || !(m.Opacity >= 0 && m.Opacity <= 1) || !(m.FillAlpha >= 0 && m.FillAlpha <= 1) {
				t.Fatalf("%+v", m)
			}
		}
	})
}
