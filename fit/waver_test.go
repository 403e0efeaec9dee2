package fit

import (
	"math"
	"testing"
)

// wavy returns samples along f from 0 to length, thrown aside by swings of about 30 and 47 px, amp px high, as of a hand.
func wavy(length, amp float64, f func(t float64) Point) []Sample {
	var out []Sample
	for t := 0.0; t <= length; t++ {
		p, q := f(t), f(t+0.01)
		n := q.Sub(p).Unit().Perp()
		d := amp * (0.6*math.Sin(t/4.8+1) + 0.4*math.Sin(t/7.5))
		out = append(out, Sample{Point: p.Add(n.Mul(d)), Weight: 1})
	}
	return out
}

// A side that wavers about a straight line, drawn by hand, is that line; a bend of the same height is none, and edges that no
// hand drew are followed.
func TestWaveringSidesAreStraight(t *testing.T) {
	hand := Options{Tolerance: 2.2, Noise: 0.2, Scale: 2, Freehand: true}
	screen := hand
	screen.Freehand = false
	// A side of 700 px with a round corner at either end, which the whole is not straight for.
	side := func(t float64) Point {
		const r = 60.0
		switch quarter := r * math.Pi / 2; {
		case t < quarter:
			sin, cos := math.Sincos(t / r)
			return Point{r - r*cos, r - r*sin}
		case t < quarter+700:
			return Point{r + t - quarter, 0}
		default:
			sin, cos := math.Sincos((t - quarter - 700) / r)
			return Point{r + 700 + r*sin, r - r*cos}
		}
	}
	bow := func(t float64) Point { // 2 px high
		return Point{t, 8 * t * (700 - t) / (700 * 700)}
	}
	lines := func(samples []Sample, opt Options) (longest float64, segments int) {
		p := Curve(samples, false, samples[0].Point, samples[len(samples)-1].Point, opt)
		for _, s := range p.Segments {
			if s.Line {
				longest = max(longest, s.Length())
			}
		}
		return longest, len(p.Segments)
	}
	wavering := wavy(700+60*math.Pi, 2, side)
	if l, n := lines(wavering, hand); l < 600 || n > 5 {
		t.Errorf("by hand: the longest line has %.0f px of 700, %d segments", l, n)
	}
	if l, _ := lines(wavering, screen); l > 300 {
		t.Errorf("not by hand: a line of %.0f px", l)
	}
	if l, _ := lines(wavy(700, 0.5, func(t float64) Point { return Point{t, 30 * math.Sin(t*math.Pi/700)} }), hand); l > 200 {
		t.Errorf("an arch 30 px high holds a line of %.0f px", l)
	}
	// Nearly straight, but bent: what wavers little about a bend of 2 px is no line from end to end of a bent side.
	arc := wavy(700+60*math.Pi, 0.3, func(t float64) Point {
		p := side(t)
		if p.Y == 0 {
			p = p.Add(Point{0, -bow(p.X-60).Y * 4})
		}
		return p
	})
	if l, _ := lines(arc, hand); l > 500 {
		t.Errorf("a bent side holds a line of %.0f px", l)
	}
}
