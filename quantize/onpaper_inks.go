package quantize

import (
	"cmp"
	"iter"
	"math"
	"slices"

	"pochoir/quantize/colour"
)

// This file finds the inks that are seen in strokes only, and says which paint or ink each stroke is.

const (
	// explainMiss is how far, ΔE in the plane, a ridge may lie from the mixtures of its ground and a paint that
	// explains it; explainShare the least share of the paint.
	explainMiss  = 7.0
	explainShare = 0.1
	// paleCost is the cost of a stroke paler than its ink, a share of what is missing.
	paleCost = 0.15
	// Where the ink is rough, its density says little and its hue more.
	roughPale = 0.05
	// openShare is the share of paper that a gap in rough ink must show in its middle.
	openShare = 0.6
	// strokePixels and strokeShare are the least number of unexplained ridge pixels, and their least share of all, that
	// make an ink.
	strokePixels = 60
	strokeShare  = 0.02
	// darkShare is the part of an ink's ridges, the strongest, whose middle is its swatch.
	darkShare = 0.25
)

// explains returns how badly paint p explains a ridge, ΔE: how far the ridge lies from the mixtures of its ground and
// the paint, and paler strokes cost a share of what is missing. Blur mixes linear light; pen pressure thins the ink,
// which bends the way from ground to paint less, nearly straight in CIELAB: the nearer of the two counts. ok is false
// where the paint does not explain the ridge at all.
func explains(r *ridge, p *paint, least, pale float64) (cost float64, ok bool) {
	d := r.c.sub(r.ground)
	u := p.c.sub(r.ground)
	uu := float64(u.dot(u))
	if uu < 4*4*labUnit*labUnit {
		return 0, false // the ground itself
	}
	t := float64(d.dot(u)) / uu
	if t < least {
		return 0, false
	}
	miss := d.off(u, math.Min(t, 1.15))
	if t < 1 {
		base, full := lightOfVec(r.ground), lightOfVec(p.c)
		share, _ := between(lightOfVec(r.c), base, full)
		miss = min(miss, vecOfLight(blend(base, full, share)).sub(r.c).len())
	}
	if miss > explainMiss+0.12*float64(r.height) {
		return 0, false
	}
	return miss + float64(pale*math.Max(0, 1-t)*math.Sqrt(uu)/labUnit), true
}

// explained reports whether any paint explains a ridge.
func explained(r *ridge, paints []paint) bool {
	for k := range paints {
		if _, ok := explains(r, &paints[k], 0, paleCost); ok {
			return true
		}
	}
	return false
}

// explainedAsWell reports whether one of paints explains a ridge, and no worse than own does.
func explainedAsWell(r *ridge, own *paint, paints []paint) bool {
	limit, better := explains(r, own, 0, paleCost)
	for k := range paints {
		if cost, ok := explains(r, &paints[k], 0, paleCost); ok && (!better || cost <= limit) {
			return true
		}
	}
	return false
}

// highest returns the highest darkShare of the ridges.
func highest(rs []*ridge) []*ridge {
	rs = slices.Clone(rs)
	slices.SortStableFunc(rs, func(a, b *ridge) int { return cmp.Compare(b.height, a.height) })
	return rs[:max(1, int(darkShare*float64(len(rs))))]
}

// addInks adds to paints the inks that explain what no paint explains. Pen pressure and the blur of thin lines change
// how far a stroke is from the ground, hardly where it lies from there; so the strokes are sorted by the direction of
// their difference from it.
func (s *onPaper) addInks(paints []paint, rs []ridge) []paint {
	least := max(strokePixels, int(strokeShare*float64(len(rs))))
	for _, mine := range s.sortOpen(rs, &paints, least) {
		// Half of them must make strokes, and all be seen on the paper: a faint haze round other marks is no ink. Where
		// nothing else is drawn, a pen that was mostly held lightly is the drawing.
		alone := s.hasPaper && len(paints) == 1
		if n := sure(mine); 2*n < len(mine) && !(alone && 4*n >= len(mine)) {
			continue
		}
		c := s.darkest(mine)
		if s.pressed(mine, c, paints) {
			continue
		}
		if !mixes(c, paints, s.combed) && (alone || !mixes(asSeen(mine), paints, s.combed)) {
			paints = append(paints, paint{c: c, n: int64(len(mine))})
		}
	}
	return paints
}

// addRough adds the paints that lie so unevenly, or in marks so narrow, that no place of them is even: crayon, chalk,
// dry felt-tip. They are told apart by the direction of their difference from the paper too, at half the resolution.
func (s *onPaper) addRough(paints []paint, strokes []ridge) []paint {
	rs := s.roughMarks()
	least := max(roughPixels, int(leastShare*float64(s.area))/4)
	for _, mine := range s.sortOpen(rs, &paints, least) {
		if c := asSeen(mine); !mixes(c, paints, s.combed) && !s.hatched(mine, c, strokes) {
			paints = append(paints, paint{c: c, n: 4 * int64(len(mine)), rough: !s.directed(mine)})
		}
	}
	return paints
}

const (
	// roughPixels is the least number of pixels of the half plane that make a rough paint.
	roughPixels = 120
	// roughHeight is the least difference of a rough paint from the paper, ΔE in the plane.
	roughHeight = 18.0
	// roughReach is the distance, px of the half plane, at which all must lie about as far from the paper as a rough
	// mark, between these shares: what lies farther makes it an edge, what lies nearer a stroke.
	roughReach = 2
	roughLead  = 1.3
	roughLag   = 0.6
)

// directed reports whether most of the rough marks have a direction, as they do in hatching.
func (s *onPaper) directed(marks []*ridge) bool {
	n := 0
	for _, m := range marks {
		n += b2i(s.along.t[m.i] != [2]float32{})
	}
	return 2*n > len(marks)
}

// hatched reports whether rough marks of colour c are strokes so close together that they run into each other: there are
// more places where a stroke of that ink runs alone than such marks.
func (s *onPaper) hatched(marks []*ridge, c vec, strokes []ridge) bool {
	up := c.sub(whitePaper)
	n := 0
	for k := range strokes {
		r := &strokes[k]
		d := r.c.sub(r.ground)
		if !r.wide && float64(d.dot(up)) > roughCosine*d.len()*up.len()*labUnit*labUnit && s.alone(r) {
			n++
		}
	}
	return n > len(marks)
}

// alone reports whether there is little else but paper around a ridge.
func (s *onPaper) alone(r *ridge) bool {
	const (
		reach = 4   // px of the half plane: twice the width of the pens that such ridges are
		most  = 0.4 // of the ridge's difference from paper, in the mean
	)
	h := &s.half
	x, y := int(r.i)%s.w/2, int(r.i)/s.w/2
	up := r.c.sub(whitePaper)
	var sum, n int64
	for yy := max(y-reach, 0); yy <= min(y+reach, h.h-1); yy++ {
		for xx := max(x-reach, 0); xx <= min(x+reach, h.w-1); xx++ {
			sum += h.at(yy*h.w + xx).sub(whitePaper).dot(up)
			n++
		}
	}
	return float64(sum) < most*float64(n*up.dot(up))
}

// roughMarks returns the pixels of the half plane that are far from paper and not even, and neither an edge nor a
// stroke, as ridges over white.
func (s *onPaper) roughMarks() []ridge {
	h := &s.half
	far := func(x, y int) int64 {
		d := h.at(min(max(y, 0), h.h-1)*h.w + min(max(x, 0), h.w-1)).sub(whitePaper)
		return d.dot(d)
	}
	const least = int64(roughHeight * roughHeight * labUnit * labUnit)
	found := make([][]ridge, bandCount(h.h))
	rowBands(h.h, s.workers, func(band, lo, hi int) {
		var out []ridge
		for y := lo; y < hi; y++ {
			h.spans(y, func(x0, x1 int) {
				for x := x0; x < x1; x++ {
					i := y*h.w + x
					if h.core[i] {
						continue
					}
					d := far(x, y)
					if d < least {
						continue
					}
					l, r, u, b := far(x-roughReach, y), far(x+roughReach, y), far(x, y-roughReach), far(x, y+roughReach)
					if float64(max(l, r, u, b)) > roughLead*roughLead*float64(d) || float64(min(l, r, u, b)) < roughLag*roughLag*float64(d) {
						continue
					}
					out = append(out, ridge{i: int32(i), c: h.at(i), ground: whitePaper, height: float32(math.Sqrt(float64(d)) / labUnit), wide: true})
				}
			})
		}
		found[band] = out
	})
	return slices.Concat(found...)
}

// sortOpen sorts the ridges that no paint explains by the direction of their difference from the ground. It yields
// groups of at least least ridges, the greatest first; paints may grow between groups, and what the new ones explain
// as well as the group's own colour does is left out of those that follow.
func (s *onPaper) sortOpen(rs []ridge, paints *[]paint, least int) iter.Seq2[int, []*ridge] {
	return func(yield func(int, []*ridge) bool) {
		parts := make([][]*ridge, bandCount(len(rs)))
		parallel(len(parts), s.workers, func(band int) {
			for k := band * bandRows; k < min((band+1)*bandRows, len(rs)); k++ {
				if !explained(&rs[k], *paints) {
					parts[band] = append(parts[band], &rs[k])
				}
			}
		})
		open := slices.Concat(parts...)
		if len(open) < least {
			return
		}
		const radius = 40 // ΔE: directions are spread over a ball of this size
		dirs := make([]sample, len(open))
		for k, r := range open {
			d := r.c.sub(r.ground)
			l := d.len()
			of := func(part int32) int32 { return int32(math.Round(float64(part) / l * radius)) }
			dirs[k].c = vec{of(d.l), of(d.a), of(d.b)}
			dirs[k].n, dirs[k].i = 1, int32(k)
		}
		heaps, member := crowds(dirs, 3, 0.5)
		groups := make([]int, len(heaps))
		for k := range groups {
			groups[k] = k
		}
		slices.SortStableFunc(groups, func(a, b int) int { return cmp.Compare(heaps[b].n, heaps[a].n) })
		for k, g := range groups {
			if heaps[g].n < int64(least) {
				return
			}
			var mine []*ridge
			for k, r := range open {
				if int(member[k]) == g {
					mine = append(mine, r)
				}
			}
			own := paint{c: asSeen(highest(mine))}
			mine = slices.DeleteFunc(mine, func(r *ridge) bool { return explainedAsWell(r, &own, *paints) })
			if len(mine) >= least && !yield(k, mine) {
				return
			}
		}
	}
}

// pressed reports whether strokes of colour c are where a rough paint lies more thickly: most of them stand on it, where no
// direction is clear as it is in hatching, and it differs from white as they do.
func (s *onPaper) pressed(rs []*ridge, c vec, paints []paint) bool {
	for k := range paints {
		p := &paints[k]
		if !p.rough || !kin(p, &paint{c: c}, roughKinCosine) {
			continue
		}
		on := 0
		for _, r := range rs {
			d, e := r.ground.sub(p.c), r.ground.sub(whitePaper)
			x, y := int(r.i)%s.w/2, int(r.i)/s.w/2
			on += b2i(d.dot(d) < e.dot(e) && s.along.t[y*s.along.w+x] == [2]float32{})
		}
		if 2*on > len(rs) {
			return true
		}
	}
	return false
}

// sure returns how many of the ridges rise enough from their ground to make strokes of their own.
func sure(rs []*ridge) (n int) {
	for _, r := range rs {
		n += b2i(r.sure >= 1)
	}
	return n
}

// asSeen returns the middle of the ridges' smoothed colours.
func asSeen(rs []*ridge) vec {
	v := make([]int32, len(rs))
	var c [3]int32
	for j := range c {
		for k, r := range rs {
			v[k] = r.c.parts()[j]
		}
		slices.Sort(v)
		c[j] = v[len(v)/2]
	}
	return vec{c[0], c[1], c[2]}
}

// mixes reports whether c is one of the paints, or what the edge between two of them shows; with rough inks also what
// the one lets through of the other.
func mixes(c vec, paints []paint, rough bool) bool {
	const (
		near = 6.0 // CIEDE2000
		miss = 7.0 // ΔE in the plane
	)
	own := lightOfVec(c)
	for k := range paints {
		if colour.Difference(paints[k].c.lab(), c.lab()) < near {
			return true
		}
		p := lightOfVec(paints[k].c)
		for j := range k {
			q := lightOfVec(paints[j].c)
			share, _ := between(own, p, q)
			if vecOfLight(blend(p, q, share)).sub(c).len() < miss {
				return true
			}
			if rough && offLine(c, paints[k].c, paints[j].c) < miss {
				return true
			}
		}
	}
	return false
}

// offLine returns how far c lies from the straight way between two colours, ΔE in the plane.
func offLine(c, p, q vec) float64 {
	u, d := q.sub(p), c.sub(p)
	uu := float64(u.dot(u))
	if uu == 0 {
		return d.len()
	}
	return d.off(u, min(max(float64(d.dot(u))/uu, 0), 1))
}

// darkest returns the middle of the full colours of the highest darkShare of the ridges. Undoing blur errs widely in
// the dark: no channel goes below what ink on paper reflects at least, nor far below the darkest pixels of the ink.
func (s *onPaper) darkest(rs []*ridge) vec {
	const (
		deepest = 0.05 // share of the ridges that are darker than the darkest that count
		beyond  = 0.3  // of their light at least
	)
	high := highest(rs)
	var c [3]int32
	v := make([]int32, len(rs))
	for j := range c {
		for k, r := range high {
			v[k] = r.full.parts()[j]
		}
		slices.Sort(v[:len(high)])
		c[j] = v[len(high)/2]
		for k, r := range rs {
			v[k] = int32(paperLinear[16*int(s.raw[4*int(r.i)+j])])
		}
		slices.Sort(v)
		seen := v[int(deepest*float64(len(v)))]
		c[j] = max(c[j], min(seen, max(inkBlack, int32(beyond*float64(seen)))))
	}
	return vecOfLight(light{c[0], c[1], c[2]})
}

// open reports whether a gap in rough ink shows the paper.
func open(r *ridge, paper *paint) bool {
	share, _ := between(r.full, lightOfVec(r.ground), lightOfVec(paper.c))
	return float64(share) >= openShare*shareUnit
}

// labelRidges says which paint each ridge is: the one that explains it and the ridges around it in the same stroke
// best. The higher ones count more: where the pen pressed lightly its colour tells little.
func (s *onPaper) labelRidges(rs []ridge, part []int32, paints []paint) {
	const (
		never = 10.0 // cost of a paint that does not explain a ridge
		// A ridge this near to a paint, ΔE in the plane, may be the paint itself, raised by noise or sharpening; the
		// cost is a share of the distance.
		same     = 8.0
		sameCost = 0.6
		others   = 2.0 // weight of the mean cost around
		lowSure  = 0.5 // share of a stroke's labels that speaks for its unexplained rest
	)
	pale, window := paleCost, 10 // px
	if s.combed {
		pale, window = roughPale, 25
	}
	n := len(paints)
	own := make([]float32, n*len(rs))
	known := make([]bool, len(rs))
	closed := make([]bool, len(rs)) // gaps in rough ink that are none
	place := s.places()
	parts := int32(0)
	for k := range rs {
		place[rs[k].i] = int32(k + 1)
		parts = max(parts, part[k]+1)
	}
	parallel(bandCount(len(rs)), s.workers, func(band int) {
		for k := band * bandRows; k < min((band+1)*bandRows, len(rs)); k++ {
			for l := range paints {
				cost, ok := explains(&rs[k], &paints[l], explainShare, pale)
				if d := paints[l].c.sub(rs[k].c).len(); d < same && !(s.combed && paints[l].c.sub(rs[k].ground).len() < d) &&
					(!ok || sameCost*d < cost) {
					cost, ok = float64(sameCost*d), true // it shows the paint itself
				}
				if ok = ok && cost < never; !ok {
					cost = never
				}
				known[k] = known[k] || ok
				own[k*n+l] = float32(cost)
			}
		}
	})
	parallel(bandCount(len(rs)), s.workers, func(band int) {
		sum := make([]float32, n)
		for k := band * bandRows; k < min((band+1)*bandRows, len(rs)); k++ {
			if !known[k] {
				continue
			}
			clear(sum)
			weight := float32(0)
			x, y := int(rs[k].i)%s.w, int(rs[k].i)/s.w
			for yy := max(y-window, 0); yy <= min(y+window, s.h-1); yy++ {
				for _, o := range place[yy*s.w+max(x-window, 0) : yy*s.w+min(x+window, s.w-1)+1] {
					if o == 0 || part[o-1] != part[k] || !known[o-1] {
						continue
					}
					w := rs[o-1].height
					weight += w
					for l, c := range own[int(o-1)*n : int(o)*n] {
						sum[l] += w * c
					}
				}
			}
			best, bestCost := int16(-1), float32(never)
			for l := range paints {
				if own[k*n+l] >= never {
					continue
				}
				if cost := (own[k*n+l] + others*sum[l]/weight) / (1 + others); best < 0 || cost < bestCost {
					best, bestCost = int16(l), cost
				}
			}
			if best == 0 && s.combed && s.hasPaper && !open(&rs[k], &paints[0]) {
				closed[k], best = true, -1
			}
			rs[k].label = best
		}
	})
	// What no paint explains follows the rest of its stroke.
	votes := make([]float32, n*int(parts))
	for k := range rs {
		if rs[k].label >= 0 {
			votes[int(part[k])*n+int(rs[k].label)] += rs[k].height
		}
	}
	for k := range rs {
		if rs[k].label >= 0 || closed[k] {
			continue
		}
		v := votes[int(part[k])*n : (int(part[k])+1)*n]
		best, total := 0, float32(0)
		for l := range v {
			total += v[l]
			if v[l] > v[best] {
				best = l
			}
		}
		if v[best] > lowSure*total && paints[best].c.sub(rs[k].ground).dot(rs[k].c.sub(rs[k].ground)) > 0 {
			rs[k].label = int16(best)
		}
	}
}
