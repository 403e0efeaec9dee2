package catalogue

import (
	"math"
	"math/bits"
)

// Look is what a picture looks like, as far as near copies share it: the lookFrequencies by lookFrequencies lowest
// frequencies of a cosine transform of its brightness, taken over the drawing alone where it stands on an even ground,
// the strongest scaled to ±127. [v][u] counts v half waves down and u across; [0][0], the mean, is replaced by eight
// half waves across. Copies of one drawing at other sizes, places on the page and qualities have nearly the same.
type Look [lookFrequencies * lookFrequencies]int8

// Likeness is the cosine of the angle between two looks: 1 for copies, below 0.9 for most pictures that merely resemble
// one another.
func (l *Look) Likeness(m *Look) float64 {
	var lm, ll, mm int
	for i, a := range l {
		b := m[i]
		lm += int(a) * int(b)
		ll += int(a) * int(a)
		mm += int(b) * int(b)
	}
	if ll == 0 || mm == 0 {
		return 0
	}
	return float64(lm) / math.Sqrt(float64(ll)*float64(mm))
}

// Mirrored is the look of the picture turned left to right: odd frequencies across change sign.
func (l *Look) Mirrored() *Look {
	m := *l
	for i := range m {
		if i%2 == 1 {
			m[i] = -m[i]
		}
	}
	return &m
}

// deadZone is the share of the mean magnitude that a frequency must exceed to set its sign: what a symmetric drawing
// holds in its odd frequencies is noise and must not change the hash.
const deadZone = 0.3

// hash is the perceptual hash: which frequencies are clearly positive.
func (l *Look) hash() uint64 {
	sum := 0
	for _, c := range l {
		sum += max(int(c), -int(c))
	}
	limit := int(float64(sum) / float64(len(l)) * deadZone)
	var h uint64
	for i, c := range l {
		if int(c) > limit {
			h |= 1 << i
		}
	}
	return h
}

// The hash is looked up by its quarters (M. Norouzi, A. Punjani, D. J. Fleet, "Fast Search in Hamming Space with
// Multi-Index Hashing", 2012): of two hashes that differ in at most 4*quarterBits+3 bits at least one quarter differs in
// at most quarterBits.
const (
	quarters    = 4
	quarterSize = 64 / quarters
	quarterBits = 2
)

// keys returns the quarters of the hash as they stand in the lookup table, the number of the quarter above its bits.
func (l *Look) keys() [quarters]int64 {
	h := l.hash()
	var k [quarters]int64
	for i := range k {
		k[i] = int64(i)<<quarterSize | int64(h>>(i*quarterSize)&(1<<quarterSize-1))
	}
	return k
}

// nearKeys returns the keys of all quarters that differ from those of l in at most quarterBits bits.
func (l *Look) nearKeys() []int64 {
	var out []int64
	for _, k := range l.keys() {
		for _, f := range flips {
			out = append(out, k^f)
		}
	}
	return out
}

// flips are the words of a quarter with at most quarterBits bits set.
var flips = func() (f []int64) {
	for v := range int64(1 << quarterSize) {
		if bits.OnesCount64(uint64(v)) <= quarterBits {
			f = append(f, v)
		}
	}
	return f
}()

func (l *Look) blob() []byte {
	b := make([]byte, len(l))
	for i, v := range l {
		b[i] = byte(v)
	}
	return b
}

// lookOf is the inverse of blob; nil where b holds no look.
func lookOf(b []byte) *Look {
	l := &Look{}
	if len(b) != len(l) {
		return nil
	}
	for i, v := range b {
		l[i] = int8(v)
	}
	return l
}

// Sizes in pixels: the picture is first brought to smallSide on its long side, its drawing then to a square of lookSide.
const (
	smallSide       = 256
	lookSide        = 32
	lookFrequencies = 8
)

// groundStep is how far, in 8-bit levels of the channel that differs most, a pixel may lie from the ground and still
// count as ground. It is wide enough for the noise and the light of an evenly lit scan.
const groundStep = 32

// groundShare is the least share of the rim that must show one colour for it to be taken as an even ground.
const groundShare = 0.6

// small is a picture shrunk for looking at: R, G, B a pixel, row by row.
type small struct {
	w, h int
	pix  []uint8
}

// shrink averages the R, G, B, A picture of w by h pixels over boxes, so that its long side has smallSide pixels;
// smaller pictures keep their size.
func shrink(pix []uint8, w, h int) small {
	sw, sh := w, h
	if long := max(w, h); long > smallSide {
		sw, sh = max(1, w*smallSide/long), max(1, h*smallSide/long)
	}
	s := small{sw, sh, make([]uint8, 3*sw*sh)}
	for y := range sh {
		y0, y1 := y*h/sh, (y+1)*h/sh
		for x := range sw {
			x0, x1 := x*w/sw, (x+1)*w/sw
			var r, g, b int
			for yy := y0; yy < y1; yy++ {
				row := pix[4*(yy*w+x0) : 4*(yy*w+x1)]
				for i := 0; i+3 < len(row); i += 4 {
					r += int(row[i])
					g += int(row[i+1])
					b += int(row[i+2])
				}
			}
			n := (x1 - x0) * (y1 - y0)
			o := s.pix[3*(y*sw+x):]
			o[0], o[1], o[2] = uint8((r+n/2)/n), uint8((g+n/2)/n), uint8((b+n/2)/n)
		}
	}
	return s
}

// ground returns the colour that most of the rim shows, and false where the rim is not even.
func (s small) ground() (g [3]uint8, ok bool) {
	var rim [][3]uint8
	at := func(x, y int) {
		i := 3 * (y*s.w + x)
		rim = append(rim, [3]uint8{s.pix[i], s.pix[i+1], s.pix[i+2]})
	}
	for x := range s.w {
		at(x, 0)
		at(x, s.h-1)
	}
	for y := range s.h {
		at(0, y)
		at(s.w-1, y)
	}
	var count [4096]int
	cell := func(c [3]uint8) int { return int(c[0]>>4)<<8 | int(c[1]>>4)<<4 | int(c[2]>>4) }
	best := 0
	for _, c := range rim {
		i := cell(c)
		count[i]++
		if count[i] > count[best] {
			best = i
		}
	}
	var sum [3]int
	for _, c := range rim {
		if cell(c) == best {
			for k := range sum {
				sum[k] += int(c[k])
			}
		}
	}
	for k := range g {
		g[k] = uint8(sum[k] / count[best])
	}
	near := 0
	for _, c := range rim {
		if step(c[:], g) <= groundStep {
			near++
		}
	}
	return g, float64(near) >= groundShare*float64(len(rim))
}

// step is the difference of two colours in the channel that differs most, 8-bit levels.
func step(p []uint8, g [3]uint8) int {
	d := 0
	for k, v := range g {
		d = max(d, int(p[k])-int(v), int(v)-int(p[k]))
	}
	return d
}

// subject returns the box x0 <= x < x1, y0 <= y < y1 of what differs from the ground g, empty for a blank picture.
func (s small) subject(g [3]uint8) (x0, y0, x1, y1 int) {
	x0, y0 = s.w, s.h
	for y := range s.h {
		for x := range s.w {
			if step(s.pix[3*(y*s.w+x):], g) > groundStep {
				x0, y0 = min(x0, x), min(y0, y)
				x1, y1 = max(x1, x+1), max(y1, y+1)
			}
		}
	}
	return x0, y0, x1, y1
}

// look returns what s looks like, nil for a blank picture.
func (s small) look() *Look {
	x0, y0, w, h := 0, 0, s.w, s.h
	g, even := s.ground()
	if even {
		var x1, y1 int
		if x0, y0, x1, y1 = s.subject(g); x1 <= x0 {
			return nil
		}
		// the smallest square around the drawing, filled up with the ground
		side := max(x1-x0, y1-y0)
		x0, y0 = x0-(side-(x1-x0))/2, y0-(side-(y1-y0))/2
		w, h = side, side
	}
	var cells [lookSide * lookSide]int
	for y := range lookSide {
		for x := range lookSide {
			// at least one pixel a cell: a small drawing repeats its pixels
			xa, ya := x0+x*w/lookSide, y0+y*h/lookSide
			xb, yb := max(xa+1, x0+(x+1)*w/lookSide), max(ya+1, y0+(y+1)*h/lookSide)
			cells[y*lookSide+x] = s.mean(xa, ya, xb, yb, g)
		}
	}
	return transform(&cells)
}

// mean is the mean luma (ITU-R BT.601) of a box of pixels in thousandths of a level; pixels outside s show g.
func (s small) mean(x0, y0, x1, y1 int, g [3]uint8) int {
	sum := 0
	for y := y0; y < y1; y++ {
		for x := x0; x < x1; x++ {
			p := g[:]
			if x >= 0 && x < s.w && y >= 0 && y < s.h {
				p = s.pix[3*(y*s.w+x):]
			}
			sum += 299*int(p[0]) + 587*int(p[1]) + 114*int(p[2])
		}
	}
	return sum / ((x1 - x0) * (y1 - y0))
}

// cosine[u][x] is cos((2x+1)uπ/2N) for N = lookSide in units of 1/2^14: the type-II discrete cosine transform (Ahmed,
// Natarajan & Rao, "Discrete Cosine Transform", IEEE Transactions on Computers C-23, 1974), in integers so that every
// machine gets the same.
var cosine = func() (t [lookFrequencies + 1][lookSide]int) {
	for u := range t {
		for x := range t[u] {
			t[u][x] = int(math.Round(math.Cos(float64((2*x+1)*u)*math.Pi/(2*lookSide)) * (1 << 14)))
		}
	}
	return t
}()

// transform returns the low frequencies of the cells, nil where all are alike.
func transform(cells *[lookSide * lookSide]int) *Look {
	var rows [lookSide][lookFrequencies + 1]int
	for y := range rows {
		for u := range rows[y] {
			for x, c := range cosine[u] {
				rows[y][u] += c * cells[y*lookSide+x] >> 10
			}
		}
	}
	var f [lookFrequencies * lookFrequencies]int
	most := 0
	for i := range f {
		v, u := i/lookFrequencies, i%lookFrequencies
		if i == 0 {
			u = lookFrequencies
		}
		for y, c := range cosine[v] {
			f[i] += c * rows[y][u]
		}
		most = max(most, f[i], -f[i])
	}
	if most == 0 {
		return nil
	}
	l := &Look{}
	for i, c := range f {
		l[i] = int8((127*c + sign(c)*most/2) / most) // rounded, half away from zero: a mirrored look stays exact
	}
	return l
}

func sign(v int) int {
	if v < 0 {
		return -1
	}
	return 1
}
