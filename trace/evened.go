package trace

import (
	"context"

	"pochoir/quantize"
)

// This file evens out noise. A page of it, or one screened into dots of a pixel, has boundaries as long as the picture has
// pixels, and to draw them all would take minutes and help nobody.

// mostJoints returns at how many vertices of a picture of w x h pixels more than two cracks may meet. Noise of two colours
// has one in eight pixels, noise of more has more; in drawings, hatched ones too, boundaries hardly ever cross so close.
func mostJoints(w, h int) int { return max(5_000, w*h/200) }

// mostEvened bounds how often a picture is evened out: what that leaves is not noise of single pixels.
const mostEvened = 4

// evened returns a copy of f where pixels show the colour that most of the 3 x 3 about them show, their own where as many
// show that.
func evened(f *quantize.Flats, workers int) *quantize.Flats {
	g := f.Copy()
	w, h := f.W, f.H
	bands := (h + evenRows - 1) / evenRows
	_ = inParallel(context.Background(), bands, workers, func(b int) {
		var votes [256]int8
		var seen [9]uint8
		for y := b * evenRows; y < min(h, (b+1)*evenRows); y++ {
			for x := range w {
				i := y*w + x
				own := f.Labels[i]
				best := own
				about := seen[:0]
				for v := max(0, y-1); v <= min(h-1, y+1); v++ {
					about = append(about, f.Labels[v*w+max(0, x-1):v*w+min(w, x+2)]...)
				}
				for _, l := range about {
					votes[l]++
				}
				for _, l := range about { // of several with most votes the own, else the first
					if votes[l] > votes[best] {
						best = l
					}
				}
				for _, l := range about {
					votes[l] = 0
				}
				if best != own {
					g.Paint(i, best)
				}
			}
		}
	})
	return g
}

// evenRows is the height of the bands shared out among workers; a multiple of 64, so that no two share a word of a bitmap.
const evenRows = 64

// evenedDoubt is how far boundaries of what has been evened out may lie from any that the picture shows, px.
const evenedDoubt = 0.5
