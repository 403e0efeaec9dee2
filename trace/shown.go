package trace

import (
	"cmp"
	"context"
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/trace/internal/planar"
)

// This file tells how much of each pixel the fitted curves give to which colour.

// shown is what curves show. A colour is told by the number of its label, from 1; what lies outside the picture is 0. As long
// as no more than two colours meet in a pixel, its number tells their shares; its colour tells what it shows in all.
type shown struct {
	m    *planar.Map
	arcs [][]piece
	of   []levels    // by label
	rows [][]strip   // by x
	near [][]curveAt // by squares of nearCell px, row by row
	cols int         // of squares
}

// strip is a pixel of a row that curves cross, with its number and its colour, and those of all pixels from there to the next
// one.
type strip struct {
	x                  int32
	at, beyond         float64
	colour, colourOver levels
}

// levels is a colour in levels of 8 bits, or a difference of two.
type levels [3]float64

// add adds d, so many times.
func (l *levels) add(d levels, times float64) {
	for c := range d {
		l[c] += float64(d[c] * times)
	}
}

// curveAt is piece k of an arc.
type curveAt struct{ arc, k int32 }

const (
	nearCell = 16           // px
	bandRows = 4 * nearCell // rows that are drawn at once
)

// newShown returns what has still to be drawn.
func newShown(m *planar.Map, arcs [][]piece, palette []quantize.Swatch) *shown {
	s := &shown{m: m, arcs: arcs, rows: make([][]strip, m.H), cols: m.W/nearCell + 1}
	for _, p := range palette {
		s.of = append(s.of, levels{float64(p.Colour.R), float64(p.Colour.G), float64(p.Colour.B)})
	}
	s.near = make([][]curveAt, s.cols*(m.H/nearCell+1))
	return s
}

// bands returns how many bands of rows there are.
func (s *shown) bands() int { return (s.m.H + bandRows - 1) / bandRows }

// inBand returns the rows of a band, y0 up to but not including y1.
func (s *shown) inBand(band int) (y0, y1 int) {
	return band * bandRows, min((band+1)*bandRows, s.m.H)
}

// drawAnew draws the bands anew that are said to have changed, and notes where curves lie.
func (s *shown) drawAnew(ctx context.Context, changed []bool, workers int) error {
	clear(s.near)
	touching := make([][]curveAt, s.bands())
	for a := range s.arcs {
		for k := range s.arcs[a] {
			lo, hi := boundsOf(&s.arcs[a][k].Segment)
			c := curveAt{int32(a), int32(k)}
			for y := max(0, int(lo.Y)) / nearCell; y <= min(s.m.H-1, int(hi.Y))/nearCell; y++ {
				for x := max(0, int(lo.X)) / nearCell; x <= min(s.m.W-1, int(hi.X))/nearCell; x++ {
					s.near[y*s.cols+x] = append(s.near[y*s.cols+x], c)
				}
			}
			for band := max(0, int(lo.Y)) / bandRows; band <= min(s.m.H-1, int(hi.Y))/bandRows; band++ {
				if changed[band] {
					touching[band] = append(touching[band], c)
				}
			}
		}
	}
	return largestFirst(ctx, len(touching), workers, func(band int) int { return len(touching[band]) }, func(band int) {
		if changed[band] {
			s.draw(band, touching[band])
		}
	})
}

// number returns the number of a face.
func (s *shown) number(face int32) float64 {
	if face == planar.Outside {
		return 0
	}
	return float64(s.m.Faces[face].Label) + 1
}

// step returns the colour that lies east of a half arc where it goes down, less the one west of it. The outside is black.
func (s *shown) step(h planar.Half) (d levels) {
	for _, side := range [2]struct {
		face int32
		sign float64
	}{{s.m.LeftOf(h), 1}, {s.m.RightOf(h), -1}} {
		if side.face != planar.Outside {
			d.add(s.of[s.m.Faces[side.face].Label], side.sign)
		}
	}
	return d
}

// draw sums up what curves show in a band.
func (s *shown) draw(band int, curves []curveAt) {
	y0, y1 := s.inBand(band)
	for y := y0; y < y1; y++ {
		s.rows[y] = s.rows[y][:0]
	}
	for _, c := range curves {
		arc := &s.m.Arcs[c.arc]
		step, tint := s.number(arc.Left)-s.number(arc.Right), s.step(planar.HalfOf(int(c.arc), false))
		asLines(&s.arcs[c.arc][c.k].Segment, func(p, q fit.Point) {
			if max(p.Y, q.Y) < float64(y0) || min(p.Y, q.Y) > float64(y1) {
				return
			}
			eachCrossed(p, q, func(x, y int, at, beyond float64) {
				if y < y0 || y >= y1 || x >= s.m.W {
					return
				}
				if x < 0 {
					x, at = 0, beyond
				}
				c := strip{x: int32(x), at: float64(step * at), beyond: float64(step * beyond)}
				c.colour.add(tint, at)
				c.colourOver.add(tint, beyond)
				s.rows[y] = append(s.rows[y], c)
			})
		})
	}
	for y := y0; y < y1; y++ {
		row := s.rows[y]
		slices.SortStableFunc(row, func(a, b strip) int { return cmp.Compare(a.x, b.x) })
		n := 0
		for _, c := range row {
			if n > 0 && row[n-1].x == c.x {
				row[n-1].at += c.at
				row[n-1].beyond += c.beyond
				row[n-1].colour.add(c.colour, 1)
				row[n-1].colourOver.add(c.colourOver, 1)
				continue
			}
			row[n] = c
			n++
		}
		sum, tint := 0.0, levels{}
		for k := range row[:n] {
			row[k].at += sum
			sum += row[k].beyond
			row[k].beyond = sum
			row[k].colour.add(tint, 1)
			tint.add(row[k].colourOver, 1)
			row[k].colourOver = tint
		}
		s.rows[y] = row[:n]
	}
}

// find returns the strip of pixel (x, y), or the last before it, nil for none; crossed tells whether it is the pixel's own.
func (s *shown) find(x, y int) (c *strip, crossed bool) {
	row := s.rows[y]
	k, crossed := slices.BinarySearchFunc(row, int32(x), func(c strip, x int32) int { return cmp.Compare(c.x, x) })
	if !crossed {
		k--
	}
	if k < 0 {
		return nil, false
	}
	return &row[k], crossed
}

// at returns the number of pixel (x, y).
func (s *shown) at(x, y int) float64 {
	switch c, crossed := s.find(x, y); {
	case crossed:
		return c.at
	case c != nil:
		return c.beyond
	}
	return 0
}

// colour returns the colour of pixel (x, y).
func (s *shown) colour(x, y int) levels {
	switch c, crossed := s.find(x, y); {
	case crossed:
		return c.colour
	case c != nil:
		return c.colourOver
	}
	return levels{}
}

// plain returns the label of pixel (x, y) if no curve crosses it.
func (s *shown) plain(x, y int) (label int, ok bool) {
	c, crossed := s.find(x, y)
	if crossed || c == nil {
		return 0, false
	}
	label = int(math.Round(c.beyond)) - 1
	return label, label >= 0 && math.Abs(c.beyond-math.Round(c.beyond)) < 1e-6
}

// around calls do for the curves that come near a rectangle, some of them more than once.
func (s *shown) around(lo, hi fit.Point, do func(curveAt)) {
	for y := max(0, int(lo.Y)) / nearCell; y <= min(s.m.H-1, int(hi.Y))/nearCell; y++ {
		for x := max(0, int(lo.X)) / nearCell; x <= min(s.m.W-1, int(hi.X))/nearCell; x++ {
			for _, c := range s.near[y*s.cols+x] {
				do(c)
			}
		}
	}
}

// eachCrossed calls emit for the pixels that a line crosses, with the area that lies east of it there, positive where it goes
// down, and the height that it goes down, which all pixels beyond have to the east of it.
func eachCrossed(a, b fit.Point, emit func(x, y int, at, beyond float64)) {
	down := 1.0
	if a.Y > b.Y {
		a, b, down = b, a, -1
	}
	if a.Y == b.Y {
		return
	}
	slope := (b.X - a.X) / (b.Y - a.Y)
	for y := math.Floor(a.Y); y < b.Y; y++ {
		top, low := max(a.Y, y), min(b.Y, y+1)
		x0, x1 := a.X+float64(slope*(top-a.Y)), a.X+float64(slope*(low-a.Y))
		if x0 > x1 {
			x0, x1 = x1, x0
		}
		first := math.Floor(x0)
		if x1 <= first+1 {
			h := down * (low - top)
			emit(int(first), int(y), float64(h*(1-((x0+x1)/2-first))), h)
			continue
		}
		steep := down * (low - top) / (x1 - x0)
		for x := first; x < x1; x++ {
			c0, c1 := max(x0, x), min(x1, x+1)
			h := float64(steep * (c1 - c0))
			emit(int(x), int(y), float64(h*(1-((c0+c1)/2-x))), h)
		}
	}
}

// asLines calls line for the lines that a segment is drawn as.
func asLines(s *fit.Segment, line func(a, b fit.Point)) {
	if s.Line {
		line(s.P[0], s.P[3])
		return
	}
	n := 6 + int(s.P[3].Sub(s.P[0]).Len()/2)
	p := s.P[0]
	for k := 1; k <= n; k++ {
		q := s.P[3]
		if k < n {
			q = s.At(float64(k) / float64(n))
		}
		line(p, q)
		p = q
	}
}

// boundsOf returns the corners of a rectangle around a segment.
func boundsOf(s *fit.Segment) (lo, hi fit.Point) {
	lo, hi = s.P[0], s.P[0]
	for _, p := range s.P[1:] {
		lo = fit.Point{X: min(lo.X, p.X), Y: min(lo.Y, p.Y)}
		hi = fit.Point{X: max(hi.X, p.X), Y: max(hi.Y, p.Y)}
	}
	return lo, hi
}
