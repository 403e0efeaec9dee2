package proof

import (
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace"
)

// This file measures the distance between the drawn outlines and the edges of the picture.
//
// At places a pixel apart along each outline, both the picture and the rendering are read along the outline's normal.
// The colours on the two sides are taken from each profile itself; every sample is then a share α of the one side's
// colour, and the edge lies where a sharp one would have to lie to give the same sum of α (zeroth moment: A. J.
// Tabatabai, O. R. Mitchell, "Edge location to subpixel values in digital imagery", IEEE PAMI 6(2), 1984). The
// distance is the difference of the two positions, so that what interpolation, curvature and the pixel's own width do
// to one they do to the other. The rendering also tells which outlines can be seen, and how far away the next edge is.

const (
	reach       = 4.0  // px either side of the outline that are read
	sampleStep  = 0.25 // px between the samples of a profile
	perSide     = int(reach / sampleStep)
	perProfile  = 2*perSide + 1
	leastReach  = 1.25 // px; below it the two sides of an edge cannot be told apart: it takes a pixel to pass it
	sideSamples = 2    // samples the colour of a side is the mean of
	lanes       = 3    // parallel profiles, half a pixel apart, that are averaged

	leastContrast = 8.0  // 8-bit levels, as a distance in RGB, that make an edge
	seenOffset    = 0.35 // px the rendering's own edge may lie off an outline that can be seen: curvature and tips
	leastShare    = 0.5  // of the drawn contrast that the picture must show
	mostStray     = 0.25 // of the contrast that the picture's samples may be off the line between its two sides
	mostPlaces    = 400000
)

// profile is what lies along a normal: RGB at perProfile places, from outside the shape to within.
type profile [perProfile][3]float64

// read fills q with pix along the unit vector n (from within to outside) at point at, averaged over the lanes.
func (q *profile) read(pix []uint8, w, h int, at, n fit.Point) {
	side := n.Perp()
	for i := range q {
		t := float64(perSide-i) * sampleStep
		var sum [3]float64
		for lane := range lanes {
			s := (float64(lane) - (lanes-1)/2.0) * 0.5
			x := at.X + float64(n.X*t) + float64(side.X*s)
			y := at.Y + float64(n.Y*t) + float64(side.Y*s)
			c := sample(pix, w, h, x, y)
			for k := range sum {
				sum[k] += c[k]
			}
		}
		for k := range sum {
			q[i][k] = sum[k] / lanes
		}
	}
}

// sample interpolates pix linearly at (x, y); beyond the border the border goes on.
func sample(pix []uint8, w, h int, x, y float64) [3]float64 {
	x = min(max(x-0.5, 0), float64(w-1))
	y = min(max(y-0.5, 0), float64(h-1))
	x0, y0 := int(x), int(y)
	fx, fy := x-float64(x0), y-float64(y0)
	x1, y1 := min(x0+1, w-1), min(y0+1, h-1)
	a, b := pix[4*(y0*w+x0):], pix[4*(y0*w+x1):]
	c, d := pix[4*(y1*w+x0):], pix[4*(y1*w+x1):]
	var v [3]float64
	for k := range v {
		u := float64(float64(a[k])*(1-fx)) + float64(float64(b[k])*fx)
		l := float64(float64(c[k])*(1-fx)) + float64(float64(d[k])*fx)
		v[k] = float64(u*(1-fy)) + float64(l*fy)
	}
	return v
}

func dist3(a, b [3]float64) float64 {
	x, y, z := a[0]-b[0], a[1]-b[1], a[2]-b[2]
	return math.Sqrt(float64(x*x) + float64(y*y) + float64(z*z))
}

// room returns how many samples to either side of the middle belong to the edge there: up to half way to the next
// edge on the nearer side. It is 0 when the profile shows no edge in the middle.
func (q *profile) room() int {
	var change [perProfile - 1]float64
	most := 0.0
	for i := range change {
		change[i] = dist3(q[i], q[i+1])
		if i >= perSide-4 && i < perSide+4 {
			most = max(most, change[i])
		}
	}
	if most*4 < leastContrast { // spread over a pixel, an edge changes by a quarter of its contrast a sample
		return 0
	}
	rise := most * 0.15
	best := perSide
	for _, dir := range [2]int{-1, 1} {
		at := func(k int) float64 { // change between samples k and k+1 away from the middle
			if dir < 0 {
				return change[perSide-1-k]
			}
			return change[perSide+k]
		}
		low, from, to := math.Inf(1), 0, 0
		for k := 2; k < perSide; k++ {
			c := at(k)
			if c > low+rise {
				best = min(best, (from+to+1)/2)
				break
			}
			if c < low-rise/8 {
				low, from = c, k
			}
			if c <= low+rise/8 {
				to = k
			}
		}
	}
	return best
}

// edge is an edge measured in a profile.
type edge struct {
	offset   float64 // px from the middle, positive outward
	out, in  [3]float64
	contrast float64
	stray    float64 // largest distance of a sample from the line between the sides, as a share of the contrast
}

// measure finds the edge within n samples of the middle.
func (q *profile) measure(n int) edge {
	var e edge
	lo, hi := perSide-n, perSide+n
	for k := range e.out {
		for i := range sideSamples {
			e.out[k] += q[lo+i][k] / sideSamples
			e.in[k] += q[hi-i][k] / sideSamples
		}
	}
	e.contrast = dist3(e.out, e.in)
	if e.contrast == 0 {
		return e
	}
	sum := 0.0
	for i := lo; i <= hi; i++ {
		a, off := q.share(i, e.out, e.in)
		e.stray = max(e.stray, off)
		if i == lo || i == hi { // trapezoid
			a /= 2
		}
		sum += a
	}
	e.offset = (sum - float64(n)) * sampleStep
	return e
}

// share returns how much of the inner colour sample i shows, and how far it is off the line between the two, as a
// share of their distance.
func (q *profile) share(i int, out, in [3]float64) (a, off float64) {
	var dot, norm, len2 float64
	for k := range out {
		d, v := in[k]-out[k], q[i][k]-out[k]
		dot += float64(d * v)
		norm += float64(d * d)
		len2 += float64(v * v)
	}
	a = dot / norm
	return a, math.Sqrt(max(0, len2/norm-float64(a*a)))
}

// crossing returns the offset, positive outward, of the place nearest to the middle where the profile passes half way
// between out and in, if there is one.
func (q *profile) crossing(out, in [3]float64) (offset float64, ok bool) {
	var a [perProfile]float64
	for i := range a {
		a[i], _ = q.share(i, out, in)
	}
	best := math.Inf(1)
	for i := range perProfile - 1 {
		if a[i] < 0.5 && a[i+1] >= 0.5 {
			t := float64(perSide-i)*sampleStep - float64((0.5-a[i])/(a[i+1]-a[i])*sampleStep)
			if math.Abs(t) < math.Abs(best) {
				best = t
			}
		}
	}
	return best, !math.IsInf(best, 1)
}

// What a place on an outline turned out to be.
const (
	hidden = iota // under a higher layer, or no edge: the same colour on both sides, the border of the picture
	measured
	unclear
	unmatched
)

// place is a place on an outline and what was measured there.
type place struct {
	at, n  fit.Point // px; n points out of the shape
	layer  int
	kind   uint8
	offset float64 // px, positive where the picture's edge lies outside the drawn one
}

// places returns places along all outlines, a pixel apart, or further where that would be more than mostPlaces.
func (p *pair) places(d *trace.Drawing) []place {
	// The polygon is coarser than the rendering's, but its points lie on the curve, and so do not the places between:
	// by less than a tenth of what is worth measuring.
	const tol = 0.002 // px
	var pts []fit.Point
	total := 0.0
	each := func(f func(layer int, pts []fit.Point)) {
		for i, l := range d.Layers {
			for _, s := range l.Shapes {
				for _, r := range s.Rings {
					if pts = flatten(pts[:0], r, p.sx, p.sy, tol); len(pts) > 1 {
						f(i, append(pts, pts[0]))
					}
				}
			}
		}
	}
	each(func(_ int, pts []fit.Point) {
		for i := range pts[1:] {
			total += pts[i+1].Sub(pts[i]).Len()
		}
	})
	step := max(1, total/mostPlaces)
	all := make([]place, 0, int(total/step)+16)
	each(func(layer int, pts []fit.Point) {
		ahead := step / 2
		for i := range pts[1:] {
			v := pts[i+1].Sub(pts[i])
			l := v.Len()
			for ; ahead < l; ahead += step {
				// Outer rings run clockwise, holes the other way: the shape lies to the right, out is to the left.
				all = append(all, place{at: pts[i].Lerp(pts[i+1], ahead/l), n: v.Unit().Perp().Mul(-1), layer: layer})
			}
			ahead -= l
		}
	})
	return all
}

// above reports whether the pixel at q shows a layer above the given one.
func (p *pair) above(q fit.Point, layer int) bool {
	x, y := int(math.Floor(q.X)), int(math.Floor(q.Y))
	if x < 0 || y < 0 || x >= p.w || y >= p.h {
		return false
	}
	return int(p.top[y*p.w+x]) > layer+1
}

// measure fills in kind and offset.
func (s *place) measure(p *pair) {
	s.kind = hidden
	if s.at.X < 1 || s.at.Y < 1 || s.at.X > float64(p.w-1) || s.at.Y > float64(p.h-1) {
		return
	}
	const beside = 0.8 // px; beyond the pixels the edge itself crosses
	if p.above(s.at.Add(s.n.Mul(beside)), s.layer) && p.above(s.at.Sub(s.n.Mul(beside)), s.layer) {
		return
	}
	var drawn, pic profile
	drawn.read(p.drawn, p.w, p.h, s.at, s.n)
	n := drawn.room()
	if n == 0 {
		return
	}
	s.kind = unclear
	if float64(n)*sampleStep < leastReach {
		return
	}
	want := drawn.measure(n)
	if want.contrast < leastContrast || math.Abs(want.offset) > seenOffset || want.stray > mostStray {
		return
	}
	pic.read(p.pix, p.w, p.h, s.at, s.n)
	got := pic.measure(n)
	var dot float64
	for k := range got.in {
		dot += float64((got.in[k] - got.out[k]) * (want.in[k] - want.out[k]))
	}
	if got.contrast >= leastShare*want.contrast && got.stray <= mostStray && dot >= 0.7*float64(got.contrast*want.contrast) {
		s.kind, s.offset = measured, got.offset-want.offset
		return
	}
	s.kind = unmatched
	if t, ok := pic.crossing(want.out, want.in); ok {
		s.kind, s.offset = measured, t-want.offset
	}
}

// deviation measures along all outlines.
func (p *pair) deviation(d *trace.Drawing) EdgeFigures {
	all := p.places(d)
	rows(len(all), func(from, to int) {
		for i := from; i < to; i++ {
			all[i].measure(p)
		}
	})
	var f EdgeFigures
	var abs []float64
	var sum, signed float64
	for _, s := range all {
		switch s.kind {
		case unclear:
			f.Unclear++
		case unmatched:
			if f.Unmatched == 0 {
				f.UnmatchedAt = Place{short(s.at.X), short(s.at.Y)}
			}
			f.Unmatched++
		case measured:
			f.Measured++
			e := math.Abs(s.offset)
			abs = append(abs, e)
			sum += e
			signed += s.offset
			if e > f.Worst || f.Layer == "" {
				f.Worst, f.At, f.Layer = e, Place{short(s.at.X), short(s.at.Y)}, d.Layers[s.layer].Name
			}
		}
	}
	if len(abs) == 0 {
		return f
	}
	slices.Sort(abs)
	n := float64(len(abs))
	f.Mean, f.Bias, f.Worst = short(sum/n), short(signed/n), short(f.Worst)
	f.Median, f.P95 = short(abs[len(abs)/2]), short(abs[min(len(abs)-1, len(abs)*95/100)])
	return f
}
