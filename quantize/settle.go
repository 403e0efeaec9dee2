package quantize

import (
	"math"
	"slices"

	"pochoir/quantize/colour"
)

// This file brings tints under swatches: those of a locked palette, a fixed number, or one each.

// flats finishes the labels and describes the picture.
func (q *flattener) flats() *Flats {
	edges := q.dropIdle()
	under, swatches := q.swatches()
	shades := make([][]tone, len(swatches))
	for k, t := range q.tints {
		shades[under[k]] = append(shades[under[k]], t.v)
	}
	f := &Flats{W: q.w, H: q.h, Palette: swatches, Labels: q.labels, Core: q.core, px: Pixels{W: q.w, H: q.h, Pix: q.px.Pix, Mosaic: q.px.Mosaic}, clear: q.clear}
	f.measure(shades, q.soft, q.chromaBlur, q.opt.Workers)
	var to [256]uint8
	moved := false
	for k := range q.tints {
		to[k] = uint8(under[k])
		moved = moved || under[k] != k
	}
	if moved {
		relabel(q.labels, &to, q.h, q.w, q.opt.Workers)
	}
	f.Ground = q.ground(f, under)
	f.Medium, f.Ink = medium(f, q.opt.Medium, func() ([]int, []int) {
		if edges == nil {
			return f.contacts(q.opt.Workers)
		}
		return joined(edges, under, len(swatches)), q.areas(under, len(swatches))
	})
	locked := len(q.opt.Palette) > 0
	if !locked {
		if f.Ink >= 0 {
			f.Palette[f.Ink].Name = "ink"
		}
		NameSwatches(f.Palette)
	}
	f.Noise, f.Blur = q.noise, q.blur
	return f
}

// relabel exchanges every label l for to[l].
func relabel(labels []uint8, to *[256]uint8, h, w, workers int) {
	rowBands(h, workers, func(_, y0, y1 int) {
		band := labels[y0*w : y1*w]
		for i, l := range band {
			band[i] = to[l]
		}
	})
}

// dropIdle removes tints that label no pixel, and counts the pixels of the others. It returns the length of the edges between each
// two tints, as contactsOf does, where they are found on the way.
func (q *flattener) dropIdle() (edges []int) {
	n := len(q.tints)
	var count []int
	if q.opt.Medium == MediumAuto && n > 2 {
		edges, count = contactsOf(q.labels, q.w, q.h, n, q.opt.Workers)
	} else {
		count = q.tally(n)
	}
	idle := make([]bool, n)
	for k := range q.tints {
		q.tints[k].cores = count[k]
		idle[k] = count[k] == 0
	}
	if slices.Contains(idle, true) {
		q.forget(idle)
		return nil
	}
	return edges
}

// joined returns the length of the edges between each two of n swatches, edges being those between the tints under them.
func joined(edges, under []int, n int) []int {
	out := make([]int, n*n)
	for a, s := range under {
		for b, t := range under {
			if s != t {
				out[s*n+t] += edges[a*len(under)+b]
			}
		}
	}
	return out
}

// areas returns how many pixels come under each of n swatches.
func (q *flattener) areas(under []int, n int) []int {
	out := make([]int, n)
	for k, s := range under {
		out[s] += q.tints[k].cores
	}
	return out
}

// tally counts the pixels of each of n labels.
func (q *flattener) tally(n int) []int {
	parts := make([][256]int, bandCount(q.h))
	rowBands(q.h, q.opt.Workers, func(band, y0, y1 int) {
		count := &parts[band]
		labels := q.labels[y0*q.w : y1*q.w]
		for x := 0; x < len(labels); {
			e := byteRunEnd(labels, x+1, len(labels), labels[x])
			count[labels[x]] += e - x
			x = e
		}
	})
	sum := make([]int, n)
	for i := range parts {
		for k := range n {
			sum[k] += parts[i][k]
		}
	}
	return sum
}

// swatches makes the palette and says under which swatch each tint comes.
func (q *flattener) swatches() (under []int, palette []Swatch) {
	n := len(q.tints)
	under = make([]int, n)
	labs := make([]colour.Lab, n)
	for k, t := range q.tints {
		under[k] = k
		labs[k] = t.colour.Lab()
	}
	switch {
	case len(q.opt.Palette) > 0:
		near := make([]int, n)
		for k := range labs {
			best := math.Inf(1)
			for j, s := range q.opt.Palette {
				if d := colour.Difference(labs[k], s.Colour.Lab()); d < best {
					best, near[k] = d, j
				}
			}
		}
		used := make([]int, len(q.opt.Palette))
		for j := range used {
			used[j] = -1
		}
		for k := range near {
			used[near[k]] = 0
		}
		for j, s := range q.opt.Palette {
			if used[j] == 0 {
				used[j] = len(palette)
				palette = append(palette, s)
			}
		}
		for k := range near {
			under[k] = used[near[k]]
		}
		return under, palette
	case q.opt.Colours > 0 && n > q.opt.Colours:
		q.join(under, labs)
	}
	to := make([]int, n)
	for k := range q.tints {
		if under[k] == k {
			to[k] = len(palette)
			s := Swatch{Colour: q.tints[k].colour}
			if k == q.paper {
				s.Name = "paper"
			}
			palette = append(palette, s)
		}
	}
	for k := range under {
		under[k] = to[under[k]]
	}
	return under, palette
}

// join brings the tints under as many swatches as asked for. Each step joins the two groups whose joining moves the
// least colour (Ward, "Hierarchical grouping to optimize an objective function", 1963, with CIEDE2000 for distance);
// a group is shown in the colour of its largest tint.
func (q *flattener) join(under []int, labs []colour.Lab) {
	n := len(under)
	area := make([]float64, n)
	for k, t := range q.tints {
		area[k] = float64(t.cores)
	}
	for left := n; left > q.opt.Colours; left-- {
		best, from, into := math.Inf(1), -1, -1
		for a := range n {
			if under[a] != a || a == q.paper {
				continue
			}
			for b := range n {
				if b == a || under[b] != b || b == q.paper || area[b] < area[a] || area[b] == area[a] && b > a {
					continue
				}
				d := colour.Difference(labs[a], labs[b])
				if cost := area[a] * area[b] / (area[a] + area[b]) * d * d; cost < best {
					best, from, into = cost, a, b
				}
			}
		}
		if from < 0 {
			return
		}
		for k := range under {
			if under[k] == from {
				under[k] = into
			}
		}
		area[into] += area[from]
	}
}
