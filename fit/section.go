package fit

import (
	"cmp"
	"math"
	"slices"
)

// builder fits one run of samples.
type builder struct {
	setting
	p          []Point
	w          []float64
	closed     bool
	start, end Point

	left, right, window, spare []Point // kept between samples
}

func sortCorners(c []Corner) {
	slices.SortStableFunc(c, func(a, b Corner) int { return cmp.Compare(a.Index, b.Index) })
}

// build parts the run at its corners and fits what lies between.
func (b *builder) build() Path {
	path := Path{Closed: b.closed}
	cs := b.corners()
	n := len(b.p)
	add := func(s []Segment) { path.Segments = append(path.Segments, s...) }
	switch {
	case b.closed && len(cs) == 0:
		add(b.loop())
	case b.closed:
		for k := range cs {
			c, d := cs[k], cs[(k+1)%len(cs)]
			last := d.Index
			if last <= c.Index {
				last += n
			}
			add(b.between(c.Index, last, c.At, d.At, c.Out, d.In))
		}
	default:
		from, at, out := 0, b.start, Point{}
		for _, c := range cs {
			add(b.between(from, c.Index, at, c.At, out, c.In))
			from, at, out = c.Index, c.At, c.Out
		}
		add(b.between(from, n-1, at, b.end, out, Point{}))
	}
	return path
}

// endGap is how far from a corner or an end samples are left out, px: the pixel box rounds them off.
const endGap = 1.2

// between fits the samples from index i to j (counted on around a loop) with fixed ends and, where known, the
// directions there.
func (b *builder) between(i, j int, from, to, dirFrom, dirTo Point) []Segment {
	pts, wts := []Point{from}, []float64{1}
	n := len(b.p)
	gap := endGap * math.Sqrt(b.scale)
	for k := i; k <= j; k++ {
		p := b.p[k%n]
		if p.Sub(from).Len() > gap && p.Sub(to).Len() > gap {
			pts, wts = append(pts, p), append(wts, b.w[k%n])
		}
	}
	if from.Sub(to).Len() < samePlace && len(pts) < 3 {
		return nil
	}
	pts, wts = append(pts, to), append(wts, 1)
	s := section{setting: &b.setting, p: pts, w: wts, dirFrom: dirFrom, dirTo: dirTo}
	return s.fit()
}

// loop fits a closed run without corners.
func (b *builder) loop() []Segment {
	s := section{setting: &b.setting, closed: true}
	// Begin at an extremum: the points of a hand-drawn outline lie there.
	n := len(b.p)
	first := 0
	for i, p := range b.p {
		if p.Y < b.p[first].Y {
			first = i
		}
	}
	for k := 0; k <= n; k++ {
		s.p = append(s.p, b.p[(first+k)%n])
		s.w = append(s.w, b.w[(first+k)%n])
	}
	return s.fit()
}

// section is a smooth stretch: points in order, the first and the last fixed, the same place for a closed one.
type section struct {
	*setting
	p              []Point
	w              []float64
	closed         bool
	dirFrom, dirTo Point // zero where unknown

	length  []float64 // along the points
	tangent []Point
}

// straightShare is the part of the tolerance within which a stretch is drawn as a line.
const straightShare = 1.0

func (s *section) fit() []Segment {
	n := len(s.p)
	if n < 3 {
		if n < 2 || s.p[0].Sub(s.p[n-1]).Len() < samePlace {
			return nil
		}
		return []Segment{LineTo(s.p[0], s.p[n-1])}
	}
	if !s.closed && s.straight(0, n-1) {
		return []Segment{LineTo(s.p[0], s.p[n-1])}
	}
	s.length = lengths(s.p)
	s.tangents()
	knots := s.gallop()
	return s.refined(knots)
}

// straight reports whether the points from i to j lie within tolerance of their chord.
func (s *section) straight(i, j int) bool {
	a, c := s.p[i], s.p[j]
	d := c.Sub(a)
	l := d.Len()
	if l < samePlace {
		return false
	}
	u := d.Mul(1 / l)
	tol := straightShare * s.tol
	for k := i + 1; k < j; k++ {
		e := s.p[k].Sub(a)
		if math.Abs(u.Cross(e))*s.w[k] > tol {
			return false
		}
		if t := u.Dot(e); t < -tol || t > l+tol {
			return false
		}
	}
	return true
}

// tangents estimates the direction at every point from the widest window, up to 16 px either side, that a quadratic
// fits within the noise.
func (s *section) tangents() {
	n := len(s.p)
	m := n
	if s.closed {
		m = n - 1
	}
	s.tangent = make([]Point, n)
	limit := math.Max(0.05, 2*s.noise)
	var buf []Point
	for i := range m {
		var best Local
		for _, width := range [4]float64{3, 6, 10, 16} {
			width *= math.Sqrt(s.scale)
			lo, hi := i, i
			if s.closed {
				for s.arc(lo-1, i) < width && i-lo < m/3 {
					lo--
				}
				for s.arc(i, hi+1) < width && hi-i < m/3 {
					hi++
				}
				buf = buf[:0]
				for k := lo; k <= hi; k++ {
					buf = append(buf, s.p[((k%m)+m)%m])
				}
			} else {
				for lo > 0 && s.length[i]-s.length[lo-1] < width {
					lo--
				}
				for hi < n-1 && s.length[hi+1]-s.length[i] < width {
					hi++
				}
				buf = append(buf[:0], s.p[lo:hi+1]...)
			}
			l := FitLocal(buf, len(buf) >= 4)
			if best.Count > 0 && l.RMS > limit {
				break
			}
			if l.Count > 0 {
				best = l
			}
		}
		if best.Count == 0 {
			s.tangent[i] = s.p[n-1].Sub(s.p[0]).Unit()
			continue
		}
		_, s.tangent[i] = best.At(s.p[i])
	}
	if s.closed {
		s.tangent[n-1] = s.tangent[0]
		return
	}
	if s.dirFrom != (Point{}) {
		s.tangent[0] = s.dirFrom
	}
	if s.dirTo != (Point{}) {
		s.tangent[n-1] = s.dirTo
	}
}

// arc returns the length from point i to point j >= i of a closed section, counted around.
func (s *section) arc(i, j int) float64 {
	m := len(s.p) - 1
	at := func(k int) float64 {
		turns := math.Floor(float64(k) / float64(m))
		return s.length[((k%m)+m)%m] + turns*s.length[m]
	}
	return at(j) - at(i)
}

// gallop returns the knots, as indices of points, of the fewest cubics that stay within tolerance: each is made as
// long as it will go, found by doubling and bisection.
func (s *section) gallop() []int {
	n := len(s.p)
	knots := []int{0}
	fits := func(i, j int) bool {
		if s.closed && i == 0 && j == n-1 {
			return false
		}
		_, worst := s.cubic(i, j)
		return worst <= s.tol
	}
	for i := 0; i < n-1; {
		if fits(i, n-1) {
			knots = append(knots, n-1)
			break
		}
		good, step := i+1, 4
		bad := n - 1
		for j := i + step; j < bad; j = i + step {
			if !fits(i, j) {
				// One failure may be a bad tangent: look a little further before giving up.
				if j+2 >= bad || !fits(i, j+2) {
					bad = j
					break
				}
				j += 2
			}
			good = j
			step = (j - i) * 2
		}
		for bad-good > 1 {
			mid := (good + bad) / 2
			if fits(i, mid) {
				good = mid
			} else {
				bad = mid
			}
		}
		// A knot too near the end leaves a stub: share the rest evenly instead.
		if rest := n - 1 - good; rest > 0 && s.length[n-1]-s.length[good] < 0.25*(s.length[n-1]-s.length[i]) {
			half := i + (n-1-i)/2
			if half > i && half < good {
				good = half
			}
		}
		knots = append(knots, good)
		i = good
	}
	if s.closed && len(knots) < 3 {
		knots = []int{0, (n - 1) / 2, n - 1}
	}
	return knots
}

// maxFitPoints bounds the points looked at in one trial of a cubic.
const maxFitPoints = 40

// cubic fits one cubic from point i to point j with the tangents there: least squares of the handle lengths on
// distances along the normal, with Newton steps for the parameters (Plass & Stone, "Curve-fitting with piecewise
// parametric cubics", 1983). worst is the largest distance of a point, px.
func (s *section) cubic(i, j int) (c Segment, worst float64) {
	p0, p1 := s.p[i], s.p[j]
	u0, u1 := s.tangent[i], s.tangent[j]
	chord := p1.Sub(p0).Len()
	total := s.length[j] - s.length[i]
	a, b := total/3, total/3
	if j-i < 2 || total == 0 {
		return handled(p0, u0, a, p1, u1, b), 0
	}
	var ts [maxFitPoints]float64
	var id [maxFitPoints]int
	m := min(maxFitPoints, j-i-1)
	for k := range m {
		id[k] = i + 1 + k*(j-i-1)/m
		ts[k] = (s.length[id[k]] - s.length[i]) / total
	}
	c = handled(p0, u0, a, p1, u1, b)
	for range 5 {
		var a11, a12, a22, r1, r2 float64
		for k := range m {
			t := ts[k]
			v := 1 - t
			b0, b1, b2, b3 := v*v*v, 3*v*v*t, 3*v*t*t, t*t*t
			base := p0.Mul(b0 + b1).Add(p1.Mul(b2 + b3))
			nrm := c.Deriv(t).Unit().Perp()
			w := s.w[id[k]]
			c1, c2 := b1*u0.Dot(nrm), -b2*u1.Dot(nrm)
			r := s.p[id[k]].Sub(base).Dot(nrm)
			a11 += float64(w * c1 * c1)
			a12 += float64(w * c1 * c2)
			a22 += float64(w * c2 * c2)
			r1 += float64(w * c1 * r)
			r2 += float64(w * c2 * r)
		}
		// Held weakly at a third of the length, for stretches that say nothing of their handles.
		hold := 1e-4 * float64(m)
		a11 += hold
		a22 += hold
		r1 += hold * a
		r2 += hold * b
		if det := float64(a11*a22) - float64(a12*a12); det > 1e-12 {
			a = clampHandle((float64(r1*a22)-float64(r2*a12))/det, chord)
			b = clampHandle((float64(a11*r2)-float64(a12*r1))/det, chord)
		}
		c = handled(p0, u0, a, p1, u1, b)
		for k := range m {
			ts[k] = project(&c, s.p[id[k]], ts[k], 1)
		}
	}
	for k := range m {
		t := project(&c, s.p[id[k]], ts[k], 2)
		worst = math.Max(worst, s.w[id[k]]*c.At(t).Sub(s.p[id[k]]).Len())
	}
	return c, worst
}

// Handles shorter or longer than these shares of the chord make kinks and loops between the samples.
const minHandle, maxHandle = 0.05, 1.0

func clampHandle(v, chord float64) float64 {
	return math.Max(minHandle*chord, math.Min(maxHandle*chord, v))
}

// handled returns the cubic with handles a along u0 and b against u1.
func handled(p0, u0 Point, a float64, p1, u1 Point, b float64) Segment {
	return CubicTo(p0, p0.Add(u0.Mul(a)), p1.Sub(u1.Mul(b)), p1)
}

// project improves t towards the foot of p on c by Newton's method.
func project(c *Segment, p Point, t float64, steps int) float64 {
	for range steps {
		e := c.At(t).Sub(p)
		d := c.Deriv(t)
		den := d.Dot(d) + e.Dot(c.Deriv2(t))
		if den <= 1e-9 {
			den = d.Dot(d) + 1e-9
		}
		t = math.Max(0, math.Min(1, t-e.Dot(d)/den))
	}
	return t
}
