package check

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
	"pochoir/trace"
)

func polygon(pts ...fit.Point) fit.Path {
	r := fit.Path{Closed: true}
	for i, p := range pts {
		r.Segments = append(r.Segments, fit.LineTo(p, pts[(i+1)%len(pts)]))
	}
	return r
}

// TestPentagram parts the five-pointed star drawn in one stroke. Its lines cross in five points, which are the corners
// of a pentagon of circumradius R/φ², φ the golden ratio (Euclid, Elements XIII; elementary): that is gone around twice.
func TestPentagram(t *testing.T) {
	const radius = 100.0
	var pts []fit.Point
	for i := range 5 {
		a := 2 * math.Pi * float64(2*i) / 5
		pts = append(pts, fit.Point{X: 150 + radius*math.Sin(a), Y: 150 - radius*math.Cos(a)})
	}
	star := polygon(pts...)
	if n := len(fit.Crossings(star)); n != 5 {
		t.Fatalf("%d crossings, want 5", n)
	}
	rings := fit.Uncross(star)
	if len(rings) != 2 {
		t.Fatalf("%d rings, want 2", len(rings))
	}
	phi := (1 + math.Sqrt(5)) / 2
	inner := radius / (phi * phi)
	pentagon := 2.5 * inner * inner * math.Sin(2*math.Pi/5)
	outline := 5 * radius * inner * math.Sin(math.Pi/5) // ten triangles of half the product of two radii and the sine of 36°
	small, large := math.Min(rings[0].Area(), rings[1].Area()), math.Max(rings[0].Area(), rings[1].Area())
	if math.Abs(small-pentagon) > 1e-6 || math.Abs(large-outline) > 1e-6 {
		t.Errorf("areas %g and %g, want %g and %g", small, large, pentagon, outline)
	}
}

// paintedBy samples which places a set of rings paints by the even-odd rule.
func paintedBy(rings []fit.Path, box survey.Box) []int32 {
	c := newCanvas(box, 40000)
	c.paint(rings, 1)
	return c.id
}

// TestUncrossKeepsWhatIsPainted parts random curves that cross themselves: no ring crosses itself any more, all have
// together the area that the ring had, and the same places are painted.
func TestUncrossKeepsWhatIsPainted(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	parted := 0
	for range 200 {
		n := 3 + rng.IntN(6)
		at := func() fit.Point { return fit.Point{X: 100 * rng.Float64(), Y: 100 * rng.Float64()} }
		pts := make([]fit.Point, n)
		for i := range pts {
			pts[i] = at()
		}
		r := fit.Path{Closed: true}
		for i, p := range pts {
			q := pts[(i+1)%n]
			if rng.IntN(3) == 0 {
				r.Segments = append(r.Segments, fit.LineTo(p, q))
			} else {
				r.Segments = append(r.Segments, fit.CubicTo(p, p.Add(at().Sub(at()).Mul(0.5)), q.Add(at().Sub(at()).Mul(0.5)), q))
			}
		}
		rings := fit.Uncross(r)
		if rings == nil {
			continue
		}
		parted++
		sum := 0.0
		for _, l := range rings {
			sum += l.Area()
			for i, s := range l.Segments {
				if s.P[3] != l.Segments[(i+1)%len(l.Segments)].P[0] {
					t.Fatalf("a ring is broken at %v", s.P[3])
				}
			}
			if at := crossesItself(l, 10); at != nil {
				t.Errorf("a ring still crosses itself at %v: %v", *at, r)
			}
		}
		if math.Abs(sum-r.Area()) > 0.5 {
			t.Errorf("area %g, was %g", sum, r.Area())
		}
		box := survey.BoxOf(r)
		a, b := paintedBy([]fit.Path{r}, box), paintedBy(rings, box)
		off := 0
		for i := range a {
			if a[i] != b[i] {
				off++
			}
		}
		if off > len(a)/400 {
			t.Errorf("%d of %d places are painted differently: %v", off, len(a), r)
		}
	}
	if parted < 100 {
		t.Errorf("only %d curves were parted", parted)
	}
}

// TestUncrossLeavesSimpleRings has nothing to part where a ring only touches itself or not even that.
func TestUncrossLeavesSimpleRings(t *testing.T) {
	for name, r := range map[string]fit.Path{
		"square":     polygon(fit.Point{}, fit.Point{X: 9}, fit.Point{X: 9, Y: 9}, fit.Point{Y: 9}),
		"touching":   polygon(fit.Point{}, fit.Point{X: 10}, fit.Point{X: 5, Y: 5}, fit.Point{X: 10, Y: 10}, fit.Point{Y: 10}, fit.Point{X: 5, Y: 5}),
		"there-back": polygon(fit.Point{}, fit.Point{X: 10}, fit.Point{X: 5}),
	} {
		if rings := fit.Uncross(r); rings != nil {
			t.Errorf("%s: parted into %d", name, len(rings))
		}
	}
}

// TestMendCrossings makes a hole of what a shape goes around twice, and takes out a loop no wider than a hair.
func TestMendCrossings(t *testing.T) {
	star := polygon(fit.Point{X: 100, Y: 20}, fit.Point{X: 150, Y: 180}, fit.Point{X: 20, Y: 80}, fit.Point{X: 180, Y: 80}, fit.Point{X: 50, Y: 180})
	m := mender{d: &trace.Drawing{Width: 200, Height: 200}, terms: &Terms{}, diag: math.Hypot(200, 200), done: map[string]int{}}
	out, n := m.uncross(trace.Shape{ID: "star", Rings: []fit.Path{star}})
	if n != 1 || len(out) != 1 || out[0].ID != "star" || len(out[0].Rings) != 2 || out[0].Rings[0].Area() <= 0 || out[0].Rings[1].Area() >= 0 {
		t.Errorf("star: %d mended: %+v", n, out)
	}
	hair := polygon(fit.Point{X: 20, Y: 20}, fit.Point{X: 120.05, Y: 20}, fit.Point{X: 120.05, Y: 100}, fit.Point{X: 119.96, Y: 100},
		fit.Point{X: 119.96, Y: 40}, fit.Point{X: 121, Y: 40}, fit.Point{X: 121, Y: 120}, fit.Point{X: 20, Y: 120})
	out, n = m.uncross(trace.Shape{Rings: []fit.Path{hair}})
	if n != 1 || len(out) != 1 || len(out[0].Rings) != 1 || len(fit.Crossings(out[0].Rings[0])) != 0 || math.Abs(out[0].Rings[0].Area()-10081) > 1e-6 {
		t.Errorf("hair: %d mended: %+v", n, out)
	}
	square := trace.Shape{ID: "plain", Rings: []fit.Path{polygon(fit.Point{X: 1, Y: 1}, fit.Point{X: 9, Y: 1}, fit.Point{X: 9, Y: 9})}}
	if out, n := m.uncross(square); n != 0 || len(out) != 1 || out[0].ID != "plain" {
		t.Errorf("plain: %d mended: %+v", n, out)
	}
}
