package intake

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"pochoir/trace/paper"
)

// TestPlateComesBack writes plates and opens them again.
func TestPlateComesBack(t *testing.T) {
	pix := func(n int) []uint8 {
		p := make([]uint8, 4*n)
		for i := range p {
			p[i] = uint8(i*7 + i/4)
			if i%4 == 3 {
				p[i] = 255
			}
		}
		return p
	}
	clear := &paper.Picture{W: 128, H: 2, Pix: pix(256), Clear: make([]bool, 256), Plate: paper.Digital}
	for i := range clear.Clear {
		if clear.Clear[i] = i%2 == 0; clear.Clear[i] { // laid on white, a clear pixel is 128 or lighter in every channel
			for k := range 3 {
				clear.Pix[4*i+k] = uint8(128 + i/2)
			}
		}
	}
	for name, p := range map[string]*paper.Picture{
		"digital": {W: 5, H: 3, Pix: pix(15), Plate: paper.Digital},
		"coded":   {W: 5, H: 3, Pix: pix(15), Plate: paper.Digital, Lossy: true, Subsampled: true},
		"scan":    {W: 7, H: 9, Pix: pix(63), Plate: paper.Scan, DPI: 300},
		"camera":  {W: 7, H: 9, Pix: pix(63), Plate: paper.Snapshot, Camera: true, Lossy: true},
		"clear":   clear,
	} {
		before := bytes.Clone(p.Pix)
		path := filepath.Join(t.TempDir(), name+".png")
		var b bytes.Buffer
		if err := WritePlate(&b, p); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		got, err := Open(path, Options{})
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if math.Abs(got.DPI-p.DPI) > 0.01 {
			t.Errorf("%s: %v pixels an inch, want %v", name, got.DPI, p.DPI)
		}
		want := *p
		want.Name, want.Format, want.DPI = path, "png", got.DPI
		if !reflect.DeepEqual(got, &want) {
			t.Errorf("%s came back as\n%+v, want\n%+v", name, got, want)
		}
		if !bytes.Equal(before, p.Pix) {
			t.Errorf("%s: the plate itself was changed", name)
		}
	}
}

// TestOddPlateChunks opens PNG files with text chunks that say other things.
func TestOddPlateChunks(t *testing.T) {
	var b bytes.Buffer
	if err := WritePlate(&b, &paper.Picture{W: 1, H: 1, Pix: []uint8{1, 2, 3, 255}, Plate: paper.Scan}); err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]paper.Kind{
		"pochoir-plate\x00scan":        paper.Scan,
		"pochoir-plate\x00later words": paper.KindAuto,
		"pochoir-plate":                paper.KindAuto,
		"Title\x00scan":                paper.KindAuto,
		"":                             paper.KindAuto,
	} {
		file := bytes.Replace(b.Bytes(), chunk("tEXt", []byte("pochoir-plate\x00scan")), chunk("tEXt", []byte(text)), 1)
		path := filepath.Join(t.TempDir(), "x.png")
		if err := os.WriteFile(path, file, 0o644); err != nil {
			t.Fatal(err)
		}
		if p, err := Open(path, Options{}); err != nil || p.Plate != want {
			t.Errorf("%q: %v, %v", text, err, p)
		}
	}
}
