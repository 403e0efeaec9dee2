package trace

import (
	"cmp"
	"context"
	"math"
	"math/bits"
	"slices"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// This file holds the curves of pictures coded without loss to the pixels once more when all of them are known. Samples are
// means over a pixel's width, so where two edges lie closer than that (in wedges between strokes, at the tips of spurs, in
// hooks) none may be left that tells of what is there, while the shares of the pixels still do. Where the curves miss them by
// much, a short section of the nearest one is drawn anew as what explains them best: one curve, two that meet smoothly or
// in a corner, or a spur.

const (
	// mendMiss is by how much a pixel's share must be missed for a look at the place; mendSum what the squares must sum up to
	// in the window. An edge that is off by so many px misses the pixels along it by as much of their shares: mendLoose is
	// how many times the tolerance must be missed where that is more.
	mendMiss, mendSum, mendLoose = 0.18, 0.08, 1.5
	// mendReach is how far from the middle of the miss the section begins and ends, mendWindow how far the pixels are
	// looked at, mendAbout how far those are that must come out better, px.
	mendReach, mendWindow, mendAbout = 3.5, 5, 3
	// mendNear is how far from the miss the curve may run, px.
	mendNear = 3.0
	// mendApart is how far apart places are that are mended at once, px: their windows must not meet.
	mendApart = 2*mendWindow + 2
	// mendRounds is how often what has been mended is held to the pixels again: what misses them beside a section may be
	// mended after it.
	mendRounds = 8
	// mendNoise says of a picture of which one crack in so many lies by a miss that it is no drawing but noise: there is
	// nothing to mend.
	mendNoise = 20
	// mendBeside is how far from a place that could not be mended another one lies at least, px.
	mendBeside = 3
	// mendSimple is how many times as much another form must miss the pixels before one further down the list is taken;
	// mendSeen is the sum up to which a form is as good as any.
	mendSimple, mendSeen = 1.5, 0.03
	// mendDamped and mendEnough are what solve takes.
	mendDamped, mendEnough = 0.02, 1e-3
	// tipMiss is by how much a pixel must be missed where no curve comes but the tip of one: of the last px of a tip of 20
	// degrees no pixel shows more than a sixth. What shows less than untouched of another colour is not reached by a curve.
	// There those within tipAbout px must come out better, while the sum of the others may grow by tipSlack.
	tipMiss, untouched, tipAbout, tipSlack = 0.06, 0.01, 1, 0.005
	// tipTurn is the cosine of the turn within a section from which on it is a tip, and tipApart how far apart its ends are at
	// most, px.
	tipTurn, tipApart = 0.3, 3.5
	// madeUp is how much of what a pixel is off two colours may leave open, where there are others about.
	madeUp = 0.3
	// shining is what a third colour may shine through between shapes that were drawn side by side: a quarter of a pixel where two
	// cover half of it each, more where there are more of them.
	shining = 0.4
)

// mender draws sections of curves anew.
type mender struct {
	e     *edges
	shown *shown
	least float64     // by how much a pixel must be missed
	left  []fit.Point // what a person has settled
	soft  bool        // the picture was coded with loss: colours are luma alone
}

// mend draws the places anew where the curves miss the pixels.
func (o *outlines) mend(ctx context.Context, e *edges, opt fit.Options, workers int) error {
	m := mender{
		e:     e,
		shown: newShown(e.m, o.arcs, e.flats.Palette),
		least: max(mendMiss, mendLoose*opt.Tolerance),
		left:  slices.Concat(opt.Sharp, opt.Smooth),
	}
	if e.mixed == nil {
		e.mixed = make([][]mixed, m.shown.bands())
		err := largestFirst(ctx, len(e.mixed), workers, func(int) int { return 1 }, func(band int) { e.mixed[band] = m.mixedIn(band) })
		if err != nil {
			e.mixed = nil
			return err
		}
	}
	if noise, err := o.mendPlaces(ctx, &m, workers); noise || err != nil {
		return err
	}
	if err := m.shown.drawAnew(ctx, slices.Repeat([]bool{true}, m.shown.bands()), workers); err != nil {
		return err
	}
	return o.wedges(ctx, &m, workers)
}

// mendPlaces draws the places anew where single pixels are missed, and reports whether the picture is noise.
func (o *outlines) mendPlaces(ctx context.Context, m *mender, workers int) (noise bool, err error) {
	missed := make([][]place, m.shown.bands())
	changed := slices.Repeat([]bool{true}, len(missed))
	stale := slices.Clone(changed) // what has to be drawn anew
	if err := m.knots(ctx, o, stale, workers); err != nil {
		return false, err
	}
	var stay []place // what cannot be mended
	for range mendRounds {
		if err := m.shown.drawAnew(ctx, stale, workers); err != nil {
			return false, err
		}
		err := largestFirst(ctx, len(missed), workers, func(int) int { return 1 }, func(band int) {
			if changed[band] {
				missed[band] = m.misses(band)
			}
		})
		if err != nil {
			return false, err
		}
		all := slices.Concat(missed...)
		if len(all) > len(m.e.m.Dirs)/mendNoise {
			return true, nil
		}
		slices.SortStableFunc(all, func(p, q place) int { return cmp.Compare(q.miss, p.miss) })
		clear(changed)
		stale = changed
		for mended := false; !mended; {
			places := mendable(all, stay)
			if len(places) == 0 {
				return false, nil
			}
			anew := make([]*section, len(places))
			err := largestFirst(ctx, len(places), workers, func(int) int { return 1 }, func(i int) { anew[i] = m.look(places[i]) })
			if err != nil {
				return false, err
			}
			for k, s := range anew {
				if s == nil {
					stay = append(stay, places[k])
					continue
				}
				mended = true
				for _, seg := range slices.Concat(s.old, s.new) {
					lo, hi := boundsOf(&seg)
					for band := max(0, int(lo.Y)) / bandRows; band <= min(m.e.m.H-1, int(hi.Y))/bandRows; band++ {
						changed[band] = true
					}
				}
			}
			o.putAll(slices.DeleteFunc(anew, func(s *section) bool { return s == nil }))
		}
	}
	return false, nil
}

// mendable returns places that lie far enough apart to be mended at once, the worst first, and not beside those that stay.
func mendable(all, stay []place) (out []place) {
	settled, taken := placesBy(mendBeside), placesBy(mendApart)
	for _, p := range stay {
		settled.add(p)
	}
	for _, p := range all {
		if !taken.near(p) && !settled.near(p) {
			taken.add(p)
			out = append(out, p)
		}
	}
	return out
}

// placeSquares are places by the squares of a grid that they lie in, as wide as the places may be apart and still be near.
type placeSquares struct {
	apart int
	in    map[[2]int][]place
}

func placesBy(apart int) placeSquares { return placeSquares{apart, map[[2]int][]place{}} }

func (s *placeSquares) add(p place) {
	k := [2]int{p.x / s.apart, p.y / s.apart}
	s.in[k] = append(s.in[k], p)
}

// near reports whether a place of s lies less than apart px from p, along both axes.
func (s *placeSquares) near(p place) bool {
	for y := p.y/s.apart - 1; y <= p.y/s.apart+1; y++ {
		for x := p.x/s.apart - 1; x <= p.x/s.apart+1; x++ {
			for _, q := range s.in[[2]int{x, y}] {
				if max(abs(p.x-q.x), abs(p.y-q.y)) < s.apart {
					return true
				}
			}
		}
	}
	return false
}

// putAll draws sections anew.
func (o *outlines) putAll(all []*section) {
	// From the end of each arc on, so that what is still to be put in keeps its place. What shares a piece waits.
	slices.SortFunc(all, func(a, b *section) int { return cmp.Or(cmp.Compare(a.arc, b.arc), cmp.Compare(b.last(), a.last())) })
	for k, s := range all {
		if k == 0 || all[k-1].arc != s.arc || !s.around && s.to <= math.Floor(all[k-1].from) {
			o.put(s)
		}
	}
}

// place is a pixel that the curves miss, with the two colours about it.
type place struct {
	x, y int
	miss float64
	a, b uint8 // a < b
}

// lacks returns how much more of colour b pixel (x, y) has than is drawn there, as a mixture with a.
func (m *mender) lacks(x, y int, a, b uint8) float64 {
	return m.e.flats.Coverage(y*m.e.m.W+x, b, a) - drawn(m.shown.at(x, y), a, b)
}

// off returns what pixel (x, y) has of each channel beyond what is drawn there.
func (m *mender) off(x, y int) levels {
	r, g, b := m.e.flats.Pixel(y*m.e.m.W + x)
	d := levels{r, g, b}
	d.add(m.shown.colour(x, y), -1)
	return d
}

// between returns how much of colour b in the place of a makes up what a pixel is off, and what of that is left.
func (m *mender) between(off levels, a, b uint8) (share, rest float64) {
	d := m.shown.of[b]
	d.add(m.shown.of[a], -1)
	dd := dot3(d, d)
	if dd == 0 {
		return 0, math.Inf(1)
	}
	share = dot3(off, d) / dd
	off.add(d, -share)
	return share, math.Sqrt(dot3(off, off))
}

// labelsAbout returns the labels within r px of pixel (x, y).
func (m *mender) labelsAbout(x, y, r int) (near []uint8) {
	w, h := m.e.m.W, m.e.m.H
	for yy := max(0, y-r); yy <= min(h-1, y+r); yy++ {
		for _, l := range m.e.flats.Labels[yy*w+max(0, x-r) : yy*w+min(w, x+r+1)] {
			if !slices.Contains(near, l) {
				near = append(near, l)
			}
		}
	}
	return near
}

// three returns the two of the colours about pixel (x, y) that best make up what it is off, where there are more than two of
// them; ok is false where it is not off by much, or two do not make it up.
func (m *mender) three(x, y int) (p place, ok bool) {
	near := m.labelsAbout(x, y, 2)
	off := m.off(x, y)
	all := math.Sqrt(dot3(off, off))
	if len(near) < 3 || all < m.least*faintest {
		return p, false
	}
	slices.Sort(near)
	least := math.Inf(1)
	for i, a := range near {
		for _, b := range near[i+1:] {
			if share, rest := m.between(off, a, b); rest < least && math.Abs(share) <= 1 {
				least, p = rest, place{x, y, math.Abs(share), a, b}
			}
		}
	}
	return p, least < madeUp*all && p.miss > max(m.least, shining)
}

// drawn returns the share of colour b in a pixel of which a number is drawn, as a mixture with a.
func drawn(number float64, a, b uint8) float64 {
	return max(0, min(1, (number-float64(a)-1)/(float64(b)-float64(a))))
}

// pairAt returns the two colours within r px of pixel (x, y); ok is false where there are others,
// or but one, twice.
func (m *mender) pairAt(x, y, r int) (a, b uint8, ok bool) {
	w, h := m.e.m.W, m.e.m.H
	if x < r || y < r || x+r >= w || y+r >= h {
		return 0, 0, false
	}
	a = m.e.flats.Labels[y*w+x]
	b = a
	for yy := y - r; yy <= y+r; yy++ {
		for _, l := range m.e.flats.Labels[yy*w+x-r : yy*w+x+r+1] {
			if l != a && l != b {
				if b != a {
					return a, b, false
				}
				b = l
			}
		}
	}
	return min(a, b), max(a, b), a != b
}

// mixed is a pixel with its share of colour b, among pixels of that and of a alone: a < b. They are the same where there are others.
type mixed struct {
	x, y  int32
	a, b  uint8
	share float64
}

// mixedIn lists the pixels of a band that are no cores and lie among those of two colours.
func (m *mender) mixedIn(band int) (out []mixed) {
	y0, y1 := m.shown.inBand(band)
	w, core := m.e.m.W, m.e.flats.Core
	for k := y0 * w >> 6; k<<6 < y1*w; k++ {
		for open := ^core[k]; open != 0; open &= open - 1 {
			i := k<<6 + bits.TrailingZeros64(open)
			if i < y0*w || i >= y1*w {
				continue
			}
			a, b, ok := m.pairAt(i%w, i/w, 2)
			switch {
			case ok:
				out = append(out, mixed{int32(i % w), int32(i / w), a, b, m.e.flats.Coverage(i, b, a)})
			case a != b:
				out = append(out, mixed{x: int32(i % w), y: int32(i / w)})
			}
		}
	}
	return out
}

// misses lists the pixels of a band that the curves miss.
func (m *mender) misses(band int) (out []place) {
	var row []strip
	rowOf, number := int32(-1), 0.0 // of the pixels before the first strip that is left
	for _, p := range m.e.mixed[band] {
		if p.y != rowOf {
			row, rowOf, number = m.shown.rows[p.y], p.y, 0
		}
		if p.a == p.b {
			if q, ok := m.three(int(p.x), int(p.y)); ok {
				out = append(out, q)
			}
			continue
		}
		for len(row) > 0 && row[0].x < p.x {
			number, row = row[0].beyond, row[1:]
		}
		shows := number
		if len(row) > 0 && row[0].x == p.x {
			shows = row[0].at
		}
		if d := math.Abs(p.share - drawn(shows, p.a, p.b)); d > m.least {
			out = append(out, place{int(p.x), int(p.y), d, p.a, p.b})
		} else if d > tipMiss && (d > 1-p.share-untouched || d > p.share-untouched) {
			out = append(out, place{int(p.x), int(p.y), d, p.a, p.b})
		}
	}
	return m.intoCores(out, band)
}

// intoCores appends the cores of a band that curves run into.
func (m *mender) intoCores(out []place, band int) []place {
	y0, y1 := m.shown.inBand(band)
	w := m.e.m.W
	for y := y0; y < y1; y++ {
		for _, c := range m.shown.rows[y] {
			i := y*w + int(c.x)
			l := m.e.flats.Labels[i]
			// Numbers of labels differ by one at least.
			if !m.e.flats.IsCore(i) || math.Abs(c.at-float64(l)-1) <= m.least {
				continue
			}
			if a, b, ok := m.pairAt(int(c.x), y, 2); ok {
				if d := math.Abs(m.lacks(int(c.x), y, a, b)); d > m.least {
					out = append(out, place{int(c.x), y, d, a, b})
				}
			}
		}
	}
	return out
}

// section is a part of an arc and what is drawn in its place. Parameters count pieces.
type section struct {
	arc      int
	from, to float64
	around   bool // it runs across the beginning of a loop: from > to
	old, new []fit.Segment
}

// last returns the parameter that the section lies before, 0 where it runs across the beginning of a loop.
func (s *section) last() float64 {
	if s.around {
		return 0
	}
	return s.to
}

// look draws anew what misses the pixels at a place; nil where nothing is much better.
func (m *mender) look(p place) *section {
	at := fit.Point{X: float64(p.x) + 0.5, Y: float64(p.y) + 0.5}
	if slices.ContainsFunc(m.left, func(q fit.Point) bool { return q.Sub(at).Len() < 2*mendReach }) {
		return nil
	}
	v := m.window(p, mendWindow)
	was, beside := v.sums(v.lack, mendAbout)
	s := m.sectionAt(at, p)
	if s == nil {
		return nil
	}
	weak := p.miss <= m.least || was < mendSum
	if weak && !s.tip() {
		return nil
	}
	tipWas, _ := v.sums(v.lack, tipAbout)
	sign := 1.0
	if m.e.m.Faces[m.e.m.Arcs[s.arc].Right].Label == p.b {
		sign = -1
	}
	v.replace(s.old, sign)
	var best, tip []fit.Segment
	least, tipLeast := math.Inf(1), lensBetter*tipWas*mendSimple
	for _, f := range mendForms(at, s) {
		if least <= mendSeen && !weak {
			break
		}
		segs, lack := v.solve(f, mendDamped, mendEnough)
		miss, worse := v.sums(lack, mendAbout)
		miss += max(0, worse-beside)
		tipMiss, _ := v.sums(lack, tipAbout)
		first, only := miss*mendSimple < least, miss <= was+tipSlack && tipMiss*mendSimple < tipLeast
		if !first && !only || !sane(segs) || m.crosses(segs, s) {
			continue
		}
		if first {
			best, least = segs, miss
		}
		if only {
			tip, tipLeast = segs, tipMiss
		}
	}
	if weak || !better(least, was) {
		best = tip
	}
	if best == nil {
		return nil
	}
	s.new = best
	return s
}

// window returns what the pixels within r px of a place lack. Those that show more than can be told of the two colours tell
// nothing.
func (m *mender) window(p place, r int) *mendView {
	w, h, size := m.e.m.W, m.e.m.H, 2*r+1
	v := &mendView{x: p.x - r, y: p.y - r, size: size, lack: make(mendPixels, size*size), blind: make([]bool, size*size), beyond: make(mendPixels, size*size)}
	for k := range v.lack {
		x, y := v.x+k%size, v.y+k/size
		switch {
		case x < 0 || y < 0 || x >= w || y >= h:
			v.blind[k] = true
		case m.amid(x, y, p.a, p.b):
			v.lack[k] = m.lacks(x, y, p.a, p.b)
		default:
			off := m.off(x, y)
			share, rest := m.between(off, p.a, p.b)
			v.lack[k], v.blind[k] = share, rest > max(unmixed, madeUp*math.Sqrt(dot3(off, off)))
		}
	}
	return v
}

// amid reports whether pixel (x, y) and all beside it have one of two labels.
func (m *mender) amid(x, y int, a, b uint8) bool {
	w, h := m.e.m.W, m.e.m.H
	for yy := max(0, y-1); yy <= min(h-1, y+1); yy++ {
		for _, l := range m.e.flats.Labels[yy*w+max(0, x-1) : yy*w+min(w, x+2)] {
			if l != a && l != b {
				return false
			}
		}
	}
	return true
}

// sectionAt returns the part about a place of the nearest curve between the two colours; nil where none is near.
func (m *mender) sectionAt(at fit.Point, p place) *section {
	best, mid, off := curveAt{-1, 0}, 0.0, mendNear
	reach := fit.Point{X: mendNear, Y: mendNear}
	m.shown.around(at.Sub(reach), at.Add(reach), func(c curveAt) {
		arc := &m.e.m.Arcs[c.arc]
		if arc.Left == planar.Outside || arc.Right == planar.Outside || m.e.dots[c.arc] != nil || m.e.doubt[c.arc] > 0 {
			return
		}
		if l, r := m.e.m.Faces[arc.Left].Label, m.e.m.Faces[arc.Right].Label; min(l, r) != p.a || max(l, r) != p.b {
			return
		}
		if t, d := m.shown.arcs[c.arc][c.k].Nearest(at); d < off {
			best, mid, off = c, float64(c.k)+t, d
		}
	})
	if best.arc < 0 {
		return nil
	}
	ps := m.shown.arcs[best.arc]
	closed := m.e.m.Arcs[best.arc].From == planar.None
	n := len(ps)
	piece := func(k int) *piece { return &ps[(k%n+n)%n] }
	// Both ways until the curve leaves the place; around a loop parameters run on beyond its ends.
	walk := func(way float64) float64 {
		const step = 0.25 // px
		u := mid
		for {
			k := int(math.Floor(u))
			if way < 0 && float64(k) == u {
				k--
			}
			if !closed && (k < 0 || k >= n) || math.Abs(u-mid) > float64(n)/2 {
				break
			}
			s := piece(k)
			u = max(float64(k), min(float64(k+1), u+way*step/max(step, s.Length())))
			if s.At(u-float64(k)).Sub(at).Len() > mendReach {
				if r := math.Round(u); math.Abs(u-r)*s.Length() < jointReach { // no slivers
					u = r
				}
				break
			}
		}
		return u
	}
	s := &section{arc: int(best.arc), from: walk(-1), to: walk(1)}
	if s.to-s.from < 1e-6 || closed && s.to-s.from > float64(n)-0.5 {
		return nil
	}
	for u := s.from; u < s.to-1e-9; {
		k := math.Floor(u)
		v := min(k+1, s.to)
		seg := piece(int(k)).Segment
		if u > k || v < k+1 {
			seg = seg.Sub(u-k, v-k)
		}
		s.old = append(s.old, seg)
		u = v
	}
	if s.from < 0 {
		s.from, s.around = s.from+float64(n), true
	} else if s.to > float64(n) {
		s.to, s.around = s.to-float64(n), true
	}
	return s
}

// point returns where the section turns back in a corner; ok is false where it does not.
func (s *section) point() (p fit.Point, ok bool) {
	for k := 1; k < len(s.old); k++ {
		if s.old[k-1].Deriv(1).Unit().Dot(s.old[k].Deriv(0).Unit()) < tipTurn {
			return s.old[k].P[0], true
		}
	}
	return p, false
}

// tip reports whether the section is that about a narrow end.
func (s *section) tip() bool {
	if _, ok := s.point(); ok {
		return true
	}
	first, last := &s.old[0], &s.old[len(s.old)-1]
	return first.P[0].Sub(last.P[3]).Len() < tipApart && first.Deriv(0).Unit().Dot(last.Deriv(1).Unit()) < tipTurn
}

// put draws a section anew.
func (o *outlines) put(s *section) {
	ps := o.arcs[s.arc]
	var out []piece
	keep := func(from, to float64) {
		for u := from; u < to-1e-9; {
			k := math.Floor(u)
			v := min(k+1, to)
			p := ps[int(k)]
			if a, b := u-k, v-k; a > 0 || b < 1 {
				p.t0, p.t1 = p.t0+float64((p.t1-p.t0)*a), p.t0+float64((p.t1-p.t0)*b)
				p.Segment = p.Sub(a, b)
			}
			out = append(out, p)
			u = v
		}
	}
	if !s.around {
		keep(0, s.from)
	}
	for _, seg := range s.new {
		out = append(out, piece{Segment: seg, parent: int32(len(o.parents)), t1: 1})
		o.parents = append(o.parents, seg)
	}
	if s.around {
		keep(s.to, s.from)
	} else {
		keep(s.to, float64(len(ps)))
	}
	o.arcs[s.arc] = out
}

// sane reports whether segments have a length.
func sane(segs []fit.Segment) bool {
	const shortest = 0.1 // px
	return !slices.ContainsFunc(segs, func(s fit.Segment) bool { return !(s.P[3].Sub(s.P[0]).Len() > shortest) })
}

// crosses reports whether what is to be drawn in the place of a section crosses itself or another curve.
func (m *mender) crosses(segs []fit.Segment, s *section) bool {
	type line struct{ a, b fit.Point }
	var lines []line
	lo, hi := boundsOf(&segs[0])
	for k := range segs {
		asLines(&segs[k], func(a, b fit.Point) { lines = append(lines, line{a, b}) })
		l, h := boundsOf(&segs[k])
		lo, hi = fit.Point{X: min(lo.X, l.X), Y: min(lo.Y, l.Y)}, fit.Point{X: max(hi.X, h.X), Y: max(hi.Y, h.Y)}
	}
	for i := range lines {
		for j := i + 2; j < len(lines); j++ {
			if linesCross(lines[i].a, lines[i].b, lines[j].a, lines[j].b) {
				return true
			}
		}
	}
	const joint = 0.05 // px from the ends, where the rest of the curve goes on
	ends := [2]fit.Point{segs[0].P[0], segs[len(segs)-1].P[3]}
	joins := func(p fit.Point) bool { return p.Sub(ends[0]).Len() < joint || p.Sub(ends[1]).Len() < joint }
	hit := false
	test := func(p, q fit.Point) {
		hit = hit || !joins(p) && !joins(q) && slices.ContainsFunc(lines, func(l line) bool { return linesCross(p, q, l.a, l.b) })
	}
	m.shown.around(lo, hi, func(c curveAt) {
		seg := m.shown.arcs[c.arc][c.k].Segment
		if l, h := boundsOf(&seg); hit || l.X > hi.X || l.Y > hi.Y || h.X < lo.X || h.Y < lo.Y {
			return
		}
		if int(c.arc) != s.arc {
			asLines(&seg, test)
			return
		}
		for _, rest := range s.rest(int(c.k)) {
			if rest[1]-rest[0] > 1e-6 {
				part := seg.Sub(rest[0], rest[1])
				asLines(&part, test)
			}
		}
	})
	return hit
}

// rest returns the parts of piece k that are left beside the section.
func (s *section) rest(k int) [2][2]float64 {
	within := func(u float64) float64 { return max(0, min(1, u-float64(k))) }
	if s.around {
		return [2][2]float64{{within(s.to), within(s.from)}}
	}
	return [2][2]float64{{0, within(s.from)}, {within(s.to), 1}}
}

// linesCross reports whether the lines ab and cd cross.
func linesCross(a, b, c, d fit.Point) bool {
	ab, cd := b.Sub(a), d.Sub(c)
	return ab.Cross(c.Sub(a))*ab.Cross(d.Sub(a)) < 0 && cd.Cross(a.Sub(c))*cd.Cross(b.Sub(c)) < 0
}
