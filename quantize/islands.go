package quantize

import (
	"iter"
	"math/bits"
	"slices"
)

// This file takes back islands that coding with loss makes beside strong edges, and colours that shine through seams: a
// few pixels of one label, none of them a core, which the colours of the areas around explain as well.

const (
	islandPixels = 48   // pixels of an island at most
	rungPixels   = 16   // the same where the edges around drive pixels beyond their colours: no further than the squares of coding
	cleanPixels  = 6    // the same in a picture coded without loss
	cleanMiss    = 16   // levels by which a mixture may miss a pixel of an island there: what lies beneath shows at seams
	reefPixels   = 400  // pixels of a reef at most: a rim between two areas
	reefShare    = 0.45 // of a reef's pixels that is its own, on average: a thinner rim comes and goes
	longReef     = 16   // pixels of a reef from which on it does not, however thin
	thinReef     = 0.25 // the share of such a one: a rim of 0.3 px, where it is parted between two pixels now and then
	seamShare    = 0.3  // the share where another tint may shine through: painted one after the other, two areas that abut leave a quarter bare
	islandReach  = 2    // px within which an area lies around an island
)

// drownIslands gives the pixels of islands that the areas around explain the labels of those.
func (q *flattener) drownIslands() {
	most, may, reefs := cleanPixels, float64(cleanMiss), reefPixels
	if q.rough {
		most, may, reefs = islandPixels, roughMiss, 0
	}
	islands := q.islands(max(most, reefs))
	if !q.rough {
		islands = q.chains(islands)
	}
next:
	for _, island := range islands {
		labels := q.shores(island, q.labels[island[0]])
		if len(labels) == 0 || q.drownReef(island, labels) || len(island) > most {
			continue
		}
		to := make([]uint8, len(island))
		own := q.tints[q.labels[island[0]]].v
		for k, i := range island {
			l, _ := q.explain(q.tone(i), labels, may)
			if l == unlabelled && q.rough && len(island) <= rungPixels && toneDistance(q.tone(i), own, q.soft) > may {
				l = q.rungBy(q.tone(i), labels, may)
			}
			if l == unlabelled {
				continue next
			}
			to[k] = uint8(l)
		}
		for k, i := range island {
			q.labels[i] = to[k]
		}
	}
}

// rungBy returns the label of the larger share in the pair of labels whose edge drives pixels to c, the best within may
// levels, or unlabelled.
func (q *flattener) rungBy(c tone, labels []int, may float64) int {
	best, label := may, unlabelled
	for x, l := range labels {
		for _, m := range labels[:x] {
			p := q.pair(l, m)
			if miss := p.rung(c); miss <= best {
				if best, label = miss, m; p.of(c) >= 0.5 {
					label = l
				}
			}
		}
	}
	return label
}

// drownReef gives the pixels of a rim too thin to be drawn in one to the areas on both sides of it, and reports whether it
// is one. Lines within one area are not.
func (q *flattener) drownReef(island, labels []int) bool {
	if q.rough || len(labels) < 2 {
		return false
	}
	if len(labels) > 2 { // others lie at its ends
		for x, l := range labels {
			for _, m := range labels[:x] {
				if q.drownReef(island, []int{l, m}) {
					return true
				}
			}
		}
		return false
	}
	own, l, m := q.tints[q.labels[island[0]]].v, labels[0], labels[1]
	to := make([]uint8, len(island))
	var share, seam, bare float64
	odd := 0
	for k, i := range island {
		w, miss, ok := mix3(q.tone(i), own, q.tints[l].v, q.tints[m].v)
		if !ok || miss > cleanMiss {
			odd++
			w[0] = 1
		}
		share += w[0]
		bare += float64(seamRoom * Seam(w[1], w[2]))
		seam += q.shining(q.tone(i), l, m, w[0])
		to[k] = uint8(m)
		if w[1] >= w[2] {
			to[k] = uint8(l)
		}
	}
	least := reefShare
	if len(island) >= longReef {
		least = thinReef
	}
	if 5*odd > len(island) || share > least*float64(len(island)) && share > bare && seam > seamShare*float64(len(island)) {
		return false
	}
	for k, i := range island {
		q.labels[i] = to[k]
	}
	return true
}

// seamRoom is how many times what a seam leaves bare a rim must show to be none, where nothing else tells: renderers that count
// coverage in sixteenths leave up to a third more.
const seamRoom = 1.3

// Seam returns the most that shines through between two areas with shares a and b in a pixel. Of two that
// abut the one painted last shows all its coverage, and covers of what the first left bare as much again: of what lies
// beneath a(1-a) is seen if that is a, else b(1-b).
func Seam(a, b float64) float64 {
	return max(float64(a*(1-a)), float64(b*(1-b)))
}

// shining returns the least share of a tint that, shining through between labels l and m, explains c as well as a share of
// most does.
func (q *flattener) shining(c tone, l, m int, most float64) float64 {
	for t := range q.tints {
		if t == l || t == m {
			continue
		}
		if w, miss, ok := mix3(c, q.tints[t].v, q.tints[l].v, q.tints[m].v); ok && miss <= q.mayMiss() && w[0] < most {
			most = w[0]
		}
	}
	return most
}

// islands returns the pixels of every island of so many at most, in the order of their first pixels, and marks them adrift.
func (q *flattener) islands(most int) (islands [][]int) {
	ashore := q.beaches()
	seen := q.blank()
	var pixels []int
	for k := range q.core {
		for m := ^(q.core[k] | ashore[k] | seen[k]); m != 0; m = ^(q.core[k] | ashore[k] | seen[k]) {
			first := k<<6 + bits.TrailingZeros64(m)
			if first >= len(q.labels) {
				break
			}
			var island bool
			if pixels, island = q.land(pixels[:0], first, ashore, seen); island && len(pixels) <= most {
				islands = append(islands, slices.Clone(pixels))
			}
		}
	}
	q.spare = append(q.spare, ashore, seen)
	q.adrift = q.blank()
	for _, island := range islands {
		for _, i := range island {
			setBits(q.adrift, i, i+1)
		}
	}
	return islands
}

// chains joins islands of one label that meet at corners: a thin rim aslant is labelled so.
func (q *flattener) chains(islands [][]int) (chains [][]int) {
	of := make(map[int]int) // island by pixel
	for n, island := range islands {
		for _, i := range island {
			of[i] = n
		}
	}
	taken := make([]bool, len(islands))
	for n := range islands {
		if taken[n] {
			continue
		}
		taken[n] = true
		chain := islands[n]
		for k := 0; k < len(chain); k++ {
			for j := range q.corners(chain[k]) {
				if o, ok := of[j]; ok && !taken[o] && q.labels[j] == q.labels[chain[k]] {
					taken[o] = true
					chain = append(chain, islands[o]...)
				}
			}
		}
		chains = append(chains, chain)
	}
	return chains
}

// corners yields the pixels of the picture that meet pixel i at its corners.
func (q *flattener) corners(i int) iter.Seq[int] {
	return func(yield func(int) bool) {
		x, y := i%q.w, i/q.w
		for dir := 1; dir < len(compass); dir += 2 { // every other direction
			xx, yy := x+compass[dir][0], y+compass[dir][1]
			if uint(xx) < uint(q.w) && uint(yy) < uint(q.h) && !yield(yy*q.w+xx) {
				return
			}
		}
	}
}

// beaches returns the pixels without cores that have a core of their own label beside them.
func (q *flattener) beaches() []uint64 {
	b := q.blank()
	rowBands(q.h, q.opt.Workers, func(_, y0, y1 int) {
		for k := y0 * q.w >> 6; k<<6 < y1*q.w; k++ {
			for m := ^q.core[k]; m != 0; m &= m - 1 {
				i := k<<6 + bits.TrailingZeros64(m)
				if i >= y1*q.w {
					break
				}
				l := q.labels[i]
				own := func(j int) bool { return bit(q.core, j) && q.labels[j] == l }
				if i >= q.w && own(i-q.w) || i+q.w < len(q.labels) && own(i+q.w) ||
					i > 0 && own(i-1) && i%q.w > 0 || i+1 < len(q.labels) && own(i+1) && (i+1)%q.w > 0 {
					b[k] |= m & -m
				}
			}
		}
	})
	return b
}

// land appends to dst the pixels without cores that are connected to the first and have its label, and marks them as seen. It
// stops where one of them is ashore, as all of them then are, and marks them so.
func (q *flattener) land(dst []int, first int, ashore, seen []uint64) (pixels []int, island bool) {
	setBits(seen, first, first+1)
	pixels = append(dst, first)
	l := q.labels[first]
	w, n := q.w, len(q.labels)
	for k := 0; k < len(pixels); k++ {
		i := pixels[k]
		x := i % w
		for _, beside := range [4]struct {
			at int
			is bool
		}{{i + 1, x+1 < w}, {i + w, i+w < n}, {i - 1, x > 0}, {i - w, i >= w}} {
			j := beside.at
			switch {
			case !beside.is || q.labels[j] != l:
			case bit(ashore, j):
				for _, i := range pixels {
					setBits(ashore, i, i+1)
				}
				return pixels, false
			case !bit(seen, j):
				setBits(seen, j, j+1)
				pixels = append(pixels, j)
			}
		}
	}
	return pixels, true
}

// shores returns the labels other than own of the areas around an island, islands left out.
func (q *flattener) shores(island []int, own uint8) (labels []int) {
	var near [256]bool
	for _, i := range island {
		x, y := i%q.w, i/q.w
		for yy := max(0, y-islandReach); yy <= min(q.h-1, y+islandReach); yy++ {
			for xx := max(0, x-islandReach); xx <= min(q.w-1, x+islandReach); xx++ {
				j := yy*q.w + xx
				if l := q.labels[j]; l != own && !near[l] && !bit(q.adrift, j) {
					near[l] = true
					labels = append(labels, int(l))
				}
			}
		}
	}
	return labels
}
