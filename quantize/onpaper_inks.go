package quantize

import (
	"cmp"
	"math"
	"slices"

	"pochoir/quantize/colour"
)

// This file finds the inks that are seen in strokes only, and says which paint or ink each stroke is.

const (
	// explainMiss is how far, ΔE in the plane, a ridge may lie from the mixtures of its ground and a paint that
	// explains it; explainShare the least share of the paint.
	explainMiss  = 7.0
	explainShare = 0.25
	// paleCost is the cost of a stroke paler than its ink, a share of what is missing.
	paleCost = 0.25
	// strokePixels and strokeShare are the least number of unexplained ridge pixels, and their least share of all, that
	// make an ink.
	strokePixels = 60
	strokeShare  = 0.02
	// darkShare is the part of an ink's ridges, the strongest, whose middle is its swatch.
	darkShare = 0.4
)

// explain returns the paint that explains a ridge best with at least the given share, -1 if none does.
func explain(r *ridge, paints []paint, least float64) int {
	best, bestCost := -1, math.Inf(1)
	d := r.c.sub(r.ground)
	for k := range paints {
		u := paints[k].c.sub(r.ground)
		uu := float64(u.dot(u))
		if uu < 4*4*labUnit*labUnit {
			continue // the ground itself
		}
		t := float64(d.dot(u)) / uu
		if t < least {
			continue
		}
		c := math.Min(t, 1.15)
		var miss float64
		for j := range d {
			e := float64(d[j]) - float64(c*float64(u[j]))
			miss += float64(e * e)
		}
		miss = math.Sqrt(miss) / labUnit
		if miss > explainMiss+0.12*float64(r.height) {
			continue
		}
		if cost := miss + float64(paleCost*math.Max(0, 1-t)*math.Sqrt(uu)/labUnit); cost < bestCost {
			best, bestCost = k, cost
		}
	}
	return best
}

// addInks adds to paints the inks that explain what no paint explains. Pen pressure and the blur of thin lines change
// how far a stroke is from the ground, hardly where it lies from there; so the strokes are sorted by the direction of
// their difference from it.
func (s *onPaper) addInks(paints []paint, rs []ridge) []paint {
	var open []*ridge
	for k := range rs {
		if explain(&rs[k], paints, 0) < 0 {
			open = append(open, &rs[k])
		}
	}
	if len(open) < max(strokePixels, int(strokeShare*float64(len(rs)))) {
		return paints
	}
	const radius = 40 // ΔE: directions are spread over a ball of this size
	dirs := make([]sample, len(open))
	for k, r := range open {
		d := r.c.sub(r.ground)
		l := d.len()
		for j := range d {
			dirs[k].c[j] = int32(math.Round(float64(d[j]) / l * radius))
		}
		dirs[k].n, dirs[k].i = 1, int32(k)
	}
	heaps, member := crowds(dirs, 3, 0.5)
	type group struct {
		heap int
		n    int
	}
	count := make([]int, len(heaps))
	for _, m := range member {
		count[m]++
	}
	groups := make([]group, len(heaps))
	for k := range groups {
		groups[k] = group{k, count[k]}
	}
	slices.SortStableFunc(groups, func(a, b group) int { return cmp.Compare(b.n, a.n) })
	for _, g := range groups {
		if g.n < max(strokePixels, int(strokeShare*float64(len(rs)))) {
			break
		}
		var mine []*ridge
		for k, r := range open {
			if int(member[k]) == g.heap && explain(r, paints, 0) < 0 {
				mine = append(mine, r)
			}
		}
		if len(mine) < strokePixels {
			continue
		}
		c := darkest(mine)
		if !mixes(c, paints) {
			paints = append(paints, paint{c: c, n: int64(len(mine)), stroke: true})
		}
	}
	return paints
}

// mixes reports whether c is one of the paints, or what the edge between two of them shows.
func mixes(c vec, paints []paint) bool {
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
			var m light
			for n := range m {
				m[n] = p[n] + int32(share*int64(q[n]-p[n])/shareUnit)
			}
			if vecOfLight(m).sub(c).len() < miss {
				return true
			}
		}
	}
	return false
}

// darkest returns the middle of the highest darkShare of the ridges.
func darkest(rs []*ridge) vec {
	rs = slices.Clone(rs)
	slices.SortStableFunc(rs, func(a, b *ridge) int { return cmp.Compare(b.height, a.height) })
	rs = rs[:max(1, int(darkShare*float64(len(rs))))]
	var c vec
	v := make([]int32, len(rs))
	for j := range c {
		for k, r := range rs {
			v[k] = r.c[j]
		}
		slices.Sort(v)
		c[j] = v[len(v)/2]
	}
	return c
}

// labelRidges says which paint each ridge is: the one that explains it best, by the majority of the ridges around it
// in the same stroke, the higher ones counting more.
func (s *onPaper) labelRidges(rs []ridge, part []int32, paints []paint) {
	first := make([]int16, len(rs))
	for k := range rs {
		first[k] = int16(explain(&rs[k], paints, explainShare))
	}
	place := make([]int32, s.w*s.h)
	for k := range rs {
		place[rs[k].i] = int32(k + 1)
	}
	const window = 4 // px
	votes := make([]float32, len(paints))
	for k := range rs {
		clear(votes)
		x, y := int(rs[k].i)%s.w, int(rs[k].i)/s.w
		for yy := max(y-window, 0); yy <= min(y+window, s.h-1); yy++ {
			for _, o := range place[yy*s.w+max(x-window, 0) : yy*s.w+min(x+window, s.w-1)+1] {
				if o > 0 && part[o-1] == part[k] && first[o-1] >= 0 {
					votes[first[o-1]] += rs[o-1].height
				}
			}
		}
		best := int16(-1)
		for l, v := range votes {
			if v > 0 && (best < 0 || v > votes[best]) {
				best = int16(l)
			}
		}
		rs[k].label = best
	}
}
