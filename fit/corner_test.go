package fit

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// wedge is a triangle with the given angle at apex, rounded there with the given radius (0: sharp).
func wedge(apex Point, direction, angle, radius, side float64) Path {
	u, v := unitAt(direction), unitAt(direction+angle)
	b, c := apex.Add(u.Mul(side)), apex.Add(v.Mul(side))
	if radius == 0 {
		return polygon(apex, b, c)
	}
	back := radius / math.Tan(angle/2)
	from, to := apex.Add(v.Mul(back)), apex.Add(u.Mul(back))
	h := 4.0 / 3 * math.Tan((math.Pi-angle)/4) * radius
	return Path{Closed: true, Segments: []Segment{
		CubicTo(from, from.Sub(v.Mul(h)), to.Sub(u.Mul(h)), to), LineTo(to, b), LineTo(b, c), LineTo(c, from),
	}}
}

func longest(runs [][]Sample) []Sample {
	best := runs[0]
	for _, r := range runs {
		if len(r) > len(best) {
			best = r
		}
	}
	return best
}

// TestCornersOfWedges looks for the apex of sharp and rounded wedges in all directions.
func TestCornersOfWedges(t *testing.T) {
	const tries = 40
	for _, c := range []struct {
		angle, radius float64 // degrees, px
		least, most   int     // apexes found of tries
		off           float64 // px, of the median one
	}{
		{20, 0, 25, 40, 0.8}, // tips end up to 2 px short in the picture
		{30, 0, 35, 40, 0.3},
		{45, 0, 38, 40, 0.1},
		{60, 0, 38, 40, 0.05},
		{90, 0, 38, 40, 0.02},
		{120, 0, 36, 40, 0.02},
		{140, 0, 39, 40, 0.02},
		{150, 0, 38, 40, 0.02},
		{157, 0, 0, 0, 0},    // less than the turn still drawn round
		{90, 0.5, 34, 40, 0}, // as good as sharp
		{90, 3, 0, 0, 0},
		{60, 3, 0, 2, 0},
		{120, 5, 0, 0, 0},
		{30, 1.5, 0, 2, 0},
	} {
		r := rand.New(rand.NewPCG(uint64(c.angle), uint64(10*c.radius)))
		found := 0
		var offs []float64
		for range tries {
			apex := Point{40 + r.Float64(), 40 + r.Float64()}
			shape := wedge(apex, 2*math.Pi*r.Float64(), c.angle*math.Pi/180, c.radius, 35)
			near := math.Inf(1)
			for _, k := range Corners(longest(measured(80, 80, shape)), true, Options{}) {
				near = math.Min(near, k.At.Sub(apex).Len())
			}
			if near < 2.5 {
				found++
				offs = append(offs, near)
			}
		}
		if found < c.least || found > c.most {
			t.Errorf("%g°, radius %g: found %d of %d, want %d to %d", c.angle, c.radius, found, tries, c.least, c.most)
		}
		if c.off > 0 && len(offs) > 0 {
			if m := median(offs); m > c.off {
				t.Errorf("%g°, radius %g: %.3f px off, want at most %.3f", c.angle, c.radius, m, c.off)
			}
		}
	}
}

func median(v []float64) float64 {
	v = slices.Clone(v)
	slices.Sort(v)
	return v[len(v)/2]
}

// TestCornersAtTheStart turns the samples of a square through all starts: none may hide a corner.
func TestCornersAtTheStart(t *testing.T) {
	run := measured(40, 40, polygon(Point{10.3, 9.6}, Point{28.1, 12.2}, Point{25.5, 30}, Point{7.7, 27.4}))[0]
	for i := range run {
		turned := append(append([]Sample(nil), run[i:]...), run[:i]...)
		if cs := Corners(turned, true, Options{}); len(cs) != 4 {
			t.Errorf("started at sample %d: %d corners, want 4", i, len(cs))
		}
		if path := Curve(turned, true, Point{}, Point{}, Options{}); len(path.Segments) != 4 || lines(path) != 4 {
			t.Errorf("started at sample %d: %d segments of which %d lines, want 4 lines", i, len(path.Segments), lines(path))
		}
	}
}

// TestCornersCloseTogether wants every corner of zigzags and steps whose sides are only some pixels long.
func TestCornersCloseTogether(t *testing.T) {
	for _, side := range []float64{5, 6, 8, 12} {
		// A staircase of right angles, slanted so that no side runs along the pixels.
		u, v := unitAt(0.3).Mul(side), unitAt(0.3).Perp().Mul(side)
		p := Point{10, 20}
		pts := []Point{p}
		for range 4 {
			p = p.Add(u)
			pts = append(pts, p)
			p = p.Add(v)
			pts = append(pts, p)
		}
		pts = append(pts, p.Sub(u.Mul(4)))
		run := measured(100, 120, polygon(pts...))[0]
		found := 0
		cs := Corners(run, true, Options{})
		for _, want := range pts {
			for _, c := range cs {
				if c.At.Sub(want).Len() < 0.5 {
					found++
					break
				}
			}
		}
		if found < len(pts)-1 || len(cs) > len(pts) {
			t.Errorf("sides of %g px: %d of %d corners found, %d in all", side, found, len(pts), len(cs))
		}
	}
}

// TestMarkedPlaces forces a corner onto a circle and smooths one of a square.
func TestMarkedPlaces(t *testing.T) {
	circle := measured(60, 60, Ellipse(Point{30, 30}, 20, 14, 0.3))[0]
	at := circle[10].Point
	if cs := Corners(circle, true, Options{Sharp: []Point{at.Add(Point{0.5, 0.5})}}); len(cs) != 1 || cs[0].At.Sub(at).Len() > 1.5 {
		t.Errorf("marked sharp: %v, want one corner at %v", cs, at)
	}
	square := measured(60, 60, polygon(Point{10, 10}, Point{50, 12}, Point{48, 50}, Point{8, 47}))[0]
	if cs := Corners(square, true, Options{Smooth: []Point{{50, 12}}}); len(cs) != 3 {
		t.Errorf("one corner marked smooth: %d left, want 3", len(cs))
	}
}

// TestTurnIsMonotone wants no more corners from a larger Turn.
func TestTurnIsMonotone(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 9))
	for range 10 {
		var pts []Point
		n := 5 + r.IntN(7)
		for i := range n {
			pts = append(pts, Point{50, 50}.Add(unitAt(2*math.Pi*float64(i)/float64(n)).Mul(15+30*r.Float64())))
		}
		run := measured(100, 100, polygon(pts...))[0]
		last := len(run)
		for _, turn := range []float64{10, 20, 28, 40, 60, 90, 120, 170} {
			k := len(Corners(run, true, Options{Turn: turn}))
			if k > last {
				t.Errorf("%d corners at %g°, %d at less", k, turn, last)
			}
			last = k
		}
	}
}
