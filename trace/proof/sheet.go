package proof

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"math"
	"sync"

	"github.com/fogleman/gg"
	"golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/font/sfnt"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// Measures of the sheet, px.
const (
	panelSide  = 820 // longer side of a panel
	leastWide  = 420 // a panel is no narrower: its caption needs the room
	leastHigh  = 120
	margin     = 40
	gutter     = 32
	caption    = 34 // above each panel
	titleSize  = 24
	wordSize   = 17
	smallSize  = 13
	swatchSide = 22
	swatchWide = 250 // a swatch with its words
	swatchHigh = 40
)

// Colours of the sheet. Choice of ours: warm greys, so that nothing beside the panels has a colour.
var (
	sheetPaper  = color.RGBA{0xf3, 0xf0, 0xea, 0xff}
	sheetInk    = color.RGBA{0x2b, 0x29, 0x26, 0xff}
	sheetPale   = color.RGBA{0x80, 0x7a, 0x70, 0xff}
	sheetLine   = color.RGBA{0xcf, 0xc8, 0xbb, 0xff}
	outlineInk  = color.RGBA{0x2f, 0x3e, 0x52, 0xff}
	handleInk   = color.RGBA{0x2c, 0x9c, 0x8a, 0xff}
	knotInk     = color.RGBA{0xc8, 0x40, 0x30, 0xff}
	ringInk     = color.RGBA{0x1f, 0x5f, 0xa8, 0xff}
	panelGround = color.RGBA{0xff, 0xff, 0xff, 0xff}
)

// heat gives the colour of a difference: none below the first, then from one to the next.
var heat = []struct {
	difference float64
	c          color.NRGBA
}{
	{1.5, color.NRGBA{0xff, 0xf6, 0xd8, 0}},
	{4, color.NRGBA{0xf8, 0xd0, 0x6a, 0xff}},
	{10, color.NRGBA{0xee, 0x86, 0x36, 0xff}},
	{20, color.NRGBA{0xc4, 0x2b, 0x2b, 0xff}},
	{40, color.NRGBA{0x57, 0x16, 0x44, 0xff}},
}

// Sheet draws one picture of four panels: the original, the drawing, its points with their handles, and the
// difference of the first two; above them the figures f, which Compare gave for the same arguments, below them the
// swatches. In the panel of points a full square is a corner, a hollow one a smooth join, a dot a handle's end. In the
// panel of the difference a ring marks the worst deviation; dashed rings mark where edges are most missed and an edge
// that the picture does not have.
//
// Sheet panics if the length of pix is not 4*w*h.
func Sheet(d *trace.Drawing, pix []uint8, w, h int, f Figures) *image.RGBA {
	if len(pix) != 4*w*h {
		panic("proof: the length of pix is not 4*w*h")
	}
	scale := min(panelSide/float64(w), panelSide/float64(h))
	iw, ih := max(1, int(float64(w)*scale+0.5)), max(1, int(float64(h)*scale+0.5))
	bw, bh := max(iw, leastWide), max(ih, leastHigh)
	wide := 2*margin + 2*bw + gutter
	perRow := max(1, (wide-2*margin)/swatchWide)
	swatchRows := (len(d.Layers) + perRow - 1) / perRow
	head := margin + 66
	foot := head + 2*(caption+bh) + gutter
	high := foot + 24 + swatchRows*swatchHigh + margin - 16

	img := image.NewRGBA(image.Rect(0, 0, wide, high))
	s := sheet{dc: gg.NewContextForRGBA(img), img: img}
	s.dc.SetColor(sheetPaper)
	s.dc.Clear()
	s.heading(d, f)

	p := layOn(d, pix, w, h)
	for i := range 4 {
		x := margin + i%2*(bw+gutter)
		y := head + i/2*(caption+bh+gutter) + caption
		in := image.Rect(0, 0, iw, ih).Add(image.Pt(x+(bw-iw)/2, y+(bh-ih)/2))
		s.dc.SetColor(panelGround)
		s.dc.DrawRectangle(float64(x), float64(y), float64(bw), float64(bh))
		s.dc.Fill()
		c := image.Rect(x, y-caption, x+bw, y)
		switch i {
		case 0:
			s.original(c, in, p)
		case 1:
			s.drawing(c, in, p, d, f)
		case 2:
			s.points(c, in, p, d, f)
		case 3:
			s.difference(c, in, p, f)
		}
		s.dc.SetColor(sheetLine)
		s.dc.SetLineWidth(1)
		s.dc.DrawRectangle(float64(x)-0.5, float64(y)-0.5, float64(bw)+1, float64(bh)+1)
		s.dc.Stroke()
	}
	for i, l := range f.Layers {
		s.swatch(d.Layers[i].Colour, l, margin+i%perRow*swatchWide, foot+24+i/perRow*swatchHigh)
	}
	return img
}

// sheet is a sheet being drawn.
type sheet struct {
	dc  *gg.Context
	img *image.RGBA
}

// Fonts of the Go project (golang.org/x/image/font/gofont), which are part of the program.
var (
	plainFont = sync.OnceValue(func() *sfnt.Font { return mustFont(goregular.TTF) })
	boldFont  = sync.OnceValue(func() *sfnt.Font { return mustFont(gobold.TTF) })
)

func mustFont(ttf []byte) *sfnt.Font {
	f, err := opentype.Parse(bytes.Clone(ttf))
	if err != nil {
		panic(err)
	}
	return f
}

// text writes t and returns where it ends. ax is the share of its width that lies left of x.
func (s *sheet) text(f *sfnt.Font, size float64, c color.Color, t string, x, y, ax float64) float64 {
	face, err := opentype.NewFace(f, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		panic(err) // a font of our own at a size of our own
	}
	defer face.Close()
	s.dc.SetFontFace(face)
	s.dc.SetColor(c)
	width, _ := s.dc.MeasureString(t)
	x -= float64(ax * width)
	s.dc.DrawString(t, x, y)
	return x + width
}

// writable reports whether the fonts have every character of t.
func writable(t string) bool {
	var b sfnt.Buffer
	for _, r := range t {
		if i, err := boldFont().GlyphIndex(&b, r); err != nil || i == 0 {
			return false
		}
	}
	return t != ""
}

func (s *sheet) heading(d *trace.Drawing, f Figures) {
	title := d.Meta.Title
	if !writable(title) {
		title = "Proof"
	}
	if r := []rune(title); len(r) > 48 {
		title = string(r[:47]) + "…"
	}
	x := s.text(boldFont(), titleSize, sheetInk, title, margin, margin+18, 0)
	s.text(plainFont(), wordSize, sheetPale, fmt.Sprintf("%d × %d px", f.Width, f.Height), x+18, margin+18, 0)
	words := fmt.Sprintf("coverage %.2f %%     colour difference %.2f on average     ", 100*f.Coverage, f.Colour.Mean)
	if f.Deviation.Measured > 0 {
		words += fmt.Sprintf("deviation %.3f px on average, 95 of 100 within %.2f px, worst %.2f px     ", f.Deviation.Mean, f.Deviation.P95, f.Deviation.Worst)
	}
	words += fmt.Sprintf("edges missed %.2f %%", 100*f.Missed.Share)
	s.text(plainFont(), smallSize+1, sheetInk, words, margin, margin+46, 0)
}

// caption writes a word and a remark over a panel.
func (s *sheet) caption(c image.Rectangle, word, remark string) float64 {
	y := float64(c.Max.Y) - 10
	x := s.text(boldFont(), wordSize, sheetInk, word, float64(c.Min.X), y, 0)
	return s.text(plainFont(), smallSize, sheetPale, remark, x+12, y, 0)
}

// show scales src into the panel, smoothly unless its pixels are meant to be seen.
func (s *sheet) show(in image.Rectangle, src *image.RGBA) {
	var q draw.Scaler = draw.CatmullRom
	if in.Dx() >= 4*src.Rect.Dx() {
		q = draw.NearestNeighbor
	}
	q.Scale(s.img, in, src, src.Rect, draw.Over, nil)
}

func (s *sheet) original(c, in image.Rectangle, p *pair) {
	s.caption(c, "original", "")
	s.show(in, &image.RGBA{Pix: p.pix, Stride: 4 * p.w, Rect: image.Rect(0, 0, p.w, p.h)})
}

// render paints d into the panel, each colour passed through tint.
func (s *sheet) render(in image.Rectangle, p *pair, d *trace.Drawing, ground colour.RGB, tint func(colour.RGB) colour.RGB) {
	k := float64(in.Dx()) / float64(p.w)
	r := newPainter(in.Dx(), in.Dy(), p.sx*k, p.sy*k, false)
	r.fill(rgba(tint(ground)))
	t := *d
	t.Layers = append([]trace.Layer(nil), d.Layers...)
	for i := range t.Layers {
		t.Layers[i].Colour = tint(t.Layers[i].Colour)
	}
	r.drawing(&t)
	draw.Draw(s.img, in, r.img, image.Point{}, draw.Src)
}

func (s *sheet) drawing(c, in image.Rectangle, p *pair, d *trace.Drawing, f Figures) {
	s.caption(c, "drawing", fmt.Sprintf("%s, %s", count(len(f.Layers), "layer"), count(f.Shapes, "shape")))
	s.render(in, p, d, p.ground, func(c colour.RGB) colour.RGB { return c })
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// points draws the outlines over a pale drawing.
func (s *sheet) points(c, in image.Rectangle, p *pair, d *trace.Drawing, f Figures) {
	x := s.caption(c, "points", count(f.Segments, "segment")) + 20
	y := float64(c.Max.Y) - 14
	s.knot(x, y, 7, true)
	x = s.text(plainFont(), smallSize, sheetPale, "corner", x+9, y+4, 0) + 18
	s.knot(x, y, 7, false)
	x = s.text(plainFont(), smallSize, sheetPale, "smooth", x+9, y+4, 0) + 14
	s.handle(x, y, x+14, y, 2.2)
	s.text(plainFont(), smallSize, sheetPale, "handle", x+22, y+4, 0)

	s.render(in, p, d, colour.RGB{R: 255, G: 255, B: 255}, func(c colour.RGB) colour.RGB {
		pale := func(v uint8) uint8 { return uint8(255 - (255-int(v))*28/100) }
		return colour.RGB{R: pale(c.R), G: pale(c.G), B: pale(c.B)}
	})

	k := float64(in.Dx()) / float64(p.w)
	at := func(q fit.Point) (x, y float64) {
		return float64(in.Min.X) + float64(q.X*p.sx*k), float64(in.Min.Y) + float64(q.Y*p.sy*k)
	}
	// Where points crowd, everything is drawn finer: with a mean room of 20 px a segment or more it has its full size.
	room := math.Sqrt(float64(in.Dx()*in.Dy()) / float64(max(1, f.Segments)))
	size := min(1, max(0.35, room/20))
	s.dc.DrawRectangle(float64(in.Min.X), float64(in.Min.Y), float64(in.Dx()), float64(in.Dy()))
	s.dc.Clip()
	each := func(g func(r fit.Path)) {
		for _, l := range d.Layers {
			for _, sh := range l.Shapes {
				for _, r := range sh.Rings {
					g(r)
				}
			}
		}
	}
	s.dc.SetColor(outlineInk)
	s.dc.SetLineWidth(0.8 + 0.5*size)
	each(func(r fit.Path) {
		for i, g := range r.Segments {
			x0, y0 := at(g.P[0])
			x3, y3 := at(g.P[3])
			if i == 0 {
				s.dc.MoveTo(x0, y0)
			}
			if g.Line {
				s.dc.LineTo(x3, y3)
				continue
			}
			x1, y1 := at(g.P[1])
			x2, y2 := at(g.P[2])
			s.dc.CubicTo(x1, y1, x2, y2, x3, y3)
		}
		s.dc.ClosePath()
		s.dc.Stroke()
	})
	each(func(r fit.Path) {
		for _, g := range r.Segments {
			if g.Line {
				continue
			}
			for i := range 2 {
				x0, y0 := at(g.P[3*i])
				x1, y1 := at(g.P[1+i])
				s.handle(x0, y0, x1, y1, 2*size)
			}
		}
	})
	each(func(r fit.Path) {
		for i, g := range r.Segments {
			x0, y0 := at(g.P[0])
			s.knot(x0, y0, 6.5*size, corner(r.Segments[(i+len(r.Segments)-1)%len(r.Segments)], g))
		}
	})
	s.dc.ResetClip()
}

// corner reports whether a turns by more than 5° into b. Between smooth curves nobody sees so much.
func corner(a, b fit.Segment) bool {
	const sine = 0.0872
	u, v := a.Deriv(1), b.Deriv(0)
	if u.Len() == 0 {
		u = a.P[3].Sub(a.P[1])
	}
	if v.Len() == 0 {
		v = b.P[2].Sub(b.P[0])
	}
	return u.Dot(v) <= 0 || math.Abs(u.Cross(v)) > sine*float64(u.Len()*v.Len())
}

// knot draws a square of the given side around (x, y).
func (s *sheet) knot(x, y, side float64, full bool) {
	s.dc.DrawRectangle(x-side/2, y-side/2, side, side)
	if full {
		s.dc.SetColor(knotInk)
		s.dc.Fill()
		return
	}
	s.dc.SetColor(color.White)
	s.dc.FillPreserve()
	s.dc.SetColor(knotInk)
	s.dc.SetLineWidth(max(0.7, side/6))
	s.dc.Stroke()
}

// handle draws a handle from its knot to its end.
func (s *sheet) handle(x0, y0, x1, y1, radius float64) {
	s.dc.SetColor(handleInk)
	s.dc.SetLineWidth(max(0.5, radius*0.45))
	s.dc.DrawLine(x0, y0, x1, y1)
	s.dc.Stroke()
	s.dc.DrawCircle(x1, y1, radius)
	s.dc.Fill()
}

// heatOf returns the colour that a difference is shown in, not premultiplied.
func heatOf(e float64) color.NRGBA {
	for i, b := range heat {
		if e >= b.difference {
			continue
		}
		if i == 0 {
			return color.NRGBA{}
		}
		a := heat[i-1]
		t := (e - a.difference) / (b.difference - a.difference)
		mix := func(u, v uint8) uint8 { return uint8(float64(u) + float64(t*(float64(v)-float64(u))) + 0.5) }
		return color.NRGBA{mix(a.c.R, b.c.R), mix(a.c.G, b.c.G), mix(a.c.B, b.c.B), mix(a.c.A, b.c.A)}
	}
	return heat[len(heat)-1].c
}

// difference shows the worst colour difference in each pixel of the panel over a faded picture.
func (s *sheet) difference(c, in image.Rectangle, p *pair, f Figures) {
	x := s.caption(c, "difference", "") + 8
	y := float64(c.Max.Y) - 20
	const bar = 140
	x = s.text(plainFont(), smallSize, sheetPale, "0", x, y+10, 0) + 6
	for i := range bar {
		q := heatOf(40 * float64(i) / bar)
		s.dc.SetColor(q)
		s.dc.DrawRectangle(x+float64(i), y, 1, 11)
		s.dc.Fill()
	}
	s.dc.SetColor(sheetLine)
	s.dc.SetLineWidth(1)
	s.dc.DrawRectangle(x-0.5, y-0.5, bar+1, 12)
	s.dc.Stroke()
	x = s.text(plainFont(), smallSize, sheetPale, "40 and more", x+bar+6, y+10, 0)
	s.text(plainFont(), smallSize, sheetPale, fmt.Sprintf("worst %.1f", f.Colour.Worst), x+16, y+10, 0)

	iw, ih := in.Dx(), in.Dy()
	rows(ih, func(y0, y1 int) {
		m := new(meter)
		for y := y0; y < y1; y++ {
			sy0 := y * p.h / ih
			sy1 := max(sy0+1, (y+1)*p.h/ih)
			for x := range iw {
				sx0 := x * p.w / iw
				sx1 := max(sx0+1, (x+1)*p.w/iw)
				worst, grey := 0.0, 0
				for v := sy0; v < sy1; v++ {
					for u := sx0; u < sx1; u++ {
						i := 4 * (v*p.w + u)
						worst = max(worst, m.difference(p.pix[i:i+3], p.drawn[i:i+3]))
						grey += 2*int(p.pix[i]) + 5*int(p.pix[i+1]) + int(p.pix[i+2])
					}
				}
				base := 255 - (255-grey/(8*(sy1-sy0)*(sx1-sx0)))*18/100
				q := heatOf(worst)
				o := s.img.Pix[s.img.PixOffset(in.Min.X+x, in.Min.Y+y):]
				for k, v := range [3]uint8{q.R, q.G, q.B} {
					o[k] = uint8((int(v)*int(q.A) + base*(255-int(q.A)) + 127) / 255)
				}
			}
		}
	})

	k := float64(iw) / float64(p.w)
	ring := func(at Place, dash bool, words string) {
		x, y := float64(in.Min.X)+float64(at.X*k), float64(in.Min.Y)+float64(at.Y*k)
		s.dc.SetColor(ringInk)
		s.dc.SetLineWidth(1.6)
		if dash {
			s.dc.SetDash(4, 3)
		}
		s.dc.DrawCircle(x, y, 13)
		s.dc.Stroke()
		s.dc.SetDash()
		if x < float64(in.Min.X+iw/2) {
			s.text(boldFont(), smallSize, ringInk, words, x+18, y+4, 0)
		} else {
			s.text(boldFont(), smallSize, ringInk, words, x-18, y+4, 1)
		}
	}
	if f.Deviation.Measured > 0 && f.Deviation.Worst >= 0.01 {
		ring(f.Deviation.At, false, fmt.Sprintf("%.2f px", f.Deviation.Worst))
	}
	if f.Missed.Length >= 1 {
		ring(f.Missed.At, true, "missed")
	}
	if f.Deviation.Unmatched > 0 {
		ring(f.Deviation.UnmatchedAt, true, "not in the picture")
	}
}

// swatch shows the colour of a layer, drawn and as the picture has it, with its name.
func (s *sheet) swatch(c colour.RGB, l LayerFigures, x, y int) {
	fx, fy := float64(x), float64(y)
	s.dc.SetColor(rgba(c))
	s.dc.DrawRectangle(fx, fy, swatchSide, swatchSide)
	s.dc.Fill()
	if seen, err := colour.ParseHex(l.Picture); err == nil {
		s.dc.SetColor(rgba(seen))
		s.dc.DrawRectangle(fx+swatchSide, fy, swatchSide/2, swatchSide)
		s.dc.Fill()
	}
	s.dc.SetColor(sheetLine)
	s.dc.SetLineWidth(1)
	s.dc.DrawRectangle(fx-0.5, fy-0.5, swatchSide*3/2+1, swatchSide+1)
	s.dc.Stroke()
	words := fmt.Sprintf("%s  %.1f %%", l.Colour, 100*l.Share)
	if l.Picture != "" {
		words += fmt.Sprintf("  difference %.1f", l.Difference)
	}
	fx += swatchSide*3/2 + 10
	s.text(boldFont(), smallSize, sheetInk, l.Name, fx, fy+9, 0)
	s.text(plainFont(), smallSize-1, sheetPale, words, fx, fy+23, 0)
}
