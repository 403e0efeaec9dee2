package quantize

import (
	"fmt"
	"image"
	"math"
	"runtime"
	"sync"

	"pochoir/quantize/colour"
	"pochoir/quantize/large"
)

// FlattenPaper reduces a sheet of paper, as scanned or photographed, straightened and evened, to its palette and
// labels every pixel. The paper is white (255) up to its grain and the inks near their true colours; no colour repeats
// exactly. noise is the standard deviation of a flat area in 8-bit levels, blur that of the edge spread in px; both
// may be 0 when unknown.
//
// The Flats come out clean: away from edges every pixel shows its swatch, and along them it is the mixture of the two
// swatches in the shares of the local colours, measured in linear light, where optical blur mixes them. So Coverage
// gives the share of an ink whatever its density there.
func FlattenPaper(px Pixels, noise, blur float64, opt Options) (*Flats, error) {
	if px.W < 1 || px.H < 1 {
		return nil, ErrEmpty
	}
	if len(px.Pix) != 4*px.W*px.H {
		return nil, fmt.Errorf("quantize: %d bytes for %d x %d pixels", len(px.Pix), px.W, px.H)
	}
	if err := opt.check(); err != nil {
		return nil, err
	}
	f := flattenPart(px, drawnPart(px, noise, opt.Workers), noise, blur, opt)
	f.Medium, f.Ink = medium(f, opt.Medium, func() ([]int, []int) { return f.contacts(opt.Workers) })
	if opt.Medium == MediumAuto && f.Ink < 0 && len(f.Palette) == 2 && f.Ground >= 0 && f.thin(1-f.Ground) {
		f.Medium, f.Ink = MediumLine, 1-f.Ground // a pale pen
	}
	if len(opt.Palette) == 0 {
		if f.Ink >= 0 {
			f.Palette[f.Ink].Name = "ink"
		}
		NameSwatches(f.Palette)
	}
	return f, nil
}

// flattenPart is FlattenPaper up to the medium. Only part r of the sheet is looked at; the rest is bare paper.
func flattenPart(px Pixels, r image.Rectangle, noise, blur float64, opt Options) *Flats {
	paperTables()
	whole := px
	cropped := r.Dx() < px.W || r.Dy() < px.H
	if cropped {
		px = px.part(r)
	}
	s := &onPaper{plane: plane{w: px.W, h: px.H, workers: opt.Workers}, raw: px.Pix, pix: px.Pix, noise: noise, sharp: blur, blur: blur, want: opt.Colours,
		area: whole.W * whole.H}
	s.findBlank()
	s.smoothLab()
	s.half = s.halve()
	s.evenInk()
	halved := s.beside(s.half.findEven)
	s.findEven()
	halved()
	var paints []paint
	var tiles []int32
	found := s.beside(func() { paints, tiles = s.findPaints() })
	rs, part := s.strokes()
	found()
	paints = s.addRough(paints, rs)
	paints = s.addInks(paints, rs)
	s.along = flow{}
	if s.combed {
		s.undoBlur(rs, s.pix, s.blur)
	}
	if len(paints) == 0 {
		paints = []paint{{c: s.middle()}}
	}
	s.labelRidges(rs, part, paints)
	s.mark(tiles, rs)
	s.flood()
	paints = s.prune(paints, max(dustPixels, int(leastShare*float64(s.area))))
	s.lab, s.rough, s.half.lab, s.half.rough, s.scratch, s.raw = nil, nil, nil, nil, nil, nil // the pixels say the rest
	s.measureLocals(paints, rs)
	s.refine()
	s.trim()
	s.paints = paints
	s.dust()
	if opt.Medium == MediumLine && len(opt.Palette) == 0 {
		opt.Colours = 2 // ink and paper
	}
	under, palette := settle(paints, s.hasPaper, opt)
	f := s.finish(under, palette)
	if s.hasPaper && s.showsAtFrame(0) {
		f.Ground = int(under[0])
	}
	var to [256]uint8
	copy(to[:], under)
	relabel(f.Labels, &to, s.h, s.w, s.workers)
	switch {
	case !cropped:
	case f.Ground >= 0:
		var into []uint8
		if opt.Spent {
			into = whole.Pix
		}
		f.padded(whole.W, whole.H, r, into, opt.Workers)
	default: // what seemed to be paper was not
		return flattenPart(whole, image.Rect(0, 0, whole.W, whole.H), noise, blur, opt)
	}
	return f
}

// beside runs do beside what follows, where there is a worker for that, and returns a function that waits until it is
// done.
func (s *plane) beside(do func()) (wait func()) {
	if s.workers == 1 || s.workers <= 0 && runtime.GOMAXPROCS(0) == 1 {
		do()
		return func() {}
	}
	var wg sync.WaitGroup
	wg.Go(do)
	return wg.Wait
}

// thin reports whether label l is no wider in the mean than a drawn line.
func (f *Flats) thin(l int) bool {
	edges, areas := f.contacts(1)
	n := len(f.Palette)
	own := 0
	for m := range n {
		own += edges[l*n+m]
	}
	return own > 0 && 2*float64(areas[l])/float64(own) < inkWidth*math.Hypot(float64(f.W), float64(f.H))
}

// showsAtFrame reports whether label l reaches the sheet's edge.
func (s *onPaper) showsAtFrame(l uint8) bool {
	last := (s.h - 1) * s.w
	for x := range s.w {
		if s.labels[x] == l || s.labels[last+x] == l {
			return true
		}
	}
	for y := range s.h {
		if s.labels[y*s.w] == l || s.labels[y*s.w+s.w-1] == l {
			return true
		}
	}
	return false
}

// middle is the mean colour of a sheet without any even place.
func (s *onPaper) middle() vec {
	var sum [3]int
	n := s.w * s.h
	for i := 0; i < n; i++ {
		for k := range sum {
			sum[k] += int(s.pix[4*i+k])
		}
	}
	return vecOf(colour.RGB{R: uint8(sum[0] / n), G: uint8(sum[1] / n), B: uint8(sum[2] / n)})
}

// settle makes the palette and says under which of its swatches each paint comes: the nearest one of a locked palette,
// or its own colour, joined with others until there are no more than asked for. A locked palette keeps the swatches
// that are used.
func settle(paints []paint, hasPaper bool, opt Options) (under []uint8, palette []Swatch) {
	n := len(paints)
	group := make([]int, n)
	labs := make([]colour.Lab, n)
	for k := range paints {
		group[k], labs[k] = k, paints[k].c.lab()
	}
	under = large.Make[uint8](n)
	if len(opt.Palette) > 0 {
		used := make([]bool, len(opt.Palette))
		for k := range paints {
			best := math.Inf(1)
			for j, s := range opt.Palette {
				if d := colour.Difference(labs[k], s.Colour.Lab()); d < best {
					best, group[k] = d, j
				}
			}
			used[group[k]] = true
		}
		to := make([]uint8, len(used))
		for j, s := range opt.Palette {
			if used[j] {
				to[j] = uint8(len(palette))
				palette = append(palette, s)
			}
		}
		for k := range under {
			under[k] = to[group[k]]
		}
		return under, palette
	}
	if opt.Colours > 0 {
		joinPaints(paints, labs, group, hasPaper, opt.Colours)
	}
	to := make([]uint8, n)
	for k := range paints {
		if group[k] == k {
			to[k] = uint8(len(palette))
			palette = append(palette, Swatch{Colour: paints[k].swatch()})
		}
	}
	for k := range under {
		under[k] = to[group[k]]
	}
	return under, palette
}

// swatch is the paint's colour in 8 bits; what is all but white is white, and what is all but black is black: how much of
// a dark grey is glare cannot be told.
func (p *paint) swatch() colour.RGB {
	l := p.c.lab()
	if colour.Difference(l, colour.Lab{L: 100}) < whiteDE {
		return colour.RGB{R: 255, G: 255, B: 255}
	}
	const blackL, blackChroma = 11.5, 4.0
	if l.L < blackL && math.Hypot(l.A, l.B) < blackChroma {
		return colour.RGB{}
	}
	return l.RGB()
}

// joinPaints joins the pair whose joining moves the least colour until only most are left (J. H. Ward, "Hierarchical
// grouping to optimize an objective function", 1963, with CIEDE2000 for distance). The paper stays alone.
func joinPaints(paints []paint, labs []colour.Lab, group []int, hasPaper bool, most int) {
	n := len(paints)
	area := make([]float64, n)
	for k := range paints {
		area[k] = float64(paints[k].n)
	}
	for left := n; left > most; left-- {
		best, from, into := math.Inf(1), -1, -1
		for a := range n {
			if group[a] != a || a == 0 && hasPaper {
				continue
			}
			for b := range a {
				if group[b] != b || b == 0 && hasPaper {
					continue
				}
				d := colour.Difference(labs[a], labs[b])
				if cost := area[a] * area[b] / (area[a] + area[b]) * d * d; cost < best {
					best, from, into = cost, a, b
					if area[a] > area[b] {
						from, into = b, a
					}
				}
			}
		}
		if from < 0 {
			return
		}
		for k := range group {
			if group[k] == from {
				group[k] = into
			}
		}
		area[into] += area[from]
	}
}

// finish makes the Flats, clean pixels and cores, for paints that come under the swatches of a palette. The labels
// stay those of the paints.
func (s *onPaper) finish(under []uint8, palette []Swatch) *Flats {
	w, h := s.w, s.h
	f := &Flats{W: w, H: h, Labels: s.labels, Palette: palette, Ground: -1, Ink: -1, Noise: s.noise, Blur: s.blur}
	shades := make([][]tone, len(palette))
	for k := range palette {
		shades[k] = []tone{toneOfRGB(palette[k].Colour, false)}
	}
	f.measure(shades, false, 0, s.workers)
	f.Core = large.Make[uint64](bitmapLen(w * h))
	f.px.Pix = large.Make[uint8](4 * w * h)
	reach := min(max(2+int(math.Ceil(s.blur)), 3), 5)
	edge := s.nearEdge(under, reach)
	rowBands(h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			labels, edge := s.labels[y*w:(y+1)*w], edge[y*w:(y+1)*w]
			for x := 0; x < w; {
				l, e := labels[x], x+1
				c := palette[under[l]].Colour
				if edge[x] {
					c = s.clean(under, palette, x, y, reach)
				} else {
					for e < w && !edge[e] && labels[e] == l {
						e++
					}
					setBits(f.Core, y*w+x, y*w+e)
				}
				for p := f.px.Pix[4*(y*w+x) : 4*(y*w+e)]; len(p) >= 4; p = p[4:] {
					p[0], p[1], p[2], p[3] = c.R, c.G, c.B, 255
				}
				x = e
			}
		}
	})
	return f
}

// clean returns the colour of an edge pixel as it were if each paint were even: the mixture of two swatches in the
// shares of their local colours.
func (s *onPaper) clean(under []uint8, palette []Swatch, x, y, reach int) colour.RGB {
	a := s.labelsAround(x, y, reach)
	own := palette[under[a.l[0]]].Colour
	if a.n == 1 {
		return own
	}
	i := 4 * (y*s.w + x)
	c := lightOf(s.pix[i : i+3 : i+3])
	mine := s.local.near(a.l[0], x, y)
	best, with, part := int64(math.MaxInt64), a.l[0], int64(0)
	for _, l := range a.l[1:a.n] {
		share, miss := between(c, mine, s.local.near(l, x, y))
		if miss < best {
			best, with, part = miss, l, share
		}
	}
	other := palette[under[with]].Colour
	mix := func(p, q uint8) uint8 {
		return uint8((int64(p)*(shareUnit-part) + int64(q)*part + shareUnit/2) / shareUnit)
	}
	return colour.RGB{R: mix(own.R, other.R), G: mix(own.G, other.G), B: mix(own.B, other.B)}
}

// nearEdge marks the pixels within reach px (both ways) of another swatch.
func (s *onPaper) nearEdge(under []uint8, reach int) []bool {
	w, h := s.w, s.h
	along := large.Make[bool](w * h)
	rowBands(h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			row := s.labels[y*w : (y+1)*w]
			out := along[y*w : (y+1)*w]
			for x := 1; x < w; x++ {
				if under[row[x]] != under[row[x-1]] {
					for k := max(x-reach, 0); k < min(x+reach, w); k++ {
						out[k] = true
					}
				}
			}
			if y+1 < h {
				next := s.labels[(y+1)*w : (y+2)*w]
				for x := range row {
					if under[row[x]] != under[next[x]] {
						out[x] = true
					}
				}
			}
			if y > 0 {
				prev := s.labels[(y-1)*w : y*w]
				for x := range row {
					if under[row[x]] != under[prev[x]] {
						out[x] = true
					}
				}
			}
		}
	})
	out := large.Make[bool](w * h)
	rowBands(h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			o := out[y*w : (y+1)*w]
			for yy := max(y-reach+1, 0); yy <= min(y+reach-1, h-1); yy++ {
				for x, v := range along[yy*w : (yy+1)*w] {
					if v {
						o[x] = true
					}
				}
			}
		}
	})
	return out
}
