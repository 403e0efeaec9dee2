package check

import (
	"image"
	"math"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
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
	hairShort = 12  // pixels of a hairline; shorter ones are the tips where three shapes meet
)

// hairRun is a hairline: its pixels' middles and the box around them, in drawing units.
type hairRun struct {
	box    survey.Box
	pixels []fit.Point
}

// hairScale is at how many pixels a unit hairlines are looked for.
func hairScale(width, height float64) float64 {
	const mostSide = 8192
	return math.Min(math.Sqrt(coverPixels/(width*height)), mostSide/math.Max(width, height))
}

// hairMask marks the pixels of m in which the ground shines through between two shapes, and counts them.
func hairMask(m *image.RGBA) (hair []bool, n int) {
	w, h := m.Rect.Dx(), m.Rect.Dy()
	alpha := func(x, y int) uint8 { return m.Pix[y*m.Stride+4*x+3] }
	hair = make([]bool, w*h)
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
					n++
					break
				}
			}
		}
	}
	return hair, n
}

// hairlines returns the runs of pixels in which the ground shines through between two shapes. Pixels up to gap apart, 1 for
// neighbours, belong to one run.
func hairlines(areas []area, width, height float64, gap int) []hairRun {
	d := &trace.Drawing{Width: width, Height: height}
	for i := range areas {
		if areas[i].solid { // one colour for all: what is looked at is the alpha channel
			d.Layers = append(d.Layers, trace.Layer{Colour: colour.RGB{}, Shapes: []trace.Shape{{Rings: areas[i].rings}}})
		}
	}
	scale := hairScale(width, height)
	m := proof.Render(d, scale, nil)
	w, h := m.Rect.Dx(), m.Rect.Dy()
	hair, _ := hairMask(m)
	var out []hairRun
	var stack []int
	for start := range hair {
		if !hair[start] {
			continue
		}
		hair[start] = false
		stack = append(stack[:0], start)
		run := hairRun{box: survey.NoBox()}
		for len(stack) > 0 {
			i := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			x, y := i%w, i/w
			run.pixels = append(run.pixels, fit.Point{X: (float64(x) + 0.5) / scale, Y: (float64(y) + 0.5) / scale})
			run.box = run.box.Union(survey.Box{MinX: float64(x) / scale, MinY: float64(y) / scale, MaxX: float64(x+1) / scale, MaxY: float64(y+1) / scale})
			for ny := max(0, y-gap); ny <= min(h-1, y+gap); ny++ {
				for nx := max(0, x-gap); nx <= min(w-1, x+gap); nx++ {
					if j := ny*w + nx; hair[j] {
						hair[j] = false
						stack = append(stack, j)
					}
				}
			}
		}
		if len(run.pixels) >= hairShort {
			out = append(out, run)
		}
	}
	return out
}
