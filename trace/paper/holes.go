package paper

import (
	"math"
	"slices"
)

// This file takes off what binds sheets together: punched holes, and the row of small holes and wire along one side of a
// pad. Both are told by how they lie, measured in their own size, so the size of the sheet need not be known; and by
// showing what lies beneath, which is no colour that the sheet was drawn with, unless there are three or more of just the right
// size and place. Lamps and rivets in ink, however even, stay.

const (
	// holeBand is how deep along each side holes are looked for, of the shorter side: their centres lie 12 mm from the edge
	// (ISO 838), on an A5 sheet of 148 mm.
	holeBand = 0.13
	// holeLeast and holeMost are the diameters of punched holes, of the shorter side: 6 mm on A3 and on A6 (ISO 838), or
	// 8 mm (common practice, no source).
	holeLeast, holeMost = 0.015, 0.075
	// holeAlike is by how much the holes of a set may differ in size, and in depth, of their diameter; holeEven by how much
	// their distances may, of the first.
	holeAlike, holeEven = 0.15, 0.03
	// holeMiddle is how far the middle of a set may lie from the middle of its side, of that side: 5 mm on A4.
	holeMiddle = 0.026
	// holeFull is the share of its box that a hole covers at least, where a disc covers π/4, and holeOblong how much longer
	// than wide its box may be. A ring is drawn.
	holeFull, holeOblong = 0.62, 1.25
	// holeSure is the number of holes from which how they lie says enough, whatever their colour.
	holeSure = 3
	// inkShare is how much of what is taken for holes may have a colour of the drawing.
	inkShare = 0.5
)

// punch is a way of punching: how far apart the holes lie and how deep, diameters.
type punch struct {
	least, most           int // holes
	pitchLeast, pitchMost float64
	depthLeast, depthMost float64
}

// The diameter is 6 ± 0.5 mm, the pitch 80 ± 0.5 mm, the depth 12 ± 1 mm (ISO 838); the bounds leave 10 % for what the edge
// is found wrong by and the hole is blurred. In inches three holes of a quarter to five sixteenths lie four and a quarter
// apart, two of them two and three quarters, all half an inch deep (common practice, no source).
var punches = [...]punch{
	{2, 4, 11.9, 15, 1.5, 2.65},
	{3, 3, 13, 17.5, 1.3, 2.4},
	{2, 2, 8.5, 11.3, 1.3, 2.4},
}

// A binding is a row of like marks along a side, so many and so close, the sides of a pad's holes included. It is made by
// a machine: what is drawn by hand is never as even.
const (
	bindBand  = 0.075 // of the shorter side: how deep it may reach
	bindLeast = 0.006 // of the side: the least pitch, a quarter of an inch on a sheet of A3 (common practice, no source)
	bindMost  = 0.085 // of the side: the greatest, half an inch on a small pad
	bindMarks = 8     // fewest marks
	bindShare = 0.7   // of the side that the row must run along
	bindLike  = 0.6   // correlation of the row with itself one mark on
	bindEven  = 0.045 // of the pitch: standard deviation of the marks from even places
	bindDeep  = 0.08  // of the pitch: the same of their depths
	bindFull  = 0.75  // of those places that must hold a mark
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
	s                *Sheet
	length           int // px along it
	depth            int // px looked at from it
	start, along, in int // the pixel at its beginning, and the steps along it and into the sheet
	unpaper          []bool
}

// at is the pixel at place u and depth v.
func (d *side) at(u, v int) int { return d.start + u*d.along + v*d.in }

// side returns side k of the four with what is no paper along it.
func (s *Sheet) side(k, depth int) side {
	w, h := s.W, s.H
	d := [4]side{
		{length: w, along: 1, in: w},
		{length: w, start: (h - 1) * w, along: 1, in: -w},
		{length: h, along: w, in: 1},
		{length: h, start: w - 1, along: w, in: -1},
	}[k]
	d.s, d.depth = s, depth
	least := uint8(255 - max(24, 2*s.grainStep()))
	d.unpaper = make([]bool, d.length*depth)
	if k < 2 { // along the rows of the bitmap
		for v := range depth {
			row := s.Pix[4*d.at(0, v):][:4*w]
			y := d.at(0, v) / w
			for u := 0; u < w; u++ {
				if u = s.blank.until(u, y); u == w {
					break
				}
				if p := row[4*u : 4*u+3 : 4*u+3]; min(p[0], p[1], p[2]) < least {
					d.unpaper[u*depth+v] = true
				}
			}
		}
		return d
	}
	for u := range h {
		if x0 := min(d.at(u, 0), d.at(u, depth-1)) - u*w; s.blank.all(x0, u, x0+depth, u+1) {
			continue
		}
		out := d.unpaper[u*depth : (u+1)*depth]
		for v := range out {
			p := s.Pix[4*d.at(u, v):][:3]
			out[v] = min(p[0], p[1], p[2]) < least
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
				p := d.s.Pix[4*d.at(uu, vv):][:3]
				p[0], p[1], p[2] = 255, 255, 255
			}
		}
	}
}

// dropHoles takes punched holes and the binding of a pad off the sheet and returns how many holes and how many bindings
// there were.
func (s *Sheet) dropHoles(c crew) (holes, bindings int) {
	short := min(s.W, s.H)
	depth := int(holeBand * float64(short))
	if depth < 24 {
		return 0, 0
	}
	// Most sheets have none: all sides are looked at together before any is changed.
	var any [4]bool
	c.each(len(any), func(k int) {
		d, inks := s.side(k, depth), &inkColours{depth: depth}
		any[k] = len(d.binding(short, inks)) > 0 || len(d.punched(short, inks)) > 0
	})
	if any == [4]bool{} {
		return 0, 0
	}
	rim := 2 + int(math.Ceil(2*s.Blur))
	inks := &inkColours{depth: depth}
	for k := range 4 {
		d := s.side(k, depth)
		if bound := d.binding(short, inks); len(bound) > 0 {
			bindings++
			for k := range bound {
				d.wipe(&bound[k], rim)
			}
			d = s.side(k, depth) // its sheets may be punched all the same
		}
		for _, b := range d.punched(short, inks) {
			d.wipe(&b, rim)
			holes++
		}
	}
	return holes, bindings
}

// size returns the diameter of a disc that is blurred at its edge, px: its pixels count from half its darkness on.
func (d *side) size(b *blot) float64 {
	level := func(i int32) int {
		p := d.s.Pix[4*d.at(int(i)/d.depth, int(i)%d.depth):][:3]
		return int(min(p[0], p[1], p[2]))
	}
	levels := make([]int, len(b.px))
	for k, i := range b.px {
		levels[k] = level(i)
	}
	slices.Sort(levels)
	half := (255 + levels[len(levels)/2]) / 2
	n := 0
	for _, v := range levels {
		if v < half {
			n++
		}
	}
	return 2 * math.Sqrt(float64(n)/math.Pi)
}

// solid reports whether a blot has no paper about its middle, as rings have.
func (d *side) solid(b *blot) bool {
	um, vm := (b.u0+b.u1)/2, (b.v0+b.v1)/2
	r := (b.u1 - b.u0) / 6
	for u := um - r; u <= um+r; u++ {
		for v := vm - r; v <= vm+r; v++ {
			if !d.unpaper[u*d.depth+v] {
				return false
			}
		}
	}
	return true
}

// punched returns the punched holes along a side: two, three or four alike, in line with it, evenly spaced about its middle.
func (d *side) punched(short int, inks *inkColours) []blot {
	var round []blot
	var sizes []float64
	for _, b := range d.blots() {
		w, h := float64(b.u1-b.u0), float64(b.v1-b.v0)
		long, narrow := math.Max(w, h), math.Min(w, h)
		if b.v0 == 0 || b.v1 == d.depth || long < holeLeast*float64(short) || long > holeMost*float64(short) ||
			long > holeOblong*narrow || float64(b.n) < holeFull*w*h || !d.solid(&b) {
			continue
		}
		round = append(round, b)
	}
	slices.SortFunc(round, func(a, b blot) int { return a.u0 - b.u0 })
	for k := range round {
		sizes = append(sizes, d.size(&round[k]))
	}
	var best []blot
	for _, p := range punches {
		for i := range round {
			for j := i + 1; j < len(round); j++ {
				if row := p.row(round, sizes, i, j); len(row) > len(best) && d.about(row) &&
					(len(row) >= holeSure || inks.strange(d, row)) {
					best = row
				}
			}
		}
	}
	return best
}

// about reports whether the middle of a row lies in the middle of the side.
func (d *side) about(row []blot) bool {
	a, _ := row[0].middle()
	b, _ := row[len(row)-1].middle()
	return math.Abs((a+b)/2-float64(d.length)/2) < holeMiddle*float64(d.length)
}

// row returns the row of holes that begins with blots i and j; nil where they are not punched so.
func (p *punch) row(round []blot, sizes []float64, i, j int) []blot {
	size := sizes[i]
	iu, iv := round[i].middle()
	fits := func(k int) bool {
		_, v := round[k].middle()
		return math.Abs(sizes[k]-size) < holeAlike*size && math.Abs(v-iv) < holeAlike*size &&
			v > p.depthLeast*size && v < p.depthMost*size
	}
	ju, _ := round[j].middle()
	gap := ju - iu
	if !fits(i) || !fits(j) || gap < p.pitchLeast*size || gap > p.pitchMost*size {
		return nil
	}
	row := []blot{round[i], round[j]}
	last := ju
	for k := j + 1; k < len(round) && len(row) < p.most; k++ {
		if u, _ := round[k].middle(); fits(k) && math.Abs(u-last-gap) < holeEven*gap {
			row = append(row, round[k])
			last = u
		}
	}
	if len(row) < p.least {
		return nil
	}
	return row
}

// inkColours says which colours areas and strokes have more than depth px inside the sheet, in steps of hueStep levels a
// channel. They are collected when they are first asked for.
type inkColours struct {
	depth int
	known bool
	there [hueSteps * hueSteps * hueSteps]bool
}

const hueStep, hueSteps = 16, 256 / 16

// hueOf is the step of a colour.
func hueOf(p []uint8) int {
	return (int(p[0])/hueStep*hueSteps+int(p[1])/hueStep)*hueSteps + int(p[2])/hueStep
}

// evenAt reports whether a pixel is as its neighbours are, so that its colour is no mixture at an edge.
func (s *Sheet) evenAt(i int) bool {
	if x, y := i%s.W, i/s.W; x == 0 || y == 0 || x == s.W-1 || y == s.H-1 {
		return false
	}
	p := s.Pix[4*i : 4*i+3]
	for _, j := range [4]int{i - 1, i + 1, i - s.W, i + s.W} {
		q := s.Pix[4*j : 4*j+3]
		for k := range p {
			if abs(int(p[k])-int(q[k])) > hueStep {
				return false
			}
		}
	}
	return true
}

// collect finds the colours of what is drawn on the sheet.
func (c *inkColours) collect(s *Sheet) {
	const (
		every = 2  // px between those that are looked at
		least = 12 // of these make a colour
		dark  = 200
	)
	var n [hueSteps * hueSteps * hueSteps]int
	for y := c.depth; y < s.H-c.depth; y += every {
		for x := c.depth; x < s.W-c.depth; x += every {
			i := y*s.W + x
			if p := s.Pix[4*i : 4*i+3]; min(p[0], p[1], p[2]) < dark && s.evenAt(i) {
				n[hueOf(p)]++
			}
		}
	}
	c.known = true
	for i, count := range n {
		if count < least {
			continue
		}
		// with the steps beside it
		r, g, b := i/hueSteps/hueSteps, i/hueSteps%hueSteps, i%hueSteps
		for rr := max(0, r-1); rr <= min(hueSteps-1, r+1); rr++ {
			for gg := max(0, g-1); gg <= min(hueSteps-1, g+1); gg++ {
				for bb := max(0, b-1); bb <= min(hueSteps-1, b+1); bb++ {
					c.there[(rr*hueSteps+gg)*hueSteps+bb] = true
				}
			}
		}
	}
}

// strange reports whether most of a row of marks has colours that nothing drawn on the sheet has.
func (c *inkColours) strange(d *side, row []blot) bool {
	if !c.known {
		c.collect(d.s)
	}
	drawn, all := 0, 0
	for k := range row {
		for _, i := range row[k].px {
			at := d.at(int(i)/d.depth, int(i)%d.depth)
			if !d.s.evenAt(at) {
				continue
			}
			all++
			if c.there[hueOf(d.s.Pix[4*at:4*at+3])] {
				drawn++
			}
		}
	}
	return all > 0 && float64(drawn) < inkShare*float64(all)
}

// binding returns the marks of a pad's binding along a side; none where there is no such row.
func (d *side) binding(short int, inks *inkColours) []blot {
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
	kept := marks[:0]
	for _, b := range marks {
		if b.v1 <= deep && float64(b.n) > 0.02*float64(pitch*pitch) { // else the drawing, or touched by it, or dust
			kept = append(kept, b)
		}
	}
	kept = evenMarks(kept, float64(pitch))
	if len(kept) < bindMarks || !inks.strange(d, kept) {
		return nil
	}
	if float64(kept[len(kept)-1].u1-kept[0].u0+pitch) < bindShare*float64(d.length) {
		return nil
	}
	return kept
}

// evenMarks returns the marks that lie at even places, about a pitch apart, in their order; nil where they are too uneven
// or too many are missing.
func evenMarks(marks []blot, pitch float64) []blot {
	const off = 0.2 // of the pitch: what lies farther from its place belongs to something else
	slices.SortStableFunc(marks, func(a, b blot) int { return a.u0 + a.u1 - b.u0 - b.u1 })
	// The first place by the marks' own phases, then a straight line through their places, thrice.
	var sin, cos float64
	for k := range marks {
		u, _ := marks[k].middle()
		s, c := math.Sincos(2 * math.Pi * u / pitch)
		sin += s
		cos += c
	}
	first := math.Atan2(sin, cos) / (2 * math.Pi) * pitch
	var kept []blot
	var slots int
	for range 3 {
		var n, sk, su, skk, sku float64
		kept, slots = nil, 0
		last := math.Inf(-1)
		for k := range marks {
			u, _ := marks[k].middle()
			slot := math.Round((u - first) / pitch)
			if math.Abs(u-first-float64(slot*pitch)) > off*pitch {
				continue
			}
			kept = append(kept, marks[k])
			if slot > last {
				slots++
				last = slot
			}
			n++
			sk += slot
			su += u
			skk += float64(slot * slot)
			sku += float64(slot * u)
		}
		den := float64(n*skk) - float64(sk*sk)
		if den <= 0 {
			return nil
		}
		pitch = (float64(n*sku) - float64(sk*su)) / den
		first = (su - float64(pitch*sk)) / n
		if pitch < 1 {
			return nil
		}
	}
	var sum, deep, deep2 float64
	for k := range kept {
		u, _ := kept[k].middle()
		v := float64(kept[k].v1)
		deep += v
		deep2 += float64(v * v)
		o := u - first - float64(math.Round((u-first)/pitch)*pitch)
		sum += float64(o * o)
	}
	a, _ := kept[0].middle()
	b, _ := kept[len(kept)-1].middle()
	places := math.Round((b-a)/pitch) + 1
	n := float64(len(kept))
	deep /= n
	if math.Sqrt(sum/n) > bindEven*pitch || math.Sqrt(math.Max(0, deep2/n-float64(deep*deep))) > bindDeep*pitch || float64(slots) < bindFull*places {
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
