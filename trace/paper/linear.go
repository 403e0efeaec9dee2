package paper

import (
	"math"

	"pochoir/quantize/colour"
)

// Light adds up linearly only in linear light, so every average is taken there: 8-bit sRGB goes in through toLinear or
// toLinear16, and comes out through toByte.

// inverseSteps is the resolution of the table from linear light to sRGB. At its steepest, at black, sRGB rises by
// 12.92·255 levels for a unit of light, so that a step of the table is 0.2 levels.
const inverseSteps = 1 << 14

// glare is the light, over the paper's, that comes back from any ink: what was taken away as the black point (see
// lightMap.drawing). Print and pencil take their share of it too, so it is added again where they are measured.
const glare = 0.025

var (
	toLinear   [256]float32
	toLinear16 [256]uint32  // of 65535
	logLight   [256]float32 // natural logarithm of linear light with glare
	toByte     [inverseSteps + 1]uint8
)

func init() {
	for i := range 256 {
		v := colour.Linear(uint8(i))
		toLinear[i] = float32(v)
		logLight[i] = float32(math.Log(v + glare))
		toLinear16[i] = uint32(v*65535 + 0.5)
	}
	// Each level from where its lower half begins; which side of a step that is, the steps about it tell.
	level := func(i int) uint8 { return colour.Byte(colour.FromLinear(float64(i) / inverseSteps)) }
	from := 0
	for v := range 256 {
		to := inverseSteps + 1
		if v < 255 {
			to = int(inverseSteps * colour.ToLinear((float64(v)+0.5)/255))
			for to > from && level(to-1) > uint8(v) {
				to--
			}
			for level(to) <= uint8(v) {
				to++
			}
		}
		for i := range toByte[from:to] {
			toByte[from+i] = uint8(v)
		}
		from = to
	}
}

// encode turns linear light into an 8-bit sRGB level; values outside [0,1] are clipped.
func encode(v float32) uint8 {
	i := int32(v*inverseSteps + 0.5)
	if uint32(i) > inverseSteps {
		if v > 0 {
			return 255
		}
		return 0
	}
	return toByte[i]
}
