package quantize

import (
	"cmp"
	"math"
	"slices"

	"pochoir/quantize/large"
)

// This file finds the paints of a sheet. Even places are averaged over small tiles, which takes the noise out and
// leaves the paint's own unevenness; the tiles crowd together in CIELAB; crowds that run into each other without an
// edge between them are one paint.

// tile is the side in px of the squares averaged.
const tile = 4

// tileMin is how many even pixels a tile needs to count.
const tileMin = 5

// sample is a colour seen at a number of pixels.
type sample struct {
	c vec
	n int32
	i int32 // where: the tile's number
}

// findEven measures how rough places are, and which of them are even and how grainy those are.
func (s *plane) findEven() {
	s.measureRough()
	s.findCores()
	s.measureGrain()
}

// evenLimit returns the roughness up to which a place is even, by lightness. Noise and paint are rougher
// in the dark, where a step of reflectance is a larger step of lightness; so the limit follows what the sheet shows.
func (s *plane) evenLimit() [lightSteps + 1]uint8 {
	const (
		floor = 2 * roughUnit   // never less, ΔE: the weakest edge between two paints is rougher
		ceil  = 4.5 * roughUnit // never more, ΔE: above it even a lone edge shows
		dark  = 5               // lightness steps below which the limit may be half as high again
		spare = 2.4             // between the middle of the even places' roughness and their upper end
	)
	var hist [lightSteps + 1][256]int
	for y := 0; y < s.h; y += 2 {
		s.spans(y, func(x0, x1 int) {
			for x := x0; x < x1; x++ {
				i := y*s.w + x
				hist[s.lab[3*i]/lightStep][s.rough[i]]++
			}
		})
	}
	var limit [lightSteps + 1]uint8
	for k := range hist {
		n := 0
		for _, c := range hist[k][:8*roughUnit] {
			n += c
		}
		seen, mid := 0, 0
		for v, c := range hist[k] {
			if seen += c; 2*seen >= n {
				mid = v
				break
			}
		}
		top := ceil
		if k < dark {
			top *= 1.5
		}
		limit[k] = uint8(min(max(spare*float64(mid+1), floor), top))
	}
	return limit
}

// findCores marks the pixels of even colour: within the limit, and their eight neighbours too.
func (s *plane) findCores() {
	limit := s.evenLimit()
	s.core = large.Make[bool](s.w * s.h)
	low := large.Make[bool](s.w * s.h)
	rowBands(s.h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			row := low[y*s.w : (y+1)*s.w]
			for x := range row {
				row[x] = true
			}
			s.spans(y, func(x0, x1 int) {
				for x := x0; x < x1; x++ {
					i := y*s.w + x
					row[x] = s.rough[i] <= limit[s.lab[3*i]/lightStep]
				}
			})
		}
	})
	rowBands(s.h, s.workers, func(_, lo, hi int) {
		for y := lo; y < hi; y++ {
			up := low[max(y-1, 0)*s.w:][:s.w]
			at := low[y*s.w:][:s.w]
			dn := low[min(y+1, s.h-1)*s.w:][:s.w]
			out := s.core[y*s.w:][:s.w]
			l := up[0] && at[0] && dn[0]
			c := l
			for x := range out {
				r := c
				if x+1 < s.w {
					r = up[x+1] && at[x+1] && dn[x+1]
				}
				out[x] = l && c && r
				l, c = c, r
			}
		}
	})
}

// measureGrain fills s.grain from the even pixels: by lightness, and where a lightness has too few of them, by all.
func (s *plane) measureGrain() {
	const (
		largest = 2.5 // median of the largest of six differences, in standard deviations
		enough  = 300 // even pixels
	)
	var hist [lightSteps + 1][256]int
	for y := 0; y < s.h; y += 2 {
		s.spans(y, func(x0, x1 int) {
			for i := y*s.w + x0; i < y*s.w+x1; i++ {
				if s.core[i] {
					hist[s.lab[3*i]/lightStep][s.rough[i]]++
				}
			}
		})
	}
	var all [256]int
	for k := range hist {
		for v, c := range hist[k] {
			all[v] += c
		}
	}
	middle := func(hist *[256]int) (v, n int) {
		for _, c := range hist {
			n += c
		}
		seen := 0
		for v, c := range hist {
			if seen += c; 2*seen >= n {
				return v, n
			}
		}
		return 0, n
	}
	whole, _ := middle(&all)
	for k := range hist {
		v, n := middle(&hist[k])
		if n < enough {
			v = whole
		}
		s.grain[k] = float64(v) / roughUnit / largest
	}
}

// grainOf returns the grain of even places as light as v.
func (s *plane) grainOf(v vec) float64 { return s.grain[min(max(v.l/lightStep, 0), lightSteps)] }

// textured is the roughness up to which a place that is even at half the resolution counts: chalk and crayon leave
// the paper's grain showing, hatching is rougher.
const textured = 20 * roughUnit

// broad reports whether pixel (x, y) of the half plane is even and not hatched.
func (s *onPaper) broad(x, y int) bool {
	if !s.half.core[y*s.half.w+x] {
		return false
	}
	for yy := 2 * y; yy <= min(2*y+1, s.h-1); yy++ {
		for xx := 2 * x; xx <= min(2*x+1, s.w-1); xx++ {
			if s.rough[yy*s.w+xx] > textured {
				return false
			}
		}
	}
	return true
}

// tiles averages the even pixels of each tile that is not blank, those of half the resolution where there are not
// enough of them.
func (s *onPaper) tiles() []sample {
	tw, th := (s.w+tile-1)/tile, (s.h+tile-1)/tile
	found := make([][]sample, bandCount(th))
	rowBands(th, s.workers, func(band, lo, hi int) {
		var out []sample
		for ty := lo; ty < hi; ty++ {
			for tx := range tw {
				if s.blank[ty*tile/block*s.bw+tx*tile/block] {
					continue
				}
				sum, n := s.plane.sumEven(tx*tile, ty*tile, tile, func(i int) bool { return s.core[i] })
				if n < tileMin {
					sum, n = s.half.sumEven(tx*tile/2, ty*tile/2, tile/2, func(i int) bool { return s.broad(i%s.half.w, i/s.half.w) })
					if n < tileMin/2 {
						continue
					}
					out = append(out, sample{vec{sum.l / n, sum.a / n, sum.b / n}, 4 * n, int32(ty*tw + tx)})
					continue
				}
				out = append(out, sample{vec{sum.l / n, sum.a / n, sum.b / n}, n, int32(ty*tw + tx)})
			}
		}
		found[band] = out
	})
	return slices.Concat(found...)
}

// sumEven adds up the pixels of a square that even lets through.
func (s *plane) sumEven(x0, y0, side int, even func(i int) bool) (sum vec, n int32) {
	for y := y0; y < min(y0+side, s.h); y++ {
		for x := x0; x < min(x0+side, s.w); x++ {
			if i := y*s.w + x; even(i) {
				p := s.lab[3*i : 3*i+3 : 3*i+3]
				sum.l += int32(p[0])
				sum.a += int32(p[1])
				sum.b += int32(p[2])
				n++
			}
		}
	}
	return sum, n
}

// crowd is a heap of samples in colour space.
type crowd struct {
	c vec   // where it is densest
	n int64 // pixels
	// spread is the covariance of the crowd's samples, in the plane's units squared: ll, aa, bb, la, lb, ab.
	spread [6]float64
	// valley says, for crowds it borders on, how deep the density dips between the two: the saddle as a share of the
	// lower peak. By index, in no order, nil before crowds returns.
	valley []valley
}

type valley struct {
	to    int32
	share float64
}

// dip returns the saddle between two crowds as a share of the lower peak, 0 where they do not touch.
func (c *crowd) dip(to int) float64 {
	for _, v := range c.valley {
		if v.to == int32(to) {
			return v.share
		}
	}
	return 0
}

// along returns the variance of the crowd along u, per squared length of u, ΔE².
func (c *crowd) along(u vec) float64 {
	x, y, z := float64(u.l), float64(u.a), float64(u.b)
	s := &c.spread
	v := float64(x*x*s[0]) + float64(y*y*s[1]) + float64(z*z*s[2]) + 2*(float64(x*y*s[3])+float64(x*z*s[4])+float64(y*z*s[5]))
	return v / float64(u.dot(u)) / (labUnit * labUnit)
}

func (c *crowd) touch(to int32, share float64) {
	for k := range c.valley {
		if c.valley[k].to == to {
			c.valley[k].share = max(c.valley[k].share, share)
			return
		}
	}
	c.valley = append(c.valley, valley{to, share})
}

// crowds clusters samples by the persistence of their density: F. Chazal, L. Guibas, S. Oudot, P. Skraba,
// "Persistence-Based Clustering in Riemannian Manifolds", J. ACM 60(6), 2013, on a grid of bin CIELAB units. Two
// peaks are one crowd where the saddle between them is above keep times the lower peak. It returns the crowds and
// each sample's crowd.
func crowds(samples []sample, bin, keep float64) ([]crowd, []int32) {
	step := int32(bin * labUnit)
	key := func(v vec) uint32 {
		const half = 512 // keeps the bins of a and b positive
		f := func(x int32) uint32 { return uint32(floorDiv(x, step) + half) }
		return f(v.l)<<20 | f(v.a)<<10 | f(v.b)
	}
	// The bins that hold something, in the order of their keys; first by the order in which they were met.
	var met []uint32
	at := map[uint32]int32{}
	of := make([]int32, len(samples))
	for i := range samples {
		k := key(samples[i].c)
		if i > 0 && k == met[of[i-1]] { // mostly
			of[i] = of[i-1]
			continue
		}
		n, known := at[k]
		if !known {
			n = int32(len(met))
			at[k], met = n, append(met, k)
		}
		of[i] = n
	}
	bins := slices.Sorted(slices.Values(met))
	for n, k := range bins {
		at[k] = int32(n)
	}
	mass := make([]float64, len(bins))
	for i := range samples {
		of[i] = at[met[of[i]]]
		mass[of[i]] += float64(samples[i].n)
	}
	// neighbours of each bin, by its place in bins
	var offsets [26]int32
	var weight [26]float64
	m := 0
	for a := int32(-1); a <= 1; a++ {
		for b := int32(-1); b <= 1; b++ {
			for c := int32(-1); c <= 1; c++ {
				if d := a*a + b*b + c*c; d > 0 {
					offsets[m], weight[m] = a<<20+b<<10+c, [4]float64{1, 0.61, 0.37, 0.22}[d]
					m++
				}
			}
		}
	}
	near := make([][26]int32, len(bins))
	dense := make([]float64, len(bins))
	for i, k := range bins {
		dense[i] = mass[i]
		for j, o := range offsets {
			n, ok := at[uint32(int32(k)+o)]
			if !ok {
				near[i][j] = -1
				continue
			}
			near[i][j] = n
			dense[i] += float64(weight[j] * mass[n])
		}
	}
	byDensity := make([]int32, len(bins))
	for i := range byDensity {
		byDensity[i] = int32(i)
	}
	slices.SortStableFunc(byDensity, func(a, b int32) int { return cmp.Compare(dense[b], dense[a]) })
	root := make([]int32, len(bins))
	for i := range root {
		root[i] = -1
	}
	find := func(i int32) int32 {
		for root[i] != i {
			root[i] = root[root[i]]
			i = root[i]
		}
		return i
	}
	for _, i := range byDensity {
		best := int32(-1)
		for _, j := range near[i] {
			if j >= 0 && root[j] >= 0 {
				if r := find(j); best < 0 || dense[r] > dense[best] || dense[r] == dense[best] && r < best {
					best = r
				}
			}
		}
		if best < 0 {
			root[i] = i
			continue
		}
		root[i] = best
		for _, j := range near[i] {
			if j >= 0 && root[j] >= 0 {
				if r := find(j); r != best && dense[i] > float64(keep*dense[r]) {
					root[r] = best
				}
			}
		}
	}
	number := make([]int32, len(bins))
	var out []crowd
	for _, i := range byDensity {
		if r := find(i); r == i {
			number[i] = int32(len(out))
			out = append(out, crowd{})
		}
	}
	top := make([]float64, len(out))
	for i := range bins {
		k := number[find(int32(i))]
		top[k] = max(top[k], dense[i])
	}
	for i := range bins {
		a := number[find(int32(i))]
		for _, j := range near[i] {
			if j < 0 {
				continue
			}
			if b := number[find(j)]; b != a {
				out[a].touch(b, min(dense[i], dense[j])/min(top[a], top[b]))
			}
		}
	}
	member := make([]int32, len(samples))
	sum := make([][3]float64, len(out))
	peak := make([]float64, len(out))
	for i := range samples {
		k := number[find(of[i])]
		member[i] = k
		out[k].n += int64(samples[i].n)
		// the middle of the crowd, dense places counting more
		w := float64(float64(samples[i].n) * dense[of[i]])
		for c, v := range samples[i].c.parts() {
			sum[k][c] += float64(w * float64(v))
		}
		peak[k] += w
	}
	for i := range samples {
		o := &out[member[i]]
		var d [3]float64
		for c, v := range samples[i].c.parts() {
			d[c] = float64(v) - sum[member[i]][c]/peak[member[i]]
		}
		w := float64(samples[i].n) / float64(o.n)
		for c, v := range [6]float64{d[0] * d[0], d[1] * d[1], d[2] * d[2], d[0] * d[1], d[0] * d[2], d[1] * d[2]} {
			o.spread[c] += float64(w * v)
		}
	}
	for k := range out {
		of := func(sum float64) int32 { return int32(math.Round(sum / peak[k])) }
		out[k].c = vec{of(sum[k][0]), of(sum[k][1]), of(sum[k][2])}
	}
	return out, member
}

func floorDiv(a, b int32) int32 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
