package trace

import (
	"math"

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
}

// findJunctions places the nodes of m from the samples of its arcs. joinTurn is the sharpest turn, in radians, at
// which two boundaries still count as one line through a junction.
func findJunctions(m *planar.Map, samples [][]edgeSample, joinTurn, noise float64) junctions {
	j := junctions{at: make([]fit.Point, len(m.Nodes)), through: make([]planar.Half, 2*len(m.Arcs))}
	for i := range j.through {
		j.through[i] = -1
	}
	var ends []arcEnd
	for n := range m.Nodes {
		node := &m.Nodes[n]
		ends = ends[:0]
		for _, h := range node.Out {
			if h >= 0 {
				if e, ok := endOf(m, samples, h); ok {
					ends = append(ends, e)
				}
			}
		}
		v := fit.Point{X: float64(node.X), Y: float64(node.Y)}
		if node.X == 0 || node.Y == 0 || int(node.X) == m.W || int(node.Y) == m.H {
			j.at[n] = slideAlongFrame(v, ends, m)
			continue
		}
		j.at[n] = meet(v, ends)
		j.joinThrough(j.at[n], ends, joinTurn, noise)
	}
	return j
}

// endOf fits the local curve of the half arc h near the node that it leaves.
func endOf(m *planar.Map, samples [][]edgeSample, h planar.Half) (arcEnd, bool) {
	a := &m.Arcs[h.Arc()]
	if a.Left == planar.Outside || a.Right == planar.Outside {
		return arcEnd{}, false
	}
	var buf [2 * endSpan]fit.Point
	pts := buf[:0]
	run := samples[h.Arc()]
	for k := range run {
		s := &run[k]
		d := float64(s.at) + 0.5
		if h.Backwards() {
			s = &run[len(run)-1-k]
			d = float64(a.N) - float64(s.at) - 0.5
		}
		if d > endSpan {
			break
		}
		if d >= endGap && s.Weight > doubtfulWeight || a.N <= 3 {
			pts = append(pts, s.Point)
		}
	}
	if len(pts) < 2 {
		return arcEnd{}, false
	}
	return arcEnd{half: h, local: fit.FitLocal(pts, len(pts) >= 5)}, true
}

// meet returns the least-squares meeting point of the local curves, held weakly at the lattice vertex v.
func meet(v fit.Point, ends []arcEnd) fit.Point {
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
	if !(x.Sub(v).Len() <= maxJunctionShift) {
		return v
	}
	return x
}

// slideAlongFrame moves a node on the picture's frame to where its arc meets the frame.
func slideAlongFrame(v fit.Point, ends []arcEnd, m *planar.Map) fit.Point {
	if len(ends) != 1 {
		return v
	}
	w, h := float64(m.W), float64(m.H)
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
	if !(x.Sub(v).Len() <= maxJunctionShift) || x.X < 0 || x.Y < 0 || x.X > w || x.Y > h {
		return v
	}
	return x
}

// joinThrough links the arcs that pass a junction at x as one line: the straightest pair first.
func (j *junctions) joinThrough(x fit.Point, ends []arcEnd, joinTurn, noise float64) {
	var used [4]bool
	for range 2 {
		best, bi, bk := joinTurn, -1, -1
		for i := range ends {
			for k := range i {
				if used[i] || used[k] || ends[i].local.Count < minLocal || ends[k].local.Count < minLocal || ends[i].half.Arc() == ends[k].half.Arc() {
					continue
				}
				p, d := ends[i].local.At(x)
				q, f := ends[k].local.At(x)
				if p.Sub(q).Len() > 0.3+4*noise {
					continue
				}
				// Both lead away from the junction.
				turn := math.Abs(math.Atan2(d.Cross(f.Mul(-1)), d.Dot(f.Mul(-1))))
				if turn < best {
					best, bi, bk = turn, i, k
				}
			}
		}
		if bi < 0 {
			return
		}
		used[bi], used[bk] = true, true
		in, out := ends[bi].half.Twin(), ends[bk].half
		j.through[in] = out
		j.through[out.Twin()] = in.Twin()
	}
}
