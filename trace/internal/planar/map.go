// Package planar turns a label map into a planar map: nodes, arcs and faces on the pixel lattice. Each boundary
// between two faces is stored once, as an arc that both share. Everything is exact integer geometry; colours and
// sub-pixel positions are none of its business. Most callers need only Build.
package planar

import "fmt"

// Directions of a crack on the lattice: right, down, left, up. With y down, d+1 (mod 4) is a turn to the right.
var (
	DX = [4]int{1, 0, -1, 0}
	DY = [4]int{0, 1, 0, -1}
)

// Outside is the face beyond the picture's frame, and None marks a missing node.
const (
	Outside = -1
	None    = -1
)

// outsideLabel pads the picture; palettes have at most 255 entries, so no pixel carries it.
const outsideLabel = 255

// Arc is a boundary between two faces, from node to node or a closed loop: N cracks from lattice vertex (X, Y), their
// directions in Map.Dirs[Off:Off+N].
type Arc struct {
	X, Y        int32
	Off, N      int32
	Left, Right int32 // faces seen when walking along the arc; Outside beyond the frame
	From, To    int32 // nodes, None for a loop
}

// Half is an arc with a sense: arc*2, plus 1 when run backwards.
type Half int32

// HalfOf makes a Half.
func HalfOf(arc int, backwards bool) Half {
	if backwards {
		return Half(arc*2 + 1)
	}
	return Half(arc * 2)
}

// Arc returns the arc's index.
func (h Half) Arc() int { return int(h >> 1) }

// Backwards reports whether the arc is run from its end to its start.
func (h Half) Backwards() bool { return h&1 != 0 }

// Twin returns the same arc run the other way.
func (h Half) Twin() Half { return h ^ 1 }

// Node is a lattice vertex where three or four arcs meet. Out holds the arcs that leave it, by the direction of their
// first crack; -1 where none does.
type Node struct {
	X, Y int32
	Out  [4]Half
}

// Face is one connected area of a label.
type Face struct {
	Label                  uint8
	Area                   int   // px
	MinX, MinY, MaxX, MaxY int32 // bounding box in lattice units, half open
	Border                 bool  // touches the picture's frame
	Rings                  [][]Half
}

// Map is a planar map of a W × H picture. Rings of a face run with the face on their right: with y down the outer
// ring runs clockwise on screen (positive area), holes run counter-clockwise.
//
// Promises, checked by Check: (1) every half arc lies in exactly one ring, of the face on its right, or borders the
// outside; (2) ring areas of a face add up to its pixel count; (3) pixel counts add up to W·H; (4) Euler's formula
// V − E + F = 1 + C holds, with a loop counted as one vertex and one edge.
type Map struct {
	W, H  int
	Arcs  []Arc
	Dirs  []uint8
	Nodes []Node
	Faces []Face

	regions *regions
}

// From and To return the node where a half arc starts or ends.
func (m *Map) From(h Half) int32 {
	if h.Backwards() {
		return m.Arcs[h.Arc()].To
	}
	return m.Arcs[h.Arc()].From
}

// To returns the node where a half arc ends, None for a loop.
func (m *Map) To(h Half) int32 { return m.From(h.Twin()) }

// RightOf returns the face to the right of a half arc.
func (m *Map) RightOf(h Half) int32 {
	if h.Backwards() {
		return m.Arcs[h.Arc()].Left
	}
	return m.Arcs[h.Arc()].Right
}

// LeftOf returns the face to the left of a half arc.
func (m *Map) LeftOf(h Half) int32 { return m.RightOf(h.Twin()) }

// FaceAt returns the face that covers pixel (x, y).
func (m *Map) FaceAt(x, y int) int32 {
	return m.regions.face[m.regions.runAt(x, y)]
}

// Saddle decides how two diagonal pixels of one label are joined at lattice vertex (x, y), where four cracks meet.
// It is asked with the labels above left, above right, below left and below right, and answers by a SaddleKind.
type Saddle func(x, y int, a, b, c, d uint8) SaddleKind

// SaddleKind says which diagonal pair of pixels a four-crack vertex joins.
type SaddleKind uint8

const (
	Apart   SaddleKind = iota // neither: the vertex is a node
	Falling                   // above left with below right
	Rising                    // above right with below left
)

// Check verifies the promises listed at Map.
func (m *Map) Check() error {
	seen := make([]int32, 2*len(m.Arcs))
	for i := range seen {
		seen[i] = None
	}
	total := 0
	for f := range m.Faces {
		sum := 0
		for _, ring := range m.Faces[f].Rings {
			for k, h := range ring {
				if seen[h] != None {
					return fmt.Errorf("planar: half arc %d lies in two rings", h)
				}
				seen[h] = int32(f)
				if m.RightOf(h) != int32(f) {
					return fmt.Errorf("planar: ring of face %d runs along arc %d of face %d", f, h.Arc(), m.RightOf(h))
				}
				if n := ring[(k+1)%len(ring)]; m.To(h) != m.From(n) {
					return fmt.Errorf("planar: ring of face %d is broken at arc %d", f, h.Arc())
				}
			}
			sum += m.RingArea(ring)
		}
		if sum != m.Faces[f].Area {
			return fmt.Errorf("planar: rings of face %d enclose %d px, it has %d", f, sum, m.Faces[f].Area)
		}
		total += m.Faces[f].Area
	}
	if total != m.W*m.H {
		return fmt.Errorf("planar: faces cover %d px of %d", total, m.W*m.H)
	}
	for h, f := range seen {
		if want := m.RightOf(Half(h)); want != f {
			return fmt.Errorf("planar: half arc %d belongs to face %d and lies in a ring of %d", h, want, f)
		}
	}
	v, e := len(m.Nodes), len(m.Arcs)
	parent := make([]int, len(m.Nodes))
	for i := range parent {
		parent[i] = i
	}
	find := func(i int) int {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	components := len(m.Nodes)
	for _, a := range m.Arcs {
		if a.From == None {
			v++
			components++
			continue
		}
		if p, q := find(int(a.From)), find(int(a.To)); p != q {
			parent[p] = q
			components--
		}
	}
	if faces := len(m.Faces) + 1; v-e+faces != 1+components {
		return fmt.Errorf("planar: V-E+F = %d-%d+%d, want 1+%d", v, e, faces, components)
	}
	return nil
}

// RingArea returns the signed area of a ring in px (shoelace formula on the lattice).
func (m *Map) RingArea(ring []Half) int {
	sum := 0
	for _, h := range ring {
		a := m.Arcs[h.Arc()]
		x, y := int(a.X), int(a.Y)
		part := 0
		for _, d := range m.Dirs[a.Off : a.Off+a.N] {
			nx, ny := x+DX[d], y+DY[d]
			part += x*ny - y*nx
			x, y = nx, ny
		}
		if h.Backwards() {
			part = -part
		}
		sum += part
	}
	return sum / 2
}

// Across calls do with the faces that cover pixels x0 to x1 (not included) of row y, from left to right, until it returns
// false; Across then returns false too.
func (m *Map) Across(y, x0, x1 int, do func(face int32, x0, x1 int) bool) bool {
	r := m.regions
	for i := r.runAt(x0, y); i < r.rowStart[y+1] && int(r.runX[i]) < x1; i++ {
		if !do(r.face[i], max(x0, int(r.runX[i])), min(x1, int(r.endOf(i, y)))) {
			return false
		}
	}
	return true
}
