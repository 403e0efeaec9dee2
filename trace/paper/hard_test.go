package paper

import (
	"context"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pochoir/fit"
)

// scenes are pictures that hold no sheet to be found.
func scenes() map[string]*Picture {
	r := rand.New(rand.NewPCG(5, 6))
	make4 := func(w, h int, at func(x, y int) float64, noise float64) *Picture {
		p := &Picture{W: w, H: h, Pix: make([]uint8, 4*w*h), Name: "test", Format: "jpeg", Lossy: true, Camera: true}
		for i := range w * h {
			v := at(i%w, i/w)
			for k := range 3 {
				p.Pix[4*i+k] = uint8(math.Min(math.Max(math.Round(v+noise*r.NormFloat64()), 0), 255))
			}
			p.Pix[4*i+3] = 255
		}
		return p
	}
	even := func(v float64) func(x, y int) float64 { return func(x, y int) float64 { return v } }
	return map[string]*Picture{
		"black frame":  make4(300, 200, even(2), 2),
		"blown":        make4(300, 200, even(254), 4),
		"all shadow":   make4(300, 200, func(x, y int) float64 { return 30 + float64(x)/10 }, 4),
		"cloth":        make4(400, 300, func(x, y int) float64 { return 90 + 20*math.Sin(float64(x)/3)*math.Sin(float64(y)/4) }, 5),
		"one pixel":    make4(1, 1, even(90), 0),
		"one row":      make4(500, 1, func(x, y int) float64 { return float64(x % 200) }, 9),
		"narrow":       make4(3, 400, even(200), 20),
		"nothing flat": make4(200, 200, func(x, y int) float64 { return float64((x*7919 + y*104729) % 256) }, 0),
	}
}

// Pictures without a sheet are taken as they are: no warp, a finite homography that only scales and shifts, and a note that
// says so.
func TestNoSheetNoWarp(t *testing.T) {
	for name, pic := range scenes() {
		t.Run(name, func(t *testing.T) {
			for _, kind := range []Kind{KindAuto, Scan, Snapshot} {
				s, err := Prepare(context.Background(), pic, Options{Kind: kind, Workers: 2})
				if err != nil {
					t.Fatal(err)
				}
				h := s.Homography
				if s.Straightened || h[1] != 0 || h[3] != 0 || h[6] != 0 || h[7] != 0 {
					t.Errorf("straightened by %v", h)
				}
				for _, v := range append(h[:], s.Noise, s.Blur, s.LightRange) {
					if math.IsNaN(v) || math.IsInf(v, 0) {
						t.Errorf("homography %v, noise %g, blur %g, light %g", h, s.Noise, s.Blur, s.LightRange)
					}
				}
				if len(s.Pix) != 4*s.W*s.H || s.W < 1 || s.H < 1 {
					t.Errorf("%d×%d px in %d bytes", s.W, s.H, len(s.Pix))
				}
				if s.Kind != Digital && !strings.Contains(strings.Join(s.Notes, "\n"), "taken as it is") {
					t.Errorf("notes %q", s.Notes)
				}
			}
		})
	}
}

// A sheet seen at an extreme tilt is left alone; where its corners are given, it is straightened all the same, and corners
// that make no sheet are refused.
func TestExtremeTilt(t *testing.T) {
	corners := [4]fit.Point{{X: 280, Y: 120}, {X: 330, Y: 122}, {X: 590, Y: 440}, {X: 20, Y: 430}}
	pic := &Picture{W: 600, H: 450, Pix: make([]uint8, 4*600*450), Name: "test", Format: "jpeg", Lossy: true, Camera: true}
	r := rand.New(rand.NewPCG(2, 6))
	for i := range pic.W * pic.H {
		p := fit.Point{X: float64(i%pic.W) + 0.5, Y: float64(i/pic.W) + 0.5}
		v := 215.0
		for k, c := range corners {
			if corners[(k+1)%4].Sub(c).Cross(p.Sub(c)) < 0 {
				v = 60
			}
		}
		for k := range 3 {
			pic.Pix[4*i+k] = uint8(v + 4*r.NormFloat64())
		}
		pic.Pix[4*i+3] = 255
	}
	s, err := Prepare(context.Background(), pic, Options{})
	if err != nil || s.Straightened {
		t.Errorf("straightened %v, %v", s.Straightened, err)
	}
	s, err = Prepare(context.Background(), pic, Options{Sheet: SheetCorners, Corners: corners})
	if err != nil {
		t.Fatal(err)
	}
	if !s.Straightened {
		t.Errorf("not straightened: %q", s.Notes)
	}
	for i, c := range corners {
		p := s.Homography.Apply(c)
		want := fit.Point{X: float64(s.W) * float64((i+1)/2%2), Y: float64(s.H) * float64(i/2)}
		if p.Sub(want).Len() > 1 {
			t.Errorf("corner %v goes to %v, want %v", c, p, want)
		}
	}
	corners[2] = corners[0].Lerp(corners[1], 0.5)
	if _, err := Prepare(context.Background(), pic, Options{Sheet: SheetCorners, Corners: corners}); err == nil {
		t.Error("corners in one line are taken")
	}
}

// An ended context ends the work.
func TestStops(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	for _, pic := range scenes() {
		if _, err := Prepare(ctx, pic, Options{Kind: Snapshot}); err != context.Canceled {
			t.Errorf("%v", err)
		}
	}
}

// A sliver of desk along the edge of a sheet goes; a stroke that runs off the sheet stays.
func TestRimGoes(t *testing.T) {
	s := newCanvas(60, 50).sheet(0, 1)
	dark := func(x, y int) { copy(s.Pix[4*(y*s.W+x):], []uint8{40, 50, 60}) }
	for x := range s.W {
		dark(x, 0)
		if x < 30 {
			dark(x, 1)
		}
	}
	for y := range s.H {
		dark(s.W-1, y)
	}
	for y := 20; y < s.H; y++ { // down and out
		for x := 10; x < 14; x++ {
			dark(x, y)
		}
	}
	s.wipeRim()
	for y := range s.H {
		for x := range s.W {
			stroke := y >= 20 && x >= 10 && x < 14
			if got := s.Pix[4*(y*s.W+x)] < 128; got != stroke {
				t.Fatalf("%d,%d: dark %v", x, y, got)
			}
		}
	}
}
