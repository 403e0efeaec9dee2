package trace

import (
	"math"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// maxDot is the area up to which a lone mark is drawn from its moments instead of its outline, px.
const maxDot = 14

// maxBox is the area up to which a lone mark may be drawn as a box or a short stroke, px: on the sides of a larger one there
// are samples enough to find its corners and ends.
const maxBox = 40

// maxSpeck is the area up to which a mark is drawn from its moments even beside others, px: it is too small for samples of its
// sides.
const maxSpeck = 2

// sliverMost is the variance across a mark up to which it tells nothing of the mark's width, px²: that of an ellipse 0.8 px
// wide. sliverLeast is the length, px, from which on the width is what the area leaves for the length instead, but no less than
// sliverWidth, px: what is narrower falls between the places where it is looked at.
const sliverMost, sliverLeast, sliverWidth = 0.04, 1.5, 0.15

// dot returns the outline of a mark too small to have edges: the box, the short stroke or the ellipse with its covered area,
// centre of gravity and second moments. It is nil unless the arc is a loop around a small face with one colour all around.
func (e *edgeMeter) dot(arc int) []fit.Segment {
	a := &e.m.Arcs[arc]
	if a.From != planar.None {
		return nil
	}
	inside, around := a.Right, a.Left
	small := func(f int32) bool {
		return f != planar.Outside && e.m.Faces[f].Area <= maxBox && len(e.m.Faces[f].Rings) == 1
	}
	switch {
	case small(inside) && around != planar.Outside:
	case small(around) && inside != planar.Outside:
		inside, around = around, inside
	default:
		return nil
	}
	f := &e.m.Faces[inside]
	own, other := f.Label, e.m.Faces[around].Label
	const margin = 2
	x0, y0, x1, y1 := int(f.MinX)-margin, int(f.MinY)-margin, int(f.MaxX)+margin, int(f.MaxY)+margin
	if x0 < 0 || y0 < 0 || x1 > e.m.W || y1 > e.m.H {
		return nil
	}
	shares, ok := e.sharesOf(inside, own, other, [4]int{x0, y0, x1, y1})
	if !ok {
		return nil
	}
	cover := func(x, y int) float64 { return shares[(y-y0)*(x1-x0)+x-x0] }
	var s, sx, sy, sxx, sxy, syy float64
	for y := y0; y < y1; y++ {
		for x := x0; x < x1; x++ {
			c := cover(x, y)
			px, py := float64(x-x0)+0.5, float64(y-y0)+0.5
			s += c
			sx += float64(c * px)
			sy += float64(c * py)
			sxx += float64(c * float64(px*px))
			sxy += float64(c * float64(px*py))
			syy += float64(c * float64(py*py))
		}
	}
	if s <= 0 {
		return nil
	}
	cx, cy := sx/s, sy/s
	// The pixel's own box adds 1/12 to each variance.
	vxx, vyy, vxy := sxx/s-float64(cx*cx)-1.0/12, syy/s-float64(cy*cy)-1.0/12, sxy/s-float64(cx*cy)
	half, diff := (vxx+vyy)/2, math.Hypot((vxx-vyy)/2, vxy)
	l1, l2 := max(0.01, half+diff), max(0.01, half-diff)
	// An ellipse has variances a²/4 and b²/4; the area is kept, the moments give the proportion.
	ratio := min(4, math.Sqrt(l1/l2))
	r := math.Sqrt(s / math.Pi)
	sliver := l2 < sliverMost && 4*math.Sqrt(l1) > sliverLeast
	if sliver {
		ratio = max(ratio, min(4*l1/float64(r*r), 4*float64(r*r)/(sliverWidth*sliverWidth)))
	}
	theta := 0.5 * math.Atan2(2*vxy, vxx-vyy)
	centre := fit.Point{X: cx + float64(x0), Y: cy + float64(y0)}
	var path fit.Path
	form, known := formOf(cover, [4]int{x0, y0, x1, y1}, centre, s, r, ratio, theta)
	if !known && f.Area > maxDot {
		return nil
	}
	if known {
		path = form
	} else if ratio < 1.12 || r < 0.8 && !sliver && (e.noise > 0 || !longer(cover, [4]int{x0, y0, x1, y1}, centre, r, ratio, theta)) { // as good as round
		path = fit.Ellipse(centre, r, r, 0)
	} else {
		path = fit.Ellipse(centre, r*math.Sqrt(ratio), r/math.Sqrt(ratio), theta)
	}
	if (path.Area() > 0) != (inside == a.Right) {
		path = path.Reverse()
	}
	return path.Segments
}

// longer reports whether an ellipse with the proportion and turn of its moments explains a mark much better than a circle does: of
// a mark little larger than a pixel the moments alone tell how it lies among the pixels as well.
func longer(cover func(x, y int) float64, frame [4]int, centre fit.Point, radius, ratio, theta float64) bool {
	miss := func(ratio float64) float64 {
		a, b := radius*math.Sqrt(ratio), radius/math.Sqrt(ratio)
		return missOf(cover, frame, centre, fit.Point{X: math.Cos(theta), Y: math.Sin(theta)}, func(p, q float64) bool {
			return float64(p*p)/(a*a)+float64(q*q)/(b*b) < 1
		})
	}
	return miss(ratio) < formShare*miss(1)
}

// sharesOf returns the shares of a mark, a face of the colour own on the colour other, in the pixels of frame (x0, y0, x1, y1),
// row by row; ok is false where there are other colours, or other marks beside one that is no speck. Shares only fall away
// from the mark: what rises again belongs to a neighbour.
func (e *edgeMeter) sharesOf(face int32, own, other uint8, frame [4]int) (shares []float64, ok bool) {
	w, h := frame[2]-frame[0], frame[3]-frame[1]
	shares = make([]float64, w*h)
	ring := make([]int8, w*h) // steps from the mark, from 1; 0: not reached yet
	for k := range shares {
		x, y := frame[0]+k%w, frame[1]+k/w
		i := y*e.m.W + x
		l := e.flats.Labels[i]
		switch {
		case l == other:
			shares[k] = e.flats.Coverage(i, own, other)
		case l == own && e.m.FaceAt(x, y) == face:
			shares[k], ring[k] = e.flats.Coverage(i, own, other), 1
		case l != own || e.m.Faces[face].Area > maxSpeck:
			return nil, false
		}
	}
	for step, left := int8(1), true; left; step++ {
		left = false
		for k := range shares {
			if ring[k] != 0 {
				continue
			}
			most, near := 0.0, false
			for y := max(0, k/w-1); y <= min(h-1, k/w+1); y++ {
				for x := max(0, k%w-1); x <= min(w-1, k%w+1); x++ {
					if ring[y*w+x] == step {
						most, near = max(most, shares[y*w+x]), true
					}
				}
			}
			if near {
				shares[k] = min(shares[k], most)
				ring[k] = step + 1
			} else {
				left = true
			}
		}
	}
	return shares, true
}

// A box or a short stroke must miss the shares of the pixels by less than formMiss in the root mean square, and by less than
// formShare of what the ellipse misses them by.
const (
	formMiss   = 0.06
	formShare  = 0.6
	boxLeast   = 2.0 // px, the shorter side: what is narrower shows no corners
	shortLeast = 1.3 // the proportion from which on a mark may be a stroke with round ends
)

// formOf returns the rectangle, or the stroke with round ends, that explains the shares of a mark's colour in the pixels of
// frame (x0, y0, x1, y1); ok is false where its ellipse does about as well. The mark is given by its centre, area in px, the radius of the circle of
// that area, and the proportion and turn of its moments.
func formOf(cover func(x, y int) float64, frame [4]int, centre fit.Point, area, radius, ratio, theta float64) (form fit.Path, ok bool) {
	long, short := math.Sqrt(area*ratio), math.Sqrt(area/ratio)
	if short < boxLeast {
		return form, false
	}
	turns := []float64{theta}
	if ratio < 1.1 { // the moments of a square do not tell how it lies
		turns = turns[:0]
		for k := range 12 {
			turns = append(turns, float64(k)*math.Pi/24)
		}
	}
	best := math.Inf(1)
	for _, turn := range turns {
		u := fit.Point{X: math.Cos(turn), Y: math.Sin(turn)}
		miss := missOf(cover, frame, centre, u, func(a, b float64) bool {
			return math.Abs(a) < long/2 && math.Abs(b) < short/2
		})
		if miss < best {
			best = miss
			a, b := u.Mul(long/2), u.Perp().Mul(short/2)
			p := [4]fit.Point{centre.Sub(a).Sub(b), centre.Add(a).Sub(b), centre.Add(a).Add(b), centre.Sub(a).Add(b)}
			form = fit.Path{Closed: true}
			for k := range p {
				form.Segments = append(form.Segments, fit.LineTo(p[k], p[(k+1)%4]))
			}
		}
	}
	u := fit.Point{X: math.Cos(theta), Y: math.Sin(theta)}
	la, lb := radius*math.Sqrt(ratio), radius/math.Sqrt(ratio)
	round := missOf(cover, frame, centre, u, func(a, b float64) bool {
		return float64(a*a)/(la*la)+float64(b*b)/(lb*lb) < 1
	})
	if ratio >= shortLeast {
		straight, width := shortStroke(area, ratio*ratio)
		miss := missOf(cover, frame, centre, u, func(a, b float64) bool {
			a = max(0, math.Abs(a)-straight/2)
			return float64(a*a)+float64(b*b) < width*width/4
		})
		if miss < best {
			best = miss
			form = strokePath(centre, u, straight, width)
		}
	}
	return form, best < formMiss && best < formShare*round
}

// shortStroke returns the length of the straight part and the width of a stroke with round ends that has a given area, px²,
// and whose second moments along it and across are in a given proportion.
func shortStroke(area, proportion float64) (straight, width float64) {
	// Of a stroke 1 wide with straight part h: a rectangle and two half discs, whose own moments are about their centres of
	// gravity, 4r/3π off the straight end.
	const r = 0.5
	moments := func(h float64) float64 {
		at := h/2 + 4*r/(3*math.Pi)
		along := h*h*h/12 + 2*((math.Pi/8-8/(9*math.Pi))*r*r*r*r+float64(math.Pi*r*r/2*at*at))
		return along / (h/12 + math.Pi/64)
	}
	low, high := 0.0, 16.0
	for range 40 {
		if mid := (low + high) / 2; moments(mid) < proportion {
			low = mid
		} else {
			high = mid
		}
	}
	width = math.Sqrt(area / (low + math.Pi/4))
	return low * width, width
}

// strokePath returns the outline of a stroke with round ends along u.
func strokePath(centre, u fit.Point, straight, width float64) fit.Path {
	disc := fit.Ellipse(fit.Point{}, width/2, width/2, math.Atan2(u.Y, u.X)).Segments
	shift := func(s fit.Segment, by fit.Point) fit.Segment {
		for k := range s.P {
			s.P[k] = s.P[k].Add(by)
		}
		return s
	}
	path := fit.Path{Closed: true}
	for k, s := range disc {
		// The quarters whose middle lies ahead belong to the end ahead.
		end := centre.Add(u.Mul(straight / 2))
		if s.At(0.5).Dot(u) < 0 {
			end = centre.Sub(u.Mul(straight / 2))
		}
		s = shift(s, end)
		if n := len(path.Segments); n > 0 && path.Segments[n-1].P[3].Sub(s.P[0]).Len() > 1e-9 {
			path.Segments = append(path.Segments, fit.LineTo(path.Segments[n-1].P[3], s.P[0]))
		} else if n > 0 {
			s.P[0] = path.Segments[n-1].P[3]
		}
		path.Segments = append(path.Segments, s)
		if first := path.Segments[0].P[0]; k == len(disc)-1 {
			if s.P[3].Sub(first).Len() > 1e-9 {
				path.Segments = append(path.Segments, fit.LineTo(s.P[3], first))
			} else {
				path.Segments[len(path.Segments)-1].P[3] = first
			}
		}
	}
	return path
}

// missOf returns by how much a shape misses the shares of the pixels of a frame in the root mean square. inside tells of
// a place, given along u and across it from the centre, px, whether it lies in the shape; each pixel is asked at 8 x 8
// places.
func missOf(cover func(x, y int) float64, frame [4]int, centre, u fit.Point, inside func(a, b float64) bool) float64 {
	const n = 8
	var sum float64
	v := u.Perp()
	for y := frame[1]; y < frame[3]; y++ {
		for x := frame[0]; x < frame[2]; x++ {
			hits := 0
			for k := range n * n {
				d := fit.Point{X: float64(x) + (float64(k%n)+0.5)/n, Y: float64(y) + (float64(k/n)+0.5)/n}.Sub(centre)
				if inside(d.Dot(u), d.Dot(v)) {
					hits++
				}
			}
			e := cover(x, y) - float64(hits)/(n*n)
			sum += float64(e * e)
		}
	}
	return math.Sqrt(sum / float64((frame[3]-frame[1])*(frame[2]-frame[0])))
}
