package proof

import (
	"fmt"
	"image"
	"math"
	"sort"

	"github.com/fogleman/gg"
	"gonum.org/v1/gonum/optimize"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// This file lays a drawing over a photograph of what it shows, so that proportions can be checked.

// Placement says where a drawing lies on a photograph: turned, then scaled, then moved.
type Placement struct {
	Scale float64 // px of the photograph to a unit of the drawing
	Turn  float64 // radians, positive clockwise on screen
	X, Y  float64 // px of the photograph at which the drawing's corner (0, 0) lies
}

// At returns where a point of the drawing lies on the photograph, px.
func (p Placement) At(q fit.Point) fit.Point {
	sin, cos := math.Sincos(p.Turn)
	return fit.Point{
		X: p.X + float64(p.Scale*(float64(cos*q.X)-float64(sin*q.Y))),
		Y: p.Y + float64(p.Scale*(float64(sin*q.X)+float64(cos*q.Y))),
	}
}

// back returns which point of the drawing lies at a point of the photograph.
func (p Placement) back(q fit.Point) fit.Point {
	sin, cos := math.Sincos(-p.Turn)
	x, y := (q.X-p.X)/p.Scale, (q.Y-p.Y)/p.Scale
	return fit.Point{X: float64(cos*x) - float64(sin*y), Y: float64(sin*x) + float64(cos*y)}
}

// PlaceByPoints returns the placement that takes two points of the drawing to two of the photograph. It returns an error
// where two of a pair coincide.
func PlaceByPoints(drawing, photo [2]fit.Point) (Placement, error) {
	a, b := drawing[1].Sub(drawing[0]), photo[1].Sub(photo[0])
	if a.Len() == 0 || b.Len() == 0 {
		return Placement{}, fmt.Errorf("proof: two points to place by are one")
	}
	p := Placement{Scale: b.Len() / a.Len(), Turn: math.Atan2(b.Y, b.X) - math.Atan2(a.Y, a.X)}
	p.Turn = math.Remainder(p.Turn, 2*math.Pi)
	o := p.At(drawing[0])
	p.X, p.Y = photo[0].X-o.X, photo[0].Y-o.Y
	return p, nil
}

// ReferenceFigures say how a drawing agrees with a reference photograph. Lengths are in per cent of the long side of the
// area that the drawing's outlines take up.
type ReferenceFigures struct {
	Scale float64 `json:"scale"` // of the placement, px of the photograph to a unit
	Turn  float64 `json:"turn"`  // degrees clockwise
	X     float64 `json:"x"`     // px
	Y     float64 `json:"y"`
	// Distance is how far the visible outlines lie from the photograph's next edge, on average; what lies further than
	// 10 counts as 10. Near is the share of them with an edge within 2, in [0,1].
	Distance float64 `json:"distance"`
	Near     float64 `json:"near"`
	// Wider is by how many per cent the drawing is wider for its height than what the photograph shows, negative where it
	// is narrower: what makes it agree best.
	Wider float64 `json:"wider"`
}

const (
	matchSide  = 384  // px of the long side at which photograph and drawing are matched
	matchEdges = 0.12 // share of the photograph's pixels that are taken for edges at most
	matchFar   = 0.10 // distances count up to this share of the drawing's extent
	matchNear  = 0.02
	mostTurn   = 0.35 // radians a placement may be turned; a photograph is expected upright
	// leastInside keeps placements from being good because they take in next to nothing of the photograph: so large a share
	// of its edges counts as far off everywhere.
	leastInside = 0.05
	mostPoints  = 1500 // of the outline and of the photograph's edges that are matched
)

// matcher holds the points to match. Photograph lengths are in px of the reduced photograph.
type matcher struct {
	scale   float64     // of the reduction
	edges   []fit.Point // of the photograph
	field   field       // distance to them
	outline []fit.Point // visible ones of the drawing, units
	drawn   field       // distance to them
	shrink  float64     // px of drawn to a unit
	extent  float64     // of the outline, units
	centre  fit.Point   // of the outline, units
}

// field is a map of distances, px.
type field struct {
	w, h int
	d    []float64
	x, y float64 // where its first pixel lies
}

// PlaceOver finds where a drawing lies best on a photograph of what it shows (R,G,B,A a pixel, w by h): the visible
// outlines on its edges, and its edges on the outlines, by distance (chamfer matching; H. G. Barrow et al., "Parametric
// correspondence and chamfer matching: two new techniques for image matching", 1977), from many starts. The subject
// should be upright and stand out from its ground; where it does not, place by points. It returns an error where either
// shows no edge.
func PlaceOver(d *trace.Drawing, pix []uint8, w, h int) (Placement, error) {
	m, err := newMatcher(d, pix, w, h)
	if err != nil {
		return Placement{}, err
	}
	spread := func(pts []fit.Point) (mean fit.Point, dev float64) {
		for _, p := range pts {
			mean = mean.Add(p)
		}
		mean = mean.Mul(1 / float64(len(pts)))
		for _, p := range pts {
			v := p.Sub(mean)
			dev += float64(v.X*v.X) + float64(v.Y*v.Y)
		}
		return mean, math.Sqrt(dev / float64(len(pts)))
	}
	at, photoDev := spread(m.edges)
	from, drawnDev := spread(m.outline)
	type start struct {
		p    Placement
		cost float64
	}
	var starts []start
	for _, grow := range []float64{0.3, 0.4, 0.5, 0.62, 0.75, 0.9, 1.05, 1.2, 1.4} {
		for i := -2.0; i <= 2; i++ {
			for j := -2.0; j <= 2; j++ {
				s := grow * photoDev / drawnDev
				step := 0.4 * photoDev
				p := Placement{Scale: s, X: at.X + i*step - s*from.X, Y: at.Y + j*step - s*from.Y}
				starts = append(starts, start{p, m.cost(p, 1)})
			}
		}
	}
	sort.SliceStable(starts, func(i, j int) bool { return starts[i].cost < starts[j].cost })
	best, least := Placement{}, math.Inf(1)
	const refined = 16
	for _, s := range starts[:refined] {
		p, _, cost := m.refine(s.p, false)
		if cost < least {
			best, least = p, cost
		}
	}
	if math.IsInf(least, 1) {
		return Placement{}, fmt.Errorf("proof: the drawing fits nowhere on the photograph")
	}
	best.Scale, best.X, best.Y = best.Scale/m.scale, best.X/m.scale, best.Y/m.scale
	return best, nil
}

// OverFigures measures how a drawing agrees with the photograph where it lies.
func OverFigures(d *trace.Drawing, pix []uint8, w, h int, p Placement) (ReferenceFigures, error) {
	m, err := newMatcher(d, pix, w, h)
	if err != nil {
		return ReferenceFigures{}, err
	}
	q := Placement{p.Scale * m.scale, p.Turn, p.X * m.scale, p.Y * m.scale}
	f := ReferenceFigures{Scale: short(p.Scale), Turn: short(p.Turn * 180 / math.Pi), X: short(p.X), Y: short(p.Y)}
	unit := q.Scale * m.extent / 100
	for _, o := range m.outline {
		v := m.field.at(q.At(o)) / unit
		f.Distance += min(v, 100*matchFar)
		if v <= 100*matchNear {
			f.Near++
		}
	}
	f.Distance, f.Near = short(f.Distance/float64(len(m.outline))), short(f.Near/float64(len(m.outline)))
	_, stretch, _ := m.refine(q, true)
	f.Wider = math.Round(10*100*(1/stretch-1)) / 10
	return f, nil
}

func newMatcher(d *trace.Drawing, pix []uint8, w, h int) (*matcher, error) {
	if w <= 0 || h <= 0 || len(pix) != 4*w*h {
		return nil, fmt.Errorf("proof: %d bytes of photograph for %d x %d px", len(pix), w, h)
	}
	if !(d.Width > 0 && d.Height > 0) {
		return nil, fmt.Errorf("proof: the drawing is %v x %v", d.Width, d.Height)
	}
	m := &matcher{}
	small, sw, sh := reduce(pix, w, h, matchSide)
	m.scale = float64(sw) / float64(w)
	m.edges = strongEdges(small, sw, sh)
	if len(m.edges) == 0 {
		return nil, fmt.Errorf("proof: the photograph shows no edge")
	}
	m.field = newField(m.edges, 0, 0, sw, sh)
	visibleOutlines(d, matchSide, func(pts []fit.Point) { m.outline = append(m.outline, pts...) })
	if len(m.outline) == 0 {
		return nil, fmt.Errorf("proof: the drawing shows no outline")
	}
	lo, hi := m.outline[0], m.outline[0]
	for _, p := range m.outline {
		lo = fit.Point{X: min(lo.X, p.X), Y: min(lo.Y, p.Y)}
		hi = fit.Point{X: max(hi.X, p.X), Y: max(hi.Y, p.Y)}
	}
	m.extent = max(max(hi.X-lo.X, hi.Y-lo.Y), 1e-9*d.Width)
	m.centre = lo.Add(hi).Mul(0.5)
	m.shrink = matchSide / 2 / m.extent
	var pts []fit.Point
	for _, p := range m.outline {
		pts = append(pts, p.Mul(m.shrink))
	}
	// room around, as far as distances count
	edge := matchFar * m.extent
	m.drawn = newField(pts, (lo.X-edge)*m.shrink, (lo.Y-edge)*m.shrink, int((hi.X-lo.X+2*edge)*m.shrink)+2, int((hi.Y-lo.Y+2*edge)*m.shrink)+2)
	m.edges, m.outline = thinned(m.edges), thinned(m.outline)
	return m, nil
}

// thinned takes evenly from a list what is needed to match.
func thinned(pts []fit.Point) []fit.Point {
	if len(pts) <= mostPoints {
		return pts
	}
	out := make([]fit.Point, mostPoints)
	for i := range out {
		out[i] = pts[i*len(pts)/mostPoints]
	}
	return out
}

// cost is the mean of the distances both ways, of the photograph's edges those that the drawing lies over, as a share of the drawing's extent, each up to matchFar. stretch widens
// the drawing about its centre.
func (m *matcher) cost(p Placement, stretch float64) float64 {
	wide := func(q fit.Point) fit.Point {
		return fit.Point{X: m.centre.X + float64((q.X-m.centre.X)*stretch), Y: q.Y}
	}
	narrow := func(q fit.Point) fit.Point { return fit.Point{X: m.centre.X + (q.X-m.centre.X)/stretch, Y: q.Y} }
	far := matchFar * m.extent // units
	sum := 0.0
	for _, o := range m.outline {
		sum += min(far, m.field.at(p.At(wide(o)))/p.Scale)
	}
	there := sum / float64(len(m.outline))
	// what the photograph shows beside the subject does not count
	back, n := far*leastInside*float64(len(m.edges)), leastInside*float64(len(m.edges))
	for _, e := range m.edges {
		q := narrow(p.back(e)).Mul(m.shrink)
		if x, y := q.X-m.drawn.x, q.Y-m.drawn.y; x >= 0 && y >= 0 && x < float64(m.drawn.w) && y < float64(m.drawn.h) {
			back += min(far, m.drawn.at(q)/m.shrink)
			n++
		}
	}
	return (there + back/n) / (2 * m.extent)
}

// refine finds the best placement near p, stretched if that is asked for.
func (m *matcher) refine(p Placement, stretched bool) (Placement, float64, float64) {
	size := p.Scale * m.extent
	of := func(x []float64) (Placement, float64) {
		q := Placement{Scale: p.Scale * math.Exp(0.1*x[0]), Turn: p.Turn + 0.1*x[3]}
		c := p.At(m.centre) // the centre is moved, so that scale and turn do not move the drawing
		q.X, q.Y = 0, 0
		o := q.At(m.centre)
		q.X, q.Y = c.X+float64(0.05*size*x[1])-o.X, c.Y+float64(0.05*size*x[2])-o.Y
		stretch := 1.0
		if len(x) > 4 {
			stretch = math.Exp(0.1 * x[4])
		}
		return q, stretch
	}
	n := 4
	if stretched {
		n = 5
	}
	problem := optimize.Problem{Func: func(x []float64) float64 {
		q, stretch := of(x)
		over := max(0, math.Abs(q.Turn)-max(mostTurn, math.Abs(p.Turn)))
		return m.cost(q, stretch) + over
	}}
	r, err := optimize.Minimize(problem, make([]float64, n), &optimize.Settings{FuncEvaluations: 400},
		&optimize.NelderMead{SimplexSize: 0.6})
	if r == nil || err != nil && len(r.X) != n {
		return p, 1, m.cost(p, 1)
	}
	q, stretch := of(r.X)
	return q, stretch, r.F
}

// at interpolates the distance at p linearly; outside it grows by the way there.
func (f *field) at(p fit.Point) float64 {
	x, y := p.X-f.x-0.5, p.Y-f.y-0.5
	cx, cy := max(0, min(x, float64(f.w-1))), max(0, min(y, float64(f.h-1)))
	i, j := min(int(cx), max(0, f.w-2)), min(int(cy), max(0, f.h-2))
	u, v := cx-float64(i), cy-float64(j)
	i1, j1 := min(i+1, f.w-1), min(j+1, f.h-1)
	a := float64(f.d[j*f.w+i]*(1-u)) + float64(f.d[j*f.w+i1]*u)
	b := float64(f.d[j1*f.w+i]*(1-u)) + float64(f.d[j1*f.w+i1]*u)
	return float64(a*(1-v)) + float64(b*v) + math.Hypot(x-cx, y-cy)
}

// newField returns the distances to the points by a chamfer of 1 and √2 in two passes (G. Borgefors, "Distance
// transformations in digital images", 1986); they come out up to 8 per cent too long.
func newField(pts []fit.Point, x, y float64, w, h int) field {
	f := field{w: w, h: h, d: make([]float64, w*h), x: x, y: y}
	for i := range f.d {
		f.d[i] = float64(w + h)
	}
	for _, p := range pts {
		i, j := int(math.Floor(p.X-x)), int(math.Floor(p.Y-y))
		if i >= 0 && j >= 0 && i < w && j < h {
			f.d[j*w+i] = 0
		}
	}
	relax := func(i, j, di, dj int, step float64) {
		if i+di >= 0 && i+di < w && j+dj >= 0 && j+dj < h {
			f.d[j*w+i] = min(f.d[j*w+i], f.d[(j+dj)*w+i+di]+step)
		}
	}
	for j := range h {
		for i := range w {
			relax(i, j, -1, 0, 1)
			relax(i, j, 0, -1, 1)
			relax(i, j, -1, -1, math.Sqrt2)
			relax(i, j, 1, -1, math.Sqrt2)
		}
	}
	for j := h - 1; j >= 0; j-- {
		for i := w - 1; i >= 0; i-- {
			relax(i, j, 1, 0, 1)
			relax(i, j, 0, 1, 1)
			relax(i, j, 1, 1, math.Sqrt2)
			relax(i, j, -1, 1, math.Sqrt2)
		}
	}
	return f
}

// reduce averages a picture down to a long side of about side px; a smaller one is kept.
func reduce(pix []uint8, w, h, side int) (out []uint8, ow, oh int) {
	n := max(1, (max(w, h)+side-1)/side)
	ow, oh = max(1, w/n), max(1, h/n)
	out = make([]uint8, 4*ow*oh)
	for y := range oh {
		for x := range ow {
			var sum [3]int
			for j := range min(n, h) {
				row := pix[4*((y*n+j)*w+x*n):]
				for i := range min(n, w) {
					for c := range sum {
						sum[c] += int(row[4*i+c])
					}
				}
			}
			q := out[4*(y*ow+x):]
			for c, v := range sum {
				q[c] = uint8(v / (min(n, h) * min(n, w)))
			}
			q[3] = 255
		}
	}
	return out, ow, oh
}

// strongEdges returns the middles of the pixels that the strongest edges run through.
func strongEdges(pix []uint8, w, h int) []fit.Point {
	s := slopes(pix, w, h, nil)
	var count [256]int
	for _, v := range s {
		count[v]++
	}
	least, n := 255, 0
	for ; float64(least) > leastSlope*slopeScale; least-- {
		if n += count[least]; float64(n) > matchEdges*float64(len(s)) {
			break
		}
	}
	var out []fit.Point
	for i, v := range s {
		if int(v) >= least && v > 0 {
			out = append(out, fit.Point{X: float64(i%w) + 0.5, Y: float64(i/w) + 0.5})
		}
	}
	return out
}

// visibleOutlines calls f for each stretch of the outlines that is not under a higher layer, in units, as points about
// one pixel apart in a rendering of so many px on the long side.
func visibleOutlines(d *trace.Drawing, side float64, f func([]fit.Point)) {
	k := side / max(d.Width, d.Height)
	w, h := max(1, int(math.Ceil(d.Width*k))), max(1, int(math.Ceil(d.Height*k)))
	r := newPainter(w, h, k, k, true)
	r.drawing(d)
	p := &pair{w: w, h: h, sx: k, sy: k, top: r.top}
	const tol, beside = 0.05, 0.8 // px
	var pts, run []fit.Point
	for i, l := range d.Layers {
		for _, s := range l.Shapes {
			for _, ring := range s.Rings {
				if pts = flatten(pts[:0], ring, k, k, tol); len(pts) < 2 {
					continue
				}
				pts = append(pts, pts[0])
				run = run[:0]
				end := func() {
					if len(run) > 1 {
						f(run)
					}
					run = run[:0]
				}
				for j := range pts[1:] {
					a, b := pts[j], pts[j+1]
					v := b.Sub(a)
					n := max(1, int(math.Ceil(v.Len())))
					across := v.Unit().Perp().Mul(beside)
					for t := range n + 1 {
						q := a.Lerp(b, float64(t)/float64(n))
						if p.above(q.Add(across), i) && p.above(q.Sub(across), i) {
							end()
							continue
						}
						run = append(run, q.Mul(1/k))
					}
				}
				end()
			}
		}
	}
}

// Measures of the sheet over a reference, px.
const (
	gridParts  = 8 // into which the grid parts the long side
	haloWidth  = 4.0
	overWidth  = 1.6
	paleGround = 0.25 // share of white laid over the photograph
)

// ReferenceSheet draws the photograph with the drawing's visible outlines over it and, beside it, the drawing in the same
// place, both under one grid, with the figures f, which OverFigures gave for the same arguments.
//
// ReferenceSheet panics if the length of pix is not 4*w*h.
func ReferenceSheet(d *trace.Drawing, pix []uint8, w, h int, p Placement, f ReferenceFigures) *image.RGBA {
	if len(pix) != 4*w*h {
		panic("proof: the length of pix is not 4*w*h")
	}
	scale := min(panelSide/float64(w), panelSide/float64(h))
	iw, ih := max(1, int(float64(w)*scale+0.5)), max(1, int(float64(h)*scale+0.5))
	bw := max(iw, leastWide)
	head := margin + 66
	img := image.NewRGBA(image.Rect(0, 0, 2*margin+2*bw+gutter, head+caption+ih+margin))
	s := sheet{dc: gg.NewContextForRGBA(img), img: img}
	s.dc.SetColor(sheetPaper)
	s.dc.Clear()
	title := d.Meta.Title
	if !writable(title) {
		title = "Proof"
	}
	if r := []rune(title); len(r) > 48 {
		title = string(r[:47]) + "…"
	}
	x := s.text(boldFont(), titleSize, sheetInk, title, margin, margin+18, 0)
	s.text(plainFont(), wordSize, sheetPale, fmt.Sprintf("over a photograph of %d × %d px", w, h), x+18, margin+18, 0)
	s.text(plainFont(), smallSize+1, sheetInk, f.line(), margin, margin+46, 0)
	at := func(in image.Rectangle, q fit.Point) (x, y float64) {
		r := p.At(q)
		return float64(in.Min.X) + float64(r.X*scale), float64(in.Min.Y) + float64(r.Y*scale)
	}
	for i := range 2 {
		left := margin + i*(bw+gutter)
		in := image.Rect(0, 0, iw, ih).Add(image.Pt(left+(bw-iw)/2, head+caption))
		c := image.Rect(left, head, left+bw, head+caption)
		s.dc.DrawRectangle(float64(in.Min.X), float64(in.Min.Y), float64(iw), float64(ih))
		s.dc.Clip()
		if i == 0 {
			s.caption(c, "outline over the reference", "")
			s.show(in, &image.RGBA{Pix: pix, Stride: 4 * w, Rect: image.Rect(0, 0, w, h)})
			s.dc.SetRGBA(1, 1, 1, paleGround)
			s.dc.DrawRectangle(float64(in.Min.X), float64(in.Min.Y), float64(iw), float64(ih))
			s.dc.Fill()
			for _, halo := range []bool{true, false} {
				s.dc.SetColor(panelGround)
				s.dc.SetLineWidth(haloWidth)
				if !halo {
					s.dc.SetColor(knotInk)
					s.dc.SetLineWidth(overWidth)
				}
				visibleOutlines(d, max(longSide(p, d, scale), matchSide), func(pts []fit.Point) {
					for j, q := range pts {
						x, y := at(in, q)
						if j == 0 {
							s.dc.MoveTo(x, y)
						} else {
							s.dc.LineTo(x, y)
						}
					}
					s.dc.Stroke()
				})
			}
		} else {
			s.caption(c, "drawing at the same scale and place", "")
			s.dc.SetColor(panelGround)
			s.dc.DrawRectangle(float64(in.Min.X), float64(in.Min.Y), float64(iw), float64(ih))
			s.dc.Fill()
			s.filled(d, func(q fit.Point) (x, y float64) { return at(in, q) })
		}
		s.grid(in)
		s.dc.ResetClip()
		s.dc.SetColor(sheetLine)
		s.dc.SetLineWidth(1)
		s.dc.DrawRectangle(float64(in.Min.X)-0.5, float64(in.Min.Y)-0.5, float64(iw)+1, float64(ih)+1)
		s.dc.Stroke()
	}
	return img
}

// longSide is how many px of the panel the long side of the drawing takes, within what is sensible.
func longSide(p Placement, d *trace.Drawing, scale float64) float64 {
	return min(2*panelSide, p.Scale*scale*max(d.Width, d.Height))
}

// filled paints a drawing, its points put in place by at.
func (s *sheet) filled(d *trace.Drawing, at func(fit.Point) (x, y float64)) {
	s.dc.SetFillRule(gg.FillRuleEvenOdd)
	for _, l := range d.Layers {
		s.dc.SetColor(rgba(l.Colour))
		for _, sh := range l.Shapes {
			for _, r := range sh.Rings {
				for j, g := range r.Segments {
					x0, y0 := at(g.P[0])
					if j == 0 {
						s.dc.MoveTo(x0, y0)
					}
					x3, y3 := at(g.P[3])
					if g.Line {
						s.dc.LineTo(x3, y3)
						continue
					}
					x1, y1 := at(g.P[1])
					x2, y2 := at(g.P[2])
					s.dc.CubicTo(x1, y1, x2, y2, x3, y3)
				}
				s.dc.ClosePath()
			}
			s.dc.Fill()
		}
	}
}

// grid lays a faint grid of squares over a panel.
func (s *sheet) grid(in image.Rectangle) {
	step := float64(max(in.Dx(), in.Dy())) / gridParts
	s.dc.SetColor(rgba(colour.RGB{R: outlineInk.R, G: outlineInk.G, B: outlineInk.B}))
	s.dc.SetLineWidth(0.5)
	for v := step; v < float64(in.Dx()); v += step {
		s.dc.DrawLine(float64(in.Min.X)+v, float64(in.Min.Y), float64(in.Min.X)+v, float64(in.Max.Y))
	}
	for v := step; v < float64(in.Dy()); v += step {
		s.dc.DrawLine(float64(in.Min.X), float64(in.Min.Y)+v, float64(in.Max.X), float64(in.Min.Y)+v)
	}
	s.dc.Stroke()
}

// line is the figures in one line.
func (f ReferenceFigures) line() string {
	shape := "as wide for its height as in the photograph"
	switch {
	case f.Wider > 0:
		shape = fmt.Sprintf("%.1f %% wider for its height than in the photograph", f.Wider)
	case f.Wider < 0:
		shape = fmt.Sprintf("%.1f %% narrower for its height than in the photograph", -f.Wider)
	}
	return fmt.Sprintf("%s     outlines off the next edge by %.1f %% of the size on average, %.0f %% within %g %%", shape, f.Distance, 100*f.Near, 100*matchNear)
}

// Text is the figures for people.
func (f ReferenceFigures) Text() string {
	return fmt.Sprintf("placed at  %.4g px a unit, turned %.1f degrees, corner at %.1f,%.1f\nproportion %s\n", f.Scale, f.Turn, f.X, f.Y, f.line())
}
