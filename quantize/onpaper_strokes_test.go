package quantize

import (
	"math"
	"testing"

	"pochoir/quantize/colour"
)

// parts counts the 8-connected parts of a label within a box.
func parts(f *Flats, is func(l uint8) bool, x0, y0, x1, y1 int) int {
	seen := make([]bool, len(f.Labels))
	n := 0
	for y := y0; y < y1; y++ {
		for x := x0; x < x1; x++ {
			if seen[y*f.W+x] || !is(f.Labels[y*f.W+x]) {
				continue
			}
			n++
			stack := [][2]int{{x, y}}
			seen[y*f.W+x] = true
			for len(stack) > 0 {
				p := stack[len(stack)-1]
				stack = stack[:len(stack)-1]
				for yy := max(p[1]-1, y0); yy <= min(p[1]+1, y1-1); yy++ {
					for xx := max(p[0]-1, x0); xx <= min(p[0]+1, x1-1); xx++ {
						if j := yy*f.W + xx; !seen[j] && is(f.Labels[j]) {
							seen[j] = true
							stack = append(stack, [2]int{xx, yy})
						}
					}
				}
			}
		}
	}
	return n
}

// labelAt returns the label at a place given in px.
func labelAt(f *Flats, x, y float64) uint8 { return f.Labels[int(y)*f.W+int(x)] }

// Pen pressure from full to little more than a tenth must not dash a stroke, with grain over it.
func TestPaperFaintStrokesStayWhole(t *testing.T) {
	const w, h = 600, 260
	for noise, least := range map[float64]float64{1: 0.12, 2: 0.14, 3: 0.18} {
		s := newSheet(w, h)
		ink := colour.RGB{R: 30, G: 40, B: 90}
		press := func(x, y float64) float64 { return least + (1-least)*math.Pow(1-x/w, 2) }
		for k := range 6 {
			y := 30 + 40*float64(k)
			s.paint(ink, 0.9, bar(20, y, w-20, y+12, 2+0.6*float64(k)), press)
		}
		f, err := FlattenPaper(s.pixels(noise), noise, 0.9, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Palette) != 2 || f.Medium != MediumLine {
			t.Errorf("noise %g: %d colours, medium %d, want 2 and line: %v", noise, len(f.Palette), f.Medium, f.Palette)
		}
		if n := parts(f, func(l uint8) bool { return l != 0 }, 0, 0, w, h); n != 6 {
			t.Errorf("noise %g: %d parts of ink, want the 6 strokes whole", noise, n)
		}
	}
}

// Where a faint stroke is about as broad as its edges some of its pixels are even; they neither part it nor make it dust.
func TestPaperFaintBroadStrokesStayWhole(t *testing.T) {
	const w, h, strokes = 420, 320, 6
	ink := colour.RGB{R: 60, G: 90, B: 170}
	for _, width := range []float64{7, 8} {
		for _, noise := range []float64{0.3, 0.6, 1, 2} {
			s := newSheet(w, h)
			top := func(k int) float64 { return 30 + 45*float64(k) }
			const fall = 14.0
			for k := range strokes {
				faint := 0.15 + 0.015*float64(k)
				press := func(x, _ float64) float64 { return faint + (1-faint)*math.Pow(math.Abs(2*x/w-1), 4) }
				s.paint(ink, 1.3, bar(20, top(k), w-20, top(k)+fall, width), press)
			}
			f, err := FlattenPaper(s.pixels(noise), noise, 1.3, Options{})
			if err != nil {
				t.Fatal(err)
			}
			for k := range strokes {
				bare := 0
				for x := 20.0; x < w-20; x++ {
					if labelAt(f, x, top(k)+fall*(x-20)/(w-40)) == 0 {
						bare++
					}
				}
				if bare > 0 {
					t.Errorf("width %g, noise %g: stroke %d is bare for %d px", width, noise, k, bare)
				}
			}
		}
	}
}

// The width of a stroke, as its coverage adds up along a column, is the drawn one.
func TestPaperLineWeight(t *testing.T) {
	const w, h = 400, 400
	for _, noise := range []float64{1, 3} {
		s := newSheet(w, h)
		ink := colour.RGB{R: 25, G: 25, B: 30}
		widths := []float64{2, 3, 4.5, 7, 11, 16}
		y := 20.0
		var at []float64
		for _, v := range widths {
			s.paint(ink, 0.8, bar(-20, y, w+20, y+20, v), nil)
			at = append(at, y)
			y += 62
		}
		f, err := FlattenPaper(s.pixels(noise), noise, 0.8, Options{})
		if err != nil {
			t.Fatal(err)
		}
		ci := f.Ink
		if ci < 0 {
			t.Fatalf("noise %g: no ink: %v", noise, f.Palette)
		}
		for k, v := range widths {
			var sum float64
			n := 0
			for x := 20; x < w-20; x++ {
				for yy := int(at[k]) - 20; yy < int(at[k])+45; yy++ {
					if yy >= 0 && yy < h {
						sum += f.Coverage(yy*w+x, uint8(ci), 0)
					}
				}
				n++
			}
			slope := math.Hypot(1, 20.0/(w+40))
			got := sum / float64(n) / slope
			// a few per cent, and a fifth of a pixel where that is more: a hair line's blur cannot be undone exactly
			if math.Abs(got-v) > math.Max(0.04*v, 0.2) {
				t.Errorf("noise %g: a stroke %g px wide comes out %.2f px", noise, v, got)
			}
		}
	}
}

// Gaps between heavy strokes stay open.
func TestPaperHatchingStaysOpen(t *testing.T) {
	const w, h = 300, 300
	for _, pitch := range []float64{5.5, 7, 9} {
		s := newSheet(w, h)
		n := 0
		for x := 40.0; x < 250; x += pitch {
			s.paint(colour.RGB{R: 20, G: 20, B: 20}, 0.8, bar(x, 60, x+15, 240, 3), nil)
			n++
		}
		f, err := FlattenPaper(s.pixels(2), 2, 0.8, Options{})
		if err != nil {
			t.Fatal(err)
		}
		// along the middle of the hatching ink and paper must alternate
		changes := 0
		row := f.Labels[150*w : 151*w]
		for x := 1; x < w; x++ {
			if row[x] != row[x-1] {
				changes++
			}
		}
		if changes != 2*n || len(f.Palette) != 2 {
			t.Errorf("pitch %g: %d changes of label across %d strokes, want %d; %d colours, want 2", pitch, changes, n, 2*n, len(f.Palette))
		}
	}
}

// Four pens, thin strokes only: each keeps its colour.
func TestPaperPensKeepTheirColours(t *testing.T) {
	const w, h = 500, 420
	pens := []colour.RGB{{R: 200, G: 30, B: 40}, {R: 30, G: 80, B: 190}, {R: 25, G: 25, B: 28}, {R: 20, G: 130, B: 70}}
	for _, noise := range []float64{1, 3} {
		s := newSheet(w, h)
		for k, c := range pens {
			for j := range 4 {
				y := 20 + 100*float64(k) + 22*float64(j)
				s.paint(c, 0.8, bar(20, y, w-20, y+8, 4), func(x, y float64) float64 { return 0.8 + 0.2*math.Sin(x/30+y) })
			}
		}
		f, err := FlattenPaper(s.pixels(noise), noise, 0.8, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Palette) != 5 {
			t.Errorf("noise %g: %d colours, want 5: %v", noise, len(f.Palette), f.Palette)
		}
		for k, c := range pens {
			l, d := nearestSwatch(f, c)
			if d > 7 {
				t.Errorf("noise %g: pen %s comes out %.1f away: %v", noise, c.Hex(), d, f.Palette)
			}
			wrong := 0
			for j := range 4 {
				y := 20 + 100*float64(k) + 22*float64(j)
				for x := 25.0; x < w-25; x++ {
					if int(labelAt(f, x, y+8*(x-20)/(w-40))) != l {
						wrong++
					}
				}
			}
			if wrong > 4*(w-50)/100 {
				t.Errorf("noise %g: %d of %d px of pen %s have another label", noise, wrong, 4*(w-50), c.Hex())
			}
		}
	}
}

// Where two colours meet, the edge between them passes through colours near a third: it must not get its label.
func TestPaperEdgesHaveNoThirdColour(t *testing.T) {
	const w, h = 420, 300
	for _, blur := range []float64{0.6, 1.2} {
		s := newSheet(w, h)
		grey, black, orange := colour.RGB{R: 150, G: 150, B: 152}, colour.RGB{R: 24, G: 24, B: 26}, colour.RGB{R: 240, G: 150, B: 50}
		s.paint(grey, blur, disc(80, 150, 55), nil)
		s.paint(orange, blur, disc(210, 150, 60), nil)
		s.paint(black, blur, func(x, y float64) float64 { return math.Abs(math.Hypot(x-210, y-150)-60) - 6 }, nil)
		s.paint(black, blur, disc(340, 150, 50), nil)
		f, err := FlattenPaper(s.pixels(2.5), 2.5, blur, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Palette) != 4 {
			t.Fatalf("blur %g: %d colours, want 4: %v", blur, len(f.Palette), f.Palette)
		}
		g, _ := nearestSwatch(f, grey)
		for y := range h {
			for x := 140; x < w; x++ {
				if int(f.Labels[y*w+x]) == g {
					t.Fatalf("blur %g: grey at (%d, %d), an edge between other colours", blur, x, y)
				}
			}
		}
		if f.Medium != MediumInked && f.Medium != MediumFlat {
			t.Errorf("blur %g: medium %d", blur, f.Medium)
		}
	}
}

// Pale paint is paint, and paper that paint encloses is paper.
func TestPaperPalePaintAndEnclosedPaper(t *testing.T) {
	const w, h = 420, 300
	s := newSheet(w, h)
	pale, blue := colour.RGB{R: 236, G: 236, B: 238}, colour.RGB{R: 40, G: 90, B: 170}
	s.paint(pale, 0.8, disc(100, 150, 70), nil)
	s.paint(blue, 0.8, func(x, y float64) float64 { return math.Abs(math.Hypot(x-300, y-150)-60) - 20 }, nil)
	f, err := FlattenPaper(s.pixels(2), 2, 0.8, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Palette) != 3 {
		t.Fatalf("%d colours, want 3: %v", len(f.Palette), f.Palette)
	}
	if _, d := nearestSwatch(f, pale); d > 1.5 {
		t.Errorf("the pale paint comes out %.1f away: %v", d, f.Palette)
	}
	if l := labelAt(f, 300, 150); int(l) != f.Ground {
		t.Errorf("paper inside the ring has label %d, want %d", l, f.Ground)
	}
	if l := labelAt(f, 100, 150); int(l) == f.Ground {
		t.Error("the pale paint was taken for paper")
	}
}
