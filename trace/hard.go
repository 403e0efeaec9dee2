package trace

import (
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file measures hard edges, of pictures drawn without smoothing: a scan in black and white, a brush without soft
// rims, flats poured with the bucket. No pixel there shows both colours, so shares tell nothing of where an edge runs.
// What does tell are the steps of the staircase: a pixel has the colour of its centre, so the edge passes half way
// between the centres on both sides of a step, at the middle of that single crack, to less than the slope times half a
// pixel. (Digital straight segments: R. Klette & A. Rosenfeld, "Digital straightness – a review", Discrete Applied
// Mathematics 139, 2004.)

const (
	// hardMost is how much the pixels beside steps may show of the colour across, on average, in an edge that counts as
	// hard, px. Where pixels show both colours it is a quarter or more.
	hardMost = 0.12
	// hardSteps is the number of places beside steps from which on an arc tells by itself; others go with the picture.
	hardSteps = 12
	// hardDoubt is the error of places between steps, px: lengths of a few runs tell a slope to about so much at its ends.
	hardDoubt = 0.2
)

// hardness sums up how much pixels beside steps show of the colour across.
type hardness struct {
	mixed float64 // px
	n     int
}

func (h *hardness) add(o hardness) { h.mixed, h.n = h.mixed+o.mixed, h.n+o.n }

// within reports whether there are enough places, and they show no more than most, px.
func (h *hardness) within(most float64) bool {
	return h.n >= hardSteps && h.mixed <= float64(most*float64(h.n))
}

// hard reports whether an arc is hard, in a picture whose arcs add up to all.
func (h *hardness) hard(all hardness) bool {
	if !all.within(hardMost) {
		return h.within(hardMost)
	}
	return h.n < hardSteps || h.within(2*hardMost)
}

// besideStep reports whether the boundary turns before or after crack i as it does on a slope: of the runs that meet there
// one is a single crack.
func besideStep(dirs []uint8, i int, closed bool) bool {
	n := len(dirs)
	at := func(k int) (uint8, bool) {
		if closed {
			return dirs[(k%n+n)%n], true
		}
		if k < 0 || k >= n {
			return 0, false
		}
		return dirs[k], true
	}
	for _, s := range [2]int{-1, 1} {
		next, ok := at(i + s)
		if !ok || next == dirs[i] {
			continue
		}
		behind, ok1 := at(i - s)
		beyond, ok2 := at(i + 2*s)
		if ok1 && ok2 && (behind != dirs[i] || beyond != next) {
			return true
		}
	}
	return false
}

// run is a stretch of cracks in one direction.
type run struct {
	d     uint8
	first int // crack
	n     int // cracks
}

// runsOf parts the cracks of an arc into runs, in order.
func runsOf(dirs []uint8, closed bool) (runs []run) {
	n, turned := len(dirs), 0
	// A loop is read from a turn on, so that no run is cut.
	if closed {
		for turned < n && dirs[turned] == dirs[(turned+n-1)%n] {
			turned++
		}
	}
	for k := 0; k < n; k++ {
		i := (turned + k) % n
		if d := dirs[i]; k == 0 || d != runs[len(runs)-1].d {
			runs = append(runs, run{d: d, first: i})
		}
		runs[len(runs)-1].n++
	}
	return runs
}

// hardOffsets returns for every crack of a hard arc how far the edge lies from its middle, px to the right of its
// direction.
func hardOffsets(dirs []uint8, closed bool) []float64 {
	off := make([]float64, len(dirs))
	runs := runsOf(dirs, closed)
	at := func(k int) *run {
		if closed {
			k = (k%len(runs) + len(runs)) % len(runs)
		}
		if k < 0 || k >= len(runs) {
			return nil
		}
		return &runs[k]
	}
	for k := range runs {
		r := &runs[k]
		if r.n < 2 { // the edge crosses its middle
			continue
		}
		before, after := at(k-1), at(k+1)
		steps := func(s *run) bool { return s != nil && s.n == 1 }
		right := func(s *run) float64 { // of r's direction
			if (s.d-r.d)&3 == 1 {
				return 0.5
			}
			return -0.5
		}
		length := func(k int) float64 {
			if s := at(k); s != nil {
				return float64(s.n)
			}
			return 0
		}
		set := func(f func(t float64) float64) { // t: cracks from the run's beginning
			for i := range r.n {
				off[(r.first+i)%len(dirs)] = max(-0.5, min(0.5, f(float64(i)+0.5)))
			}
		}
		n := float64(r.n)
		switch {
		case !steps(before) && !steps(after): // a straight side between corners
		case steps(before) && steps(after):
			o0, o1 := -right(before), right(after)
			if o0 != o1 {
				set(func(t float64) float64 { return o0 + float64((o1-o0)*t/n) })
				continue
			}
			// An extremum. The widths of the next levels tell a bend, whose squares grow evenly, from a tip.
			w1 := n + length(k-2) + length(k+2)
			w2 := w1 + length(k-4) + length(k+4)
			grows := float64(w1*w1) - float64(n*n)
			if bend := math.Sqrt(float64(w1*w1) + grows); w2-bend > float64(2*w1)-n-w2 {
				if h := n / max(1e-9, w1-n); h <= tallTip {
					set(func(t float64) float64 {
						return o0 - math.Copysign(min(1, h)*(1-math.Abs(float64(2*t)/n-1)), o0)
					})
				}
			} else if h := float64(n*n) / max(1e-9, grows); h <= 1 {
				set(func(t float64) float64 {
					u := float64(2*t)/n - 1
					return o0 - float64(math.Copysign(h, o0)*(1-float64(u*u)))
				})
			}
		case steps(after):
			o, long := right(after), max(n, length(k+2))
			set(func(t float64) float64 { return o - float64(2*o*(n-t)/long) })
		default:
			o, long := -right(before), max(n, length(k-2))
			set(func(t float64) float64 { return o - float64(2*o*t/long) })
		}
	}
	return off
}

// smoothed returns places along an arc with what is left of the staircase taken out: near 45 degrees single cracks follow
// one another, and each place errs by up to a third of a pixel. Every place moves to a polynomial through those about
// it, as far as the boundary keeps to one quadrant of directions: beyond lies a corner or an extremum.
func smoothed(p []fit.Point, dirs []uint8, closed bool) []fit.Point {
	n := len(p)
	out := slices.Clone(p)
	if n < 3 {
		return out
	}
	wrap := func(k int) int { return (k%n + n) % n }
	// corner reports whether the boundary turns for good between crack k and the next: slopes go on in single cracks.
	corner := func(k int) bool {
		if !closed && (k < 1 || k+2 >= n) {
			return false
		}
		a, b := dirs[wrap(k)], dirs[wrap(k+1)]
		return a != b && dirs[wrap(k-1)] == a && dirs[wrap(k+2)] == b
	}
	for i := range p {
		back, on := 0, 0
		var seen [4]int
		seen[dirs[i]]++
		// fits reports whether crack k may be taken in.
		fits := func(k int) bool {
			if !closed && (k < 0 || k >= n) || back+on+2 > n {
				return false
			}
			d := dirs[wrap(k)]
			if seen[d^2] > 0 {
				return false
			}
			seen[d]++
			return true
		}
		for more := true; more; {
			more = false
			if back < smoothSpan && !corner(i-back-1) && fits(i-back-1) {
				back, more = back+1, true
			}
			if on < smoothSpan && !corner(i+on) && fits(i+on+1) {
				on, more = on+1, true
			}
		}
		if back+on >= 2 {
			out[i] = polynomialAt(func(k int) fit.Point { return p[wrap(i+k)] }, -back, on, min(back, on) >= 2)
		}
	}
	return out
}

// smoothSpan is how many cracks either side of one smoothed looks at: several steps of any slope that errs.
const smoothSpan = 6

// polynomialAt fits a line or a parabola to at(lo) … at(hi) by least squares and returns its value at 0.
func polynomialAt(at func(k int) fit.Point, lo, hi int, parabola bool) fit.Point {
	n := hi - lo + 1
	m := float64(lo+hi) / 2
	var s2, s4 float64
	for k := lo; k <= hi; k++ {
		u := float64(k) - m
		s2, s4 = s2+float64(u*u), s4+float64(float64(u*u)*float64(u*u))
	}
	var v fit.Point
	mean2 := s2 / float64(n)
	q := s4 - float64(s2*mean2) // of the second polynomial, orthogonal to the others: u² - mean2
	for k := lo; k <= hi; k++ {
		u := float64(k) - m
		w := 1/float64(n) - float64(m*u)/s2
		if parabola {
			w += float64((float64(m*m)-mean2)*(float64(u*u)-mean2)) / q
		}
		p := at(k)
		v.X, v.Y = v.X+float64(w*p.X), v.Y+float64(w*p.Y)
	}
	return v
}

// tallTip is how many pixels a tip may go on beyond its last step to count as one: what is broader ends in a straight side.
const tallTip = 2.0

// measureHard returns the samples of a hard arc; see measure.
func (e *edgeMeter) measureHard(arc *planar.Arc) []edgeSample {
	dirs := e.m.Dirs[arc.Off : arc.Off+arc.N]
	closed := arc.From == planar.None
	places := make([]fit.Point, len(dirs))
	x, y := int(arc.X), int(arc.Y)
	for i, off := range hardOffsets(dirs, closed) {
		d := dirs[i]
		lx, ly, rx, ry := planar.SidePixels(x, y, d)
		places[i] = fit.Point{
			X: float64(x) + float64(planar.DX[d])/2 + float64(off*float64(rx-lx)),
			Y: float64(y) + float64(planar.DY[d])/2 + float64(off*float64(ry-ly)),
		}
		x += planar.DX[d]
		y += planar.DY[d]
	}
	var out []edgeSample
	for i, p := range smoothed(places, dirs, closed) {
		if alongBoundary(dirs, i, closed) {
			out = append(out, edgeSample{Sample: fit.Sample{Point: p, Weight: 1}, at: int32(i)})
		}
	}
	return out
}
