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
		{"square", polygon(Point{10, 10}, Point{50, 10}, Point{50, 50}, Point{10, 50}), 4, 4, 0.05},
		{"slanted triangle", polygon(Point{10, 10}, Point{60, 23}, Point{25, 61}), 3, 3, 0.05},
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
