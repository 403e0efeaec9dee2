package quantize

import (
	"math"
	"slices"

	"pochoir/quantize/large"
)

// This file evens strokes that lie roughly on the paper: a ballpoint that skips, crayon over grain, a dry brush. Every
// pixel is averaged with those that lie before and behind it along its stroke, so that speckles and short gaps fill and
// ragged sides become straight, while the width stays. The direction comes from the structure tensor (J. Bigün &
// G. H. Granlund, "Optimal orientation detection of linear symmetry", 1987); the mean is taken along its field (B. Cabral &
// L. C. Leedom, "Imaging vector fields using line integral convolution", 1993; for drawings H. Kang, S. Lee & C. K. Chui,
// "Coherent line drawing", 2007).

// flow is the field of directions along strokes and edges, at half the resolution.
type flow struct {
	w, h int
	t    [][2]float32 // unit vector along, px of the half plane; zero where no direction is clear
}

const (
	// flowSpread is the number of boxes of 3×3 px of the half plane by which the tensor is spread.
	flowSpread = 3
	// flowClear is the least coherence of the tensor, 0 to 1, that makes a direction, and flowRise the least root of its
	// larger value, ΔE a px.
	flowClear = 0.5
	flowRise  = 0.8
	// flowEven is the slope above which edges count alike, ΔE over two px, where strokes are to be evened: by its contrast a
	// dark stroke would turn the directions in faint ones that meet it, and evening would take their ends away.
	flowEven = 12.0
	// flowTurn is the cosine of the largest turn from one px to the next.
	flowTurn = 0.9
)

// Ink is rough where it varies along the middle of its strokes by roughLeast of its difference from the paper. Felt-tip
// and brush, scanned or photographed in bad light, reach 0.06, a ballpoint on drawing paper 0.1, crayon more.
const roughLeast = 0.075

const (
	// combRounds is how often rough ink is evened; the directions become clearer each time.
	combRounds = 3
	// combBlur is the blur that evening adds across a stroke, px: interpolation between two pixels has a variance of 1/6
	// in the mean, and six parts of seven are interpolated.
	combBlur = 0.65
)

// evenInk evens the ink along its strokes if it is rough, and otherwise where strokes overlap in a paint.
func (s *onPaper) evenInk() {
	f := s.half.flowField(false)
	s.along = f
	striped := false
	looked := s.beside(func() { striped = s.mayOverlap() })
	rough := s.roughInk(&f)
	if looked(); rough < roughLeast {
		if striped && s.evenOverlaps() {
			s.smoothLab()
			s.half = s.halve()
			s.along = s.half.flowField(false)
		}
		return
	}
	s.combed, s.blur = true, math.Hypot(s.blur, combBlur)
	f = s.half.broadFlow()
	for round := 1; ; round++ {
		s.pix = s.comb(&f)
		s.smoothLab()
		s.half = s.halve()
		if round == combRounds {
			return
		}
		f = s.half.broadFlow()
	}
}

// flowField measures the directions, by all edges alike, or, if not capped, by their contrast.
func (s *plane) flowField(capped bool) flow {
	const most = flowEven * flowEven * labUnit * labUnit
	w, h := s.w, s.h
	f := flow{w: w, h: h, t: large.Make[[2]float32](w * h)}
	var j [3][]float32
	for k := range j {
		j[k] = large.Make[float32](w * h)
	}
	rowBands(h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			if y == 0 || y == h-1 {
				continue
			}
			s.spans(y, func(x0, x1 int) {
				for x := max(x0, 1); x < min(x1, w-1); x++ {
					i := y*w + x
					l, r := s.at(i-1), s.at(i+1)
					u, d := s.at(i-w), s.at(i+w)
					gx, gy := r.sub(l), d.sub(u)
					a, b, c := float32(gx.dot(gx)), float32(gx.dot(gy)), float32(gy.dot(gy))
					if e := a + c; capped && e > most {
						a, b, c = most*(a/e), most*(b/e), most*(c/e)
					}
					j[0][i], j[1][i], j[2][i] = a, b, c
				}
			})
		}
	})
	tmp := large.Make[float32](w * h)
	for k := range j {
		for range flowSpread {
			boxRows(tmp, j[k], w, h, s.workers)
			boxColumns(j[k], tmp, w, h, s.workers)
		}
	}
	f.direct(&j, s.workers)
	return f
}

// broadFlow is flowField with the directions of half the resolution where those of s are not clear, as in a stroke that
// is all speckles.
func (s *plane) broadFlow() flow {
	f := s.flowField(true)
	half := s.halve()
	b := half.flowField(true)
	rowBands(f.h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			for x := range f.w {
				if t := &f.t[y*f.w+x]; *t == ([2]float32{}) {
					*t = b.t[y/2*b.w+x/2]
				}
			}
		}
	})
	return f
}

// direct fills in the directions from a spread tensor: xx, xy, yy.
func (f *flow) direct(j *[3][]float32, workers int) {
	const least = float32(flowRise * flowRise * 4 * 4 * labUnit * labUnit)
	rowBands(f.h, workers, func(_, lo, hi int) {
		for i := lo * f.w; i < hi*f.w; i++ {
			a, b, c := j[0][i], j[1][i], j[2][i]
			d := (a - c) / 2
			m := float32(math.Sqrt(float64(float32(d*d) + float32(b*b))))
			mean := (a + c) / 2
			if mean+m < least || m < flowClear*mean {
				continue
			}
			x, y := b, -(d + m)
			if d < 0 {
				x, y = m-d, -b
			}
			n := float32(math.Sqrt(float64(float32(x*x) + float32(y*y))))
			f.t[i] = [2]float32{x / n, y / n}
		}
	})
}

// boxRows and boxColumns write to dst the means of src over three pixels; what lies beyond the rims is 0.
func boxRows(dst, src []float32, w, h, workers int) {
	rowBands(h, workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			in, out := src[y*w:(y+1)*w], dst[y*w:(y+1)*w]
			l, c := float32(0), in[0]
			for x, r := range in[1:] {
				out[x] = (l + c + r) / 3
				l, c = c, r
			}
			out[w-1] = (l + c) / 3
		}
	})
}

func boxColumns(dst, src []float32, w, h, workers int) {
	beyond := make([]float32, w)
	rowBands(h, workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			out := dst[y*w : (y+1)*w]
			u, c, d := beyond[:len(out)], src[y*w:][:len(out)], beyond[:len(out)]
			if y > 0 {
				u = src[(y-1)*w:][:len(out)]
			}
			if y+1 < h {
				d = src[(y+1)*w:][:len(out)]
			}
			for x := range out {
				out[x] = (u[x] + c[x] + d[x]) / 3
			}
		}
	})
}

// walk follows the field from the middle of pixel (x, y) of the full plane, first way (1 or -1) along it, and calls do
// with each place reached, in px, until steps are made, the direction is lost or turns too fast, or do returns false.
func (f *flow) walk(x, y, way float32, steps int, do func(k int, x, y float32) bool) {
	t := f.t[int(y/2)*f.w+int(x/2)]
	dx, dy := way*t[0], way*t[1]
	if dx == 0 && dy == 0 {
		return
	}
	for k := 1; k <= steps; k++ {
		x, y = x+dx, y+dy
		hx, hy := int(x/2), int(y/2)
		if x < 1 || y < 1 || hx >= f.w-1 || hy >= f.h-1 || !do(k, x, y) {
			return
		}
		t := f.t[hy*f.w+hx]
		c := float32(t[0]*dx) + float32(t[1]*dy)
		if c < 0 {
			t[0], t[1], c = -t[0], -t[1], -c
		}
		if c < flowTurn {
			return
		}
		dx, dy = t[0], t[1]
	}
}

// roughInk returns how much the ink varies along the middles of its strokes, as a share of its difference in lightness
// from the paper: the median of the standard deviations over short stretches; 0 where there are too few of them.
func (s *onPaper) roughInk(f *flow) float64 {
	const (
		every  = 3            // pixels looked at, both ways
		length = 6            // px before and behind
		beside = 3            // px to either side at which a stroke has ended
		lead   = 1.2          // its middle's difference from paper over that at its sides
		least  = 12 * labUnit // the middle's difference
		enough = 20           // stretches
		// The middles of strokes make up a tenth and more of a drawing in line. Where they are hardly any of what is
		// marked, the drawing is one of painted areas, and what runs over them is pencil.
		strokeShare = 0.02
		paper       = 100 * labUnit // lightness
	)
	dark := func(x, y int) int { return paper - int(s.lab[3*(y*s.w+x)]) }
	rows := (s.h - 2 + every - 1) / every
	founds, marks := make([][]float64, rows), make([]int, rows)
	parallel(rows, s.workers, func(row int) {
		y := 1 + row*every
		var found []float64
		marked := 0
		s.spans(y, func(x0, x1 int) {
			for x := max(x0, 1); x < min(x1, s.w-1); x += every {
				t := f.t[y/2*f.w+x/2]
				if dark(x, y) < least {
					continue
				}
				marked++
				if t == ([2]float32{}) {
					continue
				}
				var sum [3]int // left, middle, right
				square, n := 0, 0
				add := func(_ int, x, y float32) bool {
					for j := range sum {
						o := float32(beside * (j - 1))
						px, py := int(x-float32(o*t[1])), int(y+float32(o*t[0]))
						if px < 0 || py < 0 || px >= s.w || py >= s.h {
							return false
						}
						v := dark(px, py)
						sum[j] += v
						if j == 1 {
							square += v * v
						}
					}
					n++
					return true
				}
				mx, my := float32(x)+0.5, float32(y)+0.5
				add(0, mx, my)
				f.walk(mx, my, 1, length, add)
				f.walk(mx, my, -1, length, add)
				middle := float64(sum[1])
				if n < 2*length || middle < float64(least*n) || middle < lead*float64(max(sum[0], sum[2])) {
					continue
				}
				found = append(found, math.Sqrt(float64(n*square-sum[1]*sum[1]))/middle)
			}
		})
		founds[row], marks[row] = found, marked
	})
	found, marked := slices.Concat(founds...), 0
	for _, n := range marks {
		marked += n
	}
	if len(found) < enough || float64(len(found)) < strokeShare*float64(marked) {
		return 0
	}
	slices.Sort(found)
	return found[len(found)/2]
}

// combWeight is the weight of a place by its distance along the stroke, px: a Gaussian of standard deviation 3 px.
var combWeight = [...]float32{1, 0.946, 0.801, 0.607, 0.411, 0.249}

// comb returns the sheet's pixels, averaged along the field. Where ink without a direction is uneven, as in the middle
// of crayon, it is averaged with what lies around.
func (s *onPaper) comb(f *flow) []uint8 {
	const reach = len(combWeight) - 1
	out := slices.Clone(s.pix)
	rowBands(s.h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			s.spans(y, func(x0, x1 int) {
				for x := x0; x < x1; x++ {
					i := 4 * (y*s.w + x)
					if f.t[y/2*f.w+x/2] == ([2]float32{}) {
						if s.inside(x/2, y/2) {
							s.blot(out[i:i+3:i+3], f, x, y)
						}
						continue
					}
					sum := [3]float32{float32(s.pix[i]), float32(s.pix[i+1]), float32(s.pix[i+2])}
					total := float32(1)
					add := func(k int, x, y float32) bool {
						c, ok := s.sampled(x-0.5, y-0.5)
						if !ok {
							return false
						}
						w := combWeight[k]
						for j := range sum {
							sum[j] += float32(w * c[j])
						}
						total += w
						return true
					}
					f.walk(float32(x)+0.5, float32(y)+0.5, 1, reach, add)
					f.walk(float32(x)+0.5, float32(y)+0.5, -1, reach, add)
					for j := range sum {
						out[i+j] = uint8(sum[j]/total + 0.5)
					}
				}
			})
		}
	})
	return out
}

// inside reports whether all around pixel (x, y) of the half plane lies ink, if unevenly.
func (s *onPaper) inside(x, y int) bool {
	const (
		reach = 2
		least = 10 * labUnit // difference from paper
		share = 0.5          // of the mean that the palest place must have
	)
	h := &s.half
	// Where the mean is at least that, no place is paler than this, the middle first of all.
	const floor = share * least
	if d := h.at(y*h.w + x).sub(whitePaper); d.dot(d) < floor*floor {
		return false
	}
	palest, sum, n := math.Inf(1), 0.0, 0.0
	for yy := max(y-reach, 0); yy <= min(y+reach, h.h-1); yy++ {
		for xx := max(x-reach, 0); xx <= min(x+reach, h.w-1); xx++ {
			d := h.at(yy*h.w + xx).sub(whitePaper)
			v := math.Sqrt(float64(d.dot(d)))
			if palest = min(palest, v); palest < floor {
				return false
			}
			sum += v
			n++
		}
	}
	return sum >= least*n && palest*n >= share*sum
}

// blot writes the mean of the pixels without direction around (x, y) to p.
func (s *onPaper) blot(p []uint8, f *flow, x, y int) {
	const reach = 2
	var sum [3]int
	n := 0
	for yy := max(y-reach, 0); yy <= min(y+reach, s.h-1); yy++ {
		for xx := max(x-reach, 0); xx <= min(x+reach, s.w-1); xx++ {
			if f.t[yy/2*f.w+xx/2] == ([2]float32{}) {
				q := s.pix[4*(yy*s.w+xx):]
				sum[0] += int(q[0])
				sum[1] += int(q[1])
				sum[2] += int(q[2])
				n++
			}
		}
	}
	for j := range sum {
		p[j] = uint8((sum[j] + n/2) / n)
	}
}

// sampled returns the picture's colour at (x, y), pixel middles at whole numbers, by bilinear interpolation.
func (s *onPaper) sampled(x, y float32) (c [3]float32, ok bool) {
	ix, iy := int(x), int(y)
	if x < 0 || y < 0 || ix+1 >= s.w || iy+1 >= s.h {
		return c, false
	}
	fx, fy := x-float32(ix), y-float32(iy)
	i := 4 * (iy*s.w + ix)
	a, b := s.pix[i:i+7:i+7], s.pix[i+4*s.w:i+4*s.w+7:i+4*s.w+7]
	for j := range c {
		u := float32(a[j]) + float32(fx*(float32(a[j+4])-float32(a[j])))
		v := float32(b[j]) + float32(fx*(float32(b[j+4])-float32(b[j])))
		c[j] = u + float32(fy*(v-u))
	}
	return c, true
}
