package paper

import (
	"math"
	"slices"
)

// This file takes off what binds sheets together: punched holes, and the row of small holes and wire along one side of a
// pad. Both are told by how they lie, measured in their own size, so the size of the sheet need not be known.

const (
	// holeBand is how deep along each side holes are looked for, of the shorter side: their centres lie 12 mm from the edge
	// (ISO 838), on an A5 sheet of 148 mm.
	holeBand = 0.13
	// holeLeast and holeMost are the diameters of punched holes, of the shorter side: 6 mm on A3 and on A6 (ISO 838), or
	// 8 mm (common practice, no source).
	holeLeast, holeMost = 0.015, 0.075
	// holeAlike is by how much the holes of a set may differ in size, of their diameter, and lie out of line.
	holeAlike = 0.22
	// holeDepth is how far a hole's centre may lie from the edge, diameters: 12 mm for 6 mm (ISO 838), half an inch for a
	// quarter to five sixteenths (common practice, no source).
	holeDepthLeast, holeDepthMost = 1.1, 3.0
	// holePitch is how far apart holes are, diameters: 80 mm for 6 mm (ISO 838), 2 3/4 to 4 1/4 inches for a quarter to five
	// sixteenths (common practice, no source).
	holePitchLeast, holePitchMost = 8.5, 18.0
	// holeMiddle is how far the middle of a set may lie from the middle of its side, of that side.
	holeMiddle = 0.035
	// holeRound is the share of its box that a hole covers at least, the shadow of its rim alone, and by how much its box may be longer than
	// wide.
	holeRound, holeOblong = 0.3, 1.4
)

// A binding is a row of like marks along a side, so many and so close, the sides of a pad's holes included.
const (
	bindBand  = 0.075 // of the shorter side: how deep it may reach
	bindLeast = 0.006 // of the side: the least pitch, a quarter of an inch on a sheet of A3 (common practice, no source)
	bindMost  = 0.085 // of the side: the greatest, half an inch on a small pad
	bindMarks = 8     // fewest marks
	bindShare = 0.7   // of the side that the row must run along
	bindLike  = 0.6   // correlation of the row with itself one mark on
)

// blot is a connected set of pixels along a side that are no paper: its box in places along the side and depths from it, px,
// and how many pixels it has.
type blot struct {
	u0, u1, v0, v1 int // beyond the last one
	n              int
	px             []int32
}

func (b *blot) middle() (u, v float64) {
	return float64(b.u0+b.u1) / 2, float64(b.v0+b.v1) / 2
}

// side is one side of a sheet: places along it and depths from it.
type side struct {
	s      *Sheet
	length int // px along it
	depth  int // px looked at from it
	// The pixel at place u and depth v is first + u·along + v·in.
	first, along, in int

	unpaper []bool
}

// side returns side k of the four with what is no paper along it.
func (s *Sheet) side(k, depth int) side {
	w, h := s.W, s.H
	d := [4]side{
		{along: 1, in: w},
		{first: (h - 1) * w, along: 1, in: -w},
		{along: w, in: 1},
		{first: w - 1, along: w, in: -1},
	}[k]
	d.s, d.length, d.depth = s, w, depth
	if k >= 2 {
		d.length = h
	}
	least := 255 - max(24, 2*s.grainStep())
	d.unpaper = make([]bool, d.length*depth)
	for u := range d.length {
		at := 4 * (d.first + u*d.along)
		for v := range depth {
			p := s.Pix[at+4*v*d.in:][:3]
			d.unpaper[u*depth+v] = int(min(p[0], p[1], p[2])) < least
		}
	}
	return d
}

// blots returns the connected sets of what is no paper along the side.
func (d *side) blots() []blot {
	done := make([]bool, len(d.unpaper))
	var out []blot
	var px []int32
	for i, dark := range d.unpaper {
		if !dark || done[i] {
			continue
		}
		px = append(px[:0], int32(i))
		done[i] = true
		b := blot{u0: d.length, v0: d.depth}
		for k := 0; k < len(px); k++ {
			u, v := int(px[k])/d.depth, int(px[k])%d.depth
			b.u0, b.u1, b.v0, b.v1 = min(b.u0, u), max(b.u1, u+1), min(b.v0, v), max(b.v1, v+1)
			for uu := max(0, u-1); uu <= min(d.length-1, u+1); uu++ {
				for vv := max(0, v-1); vv <= min(d.depth-1, v+1); vv++ {
					if j := uu*d.depth + vv; d.unpaper[j] && !done[j] {
						done[j] = true
						px = append(px, int32(j))
					}
				}
			}
		}
		b.n = len(px)
		b.px = slices.Clone(px)
		out = append(out, b)
	}
	return out
}

// wipe makes a blot and its soft rim paper.
func (d *side) wipe(b *blot, rim int) {
	for _, i := range b.px {
		u, v := int(i)/d.depth, int(i)%d.depth
		for uu := max(0, u-rim); uu <= min(d.length-1, u+rim); uu++ {
			for vv := max(0, v-rim); vv <= min(d.depth-1, v+rim); vv++ {
				p := d.s.Pix[4*(d.first+uu*d.along+vv*d.in):][:3]
				p[0], p[1], p[2] = 255, 255, 255
			}
		}
	}
}

// dropHoles takes punched holes and the binding of a pad off the sheet and returns how many holes and how many bindings
// there were.
func (s *Sheet) dropHoles() (holes, bindings int) {
	short := min(s.W, s.H)
	depth := int(holeBand * float64(short))
	if depth < 24 {
		return 0, 0
	}
	rim := 2 + int(math.Ceil(2*s.Blur))
	for k := range 4 {
		d := s.side(k, depth)
		if bound := d.binding(short); len(bound) > 0 {
			bindings++
			for k := range bound {
				d.wipe(&bound[k], rim)
			}
			d = s.side(k, depth) // its sheets may be punched all the same
		}
		for _, b := range d.punched(short) {
			d.wipe(&b, rim)
			holes++
		}
	}
	return holes, bindings
}

// punched returns the punched holes along a side: two, three or four alike, in line with it, evenly spaced about its middle.
func (d *side) punched(short int) []blot {
	var round []blot
	for _, b := range d.blots() {
		w, h := float64(b.u1-b.u0), float64(b.v1-b.v0)
		long, narrow := math.Max(w, h), math.Min(w, h)
		if b.v1 == d.depth || long < holeLeast*float64(short) || long > holeMost*float64(short) ||
			long > holeOblong*narrow || float64(b.n) < holeRound*w*h {
			continue
		}
		round = append(round, b)
	}
	slices.SortFunc(round, func(a, b blot) int { return a.u0 - b.u0 })
	alike := func(a, b *blot) (gap float64, ok bool) {
		au, av := a.middle()
		bu, bv := b.middle()
		size := float64(a.u1-a.u0+a.v1-a.v0+b.u1-b.u0+b.v1-b.v0) / 4
		da, db := float64(a.u1-a.u0), float64(b.u1-b.u0)
		gap = (bu - au) / size
		depth := (av + bv) / 2 / size
		return gap, math.Abs(da-db) < holeAlike*size && math.Abs(av-bv) < 2*holeAlike*size && gap > holePitchLeast && gap < holePitchMost &&
			depth > holeDepthLeast && depth < holeDepthMost
	}
	var best []blot
	for i := range round {
		for j := i + 1; j < len(round); j++ {
			first, ok := alike(&round[i], &round[j])
			if !ok {
				continue
			}
			row := []blot{round[i], round[j]}
			for k := j + 1; k < len(round) && len(row) < 4; k++ {
				if gap, ok := alike(&row[len(row)-1], &round[k]); ok && math.Abs(gap-first) < 0.06*first {
					row = append(row, round[k])
				}
			}
			a, _ := row[0].middle()
			b, _ := row[len(row)-1].middle()
			if math.Abs((a+b)/2-float64(d.length)/2) < holeMiddle*float64(d.length) && len(row) > len(best) {
				best = row
			}
		}
	}
	return best
}

// binding returns the marks of a pad's binding along a side; none where there is no such row.
func (d *side) binding(short int) []blot {
	band := int(bindBand * float64(short))
	// How much is no paper at each place along the side.
	row := make([]float64, d.length)
	mean := 0.0
	for u := range row {
		for v := range band {
			if d.unpaper[u*d.depth+v] {
				row[u]++
			}
		}
		mean += row[u] / float64(d.length)
	}
	if mean == 0 {
		return nil
	}
	pitch := pitchOf(row, mean, max(4, int(bindLeast*float64(d.length))), int(bindMost*float64(d.length)))
	if pitch == 0 {
		return nil
	}
	// Marks that reach no deeper than the rest of their row.
	var marks []blot
	for _, b := range d.blots() {
		if b.v0 < band && float64(b.u1-b.u0) > 0 {
			marks = append(marks, b)
		}
	}
	depths := make([]int, 0, len(marks))
	for k := range marks {
		if marks[k].v1 < d.depth && float64(marks[k].n) > 0.02*float64(pitch*pitch) {
			depths = append(depths, marks[k].v1)
		}
	}
	if len(depths) == 0 {
		return nil
	}
	slices.Sort(depths)
	deep := depths[len(depths)*9/10] + pitch/4
	if deep > band {
		return nil
	}
	taken := make([]bool, d.length)
	kept := marks[:0]
	for _, b := range marks {
		if b.v1 > deep {
			continue // the drawing, or touched by it
		}
		kept = append(kept, b)
		for u := max(0, b.u0-pitch/2); u < min(d.length, b.u1+pitch/2); u++ {
			taken[u] = true
		}
	}
	n := 0
	for _, t := range taken {
		if t {
			n++
		}
	}
	if float64(n) < bindShare*float64(d.length) {
		return nil
	}
	return kept
}

// pitchOf returns the distance, from least to most px, at which a row is most like itself; 0 where it is not much.
func pitchOf(row []float64, mean float64, least, most int) int {
	n := len(row)
	if most = min(most, n/bindMarks); most <= least+1 {
		return 0
	}
	like := func(lag int) float64 {
		var ab, aa, bb float64
		for u := 0; u+lag < n; u++ {
			a, b := row[u]-mean, row[u+lag]-mean
			ab += a * b
			aa += a * a
			bb += b * b
		}
		if aa == 0 || bb == 0 {
			return 0
		}
		return ab / math.Sqrt(aa*bb)
	}
	all := make([]float64, most+2)
	for lag := least; lag <= most+1 && lag < n; lag++ {
		all[lag] = like(lag)
	}
	// The first peak that is nearly as high as the highest.
	top := slices.Max(all)
	if top < bindLike {
		return 0
	}
	for lag := least + 1; lag <= most; lag++ {
		if all[lag] > 0.85*top && all[lag] >= all[lag-1] && all[lag] >= all[lag+1] && like(2*lag) > bindLike/1.5 {
			// between two marks the row is unlike itself
			lowest := all[lag]
			for half := max(1, lag/2-lag/8); half <= lag/2+lag/8; half++ {
				lowest = min(lowest, like(half))
			}
			if lowest < 0.5*all[lag] {
				return lag
			}
		}
	}
	return 0
}
