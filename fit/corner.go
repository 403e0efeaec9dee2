package fit

import "math"

// Corner is a place where an edge turns sharply.
type Corner struct {
	Index int     // of the sample nearest the corner
	At    Point   // where the two arms meet
	Turn  float64 // radians, 0 to π
	In    Point   // unit direction of the arm that arrives
	Out   Point   // unit direction of the arm that leaves
}

// Windows of the corner search, in px of a scale of 1.
const (
	armGap  = 0.8 // samples nearer than this are rounded off by the pixels
	armSpan = 5.0 // samples farther than this may belong to the next bend
	arcSpan = 3.5 // within this one circle must not explain what is called a corner
	arcMiss = 0.06
)

// Corners returns the corners of a run in order along it.
func Corners(samples []Sample, closed bool, opt Options) []Corner {
	p, w := cleaned(samples, closed)
	if len(p) < minCornerRun {
		return nil
	}
	b := builder{setting: opt.setting(p, w, closed), p: p, w: w, closed: closed}
	return b.corners()
}

// minCornerRun is the number of samples below which no arms can be told apart.
const minCornerRun = 5

type candidate struct {
	Corner
	score float64
}

// corners finds places where the one-sided models of the two arms meet at more than the turn still drawn round.
func (b *builder) corners() []Corner {
	n := len(b.p)
	if n < minCornerRun {
		return nil
	}
	var found []candidate
	for i := range n {
		if c, ok := b.cornerAt(i); ok {
			found = append(found, c)
		}
	}
	found = b.best(found)
	out := make([]Corner, len(found))
	for k := range found {
		out[k] = b.settled(found, k)
	}
	return b.marked(out)
}

// at returns sample i, counted around a loop; ok is false beyond the ends of an open run.
func (b *builder) at(i int) (Point, bool) {
	n := len(b.p)
	if b.closed {
		return b.p[((i%n)+n)%n], true
	}
	if i < 0 || i >= n {
		return Point{}, false
	}
	return b.p[i], true
}

// arm collects the samples from gap to span px along the run from sample i, in the order of the run. step is 1 or -1.
func (b *builder) arm(dst []Point, i, step int, gap, span float64) []Point {
	dst = dst[:0]
	length := 0.0
	last := b.p[i]
	for k := 1; k < len(b.p); k++ {
		p, ok := b.at(i + step*k)
		if !ok {
			break
		}
		length += p.Sub(last).Len()
		last = p
		if length > span {
			break
		}
		if length >= gap {
			dst = append(dst, p)
		}
	}
	if step < 0 {
		for i, j := 0, len(dst)-1; i < j; i, j = i+1, j-1 {
			dst[i], dst[j] = dst[j], dst[i]
		}
	}
	return dst
}

// cornerAt tests sample i.
func (b *builder) cornerAt(i int) (candidate, bool) {
	var none candidate
	// A quick look at the chords spares the fits where the run goes straight on.
	p := b.p[i]
	back, ok1 := b.at(i - 3)
	fore, ok2 := b.at(i + 3)
	if ok1 && ok2 {
		d, e := p.Sub(back), fore.Sub(p)
		if c := d.Dot(e); c > 0 && math.Abs(d.Cross(e)) < 0.6*b.tanTurn*c {
			return none, false
		}
	}
	span := armSpan * b.scale
	b.left = b.arm(b.left, i, -1, armGap*b.scale, span)
	b.right = b.arm(b.right, i, 1, armGap*b.scale, span)
	if len(b.left) < 2 || len(b.right) < 2 {
		return none, false
	}
	l, r := b.fitArm(b.left, true), b.fitArm(b.right, false)
	x, dl, dr, ok := meet(&l, &r, p, 5*b.scale)
	if !ok {
		return none, false
	}
	turn := math.Atan2(math.Abs(dl.Cross(dr)), dl.Dot(dr))
	if dl.Dot(dr) >= b.cosTurn {
		return none, false
	}
	// Past its apex the fitted arms must not have crossed the edge: the corner lies where the run bends.
	if x.Sub(p).Len() > b.scale*(1.2+0.9/math.Max(0.1, math.Tan((math.Pi-turn)/2))) {
		return none, false
	}
	b.window = append(b.arm(b.window, i, -1, 0, arcSpan*b.scale), p)
	b.spare = b.arm(b.spare, i, 1, 0, arcSpan*b.scale)
	b.window = append(b.window, b.spare...)
	rms := math.Max(l.RMS, r.RMS)
	if arc := circleRMS(b.window); arc < math.Max(arcMiss*b.scale, 1.5*b.noise) || arc < 1.2*rms {
		return none, false
	}
	score := turn / (1 + (l.RMS+r.RMS)/math.Max(0.03, b.noise)) / (1 + x.Sub(p).Len()/b.scale)
	return candidate{Corner{i, x, turn, dl, dr}, score}, true
}

// fitArm fits a quadratic to an arm where it has the samples for one. An arm that does not fit its model is cut
// short: the far part belongs to another bend. near tells which end is kept: the last (an arriving arm) or the first.
func (b *builder) fitArm(p []Point, arriving bool) Local {
	l := FitLocal(p, len(p) >= 4)
	limit := math.Max(0.05*b.scale, 2.5*b.noise)
	for l.RMS > limit && len(p) > 3 {
		cut := max(3, len(p)*2/3)
		if arriving {
			p = p[len(p)-cut:]
		} else {
			p = p[:cut]
		}
		l = FitLocal(p, len(p) >= 4)
	}
	return l
}

// best keeps the best candidate of each neighbourhood.
func (b *builder) best(in []candidate) []candidate {
	n := len(b.p)
	var out []candidate
	for i := range in {
		c := &in[i]
		keep := true
		for j := i - 1; j >= i-8 && keep; j-- {
			keep = b.outranks(c, in, j, n)
		}
		for j := i + 1; j <= i+8 && keep; j++ {
			keep = b.outranks(c, in, j, n)
		}
		if keep {
			out = append(out, *c)
		}
	}
	return out
}

func (b *builder) outranks(c *candidate, in []candidate, j, n int) bool {
	if !b.closed && (j < 0 || j >= len(in)) {
		return true
	}
	j = ((j % len(in)) + len(in)) % len(in)
	e := &in[j]
	if e.Index == c.Index {
		return true
	}
	d := c.Index - e.Index
	if d < 0 {
		d = -d
	}
	if b.closed && n-d < d {
		d = n - d
	}
	near := d <= 1 || d < 6 && c.At.Sub(e.At).Len() < 1.2*b.scale
	return !near || c.score > e.score || c.score == e.score && c.Index < e.Index
}

// settled places corner k again with arms that end before the neighbouring corners.
func (b *builder) settled(all []candidate, k int) Corner {
	c := all[k].Corner
	arm := func(step int) []Point {
		w := b.arm(nil, c.Index, step, armGap*b.scale, 1.3*armSpan*b.scale)
		j := k + step
		if len(all) < 2 || !b.closed && (j < 0 || j >= len(all)) {
			return w
		}
		next := &all[((j%len(all))+len(all))%len(all)]
		limit := b.p[next.Index].Sub(b.p[c.Index]).Len()
		var out []Point
		for _, p := range w {
			if p.Sub(next.At).Len() > 0.9*b.scale && p.Sub(b.p[c.Index]).Len() < limit {
				out = append(out, p)
			}
		}
		return out
	}
	l, r := arm(-1), arm(1)
	if len(l) >= 2 && len(r) >= 2 {
		ll, rr := b.fitArm(l, true), b.fitArm(r, false)
		if x, dl, dr, ok := meet(&ll, &rr, c.At, 1.5*b.scale); ok {
			c.At, c.In, c.Out = x, dl, dr
			c.Turn = math.Atan2(math.Abs(dl.Cross(dr)), dl.Dot(dr))
		}
	}
	// The sample nearest the apex parts the arms.
	best, dist := c.Index, math.Inf(1)
	for q := c.Index - 5; q <= c.Index+5; q++ {
		if p, ok := b.at(q); ok {
			if d := p.Sub(c.At).Len(); d < dist {
				n := len(b.p)
				best, dist = ((q%n)+n)%n, d
			}
		}
	}
	c.Index = best
	return c
}

// Distances at which a user's mark takes hold, px.
const (
	sharpReach  = 4.0
	smoothReach = 3.0
)

// marked applies the user's marks and drops corners that share a sample.
func (b *builder) marked(in []Corner) []Corner {
	var out []Corner
	for _, c := range in {
		keep := true
		for _, s := range b.smooth {
			keep = keep && c.At.Sub(s).Len() > smoothReach
		}
		if keep {
			out = append(out, c)
		}
	}
	for _, s := range b.sharp {
		best, dist := -1, sharpReach
		for i, p := range b.p {
			if d := p.Sub(s).Len(); d < dist {
				best, dist = i, d
			}
		}
		if best >= 0 {
			out = append(out, Corner{Index: best, At: b.p[best]})
		}
	}
	sortCorners(out)
	kept := out[:0]
	for _, c := range out {
		if len(kept) == 0 || kept[len(kept)-1].Index != c.Index {
			kept = append(kept, c)
		}
	}
	return kept
}

// circleRMS returns the root mean square distance of points from their best circle (Kåsa's algebraic fit, 1976), px;
// infinite for fewer than four.
func circleRMS(p []Point) float64 {
	n := float64(len(p))
	if n < 4 {
		return math.Inf(1)
	}
	var m Point
	for _, q := range p {
		m = m.Add(q)
	}
	m = m.Mul(1 / n)
	var sxx, sxy, syy, sxz, syz, sz float64
	for _, q := range p {
		d := q.Sub(m)
		z := d.Dot(d)
		sxx += float64(d.X * d.X)
		sxy += float64(d.X * d.Y)
		syy += float64(d.Y * d.Y)
		sxz += float64(d.X * z)
		syz += float64(d.Y * z)
		sz += z
	}
	det := float64(sxx*syy) - float64(sxy*sxy)
	if det <= 1e-9*float64((sxx+syy)*(sxx+syy)) { // as good as straight
		return FitLocal(p, false).RMS
	}
	c := Point{(float64(sxz*syy) - float64(syz*sxy)) / (2 * det), (float64(syz*sxx) - float64(sxz*sxy)) / (2 * det)}
	r := math.Sqrt(c.Dot(c) + sz/n)
	var e float64
	for _, q := range p {
		d := q.Sub(m).Sub(c).Len() - r
		e += float64(d * d)
	}
	return math.Sqrt(e / n)
}
