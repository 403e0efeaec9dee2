package quantize

import (
	"math"
	"slices"

	"pochoir/quantize/large"
)

// This file follows what is too thin to hold an even place: pen strokes, gaps between them, small dots. A ridge is a
// pixel that differs from the ground on two opposed sides in the same way and at least as much as the pixels beside
// it; so it sits in the middle of a stroke, whatever the stroke's and the ground's colours.

// ridge is one such pixel.
type ridge struct {
	i      int32
	c      vec     // its own colour
	ground vec     // the ground's, of the two sides the one nearer to it
	height float32 // distance of c from ground, ΔE in the plane
	faint  float32 // the same over the least height that continues a stroke there
	sure   float32 // the same over the height that makes a stroke there
	wide   bool    // seen at half the resolution only
	way    int8    // index in ridgeWays of the direction across the stroke
	far    int8    // steps that way to the ground; negative on the other side
	full   light   // the ink's colour there, the blur of the stroke undone
	label  int16   // -1: none yet
}

const (
	// faintFine and faintWide are the least height of a ridge that continues a stroke, ΔE, at full and at half the
	// resolution; in rough places it is faintGrain standard deviations of the grain.
	faintFine  = 3.5
	faintWide  = 2.2
	faintGrain = 5.0
	// wideHeight is the height above which a ridge at half the resolution shows at full resolution too, ΔE.
	wideHeight = 20.0
	// ridgeSure is the height some pixel of a stroke must reach, ΔE (hysteresis: J. Canny, "A Computational Approach
	// to Edge Detection", 1986), and sureGrain the same in standard deviations of the grain; a stroke of longRun
	// pixels and more may do with longShare times the faintest height in the mean.
	ridgeSure = 8.0
	sureGrain = 9.0
	longRun   = 24
	longShare = 1.7
	// ridgeHalo is the share of the higher side a ridge must keep on its lower side: sharpening leaves a band along
	// an edge that differs a little from its own area and much from the other side.
	ridgeHalo = 0.27
	// flankLead is how much farther from the ground than a ridge a pixel beside it may be.
	flankLead = 1.3
	// A stroke has at least ridgeRun pixels; one of fewer than shortRun must stand out shortShare times as much.
	ridgeRun   = 5
	shortRun   = 12
	shortShare = 1.8
)

// Strokes up to about 5 px wide are seen at the first distance, up to 10 px at the second.
var ridgeReach = [2]int{3, 6}

var ridgeWays = [4][2]int{{1, 0}, {0, 1}, {1, 1}, {1, -1}}

func (s *plane) at(i int) vec {
	p := s.lab[3*i : 3*i+3 : 3*i+3]
	return vec{int32(p[0]), int32(p[1]), int32(p[2])}
}

// findRidges returns the ridges of at least the given height among the pixels that are not even, row by row.
func (s *plane) findRidges(faint float64) []ridge {
	const nearly = 0.9 // roughness is measured at a shorter reach and counts chroma half
	least := int64(faint * faint * labUnit * labUnit)
	parts := make([][]ridge, bandCount(s.h))
	rowBands(s.h, s.workers, func(band, lo, hi int) {
		var out []ridge
		for y := lo; y < hi; y++ {
			s.spans(y, func(x0, x1 int) {
				for x := x0; x < x1; x++ {
					i := y*s.w + x
					if s.core[i] || float64(s.rough[i]) < nearly*faint*roughUnit {
						continue
					}
					r, ok := s.ridgeAt(x, y, least)
					if !ok {
						continue
					}
					grain := s.grainOf(r.ground)
					r.faint = r.height / float32(max(faint, faintGrain*grain))
					r.sure = r.height / float32(max(ridgeSure, sureGrain*grain))
					if r.faint >= 1 {
						out = append(out, r)
					}
				}
			})
		}
		parts[band] = out
	})
	return slices.Concat(parts...)
}

func (s *plane) ridgeAt(x, y int, least int64) (ridge, bool) {
	i := y*s.w + x
	c := s.at(i)
	best := ridge{label: -1}
	var bestD int64
	const level = labUnit * labUnit / 2 // what still counts as no step between neighbours
	for k, way := range ridgeWays {
		dx, dy := way[0], way[1]
		if x < 1 || y < 1 || x+1 >= s.w || y+1 >= s.h {
			continue
		}
		// A step towards either side must not lead on from the ground; where one goes up and the other down, it does.
		along := dy*s.w + dx
		e1, e2 := c.sub(s.at(i+along)), c.sub(s.at(i-along))
		if e1.dot(e2) < -level {
			continue
		}
		for _, reach := range ridgeReach {
			step := reach
			if dx != 0 && dy != 0 {
				step = (reach*5 + 3) / 7
			}
			if x < step || y < step || x+step >= s.w || y+step >= s.h {
				continue
			}
			q1, q2 := s.at(i+step*along), s.at(i-step*along)
			d1, d2 := c.sub(q1), c.sub(q2)
			if d1.dot(d2) <= least {
				continue
			}
			n1, n2 := d1.dot(d1), d2.dot(d2)
			low, high, ground, d, far := n1, n2, q1, d1, step
			if n2 < n1 {
				low, high, ground, d, far = n2, n1, q2, d2, -step
			}
			if low < least || float64(low) < ridgeHalo*ridgeHalo*float64(high) || low <= bestD || e1.dot(d) < 0 || e2.dot(d) < 0 {
				continue
			}
			bestD = low
			best = ridge{i: int32(i), c: c, ground: ground, label: -1, way: int8(k), far: int8(far)}
		}
	}
	if bestD == 0 || s.onFlank(x, y, best.c, best.ground) {
		return best, false
	}
	best.height = float32(math.Sqrt(float64(bestD)) / labUnit)
	return best, true
}

// onFlank reports whether a neighbour of pixel (x, y) lies much farther from the ground than it: then it is a bump in
// the edge of something, no stroke.
func (s *plane) onFlank(x, y int, c, ground vec) bool {
	d := c.sub(ground)
	limit := int64(flankLead * float64(d.dot(d)))
	for yy := max(y-1, 0); yy <= min(y+1, s.h-1); yy++ {
		for xx := max(x-1, 0); xx <= min(x+1, s.w-1); xx++ {
			if s.at(yy*s.w+xx).sub(ground).dot(d) > limit {
				return true
			}
		}
	}
	return false
}

// strokes returns the ridges that belong to strokes, and the number of each one's stroke. Those of half the
// resolution carry on strokes that are too faint or too rough at full resolution.
func (s *onPaper) strokes() ([]ridge, []int32) {
	fine := s.findRidges(faintFine)
	wide := s.half.findRidges(faintWide)
	n := 0
	for k := range wide {
		if wide[k].height <= wideHeight && s.place(&wide[k]) {
			wide[n] = wide[k]
			n++
		}
	}
	wide = wide[:n]
	rs, part := linkRidges(append(fine, wide...), s.places(), s.w, s.h)
	rs, part = dropBeside(rs, part, s.w, s.h)
	s.undoBlur(rs, s.raw, s.sharp)
	return rs, part
}

// place moves a ridge of half the resolution to the one of its four pixels that stands out most among those that are not
// even. It reports whether there is one: an even place needs no ridge, but a few even pixels in the middle of a faint
// stroke must not part it.
func (s *onPaper) place(r *ridge) bool {
	x, y := 2*(int(r.i)%s.half.w), 2*(int(r.i)/s.half.w)
	d := r.c.sub(r.ground)
	var best int64
	r.wide = true
	at := -1
	for yy := y; yy <= min(y+1, s.h-1); yy++ {
		for xx := x; xx <= min(x+1, s.w-1); xx++ {
			if s.core[yy*s.w+xx] {
				continue
			}
			if v := s.at(yy*s.w + xx).sub(r.ground).dot(d); at < 0 || v > best {
				best, at = v, yy*s.w+xx
			}
		}
	}
	r.i = int32(at)
	return at >= 0
}

// How far apart, px, two ridges of one stroke may be, at full resolution and where one of them is wide.
const (
	linkFine = 2
	linkWide = 4
)

// linkRidges keeps the ridges that belong to a stroke, connected parts of enough pixels that stand out enough, and
// returns them with the number of each one's part. fine is scratch, all zero, one a pixel.
func linkRidges(rs []ridge, fine []int32, w, h int) ([]ridge, []int32) {
	// 1 + the ridge at each pixel, 0 for none; the wide ones, one in four pixels at most, by these four.
	hw, hh := (w+1)/2, (h+1)/2
	wide := make([]int32, hw*hh)
	for k := range rs {
		if i := int(rs[k].i); rs[k].wide {
			wide[i/w/2*hw+i%w/2] = int32(k + 1)
		} else {
			fine[i] = int32(k + 1)
		}
	}
	const open, refused = -1, -2
	part := make([]int32, len(rs))
	for k := range part {
		part[k] = open
	}
	parts := int32(0)
	var members []int32
	// join takes ridges of a row into the part that rise from the ground the way up does.
	join := func(row []int32, up vec) {
		for _, o := range row {
			if o > 0 && part[o-1] == open && up.dot(rs[o-1].c.sub(rs[o-1].ground)) > 0 {
				part[o-1] = parts
				members = append(members, o-1)
			}
		}
	}
	for k := range rs {
		if part[k] != open {
			continue
		}
		members = append(members[:0], int32(k))
		part[k] = parts
		top, mean := float32(0), float32(0)
		for m := 0; m < len(members); m++ {
			r := &rs[members[m]]
			mean += r.faint
			reach := linkWide
			if !r.wide {
				top = max(top, r.sure)
				reach = linkFine
			}
			x, y := int(r.i)%w, int(r.i)/w
			up := r.c.sub(r.ground)
			for yy := max(y-reach, 0); yy <= min(y+reach, h-1); yy++ {
				join(fine[yy*w+max(x-reach, 0):yy*w+min(x+reach, w-1)+1], up)
			}
			for yy := max(y-linkWide, 0) / 2; yy <= min(y+linkWide, h-1)/2; yy++ {
				join(wide[yy*hw+max(x-linkWide, 0)/2:yy*hw+min(x+linkWide, w-1)/2+1], up)
			}
		}
		n := len(members)
		if n >= shortRun && top >= 1 || n >= ridgeRun && top >= shortShare || n >= longRun && mean >= longShare*float32(n) {
			parts++
			continue
		}
		for _, m := range members {
			part[m] = refused
		}
	}
	var out []ridge
	var outPart []int32
	for k := range rs {
		if part[k] != refused {
			out, outPart = append(out, rs[k]), append(outPart, part[k])
		}
	}
	return out, outPart
}

// dropBeside drops the wide ridges that lie beside a fine one: they would only thicken the stroke.
func dropBeside(rs []ridge, part []int32, w, h int) ([]ridge, []int32) {
	const beside = 3 // px
	fine := large.Make[bool](w * h)
	for k := range rs {
		if !rs[k].wide {
			fine[rs[k].i] = true
		}
	}
	n := 0
	for k := range rs {
		if rs[k].wide && anyWithin(fine, w, h, int(rs[k].i), beside) {
			continue
		}
		rs[n], part[n] = rs[k], part[k]
		n++
	}
	return rs[:n], part[:n]
}

func anyWithin(m []bool, w, h, i, reach int) bool {
	x, y := i%w, i/w
	for yy := max(y-reach, 0); yy <= min(y+reach, h-1); yy++ {
		for _, v := range m[yy*w+max(x-reach, 0) : yy*w+min(x+reach, w-1)+1] {
			if v {
				return true
			}
		}
	}
	return false
}

// inkBlack is the light of the blackest ink, in 1/65535: 0.3 % of the paper's. The sheet's black point is taken off already.
// inkSpare is how far below none noise and glare may make a channel seem.
const (
	inkBlack = 200
	inkSpare = glare * 65535
)

// undoBlur fills in the full colour of the ridges as pix, R,G,B,A, shows them, blurred by blur px (0: not known). A
// stroke of width v and contrast c, blurred by an edge spread of standard deviation σ, has the profile's area c·v and in
// its middle the height c·erf(v / (2√2 σ)); their ratio gives v, and so how much of the ink's own contrast is left. Below
// about 1.5 σ the ratio no longer tells widths apart, and the width is taken for that.
func (s *onPaper) undoBlur(rs []ridge, pix []uint8, blur float64) {
	const usual = 0.6 // px, where the blur is not known
	if blur <= 0 {
		blur = usual
	}
	left := blurTable(math.Sqrt(blur*blur + 1.0/12)) // the pixel's box counts too
	parallel(bandCount(len(rs)), s.workers, func(band int) {
		for k := band * bandRows; k < min((band+1)*bandRows, len(rs)); k++ {
			r := &rs[k]
			x, y := int(r.i)%s.w, int(r.i)/s.w
			c := lightOf(pix[4*r.i : 4*r.i+3 : 4*r.i+3])
			r.full = c
			if r.wide {
				continue
			}
			way := ridgeWays[r.way]
			j := 4 * ((y+way[1]*int(r.far))*s.w + x + way[0]*int(r.far))
			g := lightOf(pix[j : j+3 : j+3])
			area, peak := s.profile(pix, x, y, way, c, g)
			if way[0] != 0 && way[1] != 0 {
				area *= math.Sqrt2
			}
			more := peak / left[min(int(area/peak*blurSteps), len(left)-1)]
			// Where one channel that tells them apart has no light left the others get no darker either, or the hue is lost.
			deepest := max(g.r-c.r, g.g-c.g, g.b-c.b)
			limit := func(c, g int32) {
				if d := g - c; d > 0 && 2*d >= deepest {
					more = min(more, max(1, (float64(g)+inkSpare)/float64(d)))
				}
			}
			limit(c.r, g.r)
			limit(c.g, g.g)
			limit(c.b, g.b)
			of := func(c, g int32) int32 {
				return int32(min(max(float64(g)+float64(float64(c-g)*more), 0), 65535))
			}
			r.full = light{of(c.r, g.r), of(c.g, g.g), of(c.b, g.b)}
		}
	})
}

// profile adds up the shares of c over ground g across a stroke, c's own place counting 1, in steps along way; peak is
// the share in the stroke's middle, which may lie between pixels (vertex of a parabola through three).
func (s *onPaper) profile(pix []uint8, x, y int, way [2]int, c, g light) (area, peak float64) {
	const (
		reach = 6    // steps either side
		none  = 0.02 // share below which the stroke has ended
		rise  = 0.12 // increase of the share that announces another stroke
	)
	area, peak = 1, 1
	ur, ug, ub := float64(c.r-g.r), float64(c.g-g.g), float64(c.b-g.b)
	uu := float64(ur*ur) + float64(ug*ug) + float64(ub*ub)
	if uu == 0 {
		return area, peak
	}
	var beside [2]float64
	for n, side := range [2]int{1, -1} {
		last := 1.0
		for k := 1; k <= reach; k++ {
			px, py := x+side*k*way[0], y+side*k*way[1]
			if px < 0 || py < 0 || px >= s.w || py >= s.h {
				break
			}
			j := 4 * (py*s.w + px)
			p := lightOf(pix[j : j+3 : j+3])
			share := (float64(ur*float64(p.r-g.r)) + float64(ug*float64(p.g-g.g)) + float64(ub*float64(p.b-g.b))) / uu
			if share < none || share > last+rise {
				break
			}
			share = math.Min(share, 1.2)
			if k == 1 {
				beside[n] = share
			}
			area += share
			last = share
		}
	}
	a, b := beside[0], beside[1]
	if bend := 2 - a - b; bend > 0 && a <= 1 && b <= 1 {
		peak += (a - b) * (a - b) / (8 * bend)
	}
	return area, peak
}

// blurSteps is the number of entries a px of the table.
const blurSteps = 32

// blurTable returns, by the ratio of a blurred stroke's area and height in px, the share of the ink's contrast that is
// left in the stroke's middle, for an edge spread of sigma px.
func blurTable(sigma float64) []float64 {
	const narrowest = 1.5 // width in sigmas from which on ratios tell widths apart
	t := make([]float64, int(8*sigma*blurSteps)+2)
	v := narrowest * sigma
	height := func(v float64) float64 { return math.Erf(v / (2 * math.Sqrt2 * sigma)) }
	for k := range t {
		ratio := float64(k) / blurSteps
		for v/height(v) < ratio {
			v += sigma / 64
		}
		t[k] = height(v)
	}
	return t
}
