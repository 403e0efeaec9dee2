package paper

import (
	"context"
	"image"
	"math"

	"pochoir/quantize/large"
)

// paperLevel is the linear light of bare paper on a plate cut from paper: below white, so that its noise is not clipped
// and can be measured as on a scan. A choice of ours: at 3 levels of noise white is four deviations away.
const paperLevel = 0.9

// Cut returns the pixels of the page in box, in px of the whole page: straightened and evenly lit but otherwise as
// measured, with bare paper a little below white, so that it serves as a scan of its own; of a digital page its exact
// pixels. Marks are painted over with paper that hide names: those of other drawings, and writing. hide may be nil. The
// picture says what page it comes from (Picture.Plate), so that Prepare neither looks for a sheet on it nor guesses its
// kind.
func (pg *Page) Cut(ctx context.Context, box image.Rectangle, hide func(x, y int) bool, workers int) (*Picture, error) {
	box = box.Intersect(image.Rect(0, 0, pg.W, pg.H))
	s := pg.sheet
	p := &Picture{W: box.Dx(), H: box.Dy(), Name: s.Name, Format: s.Format, Lossy: s.Lossy, Subsampled: s.Subsampled,
		Focal35: s.Focal35, Camera: s.Camera, Plate: s.Kind}
	if !s.Straightened {
		p.DPI = s.DPI * pg.scale
	}
	if p.W <= 0 || p.H <= 0 {
		return p, nil
	}
	blank := [3]uint8{255, 255, 255}
	if s.Kind == Digital {
		p.Pix = cut(&s.Picture, box).Pix
		blank, _ = borderColour(&s.Picture)
		if s.Clear != nil {
			p.Clear = large.Make[bool](p.W * p.H)
			for y := range p.H {
				copy(p.Clear[y*p.W:(y+1)*p.W], s.Clear[(y+box.Min.Y)*s.W+box.Min.X:])
			}
		}
	} else {
		d := *s.developed
		k, toSheet := 1.0, Identity
		if s.Straightened {
			k, toSheet = 1/pg.scale, d.back
		}
		d.back = toSheet.Mul(Homography{k, 0, k * float64(box.Min.X-pg.origin.X), 0, k, k * float64(box.Min.Y-pg.origin.Y), 0, 0, 1})
		d.w, d.h, d.black, d.step = p.W, p.H, 0, 1
		level := float32(paperLevel)
		if d.light == nil {
			level = 1
		}
		p.Pix = large.Make[uint8](4 * p.W * p.H)
		c := newCrew(ctx, workers)
		var gone *lifted
		if s.dropped {
			gone = pg.lift(c, box)
		}
		c.rows(p.H, func(y0, y1 int) {
			buf := make([]float32, 3*p.W)
			for y := y0; y < y1; y++ {
				d.row(buf, 0, y, p.W)
				if gone != nil {
					gone.apply(buf, y)
				}
				dst := p.Pix[4*y*p.W : 4*(y+1)*p.W]
				for x := range p.W {
					q, v := dst[4*x:4*x+4:4*x+4], buf[3*x:3*x+3:3*x+3]
					q[0], q[1], q[2], q[3] = encode(v[0]*level), encode(v[1]*level), encode(v[2]*level), 255
				}
			}
		})
		v := encode(level)
		blank = [3]uint8{v, v, v}
	}
	if hide != nil {
		for y := range p.H {
			for x := range p.W {
				if hide(x+box.Min.X, y+box.Min.Y) {
					q := p.Pix[4*(y*p.W+x):]
					q[0], q[1], q[2] = blank[0], blank[1], blank[2]
				}
			}
		}
	}
	return p, ctx.Err()
}

// lifted is the part of the sheet under a plate, and where ruling and pencil were taken out of it.
type lifted struct {
	w, h   int       // px of the sheet
	v      []float32 // R,G,B and share a pixel: linear light as it is now, and 1 where something was taken out near it
	kx, ky float64   // px of the sheet to a px of the plate
	ox, oy float64   // the plate's corner, in px of the part
}

// lift compares the part of the sheet under box as it was developed with how it is now.
func (pg *Page) lift(c crew, box image.Rectangle) *lifted {
	s, d := pg.sheet, pg.sheet.developed
	l := &lifted{kx: float64(s.W) / float64(pg.W-pg.origin.X), ky: float64(s.H) / float64(pg.H-pg.origin.Y)}
	at := box.Sub(pg.origin)
	r := image.Rect(int(float64(at.Min.X)*l.kx)-3, int(float64(at.Min.Y)*l.ky)-3, int(float64(at.Max.X)*l.kx)+4, int(float64(at.Max.Y)*l.ky)+4)
	r = r.Intersect(image.Rect(0, 0, s.W, s.H))
	l.w, l.h = r.Dx(), r.Dy()
	l.ox, l.oy = float64(at.Min.X)*l.kx-float64(r.Min.X), float64(at.Min.Y)*l.ky-float64(r.Min.Y)
	l.v = large.Make[float32](4 * l.w * l.h)
	changed := large.Make[bool](l.w * l.h)
	c.rows(l.h, func(y0, y1 int) {
		buf := make([]float32, 3*l.w)
		for y := y0; y < y1; y++ {
			d.row(buf, r.Min.X, y+r.Min.Y, l.w)
			now := s.Pix[4*((y+r.Min.Y)*s.W+r.Min.X):]
			for x := range l.w {
				for k := range 3 {
					v := now[4*x+k]
					l.v[4*(y*l.w+x)+k] = float32(toLinear[v]*(1-d.black)) + d.black
					if encode(buf[3*x+k]) != v {
						changed[y*l.w+x] = true
					}
				}
			}
		}
	})
	for i, on := range changed {
		if !on {
			continue
		}
		x, y := i%l.w, i/l.w
		for v := max(0, y-1); v <= min(l.h-1, y+1); v++ {
			for u := max(0, x-1); u <= min(l.w-1, x+1); u++ {
				l.v[4*(v*l.w+u)+3] = 1
			}
		}
	}
	return l
}

// apply puts the sheet as it is now in place of a row of the plate, near to where something was taken out, between its
// pixels by bilinear interpolation.
func (l *lifted) apply(row []float32, y int) {
	v := min(max((float64(y)+0.5)*l.ky+l.oy-0.5, 0), float64(l.h-1))
	y0 := int(v)
	y1 := min(y0+1, l.h-1)
	fy := float32(v - float64(y0))
	for x := range len(row) / 3 {
		u := min(max((float64(x)+0.5)*l.kx+l.ox-0.5, 0), float64(l.w-1))
		x0 := int(u)
		x1 := min(x0+1, l.w-1)
		fx := float32(u - float64(x0))
		var q [4]float32
		a, b := l.v[4*(y0*l.w+x0):], l.v[4*(y0*l.w+x1):]
		e, f := l.v[4*(y1*l.w+x0):], l.v[4*(y1*l.w+x1):]
		for k := range q {
			top := a[k] + float32(fx*(b[k]-a[k]))
			low := e[k] + float32(fx*(f[k]-e[k]))
			q[k] = top + float32(fy*(low-top))
		}
		if q[3] == 0 {
			continue
		}
		p := row[3*x : 3*x+3 : 3*x+3]
		for k := range p {
			p[k] += float32(q[3] * (q[k] - p[k]))
		}
	}
}

// Hide returns for Cut what is not part of the plate with that box among the boxes of all plates of the page: the marks
// of other plates, and the writing and specks that FindPlates left out. A box that FindPlates gave stands for the marks
// it found; any other box for the marks in it, but for those that lie in a box of another plate with nine tenths of
// their extent and in this one with less.
func (pg *Page) Hide(boxes []image.Rectangle, this int) func(x, y int) bool {
	hidden := make([]bool, len(pg.parts))
	any := false
	owner := make([]int, len(pg.parts)) // the box whose plate found it is, -1 for none
	for i := range owner {
		owner[i] = -1
	}
	found := make([]*Plate, len(boxes))
	for k, b := range boxes {
		for j := range pg.Plates {
			if p := &pg.Plates[j]; p.Box == b {
				found[k] = p
				for _, i := range p.parts {
					owner[i] = k
				}
			}
		}
	}
	for i := range pg.parts {
		p := &pg.parts[i]
		switch {
		case p.text:
			hidden[i] = true
		case owner[i] >= 0:
			hidden[i] = owner[i] != this
		case found[this] != nil:
			hidden[i] = true
		default:
			own := pg.within(p, boxes[this])
			for k, b := range boxes {
				if k != this && own < 0.9 && found[k] == nil && pg.within(p, b) >= 0.9 {
					hidden[i] = true
				}
			}
		}
		any = any || hidden[i]
	}
	if !any {
		return nil
	}
	k := 1 / (pg.scale * float64(pg.step))
	return func(x, y int) bool {
		cx := min(max(int((float64(x-pg.origin.X)+0.5)*k), 0), pg.w-1)
		cy := min(max(int((float64(y-pg.origin.Y)+0.5)*k), 0), pg.h-1)
		i := pg.near[cy*pg.w+cx]
		return i >= 0 && hidden[i]
	}
}

// within is the share of the part's box that lies in b, given in px of the whole page.
func (pg *Page) within(p *part, b image.Rectangle) float64 {
	k := pg.scale * float64(pg.step)
	b = b.Sub(pg.origin)
	w := math.Min(float64(p.box.Max.X)*k, float64(b.Max.X)) - math.Max(float64(p.box.Min.X)*k, float64(b.Min.X))
	h := math.Min(float64(p.box.Max.Y)*k, float64(b.Max.Y)) - math.Max(float64(p.box.Min.Y)*k, float64(b.Min.Y))
	if w <= 0 || h <= 0 {
		return 0
	}
	return w * h / (k * k * float64(p.box.Dx()*p.box.Dy()))
}
