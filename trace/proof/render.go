package proof

import (
	"image"
	"image/color"
	"image/draw"
	"math"

	"golang.org/x/image/vector"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// flatness is how far, in pixels of the rendering, a chord may be from its curve: a hundredth of a pixel of area at
// the very most, under half an 8-bit level of coverage.
const flatness = 0.01

// Render paints d, scale pixels to a unit of the drawing, on ground; nil leaves what no shape covers transparent. The
// picture is ceil(Width*scale) by ceil(Height*scale) pixels, at least 1 by 1.
//
// Each shape is painted by itself, bottom to top, with exact area coverage and 8 bits of it, in sRGB values, as
// browsers do. Both fill rules paint a shape as package trace promises it alike, so either serves; a shape that
// breaks the promise is painted by the non-zero rule, except in pixels that areas of opposite turn share.
func Render(d *trace.Drawing, scale float64, ground color.Color) *image.RGBA {
	w := max(1, int(math.Ceil(d.Width*scale)))
	h := max(1, int(math.Ceil(d.Height*scale)))
	p := newPainter(w, h, scale, scale, false)
	if ground != nil {
		p.fill(ground)
	}
	p.drawing(d)
	return p.img
}

// painter renders shapes into a picture.
type painter struct {
	img    *image.RGBA
	sx, sy float64
	// top holds for each pixel one more than the index of the topmost layer that covers at least half of it, 0 for
	// none; nil when nobody asks.
	top []uint16

	rast vector.Rasterizer
	mask []uint8
	pts  []fit.Point
	ends []int
}

func newPainter(w, h int, sx, sy float64, top bool) *painter {
	p := &painter{img: image.NewRGBA(image.Rect(0, 0, w, h)), sx: sx, sy: sy}
	if top {
		p.top = make([]uint16, w*h)
	}
	return p
}

// fill paints everything with c.
func (p *painter) fill(c color.Color) {
	q := color.RGBAModel.Convert(c).(color.RGBA)
	pix := p.img.Pix
	for i := 0; i+3 < len(pix); i += 4 {
		pix[i], pix[i+1], pix[i+2], pix[i+3] = q.R, q.G, q.B, q.A
	}
}

func (p *painter) drawing(d *trace.Drawing) {
	for i, l := range d.Layers {
		for _, s := range l.Shapes {
			p.shape(s, l.Colour, uint16(min(i+1, math.MaxUint16)))
		}
	}
}

// shape paints s with c and marks the pixels it covers as those of the layer.
func (p *painter) shape(s trace.Shape, c colour.RGB, layer uint16) {
	p.pts, p.ends = p.pts[:0], p.ends[:0]
	for _, r := range s.Rings {
		p.pts = flatten(p.pts, r, p.sx, p.sy, flatness)
		p.ends = append(p.ends, len(p.pts))
	}
	lo, hi := fit.Point{X: math.Inf(1), Y: math.Inf(1)}, fit.Point{X: math.Inf(-1), Y: math.Inf(-1)}
	for _, q := range p.pts {
		lo.X, lo.Y = min(lo.X, q.X), min(lo.Y, q.Y)
		hi.X, hi.Y = max(hi.X, q.X), max(hi.Y, q.Y)
	}
	w, h := p.img.Rect.Dx(), p.img.Rect.Dy()
	x0, y0 := int(math.Floor(max(lo.X, 0))), int(math.Floor(max(lo.Y, 0)))
	x1, y1 := int(math.Ceil(min(hi.X, float64(w)))), int(math.Ceil(min(hi.Y, float64(h))))
	if x0 >= x1 || y0 >= y1 {
		return
	}
	bw, bh := x1-x0, y1-y0
	p.rast.Reset(bw, bh)
	from := 0
	for _, end := range p.ends {
		for i, q := range p.pts[from:end] {
			x, y := float32(q.X-float64(x0)), float32(q.Y-float64(y0))
			if i == 0 {
				p.rast.MoveTo(x, y)
			} else {
				p.rast.LineTo(x, y)
			}
		}
		if end > from {
			p.rast.ClosePath()
		}
		from = end
	}
	if cap(p.mask) < bw*bh {
		p.mask = make([]uint8, bw*bh)
	}
	m := image.Alpha{Pix: p.mask[:bw*bh], Stride: bw, Rect: image.Rect(0, 0, bw, bh)}
	p.rast.DrawOp = draw.Src // all of the mask is written
	p.rast.Draw(&m, m.Rect, image.Opaque, image.Point{})
	for y := range bh {
		row := m.Pix[y*bw : (y+1)*bw]
		at := (y0+y)*w + x0
		blend(p.img.Pix[4*at:4*(at+bw)], row, c)
		if p.top != nil {
			for i, a := range row {
				if a >= 128 {
					p.top[at+i] = layer
				}
			}
		}
	}
}

// blend lays c over a row of premultiplied pixels, as much of it as mask says. It needs len(dst) == 4*len(mask).
func blend(dst, mask []uint8, c colour.RGB) {
	r, g, b := uint32(c.R), uint32(c.G), uint32(c.B)
	for i, m := range mask {
		if m == 0 {
			continue
		}
		a := uint32(m)
		n := 255 - a
		q := dst[4*i : 4*i+4 : 4*i+4]
		q[0] = uint8((r*a + uint32(q[0])*n + 127) / 255)
		q[1] = uint8((g*a + uint32(q[1])*n + 127) / 255)
		q[2] = uint8((b*a + uint32(q[2])*n + 127) / 255)
		q[3] = uint8((255*a + uint32(q[3])*n + 127) / 255)
	}
}

// flatten appends points along p, scaled by sx and sy, whose chords are nowhere more than tol from the curve. The
// number of chords is G. Wang's bound ("The subdivision method for finding the intersection between two Bézier curves
// or surfaces", 1984): sqrt(n(n-1)/8 · M/tol) with M the largest second difference of the control points.
func flatten(dst []fit.Point, p fit.Path, sx, sy, tol float64) []fit.Point {
	scale := func(q fit.Point) fit.Point { return fit.Point{X: q.X * sx, Y: q.Y * sy} }
	for _, s := range p.Segments {
		t := fit.Segment{P: [4]fit.Point{scale(s.P[0]), scale(s.P[1]), scale(s.P[2]), scale(s.P[3])}}
		dst = append(dst, t.P[0])
		if s.Line {
			continue
		}
		m := max(t.P[0].Sub(t.P[1].Mul(2)).Add(t.P[2]).Len(), t.P[1].Sub(t.P[2].Mul(2)).Add(t.P[3]).Len())
		n := int(math.Ceil(math.Sqrt(6.0 / 8 * m / tol)))
		for i := 1; i < n; i++ {
			dst = append(dst, t.At(float64(i)/float64(n)))
		}
	}
	return dst
}
