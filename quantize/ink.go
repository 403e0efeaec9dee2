package quantize

import (
	"math"

	"pochoir/quantize/colour"
	"pochoir/quantize/large"
)

// This file labels pictures of ink alone. Grey levels between ink and paper are nothing but edges, so a pixel is ink
// where it is nearer to the ink's own level than to the paper's: in a window, where contrast varies over the sheet.

const (
	inkTile     = 32   // px: side of the squares in which the levels are measured
	inkWindow   = 49   // px: window of the first threshold, odd
	inkContrast = 80.0 // levels from ink to paper at least
	inkTint     = 16   // levels between the channels of a pixel that is still grey
	inkColoured = 5e-3 // share of the picture that may have more colour
	inkMiddle   = 0.12 // share of the contrast by which a level that is neither ink nor paper differs from both
	inkQuiet    = 0.02 // share of the ink, in pixels of a quiet place at such a level, that makes a grey a colour
	inkVaries   = 8.0  // levels over the sheet from which thresholds are local
	inkPure     = 0.15 // share of the contrast by which a core may miss its level
)

// greys returns the luma of every pixel.
func (q *flattener) greys() []uint8 {
	g := large.Make[uint8](q.w * q.h)
	rowBands(q.h, q.opt.Workers, func(_, y0, y1 int) {
		for i := y0 * q.w; i < y1*q.w; i++ {
			g[i] = uint8(greyOf(q.px.at(i)))
		}
	})
	return g
}

// greyOf returns the luma of a pixel, levels (ITU-R BT.601).
func greyOf(p uint32) int {
	r, g, b := channels(p)
	return (299*int(r) + 587*int(g) + 114*int(b) + 500) / 1000
}

// inkOnly reports whether a rough picture shows nothing but ink on paper: no colours, and no even places of a level
// between the two.
func (q *flattener) inkOnly() bool {
	const every = 3 // pixels looked at, in rows and columns
	var count [256]int
	n, coloured := 0, 0
	few := inkColoured * float64(((q.h+every-1)/every)*((q.w+every-1)/every))
	for y := 0; y < q.h; y += every {
		if float64(coloured) > few {
			return false
		}
		for x := 0; x < q.w; x += every {
			p := q.px.at(y*q.w + x)
			r, g, b := channels(p)
			lo, hi := min(r, g, b), max(r, g, b)
			if int(hi)-int(lo) > inkTint {
				coloured++
			}
			count[greyOf(p)]++
			n++
		}
	}
	if float64(coloured) > few {
		return false
	}
	ink, paper, dark := twoLevels(&count)
	contrast := paper - ink
	if contrast < inkContrast || 2*dark > n || !isPaper(colour.RGB{R: uint8(paper), G: uint8(paper), B: uint8(paper)}) {
		return false
	}
	lo, hi := int(ink+inkMiddle*contrast), int(paper-inkMiddle*contrast)
	quiet := 0
	for y := every; y < q.h-1; y += every {
		for x := every; x < q.w-1; x += every {
			i := y*q.w + x
			if v := greyOf(q.px.at(i)); v > lo && v < hi && q.quiet(i) {
				quiet++
			}
		}
	}
	return float64(quiet) <= inkQuiet*float64(dark)
}

// twoLevels returns the commonest levels of the dark and of the light part of a histogram, and how many pixels are
// dark.
func twoLevels(count *[256]int) (ink, paper float64, dark int) {
	t := otsu(count)
	at := [2]int{0, 255}
	var most [2]int
	for v := range count {
		k := 0
		if v > t {
			k = 1
		} else {
			dark += count[v]
		}
		// the sum of three levels, so that noise does not choose
		n := count[v]
		if v > 0 {
			n += count[v-1]
		}
		if v < 255 {
			n += count[v+1]
		}
		if n > most[k] {
			most[k], at[k] = n, v
		}
	}
	return float64(at[0]), float64(at[1]), dark
}

// drawInk labels a picture of ink alone.
func (q *flattener) drawInk() {
	q.inked = true
	grey := q.greys()
	var count [256]int
	for _, v := range grey {
		count[v]++
	}
	ink, paper, _ := twoLevels(&count)
	f := q.inkFields(grey, ink, paper)
	if f == nil {
		q.cutInk(grey, func(x, y int) (float64, float64) { return ink, paper })
	} else {
		q.cutInk(grey, f.at)
	}
	q.inkTints(grey, f)
}

// inkField is the ink's and the paper's level over the sheet, measured in squares.
type inkField struct {
	cols, rows int
	ink, paper []float64
}

// at returns the levels at pixel (x, y), linear between the middles of the squares.
func (f *inkField) at(x, y int) (ink, paper float64) {
	u, v := (float64(x)+0.5)/inkTile-0.5, (float64(y)+0.5)/inkTile-0.5
	c, r := min(max(int(u), 0), max(f.cols-2, 0)), min(max(int(v), 0), max(f.rows-2, 0))
	s, t := clamp01(u-float64(c)), clamp01(v-float64(r))
	c1, r1 := min(c+1, f.cols-1), min(r+1, f.rows-1)
	mix := func(a []float64) float64 {
		top := a[r*f.cols+c] + float64(s*(a[r*f.cols+c1]-a[r*f.cols+c]))
		low := a[r1*f.cols+c] + float64(s*(a[r1*f.cols+c1]-a[r1*f.cols+c]))
		return top + float64(t*(low-top))
	}
	return mix(f.ink), mix(f.paper)
}

// inkFields measures the levels over the sheet; nil where they do not vary. A first threshold (Sauvola & Pietikäinen)
// parts ink from paper within a window; squares without either take the levels of those around them.
func (q *flattener) inkFields(grey []uint8, ink, paper float64) *inkField {
	first := sauvola(grey, q.w, q.h, inkWindow, sauvolaK/2, sauvolaR, q.opt.Workers)
	f := &inkField{cols: (q.w + inkTile - 1) / inkTile, rows: (q.h + inkTile - 1) / inkTile}
	n := f.cols * f.rows
	f.ink, f.paper = make([]float64, n), make([]float64, n)
	half := (ink + paper) / 2
	contrast := paper - ink
	for k := range n {
		f.ink[k], f.paper[k] = math.NaN(), math.NaN()
		var dark, light [256]int
		nd, nl := 0, 0
		for y := k / f.cols * inkTile; y < min(q.h, (k/f.cols+1)*inkTile); y++ {
			for x := k % f.cols * inkTile; x < min(q.w, (k%f.cols+1)*inkTile); x++ {
				if i := y*q.w + x; bit(first, i) {
					dark[grey[i]]++
					nd++
				} else {
					light[grey[i]]++
					nl++
				}
			}
		}
		const enough = 16 // pixels
		if nd >= enough {
			// thin strokes show their level in few pixels
			f.ink[k] = quantile(&dark, nd, 0.2)
		}
		if nl >= enough {
			// where all is ink, the window holds nothing else
			if p := quantile(&light, nl, 0.5); p > half-contrast/4 || nd >= enough && p-f.ink[k] > contrast/3 {
				f.paper[k] = p
			}
		}
		if f.ink[k] > half+contrast/4 {
			f.ink[k] = math.NaN()
		}
	}
	fillAround(f.ink, f.cols, f.rows, ink)
	fillAround(f.paper, f.cols, f.rows, paper)
	lo, hi := math.Inf(1), math.Inf(-1)
	for k := range n {
		h := (f.ink[k] + f.paper[k]) / 2
		lo, hi = min(lo, h), max(hi, h)
	}
	if hi-lo < inkVaries {
		return nil
	}
	return f
}

// quantile returns the level below which the given share of n counted pixels lies.
func quantile(count *[256]int, n int, share float64) float64 {
	want := int(share * float64(n))
	sum := 0
	for v := range count {
		if sum += count[v]; sum > want {
			return float64(v)
		}
	}
	return 255
}

// fillAround replaces the missing values (NaN) of a grid by the mean of their neighbours, ring by ring; by the given
// value where there are none at all.
func fillAround(a []float64, cols, rows int, otherwise float64) {
	for {
		next := make([]float64, len(a))
		copy(next, a)
		missing, filled := false, false
		for k := range a {
			if !math.IsNaN(a[k]) {
				continue
			}
			missing = true
			var sum float64
			n := 0
			for y := max(0, k/cols-1); y <= min(rows-1, k/cols+1); y++ {
				for x := max(0, k%cols-1); x <= min(cols-1, k%cols+1); x++ {
					if v := a[y*cols+x]; !math.IsNaN(v) {
						sum += v
						n++
					}
				}
			}
			if n > 0 {
				next[k], filled = sum/float64(n), true
			}
		}
		copy(a, next)
		if !missing {
			return
		}
		if !filled {
			for k := range a {
				a[k] = otherwise
			}
			return
		}
	}
}

// Labels of a picture of ink alone.
const (
	paperLabel = 0
	inkLabel   = 1
)

// cutInk labels every pixel by the level it is nearer to.
func (q *flattener) cutInk(grey []uint8, at func(x, y int) (ink, paper float64)) {
	rowBands(q.h, q.opt.Workers, func(_, y0, y1 int) {
		for y := y0; y < y1; y++ {
			for x := range q.w {
				ink, paper := at(x, y)
				q.labels[y*q.w+x] = paperLabel
				if 2*float64(grey[y*q.w+x]) < ink+paper {
					q.labels[y*q.w+x] = inkLabel
				}
			}
		}
	})
	q.core = q.coresOfLabels(3, nil)
	rowBands(q.h, q.opt.Workers, func(_, y0, y1 int) {
		for y := y0; y < y1; y++ {
			for x := range q.w {
				i := y*q.w + x
				if !bit(q.core, i) {
					continue
				}
				ink, paper := at(x, y)
				if share := (float64(grey[i]) - ink) / (paper - ink); q.labels[i] == paperLabel && share < 1-inkPure ||
					q.labels[i] == inkLabel && share > inkPure {
					clearBit(q.core, i)
				}
			}
		}
	})
}

// inkTints makes the two tints, each the commonest colour of its cores. Where the levels vary over the sheet the
// picture is replaced by the share of paper in each pixel, so that an edge is measured between the levels that it has
// there.
func (q *flattener) inkTints(grey []uint8, f *inkField) {
	var parts [2]census
	for i, l := range q.labels {
		if bit(q.core, i) || l == inkLabel && parts[inkLabel].used == 0 {
			parts[l].add(q.px.at(i), 1, 0)
		}
	}
	colours := [2]colour.RGB{paperLabel: {R: 255, G: 255, B: 255}}
	for l := range parts {
		if list := parts[l].list(); len(list) > 0 {
			colours[l] = list[0].colour
		}
	}
	for l := range colours {
		q.addTint(colours[l], 1)
	}
	if f == nil {
		return
	}
	pix := make([]uint8, 4*q.w*q.h)
	ink, paper := colours[inkLabel], colours[paperLabel]
	rowBands(q.h, q.opt.Workers, func(_, y0, y1 int) {
		for y := y0; y < y1; y++ {
			for x := range q.w {
				i := y*q.w + x
				lo, hi := f.at(x, y)
				s := clamp01((float64(grey[i]) - lo) / (hi - lo))
				mix := func(a, b uint8) uint8 { return uint8(float64(a) + float64(s*(float64(b)-float64(a))) + 0.5) }
				copy(pix[4*i:], []uint8{mix(ink.R, paper.R), mix(ink.G, paper.G), mix(ink.B, paper.B), 255})
			}
		}
	})
	q.px = &Pixels{W: q.w, H: q.h, Pix: pix, Clear: q.px.Clear, Lossy: q.px.Lossy}
}
