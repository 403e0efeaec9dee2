package fit

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestCubicOrder checks that the error of a single cubic falls with the sixth power of its length, as for geometric
// Hermite interpolation: C. de Boor, K. Höllig & M. Sabin, "High accuracy geometric Hermite interpolation", Computer
// Aided Geometric Design 4, 1987. The curves have no inflection and a curvature that varies.
func TestCubicOrder(t *testing.T) {
	for name, f := range map[string]func(x float64) (p, d Point){
		"ellipse": func(x float64) (Point, Point) {
			return Point{200 * math.Cos(x), 120 * math.Sin(x)}, Point{-200 * math.Sin(x), 120 * math.Cos(x)}
		},
		"exponential": func(x float64) (Point, Point) {
			return Point{100 * x, 100 * math.Exp(x)}, Point{100, 100 * math.Exp(x)}
		},
	} {
		var last float64
		for level := range 3 {
			h := 1.6 * math.Pow(0.8, float64(level))
			st := Options{Tolerance: 50}.setting(nil, nil, false)
			s := stretch{setting: &st}
			const n = 200
			for i := range n + 1 {
				p, _ := f(0.3 + h*float64(i)/n)
				s.p, s.w = append(s.p, p), append(s.w, 1)
			}
			s.prepare()
			_, d0 := f(0.3)
			_, d1 := f(0.3 + h)
			b := s.cubic(0, n, d0.Unit(), d1.Unit(), 0, 0, maxTrial, 0)
			chain := chain{knots: []knot{
				{p: s.p[0], out: d0.Unit(), pinned: true, held: true}, {p: s.p[n], in: d1.Unit(), pinned: true, held: true},
			}, pieces: []piece{{a: b.a, b: b.b}}}
			var m marks
			for i := 1; i < n; i++ {
				m.add(s.p[i], 1, s.length[i], 0, s.length[i]/s.length[n])
			}
			var solver solver
			solver.refine(&chain, &m, effort{60, 0.001, nearPrecision}, 0)
			c := chain.segment(0)
			worst := 0.0
			for _, p := range s.p {
				_, d := c.Nearest(p)
				worst = math.Max(worst, d)
			}
			if level > 0 {
				if order := math.Log(last/worst) / math.Log(1/0.8); order < 5.5 || order > 6.6 {
					t.Errorf("%s: from %.2e to %.2e on shortening to %.3f, order %.2f, want 6", name, last, worst, h, order)
				}
			}
			last = worst
		}
	}
}

// TestSpans finds the straight sides of a capsule and none on a large circle.
func TestSpans(t *testing.T) {
	spans := func(shape Path) []span {
		run := measured(100, 100, shape)[0]
		p, w := cleaned(nil, nil, run, true)
		st := Options{}.setting(p, w, true)
		b := builder{setting: st, p: p, w: w, closed: true}
		s := b.opened(0)
		s.prepare()
		return s.settled(s.spans())
	}
	if got := spans(roundedRectangle(10.2, 30.4, 70, 20, 9.9)); len(got) < 2 || len(got) > 3 { // one side may be cut by the start
		t.Errorf("capsule: %d straight parts", len(got))
	}
	if got := spans(Ellipse(Point{50, 50}, 45, 45, 0)); len(got) != 0 {
		t.Errorf("circle: %d straight parts, the first %v", len(got), got[0])
	}
}

// TestSplineDerivatives compares the normal equations with differences: a step along a variable must change the
// distances as the matrix says, lines and rails among the pieces.
func TestSplineDerivatives(t *testing.T) {
	u, v := unitAt(0.2), unitAt(1.4)
	build := func() chain {
		return chain{
			knots: []knot{
				{p: Point{0, 0}, in: u, out: u, home: Point{0, 0}},
				{p: Point{10, 3}, in: u, out: u, smooth: true},
				{p: Point{20, 6}, in: u, out: u, smooth: true},
				{p: Point{27, 14}, in: v, out: v, smooth: true},
				{p: Point{28, 25}, in: v, out: v, smooth: true, held: true, rail: v},
				{p: Point{20, 30}, in: unitAt(3), out: unitAt(3), home: Point{20, 30}},
			},
			pieces: []piece{{a: 3, b: 3}, {line: true}, {a: 4, b: 4}, {a: 4, b: 3}, {a: 5, b: 4}},
		}
	}
	c := build()
	c.settle()
	var m marks
	for i := range c.pieces {
		for k := range 5 {
			at := (float64(k) + 0.5) / 5
			g := c.segment(i)
			m.add(g.At(at).Add(g.Deriv(at).Unit().Perp().Mul(0.3*float64(k%3-1))), 1, 0, i, at)
		}
	}
	var s solver
	s.number(&c)
	s.shape(&c)
	s.assemble(&c, &m)
	clear(s.stiff)
	s.damp(0)
	rhs := append([]float64(nil), s.rhs...)
	// The gradient of half the sum of squares is -rhs. Feet are kept; along the normal their movement does not count.
	sum := func(c *chain) float64 {
		total := 0.0
		for x := range m.p {
			g := c.segment(int(m.at[x]))
			n := build()
			n.settle()
			nrm := n.segment(int(m.at[x])).Deriv(m.t[x]).Unit().Perp()
			d := g.At(m.t[x]).Sub(m.p[x]).Dot(nrm)
			total += d * d / 2
		}
		return total + homing(c)/2
	}
	for x := range rhs {
		const h = 1e-5
		d := [2]float64{}
		for k, sign := range [2]float64{-1, 1} {
			clear(s.rhs)
			s.rhs[x] = sign * h
			moved := build()
			moved.settle()
			s.step(&moved)
			d[k] = sum(&moved)
		}
		if got := (d[1] - d[0]) / (2 * h); math.Abs(got+rhs[x]) > 1e-4*(1+math.Abs(got)) {
			t.Errorf("variable %d: gradient %.6f, the equations say %.6f", x, got, -rhs[x])
		}
	}
}

// TestNormal holds the unrolled sums against plain loops.
func TestNormal(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 0))
	at := func() Point { return Point{rng.Float64(), rng.Float64()} }
	for range 100 {
		r := bend{u0: at().Unit(), u1: at().Unit(), a: rng.Float64(), b: rng.Float64()}
		c := polynomialOf(handled(at(), r.u0, r.a, at(), r.u1, r.b))
		var ps []Point
		var ws, ts []float64
		var want [4][4]float64
		var rhs [4]float64
		worst := 0.0
		for range 9 {
			p, w, s := at(), rng.Float64(), rng.Float64()
			ps, ws, ts = append(ps, p), append(ws, w), append(ts, s)
			nrm := c.deriv(s).Unit().Perp()
			e := p.Sub(c.at(s)).Dot(nrm)
			worst = max(worst, w*math.Abs(e))
			b1, b2 := 3*(1-s)*(1-s)*s, 3*(1-s)*s*s
			g := [4]float64{b1 * r.u0.Dot(nrm), -b2 * r.u1.Dot(nrm), b1 * r.a * r.u0.Perp().Dot(nrm), -b2 * r.b * r.u1.Perp().Dot(nrm)}
			for i := range 4 {
				rhs[i] += w * g[i] * e
				for j := range i + 1 {
					want[i][j] += w * g[i] * g[j]
				}
			}
		}
		n, y := r.normal(&c, ps, ws, ts)
		near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-14*(1+math.Abs(b)) } // other order of products and square roots
		for i := range 4 {
			for j := range i + 1 {
				if !near(n[i][j], want[i][j]) {
					t.Fatalf("entry %d, %d: %v, want %v", i, j, n[i][j], want[i][j])
				}
			}
			if !near(y[i], rhs[i]) {
				t.Fatalf("right-hand side %d: %v, want %v", i, y[i], rhs[i])
			}
		}
		if !near(r.worst, worst) {
			t.Fatalf("worst %v, want %v", r.worst, worst)
		}
	}
}
