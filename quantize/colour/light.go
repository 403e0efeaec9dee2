package colour

import "math"

// Linear light from and to sRGB by the transfer function of IEC 61966-2-1:1999, with its own constants 12.92,
// 1.055, 2.4, 0.04045 and 0.0031308.

// ToLinear turns an sRGB channel in [0,1] into linear light in [0,1].
func ToLinear(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// FromLinear turns linear light in [0,1] into an sRGB channel in [0,1].
func FromLinear(v float64) float64 {
	if v <= 0.0031308 {
		return v * 12.92
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

var linear8 = func() (t [256]float64) {
	for i := range t {
		t[i] = ToLinear(float64(i) / 255)
	}
	return t
}()

// Linear turns an 8-bit sRGB channel into linear light in [0,1], from a table.
func Linear(v uint8) float64 { return linear8[v] }

// Byte rounds a channel in [0,1] to 8 bits; values outside are clipped.
func Byte(v float64) uint8 {
	switch {
	case !(v > 0):
		return 0
	case v >= 1:
		return 255
	}
	return uint8(v*255 + 0.5)
}

// Luminance returns the relative luminance Y of c in [0,1]: the second row of the sRGB to XYZ matrix.
func (c RGB) Luminance() float64 {
	return rgbToXYZ[1][0]*linear8[c.R] + rgbToXYZ[1][1]*linear8[c.G] + rgbToXYZ[1][2]*linear8[c.B]
}
