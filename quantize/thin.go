package quantize

import (
	"cmp"
	"math"
	"slices"
	"sync"

	"pochoir/quantize/colour"
)

// This file labels thin features: what no mixture of the cores around explains. Each connected part is one colour mixed
// with its surroundings; where no tint will do, the part has a tint of its own.

// thinPixel is one pixel of a thin feature and the labels of the cores around it.
type thinPixel struct {
	at   int
	c    tone
	near [8]uint8
	n    uint8
	rim  bool     // between two areas, and not far from their mixture
	ends [2]int16 // of a rim that is mixed too gradually for an edge: the labels either side, which do not explain it; -1
}

// wildShare is the share of open pixels from which a picture is not one of flat areas: a photograph, a gradient, noise.
const wildShare = 0.25

// thinFeatures labels the open pixels.
func (q *flattener) thinFeatures(open []int) {
	if len(open) == 0 {
		return
	}
	if float64(len(open)) > wildShare*float64(q.w*q.h) {
		q.nearestLabels(open)
		return
	}
	q.unsettled = q.blank()
	for _, i := range open {
		setBits(q.unsettled, i, i+1)
	}
	q.ownTints(open)
	q.eachPart(open, func(_ int, part []thinPixel) { q.labelPart(part) })
}

// partBatch is how many pixels of parts are gathered before goroutines go to work on them.
const partBatch = 1 << 14

// eachPart calls do with every 8-connected part of the open pixels and its number. Several calls run at once; do may
// write to the pixels of its part.
func (q *flattener) eachPart(open []int, do func(n int, part []thinPixel)) {
	waiting := q.blank()
	for _, i := range open {
		setBits(waiting, i, i+1)
	}
	var pixels []thinPixel
	var starts []int
	number := 0
	work := func() {
		starts = append(starts, len(pixels))
		parallel(len(starts)-1, q.opt.Workers, func(k int) {
			part := pixels[starts[k]:starts[k+1]:starts[k+1]]
			for n := range part {
				q.lookAround(&part[n])
			}
			do(number+k, part)
		})
		number += len(starts) - 1
		pixels, starts = pixels[:0], starts[:0]
	}
	for _, first := range open {
		if !bit(waiting, first) {
			continue
		}
		starts = append(starts, len(pixels))
		pixels = append(pixels, thinPixel{at: first})
		clearBit(waiting, first)
		for k := starts[len(starts)-1]; k < len(pixels); k++ {
			x, y := pixels[k].at%q.w, pixels[k].at/q.w
			for yy := max(0, y-1); yy <= min(q.h-1, y+1); yy++ {
				for xx := max(0, x-1); xx <= min(q.w-1, x+1); xx++ {
					if j := yy*q.w + xx; bit(waiting, j) {
						clearBit(waiting, j)
						pixels = append(pixels, thinPixel{at: j})
					}
				}
			}
		}
		if len(pixels) >= partBatch {
			work()
		}
	}
	work()
	q.spare = append(q.spare, waiting)
}

// lookAround fills in what a pixel of a thin feature sees.
func (q *flattener) lookAround(p *thinPixel) {
	a := q.look(p.at, q.reach()+2)
	p.c = q.tone(p.at)
	near := a.nearest()
	p.n = uint8(len(near))
	for k, l := range near {
		p.near[k] = uint8(l)
	}
	p.rim, p.ends = q.rim(&a, p.c), q.ends(p.at, &a)
}

// rim reports whether a pixel of colour c lies between two areas and not far from their mixture. Where areas that were
// painted with soft edges abut, what lies beneath shows through by a quarter at most.
func (q *flattener) rim(a *around, c tone) bool {
	const (
		wide = 5    // px from core to core
		far  = 60.0 // levels: a quarter of the range
	)
	for dir := range 4 {
		l, m := a.label[dir], a.label[dir+4]
		if l < 0 || m < 0 || l == m || a.away[dir]+a.away[dir+4] > wide {
			continue
		}
		if _, miss := q.pair(l, m).mix(c); miss < far {
			return true
		}
	}
	return false
}

// ends returns the labels on both sides of a rim that is too gradual for an edge.
func (q *flattener) ends(i int, a *around) [2]int16 {
	for dir := range 4 {
		if l, m := a.label[dir], a.label[dir+4]; l >= 0 && m >= 0 && l != m && q.rimmed(i, a, l, m) {
			return [2]int16{int16(l), int16(m)}
		}
	}
	return [2]int16{-1, -1}
}

// labelPart finds the tint that, mixed with the cores around each pixel, explains a part best, and labels it; what it
// leaves over is a part again.
func (q *flattener) labelPart(part []thinPixel) {
	rest := slices.Clone(part)
	for len(rest) > 0 {
		order := q.thinTints(rest)
		k := order[0].tint
		for _, t := range order {
			if t.miss > q.mayMiss() {
				break
			}
			if !q.soft || !q.discoloured(rest, t.tint) {
				k = t.tint
				break
			}
		}
		var done, left []thinPixel
		for _, p := range rest {
			if _, _, miss := q.mixThin(&p, k); miss <= q.mayMiss() {
				done = append(done, p)
			} else {
				left = append(left, p)
			}
		}
		if len(done) == 0 { // nothing comes near: the nearest of all
			done, left = left, nil
		}
		shares := make([]float64, len(done))
		for n := range done {
			var label int
			label, shares[n], _ = q.mixThin(&done[n], k)
			if shares[n] >= 0.5 {
				label = k
			}
			q.labels[done[n].at] = uint8(label)
		}
		if !q.rough {
			q.mend(done, shares, k)
		}
		rest = left
	}
}

// thinTint is how well a tint explains a part.
type thinTint struct {
	tint       int
	cost, miss float64 // levels
}

// partSample is how many pixels of a part are looked at to choose its tint.
const partSample = 150

// thinTints returns the tints in the order in which they explain the pixels, best first; in a picture with whole chroma
// some of the worse ones are left out.
func (q *flattener) thinTints(pixels []thinPixel) []thinTint {
	cap := 3 * q.mayMiss()
	step := max(1, len(pixels)/partSample)
	asked := float64((len(pixels) + step - 1) / step)
	give := math.Inf(1) // sum of misses at which a tint is given up
	out := make([]thinTint, 0, len(q.tints))
	for k := range q.tints {
		if k == q.paper {
			continue
		}
		var sum, most float64
		for i := 0; i < len(pixels) && sum <= give; i += step {
			_, share, m := q.mixThin(&pixels[i], k)
			sum += min(m, cap)
			if m <= q.mayMiss() {
				most = max(most, share)
			}
		}
		if sum > give {
			continue
		}
		mean := sum / asked
		// of two that explain it equally, the one that shows itself more nearly unmixed
		t := thinTint{k, mean + q.mayMiss()*(1-most), mean}
		if out = append(out, t); !q.soft { // chroma may turn down the best in a soft picture
			give = min(give, t.cost*asked)
		}
	}
	slices.SortStableFunc(out, func(a, b thinTint) int { return cmp.Compare(a.cost, b.cost) })
	return out
}

// mixThin returns the share of tint k in the mixture with one or two of the labels around that comes nearest to the
// pixel, the label with the larger share of the others, and by how much the mixture misses.
func (q *flattener) mixThin(p *thinPixel, k int) (label int, share, miss float64) {
	c := p.c
	if int(p.ends[0]) == k || int(p.ends[1]) == k {
		return k, 0, math.Inf(1)
	}
	label, share, miss = k, 1, toneDistance(c, q.tints[k].v, q.soft)
	for _, l := range p.near[:p.n] {
		if int(l) == k {
			continue
		}
		if s, m := q.pair(k, int(l)).mix(c); m < miss {
			label, share, miss = int(l), s, m
		}
	}
	if q.soft || miss <= q.mayMiss() {
		return label, share, miss
	}
	for x, l := range p.near[:p.n] {
		for _, m := range p.near[:x] {
			if int(l) == k || int(m) == k {
				continue
			}
			w, d, ok := mix3(c, q.tints[k].v, q.tints[l].v, q.tints[m].v)
			if !ok || d >= miss {
				continue
			}
			label, share, miss = int(l), w[0], d
			if w[2] > w[1] {
				label = int(m)
			}
			if w[0] < 0.5 && w[0] >= max(w[1], w[2]) {
				share = 0.5 // the largest of three
			}
		}
	}
	return label, share, miss
}

// mend keeps lines whole whose share falls below one half: a pixel with more of tint k than those on both sides of it
// across the line, with more of the line ahead of it or behind it, belongs to the line.
func (q *flattener) mend(pixels []thinPixel, shares []float64, k int) {
	const (
		faint = 0.15 // least share of a pixel
		slim  = 0.3  // least width of the line, px
	)
	weak := false
	for _, s := range shares {
		weak = weak || s >= faint && s < 0.5
	}
	if !weak {
		return
	}
	share := make(map[int]float64, len(pixels))
	for n, p := range pixels {
		share[p.at] = shares[n]
	}
	of := func(x, y int) float64 {
		if uint(x) >= uint(q.w) || uint(y) >= uint(q.h) {
			return 0
		}
		i := y*q.w + x
		if s, ok := share[i]; ok {
			return s
		}
		// Two pixels away another part may begin, and another goroutine be at work on it: only what was settled before
		// counts, so that the order of the parts does not matter.
		if !bit(q.unsettled, i) && int(q.labels[i]) == k {
			return 1
		}
		return 0
	}
	var line []int
	for n, p := range pixels {
		s := shares[n]
		if s < faint || s >= 0.5 {
			continue
		}
		x, y := p.at%q.w, p.at/q.w
		for axis := range 4 {
			dx, dy := compass[axis][0], compass[axis][1]
			before, after := of(x-dx, y-dy), of(x+dx, y+dy)
			if before >= s || after > s || before+s+after < slim {
				continue
			}
			ax, ay := -dy, dx // along the line
			ahead := max(of(x+ax, y+ay), max(of(x+ax+dx, y+ay+dy), of(x+ax-dx, y+ay-dy)))
			behind := max(of(x-ax, y-ay), max(of(x-ax+dx, y-ay+dy), of(x-ax-dx, y-ay-dy)))
			if ahead >= faint && behind >= faint {
				line = append(line, p.at)
				break
			}
		}
	}
	for _, i := range line {
		q.labels[i] = uint8(k)
	}
}

// What makes a tint of its own out of thin features.
const (
	oddPart   = 6    // pixels of a part at least
	oddPixels = 12   // pixels of all parts
	oddShare  = 5e-5 // and share of the picture
	ownMiss   = 1.7  // and distance from every other tint, in levels by which a mixture may miss
)

// ownTints makes tints for parts that no tint explains.
func (q *flattener) ownTints(open []int) {
	type odd struct {
		part   int
		v      tone
		pixels []int // the purest
		all    int   // pixels of the parts
	}
	var odds []odd
	var mu sync.Mutex
	q.eachPart(open, func(n int, part []thinPixel) {
		if len(part) < oddPart {
			return
		}
		var left []thinPixel
		explained := false
		for _, t := range q.thinTints(part) {
			if t.miss > 2*q.mayMiss() {
				break // the list goes by cost, but what misses by so much costs as much
			}
			if q.soft && q.discoloured(part, t.tint) {
				continue
			}
			explained = true
			for _, p := range part {
				if _, _, miss := q.mixThin(&p, t.tint); miss > q.mayMiss() {
					left = append(left, p)
				}
			}
			break
		}
		if !explained {
			left = part
		}
		if pixels, all := q.purest(left); all >= oddPart {
			mu.Lock()
			odds = append(odds, odd{n, toneOfRGB(q.median(pixels), q.soft), pixels, all})
			mu.Unlock()
		}
	})
	slices.SortFunc(odds, func(a, b odd) int { return cmp.Or(cmp.Compare(b.all, a.all), cmp.Compare(a.part, b.part)) })
	var groups []odd
next:
	for _, o := range odds {
		for k := range groups {
			if toneDistance(o.v, groups[k].v, q.soft) <= 2*q.mayMiss() {
				groups[k].pixels = append(groups[k].pixels, o.pixels...)
				groups[k].all += o.all
				continue next
			}
		}
		groups = append(groups, o)
	}
	least := max(oddPixels, int(oddShare*float64(q.w*q.h)))
	for _, g := range groups {
		if g.all < least || len(q.tints) >= q.limit() {
			continue
		}
		c := q.commonest(g.pixels)
		if q.nearWithin(c, ownMiss*q.mayMiss()) != unlabelled || !q.rough && (q.mixture(toneOfRGB(c, q.soft), 3*mixMiss, nil) || q.shines(c, g.pixels)) {
			continue
		}
		q.addTint(c, g.all)
		q.prepareMixtures()
	}
}

// shines reports whether c is a mixture of two tints that shine through one that lies beside most of the pixels: of that at
// least half is seen.
func (q *flattener) shines(c colour.RGB, pixels []int) bool {
	beside := make([]int, len(q.tints))
	for _, i := range pixels {
		a := q.look(i, q.reach()+2)
		for _, l := range a.nearest() {
			beside[l]++
		}
	}
	v := toneOfRGB(c, q.soft)
	for own, n := range beside {
		if 2*n <= len(pixels) {
			continue
		}
		for a := range q.tints {
			for b := range a {
				if a == own || b == own {
					continue
				}
				if w, miss, ok := mix3(v, q.tints[own].v, q.tints[a].v, q.tints[b].v); ok && miss <= mixMiss && w[0] >= 0.5 {
					return true
				}
			}
		}
	}
	return false
}

// discoloured reports whether the pixels of a part lack the chroma that tint k would bring with the luma that it
// accounts for. Chroma of a narrow strip is spread to both sides, but some of it stays.
func (q *flattener) discoloured(part []thinPixel, k int) bool {
	const (
		stays  = 0.3  // least share of the chroma that a strip keeps
		colour = 12.0 // levels of chroma that two tints must differ by to tell
	)
	var luma, chroma float64
	for i := range part {
		l, share, _ := q.mixThin(&part[i], k)
		if l == k {
			continue
		}
		p := q.pair(k, l)
		if p.cc < colour*colour || share < 0.3 {
			continue
		}
		e := part[i].c.sub(p.b)
		luma += share
		chroma += (float64(e.y*p.d.y) + float64(e.z*p.d.z)) / p.cc
	}
	return luma >= oddPixels && chroma < stays*luma
}

// purest returns those pixels that lie farthest from the colours around them: a twentieth of them, two fifths in a
// rough picture, three at least. Rims do not count.
//
// It returns how many pixels it chose from as well.
func (q *flattener) purest(pixels []thinPixel) (pure []int, of int) {
	type far struct {
		at int
		d  float64
	}
	var all []far
	for _, p := range pixels {
		d := math.Inf(1)
		for _, l := range p.near[:p.n] {
			d = min(d, toneDistance(p.c, q.tints[l].v, q.soft))
		}
		if p.n > 0 && !p.rim && d > q.mayMiss() {
			all = append(all, far{p.at, d})
		}
	}
	slices.SortStableFunc(all, func(a, b far) int { return cmp.Compare(b.d, a.d) })
	share := 0.05
	if q.rough {
		share = 0.4
	}
	n := min(len(all), max(3, int(share*float64(len(all)))))
	for _, f := range all[:n] {
		pure = append(pure, f.at)
	}
	return pure, len(all)
}

// commonest returns the colour that a fifth of the pixels share, their median where there is none.
func (q *flattener) commonest(pixels []int) (c colour.RGB) {
	var all census
	for _, i := range pixels {
		all.add(q.px.at(i), 1, 0)
	}
	if t := all.list()[0]; t.core >= 3 && 5*t.core >= len(pixels) {
		return t.colour
	}
	return q.median(pixels)
}
