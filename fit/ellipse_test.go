package fit

import (
	"math"
	"testing"
)

// radialError returns the largest relative error of the radius of a quarter circle drawn with the given handle.
func radialError(handle float64) float64 {
	s := CubicTo(Point{1, 0}, Point{1, handle}, Point{handle, 1}, Point{0, 1})
	worst := 0.0
	for i := range 100001 {
		worst = math.Max(worst, math.Abs(s.At(float64(i)/100000).Len()-1))
	}
	return worst
}

// TestCircleHandle checks the two well-known constructions of a circle by four cubics. The errors, 2.7253e-4 of the
// radius for the handle 4/3·tan(π/8) and 1.96e-4 for the best one, 0.551915…, are those of the literature on
// approximating circles by cubic Béziers (Goldapp 1991; Riškus 2006), quoted from memory.
func TestCircleHandle(t *testing.T) {
	if e := radialError(4.0 / 3 * math.Tan(math.Pi/8)); math.Abs(e-2.7253e-4) > 1e-8 {
		t.Errorf("classic handle: error %.5e, want 2.7253e-4", e)
	}
	best := radialError(circleHandle)
	if best > 1.965e-4 || best < 1.955e-4 {
		t.Errorf("circleHandle: error %.5e, want 1.96e-4", best)
	}
	for _, d := range []float64{-1e-4, 1e-4} {
		if e := radialError(circleHandle + d); e <= best {
			t.Errorf("handle %.6f errs by %.5e, less than circleHandle by %.5e", circleHandle+d, e, best)
		}
	}
}

// TestEllipse checks Ellipse against the equation of an ellipse, its area and its direction.
func TestEllipse(t *testing.T) {
	for _, c := range []struct{ a, b, theta float64 }{{10, 10, 0}, {10, 4, 0.7}, {3, 8, -1}, {0.5, 0.5, 2}} {
		path := Ellipse(Point{3, -2}, c.a, c.b, c.theta)
		if len(path.Segments) != 4 {
			t.Fatalf("%v: %d segments", c, len(path.Segments))
		}
		checkPath(t, path, true, Point{}, Point{})
		u := unitAt(c.theta)
		for _, s := range path.Segments {
			for i := range 50 {
				d := s.At(float64(i) / 50).Sub(Point{3, -2})
				r := math.Hypot(d.Dot(u)/c.a, d.Dot(u.Perp())/c.b)
				if math.Abs(r-1) > 2e-4 {
					t.Fatalf("%v: a point at %.6f of the radius", c, r)
				}
			}
		}
		if got, want := path.Area(), math.Pi*c.a*c.b; math.Abs(got-want) > 4e-4*want {
			t.Errorf("%v: area %.4f, want %.4f, positive as it runs clockwise on screen", c, got, want)
		}
	}
}

// TestWholeEllipse measures discs and ellipses in pictures and wants them back as four cubics with their points at the
// ends of the axes.
func TestWholeEllipse(t *testing.T) {
	for _, c := range []struct{ a, b, theta float64 }{
		{3, 3, 0}, {5, 5, 0}, {12, 12, 0}, {33, 33, 0}, {20, 12, 0}, {12, 20, 0}, {24, 9, 0.5}, {15, 10, -1.1}, {6, 3, 0.2},
	} {
		centre := Point{40.3, 39.8}
		run := measured(80, 80, Ellipse(centre, c.a, c.b, c.theta))[0]
		path := Curve(run, true, Point{}, Point{}, Options{})
		checkPath(t, path, true, Point{}, Point{})
		if len(path.Segments) != 4 {
			t.Errorf("%v: %d segments, want 4", c, len(path.Segments))
			continue
		}
		if d := away(path, Ellipse(centre, c.a, c.b, c.theta)); d > 0.03 {
			t.Errorf("%v: %.3f px off", c, d)
		}
		if c.a == c.b {
			for _, s := range path.Segments {
				if d := s.P[0].Sub(centre); math.Min(math.Abs(d.X), math.Abs(d.Y)) > 0.02 {
					t.Errorf("%v: a point at %v, want it at an extremum", c, s.P[0])
				}
			}
		}
	}
}
