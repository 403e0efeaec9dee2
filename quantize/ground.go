package quantize

import (
	"encoding/binary"
	"math"
	"math/bits"

	"pochoir/quantize/colour"
)

// paperColour is what transparent places are laid on.
var paperColour = colour.RGB{R: 255, G: 255, B: 255}

// What passes for paper in a picture that says nothing of transparency, and how much of the frame it must hold. A
// coloured ground is painted, not paper.
const (
	paperLight  = 92.0 // least CIELAB lightness
	paperChroma = 8.0  // largest CIELAB chroma
	paperFrame  = 0.1  // least share of the frame
)

func isPaper(c colour.RGB) bool {
	l := c.Lab()
	return l.L >= paperLight && math.Hypot(l.A, l.B) <= paperChroma
}

// ground returns the label of the paper around the drawing: what lies under transparent places, or the commonest
// nearly white label along the frame; where there is only ink, all that is not ink; -1 if there is none.
func (q *flattener) ground(f *Flats, under []int) int {
	if q.paper >= 0 {
		return under[q.paper]
	}
	var count [256]int
	frame := 0
	note := func(i int) { count[f.Labels[i]]++; frame++ }
	for x := range q.w {
		note(x)
		note((q.h-1)*q.w + x)
	}
	for y := range q.h {
		note(y * q.w)
		note(y*q.w + q.w - 1)
	}
	best := -1
	for l, s := range f.Palette {
		if float64(count[l]) >= paperFrame*float64(frame) && (isPaper(s.Colour) || q.inked && l == under[paperLabel]) && (best < 0 || count[l] > count[best]) {
			best = l
		}
	}
	return best
}

// How ink is told: dark and thin, it borders most of what is drawn. On open drawings with a drawn line the share of
// edges that are the ink's is 0.64 and more and its mean width 0.017 of the diagonal or less; on drawings of flat
// colours the darkest colour has a share below 0.4, or it is broad.
const (
	lineLight   = 50.0  // CIELAB lightness at most where ink and paper are all there is
	inkLight    = 35.0  // CIELAB lightness at most
	inkShare    = 0.5   // least share of all edges
	inkWidth    = 0.022 // mean width at most, share of the picture's diagonal
	blackWidth  = 0.035 // the same for near black
	blackLight  = 25.0  // near black: CIELAB lightness at most
	blackChroma = 20.0  // and chroma at most
)

// medium tells what was drawn, and which label is the ink. contacts is asked for the edges between labels, and their areas, where
// these tell.
func medium(f *Flats, want Medium, contacts func() (edges, areas []int)) (Medium, int) {
	n := len(f.Palette)
	darkest := -1
	for l, s := range f.Palette {
		if l != f.Ground && (darkest < 0 || s.Colour.Lab().L < f.Palette[darkest].Colour.Lab().L) {
			darkest = l
		}
	}
	switch {
	case want == MediumFlat || darkest < 0: // nothing but paper has no ink, whatever was asked for
		return MediumFlat, -1
	case want != MediumAuto:
		return want, darkest
	}
	if n == 2 {
		if f.Ground >= 0 && f.Palette[darkest].Colour.Lab().L <= lineLight {
			return MediumLine, darkest
		}
		return MediumFlat, -1
	}
	edges, areas := contacts()
	total := 0
	for _, e := range edges {
		total += e
	}
	best, ink := 0.0, -1
	for l, s := range f.Palette {
		if l == f.Ground || s.Colour.Lab().L > inkLight {
			continue
		}
		own := 0
		for m := range n {
			own += 2 * edges[l*n+m]
		}
		if own == 0 {
			continue
		}
		// mean width of the label, taken as a line: twice its area by the length of its edges
		width := 2 * float64(areas[l]) / float64(own/2)
		limit := inkWidth
		if c := s.Colour.Lab(); c.L <= blackLight && math.Hypot(c.A, c.B) <= blackChroma {
			limit = blackWidth
		}
		if share := float64(own) / float64(total); share > best && width < limit*math.Hypot(float64(f.W), float64(f.H)) {
			best, ink = share, l
		}
	}
	if best > inkShare {
		return MediumInked, ink
	}
	return MediumFlat, -1
}

// contacts returns the length of the edges between each two labels, in pixel sides, both ways round, and the area of
// each label.
func (f *Flats) contacts(workers int) (edges, areas []int) {
	return contactsOf(f.Labels, f.W, f.H, len(f.Palette), workers)
}

// contactsOf is the same for w x h labels below n.
func contactsOf(labels []uint8, w, h, n, workers int) (edges, areas []int) {
	edges, areas = make([]int, n*n), make([]int, n)
	// Few parts, as each counts in tables of its own.
	const parts = 8
	var partEdges, partAreas [parts][]int
	parallel(parts, workers, func(k int) {
		partEdges[k], partAreas[k] = contactsIn(labels, w, h, n, h*k/parts, h*(k+1)/parts)
	})
	for k := range parts {
		for i, v := range partEdges[k] {
			edges[i] += v
		}
		for i, v := range partAreas[k] {
			areas[i] += v
		}
	}
	return edges, areas
}

// contactsIn is contactsOf for rows y0 to y1 and what lies between each and the next.
func contactsIn(labels []uint8, w, h, n, y0, y1 int) (edges, areas []int) {
	edges, areas = make([]int, n*n), make([]int, n)
	note := func(a, b uint8) {
		edges[int(a)*n+int(b)]++
		edges[int(b)*n+int(a)]++
	}
	for y := y0; y < y1; y++ {
		row := labels[y*w : (y+1)*w]
		below := row // of the last
		if y+1 < h {
			below = labels[(y+1)*w : (y+2)*w]
		}
		start := 0 // of the run of labels
		for x := 0; x < w; x++ {
			for x+9 <= w { // past the pixels without an edge, eight at once
				v := binary.LittleEndian.Uint64(row[x:])
				differ := (v ^ binary.LittleEndian.Uint64(row[x+1:])) | (v ^ binary.LittleEndian.Uint64(below[x:]))
				if differ != 0 {
					x += bits.TrailingZeros64(differ) / 8
					break
				}
				x += 8
			}
			l := row[x]
			if below[x] != l {
				note(l, below[x])
			}
			switch {
			case x+1 == w:
				areas[l] += w - start
			case row[x+1] != l:
				note(l, row[x+1])
				areas[l] += x + 1 - start
				start = x + 1
			}
		}
	}
	return edges, areas
}
