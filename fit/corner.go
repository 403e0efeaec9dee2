package fit

import (
	"math"
	"slices"
)

// Corner is a place where an edge turns sharply.
type Corner struct {
	Index int     // of the sample nearest the corner
	At    Point   // where the two arms meet
	Turn  float64 // radians, 0 to π
	In    Point   // unit direction of the arm that arrives
	Out   Point   // unit direction of the arm that leaves

	end   bool // an end of an open run
	exact bool // the samples beside it are as good as any
	fixed bool // its place is known
}

// Windows of the corner search, in px of a scale of 1.
const (
	armGap   = 0.8 // samples nearer than this are rounded off by the pixels
	armSpan  = 5.0 // samples farther than this may belong to the next bend
	arcSpan  = 3.5 // within this one circle must not explain what is called a corner
	arcMiss  = 0.03
	bendMiss = 0.025 // the same for a third-order curve
	arcMiss2 = 0.06  // the same for two corners at once
)

// Corners returns the corners of a run in order along it.
func Corners(samples []Sample, closed bool, opt Options) []Corner {
	p, w := cleaned(nil, nil, samples, closed)
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
		if c, ok := b.cornerAt(i); ok && !b.beyondTip(&c.Corner) {
			found = append(found, c)
		}
	}
	found = b.best(found)
	out := make([]Corner, len(found))
	for k := range found {
		out[k] = b.settled(found, k)
	}
	return b.marked(b.unrounded(out))
}

// beyondTip reports whether the end of a stroke, or that there is none, is known better than by corner c.
func (b *builder) beyondTip(c *Corner) bool {
	for _, p := range b.round {
		if c.At.Sub(p).Len() < roundReach {
			return true
		}
	}
	for i := range b.tips {
		t := &b.tips[i]
		switch d := c.At.Sub(t.At); {
		case t.End == Bounded:
			if d.Len() < tipReach && d.Dot(t.Out) > boundSlack {
				return true
			}
		case d.Len() < t.Reach || b.p[c.Index].Sub(t.At).Len() < t.Reach:
			return true
		}
	}
	return false
}

// roundReach is how far from a place that is known to be round no corner is seen, px.
const roundReach = 1.2

// cosPoint is the cosine of the turn of a narrow stroke's point of 30 degrees.
const cosPoint = -0.866

// appendTip appends the corners of an end of a stroke to dst: where its sides meet, or those where they pass into its
// round end, which turn by nothing.
func (b *builder) appendTip(dst []Corner, t *Tip) []Corner {
	if t.End == Pointed && b.cosTurn <= cosPoint || t.End == Square && b.cosTurn <= 0 {
		return dst // round whatever it was drawn
	}
	for _, p := range b.smooth {
		if t.End != Round && p.Sub(t.At).Len() <= smoothReach {
			return dst
		}
	}
	switch t.End {
	case Pointed:
		if k := slices.Index(b.p, t.At); k >= 0 {
			dst = append(dst, Corner{Index: k, At: t.At, exact: true, fixed: true})
		}
	case Round, Square:
		i, j := slices.Index(b.p, t.Sides[0]), slices.Index(b.p, t.Sides[1])
		if i < 0 || j < 0 {
			break
		}
		var in, back Point
		if t.End == Round {
			in, back = t.Out, t.Out.Mul(-1)
		}
		if n := len(b.p); (j > i) != (max(i-j, j-i) < n/2) { // the run goes the other way
			in, back = back, in
		}
		dst = append(dst, Corner{Index: i, At: t.Sides[0], In: in, Out: in, exact: true}, Corner{Index: j, At: t.Sides[1], In: back, Out: back, exact: true})
	}
	return dst
}

// boundSlack is how far beyond the bound of a stroke one of its corners may be seen, px.
const boundSlack = 0.3

// pairSpan is how far apart two corners of a round end drawn with two may lie, px.
const pairSpan = 4.5

// unrounded drops neighbouring corners that turn the same way where one circle explains what lies around both: a tight
// bend, or the round end of a stroke.
func (b *builder) unrounded(in []Corner) []Corner {
	n := len(in)
	if n < 2 {
		return in
	}
	gone := make([]bool, n)
	for k := range in {
		j := k + 1
		if j == n {
			if !b.closed || n == 2 {
				break
			}
			j = 0
		}
		c, d := &in[k], &in[j]
		if c.At.Sub(d.At).Len() > pairSpan*b.scale || c.In.Cross(c.Out)*d.In.Cross(d.Out) <= 0 {
			continue
		}
		last := d.Index
		if last < c.Index {
			last += len(b.p)
		}
		b.window = b.window[:0]
		const beside = 2 // samples beyond either corner
		for i := c.Index - beside; i <= last+beside; i++ {
			if q, ok := b.at(i); ok {
				b.window = append(b.window, q)
			}
		}
		if circleRMS(b.window) < max(arcMiss2*b.scale, 1.2*b.rough) {
			gone[k], gone[j] = true, true
		}
	}
	out := in[:0]
	for k := range in {
		if !gone[k] {
			out = append(out, in[k])
		}
	}
	return out
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

// meeting is where the arms on both sides of a sample run together.
type meeting struct {
	at          Point
	in, out     Point // directions of the arms there
	left, right Local
	blunted     float64 // px around it that the corner itself rounds off
}

// cornerAt tests sample i.
func (b *builder) cornerAt(i int) (candidate, bool) {
	if b.straightOn(i) {
		return candidate{}, false
	}
	m, ok := b.meetAt(i)
	if !ok || !b.sharpAt(i, &m) || b.bendAt(i, &m) {
		return candidate{}, false
	}
	turn := math.Atan2(math.Abs(m.in.Cross(m.out)), m.in.Dot(m.out))
	// Half the turn's sine stands for the turn: a square root is the same on every machine.
	sine := math.Sqrt(max(0, 1-m.in.Dot(m.out)) / 2)
	score := sine / (1 + (m.left.RMS+m.right.RMS)/max(0.03, b.rough)) / (1 + m.at.Sub(b.p[i]).Len()/b.scale)
	return candidate{Corner{Index: i, At: m.at, Turn: turn, In: m.in, Out: m.out}, score}, true
}

// straightOn spares the fits where the chords to the samples three further turn less than 0.6 of the turn that counts.
func (b *builder) straightOn(i int) bool {
	back, ok1 := b.at(i - 3)
	fore, ok2 := b.at(i + 3)
	if !ok1 || !ok2 {
		return false
	}
	d, e := b.p[i].Sub(back), fore.Sub(b.p[i])
	c := d.Dot(e)
	return c > 0 && math.Abs(d.Cross(e)) < 0.6*b.tanTurn*c
}

// meetAt fits the arms of sample i, first as seen from the sample, then twice from where they meet: what the corner
// itself blunts is left out. b.left and b.right are then the samples of the arms.
func (b *builder) meetAt(i int) (m meeting, ok bool) {
	p := b.p[i]
	m.at, m.blunted = p, armGap*b.scale
	for round := range 3 {
		b.left = b.arm(b.left, i, -1, m.at, m.blunted)
		b.right = b.arm(b.right, i, 1, m.at, m.blunted)
		if len(b.left) < 2 || len(b.right) < 2 || len(b.left)+len(b.right) < minCornerRun {
			return m, false
		}
		b.left, m.left = b.fitArm(b.left, true)
		b.right, m.right = b.fitArm(b.right, false)
		if m.at, m.in, m.out, ok = meet(&m.left, &m.right, p, tipReach*math.Sqrt(b.scale)); !ok {
			return m, false
		}
		if cos := m.in.Dot(m.out); round < 2 && cos >= b.cosTurn+0.03 || cos >= b.cosTurn {
			return m, false
		}
		m.blunted = b.blunt(m.in, m.out)
	}
	// Both arms must run into the corner.
	ok = m.at.Sub(b.left[len(b.left)-1]).Dot(m.in) >= 0 && b.right[0].Sub(m.at).Dot(m.out) >= 0
	return m, ok
}

// How far samples may lie from where arms meet in a sharp corner, px.
const (
	// Those beside it may lie off both arms by boxOff times the sine of half the turn, as the mean over a pixel's width
	// moves them, and by what orientation and rounding add.
	boxOff   = 0.40
	boxSlack = 0.05
	// Those behind what it blunts may lie off their arm by this much: a right angle with a radius of 1 px stays within.
	roundOff = 0.14
	// The nearest one lies as far off as the corner is cut off: tips by the length over which they are narrower than
	// two thirds of a pixel, which grows with the cotangent of half their angle.
	cutOff    = 0.45
	cutOffTip = 0.36
	// Where none lies off the arms by bareOff they may be missing: further then.
	bareOff     = 0.1
	bareCut     = 1.5
	bareTip     = 0.5
	bareTipMore = 0.42
	// Noise moves the place where arms meet by a multiple of its own size that grows with the same cotangent: up to this
	// one it is allowed for, beyond it would draw spikes.
	noisyTip = 3.0
	// The arms of the sharpest tip meet this far from its samples.
	tipReach = 5.0
)

// sharpAt reports whether the samples around sample i are those of a sharp corner at m, and i the nearest of them.
func (b *builder) sharpAt(i int, m *meeting) bool {
	cot := cotHalf(m.in, m.out)
	off := 0.0
	for k := -4; k <= 4; k++ {
		if q, ok := b.at(i + k); ok && q.Sub(m.at).Len() <= m.blunted {
			off = max(off, min(math.Abs(m.left.Off(q)), math.Abs(m.right.Off(q))))
		}
	}
	sine := cot / math.Sqrt(1+float64(cot*cot)) // of half the turn
	if off > float64(b.scale*(float64(boxOff*sine)+boxSlack))+float64(3*b.rough) {
		return false
	}
	reach := cutOff + float64(cutOffTip*cot)
	if off < bareOff*b.scale {
		reach = max(bareCut, bareTip+float64(bareTipMore*cot))
	}
	reach *= math.Sqrt(b.scale)
	if cot < noisyTip {
		reach += float64(4 * b.rough)
	}
	d := m.at.Sub(b.p[i]).Len()
	if d > reach {
		return false
	}
	for k := -3; k <= 3; k++ {
		if q, ok := b.at(i + k); ok && q.Sub(m.at).Len() < d-float64(2*b.rough) {
			return false
		}
	}
	slack := float64(roundOff*b.scale*max(1, 0.7*cot)) + float64(3*b.rough)
	for side, arm := range [2]*Local{&m.left, &m.right} {
		for k := 1; k <= 6; k++ {
			q, ok := b.at(i + k*(2*side-1))
			if !ok {
				break
			}
			away := q.Sub(m.at).Len()
			if away > m.blunted && away < m.blunted+float64(2*b.scale) && math.Abs(arm.Off(q)) > slack {
				return false
			}
		}
	}
	return true
}

// bendAt reports whether a smooth bend explains the samples around sample i as well as the corner m: one circle, or, for
// smaller turns, a curve of the third order, as where an arc leaves a line.
func (b *builder) bendAt(i int, m *meeting) bool {
	b.window = b.window[:0]
	reach := min(arcSpan*b.scale, 0.3+min(b.left[0].Sub(m.at).Len(), b.right[len(b.right)-1].Sub(m.at).Len()))
	for k := -12; k <= 12; k++ {
		if q, ok := b.at(i + k); ok && q.Sub(b.p[i]).Len() <= reach {
			b.window = append(b.window, q)
		}
	}
	arc := circleRMS(b.window)
	if arc < max(arcMiss*b.scale, 1.2*b.rough) || arc < 1.4*max(m.left.RMS, m.right.RMS) {
		return true
	}
	return m.in.Dot(m.out) > 0.3 && bendRMS(b.window) < max(bendMiss*b.scale, 1.2*b.rough)
}

// cotHalf returns the cotangent of half the angle between two arms: 1 for a right angle, 5.7 for a tip of 20°.
func cotHalf(dl, dr Point) float64 {
	cos := dl.Dot(dr)
	return math.Sqrt(max(0, 1-cos) / max(1e-4, 1+cos))
}

// blunt returns the distance from a corner within which its samples are rounded off, px: the pixel's box, and the part
// of a tip where a column holds both of its sides.
func (b *builder) blunt(in, out Point) float64 {
	return b.scale * max(armGap, 0.3+float64(0.5*min(tipCot, cotHalf(in, out))))
}

// tipCot belongs to the sharpest tip that is told from a round end, of about 14°.
const tipCot = 8.0

// arm collects the samples on one side of sample i that lie further than gap from x, over armSpan px more, in the order
// of the run. step is 1 or -1.
func (b *builder) arm(dst []Point, i, step int, x Point, gap float64) []Point {
	dst = dst[:0]
	span := armSpan * b.scale
	last := b.p[i]
	length := 0.0
	for k := 1; k < len(b.p); k++ {
		p, ok := b.at(i + step*k)
		if !ok {
			break
		}
		if len(dst) > 0 || p.Sub(x).Len() > gap {
			if len(dst) > 0 {
				length += p.Sub(last).Len()
			}
			if length > span {
				break
			}
			dst = append(dst, p)
			last = p
		} else if k > 40 {
			break
		}
	}
	if step < 0 {
		slices.Reverse(dst)
	}
	return dst
}

// fitArm fits a quadratic to an arm where it has the samples for one. An arm that does not fit its model is cut
// short: the far part belongs to another bend. arriving tells that the near end is the last sample. It returns what is
// left of the arm.
func (b *builder) fitArm(p []Point, arriving bool) ([]Point, Local) {
	limit := max(0.03*b.scale, 3*b.rough)
	for {
		l, worst := armOf(p)
		if worst <= limit || len(p) <= leastArm {
			return p, l
		}
		// Without some of the far end, else without one or two of the near end, which the corner itself may have moved.
		far := max(leastArm, len(p)-max(1, len(p)/4))
		shorter := p[:far]
		if arriving {
			shorter = p[len(p)-far:]
		}
		if l, worst := armOf(shorter); worst <= limit {
			return shorter, l
		}
		for drop := 1; drop <= 2 && len(p)-drop > leastArm; drop++ {
			later := p[drop:]
			if arriving {
				later = p[:len(p)-drop]
			}
			if l, worst := armOf(later); worst <= limit {
				return later, l
			}
		}
		p = shorter
	}
}

// leastArm is the number of samples to which an arm is cut at most.
const leastArm = 3

// armOf fits one arm and returns the largest distance of its samples.
func armOf(p []Point) (l Local, worst float64) {
	l = FitLocal(p, len(p) >= 5)
	for _, q := range p {
		worst = max(worst, math.Abs(l.Off(q)))
	}
	return l, worst
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
		w := b.arm(nil, c.Index, step, c.At, b.blunt(c.In, c.Out))
		j := k + step
		if len(all) < 2 || !b.closed && (j < 0 || j >= len(all)) {
			return w
		}
		next := &all[((j%len(all))+len(all))%len(all)]
		limit := b.p[next.Index].Sub(b.p[c.Index]).Len()
		var out []Point
		for _, p := range w {
			if p.Sub(next.At).Len() > armGap*b.scale && p.Sub(b.p[c.Index]).Len() < limit {
				out = append(out, p)
			}
		}
		return out
	}
	l, r := arm(-1), arm(1)
	if len(l) >= 2 && len(r) >= 2 {
		_, ll := b.fitArm(l, true)
		_, rr := b.fitArm(r, false)
		if x, dl, dr, ok := meet(&ll, &rr, c.At, 1.5*b.scale); ok && dl.Dot(dr) < 0.99 {
			c.At, c.In, c.Out = x, dl, dr
			c.Turn = math.Atan2(math.Abs(dl.Cross(dr)), dl.Dot(dr))
		}
	}
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
	for i := range b.tips {
		out = b.appendTip(out, &b.tips[i])
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

// bendRMS returns the root mean square distance of points from the best curve y = a + bx + cx² + dx³ along their
// principal axis, px; infinite for fewer than six.
func bendRMS(p []Point) float64 {
	if len(p) < 6 {
		return math.Inf(1)
	}
	l := fitLocal(p, nil, false)
	var n [4][4]float64
	var y [4]float64
	for _, q := range p {
		d := q.Sub(l.o)
		x, h := d.Dot(l.u), d.Dot(l.v)
		g := [4]float64{1, x, x * x, x * x * x}
		for i := range 4 {
			y[i] += float64(g[i] * h)
			for j := 0; j <= i; j++ {
				n[i][j] += float64(g[i] * g[j])
			}
		}
	}
	if !solve4(&n, &y) {
		return math.Inf(1)
	}
	var sum float64
	for _, q := range p {
		d := q.Sub(l.o)
		x := d.Dot(l.u)
		e := d.Dot(l.v) - y[0] - float64(x*(y[1]+float64(x*(y[2]+float64(x*y[3])))))
		sum += float64(e * e)
	}
	return math.Sqrt(sum / float64(len(p)))
}
