package trace

import (
	"math/rand/v2"
	"testing"

	"pochoir/fit"
)

// A place lies within a ring where the even-odd rule says so over all of its lines at once.
func TestRingRows(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 60 {
		var ring fit.Path
		pts := make([]fit.Point, 3+r.IntN(40))
		for i := range pts {
			pts[i] = fit.Point{X: 20*r.Float64() - 5, Y: 20*r.Float64() - 5}
		}
		for i, p := range pts {
			ring.Segments = append(ring.Segments, fit.LineTo(p, pts[(i+1)%len(pts)]))
		}
		rows := rowsOf(ring)
		for range 200 {
			p := fit.Point{X: 24*r.Float64() - 7, Y: 24*r.Float64() - 7}
			in := false
			for i, b := range pts {
				a := pts[(i+len(pts)-1)%len(pts)]
				if (a.Y > p.Y) != (b.Y > p.Y) && p.X < a.X+(p.Y-a.Y)*(b.X-a.X)/(b.Y-a.Y) {
					in = !in
				}
			}
			if got := rows.hold(p); got != in {
				t.Fatalf("%v within %v: %v, want %v", p, pts, got, in)
			}
		}
	}
}
