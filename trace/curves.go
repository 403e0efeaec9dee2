package trace

import (
	"cmp"
	"context"
	"math"
	"slices"
	"sync"
	"sync/atomic"

	"pochoir/fit"
	"pochoir/quantize/large"
	"pochoir/trace/internal/planar"
)

// piece is a part of a fitted curve that lies on one arc: parameters t0 to t1 (t0 > t1 when run backwards) of segment
// parent of outlines.parents, -1 where the piece stands alone.
type piece struct {
	fit.Segment
	parent int32
	t0, t1 float64
}

// outlines are the fitted curves of a planar map, shared by the faces on both sides.
type outlines struct {
	arcs    [][]piece // along each arc
	parents []fit.Segment
	nodes   []fit.Point
	noise   float64     // standard deviation of the samples, px
	used    fit.Options // on paper with the widest tolerance of all curves
	worst   float64     // largest distance of a trusted sample from its curve, px
	worstAt fit.Point   // where
	mean    float64     // mean distance, px
}

// group is a chain of arcs that one curve runs along: a whole loop, or the arcs joined through junctions.
type group struct {
	halves []planar.Half
	closed bool
	cuts   []float64 // curve parameter (segment index + t) at the start of each half and at the end
	path   fit.Path
	ok     bool    // the curve passes its junctions in order
	off    bool    // an end of the curve has been put elsewhere since
	loose  float64 // how far the curve was allowed to leave its samples, px

	worst   float64
	worstAt fit.Point
	sum     float64
	count   int
}

// What the doubt about samples adds, per px of it, to how far a curve may leave them, and to the windows in which
// corners are looked for.
const (
	doubtTolerance = 2.0
	doubtScale     = 4.0
	doubtScaleMost = 2.0
	// doubtNoise is what it adds to the noise that the corner search allows for: coding rounds corners off and drives the
	// samples beside them aside, which those along straight edges do not tell. Of pictures of paper their own noise does.
	doubtNoise = 0.5
)

// fitOutlines fits every arc to its samples. It returns ctx.Err() when ctx ends.
func fitOutlines(ctx context.Context, e *edges, jn junctions, opt fit.Options, workers int) (*outlines, error) {
	m, dots := e.m, e.dots
	o := &outlines{arcs: make([][]piece, len(m.Arcs)), nodes: jn.at, used: opt, noise: opt.Noise}
	groups := groupArcs(m, jn)
	var joined, single []*group
	for _, g := range groups {
		switch d := dots[g.halves[0].Arc()]; {
		case d != nil:
			for _, s := range d {
				o.arcs[g.halves[0].Arc()] = append(o.arcs[g.halves[0].Arc()], piece{Segment: s, parent: int32(len(o.parents)), t1: 1})
				o.parents = append(o.parents, s)
			}
		case len(g.halves) > 1:
			joined = append(joined, g)
		default:
			single = append(single, g)
		}
	}
	// The junctions that lie within a line belong to it; lines that end there are fitted to that place, and therefore
	// after it. Where lines wait for one another in a ring they are fitted first as they are, and once more in the end.
	var whole, again []*group
	within := linesWithin(m, joined, len(o.nodes))
	// What ends on no such line need not wait: it keeps the workers busy that the longest line of a turn leaves idle.
	free := slices.DeleteFunc(slices.Clone(single), func(g *group) bool { return endsWithin(m, g, within) })
	fitFree := startBeside(ctx, m, free, workers, func(g *group) { g.fit(e, &jn, opt) })
	defer fitFree()
	for _, turn := range inTurns(m, joined, within) {
		if err := fitEach(ctx, m, turn, workers, func(g *group) { g.fit(e, &jn, opt) }); err != nil {
			return nil, err
		}
		for _, g := range turn {
			if g.ok {
				whole = append(whole, g)
				continue
			}
			// A line that could not be kept in one falls apart into its arcs.
			for _, h := range g.halves {
				single = append(single, &group{halves: []planar.Half{h}})
			}
		}
		moved := placeOnLines(m, whole, o.nodes)
		for _, g := range whole {
			g.off = g.off || !g.closed && (moved[m.From(g.halves[0])] || moved[m.To(g.halves[len(g.halves)-1])])
		}
	}
	for _, g := range whole {
		if g.off {
			again = append(again, g)
		}
	}
	if len(again) > 0 {
		if err := fitEach(ctx, m, again, workers, func(g *group) { g.refit(e, &jn, opt) }); err != nil {
			return nil, err
		}
		placeOnLines(m, whole, o.nodes)
	}
	bound := slices.DeleteFunc(slices.Clone(single), func(g *group) bool { return !endsWithin(m, g, within) })
	if err := fitEach(ctx, m, bound, workers, func(g *group) { g.fit(e, &jn, opt) }); err != nil {
		return nil, err
	}
	if err := fitFree(); err != nil {
		return nil, err
	}
	all := append(whole, single...)
	for _, g := range all {
		o.cut(m, g)
	}
	o.pinEnds(m)
	o.frame(m, jn.gone)
	if e.digital && e.flats.Noise == 0 && e.asked() {
		if err := o.mend(ctx, e, opt, workers); err != nil {
			return nil, err
		}
	} else if e.digital && e.flats.Unrung() {
		if err := o.mendKnots(ctx, e, opt, workers); err != nil {
			return nil, err
		}
	}
	var sum float64
	count := 0
	for _, g := range all {
		if !e.digital {
			o.used.Tolerance = max(o.used.Tolerance, looseShare*g.loose)
		}
		sum += g.sum
		count += g.count
		if g.worst > o.worst {
			o.worst, o.worstAt = g.worst, g.worstAt
		}
	}
	if count > 0 {
		o.mean = sum / float64(count)
	}
	return o, nil
}

// startBeside begins to call f for every group beside what follows, on all workers but one, the longest first, and returns
// a function that helps with what is left and waits for the rest; it may be called more than once.
func startBeside(ctx context.Context, m *planar.Map, gs []*group, workers int, f func(g *group)) (finish func() error) {
	gs = slices.Clone(gs)
	slices.SortStableFunc(gs, func(a, b *group) int { return cmp.Compare(b.cracks(m), a.cracks(m)) })
	var next atomic.Int64
	work := func() {
		for i := int(next.Add(1)) - 1; i < len(gs) && ctx.Err() == nil; i = int(next.Add(1)) - 1 {
			f(gs[i])
		}
	}
	var wg sync.WaitGroup
	for range min(workers-1, len(gs)) {
		wg.Go(work)
	}
	return func() error {
		work()
		wg.Wait()
		return ctx.Err()
	}
}

// cracks is the length of a group along the lattice, px.
func (g *group) cracks(m *planar.Map) (n int) {
	for _, h := range g.halves {
		n += int(m.Arcs[h.Arc()].N)
	}
	return n
}

// endsWithin reports whether g begins or ends on a junction that another line runs through.
func endsWithin(m *planar.Map, g *group, within []*group) bool {
	from, to := m.From(g.halves[0]), m.To(g.halves[len(g.halves)-1])
	return from != planar.None && (within[from] != nil || within[to] != nil)
}

// fitEach calls f for every group on several goroutines, the longest first.
func fitEach(ctx context.Context, m *planar.Map, gs []*group, workers int, f func(g *group)) error {
	return largestFirst(ctx, len(gs), workers, func(i int) int { return gs[i].cracks(m) }, func(i int) { f(gs[i]) })
}

// linesWithin returns for each of n nodes the first of the lines gs that it lies within, nil if none.
func linesWithin(m *planar.Map, gs []*group, n int) []*group {
	within := make([]*group, n)
	for _, g := range gs {
		for k, h := range g.halves {
			if k == 0 && !g.closed {
				continue
			}
			if n := m.From(h); within[n] == nil {
				within[n] = g
			}
		}
	}
	return within
}

// inTurns parts lines so that each comes after those it ends on. What waits for itself comes last.
func inTurns(m *planar.Map, gs []*group, within []*group) (turns [][]*group) {
	done := make(map[*group]bool, len(gs))
	for left := gs; len(left) > 0; {
		var turn, rest []*group
		for _, g := range left {
			ready := true
			if !g.closed {
				for _, n := range [2]int32{m.From(g.halves[0]), m.To(g.halves[len(g.halves)-1])} {
					if l := within[n]; l != nil && l != g && !done[l] {
						ready = false
					}
				}
			}
			if ready {
				turn = append(turn, g)
			} else {
				rest = append(rest, g)
			}
		}
		if len(turn) == 0 {
			turn, rest = rest, nil
		}
		for _, g := range turn {
			done[g] = true
		}
		turns, left = append(turns, turn), rest
	}
	return turns
}

// largestFirst is inParallel for jobs of very different sizes: the largest are begun first, so that none is left to be
// waited for in the end.
func largestFirst(ctx context.Context, n, workers int, size func(i int) int, f func(i int)) error {
	type job struct{ i, size int }
	jobs := make([]job, n)
	for i := range jobs {
		jobs[i] = job{i, size(i)}
	}
	slices.SortStableFunc(jobs, func(a, b job) int { return cmp.Compare(b.size, a.size) })
	return inParallel(ctx, n, workers, func(k int) { f(jobs[k].i) })
}

// inParallel calls f(0) … f(n-1) on several goroutines, each of which must write to places of its own. It stops early
// when ctx ends, and returns ctx.Err().
func inParallel(ctx context.Context, n, workers int, f func(i int)) error {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range min(workers, n) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n && ctx.Err() == nil; i = int(next.Add(1)) - 1 {
				f(i)
			}
		})
	}
	wg.Wait()
	return ctx.Err()
}

// groupArcs strings the arcs together that run through junctions.
func groupArcs(m *planar.Map, jn junctions) []*group {
	var out []*group
	used := make([]bool, len(m.Arcs))
	for a := range m.Arcs {
		arc := &m.Arcs[a]
		if used[a] || jn.gone[a] || arc.Left == planar.Outside || arc.Right == planar.Outside {
			continue
		}
		h := planar.HalfOf(a, false)
		if arc.From == planar.None {
			used[a] = true
			out = append(out, &group{halves: []planar.Half{h}, closed: true})
			continue
		}
		// Back to where the line begins, or once around.
		start, closed := h, false
		for {
			p := jn.through[start.Twin()]
			if p < 0 {
				break
			}
			start = p.Twin()
			if start == h {
				closed = true
				break
			}
			if start.Arc() == a {
				break
			}
		}
		g := &group{closed: closed}
		for h = start; h >= 0 && !used[h.Arc()]; h = jn.through[h] {
			used[h.Arc()] = true
			g.halves = append(g.halves, h)
		}
		out = append(out, g)
	}
	return out
}

// sampleRuns keeps the samples of a group for the next one.
var sampleRuns = sync.Pool{New: func() any { return new([]fit.Sample) }}

// samplesOf strings the samples of a group in order, in the place of those in room, and tells where each half begins among them.
func (g *group) samplesOf(m *planar.Map, samples [][]edgeSample, jn *junctions, turn float64, room []fit.Sample) (run []fit.Sample, starts []int) {
	total := 0
	for _, h := range g.halves {
		total += len(samples[h.Arc()])
	}
	if run = room[:0]; cap(run) < total {
		run = large.Make[fit.Sample](total)[:0]
	}
	for _, h := range g.halves {
		starts = append(starts, len(run))
		arc := &m.Arcs[h.Arc()]
		s := samples[h.Arc()]
		lo := len(run)
		before, after := jn.clear[planar.HalfOf(h.Arc(), false)], jn.clear[planar.HalfOf(h.Arc(), true)]
		corner, waits := jn.sharp(h, turn)
		last, ends := jn.sharp(h.Twin(), turn)
		for k := range s {
			q := &s[k]
			if h.Backwards() {
				q = &s[len(s)-1-k]
			}
			at := float64(q.at) + 0.5
			far := at // from where the half begins
			if h.Backwards() {
				far = float64(arc.N) - at
			}
			if waits && far > corner.far {
				run, waits = append(run, fit.Sample{Point: corner.at, Weight: 1}), false
			}
			if ends && float64(arc.N)-far <= last.far {
				run, ends = append(run, fit.Sample{Point: last.at, Weight: 1}), false
			}
			// Next to a junction a third colour taints the measure.
			if arc.From != planar.None && arc.N > 5 && (at < before || float64(arc.N)-at < after) {
				continue
			}
			run = append(run, q.Sample)
		}
		run = append(run[:lo], trusted(run[lo:])...)
	}
	return run, append(starts, len(run))
}

// trusted leaves out doubtful samples where enough good ones remain.
func trusted(s []fit.Sample) []fit.Sample {
	good := 0
	for i := range s {
		if s[i].Weight > doubtfulWeight {
			good++
		}
	}
	if good < 3 || good*2 < len(s) {
		return s
	}
	out := s[:0]
	for i := range s {
		if s[i].Weight > doubtfulWeight {
			out = append(out, s[i])
		}
	}
	return out
}

func (g *group) ends(m *planar.Map, nodes []fit.Point) (start, end fit.Point) {
	if n := m.From(g.halves[0]); n != planar.None {
		start = nodes[n]
		end = nodes[m.To(g.halves[len(g.halves)-1])]
	}
	return start, end
}

func (g *group) fit(e *edges, jn *junctions, opt fit.Options) {
	m, nodes := e.m, jn.at
	opt = g.loosened(e, jn.freedom, opt)
	g.loose = opt.Tolerance
	if jn.loose != nil && !slices.ContainsFunc(g.halves, func(h planar.Half) bool { return !jn.loose[h.Arc()] }) {
		opt = jn.hidden
	}
	for _, h := range g.halves {
		opt.Tips = append(opt.Tips, e.tips[h.Arc()]...)
	}
	for _, h := range g.halves {
		for _, h := range [2]planar.Half{h, h.Twin()} {
			if c, ok := jn.sharp(h, opt.Turn); ok {
				opt.Tips = append(opt.Tips, fit.Tip{At: c.at, Out: c.out, End: fit.Pointed, Reach: blunted})
			}
		}
	}
	room := sampleRuns.Get().(*[]fit.Sample)
	defer sampleRuns.Put(room)
	run, starts := g.samplesOf(m, e.samples, jn, opt.Turn, *room)
	*room = run
	start, end := g.ends(m, nodes)
	g.path = fit.Curve(run, g.closed, start, end, opt)
	if more := g.bounded(run, starts, opt.Tips); len(more) > len(run) {
		run = more
		g.path = fit.Curve(run, g.closed, start, end, opt)
	}
	g.ok = g.place(m, run, starts, nodes)
	g.hold(e, run, starts, nodes, opt)
	g.judge(run)
}

// boundSlack and boundNear are how far beyond the bound of a stroke its outline may reach, and how near to it an outline is
// that of the stroke, px.
const boundSlack, boundNear = 0.4, 4.0

// bounded returns the samples with one at the bound of each stroke that the curve leaves, as it can where few samples lie
// about a narrow end. It keeps starts in step.
func (g *group) bounded(run []fit.Sample, starts []int, tips []fit.Tip) []fit.Sample {
	if len(tips) == 0 {
		return run
	}
	near := segmentsNear(g.path.Segments)
	for i := range tips {
		t := &tips[i]
		if t.End != fit.Bounded || !slices.ContainsFunc(near(t.At), func(s int32) bool { return beyond(g.path.Segments[s], t) }) {
			continue
		}
		best, at := math.Inf(1), -1
		for k := 1; k < len(run); k++ {
			a, b := run[k-1].Point, run[k].Point
			if d := a.Sub(t.At).Len() + b.Sub(t.At).Len() - a.Sub(b).Len(); d < best {
				best, at = d, k
			}
		}
		if at < 0 || best > boundNear {
			continue
		}
		run = slices.Insert(slices.Clone(run), at, fit.Sample{Point: t.At, Weight: 1})
		for k := range starts {
			if starts[k] >= at && k > 0 {
				starts[k]++
			}
		}
	}
	return run
}

// segmentsNear returns a function that lists the segments which may come within boundNear of a place.
func segmentsNear(segs []fit.Segment) func(p fit.Point) []int32 {
	const cell = 2 * boundNear
	type square struct{ x, y int }
	at := func(p fit.Point) square { return square{int(math.Floor(p.X / cell)), int(math.Floor(p.Y / cell))} }
	in := map[square][]int32{}
	for k := range segs {
		lo, hi := boundsOf(&segs[k])
		reach := fit.Point{X: boundNear, Y: boundNear}
		a, b := at(lo.Sub(reach)), at(hi.Add(reach))
		for y := a.y; y <= b.y; y++ {
			for x := a.x; x <= b.x; x++ {
				in[square{x, y}] = append(in[square{x, y}], int32(k))
			}
		}
	}
	return func(p fit.Point) []int32 { return in[at(p)] }
}

// beyond reports whether a segment leaves the bound of a stroke.
func beyond(s fit.Segment, t *fit.Tip) bool {
	const steps = 8
	for k := range steps {
		if d := s.At(float64(k) / steps).Sub(t.At); d.Dot(t.Out) > boundSlack && d.Len() < boundNear && math.Abs(d.Cross(t.Out)) < boundNear/2 {
			return true
		}
	}
	return false
}

// Where paints differ little, grain and light throw the samples of an edge about by more than the hand's wobble: it is fitted
// by its own noise, up to mostLoose px from its samples, and its corners are looked for in windows that are wider by
// ownScale for every px of noise, ownScaleMost times as wide as those of digital pictures at most.
const (
	mostLoose    = 5.0
	ownScale     = 1.5
	ownScaleMost = 3.0
	// looseShare is how far a curve leaves its samples at worst, in tolerances.
	looseShare = 1.5
)

// ownNoise returns the noise of the group's samples on paper, px; 0 for digital pictures.
func (g *group) ownNoise(e *edges) float64 {
	if e.own == nil {
		return 0
	}
	sum, n := 0.0, 0
	for _, h := range g.halves {
		k := len(e.samples[h.Arc()])
		sum += float64(e.own[h.Arc()] * float64(k))
		n += k
	}
	return sum / float64(max(1, n))
}

// loosened allows for the doubt about the group's samples.
func (g *group) loosened(e *edges, freedom float64, opt fit.Options) fit.Options {
	doubt := 0.0
	for _, h := range g.halves {
		doubt = max(doubt, e.doubt[h.Arc()])
	}
	opt.Tolerance = max(opt.Tolerance, float64(doubtTolerance*doubt)*freedom)
	opt.Scale = max(opt.Scale, min(doubtScaleMost, 1+doubtScale*doubt))
	if e.digital {
		opt.Noise = max(opt.Noise, doubtNoise*doubt)
	} else if own := g.ownNoise(e); own > opt.Noise {
		opt.Tolerance = max(opt.Tolerance, min(mostLoose, onPaper(own))*freedom)
		opt.Scale = max(opt.Scale, min(ownScaleMost, 1+float64(ownScale*own)))
		opt.Noise = own
	}
	return opt
}

// refit fits a line again whose ends have moved, and keeps the first curve where the second one fails.
func (g *group) refit(e *edges, jn *junctions, opt fit.Options) {
	old := *g
	if g.fit(e, jn, opt); !g.ok {
		*g = old
	}
}

// place finds the parameters of the group's junctions on its curve.
func (g *group) place(m *planar.Map, run []fit.Sample, starts []int, nodes []fit.Point) bool {
	n := len(g.path.Segments)
	if n == 0 {
		return false
	}
	single := len(g.halves) == 1
	if single && (!g.closed || m.From(g.halves[0]) == planar.None) {
		g.cuts = []float64{0, float64(n)}
		return true
	}
	// Expected places by length, so that a curve that comes near itself is not mistaken.
	length := make([]float64, len(run)+1)
	for i := 1; i < len(run); i++ {
		length[i] = length[i-1] + run[i].Sub(run[i-1].Point).Len()
	}
	total := 0.0
	if len(run) > 0 {
		total = length[len(run)-1]
		if g.closed {
			total += run[0].Sub(run[len(run)-1].Point).Len()
		}
	}
	segEnd := make([]float64, n+1)
	for i, s := range g.path.Segments {
		segEnd[i+1] = segEnd[i] + s.Length()
	}
	if total == 0 || segEnd[n] == 0 {
		return false
	}
	scale := segEnd[n] / total
	g.cuts = make([]float64, 0, len(g.halves)+1) // old ones may have to stand
	for k, h := range g.halves {
		if k == 0 && !g.closed {
			g.cuts = append(g.cuts, 0)
			continue
		}
		p := nodes[m.From(h)]
		i := min(starts[k], len(run)-1)
		want := length[i] * scale
		slack := 6 + 0.1*segEnd[n]
		if !g.closed && m.From(h) == m.To(g.halves[len(g.halves)-1]) { // the line ends on itself, here
			slack = min(slack, (segEnd[n]-want)/2)
		}
		u, d := nearestAlong(g.path, segEnd, p, want, slack, g.closed)
		if d > 1.2 {
			return false
		}
		g.cuts = append(g.cuts, u)
	}
	if g.closed {
		for k := 1; k < len(g.cuts); k++ {
			if g.cuts[k] < g.cuts[0] {
				g.cuts[k] += float64(n)
			}
		}
		g.cuts = append(g.cuts, g.cuts[0]+float64(n))
	} else {
		g.cuts = append(g.cuts, float64(n))
	}
	for k := 1; k < len(g.cuts); k++ {
		if g.cuts[k] <= g.cuts[k-1]+1e-6 {
			return false
		}
	}
	return true
}

// jointReach is how near to a joint of its curve a junction is put on the joint, px.
const jointReach = 0.3

// nearestAlong returns the curve parameter nearest to p among those whose length along the path lies within slack of
// want, and the distance. A place within jointReach of a joint is put on it, to spare a sliver of a segment.
func nearestAlong(path fit.Path, segEnd []float64, p fit.Point, want, slack float64, closed bool) (u, d float64) {
	n := len(path.Segments)
	total := segEnd[n]
	d = math.Inf(1)
	for i := range path.Segments {
		lo, hi := segEnd[i], segEnd[i+1]
		near := lo <= want+slack && hi >= want-slack
		if closed && !near {
			near = lo <= want+slack-total || hi >= want-slack+total
		}
		if !near {
			continue
		}
		if t, e := path.Segments[i].Nearest(p); e < d {
			u, d = float64(i)+t, e
		}
	}
	if r := math.Round(u); math.Abs(u-r) < 0.2 {
		i := min(int(u), n-1)
		if math.Abs(u-r)*(segEnd[i+1]-segEnd[i]) < jointReach {
			u = r
		}
	}
	if closed && u >= float64(n) {
		u -= float64(n)
	}
	return u, d
}

// judge measures how far the samples lie from the curve.
func (g *group) judge(run []fit.Sample) {
	g.worst, g.sum, g.count = 0, 0, 0
	if len(g.path.Segments) == 0 {
		return
	}
	along := fit.NewWalk(g.path)
	for i := range run {
		if run[i].Weight <= doubtfulWeight {
			continue
		}
		off := along.Distance(run[i].Point)
		g.sum += off
		g.count++
		if off > g.worst {
			g.worst, g.worstAt = off, run[i].Point
		}
	}
}

// at returns the point at curve parameter u.
func (g *group) at(u float64) fit.Point {
	n := len(g.path.Segments)
	i := int(math.Floor(u))
	t := u - float64(i)
	if i >= n {
		if !g.closed {
			return g.path.Segments[n-1].P[3]
		}
		i %= n
	}
	if t == 0 {
		return g.path.Segments[i].P[0]
	}
	return g.path.Segments[i].At(t)
}

// placeOnLines puts the junctions within joined lines onto their curves and tells which moved by more than a
// hundredth of a pixel.
func placeOnLines(m *planar.Map, gs []*group, nodes []fit.Point) []bool {
	moved := make([]bool, len(nodes))
	placed := make([]bool, len(nodes))
	for _, g := range gs {
		for k, h := range g.halves {
			if k == 0 && !g.closed {
				continue
			}
			n := m.From(h)
			if placed[n] { // two lines cross: the first one has it
				continue
			}
			placed[n] = true
			p := g.at(g.cuts[k])
			if p.Sub(nodes[n]).Len() > 0.01 {
				moved[n] = true
			}
			nodes[n] = p
		}
	}
	return moved
}

// cut parts a group's curve at its junctions.
func (o *outlines) cut(m *planar.Map, g *group) {
	n := len(g.path.Segments)
	if n == 0 || len(g.cuts) != len(g.halves)+1 {
		return
	}
	base := int32(len(o.parents))
	o.parents = append(o.parents, g.path.Segments...)
	for k, h := range g.halves {
		var pieces []piece
		for u := g.cuts[k]; u < g.cuts[k+1]-1e-9; {
			i := int(math.Floor(u))
			v := min(float64(i+1), g.cuts[k+1])
			s := g.path.Segments[i%n]
			t0, t1 := u-float64(i), v-float64(i)
			if t0 > 0 || t1 < 1 {
				s = s.Sub(t0, t1)
			}
			pieces = append(pieces, piece{Segment: s, parent: base + int32(i%n), t0: t0, t1: t1})
			u = v
		}
		if h.Backwards() {
			pieces = reversed(pieces)
		}
		o.arcs[h.Arc()] = pieces
	}
}

// reversed returns pieces run backwards.
func reversed(ps []piece) []piece {
	out := make([]piece, len(ps))
	for i, p := range ps {
		out[len(ps)-1-i] = piece{Segment: p.Segment.Reverse(), parent: p.parent, t0: p.t1, t1: p.t0}
	}
	return out
}

// pinEnds makes every arc begin and end exactly at its nodes, so that rings close without a gap.
func (o *outlines) pinEnds(m *planar.Map) {
	for a := range m.Arcs {
		arc := &m.Arcs[a]
		ps := o.arcs[a]
		if arc.From == planar.None || len(ps) == 0 {
			continue
		}
		if d := o.nodes[arc.From].Sub(ps[0].P[0]); d != (fit.Point{}) {
			moveStart(&ps[0], o.nodes[arc.From], d)
		}
		last := &ps[len(ps)-1]
		if d := o.nodes[arc.To].Sub(last.P[3]); d != (fit.Point{}) {
			last.Segment = last.Segment.Reverse()
			moveStart(last, o.nodes[arc.To], d)
			last.Segment = last.Segment.Reverse()
		}
	}
}

func moveStart(p *piece, to, d fit.Point) {
	if d.Len() > 1e-6 {
		p.parent = -1
	}
	if p.Line {
		p.Segment = fit.LineTo(to, p.P[3])
		return
	}
	p.P[0], p.P[1] = to, p.P[1].Add(d)
}

// frame draws the arcs along the picture's frame, and any arc whose curve could not be fitted, as straight lines from
// turn to turn of its cracks.
func (o *outlines) frame(m *planar.Map, gone []bool) {
	for a := range m.Arcs {
		arc := &m.Arcs[a]
		if len(o.arcs[a]) > 0 || gone[a] {
			continue
		}
		dirs := m.Dirs[arc.Off : arc.Off+arc.N]
		x, y := int(arc.X), int(arc.Y)
		at := fit.Point{X: float64(x), Y: float64(y)}
		if arc.From != planar.None {
			at = o.nodes[arc.From]
		}
		for k, d := range dirs {
			x += planar.DX[d]
			y += planar.DY[d]
			last := k == len(dirs)-1
			if !last && dirs[k+1] == d {
				continue
			}
			to := fit.Point{X: float64(x), Y: float64(y)}
			if last && arc.To != planar.None {
				to = o.nodes[arc.To]
			}
			if to != at {
				o.arcs[a] = append(o.arcs[a], piece{Segment: fit.LineTo(at, to), parent: int32(len(o.parents)), t0: 0, t1: 1})
				o.parents = append(o.parents, fit.LineTo(at, to))
			}
			at = to
		}
	}
}
