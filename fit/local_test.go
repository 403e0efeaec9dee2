package fit

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestFitLocal fits points of a known parabola.
func TestFitLocal(t *testing.T) {
	u := unitAt(0.6)
	at := func(x float64) Point { return Point{5, 7}.Add(u.Mul(x)).Add(u.Perp().Mul(0.05 * x * x)) }
	var p []Point
	for i := range 9 {
		p = append(p, at(float64(i)-4))
	}
	l := FitLocal(p, true)
	if l.Count != 9 || l.RMS > 0.002 {
		t.Errorf("Count %d, RMS %g", l.Count, l.RMS)
	}
	if c := l.Curvature(); math.Abs(c-0.1) > 0.01 {
		t.Errorf("curvature %g, want 0.1, clockwise", c)
	}
	pos, dir := l.At(Point{5, 7}.Add(u.Perp().Mul(-0.5)))
	if pos.Sub(Point{5, 7}).Len() > 0.01 || dir.Dot(u) < 0.9999 {
		t.Errorf("At = %v, %v, want %v, %v", pos, dir, Point{5, 7}, u)
	}
	if off := l.Off(at(2).Add(u.Perp().Mul(0.3))); math.Abs(off-0.3) > 0.03 {
		t.Errorf("Off = %g, want 0.3", off)
	}
	if l := FitLocal(p[:1], true); l.Count != 0 {
		t.Errorf("one point gives Count %d", l.Count)
	}
	if l := FitLocal([]Point{{0, 0}, {2, 2}}, false); l.RMS > 1e-12 {
		t.Errorf("two points leave %g", l.RMS)
	}
}

// TestNoise measures noise of known size, its neighbours alike or not.
func TestNoise(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, c := range []struct{ sd, shared, slack float64 }{{0.01, 0, 0.1}, {0.1, 0, 0.1}, {0.3, 0, 0.1}, {0.2, 0.5, 0.15}, {0.2, 0.7, 0.15}} {
		var runs [][]Sample
		for range 8 {
			var run []Sample
			e := r.NormFloat64()
			for i := range 400 {
				u := unitAt(float64(i) / 60)
				run = append(run, Sample{u.Mul(60 + c.sd*e), 1})
				e = c.shared*e + math.Sqrt(1-c.shared*c.shared)*r.NormFloat64()
			}
			runs = append(runs, run)
		}
		if got := Noise(runs, func(s *Sample) Sample { return *s }, 3); math.Abs(got-c.sd) > c.slack*c.sd {
			t.Errorf("noise of %g, neighbours alike by %g: measured %.4f", c.sd, c.shared, got)
		}
		var parts [][]Sample
		for _, run := range runs {
			for ; len(run) > 0; run = run[min(40, len(run)):] {
				parts = append(parts, run[:min(40, len(run))])
			}
		}
		one := Noise(parts, func(s *Sample) Sample { return *s }, 1)
		for workers := 2; workers <= 5; workers++ {
			if got := Noise(parts, func(s *Sample) Sample { return *s }, workers); got != one {
				t.Errorf("%d goroutines measure %g, one %g", workers, got, one)
			}
		}
	}
	if got := Noise(nil, func(s *Sample) Sample { return *s }, 2); got != 0 {
		t.Errorf("no runs have noise %g", got)
	}
}
