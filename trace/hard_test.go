package trace_test

import (
	"context"
	"math"
	"testing"

	"golang.org/x/image/font/gofont/goregular"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// hardly paints a figure on white, each pixel with the colour of its centre.
func hardly(w, h int, f figure) *paper.Picture {
	return picture(w, h, func(x, y int) (r, g, b uint8) {
		if f.inside(float64(x)+0.5, float64(y)+0.5) {
			return f.c.R, f.c.G, f.c.B
		}
		return 255, 255, 255
	})
}

// finer is how many times larger letters are drawn at first.
const finer = 5

// hard makes a picture a fifth as large of one in ink on white, every pixel the colour of its centre.
func hard(fine *paper.Picture) *paper.Picture {
	return picture(fine.W/finer, fine.H/finer, func(x, y int) (r, g, b uint8) {
		if i := 4 * ((finer*y+finer/2)*fine.W + finer*x + finer/2); fine.Pix[i] < 140 {
			return 24, 28, 44
		}
		return 255, 255, 255
	})
}

// Circles and squares at all angles, drawn without a pixel of mixed colour, come back as what they were.
func TestHardShapes(t *testing.T) {
	ink := colour.RGB{R: 24, G: 28, B: 44}
	for _, r := range []float64{12, 31.4, 60, 130} {
		size := int(2*r) + 24
		cx, cy := float64(size)/2+0.3, float64(size)/2-0.2
		p := onlyRing(t, traced(t, hardly(size, size, disc(ink, cx, cy, r)), trace.Options{}).Drawing, ink)
		if len(p.Segments) > 6 {
			t.Errorf("radius %g: %d segments", r, len(p.Segments))
		}
		if off := worstOff(p, func(q fit.Point) float64 { return math.Hypot(q.X-cx, q.Y-cy) - r }); off > 0.5 {
			t.Errorf("radius %g: %.3f px off, want at most half a pixel", r, off)
		}
		if worst := maxTurn(p); worst > 5 {
			t.Errorf("radius %g: the outline turns by %.1f° at a joint", r, worst)
		}
	}
	for degrees := 0.0; degrees < 46; degrees += 1.5 {
		// A square is a stroke as wide as it is long.
		theta := degrees * math.Pi / 180
		u := fit.Point{X: math.Cos(theta), Y: math.Sin(theta)}.Mul(50)
		m := fit.Point{X: 90.3, Y: 89.6}
		a, b := m.Sub(u), m.Add(u)
		p := onlyRing(t, traced(t, hardly(180, 180, stroke(ink, a.X, a.Y, b.X, b.Y, 100)), trace.Options{}).Drawing, ink)
		if len(p.Segments) > 5 {
			t.Errorf("square at %g°: %d segments", degrees, len(p.Segments))
		}
		if n := len(sharp(joints(p.Segments), 60)); n != 4 {
			t.Errorf("square at %g°: %d corners", degrees, n)
		}
		v := u.Perp()
		corners := []fit.Point{a.Add(v), b.Add(v), b.Sub(v), a.Sub(v)}
		if off := missing(cornersOf(p), corners...); off > 1 {
			t.Errorf("square at %g°: a corner is %.2f px off", degrees, off)
		}
	}
}

// Letters of the Go fonts (Bigelow & Holmes, 2016) drawn without a pixel of mixed colour come back with
// fewer segments than the font has, and with its corners only.
func TestHardLetters(t *testing.T) {
	var all spread
	var segments, own, corners, found, invented int
	for _, r := range "aegRSwKQ&8MB" {
		truth, pic := glyph(t, goregular.TTF, r, 300*finer)
		res, err := trace.Trace(context.Background(), hard(pic), trace.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for i := range truth {
			for k := range truth[i].P {
				truth[i].P[k] = truth[i].P[k].Mul(1.0 / finer)
			}
		}
		got := rings(res.Drawing)
		all.measure(got, indexOf(truth))
		all.measure(truth, indexOf(got))
		segments, own = segments+len(got), own+len(truth)
		tc, gc := sharp(apart(joints(truth), 6), 40), sharp(joints(got), 20)
		corners, found = corners+len(tc), found+near(tc, gc, 1.5)
		invented += len(gc) - near(gc, sharp(joints(truth), 10), 2)
		t.Logf("%c: %d segments for %d, %d of %d corners", r, len(got), len(truth), near(tc, gc, 1.5), len(tc))
	}
	t.Logf("mean %.3f, worst %.2f px; %d segments for %d; %d of %d corners, %d invented", all.mean(), all.worst, segments, own, found, corners, invented)
	if all.mean() > 0.15 || all.worst > 2.8 {
		t.Errorf("mean %.3f, worst %.2f px at (%.1f, %.1f)", all.mean(), all.worst, all.at.X, all.at.Y)
	}
	if float64(segments) > 0.8*float64(own) {
		t.Errorf("%d segments for the font's %d", segments, own)
	}
	if float64(found) < 0.88*float64(corners) || float64(invented) > 0.03*float64(corners) {
		t.Errorf("%d of %d corners found, %d invented", found, corners, invented)
	}
}

// Smoothness acts on hard edges as on others: the freer, the fewer segments.
func TestHardSmoothness(t *testing.T) {
	_, pic := glyph(t, goregular.TTF, '&', 300*finer)
	pic = hard(pic)
	var counts []int
	for _, s := range []float64{0, 50, 100} {
		counts = append(counts, traced(t, pic, trace.Options{Smoothness: &s}).Report.Segments)
	}
	if counts[0] <= counts[1] || counts[1] <= counts[2] {
		t.Errorf("%d segments at smoothness 0, 50 and 100", counts)
	}
}
