package check

import (
	"math"
	"sort"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
)

// canvas holds, for each pixel centre of a window of the drawing area, which area is painted there last.
type canvas struct {
	w, h  int
	scale float64 // pixels a unit
	x, y  float64 // corner of the window, units
	id    []int32 // index+1 of the area on top, 0 for none

	crossings [][]crossing // by row
	poly      []fit.Point
}

type crossing struct {
	x   float64
	dir int8
}

func newCanvas(win survey.Box, pixels float64) *canvas {
	scale := math.Sqrt(pixels / (win.Width() * win.Height()))
	const mostSide = 8192
	scale = math.Min(scale, mostSide/math.Max(win.Width(), win.Height()))
	w, h := max(1, int(math.Round(win.Width()*scale))), max(1, int(math.Round(win.Height()*scale)))
	return &canvas{w: w, h: h, scale: scale, x: win.MinX, y: win.MinY, id: make([]int32, w*h), crossings: make([][]crossing, h)}
}

// paint fills rings by the even-odd rule and returns how many pixel centres they cover.
func (c *canvas) paint(rings []fit.Path, id int32) int {
	lo, hi := c.cross(rings)
	count := 0
	for y := lo; y <= hi; y++ {
		row := c.crossings[y]
		for i := 0; i+1 < len(row); i += 2 {
			count += c.span(y, row[i].x, row[i+1].x, id)
		}
		c.crossings[y] = row[:0]
	}
	return count
}

// twice returns how many pixel centres the rings go around more than once: those that the fill rules disagree about.
func (c *canvas) twice(rings []fit.Path) int {
	lo, hi := c.cross(rings)
	count := 0
	for y := lo; y <= hi; y++ {
		row := c.crossings[y]
		turns := 0
		for i := 0; i+1 < len(row); i++ {
			turns += int(row[i].dir)
			if turns != 0 && turns%2 == 0 {
				count += c.span(y, row[i].x, row[i+1].x, 1)
			}
		}
		c.crossings[y] = row[:0]
	}
	return count
}

// span sets the pixels of a row whose centres lie in [x0, x1) and counts them.
func (c *canvas) span(y int, x0, x1 float64, id int32) int {
	from := max(0, int(math.Ceil(math.Max(x0, -1)-0.5)))
	to := min(c.w, int(math.Ceil(math.Min(x1, float64(c.w)+1)-0.5)))
	for x := from; x < to; x++ {
		c.id[y*c.w+x] = id
	}
	return max(0, to-from)
}

// cross gathers where the rings cross the middle of each row, from left to right, and returns the rows concerned.
func (c *canvas) cross(rings []fit.Path) (lo, hi int) {
	lo, hi = c.h, -1
	for _, r := range rings {
		c.poly = flatten(r, c.poly[:0], 0.1/c.scale)
		n := len(c.poly)
		for i, a := range c.poly {
			b := c.poly[(i+1)%n]
			dir := int8(1)
			if a.Y > b.Y {
				a, b, dir = b, a, -1
			}
			y0, y1 := (a.Y-c.y)*c.scale, (b.Y-c.y)*c.scale
			// rows whose centre lies in [y0, y1)
			from, to := max(0, int(math.Ceil(math.Max(y0, -1)-0.5))), min(c.h-1, int(math.Ceil(math.Min(y1, float64(c.h)+1)-0.5))-1)
			for y := from; y <= to; y++ {
				t := (float64(y) + 0.5 - y0) / (y1 - y0)
				x := (a.X - c.x + t*(b.X-a.X)) * c.scale
				c.crossings[y] = append(c.crossings[y], crossing{x, dir})
			}
			if from <= to {
				lo, hi = min(lo, from), max(hi, to)
			}
		}
	}
	for y := lo; y <= hi; y++ {
		row := c.crossings[y]
		sort.Slice(row, func(i, j int) bool { return row[i].x < row[j].x })
	}
	return lo, hi
}

// coverPixels is the size of the canvas on which hidden areas and the rim are looked for, and closePixels that of the
// closer look at one area.
const (
	coverPixels = 1.5e6
	closePixels = 65536.0
)

// covered returns the indices of areas that solid areas above them hide entirely. An area that covers no pixel centre
// even in a window of its own is not judged.
func covered(areas []area, page survey.Box) []int {
	c := newCanvas(page, coverPixels)
	painted := make([]int, len(areas))
	for i := range areas {
		if areas[i].solid {
			painted[i] = c.paint(areas[i].rings, int32(i+1))
		}
	}
	seen := make([]bool, len(areas))
	for _, id := range c.id {
		if id > 0 {
			seen[id-1] = true
		}
	}
	var out []int
	for i := range areas {
		if !areas[i].solid || seen[i] || !areas[i].box.Meets(page) {
			continue
		}
		win := areas[i].box
		win = survey.Box{MinX: math.Max(win.MinX, page.MinX), MinY: math.Max(win.MinY, page.MinY),
			MaxX: math.Min(win.MaxX, page.MaxX), MaxY: math.Min(win.MaxY, page.MaxY)}
		if !(win.Width() > 0 && win.Height() > 0) {
			continue
		}
		near := newCanvas(win, closePixels)
		if near.paint(areas[i].rings, int32(i+1)) == 0 {
			continue
		}
		for j := i + 1; j < len(areas); j++ {
			if areas[j].solid && areas[j].box.Meets(win) {
				near.paint(areas[j].rings, int32(j+1))
			}
		}
		hidden := true
		for _, id := range near.id {
			if id == int32(i+1) {
				hidden = false
				break
			}
		}
		if hidden {
			out = append(out, i)
		}
	}
	return out
}

// crossesItself returns the box of what a ring goes around more than once, or nil. scale is that of the canvas for the
// whole drawing area, pixels a unit.
func crossesItself(ring fit.Path, scale float64) *survey.Box {
	const leastPixels, leastTwice = 4096.0, 3
	box := survey.BoxOf(ring)
	if !(box.Width() > 0 && box.Height() > 0) {
		return nil
	}
	pixels := math.Min(math.Max(box.Width()*box.Height()*scale*scale, leastPixels), 4*coverPixels)
	c := newCanvas(box, pixels)
	if c.twice([]fit.Path{ring}) < leastTwice {
		return nil
	}
	at := survey.NoBox()
	for i, id := range c.id {
		if id > 0 {
			x, y := c.x+float64(i%c.w)/c.scale, c.y+float64(i/c.w)/c.scale
			at = at.Union(survey.Box{MinX: x, MinY: y, MaxX: x + 1/c.scale, MaxY: y + 1/c.scale})
		}
	}
	return &at
}

// rimShare returns which share of the outermost pixels of the drawing area is painted, and the boxes of the painted
// runs, longest first.
func rimShare(areas []area, page survey.Box) (share float64, runs []survey.Box) {
	c := newCanvas(page, coverPixels)
	for i := range areas {
		c.paint(areas[i].rings, int32(i+1))
	}
	painted, total := 0, 0
	unit := 1 / c.scale
	side := func(n int, at func(i int) (x, y int)) {
		start := -1
		for i := 0; i <= n; i++ {
			hit := false
			if i < n {
				x, y := at(i)
				hit = c.id[y*c.w+x] > 0
				total++
			}
			if hit {
				painted++
				if start < 0 {
					start = i
				}
			} else if start >= 0 {
				x0, y0 := at(start)
				x1, y1 := at(i - 1)
				runs = append(runs, survey.Box{MinX: page.MinX + float64(x0)*unit, MinY: page.MinY + float64(y0)*unit,
					MaxX: page.MinX + float64(x1+1)*unit, MaxY: page.MinY + float64(y1+1)*unit})
				start = -1
			}
		}
	}
	side(c.w, func(i int) (int, int) { return i, 0 })
	side(c.w, func(i int) (int, int) { return i, c.h - 1 })
	side(c.h, func(i int) (int, int) { return 0, i })
	side(c.h, func(i int) (int, int) { return c.w - 1, i })
	sort.SliceStable(runs, func(i, j int) bool {
		return runs[i].Width()+runs[i].Height() > runs[j].Width()+runs[j].Height()
	})
	return float64(painted) / float64(total), runs
}
