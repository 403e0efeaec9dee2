package quantize

import (
	"math"
	"math/rand/v2"
	"testing"
)

// drawn makes a picture of ink (label 1) on paper (label 0) from a test of places, px.
func drawn(w, h int, ink func(x, y float64) bool) *Flats {
	f := &Flats{W: w, H: h, Palette: []Swatch{{Name: "white"}, {Name: "ink"}}, Labels: make([]uint8, w*h), Core: make([]uint64, bitmapLen(w*h)), Ground: 0, Ink: 1}
	setBits(f.Core, 0, w*h)
	for i := range f.Labels {
		if ink(float64(i%w)+0.5, float64(i/w)+0.5) {
			f.Labels[i] = 1
		}
	}
	return f
}

var onlyInk = []bool{false, true}

// TestNearestOf compares with looking at every site.
func TestNearestOf(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 1))
	for range 200 {
		w, h := 1+r.IntN(24), 1+r.IntN(24)
		site := make([]bool, w*h)
		for k := r.IntN(5); k > 0; k-- {
			site[r.IntN(w*h)] = true
		}
		d2, at := nearestOf(site, w, h)
		for i := range site {
			want := int32(far)
			for j, s := range site {
				if s {
					dx, dy := i%w-j%w, i/w-j/w
					want = min(want, int32(dx*dx+dy*dy))
				}
			}
			if d2[i] != want {
				t.Fatalf("%d x %d, pixel %d: %d, want %d\n%v", w, h, i, d2[i], want, site)
			}
			if j := at[i]; want == far && j != -1 || want != far && (!site[j] || int32((i%w-int(j)%w)*(i%w-int(j)%w)+(i/w-int(j)/w)*(i/w-int(j)/w)) != want) {
				t.Fatalf("%d x %d, pixel %d: site %d is not at that distance", w, h, i, j)
			}
		}
	}
}

// ring is a circle of ink around (128, 128) of radius 80 and the given width with a break to the right.
func ring(width, gap float64) func(x, y float64) bool {
	return func(x, y float64) bool {
		r := math.Hypot(x-128, y-128)
		return math.Abs(r-80) <= width/2 && !(x > 128 && math.Abs(y-128) < gap/2)
	}
}

func TestBreaksAreBridged(t *testing.T) {
	for _, width := range []float64{3, 4, 6, 10, 16} {
		f := drawn(256, 256, ring(width, 0))
		a := f.EnclosedBy(onlyInk, -1)
		if math.Abs(a.Line-width) > 1.5 {
			t.Errorf("a line of %g px is taken for %g", width, a.Line)
		}
		for gap := 1.0; gap <= width/2; gap++ {
			a := drawn(256, 256, ring(width, gap)).EnclosedBy(onlyInk, -1)
			if len(a.At) != 2 || a.Of[128*256+128] != 1 || a.Of[0] != 0 {
				t.Errorf("a break of %g px in a line of %g px is not bridged: %d areas", gap, width, len(a.At)-1)
			}
		}
		// What was meant to be open stays open, and what is asked for counts.
		wide := drawn(256, 256, ring(width, 3*width+6))
		if a := wide.EnclosedBy(onlyInk, -1); len(a.At) != 1 {
			t.Errorf("an opening of %g px in a line of %g px is closed", 3*width+6, width)
		}
		if a := wide.EnclosedBy(onlyInk, 3*width+8); len(a.At) != 2 {
			t.Errorf("a gap of %g px asked for is not bridged", 3*width+8)
		}
		if a := drawn(256, 256, ring(width, 3)).EnclosedBy(onlyInk, 0); len(a.At) != 1 {
			t.Errorf("a break is bridged with a gap of 0")
		}
	}
}

// TestAreasMeetInTheMiddle looks at a square parted by an upright line: each half goes to the middle of it.
func TestAreasMeetInTheMiddle(t *testing.T) {
	f := drawn(120, 80, func(x, y float64) bool {
		in := x > 10 && x < 110 && y > 10 && y < 70
		return in && !(x > 18 && x < 102 && y > 18 && y < 62) || in && x > 56 && x < 64
	})
	a := f.EnclosedBy(onlyInk, -1)
	if len(a.At) != 3 {
		t.Fatalf("%d areas, want 2", len(a.At)-1)
	}
	for x, want := range map[int]int32{13: 0, 14: 1, 59: 1, 60: 2, 105: 2, 106: 0} {
		if got := a.Of[40*120+x]; got != want {
			t.Errorf("at x = %d lies area %d, want %d", x, got, want)
		}
	}
	for k, p := range a.At[1:] {
		if a.Of[p.Y*120+p.X] != int32(k+1) || f.Labels[p.Y*120+p.X] != 0 {
			t.Errorf("the middle of area %d is at %v", k+1, p)
		}
	}
}

// TestHatchingIsOneArea hatches a frame, with open strokes and crosswise.
func TestHatchingIsOneArea(t *testing.T) {
	frame := func(x, y float64) bool {
		in := x > 20 && x < 236 && y > 20 && y < 236
		return in && !(x > 24 && x < 232 && y > 24 && y < 232)
	}
	stroke := func(x, y float64) bool {
		return x > 60 && x < 180 && y > 60 && y < 180 && math.Mod(x+y, 8) < 2
	}
	cross := func(x, y float64) bool { return stroke(x, y) || stroke(x, 256-y) && y > 76 && y < 196 }
	for name, hatch := range map[string]func(x, y float64) bool{"strokes": stroke, "crosswise": cross,
		"joined to the frame": func(x, y float64) bool {
			return x > 24 && x < 180 && y > 60 && y < 180 && math.Mod(x+y, 8) < 2
		}} {
		a := drawn(256, 256, func(x, y float64) bool { return frame(x, y) || hatch(x, y) }).EnclosedBy(onlyInk, -1)
		if len(a.At) != 2 {
			t.Errorf("%s: %d areas, want 1", name, len(a.At)-1)
		}
	}
	// A small area by itself is none of hatching.
	hole := drawn(256, 256, func(x, y float64) bool {
		r := math.Hypot(x-128, y-128)
		return frame(x, y) || r < 10 && r > 4
	})
	if a := hole.EnclosedBy(onlyInk, -1); len(a.At) != 3 {
		t.Errorf("a ring in a frame: %d areas, want 2", len(a.At)-1)
	}
}

func TestDrawnInks(t *testing.T) {
	// A black outline around blue paint, with red details on the paint and a red line on the paper.
	f := &Flats{W: 200, H: 200, Labels: make([]uint8, 200*200), Ground: 0, Ink: 1, Palette: []Swatch{
		{Name: "white"}, {Name: "ink"}, {Name: "blue"}, {Name: "red"}, {Name: "glint"}}}
	f.Palette[0].Colour.R, f.Palette[0].Colour.G, f.Palette[0].Colour.B = 255, 255, 255
	f.Palette[2].Colour.B = 200
	f.Palette[3].Colour.R = 200
	f.Palette[4].Colour.R, f.Palette[4].Colour.G, f.Palette[4].Colour.B = 240, 240, 255
	for i := range f.Labels {
		x, y := float64(i%200), float64(i/200)
		switch r := math.Hypot(x-100, y-100); {
		case r > 70 && r < 74:
			f.Labels[i] = 1
		case r < 50 && math.Mod(y, 20) < 3, r > 80 && math.Abs(y-190) < 2:
			f.Labels[i] = 3
		case r < 40 && math.Abs(y-70) < 2:
			f.Labels[i] = 4
		case r < 74:
			f.Labels[i] = 2
		}
	}
	for l, want := range []bool{false, true, false, true, false} {
		if got := f.DrawnInks()[l]; got != want {
			t.Errorf("%s: ink %v, want %v", f.Palette[l].Name, got, want)
		}
	}
	f.Ink = -1
	for l, ink := range f.DrawnInks() {
		if ink {
			t.Errorf("%s is ink of a picture without any", f.Palette[l].Name)
		}
	}
}
