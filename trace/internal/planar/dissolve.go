package planar

import "slices"

// Dissolve gives every face for which small answers true the label of a neighbour, the one with the least cost, where
// cost is asked with the face, the neighbour's label and the number of cracks they share. It writes the new labels
// into the picture that Faces was given, until Restore is called, and returns the map of their faces and how many went.
// Smaller faces go first, and a face next to one that has gone sees its new label.
func (b *Builder) Dissolve(small func(f *Face) bool, cost func(f *Face, to uint8, shared int) float64) (m *Map, gone int) {
	m = b.m
	var order []int32
	for i := range m.Faces {
		if small(&m.Faces[i]) {
			order = append(order, int32(i))
		}
	}
	slices.SortStableFunc(order, func(a, b int32) int { return m.Faces[a].Area - m.Faces[b].Area })
	now := map[int32]uint8{}
	labelOf := func(f int32) uint8 {
		if l, ok := now[f]; ok {
			return l
		}
		return m.Faces[f].Label
	}
	changed := make([]bool, m.H+1) // rows of vertices beside new labels
	for _, id := range order {
		f := &m.Faces[id]
		var shared [256]int
		m.beside(id, func(o int32, cracks int) { shared[labelOf(o)] += cracks })
		best, bestCost := -1, 0.0
		for l, n := range shared {
			if n == 0 || uint8(l) == f.Label {
				continue
			}
			if c := cost(f, uint8(l), n); best < 0 || c < bestCost {
				best, bestCost = l, c
			}
		}
		if best < 0 {
			continue
		}
		now[id] = uint8(best)
		b.paint(id, uint8(best))
		for y := f.MinY; y <= f.MaxY; y++ {
			changed[y] = true
		}
		gone++
	}
	if gone == 0 {
		return m, 0
	}
	for y, c := range changed {
		if c {
			b.lattice.mark(b.labels, b.saddle, y, y+1)
		}
	}
	b.findFaces()
	return b.m, gone
}

// beside calls do with the faces beside a face and how many cracks they share with it, in parts.
func (m *Map) beside(id int32, do func(o int32, cracks int)) {
	r, f := m.regions, &m.Faces[id]
	for y := int(f.MinY); y < int(f.MaxY); y++ {
		for i := r.runAt(int(f.MinX), y); i < r.rowStart[y+1] && r.runX[i] < f.MaxX; i++ {
			if r.face[i] != id {
				continue
			}
			if i > r.rowStart[y] {
				do(r.face[i-1], 1)
			}
			x0, x1 := r.runX[i], r.endOf(i, y)
			if x1 < int32(m.W) {
				do(r.face[i+1], 1)
			}
			for _, o := range [2]int{y - 1, y + 1} {
				if o < 0 || o >= m.H {
					continue
				}
				for j := r.runAt(int(x0), o); j < r.rowStart[o+1] && r.runX[j] < x1; j++ {
					if g := r.face[j]; g != id {
						do(g, int(min(x1, r.endOf(j, o))-max(x0, r.runX[j])))
					}
				}
			}
		}
	}
}

// painted is a run of pixels that has lost its label.
type painted struct {
	at, n int
	was   uint8
}

// paint writes label over the pixels of a face.
func (b *Builder) paint(id int32, label uint8) {
	r, f := b.m.regions, &b.m.Faces[id]
	for y := int(f.MinY); y < int(f.MaxY); y++ {
		for i := r.runAt(int(f.MinX), y); i < r.rowStart[y+1] && r.runX[i] < f.MaxX; i++ {
			if r.face[i] != id {
				continue
			}
			at, n := y*b.m.W+int(r.runX[i]), int(r.endOf(i, y)-r.runX[i])
			b.painted = append(b.painted, painted{at, n, b.labels[at]})
			for k := range n {
				b.labels[at+k] = label
			}
		}
	}
}

// Restore gives the pixels of all faces that have been dissolved since the Builder was made the labels back that they had.
// The map stays as it is.
func (b *Builder) Restore() {
	for _, p := range slices.Backward(b.painted) {
		for k := range p.n {
			b.labels[p.at+k] = p.was
		}
	}
	b.painted = nil
}
