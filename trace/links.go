package trace

import (
	"cmp"
	"context"
	"math"
	"slices"

	"pochoir/fit"
)

// This file lets outlines go on beneath what lies across them, as one would draw them: an edge that disappears under a higher
// colour comes out on its far side, and what a band parts is one shape. Where an outline may come out elsewhere than its own
// way along the higher colour ends there is a link; links are taken where that spares segments, alone, or several at once,
// each of which leads to where another passage gave up its end.

const (
	// linkGoals is how many places are tried for where a passage may come out, the likeliest first.
	linkGoals = 4
	// linkSpread is how many places are looked at for the likeliest on either side, in order of their columns.
	linkSpread = 128
	// linkBack is what turning back counts for when places are compared, in parts of the distance.
	linkBack = 2.0
	// mostLinks bounds the links that are taken at once.
	mostLinks = 64
	// leastLink is how far apart the ends of a link are at least, px: nearer ones are one junction.
	leastLink = 1.0
	// levelLink is the cosine of the turn, 6 degrees, up to which a link is straight.
	levelLink = 0.995
	// bentLink is the cosine of the turn, 45 degrees, up to which an outline goes on in a bend beneath rather than ends there.
	bentLink = 0.707
	// linkReaches is how many lengths of the handles of a smooth link are tried, each longLink times the one before.
	linkReaches, longLink = 4, 1.5
	// linkFlat is how far the polylines may be from the curves by which links are told to cross, px.
	linkFlat = 0.2
	// latticeSlack is how far lattice boundaries are from the drawn ones at worst, px.
	latticeSlack = 0.5
	// straightOn is the part of the fit's tolerance by which lines may move that are drawn as one.
	straightOn = 0.5
)

// linkTurns are the angles at which the ends of a bow leave the straight way, degrees: from just above leastRise on, and less
// for where the straight way is not beside an edge.
var linkTurns = [...]float64{40, 55, 70, 20}

// way is a link that lies under higher colours.
type way struct {
	to    int // the passage whose end it leads to
	link  fit.Segment
	cost  int     // segments, less those it joins
	score float64 // the lower the likelier
}

// track is a link as a polyline.
type track struct {
	pts       []fit.Point
	low, high fit.Point
}

// linker finds the links of one colour.
type linker struct {
	s        *stack
	passages []*passage
	before   []int // by passage: the one before it in its ring
	follow   []int // and the one after
	to       []int // the passage at whose end it comes out
	from     []int // the passage that comes out at its end
	cost     []int // segments of its way
	ways     [][]way
	tracks   map[int]track   // by passage: the link that is taken
	moved    map[int32]bool  // faces with links
	parent   map[int32]int32 // faces that became one shape with another
}

// linked returns the rings of all faces with their passages linked. The rings of faces that became one are listed with one of
// them.
func (s *stack) linked(ctx context.Context, rings [][]ring, workers int) ([][]ring, error) {
	if s.exact {
		return rings, nil
	}
	passages := make([][]*passage, len(s.order)) // by rank
	if s.links {
		for i := range rings {
			for k := range rings[i] {
				passages[s.rank[i]] = append(passages[s.rank[i]], rings[i][k].runs...)
			}
		}
	}
	s.findCovers(passages)
	linkers := make([]*linker, len(passages))
	err := inParallel(ctx, len(passages), workers, func(r int) {
		if len(passages[r]) > 0 {
			linkers[r] = s.link(passages[r], rings)
		}
	})
	if err != nil {
		return nil, err
	}
	for _, l := range linkers {
		if l != nil {
			l.restring(rings)
		}
	}
	for i := range rings {
		if s.under[i] {
			rings[i] = nil
		}
	}
	return rings, nil
}

// findCovers tells under which connected part of the higher colours the ends of passages lie: in place of a face above them
// they get one that stands for its part.
func (s *stack) findCovers(passages [][]*passage) {
	parent := make([]int32, len(s.m.Faces))
	for i := range parent {
		parent[i] = int32(i)
	}
	find := func(i int32) int32 {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	arcs := make([][]int32, len(passages)) // by the lower rank beside them
	for i := range s.m.Arcs {
		a := &s.m.Arcs[i]
		if r := min(s.rankOf(a.Left), s.rankOf(a.Right)); r >= 0 {
			arcs[r] = append(arcs[r], int32(i))
		}
	}
	for r := len(passages) - 1; r >= 0; r-- {
		for _, p := range passages[r] {
			p.first, p.last = find(p.first), find(p.last)
		}
		for _, i := range arcs[r] {
			parent[find(s.m.Arcs[i].Left)] = find(s.m.Arcs[i].Right)
		}
	}
}

// link finds the links between the passages of one colour, and takes those that spare segments.
func (s *stack) link(passages []*passage, rings [][]ring) *linker {
	n := len(passages)
	l := &linker{
		s: s, passages: passages, before: make([]int, n), follow: make([]int, n), to: make([]int, n), from: make([]int, n),
		cost: make([]int, n), ways: make([][]way, n),
		tracks: map[int]track{}, moved: map[int32]bool{}, parent: map[int32]int32{},
	}
	index := make(map[*passage]int, n)
	for i, p := range passages {
		index[p] = i
		l.to[i], l.from[i], l.cost[i] = i, i, len(p.hidden)
	}
	for _, p := range passages {
		for _, r := range rings[p.face] {
			for k, q := range r.runs {
				i, j := index[q], index[r.runs[(k+1)%len(r.runs)]]
				l.follow[i], l.before[j] = j, i
			}
		}
	}
	ends := map[int32][]int{} // the passages that end under each part of the higher colours, by columns
	for i, p := range passages {
		ends[p.last] = append(ends[p.last], i)
	}
	for _, of := range ends {
		slices.SortStableFunc(of, func(a, b int) int {
			return cmp.Compare(passages[a].seen[0].P[0].X, passages[b].seen[0].P[0].X)
		})
	}
	var order []int // passages and ways, the likeliest first
	for i, p := range passages {
		l.ways[i] = l.waysFrom(i, ends[p.first])
		for k := range l.ways[i] {
			order = append(order, i*linkGoals+k)
		}
	}
	score := func(x int) float64 { return l.ways[x/linkGoals][x%linkGoals].score }
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(score(a), score(b)) })
	for _, x := range order {
		l.take(x/linkGoals, x%linkGoals)
	}
	return l
}

// waysFrom returns the links of passage i, the likeliest first, to the ends of others, given by columns, and to its own.
func (l *linker) waysFrom(i int, ends []int) (out []way) {
	seen := l.passages[l.before[i]].seen
	last := &seen[len(seen)-1]
	p, in := last.P[3], last.Deriv(1).Unit()
	if len(ends) > 2*linkSpread {
		at, _ := slices.BinarySearchFunc(ends, p.X, func(j int, x float64) int {
			return cmp.Compare(l.passages[j].seen[0].P[0].X, x)
		})
		ends = ends[max(0, at-linkSpread):min(len(ends), at+linkSpread)]
	}
	var goals []way
	for _, j := range ends {
		first := &l.passages[j].seen[0]
		span := first.P[0].Sub(p)
		d := span.Len()
		if d < leastLink || j == i && l.cost[i] == 1 {
			continue
		}
		u := span.Unit()
		goals = append(goals, way{to: j, cost: 1, score: d * (1 + linkBack*(2-in.Dot(u)-u.Dot(first.Deriv(0).Unit())))})
	}
	slices.SortStableFunc(goals, func(a, b way) int { return cmp.Compare(a.score, b.score) })
	for _, g := range goals[:min(len(goals), linkGoals)] {
		first := &l.passages[g.to].seen[0]
		link, ok := l.s.linkBetween(l.passages[i].face, p, in, first.P[0], first.Deriv(0).Unit())
		if !ok {
			continue
		}
		g.link = link
		if l.s.goesOn(last.Segment, link) {
			g.cost--
		}
		if l.s.goesOn(link, first.Segment) {
			g.cost--
		}
		out = append(out, g)
	}
	return out
}

// goesOn reports whether two pieces are lines that may be drawn as one.
func (s *stack) goesOn(a, b fit.Segment) bool {
	if !a.Line || !b.Line {
		return false
	}
	d, e := a.P[3].Sub(a.P[0]), b.P[3].Sub(b.P[0])
	one := b.P[3].Sub(a.P[0])
	return one.Dot(d) > 0 && one.Dot(e) > 0 && math.Abs(one.Unit().Cross(d)) <= straightOn*s.o.used.Tolerance
}

// linkBetween returns a curve from a to b that lies under colours higher than a face's, if there is one: straight or smooth
// where the outline arrives along in and goes on along out with little of a bend, else a line or a bow, the flatter the better.
func (s *stack) linkBetween(face int32, a, in, b, out fit.Point) (g fit.Segment, ok bool) {
	span := b.Sub(a)
	d := span.Len()
	u := span.Unit()
	try := func(c fit.Segment) bool {
		if s.hides(face, c, c.Length(), latticeSlack) {
			g, ok = c, true
		}
		return ok
	}
	turned := func(degrees float64) fit.Point {
		sin, cos := math.Sincos(degrees * math.Pi / 180)
		return u.Mul(cos).Add(u.Perp().Mul(sin))
	}
	level := in.Dot(u) > levelLink && u.Dot(out) > levelLink
	if level && try(fit.LineTo(a, b)) {
		return g, ok
	}
	along := in.Dot(u) + u.Dot(out)
	smooth := func() bool {
		h := 4.0 / 3 * d / (2 + along) // the handles of an arc that turns as far
		for range linkReaches {
			if along > -1 && try(fit.CubicTo(a, a.Add(in.Mul(h)), b.Sub(out.Mul(h)), b)) {
				return true
			}
			h *= longLink
		}
		return false
	}
	if in.Dot(out) > bentLink && smooth() || !level && try(fit.LineTo(a, b)) {
		return g, ok
	}
	for depth := looseTrap; depth < max(2*looseTrap, d); depth *= 3 {
		for _, turn := range linkTurns {
			// A cubic's middle lies at three quarters of its handles.
			h := min(0.6*d, 4.0/3*depth/math.Sin(turn*math.Pi/180))
			for _, side := range [2]float64{turn, -turn} {
				if try(fit.CubicTo(a, a.Add(turned(side).Mul(h)), b.Sub(turned(-side).Mul(h)), b)) {
					return g, ok
				}
			}
		}
	}
	smooth()
	return g, ok
}

// take takes way k from passage i where that spares segments. The passage that gives up its end goes on by its likeliest way,
// and so on, until one leads to the end that passage i gave up.
func (l *linker) take(i, k int) {
	w := &l.ways[i][k]
	goal := l.to[i]
	gain := l.cost[i] - w.cost
	chain, taken := []int{i}, []*way{w}
	if w.to == goal {
		if gain > 0 {
			l.apply(chain, taken)
		}
		return
	}
	for len(chain) < mostLinks {
		i = l.from[w.to]
		if slices.Contains(chain, i) {
			return
		}
		chain = append(chain, i)
		gain += l.cost[i]
		w = nil
		for x := range l.ways[i] {
			v := &l.ways[i][x]
			if v.to == goal && gain > v.cost && l.apply(chain, append(slices.Clone(taken), v)) {
				return
			}
			if w == nil && v.to != goal && v.to != l.to[i] && !slices.ContainsFunc(taken, func(t *way) bool { return t.to == v.to }) {
				w = v
			}
		}
		if w == nil {
			return
		}
		taken = append(taken, w)
		gain -= w.cost
	}
}

// apply takes a link from each passage of a chain, if higher colours fill what lies between the links and the ways taken so
// far, and reports whether it did. What is of the same colour there needs no shape of its own any more.
func (l *linker) apply(chain []int, taken []*way) bool {
	s := l.s
	if slices.ContainsFunc(chain, func(i int) bool { return s.under[l.passages[i].face] }) {
		return false
	}
	tracks := make([]track, len(taken))
	for k, w := range taken {
		t := trackOf(w.link)
		tracks[k] = t
		for i, o := range l.tracks {
			if t.crosses(&o) && !slices.Contains(chain, i) {
				return false
			}
		}
		for n := range k {
			if t.crosses(&tracks[n]) {
				return false
			}
		}
	}
	// Around what is won: along each way taken so far, and back along the link that leads to its end.
	var loop, ends []fit.Point
	i := chain[0]
	for range chain {
		if t, ok := l.tracks[i]; ok {
			loop = append(loop, t.pts...)
		} else {
			for k := range l.passages[i].bank {
				loop = l.passages[i].bank[k].Flatten(loop, linkFlat)
			}
		}
		k := slices.IndexFunc(taken, func(w *way) bool { return w.to == l.to[i] })
		back := taken[k].link.Reverse()
		loop = back.Flatten(loop, linkFlat)
		ends = append(ends, back.P[0], back.P[3])
		i = chain[k]
	}
	rank := s.rank[l.passages[i].face]
	held, within := 0, map[int32]int{}
	filled := s.scan(loop, func(f int32, y, x0, x1 int) bool {
		held += x1 - x0
		if s.rankOf(f) == rank {
			within[f] += x1 - x0
		}
		for x := x0; x < x1 && s.rankOf(f) < rank; x++ {
			// A pixel at a junction may be another's.
			p := fit.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5}
			if !slices.ContainsFunc(ends, func(e fit.Point) bool { return e.Sub(p).Len() <= chordEnds }) {
				return false
			}
		}
		return true
	})
	// It lies to the left, and a loop that crosses itself holds another area than its sides sweep, by more than the half pixel
	// that lattice boundaries may be off.
	area, length := 0.0, 0.0
	for k, p := range loop {
		q := loop[(k+1)%len(loop)]
		area += p.Cross(q) / 2
		length += q.Sub(p).Len()
	}
	if !filled || area >= 0 || math.Abs(area+float64(held)) > latticeSlack*length {
		return false
	}
	for f, n := range within {
		switch {
		case 2*n <= s.m.Faces[f].Area || s.under[f]:
			delete(within, f)
		case l.moved[f] || slices.ContainsFunc(chain, func(i int) bool { return l.passages[i].face == f }):
			return false
		}
	}
	// What needs no shape of its own must lie as deep within as all else.
	if len(within) > 0 && slices.ContainsFunc(taken, func(w *way) bool { return s.near(w.link, within) }) {
		return false
	}
	for f := range within {
		s.under[f] = true
	}
	for k, i := range chain {
		p, w := l.passages[i], taken[k]
		l.to[i], l.from[w.to], l.cost[i], l.tracks[i] = w.to, i, w.cost, tracks[k]
		p.hidden = []piece{{Segment: w.link, parent: -1}}
		l.moved[p.face] = true
		if a, b := l.shapeOf(p.face), l.shapeOf(l.passages[chain[0]].face); a != b {
			l.parent[a] = b
		}
	}
	return true
}

// near reports whether a link comes nearer than chordRoom to one of the faces.
func (s *stack) near(g fit.Segment, faces map[int32]int) bool {
	n := int(math.Ceil(g.Length()/chordStep)) + 1
	for k := range n + 1 {
		p := g.At(float64(k) / float64(n))
		for _, d := range around {
			q := p.Add(d.Mul(chordRoom))
			x, y := int(math.Floor(q.X)), int(math.Floor(q.Y))
			if x >= 0 && y >= 0 && x < s.m.W && y < s.m.H && faces[s.m.FaceAt(x, y)] > 0 {
				return true
			}
		}
	}
	return false
}

// shapeOf returns the face with which the rings of a face are listed.
func (l *linker) shapeOf(f int32) int32 {
	for {
		p, ok := l.parent[f]
		if !ok {
			return f
		}
		f = p
	}
}

// restring strings passages together by their links.
func (l *linker) restring(rings [][]ring) {
	s := l.s
	done := make([]bool, len(l.passages))
	emptied := map[int32]bool{}
	var strung []ring
	var of []int32
	for i, p := range l.passages {
		if !l.moved[p.face] {
			continue
		}
		if !emptied[p.face] {
			emptied[p.face] = true
			for _, r := range rings[p.face] {
				if len(r.runs) == 0 {
					strung, of = append(strung, r), append(of, l.shapeOf(p.face))
				}
			}
			rings[p.face] = nil
		}
		if done[i] {
			continue
		}
		r := ring{under: true, rank: s.rank[p.face]}
		for k := i; !done[k]; k = l.follow[l.to[k]] {
			done[k] = true
			r.whole = append(append(r.whole, l.passages[k].hidden...), l.passages[l.to[k]].seen...)
		}
		r.whole = s.straightened(r.whole)
		path := fit.Path{Closed: true}
		for _, q := range r.whole {
			path.Segments = append(path.Segments, q.Segment)
		}
		if r.hole = path.Area() < 0; !r.hole || !l.closes(path, r.rank) {
			strung, of = append(strung, r), append(of, l.shapeOf(p.face))
		}
	}
	for i, f := range of {
		rings[f] = append(rings[f], strung[i])
	}
}

// closes reports whether all that lies in a hole is painted by a rank or what is higher; it then needs no hole, and what is of
// the rank itself there no shape of its own.
func (l *linker) closes(hole fit.Path, rank int) bool {
	s := l.s
	within := map[int32]int{}
	if !s.scan(hole.Flatten(nil, linkFlat), func(f int32, _, x0, x1 int) bool {
		if s.rankOf(f) == rank {
			within[f] += x1 - x0
		}
		return s.rankOf(f) >= rank
	}) {
		return false
	}
	for f, n := range within {
		if 2*n > s.m.Faces[f].Area && !l.moved[f] {
			s.under[f] = true
		}
	}
	return true
}

// straightened draws lines of a ring as one that go straight on.
func (s *stack) straightened(in []piece) []piece {
	n := len(in)
	first := 0 // where no line goes on
	for k := range in {
		if !s.goesOn(in[(k+n-1)%n].Segment, in[k].Segment) {
			first = k
			break
		}
	}
	var out []piece
	var joints []fit.Point // within the last line
	for k := range n {
		q := in[(first+k)%n]
		if len(out) > 0 {
			p := &out[len(out)-1]
			u := q.P[3].Sub(p.P[0]).Unit()
			off := func(j fit.Point) bool { return math.Abs(u.Cross(j.Sub(p.P[0]))) > straightOn*s.o.used.Tolerance }
			if s.goesOn(p.Segment, q.Segment) && !slices.ContainsFunc(joints, off) {
				joints = append(joints, p.P[3])
				*p = piece{Segment: fit.LineTo(p.P[0], q.P[3]), parent: -1}
				continue
			}
		}
		joints = joints[:0]
		out = append(out, q)
	}
	return out
}

// trackOf returns the track of a link.
func trackOf(g fit.Segment) (t track) {
	t.pts = g.Flatten([]fit.Point{g.P[0]}, linkFlat)
	t.low, t.high = g.P[0], g.P[0]
	for _, p := range t.pts {
		t.low = fit.Point{X: min(t.low.X, p.X), Y: min(t.low.Y, p.Y)}
		t.high = fit.Point{X: max(t.high.X, p.X), Y: max(t.high.Y, p.Y)}
	}
	return t
}

// crosses reports whether two tracks cross.
func (t *track) crosses(o *track) bool {
	if t.low.X > o.high.X || o.low.X > t.high.X || t.low.Y > o.high.Y || o.low.Y > t.high.Y {
		return false
	}
	for i, p := range t.pts[1:] {
		d := t.pts[i].Sub(p)
		for k, q := range o.pts[1:] {
			e := o.pts[k].Sub(q)
			if float64(d.Cross(q.Sub(p))*d.Cross(q.Add(e).Sub(p))) < 0 && float64(e.Cross(p.Sub(q))*e.Cross(p.Add(d).Sub(q))) < 0 {
				return true
			}
		}
	}
	return false
}
