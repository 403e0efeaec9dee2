// Package paper owns Picture, upright sRGB pixels and what is known of them, and turns a picture of paper into a clean
// sheet: found on the desk and straightened, evenly lit. It does not read files and does
// not look for colours or outlines. A digital picture passes through untouched. All functions are safe to call
// concurrently as long as nobody changes the picture. Most callers need only Prepare.
package paper

import (
	"context"
	"errors"
	"fmt"
	"math"

	"pochoir/fit"
	"pochoir/quantize/large"
)

// SheetMode says how the sheet is found.
type SheetMode int

const (
	SheetAuto    SheetMode = iota // look for it; straighten only when sure
	SheetOff                      // take the whole picture as it is
	SheetCorners                  // take Options.Corners
)

// Options steer Prepare. The zero value does the right thing for every kind of picture. None has any effect on a digital
// picture.
type Options struct {
	Sheet SheetMode
	// Corners of the sheet in px of the picture, in any order, read with SheetCorners. They must form a convex
	// quadrilateral.
	Corners    [4]fit.Point
	KeepLight  bool // leave the light as it is
	KeepRuled  bool // leave printed ruling and folds in
	KeepPencil bool // leave pencil and pale blue under ink in
	KeepHoles  bool // leave punched holes and the binding of a pad in
	KeepBack   bool // leave what shows through from the back in
	Page       bool // of several drawings, which are cut out and made larger one by one if need be
	Kind       Kind // overrides what is found; KindAuto finds out
	// Spent says that nobody will develop the sheet again in part: Prepare lets go of the picture when it has read it, which
	// saves memory for the steps that follow.
	Spent   bool
	Workers int // goroutines; 0 means runtime.GOMAXPROCS(0). The result does not depend on it
}

// Sheet is a clean sheet. For a digital picture it is that picture, its pixels shared and not copied; otherwise bare
// paper is white but for Noise, and every colour is its true one on white paper. Mixtures at edges are true in linear
// light, as in any photograph.
type Sheet struct {
	Picture
	Kind         Kind       // never KindAuto
	Homography   Homography // maps px of the picture to px of the sheet
	Straightened bool
	Proportion   string  // of a straightened sheet: "ISO 216 1:√2", "US letter 11:8.5", "measured 1.33"; else empty
	Noise        float64 // standard deviation on even paper before clipping at white, 8-bit levels; 0 for digital
	Blur         float64 // standard deviation of the blur of edges on the sheet beyond the pixel's box, px; 0 for digital
	LightRange   float64 // brightest over darkest light on the sheet, >= 1
	ShadowFound  bool
	Drawn        float64  // long side of what is drawn, px of the sheet, about; its own long side where that is not known
	Notes        []string // one line for each step, for people

	developed *developer // how the pixels were made; nil for digital
	blank     *blankMap  // what is white since then; nil where nothing is known
	dropped   bool       // ruling or pencil was taken out of them since
}

// Prepare turns a picture into a clean sheet. It fails only for a picture whose size and pixels disagree, for corners
// that are no convex quadrilateral, and with the context's error when that ends first.
func Prepare(ctx context.Context, pic *Picture, opt Options) (*Sheet, error) {
	if pic.W <= 0 || pic.H <= 0 || pic.len() != pic.W*pic.H {
		return nil, fmt.Errorf("paper: %s: %d pixels do not make %d×%d", pic.Name, pic.len(), pic.W, pic.H)
	}
	kind := KindOf(pic, opt)
	if pic.Plate != KindAuto {
		opt.Sheet = SheetOff
	}
	if kind == Digital {
		return &Sheet{Picture: *pic, Kind: Digital, Homography: Identity, LightRange: 1}, nil
	}
	pic = pic.whole()
	c := newCrew(ctx, opt.Workers)
	s := &Sheet{Kind: kind}
	if err := s.develop(c, pic, opt); err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return s, nil
}

const (
	// lowSide is about the long side, in px, of the reduced picture that light and sheet are looked for on.
	lowSide = 800
	// The sheet is looked for on squares of sheetLow reduced pixels, without marks up to 2·closeSheet reduced pixels wide.
	sheetLow, closeSheet = 2, 3
	// The drawing's long side on the sheet, px: enough for curves, not so much that noise and time grow. Within the
	// bounds, sheetBlur is the blur that is aimed at, px: finer pixels than that tell nothing new.
	// A sharp picture of a small drawing is enlarged for that, up to sheetBlur and by no more than mostEnlarged: strokes of
	// two or three pixels keep their hooks where they are followed in finer steps; beyond it grain becomes strokes.
	leastDrawing, mostDrawing = 1200, 1600
	mostEnlarged              = 1.5
	sheetBlur                 = 0.75
	maxSheet                  = 40e6 // px
	// darkPaper is the light of the paper, over that of a white of 255, below which nothing is made of the picture: the
	// few levels that are left there are the sensor's noise.
	darkPaper = 0.006
)

func (s *Sheet) note(format string, v ...any) { s.Notes = append(s.Notes, fmt.Sprintf(format, v...)) }

var errCorners = errors.New("paper: the corners are not those of a convex quadrilateral")

// develop does the work of Prepare for paper.
func (s *Sheet) develop(c crew, pic *Picture, opt Options) error {
	offset := fit.Point{}
	full := pic
	if v := innerView(pic); v.Dx() != pic.W || v.Dy() != pic.H {
		if v.Dx() >= 16 && v.Dy() >= 16 && opt.Sheet == SheetAuto {
			pic = cut(pic, v)
			offset = fit.Point{X: float64(v.Min.X), Y: float64(v.Min.Y)}
			s.note("frame of one colour cut off, %d×%d px left", v.Dx(), v.Dy())
		}
	}
	f := max(1, (max(pic.W, pic.H)+lowSide/2)/lowSide)
	scan := newEdgeScan(pic.W, pic.H)
	low := c.reduce(pic, f, scan)
	if err := c.ctx.Err(); err != nil {
		return err
	}
	native := 0.0
	spread := c.beside(func() { native = scan.spread() })
	defer spread()
	var seen, levels *field // by which the sheet and the light are found
	if opt.Sheet == SheetAuto {
		seen = low.levels(c, closeSheet, sheetLow)
	}
	ready := func() {}
	if !opt.KeepLight { // beside the search for the sheet, much of which is one step after another
		ready = c.beside(func() { levels = low.levels(c, closeLow, cellLow) })
	}
	defer ready()
	var quad *sheetQuad
	switch opt.Sheet {
	case SheetCorners:
		q := clockwise(opt.Corners)
		if !convex(q) {
			return errCorners
		}
		quad = &sheetQuad{q: q}
		s.note("sheet at the given corners")
	case SheetAuto:
		quad = s.findSheet(c, pic, seen, f*sheetLow, full.Focal35)
	}
	var light *lightMap
	var corners *[4]fit.Point
	if quad != nil {
		corners = &quad.q
	}
	if !opt.KeepLight {
		ready()
		light = c.findLight(low, levels, f, corners)
		if light.level < darkPaper {
			s.note("too dark to tell paper from ink, taken as it is")
			light = nil
		}
	}
	s.LightRange = 1
	if light != nil {
		s.LightRange, s.ShadowFound = light.span, light.shadow
	}
	d := developer{pic: pic, light: light}
	scale := 1.0
	if light != nil {
		long, black := light.drawing(c, low, f)
		d.black = black
		if spread(); long > 0 {
			want := math.Min(mostDrawing, math.Max(leastDrawing, long*sheetBlur/math.Max(native, 0.1)))
			finest := 1.0
			if !opt.Page {
				finest = math.Max(1, math.Min(mostEnlarged, sheetBlur/math.Max(native, 0.1)))
			}
			scale = math.Min(finest, want/long)
			s.Drawn = long * scale
		} else {
			s.note("nothing but paper is seen")
		}
	}
	toSheet := d.frame(quad, scale, s, full.Focal35)
	if s.Kind == Scan && (s.Straightened || s.LightRange > 1.25) {
		s.Kind = Snapshot
	}
	s.Homography = toSheet.Mul(Homography{1, 0, -offset.X, 0, 1, -offset.Y, 0, 0, 1})
	s.developed = &d
	var pix []uint8
	pix, s.blank = d.develop(c)
	s.Picture = Picture{W: d.w, H: d.h, Pix: pix, Name: full.Name, Format: full.Format, Lossy: full.Lossy,
		Subsampled: full.Subsampled, Focal35: full.Focal35, Camera: full.Camera}
	if s.Drawn == 0 {
		s.Drawn = float64(max(d.w, d.h))
	}
	if !s.Straightened {
		s.DPI = full.DPI * scale
	}
	if s.Straightened && light != nil {
		s.wipeRim()
	}
	noise := c.beside(func() { s.Noise = d.paperNoise(toSheet) })
	scan = newEdgeScan(s.W, s.H)
	c.rows(s.H, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			scan.take(y, s.Pix[4*y*s.W:4*(y+1)*s.W], s.blank)
		}
	})
	s.Blur = scan.spread()
	noise()
	if opt.Spent {
		d.pic = &Picture{W: pic.W, H: pic.H}
	}
	if light != nil {
		s.note("light evened, brightest %.2f × darkest, paper to %.1f levels", s.LightRange, s.Noise)
		if s.ShadowFound {
			s.note("shadow lifted")
		}
		if light.erased > 0 {
			s.note("desk at the rim erased, %.0f %% of the picture", 100*light.erased)
		}
	}
	if light != nil && !opt.KeepHoles {
		if holes, bindings := s.dropHoles(c); holes+bindings > 0 {
			s.dropped = true
			if holes > 0 {
				s.note("punched holes dropped, %d", holes)
			}
			if bindings > 0 {
				s.note("binding at the side dropped")
			}
		}
	}
	if light != nil && !opt.KeepRuled {
		lines, folds := s.dropRuled(c)
		if lines+folds > 0 {
			s.dropped, s.blank = true, nil // they may have lain on squares that are white but for them
		}
		if lines > 0 {
			s.note("printed ruling dropped, %d lines", lines)
		}
		if folds > 0 {
			s.note("folds of the paper dropped, %d", folds)
		}
	}
	// Most sheets have no pencil: what shows through is looked for beside it, and once more where pencil goes.
	var through *atlas
	looked := func() {}
	if light != nil && !opt.KeepBack {
		looked = c.beside(func() { through = s.findThrough(c) })
	}
	if light != nil && !opt.KeepPencil {
		p := s.findPencil(c)
		if looked(); p.length > 0 {
			s.erase(p)
			s.dropped = true
			s.note("pencil dropped, %d px of strokes", p.length)
			if !opt.KeepBack {
				through = s.findThrough(c)
			}
		}
	}
	looked()
	if share := s.lift(through); share > 0 {
		s.dropped = true
		s.note("what shows through from the back dropped, %.1f %% of the sheet", 100*share)
	}
	s.blank = nil
	s.note("sheet of %d×%d px, blur %.2f px", s.W, s.H, s.Blur)
	return nil
}

// sheetQuad is where the sheet lies in the picture: its corners in px, clockwise on screen, and its proportion where that
// is not to be read off them.
type sheetQuad struct {
	q     [4]fit.Point
	ratio float64 // of the first side to the next; 0 leaves it to sheetProportion
	open  bool    // one side lies outside the picture
}

// findSheet returns where the sheet lies when that is plainly seen, g being the levels of squares of f px of pic.
func (s *Sheet) findSheet(c crew, pic *Picture, g *field, f int, focal35 float64) *sheetQuad {
	px := float64(f)
	dots := edgeDots(g)
	lines := strongLines(dots, g.w, g.h)
	seen := newEdgeMap(dots, g.w, g.h)
	why := ""
	try := func(o outline) (outline, bool) {
		for i := range o.q {
			o.q[i] = o.q[i].Mul(px)
		}
		e := c.measureSheet(pic, o, 4*px)
		if e.why == "" {
			small := e.outline
			for i := range small.q {
				small.q[i] = small.q[i].Mul(1 / px)
			}
			if paperBeyond(g, small) {
				e.why = "paper goes on beyond its edges"
			}
		}
		if why == "" {
			why = e.why
		}
		return e.outline, e.why == ""
	}
	if q, ok := roughQuad(g, lines, seen); ok {
		if o, ok := try(outline{q, noSide}); ok {
			return &sheetQuad{q: o.q}
		}
	}
	if o, ok := roughOpen(g, lines, seen); ok {
		if o, ok = try(o); ok {
			q, ratio, no := o.complete(pic.W, pic.H, focal35)
			if no == "" {
				return &sheetQuad{q, ratio, true}
			}
			why = no
		}
	}
	if why == "" {
		s.note("no sheet edges found, taken as it is")
	} else {
		s.note("not straightened: %s", why)
	}
	return nil
}

// Forget lets go of the picture that the sheet was made from, to save memory; the sheet can then no longer be developed
// again in part.
func (s *Sheet) Forget() { s.developed = nil }

// CanBeSheet reports whether four points, in any order, are the corners of a convex quadrilateral, as SheetCorners wants
// them.
func CanBeSheet(corners [4]fit.Point) bool { return convex(clockwise(corners)) }

// convex reports whether q runs clockwise on screen and turns right at every corner.
func convex(q [4]fit.Point) bool {
	for i, p := range q {
		if !(q[(i+1)%4].Sub(p).Cross(q[(i+2)%4].Sub(q[(i+1)%4])) > 1) {
			return false
		}
	}
	return true
}

// frame lays out the sheet: size, and the maps to and from the picture. It returns the map from picture to sheet.
func (d *developer) frame(quad *sheetQuad, scale float64, s *Sheet, focal35 float64) Homography {
	w, h := float64(d.pic.W), float64(d.pic.H)
	straight := func() Homography {
		scale = math.Min(scale, math.Sqrt(maxSheet/(w*h)))
		d.w, d.h = max(1, int(math.Round(w*scale))), max(1, int(math.Round(h*scale)))
		d.step = 1 / scale
		d.back = Homography{1 / scale, 0, 0, 0, 1 / scale, 0, 0, 0, 1}
		return Homography{scale, 0, 0, 0, scale, 0, 0, 0, 1}
	}
	if quad == nil {
		return straight()
	}
	q := quad.q
	ratio, name := quad.ratio, "not known"
	if !quad.open {
		ratio, name = sheetProportion(q, d.pic.W, d.pic.H, focal35)
	}
	width := math.Max(q[1].Sub(q[0]).Len(), q[2].Sub(q[3]).Len())
	height := math.Max(q[3].Sub(q[0]).Len(), q[2].Sub(q[1]).Len())
	// As many pixels as the sheet has in the picture where it is seen largest.
	sw := math.Max(width, height*ratio)
	sw *= math.Min(scale, math.Sqrt(maxSheet/(sw*sw/ratio)))
	sh := sw / ratio
	dst := []fit.Point{{X: 0, Y: 0}, {X: sw, Y: 0}, {X: sw, Y: sh}, {X: 0, Y: sh}}
	to, err := fitHomography(q[:], dst)
	if err != nil {
		s.note("not straightened: %v", err)
		return straight()
	}
	back, err := to.Inverse()
	if err != nil {
		s.note("not straightened: %v", err)
		return straight()
	}
	d.w, d.h = max(1, int(math.Round(sw))), max(1, int(math.Round(sh)))
	d.back = back
	d.step = math.Sqrt(width * height / (sw * sh))
	s.Straightened, s.Proportion = true, name
	if quad.open {
		s.note("sheet found and straightened by three sides; it runs out of the picture on the fourth")
	} else {
		s.note("sheet found and straightened, %s", name)
	}
	return to
}

// drawing returns the long side of what is drawn on the paper, in px of the picture, and the reflectance of its darkest
// ink.
func (m *lightMap) drawing(c crew, low *field, f int) (long float64, black float32) {
	// maxBlack bounds what may be taken for black: printer's and pen inks reflect 2 to 3 % of the light (common
	// practice, no source); what is lighter is meant to be grey.
	const maxBlack = 0.028
	w, h := low.w, low.h
	dark := large.Make[float32](w * h) // least channel of the reflectance
	bands := make([][1001]int32, (h+bandRows-1)/bandRows)
	c.rows(h, func(y0, y1 int) {
		var bins [1001]int32
		for y := y0; y < y1; y++ {
			cy := min(y/cellLow, m.h-1)
			for x := range w {
				i, j := y*w+x, cy*m.w+min(x/cellLow, m.w-1)
				if m.erase[j] || !m.valid[j] {
					dark[i] = 1
					continue
				}
				v, g := low.v[3*i:][:3], m.gain.v[3*j:][:3]
				dark[i] = min(1, float32(v[0]*g[0]), float32(v[1]*g[1]), float32(v[2]*g[2]))
				bins[int(1000*max(dark[i], 0))]++
			}
		}
		bands[y0/bandRows] = bins
	})
	bins := make([]int, 1001)
	n := 0
	for _, band := range bands {
		for k, v := range band {
			bins[k] += int(v)
			n += int(v)
		}
	}
	// The darkest 0.2 % of the sheet, or at least a few pixels, are ink.
	need := max(12, n/500)
	deep, sum, got := 0, 0.0, 0
	for b, k := range bins {
		k = min(k, need-got)
		sum += float64(k) * float64(b) / 1000
		got += k
		deep = b
		if got == need {
			break
		}
	}
	if got == 0 {
		return 0, 0
	}
	black = float32(math.Min(maxBlack, sum/float64(got)))
	limit := 1 - 0.45*(1-float32(deep)/1000)
	if limit > 0.97 {
		return 0, black // blank
	}
	cols, rows := make([]int, w), make([]int, h)
	for y := range h {
		for x, v := range dark[y*w : (y+1)*w] {
			if v < limit {
				cols[x]++
				rows[y]++
			}
		}
	}
	return float64(f) * math.Max(extent(cols), extent(rows)), black
}

// extent returns how many of the counts lie between the first and the last two in a thousand of their sum.
func extent(n []int) float64 {
	total := 0
	for _, v := range n {
		total += v
	}
	if total == 0 {
		return 0
	}
	cut := total / 500
	a, s := 0, 0
	for s = n[0]; s <= cut && a+1 < len(n); s += n[a] {
		a++
	}
	b := len(n) - 1
	for s = n[b]; s <= cut && b > a; s += n[b] {
		b--
	}
	return float64(b - a + 1)
}
