package trace

import (
	"math"
	"math/bits"
	"slices"

	"pochoir/fit"
)

// This file takes hidden edges straight across a bay that higher colours fill, as one would draw what lies behind: the way
// round the bay is never seen.

const (
	// chordStep is the spacing of the places where a chord is tried for being covered, px; of those longer than evenChord
	// steps it grows up to chordWide, as far apart as all of a chord is still within chordRoom of one of them.
	chordStep, evenChord, chordWide = 0.5, 100, 1.4
	// glances is the number of parts of a chord between which it is looked at first.
	glances = 16
	// chordRoom is how far a chord stays from all that does not cover it, px: as deep as a hidden edge lies at least, and
	// half a pixel, since lattice boundaries are that far from the drawn ones at worst.
	chordRoom = 0.72*trap + 0.5
	// chordEnds is how near to its ends a chord may pass the corner pixel of a lower colour, px.
	chordEnds = 2.0
	// chordStray is how far beyond a run with corners, or the straight way, a chord may go, in parts of its length.
	chordStray = 0.12
	// chordBow times the root of its length, px, is how far any chord may go: a curve that leaves its ends as steeply as
	// leastRise asks for rises in its middle by 0.31 of it.
	chordBow = 0.36
)

// chordTurns are the directions in which a chord may leave the edge it stands for, to the left of it, degrees.
var chordTurns = [...]float64{30, 60, 90, 120, 150}

// chordReaches are the lengths of a chord's handles, in parts of the distance between its ends.
var chordReaches = [...]float64{0.25, 0.4, 0.6}

// chord returns one curve from the start of a run to its end that lies under higher colours with everything between the two;
// false if there is none. Where the run has corners the chord may stray further from it.
func (s *stack) chord(face int32, run []piece, corners bool) (best fit.Segment, ok bool) {
	a, b := run[0].P[0], run[len(run)-1].P[3]
	span := b.Sub(a).Len()
	if span < 2*chordEnds {
		return best, false
	}
	var bank []fit.Point
	for i := range run {
		bank = run[i].Flatten(bank, 0.2)
	}
	// Height over the straight way, on the side of the higher colours.
	up := b.Sub(a).Unit().Perp().Mul(-1)
	top := 0.0
	for _, p := range bank {
		top = max(top, p.Sub(a).Dot(up))
	}
	stray := max(looseTrap, chordBow*math.Sqrt(span))
	bow := 4.0 / 3 * 0.95 * stray // a cubic's middle lies at three quarters of its handles
	if corners {
		stray = max(stray, chordStray*span)
	}
	shortest := math.Inf(1)
	try := func(g fit.Segment) {
		for i := 1; i < 8; i++ {
			if g.At(float64(i)/8).Sub(a).Dot(up) > top+stray {
				return
			}
		}
		if l := g.Length(); l < shortest && s.hides(face, g, l, 0) && s.fills(face, bank, g) {
			best, shortest, ok = g, l, true
		}
	}
	if try(fit.LineTo(a, b)); ok {
		return best, true
	}
	first, last := &run[0], &run[len(run)-1]
	left, right := outward(first.Segment, 0), outward(last.Segment, 1)
	for _, u := range chordTurns {
		for _, v := range chordTurns {
			su, cu := math.Sincos(u * math.Pi / 180)
			sv, cv := math.Sincos(v * math.Pi / 180)
			// Along the edge and to its left.
			from := left.Perp().Mul(cu).Add(left.Mul(su))
			to := right.Perp().Mul(-cv).Add(right.Mul(sv))
			for _, k := range chordReaches {
				try(fit.CubicTo(a, a.Add(from.Mul(span*k)), b.Add(to.Mul(span*k)), b))
			}
			try(fit.CubicTo(a, a.Add(from.Mul(bow/su)), b.Add(to.Mul(bow/sv)), b))
		}
	}
	return best, ok
}

// hides reports whether a curve of a given length, px, lies under colours higher than a face's all along, away from
// everything else. Near its ends it may be nearer to the face's own colour by ease, px.
func (s *stack) hides(face int32, g fit.Segment, length, ease float64) bool {
	n := int(math.Ceil(length/max(chordStep, min(chordWide, length/evenChord)))) + 1
	rank := s.rank[face]
	above := func(p fit.Point) int {
		x, y := int(math.Floor(p.X)), int(math.Floor(p.Y))
		if x < 0 || y < 0 || x >= s.m.W || y >= s.m.H {
			return -1
		}
		return s.rank[s.m.FaceAt(x, y)] - rank
	}
	// What rises so along an edge goes away from it by less along itself.
	slope := leastRise / math.Sqrt(1+leastRise*leastRise)
	covered := func(t float64, aside bool) bool {
		p := g.At(t)
		rise := slope * (min(t*length, (1-t)*length, p.Sub(g.P[0]).Len(), p.Sub(g.P[3]).Len()) - slowRise - s.astray)
		if rise < 0.5 {
			return true
		}
		if above(p) <= 0 {
			return false
		}
		if !aside {
			return true
		}
		for _, d := range around {
			a := above(p.Add(d.Mul(min(chordRoom, rise))))
			if a < 0 || a == 0 && above(p.Add(d.Mul(min(chordRoom, max(0, rise-ease))))) <= 0 {
				return false
			}
		}
		return true
	}
	// Few places far apart first, then those between: most chords that fail do so over a good part of their length, in
	// themselves. The ends need no room.
	all := func(n int, aside bool) bool {
		for step := 1 << (bits.Len(uint(n)) - 1); step > 0; step /= 2 {
			for k := step; k < n; k += 2 * step {
				if !covered(float64(k)/float64(n), aside) {
					return false
				}
			}
		}
		return true
	}
	return all(glances, false) && all(n, true)
}

// around are the directions to eight sides.
var around = [8]fit.Point{
	{X: 1}, {X: math.Sqrt2 / 2, Y: math.Sqrt2 / 2}, {Y: 1}, {X: -math.Sqrt2 / 2, Y: math.Sqrt2 / 2},
	{X: -1}, {X: -math.Sqrt2 / 2, Y: -math.Sqrt2 / 2}, {Y: -1}, {X: math.Sqrt2 / 2, Y: -math.Sqrt2 / 2},
}

// fills reports whether higher colours fill what lies between a bank and a chord.
func (s *stack) fills(face int32, bank []fit.Point, g fit.Segment) bool {
	a, b := g.P[0], g.P[3]
	return s.scan(g.Reverse().Flatten(slices.Clone(bank), 0.2), func(f int32, y, x0, x1 int) bool {
		if s.rankOf(f) > s.rank[face] || f == face {
			return true
		}
		// A pixel at a junction may be another's.
		for x := x0; x < x1; x++ {
			p := fit.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5}
			if p.Sub(a).Len() > chordEnds && p.Sub(b).Len() > chordEnds {
				return false
			}
		}
		return true
	})
}

// scan calls do with the faces that cover the pixels within a ring, by the even-odd rule, until it returns false; scan then
// returns false too.
func (s *stack) scan(ring []fit.Point, do func(f int32, y, x0, x1 int) bool) bool {
	low, high := ring[0], ring[0]
	for _, p := range ring {
		low = fit.Point{X: min(low.X, p.X), Y: min(low.Y, p.Y)}
		high = fit.Point{X: max(high.X, p.X), Y: max(high.Y, p.Y)}
	}
	first := max(0, int(low.Y))
	n := max(0, min(s.m.H, int(math.Ceil(high.Y)))-first)
	if n == 0 {
		return true
	}
	// Where the ring crosses the middle of each row: counted, then put into one list, row after row.
	crossings := func(do func(row int, x float64)) {
		for i, p := range ring {
			a, b := p, ring[(i+1)%len(ring)]
			if a.Y > b.Y {
				a, b = b, a
			}
			for row := max(0, int(math.Ceil(a.Y-0.5))-first); row < n; row++ {
				mid := float64(first+row) + 0.5
				if mid >= b.Y {
					break
				}
				if mid >= a.Y {
					do(row, a.X+float64((mid-a.Y)*(b.X-a.X))/(b.Y-a.Y))
				}
			}
		}
	}
	ends := make([]int32, n+1) // of the row before, in xs
	crossings(func(row int, _ float64) { ends[row+1]++ })
	for row := range n {
		ends[row+1] += ends[row]
	}
	xs := make([]float64, ends[n])
	next := slices.Clone(ends[:n])
	crossings(func(row int, x float64) {
		xs[next[row]] = x
		next[row]++
	})
	for k := range n {
		at := xs[ends[k]:ends[k+1]]
		slices.Sort(at)
		for i := 0; i+1 < len(at); i += 2 {
			x0, x1 := max(0, int(math.Ceil(at[i]-0.5))), min(s.m.W, int(math.Ceil(at[i+1]-0.5)))
			if x0 < x1 && !s.m.Across(first+k, x0, x1, func(f int32, x0, x1 int) bool { return do(f, first+k, x0, x1) }) {
				return false
			}
		}
	}
	return true
}
