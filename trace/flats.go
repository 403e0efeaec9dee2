package trace

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/quantize/colour"
	"pochoir/trace/internal/planar"
)

// This file lays flats: every area that ink encloses becomes a shape of its own beneath the ink, as far as the middle of
// the line. The areas are mapped without the ink, which is drawn on top from the map of the picture itself.

// FlatColour gives the area at a place its colour.
type FlatColour struct {
	At     fit.Point // px of the picture
	Swatch string    // name: of the palette found, of Suggest, Locked or Colourway, or of CSS
	Colour colour.RGB
	Own    bool // Colour is given: it counts where none of the others has the name
}

// LaidFlat is one flat of a drawing.
type LaidFlat struct {
	ID     string    // of its shape
	Layer  string    // that holds it
	At     fit.Point // a place well inside, px of the sheet
	Area   int       // px, as far as the middle of the lines around it
	Chosen bool      // by Options.Flats, a paint of the picture or Options.Suggest; else it is white

	layer int // index of Layer
}

// InkMode says how ink is coloured where flats are laid.
type InkMode int

const (
	InkDrawn InkMode = iota // each ink in its own colour, a layer each
	InkOne                  // all in the colour of the darkest
	InkToned                // in a darker tone of the fill that it borders
)

var white = quantize.Swatch{Name: "white", Colour: colour.RGB{R: 255, G: 255, B: 255}}

// cell is one flat: a connected part of an area that has one paint.
type cell struct {
	area   int32 // of quantize.Areas; 0 is outside
	paint  int   // label, -1 for bare paper
	size   int   // px
	first  int   // pixel, in reading order
	swatch int   // of flatwork.swatches, -1 is not painted
	chosen bool
	id     string
}

// flatwork is the state of laying flats under one picture.
type flatwork struct {
	f     *quantize.Flats
	inks  []bool // by label
	areas *quantize.Areas
	opt   *Options

	paint    []int16 // label of the paint of each pixel, under ink as well; -1 for bare paper
	of       []int32 // cell of each pixel
	cells    []cell
	beside   [][]int32 // cells that share a border, by cell, ascending
	swatches []quantize.Swatch
	notes    []string

	shown     *quantize.Flats // the picture with its ink in the colours to draw
	shownInks []bool          // by label of shown
}

// noInk is what the report says where there is nothing to lay flats under.
const noInk = "no ink was found, so no flats were laid"

// layFlats finds the flats of a picture; nil where it has no ink. at are the places of opt.Flats on the sheet.
func layFlats(f *quantize.Flats, opt *Options, at []fit.Point, dust float64) (*flatwork, error) {
	if f.Ink < 0 {
		return nil, nil
	}
	w := &flatwork{f: f, inks: f.DrawnInks(), opt: opt}
	gap := -1.0
	if opt.Gap != nil {
		gap = *opt.Gap
	}
	w.areas = f.EnclosedBy(w.inks, gap)
	w.spreadPaint()
	if opt.RegisterColour {
		w.register()
	}
	w.findCells(dust)
	if err := w.colourCells(at); err != nil {
		return nil, err
	}
	w.nameCells()
	w.shown, w.shownInks = w.inked()
	return w, nil
}

// inkKey says what the colouring of the ink depends on.
func (w *flatwork) inkKey() string {
	if w == nil || w.opt.Ink == InkDrawn {
		return ""
	}
	return fmt.Sprint(w.opt.Ink, w.areas.Gap, w.opt.Flats, w.opt.Suggest, w.opt.RegisterColour)
}

// hideCuts marks the edges between two parts of one ink as loose: they follow no edge of the picture.
func (w *flatwork) hideCuts(m *planar.Map, jn *junctions, fopt fit.Options) {
	if w == nil || w.opt.Ink != InkToned {
		return
	}
	jn.loose, jn.hidden = make([]bool, len(m.Arcs)), fopt
	jn.hidden.Tolerance, jn.hidden.Scale = max(fopt.Tolerance, leastHidden), 2
	ink := func(face int32) bool { return face != planar.Outside && w.shownInks[m.Faces[face].Label] }
	for k := range m.Arcs {
		jn.loose[k] = ink(m.Arcs[k].Left) && ink(m.Arcs[k].Right)
	}
}

// drawing paints the flats and, on top, the ink of the map m.
func (w *flatwork) drawing(ctx context.Context, m *planar.Map, o *outlines, fopt fit.Options, workers int) (*Drawing, []LaidFlat, error) {
	layers, laid, err := w.shapes(ctx, fopt, workers)
	if err != nil {
		return nil, nil, err
	}
	ink, err := inkLayers(ctx, w.shown, w.shownInks, m, o, w.opt.Knockout, workers)
	if err != nil {
		return nil, nil, err
	}
	// No name and no colour stands twice; the ink keeps both.
	names, colours := map[string]bool{}, map[colour.RGB]bool{}
	for _, l := range ink {
		names[l.Name], colours[l.Colour] = true, true
	}
	for i := range layers {
		l := &layers[i]
		for base, n := l.Name, 2; names[l.Name]; n++ {
			l.Name = fmt.Sprintf("%s-%d", base, n)
		}
		for colours[l.Colour] {
			l.Colour = nextTo(l.Colour)
		}
		names[l.Name], colours[l.Colour] = true, true
		for k := range laid {
			if laid[k].layer == i {
				laid[k].Layer = l.Name
			}
		}
	}
	layers = slices.DeleteFunc(layers, func(l Layer) bool { return len(l.Shapes) == 0 })
	return &Drawing{Width: float64(m.W), Height: float64(m.H), Layers: append(layers, ink...)}, laid, nil
}

// nextTo returns a colour that no eye tells from c.
func nextTo(c colour.RGB) colour.RGB {
	if c.B < 255 {
		c.B++
	} else {
		c.B, c.G = 250, c.G-1
	}
	return c
}

// spreadPaint takes the paint beside the ink on to the middle of its lines.
func (w *flatwork) spreadPaint() {
	f := w.f
	w.paint = make([]int16, len(f.Labels))
	near := f.Beside(w.inks)
	for i, l := range f.Labels {
		if j := near[i]; j >= 0 {
			l = f.Labels[j]
		}
		w.paint[i] = int16(l)
		if int(l) == f.Ground || w.inks[l] {
			w.paint[i] = -1
		}
	}
}

// findCells finds the connected places of one area and paint. Specks of less than dust px across join what borders most
// of each.
func (w *flatwork) findCells(dust float64) {
	width, n := w.f.W, len(w.paint)
	key := func(i int) int64 { return int64(w.areas.Of[i])<<16 | int64(uint16(w.paint[i])) }
	parent := make([]int32, n)
	find := func(i int32) int32 {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	union := func(i, j int32) {
		if i, j = find(i), find(j); i < j {
			parent[j] = i
		} else {
			parent[i] = j
		}
	}
	for i := range n {
		parent[i] = int32(i)
		if i%width > 0 && key(i) == key(i-1) {
			union(int32(i), int32(i-1))
		}
		if i >= width && key(i) == key(i-width) {
			union(int32(i), int32(i-width))
		}
	}
	w.of = make([]int32, n)
	for i := range n {
		r := int(find(int32(i)))
		if r == i {
			w.of[i] = int32(len(w.cells))
			w.cells = append(w.cells, cell{area: w.areas.Of[i], paint: int(w.paint[i]), first: i, swatch: -1})
		}
		w.of[i] = w.of[r]
		w.cells[w.of[i]].size++
	}
	w.absorb(dust * dust)
	w.findNeighbours()
}

// borders returns the lengths of the borders between cells in pixel sides, for every cell that want is true for.
func (w *flatwork) borders(want func(c int32) bool) map[[2]int32]int {
	out := map[[2]int32]int{}
	width := w.f.W
	note := func(a, b int32) {
		if a != b {
			if want(a) {
				out[[2]int32{a, b}]++
			}
			if want(b) {
				out[[2]int32{b, a}]++
			}
		}
	}
	for i := range w.of {
		if i%width > 0 {
			note(w.of[i], w.of[i-1])
		}
		if i >= width {
			note(w.of[i], w.of[i-width])
		}
	}
	return out
}

// absorb gives cells of up to least px to their neighbours. Bare specks of the outside that ink parts from it stay what
// they are.
func (w *flatwork) absorb(least float64) {
	small := func(c int32) bool { return float64(w.cells[c].size) <= least }
	var order []int32
	for c := range w.cells {
		if small(int32(c)) {
			order = append(order, int32(c))
		}
	}
	if len(order) == 0 {
		return
	}
	to := make([]int32, len(w.cells))
	for c := range to {
		to[c] = int32(c)
	}
	end := func(c int32) int32 {
		for to[c] != c {
			c = to[c]
		}
		return c
	}
	best, length := map[int32]int32{}, map[int32]int{}
	for pair, n := range w.borders(small) {
		a, b := pair[0], pair[1]
		if n > length[a] || n == length[a] && b < best[a] {
			best[a], length[a] = b, n
		}
	}
	slices.SortStableFunc(order, func(a, b int32) int { return w.cells[a].size - w.cells[b].size })
	for _, c := range order {
		if b, ok := best[c]; ok && end(b) != c {
			to[c] = end(b)
		}
	}
	number := make([]int32, len(w.cells))
	var kept []cell
	for c := range w.cells {
		if to[c] == int32(c) {
			number[c] = int32(len(kept))
			kept = append(kept, w.cells[c])
			kept[len(kept)-1].size = 0
		}
	}
	for i, c := range w.of {
		w.of[i] = number[end(c)]
		kept[w.of[i]].size++
	}
	w.cells = kept
}

// findNeighbours fills beside.
func (w *flatwork) findNeighbours() {
	w.beside = make([][]int32, len(w.cells))
	for pair := range w.borders(func(int32) bool { return true }) {
		w.beside[pair[0]] = append(w.beside[pair[0]], pair[1])
	}
	for _, b := range w.beside {
		slices.Sort(b)
	}
}

// bare reports whether a cell is paper that the drawing leaves open.
func (w *flatwork) bare(c *cell) bool { return c.area == 0 && c.paint < 0 }

// use returns the index of a swatch, by its colour.
func (w *flatwork) use(s quantize.Swatch) int {
	for k := range w.swatches {
		if w.swatches[k].Colour == s.Colour {
			return k
		}
	}
	taken := func(name string) bool {
		return slices.ContainsFunc(w.swatches, func(t quantize.Swatch) bool { return t.Name == name })
	}
	for base, n := s.Name, 2; taken(s.Name); n++ {
		s.Name = fmt.Sprintf("%s-%d", base, n)
	}
	w.swatches = append(w.swatches, s)
	return len(w.swatches) - 1
}

// colourCells gives every cell its swatch: chosen by place, painted, suggested, or white.
func (w *flatwork) colourCells(at []fit.Point) error {
	f := w.f
	for k, c := range w.opt.Flats {
		s, err := w.swatchOf(k, c)
		if err != nil {
			return err
		}
		x, y := int(math.Floor(at[k].X)), int(math.Floor(at[k].Y))
		if x < 0 || y < 0 || x >= f.W || y >= f.H || w.bare(&w.cells[w.of[y*f.W+x]]) {
			w.notes = append(w.notes, fmt.Sprintf("no flat at %g,%g: nothing encloses that place", c.At.X, c.At.Y))
			continue
		}
		d := &w.cells[w.of[y*f.W+x]]
		d.swatch, d.chosen = w.use(s), true
	}
	for i := range w.cells {
		if c := &w.cells[i]; c.swatch < 0 && c.paint >= 0 {
			c.swatch, c.chosen = w.use(f.Palette[c.paint]), true
		}
	}
	if len(w.opt.Suggest) > 0 {
		w.suggest()
	}
	ground := quantize.Swatch{}
	if w.opt.KeepPaper && f.Ground >= 0 {
		ground = f.Palette[f.Ground]
	}
	for i := range w.cells {
		switch c := &w.cells[i]; {
		case c.swatch >= 0:
		case !w.bare(c):
			c.swatch = w.use(white)
		case ground.Name != "":
			c.swatch = w.use(ground)
		}
	}
	return nil
}

// swatchOf returns the swatch that entry k of Flats names.
func (w *flatwork) swatchOf(k int, c FlatColour) (quantize.Swatch, error) {
	for _, list := range [][]quantize.Swatch{w.f.Palette, w.opt.Suggest, w.opt.Locked, w.opt.Colourway} {
		for _, s := range list {
			if s.Name == c.Swatch {
				return s, nil
			}
		}
	}
	if c.Own {
		return quantize.Swatch{Name: c.Swatch, Colour: c.Colour}, nil
	}
	if rgb, ok := colour.Named(c.Swatch); ok {
		return quantize.Swatch{Name: c.Swatch, Colour: rgb}, nil
	}
	return quantize.Swatch{}, fmt.Errorf("trace: Flats: entry %d: there is no swatch %q", k+1, c.Swatch)
}

const (
	// apart is the colour difference, ΔE00, at which neighbours are told apart at a glance (common practice, no
	// source); more is no better.
	apart = 25.0
	// wornOut is what a swatch loses, ΔE00, when it holds as much area as the others together: colours come round.
	wornOut = 12.0
)

// suggest colours the flats that have no colour with the swatches of Options.Suggest, the largest first: of each the
// swatch that differs from the neighbours and has been used least.
func (w *flatwork) suggest() {
	var tints []quantize.Swatch
	inkLab := w.f.Palette[w.f.Ink].Colour
	for _, s := range w.opt.Suggest {
		// A fill as dark as the ink would swallow it.
		if s.Name != "ink" && s.Colour.Difference(inkLab) > apart/2 {
			tints = append(tints, s)
		}
	}
	if len(tints) == 0 {
		w.notes = append(w.notes, "every suggested colour is as dark as the ink, so none was used")
		return
	}
	var order []int32
	for i := range w.cells {
		if c := &w.cells[i]; c.swatch < 0 && !w.bare(c) {
			order = append(order, int32(i))
		}
	}
	slices.SortStableFunc(order, func(a, b int32) int { return cmp.Compare(w.cells[b].size, w.cells[a].size) })
	used, total := make([]float64, len(tints)), 0.0
	for _, i := range order {
		c := &w.cells[i]
		best, score := 0, math.Inf(-1)
		for k, s := range tints {
			least := apart
			for _, j := range w.beside[i] {
				d := &w.cells[j]
				if d.swatch >= 0 {
					least = min(least, s.Colour.Difference(w.swatches[d.swatch].Colour))
				}
			}
			v := least
			if total > 0 {
				v -= float64(wornOut*float64(len(tints))) * used[k] / total
			}
			if v > score {
				best, score = k, v
			}
		}
		c.swatch, c.chosen = w.use(tints[best]), true
		used[best] += float64(c.size)
		total += float64(c.size)
	}
}

// nameCells gives the flats their names, in reading order.
func (w *flatwork) nameCells() {
	n := 0
	for i := range w.cells {
		c := &w.cells[i]
		if c.swatch < 0 || w.bare(c) {
			continue
		}
		for c.id == "" {
			n++
			id := fmt.Sprintf("flat-%d", n)
			if !slices.ContainsFunc(w.swatches, func(s quantize.Swatch) bool { return s.Name == id }) {
				c.id = id
			}
		}
	}
}

// mapLabels gives every cell a label that no neighbour has, not even across a corner.
func (w *flatwork) mapLabels() []uint8 {
	width, n := w.f.W, len(w.cells)
	type pair [2]int32
	seen := map[pair]bool{}
	near := make([][]int32, n)
	note := func(a, b int32) {
		if a == b || seen[pair{a, b}] {
			return
		}
		seen[pair{a, b}], seen[pair{b, a}] = true, true
		near[a], near[b] = append(near[a], b), append(near[b], a)
	}
	for i := range w.of {
		x := i % width
		if x > 0 {
			note(w.of[i], w.of[i-1])
		}
		if i >= width {
			note(w.of[i], w.of[i-width])
			if x > 0 {
				note(w.of[i], w.of[i-width-1])
			}
			if x+1 < width {
				note(w.of[i], w.of[i-width+1])
			}
		}
	}
	// Cells with many neighbours first; then every cell has few before it.
	order := make([]int32, n)
	for i := range order {
		order[i] = int32(i)
	}
	slices.SortStableFunc(order, func(a, b int32) int { return len(near[b]) - len(near[a]) })
	label := make([]uint8, n)
	given := make([]bool, n)
	for _, c := range order {
		var taken [256]bool
		for _, d := range near[c] {
			if given[d] {
				taken[label[d]] = true
			}
		}
		l := 0
		for l < 253 && taken[l] {
			l++
		}
		label[c], given[c] = uint8(l), true
	}
	out := make([]uint8, len(w.of))
	for i, c := range w.of {
		out[i] = label[c]
	}
	return out
}

const (
	// middleNoise is the standard deviation of the measured middle of a line, px.
	middleNoise = 0.2
	// middleShift bounds how far the middle may lie from the lattice, px.
	middleShift = 1.5
	// bridgeWeight is what a place in a gap of the ink counts, where nothing tells the edge.
	bridgeWeight = 0.2
	// hiddenShare is how far an edge under ink may stray, in widths of the line.
	hiddenShare = 0.15
	// leastHidden and mostHidden bound that, px.
	leastHidden, mostHidden = 0.3, 1.5
)

// measureFlats measures the edges of the cells: the middle of the line under ink, and where two paints meet in sight the
// edge between them. loose marks arcs that ink hides.
func (w *flatwork) measureFlats(ctx context.Context, m *planar.Map, workers int) (samples [][]edgeSample, loose []bool, err error) {
	meter := newEdgeMeter(w.f, m)
	samples, loose = make([][]edgeSample, len(m.Arcs)), make([]bool, len(m.Arcs))
	err = inParallel(ctx, len(m.Arcs), workers, func(k int) {
		arc := &m.Arcs[k]
		loose[k] = true
		if arc.Left == planar.Outside || arc.Right == planar.Outside {
			return
		}
		dirs := m.Dirs[arc.Off : arc.Off+arc.N]
		closed := arc.From == planar.None
		samples[k] = meter.roomOf(arc)
		x, y := int(arc.X), int(arc.Y)
		for i, d := range dirs {
			if alongBoundary(dirs, i, closed) {
				lx, ly, rx, ry := planar.SidePixels(x, y, d)
				off, weight, seen := w.flatEdge(meter, x, y, d)
				if seen {
					loose[k] = false
				}
				samples[k] = append(samples[k], edgeSample{
					Sample: fit.Sample{
						Point: fit.Point{
							X: float64(x) + float64(planar.DX[d])/2 + float64(off*float64(rx-lx)),
							Y: float64(y) + float64(planar.DY[d])/2 + float64(off*float64(ry-ly)),
						},
						Weight: weight,
					},
					at: int32(i),
				})
			}
			x += planar.DX[d]
			y += planar.DY[d]
		}
		bridge(samples[k], w.areas.Gap)
	})
	return samples, loose, err
}

// bridge makes an edge go straight across the gaps of the ink, px wide at most, from where it is known to where it is
// known again. Edges that run along a narrow lane of paper stay in it.
func bridge(s []edgeSample, gap float64) {
	last := -1 // known
	for i := range s {
		if s[i].Weight == bridgeWeight {
			continue
		}
		if last >= 0 && s[i].Sub(s[last].Point).Len() <= gap+2 {
			for k := last + 1; k < i; k++ {
				s[k].Point = s[last].Point.Lerp(s[i].Point, float64(k-last)/float64(i-last))
			}
		}
		last = i
	}
}

// flatEdge measures one crack between two cells; seen reports that no ink hides it.
func (w *flatwork) flatEdge(meter *edgeMeter, x, y int, d uint8) (off, weight float64, seen bool) {
	f := w.f
	lx, ly, rx, ry := planar.SidePixels(x, y, d)
	l, r := ly*f.W+lx, ry*f.W+rx
	a, b := f.Labels[l], f.Labels[r]
	if !w.inks[a] && !w.inks[b] {
		if a == b || w.paint[l] != w.paintOf(a) || w.paint[r] != w.paintOf(b) {
			return 0, bridgeWeight, false
		}
		off, weight, _ = meter.offset(x, y, d, meter.pairOf(a, b))
		return off, weight, true
	}
	left, ok := w.inkAlong(lx, ly, lx-rx, ly-ry)
	right, also := w.inkAlong(rx, ry, rx-lx, ry-ly)
	if off = (right - left) / 2; !ok || !also || math.Abs(off) > middleShift {
		return 0, 1, false
	}
	return off, 1, false
}

func (w *flatwork) paintOf(l uint8) int16 {
	if int(l) == w.f.Ground {
		return -1
	}
	return int16(l)
}

// inkAlong returns how far ink goes on from the side of pixel (x, y) in steps of (sx, sy), px. ok is false where it does
// not end within inkReach.
func (w *flatwork) inkAlong(x, y, sx, sy int) (length float64, ok bool) {
	f := w.f
	const reach = 4 * inkReach
	// The colours at the end tell how much of the pixels there is ink.
	k, ink := 0, uint8(f.Ink)
	for ; k < reach; k++ {
		px, py := x+k*sx, y+k*sy
		if px < 0 || py < 0 || px >= f.W || py >= f.H {
			return 0, false
		}
		l := f.Labels[py*f.W+px]
		if !w.inks[l] {
			break
		}
		ink = l
	}
	if k == reach {
		return 0, false
	}
	beyond := f.Labels[(y+k*sy)*f.W+x+k*sx]
	length = float64(k)
	for j := k - 1; j >= max(0, k-2); j-- {
		length -= f.Coverage((y+j*sy)*f.W+x+j*sx, beyond, ink)
	}
	for j := k; j < k+2; j++ {
		px, py := x+j*sx, y+j*sy
		if px < 0 || py < 0 || px >= f.W || py >= f.H || f.Labels[py*f.W+px] != beyond {
			break
		}
		s := f.Coverage(py*f.W+px, ink, beyond)
		if s >= 0.5 && j > k {
			break
		}
		length += s
	}
	return length, true
}

// shapes draws the flats as layers, bottom to top, without the ink.
func (w *flatwork) shapes(ctx context.Context, fopt fit.Options, workers int) ([]Layer, []LaidFlat, error) {
	saddle := func(_, _ int, a, _, _, d uint8) planar.SaddleKind {
		if a == d {
			return planar.Falling
		}
		return planar.Rising
	}
	m := planar.Build(w.mapLabels(), w.f.W, w.f.H, saddle, workers)
	samples, loose, err := w.measureFlats(ctx, m, workers)
	if err != nil {
		return nil, nil, err
	}
	e := &edges{flats: w.f, m: m, samples: samples, noise: middleNoise, doubt: make([]float64, len(m.Arcs)), dots: make([][]fit.Segment, len(m.Arcs)), tips: make([][]fit.Tip, len(m.Arcs))}
	jn, err := findJunctions(ctx, e, workers)
	if err != nil {
		return nil, nil, err
	}
	jn.loose = loose
	jn.hidden = fopt
	jn.hidden.Noise = middleNoise
	jn.hidden.Scale = 2
	jn.hidden.Tolerance = max(fopt.Tolerance, min(mostHidden, max(leastHidden, hiddenShare*w.areas.Line)))
	o, err := fitOutlines(ctx, e, jn, fopt, workers)
	if err != nil {
		return nil, nil, err
	}
	// The cell of each face, and the order of painting: large layers below, within a layer in reading order.
	of := make([]int32, len(m.Faces))
	for i := range of {
		of[i] = -1
	}
	for i := range w.cells {
		c := &w.cells[i]
		of[m.FaceAt(c.first%w.f.W, c.first/w.f.W)] = int32(i)
	}
	area := make([]int, len(w.swatches))
	for i := range w.cells {
		if c := &w.cells[i]; c.swatch >= 0 {
			area[c.swatch] += c.size
			if w.bare(c) { // the paper lies below everything
				area[c.swatch] += len(w.of)
			}
		}
	}
	layers := make([]int, len(w.swatches))
	for k := range layers {
		layers[k] = k
	}
	slices.SortStableFunc(layers, func(a, b int) int { return cmp.Compare(area[b], area[a]) })
	place := make([]int, len(layers))
	for p, k := range layers {
		place[k] = p
	}
	var faces []int32
	for i := range m.Faces {
		if w.cells[of[i]].swatch >= 0 {
			faces = append(faces, int32(i))
		}
	}
	slices.SortStableFunc(faces, func(a, b int32) int {
		c, d := &w.cells[of[a]], &w.cells[of[b]]
		return cmp.Or(cmp.Compare(place[c.swatch], place[d.swatch]), cmp.Compare(c.first, d.first))
	})
	s := &stack{m: m, o: o, rank: make([]int, len(m.Faces)), ink: -2, exact: w.opt.Knockout, whole: true}
	for i := range s.rank {
		s.rank[i] = -1
	}
	for r, i := range faces {
		s.rank[i] = r
	}
	s.closeHoles()
	shapes := make([][]Shape, len(faces))
	if err := inParallel(ctx, len(faces), workers, func(r int) { shapes[r] = s.shapesOf(s.ringsOf(faces[r])) }); err != nil {
		return nil, nil, err
	}
	out := make([]Layer, len(layers))
	for p, k := range layers {
		out[p] = Layer{Name: w.swatches[k].Name, Colour: w.swatches[k].Colour}
	}
	var laid []LaidFlat
	named := map[string]bool{}
	for r, i := range faces {
		c := &w.cells[of[i]]
		if len(shapes[r]) == 0 {
			continue
		}
		if c.id != "" && !named[c.id] {
			named[c.id] = true
			shapes[r][0].ID = c.id
			laid = append(laid, LaidFlat{ID: c.id, layer: place[c.swatch], At: w.inside(of[i]), Area: c.size, Chosen: c.chosen})
		}
		l := &out[place[c.swatch]]
		l.Shapes = append(l.Shapes, shapes[r]...)
	}
	return out, laid, nil
}

// inside returns a place well inside a cell.
func (w *flatwork) inside(c int32) fit.Point {
	p := w.areas.At[w.cells[c].area]
	if w.cells[c].area == 0 || w.of[p.Y*w.f.W+p.X] != c {
		i := w.cells[c].first
		p = quantize.Place{X: i % w.f.W, Y: i / w.f.W}
	}
	return fit.Point{X: float64(p.X) + 0.5, Y: float64(p.Y) + 0.5}
}

// inkLayers draws the inks of a traced picture as layers, the darkest on top.
func inkLayers(ctx context.Context, f *quantize.Flats, inks []bool, m *planar.Map, o *outlines, exact bool, workers int) ([]Layer, error) {
	area := make([]int, len(f.Palette))
	for i := range m.Faces {
		area[m.Faces[i].Label] += m.Faces[i].Area
	}
	var order []int
	for l, ink := range inks {
		if ink && area[l] > 0 {
			order = append(order, l)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if a == f.Ink || b == f.Ink {
			return cmp.Compare(btoi(a == f.Ink), btoi(b == f.Ink))
		}
		return cmp.Compare(area[b], area[a])
	})
	rank := make([]int, len(f.Palette))
	for l := range rank {
		rank[l] = -1
	}
	out := make([]Layer, len(order))
	for r, l := range order {
		rank[l] = r
		out[r] = Layer{Name: f.Palette[l].Name, Colour: f.Palette[l].Colour}
	}
	s := &stack{m: m, o: o, rank: make([]int, len(m.Faces)), ink: -2, exact: exact}
	for i := range m.Faces {
		s.rank[i] = rank[m.Faces[i].Label]
	}
	s.closeHoles()
	shapes := make([][]Shape, len(m.Faces))
	err := inParallel(ctx, len(shapes), workers, func(i int) {
		if s.rank[i] >= 0 {
			shapes[i] = s.shapesOf(s.ringsOf(int32(i)))
		}
	})
	for i, of := range shapes {
		if len(of) > 0 {
			l := &out[s.rank[i]]
			l.Shapes = append(l.Shapes, of...)
		}
	}
	return slices.DeleteFunc(out, func(l Layer) bool { return len(l.Shapes) == 0 }), err
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}
