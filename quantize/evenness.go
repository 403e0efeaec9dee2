package quantize

// This file tells pictures with exactly even areas from others that were not coded with loss, or not by their last
// coding: copies of lossy pictures, scaled ones, gradients, noise.

// A picture is rough where neighbours differ slightly more often than they differ much. Over open drawings rendered
// with anti-aliased edges the ratio is 0.6 at most, in the same drawings coded at quality 88 it is 1.5 and more,
// scaled by a cubic filter 1 and more.
const (
	slightStep   = 8 // levels in the channel that differs most
	slightRatio  = 0.8
	slightFloor  = 200 // pairs of neighbours that tell anything
	slightSpread = 0.5 // share of unequal neighbours, of all, from which a picture has no even areas at all
)

// roughened reports whether the flat areas of a picture are uneven.
func roughened(px *Pixels, workers int) bool {
	parts := make([][2]int, bandCount(px.H))
	w := px.W
	rowBands(px.H, workers, func(band, y0, y1 int) {
		slight, much := 0, 0
		for y := y0; y < y1; y++ {
			for i, end := y*w, (y+1)*w; ; {
				c := px.at(i)
				if i = px.runEnd(i+1, end, c); i == end {
					break
				}
				d := px.at(i)
				if near8(uint8(c), uint8(d), slightStep) && near8(uint8(c>>8), uint8(d>>8), slightStep) && near8(uint8(c>>16), uint8(d>>16), slightStep) {
					slight++
				} else {
					much++
				}
			}
		}
		parts[band] = [2]int{slight, much}
	})
	slight, much := 0, 0
	for _, p := range parts {
		slight += p[0]
		much += p[1]
	}
	return slight > slightFloor && float64(slight) > slightRatio*float64(much) ||
		float64(slight+much) > slightSpread*float64(px.W*px.H)
}
