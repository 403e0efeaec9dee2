package quantize

import (
	"math"
	"slices"

	"pochoir/quantize/colour"
)

// This file chooses the tints of a picture with exactly even areas.

const (
	rounding = 2  // levels by which one colour may vary, from rounding on its way into the file
	fewest   = 4  // core pixels that a tint needs: one block of 2 x 2
	populous = 64 // core pixels from which a colour without a 3 x 3 square may be thin strokes of its own
)

// cleanTints finds the exact colours of uniform blocks, and labels the cores. Where there are none it returns what
// roughTints does, else nil.
func (q *flattener) cleanTints() (solid []uint64) {
	core, deep := q.bitmap(), q.bitmap()
	coresOf(core, deep, q.blocks, q.w, q.opt.Workers)
	list := coreCensus(q.px, core, deep, q.opt.Workers)
	q.spare = append(q.spare, core, deep)
	table, doubtful := q.chooseTints(list)
	if len(q.tints) == 0 { // nothing but noise
		return q.roughTints()
	}
	q.addPaper()
	q.classify(table)
	q.core = q.coresOfLabels(2, q.oneLabel())
	if q.dropMixtures(doubtful) {
		q.core = q.coresOfLabels(2, q.oneLabel())
	}
	return nil
}

// chooseTints makes tints of the colours in list, which is sorted by count, and returns the tint of each colour. A tint
// is doubtful when it was only seen in blocks of 2 x 2: a line that straddles two pixels makes such blocks too.
func (q *flattener) chooseTints(list []tally) (table map[uint32]uint8, doubtful []int) {
	table = map[uint32]uint8{}
	var found []tally
	for _, t := range list {
		if t.core < fewest {
			break
		}
		if k := within(found, t.colour, rounding); k >= 0 {
			found[k].core += t.core
			found[k].deep += t.deep
			continue
		}
		if len(found) == manyColours {
			break
		}
		found = append(found, t)
	}
	found = q.ramps(found)
	for _, t := range found {
		k := q.addTint(t.colour, t.core)
		if t.deep == 0 {
			doubtful = append(doubtful, k)
		}
	}
	for _, t := range list {
		if k := q.nearestTint(t.colour); k >= 0 {
			table[pack(t.colour)] = uint8(k)
		}
	}
	return table, doubtful
}

// manyColours bounds the colours that are looked at one by one.
const manyColours = 4096

// within returns the first of found whose channels all lie within d levels of c's, -1 if there is none.
func within(found []tally, c colour.RGB, d int) int {
	for k := range found {
		f := found[k].colour
		if near8(f.R, c.R, d) && near8(f.G, c.G, d) && near8(f.B, c.B, d) {
			return k
		}
	}
	return -1
}

func near8(a, b uint8, d int) bool { return int(a)-int(b) <= d && int(b)-int(a) <= d }

// A ramp is a run of colours each a small step from the next, as a gradient makes. Steps are counted in CIELAB.
const (
	rampStep = 3.0 // longest step within a ramp
	rampLeft = 6   // colours from which a run of steps is a ramp
	rampBand = 6.0 // radius of the bands that a ramp is divided into
)

// ramps divides gradients into few bands and keeps the number of colours below the limit. found is sorted by count.
func (q *flattener) ramps(found []tally) []tally {
	n := len(found)
	labs := make([]colour.Lab, n)
	for i, t := range found {
		labs[i] = t.colour.Lab()
	}
	if q.opt.Colours == 0 && n <= 1024 {
		group := make([]int, n)
		for i := range group {
			group[i] = i
		}
		root := func(i int) int {
			for group[i] != i {
				group[i] = group[group[i]]
				i = group[i]
			}
			return i
		}
		for i := range n {
			for j := range i {
				if labDistance(labs[i], labs[j]) <= rampStep {
					group[max(root(i), root(j))] = min(root(i), root(j))
				}
			}
		}
		size := make([]int, n)
		for i := range n {
			size[root(i)]++
		}
		found, labs = thinOut(found, labs, rampBand, func(i, j int) bool { return root(i) == root(j) && size[root(i)] >= rampLeft })
	}
	for r := rampStep; len(found) > q.limit(); r *= 1.3 {
		found, labs = thinOut(found, labs, r, func(i, j int) bool { return true })
	}
	return found
}

// thinOut merges each colour into the first one before it that lies within r and may take it.
func thinOut(found []tally, labs []colour.Lab, r float64, may func(i, j int) bool) ([]tally, []colour.Lab) {
	var kept []int
	var out []tally
	var outLabs []colour.Lab
next:
	for i, t := range found {
		for k, j := range kept {
			if labDistance(labs[i], labs[j]) <= r && may(i, j) {
				out[k].core += t.core
				out[k].deep += t.deep
				continue next
			}
		}
		kept = append(kept, i)
		out = append(out, t)
		outLabs = append(outLabs, labs[i])
	}
	return out, outLabs
}

func labDistance(a, b colour.Lab) float64 {
	l, x, y := a.L-b.L, a.A-b.A, a.B-b.B
	return math.Sqrt(float64(l*l) + float64(x*x) + float64(y*y))
}

// nearestTint returns the tint nearest to c, -1 if there are none.
func (q *flattener) nearestTint(c colour.RGB) int {
	best, at := math.Inf(1), -1
	v := toneOfRGB(c, q.soft)
	for k := range q.tints {
		if k == q.paper {
			continue
		}
		if d := toneDistance(v, q.tints[k].v, q.soft); d < best {
			best, at = d, k
		}
	}
	return at
}

// dropMixtures takes the labels from doubtful tints that are only ever seen between two others whose mixture they
// are. It reports whether it dropped any.
func (q *flattener) dropMixtures(doubtful []int) bool {
	if len(doubtful) == 0 {
		return false
	}
	const samples = 64
	isDoubtful := make([]bool, len(q.tints))
	for _, k := range doubtful {
		isDoubtful[k] = true
	}
	seen := make([][]int, len(q.tints))
	for i, l := range q.labels {
		if l != unlabelled && isDoubtful[l] && len(seen[l]) < samples && bit(q.core, i) {
			seen[l] = append(seen[l], i)
		}
	}
	// cores of doubtful tints do not speak for one another
	certain := slices.Clone(q.core)
	for i, l := range q.labels {
		if l != unlabelled && isDoubtful[l] {
			clearBit(certain, i)
		}
	}
	q.prepareMixtures()
	drop := make([]bool, len(q.tints))
	var any bool
	for _, k := range doubtful {
		between := 0
		for _, i := range seen[k] {
			if q.between(certain, i, k) {
				between++
			}
		}
		// Seen between the two colours it mixes, or so rarely that any mixture will do as an explanation: a line of one
		// pixel that straddles two.
		if 5*between >= 4*len(seen[k]) || q.tints[k].cores < populous && q.mixture(q.tints[k].v, mixMiss, isDoubtful) {
			drop[k], any = true, true
		}
	}
	if !any {
		return false
	}
	q.forget(drop)
	return true
}

// forget removes tints; their pixels become unlabelled.
func (q *flattener) forget(drop []bool) {
	var to [256]uint8
	kept := q.tints[:0]
	paper := -1
	for k := range to {
		to[k] = unlabelled
	}
	for k, t := range q.tints {
		if drop[k] {
			continue
		}
		to[k] = uint8(len(kept))
		if k == q.paper {
			paper = len(kept)
		}
		kept = append(kept, t)
	}
	q.tints, q.paper, q.pairs = kept, paper, nil
	relabel(q.labels, &to, q.h, q.w, q.opt.Workers)
}

// between tells whether pixel i of tint k lies between cores of two tints that mix to it.
func (q *flattener) between(cores []uint64, i, k int) bool {
	const far = 4
	x, y := i%q.w, i/q.w
	for axis := range 4 {
		a, _ := q.ray(cores, x, y, axis, far)
		b, _ := q.ray(cores, x, y, axis+4, far)
		if a < 0 || b < 0 || a == b {
			continue
		}
		share, miss := q.pair(a, b).mix(q.tints[k].v)
		if miss <= mixMiss && share > 0.02 && share < 0.98 {
			return true
		}
	}
	return false
}

// mixture reports whether v is within may levels of a mixture of two tints, those marked in without left out; nil marks
// none.
func (q *flattener) mixture(v tone, may float64, without []bool) bool {
	for a := range q.tints {
		for b := range a {
			if without != nil && (without[a] || without[b]) {
				continue
			}
			share, miss := q.pair(a, b).mix(v)
			if miss <= may && share > 0.02 && share < 0.98 {
				return true
			}
		}
	}
	return false
}
