package trace

import (
	"math"
	"testing"

	"pochoir/fit"
)

// TestPutAll: wherever sections of a loop lie that are drawn anew at once, within one piece or across several, the loop stays
// closed.
func TestPutAll(t *testing.T) {
	corners := []fit.Point{{X: 0, Y: 0}, {X: 10, Y: 0}, {X: 10, Y: 10}, {X: 0, Y: 10}}
	at := func(u float64) fit.Point {
		k := int(math.Mod(u, 4))
		return corners[k].Lerp(corners[(k+1)%4], math.Mod(u, 1))
	}
	for _, c := range [][][2]float64{
		{{0.2, 0.4}, {0.6, 0.8}}, {{0.5, 1.2}, {1.6, 2.4}}, {{0.1, 0.3}, {0.5, 1.5}, {1.7, 1.9}}, {{0, 1}, {1, 2}}, {{3.5, 0.5}, {1.5, 2.5}}, {{3.5, 0.5}},
	} {
		o := &outlines{arcs: make([][]piece, 1)}
		for k := range corners {
			s := fit.LineTo(corners[k], corners[(k+1)%4])
			o.arcs[0] = append(o.arcs[0], piece{Segment: s, parent: int32(k), t1: 1})
			o.parents = append(o.parents, s)
		}
		var all []*section
		for _, r := range c {
			a, b := at(r[0]), at(r[1])
			bulge := a.Lerp(b, 0.5).Add(fit.Point{X: 0.3, Y: 0.4})
			all = append(all, &section{from: r[0], to: r[1], around: r[0] > r[1], new: []fit.Segment{fit.LineTo(a, bulge), fit.LineTo(bulge, b)}})
		}
		o.putAll(all)
		ps := o.arcs[0]
		if len(ps) < 5 {
			t.Errorf("%v: nothing is drawn anew", c)
		}
		for k := range ps {
			if gap := ps[k].P[3].Sub(ps[(k+1)%len(ps)].P[0]).Len(); gap > 1e-9 {
				t.Errorf("%v: a gap of %.2f px after piece %d", c, gap, k)
			}
		}
	}
}
