package check

import (
	"math"
	"sort"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
)

// clip cuts an outline, filled by the even-odd rule, along the edges of a box and returns what lies inside. Curves are
// cut where they cross an edge and stay as they are elsewhere.
func clip(rings []fit.Path, box survey.Box) []fit.Path {
	rings = clipSide(rings, func(p fit.Point) float64 { return p.X - box.MinX },
		func(p fit.Point) float64 { return p.Y }, func(p fit.Point) fit.Point { p.X = box.MinX; return p })
	rings = clipSide(rings, func(p fit.Point) float64 { return box.MaxX - p.X },
		func(p fit.Point) float64 { return p.Y }, func(p fit.Point) fit.Point { p.X = box.MaxX; return p })
	rings = clipSide(rings, func(p fit.Point) float64 { return p.Y - box.MinY },
		func(p fit.Point) float64 { return p.X }, func(p fit.Point) fit.Point { p.Y = box.MinY; return p })
	return clipSide(rings, func(p fit.Point) float64 { return box.MaxY - p.Y },
		func(p fit.Point) float64 { return p.X }, func(p fit.Point) fit.Point { p.Y = box.MaxY; return p })
}

// chain is a run of segments inside, from a crossing to a crossing.
type chain struct {
	segs []fit.Segment
	used bool
}

// clipSide keeps the side where height >= 0. along is the coordinate on the cutting line, onto moves a point to it.
//
// The parts of the outline inside form chains whose ends lie on the line. Sorted along it, the ends are where the line
// enters and leaves the area in turn, so that each odd one is joined with the next by a straight piece of the line.
func clipSide(rings []fit.Path, height, along func(fit.Point) float64, onto func(fit.Point) fit.Point) []fit.Path {
	var out []fit.Path
	var chains []*chain
	for _, r := range rings {
		inside, outside := 0, 0
		var pieces []fit.Segment
		var in []bool
		for _, s := range r.Segments {
			for _, p := range cutAt(s, height, onto) {
				ok := height(p.At(0.5)) >= 0
				pieces, in = append(pieces, p), append(in, ok)
				if ok {
					inside++
				} else {
					outside++
				}
			}
		}
		switch {
		case outside == 0:
			out = append(out, r)
			continue
		case inside == 0:
			continue
		}
		first := 0
		for !in[first] || in[(first+len(in)-1)%len(in)] {
			first++
		}
		var c *chain
		for k := range pieces {
			i := (first + k) % len(pieces)
			if !in[i] {
				c = nil
				continue
			}
			if c == nil {
				c = &chain{}
				chains = append(chains, c)
			}
			c.segs = append(c.segs, pieces[i])
		}
	}
	type end struct {
		c    *chain
		last bool // the chain's end, not its beginning
		at   float64
	}
	var ends []end
	for _, c := range chains {
		ends = append(ends, end{c, false, along(c.segs[0].P[0])}, end{c, true, along(c.segs[len(c.segs)-1].P[3])})
	}
	sort.SliceStable(ends, func(i, j int) bool { return ends[i].at < ends[j].at })
	find := func(c *chain, last bool) int {
		for i := range ends {
			if ends[i].c == c && ends[i].last == last {
				return i
			}
		}
		return -1
	}
	for _, c := range chains {
		if c.used {
			continue
		}
		var segs []fit.Segment
		for cur, last := c, true; ; {
			cur.used = true
			run := cur.segs
			if !last {
				run = fit.Path{Segments: run}.Reverse().Segments
			}
			if n := len(segs); n > 0 && segs[n-1].P[3] != run[0].P[0] {
				segs = append(segs, fit.LineTo(segs[n-1].P[3], run[0].P[0]))
			}
			segs = append(segs, run...)
			next := ends[find(cur, last)^1]
			if next.c.used {
				break
			}
			cur, last = next.c, !next.last
		}
		if a, b := segs[len(segs)-1].P[3], segs[0].P[0]; a != b {
			segs = append(segs, fit.LineTo(a, b))
		}
		out = append(out, fit.Path{Segments: segs, Closed: true})
	}
	return out
}

// cutAt cuts a segment where height changes its sign; the cuts are moved exactly onto the line.
func cutAt(s fit.Segment, height func(fit.Point) float64, onto func(fit.Point) fit.Point) []fit.Segment {
	h := [4]float64{height(s.P[0]), height(s.P[1]), height(s.P[2]), height(s.P[3])}
	stops := []float64{0}
	if !s.Line {
		turns := survey.Extrema(h[0], h[1], h[2], h[3])
		sort.Float64s(turns)
		stops = append(stops, turns...)
	}
	stops = append(stops, 1)
	value := func(t float64) float64 {
		if s.Line {
			return h[0] + float64(t*(h[3]-h[0]))
		}
		u := 1 - t
		return float64(u*u*u*h[0]) + float64(3*u*u*t*h[1]) + float64(3*u*t*t*h[2]) + float64(t*t*t*h[3])
	}
	var cuts []float64
	for i := 1; i < len(stops); i++ {
		a, b := stops[i-1], stops[i]
		va, vb := value(a), value(b)
		if va >= 0 == (vb >= 0) {
			continue
		}
		for range 60 { // halving to the last bit
			m := (a + b) / 2
			if value(m) >= 0 == (va >= 0) {
				a = m
			} else {
				b = m
			}
		}
		if t := (a + b) / 2; t > 1e-9 && t < 1-1e-9 {
			cuts = append(cuts, t)
		}
	}
	if len(cuts) == 0 {
		return []fit.Segment{s}
	}
	var out []fit.Segment
	from, at := 0.0, s.P[0]
	for _, t := range append(cuts, 1) {
		p := s.Sub(from, t)
		to := s.P[3]
		if t < 1 {
			to = onto(p.P[3])
		}
		if s.Line {
			p = fit.LineTo(at, to)
		} else {
			p.P[0], p.P[3] = at, to
		}
		out = append(out, p)
		from, at = t, to
	}
	return out
}

// overlap reports whether two areas share paint, by looking at pixel centres of the part their boxes share.
func overlap(a, b *area) bool {
	if !a.box.Meets(b.box) {
		return false
	}
	win := survey.Box{MinX: math.Max(a.box.MinX, b.box.MinX), MinY: math.Max(a.box.MinY, b.box.MinY),
		MaxX: math.Min(a.box.MaxX, b.box.MaxX), MaxY: math.Min(a.box.MaxY, b.box.MaxY)}
	if !(win.Width() > 0 && win.Height() > 0) {
		return false
	}
	c := newCanvas(win, closePixels)
	n := c.paint(a.rings, 1)
	if n == 0 {
		return false
	}
	c.paint(b.rings, 2)
	for _, id := range c.id {
		if id == 1 {
			n--
		}
	}
	return n > 0
}
