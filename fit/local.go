package fit

import (
	"math"
	"slices"
	"sync"
)

// Local is a curve y = a + b·x + c·x² in a frame of its own, fitted to a few neighbouring points: a model of an edge
// near one place. The zero Local is not usable; Count is then 0.
type Local struct {
	RMS   float64 // px, root of the mean squared distance of the points, along the frame's y
	Count int     // points used

	o, u, v Point // origin, axis along the edge, axis across it
	a, b, c float64
}

// FitLocal fits points, given in order along the edge, by least squares; the model runs from the first towards the
// last. It is a straight line when quadratic is false or there are fewer than four points. Fewer than two points give
// a Local with Count 0.
func FitLocal(points []Point, quadratic bool) Local { return fitLocal(points, nil, quadratic) }

// fitLocal is FitLocal with weights; nil means that all count alike.
func fitLocal(p []Point, w []float64, quadratic bool) Local {
	n := len(p)
	if n < 2 {
		return Local{}
	}
	weight := func(i int) float64 {
		if w == nil {
			return 1
		}
		return w[i]
	}
	var sw float64
	var m Point
	base := p[0]
	for i, q := range p {
		k := weight(i)
		sw += k
		m = m.Add(q.Sub(base).Mul(k))
	}
	m = base.Add(m.Mul(1 / sw))
	var xx, xy, yy float64
	for i, q := range p {
		d, k := q.Sub(m), weight(i)
		xx += float64(k * float64(d.X*d.X))
		xy += float64(k * float64(d.X*d.Y))
		yy += float64(k * float64(d.Y*d.Y))
	}
	l := Local{Count: n, o: m, u: principal(xx, xy, yy)}
	if l.u.Dot(p[n-1].Sub(p[0])) < 0 {
		l.u = l.u.Mul(-1)
	}
	l.v = l.u.Perp()
	// The sum of squares that the line leaves, then that of the parabola.
	ss := float64(float64(xx*l.v.X)*l.v.X) + float64(2*float64(float64(xy*l.v.X)*l.v.Y)) + float64(float64(yy*l.v.Y)*l.v.Y)
	if quadratic && n >= 4 {
		// The origin is the mean and u a principal axis, so Σx = Σy = Σxy = 0 and the normal equations of
		// y = a + bx + cx² fall apart.
		var s2, s3, s4, t2, t0 float64
		for i, q := range p {
			d, k := q.Sub(m), weight(i)
			x, y := d.Dot(l.u), d.Dot(l.v)
			x2 := x * x
			s2 += float64(k * x2)
			s3 += float64(k * float64(x2*x))
			s4 += float64(k * float64(x2*x2))
			t2 += float64(k * float64(x2*y))
			t0 += float64(k * float64(y*y))
		}
		ss = t0
		if s2 > 0 {
			if den := s4 - float64(s2*s2)/sw - float64(s3*s3)/s2; den > 1e-9*s4 {
				l.c = t2 / den
				l.b = -float64(l.c*s3) / s2
				l.a = -float64(l.c*s2) / sw
				ss -= float64(l.c * t2)
			}
		}
	}
	l.RMS = math.Sqrt(max(0, ss) / sw)
	return l
}

// principal returns the unit eigenvector of the larger eigenvalue of a symmetric 2×2 matrix, without angles: the
// half-angle formulas on the double angle (xx-yy, 2xy).
func principal(xx, xy, yy float64) Point {
	d := Point{xx - yy, 2 * xy}.Unit()
	if d == (Point{}) {
		return Point{1, 0}
	}
	c := math.Sqrt(max(0, (1+d.X)/2))
	s := math.Sqrt(max(0, (1-d.X)/2))
	if d.Y < 0 {
		s = -s
	}
	return Point{c, s}
}

// At returns the model's point nearest p (to first order) and its unit direction there.
func (l Local) At(p Point) (pos, dir Point) {
	d := p.Sub(l.o)
	x, y := d.Dot(l.u), d.Dot(l.v)
	// One step from the foot along u to the foot along the curve's normal there.
	if k := l.b + float64(2*l.c*x); k != 0 {
		e := y - (l.a + float64(l.b*x) + float64(l.c*float64(x*x)))
		x += float64(k*e) / (1 + float64(k*k))
	}
	return l.at(x)
}

func (l Local) at(x float64) (pos, dir Point) {
	y := l.a + float64(l.b*x) + float64(l.c*float64(x*x))
	k := l.b + float64(2*l.c*x)
	return l.o.Add(l.u.Mul(x)).Add(l.v.Mul(y)), l.u.Add(l.v.Mul(k)).Unit()
}

// Off returns the distance of p from the model along the frame's y, in px, positive clockwise of its direction.
func (l Local) Off(p Point) float64 {
	d := p.Sub(l.o)
	x := d.Dot(l.u)
	return d.Dot(l.v) - l.a - float64(l.b*x) - float64(l.c*float64(x*x))
}

// Curvature returns the model's curvature at its origin in 1/px, positive where it turns clockwise on screen.
func (l Local) Curvature() float64 { return 2 * l.c }

// meet returns where two local models cross, starting from near, and their directions there. ok is false where they
// run nearly parallel or the crossing lies further than reach from near.
func meet(l, r *Local, near Point, reach float64) (x, dl, dr Point, ok bool) {
	x = near
	for range 4 {
		var pl, pr Point
		pl, dl = l.At(x)
		pr, dr = r.At(x)
		cross := dl.Cross(dr)
		if math.Abs(cross) < 0.04 && dl.Dot(dr) > 0 || math.Abs(cross) < 0.01 {
			return pl.Lerp(pr, 0.5), dl, dr, false
		}
		x = pl.Add(dl.Mul(pr.Sub(pl).Cross(dr) / cross))
		if !(x.Sub(near).Len() <= reach) {
			return near, dl, dr, false
		}
	}
	return x, dl, dr, true
}

// Noise estimates the standard deviation of samples about the edges they measure, in px: the median, over windows of
// nine samples, of a quadratic's root mean square, times √(9/6) for the three numbers fitted. Noise that neighbours
// share, as grain and paper give, shows less in short windows: where windows of 17 say more, the estimate is carried
// on by the same ratio to the power 1.5 (which fits first-order correlations up to 0.8 within a tenth). It is 0
// without windows, and where they are few it is bounded by what five
// samples in a row say in the best places.
// The sample of a run's element is what sample says; it is asked on up to workers goroutines, on which the result does not
// depend.
func Noise[T any](runs [][]T, sample func(*T) Sample, workers int) float64 {
	total := 0
	for _, r := range runs {
		total += len(r)
	}
	apart := 1 + total/enoughSamples
	good := func(p []Point, r []T) []Point {
		for i := range r {
			if s := sample(&r[i]); s.Weight > 0.5 && finite(s.Point) {
				p = append(p, s.Point)
			}
		}
		return p
	}
	// Each of the goroutines looks at as many runs; what they find is sorted, so that it does not matter who found it.
	type found struct{ short, long []float64 }
	parts := make([]found, max(1, min(workers, len(runs)/leastRuns)))
	var wg sync.WaitGroup
	for k := range parts {
		wg.Go(func() {
			var p []Point
			for _, r := range runs[k*len(runs)/len(parts) : (k+1)*len(runs)/len(parts)] {
				p = good(p[:0], r)
				parts[k].short = appendWindowRMS(parts[k].short, p, shortWindow, apart)
				parts[k].long = appendWindowRMS(parts[k].long, p, longWindow, apart)
			}
		})
	}
	wg.Wait()
	var all found
	for _, f := range parts {
		all.short, all.long = append(all.short, f.short...), append(all.long, f.long...)
	}
	noise := noiseFrom(all.short, all.long)
	if len(all.short) < fewWindows { // most may lie on corners
		var tiny []float64
		var p []Point
		for _, r := range runs {
			p = good(p[:0], r)
			tiny = appendWindowRMS(tiny, p, tinyWindow, 1)
		}
		slices.Sort(tiny)
		if len(tiny) > 0 {
			noise = min(noise, cornerRatio*tiny[len(tiny)/4])
		}
	}
	return noise
}

// leastRuns is how many runs are worth a goroutine.
const leastRuns = 16

// noiseOf estimates the noise of one run: the lower quartile, as half the windows may lie on corners.
func noiseOf(p []Point) float64 {
	rms := appendWindowRMS(nil, p, shortWindow, 1+len(p)/enoughOfRun)
	if len(rms) == 0 {
		return 0
	}
	slices.Sort(rms)
	return rms[len(rms)/4]
}

const (
	shortWindow, longWindow = 9, 17
	// Below this the long windows tell of bends rather than of noise, px.
	sharedNoise = 0.04
	// Where there are so few windows, the best quarter of tiny ones bounds the noise, times so much.
	fewWindows  = 40
	tinyWindow  = 5
	cornerRatio = 2.0
)

// enoughSamples is the number of samples from which windows are left out: their median is well known.
const enoughSamples = 20_000

// enoughOfRun is the same for one run and its quartile.
const enoughOfRun = 1000

// appendWindowRMS looks at windows half their length apart, times apart.
func appendWindowRMS(dst []float64, p []Point, window, apart int) []float64 {
	for i := 0; i+window <= len(p); i += window / 2 * apart {
		dst = append(dst, fitLocal(p[i:i+window], nil, true).RMS*math.Sqrt(float64(window)/float64(window-3)))
	}
	return dst
}

func noiseFrom(short, long []float64) float64 {
	if len(short) == 0 {
		return 0
	}
	slices.Sort(short)
	s := short[len(short)/2]
	if s < sharedNoise || len(long) == 0 {
		return s
	}
	slices.Sort(long)
	l := min(long[len(long)/2], 1.35*s) // more than this ratio comes from bends
	if l <= s {
		return s
	}
	return l * (l / s) * math.Sqrt(l/s)
}
