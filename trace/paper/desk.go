package paper

import "math"

// This file tells the desk from a sheet that is not straightened: one that runs out of the picture on several sides, is
// curled, or lies on a cloth with a pattern. Bare paper holds a drawing together, and a sheet is convex but for a little
// curl: what lies outside the hull of the paper is desk if a sharp edge parts it from the paper and it holds no paper of
// its own.

const (
	// Shares of the picture's short side. Stretches of paper narrower than deskGap are no sheet but the stripes of a cloth
	// beside it; a sheet may curl in by deskCurl.
	deskGap, deskCurl = 0.03, 0.05
	leastSheet        = 0.3 // of the picture
	deskFold          = 3   // cells: half the width of a fold, which parts the paper of one sheet
	// The edge of a sheet is a step of deskStep in some channel of the logarithm of light, within deskFar cells of the rim of
	// what is bare. Of what there is from there to as far on the other side, at least deskSharp happens over deskWide cells:
	// at the rim of a shadow, it is no more than in proportion. It must be seen along leastEdge of the way.
	deskStep          = 0.12
	deskWide, deskFar = 4, 7
	deskSharp         = 0.65
	leastEdge         = 0.6
	mostPaperOnDesk   = 0.01 // of the picture: another sheet is no desk
)

// findDesk marks the cells that surely are desk, given those that show bare paper.
func findDesk(g *field, paper mask) mask {
	w, h := g.w, g.h
	short := float64(min(w, h))
	gap := max(2, int(math.Round(deskGap*short/2)))
	none := newMask(w, h)
	broad := paper.enclosed().opened(gap)
	sheet := broad.near(deskFold).largest()
	for i, on := range broad.on {
		sheet.on[i] = sheet.on[i] && on
	}
	if float64(sheet.count()) < leastSheet*float64(w*h) {
		return none
	}
	// What is drawn may cut into the hull from the picture's rim. The desk cuts in by no more than curl, and is broader
	// than a stroke.
	desk := sheet.hull().not()
	if desk.on[h/2*w+w/2] { // the picture is one of the sheet
		return none
	}
	desk.grow(int(deskCurl*short), sheet.not().opened(1))
	seen := desk.not()
	for i, on := range desk.on {
		if !on {
			continue
		}
		cells := desk.part(i, seen)
		other := 0
		for _, j := range cells {
			if broad.on[j] {
				other++
			}
		}
		if float64(other) > mostPaperOnDesk*float64(w*h) || edgeShare(g, paper, desk, cells) < leastEdge {
			for _, j := range cells {
				none.on[j] = true
			}
		}
	}
	for i := range desk.on {
		desk.on[i] = desk.on[i] && !none.on[i]
	}
	return desk
}

// edgeShare returns along how much of its border a part of the desk shows the edge of a sheet, with bare paper behind it.
func edgeShare(g *field, paper, desk mask, part []int32) float64 {
	ways, edges := 0, 0
	for _, i := range part {
		x, y := int(i)%g.w, int(i)/g.w
		for _, d := range [4][2]int{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			at := func(k int) (int, bool) {
				u, v := x+k*d[0], y+k*d[1]
				return v*g.w + u, u >= 0 && v >= 0 && u < g.w && v < g.h
			}
			if j, ok := at(1); !ok || desk.on[j] {
				continue
			}
			ways++
			if j, ok := at(deskFar); (!ok || paper.on[j]) && sharpEdge(g, at) {
				edges++
			}
		}
	}
	if ways == 0 {
		return 0
	}
	return float64(edges) / float64(ways)
}

// sharpEdge reports whether the edge of a sheet runs through a row or column of cells near its cell 0.
func sharpEdge(g *field, at func(k int) (int, bool)) bool {
	end := func(k int) int { // the outermost cell on that side
		for {
			if i, ok := at(k); ok {
				return i
			}
			if k > 0 {
				k--
			} else {
				k++
			}
		}
	}
	in, out := end(deskFar), end(-deskFar)
	for c := range 3 {
		all := math.Abs(float64(g.v[3*in+c] - g.v[3*out+c]))
		for k := -deskFar; k+deskWide <= deskFar; k++ {
			i, ok := at(k)
			j, there := at(k + deskWide)
			if !ok || !there {
				continue
			}
			if step := math.Abs(float64(g.v[3*i+c] - g.v[3*j+c])); step > deskStep && step > deskSharp*all {
				return true
			}
		}
	}
	return false
}

// crumbs returns the cells that are not clean paper and lie along what is erased and nowhere else: slivers of the desk, of
// the sheet's own edge. What goes on into the sheet is drawn.
func crumbs(erased, clean mask) mask {
	const deepest = 4 // cells
	seen, zone := newMask(clean.w, clean.h), erased.near(deepest)
	marks := clean.not()
	for i, on := range erased.on {
		seen.on[i] = clean.on[i] || on
	}
	out := newMask(clean.w, clean.h)
	for i, done := range seen.on {
		if done {
			continue
		}
		cells := marks.part(i, seen)
		beside, all := false, true
		for _, j := range cells {
			all = all && zone.on[j]
			marks.around(int(j), func(k int) { beside = beside || erased.on[k] })
		}
		for _, j := range cells {
			out.on[j] = beside && all
		}
	}
	return out
}
