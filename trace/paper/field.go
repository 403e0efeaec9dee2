package paper

import "math"

// field is a small picture of float32 samples, three channels a pixel.
type field struct {
	w, h int
	v    []float32 // R,G,B a pixel, row by row, len 3*w*h
}

func newField(w, h int) *field { return &field{w, h, make([]float32, 3*w*h)} }

// reduce averages squares of f×f pixels of pic in linear light. What is left over at the right and lower rims is
// dropped, unless the picture is smaller than one square.
func (c crew) reduce(pic *Picture, f int) *field {
	f = min(f, pic.W, pic.H)
	o := newField(pic.W/f, pic.H/f)
	k := 1 / (65535 * float32(f) * float32(f))
	c.rows(o.h, func(y0, y1 int) {
		sum := make([]uint64, 3*o.w)
		for y := y0; y < y1; y++ {
			clear(sum)
			for r := y * f; r < (y+1)*f; r++ {
				addRow(sum, pic.Pix[4*r*pic.W:4*(r+1)*pic.W], f)
			}
			dst := o.v[3*y*o.w : 3*(y+1)*o.w]
			for i, s := range sum {
				dst[i] = float32(s) * k
			}
		}
	})
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
func (o *field) halve(f int) *field {
	w, h := max(1, o.w/f), max(1, o.h/f)
	r := newField(w, h)
	for y := range h {
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
				for i := 3 * (j*o.w + xa); i < 3*(j*o.w+xb); i += 3 {
					s[0] += o.v[i]
					s[1] += o.v[i+1]
					s[2] += o.v[i+2]
				}
			}
			n := float32((yb - ya) * (xb - xa))
			p := r.v[3*(y*w+x):]
			p[0], p[1], p[2] = s[0]/n, s[1]/n, s[2]/n
		}
	}
	return r
}

// darkest is the light below which logarithms are cut off: the noise of a sensor, not a reflectance, is seen there.
const darkest = 0.004

// log returns the natural logarithm of each sample, from darkest up.
func (o *field) log() *field {
	r := newField(o.w, o.h)
	for i, v := range o.v {
		r.v[i] = float32(math.Log(float64(max(v, darkest))))
	}
	return r
}

// closing is the grey closing by a square of (2r+1)² samples, channel by channel: it fills what is darker than its
// surroundings and narrower than the square, and moves no wider edge.
func (o *field) closing(c crew, r int) *field {
	a, b := newField(o.w, o.h), newField(o.w, o.h)
	c.extremeRows(a, o, r, false)
	c.extremeColumns(b, a, r, false)
	c.extremeRows(a, b, r, true)
	c.extremeColumns(b, a, r, true)
	return b
}

// extremeRows sets each sample of dst to the largest (or smallest) of src within r samples along the row.
func (c crew) extremeRows(dst, src *field, r int, least bool) {
	w := src.w
	c.rows(src.h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			s, d := src.v[3*y*w:3*(y+1)*w], dst.v[3*y*w:3*(y+1)*w]
			for x := range w {
				lo, hi := max(0, x-r), min(w-1, x+r)
				a, b, e := s[3*lo], s[3*lo+1], s[3*lo+2]
				for i := 3 * (lo + 1); i <= 3*hi; i += 3 {
					if least {
						a, b, e = min(a, s[i]), min(b, s[i+1]), min(e, s[i+2])
					} else {
						a, b, e = max(a, s[i]), max(b, s[i+1]), max(e, s[i+2])
					}
				}
				d[3*x], d[3*x+1], d[3*x+2] = a, b, e
			}
		}
	})
}

// extremeColumns is extremeRows along the columns.
func (c crew) extremeColumns(dst, src *field, r int, least bool) {
	n := 3 * src.w
	c.rows(src.h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			d := dst.v[y*n : (y+1)*n]
			lo, hi := max(0, y-r), min(src.h-1, y+r)
			copy(d, src.v[lo*n:(lo+1)*n])
			for j := lo + 1; j <= hi; j++ {
				s := src.v[j*n : (j+1)*n]
				if least {
					for i, v := range s {
						d[i] = min(d[i], v)
					}
				} else {
					for i, v := range s {
						d[i] = max(d[i], v)
					}
				}
			}
		}
	})
}

// smooth is a binomial 1-2-1 smoothing along both axes, samples at the rims repeated.
func (o *field) smooth() *field {
	a, b := newField(o.w, o.h), newField(o.w, o.h)
	n := 3 * o.w
	for y := range o.h {
		s, d := o.v[y*n:(y+1)*n], a.v[y*n:(y+1)*n]
		for i := range d {
			d[i] = (s[max(i-3, i%3)] + 2*s[i] + s[min(i+3, n-3+i%3)]) / 4
		}
	}
	for y := range o.h {
		u, s, v := a.v[max(0, y-1)*n:], a.v[y*n:], a.v[min(o.h-1, y+1)*n:]
		d := b.v[y*n : (y+1)*n]
		for i := range d {
			d[i] = (u[i] + 2*s[i] + v[i]) / 4
		}
	}
	return b
}
