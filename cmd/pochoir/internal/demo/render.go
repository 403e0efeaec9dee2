package demo

import (
	"image"
	"image/color"

	"github.com/disintegration/imaging"
	"github.com/fogleman/gg"

	"pochoir/trace"
)

// supersample is how many times finer than asked a drawing is painted before it is averaged down, each way. The
// painter's own edges are soft already, so 4 leaves coverage exact to well below one level of 255.
const supersample = 4

// render paints a drawing on white, size pixels wide and high.
func render(d *trace.Drawing, size int) *image.NRGBA {
	fine := size * supersample
	c := gg.NewContext(fine, fine)
	c.SetColor(color.White)
	c.Clear()
	c.SetFillRule(gg.FillRuleWinding)
	k := float64(fine) / d.Width
	for _, l := range d.Layers {
		c.SetRGB255(int(l.Colour.R), int(l.Colour.G), int(l.Colour.B))
		for _, s := range l.Shapes {
			for _, r := range s.Rings {
				for i, g := range r.Segments {
					if i == 0 {
						c.MoveTo(g.P[0].X*k, g.P[0].Y*k)
					}
					c.CubicTo(g.P[1].X*k, g.P[1].Y*k, g.P[2].X*k, g.P[2].Y*k, g.P[3].X*k, g.P[3].Y*k)
				}
				c.ClosePath()
			}
			c.Fill()
		}
	}
	return imaging.Resize(c.Image(), size, size, imaging.Box)
}
