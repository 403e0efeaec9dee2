package svgout_test

import (
	"bytes"
	"encoding/json"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/proof"
)

// absent skips the test because a tool is not there; on the continuous integration machine, where all tools are, it
// fails it.
func absent(t *testing.T, tool string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed", tool)
	}
	t.Skipf("%s is not installed", tool)
}

// rsvg renders with librsvg (Debian's librsvg2-bin).
func rsvg(t *testing.T, file string, width, height int) image.Image {
	t.Helper()
	tool, err := exec.LookPath("rsvg-convert")
	if err != nil {
		absent(t, "rsvg-convert (librsvg)")
	}
	// Both sides are asked for: millimetres are rounded, and librsvg rounds what they give up to the next pixel.
	return decode(t, exec.Command(tool, "--width", strconv.Itoa(width), "--height", strconv.Itoa(height), "--background-color", "white", file))
}

// resvg renders with resvg (npm package @resvg/resvg-js), which Node finds by NODE_PATH.
func resvg(t *testing.T, file string, width, _ int) image.Image {
	t.Helper()
	node, err := exec.LookPath("node")
	if err != nil {
		absent(t, "node (for @resvg/resvg-js)")
	}
	if exec.Command(node, "-e", "require('@resvg/resvg-js')").Run() != nil {
		absent(t, "@resvg/resvg-js (npm; NODE_PATH names the node_modules folder it is in)")
	}
	return decode(t, exec.Command(node, "-e", `
		const {Resvg} = require('@resvg/resvg-js');
		const r = new Resvg(require('fs').readFileSync(process.argv[1]), {
			background: 'white', fitTo: {mode: 'width', value: +process.argv[2]}, font: {loadSystemFonts: false}});
		process.stdout.write(r.render().asPng())`, file, strconv.Itoa(width)))
}

func decode(t *testing.T, c *exec.Cmd) image.Image {
	t.Helper()
	var out, words bytes.Buffer
	c.Stdout, c.Stderr = &out, &words
	if err := c.Run(); err != nil {
		t.Fatalf("%v: %v\n%s", c.Args, err, words.String())
	}
	img, err := png.Decode(&out)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// harbour draws waves, ropes and buoys of many sizes with a fixed unsteady hand: every kind of command, holes, points
// beyond the border, shapes below a pixel.
func harbour() *trace.Drawing {
	r := rand.New(rand.NewPCG(21, 0))
	pt := func(x, y, wobble float64) fit.Point {
		return fit.Point{X: x + wobble*(r.Float64()-0.5), Y: y + wobble*(r.Float64()-0.5)}
	}
	blob := func(x, y, a float64) fit.Path { // smooth, clockwise, seven knots
		const n = 7
		var knots [n]fit.Point
		for i := range knots {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / n)
			knots[i] = pt(x+a*cos, y+a*sin, a/3)
		}
		p := fit.Path{Closed: true}
		for i := range knots {
			dir := func(i int) fit.Point { return knots[(i+1)%n].Sub(knots[(i+n-1)%n]).Mul(1.0 / 6) }
			p.Segments = append(p.Segments, fit.CubicTo(knots[i], knots[i].Add(dir(i)), knots[(i+1)%n].Sub(dir((i+1)%n)), knots[(i+1)%n]))
		}
		return p
	}
	lines := func(pts ...fit.Point) fit.Path {
		p := fit.Path{Closed: true}
		for i := range pts {
			p.Segments = append(p.Segments, fit.LineTo(pts[i], pts[(i+1)%len(pts)]))
		}
		return p
	}
	d := &trace.Drawing{Width: 320, Height: 240, DPI: 300, Meta: trace.Meta{
		Title: `Bell & "buoy" <7>`, Description: "Two lines,\none drawing.", Creator: "harbour office", Rights: "CC0",
		Keywords: []string{"buoy", "عوامة", "浮標"}}}
	var sea, buoys, rope []trace.Shape
	sea = append(sea, trace.Shape{Rings: []fit.Path{lines(pt(-10, 150, 9), pt(330, 140, 9), pt(330, 260, 9), pt(-10, 260, 9))}})
	for i := range 12 {
		x, y, a := 30+float64(i%4)*85, 35+float64(i/4)*80, 4+2.6*float64(i)
		buoys = append(buoys, trace.Shape{Rings: []fit.Path{blob(x, y, a), blob(x, y, a*0.45).Reverse()}})
	}
	for i := range 20 {
		x := 8 + 15.3*float64(i)
		rope = append(rope, trace.Shape{Rings: []fit.Path{lines(pt(x, 110, 2), pt(x+9, 112, 2), pt(x+7, 118, 2), pt(x+0.6, 121, 2))}},
			trace.Shape{Rings: []fit.Path{blob(x, 228, 0.3+0.1*float64(i))}})
	}
	d.Layers = []trace.Layer{
		{Name: "steelblue", Colour: colour.RGB{R: 0x46, G: 0x82, B: 0xb4}, Shapes: sea},
		{Name: "firebrick", Colour: colour.RGB{R: 0xb2, G: 0x22, B: 0x22}, Shapes: buoys},
		{Name: "ink", Colour: colour.RGB{R: 0x20, G: 0x1c, B: 0x1c}, Shapes: rope},
	}
	return d
}

// TestRenderers renders a file with renderers of other houses and compares with our own rendering of the drawing
// itself: so both the writer and the renderer are held to what the rest of the world makes of the file.
func TestRenderers(t *testing.T) {
	d := harbour()
	file := filepath.Join(t.TempDir(), "harbour.svg")
	var b bytes.Buffer
	if err := svgout.Write(&b, d, svgout.Options{}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		render func(*testing.T, string, int, int) image.Image
		// Limits in 8-bit levels, measured and widened by half: renderers tell coverage by few subsamples a pixel
		// (from memory: librsvg's by 15 rows, resvg's by 4), ours by area.
		mean float64
		much int
	}{{"librsvg", rsvg, 0.14, 40}, {"resvg", resvg, 0.24, 60}} {
		t.Run(c.name, func(t *testing.T) {
			for _, scale := range []int{1, 3} {
				want := proof.Render(d, float64(scale), color.White)
				img := c.render(t, file, want.Rect.Dx(), want.Rect.Dy())
				if img.Bounds() != want.Rect {
					t.Fatalf("%d x the size: %v, want %v", scale, img.Bounds(), want.Rect)
				}
				got := image.NewRGBA(want.Rect)
				draw.Draw(got, got.Rect, img, image.Point{}, draw.Src)
				sum, worst := 0, 0
				var at image.Point
				for i := range got.Pix {
					e := int(got.Pix[i]) - int(want.Pix[i])
					e = max(e, -e)
					if sum += e; e > worst {
						worst, at = e, image.Pt(i/4%want.Rect.Dx(), i/4/want.Rect.Dx())
					}
				}
				mean := float64(sum) / float64(len(got.Pix))
				t.Logf("%d x the size: mean difference %.3f levels, worst %d at %v", scale, mean, worst, at)
				if mean > c.mean || worst > c.much {
					t.Errorf("%d x the size: mean difference %.3f levels, worst %d at %v, want %v and %d", scale, mean, worst, at, c.mean, c.much)
				}
			}
		})
	}
}

// TestMetadata reads title, description, author, rights and keywords back with ExifTool (Debian's
// libimage-exiftool-perl), which reads XMP in SVG.
func TestMetadata(t *testing.T) {
	tool, err := exec.LookPath("exiftool")
	if err != nil {
		absent(t, "exiftool")
	}
	var b bytes.Buffer
	d := harbour()
	if err := svgout.Write(&b, d, svgout.Options{}); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(tool, "-j", "-XMP-dc:all", "-SVG:all", "-")
	c.Stdin = &b
	out, err := c.Output()
	if err != nil {
		t.Fatal(err)
	}
	var all []struct {
		Title, Description, Creator, Rights, Format, Desc, ImageWidth, ViewBox string
		Subject                                                                []string
	}
	if err := json.Unmarshal(out, &all); err != nil || len(all) != 1 {
		t.Fatalf("%v\n%s", err, out)
	}
	got := all[0]
	m := d.Meta
	if got.Title != m.Title || got.Creator != m.Creator || got.Rights != m.Rights || !reflect.DeepEqual(got.Subject, m.Keywords) ||
		got.Format != "image/svg+xml" || got.ImageWidth != "27.0933mm" || got.ViewBox != "0 0 320 240" {
		t.Errorf("got %+v, want %+v", got, m)
	}
	for _, s := range []string{got.Description, got.Desc} { // it prints a line feed as a point
		if strings.ReplaceAll(s, ".", "\n") != strings.ReplaceAll(m.Description, ".", "\n") {
			t.Errorf("description %q, want %q", s, m.Description)
		}
	}
}
