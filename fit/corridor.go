package fit

import "math"

// Corridor is one gate of a corridor: a curve may cross the line through Base along the unit vector Normal at a signed
// distance of Low to High px, best at Want. Low <= Want <= High.
type Corridor struct {
	Base, Normal    Point
	Low, Want, High float64
}

// Within returns few segments from start to end that pass every gate of a corridor, given in order. They are for
// edges that are never seen: any way through will do, and joints need not be smooth. Two gates or fewer give a line.
func Within(c []Corridor, start, end Point) []Segment {
	n := len(c)
	if n < 3 {
		if start == end {
			return nil
		}
		return []Segment{LineTo(start, end)}
	}
	k := corridor{gates: c, aim: make([]Point, n)}
	for i, g := range c {
		k.aim[i] = g.Base.Add(g.Normal.Mul(g.Want))
	}
	k.aim[0], k.aim[n-1] = start, end
	k.length = lengths(k.length, k.aim)
	var out []Segment
	for i := 0; i < n-1; {
		if s, ok := k.try(i, n-1); ok {
			return append(out, s)
		}
		best, j := LineTo(k.aim[i], k.aim[i+1]), i+1
		hi := n - 1
		for lo := j; hi-lo > 1; {
			mid := (lo + hi) / 2
			if s, ok := k.try(i, mid); ok {
				best, j, lo = s, mid, mid
			} else {
				hi = mid
			}
		}
		if best.P[0].Sub(best.P[3]).Len() > samePlace {
			out = append(out, best)
		} else if j < n-1 {
			k.aim[j] = best.P[0]
		}
		i = j
	}
	return out
}

// Passes reports whether a segment from the first gate of a corridor to the last, wherever on them, passes those between.
func Passes(c []Corridor, s Segment) bool {
	k := corridor{gates: c, aim: make([]Point, len(c))}
	for i, g := range c {
		k.aim[i] = g.Base.Add(g.Normal.Mul(g.Want))
	}
	k.length = lengths(k.length, k.aim)
	return len(c) < 3 || k.passes(s, 0, len(c)-1)
}

type corridor struct {
	gates  []Corridor
	aim    []Point
	length []float64
	cross  [32]float64 // where the last cubic crossed the gates looked at
}

// try looks for one segment from gate i to gate j: a line, else a cubic by least squares, aimed ever deeper.
func (k *corridor) try(i, j int) (Segment, bool) {
	a, b := k.aim[i], k.aim[j]
	if a.Sub(b).Len() < samePlace {
		return Segment{}, false
	}
	if s := LineTo(a, b); k.passes(s, i, j) {
		return s, true
	}
	if j-i < 3 {
		return Segment{}, false
	}
	for x, depth := range [3]float64{1, 1.9, 3.8} {
		s, verdict := k.cubic(i, j, depth, x > 0)
		if verdict == fits {
			return s, true
		}
		if verdict == nowhere {
			return Segment{}, false
		}
	}
	for _, share := range [3]float64{0.2, 0.1, 0.05} {
		if s, ok := k.bow(i, j, share); ok && k.passes(s, i, j) {
			return s, true
		}
	}
	return Segment{}, false
}

// bow returns a cubic that leaves its ends steeply and bows into the corridor, for a stretch that runs nearly straight:
// its handles end beside the given share of the gates.
func (k *corridor) bow(i, j int, share float64) (Segment, bool) {
	n := int(float64(share*float64(j-i)) + 0.5)
	if n < 1 {
		return Segment{}, false
	}
	first, last, middle := &k.gates[i+n], &k.gates[j-n], &k.gates[(i+j)/2]
	depth := func(g int) float64 { return k.aim[g].Sub(k.gates[g].Base).Dot(k.gates[g].Normal) }
	// A cubic's middle lies at an eighth of its ends and three eighths of its handles.
	aim := middle.Low + float64(0.6*(middle.High-middle.Low))
	h := (aim - (depth(i)+depth(j))/8) / 0.75
	return CubicTo(k.aim[i], first.Base.Add(first.Normal.Mul(h)), last.Base.Add(last.Normal.Mul(h)), k.aim[j]), true
}

// deeper returns the aim of gate g for a factor of depth.
func (k *corridor) deeper(g int, depth float64) Point {
	c := &k.gates[g]
	want := c.Want
	if depth > 1 && want > 0 {
		want = max(want, min(want*depth, 0.8*c.High))
	}
	return c.Base.Add(c.Normal.Mul(want))
}

// verdict is how a cubic did.
type verdict int

const (
	misses  verdict = iota // another aim may do
	fits                   // it passes every gate
	nowhere                // it is so far off that no other aim will do
)

// hopelessMiss is the root mean square of what a cubic may miss its aims by, in widths of the gates, for another aim to be
// worth a try; before the crossings are known it may be firstMiss.
const (
	hopelessMiss = 6.0
	firstMiss    = 40.0
)

// cubic fits free handles to the aims between gates i and j by least squares, the narrower gates counting more. Where
// the curve crosses each gate is found again after each of a few rounds; again says that another aim was tried before, whose
// crossings are a good beginning.
func (k *corridor) cubic(i, j int, depth float64, again bool) (Segment, verdict) {
	a, b := k.aim[i], k.aim[j]
	total := k.length[j] - k.length[i]
	if total <= 0 {
		return Segment{}, misses
	}
	step := max(1, (j-i)/16)
	var s Segment
	var poly polynomial
	ts := &k.cross              // (j-i)/step < 32
	steps := [4]int{0, 2, 1, 1} // the crossings and the handles settle together
	begin := 0
	if again {
		begin = 2
	}
	for round := begin; round < len(steps); round++ {
		a11, a12, a22 := 1e-6, 0.0, 1e-6
		var r1, r2 Point
		sq, weight := 0.0, 0.0
		last := 0.0
		for g, x := i+1, 0; g < j; g, x = g+step, x+1 {
			c := &k.gates[g]
			t := (k.length[g] - k.length[i]) / total
			if round > 1 {
				t = ts[x]
			}
			if round > begin {
				t = max(last, poly.crossing(c, max(last, t), steps[round]))
				last = t
			}
			ts[x] = t
			slack := max(0.2, min(c.Want-c.Low, c.High-c.Want))
			w := 1 / (slack * slack)
			v := 1 - t
			b0, b1, b2, b3 := v*v*v, 3*v*v*t, 3*v*t*t, t*t*t
			e := k.deeper(g, depth).Sub(a.Mul(b0)).Sub(b.Mul(b3))
			a11 += float64(w * b1 * b1)
			a12 += float64(w * b1 * b2)
			a22 += float64(w * b2 * b2)
			r1 = r1.Add(e.Mul(w * b1))
			r2 = r2.Add(e.Mul(w * b2))
			sq += float64(w * e.Dot(e))
			weight++
		}
		det := float64(a11*a22) - float64(a12*a12)
		if det < 1e-9 {
			return Segment{}, misses
		}
		p := r1.Mul(a22).Sub(r2.Mul(a12)).Mul(1 / det)
		q := r2.Mul(a11).Sub(r1.Mul(a12)).Mul(1 / det)
		// Handles that leave the stretch by its own length loop.
		if p.Sub(a).Len() > 1.5*total || q.Sub(b).Len() > 1.5*total {
			return Segment{}, misses
		}
		s = CubicTo(a, p, q, b)
		poly = polynomialOf(s)
		if k.passes(s, i, j) {
			return s, fits
		}
		// What the least squares leave is the sum of squares less what the handles explain.
		limit := hopelessMiss
		if round == begin {
			limit = firstMiss
		}
		if left := sq - p.Dot(r1) - q.Dot(r2); left > limit*limit*weight {
			return s, nowhere
		}
	}
	return s, misses
}

// crossing returns the parameter at which a cubic crosses the line of a gate, by so many steps of Newton's method from t.
func (c *polynomial) crossing(g *Corridor, t float64, steps int) float64 {
	along := g.Normal.Perp()
	for range steps {
		d := c.deriv(t).Dot(along)
		if math.Abs(d) < 1e-9 {
			break
		}
		next := clamp01(t - c.at(t).Sub(g.Base).Dot(along)/d)
		if math.Abs(next-t) < roughPrecision {
			return next
		}
		t = next
	}
	return t
}

// glance is the share of the gates that are looked at first, one in so many: a curve that misses mostly misses those.
const glance = 8

// passes reports whether s crosses the gates between i and j within their bounds.
func (k *corridor) passes(s Segment, i, j int) bool {
	// It must set out and arrive along the corridor, or it loops.
	if first, last := k.gates[i+1].Normal.Perp(), k.gates[j-1].Normal.Perp(); s.P[1].Sub(s.P[0]).Dot(first) < 0 || s.P[3].Sub(s.P[2]).Dot(last) < 0 {
		return false
	}
	poly := polynomialOf(s)
	return (j-i < 3*glance || k.crosses(&poly, i, j, glance)) && k.crosses(&poly, i, j, 1) && (s.Line || k.keeps(&poly, i, j))
}

// Gates that are apartGates or more apart, px, leave a cubic room to swing out between them, by swing px at most.
const apartGates, swing = 1.0, 0.1

// keeps reports whether a cubic that crosses the gates between i and j within their bounds keeps to them half way between
// those that are far apart, where the corridor does not turn sharply.
func (k *corridor) keeps(poly *polynomial, i, j int) bool {
	total := k.length[j] - k.length[i]
	for g := i; g < j; g++ {
		a, b := &k.gates[g], &k.gates[g+1]
		if b.Base.Sub(a.Base).Len() < apartGates || a.Normal.Dot(b.Normal) < 0.8 {
			continue
		}
		mid := Corridor{Base: a.Base.Lerp(b.Base, 0.5), Normal: a.Normal.Add(b.Normal).Unit()}
		t := poly.crossing(&mid, ((k.length[g]+k.length[g+1])/2-k.length[i])/total, 4)
		off := poly.at(t).Sub(mid.Base).Dot(mid.Normal)
		if off < min(a.Low, b.Low)-swing || off > max(a.High, b.High)+swing {
			return false
		}
	}
	return true
}

// crosses reports whether a cubic crosses every gate between i and j, or one in step, within its bounds.
func (k *corridor) crosses(poly *polynomial, i, j, step int) bool {
	total := k.length[j] - k.length[i]
	t, before := 0.0, i
	for g := i + 1 + step/2; g < j; g += step {
		c := &k.gates[g]
		along := c.Normal.Perp()
		guess := 0.5
		if total > 0 { // on from the last crossing, but not far behind where the length says
			guess = max(t+(k.length[g]-k.length[before])/total, (k.length[g]-k.length[i])/total-0.1)
		}
		before = g
		t = poly.crossing(c, min(1, max(t, guess)), 4)
		at := poly.at(t).Sub(c.Base)
		if poly.deriv(t).Dot(along) <= 0 {
			return false
		}
		off, miss := at.Dot(c.Normal), math.Abs(at.Dot(along))
		if off < c.Low || off > c.High || miss > 0.5+float64(0.5*math.Abs(c.Want)) {
			return false
		}
	}
	return true
}
