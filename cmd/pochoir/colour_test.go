package main

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/quantize/colour"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/proof"
)

// readSVG reads a drawing of ours from the working folder.
func readSVG(t *testing.T, path string) *trace.Drawing {
	t.Helper()
	d, err := svgout.Read(bytes.NewReader(get(t, path)))
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return d
}

func mustCall(t *testing.T, args ...string) result {
	t.Helper()
	r := call(t, nil, args...)
	if r.code != 0 {
		t.Fatalf("pochoir %s: code %d\n%s", strings.Join(args, " "), r.code, r.errors)
	}
	return r
}

// drawingRoom makes a folder with harbour pictures at their usual size in it and goes there.
func drawingRoom(t *testing.T, names ...string) {
	t.Helper()
	workshop(t)
	for _, n := range names {
		object, kind := strings.TrimSuffix(n, ".png"), demo.Inked
		if o, ok := strings.CutSuffix(object, "-ink"); ok {
			object, kind = o, demo.Ink
		}
		p, ok := demo.Draw(object, kind)
		if !ok {
			t.Fatalf("no drawing %s", n)
		}
		put(t, n, encoded(t, p.Image(demo.Side)))
	}
}

// enclosed finds the places of a picture that are lighter than half and that no way of such pixels, side by side,
// joins to the frame: by plain flooding, as the reference for flats.
func enclosed(m *image.NRGBA) (areas [][]int) {
	w, h := m.Rect.Dx(), m.Rect.Dy()
	light := func(i int) bool { p := m.Pix[4*i:]; return int(p[0])+int(p[1])+int(p[2]) > 3*140 }
	seen := make([]bool, w*h)
	for s := range seen {
		if seen[s] || !light(s) {
			continue
		}
		list, open := []int{s}, false
		seen[s] = true
		for k := 0; k < len(list); k++ {
			x, y := list[k]%w, list[k]/w
			open = open || x == 0 || y == 0 || x == w-1 || y == h-1
			for _, q := range [4][2]int{{x - 1, y}, {x + 1, y}, {x, y - 1}, {x, y + 1}} {
				if i := q[1]*w + q[0]; q[0] >= 0 && q[1] >= 0 && q[0] < w && q[1] < h && !seen[i] && light(i) {
					seen[i] = true
					list = append(list, i)
				}
			}
		}
		if !open {
			areas = append(areas, list)
		}
	}
	return areas
}

// TestFlatsOfTheHarbour lays flats under every harbour picture in ink: each area gets one of its own, which covers it
// and, beside the ink, no more.
func TestFlatsOfTheHarbour(t *testing.T) {
	workshop(t)
	names := demo.Objects()
	if testing.Short() {
		names = names[:3]
	}
	got, flats, all := 0, 0, 0
	var overlaps []float64
	for _, name := range names {
		p, _ := demo.Draw(name, demo.Ink)
		m := p.Image(demo.Side)
		put(t, name+".png", encoded(t, m))
		mustCall(t, "trace", name+".png", "--lay-flats", "-q")
		d := readSVG(t, name+".svg")
		if top := d.Layers[len(d.Layers)-1]; top.Name != "ink" {
			t.Errorf("%s: on top lies %s", name, top.Name)
		}
		// Every flat in a colour of its own.
		var each trace.Drawing
		each.Width, each.Height = d.Width, d.Height
		ids := map[string]bool{}
		for _, l := range d.Layers[:len(d.Layers)-1] {
			for _, s := range l.Shapes {
				if !strings.HasPrefix(s.ID, "flat-") || ids[s.ID] {
					t.Errorf("%s: a flat has the id %q", name, s.ID)
				}
				ids[s.ID] = true
				k := len(ids)
				each.Layers = append(each.Layers, trace.Layer{Name: s.ID, Colour: colour.RGB{R: uint8(k), G: uint8(k >> 8)}, Shapes: []trace.Shape{s}})
			}
		}
		laid := proof.Render(&each, 1, nil)
		flatAt := func(i int) int {
			if laid.Pix[4*i+3] < 255 {
				return 0
			}
			return int(laid.Pix[4*i]) + int(laid.Pix[4*i+1])<<8
		}
		size := map[int]int{} // of each flat, outside the ink
		for i := range demo.Side * demo.Side {
			if q := m.Pix[4*i:]; q[0] == 255 && q[1] == 255 && q[2] == 255 {
				size[flatAt(i)]++
			}
		}
		if flatAt(0) != 0 {
			t.Errorf("%s: the outside is filled", name)
		}
		used := map[int]bool{}
		for _, a := range enclosed(m) {
			if len(a) < 100 {
				continue
			}
			all++
			in, pure := map[int]int{}, 0
			for _, i := range a {
				if q := m.Pix[4*i:]; q[0] == 255 && q[1] == 255 && q[2] == 255 {
					in[flatAt(i)]++
					pure++
				}
			}
			best := 0
			for k, n := range in {
				if k > 0 && n >= 25 {
					used[k] = true
				}
				if k > 0 && (best == 0 || n > in[best]) {
					best = k
				}
			}
			if best == 0 {
				overlaps = append(overlaps, 0)
				continue
			}
			o := float64(in[best]) / float64(size[best]+pure-in[best])
			overlaps = append(overlaps, o)
			if o > 0.5 {
				got++
			}
		}
		flats += len(used)
		t.Logf("%s: %d flats of %d areas so far", name, flats, all)
	}
	mean := 0.0
	for _, o := range overlaps {
		mean += o / float64(len(overlaps))
	}
	t.Logf("%d areas, %d with a flat, %d flats, intersection over union %.4f", all, got, flats, mean)
	if float64(got) < 0.98*float64(all) || float64(flats) > 1.1*float64(all) || mean < 0.98 {
		t.Errorf("%d areas, %d with a flat, %d flats, intersection over union %.3f; want 98 %%, at most 1.1 each, 0.98", all, got, flats, mean)
	}
}

// missing skips the test for want of something, and fails it on the continuous integration machine.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is missing", what)
	}
	t.Skipf("%s is missing", what)
}

func drawnBy(t *testing.T, c *exec.Cmd) image.Image {
	t.Helper()
	var out, words bytes.Buffer
	c.Stdout, c.Stderr = &out, &words
	if err := c.Run(); err != nil {
		t.Fatalf("%v: %v\n%s", c.Args, err, words.String())
	}
	m, err := png.Decode(&out)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestNoLightBetweenFlatsAndInk renders filled drawings small, at their size and enlarged, by our own renderer, librsvg
// and resvg, without a ground: inside the silhouette every pixel is opaque.
func TestNoLightBetweenFlatsAndInk(t *testing.T) {
	workshop(t)
	put(t, "way.txt", []byte("#1a8c8c teal\n#f6b93b lamp\n#d94834 red\n#d3ece4 foam\n#e9d1a0 sand\n"))
	renderers := map[string]func(t *testing.T, file string, width int) image.Image{
		"our own": func(t *testing.T, file string, width int) image.Image {
			d := readSVG(t, file)
			return proof.Render(d, float64(width)/d.Width, nil)
		},
		"librsvg": func(t *testing.T, file string, width int) image.Image {
			tool, err := exec.LookPath("rsvg-convert")
			if err != nil {
				missing(t, "rsvg-convert (librsvg)")
			}
			return drawnBy(t, exec.Command(tool, "--width", strconv.Itoa(width), file))
		},
		"resvg": func(t *testing.T, file string, width int) image.Image {
			node, err := exec.LookPath("node")
			if err != nil {
				missing(t, "node (for @resvg/resvg-js)")
			}
			if exec.Command(node, "-e", "require('@resvg/resvg-js')").Run() != nil {
				missing(t, "@resvg/resvg-js (npm; NODE_PATH names the node_modules folder it is in)")
			}
			return drawnBy(t, exec.Command(node, "-e", `
				const {Resvg} = require('@resvg/resvg-js');
				const r = new Resvg(require('fs').readFileSync(process.argv[1]), {fitTo: {mode: 'width', value: +process.argv[2]}, font: {loadSystemFonts: false}});
				process.stdout.write(r.render().asPng())`, file, strconv.Itoa(width)))
		},
	}
	around := map[string][]bool{}
	for _, name := range []string{"lantern", "anchor", "kettle"} {
		p, _ := demo.Draw(name, demo.Ink)
		m := p.Image(demo.Side)
		put(t, name+".png", encoded(t, m))
		mustCall(t, "trace", name+".png", "--suggest", "way.txt", "-q")
		around[name] = paperAround(m)
	}
	for by, render := range renderers {
		t.Run(by, func(t *testing.T) {
			for _, name := range []string{"lantern", "anchor", "kettle"} {
				for _, width := range []int{190, 512, 1536, 3737} {
					seen := render(t, name+".svg", width)
					m := image.NewNRGBA(seen.Bounds())
					draw.Draw(m, m.Rect, seen, m.Rect.Min, draw.Src)
					if n, at := pinholes(m, around[name]); n > 0 {
						t.Errorf("%s, %d px wide: light shows through %d pixels, at %v first", name, width, n, at)
					}
				}
			}
		})
	}
}

// paperAround marks the pixels of a picture within four of paper that no ink encloses, or that is a speck or a pinhole
// in the ink: as far as a pixel of the smallest rendering reaches.
func paperAround(m *image.NRGBA) []bool {
	const w, speck, reach = demo.Side, 4, 4
	in := make([]bool, w*w)
	for _, a := range enclosed(m) {
		for _, i := range a {
			in[i] = len(a) > speck
		}
	}
	out := make([]bool, w*w)
	for i := range out {
		q := m.Pix[4*i:]
		level := int(q[0]) + int(q[1]) + int(q[2])
		if in[i] || level <= 3*140 && (level < 3*75 || nearArea(in, i)) {
			continue
		}
		for y := max(0, i/w-reach); y <= min(w-1, i/w+reach); y++ {
			for x := max(0, i%w-reach); x <= min(w-1, i%w+reach); x++ {
				out[y*w+x] = true
			}
		}
	}
	return out
}

// nearArea reports whether an area lies within two pixels of pixel i: soft edges of it reach no further.
func nearArea(in []bool, i int) bool {
	const w, soft = demo.Side, 2
	for y := max(0, i/w-soft); y <= min(w-1, i/w+soft); y++ {
		for x := max(0, i%w-soft); x <= min(w-1, i%w+soft); x++ {
			if in[y*w+x] {
				return true
			}
		}
	}
	return false
}

// pinholes counts the pixels that are not opaque although no paper around the drawing is near, and gives the first.
func pinholes(m *image.NRGBA, around []bool) (n int, first image.Point) {
	w, h := m.Rect.Dx(), m.Rect.Dy()
	// Rounding leaves a few levels, and where a seam in a gap begins the overlap of its two flats does: single pixels
	// there may be a tenth short of opaque.
	const least = 230
	for y := range h {
		for x := range w {
			if m.Pix[4*(y*w+x)+3] >= least || around[y*demo.Side/h*demo.Side+x*demo.Side/w] {
				continue
			}
			if n == 0 {
				first = image.Pt(x, y)
			}
			n++
		}
	}
	return n, first
}

func TestFlatsByPlace(t *testing.T) {
	drawingRoom(t, "lantern-ink.png")
	mustCall(t, "trace", "lantern-ink.png", "--lay-flats", "-q")
	plain := readSVG(t, "lantern-ink.svg")
	if len(plain.Layers) != 2 || plain.Layers[0].Name != "white" || plain.Layers[0].Colour != (colour.RGB{R: 255, G: 255, B: 255}) {
		t.Fatalf("unassigned flats are not white: %+v", plain.Layers[0].Name)
	}
	put(t, "lantern-ink.recipe.toml", []byte("lay-flats = true\nflats = [{at = [256, 150], swatch = \"teal\"}, {at = [256, 190], swatch = \"brass\", colour = \"#b5913c\"}, {at = [3, 3], swatch = \"teal\"}]\n"))
	r := mustCall(t, "trace", "lantern-ink.png")
	if !strings.Contains(r.errors, "no flat at 3,3: nothing encloses that place") {
		t.Errorf("the place outside is not told of:\n%s", r.errors)
	}
	d := readSVG(t, "lantern-ink.svg")
	shapes := map[string]int{}
	for _, l := range d.Layers {
		shapes[l.Name] = len(l.Shapes)
	}
	if shapes["teal"] != 1 || shapes["brass"] != 1 || shapes["white"] != len(plain.Layers[0].Shapes)-2 {
		t.Errorf("shapes by layer: %v", shapes)
	}
	p := proof.Render(d, 1, color.White)
	if c := p.RGBAAt(256, 150); c != (color.RGBA{0, 128, 128, 255}) {
		t.Errorf("at 256,150 lies %v, want CSS teal", c)
	}
	// The ink is what it is without flats.
	mustCall(t, "trace", "lantern-ink.png", "--recipe", "none", "-q", "-o", "bare.svg")
	ink := regexp.MustCompile(`(?s)<g id="ink".*?</g>`)
	if a, b := ink.Find(get(t, "bare.svg")), ink.Find(get(t, "lantern-ink.svg")); !bytes.Equal(a, b) {
		t.Error("laying flats changes the ink")
	}
	for recipe, want := range map[string]string{
		"flats = [{at = [256], swatch = \"teal\"}]": "lantern-ink.recipe.toml:1: ",
		"gap = -1": "lantern-ink.recipe.toml:1: gap = -1: want auto or a number from 0 to 200",
		"\nflats = [{at = [1, 2], swatch = \"teal\", color = \"x\"}]": "lantern-ink.recipe.toml:2: ",
		"flats = [{at = [256, 150], swatch = \"no-such-swatch\"}]":    "lantern-ink.png: Flats: entry 1: there is no swatch",
		"suggest = \"absent.txt\"":                                    "absent.txt: cannot be read",
	} {
		put(t, "lantern-ink.recipe.toml", []byte(recipe))
		if r := call(t, nil, "trace", "lantern-ink.png"); r.code != 1 || !strings.Contains(r.errors, want) || strings.Count(r.errors, "\n") > 2 {
			t.Errorf("%s: code %d, %s, want %s", recipe, r.code, r.errors, want)
		}
	}
}

func TestSuggestedNeighboursDiffer(t *testing.T) {
	drawingRoom(t, "lantern-ink.png")
	put(t, "way.txt", []byte("#1a8c8c teal\n#f6b93b lamp\n#d94834 red\n#d3ece4 foam\n#e9d1a0 sand\n#1d2440 ink\n"))
	mustCall(t, "trace", "lantern-ink.png", "--suggest", "way.txt", "-q")
	d := readSVG(t, "lantern-ink.svg")
	ink := d.Layers[len(d.Layers)-1]
	if ink.Name != "ink" || slices.ContainsFunc(d.Layers, func(l trace.Layer) bool { return l.Name == "white" || l.Name == "ink-2" }) {
		t.Fatalf("layers: %v", d.Layers)
	}
	// Without the ink no two flats that share an edge are of one layer: each layer has as many shapes as it has areas.
	bare := *d
	bare.Layers = d.Layers[:len(d.Layers)-1]
	for _, p := range neighbours(&bare) {
		a, b := bare.Layers[p[0]], bare.Layers[p[1]]
		if a.Colour.Difference(b.Colour) < nearlyEqual {
			t.Errorf("%s lies beside %s", a.Name, b.Name)
		}
	}
	for _, l := range bare.Layers {
		one := trace.Drawing{Width: d.Width, Height: d.Height, Layers: []trace.Layer{l}}
		// Two that meet in a point are no neighbours: at four times the size, less three pixels all round, they part.
		m := proof.Render(&one, 4, nil)
		parts := enclosed(inverted(m, 3))
		if len(parts) != len(l.Shapes) {
			t.Errorf("%s: %d shapes make %d areas: two of them are neighbours", l.Name, len(l.Shapes), len(parts))
		}
	}
}

// inverted paints white what is opaque for so many pixels all round, and black what is not.
func inverted(m *image.RGBA, round int) *image.NRGBA {
	out := image.NewNRGBA(m.Rect)
	w, h := m.Rect.Dx(), m.Rect.Dy()
	for y := range h {
		for x := range w {
			v := uint8(255)
			for j := max(0, y-round); j <= min(h-1, y+round); j++ {
				for i := max(0, x-round); i <= min(w-1, x+round); i++ {
					if m.Pix[m.PixOffset(i, j)+3] <= 127 {
						v = 0
					}
				}
			}
			copy(out.Pix[out.PixOffset(x, y):], []byte{v, v, v, 255})
		}
	}
	return out
}

// TestRegisterColour draws a square of ink with paint that stops short on one side and runs over on the other.
func TestRegisterColour(t *testing.T) {
	workshop(t)
	m := image.NewNRGBA(image.Rect(0, 0, 300, 200))
	box := func(x0, y0, x1, y1 int, c color.NRGBA) {
		draw.Draw(m, image.Rect(x0, y0, x1, y1), image.NewUniform(c), image.Point{}, draw.Src)
	}
	white, teal, ink := color.NRGBA{255, 255, 255, 255}, color.NRGBA{0x1a, 0x8c, 0x8c, 255}, color.NRGBA{0x1d, 0x24, 0x40, 255}
	box(0, 0, 300, 200, white)
	box(62, 50, 270, 150, teal) // stops 8 px short on the left, runs 50 px over on the right
	for _, x := range []int{50, 220} {
		box(x, 40, x+5, 160, ink)
	}
	box(50, 40, 225, 45, ink)
	box(50, 155, 225, 160, ink)
	box(100, 90, 120, 110, white) // a light left open
	put(t, "sign.png", encoded(t, m))
	at := func(p *image.RGBA, x, y int) color.RGBA { return p.RGBAAt(x, y) }
	paint := color.RGBA{0x1a, 0x8c, 0x8c, 255}
	for _, c := range []struct {
		register            bool
		short, over, opened color.RGBA
	}{
		{false, color.RGBA{255, 255, 255, 255}, paint, color.RGBA{255, 255, 255, 255}},
		{true, paint, color.RGBA{}, color.RGBA{255, 255, 255, 255}},
	} {
		args := []string{"trace", "sign.png", "--medium", "inked", "--lay-flats", "-q"}
		if c.register {
			args = append(args, "--register-colour")
		}
		mustCall(t, args...)
		p := proof.Render(readSVG(t, "sign.svg"), 1, nil)
		if got := at(p, 58, 100); got != c.short {
			t.Errorf("registered %v: where the paint stops short lies %v, want %v", c.register, got, c.short)
		}
		if got := at(p, 250, 100); got != c.over {
			t.Errorf("registered %v: where the paint runs over lies %v, want %v", c.register, got, c.over)
		}
		if got := at(p, 110, 100); got != c.opened {
			t.Errorf("registered %v: in the light lies %v, want %v", c.register, got, c.opened)
		}
		if got := at(p, 150, 70); got != paint {
			t.Errorf("registered %v: the paint is %v", c.register, got)
		}
	}
}

func TestInkVariants(t *testing.T) {
	drawingRoom(t, "lantern.png")
	names := func(args ...string) (out []string) {
		mustCall(t, append([]string{"trace", "lantern.png", "-q"}, args...)...)
		for _, l := range readSVG(t, "lantern.svg").Layers {
			if strings.HasPrefix(l.Name, "ink") {
				out = append(out, l.Name)
			}
		}
		return out
	}
	if got := names("--ink", "one"); !slices.Equal(got, []string{"ink"}) {
		t.Errorf("in one colour: %v", got)
	}
	toned := names("--ink", "toned")
	if len(toned) < 4 {
		t.Fatalf("toned: %v", toned)
	}
	d := readSVG(t, "lantern.svg")
	byName := map[string]colour.RGB{}
	for _, l := range d.Layers {
		byName[l.Name] = l.Colour
	}
	for _, n := range toned {
		fill, ok := byName[strings.TrimPrefix(n, "ink-")]
		if n == "ink" {
			continue
		}
		if !ok || byName[n].Lab().L > fill.Lab().L-8 {
			t.Errorf("%s %s is no darker tone of %s", n, byName[n].Hex(), fill.Hex())
		}
	}
}

// TestRecolourTouchesOneAttribute compares byte by byte: of the file only the values of the fills named change.
func TestRecolourTouchesOneAttribute(t *testing.T) {
	drawingRoom(t, "lantern-ink.png")
	put(t, "way.txt", []byte("#1a8c8c teal\n#f6b93b lamp\n#d94834 red\n"))
	mustCall(t, "trace", "lantern-ink.png", "--suggest", "way.txt", "-q")
	src := string(get(t, "lantern-ink.svg"))
	put(t, "dusk.txt", []byte("#3b2a55 teal\n#101010 ink\n"))
	mustCall(t, "recolour", "lantern-ink.svg", "--colourway", "dusk.txt", "-q")
	want := src
	for name, hex := range map[string]string{"teal": "#3b2a55", "ink": "#101010"} {
		tag := regexp.MustCompile(`<g id="` + name + `" fill="(#[0-9a-f]{6})">`)
		if n := len(tag.FindAllString(src, -1)); n != 1 {
			t.Fatalf("%s is coloured in %d places", name, n)
		}
		want = tag.ReplaceAllString(want, `<g id="`+name+`" fill="`+hex+`">`)
	}
	got := string(get(t, "lantern-ink.dusk.svg"))
	if got != want {
		t.Error("more than two fills changed")
	}
	diff := 0
	for i := range got {
		if got[i] != src[i] {
			diff++
		}
	}
	if len(got) != len(src) || diff == 0 || diff > 12 {
		t.Errorf("%d bytes differ, %d against %d", diff, len(got), len(src))
	}
	mustCall(t, "recolour", "lantern-ink.dusk.svg", "--colourway", "dusk.txt", "-q", "-o", "again.svg")
	if string(get(t, "again.svg")) != got {
		t.Error("the second time something changes")
	}
}

func TestSeveralColourways(t *testing.T) {
	drawingRoom(t, "lantern.png")
	mustCall(t, "trace", "lantern.png", "-q")
	put(t, "dusk.txt", []byte("#e07a5f goldenrod\n#e27c60 darkorange\n"))
	put(t, "dawn.txt", []byte("#f2cc8f goldenrod\n"))
	r := mustCall(t, "recolour", "lantern.svg", "--colourway", "dusk.txt", "--colourway", "dawn.txt", "-o", "ways")
	if strings.Count(r.errors, "hard to tell apart") != 1 || !strings.Contains(r.errors, "hard to tell apart: darkorange #e27c60 beside goldenrod #e07a5f") {
		t.Errorf("the clash is not reported as one:\n%s", r.errors)
	}
	for _, f := range []string{"ways/lantern.dusk.svg", "ways/lantern.dawn.svg"} {
		readSVG(t, f)
	}
	m, err := png.Decode(bytes.NewReader(get(t, "ways/lantern.colourways.png")))
	if err != nil {
		t.Fatal(err)
	}
	if b := m.Bounds(); b.Dx() != wayMargin+3*(waySide+wayMargin) {
		t.Errorf("the comparison is %v", b)
	}
	// Nothing is written when one of them is bad.
	put(t, "bad.txt", []byte("#f2cc8f goldenrod\nteal\n"))
	r = call(t, nil, "recolour", "lantern.svg", "--colourway", "dusk.txt", "--colourway", "bad.txt", "-o", "none")
	if r.code != 1 || !strings.Contains(r.errors, "bad.txt:2: ") || exists("none") {
		t.Errorf("code %d, %s", r.code, r.errors)
	}
	for _, args := range [][]string{
		{"recolour", "lantern.svg", "--colourway", "dusk.txt", "--colourway", "dusk.txt"},
		{"recolour", "lantern.svg", "--colourway", "dusk.txt", "--colourway", "dawn.txt", "-o", "-"},
		{"recolour", "lantern.svg", "--colourway", "dusk.txt", "--compare", "lantern.svg"},
	} {
		if r := call(t, nil, args...); r.code != exitUsage {
			t.Errorf("%v: code %d, %s", args, r.code, r.errors)
		}
	}
}

func TestPaletteOfASet(t *testing.T) {
	drawingRoom(t, "lantern.png", "boat.png", "kettle.png")
	mustCall(t, "palette", "lantern.png", "boat.png", "-o", "set.txt")
	text := string(get(t, "set.txt"))
	for _, line := range []string{"#1d2440 ink", "#ffffff white", "#1a8c8c "} { // all of them exact
		if !strings.Contains(text, line) {
			t.Errorf("no %s in the palette:\n%s", line, text)
		}
	}
	if r := mustCall(t, "palette", "lantern.png", "boat.png", "--colours", "6"); strings.Count(r.out, "\n") > 6 {
		t.Errorf("more than 6 colours:\n%s", r.out)
	}
	// Held to one palette, the set has its colours and its names and no others.
	put(t, "named.txt", []byte("#1d2440 ink\n#ffffff paper-white\n#1a8c8c harbour-teal\n#f6b93b lamp\n#2f4a6b night\n"))
	known := map[string]string{"ink": "#1d2440", "paper-white": "#ffffff", "harbour-teal": "#1a8c8c", "lamp": "#f6b93b", "night": "#2f4a6b"}
	r := mustCall(t, "trace", "lantern.png", "boat.png", "kettle.png", "--palette", "named.txt", "-o", "out/", "--quiet")
	for _, name := range []string{"lantern", "boat", "kettle"} {
		for _, l := range readSVG(t, "out/"+name+".svg").Layers {
			if known[l.Name] != l.Colour.Hex() {
				t.Errorf("%s: layer %s %s is not of the palette", name, l.Name, l.Colour.Hex())
			}
		}
	}
	// Nothing in it is near the lantern's flame.
	if r = mustCall(t, "trace", "lantern.png", "--palette", "named.txt"); !strings.Contains(r.errors, "the palette has nothing near #ee832b: it became lamp #f6b93b, 19 away") {
		t.Errorf("no warning:\n%s", r.errors)
	}
	if r = mustCall(t, "trace", "lantern.png", "--palette", "set.txt"); strings.Contains(r.errors, "nothing near") {
		t.Errorf("a warning about its own palette:\n%s", r.errors)
	}
	// The names go on into the PDF as spot colours and into the EPS as comments.
	mustCall(t, "export", "out/lantern.svg", "-o", "l.pdf")
	mustCall(t, "export", "out/lantern.svg", "-o", "l.eps")
	if pdf := get(t, "l.pdf"); !bytes.Contains(pdf, []byte("/Separation/harbour-teal")) && !bytes.Contains(pdf, []byte("/Separation /harbour-teal")) {
		t.Error("no spot colour harbour-teal in the PDF")
	}
	if !bytes.Contains(get(t, "l.eps"), []byte("% layer: harbour-teal")) {
		t.Error("no layer harbour-teal in the EPS")
	}
	for text, want := range map[string]string{"#1d2440 ink\nlamp\n": "bad.txt:2: ", "#1d2440 ink\n#1d2440 night\n": "bad.txt:2: the colour #1d2440 appears twice"} {
		put(t, "bad.txt", []byte(text))
		if r := call(t, nil, "trace", "lantern.png", "--palette", "bad.txt"); r.code != 1 || !strings.Contains(r.errors, want) {
			t.Errorf("%q: code %d, %s", text, r.code, r.errors)
		}
	}
}

// TestNeighbours holds the search for neighbours against squares whose borders are plain.
func TestNeighbours(t *testing.T) {
	var b strings.Builder
	b.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" width="100" height="100" viewBox="0 0 100 100">`)
	for i, box := range []string{"M0 0H50V50H0z", "M50 0H100V50H50z", "M0 60H50V100H0z", "M50 50H100V100H50z"} {
		fmt.Fprintf(&b, `<g id="l%d" fill="#%02x0000"><path d="%s"/></g>`, i, 16*i+5, box)
	}
	b.WriteString("</svg>")
	d, err := svgout.Read(strings.NewReader(b.String()))
	if err != nil {
		t.Fatal(err)
	}
	// 0|1 share a side, 1|3 as well, 2|3 as well; 0 and 2 lie apart, 0 and 3 touch at a corner.
	if got, want := fmt.Sprint(neighbours(d)), "[[0 1] [1 3] [2 3]]"; got != want {
		t.Errorf("neighbours %s, want %s", got, want)
	}
}
