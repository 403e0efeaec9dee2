package proof

import "math"

// This file looks for edges of the picture that the drawing does not have.

const (
	nearby     = 2    // px a drawn edge may be away
	leastSlope = 12.0 // levels a pixel: an edge of 24 levels, which is as faint as flat colours come
	noiseSlope = 3.0  // times the noise that a slope must rise above; noise itself has slopes of 0.43 times it
	halfSlope  = 0.35 // of the picture's slope that the drawn edge must have
	cell       = 32   // px, of the grid in which the worst place is looked for
)

// slopes returns for each pixel the steepest slope of the three channels, in levels a pixel times slopeScale, and in
// dirs, if that is not nil, its direction: 0 across, 1 falling, 2 down, 3 rising. Kernel: Sobel's, 1-2-1 across.
func slopes(pix []uint8, w, h int, dirs []uint8) []uint8 {
	out := make([]uint8, w*h)
	rows(h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			a, b, c := pix[4*w*max(y-1, 0):], pix[4*w*y:], pix[4*w*min(y+1, h-1):]
			for x := range w {
				l, m, r := 4*max(x-1, 0), 4*x, 4*min(x+1, w-1)
				best, bx, by := 0, 0, 0
				for k := range 3 {
					gx := int(a[r+k]) + 2*int(b[r+k]) + int(c[r+k]) - int(a[l+k]) - 2*int(b[l+k]) - int(c[l+k])
					gy := int(c[l+k]) + 2*int(c[m+k]) + int(c[r+k]) - int(a[l+k]) - 2*int(a[m+k]) - int(a[r+k])
					if g := gx*gx + gy*gy; g > best {
						best, bx, by = g, gx, gy
					}
				}
				out[y*w+x] = uint8(min(255, math.Sqrt(float64(best))/8*slopeScale))
				if dirs != nil {
					dirs[y*w+x] = octant(bx, by)
				}
			}
		}
	})
	return out
}

// slopeScale makes the steepest slope there is, 127.5·√2 levels a pixel, about 255.
const slopeScale = 1.4

// octant returns the direction of a gradient to the nearest of four.
func octant(x, y int) uint8 {
	ax, ay := max(x, -x), max(y, -y)
	switch { // tan 22.5° = 0.4142
	case ay*10000 <= ax*4142:
		return 0
	case ax*10000 <= ay*4142:
		return 2
	case (x > 0) == (y > 0):
		return 1
	}
	return 3
}

// noise estimates the standard deviation of the noise of the green channel in levels: J. Immerkær, "Fast noise
// variance estimation", Computer Vision and Image Understanding 64(2), 1996.
func (p *pair) noise() float64 {
	if p.w < 3 || p.h < 3 {
		return 0
	}
	sums := make([]int, p.h)
	rows(p.h-2, func(y0, y1 int) {
		for y := y0 + 1; y < y1+1; y++ {
			a, b, c := p.pix[4*p.w*(y-1)+1:], p.pix[4*p.w*y+1:], p.pix[4*p.w*(y+1)+1:]
			sum := 0
			for x := 1; x < p.w-1; x++ {
				l, m, r := 4*(x-1), 4*x, 4*(x+1)
				v := int(a[l]) - 2*int(a[m]) + int(a[r]) - 2*int(b[l]) + 4*int(b[m]) - 2*int(b[r]) + int(c[l]) - 2*int(c[m]) + int(c[r])
				sum += max(v, -v)
			}
			sums[y] = sum
		}
	})
	total := 0
	for _, s := range sums {
		total += s
	}
	return math.Sqrt(math.Pi/2) * float64(total) / float64(6*(p.w-2)*(p.h-2))
}

// missed measures the picture's edges that have no drawn edge near. An edge is a ridge of the slope, steep enough; the
// drawn one must be a good third as steep. Slopes are compared rather than positions: how far off an edge is, the
// deviation tells.
func (p *pair) missed() MissedFigures {
	dirs := make([]uint8, p.w*p.h)
	pic := slopes(p.pix, p.w, p.h, dirs)
	drawn := slopes(p.drawn, p.w, p.h, nil)
	widen(drawn, p.w, p.h, nearby)
	least := uint8(min(255, slopeScale*max(leastSlope, noiseSlope*p.noise())))
	step := [4]int{1, p.w + 1, p.w, 1 - p.w}
	cw := (p.w + cell - 1) / cell
	perCell := make([]int, cw*((p.h+cell-1)/cell))
	var edges, missed int
	each := func(f func(x, y int)) {
		for y := 1; y < p.h-1; y++ {
			for x := 1; x < p.w-1; x++ {
				i := y*p.w + x
				s := pic[i]
				if s < least {
					continue
				}
				d := step[dirs[i]]
				if s > pic[i-d] && s >= pic[i+d] {
					f(x, y)
				}
			}
		}
	}
	each(func(x, y int) {
		edges++
		if i := y*p.w + x; float64(drawn[i]) < halfSlope*float64(pic[i]) {
			missed++
			perCell[y/cell*cw+x/cell]++
		}
	})
	if missed == 0 {
		return MissedFigures{}
	}
	f := MissedFigures{Share: short(float64(missed) / float64(edges)), Length: float64(missed)}
	most := 0
	for i, n := range perCell {
		if n > perCell[most] {
			most = i
		}
	}
	var sx, sy, n int
	each(func(x, y int) {
		if i := y*p.w + x; y/cell*cw+x/cell == most && float64(drawn[i]) < halfSlope*float64(pic[i]) {
			sx, sy, n = sx+x, sy+y, n+1
		}
	})
	f.At = Place{short(float64(sx)/float64(n) + 0.5), short(float64(sy)/float64(n) + 0.5)}
	return f
}

// widen replaces each value by the largest within r to each side and up and down.
func widen(v []uint8, w, h, r int) {
	rows(h, func(y0, y1 int) {
		line := make([]uint8, w)
		for y := y0; y < y1; y++ {
			row := v[y*w : (y+1)*w]
			copy(line, row)
			for x := range row {
				for _, n := range line[max(0, x-r):min(w, x+r+1)] {
					row[x] = max(row[x], n)
				}
			}
		}
	})
	src := append([]uint8(nil), v...)
	rows(h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			row := v[y*w : (y+1)*w]
			for k := max(0, y-r); k <= min(h-1, y+r); k++ {
				for x, n := range src[k*w : (k+1)*w] {
					row[x] = max(row[x], n)
				}
			}
		}
	})
}
