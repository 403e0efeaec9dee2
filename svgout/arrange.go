package svgout

import (
	"math"

	"pochoir/fit"
	"pochoir/trace"
)

// ringInfo is what arrange knows of a subpath.
type ringInfo struct {
	area   float64 // px², signed
	poly   []fit.Point
	lo, hi fit.Point   // bounds of poly
	in     []fit.Point // points on the ring, an odd number
	around []int       // the rings it lies in
	outer  bool        // paint within, none without
	hole   bool        // the reverse
}

// bounds reports whether the box of s holds that of t.
func (s *ringInfo) bounds(t *ringInfo) bool {
	return s.lo.X <= t.lo.X && s.lo.Y <= t.lo.Y && s.hi.X >= t.hi.X && s.hi.Y >= t.hi.Y
}

// oneShape reports whether all, in order, plainly are an outer ring and holes none of which lies in another, which is
// how files of ours have it. The holes of a shape of more than mostHoles are not tested.
func oneShape(all []ringInfo) bool {
	const mostHoles = 20000
	for i := range all {
		if (i == 0) != (all[i].area > 0) || all[i].area == 0 || !all[0].bounds(&all[i]) {
			return false
		}
	}
	if len(all) > mostHoles {
		return true
	}
	for i := 1; i < len(all); i++ {
		for j := 1; j < len(all); j++ {
			if i != j && all[i].bounds(&all[j]) {
				return false
			}
		}
	}
	return len(all) > 0
}

// mostJudged is in how many points of a ring it is judged whether it lies in another. More than one, because fine lines
// between two holes may close to nothing, and there the holes touch or cross.
const mostJudged = 7

// arrange turns the subpaths of one path into shapes: an outer ring clockwise on screen, its holes the other way. A
// path of ours, one outer ring with its holes behind it, comes back as it is. For others each subpath is classed by
// whether the fill rule paints its inner side, its outer side, both (then it bounds nothing and is dropped) or none;
// subpaths are taken to cross one another in few places at most. It reports false, and nothing else, where that would take too long.
func arrange(rings []fit.Path, evenOdd bool) ([]trace.Shape, bool) {
	const mostWork = 1e8 // boxes and sides looked at: below a second
	work := 0
	all := make([]ringInfo, len(rings))
	for i, r := range rings {
		s := &all[i]
		s.area = r.Area()
		s.poly = flatten(r)
		s.lo, s.hi = s.poly[0], s.poly[0]
		for _, q := range s.poly {
			s.lo = fit.Point{X: math.Min(s.lo.X, q.X), Y: math.Min(s.lo.Y, q.Y)}
			s.hi = fit.Point{X: math.Max(s.hi.X, q.X), Y: math.Max(s.hi.Y, q.Y)}
		}
		n := min(mostJudged, len(r.Segments)-1|1)
		for k := range n {
			s.in = append(s.in, r.Segments[k*len(r.Segments)/n].At(0.5))
		}
	}
	if oneShape(all) {
		return []trace.Shape{{Rings: rings}}, true
	}
	holds := func(a, b *ringInfo) bool { // a goes around most of b
		work++
		if a == b || a.area == 0 || a.lo.X > b.hi.X || a.hi.X < b.lo.X || a.lo.Y > b.hi.Y || a.hi.Y < b.lo.Y {
			return false
		}
		n := 0
		for _, q := range b.in {
			if q.X < a.lo.X || q.X > a.hi.X || q.Y < a.lo.Y || q.Y > a.hi.Y {
				continue
			}
			work += len(a.poly)
			if winding(a.poly, q) != 0 {
				n++
			}
		}
		return 2*n > len(b.in)
	}
	painted := func(wind, count int) bool {
		if evenOdd {
			return count%2 == 1
		}
		return wind != 0
	}
	turn := func(s *ringInfo) int {
		if s.area > 0 {
			return 1
		}
		return -1
	}
	for i := range all {
		s := &all[i]
		wind := 0
		for j := range all {
			if holds(&all[j], s) {
				s.around = append(s.around, j)
				wind += turn(&all[j])
			}
		}
		if work > mostWork {
			return nil, false
		}
		outside := painted(wind, len(s.around))
		inside := painted(wind+turn(s), len(s.around)+1)
		s.outer = s.area != 0 && inside && !outside
		s.hole = s.area != 0 && outside && !inside
	}
	turned := func(i int, positive bool) fit.Path {
		if all[i].area > 0 == positive {
			return rings[i]
		}
		return rings[i].Reverse()
	}
	var shapes []trace.Shape
	at := make([]int, len(rings)) // the shape whose outer ring this is
	for i := range rings {
		if all[i].outer {
			at[i] = len(shapes)
			shapes = append(shapes, trace.Shape{Rings: []fit.Path{turned(i, true)}})
		}
	}
	for i := range rings {
		if !all[i].hole {
			continue
		}
		home := -1
		for _, j := range all[i].around {
			if all[j].outer && (home < 0 || math.Abs(all[j].area) < math.Abs(all[home].area)) {
				home = j
			}
		}
		if home >= 0 {
			s := &shapes[at[home]]
			s.Rings = append(s.Rings, turned(i, false))
		}
	}
	return shapes, true
}

// flatten returns points along p, close enough for telling which ring lies in which.
func flatten(p fit.Path) []fit.Point {
	const parts = 8 // of a curve
	var pts []fit.Point
	for _, s := range p.Segments {
		pts = append(pts, s.P[0])
		for k := 1; k < parts && !s.Line; k++ {
			pts = append(pts, s.At(float64(k)/parts))
		}
	}
	return pts
}

// winding returns how often poly goes around q, clockwise on screen.
func winding(poly []fit.Point, q fit.Point) int {
	n := 0
	a := poly[len(poly)-1]
	for _, b := range poly {
		if (a.Y <= q.Y) != (b.Y <= q.Y) {
			side := b.Sub(a).Cross(q.Sub(a))
			if b.Y > a.Y && side > 0 {
				n++
			} else if b.Y < a.Y && side < 0 {
				n--
			}
		}
		a = b
	}
	return n
}
