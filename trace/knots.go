package trace

import (
	"cmp"
	"context"
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file holds the junctions of digital pictures to the pixels. About a junction every pixel shows three colours
// and no profile across an edge tells anything; so it is placed by what its arcs do further away, which fails where they bend,
// or where labels put two junctions in the place of one, as at the tip of a stripe. What the pixels show in all still tells
// where everything lies. Where the curves miss that, the junctions there and the last few px of what meets in them are drawn
// anew as what explains the pixels best.

const (
	// knotReach is how far from its middle a knot's curves are drawn anew, knotWindow how far the pixels are looked at, px.
	knotReach, knotWindow = 4.0, 6
	knotSize              = 2*knotWindow + 1
	// knotNodes and knotEnds are how many junctions and ends a knot may have.
	knotNodes, knotEnds = 5, 8
	// knotSum is what the squares of the missed shares must sum up to.
	knotSum = 0.08
	// knotSeen is the share of what was missed down to which a form is as good as any.
	knotSeen = 0.2
	// knotPoint is what each curve that is drawn anew must spare of it, as it brings another point.
	knotPoint = 0.03
	// knotShift is how far a junction may be moved, px.
	knotShift = 3.5
	// knotRounds is how often knots are looked at: of those that share an arc one waits for the other.
	knotRounds = 2
	// faintest is the contrast in levels that shares are counted in at least.
	faintest = 24.0
	// unmixed is how many levels an unmixed pixel may be off its colour; else the colour stands for several.
	unmixed = 1.5
	// shines is how many levels a pixel among two colours may be off all mixtures of them: beyond, others shine through a seam.
	shines = 4.0
	// codedNoise is how many levels of luma the pixels beside edges are off after coding with loss, where its ringing has been
	// taken out.
	codedNoise = 3.0
	// knotStraight is the cosine of the turn below which two curves are one line through a junction.
	knotStraight = -0.98
	// fused is how far a curve may lie off a new end and the piece that it goes on in to stand for both, px.
	fused = 0.08
)

// knot is junctions close together, and what meets in them.
type knot struct {
	at     fit.Point // their middle
	nodes  []int32
	spots  []int       // by node, which of the places it lies in
	places []fit.Point // where they are
	ends   []knotEnd
	inner  []int // arcs from one of its nodes to another
}

// knotEnd is the last part of a curve that ends in a knot.
type knotEnd struct {
	half   planar.Half // leaves the knot
	spot   int
	cut    float64       // pieces from the knot to where the part ends
	old    []fit.Segment // from the knot on
	from   fit.Point     // its far end
	toward fit.Point     // the direction there, towards the knot
	mate   int           // the end that it goes on in, -1 if none
}

// mendKnots draws the junctions of a picture coded with loss anew, by its luma.
func (o *outlines) mendKnots(ctx context.Context, e *edges, opt fit.Options, workers int) error {
	m := mender{e: e, shown: newShown(e.m, o.arcs, e.flats.Palette), left: slices.Concat(opt.Sharp, opt.Smooth), soft: true}
	for l, c := range m.shown.of {
		m.shown.of[l] = levels{lumaOf(c)}
	}
	return m.knots(ctx, o, slices.Repeat([]bool{true}, m.shown.bands()), workers)
}

// lumaOf returns the luma of a colour (ITU-R BT.601).
func lumaOf(c levels) float64 { return float64(0.299*c[0]) + float64(0.587*c[1]) + float64(0.114*c[2]) }

// knots draws the junctions anew where the curves miss the pixels. stale tells which bands have to be drawn, and then which
// have to be drawn anew.
func (m *mender) knots(ctx context.Context, o *outlines, stale []bool, workers int) error {
	if len(m.e.m.Nodes) > len(m.e.m.Dirs)/mendNoise {
		return nil
	}
	for range knotRounds {
		if err := m.shown.drawAnew(ctx, stale, workers); err != nil {
			return err
		}
		anew := make([]*knotted, len(m.e.m.Nodes))
		err := inParallel(ctx, len(anew), workers, func(n int) { anew[n] = m.untie(o, int32(n)) })
		if err != nil {
			return err
		}
		anew = slices.DeleteFunc(anew, func(k *knotted) bool { return k == nil })
		slices.SortStableFunc(anew, func(a, b *knotted) int { return cmp.Compare(b.gain, a.gain) })
		clear(stale)
		taken := map[int]bool{}
		near := placesBy(2 * knotWindow)
		for _, k := range anew {
			p := place{x: int(k.at.X), y: int(k.at.Y)}
			if near.near(p) || slices.ContainsFunc(k.ends, func(e knotEnd) bool { return taken[e.half.Arc()] }) {
				continue
			}
			near.add(p)
			for _, e := range k.ends {
				taken[e.half.Arc()] = true
			}
			o.tie(m.e.m, k)
			for band := max(0, int(k.at.Y)-knotWindow) / bandRows; band <= min(m.e.m.H-1, int(k.at.Y)+knotWindow)/bandRows; band++ {
				stale[band] = true
			}
		}
		if len(near.in) == 0 {
			return nil
		}
	}
	return nil
}

// knotted is a knot and how it is to be drawn.
type knotted struct {
	*knot
	gain   float64
	left   float64 // what is still missed
	places []fit.Point
	segs   [][]fit.Segment // by end, from the knot on
	slide  float64         // by how much it moves along the line through it, px; that stays as it is
}

// knotAt gathers the knot of node n; nil where n is not its first one, or there is nothing to be varied.
func (m *mender) knotAt(o *outlines, n int32) *knot {
	k := &knot{at: o.nodes[n], nodes: []int32{n}}
	for range 2 {
		if !m.gather(o, k) {
			return nil
		}
		var sum fit.Point
		for _, p := range k.nodes {
			sum = sum.Add(o.nodes[p])
		}
		k.at = sum.Mul(1 / float64(len(k.nodes)))
	}
	if !m.gather(o, k) || slices.Min(k.nodes) != n {
		return nil
	}
	k.pair(func(e *knotEnd) fit.Point { return e.old[0].Deriv(0).Unit() })
	return k
}

// pair finds which ends go on straight in others, by the directions in which they leave the knot.
func (k *knot) pair(leaving func(e *knotEnd) fit.Point) {
	for i := range k.ends {
		e := &k.ends[i]
		u, best := leaving(e), knotStraight
		e.mate = -1
		for j := range k.ends {
			if j != i && k.ends[j].spot == e.spot {
				if d := leaving(&k.ends[j]).Dot(u); d < best {
					best, e.mate = d, j
				}
			}
		}
	}
	for i := range k.ends {
		if j := k.ends[i].mate; j >= 0 && k.ends[j].mate != i {
			k.ends[i].mate = -1
		}
	}
}

// drawnTogether returns the knot with all its junctions in one place, where what lies between them vanishes; nil where they
// lie in one.
func (k *knot) drawnTogether() *knot {
	if len(k.places) < 2 {
		return nil
	}
	one := &knot{at: k.at, nodes: k.nodes, spots: make([]int, len(k.nodes)), places: []fit.Point{k.at}, ends: slices.Clone(k.ends), inner: k.inner}
	for i := range one.ends {
		one.ends[i].spot = 0
	}
	one.pair(func(e *knotEnd) fit.Point { return e.toward.Mul(-1) })
	return one
}

// gather finds what belongs to a knot about k.at, beginning with its nodes; false where it cannot be varied.
func (m *mender) gather(o *outlines, k *knot) bool {
	pm := m.e.m
	k.ends, k.inner, k.places, k.spots = k.ends[:0], k.inner[:0], k.places[:0], k.spots[:0]
	for i := 0; i < len(k.nodes); i++ {
		if i == knotNodes {
			return false
		}
		node := k.nodes[i]
		spot := slices.Index(k.places, o.nodes[node])
		if spot < 0 {
			spot = len(k.places)
			k.places = append(k.places, o.nodes[node])
		}
		k.spots = append(k.spots, spot)
		for _, h := range pm.Nodes[node].Out {
			if h < 0 {
				continue
			}
			a := h.Arc()
			arc := &pm.Arcs[a]
			if arc.Left == planar.Outside || arc.Right == planar.Outside || m.e.dots[a] != nil || m.e.doubt[a] > 0 && !m.soft {
				return false
			}
			e := knotEnd{half: h, spot: spot, mate: -1}
			if len(o.arcs[a]) > 0 && e.reach(o.arcs[a], k.at) {
				// Of an arc that comes back to the knot one end would be cut off what the other has changed.
				if len(k.ends) == knotEnds || slices.ContainsFunc(k.ends, func(e knotEnd) bool { return e.half.Arc() == a }) {
					return false
				}
				k.ends = append(k.ends, e)
				continue
			}
			other := pm.To(h)
			if other == node {
				return false
			}
			if !slices.Contains(k.nodes, other) {
				k.nodes = append(k.nodes, other)
			}
			if !slices.Contains(k.inner, a) {
				k.inner = append(k.inner, a)
			}
		}
	}
	return len(k.ends) > 2
}

// reach follows a curve from the knot until it is knotReach from a place; false where it ends before.
func (e *knotEnd) reach(ps []piece, at fit.Point) bool {
	const step = 0.25 // px
	e.old = nil
	for k := range ps {
		s := ps[k].Segment
		if e.half.Backwards() {
			s = ps[len(ps)-1-k].Reverse()
		}
		n := 1 + int(s.Length()/step)
		for i := 1; i <= n; i++ {
			t := float64(i) / float64(n)
			if s.At(t).Sub(at).Len() < knotReach {
				continue
			}
			if (1-t)*s.Length() < jointReach { // no slivers
				t = 1
			}
			if t*s.Length() < jointReach && k > 0 {
				t = 0
			}
			e.cut = float64(k) + t
			if t > 0 {
				if t < 1 {
					s = s.Sub(0, t)
				}
				e.old = append(e.old, s)
			}
			last := &e.old[len(e.old)-1]
			e.from, e.toward = last.P[3], last.Deriv(1).Unit().Mul(-1)
			return true
		}
		e.old = append(e.old, s)
	}
	return false
}

// untie draws the knot of node n anew; nil where nothing is much better.
func (m *mender) untie(o *outlines, n int32) *knotted {
	k := m.knotAt(o, n)
	if k == nil || slices.ContainsFunc(m.left, func(q fit.Point) bool { return q.Sub(k.at).Len() < 2*mendReach }) {
		return nil
	}
	v, ok := m.view(k)
	if !ok {
		return nil
	}
	contrast := m.contrast(k)
	was := v.sum(&v.lack, contrast)
	noise := 0.0
	if m.soft {
		noise = float64(v.mixed) * float64(codedNoise*codedNoise) / float64(contrast*contrast)
	}
	if was < knotSum+noise {
		return nil
	}
	// Take out what is to be drawn anew.
	var area, beyond [knotSize * knotSize]levels
	for i := range k.ends {
		e := &k.ends[i]
		step := m.shown.step(e.half)
		for s := range e.old {
			v.add(&area, &beyond, &e.old[s], step, false)
		}
	}
	for _, a := range k.inner {
		step := m.shown.step(planar.HalfOf(a, false))
		for s := range o.arcs[a] {
			v.add(&area, &beyond, &o.arcs[a][s].Segment, step, false)
		}
	}
	spread(&area, &beyond)
	for i := range v.lack {
		v.lack[i].add(area[i], 1)
	}
	best, least := (*knotted)(nil), math.Inf(1)
	try := func(f knotForm) {
		starts := f.k.starts()
		if f.slides {
			starts = starts[:1]
		}
		for _, start := range starts {
			x := f.begin(start)
			miss := f.solve(&v, x, contrast)
			places, segs := f.curves(x)
			cost := miss
			if !f.slides {
				cost += float64(knotPoint * float64(len(segs)))
			}
			if cost*mendSimple >= least || !m.untangled(o, f.k, places, segs) {
				continue
			}
			best, least = &knotted{knot: f.k, places: places, segs: segs, left: miss}, cost
			if f.slides {
				best.slide = x[0]
			}
			if better(max(0, miss-noise), was-noise) {
				break
			}
		}
	}
	forms := []knotForm{{m: m, k: k}}
	if one := k.drawnTogether(); one != nil {
		forms = append([]knotForm{{m: m, k: one}}, forms...)
	} else if n := len(k.ends); n == 3 && slices.ContainsFunc(k.ends, func(e knotEnd) bool { return e.mate >= 0 }) {
		forms = append([]knotForm{{m: m, k: k, slides: true}}, forms...)
	}
	for _, bulges := range [2]bool{false, true} {
		for _, f := range forms {
			if f.bulges = bulges; least > noise+max(mendSeen, knotSeen*(was-noise)) {
				try(f)
			}
		}
	}
	if best == nil || was-least < knotSum || !better(max(0, best.left-noise), was-noise) {
		return nil
	}
	best.gain = was - least
	return best
}

// tie draws a knot anew.
func (o *outlines) tie(m *planar.Map, k *knotted) {
	for i, n := range k.nodes {
		o.nodes[n] = k.places[k.spots[i]]
	}
	if k.slide != 0 {
		o.slide(k)
	}
	for i := range k.ends {
		e := &k.ends[i]
		if k.slide != 0 && e.mate >= 0 {
			continue
		}
		ps := o.outwards(e.half)
		whole := int(math.Floor(e.cut))
		var rest []piece
		if t := e.cut - float64(whole); t > 0 {
			p := ps[whole]
			p.t0 += float64((p.t1 - p.t0) * t)
			p.Segment = p.Sub(t, 1)
			rest = append(rest, p)
			whole++
		}
		rest = append(rest, ps[whole:]...)
		s := k.segs[i][0]
		if u := s.P[3].Sub(s.P[0]).Unit(); max(math.Abs(u.Cross(s.P[1].Sub(s.P[0]))), math.Abs(u.Cross(s.P[2].Sub(s.P[0])))) < fused/2 {
			s = fit.LineTo(s.P[0], s.P[3])
		}
		// What goes on in the same way needs no point between.
		if one, ok := fuse(s, rest); ok {
			s, rest = one, rest[1:]
		}
		out := []piece{{Segment: s, parent: int32(len(o.parents)), t1: 1}}
		o.parents = append(o.parents, s)
		o.run(e.half, append(out, rest...))
	}
	for _, a := range k.inner {
		from, to := k.between(m, a)
		if o.arcs[a] = nil; k.places[from] != k.places[to] {
			s := fit.LineTo(k.places[from], k.places[to])
			o.arcs[a] = []piece{{Segment: s, parent: int32(len(o.parents)), t1: 1}}
			o.parents = append(o.parents, s)
		}
	}
}

// outwards returns the pieces of a half arc from its beginning on, and run puts others in their place.
func (o *outlines) outwards(h planar.Half) []piece {
	if h.Backwards() {
		return reversed(o.arcs[h.Arc()])
	}
	return slices.Clone(o.arcs[h.Arc()])
}

func (o *outlines) run(h planar.Half, ps []piece) {
	if h.Backwards() {
		ps = reversed(ps)
	}
	o.arcs[h.Arc()] = ps
}

// slide moves a junction along the line through it.
func (o *outlines) slide(k *knotted) {
	i := slices.IndexFunc(k.ends, func(e knotEnd) bool { return e.mate >= 0 })
	j := k.ends[i].mate
	if k.slide < 0 {
		i, j = j, i
	}
	along, rest := o.outwards(k.ends[i].half), o.outwards(k.ends[j].half)
	_, left, _ := moved(nil, k.ends[j].old, math.Abs(k.slide))
	var over []piece
	for n := len(k.ends[j].old) - len(left); n > 0; n-- {
		over, rest = append(over, rest[0]), rest[1:]
	}
	if p := rest[0]; left[0].P[0] != p.P[0] {
		t, _ := p.Nearest(left[0].P[0])
		mid := p.t0 + float64((p.t1-p.t0)*t)
		first := p
		first.t1, first.Segment = mid, p.Sub(0, t)
		over = append(over, first)
		p.t0, p.Segment = mid, p.Sub(t, 1)
		rest[0] = p
	}
	o.run(k.ends[i].half, append(reversed(over), along...))
	o.run(k.ends[j].half, rest)
	o.nodes[k.nodes[0]] = rest[0].P[0]
	k.places[0] = rest[0].P[0]
	for e := range k.segs { // the others end just there
		if k.ends[e].mate < 0 {
			k.segs[e][0].P[0] = rest[0].P[0]
		}
	}
	over = o.outwards(k.ends[i].half)
	over[0].P[0] = rest[0].P[0]
	o.run(k.ends[i].half, over)
}
