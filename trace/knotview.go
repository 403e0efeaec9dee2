package trace

import (
	"cmp"
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file compares what is drawn about a knot with the pixels.

// knotView is the window about a knot.
type knotView struct {
	x, y  int // its upper left pixel
	lack  [knotSize * knotSize]levels
	blind [knotSize * knotSize]bool
	mixed int // pixels that are no cores
}

// add adds what lies east of a segment to the window's pixels, in the colours of step; within leaves out what the part of it
// to the west of the window changes.
func (v *knotView) add(area, beyond *[knotSize * knotSize]levels, s *fit.Segment, step levels, within bool) {
	asLines(s, func(p, q fit.Point) {
		eachCrossed(p, q, func(x, y int, at, on float64) {
			x, y = x-v.x, y-v.y
			if y < 0 || y >= knotSize || x >= knotSize || within && x < 0 {
				return
			}
			if x < 0 {
				x, at = 0, on
			}
			area[y*knotSize+x].add(step, at)
			beyond[y*knotSize+x].add(step, on)
		})
	})
}

// spread carries what lies beyond each pixel on to those east of it.
func spread(area, beyond *[knotSize * knotSize]levels) {
	for y := range knotSize {
		var sum levels
		for k := y * knotSize; k < (y+1)*knotSize; k++ {
			area[k].add(sum, 1)
			sum.add(beyond[k], 1)
		}
	}
}

// view compares what is drawn about a knot with the pixels; ok is false where that cannot be told.
func (m *mender) view(k *knot) (v knotView, ok bool) {
	w, h := m.e.m.W, m.e.m.H
	v.x, v.y = int(math.Floor(k.at.X))-knotWindow, int(math.Floor(k.at.Y))-knotWindow
	if v.x < 1 || v.y < 0 || v.x+knotSize > w || v.y+knotSize > h {
		return v, false
	}
	var own [256]bool
	for _, e := range k.ends {
		own[m.e.m.Faces[m.e.m.LeftOf(e.half)].Label] = true
	}
	for _, a := range k.inner {
		own[m.e.m.Faces[m.e.m.Arcs[a].Left].Label], own[m.e.m.Faces[m.e.m.Arcs[a].Right].Label] = true, true
	}
	var curves []curveAt
	edge := float64(v.x)
	m.shown.around(fit.Point{X: edge, Y: float64(v.y)}, fit.Point{X: edge + knotSize, Y: float64(v.y + knotSize)}, func(c curveAt) { curves = append(curves, c) })
	slices.SortFunc(curves, func(a, b curveAt) int { return cmp.Or(cmp.Compare(a.arc, b.arc), cmp.Compare(a.k, b.k)) })
	curves = slices.Compact(curves)
	// Down the left edge the colour is known where no curve crosses the pixel beside it, and changes where one crosses the edge.
	start, label := -1, 0
	for y := 0; y < knotSize && start < 0; y++ {
		if l, plain := m.shown.plain(v.x-1, v.y+y); plain {
			start, label = y, l
		}
	}
	if start < 0 {
		return v, false
	}
	var area, beyond [knotSize * knotSize]levels
	for i := range area {
		area[i] = m.shown.of[label]
	}
	for _, c := range curves {
		arc := &m.e.m.Arcs[c.arc]
		if arc.Left == planar.Outside || arc.Right == planar.Outside {
			return v, false
		}
		seg, step := &m.shown.arcs[c.arc][c.k].Segment, m.shown.step(planar.HalfOf(int(c.arc), false))
		v.add(&area, &beyond, seg, step, true)
		asLines(seg, func(p, q fit.Point) {
			if (p.X < edge) == (q.X < edge) {
				return
			}
			down := -1.0 // what lies below is to the right of a curve that goes to the right
			if p.X > q.X {
				down = 1
			}
			at := p.Y + float64((q.Y-p.Y)*(edge-p.X)/(q.X-p.X)) - float64(v.y)
			for y := range knotSize {
				share := max(0, min(1, float64(y+1)-at))
				if at < float64(start) {
					share--
				}
				for i := y * knotSize; i < (y+1)*knotSize; i++ {
					area[i].add(step, float64(down*share))
				}
			}
		})
	}
	spread(&area, &beyond)
	for i := range v.lack {
		x, y := v.x+i%knotSize, v.y+i/knotSize
		at := y*w + x
		v.blind[i] = slices.ContainsFunc(m.labelsAbout(x, y, 1), func(l uint8) bool { return !own[l] })
		r, g, b := m.e.flats.Pixel(at)
		v.lack[i] = levels{r, g, b}
		if near := m.labelsAbout(x, y, 2); len(near) == 2 && !m.soft {
			c := v.lack[i]
			c.add(m.shown.of[near[0]], -1)
			_, rest := m.between(c, near[0], near[1])
			v.blind[i] = v.blind[i] || rest > shines
		}
		if m.soft {
			v.lack[i] = levels{lumaOf(v.lack[i])}
		}
		if core := m.e.flats.IsCore(at); !core {
			v.mixed++
		} else if !m.soft {
			c := m.shown.of[m.e.flats.Labels[at]]
			if max(math.Abs(r-c[0]), math.Abs(g-c[1]), math.Abs(b-c[2])) > unmixed {
				return v, false // the label stands for several colours
			}
		}
		v.lack[i].add(area[i], -1)
	}
	return v, true
}

// contrast returns the mean contrast of the colours that meet in a knot.
func (m *mender) contrast(k *knot) (mean float64) {
	for _, e := range k.ends {
		d := m.shown.step(e.half)
		mean += math.Sqrt(dot3(d, d)) / float64(len(k.ends))
	}
	return max(faintest, mean)
}

// sum returns the sum of the squares of what the pixels lack, in shares of a contrast.
func (v *knotView) sum(lack *[knotSize * knotSize]levels, contrast float64) (sum float64) {
	for i := range lack {
		if !v.blind[i] {
			sum += dot3(lack[i], lack[i])
		}
	}
	return sum / float64(contrast*contrast)
}
