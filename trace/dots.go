package trace

import (
	"math"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// maxDot is the area up to which a lone mark is drawn from its moments instead of its outline, px.
const maxDot = 14

// dot returns the outline of a mark too small to have edges: the ellipse with its covered area, centre of gravity and
// second moments. It is nil unless the arc is a loop around a small face with one colour all around.
func (e *edgeMeter) dot(arc int) []fit.Segment {
	a := &e.m.Arcs[arc]
	if a.From != planar.None {
		return nil
	}
	inside, around := a.Right, a.Left
	small := func(f int32) bool {
		return f != planar.Outside && e.m.Faces[f].Area <= maxDot && len(e.m.Faces[f].Rings) == 1
	}
	switch {
	case small(inside) && around != planar.Outside:
	case small(around) && inside != planar.Outside:
		inside, around = around, inside
	default:
		return nil
	}
	f := &e.m.Faces[inside]
	own, other := f.Label, e.m.Faces[around].Label
	const margin = 2
	x0, y0, x1, y1 := int(f.MinX)-margin, int(f.MinY)-margin, int(f.MaxX)+margin, int(f.MaxY)+margin
	if x0 < 0 || y0 < 0 || x1 > e.m.W || y1 > e.m.H {
		return nil
	}
	var s, sx, sy, sxx, sxy, syy float64
	for y := y0; y < y1; y++ {
		for x := x0; x < x1; x++ {
			i := y*e.m.W + x
			if l := e.labels[i]; l != own && l != other || l == own && e.m.FaceAt(x, y) != inside {
				return nil
			}
			c := e.flats.Coverage(i, own, other)
			px, py := float64(x-x0)+0.5, float64(y-y0)+0.5
			s += c
			sx += float64(c * px)
			sy += float64(c * py)
			sxx += float64(c * float64(px*px))
			sxy += float64(c * float64(px*py))
			syy += float64(c * float64(py*py))
		}
	}
	if s < 0.1 {
		return nil
	}
	cx, cy := sx/s, sy/s
	// The pixel's own box adds 1/12 to each variance.
	vxx, vyy, vxy := sxx/s-float64(cx*cx)-1.0/12, syy/s-float64(cy*cy)-1.0/12, sxy/s-float64(cx*cy)
	half, diff := (vxx+vyy)/2, math.Hypot((vxx-vyy)/2, vxy)
	l1, l2 := math.Max(0.01, half+diff), math.Max(0.01, half-diff)
	// An ellipse has variances a²/4 and b²/4; the area is kept, the moments give the proportion.
	ratio := math.Min(4, math.Sqrt(l1/l2))
	r := math.Sqrt(s / math.Pi)
	theta := 0.5 * math.Atan2(2*vxy, vxx-vyy)
	centre := fit.Point{X: cx + float64(x0), Y: cy + float64(y0)}
	var path fit.Path
	if ratio < 1.12 || r < 0.8 { // as good as round
		path = fit.Ellipse(centre, r, r, 0)
	} else {
		path = fit.Ellipse(centre, r*math.Sqrt(ratio), r/math.Sqrt(ratio), theta)
	}
	if (path.Area() > 0) != (inside == a.Right) {
		path = path.Reverse()
	}
	return path.Segments
}
