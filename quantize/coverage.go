package quantize

import (
	"math"

	"pochoir/quantize/large"
)

// pairRun names the mixtures of one pair of labels: mixtures[from:to]. Several where a label stands for several
// colours of the picture.
type pairRun struct{ from, to int32 }

// measure prepares the mixtures of every pair of labels; shades lists the colours of the picture that each label
// stands for, blur is that of pairOf.
func (f *Flats) measure(shades [][]tone, soft bool, blur float64, workers int) {
	n := len(shades)
	f.soft, f.chromaBlur = soft, blur
	if f.grid = (chromaGrid{-1, -1}); blur > 0 { // chroma at lower resolution
		f.grid = gridOf(&f.px, workers)
	}
	f.runs = make([]pairRun, n*n)
	all, same := 0, 0
	for _, x := range shades {
		all += len(x)
		same += len(x) * len(x)
	}
	f.mixtures = large.Make[pair](all*all - same)[:0]
	for a := range n {
		for b := range n {
			from := len(f.mixtures)
			if a != b {
				for _, x := range shades[a] {
					for _, y := range shades[b] {
						f.mixtures = append(f.mixtures, pairOf(x, y, soft, blur))
					}
				}
			}
			f.runs[a*n+b] = pairRun{int32(from), int32(len(f.mixtures))}
		}
	}
}

// Coverage returns the share of label a in pixel i, 0 to 1, taken as a mixture of a and b: the projection of its colour
// on the line between the two, α = (c-b)·(a-b)/|a-b|² (moments of grey levels with known levels: Tabatabai & Mitchell,
// "Edge location to subpixel values in digital imagery", 1984). After coding with loss luma and chroma are read apart and
// averaged by the inverse of their variances. Coverage(i, a, b) and Coverage(i, b, a) add up to 1. Labels of one colour
// cannot be told apart in a pixel: the share is 1 or 0 by the pixel's label, one half if it has neither.
func (f *Flats) Coverage(i int, a, b uint8) float64 {
	if r := f.runs[int(a)*len(f.Palette)+int(b)]; r.to == r.from+1 {
		if m := &f.mixtures[r.from]; m.dd != 0 || m.cc != 0 {
			if f.smooth(m) {
				return m.of(f.between(i))
			}
			return m.ofPixel(f.seen(i))
		}
	}
	share, _ := f.Mixed(i, a, b)
	return share
}

// smooth reports whether a mixture is read by chroma between its samples.
func (f *Flats) smooth(m *pair) bool { return m.byChroma && (f.grid.x >= 0 || f.grid.y >= 0) }

// toneFor returns the tone of pixel i to read a mixture by.
func (f *Flats) toneFor(i int, m *pair) tone {
	if f.smooth(m) {
		return f.between(i)
	}
	return toneAt(f.seen(i), f.soft)
}

// Mixed is Coverage and, beside it, by how many levels the pixel's colour misses every mixture of a and b.
func (f *Flats) Mixed(i int, a, b uint8) (share, miss float64) {
	r := f.runs[int(a)*len(f.Palette)+int(b)]
	if r.from == r.to {
		return 1, 0
	}
	if a > b { // of equally good mixtures the same one both ways round
		share, miss = f.Mixed(i, b, a)
		return 1 - share, miss
	}
	m := f.mixtures[r.from:r.to]
	c := f.toneFor(i, &m[0])
	if m[0].dd == 0 && m[0].cc == 0 {
		return f.byLabel(i, a, b), 0
	}
	share, miss = m[0].mix(c)
	for k := 1; k < len(m); k++ {
		if s, d := m[k].mix(c); d < miss {
			share, miss = s, d
		}
	}
	return share, miss
}

// Doubt returns the standard deviation of the shares that Coverage reads of labels a and b beside an edge between them, 0
// to 1: what coding with loss leaves, against their contrast. It is 0 for pictures coded without loss.
func (f *Flats) Doubt(a, b uint8) float64 {
	r := f.runs[int(a)*len(f.Palette)+int(b)]
	if r.from == r.to || f.Noise == 0 {
		return 0
	}
	best := 0.0 // precision, the inverse of the variance
	for k := r.from; k < r.to; k++ {
		best = max(best, f.mixtures[k].precision(f.Noise))
	}
	return 1 / math.Sqrt(1+best)
}

func (f *Flats) byLabel(i int, a, b uint8) float64 {
	switch f.Labels[i] {
	case a:
		return 1
	case b:
		return 0
	}
	return 0.5
}
