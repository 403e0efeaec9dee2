package trace

import (
	"context"
	"math"
	"testing"

	"pochoir/fit"
	"pochoir/trace/paper"
)

// boxPicture returns black boxes of w by h px on white, turned by an angle about their centre, with exact coverage on a
// grid of 32 x 32 places a pixel.
func boxPicture(w, h, cx, cy, turn float64) *paper.Picture {
	const size, n = 40, 32
	pic := &paper.Picture{W: size, H: size, Pix: make([]uint8, 4*size*size)}
	c, s := math.Cos(turn), math.Sin(turn)
	for y := range size {
		for x := range size {
			hits := 0
			for k := range n * n {
				dx, dy := float64(x)+(float64(k%n)+0.5)/n-cx, float64(y)+(float64(k/n)+0.5)/n-cy
				if a, b := dx*c+dy*s, dy*c-dx*s; math.Abs(a) < w/2 && math.Abs(b) < h/2 {
					hits++
				}
			}
			v := uint8(math.Round(255 * (1 - float64(hits)/(n*n))))
			p := pic.Pix[4*(y*size+x):]
			p[0], p[1], p[2], p[3] = v, v, v, 255
		}
	}
	return pic
}

// TestSmallBoxes: lone squares and boxes of 3 to 14 px keep their four corners and straight sides.
func TestSmallBoxes(t *testing.T) {
	for _, c := range []struct{ w, h, cx, cy, turn float64 }{
		{3, 3, 20.3, 19.8, 0}, {4.5, 4.5, 20.1, 20.4, 0}, {6, 3, 20.25, 19.6, 0}, {4.5, 4.5, 20.2, 20.1, math.Pi / 8},
		{6, 3, 20.3, 20.2, 0.4}, {6, 6, 20.4, 20.3, 0}, {8, 8, 20.3, 20.1, 0}, {12, 12, 20.3, 19.9, 0}, {14, 9, 20.2, 20.3, 0},
	} {
		res, err := Trace(context.Background(), boxPicture(c.w, c.h, c.cx, c.cy, c.turn), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Drawing.Layers) != 1 || len(res.Drawing.Layers[0].Shapes) != 1 {
			t.Errorf("%g x %g turned by %.2f: %d layers", c.w, c.h, c.turn, len(res.Drawing.Layers))
			continue
		}
		ring := res.Drawing.Layers[0].Shapes[0].Rings[0]
		worst := 0.0
		for k := range 4 {
			a, b := c.w/2, c.h/2
			if k&1 != 0 {
				a = -a
			}
			if k&2 != 0 {
				b = -b
			}
			s, co := math.Sin(c.turn), math.Cos(c.turn)
			p := fit.Point{X: c.cx + a*co - b*s, Y: c.cy + a*s + b*co}
			_, _, d := ring.Nearest(p)
			worst = math.Max(worst, d)
		}
		if n := len(ring.Segments); n != 4 || worst > 0.25 {
			t.Errorf("%g x %g turned by %.2f: %d segments, want 4; a corner is missed by %.2f px, want at most 0.25", c.w, c.h, c.turn, n, worst)
		}
	}
}

// TestSmallDiscsStayRound: what the box is offered for as well is not taken by it.
func TestSmallDiscsStayRound(t *testing.T) {
	for _, r := range []float64{1.7, 2.1, 2.8, 3.4} {
		const size, n = 24, 32
		pic := &paper.Picture{W: size, H: size, Pix: make([]uint8, 4*size*size)}
		for y := range size {
			for x := range size {
				hits := 0
				for k := range n * n {
					if math.Hypot(float64(x)+(float64(k%n)+0.5)/n-12.3, float64(y)+(float64(k/n)+0.5)/n-11.8) < r {
						hits++
					}
				}
				v := uint8(math.Round(255 * (1 - float64(hits)/(n*n))))
				p := pic.Pix[4*(y*size+x):]
				p[0], p[1], p[2], p[3] = v, v, v, 255
			}
		}
		res, err := Trace(context.Background(), pic, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range res.Drawing.Layers[0].Shapes[0].Rings[0].Segments {
			if s.Line {
				t.Errorf("radius %g: a straight side", r)
				break
			}
		}
	}
}

// TestShortMarks: marks of little more than a pixel that are twice as long as wide are drawn so, wherever they lie among the pixels.
func TestShortMarks(t *testing.T) {
	for k := range 16 {
		cx, cy := 20+0.25*float64(k%4), 20+0.25*float64(k/4)
		for _, c := range []struct{ long, wide, turn float64 }{{1.9, 0.9, 0.4}, {2, 0.8, 1.2}} {
			pic := boxPicture(c.long, c.wide, cx, cy, c.turn)
			for k := range 36 { // a larger one tells its colour
				copy(pic.Pix[4*((3+k/6)*pic.W+3+k%6):], []uint8{0, 0, 0, 255})
			}
			res, err := Trace(context.Background(), pic, Options{})
			if err != nil {
				t.Fatal(err)
			}
			shapes := res.Drawing.Layers[0].Shapes
			if len(shapes) != 2 {
				t.Errorf("%g x %g px at %g, %g: %d shapes, want 2", c.long, c.wide, cx, cy, len(shapes))
				continue
			}
			u := fit.Point{X: math.Cos(c.turn), Y: math.Sin(c.turn)}
			var along, across float64 // how far the outline reaches
			for _, s := range shapes[1].Rings[0].Segments {
				for n := range 8 {
					d := s.At(float64(n) / 8).Sub(fit.Point{X: cx, Y: cy})
					along, across = math.Max(along, math.Abs(d.Dot(u))), math.Max(across, math.Abs(d.Cross(u)))
				}
			}
			if along < 1.4*across {
				t.Errorf("%g x %g px turned by %g at %g, %g: drawn %.2f x %.2f px", c.long, c.wide, c.turn, cx, cy, 2*along, 2*across)
			}
		}
	}
}
