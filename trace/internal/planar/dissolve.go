package planar

import "slices"

// Dissolve gives every face for which small answers true the label of a neighbour, the one with the least cost, where
// cost is asked with the face, the neighbour's label and the number of cracks they share. It writes the new labels
// into labels (the picture that m was built from, or a copy) and returns how many faces went. Smaller faces go first,
// and a face next to one that has gone sees its new label. The map itself is not changed: build it again.
func (m *Map) Dissolve(labels []uint8, small func(f *Face) bool, cost func(f *Face, to uint8, shared int) float64) int {
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
	gone := 0
	for _, id := range order {
		f := &m.Faces[id]
		var shared [256]int
		for _, ring := range f.Rings {
			for _, h := range ring {
				if o := m.LeftOf(h); o != Outside {
					shared[labelOf(o)] += int(m.Arcs[h.Arc()].N)
				}
			}
		}
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
		m.paint(labels, id, uint8(best))
		gone++
	}
	return gone
}

// paint writes label over the pixels of a face.
func (m *Map) paint(labels []uint8, id int32, label uint8) {
	r, f := m.regions, &m.Faces[id]
	for y := int(f.MinY); y < int(f.MaxY); y++ {
		for i := r.runAt(int(f.MinX), y); i < r.rowStart[y+1] && r.runX[i] < f.MaxX; i++ {
			if r.face[r.find(i)] != id {
				continue
			}
			end := m.W
			if i+1 < r.rowStart[y+1] {
				end = int(r.runX[i+1])
			}
			for x := int(r.runX[i]); x < end; x++ {
				labels[y*m.W+x] = label
			}
		}
	}
}
