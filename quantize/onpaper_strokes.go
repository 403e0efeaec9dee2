package quantize

import (
	"math"
	"slices"
)

// This file follows what is too thin to hold an even place: pen strokes, gaps between them, small dots. A ridge is a
// pixel that differs from the ground on two opposed sides in the same way and at least as much as the pixels beside
// it; so it sits in the middle of a stroke, whatever the stroke's and the ground's colours.

// ridge is one such pixel.
type ridge struct {
	i      int32
	c      vec     // its own colour
	ground vec     // the ground's, of the two sides the one nearer to it
	height float32 // distance of c from ground, ΔE in the plane
	label  int16   // -1: none yet
}

const (
	// ridgeFaint is the least height of a ridge that continues a stroke, and ridgeSure the height some pixel of a
	// stroke must reach, ΔE (hysteresis: J. Canny, "A Computational Approach to Edge Detection", 1986). Paper grain
	// and codecs stay below the first nearly everywhere.
	ridgeFaint = 3.5
	ridgeSure  = 8.0
	// ridgeHalo is the share of the higher side a ridge must keep on its lower side: sharpening leaves a band along
	// an edge that differs a little from its own area and much from the other side.
	ridgeHalo = 0.22
	// ridgeRun is the least number of pixels of a stroke.
	ridgeRun = 5
)

// Strokes up to about 5 px wide are seen at the first distance, up to 10 px at the second.
var ridgeReach = [2]int{3, 6}

var ridgeWays = [4][2]int{{1, 0}, {0, 1}, {1, 1}, {1, -1}}

func (s *onPaper) at(i int) vec {
	p := s.lab[3*i : 3*i+3 : 3*i+3]
	return vec{int32(p[0]), int32(p[1]), int32(p[2])}
}

// findRidges returns the ridges among the pixels that are not even, row by row.
func (s *onPaper) findRidges() []ridge {
	faint := ridgeFaint + float64(1.5*s.grain)
	least := int64(faint * faint * labUnit * labUnit)
	parts := make([][]ridge, bandCount(s.h))
	rowBands(s.h, s.workers, func(band, lo, hi int) {
		var out []ridge
		for y := lo; y < hi; y++ {
			s.spans(y, func(x0, x1 int) {
				for x := x0; x < x1; x++ {
					i := y*s.w + x
					if s.core[i] || float64(s.rough[i]) < faint*roughUnit*0.9 {
						continue
					}
					if r, ok := s.ridgeAt(x, y, least); ok {
						out = append(out, r)
					}
				}
			})
		}
		parts[band] = out
	})
	return slices.Concat(parts...)
}

func (s *onPaper) ridgeAt(x, y int, least int64) (ridge, bool) {
	i := y*s.w + x
	c := s.at(i)
	best := ridge{label: -1}
	var bestD int64
	for _, reach := range ridgeReach {
		for _, way := range ridgeWays {
			dx, dy := way[0], way[1]
			step := reach
			if dx != 0 && dy != 0 {
				step = (reach*5 + 3) / 7
			}
			x1, y1, x2, y2 := x+dx*step, y+dy*step, x-dx*step, y-dy*step
			if x1 < 0 || x2 < 0 || y1 < 0 || y2 < 0 || x1 >= s.w || x2 >= s.w || y1 >= s.h || y2 >= s.h {
				continue
			}
			q1, q2 := s.at(y1*s.w+x1), s.at(y2*s.w+x2)
			d1, d2 := c.sub(q1), c.sub(q2)
			if d1.dot(d2) <= least {
				continue
			}
			n1, n2 := d1.dot(d1), d2.dot(d2)
			low, high, ground, d := n1, n2, q1, d1
			if n2 < n1 {
				low, high, ground, d = n2, n1, q2, d2
			}
			if low < least || float64(low) < ridgeHalo*ridgeHalo*float64(high) || low <= bestD {
				continue
			}
			// no farther from the ground beside it: a step towards either side must not lead on
			if e := c.sub(s.at((y+dy)*s.w + x + dx)); e.dot(d) < 0 {
				continue
			}
			if e := c.sub(s.at((y-dy)*s.w + x - dx)); e.dot(d) < 0 {
				continue
			}
			bestD = low
			best = ridge{i: int32(i), c: c, ground: ground, label: -1}
		}
	}
	if bestD == 0 {
		return best, false
	}
	best.height = float32(math.Sqrt(float64(bestD)) / labUnit)
	return best, true
}

// linkRidges keeps the ridges that belong to a stroke: connected parts of enough pixels with one sure pixel. It
// returns them in order with the number of each one's part.
func (s *onPaper) linkRidges(rs []ridge) ([]ridge, []int32, int) {
	place := make([]int32, s.w*s.h) // 1 + index in rs
	for k := range rs {
		place[rs[k].i] = int32(k + 1)
	}
	part := make([]int32, len(rs))
	for k := range part {
		part[k] = -1
	}
	parts := 0
	var stack, members []int32
	keep := make([]bool, len(rs))
	for k := range rs {
		if part[k] >= 0 || part[k] == -2 {
			continue
		}
		stack, members = append(stack[:0], int32(k)), members[:0]
		part[k] = int32(parts)
		top := float32(0)
		for len(stack) > 0 {
			m := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			members = append(members, m)
			top = max(top, rs[m].height)
			x, y := int(rs[m].i)%s.w, int(rs[m].i)/s.w
			// a gap of one pixel does not part a stroke
			for yy := max(y-2, 0); yy <= min(y+2, s.h-1); yy++ {
				for xx := max(x-2, 0); xx <= min(x+2, s.w-1); xx++ {
					if o := place[yy*s.w+xx] - 1; o >= 0 && part[o] == -1 {
						// both rise from the ground the same way
						if a, b := rs[m].c.sub(rs[m].ground), rs[o].c.sub(rs[o].ground); a.dot(b) > 0 {
							part[o] = int32(parts)
							stack = append(stack, o)
						}
					}
				}
			}
		}
		if len(members) >= ridgeRun && top >= ridgeSure+2*float32(s.grain) {
			for _, m := range members {
				keep[m] = true
			}
			parts++
		} else {
			for _, m := range members {
				part[m] = -2
			}
		}
	}
	out, outPart := rs[:0], part[:0]
	for k := range rs {
		if keep[k] {
			out, outPart = append(out, rs[k]), append(outPart, part[k])
		}
	}
	return out, outPart, parts
}
