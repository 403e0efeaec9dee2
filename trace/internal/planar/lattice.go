package planar

import (
	"encoding/binary"
	"math/bits"
	"slices"
	"sync/atomic"

	"pochoir/quantize/large"
)

// lattice holds the cracks between unequal labels, a bit each, and what their ends are. Rows of vertices begin with a word
// of their own, so that bands of rows can be filled at once.
type lattice struct {
	w, h   int
	stride int      // words of a row of w+1 vertices
	across []uint64 // vertex (x, y): a crack leaves it to the right
	down   []uint64 // a crack leaves it downwards
	joints []uint64 // more than two cracks meet: it is a node, or two boundaries pass
	passes [][]pass // vertices of four cracks that are no nodes, row by row, from left to right
}

// pass is a vertex of four cracks where two boundaries pass each other.
type pass struct {
	x    int32
	kind SaddleKind // Falling or Rising
}

// shape readies the lattice for a picture of w x h pixels, with anything in it.
func (l *lattice) shape(w, h int) {
	l.w, l.h, l.stride = w, h, (w+64)/64
	if n := l.stride * (h + 1); len(l.across) != n {
		l.across, l.down, l.joints = large.Make[uint64](n), large.Make[uint64](n), large.Make[uint64](n)
		l.passes = make([][]pass, h+1)
	}
}

// mark fills rows lo to hi-1 from the two rows of labels that touch each.
func (l *lattice) mark(labels []uint8, saddle Saddle, lo, hi int) {
	// The pixel rows above and below a row of vertices: column x of the picture is at x+1, everything else is outside.
	// They reach as far as the wide compare of the last word.
	above, below := make([]uint8, 64*l.stride+8), make([]uint8, 64*l.stride+8)
	for i := range above {
		above[i], below[i] = outsideLabel, outsideLabel
	}
	load := func(dst []uint8, y int) {
		if y >= 0 && y < l.h {
			copy(dst[1:], labels[y*l.w:(y+1)*l.w])
			return
		}
		for i := range l.w {
			dst[i+1] = outsideLabel
		}
	}
	load(above, lo-1)
	up := make([]uint64, l.stride) // cracks between the pixels above
	for k := range up {
		_, up[k] = crackWords(above[64*k:], above[64*k:])
	}
	for y := lo; y < hi; y++ {
		load(below, y)
		l.passes[y] = l.passes[y][:0]
		row := y * l.stride
		var before uint64 // the cracks of the word before
		for k := range l.stride {
			across, down := crackWords(above[64*k:], below[64*k:])
			l.across[row+k], l.down[row+k] = across, down
			left := across<<1 | before>>63
			before = across
			l.joints[row+k] = across&left&(down|up[k]) | down&up[k]&(across|left)
			for four := across & left & down & up[k]; four != 0; four &= four - 1 {
				x := k<<6 + bits.TrailingZeros64(four)
				if kind := kindOf(saddle, x, y, above[x], above[x+1], below[x], below[x+1]); kind != Apart {
					l.passes[y] = append(l.passes[y], pass{int32(x), kind})
				}
			}
			up[k] = down
		}
		above, below = below, above
	}
}

// crackWords returns for 64 vertices from which cracks leave to the right and which downwards, given the pixels above and
// below them, from the one before on.
func crackWords(above, below []uint8) (across, down uint64) {
	above, below = above[:72], below[:72]
	for i := 0; i < 64; i += 8 {
		own := binary.LittleEndian.Uint64(below[i+1:])
		a, d := own^binary.LittleEndian.Uint64(above[i+1:]), own^binary.LittleEndian.Uint64(below[i:])
		if a|d != 0 {
			across |= bytesSet(a) << i
			down |= bytesSet(d) << i
		}
	}
	return across, down
}

// bytesSet returns a bit for each byte of v that is not 0.
func bytesSet(v uint64) uint64 {
	const low = 0x7f7f7f7f7f7f7f7f
	high := ((v&low + low) | v) &^ low >> 7
	return high * 0x0102040810204080 >> 56 // moves bit 8k of high to bit 56+k; no two meet
}

// kindOf settles a vertex of four cracks between the labels a b above and c d below.
func kindOf(saddle Saddle, x, y int, a, b, c, d uint8) SaddleKind {
	if a != d && b != c {
		return Apart
	}
	switch kind := saddle(x, y, a, b, c, d); {
	case kind == Falling && a == d, kind == Rising && b == c:
		return kind
	case a == d && b == c: // two labels always pass: a node would part four arcs for nothing
		return Falling
	}
	return Apart
}

// kindAt returns how two boundaries pass each other at vertex (x, y), Apart if they do not.
func (l *lattice) kindAt(x, y int) SaddleKind {
	k, ok := slices.BinarySearchFunc(l.passes[y], x, func(p pass, x int) int { return int(p.x) - x })
	if !ok {
		return Apart
	}
	return l.passes[y][k].kind
}

// leaves reports whether a crack leaves vertex (x, y) in direction d that has not been taken.
func (l *lattice) leaves(x, y int, d uint8) bool {
	switch d {
	case 0:
		return l.across[y*l.stride+x>>6]>>(x&63)&1 != 0
	case 1:
		return l.down[y*l.stride+x>>6]>>(x&63)&1 != 0
	case 2:
		return x > 0 && l.leaves(x-1, y, 0)
	}
	return y > 0 && l.leaves(x, y-1, 1)
}

// follow takes the cracks of a boundary that leaves vertex (x, y) in direction d, up to a node or its own start, and appends
// their directions to dirs. It returns where the boundary ends.
func (l *lattice) follow(dirs []uint8, x, y int, d uint8) (all []uint8, endX, endY int) {
	for {
		// Take this one: of those to the left and upwards the vertex at their other end holds the bit.
		i := y*l.stride + x>>6
		switch d {
		case 0:
			l.across[i] &^= 1 << (x & 63)
			x++
		case 1:
			l.down[i] &^= 1 << (x & 63)
			y++
		case 2:
			x--
			l.across[y*l.stride+x>>6] &^= 1 << (x & 63)
		case 3:
			y--
			l.down[i-l.stride] &^= 1 << (x & 63)
		}
		dirs = append(dirs, d)
		i = y*l.stride + x>>6
		if l.joints[i]>>(x&63)&1 != 0 {
			to, ok := l.through(x, y, d)
			if !ok {
				return dirs, x, y
			}
			d = to
			continue
		}
		// There is one way on at most.
		right, down := l.across[i]>>(x&63)&1 != 0, l.down[i]>>(x&63)&1 != 0
		switch {
		case d != 2 && right:
			d = 0
		case d != 3 && down:
			d = 1
		case d != 0 && x > 0 && l.across[y*l.stride+(x-1)>>6]>>((x-1)&63)&1 != 0:
			d = 2
		case d != 1 && y > 0 && l.down[i-l.stride]>>(x&63)&1 != 0:
			d = 3
		default:
			return dirs, x, y
		}
	}
}

// through returns the direction in which a boundary goes on that reaches joint (x, y) heading d; ok is false where it ends.
func (l *lattice) through(x, y int, d uint8) (to uint8, ok bool) {
	switch l.kindAt(x, y) {
	case Falling: // up joins right, left joins down
		to = [4]uint8{1, 0, 3, 2}[d]
	case Rising: // up joins left, right joins down
		to = [4]uint8{3, 2, 1, 0}[d]
	default:
		return 0, false
	}
	return to, l.leaves(x, y, to)
}

// count returns the numbers of joints and of cracks.
func (l *lattice) count(workers int) (joints, cracks int) {
	var allJoints, allCracks atomic.Int64
	inBands(l.h+1, workers, func(lo, hi int) {
		j, c := 0, 0
		for i := lo * l.stride; i < hi*l.stride; i++ {
			j += bits.OnesCount64(l.joints[i])
			c += bits.OnesCount64(l.across[i]) + bits.OnesCount64(l.down[i])
		}
		allJoints.Add(int64(j))
		allCracks.Add(int64(c))
	})
	return int(allJoints.Load()), int(allCracks.Load())
}

// appendNodes appends the vertices of row y that are nodes, from left to right.
func (l *lattice) appendNodes(dst []Node, y int) []Node {
	passes := l.passes[y]
	for k := range l.stride {
		nodes := l.joints[y*l.stride+k]
		for ; len(passes) > 0 && int(passes[0].x)>>6 == k; passes = passes[1:] {
			nodes &^= 1 << (passes[0].x & 63)
		}
		for ; nodes != 0; nodes &= nodes - 1 {
			dst = append(dst, Node{X: int32(k<<6 + bits.TrailingZeros64(nodes)), Y: int32(y), Out: [4]Half{-1, -1, -1, -1}})
		}
	}
	return dst
}

// nextCorner returns the next vertex from x on in row y that cracks leave both to the right and down, -1 if there is none.
func (l *lattice) nextCorner(x, y int) int {
	for k, from := x>>6, ^uint64(0)<<(x&63); k < l.stride; k, from = k+1, ^uint64(0) {
		i := y*l.stride + k
		if c := l.across[i] & l.down[i] & from; c != 0 {
			return k<<6 + bits.TrailingZeros64(c)
		}
	}
	return -1
}

// runs returns how many runs of equal labels pixel row y has.
func (l *lattice) runs(y int) (n int) {
	for _, v := range l.down[y*l.stride : (y+1)*l.stride] {
		n += bits.OnesCount64(v)
	}
	return n - 1 // the last crack is the picture's edge
}

// fillRuns fills dst, as long as row y has runs, with the first pixel of each.
func (l *lattice) fillRuns(dst []int32, y int) {
	for k, n := 0, 0; n < len(dst); k++ {
		for m := l.down[y*l.stride+k]; m != 0 && n < len(dst); m &= m - 1 {
			dst[n] = int32(k<<6 + bits.TrailingZeros64(m))
			n++
		}
	}
}
