package quantize

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/quantize/colour"
)

// Pens of five colours, their thin strokes sharpened as phones do: the measured blur promises more contrast than was lost.
// Each keeps its hue, the navy apart from the black and the orange apart from the red.
func TestPaperThinPensKeepTheirHue(t *testing.T) {
	const w, h = 700, 420
	pens := []colour.RGB{{R: 39, G: 52, B: 139}, {R: 194, G: 50, B: 58}, {R: 43, G: 138, B: 79}, {R: 224, G: 123, B: 41}, {R: 29, G: 27, B: 31}}
	s := newSheet(w, h)
	for k, c := range pens {
		for j := range 3 {
			y := 20 + 80*float64(k) + 22*float64(j)
			s.paint(c, 1, bar(30, y, w-30, y+12, 4), nil)
		}
	}
	f, err := FlattenPaper(s.pixels(2.5), 2.5, 1.8, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Palette) != 1+len(pens) {
		t.Fatalf("%d colours, want paper and %d pens: %v", len(f.Palette), len(pens), f.Palette)
	}
	for k, c := range pens {
		if _, d := nearestSwatch(f, c); d > 15 {
			t.Errorf("no swatch near %s, the nearest is %.1f away: %v", c.Hex(), d, f.Palette)
		}
		y := 20 + 80*float64(k) + 6
		own, _ := nearestSwatch(f, c)
		n := 0
		for x := 60; x < w-60; x++ {
			l := int(labelAt(f, float64(x), y+12*(float64(x)-w/2)/(w-60)))
			n += b2i(l != f.Ground && l != own)
		}
		if n > 0 {
			t.Errorf("%d places of a stroke in %s have another pen's colour", n, c.Hex())
		}
	}
}

// Strokes of a ballpoint so close together that they run into each other, in bad light, make no paint beside the ink.
func TestPaperHatchingIsNoPaint(t *testing.T) {
	const w, h = 700, 420
	ink := colour.RGB{R: 44, G: 63, B: 143}
	s := newSheet(w, h)
	for k := range 5 {
		y := 20 + 40*float64(k)
		s.paint(ink, 1.5, bar(30, y, w-30, y+20, 3), grained(w, h, 3, 0.25, uint64(k)))
	}
	for k := range 14 {
		x, y := 300+9*float64(k), 250+9*float64(k)
		s.paint(ink, 1.5, bar(x, 240, x+40, 390, 3), grained(w, h, 3, 0.3, uint64(9+k)))
		s.paint(ink, 1.5, bar(290, y, 470, y+12, 3), grained(w, h, 3, 0.3, uint64(49+k)))
	}
	f, err := FlattenPaper(s.pixels(2.5), 2.5, 1.5, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Palette) != 2 || f.Medium != MediumLine {
		t.Errorf("%d colours, medium %d, want 2 and line: %v", len(f.Palette), f.Medium, f.Palette)
	}
}

// toothed returns how much crayon lies at a place of drawing paper: on the hills of its tooth, about 3 px wide, all of it, in
// the hollows nearly none, and everything between.
func toothed(w, h int, cover float64, seed uint64) func(x, y float64) float64 {
	rng := rand.New(rand.NewPCG(seed, 5))
	tooth := make([]float64, w*h)
	for i := range tooth {
		tooth[i] = rng.NormFloat64()
	}
	const reach, sigma = 4, 1.25
	var bell [2*reach + 1]float64
	square := 0.0
	for i := range bell {
		bell[i] = math.Exp(-float64((i-reach)*(i-reach)) / (2 * sigma * sigma))
		square += bell[i] * bell[i]
	}
	return func(x, y float64) float64 {
		sum := 0.0
		for j := -reach; j <= reach; j++ {
			for i := -reach; i <= reach; i++ {
				xx, yy := min(max(int(x)+i, 0), w-1), min(max(int(y)+j, 0), h-1)
				sum += bell[i+reach] * bell[j+reach] * tooth[yy*w+xx]
			}
		}
		return math.Min(math.Max(cover+0.45*sum/square, 0), 1.1)
	}
}

// Crayon over grain is one paint, pressed hard or not, and the grain draws few holes.
func TestPaperCrayonIsOnePaint(t *testing.T) {
	const w, h = 500, 400
	ochre, brown := colour.RGB{R: 242, G: 182, B: 50}, colour.RGB{R: 138, G: 75, B: 45}
	s := newSheet(w, h)
	s.paint(ochre, 0.9, disc(130, 130, 90), toothed(w, h, 0.75, 1))
	s.paint(brown, 0.9, bar(120, 310, 380, 320, 110), toothed(w, h, 0.75, 2))
	f, err := FlattenPaper(s.pixels(1.5), 1.5, 0.9, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Palette) != 3 {
		t.Errorf("%d colours, want paper and two crayons: %v", len(f.Palette), f.Palette)
	}
	if n := parts(f, func(l uint8) bool { return int(l) == f.Ground }, 0, 0, w, h); n > 60 {
		t.Errorf("%d parts of paper, want hardly more than the ground: there are thousands of hollows", n)
	}
}

// Where two strokes run side by side, what paper is left between them is no sliver of its own unless it is as wide as a pen
// can mean.
func TestPaperLaneBetweenRoughStrokesCloses(t *testing.T) {
	const w, h = 600, 300
	ink := colour.RGB{R: 45, G: 40, B: 120}
	s := newSheet(w, h)
	const lanes = 5
	for k := range lanes {
		x := 40 + 110*float64(k)
		for j, gap := range []float64{1.5, 6} {
			y, d := 60+120*float64(j), 2.5+gap/2
			s.paint(ink, 0.8, bar(x, y-d, x+80, y-d+4, 5), grained(w, h, 2.5, 0.2, uint64(4*k+2*j)))
			s.paint(ink, 0.8, bar(x, y+d, x+80, y+d+4, 5), grained(w, h, 2.5, 0.2, uint64(4*k+2*j+1)))
			s.paint(ink, 0.8, bar(x, y-d, x, y+d, 5), nil)
			s.paint(ink, 0.8, bar(x+80, y-d+4, x+80, y+d+4, 5), nil)
		}
	}
	f, err := FlattenPaper(s.pixels(2), 2, 0.8, Options{})
	if err != nil {
		t.Fatal(err)
	}
	paper := func(l uint8) bool { return int(l) == f.Ground }
	// Where both strokes skip at one place a narrow lane is wide there, and a wide one open: one of five with this grain.
	if n := parts(f, paper, 0, 0, w, 120) - 1; n > 1 {
		t.Errorf("lanes 1.5 px wide leave %d slivers", n)
	}
	if n := parts(f, paper, 0, 120, w, h) - 1; n < lanes-1 || n > lanes {
		t.Errorf("lanes 6 px wide come out in %d parts, want %d", n, lanes)
	}
}

// A pen that was held lightly for more than half of its way is an ink where nothing else is drawn; what is faint all along
// is not.
func TestPaperLightlyHeldPenIsAnInk(t *testing.T) {
	const w, h, strokes = 420, 320, 6
	for _, c := range []struct {
		dark float64 // strength at the ends of the strokes
		want int     // colours
	}{{1, 2}, {0.12, 1}} {
		s := newSheet(w, h)
		for k := range strokes {
			y := 30 + 45*float64(k)
			press := func(x, _ float64) float64 { return 0.12 + (c.dark-0.12)*math.Pow(math.Abs(2*x/w-1), 4) }
			s.paint(colour.RGB{R: 60, G: 90, B: 170}, 0.9, bar(20, y, w-20, y+14, 3), press)
		}
		f, err := FlattenPaper(s.pixels(1), 1, 0.9, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Palette) != c.want {
			t.Errorf("ends of strength %g: palette %v, want %d colours", c.dark, f.Palette, c.want)
		}
	}
}
