package quantize

import "math/bits"

// This file carries lines through their narrows: where one ends and goes on again straight ahead, and every column between shows
// some of it, it is one line. What is too thin to be taken for a line anywhere, since rims and seams are as thin, is one between
// two ends.

const (
	narrowPeak = 0.07 // least share of the line in the fullest pixel of each column
	narrowSure = 3    // how many times as many levels as a mixture may miss that pixel differs from the area around by at least
	narrowSide = 2    // px beside that one within which the area is plain again
	narrowRest = 0.02 // share of the line up to which it is: shares are rounded

	// narrowShort is how many columns a narrow has at least: two ends that nearly meet share the pixels between them.
	// narrowLong is how far the line is followed, columns.
	narrowShort, narrowLong = 3, 12

	// narrowOpen is how many times as wide as at its narrowest a line is again that has no label of its own beyond.
	narrowOpen = 2
)

// narrows labels the pixels of the narrows of lines.
func (q *flattener) narrows() {
	found := make([][]fringePixel, bandCount(q.h))
	rowBands(q.h, q.opt.Workers, func(band, y0, y1 int) {
		for k := y0 * q.w >> 6; k<<6 < y1*q.w; k++ {
			for m := ^q.core[k]; m != 0; m &= m - 1 {
				i := k<<6 + bits.TrailingZeros64(m)
				if i < y0*q.w || i >= y1*q.w || q.labels[i] == unlabelled || !q.within(i, 1) {
					continue
				}
				for dir := 0; dir < len(compass); dir += 2 {
					found[band] = q.narrowFrom(found[band], i, dir)
				}
			}
		}
	})
	for _, list := range found {
		for _, p := range list {
			q.labels[p.at] = p.label
		}
	}
}

// within reports whether pixel i lies at least so many px from the picture's frame.
func (q *flattener) within(i, px int) bool {
	x, y := i%q.w, i/q.w
	return x >= px && y >= px && x < q.w-px && y < q.h-px
}

// narrowFrom appends the pixels of the narrows that begin with pixel i, behind the end of a line, and run in a direction of the
// compass.
func (q *flattener) narrowFrom(dst []fringePixel, i, dir int) []fringePixel {
	along := compass[dir][1]*q.w + compass[dir][0]
	across := compass[(dir+2)%8][1]*q.w + compass[(dir+2)%8][0]
	tried := q.labels[i]
	for _, end := range [3]int{i - along, i - along - across, i - along + across} {
		if l := q.labels[end]; l != q.labels[i] && l != tried && l != unlabelled {
			dst = q.narrow(dst, i, along, across, l)
			tried = l
		}
	}
	return dst
}

// narrow appends the pixels of the narrow of a line labelled l that begins with pixel i, the steps along it and across it being
// given; none where the line does not go on.
func (q *flattener) narrow(dst []fringePixel, i, along, across int, l uint8) []fringePixel {
	own := q.labels[i]
	from, thin, least, open := len(dst), 0, 1.0, false
	known := from // up to there the line is one
	for len(dst) < from+narrowLong {
		peak, width := q.columnOf(i, across, l, own)
		switch {
		case width == 0 || open && width < hairFaint:
			return dst[:known]
		case q.labels[peak] == l:
			if thin >= narrowShort {
				known = len(dst)
			}
			return dst[:known]
		case open:
		case width < hairSlim:
			thin++
			least = min(least, width)
		case thin >= narrowShort:
			open = width >= narrowOpen*least
		case thin > 0: // there were beads only
			return dst[:known]
		}
		if dst = append(dst, fringePixel{int32(peak), l}); open {
			known = len(dst)
		}
		i = peak + along
	}
	return dst[:known]
}

// columnOf returns which of pixel i and the two beside it across shows most of label l amid own, and the width of the line there,
// px; 0 where it cannot be told. Where that pixel has label l itself the width is none of a narrow.
func (q *flattener) columnOf(i, across int, l, own uint8) (peak int, width float64) {
	if !q.within(i, narrowSide+3) {
		return i, 0
	}
	for _, j := range [3]int{i, i - across, i + across} {
		s, ok := q.shareOf(j, l, own)
		if !ok {
			return i, 0
		}
		if s > width {
			peak, width = j, s
		}
	}
	switch {
	case width < narrowPeak || toneDistance(q.tone(peak), q.tints[own].v, q.soft) < narrowSure*q.mayMiss():
		return i, 0
	case q.labels[peak] == l:
		return peak, width
	case q.labels[peak] != own:
		return i, 0
	}
	for _, side := range [2]int{-across, across} {
		for n := 1; ; n++ {
			s, ok := q.shareOf(peak+n*side, l, own)
			if !ok || s > narrowRest && n > narrowSide {
				return i, 0
			}
			if s <= narrowRest {
				break
			}
			width += s
		}
	}
	return peak, width
}

// shareOf returns the share of label l in pixel i, mixed with own and at most one other label beside the pixel; ok is false where
// that does not explain it.
func (q *flattener) shareOf(i int, l, own uint8) (share float64, ok bool) {
	if bit(q.core, i) {
		if q.labels[i] == l {
			return 1, true
		}
		return 0, q.labels[i] == own
	}
	c := q.tone(i)
	share, miss := q.pair(int(l), int(own)).mix(c)
	if miss <= q.mayMiss() {
		return share, true
	}
	for _, d := range compass {
		m := q.labels[i+d[1]*q.w+d[0]]
		if m == l || m == own || m == unlabelled {
			continue
		}
		if s, miss, ok := mix3(c, q.tints[l].v, q.tints[own].v, q.tints[m].v); ok && miss <= q.mayMiss() {
			return max(0, s[0]), true
		}
	}
	return 0, false
}
