package paper

import (
	"image"
	"math"
	"sort"

	"pochoir/fit"
)

// This file measures the sides of a roughly known sheet on the full picture, to a few hundredths of a pixel, and
// refuses the sheet when they are not plainly seen.

const (
	profiles   = 128  // across each side
	rimPx      = 6    // px at the picture's rim that are not looked at: scanners leave lines there
	minSupport = 0.6  // of the profiles inside the picture must agree on a straight line
	minSeen    = 0.5  // of the profiles must lie inside the picture
	minEdge    = 0.04 // step from desk to paper, of the paper's light
)

// sheetEdges is what measureSheet saw.
type sheetEdges struct {
	outline
	support float64 // of the worst side
	step    float64 // of the worst side, light over paper light
	why     string  // why the sheet is not to be believed, empty when it is
}

// measureSheet refines the outline (px) of a sheet in pic that is known to slack px.
func (c crew) measureSheet(pic *Picture, o outline, slack float64) sheetEdges {
	long := float64(max(pic.W, pic.H))
	e := sheetEdges{outline: o, support: 1, step: math.Inf(1)}
	reach := [3]float64{slack, math.Max(slack/4, 8), math.Max(slack/6, 6)}
	tol := [3]float64{math.Max(2, long/1000), math.Max(1.2, long/2500), math.Max(1, long/3000)}
	for round := range reach {
		var sides [4]sideFit
		from := e.q
		c.each(4, func(i int) {
			if i == o.open {
				return
			}
			sides[i] = measureSide(pic, from[i], from[(i+1)%4], reach[round], tol[round])
		})
		e.support, e.step = 1, math.Inf(1)
		for i, s := range sides {
			if i == o.open {
				continue
			}
			if !s.ok {
				e.why = "a side is not seen"
				return e
			}
			e.support, e.step = math.Min(e.support, s.support), math.Min(e.step, s.step)
		}
		for i := range e.q {
			if i == o.open || (i+3)%4 == o.open {
				continue
			}
			p, ok := sides[(i+3)%4].line.meet(sides[i].line)
			if !ok {
				e.why = "the sides do not meet"
				return e
			}
			e.q[i] = p
		}
		if o.open != noSide {
			for _, k := range [2][3]int{{o.open, o.open + 3, o.open + 3}, {o.open + 1, o.open + 2, o.open + 1}} {
				end, from, side := k[0]%4, e.q[k[1]%4], sides[k[2]%4].line
				d := fit.Point{X: -side.ny, Y: side.nx}
				if d.Dot(e.q[end].Sub(from)) < 0 {
					d = d.Mul(-1)
				}
				e.q[end] = leave(from, d, float64(pic.W), float64(pic.H))
			}
		}
	}
	switch {
	case e.support < minSupport:
		e.why = "a side is not straight or not plainly seen"
	case e.step < minEdge:
		e.why = "the desk is too like the paper"
	case o.open == noSide && !plausible(e.q, pic.W, pic.H) || !convex(e.q):
		e.why = "its shape is not that of a sheet"
	}
	return e
}

// sideFit is one measured side.
type sideFit struct {
	line    straight
	support float64 // share of the profiles inside the picture that lie on the line
	step    float64 // median step from desk to paper, of the paper's light
	ok      bool
}

// measureSide measures the side from p to q with the paper to the right of the way, in profiles that reach so far
// either side.
func measureSide(pic *Picture, p, q fit.Point, reach, tol float64) sideFit {
	length := q.Sub(p).Len()
	if length < 16 {
		return sideFit{}
	}
	d := q.Sub(p).Unit()
	n := d.Perp() // towards the paper
	r := int(math.Ceil(reach))
	size := 2*r + 1
	prof := make([]float64, profiles*size*3)
	known := make([]bool, profiles*size)
	safe := image.Rect(0, 0, pic.W, pic.H).Inset(rimPx)
	for i := range profiles {
		at := p.Add(d.Mul(length * (0.03 + 0.94*(float64(i)+0.5)/profiles)))
		for j := range size {
			var s [3]float64
			k := 0
			for o := -2; o <= 2; o++ {
				x := at.Add(n.Mul(float64(j - r))).Add(d.Mul(1.5 * float64(o)))
				if v, ok := lightAt(pic, safe, x); ok {
					s[0] += v[0]
					s[1] += v[1]
					s[2] += v[2]
					k++
				}
			}
			if k == 5 {
				known[i*size+j] = true
				copy(prof[3*(i*size+j):], s[:])
			}
		}
	}
	// The colour direction from desk to paper, from the outer thirds of all profiles.
	var in, out [3]float64
	var nin, nout float64
	third := max(1, size/3)
	for i := range profiles {
		for j := range size {
			if !known[i*size+j] {
				continue
			}
			v := prof[3*(i*size+j):][:3]
			if j < third {
				for k := range 3 {
					out[k] += v[k] / 5
				}
				nout++
			} else if j >= size-third {
				for k := range 3 {
					in[k] += v[k] / 5
				}
				nin++
			}
		}
	}
	if nin == 0 || nout == 0 {
		return sideFit{}
	}
	var u [3]float64
	var ul, white float64
	for k := range 3 {
		u[k] = in[k]/nin - out[k]/nout
		ul += float64(u[k] * u[k])
		white += in[k] / nin / 3
	}
	ul = math.Sqrt(ul)
	if !(ul > 0) || !(white > 0) {
		return sideFit{}
	}
	// One position a profile: the steepest rise along u, its crest by a parabola.
	pts := make([]edgeHit, 0, profiles)
	line := make([]float64, size)
	slope := make([]float64, size)
	seen := 0
	for i := range profiles {
		whole := true
		for j := max(0, r-int(tol)-3); j <= min(size-1, r+int(tol)+3); j++ {
			whole = whole && known[i*size+j]
		}
		if !whole {
			continue
		}
		seen++
		for j := range size {
			v := prof[3*(i*size+j):][:3]
			line[j] = (float64(v[0]*u[0]) + float64(v[1]*u[1]) + float64(v[2]*u[2])) / (5 * ul)
		}
		blur(line, slope, 2)
		best := -1
		for j := 1; j+1 < size; j++ {
			slope[j] = 0
			if known[i*size+j-1] && known[i*size+j+1] {
				slope[j] = (line[j+1] - line[j-1]) / 2
			}
			if best < 0 || slope[j] > slope[best] {
				best = j
			}
		}
		if best < 2 || best > size-3 || slope[best] <= 0 {
			continue
		}
		a, b, c := slope[best-1], slope[best], slope[best+1]
		o := 0.0
		if den := a - 2*b + c; den < 0 {
			o = math.Min(0.5, math.Max(-0.5, 0.5*(a-c)/den))
		}
		lo, hi := line[max(0, best-6)], line[min(size-1, best+6)]
		if !known[i*size+max(0, best-6)] || !known[i*size+min(size-1, best+6)] {
			lo, hi = line[best-1], line[best+1]
		}
		pts = append(pts, edgeHit{t: length * (0.03 + 0.94*(float64(i)+0.5)/profiles), o: float64(best-r) + o, step: hi - lo})
	}
	if float64(seen) < minSeen*profiles || len(pts) < profiles/4 {
		return sideFit{}
	}
	m, b, inl := robustLine(pts, tol)
	if len(inl) < profiles/5 {
		return sideFit{}
	}
	steps := make([]float64, len(inl))
	for i, k := range inl {
		steps[i] = pts[k].step
	}
	sort.Float64s(steps)
	a0, a1 := p.Add(n.Mul(b)), q.Add(n.Mul(b+float64(m*length)))
	nn := a1.Sub(a0).Unit().Perp()
	return sideFit{
		line:    straight{nn.X, nn.Y, nn.Dot(a0)},
		support: float64(len(inl)) / float64(seen),
		step:    steps[len(steps)/2] / (white * math.Sqrt(3)),
		ok:      true,
	}
}

// edgeHit is a side seen in one profile: t px along, o px across, step in light.
type edgeHit struct{ t, o, step float64 }

// robustLine returns o = m·t + b through most hits and the indices of those within tol of it: the line through two hits
// that most others agree with (M. Fischler & R. Bolles, CACM 24(6), 1981, over an even selection of pairs instead of
// random ones), then least squares.
func robustLine(p []edgeHit, tol float64) (m, b float64, inliers []int) {
	step := max(1, len(p)/40)
	bestN := -1
	for i := 0; i < len(p); i += step {
		for j := i + len(p)/5 + 1; j < len(p); j += step {
			mm := (p[j].o - p[i].o) / (p[j].t - p[i].t)
			bb := p[i].o - float64(mm*p[i].t)
			n := 0
			for _, h := range p {
				if math.Abs(h.o-float64(mm*h.t)-bb) < tol {
					n++
				}
			}
			if n > bestN {
				m, b, bestN = mm, bb, n
			}
		}
	}
	for range 3 {
		inliers = inliers[:0]
		var s, st, so, stt, sto float64
		for i, h := range p {
			if math.Abs(h.o-float64(m*h.t)-b) >= tol {
				continue
			}
			inliers = append(inliers, i)
			s++
			st += h.t
			so += h.o
			stt += float64(h.t * h.t)
			sto += float64(h.t * h.o)
		}
		den := float64(s*stt) - float64(st*st)
		if den <= 0 {
			return m, b, inliers
		}
		m = (float64(s*sto) - float64(st*so)) / den
		b = (so - float64(m*st)) / s
	}
	return m, b, inliers
}

// blur smooths v with the 1-2-1 mask n times; tmp is scratch space as long as v.
func blur(v, tmp []float64, n int) {
	for range n {
		copy(tmp, v)
		for i := 1; i+1 < len(v); i++ {
			v[i] = (tmp[i-1] + 2*tmp[i] + tmp[i+1]) / 4
		}
	}
}

// lightAt returns the linear light at p, between pixel centres, and whether p lies inside safe.
func lightAt(pic *Picture, safe image.Rectangle, p fit.Point) ([3]float64, bool) {
	x, y := p.X-0.5, p.Y-0.5
	fx, fy := math.Floor(x), math.Floor(y)
	if !(fx >= float64(safe.Min.X) && fy >= float64(safe.Min.Y) && fx < float64(safe.Max.X-1) && fy < float64(safe.Max.Y-1)) {
		return [3]float64{}, false
	}
	i := 4 * (int(fy)*pic.W + int(fx))
	a, b := pic.Pix[i:i+7:i+7], pic.Pix[i+4*pic.W:][:7]
	wx, wy := x-fx, y-fy
	var v [3]float64
	for k := range 3 {
		top := float64((1-wx)*float64(toLinear[a[k]])) + float64(wx*float64(toLinear[a[k+4]]))
		low := float64((1-wx)*float64(toLinear[b[k]])) + float64(wx*float64(toLinear[b[k+4]]))
		v[k] = float64((1-wy)*top) + float64(wy*low)
	}
	return v, true
}
