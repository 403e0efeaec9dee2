package paper

import (
	"math"
	"sort"
)

// edgeSpread returns the standard deviation in px of the blur of edges in an RGBA bitmap, beyond the pixel's own box; 0
// when no edge is clear enough. Every monotone ramp along a row or column that links two calm stretches is weighed by
// its slope: the variance of the slope is that of the blur plus 1/12 for the pixel's box and 1/12 for taking
// differences. Slanting edges look wider, so the lower fifth speaks.
func edgeSpread(pix []uint8, w, h int) float64 {
	var found []float64
	line := make([]float32, max(w, h))
	scan := func(n, start, stride int) {
		for i := range n {
			p := pix[start+i*stride:]
			line[i] = (toLinear[p[0]] + toLinear[p[1]] + toLinear[p[2]]) / 3
		}
		found = ramps(found, line[:n])
	}
	const scans = 160 // lines looked at along each axis
	for y := 0; y < h; y += max(1, h/scans) {
		scan(w, 4*y*w, 4)
	}
	for x := 0; x < w; x += max(1, w/scans) {
		scan(h, 4*x, 4*w)
	}
	const least = 20
	if len(found) < least {
		return 0
	}
	sort.Float64s(found)
	return math.Sqrt(math.Max(0, found[len(found)/5]-1.0/6))
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
