package paper

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"pochoir/fit"
	"pochoir/quantize/large"
)

// This file finds the light that falls on the paper: picture = reflectance × light in linear light, so that dividing by
// the light leaves paper at 1 and inks at their true colour. The light is known where bare paper is seen and spans the
// rest like a skin. It works on logarithms, on cells of a reduced picture.

const (
	cellLow   = 2 // reduced pixels across a cell
	closeLow  = 2 // reduced pixels: the closing takes out marks up to 2·closeLow wide, such as pen strokes
	flatStep  = 0.045
	sameStep  = 0.03  // steps of logarithm smaller than this in every channel part one surface from itself
	perCell   = 0.004 // and this much more for each cell that the boundary is wide
	reachCell = 8     // cells: how wide a boundary may be and still have two sides
	// A shadow is darker by up to minShadow..maxShadow and much alike in all channels (sky light is bluer than a lamp).
	minShadow, maxShadow = 0.05, 1.25
	shadowHue            = 0.06
	shadowHueShare       = 0.15
	// Beyond a fold the light falls at another angle: less than the edge of a sheet steps.
	foldStep = deskStep
)

// lightMap is the light on a picture by cells.
type lightMap struct {
	w, h   int
	cell   int     // px of the picture across a cell
	gain   *field  // by which linear light is multiplied so that paper becomes 1
	valid  []bool  // cells of the sheet
	paper  []bool  // cells that show bare paper throughout
	bare   []bool  // cells with nothing at all on the paper, around them neither
	erase  []bool  // cells that are desk, hand or sheet edge
	erased float64 // share of the cells that are erased
	span   float64 // brightest over darkest light
	level  float64 // median light, 1 is a level of 255
	shadow bool
}

// surface is a connected set of cells without an edge between them.
type surface struct {
	n      int // cells
	rim    int // of these at the rim of the sheet
	level  [3]float64
	paper  bool
	shadow bool
}

// findLight finds the light on low, the picture reduced by f, given its levels by cells. The sheet's corners in pixels of
// the picture are given when it was found; what lies outside them is then left alone.
func (c crew) findLight(low, g *field, f int, sheet *[4]fit.Point) *lightMap {
	w, h := g.w, g.h
	m := &lightMap{w: w, h: h, cell: f * cellLow}
	valid, depth := m.inside(c, sheet)
	paper := m.findPaper(c, g, valid, depth)
	if sheet == nil {
		if desk := findDesk(g, mask{w, h, paper.known}); desk.count() > 0 {
			valid, depth = m.beside(desk)
			paper = m.findPaper(c, g, valid, depth)
		}
	}
	m.finish(c, low, paper, valid, sheet != nil)
	return m
}

// bareMap is where bare paper is seen.
type bareMap struct {
	known  []bool // cells that show nothing else
	level  *field // the light there, spanned over all
	shadow bool   // some of it lies in a shadow that comes in over the rim
}

// findPaper parts the valid cells into surfaces and finds those that show bare paper.
func (m *lightMap) findPaper(c crew, g *field, valid []bool, depth []float32) (p bareMap) {
	w, h := m.w, m.h
	label, surf := surfaces(g, c.flatCells(g, valid), depth)
	src := spreadLabels(label, valid, w, h)
	choosePaper(surf, boundaries(g, label, src, len(surf), w, h))
	p.known = large.Make[bool](w * h)
	for i, l := range label {
		p.known[i] = l >= 0 && surf[l].paper
	}
	m.bridgeShadows(g, p.known, src, valid, surf)
	p.level = c.span(g, p.known, w, h)
	// Surfaces out of reach of the first ones that agree with the light there, and boundary cells that do.
	for range 2 {
		m.addAgreeing(c, g, p.level, label, src, surf, valid, p.known)
		p.level = c.span(g, p.known, w, h)
	}
	for _, s := range surf {
		p.shadow = p.shadow || s.shadow
	}
	return p
}

// beside marks the cells that are no desk, and returns each one's distance from the rim of those, up to what counts as
// rim.
func (m *lightMap) beside(desk mask) (valid []bool, depth []float32) {
	depth = large.Make[float32](m.w * m.h)
	valid = desk.not().on
	for i := range depth {
		x, y := i%m.w, i/m.w
		depth[i] = float32(min(x, y, m.w-1-x, m.h-1-y))
	}
	for d, ring := range desk.rings(int(rimCells(m.w, m.h)), desk.not()) {
		for _, i := range ring {
			depth[i] = min(depth[i], float32(d))
		}
	}
	return valid, depth
}

// inside marks the cells whose middle lies in the sheet, and returns each one's distance from the rim in cells, up to
// what counts as rim.
func (m *lightMap) inside(c crew, sheet *[4]fit.Point) (valid []bool, depth []float32) {
	w, h := m.w, m.h
	valid, depth = large.Make[bool](w*h), large.Make[float32](w*h)
	var sides [4]straight
	if sheet != nil {
		for i, p := range sheet {
			n := sheet[(i+1)%4].Sub(p).Unit().Perp()
			sides[i] = straight{n.X, n.Y, n.Dot(p)}
		}
	}
	const skirt = 1.2 // cells along the edge of the sheet that may show what lies beneath
	c.rows(h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			for x := range w {
				d := float64(min(x, y, w-1-x, h-1-y))
				if sheet != nil {
					p := fit.Point{X: (float64(x) + 0.5) * float64(m.cell), Y: (float64(y) + 0.5) * float64(m.cell)}
					for _, s := range sides {
						d = math.Min(d, s.dist(p)/float64(m.cell)-skirt)
					}
				}
				valid[y*w+x], depth[y*w+x] = d >= 0, float32(d)
			}
		}
	})
	return valid, depth
}

// flatCells marks the cells over which the picture changes too slowly for an edge.
func (c crew) flatCells(g *field, valid []bool) []bool {
	w, h := g.w, g.h
	step := large.Make[float32](w * h)
	c.rows(h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			for x := range w {
				i := y*w + x
				a, b := 3*(i-min(x, 1)), 3*(i+min(w-1-x, 1))
				u, v := 3*(i-w*min(y, 1)), 3*(i+w*min(h-1-y, 1))
				for k := range 3 {
					step[i] = max(step[i], float32(math.Abs(float64(g.v[b+k]-g.v[a+k]))), float32(math.Abs(float64(g.v[v+k]-g.v[u+k]))))
				}
			}
		}
	})
	var some []float64
	for i := 0; i < len(step); i += 7 {
		if valid[i] {
			some = append(some, float64(step[i]))
		}
	}
	limit := flatStep
	if len(some) > 0 {
		limit = math.Min(2*flatStep, math.Max(flatStep, 5*nth(some, len(some)*3/10)))
	}
	flat := large.Make[bool](w * h)
	for i, s := range step {
		flat[i] = valid[i] && float64(s) < limit
	}
	return flat
}

// surfaces labels the 4-connected sets of flat cells; -1 elsewhere.
func surfaces(g *field, flat []bool, depth []float32) ([]int32, []surface) {
	w, h := g.w, g.h
	label := large.Make[int32](w * h)
	for i := range label {
		label[i] = -1
	}
	rimDepth := rimCells(w, h)
	var surf []surface
	var stack []int32
	for i := range label {
		if !flat[i] || label[i] >= 0 {
			continue
		}
		id := int32(len(surf))
		var s surface
		label[i] = id
		stack = append(stack[:0], int32(i))
		for len(stack) > 0 {
			j := int(stack[len(stack)-1])
			stack = stack[:len(stack)-1]
			s.n++
			if depth[j] < rimDepth {
				s.rim++
			}
			for k := range 3 {
				s.level[k] += float64(g.v[3*j+k])
			}
			x, y := j%w, j/w
			visit := func(q int) {
				if flat[q] && label[q] < 0 {
					label[q] = id
					stack = append(stack, int32(q))
				}
			}
			if x > 0 {
				visit(j - 1)
			}
			if x < w-1 {
				visit(j + 1)
			}
			if y > 0 {
				visit(j - w)
			}
			if y < h-1 {
				visit(j + w)
			}
		}
		for k := range 3 {
			s.level[k] /= float64(s.n)
		}
		surf = append(surf, s)
	}
	return label, surf
}

// rimCells is how many cells from the rim of the sheet on count as its rim, on a map of w×h.
func rimCells(w, h int) float32 { return float32(max(2, 0.06*float64(min(w, h)))) }

// spreadLabels gives every valid cell within reach of a surface the nearest cell of one, as an index; -1 where there is
// none.
func spreadLabels(label []int32, valid []bool, w, h int) []int32 {
	src := large.Make[int32](w * h)
	var front, next []int32
	for i := range src {
		src[i] = -1
		if label[i] >= 0 {
			src[i] = int32(i)
			front = append(front, int32(i))
		}
	}
	for range reachCell {
		next = next[:0]
		for _, i := range front {
			x, y := int(i)%w, int(i)/w
			visit := func(j int) {
				if src[j] < 0 && valid[j] {
					src[j] = src[i]
					next = append(next, int32(j))
				}
			}
			if x > 0 {
				visit(int(i) - 1)
			}
			if x < w-1 {
				visit(int(i) + 1)
			}
			if y > 0 {
				visit(int(i) - w)
			}
			if y < h-1 {
				visit(int(i) + w)
			}
		}
		front, next = next, front
	}
	return src
}

// boundary is what is known of where two surfaces meet.
type boundary struct {
	a, b int        // a < b
	n    int        // places
	step [3]float64 // median of level of b less level of a
	wide float64    // median width, cells
}

// boundaries lists where surfaces meet, ordered by a and b.
func boundaries(g *field, label, src []int32, n, w, h int) []boundary {
	type place struct {
		key  int64
		step [3]float32
		wide float32
	}
	var places []place
	look := func(i, j int) {
		s, t := src[i], src[j]
		if s < 0 || t < 0 || label[s] == label[t] {
			return
		}
		if label[s] > label[t] {
			s, t = t, s
		}
		var p place
		p.key = int64(label[s])*int64(n) + int64(label[t])
		for k := range 3 {
			p.step[k] = g.v[3*int(t)+k] - g.v[3*int(s)+k]
		}
		p.wide = float32(math.Hypot(float64(int(s)%w-int(t)%w), float64(int(s)/w-int(t)/w)))
		places = append(places, p)
	}
	for y := range h {
		for x := range w {
			i := y*w + x
			if x+1 < w {
				look(i, i+1)
			}
			if y+1 < h {
				look(i, i+w)
			}
		}
	}
	slices.SortStableFunc(places, func(a, b place) int { return cmp.Compare(a.key, b.key) })
	var out []boundary
	var vals []float64
	for i := 0; i < len(places); {
		j := i
		for j < len(places) && places[j].key == places[i].key {
			j++
		}
		b := boundary{a: int(places[i].key / int64(n)), b: int(places[i].key % int64(n)), n: j - i}
		for k := range 4 {
			vals = vals[:0]
			for _, p := range places[i:j] {
				if k < 3 {
					vals = append(vals, float64(p.step[k]))
				} else {
					vals = append(vals, float64(p.wide))
				}
			}
			if mid := nth(vals, len(vals)/2); k < 3 {
				b.step[k] = mid
			} else {
				b.wide = mid
			}
		}
		out = append(out, b)
		i = j
	}
	return out
}

// choosePaper decides which surfaces are bare paper: the one with most of the rim, weighed by its light, and all that
// are as light as a neighbour that is paper, or as light but for a fold, or a shadow that comes in over the rim.
func choosePaper(surf []surface, pairs []boundary) {
	best, bestScore := -1, 0.0
	for i, s := range surf {
		light := (s.level[0] + s.level[1] + s.level[2]) / 3
		if v := (float64(s.rim) + 0.15*float64(s.n)) * math.Exp(1.5*light); v > bestScore {
			best, bestScore = i, v
		}
	}
	if best < 0 {
		return
	}
	surf[best].paper = true
	total := 0
	for _, s := range surf {
		total += s.n
	}
	for changed := true; changed; {
		changed = false
		for _, p := range pairs {
			if surf[p.a].paper == surf[p.b].paper {
				continue
			}
			other, sign := p.b, 1.0
			if surf[p.b].paper {
				other, sign = p.a, -1
			}
			s := &surf[other]
			if p.n < min(4, s.n) {
				continue
			}
			mean := sign * (p.step[0] + p.step[1] + p.step[2]) / 3
			lo := min(p.step[0], p.step[1], p.step[2])
			hi := max(p.step[0], p.step[1], p.step[2])
			tol := sameStep + perCell*p.wide
			same := lo > -tol && hi < tol
			shadow := s.rim > 0 && s.rim*8 > s.n/4 && s.n > total/100 &&
				mean < -minShadow && mean > -maxShadow && hi-lo < shadowHue-shadowHueShare*mean
			fold := s.rim > 0 && s.n > total/100 && math.Abs(mean) < foldStep && hi-lo < shadowHue
			if same || fold || shadow {
				s.paper, s.shadow = true, shadow && !same && !fold
				changed = true
			}
		}
	}
}

// bridgeShadows adds the cells in which the light of a paper surface changes to that of another, as at the edge of a
// shadow: between the two in every channel, where an ink line would be darker than both.
func (m *lightMap) bridgeShadows(g *field, known []bool, src []int32, valid []bool, surf []surface) {
	any := false
	for _, s := range surf {
		any = any || s.shadow
	}
	if !any {
		return
	}
	const reach, slack = 5, 0.03
	w, h := m.w, m.h
	add := large.Make[bool](w * h)
	for y := range h {
		for x := range w {
			i := y*w + x
			if known[i] || !valid[i] || src[i] < 0 || !known[src[i]] {
				continue
			}
			var lo, hi [3]float32
			n := 0
			for yy := max(0, y-reach); yy <= min(h-1, y+reach); yy++ {
				for xx := max(0, x-reach); xx <= min(w-1, x+reach); xx++ {
					j := yy*w + xx
					if !known[j] {
						continue
					}
					for k := range 3 {
						v := g.v[3*j+k]
						if n == 0 || v < lo[k] {
							lo[k] = v
						}
						if n == 0 || v > hi[k] {
							hi[k] = v
						}
					}
					n++
				}
			}
			ok := n > 0
			for k := range 3 {
				v := g.v[3*i+k]
				ok = ok && v > lo[k]-slack && v < hi[k]+slack
			}
			add[i] = ok
		}
	}
	for i, a := range add {
		known[i] = known[i] || a
	}
}

// addAgreeing makes paper of surfaces that agree with the light spanned so far, and of boundary cells between paper that
// do.
func (m *lightMap) addAgreeing(c crew, g, level *field, label, src []int32, surf []surface, valid, known []bool) {
	const slack = 0.03
	var off [3][]float64
	for k := range off {
		off[k] = make([]float64, len(surf))
	}
	c.each(3, func(k int) {
		sums := off[k]
		for i, l := range label {
			if l >= 0 {
				sums[l] += float64(g.v[3*i+k]-level.v[3*i+k]) / float64(surf[l].n)
			}
		}
	})
	for l := range surf {
		if max(math.Abs(off[0][l]), math.Abs(off[1][l]), math.Abs(off[2][l])) < slack {
			surf[l].paper = true
		}
	}
	c.rows(m.h, func(y0, y1 int) {
		for i := y0 * m.w; i < y1*m.w; i++ {
			switch l := label[i]; {
			case l >= 0:
				known[i] = known[i] || surf[l].paper
			case valid[i] && src[i] >= 0 && surf[label[src[i]]].paper:
				ok := true
				for k := range 3 {
					ok = ok && math.Abs(float64(g.v[3*i+k]-level.v[3*i+k])) < slack
				}
				known[i] = known[i] || ok
			}
		}
	})
}

// span returns the level of the known cells continued over all others: a quadratic through the known ones, and what is
// left of them as a membrane (Laplace's equation, solved from coarse to fine).
func (c crew) span(g *field, known []bool, w, h int) *field {
	bend, rest := newField(w, h), newField(w, h)
	q := c.quadratic(g, known)
	xs, ys := unitSteps(w), unitSteps(h)
	c.rows(h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			for x := range w {
				i, x, y := y*w+x, xs[x], ys[y]
				for k := range q {
					p := &q[k]
					b := float32(p[0] + float64(p[1]*x) + float64(p[2]*y) + float64(p[3]*x*x) + float64(p[4]*x*y) + float64(p[5]*y*y))
					bend.v[3*i+k] = b
					if known[i] {
						rest.v[3*i+k] = g.v[3*i+k] - b
					}
				}
			}
		}
	})
	c.membrane(rest, known)
	c.rows(h, func(y0, y1 int) {
		for i := 3 * y0 * w; i < 3*y1*w; i++ {
			bend.v[i] = rest.v[i] + bend.v[i]
		}
	})
	return bend
}

// unitSteps returns the places of n cells in a row, from -1 on to 1.
func unitSteps(n int) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = 2*float64(i)/float64(n) - 1
	}
	return v
}

// moments returns the sums, over the known cells, of k times 1, x, y, x², xy and y², where k is what weigh fills in for
// the cells of a row.
func moments(known []bool, xs, ys []float64, weigh func(k []float64, row int)) [6]float64 {
	var s0, s1, s2, s3, s4, s5 float64
	weights := make([]float64, len(xs))
	for row, y := range ys {
		weigh(weights, row)
		known, xs := known[row*len(weights):][:len(weights)], xs[:len(weights)]
		for i, k := range weights {
			if !known[i] {
				continue
			}
			x := xs[i]
			s0 += k
			s1 += float64(k * x)
			s2 += float64(k * y)
			s3 += float64(k * float64(x*x))
			s4 += float64(k * float64(x*y))
			s5 += float64(k * float64(y*y))
		}
	}
	return [6]float64{s0, s1, s2, s3, s4, s5}
}

// quadratic fits c0 + c1·x + c2·y + c3·x² + c4·xy + c5·y², x and y in [-1,1], to the known cells of each channel; with
// few known cells only the mean.
func (c crew) quadratic(g *field, known []bool) (q [3][6]float64) {
	w, h := g.w, g.h
	n := 0
	for _, ok := range known {
		if ok {
			n++
		}
	}
	if n == 0 {
		return q
	}
	if n < w*h/10 || n < 50 { // too little of the sheet to bend a surface by
		for i, ok := range known {
			if ok {
				for k := range 3 {
					q[k][0] += float64(g.v[3*i+k]) / float64(n)
				}
			}
		}
		return q
	}
	ata := mat.NewSymDense(6, nil)
	atb := mat.NewDense(6, 3, nil)
	xs, ys := unitSteps(w), unitSteps(h)
	var m [7][6]float64 // moments of 1, x², xy, y² and of each channel
	c.each(len(m), func(t int) {
		m[t] = moments(known, xs, ys, func(k []float64, row int) {
			y := ys[row]
			switch t {
			case 0:
				for i := range k {
					k[i] = 1
				}
			case 1:
				for i, x := range xs {
					k[i] = x * x
				}
			case 2:
				for i, x := range xs {
					k[i] = x * y
				}
			case 3:
				for i := range k {
					k[i] = y * y
				}
			default:
				for i := range k {
					k[i] = float64(g.v[3*(row*w+i)+t-4])
				}
			}
		})
	})
	one, xx, xy, yy := &m[0], &m[1], &m[2], &m[3]
	s := [6][6]float64{
		*one,
		{1: one[3], one[4], xx[1], xy[1], yy[1]},
		{2: one[5], xx[2], xy[2], yy[2]},
		{3: xx[3], xx[4], xx[5]},
		{4: xy[4], xy[5]},
		{5: yy[5]},
	}
	t := m[4:]
	for a := range 6 {
		for b := a; b < 6; b++ {
			ata.SetSym(a, b, s[a][b])
		}
		atb.SetRow(a, []float64{t[0][a], t[1][a], t[2][a]})
		// A trace of damping keeps a thin strip of paper from bending the rest.
		ata.SetSym(a, a, s[a][a]*(1+1e-4)+1e-6)
	}
	var ch mat.Cholesky
	var sol mat.Dense
	if !ch.Factorize(ata) || ch.SolveTo(&sol, atb) != nil {
		return [3][6]float64{}
	}
	for k := range 3 {
		for a := range 6 {
			q[k][a] = settled(sol.At(a, k))
		}
	}
	return q
}

// membrane fills the cells of o that are not known by Laplace's equation, rims free, those known held. The channels are
// worked on together: each waits for its last sample.
func (c crew) membrane(o *field, known []bool) {
	v, w, h := o.v, o.w, o.h
	if w > 3 && h > 3 {
		cw, ch := (w+1)/2, (h+1)/2
		coarse, ck := newField(cw, ch), make([]bool, cw*ch)
		c.rows(ch, func(y0, y1 int) {
			for y := y0; y < y1; y++ {
				for x := range cw {
					var s [3]float32
					var n float32
					for yy := 2 * y; yy < min(2*y+2, h); yy++ {
						for i := yy*w + 2*x; i < yy*w+min(2*x+2, w); i++ {
							if known[i] {
								n++
								p := v[3*i:][:3]
								s[0], s[1], s[2] = s[0]+p[0], s[1]+p[1], s[2]+p[2]
							}
						}
					}
					if n > 0 {
						ck[y*cw+x] = true
						p := coarse.v[3*(y*cw+x):][:3]
						p[0], p[1], p[2] = s[0]/n, s[1]/n, s[2]/n
					}
				}
			}
		})
		if slices.Contains(ck, false) {
			c.membrane(coarse, ck)
		}
		c.rows(h, func(y0, y1 int) {
			for y := y0; y < y1; y++ {
				for x := range w {
					i := y*w + x
					if known[i] {
						continue
					}
					// bilinear between the middles of coarse cells
					xa, ya := x/2, y/2
					xb, yb := min(cw-1, max(0, xa+2*(x&1)-1)), min(ch-1, max(0, ya+2*(y&1)-1))
					near, side := coarse.v[3*(ya*cw+xa):][:3], coarse.v[3*(ya*cw+xb):][:3]
					up, far := coarse.v[3*(yb*cw+xa):][:3], coarse.v[3*(yb*cw+xb):][:3]
					for k := range 3 {
						v[3*i+k] = float32(9*near[k])/16 + float32(3*(side[k]+up[k]))/16 + far[k]/16
					}
				}
			}
		})
	} else {
		var s [3]float32
		var n float32
		for i, ok := range known {
			if ok {
				n++
				for k := range s {
					s[k] += v[3*i+k]
				}
			}
		}
		for i, ok := range known {
			if !ok {
				for k := range s {
					v[3*i+k] = s[k] / max(1, n)
				}
			}
		}
	}
	const sweeps = 4 // to and fro
	relax(o, known, sweeps)
}

// relax sets each cell that is not known to the mean of its four neighbours, one after the other from the first to the last
// and back, so many times. Where there is no neighbour the cell itself counts.
func relax(o *field, known []bool, times int) {
	type run struct{ y, x0, x1 int } // of cells that are not known, both ends included
	var runs []run
	for y := range o.h {
		row := known[y*o.w : (y+1)*o.w]
		for x := 0; x < o.w; x++ {
			if row[x] {
				continue
			}
			x0 := x
			for x+1 < o.w && !row[x+1] {
				x++
			}
			runs = append(runs, run{y, x0, x})
		}
	}
	for range times {
		for _, r := range runs {
			o.relaxRun(r.y, r.x0, r.x1, 1)
		}
		for _, r := range slices.Backward(runs) {
			o.relaxRun(r.y, r.x1, r.x0, -1)
		}
	}
}

// relaxRun is relax for the cells of row y on the way from one to another, step being 1 or -1.
func (o *field) relaxRun(y, from, to, step int) {
	v, w := o.v, o.w
	up, down := 3*w*min(y, 1), 3*w*min(o.h-1-y, 1)
	i := 3 * (y*w + from)
	last := v[3*(y*w+min(max(from-step, 0), w-1)):][:3]
	a, b, c := last[0], last[1], last[2] // the one before, as the next waits for nothing else
	for x := from; x != to+step; x += step {
		j := i
		if x+step >= 0 && x+step < w {
			j += 3 * step
		}
		here, next, u, d := v[i:][:3], v[j:][:3], v[i-up:][:3], v[i+down:][:3]
		a = float32((a + next[0] + u[0] + d[0]) / 4)
		b = float32((b + next[1] + u[1] + d[1]) / 4)
		c = float32((c + next[2] + u[2] + d[2]) / 4)
		here[0], here[1], here[2] = a, b, c
		i = j
	}
}

// finish turns the level into gains, marks what is erased, and measures how uneven the light was.
func (m *lightMap) finish(c crew, low *field, p bareMap, valid []bool, straightened bool) {
	w, h := m.w, m.h
	level := p.level.smooth(c)
	m.paper, m.valid = p.known, valid
	m.gain = newField(w, h)
	c.rows(h, func(y0, y1 int) {
		for i := 3 * y0 * w; i < 3*y1*w; i++ {
			m.gain.v[i] = float32(math.Exp(-float64(level.v[i])))
		}
	})
	measured := c.beside(func() {
		light := make([]float64, 0, w*h/3+1)
		for i := 0; i < w*h; i += 3 {
			if valid[i] {
				light = append(light, float64(level.v[3*i]+level.v[3*i+1]+level.v[3*i+2])/3)
			}
		}
		m.span, m.level = 1, 1
		if len(light) > 0 {
			m.level = math.Exp(nth(light, len(light)/2))
			m.span = math.Exp(nth(light, len(light)*99/100) - nth(light, len(light)/100))
		}
	})
	m.normalise(c, low)
	measured()
	m.shadow = p.shadow
	m.erase = large.Make[bool](w * h)
	clean := m.clean(c, low)
	if !straightened {
		m.markDesk(clean)
	}
	m.markBare(c, clean)
}

// normalise scales the gains so that the median of bare paper becomes 1 in each channel.
func (m *lightMap) normalise(c crew, low *field) {
	c.each(3, func(k int) {
		v := make([]float32, 0, m.w*m.h)
		for y := range m.h {
			row := low.v[3*y*cellLow*low.w:]
			for x, ok := range m.paper[y*m.w : (y+1)*m.w] {
				if ok {
					v = append(v, float32(row[3*x*cellLow+k]*m.gain.v[3*(y*m.w+x)+k]))
				}
			}
		}
		if len(v) == 0 {
			return
		}
		if med := nth(v, len(v)/2); med > 0 {
			for i := k; i < len(m.gain.v); i += 3 {
				m.gain.v[i] /= med
			}
		}
	})
}

// markDesk marks what is not valid, and what lies along it and nowhere else.
func (m *lightMap) markDesk(clean mask) {
	const grow = 3 // cells: the edge of a sheet is neither paper nor desk, and casts a shadow
	erased := mask{m.w, m.h, m.valid}.not().near(grow)
	for _, i := range crumbs(erased, clean).cells() {
		erased.on[i] = true
	}
	m.erase, m.erased = erased.on, float64(erased.count())/float64(m.w*m.h)
}
