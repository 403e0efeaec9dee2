package fit

import (
	"cmp"
	"math"
	"slices"
	"sync"
)

// builder fits one run of samples.
type builder struct {
	setting
	p          []Point
	w          []float64
	closed     bool
	start, end Point

	chain chain
	marks marks
	done  float64 // length along the run of what has been fitted, px

	// Buffers, kept between samples and between runs.
	clean               []Point
	cleanW              []float64
	left, right, window []Point
	stretch             stretch
	pruner              pruner
	solver
}

var builders = sync.Pool{New: func() any { return new(builder) }}

// release empties b but for its buffers and keeps it for another run.
func (b *builder) release() {
	b.setting, b.p, b.w, b.done = setting{}, nil, nil, 0
	b.chain.empty()
	b.marks.empty()
	builders.Put(b)
}

func sortCorners(c []Corner) {
	slices.SortStableFunc(c, func(a, b Corner) int { return cmp.Compare(a.Index, b.Index) })
}

// build parts the run at its corners, fits what lies between, and improves the whole.
func (b *builder) build() Path {
	cs := b.corners()
	n := len(b.p)
	c := &b.chain
	c.closed = b.closed
	b.marks.rest = slices.Grow(b.marks.rest, n)
	arms := make([][2]Point, len(cs)) // as seen, before curves change them
	for k := range cs {
		arms[k] = [2]Point{cs[k].In, cs[k].Out}
	}
	switch {
	case b.closed && len(cs) == 0:
		b.loop()
	case b.closed:
		for k := range cs {
			from, to := &cs[k], &cs[(k+1)%len(cs)]
			last := to.Index
			if last <= from.Index {
				last += n
			}
			b.push(from.At, from.In, from.fixed)
			c.knots[len(c.knots)-1].arm = arms[k]
			b.between(from.Index, last, from, to)
		}
		c.knots[0].in = cs[0].In
	default:
		begin := Corner{At: b.start, end: true}
		b.push(b.start, Point{}, true)
		from, at := &begin, 0
		for k := range cs {
			b.between(at, cs[k].Index, from, &cs[k])
			from, at = &cs[k], cs[k].Index
			b.push(from.At, from.In, from.fixed)
			c.knots[len(c.knots)-1].arm = arms[k]
		}
		finish := Corner{At: b.end, end: true}
		b.between(at, n-1, from, &finish)
		b.push(b.end, finish.In, true)
	}
	c.settle()
	b.improve()
	return b.path()
}

func (b *builder) push(p, in Point, pinned bool) {
	b.chain.knots = append(b.chain.knots, knot{p: p, home: p, in: in, out: in, pinned: pinned})
}

// between fits the samples from index i to j (counted on around a loop).
func (b *builder) between(i, j int, from, to *Corner) {
	s := b.begin(false)
	s.p, s.w = append(s.p, from.At), append(s.w, 1)
	n := len(b.p)
	gap0, gap1 := b.gap(from), b.gap(to)
	lo, hi := i, j
	for lo <= j && b.p[lo%n].Sub(from.At).Len() <= gap0 {
		lo++
	}
	for hi >= lo && b.p[hi%n].Sub(to.At).Len() <= gap1 {
		hi--
	}
	for k := 0; k < maxTainted && lo < hi && b.tainted(b.p[lo%n], from, from.Out, gap0); k++ {
		lo++
	}
	for k := 0; k < maxTainted && lo < hi && b.tainted(b.p[hi%n], to, to.In, gap1); k++ {
		hi--
	}
	if lo > hi { // too short to be choosy: the middle sample must do
		mid := (i + j) / 2
		if q := b.p[mid%n]; q.Sub(from.At).Len() > 0.3 && q.Sub(to.At).Len() > 0.3 {
			lo, hi = mid, mid
		}
	}
	choosy := hi-lo >= leastChoosy
	s.p, s.w = slices.Grow(s.p, max(0, hi-lo+2)), slices.Grow(s.w, max(0, hi-lo+2))
	for k := lo; k <= hi; k++ {
		p := b.p[k%n]
		s.p, s.w = append(s.p, p), append(s.w, b.w[k%n]*b.trust(p, from, gap0, choosy)*b.trust(p, to, gap1, choosy))
	}
	s.p, s.w = append(s.p, to.At), append(s.w, 1)
	begin := len(b.chain.knots) - 1
	s.from = b.done
	first, last := s.fit(&b.chain, &b.marks, end{from.Out, endDoubt}, end{to.In, endDoubt})
	b.chain.knots[begin].out = first
	b.done += s.length[len(s.length)-1]
	to.In = last
}

// endGap is how far from a corner or an end samples are left out, px: the pixel box rounds them off.
const endGap = 0.8

// A sample this much beyond what a corner blunts may still be moved by the other arm, px; at most maxTainted are left
// out.
const (
	taintReach = 1.3
	maxTainted = 2
)

// tainted reports whether a sample close behind a corner lies off the arm that was seen from further away.
func (b *builder) tainted(p Point, c *Corner, dir Point, gap float64) bool {
	if dir == (Point{}) || c.exact {
		return false
	}
	d := p.Sub(c.At)
	l := d.Len()
	return l < gap+float64(taintReach*b.scale) && math.Abs(d.Cross(dir)) > float64(taintOff*b.scale)+float64(3*b.noise)+float64(armBend*float64(l*l))
}

// How far a sample beside a corner may lie off the arm's tangent, px, and how much more by the square of its distance,
// 1/px: half the curvature of an arm.
const (
	taintOff = 0.03
	armBend  = 0.02
)

// junctionReach is how far from the end of a run other edges may taint its samples, px.
const junctionReach = 2.5

// besideCorner is what a sample counts that lies just behind what a corner blunts, where there are leastChoosy others.
const (
	besideCorner = 0.4
	leastChoosy  = 8
)

// trust returns how far a sample counts beside an end of the run, where the pixels hold a third colour and where the
// end lies is known no better, or beside a corner that blunts samples within gap.
func (b *builder) trust(p Point, c *Corner, gap float64, choosy bool) float64 {
	d := p.Sub(c.At).Len()
	if !c.end {
		if choosy && !c.exact && d < gap+float64(taintReach*b.scale) {
			return besideCorner
		}
		return 1
	}
	d /= junctionReach
	return min(1, max(leastWeight, float64(d*d)))
}

// gap returns the distance from a corner or an end within which its samples are left out, px.
func (b *builder) gap(c *Corner) float64 {
	if c.exact {
		return samePlace
	}
	gap := endGap * math.Sqrt(b.scale)
	if c.In == (Point{}) || c.Out == (Point{}) {
		return gap
	}
	return max(gap, b.blunt(c.In, c.Out)/math.Sqrt(b.scale))
}

// begin returns an empty stretch, which takes the place of the last one.
func (b *builder) begin(loop bool) *stretch {
	s := &b.stretch
	s.setting, s.loop, s.from = &b.setting, loop, 0
	s.p, s.w = s.p[:0], s.w[:0]
	return s
}

// loop fits a closed run without corners.
func (b *builder) loop() {
	// It is opened where a straight part ends, or at an extremum: the points of a hand-drawn outline lie there.
	first := 0
	for i, p := range b.p {
		if p.Y < b.p[first].Y {
			first = i
		}
	}
	s := b.opened(first)
	s.prepare()
	if at, ok := s.longestEnd(); ok {
		s = b.opened(first + at)
		s.prepare()
	}
	b.chain.knots = append(b.chain.knots, knot{p: s.p[0], smooth: true})
	f, _ := s.fit(&b.chain, &b.marks, end{doubt: midDoubt}, end{doubt: midDoubt})
	k := &b.chain.knots[0]
	k.p, k.in, k.out = s.p[0], f, f
}

// opened returns the loop as a stretch that begins and ends at sample first.
func (b *builder) opened(first int) *stretch {
	n := len(b.p)
	s := b.begin(true)
	s.p, s.w = slices.Grow(s.p, n+1), slices.Grow(s.w, n+1)
	for k := 0; k <= n; k++ {
		s.p = append(s.p, b.p[(first+k)%n])
		s.w = append(s.w, b.w[(first+k)%n])
	}
	return s
}

// longestEnd returns the sample at which the longest straight part ends.
func (s *stretch) longestEnd() (at int, ok bool) {
	best := 0.0
	for _, sp := range s.spans() {
		if l := s.length[sp.j] - s.length[sp.i]; l > best {
			best, at, ok = l, sp.j, true
		}
	}
	return at, ok
}

// path returns the finished chain, without pieces of no length.
func (b *builder) path() Path {
	p := Path{Closed: b.closed}
	var from Point
	pending := false // the next segment begins at from, where dropped ones began
	for i := range b.chain.pieces {
		s := b.chain.segment(i)
		if s.P[0].Sub(s.P[3]).Len() < samePlace && s.Length() < 2*samePlace {
			if n := len(p.Segments); n > 0 {
				p.Segments[n-1] = endingAt(p.Segments[n-1], s.P[3])
			} else if !pending {
				from, pending = s.P[0], true
			}
			continue
		}
		if pending {
			s = endingAt(s.Reverse(), from).Reverse()
			pending = false
		}
		p.Segments = append(p.Segments, s)
	}
	if n := len(p.Segments); b.closed && n > 0 {
		p.Segments[n-1] = endingAt(p.Segments[n-1], p.Segments[0].P[0])
	}
	return p
}

// endingAt returns s with its end moved a little, to p.
func endingAt(s Segment, p Point) Segment {
	if s.Line {
		return LineTo(s.P[0], p)
	}
	s.P[3] = p
	return s
}
