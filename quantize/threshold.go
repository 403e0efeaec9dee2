package quantize

import (
	"math"

	"pochoir/quantize/large"
)

// otsu returns the level t that parts a histogram of levels best into those up to t and those above: the one with the
// largest variance between the two, the lowest of equally good ones. Source: N. Otsu, "A threshold selection method
// from gray-level histograms", IEEE Transactions on Systems, Man and Cybernetics 9(1), 1979, equation 18.
func otsu(count *[256]int) int {
	var total, sum float64
	for v, n := range count {
		total += float64(n)
		sum += float64(v) * float64(n)
	}
	best, at := -1.0, 0
	var below, belowSum float64
	for v := 0; v < 255; v++ {
		below += float64(count[v])
		belowSum += float64(v) * float64(count[v])
		if below == 0 || below == total {
			continue
		}
		d := belowSum/below - (sum-belowSum)/(total-below)
		if between := below * (total - below) * d * d; between > best {
			best, at = between, v
		}
	}
	return at
}

// Settings of sauvola: the share k by which an even place's threshold lies below its mean, and the standard deviation
// of a place with full contrast, both as in the paper.
const (
	sauvolaK = 0.5
	sauvolaR = 128.0
)

// sauvola reports for every pixel of an 8-bit picture whether it is at or below the threshold m·(1 + k·(s/R - 1)), with
// the mean m and the standard deviation s of the window x window pixels around it (odd, the picture mirrored at its
// frame); as a bitmap. Source: J. Sauvola & M. Pietikäinen, "Adaptive document image binarization", Pattern
// Recognition 33(2), 2000, equation 5.
func sauvola(grey []uint8, w, h, window int, k, r float64, workers int) []uint64 {
	out := large.Make[uint64](bitmapLen(w * h))
	half := window / 2
	// column sums of the window's rows, for each band anew
	rowBands(h, workers, func(_, y0, y1 int) {
		sum, square := make([]int64, w), make([]int64, w)
		add := func(y int, sign int64) {
			row := grey[mirror(y, h)*w:][:w]
			for x, v := range row {
				g := int64(v)
				sum[x] += sign * g
				square[x] += sign * g * g
			}
		}
		for y := y0 - half; y <= y0+half; y++ {
			add(y, 1)
		}
		n := float64(window * window)
		for y := y0; y < y1; y++ {
			var s, q int64
			for x := -half; x <= half; x++ {
				s += sum[mirror(x, w)]
				q += square[mirror(x, w)]
			}
			for x := range w {
				m := float64(s) / n
				dev := math.Sqrt(max(0, float64(q)/n-float64(m*m)))
				if float64(grey[y*w+x]) <= m*(1+float64(k*(dev/r-1))) {
					setBits(out, y*w+x, y*w+x+1)
				}
				s += sum[mirror(x+half+1, w)] - sum[mirror(x-half, w)]
				q += square[mirror(x+half+1, w)] - square[mirror(x-half, w)]
			}
			if y+1 < y1 {
				add(y-half, -1)
				add(y+half+1, 1)
			}
		}
	})
	return out
}

// mirror reflects i into 0 to n-1, the frame's own pixels not repeated.
func mirror(i, n int) int {
	if n == 1 {
		return 0
	}
	for i < 0 || i >= n {
		if i < 0 {
			i = -i
		} else {
			i = 2*(n-1) - i
		}
	}
	return i
}
