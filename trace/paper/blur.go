package paper

import (
	"math"
	"slices"
)

// edgeScan holds the light along some of a bitmap's rows and columns, where its edges are looked at.
type edgeScan struct {
	w, h         int
	down, across int       // px from one row, or column, to the next
	rows         []float32 // one after the other
	columns      []float32
}

// edgeScans is the number of lines looked at along each axis, about.
const edgeScans = 160

func newEdgeScan(w, h int) *edgeScan {
	e := &edgeScan{w: w, h: h, down: max(1, h/edgeScans), across: max(1, w/edgeScans)}
	e.rows = make([]float32, (h+e.down-1)/e.down*w)
	e.columns = make([]float32, (w+e.across-1)/e.across*h)
	return e
}

// take takes in row y, R,G,B,A a pixel. Several rows may be taken in at once.
func (e *edgeScan) take(y int, row []uint8, blank *blankMap) {
	light := func(x int) float32 {
		p := row[4*x : 4*x+3 : 4*x+3]
		return (toLinear[p[0]] + toLinear[p[1]] + toLinear[p[2]]) / 3
	}
	if y%e.down == 0 {
		line := e.rows[y/e.down*e.w:][:e.w]
		for x := range line {
			line[x] = light(x)
		}
	}
	const white = 1
	for x, at := 0, y; x < e.w; x, at = x+e.across, at+e.h {
		for to := blank.until(x, y); x < to; x, at = x+e.across, at+e.h {
			e.columns[at] = white
		}
		if x < e.w {
			e.columns[at] = light(x)
		}
	}
}

// spread returns the standard deviation in px of the blur of edges, beyond the pixel's own box; 0 when no edge is clear
// enough. All rows must have been taken in. Every monotone ramp along a row or column that links two calm stretches is
// weighed by its slope: the variance of the slope is that of the blur plus 1/12 for the pixel's box and 1/12 for taking
// differences. Slanting edges look wider, so the lower fifth speaks.
func (e *edgeScan) spread() float64 {
	var all []float64
	for line := range slices.Chunk(e.rows, e.w) {
		all = ramps(all, line)
	}
	for line := range slices.Chunk(e.columns, e.h) {
		all = ramps(all, line)
	}
	const least = 20
	if len(all) < least {
		return 0
	}
	return math.Sqrt(math.Max(0, nth(all, len(all)/5)-1.0/6))
}

// ramps appends the variance of the slope of each clear ramp of v, in px².
func ramps(dst []float64, v []float32) []float64 {
	const (
		calm    = 3    // px either side of a ramp that must be even
		longest = 16   // px
		height  = 0.25 // of full light, least
		even    = 0.12 // of the ramp's height: what counts as even
	)
	for i := calm; i+1+calm < len(v); {
		d := v[i+1] - v[i]
		if d > -0.02 && d < 0.02 {
			i++
			continue
		}
		j := i + 1
		for j+1 < len(v) && (v[j+1]-v[j])*d > 0 {
			j++
		}
		rise := v[j] - v[i]
		size := float32(math.Abs(float64(rise)))
		if size >= height && j-i <= longest && j+calm < len(v) {
			ok := true
			for k := 1; k <= calm; k++ {
				ok = ok && math.Abs(float64(v[i]-v[i-k])) < float64(even*size) && math.Abs(float64(v[j]-v[j+k])) < float64(even*size)
			}
			if ok {
				var s, sx, sxx float64
				for k := i; k < j; k++ {
					x, q := float64(k-i), float64(v[k+1]-v[k])/float64(rise)
					s += q
					sx += float64(q * x)
					sxx += float64(q * x * x)
				}
				mean := sx / s
				dst = append(dst, sxx/s-float64(mean*mean))
			}
		}
		i = j
	}
	return dst
}
