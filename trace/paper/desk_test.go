package paper

import (
	"bytes"
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/fit"
)

// deskScene draws a 900×675 snapshot: light on(p) on the sheet where in(p) holds, ground(p) elsewhere, in linear light
// under a lamp at one side.
func deskScene(in func(p fit.Point) bool, sheet, ground func(p fit.Point) float64) *Picture {
	r := rand.New(rand.NewPCG(7, 8))
	pic := &Picture{W: 900, H: 675, Pix: make([]uint8, 4*900*675), Name: "test", Format: "jpeg", Lossy: true, Camera: true}
	for i := range 900 * 675 {
		v := 0.0
		for k := range 4 {
			p := fit.Point{X: float64(i%900) + 0.25 + 0.5*float64(k%2), Y: float64(i/900) + 0.25 + 0.5*float64(k/2)}
			if in(p) {
				v += sheet(p) / 4
			} else {
				v += ground(p) / 4
			}
		}
		v *= 1 - 0.3*float64(i%900)/900
		for c := range 3 {
			pic.Pix[4*i+c] = uint8(math.Round(math.Min(255, math.Max(0, 255*math.Pow(v, 1/2.2)+2*r.NormFloat64()))))
		}
		pic.Pix[4*i+3] = 255
	}
	return pic
}

// A disc is drawn on each sheet. What is no sheet goes, what is drawn stays, whatever lies below and however little of the
// sheet's shape is known.
func TestDeskGoes(t *testing.T) {
	disc := fit.Point{X: 500, Y: 350}
	drawn := func(p fit.Point) float64 {
		if p.Sub(disc).Len() < 60 {
			return 0.05
		}
		return 0.8
	}
	dark := func(p fit.Point) float64 { return 0.1 + 0.04*math.Sin(p.Y/3+math.Sin(p.X/90)) }
	stripes := func(p fit.Point) float64 {
		if math.Mod(p.X+0.3*p.Y, 36) < 18 {
			return 0.76
		}
		return 0.15
	}
	corner := func(p fit.Point) bool { return p.X > 150+0.1*p.Y && p.Y > 100-0.05*p.X }
	curled := func(p fit.Point) bool {
		bow := 25 * math.Sin(p.X/290)
		return p.X > 120 && p.X < 800 && p.Y > 80-bow && p.Y < 600-bow
	}
	turned := func(p fit.Point) bool {
		q := p.Sub(fit.Point{X: 450, Y: 337})
		return math.Abs(q.X+0.1*q.Y) < 330 && math.Abs(q.Y-0.13*q.X) < 240+8*math.Cos(q.X/100)
	}
	for _, c := range []struct {
		name   string
		in     func(p fit.Point) bool
		ground func(p fit.Point) float64
	}{
		{"two open sides on wood", corner, dark},
		{"two open sides on a striped cloth", corner, stripes},
		{"curled on wood", curled, dark},
		{"curled on a striped cloth", turned, stripes},
	} {
		t.Run(c.name, func(t *testing.T) {
			pic := deskScene(c.in, drawn, c.ground)
			s, err := Prepare(context.Background(), pic, Options{Workers: 2})
			if m, err := Prepare(context.Background(), tiled(pic), Options{Workers: 2}); err != nil || !bytes.Equal(m.Pix, s.Pix) {
				t.Errorf("as a mosaic it becomes another sheet (%v)", err)
			}
			if err != nil {
				t.Fatal(err)
			}
			if s.Straightened {
				t.Fatalf("straightened; %q", s.Notes)
			}
			back, err := s.Homography.Inverse()
			if err != nil {
				t.Fatal(err)
			}
			lost, left, disced := 0, 0, 0
			for i := range s.W * s.H {
				p := back.Apply(fit.Point{X: float64(i%s.W) + 0.5, Y: float64(i/s.W) + 0.5})
				inked := s.Pix[4*i] < 128
				switch d := p.Sub(disc).Len(); {
				case d < 57:
					disced++
					if !inked {
						lost++
					}
				case d > 63 && inked:
					left++
				}
			}
			const speck = 10 // px: too little to be drawn
			if lost > 0 || left > speck {
				t.Errorf("of %d px of the disc %d are lost; elsewhere %d are dark; %q", disced, lost, left, s.Notes)
			}
		})
	}
}

// Beyond a fold the paper is lighter or darker, up to a sharp edge. It is no desk: what is drawn there stays.
func TestFoldedPaperStays(t *testing.T) {
	disc := fit.Point{X: 680, Y: 500}
	for _, beyond := range []float64{0.93, 1.08} {
		s, err := Prepare(context.Background(), deskScene(func(fit.Point) bool { return true }, func(p fit.Point) float64 {
			v := 0.7
			if p.X > 450 && p.Y > 337 {
				v *= beyond
			}
			if p.Sub(disc).Len() < 60 {
				return 0.05
			}
			if d := math.Abs(p.X - 450); d < 4 {
				v *= 0.8
			}
			return v
		}, nil), Options{Workers: 2})
		if err != nil {
			t.Fatal(err)
		}
		at := s.Homography.Apply(disc)
		if p := s.Pix[4*(int(at.Y)*s.W+int(at.X)):]; p[0] > 100 {
			t.Errorf("%.2f as light beyond the fold: the disc there is level %d; %q", beyond, p[0], s.Notes)
		}
		if far := s.Homography.Apply(fit.Point{X: 800, Y: 600}); s.Pix[4*(int(far.Y)*s.W+int(far.X))] < 235 {
			t.Errorf("%.2f as light beyond the fold: the paper there is not white; %q", beyond, s.Notes)
		}
	}
}

// Hulls and openings of random masks against their definitions.
func TestMasks(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 9))
	for range 200 {
		m := newMask(3+r.IntN(18), 3+r.IntN(18))
		density := r.Float64()
		for i := range m.on {
			m.on[i] = r.Float64() < density
		}
		hull := m.hull()
		for i := range m.on {
			if want := inHull(m, i%m.w, i/m.w); hull.on[i] != want {
				t.Fatalf("hull: cell %d,%d of %d×%d is %v", i%m.w, i/m.w, m.w, m.h, hull.on[i])
			}
		}
		size := 1 + r.IntN(2)
		opened := m.opened(size)
		for i := range m.on {
			if want := covered(m, i%m.w, i/m.w, size); opened.on[i] != want {
				t.Fatalf("opening: cell %d,%d of %d×%d is %v", i%m.w, i/m.w, m.w, m.h, opened.on[i])
			}
		}
	}
}

// inHull reports whether no line through (x, y) and a marked cell has all marked cells on one side of it, strictly but for
// those on the line, on which some must lie either way.
func inHull(m mask, x, y int) bool {
	cells := m.cells()
	for _, i := range cells {
		if int(i) == y*m.w+x {
			return true
		}
	}
	for _, i := range cells {
		dx, dy := int(i)%m.w-x, int(i)/m.w-y
		for _, sign := range [2]int{1, -1} {
			apart := true // all lie to that side of the line, or on it beyond (x, y)
			for _, j := range cells {
				ex, ey := int(j)%m.w-x, int(j)/m.w-y
				side := sign * (dx*ey - dy*ex)
				apart = apart && (side > 0 || side == 0 && dx*ex+dy*ey > 0)
			}
			if apart {
				return false
			}
		}
	}
	return len(cells) > 0
}

// covered reports whether a square of (2r+1)² cells holds (x, y) and marked cells only, those beyond the rims counting as
// marked.
func covered(m mask, x, y, r int) bool {
	for cy := y - r; cy <= y+r; cy++ {
		for cx := x - r; cx <= x+r; cx++ {
			if cx < 0 || cy < 0 || cx >= m.w || cy >= m.h {
				continue // see opened: squares stand on cells of the mask
			}
			all := true
			for v := max(0, cy-r); v <= min(m.h-1, cy+r); v++ {
				for u := max(0, cx-r); u <= min(m.w-1, cx+r); u++ {
					all = all && m.on[v*m.w+u]
				}
			}
			if all {
				return true
			}
		}
	}
	return false
}

// A drawing that the picture cuts off is no desk, whichever way its outline runs: what is drawn stays dark.
func TestCutDrawingStays(t *testing.T) {
	for _, c := range []struct {
		name  string
		drawn func(p fit.Point) bool
	}{
		{"a disc in the corner", func(p fit.Point) bool { return p.Sub(fit.Point{X: 900, Y: 675}).Len() < 450 }},
		{"a disc at the side", func(p fit.Point) bool { return p.Sub(fit.Point{X: 20, Y: 300}).Len() < 200 }},
		{"a thick line from side to side", func(p fit.Point) bool { return math.Abs(p.Y-520) < 14 }},
		{"a frame, most of it outside", func(p fit.Point) bool {
			return math.Abs(p.Y-520) < 14 && p.X < 850 || math.Abs(p.X-850) < 14 && p.Y < 520
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			pic := deskScene(func(fit.Point) bool { return true }, func(p fit.Point) float64 {
				if c.drawn(p) {
					return 0.05
				}
				return 0.8
			}, nil)
			s, err := Prepare(context.Background(), pic, Options{Workers: 2})
			if err != nil {
				t.Fatal(err)
			}
			drawn, lost := 0, 0
			for i := range s.W * s.H {
				scale := s.Homography[0]
				if c.drawn(fit.Point{X: (float64(i%s.W) + 0.5) / scale, Y: (float64(i/s.W) + 0.5) / scale}) {
					drawn++
					lost += b2i(s.Pix[4*i] > 150)
				}
			}
			if 50*lost > drawn {
				t.Errorf("%d of %d px are lost; %q", lost, drawn, s.Notes)
			}
		})
	}
}
