package paper

import (
	"context"
	"image"
	"math"
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
			p.Clear = make([]bool, p.W*p.H)
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
		d.w, d.h, d.black, d.box = p.W, p.H, 0, 1
		level := float32(paperLevel)
		if d.light == nil {
			level = 1
		}
		p.Pix = make([]uint8, 4*p.W*p.H)
		newCrew(ctx, workers).rows(p.H, func(y0, y1 int) {
			buf := make([]float32, 3*p.W)
			for y := y0; y < y1; y++ {
				d.row(buf, 0, y, p.W)
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
