package planar

import (
	"encoding/binary"
	"math/bits"
	"slices"
	"sync"
	"sync/atomic"
)

// Bits of a vertex byte: one for each crack that leaves it, then how it is passed.
const (
	crackBits  = 0x0f
	nodeBit    = 0x10
	fallingBit = 0x20
	risingBit  = 0x40
)

// Build makes the planar map of a label picture, row by row in labels (len w·h, values below 255). saddle settles the
// vertices where four cracks meet; workers is the number of goroutines, at least 1, and does not change the result.
func Build(labels []uint8, w, h int, saddle Saddle, workers int) *Map {
	return new(Builder).Build(labels, w, h, saddle, workers)
}

// Builder makes a map step by step: Faces, Dissolve as often as needed, then Finish. Its zero value is ready; it must not
// be used by two goroutines at once.
type Builder struct {
	w, h     int
	labels   []uint8
	vertices []uint8 // (w+1)·(h+1), a byte each
	cracks   []int   // that leave each row of vertices to the right or down
	painted  []painted
	saddle   Saddle
	workers  int
	m        *Map
}

// Build is like the function Build.
func (b *Builder) Build(labels []uint8, w, h int, saddle Saddle, workers int) *Map {
	b.Faces(labels, w, h, saddle, workers)
	return b.Finish()
}

// Faces finds the faces of a label picture; see the function Build. The map has neither arcs nor rings yet.
func (b *Builder) Faces(labels []uint8, w, h int, saddle Saddle, workers int) *Map {
	b.w, b.h, b.labels, b.saddle, b.workers = w, h, labels, saddle, workers
	if n := (w + 1) * (h + 1); len(b.vertices) == n {
		clear(b.vertices)
	} else {
		b.vertices = make([]uint8, n)
	}
	b.cracks = make([]int, h+1)
	b.mark()
	b.findFaces(nil, nil)
	return b.m
}

// Finish walks the boundaries of the map of Faces and strings them to rings. It must be called once at most for each
// call of Faces.
func (b *Builder) Finish() *Map {
	b.walkAll()
	b.m.collectFaces()
	return b.m
}

// findFaces makes the map anew with the faces of the labels as they are; see findRegions.
func (b *Builder) findFaces(before *regions, changed func(y int) bool) {
	b.m = &Map{W: b.w, H: b.h}
	b.m.regions = findRegions(b.labels, b.w, b.h, b.vertices, before, changed, b.workers)
	b.m.Faces = b.m.regions.faces
}

// nodeAt returns the node at vertex i. Nodes are stored in vertex order.
func (b *Builder) nodeAt(i int) int32 {
	n, _ := slices.BinarySearchFunc(b.m.Nodes, i, func(n Node, i int) int { return int(n.Y)*(b.w+1) + int(n.X) - i })
	return int32(n)
}

// mark fills the vertex bytes. Every band of rows writes its own rows only.
func (b *Builder) mark() {
	inBands(b.h+1, b.workers, b.markRows)
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

// markRows fills rows lo..hi-1 of the vertex bytes, which must be zero, from the two pixel rows that touch each.
func (b *Builder) markRows(lo, hi int) {
	w := b.w
	// The pixel rows above and below a vertex row, padded left and right: column x of the picture is at x+1. Eight
	// more bytes let the wide compare read past the end.
	above, below := make([]uint8, w+10), make([]uint8, w+10)
	load := func(dst []uint8, y int) {
		dst[0] = outsideLabel
		if y < 0 || y >= b.h {
			for i := range dst {
				dst[i] = outsideLabel
			}
			return
		}
		copy(dst[1:], b.labels[y*w:(y+1)*w])
		for i := w + 1; i < len(dst); i++ {
			dst[i] = outsideLabel
		}
	}
	load(below, lo-1)
	for y := lo; y < hi; y++ {
		above, below = below, above
		load(below, y)
		row := b.vertices[y*(w+1) : (y+1)*(w+1)]
		cracks := 0
		for x := 0; x <= w; x++ {
			for x+8 <= w { // past the vertices without a crack, eight at once
				a := binary.LittleEndian.Uint64(above[x:])
				c := binary.LittleEndian.Uint64(below[x:])
				differ := (a ^ c) | (a ^ binary.LittleEndian.Uint64(above[x+1:])) | (c ^ binary.LittleEndian.Uint64(below[x+1:]))
				if differ != 0 {
					x += bits.TrailingZeros64(differ) / 8
					break
				}
				x += 8
			}
			pa, pb, pc, pd := above[x], above[x+1], below[x], below[x+1]
			var v uint8
			n := 0
			if pb != pd {
				v |= 1
				n++
			}
			if pc != pd {
				v |= 2
				n++
			}
			if pa != pc {
				v |= 4
				n++
			}
			if pa != pb {
				v |= 8
				n++
			}
			switch n {
			case 3:
				v |= nodeBit
			case 4:
				kind := Apart
				if pa == pd || pb == pc {
					kind = b.saddle(x, y, pa, pb, pc, pd)
				}
				switch {
				case kind == Falling && pa == pd:
					v |= fallingBit
				case kind == Rising && pb == pc:
					v |= risingBit
				case pa == pd && pb == pc: // two labels always pass: a node would part four arcs for nothing
					v |= fallingBit
				default:
					v |= nodeBit
				}
			}
			row[x] = v
			cracks += int(v&1 + v>>1&1)
		}
		b.cracks[y] = cracks
	}
}

// turn returns the direction in which a boundary goes on that arrives at a passed vertex heading d.
func turn(v uint8, d uint8) uint8 {
	switch {
	case v&fallingBit != 0: // up joins right, left joins down
		return [4]uint8{1, 0, 3, 2}[d]
	case v&risingBit != 0: // up joins left, right joins down
		return [4]uint8{3, 2, 1, 0}[d]
	}
	v &= crackBits &^ (1 << ((d + 2) & 3))
	switch v {
	case 1:
		return 0
	case 2:
		return 1
	case 4:
		return 2
	}
	return 3
}

// walkAll follows every crack once: from nodes first, then the loops that are left. It clears crack bits as it goes.
func (b *Builder) walkAll() {
	total := 0
	for _, n := range b.cracks {
		total += n
	}
	b.m.Dirs = make([]uint8, 0, total)
	stride := b.w + 1
	v := b.vertices
	nodes, corners := b.starts()
	b.m.Nodes = make([]Node, len(nodes))
	for n, i := range nodes {
		b.m.Nodes[n] = Node{X: int32(i % stride), Y: int32(i / stride), Out: [4]Half{-1, -1, -1, -1}}
	}
	for n, i := range nodes {
		for d := uint8(0); d < 4; d++ {
			if v[i]>>d&1 != 0 {
				b.walk(i, d, int32(n))
			}
		}
	}
	// The first vertex of what is left, row by row, is the upper left corner of a loop.
	for _, i := range corners {
		for d := uint8(0); d < 2; d++ {
			if v[i]>>d&1 != 0 {
				b.walk(i, d, None)
			}
		}
	}
}

// starts returns the vertices that are nodes, and those that cracks leave both to the right and down.
func (b *Builder) starts() (nodes, corners []int) {
	const upperLeft = 1 | 2
	rows, stride := b.h+1, b.w+1
	found := make([][2][]int, (rows+bandRows-1)/bandRows)
	inBands(rows, b.workers, func(lo, hi int) {
		f := &found[lo/bandRows]
		for i := nextMarked(b.vertices, lo*stride, hi*stride); i < hi*stride; i = nextMarked(b.vertices, i+1, hi*stride) {
			if v := b.vertices[i]; v&nodeBit != 0 {
				f[0] = append(f[0], i)
			} else if v&upperLeft == upperLeft {
				f[1] = append(f[1], i)
			}
		}
	})
	for _, f := range found {
		nodes, corners = append(nodes, f[0]...), append(corners, f[1]...)
	}
	return nodes, corners
}

// nextMarked returns the first vertex from i up to but not including end that is not 0, end if there is none.
func nextMarked(v []uint8, i, end int) int {
	for ; i+32 <= end; i += 32 {
		w := v[i : i+32 : i+32]
		if binary.LittleEndian.Uint64(w)|binary.LittleEndian.Uint64(w[8:])|binary.LittleEndian.Uint64(w[16:])|binary.LittleEndian.Uint64(w[24:]) != 0 {
			break
		}
	}
	for i < end && v[i] == 0 {
		i++
	}
	return i
}

// walk follows the boundary that leaves vertex i in direction d until a node or its own start, and stores the arc.
func (b *Builder) walk(i int, d uint8, from int32) {
	stride := b.w + 1
	step := [4]int{1, stride, -1, -stride}
	m := b.m
	arc := Arc{X: int32(i % stride), Y: int32(i / stride), Off: int32(len(m.Dirs)), From: from, To: None}
	left, right := b.sides(int(arc.X), int(arc.Y), d)
	arc.Left, arc.Right = left, right
	start, first := i, d
	for {
		b.vertices[i] &^= 1 << d
		i += step[d]
		m.Dirs = append(m.Dirs, d)
		v := b.vertices[i]
		b.vertices[i] = v &^ (1 << ((d + 2) & 3))
		if v&nodeBit != 0 || i == start && v&(fallingBit|risingBit) == 0 {
			break // a plain vertex has only one way through, so meeting the start ends a loop
		}
		d = turn(v, d)
		if i == start && d == first {
			break
		}
	}
	arc.N = int32(len(m.Dirs)) - arc.Off
	id := len(m.Arcs)
	if from != None {
		arc.To = b.nodeAt(i)
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
	if x < 0 || y < 0 || x >= b.w || y >= b.h {
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
