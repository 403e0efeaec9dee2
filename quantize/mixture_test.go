package quantize

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/quantize/colour"
)

// The share read from red, green and blue is that read from the tone, and none or all where the pixel is of one of the colours.
func TestOfPixel(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	random := func() colour.RGB {
		return colour.RGB{R: uint8(rng.Uint32()), G: uint8(rng.Uint32()), B: uint8(rng.Uint32())}
	}
	for range 20_000 {
		a, b, c := random(), random(), random()
		if a == b {
			continue
		}
		soft, blur := rng.IntN(4) > 0, float64(rng.IntN(2))*chromaBlur
		p := pairOf(toneOfRGB(a, soft), toneOfRGB(b, soft), soft, blur)
		if got, want := p.ofPixel(pack(c)), p.of(toneOfRGB(c, soft)); math.Abs(got-want) > least {
			t.Fatalf("%v as a mixture of %v and %v, soft %v: %g, want %g", c, a, b, soft, got, want)
		}
		if got := p.ofPixel(pack(b)); got != 0 {
			t.Fatalf("%v of %v has a share of %g", b, a, got)
		}
		if got := p.ofPixel(pack(a)); soft && got != 1 {
			t.Fatalf("%v has a share of %g of itself, mixed with %v", a, got, b)
		}
	}
}
