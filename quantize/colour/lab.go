package colour

import "math"

// White is the reference white of Lab in this package: D65 by its chromaticity x = 0.3127, y = 0.3290 (IEC 61966-2-1
// and CSS Color Module Level 4), scaled to Y = 1. CSS's own lab() is relative to D50 and gives other numbers.
var White = [3]float64{0.3127 / 0.3290, 1, (1 - 0.3127 - 0.3290) / 0.3290}

// rgbToXYZ takes linear sRGB to CIE XYZ (D65), in the exact fractions of CSS Color Module Level 4, section 19
// "Sample code for Color Conversions".
var rgbToXYZ = [3][3]float64{
	{506752.0 / 1228815, 87881.0 / 245763, 12673.0 / 70218},
	{87098.0 / 409605, 175762.0 / 245763, 12673.0 / 175545},
	{7918.0 / 409605, 87881.0 / 737289, 1001167.0 / 1053270},
}

// xyzToRGB is the inverse of rgbToXYZ, from the same place.
var xyzToRGB = [3][3]float64{
	{12831.0 / 3959, -329.0 / 214, -1974.0 / 3959},
	{-851781.0 / 878810, 1648619.0 / 878810, 36519.0 / 878810},
	{705.0 / 12673, -2585.0 / 12673, 705.0 / 667},
}

func apply(m *[3][3]float64, v [3]float64) [3]float64 {
	var o [3]float64
	for i := range o {
		o[i] = float64(m[i][0]*v[0]) + float64(m[i][1]*v[1]) + float64(m[i][2]*v[2])
	}
	return o
}

// Lab is a CIELAB colour (CIE 15:2004) relative to White: L in [0,100], A and B about [-130,130].
type Lab struct{ L, A, B float64 }

// The CIE's constants in their exact form: (6/29)^3 and (29/3)^3.
const (
	labEpsilon = 216.0 / 24389
	labKappa   = 24389.0 / 27
)

func labF(t float64) float64 {
	if t > labEpsilon {
		return math.Cbrt(t)
	}
	return (labKappa*t + 16) / 116
}

func labInverse(f float64) float64 {
	if t := f * f * f; t > labEpsilon {
		return t
	}
	return (116*f - 16) / labKappa
}

// Lab converts c to CIELAB.
func (c RGB) Lab() Lab {
	xyz := apply(&rgbToXYZ, [3]float64{linear8[c.R], linear8[c.G], linear8[c.B]})
	x, y, z := labF(xyz[0]/White[0]), labF(xyz[1]/White[1]), labF(xyz[2]/White[2])
	return Lab{116*y - 16, 500 * (x - y), 200 * (y - z)}
}

// RGB converts back, rounded to 8 bits; colours outside sRGB are clipped channel by channel.
func (l Lab) RGB() RGB {
	y := (l.L + 16) / 116
	x, z := y+l.A/500, y-l.B/200
	return fromLinear(apply(&xyzToRGB, [3]float64{White[0] * labInverse(x), labInverse(y), White[2] * labInverse(z)}))
}

func fromLinear(v [3]float64) RGB {
	return RGB{Byte(FromLinear(v[0])), Byte(FromLinear(v[1])), Byte(FromLinear(v[2]))}
}

// OKLab is a colour in Oklab (Björn Ottosson, "A perceptual color space for image processing", 2020): L in [0,1],
// A and B about [-0.4,0.4].
type OKLab struct{ L, A, B float64 }

// Linear sRGB to the cone response and on to Lab, and back (same source, revised matrices of 2021-01-25).
var (
	okLMS = [3][3]float64{
		{0.4122214708, 0.5363325363, 0.0514459929},
		{0.2119034982, 0.6806995451, 0.1073969566},
		{0.0883024619, 0.2817188376, 0.6299787005},
	}
	okLab = [3][3]float64{
		{0.2104542553, 0.7936177850, -0.0040720468},
		{1.9779984951, -2.4285922050, 0.4505937099},
		{0.0259040371, 0.7827717662, -0.8086757660},
	}
	okFromLab = [3][3]float64{
		{1, 0.3963377774, 0.2158037573},
		{1, -0.1055613458, -0.0638541728},
		{1, -0.0894841775, -1.2914855480},
	}
	okFromLMS = [3][3]float64{
		{4.0767416621, -3.3077115913, 0.2309699292},
		{-1.2684380046, 2.6097574011, -0.3413193965},
		{-0.0041960863, -0.7034186147, 1.7076147010},
	}
)

// OKLab converts c to Oklab.
func (c RGB) OKLab() OKLab {
	lms := apply(&okLMS, [3]float64{linear8[c.R], linear8[c.G], linear8[c.B]})
	o := apply(&okLab, [3]float64{math.Cbrt(lms[0]), math.Cbrt(lms[1]), math.Cbrt(lms[2])})
	return OKLab{o[0], o[1], o[2]}
}

// RGB converts back, rounded to 8 bits; colours outside sRGB are clipped channel by channel.
func (o OKLab) RGB() RGB {
	l := apply(&okFromLab, [3]float64{o.L, o.A, o.B})
	for i, v := range l {
		l[i] = v * v * v
	}
	return fromLinear(apply(&okFromLMS, l))
}
