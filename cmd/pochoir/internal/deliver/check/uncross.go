package check

import (
	"math"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
	"pochoir/trace"
)

// uncross parts the rings of a shape at their crossings. What was around twice becomes a hole, as the even-odd rule
// paints it; loops no wider than a hair go.
func (m *mender) uncross(s trace.Shape) ([]trace.Shape, int) {
	scale := math.Sqrt(coverPixels / (m.d.Width * m.d.Height))
	mark := survey.Mark{EvenOdd: true, Fill: survey.Flat, FillAlpha: 1, Opacity: 1}
	count := 0
	for _, r := range s.Rings {
		rings := []fit.Path{r}
		if crossesItself(r, scale) != nil {
			if loops := fit.Uncross(closed(r)); loops != nil && m.simple(loops, scale) {
				rings = rings[:0]
				count++
				for _, l := range loops {
					length := 0.0
					for _, g := range l.Segments {
						length += g.Length()
					}
					if 2*math.Abs(l.Area()) >= thinShare*m.diag*length {
						rings = append(rings, l)
					}
				}
			}
		}
		for _, l := range rings {
			mark.Subpaths = append(mark.Subpaths, survey.Subpath{Path: l, Start: l.Segments[0].P[0]})
		}
	}
	if count == 0 {
		return []trace.Shape{s}, 0
	}
	return m.reshape(&mark, s.ID), count
}

// simple reports whether no ring crosses itself.
func (m *mender) simple(rings []fit.Path, scale float64) bool {
	for _, r := range rings {
		if crossesItself(r, scale) != nil {
			return false
		}
	}
	return true
}
