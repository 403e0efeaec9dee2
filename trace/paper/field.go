package paper

import (
	"math"
	"sync"

	"pochoir/quantize/large"
)

// field is a small picture of float32 samples, three channels a pixel.
type field struct {
	w, h int
	v    []float32 // R,G,B a pixel, row by row, len 3*w*h
}

func newField(w, h int) *field { return &field{w, h, large.Make[float32](3 * w * h)} }

// reduce averages squares of f×f pixels of pic in linear light. What is left over at the right and lower rims is
// dropped, unless the picture is smaller than one square. scan takes in all rows on the way.
func (c crew) reduce(pic *Picture, f int, scan *edgeScan) *field {
	f = min(f, pic.W, pic.H)
	o := newField(pic.W/f, pic.H/f)
	k := 1 / (65535 * float32(f) * float32(f))
	c.rows(o.h, func(y0, y1 int) {
		sum := make([]uint64, 3*o.w)
		for y := y0; y < y1; y++ {
			clear(sum)
			for r := y * f; r < (y+1)*f; r++ {
				row := pic.Pix[4*r*pic.W : 4*(r+1)*pic.W]
				addRow(sum, row, f)
				scan.take(r, row, nil)
			}
			dst := o.v[3*y*o.w : 3*(y+1)*o.w]
			for i, s := range sum {
				dst[i] = float32(s) * k
			}
		}
	})
	for r := o.h * f; r < pic.H; r++ {
		scan.take(r, pic.Pix[4*r*pic.W:4*(r+1)*pic.W], nil)
	}
	return o
}

// addRow adds runs of f pixels of src, in linear light, to the pixels of sum.
func addRow(sum []uint64, src []uint8, f int) {
	for i := 0; i+2 < len(sum); i += 3 {
		var r, g, b uint32
		run := src[:4*f]
		src = src[4*f:]
		for len(run) >= 4 {
			r += toLinear16[run[0]]
			g += toLinear16[run[1]]
			b += toLinear16[run[2]]
			run = run[4:]
		}
		sum[i] += uint64(r)
		sum[i+1] += uint64(g)
		sum[i+2] += uint64(b)
	}
}

// halve averages squares of f×f samples; leftovers at the right and lower rims join the last square.
func (o *field) halve(c crew, f int) *field {
	w, h := max(1, o.w/f), max(1, o.h/f)
	r := newField(w, h)
	c.rows(h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			ya, yb := y*f, (y+1)*f
			if y == h-1 {
				yb = o.h
			}
			for x := range w {
				xa, xb := x*f, (x+1)*f
				if x == w-1 {
					xb = o.w
				}
				var s [3]float32
				for j := ya; j < yb; j++ {
					run := o.v[3*(j*o.w+xa) : 3*(j*o.w+xb)]
					for len(run) >= 3 {
						s[0] += run[0]
						s[1] += run[1]
						s[2] += run[2]
						run = run[3:]
					}
				}
				n := float32((yb - ya) * (xb - xa))
				p := r.v[3*(y*w+x):]
				p[0], p[1], p[2] = s[0]/n, s[1]/n, s[2]/n
			}
		}
	})
	return r
}

// darkest is the light below which logarithms are cut off: the noise of a sensor, not a reflectance, is seen there.
const darkest = 0.004

// log returns the natural logarithm of each sample, from darkest up.
func (o *field) log(c crew) *field {
	r := newField(o.w, o.h)
	c.rows(o.h, func(y0, y1 int) {
		for i := 3 * y0 * o.w; i < 3*y1*o.w; i++ {
			r.v[i] = float32(math.Log(float64(max(o.v[i], darkest))))
		}
	})
	return r
}

// closing is the grey closing by a square of (2r+1)² samples, channel by channel: it fills what is darker than its
// surroundings and narrower than the square, and moves no wider edge. What lies beyond the rims has no say. No sample
// may be negative: the order of such numbers is that of their bits.
func (o *field) closing(c crew, r int) *field {
	out := newField(o.w, o.h)
	const band = 2 * bandRows // rows at once; the 2r above and below them are worked on twice
	// Rows of both extremes have room for r pixels either side; pixels and rows are worked on in twos, hence one more.
	line, wide := 3*o.w, 3*(o.w+2*r+1)
	type room struct{ most, least []uint32 }
	rooms := sync.Pool{New: func() any { // as bands take turns in the same memory
		return &room{make([]uint32, wide*(band+4*r+1)), make([]uint32, wide*(band+2*r+1))}
	}}
	c.each((o.h+band-1)/band, func(k int) {
		y0, y1 := k*band, min((k+1)*band, o.h)
		m0, m1 := max(0, y0-r), min(o.h, y1+r) // rows whose greatest are needed
		room := rooms.Get().(*room)
		defer rooms.Put(room)
		most, least := room.most[:wide*(m1-m0+2*r+1)], room.least[:wide*(y1-y0+2*r+1)]
		clear(most)
		clear(least)
		// Every extreme stands r rows and columns before its sample.
		for y := max(0, y0-2*r); y < min(o.h, y1+2*r); y++ {
			row := most[(y-m0+r)*wide:][:wide]
			for i, v := range o.v[y*line : (y+1)*line] {
				row[3*r+i] = math.Float32bits(v)
			}
			greatestAlong(row, r)
		}
		greatestDown(most, wide, m1-m0, r)
		for y := m0; y < m1; y++ { // the least is the greatest of the complements
			row := least[(y-y0+r)*wide:][:wide]
			for i, v := range most[(y-m0)*wide:][:line] {
				row[3*r+i] = ^v
			}
			greatestAlong(row, r)
		}
		greatestDown(least, wide, y1-y0, r)
		for y := y0; y < y1; y++ {
			dst := out.v[y*line : (y+1)*line]
			for i, v := range least[(y-y0)*wide:][:line] {
				dst[i] = math.Float32frombits(^v)
			}
		}
	})
	return out
}

// levels returns the field without its thin dark marks (see closing), f×f samples in one, as smoothed logarithms.
func (o *field) levels(c crew, reach, f int) *field {
	return o.closing(c, reach).halve(c, f).log(c).smooth(c)
}

// smooth is a binomial 1-2-1 smoothing along both axes, samples at the rims repeated.
func (o *field) smooth(c crew) *field {
	a, b := newField(o.w, o.h), newField(o.w, o.h)
	n := 3 * o.w
	c.rows(o.h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			s, d := o.v[y*n:(y+1)*n], a.v[y*n:(y+1)*n]
			for k := range 3 {
				d[k] = (s[k] + 2*s[k] + s[min(k+3, n-3+k)]) / 4
				d[n-3+k] = (s[max(n-6+k, k)] + 2*s[n-3+k] + s[n-3+k]) / 4
			}
			for i := 3; i < n-3; i++ {
				d[i] = (s[i-3] + 2*s[i] + s[i+3]) / 4
			}
		}
	})
	c.rows(o.h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			d := b.v[y*n : (y+1)*n]
			u, s, v := a.v[max(0, y-1)*n:][:len(d)], a.v[y*n:][:len(d)], a.v[min(o.h-1, y+1)*n:][:len(d)]
			for i := range d {
				d[i] = (u[i] + 2*s[i] + v[i]) / 4
			}
		}
	})
	return b
}
