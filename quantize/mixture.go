package quantize

import (
	"math"

	"pochoir/quantize/colour"
)

// A tone is a colour to measure in: red, green, blue of a picture with its colour detail whole; luma, blue difference
// and red difference (ITU-R BT.601 as JPEG codes them, ITU-T T.871, without the offset) of one whose chroma was
// stored at lower resolution. Levels of 8 bits either way.
type tone [3]float64

// luma returns the luma of BT.601.
func luma(r, g, b float64) float64 {
	return float64(0.299*r) + float64(0.587*g) + float64(0.114*b)
}

// toneOf converts 8-bit channels; soft says that chroma was stored apart.
func toneOf(r, g, b uint8, soft bool) tone {
	v := tone{float64(r), float64(g), float64(b)}
	if soft {
		y := luma(v[0], v[1], v[2])
		return tone{y, (v[2] - y) / 1.772, (v[0] - y) / 1.402}
	}
	return v
}

func toneOfRGB(c colour.RGB, soft bool) tone { return toneOf(c.R, c.G, c.B, soft) }

func (v tone) sub(o tone) tone { return tone{v[0] - o[0], v[1] - o[1], v[2] - o[2]} }

func (v tone) dot(o tone) float64 {
	return float64(v[0]*o[0]) + float64(v[1]*o[1]) + float64(v[2]*o[2])
}

func (v tone) len() float64 { return math.Sqrt(v.dot(v)) }

func clamp01(v float64) float64 {
	if v < 0 {
		return 0
	}
	if v > 1 {
		return 1
	}
	return v
}

// How luma and chroma of a soft picture are weighed. Coding at the usual qualities leaves luma good to about
// lumaError levels near an edge. Chroma is averaged over 2 x 2 pixels and coded coarsely, so near an edge a
// share read from it is good to about chromaBlur, and no better than chromaError levels allow. Measured on open
// drawings coded at quality 88.
const (
	lumaError   = 4.0
	chromaError = 5.0
	chromaBlur  = 0.25
)

// A pair measures mixtures of two colours a and b.
type pair struct {
	b, d  tone    // b, and a-b
	share tone    // share of a in c = share·(c-b)
	dd    float64 // d·d; of luma alone in a soft picture
	cc    float64 // the same of chroma, soft pictures only
	soft  bool
	// byChroma says that chroma tells more of a share than luma.
	byChroma bool
}

// pairOf prepares the mixtures of a and b. Anti-aliasing mixes sRGB values, so the share is an area.
func pairOf(a, b tone, soft bool) pair {
	p := pair{b: b, d: a.sub(b), soft: soft}
	if !soft {
		if p.dd = p.d.dot(p.d); p.dd > 0 {
			p.share = tone{p.d[0] / p.dd, p.d[1] / p.dd, p.d[2] / p.dd}
		}
		return p
	}
	// Two readings of the share, one by luma and one by chroma, averaged by the inverse of their variances.
	p.dd = float64(p.d[0] * p.d[0])
	p.cc = float64(p.d[1]*p.d[1]) + float64(p.d[2]*p.d[2])
	wl := p.dd / (lumaError * lumaError)
	wc := 0.0
	if p.cc > 0 {
		wc = 1 / (chromaBlur*chromaBlur + chromaError*chromaError/p.cc)
	}
	p.byChroma = wc > wl
	if wl+wc > 0 {
		if p.dd > 0 {
			p.share[0] = wl / (wl + wc) / p.d[0]
		}
		if p.cc > 0 {
			k := wc / (wl + wc) / p.cc
			p.share[1], p.share[2] = k*p.d[1], k*p.d[2]
		}
	}
	return p
}

// edgeNoise is how many times the noise of flat areas an edge leaves beside itself where a picture is coded with loss.
const edgeNoise = 2.0

// precision returns the inverse of the variance of a share read beside an edge, noise being that of flat areas, levels.
func (p *pair) precision(noise float64) float64 {
	if !p.soft {
		return p.dd / (edgeNoise * edgeNoise * noise * noise)
	}
	v := p.dd / (lumaError * lumaError)
	if p.cc > 0 {
		v += 1 / (chromaBlur*chromaBlur + chromaError*chromaError/p.cc)
	}
	return v
}

// of returns the share of a in c, 0 to 1.
func (p *pair) of(c tone) float64 {
	e0, e1, e2 := c[0]-p.b[0], c[1]-p.b[1], c[2]-p.b[2] // apart: arrays are kept in memory
	return clamp01(float64(p.share[0]*e0) + float64(p.share[1]*e1) + float64(p.share[2]*e2))
}

// chromaTrust is what a level of chroma counts against one of luma where a soft picture misses a mixture.
const chromaTrust = 0.5

// mix returns the share of a in c, 0 to 1, and by how many levels c misses the mixtures of a and b. In a soft picture
// luma and chroma may be mixed in different shares, and each is held against its own range.
func (p *pair) mix(c tone) (share, miss float64) {
	e0, e1, e2 := c[0]-p.b[0], c[1]-p.b[1], c[2]-p.b[2]
	share = clamp01(float64(p.share[0]*e0) + float64(p.share[1]*e1) + float64(p.share[2]*e2))
	l, k, trust := share, share, 1.0
	if p.soft {
		l, k, trust = 0, 0, chromaTrust
		if p.dd > 0 {
			l = clamp01(e0 / p.d[0])
		}
		if p.cc > 0 {
			k = clamp01((float64(e1*p.d[1]) + float64(e2*p.d[2])) / p.cc)
		}
	}
	r0, r1, r2 := e0-float64(l*p.d[0]), trust*(e1-float64(k*p.d[1])), trust*(e2-float64(k*p.d[2]))
	return share, math.Sqrt(float64(r0*r0) + float64(r1*r1) + float64(r2*r2))
}

// ringing is how far beyond either colour of an edge, in parts of their contrast, coding with loss drives the pixels beside
// it: a step cut off after a few of its cosines overshoots by about a tenth (J. W. Gibbs, "Fourier's series", Nature 59,
// 1899), and coarse steps of the coefficients as much again.
const ringing = 0.2

// rung returns by how many levels c misses the mixtures of a and b and what an edge between them drives beyond either.
func (p *pair) rung(c tone) float64 {
	e := c.sub(p.b)
	within := func(v float64) float64 { return math.Max(-ringing, math.Min(1+ringing, v)) }
	if !p.soft {
		s := within(p.share.dot(e))
		return tone{e[0] - float64(s*p.d[0]), e[1] - float64(s*p.d[1]), e[2] - float64(s*p.d[2])}.len()
	}
	l, k := 0.0, 0.0
	if p.dd > 0 {
		l = within(e[0] / p.d[0])
	}
	if p.cc > 0 {
		k = within((float64(e[1]*p.d[1]) + float64(e[2]*p.d[2])) / p.cc)
	}
	return tone{e[0] - float64(l*p.d[0]), chromaTrust * (e[1] - float64(k*p.d[1])), chromaTrust * (e[2] - float64(k*p.d[2]))}.len()
}

// toneDistance returns the distance of two colours, levels, chroma of a soft picture counted by chromaTrust.
func toneDistance(a, b tone, soft bool) float64 {
	d0, d1, d2 := a[0]-b[0], a[1]-b[1], a[2]-b[2]
	if soft {
		d1 *= chromaTrust
		d2 *= chromaTrust
	}
	return math.Sqrt(float64(d0*d0) + float64(d1*d1) + float64(d2*d2))
}

// mix3 returns the shares of a, b and d in the mixture nearest to c and its distance; ok is false where c lies
// outside their triangle or they lie on one line.
func mix3(c, a, b, d tone) (w [3]float64, miss float64, ok bool) {
	u, v, e := a.sub(d), b.sub(d), c.sub(d)
	uu, vv, uv, ue, ve := u.dot(u), v.dot(v), u.dot(v), u.dot(e), v.dot(e)
	det := float64(uu*vv) - float64(uv*uv)
	if det < 1e-3*uu*vv || det == 0 {
		return w, 0, false
	}
	s, t := (float64(ue*vv)-float64(ve*uv))/det, (float64(ve*uu)-float64(ue*uv))/det
	const slack = 0.02 // rounding to 8 bits
	if s < -slack || t < -slack || s+t > 1+slack {
		return w, 0, false
	}
	r := tone{}
	for k := range r {
		r[k] = e[k] - float64(s*u[k]) - float64(t*v[k])
	}
	return [3]float64{s, t, 1 - s - t}, r.len(), true
}
