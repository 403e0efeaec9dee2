package trace_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/fit"
	"pochoir/trace"
	"pochoir/trace/paper"
)

var digital = trace.Options{Sheet: paper.Options{Kind: paper.Digital}}

// cornersOf returns the places where a ring turns by more than about 25 degrees.
func cornersOf(p fit.Path) (out []fit.Point) {
	for k, s := range p.Segments {
		if leaving(p.Segments[(k+1)%len(p.Segments)]).Dot(arriving(s)) < 0.9 {
			out = append(out, s.P[3])
		}
	}
	return out
}

// missing returns how far the worst of some places is from all corners.
func missing(corners []fit.Point, places ...fit.Point) float64 {
	worst := 0.0
	for _, p := range places {
		least := math.Inf(1)
		for _, c := range corners {
			least = math.Min(least, c.Sub(p).Len())
		}
		worst = math.Max(worst, least)
	}
	return worst
}

// TestSmallSteps: where a bar goes over into a slightly wider one, both corners of the step are drawn where they are, and
// nothing else.
func TestSmallSteps(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 8))
	for range 60 {
		y := 40 + r.Float64()
		left, right := 30+r.Float64(), 60+r.Float64()
		jump := 0.6 + 2.2*r.Float64()
		pic := drawn(100, 80, box(navy, left, 20, right, y+1), box(navy, left, y, right+jump, 65))
		corners := cornersOf(onlyRing(t, traced(t, pic, digital).Drawing, navy))
		if len(corners) != 6 {
			t.Errorf("a step of %.2f px at %.2f,%.2f: %d corners, want 6", jump, right, y, len(corners))
			continue
		}
		if off := missing(corners, fit.Point{X: right, Y: y}, fit.Point{X: right + jump, Y: y}); off > 0.25 {
			t.Errorf("a step of %.2f px at %.2f,%.2f: a corner is %.2f px off", jump, right, y, off)
		}
	}
}

// TestCornerBesideJunction: two areas that together form a box, parted by a slanting line that ends close to one of its
// corners: the box keeps its corner, and the line ends where it does.
func TestCornerBesideJunction(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 9))
	missed := 0
	for range 60 {
		x1, y0 := 60+r.Float64(), 25+r.Float64() // the corner at the upper right
		down := 1 + 3*r.Float64()
		steep := 0.6 + r.Float64()
		below := figure{teal, func(x, y float64) bool {
			return x > 20.3 && x < x1 && y > y0 && y < 70.6 && y-y0-down > (x1-x)*steep
		}}
		pic := drawn(90, 90, box(navy, 20.3, y0, x1, 70.6), below)
		d := traced(t, pic, digital).Drawing
		corner, end := fit.Point{X: x1, Y: y0}, fit.Point{X: x1, Y: y0 + down}
		var all []fit.Point
		for _, l := range d.Layers {
			for _, s := range l.Shapes {
				for _, ring := range s.Rings {
					all = append(all, cornersOf(ring)...)
				}
			}
		}
		if off := missing(all, corner, end); off > 0.5 {
			missed++
			t.Logf("a line that ends %.2f px below the corner at %.2f,%.2f, 1 in %.2f: %.2f px off", down, x1, y0, steep, off)
		}
	}
	if missed > 1 { // where a single pixel shows both, the pixels may not tell
		t.Errorf("%d of 60 are missed", missed)
	}
}

// TestBendBesideJunction: where two areas that lie on a line meet a third one below, whose side bends some pixels farther on,
// that side runs straight to the line, not to where the bend would.
func TestBendBesideJunction(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 10))
	for range 40 {
		x0, y0 := 41+r.Float64(), 41+r.Float64()
		bend, start := (2*r.Float64()-1)*0.06, 6+3*r.Float64()
		round, over := 10+6*r.Float64(), 6+6*r.Float64()
		leg := func(x, y float64) bool {
			d := math.Max(0, y-y0-start)
			return x > x0-bend*d*d && x < 90 && y > y0-8 && y < y0+25
		}
		pic := drawn(110, 80, figure{navy, leg}, box(orange, 5, 5, x0+0.3, y0), roundedBox(teal, x0-over, 5, 95, y0, round))
		d := traced(t, pic, digital).Drawing
		side, nearest := fit.Point{X: x0, Y: y0 + 2}, math.Inf(1)
		for _, l := range d.Layers {
			for _, s := range l.Shapes {
				for _, ring := range s.Rings {
					nearest = math.Min(nearest, farFrom(ring, side))
				}
			}
		}
		if nearest > 0.3 {
			t.Errorf("a leg that bends by %.2f: its side at %.2f,%.2f is drawn %.2f px off", bend, side.X, side.Y, nearest)
		}
	}
}

// farFrom returns how far a place is from a path, px.
func farFrom(p fit.Path, q fit.Point) float64 {
	least := math.Inf(1)
	for _, s := range p.Segments {
		n := 20 * (1 + int(s.Length()))
		for k := range n + 1 {
			least = math.Min(least, s.At(float64(k)/float64(n)).Sub(q).Len())
		}
	}
	return least
}

// TestRoundEndBesideJunction: where two colours that share a round end part near its tip, no outline runs on past the end, to
// where its sides would meet, nor an edge that the upper colour is to hide.
func TestRoundEndBesideJunction(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 4))
	for range 60 {
		x0, y0, turn := 40+r.Float64(), 40+r.Float64(), 2*math.Pi*r.Float64()
		long, wide, seam := 28+6*r.Float64(), 5+4*r.Float64(), 1+2*r.Float64()
		sin, cos := math.Sincos(turn)
		whole := oval(navy, x0, y0, long, wide, turn)
		half := figure{teal, func(x, y float64) bool {
			return whole.inside(x, y) && (y-y0)*cos-(x-x0)*sin > seam*(x-x0)*cos/long+seam*(y-y0)*sin/long
		}}
		d := traced(t, drawn(80, 80, whole, half), digital).Drawing
		worst, at := 0.0, fit.Point{}
		for _, l := range d.Layers {
			for _, s := range l.Shapes {
				for _, g := range s.Rings[0].Segments {
					for k := range 33 {
						p := g.At(float64(k) / 32)
						u, v := (p.X-x0)*cos+(p.Y-y0)*sin, (p.Y-y0)*cos-(p.X-x0)*sin
						// to first order, the distance of p outside
						f := math.Hypot(u/long, v/wide)
						if off := (f - 1) * f / math.Hypot(u/long/long, v/wide/wide); off > worst {
							worst, at = off, p
						}
					}
				}
			}
		}
		if worst > 1 {
			t.Errorf("an oval of %.1f x %.1f px at %.2f,%.2f turned by %.2f: an outline lies %.2f px outside at %.1f,%.1f", long, wide, x0, y0, turn, worst, at.X, at.Y)
		}
	}
}
