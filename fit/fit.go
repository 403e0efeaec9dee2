// Package fit turns measured edge positions into few smooth curves: samples of one boundary in, straight lines and
// cubic Béziers with true corners out. It knows nothing of pictures, labels or files. Point, Segment and Path live
// here.
//
// Most callers need only Curve. Within fits hidden edges, for which any curve between two bounds will do; Ellipse
// draws dots; FitLocal describes the end of a run, for finding where several of them meet. All functions are pure
// and safe to call from several goroutines, and give the same bytes on every machine.
package fit

import (
	"math"
	"slices"
)

// Sample is one measured position of an edge.
type Sample struct {
	Point
	Weight float64 // 0 (doubtful, used only where nothing better is near) to 1 (good)
}

// Defaults of Options.
const (
	DefaultTolerance = 0.1  // px, suits the clean edges of a digital picture
	DefaultTurn      = 28.0 // degrees
)

// Limits of Options; values outside are moved to the nearer limit.
const (
	minTolerance, maxTolerance = 0.02, 50.0
	minScale, maxScale         = 0.5, 8.0
)

// Options steer Curve. The zero value suits the edges of a clean digital picture.
type Options struct {
	// Tolerance is how far the curve may leave the samples at worst, in px, 0.02 to 50; zero means
	// DefaultTolerance. 0.1 follows a clean anti-aliased edge, 0.35 a scanned one; each doubling saves about a
	// tenth of the segments (a cubic's error falls with the sixth power of its length).
	Tolerance float64
	// Noise is the standard deviation of the samples about the true edge, in px; zero means that it is taken from
	// the samples. A run whose own noise is larger is followed less closely.
	Noise float64
	// Turn is the sharpest jump of the tangent that is still drawn round, in degrees, 0 to 180; zero means
	// DefaultTurn.
	Turn float64
	// Scale widens the windows in which corners are looked for: 1 (which zero means) for plain anti-aliasing, 2
	// for blurred or noisy edges.
	Scale float64
	// Freehand says that a hand drew the edge, on paper say: a part that wavers about a straight line within the Tolerance is
	// drawn as that line.
	Freehand bool
	// Sharp and Smooth are places that a user marked: a corner is forced at the sample nearest each Sharp point (if
	// one lies within 4 px) and none is made within 3 px of a Smooth one.
	Sharp, Smooth []Point
	// Round are places that are known to be round: no corner is seen within 1.2 px of one.
	Round []Point
	// Tips are ends of narrow strokes whose place is known better than samples tell.
	Tips []Tip
}

// Tip is the end of a narrow stroke.
type Tip struct {
	At    Point
	Out   Point // unit direction in which the stroke ends
	End   TipEnd
	Reach float64 // px around At that the end takes; not for Bounded
	// Sides are the samples where a round end begins and ends, or the corners of a square one.
	Sides [2]Point
}

// TipEnd says what is known of the end of a stroke.
type TipEnd int

const (
	Bounded TipEnd = iota // no corner lies further out
	Pointed               // the sides meet in a corner at At, which is one of the samples; there is no other one within reach
	Round                 // the same for a smooth curve from side to side
	Square                // the same for two corners
)

// setting is Options, checked, with the figures derived from them.
type setting struct {
	tol, noise, scale float64
	freehand          bool
	rough             float64 // what the corner search takes for noise, px
	cosTurn, tanTurn  float64 // of the Turn angle; tan is of its half
	sharp, smooth     []Point
	round             []Point
	tips              []Tip
}

func (o Options) setting(p []Point, w []float64, closed bool) setting {
	s := setting{tol: o.Tolerance, noise: o.Noise, scale: o.Scale, freehand: o.Freehand, sharp: o.Sharp, smooth: o.Smooth, round: o.Round, tips: o.Tips}
	if !(s.tol > 0) {
		s.tol = DefaultTolerance
	}
	s.tol = min(maxTolerance, max(minTolerance, s.tol))
	if !(s.scale > 0) {
		s.scale = 1
	}
	s.scale = min(maxScale, max(minScale, s.scale))
	// A run may be noisier than the picture: its colours are closer to each other.
	own := 0.0
	if len(p) >= leastForNoise || !(s.noise > 0) {
		own = noiseOf(p)
	}
	if !(s.noise > 0) {
		own = min(own, s.tol/3)
	}
	s.noise = max(minNoise, max(s.noise, own))
	s.tol = max(s.tol, min(mostLoose*s.tol, noiseTolerance*own))
	s.rough = max(s.noise, roughShare*(s.tol-cleanTolerance))
	turn := o.Turn
	if !(turn > 0) {
		turn = DefaultTurn
	}
	turn = min(180, turn)
	s.cosTurn = math.Cos(turn * math.Pi / 180)
	s.tanTurn = math.Tan(turn * math.Pi / 360)
	return s
}

// A run is not followed more closely than this multiple of its own noise, unless that is this many times the
// tolerance: below it segments multiply and the error does not fall.
const (
	noiseTolerance = 4.0
	mostLoose      = 3.0
	leastForNoise  = 60 // samples; in short runs bends pass for noise
)

// A wide tolerance says that the samples err in places, whatever their noise is on the whole: the corner search allows
// for this share of what it exceeds that of a clean picture by.
const (
	roughShare     = 0.12
	cleanTolerance = 0.07 // px
)

// minNoise is the least standard deviation assumed of samples, px: half a level of an 8-bit picture moves a
// measured edge by 1/512 px, and the mean over a pixel's width that a sample stands for leaves curves of 10 px
// radius by 1/240.
const minNoise = 0.004

// Curve fits samples, given in order along the edge about a pixel apart. closed means a loop whose last sample
// connects to its first; start and end are then ignored. An open run begins exactly at start and ends exactly at
// end; samples lie between them.
//
// The result is connected and finite for any finite input:
//  1. it leaves good samples by at most about 1.5 times the tolerance (samples within about a pixel of a corner are
//     rounded off by the pixels and do not count);
//  2. joints are smooth except at corners;
//  3. no segment has zero length;
//  4. a closed run with fewer than three distinct samples gives an empty path.
//
// Not guaranteed: the smallest possible number of segments.
func Curve(samples []Sample, closed bool, start, end Point, opt Options) Path {
	b := builders.Get().(*builder)
	defer b.release()
	b.clean, b.cleanW = cleaned(b.clean[:0], b.cleanW[:0], samples, closed)
	p, w := b.clean, b.cleanW
	if closed {
		if len(p) < 3 {
			return Path{Closed: true}
		}
	} else {
		p, w = withoutEnds(p, w, start, end)
		if len(p) == 0 {
			return openLine(start, end)
		}
	}
	st := opt.setting(p, w, closed)
	if closed {
		if path, ok := wholeEllipse(p, w, st); ok {
			return path
		}
	}
	b.setting, b.p, b.w, b.closed, b.start, b.end = st, p, w, closed, start, end
	return b.build()
}

func openLine(a, b Point) Path {
	if a == b {
		return Path{}
	}
	return Path{Segments: []Segment{LineTo(a, b)}}
}

// samePlace is the distance below which two positions count as one, px.
const samePlace = 1e-3

// cleaned appends samples to p and their weights to w, without non-finite and repeated positions.
func cleaned(p []Point, w []float64, samples []Sample, closed bool) ([]Point, []float64) {
	p, w = slices.Grow(p, len(samples)), slices.Grow(w, len(samples))
	for _, s := range samples {
		if !finite(s.Point) {
			continue
		}
		k := s.Weight
		if !(k > 0) {
			k = 0
		}
		k = min(1, max(leastWeight, k))
		if n := len(p); n > 0 && p[n-1].Sub(s.Point).Len() < samePlace {
			w[n-1] = max(w[n-1], k)
			continue
		}
		p, w = append(p, s.Point), append(w, k)
	}
	for closed && len(p) > 1 && p[len(p)-1].Sub(p[0]).Len() < samePlace {
		p, w = p[:len(p)-1], w[:len(w)-1]
	}
	return p, w
}

// leastWeight is what a doubtful sample counts.
const leastWeight = 0.02

// farOff bounds coordinates; beyond it squares and products of differences lose the tolerance.
const farOff = 1e7

func finite(p Point) bool {
	return math.Abs(p.X) < farOff && math.Abs(p.Y) < farOff // false for NaN
}

func withoutEnds(p []Point, w []float64, a, b Point) ([]Point, []float64) {
	for len(p) > 0 && p[0].Sub(a).Len() < samePlace {
		p, w = p[1:], w[1:]
	}
	for len(p) > 0 && p[len(p)-1].Sub(b).Len() < samePlace {
		p, w = p[:len(p)-1], w[:len(w)-1]
	}
	return p, w
}

// lengths returns the length of the polyline p from its first point to each, in c if it has room.
func lengths(c []float64, p []Point) []float64 {
	if c = sized(c, len(p)); len(c) > 0 {
		c[0] = 0
	}
	for i := 1; i < len(p); i++ {
		c[i] = c[i-1] + p[i].Sub(p[i-1]).Len()
	}
	return c
}
