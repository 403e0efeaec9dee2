package trace

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/trace/internal/planar"
	"pochoir/trace/paper"
)

// This file holds what a person corrects by hand: at single places, where no setting of the whole picture serves, and
// among the swatches.

// TouchKind says what a Touch does.
type TouchKind int

const (
	Corner   TouchKind = iota // the outline turns sharply at At
	Smooth                    // the outline runs smoothly at At
	Join                      // the area at To becomes one with that at At: a bridge where both are of one colour
	Separate                  // the area that holds both At and To is cut between them where it is narrowest
	Drop                      // the mark at At goes, into what lies around it
	Keep                      // the mark at At stays, however small
	Lay                       // the area at At gets the colour of Swatch, unless it is ink
)

// Touch is one correction. Places are in px of the picture, not of the sheet, so that they stay where they are when the
// sheet is straightened another way. A touch that finds nothing to do there does nothing.
type Touch struct {
	Do     TouchKind
	At, To fit.Point       // To is read by Join and Separate
	Swatch quantize.Swatch // of Lay: by its name where the palette has that, else added to it
}

// Pour gives all of one swatch to another, by their names in the palette. Names that are not in it are passed over.
type Pour struct{ From, Into string }

// maxTouches bounds the corrections of one picture; each may cost a pass over its area.
const maxTouches = 10000

func (o *Options) checkTouches() error {
	if len(o.Touches) > maxTouches {
		return fmt.Errorf("trace: %d Touches, want at most %d", len(o.Touches), maxTouches)
	}
	for _, t := range o.Touches {
		if t.Do < Corner || t.Do > Lay {
			return fmt.Errorf("trace: Touch.Do = %d, want %d..%d", t.Do, Corner, Lay)
		}
		for _, v := range [4]float64{t.At.X, t.At.Y, t.To.X, t.To.Y} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("trace: Touch at (%g, %g) to (%g, %g), want places in the picture", t.At.X, t.At.Y, t.To.X, t.To.Y)
			}
		}
	}
	return nil
}

// onSheet returns the touches with their places in px of the sheet.
func onSheet(touches []Touch, s *paper.Sheet) []Touch {
	out := make([]Touch, len(touches))
	for i, t := range touches {
		out[i] = Touch{t.Do, s.Homography.Apply(t.At), s.Homography.Apply(t.To), t.Swatch}
	}
	return out
}

// placesOf returns the places of the touches of one kind.
func placesOf(touches []Touch, kind TouchKind) []fit.Point {
	var out []fit.Point
	for _, t := range touches {
		if t.Do == kind {
			out = append(out, t.At)
		}
	}
	return out
}

// poured applies the pours to f, in order.
func poured(f *quantize.Flats, pours []Pour) *quantize.Flats {
	to := make([]uint8, len(f.Palette))
	for l := range to {
		to[l] = uint8(l)
	}
	find := func(name string) int {
		for l, s := range f.Palette {
			if s.Name == name {
				return l
			}
		}
		return -1
	}
	any := false
	for _, p := range pours {
		from, into := find(p.From), find(p.Into)
		if from < 0 || into < 0 || to[from] == to[into] {
			continue
		}
		gone, kept := to[from], to[into]
		for l := range to {
			if to[l] == gone {
				to[l] = kept
			}
		}
		any = true
	}
	if !any {
		return f
	}
	return f.Pour(to)
}

// sameSwatch is the colour difference, ΔE00, up to which a locked swatch takes the place of one that was found.
const sameSwatch = 20.0

// withLocked returns the palette that was found with the locked swatches in it: each in the place of the nearest one
// that no other has taken, or in addition where none is near.
func withLocked(found, locked []quantize.Swatch) []quantize.Swatch {
	out := append([]quantize.Swatch(nil), found...)
	taken := make([]bool, len(found))
	for _, s := range locked {
		best, least := -1, sameSwatch
		for i := range found {
			if d := found[i].Colour.Difference(s.Colour); !taken[i] && d <= least {
				best, least = i, d
			}
		}
		if best < 0 {
			out = append(out, s)
			continue
		}
		taken[best] = true
		out[best] = s
	}
	// A name or a colour stands once; the locked ones have it.
	kept := out[:0]
	for i, s := range out {
		clash := false
		for _, l := range locked {
			clash = clash || l != s && (l.Name == s.Name || l.Colour == s.Colour)
		}
		if i < len(found) && !taken[i] && clash {
			continue
		}
		kept = append(kept, s)
	}
	return kept
}

// recoloured gives the layers of d the colours that the colourway has for their names.
func recoloured(d *Drawing, colourway []quantize.Swatch) {
	for i := range d.Layers {
		for _, s := range colourway {
			if s.Name == d.Layers[i].Name {
				d.Layers[i].Colour = s.Colour
			}
		}
	}
}

// touchUp applies the touches that change what belongs to which area, in order, to a copy of f.
func touchUp(f *quantize.Flats, touches []Touch) *quantize.Flats {
	var b *areaBrush
	for _, t := range touches {
		if t.Do == Corner || t.Do == Smooth || t.Do == Keep {
			continue
		}
		if b == nil {
			b = &areaBrush{f: f.Copy(), seen: make([]uint64, (f.W*f.H+63)/64)}
		}
		at, ok := b.pixel(t.At)
		if !ok {
			continue
		}
		switch t.Do {
		case Drop:
			b.drop(at)
			continue
		case Lay:
			b.lay(at, t.Swatch)
			continue
		}
		if to, ok := b.pixel(t.To); ok && t.Do == Join {
			b.join(at, to, t)
		} else if ok {
			b.separate(at, to)
		}
	}
	if b == nil {
		return f
	}
	return b.f
}

// areaBrush repaints areas of a copy of Flats.
type areaBrush struct {
	f    *quantize.Flats
	seen []uint64 // a bit a pixel, clear between calls
	area []int32
}

func (b *areaBrush) pixel(p fit.Point) (i int, ok bool) {
	if !(p.X >= 0 && p.Y >= 0 && p.X < float64(b.f.W) && p.Y < float64(b.f.H)) {
		return 0, false
	}
	return int(p.Y)*b.f.W + int(p.X), true
}

func (b *areaBrush) inArea(i int) bool { return b.seen[i>>6]>>(uint(i)&63)&1 != 0 }

// find returns the pixels of the area that holds pixel i, joined as the planar map joins them. The result is good until
// the next call; forget must be called before it.
func (b *areaBrush) find(i int) []int32 {
	f := b.f
	w, h, own := f.W, f.H, f.Labels[i]
	b.area = append(b.area[:0], int32(i))
	b.seen[i>>6] |= 1 << (uint(i) & 63)
	add := func(j int) {
		if !b.inArea(j) {
			b.seen[j>>6] |= 1 << (uint(j) & 63)
			b.area = append(b.area, int32(j))
		}
	}
	for k := 0; k < len(b.area); k++ {
		p := int(b.area[k])
		x, y := p%w, p/w
		for d := range 4 {
			nx, ny := x+planar.DX[d], y+planar.DY[d]
			if nx >= 0 && ny >= 0 && nx < w && ny < h && f.Labels[ny*w+nx] == own {
				add(ny*w + nx)
			}
		}
		for d := range 4 {
			dx, dy := 2*(d&1)-1, d&2-1
			nx, ny := x+dx, y+dy
			if nx < 0 || ny < 0 || nx >= w || ny >= h || f.Labels[ny*w+nx] != own || f.Labels[y*w+nx] == own || f.Labels[ny*w+x] == own {
				continue
			}
			vx, vy := max(x, nx), max(y, ny)
			l := func(x, y int) uint8 { return f.Labels[y*w+x] }
			want := planar.Rising
			if dx == dy {
				want = planar.Falling
			}
			if joinSaddle(f, vx, vy, l(vx-1, vy-1), l(vx, vy-1), l(vx-1, vy), l(vx, vy)) == want {
				add(ny*w + nx)
			}
		}
	}
	return b.area
}

// forget clears what find marked.
func (b *areaBrush) forget() {
	for _, i := range b.area {
		b.seen[i>>6] = 0
	}
}

// fringe is how far an edge may spread into the pixels on either side of it, px.
const fringe = 2

// repaint gives the area found last the label l. Pixels along its edge that mix it with a neighbour mix l with it after.
func (b *areaBrush) repaint(l uint8) {
	f := b.f
	w, h := f.W, f.H
	old := f.Labels[b.area[0]]
	done := map[int]bool{}
	for _, p := range b.area {
		x, y := int(p)%w, int(p)/w
		rim := false
		for d := range 4 {
			nx, ny := x+planar.DX[d], y+planar.DY[d]
			rim = rim || nx >= 0 && ny >= 0 && nx < w && ny < h && !b.inArea(ny*w+nx)
		}
		if !rim {
			continue
		}
		for ny := max(0, y-fringe); ny <= min(h-1, y+fringe); ny++ {
			for nx := max(0, x-fringe); nx <= min(w-1, x+fringe); nx++ {
				j := ny*w + nx
				if done[j] || f.IsCore(j) {
					continue
				}
				done[j] = true
				beside := f.Labels[j]
				if b.inArea(j) {
					var ok bool
					if beside, ok = b.outside(nx, ny); !ok {
						continue
					}
				}
				switch {
				case beside == old:
				case beside == l:
					f.Paint(j, f.Labels[j])
					if b.inArea(j) {
						f.Paint(j, l)
						f.Labels[j] = old // until the end, below
					}
				default:
					f.Exchange(j, old, beside, l)
				}
			}
		}
	}
	for _, p := range b.area {
		i := int(p)
		if done[i] {
			f.Labels[i] = l
		} else {
			f.Paint(i, l)
		}
	}
}

// outside returns the label nearest to pixel (x, y) of the area that is not of it.
func (b *areaBrush) outside(x, y int) (l uint8, ok bool) {
	w, h := b.f.W, b.f.H
	least := 1 << 30
	for ny := max(0, y-fringe); ny <= min(h-1, y+fringe); ny++ {
		for nx := max(0, x-fringe); nx <= min(w-1, x+fringe); nx++ {
			if d := (nx-x)*(nx-x) + (ny-y)*(ny-y); d < least && !b.inArea(ny*w+nx) {
				least, l, ok = d, b.f.Labels[ny*w+nx], true
			}
		}
	}
	return l, ok
}

// drop gives the mark at pixel i to the neighbour with the longest common border; the nearest colour breaks ties.
func (b *areaBrush) drop(i int) {
	f := b.f
	var shared [256]int
	for _, p := range b.find(i) {
		x, y := int(p)%f.W, int(p)/f.W
		for d := range 4 {
			nx, ny := x+planar.DX[d], y+planar.DY[d]
			if nx >= 0 && ny >= 0 && nx < f.W && ny < f.H && f.Labels[ny*f.W+nx] != f.Labels[i] {
				shared[f.Labels[ny*f.W+nx]]++
			}
		}
	}
	own := f.Palette[f.Labels[i]].Colour
	best := -1
	for l, n := range shared {
		if n > 0 && (best < 0 || n > shared[best] || n == shared[best] && own.Difference(f.Palette[l].Colour) < own.Difference(f.Palette[best].Colour)) {
			best = l
		}
	}
	if best >= 0 {
		b.repaint(uint8(best))
	}
	b.forget()
}

// lay gives the area at pixel i the colour of a swatch, which joins the palette where it is not in it.
func (b *areaBrush) lay(i int, s quantize.Swatch) {
	f := b.f
	if int(f.Labels[i]) == f.Ink {
		return
	}
	l, ok := f.Add(s)
	if !ok || l == f.Labels[i] {
		return
	}
	b.find(i)
	b.repaint(l)
	b.forget()
}

// join makes one area of those at two pixels.
func (b *areaBrush) join(at, to int, t Touch) {
	f := b.f
	l := f.Labels[at]
	if f.Labels[to] != l {
		b.find(to)
		b.repaint(l)
		b.forget()
		return
	}
	b.find(at)
	same := b.inArea(to)
	b.forget()
	if !same {
		b.band(t.At, t.To, b.room(t.At, l), b.room(t.To, l), l)
	}
}

// Half the width of a bridge, px: that of the lines it joins, within bounds.
const (
	leastBridge = 0.75
	mostBridge  = 24.0
)

// room returns the distance from p to the nearest pixel that is not of label l, px, within the bounds of a bridge.
func (b *areaBrush) room(p fit.Point, l uint8) float64 {
	f := b.f
	best := mostBridge
	for y := max(0, int(p.Y-mostBridge)); y <= min(f.H-1, int(p.Y+mostBridge)); y++ {
		for x := max(0, int(p.X-mostBridge)); x <= min(f.W-1, int(p.X+mostBridge)); x++ {
			if f.Labels[y*f.W+x] != l {
				best = min(best, fit.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5}.Sub(p).Len()-0.5)
			}
		}
	}
	return max(leastBridge, best)
}

// band lays a band of label l from one place to another, with round ends; ra and rb are half its width at either.
func (b *areaBrush) band(from, to fit.Point, ra, rb float64, l uint8) {
	f := b.f
	d := to.Sub(from)
	length2 := d.Dot(d)
	r := max(ra, rb) + 1
	x0, x1 := max(0, int(min(from.X, to.X)-r)), min(f.W-1, int(max(from.X, to.X)+r))
	y0, y1 := max(0, int(min(from.Y, to.Y)-r)), min(f.H-1, int(max(from.Y, to.Y)+r))
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			i := y*f.W + x
			if f.Labels[i] == l && f.IsCore(i) {
				continue
			}
			p := fit.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5}
			t := 0.0
			if length2 > 0 {
				t = min(1, max(0, p.Sub(from).Dot(d)/length2))
			}
			half := ra + float64(t*(rb-ra))
			if share := half + 0.5 - p.Sub(from.Lerp(to, t)).Len(); share > 0 {
				f.Cover(i, l, min(1, share))
			}
		}
	}
}

const (
	// mostCuts bounds the cuts that part two places.
	mostCuts = 12
	// cutHalf is half the width of a cut, px: wide enough to be an area of its own.
	cutHalf = 1.1
)

// separate cuts the area that holds both pixels at its narrowest places between them, with what lies beside it.
func (b *areaBrush) separate(at, to int) {
	l := b.f.Labels[at]
	for range mostCuts {
		if b.f.Labels[at] != l || b.f.Labels[to] != l {
			return
		}
		b.find(at)
		if !b.inArea(to) {
			b.forget()
			return
		}
		neck := b.neck(at, to)
		from, over, beside, ok := b.across(neck)
		b.forget()
		if !ok {
			return
		}
		b.band(from, over, cutHalf, cutHalf, beside)
	}
}

// neck returns the narrowest pixel on the widest way from one pixel of the area found last to another. Widths are
// chamfer distances with steps 3 and 4 (Borgefors, "Distance transformations in digital images", 1986).
func (b *areaBrush) neck(at, to int) int {
	f := b.f
	x0, y0, x1, y1 := f.W, f.H, 0, 0
	for _, p := range b.area {
		x, y := int(p)%f.W, int(p)/f.W
		x0, y0, x1, y1 = min(x0, x), min(y0, y), max(x1, x), max(y1, y)
	}
	w, h := x1-x0+3, y1-y0+3 // with a rim of the outside
	dist := make([]int32, w*h)
	local := func(i int) int { return (i/f.W-y0+1)*w + i%f.W - x0 + 1 }
	for _, p := range b.area {
		dist[local(int(p))] = math.MaxInt32 / 2
	}
	relax := func(i int, steps [4]int) {
		if dist[i] == 0 {
			return
		}
		for k, s := range steps {
			dist[i] = min(dist[i], dist[i+s]+int32(3+k&1))
		}
	}
	for i := w + 1; i < w*h-w-1; i++ {
		relax(i, [4]int{-1, -w - 1, -w, -w + 1})
	}
	most := int32(0)
	for i := w*h - w - 2; i > w; i-- {
		relax(i, [4]int{1, w + 1, w, w - 1})
		most = max(most, dist[i])
	}
	// Flood from at, widest first.
	const unseen, start = -1, -2
	came := make([]int32, w*h)
	for i := range came {
		came[i] = unseen
	}
	queue := make([][]int32, most+1)
	a, z := local(at), local(to)
	came[a] = start
	queue[dist[a]] = append(queue[dist[a]], int32(a))
	for level := dist[a]; level > 0 && came[z] == unseen; {
		n := len(queue[level])
		if n == 0 {
			level--
			continue
		}
		p := int(queue[level][n-1])
		queue[level] = queue[level][:n-1]
		for _, s := range [8]int{1, -1, w, -w, w + 1, w - 1, -w + 1, -w - 1} {
			if q := p + s; dist[q] > 0 && came[q] == unseen {
				came[q] = int32(p)
				queue[dist[q]] = append(queue[dist[q]], int32(q))
				level = max(level, dist[q])
			}
		}
	}
	best := z
	for i := z; i >= 0 && came[i] != unseen; i = int(came[i]) {
		if dist[i] < dist[best] {
			best = i
		}
		if came[i] == start {
			break
		}
	}
	return (best/w+y0-1)*f.W + best%w + x0 - 1
}

// across returns the places on both sides of the area found last that lie nearest to its pixel i, and the label beyond
// the first.
func (b *areaBrush) across(i int) (from, over fit.Point, beside uint8, ok bool) {
	f := b.f
	x, y := i%f.W, i/f.W
	nearest := func(away *fit.Point, reach int) (d fit.Point, at int, ok bool) {
		least := math.Inf(1)
		for ny := max(0, y-reach); ny <= min(f.H-1, y+reach); ny++ {
			for nx := max(0, x-reach); nx <= min(f.W-1, x+reach); nx++ {
				v := fit.Point{X: float64(nx - x), Y: float64(ny - y)}
				if n := v.Len(); n < least && !b.inArea(ny*f.W+nx) && (away == nil || v.Dot(*away) < -0.5*n*away.Len()) {
					least, d, at, ok = n, v, ny*f.W+nx, true
				}
			}
		}
		return d, at, ok
	}
	const farthest = 400 // px
	c := fit.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5}
	for reach := 4; reach <= farthest; reach *= 2 {
		d, at, found := nearest(nil, reach)
		if !found {
			continue
		}
		for ; reach <= farthest; reach *= 2 {
			if e, _, found := nearest(&d, reach); found {
				return c.Add(d), c.Add(e), f.Labels[at], true
			}
		}
	}
	return from, over, 0, false
}

// Mark is a small area of the picture.
type Mark struct {
	At     fit.Point // its middle, px of the sheet
	Radius float64   // of a ring around it, px
	Dust   float64   // the least setting of dust that drops it, px
}

const (
	mostMarkDust = 40.0 // px; larger areas are no marks
	mostMarks    = 4000 // reported at most, the smallest first
)

// dustOf returns the least setting of dust that drops a face, px.
func dustOf(face *planar.Face) float64 {
	across := float64(max(face.MaxX-face.MinX, face.MaxY-face.MinY))
	return max(math.Sqrt(float64(face.Area)), across/2)
}

// A mark up to strayMost px across is a stray speck where nothing else is drawn within strayFar px of it.
const strayMost, strayFar = 12, 100

// isStray reports whether a face lies by itself on the ground, small and far from the boxes of all others.
func isStray(m *planar.Map, f *quantize.Flats, face *planar.Face) bool {
	if f.Ground < 0 || int(face.Label) == f.Ground || dustOf(face) > strayMost {
		return false
	}
	for i := range m.Faces {
		o := &m.Faces[i]
		self := o.MinX == face.MinX && o.MinY == face.MinY && o.Area == face.Area && o.Label == face.Label
		if !self && int(o.Label) != f.Ground && o.MinX < face.MaxX+strayFar && o.MaxX > face.MinX-strayFar &&
			o.MinY < face.MaxY+strayFar && o.MaxY > face.MinY-strayFar {
			return false
		}
	}
	return true
}

// isLone reports whether a face is a single pixel with one label all around it.
func isLone(f *quantize.Flats, face *planar.Face) bool {
	x, y := int(face.MinX), int(face.MinY)
	if face.Area > 1 || x < 1 || y < 1 || x+1 >= f.W || y+1 >= f.H {
		return false
	}
	around := f.Labels[y*f.W+x-1]
	for yy := y - 1; yy <= y+1; yy++ {
		for xx := x - 1; xx <= x+1; xx++ {
			if (xx != x || yy != y) && f.Labels[yy*f.W+xx] != around {
				return false
			}
		}
	}
	return true
}

// marksOf lists the small faces of m, lone pixels left out if these are kept.
func marksOf(m *planar.Map, f *quantize.Flats, lone bool) []Mark {
	var out []Mark
	for i := range m.Faces {
		face := &m.Faces[i]
		if d := dustOf(face); d <= mostMarkDust && !(lone && isLone(f, face)) {
			w, h := float64(face.MaxX-face.MinX), float64(face.MaxY-face.MinY)
			out = append(out, Mark{At: fit.Point{X: float64(face.MinX) + w/2, Y: float64(face.MinY) + h/2}, Radius: math.Hypot(w, h) / 2, Dust: d})
		}
	}
	slices.SortStableFunc(out, func(a, b Mark) int { return cmp.Compare(a.Dust, b.Dust) })
	return out[:min(len(out), mostMarks)]
}

// areaKey tells touches apart that change areas or what is kept of them.
func areaKey(touches []Touch) string {
	var s strings.Builder
	for _, t := range touches {
		if t.Do != Corner && t.Do != Smooth {
			fmt.Fprint(&s, t)
		}
	}
	return s.String()
}

// keptFaces returns the faces of m that hold one of the places.
func keptFaces(m *planar.Map, places []fit.Point) map[*planar.Face]bool {
	kept := map[*planar.Face]bool{}
	for _, p := range places {
		if p.X >= 0 && p.Y >= 0 && p.X < float64(m.W) && p.Y < float64(m.H) {
			kept[&m.Faces[m.FaceAt(int(p.X), int(p.Y))]] = true
		}
	}
	return kept
}
