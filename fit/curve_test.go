package fit

import (
	"math"
	"math/rand/v2"
	"testing"
)

// checkPath fails unless path is connected, finite, free of zero-length segments, and runs from start to end or closes.
func checkPath(t *testing.T, path Path, closed bool, start, end Point) {
	t.Helper()
	if path.Closed != closed {
		t.Fatalf("Closed = %v, want %v", path.Closed, closed)
	}
	n := len(path.Segments)
	for i, s := range path.Segments {
		for _, p := range s.P {
			if math.IsNaN(p.X+p.Y) || math.IsInf(p.X+p.Y, 0) {
				t.Fatalf("segment %d is not finite: %v", i, s.P)
			}
		}
		if s.Length() < samePlace/2 {
			t.Fatalf("segment %d of %d has length %g: %v", i, n, s.Length(), s.P)
		}
		if i+1 < n && s.P[3] != path.Segments[i+1].P[0] {
			t.Fatalf("segments %d and %d part: %v %v", i, i+1, s.P[3], path.Segments[i+1].P[0])
		}
	}
	if n == 0 {
		return
	}
	if first, last := path.Segments[0].P[0], path.Segments[n-1].P[3]; closed {
		if first != last {
			t.Fatalf("closed path begins at %v and ends at %v", first, last)
		}
	} else if first != start || last != end {
		t.Fatalf("path runs %v to %v, want %v to %v", first, last, start, end)
	}
}

// FuzzCurve builds a wandering run from the bytes and checks what Curve promises for any finite input.
func FuzzCurve(f *testing.F) {
	f.Add([]byte{0, 1, 2, 3, 4, 5, 6, 7}, true, uint8(10))
	f.Add([]byte{9, 9, 9, 9, 9, 200, 200, 200, 7, 7, 7}, false, uint8(1))
	f.Add([]byte{128}, false, uint8(3))
	f.Add([]byte{}, true, uint8(200))
	f.Add([]byte{1, 65, 129, 193, 1, 65, 129, 193}, true, uint8(2))
	f.Fuzz(func(t *testing.T, steps []byte, closed bool, tolerance uint8) {
		if len(steps) > 600 {
			steps = steps[:600]
		}
		var run []Sample
		p := Point{50, 50}
		for _, b := range steps {
			// The high bits turn the step, the low ones give its length: from a standstill to a leap.
			u := unitAt(float64(b>>2) * 2 * math.Pi / 64)
			l := [4]float64{0, 1, 0.3, 40}[b&3]
			p = p.Add(u.Mul(l))
			run = append(run, Sample{p, float64(b%5) / 4})
		}
		start, end := Point{50, 50}, p.Add(Point{1, 0})
		path := Curve(run, closed, start, end, Options{Tolerance: float64(tolerance) / 50})
		checkPath(t, path, closed, start, end)
		Corners(run, closed, Options{})
	})
}

// TestCurveDegenerate feeds runs that are hardly runs.
func TestCurveDegenerate(t *testing.T) {
	at := func(xy ...float64) (s []Sample) {
		for i := 0; i < len(xy); i += 2 {
			s = append(s, Sample{Point{xy[i], xy[i+1]}, 1})
		}
		return s
	}
	for name, c := range map[string]struct {
		run    []Sample
		closed bool
		end    Point
		empty  bool
	}{
		"no samples":                  {nil, false, Point{5, 0}, false},
		"no samples, no length":       {nil, false, Point{}, true},
		"closed, none":                {nil, true, Point{}, true},
		"closed, two":                 {at(0, 0, 1, 0), true, Point{}, true},
		"closed, two of them twice":   {at(0, 0, 0, 0, 1, 0, 1, 0, 0, 0), true, Point{}, true},
		"closed, three":               {at(0, 0, 3, 0, 0, 3), true, Point{}, false},
		"closed, three in line":       {at(0, 0, 1, 0, 2, 0), true, Point{}, false},
		"one sample":                  {at(2, 1), false, Point{5, 0}, false},
		"samples on the ends":         {at(0, 0, 5, 0), false, Point{5, 0}, false},
		"not a number among them":     {at(1, 0, math.NaN(), 3, 2, 0, math.Inf(1), 0, 3, 0), false, Point{5, 0}, false},
		"repeated places":             {at(1, 0, 1, 0, 1, 0, 2, 0, 2, 0), false, Point{5, 0}, false},
		"starts and ends at one spot": {at(1, 1, 2, 0, 1, -1), false, Point{0, 0}, false},
	} {
		t.Run(name, func(t *testing.T) {
			path := Curve(c.run, c.closed, Point{}, c.end, Options{})
			checkPath(t, path, c.closed, Point{}, c.end)
			if empty := len(path.Segments) == 0; empty != c.empty {
				t.Errorf("%d segments, want empty: %v", len(path.Segments), c.empty)
			}
		})
	}
}

// noisy returns samples with normally distributed errors of the given standard deviation added, px.
func noisy(run []Sample, sd float64, r *rand.Rand) []Sample {
	out := make([]Sample, len(run))
	for i, q := range run {
		out[i] = Sample{q.Add(Point{r.NormFloat64(), r.NormFloat64()}.Mul(sd)), q.Weight}
	}
	return out
}
