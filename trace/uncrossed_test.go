package trace

import (
	"math"
	"testing"

	"pochoir/fit"
)

func polygon(xy ...float64) fit.Path {
	p := fit.Path{Closed: true}
	n := len(xy)
	for i := 0; i < n; i += 2 {
		p.Segments = append(p.Segments, fit.LineTo(fit.Point{X: xy[i], Y: xy[i+1]}, fit.Point{X: xy[(i+2)%n], Y: xy[(i+3)%n]}))
	}
	return p
}

// TestUncrossedKeepsBlobs: a box with a blob that hangs outside on a neck whose sides cross, and one with a bay that reaches
// in through such a neck, as outer rings and, run the other way, as holes: blob and bay become rings of their own, wound as
// what they are.
func TestUncrossedKeepsBlobs(t *testing.T) {
	blob := polygon(0, 0, 18, 0, 22, -4, 30, -20, 10, -20, 18, -4, 22, 0, 40, 0, 40, 40, 0, 40)
	bay := polygon(0, 0, 18, 0, 22, 4, 30, 20, 10, 20, 18, 4, 22, 0, 40, 0, 40, 40, 0, 40)
	const neck = 4 // px²: of the triangles on both sides of the crossing
	for name, c := range map[string]struct {
		ring   fit.Path
		hole   bool
		second float64 // the area of the smaller ring
	}{
		"blob":             {blob, false, 196},
		"bay":              {bay, false, -196},
		"bay of a hole":    {blob.Reverse(), true, -196},
		"island in a hole": {bay.Reverse(), true, 196},
	} {
		parts := uncrossed(c.ring, c.hole, nil, 0.11)
		if len(parts) != 2 {
			t.Errorf("%s: %d rings, want 2", name, len(parts))
			continue
		}
		first, second := parts[0].Area(), parts[1].Area()
		if c.hole != (first < 0) || max(first, -first) < 1600-neck || second < c.second-neck || second > c.second+neck {
			t.Errorf("%s: rings of %.1f and %.1f px², want 1600 and %.1f", name, first, second, c.second)
		}
	}
	if parts := uncrossed(bay, false, func(fit.Path) bool { return true }, 0.11); len(parts) != 1 {
		t.Errorf("bay under a higher colour: %d rings, want 1", len(parts))
	}
	if parts := uncrossed(bay, false, func(b fit.Path) bool { return math.Abs(b.Area()) < 100 }, 0.11); len(parts) != 2 {
		t.Errorf("bay that a lower colour shows in: %d rings, want 2", len(parts))
	}
}
