package quantize

import (
	"math"

	"pochoir/quantize/colour"
)

// A tone is a colour to measure in: red, green, blue of a picture with its colour detail whole; luma, blue difference
// and red difference (ITU-R BT.601 as JPEG codes them, ITU-T T.871, without the offset) of one that was coded with loss.
// Levels of 8 bits either way. (No array: compilers keep those in memory.)
type tone struct{ x, y, z float64 }

// The parts of luma in BT.601.
const lumaRed, lumaGreen, lumaBlue = 0.299, 0.587, 0.114

// luma returns the luma of BT.601.
func luma(r, g, b float64) float64 {
	return float64(lumaRed*r) + float64(lumaGreen*g) + float64(lumaBlue*b)
}

// perBlue and perRed scale the differences of blue and red from luma (ITU-T T.871 §7).
const perBlue, perRed = 1 / 1.772, 1 / 1.402

// toneOf converts 8-bit channels; soft says that luma and chroma were coded apart.
func toneOf(r, g, b uint8, soft bool) tone {
	v := tone{float64(r), float64(g), float64(b)}
	if soft {
		y := luma(v.x, v.y, v.z)
		return tone{y, (v.z - y) * perBlue, (v.x - y) * perRed}
	}
	return v
}

func toneOfRGB(c colour.RGB, soft bool) tone { return toneOf(c.R, c.G, c.B, soft) }

func (v tone) sub(o tone) tone { return tone{v.x - o.x, v.y - o.y, v.z - o.z} }

func (v tone) dot(o tone) float64 {
	return float64(v.x*o.x) + float64(v.y*o.y) + float64(v.z*o.z)
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
// lumaError levels near an edge. Chroma is coded coarsely: it is good to chromaError levels. Where it is averaged over
// 2 x 2 pixels as well, a share read from it near an edge is good to about chromaBlur at best. Measured on open drawings
// coded at quality 88.
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
	blur  float64 // chromaBlur where chroma is stored at lower resolution, else 0
	// byChroma says that chroma tells more of a share than luma.
	byChroma bool
	// In a soft picture the share by red, green and blue, and what is added to it.
	ofRed, ofGreen, ofBlue, constant float64
}

// pairOf prepares the mixtures of a and b, blur being what averaging chroma leaves of a share's certainty. Anti-aliasing
// mixes sRGB values, so the share is an area.
func pairOf(a, b tone, soft bool, blur float64) pair {
	p := pair{b: b, d: a.sub(b), soft: soft, blur: blur}
	if !soft {
		if p.dd = p.d.dot(p.d); p.dd > 0 {
			p.share = tone{p.d.x / p.dd, p.d.y / p.dd, p.d.z / p.dd}
		}
		return p
	}
	// Two readings of the share, one by luma and one by chroma, averaged by the inverse of their variances.
	p.dd = float64(p.d.x * p.d.x)
	p.cc = float64(p.d.y*p.d.y) + float64(p.d.z*p.d.z)
	wl := p.dd / (lumaError * lumaError)
	wc := p.ofChroma()
	p.byChroma = wc > wl
	if wl+wc > 0 {
		if p.dd > 0 {
			p.share.x = wl / (wl + wc) / p.d.x
		}
		if p.cc > 0 {
			k := wc / (wl + wc) / p.cc
			p.share.y, p.share.z = k*p.d.y, k*p.d.z
		}
	}
	byBlue, byRed := p.share.y*perBlue, p.share.z*perRed
	byLuma := p.share.x - byBlue - byRed
	p.ofRed, p.ofGreen, p.ofBlue = float64(byLuma*lumaRed)+byRed, byLuma*lumaGreen, float64(byLuma*lumaBlue)+byBlue
	p.constant = -p.share.dot(b)
	return p
}

// edgeNoise is how many times the noise of flat areas an edge leaves beside itself where a picture is coded with loss.
const edgeNoise = 2.0

// precision returns the inverse of the variance of a share read beside an edge, noise being that of flat areas, levels.
func (p *pair) precision(noise float64) float64 {
	if !p.soft {
		return p.dd / (edgeNoise * edgeNoise * noise * noise)
	}
	return p.dd/(lumaError*lumaError) + p.ofChroma()
}

// ofChroma returns the precision of a share read by the chroma of a soft picture.
func (p *pair) ofChroma() float64 {
	if p.cc == 0 {
		return 0
	}
	return 1 / (float64(p.blur*p.blur) + chromaError*chromaError/p.cc)
}

// of returns the share of a in c, 0 to 1.
func (p *pair) of(c tone) float64 {
	return clamp01(p.share.dot(c.sub(p.b)))
}

// least is the share below which there is none: far above the error of arithmetic.
const least = 1e-9

// ofPixel is of for a pixel as it is: what is read of a soft picture by the million is not converted first.
func (p *pair) ofPixel(c uint32) float64 {
	if !p.soft {
		return p.of(toneAt(c, false))
	}
	r, g, b := channels(c)
	share := float64(p.ofRed*float64(r)) + float64(p.ofGreen*float64(g)) + float64(p.ofBlue*float64(b)) + p.constant
	switch { // of equal shares none may come out a rounding larger
	case share < least:
		return 0
	case share > 1-least:
		return 1
	}
	return share
}

// chromaTrust is what a level of chroma counts against one of luma where a soft picture misses a mixture.
const chromaTrust = 0.5

// mix returns the share of a in c, 0 to 1, and by how many levels c misses the mixtures of a and b. In a soft picture
// luma and chroma may be mixed in different shares, and each is held against its own range.
func (p *pair) mix(c tone) (share, miss float64) {
	e := c.sub(p.b)
	share = clamp01(p.share.dot(e))
	l, k, trust := share, share, 1.0
	if p.soft {
		l, k, trust = 0, 0, chromaTrust
		if p.dd > 0 {
			l = clamp01(e.x / p.d.x)
		}
		if p.cc > 0 {
			k = clamp01((float64(e.y*p.d.y) + float64(e.z*p.d.z)) / p.cc)
		}
	}
	return share, tone{e.x - float64(l*p.d.x), trust * (e.y - float64(k*p.d.y)), trust * (e.z - float64(k*p.d.z))}.len()
}

// ringing is how far beyond either colour of an edge, in parts of their contrast, coding with loss drives the pixels beside
// it: a step cut off after a few of its cosines overshoots by about a tenth (J. W. Gibbs, "Fourier's series", Nature 59,
// 1899), and coarse steps of the coefficients as much again.
const ringing = 0.2

// rung returns by how many levels c misses the mixtures of a and b and what an edge between them drives beyond either.
func (p *pair) rung(c tone) float64 {
	e := c.sub(p.b)
	within := func(v float64) float64 { return max(-ringing, min(1+ringing, v)) }
	if !p.soft {
		s := within(p.share.dot(e))
		return tone{e.x - float64(s*p.d.x), e.y - float64(s*p.d.y), e.z - float64(s*p.d.z)}.len()
	}
	l, k := 0.0, 0.0
	if p.dd > 0 {
		l = within(e.x / p.d.x)
	}
	if p.cc > 0 {
		k = within((float64(e.y*p.d.y) + float64(e.z*p.d.z)) / p.cc)
	}
	return tone{e.x - float64(l*p.d.x), chromaTrust * (e.y - float64(k*p.d.y)), chromaTrust * (e.z - float64(k*p.d.z))}.len()
}

// toneDistance returns the distance of two colours, levels, chroma of a soft picture counted by chromaTrust.
func toneDistance(a, b tone, soft bool) float64 {
	d := a.sub(b)
	if soft {
		d.y *= chromaTrust
		d.z *= chromaTrust
	}
	return d.len()
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
	r := tone{e.x - float64(s*u.x) - float64(t*v.x), e.y - float64(s*u.y) - float64(t*v.y), e.z - float64(s*u.z) - float64(t*v.z)}
	return [3]float64{s, t, 1 - s - t}, r.len(), true
}
