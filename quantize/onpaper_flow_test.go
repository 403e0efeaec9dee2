package quantize

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/quantize/colour"
)

// grained returns the ink a pen leaves on grained paper: all of it on the hills and a tenth in the hollows, which are
// about size px wide and cover the given share of the sheet.
func grained(w, h int, size, share float64, seed uint64) func(x, y float64) float64 {
	rng := rand.New(rand.NewPCG(seed, 5))
	cw, ch := int(float64(w)/size)+3, int(float64(h)/size)+3
	hill := make([]float64, cw*ch)
	for i := range hill {
		hill[i] = rng.Float64()
	}
	return func(x, y float64) float64 {
		fx, fy := math.Max(x, 0)/size, math.Max(y, 0)/size
		ix, iy := min(int(fx), cw-2), min(int(fy), ch-2)
		fx, fy = fx-float64(ix), fy-float64(iy)
		a, b := hill[iy*cw+ix], hill[iy*cw+ix+1]
		c, d := hill[(iy+1)*cw+ix], hill[(iy+1)*cw+ix+1]
		const soft = 0.2
		v := (a*(1-fx)+b*fx)*(1-fy) + (c*(1-fx)+d*fx)*fy
		return 0.1 + 0.9*math.Min(math.Max((v-share)/soft+0.5, 0), 1)
	}
}

// A ballpoint that skips over the paper's grain draws whole strokes of their full width, of one ink. Without evening
// these fall into 26 parts. Where much more is bare (0.3 and above) strokes still break.
func TestPaperRoughStrokesStayWhole(t *testing.T) {
	const w, h = 700, 420
	ink := colour.RGB{R: 45, G: 40, B: 120}
	for _, share := range []float64{0.2} {
		s := newSheet(w, h)
		widths := []float64{3, 4, 5, 6, 8, 10}
		at := func(k int) float64 { return 30 + 65*float64(k) }
		for k, v := range widths {
			s.paint(ink, 0.8, bar(30, at(k), w-30, at(k)+20, v), grained(w, h, 2.5, share, uint64(k)))
		}
		f, err := FlattenPaper(s.pixels(2), 2, 0.8, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Palette) != 2 || f.Medium != MediumLine {
			t.Errorf("hollows %g: %d colours, medium %d, want 2 and line: %v", share, len(f.Palette), f.Medium, f.Palette)
			continue
		}
		if n := parts(f, func(l uint8) bool { return int(l) == f.Ink }, 0, 0, w, h); n != len(widths) {
			t.Errorf("hollows %g: %d parts of ink, want the %d strokes whole", share, n, len(widths))
		}
		if n := parts(f, func(l uint8) bool { return int(l) != f.Ink }, 0, 0, w, h); n != 1 {
			t.Errorf("hollows %g: %d parts of paper, want 1: the strokes hold no holes", share, n)
		}
		for k, v := range widths {
			sum, n := 0, 0
			for x := 60; x < w-60; x++ {
				for y := int(at(k)) - 20; y < int(at(k))+40; y++ {
					sum += b2i(y >= 0 && int(f.Labels[y*w+x]) == f.Ink)
				}
				n++
			}
			got := float64(sum) / float64(n) / math.Hypot(1, 20.0/(w-60))
			if math.Abs(got-v) > math.Max(0.1*v, 0.5) {
				t.Errorf("hollows %g: a stroke %g px wide comes out %.2f px", share, v, got)
			}
		}
	}
}

// What a felt-tip or brush leaves is not evened: its corners are as they were drawn.
func TestPaperEvenInkIsLeftAlone(t *testing.T) {
	const w, h = 400, 300
	for _, noise := range []float64{1, 3} {
		s := newSheet(w, h)
		dense := func(x, y float64) float64 { return 0.94 + 0.06*math.Sin(x/9)*math.Sin(y/7) }
		for k := range 5 {
			y := 30 + 50*float64(k)
			s.paint(colour.RGB{R: 25, G: 25, B: 25}, 0.9, bar(30, y, 370, y+15, 3+float64(k)), dense)
		}
		px := s.pixels(noise)
		paperTables()
		p := &onPaper{plane: plane{w: w, h: h}, raw: px.Pix, pix: px.Pix, area: w * h}
		p.findBlank()
		p.smoothLab()
		p.half = p.halve()
		if p.evenInk(); p.combed {
			t.Errorf("noise %g: taken for rough ink", noise)
		}
	}
}

// A faint stroke of a rough pen goes on nearly to the dark one that it meets; by contrast alone it would end 9 px away.
func TestPaperFaintRoughStrokesGoOn(t *testing.T) {
	const w, h = 500, 420
	ink := colour.RGB{R: 45, G: 60, B: 150}
	s := newSheet(w, h)
	s.paint(ink, 0.5, bar(250, 20, 260, h-20, 6), grained(w, h, 2.5, 0.2, 1))
	const strokes, fall = 5, 40.0
	top := func(k int) float64 { return 50 + 75*float64(k) }
	end := func(k int) float64 { return 250 + 10*top(k)/h }
	for k := range strokes {
		skips := grained(w, h, 2.5, 0.2, uint64(k+2))
		s.paint(ink, 0.5, bar(60, top(k), end(k), top(k)+fall, 2), func(x, y float64) float64 { return 0.5 + 0.15*skips(x, y) })
	}
	f, err := FlattenPaper(s.pixels(2), 2, 0.5, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for k := range strokes {
		bare := 0
		for x := end(k) - 24; x < end(k); x++ {
			y := top(k) + fall*(x-60)/(end(k)-60)
			if int(labelAt(f, x, y-1)) != f.Ink && int(labelAt(f, x, y)) != f.Ink && int(labelAt(f, x, y+1)) != f.Ink {
				bare++
			}
		}
		if bare > 6 {
			t.Errorf("stroke %d: %d px bare where it meets the dark one, want at most 6", k, bare)
		}
	}
}
