package trace_test

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"pochoir/fit"
	"pochoir/trace"
)

// triangle fills the triangle abc, given clockwise on screen.
func triangle(a, b, c fit.Point) func(x, y float64) bool {
	return func(x, y float64) bool {
		p := fit.Point{X: x, Y: y}
		return b.Sub(a).Cross(p.Sub(a)) > 0 && c.Sub(b).Cross(p.Sub(b)) > 0 && a.Sub(c).Cross(p.Sub(c)) > 0
	}
}

// missedBy returns how far the outlines of a colour lie from a place, px.
func missedBy(d *trace.Drawing, at fit.Point) float64 { return offLayers(at, *layer(d, navy)) }

// offLayers returns how far the outlines of layers lie from a place, px.
func offLayers(at fit.Point, layers ...trace.Layer) float64 {
	off := math.Inf(1)
	for _, l := range layers {
		for _, shape := range l.Shapes {
			for _, ring := range shape.Rings {
				_, _, far := ring.Nearest(at)
				off = min(off, far)
			}
		}
	}
	return off
}

// TestSpurs: spurs and notches about a pixel wide on a broad shape are drawn up to their points, which are known from the
// figures' own equations; no more than one in five is not. (Samples alone miss them all.)
func TestSpurs(t *testing.T) {
	const within = 0.7 // px
	var missed []string
	all := 0
	for _, turn := range []float64{0, 0.35, 0.8, 1.3, 2.1, 2.9, 4} {
		for _, c := range []struct{ wide, long float64 }{{1, 2.5}, {1.4, 2}, {1.2, 3}} {
			u := fit.Point{X: math.Cos(turn), Y: math.Sin(turn)}
			middle := fit.Point{X: 30.3, Y: 29.8}
			foot := middle.Add(u.Mul(14))
			for _, notch := range []bool{false, true} {
				out := u
				if notch {
					out = u.Mul(-1)
				}
				tip := foot.Add(out.Mul(c.long))
				side := out.Perp().Mul(c.wide / 2)
				back := out.Mul(-0.3) // into the disc, whose edge bends
				spur := triangle(foot.Sub(side).Add(back), tip, foot.Add(side).Add(back))
				whole := disc(navy, middle.X, middle.Y, 14)
				pic := drawn(60, 60, figure{navy, func(x, y float64) bool {
					return whole.inside(x, y) && !(notch && spur(x, y)) || !notch && spur(x, y)
				}})
				all++
				if off := missedBy(traced(t, pic, digital).Drawing, tip); off > within {
					missed = append(missed, fmt.Sprintf("turned by %.2f, %g x %g px, notch %v: by %.2f px", turn, c.wide, c.long, notch, off))
				}
			}
		}
	}
	if 5*len(missed) > all {
		t.Errorf("%d points of %d are missed:\n%s", len(missed), all, strings.Join(missed, "\n"))
	}
}

// TestMendedAlike: what is drawn anew does not depend on the number of workers, and crosses nothing.
func TestMendedAlike(t *testing.T) {
	var spurs []figure
	spurs = append(spurs, disc(navy, 60, 60, 40))
	for k := range 12 {
		u := fit.Point{X: math.Cos(float64(k) * 0.52), Y: math.Sin(float64(k) * 0.52)}
		foot := fit.Point{X: 60, Y: 60}.Add(u.Mul(39.7))
		side := u.Perp().Mul(0.7)
		spurs = append(spurs, figure{navy, triangle(foot.Sub(side), foot.Add(u.Mul(3)), foot.Add(side))})
	}
	pic := drawn(120, 120, spurs...)
	var first *trace.Drawing
	for _, workers := range []int{1, 2, 5} {
		opt := digital
		opt.Workers = workers
		d := traced(t, pic, opt).Drawing
		if first == nil {
			first = d
		}
		if !reflect.DeepEqual(first, d) {
			t.Errorf("%d workers draw otherwise than one", workers)
		}
	}
	if l := layer(first, navy); len(l.Shapes) != 1 || len(l.Shapes[0].Rings) != 1 {
		t.Errorf("the outline falls to pieces: %s", summary(first))
	}
}

// TestEnds: strokes that bend and grow broader end where they do, which is known from their discs: no outline runs into
// pixels that show nothing of them.
func TestEnds(t *testing.T) {
	const within = 0.78 // px
	for k := range 14 {
		turn := 0.45 * float64(k)
		for _, c := range []struct{ radius, grows, bends float64 }{{1.3, 0.2, -0.15}, {1.1, 0.4, 0.15}} {
			type ball struct {
				at fit.Point
				r  float64
			}
			var balls []ball
			at, dir := fit.Point{X: 20.3, Y: 19.8}, turn
			for n := range 40 {
				balls = append(balls, ball{at, math.Min(5, c.radius+float64(c.grows*float64(n))/4)})
				at = at.Add(fit.Point{X: math.Cos(dir), Y: math.Sin(dir)}.Mul(1.0 / 4))
				dir += c.bends / 4
			}
			far := func(p fit.Point) float64 {
				d := math.Inf(1)
				for _, b := range balls {
					d = math.Min(d, p.Sub(b.at).Len()-b.r)
				}
				return d
			}
			d := traced(t, drawn(40, 40, figure{navy, func(x, y float64) bool { return far(fit.Point{X: x, Y: y}) < 0 }}), digital).Drawing
			off := 0.0
			for _, s := range layer(d, navy).Shapes[0].Rings[0].Segments {
				for n := range 16 {
					off = math.Max(off, far(s.At(float64(n)/16)))
				}
			}
			if off > within {
				t.Errorf("turned by %.2f, radius %g px: drawn %.2f px beyond", turn, c.radius, off)
			}
		}
	}
}

// TestSlits: a slit that runs on from the corner of a notch, narrower than a pixel and to a point, is drawn up to where it
// ends, which is known from the figures; no more than one in five is not.
func TestSlits(t *testing.T) {
	const within = 0.9 // px: of the last px no pixel shows more than a tenth
	var missed []string
	all := 0
	for k := range 16 {
		turn := 0.4 * float64(k)
		for _, c := range []struct{ wide, long float64 }{{0.5, 2}, {0.6, 2.5}, {0.4, 1.8}} {
			at := fit.Point{X: 30.3, Y: 29.8}
			dir := func(a float64) fit.Point { return fit.Point{X: math.Cos(turn + a), Y: math.Sin(turn + a)} }
			tip := at.Add(dir(0.3).Mul(c.long))
			side := dir(0.3).Perp().Mul(c.wide / 2)
			slit := triangle(at.Sub(side), tip, at.Add(side))
			pic := drawn(60, 60, box(navy, 8, 8, 52, 52), figure{white, func(x, y float64) bool {
				p := fit.Point{X: x, Y: y}.Sub(at)
				return slit(x, y) || p.Dot(dir(0)) < 0 && p.Dot(dir(math.Pi/2)) < 0 && p.Len() < 12
			}})
			all++
			if off := missedBy(traced(t, pic, digital).Drawing, tip); off > within {
				missed = append(missed, fmt.Sprintf("turned by %.2f, %g x %g px: by %.2f px", turn, c.wide, c.long, off))
			}
		}
	}
	if 5*len(missed) > all {
		t.Errorf("%d slits of %d are missed:\n%s", len(missed), all, strings.Join(missed, "\n"))
	}
}
