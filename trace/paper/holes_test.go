package paper

import (
	"context"
	"math"
	"testing"
)

// mm is how many px of the test's sheets are a millimetre of A4, 297 mm wide.
const mm = 900 / 297.0

// holes adds discs of a diameter as dark as what lies beneath the sheet, at depths from its left or upper edge.
func (c *canvas) holes(down bool, diameter, depth float64, places ...float64) {
	for _, p := range places {
		c.layer([3]float64{0.15, 0.1, 0.06}, func(x, y float64) float64 {
			if down {
				x, y = y, x
			}
			return band(math.Hypot(x-depth, y-p), diameter)
		})
	}
}

// boundPad adds the holes and the wire of a pad along the left edge, pitch px apart.
func (c *canvas) boundPad(pitch float64) {
	c.layer([3]float64{0.2, 0.2, 0.22}, func(x, y float64) float64 {
		at := y - pitch*math.Round(y/pitch)
		return math.Max(band(math.Hypot(x-0.75*pitch, at), 0.5*pitch), band(at, 0.2*pitch)*b2f(x < 0.75*pitch))
	})
}

// TestHolesGo: punched holes by ISO 838 (6 mm, 12 mm from the edge, 80 mm apart), in three as is the custom where sheets
// are measured in inches (common practice, no source), and the binding of a pad leave the sheet as if there had been none.
func TestHolesGo(t *testing.T) {
	for _, c := range []struct {
		name            string
		holes, bindings int
		punch           func(c *canvas)
	}{
		{"two", 2, 0, func(c *canvas) { c.holes(false, 6*mm, 12*mm, 350-40*mm, 350+40*mm) }},
		{"four", 4, 0, func(c *canvas) { c.holes(true, 6*mm, 12*mm, 450-120*mm, 450-40*mm, 450+40*mm, 450+120*mm) }},
		{"three", 3, 0, func(c *canvas) { c.holes(true, 7.1*mm, 12.7*mm, 450-108*mm, 450, 450+108*mm) }},
		{"two, off the middle by 5 mm", 2, 0, func(c *canvas) { c.holes(false, 5.7*mm, 11*mm, 350-35*mm, 350+45*mm) }},
		{"three in a pad's inch", 0, 1, func(c *canvas) { c.boundPad(25.4 / 3 * mm) }},
		{"two in a pad's inch", 0, 1, func(c *canvas) { c.boundPad(25.4 / 2 * mm) }},
	} {
		bound := ringAndDisc()
		c.punch(bound)
		s, want := bound.sheet(1.5, 1), ringAndDisc().sheet(1.5, 1)
		holes, bindings := s.dropHoles(newCrew(context.Background(), 2))
		if holes != c.holes || bindings != c.bindings {
			t.Errorf("%s: %d holes and %d bindings dropped, want %d and %d", c.name, holes, bindings, c.holes, c.bindings)
		}
		if off := compare(s, want, 20); off > 1e-4 {
			t.Errorf("%s: %.3f %% of the sheet differ from one that was never bound", c.name, 100*off)
		}
	}
}

// TestWhatLooksLikeHolesStays: portholes, lamps on a string, a fence, rivets, a rope and waves along an edge are drawn.
func TestWhatLooksLikeHolesStays(t *testing.T) {
	for name, draw := range map[string]func(c *canvas){
		"nothing":                     func(c *canvas) {},
		"one porthole":                func(c *canvas) { c.holes(false, 6*mm, 12*mm, 350) },
		"two portholes off to a side": func(c *canvas) { c.holes(false, 6*mm, 12*mm, 130, 370) },
		"two of different sizes":      func(c *canvas) { c.holes(false, 6*mm, 12*mm, 350-40*mm); c.holes(false, 9*mm, 12*mm, 350+40*mm) },
		"lamps close together":        func(c *canvas) { c.holes(true, 6*mm, 12*mm, 390, 430, 470, 510) },
		"lamps on a string": func(c *canvas) {
			c.holes(true, 6*mm, 12*mm, 450-120*mm, 450-40*mm, 450+40*mm, 450+120*mm)
			c.layer(inkBlack, func(x, y float64) float64 { return band(y-12*mm-8, 4) * b2f(x > 60 && x < 840) })
		},
		"a fence": func(c *canvas) {
			c.layer(inkBlack, func(x, y float64) float64 {
				at := x - 24*math.Round(x/24)
				return math.Max(band(at, 5)*b2f(y > 590 && y < 690), band(y-640, 4))
			})
		},
		"waves": func(c *canvas) {
			c.layer(inkBlack, func(x, y float64) float64 { return band(y-660-9*math.Sin(x/6), 4) * b2f(x > 150 && x < 560) })
		},
		"lamps in ink, just where holes would be": func(c *canvas) {
			c.layer(inkBlack, func(x, y float64) float64 {
				return math.Max(band(math.Hypot(x-450-40*mm, y-12*mm), 6*mm), band(math.Hypot(x-450+40*mm, y-12*mm), 6*mm))
			})
		},
		"three portholes of a colour of their own": func(c *canvas) {
			c.layer([3]float64{0.2, 0.3, 0.4}, func(x, y float64) float64 {
				at := math.Min(math.Abs(x-450), math.Abs(math.Abs(x-450)-108*mm))
				return band(math.Hypot(at, y-12.7*mm)-7, 7)
			})
		},
		"rivets in ink, even and all along": func(c *canvas) {
			c.layer(inkBlack, func(x, y float64) float64 { return band(math.Hypot(x-30*math.Round(x/30), y-24), 9) })
		},
		"rivets of a colour of their own, by hand": func(c *canvas) {
			c.layer([3]float64{0.2, 0.3, 0.4}, func(x, y float64) float64 {
				k := math.Round(x / 30)
				return band(math.Hypot(x-30*k-2.5*math.Sin(1.7*k*k), y-24-2*math.Sin(2.3*k*k)), 9)
			})
		},
		"a rope": func(c *canvas) {
			c.layer(inkBlack, func(x, y float64) float64 {
				return band(0.7*(x-25*math.Round(x/25)-y+24), 4) * b2f(math.Abs(y-24) < 12)
			})
		},
		"grass": func(c *canvas) {
			c.layer(inkBlack, func(x, y float64) float64 {
				k := math.Round(x / 20)
				return band(x-20*k+0.3*(y-700), 4) * b2f(y > 665+4*math.Sin(3.3*k))
			})
		},
	} {
		c := ringAndDisc()
		draw(c)
		s, want := c.sheet(1.5, 1), c.sheet(1.5, 1)
		if holes, bindings := s.dropHoles(newCrew(context.Background(), 2)); holes+bindings > 0 || compare(s, want, 0) > 0 {
			t.Errorf("%s: %d holes and %d bindings dropped", name, holes, bindings)
		}
	}
}
