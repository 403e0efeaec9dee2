package paper

import (
	"bytes"
	"math"
	"slices"

	"pochoir/quantize/large"
)

// This file takes off what shows through a sheet from its back. What tells it from what is drawn on the front: it is
// faint, and paper scatters it, so that it passes into what lies around it without an edge, where ink and paint have
// one. Between edges a sheet, or a paint, is of one colour; what is a little darker there and has the lines of a drawing is
// its back.

const (
	throughSide  = 720   // pixels, about, along the long side of the reduced sheet that is looked at
	throughDark  = 150   // level of the lightest channel below which a pixel is ink
	throughLevel = 205   // least level of the darkest channel on paper of what shows through
	throughCrisp = 0.3   // share of the contrast about a place that an edge takes in one pixel
	throughReach = 5     // pixels around a place that its contrast is taken from
	throughArea  = 150   // least pixels between edges that are looked at
	throughLine  = 3     // pixels to both sides of a line's crest over which it fades
	throughRun   = 16    // least pixels of such a line in one
	throughLong  = 0.2   // of the sheet's long side: length of lines from which a back is believed
	throughPale  = 0.25  // of that: how much must lie on paper
	throughSeen  = 0.004 // of the sheet: how much must be a little darker than paper for a closer look
	throughDeep  = 3     // how deep paints are looked for in one another
	throughEdged = 0.5   // share of edges in the outline of a paint
	throughBroad = 9     // pixels from the middle of a square to its sides: what is as broad is no line
	throughMost  = 0.25  // of a paint's level: how much darker it may be where the back shows through
)

// dropThrough takes what shows through from the back off the sheet and returns the share of the sheet that it covered.
func (s *Sheet) dropThrough(c crew) (share float64) { return s.lift(s.findThrough(c)) }

// findThrough parts the sheet by what shows through from the back; nil where nothing does.
func (s *Sheet) findThrough(c crew) *atlas {
	f := max(2, (max(s.W, s.H)+throughSide-1)/throughSide)
	w, h := s.W/f, s.H/f
	if min(w, h) < 8*throughReach || s.Blur > 2.5 {
		return nil
	}
	step := int(math.Max(6, 4*s.Noise/float64(f)))
	px := s.reduced(c, f)
	if !s.mayShow(px, w, h, step) {
		return nil
	}
	if strong, _ := s.paintThere(); !strong {
		return nil
	}
	a := &atlas{px: px, f: f, w: w, h: h, step: step, of: large.Make[int32](w * h)}
	a.ink, a.crisp = edgesOf(c, px, w, h, step)
	a.byInk = around(a.ink, w, h, 3, false)
	a.part()
	// The lines of a drawing, without an edge, are what the back is known by. Paint varies by itself: some of them must
	// lie on paper, or the palest paint.
	crests := large.Make[bool](w * h)
	for _, pale := range [2]bool{true, false} {
		for k := range a.all {
			if c := a.all[k].colour; (min(c[0], c[1], c[2]) >= throughLevel) == pale {
				a.crests(&a.all[k], crests)
			}
		}
		long, least := longLines(crests, w, h, throughRun), throughLong*float64(max(w, h))
		if pale {
			least *= throughPale
		}
		if float64(long) < least {
			return nil
		}
	}
	return a
}

// lift takes off the sheet what shows through by an atlas of it, if there is one, and returns the share of the sheet that
// it covered.
func (s *Sheet) lift(a *atlas) (share float64) {
	if a == nil {
		return 0
	}
	broad := a.broad()
	n := 0
	for k := range a.all {
		n += s.liftRegion(a, &a.all[k], broad)
	}
	return float64(n) / float64(a.w*a.h)
}

// reduced returns the sheet with f × f pixels in one, R,G,B each.
func (s *Sheet) reduced(c crew, f int) []uint8 {
	w, h := s.W/f, s.H/f
	out := large.Make[uint8](3 * w * h)
	c.rows(h, func(y0, y1 int) {
		sums := make([]int, 3*w)
		for y := y0; y < y1; y++ {
			clear(sums)
			for k := range f {
				row := s.Pix[4*s.W*(y*f+k):]
				for x := 0; x < w; x++ {
					for to := min(s.blank.until(f*x, y*f+k)/f, w); x < to; x++ {
						sums[3*x] += 255 * f
						sums[3*x+1] += 255 * f
						sums[3*x+2] += 255 * f
					}
					if x >= w {
						break
					}
					p, sum := row[4*f*x:4*f*(x+1)], sums[3*x:3*x+3:3*x+3]
					for i := 0; i < len(p); i += 4 {
						sum[0] += int(p[i])
						sum[1] += int(p[i+1])
						sum[2] += int(p[i+2])
					}
				}
			}
			for i, v := range sums {
				out[3*y*w+i] = uint8((v + f*f/2) / (f * f))
			}
		}
	})
	return out
}

// mayShow reports whether enough of the sheet is a little darker than paper.
func (s *Sheet) mayShow(px []uint8, w, h, step int) bool {
	n := 0
	for i := 0; i < len(px); i += 3 {
		if m := int(min(px[i], px[i+1], px[i+2])); m >= throughLevel && m <= 255-step {
			n++
		}
	}
	return float64(n) > throughSeen*float64(w*h)
}

// edgesOf marks the pixels of ink, and those where two colours meet in an edge.
func edgesOf(c crew, px []uint8, w, h, step int) (ink, edge []uint8) {
	ink = large.Make[uint8](w * h)
	// Two readings of a pixel: its darkest channel, and green.
	var level, low, high [2][]uint8
	for k := range level {
		level[k] = large.Make[uint8](w * h)
	}
	for i := range ink {
		p := px[3*i : 3*i+3 : 3*i+3]
		level[0][i], level[1][i] = min(p[0], p[1], p[2]), p[1]
		if max(p[0], p[1], p[2]) < throughDark {
			ink[i] = marked
		}
	}
	ink = around(ink, w, h, 1, false)
	// The least and the greatest level about each pixel, ink not counted.
	c.each(4, func(k int) {
		v, least := slices.Clone(level[k/2]), k%2 == 0
		for i, m := range ink {
			if least {
				v[i] |= m
			} else {
				v[i] &^= m
			}
		}
		if v = around(v, w, h, throughReach, least); least {
			low[k/2] = v
		} else {
			high[k/2] = v
		}
	})
	edge = large.Make[uint8](w * h)
	c.rows(h, func(y0, y1 int) {
		for y := max(1, y0); y < min(h-1, y1); y++ {
			for x := 1; x < w-1; x++ {
				i := y*w + x
				if ink[i] != 0 {
					continue
				}
				for k, level := range level {
					span := int(high[k][i]) - int(low[k][i])
					if span < step {
						continue
					}
					across, down := abs(int(level[i+1])-int(level[i-1])), abs(int(level[i+w])-int(level[i-w]))
					// over two pixels
					if float64(max(across, down)) > 2*throughCrisp*float64(span) {
						edge[i] = marked
					}
				}
			}
		}
	})
	return ink, around(edge, w, h, 1, false)
}

// marked is the byte of a pixel that belongs to a mask; all its bits are set.
const marked = 0xff

// around returns the greatest, or the least, byte within r pixels both ways of each of w x h.
func around(v []uint8, w, h, r int, least bool) []uint8 {
	rim := uint8(0) // what has no say
	if least {
		rim = 255
	}
	wide := w + 2*r
	a := bytes.Repeat([]uint8{rim}, wide*(h+2*r))
	for y := range h {
		copy(a[(y+r)*wide+r:], v[y*w:(y+1)*w])
	}
	widen(a, 2*r+1, 1, least)
	widen(a, 2*r+1, wide, least)
	out := large.Make[uint8](w * h)
	for y := range h {
		copy(out[y*w:(y+1)*w], a[y*wide:])
	}
	return out
}

// region is a set of pixels of one colour: with no edge between them, and without the paints within it.
type region struct {
	px     []int32
	colour [3]uint8 // its most frequent one, the lighter of two
}

// atlas parts a sheet into regions.
type atlas struct {
	px    []uint8 // the sheet, reduced
	f     int     // px of the sheet a side of a pixel
	w, h  int
	step  int     // levels by which a pixel is darker than its region when it counts
	ink   []uint8 // masks of marked pixels
	byInk []uint8 // the edges of ink
	crisp []uint8 // where two colours meet in an edge
	of    []int32 // number of each pixel's region; 0 in walls and in regions that are too small
	dark  []uint8 // scratch mask, empty between regions
	next  int32
	all   []region
}

// fill collects the marked pixels of a mask that are connected with a first one, and takes them off it.
func (a *atlas) fill(first int32, mask []uint8) []int32 {
	w, n := int32(a.w), int32(a.w*a.h)
	px := []int32{first}
	mask[first] = 0
	take := func(i int32) {
		if mask[i] != 0 {
			mask[i] = 0
			px = append(px, i)
		}
	}
	for k := 0; k < len(px); k++ {
		i := px[k]
		x := i % w
		if x > 0 {
			take(i - 1)
		}
		if x < w-1 {
			take(i + 1)
		}
		if i >= w {
			take(i - w)
		}
		if i < n-w {
			take(i + w)
		}
	}
	return px
}

// part finds the regions of the sheet.
func (a *atlas) part() {
	open := large.Make[uint8](a.w * a.h)
	for i := range open {
		open[i] = ^(a.crisp[i] | a.ink[i])
	}
	a.dark = large.Make[uint8](a.w * a.h)
	for i := range open {
		if open[i] != 0 { // fill has not been here
			a.add(a.fill(int32(i), open), 0)
		}
	}
}

// add makes a region of connected pixels. An edge may be lost over a few pixels, and a paint run together with what lies
// around it: so what is darker within a region and has edges around most of it is one of its own.
func (a *atlas) add(px []int32, depth int) {
	if len(px) < throughArea {
		return
	}
	r := region{px: px}
	r.measure(a.px)
	a.next++
	number := a.next
	for _, i := range px {
		a.of[i] = number
	}
	if depth < throughDeep {
		var within [][]int32
		for _, i := range px {
			if r.under(a.px, int(i)) >= a.step {
				a.dark[i] = marked
			}
		}
		for _, i := range px {
			if a.dark[i] != 0 {
				if k := a.fill(i, a.dark); len(k) >= throughArea && a.edged(k) > throughEdged {
					within = append(within, k)
				}
			}
		}
		for _, k := range within {
			a.add(k, depth+1)
		}
		if len(within) > 0 {
			kept := make([]int32, 0, len(px))
			for _, i := range px {
				if a.of[i] == number {
					kept = append(kept, i)
				}
			}
			r.px = kept
		}
	}
	a.all = append(a.all, r)
}

// edged returns the share of edges in the outline of a set of pixels, what borders on ink left out.
func (a *atlas) edged(px []int32) float64 {
	const reach = 2
	in := make(map[int32]bool, len(px))
	for _, i := range px {
		in[i] = true
	}
	edges, all := 0, 0
	for _, i := range px {
		x, y := int(i)%a.w, int(i)/a.w
		if x < reach || y < reach || x >= a.w-reach || y >= a.h-reach {
			continue
		}
		for _, o := range [4]int32{1, -1, int32(a.w), -int32(a.w)} {
			switch j := i + o; {
			case in[j] || a.byInk[j] != 0:
			case a.crisp[j] != 0:
				edges++
				all++
			default:
				all++
			}
		}
	}
	if all == 0 {
		return 1
	}
	return float64(edges) / float64(all)
}

// measure finds the colour of a region: in each channel the lightest level that is nearly as frequent as any.
func (r *region) measure(px []uint8) {
	for k := range 3 {
		var bins [256]int
		for _, i := range r.px {
			bins[px[3*int(i)+k]]++
		}
		at := func(v int) (n int) {
			for b := max(0, v-2); b <= min(255, v+2); b++ {
				n += bins[b]
			}
			return n
		}
		most := 0
		for v := range bins {
			most = max(most, at(v))
		}
		for v := 255; v >= 0; v-- {
			if 2*at(v) > most && at(v) >= at(v-1) {
				r.colour[k] = uint8(v)
				break
			}
		}
	}
}

// under returns how much darker than its region a pixel is, levels, in the channel where it is most.
func (r *region) under(px []uint8, i int) int {
	return max(int(r.colour[0])-int(px[3*i]), int(r.colour[1])-int(px[3*i+1]), int(r.colour[2])-int(px[3*i+2]))
}

// crests marks the crests of the soft lines in the region: what fades evenly to both sides.
func (a *atlas) crests(r *region, out []bool) {
	if len(r.px) == 0 {
		return
	}
	of, number, px := a.of, a.of[r.px[0]], a.px
	for _, i := range r.px {
		d := r.under(px, int(i))
		if d < a.step {
			continue
		}
		for _, o := range [2]int32{1, int32(a.w)} {
			back, fore := i-throughLine*o, i+throughLine*o
			if back < 0 || int(fore) >= len(of) || of[back] != number || of[fore] != number || of[i-o] != number || of[i+o] != number {
				continue
			}
			near, far := [2]int{r.under(px, int(i-o)), r.under(px, int(i+o))}, [2]int{r.under(px, int(back)), r.under(px, int(fore))}
			fade := max(a.step/2, d/5)
			if d-far[0] >= fade && d-far[1] >= fade && d > near[0] && d >= near[1] {
				out[i] = true
				break
			}
		}
	}
}

// longLines returns how many pixels of a mask lie in connected sets of at least least.
func longLines(mask []bool, w, h, least int) (n int) {
	done := make([]bool, len(mask))
	var px []int
	for i, m := range mask {
		if !m || done[i] {
			continue
		}
		px = append(px[:0], i)
		done[i] = true
		for k := 0; k < len(px); k++ {
			x, y := px[k]%w, px[k]/w
			for yy := max(0, y-2); yy <= min(h-1, y+2); yy++ { // noise breaks a crest here and there
				for xx := max(0, x-2); xx <= min(w-1, x+2); xx++ {
					if j := yy*w + xx; mask[j] && !done[j] {
						done[j] = true
						px = append(px, j)
					}
				}
			}
		}
		if len(px) >= least {
			n += len(px)
		}
	}
	return n
}

// broad marks the pixels that lie in what is too broad for a line of the back: a paint may have run together with the
// paper around it where its edge is lost, and must not go with the lines. A square is broad when it holds nothing but
// pixels darker than their region, and ink and edges between them.
func (a *atlas) broad() []bool {
	const (
		side  = 2*throughBroad + 1
		least = 0.4 // of the square: pixels that are no ink and no edge
		near  = 2   // pixels around the square that are soft yet
	)
	w, h := a.w, a.h
	under := large.Make[bool](w * h)
	for k := range a.all {
		r := &a.all[k]
		for _, i := range r.px {
			under[i] = r.under(a.px, int(i)) >= a.step
		}
	}
	// Sums over all that is above and to the left: of such pixels, and of those with walls.
	sw := w + 1
	some, all := make([]int32, sw*(h+1)), make([]int32, sw*(h+1))
	for y := range h {
		var m, n int32
		for x := range w {
			switch i := y*w + x; {
			case under[i]:
				m++
				n++
			case a.ink[i]|a.crisp[i] != 0:
				n++
			}
			j := (y+1)*sw + x + 1
			some[j], all[j] = some[j-sw]+m, all[j-sw]+n
		}
	}
	// The squares' corners, and what they cover, by differences.
	cover := make([]int32, sw*(h+1))
	for y := 0; y+side <= h; y++ {
		for x := 0; x+side <= w; x++ {
			p, q := y*sw+x, (y+side)*sw+x
			if all[q+side]-all[q]-all[p+side]+all[p] < side*side ||
				float64(some[q+side]-some[q]-some[p+side]+some[p]) < least*side*side {
				continue
			}
			x0, y0, x1, y1 := max(0, x-near), max(0, y-near), min(w, x+side+near), min(h, y+side+near)
			cover[y0*sw+x0]++
			cover[y0*sw+x1]--
			cover[y1*sw+x0]--
			cover[y1*sw+x1]++
		}
	}
	out := large.Make[bool](w * h)
	column := make([]int32, w) // how many squares cover the row's pixels, carried from row to row
	for y := range h {
		var sum int32
		for x := range w {
			sum += cover[y*sw+x]
			column[x] += sum
			out[y*w+x] = column[x] > 0
		}
	}
	return out
}

// liftRegion puts the region's own colour in the place of what is a little darker and not broad, and returns of how many pixels.
func (s *Sheet) liftRegion(a *atlas, r *region, broad []bool) (n int) {
	for _, i := range r.px {
		if broad[i] {
			continue
		}
		d := r.under(a.px, int(i))
		top := int(max(r.colour[0], r.colour[1], r.colour[2]))
		if float64(d) > throughMost*float64(top) {
			continue
		}
		if d >= a.step {
			n++
		}
		x, y := int(i)%a.w*a.f, int(i)/a.w*a.f
		for yy := y; yy < y+a.f; yy++ {
			p := s.Pix[4*(yy*s.W+x):]
			for k := range a.f {
				for ch := range 3 {
					p[4*k+ch] = max(p[4*k+ch], r.colour[ch])
				}
			}
		}
	}
	return n
}
