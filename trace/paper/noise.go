package paper

import (
	"math"

	"pochoir/fit"
)

// maskResponse is the response of Immerkær's noise mask (1 -2 1; -2 4 -2; 1 -2 1) at sample i of v, whose horizontal
// and vertical neighbours lie dx and dy samples away. It vanishes on planes and on straight steps along the axes.
// J. Immerkær, "Fast noise variance estimation", Computer Vision and Image Understanding 64(2), 1996.
func maskResponse(v []uint8, i, dx, dy int) int {
	a, b, c := v[i-dy-dx:], v[i-dx:], v[i+dy-dx:]
	return int(a[0]) - 2*int(a[dx]) + int(a[2*dx]) - 2*int(b[0]) + 4*int(b[dx]) - 2*int(b[2*dx]) + int(c[0]) - 2*int(c[dx]) + int(c[2*dx])
}

// noiseWindow is the side of the windows that noise is measured in, px of the sheet, and noiseWindows their number.
const (
	noiseWindow  = 16
	noiseWindows = 96
)

// paperNoise returns the standard deviation of bare paper on the sheet, in 8-bit levels, before the clipping at white: the
// median over windows that lie on paper, of the deviation from the window's own plane. 0 when no paper is seen.
func (d *developer) paperNoise(toSheet Homography) float64 {
	m := d.light
	if m == nil {
		return 0
	}
	var spots []int
	for i := range m.paper {
		x, y := i%m.w, i/m.w
		if x == 0 || y == 0 || x == m.w-1 || y == m.h-1 || !m.paper[i] {
			continue
		}
		if m.paper[i-1] && m.paper[i+1] && m.paper[i-m.w] && m.paper[i+m.w] && !m.erase[i] {
			spots = append(spots, i)
		}
	}
	step := max(1, len(spots)/noiseWindows)
	buf := make([]float32, 3*noiseWindow)
	win := make([]float64, noiseWindow*noiseWindow)
	var sds []float64
	for s := step / 2; s < len(spots); s += step {
		i := spots[s]
		at := toSheet.Apply(fit.Point{X: (float64(i%m.w) + 0.5) * float64(m.cell), Y: (float64(i/m.w) + 0.5) * float64(m.cell)})
		x0, y0 := int(at.X)-noiseWindow/2, int(at.Y)-noiseWindow/2
		if x0 < 0 || y0 < 0 || x0+noiseWindow > d.w || y0+noiseWindow > d.h {
			continue
		}
		for y := range noiseWindow {
			d.row(buf, x0, y0+y, noiseWindow)
			for x := range noiseWindow {
				// Near white the level is 255·(1 + (R-1)·1.055/2.4): the slope of sRGB at 1, unclipped.
				win[y*noiseWindow+x] = 255 * 1.055 / 2.4 * float64(buf[3*x+1])
			}
		}
		sds = append(sds, planeDeviation(win, noiseWindow))
	}
	if len(sds) == 0 {
		return 0
	}
	return nth(sds, len(sds)/2)
}

// planeDeviation returns the standard deviation of a size×size window from its plane of least squares.
func planeDeviation(v []float64, size int) float64 {
	var s, sx, sy, ss, xx float64
	mid := float64(size-1) / 2
	for i, a := range v {
		x, y := float64(i%size)-mid, float64(i/size)-mid
		s += a
		sx += float64(a * x)
		sy += float64(a * y)
		ss += float64(a * a)
		xx += float64(x * x)
	}
	n := float64(len(v))
	rest := ss - float64(s*s)/n - float64(sx*sx)/xx - float64(sy*sy)/xx
	return math.Sqrt(math.Max(0, rest/(n-3)))
}
