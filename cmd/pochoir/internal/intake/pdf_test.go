package intake

import (
	"bytes"
	"compress/zlib"
	"errors"
	"fmt"
	"image/jpeg"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"pochoir/trace/paper"
)

// jpeg.pdf, fax.pdf and pages.pdf were written by Pillow 9.4 from scene.png at 200 dots an inch.

// pdfPageSource is one page: the XObject entries of its resources, its content and its Rotate.
type pdfPageSource struct {
	images, content string
	rotate          int
}

// buildPDF makes a file of pages of w by h points; the objects given have numbers from 3 on.
func buildPDF(w, h int, pages []pdfPageSource, objects ...string) []byte {
	var b bytes.Buffer
	var offsets []int
	object := func(body string) {
		offsets = append(offsets, b.Len())
		fmt.Fprintf(&b, "%d 0 obj\n%s\nendobj\n", len(offsets), body)
	}
	b.WriteString("%PDF-1.4\n")
	var kids []string
	first := 3 + len(objects)
	for i := range pages {
		kids = append(kids, fmt.Sprintf("%d 0 R", first+2*i))
	}
	object("<< /Type /Catalog /Pages 2 0 R >>")
	object(fmt.Sprintf("<< /Type /Pages /Kids [%s] /Count %d >>", strings.Join(kids, " "), len(pages)))
	for _, o := range objects {
		object(o)
	}
	for i, p := range pages {
		object(fmt.Sprintf("<< /Type /Page /Parent 2 0 R /MediaBox [0 0 %d %d] /Rotate %d /Resources << /XObject << %s >> >> /Contents %d 0 R >>",
			w, h, p.rotate, p.images, first+2*i+1))
		object(fmt.Sprintf("<< /Length %d >>\nstream\n%s\nendstream", len(p.content), p.content))
	}
	start := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(offsets)+1)
	for _, o := range offsets {
		fmt.Fprintf(&b, "%010d 00000 n \n", o)
	}
	fmt.Fprintf(&b, "trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n", len(offsets)+1, start)
	return b.Bytes()
}

// rawImage is an uncompressed picture as a PDF object.
func rawImage(pic *paper.Picture) string {
	var rgb strings.Builder
	for i := 0; i < len(pic.Pix); i += 4 {
		rgb.Write(pic.Pix[i : i+3])
	}
	return fmt.Sprintf("<< /Type /XObject /Subtype /Image /Width %d /Height %d /ColorSpace /DeviceRGB /BitsPerComponent 8 /Length %d >>\nstream\n%s\nendstream",
		pic.W, pic.H, rgb.Len(), rgb.String())
}

func TestScansInPDF(t *testing.T) {
	img, err := jpeg.Decode(bytes.NewReader(embeddedJPEG(t, readFile(t, "jpeg.pdf"))))
	if err != nil {
		t.Fatal(err)
	}
	got := open(t, "jpeg.pdf")
	if d := worst(t, got, asPicture(img)); d != 0 || !got.Lossy {
		t.Errorf("jpeg.pdf: not the file's own JPEG, off by %d levels, lossy %t", d, got.Lossy)
	}
	if d := got.DPI - 200; d > 0.5 || d < -0.5 || got.Format != "pdf" {
		t.Errorf("jpeg.pdf: %g dots an inch, format %s", got.DPI, got.Format)
	}
	bilevel := open(t, "bilevel.bmp")
	if d := worst(t, bilevel, open(t, "fax.pdf")); d != 0 {
		t.Errorf("fax.pdf: off by %d levels", d)
	}
	f, err := OpenFile(filepath.Join("testdata", "pages.pdf"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if f.Pages() != 3 {
		t.Fatalf("%d pages, want 3", f.Pages())
	}
	if pic, err := f.Page(2); err != nil || worst(t, bilevel, pic) != 0 {
		t.Errorf("page 3: %v", err)
	}
}

// packedImage is a picture as a PDF object, its samples packed by Flate.
func packedImage(t *testing.T, w, h, bits int, space string, samples []byte) string {
	t.Helper()
	var z bytes.Buffer
	c := zlib.NewWriter(&z)
	if _, err := c.Write(samples); err != nil {
		t.Fatal(err)
	}
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("<< /Type /XObject /Subtype /Image /Width %d /Height %d /ColorSpace %s /BitsPerComponent %d /Filter /FlateDecode /Length %d >>\nstream\n%s\nendstream",
		w, h, space, bits, z.Len(), z.String())
}

func TestPackedScansInPDF(t *testing.T) {
	for name, c := range map[string]struct {
		bits    int
		space   string
		samples []byte
		want    [2]uint8 // first channel of both pixels
	}{
		"colours":        {8, "/DeviceRGB", []byte{200, 80, 60, 9, 8, 7}, [2]uint8{200, 9}},
		"greys":          {8, "/DeviceGray", []byte{200, 9}, [2]uint8{200, 9}},
		"black or white": {1, "/DeviceGray", []byte{0x40}, [2]uint8{0, 255}},
		"a palette":      {8, "[/Indexed /DeviceRGB 1 <0a0b0cc8503c>]", []byte{1, 0}, [2]uint8{200, 10}},
	} {
		file := buildPDF(2, 1, []pdfPageSource{{"/Im0 3 0 R", "2 0 0 1 0 0 cm /Im0 Do", 0}}, packedImage(t, 2, 1, c.bits, c.space, c.samples))
		pic, err := Open("-", Options{Stdin: bytes.NewReader(file)})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if pic.W != 2 || pic.H != 1 || pic.Pix[0] != c.want[0] || pic.Pix[4] != c.want[1] || pic.Lossy {
			t.Errorf("%s: %d x %d px, %v, want %v", name, pic.W, pic.H, pic.Pix, c.want)
		}
	}
}

// embeddedJPEG cuts a JPEG out of a PDF by its markers.
func embeddedJPEG(t *testing.T, file []byte) []byte {
	t.Helper()
	i, j := bytes.Index(file, []byte("\xff\xd8\xff")), bytes.LastIndex(file, []byte("\xff\xd9"))
	if i < 0 || j < i {
		t.Fatal("no JPEG in the file")
	}
	return file[i : j+2]
}

// TestPlacementAgainstPoppler has pages painted by poppler, an independent reader: the scan must lie the same way.
func TestPlacementAgainstPoppler(t *testing.T) {
	tool, err := exec.LookPath("pdftoppm")
	if err != nil {
		missing(t, "pdftoppm (Debian: poppler-utils)")
	}
	scene := open(t, "scene.png")
	w, h := scene.W, scene.H
	object := rawImage(scene)
	for _, c := range []struct {
		cm       string
		w, h     int
		rotate   int
		wantTurn int
	}{
		{fmt.Sprintf("%d 0 0 %d 0 0", w, h), w, h, 0, 1},
		{fmt.Sprintf("%d 0 0 %d %d 0", -w, h, w), w, h, 0, 2},
		{fmt.Sprintf("%d 0 0 %d %d %d", -w, -h, w, h), w, h, 0, 3},
		{fmt.Sprintf("%d 0 0 %d 0 %d", w, -h, h), w, h, 0, 4},
		{fmt.Sprintf("0 %d %d 0 %d %d", -w, -h, h, w), h, w, 0, 5},
		{fmt.Sprintf("0 %d %d 0 0 %d", -w, h, w), h, w, 0, 6},
		{fmt.Sprintf("0 %d %d 0 0 0", w, h), h, w, 0, 7},
		{fmt.Sprintf("0 %d %d 0 %d 0", w, -h, h), h, w, 0, 8},
		{fmt.Sprintf("%d 0 0 %d 0 0", w, h), w, h, 90, 6},
		{fmt.Sprintf("%d 0 0 %d 0 0", w, h), w, h, 180, 3},
		{fmt.Sprintf("%d 0 0 %d 0 0", w, h), w, h, 270, 8},
		{fmt.Sprintf("0 %d %d 0 %d 0", w, -h, h), h, w, 90, 1},
	} {
		content := "q 0.5 0 0 0.5 0 0 cm Q q 1 0 0 1 0 0 cm " + c.cm + " cm /Im0 Do Q"
		file := buildPDF(c.w, c.h, []pdfPageSource{{"/Im0 3 0 R", content, c.rotate}}, object)
		in, err := OpenFile("-", Options{Stdin: bytes.NewReader(file)})
		if err != nil {
			t.Fatal(err)
		}
		if in.pages[0].turn != c.wantTurn {
			t.Errorf("%s, turned by %d: orientation %d, want %d", c.cm, c.rotate, in.pages[0].turn, c.wantTurn)
		}
		got, err := in.Page(0)
		if err != nil {
			t.Fatal(err)
		}
		if d := worst(t, got, upright(scene, c.wantTurn)); d != 0 {
			t.Errorf("%s, turned by %d: off by %d levels", c.cm, c.rotate, d)
		}
		dir := t.TempDir()
		path := filepath.Join(dir, "x.pdf")
		if err := writeFile(path, file); err != nil {
			t.Fatal(err)
		}
		if b, err := exec.Command(tool, "-r", "288", "-png", "-singlefile", path, filepath.Join(dir, "x")).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, b)
		}
		b, err := os.ReadFile(filepath.Join(dir, "x.png"))
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		// Painted four times larger, of each pixel the middle: poppler lets edges of pictures run over.
		big := asPicture(img)
		painted := &paper.Picture{W: got.W, H: got.H, Pix: make([]uint8, len(got.Pix))}
		for y := range got.H {
			for x := range got.W {
				copy(painted.Pix[4*(y*got.W+x):], big.Pix[4*((4*y+2)*big.W+4*x+2):][:4])
			}
		}
		if d := worst(t, got, painted); d > 2 {
			t.Errorf("%s, turned by %d: off by %d levels from what poppler paints", c.cm, c.rotate, d)
		}
	}
}

func TestPDFPagesWithoutScan(t *testing.T) {
	scene := open(t, "scene.png")
	object := rawImage(scene)
	place := "37 0 0 23 0 0 cm /Im0 Do"
	file := buildPDF(37, 23, []pdfPageSource{
		{"/Im0 3 0 R", place, 0},
		{"", "0 0 10 10 re f", 0},
		{"/Im0 3 0 R /Im1 4 0 R", place + " /Im1 Do", 0},
	}, object, rawImage(upright(scene, 5)))
	f, err := OpenFile("-", Options{Stdin: bytes.NewReader(file)})
	if err != nil {
		t.Fatal(err)
	}
	if pic, err := f.Page(0); err != nil || worst(t, pic, scene) != 0 {
		t.Errorf("page 1: %v", err)
	}
	for n, want := range map[int]string{1: "page 2 holds no scan", 2: "page 3 holds 2 pictures"} {
		_, err := f.Page(n)
		var own *Error
		if !errors.As(err, &own) || !errors.Is(err, ErrUnsupported) || !strings.Contains(err.Error(), want) || own.Hint == "" {
			t.Errorf("page %d: %v, want … %s …", n+1, err, want)
		}
	}
	great := strings.Replace(object, "/Width 37 /Height 23", "/Width 100000 /Height 100000", 1)
	if _, err := Open("-", Options{Stdin: bytes.NewReader(buildPDF(37, 23, []pdfPageSource{{"/Im0 3 0 R", place, 0}}, great))}); !errors.Is(err, ErrTooLarge) {
		t.Errorf("a great promise: %v", err)
	}
	for _, bad := range []string{"%PDF-1.4\n", "%PDF-1.4\nrubbish\n%%EOF"} {
		if _, err := Open("-", Options{Stdin: strings.NewReader(bad)}); err == nil {
			t.Errorf("%q opens", bad)
		} else {
			checkError(t, err)
		}
	}
}
