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
