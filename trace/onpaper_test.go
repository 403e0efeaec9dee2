package trace_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// scanned makes a scan of a drawing: blurred by about a pixel, with the grain of paper and paint, which is coarser than a
// pixel, of so many levels.
func scanned(pic *paper.Picture, grain float64) *paper.Picture {
	w, h := pic.W, pic.H
	rng := rand.New(rand.NewPCG(11, 13))
	noise := make([]float64, 3*w*h)
	for i := range noise {
		noise[i] = grain * rng.NormFloat64()
	}
	at := func(x, y, j int) float64 {
		i := min(max(y, 0), h-1)*w + min(max(x, 0), w-1)
		return float64(pic.Pix[4*i+j]) + noise[3*i+j]
	}
	kernel := [5]float64{1.0 / 16, 4.0 / 16, 6.0 / 16, 4.0 / 16, 1.0 / 16}
	out := &paper.Picture{W: w, H: h, Pix: make([]uint8, len(pic.Pix))}
	for y := range h {
		for x := range w {
			for j := range 3 {
				sum := 0.0
				for dy, a := range kernel {
					for dx, b := range kernel {
						sum += a * b * at(x+dx-2, y+dy-2, j)
					}
				}
				out.Pix[4*(y*w+x)+j] = uint8(min(max(sum+0.5, 0), 255))
			}
			out.Pix[4*(y*w+x)+3] = 255
		}
	}
	return out
}

var (
	clay  = colour.RGB{R: 166, G: 104, B: 80}
	umber = colour.RGB{R: 143, G: 86, B: 65}
	rust  = colour.RGB{R: 226, G: 98, B: 40}
)

// layerNear returns the layer whose colour comes nearest to c.
func layerNear(d *trace.Drawing, c colour.RGB) *trace.Layer {
	best := &d.Layers[0]
	for i := range d.Layers {
		if d.Layers[i].Colour.Difference(c) < best.Colour.Difference(c) {
			best = &d.Layers[i]
		}
	}
	return best
}

// Grain throws the edge between two near paints about by more than that of paint and paper: it is drawn by its own noise, in
// few segments, where it lies.
func TestEdgesOfNearPaintsAreDrawnByTheirOwnNoise(t *testing.T) {
	const cx, cy, r = 650, 500, 170
	pic := scanned(drawn(1300, 1000, disc(clay, 600, 500, 400), disc(umber, cx, cy, r)), 15)
	l := layerNear(traced(t, pic, trace.Options{Sheet: paper.Options{Kind: paper.Scan}}).Drawing, umber)
	if len(l.Shapes) != 1 || len(l.Shapes[0].Rings) != 1 {
		t.Fatalf("the disc is drawn in %d shapes", len(l.Shapes))
	}
	segs := l.Shapes[0].Rings[0].Segments
	if len(segs) > 8 {
		t.Errorf("a disc is drawn in %d segments", len(segs))
	}
	for _, s := range segs {
		for k := range 20 {
			p := s.At(float64(k) / 20)
			if d := math.Hypot(p.X-cx, p.Y-cy) - r; math.Abs(d) > 2 {
				t.Fatalf("the disc is drawn %.1f px off at %.0f,%.0f", d, p.X, p.Y)
			}
		}
	}
}

// Where the edge of one paint ends at the side of another, blur taints the samples of both for some pixels: the side runs
// straight on all the same.
func TestSidesRunStraightThroughJunctionsOnPaper(t *testing.T) {
	const x0, y0 = 500.3, 400.4 // where the lower box comes out from under the upper one
	for _, grain := range []float64{8, 16} {
		pic := scanned(drawn(1300, 1000, box(rust, x0, 250, 1100, 760), box(orange, 260, 150, 900, y0)), grain)
		d := traced(t, pic, trace.Options{Sheet: paper.Options{Kind: paper.Scan}}).Drawing
		worst, where := 0.0, fit.Point{}
		for _, shape := range layerNear(d, orange).Shapes {
			for _, ring := range shape.Rings {
				for _, s := range ring.Segments {
					for k := range 200 {
						p := s.At(float64(k) / 200)
						if off := math.Abs(p.Y - y0); math.Abs(p.X-x0) < 60 && off < 30 && off > worst {
							worst, where = off, p
						}
					}
				}
			}
		}
		if worst == 0 || worst > 1 {
			t.Errorf("grain %g: the side lies up to %.2f px off, at %.1f,%.1f", grain, worst, where.X, where.Y)
		}
	}
}

// A speck far from all that is drawn on paper is dirt, unless the user has said what dirt is; dots in company are drawn.
func TestStraySpecksGo(t *testing.T) {
	dust := 3.0
	for _, c := range []struct {
		name  string
		specs []figure
		opt   trace.Options
		want  int // shapes
	}{
		{"stray", []figure{disc(navy, 640, 480, 3.6)}, trace.Options{}, 1},
		{"stray, dust given", []figure{disc(navy, 640, 480, 3.6)}, trace.Options{Dust: &dust}, 2},
		{"near the drawing", []figure{disc(navy, 420, 240, 3.6)}, trace.Options{}, 2},
		{"in company", []figure{disc(navy, 640, 480, 3.6), disc(navy, 600, 440, 3.6), disc(navy, 560, 500, 3.6)}, trace.Options{}, 4},
		{"larger", []figure{disc(navy, 640, 480, 9)}, trace.Options{}, 2},
	} {
		pic := scanned(drawn(760, 560, append(c.specs, disc(navy, 250, 240, 110))...), 6)
		c.opt.Sheet.Kind = paper.Scan
		d := traced(t, pic, c.opt).Drawing
		n := 0
		for _, l := range d.Layers {
			n += len(l.Shapes)
		}
		if n != c.want {
			t.Errorf("%s: %d shapes, want %d: %s", c.name, n, c.want, summary(d))
		}
	}
}
