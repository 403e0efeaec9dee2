package intake

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/draw"
	"image/gif"
	"image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"github.com/disintegration/imaging"
	"golang.org/x/image/bmp"
	"golang.org/x/image/tiff"

	"pochoir/quantize"
	"pochoir/quantize/mosaic"
	"pochoir/trace/paper"
)

// The files in testdata were written by Pillow 9.4 from scene.png (37 x 23 px, no symmetry); ycck.jpg is cmyk.jpg with
// the transform byte of its Adobe marker set to 2; planes.tif, tiles.tif and deep.tif (16 bits) by libtiff's tiffcp;
// four.tif (4 bits) by hand.

// open reads a file of testdata and fails the test when it cannot.
func open(t *testing.T, name string) *paper.Picture {
	t.Helper()
	pic, err := Open(filepath.Join("testdata", name), Options{})
	if err != nil {
		t.Fatal(err)
	}
	checkPicture(t, pic)
	return pic
}

// checkPicture holds a picture against what paper.Picture promises.
func checkPicture(t testing.TB, pic *paper.Picture) {
	t.Helper()
	if pic.W <= 0 || pic.H <= 0 || len(pic.Pix) != 4*pic.W*pic.H {
		t.Fatalf("%s: %d x %d px with %d bytes", pic.Name, pic.W, pic.H, len(pic.Pix))
	}
	for i := 3; i < len(pic.Pix); i += 4 {
		if pic.Pix[i] != 255 {
			t.Fatalf("%s: pixel %d is not opaque", pic.Name, i/4)
		}
	}
	if pic.Clear != nil && len(pic.Clear) != pic.W*pic.H {
		t.Fatalf("%s: %d marks of transparency for %d pixels", pic.Name, len(pic.Clear), pic.W*pic.H)
	}
}

// worst returns the largest difference of a channel between two pictures of the same size.
func worst(t testing.TB, a, b *paper.Picture) int {
	t.Helper()
	if a.W != b.W || a.H != b.H {
		t.Fatalf("%d x %d px against %d x %d", a.W, a.H, b.W, b.H)
	}
	most := 0
	for i := range a.Pix {
		most = max(most, int(a.Pix[i])-int(b.Pix[i]), int(b.Pix[i])-int(a.Pix[i]))
	}
	return most
}

// asPicture converts any image by the standard library alone, as the oracle.
func asPicture(img image.Image) *paper.Picture {
	b := img.Bounds()
	dst := image.NewRGBA(image.Rect(0, 0, b.Dx(), b.Dy()))
	draw.Draw(dst, dst.Rect, image.White, image.Point{}, draw.Src)
	draw.Draw(dst, dst.Rect, img, b.Min, draw.Over)
	return &paper.Picture{W: b.Dx(), H: b.Dy(), Pix: dst.Pix}
}

func TestLosslessFilesShowTheScene(t *testing.T) {
	scene := open(t, "scene.png")
	for _, name := range []string{"lossless.webp", "lzw.tif", "packbits.tif", "pages.tif", "palette.tif", "palette.bmp",
		"plain.bmp", "still.gif"} {
		pic := open(t, name)
		if d := worst(t, scene, pic); d != 0 {
			t.Errorf("%s differs from scene.png by %d levels", name, d)
		}
		if pic.Lossy || pic.Clear != nil {
			t.Errorf("%s: lossy %t, transparent %t", name, pic.Lossy, pic.Clear != nil)
		}
	}
	if dpi := open(t, "plain.bmp").DPI; dpi < 299.9 || dpi > 300.1 {
		t.Errorf("plain.bmp: %g dots an inch, want 300", dpi)
	}
}

func TestLossyFilesAreMarked(t *testing.T) {
	for name, subsampled := range map[string]bool{"progressive.jpg": true, "subsampled.jpg": true, "grey.jpg": false,
		"cmyk.jpg": false, "lossy.webp": true, "alpha.webp": true} {
		if pic := open(t, name); !pic.Lossy || pic.Subsampled != subsampled {
			t.Errorf("%s: lossy %t, subsampled %t, want true, %t", name, pic.Lossy, pic.Subsampled, subsampled)
		}
	}
}

// pillow decodes the files of testdata with Pillow, an independent decoder (libjpeg, libwebp, libtiff): turned by EXIF
// and laid on white.
const pillow = `
import sys
from PIL import Image, ImageOps
for name in sys.argv[1:]:
    im = ImageOps.exif_transpose(Image.open(name))
    if im.mode == 'P' or im.mode == '1':
        im = im.convert('RGBA')
    if im.mode == 'RGBA':
        white = Image.new('RGBA', im.size, (255, 255, 255, 255))
        im = Image.alpha_composite(white, im)
    im = im.convert('RGB')
    sys.stdout.buffer.write(b'%d %d\n' % im.size + im.tobytes())
`

// python returns a Python with Pillow.
func python(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(name, "-c", "import PIL").Run() == nil {
			return name
		}
	}
	missing(t, "python3 with Pillow (Debian: python3-pil)")
	return ""
}

// missing skips a test whose outside reference is not installed, and fails it in CI.
func missing(t *testing.T, tool string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed", tool)
	}
	t.Skipf("%s is not installed", tool)
}

func TestAgainstPillow(t *testing.T) {
	py := python(t)
	// The largest difference allowed, in levels. Lossless files and those without chroma leave only rounding. Chroma at
	// half resolution is spread between its samples by Pillow's libraries and repeated here, so the edges of colours
	// differ; the mean must not.
	files := []struct {
		name  string
		most  int
		means float64
	}{
		{"scene.png", 0, 0}, {"lossless.webp", 0, 0}, {"lzw.tif", 0, 0}, {"palette.bmp", 0, 0}, {"plain.bmp", 0, 0},
		{"bilevel.bmp", 0, 0}, {"alpha.bmp", 1, 0.6}, {"still.gif", 0, 0}, {"grey.tif", 0, 0}, {"fax.tif", 0, 0}, {"cmyk.tif", 1, 0.5},
		{"planes.tif", 0, 0}, {"tiles.tif", 0, 0}, {"deep.tif", 1, 0.5}, {"jpeg.tif", 150, 7}, {"four.tif", 0, 0},
		{"alpha.tif", 1, 0.6}, {"alpha-lossless.webp", 1, 0.6}, {"grey.jpg", 2, 0.5}, {"cmyk.jpg", 3, 0.8},
		{"ycck.jpg", 4, 1}, {"subsampled.jpg", 120, 5}, {"progressive.jpg", 150, 7}, {"lossy.webp", 150, 7},
		{"alpha.webp", 150, 7},
	}
	args := []string{"-c", pillow}
	for _, f := range files {
		args = append(args, filepath.Join("testdata", f.name))
	}
	out, err := exec.Command(py, args...).Output()
	if err != nil {
		t.Fatal(err)
	}
	r := bytes.NewReader(out)
	for _, f := range files {
		var w, h int
		if _, err := fmt.Fscanf(r, "%d %d\n", &w, &h); err != nil {
			t.Fatal(err)
		}
		rgb := make([]byte, 3*w*h)
		if _, err := io.ReadFull(r, rgb); err != nil {
			t.Fatal(err)
		}
		want := &paper.Picture{W: w, H: h, Pix: make([]uint8, 4*w*h)}
		for i := range w * h {
			copy(want.Pix[4*i:], rgb[3*i:3*i+3])
			want.Pix[4*i+3] = 255
		}
		got := open(t, f.name)
		sum := 0.0
		for i := range got.Pix {
			sum += max(float64(got.Pix[i])-float64(want.Pix[i]), float64(want.Pix[i])-float64(got.Pix[i]))
		}
		mean := sum / float64(3*w*h)
		if d := worst(t, got, want); d > f.most || mean > f.means {
			t.Errorf("%s: differs from Pillow by up to %d levels, %.2f in the mean, want %d, %.2f", f.name, d, mean, f.most, f.means)
		}
	}
}

// noise is a picture of random pixels, alpha included.
func noise(w, h int, alpha bool) *image.NRGBA {
	r := rand.New(rand.NewPCG(1, uint64(w)))
	m := image.NewNRGBA(image.Rect(0, 0, w, h))
	for i := range m.Pix {
		m.Pix[i] = uint8(r.Uint32())
		if !alpha && i%4 == 3 {
			m.Pix[i] = 255
		}
	}
	return m
}

// reopen writes img with encode and opens it from a stream.
func reopen(t testing.TB, encode func(io.Writer) error, opt Options) *paper.Picture {
	t.Helper()
	var buf bytes.Buffer
	if err := encode(&buf); err != nil {
		t.Fatal(err)
	}
	opt.Stdin = &buf
	pic, err := Open("-", opt)
	if err != nil {
		t.Fatal(err)
	}
	checkPicture(t, pic)
	return pic
}

func encodePNG(img image.Image) func(io.Writer) error {
	return func(w io.Writer) error { return png.Encode(w, img) }
}

func TestEveryLayoutOfPixels(t *testing.T) {
	src := noise(41, 29, true)
	opaque := noise(41, 29, false)
	convert := func(dst draw.Image, from image.Image) image.Image {
		draw.Draw(dst, dst.Bounds(), from, image.Point{}, draw.Src)
		return dst
	}
	r := src.Rect
	for name, img := range map[string]image.Image{
		"NRGBA":   src,
		"opaque":  opaque,
		"RGBA":    convert(image.NewRGBA(r), src),
		"NRGBA64": convert(image.NewNRGBA64(r), src),
		"RGBA64":  convert(image.NewRGBA64(r), src),
		"Gray":    convert(image.NewGray(r), opaque),
		"Gray16":  convert(image.NewGray16(r), opaque),
		"CMYK":    convert(image.NewCMYK(r), opaque),
	} {
		want := asPicture(img)
		for turn := 1; turn <= 8; turn++ {
			// The library lays on white in premultiplied colour and truncates, so it may be off by two levels.
			got, err := toPicture(pixels{img: clone(img)}, header{turn: turn}, Options{Workers: 3})
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			checkPicture(t, got)
			if d := worst(t, got, upright(want, turn)); d > 2 {
				t.Errorf("%s, orientation %d: off by %d levels", name, turn, d)
			}
			if wantClear := name != "opaque" && strings.Contains(name, "RGBA"); (got.Clear != nil) != wantClear {
				t.Errorf("%s: transparent %t, want %t", name, got.Clear != nil, wantClear)
			}
		}
	}
}

// clone copies an image, since toPicture may take over its pixels.
func clone(img image.Image) image.Image {
	switch m := img.(type) {
	case *image.NRGBA:
		c := *m
		c.Pix = bytes.Clone(m.Pix)
		return &c
	case *image.RGBA:
		c := *m
		c.Pix = bytes.Clone(m.Pix)
		return &c
	case *image.NRGBA64:
		c := *m
		c.Pix = bytes.Clone(m.Pix)
		return &c
	case *image.RGBA64:
		c := *m
		c.Pix = bytes.Clone(m.Pix)
		return &c
	}
	return img
}

// upright turns a stored picture by the transforms of the imaging library, as the outside reference for the eight
// orientations (TIFF 6.0 §20: where the stored first row and first column lie).
func upright(pic *paper.Picture, turn int) *paper.Picture {
	m := &image.NRGBA{Pix: pic.Pix, Stride: 4 * pic.W, Rect: image.Rect(0, 0, pic.W, pic.H)}
	switch turn {
	case 2:
		m = imaging.FlipH(m)
	case 3:
		m = imaging.Rotate180(m)
	case 4:
		m = imaging.FlipV(m)
	case 5:
		m = imaging.Transpose(m)
	case 6:
		m = imaging.Rotate270(m) // the library turns against the clock
	case 7:
		m = imaging.Transverse(m)
	case 8:
		m = imaging.Rotate90(m)
	}
	return &paper.Picture{W: m.Rect.Dx(), H: m.Rect.Dy(), Pix: m.Pix}
}

func TestStraightAlphaOnWhite(t *testing.T) {
	// CSS Compositing Level 1 §5.1, source over an opaque backdrop: co = cs·αs + cb·(1-αs).
	m := image.NewNRGBA(image.Rect(0, 0, 256, 256))
	for a := range 256 {
		for c := range 256 {
			m.SetNRGBA(c, a, color.NRGBA{uint8(c), uint8(255 - c), 7, uint8(a)})
		}
	}
	pic := reopen(t, encodePNG(m), Options{})
	for a := range 256 {
		for c := range 256 {
			i := a*256 + c
			for k, v := range []int{c, 255 - c, 7} {
				want := (2*(v*a+255*(255-a)) + 255) / (2 * 255)
				if int(pic.Pix[4*i+k]) != want {
					t.Fatalf("channel %d of alpha %d: %d, want %d", v, a, pic.Pix[4*i+k], want)
				}
			}
			if pic.Clear[i] != (a < 128) {
				t.Fatalf("alpha %d: clear %t", a, pic.Clear[i])
			}
		}
	}
}

func TestSixteenBitsRoundToTheNearest(t *testing.T) {
	for v := range uint32(65536) {
		if got, want := to8(v), uint8(float64(v)/257+0.5); got != want {
			t.Fatalf("%d becomes %d, want %d", v, got, want)
		}
	}
}

func TestConversionEqualsTheStandardLibrary(t *testing.T) {
	for _, ratio := range []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422,
		image.YCbCrSubsampleRatio420, image.YCbCrSubsampleRatio440, image.YCbCrSubsampleRatio411, image.YCbCrSubsampleRatio410} {
		r := rand.New(rand.NewPCG(7, uint64(ratio)))
		m := image.NewYCbCr(image.Rect(0, 0, 201, 99), ratio)
		for _, plane := range [][]uint8{m.Y, m.Cb, m.Cr} {
			for i := range plane {
				plane[i] = uint8(r.Uint32())
			}
		}
		for _, sub := range []image.Rectangle{m.Rect, image.Rect(3, 5, 190, 90), image.Rect(4, 4, 5, 5)} {
			window := m.SubImage(sub).(*image.YCbCr)
			want := make([]uint8, 0, 4*sub.Dx()*sub.Dy())
			for y := sub.Min.Y; y < sub.Max.Y; y++ {
				for x := sub.Min.X; x < sub.Max.X; x++ {
					c := window.YCbCrAt(x, y)
					r, g, b := color.YCbCrToRGB(c.Y, c.Cb, c.Cr)
					want = append(want, r, g, b, 255)
				}
			}
			for _, workers := range []int{1, 2, 8} {
				got, err := toPicture(pixels{img: window}, header{}, Options{Workers: workers})
				if err != nil {
					t.Fatal(err)
				}
				if !bytes.Equal(got.Pix, want) {
					t.Errorf("%v %v, %d workers: differs from color.YCbCrToRGB", ratio, sub, workers)
				}
			}
		}
	}
}

func TestVideoRange(t *testing.T) {
	// ITU-R BT.601-7 §2.5: E'Y = (Y-16)/219, E'R = E'Y + 1.402·(CR-128)/224, E'B = E'Y + 1.772·(CB-128)/224, and
	// E'Y = 0.299 E'R + 0.587 E'G + 0.114 E'B.
	for y := 0; y < 256; y += 5 {
		for cb := 0; cb < 256; cb += 5 {
			for cr := 0; cr < 256; cr += 5 {
				var dst [4]uint8
				yccRow1(dst[:], []uint8{uint8(y)}, []uint8{uint8(cb)}, []uint8{uint8(cr)}, lumaVideo, &chromaVideo)
				l := float64(y-16) / 219
				r := l + 1.402*float64(cr-128)/224
				b := l + 1.772*float64(cb-128)/224
				g := (l - 0.299*r - 0.114*b) / 0.587
				for k, want := range []float64{r, g, b} {
					if d := float64(dst[k]) - min(max(want, 0), 1)*255; d > 0.51 || d < -0.51 {
						t.Fatalf("Y %d CB %d CR %d: channel %d is %d, want %.2f", y, cb, cr, k, dst[k], want*255)
					}
				}
			}
		}
	}
}

// exifBlock builds an EXIF block: orientation, resolution and, for a camera, exposure and focal length.
func exifBlock(order binary.ByteOrder, turn, dpi, focal35 int) []byte {
	var b bytes.Buffer
	put := func(v any) { binary.Write(&b, order, v) }
	field := func(tag, kind uint16, count uint32, value any) {
		put(tag)
		put(kind)
		put(count)
		if s, short := value.(uint16); short {
			put(s)
			value = uint16(0)
		}
		put(value)
	}
	if order == binary.LittleEndian {
		b.WriteString("II")
	} else {
		b.WriteString("MM")
	}
	put(uint16(42))
	put(uint32(8))
	const main = 8 + 2 + 4*12 + 4
	put(uint16(4))
	field(tagOrientation, 3, 1, uint16(turn))
	field(tagXResolution, 5, 1, uint32(main))
	field(tagResolution, 3, 1, uint16(2))
	field(tagExif, 4, 1, uint32(main+8))
	put(uint32(0))
	put(uint32(dpi))
	put(uint32(1))
	if focal35 == 0 {
		put(uint16(0))
		put(uint32(0))
		return b.Bytes()
	}
	const sub = main + 8 + 2 + 2*12 + 4
	put(uint16(2))
	field(tagExposureTime, 5, 1, uint32(sub))
	field(tagFocalLength35, 3, 1, uint16(focal35))
	put(uint32(0))
	put(uint32(1))
	put(uint32(60))
	return b.Bytes()
}

// withExifJPEG puts an EXIF block behind the first marker of a JPEG file.
func withExifJPEG(file, exif []byte) []byte {
	n := len(exif) + 8
	out := append([]byte{}, file[:2]...)
	out = append(out, 0xff, 0xe1, byte(n>>8), byte(n))
	out = append(out, "Exif\x00\x00"...)
	out = append(out, exif...)
	return append(out, file[2:]...)
}

// withChunkPNG puts a chunk behind IHDR.
func withChunkPNG(file []byte, kind string, data []byte) []byte {
	var c []byte
	c = binary.BigEndian.AppendUint32(c, uint32(len(data)))
	c = append(append(c, kind...), data...)
	c = binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE(c[4:]))
	const afterIHDR = 8 + 12 + 13
	return append(append(append([]byte{}, file[:afterIHDR]...), c...), file[afterIHDR:]...)
}

// withExifWebP makes an extended WebP of a plain lossless one (RFC 9649 §2.7).
func withExifWebP(file, exif []byte, w, h int) []byte {
	vp8x := []byte{8, 0, 0, 0, byte(w - 1), byte((w - 1) >> 8), 0, byte(h - 1), byte((h - 1) >> 8), 0}
	chunk := func(kind string, data []byte) []byte {
		c := append([]byte(kind), binary.LittleEndian.AppendUint32(nil, uint32(len(data)))...)
		c = append(c, data...)
		if len(data)%2 == 1 {
			c = append(c, 0)
		}
		return c
	}
	body := append([]byte("WEBP"), chunk("VP8X", vp8x)...)
	body = append(body, file[12:]...)
	body = append(body, chunk("EXIF", exif)...)
	return append(append([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(len(body)))...), body...)
}

// withOrientationTIFF patches the tag that holds an unneeded value (here: PlanarConfiguration, whose default is meant)
// into an orientation; the encoder at hand writes none.
func withOrientationTIFF(t *testing.T, file []byte, turn int) []byte {
	t.Helper()
	le := binary.LittleEndian
	out := bytes.Clone(file)
	ifd := le.Uint32(out[4:])
	n := int(le.Uint16(out[ifd:]))
	var fields [][]byte
	for i := range n {
		f := out[int(ifd)+2+12*i:][:12]
		if tag := le.Uint16(f); tag == 284 || tag == tagOrientation {
			continue
		}
		fields = append(fields, bytes.Clone(f))
	}
	add := make([]byte, 12)
	le.PutUint16(add, tagOrientation)
	le.PutUint16(add[2:], 3)
	le.PutUint32(add[4:], 1)
	le.PutUint16(add[8:], uint16(turn))
	// Tags stand in ascending order (TIFF 6.0 §2).
	at := 0
	for at < len(fields) && le.Uint16(fields[at]) < tagOrientation {
		at++
	}
	fields = append(fields[:at], append([][]byte{add}, fields[at:]...)...)
	le.PutUint32(out[4:], uint32(len(out)))
	out = le.AppendUint16(out, uint16(len(fields)))
	for _, f := range fields {
		out = append(out, f...)
	}
	return le.AppendUint32(out, 0)
}

// turnedFiles are the scene with each orientation in each format that can say so.
func turnedFiles(t *testing.T, turn int) map[string][]byte {
	t.Helper()
	var jpg, pn, tif bytes.Buffer
	img, err := png.Decode(bytes.NewReader(readFile(t, "scene.png")))
	if err != nil {
		t.Fatal(err)
	}
	if err := jpeg.Encode(&jpg, img, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	if err := png.Encode(&pn, img); err != nil {
		t.Fatal(err)
	}
	if err := tiff.Encode(&tif, img, nil); err != nil {
		t.Fatal(err)
	}
	be, le := binary.ByteOrder(binary.BigEndian), binary.ByteOrder(binary.LittleEndian)
	return map[string][]byte{
		"big.jpg":     withExifJPEG(jpg.Bytes(), exifBlock(be, turn, 72, 26)),
		"little.jpg":  withExifJPEG(jpg.Bytes(), exifBlock(le, turn, 300, 0)),
		"chunk.png":   withChunkPNG(pn.Bytes(), "eXIf", exifBlock(be, turn, 300, 0)),
		"chunk.webp":  withExifWebP(readFile(t, "lossless.webp"), exifBlock(le, turn, 300, 0), 37, 23),
		"prefix.webp": withExifWebP(readFile(t, "lossless.webp"), append([]byte("Exif\x00\x00"), exifBlock(le, turn, 300, 0)...), 37, 23),
		"tag.tif":     withOrientationTIFF(t, tif.Bytes(), turn),
	}
}

func readFile(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestOrientationInEveryFormat(t *testing.T) {
	scene := open(t, "scene.png")
	for turn := 1; turn <= 8; turn++ {
		for name, file := range turnedFiles(t, turn) {
			pic, err := Open("-", Options{Stdin: bytes.NewReader(file)})
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			want := scene
			if strings.HasSuffix(name, "jpg") {
				img, err := jpeg.Decode(bytes.NewReader(file))
				if err != nil {
					t.Fatal(err)
				}
				want = asPicture(img)
			}
			if d := worst(t, pic, upright(want, turn)); d != 0 {
				t.Errorf("%s, orientation %d: off by %d levels", name, turn, d)
			}
			if name == "big.jpg" && !(pic.Camera && pic.Focal35 == 26 && pic.DPI == 0) {
				t.Errorf("%s: camera %t, %g mm, %g dpi, want true, 26, 0", name, pic.Camera, pic.Focal35, pic.DPI)
			}
			if name != "big.jpg" && name != "tag.tif" && (pic.Camera || pic.DPI != 300) {
				t.Errorf("%s: camera %t, %g dpi, want false, 300", name, pic.Camera, pic.DPI)
			}
		}
	}
}

// TestAgainstExiftool reads what the generated files say with exiftool, an independent reader.
func TestAgainstExiftool(t *testing.T) {
	tool, err := exec.LookPath("exiftool")
	if err != nil {
		missing(t, "exiftool (Debian: libimage-exiftool-perl)")
	}
	for turn := 1; turn <= 8; turn++ {
		dir := t.TempDir()
		for name, file := range turnedFiles(t, turn) {
			if err := os.WriteFile(filepath.Join(dir, name), file, 0o644); err != nil {
				t.Fatal(err)
			}
			if name == "prefix.webp" {
				continue // a writer's mistake that we forgive
			}
			out, err := exec.Command(tool, "-n", "-s3", "-Orientation", filepath.Join(dir, name)).CombinedOutput()
			if got := strings.TrimSpace(string(out)); err != nil || got != fmt.Sprint(turn) {
				t.Errorf("%s: exiftool reads orientation %q (%v), want %d", name, got, err, turn)
			}
		}
	}
}

func TestResolution(t *testing.T) {
	var b bytes.Buffer
	if err := png.Encode(&b, noise(3, 3, false)); err != nil {
		t.Fatal(err)
	}
	phys := func(perMetre uint32, unit byte) []byte {
		return withChunkPNG(b.Bytes(), "pHYs", append(binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, perMetre), perMetre), unit))
	}
	for _, c := range []struct {
		name string
		file []byte
		want float64
	}{
		{"300 dpi in pHYs", phys(11811, 1), 300},
		{"72 dpi says nothing", phys(2835, 1), 0},
		{"an aspect ratio only", phys(11811, 0), 0},
		{"nonsense", phys(4294967295, 1), 0},
		{"none", b.Bytes(), 0},
	} {
		pic, err := Open("-", Options{Stdin: bytes.NewReader(c.file)})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if d := pic.DPI - c.want; d > 0.01 || d < -0.01 {
			t.Errorf("%s: %g, want %g", c.name, pic.DPI, c.want)
		}
	}
}

func TestFrameInsideTheScreen(t *testing.T) {
	frame := image.NewPaletted(image.Rect(2, 1, 4, 3), color.Palette{color.RGBA{9, 8, 7, 255}, color.Transparent})
	frame.SetColorIndex(3, 2, 1)
	pic := reopen(t, func(w io.Writer) error {
		return gif.EncodeAll(w, &gif.GIF{Image: []*image.Paletted{frame}, Delay: []int{0}, Config: image.Config{Width: 5, Height: 4, ColorModel: frame.Palette}})
	}, Options{})
	if pic.W != 5 || pic.H != 4 {
		t.Fatalf("%d x %d px, want 5 x 4", pic.W, pic.H)
	}
	for y := range 4 {
		for x := range 5 {
			painted := x >= 2 && x < 4 && y >= 1 && y < 3 && !(x == 3 && y == 2)
			i := y*5 + x
			if pic.Clear[i] == painted || (pic.Pix[4*i] == 9) != painted {
				t.Errorf("pixel %d,%d: clear %t, red %d", x, y, pic.Clear[i], pic.Pix[4*i])
			}
		}
	}
}

func TestPages(t *testing.T) {
	f, err := OpenFile(filepath.Join("testdata", "pages.tif"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if f.Pages() != 3 || f.Format() != "tiff" {
		t.Fatalf("%d pages of %s, want 3 of tiff", f.Pages(), f.Format())
	}
	scene := open(t, "scene.png")
	for n, want := range []*paper.Picture{scene, upright(scene, 2)} {
		pic, err := f.Page(n)
		if err != nil {
			t.Fatal(err)
		}
		if d := worst(t, pic, want); d != 0 {
			t.Errorf("page %d: off by %d levels", n, d)
		}
	}
	if pic, err := f.Page(2); err != nil || worst(t, pic, open(t, "grey.tif")) != 0 {
		t.Errorf("page 2: %v", err)
	}
	if _, err := f.Page(3); !errors.Is(err, ErrNoPage) {
		t.Errorf("page 3: %v, want ErrNoPage", err)
	}
}

// promise writes the header of a picture of w x h pixels and nothing behind it.
func promise(t *testing.T, kind string, w, h int) []byte {
	t.Helper()
	le, be := binary.LittleEndian, binary.BigEndian
	switch kind {
	case "png":
		var b bytes.Buffer
		if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1, 1))); err != nil {
			t.Fatal(err)
		}
		f := b.Bytes()
		be.PutUint32(f[16:], uint32(w))
		be.PutUint32(f[20:], uint32(h))
		be.PutUint32(f[29:], crc32.ChecksumIEEE(f[12:29]))
		return f
	case "tiff":
		f := append([]byte("II*\x00"), 8, 0, 0, 0, 2, 0)
		for _, v := range [][2]int{{tagWidth, w}, {tagHeight, h}} {
			f = le.AppendUint16(le.AppendUint16(f, uint16(v[0])), 4)
			f = le.AppendUint32(le.AppendUint32(f, 1), uint32(v[1]))
		}
		return le.AppendUint32(f, 0)
	case "bmp":
		f := make([]byte, 54)
		copy(f, "BM")
		le.PutUint32(f[14:], 40)
		le.PutUint32(f[18:], uint32(w))
		le.PutUint32(f[22:], uint32(h))
		le.PutUint16(f[26:], 1)
		le.PutUint16(f[28:], 24)
		return f
	case "gif":
		return append([]byte("GIF89a"), byte(w), byte(w>>8), byte(h), byte(h>>8), 0, 0, 0)
	case "webp":
		f := withExifWebP(readFile(t, "lossless.webp"), nil, 1, 1)
		for i, v := range []int{w - 1, h - 1} {
			f[24+3*i], f[25+3*i], f[26+3*i] = byte(v), byte(v>>8), byte(v>>16)
		}
		return f
	case "jpeg":
		f := bytes.Clone(readFile(t, "grey.jpg"))
		i := bytes.Index(f, []byte{0xff, 0xc0})
		be.PutUint16(f[i+5:], uint16(h))
		be.PutUint16(f[i+7:], uint16(w))
		return f
	}
	if kind == "heic" {
		return heifBytes(uint32(w), uint32(h))
	}
	t.Fatalf("no header for %s", kind)
	return nil
}

func TestGreatPromisesAreRefusedAtOnce(t *testing.T) {
	for _, kind := range []string{"png", "tiff", "bmp", "gif", "webp", "jpeg", "heic"} {
		side := 100_000
		if kind == "gif" || kind == "jpeg" {
			side = 65_500 // 16 bits a side
		}
		file := promise(t, kind, side, side)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Open("-", Options{Stdin: bytes.NewReader(file)})
		runtime.ReadMemStats(&after)
		if !errors.Is(err, ErrTooLarge) || !strings.Contains(err.Error(), fmt.Sprintf("%d x %d", side, side)) {
			t.Errorf("%s: %v, want ErrTooLarge", kind, err)
		}
		if used := after.TotalAlloc - before.TotalAlloc; used > 1<<20 {
			t.Errorf("%s: %d bytes were asked for", kind, used)
		}
	}
	// The limit moves with the option, both ways.
	if _, err := Open(filepath.Join("testdata", "scene.png"), Options{MaxMegapixels: 37 * 22 / 1e6}); !errors.Is(err, ErrTooLarge) {
		t.Errorf("below the limit: %v", err)
	}
	if _, err := Open(filepath.Join("testdata", "scene.png"), Options{MaxMegapixels: 37 * 23 / 1e6}); err != nil {
		t.Errorf("at the limit: %v", err)
	}
}

func TestBadInput(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, b []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	wild := image.NewPaletted(image.Rect(0, 0, 4, 4), color.Palette{color.Black, color.White})
	var tif bytes.Buffer
	if err := tiff.Encode(&tif, wild, nil); err != nil {
		t.Fatal(err)
	}
	// The first pixel follows the header; the map of colours shrinks from 256 to 2.
	crafted := tif.Bytes()
	crafted[8] = 200
	i := bytes.Index(crafted, []byte{0x40, 1, 3, 0, 0, 3, 0, 0})
	crafted[i+4], crafted[i+5] = 6, 0
	cases := []struct {
		path string
		kind error
		text string
	}{
		{write("note.png", []byte("Dear harbour master,\n")), ErrNotPicture, "is a text file"},
		{write("empty.png", nil), ErrNotPicture, "is empty"},
		{write("letter.jpg", []byte("\xff\xfeD\x00e\x00")), ErrNotPicture, "is a text file"},
		{write("drawing.png", []byte("<?xml version='1.0'?><svg xmlns='http://www.w3.org/2000/svg'/>")), ErrNotPicture, "vector drawing"},
		{write("garbage.tif", []byte("\x00\x01\x02\x03\x04\x05\x06\x07")), ErrNotPicture, "no known picture format"},
		{write("archive.png", []byte("PK\x03\x04\x00\x00")), ErrUnsupported, "packed archive"},
		{write("big.tif", []byte("II+\x00\x08\x00\x00\x00")), ErrUnsupported, "BigTIFF"},
		{write("stub.png", []byte("\x89PNG")), ErrDamaged, "cut short"},
		{write("crafted.tif", crafted), ErrDamaged, "colo"},
		{write("zero.png", promise(t, "png", 0, 5)), ErrDamaged, "0 x 5"},
		{write("zero.bmp", promise(t, "bmp", 7, 0)), ErrDamaged, "7 x 0"},
		{write("zero.tif", promise(t, "tiff", 0, 0)), ErrDamaged, "0 x 0"},
		{write("minus.bmp", promise(t, "bmp", -7, 5)), ErrDamaged, "-7 x 5"},
		{write("circle.tif", []byte("II*\x00\x08\x00\x00\x00\x00\x00\x08\x00\x00\x00")), ErrDamaged, ""},
		{dir, ErrNotPicture, "is a folder"},
		{filepath.Join(dir, "absent.png"), ErrUnreadable, "does not exist"},
	}
	for _, c := range cases {
		pic, err := Open(c.path, Options{})
		var own *Error
		if pic != nil || !errors.As(err, &own) || !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: %v, want %v: … %s …", c.path, err, c.kind, c.text)
			continue
		}
		if !strings.HasPrefix(err.Error(), c.path+": ") || strings.ContainsAny(err.Error(), "\n\r") {
			t.Errorf("not one line that names the file: %q", err)
		}
	}
}

// TestTruncation cuts every file of testdata at many places: an error that names the file, or, where only what follows
// the pixels is gone, the picture; never a panic.
func TestTruncation(t *testing.T) {
	for _, name := range testdata(t) {
		file := readFile(t, name)
		for n := 0; n < len(file); n += 1 + len(file)/61 {
			pic, err := Open("-", Options{Stdin: bytes.NewReader(file[:n])})
			if (pic == nil) == (err == nil) {
				t.Fatalf("%s cut to %d bytes: picture %v, error %v", name, n, pic != nil, err)
			}
			if err == nil {
				checkPicture(t, pic)
				// TIFF directories and GIF trailers may lie behind the pixels, but half a file is never a picture.
				if n < len(file)/2 {
					t.Errorf("%s cut to %d of %d bytes opens", name, n, len(file))
				}
			}
		}
	}
}

// testdata lists the pictures there.
func testdata(t testing.TB) []string {
	t.Helper()
	entries, err := os.ReadDir("testdata")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		if !e.IsDir() {
			names = append(names, e.Name())
		}
	}
	return names
}

func FuzzOpen(f *testing.F) {
	for _, name := range testdata(f) {
		f.Add(readFile(f, name))
	}
	var b bytes.Buffer
	if err := bmp.Encode(&b, noise(5, 4, false)); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, file []byte) {
		in, err := OpenFile("-", Options{Stdin: bytes.NewReader(file), MaxMegapixels: 1})
		if err != nil {
			checkError(t, err)
			return
		}
		defer in.Close()
		for n := range min(in.Pages(), 4) {
			pic, err := in.Page(n)
			if err != nil {
				checkError(t, err)
				continue
			}
			checkPicture(t, pic)
		}
	})
}

// checkError holds an error against what Open promises.
func checkError(t *testing.T, err error) {
	t.Helper()
	var own *Error
	if !errors.As(err, &own) || own.Kind == nil || strings.ContainsAny(err.Error(), "\n\r") || !strings.HasPrefix(err.Error(), "standard input: ") {
		t.Fatalf("not a one-line *Error: %q", err)
	}
}

func BenchmarkOpen(b *testing.B) {
	const w, h = 4000, 3000
	img := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	for i := range img.Y {
		img.Y[i] = uint8(i / w * 7)
	}
	for i := range img.Cb {
		img.Cb[i], img.Cr[i] = uint8(i/w), 128
	}
	var plain bytes.Buffer
	if err := jpeg.Encode(&plain, img, nil); err != nil {
		b.Fatal(err)
	}
	for _, turn := range []int{1, 6} {
		file := withExifJPEG(plain.Bytes(), exifBlock(binary.BigEndian, turn, 300, 0))
		path := filepath.Join(b.TempDir(), "photo.jpg")
		if err := os.WriteFile(path, file, 0o644); err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("jpeg-12Mpx/turn%d", turn), func(b *testing.B) {
			b.SetBytes(w * h)
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Open(path, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("decoding-alone", func(b *testing.B) {
		b.SetBytes(w * h)
		for b.Loop() {
			if _, err := jpeg.Decode(bytes.NewReader(plain.Bytes())); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func writeFile(path string, b []byte) error { return os.WriteFile(path, b, 0o644) }

// TestBandsAreThePixels: a JPEG decoded in bands is what the standard decoder makes of it, however it is turned and
// whatever its profile.
func TestBandsAreThePixels(t *testing.T) {
	img := noise(83, 61, false)
	gray := image.NewGray(img.Bounds())
	draw.Draw(gray, gray.Rect, img, image.Point{}, draw.Src)
	for _, m := range []image.Image{img, gray} {
		var plain bytes.Buffer
		if err := jpeg.Encode(&plain, m, nil); err != nil {
			t.Fatal(err)
		}
		for turn := 1; turn <= 8; turn++ {
			for _, wide := range []bool{false, true} {
				path := filepath.Join(t.TempDir(), "photo.jpg")
				if err := writeFile(path, withExifJPEG(plain.Bytes(), exifBlock(binary.BigEndian, turn, 300, 0))); err != nil {
					t.Fatal(err)
				}
				f, err := OpenFile(path, Options{})
				if err != nil {
					t.Fatal(err)
				}
				defer f.Close()
				h := f.pages[0].header
				h.p3 = wide
				px, err := f.pages[0].decode(&h)
				if err != nil {
					t.Fatal(err)
				}
				whole, err := px.whole()
				if err != nil {
					t.Fatal(err)
				}
				want, err := toPicture(pixels{img: whole}, h, Options{Workers: 1})
				if err != nil {
					t.Fatal(err)
				}
				var luma *quantize.Luma
				for workers := 1; workers <= 3; workers++ {
					got, err := fromBands(px, h, workers, false)
					if err != nil {
						t.Fatal(err)
					}
					if known := turn == 1 && !wide; (got.Luma != nil) != known {
						t.Errorf("%T, orientation %d, Display P3 %t: coded luma %t, want %t", m, turn, wide, got.Luma != nil, known)
					}
					if workers == 1 {
						luma = got.Luma
					} else if !reflect.DeepEqual(got.Luma, luma) {
						t.Errorf("%T: %d workers hand on another luma than one", m, workers)
					}
					if d := worst(t, got, want); d != 0 {
						t.Errorf("%T, orientation %d, Display P3 %t, %d workers: off by %d levels", m, turn, wide, workers, d)
					}
					px.even = true
					tiled, err := fromBands(px, h, workers, true)
					if err != nil {
						t.Fatal(err)
					}
					if may := turn == 1 && px.w%2 == 0; (tiled.Mosaic != nil) != may {
						t.Errorf("%T, orientation %d: a mosaic %t, want %t", m, turn, tiled.Mosaic != nil, may)
					} else if may {
						tiled.Pix = tiled.Mosaic.Pixels()
					}
					if !bytes.Equal(tiled.Pix, got.Pix) {
						t.Errorf("%T, orientation %d, Display P3 %t, %d workers: a mosaic of other pixels", m, turn, wide, workers)
					}
				}
			}
		}
	}
}

// TestCodedLuma: the blocks that are not even are handed on as they were coded, but not those of a picture that is full of
// them.
func TestCodedLuma(t *testing.T) {
	open := func(m image.Image) *quantize.Luma {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, m, nil); err != nil {
			t.Fatal(err)
		}
		pic, err := Open("-", Options{Stdin: &b})
		if err != nil {
			t.Fatal(err)
		}
		return pic.Luma
	}
	m := image.NewGray(image.Rect(0, 0, 60, 44))
	for i := range m.Pix {
		if m.Pix[i] = 40; i%60 >= 20 { // the edge lies within the third block of every row
			m.Pix[i] = 200
		}
	}
	l := open(m)
	if l == nil || len(l.Rows) != 6 {
		t.Fatalf("%v is the luma of six rows of blocks", l)
	}
	for y, row := range l.Rows {
		if len(row) == 0 || row[0].X != 2 {
			t.Fatalf("row %d: %v", y, row)
		}
		// An edge amid the block: only the odd of its coefficients along rows are not 0, the first the largest.
		c := &row[0].Coefs
		if y < 5 && (c[1] == 0 || c[2] != 0 || c[8] != 0 || float64(c[1])*float64(l.Steps[1]) > -300) {
			t.Errorf("row %d: coefficients %v", y, c[:9])
		}
	}
	if l := open(noise(8*100, 8*90, false)); l != nil {
		t.Error("the luma of 9000 blocks was kept")
	}
}

// TestMosaicWhereMostIsEven: who asks for a mosaic gets it of a drawing, but not of noise, nor where a row has an odd number of
// pixels, nor of what is not a JPEG; who does not ask gets pixels.
func TestMosaicWhereMostIsEven(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	picture := func(w, h, noise int) image.Image {
		m := image.NewRGBA(image.Rect(0, 0, w, h))
		for i := range m.Pix {
			m.Pix[i] = 220
			if x, y := i/4%w, i/4/w; noise == 2 || noise == 1 && y > 700 {
				m.Pix[i] = uint8(rng.IntN(256))
			} else if x > 60 && x < 130 {
				m.Pix[i] = 40
			}
			if i%4 == 3 {
				m.Pix[i] = 255
			}
		}
		return m
	}
	for _, c := range []struct {
		name string
		m    image.Image
		ask  bool
		want bool
	}{
		{"drawing.jpg", picture(240, 200, 0), true, true},
		{"no-whole-spans.jpg", picture(242, 200, 0), true, true},
		{"unasked.jpg", picture(240, 200, 0), false, false},
		{"noise.jpg", picture(240, 200, 2), true, false},
		{"half-noise.jpg", picture(1000, 1200, 1), true, false},
		{"noise-to-the-last.jpg", picture(1024, 272, 2), true, false}, // its last band is the first that tells
		{"odd.jpg", picture(241, 200, 0), true, false},
		{"drawing.png", picture(240, 200, 0), true, false},
	} {
		var b bytes.Buffer
		code := func() error { return jpeg.Encode(&b, c.m, nil) }
		if strings.HasSuffix(c.name, ".png") {
			code = func() error { return png.Encode(&b, c.m) }
		}
		path := filepath.Join(t.TempDir(), c.name)
		if err := code(); err != nil {
			t.Fatal(err)
		}
		if err := writeFile(path, b.Bytes()); err != nil {
			t.Fatal(err)
		}
		pic, err := Open(path, Options{Mosaic: c.ask})
		if err != nil {
			t.Fatal(err)
		}
		if (pic.Mosaic != nil) != c.want || (pic.Pix == nil) != c.want {
			t.Errorf("%s: a mosaic %t, want %t", c.name, pic.Mosaic != nil, c.want)
		}
		plain, err := Open(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if pic.Mosaic != nil {
			pic.Pix = pic.Mosaic.Pixels()
		}
		if !bytes.Equal(pic.Pix, plain.Pix) {
			t.Errorf("%s: other pixels than without asking", c.name)
		}
		if !strings.Contains(c.name, "noise-") && !strings.Contains(c.name, "-noise") {
			continue
		}
		// Even if its length promises an even picture, what is seen on the way tells.
		f, err := OpenFile(path, Options{})
		if err != nil {
			t.Fatal(err)
		}
		h := f.pages[0].header
		px, err := f.pages[0].decode(&h)
		if err != nil {
			t.Fatal(err)
		}
		px.even = true
		for workers := 1; workers <= 3; workers++ {
			if pic, err = fromBands(px, h, workers, true); err != nil {
				t.Fatal(err)
			}
			if pic.Mosaic != nil || !bytes.Equal(pic.Pix, plain.Pix) {
				t.Errorf("%s: a mosaic %t, or other pixels", c.name, pic.Mosaic != nil)
			}
		}
		f.Close()
	}
}

// TestTilesAreThePlanes: rows go into tiles as they go into a bitmap, however chroma is stored.
func TestTilesAreThePlanes(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for round := range 200 {
		ratio := []image.YCbCrSubsampleRatio{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420,
			image.YCbCrSubsampleRatio440}[round%4]
		w, h := mosaic.Span*(1+rng.IntN(6)), 2+rng.IntN(6)
		m := image.NewYCbCr(image.Rect(0, 0, w, h), ratio)
		for _, plane := range [][]uint8{m.Y, m.Cb, m.Cr} {
			for i := 0; i < len(plane); {
				v := uint8(rng.IntN(256))
				for end := min(len(plane), i+1+rng.IntN(120)); i < end; i++ {
					plane[i] = v
				}
			}
		}
		ycc := newYCCRows(m, header{})
		want, got := make([]uint8, 4*w*h), mosaic.New(w*h, 1)
		f := got.Filler()
		for y := range h {
			ycc.row(y, want[4*y*w:4*(y+1)*w], nil)
			ycc.tileRow(f, y, y*w)
		}
		if !bytes.Equal(got.Pixels(), want) {
			t.Fatalf("%v, %d x %d: other pixels", ratio, w, h)
		}
	}
}
