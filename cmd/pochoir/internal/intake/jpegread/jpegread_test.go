package jpegread

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math"
	"math/bits"
	"math/rand/v2"
	"sync"
	"testing"
)

// read decodes data into one picture.
func read(data []byte, workers int) (image.Image, error) {
	cfg, err := jpeg.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, ErrVariant
	}
	var mu sync.Mutex
	var all *image.YCbCr
	rows := 0
	err = Decode(data, cfg.Width, cfg.Height, workers, func(b *image.YCbCr) {
		mu.Lock()
		defer mu.Unlock()
		if all == nil {
			all = image.NewYCbCr(image.Rect(0, 0, cfg.Width, cfg.Height), b.SubsampleRatio)
		}
		rows += b.Rect.Dy()
		for y := b.Rect.Min.Y; y < b.Rect.Max.Y; y++ {
			for x := range cfg.Width {
				all.Y[all.YOffset(x, y)] = b.Y[b.YOffset(x, y)]
				all.Cb[all.COffset(x, y)] = b.Cb[b.COffset(x, y)]
				all.Cr[all.COffset(x, y)] = b.Cr[b.COffset(x, y)]
			}
		}
	}, func(Block) {})
	if err == nil && rows != cfg.Height {
		return nil, fmt.Errorf("%d of %d rows", rows, cfg.Height)
	}
	return all, err
}

// same holds a picture against that of image/jpeg.
func same(got, want image.Image) error {
	if got.Bounds() != want.Bounds() {
		return fmt.Errorf("bounds %v, want %v", got.Bounds(), want.Bounds())
	}
	b := want.Bounds()
	for y := range b.Max.Y {
		for x := range b.Max.X {
			g, w := got.At(x, y), want.At(x, y)
			if v, ok := w.(color.Gray); ok {
				w = color.YCbCr{Y: v.Y, Cb: grey, Cr: grey}
			}
			if g != w {
				return fmt.Errorf("%v at %d,%d, want %v", g, x, y, w)
			}
		}
	}
	return nil
}

// scene draws edges, gradients and noise, w x h px.
func scene(w, h int) *image.RGBA {
	rng := rand.New(rand.NewPCG(uint64(w), uint64(h)))
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{uint8(x * 5), uint8(y * 3), uint8(x + y), 255}
			switch {
			case math.Hypot(float64(x-w/2), float64(y-h/2)) < float64(min(w, h))/3:
				c = color.RGBA{26, 140, 140, 255}
			case x > w/2:
				v := uint8(rng.UintN(256))
				c = color.RGBA{v, uint8(rng.UintN(256)), 255 - v, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

// sizes are whole blocks, one pixel less and more, and less than one.
var sizes = []image.Point{{64, 48}, {63, 47}, {65, 49}, {1, 1}, {7, 200}, {200, 3}, {16, 16}, {17, 15}}

// TestSameAsImageJPEG: what image/jpeg writes (4:2:0 and grey, at all qualities) is read as it reads it.
func TestSameAsImageJPEG(t *testing.T) {
	for _, size := range sizes {
		colour := scene(size.X, size.Y)
		grey := image.NewGray(colour.Rect)
		draw.Draw(grey, grey.Rect, colour, image.Point{}, draw.Src)
		for _, m := range []image.Image{colour, grey} {
			for _, q := range []int{1, 10, 50, 75, 92, 100} {
				var b bytes.Buffer
				if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: q}); err != nil {
					t.Fatal(err)
				}
				check(t, fmt.Sprintf("%T, %v, quality %d", m, size, q), b.Bytes())
			}
		}
	}
}

// check holds what is read of a file that must be read against image/jpeg.
func check(t *testing.T, name string, file []byte) {
	t.Helper()
	want, err := jpeg.Decode(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	for workers := 1; workers <= 3; workers++ {
		got, err := read(file, workers)
		if err == nil {
			err = same(got, want)
		}
		if err != nil {
			t.Errorf("%s, %d workers: %v", name, workers, err)
		}
	}
}

// coder writes coded data, bit by bit (ITU-T T.81 §F.1.2.3).
type coder struct {
	data []byte
	acc  uint64
	n    int
}

func (c *coder) put(v, n int) {
	c.acc, c.n = c.acc<<n|uint64(v)&(1<<n-1), c.n+n
	for ; c.n >= 8; c.n -= 8 {
		b := byte(c.acc >> (c.n - 8))
		if c.data = append(c.data, b); b == 0xff {
			c.data = append(c.data, 0)
		}
	}
}

// flush fills the last byte with ones.
func (c *coder) flush() {
	if c.n > 0 {
		c.put(1<<(8-c.n)-1, 8-c.n)
	}
}

// code puts a symbol of a table whose symbols are given in the order of their codes.
func (c *coder) code(counts, symbols []byte, symbol byte) {
	code, at := 0, 0
	for n := 1; n <= 16; n++ {
		for range counts[n-1] {
			if symbols[at] == symbol {
				c.put(code, n)
				return
			}
			code++
			at++
		}
		code <<= 1
	}
	panic("no such symbol")
}

// value puts a symbol of run and size of v, and v.
func (c *coder) value(counts, symbols []byte, run, v int) {
	size := bits.Len(uint(max(v, -v)))
	c.code(counts, symbols, byte(run<<4|size))
	if v < 0 {
		v += 1<<size - 1
	}
	c.put(v, size)
}

// madeUp writes a file of random coefficients and tables, with codes of all lengths.
func madeUp(rng *rand.Rand, size image.Point, comps, h, v, restart int) []byte {
	dcCounts := []byte{0, 1, 5, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0}
	acCounts := []byte{0, 2, 1, 3, 3, 2, 4, 3, 5, 5, 4, 4, 0, 0, 1, 125}
	dcSymbols := []byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}
	acSymbols := []byte{endOfBlock, sixteenZeros}
	for run := range 16 {
		for size := 1; size <= 10; size++ {
			acSymbols = append(acSymbols, byte(run<<4|size))
		}
	}
	rng.Shuffle(len(dcSymbols), func(i, j int) { dcSymbols[i], dcSymbols[j] = dcSymbols[j], dcSymbols[i] })
	rng.Shuffle(len(acSymbols), func(i, j int) { acSymbols[i], acSymbols[j] = acSymbols[j], acSymbols[i] })

	file := []byte{0xff, markerSOI}
	segment := func(marker byte, b ...byte) {
		file = append(file, 0xff, marker, byte((len(b)+2)>>8), byte(len(b)+2))
		file = append(file, b...)
	}
	quant := []byte{0}
	for range 64 {
		quant = append(quant, byte(1+rng.IntN(255)))
	}
	segment(markerDQT, quant...)
	frame := []byte{8, byte(size.Y >> 8), byte(size.Y), byte(size.X >> 8), byte(size.X), byte(comps)}
	scan := []byte{byte(comps)}
	for i := range comps {
		hv := byte(0x11)
		if i == 0 {
			hv = byte(h<<4 | v)
		}
		frame = append(frame, byte(i+1), hv, 0)
		scan = append(scan, byte(i+1), 0)
	}
	segment(markerSOF0, frame...)
	segment(markerDHT, append(append([]byte{0x00}, dcCounts...), dcSymbols...)...)
	segment(markerDHT, append(append([]byte{0x10}, acCounts...), acSymbols...)...)
	if restart > 0 {
		segment(markerDRI, byte(restart>>8), byte(restart))
	}
	segment(markerSOS, append(scan, 0, 63, 0)...)

	if comps == 1 {
		h, v = 1, 1
	}
	var c coder
	units := ((size.X + 8*h - 1) / (8 * h)) * ((size.Y + 8*v - 1) / (8 * v))
	var dc [3]int
	for unit := range units {
		if restart > 0 && unit > 0 && unit%restart == 0 {
			c.flush()
			c.data = append(c.data, 0xff, markerRST0+byte((unit/restart-1)%8))
			dc = [3]int{}
		}
		for i := range comps {
			blocks := 1
			if i == 0 {
				blocks = h * v
			}
			for range blocks {
				to := rng.IntN(2047) - 1023
				c.value(dcCounts, dcSymbols, 0, to-dc[i])
				dc[i] = to
				k := 0
				for rng.IntN(8) > 0 { // about eight coefficients a block
					run := rng.IntN(20) % 17
					if k+run+1 > 63 {
						break
					}
					if run == 16 {
						c.code(acCounts, acSymbols, sixteenZeros)
						k += 16
						continue
					}
					v := 1 + rng.IntN(1<<(1+rng.IntN(10))-1)
					if rng.IntN(2) == 0 {
						v = -v
					}
					c.value(acCounts, acSymbols, run, v)
					k += 1 + run
				}
				if k < 63 {
					c.code(acCounts, acSymbols, endOfBlock)
				}
			}
		}
	}
	c.flush()
	return append(append(file, c.data...), 0xff, markerEOI)
}

// TestMadeUp reads files with every sampling, with and without restart markers, whose coefficients lie far outside what
// a picture gives: what wraps does so as in image/jpeg.
func TestMadeUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, size := range sizes {
		for _, restart := range []int{0, 1, 3} {
			for _, hv := range []image.Point{{1, 1}, {2, 1}, {1, 2}, {2, 2}} {
				check(t, fmt.Sprint(size, hv, restart), madeUp(rng, size, 3, hv.X, hv.Y, restart))
			}
			check(t, fmt.Sprint("grey ", size, restart), madeUp(rng, size, 1, 2, 2, restart))
		}
	}
}

// TestVariants: what this package does not read it says so of.
func TestVariants(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	size := image.Pt(40, 30)
	good := madeUp(rng, size, 3, 2, 2, 2)
	edit := func(find, with []byte) []byte {
		at := bytes.Index(good, find)
		if at < 0 {
			t.Fatalf("%x is not in the file", find)
		}
		return append(append(bytes.Clone(good[:at]), with...), good[at+len(find):]...)
	}
	adobe := append([]byte{0xff, markerSOI, 0xff, markerAPP14, 0, 14}, "Adobe\x00\x64\x00\x00\x00\x00\x00"...)
	for name, file := range map[string][]byte{
		"progressive":           edit([]byte{0xff, markerSOF0}, []byte{0xff, 0xc2}),
		"4:1:1":                 edit([]byte{1, 0x22, 0}, []byte{1, 0x41, 0}),
		"chroma at luma's size": edit([]byte{2, 0x11, 0}, []byte{2, 0x22, 0}),
		"12 bits":               edit([]byte{17, 8}, []byte{17, 12}),
		"red, green, blue":      append(adobe, good[2:]...),
		"restart out of order":  edit([]byte{0xff, markerRST0}, []byte{0xff, markerRST0 + 1}),
		"something at the end":  edit([]byte{0xff, markerEOI}, []byte{0, 0xff, markerEOI}),
	} {
		if err := Decode(file, size.X, size.Y, 2, func(*image.YCbCr) {}, func(Block) {}); !errors.Is(err, ErrVariant) {
			t.Errorf("%s: %v, want ErrVariant", name, err)
		}
	}
}

// TestDamaged: a file cut anywhere is refused, and so is one whose picture is of another size than promised.
func TestDamaged(t *testing.T) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, scene(40, 40), nil); err != nil {
		t.Fatal(err)
	}
	for n := range b.Len() {
		if err := Decode(b.Bytes()[:n], 40, 40, 2, func(*image.YCbCr) {}, func(Block) {}); !errors.Is(err, ErrVariant) {
			t.Fatalf("cut at %d: %v, want ErrVariant", n, err)
		}
	}
	if err := Decode(b.Bytes(), 40, 41, 1, func(*image.YCbCr) {}, func(Block) {}); !errors.Is(err, ErrVariant) {
		t.Errorf("of another size: %v, want ErrVariant", err)
	}
}

// TestCoded: the coefficients of the blocks that are handed out transform to their samples, in double precision, and every
// other block is even.
func TestCoded(t *testing.T) {
	for _, size := range sizes {
		var b bytes.Buffer
		if err := jpeg.Encode(&b, scene(size.X, size.Y), &jpeg.Options{Quality: 60}); err != nil {
			t.Fatal(err)
		}
		var mu sync.Mutex
		coded := map[image.Point][64]float64{}
		last := map[int]int{}
		err := Decode(b.Bytes(), size.X, size.Y, 2, func(*image.YCbCr) {}, func(c Block) {
			mu.Lock()
			defer mu.Unlock()
			if before, ok := last[c.Y]; ok && before >= c.X {
				t.Errorf("block %d of row %d after %d", c.X, c.Y, before)
			}
			last[c.Y] = c.X
			var v [64]float64
			for k := range v {
				v[k] = float64(c.Coefs[k]) * float64(c.Quant[k])
			}
			coded[image.Pt(c.X, c.Y)] = v
		})
		if err != nil {
			t.Fatal(err)
		}
		m, err := jpeg.Decode(bytes.NewReader(b.Bytes()))
		if err != nil {
			t.Fatal(err)
		}
		luma := m.(*image.YCbCr)
		for y := range size.Y {
			for x := range size.X {
				got := float64(luma.Y[luma.YOffset(x, y)])
				c, ok := coded[image.Pt(x/8, y/8)]
				if !ok {
					if first := luma.Y[luma.YOffset(x/8*8, y/8*8)]; got != float64(first) {
						t.Fatalf("%v: the block at (%d, %d) is not even", size, x, y)
					}
					continue
				}
				want := 128.0
				for k, v := range c {
					cos := func(n, k int) float64 {
						if k == 0 {
							return math.Sqrt(1. / 8)
						}
						return math.Cos(float64(2*n+1)*float64(k)*math.Pi/16) / 2
					}
					want += v * cos(x%8, k%8) * cos(y%8, k/8)
				}
				if want = max(0, min(255, want)); math.Abs(got-want) > 1 {
					t.Fatalf("%v: luma %g at (%d, %d), the coefficients give %.2f", size, got, x, y, want)
				}
			}
		}
	}
}

// FuzzDecode: what is read here, image/jpeg reads as well, to the same samples.
func FuzzDecode(f *testing.F) {
	for _, size := range sizes {
		for _, m := range []image.Image{scene(size.X, size.Y), image.NewGray(image.Rect(0, 0, size.X, size.Y))} {
			var b bytes.Buffer
			if err := jpeg.Encode(&b, m, nil); err != nil {
				f.Fatal(err)
			}
			f.Add(b.Bytes())
		}
		rng := rand.New(rand.NewPCG(5, 6))
		f.Add(madeUp(rng, size, 3, 2, 1, 2))
		f.Add(madeUp(rng, size, 3, 1, 2, 0))
		f.Add(madeUp(rng, size, 1, 1, 1, 1))
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		cfg, err := jpeg.DecodeConfig(bytes.NewReader(file))
		if err != nil || cfg.Width*cfg.Height > 1<<16 {
			return
		}
		got, err := read(file, 2)
		if err != nil {
			if !errors.Is(err, ErrVariant) {
				t.Fatal(err)
			}
			return
		}
		want, err := jpeg.Decode(bytes.NewReader(file))
		if err != nil {
			t.Fatalf("read what image/jpeg refuses: %v", err)
		}
		if err := same(got, want); err != nil {
			t.Fatal(err)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	var file bytes.Buffer
	if err := jpeg.Encode(&file, scene(2000, 1500), &jpeg.Options{Quality: 90}); err != nil {
		b.Fatal(err)
	}
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("3Mpx/%d-workers", workers), func(b *testing.B) {
			b.SetBytes(3e6)
			for b.Loop() {
				if err := Decode(file.Bytes(), 2000, 1500, workers, func(*image.YCbCr) {}, func(Block) {}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("3Mpx/image-jpeg", func(b *testing.B) {
		b.SetBytes(3e6)
		for b.Loop() {
			if _, err := jpeg.Decode(bytes.NewReader(file.Bytes())); err != nil {
				b.Fatal(err)
			}
		}
	})
}
