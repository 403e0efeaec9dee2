package quantize

import (
	"cmp"
	"math"
	"slices"

	"pochoir/quantize/colour"
)

// paint is one colour of the sheet while it is being sorted out.
type paint struct {
	c vec
	n int64 // even pixels, or ridge pixels of an ink that has no even place

	rough bool // it lies so roughly that it has no even place, but is no stroke either: crayon, chalk
}

const (
	// sameDE is the CIEDE2000 difference below which two crowds are one paint whatever lies between them, and
	// driftDE that below which they are one where they run into each other without an edge: a brush or felt-tip
	// covers unevenly, a shade on the paper fades out.
	sameDE  = 2.2
	driftDE = 9.0
	// Even where more colours are asked for, crowds nearer than noiseDE are one, and those nearer than whiteDE to the
	// paper are paper.
	noiseDE = 1.0
	whiteDE = 3.0
	// driftShare is the share of the contacts of two crowds, with and without an edge, that must be without, and
	// driftDip how filled the valley between them must be.
	driftShare = 0.85
	driftDip   = 0.15
	// Crowds that hardly touch, as those of one pen in several strokes, are one below penDE where the valley is filled
	// to penDip and the distance squared is below penSpread times the sum of their variances.
	penDE      = 7.0
	penDip     = 0.2
	penSpread  = 15.0
	penTouches = 10
	// A rough ink covers more or less: crowds below roughDE that differ from white in the same direction, by the cosine
	// of the angle between, are one; up to twice as far apart the better their directions agree.
	roughDE     = 15.0
	roughCosine = 0.985
	// crowdKeep is the depth of the saddle, as a share of the lower peak, that parts two crowds.
	crowdKeep = 0.5
	// leastShare of the sheet is the smallest even area that makes a paint; leastPixels its lower bound.
	leastShare  = 0.00015
	leastPixels = 40
	// paperDE is how far from white the paper may be.
	paperDE = 12.0
)

// contacts counts, for each pair of crowds, the neighbouring tiles that touch without an edge between them and those
// an edge parts.
type contacts struct {
	n          int
	soft, hard []int64
}

func (c *contacts) share(a, b int) float64 {
	s, h := c.soft[a*c.n+b], c.hard[a*c.n+b]
	if s+h == 0 {
		return 0
	}
	return float64(s) / float64(s+h)
}

func (c *contacts) absorb(a, b int) {
	for k := range c.n {
		for _, m := range [2][]int64{c.soft, c.hard} {
			m[a*c.n+k] += m[b*c.n+k]
			m[k*c.n+a] += m[k*c.n+b]
			m[b*c.n+k], m[k*c.n+b] = 0, 0
		}
	}
}

// edgeTiles is the widest edge, in tiles without an even place, across which two tiles still count as neighbours.
const edgeTiles = 3

// countContacts looks along rows and columns of tiles. of holds 1 + the crowd of each tile, 0 where none; colours
// holds the tiles' colours. Where two crowds touch without an edge, there is one all the same if the colour leaps from
// the one crowd to the other within a tile or two: noise can hide the edge between two near paints.
func countContacts(of []int32, colours, heaps []vec, tw, th int) contacts {
	n := len(heaps)
	c := contacts{n: n, soft: make([]int64, n*n), hard: make([]int64, n*n)}
	line := func(start, step, count int) {
		last, gap := int32(0), 0
		for k, i := 0, start; k < count; k, i = k+1, i+step {
			v := of[i]
			if v == 0 {
				gap++
				continue
			}
			if last != 0 && last != v && gap <= edgeTiles {
				a, b := int(last-1), int(v-1)
				m := c.soft
				if gap > 0 || leaps(of, colours, heaps[a], heaps[b], i, step, k, count) {
					m = c.hard
				}
				m[a*n+b]++
				m[b*n+a]++
			}
			last, gap = v, 0
		}
	}
	for y := range th {
		line(y*tw, 1, tw)
	}
	for x := range tw {
		line(x, tw, th)
	}
	return c
}

// leaps reports whether the tiles around the contact before tile i go from colour a to colour b at once.
func leaps(of []int32, colours []vec, a, b vec, i, step, k, count int) bool {
	const leap = 0.7 // of the way from a to b
	u := b.sub(a)
	before, after := i-step, i
	if k >= 2 && of[i-2*step] != 0 {
		before = i - 2*step
	}
	if k+1 < count && of[i+step] != 0 {
		after = i + step
	}
	return float64(colours[after].sub(colours[before]).dot(u)) > leap*float64(u.dot(u))
}

// findPaints returns the paints with an even place somewhere, the paper first if there is any, and for each tile
// 1 + its paint, 0 where it has none.
func (s *onPaper) findPaints() (paints []paint, tiles []int32) {
	samples := s.tiles()
	heaps, member := crowds(samples, 1, crowdKeep)
	heaps, member = greatest(heaps, member)
	n := len(heaps)
	tw, th := (s.w+tile-1)/tile, (s.h+tile-1)/tile
	of := make([]int32, tw*th)
	colours := make([]vec, tw*th)
	for k, m := range samples {
		colours[m.i] = m.c
		of[m.i] = member[k] + 1 // 0 where the crowd was dropped
	}
	blank := 0
	for _, b := range s.blank {
		if b {
			blank++
		}
	}
	// The paper: a great crowd near white, the nearer the better.
	paper, most := -1, 0.0
	for k := range heaps {
		d := colour.Difference(heaps[k].c.lab(), colour.Lab{L: 100})
		if v := float64(heaps[k].n) * math.Exp(-d/2); d < paperDE && v > most {
			paper, most = k, v
		}
	}
	if v := float64(blank * block * block); v > most {
		// White itself is the paper, whether or not a crowd of tiles is near enough to join it.
		heaps = append(heaps, crowd{c: whitePaper})
		paper = n
		n++
	}
	if paper >= 0 {
		heaps[paper].n += int64(blank * block * block)
		for ty := range th {
			for tx := range tw {
				if s.blank[ty*tile/block*s.bw+tx*tile/block] {
					of[ty*tw+tx] = int32(paper + 1)
					colours[ty*tw+tx] = whitePaper
				}
			}
		}
	}
	middles := make([]vec, n)
	for k := range middles {
		middles[k] = heaps[k].c
	}
	least := max(leastPixels, int64(leastShare*float64(s.area)))
	into := mergeCrowds(heaps, countContacts(of, colours, middles, tw, th), paper, least, s.want, s.combed)
	// Number what is left, paper first, then by size.
	order := make([]int, 0, n)
	for k := range heaps {
		if into[k] == k && (heaps[k].n >= least || k == paper) {
			order = append(order, k)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if a == paper || b == paper {
			return cmp.Compare(b2i(b == paper), b2i(a == paper))
		}
		return cmp.Compare(heaps[b].n, heaps[a].n)
	})
	number := make([]int32, n)
	for k, h := range order {
		number[h] = int32(k + 1)
		paints = append(paints, paint{c: heaps[h].c, n: heaps[h].n})
	}
	for i, v := range of {
		if v > 0 {
			of[i] = number[into[v-1]]
		}
	}
	kept := make([]*crowd, len(order))
	for k, h := range order {
		kept[k] = &heaps[h]
	}
	settleTiles(of, colours, kept, tw, th)
	s.hasPaper = paper >= 0
	return paints, of
}

// settleTiles gives tiles that noise and unevenness throw now to one and now to another of two near paints to the one
// their neighbours have: the tile's likelihood under either paint, taken as normal along the line between them,
// against the neighbours' votes (iterated conditional modes: J. Besag, "On the Statistical Analysis of Dirty
// Pictures", Journal of the Royal Statistical Society B 48(3), 1986). of holds 1 + the paint of each tile.
func settleTiles(of []int32, colours []vec, paints []*crowd, tw, th int) {
	const (
		rounds = 8
		// weights of a neighbour and of one behind it, in units of log likelihood: grain may be as coarse as a few tiles
		vote, farVote = 1.2, 0.6
		least         = 0.4 // variance of a paint along the line at least, ΔE²
		apart         = 12  // standard deviations between two paints from which hardly a tile is taken for the other
	)
	n := len(paints)
	type rival struct {
		u      vec     // from the paint to the rival
		middle int64   // dot of u with the point half way
		scale  float64 // log likelihood ratio per unit of the dot
		near   bool
	}
	rivals := make([]rival, n*n)
	for a := range n {
		for b := range n {
			if a == b {
				continue
			}
			u := paints[b].c.sub(paints[a].c)
			v := max((paints[a].along(u)+paints[b].along(u))/2, least)
			if u.len() > apart*math.Sqrt(v) && colour.Difference(paints[a].c.lab(), paints[b].c.lab()) > driftDE {
				continue
			}
			r := rival{u: u, near: true}
			r.middle = (paints[a].c.dot(u) + paints[b].c.dot(u)) / 2
			r.scale = 1 / (v * labUnit * labUnit)
			rivals[a*n+b] = r
		}
	}
	for range rounds {
		changed := 0
		for y := range th {
			for x := range tw {
				i := y*tw + x
				own := of[i]
				if own == 0 {
					continue
				}
				if x > 0 && x+1 < tw && y > 0 && y+1 < th {
					if r := [3][]int32{of[i-tw-1:][:3], of[i-1:][:3], of[i+tw-1:][:3]}; own == r[1][0] && own == r[1][2] &&
						own == r[0][0] && own == r[0][1] && own == r[0][2] && own == r[2][0] && own == r[2][1] && own == r[2][2] {
						continue // as mostly
					}
				}
				var votes [24]int32
				var weights [24]float64
				k, mine := 0, 0.0
				for yy := max(y-2, 0); yy <= min(y+2, th-1); yy++ {
					for xx := max(x-2, 0); xx <= min(x+2, tw-1); xx++ {
						weight := vote
						if yy-y == 2 || y-yy == 2 || xx-x == 2 || x-xx == 2 {
							weight = farVote
						}
						switch v := of[yy*tw+xx]; {
						case v == 0 || yy == y && xx == x:
						case v == own:
							mine += weight
						case rivals[int(own-1)*n+int(v-1)].near:
							votes[k], weights[k] = v, weight
							k++
						}
					}
				}
				best, gain := own, 0.0
				for j := range k {
					v := votes[j]
					r := &rivals[int(own-1)*n+int(v-1)]
					theirs := 0.0
					for l, o := range votes[:k] {
						if o == v {
							theirs += weights[l]
						}
					}
					g := float64(r.scale*float64(colours[i].dot(r.u)-r.middle)) + theirs - mine
					if g > gain || g == gain && g > 0 && v < best {
						best, gain = v, g
					}
				}
				if best != own {
					of[i] = best
					changed++
				}
			}
		}
		if changed == 0 {
			return
		}
	}
}

// maxCrowds bounds the crowds that are compared with each other; more are noise.
const maxCrowds = 200

// greatest keeps the greatest maxCrowds crowds; members of the others get -1.
func greatest(heaps []crowd, member []int32) ([]crowd, []int32) {
	if len(heaps) <= maxCrowds {
		return heaps, member
	}
	order := make([]int, len(heaps))
	for k := range order {
		order[k] = k
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(heaps[b].n, heaps[a].n) })
	number := make([]int32, len(heaps))
	for k := range number {
		number[k] = -1
	}
	kept := make([]crowd, maxCrowds)
	for k, h := range order[:maxCrowds] {
		kept[k], number[h] = heaps[h], int32(k)
	}
	for k := range kept {
		v := kept[k].valley[:0]
		for _, e := range kept[k].valley {
			if number[e.to] >= 0 {
				v = append(v, valley{number[e.to], e.share})
			}
		}
		kept[k].valley = v
	}
	for k, m := range member {
		member[k] = number[m]
	}
	return kept, member
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// onePaint reports whether crowds a and b, d apart by CIEDE2000, are one uneven paint.
func onePaint(heaps []crowd, c *contacts, a, b int, d float64) bool {
	dip := heaps[a].dip(b)
	if c.share(a, b) > driftShare && dip > driftDip {
		return true
	}
	if d > penDE || dip < penDip || c.hard[a*c.n+b] >= penTouches {
		return false
	}
	u := heaps[b].c.sub(heaps[a].c)
	l := u.len()
	return l*l < penSpread*(heaps[a].along(u)+heaps[b].along(u))
}

// oneRough reports whether two colours d apart may be one rough ink, more and less of it.
func oneRough(p, q vec, d float64) bool {
	a, b := p.sub(whitePaper), q.sub(whitePaper)
	cosine := float64(a.dot(b)) / (a.len() * b.len() * labUnit * labUnit)
	return cosine > roughCosine && d < roughDE*(1+(cosine-roughCosine)/(1-roughCosine))
}

// mergeCrowds joins crowds that are one paint and returns for each the one it went into. The nearest pair goes first;
// the greater keeps its colour. Where no more than want crowds of least pixels are left,
// want > 0, only what noise parts is still joined.
func mergeCrowds(heaps []crowd, c contacts, paper int, least int64, want int, rough bool) []int {
	n := len(heaps)
	into := make([]int, n)
	alive := make([]int, 0, n)
	labs := make([]colour.Lab, n)
	for k := range into {
		into[k] = k
		alive = append(alive, k)
		labs[k] = heaps[k].c.lab()
	}
	for {
		left := 0
		for _, k := range alive {
			left += b2i(heaps[k].n >= least || k == paper)
		}
		enough := want > 0 && left <= want
		best, ba, bb := math.Inf(1), -1, -1
		for x, a := range alive {
			for _, b := range alive[:x] {
				if d := math.Abs(labs[a].L - labs[b].L); d > 2*roughDE {
					continue
				}
				d := colour.Difference(labs[a], labs[b])
				if enough && d > noiseDE && !(d < whiteDE && (a == paper || b == paper)) {
					continue
				}
				if d < best && (d < sameDE || d < driftDE && onePaint(heaps, &c, a, b, d) ||
					rough && a != paper && b != paper && oneRough(heaps[a].c, heaps[b].c, d)) {
					best, ba, bb = d, a, b
				}
			}
		}
		if ba < 0 {
			return into
		}
		if bb == paper || ba != paper && (heaps[bb].n > heaps[ba].n || heaps[bb].n == heaps[ba].n && bb < ba) {
			ba, bb = bb, ba
		}
		heaps[ba].n += heaps[bb].n
		c.absorb(ba, bb)
		for _, v := range heaps[bb].valley {
			if int(v.to) != ba {
				heaps[ba].touch(v.to, v.share)
				heaps[v.to].touch(int32(ba), v.share)
			}
		}
		for k := range into {
			if into[k] == bb {
				into[k] = ba
			}
		}
		alive = slices.DeleteFunc(alive, func(k int) bool { return k == bb })
	}
}
