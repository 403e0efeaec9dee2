package trace

import "math"

// This file takes the staircase out of the middles of strokes narrower than a pixel. Such a stroke lies within a pixel over part
// of a column, and there the shares tell how wide it is, but not how high in the pixel it lies: middles stay behind, then jump on
// to the next pixel. How the stroke goes on in the columns beside tells by how much.

const (
	// stairWidth is the width along the column, px, from which on a stroke fills a pixel so far that its middle is known.
	stairWidth = 1.5
	// stairColumns is how many columns to either side tell how a stroke goes on, leastStair how many there must be in all.
	stairColumns, leastStair = 3, 5
	// stairRounds is how often the line through the columns is found anew without the staircase.
	stairRounds = 3
)

// stair returns by how much the middle of column a, with cross-section c, lies off that of the stroke, px; 0 where the columns
// beside do not tell.
func (s *stroke) stair(a int, c column) float64 {
	var cols [2*stairColumns + 1]column
	lo, hi := stairColumns, stairColumns
	cols[stairColumns] = c
	for _, step := range [2]int{-1, 1} {
		last, slope := c, 0.0
		for k := 1; k <= stairColumns; k++ {
			next, ok := s.section(a+k*step, last.middle+slope)
			if !ok || next.width <= 0 || next.width > stairWidth {
				break
			}
			slope, last = next.middle-last.middle, next
			cols[stairColumns+k*step] = next
			if step < 0 {
				lo--
			} else {
				hi++
			}
		}
	}
	if hi-lo+1 < leastStair {
		return 0
	}
	var off [2*stairColumns + 1]float64
	for range stairRounds {
		var plain [2*stairColumns + 1]column
		for k := lo; k <= hi; k++ {
			plain[k] = column{cols[k].width, cols[k].middle - off[k]}
		}
		l, _ := lineThrough(plain[lo:hi+1], func(c column) float64 { return c.middle })
		for k := lo; k <= hi; k++ {
			at := l.at + float64(l.slope*float64(k-hi))
			off[k] = column{cols[k].width, at}.staired(l.slope) - at
		}
	}
	return off[stairColumns]
}

// staired returns the middle that the shares of a column's pixels tell of a stroke that crosses it at a slope.
func (c column) staired(slope float64) float64 {
	const steps = 8
	sum, moment := 0.0, 0.0
	for k := range steps {
		at := c.middle + float64(slope*((float64(k)+0.5)/steps-0.5))
		low, high := at-c.width/2, at+c.width/2
		for row := math.Floor(low); row < high; row++ {
			share := min(high, row+1) - max(low, row)
			sum += share
			moment += float64(share * (row + 0.5))
		}
	}
	return moment / sum
}
