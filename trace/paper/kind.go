package paper

import (
	"encoding/binary"
	"image"
	"math"
	"runtime"
	"sort"
	"sync"
)

// Kind is where the pixels of a picture come from.
type Kind int

const (
	KindAuto Kind = iota // find out
	Digital              // drawn on a computer: areas of one exact colour
	Scan                 // paper on a scanner: even light, no desk
	Snapshot             // paper before a camera
)

func (k Kind) String() string {
	switch k {
	case Digital:
		return "digital"
	case Scan:
		return "scan"
	case Snapshot:
		return "snapshot"
	}
	return "auto"
}

// What tells a digital picture from paper: on paper no area is of one exact colour, for fibres texture it, light falls
// off over it and the sensor adds noise. On a computer it is, and JPEG coding gives every macroblock that lies inside
// it back unchanged. Strong JPEG coding also makes a noisy area flat block by block, but then neighbouring blocks differ
// by a level or two, which the few colours of a digital drawing never do. The limits were measured on open drawings,
// rendered, scaled and coded in many ways (370 pictures, 16 % and more of the calm blocks flat, none beside a near
// shade) and on simulated and real captures, scaled and coded in as many ways (290 pictures; where more than 12 % of
// the calm blocks were flat, at least 0.8 % of them lay beside a near shade).
const (
	blockSide    = 16 // px: a JPEG macroblock at 4:2:0
	flatRange    = 1  // levels a flat block varies by at most
	calmRange    = 16 // levels a block without an edge varies by at most
	nearShade    = 4  // levels between two shades that no drawing would tell apart
	maxNearShare = 0.004
	minFlatShare = 0.12
	// Where every flat block is pure white or black, a clipped scan is still possible, and nearly all calm blocks must be
	// flat: a clipped scan keeps specks and grain beside the ink, a digital ink drawing has nothing but ink and paper.
	minFlatShareClipped = 0.90
	minCalmBlocks       = 12    // below this there are too few blocks to judge by, and small windows are looked at
	maxBlocks           = 10000 // looked at; large pictures are sampled evenly
	// A picture without loss that is this smooth over its calm blocks was never before a sensor (mean absolute value of
	// the mask of noise.go, levels): a painted gradient.
	maxDigitalGrain = 0.25
)

// shade counts blocks of one colour.
type shade struct {
	rgb [3]int
	n   int
}

// census is what is counted of blocks or windows.
type census struct {
	flat, calm int
	shades     map[uint32]int // flat ones by 0x00RRGGBB; counted only, never ranged over without sorting
	grain      int64          // sum of absolute mask responses over calm blocks
	grainN     int64
}

// KindOf returns what Prepare will take a picture for: what the options or the plate say, or what the pixels tell. A Scan
// may turn out to be a Snapshot once its light has been seen.
func KindOf(pic *Picture, opt Options) Kind {
	switch {
	case pic.Plate != KindAuto:
		return pic.Plate
	case opt.Kind != KindAuto:
		return opt.Kind
	}
	return detectKind(pic)
}

// detectKind tells digital pictures from paper. For paper it returns Snapshot when a camera took it and else Scan.
func detectKind(pic *Picture) Kind {
	view := innerView(pic)
	c := countBlocks(pic, view, blockSide)
	if c.calm < minCalmBlocks {
		c = countBlocks(pic, view, 4)
	}
	if c.digital(pic.Lossy) {
		return Digital
	}
	if pic.Camera || pic.Focal35 > 0 {
		return Snapshot
	}
	return Scan
}

func (c *census) digital(lossy bool) bool {
	if c.calm == 0 {
		return true // nothing but edges: nothing speaks for paper
	}
	if !lossy && float64(c.grain) <= maxDigitalGrain*float64(c.grainN) {
		return true
	}
	share := float64(c.flat) / float64(c.calm)
	if share < minFlatShare {
		return false
	}
	list := make([]shade, 0, len(c.shades))
	for k, n := range c.shades {
		list = append(list, shade{[3]int{int(k >> 16), int(k >> 8 & 255), int(k & 255)}, n})
	}
	sort.Slice(list, func(i, j int) bool {
		a, b := list[i], list[j]
		if a.n != b.n {
			return a.n > b.n
		}
		return a.rgb[0]<<16|a.rgb[1]<<8|a.rgb[2] < b.rgb[0]<<16|b.rgb[1]<<8|b.rgb[2]
	})
	const most = 256 // a picture with more flat shades than this has near ones among the first
	near, clipped := 0, 0
	for i, s := range list[:min(len(list), most)] {
		if s.rgb == [3]int{} || s.rgb == [3]int{255, 255, 255} {
			clipped += s.n
		}
		for _, t := range list[:i] {
			if abs(s.rgb[0]-t.rgb[0]) <= nearShade && abs(s.rgb[1]-t.rgb[1]) <= nearShade && abs(s.rgb[2]-t.rgb[2]) <= nearShade {
				near += s.n
				break
			}
		}
	}
	if float64(near) > maxNearShare*float64(c.flat) {
		return false
	}
	if c.flat-clipped < c.flat/100 {
		return share >= minFlatShareClipped
	}
	return true
}

func abs(v int) int { return max(v, -v) }

// countBlocks looks at the side×side blocks of the picture's own grid that lie in view.
func countBlocks(pic *Picture, view image.Rectangle, side int) *census {
	c := &census{shades: map[uint32]int{}}
	x0, y0 := (view.Min.X+side-1)/side, (view.Min.Y+side-1)/side
	nx, ny := view.Max.X/side-x0, view.Max.Y/side-y0
	if nx <= 0 || ny <= 0 {
		return c
	}
	step := 1 + nx*ny/maxBlocks // in rows of blocks: what lies side by side in memory is read faster
	// Sums and counts do not depend on which part a block is counted in.
	parts := make([]census, runtime.GOMAXPROCS(0))
	var wg sync.WaitGroup
	for k := range parts {
		wg.Go(func() {
			p := &census{shades: map[uint32]int{}} // of its own, so that no two workers share a line of the cache
			for j := k * step; j < ny; j += len(parts) * step {
				for i := range nx {
					p.block(pic, (x0+i)*side, (y0+j)*side, side)
				}
			}
			parts[k] = *p
		})
	}
	wg.Wait()
	for _, p := range parts {
		c.flat, c.calm = c.flat+p.flat, c.calm+p.calm
		c.grain, c.grainN = c.grain+p.grain, c.grainN+p.grainN
		for shade, n := range p.shades {
			c.shades[shade] += n
		}
	}
	return c
}

func (c *census) block(pic *Picture, x, y, side int) {
	if pic.Lossy && side == blockSide && oneColour(pic, y*pic.W+x) {
		p := pic.at(y*pic.W + x)
		c.calm++
		c.flat++
		c.shades[p&255<<16|p&0xff00|p>>16&255]++
		return
	}
	var lo, hi uint32 // the channels as they lie in a pixel
	two := [2]uint64{math.MaxUint64, 0}
	var buf [4 * blockSide]uint8
	for j := range side {
		row := pic.row((y+j)*pic.W+x, side, buf[:])
		for ; len(row) >= 8; row = row[8:] { // two pixels
			v := binary.LittleEndian.Uint64(row)
			two[0], two[1] = least8(two[0], v), most8(two[1], v)
		}
		lo, hi = uint32(least8(two[0], two[0]>>32)), uint32(most8(two[1], two[1]>>32))
		if widest(lo, hi) > calmRange {
			return
		}
	}
	c.calm++
	if widest(lo, hi) <= flatRange {
		c.flat++
		c.shades[lo&255<<16|lo&0xff00|lo>>16&255]++
	}
	if pic.Lossy { // coding smooths, and nobody asks for the grain
		return
	}
	for j := 1; j < side-1; j++ {
		for i := 1; i < side-1; i++ {
			p := 4*((y+j)*pic.W+x+i) + 1
			c.grain += int64(abs(maskResponse(pic.Pix, p, 4, 4*pic.W)))
			c.grainN++
		}
	}
}

// widest returns by how many levels the channel varies that varies most, between pixels lo and hi.
func widest(lo, hi uint32) int {
	d := hi - lo // no channel of hi is less, so none borrows
	return int(max(d&255, d>>8&255, d>>16&255))
}

// oneColour reports whether the block of blockSide x blockSide pixels from pixel i on is of one colour, as most are in
// pictures coded with loss.
func oneColour(pic *Picture, i int) bool {
	c := pic.at(i)
	for to := i + blockSide*pic.W; i < to; i += pic.W {
		if pic.runEnd(i, i+blockSide, c) < i+blockSide {
			return false
		}
	}
	return true
}

// innerView is the picture without a frame of one colour round it, such as a page or a program pastes round a
// photograph. A picture of one colour is all view.
func innerView(pic *Picture) image.Rectangle {
	w, h := pic.W, pic.H
	all := image.Rect(0, 0, w, h)
	if pic.len() < w*h || w == 0 || h == 0 {
		return all
	}
	frame := pic.at(0)
	const slack = 2 // levels: a coded frame is not quite even
	same := func(i int) bool {
		p := pic.at(i)
		for k := 0; k < 24; k += 8 {
			if abs(int(uint8(p>>k))-int(uint8(frame>>k))) > slack {
				return false
			}
		}
		return true
	}
	// until returns where the frame ends at x1 at the latest, going from x0 to the right in row y.
	until := func(y, x0, x1 int) int {
		for i, end := y*w+x0, y*w+x1; i < end; i++ {
			if i = pic.runEnd(i, end, frame); i < end && !same(i) {
				return i - y*w
			}
		}
		return x1
	}
	r := all
	for r.Min.Y < r.Max.Y && until(r.Min.Y, 0, w) == w {
		r.Min.Y++
	}
	if r.Min.Y == r.Max.Y {
		return all
	}
	for until(r.Max.Y-1, 0, w) == w {
		r.Max.Y--
	}
	// Row by row, as they lie in memory: the sides are where the row that reaches farthest out begins and ends.
	var wg sync.WaitGroup
	left, right := w, 0
	wg.Go(func() {
		for y := r.Min.Y; y < r.Max.Y; y++ {
			left = until(y, 0, left)
		}
	})
	for y := r.Min.Y; y < r.Max.Y; y++ {
		from, i := y*w+right, y*w+w
		for ; i > from; i-- {
			if i = pic.runStart(from, i, frame); i == from || !same(i-1) {
				break
			}
		}
		right = i - y*w
	}
	wg.Wait()
	r.Min.X, r.Max.X = left, right
	return r
}
