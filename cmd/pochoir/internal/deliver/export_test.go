package deliver

import (
	"bytes"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sort"
	"strings"
	"testing"

	"github.com/pdfcpu/pdfcpu/pkg/api"
	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu/model"

	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/proof"
)

// drawings returns the test drawings by name.
func drawings(t *testing.T) map[string]*trace.Drawing {
	t.Helper()
	out := map[string]*trace.Drawing{}
	for _, name := range []string{"lantern", "buoy"} {
		f, err := os.Open(filepath.Join("testdata", name+".svg"))
		if err != nil {
			t.Fatal(err)
		}
		d, err := svgout.Read(f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		out[name] = d
	}
	return out
}

// tool finds an outside program, or skips the test: where CI is set it fails instead.
func tool(t *testing.T, name, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed (Debian package %s)", name, pkg)
	}
	t.Skipf("%s is not installed (Debian package %s)", name, pkg)
	return ""
}

func export(t *testing.T, d *trace.Drawing, f Format, opt Options) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Export(&b, d, f, opt); err != nil {
		t.Fatalf("%s: %v", f.Ending(), err)
	}
	return b.Bytes()
}

func save(t *testing.T, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b, 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", filepath.Base(name), err, out)
	}
	return string(out)
}

func open(t *testing.T, path string) image.Image {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, _, err := image.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// difference is the mean absolute difference of two pictures over pixels and channels, in levels of 255, and the share
// of pixels that differ by more than 64 in a channel.
func difference(t *testing.T, a, b image.Image) (mean, far float64) {
	t.Helper()
	if a.Bounds().Size() != b.Bounds().Size() {
		t.Fatalf("pictures of %v and %v", a.Bounds().Size(), b.Bounds().Size())
	}
	size := a.Bounds().Size()
	n := 0
	for y := range size.Y {
		for x := range size.X {
			p := color.RGBAModel.Convert(a.At(a.Bounds().Min.X+x, a.Bounds().Min.Y+y)).(color.RGBA)
			q := color.RGBAModel.Convert(b.At(b.Bounds().Min.X+x, b.Bounds().Min.Y+y)).(color.RGBA)
			worst := 0.0
			for _, v := range []float64{float64(p.R) - float64(q.R), float64(p.G) - float64(q.G), float64(p.B) - float64(q.B)} {
				mean += math.Abs(v)
				worst = max(worst, math.Abs(v))
			}
			if worst > 64 {
				n++
			}
		}
	}
	total := float64(size.X * size.Y)
	return mean / (3 * total), float64(n) / total
}

// forTest sets a drawing area of one point a pixel, which both programs render without rounding of the page.
func (o Options) forTest(d *trace.Drawing) Options {
	o.Area = d.Width * d.Height
	return o
}

// more names a folder of further drawings to render: go test -run Rendering -args -drawings FOLDER
var more = flag.String("drawings", "", "folder of SVG files that TestVectorRendering and TestPreview take in, too")

// harbour returns the hand-made drawings and the pictures of the demo, whose true vectors are known: every one where CI
// is set, else each third, for time.
func harbour(t *testing.T) (names []string, all map[string]*trace.Drawing) {
	t.Helper()
	all = map[string]*trace.Drawing{}
	for name, d := range drawings(t) {
		all["hand-"+name] = d
	}
	for i, object := range demo.Objects() {
		for kind := demo.Inked; kind <= demo.Ink; kind++ {
			p, ok := demo.Draw(object, kind)
			if !ok {
				t.Fatalf("no drawing %s", object)
			}
			if os.Getenv("CI") == "true" || (i+int(kind))%3 == 0 {
				all[p.Name] = p.Drawing
			}
		}
	}
	if *more != "" {
		files, err := filepath.Glob(filepath.Join(*more, "*.svg"))
		if err != nil || len(files) == 0 {
			t.Fatalf("no drawings in %s (%v)", *more, err)
		}
		for _, path := range files {
			f, err := os.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			d, err := svgout.Read(f)
			f.Close()
			if err != nil {
				t.Fatalf("%s: %v", path, err)
			}
			all["more-"+strings.TrimSuffix(filepath.Base(path), ".svg")] = d
		}
	}
	for name := range all {
		names = append(names, name)
	}
	sort.Strings(names)
	return names, all
}

// shrink averages squares of n by n pixels.
func shrink(m image.Image, n int) image.Image {
	src := image.NewRGBA(image.Rectangle{Max: m.Bounds().Size()})
	draw.Draw(src, src.Rect, m, m.Bounds().Min, draw.Src)
	out := image.NewRGBA(image.Rect(0, 0, src.Rect.Dx()/n, src.Rect.Dy()/n))
	for y := range out.Rect.Dy() {
		for x := range out.Rect.Dx() {
			var sum [4]int
			for j := range n {
				row := src.Pix[(y*n+j)*src.Stride+4*x*n:]
				for i := range n {
					for c := range sum {
						sum[c] += int(row[4*i+c])
					}
				}
			}
			for c, v := range sum {
				out.Pix[y*out.Stride+4*x+c] = uint8((v + n*n/2) / (n * n))
			}
		}
	}
	return out
}

// TestVectorRendering renders EPS with Ghostscript and PDF with Ghostscript and poppler and compares with our own
// renderer. Both programs sample, and Ghostscript fills every pixel that a shape touches, as PostScript wants it; so they
// render four times as large as they are compared.
func TestVectorRendering(t *testing.T) {
	const scale = 4
	names, all := harbour(t)
	var worst, farthest float64
	for _, name := range names {
		d := all[name]
		want := proof.Render(d, 1, color.White)
		eps := save(t, name+".eps", export(t, d, EPS, Options{}.forTest(d)))
		pdf := save(t, name+".pdf", export(t, d, PDF, Options{}.forTest(d)))
		for _, c := range []struct {
			tool, pkg string
			render    func(program, out string) string // returns the picture's path
		}{
			{"gs", "ghostscript", func(gs, out string) string {
				run(t, gs, "-q", "-dSAFER", "-dBATCH", "-dNOPAUSE", "-sDEVICE=png16m", "-dEPSCrop", "-dGraphicsAlphaBits=4",
					fmt.Sprint("-r", 72*scale), "-sOutputFile="+out+".png", eps)
				return out + ".png"
			}},
			{"gs", "ghostscript", func(gs, out string) string {
				run(t, gs, "-q", "-dSAFER", "-dBATCH", "-dNOPAUSE", "-sDEVICE=png16m", "-dGraphicsAlphaBits=4",
					fmt.Sprint("-r", 72*scale), "-sOutputFile="+out+".png", pdf)
				return out + ".png"
			}},
			{"pdftoppm", "poppler-utils", func(p, out string) string {
				run(t, p, "-png", "-singlefile", "-r", fmt.Sprint(72*scale), pdf, out)
				return out + ".png"
			}},
		} {
			t.Run(name+"-"+c.tool, func(t *testing.T) {
				got := open(t, c.render(tool(t, c.tool, c.pkg), filepath.Join(t.TempDir(), "page")))
				mean, far := difference(t, want, shrink(got, scale))
				t.Logf("mean difference %.3f of 255, %.3f %% of the pixels far off", mean, 100*far)
				worst, farthest = max(worst, mean), max(farthest, far)
				if mean > 0.6 || far > 0.0005 {
					t.Errorf("mean difference %.3f of 255, %.3f %% of the pixels far off", mean, 100*far)
				}
			})
		}
	}
	t.Logf("%d drawings: at worst a mean difference of %.3f of 255, %.4f %% of the pixels far off", len(names), worst, 100*farthest)
}

// epsOperators are the operators an EPS of ours may use: level 2 at most, and closed fills only.
var epsOperators = map[string]bool{"gsave": true, "grestore": true, "setrgbcolor": true, "moveto": true, "lineto": true,
	"curveto": true, "closepath": true, "fill": true, "showpage": true, "currentfile": true, "filter": true,
	"flushfile": true, "/SubFileDecode": true}

// TestEPSRules checks what Technical Note 5002 and the structuring conventions ask for: header, comments in the header,
// bounding box, line length, seven bits; and that no operator but the few stands in the file, among them none of those
// that section 2.3 of the note forbids.
func TestEPSRules(t *testing.T) {
	for name, d := range drawings(t) {
		d.Meta.Title = strings.Repeat(`Täuschend (echt) \ 東京 `, 400)
		text := string(export(t, d, EPS, Options{}))
		if !strings.HasPrefix(text, "%!PS-Adobe-3.0 EPSF-3.0\n") {
			t.Errorf("%s: first line %q", name, text[:40])
		}
		for i := range len(text) {
			if c := text[i]; c > 0x7e || c < 0x20 && c != '\n' {
				t.Fatalf("%s: byte %#x at %d", name, c, i)
			}
		}
		header, body, ok := strings.Cut(text, "%%EndComments\n")
		if !ok {
			t.Fatalf("%s: no %%%%EndComments", name)
		}
		var x0, y0, x1, y1 int
		box := regexp.MustCompile(`(?m)^%%BoundingBox: (.*)$`).FindAllStringSubmatch(text, -1)
		if len(box) != 1 {
			t.Fatalf("%s: %d bounding boxes", name, len(box))
		}
		if n, err := fmt.Sscan(box[0][1], &x0, &y0, &x1, &y1); n != 4 || err != nil || x0 != 0 || y0 != 0 {
			t.Errorf("%s: bounding box %q", name, box[0][1])
		}
		if a := float64(x1 * y1); math.Abs(a-DefaultArea) > 0.002*DefaultArea {
			t.Errorf("%s: area %g, want %g", name, a, DefaultArea)
		}
		for _, key := range []string{"%%HiResBoundingBox: ", "%%Creator: ", "%%Title: (", "%%LanguageLevel: 2\n", "%%DocumentData: Clean7Bit\n"} {
			if !strings.Contains(header, key) {
				t.Errorf("%s: no %q in the header", name, key)
			}
		}
		if !strings.HasSuffix(text, "%%EOF\n") {
			t.Errorf("%s: no %%%%EOF at the end", name)
		}
		// The packet is data, whose lines may be long; all else keeps to 255 bytes.
		before, rest, ok1 := strings.Cut(body, "%%BeginData: ")
		data, after, ok2 := strings.Cut(rest, "\n%%EndData\n")
		if !ok1 || !ok2 {
			t.Fatalf("%s: no packet", name)
		}
		var length int
		fmt.Sscan(data, &length)
		_, data, _ = strings.Cut(data, "\n")
		if length != len(data)+1 {
			t.Errorf("%s: the packet's comment says %d bytes, there are %d", name, length, len(data)+1)
		}
		for _, part := range []string{header, before, after} {
			for _, line := range strings.Split(part, "\n") {
				if len(line) > 255 {
					t.Errorf("%s: a line of %d bytes: %.60s", name, len(line), line)
				}
			}
		}
		layers := 0
		for _, line := range strings.Split(before+after, "\n") {
			if strings.HasPrefix(line, "% layer: ") {
				layers++
			}
			if strings.HasPrefix(line, "%") {
				continue
			}
			for _, word := range strings.Fields(line) {
				var v float64
				if _, err := fmt.Sscan(word, &v); err == nil {
					continue
				}
				if !epsOperators[word] {
					t.Errorf("%s: operator %q", name, word)
				}
			}
		}
		if layers != len(d.Layers) {
			t.Errorf("%s: %d layers in comments, want %d", name, layers, len(d.Layers))
		}
		shapes := strings.Count(text, "\nfill\n")
		want := 0
		for _, l := range d.Layers {
			want += len(l.Shapes)
		}
		if shapes != want {
			t.Errorf("%s: %d fills, want %d", name, shapes, want)
		}
	}
}

// TestPDFObjects has the PDF library read and validate the file, and looks for the spot colours and layers in it.
func TestPDFObjects(t *testing.T) {
	api.DisableConfigDir()
	for name, d := range drawings(t) {
		d.Layers[0].Name = "sea-blue-2"
		b := export(t, d, PDF, Options{})
		ctx, err := api.ReadValidateAndOptimize(bytes.NewReader(b), model.NewDefaultConfiguration())
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if ctx.PageCount != 1 {
			t.Errorf("%s: %d pages", name, ctx.PageCount)
		}
		for i, l := range d.Layers {
			if !bytes.Contains(b, []byte("[/Separation/"+l.Name+"/DeviceRGB")) {
				t.Errorf("%s: layer %d, %s, is no spot colour with an RGB alternate", name, i, l.Name)
			}
		}
		if n := bytes.Count(b, []byte("/Type/OCG")); n != len(d.Layers) {
			t.Errorf("%s: %d optional content groups, want %d", name, n, len(d.Layers))
		}
		page, err := ctx.PageDims()
		if err != nil || math.Abs(page[0].Width*page[0].Height-DefaultArea) > 1 {
			t.Errorf("%s: page %v (%v)", name, page, err)
		}
	}
}

// TestPDFOutside asks qpdf for the file's soundness and poppler for what it says of itself.
func TestPDFOutside(t *testing.T) {
	d := drawings(t)["lantern"]
	d.Meta.Title = "Lantern 🛟 of the 港"
	path := save(t, "lantern.pdf", export(t, d, PDF, Options{}))
	t.Run("qpdf", func(t *testing.T) { run(t, tool(t, "qpdf", "qpdf"), "--check", path) })
	t.Run("pdfinfo", func(t *testing.T) {
		info := run(t, tool(t, "pdfinfo", "poppler-utils"), "-enc", "UTF-8", path)
		for _, want := range []string{"Title:           " + d.Meta.Title, "Metadata Stream: yes", "Pages:           1",
			"PDF version:     1.5"} {
			if !strings.Contains(info, want) {
				t.Errorf("no %q in\n%s", want, info)
			}
		}
	})
}

// TestPreview holds the JPEG against our renderer: it must look exactly like the vector.
func TestPreview(t *testing.T) {
	names, all := harbour(t)
	for _, name := range names {
		d := all[name]
		opt := Options{Megapixels: 1}
		b := export(t, d, JPEG, opt)
		got, err := jpeg.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		want := proof.Render(d, math.Sqrt(1e6/(d.Width*d.Height)), color.White)
		mean, far := difference(t, want, got)
		t.Logf("%s: mean difference %.3f of 255", name, mean)
		if mean > 0.6 || far > 0 {
			t.Errorf("%s: mean difference %.3f of 255, %.3f %% of the pixels far off", name, mean, 100*far)
		}
		if got.Bounds() != want.Bounds() {
			t.Errorf("%s: %v, want %v", name, got.Bounds(), want.Bounds())
		}
	}
}

func TestPNG(t *testing.T) {
	d := drawings(t)["buoy"]
	got, err := png.Decode(bytes.NewReader(export(t, d, PNG, Options{Megapixels: 0.25})))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, _, a := got.At(1, 1).RGBA(); a != 0 {
		t.Errorf("the corner is not transparent: alpha %d", a)
	}
	paper := colour.RGB{R: 250, G: 240, B: 230}
	got, err = png.Decode(bytes.NewReader(export(t, d, PNG, Options{Megapixels: 0.25, Ground: &paper})))
	if err != nil {
		t.Fatal(err)
	}
	if r, g, b, a := got.At(1, 1).RGBA(); r>>8 != 250 || g>>8 != 240 || b>>8 != 230 || a != 0xffff {
		t.Errorf("the corner shows %d %d %d %d, not the paper", r>>8, g>>8, b>>8, a>>8)
	}
	want := proof.Render(d, math.Sqrt(0.25e6/(d.Width*d.Height)), color.RGBA{250, 240, 230, 255})
	if mean, _ := difference(t, want, got); mean != 0 {
		t.Errorf("differs from the renderer by %.3f", mean)
	}
}

func TestSameBytes(t *testing.T) {
	d := drawings(t)["lantern"]
	for _, f := range []Format{SVG, EPS, PDF, PNG, JPEG} {
		a, b := export(t, d, f, Options{Megapixels: 0.1}), export(t, d, f, Options{Megapixels: 0.1})
		if !bytes.Equal(a, b) {
			t.Errorf("%s: two exports differ", f.Ending())
		}
	}
}

func TestExportRefusals(t *testing.T) {
	good := drawings(t)["buoy"]
	nan := *good
	nan.Layers = []trace.Layer{{Name: "teal", Shapes: []trace.Shape{{Rings: []fit.Path{{Segments: []fit.Segment{
		fit.LineTo(fit.Point{X: math.NaN()}, fit.Point{}), fit.LineTo(fit.Point{}, fit.Point{X: 1})}}}}}}}
	flat := *good
	flat.Height = 0
	loud := *good
	loud.Meta.Title = "bell\a"
	long := *good
	long.Meta.Description = strings.Repeat("so long ", 9000)
	for _, c := range []struct {
		d    *trace.Drawing
		f    Format
		opt  Options
		want string
	}{
		{&nan, EPS, Options{}, "layer teal"},
		{&flat, PDF, Options{}, "drawing area of 360 x 0"},
		{&loud, EPS, Options{}, "title holds the control character U+0007"},
		{&long, JPEG, Options{}, "too long for a JPEG"},
		{good, EPS, Options{Area: 10}, "drawing area of 10 square units"},
		{good, PNG, Options{Megapixels: 1e4}, "10000 megapixels"},
		{good, JPEG, Options{Quality: 101}, "quality 101"},
	} {
		var b bytes.Buffer
		err := Export(&b, c.d, c.f, c.opt)
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: error %v, want one line with %q", c.f.Ending(), err, c.want)
		}
	}
}

func TestFormatOf(t *testing.T) {
	for path, want := range map[string]Format{"a.svg": SVG, "b/c.EPS": EPS, "x.pdf": PDF, "y.Png": PNG, "z.jpeg": JPEG, "z.jpg": JPEG} {
		if got, err := FormatOf(path); err != nil || got != want {
			t.Errorf("%s: %v, %v", path, got, err)
		}
	}
	if _, err := FormatOf("boat.tiff"); err == nil {
		t.Error("boat.tiff has a format")
	}
}
