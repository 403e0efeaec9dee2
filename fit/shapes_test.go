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
