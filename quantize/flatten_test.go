package quantize

import (
	"slices"
	"testing"

	"pochoir/quantize/colour"
)

// TestFlattenTwoColours: a disc with anti-aliased edge on white gives two exact swatches.
func TestFlattenTwoColours(t *testing.T) {
	const n = 40
	ink := colour.RGB{R: 20, G: 90, B: 160}
	px := Pixels{W: n, H: n, Pix: make([]uint8, 4*n*n)}
	for i := range n * n {
		x, y := i%n, i/n
		in := 0
		for s := range 16 {
			dx, dy := float64(x)+float64(s%4)/4+0.125-20.3, float64(y)+float64(s/4)/4+0.125-19.6
			if dx*dx+dy*dy < 144 {
				in++
			}
		}
		mix := func(c uint8) uint8 { return uint8((int(c)*in + 255*(16-in) + 8) / 16) }
		copy(px.Pix[4*i:], []uint8{mix(ink.R), mix(ink.G), mix(ink.B), 255})
	}
	f, err := Flatten(px, Options{Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	got := []colour.RGB{f.Palette[0].Colour, f.Palette[1].Colour}
	if len(f.Palette) != 2 || !slices.Contains(got, ink) || !slices.Contains(got, colour.RGB{R: 255, G: 255, B: 255}) {
		t.Fatalf("palette %v", f.Palette)
	}
}
