package trace_test

import (
	"context"
	"fmt"
	"math"
	"math/rand"
	"testing"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// This file traces figures of elementary geometry, whose outlines are known in closed form.

var (
	white  = colour.RGB{R: 255, G: 255, B: 255}
	navy   = colour.RGB{R: 24, G: 28, B: 44}
	orange = colour.RGB{R: 230, G: 140, B: 20}
	teal   = colour.RGB{R: 30, G: 120, B: 140}
	sand   = colour.RGB{R: 240, G: 220, B: 160}
	red    = colour.RGB{R: 200, G: 40, B: 40}
)

// figure is an area of one colour: what lies inside it.
type figure struct {
	c      colour.RGB
	inside func(x, y float64) bool
}

// drawn paints figures on white, the later over the earlier, each pixel the mean of 16×16 samples.
func drawn(w, h int, figures ...figure) *paper.Picture {
	const n = 16
	return picture(w, h, func(x, y int) (uint8, uint8, uint8) {
		var r, g, b int
		for k := range n * n {
			px, py := float64(x)+(float64(k%n)+0.5)/n, float64(y)+(float64(k/n)+0.5)/n
			c := white
			for _, f := range figures {
				if f.inside(px, py) {
					c = f.c
				}
			}
			r, g, b = r+int(c.R), g+int(c.G), b+int(c.B)
		}
		mean := func(v int) uint8 { return uint8((v + n*n/2) / (n * n)) }
		return mean(r), mean(g), mean(b)
	})
}

func disc(c colour.RGB, cx, cy, r float64) figure { return oval(c, cx, cy, r, r, 0) }

// oval is an ellipse with half axes a, b, turned by theta.
func oval(c colour.RGB, cx, cy, a, b, theta float64) figure {
	sin, cos := math.Sincos(theta)
	return figure{c, func(x, y float64) bool {
		u, v := (x-cx)*cos+(y-cy)*sin, (y-cy)*cos-(x-cx)*sin
		return u*u/(a*a)+v*v/(b*b) < 1
	}}
}

func box(c colour.RGB, x0, y0, x1, y1 float64) figure {
	return figure{c, func(x, y float64) bool { return x > x0 && x < x1 && y > y0 && y < y1 }}
}

// roundedBox is a box with corners of radius r.
func roundedBox(c colour.RGB, x0, y0, x1, y1, r float64) figure {
	return figure{c, func(x, y float64) bool {
		dx, dy := math.Max(math.Max(x0+r-x, x-x1+r), 0), math.Max(math.Max(y0+r-y, y-y1+r), 0)
		return dx*dx+dy*dy < r*r
	}}
}

// stroke is a straight line of the given width.
func stroke(c colour.RGB, x0, y0, x1, y1, width float64) figure {
	dx, dy := x1-x0, y1-y0
	l := math.Hypot(dx, dy)
	return figure{c, func(x, y float64) bool {
		t := ((x-x0)*dx + (y-y0)*dy) / l
		return t > 0 && t < l && math.Abs((x-x0)*dy-(y-y0)*dx)/l < width/2
	}}
}

// traced traces a picture and fails the test on an error.
func traced(t *testing.T, pic *paper.Picture, opt trace.Options) *trace.Result {
	t.Helper()
	res, err := trace.Trace(context.Background(), pic, opt)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// layer returns the layer of a colour, nil if there is none.
func layer(d *trace.Drawing, c colour.RGB) *trace.Layer {
	for i := range d.Layers {
		if d.Layers[i].Colour == c {
			return &d.Layers[i]
		}
	}
	return nil
}

// onlyRing returns the one ring of the one shape of a colour.
func onlyRing(t *testing.T, d *trace.Drawing, c colour.RGB) fit.Path {
	t.Helper()
	l := layer(d, c)
	if l == nil || len(l.Shapes) != 1 || len(l.Shapes[0].Rings) != 1 {
		t.Fatalf("want one shape with one ring in %v, have %s", c, summary(d))
	}
	return l.Shapes[0].Rings[0]
}

// summary says what a drawing holds: colour, then segments by ring and shape.
func summary(d *trace.Drawing) string {
	out := ""
	for _, l := range d.Layers {
		out += l.Colour.Hex()
		for _, s := range l.Shapes {
			out += " ("
			for i, r := range s.Rings {
				if i > 0 {
					out += " "
				}
				out += fmt.Sprint(len(r.Segments))
			}
			out += ")"
		}
		out += "; "
	}
	return out
}

// area returns what a layer covers, px².
func area(l *trace.Layer) float64 {
	a := 0.0
	for _, s := range l.Shapes {
		for _, r := range s.Rings {
			a += r.Area()
		}
	}
	return a
}

// worstOff returns the largest of off over places along a path.
func worstOff(p fit.Path, off func(q fit.Point) float64) float64 {
	worst := 0.0
	for _, s := range p.Segments {
		for k := range 33 {
			worst = math.Max(worst, math.Abs(off(s.At(float64(k)/32))))
		}
	}
	return worst
}

func cubics(p fit.Path) int {
	n := 0
	for _, s := range p.Segments {
		if !s.Line {
			n++
		}
	}
	return n
}

func TestCircles(t *testing.T) {
	for _, r := range []float64{3.2, 6, 12.5, 40.3, 90} {
		size := int(2*r) + 24
		cx, cy := float64(size)/2+0.3, float64(size)/2-0.2
		p := onlyRing(t, traced(t, drawn(size, size, disc(navy, cx, cy, r)), trace.Options{}).Drawing, navy)
		if len(p.Segments) != 4 || cubics(p) != 4 {
			t.Errorf("radius %g: %d segments, %d of them cubics, want four cubics", r, len(p.Segments), cubics(p))
		}
		// Four cubics with the classic handles leave the circle by 2.7253e-4 of its radius.
		limit := 0.03 + 2.7253e-4*r
		if off := worstOff(p, func(q fit.Point) float64 { return math.Hypot(q.X-cx, q.Y-cy) - r }); off > limit {
			t.Errorf("radius %g: %.3f px off, want at most %.3f", r, off, limit)
		}
		if worst := maxTurn(p); worst > 1 {
			t.Errorf("radius %g: the outline turns by %.1f° at a joint", r, worst)
		}
	}
}

// maxTurn returns the sharpest turn at a joint of a closed path, degrees.
func maxTurn(p fit.Path) float64 {
	worst := 0.0
	for _, j := range joints(p.Segments) {
		worst = math.Max(worst, j.turn)
	}
	return worst
}

func TestEllipses(t *testing.T) {
	for _, e := range []struct{ a, b, degrees float64 }{{60, 30, 0}, {60, 30, 25}, {20, 9, 70}, {80, 70, 110}, {45, 12, 45}} {
		theta := e.degrees * math.Pi / 180
		p := onlyRing(t, traced(t, drawn(180, 180, oval(navy, 90.3, 89.6, e.a, e.b, theta)), trace.Options{}).Drawing, navy)
		if len(p.Segments) != 4 || cubics(p) != 4 {
			t.Errorf("%v: %d segments, %d of them cubics, want four cubics", e, len(p.Segments), cubics(p))
		}
		truth := indexOf(fit.Ellipse(fit.Point{X: 90.3, Y: 89.6}, e.a, e.b, theta).Segments)
		if off := worstOff(p, truth.distance); off > 0.08 {
			t.Errorf("%v: %.3f px off, want at most 0.08", e, off)
		}
	}
}

func TestRectangles(t *testing.T) {
	for _, r := range [][4]float64{{10, 12, 50, 40}, {10.3, 12.6, 70.8, 41.2}, {8.5, 8.5, 12.9, 30.1}, {15.25, 9.75, 37.5, 31.25}} {
		p := onlyRing(t, traced(t, drawn(90, 60, box(navy, r[0], r[1], r[2], r[3])), trace.Options{}).Drawing, navy)
		if len(p.Segments) != 4 || cubics(p) != 0 {
			t.Errorf("%v: %d segments, %d of them cubics, want four lines", r, len(p.Segments), cubics(p))
		}
		for _, c := range []fit.Point{{X: r[0], Y: r[1]}, {X: r[2], Y: r[1]}, {X: r[2], Y: r[3]}, {X: r[0], Y: r[3]}} {
			best := math.Inf(1)
			for _, s := range p.Segments {
				best = math.Min(best, s.P[0].Sub(c).Len())
			}
			// Sixteen samples a pixel place an edge to 1/32 px.
			if best > 0.03+1.0/32 {
				t.Errorf("%v: corner (%g, %g) is %.3f px off", r, c.X, c.Y, best)
			}
		}
	}
}

func TestRoundedRectangles(t *testing.T) {
	for _, r := range []float64{6, 10, 25} {
		p := onlyRing(t, traced(t, drawn(160, 120, roundedBox(navy, 12.5, 14.25, 140.75, 101.5, r)), trace.Options{}).Drawing, navy)
		if len(p.Segments) != 8 || cubics(p) != 4 {
			t.Errorf("corner radius %g: %d segments, %d of them cubics, want four lines and four cubics", r, len(p.Segments), cubics(p))
		}
		off := worstOff(p, func(q fit.Point) float64 {
			dx, dy := math.Abs(q.X-76.625)-64.125+r, math.Abs(q.Y-57.875)-43.625+r
			return math.Hypot(math.Max(dx, 0), math.Max(dy, 0)) + math.Min(math.Max(dx, dy), 0) - r
		})
		if off > 0.15 {
			t.Errorf("corner radius %g: %.3f px off", r, off)
		}
	}
}

// Where a bar goes behind a disc, the disc's outline runs through both junctions as one curve.
func TestJunctionsLeaveTheFrontSmooth(t *testing.T) {
	for i := range 12 {
		r := 18 + 2.3*float64(i)
		half := 9 + 0.31*float64(i)
		cx, cy := 100.3, 80+0.37*float64(i)
		pic := drawn(200, 160, box(teal, 4.2, cy-half-3.3, 195.7, cy+half-3.3), disc(orange, cx, cy, r))
		for _, knockout := range []bool{false, true} {
			d := traced(t, pic, trace.Options{Knockout: knockout}).Drawing
			l := layer(d, orange)
			if l == nil || len(l.Shapes) != 1 {
				t.Fatalf("radius %g, knockout %t: want one disc, have %s", r, knockout, summary(d))
			}
			if !knockout && d.Layers[0].Colour == orange {
				continue // painted first, as the larger area, the disc goes on under the bar
			}
			p := l.Shapes[0].Rings[0]
			if turn := maxTurn(p); turn > 2.5 {
				t.Errorf("radius %g, knockout %t: the disc turns by %.2f° at a joint, want at most 2.5", r, knockout, turn)
			}
			// One tolerance at its smallest.
			if off := worstOff(p, func(q fit.Point) float64 { return math.Hypot(q.X-cx, q.Y-cy) - r }); off > 0.12 {
				t.Errorf("radius %g, knockout %t: the disc is %.3f px off", r, knockout, off)
			}
			if len(p.Segments) > 6 {
				t.Errorf("radius %g, knockout %t: %d segments for a disc", r, knockout, len(p.Segments))
			}
		}
	}
}

// Two colours whose mixture is a third colour of the palette: their soft edge must not be painted with the third.
func TestMixturesMakeNoSlivers(t *testing.T) {
	mid := colour.RGB{R: 120, G: 120, B: 120}
	dark, light := colour.RGB{R: 40, G: 40, B: 40}, colour.RGB{R: 200, G: 200, B: 200}
	pic := drawn(160, 120, box(light, 10.4, 10.3, 90.6, 110.2), disc(dark, 50.3, 60.7, 28.4), box(mid, 110.2, 20.3, 150.4, 60.8))
	for _, knockout := range []bool{false, true} {
		d := traced(t, pic, trace.Options{Knockout: knockout}).Drawing
		if l := layer(d, mid); l == nil || len(l.Shapes) != 1 || math.Abs(area(l)-40.2*40.5) > 4 {
			t.Errorf("knockout %t: want the one grey box, have %s", knockout, summary(d))
		}
		if len(d.Layers) != 3 {
			t.Errorf("knockout %t: want three layers, have %s", knockout, summary(d))
		}
	}
}

func TestThinLinesStayWhole(t *testing.T) {
	for _, width := range []float64{1, 1.5, 2} {
		for _, degrees := range []float64{0, 7, 30, 45, 80} {
			sin, cos := math.Sincos(degrees * math.Pi / 180)
			const half = 40.0
			// A dark disc shows the ink unmixed, as any drawing does somewhere.
			pic := drawn(120, 150, stroke(navy, 60.3-half*cos, 60.6-half*sin, 60.3+half*cos, 60.6+half*sin, width), disc(navy, 60, 130, 8))
			d := traced(t, pic, trace.Options{}).Drawing
			l := layer(d, navy)
			if l == nil || len(l.Shapes) != 2 {
				t.Errorf("width %g at %g°: want a line and a disc, have %s", width, degrees, summary(d))
				continue
			}
			got := (area(l) - math.Pi*64) / (2 * half)
			if math.Abs(got-width) > 0.1 {
				t.Errorf("width %g at %g°: drawn %.3f px wide", width, degrees, got)
			}
		}
	}
}

func TestTinyDots(t *testing.T) {
	for _, r := range []float64{0.9, 1.2, 1.6, 2.2} {
		pic := drawn(80, 60, disc(navy, 20.37, 20.71, r), disc(navy, 55, 35, 12))
		d := traced(t, pic, trace.Options{}).Drawing
		l := layer(d, navy)
		if l == nil || len(l.Shapes) != 2 {
			t.Errorf("radius %g: want two discs, have %s", r, summary(d))
			continue
		}
		dot := l.Shapes[0].Rings[0]
		if a := dot.Area(); a > 100 {
			dot = l.Shapes[1].Rings[0]
		}
		if got := math.Sqrt(dot.Area() / math.Pi); math.Abs(got-r) > 0.05 {
			t.Errorf("radius %g: drawn with %.3f px", r, got)
		}
		low, high := dot.Bounds()
		if c := low.Lerp(high, 0.5); c.Sub(fit.Point{X: 20.37, Y: 20.71}).Len() > 0.06 {
			t.Errorf("radius %g: centre (%.3f, %.3f)", r, c.X, c.Y)
		}
	}
}

func TestDust(t *testing.T) {
	pic := drawn(80, 60, disc(navy, 55, 35, 12), box(navy, 10, 10, 12, 12), box(orange, 20, 30, 24, 34))
	for _, c := range []struct {
		dust  float64
		marks int // besides the disc
	}{{1, 2}, {3, 1}, {5, 0}} {
		res := traced(t, pic, trace.Options{Dust: &c.dust})
		if res.Report.Shapes != c.marks+1 || res.Report.Dust != 2-c.marks {
			t.Errorf("dust %g: %d marks kept and %d dissolved, want %d and %d", c.dust, res.Report.Shapes-1, res.Report.Dust, c.marks, 2-c.marks)
		}
	}
}

// Nested shapes: the larger lies below, and its hole is closed where all of it is painted over.
func TestLayerOrder(t *testing.T) {
	pic := drawn(160, 160, disc(sand, 80, 80, 70), disc(teal, 82, 79, 45), disc(red, 80, 84, 20))
	d := traced(t, pic, trace.Options{}).Drawing
	want := []colour.RGB{sand, teal, red}
	if len(d.Layers) != 3 {
		t.Fatalf("want three layers, have %s", summary(d))
	}
	for i, r := range []float64{70, 45, 20} {
		if d.Layers[i].Colour != want[i] {
			t.Errorf("layer %d is %v, want %v", i, d.Layers[i].Colour, want[i])
		}
		p := onlyRing(t, d, want[i]) // no hole under the layer above
		if a := p.Area(); math.Abs(a-math.Pi*r*r) > 3 {
			t.Errorf("layer %d covers %.1f px², want %.1f", i, a, math.Pi*r*r)
		}
	}
	d = traced(t, pic, trace.Options{Knockout: true}).Drawing
	for i, c := range want {
		l := layer(d, c)
		holes := 1
		if i == 2 {
			holes = 0
		}
		if l == nil || len(l.Shapes) != 1 || len(l.Shapes[0].Rings) != 1+holes {
			t.Fatalf("knockout: want %d holes in %v, have %s", holes, c, summary(d))
		}
	}
}

// What encloses lies below, whatever the areas, and its hole is closed; what lies in the hole in its own colour is not drawn
// again.
func TestEnclosingColourLiesBelow(t *testing.T) {
	d := traced(t, drawn(160, 160, disc(sand, 80, 80, 70), disc(teal, 80, 80, 66)), trace.Options{}).Drawing
	if d.Layers[0].Colour != sand {
		t.Errorf("the rim should lie below, have %s", summary(d))
	}
	if a := onlyRing(t, d, sand).Area(); math.Abs(a-math.Pi*70*70) > 3 {
		t.Errorf("the rim covers %.1f px², want %.1f", a, math.Pi*70*70)
	}
	d = traced(t, drawn(160, 160, disc(sand, 80, 80, 70), disc(teal, 80, 80, 50), disc(sand, 80, 80, 30)), trace.Options{}).Drawing
	if a := onlyRing(t, d, sand).Area(); math.Abs(a-math.Pi*70*70) > 3 {
		t.Errorf("under its ring the disc covers %.1f px², want %.1f", a, math.Pi*70*70)
	}
	if l := layer(d, teal); len(l.Shapes) != 1 || len(l.Shapes[0].Rings) != 2 {
		t.Errorf("the ring should show the disc beneath, have %s", summary(d))
	}
}

// A bay that a higher colour fills is crossed straight: a side that goes on beyond a disc stays one line.
func TestBayIsCrossedStraight(t *testing.T) {
	pic := drawn(160, 120, box(sand, 20, 20, 100, 100), disc(teal, 100, 60, 24))
	p := onlyRing(t, traced(t, pic, trace.Options{}).Drawing, sand)
	if len(p.Segments) != 4 {
		t.Errorf("%d segments, want the square's four sides", len(p.Segments))
	}
	if a := p.Area(); math.Abs(a-6400) > 8 {
		t.Errorf("the square covers %.0f px², want 6400", a)
	}
}

// Spread lets the lower of two neighbours go on under the upper by about a pixel; knockout cuts both at the same edge.
func TestSpreadAndKnockout(t *testing.T) {
	pic := drawn(120, 80, box(sand, 10.5, 10.25, 70.5, 70.5), box(teal, 70.5, 10.25, 110.25, 70.5))
	right := func(d *trace.Drawing, c colour.RGB) float64 {
		_, high := onlyRing(t, d, c).Bounds()
		return high.X
	}
	left := func(d *trace.Drawing, c colour.RGB) float64 {
		low, _ := onlyRing(t, d, c).Bounds()
		return low.X
	}
	d := traced(t, pic, trace.Options{}).Drawing
	if d.Layers[0].Colour != sand {
		t.Fatalf("the larger area should lie below, have %s", summary(d))
	}
	if l := left(d, teal); math.Abs(l-70.5) > 0.06 {
		t.Errorf("the upper colour begins at %.3f, want 70.5", l)
	}
	if over := right(d, sand) - 70.5; over < 0.5 || over > 4 {
		t.Errorf("the lower colour goes on by %.2f px", over)
	}
	d = traced(t, pic, trace.Options{Knockout: true}).Drawing
	for x, n := range map[float64]int{10.5: 2, 70.5: 4, 110.25: 2} {
		ends := map[fit.Point]int{}
		for _, l := range d.Layers {
			for _, s := range l.Shapes[0].Rings[0].Segments {
				if math.Abs(s.P[0].X-x) < 0.06 {
					ends[s.P[0]]++
				}
			}
		}
		if len(ends) != 2 || sum(ends) != n {
			t.Errorf("knockout: corners %v at %g, want two places, %d corners in all", ends, x, n)
		}
	}
}

// Where two colours meet at the silhouette the lower goes on under the upper at once: a pixel that the upper covers in part
// must not show the ground through both.
func TestSpreadBeginsAtTheSilhouette(t *testing.T) {
	const r, big = 45.3, 75.2
	for _, gap := range []float64{60, 75, 90} {
		cx, cy := 90.4, 90.3
		pic := drawn(280, 180, disc(sand, cx, cy, big), disc(teal, cx+gap, cy, r))
		d := traced(t, pic, trace.Options{}).Drawing
		if d.Layers[0].Colour != sand {
			t.Fatalf("the larger area should lie below, have %s", summary(d))
		}
		lower := onlyRing(t, d, sand)
		// The circles cross at a and at its mirror image; by angles about the centre of the upper.
		a := math.Acos((big*big - r*r - gap*gap) / (2 * gap * r))
		for _, e := range []float64{1.1, 1.5} {
			for _, side := range []float64{-1, 1} {
				way, depth := a+e/r, 0.6*(e-0.3)
				q := fit.Point{X: cx + gap + (r-depth)*math.Cos(way), Y: cy + side*(r-depth)*math.Sin(way)}
				if !within(lower, q) {
					t.Errorf("centres %g px apart: the lower colour does not reach %.2f, %.2f, %.2f px under the upper", gap, q.X, q.Y, depth)
				}
			}
		}
	}
}

// within reports whether a closed path goes around q.
func within(p fit.Path, q fit.Point) bool {
	in := false
	for _, g := range p.Segments {
		const steps = 100
		a := g.P[0]
		for k := 1; k <= steps; k++ {
			b := g.At(float64(k) / steps)
			if (a.Y > q.Y) != (b.Y > q.Y) && q.X < a.X+(b.X-a.X)*(q.Y-a.Y)/(b.Y-a.Y) {
				in = !in
			}
			a = b
		}
	}
	return in
}

func sum(counts map[fit.Point]int) int {
	n := 0
	for _, c := range counts {
		n += c
	}
	return n
}

// The paper around a drawing is dropped unless it is asked for; enclosed white stays in flat and inked pictures and is
// left out where only ink was drawn. Paper that is kept is one sheet beneath all.
func TestPaper(t *testing.T) {
	ring := drawn(120, 120, disc(navy, 60, 60, 50), disc(white, 60, 60, 30))
	sail := drawn(160, 120, box(teal, 8, 8, 152, 112), disc(white, 80, 60, 30), box(orange, 20, 20, 40, 40), box(red, 120, 80, 140, 100))
	inked := drawn(160, 120, box(navy, 8, 8, 152, 112), box(orange, 12, 12, 70, 108), box(white, 74, 12, 148, 108))
	for _, c := range []struct {
		name   string
		pic    *paper.Picture
		opt    trace.Options
		layers int
		white  float64 // px² of it, painted
	}{
		{"line", ring, trace.Options{Medium: quantize.MediumLine}, 1, 0},
		{"line, paper kept", ring, trace.Options{Medium: quantize.MediumLine, KeepPaper: true}, 2, 120 * 120},
		{"flat", ring, trace.Options{Medium: quantize.MediumFlat}, 2, math.Pi * 900},
		{"sail", sail, trace.Options{Medium: quantize.MediumFlat}, 4, math.Pi * 900},
		{"sail, medium found", sail, trace.Options{}, 4, math.Pi * 900},
		{"inked", inked, trace.Options{Medium: quantize.MediumInked}, 3, 74 * 96},
	} {
		d := traced(t, c.pic, c.opt).Drawing
		if len(d.Layers) != c.layers {
			t.Errorf("%s: want %d layers, have %s", c.name, c.layers, summary(d))
		}
		got := 0.0
		if l := layer(d, white); l != nil {
			got = area(l)
		}
		// Under ink a colour may go on by 3 px all around.
		if spread := 0.2*c.white + 1; got < c.white-2 || got > c.white+spread {
			t.Errorf("%s: %.0f px² of white, want %.0f", c.name, got, c.white)
		}
	}
}

// What was transparent in the source is ground, even beside white paint.
func TestTransparentPictures(t *testing.T) {
	pic := drawn(120, 90, disc(teal, 60, 45, 35), disc(white, 60, 45, 15))
	pic.Clear = make([]bool, pic.W*pic.H)
	for y := range pic.H {
		for x := range pic.W {
			pic.Clear[y*pic.W+x] = math.Hypot(float64(x)+0.5-60, float64(y)+0.5-45) > 35
		}
	}
	res := traced(t, pic, trace.Options{Medium: quantize.MediumFlat})
	d := res.Drawing
	if len(d.Layers) != 2 || layer(d, white) == nil || layer(d, teal) == nil {
		t.Fatalf("want teal and white, have %s", summary(d))
	}
	if a := area(layer(d, white)); math.Abs(a-math.Pi*225) > 3 {
		t.Errorf("%.1f px² of white, want %.1f", a, math.Pi*225)
	}
	// A white edge that reaches a transparent ground is no ground.
	pic = drawn(120, 90, box(teal, 20, 20, 60, 70))
	pic.Clear = make([]bool, pic.W*pic.H)
	for y := range pic.H {
		for x := range pic.W {
			pic.Clear[y*pic.W+x] = x < 20 || y < 20 || x >= 100 || y >= 70
		}
	}
	d = traced(t, pic, trace.Options{Medium: quantize.MediumFlat}).Drawing
	if l := layer(d, white); l == nil || math.Abs(area(l)-40*50) > 140 {
		t.Errorf("white paint on a transparent ground: have %s", summary(d))
	}
}

// TestShortStrokes: strokes with round ends, a few times as long as wide, lie where their equations put them, without a
// corner.
func TestShortStrokes(t *testing.T) {
	rng := rand.New(rand.NewSource(5))
	for _, length := range []float64{6, 7, 9, 11, 14} {
		for range 20 {
			width, angle := 2.6+2.2*rng.Float64(), math.Pi*rng.Float64()
			c := fit.Point{X: 40 + rng.Float64(), Y: 40 + rng.Float64()}
			half := fit.Point{X: math.Cos(angle), Y: math.Sin(angle)}.Mul((length - width) / 2)
			a, b := c.Sub(half), c.Add(half)
			pic := drawn(80, 80, box(navy, 4, 60, 76, 76), stroke(navy, a.X, a.Y, b.X, b.Y, width), disc(navy, a.X, a.Y, width/2), disc(navy, b.X, b.Y, width/2))
			var p fit.Path
			for _, s := range layer(traced(t, pic, trace.Options{Sheet: paper.Options{Kind: paper.Digital}}).Drawing, navy).Shapes {
				if _, high := s.Rings[0].Bounds(); high.Y < 58 {
					p = s.Rings[0]
				}
			}
			if len(p.Segments) == 0 {
				t.Errorf("%.1f by %.1f px at %.2f rad is not drawn", length, width, angle)
			}
			middle := fit.LineTo(a, b)
			for k, s := range p.Segments {
				if next := p.Segments[(k+1)%len(p.Segments)]; leaving(next).Dot(arriving(s)) < 0.94 {
					t.Errorf("%.1f by %.1f px at %.2f rad: a corner at %.1f, %.1f", length, width, angle, s.P[3].X, s.P[3].Y)
				}
				for i := range 16 {
					q := s.At(float64(i) / 16)
					if _, d := middle.Nearest(q); math.Abs(d-width/2) > 0.2 {
						t.Errorf("%.1f by %.1f px at %.2f rad: %.2f px off at %.1f, %.1f", length, width, angle, d-width/2, q.X, q.Y)
						break
					}
				}
			}
		}
	}
}
