package quantize

import "math"

// chromaWeight is what the colour differences count against luma where chroma was stored at half the resolution: it
// is blurred over two pixels and would smear the edge.
const chromaWeight = 0.05

// Coverage returns the share, 0 to 1, of label a in pixel i, taken as a mixture of a and b: the projection of its
// colour on the line between the two swatches. Anti-aliasing mixes sRGB values, so the share is an area.
func (f *Flats) Coverage(i int, a, b uint8) float64 {
	ca, cb := f.Palette[a].Colour, f.Palette[b].Colour
	p := f.pix[4*i : 4*i+3 : 4*i+3]
	ar, ag, ab := float64(ca.R)-float64(cb.R), float64(ca.G)-float64(cb.G), float64(ca.B)-float64(cb.B)
	pr, pg, pb := float64(p[0])-float64(cb.R), float64(p[1])-float64(cb.G), float64(p[2])-float64(cb.B)
	var n, d float64
	if f.subsampled {
		// Luma and the two colour differences of ITU-R BT.601, as JPEG codes them (ITU-T T.871).
		ay, py := luma(ar, ag, ab), luma(pr, pg, pb)
		n = float64(ay*py) + chromaWeight*(float64((ab-ay)*(pb-py))+float64((ar-ay)*(pr-py)))
		d = float64(ay*ay) + chromaWeight*(float64((ab-ay)*(ab-ay))+float64((ar-ay)*(ar-ay)))
	} else {
		n = float64(ar*pr) + float64(ag*pg) + float64(ab*pb)
		d = float64(ar*ar) + float64(ag*ag) + float64(ab*ab)
	}
	if d == 0 {
		return 0.5
	}
	return math.Max(0, math.Min(1, n/d))
}

func luma(r, g, b float64) float64 {
	return float64(0.299*r) + float64(0.587*g) + float64(0.114*b)
}
