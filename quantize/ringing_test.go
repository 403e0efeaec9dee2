package quantize

import (
	"math"
	"testing"

	"pochoir/quantize/colour"
)

// usualSteps is table K.1 of ITU-T T.81, luma, at a quarter, as quality 88 has it.
var usualSteps = func() (t [64]uint8) {
	for k, v := range [64]int{
		16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62,
		18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99,
	} {
		t[k] = uint8((v + 2) / 4)
	}
	return t
}()

// codedLuma returns a picture of w x h px, grey levels by at, as a JPEG of the usual steps has it, and its luma.
func codedLuma(w, h int, at func(x, y int) float64) Pixels {
	l := &Luma{Steps: usualSteps, Rows: make([][]LumaBlock, h/blockSide)}
	px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h), Lossy: true, Luma: l}
	for by := range h / blockSide {
		for bx := range w / blockSide {
			var s lumaSquare
			for k := range s {
				s[k] = at(bx*blockSide+k%blockSide, by*blockSide+k/blockSide) - lumaMiddle
			}
			s.forth()
			b, even := LumaBlock{X: int32(bx)}, true
			for k := range s {
				step := float64(usualSteps[k])
				b.Coefs[k] = int16(math.Round(s[k] / step))
				s[k] = float64(b.Coefs[k]) * step
				even = even && (k == 0 || b.Coefs[k] == 0)
			}
			if !even {
				l.Rows[by] = append(l.Rows[by], b)
			}
			s.back()
			for k, v := range s {
				i := 4 * ((by*blockSide+k/blockSide)*w + bx*blockSide + k%blockSide)
				g := uint8(max(0, min(255, math.Round(v+lumaMiddle))))
				px.Pix[i], px.Pix[i+1], px.Pix[i+2], px.Pix[i+3] = g, g, g, 255
			}
		}
	}
	return px
}

// The transform is that of ITU-T T.81 §A.3.3, and goes back to where it came from.
func TestForthAndBack(t *testing.T) {
	var s lumaSquare
	for k := range s {
		s[k] = float64(k*k%37) - 15
	}
	c := s
	c.forth()
	for v := range blockSide {
		for u := range blockSide {
			want := 0.0
			for k, x := range s {
				want += x / 4 * math.Cos(float64(2*(k%8)+1)*float64(u)*math.Pi/16) * math.Cos(float64(2*(k/8)+1)*float64(v)*math.Pi/16)
			}
			for _, f := range [2]int{u, v} {
				if f == 0 {
					want /= math.Sqrt2
				}
			}
			if got := c[blockSide*v+u]; math.Abs(got-want) > 1e-9 {
				t.Errorf("coefficient %d, %d is %g, want %g", u, v, got, want)
			}
		}
	}
	c.back()
	for k := range s {
		if math.Abs(c[k]-s[k]) > 1e-9 {
			t.Fatalf("sample %d is %g, was %g", k, c[k], s[k])
		}
	}
}

// Shares beside an edge come out with two thirds of the error that coding left, where white and black clip as well, and
// pixels amid an area show its colour.
func TestUnring(t *testing.T) {
	for _, c := range []struct{ lo, hi float64 }{{0, 255}, {90, 160}, {255, 60}} {
		const w, h = 96, 96
		cover := func(x, y int) float64 { // of a tilted square with sharp corners
			n := 0
			for k := range 64 {
				u, v := float64(x)+float64(k%8)/8+1./16-47.3, float64(y)+float64(k/8)/8+1./16-48.1
				if math.Abs(0.94*u+0.34*v) < 27 && math.Abs(0.94*v-0.34*u) < 27 {
					n++
				}
			}
			return float64(n) / 64
		}
		px := codedLuma(w, h, func(x, y int) float64 { return math.Round(c.lo + (c.hi-c.lo)*cover(x, y)) })
		errors := func(px Pixels) (edge, inside float64) {
			f, err := Flatten(px, Options{Colours: 2, Medium: MediumFlat})
			if err != nil {
				t.Fatal(err)
			}
			of := uint8(0)
			if math.Abs(float64(f.Palette[0].Colour.R)-c.hi) > math.Abs(float64(f.Palette[1].Colour.R)-c.hi) {
				of = 1
			}
			n := 0
			for y := 1; y < h-1; y++ {
				for x := 1; x < w-1; x++ {
					share := cover(x, y)
					d := f.Coverage(y*w+x, of, 1-of) - share
					if share > 0 && share < 1 {
						edge += d * d
						n++
					} else if all := cover(x-1, y-1) + cover(x+1, y-1) + cover(x-1, y+1) + cover(x+1, y+1); all == 4*share {
						inside = math.Max(inside, math.Abs(d))
					}
				}
			}
			return math.Sqrt(edge / float64(n)), inside
		}
		edge, inside := errors(px)
		px.Luma = nil
		was, wasInside := errors(px)
		if edge > 0.7*was {
			t.Errorf("%g beside %g: shares are off by %.4f, %.4f as decoded", c.hi, c.lo, edge, was)
		}
		if inside > 0.02 || wasInside < 0.02 {
			t.Errorf("%g beside %g: amid an area a share is off by %.4f, %.4f as decoded", c.hi, c.lo, inside, wasInside)
		}
	}
}

// A block that holds what its labels do not tell of stays as it was decoded.
func TestUnringUnlike(t *testing.T) {
	const w, h = 64, 64
	px := codedLuma(w, h, func(x, y int) float64 {
		switch {
		case y >= 12 && y < 15 && x >= 32 && x < 36: // a speck that no label shows
			return 150
		case x < 30:
			return 40
		}
		return 220
	})
	q := &flattener{px: &px, opt: Options{Workers: 1}, w: w, h: h, soft: true, paper: -1, labels: make([]uint8, w*h), core: make([]uint64, bitmapLen(w*h))}
	q.addTint(colour.RGB{R: 40, G: 40, B: 40}, 1)
	q.addTint(colour.RGB{R: 220, G: 220, B: 220}, 1)
	q.prepareMixtures()
	for i := range q.labels {
		if i%w >= 30 {
			q.labels[i] = 1
		}
	}
	q.unring()
	f := &Flats{W: w, H: h, px: px, clear: q.clear}
	changed := func(x0, y0 int) bool {
		for k := range blockSide * blockSide {
			i := (y0+k/blockSide)*w + x0 + k%blockSide
			if r, _, _ := f.Pixel(i); r != float64(px.Pix[4*i]) {
				return true
			}
		}
		return false
	}
	if changed(32, 8) {
		t.Error("the speck was wiped out")
	}
	if !changed(24, 40) {
		t.Error("a plain edge still rings")
	}
}
