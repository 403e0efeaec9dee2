package trace

import (
	"context"
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file finds the painting order of colours: what goes on beneath lies below. The larger colour lies below at first; then
// colours move up or down while that shortens the edges hidden under others. A hole that is painted over whole is closed and
// costs nothing, so what encloses lies below what it encloses; a bay is crossed by its chord, so what bulges into another
// lies above it; and what ends at the side of a line lies below what the line bounds.

// leastGain is how much shorter the hidden edges must get for a colour to leave its place by area, px.
const leastGain = 8

// An edge hidden under a face of less than thinFace px across shines through the pixels that it shares with what lies
// beyond: it counts underThin times.
const (
	thinFace  = 2.0
	underThin = 4
)

// Where an outline runs into the side of a line at both ends of a hidden edge, as the stem of a T does, and comes out beyond,
// the edge counts for one in stemShare of its length: the outline goes on beneath and no line is broken up.
const stemShare = 4

// orderPasses bounds the passes over all colours; two or three find nothing more in drawings.
const orderPasses = 8

// labelSet is a set of labels.
type labelSet [4]uint64

func (s *labelSet) add(l int)      { s[l>>6] |= 1 << (l & 63) }
func (s *labelSet) remove(l int)   { s[l>>6] &^= 1 << (l & 63) }
func (s *labelSet) has(l int) bool { return s[l>>6]>>(l&63)&1 != 0 }
func (s *labelSet) join(o *labelSet) {
	for i := range s {
		s[i] |= o[i]
	}
}

// within reports whether all of s lies in o or is l.
func (s *labelSet) within(o *labelSet, l int) bool {
	t := *s
	t.remove(l)
	return t[0]&^o[0]|t[1]&^o[1]|t[2]&^o[2]|t[3]&^o[3] == 0
}

// stretch is an arc of a ring as the order sees it.
type stretch struct {
	left   int     // label beyond, -1 for what is not painted
	n      int     // px along the lattice
	dx, dy int     // from its start to its end
	cross  int     // twice the area swept from its start
	stems  [2]bool // at its start and its end, the outline goes on beneath a line that this goes along
}

// orderRing is a ring of a painted face.
type orderRing struct {
	face   int32
	hole   bool
	open   bool     // something inside a hole is not painted
	inside labelSet // labels inside a hole
	same   []int32  // faces inside a hole of the ring's own label
	arcs   []stretch
}

// orderer measures painting orders.
type orderer struct {
	rings   [][]orderRing // by label
	depends []labelSet    // by label: labels whose place matters to it
	stamp   []int32       // by face: the last count in which it was painted over by its own colour
	count   int32
}

// newOrderer collects the rings of painted faces on up to workers goroutines. Without lines no outline goes on beneath another.
func newOrderer(m *planar.Map, lines *outlines, labels int, painted func(face int32) bool, workers int) *orderer {
	o := &orderer{rings: make([][]orderRing, labels), depends: make([]labelSet, labels), stamp: make([]int32, len(m.Faces))}
	thin := thinFaces(m)
	rings, depends := make([][]orderRing, len(m.Faces)), make([]labelSet, len(m.Faces))
	_ = inParallel(context.Background(), len(m.Faces), workers, func(i int) {
		if face := int32(i); painted(face) {
			rings[i], depends[i] = orderRings(m, lines, face, painted, thin)
		}
	})
	for i := range m.Faces {
		l := m.Faces[i].Label
		o.rings[l] = append(o.rings[l], rings[i]...)
		o.depends[l].join(&depends[i])
	}
	return o
}

// orderRings returns the rings of a face, and the labels that matter to it.
func orderRings(m *planar.Map, lines *outlines, face int32, painted func(face int32) bool, thin []bool) (rings []orderRing, depends labelSet) {
	for _, ring := range m.Faces[face].Rings {
		r := orderRing{face: face, hole: m.RingArea(ring) < 0, arcs: make([]stretch, 0, len(ring))}
		for k, h := range ring {
			s := stretchOf(m, h)
			for end, stem := range [2]planar.Half{ring[(k+len(ring)-1)%len(ring)].Twin(), ring[(k+1)%len(ring)]} {
				from := [2]planar.Half{h, h.Twin()}[end]
				s.stems[end] = lines != nil && lines.goesThrough(m, from, stem) && lines.comesOut(m, stem, face, end == 0)
			}
			if f := m.LeftOf(h); f != planar.Outside && painted(f) {
				s.left = int(m.Faces[f].Label)
				depends.add(s.left)
				if thin[f] {
					s.n *= underThin
				}
			}
			r.arcs = append(r.arcs, s)
		}
		if r.hole {
			within(m, face, ring, func(f int32) bool {
				switch {
				case f == planar.Outside || !painted(f):
					r.open = true
				case m.Faces[f].Label == m.Faces[face].Label:
					r.same = append(r.same, f)
				default:
					r.inside.add(int(m.Faces[f].Label))
				}
				return !r.open
			})
			if !r.open {
				depends.join(&r.inside)
			}
		}
		rings = append(rings, r)
	}
	return rings, depends
}

// thinFaces tells the faces that are less than thinFace px across on average.
func thinFaces(m *planar.Map) []bool {
	thin := make([]bool, len(m.Faces))
	for i := range m.Faces {
		around := 0
		for _, ring := range m.Faces[i].Rings {
			for _, h := range ring {
				around += int(m.Arcs[h.Arc()].N)
			}
		}
		thin[i] = 2*float64(m.Faces[i].Area) < thinFace*float64(around)
	}
	return thin
}

// throughNode is the cosine of the turn, 20 degrees, up to which two arcs of a junction are one line; leavingFar is how far
// from it their direction is taken, px.
const throughNode, leavingFar = 0.94, 3.0

// goesThrough reports whether a half arc carries on a line that arrives where it begins: any but another given one that leaves
// there too.
func (o *outlines) goesThrough(m *planar.Map, h, but planar.Half) bool {
	if m.From(h) == planar.None {
		return false
	}
	u := o.leaving(h)
	return slices.ContainsFunc(m.Nodes[m.From(h)].Out[:], func(x planar.Half) bool {
		return x >= 0 && x != h && x != but && o.leaving(x).Dot(u) < -throughNode
	})
}

// Where an outline comes out is looked for from outFrom to outFar px from where it ends, outBeside px on either side of it.
const outFrom, outFar, outStep, outBeside = 2.0, 100.0, 0.75, 1.5

// comesOut reports whether the outline of a face that begins with half arc h, or arrives along it, comes out again beyond what
// lies where it ends, going straight on. A face seen at once does not: it lies beside that in a wedge.
func (o *outlines) comesOut(m *planar.Map, h planar.Half, face int32, arrives bool) bool {
	u := o.leaving(h)
	inward := u.Perp().Mul(outBeside)
	if arrives {
		inward = inward.Mul(-1)
	}
	own := func(p fit.Point) (is, ok bool) {
		x, y := int(math.Floor(p.X)), int(math.Floor(p.Y))
		if x < 0 || y < 0 || x >= m.W || y >= m.H {
			return false, false
		}
		return m.Faces[m.FaceAt(x, y)].Label == m.Faces[face].Label, true
	}
	node := o.nodes[m.From(h)]
	for far := outFrom; far < outFar; far += outStep {
		p := node.Sub(u.Mul(far))
		within, ok := own(p.Add(inward))
		if within || !ok {
			beyond, ok := own(p.Sub(inward))
			return within && ok && !beyond && far > outFrom
		}
	}
	return false
}

// leaving returns the direction in which a half arc leaves its beginning.
func (o *outlines) leaving(h planar.Half) (u fit.Point) {
	pieces := o.arcs[h.Arc()]
	var pts []fit.Point
	for k := range pieces {
		q := pieces[k].Segment
		if h.Backwards() {
			q = pieces[len(pieces)-1-k].Reverse()
		}
		if k == 0 {
			pts = append(pts, q.P[0])
		}
		pts = q.Flatten(pts, 0.2)
		for _, p := range pts {
			if u = p.Sub(pts[0]); u.Len() > leavingFar {
				return u.Unit()
			}
		}
	}
	return u.Unit()
}

// stretchOf measures a half arc.
func stretchOf(m *planar.Map, h planar.Half) stretch {
	a := &m.Arcs[h.Arc()]
	s := stretch{left: -1, n: int(a.N)}
	for _, d := range m.Dirs[a.Off : a.Off+a.N] {
		s.cross += s.dx*planar.DY[d] - s.dy*planar.DX[d]
		s.dx, s.dy = s.dx+planar.DX[d], s.dy+planar.DY[d]
	}
	if h.Backwards() {
		s.dx, s.dy, s.cross = -s.dx, -s.dy, -s.cross
	}
	return s
}

// within calls do with each face inside a hole of a face until it returns false.
func within(m *planar.Map, face int32, ring []planar.Half, do func(f int32) bool) {
	seen := map[int32]bool{face: true}
	var todo []int32
	visit := func(f int32) bool {
		if seen[f] {
			return true
		}
		seen[f] = true
		todo = append(todo, f)
		return do(f)
	}
	for _, h := range ring {
		if !visit(m.LeftOf(h)) {
			return
		}
	}
	for len(todo) > 0 {
		f := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if f == planar.Outside {
			continue
		}
		for _, r := range m.Faces[f].Rings {
			for _, h := range r {
				if !visit(m.LeftOf(h)) {
					return
				}
			}
		}
	}
}

// hidden returns how long the hidden edges of a label are under those above it, px along the lattice.
func (o *orderer) hidden(l int, above *labelSet) (sum int) {
	o.count++
	for i := range o.rings[l] {
		if r := &o.rings[l][i]; r.closes(l, above) {
			for _, f := range r.same {
				o.stamp[f] = o.count
			}
		}
	}
	for i := range o.rings[l] {
		if r := &o.rings[l][i]; o.stamp[r.face] != o.count && !r.closes(l, above) {
			sum += r.hidden(above)
		}
	}
	return sum
}

// closes reports whether a ring is a hole that those above paint over whole, or the label itself.
func (r *orderRing) closes(l int, above *labelSet) bool {
	return r.hole && !r.open && r.inside.within(above, l)
}

// hidden returns how long the hidden edges of a ring are. A bay counts by its chord.
func (r *orderRing) hidden(above *labelSet) (sum int) {
	under := func(k int) bool { return r.arcs[k].left >= 0 && above.has(r.arcs[k].left) }
	n := len(r.arcs)
	first := -1 // an arc in sight
	for k := range n {
		if !under(k) {
			first = k
			break
		}
	}
	if first < 0 {
		for _, a := range r.arcs {
			sum += a.n
		}
		return sum
	}
	for i := 1; i < n; i++ {
		length, x, y, area := 0, 0, 0, 0
		begin := i
		for ; i < n && under((first+i)%n); i++ {
			a := &r.arcs[(first+i)%n]
			area += a.cross + x*a.dy - y*a.dx
			x, y, length = x+a.dx, y+a.dy, length+a.n
		}
		if area < 0 {
			length = min(length, max(x, -x)+max(y, -y))
		}
		if i > begin && r.arcs[(first+begin)%n].stems[0] && r.arcs[(first+i-1)%n].stems[1] {
			length /= stemShare
		}
		sum += length
	}
	return sum
}

// sort moves the labels of a painting order, lowest first, to where the hidden edges are shortest. The labels before low and
// from high on keep their places.
func (o *orderer) sort(order []int, low, high int) {
	above := make(map[int]*labelSet, len(order))
	over := labelSet{}
	for i := len(order) - 1; i >= 0; i-- {
		l := order[i]
		set := over
		above[l] = &set
		over.add(l)
	}
	// swap returns what is gained when a, which lies just below b, goes above it.
	swap := func(a, b int, overA, overB labelSet) (gain int) {
		if o.depends[a].has(b) {
			before := o.hidden(a, &overA)
			overA.remove(b)
			gain += before - o.hidden(a, &overA)
		}
		if o.depends[b].has(a) {
			before := o.hidden(b, &overB)
			overB.add(a)
			gain += before - o.hidden(b, &overB)
		}
		return gain
	}
	for range orderPasses {
		moved := false
		for _, l := range slices.Clone(order[low:high]) {
			at := slices.Index(order, l)
			best, to := leastGain-1, at
			gain, set := 0, *above[l]
			for q := at + 1; q < high; q++ {
				gain += swap(l, order[q], set, *above[order[q]])
				set.remove(order[q])
				if gain > best {
					best, to = gain, q
				}
			}
			gain, set = 0, *above[l]
			for q := at - 1; q >= low; q-- {
				gain += swap(order[q], l, *above[order[q]], set)
				set.add(order[q])
				if gain > best {
					best, to = gain, q
				}
			}
			if to == at {
				continue
			}
			moved = true
			for ; at < to; at++ {
				order[at] = order[at+1]
				above[order[at]].add(l)
				above[l].remove(order[at])
			}
			for ; at > to; at-- {
				order[at] = order[at-1]
				above[order[at]].remove(l)
				above[l].add(order[at])
			}
			order[to] = l
		}
		if !moved {
			return
		}
	}
}
