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

// knotView is the window about a knot.
type knotView struct {
	x, y  int // its upper left pixel
	lack  [knotSize * knotSize]levels
	blind [knotSize * knotSize]bool
	mixed int // pixels that are no cores
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
				if len(k.ends) == knotEnds {
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

// add adds what lies east of a segment to the window's pixels, in the colours of step; within leaves out what the part of it
// to the west of the window changes.
func (v *knotView) add(area, beyond *[knotSize * knotSize]levels, s *fit.Segment, step levels, within bool) {
	asLines(s, func(p, q fit.Point) {
		eachCrossed(p, q, func(x, y int, at, on float64) {
			x, y = x-v.x, y-v.y
			if y < 0 || y >= knotSize || x >= knotSize || within && x < 0 {
				return
			}
			if x < 0 {
				x, at = 0, on
			}
			area[y*knotSize+x].add(step, at)
			beyond[y*knotSize+x].add(step, on)
		})
	})
}

// spread carries what lies beyond each pixel on to those east of it.
func spread(area, beyond *[knotSize * knotSize]levels) {
	for y := range knotSize {
		var sum levels
		for k := y * knotSize; k < (y+1)*knotSize; k++ {
			area[k].add(sum, 1)
			sum.add(beyond[k], 1)
		}
	}
}

// view compares what is drawn about a knot with the pixels; ok is false where that cannot be told.
func (m *mender) view(k *knot) (v knotView, ok bool) {
	w, h := m.e.m.W, m.e.m.H
	v.x, v.y = int(math.Floor(k.at.X))-knotWindow, int(math.Floor(k.at.Y))-knotWindow
	if v.x < 1 || v.y < 0 || v.x+knotSize > w || v.y+knotSize > h {
		return v, false
	}
	var own [256]bool
	for _, e := range k.ends {
		own[m.e.m.Faces[m.e.m.LeftOf(e.half)].Label] = true
	}
	var curves []curveAt
	edge := float64(v.x)
	m.shown.around(fit.Point{X: edge, Y: float64(v.y)}, fit.Point{X: edge + knotSize, Y: float64(v.y + knotSize)}, func(c curveAt) { curves = append(curves, c) })
	slices.SortFunc(curves, func(a, b curveAt) int { return cmp.Or(cmp.Compare(a.arc, b.arc), cmp.Compare(a.k, b.k)) })
	curves = slices.Compact(curves)
	// Down the left edge the colour is known where no curve crosses the pixel beside it, and changes where one crosses the edge.
	start, label := -1, 0
	for y := 0; y < knotSize && start < 0; y++ {
		if l, plain := m.shown.plain(v.x-1, v.y+y); plain {
			start, label = y, l
		}
	}
	if start < 0 {
		return v, false
	}
	var area, beyond [knotSize * knotSize]levels
	for i := range area {
		area[i] = m.shown.of[label]
	}
	for _, c := range curves {
		arc := &m.e.m.Arcs[c.arc]
		if arc.Left == planar.Outside || arc.Right == planar.Outside {
			return v, false
		}
		seg, step := &m.shown.arcs[c.arc][c.k].Segment, m.shown.step(planar.HalfOf(int(c.arc), false))
		v.add(&area, &beyond, seg, step, true)
		asLines(seg, func(p, q fit.Point) {
			if (p.X < edge) == (q.X < edge) {
				return
			}
			down := -1.0 // what lies below is to the right of a curve that goes to the right
			if p.X > q.X {
				down = 1
			}
			at := p.Y + float64((q.Y-p.Y)*(edge-p.X)/(q.X-p.X)) - float64(v.y)
			for y := range knotSize {
				share := max(0, min(1, float64(y+1)-at))
				if at < float64(start) {
					share--
				}
				for i := y * knotSize; i < (y+1)*knotSize; i++ {
					area[i].add(step, float64(down*share))
				}
			}
		})
	}
	spread(&area, &beyond)
	for i := range v.lack {
		x, y := v.x+i%knotSize, v.y+i/knotSize
		at := y*w + x
		v.blind[i] = slices.ContainsFunc(m.labelsAbout(x, y, 1), func(l uint8) bool { return !own[l] })
		r, g, b := m.e.flats.Pixel(at)
		v.lack[i] = levels{r, g, b}
		if m.soft {
			v.lack[i] = levels{lumaOf(v.lack[i])}
		}
		if core := m.e.flats.IsCore(at); !core {
			v.mixed++
		} else if !m.soft {
			c := m.shown.of[m.e.flats.Labels[at]]
			if max(math.Abs(r-c[0]), math.Abs(g-c[1]), math.Abs(b-c[2])) > unmixed {
				return v, false // the label stands for several colours
			}
		}
		v.lack[i].add(area[i], -1)
	}
	return v, true
}

// contrast returns the mean contrast of the colours that meet in a knot.
func (m *mender) contrast(k *knot) (mean float64) {
	for _, e := range k.ends {
		d := m.shown.step(e.half)
		mean += math.Sqrt(dot3(d, d)) / float64(len(k.ends))
	}
	return max(faintest, mean)
}

// sum returns the sum of the squares of what the pixels lack, in shares of a contrast.
func (v *knotView) sum(lack *[knotSize * knotSize]levels, contrast float64) (sum float64) {
	for i := range lack {
		if !v.blind[i] {
			sum += dot3(lack[i], lack[i])
		}
	}
	return sum / float64(contrast*contrast)
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

// starts returns where the places of a knot begin to be varied: where they are, and where its straight ends meet.
func (k *knot) starts() [][]fit.Point {
	out := [][]fit.Point{slices.Clone(k.places)}
	// Least squares: the point nearest to the lines on along the ends.
	var xx, xy, yy, bx, by float64
	for i := range k.ends {
		n := k.ends[i].toward.Perp()
		d := n.Dot(k.ends[i].from)
		xx += float64(n.X * n.X)
		xy += float64(n.X * n.Y)
		yy += float64(n.Y * n.Y)
		bx += float64(n.X * d)
		by += float64(n.Y * d)
	}
	det := float64(xx*yy) - float64(xy*xy)
	if det < 0.05 {
		return out
	}
	p := fit.Point{X: (float64(bx*yy) - float64(by*xy)) / det, Y: (float64(by*xx) - float64(bx*xy)) / det}
	if p.Sub(k.at).Len() > knotShift {
		return out
	}
	if len(k.places) == 1 {
		return append(out, []fit.Point{p})
	}
	all := make([]fit.Point, len(k.places))
	for i := range all { // apart, so that each finds its own way
		all[i] = p.Lerp(k.places[i], 0.1)
	}
	return append(out, all)
}

// knotForm is a form of a knot: its places vary, the directions of lines through them and, with bulges, the bend of each end.
type knotForm struct {
	m      *mender
	k      *knot
	slides bool // along the one line through it
	bulges bool
}

// knotAngle is the turn of a line through a junction for each px that its number varies, radians.
const knotAngle = 0.3

// begin returns the numbers of the form that give the knot as it is, but with other places.
func (f *knotForm) begin(places []fit.Point) (x []float64) {
	if f.slides {
		x = []float64{0}
	} else {
		for _, p := range places {
			x = append(x, p.X, p.Y)
		}
	}
	for i := range f.k.ends {
		switch e := &f.k.ends[i]; {
		case e.mate > i && !f.slides:
			t := f.k.ends[e.mate].from.Sub(e.from).Unit()
			u := f.k.ends[e.mate].old[0].Deriv(0).Unit()
			if t.Dot(u) < 0.5 {
				u = t // it leaves quite differently
			}
			x = append(x, math.Atan2(t.Cross(u), t.Dot(u))/knotAngle)
		case e.mate < 0 && f.bulges:
			x = append(x, 0)
		}
	}
	return x
}

// curves returns the curves of a form by its numbers: for each end one from its place on.
func (f *knotForm) curves(x []float64) (places []fit.Point, segs [][]fit.Segment) {
	segs = make([][]fit.Segment, len(f.k.ends))
	if f.slides {
		i := slices.IndexFunc(f.k.ends, func(e knotEnd) bool { return e.mate >= 0 })
		j := f.k.ends[i].mate
		if x[0] < 0 {
			i, j = j, i
		}
		var p fit.Point
		segs[i], segs[j], p = moved(f.k.ends[i].old, f.k.ends[j].old, math.Abs(x[0]))
		places, x = []fit.Point{p}, x[1:]
	} else {
		places, x = f.placesOf(x)
	}
	for i := range f.k.ends {
		e := &f.k.ends[i]
		c := places[e.spot]
		length := e.from.Sub(c).Len()
		far := e.from.Add(e.toward.Mul(length / 3))
		switch {
		case segs[i] != nil:
		case e.mate > i:
			j := &f.k.ends[e.mate]
			s, cos := math.Sincos(float64(x[0] * knotAngle))
			x = x[1:]
			t := j.from.Sub(e.from).Unit()
			t = t.Mul(cos).Add(t.Perp().Mul(s))
			reach := j.from.Sub(c).Len()
			segs[i] = []fit.Segment{fit.CubicTo(c, c.Sub(t.Mul(length/3)), far, e.from)}
			segs[e.mate] = []fit.Segment{fit.CubicTo(c, c.Add(t.Mul(reach/3)), j.from.Add(j.toward.Mul(reach/3)), j.from)}
		case e.mate < 0:
			near := c.Lerp(far, 0.5)
			if f.bulges {
				near = near.Add(e.from.Sub(c).Unit().Perp().Mul(x[0]))
				x = x[1:]
			}
			segs[i] = []fit.Segment{fit.CubicTo(c, near, far, e.from)}
		}
	}
	return places, segs
}

// placesOf reads the places of a form from its numbers and returns them and the rest.
func (f *knotForm) placesOf(x []float64) (places []fit.Point, rest []float64) {
	for i := range f.k.places {
		p := fit.Point{X: x[2*i], Y: x[2*i+1]}
		if d := p.Sub(f.k.places[i]); d.Len() > knotShift {
			p = f.k.places[i].Add(d.Mul(knotShift / d.Len()))
		}
		places = append(places, p)
	}
	return places, x[2*len(places):]
}

// moved parts a line at a place so many px along b, which goes on where a begins: on from there the way of a, and that of b.
func moved(a, b []fit.Segment, px float64) (along, rest []fit.Segment, at fit.Point) {
	const shortest = 0.3 // px, of what must be left of b
	at = b[0].P[0]
	rest = b
	for px > 0 && len(rest) > 0 {
		s := rest[0]
		length := s.Length()
		if length <= px && len(rest) > 1 {
			along, rest, px = append(along, s.Reverse()), rest[1:], px-length
			at = s.P[3]
			continue
		}
		if t := min(px, length-shortest) / length; t > 0 {
			along = append(along, s.Sub(0, t).Reverse())
			rest = append([]fit.Segment{s.Sub(t, 1)}, rest[1:]...)
			at = rest[0].P[0]
		}
		break
	}
	slices.Reverse(along)
	return append(along, a...), rest, at
}

// misses sets dst to what the pixels lack when a form is drawn and returns the sum of the squares.
func (f *knotForm) misses(v *knotView, dst *[knotSize * knotSize]levels, x []float64, contrast float64) float64 {
	places, segs := f.curves(x)
	var area, beyond [knotSize * knotSize]levels
	for i := range segs {
		step := f.m.shown.step(f.k.ends[i].half)
		for s := range segs[i] {
			v.add(&area, &beyond, &segs[i][s], step, false)
		}
	}
	for _, a := range f.k.inner {
		from, to := f.k.between(f.m.e.m, a)
		s := fit.LineTo(places[from], places[to])
		v.add(&area, &beyond, &s, f.m.shown.step(planar.HalfOf(a, false)), false)
	}
	spread(&area, &beyond)
	for i := range dst {
		for c := range dst[i] {
			dst[i][c] = 0
			if !v.blind[i] {
				dst[i][c] = v.lack[i][c] - area[i][c]
			}
		}
	}
	return v.sum(dst, contrast)
}

// between returns the places that an inner arc runs between.
func (k *knot) between(m *planar.Map, arc int) (from, to int) {
	return k.spots[slices.Index(k.nodes, m.Arcs[arc].From)], k.spots[slices.Index(k.nodes, m.Arcs[arc].To)]
}

// solve varies the numbers of a form until it misses the pixels least, by Gauss and Newton's method, and returns the sum that
// is left.
func (f *knotForm) solve(v *knotView, x []float64, contrast float64) float64 {
	const (
		turns  = 8
		step   = 0.05 // px, of the slopes
		stride = 0.8  // px
		damped = 0.01 // what the pixels do not tell stays as it is
		enough = 0.02 // of what is missed
	)
	n := len(x)
	var r, moved [knotSize * knotSize]levels
	slopes := make([][knotSize * knotSize]levels, n)
	y := make([]float64, n)
	best := f.misses(v, &r, x, contrast)
	eq := make([][]float64, n)
	for i := range eq {
		eq[i] = make([]float64, n+1)
	}
	for range turns {
		for k := range n {
			copy(y, x)
			y[k] += step
			f.misses(v, &moved, y, contrast)
			for i := range r {
				for c := range r[i] {
					slopes[k][i][c] = (moved[i][c] - r[i][c]) / (step * contrast)
				}
			}
		}
		for i := range n {
			clear(eq[i])
		}
		for i := range n {
			for j := range i + 1 {
				for p := range r {
					eq[i][j] += dot3(slopes[i][p], slopes[j][p])
				}
				eq[j][i] = eq[i][j]
			}
			for p := range r {
				eq[i][n] -= dot3(slopes[i][p], r[p]) / contrast
			}
			eq[i][i] += damped
		}
		d := eliminated(eq)
		gained := 0.0
		for share := 1.0; share > 0.02 && gained == 0; share /= 3 {
			for k := range n {
				y[k] = x[k] + max(-stride, min(stride, float64(share*d[k])))
			}
			if now := f.misses(v, &moved, y, contrast); now < best {
				gained = best - now
				copy(x, y)
				best, r = now, moved
			}
		}
		if gained < enough*best {
			break
		}
	}
	return best
}

// eliminated solves linear equations, a positive definite matrix with its right side in the last column.
func eliminated(m [][]float64) []float64 {
	n := len(m)
	x := make([]float64, n)
	for k := range n {
		for i := k + 1; i < n; i++ {
			f := m[i][k] / m[k][k]
			for j := k; j <= n; j++ {
				m[i][j] -= float64(f * m[k][j])
			}
		}
	}
	for k := n - 1; k >= 0; k-- {
		x[k] = m[k][n]
		for j := k + 1; j < n; j++ {
			x[k] -= float64(m[k][j] * x[j])
		}
		x[k] /= m[k][k]
	}
	return x
}

// untangled reports whether the curves of a knot cross neither one another nor any other.
func (m *mender) untangled(o *outlines, k *knot, places []fit.Point, segs [][]fit.Segment) bool {
	type line struct {
		a, b fit.Point
		of   int
	}
	var lines []line
	lo, hi := k.at, k.at
	add := func(s *fit.Segment, of int) {
		asLines(s, func(a, b fit.Point) { lines = append(lines, line{a, b, of}) })
		l, h := boundsOf(s)
		lo, hi = fit.Point{X: min(lo.X, l.X), Y: min(lo.Y, l.Y)}, fit.Point{X: max(hi.X, h.X), Y: max(hi.Y, h.Y)}
	}
	for i := range segs {
		for s := range segs[i] {
			add(&segs[i][s], i)
		}
	}
	for i, a := range k.inner {
		from, to := k.between(m.e.m, a)
		s := fit.LineTo(places[from], places[to])
		add(&s, len(segs)+i)
	}
	for i := range lines {
		for j := range i {
			if lines[i].of != lines[j].of && linesCross(lines[i].a, lines[i].b, lines[j].a, lines[j].b) {
				return false
			}
		}
	}
	const joint = 0.05 // px from the far ends, where the rest of a curve goes on
	joins := func(p fit.Point) bool {
		return slices.ContainsFunc(k.ends, func(e knotEnd) bool { return p.Sub(e.from).Len() < joint })
	}
	hit := false
	test := func(p, q fit.Point) {
		hit = hit || !joins(p) && !joins(q) && slices.ContainsFunc(lines, func(l line) bool { return linesCross(p, q, l.a, l.b) })
	}
	m.shown.around(lo, hi, func(c curveAt) {
		if hit || slices.Contains(k.inner, int(c.arc)) {
			return
		}
		u0, u1 := 0.0, float64(len(o.arcs[c.arc]))
		for i := range k.ends {
			switch e := &k.ends[i]; {
			case e.half.Arc() != int(c.arc):
			case e.half.Backwards():
				u1 -= e.cut
			default:
				u0 = e.cut
			}
		}
		a, b := max(0, u0-float64(c.k)), min(1, u1-float64(c.k))
		if b-a < 1e-6 {
			return
		}
		seg := o.arcs[c.arc][c.k].Segment
		if a > 0 || b < 1 {
			seg = seg.Sub(a, b)
		}
		asLines(&seg, test)
	})
	return !hit
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

// fuse returns one curve in the place of s and the first of the pieces that it goes on in; ok is false where there is none.
func fuse(s fit.Segment, rest []piece) (one fit.Segment, ok bool) {
	if len(rest) == 0 {
		return one, false
	}
	r := rest[0].Segment
	var on []fit.Point
	const steps = 6
	for k := 1; k < steps; k++ {
		on = append(on, s.At(float64(k)/steps), r.At(float64(k)/steps))
	}
	on = append(on, r.P[0])
	off := func(c *fit.Segment) (worst float64) {
		for _, p := range on {
			_, d := c.Nearest(p)
			worst = max(worst, d)
		}
		return worst
	}
	if r.Line {
		one = fit.LineTo(s.P[0], r.P[3])
		return one, off(&one) < fused
	}
	from, to := s.Deriv(0).Unit(), r.Deriv(1).Unit()
	a, b := s.Length(), r.Length()
	if a < jointReach || b < jointReach || s.Deriv(1).Unit().Dot(r.Deriv(0).Unit()) < mendTurn {
		return one, false
	}
	// Handles as long as they are where the two are parts of one curve, then varied with the direction at the free end by Gauss
	// and Newton's method.
	x := [mendMost]float64{s.P[1].Sub(s.P[0]).Len() * (a + b) / a, r.P[3].Sub(r.P[2]).Len() * (a + b) / b, 0}
	curve := func(x *[mendMost]float64) fit.Segment {
		longest := s.P[0].Sub(r.P[3]).Len()
		within := func(v float64) float64 { return max(0.05*longest, min(longest, v)) }
		sin, cos := math.Sincos(x[2] / longest)
		u := from.Mul(cos).Add(from.Perp().Mul(sin))
		return fit.CubicTo(s.P[0], s.P[0].Add(u.Mul(within(x[0]))), r.P[3].Sub(to.Mul(within(x[1]))), r.P[3])
	}
	misses := func(x *[mendMost]float64) (d [2*steps - 1]float64, worst float64) {
		c := curve(x)
		for k, p := range on {
			t, far := c.Nearest(p)
			if c.Deriv(t).Cross(p.Sub(c.At(t))) < 0 {
				far = -far
			}
			d[k], worst = far, max(worst, math.Abs(far))
		}
		return d, worst
	}
	const step, rounds = 0.05, 4 // px
	d, worst := misses(&x)
	for range rounds {
		if worst < fused/2 {
			break
		}
		var slopes [3][2*steps - 1]float64
		for k := range slopes {
			y := x
			y[k] += step
			moved, _ := misses(&y)
			for n := range d {
				slopes[k][n] = (moved[n] - d[n]) / step
			}
		}
		var eq [mendMost][mendMost + 1]float64
		for i := range slopes {
			for n := range d {
				for j := range slopes {
					eq[i][j] += float64(slopes[i][n] * slopes[j][n])
				}
				eq[i][mendMost] -= float64(slopes[i][n] * d[n])
			}
			eq[i][i] += 1e-4
		}
		y, change := x, solved(&eq, len(slopes))
		for k := range slopes {
			y[k] += change[k]
		}
		next, now := misses(&y)
		if now >= worst {
			break
		}
		x, d, worst = y, next, now
	}
	return curve(&x), worst < fused
}
