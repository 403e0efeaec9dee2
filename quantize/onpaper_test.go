package quantize

import (
	"bytes"
	"math"
	"math/rand/v2"
	"strings"
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

// paint lays colour c where dist is negative; the edge spreads with standard deviation blur px beyond the pixel's box.
// strength (1 = full) says how much ink lies at a place.
func (s *sheetPainter) paint(c colour.RGB, blur float64, dist func(x, y float64) float64, strength func(x, y float64) float64) {
	ink := [3]float64{colour.Linear(c.R), colour.Linear(c.G), colour.Linear(c.B)}
	blur = math.Sqrt(blur*blur + 1.0/12) // the variance of the box
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
		if !bytes.Equal(f.Labels, first.Labels) || !bytes.Equal(f.px.Pix, first.px.Pix) {
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

// fourPaints is a sheet of three paints and black strokes.
func fourPaints() Pixels {
	s := newSheet(420, 320)
	s.paint(colour.RGB{R: 200, G: 50, B: 50}, 0.8, disc(90, 100, 60), nil)
	s.paint(colour.RGB{R: 220, G: 90, B: 60}, 0.8, disc(230, 100, 60), nil)
	s.paint(colour.RGB{R: 60, G: 110, B: 190}, 0.8, disc(120, 240, 60), nil)
	for k := range 6 {
		y := 20 + 50*float64(k)
		s.paint(colour.RGB{R: 25, G: 25, B: 28}, 0.8, bar(310, y, 400, y+20, 4), nil)
	}
	return s.pixels(2)
}

func TestPaperColoursAskedFor(t *testing.T) {
	for want := 2; want <= 7; want++ {
		f, err := FlattenPaper(fourPaints(), 2, 0.8, Options{Colours: want})
		if err != nil {
			t.Fatal(err)
		}
		if n := len(f.Palette); n != min(want, 5) {
			t.Errorf("%d colours, want %d of the 5 there are: %v", n, min(want, 5), f.Palette)
		}
	}
	f, err := FlattenPaper(fourPaints(), 2, 0.8, Options{Medium: MediumLine})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Palette) != 2 || f.Medium != MediumLine || f.Ink < 0 || f.Palette[f.Ink].Name != "ink" {
		t.Errorf("as a line drawing: medium %d, ink %d, %v", f.Medium, f.Ink, f.Palette)
	}
	if _, err := FlattenPaper(fourPaints(), 2, 0.8, Options{Colours: 1}); err == nil {
		t.Error("one colour was accepted")
	}
}

func TestPaperLockedPalette(t *testing.T) {
	locked := []Swatch{
		{Name: "sail", Colour: colour.RGB{R: 250, G: 245, B: 235}},
		{Name: "buoy", Colour: colour.RGB{R: 230, G: 60, B: 40}},
		{Name: "rope", Colour: colour.RGB{R: 150, G: 120, B: 70}},
		{Name: "harbour", Colour: colour.RGB{R: 40, G: 90, B: 170}},
		{Name: "tar", Colour: colour.RGB{R: 10, G: 10, B: 10}},
	}
	f, err := FlattenPaper(fourPaints(), 2, 0.8, Options{Palette: locked})
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, s := range f.Palette {
		names = append(names, s.Name)
	}
	if got, want := strings.Join(names, " "), "sail buoy harbour tar"; got != want {
		t.Errorf("swatches %q, want %q", got, want)
	}
	if f.Ground != 0 {
		t.Errorf("ground %d, want 0", f.Ground)
	}
	// where two reds come under one swatch there is no edge left, nor a pixel of another colour
	for i, l := range f.Labels {
		if f.IsCore(i) && (f.px.Pix[4*i] != f.Palette[l].Colour.R || f.px.Pix[4*i+1] != f.Palette[l].Colour.G) {
			t.Fatalf("core pixel %d does not show its swatch", i)
		}
	}
}

// The edge between two paints lies where it was drawn, to a small part of a pixel, whatever the paint's strength there.
func TestPaperEdgePosition(t *testing.T) {
	const w, h, x0 = 240, 200, 120.3
	for _, noise := range []float64{0.5, 3} {
		s := newSheet(w, h)
		fade := func(x, y float64) float64 { return 0.55 + 0.45*y/h }
		s.paint(colour.RGB{R: 40, G: 60, B: 150}, 0.9, func(x, y float64) float64 { return math.Max(math.Abs(x-x0-40)-40, math.Abs(y-100)-80) }, fade)
		f, err := FlattenPaper(s.pixels(noise), noise, 0.9, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Palette) != 2 {
			t.Fatalf("noise %g: %d colours, want 2: %v", noise, len(f.Palette), f.Palette)
		}
		var sum, worst float64
		n := 0
		for y := 40; y < 160; y++ {
			pos := 160.0 // inside the paint, the pixels left of it count back to the edge
			for x := 100; x < 160; x++ {
				pos -= f.Coverage(y*w+x, 1, 0)
			}
			sum += pos - x0
			worst = math.Max(worst, math.Abs(pos-x0))
			n++
		}
		if mean := sum / float64(n); math.Abs(mean) > 0.05 || worst > 0.1+0.2*noise {
			t.Errorf("noise %g: the edge lies %.3f px off in the mean, %.2f at worst", noise, mean, worst)
		}
	}
}

func FuzzFlattenPaper(f *testing.F) {
	f.Add(uint8(3), uint8(5), uint64(1), uint8(0))
	f.Add(uint8(40), uint8(31), uint64(2), uint8(3))
	f.Fuzz(func(t *testing.T, w, h uint8, seed uint64, kind uint8) {
		if w == 0 || h == 0 {
			return
		}
		rng := rand.New(rand.NewPCG(seed, 3))
		px := Pixels{W: int(w), H: int(h), Pix: make([]uint8, 4*int(w)*int(h))}
		side := 1 + int(kind%9)
		tone := make([]uint8, 3*256)
		for i := range tone {
			tone[i] = uint8(rng.Uint32())
		}
		for i := range int(w) * int(h) {
			x, y := i%int(w)/side, i/int(w)/side
			for k := range 3 {
				v := int(tone[3*((x*7+y*13)%256)+k])
				if kind&16 != 0 {
					v = 255 - v/12
				}
				px.Pix[4*i+k] = uint8(min(max(v+rng.IntN(1+int(kind>>5)*8), 0), 255))
			}
			px.Pix[4*i+3] = 255
		}
		fl, err := FlattenPaper(px, float64(kind%5), float64(kind%3), Options{Workers: 1 + int(kind%3)})
		if err != nil {
			t.Fatal(err)
		}
		used := make([]bool, len(fl.Palette))
		for i, l := range fl.Labels {
			if int(l) >= len(fl.Palette) {
				t.Fatalf("pixel %d has label %d of %d", i, l, len(fl.Palette))
			}
			used[l] = true
		}
		if fl.Ground >= len(fl.Palette) || fl.Ink >= len(fl.Palette) || fl.Medium == MediumAuto {
			t.Fatalf("ground %d, ink %d, medium %d", fl.Ground, fl.Ink, fl.Medium)
		}
	})
}

// BenchmarkFlattenPaper times a sheet of 2 megapixels and says how far its swatches and edges are off.
func BenchmarkFlattenPaper(b *testing.B) {
	const w, h = 1600, 1250
	red, blue, black := colour.RGB{R: 200, G: 60, B: 50}, colour.RGB{R: 60, G: 100, B: 180}, colour.RGB{R: 25, G: 25, B: 28}
	for _, kind := range []string{"flats", "strokes"} {
		s := newSheet(w, h)
		if kind == "flats" {
			for k := range 12 {
				c := red
				if k%2 == 1 {
					c = blue
				}
				s.paint(c, 0.9, disc(200+400*float64(k%4), 200+420*float64(k/4), 150), func(x, y float64) float64 { return 0.97 + 0.03*math.Sin(x/20)*math.Sin(y/27) })
			}
		}
		for k := range 60 {
			y := 15 + 20*float64(k)
			s.paint(black, 0.9, bar(20, y, w-20, y+15, 3), func(x, y float64) float64 { return 0.85 + 0.15*math.Sin(x/80) })
		}
		px := s.pixels(2)
		b.Run(kind, func(b *testing.B) {
			b.SetBytes(int64(len(px.Pix)))
			b.ReportAllocs()
			var f *Flats
			for b.Loop() {
				var err error
				if f, err = FlattenPaper(px, 2, 0.9, Options{Workers: 1}); err != nil {
					b.Fatal(err)
				}
			}
			var worst float64
			for _, c := range []colour.RGB{red, blue, black} {
				if kind == "flats" || c == black {
					_, d := nearestSwatch(f, c)
					worst = math.Max(worst, d)
				}
			}
			b.ReportMetric(worst, "swatch-dE00")
			b.ReportMetric(float64(len(f.Palette)), "colours")
		})
	}
}
