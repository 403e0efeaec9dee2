package catalogue

import (
	"fmt"
	"image"
	"sort"

	"pochoir/quantize/colour"
	"pochoir/trace"
)

// Palettes for searching: coarser than those of a trace, and quick enough for thousands of pictures.
const (
	mostSwatches = 12
	leastShare   = 0.005 // of the picture without its ground
	sameSwatch   = 8.0   // CIEDE2000 below which two shades count as one colour
	evenStep     = 6     // 8-bit levels between neighbours of one area
)

// palette finds the main colours of s without its ground, the largest first.
func (s small) palette() []Swatch {
	g, even := s.ground()
	type shade struct {
		n       int
		r, g, b int
	}
	shades := make([]shade, 1<<15)
	total := 0
	for y := range s.h - 1 {
		for x := range s.w - 1 {
			i := 3 * (y*s.w + x)
			p := [3]uint8(s.pix[i:])
			if even && step(p[:], g) <= groundStep {
				continue
			}
			// on an edge, or a mixture of two colours
			if step(s.pix[i+3:], p) > evenStep && step(s.pix[i+3*s.w:], p) > evenStep {
				continue
			}
			c := &shades[int(p[0]>>3)<<10|int(p[1]>>3)<<5|int(p[2]>>3)]
			c.n++
			c.r, c.g, c.b = c.r+int(p[0]), c.g+int(p[1]), c.b+int(p[2])
			total++
		}
	}
	shades = append([]shade(nil), shades...)
	sort.SliceStable(shades, func(i, j int) bool { return shades[i].n > shades[j].n })
	var out []Swatch
	var labs []colour.Lab
	for _, c := range shades {
		if c.n == 0 {
			break
		}
		rgb := colour.RGB{R: uint8(c.r / c.n), G: uint8(c.g / c.n), B: uint8(c.b / c.n)}
		lab, at := rgb.Lab(), -1
		for i, l := range labs {
			if colour.Difference(l, lab) < sameSwatch {
				at = i
				break
			}
		}
		if at < 0 {
			if len(out) == mostSwatches {
				continue
			}
			at = len(out)
			out, labs = append(out, Swatch{Colour: rgb}), append(labs, lab)
		}
		out[at].Share += float64(c.n)
	}
	kept := out[:0]
	used := map[string]int{}
	for _, w := range out {
		if w.Share = round(w.Share / float64(total)); w.Share < leastShare {
			continue
		}
		w.Name = colour.Name(w.Colour)
		if used[w.Name]++; used[w.Name] > 1 {
			w.Name += fmt.Sprintf("-%d", used[w.Name])
		}
		kept = append(kept, w)
	}
	return kept
}

// layerPalette is the palette of a drawing, bottom layer first, with the shares that m, its picture, shows.
func layerPalette(d *trace.Drawing, m *image.RGBA) []Swatch {
	at := map[colour.RGB]int{}
	var out []Swatch
	for _, l := range d.Layers {
		if _, twice := at[l.Colour]; !twice {
			at[l.Colour] = len(out)
			out = append(out, Swatch{Name: l.Name, Colour: l.Colour})
		}
	}
	painted := 0
	for i := 0; i+3 < len(m.Pix); i += 4 {
		if m.Pix[i+3] == 255 {
			if k, ok := at[colour.RGB{R: m.Pix[i], G: m.Pix[i+1], B: m.Pix[i+2]}]; ok {
				out[k].Share++
				painted++
			}
		}
	}
	for i := range out {
		out[i].Share = round(out[i].Share / float64(max(painted, 1)))
	}
	return out
}
