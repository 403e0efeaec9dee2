package quantize

import (
	"math"
	"sync"

	"pochoir/quantize/colour"
	"pochoir/quantize/large"
)

// This file turns a sheet's pixels into what the paper side of quantising works on: a lightly smoothed CIELAB plane
// and a plane that says how much the colour changes around each pixel. Everything is in integers, so that the result
// is the same on every machine.

// labUnit is the number of steps per CIELAB unit in the plane.
const labUnit = 32

// roughUnit is the number of steps per unit of colour difference in the roughness plane; 255 stands for all above.
const roughUnit = 8

// reach is the distance in px over which roughness is measured: about twice the spread of a soft edge, so that the
// weak edge between two near paints is seen nearly whole.
const reach = 2

// block is the side in px of the squares in which blank paper is skipped.
const block = 8

// blankFloor is the level every channel keeps in a blank square: closer to paper white than any mark that counts.
const blankFloor = 246

// Noise is told by lightness in steps of lightStep.
const (
	lightSteps = 16
	lightStep  = 100 * labUnit / lightSteps
)

// vec is a colour in the Lab plane's units; no array, as compilers keep those in memory.
type vec struct{ l, a, b int32 }

func (v vec) sub(o vec) vec { return vec{v.l - o.l, v.a - o.a, v.b - o.b} }
func (v vec) dot(o vec) int64 {
	return int64(v.l)*int64(o.l) + int64(v.a)*int64(o.a) + int64(v.b)*int64(o.b)
}
func (v vec) len() float64 { return math.Sqrt(float64(v.dot(v))) / labUnit }

func (v vec) parts() [3]int32 { return [3]int32{v.l, v.a, v.b} }

// off returns how far v is from t·u, ΔE.
func (v vec) off(u vec, t float64) float64 {
	l := float64(v.l) - float64(t*float64(u.l))
	a := float64(v.a) - float64(t*float64(u.a))
	b := float64(v.b) - float64(t*float64(u.b))
	return math.Sqrt(float64(l*l)+float64(a*a)+float64(b*b)) / labUnit
}

// Nothing on paper is fully black: glare lies over every ink, and in the dark CIELAB makes much of it. The plane
// holds the colours with glare added, a share of white that evens the noise of dark and light inks.
const glare = 0.03

// lab returns the colour without the glare.
func (v vec) lab() colour.Lab {
	y := (float64(v.l)/labUnit + 16) / 116
	x, z := y+float64(v.a)/labUnit/500, y-float64(v.b)/labUnit/200
	off := func(f float64) float64 { return labCurve(max(float64(f*f*f)*(1+glare)-glare, 0)) }
	x, y, z = off(x), off(y), off(z)
	return colour.Lab{L: 116*y - 16, A: 500 * (x - y), B: 200 * (y - z)}
}

// labCurve is f of CIELAB (CIE 15:2004).
func labCurve(t float64) float64 {
	if t > 216.0/24389 {
		return math.Cbrt(t)
	}
	return (24389.0/27*t + 16) / 116
}

// vecOf returns the plane's value for a colour.
func vecOf(c colour.RGB) vec {
	l, a, b := fastLab(16*uint32(c.R), 16*uint32(c.G), 16*uint32(c.B))
	return vec{l, a, b}
}

// plane is a sheet in CIELAB with glare, and where its colour is even.
type plane struct {
	w, h    int
	workers int
	lab     []int16                 // L,a,b a pixel, in 1/labUnit, smoothed; paper white in blank squares
	rough   []uint8                 // largest colour difference within reach px, in 1/roughUnit; 0 in blank squares
	side    int                     // of the blank squares, px
	blank   []bool                  // a square of paper and nothing else, around it too
	bw      int                     // squares in a row
	core    []bool                  // pixels of even colour
	grain   [lightSteps + 1]float64 // how much even places vary from pixel to pixel, ΔE, standard deviation, by lightness
}

// onPaper is a sheet being quantised.
type onPaper struct {
	plane
	half  plane   // at half the resolution
	raw   []uint8 // R,G,B,A, as given
	pix   []uint8 // the same, with the ink evened along its strokes where it is rough
	noise float64 // as given
	sharp float64 // blur of raw, as given, px
	blur  float64 // blur of pix, px
	area  int     // of the whole sheet, px
	want  int     // number of colours asked for, 0 for as many as there are

	along  flow // as given, before ink is evened
	combed bool // the ink is rough and has been evened

	scratch  []int32 // one a pixel
	paints   []paint
	hasPaper bool // the first paint is the paper
	labels   []uint8
	fixed    []bool // pixels that were labelled as markers
	local    locals
}

// places returns one number a pixel, all zero; the same each time.
func (s *onPaper) places() []int32 {
	if s.scratch == nil {
		s.scratch = large.Make[int32](s.w * s.h)
	} else {
		clear(s.scratch)
	}
	return s.scratch
}

// sRGB to CIELAB by tables: a channel is 12 bits (16 times the 8-bit level), linear light and XYZ relative to white
// are 16 bits, CIE's f (glare added) has 15 bits.
var (
	paperLinear [16*255 + 1]uint16
	paperF      [4096 + 2]int32
	paperXYZ    [3][3]uint32
	paperRGB    [3][3]float64 // back from XYZ relative to white
)

// paperTables fills them. It costs half of what starting a small program does, and only captures want them.
var paperTables = sync.OnceFunc(func() {
	for i := range paperLinear {
		paperLinear[i] = uint16(math.Round(colour.ToLinear(float64(i)/(16*255)) * 65535))
	}
	for i := range paperF {
		paperF[i] = int32(math.Round(math.Cbrt((float64(i)/4096+glare)/(1+glare)) * (1 << 15)))
	}
	// IEC 61966-2-1 primaries to XYZ, each row scaled to its sum so that white is 1, 1, 1
	m := [3][3]float64{{0.4123908, 0.3575843, 0.1804808}, {0.2126390, 0.7151687, 0.0721923}, {0.0193308, 0.1191948, 0.9505322}}
	for i, r := range m {
		sum := r[0] + r[1] + r[2]
		a, b := uint32(math.Round(r[0]/sum*(1<<15))), uint32(math.Round(r[1]/sum*(1<<15)))
		paperXYZ[i] = [3]uint32{a, b, 1<<15 - a - b}
	}
	paperRGB = inverse(paperXYZ)
})

// inverse returns the inverse of a matrix in units of 1<<15.
func inverse(n [3][3]uint32) (out [3][3]float64) {
	var m [3][3]float64
	for i := range m {
		for j := range m[i] {
			m[i][j] = float64(n[i][j]) / (1 << 15)
		}
	}
	minor := func(i, j int) float64 {
		a, b, c, d := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
		return float64(m[a][c]*m[b][d]) - float64(m[a][d]*m[b][c])
	}
	det := float64(m[0][0]*minor(0, 0)) + float64(m[0][1]*minor(0, 1)) + float64(m[0][2]*minor(0, 2))
	for i := range out {
		for j := range out[i] {
			out[i][j] = minor(j, i) / det
		}
	}
	return out
}

// fastLab converts 12-bit sRGB to the plane's units.
func fastLab(r, g, b uint32) (l, a, bb int32) {
	return labOfLight(uint32(paperLinear[r]), uint32(paperLinear[g]), uint32(paperLinear[b]))
}

// labOfLight converts 16-bit linear light to the plane's units.
func labOfLight(r, g, b uint32) (l, a, bb int32) {
	x := fastF((paperXYZ[0][0]*r + paperXYZ[0][1]*g + paperXYZ[0][2]*b) >> 15)
	y := fastF((paperXYZ[1][0]*r + paperXYZ[1][1]*g + paperXYZ[1][2]*b) >> 15)
	z := fastF((paperXYZ[2][0]*r + paperXYZ[2][1]*g + paperXYZ[2][2]*b) >> 15)
	return (116*y)>>10 - 16*labUnit, (500 * (x - y)) >> 10, (200 * (y - z)) >> 10
}

func fastF(v uint32) int32 {
	i := v >> 4
	lo := paperF[i]
	return lo + (paperF[i+1]-lo)*int32(v&15)>>4
}

// findBlank marks the squares that hold nothing but paper and have only such squares around them.
func (s *onPaper) findBlank() {
	s.side, s.bw = block, (s.w+block-1)/block
	bh := (s.h + block - 1) / block
	clean := make([]bool, s.bw*bh)
	rowBands(s.h, s.workers, func(_, y0, y1 int) {
		for by := y0 / block; by < (y1+block-1)/block; by++ {
			row := clean[by*s.bw : (by+1)*s.bw]
			for i := range row {
				row[i] = true
			}
			for y := by * block; y < min(by*block+block, s.h); y++ {
				p := s.pix[4*y*s.w : 4*(y+1)*s.w]
				for x := 0; x < s.w; x++ {
					if q := p[4*x : 4*x+3 : 4*x+3]; q[0] < blankFloor || q[1] < blankFloor || q[2] < blankFloor {
						row[x/block] = false
					}
				}
			}
		}
	})
	s.blank = make([]bool, len(clean))
	for by := 0; by < bh; by++ {
		for bx := 0; bx < s.bw; bx++ {
			all := true
			for y := max(by-1, 0); y <= min(by+1, bh-1) && all; y++ {
				for x := max(bx-1, 0); x <= min(bx+1, s.bw-1); x++ {
					if !clean[y*s.bw+x] {
						all = false
						break
					}
				}
			}
			s.blank[by*s.bw+bx] = all
		}
	}
}

// spans calls f for the runs of row y that are not blank.
func (s *plane) spans(y int, f func(x0, x1 int)) {
	row := s.blank[y/s.side*s.bw : (y/s.side+1)*s.bw]
	for i := 0; i < len(row); {
		if row[i] {
			i++
			continue
		}
		j := i + 1
		for j < len(row) && !row[j] {
			j++
		}
		f(i*s.side, min(j*s.side, s.w))
		i = j
	}
}

var whitePaper = vec{100 * labUnit, 0, 0}

// smoothLab fills the Lab plane from the pixels smoothed by the binomial 1 2 1 both ways (standard deviation 0.71 px).
func (s *onPaper) smoothLab() {
	s.lab = large.Make[int16](3 * s.w * s.h)
	rowBands(s.h, s.workers, func(_, lo, hi int) {
		sum := make([]uint32, 3*(s.w+2)) // columns summed 1 2 1, one column of margin either side
		for y := lo; y < hi; y++ {
			up := s.pix[4*max(y-1, 0)*s.w:]
			at := s.pix[4*y*s.w:]
			dn := s.pix[4*min(y+1, s.h-1)*s.w:]
			out := s.lab[3*y*s.w : 3*(y+1)*s.w]
			for i := 0; i < len(out); i += 3 {
				out[i] = 100 * labUnit
			}
			s.spans(y, func(x0, x1 int) {
				for x := x0 - 1; x <= x1; x++ {
					c := 4 * min(max(x, 0), s.w-1)
					d := sum[3*(x+1) : 3*(x+1)+3 : 3*(x+1)+3]
					u, m, l := up[c:c+3:c+3], at[c:c+3:c+3], dn[c:c+3:c+3]
					d[0] = uint32(u[0]) + 2*uint32(m[0]) + uint32(l[0])
					d[1] = uint32(u[1]) + 2*uint32(m[1]) + uint32(l[1])
					d[2] = uint32(u[2]) + 2*uint32(m[2]) + uint32(l[2])
				}
				for x := x0; x < x1; x++ {
					d := sum[3*x : 3*x+9 : 3*x+9]
					l, a, b := fastLab(d[0]+2*d[3]+d[6], d[1]+2*d[4]+d[7], d[2]+2*d[5]+d[8])
					o := out[3*x : 3*x+3 : 3*x+3]
					o[0], o[1], o[2] = int16(l), int16(a), int16(b)
				}
			})
		}
	})
}

// halve returns the plane at half the resolution, each pixel the mean of four.
func (s *plane) halve() plane {
	o := plane{w: (s.w + 1) / 2, h: (s.h + 1) / 2, workers: s.workers, side: s.side / 2, blank: s.blank, bw: s.bw}
	o.lab = large.Make[int16](3 * o.w * o.h)
	rowBands(o.h, o.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			r0 := s.lab[3*2*y*s.w:]
			r1 := s.lab[3*min(2*y+1, s.h-1)*s.w:]
			out := o.lab[3*y*o.w : 3*(y+1)*o.w]
			for i := 0; i < len(out); i += 3 {
				out[i] = 100 * labUnit
			}
			o.spans(y, func(x0, x1 int) {
				for x := x0; x < x1; x++ {
					l, r := 3*2*x, 3*min(2*x+1, s.w-1)
					a, b, c, d := r0[l:l+3:l+3], r0[r:r+3:r+3], r1[l:l+3:l+3], r1[r:r+3:r+3]
					q := out[3*x : 3*x+3 : 3*x+3]
					for j := range q {
						q[j] = int16((int32(a[j]) + int32(b[j]) + int32(c[j]) + int32(d[j]) + 2) >> 2)
					}
				}
			})
		}
	})
	return o
}

// apart is the squared difference of two pixels of the Lab plane, chroma counting half: paper noise and codecs shake
// it more than lightness.
func apart(p, q []int16) int32 {
	l, a, b := int32(p[0])-int32(q[0]), int32(p[1])-int32(q[1]), int32(p[2])-int32(q[2])
	return l*l + (a*a+b*b)>>1
}

// measureRough fills the roughness plane: the largest difference among each pixel and its neighbours reach px left
// and right, and the same up and down.
func (s *plane) measureRough() {
	s.rough = large.Make[uint8](s.w * s.h)
	rowBands(s.h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			up := s.lab[3*max(y-reach, 0)*s.w:]
			at := s.lab[3*y*s.w:]
			dn := s.lab[3*min(y+reach, s.h-1)*s.w:]
			out := s.rough[y*s.w : (y+1)*s.w]
			s.spans(y, func(x0, x1 int) {
				for x := x0; x < x1; x++ {
					c := at[3*x : 3*x+3 : 3*x+3]
					l, r := 3*max(x-reach, 0), 3*min(x+reach, s.w-1)
					pl, pr := at[l:l+3:l+3], at[r:r+3:r+3]
					pu, pd := up[3*x:3*x+3:3*x+3], dn[3*x:3*x+3:3*x+3]
					d := max(apart(c, pl), apart(c, pr), apart(pl, pr), apart(c, pu), apart(c, pd), apart(pu, pd))
					const full = 255 * labUnit / roughUnit
					if d >= full*full {
						out[x] = 255
					} else {
						out[x] = uint8(float32(math.Sqrt(float64(d))) * (float32(roughUnit) / labUnit))
					}
				}
			})
		}
	})
}
