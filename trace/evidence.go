package trace

import (
	"math"
	"slices"

	"pochoir/fit"
)

// This file rounds the corners of fitted curves that the pixels do not show. Samples are means over a pixel's width: about
// a corner there are few of them, and those of a round end may look like those of a point. The shares of the pixels tell
// them apart.

// lens looks at the pixels about a place of a curve between two colours.
type lens struct {
	e           *edges
	left, right uint8
	pixels      []lensPixel
	line        []fit.Point // the curve, flattened; its parts are set apart by a point that is no number
}

type lensPixel struct {
	x, y  int
	share float64 // of the colour at the right
}

// lensReach is how many pixels are looked at to either side of the one in the middle.
const lensReach = 2

// lens returns one for half k of the group.
func (g *group) lens(e *edges, k int) lens {
	h := g.halves[k]
	a := &e.m.Arcs[h.Arc()]
	l, r := e.m.Faces[a.Left].Label, e.m.Faces[a.Right].Label
	if h.Backwards() {
		l, r = r, l
	}
	return lens{e: e, left: l, right: r}
}

// focus reads the pixels about a place; it is false where there are other colours than the two.
func (l *lens) focus(at fit.Point) bool {
	x0, y0 := int(math.Floor(at.X)), int(math.Floor(at.Y))
	w, h := l.e.m.W, l.e.m.H
	for y := max(0, y0-lensReach); y <= min(h-1, y0+lensReach); y++ {
		for x := max(0, x0-lensReach); x <= min(w-1, x0+lensReach); x++ {
			i := y*w + x
			if c := l.e.flats.Labels[i]; c != l.left && c != l.right {
				return false
			}
			l.pixels = append(l.pixels, lensPixel{x, y, l.e.flats.Coverage(i, l.right, l.left)})
		}
	}
	return len(l.pixels) > 0
}

// flatten takes the parts of a curve about a place into the lens.
func (l *lens) flatten(path *fit.Path, at fit.Point) {
	const steps, reach = 6, lensReach + 3.0
	l.line = l.line[:0]
	joined := false
	for i := range path.Segments {
		s := &path.Segments[i]
		p := &s.P
		if min(p[0].X, p[1].X, p[2].X, p[3].X) > at.X+reach || max(p[0].X, p[1].X, p[2].X, p[3].X) < at.X-reach ||
			min(p[0].Y, p[1].Y, p[2].Y, p[3].Y) > at.Y+reach || max(p[0].Y, p[1].Y, p[2].Y, p[3].Y) < at.Y-reach {
			joined = false
			continue
		}
		if !joined {
			l.line = append(l.line, fit.Point{X: math.NaN()}, s.P[0])
			joined = true
		}
		if s.Line {
			l.line = append(l.line, s.P[3])
			continue
		}
		for k := 1; k <= steps; k++ {
			l.line = append(l.line, s.At(float64(k)/steps))
		}
	}
}

// rightOf reports whether a place lies at the right of the curve in the lens, and how far off it is, squared.
func (l *lens) rightOf(q fit.Point) (right bool, dist2 float64) {
	// Where a joint is nearest, the part tells that sees it from further aside.
	const same = 1e-9
	best, most := math.Inf(1), 0.0
	for k := 1; k < len(l.line); k++ {
		a, b := l.line[k-1], l.line[k]
		u := b.Sub(a)
		n := u.Dot(u)
		if !(n > 0) { // nothing, or no number
			continue
		}
		v := q.Sub(a)
		t := max(0, min(1, v.Dot(u)/n))
		d := v.Sub(u.Mul(t))
		dist := d.Dot(d)
		if dist > best+same {
			continue
		}
		cross := u.Cross(v)
		if aside := math.Abs(cross) / math.Sqrt(n); dist < best-same || aside > most {
			best, most, right = dist, aside, cross > 0
		}
	}
	return right, best
}

// misses appends by how much a curve misses each of the pixels about a place to dst.
func (l *lens) misses(dst []float64, path *fit.Path, at fit.Point) []float64 {
	l.flatten(path, at)
	const n = 4
	for _, p := range l.pixels {
		hits := 0
		if right, dist2 := l.rightOf(fit.Point{X: float64(p.x) + 0.5, Y: float64(p.y) + 0.5}); dist2 > 0.5 { // the curve is elsewhere
			share := 0.0
			if right {
				share = 1
			}
			dst = append(dst, share-p.share)
			continue
		}
		for k := range n * n {
			if right, _ := l.rightOf(fit.Point{X: float64(p.x) + (float64(k%n)+0.5)/n, Y: float64(p.y) + (float64(k/n)+0.5)/n}); right {
				hits++
			}
		}
		dst = append(dst, float64(hits)/(n*n)-p.share)
	}
	return dst
}

// missOf returns by how much a curve misses the pixels about a place: the sum of the squares.
func (l *lens) missOf(path *fit.Path, at fit.Point) float64 {
	var sum float64
	for _, d := range l.misses(nil, path, at) {
		sum += float64(d * d)
	}
	return sum
}

// sharpest returns by how much any corner in the place of that between segments i and j of a curve must miss the pixels, and
// where the best one lies. Its place and the directions of its arms are sought by Gauss and Newton's method.
func (l *lens) sharpest(path *fit.Path, i, j int) (miss float64, place fit.Point) {
	try := fit.Path{Segments: []fit.Segment{path.Segments[i], path.Segments[j]}}
	a, b := &try.Segments[0], &try.Segments[1]
	at := b.P[0]
	left, right := armOf(path.Segments[i].Reverse()), armOf(path.Segments[j])
	type shape [4]float64 // by how far the corner moves along x and y, px; by how much the arms turn, as a tangent
	put := func(v shape) {
		*a, *b = path.Segments[i], path.Segments[j]
		a.Line, b.Line = false, false
		d := fit.Point{X: v[0], Y: v[1]}
		for k := range 4 {
			a.P[k] = a.P[k].Add(d.Mul(float64(k) / 3))
			b.P[k] = b.P[k].Add(d.Mul(float64(3-k) / 3))
		}
		a.P[2] = a.P[2].Add(left.Perp().Mul(v[2]))
		b.P[1] = b.P[1].Add(right.Perp().Mul(v[3]))
	}
	const furthest, turns = 1.5, 6 // px; steps
	step, stride := shape{0.2, 0.2, 0.1, 0.1}, shape{0.5, 0.5, 0.3, 0.3}
	best, p, q := math.Inf(1), shape{}, shape{}
	var r, moved []float64
	var slopes [4][]float64
	for range turns {
		put(q)
		r = l.misses(r[:0], &try, at)
		sum := 0.0
		for _, v := range r {
			sum += float64(v * v)
		}
		if sum >= best { // too far
			for k := range q {
				q[k] = p[k] + 0.4*(q[k]-p[k])
			}
			continue
		}
		p, best = q, sum
		if best < lensSeen/4 {
			break
		}
		for k := range slopes {
			v := q
			v[k] += step[k]
			put(v)
			moved = l.misses(moved[:0], &try, at)
			slopes[k] = slopes[k][:0]
			for x := range r {
				slopes[k] = append(slopes[k], (moved[x]-r[x])/step[k])
			}
		}
		var m [4][5]float64
		for x := range m {
			for y := range m {
				for n := range r {
					m[x][y] += float64(slopes[x][n] * slopes[y][n])
				}
			}
			for n := range r {
				m[x][4] -= float64(slopes[x][n] * r[n])
			}
			m[x][x] += 0.02 // what the pixels do not tell stays as it is
		}
		d := eliminate(m)
		for k := range q {
			q[k] += max(-stride[k], min(stride[k], d[k]))
		}
		if math.Hypot(q[0], q[1]) > furthest {
			break
		}
	}
	return best, at.Add(fit.Point{X: p[0], Y: p[1]})
}

// armOf returns the handle at the beginning of a segment, or a third of it where there is none.
func armOf(s fit.Segment) fit.Point {
	if d := s.P[1].Sub(s.P[0]); d.Len() > 0.1 {
		return d
	}
	return s.P[3].Sub(s.P[0]).Mul(1.0 / 3)
}

// eliminate solves four linear equations, a positive definite matrix and its right side.
func eliminate(m [4][5]float64) (x [4]float64) {
	for k := range m {
		for i := k + 1; i < 4; i++ {
			f := m[i][k] / m[k][k]
			for j := k; j < 5; j++ {
				m[i][j] -= float64(f * m[k][j])
			}
		}
	}
	for k := 3; k >= 0; k-- {
		x[k] = m[k][4]
		for j := k + 1; j < 4; j++ {
			x[k] -= float64(m[k][j] * x[j])
		}
		x[k] /= m[k][k]
	}
	return x
}

// sharp is a corner of a fitted curve.
type sharp struct {
	at, in, out fit.Point
	before, seg int // the segments that meet in it
	lens        lens
	miss        float64 // of the pixels about it; 0 where they cannot be read
	doubt       *doubt
}

// doubt is a corner that the pixels do not show.
type doubt struct {
	corner *sharp
	least  float64    // by how much the pixels miss the best of all corners there
	seat   *fit.Point // where the pixels show a corner instead, nil for nowhere
	mate   *doubt     // for a corner that goes where another one of the same end does: that one
	good   bool       // the curve without it, as tried last
}

const (
	// lensTurn is the cosine of the turn from which on a joint is a corner that is looked at.
	lensTurn = 0.7
	// lensDoubt is the sum of squares from which on a corner is doubted, lensForeign that from which on there must be
	// another curve in the lens.
	lensDoubt, lensForeign = 0.12, 1.2
	// lensSeen is the sum up to which a corner is as good as seen.
	lensSeen = 0.06
	// lensFloor is what the lens itself misses.
	lensFloor = 0.02
	// lensBetter is the share of a sum that another one must stay below to be better.
	lensBetter = 0.5
	// leastSeat is how far a corner must lie from where the pixels show it to be moved there, px.
	leastSeat = 0.2
	// freshSum is by how much the distances of the samples may grow where a curve is fitted again, px in all.
	freshSum = 1.0
	// lensRounder is the share of what the best corner misses that a smooth curve in its place must stay below.
	lensRounder = 0.25
	// lensMates is how far apart the corners of one end are at most, px.
	lensMates = 4.5
)

func better(a, b float64) bool { return a+lensFloor < lensBetter*(b+lensFloor) }

// sharps lists the corners of the curve, with doubts where the pixels give reason for them.
func (g *group) sharps(e *edges) (all []sharp, doubts int) {
	n := len(g.path.Segments)
	half := 0
	for j := range n {
		for half+1 < len(g.halves) && g.cuts[half+1] <= float64(j) {
			half++
		}
		if j == 0 && !g.closed {
			continue
		}
		i := (j + n - 1) % n
		in, out := g.path.Segments[i].Deriv(1).Unit(), g.path.Segments[j].Deriv(0).Unit()
		if in.Dot(out) > lensTurn {
			continue
		}
		c := sharp{at: g.path.Segments[j].P[0], in: in, out: out, before: i, seg: j, lens: g.lens(e, half)}
		if c.lens.focus(c.at) {
			c.miss = c.lens.missOf(&g.path, c.at)
		}
		all = append(all, c)
	}
	for k := range all {
		if c := &all[k]; c.miss > lensDoubt && c.miss < lensForeign {
			switch least, place := c.lens.sharpest(&g.path, c.before, c.seg); {
			case least > lensSeen:
				c.doubt = &doubt{corner: c, least: min(least, c.miss)}
				doubts++
			case better(least, c.miss) && place.Sub(c.at).Len() > leastSeat:
				c.doubt = &doubt{corner: c, least: least, seat: &place}
				doubts++
			}
		}
	}
	// An end drawn with two corners is round with neither of them.
	for k := range all {
		c := &all[k]
		if c.doubt == nil || c.doubt.mate != nil {
			continue
		}
		for _, o := range [2]*sharp{&all[(k+len(all)-1)%len(all)], &all[(k+1)%len(all)]} {
			joined := o.before == c.seg || c.before == o.seg
			if o.doubt == nil && o.miss > 0 && joined && c.at.Sub(o.at).Len() < lensMates && c.in.Cross(c.out)*o.in.Cross(o.out) > 0 {
				o.doubt = &doubt{corner: o, mate: c.doubt}
			}
		}
	}
	return all, doubts
}

// seat moves corners to where the pixels show them: fits the curve again with samples and tips there, and leaves out what
// does not come out better.
func (g *group) seat(e *edges, run []fit.Sample, starts []int, nodes []fit.Point, opt fit.Options) {
	all, _ := g.sharps(e)
	var seats []*sharp
	for k := range all {
		if d := all[k].doubt; d != nil && d.seat != nil {
			seats = append(seats, &all[k])
		}
	}
	old := *g
	for len(seats) > 0 {
		more, with, from := slices.Clone(run), opt, slices.Clone(starts)
		with.Tips = slices.Clone(with.Tips)
		for _, c := range seats {
			place := *c.doubt.seat
			with.Tips = append(with.Tips, fit.Tip{At: place, Out: c.in.Sub(c.out).Unit(), End: fit.Pointed, Reach: blunted})
			at := 0
			for k := range more {
				if more[k].Sub(c.at).Len() < more[at].Sub(c.at).Len() {
					at = k
				}
			}
			if more[at].Sub(place).Dot(c.in) < 0 { // it lies behind the nearest
				at++
			}
			more = slices.Insert(more, at, fit.Sample{Point: place, Weight: 1})
			for k := range from {
				if from[k] >= at && k > 0 {
					from[k]++
				}
			}
		}
		start, end := g.ends(e.m, nodes)
		g.path = fit.Curve(more, g.closed, start, end, with)
		kept := seats[:0:0]
		for _, c := range seats {
			if now := c.lens.missOf(&g.path, c.at); better(now, c.miss) {
				kept = append(kept, c)
			}
		}
		if len(kept) < len(seats) {
			g.path, seats = old.path, kept
			continue
		}
		if corners(&g.path) > corners(&old.path) || offBy(run, g.path.Segments) > offBy(run, old.path.Segments)+freshSum || !g.place(e.m, more, from, nodes) {
			*g = old
		}
		return
	}
}

// hold rounds the corners of the curve that the pixels show to be round. Only what lies between the corners beside them is fitted again.
func (g *group) hold(e *edges, run []fit.Sample, starts []int, nodes []fit.Point, opt fit.Options) {
	if !g.ok || !e.seen || g.lossy(e) {
		return
	}
	all, doubts := g.sharps(e)
	if doubts == 0 {
		return
	}
	old := *g
	firm := slices.IndexFunc(all, func(c sharp) bool { return c.doubt == nil })
	switch {
	case g.closed && firm < 0:
		of := make([]*doubt, len(all))
		for k := range all {
			of[k] = all[k].doubt
		}
		if path, ok := settle(of, corners(&g.path), opt, func(opt fit.Options) fit.Path { return fit.Curve(run, true, fit.Point{}, fit.Point{}, opt) }); ok && offBy(run, path.Segments) <= offBy(run, g.path.Segments)+freshSum {
			g.path = path
		}
	case g.closed: // it may begin anywhere
		begin, n := all[firm].seg, len(g.path.Segments)
		g.path.Segments = slices.Concat(g.path.Segments[begin:], g.path.Segments[:begin])
		all = slices.Concat(all[firm:], all[:firm])
		for k := range all {
			all[k].seg = (all[k].seg - begin + n) % n
		}
		g.path = g.respan(all, run, opt)
	default:
		g.path = g.respan(all, run, opt)
	}
	if g.ok = g.place(e.m, run, starts, nodes); !g.ok {
		*g = old
	}
	g.seat(e, run, starts, nodes, opt)
}

// respan returns the curve with its spans between firm corners fitted again where there are doubtful ones within. A closed
// curve must begin in a firm corner.
func (g *group) respan(all []sharp, run []fit.Sample, opt fit.Options) fit.Path {
	n := len(g.path.Segments)
	type span struct {
		from, to int // segments, to beyond the last one
		of       []*doubt
	}
	var spans []span
	s := span{}
	for k := range all {
		c := &all[k]
		switch {
		case c.doubt != nil:
			s.of = append(s.of, c.doubt)
		case c.seg > s.from:
			s.to = c.seg
			spans = append(spans, s)
			s = span{from: c.seg}
		}
	}
	s.to = n
	spans = append(spans, s)
	at := append(g.nearest(run), -1)
	path := fit.Path{Closed: g.path.Closed, Segments: g.path.Segments}
	for k := len(spans) - 1; k >= 0; k-- { // those before keep their places
		s := &spans[k]
		lo, hi := at[s.from], at[s.to]
		if hi < 0 {
			hi = len(run) - 1
			if g.closed {
				hi = at[0]
			}
		}
		if len(s.of) == 0 || lo == hi {
			continue
		}
		if hi < lo {
			hi += len(run)
		}
		part := make([]fit.Sample, 0, hi-lo+1)
		for i := lo; i <= hi; i++ {
			part = append(part, run[i%len(run)])
		}
		before, after := path.Segments[:s.from], path.Segments[s.to:]
		start, end := g.path.Segments[s.from].P[0], g.path.Segments[s.to-1].P[3]
		whole := func(p fit.Path) fit.Path {
			return fit.Path{Closed: path.Closed, Segments: slices.Concat(before, p.Segments, after)}
		}
		p, ok := settle(s.of, corners(&path), opt, func(opt fit.Options) fit.Path { return whole(fit.Curve(part, false, start, end, opt)) })
		now, old := p.Segments[s.from:len(p.Segments)-len(after)], g.path.Segments[s.from:s.to]
		if ok && !leaves(now, old) && offBy(part, now) <= offBy(part, old)+freshSum {
			path = p
		}
	}
	return path
}

// corners counts the joints of a curve that are not smooth.
func corners(path *fit.Path) int {
	const smooth = 0.998 // cosine
	n, last := 0, len(path.Segments)-1
	for k := range path.Segments {
		if k == last && !path.Closed {
			break
		}
		if path.Segments[k].Deriv(1).Unit().Dot(path.Segments[(k+1)%(last+1)].Deriv(0).Unit()) < smooth {
			n++
		}
	}
	return n
}

// settle fits a part of a curve without its doubtful corners, and again with those back that the pixels do show better, until all
// that are gone have gone for the better; ok is false where none has, or where the curve gets more corners than most.
func settle(doubts []*doubt, most int, opt fit.Options, again func(fit.Options) fit.Path) (path fit.Path, ok bool) {
	for len(doubts) > 0 {
		opt.Round = make([]fit.Point, len(doubts))
		for k, d := range doubts {
			opt.Round[k] = d.corner.at
		}
		path = again(opt)
		if corners(&path) > most {
			return path, false
		}
		var kept []*doubt
		for _, mates := range [2]bool{false, true} {
			for _, d := range doubts {
				if (d.mate != nil) != mates {
					continue
				}
				now := d.corner.lens.missOf(&path, d.corner.at)
				switch {
				case mates:
					d.good = d.mate.good && now <= d.corner.miss+lensFloor
				case d.seat != nil:
					d.good = now < lensSeen && now < float64(lensRounder*d.least)
				default:
					d.good = now < lensSeen && better(now, d.least)
				}
				if d.good {
					kept = append(kept, d)
				}
			}
		}
		if len(kept) == len(doubts) {
			return path, true
		}
		doubts = kept
	}
	return path, false
}

// nearest returns for each segment of the curve the sample nearest to where it begins, going along both.
func (g *group) nearest(run []fit.Sample) []int {
	n := len(run)
	at := 0
	if g.closed { // the curve may begin anywhere
		for i := range run {
			if p := g.path.Segments[0].P[0]; run[i].Sub(p).Len() < run[at].Sub(p).Len() {
				at = i
			}
		}
	}
	out := make([]int, len(g.path.Segments))
	out[0] = at
	for k := 1; k < len(out); k++ {
		length := g.path.Segments[k-1].Length()
		p := g.path.Segments[k].P[0]
		const slack, stretch = 2.0, 0.1 // px, and a px of length
		gone, best, least := 0.0, at, math.Inf(1)
		for i := at; i < out[0]+n && gone < length+slack+float64(stretch*length); i++ {
			if d := run[i%n].Sub(p).Len(); gone > length-slack-float64(stretch*length) && d < least {
				best, least = i, d
			}
			gone += run[(i+1)%n].Sub(run[i%n].Point).Len()
		}
		at = best
		out[k] = at % n
	}
	return out
}

// offBy returns the summed distance of trusted samples from a part of a curve, px.
func offBy(run []fit.Sample, part []fit.Segment) (sum float64) {
	along := fit.NewWalk(fit.Path{Segments: part})
	for i := range run {
		if run[i].Weight > doubtfulWeight {
			sum += along.Distance(run[i].Point)
		}
	}
	return sum
}

// leaves reports whether a part of a curve lies elsewhere than what it stands for: halves of segments further away than
// astray px.
func leaves(part, old []fit.Segment) bool {
	const astray = 1.5
	far := func(a, b []fit.Segment) bool {
		for _, s := range a {
			d := math.Inf(1)
			for k := range b {
				_, off := b[k].Nearest(s.At(0.5))
				d = min(d, off)
			}
			if d > astray {
				return true
			}
		}
		return false
	}
	return far(part, old) || far(old, part)
}

// lossy reports whether samples are in doubt by how the picture is coded: then so are the pixels.
func (g *group) lossy(e *edges) bool {
	for _, h := range g.halves {
		if e.doubt[h.Arc()] > 0 {
			return true
		}
	}
	return false
}
