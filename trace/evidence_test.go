package trace_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/trace"
	"pochoir/trace/paper"
)

// sharpNear counts the corners of the outlines of a colour within reach of a place.
func sharpNear(l *trace.Layer, x, y, reach float64) int {
	n := 0
	for _, shape := range l.Shapes {
		for _, ring := range shape.Rings {
			for k, s := range ring.Segments {
				next := ring.Segments[(k+1)%len(ring.Segments)]
				if math.Hypot(s.P[3].X-x, s.P[3].Y-y) < reach && leaving(next).Dot(arriving(s)) < 0.9 {
					n++
				}
			}
		}
	}
	return n
}

// TestRoundEndsOfStrokes: strokes of 2 to 5 px that end round have no corners there, and those that end square have two,
// wherever they lie among the pixels.
func TestRoundEndsOfStrokes(t *testing.T) {
	const tries = 60
	r := rand.New(rand.NewPCG(3, 5))
	var rounds, squares int
	for range tries {
		w := 2.4 + 2.4*r.Float64()
		a := 2 * math.Pi * r.Float64()
		x0, y0 := 40+r.Float64(), 40+r.Float64()
		x1, y1 := x0+22*math.Cos(a), y0+22*math.Sin(a)
		for _, round := range []bool{true, false} {
			pic := drawn(80, 80, disc(navy, x0, y0, 9), strip(x0, y0, w, x1, y1, w, round))
			d := traced(t, pic, trace.Options{Sheet: paper.Options{Kind: paper.Digital}}).Drawing
			switch n := sharpNear(layer(d, navy), x1, y1, w); {
			case round && n == 0:
				rounds++
			case !round && n == 2:
				squares++
			default:
				t.Logf("%.2f px at %.0f degrees, round %v: %d corners", w, a*180/math.Pi, round, n)
			}
		}
	}
	if rounds < tries-1 || squares < tries-1 { // one may lie so that the pixels do not tell
		t.Errorf("%d round ends without a corner and %d square ones with two, of %d each", rounds, squares, tries)
	}
}

// TestDotBesideRing: a dot of 3 px with a line 2 px beside it stays round: what the pixels hold of the line is not its own.
func TestDotBesideRing(t *testing.T) {
	for _, gap := range []float64{1.8, 2.2, 2.6} {
		ring := figure{navy, func(x, y float64) bool {
			d := math.Hypot(x-30.2, y-30.4)
			return d > 1.6+gap && d < 3+gap && y > 30
		}}
		pic := drawn(60, 60, disc(navy, 30.2, 30.4, 1.6), ring)
		d := traced(t, pic, trace.Options{Sheet: paper.Options{Kind: paper.Digital}}).Drawing
		for _, shape := range layer(d, navy).Shapes {
			low, high := shape.Rings[0].Bounds()
			if high.Y > 33 || low.X > 31 || high.X-low.X > 6 {
				continue
			}
			for _, off := range []float64{low.X - 28.6, high.X - 31.8, low.Y - 28.8, high.Y - 32} {
				if math.Abs(off) > 0.15 {
					t.Errorf("gap %g: the dot reaches from %.2f, %.2f to %.2f, %.2f px, want 28.6, 28.8 to 31.8, 32", gap, low.X, low.Y, high.X, high.Y)
					break
				}
			}
		}
	}
}
