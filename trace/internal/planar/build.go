package planar

import (
	"cmp"
	"slices"
	"sync"
	"sync/atomic"

	"pochoir/quantize/large"
)

// Build makes the planar map of a label picture, row by row in labels (len w·h, values below 255). saddle settles the
// vertices where four cracks meet; workers is the number of goroutines, at least 1, and does not change the result.
func Build(labels []uint8, w, h int, saddle Saddle, workers int) *Map {
	return new(Builder).Build(labels, w, h, saddle, workers)
}

// Builder makes a map step by step: Mark, Faces, Dissolve as often as needed, then Finish. Its zero value is ready; it must
// not be used by two goroutines at once.
type Builder struct {
	lattice lattice
	labels  []uint8
	painted []painted
	saddle  Saddle
	workers int
	m       *Map
}

// Build is like the function Build.
func (b *Builder) Build(labels []uint8, w, h int, saddle Saddle, workers int) *Map {
	b.Mark(labels, w, h, saddle, workers)
	b.Faces()
	return b.Finish()
}

// Mark finds the cracks of a label picture; see the function Build. It returns at how many vertices more than two meet.
func (b *Builder) Mark(labels []uint8, w, h int, saddle Saddle, workers int) (joints int) {
	b.labels, b.saddle, b.workers = labels, saddle, workers
	b.lattice.shape(w, h)
	inBands(h+1, workers, func(lo, hi int) { b.lattice.mark(labels, saddle, lo, hi) })
	joints, _ = b.lattice.count(workers)
	return joints
}

// Faces finds the faces of the labels that Mark was given. The map has neither arcs nor rings yet.
func (b *Builder) Faces() *Map {
	b.findFaces()
	return b.m
}

// Finish walks the boundaries of the map of Faces and strings them to rings. It must be called once at most for each
// call of Mark.
func (b *Builder) Finish() *Map {
	b.walkAll()
	b.m.collectFaces()
	return b.m
}

// findFaces makes the map anew with the faces of the labels as they are.
func (b *Builder) findFaces() {
	b.m = &Map{W: b.lattice.w, H: b.lattice.h}
	b.m.regions = findRegions(b.labels, &b.lattice, b.workers)
	b.m.Faces = b.m.regions.faces
}

// nodeAt returns the node at vertex (x, y). Nodes are stored in vertex order.
func (b *Builder) nodeAt(x, y int) int32 {
	n, _ := slices.BinarySearchFunc(b.m.Nodes, Node{X: int32(x), Y: int32(y)}, func(n, v Node) int {
		return cmp.Or(cmp.Compare(n.Y, v.Y), cmp.Compare(n.X, v.X))
	})
	return int32(n)
}

// bandRows is the height of bands that are shared out among workers: low enough that no worker waits long for the last.
const bandRows = 64

// inBands calls do for bands of rows that make up 0 to rows, on several goroutines.
func inBands(rows, workers int, do func(lo, hi int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(workers, (rows+bandRows-1)/bandRows) {
		wg.Go(func() {
			for lo := int(next.Add(1)-1) * bandRows; lo < rows; lo = int(next.Add(1)-1) * bandRows {
				do(lo, min(lo+bandRows, rows))
			}
		})
	}
	wg.Wait()
}

// walkAll follows every crack once: from nodes first, then the loops that are left. It takes the cracks as it goes.
func (b *Builder) walkAll() {
	l, m := &b.lattice, b.m
	_, cracks := l.count(b.workers)
	m.Dirs = large.Make[uint8](cracks)[:0]
	for y := range l.h + 1 {
		m.Nodes = l.appendNodes(m.Nodes, y)
	}
	for n := range m.Nodes {
		x, y := int(m.Nodes[n].X), int(m.Nodes[n].Y)
		for d := range uint8(4) {
			if l.leaves(x, y, d) {
				b.walk(x, y, d, int32(n))
			}
		}
	}
	// The first corner of what is left, row by row, is the upper left one of a loop.
	for y := range l.h {
		for x := l.nextCorner(0, y); x >= 0; x = l.nextCorner(x+1, y) {
			b.walk(x, y, 0, None)
		}
	}
}

// walk follows the boundary that leaves vertex (x, y) in direction d until a node or its own start, and stores the arc.
func (b *Builder) walk(x, y int, d uint8, from int32) {
	m := b.m
	arc := Arc{X: int32(x), Y: int32(y), Off: int32(len(m.Dirs)), From: from, To: None}
	arc.Left, arc.Right = b.sides(x, y, d)
	first := d
	m.Dirs, x, y = b.lattice.follow(m.Dirs, x, y, d)
	arc.N = int32(len(m.Dirs)) - arc.Off
	id := len(m.Arcs)
	if from != None {
		arc.To = b.nodeAt(x, y)
		m.Nodes[from].Out[first] = HalfOf(id, false)
		last := m.Dirs[len(m.Dirs)-1]
		m.Nodes[arc.To].Out[(last+2)&3] = HalfOf(id, true)
	}
	m.Arcs = append(m.Arcs, arc)
}

// sides returns the faces left and right of the crack that leaves vertex (x, y) in direction d.
func (b *Builder) sides(x, y int, d uint8) (left, right int32) {
	lx, ly, rx, ry := SidePixels(x, y, d)
	return b.faceAt(lx, ly), b.faceAt(rx, ry)
}

func (b *Builder) faceAt(x, y int) int32 {
	if x < 0 || y < 0 || x >= b.m.W || y >= b.m.H {
		return Outside
	}
	return b.m.FaceAt(x, y)
}

// SidePixels returns the pixels to the left and to the right of the crack that leaves vertex (x, y) in direction d.
func SidePixels(x, y int, d uint8) (lx, ly, rx, ry int) {
	switch d {
	case 0:
		return x, y - 1, x, y
	case 1:
		return x, y, x - 1, y
	case 2:
		return x - 1, y, x - 1, y - 1
	}
	return x - 1, y - 1, x, y - 1
}

// collectFaces fills Faces from the regions and strings the arcs to rings.
func (m *Map) collectFaces() {
	done := make([]bool, 2*len(m.Arcs))
	for k := range done {
		h := Half(k)
		f := m.RightOf(h)
		if done[k] || f == Outside {
			continue
		}
		var ring []Half
		for g := h; !done[g]; g = m.next(g) {
			done[g] = true
			ring = append(ring, g)
		}
		m.Faces[f].Rings = append(m.Faces[f].Rings, ring)
		if m.LeftOf(h) == Outside {
			m.Faces[f].Border = true
		}
	}
	for k := range m.Arcs {
		a := &m.Arcs[k]
		if a.Left == Outside && a.Right != Outside {
			m.Faces[a.Right].Border = true
		}
		if a.Right == Outside && a.Left != Outside {
			m.Faces[a.Left].Border = true
		}
	}
}

// next returns the half arc that follows h along the face on its right: at a node the first to the right.
func (m *Map) next(h Half) Half {
	n := m.To(h)
	if n == None {
		return h
	}
	a := &m.Arcs[h.Arc()]
	var d uint8
	if h.Backwards() {
		d = (m.Dirs[a.Off] + 2) & 3
	} else {
		d = m.Dirs[a.Off+a.N-1]
	}
	out := &m.Nodes[n].Out
	for _, t := range [3]uint8{1, 0, 3} {
		if g := out[(d+t)&3]; g >= 0 {
			return g
		}
	}
	return h.Twin() // a node has at least three arcs: not reached
}
