package paper

import (
	"image"
	"math"
	"slices"
)

// This file decides which marks of a page make one drawing, and which are writing.

// grouping joins parts of a page into drawings.
type grouping struct {
	pg   *Page
	gaps []gap
	up   []int32 // towards the part that stands for the group
	box  []image.Rectangle
	thin []bool // strokes and nothing else
}

func newGrouping(pg *Page, gaps []gap) *grouping {
	g := &grouping{pg: pg, gaps: gaps, up: make([]int32, len(pg.parts)), box: make([]image.Rectangle, len(pg.parts)), thin: make([]bool, len(pg.parts))}
	for i := range pg.parts {
		g.up[i], g.box[i], g.thin[i] = int32(i), pg.parts[i].box, pg.parts[i].stroke()
	}
	return g
}

func (g *grouping) find(i int32) int32 {
	for g.up[i] != i {
		g.up[i] = g.up[g.up[i]]
		i = g.up[i]
	}
	return i
}

func (g *grouping) unite(a, b int32) {
	a, b = min(a, b), max(a, b)
	g.up[b] = a
	g.box[a] = g.box[a].Union(g.box[b])
	g.thin[a] = g.thin[a] && g.thin[b]
}

func (g *grouping) size(i int32) float64 { return float64(max(g.box[i].Dx(), g.box[i].Dy())) }

// leaveOut sets aside the lines of writing that are not to be drawn.
func (g *grouping) leaveOut(lines []writing, opt PlateOptions) {
	pg := g.pg
	for _, l := range lines {
		keep := opt.KeepCaptions
		if l.number {
			keep = opt.KeepNumbers
			pg.Numbers++
		} else {
			pg.Captions++
		}
		for _, i := range l.parts {
			pg.parts[i].text = true
		}
		if keep && l.number { // a plate of its own
			for _, i := range l.parts[1:] {
				if a, b := g.find(l.parts[0]), g.find(i); a != b {
					g.unite(a, b)
				}
			}
			for _, i := range l.parts {
				pg.parts[i].text = false
			}
		}
	}
}

// join unites parts by nearness, smallest gap first, until nothing changes: a join may bring a group to the size that
// lets the next one follow.
func (g *grouping) join() {
	for changed := true; changed; {
		changed = false
		for _, e := range g.gaps {
			if g.pg.parts[e.a].text || g.pg.parts[e.b].text {
				continue
			}
			if a, b := g.find(e.a), g.find(e.b); a != b && g.together(a, b, e.d) {
				g.unite(a, b)
				changed = true
			}
		}
	}
}

// together reports whether two groups, d cells apart, make one drawing.
func (g *grouping) together(a, b int32, d float64) bool {
	pg := g.pg
	large, small := g.size(a), g.size(b)
	if large < small {
		a, b = b, a
		large, small = small, large
	}
	if d <= math.Max(1.5, pg.share(touching)) {
		return true
	}
	// One lies in the other's box: between its arms, or within its outline.
	both := g.box[a].Intersect(g.box[b])
	inside := float64(both.Dx()*both.Dy()) / float64(max(1, g.box[b].Dx()*g.box[b].Dy()))
	if inside > 0.75 {
		return true
	}
	if small > looseSize*large && small >= pg.share(leastDrawn) {
		// Two drawings in their own right, unless they lie into one another, or very near for their size.
		return inside > 0.3 && d <= innerGap*2*large || d <= innerGap*small
	}
	switch { // a small mark about a larger drawing
	case small > looseSize*large:
		return d <= math.Min(looseGap*large, pg.share(farthest))
	case g.thin[b]:
		return d <= strokeGap*large
	case small >= pg.share(leastDrawn):
		return d <= ownGap*small
	}
	return d <= math.Min(looseGap*large, pg.share(farthest))
}

// adopt gives small groups that are no drawings to the drawing nearest to them, and leaves those out that have none
// near.
func (g *grouping) adopt() {
	pg := g.pg
	least := pg.share(leastDrawn)
	stray := func(i int32) bool { return g.size(i) < least }
	for _, e := range g.gaps {
		if e.d > pg.share(farthest) {
			break
		}
		if pg.parts[e.a].text || pg.parts[e.b].text {
			continue
		}
		a, b := g.find(e.a), g.find(e.b)
		if a != b && (stray(a) || stray(b)) {
			g.unite(a, b)
		}
	}
	for i := range pg.parts {
		if r := int32(i); !pg.parts[i].text && g.up[r] == r && stray(r) {
			pg.Specks++
			for k := range pg.parts {
				if !pg.parts[k].text && g.find(int32(k)) == r {
					pg.parts[k].text = true
				}
			}
		}
	}
}

// plates returns the groups.
func (g *grouping) plates() []Plate {
	at := make([]int, len(g.up)) // 1 + the plate of the group
	var list []Plate
	for i := range g.pg.parts {
		if g.pg.parts[i].text {
			continue
		}
		r := g.find(int32(i))
		if at[r] == 0 {
			list = append(list, Plate{})
			at[r] = len(list)
		}
		p := &list[at[r]-1]
		p.parts = append(p.parts, int32(i))
	}
	return list
}

// writing is a line of letters.
type writing struct {
	parts  []int32
	box    image.Rectangle
	number bool // stands like a page number
}

// findWriting looks for lines of writing: small parts of like height side by side on one line, away from what is larger,
// or low and wide ones below or above a drawing.
func (pg *Page) findWriting(gaps []gap) []writing {
	most := pg.share(mostText)
	small := func(i int32) bool {
		b := pg.parts[i].box
		return !pg.parts[i].text && float64(b.Dy()) <= most && float64(b.Dx()) <= 9*most
	}
	// Parts that touch what is large are no letters.
	tied := make([]bool, len(pg.parts))
	for _, e := range gaps {
		if e.d > math.Max(1, pg.share(touching)/2) {
			break
		}
		if !small(e.a) && !pg.parts[e.a].text {
			tied[e.b] = true
		}
		if !small(e.b) && !pg.parts[e.b].text {
			tied[e.a] = true
		}
	}
	for i := range pg.parts {
		for k := range pg.parts {
			if i != k && !small(int32(k)) && !pg.parts[k].text && pg.parts[i].box.In(pg.parts[k].box) {
				tied[i] = true
				break
			}
		}
	}
	g := newGrouping(pg, gaps)
	for _, e := range gaps {
		if tied[e.a] || tied[e.b] || !small(e.a) || !small(e.b) {
			continue
		}
		a, b := g.find(e.a), g.find(e.b)
		if a == b {
			continue
		}
		p, q := g.box[a], g.box[b]
		low, high := float64(min(p.Dy(), q.Dy())), float64(max(p.Dy(), q.Dy()))
		over := float64(min(p.Max.Y, q.Max.Y) - max(p.Min.Y, q.Min.Y))
		side := float64(max(p.Min.X, q.Min.X) - min(p.Max.X, q.Max.X)) // between them, negative where one is above
		union := float64(p.Union(q).Dy())
		switch {
		case union > most || union > 1.9*high:
		case over >= 0.5*low && side <= 1.3*high: // beside one another
			g.unite(a, b)
		case side < 0 && over < 0 && -over <= 0.5*high && low <= 0.4*high: // a dot or an accent
			g.unite(a, b)
		}
	}
	members := map[int32][]int32{}
	var roots []int32
	for i := range pg.parts {
		if tied[i] || !small(int32(i)) {
			continue
		}
		r := g.find(int32(i))
		if members[r] == nil {
			roots = append(roots, r)
		}
		members[r] = append(members[r], int32(i))
	}
	var drawings []image.Rectangle
	for i := range pg.parts {
		if !small(int32(i)) && !pg.parts[i].text {
			drawings = append(drawings, pg.parts[i].box)
		}
	}
	var lines []writing
	for _, r := range roots {
		l := writing{parts: members[r], box: g.box[r]}
		if pg.isWriting(&l, drawings) {
			lines = append(lines, l)
		}
	}
	return lines
}

// isWriting judges a line of small parts.
func (pg *Page) isWriting(l *writing, drawings []image.Rectangle) bool {
	b := l.box
	w, h := float64(b.Dx()), float64(b.Dy())
	cells, tall := 0, 0
	for _, i := range l.parts {
		cells += pg.parts[i].cells
		if 2*pg.parts[i].box.Dy() >= b.Dy() {
			tall++
		}
	}
	fill := float64(cells) / float64(w*h)
	for _, d := range drawings {
		if b.Overlaps(d) && !thinOverlap(b, d) {
			return false
		}
	}
	rim := pg.share(rimBand)
	atRim := float64(b.Min.Y) < rim || float64(pg.h-b.Max.Y) < rim
	if atRim && len(l.parts) <= 6 && h >= 4 && w <= 3.5*h && h <= pg.share(0.03) && fill < 0.75 && !pg.near1(b, drawings, h) {
		l.number = true
		return true
	}
	switch {
	case h < 4 || h > pg.share(mostText) || fill > 0.7 || !pg.tight(l):
		return false
	case tall >= 3 && w >= 1.8*h:
		return true
	case tall >= 3 && w >= 1.2*h && pg.captionOf(b, drawings):
		return true
	case tall >= 2 && w >= 2.2*h && pg.near1(b, drawings, 2.5*h):
		return true
	case w >= 1.5*h && h <= pg.share(0.03) && pg.near1(b, drawings, 2.5*h):
		// A word in one stroke: low against the drawing it stands by.
		return pg.captionOf(b, drawings)
	}
	return false
}

// tight reports whether most letters of a line stand as near to the next as letters do, and not as loose strokes do: at
// most 0.45 of the line's height.
func (pg *Page) tight(l *writing) bool {
	boxes := make([]image.Rectangle, 0, len(l.parts))
	for _, i := range l.parts {
		if b := pg.parts[i].box; 5*b.Dy() >= 2*l.box.Dy() {
			boxes = append(boxes, b)
		}
	}
	slices.SortFunc(boxes, func(a, b image.Rectangle) int { return a.Min.X - b.Min.X })
	near := 0
	for i := 1; i < len(boxes); i++ {
		if 20*(boxes[i].Min.X-boxes[i-1].Max.X) <= 9*l.box.Dy() {
			near++
		}
	}
	return 2*near >= len(boxes)-1
}

// thinOverlap reports whether the boxes only brush one another.
func thinOverlap(a, b image.Rectangle) bool {
	o := a.Intersect(b)
	return 3*o.Dx()*o.Dy() <= a.Dx()*a.Dy()
}

// near1 reports whether a drawing is within reach of a line.
func (pg *Page) near1(b image.Rectangle, drawings []image.Rectangle, reach float64) bool {
	near := b.Inset(-int(math.Ceil(reach)))
	return slices.ContainsFunc(drawings, func(d image.Rectangle) bool { return d.Overlaps(near) })
}

// captionOf reports whether a line stands right below or above a drawing, narrower than it and much lower.
func (pg *Page) captionOf(b image.Rectangle, drawings []image.Rectangle) bool {
	return slices.ContainsFunc(drawings, func(d image.Rectangle) bool {
		over := min(b.Max.X, d.Max.X) - max(b.Min.X, d.Min.X)
		return 10*over >= 8*b.Dx() && 7*b.Dy() <= 2*d.Dy() && 10*b.Dx() <= 12*d.Dx() &&
			(b.Min.Y >= d.Max.Y || b.Max.Y <= d.Min.Y)
	})
}

// addCaptions gives each caption to the plate nearest to it; writing with none near becomes a plate of its own.
func (pg *Page) addCaptions(lines []writing) {
	var boxes []image.Rectangle
	for _, p := range pg.Plates {
		var b image.Rectangle
		for _, i := range p.parts {
			b = b.Union(pg.parts[i].box)
		}
		boxes = append(boxes, b)
	}
	found := len(boxes)
	for _, l := range lines {
		if l.number {
			continue
		}
		best, least := -1, math.Inf(1)
		for k, b := range boxes[:found] {
			dx := math.Max(0, float64(max(b.Min.X-l.box.Max.X, l.box.Min.X-b.Max.X)))
			dy := math.Max(0, float64(max(b.Min.Y-l.box.Max.Y, l.box.Min.Y-b.Max.Y)))
			if l.box.Min.Y < b.Min.Y {
				dy *= 1.5 // a caption stands below its drawing rather than above
			}
			if d := math.Hypot(dx, dy); d < least {
				best, least = k, d
			}
		}
		for _, i := range l.parts {
			pg.parts[i].text = false
		}
		if best >= 0 && least <= math.Max(4*float64(l.box.Dy()), pg.share(farthest)) {
			p := &pg.Plates[best]
			p.parts = append(p.parts, l.parts...)
			slices.Sort(p.parts)
			continue
		}
		pg.Plates = append(pg.Plates, Plate{parts: l.parts})
	}
}
