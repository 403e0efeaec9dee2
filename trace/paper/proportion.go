package paper

import (
	"fmt"
	"math"

	"pochoir/fit"
)

// proportion is the long side of a sheet over its short side.
type proportion struct {
	ratio float64
	name  string
}

// Sheets people draw on. ISO 216:2007 makes every A and B sheet 1:√2; the inch sizes are those of ANSI/ASME Y14.1 and
// common practice in the US trade.
var commonProportions = []proportion{
	{math.Sqrt2, "ISO 216 1:√2"},
	{11.0 / 8.5, "US letter 11:8.5"},
	{14.0 / 8.5, "US legal 14:8.5"},
	{1, "square"},
}

const (
	// A measured proportion becomes a common one when it is this close (as a logarithm): letter and ISO 216 lie 0.089
	// apart, and a hand-held snapshot measures a sheet to about 0.01.
	maxSnap = 0.025
	// diagonal35 is the diagonal of a 36 mm × 24 mm frame, which 35 mm equivalent focal lengths refer to.
	diagonal35 = 43.2666
	// usualFocal is the focal length of a hand-held camera over the long side of its picture, where the file does not
	// say: a 28 mm equivalent is 0.8, the wide end of phones, a 40 mm one is 1.15.
	usualFocal = 1.0
	// The quadrilateral itself tells the focal length only when both pairs of its sides converge by this much (the
	// third coordinates of Zhang & He's n2 and n3).
	minConvergence = 0.03
)

// sheetProportion returns width over height of the rectangle whose picture is quad (top left, top right, bottom right,
// bottom left), and its name. The picture's centre is taken for the principal point, and pixels for square. Method:
// Z. Zhang & L. He, "Whiteboard scanning and image enhancement", Digital Signal Processing 17(2), 2007, equations 11,
// 12, 20 and 21; where the focal length is badly conditioned the one by the file is taken, or a usual one.
func sheetProportion(quad [4]fit.Point, w, h int, focal35 float64) (ratio float64, name string) {
	r := measuredProportion(quad, w, h, focal35)
	best, bestDist := -1, maxSnap
	for i, p := range commonProportions {
		if d := math.Abs(math.Abs(math.Log(r)) - math.Log(p.ratio)); d < bestDist {
			best, bestDist = i, d
		}
	}
	if best < 0 {
		return r, fmt.Sprintf("measured %.2f", max(r, 1/r))
	}
	p := commonProportions[best]
	if r < 1 {
		return 1 / p.ratio, p.name
	}
	return p.ratio, p.name
}

func measuredProportion(quad [4]fit.Point, w, h int, focal35 float64) float64 {
	c := fit.Point{X: float64(w) / 2, Y: float64(h) / 2}
	long := float64(max(w, h))
	var m [4][3]float64 // in Zhang & He's order: top left, top right, bottom left, bottom right
	for i, q := range [4]fit.Point{quad[0], quad[1], quad[3], quad[2]} {
		m[i] = [3]float64{(q.X - c.X) / long, (q.Y - c.Y) / long, 1}
	}
	k2 := dot(cross(m[0], m[3]), m[2]) / dot(cross(m[1], m[3]), m[2])
	k3 := dot(cross(m[0], m[3]), m[1]) / dot(cross(m[2], m[3]), m[1])
	var n2, n3 [3]float64
	for i := range 3 {
		n2[i] = float64(k2*m[1][i]) - m[0][i]
		n3[i] = float64(k3*m[2][i]) - m[0][i]
	}
	f := usualFocal
	if focal35 > 0 {
		f = focal35 / diagonal35 * math.Hypot(float64(w), float64(h)) / long
	}
	if math.Abs(n2[2]) > minConvergence && math.Abs(n3[2]) > minConvergence {
		f2 := -(float64(n2[0]*n3[0]) + float64(n2[1]*n3[1])) / (n2[2] * n3[2])
		if g := math.Sqrt(f2); g > 0.6 && g < 2.2 { // what cameras have; also false for NaN
			f = g
		}
	}
	length := func(n [3]float64) float64 {
		return float64(n[0]*n[0])/(f*f) + float64(n[1]*n[1])/(f*f) + float64(n[2]*n[2])
	}
	return math.Sqrt(length(n2) / length(n3))
}

func cross(a, b [3]float64) [3]float64 {
	return [3]float64{
		float64(a[1]*b[2]) - float64(a[2]*b[1]),
		float64(a[2]*b[0]) - float64(a[0]*b[2]),
		float64(a[0]*b[1]) - float64(a[1]*b[0]),
	}
}

func dot(a, b [3]float64) float64 {
	return float64(a[0]*b[0]) + float64(a[1]*b[1]) + float64(a[2]*b[2])
}
