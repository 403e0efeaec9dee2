package paper

import (
	"image"

	"pochoir/quantize/large"
)

// cut copies the part r of pic.
func cut(pic *Picture, r image.Rectangle) *Picture {
	p := *pic
	p.W, p.H, p.Clear = r.Dx(), r.Dy(), nil
	p.Pix = large.Make[uint8](4 * p.W * p.H)
	for y := range p.H {
		copy(p.Pix[4*y*p.W:4*(y+1)*p.W], pic.Pix[4*((y+r.Min.Y)*pic.W+r.Min.X):])
	}
	return &p
}
