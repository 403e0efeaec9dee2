package paper

import (
	"math"

	"pochoir/quantize/large"
)

// mask marks cells of a small picture.
type mask struct {
	w, h int
	on   []bool // row by row
}

func newMask(w, h int) mask { return mask{w, h, large.Make[bool](w * h)} }

// count returns how many cells are marked.
func (m mask) count() (n int) {
	for _, on := range m.on {
		if on {
			n++
		}
	}
	return n
}

// not returns the mask of the other cells.
func (m mask) not() mask {
	o := newMask(m.w, m.h)
	for i, on := range m.on {
		o.on[i] = !on
	}
	return o
}

// cells returns the marked cells, row by row.
func (m mask) cells() (c []int32) {
	for i, on := range m.on {
		if on {
			c = append(c, int32(i))
		}
	}
	return c
}

// enclosed returns what is marked and what it encloses: all that is not connected to the rim without crossing it.
func (m mask) enclosed() mask {
	out := newMask(m.w, m.h)
	for i, on := range m.on {
		if x, y := i%m.w, i/m.w; !on && (x == 0 || y == 0 || x == m.w-1 || y == m.h-1) {
			m.part(i, out)
		}
	}
	return out.not()
}

// near returns the cells that have a marked one in the square of (2r+1)² cells round them.
func (m mask) near(r int) mask {
	a, b := newMask(m.w, m.h), newMask(m.w, m.h)
	for i, on := range m.on {
		if x := i % m.w; on {
			for j := i - min(r, x); j <= i+min(r, m.w-1-x); j++ {
				a.on[j] = true
			}
		}
	}
	for i, on := range a.on {
		if y := i / m.w; on {
			for j := i - m.w*min(r, y); j <= i+m.w*min(r, m.h-1-y); j += m.w {
				b.on[j] = true
			}
		}
	}
	return b
}

// opened returns the cells that a square of (2r+1)² cells covers which holds marked cells only; those beyond the rims
// count as marked.
func (m mask) opened(r int) mask {
	return m.not().near(r).not().near(r)
}

// part marks in out what is 4-connected to cell i among the cells that are as marked as it is, and returns its cells. What
// is marked in out already is not entered.
func (m mask) part(i int, out mask) (cells []int32) {
	if out.on[i] {
		return nil
	}
	out.on[i] = true
	cells = append(cells, int32(i))
	for k := 0; k < len(cells); k++ {
		j := int(cells[k])
		m.around(j, func(q int) {
			if m.on[q] == m.on[i] && !out.on[q] {
				out.on[q] = true
				cells = append(cells, int32(q))
			}
		})
	}
	return cells
}

// rings returns the cells of through at 1 to n steps from what is marked, from cell to 4-connected cell.
func (m mask) rings(n int, through mask) [][]int32 {
	seen := newMask(m.w, m.h)
	copy(seen.on, m.on)
	out := make([][]int32, n)
	front := m.cells()
	for k := range out {
		for _, i := range front {
			m.around(int(i), func(j int) {
				if through.on[j] && !seen.on[j] {
					seen.on[j] = true
					out[k] = append(out[k], int32(j))
				}
			})
		}
		front = out[k]
	}
	return out
}

// grow marks the cells of through at up to n steps from what is marked.
func (m mask) grow(n int, through mask) {
	for _, ring := range m.rings(n, through) {
		for _, i := range ring {
			m.on[i] = true
		}
	}
}

// around calls do for the up to four neighbours of cell i.
func (m mask) around(i int, do func(j int)) {
	x, y := i%m.w, i/m.w
	if x > 0 {
		do(i - 1)
	}
	if x < m.w-1 {
		do(i + 1)
	}
	if y > 0 {
		do(i - m.w)
	}
	if y < m.h-1 {
		do(i + m.w)
	}
}

// largest returns the largest 4-connected part of what is marked.
func (m mask) largest() mask {
	seen, best := m.not(), []int32(nil)
	for i, on := range m.on {
		if on {
			if p := m.part(i, seen); len(p) > len(best) {
				best = p
			}
		}
	}
	o := newMask(m.w, m.h)
	for _, i := range best {
		o.on[i] = true
	}
	return o
}

// hull returns the convex hull of what is marked, by cells. Method: the upper and lower chains of the cells, column by
// column (A. Andrew, "Another efficient algorithm for convex hulls in two dimensions", 1979).
func (m mask) hull() mask {
	o := newMask(m.w, m.h)
	top, low := m.chain(1), m.chain(-1)
	for x := range m.w {
		a, ok := rowAt(top, x)
		if !ok {
			continue
		}
		b, _ := rowAt(low, x)
		for y := int(math.Ceil(a)); y <= int(math.Floor(b)); y++ {
			o.on[y*m.w+x] = true
		}
	}
	return o
}

// chain returns the corners of the hull's upper chain from left to right, or for a sign of -1 those of the lower one.
func (m mask) chain(sign int) (c [][2]int) {
	for x := range m.w {
		y := -1
		for v := range m.h {
			if m.on[v*m.w+x] && (y < 0 || sign < 0) {
				y = v
			}
		}
		if y < 0 {
			continue
		}
		for n := len(c); n > 1; n = len(c) {
			p, q := c[n-2], c[n-1]
			if sign*((q[0]-p[0])*(y-p[1])-(q[1]-p[1])*(x-p[0])) > 0 {
				break
			}
			c = c[:n-1]
		}
		c = append(c, [2]int{x, y})
	}
	return c
}

// rowAt returns where a chain crosses column x, and whether it does.
func rowAt(c [][2]int, x int) (float64, bool) {
	for i, q := range c {
		if q[0] == x {
			return float64(q[1]), true
		}
		if q[0] > x {
			if i == 0 {
				break
			}
			p := c[i-1]
			return float64(p[1]) + float64((q[1]-p[1])*(x-p[0]))/float64(q[0]-p[0]), true
		}
	}
	return 0, false
}
