package quantize

import (
	"math/bits"
	"slices"
)

// This file keeps lines whole that cover less than half of their pixels.

const (
	hairFaint = 0.15 // least share of a pixel of a line, and of the pixels ahead of it and behind it
	hairSlim  = 0.3  // least width of a line, px
	hairStep  = 0.75 // share of a pixel's that those on both sides have at most: elsewhere it is the thin place of a line
)

// hairlines labels the pixels of lines that were given to the area around them: with more of the line than those on
// both sides of it, and more of it ahead and behind. The ends of tips come with them.
func (q *flattener) hairlines() {
	found := make([][]fringePixel, bandCount(q.h))
	rowBands(q.h, q.opt.Workers, func(band, y0, y1 int) {
		var out []fringePixel
		for k := y0 * q.w >> 6; k<<6 < y1*q.w; k++ {
			for m := ^q.core[k]; m != 0; m &= m - 1 {
				i := k<<6 + bits.TrailingZeros64(m)
				if i < y0*q.w || i >= y1*q.w {
					continue
				}
				if l := q.hairline(i); l != unlabelled {
					out = append(out, fringePixel{int32(i), l})
				}
			}
		}
		found[band] = out
	})
	for _, list := range found {
		for _, p := range list {
			q.labels[p.at] = p.label
		}
	}
}

// hairline returns the label of the line that pixel i belongs to against its own label, or unlabelled.
func (q *flattener) hairline(i int) uint8 {
	x, y := i%q.w, i/q.w
	if x < 2 || y < 2 || x >= q.w-2 || y >= q.h-2 {
		return unlabelled
	}
	own := q.labels[i]
	c := q.tone(i)
	if own == unlabelled || toneDistance(c, q.tints[own].v, q.soft) <= q.mayMiss() {
		return unlabelled
	}
	// The line may end so far from its cores that only the pixels beside this one tell what it is.
	a := q.look(i, q.reach())
	near := a.nearest()
	for _, d := range compass {
		if l := int(q.labels[i+d[1]*q.w+d[0]]); l != unlabelled && !slices.Contains(near, l) {
			near = append(near, l)
		}
	}
	for _, l := range near {
		if l == int(own) {
			continue
		}
		s, miss := q.pair(l, int(own)).mix(c)
		if s < hairFaint || s >= 0.5 || miss > q.mayMiss() {
			continue
		}
		// Of two that both run on through the pixel the wider one has it.
		if line, area := q.onLine(i, uint8(l), own, s); line && !area {
			if crossed, _ := q.onLine(i, own, uint8(l), 1-s); !crossed {
				return uint8(l)
			}
		}
	}
	return unlabelled
}

// onLine reports whether pixel i, with share s of tint l in its own, lies on a line of l, and whether that opens into areas
// at once, both ahead and behind: then the pixel is a neck of what it crosses.
func (q *flattener) onLine(i int, l, own uint8, s float64) (line, area bool) {
	p := q.pair(int(l), int(own))
	of := func(j int) float64 {
		switch q.labels[j] {
		case l:
			return max(0.5, p.of(q.tone(j)))
		case own:
			if bit(q.core, j) {
				return 0
			}
			return p.of(q.tone(j))
		}
		return 0
	}
	for axis := range 4 {
		across := compass[axis][1]*q.w + compass[axis][0]
		before, after := of(i-across), of(i+across)
		if max(before, after) > hairStep*s || before+s+after < hairSlim {
			continue
		}
		along := compass[(axis+2)%8][1]*q.w + compass[(axis+2)%8][0]
		ahead := max(of(i+along), max(of(i+along+across), of(i+along-across)))
		behind := max(of(i-along), max(of(i-along+across), of(i-along-across)))
		if least := min(ahead, behind); least >= hairFaint {
			if area = least >= 1-hairFaint; !area {
				return true, false
			}
			line = true
		}
	}
	return line, area
}
