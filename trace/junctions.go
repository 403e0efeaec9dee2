package trace

import (
	"context"
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file places the junctions, where three or four boundaries meet, and finds the boundaries that run smoothly
// through one: the outline of what lies in front.

const (
	// endGap and endSpan bound the samples that tell how an arc approaches its end, in cracks from it: nearer ones are
	// tainted by the third colour, farther ones by the arc's own bends.
	endGap  = 0.8
	endSpan = 8
	// minLocal is the number of samples below which an arc's end is too short to carry a through line.
	minLocal = 4
	// maxJunctionShift bounds how far a junction may lie from its lattice vertex, px.
	maxJunctionShift = 2.0
)

// arcEnd is what is known of an arc near one of its nodes: a local curve through its samples.
type arcEnd struct {
	half  planar.Half // leaves the node
	local fit.Local   // runs away from it
}

// junctions holds a position for every node and, for every half arc that arrives at a node, the half arc in which its
// curve goes on, -1 where it ends.
type junctions struct {
	at      []fit.Point
	through []planar.Half
	// clear is, for every half arc that leaves a node, the distance in cracks within which its samples are left out.
	clear []float64
	// corners are those close behind a junction, by the half arc that leaves it.
	corners map[planar.Half]arcCorner
	// gone marks arcs that shrank to a point: several tips that meet are parted by the labels, not by the drawing.
	gone []bool
	// loose marks arcs that nobody sees; lines of nothing else are fitted by hidden. nil for none.
	loose  []bool
	hidden fit.Options
	// freedom is by how much the smoothness asked for multiplies what doubt adds to tolerances; 1 at neutral.
	freedom float64
}

// findJunctions places the nodes of a map from the samples of its arcs. It returns ctx.Err() when ctx ends.
func findJunctions(ctx context.Context, e *edges, workers int) (junctions, error) {
	m := e.m
	j := junctions{at: make([]fit.Point, len(m.Nodes)), through: make([]planar.Half, 2*len(m.Arcs)), clear: make([]float64, 2*len(m.Arcs)), gone: make([]bool, len(m.Arcs)), freedom: 1}
	for i := range j.through {
		j.through[i] = -1
		j.clear[i] = e.clearances()[0]
		if e.hand > 0 { // of a short arc something must be left
			j.clear[i] = min(j.clear[i], float64(m.Arcs[i/2].N)/3)
		}
	}
	// What a node settles concerns the half arcs that leave or reach it, which no other does.
	corners := make([]junctionCorner, len(m.Nodes))
	if err := inParallel(ctx, len(m.Nodes), workers, func(n int) { corners[n] = j.place(e, n) }); err != nil {
		return j, err
	}
	j.corners = map[planar.Half]arcCorner{}
	for _, c := range corners {
		if c.known {
			j.corners[c.half] = c.arcCorner
		}
	}
	j.meetTips(e)
	return j, nil
}

// junctionCorner is the corner close behind a junction, on a half arc that leaves it; not known where there is none.
type junctionCorner struct {
	arcCorner
	half  planar.Half
	known bool
}

// place places node n, and returns the corner that it was placed by, if it was.
func (j *junctions) place(e *edges, n int) (corner junctionCorner) {
	m := e.m
	node := &m.Nodes[n]
	var room [4]arcEnd
	ends := func() []arcEnd {
		all := room[:0]
		for _, h := range node.Out {
			if h >= 0 {
				if end, ok := e.endOf(h, j.clear[h]); ok {
					all = append(all, end)
				}
			}
		}
		return all
	}
	v := fit.Point{X: float64(node.X), Y: float64(node.Y)}
	if node.X == 0 || node.Y == 0 || int(node.X) == m.W || int(node.Y) == m.H {
		j.at[n] = e.slideAlongFrame(v, ends())
		return corner
	}
	j.joinThrough(e, node)
	if at, c, ok := j.joinToCorner(e, n); ok {
		j.at[n] = at
		return c
	}
	// Arcs whose near samples are tainted tell the place by those beyond.
	j.at[n] = e.meet(v, ends())
	for _, h := range node.Out {
		if h >= 0 && j.through[h.Twin()] < 0 {
			if x, ok := j.settleTangent(e, node, h); ok {
				j.at[n] = x
				break
			}
		}
	}
	return corner
}

const (
	// shortArc is the length, in cracks, up to which an arc between two junctions may be an accident of the labels.
	shortArc = 4
	// tipReach bounds how far tips may meet from where the labels part them, px.
	tipReach = 6.0
)

// meetTips finds junctions a few cracks apart whose other arcs all run to one place, as where several narrow tips
// meet, and puts them there: the arcs between them shrink to a point.
func (j *junctions) meetTips(e *edges) {
	m := e.m
	for a := range m.Arcs {
		arc := &m.Arcs[a]
		if arc.From == planar.None || arc.From == arc.To || arc.N > shortArc || j.gone[a] || arc.Left == planar.Outside || arc.Right == planar.Outside {
			continue
		}
		var halves []planar.Half
		whole := true
		for _, n := range [2]int32{arc.From, arc.To} {
			for _, h := range m.Nodes[n].Out {
				if h < 0 || h.Arc() == a {
					continue
				}
				o := &m.Arcs[h.Arc()]
				whole = whole && o.Left != planar.Outside && o.Right != planar.Outside && o.N > 2*shortArc
				halves = append(halves, h)
			}
		}
		if !whole || len(halves) < 3 {
			continue
		}
		v := fit.Point{
			X: float64(m.Nodes[arc.From].X+m.Nodes[arc.To].X) / 2,
			Y: float64(m.Nodes[arc.From].Y+m.Nodes[arc.To].Y) / 2,
		}
		for _, gap := range e.clearances()[1:] {
			x, ok := e.meetAt(halves, v, gap)
			if !ok || e.goesOn(arc, halves, x, gap) {
				continue
			}
			j.gone[a] = true
			for _, n := range [2]int32{arc.From, arc.To} {
				j.at[n] = x
			}
			for _, h := range halves {
				j.clear[h] = max(j.clear[h], gap)
			}
			// Nothing runs on through an arc that is no more.
			for _, h := range [2]planar.Half{planar.HalfOf(a, false), planar.HalfOf(a, true)} {
				if g := j.through[h]; g >= 0 {
					j.through[h], j.through[g.Twin()] = -1, -1
				}
			}
			break
		}
	}
}

// A pixel shows that a tip does not end in a place where it has a share of cutOff, cutBy px beyond.
const cutOff, cutBy = 0.25, 1.0

// goesOn reports whether a pixel beside an arc shows that a face there goes on beyond x, where the half arcs that leave the arc's
// ends, by their samples from gap cracks on, come near each other: then it does not end, but is thin there and opens again.
func (e *edges) goesOn(arc *planar.Arc, halves []planar.Half, x fit.Point, gap float64) bool {
	m := e.m
	faces := [2]int32{arc.Left, arc.Right}
	labels := [2]uint8{m.Faces[arc.Left].Label, m.Faces[arc.Right].Label}
	third, thirds := labels[0], 0
	var from [2]fit.Point // where each face comes from: twice the middle between its sides
	var sides [2]int
	for _, h := range halves {
		if !e.seen || e.doubt[h.Arc()] > 0 {
			return false
		}
		far := x
		eachNear(m, e.samples, h, gap+float64(endSpan*e.wide()), func(_ float64, s *edgeSample) { far = s.Point })
		a := &m.Arcs[h.Arc()]
		for _, f := range [2]int32{a.Left, a.Right} {
			if l := m.Faces[f].Label; l != labels[0] && l != labels[1] && l != third {
				third = l
				thirds++
			}
			if k := slices.Index(faces[:], f); k >= 0 {
				from[k] = from[k].Add(far)
				sides[k]++
			}
		}
	}
	if thirds != 1 {
		return false
	}
	px, py := int(arc.X), int(arc.Y)
	for _, d := range m.Dirs[arc.Off : arc.Off+arc.N] {
		lx, ly, rx, ry := planar.SidePixels(px, py, d)
		for k, p := range [2][2]int{{lx, ly}, {rx, ry}} {
			beyond := fit.Point{X: float64(p[0]) + 0.5, Y: float64(p[1]) + 0.5}.Sub(x)
			if sides[k] != 2 || beyond.Dot(x.Sub(from[k].Mul(0.5)).Unit()) < cutBy {
				continue
			}
			if own, _, _, ok := sharesAt(e.flats, p[1]*m.W+p[0], labels[k], labels[1-k], third); ok && own > cutOff {
				return true
			}
		}
		px, py = px+planar.DX[d], py+planar.DY[d]
	}
	return false
}

// meetMiss is how far a curve may lie off a place where it is to end, or off a sample of its own, px.
const meetMiss = 0.15

// meetAt returns the place where all the half arcs meet, by their samples beyond gap cracks; ok is false where they
// do not run to one place.
func (e *edges) meetAt(halves []planar.Half, v fit.Point, gap float64) (x fit.Point, ok bool) {
	var ends []arcEnd
	for _, h := range halves {
		end, ok := e.endOf(h, gap)
		if !ok || end.local.Count < minLocal {
			return x, false
		}
		ends = append(ends, end)
	}
	const hold = 1e-4 // only to have a solution
	x = v
	for range 5 {
		a11, a12, a22, r1, r2 := hold, 0.0, hold, hold*v.X, hold*v.Y
		for k := range ends {
			p, dir := ends[k].local.At(x)
			n := dir.Perp()
			c := n.Dot(p)
			a11 += float64(n.X * n.X)
			a12 += float64(n.X * n.Y)
			a22 += float64(n.Y * n.Y)
			r1 += float64(n.X * c)
			r2 += float64(n.Y * c)
		}
		det := float64(a11*a22) - float64(a12*a12)
		x = fit.Point{X: (float64(r1*a22) - float64(r2*a12)) / det, Y: (float64(a11*r2) - float64(a12*r1)) / det}
		if !(x.Sub(v).Len() <= tipReach) {
			return x, false
		}
	}
	for k := range ends {
		if p, _ := ends[k].local.At(x); p.Sub(x).Len() > meetMiss+float64(3*e.noise) || !e.aside(halves[k], halves, &ends[k].local, gap) {
			return x, false
		}
	}
	return x, true
}

const (
	// wedge is the thickness, px, below which the area between two boundaries tints the samples of both.
	wedge = 1.0
	// steep is the length, in cracks, within which a boundary that meets a line at a fair angle has left the wedge.
	steep = 2.5
	// slant is the cosine of the angle up to which a boundary in a picture coded with loss counts as running along a line
	// though it leaves the wedge within steep.
	slant = 0.8
	// lossySpan and lossyWalk are there the length of boundary, in cracks, that tells where it goes, and how far it is
	// followed, px.
	lossySpan, lossyWalk = 12, 12.0
	// tangentSpan is how far from a junction, in cracks, the end of a wedge is looked for.
	tangentSpan = 24
)

// settleTangent places a junction where the half arc h meets the line that runs through it at a small angle. The
// labels part such a pair where the wedge between them is half a pixel thick, pixels away from where they meet; so
// the samples beyond the wedge are followed to the line.
func (j *junctions) settleTangent(e *edges, node *planar.Node, h planar.Half) (fit.Point, bool) {
	m, samples := e.m, e.samples
	var line []fit.Point
	for _, g := range node.Out {
		if g < 0 || j.through[g.Twin()] < 0 || g.Arc() == h.Arc() {
			continue
		}
		var buf [3 * throughSpan]fit.Point
		p := samplesNear(buf[:0], m, samples, g, j.clear[g], j.clear[g]+float64(throughSpan*e.wide()))
		if line == nil {
			for i := len(p) - 1; i >= 0; i-- {
				line = append(line, p[i])
			}
			continue
		}
		line = append(line, p...)
	}
	if len(line) < 2*minLocal {
		return fit.Point{}, false
	}
	through := fit.FitLocal(line, true)
	lossy := e.coded(h)
	span, walk := float64(endSpan*e.wide()), 6.0
	if lossy {
		span, walk = lossySpan, lossyWalk
	}
	first := -1.0
	var pts []fit.Point
	eachNear(m, samples, h, tangentSpan, func(d float64, s *edgeSample) {
		if first < 0 && math.Abs(through.Off(s.Point)) >= wedge {
			first = d
		}
		if first >= 0 && d < first+span && s.Weight > doubtfulWeight {
			pts = append(pts, s.Point)
		}
	})
	if first < steep && !lossy || len(pts) < minLocal {
		return fit.Point{}, false
	}
	local := fit.FitLocal(pts, len(pts) >= 6)
	const step = 0.25
	p, dir := local.At(pts[0])
	side := through.Off(p)
	best, bestOff := p, math.Abs(side)
	for range int((first + walk) / step) {
		p, dir = local.At(p.Sub(dir.Mul(step)))
		off := through.Off(p)
		if math.Abs(off) < bestOff {
			best, bestOff = p, math.Abs(off)
		}
		if off*side <= 0 {
			break
		}
	}
	if bestOff > 0.4 {
		return fit.Point{}, false
	}
	x, along := through.At(best)
	if lossy && first < steep && math.Abs(along.Dot(dir)) < slant {
		return fit.Point{}, false
	}
	if j.clear[h] = max(j.clear[h], first); lossy {
		j.clear[h] = first
	}
	return x, true
}

// coded reports whether the samples of half arc h are in doubt by how a digital picture was coded. On paper they are in
// doubt by grain and light as well, which do not end where a wedge does.
func (e *edges) coded(h planar.Half) bool { return e.digital && e.doubt[h.Arc()] > 0 }

// endOf fits the local curve of the half arc h near the node that it leaves, to the samples beyond gap cracks.
func (e *edges) endOf(h planar.Half, gap float64) (arcEnd, bool) {
	a := &e.m.Arcs[h.Arc()]
	if a.Left == planar.Outside || a.Right == planar.Outside {
		return arcEnd{}, false
	}
	if a.N <= 3 {
		gap = 0
	}
	var buf [3 * throughSpan]fit.Point
	pts := samplesNear(buf[:0], e.m, e.samples, h, gap, gap+float64(endSpan*e.wide()))
	if len(pts) < 2 {
		return arcEnd{}, false
	}
	return arcEnd{half: h, local: fit.FitLocal(pts, len(pts) >= 5)}, true
}

// meet returns the least-squares meeting point of the local curves, held weakly at the lattice vertex v.
func (e *edges) meet(v fit.Point, ends []arcEnd) fit.Point {
	const hold = 0.02 // weight of the vertex against one good arc
	x := v
	for range 3 {
		a11, a12, a22, r1, r2 := hold, 0.0, hold, hold*v.X, hold*v.Y
		for k := range ends {
			p, dir := ends[k].local.At(x)
			n := dir.Perp()
			w := hold / (hold + ends[k].local.RMS)
			c := n.Dot(p)
			a11 += float64(w * n.X * n.X)
			a12 += float64(w * n.X * n.Y)
			a22 += float64(w * n.Y * n.Y)
			r1 += float64(w * n.X * c)
			r2 += float64(w * n.Y * c)
		}
		det := float64(a11*a22) - float64(a12*a12)
		x = fit.Point{X: (float64(r1*a22) - float64(r2*a12)) / det, Y: (float64(a11*r2) - float64(a12*r1)) / det}
	}
	if !(x.Sub(v).Len() <= maxJunctionShift*e.wide()) {
		return v
	}
	return x
}

// slideAlongFrame moves a node on the picture's frame to where its arc meets the frame.
func (e *edges) slideAlongFrame(v fit.Point, ends []arcEnd) fit.Point {
	if len(ends) != 1 {
		return v
	}
	w, h := float64(e.m.W), float64(e.m.H)
	if (v.X == 0 || v.X == w) && (v.Y == 0 || v.Y == h) {
		return v
	}
	p, d := ends[0].local.At(v)
	x := v
	if v.X == 0 || v.X == w {
		if math.Abs(d.X) > 0.1 {
			x.Y = p.Y + float64(d.Y*((v.X-p.X)/d.X))
		}
	} else if math.Abs(d.Y) > 0.1 {
		x.X = p.X + float64(d.X*((v.Y-p.Y)/d.Y))
	}
	if !(x.Sub(v).Len() <= maxJunctionShift*e.wide()) || x.X < 0 || x.Y < 0 || x.X > w || x.Y > h {
		return v
	}
	return x
}

// Where a third boundary leaves a line at a small angle, the wedge between them is too thin to be seen for some pixels
// and the line's samples beside it are drawn aside. clearances are the distances from the junction, in cracks, beyond
// which samples are trusted, tried one after the other.
var clearances = [3]float64{endGap, 3.5, 6}

// lossyClearances are those of pictures coded with loss: colour detail is stored for two pixels at a time, so that wedges
// of twice the thickness taint.
var lossyClearances = [4]float64{endGap, 3.5, 6, 9}

// paperClearances are those of drawings on paper, for each time that reaches are wider there: blur and chroma, and what
// sharpens them, taint samples for as far.
var paperClearances = [3]float64{1.7, 3.3, 5}

// clearances returns the distances of a picture, in cracks.
func (e *edges) clearances() []float64 {
	if e.hand == 0 {
		return clearances[:]
	}
	c := paperClearances
	for k := range c {
		c[k] *= e.wide()
	}
	return c[:]
}

// handWide is by how much wider reaches are for every px that a hand wobbled.
const handWide = 2.0

// wide returns how many times as far about a junction as in a digital picture samples tell of it.
func (e *edges) wide() float64 { return 1 + float64(handWide*e.hand) }

// throughSpan is the length of either arc, in cracks beyond the clearance, that must lie on one smooth curve.
const throughSpan = 9

// joinThrough links the arcs that pass a junction as one line: of each pair the samples on both sides must lie on one
// smooth curve. The pair with the smallest clearance wins, then the straightest.
func (j *junctions) joinThrough(e *edges, node *planar.Node) {
	m := e.m
	var halves [4]planar.Half
	n := 0
	for _, h := range node.Out {
		if h < 0 || m.Arcs[h.Arc()].Left == planar.Outside || m.Arcs[h.Arc()].Right == planar.Outside {
			continue
		}
		halves[n] = h
		n++
	}
	var used [4]bool
	gaps := e.clearances()
	for _, h := range halves[:n] {
		if e.coded(h) {
			gaps = lossyClearances[:]
		}
	}
	for _, gap := range gaps {
		for {
			best, bi, bk := math.Inf(1), -1, -1
			for i := range n {
				for k := range i {
					if used[i] || used[k] || halves[i].Arc() == halves[k].Arc() {
						continue
					}
					one, ok := e.throughLine(halves[i], halves[k], gap)
					if !ok || one.RMS >= best {
						continue
					}
					for _, h := range [2]planar.Half{halves[i], halves[k]} {
						ok = ok && e.aside(h, halves[:n], &one, gap)
					}
					if ok {
						best, bi, bk = one.RMS, i, k
					}
				}
			}
			if bi < 0 {
				break
			}
			used[bi], used[bk] = true, true
			in, out := halves[bi].Twin(), halves[bk]
			j.through[in] = out
			j.through[out.Twin()] = in.Twin()
			for i := range n { // the third boundary runs in the same wedge
				if !used[i] || i == bi || i == bk {
					j.clear[halves[i]] = max(j.clear[halves[i]], gap)
				}
			}
		}
	}
}

// throughLine returns the quadratic through the samples of two arcs, beyond gap from the junction that both leave; ok says
// that they may be one line.
func (e *edges) throughLine(a, b planar.Half, gap float64) (one fit.Local, ok bool) {
	var bufA, bufB [3 * throughSpan]fit.Point
	pa := samplesNear(bufA[:0], e.m, e.samples, a, gap, gap+float64(throughSpan*e.wide()))
	pb := samplesNear(bufB[:0], e.m, e.samples, b, gap, gap+float64(throughSpan*e.wide()))
	if len(pa) < minLocal || len(pb) < minLocal {
		return one, false
	}
	all := make([]fit.Point, 0, len(pa)+len(pb))
	for i := len(pa) - 1; i >= 0; i-- {
		all = append(all, pa[i])
	}
	all = append(all, pb...)
	// The two arcs must leave the junction in opposite directions, or a quadratic would fold.
	if pa[len(pa)-1].Sub(pa[0]).Dot(pb[len(pb)-1].Sub(pb[0])) > 0 {
		return one, false
	}
	one = fit.FitLocal(all, true)
	la, lb := fit.FitLocal(pa, len(pa) >= 5), fit.FitLocal(pb, len(pb) >= 5)
	alone := max(la.RMS, lb.RMS)
	noise := e.noise
	if e.own != nil {
		noise = max(noise, e.own[a.Arc()], e.own[b.Arc()])
	}
	limit := min(max(0.05, 2.5*noise, 2*alone), 0.05+4*noise)
	// On paper the arms themselves do not tell how they run well enough.
	return one, one.RMS < limit && (gap <= endGap || !e.digital || turnBetween(la, lb, pa[0], pb[0]) < turnUnseen)
}

// turnUnseen bounds the turn, in radians, that may lie hidden where samples are left out about a junction: where there is
// much noise a quadratic goes through the samples of two straight sides as well. At 35 degrees tight bends that do run
// through are lost in pictures coded with loss, at 50 corners are missed.
const turnUnseen = 0.7

// turnBetween returns by how much more a line turns from p, where arm a begins, to q, where b does, than it would if both
// arms bent on as they do, in radians. Both run away from what lies between.
func turnBetween(a, b fit.Local, p, q fit.Point) float64 {
	p, in := a.At(p)
	q, out := b.At(q)
	in = in.Mul(-1)
	bent := float64((b.Curvature() - a.Curvature()) / 2 * q.Sub(p).Len())
	return math.Abs(math.Atan2(in.Cross(out), in.Dot(out)) - bent)
}

// besides is how far from another boundary samples may be drawn aside by it, px: up to two there need not be a pure pixel
// between, and half the way between two samples. tainting is the share of a third colour that draws one aside by more
// than meetMiss allows.
const (
	besides  = 2.5
	tainting = 0.05
)

// aside reports whether the samples of half arc h that were left out, within gap cracks of the junction, lie on a curve,
// or may have been drawn aside: beside another of the boundaries that meet there, or by what their pixels show of a
// third colour. Where they lie apart from all that, the curve does not pass there. Samples in doubt may be drawn aside
// anywhere, and pixels tell nothing of boundaries that they do not show.
func (e *edges) aside(h planar.Half, others []planar.Half, curve *fit.Local, gap float64) bool {
	may := true
	if !e.seen || e.doubt[h.Arc()] > 0 {
		return may
	}
	eachNear(e.m, e.samples, h, gap, func(_ float64, s *edgeSample) {
		if !may || s.Weight <= doubtfulWeight || math.Abs(curve.Off(s.Point)) < meetMiss+float64(3*e.noise) {
			return
		}
		may = e.tainted(h, others, s.Point)
		for _, g := range others {
			if g != h && !may {
				eachNear(e.m, e.samples, g, gap+besides, func(_ float64, o *edgeSample) {
					may = may || o.Sub(s.Point).Len() < besides
				})
			}
		}
	})
	return may
}

// tainted reports whether the pixel at p, on half arc h, may show a colour that only other boundaries of its junction part.
func (e *edges) tainted(h planar.Half, others []planar.Half, p fit.Point) bool {
	f, m := e.flats, e.m
	a := &m.Arcs[h.Arc()]
	l, r := m.Faces[a.Left].Label, m.Faces[a.Right].Label
	x, y := int(p.X), int(p.Y)
	if x < 0 || y < 0 || x >= f.W || y >= f.H {
		return true
	}
	for _, g := range others {
		b := &m.Arcs[g.Arc()]
		for _, face := range [2]int32{b.Left, b.Right} {
			if face == planar.Outside {
				continue
			}
			if t := m.Faces[face].Label; t != l && t != r {
				if own, _, _, ok := sharesAt(f, y*f.W+x, t, l, r); !ok || own > tainting {
					return true
				}
			}
		}
	}
	return false
}

// samplesNear appends the trusted samples of the half arc h from lo to hi cracks after the node that it leaves.
func samplesNear(dst []fit.Point, m *planar.Map, samples [][]edgeSample, h planar.Half, lo, hi float64) []fit.Point {
	eachNear(m, samples, h, hi, func(far float64, s *edgeSample) {
		if far >= lo && s.Weight > doubtfulWeight {
			dst = append(dst, s.Point)
		}
	})
	return dst
}

// eachNear calls f for the samples of the half arc h up to hi cracks after the node that it leaves.
func eachNear(m *planar.Map, samples [][]edgeSample, h planar.Half, hi float64, f func(far float64, s *edgeSample)) {
	a := &m.Arcs[h.Arc()]
	run := samples[h.Arc()]
	for k := range run {
		s := &run[k]
		d := float64(s.at) + 0.5
		if h.Backwards() {
			s = &run[len(run)-1-k]
			d = float64(a.N) - float64(s.at) - 0.5
		}
		if d > hi {
			break
		}
		f(d, s)
	}
}
