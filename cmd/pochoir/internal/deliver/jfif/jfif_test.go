package jfif

import (
	"bytes"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"testing"
)

// TestTransform compares the integer transform with the defining double sum of T.81, A.3.3.
func TestTransform(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	worst := 0.0
	for range 200 {
		var b [64]int32
		for i := range b {
			b[i] = rng.Int32N(256) - 128
		}
		in := b
		transform(&b)
		for v := range 8 {
			for u := range 8 {
				sum := 0.0
				for y := range 8 {
					for x := range 8 {
						sum += float64(in[8*y+x]) * math.Cos(float64(2*x+1)*float64(u)*math.Pi/16) *
							math.Cos(float64(2*y+1)*float64(v)*math.Pi/16)
					}
				}
				for _, k := range []int{u, v} {
					if k == 0 {
						sum /= math.Sqrt2
					}
				}
				worst = max(worst, math.Abs(sum/4-float64(b[8*v+u])/8))
			}
		}
	}
	if worst > 0.3 {
		t.Errorf("worst error %.3f of a coefficient, want <= 0.3", worst)
	}
}

// TestTables compares quantiser and Huffman tables with those in a file of the standard library's encoder, which
// takes them from the same annex.
func TestTables(t *testing.T) {
	m := image.NewRGBA(image.Rect(0, 0, 8, 8))
	var ours, theirs bytes.Buffer
	if err := Encode(&ours, m, 50, 300); err != nil {
		t.Fatal(err)
	}
	if err := jpeg.Encode(&theirs, m, &jpeg.Options{Quality: 50}); err != nil {
		t.Fatal(err)
	}
	for _, marker := range []byte{0xdb, 0xc4} {
		a, b := payload(ours.Bytes(), marker), payload(theirs.Bytes(), marker)
		if !bytes.Equal(a, b) {
			t.Errorf("segment %#x: %d bytes differ from the reference's %d", marker, len(a), len(b))
		}
	}
}

// payload joins the data of all segments with one marker, tables in order of class and number.
func payload(b []byte, marker byte) []byte {
	tables := map[byte][]byte{}
	for i := 2; i+4 < len(b) && b[i] == 0xff && b[i+1] != 0xda; {
		n := int(b[i+2])<<8 | int(b[i+3])
		data := b[i+4 : i+2+n]
		if b[i+1] == marker {
			for len(data) > 0 {
				size := 65
				if marker == 0xc4 {
					size = 17
					for _, c := range data[1:17] {
						size += int(c)
					}
				}
				tables[data[0]] = data[:size]
				data = data[size:]
			}
		}
		i += 2 + n
	}
	var out []byte
	for id := range 256 {
		out = append(out, tables[byte(id)]...)
	}
	return out
}

// TestDecodes has the standard library decode what was encoded: flat areas of saturated colour keep their colour up to
// the edge, on sizes that are no multiple of eight.
func TestDecodes(t *testing.T) {
	for _, size := range []image.Point{{1, 1}, {8, 8}, {17, 9}, {64, 48}, {131, 77}} {
		m := image.NewRGBA(image.Rectangle{Max: size})
		for y := range size.Y {
			for x := range size.X {
				c := color.RGBA{200, 30, 40, 255}
				if x*3 > y*2+20 {
					c = color.RGBA{255, 255, 255, 255}
				}
				if x > 90 {
					c = color.RGBA{0, 90, 140, 255}
				}
				m.SetRGBA(x, y, c)
			}
		}
		var buf bytes.Buffer
		if err := Encode(&buf, m, 95, 300); err != nil {
			t.Fatal(err)
		}
		got, err := jpeg.Decode(&buf)
		if err != nil {
			t.Fatalf("%v: %v", size, err)
		}
		if got.Bounds() != m.Bounds() {
			t.Fatalf("%v: decoded as %v", size, got.Bounds())
		}
		sum, worst := 0.0, 0.0
		for y := range size.Y {
			for x := range size.X {
				r, g, b, _ := got.At(x, y).RGBA()
				want := m.RGBAAt(x, y)
				for _, d := range []float64{float64(r>>8) - float64(want.R), float64(g>>8) - float64(want.G),
					float64(b>>8) - float64(want.B)} {
					sum += math.Abs(d)
					worst = max(worst, math.Abs(d))
				}
			}
		}
		// A block that holds an edge is off by about a third of the quantiser's steps, 2 to 10 at quality 95.
		if mean := sum / float64(3*size.X*size.Y); mean > 3.5 || worst > 24 {
			t.Errorf("%v: mean difference %.2f, worst %.0f of 255", size, mean, worst)
		}
	}
}

func TestNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	m := image.NewRGBA(image.Rect(0, 0, 40, 40))
	for i := range m.Pix {
		m.Pix[i] = uint8(rng.Uint32())
	}
	for _, q := range []int{1, 50, 100} {
		var buf bytes.Buffer
		if err := Encode(&buf, m, q, 72, Segment{0xe1, []byte("note")}); err != nil {
			t.Fatal(err)
		}
		got, err := jpeg.Decode(bytes.NewReader(buf.Bytes()))
		if err != nil {
			t.Fatalf("quality %d: %v", q, err)
		}
		if q == 100 {
			r, _, _, _ := got.At(5, 5).RGBA()
			if d := math.Abs(float64(r>>8) - float64(m.RGBAAt(5, 5).R)); d > 4 {
				t.Errorf("quality 100: red differs by %.0f", d)
			}
		}
	}
}

func TestRefusals(t *testing.T) {
	m := image.NewRGBA(image.Rect(0, 0, 4, 4))
	for _, err := range []error{
		Encode(&bytes.Buffer{}, image.NewRGBA(image.Rect(0, 0, 0, 4)), 90, 300),
		Encode(&bytes.Buffer{}, m, 0, 300),
		Encode(&bytes.Buffer{}, m, 90, 0),
		Encode(&bytes.Buffer{}, m, 90, 300, Segment{0xe1, make([]byte, MaxSegment+1)}),
	} {
		if err == nil {
			t.Error("bad call went through")
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	m := image.NewRGBA(image.Rect(0, 0, 2000, 2000))
	for y := range 2000 {
		for x := range 2000 {
			if (x/37+y/53)%3 == 0 {
				m.SetRGBA(x, y, color.RGBA{200, 90, 40, 255})
			}
		}
	}
	b.SetBytes(int64(len(m.Pix)))
	for b.Loop() {
		if err := Encode(&bytes.Buffer{}, m, 95, 300); err != nil {
			b.Fatal(err)
		}
	}
}
