package fit

import (
	"math"
	"math/rand/v2"
	"testing"
)

func randomCubic(r *rand.Rand) Segment {
	p := func() Point { return Point{r.Float64() * 20, r.Float64() * 20} }
	return CubicTo(p(), p(), p(), p())
}

// TestSegment checks the helpers of Segment against dense sampling.
func TestSegment(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 200 {
		s := randomCubic(r)
		q := Point{r.Float64() * 20, r.Float64() * 20}
		const n = 20000
		best, length := math.Inf(1), 0.0
		low, high := s.P[0], s.P[0]
		last := s.P[0]
		for i := range n + 1 {
			p := s.At(float64(i) / n)
			best = math.Min(best, p.Sub(q).Len())
			length += p.Sub(last).Len()
			low = Point{math.Min(low.X, p.X), math.Min(low.Y, p.Y)}
			high = Point{math.Max(high.X, p.X), math.Max(high.Y, p.Y)}
			last = p
		}
		at, d := s.Nearest(q)
		if d > best+1e-3 || math.Abs(s.At(at).Sub(q).Len()-d) > 1e-9 {
			t.Fatalf("%v: Nearest(%v) = %g, %g, want distance %g", s.P, q, at, d, best)
		}
		if l, h := s.Bounds(); l.Sub(low).Len() > 1e-5 || h.Sub(high).Len() > 1e-5 {
			t.Fatalf("%v: Bounds = %v %v, want %v %v", s.P, l, h, low, high)
		}
		for _, tol := range []float64{1, 0.1, 0.01} {
			flat := s.Flatten([]Point{s.P[0]}, tol)
			for i := range n / 10 {
				p := s.At(float64(i*10) / n)
				off := math.Inf(1)
				for k := 1; k < len(flat); k++ {
					_, d := LineTo(flat[k-1], flat[k]).Nearest(p)
					off = math.Min(off, d)
				}
				if off > tol {
					t.Fatalf("%v: Flatten(%g) leaves the curve by %g", s.P, tol, off)
				}
			}
		}
		a, b := r.Float64()*0.5, 0.5+r.Float64()*0.5
		part := s.Sub(a, b)
		for _, x := range []float64{0, 0.3, 1} {
			if d := part.At(x).Sub(s.At(a + x*(b-a))).Len(); d > 1e-9 {
				t.Fatalf("%v: Sub(%g, %g) errs by %g", s.P, a, b, d)
			}
		}
	}
}

// TestPath checks Split, Nearest, Length and Bounds of a path of several segments.
func TestPath(t *testing.T) {
	path := Path{Segments: []Segment{
		LineTo(Point{0, 0}, Point{10, 0}), CubicTo(Point{10, 0}, Point{15, 0}, Point{20, 5}, Point{20, 10}), LineTo(Point{20, 10}, Point{20, 20}),
	}}
	if i, at, d := path.Nearest(Point{22, 15}); i != 2 || math.Abs(at-0.5) > 1e-9 || math.Abs(d-2) > 1e-9 {
		t.Errorf("Nearest = %d, %g, %g, want 2, 0.5, 2", i, at, d)
	}
	low, high := path.Bounds()
	if low != (Point{0, 0}) || high != (Point{20, 20}) {
		t.Errorf("Bounds = %v %v", low, high)
	}
	for _, c := range []struct {
		segment    int
		t          float64
		head, tail int
	}{{0, 0, 0, 3}, {1, 0, 1, 2}, {1, 0.5, 2, 2}, {2, 1, 3, 0}, {0, 0.25, 1, 3}} {
		head, tail := path.Split(c.segment, c.t)
		if len(head.Segments) != c.head || len(tail.Segments) != c.tail {
			t.Errorf("Split(%d, %g): %d and %d segments, want %d and %d", c.segment, c.t, len(head.Segments), len(tail.Segments), c.head, c.tail)
		}
		if l := head.Length() + tail.Length(); math.Abs(l-path.Length()) > 1e-3 {
			t.Errorf("Split(%d, %g): length %g, was %g", c.segment, c.t, l, path.Length())
		}
	}
	back := path.Reverse()
	if back.Segments[0].P[0] != (Point{20, 20}) || back.Segments[2].P[3] != (Point{0, 0}) {
		t.Errorf("Reverse runs %v to %v", back.Segments[0].P[0], back.Segments[2].P[3])
	}
	if i, _, _ := (Path{}).Nearest(Point{}); i != -1 {
		t.Errorf("the nearest segment of an empty path is %d", i)
	}
}

// TestWalk measures points along a closed wavy path, from any of its places on, as Nearest does, which looks everywhere.
func TestWalk(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 0))
	for range 40 {
		path := Path{Closed: true}
		const n = 9
		var at [n]Point
		for k := range at {
			a := 2 * math.Pi * float64(k) / n
			r := 60 + 30*rng.Float64()
			at[k] = Point{100 + r*math.Cos(a), 100 + r*math.Sin(a)}
		}
		for k, p := range at {
			d := at[(k+1)%n]
			if rng.IntN(4) == 0 {
				path.Segments = append(path.Segments, LineTo(p, d))
				continue
			}
			side := func() Point { return Point{12 * (rng.Float64() - 0.5), 12 * (rng.Float64() - 0.5)} }
			path.Segments = append(path.Segments, CubicTo(p, p.Lerp(d, 0.3).Add(side()), p.Lerp(d, 0.7).Add(side()), d))
		}
		walk := NewWalk(path)
		start := rng.IntN(n)
		for k := range n {
			s := path.Segments[(start+k)%n]
			for u := 0.01; u < 1; u += 0.02 {
				p := s.At(u).Add(s.Deriv(u).Unit().Perp().Mul(rng.Float64() - 0.5))
				_, _, want := path.Nearest(p)
				if got := walk.Distance(p); math.Abs(got-want) > 1e-3 { // px: no more is ever told
					t.Fatalf("segment %d at %.2f: distance %.8f, want %.8f", (start+k)%n, u, got, want)
				}
			}
		}
	}
}
