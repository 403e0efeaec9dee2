package paper

import (
	"bytes"
	"math"

	"pochoir/fit"
	"pochoir/quantize/large"
)

// developer turns the picture into the sheet, once, from the original pixels: it averages linear light over each pixel
// of the sheet, divides by the light, and takes away the black point.
type developer struct {
	pic   *Picture
	back  Homography // sheet px -> picture px
	light *lightMap  // nil leaves the light as it is
	w, h  int        // of the sheet
	black float32    // reflectance of the darkest ink, which becomes 0
	step  float64    // px of the picture to a px of the sheet, about
}

// gainStep is how many pixels of a row share a straight run of the light's gain.
const gainStep = 8

// row fills dst with the linear reflectances of n sheet pixels from (x0, y) on, R,G,B each; paper is near 1. What lies
// outside the picture, and what is to be erased, becomes exactly 1.
func (d *developer) row(dst []float32, x0, y, n int) {
	place := func(x int) fit.Point {
		return d.back.Apply(fit.Point{X: float64(x0+x) + 0.5, Y: float64(y) + 0.5})
	}
	var gb [3]float32
	var eb bool
	if d.light != nil {
		gb, eb = d.light.at(place(0))
	}
	for x := 0; x < n; x += gainStep {
		k := min(gainStep, n-x)
		run := dst[3*x : 3*(x+k)]
		d.average(run, x0+x, y, k)
		if d.light == nil {
			continue
		}
		ga, ea := gb, eb
		gb, eb = d.light.at(place(x + k))
		inv := 1 / float32(k)
		scale := 1 / (1 - d.black)
		for i := range k {
			t := float32(i) * inv
			p := run[3*i : 3*i+3 : 3*i+3]
			if (ea || eb) && d.light.erased > 0 {
				if _, e := d.light.at(place(x + i)); e {
					p[0], p[1], p[2] = 1, 1, 1
					continue
				}
			}
			for c := range p {
				g := ga[c] + float32(t*(gb[c]-ga[c]))
				p[c] = (float32(p[c]*g) - d.black) * scale
			}
		}
	}
}

// at returns the gain of each channel at p, a point of the picture, and whether its cell is erased.
func (m *lightMap) at(p fit.Point) (g [3]float32, erased bool) {
	c := float64(m.cell)
	x := math.Min(math.Max(p.X/c-0.5, 0), float64(m.w-1))
	y := math.Min(math.Max(p.Y/c-0.5, 0), float64(m.h-1))
	xi, yi := min(int(x), max(0, m.w-2)), min(int(y), max(0, m.h-2))
	wx, wy := float32(x-float64(xi)), float32(y-float64(yi))
	xn, yn := min(xi+1, m.w-1), min(yi+1, m.h-1)
	v := m.gain.v
	a, b := v[3*(yi*m.w+xi):], v[3*(yi*m.w+xn):]
	e, f := v[3*(yn*m.w+xi):], v[3*(yn*m.w+xn):]
	for k := range g {
		top := a[k] + float32(wx*(b[k]-a[k]))
		low := e[k] + float32(wx*(f[k]-e[k]))
		g[k] = top + float32(wy*(low-top))
	}
	nx, ny := min(m.w-1, int(x+0.5)), min(m.h-1, int(y+0.5))
	return g, m.erase[ny*m.w+nx]
}

// average fills dst with the mean linear light of the picture over n sheet pixels from (x0, y) on. The mean is taken over
// an upright square of a step, but at least of a px, exactly, its rims counting by their share: for a px this is bilinear
// interpolation.
func (d *developer) average(dst []float32, x0, y, n int) {
	pic, b, box := d.pic, d.back, math.Max(1, d.step)
	half := box / 2
	w, h := float64(pic.W), float64(pic.H)
	yy := float64(y) + 0.5
	bx, by, bz := float64(b[1]*yy)+b[2], float64(b[4]*yy)+b[5], float64(b[7]*yy)+b[8]
	norm := float32(1 / (box * box))
	for i := range n {
		xx := float64(x0+i) + 0.5
		z := float64(b[6]*xx) + bz
		px, py := (float64(b[0]*xx)+bx)/z, (float64(b[3]*xx)+by)/z
		p := dst[3*i : 3*i+3 : 3*i+3]
		if !(px >= 0 && py >= 0 && px < w && py < h) {
			p[0], p[1], p[2] = 1, 1, 1
			if d.light != nil { // so that the gain and the black point leave it white
				g, _ := d.light.at(fit.Point{X: px, Y: py})
				for c := range p {
					p[c] = 2 / g[c]
				}
			}
			continue
		}
		xl, xh, yl, yh := px-half, px+half, py-half, py+half
		xi, yi := int(math.Floor(xl)), int(math.Floor(yl))
		xe, ye := int(math.Ceil(xh)), int(math.Ceil(yh))
		var r, g, bl float32
		inside := xi >= 0 && yi >= 0 && xe <= pic.W && ye <= pic.H
		if inside && xe == xi+2 && ye == yi+2 { // four pixels, as mostly; the sums are those of below
			at := 4 * (yi*pic.W + xi)
			s, t := pic.Pix[at:at+7:at+7], pic.Pix[at+4*pic.W:][:7]
			wx, wn := float32(float64(xi+1)-xl), float32(xh-float64(xi+1))
			wy, wm := float32(float64(yi+1)-yl), float32(yh-float64(yi+1))
			for c := range p {
				above := float32(wx*toLinear[s[c]]) + float32(wn*toLinear[s[c+4]])
				below := float32(wx*toLinear[t[c]]) + float32(wn*toLinear[t[c+4]])
				p[c] = (float32(wy*above) + float32(wm*below)) * norm
			}
			continue
		}
		for j := yi; j < ye; j++ {
			wy := float32(min(float64(j+1), yh) - max(float64(j), yl))
			row := pic.Pix[4*pic.W*min(max(j, 0), pic.H-1):][:4*pic.W]
			var sr, sg, sb float32
			if !inside {
				for k := xi; k < xe; k++ {
					wx := float32(min(float64(k+1), xh) - max(float64(k), xl))
					q := row[4*min(max(k, 0), pic.W-1):][:3]
					sr += float32(wx * toLinear[q[0]])
					sg += float32(wx * toLinear[q[1]])
					sb += float32(wx * toLinear[q[2]])
				}
			} else {
				q := row[4*xi : 4*xe]
				wx := float32(min(float64(xi+1), xh) - xl)
				for len(q) >= 4 {
					sr += float32(wx * toLinear[q[0]])
					sg += float32(wx * toLinear[q[1]])
					sb += float32(wx * toLinear[q[2]])
					q = q[4:]
					if wx = 1; len(q) == 4 {
						wx = float32(xh - float64(xe-1))
					}
				}
			}
			r += float32(wy * sr)
			g += float32(wy * sg)
			bl += float32(wy * sb)
		}
		p[0], p[1], p[2] = r*norm, g*norm, bl*norm
	}
}

// develop fills a new bitmap of the sheet. Paper that is bare all around becomes white without a closer look, and the
// squares that hold nothing else are blank.
func (d *developer) develop(c crew) (pix []uint8, blank *blankMap) {
	pix = large.Make[uint8](4 * d.w * d.h)
	blank = newBlankMap(d.w, d.h)
	c.rows(d.h, func(y0, y1 int) {
		buf, white := make([]float32, 3*d.w), bytes.Repeat([]uint8{255}, 4*d.w)
		for y := y0; y < y1; y++ {
			line := pix[4*y*d.w : 4*(y+1)*d.w]
			here := d.isBare(0, y)
			for x := 0; x < d.w; {
				// The next steps that are all bare, at both their ends, or all not.
				from, bare := x, false
				for x < d.w {
					next := d.isBare(x+gainStep, y)
					if step := here && next; x == from {
						bare = step
					} else if step != bare {
						break
					}
					x, here = min(x+gainStep, d.w), next
				}
				run := line[4*from : 4*x]
				if bare {
					copy(run, white)
					continue
				}
				blank.drawn(from, x, y)
				src := buf[:3*(x-from)]
				d.row(src, from, y, x-from)
				for len(run) >= 4 && len(src) >= 3 {
					run[0], run[1], run[2], run[3] = encode(src[0]), encode(src[1]), encode(src[2]), 255
					run, src = run[4:], src[3:]
				}
			}
		}
	})
	return pix, blank
}

// isBare reports whether pixel (x, y) of the sheet lies in a cell that is surely bare paper.
func (d *developer) isBare(x, y int) bool {
	m := d.light
	if m == nil || m.bare == nil {
		return false
	}
	p := d.back.Apply(fit.Point{X: float64(x) + 0.5, Y: float64(y) + 0.5})
	cx, cy := int(p.X)/m.cell, int(p.Y)/m.cell
	return p.X >= 0 && p.Y >= 0 && cx < m.w && cy < m.h && m.bare[cy*m.w+cx]
}

// clean marks the cells that are paper to the last reduced pixel.
func (m *lightMap) clean(c crew, low *field) mask {
	const least = 0.965 // reflectance: a few standard deviations of the grain of a reduced pixel below paper
	clean := newMask(m.w, m.h)
	c.rows(m.h, func(y0, y1 int) {
		for y := y0; y < y1; y++ {
			for x := range m.w {
				i := y*m.w + x
				g := m.gain.v[3*i:][:3]
				ok := true
				for ly := y * cellLow; ly < (y+1)*cellLow && ok; ly++ {
					for lx := x * cellLow; lx < (x+1)*cellLow && ok; lx++ {
						p := low.v[3*(min(ly, low.h-1)*low.w+min(lx, low.w-1)):][:3]
						ok = float32(p[0]*g[0]) > least && float32(p[1]*g[1]) > least && float32(p[2]*g[2]) > least
					}
				}
				clean.on[i] = ok
			}
		}
	})
	return clean
}

// markBare marks the clean cells that are bare paper, with their neighbours.
func (m *lightMap) markBare(c crew, clean mask) {
	w, h := m.w, m.h
	m.bare = large.Make[bool](w * h)
	across := large.Make[bool](w * h) // with those beside them
	c.rows(h, func(y0, y1 int) {
		for i := y0 * w; i < y1*w; i++ {
			clean.on[i] = clean.on[i] && m.paper[i] && m.valid[i] && !m.erase[i]
		}
		for y := y0; y < y1; y++ {
			row := clean.on[y*w : (y+1)*w]
			for x := 1; x < w-1; x++ {
				across[y*w+x] = row[x-1] && row[x] && row[x+1]
			}
		}
	})
	c.rows(h, func(y0, y1 int) {
		for y := max(1, y0); y < min(h-1, y1); y++ {
			for x := range w {
				i := y*w + x
				m.bare[i] = across[i-w] && across[i] && across[i+w]
			}
		}
	})
}
