package baseline

import "encoding/binary"

// natural is the place in a block, row by row, of each coefficient in zigzag order (T.81, figure 5).
var natural = func() (z [64]uint8) {
	x, y, up := 0, 0, true
	for i := range z {
		z[i] = uint8(8*y + x)
		switch {
		case up && x == 7:
			y, up = y+1, false
		case up && y == 0:
			x, up = x+1, false
		case up:
			x, y = x+1, y-1
		case y == 7:
			x, up = x+1, true
		case x == 0:
			y, up = y+1, true
		default:
			x, y = x-1, y+1
		}
	}
	return z
}()

// cosine[k] is cos(k·π/16)·√½·2^13, rounded; k = 1…7. The zeroth coefficient, with √⅛, takes cosine[4].
var cosine = [8]int32{0, 5681, 5352, 4816, 4096, 3218, 2217, 1130}

// One pass multiplies by √2·2^13 what the transform would give. The columns keep √2·2^4 of it for accuracy; after the
// rows all goes.
const (
	columnShift = 9
	rowShift    = 18
)

// level is what the samples were shifted by before they were transformed (A.3.1).
const level = 128

// inverse writes the inverse cosine transform (A.3.3) of b to the 8 x 8 samples at out.
func inverse(b *[64]int32, out []uint8, stride int) {
	for x := range 8 {
		c := b[x:]
		_ = c[56]
		x1, x2, x3, x4, x5, x6, x7 := c[8], c[16], c[24], c[32], c[40], c[48], c[56]
		if x1|x2|x3|x4|x5|x6|x7 == 0 {
			v := c[0] << 3 // 4096 / 2^9
			c[0], c[8], c[16], c[24], c[32], c[40], c[48], c[56] = v, v, v, v, v, v, v, v
			continue
		}
		e, o := mirrored(c[0], x1, x2, x3, x4, x5, x6, x7, 1<<(columnShift-1))
		for k := range 4 {
			c[8*k] = (e[k] + o[k]) >> columnShift
			c[8*(7-k)] = (e[k] - o[k]) >> columnShift
		}
	}
	for y := range 8 {
		c := b[8*y : 8*y+8 : 8*y+8]
		e, o := mirrored(c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7], level<<rowShift+1<<(rowShift-1))
		d := out[y*stride : y*stride+8 : y*stride+8]
		for k := range 4 {
			d[k] = clamped((e[k] + o[k]) >> rowShift)
			d[7-k] = clamped((e[k] - o[k]) >> rowShift)
		}
	}
}

// mirrored returns half of the inverse transform of eight coefficients in two parts: their sums are the first four
// values, their differences the last four, backwards. half is added for rounding.
func mirrored(x0, x1, x2, x3, x4, x5, x6, x7, half int32) (even, odd [4]int32) {
	a, b := cosine[4]*(x0+x4)+half, cosine[4]*(x0-x4)+half
	c, d := cosine[2]*x2+cosine[6]*x6, cosine[6]*x2-cosine[2]*x6
	even = [4]int32{a + c, b + d, b - d, a - c}
	odd = [4]int32{
		cosine[1]*x1 + cosine[3]*x3 + cosine[5]*x5 + cosine[7]*x7,
		cosine[3]*x1 - cosine[7]*x3 - cosine[1]*x5 - cosine[5]*x7,
		cosine[5]*x1 - cosine[1]*x3 + cosine[7]*x5 + cosine[3]*x7,
		cosine[7]*x1 - cosine[5]*x3 + cosine[3]*x5 - cosine[1]*x7,
	}
	return even, odd
}

func clamped(v int32) uint8 {
	if uint32(v) > 255 {
		return uint8(^(v >> 31))
	}
	return uint8(v)
}

// fill writes a block whose only coefficient is dc.
func fill(out []uint8, stride int, dc int32) {
	v := uint64(clamped((dc+4)>>3+level)) * 0x0101010101010101
	for y := range 8 {
		binary.LittleEndian.PutUint64(out[y*stride:], v)
	}
}
