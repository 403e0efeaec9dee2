package quantize

import (
	"math"
	"math/bits"
	"sync"

	"pochoir/quantize/colour"
)

// This file chooses the tints of a picture whose flat areas are not exactly even: coded with loss, or scaled from such
// a picture. Coding with loss leaves the inside of large areas even, as it works in squares of 8 x 8 or 16 x 16
// pixels; within such a square an edge disturbs everything by a few levels.

const (
	roughRadius   = 7.0  // levels by which a pixel of a flat area may miss its tint
	roughRounding = 3    // levels by which the even parts of one colour may differ, channel by channel
	fewestSolid   = 4    // even squares of 5 x 5 pixels that a tint needs
	quietStep     = 9    // levels of luma between neighbours in a quiet place
	quietColour   = 24   // and of red and blue
	fewestStray   = 6    // quiet pixels that make a stray patch
	strayFloor    = 16   // quiet pixels that a tint needs which was seen nowhere even
	strayShare    = 2e-4 // and share of the picture
	strayRadius   = 14.0 // levels by which the pixels of a patch may differ from its first
	answerBits    = 15   // of the number of answers that classifyRough remembers
)

// roughTints finds the colours of even places, then those of quiet ones, and labels the cores. It returns the corners of
// even squares.
func (q *flattener) roughTints() (solid []uint64) {
	q.rough = true
	solid = q.bitmap()
	some := q.bitmap()
	squares(solid, some, q.blocks, q.w, q.opt.Workers)
	q.spare = append(q.spare, some)
	list := solidCensus(q.px, solid, q.opt.Workers)
	even := 0
	for _, t := range list {
		even += t.core
	}
	if even*20 < q.w*q.h {
		if list = cellCensus(q.px, true, q.opt.Workers); len(list) == 0 {
			list = cellCensus(q.px, false, q.opt.Workers)
		}
	}
	var found []tally
	for _, t := range list {
		if k := within(found, t.colour, roughRounding); k >= 0 {
			found[k].core += t.core
			continue
		}
		if t.core < fewestSolid && len(found) > 0 || len(found) == manyColours/4 {
			break
		}
		found = append(found, t)
	}
	for _, t := range q.ramps(found) {
		q.addTint(t.colour, t.core)
	}
	if len(q.tints) == 0 {
		q.addTint(q.mean(), 1)
	}
	q.classifyRough()
	if q.strays() {
		q.classifyRough()
	}
	q.addPaper()
	rowBands(q.h, q.opt.Workers, func(_, y0, y1 int) { q.markPaper(y0, y1) })
	q.core = q.coresOfLabels(3, q.oneLabel())
	q.plateaus()
	return solid
}

// squares fills dst with the pixels at the upper left of 4 x 4 set bits of b, and a with those at the left of 4.
func squares(dst, a, b []uint64, w, workers int) {
	words(len(b), workers, func(lo, hi int) {
		for k := lo; k < hi; k++ {
			if a[k] = b[k]; a[k] != 0 {
				a[k] &= shiftedDown(b, k, 1) & shiftedDown(b, k, 2) & shiftedDown(b, k, 3)
			}
		}
	})
	words(len(b), workers, func(lo, hi int) {
		for k := lo; k < hi; k++ {
			if dst[k] = a[k]; dst[k] != 0 {
				dst[k] &= shiftedDown(a, k, w) & shiftedDown(a, k, 2*w) & shiftedDown(a, k, 3*w)
			}
		}
	})
}

// cellCensus counts the mean colours of squares of 4 x 4 pixels, for pictures without even places; those alone whose
// quarters agree if calm is set.
func cellCensus(px *Pixels, calm bool, workers int) []tally {
	const (
		side  = 4
		agree = 8 // levels a channel
	)
	rows, cols := max(1, px.H/side), max(1, px.W/side)
	parts := make([]census, bandCount(rows))
	rowBands(rows, workers, func(band, r0, r1 int) {
		for r := r0; r < r1; r++ {
			for c := range cols {
				var sum [4][3]int
				var n [4]int
				for y := r * side; y < min((r+1)*side, px.H); y++ {
					for x := c * side; x < min((c+1)*side, px.W); x++ {
						k := (y-r*side)/2*2 + (x-c*side)/2
						p := px.at(y*px.W + x)
						for ch := range 3 {
							sum[k][ch] += int(uint8(p >> (8 * ch)))
						}
						n[k]++
					}
				}
				var m [3]uint8
				even := true
				for ch := range m {
					total, of, lo, hi := 0, 0, 255, 0
					for k := range n {
						if n[k] > 0 {
							v := sum[k][ch] / n[k]
							lo, hi = min(lo, v), max(hi, v)
						}
						total += sum[k][ch]
						of += n[k]
					}
					m[ch] = uint8((total + of/2) / of)
					even = even && hi-lo <= agree
				}
				if even || !calm {
					parts[band].add(pack(colour.RGB{R: m[0], G: m[1], B: m[2]}), side*side, 0)
				}
			}
		}
	})
	return merged(parts)
}

func (q *flattener) mean() colour.RGB {
	var s [3]int
	n := q.w * q.h
	for i := range n {
		p := q.px.at(i)
		for k := range s {
			s[k] += int(uint8(p >> (8 * k)))
		}
	}
	return colour.RGB{R: uint8(s[0] / n), G: uint8(s[1] / n), B: uint8(s[2] / n)}
}

// classifyRough labels every pixel within roughRadius of a tint with the nearest one.
func (q *flattener) classifyRough() {
	w := q.w
	f := q.newFinder()
	var even []uint64 // a mosaic tells by itself
	if q.px.Mosaic == nil {
		even = q.evenRuns()
		defer func() { q.spare = append(q.spare, even) }()
	}
	// Colours come again: the last answer for a few of their bits is remembered, with the label above the colour.
	type answers [1 << answerBits]uint32
	tables := sync.Pool{New: func() any {
		known := new(answers)
		known[0] = 1 // not the black that belongs there
		return known
	}}
	rowBands(q.h, q.opt.Workers, func(_, y0, y1 int) {
		known := tables.Get().(*answers)
		defer tables.Put(known)
		label := func(c uint32) uint8 {
			c &= 0xffffff
			a := &known[c*2654435761>>(32-answerBits)] // 2³² over the golden ratio
			if *a&0xffffff != c {
				*a = c | uint32(q.find(f, unpack(c)))<<24
			}
			return uint8(*a >> 24)
		}
		if m := q.px.Mosaic; m != nil {
			for i, end := y0*w, y1*w; i < end; {
				c, n, tile := m.Spans(i, end)
				out := q.labels[i : i+n]
				i += n
				if tile == nil {
					fill(out, label(c))
					continue
				}
				var last uint32
				var l uint8
				for k, c := range tile[:n] {
					if c != last {
						last, l = c, label(c)
					}
					out[k] = l
				}
			}
			return
		}
		for y := y0; y < y1; y++ {
			out := q.labels[y*w : (y+1)*w]
			for x := 0; x < w; {
				i := y*w + x
				c, e := q.px.at(i), x+1
				if bit(even, i) {
					e += nextClear(even, i, y*w+w) - i
				}
				if l := label(c); e == x+1 {
					out[x] = l
				} else {
					fill(out[x:e], l)
				}
				x = e
			}
		}
	})
}

// nearWithin returns the nearest tint within radius levels of c, or unlabelled.
func (q *flattener) nearWithin(c colour.RGB, radius float64) uint8 {
	best, label := radius, uint8(unlabelled)
	v := toneOfRGB(c, q.soft)
	for k := range q.tints {
		if d := toneDistance(v, q.tints[k].v, q.soft); d <= best {
			best, label = d, uint8(k)
		}
	}
	return label
}

// measureNoise estimates the standard deviation of flat areas near edges: over some of the cores outside the even
// squares.
func (q *flattener) measureNoise(solid []uint64) {
	every := 7*(1+len(solid)>>15) | 1 // words of the bitmaps; odd, so that no column is left out
	var sum float64
	n := 0
	for k := 0; k < len(solid); k += every {
		for m := q.core[k] &^ solid[k]; m != 0; m &= m - 1 {
			i := k<<6 + bits.TrailingZeros64(m)
			d := q.tone(i).sub(q.tints[q.labels[i]].v)
			if q.soft { // luma alone: chroma is smooth
				d.y, d.z = d.x, d.x
			}
			sum += d.dot(d)
			n += 3
		}
	}
	if n > 0 {
		q.noise = math.Sqrt(sum / float64(n))
	}
}
