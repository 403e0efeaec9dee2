package paper

import (
	"math"
	"slices"
)

// edgeSpread returns the standard deviation in px of the blur of edges in an RGBA bitmap, beyond the pixel's own box; 0
// when no edge is clear enough. Every monotone ramp along a row or column that links two calm stretches is weighed by
// its slope: the variance of the slope is that of the blur plus 1/12 for the pixel's box and 1/12 for taking
// differences. Slanting edges look wider, so the lower fifth speaks.
func (c crew) edgeSpread(pix []uint8, w, h int) float64 {
	const (
		scans = 160 // lines looked at along each axis
		side  = 32  // columns that are read side by side, as they share lines of the processor's cache and pages
	)
	light := func(at int) float32 {
		p := pix[at : at+3 : at+3]
		return (toLinear[p[0]] + toLinear[p[1]] + toLinear[p[2]]) / 3
	}
	down, across := max(1, h/scans), max(1, w/scans)
	rows, columns := (h+down-1)/down, (w+across-1)/across
	sets := (columns + side - 1) / side
	found := make([][]float64, rows+sets)
	c.each(len(found), func(k int) {
		if k < rows {
			line := make([]float32, w)
			for x, at := 0, 4*w*down*k; x < w; x, at = x+1, at+4 {
				line[x] = light(at)
			}
			found[k] = ramps(nil, line)
			return
		}
		first := (k - rows) * side
		n := min(side, columns-first)
		lines := make([]float32, n*h)
		for y := range h {
			for j, at := 0, 4*(w*y+first*across); j < n; j, at = j+1, at+4*across {
				lines[j*h+y] = light(at)
			}
		}
		for j := range n {
			found[k] = ramps(found[k], lines[j*h:(j+1)*h])
		}
	})
	all := slices.Concat(found...)
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
