package trace_test

import (
	"math"
	"testing"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// strip is a stroke from (x0, y0), width w0 there, to (x1, y1), width w1, its sides straight, with a round end there if
// round.
func strip(x0, y0, w0, x1, y1, w1 float64, round bool) figure {
	dx, dy := x1-x0, y1-y0
	l := math.Hypot(dx, dy)
	return figure{navy, func(x, y float64) bool {
		a, b := ((x-x0)*dx+(y-y0)*dy)/l, math.Abs((x-x0)*dy-(y-y0)*dx)/l
		if round && math.Hypot(x-x1, y-y1) < w1/2 {
			return true
		}
		return a > 0 && a < l && b < (w0+(w1-w0)*a/l)/2
	}}
}

// TestTips: the ends of narrow strokes lie where the drawing ends, to a part of a pixel: points, whose last pixels are
// covered by a few parts in a hundred, in a corner; round ends without one. The ends are known from the figures' own
// equations.
func TestTips(t *testing.T) {
	for _, slope := range []float64{0, 0.15, 0.4, 0.8, 1.3, 2.2} {
		for _, c := range []struct {
			w0, w1 float64
			round  bool
			within float64 // px
		}{
			{4, 0, false, 0.4}, {6, 0, false, 0.3}, {9, 0, false, 0.3}, {2, 1, true, 0.45}, {1.6, 0.9, true, 0.45}, {3, 1.2, true, 0.45},
		} {
			n := math.Hypot(1, slope)
			x1, y1 := 20+45/n, 20.3+45*slope/n
			pic := drawn(80, 80, disc(navy, 20, 20.3, 9), strip(20, 20.3, c.w0, x1, y1, c.w1, c.round))
			d := traced(t, pic, trace.Options{Sheet: paper.Options{Kind: paper.Digital}}).Drawing
			// How far the outlines reach along the stroke.
			far, corner := 0.0, false
			for _, shape := range layer(d, navy).Shapes {
				for _, ring := range shape.Rings {
					for k, s := range ring.Segments {
						next := ring.Segments[(k+1)%len(ring.Segments)]
						for i := range 33 {
							p := s.At(float64(i) / 32)
							far = math.Max(far, ((p.X-20)+(p.Y-20.3)*slope)/n)
						}
						if s.P[3].Sub(fit.Point{X: x1, Y: y1}).Len() < 1.5 && leaving(next).Dot(arriving(s)) < 0 {
							corner = true
						}
					}
				}
			}
			want := 45.0
			if c.round {
				want += c.w1 / 2
			}
			within := c.within
			if slope == 0.8 { // pixels of two columns and rows at once hold the whole of a narrow round end
				within += 0.35
			}
			if math.Abs(far-want) > within {
				t.Errorf("slope %.2f, %g to %g px, round %v: reaches %.2f px, want %.2f", slope, c.w0, c.w1, c.round, far, want)
			}
			if corner == c.round {
				t.Errorf("slope %.2f, %g to %g px, round %v: corner %v", slope, c.w0, c.w1, c.round, corner)
			}
		}
	}
}

// leaving and arriving return the directions of a segment at its ends.
func leaving(s fit.Segment) fit.Point { return s.At(1e-3).Sub(s.P[0]).Unit() }

func arriving(s fit.Segment) fit.Point { return s.P[3].Sub(s.At(1 - 1e-3)).Unit() }

// TestFaintMarks: lone slivers, on paper and in ink, of which no pixel is covered by half are drawn as long as they are and
// with their area; both are known from the figures' own equations.
func TestFaintMarks(t *testing.T) {
	for _, turn := range []float64{0, 0.3, 0.7, 1.2, 1.5} {
		for _, c := range []struct{ long, wide float64 }{{3, 0.3}, {5, 0.25}, {2.5, 0.4}, {4, 0.4}} {
			u := fit.Point{X: math.Cos(turn), Y: math.Sin(turn)}
			at := fit.Point{X: 30.4, Y: 29.7}
			sliver := func(of colour.RGB) figure { return oval(of, at.X, at.Y, c.long/2, c.wide/2, turn) }
			for _, hole := range []bool{false, true} {
				pic := drawn(60, 60, disc(navy, 30, 8, 5), sliver(navy))
				if hole {
					pic = drawn(60, 60, disc(navy, 30, 30, 20), sliver(white))
				}
				d := traced(t, pic, trace.Options{Sheet: paper.Options{Kind: paper.Digital}}).Drawing
				far, area := 0.0, 0.0
				for _, shape := range layer(d, navy).Shapes {
					for _, ring := range shape.Rings {
						if ring.Segments[0].P[0].Sub(at).Len() > 4 {
							continue
						}
						area += math.Abs(ring.Area())
						for _, s := range ring.Segments {
							for k := range 9 {
								far = math.Max(far, math.Abs(s.At(float64(k)/8).Sub(at).Dot(u)))
							}
						}
					}
				}
				if want := math.Pi / 4 * c.long * c.wide; math.Abs(far-c.long/2) > 0.5 || math.Abs(area-want) > 0.15*want {
					t.Errorf("turned by %.1f, %g x %g px, hole %v: reaches %.2f px from its middle, want %.2f; area %.2f px², want %.2f",
						turn, c.long, c.wide, hole, far, c.long/2, area, want)
				}
			}
		}
	}
}

// TestLoneMarks: marks that show in a single pixel, on paper and in ink, are drawn with their area and where they are, down to
// a twentieth of a pixel, even where another edge is near. A person who asks for no marks so small gets none.
func TestLoneMarks(t *testing.T) {
	for _, c := range []struct{ radius, cx, edge float64 }{
		{0.4, 30.5, 50}, {0.25, 30.4, 50}, {0.15, 30.5, 50}, {0.4, 30.5, 34}, {0.25, 30.4, 32.7},
	} {
		for _, hole := range []bool{false, true} {
			mark, ground := navy, white
			if hole {
				mark, ground = white, navy
			}
			at := fit.Point{X: c.cx, Y: 29.5}
			pic := drawn(60, 60, box(ground, 0, 0, 60, 60), box(mark, c.edge, 0, 60, 60), disc(mark, at.X, at.Y, c.radius))
			find := func(opt trace.Options) (area, off float64) {
				opt.KeepPaper = true
				off = math.Inf(1)
				for _, l := range traced(t, pic, opt).Drawing.Layers {
					for _, shape := range l.Shapes {
						for _, ring := range shape.Rings {
							if d := ring.Segments[0].P[0].Sub(at).Len(); d < 1 {
								area, off = math.Abs(ring.Area()), min(off, d)
							}
						}
					}
				}
				return area, off
			}
			area, off := find(digital)
			if want := math.Pi * c.radius * c.radius; math.Abs(area-want) > 0.2*want || off > c.radius+0.3 {
				t.Errorf("radius %g, edge at %g, hole %v: area %.3f px², want %.3f, %.2f px from its middle", c.radius, c.edge, hole, area, want, off)
			}
			dusted := digital
			dusted.Dust = new(float64)
			*dusted.Dust = 1
			if area, _ := find(dusted); area > 0 {
				t.Errorf("radius %g, edge at %g, hole %v: kept among dust", c.radius, c.edge, hole)
			}
		}
	}
}

// TestHairlineEnds: a line of less than half a pixel that leaves a broad one far from any pixel it fills is drawn up to it,
// except where it runs between two pixels on its last ones: in one case of four at most.
func TestHairlineEnds(t *testing.T) {
	parted, all := 0, 0
	for _, turn := range []float64{0.05, 0.15, 0.3, 0.5} {
		for _, wide := range []float64{0.35, 0.45} {
			u := fit.Point{X: math.Sin(turn), Y: math.Cos(turn)}
			from := fit.Point{X: 25.4, Y: 20}
			hair := figure{navy, func(x, y float64) bool {
				p := fit.Point{X: x, Y: y}.Sub(from)
				return p.Dot(u) > 0 && p.Dot(u) < 24 && math.Abs(p.Cross(u)) < wide/2
			}}
			d := traced(t, drawn(60, 60, box(navy, 5, 14, 55, 20.3), hair), digital).Drawing
			all++
			if len(layer(d, navy).Shapes) != 1 {
				parted++
			}
		}
	}
	if 4*parted > all {
		t.Errorf("%d lines of %d are parted from what they leave", parted, all)
	}
}

// TestLeastMark: a lone pixel of which a fortieth shows another colour is a mark.
func TestLeastMark(t *testing.T) {
	d := traced(t, picture(80, 60, func(x, y int) (uint8, uint8, uint8) {
		switch {
		case x < 12 || y < 12 || x >= 68 || y >= 48:
			return 255, 255, 255
		case x == 40 && y == 30:
			return 6, 6, 6
		}
		return 0, 0, 0
	}), digital).Drawing
	rings := 0
	for _, l := range d.Layers {
		for _, shape := range l.Shapes {
			rings += len(shape.Rings)
		}
	}
	if rings != 2 {
		t.Errorf("%d outlines, want that of the box and that of the mark: %s", rings, summary(d))
	}
}
