package check

import (
	"math"

	"pochoir/cmd/pochoir/internal/deliver/survey"
)

// What a signature looks like, as shares of the diagonal or of the sides of the drawing area. Our own choice.
const (
	strokeLong   = 0.12 // longest piece of writing
	strokeThin   = 0.35 // width of a stroke over the size of its piece, at most
	pieceGap     = 0.02 // between pieces of one signature
	signWide     = 0.28 // length of a signature
	signHigh     = 0.10
	signLeast    = 0.02
	signPieces   = 3    // fewer pieces may be anything
	cornerReach  = 0.30 // share of each side that counts as near the corner
	clearAround  = 0.01 // what is drawn this close belongs to the picture
	largeGround  = 0.25 // a shape larger than this share of the drawing area is a ground to write on
	writtenShape = 1.2  // a signature is at least this many times as wide as high
)

// signature returns the box of a small, isolated group of strokes of one colour near a corner, longer than high, or
// nil.
func signature(areas []area, width, height float64) *survey.Box {
	diag := math.Hypot(width, height)
	near := func(b survey.Box) bool {
		x, y := (b.MinX+b.MaxX)/2/width, (b.MinY+b.MaxY)/2/height
		return math.Min(x, 1-x) < cornerReach && math.Min(y, 1-y) < cornerReach
	}
	var pieces []int
	for i := range areas {
		a := &areas[i]
		long := math.Max(a.box.Width(), a.box.Height())
		if long < strokeLong*diag && long > 0 && near(a.box) && a.width() < strokeThin*long {
			pieces = append(pieces, i)
		}
	}
	grow := func(b survey.Box, by float64) survey.Box {
		return survey.Box{MinX: b.MinX - by, MinY: b.MinY - by, MaxX: b.MaxX + by, MaxY: b.MaxY + by}
	}
	done := make(map[int]bool, len(pieces))
	for _, first := range pieces {
		if done[first] {
			continue
		}
		done[first] = true
		group, box := []int{first}, areas[first].box
		for k := 0; k < len(group); k++ {
			reach := grow(areas[group[k]].box, pieceGap*diag)
			for _, j := range pieces {
				if !done[j] && areas[j].colour == areas[first].colour && reach.Meets(areas[j].box) {
					done[j] = true
					group = append(group, j)
					box = box.Union(areas[j].box)
				}
			}
		}
		if len(group) < signPieces || box.Width() > signWide*diag || box.Height() > signHigh*diag ||
			box.Width() < signLeast*diag || box.Width() < writtenShape*box.Height() || !near(box) {
			continue
		}
		inGroup := make(map[int]bool, len(group))
		for _, j := range group {
			inGroup[j] = true
		}
		alone, zone := true, grow(box, clearAround*diag)
		for j := range areas {
			if !inGroup[j] && areas[j].box.Meets(zone) && areas[j].size < largeGround*width*height &&
				touches(&areas[j], zone) {
				alone = false
				break
			}
		}
		if alone {
			return &box
		}
	}
	return nil
}

// touches reports whether an outline, not only its box, comes into a zone.
func touches(a *area, zone survey.Box) bool {
	for _, r := range a.rings {
		for _, p := range flatten(r, nil, flatness(a.box)) {
			if p.X >= zone.MinX && p.X <= zone.MaxX && p.Y >= zone.MinY && p.Y <= zone.MaxY {
				return true
			}
		}
	}
	return false
}
