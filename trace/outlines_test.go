package trace_test

import (
	"context"
	"math"
	"testing"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goitalic"
	"golang.org/x/image/font/gofont/goregular"

	"pochoir/fit"
	"pochoir/trace"
)

// This file traces letters back whose true outlines are known, and holds the drawn curves against the true ones.

// index finds the curves near a point without looking at all of them: chords of the curves in cells of cellSize px.
type index struct {
	cells  map[[2]int][]chord
	chords []chord
}

type chord struct{ a, b fit.Point }

const cellSize = 8.0

// indexOf cuts curves into chords of about half a pixel, which leave a curve of radius r by 1/(32 r) px.
func indexOf(segs []fit.Segment) *index {
	ix := &index{cells: map[[2]int][]chord{}}
	for _, s := range segs {
		n := 1
		if !s.Line {
			n = max(4, int(math.Ceil(2*s.Length())))
		}
		for k := range n {
			ix.chords = append(ix.chords, chord{s.At(float64(k) / float64(n)), s.At(float64(k+1) / float64(n))})
		}
	}
	for _, c := range ix.chords {
		for y := int(math.Floor(min(c.a.Y, c.b.Y) / cellSize)); float64(y)*cellSize <= max(c.a.Y, c.b.Y); y++ {
			for x := int(math.Floor(min(c.a.X, c.b.X) / cellSize)); float64(x)*cellSize <= max(c.a.X, c.b.X); x++ {
				ix.cells[[2]int{x, y}] = append(ix.cells[[2]int{x, y}], c)
			}
		}
	}
	return ix
}

func (c chord) distance(p fit.Point) float64 {
	d := c.b.Sub(c.a)
	t := 0.0
	if l := d.Dot(d); l > 0 {
		t = min(1, max(0, p.Sub(c.a).Dot(d)/l))
	}
	return p.Sub(c.a.Lerp(c.b, t)).Len()
}

// distance returns how far p is from the nearest curve, px.
func (ix *index) distance(p fit.Point) float64 {
	best := math.Inf(1)
	cx, cy := int(math.Floor(p.X/cellSize)), int(math.Floor(p.Y/cellSize))
	for y := cy - 1; y <= cy+1; y++ {
		for x := cx - 1; x <= cx+1; x++ {
			for _, c := range ix.cells[[2]int{x, y}] {
				best = min(best, c.distance(p))
			}
		}
	}
	if best <= cellSize {
		return best
	}
	for _, c := range ix.chords { // nothing near: all that is left
		best = min(best, c.distance(p))
	}
	return best
}

// spread is the distances of places half a pixel apart, by length.
type spread struct {
	sum, worst float64
	n          int
	at         fit.Point
}

// measure adds the distances of places along segs from the curves of ix.
func (s *spread) measure(segs []fit.Segment, ix *index) {
	for _, g := range segs {
		n := max(1, int(math.Ceil(2*g.Length())))
		for k := range n {
			p := g.At((float64(k) + 0.5) / float64(n))
			d := ix.distance(p)
			s.sum += d
			s.n++
			if d > s.worst {
				s.worst, s.at = d, p
			}
		}
	}
}

func (s *spread) mean() float64 { return s.sum / float64(s.n) }

// joint is a place where two segments meet, and how far the outline turns there, degrees.
type joint struct {
	at   fit.Point
	turn float64
}

// joints returns the joints of a run of segments, in which every outline is closed.
func joints(segs []fit.Segment) []joint {
	var out []joint
	first := 0
	for i, s := range segs {
		next := i + 1
		if next == len(segs) || segs[next].P[0] != s.P[3] {
			next = first
			first = i + 1
		}
		if segs[next].P[0].Sub(s.P[3]).Len() > 1e-6 {
			continue // an outline that is not closed here
		}
		a, b := heading(s, 1), heading(segs[next], 0)
		out = append(out, joint{s.P[3], math.Abs(math.Atan2(a.Cross(b), a.Dot(b))) * 180 / math.Pi})
	}
	return out
}

// heading returns the direction of a segment at its start (0) or end (1), also where a handle has no length.
func heading(s fit.Segment, t float64) fit.Point {
	d := s.Deriv(t)
	if d.Len() < 1e-6 {
		d = s.At(math.Min(1, t+1e-3)).Sub(s.At(math.Max(0, t-1e-3)))
	}
	return d.Unit()
}

// sharp returns the joints that turn by at least the given angle, degrees.
func sharp(js []joint, least float64) []joint {
	var out []joint
	for _, j := range js {
		if j.turn >= least {
			out = append(out, j)
		}
	}
	return out
}

// apart returns the joints that have no other one within reach px: details of that size are no single corner.
func apart(js []joint, reach float64) []joint {
	var out []joint
	for i, j := range js {
		alone := true
		for k := range js {
			alone = alone && (k == i || js[k].at.Sub(j.at).Len() > reach)
		}
		if alone {
			out = append(out, j)
		}
	}
	return out
}

// near counts the joints of a that have one of b within reach px.
func near(a, b []joint, reach float64) int {
	n := 0
	for _, j := range a {
		for _, k := range b {
			if j.at.Sub(k.at).Len() <= reach {
				n++
				break
			}
		}
	}
	return n
}

// The outlines of the Go fonts (golang.org/x/image/font/gofont; Bigelow & Holmes, 2016) drawn 240 px to the em with
// exact area coverage and traced back. The fonts' outlines are quadratic; each of their curves counts as one segment.
func TestLettersComeBack(t *testing.T) {
	// Without k, whose regular cut has a notch 0.23 px wide in the hollow between its arms.
	letters := "abdegmnrstwyABDGKMQRSWX23568&@?§"
	if testing.Short() {
		letters = "gRS&8"
	}
	var total spread
	for _, font := range []struct {
		name string
		ttf  []byte
	}{{"regular", goregular.TTF}, {"bold", gobold.TTF}, {"italic", goitalic.TTF}} {
		var all spread
		var drawn, own, corners, found, invented int
		for _, r := range letters {
			truth, pic := glyph(t, font.ttf, r, 240)
			res, err := trace.Trace(context.Background(), pic, trace.Options{})
			if err != nil {
				t.Fatal(err)
			}
			got := rings(res.Drawing)
			var one spread
			one.measure(got, indexOf(truth))
			one.measure(truth, indexOf(got))
			if one.worst > 0.8 {
				t.Errorf("%s %c: %.2f px off at (%.1f, %.1f), want at most 0.8", font.name, r, one.worst, one.at.X, one.at.Y)
			}
			all.sum, all.n = all.sum+one.sum, all.n+one.n
			if one.worst > all.worst {
				all.worst = one.worst
			}
			drawn, own = drawn+len(got), own+len(truth)
			// 40° is well above DefaultTurn; the joint drawn there must turn by half of that at least.
			tc, gc := sharp(apart(joints(truth), 4), 40), sharp(joints(got), 20)
			corners, found = corners+len(tc), found+near(tc, gc, 1)
			invented += len(gc) - near(gc, sharp(joints(truth), 10), 1)
			if n := near(tc, gc, 1); n != len(tc) {
				t.Logf("%s %c: mean %.3f worst %.2f px, %d segments for %d, %d of %d corners", font.name, r, one.mean(), one.worst, len(got), len(truth), n, len(tc))
			}
		}
		total.sum, total.n = total.sum+all.sum, total.n+all.n
		if float64(drawn) > 1.3*float64(own) {
			t.Errorf("%s: %d segments for the font's %d, want at most 1.3 times as many", font.name, drawn, own)
		}
		if float64(found) < 0.98*float64(corners) {
			t.Errorf("%s: %d of %d corners found, want 98 %%", font.name, found, corners)
		}
		if float64(invented) > 0.02*float64(corners) {
			t.Errorf("%s: %d corners drawn where the font has none, of %d", font.name, invented, corners)
		}
		t.Logf("%s: mean %.3f, worst %.2f px; %.2f segments for one of the font's; %d of %d corners, %d invented", font.name, all.mean(), all.worst, float64(drawn)/float64(own), found, corners, invented)
	}
	if total.mean() > 0.051 {
		t.Errorf("mean distance %.4f px, want at most 0.051", total.mean())
	}
}
