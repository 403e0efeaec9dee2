package baseline

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"pochoir/cmd/pochoir/internal/deliver/jfif"
)

// testdata/422.jpg was written by Pillow 9.4 from 23 x 23 px of intake's scene.png, with half as much chroma across.

// flats returns a picture of even areas with hard edges, under noise of ± level.
func flats(w, h, level int) *image.RGBA {
	rng := rand.New(rand.NewPCG(uint64(w), uint64(h)))
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := [3]int{255, 255, 255}
			if (x-w/2)*(x-w/2)+(y-h/2)*(y-h/2) < w*h/7 {
				c = [3]int{20, 120, 200}
			} else if x/11%3 == 0 {
				c = [3]int{240, 90, 10}
			}
			for k := range c {
				c[k] = min(255, max(0, c[k]+rng.IntN(2*level+1)-level))
			}
			m.SetRGBA(x, y, color.RGBA{uint8(c[0]), uint8(c[1]), uint8(c[2]), 255})
		}
	}
	return m
}

// files returns JPEG files of all samplings, sizes that are no multiple of a unit, and much and little detail.
func files(t testing.TB) map[string][]byte {
	t.Helper()
	half, err := os.ReadFile(filepath.Join("testdata", "422.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{"422": half}
	// As the picture is square, its units are as many when they are taken to be upright: another picture, but a sound file.
	if out["440"] = bytes.Replace(bytes.Clone(half), []byte{1, 0x21, 0}, []byte{1, 0x12, 0}, 1); bytes.Equal(half, out["440"]) {
		t.Fatal("no sampling of luma to replace")
	}
	for name, m := range map[string]*image.RGBA{"even": flats(200, 133, 0), "noisy": flats(129, 64, 40), "dot": flats(1, 1, 0)} {
		for _, quality := range []int{3, 50, 92, 100} {
			var b bytes.Buffer
			if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
				t.Fatal(err)
			}
			out[name+"-420-q"+string(rune('0'+quality/11))] = bytes.Clone(b.Bytes())
			b.Reset()
			if err := jfif.Encode(&b, m, quality, 300); err != nil {
				t.Fatal(err)
			}
			out[name+"-444-q"+string(rune('0'+quality/11))] = b.Bytes()
		}
	}
	return out
}

// TestDecode compares with image/jpeg, sample by sample.
func TestDecode(t *testing.T) {
	seen := map[image.YCbCrSubsampleRatio]bool{}
	for name, b := range files(t) {
		got, ok := Decode(b, 2)
		if !ok {
			t.Errorf("%s: not taken", name)
			continue
		}
		m, err := jpeg.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(name, err)
		}
		want := m.(*image.YCbCr)
		if got.Rect != want.Rect || got.SubsampleRatio != want.SubsampleRatio {
			t.Errorf("%s: %v %v, want %v %v", name, got.Rect, got.SubsampleRatio, want.Rect, want.SubsampleRatio)
			continue
		}
		seen[got.SubsampleRatio] = true
		one, ok := Decode(b, 1)
		if !ok || !bytes.Equal(one.Y, got.Y) || !bytes.Equal(one.Cb, got.Cb) || !bytes.Equal(one.Cr, got.Cr) {
			t.Errorf("%s: one worker gives another picture than two", name)
		}
		for k, p := range [3][2][]uint8{{got.Y, want.Y}, {got.Cb, want.Cb}, {got.Cr, want.Cr}} {
			for i := range p[1] {
				if d := int(p[0][i]) - int(p[1][i]); d < -1 || d > 1 {
					t.Fatalf("%s: plane %d, sample %d: %d, want %d", name, k, i, p[0][i], p[1][i])
				}
			}
		}
	}
	if len(seen) != 4 {
		t.Errorf("%d samplings of chroma tried, want 4", len(seen))
	}
}

// TestInverse compares with the transform's definition (T.81, A.3.3) in floating point.
func TestInverse(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	off := 0
	const rounds = 400
	for range rounds {
		var b [64]int32
		for range 1 + rng.IntN(64) {
			b[rng.IntN(64)] = int32(rng.IntN(601) - 300)
		}
		var want [64]float64
		for y := range 8 {
			for x := range 8 {
				for v := range 8 {
					for u := range 8 {
						c := 0.25
						if u == 0 {
							c *= math.Sqrt2 / 2
						}
						if v == 0 {
							c *= math.Sqrt2 / 2
						}
						want[8*y+x] += c * float64(b[8*v+u]) * math.Cos(float64((2*x+1)*u)*math.Pi/16) * math.Cos(float64((2*y+1)*v)*math.Pi/16)
					}
				}
			}
		}
		var got [64]uint8
		inverse(&b, got[:], 8)
		for i := range got {
			exact := min(255, max(0, want[i]+level))
			switch d := math.Abs(float64(got[i]) - exact); {
			case d > 0.6:
				t.Fatalf("sample %d is %d, want %.3f", i, got[i], exact)
			case d > 0.5+1e-9:
				off++
			}
		}
	}
	if share := float64(off) / (64 * rounds); share > 0.01 {
		t.Errorf("%.2f %% of the samples are rounded the wrong way", 100*share)
	}
}

// TestLeft lists what is left to another decoder.
func TestLeft(t *testing.T) {
	whole := files(t)["even-420-q8"]
	replaced := func(from, to string) []byte {
		if !bytes.Contains(whole, []byte(from)) {
			t.Fatalf("no %q to replace", from)
		}
		return bytes.Replace(bytes.Clone(whole), []byte(from), []byte(to), 1)
	}
	for name, b := range map[string][]byte{
		"empty":          nil,
		"no JPEG":        []byte("GIF89a"),
		"progressive":    replaced("\xff\xc0", "\xff\xc2"),
		"12 bits":        replaced("\xff\xc0\x00\x11\x08", "\xff\xc0\x00\x11\x0c"),
		"restarts":       replaced("\xff\xc0", "\xff\xdd\x00\x04\x00\x08\xff\xc0"),
		"Adobe":          replaced("\xff\xc0", "\xff\xee\x00\x0e\x41dobe\x00\x64\x00\x00\x00\x00\x00\xff\xc0"),
		"without end":    whole[:len(whole)-2],
		"cut in the end": whole[:len(whole)-9],
		"cut in half":    whole[:len(whole)/2],
		"more data":      append(bytes.Clone(whole[:len(whole)-2]), "\x12\x34\x56\xff\xd9"...),
	} {
		if _, ok := Decode(b, 2); ok {
			t.Errorf("%s: taken", name)
		}
	}
}

// FuzzDecode holds what is taken against image/jpeg: it must take it too, and for a picture of the same size.
func FuzzDecode(f *testing.F) {
	for _, b := range files(f) {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if c, err := jpeg.DecodeConfig(bytes.NewReader(b)); err == nil && c.Width*c.Height > 1<<20 {
			return
		}
		got, ok := Decode(b, 2)
		if !ok {
			return
		}
		m, err := jpeg.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal("image/jpeg does not take it:", err)
		}
		if got.Bounds() != m.Bounds() {
			t.Fatalf("%v, want %v", got.Bounds(), m.Bounds())
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	var file bytes.Buffer
	if err := jpeg.Encode(&file, flats(2000, 1500, 0), &jpeg.Options{Quality: 92}); err != nil {
		b.Fatal(err)
	}
	b.Run("one", func(b *testing.B) {
		for b.Loop() {
			Decode(file.Bytes(), 1)
		}
	})
	b.Run("two", func(b *testing.B) {
		for b.Loop() {
			Decode(file.Bytes(), 2)
		}
	})
	b.Run("library", func(b *testing.B) {
		for b.Loop() {
			if _, err := jpeg.Decode(bytes.NewReader(file.Bytes())); err != nil {
				b.Fatal(err)
			}
		}
	})
}
