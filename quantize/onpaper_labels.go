package quantize

import (
	"encoding/binary"
	"math"
	"slices"

	"pochoir/quantize/colour"
	"pochoir/quantize/large"
)

// This file gives every pixel its label. Even places and ridges are markers; they grow over the edges between them by
// watershed (F. Meyer, "Topographic distance and watershed lines", Signal Processing 38, 1994), lowest slope first;
// then each boundary moves to where the pixels are half way between the local colours of its two sides.

// mark labels the markers and remembers them in s.fixed: even places of the full resolution, then those of half the
// resolution away from strokes, then the strokes.
func (s *onPaper) mark(tiles []int32, rs []ridge) {
	const beside = 3 // px from a stroke
	s.labels = large.Make[uint8](s.w * s.h)
	s.fixed = large.Make[bool](s.w * s.h)
	stroke := large.Make[bool](s.w * s.h)
	for k := range rs {
		if rs[k].label >= 0 {
			stroke[rs[k].i] = true
		}
	}
	tw := (s.w + tile - 1) / tile
	rowBands(s.h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			row := tiles[y/tile*tw : (y/tile+1)*tw]
			for x := 0; x < s.w; x++ {
				i := y*s.w + x
				s.labels[i] = unlabelled
				t := row[x/tile]
				if t == 0 {
					continue
				}
				if s.core[i] || s.half.core[y/2*s.half.w+x/2] && s.broad(x/2, y/2) && !anyWithin(stroke, s.w, s.h, i, beside) {
					s.labels[i], s.fixed[i] = uint8(t-1), true
				}
			}
		}
	})
	for k := range rs {
		if rs[k].label >= 0 {
			s.labels[rs[k].i], s.fixed[rs[k].i] = uint8(rs[k].label), true
		}
	}
}

// slope is the colour difference across pixel (x, y), in 1/roughUnit, at most 255.
func (s *onPaper) slope(x, y int) int {
	row, col := 3*y*s.w, 3*x
	l, r := row+3*max(x-1, 0), row+3*min(x+1, s.w-1)
	u, d := 3*max(y-1, 0)*s.w+col, 3*min(y+1, s.h-1)*s.w+col
	g := max(apart(s.lab[l:l+3:l+3], s.lab[r:r+3:r+3]), apart(s.lab[u:u+3:u+3], s.lab[d:d+3:d+3]))
	return min(int(math.Sqrt(float64(g))*roughUnit/labUnit), 255)
}

// flood grows the labels over the pixels that have none. Where nothing has a label, all get the first.
func (s *onPaper) flood() {
	var queue [256][]int32
	w, h := s.w, s.h
	slopes := large.Make[uint8](w * h) // of what has no label yet
	rowBands(h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			for x := range w {
				if i := y*w + x; s.labels[i] == unlabelled {
					slopes[i] = uint8(s.slope(x, y))
				}
			}
		}
	})
	labels, last := s.labels, len(s.labels)-w
	take := func(i int, l uint8, level int) {
		labels[i] = l
		at := max(int(slopes[i]), level)
		queue[at] = append(queue[at], int32(i))
	}
	shores := make([][]int32, bandCount(h)) // of what has a label
	rowBands(h, s.workers, func(band, lo, hi int) {
		for y := lo; y < hi; y++ {
			for x := range w {
				i := y*w + x
				if s.labels[i] != unlabelled && (x > 0 && s.labels[i-1] == unlabelled || x < w-1 && s.labels[i+1] == unlabelled ||
					y > 0 && s.labels[i-w] == unlabelled || y < h-1 && s.labels[i+w] == unlabelled) {
					shores[band] = append(shores[band], int32(i))
				}
			}
		}
	})
	queue[0] = slices.Concat(shores...)
	if len(queue[0]) == 0 {
		for i, l := range s.labels {
			if l == unlabelled {
				s.labels[i] = 0
			}
		}
		return
	}
	for level := range queue {
		for k := 0; k < len(queue[level]); k++ { // grows while it is read
			i := int(queue[level][k])
			l, x := labels[i], int(uint32(i)%uint32(w))
			if x > 0 && labels[i-1] == unlabelled {
				take(i-1, l, level)
			}
			if x < w-1 && labels[i+1] == unlabelled {
				take(i+1, l, level)
			}
			if i >= w && labels[i-w] == unlabelled {
				take(i-w, l, level)
			}
			if i < last && labels[i+w] == unlabelled {
				take(i+w, l, level)
			}
		}
		queue[level] = nil
	}
}

// light is a colour in linear light, 16 bits a channel.
type light struct{ r, g, b int32 }

func (c light) parts() [3]int32 { return [3]int32{c.r, c.g, c.b} }

// lightOfVec converts from the plane, colours outside sRGB clipped.
func lightOfVec(v vec) light {
	y := (float64(v.l)/labUnit + 16) / 116
	x, z := y+float64(v.a)/(labUnit*500), y-float64(v.b)/(labUnit*200)
	off := func(f float64) float64 { return float64(f*f*f)*(1+glare) - glare }
	x, y, z = off(x), off(y), off(z)
	of := func(m *[3]float64) int32 {
		return int32(min(max(float64(m[0]*x)+float64(m[1]*y)+float64(m[2]*z), 0), 1)*65535 + 0.5)
	}
	return light{of(&paperRGB[0]), of(&paperRGB[1]), of(&paperRGB[2])}
}

// vecOfLight converts to the plane.
func vecOfLight(c light) vec {
	l, a, b := labOfLight(uint32(c.r), uint32(c.g), uint32(c.b))
	return vec{l, a, b}
}

func (a light) apart(b light) int64 {
	r, g, c := int64(a.r-b.r), int64(a.g-b.g), int64(a.b-b.b)
	return r*r + g*g + c*c
}

func lightOf(p []uint8) light {
	return light{int32(paperLinear[16*int(p[0])]), int32(paperLinear[16*int(p[1])]), int32(paperLinear[16*int(p[2])])}
}

// cell is the side in px of the squares for which local colours are kept.
const cell = 8

// locals holds, for each label, the colour its marker pixels have around each square of the sheet.
type locals struct {
	cw, ch int
	c      [][]light // by label, then square
}

// measureLocals averages the markers of each label over about 12 px. A label without markers around keeps its
// swatch's colour there.
func (s *onPaper) measureLocals(paints []paint, rs []ridge) {
	cw, ch := (s.w+cell-1)/cell, (s.h+cell-1)/cell
	l := locals{cw: cw, ch: ch, c: make([][]light, len(paints))}
	type sum struct{ r, g, b, n int64 }
	sums := make([][]sum, len(paints))
	for k := range sums {
		sums[k] = make([]sum, cw*ch)
	}
	parallel(ch, s.workers, func(cy int) {
		for y := cy * cell; y < min(cy*cell+cell, s.h); y++ {
			for x := 0; x < s.w; x++ {
				if s.blank[y/block*s.bw+x/block] {
					x |= block - 1
					continue
				}
				i := y*s.w + x
				if !s.fixed[i] || !s.core[i] && !s.half.core[y/2*s.half.w+x/2] {
					continue
				}
				c := lightOf(s.pix[4*i : 4*i+3 : 4*i+3])
				t := &sums[s.labels[i]][cy*cw+x/cell]
				t.r += int64(c.r)
				t.g += int64(c.g)
				t.b += int64(c.b)
				t.n++
			}
		}
	})
	// A stroke's ridge stands for its width.
	const ridgeWeight = 4
	for k := range rs {
		r := &rs[k]
		if !s.fixed[r.i] || s.core[r.i] {
			continue
		}
		t := &sums[s.labels[r.i]][int(r.i)/s.w/cell*cw+int(r.i)%s.w/cell]
		t.r += ridgeWeight * int64(r.full.r)
		t.g += ridgeWeight * int64(r.full.g)
		t.b += ridgeWeight * int64(r.full.b)
		t.n += ridgeWeight
	}
	parallel(len(paints), s.workers, func(k int) {
		// binomial 1 2 1 both ways, over neighbouring squares
		in := sums[k]
		mid := make([]sum, cw*ch)
		add := func(a *sum, b sum, w int64) { a.r += w * b.r; a.g += w * b.g; a.b += w * b.b; a.n += w * b.n }
		for y := range ch {
			for x := range cw {
				t := &mid[y*cw+x]
				add(t, in[y*cw+max(x-1, 0)], 1)
				add(t, in[y*cw+x], 2)
				add(t, in[y*cw+min(x+1, cw-1)], 1)
			}
		}
		const prior = 8 // weight of the swatch, in 1/16 px
		own := lightOfVec(paints[k].c)
		out := make([]light, cw*ch)
		for y := range ch {
			for x := range cw {
				t := sum{int64(own.r) * prior, int64(own.g) * prior, int64(own.b) * prior, prior}
				add(&t, mid[max(y-1, 0)*cw+x], 1)
				add(&t, mid[y*cw+x], 2)
				add(&t, mid[min(y+1, ch-1)*cw+x], 1)
				out[y*cw+x] = light{int32(t.r / t.n), int32(t.g / t.n), int32(t.b / t.n)}
			}
		}
		l.c[k] = out
	})
	s.local = l
}

// near returns the local colour of label k at pixel (x, y), between the squares by bilinear interpolation.
func (l *locals) near(k uint8, x, y int) light {
	// positions in 1/(2·cell) of a square, relative to the squares' middles
	px, py := max(2*x+1-cell, 0), max(2*y+1-cell, 0)
	cx, cy := px/(2*cell), py/(2*cell)
	fx, fy := int32(px%(2*cell)), int32(py%(2*cell))
	x1, y1 := min(cx+1, l.cw-1), min(cy+1, l.ch-1)
	t := l.c[k]
	a, b, c, d := &t[cy*l.cw+cx], &t[cy*l.cw+x1], &t[y1*l.cw+cx], &t[y1*l.cw+x1]
	const n = 2 * cell
	of := func(a, b, c, d int32) int32 { return ((a*(n-fx)+b*fx)*(n-fy) + (c*(n-fx)+d*fx)*fy) / (n * n) }
	return light{of(a.r, b.r, c.r, d.r), of(a.g, b.g, c.g, d.g), of(a.b, b.b, c.b, d.b)}
}

// soft returns the linear light of pixel (x, y) and its four neighbours, the pixel itself counting half.
func (s *onPaper) soft(x, y int) light {
	at := func(x, y int) light {
		i := 4 * (min(max(y, 0), s.h-1)*s.w + min(max(x, 0), s.w-1))
		return lightOf(s.pix[i : i+3 : i+3])
	}
	c, l, r, u, d := at(x, y), at(x-1, y), at(x+1, y), at(x, y-1), at(x, y+1)
	return light{(4*c.r + l.r + r.r + u.r + d.r) / 8, (4*c.g + l.g + r.g + u.g + d.g) / 8, (4*c.b + l.b + r.b + u.b + d.b) / 8}
}

// between returns how far along from a to b the colour c lies, clamped to [0,1], in 1/shareUnit, and the square of
// its distance from there.
func between(c, a, b light) (share int64, miss int64) {
	ur, ug, ub := int64(b.r-a.r), int64(b.g-a.g), int64(b.b-a.b)
	n := int64(c.r-a.r)*ur + int64(c.g-a.g)*ug + int64(c.b-a.b)*ub
	d := ur*ur + ug*ug + ub*ub
	if d == 0 {
		return 0, c.apart(a)
	}
	share = min(max(n*shareUnit/d, 0), shareUnit)
	return share, c.apart(blend(a, b, share))
}

// blend returns the colour at the given share of the way from a to b, in 1/shareUnit.
func blend(a, b light, share int64) light {
	of := func(a, b int32) int32 { return a + int32(share*int64(b-a)/shareUnit) }
	return light{of(a.r, b.r), of(a.g, b.g), of(a.b, b.b)}
}

const shareUnit = 1 << 12

// company is the labels within reach px of (x, y), its own first. It holds at most eight.
type company struct {
	l [8]uint8
	n int
}

func (s *onPaper) labelsAround(x, y, reach int) company {
	var a company
	own := s.labels[y*s.w+x]
	a.l[0], a.n = own, 1
	last := own
	for yy := max(y-reach, 0); yy <= min(y+reach, s.h-1); yy++ {
		row := s.labels[yy*s.w+max(x-reach, 0) : yy*s.w+min(x+reach, s.w-1)+1]
		if n := len(row); n >= 8 && n <= 16 {
			// Most rows are of one label: seen at once where two words, which overlap, hold nothing else.
			same := 0x0101010101010101 * uint64(last)
			if binary.LittleEndian.Uint64(row) == same && binary.LittleEndian.Uint64(row[n-8:]) == same {
				continue
			}
		}
		for _, l := range row {
			if l == last {
				continue
			}
			last = l
			known := false
			for _, m := range a.l[:a.n] {
				known = known || m == l
			}
			if !known && a.n < len(a.l) {
				a.l[a.n] = l
				a.n++
			}
		}
	}
	return a
}

// refine moves the boundaries to where the pixels are half way between the local colours either side. Markers stay.
func (s *onPaper) refine() {
	const (
		rounds = 5
		reach  = 2 // px around a boundary pixel in which a third colour may have a say
	)
	w, h := s.w, s.h
	edges := make([][]int32, bandCount(h))
	rowBands(h, s.workers, func(band, lo, hi int) {
		for y := lo; y < hi; y++ {
			for x := range w {
				i := y*w + x
				l := s.labels[i]
				if !s.fixed[i] && (x > 0 && s.labels[i-1] != l || x < w-1 && s.labels[i+1] != l || y > 0 && s.labels[i-w] != l || y < h-1 && s.labels[i+w] != l) {
					edges[band] = append(edges[band], int32(i))
				}
			}
		}
	})
	edge := slices.Concat(edges...)
	soft := make([]light, len(edge)) // of these, which are most: it follows from the pixels alone
	parallel(bandCount(len(edge)), s.workers, func(band int) {
		for k := band * bandRows; k < min((band+1)*bandRows, len(edge)); k++ {
			soft[k] = s.soft(int(edge[k])%w, int(edge[k])/w)
		}
	})
	stamp := large.Make[uint8](w * h) // round in which a pixel was queued
	for round := uint8(1); round <= rounds && len(edge) > 0; round++ {
		var next []int32
		for k, i := range edge {
			x, y := int(i)%w, int(i)/w
			l := s.labels[i]
			var beside [4]uint8
			n := 0
			note := func(j int) {
				if m := s.labels[j]; m != l {
					beside[n] = m
					n++
				}
			}
			if x > 0 {
				note(int(i) - 1)
			}
			if x < w-1 {
				note(int(i) + 1)
			}
			if y > 0 {
				note(int(i) - w)
			}
			if y < h-1 {
				note(int(i) + w)
			}
			if n == 0 {
				continue
			}
			var c light
			if round == 1 {
				c = soft[k]
			} else {
				c = s.soft(x, y)
			}
			to := s.better(x, y, c, beside[:n], reach)
			if to == l {
				continue
			}
			s.labels[i] = to
			for _, j := range [4]int{int(i) - 1, int(i) + 1, int(i) - w, int(i) + w} {
				if j >= 0 && j < len(s.labels) && !s.fixed[j] && stamp[j] != round {
					stamp[j] = round
					next = append(next, int32(j))
				}
			}
		}
		edge = next
	}
}

// better returns the label of a boundary pixel that shows c: of the pairs of colours around, the one whose mixture comes nearest to
// the pixel, the larger share of it. Only its own label and those beside it can come out.
func (s *onPaper) better(x, y int, c light, beside []uint8, reach int) uint8 {
	a := s.labelsAround(x, y, reach)
	own := a.l[0]
	var local [8]light
	for k := range a.n {
		local[k] = s.local.near(a.l[k], x, y)
	}
	if a.n == 2 {
		if c.apart(local[1]) < c.apart(local[0]) {
			return a.l[1]
		}
		return own
	}
	best, label := int64(math.MaxInt64), own
	for p := range a.n {
		for q := p + 1; q < a.n; q++ {
			share, miss := between(c, local[p], local[q])
			if miss >= best {
				continue
			}
			l := a.l[p]
			if share > shareUnit/2 {
				l = a.l[q]
			}
			best, label = miss, l
		}
	}
	if label == own {
		return own
	}
	for _, b := range beside {
		if b == label {
			return label
		}
	}
	return own
}

// prune drops the paints that hardly show and returns those that are left; what they covered goes to their neighbours.
func (s *onPaper) prune(paints []paint, least int) []paint {
	count := make([]int, 256)
	for _, l := range s.labels {
		count[l]++
	}
	kept := paints[:0]
	var to [256]uint8
	dropped := false
	for k, p := range paints {
		if count[k] < least && !(k == 0 && s.hasPaper) && len(paints) > 1 {
			to[k], dropped = unlabelled, true
			continue
		}
		to[k] = uint8(len(kept))
		kept = append(kept, p)
	}
	if len(kept) == 0 { // nothing shows at all
		for i := range s.labels {
			s.labels[i] = 0
		}
		return paints[:1]
	}
	if !dropped {
		return kept
	}
	for i, l := range s.labels {
		if s.labels[i] = to[l]; s.labels[i] == unlabelled {
			s.fixed[i] = false
		}
	}
	s.flood()
	return kept
}

// trim flips the pixels that stick out of a boundary: three of their four neighbours have one other label.
func (s *onPaper) trim() {
	w, h := s.w, s.h
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			i := y*w + x
			if x+8 < w && word8(s.labels[i-1:]) == word8(s.labels[i:]) && word8(s.labels[i:]) == word8(s.labels[i+1:]) {
				x += 7 // eight pixels within runs of their labels
				continue
			}
			l := s.labels[i]
			u, d, a, b := s.labels[i-w], s.labels[i+w], s.labels[i-1], s.labels[i+1]
			if u == l && d == l || a == l && b == l || s.fixed[i] {
				continue
			}
			m := a
			if m == l {
				m = b
			}
			if m != l && b2i(u == m)+b2i(d == m)+b2i(a == m)+b2i(b == m) >= 3 {
				s.labels[i] = m
			}
		}
	}
}

// Dust is a connected part that is small for how much it stands out.
const (
	dustPixels = 8   // always dust below
	dustWeight = 400 // dust below in px · CIEDE2000: noise gives places of one paint to another that is near it
	weakPixels = 40  // dust below if no pixel is by weakShare of the part's own colour
	weakShare  = shareUnit * 6 / 10
	// laneShare is the same for paper of less than kinPixels that rough ink encloses: where two strokes run side by side,
	// what is left between them is narrower than about 2.2 px, once ink is evened, if its middle shows less paper than this.
	laneShare = shareUnit * 7 / 10
	// Inks of one hue are told apart by how dark they are, which pen pressure changes too: a part of one without an
	// even place is dust below kinPixels if kinShare of its border is the other's.
	kinPixels = 160
	roughKin  = 3200 // the same where the ink is rough
	// evenPixels is the size up to which a part is asked whether its even pixels, of which there must be evenLeast and
	// one in evenOf, are not rather of the colour around: where two paints are near each other, noise takes patches of one
	// for the other. A faint stroke has a few such pixels in its middle, about one in forty; patches have one in ten.
	evenPixels = 640
	evenLeast  = 4
	evenOf     = 24
	kinShare   = 0.35
	kinCosine  = 0.93 // of the angle between their differences from white
	// Thin ink on rough paper shifts in hue too.
	roughKinCosine = 0.88
)

// dust gives small parts to the label around them: what noise shifts from one paint to another, what grain leaves open
// in chalk or raises from the paper, what pen pressure makes of an ink.
func (s *onPaper) dust() {
	const fresh, current, done = 0, 1, 2
	w, h := s.w, s.h
	seen := large.Make[uint8](w * h)
	var part []int32
	var votes [256]int
	most := evenPixels
	if s.combed {
		most = roughKin
	}
	for y := range h {
		for x := 0; x < w; x++ {
			i := y*w + x
			if x > 0 && y > 0 && x+8 <= w && word8(s.labels[i:]) == word8(s.labels[i-1:]) && word8(s.labels[i:]) == word8(s.labels[i-w:]) {
				x += 7 // eight pixels that are like those before and above them
				continue
			}
			l := s.labels[i]
			if seen[i] != fresh || !(x > 0 && s.labels[i-1] != l || y > 0 && s.labels[i-w] != l) {
				continue
			}
			// A part that one is known of is too big, or what was dust has joined it.
			known := func(j int) bool { return s.labels[j] == l && seen[j] == done }
			if x > 0 && y > 0 && x+1 < w && (known(i-1) || known(i-w) || known(i-w-1) || known(i-w+1)) {
				seen[i] = done
				continue
			}
			part = append(part[:0], int32(i))
			seen[i] = current
			big := false
			clear(votes[:len(s.paints)])
			for k := 0; k < len(part) && !big; k++ {
				px, py := int(part[k])%w, int(part[k])/w
				for yy := max(py-1, 0); yy <= min(py+1, h-1) && !big; yy++ {
					for xx := max(px-1, 0); xx <= min(px+1, w-1); xx++ {
						j := yy*w + xx
						if s.labels[j] != l {
							votes[s.labels[j]]++
							continue
						}
						if seen[j] == done || seen[j] == fresh && len(part) >= most {
							big = true
							break
						}
						if seen[j] == fresh {
							seen[j] = current
							part = append(part, int32(j))
						}
					}
				}
			}
			to, dusty := l, false
			if !big {
				to, dusty = s.dustTo(part, l, votes[:len(s.paints)])
			}
			for _, j := range part {
				seen[j] = done
				if dusty {
					s.labels[j] = to
				}
			}
		}
	}
}

// dustTo returns the label a part of label l should have, by the counts of the labels along its border, and whether it
// is dust at all.
func (s *onPaper) dustTo(part []int32, l uint8, votes []int) (uint8, bool) {
	to := commonest(votes)
	if votes[to] == 0 {
		return l, false
	}
	own := &s.paints[l]
	d := colour.Difference(own.c.lab(), s.paints[to].c.lab())
	switch {
	case len(part) < dustPixels || float64(len(part))*math.Max(d, 4) < dustWeight:
		return uint8(to), true
	case len(part) < weakPixels && !s.strong(part, l, uint8(to), weakShare):
		return uint8(to), true
	case len(part) < evenPixels && s.evenlyOf(part, l, uint8(to)):
		return uint8(to), true
	case s.combed && !(s.hasPaper && to == 0) && len(part) < roughKin && !s.strong(part, l, uint8(to), weakShare):
		return uint8(to), true // where rough paint lies thickly it looks a little like a darker one
	}
	kinMost := kinPixels
	if s.combed {
		kinMost = roughKin
	}
	if len(part) >= kinMost {
		return l, false
	}
	total, like := 0, -1
	for k, v := range votes {
		total += v
		if v > 0 && (like < 0 || v > votes[like]) && s.isKin(own, &s.paints[k]) {
			like = k
		}
	}
	if s.combed && s.hasPaper && l == 0 && len(part) < kinPixels && votes[to] == total && !s.strong(part, l, uint8(to), laneShare) {
		return uint8(to), true
	}
	if p := &s.paints[to]; p.rough && votes[to] == total && len(part) < kinPixels && (l == 0 && s.hasPaper || kin(own, p, roughKinCosine)) {
		return uint8(to), true // grain leaves paper open, or pressure makes the paint darker
	}
	if like < 0 || float64(votes[like]) < kinShare*float64(total) {
		return l, false
	}
	if s.combed && 2*votes[like] >= total && own.c.l > s.paints[like].c.l {
		return uint8(like), true // between strokes of a darker ink evening leaves even places that look like a paler one
	}
	for _, j := range part {
		if s.core[j] {
			return l, false
		}
	}
	return uint8(like), true
}

// evenlyOf reports whether the even pixels of a part of label l are, most of them, nearer to the colour of label to.
func (s *onPaper) evenlyOf(part []int32, l, to uint8) bool {
	own := lightOfVec(s.paints[l].c)
	even, other := 0, 0
	for _, j := range part {
		if !s.core[j] {
			continue
		}
		even++
		x, y := int(j)%s.w, int(j)/s.w
		c := s.soft(x, y)
		other += b2i(c.apart(s.local.near(to, x, y)) < c.apart(own))
	}
	return even >= evenLeast && evenOf*even >= len(part) && 2*other > even
}

// isKin reports whether two paints differ from white in nearly the same direction.
func (s *onPaper) isKin(p, q *paint) bool {
	if s.combed {
		return kin(p, q, roughKinCosine)
	}
	return kin(p, q, kinCosine)
}

// kin reports whether the angle between two paints' differences from white has more than the given cosine.
func kin(p, q *paint, cosine float64) bool {
	a, b := p.c.sub(whitePaper), q.c.sub(whitePaper)
	l := a.len() * b.len() * labUnit * labUnit
	return l > 0 && float64(a.dot(b)) > cosine*l
}

// strong reports whether a pixel of the part is by the given share of colour l rather than of colour to.
func (s *onPaper) strong(part []int32, l, to uint8, least int64) bool {
	for _, j := range part {
		x, y := int(j)%s.w, int(j)/s.w
		if share, _ := between(s.soft(x, y), s.local.near(to, x, y), lightOfVec(s.paints[l].c)); share >= least {
			return true
		}
	}
	return false
}

// word8 returns the first eight labels of a row as one word.
func word8(row []uint8) uint64 { return binary.LittleEndian.Uint64(row) }

func commonest(count []int) int {
	best := 0
	for i, n := range count {
		if n > count[best] {
			best = i
		}
	}
	return best
}
