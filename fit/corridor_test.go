package fit

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestWithin lays corridors beside wandering curves and checks that what comes back runs from end to end and stays
// between the walls.
func TestWithin(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	for try := range 60 {
		var gates []Corridor
		n := 3 + r.IntN(60)
		p, turn, bend := Point{10, 10}, 2*math.Pi*r.Float64(), 0.0
		for range n {
			bend = 0.8*bend + 0.02*r.NormFloat64()
			turn += bend
			u := unitAt(turn)
			p = p.Add(u)
			want := 0.8 + 0.4*r.Float64()
			gates = append(gates, Corridor{Base: p, Normal: u.Perp(), Low: 0.5 * want, Want: want, High: want + 0.3 + r.Float64()})
		}
		start := gates[0].Base.Add(gates[0].Normal.Mul(gates[0].Want))
		end := gates[n-1].Base.Add(gates[n-1].Normal.Mul(gates[n-1].Want))
		path := Path{Segments: Within(gates, start, end)}
		checkPath(t, path, false, start, end)
		if len(path.Segments) > n-1 {
			t.Errorf("try %d: %d segments for %d gates", try, len(path.Segments), n)
		}
		for i, g := range gates[1 : n-1] {
			// The crossing of the gate nearest to what was wanted.
			best := math.Inf(1)
			for _, s := range path.Segments {
				last := s.P[0]
				for k := 1; k <= 200; k++ {
					q := s.At(float64(k) / 200)
					a, b := last.Sub(g.Base), q.Sub(g.Base)
					along := g.Normal.Perp()
					if x, y := a.Dot(along), b.Dot(along); x*y <= 0 && x != y {
						off := a.Lerp(b, x/(x-y)).Dot(g.Normal)
						if math.Abs(off-g.Want) < math.Abs(best-g.Want) {
							best = off
						}
					}
					last = q
				}
			}
			const slack = 0.03 // gates are looked at one by one, not between them
			if best < g.Low-slack || best > g.High+slack {
				t.Errorf("try %d: gate %d of %d crossed at %.3f, want %.3f to %.3f", try, i+1, n, best, g.Low, g.High)
			}
		}
	}
	if s := Within(nil, Point{1, 1}, Point{1, 1}); len(s) != 0 {
		t.Errorf("no gates and no way give %v", s)
	}
}

// Gates far apart, as beside long curves, must not let the way swing out between them: here the tip of a wedge is turned
// well inside, just beyond the last gate of its side, which keeps close to it.
func TestWithinBetweenGates(t *testing.T) {
	c := []Corridor{
		{Point{32.514, 39.010}, Point{0.9591, 0.2829}, 0.4050, 0.5625, 0.5906},
		{Point{31.936, 40.936}, Point{0.9564, 0.2920}, 0.2430, 0.3375, 0.3544},
		{Point{31.337, 42.863}, Point{0.9536, 0.3011}, 0.0810, 0.1125, 0.1181},
		{Point{30.718, 44.791}, Point{0.4568, -0.8896}, 1.4400, 2.0000, 3.5000},
	}
	place := func(g Corridor) Point { return g.Base.Add(g.Normal.Mul(g.Want)) }
	for _, s := range Within(c, place(c[0]), place(c[3])) {
		for _, p := range s.Flatten(nil, 0.01) {
			if off := p.Sub(c[1].Base).Dot(c[1].Normal); off < -swing {
				t.Errorf("the way comes out by %.2f px at %v", -off, p)
			}
		}
	}
}
