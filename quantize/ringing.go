package quantize

import (
	"encoding/binary"
	"math"
)

// This file takes the ringing out of drawings that were coded as JPEG. Pixels amid one label show its tint, those beside an
// edge a mixture of its two: the shares are few, and the coefficients of a block are known to half a step each, so that
// the shares follow from all pixels of their block by least squares. It leaves a third to two thirds of the error of a
// pixel as decoded.

// Luma is what a JPEG says of its luma: the coefficients of the blocks that are not even, each rounded to a multiple of
// its step (ITU-T T.81 §A.3.4).
type Luma struct {
	Steps [64]uint8     // of the coefficients, in natural order
	Rows  [][]LumaBlock // by row of blocks, each from left to right
}

// LumaBlock is a block of 8 x 8 px, the X-th of its row.
type LumaBlock struct {
	X     int32
	Coefs [64]int16 // in steps
}

const (
	blockSide = 8
	// The shares of a block are swept over until none moves by ringStill levels any more, at most ringSweeps times.
	ringSweeps, ringStill = 10, 0.5
	// mostUnlike is how many times the mean square that rounding leaves in coefficients a block may miss them by: more,
	// and it holds something that its labels do not tell of. Rounding leaves half as much again at most.
	mostUnlike = 3.0
	// lumaMiddle is taken from luma before it is transformed (ITU-T T.81 §A.3.1).
	lumaMiddle = 128
)

// cosines[k][n] is what sample n counts in coefficient k (ITU-T T.81 §A.3.3), for the first half of the samples: of the
// others it is the same where k is even, and the opposite where it is odd.
var cosines = func() (c [blockSide][blockSide / 2]float64) {
	for k := range c {
		for n := range c[k] {
			c[k][n] = math.Cos(float64(2*n+1)*float64(k)*math.Pi/(2*blockSide)) / 2
			if k == 0 {
				c[k][n] /= math.Sqrt2
			}
		}
	}
	return c
}()

// lumaSquare is a block's samples or coefficients, row by row.
type lumaSquare [blockSide * blockSide]float64

// forth transforms samples to coefficients.
func (s *lumaSquare) forth() {
	for y := range blockSide {
		forth8(s[blockSide*y:blockSide*y+blockSide], 1)
	}
	for x := range blockSide {
		forth8(s[x:], blockSide)
	}
}

// back transforms coefficients to samples.
func (s *lumaSquare) back() {
	for y := range blockSide {
		back8(s[blockSide*y:blockSide*y+blockSide], 1)
	}
	for x := range blockSide {
		back8(s[x:], blockSide)
	}
}

// forth8 transforms eight samples that lie step apart.
func forth8(v []float64, step int) {
	_ = v[7*step]
	a0, a1, a2, a3 := v[0], v[step], v[2*step], v[3*step]
	b0, b1, b2, b3 := v[7*step], v[6*step], v[5*step], v[4*step]
	a0, b0, a1, b1, a2, b2, a3, b3 = a0+b0, a0-b0, a1+b1, a1-b1, a2+b2, a2-b2, a3+b3, a3-b3
	for k := 0; k < blockSide; k += 2 {
		c, d := &cosines[k], &cosines[k+1]
		v[k*step] = float64(c[0]*a0) + float64(c[1]*a1) + float64(c[2]*a2) + float64(c[3]*a3)
		v[(k+1)*step] = float64(d[0]*b0) + float64(d[1]*b1) + float64(d[2]*b2) + float64(d[3]*b3)
	}
}

// back8 transforms eight coefficients that lie step apart.
func back8(v []float64, step int) {
	_ = v[7*step]
	c0, c2, c4, c6 := v[0], v[2*step], v[4*step], v[6*step]
	c1, c3, c5, c7 := v[step], v[3*step], v[5*step], v[7*step]
	for n := range blockSide / 2 {
		a := float64(cosines[0][n]*c0) + float64(cosines[2][n]*c2) + float64(cosines[4][n]*c4) + float64(cosines[6][n]*c6)
		b := float64(cosines[1][n]*c1) + float64(cosines[3][n]*c3) + float64(cosines[5][n]*c5) + float64(cosines[7][n]*c7)
		v[n*step], v[(7-n)*step] = a+b, a-b
	}
}

// unring finds what the pixels of blocks that an edge runs through showed before they were coded. Beside edges they get the
// label of the larger share, but for cores.
func (q *flattener) unring() {
	l := q.px.Luma
	if l == nil {
		return
	}
	u := newUnringer(q, l)
	found := make([][]clearPixel, min(len(l.Rows), q.h/blockSide))
	parallel(len(found), q.opt.Workers, func(y int) {
		var b ringBlock
		for k := range l.Rows[y] {
			if c := &l.Rows[y][k]; (int(c.X)+1)*blockSide <= q.w {
				found[y] = u.mend(found[y], &b, c, y)
			}
		}
	})
	q.clear = newOverlay(q.w * q.h)
	for _, row := range found {
		for k := range row {
			p := &row[k]
			q.clear.put(p, q.px)
			q.labels[p.at] = p.label
		}
	}
}

// clearPixel is a pixel without ringing, or without what shines through a seam.
type clearPixel struct {
	at     int32
	colour [3]uint8
	label  uint8
}

// pageSize is how many pixels in a row share a page of overlay.
const pageSize = 8

// overlay holds pixels that are seen instead of a picture's own.
type overlay struct {
	pixels int     // of the picture
	at     []int32 // by page: the number of its pixels in pix, plus 1; 0 where there are none
	pix    []uint8 // R,G,B,A
}

// newOverlay returns an overlay of a picture of so many pixels.
func newOverlay(pixels int) overlay {
	return overlay{pixels: pixels, at: make([]int32, (pixels+pageSize-1)/pageSize)}
}

// put takes p up; the others of its page are those of px until they are put themselves.
func (o *overlay) put(p *clearPixel, px *Pixels) {
	page, in := int(p.at)/pageSize, int(p.at)%pageSize
	if o.at[page] == 0 {
		o.pix = append(o.pix, make([]uint8, 4*pageSize)...)
		o.at[page] = int32(len(o.pix) / (4 * pageSize))
		own := o.pix[len(o.pix)-4*pageSize:]
		for k := range min(pageSize, o.pixels-pageSize*page) {
			binary.LittleEndian.PutUint32(own[4*k:], px.at(pageSize*page+k))
		}
	}
	copy(o.pix[4*(pageSize*int(o.at[page]-1)+in):], p.colour[:])
}

// lay copies the pixels of o onto pix.
func (o *overlay) lay(pix []uint8) {
	for page, k := range o.at {
		if k > 0 {
			copy(pix[4*pageSize*page:], o.pix[4*pageSize*int(k-1):4*pageSize*int(k)])
		}
	}
}

// over returns pixel i of px, with o over it.
func (o *overlay) over(px *Pixels, i int) uint32 {
	if len(o.at) > 0 {
		if k := int(o.at[uint(i)/pageSize]); k > 0 {
			return at(o.pix, pageSize*(k-1)+int(uint(i)%pageSize))
		}
	}
	return px.at(i)
}

// seen returns pixel i, without what was taken out of it.
func (f *Flats) seen(i int) uint32 { return f.clear.over(&f.px, i) }

// unringer holds what all blocks share.
type unringer struct {
	*flattener
	steps, weights lumaSquare     // of coefficients
	form           [64]lumaSquare // the sum of weighted squares of coefficients as a form of samples
}

func newUnringer(q *flattener, l *Luma) *unringer {
	u := &unringer{flattener: q}
	for k, s := range l.Steps {
		u.steps[k] = max(1, float64(s))
		u.weights[k] = 1 / float64(u.steps[k]*u.steps[k])
	}
	for i := range u.form {
		f := &u.form[i]
		f[i] = 1
		f.forth()
		for k := range f {
			f[k] *= u.weights[k]
		}
		f.back()
	}
	return u
}

// ringBlock is a block in work.
type ringBlock struct {
	labels [blockSide + 2][blockSide + 2]uint8 // and those around it
	luma   lumaSquare
	other  [64]uint8 // by pixel: the second label around it, its own where there is none, unlabelled where there are more
	pull   lumaSquare
	free   []mixedPixel
}

// mixedPixel is a pixel of a block beside an edge.
type mixedPixel struct {
	at     int
	lo, hi float64 // luma of the colours around
}

// look finds the pixels beside edges of the block at (x0, y0); ok is false where there are none, or chroma would have to
// tell their shares.
func (u *unringer) look(b *ringBlock, x0, y0 int) (ok bool) {
	for j := range b.labels {
		row := u.labels[max(0, min(u.h-1, y0+j-1))*u.w:]
		to := &b.labels[j]
		to[0], to[blockSide+1] = row[max(0, x0-1)], row[min(u.w-1, x0+blockSide)]
		copy(to[1:blockSide+1], row[x0:])
	}
	b.free = b.free[:0]
	eight := func(j, i int) uint64 { return binary.LittleEndian.Uint64(b.labels[j][i:]) }
	for j := range blockSide {
		own := eight(j+1, 1)
		var differ uint64 // in the bytes of pixels around which there is another label
		for _, k := range [3]int{j, j + 1, j + 2} {
			differ |= (own ^ eight(k, 0)) | (own ^ eight(k, 1)) | (own ^ eight(k, 2))
		}
		for i := range blockSide {
			k, l := blockSide*j+i, uint8(own>>(8*i))
			b.luma[k], b.other[k] = u.tints[l].v.x, l
			if uint8(differ>>(8*i)) != 0 && !u.beside(b, i, j, (y0+j)*u.w+x0+i) {
				return false
			}
		}
	}
	return len(b.free) > 0
}

// beside takes up pixel (i, j) of a block, pixel at of the picture.
func (u *unringer) beside(b *ringBlock, i, j, at int) (ok bool) {
	k := blockSide*j + i
	own := b.labels[j+1][i+1]
	other, many := own, false
	lo, hi := b.luma[k], b.luma[k]
	for _, row := range b.labels[j : j+3] {
		for _, l := range row[i : i+3] {
			if l != own && l != other {
				many = other != own
				other = l
				v := u.tints[l].v.x
				lo, hi = min(lo, v), max(hi, v)
			}
		}
	}
	if !many && u.pair(int(own), int(other)).byChroma {
		return false
	}
	if b.other[k] = other; many {
		b.other[k] = unlabelled
	}
	b.luma[k] = max(lo, min(hi, u.tone(at).x))
	b.free = append(b.free, mixedPixel{k, lo, hi})
	return true
}

// mend finds the shares of a block in row y of blocks and appends the pixels that change by them to dst.
func (u *unringer) mend(dst []clearPixel, b *ringBlock, c *LumaBlock, y int) []clearPixel {
	x0, y0 := int(c.X)*blockSide, y*blockSide
	if !u.look(b, x0, y0) {
		return dst
	}
	for k, v := range b.luma {
		b.pull[k] = v - lumaMiddle
	}
	b.pull.forth()
	miss := 0.0 // half the weighted sum of squares
	for k := range b.pull {
		d := b.pull[k] - float64(float64(c.Coefs[k])*u.steps[k])
		b.pull[k] = float64(d * u.weights[k])
		miss += float64(d*b.pull[k]) / 2
	}
	b.pull.back()
	for range ringSweeps {
		moved := 0.0
		for n := range b.free {
			p := &b.free[n]
			form := &u.form[p.at]
			pull, stiff := b.pull[p.at], form[p.at]
			to := max(p.lo, min(p.hi, b.luma[p.at]-pull/stiff))
			d := to - b.luma[p.at]
			if d == 0 {
				continue
			}
			miss += float64(d * (pull + float64(d*stiff)/2))
			moved = max(moved, d, -d)
			b.luma[p.at] = to
			for t := range b.free {
				k := b.free[t].at & 63
				b.pull[k] += float64(d * form[k])
			}
		}
		if moved < ringStill {
			break
		}
	}
	// A coefficient is off by a step's share that lies evenly in ±½: its mean square is 1/12.
	if 2*12*miss > float64(mostUnlike*float64(len(b.luma)-len(b.free)+1)) {
		return dst
	}
	for k, o := range b.other {
		i := (y0+k/blockSide)*u.w + x0 + k%blockSide
		p := clearPixel{at: int32(i), label: u.labels[i]}
		own, was := &u.tints[p.label], [3]uint8{}
		was[0], was[1], was[2] = channels(u.px.at(i))
		switch o {
		case p.label:
			p.colour = [3]uint8{own.colour.R, own.colour.G, own.colour.B}
		case unlabelled:
			d := b.luma[k] - u.tone(i).x
			for ch, v := range was {
				p.colour[ch] = uint8(max(0, min(255, float64(v)+d)) + 0.5)
			}
		default:
			z := &u.tints[o]
			share := (b.luma[k] - z.v.x) / (own.v.x - z.v.x)
			mix := func(v, w uint8) uint8 {
				return uint8(float64(w) + float64(share*(float64(v)-float64(w))) + 0.5)
			}
			p.colour = [3]uint8{mix(own.colour.R, z.colour.R), mix(own.colour.G, z.colour.G), mix(own.colour.B, z.colour.B)}
			if share < 0.5 && !bit(u.core, i) {
				p.label = o
			}
		}
		if p.label != u.labels[i] || p.colour != was {
			dst = append(dst, p)
		}
	}
	return dst
}
