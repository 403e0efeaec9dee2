package quantize

import (
	"math/rand/v2"
	"slices"
	"testing"

	"pochoir/quantize/colour"
)

// TestHairlines: a gap of less than half a pixel stays open where an area of its colour lies so close that mixtures with
// it explain the gap's pixels.
func TestHairlines(t *testing.T) {
	for _, c := range []struct{ line, ground colour.RGB }{{white, black}, {black, white}} {
		at := func(x, y float64) colour.RGB {
			if x < 30 || y > 22.4 || y > 20.25 && y < 20.67 {
				return c.line
			}
			return c.ground
		}
		f := flatten(t, rendered(110, 60, at), Options{})
		l := wantPalette(t, f, 0, c.line, c.ground)
		for x := 32; x < 105; x++ {
			if int(f.Labels[20*f.W+x]) != l[0] {
				t.Errorf("line of %v: broken at x = %d", c.line, x)
				break
			}
		}
	}
}

// TestIslandsAreTakenBack: at the tip of an area whose soft edge lets white shine through, two pixels that were given to
// a third colour come back to the area. The pixels are of an open drawing, ink left out.
func TestIslandsAreTakenBack(t *testing.T) {
	yellow, green := colour.RGB{R: 177, G: 204, B: 51}, colour.RGB{R: 92, G: 158, B: 49}
	tip := [8][8]uint32{ // x = 40 … 47, y = 30 … 37
		{0x000000, 0x000000, 0x000000, 0x000000, 0x000000, 0x000000, 0x353b1a, 0x101010},
		{0x000000, 0x000000, 0x000000, 0x000000, 0x000000, 0x131508, 0xa7be3c, 0x101010},
		{0x000000, 0x000000, 0x000000, 0x000000, 0x030302, 0x849729, 0xb6cf40, 0x101010},
		{0x000000, 0x000000, 0x000000, 0x000000, 0x59661d, 0xb1cc33, 0xb6cf40, 0x101010},
		{0x000000, 0x000000, 0x000000, 0x2d330f, 0xafca32, 0xb1cc33, 0xb6cf40, 0x101010},
		{0x000000, 0x000000, 0x0f1106, 0x9fb72e, 0xb1cc33, 0xb1cc33, 0xb6cf40, 0x101010},
		{0x000000, 0x020302, 0x829527, 0xb1cc33, 0xb1cc33, 0xb1cc33, 0xb6cf40, 0x101010},
		{0x000000, 0x5b681d, 0xb1cc33, 0xb1cc33, 0xb1cc33, 0xb1cc33, 0xb6cf40, 0x101010},
	}
	const w, h = 80, 60
	px := Pixels{W: w, H: h, Pix: make([]uint8, 4*w*h)}
	for y := range h {
		for x := range w {
			c := black
			switch {
			case y < 12 && x < 40:
				c = white
			case y < 12:
				c = green
			case x >= 40 && x < 48 && y >= 30 && y < 38:
				v := tip[y-30][x-40]
				c = colour.RGB{R: uint8(v >> 16), G: uint8(v >> 8), B: uint8(v)}
			case y >= 38 && x == 46:
				c = colour.RGB{R: 182, G: 207, B: 64}
			case y >= 38 && x == 47:
				c = colour.RGB{R: 16, G: 16, B: 16}
			case y >= 38 && x > 40 && x < 46:
				c = yellow
			}
			copy(px.Pix[4*(y*w+x):], []uint8{c.R, c.G, c.B, 255})
		}
	}
	q := &flattener{px: &px, w: w, h: h, paper: -1, labels: make([]uint8, w*h)}
	for _, c := range []colour.RGB{black, yellow, green, white} {
		q.addTint(c, 100)
	}
	q.prepareMixtures()
	for i := range q.labels { // the pixels that show a tint unmixed
		q.labels[i] = q.nearWithin(unpack(at(px.Pix, i)&0xffffff), 0)
	}
	q.core = q.coresOfLabels(2, nil)
	for i, l := range q.labels {
		if l == unlabelled {
			q.labels[i] = q.nearWithin(unpack(at(px.Pix, i)&0xffffff), 500)
		}
	}
	q.labels[31*w+46], q.labels[32*w+46] = 2, 2 // what a mixture of green and white comes nearest to
	q.drownIslands()
	for _, i := range [2]int{31*w + 46, 32*w + 46} {
		if q.labels[i] != 1 {
			t.Errorf("label %d at %d, %d, want that of yellow", q.labels[i], i%w, i/w)
		}
	}
}

// What an edge drives beyond its two colours, by up to a fifth of their contrast, is theirs; what lies further off, or aside
// of them, is not.
func TestRungPixels(t *testing.T) {
	for _, soft := range []bool{false, true} {
		red, grey := toneOf(221, 46, 68, soft), toneOf(204, 214, 221, soft)
		p := pairOf(red, grey, soft, chromaBlur)
		at := func(share float64) tone {
			d := red.sub(grey)
			return tone{grey.x + share*d.x, grey.y + share*d.y, grey.z + share*d.z}
		}
		for _, share := range []float64{-0.19, -0.1, 0, 0.3, 1, 1.19} {
			if miss := p.rung(at(share)); miss > 1e-9 {
				t.Errorf("soft %v: a share of %g misses by %.2f levels", soft, share, miss)
			}
		}
		for _, share := range []float64{-0.5, 1.5} {
			if miss := p.rung(at(share)); miss < roughMiss {
				t.Errorf("soft %v: a share of %g misses by no more than %.2f levels", soft, share, miss)
			}
		}
		if miss := p.rung(toneOf(60, 90, 200, soft)); miss < roughMiss {
			t.Errorf("soft %v: blue misses by no more than %.2f levels", soft, miss)
		}
	}
}

// A few pixels beside an edge that coding drove beyond the colour there become part of it; pixels that show a colour of
// their own stay.
func TestRungIslands(t *testing.T) {
	red, grey := colour.RGB{R: 221, G: 46, B: 68}, colour.RGB{R: 214, G: 222, B: 230}
	island := func(c colour.RGB) uint8 {
		px := rendered(160, 120, func(x, y float64) colour.RGB {
			switch {
			case x > 130:
				return white
			case x >= 58 && x < 60 && y >= 50 && y < 53:
				return c
			case x < 60:
				return grey
			}
			return red
		})
		px.Lossy, px.Subsampled = true, true
		f := flatten(t, px, Options{})
		return f.Labels[51*px.W+58]
	}
	lone := func(c colour.RGB, l uint8) colour.RGB {
		px := rendered(160, 120, func(x, y float64) colour.RGB {
			switch {
			case x > 130:
				return white
			case x < 60:
				return grey
			}
			return red
		})
		px.Lossy, px.Subsampled = true, true
		return flatten(t, px, Options{}).Palette[l].Colour
	}
	if got := lone(grey, island(colour.RGB{R: 235, G: 241, B: 246})); got != grey {
		t.Errorf("grey driven brighter beside red became %v", got)
	}
	if got := lone(white, island(white)); got != white {
		t.Errorf("white beside red became %v", got)
	}
}

// TestIslands: islands are the connected parts of one label outside the cores that no core of the label touches, as
// filling every part whole finds them.
func TestIslands(t *testing.T) {
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 3))
		w, h := 1+rng.IntN(70), 1+rng.IntN(20)
		q := &flattener{w: w, h: h, labels: make([]uint8, w*h), core: make([]uint64, bitmapLen(w*h))}
		for i := range q.labels {
			if q.labels[i] = uint8(rng.IntN(2)); rng.IntN(12) == 0 {
				setBits(q.core, i, i+1)
			}
		}
		const most = 9
		var want [][]int
		part := make([]int, w*h) // of each pixel, from 1
		for first := range q.labels {
			if part[first] != 0 || bit(q.core, first) {
				continue
			}
			all, island := []int{first}, true
			part[first] = first + 1
			for k := 0; k < len(all); k++ {
				x, y := all[k]%w, all[k]/w
				for _, n := range [4][2]int{{x + 1, y}, {x, y + 1}, {x - 1, y}, {x, y - 1}} {
					j := n[1]*w + n[0]
					if n[0] < 0 || n[1] < 0 || n[0] >= w || n[1] >= h || q.labels[j] != q.labels[first] {
						continue
					}
					if bit(q.core, j) {
						island = false
					} else if part[j] == 0 {
						part[j] = first + 1
						all = append(all, j)
					}
				}
			}
			if island && len(all) <= most {
				slices.Sort(all)
				want = append(want, all)
			}
		}
		var got [][]int
		for _, island := range q.islands(most) {
			slices.Sort(island)
			got = append(got, island)
		}
		if !slices.EqualFunc(got, want, slices.Equal[[]int]) {
			t.Fatalf("seed %d: %d x %d px: islands %v, want %v", seed, w, h, got, want)
		}
	}
}
