package trace

import (
	"math"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file measures the ends of narrow strokes, and of narrow gaps between them. There no profile meets an edge of its
// own, and labels end where half a pixel is covered; but the shares of the pixels across the stroke still add up to its
// width, and those of its last pixels to the area of its end. So the sides are carried on by the widths before the end,
// and the end is put where the area is used up.

const (
	// tipSpan is how many cracks either side of the turn of a boundary tell that it is an end.
	tipSpan = 6
	// tipGap is how far apart the boundary may be at both ends of that span, px: an end of about 40 degrees.
	tipGap = 3.2
	// quietTip is the share of a pixel that may be noise at most: more than that, and the last pixels of an end drown in it.
	quietTip = 0.05
	// tipBody is how many columns before the end tell how the width goes on, and leastBody how many must.
	tipBody, leastBody = 6, 3
	// tipTail is how many columns beyond the last one with the stroke's label are followed.
	tipTail = 8
	// widest is the width of a stroke up to which its end is measured, px along the column.
	widest = 4.5
	// evenly is by how much the widths before the end may leave a straight line, px.
	evenly = 0.08
	// bent is by how much the middles of the columns may leave a straight line, px: where the end is a hook it has no axis.
	// Columns narrower than that do not tell.
	bent = 0.25
	// steepest is by how much the middle of a stroke may move from column to column, px: where it moves by more, columns
	// cross it at too small an angle.
	steepest = 1.2
	// beyondTail is how far beyond the last column that shows the stroke it may end, px: its last part is too thin to show.
	beyondTail = 1.0
	// pointed is the width, px, below which the end of a stroke is drawn as a point.
	pointed = 0.35
)

// strokeEnd is a measured end of a narrow stroke: the sides between the last column that they were measured in and the end, or
// nothing but the place beyond which there is no corner.
type strokeEnd struct {
	fit.Tip
	crack      int         // where the boundary turns
	axis, sign int         // 0: along x; and 1 or -1
	dir        fit.Point   // samples further out along it than limit go
	limit      float64     // px from the origin
	in, out    []fit.Point // instead: along the boundary towards the end, and back
}

// column is the stroke's cross-section in one pixel column: its width and its middle, in px.
type column struct{ width, middle float64 }

// tips measures the ends of narrow strokes along an arc.
func (e *edgeMeter) tips(arc *planar.Arc) []strokeEnd {
	n := int(arc.N)
	closed := arc.From == planar.None
	if n < 2*tipSpan+1 || arc.Left == planar.Outside || arc.Right == planar.Outside {
		return nil
	}
	pr := e.pairOf(e.m.Faces[arc.Left].Label, e.m.Faces[arc.Right].Label)
	if pr.pure > quietTip {
		return nil
	}
	dirs := e.m.Dirs[arc.Off : arc.Off+arc.N]
	// Both ends of a window of cracks slide along the boundary.
	var out []strokeEnd
	ax, ay := int(arc.X), int(arc.Y)
	bx, by := ax, ay
	for k := range 2 * tipSpan {
		bx += planar.DX[dirs[k]]
		by += planar.DY[dirs[k]]
	}
	last := n - 2*tipSpan
	if closed {
		last = n - 1
	}
	best, bestAt, bestLast := math.MaxInt, -1, -1
	var bestX, bestY int
	flush := func() {
		if bestAt >= 0 {
			if t, ok := e.tip(dirs, bestX, bestY, bestAt, (bestLast-bestAt)/2, pr, false); ok {
				out = append(out, t)
			} else if t, ok = e.tip(dirs, bestX, bestY, bestAt, (bestLast-bestAt)/2, pr, true); ok {
				out = append(out, t)
			}
		}
		best, bestAt = math.MaxInt, -1
	}
	for k := 0; k <= last; k++ {
		d := (bx-ax)*(bx-ax) + (by-ay)*(by-ay)
		switch {
		case float64(d) > tipGap*tipGap:
			flush()
		case d < best:
			best, bestAt, bestLast, bestX, bestY = d, k, k, ax, ay
		case d == best && k == bestLast+1:
			bestLast = k
		}
		if k < last || closed {
			ax += planar.DX[dirs[k]]
			ay += planar.DY[dirs[k]]
			j := k + 2*tipSpan
			if j >= n {
				if !closed {
					break
				}
				j -= n
			}
			bx += planar.DX[dirs[j]]
			by += planar.DY[dirs[j]]
		}
	}
	flush()
	if k := len(out) - 1; closed && k > 0 && (out[0].crack-out[k].crack+n)%n < tipSpan { // seen from both sides of the seam
		out = out[:k]
	}
	return out
}

// tip measures the end of a stroke in the window of 2·tipSpan cracks that begins with crack first at lattice vertex
// (x, y); more is by how many cracks the window may begin later as well. aslant asks for the other axis than the nearer one.
func (e *edgeMeter) tip(dirs []uint8, x, y, first, more int, pr pair, aslant bool) (t strokeEnd, ok bool) {
	n := len(dirs)
	for range more {
		x += planar.DX[dirs[first%n]]
		y += planar.DY[dirs[first%n]]
		first++
	}
	// The end points away from the window's ends; the stroke lies within.
	var at [2*tipSpan + 1][2]int
	at[0] = [2]int{x, y}
	area := 0
	for k := range 2 * tipSpan {
		d := dirs[(first+k)%n]
		at[k+1] = [2]int{at[k][0] + planar.DX[d], at[k][1] + planar.DY[d]}
		area += (at[k][0]-x)*(at[k+1][1]-y) - (at[k][1]-y)*(at[k+1][0]-x)
	}
	top, end := at[tipSpan], at[2*tipSpan]
	vx, vy := 2*top[0]-x-end[0], 2*top[1]-y-end[1]
	t.axis, t.sign = 0, 1
	if abs(vy) > abs(vx) != aslant {
		t.axis = 1
		vx = vy
	}
	if vx < 0 {
		t.sign = -1
	}
	t.crack = (first + tipSpan) % n
	right := area > 0
	own, other := pr.b, pr.a
	if !right {
		own, other = pr.a, pr.b
	}
	// The outermost pixel of the stroke.
	px, py, found := 0, 0, false
	for k := range 2 * tipSpan {
		lx, ly, rx, ry := planar.SidePixels(at[k][0], at[k][1], dirs[(first+k)%n])
		if right {
			lx, ly = rx, ry
		}
		q := [2]int{lx, ly}
		if p := [2]int{px, py}; !found || t.sign*(q[t.axis]-p[t.axis]) > 0 {
			px, py, found = lx, ly, true
		}
	}
	s := stroke{e: e, own: own, other: other, pr: pr, axis: t.axis}
	start := [2]int{px, py}
	a0 := start[t.axis]
	c, fine := s.section(a0, float64(start[1-t.axis])+0.5)
	if !fine || c.width <= 0 {
		return t, false
	}
	// Inwards, then outwards; columns are kept from inside to outside.
	var cols [tipBody + 6 + tipTail]column
	const zero = tipBody + 5 // of column a0
	cols[zero] = c
	lo := zero
	for lo > 0 {
		guess := cols[lo].middle
		if lo < zero {
			guess += cols[lo].middle - cols[lo+1].middle
		}
		c, fine := s.section(a0-t.sign*(zero-lo+1), guess)
		if !fine || c.width <= 0 || c.width > widest || math.Abs(c.width-cols[lo].width) > 1 {
			break
		}
		lo--
		cols[lo] = c
	}
	hi := zero
	for {
		if hi == len(cols)-1 {
			return t, false
		}
		guess := cols[hi].middle
		if hi > lo {
			guess += cols[hi].middle - cols[hi-1].middle
		}
		c, fine := s.section(a0+t.sign*(hi-zero+1), guess)
		if !fine {
			return t, false
		}
		if c.width <= 0 {
			break
		}
		hi++
		cols[hi] = c
	}
	if hi-lo < 2 {
		return t, false
	}
	// If nothing else, where the last column shows some of the stroke no corner lies beyond it.
	bound := func() (strokeEnd, bool) {
		reach := min(1, 2*cols[hi].width/cols[hi-1].width)
		a, b := float64(a0+t.sign*(hi-zero))+0.5+float64(t.sign)*(reach-0.5), cols[hi].middle
		t.At, t.Out = fit.Point{X: a, Y: b}, fit.Point{X: float64(t.sign)}
		if t.axis == 1 {
			t.At, t.Out = fit.Point{X: b, Y: a}, fit.Point{Y: float64(t.sign)}
		}
		return t, true
	}
	// The end takes the last columns: two, or as many as it is broad.
	tail := 1 + int(math.Ceil(0.2+0.55*cols[hi-2].width))
	body := hi - tail // the last column that the sides run through
	if body-lo+1 < leastBody {
		return bound()
	}
	lo = max(lo, body-tipBody+1)
	wide, even := lineThrough(cols[lo:body+1], func(c column) float64 { return c.width })
	for even > evenly && body-lo+1 > leastBody {
		lo++
		wide, even = lineThrough(cols[lo:body+1], func(c column) float64 { return c.width })
	}
	if even > evenly {
		return bound()
	}
	back := max(lo, body-leastBody+1)
	mid, uneven := lineThrough(cols[lo:body+1], func(c column) float64 { return c.middle })
	if uneven > evenly/2 { // bent: the way it takes in the end
		mid = middleOf(cols[back:hi+1], body-back)
	}
	if math.Abs(mid.slope) > steepest {
		return t, false
	}
	for k := back; k <= hi; k++ {
		if cols[k].width > bent && math.Abs(cols[k].middle-mid.at-float64(mid.slope*float64(k-body))) > bent {
			return bound()
		}
	}
	var areaLeft float64
	for _, c := range cols[body+1 : hi+1] {
		areaLeft += c.width
	}
	// Lines count from the middle of the last column of the body.
	w0 := wide.at + wide.slope/2
	if seen := (cols[body].width + cols[body+1].width) / 2; seen > w0 { // hollow sides: they go on more gently
		w0, wide.slope = seen, cols[body+1].width-cols[body].width
	}
	if w0 <= 0.02 {
		return bound()
	}
	slant := 1 / math.Sqrt(1+float64(mid.slope*mid.slope))
	length, cut, sharp := 0.0, 0.0, false
	disc := float64(w0*w0) + 2*float64(wide.slope*areaLeft)
	if disc <= 0 {
		sharp = true
	} else {
		cut = math.Sqrt(disc) // the width at which the area is used up
		length = 2 * areaLeft / (w0 + cut)
		sharp = cut*slant < pointed || tapers(cols[body+1:hi+1], w0, 2*areaLeft/w0, cut, length, slant)
	}
	// place returns the point at a distance beyond the body's last column along the axis, off to a side.
	place := func(beyond, aside float64) fit.Point {
		a := float64(a0+t.sign*(body-zero)) + 0.5 + float64(t.sign)*(0.5+beyond)
		b := mid.at + float64(mid.slope*(0.5+beyond)) + aside
		if t.axis == 0 {
			return fit.Point{X: a, Y: b}
		}
		return fit.Point{X: b, Y: a}
	}
	if sharp {
		length = 2 * areaLeft / w0
	} else {
		length += 0.107 * cut * slant // half a circle holds as much as a rectangle of π/4 of its height
	}
	// The end must lie in the last column that shows the stroke, or just beyond.
	if length < float64(tail)-1.3 || length > float64(tail)+beyondTail {
		return bound()
	}
	t.At = place(length, 0)
	t.Out = place(length+1, 0).Sub(t.At).Unit()
	t.End, t.Reach = fit.Round, float64(tail)+1
	keep := min(body, zero-1)
	// Going along, the stroke lies to the right or to the left: which side comes first follows from it and from the way
	// the end points.
	first1 := 0.5
	if right == (t.sign > 0) == (t.axis == 0) {
		first1 = -0.5
	}
	side := func(k int, share float64) fit.Point {
		a, b := float64(a0+t.sign*(k-zero))+0.5, cols[k].middle+float64(share*cols[k].width)
		if t.axis == 0 {
			return fit.Point{X: a, Y: b}
		}
		return fit.Point{X: b, Y: a}
	}
	for k := keep + 1; k <= body; k++ {
		t.in = append(t.in, side(k, first1))
	}
	if sharp {
		t.End = fit.Pointed
		t.in = append(t.in, t.At)
	} else {
		radius := cut * slant / 2
		centre := t.At.Sub(t.Out.Mul(radius))
		u := side(body, first1).Sub(side(body, -first1))
		v := t.Out.Perp()
		if u.Dot(v) < 0 {
			v = v.Mul(-1)
		}
		along := half[:]
		if radius > squarish && !s.roundEnd(centre, t.Out, radius) {
			t.End = fit.Square
			along = box[:]
		}
		for _, q := range along {
			t.in = append(t.in, centre.Add(t.Out.Mul(float64(radius*q.X))).Add(v.Mul(float64(radius*q.Y))))
		}
		t.Sides = [2]fit.Point{t.in[len(t.in)-len(along)], t.in[len(t.in)-1]}
	}
	t.dir = fit.Point{X: float64(t.sign)}
	if t.axis == 1 {
		t.dir = fit.Point{Y: float64(t.sign)}
	}
	t.limit = float64(t.sign)*(float64(a0+t.sign*(keep-zero))+0.5) + 0.25
	for k := body; k > keep; k-- {
		t.out = append(t.out, side(k, -first1))
	}
	return t, true
}

// half is half a circle, box what is as high and wide as it takes to hold as much: along the end and across it.
var (
	half = [...]fit.Point{{X: 0, Y: 1}, {X: 0.5, Y: 0.866}, {X: 0.866, Y: 0.5}, {X: 1, Y: 0}, {X: 0.866, Y: -0.5}, {X: 0.5, Y: -0.866}, {X: 0, Y: -1}}
	box  = [...]fit.Point{{X: math.Pi / 4, Y: 1}, {X: math.Pi / 4, Y: -1}}
)

// squarish is the half width, px, from which a round end can be told from a square one.
const squarish = 0.75

// roundEnd reports whether the pixels around the end of the stroke, half a circle about a centre, are those of a round
// end rather than of a square one of the same area.
func (s *stroke) roundEnd(centre, out fit.Point, radius float64) bool {
	frame := [4]int{int(math.Floor(centre.X - radius)), int(math.Floor(centre.Y - radius)), int(math.Ceil(centre.X + radius)), int(math.Ceil(centre.Y + radius))}
	cover := func(x, y int) float64 {
		if s.axis == 1 {
			x, y = y, x
		}
		v, _ := s.share(x, y)
		return v
	}
	round := missOf(cover, frame, centre, out, func(a, b float64) bool {
		return math.Abs(b) < radius && (a < 0 || float64(a*a)+float64(b*b) < float64(radius*radius))
	})
	square := missOf(cover, frame, centre, out, func(a, b float64) bool {
		return math.Abs(b) < radius && a < math.Pi/4*radius
	})
	return round <= square
}

// middleOf fits a line to the middles of columns, each counting by its width; it counts from column zero.
func middleOf(cols []column, zero int) trend {
	var w, x, y, xx, xy float64
	for k, c := range cols {
		d := float64(k - zero)
		w += c.width
		x += float64(c.width * d)
		y += float64(c.width * c.middle)
		xx += float64(c.width * float64(d*d))
		xy += float64(c.width * float64(d*c.middle))
	}
	t := trend{slope: (float64(w*xy) - float64(x*y)) / (float64(w*xx) - float64(x*x))}
	t.at = (y - float64(t.slope*x)) / w
	return t
}

// tapers reports whether the widths beyond the body, where the stroke is w0 wide, are those of a point at the distance long
// rather than those of a round end that holds as much as sides that are cut off, cut wide, at the distance short. slant is
// the cosine of the angle between stroke and axis. All lengths are in px, widths and distances along columns and axis.
func tapers(tail []column, w0, long, cut, short, slant float64) bool {
	const steps = 16
	radius := cut * slant / 2
	centre := short + float64(0.107*cut*slant) - float64(radius*slant)
	var missPoint, missRound float64
	for k := range len(tail) + 1 {
		var point, round float64
		for n := range steps {
			at := float64(k) + (float64(n)+0.5)/steps
			if at < long {
				point += w0 * (1 - at/long)
			}
			switch d := (at - centre) / slant; {
			case d <= 0:
				round += w0 + float64((cut-w0)*(at/short))
			case d < radius:
				round += 2 * math.Sqrt(float64(radius*radius)-float64(d*d)) / slant
			}
		}
		width := 0.0
		if k < len(tail) {
			width = tail[k].width
		}
		point, round = point/steps-width, round/steps-width
		missPoint += float64(point * point)
		missRound += float64(round * round)
	}
	return missPoint < missRound
}

func abs(v int) int {
	if v < 0 {
		return -v
	}
	return v
}

// trend is a line over the columns of a body: its value in the middle of the last one, and by how much it grows from
// column to column.
type trend struct{ at, slope float64 }

// lineThrough fits a line to a value of columns and returns by how much the worst of them misses it.
func lineThrough(cols []column, value func(column) float64) (l trend, worst float64) {
	n := float64(len(cols))
	var s, sk float64
	for k, c := range cols {
		v := value(c)
		s += v
		sk += float64(v * (float64(k) - (n-1)/2))
	}
	l.slope = sk / (n * (float64(n*n) - 1) / 12)
	l.at = s/n + float64(l.slope*(n-1)/2)
	for k, c := range cols {
		worst = max(worst, math.Abs(value(c)-l.at-float64(l.slope*(float64(k)-n+1))))
	}
	return l, worst
}

// stroke is what section needs to know of a stroke.
type stroke struct {
	e          *edgeMeter
	own, other uint8
	pr         pair
	axis       int
}

// share returns the stroke's share of the pixel at place a along the axis and b across it; ok is false where there is no
// such pixel or a third colour.
func (s *stroke) share(a, b int) (share float64, ok bool) {
	x, y := a, b
	if s.axis == 1 {
		x, y = b, a
	}
	if x < 0 || y < 0 || x >= s.e.m.W || y >= s.e.m.H {
		return 0, false
	}
	i := y*s.e.m.W + x
	switch l := s.e.flats.Labels[i]; {
	case l != s.own && l != s.other:
		return 0, false
	case s.e.flats.IsCore(i):
		if l == s.own {
			return 1, true
		}
		return 0, true
	}
	return s.e.flats.Coverage(i, s.own, s.other), true
}

// valley is the share up to which the pixel between two strokes is taken to belong to both of them without harm.
const valley = 0.15

// section measures the stroke across column a near place b. Its width is 0 where the stroke has ended; ok is false where
// it cannot be told from what lies beside it.
func (s *stroke) section(a int, b float64) (c column, ok bool) {
	at := int(math.Floor(b))
	peak, most := at, -1.0
	for k := at - 1; k <= at+1; k++ {
		v, ok := s.share(a, k)
		if !ok {
			return c, false
		}
		if v > most+1e-9 || k == at && v > most-1e-9 {
			peak, most = k, v
		}
	}
	if most < s.pr.pure {
		return c, true
	}
	sum := most
	moment := float64(most * (float64(peak) + 0.5))
	for _, step := range [2]int{-1, 1} {
		last := most
		for k := peak + step; ; k += step {
			if (k-peak)*step > s.e.reach {
				return c, false
			}
			v, ok := s.share(a, k)
			if !ok {
				return c, false
			}
			if v < s.pr.pure {
				break
			}
			if v > last+s.pr.rise {
				if last > valley {
					return c, false
				}
				break
			}
			sum += v
			moment += float64(v * (float64(k) + 0.5))
			last = v
		}
	}
	return column{sum, moment / sum}, true
}

// withEnds puts the measured ends in the place of the samples there.
func withEnds(s []edgeSample, arc *planar.Arc, ends []strokeEnd) []edgeSample {
	n := int(arc.N)
	closed := arc.From == planar.None
	for i := range ends {
		t := &ends[i]
		if len(t.in) == 0 || len(s) == 0 {
			continue
		}
		if closed { // the end into the middle of the list
			far := (t.crack + n/2) % n
			k := 0
			for j := range s {
				if (int(s[j].at)-far+n)%n < (int(s[k].at)-far+n)%n {
					k = j
				}
			}
			s = append(append(make([]edgeSample, 0, len(s)+8), s[k:]...), s[:k]...)
		}
		offset := func(q *edgeSample) int {
			d := int(q.at) - t.crack
			if closed {
				d = (d+n/2+n)%n - n/2
			}
			return d
		}
		beyond := func(q *edgeSample) bool { return q.Dot(t.dir) > t.limit }
		mid := 0
		for mid < len(s) && offset(&s[mid]) < 0 {
			mid++
		}
		lo, hi := mid, mid
		for k := mid - 1; k >= 0 && k >= lo-2 && offset(&s[k]) > -4*tipSpan; k-- {
			if beyond(&s[k]) {
				lo = k
			}
		}
		for k := mid; k < len(s) && k <= hi+1 && offset(&s[k]) < 4*tipSpan; k++ {
			if beyond(&s[k]) {
				hi = k + 1
			}
		}
		out := append(make([]edgeSample, 0, len(s)+8), s[:lo]...)
		for _, p := range t.in {
			out = append(out, edgeSample{Sample: fit.Sample{Point: p, Weight: 1}, at: int32(t.crack)})
		}
		for _, p := range t.out {
			out = append(out, edgeSample{Sample: fit.Sample{Point: p, Weight: 1}, at: int32(t.crack)})
		}
		s = append(out, s[hi:]...)
	}
	return s
}
