package quantize

import (
	"errors"
	"math"

	"pochoir/quantize/colour"
)

// ErrEmpty is returned for a picture without pixels.
var ErrEmpty = errors.New("quantize: the picture has no pixels")

// maxAutomatic bounds the number of colours that are found without being asked for.
const maxAutomatic = 64

// Flatten reduces a digital picture to its palette and labels every pixel.
func Flatten(px Pixels, opt Options) (*Flats, error) {
	if px.W < 1 || px.H < 1 {
		return nil, ErrEmpty
	}
	f := &Flats{W: px.W, H: px.H, Labels: make([]uint8, px.W*px.H), Ground: -1, Ink: -1, pix: px.Pix}
	q := &flattener{px: &px, f: f, opt: opt}
	if px.Lossy {
		q.lossyCores()
	} else {
		q.cleanCores()
	}
	q.seed()
	q.fringes()
	q.prune()
	f.Core = q.core
	f.lossy, f.subsampled = px.Lossy, px.Subsampled
	q.describe()
	return f, nil
}

// flattener holds the state of one run of Flatten.
type flattener struct {
	px   *Pixels
	f    *Flats
	opt  Options
	core []uint64 // pixels with a label that is certain
	deep []uint64
	// assign returns the label of a core pixel's colour.
	table   map[uint32]uint8
	palette [][3]float64
	reach   int     // px to the next core across an edge
	miss    float64 // levels by which a mixture may miss a pixel
}

const unlabelled = 255

func rgbOf(c colour.RGB) [3]float64 { return [3]float64{float64(c.R), float64(c.G), float64(c.B)} }

func dist(a, b [3]float64) float64 {
	var s float64
	for k := range a {
		s += float64((a[k] - b[k]) * (a[k] - b[k]))
	}
	return math.Sqrt(s)
}

// mixture returns the share of a in the mixture of a and b nearest to c, 0..1, and how far it misses c, levels.
func mixture(c, a, b [3]float64) (share, miss float64) {
	var n, d float64
	for k := range c {
		n += float64((c[k] - b[k]) * (a[k] - b[k]))
		d += float64((a[k] - b[k]) * (a[k] - b[k]))
	}
	if d == 0 {
		return 0.5, dist(c, a)
	}
	share = math.Max(0, math.Min(1, n/d))
	for k := range c {
		e := c[k] - b[k] - float64(share*(a[k]-b[k]))
		miss += float64(e * e)
	}
	return share, math.Sqrt(miss)
}

// mixtureOf3 is mixture for three colours; ok is false outside their triangle.
func mixtureOf3(c, a, b, d [3]float64) (w [3]float64, miss float64, ok bool) {
	var u, v, e [3]float64
	for k := range c {
		u[k], v[k], e[k] = a[k]-d[k], b[k]-d[k], c[k]-d[k]
	}
	dot := func(p, q [3]float64) float64 { return float64(p[0]*q[0]) + float64(p[1]*q[1]) + float64(p[2]*q[2]) }
	uu, vv, uv, ue, ve := dot(u, u), dot(v, v), dot(u, v), dot(u, e), dot(v, e)
	det := float64(uu*vv) - float64(uv*uv)
	if det < 1 {
		return w, 0, false
	}
	s, t := (float64(ue*vv)-float64(ve*uv))/det, (float64(ve*uu)-float64(ue*uv))/det
	if s < -0.02 || t < -0.02 || s+t > 1.02 {
		return w, 0, false
	}
	for k := range c {
		r := e[k] - float64(s*u[k]) - float64(t*v[k])
		miss += float64(r * r)
	}
	return [3]float64{s, t, 1 - s - t}, math.Sqrt(miss), true
}

func (q *flattener) addSwatch(c colour.RGB) uint8 {
	q.f.Palette = append(q.f.Palette, Swatch{Colour: c})
	q.palette = append(q.palette, rgbOf(c))
	return uint8(len(q.palette) - 1)
}

func (q *flattener) pixel(i int) [3]float64 {
	p := q.px.Pix[4*i : 4*i+3 : 4*i+3]
	return [3]float64{float64(p[0]), float64(p[1]), float64(p[2])}
}

// limit returns how many swatches may be made.
func (q *flattener) limit() int {
	if q.opt.Colours > 0 {
		return q.opt.Colours
	}
	return maxAutomatic
}

// cleanCores takes the palette of a picture coded without loss: the exact colours of uniform blocks.
func (q *flattener) cleanCores() {
	blocks := uniformBlocks(q.px, q.opt.Workers)
	q.core, q.deep = coresOf(blocks, q.px.W)
	q.reach, q.miss = 3, 4
	q.table = map[uint32]uint8{}
	if q.lockPalette() {
		return
	}
	const (
		rounding = 2  // levels by which one colour may vary from rounding
		populous = 12 // core pixels that make a mixed colour a colour of its own
	)
	for _, t := range coreCensus(q.px, q.core, q.deep, q.opt.Workers) {
		c := rgbOf(t.colour)
		found := -1
		for j, p := range q.palette {
			if math.Abs(p[0]-c[0]) <= rounding && math.Abs(p[1]-c[1]) <= rounding && math.Abs(p[2]-c[2]) <= rounding {
				found = j
				break
			}
		}
		if found < 0 && t.core < populous && t.deep == 0 && q.mixed(c, 3) {
			continue
		}
		if found < 0 && t.core < 4 {
			continue
		}
		if found < 0 {
			if len(q.palette) >= q.limit() {
				found = q.nearest(c)
			} else {
				found = int(q.addSwatch(t.colour))
			}
		}
		q.table[pack(t.colour)] = uint8(found)
	}
	if len(q.palette) == 0 { // nothing but noise: the mean is all there is to say
		q.addSwatch(q.mean())
	}
}

// lockPalette takes the given palette; the colours of the picture go to the nearest swatch.
func (q *flattener) lockPalette() bool {
	if len(q.opt.Palette) == 0 {
		return false
	}
	for _, s := range q.opt.Palette {
		q.addSwatch(s.Colour)
		q.f.Palette[len(q.f.Palette)-1].Name = s.Name
	}
	labs := make([]colour.Lab, len(q.palette))
	for i, s := range q.f.Palette {
		labs[i] = s.Colour.Lab()
	}
	for _, t := range coreCensus(q.px, q.core, q.deep, q.opt.Workers) {
		l := t.colour.Lab()
		best := 0
		for i := range labs {
			if colour.Difference(l, labs[i]) < colour.Difference(l, labs[best]) {
				best = i
			}
		}
		q.table[pack(t.colour)] = uint8(best)
	}
	return true
}

// mixed reports whether c lies between two swatches.
func (q *flattener) mixed(c [3]float64, tolerance float64) bool {
	for a := range q.palette {
		for b := range a {
			if _, miss := mixture(c, q.palette[a], q.palette[b]); miss < tolerance {
				return true
			}
		}
	}
	return false
}

func (q *flattener) nearest(c [3]float64) int {
	best := 0
	for j := range q.palette {
		if dist(c, q.palette[j]) < dist(c, q.palette[best]) {
			best = j
		}
	}
	return best
}

func (q *flattener) mean() colour.RGB {
	var s [3]int
	n := q.px.W * q.px.H
	for i := 0; i < n; i++ {
		for k := range s {
			s[k] += int(q.px.Pix[4*i+k])
		}
	}
	return colour.RGB{R: uint8(s[0] / n), G: uint8(s[1] / n), B: uint8(s[2] / n)}
}

// seed labels the cores.
func (q *flattener) seed() {
	w := q.px.W
	rowBands(q.px.H, q.opt.Workers, func(_, y0, y1 int) {
		last, lastLabel, known := uint32(0), uint8(0), false
		for i := y0 * w; i < y1*w; i++ {
			if !bit(q.core, i) {
				q.f.Labels[i] = unlabelled
				continue
			}
			c := at(q.px.Pix, i)
			if !known || c != last {
				l, ok := q.table[c&0xffffff]
				if !ok {
					clearBit(q.core, i)
					q.f.Labels[i] = unlabelled
					continue
				}
				last, lastLabel, known = c, l, true
			}
			q.f.Labels[i] = lastLabel
		}
	})
}

// Directions of the rays along which cores are looked for, in opposed pairs.
var rays = [4][2]int{{1, 0}, {0, 1}, {1, 1}, {1, -1}}

// fringes labels the pixels that are no cores: mixtures of the colours either side of an edge first, thin features
// after them.
func (q *flattener) fringes() {
	w, h := q.px.W, q.px.H
	out := make([]uint8, len(q.f.Labels))
	rowBands(h, q.opt.Workers, func(_, y0, y1 int) {
		for y := y0; y < y1; y++ {
			for x := 0; x < w; x++ {
				i := y*w + x
				out[i] = q.f.Labels[i]
				if out[i] == unlabelled {
					out[i] = q.fringe(x, y)
				}
			}
		}
	})
	seeds := q.f.Labels
	q.f.Labels = out
	var open []int
	for i, l := range out {
		if l == unlabelled {
			open = append(open, i)
		}
	}
	if len(open) > 0 {
		q.thinFeatures(open, seeds)
	}
}

// fringe returns the label of pixel (x, y) by the cores around it, or unlabelled.
func (q *flattener) fringe(x, y int) uint8 {
	w, h := q.px.W, q.px.H
	c := q.pixel(y*w + x)
	best, label := math.Inf(1), uint8(unlabelled)
	var around [8]uint8
	n := 0
	for _, d := range rays {
		var end [2]int
		far := 0
		for s := range end {
			end[s] = -1
			for k := 1; k <= q.reach; k++ {
				xx, yy := x+d[0]*k*(1-2*s), y+d[1]*k*(1-2*s)
				if xx < 0 || yy < 0 || xx >= w || yy >= h {
					break
				}
				if j := yy*w + xx; bit(q.core, j) {
					end[s] = int(q.f.Labels[j])
					far += k
					around[n] = q.f.Labels[j]
					n++
					break
				}
			}
		}
		if end[0] < 0 || end[1] < 0 {
			continue
		}
		share, miss := mixture(c, q.palette[end[0]], q.palette[end[1]])
		if miss > q.miss {
			continue
		}
		if cost := miss/3 + 0.2*float64(far); cost < best {
			best, label = cost, uint8(end[1])
			if share >= 0.5 {
				label = uint8(end[0])
			}
		}
	}
	if label != unlabelled {
		return label
	}
	for a := range n {
		if miss := dist(c, q.palette[around[a]]); miss < 0.75*q.miss && miss < best {
			best, label = miss, around[a]
		}
		for b := range a {
			if around[a] == around[b] {
				continue
			}
			if share, miss := mixture(c, q.palette[around[a]], q.palette[around[b]]); miss < q.miss && miss < best {
				best, label = miss, around[b]
				if share >= 0.5 {
					label = around[a]
				}
			}
		}
	}
	if label != unlabelled {
		return label
	}
	for a := range n {
		for b := range a {
			for e := range b {
				s, miss, ok := mixtureOf3(c, q.palette[around[a]], q.palette[around[b]], q.palette[around[e]])
				if ok && miss < q.miss && miss < best {
					best = miss
					switch {
					case s[0] >= s[1] && s[0] >= s[2]:
						label = around[a]
					case s[1] >= s[2]:
						label = around[b]
					default:
						label = around[e]
					}
				}
			}
		}
	}
	return label
}

// thinFeatures labels what no mixture of the cores around explains: each connected part is one colour, mixed with
// its surroundings and parted from them at one half.
func (q *flattener) thinFeatures(open []int, seeds []uint8) {
	w, h := q.px.W, q.px.H
	waiting := make(map[int]bool, len(open))
	for _, i := range open {
		waiting[i] = true
	}
	var part []int
	for _, first := range open {
		if !waiting[first] {
			continue
		}
		part = append(part[:0], first)
		delete(waiting, first)
		for k := 0; k < len(part); k++ {
			x, y := part[k]%w, part[k]/w
			for yy := max(0, y-1); yy <= min(h-1, y+1); yy++ {
				for xx := max(0, x-1); xx <= min(w-1, x+1); xx++ {
					if j := yy*w + xx; waiting[j] {
						delete(waiting, j)
						part = append(part, j)
					}
				}
			}
		}
		var near [256]bool
		for _, i := range part {
			x, y := i%w, i/w
			for yy := max(0, y-2); yy <= min(h-1, y+2); yy++ {
				for xx := max(0, x-2); xx <= min(w-1, x+2); xx++ {
					near[seeds[yy*w+xx]] = true
				}
			}
		}
		near[unlabelled] = false
		q.labelPart(part, &near)
	}
}

func (q *flattener) labelPart(part []int, near *[256]bool) {
	best, bestCost := 0, math.Inf(1)
	for x := range q.palette {
		var sum, most float64
		for _, i := range part {
			c := q.pixel(i)
			miss, share := dist(c, q.palette[x]), 1.0
			for a := range q.palette {
				if near[a] && a != x {
					if s, m := mixture(c, q.palette[x], q.palette[a]); m < miss {
						miss, share = m, s
					}
				}
			}
			sum += math.Min(miss, 30)
			most = math.Max(most, share)
		}
		if cost := sum/float64(len(part)) + 6*(1-most); cost < bestCost {
			best, bestCost = x, cost
		}
	}
	for _, i := range part {
		c := q.pixel(i)
		miss, label := dist(c, q.palette[best]), best
		for a := range q.palette {
			if !near[a] || a == best {
				continue
			}
			if s, m := mixture(c, q.palette[best], q.palette[a]); m < miss {
				miss, label = m, a
				if s >= 0.5 {
					label = best
				}
			}
		}
		q.f.Labels[i] = uint8(label)
	}
}

// prune drops swatches that no pixel carries (a locked palette keeps its names, but idle colours are not painted).
func (q *flattener) prune() {
	var count [256]int
	for _, l := range q.f.Labels {
		count[l]++
	}
	var to [256]uint8
	kept := q.f.Palette[:0]
	pal := q.palette[:0]
	for l, s := range q.f.Palette {
		if count[l] > 0 {
			to[l] = uint8(len(kept))
			kept = append(kept, s)
			pal = append(pal, q.palette[l])
		}
	}
	if len(kept) == len(q.f.Palette) && len(kept) == len(pal) && int(to[len(kept)-1]) == len(kept)-1 && count[0] > 0 {
		identity := true
		for l := range kept {
			identity = identity && int(to[l]) == l
		}
		if identity {
			return
		}
	}
	q.f.Palette, q.palette = kept, pal
	for i, l := range q.f.Labels {
		q.f.Labels[i] = to[l]
	}
}
