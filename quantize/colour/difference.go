package colour

import "math"

const degree = math.Pi / 180

// pow25to7 is the constant 25^7 of the formula.
const pow25to7 = 6103515625.0

// hueSlack keeps opposite hues, exactly 180 degrees apart, on one side of the case distinction of equation 14
// whatever the rounding of the arc tangents (about 1e-13 degrees); a step of one in the fourth decimal of a and b
// turns a hue by over 1e-5 degrees.
const hueSlack = 1e-9

// Difference returns the CIEDE2000 colour difference of a and b with kL = kC = kH = 1: 0 for equal colours, about 1
// where a careful eye begins to see one, about 100 from black to white. It is symmetric. Source: G. Sharma, W. Wu,
// E. N. Dalal, "The CIEDE2000 Color-Difference Formula: Implementation Notes, Supplementary Test Data, and
// Mathematical Observations", Color Research and Application 30(1), 2005, equations 2 to 22.
func Difference(a, b Lab) float64 {
	c := (math.Hypot(a.A, a.B) + math.Hypot(b.A, b.B)) / 2
	c7 := c * c * c * c * c * c * c
	g := 0.5 * (1 - math.Sqrt(c7/(c7+pow25to7)))
	a1, a2 := (1+g)*a.A, (1+g)*b.A
	c1, c2 := math.Hypot(a1, a.B), math.Hypot(a2, b.B)
	h1, h2 := hue(a1, a.B), hue(a2, b.B)

	dL, dC := b.L-a.L, c2-c1
	var dh float64
	mean := h1 + h2
	if c1*c2 != 0 {
		dh = h2 - h1
		switch {
		case dh > 180+hueSlack:
			dh -= 360
		case dh < -180-hueSlack:
			dh += 360
		}
		switch {
		case math.Abs(h1-h2) <= 180+hueSlack:
			mean = (h1 + h2) / 2
		case h1+h2 < 360:
			mean = (h1 + h2 + 360) / 2
		default:
			mean = (h1 + h2 - 360) / 2
		}
	}
	dH := 2 * math.Sqrt(c1*c2) * math.Sin(dh/2*degree)

	l, cm := (a.L+b.L)/2, (c1+c2)/2
	t := 1 - 0.17*math.Cos((mean-30)*degree) + 0.24*math.Cos(2*mean*degree) + 0.32*math.Cos((3*mean+6)*degree) -
		0.20*math.Cos((4*mean-63)*degree)
	turn := (mean - 275) / 25
	theta := 30 * math.Exp(-turn*turn)
	cm7 := cm * cm * cm * cm * cm * cm * cm
	rc := 2 * math.Sqrt(cm7/(cm7+pow25to7))
	l50 := (l - 50) * (l - 50)
	sL := 1 + 0.015*l50/math.Sqrt(20+l50)
	sC := 1 + 0.045*cm
	sH := 1 + 0.015*cm*t
	rt := -math.Sin(2*theta*degree) * rc
	x, y, z := dL/sL, dC/sC, dH/sH
	// the rotation term can take a sum of near zero a rounding error below it
	return math.Sqrt(max(0, x*x+y*y+z*z+rt*y*z))
}

// hue is the angle of (a, b) in degrees, [0,360), 0 for grey.
func hue(a, b float64) float64 {
	if a == 0 && b == 0 {
		return 0
	}
	h := math.Atan2(b, a) / degree
	if h < 0 {
		h += 360
	}
	return h
}

// Difference returns the CIEDE2000 colour difference of two sRGB colours.
func (c RGB) Difference(d RGB) float64 { return Difference(c.Lab(), d.Lab()) }
