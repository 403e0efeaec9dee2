package intake

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"image"
	"image/jpeg"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/disintegration/imaging"

	"pochoir/trace/paper"
)

// scene.heic and full.heic were written by heif-enc (libheif 1.15) from scene.png, six times larger, with chroma at half
// and at full resolution.
const heicScale = 6

// TestHEICAgainstLibheif decodes with libheif's own program, an independent way to the pixels: through its conversion
// to RGB, not ours.
func TestHEICAgainstLibheif(t *testing.T) {
	tool, err := exec.LookPath("heif-convert")
	if err != nil {
		missing(t, "heif-convert (Debian: libheif-examples)")
	}
	for name, limits := range map[string]struct{ most, mean float64 }{
		"full.heic": {4, 0.9}, "scene.heic": {150, 7},
	} {
		out := filepath.Join(t.TempDir(), "out.png")
		if b, err := exec.Command(tool, filepath.Join("testdata", name), out).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, b)
		}
		b, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		got, want := open(t, name), asPicture(img)
		sum := 0.0
		for i := range got.Pix {
			sum += max(float64(got.Pix[i])-float64(want.Pix[i]), float64(want.Pix[i])-float64(got.Pix[i]))
		}
		mean := sum / float64(3*got.W*got.H)
		if d := worst(t, got, want); float64(d) > limits.most || mean > limits.mean {
			t.Errorf("%s: differs from libheif by up to %d levels, %.2f in the mean, want %g, %g", name, d, mean, limits.most, limits.mean)
		}
	}
}

func TestHEICShowsTheScene(t *testing.T) {
	small := open(t, "scene.png")
	big := imaging.Resize(&image.NRGBA{Pix: small.Pix, Stride: 4 * small.W, Rect: image.Rect(0, 0, small.W, small.H)},
		heicScale*small.W, 0, imaging.NearestNeighbor)
	scene := asPicture(big)
	for _, name := range []string{"full.heic", "scene.heic"} {
		pic := open(t, name)
		if !pic.Lossy || pic.Format != "heic" {
			t.Errorf("%s: lossy %t, format %s", name, pic.Lossy, pic.Format)
		}
		sum := 0
		worst(t, scene, pic) // of one size
		for i := range pic.Pix {
			sum += max(int(pic.Pix[i])-int(scene.Pix[i]), int(scene.Pix[i])-int(pic.Pix[i]))
		}
		if mean := float64(sum) / float64(3*pic.W*pic.H); mean > 8 {
			t.Errorf("%s: %.1f levels off in the mean", name, mean)
		}
	}
}

func TestMatrices(t *testing.T) {
	// ITU-R BT.709-6 §3.3: E'CB = (E'B - E'Y)/1.8556, E'CR = (E'R - E'Y)/1.5748; ITU-R BT.2020-2 table 4: 1.8814, 1.4746.
	for matrix, want := range map[int][2]float64{1: {1.5748, 1.8556}, 9: {1.4746, 1.8814}} {
		kr, kb, ok := matrixShares(matrix)
		k := scaleOf(kr, kb, false)
		if d := float64(k.crR)/65536 - want[0]; !ok || d > 1e-4 || d < -1e-4 {
			t.Errorf("matrix %d: red takes %.4f of cr, want %.4f", matrix, float64(k.crR)/65536, want[0])
		}
		if d := float64(k.cbB)/65536 - want[1]; d > 1e-4 || d < -1e-4 {
			t.Errorf("matrix %d: blue takes %.4f of cb, want %.4f", matrix, float64(k.cbB)/65536, want[1])
		}
	}
	// The factors of BT.601 by the same formula are those written out, but for their rounding.
	for _, c := range []struct{ got, want *chromaScale }{{scaleOf(0.299, 0.114, false), &chromaFull}, {scaleOf(0.299, 0.114, true), &chromaVideo}} {
		for i, d := range []int32{c.got.crR - c.want.crR, c.got.crG - c.want.crG, c.got.cbG - c.want.cbG, c.got.cbB - c.want.cbB} {
			if d > 1 || d < -1 {
				t.Errorf("BT.601, factor %d: %v, want %v", i, *c.got, *c.want)
			}
		}
	}
}

// heifBytes makes a meta box around a size.
func heifBytes(w, h uint32) []byte {
	box := func(kind string, body ...[]byte) []byte {
		all := bytes.Join(body, nil)
		n := uint32(8 + len(all))
		return append([]byte{byte(n >> 24), byte(n >> 16), byte(n >> 8), byte(n), kind[0], kind[1], kind[2], kind[3]}, all...)
	}
	u32 := func(v uint32) []byte { return []byte{byte(v >> 24), byte(v >> 16), byte(v >> 8), byte(v)} }
	ispe := box("ispe", u32(0), u32(w), u32(h))
	return append(box("ftyp", []byte("heic\x00\x00\x00\x00mif1")), box("meta", u32(0), box("iprp", box("ipco", ispe)))...)
}

func TestHEICHeader(t *testing.T) {
	f, err := OpenFile("-", Options{Stdin: bytes.NewReader(heifBytes(4000, 3000))})
	if err != nil || f.pages[0].w != 4000 || f.pages[0].h != 3000 {
		t.Fatalf("%v", err)
	}
	if _, err := f.Page(0); err == nil {
		t.Error("a header without pixels opens")
	} else {
		checkError(t, err)
	}
	var pic *paper.Picture
	if pic, err = Open("-", Options{Stdin: bytes.NewReader(heifBytes(100_000, 100_000))}); pic != nil || err == nil {
		t.Error("a great promise is kept")
	}
}

// TestHEICExif has heif-enc (libheif) write a file with a camera's EXIF, and one with a colour profile.
func TestHEICExif(t *testing.T) {
	tool, err := exec.LookPath("heif-enc")
	if err != nil {
		missing(t, "heif-enc (Debian: libheif-examples)")
	}
	var jpg bytes.Buffer
	if err := jpeg.Encode(&jpg, noise(200, 160, false), nil); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	in, out := filepath.Join(dir, "in.jpg"), filepath.Join(dir, "out.heic")
	if err := writeFile(in, withExifJPEG(jpg.Bytes(), exifBlock(binary.BigEndian, 1, 300, 26))); err != nil {
		t.Fatal(err)
	}
	if b, err := exec.Command(tool, in, "-o", out).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	pic, err := Open(out, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if pic.W != 200 || pic.H != 160 || !pic.Camera || pic.Focal35 != 26 {
		t.Errorf("%d x %d px, camera %t, %g mm, want 200 x 160, true, 26", pic.W, pic.H, pic.Camera, pic.Focal35)
	}
	m := image.NewNRGBA(image.Rect(0, 0, 160, 160))
	for i := range m.Pix {
		m.Pix[i] = [4]uint8{200, 80, 60, 255}[i%4]
	}
	var file bytes.Buffer
	if err := png.Encode(&file, m); err != nil {
		t.Fatal(err)
	}
	icc := buildProfile(p3Primaries, parametric())
	var z bytes.Buffer
	w := zlib.NewWriter(&z)
	w.Write(icc)
	w.Close()
	in = filepath.Join(dir, "p3.png")
	if err := writeFile(in, withChunkPNG(file.Bytes(), "iCCP", append([]byte("p3\x00\x00"), z.Bytes()...))); err != nil {
		t.Fatal(err)
	}
	if b, err := exec.Command(tool, "-q", "95", in, "-o", out).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, b)
	}
	if pic, err = Open(out, Options{}); err != nil {
		t.Fatal(err)
	}
	want := []uint8{200, 80, 60, 255}
	parseProfile(icc).apply(want)
	at := 4 * (80*160 + 80)
	for k := range 3 {
		if d := int(pic.Pix[at+k]) - int(want[k]); d > 4 || d < -4 {
			t.Errorf("with a profile of Display P3: %v, want %v", pic.Pix[at:at+3], want)
		}
	}
}
