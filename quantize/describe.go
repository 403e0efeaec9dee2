package quantize

import (
	"math"
	"slices"
)

// describe fills in what the labels say of the picture: noise, ground, ink, medium, names.
func (q *flattener) describe() {
	f := q.f
	if q.px.Lossy {
		f.Noise, f.Blur = q.deviation(), 0.5
	}
	f.Ground = ground(f, q.px.Clear)
	f.Medium, f.Ink = medium(f, q.opt.Medium)
	if f.Ink >= 0 && len(q.opt.Palette) == 0 {
		f.Palette[f.Ink].Name = "ink"
	}
	NameSwatches(f.Palette)
}

// deviation returns the standard deviation of core pixels about their swatches, levels a channel.
func (q *flattener) deviation() float64 {
	var sum float64
	n := 0
	for i, l := range q.f.Labels {
		if !bit(q.core, i) {
			continue
		}
		d := dist(q.pixel(i), q.palette[l])
		sum += float64(d * d)
		n += 3
	}
	if n == 0 {
		return 0
	}
	return math.Sqrt(sum / float64(n))
}

// groundWhite is the least level of every channel that passes for paper.
const groundWhite = 240

// ground returns the label of the paper around the drawing: what lies under transparent places, or the commonest
// nearly white label along the frame; -1 if there is none.
func ground(f *Flats, clear []bool) int {
	var count [256]int
	if clear != nil {
		for i, c := range clear {
			if c {
				count[f.Labels[i]]++
			}
		}
		if best := most(count[:len(f.Palette)]); count[best] > 0 {
			return best
		}
	}
	w, h := f.W, f.H
	frame := 0
	tally := func(i int) { count[f.Labels[i]]++; frame++ }
	for x := range w {
		tally(x)
		tally((h-1)*w + x)
	}
	for y := range h {
		tally(y * w)
		tally(y*w + w - 1)
	}
	best := -1
	for l, s := range f.Palette {
		c := s.Colour
		if count[l]*20 >= frame && min(c.R, c.G, c.B) >= groundWhite && (best < 0 || count[l] > count[best]) {
			best = l
		}
	}
	return best
}

func most(count []int) int {
	best := 0
	for i, n := range count {
		if n > count[best] {
			best = i
		}
	}
	return best
}

// medium tells what was drawn and which label is the ink: a dark colour that runs between most of the others.
func medium(f *Flats, want Medium) (Medium, int) {
	n := len(f.Palette)
	contact := make([]int, n*n)
	area := make([]int, n)
	w := f.W
	for i, l := range f.Labels {
		area[l]++
		if i%w+1 < w && f.Labels[i+1] != l {
			contact[int(l)*n+int(f.Labels[i+1])]++
			contact[int(f.Labels[i+1])*n+int(l)]++
		}
		if i+w < len(f.Labels) && f.Labels[i+w] != l {
			contact[int(l)*n+int(f.Labels[i+w])]++
			contact[int(f.Labels[i+w])*n+int(l)]++
		}
	}
	ink, share := -1, 0.0
	total := 0
	for _, c := range contact {
		total += c
	}
	for l, s := range f.Palette {
		const dark = 40 // CIELAB lightness of ink at most
		if l == f.Ground || s.Colour.Lab().L > dark {
			continue
		}
		touch := 0
		for m := range n {
			touch += 2 * contact[l*n+m]
		}
		// Ink is thin: its area is small for the length of its edges.
		if total > 0 && touch > 0 && float64(area[l])/float64(touch/2) < 0.02*math.Sqrt(float64(len(f.Labels)))+6 {
			if k := float64(touch) / float64(total); k > share {
				ink, share = l, k
			}
		}
	}
	darkest := func() int {
		if ink >= 0 {
			return ink
		}
		order := make([]int, 0, n)
		for l := range n {
			if l != f.Ground {
				order = append(order, l)
			}
		}
		if len(order) == 0 {
			return -1
		}
		return slices.MinFunc(order, func(a, b int) int {
			if f.Palette[a].Colour.Lab().L < f.Palette[b].Colour.Lab().L {
				return -1
			}
			return 1
		})
	}
	switch want {
	case MediumFlat:
		return MediumFlat, -1
	case MediumLine, MediumInked:
		return want, darkest()
	}
	const most = 0.7 // of all edges border the ink in an inked picture
	switch {
	case n == 2 && f.Ground >= 0 && ink >= 0:
		return MediumLine, ink
	case ink >= 0 && share > most && n > 2:
		return MediumInked, ink
	}
	return MediumFlat, -1
}
