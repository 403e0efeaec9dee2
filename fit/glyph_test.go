package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"golang.org/x/image/font/gofont/goitalic"
	"golang.org/x/image/font/gofont/gomedium"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// glyphs returns the outlines of letters of the Go fonts (golang.org/x/image/font/gofont), drawn size px high: curves
// of type designers whose segments and corners are known.
func glyphs(t testing.TB, ttf []byte, text string, size int) (out [][]Path) {
	f, err := sfnt.Parse(ttf)
	if err != nil {
		t.Fatal(err)
	}
	var buf sfnt.Buffer
	for _, r := range text {
		i, err := f.GlyphIndex(&buf, r)
		if err != nil || i == 0 {
			t.Fatalf("no glyph for %q: %v", r, err)
		}
		segs, err := f.LoadGlyph(&buf, i, fixed.I(size), &sfnt.LoadGlyphOptions{})
		if err != nil {
			t.Fatal(err)
		}
		at := func(p fixed.Point26_6) Point {
			return Point{float64(p.X)/64 + 0.15*float64(size) + 0.37, float64(p.Y)/64 + float64(size) + 0.21}
		}
		var glyph []Path
		var pen Point
		for _, s := range segs {
			if s.Op == sfnt.SegmentOpMoveTo {
				glyph = append(glyph, Path{Closed: true})
				pen = at(s.Args[0])
				continue
			}
			p := &glyph[len(glyph)-1]
			switch s.Op {
			case sfnt.SegmentOpLineTo:
				if q := at(s.Args[0]); q != pen {
					p.Segments = append(p.Segments, LineTo(pen, q))
					pen = q
				}
			case sfnt.SegmentOpQuadTo:
				c, q := at(s.Args[0]), at(s.Args[1])
				p.Segments = append(p.Segments, CubicTo(pen, pen.Lerp(c, 2.0/3), q.Lerp(c, 2.0/3), q))
				pen = q
			case sfnt.SegmentOpCubeTo:
				c, d, q := at(s.Args[0]), at(s.Args[1]), at(s.Args[2])
				p.Segments = append(p.Segments, CubicTo(pen, c, d, q))
				pen = q
			}
		}
		out = append(out, glyph)
	}
	return out
}

const letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789&?!@%"

// join is a place where two segments of a path meet.
type join struct {
	at   Point
	turn float64 // degrees
	side float64 // length of the shorter of both, px
}

func joins(p Path) (out []join) {
	n := len(p.Segments)
	for i, s := range p.Segments {
		r := p.Segments[(i+1)%n]
		u, v := s.P[3].Sub(s.P[2]), r.P[1].Sub(r.P[0])
		turn := math.Abs(math.Atan2(u.Cross(v), u.Dot(v))) * 180 / math.Pi
		out = append(out, join{s.P[3], turn, math.Min(s.Length(), r.Length())})
	}
	return out
}

// traced is what became of a set of shapes measured in pictures.
type traced struct {
	segments, truth        int
	corners, found, wanted int // drawn, and of the shapes' own drawn and in all
	invented               int
	length                 float64
	worst, sum             float64 // px, of points of the curves from the shapes
	count                  int
}

func traceGlyphs(t testing.TB, set [][]Path, size int, sd float64, opt Options, r *rand.Rand) (out traced) {
	for _, glyph := range set {
		var truth []join
		for _, p := range glyph {
			truth = append(truth, joins(p)...)
			out.truth += len(p.Segments)
		}
		for _, run := range measured(size*3/2, size*3/2, glyph...) {
			if sd > 0 {
				run = noisy(run, sd, r)
			}
			path := Curve(run, true, Point{}, Point{}, opt)
			if t, ok := t.(*testing.T); ok {
				checkPath(t, path, true, Point{}, Point{})
			}
			out.segments += len(path.Segments)
			out.length += path.Length()
			for _, s := range path.Segments {
				n := 1 + int(s.Length())
				for i := range n {
					q := s.At((float64(i) + 0.5) / float64(n))
					near := math.Inf(1)
					for _, p := range glyph {
						_, _, d := p.Nearest(q)
						near = math.Min(near, d)
					}
					out.worst = math.Max(out.worst, near)
					out.sum += near
					out.count++
				}
			}
			for _, j := range joins(path) {
				if j.turn < 20 {
					continue
				}
				out.corners++
				hit := false
				for _, k := range truth {
					hit = hit || k.turn > 15 && k.at.Sub(j.at).Len() < 1.5
				}
				if !hit {
					out.invented++
				}
			}
			for _, k := range truth {
				if k.turn < 30 || k.side < 2 {
					continue
				}
				// Does it lie on this outline?
				if _, _, d := path.Nearest(k.at); d > 1.5 {
					continue
				}
				out.wanted++
				for _, j := range joins(path) {
					if j.turn > 20 && j.at.Sub(k.at).Len() < 1.5 {
						out.found++
						break
					}
				}
			}
		}
	}
	return out
}

// TestGlyphs traces letters back and compares them with the designers' outlines: error, segments, corners.
func TestGlyphs(t *testing.T) {
	for _, c := range []struct {
		name           string
		ttf            []byte
		size           int
		sd             float64
		opt            Options
		mean, worst    float64 // px
		share          float64 // of the designers' segments
		recall, invent float64 // share of their corners; false ones per 100 px
	}{
		{"regular, 64 px", goregular.TTF, 64, 0, Options{}, 0.013, 1, 0.72, 0.965, 0.015},
		{"regular, 160 px", goregular.TTF, 160, 0, Options{}, 0.012, 0.6, 0.8, 0.98, 0.005},
		{"italic, 100 px", goitalic.TTF, 100, 0, Options{}, 0.013, 1.6, 0.75, 0.975, 0.01},
		{"medium, 100 px, noise", gomedium.TTF, 100, 0.03, Options{Tolerance: 0.2, Noise: 0.03}, 0.025, 1.5, 0.6, 0.97, 0.015},
		{"regular, 160 px, much noise", goregular.TTF, 160, 0.2, Options{Tolerance: 0.9, Noise: 0.2, Scale: 2}, 0.1, 2, 0.75, 0.86, 0.06},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := traceGlyphs(t, glyphs(t, c.ttf, letters, c.size), c.size, c.sd, c.opt, rand.New(rand.NewPCG(1, 2)))
			mean := got.sum / float64(got.count)
			recall := float64(got.found) / float64(got.wanted)
			share := float64(got.segments) / float64(got.truth)
			invent := float64(got.invented) / got.length * 100
			t.Logf("mean %.4f px, worst %.2f px, %d segments of %d (%.2f), corners %d of %d (%.3f), %d of %d invented (%.4f per 100 px)",
				mean, got.worst, got.segments, got.truth, share, got.found, got.wanted, recall, got.invented, got.corners, invent)
			if mean > c.mean || got.worst > c.worst || share > c.share || recall < c.recall || invent > c.invent {
				t.Errorf("want mean %g, worst %g, segments %g, recall %g, invented %g", c.mean, c.worst, c.share, c.recall, c.invent)
			}
		})
	}
}

// TestToleranceIsMonotone wants no more segments from a wider tolerance, over a whole alphabet.
func TestToleranceIsMonotone(t *testing.T) {
	set := glyphs(t, goregular.TTF, letters, 80)
	last := math.MaxInt
	for _, tolerance := range []float64{0.04, 0.08, 0.16, 0.32, 0.64, 1.28} {
		n := 0
		for _, g := range set {
			for _, run := range measured(120, 120, g...) {
				n += len(Curve(run, true, Point{}, Point{}, Options{Tolerance: tolerance, Noise: 0.01}).Segments)
			}
		}
		if n > last {
			t.Errorf("%d segments within %g px, %d within half of it", n, tolerance, last)
		}
		last = n
	}
}

// BenchmarkCurve fits an alphabet and reports, beside the time, what the curves are worth. spiral is one long smooth
// run, busy one long run full of corners.
func BenchmarkCurve(b *testing.B) {
	type job struct {
		run        []Sample
		closed     bool
		start, end Point
	}
	r := rand.New(rand.NewPCG(1, 1))
	var alphabet, large, noise []job
	for _, g := range glyphs(b, goregular.TTF, letters, 60) {
		for _, run := range measured(90, 90, g...) {
			alphabet = append(alphabet, job{run: run, closed: true})
			noise = append(noise, job{run: noisy(run, 0.15, r), closed: true})
		}
	}
	for _, g := range glyphs(b, goregular.TTF, "&@gs", 300) {
		for _, run := range measured(450, 450, g...) {
			large = append(large, job{run: run, closed: true})
		}
	}
	var spiral, busy []Sample
	for i := range 20000 {
		u := unitAt(math.Sqrt(float64(i)) / 2.2)
		spiral = append(spiral, Sample{u.Mul(2.2 * math.Sqrt(float64(i))), 1})
		busy = append(busy, Sample{Point{float64(i) * 0.7, float64((i % 20) * (1 - 2*(i/20%2)))}.Add(u.Mul(0.02)), 1})
	}
	for _, c := range []struct {
		name string
		jobs []job
		opt  Options
	}{
		{"alphabet", alphabet, Options{}},
		{"large", large, Options{}},
		{"noise", noise, Options{Tolerance: 0.7, Noise: 0.15, Scale: 2}},
		{"spiral", []job{{spiral, false, Point{}, spiral[len(spiral)-1].Add(Point{1, 0})}}, Options{}},
		{"busy", []job{{busy, false, Point{}, busy[len(busy)-1].Add(Point{1, 0})}}, Options{}},
	} {
		b.Run(c.name, func(b *testing.B) {
			samples, segments := 0, 0
			worst := 0.0
			for _, j := range c.jobs {
				samples += len(j.run)
				path := Curve(j.run, j.closed, j.start, j.end, c.opt)
				segments += len(path.Segments)
				for i, s := range j.run {
					if i%7 == 0 { // a sample is enough to see a curve that strays
						_, _, d := path.Nearest(s.Point)
						worst = math.Max(worst, d)
					}
				}
			}
			b.ReportAllocs()
			for b.Loop() {
				for _, j := range c.jobs {
					Curve(j.run, j.closed, j.start, j.end, c.opt)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(samples), "ns/sample")
			b.ReportMetric(float64(segments), "segments")
			b.ReportMetric(worst, "worst-px")
		})
	}
}
