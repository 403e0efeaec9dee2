package quantize

import (
	"cmp"
	"math"
	"slices"
)

// This file finds the areas that ink encloses, also where its line has gaps. Two places belong to one area where a ball
// wider than the gap can roll from one to the other (Zhang, Chen, Zhang, Ren & Hu, "Vectorizing cartoon animations",
// IEEE Transactions on Visualization and Computer Graphics 15(4), 2009, section 4.1: trapped balls). Balls of all sizes are rolled at once: the places are
// flooded from the widest down along their distance to the ink, and two floods that meet in an opening no wider than
// the gap stay apart if both are much wider than the opening. What a small ball alone can reach thus falls to the
// area that it opens into, and the lane between two strokes of hatching is no area of its own.

// Areas are the areas that ink encloses.
type Areas struct {
	W, H int
	Of   []int32 // area of each pixel, row by row; under ink that of the nearest place beside it. 0 is outside
	At   []Place // by area, 1 and up: the place farthest from the ink
	Line float64 // usual width of the ink's lines, px; 0 without ink
	Gap  float64 // px, as used
}

// Place is a pixel.
type Place struct{ X, Y int }

const (
	// gapOfLine is the gap that is bridged unasked, in line widths, and gapMargin what soft ends add to it, px: a break
	// half as wide as the line counts as a slip of the pen.
	gapOfLine = 0.5
	gapMargin = 1.0
	// roomierBy is how many times wider than an opening both areas must be for a line to be missing there, and
	// roomierPx how much in addition, px: below it is a bay.
	roomierBy = 2.5
	roomierPx = 0.5
	// leastShut is the area, in squares of the line's width, that an opening must part from the rest to be a gap: between
	// smaller places lie strokes of texture, such as the twist of a rope. A gap that was asked for is one everywhere.
	leastShut = 60.0
	// shutOutside is what part of that is enough against the outside, where an opening left would lose the area.
	shutOutside = 0.1
	// pocketOfLine is the width, in line widths, up to which a place may be a pocket between strokes and no area,
	// pocketAreas its area in squares of the line's width, and pocketPicture the same as a share of the picture: what is
	// larger one would want to colour by itself.
	pocketOfLine  = 4.0
	pocketAreas   = 16.0
	pocketPicture = 3.5e-4
	// pocketInk is the half width, in line widths, up to which ink is a stroke and parts no areas that belong together.
	pocketInk = 0.75
	// hatching is how many pockets lie together where strokes cross, and closeHatching how many do that are narrower than
	// narrow line widths; fewer are areas, however small, unless they have less than nick of a square each.
	hatching      = 8
	closeHatching = 3
	narrow        = 1.5
	nick          = 0.15
	// pocketShare is the share of a pocket's border that it must have in common with the area it is given to.
	pocketShare = 0.25
	// speck is the area up to which a pocket goes to whatever is next to it, be that the outside, px.
	speck = 3
)

// EnclosedBy finds the areas enclosed by the labels for which ink is true (len of the palette). gap is the widest
// opening in a line that still encloses, px; below 0 it is taken from the width of the lines. What reaches the
// picture's frame is outside.
func (f *Flats) EnclosedBy(ink []bool, gap float64) *Areas {
	n := f.W * f.H
	a := &Areas{W: f.W, H: f.H, Of: make([]int32, n), At: make([]Place, 1)}
	mask := make([]bool, n)
	any := false
	for i, l := range f.Labels {
		mask[i] = ink[l]
		any = any || mask[i]
	}
	if !any {
		return a
	}
	// A lane of paper that is less than half a pixel wide keeps its label, but parts no ink.
	for i, l := range f.Labels {
		if ink[l] || f.IsCore(i) {
			continue
		}
		x := i % f.W
		for k, j := range [4]int{i - 1, i + 1, i - f.W, i + f.W} {
			if k == 0 && x == 0 || k == 1 && x == f.W-1 || j < 0 || j >= n || !ink[f.Labels[j]] {
				continue
			}
			if f.Coverage(i, f.Labels[j], l) > 0.5 {
				mask[i] = true
				break
			}
		}
	}
	free := make([]bool, n)
	for i := range mask {
		free[i] = !mask[i]
	}
	inside, beside := nearestOf(free, f.W, f.H)
	a.Line = lineWidth(mask, inside, f.W, f.H)
	a.Gap = gap
	least := 0.0
	if gap < 0 {
		least = leastShut * a.Line * a.Line
		a.Gap = gapOfLine*a.Line + gapMargin
	}
	room, _ := nearestOf(mask, f.W, f.H)
	fl := flood{w: f.W, h: f.H, ink: mask, room: room, inside: inside, beside: beside, line: a.Line, least: least}
	fl.run(a.Gap)
	fl.pockets()
	// Areas are numbered in reading order.
	number := make([]int32, n)
	for i := range mask {
		if mask[i] {
			continue
		}
		r := fl.find(int32(i))
		if fl.open[r] {
			continue
		}
		if number[r] == 0 {
			number[r] = int32(len(a.At))
			a.At = append(a.At, Place{-1, 0})
		}
		k := number[r]
		a.Of[i] = k
		if p := &a.At[k]; p.X < 0 || room[i] > room[p.Y*f.W+p.X] {
			*p = Place{i % f.W, i / f.W}
		}
	}
	for i := range mask {
		if mask[i] && beside[i] >= 0 {
			a.Of[i] = a.Of[beside[i]]
		}
	}
	return a
}

// far stands for no site anywhere, px².
const far = math.MaxInt32 / 2

// nearestOf returns for every pixel the squared distance, px², to the nearest pixel that is a site, and which that is
// (-1 without any; of equally near ones the one found first). Method: Meijster, Roerdink & Hesselink, "A general
// algorithm for computing distance transforms in linear time", 2000.
func nearestOf(site []bool, w, h int) (d2 []int32, at []int32) {
	d2, at = make([]int32, w*h), make([]int32, w*h)
	// up[i] is the row of the nearest site in the column of pixel i.
	column := make([]int32, w*h)
	for x := range w {
		last := int32(-1)
		for y := range h {
			if site[y*w+x] {
				last = int32(y)
			}
			column[y*w+x] = last
		}
		next := int32(-1)
		for y := h - 1; y >= 0; y-- {
			if site[y*w+x] {
				next = int32(y)
			}
			c := column[y*w+x]
			if c < 0 || next >= 0 && int(next)-y < y-int(c) {
				column[y*w+x] = next
			}
		}
	}
	stack, from := make([]int, w), make([]int, w)
	g := make([]int, w)
	for y := range h {
		top := -1
		for x := range w {
			c := column[y*w+x]
			if c < 0 {
				continue
			}
			g[x] = (y - int(c)) * (y - int(c))
			for top >= 0 {
				// Where the parabola of x goes below that on top of the stack.
				s := stack[top]
				cut := -1
				if above := x*x - s*s + g[x] - g[s]; above >= 0 {
					cut = above / (2 * (x - s))
				}
				if cut < from[top] {
					top--
					continue
				}
				if cut+1 < w {
					top++
					stack[top], from[top] = x, cut+1
				}
				break
			}
			if top < 0 {
				top = 0
				stack[0], from[0] = x, 0
			}
		}
		if top < 0 {
			for x := range w {
				d2[y*w+x], at[y*w+x] = far, -1
			}
			continue
		}
		for x := w - 1; x >= 0; x-- {
			for top > 0 && from[top] > x {
				top--
			}
			s := stack[top]
			d2[y*w+x] = int32((x-s)*(x-s) + g[s])
			at[y*w+x] = column[y*w+s]*int32(w) + int32(s)
		}
	}
	return d2, at
}

// lineWidth returns the median width of the ink along the middle of its lines, px. inside is the squared distance of
// ink pixels to what is not ink.
func lineWidth(ink []bool, inside []int32, w, h int) float64 {
	const widest = 256
	var count [2 * widest]int // by half pixels
	total := 0
	for y := range h {
		for x := range w {
			i := y*w + x
			if !ink[i] {
				continue
			}
			d := inside[i]
			if x > 0 && inside[i-1] > d || x+1 < w && inside[i+1] > d || y > 0 && inside[i-w] > d || y+1 < h && inside[i+w] > d {
				continue
			}
			// A line of n px has a middle (n+1)/2 px from the pixels beside it, one of an even number n/2.
			width := min(widest-1, 2*math.Sqrt(float64(d))-0.5)
			count[int(2*width)]++
			total++
		}
	}
	sum := 0
	for k, n := range count {
		if sum += n; 2*sum >= total && n > 0 {
			return float64(k) / 2
		}
	}
	return 0
}

// flood is the state of flooding: a forest over the pixels that are not ink.
type flood struct {
	w, h   int
	ink    []bool
	room   []int32 // squared distance to the ink, px²
	inside []int32 // squared distance of ink to what is none, px²
	beside []int32 // of ink pixels: the nearest pixel that is none
	line   float64
	least  float64 // area that an opening must part from the rest, px

	parent []int32
	area   []int32 // of roots, px
	peak   []int32 // of roots: largest room
	open   []bool  // of roots: reaches the frame
}

func (f *flood) find(i int32) int32 {
	for f.parent[i] != i {
		f.parent[i] = f.parent[f.parent[i]]
		i = f.parent[i]
	}
	return i
}

// join makes one of two trees; the root of the wider one stays, of equally wide ones the earlier.
func (f *flood) join(i, j int32) {
	i, j = f.find(i), f.find(j)
	if i == j {
		return
	}
	if f.peak[j] > f.peak[i] || f.peak[j] == f.peak[i] && j < i {
		i, j = j, i
	}
	f.parent[j] = i
	f.area[i] += f.area[j]
	f.open[i] = f.open[i] || f.open[j]
}

// run floods everything, the widest places first.
func (f *flood) run(gap float64) {
	n := f.w * f.h
	f.parent, f.area, f.peak, f.open = make([]int32, n), make([]int32, n), make([]int32, n), make([]bool, n)
	// In an opening of g px the place farthest from the ink has pixels of ink (g+1)/2 px away.
	limit := int32(float64((gap+1)*(gap+1))/4 + 0.001)
	count := make([]int32, limit+2)
	for i := range n {
		if f.ink[i] {
			f.parent[i] = -1
			continue
		}
		f.parent[i] = int32(i)
		x, y := i%f.w, i/f.w
		f.area[i], f.peak[i], f.open[i] = 1, f.room[i], x == 0 || y == 0 || x == f.w-1 || y == f.h-1
		if f.room[i] <= limit {
			count[f.room[i]]++
		}
	}
	// What is wider than the gap is joined wherever it touches.
	for i := range n {
		if f.ink[i] || f.room[i] <= limit {
			continue
		}
		if i%f.w > 0 && f.room[i-1] > limit {
			f.join(int32(i), int32(i-1))
		}
		if i >= f.w && f.room[i-f.w] > limit {
			f.join(int32(i), int32(i-f.w))
		}
	}
	// The rest in order, the widest first and in reading order.
	start := make([]int32, limit+2)
	for d := limit - 1; d >= 0; d-- {
		start[d] = start[d+1] + count[d+1]
	}
	total := start[0] + count[0]
	order := make([]int32, total)
	for i := range n {
		if !f.ink[i] && f.room[i] <= limit {
			d := f.room[i]
			order[start[d]] = int32(i)
			start[d]++
		}
	}
	done := make([]bool, n)
	for i := range n {
		done[i] = !f.ink[i] && f.room[i] > limit
	}
	for _, i := range order {
		done[i] = true
		x, y := int(i)%f.w, int(i)/f.w
		var near [4]int32
		k := 0
		note := func(j int32) {
			if !done[j] {
				return
			}
			r := f.find(j)
			if !slices.Contains(near[:k], r) {
				near[k] = r
				k++
			}
		}
		if y > 0 {
			note(i - int32(f.w))
		}
		if x > 0 {
			note(i - 1)
		}
		if x+1 < f.w {
			note(i + 1)
		}
		if y+1 < f.h {
			note(i + int32(f.w))
		}
		if k == 0 {
			continue
		}
		slices.SortFunc(near[:k], func(a, b int32) int { return cmp.Or(cmp.Compare(f.peak[b], f.peak[a]), cmp.Compare(a, b)) })
		roomy := roomierBy*math.Sqrt(float64(f.room[i])) + roomierPx
		for _, r := range near[1:k] {
			// The widest comes first, so the narrower of the two decides.
			least := f.least
			if f.open[r] || f.open[near[0]] {
				least *= shutOutside
			}
			small := float64(min(f.area[r], f.area[near[0]])) < least
			if small || math.Sqrt(float64(f.peak[r])) < roomy || f.open[r] && f.open[near[0]] {
				f.join(near[0], r)
			}
		}
		f.join(near[0], i)
	}
}

// pockets gives the small places that strokes leave between them to the area that borders most of each.
func (f *flood) pockets() {
	w := max(f.line, 1)
	pocket := map[int32]bool{}
	var order []int32
	for i := range f.parent {
		if f.parent[i] != int32(i) || f.open[i] {
			continue
		}
		if wide := 2*math.Sqrt(float64(f.peak[i])) - 1; wide <= pocketOfLine*w && float64(f.area[i]) <= min(pocketAreas*w*w, pocketPicture*float64(f.w*f.h)) {
			pocket[int32(i)] = true
			order = append(order, int32(i))
		}
	}
	if len(order) == 0 {
		return
	}
	// Lengths of the borders of pockets, across the ink: pairs of pixels side by side that belong to two places.
	border := map[int32]map[int32]int{}
	thick := int32(float64((pocketInk*w + 1) * (pocketInk*w + 1)))
	note := func(a, b int32) {
		if !pocket[a] {
			return
		}
		if border[a] == nil {
			border[a] = map[int32]int{}
		}
		border[a][b]++
	}
	owner := func(i int) int32 {
		if f.ink[i] {
			i = int(f.beside[i])
		}
		return f.find(int32(i))
	}
	for y := range f.h {
		for x := range f.w {
			i := y*f.w + x
			if f.ink[i] && f.inside[i] > thick { // no stroke
				continue
			}
			a := owner(i)
			if x+1 < f.w {
				if b := owner(i + 1); a != b {
					note(a, b)
					note(b, a)
				}
			}
			if y+1 < f.h {
				if b := owner(i + f.w); a != b {
					note(a, b)
					note(b, a)
				}
			}
		}
	}
	// Pockets are told from small areas by their company.
	company := map[int32]int32{}
	for _, p := range order {
		company[p] = p
	}
	head := func(p int32) int32 {
		for company[p] != p {
			p = company[p]
		}
		return p
	}
	for _, p := range order {
		for b := range border[p] {
			if i, j := head(p), head(b); pocket[b] && i != j {
				company[max(i, j)] = min(i, j)
			}
		}
	}
	members := map[int32]int{}
	for _, p := range order {
		members[head(p)]++
	}
	order = slices.DeleteFunc(order, func(p int32) bool {
		want := hatching
		if 2*math.Sqrt(float64(f.peak[p]))-1 <= narrow*w {
			want = closeHatching
		}
		alone := members[head(p)] < want && float64(f.area[p]) > nick*w*w
		if alone {
			pocket[p] = false
		}
		return alone
	})
	// Those next to an area first, then those that touch what has been given away, until none is left.
	given := map[int32]bool{}
	for again := true; again; {
		again = false
		for _, p := range order {
			if given[p] {
				continue
			}
			sums, all := map[int32]int{}, 0
			for b, n := range border[p] {
				r := f.find(b)
				if r == p {
					continue
				}
				all += n
				if !f.open[r] && (!pocket[b] || given[b]) {
					sums[r] += n
				}
			}
			best := int32(-1)
			for r, n := range sums {
				if best < 0 || n > sums[best] || n == sums[best] && r < best {
					best = r
				}
			}
			if best >= 0 && float64(sums[best]) >= pocketShare*float64(all) {
				f.join(best, p)
				given[p], again = true, true
			}
		}
	}
	for _, p := range order {
		if given[p] || f.area[p] > speck {
			continue
		}
		best, most := int32(-1), 0
		for b, n := range border[p] {
			if r := f.find(b); r != p && (n > most || n == most && r < best) {
				best, most = r, n
			}
		}
		if best >= 0 {
			f.join(best, p)
		}
	}
}
