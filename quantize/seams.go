package quantize

import (
	"cmp"
	"math"
	"slices"
)

// This file takes out what shines through seams. A renderer that paints one shape after the other, each with the share of a
// pixel that it covers, lets what lies beneath be seen where two areas abut: where the one on top covers a share a of a pixel,
// and what it was painted on, or the area below, ends there too, a(1-a) of the pixel shows what lies under both. That makes a
// line along the edge which nobody drew, and which may run on into an area of its colour. A rim that was drawn does not follow
// this law as its edges cross the pixels.

const (
	seamReach   = 4   // px from core to core across a seam at most
	seamGap     = 3   // px from one pixel of a seam to the next at most: it shows nothing where it runs along a border of pixels
	seamMiss    = 3   // levels by which a pixel may miss the law: three paints in three channels, each rounded by half a level
	seamPixels  = 6   // pixels of a seam at least: fewer may follow the law by chance
	seamOdd     = 0.1 // share of them that need not: other shapes begin beside them
	seamSample  = 16  // of them are asked first which colour they show
	seamApart   = 0.1 // by which a share differs from the usual one of its seam where it tells of the law
	seamTelling = 12  // pixels that do so in a picture at least: along a row of pixels all are one, and follow it by chance
)

// seamPixel is a pixel between cores of labels l and m, l <= m, that no mixture of the two explains.
type seamPixel struct {
	at   int
	l, m uint8
	of   [2]float64 // shares of l and m among the cores around it
}

// A seam is a law: top ends where below begins, and what lies under both is seen.
type seam struct{ top, below, under tone }

// shown returns the colour of a pixel of which top covers share a.
func (s *seam) shown(a float64) tone {
	b, u := (1-a)*(1-a), float64(a*(1-a))
	return tone{
		float64(a*s.top.x) + float64(b*s.below.x) + float64(u*s.under.x),
		float64(a*s.top.y) + float64(b*s.below.y) + float64(u*s.under.y),
		float64(a*s.top.z) + float64(b*s.below.z) + float64(u*s.under.z),
	}
}

// covers returns the share of what lies on top with which the seam shows c most nearly, and by how many levels it misses. Where
// the three colours lie on a line two shares may do; then it is the one near guess.
func (s *seam) covers(c tone, guess float64) (a, miss float64) {
	const (
		rounds = 6 // of Newton's method
		better = 1 // level by which another share must be
	)
	miss = math.Inf(1)
	for _, x := range [3]float64{guess, 0.2, 0.8} {
		for range rounds {
			// how the colour changes with the share
			d := tone{
				s.top.x - float64(2*(1-x)*s.below.x) + float64((1-2*x)*s.under.x),
				s.top.y - float64(2*(1-x)*s.below.y) + float64((1-2*x)*s.under.y),
				s.top.z - float64(2*(1-x)*s.below.z) + float64((1-2*x)*s.under.z),
			}
			dd := d.dot(d)
			if dd == 0 {
				break
			}
			x = clamp01(x + d.dot(c.sub(s.shown(x)))/dd)
		}
		if m := c.sub(s.shown(x)).len(); m < miss-better {
			a, miss = x, m
		}
	}
	return a, miss
}

// takeSeams takes out what shines through the seams among pixels, which no mixture of two colours explains.
func (q *flattener) takeSeams(pixels []int) {
	if float64(len(pixels)) > wildShare*float64(q.w*q.h) {
		return
	}
	rows := q.seamRows(pixels)
	seams := make([][]throughSeam, len(rows))
	parallel(len(rows), q.opt.Workers, func(n int) { seams[n] = q.seamOf(rows[n]) })
	telling := 0
	for _, s := range seams {
		if len(s) == 0 {
			continue
		}
		usual := slices.SortedFunc(slices.Values(s), func(a, b throughSeam) int { return cmp.Compare(a.share, b.share) })[len(s)/2].share
		for _, p := range s {
			if math.Abs(p.share-usual) > seamApart {
				telling++
			}
		}
	}
	if telling < seamTelling {
		return
	}
	q.clear, q.seamed = newOverlay(q.w*q.h), q.blank()
	for _, s := range seams {
		for k := range s {
			q.clear.put(&s[k].clearPixel, q.px)
			q.labels[s[k].at] = s[k].label
			setBits(q.seamed, int(s[k].at), int(s[k].at)+1)
		}
	}
}

// seamRows returns the pixels between the same two labels, those that follow on one another together.
func (q *flattener) seamRows(pixels []int) (rows [][]seamPixel) {
	between := make([]seamPixel, len(pixels))
	parallel(len(pixels), q.opt.Workers, func(n int) { between[n] = q.acrossSeam(pixels[n]) })
	left := make(map[int]seamPixel, len(pixels)) // by pixel, those in no row yet
	for _, p := range between {
		if p.l != p.m {
			left[p.at] = p
		}
	}
	for _, first := range between {
		if _, ok := left[first.at]; !ok {
			continue
		}
		delete(left, first.at)
		row := []seamPixel{first}
		for k := 0; k < len(row); k++ {
			x, y := row[k].at%q.w, row[k].at/q.w
			for yy := max(0, y-seamGap); yy <= min(q.h-1, y+seamGap); yy++ {
				for xx := max(0, x-seamGap); xx <= min(q.w-1, x+seamGap); xx++ {
					if p, ok := left[yy*q.w+xx]; ok && p.l == first.l && p.m == first.m {
						delete(left, p.at)
						row = append(row, p)
					}
				}
			}
		}
		if len(row) >= seamPixels {
			rows = append(rows, row)
		}
	}
	return rows
}

// acrossSeam returns pixel i with the labels of the nearest cores on opposite sides; both are 0 where there are no two that
// differ.
func (q *flattener) acrossSeam(i int) seamPixel {
	a := q.look(i, seamReach-1)
	nearest := seamReach + 1
	p := seamPixel{at: i}
	for dir := range 4 {
		l, m := a.label[dir], a.label[dir+4]
		if away := a.away[dir] + a.away[dir+4]; l >= 0 && m >= 0 && l != m && away < nearest {
			nearest, p.l, p.m = away, uint8(min(l, m)), uint8(max(l, m))
		}
	}
	n := 0.0 // cores of either that meet the pixel
	for dir := range 8 {
		if a.away[dir] != 1 {
			continue
		}
		switch a.label[dir] {
		case int(p.l):
			p.of[0]++
			n++
		case int(p.m):
			p.of[1]++
			n++
		}
	}
	if n == 0 {
		p.of, n = [2]float64{1, 1}, 2
	}
	p.of[0] /= n
	p.of[1] /= n
	return p
}

// throughSeam is a pixel without what shines through it, and the share that what lies on top covers.
type throughSeam struct {
	clearPixel
	share float64
}

// seamOf returns the pixels of a row that follow the law of a seam, nil where it is none.
func (q *flattener) seamOf(row []seamPixel) (best []throughSeam) {
	l, m := int(row[0].l), int(row[0].m)
	for t := range q.tints {
		if t == l || t == m || t == q.paper {
			continue
		}
		for side, top := range [2]int{l, m} {
			s := seam{q.tints[top].v, q.tints[l+m-top].v, q.tints[t].v}
			odd, asked := 0, 0
			for k := 0; k < len(row); k += (len(row) + seamSample - 1) / seamSample {
				if _, miss := s.covers(q.tone(row[k].at), 0.5); miss > seamMiss {
					odd++
				}
				asked++
			}
			if 2*odd > asked {
				continue
			}
			var found []throughSeam
			for _, p := range row {
				a, miss := s.covers(q.tone(p.at), p.of[side])
				if miss > seamMiss {
					continue
				}
				label := top
				if a < 0.5 {
					label = l + m - top
				}
				c := clearPixel{at: int32(p.at), label: uint8(label)}
				for k, v := range [3][2]float64{{s.top.x, s.below.x}, {s.top.y, s.below.y}, {s.top.z, s.below.z}} {
					c.colour[k] = uint8(math.Round(float64(a*v[0]) + float64((1-a)*v[1])))
				}
				found = append(found, throughSeam{c, a})
			}
			if len(found) > len(best) {
				best = found
			}
		}
	}
	if len(best) < seamPixels || float64(len(row)-len(best)) > seamOdd*float64(len(row)) {
		return nil
	}
	return best
}
