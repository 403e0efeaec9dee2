package quantize

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/quantize/colour"
)

// Two colours of nearly one luma meet along a slanting line; chroma is stored once for two pixels either way, beginning at
// every parity. Row by row the shares must put the line where it runs, which samples read as they are repeated do not.
func TestChromaBetweenItsSamples(t *testing.T) {
	const w, h = 60, 40
	a, b := colour.RGB{R: 147, G: 102, B: 205}, colour.RGB{R: 60, G: 136, B: 194}
	line := func(y float64) float64 { return 17.3 + 0.6*y }
	share := func(x, y int) float64 { // of a, left of the line, exact as it is cut by whole rows
		sum := 0.0
		const n = 64
		for k := range n {
			sum += clamp01(line(float64(y)+(float64(k)+0.5)/n) - float64(x))
		}
		return sum / n
	}
	for _, grid := range []chromaGrid{{0, 0}, {1, 0}, {0, 1}, {1, 1}, {0, -1}} {
		sample := func(v, phase, n int) (from, to int) {
			if phase < 0 {
				return v, v + 1
			}
			v -= (v - phase) & 1
			return max(0, v), min(n, v+2)
		}
		pix := make([]uint8, 4*w*h)
		for y := range h {
			for x := range w {
				x0, x1 := sample(x, grid.x, w)
				y0, y1 := sample(y, grid.y, h)
				var of float64
				for yy := y0; yy < y1; yy++ {
					for xx := x0; xx < x1; xx++ {
						of += share(xx, yy) / float64((x1-x0)*(y1-y0))
					}
				}
				for ch, v := range [3][2]uint8{{a.R, b.R}, {a.G, b.G}, {a.B, b.B}} {
					pix[4*(y*w+x)+ch] = uint8(of*float64(v[0]) + (1-of)*float64(v[1]) + 0.5)
				}
			}
		}
		f := &Flats{W: w, H: h, Palette: make([]Swatch, 2), Labels: make([]uint8, w*h), px: Pixels{W: w, H: h, Pix: pix}}
		f.measure([][]tone{{toneOfRGB(a, true)}, {toneOfRGB(b, true)}}, true, chromaBlur, 1)
		if f.grid != grid {
			t.Errorf("samples at %v, found %v", grid, f.grid)
			continue
		}
		worst := func() (off float64) {
			for y := 2; y < h-2; y++ {
				at := 0.0
				for x := range w {
					at += f.Coverage(y*w+x, 0, 1)
				}
				off = math.Max(off, math.Abs(at-line(float64(y)+0.5)))
			}
			return off
		}
		const may, repeated = 0.1, 0.2 // px
		if off := worst(); off > may {
			t.Errorf("samples at %v: the line is off by %.3f px, want %g", grid, off, may)
		}
		if f.grid = (chromaGrid{-1, -1}); grid.y >= 0 && worst() < repeated {
			t.Errorf("samples at %v: the line is off by %.3f px as samples are repeated: too easy a test", grid, worst())
		}
	}
}

// Pictures whose chroma is whole have no grid.
func TestWholeChromaHasNoGrid(t *testing.T) {
	const w, h = 40, 30
	rnd := rand.New(rand.NewPCG(1, 2))
	pix := make([]uint8, 4*w*h)
	for i := range pix {
		pix[i] = uint8(20 + rnd.IntN(200))
	}
	if g := gridOf(&Pixels{W: w, H: h, Pix: pix}, 2); g != (chromaGrid{-1, -1}) {
		t.Errorf("noise: samples found at %v", g)
	}
	clear(pix)
	if g := gridOf(&Pixels{W: w, H: h, Pix: pix}, 2); g != (chromaGrid{-1, -1}) {
		t.Errorf("one colour: samples found at %v", g)
	}
}

// Where chroma is stored whole it is coded as coarsely as elsewhere: beside edges it swings by more levels than a mixture
// may miss, which must make no colours and no areas of their own.
func TestWholeChroma(t *testing.T) {
	const w, h, cx, cy = 160, 160, 80.3, 79.6
	radii := [3]float64{60, 45, 25}
	colours := [4]colour.RGB{{R: 248, G: 250, B: 252}, {R: 245, G: 130, B: 45}, {R: 221, G: 46, B: 68}, {R: 180, G: 30, B: 128}}
	within := func(x, y float64) (n int) {
		for _, r := range radii {
			if inside(x, y, cx, cy, r) {
				n++
			}
		}
		return n
	}
	px := rendered(w, h, func(x, y float64) colour.RGB { return colours[within(x, y)] })
	px.Lossy = true
	for i := range w * h {
		x, y := float64(i%w)+0.5, float64(i/w)+0.5
		swing := 0.0 // levels of either chroma, in waves that a square of the coder holds, until 5 px off the edge
		for _, r := range radii {
			swing += 11 * max(0, 1-math.Abs(math.Hypot(x-cx, y-cy)-r)/5) * math.Cos(x*math.Pi/3) * math.Cos(y*math.Pi/4)
		}
		for k, d := range [3]float64{1.402 * swing, -(0.344 + 0.714) * swing, 1.772 * swing} {
			p := &px.Pix[4*i+k]
			*p = uint8(max(0, min(255, math.Round(float64(*p)+d))))
		}
	}
	f := flatten(t, px, Options{})
	to := wantPalette(t, f, 2, colours[:]...)
	wrong := 0
	for i := range w * h {
		x, y := float64(i%w)+0.5, float64(i/w)+0.5
		off := math.Inf(1)
		for _, r := range radii {
			off = min(off, math.Abs(math.Hypot(x-cx, y-cy)-r))
		}
		if off > 1 && int(f.Labels[i]) != to[within(x, y)] {
			wrong++
		}
	}
	if wrong > 0 {
		t.Errorf("%d pixels have the label of another area", wrong)
	}
}
