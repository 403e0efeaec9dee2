package paper

import (
	"context"
	"image"
	"math"
	"slices"

	"pochoir/quantize/large"
)

// Plate is one drawing found on a page.
type Plate struct {
	// Box is what is cut, in px of the whole page (see Page): the marks and a margin, as far as the page goes.
	Box image.Rectangle
	// Marks is the box of the marks alone.
	Marks image.Rectangle
	// AtRim says that the marks run into the rim of the page: the drawing may go on beyond it.
	AtRim bool

	parts []int32 // components, increasing
}

// PlateOptions steer FindPlates. The zero value leaves lines of writing out.
type PlateOptions struct {
	KeepCaptions bool // words beside a drawing belong to it; other writing makes plates of its own
	KeepNumbers  bool // page numbers make plates of their own
}

// Page is a sheet and what is drawn where on it. Its pixels are those of the whole page: of the picture itself where
// nothing was straightened, else of the straightened sheet with as many pixels as the picture has of it. Safe to call
// concurrently.
type Page struct {
	W, H     int // px of the whole page
	Plates   []Plate
	Captions int // lines of writing left out or, on request, kept
	Numbers  int // page numbers, likewise
	Specks   int // marks too small for a drawing and near none, left out

	sheet  *Sheet
	origin image.Point // of the sheet, in px of the whole page: not 0 where a frame was cut off
	scale  float64     // px of the whole page to a px of the sheet
	step   int         // px of the sheet to a cell of the map
	w, h   int         // of the map, cells
	near   []int32     // the component nearest to each cell; -1 where there are none
	parts  []part
	ink    []bool // cells with a mark
}

// part is a connected set of cells with marks.
type part struct {
	box   image.Rectangle // cells
	cells int
	holes int  // enclosed places
	text  bool // left out: writing, a speck, the edge of the sheet
}

// stroke reports whether the part is no more than a stroke of the pen: it encloses nothing and is much longer than wide.
func (p *part) stroke() bool {
	n := p.size()
	return p.holes == 0 && 10*p.cells <= 3*n*n+40
}

// size is the longer side of the part, in cells.
func (p *part) size() int { return max(p.box.Dx(), p.box.Dy()) }

// The map that plates are looked for on, in cells, and the measures on it as shares of its longer side. They are choices
// of ours, tried on generated pages.
const (
	mapSide    = 1000
	leastDrawn = 0.022  // a drawing is at least this long
	touching   = 0.0045 // marks this near belong together whatever they are
	farthest   = 0.05   // a loose mark belongs to a drawing at most this far away
	mostText   = 0.045  // a line of writing is at most this high
	rimBand    = 0.09   // page numbers stand within this of the upper or lower rim
)

// Shares of a drawing's own longer side.
const (
	looseSize  = 0.34  // a loose mark of a drawing is at most this long
	looseGap   = 0.16  // and at most this far away
	strokeGap  = 0.28  // or, when it is a mere stroke, this
	ownGap     = 0.1   // of the smaller: what could be a drawing of its own must be as near as this
	innerGap   = 0.035 // two large parts of one drawing are at most this far apart
	plateInset = 0.04  // margin round the marks
)

// inkStep is how far a channel must be from the paper's to be a mark, 8-bit levels, and noiseSteps how many standard
// deviations of the paper at least.
const (
	inkStep    = 24
	noiseSteps = 6
)

// FindPlates cuts a page into its drawings, in reading order: rows from top to bottom, each from left to right. Marks
// belong together that nearly touch, that one drawing surrounds, that carry on one another's line, and small marks that
// lie about a drawing. A page with nothing on it has no plates.
func FindPlates(ctx context.Context, s *Sheet, opt PlateOptions) (*Page, error) {
	pg := newPage(s)
	pg.mark()
	pg.connect()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	gaps := pg.measureGaps()
	lines := pg.findWriting(gaps)
	g := newGrouping(pg, gaps)
	g.leaveOut(lines, opt)
	g.join()
	g.adopt()
	pg.Plates = g.plates()
	if opt.KeepCaptions {
		pg.addCaptions(lines)
	}
	pg.order()
	for i := range pg.Plates {
		pg.frame(&pg.Plates[i])
	}
	return pg, ctx.Err()
}

// newPage lays out the map.
func newPage(s *Sheet) *Page {
	pg := &Page{W: s.W, H: s.H, sheet: s, scale: 1}
	if d := s.developed; d != nil {
		pg.scale = d.step
		pg.W, pg.H = max(1, int(math.Round(float64(s.W)*d.step))), max(1, int(math.Round(float64(s.H)*d.step)))
		if !s.Straightened {
			h := s.Homography // scale and shift
			pg.origin = image.Pt(int(math.Round(-h[2]/h[0])), int(math.Round(-h[5]/h[4])))
			pg.W, pg.H = d.pic.W+pg.origin.X, d.pic.H+pg.origin.Y
		}
	}
	pg.step = max(1, (max(s.W, s.H)+mapSide/2)/mapSide)
	pg.w, pg.h = (s.W+pg.step-1)/pg.step, (s.H+pg.step-1)/pg.step
	return pg
}

// share returns a share of the longer side of the map, in cells.
func (pg *Page) share(v float64) float64 { return v * float64(max(pg.w, pg.h)) }

// mark marks the cells in which a pixel is not of the paper's colour.
func (pg *Page) mark() {
	s := pg.sheet
	pg.ink = large.Make[bool](pg.w * pg.h)
	ground, limit := [3]uint8{255, 255, 255}, float64(inkStep)
	if s.Kind == Digital {
		var share float64
		if ground, share = borderColour(&s.Picture); share < leastGround { // painted to its edges: one drawing
			for i := range pg.ink {
				pg.ink[i] = true
			}
			return
		}
		if s.Lossy {
			limit = 40 // coding leaves ripples beside edges
		}
	} else {
		limit = math.Max(1.5*limit, noiseSteps*s.Noise)
	}
	least := 1 // marked pixels to a cell: on paper a single one may be noise
	if s.Kind != Digital && pg.step > 1 {
		least = 2
	}
	counts := make([]int, pg.w)
	most := int(limit)
	for y := range s.H {
		if y%pg.step == 0 {
			clear(counts)
		}
		row := s.Pix[4*y*s.W : 4*(y+1)*s.W]
		for x := range s.W {
			q := row[4*x : 4*x+3 : 4*x+3]
			if abs(int(q[0])-int(ground[0])) <= most && abs(int(q[1])-int(ground[1])) <= most && abs(int(q[2])-int(ground[2])) <= most {
				continue
			}
			if s.Clear != nil && s.Clear[y*s.W+x] {
				continue
			}
			counts[x/pg.step]++
		}
		if y%pg.step == pg.step-1 || y == s.H-1 {
			for x, n := range counts {
				pg.ink[y/pg.step*pg.w+x] = n >= least
			}
		}
	}
}

// leastGround is the share of a digital page's rim that must be of one colour for it to be the ground.
const leastGround = 0.4

// borderColour is the most common colour along the picture's rim, 4 bits a channel deciding and the mean of those taken,
// and its share of the rim.
func borderColour(p *Picture) (c [3]uint8, share float64) {
	var count [4096]int
	var sum [4096][3]int
	add := func(i int) {
		q := p.Pix[4*i : 4*i+3 : 4*i+3]
		k := int(q[0]>>4)<<8 | int(q[1]>>4)<<4 | int(q[2]>>4)
		count[k]++
		for c, v := range q {
			sum[k][c] += int(v)
		}
	}
	for x := range p.W {
		add(x)
		add((p.H-1)*p.W + x)
	}
	for y := range p.H {
		add(y * p.W)
		add(y*p.W + p.W - 1)
	}
	best := 0
	for k, n := range count {
		if n > count[best] {
			best = k
		}
	}
	n := count[best]
	return [3]uint8{uint8(sum[best][0] / n), uint8(sum[best][1] / n), uint8(sum[best][2] / n)}, float64(n) / float64(2*(p.W+p.H))
}

// connect numbers the connected sets of marked cells, eight neighbours each, in the order of their first cells.
func (pg *Page) connect() {
	w, h := pg.w, pg.h
	pg.near = large.Make[int32](w * h)
	for i := range pg.near {
		pg.near[i] = -1
	}
	var stack []int32
	for i, on := range pg.ink {
		if !on || pg.near[i] >= 0 {
			continue
		}
		id := int32(len(pg.parts))
		p := part{box: image.Rect(i%w, i/w, i%w+1, i/w+1)}
		pg.near[i] = id
		stack = append(stack[:0], int32(i))
		for len(stack) > 0 {
			j := int(stack[len(stack)-1])
			stack = stack[:len(stack)-1]
			x, y := j%w, j/w
			p.cells++
			p.box.Min.X, p.box.Max.X = min(p.box.Min.X, x), max(p.box.Max.X, x+1)
			p.box.Max.Y = max(p.box.Max.Y, y+1)
			p.box.Min.Y = min(p.box.Min.Y, y)
			for v := max(0, y-1); v <= min(h-1, y+1); v++ {
				for u := max(0, x-1); u <= min(w-1, x+1); u++ {
					if k := v*w + u; pg.ink[k] && pg.near[k] < 0 {
						pg.near[k] = id
						stack = append(stack, int32(k))
					}
				}
			}
		}
		pg.parts = append(pg.parts, p)
	}
	pg.countHoles()
	if pg.sheet.Kind != Digital {
		pg.leaveRim()
	}
}

// rimDepth is how far into the page, as a share of its longer side, the edge of a sheet of paper may show.
const rimDepth = 0.012

// leaveRim sets aside what lies along the rim of a page of paper and nowhere else: the edge of the sheet, its shadow, a
// sliver of the desk.
func (pg *Page) leaveRim() {
	n := int(math.Ceil(pg.share(rimDepth)))
	count := make([]int, len(pg.parts)) // cells at the rim
	for y := range pg.h {
		for x := range pg.w {
			if min(x, y, pg.w-1-x, pg.h-1-y) >= n {
				continue
			}
			if i := y*pg.w + x; pg.ink[i] {
				count[pg.near[i]]++
			}
		}
	}
	for i := range pg.parts {
		p := &pg.parts[i]
		p.text = 20*count[i] >= 19*p.cells
	}
}

// countHoles counts the enclosed places of each part by its Euler number: of the 2×2 windows, those with one marked cell
// less those with three, less twice those with two on a diagonal, over four (S. B. Gray, "Local properties of binary
// images in two dimensions", 1971, for eight neighbours). All marked cells of a window are of one part.
func (pg *Page) countHoles() {
	quads := make([]int, len(pg.parts))
	at := func(x, y int) int32 {
		if x < 0 || y < 0 || x >= pg.w || y >= pg.h || !pg.ink[y*pg.w+x] {
			return -1
		}
		return pg.near[y*pg.w+x]
	}
	for y := -1; y < pg.h; y++ {
		for x := -1; x < pg.w; x++ {
			q := [4]int32{at(x, y), at(x+1, y), at(x, y+1), at(x+1, y+1)}
			n, id := 0, int32(-1)
			for _, v := range q {
				if v >= 0 {
					n++
					id = v
				}
			}
			switch {
			case n == 1:
				quads[id]++
			case n == 3:
				quads[id]--
			case n == 2 && (q[0] >= 0) == (q[3] >= 0):
				quads[id] -= 2
			}
		}
	}
	for i := range pg.parts {
		pg.parts[i].holes = 1 - quads[i]/4
	}
}

// gap is the least distance between two parts that no third one parts, in cells.
type gap struct {
	a, b int32 // a < b
	d    float64
}

// measureGaps spreads the parts over the map until they meet and returns the gaps across the places where they do,
// smallest first. The spreading is the eight-neighbour vector propagation of P.-E. Danielsson, "Euclidean distance
// mapping", 1980, whose distances are off by a fraction of a cell at most.
func (pg *Page) measureGaps() []gap {
	w, h := pg.w, pg.h
	if len(pg.parts) == 0 {
		return nil
	}
	type offset struct{ x, y int16 }
	const far = 1 << 14
	off := large.Make[offset](w * h)
	for i, on := range pg.ink {
		if !on {
			off[i] = offset{far, far}
		}
	}
	length := func(o offset) int { return int(o.x)*int(o.x) + int(o.y)*int(o.y) }
	look := func(i, dx, dy int) {
		j := i + dy*w + dx
		if off[j].x == far {
			return
		}
		o := offset{off[j].x + int16(dx), off[j].y + int16(dy)}
		if off[i].x == far || length(o) < length(off[i]) {
			off[i], pg.near[i] = o, pg.near[j]
		}
	}
	sweep := func(i, x, y, up int) {
		if v := y + up; v >= 0 && v < h {
			look(i, 0, up)
			if x > 0 {
				look(i, -1, up)
			}
			if x < w-1 {
				look(i, 1, up)
			}
		}
	}
	for _, up := range [2]int{-1, 1} {
		for k := range h {
			y := k
			if up > 0 {
				y = h - 1 - k
			}
			for x := range w {
				sweep(y*w+x, x, y, up)
				if x > 0 {
					look(y*w+x, -1, 0)
				}
			}
			for x := w - 2; x >= 0; x-- {
				look(y*w+x, 1, 0)
			}
		}
	}
	least := map[[2]int32]float64{}
	meet := func(i, j, dx, dy int) {
		a, b := pg.near[i], pg.near[j]
		if a == b || a < 0 || b < 0 {
			return
		}
		// from the mark nearest to i to the one nearest to j
		x := float64(int(off[j].x) - int(off[i].x) + dx)
		y := float64(int(off[j].y) - int(off[i].y) + dy)
		d := math.Max(0, math.Sqrt(float64(x*x)+float64(y*y))-1)
		k := [2]int32{min(a, b), max(a, b)}
		if old, ok := least[k]; !ok || d < old {
			least[k] = d
		}
	}
	for y := range h {
		for x := range w {
			i := y*w + x
			if x < w-1 {
				meet(i, i+1, 1, 0)
			}
			if y < h-1 {
				meet(i, i+w, 0, 1)
				if x < w-1 {
					meet(i, i+w+1, 1, 1)
				}
				if x > 0 {
					meet(i, i+w-1, -1, 1)
				}
			}
		}
	}
	gaps := make([]gap, 0, len(least))
	for k, d := range least {
		gaps = append(gaps, gap{k[0], k[1], d})
	}
	slices.SortFunc(gaps, func(a, b gap) int {
		switch {
		case a.d != b.d:
			if a.d < b.d {
				return -1
			}
			return 1
		case a.a != b.a:
			return int(a.a - b.a)
		}
		return int(a.b - b.b)
	})
	return gaps
}

// frame sets the boxes of a plate, in px of the whole page.
func (pg *Page) frame(p *Plate) {
	var cells image.Rectangle
	for _, i := range p.parts {
		cells = cells.Union(pg.parts[i].box)
	}
	k := pg.scale * float64(pg.step)
	px := func(c int) int { return int(math.Round(float64(c) * k)) }
	whole := image.Rect(pg.origin.X, pg.origin.Y, pg.W, pg.H)
	p.Marks = image.Rect(px(cells.Min.X), px(cells.Min.Y), px(cells.Max.X), px(cells.Max.Y)).Add(pg.origin).Intersect(whole)
	p.AtRim = cells.Min.X == 0 || cells.Min.Y == 0 || cells.Max.X == pg.w || cells.Max.Y == pg.h
	least := max(8, int(math.Round(0.006*float64(max(pg.W, pg.H)))))
	p.Box = p.Marks.Inset(-max(least, int(math.Round(plateInset*float64(max(p.Marks.Dx(), p.Marks.Dy())))))).Intersect(whole)
}

// order sorts the plates as one reads. A row is what lies beside its highest plate: a plate belongs to it whose middle
// is above that one's lower end, or that overlaps it by half of the lower one's height.
func (pg *Page) order() {
	box := make(map[int32]image.Rectangle, len(pg.Plates)) // by the first part
	for _, p := range pg.Plates {
		var b image.Rectangle
		for _, i := range p.parts {
			b = b.Union(pg.parts[i].box)
		}
		box[p.parts[0]] = b
	}
	at := func(p Plate) image.Rectangle { return box[p.parts[0]] }
	rest := pg.Plates
	slices.SortFunc(rest, func(a, b Plate) int {
		if d := at(a).Min.Y - at(b).Min.Y; d != 0 {
			return d
		}
		return at(a).Min.X - at(b).Min.X
	})
	var sorted []Plate
	for len(rest) > 0 {
		head := at(rest[0])
		var row, later []Plate
		for _, p := range rest {
			b := at(p)
			over := min(b.Max.Y, head.Max.Y) - max(b.Min.Y, head.Min.Y)
			if 2*over >= min(b.Dy(), head.Dy()) {
				row = append(row, p)
			} else {
				later = append(later, p)
			}
		}
		slices.SortStableFunc(row, func(a, b Plate) int { return at(a).Min.X + at(a).Max.X - at(b).Min.X - at(b).Max.X })
		sorted = append(sorted, row...)
		rest = later
	}
	pg.Plates = sorted
}

// Bounds is what can be cut: the whole page.
func (pg *Page) Bounds() image.Rectangle { return image.Rect(0, 0, pg.W, pg.H) }
