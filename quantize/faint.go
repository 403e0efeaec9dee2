package quantize

import (
	"math"
	"math/bits"
	"slices"
)

// This file keeps lone marks that cover less than half of their pixels: specks and slivers, and holes in what is drawn.

const (
	faintPixels = 64              // pixels of a mark at most: what is larger has edges of its own
	faintArea   = 0.02            // least area of a mark, px²
	faintLevels = 442 * faintArea // levels by which one of them must differ from what is around it: a least mark of black on white
	faintPeak   = 0.4             // share of the most that any pixel of a mark shows from which on a pixel carries its label

	// Where no plain pixels part a mark from an area those between show faintValley of the most at most, and if that is less than
	// faintOpen levels there are faintSteps of them at most: where two shapes of a colour abut a row of beads is left.
	faintValley = 0.7
	faintOpen   = 3 * faintLevels
	faintSteps  = 3

	// Beads of a seam lie in a row of beadRow at least, beadGap px from one to the next at most: a seam shows nothing on a
	// sixteenth of its length, where it runs along a border of pixels.
	beadRow = 3
	beadGap = 3
)

// A faint is a mark amid one label.
type faint struct {
	pixels []int         // all that show it
	shown  []fringePixel // those that are to carry its label
	own    uint8         // the label around it
	peak   int           // the pixel that shows most of it
	share  float64       // what that one shows
}

// faintMarks labels the pixels of marks that were given to the area around them, and gives single pixels that are no marks of
// their own to it.
func (q *flattener) faintMarks() {
	marks := make([][]*faint, bandCount(q.h))
	stray := make([][]fringePixel, bandCount(q.h))
	rowBands(q.h, q.opt.Workers, func(band, y0, y1 int) {
		for k := y0 * q.w >> 6; k<<6 < y1*q.w; k++ {
			for m := ^q.core[k]; m != 0; m &= m - 1 {
				i := k<<6 + bits.TrailingZeros64(m)
				if i < y0*q.w || i >= y1*q.w {
					continue
				}
				own := q.labels[i-min(i, q.w+1)]
				if own == unlabelled || !q.amid(i, own) {
					continue
				}
				if mark := q.faintMark(i, own); mark != nil {
					marks[band] = append(marks[band], mark)
				} else if q.labels[i] != own {
					stray[band] = append(stray[band], fringePixel{int32(i), own})
				}
			}
		}
	})
	for _, p := range slices.Concat(stray...) {
		q.labels[p.at] = p.label
	}
	all := slices.Concat(marks...)
	bead := q.beads(all)
	for n, mark := range all {
		for _, p := range mark.shown {
			if bead[n] {
				p.label = mark.own
			}
			q.labels[p.at] = p.label
		}
	}
}

// beads tells which marks are beads of a seam, along which two shapes of one colour abut: none of them shows more than a seam
// does, and they lie in a row or where another seam was taken out.
func (q *flattener) beads(marks []*faint) []bool {
	type kind struct{ label, own uint8 }
	row := make([]int, len(marks)) // an earlier mark of the same row, or the mark itself
	first := func(n int) int {
		for row[n] != n {
			row[n] = row[row[n]]
			n = row[n]
		}
		return n
	}
	at := map[kind]map[int]int{} // of each kind the last mark that shows in a pixel
	for n, mark := range marks {
		row[n] = n
		if mark.share > seamRoom*Seam(0.5, 0.5) {
			continue
		}
		k := kind{mark.shown[0].label, mark.own}
		if at[k] == nil {
			at[k] = map[int]int{}
		}
		for _, i := range mark.pixels {
			x, y := i%q.w, i/q.w
			for yy := y - beadGap; yy <= y+beadGap; yy++ {
				for xx := max(0, x-beadGap); xx <= min(q.w-1, x+beadGap); xx++ {
					if o, ok := at[k][yy*q.w+xx]; ok {
						a, b := first(o), first(n)
						row[max(a, b)] = min(a, b)
					}
				}
			}
		}
		for _, i := range mark.pixels {
			at[k][i] = n
		}
	}
	peaks := map[int][]int{} // some of each row, none beside another
	for n, mark := range marks {
		f := first(n)
		if len(peaks[f]) < beadRow && !slices.ContainsFunc(peaks[f], func(p int) bool { return q.meet(p, mark.peak) }) {
			peaks[f] = append(peaks[f], mark.peak)
		}
	}
	bead := make([]bool, len(marks))
	for n := range marks {
		bead[n] = len(peaks[first(n)]) == beadRow || marks[n].share <= seamRoom*Seam(0.5, 0.5) && q.besideSeam(marks[n].peak)
	}
	return bead
}

// besideSeam reports whether what shone through a seam was taken out of a pixel around pixel i.
func (q *flattener) besideSeam(i int) bool {
	x, y := i%q.w, i/q.w
	for yy := max(0, y-beadGap); q.seamed != nil && yy <= min(q.h-1, y+beadGap); yy++ {
		for xx := max(0, x-beadGap); xx <= min(q.w-1, x+beadGap); xx++ {
			if bit(q.seamed, yy*q.w+xx) {
				return true
			}
		}
	}
	return false
}

// meet reports whether pixels i and j are one or meet.
func (q *flattener) meet(i, j int) bool {
	dx, dy := i%q.w-j%q.w, i/q.w-j/q.w
	return max(dx, -dx, dy, -dy) <= 1
}

// faintMark returns the mark about pixel i, amid pixels labelled own, nil where there is none: the colour around it is the
// same on all sides, and its pixels are mixtures of that with one other.
func (q *flattener) faintMark(i int, own uint8) (best *faint) {
	off := func(j int) float64 { return toneDistance(q.tone(j), q.tints[own].v, q.soft) }
	if off(i) <= mixMiss {
		return nil
	}
	// It is flooded, the strongest pixel beside it next: up to its peak and down again. Where that comes to another area, it
	// ends before the lowest place on the way.
	pixels, offs := [faintPixels]int{i}, [faintPixels]float64{off(i)} // what is flooded, and what lies beside it
	var most, level float64                                           // at its peak, and at the lowest place since
	mark, n, done := 0, 1, 0
	for ; ; done++ {
		if done == n {
			mark = n
			break
		}
		for k := done + 1; k < n; k++ {
			if offs[k] > offs[done] {
				pixels[k], pixels[done], offs[k], offs[done] = pixels[done], pixels[k], offs[done], offs[k]
			}
		}
		j, d := pixels[done], offs[done]
		low := most > 0 && level <= faintValley*most
		if low && q.labels[j] != own && level <= faintValley*d {
			break
		}
		if d > most && !low {
			most, level = d, d
		} else if d < level {
			level, mark = d, done
		}
		if x, y := j%q.w, j/q.w; x < 1 || y < 1 || x >= q.w-1 || y >= q.h-1 {
			return nil
		}
		for _, c := range compass {
			o := j + c[1]*q.w + c[0]
			e := off(o)
			switch {
			case slices.Contains(pixels[:n], o) || q.labels[o] == own && e <= mixMiss:
			case n == faintPixels:
				return nil
			default:
				pixels[n], offs[n] = o, e
				n++
			}
		}
	}
	if most < faintLevels || most < faintOpen && done-mark > faintSteps {
		return nil
	}
	label := own // of the pixels that have the mark's already
	for _, j := range pixels[:mark] {
		if l := q.labels[j]; l != own {
			if l == unlabelled || label != own && l != label {
				return nil
			}
			label = l
		}
	}
	if label != own {
		return q.markOf(pixels[:mark], int(label), own)
	}
	for k := range q.tints {
		if k != int(own) && k != q.paper {
			if m := q.markOf(pixels[:mark], k, own); m != nil && (best == nil || len(m.shown) > len(best.shown)) {
				best = m
			}
		}
	}
	return best
}

// amid reports whether all around pixel i is labelled own.
func (q *flattener) amid(i int, own uint8) bool {
	if x, y := i%q.w, i/q.w; x < 1 || y < 1 || x >= q.w-1 || y >= q.h-1 {
		return false
	}
	for _, d := range compass {
		if q.labels[i+d[1]*q.w+d[0]] != own {
			return false
		}
	}
	return true
}

// markOf returns the mark that pixels show of tint k within label own; nil where it does not explain all of them.
func (q *flattener) markOf(pixels []int, k int, own uint8) *faint {
	p := q.pair(k, int(own))
	var all [faintPixels]float64
	shares := all[:len(pixels)]
	area := 0.0
	mark := &faint{pixels: slices.Clone(pixels), own: own}
	for n, i := range pixels {
		s, miss := p.mix(q.tone(i))
		if miss > mixMiss {
			return nil
		}
		shares[n] = s
		area += s
		if s > mark.share {
			mark.peak, mark.share = i, s
		}
	}
	if area < faintArea {
		return nil
	}
	order := slices.Clone(shares)
	slices.Sort(order)
	least := faintPeak * mark.share
	if len(order) > 1 && q.elongated(pixels, shares) { // a mark longer than a pixel carries its label in two
		least = min(least, order[len(order)-2])
	}
	for n, i := range pixels {
		if shares[n] >= least {
			mark.shown = append(mark.shown, fringePixel{int32(i), uint8(k)})
		}
	}
	return mark
}

// elongated reports whether a mark with shares in pixels is longer than a pixel: by its second moments, as an ellipse.
func (q *flattener) elongated(pixels []int, shares []float64) bool {
	var s, sx, sy, sxx, sxy, syy float64
	for n, i := range pixels {
		x, y, c := float64(i%q.w-pixels[0]%q.w), float64(i/q.w-pixels[0]/q.w), shares[n]
		s += c
		sx += float64(c * x)
		sy += float64(c * y)
		sxx += float64(c * float64(x*x))
		sxy += float64(c * float64(x*y))
		syy += float64(c * float64(y*y))
	}
	mx, my := sx/s, sy/s
	// The pixel's own box adds 1/12 to each variance; an ellipse has variances a²/4 and b²/4.
	xx, yy, xy := sxx/s-float64(mx*mx)-1.0/12, syy/s-float64(my*my)-1.0/12, sxy/s-float64(mx*my)
	along := (xx+yy)/2 + math.Hypot((xx-yy)/2, xy)
	return 4*math.Sqrt(math.Max(0, along)) > 1
}
