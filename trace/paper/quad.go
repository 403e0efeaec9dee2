package paper

import (
	"math"
	"sort"

	"pochoir/fit"
	"pochoir/quantize/large"
)

// This file finds a sheet roughly, on a small picture: long straight edges, and the best quadrilateral that four of
// them make. edge.go measures its sides on the full picture and decides whether it may be believed.

const (
	// Logarithm of light: an edge of the sheet is a step of at least minStep in some channel, seen over minStepGrain
	// pixels either side.
	minStep     = 0.06
	edgeMin     = 0.025 // slope, per pixel, from which a pixel counts as an edge
	edgeCap     = 0.25  // slope above which edges count alike: ink must not outvote the desk
	maxLines    = 18
	sideSamples = 48
	// A side must be seen along this share of its length inside the picture; the rest may be hidden by a hand.
	roughSupport = 0.55
	minInFrame   = 0.5  // and this share of the side must lie inside the picture
	minSheetArea = 0.15 // of the picture
)

// edgeDot is a pixel on the crest of an edge, with the direction of steepest rise.
type edgeDot struct {
	x, y   float64
	gx, gy float64 // unit vector
	weight float64
}

// straight is the line nx·x + ny·y = d, with (nx, ny) of length 1.
type straight struct{ nx, ny, d float64 }

func (s straight) dist(p fit.Point) float64 { return float64(s.nx*p.X) + float64(s.ny*p.Y) - s.d }

// meet returns the point where two lines cross, and whether they do at an angle of more than about 30 degrees.
func (s straight) meet(t straight) (fit.Point, bool) {
	det := float64(s.nx*t.ny) - float64(s.ny*t.nx)
	if math.Abs(det) < 0.5 {
		return fit.Point{}, false
	}
	return fit.Point{
		X: (float64(s.d*t.ny) - float64(t.d*s.ny)) / det,
		Y: (float64(s.nx*t.d) - float64(t.nx*s.d)) / det,
	}, true
}

// roughQuad returns the corners (clockwise on screen from the top left) of the quadrilateral that is most like a sheet
// on a desk, in pixels of g, a small picture as logarithms of light without its thin dark marks.
func roughQuad(g *field, lines []straight, seen *edgeMap) ([4]fit.Point, bool) {
	var best [4]fit.Point
	var bestScore float64
	for a := range lines {
		for b := a + 1; b < len(lines); b++ {
			if math.Abs(lines[a].nx*lines[b].nx+lines[a].ny*lines[b].ny) < 0.8 {
				continue
			}
			for c := range lines {
				for d := c + 1; d < len(lines); d++ {
					if c == a || c == b || d == a || d == b || math.Abs(lines[c].nx*lines[d].nx+lines[c].ny*lines[d].ny) < 0.8 || c < a {
						continue
					}
					q, ok := corners(lines[a], lines[b], lines[c], lines[d])
					if !ok || !plausible(q, g.w, g.h) {
						continue
					}
					if s := quadScore(g, seen, q); s > bestScore {
						best, bestScore = q, s
					}
				}
			}
		}
	}
	return best, bestScore > 0
}

// corners orders the crossings of two pairs of opposite sides clockwise on screen, from the one nearest the top left.
func corners(a, b, c, d straight) (q [4]fit.Point, ok bool) {
	for i, pair := range [4][2]straight{{a, c}, {c, b}, {b, d}, {d, a}} {
		if q[i], ok = pair[0].meet(pair[1]); !ok {
			return q, false
		}
	}
	return clockwise(q), true
}

// clockwise orders four points clockwise on screen round their centre, from the one with the least x+y.
func clockwise(q [4]fit.Point) [4]fit.Point {
	c := q[0].Add(q[1]).Add(q[2]).Add(q[3]).Mul(0.25)
	sort.SliceStable(q[:], func(i, j int) bool {
		a, b := q[i].Sub(c), q[j].Sub(c)
		return math.Atan2(a.Y, a.X) < math.Atan2(b.Y, b.X)
	})
	first := 0
	for i, p := range q {
		if p.X+p.Y < q[first].X+q[first].Y {
			first = i
		}
	}
	return [4]fit.Point{q[first], q[(first+1)%4], q[(first+2)%4], q[(first+3)%4]}
}

// plausible reports whether q can be a sheet seen in a w×h picture: convex, corners between 60 and 120 degrees, large
// enough, and not far outside the picture.
func plausible(q [4]fit.Point, w, h int) bool {
	var area float64
	mx, my := 0.15*float64(w), 0.15*float64(h)
	for i, p := range q {
		a, b := q[(i+3)%4].Sub(p), q[(i+1)%4].Sub(p)
		la, lb := a.Len(), b.Len()
		if la == 0 || lb == 0 || math.Abs(a.Dot(b)) > 0.5*la*lb || b.Cross(a) <= 0 {
			return false
		}
		if p.X < -mx || p.Y < -my || p.X > float64(w)+mx || p.Y > float64(h)+my {
			return false
		}
		area += p.Cross(q[(i+1)%4]) / 2
	}
	return area > minSheetArea*float64(w)*float64(h)
}

// quadScore rates q by how well each side is seen as a step from desk to paper; 0 when a side is not seen.
func quadScore(g *field, seen *edgeMap, q [4]fit.Point) float64 {
	score := 1.0
	var area float64
	for i, p := range q {
		r := q[(i+1)%4]
		support, step := seen.side(g, p, r)
		if support < roughSupport {
			return 0
		}
		score *= support * math.Min(step, 0.6)
		area += p.Cross(r) / 2
	}
	return math.Sqrt(math.Sqrt(score)) * math.Sqrt(area)
}

// Paper beyond the sheet: on a way outward, a stretch of it over this share of the way is seen by beyondShare of it, and
// this share of the ways from one side may meet some, such as another sheet.
const (
	beyondShare    = 0.12
	maxPaperBeyond = 0.25
)

// paperBeyond reports whether outside o there is paper again on the way to the rim of the picture: then o is something
// light that was painted, or lies between things that were, and is not the sheet. What lies on the ways outward from a
// side is held against the paper inside and the ground just outside.
func paperBeyond(g *field, o outline) bool {
	for i, p := range o.q {
		if i == o.open {
			continue
		}
		r := o.q[(i+1)%4]
		n := r.Sub(p).Unit().Perp()
		ways, back := 0, 0
		for k := range sideSamples {
			at := p.Lerp(r, (float64(k)+0.5)/sideSamples)
			d := 0
			for g.holds(at.Sub(n.Mul(float64(d + 1)))) {
				d++
			}
			if d < 10 || !g.holds(at.Add(n.Mul(5))) {
				continue
			}
			ways++
			in, out := g.nearest(at.Add(n.Mul(4))), g.nearest(at.Sub(n.Mul(4)))
			var step [3]float64
			var l float64
			for c := range step {
				step[c] = float64(in[c] - out[c])
				l += float64(step[c] * step[c])
			}
			alike := 0
			for e := 6; e <= d-2; e++ {
				v := g.nearest(at.Sub(n.Mul(float64(e))))
				t := 0.0
				for c := range step {
					t += float64(step[c] * float64(v[c]-out[c]))
				}
				if t > 0.6*l {
					alike++
				}
			}
			if float64(alike) > math.Max(3, beyondShare*float64(d)) {
				back++
			}
		}
		if float64(back) > maxPaperBeyond*math.Max(float64(ways), sideSamples/4) {
			return true
		}
	}
	return false
}

// edgeMap holds the direction of the edge at each pixel, for quick looks along a side.
type edgeMap struct {
	w, h   int
	gx, gy []float32 // unit vector, 0 where there is no edge
}

func newEdgeMap(dots []edgeDot, w, h int) *edgeMap {
	m := &edgeMap{w, h, large.Make[float32](w * h), large.Make[float32](w * h)}
	for _, d := range dots {
		i := int(d.y)*w + int(d.x)
		m.gx[i], m.gy[i] = float32(d.gx), float32(d.gy)
	}
	return m
}

// near reports whether an edge with a normal within about 15 degrees of n runs through the 5×5 pixels round p, and
// whether one does whose slope rises along n.
func (m *edgeMap) near(p, n fit.Point) (any, rising bool) {
	px, py := int(math.Floor(p.X)), int(math.Floor(p.Y))
	for y := max(0, py-2); y <= min(m.h-1, py+2); y++ {
		for x := max(0, px-2); x <= min(m.w-1, px+2); x++ {
			i := y*m.w + x
			along := float64(float64(m.gx[i])*n.X) + float64(float64(m.gy[i])*n.Y)
			any = any || math.Abs(along) > 0.965
			rising = rising || along > 0.965
		}
	}
	return any, rising
}

// side returns the share of the side from p to q, inside the picture, along which desk turns to paper (the paper lies to
// the right of the way), and the median step there. Paper is lighter than the desk, or as light and of another colour.
func (m *edgeMap) side(g *field, p, q fit.Point) (support, step float64) {
	n := q.Sub(p).Unit().Perp()
	inside, hits := 0, 0
	var steps []float64
	for i := range sideSamples {
		at := p.Lerp(q, 0.04+0.92*(float64(i)+0.5)/sideSamples)
		if !g.holds(at.Add(n.Mul(6))) || !g.holds(at.Sub(n.Mul(6))) {
			continue
		}
		inside++
		edge, rising := m.near(at, n)
		if !edge {
			continue
		}
		var mean, spread float64
		a1, a2 := g.nearest(at.Add(n.Mul(3))), g.nearest(at.Add(n.Mul(5)))
		b1, b2 := g.nearest(at.Sub(n.Mul(3))), g.nearest(at.Sub(n.Mul(5)))
		lo, hi := math.Inf(1), math.Inf(-1)
		for k := range 3 {
			d := float64(a1[k]+a2[k]-b1[k]-b2[k]) / 2
			mean += d / 3
			lo, hi = math.Min(lo, d), math.Max(hi, d)
		}
		spread = hi - lo
		if mean > minStep && rising || mean > -minStep/2 && mean <= minStep && spread > 1.5*minStep {
			hits++
			steps = append(steps, math.Max(mean, spread/2))
		}
	}
	if float64(inside) < minInFrame*sideSamples {
		return 0, 0
	}
	if hits == 0 {
		return 0, 0
	}
	sort.Float64s(steps)
	return float64(hits) / float64(inside), steps[len(steps)/2]
}

// holds reports whether p lies inside the field.
func (o *field) holds(p fit.Point) bool {
	return p.X >= 0 && p.Y >= 0 && p.X < float64(o.w) && p.Y < float64(o.h)
}

// nearest returns the sample that p lies in.
func (o *field) nearest(p fit.Point) []float32 {
	x, y := min(max(int(p.X), 0), o.w-1), min(max(int(p.Y), 0), o.h-1)
	return o.v[3*(y*o.w+x):][:3]
}

// edgeDots returns the pixels on the crest of an edge, row by row. At each pixel the channel with the steepest slope
// speaks.
func edgeDots(g *field) []edgeDot {
	w, h := g.w, g.h
	gx, gy, m := large.Make[float32](w*h), large.Make[float32](w*h), large.Make[float32](w*h)
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			i := y*w + x
			for k := range 3 {
				dx := (g.v[3*(i+1)+k] - g.v[3*(i-1)+k]) / 2
				dy := (g.v[3*(i+w)+k] - g.v[3*(i-w)+k]) / 2
				if s := float32(dx*dx) + float32(dy*dy); s > m[i] {
					gx[i], gy[i], m[i] = dx, dy, s
				}
			}
		}
	}
	for i, s := range m {
		m[i] = float32(math.Sqrt(float64(s)))
	}
	var dots []edgeDot
	for y := 2; y < h-2; y++ {
		for x := 2; x < w-2; x++ {
			i := y*w + x
			if m[i] < edgeMin {
				continue
			}
			dx, dy := 0, 0 // the neighbour up the slope
			if ax, ay := math.Abs(float64(gx[i])), math.Abs(float64(gy[i])); ax > 2*ay {
				dx = 1
			} else if ay > 2*ax {
				dy = 1
			} else if (gx[i] > 0) == (gy[i] > 0) {
				dx, dy = 1, 1
			} else {
				dx, dy = 1, -1
			}
			if a, b := m[i+dy*w+dx], m[i-dy*w-dx]; m[i] < a || m[i] <= b {
				continue
			}
			dots = append(dots, edgeDot{float64(x) + 0.5, float64(y) + 0.5, float64(gx[i] / m[i]), float64(gy[i] / m[i]),
				math.Min(float64(m[i]), edgeCap)})
		}
	}
	return dots
}

// strongLines returns the straight lines that most edge pixels lie on, the strongest first. Method: Hough transform in
// normal form with the vote limited to the direction of the edge (R. Duda & P. Hart, CACM 15(1), 1972; D. Ballard,
// Pattern Recognition 13(2), 1981), each line then fitted by least squares and its pixels taken out.
func strongLines(dots []edgeDot, w, h int) []straight {
	const angles, spread = 180, 2
	reach := int(math.Hypot(float64(w), float64(h))) + 2
	var cs, sn [angles]float64
	for t := range cs {
		sn[t], cs[t] = math.Sincos(math.Pi * float64(t) / angles)
	}
	votes := make([]float32, angles*2*reach)
	vote := func(d edgeDot, sign float32) {
		t0 := int(math.Round(math.Atan2(d.gy, d.gx) / math.Pi * angles))
		for t := t0 - spread; t <= t0+spread; t++ {
			k := ((t % angles) + angles) % angles
			rho := int(math.Floor(float64(d.x*cs[k]) + float64(d.y*sn[k])))
			votes[k*2*reach+rho+reach] += sign * float32(d.weight)
		}
	}
	for _, d := range dots {
		vote(d, 1)
	}
	used := make([]bool, len(dots))
	least := 0.12 * float64(min(w, h)) * edgeMin
	var lines []straight
	for len(lines) < maxLines {
		best, bestV := -1, float32(0)
		for i := 1; i+1 < len(votes); i++ {
			if v := votes[i] + (votes[i-1]+votes[i+1])/2; v > bestV {
				best, bestV = i, v
			}
		}
		if best < 0 || float64(bestV) < least {
			break
		}
		t := best / (2 * reach)
		l := straight{cs[t], sn[t], float64(best%(2*reach)-reach) + 0.5}
		near := 3.0
		for range 3 {
			l = fitStraight(dots, used, l, near)
			near = 2
		}
		taken := 0
		for i, d := range dots {
			if !used[i] && math.Abs(l.dist(fit.Point{X: d.x, Y: d.y})) < 2.5 && math.Abs(d.gx*l.nx+d.gy*l.ny) > 0.94 {
				used[i] = true
				vote(d, -1)
				taken++
			}
		}
		if taken == 0 { // the fit ran away from its votes: wipe the cell
			for i := max(0, best-1); i <= min(len(votes)-1, best+1); i++ {
				votes[i] = 0
			}
			continue
		}
		if taken >= min(w, h)/8 {
			lines = append(lines, l)
		}
	}
	return lines
}

// fitStraight fits a line through the unused dots within near pixels of l whose edges run along it.
func fitStraight(dots []edgeDot, used []bool, l straight, near float64) straight {
	var s, sx, sy, sxx, sxy, syy float64
	for i, d := range dots {
		if used[i] || math.Abs(float64(l.nx*d.x)+float64(l.ny*d.y)-l.d) > near || math.Abs(d.gx*l.nx+d.gy*l.ny) < 0.94 {
			continue
		}
		wt := d.weight
		s += wt
		sx += float64(wt * d.x)
		sy += float64(wt * d.y)
		sxx += float64(wt * d.x * d.x)
		sxy += float64(wt * d.x * d.y)
		syy += float64(wt * d.y * d.y)
	}
	if s == 0 {
		return l
	}
	mx, my := sx/s, sy/s
	cxx, cxy, cyy := sxx/s-float64(mx*mx), sxy/s-float64(mx*my), syy/s-float64(my*my)
	along := 0.5 * math.Atan2(2*cxy, cxx-cyy) // direction of the line
	ny, nx := math.Sincos(along + math.Pi/2)
	if float64(nx*l.nx)+float64(ny*l.ny) < 0 {
		nx, ny = -nx, -ny
	}
	return straight{nx, ny, float64(nx*mx) + float64(ny*my)}
}
