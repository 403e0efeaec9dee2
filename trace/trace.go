// Package trace is the engine's face: a picture and options in, a Drawing and a report out, stage by stage. It reads
// no files and writes none; svgout turns a Drawing into SVG. Every stage is a pure function of the one before and of
// the options that concern it. Most callers need only Trace; a Tracer keeps the stages of one picture, so that a
// changed option reruns from the first stage it concerns.
package trace

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"time"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/quantize/large"
	"pochoir/trace/internal/planar"
	"pochoir/trace/paper"
)

// Result is a drawing and what is to be said of its making.
type Result struct {
	Drawing *Drawing
	Report  Report
}

// Report describes one trace. Deviations are distances of the measured edge positions from the drawn curves.
type Report struct {
	Kind      paper.Kind
	Medium    quantize.Medium
	Palette   []quantize.Swatch // as found, the dropped paper included
	Ground    int               // index of the dropped paper in Palette, -1 if none
	Layers    int
	Shapes    int
	Segments  int
	Dust      int       // specks dissolved
	Marks     []Mark    // small areas, smallest first, those that were dissolved too
	Worst     float64   // px
	WorstAt   fit.Point // px
	Mean      float64   // px
	EdgeNoise float64   // px, standard deviation of the measured positions
	Tolerance float64   // px, as used
	Paper     *Paper    // nil for a digital picture
	Flats     []LaidFlat
	Gap       float64  // px: the widest break bridged for laying flats; 0 where none were laid
	Bridges   []Bridge // breaks in the ink that were closed for laying flats
	Notes     []string // on the sheet and on what was left out, one line each
	Stages    []StageTime
}

// Paper is what was measured of a picture of paper.
type Paper struct {
	Straightened bool
	Proportion   string           // of a straightened sheet; see paper.Sheet
	Width        int              // of the clean sheet, px
	Height       int              // of the clean sheet, px
	Homography   paper.Homography // from px of the picture to px of the clean sheet
	Noise        float64          // standard deviation on even paper, 8-bit levels
	Blur         float64          // standard deviation of the blur of edges, px of the clean sheet
	LightRange   float64          // brightest over darkest light
	ShadowFound  bool
}

// StageTime is how long one stage took; a stage whose result was kept from the last run is missing.
type StageTime struct {
	Name string
	Took time.Duration
}

// Trace turns a picture into a drawing. It returns ctx.Err() when ctx ends, or an error that says what is wrong with
// the options or the picture.
func Trace(ctx context.Context, pic *paper.Picture, opt Options) (*Result, error) {
	t := NewTracer(pic)
	t.Last(nil)
	return t.Trace(ctx, opt)
}

// Tracer keeps the results of the stages for one picture between calls. It must not be used by two goroutines at once.
type Tracer struct {
	pic   *paper.Picture
	once  bool // the picture may go when its sheet is made
	last  bool // and the pixels of the sheet when the last stage has read them
	spent bool // the last call has begun
	freed func()

	sheet    *paper.Sheet
	sheetKey sheetKey
	flats    *quantize.Flats
	flatsKey flatsKey
	edges    *edges
	edgesKey edgesKey

	outlines  *outlines
	curvesKey curvesKey
}

// What each stage depends on, beside the stage before.
type (
	sheetKey struct{ opt paper.Options }
	flatsKey struct {
		sheetKey
		colours  int
		palette  string
		medium   quantize.Medium
		swatches string
	}
	edgesKey struct {
		flatsKey
		dust    float64
		lone    bool
		touches string
		ink     string
	}
	curvesKey struct {
		edgesKey
		fit string
	}
)

// edges is the planar map of a picture and the measured positions of its boundaries.
type edges struct {
	flats   *quantize.Flats // after what was touched up by hand
	m       *planar.Map
	samples [][]edgeSample
	noise   float64   // px
	own     []float64 // by arc: noise of its own samples on paper, px; nil for digital pictures, where doubt tells
	hand    float64   // by how much the hand wobbled that drew, px, about; 0 for digital pictures
	doubt   []float64 // by arc: error of its samples that low contrast leaves, px; 0 in pictures coded without loss
	dust    int       // specks dissolved
	grain   float64   // the smallest mark kept, px across: more than asked for where there were too many
	evened  bool      // there was noise, and it was evened out
	marks   []Mark
	dots    [][]fit.Segment
	tips    [][]fit.Tip // by arc, ends of narrow strokes
	seen    bool        // the map's labels are those of the pixels
	digital bool        // the picture is no capture of paper
	mixed   [][]mixed   // by band, once curves have been held to them
}

// NewTracer returns a Tracer for pic, which must not change while the Tracer is in use.
func NewTracer(pic *paper.Picture) *Tracer { return &Tracer{pic: pic} }

// Once says that Trace will be called with one set of options for the sheet only. The picture is let go when it has been
// read, which saves its memory, and a later change of those options, or a call after one that failed, is an error.
func (t *Tracer) Once() { t.once = true }

// Last says that Trace will be called only once more. The picture and the pixels of the sheet are let go as soon as no
// stage needs them, which saves memory, and then freed is called, unless nil; a later call is an error.
func (t *Tracer) Last(freed func()) { t.once, t.last, t.freed = true, true, freed }

// Trace is like the function Trace, and skips the stages that no option changed has touched.
func (t *Tracer) Trace(ctx context.Context, opt Options) (*Result, error) {
	if err := opt.check(); err != nil {
		return nil, err
	}
	if t.spent {
		return nil, errors.New("trace: the picture is gone: this tracer was to be used only once")
	}
	t.spent = t.last
	workers := opt.Workers
	if workers == 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	res := &Result{}
	r := &res.Report
	clock := time.Now()
	lap := func(name string) error {
		r.Stages = append(r.Stages, StageTime{name, time.Since(clock)})
		clock = time.Now()
		return ctx.Err()
	}

	popt := opt.Sheet
	popt.Workers = 0
	sk := sheetKey{popt}
	if t.sheet == nil || t.sheetKey != sk {
		if t.pic == nil {
			return nil, errors.New("trace: the picture is gone: its sheet was to be made only once")
		}
		popt.Workers, popt.Spent = workers, t.once
		pic := t.pic
		if t.once {
			t.pic = nil
		}
		sheet, err := paper.Prepare(ctx, pic, popt)
		if err != nil {
			return nil, err
		}
		if t.once {
			sheet.Forget()
		}
		t.sheet, t.sheetKey, t.flats, t.edges = sheet, sk, nil, nil
		if err := lap("sheet"); err != nil {
			return nil, err
		}
	}
	fk := flatsKey{sk, opt.Colours, fmt.Sprint(opt.Palette), opt.Medium, fmt.Sprint(opt.Locked, opt.Pours)}
	if t.flats == nil || t.flatsKey != fk {
		flats, err := quantise(t.sheet, opt, workers, t.last)
		if err != nil {
			return nil, err
		}
		t.flats, t.flatsKey, t.edges = flats, fk, nil
		if err := lap("colours"); err != nil {
			return nil, err
		}
	}
	dust := opt.dust(t.sheet)
	touches := onSheet(opt.Touches, t.sheet)
	var lay *flatwork
	if opt.lays() {
		at := make([]fit.Point, len(opt.Flats))
		for i, c := range opt.Flats {
			at[i] = t.sheet.Homography.Apply(c.At)
		}
		var err error
		if lay, err = layFlats(touchUp(t.flats, touches), &opt, at, dust); err != nil {
			return nil, err
		}
		if err := lap("flats"); err != nil {
			return nil, err
		}
	}
	// In a picture coded without loss a single pixel that differs from all around it is a mark of its own.
	lone := opt.Dust == nil && t.sheet.Kind == paper.Digital && !t.sheet.Lossy
	// On paper a speck far from all that is drawn is dirt.
	stray := opt.Dust == nil && t.sheet.Kind != paper.Digital
	ek := edgesKey{fk, dust, lone || stray, areaKey(touches), lay.inkKey()}
	if t.edges == nil || t.edgesKey != ek {
		from := touchUp(t.flats, touches)
		if lay != nil && opt.Ink != InkDrawn {
			from = lay.shown
		}
		e, err := measureEdges(ctx, from, t.sheet.Kind == paper.Digital, dust, lone, stray, placesOf(touches, Keep), workers)
		if err != nil {
			return nil, err
		}
		e.hand = handOf(t.sheet)
		t.edges, t.edgesKey = e, ek
		if err := lap("edges"); err != nil {
			return nil, err
		}
	}
	var misses []string
	if len(opt.Palette) > 0 {
		misses = misfits(t.flats)
	}
	if t.last && lay == nil && !t.edges.asked() {
		t.forgetPixels()
	}
	fopt := opt.fit(t.sheet, t.edges.noise)
	// Where nothing but lines was drawn, no side of an area was meant to be straight.
	fopt.Freehand = fopt.Freehand && t.flats.Medium != quantize.MediumLine
	fopt.Sharp, fopt.Smooth = placesOf(touches, Corner), placesOf(touches, Smooth)
	ck := curvesKey{ek, fmt.Sprint(fopt)}
	if t.outlines == nil || t.curvesKey != ck {
		ahead(t.sheet.W, t.sheet.H)
		jn, err := findJunctions(ctx, t.edges, workers)
		if err != nil {
			return nil, err
		}
		jn.freedom = opt.freedom()
		lay.hideCuts(t.edges.m, &jn, fopt)
		o, err := fitOutlines(ctx, t.edges, jn, fopt, workers)
		if err != nil {
			return nil, err
		}
		t.outlines, t.curvesKey = o, ck
		if err := lap("curves"); err != nil {
			return nil, err
		}
	}
	if t.last && lay == nil {
		t.forgetPixels()
	}
	o := t.outlines
	var err error
	if lay != nil {
		res.Drawing, r.Flats, err = lay.drawing(ctx, t.edges.m, o, fopt, workers)
	} else {
		res.Drawing, err = newStack(t.edges, o, opt, workers).drawing(ctx, t.edges.flats, workers)
	}
	if err != nil {
		return nil, err
	}
	res.Drawing.DPI = t.sheet.DPI
	recoloured(res.Drawing, opt.Colourway)
	if err := lap("layers"); err != nil {
		return nil, err
	}

	r.Kind, r.Medium, r.Notes = t.sheet.Kind, t.flats.Medium, t.sheet.Notes
	if s := t.sheet; s.Kind != paper.Digital {
		r.Paper = &Paper{s.Straightened, s.Proportion, s.W, s.H, s.Homography, s.Noise, s.Blur, s.LightRange, s.ShadowFound}
	}
	r.Palette, r.Ground = t.edges.flats.Palette, t.edges.flats.Ground
	r.Notes = append(slices.Clip(r.Notes), misses...)
	if lay != nil {
		r.Notes, r.Gap, r.Bridges = append(slices.Clip(r.Notes), lay.notes...), lay.areas.Gap, lay.bridges()
	} else if opt.lays() {
		r.Notes = append(slices.Clip(r.Notes), noInk)
	}
	if t.edges.evened {
		r.Notes = append(slices.Clip(r.Notes), "too much detail to draw: single pixels evened out")
	}
	if t.edges.grain > dust {
		r.Notes = append(slices.Clip(r.Notes), fmt.Sprintf("too much detail to draw: marks below %.1f px left out", t.edges.grain))
	}
	if opt.KeepPaper {
		r.Ground = -1
	}
	r.Layers = len(res.Drawing.Layers)
	for _, l := range res.Drawing.Layers {
		r.Shapes += len(l.Shapes)
		for _, s := range l.Shapes {
			for _, ring := range s.Rings {
				r.Segments += len(ring.Segments)
			}
		}
	}
	r.Dust, r.Marks = t.edges.dust, t.edges.marks
	r.Worst, r.WorstAt, r.Mean = o.worst, o.worstAt, o.mean
	r.EdgeNoise, r.Tolerance = t.edges.noise, fopt.Tolerance
	return res, nil
}

// forgetPixels lets go of what only stages before the layers read.
func (t *Tracer) forgetPixels() {
	t.sheet.Pix, t.sheet.Mosaic, t.sheet.Clear = nil, nil, nil
	t.flats.Forget()
	t.edges.flats.Forget()
	t.edges.mixed = nil
	if t.freed != nil {
		t.freed()
		t.freed = nil
	}
}

// asked reports whether the curves will be held to the pixels.
func (e *edges) asked() bool {
	if e.flats.Unrung() {
		return true
	}
	for a := range e.m.Arcs {
		if len(e.samples[a]) > 0 && e.doubt[a] == 0 {
			return true
		}
	}
	return false
}

// Sheet returns the straightened sheet of the last call of Trace, nil before the first.
func (t *Tracer) Sheet() *paper.Sheet { return t.sheet }

// quantise reduces a sheet to its palette; once says that nobody will look at its pixels again.
func quantise(s *paper.Sheet, opt Options, workers int, once bool) (*quantize.Flats, error) {
	px := quantize.Pixels{W: s.W, H: s.H, Pix: s.Pix, Mosaic: s.Mosaic, Clear: s.Clear, Lossy: s.Lossy, Subsampled: s.Subsampled, Luma: s.Luma}
	qopt := quantize.Options{Colours: opt.Colours, Palette: opt.Palette, Medium: opt.Medium, Workers: workers, Spent: once && len(opt.Locked) == 0}
	flatten := func() (*quantize.Flats, error) {
		if s.Kind == paper.Digital {
			return quantize.Flatten(px, qopt)
		}
		return quantize.FlattenPaper(px, s.Noise, s.Blur, qopt)
	}
	f, err := flatten()
	if err == nil && len(opt.Locked) > 0 && len(opt.Palette) == 0 {
		qopt.Palette, qopt.Medium = withLocked(f.Palette, opt.Locked), f.Medium
		f, err = flatten()
	}
	if err != nil {
		return nil, err
	}
	return poured(f, opt.Pours), nil
}

// maxDissolveRounds bounds how often specks are looked for again after their neighbours have changed.
const maxDissolveRounds = 3

// mostArcs returns how many boundaries a picture of w x h pixels may have. No drawing comes near it: a picture that has
// more is noise or a photograph, and drawing it all would take minutes and help nobody.
func mostArcs(w, h int) int { return max(15_000, min(250_000, w*h/100)) }

// ahead has the small things that come next lie in large pages, in pictures whose edges come to megabytes of them.
func ahead(w, h int) {
	if w*h >= manySmall {
		large.Begin()
	}
}

// manySmall is the size of such a picture, px.
const manySmall = 1 << 22

// measureEdges builds the planar map, dissolves dust, save the marks at the places to keep and, if asked to, lone pixels but not
// stray specks, and measures every boundary. It returns ctx.Err() when ctx ends.
func measureEdges(ctx context.Context, f *quantize.Flats, digital bool, dust float64, lone, stray bool, keep []fit.Point, workers int) (*edges, error) {
	ahead(f.W, f.H)
	saddle := func(x, y int, a, b, c, d uint8) planar.SaddleKind { return joinSaddle(f, x, y, a, b, c, d) }
	var builder planar.Builder
	defer builder.Restore() // the labels are the caller's
	times := 0
	for joints := builder.Mark(f.Labels, f.W, f.H, saddle, workers); joints > mostJoints(f.W, f.H) && times < mostEvened; times++ {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		f = evened(f, workers)
		joints = builder.Mark(f.Labels, f.W, f.H, saddle, workers)
	}
	m := builder.Faces()
	lone = lone && times == 0
	e := &edges{flats: f, digital: digital, marks: marksOf(m, f, lone), evened: times > 0}
	e.grain = dust
	for round := 0; ; {
		kept := keptFaces(m, keep)
		small := func(face *planar.Face) bool {
			if stray && !kept[face] && isStray(m, f, face) {
				return true
			}
			return dustOf(face) <= e.grain && !kept[face] && !(lone && e.grain == dust && isLone(f, face))
		}
		gone := 0
		if slices.ContainsFunc(m.Faces, func(face planar.Face) bool { return small(&face) }) {
			m, gone = builder.Dissolve(small, func(face *planar.Face, to uint8, shared int) float64 {
				// The longest common border hides a speck best; the nearest colour breaks near ties.
				de := f.Palette[face.Label].Colour.Difference(f.Palette[to].Colour)
				return de / (10 + de) / float64(shared)
			})
		}
		e.dust += gone
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if round++; gone > 0 && round < maxDissolveRounds {
			continue
		}
		m = builder.Finish()
		if len(m.Arcs) <= mostArcs(f.W, f.H) || e.grain > float64(max(f.W, f.H)) {
			break
		}
		builder.Mark(f.Labels, f.W, f.H, saddle, workers)
		m = builder.Faces()
		e.grain, round = 1.5*max(1, e.grain), 0
	}
	e.m, e.seen = m, true
	meter := newEdgeMeter(f, m)
	meter.coded = digital && f.Noise > 0
	e.samples = make([][]edgeSample, len(m.Arcs))
	e.dots = make([][]fit.Segment, len(m.Arcs))
	e.doubt = make([]float64, len(m.Arcs))
	e.tips = make([][]fit.Tip, len(m.Arcs))
	size := func(i int) int { return int(m.Arcs[i].N) }
	each := make([]hardness, len(m.Arcs))
	err := largestFirst(ctx, len(m.Arcs), workers, size, func(i int) {
		if d := meter.dot(i); d != nil {
			e.dots[i] = d
			return
		}
		e.samples[i], each[i] = meter.measure(&m.Arcs[i])
	})
	if err != nil {
		return nil, err
	}
	ahead(f.W, f.H)
	var all hardness
	for i := range each {
		all.add(each[i])
	}
	err = largestFirst(ctx, len(m.Arcs), workers, size, func(i int) {
		a := &m.Arcs[i]
		if e.dots[i] != nil || a.Left == planar.Outside || a.Right == planar.Outside {
			return
		}
		e.doubt[i] = f.Doubt(m.Faces[a.Left].Label, m.Faces[a.Right].Label)
		if e.evened {
			e.doubt[i] = max(e.doubt[i], evenedDoubt)
		}
		if each[i].hard(all) {
			e.samples[i], e.doubt[i] = meter.measureHard(a), max(e.doubt[i], hardDoubt)
			return
		}
		ends := meter.tips(a)
		if ends = meter.withBroad(a, e.samples[i], ends); len(ends) > 0 {
			e.samples[i] = withEnds(e.samples[i], a, ends)
			for k := range ends {
				e.tips[i] = append(e.tips[i], ends[k].Tip)
			}
		}
		var steps []fit.Tip
		e.samples[i], steps = withSteps(e.samples[i], meter.pairOf(m.Faces[a.Left].Label, m.Faces[a.Right].Label))
		e.tips[i] = append(e.tips[i], steps...)
	})
	if err != nil {
		return nil, err
	}
	sample := func(s *edgeSample) fit.Sample { return s.Sample }
	e.noise = fit.Noise(e.samples, sample, workers)
	if !digital {
		e.own = make([]float64, len(m.Arcs))
		err = largestFirst(ctx, len(m.Arcs), workers, size, func(i int) { e.own[i] = fit.Noise(e.samples[i:i+1], sample, 1) })
	}
	return e, err
}

// joinSaddle joins the diagonal pair of pixels whose colour covers more of the four around a vertex.
func joinSaddle(f *quantize.Flats, x, y int, a, b, c, d uint8) planar.SaddleKind {
	at := [4]int{(y-1)*f.W + x - 1, (y-1)*f.W + x, y*f.W + x - 1, y*f.W + x}
	sum := 0.0
	switch {
	case a == d && b == c:
		// What belongs to a line along one diagonal does not join along the other.
		besideA := laneEnds(f, x-1, y-1, 1, 1, a, b) || laneEnds(f, x, y, -1, -1, a, b)
		besideB := laneEnds(f, x, y-1, -1, 1, b, a) || laneEnds(f, x-1, y, 1, -1, b, a)
		if besideA != besideB {
			if besideA {
				return planar.Rising
			}
			return planar.Falling
		}
		// A pixel that has the label of its smaller share lies on a line, which stays whole.
		if f.Coverage(at[0], a, b) < surelyLess || f.Coverage(at[3], a, b) < surelyLess {
			return planar.Falling
		}
		if f.Coverage(at[1], b, a) < surelyLess || f.Coverage(at[2], b, a) < surelyLess {
			return planar.Rising
		}
		// A line in either direction is told by the pixels beyond: whole to both sides of the other's, its own ahead.
		if beyond, ok := beyondSaddle(f, x, y, a, b); ok && math.Abs(beyond-2) > saddleDoubt {
			if beyond < 2 {
				return planar.Falling
			}
			return planar.Rising
		}
		for _, i := range at {
			sum += f.Coverage(i, a, b)
		}
		if sum > 2 {
			return planar.Falling
		}
		return planar.Rising
	case a == d:
		if onRim(f, at[0], at[3], a, b, c) {
			return planar.Falling
		}
		sum = f.Coverage(at[0], a, b) + f.Coverage(at[3], a, b) + f.Coverage(at[1], a, b) + f.Coverage(at[2], a, c)
		if sum > 2 {
			return planar.Falling
		}
	case b == c:
		if onRim(f, at[1], at[2], b, a, d) {
			return planar.Rising
		}
		sum = f.Coverage(at[1], b, a) + f.Coverage(at[2], b, a) + f.Coverage(at[0], b, a) + f.Coverage(at[3], b, d)
		if sum > 2 {
			return planar.Rising
		}
	}
	return planar.Apart
}

// onRim reports whether pixels i and j, diagonal to each other, lie on a rim of label a between areas of b and c, in a
// picture without noise. Two pixels that are nearly all a's may be corners of two areas instead, and what shows no more
// of a than a seam does is none.
func onRim(f *quantize.Flats, i, j int, a, b, c uint8) bool {
	if f.Noise > 0 {
		return false
	}
	var sum, seam float64
	least := 1.0
	for _, p := range [2]int{i, j} {
		own, sb, sc, ok := sharesAt(f, p, a, b, c)
		if !ok {
			return false
		}
		least = min(least, own)
		sum += own
		seam += quantize.Seam(sb, sc)
	}
	return least < wholeShare && sum > seam
}

// wholeShare is the share of a pixel from which on it may be all of one label. A diagonal rim of 0.7 px across, which
// leaves more to its label than the mean share in which joinSaddle takes it for whole, covers 0.75 of a pixel at most.
const wholeShare = 0.8

// surelyLess is the share of its own label below which a pixel beside a saddle surely lies on a line: where three colours
// meet, shares nearer one half say little.
const surelyLess = 0.4

// saddleDoubt is by how many pixels the shares beyond a saddle must differ from half to tell which of its labels is the
// narrower: noise leaves a tenth at each of the four.
const saddleDoubt = 0.2

// laneEnds reports whether pixel (x, y), from which the diagonal (dx, dy) leads across a saddle to another one of label a, lies on a
// line along the other diagonal, that is, more of a lies beside it there than behind it: to both sides, or to one where that line
// ends and the other pixel lies along the edge of an area.
func laneEnds(f *quantize.Flats, x, y, dx, dy int, a, b uint8) bool {
	if x < 2 || y < 2 || x+2 >= f.W || y+2 >= f.H {
		return false
	}
	share := func(x, y int) float64 {
		i := y*f.W + x
		if l := f.Labels[i]; l != a && l != b {
			return math.NaN()
		}
		return f.Coverage(i, a, b)
	}
	least := share(x-dx, y-dy) + saddleDoubt
	one, two := share(x-dx, y+dy), share(x+dx, y-dy)
	if min(one, two) > least {
		return true
	}
	return max(one, two) > least && min(share(x, y+2*dy), share(x+2*dx, y)) > saddleDoubt
}

// beyondSaddle returns how much of the four pixels beyond the diagonals of a vertex label a covers, px; ok is false where
// one of them has another label than a and b.
func beyondSaddle(f *quantize.Flats, x, y int, a, b uint8) (sum float64, ok bool) {
	if x < 2 || y < 2 || x+2 > f.W || y+2 > f.H {
		return 0, false
	}
	for _, i := range [4]int{(y-2)*f.W + x - 2, (y-2)*f.W + x + 1, (y+1)*f.W + x - 2, (y+1)*f.W + x + 1} {
		if l := f.Labels[i]; l != a && l != b {
			return 0, false
		}
		sum += f.Coverage(i, a, b)
	}
	return sum, true
}
