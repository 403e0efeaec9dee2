package fit

import (
	"math"
	"slices"
)

// This file measures shapes the way pictures of them are measured: each pixel gets the share of it that the shape
// covers, and every pixel edge between a pixel mostly inside and one mostly outside that runs along the outline gives
// one sample, the mean position of the outline over that pixel's column or row.

// coverage returns the share of every pixel of a w×h picture inside the closed paths, by the even-odd rule: exact along
// x, the mean of 32 lines along y.
func coverage(w, h int, paths ...Path) []float64 {
	const fine = 32
	var poly [][]Point
	for _, p := range paths {
		poly = append(poly, p.Flatten(nil, 1e-3))
	}
	out := make([]float64, w*h)
	var xs []float64
	for line := range h * fine {
		y := (float64(line) + 0.5) / fine
		xs = xs[:0]
		for _, q := range poly {
			for i := 1; i < len(q); i++ {
				a, b := q[i-1], q[i]
				if (a.Y <= y) != (b.Y <= y) {
					xs = append(xs, a.X+(y-a.Y)/(b.Y-a.Y)*(b.X-a.X))
				}
			}
		}
		slices.Sort(xs)
		row := out[line/fine*w:][:w]
		for i := 0; i+1 < len(xs); i += 2 {
			lo, hi := math.Max(0, xs[i]), math.Min(float64(w), xs[i+1])
			for x := int(lo); x < w && float64(x) < hi; x++ {
				row[x] += math.Max(0, math.Min(hi, float64(x+1))-math.Max(lo, float64(x))) / fine
			}
		}
	}
	return out
}

// measured returns the samples of every outline in a picture of the paths, measured to an eighth of a level of 8 bits.
func measured(w, h int, paths ...Path) [][]Sample {
	cover := coverage(w, h, paths...)
	at := func(x, y int) float64 {
		if x < 0 || y < 0 || x >= w || y >= h {
			return 0
		}
		return cover[y*w+x]
	}
	in := func(x, y int) bool { return at(x, y) >= 0.5 }
	// Directions of lattice steps: right, down, left, up; the inside lies to the right of a step on screen.
	dx, dy := [4]int{1, 0, -1, 0}, [4]int{0, 1, 0, -1}
	right := func(x, y, d int) (int, int) { return x + [4]int{0, -1, -1, 0}[d], y + [4]int{0, 0, -1, -1}[d] }
	left := func(x, y, d int) (int, int) { return x + [4]int{0, 0, -1, -1}[d], y + [4]int{-1, 0, 0, -1}[d] }
	edge := func(x, y, d int) bool {
		rx, ry := right(x, y, d)
		lx, ly := left(x, y, d)
		return in(rx, ry) && !in(lx, ly)
	}
	type step struct{ x, y, d int }
	seen := map[step]bool{}
	var out [][]Sample
	for y := range h + 1 {
		for x := range w + 1 {
			if !edge(x, y, 0) || seen[step{x, y, 0}] {
				continue
			}
			var loop []step
			for s := (step{x, y, 0}); !seen[s]; {
				seen[s] = true
				loop = append(loop, s)
				nx, ny := s.x+dx[s.d], s.y+dy[s.d]
				for _, turn := range [3]int{1, 0, 3} { // right first: pixels that touch at a corner stay apart
					if d := (s.d + turn) % 4; edge(nx, ny, d) {
						s = step{nx, ny, d}
						break
					}
				}
			}
			var run []Sample
			n := len(loop)
			for i, s := range loop {
				sx, sy := 0, 0
				for k := -3; k <= 3; k++ {
					d := loop[((i+k)%n+n)%n].d
					sx += dx[d]
					sy += dy[d]
				}
				if sx, sy = max(sx, -sx), max(sy, -sy); s.d%2 == 0 && sx+1 < sy || s.d%2 == 1 && sy+1 < sx {
					continue
				}
				rx, ry := right(s.x, s.y, s.d)
				lx, ly := left(s.x, s.y, s.d)
				off, ended := 0.0, 0
				for _, side := range [2]float64{1, -1} { // towards the inside, then the outside
					last := 0.0
					for k := range 4 {
						a := at(lx-k*(rx-lx), ly-k*(ry-ly))
						if side > 0 {
							a = 1 - at(rx+k*(rx-lx), ry+k*(ry-ly))
						}
						if a < 0.004 || k > 0 && a > last+0.02 {
							ended++
							break
						}
						off += side * a
						last = a
					}
				}
				if ended < 2 { // a column along another edge says nothing of this one
					continue
				}
				run = append(run, Sample{Point{
					float64(s.x) + float64(dx[s.d])/2 + off*float64(rx-lx),
					float64(s.y) + float64(dy[s.d])/2 + off*float64(ry-ly),
				}, 1})
			}
			out = append(out, run)
		}
	}
	return out
}
