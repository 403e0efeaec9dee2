package main

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"path/filepath"

	"github.com/fogleman/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"

	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/proof"
)

const (
	// nearlyEqual is the CIEDE2000 difference below which neighbours run into one at reading distance: about twice what
	// is just seen side by side (common practice, no source).
	nearlyEqual = 5.0
	// neighbourSide is the longer side at which it is looked up who lies beside whom, px.
	neighbourSide = 900.0
	// besideWithin is how many pixels of soft edge may lie between neighbours there.
	besideWithin = 2
	// leastBorder is the length of border, px there, below which two shapes only touch.
	leastBorder = 8
)

// pairOfLayers are two layers by their place from the bottom, the lower first.
type pairOfLayers [2]int

// neighbours finds the layers that border one another in sight, in order.
func neighbours(d *trace.Drawing) []pairOfLayers {
	// Every layer is painted in a code of its own, soft edges come out as something between.
	coded := *d
	coded.Layers = make([]trace.Layer, len(d.Layers))
	layerOf := map[colour.RGB]int{}
	for i, l := range d.Layers {
		const step = 37 // odd, so that all codes of a channel differ; far apart for neighbours in the order
		l.Colour = colour.RGB{R: uint8(i*step + 17), G: uint8(i >> 8), B: uint8(255 - i*step)}
		coded.Layers[i] = l
		layerOf[l.Colour] = i
	}
	m := proof.Render(&coded, neighbourSide/math.Max(d.Width, d.Height), color.NRGBA{})
	w, h := m.Rect.Dx(), m.Rect.Dy()
	at := make([]int16, w*h) // -1: no layer, -2: an edge
	for i := range at {
		p := m.Pix[4*i : 4*i+4]
		switch l, ok := layerOf[colour.RGB{R: p[0], G: p[1], B: p[2]}]; {
		case p[3] == 255 && ok:
			at[i] = int16(l)
		case p[3] == 0:
			at[i] = -1
		default:
			at[i] = -2
		}
	}
	border := map[pairOfLayers]int{}
	walk := func(start, step, n int) {
		last, gap := int16(-1), 0
		for k := range n {
			switch l := at[start+k*step]; {
			case l == -2:
				gap++
			default:
				if l != last && l >= 0 && last >= 0 && gap <= besideWithin {
					border[pairOfLayers{int(min(l, last)), int(max(l, last))}]++
				}
				last, gap = l, 0
			}
		}
	}
	for y := range h {
		walk(y*w, 1, w)
	}
	for x := range w {
		walk(x, w, h)
	}
	var out []pairOfLayers
	for i := range d.Layers {
		for j := i + 1; j < len(d.Layers); j++ {
			if border[pairOfLayers{i, j}] >= leastBorder {
				out = append(out, pairOfLayers{i, j})
			}
		}
	}
	return out
}

// clash is a pair of neighbours that a colourway makes nearly equal.
type clash struct {
	a, b        string // layers
	was, is     float64
	first, last colour.RGB
}

func (c clash) String() string {
	return fmt.Sprintf("hard to tell apart: %s %s beside %s %s, %.1f (CIEDE2000), before %.1f", c.a, c.first.Hex(), c.b, c.last.Hex(), c.is, c.was)
}

// clashesOf holds a drawing against itself in other colours.
func clashesOf(before, after *trace.Drawing, beside []pairOfLayers) []clash {
	var out []clash
	for _, p := range beside {
		i, j := p[0], p[1]
		was := before.Layers[i].Colour.Difference(before.Layers[j].Colour)
		is := after.Layers[i].Colour.Difference(after.Layers[j].Colour)
		if is < nearlyEqual && is < was {
			out = append(out, clash{after.Layers[i].Name, after.Layers[j].Name, was, is, after.Layers[i].Colour, after.Layers[j].Colour})
		}
	}
	return out
}

// Measures of the comparison sheet, px.
const (
	waySide    = 420
	wayMargin  = 24
	wayWords   = 56
	wayColumns = 4
)

// colourwaySheet shows a drawing and its colourways side by side.
func colourwaySheet(name string, before *trace.Drawing, ways []way) (*image.RGBA, error) {
	n := len(ways) + 1
	columns := min(n, wayColumns)
	rows := (n + columns - 1) / columns
	scale := waySide / math.Max(before.Width, before.Height)
	high := int(math.Ceil(before.Height * scale))
	m := image.NewRGBA(image.Rect(0, 0, wayMargin+columns*(waySide+wayMargin), wayMargin+rows*(high+wayWords+wayMargin)))
	dc := gg.NewContextForRGBA(m)
	dc.SetColor(color.White)
	dc.Clear()
	faces := [2]font.Face{}
	for i, ttf := range [2][]byte{gobold.TTF, goregular.TTF} {
		f, err := opentype.Parse(ttf)
		if err != nil {
			return nil, err
		}
		if faces[i], err = opentype.NewFace(f, &opentype.FaceOptions{Size: 14, DPI: 72}); err != nil {
			return nil, err
		}
	}
	for i := range n {
		x, y := wayMargin+i%columns*(waySide+wayMargin), wayMargin+i/columns*(high+wayWords+wayMargin)
		d, title, remark := before, filepath.Base(name), ""
		if i > 0 {
			w := &ways[i-1]
			d, title = w.drawing, filepath.Base(w.path)
			switch k := len(w.clashes); {
			case k == 1:
				remark = fmt.Sprintf("hard to tell apart: %s, %s", w.clashes[0].a, w.clashes[0].b)
			case k > 1:
				remark = fmt.Sprintf("%d pairs of neighbours hard to tell apart", k)
			}
		}
		p := proof.Render(d, scale, color.White)
		draw.Draw(m, p.Rect.Sub(p.Rect.Min).Add(image.Pt(x+(waySide-p.Rect.Dx())/2, y)), p, p.Rect.Min, draw.Over)
		dc.SetFontFace(faces[0])
		dc.SetRGB255(0x2b, 0x29, 0x26)
		dc.DrawString(title, float64(x), float64(y+high+22))
		dc.SetFontFace(faces[1])
		dc.SetRGB255(0xb0, 0x38, 0x20)
		dc.DrawString(remark, float64(x), float64(y+high+42))
	}
	return m, nil
}
