package paper

import (
	"bytes"
	"encoding/binary"
	"image"
	"math"
	"slices"

	"pochoir/quantize/large"
)

// This file takes pencil and non-photo blue, drawn before the ink, off a clean sheet. What tells them from ink and paint:
// they are thin, let most of the light through, and pencil keeps to the paper's grain. Where a sheet holds nothing
// stronger they are the drawing, and stay.

const (
	pencilReach = 6    // px: the closing takes out marks up to 2·pencilReach wide
	pencilMost  = 0.80 // no darker than this in the mean of its darkest tenth
	pencilInk   = 1.0  // darkness from which a thin mark is ink
	pencilPaint = 1.4  // darkness of a sheet's ink and paint; pencil is looked for only where there is some
	pencilBroad = 1.0  // the same of paint in even places broader than any pencil's mark
	pencilGrey  = 0.25 // of its darkness: how far the channels of a pencil's mark may differ on white paper
	tintGrey    = 0.50 // the same on paint, where grain weighs more in the channels that it darkens
	glareDoubt  = 0.02 // light that may have been taken for glare or left in it: it tells on dark grounds
	darkGround  = 64   // least level of a ground that pencil shows on; what varies below is the ink itself
	whiteGround = 225  // least level of a ground that counts as paper
	pencilGrain = 0.22 // of its mean: least standard deviation of the darkness along a pencil's mark
	moreGrain   = 0.14 // the same once pencil has been found
	fineGrain   = 0.16 // the same between places 3 px apart: a thin rim between two paints may vary along, but slowly
	paperGrain  = 0.11 // the same on paper, where long straight marks are drawn more evenly
	finePairs   = 30   // of such places, fewer tell nothing
	pencilLong  = 24   // px, least length of a mark; once some are found their crumbs of crumbLong px go too
	pencilSure  = 48   // px, the same of those by which pencil is believed: the grain of rough paper makes shorter ones
	crumbLong   = 4
	pencilLeast = 12   // % of the sheet's long side that sure marks must reach in all: grainy ink came to 9, pencil mostly over paint to 13
	pencilKeep  = 3    // px round ink that are left alone
	inkCrowd    = 10   // pixels as dark as ink within pencilKeep px, both ways, of one that is ink: fewer are a pencil's darkest grains
	pencilSame  = 0.30 // share of a mark's surroundings that may be as dark as itself: else it is the tip of an area
)

// mark is a connected set of pixels darker than what surrounds them and thin.
type mark struct {
	px     []int32
	length int        // of its bounding box's longer side, px
	mean   [3]float32 // darkness by channel
	doubt  [3]float32 // of that, as a share of it
	open   [3]bool    // channels in which that is known; the ground is too dark in the others
	white  bool       // most of it lies on paper
	high   float32    // of the darkest tenth
	grain  float32    // standard deviation over mean of the darkness
	fine   float32    // the same from place to place, as far as that is known
	same   float32    // share of the ring around it that is as dark
}

// dropPencil takes pencil and non-photo blue off the sheet and returns the length of what it was, px, about.
func (s *Sheet) dropPencil(c crew) (length int) {
	p := s.findPencil(c)
	s.erase(p)
	return p.length
}

// pencil is what was found of it on a sheet.
type pencil struct {
	length int             // px, about; 0 for none
	clean  *Sheet          // the part of the sheet that is drawn on, without it
	at     image.Rectangle // where that lies
}

// findPencil finds the pencil and non-photo blue on the sheet, and leaves it there.
func (s *Sheet) findPencil(c crew) (p pencil) {
	w, h := s.W, s.H
	if w < 4*pencilReach || h < 4*pencilReach {
		return p
	}
	strong, blue := s.paintThere()
	if !strong {
		return p
	}
	var drawn func(x, y int) bool
	if p.at, drawn = s.drawnTiles(c); p.at.Empty() {
		return p
	}
	p.clean = &Sheet{Picture: *cut(&s.Picture, p.at), Noise: s.Noise}
	p.length = p.clean.wipePencil(c, drawn, blue, pencilLeast*max(w, h)/100)
	return p
}

// erase takes the pencil that was found off the sheet.
func (s *Sheet) erase(p pencil) {
	if p.length == 0 {
		return
	}
	for y := range p.clean.H {
		copy(s.Pix[4*((y+p.at.Min.Y)*s.W+p.at.Min.X):], p.clean.Pix[4*y*p.clean.W:4*(y+1)*p.clean.W])
	}
}

// drawnTiles returns the rectangle of the tiles that hold more than paper, and which tiles of it those are.
func (s *Sheet) drawnTiles(c crew) (r image.Rectangle, drawn func(tx, ty int) bool) {
	tw, th := (s.W+markTile-1)/markTile, (s.H+markTile-1)/markTile
	all := make([]bool, tw*th)
	rows := make([]image.Rectangle, th)
	c.each(th, func(ty int) {
		for tx := range tw {
			t := image.Rect(tx*markTile, ty*markTile, min((tx+1)*markTile, s.W), min((ty+1)*markTile, s.H))
			if all[ty*tw+tx] = !s.bare(t.Min.X, t.Min.Y, t.Max.X, t.Max.Y, 255-s.grainStep()); all[ty*tw+tx] {
				rows[ty] = rows[ty].Union(t)
			}
		}
	})
	for _, t := range rows {
		r = r.Union(t)
	}
	first := r.Min.Y/markTile*tw + r.Min.X/markTile
	return r, func(tx, ty int) bool { return all[first+ty*tw+tx] }
}

// grainStep is the number of levels below which a difference is grain.
func (s *Sheet) grainStep() int { return int(math.Max(10, 3*s.Noise)) }

// wipePencil is dropPencil for a sheet that holds ink, in the tiles that are drawn on; nothing is done where pencil is
// less than least px long.
func (s *Sheet) wipePencil(c crew, drawn func(tx, ty int) bool, blue bool, least int) (length int) {
	ground, dark := s.thinMarks(c, drawn)
	keep := nearInk(c, dark, s.W, s.H)
	marks := findMarks(dark, s.W, s.H, keep)
	// weigh weighs the marks that are as long as pencil surely is, or those that are shorter.
	weigh := func(sure bool) {
		c.each(len(marks), func(i int) {
			if m := &marks[i]; (m.length >= pencilSure) == sure {
				s.weigh(m, dark, ground, keep)
			}
		})
	}
	weigh(true)
	pencil := 0
	for i := range marks {
		// On paper it is surest; strokes of crayon and felt-tip vary much as pencil does over paint.
		if m := &marks[i]; m.white && m.length >= pencilSure && m.isPencil(blue, pencilGrain) {
			pencil += m.length
		}
	}
	if pencil < least {
		return 0
	}
	weigh(false)
	for i := range marks {
		m := &marks[i]
		if m.same > pencilSame || !(m.isPencil(blue, moreGrain) || m.length < pencilLong && m.isCrumb()) {
			continue
		}
		length += m.length
		for _, j := range m.px {
			s.wipe(int(j), ground, dark)
		}
	}
	return length
}

// markUnit is the number of steps per unit of logarithm in which darkness is kept, and seenDark the darkness,
// in these steps, that a mark is followed by: some bit of seenBits is set in whatever is as dark.
const (
	markUnit = 64
	seenDark = 8
	seenBits = 0x100 - seenDark
)

// wipe puts the ground in place of pixel i and of the faint rim beside it.
func (s *Sheet) wipe(i int, ground, dark []uint8) {
	const rim = 3
	x, y := i%s.W, i/s.W
	for yy := max(0, y-rim); yy <= min(s.H-1, y+rim); yy++ {
		for xx := max(0, x-rim); xx <= min(s.W-1, x+rim); xx++ {
			j := yy*s.W + xx
			if dark[j] > 0 && dark[j] <= seenDark || j == i {
				copy(s.Pix[4*j:4*j+3], ground[4*j:4*j+3])
			}
		}
	}
}

func (m *mark) isCrumb() bool {
	return m.length >= crumbLong && m.high < pencilMost && m.grey()
}

func (m *mark) isPencil(blueInk bool, grain float32) bool {
	if m.high >= pencilMost || m.same > pencilSame {
		return false
	}
	return m.grey() && m.grain > grain && (m.fine > fineGrain || m.white && m.fine > paperGrain) || !blueInk && m.paleBlue()
}

// grey reports whether the mark takes as much light of one colour as of another, as far as the ground shows it.
func (m *mark) grey() bool {
	lo, hi := float32(math.Inf(1)), float32(0)
	for k, v := range m.mean {
		if m.open[k] {
			lo, hi = min(lo, v*(1+m.doubt[k])), max(hi, v*(1-m.doubt[k]))
		}
	}
	if m.white {
		return hi-lo < pencilGrey*hi
	}
	return hi-lo < tintGrey*hi
}

// paleBlue reports whether the mark takes red most and blue hardly, as the pencils do that printers' films do not see.
func (m *mark) paleBlue() bool {
	r, g, b := m.mean[0], m.mean[1], m.mean[2]
	return m.open == [3]bool{true, true, true} && m.high < 0.75*pencilMost && b < 0.3*r && g > b && g < 0.75*r
}

// paintThere reports whether the sheet holds ink or paint, stronger than pencil, and whether much of that is blue as the
// pale blue pencil is.
func (s *Sheet) paintThere() (strong, blue bool) {
	const every = 3 // px
	n, nb := 0, 0
	for y := 0; y < s.H; y += every {
		row := s.Pix[4*y*s.W : 4*(y+1)*s.W]
		for x := 0; x < s.W; x += every {
			if x = s.blank.skip(x, y, every); x >= s.W {
				break
			}
			p := row[4*x : 4*x+3 : 4*x+3]
			r, g, b := -logLight[p[0]], -logLight[p[1]], -logLight[p[2]]
			if d := max(r, g, b); d < pencilBroad || d < pencilPaint && !s.broadPaint(x, y) {
				continue
			}
			n++
			if r > 1.15*g && g > b && b < 0.6*r {
				nb++
			}
		}
	}
	return n > s.W*s.H/(every*every*5000)+10, nb > n/6
}

// broadPaint reports whether paint of at least pencilBroad lies all about pixel (x, y), as far as marks are looked for.
func (s *Sheet) broadPaint(x, y int) bool {
	if x < pencilReach || y < pencilReach || x+pencilReach >= s.W || y+pencilReach >= s.H {
		return false
	}
	for yy := y - pencilReach; yy <= y+pencilReach; yy += pencilReach {
		for xx := x - pencilReach; xx <= x+pencilReach; xx += pencilReach {
			p := s.Pix[4*(yy*s.W+xx):][:3]
			if max(-logLight[p[0]], -logLight[p[1]], -logLight[p[2]]) < pencilBroad {
				return false
			}
		}
	}
	return true
}

// markTile is the side of the squares, px, that thin marks are looked for in; those that hold nothing but paper are left
// out.
const markTile = 64

// thinMarks returns the light of the sheet without its thin dark marks (R,G,B,A a pixel, filled only where there may be
// marks) and how much darker each pixel is, in 1/markUnit of the logarithm of the channel where it is most; 0 where it is
// no mark.
func (s *Sheet) thinMarks(c crew, drawn func(tx, ty int) bool) (ground, dark []uint8) {
	w, h := s.W, s.H
	ground, dark = large.Make[uint8](4*w*h), large.Make[uint8](w*h)
	tw, th := (w+markTile-1)/markTile, (h+markTile-1)/markTile
	step := s.grainStep()
	c.each(th, func(ty int) {
		const side = markTile + 4*pencilReach
		a := make([]uint8, 4*side*side)
		for tx := range tw {
			x0, y0 := tx*markTile, ty*markTile
			x1, y1 := min(x0+markTile, w), min(y0+markTile, h)
			if !drawn(tx, ty) {
				continue
			}
			s.window(a, x0-2*pencilReach, y0-2*pencilReach, side)
			closeTile(a, side)
			for y := y0; y < y1; y++ {
				// The closing moved everything by its reach.
				under, row := a[4*(y-y0)*side:][:4*(x1-x0)], s.Pix[4*(y*w+x0):][:4*(x1-x0)]
				copy(ground[4*(y*w+x0):], under)
				for x := 0; x < len(row); x += 4 {
					if x+8 <= len(row) && binary.LittleEndian.Uint64(row[x:]) == binary.LittleEndian.Uint64(under[x:]) {
						x += 4
						continue
					}
					g, p := under[x:x+3:x+3], row[x:x+3:x+3]
					if max(g[0], g[1], g[2]) < darkGround {
						continue
					}
					if int(g[0])-int(p[0]) < step && int(g[1])-int(p[1]) < step && int(g[2])-int(p[2]) < step {
						continue
					}
					d := float32(0)
					for k, open := range openChannels(g) {
						if open {
							d = max(d, logLight[g[k]]-logLight[p[k]])
						}
					}
					dark[y*w+x0+x/4] = uint8(min(d*markUnit+0.5, 255))
				}
			}
		}
	})
	return ground, dark
}

// openChannels says in which channels a ground reflects enough light to show what lies over it: at least a third of the
// greatest level.
func openChannels(g []uint8) (open [3]bool) {
	top := int(max(g[0], g[1], g[2]))
	for k := range open {
		open[k] = 3*int(g[k]) >= top
	}
	return open
}

// bare reports whether a rectangle holds hardly a pixel darker than least.
func (s *Sheet) bare(x0, y0, x1, y1, least int) bool {
	if s.blank.all(x0, y0, x1, y1) {
		return true
	}
	n := 0
	paper := 0x0001010100010101 * uint64(max(least, 0)) // of two pixels, whatever their alpha
	for y := y0; y < y1; y++ {
		row := s.Pix[4*(y*s.W+x0) : 4*(y*s.W+x1)]
		for x := 0; x+3 < len(row); x += 4 {
			// Two pixels at once, most of which are paper.
			if x+8 <= len(row) && notLess(binary.LittleEndian.Uint64(row[x:]), paper) == math.MaxUint64 {
				x += 4
				continue
			}
			if int(min(row[x], row[x+1], row[x+2])) < least {
				n++
			}
		}
	}
	return n <= (x1-x0)*(y1-y0)/512
}

// window copies a square of pixels from (x0, y0) on to dst; beyond the rims of the sheet the pixels there repeat.
func (s *Sheet) window(dst []uint8, x0, y0, side int) {
	for y := range side {
		row := s.Pix[4*s.W*min(max(y0+y, 0), s.H-1):][:4*s.W]
		out := dst[4*side*y : 4*side*(y+1)]
		if x0 >= 0 && x0+side <= s.W {
			copy(out, row[4*x0:])
			continue
		}
		for x := range side {
			copy(out[4*x:4*x+4], row[4*min(max(x0+x, 0), s.W-1):])
		}
	}
}

// closeTile is the grey closing of a square of four-channel pixels by 2·pencilReach+1 pixels both ways. The result for
// pixel (x, y) stands 2·pencilReach pixels up and to the left; the last 4·pencilReach columns and rows mean nothing.
func closeTile(a []uint8, side int) {
	const n = 2*pencilReach + 1
	widen(a, n, 4, false)
	widen(a, n, 4*side, false)
	a = a[:len(a)-4*side*(n-1)]
	if a[0] == 255 && bytes.Equal(a[1:], a[:len(a)-1]) {
		return // all white: nothing is broader than a mark
	}
	widen(a, n, 4, true)
	widen(a, n, 4*side, true)
}

// nearInk marks the pixels within pencilKeep px, both ways, of a thin mark as dark as ink.
func nearInk(c crew, dark []uint8, w, h int) []bool {
	near := large.Make[bool](w * h)
	c.rows(h, func(y0, y1 int) {
		for y := max(0, y0-pencilKeep); y < min(h, y1+pencilKeep); y++ {
			for x, d := range dark[y*w : (y+1)*w] {
				if float32(d) < pencilInk*markUnit || !inkCrowded(dark, w, h, x, y) {
					continue
				}
				for yy := max(y0, y-pencilKeep); yy <= min(y1-1, y+pencilKeep); yy++ {
					for xx := max(0, x-pencilKeep); xx <= min(w-1, x+pencilKeep); xx++ {
						near[yy*w+xx] = true
					}
				}
			}
		}
	})
	return near
}

// inkCrowded reports whether pixel (x, y) has company as dark as ink.
func inkCrowded(dark []uint8, w, h, x, y int) bool {
	n := 0
	for yy := max(0, y-pencilKeep); yy <= min(h-1, y+pencilKeep); yy++ {
		for _, d := range dark[yy*w+max(0, x-pencilKeep) : yy*w+min(w-1, x+pencilKeep)+1] {
			if float32(d) >= pencilInk*markUnit {
				if n++; n == inkCrowd {
					return true
				}
			}
		}
	}
	return false
}

// findMarks returns the connected sets of thin, faint pixels that are not near ink, row by row of their first pixels;
// what is measured of them is not filled in yet.
func findMarks(dark []uint8, w, h int, keep []bool) []mark {
	const seen = uint8(seenDark)
	done := large.Make[bool](w * h)
	var out []mark
	var px []int32
	for i := 0; i < len(dark); i++ {
		if i+8 <= len(dark) && binary.LittleEndian.Uint64(dark[i:])&(0x0101010101010101*seenBits) == 0 {
			i += 7 // eight pixels that are all paler, as most
			continue
		}
		if dark[i] < seen || keep[i] || done[i] {
			continue
		}
		px = append(px[:0], int32(i))
		done[i] = true
		x0, x1, y0, y1 := w, 0, h, 0
		for k := 0; k < len(px); k++ {
			x, y := int(px[k])%w, int(px[k])/w
			x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y)
			for yy := max(0, y-1); yy <= min(h-1, y+1); yy++ {
				for xx := max(0, x-1); xx <= min(w-1, x+1); xx++ {
					if j := yy*w + xx; dark[j] >= seen && !keep[j] && !done[j] {
						done[j] = true
						px = append(px, int32(j))
					}
				}
			}
		}
		if length := max(x1-x0, y1-y0) + 1; length >= crumbLong {
			out = append(out, mark{px: slices.Clone(px), length: length})
		}
	}
	return out
}

// weigh fills in what is measured of a mark; of one whose darkness or colour no pencil has no more than that.
func (s *Sheet) weigh(m *mark, dark, ground []uint8, keep []bool) {
	const (
		out  = 3   // px from a pixel of the mark to its surroundings
		like = 0.6 // of the mark's mean darkness
	)
	var hist [256]int
	var crestSum, crestSq float64
	crests := make([]int32, 0, len(m.px))
	var shown [3]int
	onPaper := 0
	n := len(m.px)
	for _, i := range m.px {
		hist[dark[i]]++
	}
	left := n/10 + 1
	for d := 255; d >= 0 && left > 0; d-- {
		left -= hist[d]
		m.high = float32(d) / markUnit
	}
	if m.high >= pencilMost {
		return
	}
	for _, i := range m.px {
		if g := ground[4*i : 4*i+3]; min(g[0], g[1], g[2]) >= whiteGround {
			onPaper++
		}
		for k, open := range openChannels(ground[4*i : 4*i+3]) {
			if open {
				g := ground[4*int(i)+k]
				m.mean[k] += logLight[g] - logLight[s.Pix[4*int(i)+k]]
				m.doubt[k] += glareDoubt / (toLinear[g] + glare)
				shown[k]++
			}
		}
	}
	m.white = 2*onPaper > n
	for k, v := range shown {
		if m.open[k] = 2*v > n; m.open[k] {
			m.mean[k] /= float32(v)
			m.doubt[k] /= float32(v)
		} else {
			m.mean[k] = 0
		}
	}
	if !m.grey() && !m.paleBlue() {
		return
	}
	mean := max(m.mean[0], m.mean[1], m.mean[2])
	ring, alike := 0, 0
	slices.Sort(m.px)
	for _, i := range m.px {
		x, y := int(i)%s.W, int(i)/s.W
		// the crest of the mark: no darker pixel beside it, along or across
		if d := dark[i]; x > 0 && x < s.W-1 && y > 0 && y < s.H-1 {
			across := d >= dark[i-1] && d >= dark[i+1]
			down := d >= dark[int(i)-s.W] && d >= dark[int(i)+s.W]
			if across || down {
				crestSum += float64(d)
				crestSq += float64(d) * float64(d)
				crests = append(crests, i)
			}
		}
		for _, o := range [4][2]int{{out, 0}, {-out, 0}, {0, out}, {0, -out}} {
			xx, yy := x+o[0], y+o[1]
			if xx < 0 || yy < 0 || xx >= s.W || yy >= s.H {
				continue
			}
			j := yy*s.W + xx
			if dark[j] > 0 || keep[j] { // thin itself
				continue
			}
			ring++
			over := float32(0)
			for k, open := range m.open {
				if open {
					over = max(over, logLight[ground[4*int(i)+k]]-logLight[s.Pix[4*j+k]])
				}
			}
			if over > like*mean {
				alike++
			}
		}
	}
	if ring > 0 {
		m.same = float32(alike) / float32(ring)
	}
	if n := float64(len(crests)); n > 1 {
		mid := crestSum / n
		if v := crestSq/n - mid*mid; v > 0 && mid > 0 {
			m.grain = float32(math.Sqrt(v) / mid)
		}
		m.fine = fineGrainOf(crests, dark, s.W, mid)
	}
}

// fineGrainOf returns the standard deviation over mean of the darkness along a crest, from pairs of its places about 3 px
// apart; where there are few of them it is infinite.
func fineGrainOf(crest []int32, dark []uint8, w int, mean float64) float32 {
	pairs, sum := 0, 0
	for _, o := range [4]int{3, 3 * w, 2*w + 2, 2*w - 2} {
		j := 0
		for _, i := range crest {
			for to := i + int32(o); j < len(crest) && crest[j] < to; j++ {
			}
			if j == len(crest) {
				break
			}
			if crest[j] == i+int32(o) {
				d := int(dark[i]) - int(dark[crest[j]])
				sum += d * d
				pairs++
			}
		}
	}
	if pairs < finePairs {
		return float32(math.Inf(1))
	}
	return float32(math.Sqrt(float64(sum)/float64(2*pairs)) / mean)
}
