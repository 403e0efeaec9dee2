package quantize

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/quantize/colour"
)

// sheetPainter draws synthetic sheets: shapes given by signed distance, blurred in linear light by an edge profile of
// known spread, with uneven paint and grain.
type sheetPainter struct {
	w, h  int
	light [][3]float64
	rng   *rand.Rand
}

func newSheet(w, h int) *sheetPainter {
	s := &sheetPainter{w: w, h: h, light: make([][3]float64, w*h), rng: rand.New(rand.NewPCG(7, 11))}
	for i := range s.light {
		s.light[i] = [3]float64{1, 1, 1}
	}
	return s
}

// paint lays colour c where dist is negative; the edge spreads with standard deviation blur px. strength (1 = full)
// says how much ink lies at a place.
func (s *sheetPainter) paint(c colour.RGB, blur float64, dist func(x, y float64) float64, strength func(x, y float64) float64) {
	ink := [3]float64{colour.Linear(c.R), colour.Linear(c.G), colour.Linear(c.B)}
	for y := range s.h {
		for x := range s.w {
			px, py := float64(x)+0.5, float64(y)+0.5
			d := dist(px, py)
			if d > 5*blur+2 {
				continue
			}
			a := 0.5 * math.Erfc(d/(blur*math.Sqrt2))
			k := 1.0
			if strength != nil {
				k = strength(px, py)
			}
			p := &s.light[y*s.w+x]
			for j := range p {
				full := 1 - k*(1-ink[j])
				p[j] = p[j]*(1-a) + full*a
			}
		}
	}
}

func (s *sheetPainter) pixels(noise float64) Pixels {
	px := Pixels{W: s.w, H: s.h, Pix: make([]uint8, 4*s.w*s.h)}
	for i, l := range s.light {
		for j := range l {
			v := 255*colour.FromLinear(math.Min(math.Max(l[j], 0), 1)) + noise*s.rng.NormFloat64()
			px.Pix[4*i+j] = uint8(math.Min(math.Max(v+0.5, 0), 255))
		}
		px.Pix[4*i+3] = 255
	}
	return px
}

func disc(cx, cy, r float64) func(x, y float64) float64 {
	return func(x, y float64) float64 { return math.Hypot(x-cx, y-cy) - r }
}

func bar(x0, y0, x1, y1, width float64) func(x, y float64) float64 {
	dx, dy := x1-x0, y1-y0
	l := dx*dx + dy*dy
	return func(x, y float64) float64 {
		t := math.Max(0, math.Min(1, ((x-x0)*dx+(y-y0)*dy)/l))
		return math.Hypot(x-x0-t*dx, y-y0-t*dy) - width/2
	}
}

// nearestSwatch returns the palette entry nearest to c and its difference.
func nearestSwatch(f *Flats, c colour.RGB) (int, float64) {
	best, d := -1, math.Inf(1)
	for k, s := range f.Palette {
		if e := s.Colour.Difference(c); e < d {
			best, d = k, e
		}
	}
	return best, d
}

func TestPaperPaletteOfUnevenPaints(t *testing.T) {
	red, ochre, teal := colour.RGB{R: 190, G: 40, B: 50}, colour.RGB{R: 214, G: 160, B: 60}, colour.RGB{R: 30, G: 120, B: 130}
	for _, noise := range []float64{0.5, 2, 4} {
		s := newSheet(500, 400)
		streaks := func(x, y float64) float64 { return 0.97 + 0.03*math.Sin(y/3)*math.Sin(x/40) }
		s.paint(red, 0.8, disc(120, 120, 80), streaks)
		s.paint(ochre, 0.8, disc(330, 140, 90), func(x, y float64) float64 { return 0.96 + 0.04*math.Sin(x/25)*math.Cos(y/31) })
		s.paint(teal, 0.8, disc(250, 300, 70), nil)
		f, err := FlattenPaper(s.pixels(noise), noise, 0.8, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Palette) != 4 {
			t.Errorf("noise %g: %d colours, want 4: %v", noise, len(f.Palette), f.Palette)
		}
		// the paints as they lie on the paper in the mean
		thin := func(c colour.RGB, k float64) colour.RGB {
			ch := func(v uint8) uint8 { return colour.Byte(colour.FromLinear(1 - k*(1-colour.Linear(v)))) }
			return colour.RGB{R: ch(c.R), G: ch(c.G), B: ch(c.B)}
		}
		for _, c := range []colour.RGB{thin(red, 0.97), thin(ochre, 0.96), teal, {R: 255, G: 255, B: 255}} {
			if _, d := nearestSwatch(f, c); d > 2.5 {
				t.Errorf("noise %g: no swatch near %s, the nearest is %.1f away: %v", noise, c.Hex(), d, f.Palette)
			}
		}
		if f.Ground != 0 || f.Medium != MediumFlat {
			t.Errorf("noise %g: ground %d, medium %d, want 0 and flat", noise, f.Ground, f.Medium)
		}
	}
}

func TestPaperWorkersDoNotMatter(t *testing.T) {
	s := newSheet(300, 280)
	s.paint(colour.RGB{R: 200, G: 60, B: 40}, 1, disc(100, 120, 60), nil)
	s.paint(colour.RGB{R: 30, G: 30, B: 35}, 1, bar(20, 250, 280, 30, 4), nil)
	px := s.pixels(3)
	var first *Flats
	for _, workers := range []int{1, 2, 5, 0} {
		f, err := FlattenPaper(px, 3, 1, Options{Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = f
			continue
		}
		if !bytes.Equal(f.Labels, first.Labels) || !bytes.Equal(f.pix, first.pix) {
			t.Errorf("%d workers give another result than 1", workers)
		}
	}
}

func TestPaperOddSheets(t *testing.T) {
	fill := func(w, h int, f func(i int) uint8) Pixels {
		px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h)}
		for i := range px.Pix {
			px.Pix[i] = f(i)
		}
		return px
	}
	rng := rand.New(rand.NewPCG(1, 2))
	kinds := map[string]func(int) uint8{
		"white": func(int) uint8 { return 255 },
		"black": func(i int) uint8 { return map[bool]uint8{true: 255}[i%4 == 3] },
		"grey":  func(int) uint8 { return 128 },
		"noise": func(int) uint8 { return uint8(rng.Uint32()) },
	}
	for name, k := range kinds {
		for _, size := range [][2]int{{1, 1}, {1, 9}, {7, 1}, {2, 3}, {17, 33}, {64, 65}, {130, 70}} {
			f, err := FlattenPaper(fill(size[0], size[1], k), 0, 0, Options{})
			if err != nil {
				t.Fatalf("%s %v: %v", name, size, err)
			}
			for i, l := range f.Labels {
				if int(l) >= len(f.Palette) {
					t.Fatalf("%s %v: pixel %d has label %d of %d", name, size, i, l, len(f.Palette))
				}
			}
			if name != "noise" && len(f.Palette) != 1 {
				t.Errorf("%s %v: %d colours, want 1", name, size, len(f.Palette))
			}
		}
	}
	if _, err := FlattenPaper(Pixels{}, 0, 0, Options{}); err == nil {
		t.Error("a sheet without pixels gives no error")
	}
}
