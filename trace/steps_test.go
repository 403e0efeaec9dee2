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
