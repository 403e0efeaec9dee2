package quantize

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/draw"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pochoir/quantize/colour"
	"pochoir/quantize/mosaic"
)

var (
	white  = colour.RGB{R: 255, G: 255, B: 255}
	black  = colour.RGB{}
	grey   = colour.RGB{R: 128, G: 128, B: 128}
	teal   = colour.RGB{R: 0x1a, G: 0x8c, B: 0x8c}
	buoy   = colour.RGB{R: 0xd2, G: 0x3a, B: 0x2e}
	straw  = colour.RGB{R: 0xf2, G: 0xc8, B: 0x4b}
	oilcan = colour.RGB{R: 0x2b, G: 0x3a, B: 0x67}
)

// rendered paints w x h pixels with the colour at each point, mixed over each pixel's box from 8 x 8 points.
func rendered(w, h int, at func(x, y float64) colour.RGB) Pixels {
	const n = 8
	px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h)}
	for i := range w * h {
		var sum [3]int
		for s := range n * n {
			c := at(float64(i%w)+(float64(s%n)+0.5)/n, float64(i/w)+(float64(s/n)+0.5)/n)
			sum[0] += int(c.R)
			sum[1] += int(c.G)
			sum[2] += int(c.B)
		}
		for k := range sum {
			px.Pix[4*i+k] = uint8((sum[k] + n*n/2) / (n * n))
		}
		px.Pix[4*i+3] = 255
	}
	return px
}

// jpegOf codes and decodes px at a quality, with chroma at half the resolution.
func jpegOf(t testing.TB, px Pixels, quality int) Pixels {
	t.Helper()
	var b bytes.Buffer
	src := &image.RGBA{Pix: px.Pix, Stride: 4 * px.W, Rect: image.Rect(0, 0, px.W, px.H)}
	if err := jpeg.Encode(&b, src, &jpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	m, err := jpeg.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	out := image.NewRGBA(m.Bounds())
	draw.Draw(out, out.Rect, m, image.Point{}, draw.Src)
	return Pixels{W: px.W, H: px.H, Pix: out.Pix, Lossy: true, Subsampled: true}
}

func flatten(t testing.TB, px Pixels, opt Options) *Flats {
	t.Helper()
	f, err := Flatten(px, opt)
	if err != nil {
		t.Fatal(err)
	}
	if err := sound(f); err != nil {
		t.Fatal(err)
	}
	return f
}

// sound checks what Flatten promises of every picture.
func sound(f *Flats) error {
	if len(f.Labels) != f.W*f.H || len(f.Core) != bitmapLen(f.W*f.H) {
		return fmt.Errorf("%d labels and %d words of cores for %d x %d pixels", len(f.Labels), len(f.Core), f.W, f.H)
	}
	count := make([]int, len(f.Palette))
	for i, l := range f.Labels {
		if int(l) >= len(f.Palette) {
			return fmt.Errorf("pixel %d has label %d of %d", i, l, len(f.Palette))
		}
		count[l]++
	}
	names := map[string]bool{}
	for l, s := range f.Palette {
		if count[l] == 0 {
			return fmt.Errorf("swatch %d labels no pixel", l)
		}
		if !validName(s.Name) || names[s.Name] {
			return fmt.Errorf("name %q of swatch %d is invalid or not its own", s.Name, l)
		}
		names[s.Name] = true
	}
	if f.Ground < -1 || f.Ground >= len(f.Palette) || f.Ink < -1 || f.Ink >= len(f.Palette) || f.Ink >= 0 && f.Ink == f.Ground {
		return fmt.Errorf("ground %d and ink %d of %d labels", f.Ground, f.Ink, len(f.Palette))
	}
	if f.Medium == MediumAuto || (f.Medium == MediumFlat) != (f.Ink < 0) {
		return fmt.Errorf("medium %d with ink %d", f.Medium, f.Ink)
	}
	if n := f.W * f.H; n%64 != 0 && f.Core[n/64]>>(n%64) != 0 {
		return errors.New("cores beyond the last pixel")
	}
	for i := 0; i < len(f.Labels); i += 1 + len(f.Labels)/97 {
		for a := range f.Palette {
			for b := range f.Palette {
				if s := f.Coverage(i, uint8(a), uint8(b)); !(s >= 0 && s <= 1) || a != b && math.Abs(s+f.Coverage(i, uint8(b), uint8(a))-1) > 1e-9 {
					return fmt.Errorf("coverage of %d against %d at pixel %d is %g", a, b, i, s)
				}
			}
		}
	}
	return nil
}

// wantPalette fails the test unless f shows just these colours, each within tolerance levels a channel, and returns
// the label of each.
func wantPalette(t *testing.T, f *Flats, tolerance int, want ...colour.RGB) []int {
	t.Helper()
	at := make([]int, len(want))
	for k, c := range want {
		at[k] = slices.IndexFunc(f.Palette, func(s Swatch) bool {
			return near8(s.Colour.R, c.R, tolerance) && near8(s.Colour.G, c.G, tolerance) && near8(s.Colour.B, c.B, tolerance)
		})
		if at[k] < 0 {
			t.Errorf("no swatch %s", c.Hex())
		}
	}
	if len(f.Palette) != len(want) || t.Failed() {
		t.Fatalf("palette %v, want %d colours", f.Palette, len(want))
	}
	return at
}

func inside(x, y, cx, cy, r float64) bool { return math.Hypot(x-cx, y-cy) < r }

// harbour is a buoy on a quay: five colours, a highlight of 8 x 8 pixels, a thin mast.
func harbour(x, y float64) colour.RGB {
	switch {
	case x >= 100.3 && x < 108.3 && y >= 60.6 && y < 68.6:
		return straw
	case inside(x, y, 110, 80, 44):
		if math.Abs(y-80+0.3*(x-110)) < 9 {
			return white
		}
		return buoy
	case x > 180 && x < 183.2 && y > 20 && y < 170:
		return oilcan
	case y > 160.4-0.1*x:
		return teal
	}
	return white
}

var harbourColours = []colour.RGB{white, buoy, straw, oilcan, teal}

func TestFlattenHarbour(t *testing.T) {
	px := rendered(240, 200, harbour)
	for _, c := range []struct {
		name      string
		px        Pixels
		tolerance int     // levels, of large areas
		small     int     // and of a highlight and a mast, whose chroma is spread over what is around
		wrong     float64 // share of the pixels away from edges that may have another label
	}{
		{"clean", px, 0, 0, 0},
		{"jpeg 88", jpegOf(t, px, 88), 2, 16, 0.001},
		{"jpeg 75", jpegOf(t, px, 75), 2, 16, 0.002},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := flatten(t, c.px, Options{})
			at := wantPalette(t, f, c.small, harbourColours...)
			for k, l := range at {
				if got := f.Palette[l].Colour; k != 2 && k != 3 && !near8(got.R, harbourColours[k].R, c.tolerance) {
					t.Errorf("swatch %s, want %s", got.Hex(), harbourColours[k].Hex())
				}
			}
			if f.Ground != at[0] || f.Medium != MediumFlat {
				t.Errorf("ground %d, medium %d, want %d and flat", f.Ground, f.Medium, at[0])
			}
			wrong := 0
			for i, l := range f.Labels {
				x, y := float64(i%f.W)+0.5, float64(i/f.W)+0.5
				truth := harbour(x, y)
				// away from edges: one colour over three pixels across
				if harbour(x-1, y) == truth && harbour(x+1, y) == truth && harbour(x, y-1) == truth && harbour(x, y+1) == truth &&
					int(l) != at[slices.Index(harbourColours, truth)] {
					wrong++
				}
			}
			if float64(wrong) > c.wrong*float64(len(f.Labels)) {
				t.Errorf("%d pixels away from edges have a wrong label", wrong)
			}
		})
	}
}

// TestMosaicIsFlattenedAsItsBitmap: the same labels, cores and shares, whether pixels come as a bitmap or as a mosaic.
func TestMosaicIsFlattenedAsItsBitmap(t *testing.T) {
	px := rendered(240, 200, harbour)
	ink := rendered(241, 120, func(x, y float64) colour.RGB {
		if inside(x, y, 60, 60, 40) && !inside(x, y, 60, 60, 34) || x > 130 && x < 133 {
			return black
		}
		return white
	})
	for name, px := range map[string]Pixels{
		"clean": px, "jpeg 88": jpegOf(t, px, 88), "jpeg 40": jpegOf(t, px, 40), "ink": ink, "ink, jpeg 70": jpegOf(t, ink, 70),
	} {
		for medium, opt := range map[string]Options{"found": {Workers: 2}, "line": {Workers: 2, Medium: MediumLine}} {
			m := px
			m.Mosaic, m.Pix = mosaic.New(px.W*px.H, 1), nil
			m.Mosaic.Filler().Fill(0, px.Pix)
			want, got := flatten(t, px, opt), flatten(t, m, opt)
			if !slices.Equal(got.Palette, want.Palette) || !bytes.Equal(got.Labels, want.Labels) || !slices.Equal(got.Core, want.Core) ||
				got.Noise != want.Noise || got.Blur != want.Blur || got.grid != want.grid {
				t.Errorf("%s, medium %s: other flats than those of the bitmap", name, medium)
				continue
			}
			for i := range got.Labels {
				if b := uint8(i % len(got.Palette)); got.Coverage(i, got.Labels[i], b) != want.Coverage(i, want.Labels[i], b) {
					t.Errorf("%s, medium %s: another share in pixel %d", name, medium, i)
					break
				}
			}
			if a, b := got.Copy(), want.Copy(); !bytes.Equal(a.px.Pix, b.px.Pix) {
				t.Errorf("%s, medium %s: a copy has other pixels", name, medium)
			}
		}
	}
}

// TestNoSlivers: between two areas only their own two labels appear, though the mixture of the two is a swatch.
func TestNoSlivers(t *testing.T) {
	at := func(x, y float64) colour.RGB {
		switch {
		case inside(x, y, 40.3, 50.2, 30):
			return black
		case inside(x, y, 110, 50, 25): // far from the black one
			return grey
		}
		return white
	}
	px := rendered(150, 100, at)
	for _, p := range []Pixels{px, jpegOf(t, px, 88)} {
		f := flatten(t, p, Options{})
		l := wantPalette(t, f, 2, white, black, grey)
		for i, v := range f.Labels {
			if i%150 < 76 && int(v) == l[2] {
				t.Fatalf("lossy %v: grey at %d,%d on the edge of the black disc", p.Lossy, i%150, i/150)
			}
		}
	}
}

// TestRims: a rim of a middle colour, too narrow for cores, is kept, and the same edge without one is left alone.
func TestRims(t *testing.T) {
	at := func(rim float64) func(x, y float64) colour.RGB {
		return func(x, y float64) colour.RGB {
			switch {
			case inside(x, y, 60.3, 60.2, 40):
				return black
			case inside(x, y, 60.3, 60.2, 40+rim), inside(x, y, 130, 60, 15):
				return grey
			}
			return white
		}
	}
	for _, c := range []struct {
		rim         float64 // px
		least, most float64 // pixels of grey by the area of the rim
	}{
		{0, 0, 0},
		{1.5, 0.85, 1.2},
		{2.5, 0.9, 1.1},
	} {
		f := flatten(t, rendered(160, 120, at(c.rim)), Options{})
		l := wantPalette(t, f, 0, white, black, grey)
		n := 0
		for i, v := range f.Labels {
			if i%160 < 108 && int(v) == l[2] {
				n++
			}
		}
		area := math.Pi * (math.Pow(40+c.rim, 2) - 1600)
		if float64(n) < c.least*area || float64(n) > c.most*area {
			t.Errorf("rim of %g px: %d pixels of grey, its area is %.0f", c.rim, n, area)
		}
	}
}

// TestThinLines: lines of about a pixel stay whole, in the colour of an area elsewhere and in a colour of their own.
func TestThinLines(t *testing.T) {
	for _, width := range []float64{0.7, 1, 1.4} {
		for _, slope := range []float64{0, 0.07, 0.4, 1} {
			at := func(x, y float64) colour.RGB {
				d := math.Abs(y-20.3-slope*(x-20)) / math.Hypot(1, slope)
				switch {
				case d < width/2 && x > 10 && x < 90:
					return oilcan
				case inside(x, y, 100, 15, 8):
					return oilcan
				}
				return white
			}
			f := flatten(t, rendered(120, 110, at), Options{})
			l := wantPalette(t, f, 0, white, oilcan)
			for x := 12; x < 88; x++ {
				seen := false
				for y := range f.H {
					seen = seen || int(f.Labels[y*f.W+x]) == l[1] && x < 90
				}
				if !seen {
					t.Errorf("width %g, slope %g: broken at x = %d", width, slope, x)
					break
				}
			}
		}
	}
	f := flatten(t, rendered(120, 110, func(x, y float64) colour.RGB {
		if d := math.Abs(y-20.3-0.3*x) / math.Hypot(1, 0.3); d < 0.6 {
			return buoy
		}
		return white
	}), Options{})
	wantPalette(t, f, 2, white, buoy)
}

// TestCloseGreys: areas five levels apart stay apart.
func TestCloseGreys(t *testing.T) {
	a, b := colour.RGB{R: 120, G: 120, B: 120}, colour.RGB{R: 125, G: 125, B: 125}
	px := rendered(128, 128, func(x, y float64) colour.RGB {
		switch {
		case x < 16 || x > 112 || y < 16 || y > 112:
			return white
		case y < 60.5:
			return a
		}
		return b
	})
	wantPalette(t, flatten(t, px, Options{}), 0, white, a, b)
	wantPalette(t, flatten(t, jpegOf(t, px, 88), Options{}), 1, white, a, b)
}

// TestCopiesOfLossyPictures: a PNG of a decoded JPEG is not taken for a clean picture of many colours.
func TestCopiesOfLossyPictures(t *testing.T) {
	px := jpegOf(t, rendered(240, 200, harbour), 80)
	px.Lossy, px.Subsampled = false, false
	wantPalette(t, flatten(t, px, Options{}), 16, harbourColours...)
}

// TestBlur: the spread of blurred edges is found again, and anti-aliased ones have none.
func TestBlur(t *testing.T) {
	for _, sigma := range []float64{0, 0.5, 1, 1.5} {
		px := rendered(128, 128, func(x, y float64) colour.RGB {
			d := 40 - math.Hypot(x-64.2, y-63.7)
			s := 0.5 * (1 + math.Erf(d/(sigma*math.Sqrt2+1e-9)))
			mix := func(a, b uint8) uint8 { return uint8(math.Round(float64(b) + s*(float64(a)-float64(b)))) }
			return colour.RGB{R: mix(teal.R, 255), G: mix(teal.G, 255), B: mix(teal.B, 255)}
		})
		f := flatten(t, px, Options{})
		wantPalette(t, f, 1, white, teal)
		if math.Abs(f.Blur-sigma) > 0.12 {
			t.Errorf("spread of %g px measured as %.2f", sigma, f.Blur)
		}
	}
}

func TestMedium(t *testing.T) {
	discs := func(line float64, fill, ink colour.RGB) func(x, y float64) colour.RGB {
		return func(x, y float64) colour.RGB {
			for k := range 3 {
				d := math.Hypot(x-40-50*float64(k), y-40) - 20
				if math.Abs(d) < line/2 {
					return ink
				}
				if d < 0 {
					if k == 1 && fill != white {
						return straw
					}
					return fill
				}
			}
			return white
		}
	}
	for _, c := range []struct {
		name   string
		at     func(x, y float64) colour.RGB
		medium Medium
		ink    bool
	}{
		{"line", discs(3, white, black), MediumLine, true},
		{"dark blue line", discs(3, white, oilcan), MediumLine, true},
		{"pale line", discs(3, white, straw), MediumFlat, false},
		{"inked", discs(3, teal, black), MediumInked, true},
		{"flat", discs(0, teal, black), MediumFlat, false},
	} {
		f := flatten(t, rendered(180, 80, c.at), Options{})
		if f.Medium != c.medium || f.Ink >= 0 && f.Palette[f.Ink].Name != "ink" {
			t.Errorf("%s: medium %d with palette %v, want %d", c.name, f.Medium, f.Palette, c.medium)
		}
		if f.Ground < 0 || f.Palette[f.Ground].Colour != white {
			t.Errorf("%s: ground %d of %v", c.name, f.Ground, f.Palette)
		}
	}
	px := rendered(180, 80, discs(3, teal, black))
	for _, m := range []Medium{MediumLine, MediumInked, MediumFlat} {
		if f := flatten(t, px, Options{Medium: m}); f.Medium != m {
			t.Errorf("medium %d asked for, got %d", m, f.Medium)
		}
	}
}

// TestGround: paper is nearly white along the frame, or transparent; a painted ground is none.
func TestGround(t *testing.T) {
	scene := func(ground colour.RGB) Pixels {
		return rendered(60, 60, func(x, y float64) colour.RGB {
			if inside(x, y, 30, 30, 20.2) {
				return teal
			}
			if inside(x, y, 30, 30, 26) {
				return white
			}
			return ground
		})
	}
	for _, c := range []struct {
		ground colour.RGB
		want   bool
	}{{white, true}, {colour.RGB{R: 250, G: 249, B: 245}, true}, {straw, false}, {black, false}, {colour.RGB{R: 200, G: 220, B: 255}, false}} {
		f := flatten(t, scene(c.ground), Options{})
		if got := f.Ground >= 0 && f.Palette[f.Ground].Colour == c.ground; got != c.want {
			t.Errorf("ground %s: label %d of %v", c.ground.Hex(), f.Ground, f.Palette)
		}
	}
	// transparent around a white shape: the shape is painted, what is around it is paper
	px := scene(white)
	px.Clear = make([]bool, 60*60)
	for i := range px.Clear {
		px.Clear[i] = !inside(float64(i%60)+0.5, float64(i/60)+0.5, 30, 30, 26)
	}
	f := flatten(t, px, Options{})
	if len(f.Palette) != 3 || f.Ground < 0 || f.Palette[f.Ground].Name != "paper" {
		t.Fatalf("ground %d of %v, want paper, white and teal", f.Ground, f.Palette)
	}
	for i, c := range px.Clear {
		if c != (int(f.Labels[i]) == f.Ground) {
			t.Fatalf("pixel %d,%d: transparent %v, label %d, paper %d", i%60, i/60, c, f.Labels[i], f.Ground)
		}
	}
}

func TestNumberAndPaletteGiven(t *testing.T) {
	px := rendered(240, 200, harbour)
	for n := 2; n <= 5; n++ {
		if f := flatten(t, px, Options{Colours: n}); len(f.Palette) != n {
			t.Errorf("%d colours asked for, got %v", n, f.Palette)
		}
	}
	if f := flatten(t, px, Options{Colours: 64}); len(f.Palette) != 5 {
		t.Errorf("64 colours asked for where there are 5: %v", f.Palette)
	}
	// one swatch for the three dark ones, one that nothing is near
	given := []Swatch{{"snow", white}, {"deep", colour.RGB{R: 30, G: 80, B: 120}}, {"lime", colour.RGB{G: 255}}, {"sun", straw}, {"lead", buoy}}
	f := flatten(t, px, Options{Palette: given})
	if len(f.Palette) != 4 {
		t.Fatalf("palette %v", f.Palette)
	}
	for _, s := range f.Palette {
		if !slices.Contains(given, s) || s.Name == "lime" {
			t.Errorf("swatch %v", s)
		}
	}
	// coverage is measured between the picture's colours, not the swatches
	at := func(name string) uint8 {
		return uint8(slices.IndexFunc(f.Palette, func(s Swatch) bool { return s.Name == name }))
	}
	if s := f.Coverage(190*240+10, at("deep"), at("snow")); s < 0.999 {
		t.Errorf("coverage in the middle of an area is %g", s)
	}
}

func TestOptionErrors(t *testing.T) {
	px := rendered(4, 4, func(x, y float64) colour.RGB { return white })
	for _, c := range []struct {
		opt  Options
		want string
	}{
		{Options{Colours: 1}, "quantize: Colours = 1, want 0 or 2 to 64"},
		{Options{Colours: 65}, "quantize: Colours = 65, want 0 or 2 to 64"},
		{Options{Colours: -3}, "quantize: Colours = -3, want 0 or 2 to 64"},
		{Options{Medium: 9}, "quantize: Medium = 9, want 0 to 3"},
		{Options{Palette: make([]Swatch, 256)}, "quantize: Palette has 256 swatches, want at most 255"},
	} {
		if _, err := Flatten(px, c.opt); err == nil || err.Error() != c.want {
			t.Errorf("%v, want %s", err, c.want)
		}
	}
	if _, err := Flatten(Pixels{}, Options{}); !errors.Is(err, ErrEmpty) {
		t.Errorf("no pixels: %v", err)
	}
	if _, err := Flatten(Pixels{W: 2, H: 2, Pix: make([]uint8, 12)}, Options{}); err == nil {
		t.Error("too few bytes: no error")
	}
}

// TestOddPictures: whatever comes in, the result is sound, and the same for any number of workers.
func TestOddPictures(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	noise := func(w, h int, levels uint) Pixels {
		px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h)}
		for i := range px.Pix {
			px.Pix[i] = uint8(r.UintN(levels) * (255 / max(1, levels-1)))
			if i%4 == 3 {
				px.Pix[i] = 255
			}
		}
		return px
	}
	blocks := func(n, side int) Pixels {
		px := Pixels{W: n * side, H: n * side, Pix: make([]uint8, 4*n*n*side*side)}
		for y := range px.H {
			for x := range px.W {
				c := uint32(y/side*n+x/side) * 2654435761
				copy(px.Pix[4*(y*px.W+x):], []uint8{uint8(c >> 8), uint8(c >> 16), uint8(c >> 24), 255})
			}
		}
		return px
	}
	gradient := rendered(200, 130, func(x, y float64) colour.RGB {
		return colour.RGB{R: uint8(x), G: uint8(255 - x), B: uint8(y)}
	})
	scene := rendered(240, 200, harbour)
	noisy := Pixels{W: scene.W, H: scene.H, Pix: slices.Clone(scene.Pix)}
	for i := range noisy.Pix {
		if i%4 < 3 {
			noisy.Pix[i] = uint8(min(255, max(0, float64(noisy.Pix[i])+math.Round(3*r.NormFloat64()))))
		}
	}
	for name, px := range map[string]Pixels{
		"1 x 1": noise(1, 1, 256), "1 x 9": noise(1, 9, 256), "9 x 1": noise(9, 1, 256), "2 x 2": noise(2, 2, 2), "3 x 3": noise(3, 3, 3),
		"one colour":    rendered(70, 70, func(x, y float64) colour.RGB { return teal }),
		"noise":         noise(150, 140, 256),
		"two levels":    noise(150, 140, 2),
		"10000 colours": blocks(100, 3),
		"gradient":      gradient,
		"clean":         scene,
		"jpeg":          jpegOf(t, scene, 88),
		"jpeg 30":       jpegOf(t, scene, 30),
		"jpeg of noise": jpegOf(t, noise(150, 140, 256), 60),
		"noisy":         noisy,
	} {
		for _, opt := range []Options{{}, {Colours: 3}, {Palette: []Swatch{{"a", black}, {"b", buoy}}}, {Medium: MediumLine}, {Medium: MediumInked}} {
			opt.Workers = 1
			f := flatten(t, px, opt)
			if len(f.Palette) > maxAutomatic || opt.Colours > 0 && len(f.Palette) > opt.Colours {
				t.Errorf("%s: %d colours", name, len(f.Palette))
			}
			opt.Workers = 5
			g := flatten(t, px, opt)
			if !slices.Equal(f.Labels, g.Labels) || !slices.Equal(f.Palette, g.Palette) || !slices.Equal(f.Core, g.Core) ||
				f.Ground != g.Ground || f.Ink != g.Ink || f.Medium != g.Medium || f.Noise != g.Noise || f.Blur != g.Blur {
				t.Errorf("%s: five workers make another result than one", name)
			}
		}
		if f := flatten(t, px, Options{}); name == "noisy" {
			wantPalette(t, f, 12, harbourColours...)
		}
	}
}

// FuzzFlatten: pictures of any bytes and sizes give sound results.
func FuzzFlatten(f *testing.F) {
	f.Add(uint8(5), uint8(0), []byte{255, 255, 255, 0, 0, 0, 255, 255, 255})
	f.Add(uint8(17), uint8(0x93), []byte("a picture of a few words, all of them much alike"))
	f.Fuzz(func(t *testing.T, width, how uint8, data []byte) {
		w := int(width)%40 + 1
		n := len(data) / 3
		side := int(how>>4)%4 + 1 // each three bytes fill a square
		h := (n + w - 1) / w
		if h == 0 || h > 60 {
			return
		}
		px := Pixels{W: w * side, H: h * side, Pix: make([]uint8, 4*w*h*side*side), Lossy: how&1 != 0, Subsampled: how&2 != 0}
		for i := range px.W * px.H {
			px.Pix[4*i+3] = 255
			if k := i/px.W/side*w + i%px.W/side; k < n {
				copy(px.Pix[4*i:4*i+3], data[3*k:])
			}
		}
		if how&8 != 0 {
			px.Clear = make([]bool, px.W*px.H)
			for i := range px.Clear {
				if px.Clear[i] = px.Pix[4*i] > 200; px.Clear[i] {
					copy(px.Pix[4*i:], []uint8{255, 255, 255})
				}
			}
		}
		opt := Options{Medium: Medium(how >> 2 & 1)}
		flatten(t, px, opt)
	})
}
