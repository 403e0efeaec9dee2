package paper

import (
	"math"
	"slices"

	"pochoir/fit"
)

// This file takes printed ruling out of a clean sheet: the lines of a notebook, one way or squared. As with the staff
// lines of music (C. Dalitz, M. Droettboom, B. Pranzas & I. Fujinaga, "A comparative study of staff removal
// algorithms", IEEE Trans. PAMI 30(5), 2008) the lines are found by projection, followed along the sheet, and taken out
// column by column, so that what crosses them stays whole. Print lets the light of what lies over or under it through;
// so in logarithms of light a line is a shape that is added, on bare paper and on paint alike, and can be taken off
// again.

const (
	ruleStep    = 4    // px along the lines between the columns that are looked at
	ruleStrip   = 64   // px along the lines over which the looks are averaged
	ruleReach   = 7    // px: the closing across the lines takes out marks up to 2·ruleReach wide
	ruleCap     = 0.35 // logarithm of light: darker marks count no more than this, ink must not outvote print
	ruleUnit    = ruleCap / 255
	ruleFloor   = 0.02 // least mean darkness of a line over a strip, logarithm of light, above the grain's
	ruleSlopes  = 0.3  // steepest line, across over along
	ruleDrift   = 4.0  // px a line may move from one strip to the next, beside its slope
	ruleSkip    = 4    // strips in a row that may hide a line
	ruleSpan    = 0.75 // share of its way over the sheet that a line must reach over
	ruleShort   = 0.4  // least way over the sheet, of the strips: shorter lines are found by their family
	ruleSeen    = 0.4  // share of the strips within that reach that must show it
	ruleLeast   = 5    // lines of a family
	ruleGap     = 12.0 // px, least distance between two lines of a family
	ruleEven    = 0.12 // of the distance: how far lines may lie from even distances
	ruleMissing = 8    // distances from one line to the next one seen
	ruleSteady  = 0.6  // share of the distances that must be even
	ruleBlank   = 0.85 // share of its way over the sheet a lone line across a family must reach over
)

const (
	mostMargins = 2
	mostFolds   = 3 // along an axis: a sheet folded in half three times
	// foldDark is the most that a fold may darken the sheet in the mean, logarithm of light: well below ruleCap, which a
	// stroke of ink reaches. What is as faint and still runs from edge to edge was not drawn.
	foldDark = 0.75 * ruleCap
)

// axis says how the pixels of a sheet are walked: n along the lines, m across.
type axis struct{ n, m, along, across int }

// rule is one printed line: its place across the sheet at each strip, px.
type rule struct {
	at   []float64 // by strip, always filled
	seen []bool    // by strip: the line shows there
	way  int       // strips in which it lies on the sheet
}

// stretch is the part of a strip that lies on the sheet, px across.
type stretch struct{ lo, hi float64 }

func (s stretch) holds(v float64) bool { return v >= s.lo && v < s.hi }

// ruling is what runs across a sheet along one axis: a family of lines; where there is none, lines that may be the margin
// of another's, and folds of the paper.
type ruling struct{ family, margins, folds []rule }

// dropRuled takes printed ruling and folds off the sheet and returns how many lines of either it was.
func (s *Sheet) dropRuled(c crew) (lines, folds int) {
	axes := [2]axis{{s.W, s.H, 4, 4 * s.W}, {s.H, s.W, 4 * s.W, 4}}
	if min(s.W, s.H) < 6*ruleStrip {
		return 0, 0
	}
	var found [2]ruling
	c.each(2, func(k int) { found[k] = s.findRules(c, axes[k]) })
	for k, a := range axes {
		f := found[k]
		if len(f.family) == 0 && len(found[1-k].family) > 0 {
			f.family, f.folds = f.margins, nil
		}
		s.eraseRules(c, a, f.family)
		for i := range f.folds { // no two of one shape
			s.eraseRules(c, a, f.folds[i:i+1])
		}
		lines += len(f.family)
		folds += len(f.folds)
	}
	return lines, folds
}

// findRules returns what runs across the sheet along an axis.
func (s *Sheet) findRules(c crew, a axis) (f ruling) {
	nu := a.n / ruleStep
	dark := make([]uint8, nu*a.m) // darkness of thin marks, by looked-at column, in ruleUnit
	c.rows(nu, func(u0, u1 int) {
		s.columns(dark, a, u0, u1)
		shut, tmp := make([]uint8, a.m), make([]uint8, a.m)
		for u := u0; u < u1; u++ {
			out := dark[u*a.m : (u+1)*a.m]
			closeLine(shut, tmp, out)
			for v, level := range out {
				if out[v] = 0; shut[v] != level {
					out[v] = uint8(min(logLight[shut[v]]-logLight[level], ruleCap)/ruleUnit + 0.5)
				}
			}
		}
	})
	slope := steepest(c, dark, nu, a.m)
	crests := findCrests(projections(c, dark, nu, a.m, slope))
	sheet := s.stretches(a, len(crests))
	lines := followRules(crests, sheet, slope)
	if f.family = evenFamily(lines, crests, sheet, a.m); f.family != nil {
		return f
	}
	for _, l := range lines {
		if l.reach() <= ruleBlank*float64(l.way) || l.touchesRim(a.m) {
			continue
		}
		l.steady()
		f.margins = append(f.margins, l)
		if l.endToEnd(sheet) && usualCrest([]rule{l}, crests).usual < foldDark {
			f.folds = append(f.folds, l)
		}
	}
	if len(f.margins) > mostMargins {
		f.margins = nil
	}
	if len(f.folds) > mostFolds {
		f.folds = nil
	}
	return f
}

// steady takes a line that has no neighbours to hold it back to the middle of itself over a few strips: a mark beside it
// that crosses one of them pulls it aside there.
func (l *rule) steady() {
	const around = 2 // strips
	p, ok := parabola(l.at, l.seen, 0)
	if !ok {
		return
	}
	n := len(l.at)
	off := make([]float64, n)
	for j, v := range l.at {
		off[j] = v - along(p, j, n)
	}
	for j := range l.at {
		near := slices.Clone(off[max(0, j-around):min(n, j+around+1)])
		l.at[j] = along(p, j, n) + nth(near, len(near)/2)
	}
}

// endToEnd reports whether the line shows from the edge of the sheet to the other, give or take a strip.
func (l *rule) endToEnd(sheet []stretch) bool {
	on := func(j int) bool { return sheet[j].holds(l.at[j]) }
	first, last := slices.Index(l.seen, true), len(l.seen)-1
	for last >= 0 && !l.seen[last] {
		last--
	}
	return first >= 0 && (first < 2 || !on(first-2)) && (last > len(l.seen)-3 || !on(last+2))
}

// stretches returns what of each strip lies on the sheet and not on a desk that was erased.
func (s *Sheet) stretches(a axis, strips int) []stretch {
	out := make([]stretch, strips)
	for k := range out {
		out[k] = stretch{0, float64(a.m)}
		d := s.developed
		if d == nil || d.light == nil || d.light.erased == 0 {
			continue
		}
		u := (float64(k) + 0.5) * ruleStrip
		erased := func(v int) bool {
			p := fit.Point{X: u, Y: float64(v) + 0.5}
			if a.along != 4 {
				p.X, p.Y = p.Y, p.X
			}
			_, e := d.light.at(d.back.Apply(p))
			return e
		}
		lo, hi := 0, a.m
		for lo < hi && erased(lo) {
			lo++
		}
		for lo < hi && erased(hi-1) {
			hi--
		}
		out[k] = stretch{float64(lo), float64(hi)}
	}
	return out
}

// columns sets the looked-at columns u0 to u1 of dst to the level of each pixel's darkest channel.
func (s *Sheet) columns(dst []uint8, a axis, u0, u1 int) {
	level := func(u, v int) {
		p := s.Pix[(u*ruleStep+ruleStep/2)*a.along+v*a.across:][:3]
		dst[u*a.m+v] = min(p[0], p[1], p[2])
	}
	for i := range dst[u0*a.m : u1*a.m] {
		dst[u0*a.m+i] = 255
	}
	if a.along == 4 { // the columns run down the bitmap: side by side, row after row
		for v := range a.m {
			for u := u0; u < u1; u++ {
				x := s.blank.skip(u*ruleStep+ruleStep/2, v, ruleStep)
				if u = x / ruleStep; u < u1 {
					level(u, v)
				}
			}
		}
		return
	}
	for u := u0; u < u1; u++ {
		for v := 0; v < a.m; v++ {
			if v = s.blank.until(v, u*ruleStep+ruleStep/2); v < a.m {
				level(u, v)
			}
		}
	}
}

// closeLine sets dst to the grey closing of v by 2r+1 samples, r being ruleReach: the running greatest, then the least of
// those. What lies beyond the ends has no say. tmp is scratch space; all are as long as v, which is more than 4r.
func closeLine(dst, tmp, v []uint8) {
	const r = ruleReach
	copy(dst, v)
	widen(dst, 2*r+1, 1, false)
	copy(tmp[r:], dst[:len(v)-2*r]) // the greatest within r of each sample
	for i := range r {
		tmp[i], tmp[len(v)-1-i] = tmp[r], tmp[len(v)-1-r]
	}
	widen(tmp, 2*r+1, 1, true)
	copy(dst[r:], tmp[:len(v)-2*r])
	for i := range r {
		dst[i], dst[len(v)-1-i] = max(dst[r], v[i]), max(dst[len(v)-1-r], v[len(v)-1-i])
	}
}

// steepest returns the slope at which the columns of dark, summed along it, show the sharpest lines.
func steepest(c crew, dark []uint8, nu, m int) float64 {
	const (
		every = 4 // looked-at columns between those that are summed
		bin   = 2 // px across
		steps = 75
	)
	mb := m / bin
	// Most of a sheet shows nothing: of each column only what it shows is kept.
	type seen struct {
		v    int32
		dark float32
	}
	var all [][]seen
	for u := every / 2; u < nu; u += every {
		var col []seen
		for v := range mb {
			if a, b := dark[u*m+bin*v], dark[u*m+bin*v+1]; a|b != 0 {
				col = append(col, seen{int32(v), ruleUnit * (float32(a) + float32(b))})
			}
		}
		all = append(all, col)
	}
	cols := len(all)
	slopeOf := func(k int) float64 { return ruleSlopes * float64(k-steps) / steps }
	scores := make([]float64, 2*steps+1)
	c.each(len(scores), func(k int) {
		slope, sum := slopeOf(k), make([]float32, mb)
		for u, col := range all {
			shift := int32(math.Round(slope * (float64(u) - float64(cols)/2) * every * ruleStep / bin))
			for _, e := range col {
				if v := e.v - shift; uint(v) < uint(mb) {
					sum[v] += e.dark
				}
			}
		}
		for i := 2; i+2 < mb; i++ {
			if d := float64(2*sum[i]-sum[i-2]-sum[i+2]) / float64(cols); d > 0 {
				scores[k] += d * d
			}
		}
	})
	best, bestScore := 0.0, -1.0
	for k, score := range scores {
		if score > bestScore*1.0001 {
			best, bestScore = slopeOf(k), score
		}
	}
	return best
}

// projections averages the columns of each strip along the slope, through the strip's middle, and takes off what the
// grain shows everywhere.
func projections(c crew, dark []uint8, nu, m int, slope float64) [][]float32 {
	per := ruleStrip / ruleStep
	out := make([][]float32, nu/per)
	c.each(len(out), func(k int) {
		p, q := make([]float32, m), make([]float32, m)
		for j := range per {
			shift := int(math.Round(slope * (float64(j) - float64(per-1)/2) * ruleStep))
			src := dark[(k*per+j)*m : (k*per+j+1)*m]
			for v := max(0, -shift); v < min(m, m-shift); v++ {
				p[v] += float32(ruleUnit * float32(src[v+shift]))
			}
		}
		for v := range p {
			q[v] = (p[max(v-1, 0)] + 2*p[v] + p[min(v+1, m-1)]) / float32(4*per)
		}
		copy(p, q)
		floor := nth(p, m/2)
		for v := range q {
			q[v] -= floor
		}
		out[k] = q
	})
	return out
}

// crest is a peak of a strip's projection.
type crest struct {
	v    float64 // px
	high float32
	next int // index in the strip that the chain goes on in, -1 for none
	hop  int // strips to there
	back bool
}

// findCrests returns the crests of each strip's projection.
func findCrests(strips [][]float32) [][]crest {
	crests := make([][]crest, len(strips))
	for k, p := range strips {
		for v := 2; v+2 < len(p); v++ {
			h := p[v]
			if h < ruleFloor || h < p[v-1] || h <= p[v+1] || h < p[v-2] || h < p[v+2] {
				continue
			}
			o := 0.0
			if den := float64(p[v-1] - 2*h + p[v+1]); den < 0 {
				o = 0.5 * float64(p[v-1]-p[v+1]) / den
			}
			crests[k] = append(crests[k], crest{v: float64(v) + 0.5 + o, high: h, next: -1})
		}
	}
	return crests
}

// followRules links the crests of neighbouring strips to lines that reach over most of the sheet.
func followRules(crests [][]crest, sheet []stretch, slope float64) []rule {
	for hop := 1; hop <= ruleSkip; hop++ {
		tol := ruleDrift * (1 + 0.25*float64(hop-1))
		for k := 0; k+hop < len(crests); k++ {
			to := crests[k+hop]
			for i := range crests[k] {
				a := &crests[k][i]
				if a.next >= 0 {
					continue
				}
				want := a.v + slope*ruleStrip*float64(hop)
				j := nearestCrest(to, want)
				if j < 0 || to[j].back || math.Abs(to[j].v-want) > tol {
					continue
				}
				if b := nearestOpen(crests[k], to[j].v-slope*ruleStrip*float64(hop)); b != i {
					continue
				}
				a.next, a.hop, to[j].back = j, hop, true
			}
		}
	}
	var lines []rule
	for k := range crests {
		for i := range crests[k] {
			if crests[k][i].back {
				continue
			}
			if l, ok := lineFrom(crests, sheet, k, i, slope); ok {
				lines = append(lines, l)
			}
		}
	}
	slices.SortStableFunc(lines, func(a, b rule) int {
		return int(math.Copysign(1, a.middle()-b.middle()))
	})
	// Two chains of one line, parted by a long stretch of drawing or by grain, lie on or beside each other.
	kept := lines[:0]
	for _, l := range lines {
		if n := len(kept); n > 0 && math.Abs(kept[n-1].middle()-l.middle()) < ruleGap {
			if l.count() > kept[n-1].count() {
				kept[n-1] = l
			}
			continue
		}
		kept = append(kept, l)
	}
	return kept
}

// nearestCrest returns the index of the crest nearest to v, -1 for none.
func nearestCrest(c []crest, v float64) int {
	best := -1
	for i := range c {
		if best < 0 || math.Abs(c[i].v-v) < math.Abs(c[best].v-v) {
			best = i
		}
	}
	return best
}

// nearestOpen is nearestCrest among those that do not yet go on.
func nearestOpen(c []crest, v float64) int {
	best := -1
	for i := range c {
		if c[i].next < 0 && (best < 0 || math.Abs(c[i].v-v) < math.Abs(c[best].v-v)) {
			best = i
		}
	}
	return best
}

// lineFrom follows the chain from crest i of strip k. It is a line if it reaches far, shows often enough and bends no
// more than a sheet does.
func lineFrom(crests [][]crest, sheet []stretch, k, i int, slope float64) (rule, bool) {
	n := len(crests)
	l := rule{at: make([]float64, n), seen: make([]bool, n)}
	first, last := k, k
	for {
		c := &crests[k][i]
		l.at[k], l.seen[k], last = c.v, true, k
		if c.next < 0 {
			break
		}
		k, i = k+c.hop, c.next
	}
	count := l.count()
	own := slope * ruleStrip // px across from one strip to the next
	if last > first {
		own = (l.at[last] - l.at[first]) / float64(last-first)
	}
	for j := range n {
		v := l.at[first] + float64(own*float64(j-first))
		if j >= first && j <= last || sheet[j].holds(v) {
			l.way++
		}
	}
	reach := float64(last - first + 1)
	if float64(l.way) < ruleShort*float64(n) || reach < ruleSpan*float64(l.way) || float64(count) < ruleSeen*reach {
		return l, false
	}
	// A parabola through what is seen, three times, each time without what lies off the last; gaps and ends follow it.
	const off = 3.0 // px
	var p [3]float64
	use := slices.Clone(l.seen)
	for range 3 {
		var ok bool
		if p, ok = parabola(l.at, use, slope); !ok {
			return l, false
		}
		for j := range use {
			use[j] = l.seen[j] && math.Abs(l.at[j]-along(p, j, n)) < off
		}
	}
	good := 0
	for j := range use {
		if use[j] {
			good++
			continue
		}
		l.at[j], l.seen[j] = along(p, j, n), false
	}
	return l, float64(good) > 0.8*float64(count)
}

// along is the parabola p at strip j of n.
func along(p [3]float64, j, n int) float64 {
	x := 2*(float64(j)+0.5)/float64(n) - 1
	return p[0] + float64(p[1]*x) + float64(p[2]*x*x)
}

// parabola fits one by least squares to the strips that are used; with few of them it is a straight line of the slope.
func parabola(at []float64, use []bool, slope float64) (p [3]float64, ok bool) {
	n := len(at)
	var s [5]float64
	var t [3]float64
	for j, v := range at {
		if !use[j] {
			continue
		}
		x := 2*(float64(j)+0.5)/float64(n) - 1
		xx := float64(x * x)
		for k, w := range [5]float64{1, x, xx, xx * x, xx * xx} {
			s[k] += w
		}
		t[0] += v
		t[1] += float64(x * v)
		t[2] += float64(xx * v)
	}
	if s[0] < 3 {
		return p, false
	}
	det3 := func(a, b, c [3]float64) float64 { return dot(a, cross(b, c)) }
	a, b, c := [3]float64{s[0], s[1], s[2]}, [3]float64{s[1], s[2], s[3]}, [3]float64{s[2], s[3], s[4]}
	det := det3(a, b, c)
	if s[0] < 6 || math.Abs(det) < 1e-6*s[0]*s[0]*s[0] {
		half := slope * ruleStrip * float64(n) / 2
		return [3]float64{(t[0] - float64(half*s[1])) / s[0], half, 0}, true
	}
	return [3]float64{det3(t, b, c) / det, det3(a, t, c) / det, det3(a, b, t) / det}, true
}

func (l *rule) middle() float64 { return l.at[len(l.at)/2] }

func (l *rule) count() (n int) {
	for _, s := range l.seen {
		if s {
			n++
		}
	}
	return n
}

// reach is the number of strips from the first to the last that shows the line.
func (l *rule) reach() float64 {
	first := slices.Index(l.seen, true)
	for i := len(l.seen) - 1; i >= 0; i-- {
		if l.seen[i] {
			return float64(i - first + 1)
		}
	}
	return 0
}

// touchesRim reports whether the line lies along the edge of the sheet, where other things than print make lines.
func (l *rule) touchesRim(m int) bool {
	n := 0
	for _, v := range l.at {
		if v < 2*ruleGap || v > float64(m)-2*ruleGap {
			n++
		}
	}
	return 2*n > len(l.at)
}

// evenFamily returns the lines that lie at even distances, as print does, and those missing between two of them; nil if
// they are too few or too uneven.
func evenFamily(lines []rule, crests [][]crest, sheet []stretch, m int) []rule {
	const beyond = 2.0 // lines that are looked for outside the first and the last, where they leave the sheet at a slant
	if len(lines) < ruleLeast {
		return nil
	}
	s, ok := evenSeries(lines, m)
	if !ok {
		return nil
	}
	if lines = s.inStep(lines); len(lines) < ruleLeast {
		return nil
	}
	number := make([]int, len(lines))
	for i := 1; i < len(lines); i++ {
		k, _ := s.steps(&lines[i-1], &lines[i])
		number[i] = number[i-1] + k
	}
	print := usualCrest(lines, crests)
	align(lines, number, print)
	// What only happened to lie at the right distance at an end is not what the others go on to.
	astray := func(l *rule) bool { return float64(l.count()) < ruleSeen*float64(l.way) }
	for len(lines) > ruleLeast && astray(&lines[len(lines)-1]) {
		lines, number = lines[:len(lines)-1], number[:len(number)-1]
	}
	for len(lines) > ruleLeast && astray(&lines[0]) {
		lines, number = lines[1:], number[1:]
	}
	for i := range lines {
		print.settle(&lines[i])
	}
	s.straighten(lines, number)
	var out []rule
	for i := range lines {
		if i > 0 {
			for k, n := 1, number[i]-number[i-1]; k < n; k++ {
				t := s.between(&lines[i-1], &lines[i], float64(k)/float64(n))
				out = append(out, lerpRule(&lines[i-1], &lines[i], t))
			}
		}
		out = append(out, lines[i])
	}
	for range 2 { // at either end
		out = extend(out, print, sheet)
		last := len(out) - 1
		for k := 1.0; k <= beyond; k++ {
			out = append(out, lerpRule(&out[last-1], &out[last], 1+k))
		}
		slices.Reverse(out)
	}
	return slices.DeleteFunc(out, func(l rule) bool {
		return slices.Max(l.at) < 0 || slices.Min(l.at) > float64(m)
	})
}

// series is how lines at even distances are seen: near ones farther apart than far ones where the sheet is tilted.
type series struct {
	slant float64 // -1 to 1 exclusive; 0 where all distances are alike
	half  float64 // of the sheet across, px
	even  float64 // distance in the middle of the sheet, px
}

// place returns where a line would lie if it were seen without a slant, px from the middle of the sheet.
func (s series) place(l *rule) float64 {
	t := l.middle()/s.half - 1
	return float64(s.half*t) / (1 - float64(s.slant*t))
}

// steps returns how many lines b lies beyond a, and whether it does so by a whole number of distances, give or take.
func (s series) steps(a, b *rule) (int, bool) {
	g := s.place(b) - s.place(a)
	k := math.Round(g / s.even)
	return int(k), k >= 1 && k <= ruleMissing && math.Abs(g-float64(k*s.even)) < ruleEven*s.even
}

// between returns how far from a to b a line is seen that lies the share t of the way on the sheet.
func (s series) between(a, b *rule, t float64) float64 {
	p, q := s.place(a), s.place(b)
	p += float64(t * (q - p))
	v := s.half + p/(1+float64(s.slant*p)/s.half)
	return (v - a.middle()) / (b.middle() - a.middle())
}

// evenSeries returns the slant and the distance by which most of the neighbours lie whole distances apart.
func evenSeries(lines []rule, m int) (series, bool) {
	const (
		slants = 6    // either way, to be tried: at the steepest, near lines lie 3.4 times as far apart as far ones
		slant  = 0.05 // from one to the next: distances at the rim change by a tenth
		most   = 6    // distances from one neighbour to the next
	)
	var best series
	score, top := 0.0, 0
	gaps := make([]float64, len(lines)-1)
	for k := range 2*slants + 1 {
		s := series{slant: float64(slant * float64((k+1)/2*(1-k%2*2))), half: float64(m) / 2} // the least first
		for i := range gaps {
			gaps[i] = s.place(&lines[i+1]) - s.place(&lines[i])
		}
		sorted := slices.Clone(gaps)
		slices.Sort(sorted)
		for _, s.even = range sorted { // the distance that most others are a multiple of, the better the less a multiple
			if s.even < ruleGap {
				continue
			}
			fit, n := 0.0, 0
			for _, g := range gaps {
				k := math.Round(g / s.even)
				if off := math.Abs(g-float64(k*s.even)) / (ruleEven * s.even); k >= 1 && k <= most && off < 1 {
					fit += (1 - off) / k
					n++
				}
			}
			if fit > score {
				best, score, top = s, fit, n
			}
		}
	}
	return best, top >= ruleLeast-1 && float64(top) >= ruleSteady*float64(len(gaps))
}

// extend goes on from the last lines of a family, line by line, as long as the sheet shows them there: those that cross
// only a corner of it, or fan out too much to be followed from strip to strip.
func extend(lines []rule, print printed, sheet []stretch) []rule {
	const (
		back = 4   // lines that the next one follows from, to either side of a line's own errors
		near = 1.5 // px between a crest and the line
	)
	off, use := make([]float64, len(sheet)), make([]bool, len(sheet))
	for {
		n := len(lines)
		k := min(back, n-1)
		next := lerpRule(&lines[n-1-k], &lines[n-1], 1+1/float64(k))
		gap := math.Abs(next.middle() - lines[n-1].middle())
		if gap < ruleGap {
			return lines
		}
		for j, v := range next.at {
			use[j] = false
			if !sheet[j].holds(v) {
				continue
			}
			next.way++
			at, ok := print.find(j, v, ruleEven*gap)
			off[j], use[j] = at-v, ok
		}
		p, ok := parabola(off, use, 0)
		if !ok {
			return lines
		}
		for j := range next.at {
			shift := along(p, j, len(off))
			next.at[j] += shift
			next.seen[j] = use[j] && math.Abs(off[j]-shift) < near
		}
		if float64(next.count()) < math.Max(2, ruleSeen*float64(next.way)) {
			return lines
		}
		print.settle(&next)
		lines = append(lines, next)
	}
}

// inStep returns those of the lines, in their order, that lie whole distances from one another, as many as there can be,
// each counting by how often it shows. What else looks like a line, such as the edge of something painted, falls out:
// it would shift the count of those after it.
func (s series) inStep(lines []rule) []rule {
	best := make([]int, len(lines)) // what a chain up to here shows
	from := make([]int, len(lines))
	end := 0
	for i := range lines {
		best[i], from[i] = lines[i].count(), -1
		for j := range i {
			if _, ok := s.steps(&lines[j], &lines[i]); !ok {
				continue
			}
			if n := best[j] + lines[i].count(); n > best[i] {
				best[i], from[i] = n, j
			}
		}
		if best[i] > best[end] {
			end = i
		}
	}
	var out []rule
	for i := end; i >= 0; i = from[i] {
		out = append(out, lines[i])
	}
	slices.Reverse(out)
	return out
}

// align takes lines back to where the others of the family, as one, say that they lie: at each strip on the even
// distances, seen at a slant, that pass near the most of them. Where several neighbours follow the stripes of a drawing,
// each has the others for its excuse; where a sheet is curled, print is seen where they lie and none where it should be.
func align(lines []rule, number []int, print printed) {
	const (
		astray = 2.5 // px
		least  = 8   // lines seen at a strip
		most   = 0.7 // share of them that must agree
		picks  = 6   // of a third of them, that distances are tried through
	)
	n := number[len(number)-1] + 1
	off, use := make([]float64, n), make([]bool, n)
	for j := range lines[0].at {
		var seen []int
		for i := range lines {
			if lines[i].seen[j] {
				seen = append(seen, i)
			}
		}
		if len(seen) < least {
			continue
		}
		agree := func(r receding, i int) bool { return math.Abs(lines[i].at[j]-r.at(number[i], n)) < astray }
		var best receding
		top := 0
		third := len(seen) / 3
		step := max(1, third/picks)
		for x := 0; x < third; x += step {
			for y := third; y < 2*third; y += step {
				for z := 2 * third; z < len(seen); z += step {
					r, ok := through(lines, number, j, n, [3]int{seen[x], seen[y], seen[z]})
					if !ok {
						continue
					}
					count := 0
					for _, i := range seen {
						if agree(r, i) {
							count++
						}
					}
					if count > top {
						best, top = r, count
					}
				}
			}
		}
		if float64(top) < most*float64(len(seen)) {
			continue
		}
		clear(use)
		for _, i := range seen { // the sheet may be curled a little
			use[number[i]], off[number[i]] = agree(best, i), lines[i].at[j]-best.at(number[i], n)
		}
		p, ok := parabola(off, use, 0)
		if !ok || top < 6 {
			continue
		}
		for i := range lines {
			at := &lines[i].at[j]
			to := best.at(number[i], n) + along(p, number[i], n)
			if math.Abs(*at-to) >= astray && (print.shows(j, to) || !print.shows(j, *at)) {
				*at, lines[i].seen[j] = to, false
			}
		}
	}
}

// printed knows print by how dark it is in each strip.
type printed struct {
	crests [][]crest
	usual  float32 // height of a crest of print
}

// usualCrest returns what is known of the print that lines follow.
func usualCrest(lines []rule, crests [][]crest) printed {
	var high []float32
	for i := range lines {
		for j, seen := range lines[i].seen {
			if seen && j < len(crests) {
				if k := nearestCrest(crests[j], lines[i].at[j]); k >= 0 {
					high = append(high, crests[j][k].high)
				}
			}
		}
	}
	if len(high) == 0 {
		return printed{}
	}
	return printed{crests, nth(high, len(high)/2)}
}

// find returns where strip j shows print within reach px of v.
func (p printed) find(j int, v, reach float64) (float64, bool) {
	const faint, dark = 0.3, 2 // heights of a crest, over the usual one: the strip may lie on the sheet in part
	if j >= len(p.crests) {
		return 0, false
	}
	k := nearestCrest(p.crests[j], v)
	if k < 0 {
		return 0, false
	}
	c := p.crests[j][k]
	return c.v, math.Abs(c.v-v) < reach && c.high > faint*p.usual && c.high < dark*p.usual
}

// shows reports whether strip j shows print at v.
func (p printed) shows(j int, v float64) bool {
	_, ok := p.find(j, v, 1.5)
	return ok
}

// settle takes a line to the print near it where it has only been carried on so far.
func (p printed) settle(l *rule) {
	for j, v := range l.at {
		if l.seen[j] {
			continue
		}
		if at, ok := p.find(j, v, ruleDrift); ok {
			l.at[j], l.seen[j] = at, true
		}
	}
}

// receding is where lines at even distances are seen at a slant, (p + q·x) / (1 + r·x) for the number x of the line: what
// a camera makes of places along a line (R. Hartley & A. Zisserman, "Multiple View Geometry in Computer Vision", 2nd
// edition, 2004, section 2.5).
type receding struct{ p, q, r float64 }

// at returns the place of line i of n.
func (v receding) at(i, n int) float64 {
	x := unitStep(i, n)
	return (v.p + float64(v.q*x)) / (1 + float64(v.r*x))
}

// unitStep is line i of n on the way from -1 to 1.
func unitStep(i, n int) float64 { return 2*(float64(i)+0.5)/float64(n) - 1 }

// through returns the even distances that pass through three of the lines at strip j; false where they would recede into
// the horizon.
func through(lines []rule, number []int, j, n int, of [3]int) (receding, bool) {
	const steepest = 0.5 // r: farther lines may lie up to nine times as close as near ones
	var one, x, xv, v [3]float64
	for k, i := range of {
		one[k], x[k], v[k] = 1, unitStep(number[i], n), lines[i].at[j]
		xv[k] = -float64(x[k] * v[k])
	}
	det := dot(one, cross(x, xv))
	if det == 0 {
		return receding{}, false
	}
	s := receding{dot(v, cross(x, xv)) / det, dot(one, cross(v, xv)) / det, dot(one, cross(x, v)) / det}
	return s, math.Abs(s.r) < steepest
}

// straighten takes a line back to between its neighbours wherever it has strayed, as along a drawn line near it; the one
// that has strayed farthest first, as its neighbours seem to have strayed too. number counts the lines with those that are
// missing between them.
func (s series) straighten(lines []rule, number []int) {
	const astray = 1.2 // px
	for j := range lines[0].at {
		for range len(lines) / 4 {
			worst, far := -1, astray
			for i := 1; i+1 < len(lines); i++ {
				a, l, b := lines[i-1].at[j], lines[i].at[j], lines[i+1].at[j]
				wide := lines[i+1].middle() - lines[i-1].middle()
				if number[i+1]-number[i-1] > 2 || math.Abs(b-a-wide) > 2*ruleEven*wide {
					continue
				}
				if d := math.Abs(l - a - float64(s.between(&lines[i-1], &lines[i+1], 0.5)*(b-a))); d > far {
					worst, far = i, d
				}
			}
			if worst < 0 {
				break
			}
			before, after := &lines[worst-1], &lines[worst+1]
			way := s.between(before, after, 0.5) * (after.at[j] - before.at[j])
			lines[worst].at[j], lines[worst].seen[j] = before.at[j]+float64(way), false
		}
	}
}

// lerpRule returns the line between two others.
func lerpRule(a, b *rule, t float64) rule {
	l := rule{at: make([]float64, len(a.at)), seen: make([]bool, len(a.at))}
	for i := range l.at {
		l.at[i] = a.at[i] + float64(t*(b.at[i]-a.at[i]))
	}
	return l
}

const (
	ruleHalf   = 6    // px: half the greatest width of a line with its blur
	ruleSide   = 4    // px either side of a line by which its ground is known
	ruleFlat   = 0.10 // logarithm of light: how far the two sides of a line may differ on one ground
	ruleSmooth = 12   // px along a line over which its darkness is averaged
	ruleTrust  = 0.10 // logarithm of light by which a line may differ from its mean shape
	ruleShapes = 4    // samples of the shape a px
	// How much darker than is usual a line may be: print is worn in places, and squared paper has heavier lines among fine
	// ones. What is darker still is a stroke that runs along the line, and tells nothing of the print under it.
	ruleHeavy = 2.5
	opaque    = -3.0 // logarithm of light below which ink lets nothing shine through
)

// eraseRules takes the lines off the sheet.
func (s *Sheet) eraseRules(c crew, a axis, lines []rule) {
	if len(lines) == 0 {
		return
	}
	shape, usual := s.ruleShape(a, lines)
	for i := range lines { // one after the other: what is seen of one depends on whether its neighbours are there
		s.eraseRule(c, a, &lines[i], shape, usual)
	}
}

// centre returns where the line lies at px u along the sheet.
func (l *rule) centre(u int) float64 {
	x := (float64(u)+0.5)/ruleStrip - 0.5
	i := min(max(int(math.Floor(x)), 0), len(l.at)-2)
	return l.at[i] + float64((x-float64(i))*(l.at[i+1]-l.at[i]))
}

// crossing is one column through a line.
type crossing struct {
	lo, n  int                                   // first pixel across, and how many
	log    [2*(ruleHalf+ruleSide) + 2][3]float32 // logarithm of light
	ground [2][3]float32                         // of the sides before and after
	flat   bool                                  // both sides are one ground
}

// look reads the column at px u through a line centred at v; false where that is not on the sheet. At the edge of the
// sheet one side must do.
func (s *Sheet) look(k *crossing, a axis, u int, v float64) bool {
	k.lo = int(math.Floor(v)) - ruleHalf - ruleSide
	k.n = 2*(ruleHalf+ruleSide) + 1
	before, after := k.lo >= 0, k.lo+k.n <= a.m
	if v < 0 || v >= float64(a.m) || !before && !after {
		return false
	}
	for i := range k.n {
		p := s.Pix[u*a.along+min(max(k.lo+i, 0), a.m-1)*a.across:][:3]
		k.log[i] = [3]float32{logLight[p[0]], logLight[p[1]], logLight[p[2]]}
	}
	k.flat = true
	for c := range 3 {
		k.ground[0][c] = middle4(k.log[0][c], k.log[1][c], k.log[2][c], k.log[3][c])
		n := k.n
		k.ground[1][c] = middle4(k.log[n-1][c], k.log[n-2][c], k.log[n-3][c], k.log[n-4][c])
		if !before {
			k.ground[0][c] = k.ground[1][c]
		}
		if !after {
			k.ground[1][c] = k.ground[0][c]
		}
		d := k.ground[0][c] - k.ground[1][c]
		k.flat = k.flat && d < ruleFlat && d > -ruleFlat
	}
	return true
}

// middle4 is the mean of the two middle ones of four.
func middle4(a, b, c, d float32) float32 {
	return (a + b + c + d - max(a, b, c, d) - min(a, b, c, d)) / 2
}

// under returns the logarithm of the ground's light at pixel i of the column, between both sides.
func (k *crossing) under(i, c int) float32 {
	t := float32(i) / float32(k.n-1)
	return k.ground[0][c] + float32(t*(k.ground[1][c]-k.ground[0][c]))
}

// ruleShape returns the mean shape of the lines across, its greatest value 1, in ruleShapes samples a px from -ruleHalf on,
// and how dark they are in the mean, as a logarithm of light summed over the channels.
func (s *Sheet) ruleShape(a axis, lines []rule) (shape []float32, usual float32) {
	sum := make([]float64, 2*ruleHalf*ruleShapes)
	num := make([]float64, len(sum))
	var k crossing
	for i := range lines {
		l := &lines[i]
		for u := ruleStep / 2; u < a.n; u += ruleStep {
			if j := u / ruleStrip; j >= len(l.seen) || !l.seen[j] {
				continue
			}
			v := l.centre(u)
			if !s.look(&k, a, u, v) || !k.flat {
				continue
			}
			for j := range k.n {
				b := int(math.Floor((float64(k.lo+j) + 0.5 - v + ruleHalf) * ruleShapes))
				if b < 0 || b >= len(sum) {
					continue
				}
				d := 0.0
				for c := range 3 {
					d += float64(k.under(j, c) - k.log[j][c])
				}
				sum[b] += math.Min(math.Max(d, -ruleCap), 3*ruleCap)
				num[b]++
			}
		}
	}
	shape = make([]float32, len(sum))
	for b := range shape {
		if num[b] > 0 {
			shape[b] = float32(math.Max(0, sum[b]/num[b]))
		}
		usual = max(usual, shape[b])
	}
	if usual == 0 {
		return shape, 0
	}
	for b := range shape {
		shape[b] /= usual
	}
	return shape, usual
}

// withoutStrokes takes back that the line is seen where it is much darker than is usual for the lines of its family and
// for a good part of itself.
func withoutStrokes(dark [][3]float32, seen []bool, usual float32) {
	sum := func(d [3]float32) float32 { return d[0] + d[1] + d[2] }
	var all []float32
	for u, d := range dark {
		if seen[u] {
			all = append(all, sum(d))
		}
	}
	if len(all) == 0 {
		return
	}
	most := ruleHeavy * max(usual, nth(all, len(all)/4))
	for u, d := range dark {
		seen[u] = seen[u] && sum(d) <= most
	}
}

// eraseRule takes one line off the sheet.
func (s *Sheet) eraseRule(c crew, a axis, l *rule, shape []float32, usual float32) {
	height := func(d float64) float32 { // of the shape at d px from the line's middle
		x := (d+ruleHalf)*ruleShapes - 0.5
		i := int(math.Floor(x))
		if i < 0 || i+1 >= len(shape) {
			return 0
		}
		return shape[i] + float32(float32(x-float64(i))*(shape[i+1]-shape[i]))
	}
	// How dark the line is in each channel, where it is seen on one ground.
	dark := make([][3]float32, a.n)
	seen := make([]bool, a.n)
	c.rows(a.n, func(u0, u1 int) {
		var k crossing
		for u := u0; u < u1; u++ {
			v := l.centre(u)
			if !s.look(&k, a, u, v) || !k.flat {
				continue
			}
			var num [3]float32
			var den float32
			for j := range k.n {
				h := height(float64(k.lo+j) + 0.5 - v)
				den += float32(h * h)
				for c := range 3 {
					num[c] += float32(h * (k.under(j, c) - k.log[j][c]))
				}
			}
			if den == 0 {
				continue
			}
			for c := range 3 {
				dark[u][c] = num[c] / den
			}
			seen[u] = true
		}
	})
	withoutStrokes(dark, seen, usual)
	smooth := alongRule(c, dark, seen)
	c.rows(a.n, func(u0, u1 int) {
		var k crossing
		for u := u0; u < u1; u++ {
			v := l.centre(u)
			if !s.look(&k, a, u, v) {
				continue
			}
			d := smooth[u]
			for c := range d {
				d[c] = max(d[c], 0)
			}
			if d == ([3]float32{}) {
				continue
			}
			plain := k.flat // nothing but the line lies here
			for j := ruleSide - 1; j < k.n-ruleSide+1 && plain; j++ {
				h := height(float64(k.lo+j) + 0.5 - v)
				for c := range 3 {
					e := k.under(j, c) - k.log[j][c] - float32(h*d[c])
					plain = plain && e < ruleTrust+float32(0.35*d[c]) && e > -ruleTrust-float32(0.35*d[c])
				}
			}
			for j := ruleSide - 1; j < k.n-ruleSide+1; j++ {
				h := height(float64(k.lo+j) + 0.5 - v)
				if h < 0.02 && !plain || k.lo+j < 0 || k.lo+j >= a.m {
					continue
				}
				p := s.Pix[u*a.along+(k.lo+j)*a.across:][:3]
				for c := range p {
					x := k.log[j][c]
					switch {
					case plain:
						x = k.under(j, c)
					case x > opaque || max(k.ground[0][c], k.ground[1][c]) < opaque+darkGround:
						x = max(x, min(x+float32(h*d[c]), max(k.ground[0][c], k.ground[1][c])))
					}
					p[c] = encode(float32(math.Exp(float64(x)) - glare))
				}
			}
		}
	})
}

// alongRule smooths the darkness of a line along it: the middle of what is seen within ruleSmooth px, and between such
// places straight on.
func alongRule(c crew, dark [][3]float32, seen []bool) [][3]float32 {
	n := len(dark)
	out := make([][3]float32, n)
	ok := make([]bool, n)
	c.rows(n, func(u0, u1 int) { // whole multiples of ruleStep
		var vals [3][]float32
		for u := u0; u < u1; u += ruleStep {
			for c := range vals {
				vals[c] = vals[c][:0]
			}
			for j := max(0, u-ruleSmooth); j <= min(n-1, u+ruleSmooth); j++ {
				if seen[j] {
					for c := range vals {
						vals[c] = append(vals[c], dark[j][c])
					}
				}
			}
			if len(vals[0]) < ruleSmooth/2 {
				continue
			}
			for c := range vals {
				out[u][c] = nth(vals[c], len(vals[c])/2)
			}
			ok[u] = true
		}
	})
	last := -1
	for u := 0; u < n; u += ruleStep {
		if !ok[u] {
			continue
		}
		if last < 0 {
			for j := range u {
				out[j] = out[u]
			}
		} else {
			for j := last + 1; j < u; j++ {
				t := float32(j-last) / float32(u-last)
				for c := range 3 {
					out[j][c] = out[last][c] + float32(t*(out[u][c]-out[last][c]))
				}
			}
		}
		last = u
	}
	if last >= 0 {
		for j := last + 1; j < n; j++ {
			out[j] = out[last]
		}
	}
	return out
}
