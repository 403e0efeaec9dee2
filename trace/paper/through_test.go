package paper

import (
	"context"
	"math"
	"strings"
	"testing"
)

// soft is the cover of a stroke whose edges are scattered over 4 px, as paper does to what is on its back.
func soft(d, width float64) float64 {
	const s = 4 * math.Sqrt2
	return (math.Erf((d+width/2)/s) - math.Erf((d-width/2)/s)) / 2
}

// back draws a boat, mirrored, on the back of the sheet: how dark it comes through is a colour.
func (c *canvas) back(through [3]float64) {
	c.layer(through, func(x, y float64) float64 {
		hull := soft(math.Hypot(x-430, y-300)-210, 6) * b2f(y > 300)
		mast := soft(x-470, 7) * b2f(y > 70 && y < 330)
		deck := soft(y-300, 6) * b2f(x > 220 && x < 640)
		waves := soft(y-610-8*math.Sin(x/19), 6) * b2f(x > 90 && x < 800)
		return max(hull, mast, deck, waves)
	})
}

// TestBackGoes: lines that shine through from the back, where they take a sixth to a quarter of the light, leave the paper as it was; what is
// drawn on the front stays, and stays whole where they run beneath it. What is left lies beside ink.
func TestBackGoes(t *testing.T) {
	for _, dark := range []float64{0.3, 0.4, 0.5} {
		for _, grain := range []float64{0.8, 2} {
			c := ringAndDisc()
			c.back([3]float64{1 - dark, 1 - dark, 1 - dark})
			s, want := c.sheet(grain, 4), ringAndDisc().sheet(grain, 4)
			s.Blur = 0.7
			before := compare(s, want, 10)
			share := s.dropThrough(newCrew(context.Background(), 2))
			after := compare(s, want, 10)
			if share == 0 || after > 0.2*before {
				t.Errorf("through %g, grain %g: %.2f %% of the sheet dropped; %.3f %% of it differ, %.3f %% before", dark, grain, 100*share, 100*after, 100*before)
			}
			for i := range s.W * s.H { // ink
				if p, q := s.Pix[4*i], want.Pix[4*i]; q < 90 && p > q+30 {
					t.Fatalf("through %g: ink at %d,%d went from %d to %d", dark, i%s.W, i/s.W, q, p)
				}
			}
		}
	}
}

// TestFrontStays: pale lines and areas that were drawn on the front have edges, and a soft blush is no drawing.
func TestFrontStays(t *testing.T) {
	pale := [3]float64{0.86, 0.84, 0.88}
	for name, draw := range map[string]func(c *canvas){
		"nothing": func(c *canvas) {},
		"pale lines": func(c *canvas) {
			c.layer(pale, func(x, y float64) float64 {
				return max(band(y-610-8*math.Sin(x/19), 6)*b2f(x > 90 && x < 800), band(math.Hypot(x-430, y-300)-210, 6))
			})
		},
		"pale areas": func(c *canvas) {
			c.layer(pale, func(x, y float64) float64 { return band(math.Hypot(x-250, y-330), 200) })
			c.layer([3]float64{0.95, 0.97, 0.8}, func(x, y float64) float64 { return band(y-600, 120) * b2f(x > 100 && x < 800) })
		},
		"a blush": func(c *canvas) {
			c.layer([3]float64{1, 0.85, 0.85}, func(x, y float64) float64 { return math.Exp(-((x-330)*(x-330) + (y-350)*(y-350)) / 3200) })
		},
		"pencil": func(c *canvas) {
			c.layer([3]float64{0.8, 0.8, 0.8}, func(x, y float64) float64 {
				return band(y-610-8*math.Sin(x/19), 3) * (0.6 + 0.4*math.Sin(x*1.9)*math.Sin(y*2.3)) * b2f(x > 90 && x < 800)
			})
		},
	} {
		c := ringAndDisc()
		draw(c)
		s, want := c.sheet(1.5, 4), c.sheet(1.5, 4)
		s.Blur = 0.7
		if share := s.dropThrough(newCrew(context.Background(), 2)); share > 0 {
			t.Errorf("%s: %.2f %% of the sheet dropped, %.2f %% of it differ", name, 100*share, 100*compare(s, want, 10))
		}
	}
}

// TestBackInThePipeline: both steps are reported, and can be switched off.
func TestBackInThePipeline(t *testing.T) {
	c := ringAndDisc()
	c.back([3]float64{0.6, 0.6, 0.6})
	c.holes(false, 6*mm, 12*mm, 350-40*mm, 350+40*mm)
	pic := c.sheet(1.5, 4).Picture
	pic.Name, pic.Format, pic.Lossy = "page", "jpeg", true
	for _, keep := range []bool{false, true} {
		s, err := Prepare(context.Background(), &pic, Options{Kind: Scan, Sheet: SheetOff, KeepBack: keep, KeepHoles: keep})
		if err != nil {
			t.Fatal(err)
		}
		notes := strings.Join(s.Notes, "\n")
		if strings.Contains(notes, "shows through") == keep || strings.Contains(notes, "holes dropped, 2") == keep {
			t.Errorf("keep %v: notes %q", keep, s.Notes)
		}
	}
}

// TestPaleAreaOverBack: a pale area whose edge is lost over a stretch, so that it runs together with the paper, stays while
// the lines of the back around it go.
func TestPaleAreaOverBack(t *testing.T) {
	pale := func(c *canvas) {
		c.layer([3]float64{0.82, 0.93, 0.9}, func(x, y float64) float64 {
			edge := 1.0
			if x > 640 {
				edge = 16 // watered down
			}
			return math.Min(math.Max((110-math.Hypot(x-600, y-480))/edge+0.5, 0), 1)
		})
	}
	c, plain := ringAndDisc(), ringAndDisc()
	pale(c)
	pale(plain)
	c.back([3]float64{0.6, 0.6, 0.6})
	s, want := c.sheet(1, 4), plain.sheet(1, 4)
	s.Blur = 0.7
	if s.dropThrough(newCrew(context.Background(), 2)) == 0 {
		t.Error("nothing dropped")
	}
	lost := 0
	for y := range s.H {
		for x := range s.W {
			i := 4 * (y*s.W + x)
			if math.Hypot(float64(x)-600, float64(y)-480) < 85 && s.Pix[i] > want.Pix[i]+8 {
				lost++
			}
		}
	}
	if lost > 50 {
		t.Errorf("%d px of the area lost", lost)
	}
}
