package trace

import (
	"fmt"

	"pochoir/quantize"
	"pochoir/quantize/colour"
)

const (
	// farOff is the CIEDE2000 difference from which a locked palette has nothing near a colour: well past what a
	// reader takes for the same paint (a choice of ours).
	farOff = 12.0
	// farShare is the share of the drawing, in flat places, from which that is worth a word.
	farShare = 0.002
	// farStep is how many of the flat places are looked at, one in so many.
	farStep = 3
)

// misfits says which colours of the picture have nothing near them in the palette it was held to, one line for each
// swatch that stands in.
func misfits(f *quantize.Flats) []string {
	type tally struct {
		n       int
		r, g, b float64
	}
	n := len(f.Palette)
	cells := make([]tally, n<<12) // by label and four bits a channel
	total := 0
	for i := 0; i < len(f.Labels); i += farStep {
		if !f.IsCore(i) {
			continue
		}
		r, g, b := f.Pixel(i)
		t := &cells[int(f.Labels[i])<<12|int(r)>>4<<8|int(g)>>4<<4|int(b)>>4]
		t.n++
		t.r, t.g, t.b = t.r+r, t.g+g, t.b+b
		if int(f.Labels[i]) != f.Ground {
			total++
		}
	}
	var out []string
	for l, s := range f.Palette {
		far, most := 0, 0
		var worst colour.RGB
		for _, t := range cells[l<<12 : (l+1)<<12] {
			if t.n == 0 {
				continue
			}
			k := float64(t.n)
			c := colour.RGB{R: uint8(t.r/k + 0.5), G: uint8(t.g/k + 0.5), B: uint8(t.b/k + 0.5)}
			if c.Difference(s.Colour) < farOff {
				continue
			}
			far += t.n
			if t.n > most {
				most, worst = t.n, c
			}
		}
		if far > 0 && float64(far) >= farShare*float64(total) {
			out = append(out, fmt.Sprintf("the palette has nothing near %s: it became %s %s, %.0f away (CIEDE2000)",
				worst.Hex(), s.Name, s.Colour.Hex(), worst.Difference(s.Colour)))
		}
	}
	return out
}
