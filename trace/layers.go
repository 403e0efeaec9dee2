package trace

import (
	"cmp"
	"context"
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/trace/internal/planar"
)

// This file stacks the faces of a planar map into layers, one a colour. Painting order is an order over colours (order.go),
// ink on top. What a face shares with a lower colour is drawn exactly; under a higher colour
// it goes on for a bounded way (the trap), along an edge that is never seen, so that no light shows between the two.

const (
	// trap is how far a lower colour goes on under a higher one, px.
	trap = 1.25
	// A drawing on paper comes in many more pixels than it is looked at first: a trap fades into what lies below it where it is
	// less than a pixel of the screen. It is as many times as deep as the sheet is longer than shownAt px, deepest at most.
	shownAt, deepest = 1024.0, 2.2
	// paperAstray is how far from where labels meet junctions on paper lie, px, which are found by samples that no blur taints.
	paperAstray = 2.5
	// trapShare bounds the trap by the room there is under the higher colour, measured to whatever lies below it. Less
	// than half, so that the two banks of one thin line never cross beneath it.
	trapShare = 0.45
	// inkTrap is how far a colour goes on under ink, px, unless the middle of the line comes first. Deeper edges would
	// cross one another in narrow tips.
	inkTrap = 3.0
	// inkReach is how far the far side of a drawn line is looked for, px.
	inkReach = 10.0
	// astray is how far a drawn edge may lie beyond the lattice boundary it was measured along, px: where colours that
	// differ little were coded with loss, labels and shares part.
	astray = 2.0
	// A hidden edge sets out from where it comes into sight along the edge above it at a slope of leastRise at least after
	// slowRise px: what lies above fades over one pixel, and lets through what it does not cover there.
	leastRise, slowRise = 0.7, 0.3
	// cornerPixel is how near its ends a hidden edge may rise at half a right angle whatever the lattice says is there, px.
	cornerPixel = 1.0
	// looseTrap bounds how far a hidden edge may stray to save segments, px.
	looseTrap = 3.5
)

// stack is the painting order of a planar map.
type stack struct {
	m      *planar.Map
	o      *outlines
	rank   []int   // by face; -1 is not painted
	order  []int   // labels by rank
	ink    int     // rank of the ink, or -2
	exact  bool    // cut neighbours exactly
	links  bool    // outlines may go on beneath by links: curves keep to their edges closer than the links to theirs, as not on paper
	astray float64 // how far junctions may lie from where labels meet, px, beyond what they do in digital pictures
	deep   float64 // how many times as deep as usual the trap is, from 1 on; less is 1
	whole  bool    // every face is one shape of its own, even where its outline crosses itself
	under  []bool  // by face: painted by another face of its colour, which goes on beneath what parts the two
}

// newStack ranks the faces.
func newStack(e *edges, o *outlines, opt Options, workers int) *stack {
	f, m := e.flats, e.m
	s := &stack{m: m, o: o, rank: make([]int, len(m.Faces)), ink: -2, exact: opt.Knockout, links: e.digital}
	if !e.digital {
		s.astray = paperAstray
		s.deep = min(deepest, float64(max(m.W, m.H))/shownAt)
	}
	area := make([]int, len(f.Palette))
	painted := func(face *planar.Face) bool {
		if opt.KeepPaper || f.Ground < 0 || int(face.Label) != f.Ground {
			return true
		}
		// Enclosed paper is white of the drawing, save where only ink was drawn.
		return !face.Border && f.Medium != quantize.MediumLine
	}
	for i := range m.Faces {
		if painted(&m.Faces[i]) {
			area[m.Faces[i].Label] += m.Faces[i].Area
		}
	}
	for l, a := range area {
		if a > 0 {
			s.order = append(s.order, l)
		}
	}
	key := func(l int) int {
		switch {
		case l == f.Ink && f.Medium != quantize.MediumFlat:
			return math.MinInt
		case opt.KeepPaper && l == f.Ground:
			return math.MaxInt
		}
		return area[l]
	}
	slices.SortStableFunc(s.order, func(a, b int) int { return cmp.Compare(key(b), key(a)) })
	if !s.exact {
		low, high := 0, len(s.order)
		if low < high && opt.KeepPaper && s.order[0] == f.Ground {
			low++
		}
		if low < high && s.order[high-1] == f.Ink && f.Medium != quantize.MediumFlat {
			high--
		}
		lines := o
		if !s.links {
			lines = nil
		}
		newOrderer(m, lines, len(f.Palette), func(face int32) bool { return painted(&m.Faces[face]) }, workers).sort(s.order, low, high)
	}
	rankOf := make([]int, len(f.Palette))
	for r, l := range s.order {
		rankOf[l] = r
		if l == f.Ink && f.Medium != quantize.MediumFlat {
			s.ink = r
		}
	}
	for i := range m.Faces {
		s.rank[i] = -1
		if painted(&m.Faces[i]) {
			s.rank[i] = rankOf[m.Faces[i].Label]
		}
	}
	s.closeHoles()
	return s
}

// rankOf returns the rank of a face, -1 for the outside.
func (s *stack) rankOf(face int32) int {
	if face == planar.Outside {
		return -1
	}
	return s.rank[face]
}

// drawing paints the stack. It returns ctx.Err() when ctx ends.
func (s *stack) drawing(ctx context.Context, f *quantize.Flats, workers int) (*Drawing, error) {
	d := &Drawing{Width: float64(s.m.W), Height: float64(s.m.H), Layers: make([]Layer, len(s.order))}
	for r, l := range s.order {
		d.Layers[r] = Layer{Name: f.Palette[l].Name, Colour: f.Palette[l].Colour}
	}
	rings := make([][]ring, len(s.m.Faces))
	cracks := func(i int) (n int) {
		for _, ring := range s.m.Faces[i].Rings {
			for _, h := range ring {
				n += int(s.m.Arcs[h.Arc()].N)
			}
		}
		return n
	}
	err := largestFirst(ctx, len(rings), workers, cracks, func(i int) {
		if s.rank[i] >= 0 {
			rings[i] = s.ringsOf(int32(i))
		}
	})
	if err != nil {
		return nil, err
	}
	rings, err = s.linked(ctx, rings, workers)
	if err != nil {
		return nil, err
	}
	shapes := make([][]Shape, len(rings))
	if err := inParallel(ctx, len(rings), workers, func(i int) { shapes[i] = s.shapesOf(rings[i]) }); err != nil {
		return nil, err
	}
	for i, of := range shapes {
		if len(of) > 0 {
			l := &d.Layers[s.rank[i]]
			l.Shapes = append(l.Shapes, of...)
		}
	}
	d.Layers = slices.DeleteFunc(d.Layers, func(l Layer) bool { return len(l.Shapes) == 0 })
	return d, nil
}

// ring is an outline of a face: the stretches where it is seen and those that lie under higher colours, by turns, or one
// stretch all along.
type ring struct {
	whole []piece    // all of it, where it is seen or hidden all along
	runs  []*passage // else
	rank  int
	hole  bool
	under bool // some of it lies under higher colours
}

// passage is a stretch of an outline that lies under higher colours, and what is seen of the outline after it.
type passage struct {
	face        int32
	bank        []piece // along the higher colours
	hidden      []piece // what stands for it
	seen        []piece
	first, last int32 // the faces above its ends
}

// pieces returns a ring as it is drawn.
func (r *ring) pieces() []piece {
	out := r.whole
	for _, u := range r.runs {
		out = append(append(out, u.hidden...), u.seen...)
	}
	return out
}

// ringsOf returns the painted outlines of a face.
func (s *stack) ringsOf(face int32) (out []ring) {
	if s.under[face] {
		return nil
	}
	for _, halves := range s.m.Faces[face].Rings {
		if s.exact || !s.covered(face, halves) {
			r := s.outline(face, halves)
			r.hole, r.rank = s.m.RingArea(halves) < 0, s.rank[face]
			out = append(out, r)
		}
	}
	return out
}

// shapesOf makes shapes of painted outlines, mostly one.
func (s *stack) shapesOf(rings []ring) []Shape {
	var outer, holes []fit.Path
	for i := range rings {
		r := &rings[i]
		pieces := s.o.merged(r.pieces())
		path := fit.Path{Closed: true}
		for i, p := range pieces {
			// Parts of one curve, cut apart and joined again, may differ in the last bit.
			p.P[0] = pieces[(i+len(pieces)-1)%len(pieces)].P[3]
			path.Segments = append(path.Segments, p.Segment)
		}
		if len(path.Segments) == 0 {
			continue
		}
		parts := []fit.Path{path}
		if !s.whole {
			var covered func(bay fit.Path) bool
			if r.under {
				covered = func(bay fit.Path) bool {
					return s.scan(bay.Flatten(nil, linkFlat), func(f int32, _, _, _ int) bool { return s.rankOf(f) >= r.rank })
				}
			}
			parts = uncrossed(path, r.hole, covered, s.o.used.Tolerance)
		}
		for _, p := range parts {
			switch area := p.Area(); {
			case area <= -leastRing:
				holes = append(holes, p)
			case area >= leastRing && (!r.hole || len(parts) > 1): // a hole turned inside out is too narrow to show
				outer = append(outer, p)
			}
		}
	}
	return shapesWithin(outer, holes)
}

// closeHoles finds the faces that lie in closed holes of their own colour.
func (s *stack) closeHoles() {
	s.under = make([]bool, len(s.m.Faces))
	if s.exact {
		return
	}
	for i := range s.m.Faces {
		if s.rank[i] < 0 {
			continue
		}
		for _, ring := range s.m.Faces[i].Rings {
			if s.covered(int32(i), ring) {
				within(s.m, int32(i), ring, func(f int32) bool {
					s.under[f] = s.under[f] || s.rank[f] == s.rank[i]
					return true
				})
			}
		}
	}
}

// covered reports whether a ring is a hole whose whole inside is painted by higher colours or its own, so that it may be
// closed.
func (s *stack) covered(face int32, ring []planar.Half) bool {
	if s.m.RingArea(ring) > 0 {
		return false
	}
	all := true
	within(s.m, face, ring, func(f int32) bool {
		all = s.rankOf(f) >= s.rank[face]
		return all
	})
	return all
}

// along returns the pieces of a half arc in its own sense.
func (s *stack) along(h planar.Half) []piece {
	if h.Backwards() {
		return reversed(s.o.arcs[h.Arc()])
	}
	return s.o.arcs[h.Arc()]
}

// outline strings a ring of a face together: exact where the other side is lower, hidden where it is higher.
func (s *stack) outline(face int32, halves []planar.Half) (r ring) {
	n := len(halves)
	hidden := func(k int) bool { return !s.exact && s.rankOf(s.m.LeftOf(halves[k])) > s.rank[face] }
	first := -1 // a hidden arc after an exact one
	for k := range n {
		if hidden(k) {
			r.under = true
			if !hidden((k + n - 1) % n) {
				first = k
				break
			}
		}
	}
	if first < 0 {
		for _, h := range halves {
			r.whole = append(r.whole, s.along(h)...)
		}
		if r.under && len(r.whole) > 0 {
			r.whole = s.hide(face, r.whole, true)
		}
		return r
	}
	for i := 0; i < n; {
		u := &passage{face: face}
		u.first = s.m.LeftOf(halves[(first+i)%n])
		for ; i < n && hidden((first+i)%n); i++ {
			u.last = s.m.LeftOf(halves[(first+i)%n])
			u.bank = append(u.bank, s.along(halves[(first+i)%n])...)
		}
		for ; i < n && !hidden((first+i)%n); i++ {
			u.seen = append(u.seen, s.along(halves[(first+i)%n])...)
		}
		u.hidden = s.hide(face, u.bank, false)
		r.runs = append(r.runs, u)
	}
	if slices.ContainsFunc(r.runs, func(u *passage) bool { return len(u.bank) == 0 || len(u.seen) == 0 }) {
		// Nothing is left of an arc too short to be drawn: there is no place to go on from.
		r.whole, r.runs = r.pieces(), nil
	}
	return r
}

// bank is one place of an outline that goes under a higher colour.
type bank struct {
	fit.Corridor
	at     float64 // length along the outline, px
	joint  int     // the piece that begins here, -1 for none
	corner bool
}

// hide replaces a run of pieces by an edge some way under the higher colour beyond it. A closed run is a whole ring;
// an open one keeps its ends.
func (s *stack) hide(face int32, run []piece, closed bool) []piece {
	if len(run) == 0 {
		return nil
	}
	banks := s.banks(face, run, closed)
	if len(banks) < 2 {
		return run
	}
	var segs []fit.Segment
	corridor := make([]fit.Corridor, len(banks))
	for i := range banks {
		corridor[i] = banks[i].Corridor
	}
	place := func(c fit.Corridor) fit.Point { return c.Base.Add(c.Normal.Mul(c.Want)) }
	if closed {
		// Two halves, parted at a corner if there is one.
		st := 0
		for i := range banks {
			if banks[i].corner {
				st = i
				break
			}
		}
		loop := append(append(slices.Clone(corridor[st:]), corridor[:st]...), corridor[st])
		mid := len(loop) / 2
		segs = fit.Within(loop[:mid+1], place(loop[0]), place(loop[mid]))
		segs = append(segs, fit.Within(loop[mid:], place(loop[mid]), place(loop[0]))...)
	} else {
		segs = fit.Within(corridor, run[0].P[0], run[len(run)-1].P[3])
	}
	sides := sidesOf(run, banks)
	// A parallel has a segment for every side, and for a curve alone is what there is already.
	if n := len(sides); n <= len(segs) && (n > 1 || n == 1 && sides[0].Line) {
		if beside := parallel(sides, banks, closed); len(beside) > 0 && len(beside) <= len(segs) && (s.deep == 0 || deepEnough(corridor, beside)) {
			segs = beside
		}
	}
	if !closed && !s.whole && len(segs) > 1 {
		if g, ok := s.chord(face, run, len(sides) > 1); ok {
			segs = []fit.Segment{g}
		}
	}
	out := make([]piece, len(segs))
	for i, g := range segs {
		out[i] = piece{Segment: g, parent: -1}
	}
	return out
}

// bankStep is the spacing of the places where the room under a higher colour is measured, px. Long pieces bend less: from
// evenBanks places on it grows, up to wideStep, which still finds what is two pixels wide.
const bankStep, evenBanks, wideStep = 0.7, 64, 1.6

// banks measures along a run how far it may go under the higher colour.
func (s *stack) banks(face int32, run []piece, closed bool) []bank {
	lengths, parts := make([]float64, len(run)), make([]int, len(run))
	total := 1
	for i := range run {
		l := run[i].Length()
		lengths[i], parts[i] = l, min(300, max(2, int(math.Ceil(l/min(wideStep, max(bankStep, l/evenBanks))))))
		total += parts[i]
	}
	out := make([]bank, 0, total)
	length := 0.0
	trap := trap * max(1, s.deep)
	for i := range run {
		q, l, n := &run[i], lengths[i], parts[i]
		for j := 0; j <= n; j++ {
			if j == n && (i+1 < len(run) || closed) {
				continue // the next piece begins there
			}
			t := float64(j) / float64(n)
			b := bank{at: length + float64(l*t), joint: -1}
			if j == 0 {
				b.joint = i
			}
			b.Base = q.At(t)
			b.Normal = outward(q.Segment, t)
			stretch := 1.0
			if j == 0 && (i > 0 || closed) {
				before := outward(run[(i+len(run)-1)%len(run)].Segment, 1)
				turn := before.Dot(b.Normal)
				if m := before.Add(b.Normal); m.Len() > 0.2 {
					b.Normal = m.Unit()
					if turn < 0.94 { // sharper than 20°
						b.corner = true
						stretch = min(1.6, 2/m.Len())
					}
				} else {
					b.corner = true
				}
			}
			room, ink := s.room(b.Base, b.Normal, face, s.o.used.Tolerance)
			if ink {
				// Towards the middle of the line; any way there will do.
				b.Want = min(inkTrap, trapShare*room)
				b.Low, b.High = min(0.72*trap, 0.6*b.Want), max(1.05*b.Want, min(1.4*inkTrap, trapShare*room))
			} else {
				b.Want = min(trap*stretch, trapShare*room)
				b.Low, b.High = 0.72*b.Want, max(1.05*b.Want, min(looseTrap, trapShare*room))
			}
			if b.corner && !ink {
				// Of the corner's own pixel the higher colour may have less than half.
				room, _ := s.room(b.Base, b.Normal, face, max(math.Sqrt2, s.o.used.Tolerance))
				b.Want = max(b.Want, min(trap*stretch, trapShare*room))
				b.High = max(b.High, 1.05*b.Want)
			}
			out = append(out, b)
		}
		length += l
	}
	if !closed {
		for i := range out {
			b := &out[i]
			e := min(b.at, length-b.at)
			b.Low = min(b.Low, leastRise*(e-slowRise))
			b.Want = min(b.Want, e)
			if e < cornerPixel {
				b.High = max(b.High, e)
			}
			if i == 0 || i == len(out)-1 {
				b.Want = 0
			}
		}
	}
	return unfolded(out)
}

// outward returns the unit normal to the left of a segment, away from the face on its right.
func outward(s fit.Segment, t float64) fit.Point {
	d := s.Deriv(max(0.002, min(0.998, t)))
	if d.Len() < 1e-9 {
		d = s.P[3].Sub(s.P[0])
	}
	return d.Unit().Perp().Mul(-1)
}

// unfolded drops places whose displaced point comes nearer to another part of the bank than to its own: they would
// fold the hidden edge at a hollow corner.
func unfolded(in []bank) []bank {
	const window = 16
	out := in // as mostly: none is dropped
	dropped := false
	for i := range in {
		keep := true
		if !in[i].corner && i > 0 && i < len(in)-1 {
			p := in[i].Base.Add(in[i].Normal.Mul(in[i].Want))
			limit := 0.64 * in[i].Want * in[i].Want
			for j := max(0, i-window); j < min(len(in), i+window+1) && keep; j++ {
				d := in[j].Base.Sub(p)
				keep = !(d.Dot(d) < limit && (in[j].corner || j > i+3 || j < i-3))
			}
		}
		switch {
		case !keep && !dropped:
			out, dropped = append(make([]bank, 0, len(in)), in[:i]...), true
		case keep && dropped:
			out = append(out, in[i])
		}
	}
	return out
}

// room returns how far one may go from p along n under faces of a higher rank than a face's, px, and whether it is the ink
// that covers the way. Half a pixel is taken off, since lattice boundaries are that far from the drawn ones at worst. The
// way may begin on the near side of the boundary: where coding with loss left little contrast, and where curves may leave
// the noisy edges of paper, near px of it at most.
func (s *stack) room(p, n fit.Point, face int32, near float64) (room float64, ink bool) {
	const first, step, slack, least = 0.75, 0.25, 0.5, 0.25
	limit := looseTrap / trapShare
	rank := s.rank[face]
	under := false // the higher face is reached
	atX, atY, f, r := -1, -1, face, rank
	for t := first; t < limit; t += step {
		x, y := int(math.Floor(p.X+float64(n.X*t))), int(math.Floor(p.Y+float64(n.Y*t)))
		if x != atX || y != atY { // mostly the same pixel as before
			if x < 0 || y < 0 || x >= s.m.W || y >= s.m.H {
				return t, ink
			}
			f = s.m.FaceAt(x, y)
			r = s.rank[f]
			atX, atY = x, y
		}
		switch {
		case r > rank:
			under = true
			if r == s.ink {
				ink = true
				limit = inkReach
			}
		case under:
			return max(t-slack, least), ink
		case t >= near && (f != face || t >= astray):
			return least, ink
		}
	}
	return limit, ink
}

// merged joins neighbouring pieces that lie on one curve, and lines that go straight on.
func (o *outlines) merged(in []piece) []piece {
	var out []piece
	join := func(q piece) bool {
		if len(out) == 0 {
			return false
		}
		p := &out[len(out)-1]
		if p.parent >= 0 && p.parent == q.parent && math.Abs(p.t1-q.t0) < 1e-6 && (p.t1 > p.t0) == (q.t1 > q.t0) {
			a, b := p.P[0], q.P[3]
			p.t1 = q.t1
			s := o.parents[p.parent]
			if p.t0 < p.t1 {
				s = s.Sub(p.t0, p.t1)
			} else {
				s = s.Sub(p.t1, p.t0).Reverse()
			}
			p.Segment = s
			p.P[0], p.P[3] = a, b
			return true
		}
		if p.Line && q.Line {
			d, e := p.P[3].Sub(p.P[0]), q.P[3].Sub(q.P[0])
			if d.Dot(e) > 0 && math.Abs(d.Unit().Cross(e)) < straight && math.Abs(e.Unit().Cross(d)) < straight {
				p.Segment = fit.LineTo(p.P[0], q.P[3])
				p.parent = -1
				return true
			}
		}
		return false
	}
	for _, q := range in {
		if q.P[0] == q.P[3] && q.Line {
			continue
		}
		if !join(q) {
			out = append(out, q)
		}
	}
	if len(out) > 2 && join(out[0]) {
		out = out[1:]
	}
	return out
}

// straight is how far, in px, the end of one line may lie beside another for the two to count as one: below what is
// printed.
const straight = 0.01
