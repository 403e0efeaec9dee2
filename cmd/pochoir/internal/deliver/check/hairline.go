package check

import (
	"math"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/proof"
)

// Where two shapes share an edge, one covers a pixel by c and the other by 1-c. Painted one after the other they leave
// c(1-c) of the ground to be seen, at most a quarter: a hairline. A gap that is drawn leaves more in its middle.
const (
	hairFull  = 255 // alpha of what is covered
	hairSeen  = 250 // below it the ground is seen
	hairLeast = 185 // three quarters, less the error of eight bits: what edges that only touch keep at least
	hairReach = 2   // pixels to each side until all must be covered
	hairRun   = 12  // pixels of a hairline; shorter ones are the tips where three shapes meet
)

// hairlines returns the boxes of the runs of pixels in which the ground shines through between two shapes.
func hairlines(areas []area, width, height float64) []survey.Box {
	d := &trace.Drawing{Width: width, Height: height}
	for i := range areas {
		if areas[i].solid { // one colour for all: what is looked at is the alpha channel
			d.Layers = append(d.Layers, trace.Layer{Colour: colour.RGB{}, Shapes: []trace.Shape{{Rings: areas[i].rings}}})
		}
	}
	const mostSide = 8192
	scale := math.Min(math.Sqrt(coverPixels/(width*height)), mostSide/math.Max(width, height))
	m := proof.Render(d, scale, nil)
	w, h := m.Rect.Dx(), m.Rect.Dy()
	alpha := func(x, y int) uint8 { return m.Pix[y*m.Stride+4*x+3] }
	hair := make([]bool, w*h)
	for y := hairReach; y < h-hairReach; y++ {
		row := m.Pix[y*m.Stride : y*m.Stride+4*w]
		for x := hairReach; x < w-hairReach; x++ {
			if a := row[4*x+3]; a >= hairSeen || a < hairLeast {
				continue
			}
			for _, dir := range [4][2]int{{1, 0}, {0, 1}, {1, 1}, {1, -1}} {
				dx, dy := dir[0], dir[1]
				if alpha(x+hairReach*dx, y+hairReach*dy) == hairFull && alpha(x-hairReach*dx, y-hairReach*dy) == hairFull &&
					alpha(x+dx, y+dy) >= hairLeast && alpha(x-dx, y-dy) >= hairLeast {
					hair[y*w+x] = true
					break
				}
			}
		}
	}
	var out []survey.Box
	var stack []int
	for start := range hair {
		if !hair[start] {
			continue
		}
		hair[start] = false
		stack = append(stack[:0], start)
		n, b := 0, survey.NoBox()
		for len(stack) > 0 {
			i := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			n++
			x, y := i%w, i/w
			b = b.Union(survey.Box{MinX: float64(x) / scale, MinY: float64(y) / scale, MaxX: float64(x+1) / scale, MaxY: float64(y+1) / scale})
			for dy := -1; dy <= 1; dy++ { // the margin of hairReach keeps neighbours inside
				for dx := -1; dx <= 1; dx++ {
					if j := i + dy*w + dx; hair[j] {
						hair[j] = false
						stack = append(stack, j)
					}
				}
			}
		}
		if n >= hairRun {
			out = append(out, b)
		}
	}
	return out
}
