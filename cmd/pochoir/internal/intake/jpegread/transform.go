package jpegread

import (
	"bytes"
	"encoding/binary"
	"image"
)

// grey is the chroma of grey (ITU-T T.871 §7).
const grey = 128

// transformer makes samples of rows of coded units. It must not be used by two goroutines at once.
type transformer struct {
	d      *decoder
	planes [3][]uint8 // the samples of a row of coded units, for each component
	stride [3]int
	band   *image.YCbCr // the same, as it is handed out
	put    func(*image.YCbCr)
}

func (d *decoder) newTransformer(put func(*image.YCbCr)) *transformer {
	t := &transformer{d: d, put: put}
	for i, c := range d.comps {
		t.stride[i] = 8 * c.h * d.across
		t.planes[i] = make([]uint8, 8*c.v*t.stride[i])
	}
	if len(d.comps) == 1 {
		t.stride[1] = 4 * d.across
		t.planes[1] = bytes.Repeat([]uint8{grey}, 4*t.stride[1])
		t.band = &image.YCbCr{
			Y: t.planes[0], Cb: t.planes[1], Cr: t.planes[1], YStride: t.stride[0], CStride: t.stride[1],
			SubsampleRatio: image.YCbCrSubsampleRatio420,
		}
		return t
	}
	ratio := [2][2]image.YCbCrSubsampleRatio{
		{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio440},
		{image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420},
	}[d.comps[0].h-1][d.comps[0].v-1]
	t.band = &image.YCbCr{
		Y: t.planes[0], Cb: t.planes[1], Cr: t.planes[2], YStride: t.stride[0], CStride: t.stride[1], SubsampleRatio: ratio,
	}
	return t
}

// transform turns the coefficients of r into samples and puts them; it leaves r empty.
func (t *transformer) transform(r *unitRow) {
	block := 0
	for x := range t.d.across {
		for i, c := range t.d.comps {
			for j := range c.h * c.v {
				at := 8*(j/c.h)*t.stride[i] + 8*(x*c.h+j%c.h)
				coefs := (*[64]int16)(r.coefs[64*block:])
				if i == 0 && r.last[block] > 0 {
					t.d.coded(Block{x*c.h + j%c.h, r.y*c.v + j/c.h, coefs, c.quant})
				}
				inverse(t.planes[i][at:], t.stride[i], coefs, int(r.last[block]), c.quant)
				block++
			}
		}
	}
	high := 8 * t.d.comps[0].v
	t.band.Rect = image.Rect(0, r.y*high, t.d.w, min((r.y+1)*high, t.d.h))
	t.put(t.band)
}

// The inverse transform of ITU-T T.81 §A.3.3 runs along rows, then along columns, by the flow graph of Loeffler, Ligtenberg
// and Moschytz ("Practical fast 1-D DCT algorithms with 11 multiplications", ICASSP 1989, figure 1), backwards: a
// butterfly, which would halve its sum and difference, leaves them one bit more behind their point instead. Where bits
// are cut off is where image/jpeg does it, and what a damaged file drives beyond 32 bits wraps as it does there, so that
// samples are the same to the last bit.

// Factors of the flow graph: cosines and sines of multiples of π/16, 1/√2 as half and those of 6π/16 divided by √2, with
// the bits behind their point.
const (
	cos1at12, sin1at12         = 4017, 799
	cos3at12, sin3at12         = 3406, 2276
	halfCos6at12, halfSin6at12 = 1108, 2676
	halfCos6at18, halfSin6at18 = 70936, 171254
	halfAt8, halfAt14          = 181, 11585
)

// turn rotates (a, b) back by the angle of cos and sin, in three multiplications.
func turn(a, b, cos, sin int32) (int32, int32) {
	sum := cos * (a + b)
	return sum - (cos+sin)*b, sum - (cos-sin)*a
}

// lastRow is the last row of a block that coefficients up to a place in zigzag reach.
var lastRow = func() (rows [64]uint8) {
	for k := range rows {
		rows[k] = zigzag[k] / 8
		if k > 0 {
			rows[k] = max(rows[k], rows[k-1])
		}
	}
	return rows
}()

// inverse transforms a block whose last coefficient lies at the given place in zigzag into samples, and empties it.
func inverse(dst []uint8, stride int, block *[64]int16, last int, quant *[64]int32) {
	if last == 0 {
		even(dst, stride, sample((int32(block[0])*quant[0]<<17+half)>>20))
		block[0] = 0
		return
	}
	var work [64]int32
	for y := range int(lastRow[last]) + 1 {
		alongRow((*[8]int32)(work[8*y:]), (*[8]int16)(block[8*y:]), (*[8]int32)(quant[8*y:]))
	}
	*block = [64]int16{}
	alongColumns(dst, stride, &work)
}

// even fills the samples of a block with v.
func even(dst []uint8, stride int, v uint8) {
	row := 0x0101010101010101 * uint64(v)
	for y := range 8 {
		binary.LittleEndian.PutUint64(dst[y*stride:], row)
	}
}

// half rounds what alongColumns cuts off.
const half = 1 << 19

// sample shifts v to the range of samples (ITU-T T.81 §A.3.1).
func sample(v int32) uint8 {
	if v += 128; uint32(v) > 255 {
		return uint8(^(v >> 31))
	}
	return uint8(v)
}

// alongRow multiplies the coefficients of a row by their quantization and transforms it: 20 bits behind the point.
func alongRow(dst *[8]int32, row *[8]int16, quant *[8]int32) {
	x0 := int32(row[0]) * quant[0] << 17
	if row[1]|row[2]|row[3]|row[4]|row[5]|row[6]|row[7] == 0 {
		*dst = [8]int32{x0, x0, x0, x0, x0, x0, x0, x0}
		return
	}
	x7 := int32(row[1]) * quant[1] << 7
	x2 := int32(row[2]) * quant[2]
	x5 := int32(row[3]) * quant[3] * halfAt8
	x1 := int32(row[4]) * quant[4] << 17
	x6 := int32(row[5]) * quant[5] * halfAt8
	x3 := int32(row[6]) * quant[6]
	x4 := int32(row[7]) * quant[7] << 7

	x0, x1 = x0+x1, x0-x1
	x2, x3 = turn(x2, x3, halfCos6at18, halfSin6at18)
	x1, x2 = x1+x2, x1-x2
	x0, x3 = x0+x3, x0-x3

	x7, x4 = x7+x4, x7-x4
	x7, x5 = x7+x5, x7-x5
	x4, x6 = x4+x6, x4-x6
	x4, x7 = turn(x4>>2, x7>>2, cos3at12, sin3at12)
	x5, x6 = turn(x5>>2, x6>>2, cos1at12, sin1at12)

	*dst = [8]int32{x0 + x7, x1 + x6, x2 + x5, x3 + x4, x3 - x4, x2 - x5, x1 - x6, x0 - x7}
}

// alongColumns transforms the columns of a block whose rows are transformed.
func alongColumns(dst []uint8, stride int, work *[64]int32) {
	for i := range 8 {
		x0, x7, x2, x5 := work[i]+half, work[8+i], work[16+i], work[24+i]
		x1, x6, x3, x4 := work[32+i], work[40+i], work[48+i], work[56+i]

		x0, x1 = (x0+x1)>>2, (x0-x1)>>2
		x2, x3 = turn(x2>>13, x3>>13, halfCos6at12, halfSin6at12)
		x1, x2 = x1+x2, x1-x2
		x0, x3 = x0+x3, x0-x3

		x7, x4 = x7+x4, x7-x4
		x5 = x5 >> 13 * halfAt14
		x6 = x6 >> 13 * halfAt14
		x7, x5 = x7+x5, x7-x5
		x4, x6 = x4+x6, x4-x6
		x4, x7 = turn(x4>>14, x7>>14, cos3at12, sin3at12)
		x5, x6 = turn(x5>>14, x6>>14, cos1at12, sin1at12)

		// The output has 18 bits behind its point.
		dst[i] = sample((x0 + x7) >> 18)
		dst[stride+i] = sample((x1 + x6) >> 18)
		dst[2*stride+i] = sample((x2 + x5) >> 18)
		dst[3*stride+i] = sample((x3 + x4) >> 18)
		dst[4*stride+i] = sample((x3 - x4) >> 18)
		dst[5*stride+i] = sample((x2 - x5) >> 18)
		dst[6*stride+i] = sample((x1 - x6) >> 18)
		dst[7*stride+i] = sample((x0 - x7) >> 18)
	}
}
