package fit

import (
	"math"
	"math/rand/v2"
	"testing"
)

func polygon(p ...Point) Path {
	path := Path{Closed: true}
	for i := range p {
		path.Segments = append(path.Segments, LineTo(p[i], p[(i+1)%len(p)]))
	}
	return path
}

// star has sharp tips at the outer radius and notches at the inner one.
func star(centre Point, outer, inner float64, tips int) Path {
	var p []Point
	for i := range 2 * tips {
		r := outer
		if i%2 == 1 {
			r = inner
		}
		p = append(p, centre.Add(unitAt(math.Pi*float64(i)/float64(tips)+0.1).Mul(r)))
	}
	return polygon(p...)
}

// roundedRectangle has corners of radius r, drawn with the classic handle 4/3·tan(π/8).
func roundedRectangle(x, y, w, h, r float64) Path {
	const k = 1 - 0.5522847498307936
	c := func(a, b, c Point) Segment { return CubicTo(a, b.Lerp(a, k), b.Lerp(c, k), c) }
	at := func(dx, dy float64) Point { return Point{x + dx, y + dy} }
	return Path{Closed: true, Segments: []Segment{
		LineTo(at(r, 0), at(w-r, 0)), c(at(w-r, 0), at(w, 0), at(w, r)),
		LineTo(at(w, r), at(w, h-r)), c(at(w, h-r), at(w, h), at(w-r, h)),
		LineTo(at(w-r, h), at(r, h)), c(at(r, h), at(0, h), at(0, h-r)),
		LineTo(at(0, h-r), at(0, r)), c(at(0, r), at(0, 0), at(r, 0)),
	}}
}

// away returns the largest distance of a point of a from b, px.
func away(a, b Path) float64 {
	worst := 0.0
	for _, s := range a.Segments {
		n := 2 + int(s.Length())
		for i := range n {
			_, _, d := b.Nearest(s.At((float64(i) + 0.5) / float64(n)))
			worst = math.Max(worst, d)
		}
	}
	return worst
}

func lines(p Path) (n int) {
	for _, s := range p.Segments {
		if s.Line {
			n++
		}
	}
	return n
}

// TestShapes traces figures whose best drawing is known.
func TestShapes(t *testing.T) {
	for _, c := range []struct {
		name            string
		shape           Path
		segments, lines int
		worst           float64 // px
	}{
		{"circle", Ellipse(Point{40, 40}, 20, 20, 0), 4, 0, 0.02},
		{"ellipse", Ellipse(Point{40.3, 40.1}, 30, 12, 0.4), 4, 0, 0.02},
		{"square", polygon(Point{10, 10}, Point{50, 10}, Point{50, 50}, Point{10, 50}), 4, 4, 0.05},
		{"slanted triangle", polygon(Point{10, 10}, Point{60, 23}, Point{25, 61}), 3, 3, 0.05},
		{"rounded rectangle", roundedRectangle(10.2, 12.7, 60, 40, 9), 8, 4, 0.1},
		{"bar 4 px wide", polygon(Point{12.3, 20.2}, Point{62.1, 33.5}, Point{61.1, 37.4}, Point{11.3, 24.1}), 4, 4, 0.3},
		{"star", star(Point{40.2, 39.7}, 36, 24, 6), 12, 12, 0.15},
	} {
		t.Run(c.name, func(t *testing.T) {
			for seed := range uint64(5) {
				r := rand.New(rand.NewPCG(seed, 1))
				runs := measured(80, 80, c.shape)
				if len(runs) != 1 {
					t.Fatalf("%d outlines", len(runs))
				}
				path := Curve(noisy(runs[0], 0.005, r), true, Point{}, Point{}, Options{})
				checkPath(t, path, true, Point{}, Point{})
				if n, l := len(path.Segments), lines(path); n != c.segments || l != c.lines {
					t.Errorf("seed %d: %d segments of which %d lines, want %d and %d", seed, n, l, c.segments, c.lines)
				}
				if d := math.Max(away(path, c.shape), away(c.shape, path)); d > c.worst {
					t.Errorf("seed %d: %.3f px from the shape, want at most %.3f", seed, d, c.worst)
				}
			}
		})
	}
}

// TestNaturalPlaces wants the joints of an egg at its extrema, with level and upright handles, and lines that are level
// within the noise exactly so.
func TestNaturalPlaces(t *testing.T) {
	egg := Path{Closed: true, Segments: []Segment{
		CubicTo(Point{40.3, 8.2}, Point{57, 8.2}, Point{66.7, 30}, Point{66.7, 46.1}),
		CubicTo(Point{66.7, 46.1}, Point{66.7, 60}, Point{55, 71.3}, Point{40.3, 71.3}),
		CubicTo(Point{40.3, 71.3}, Point{26, 71.3}, Point{13.9, 60}, Point{13.9, 46.1}),
		CubicTo(Point{13.9, 46.1}, Point{13.9, 30}, Point{23, 8.2}, Point{40.3, 8.2}),
	}}
	path := Curve(measured(80, 80, egg)[0], true, Point{}, Point{}, Options{})
	natural := 0
	for _, s := range path.Segments {
		if d := s.P[1].Sub(s.P[0]); d.X == 0 || d.Y == 0 {
			natural++
		}
	}
	if len(path.Segments) > 4 || natural < len(path.Segments)-1 {
		t.Errorf("%d segments, %d of whose joints are level or upright", len(path.Segments), natural)
	}
	r := rand.New(rand.NewPCG(2, 2))
	frame := noisy(measured(80, 80, polygon(Point{9.7, 10.2}, Point{70.3, 10.2}, Point{70.3, 66.4}, Point{9.7, 66.4}))[0], 0.02, r)
	for _, s := range Curve(frame, true, Point{}, Point{}, Options{Noise: 0.02}).Segments {
		if d := s.P[3].Sub(s.P[0]); !s.Line || d.X != 0 && d.Y != 0 {
			t.Errorf("a side of the frame runs %v, line %v", d, s.Line)
		}
	}
}

// TestCurveIsRepeatable wants the same bytes from the same samples.
func TestCurveIsRepeatable(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	run := noisy(measured(90, 90, star(Point{44, 45}, 40, 22, 7), Ellipse(Point{44, 45}, 9, 6, 1))[0], 0.05, r)
	first := Curve(run, true, Point{}, Point{}, Options{})
	for range 3 {
		again := Curve(run, true, Point{}, Point{}, Options{})
		if len(again.Segments) != len(first.Segments) {
			t.Fatalf("%d segments, then %d", len(first.Segments), len(again.Segments))
		}
		for i := range first.Segments {
			if again.Segments[i] != first.Segments[i] {
				t.Fatalf("segment %d differs: %v, %v", i, first.Segments[i], again.Segments[i])
			}
		}
	}
}

// TestOpenRuns wants a run to begin and end exactly where it is told, and smoothly even where the samples next to its
// ends are tainted.
func TestOpenRuns(t *testing.T) {
	arc := func(a float64) Point { return Point{50, 50}.Add(unitAt(a).Mul(40)) }
	var run []Sample
	for i := range 60 {
		run = append(run, Sample{arc(0.02 + 1.5*float64(i)/60), 1})
	}
	run[0].X += 0.4
	start, end := arc(0), arc(1.54)
	path := Curve(run, false, start, end, Options{})
	checkPath(t, path, false, start, end)
	if len(path.Segments) > 2 {
		t.Errorf("%d segments for an arc", len(path.Segments))
	}
	for _, s := range path.Segments {
		for i := range 50 {
			if d := math.Abs(s.At(float64(i)/50).Sub(Point{50, 50}).Len() - 40); d > 0.15 {
				t.Fatalf("%.2f px off the arc at %v", d, s.At(float64(i)/50))
			}
		}
	}
	// A run that returns to where it began is not a loop: it keeps its corner there.
	loop := Curve(run, false, start, start, Options{})
	checkPath(t, loop, false, start, start)
	if len(loop.Segments) < 2 {
		t.Errorf("out and back in %d segments", len(loop.Segments))
	}
}
