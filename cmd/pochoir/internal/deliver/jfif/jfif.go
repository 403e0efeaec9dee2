// Package jfif writes JPEG files without chroma subsampling, which the encoder of the standard library cannot, and
// with segments of the caller's. Flat colours that meet at a hard edge keep their colour right up to it. Encode is
// the only function; it is safe to call concurrently.
//
// The coding is the baseline sequential process of ITU-T Rec. T.81 (1992) with the typical Huffman tables of its
// Annex K; the colours are those of JFIF (ITU-T Rec. T.871). All arithmetic is on integers, so that the same picture
// gives the same bytes on every machine.
package jfif

import (
	"bufio"
	"fmt"
	"image"
	"io"
)

// Segment is an application segment written after the JFIF header.
type Segment struct {
	Marker byte // 0xe1 for APP1 … 0xef for APP15
	Data   []byte
}

// MaxSegment is the most bytes Segment.Data holds: the length field is 16 bits and counts itself (T.81, B.1.1.4).
const MaxSegment = 65533

const maxSide = 65535 // T.81, B.2.2: the sides are 16-bit numbers

// Encode writes the opaque picture m (its alpha is not looked at) with the given quality, 1 to 100, the scale by
// which the quantisation tables of T.81 Annex K are commonly multiplied: 50 leaves them as they are. dpi, 1 to 65535,
// is noted in the header.
func Encode(w io.Writer, m *image.RGBA, quality, dpi int, segments ...Segment) error {
	width, height := m.Rect.Dx(), m.Rect.Dy()
	if width < 1 || height < 1 || width > maxSide || height > maxSide {
		return fmt.Errorf("jpeg: %d x %d px, each side must lie in 1..%d", width, height, maxSide)
	}
	if quality < 1 || quality > 100 {
		return fmt.Errorf("jpeg: quality %d, want 1..100", quality)
	}
	if dpi < 1 || dpi > 65535 {
		return fmt.Errorf("jpeg: %d dpi, want 1..65535", dpi)
	}
	e := encoder{w: bufio.NewWriterSize(w, 1<<16)}
	e.marker(0xd8, nil)
	e.marker(0xe0, []byte{'J', 'F', 'I', 'F', 0, 1, 2, 1, byte(dpi >> 8), byte(dpi), byte(dpi >> 8), byte(dpi), 0, 0})
	for _, s := range segments {
		if len(s.Data) > MaxSegment {
			return fmt.Errorf("jpeg: a segment of %d bytes, room for %d", len(s.Data), MaxSegment)
		}
		e.marker(s.Marker, s.Data)
	}
	e.quantisation(quality)
	e.marker(0xc0, []byte{8, byte(height >> 8), byte(height), byte(width >> 8), byte(width), 3,
		1, 0x11, 0, 2, 0x11, 1, 3, 0x11, 1})
	e.huffman()
	e.marker(0xda, []byte{3, 1, 0x00, 2, 0x11, 3, 0x11, 0, 63, 0})
	e.scan(m)
	e.marker(0xd9, nil)
	if e.err != nil {
		return e.err
	}
	return e.w.Flush()
}

type encoder struct {
	w   *bufio.Writer
	err error

	bits  uint32 // pending bits, the topmost nBits count
	nBits uint

	div  [2][64]int32      // quantiser steps, natural order, times 8 for the scale of the transform
	code [2][2][256]uint32 // [luma, chroma][DC, AC] code<<8 | length
}

func (e *encoder) marker(m byte, data []byte) {
	if e.err != nil {
		return
	}
	head := []byte{0xff, m}
	if m != 0xd8 && m != 0xd9 {
		n := len(data) + 2
		head = append(head, byte(n>>8), byte(n))
	}
	if _, e.err = e.w.Write(head); e.err == nil {
		_, e.err = e.w.Write(data)
	}
}

// quantisation writes both tables, scaled as is usual: 5000/q below 50, 200-2q from there, in percent.
func (e *encoder) quantisation(quality int) {
	scale := 200 - 2*quality
	if quality < 50 {
		scale = 5000 / quality
	}
	for t := range stepsK {
		data := make([]byte, 65)
		data[0] = byte(t)
		for i := range 64 {
			v := min(max((int(stepsK[t][zigzag[i]])*scale+50)/100, 1), 255)
			data[1+i] = byte(v)
			e.div[t][zigzag[i]] = int32(v) * 8
		}
		e.marker(0xdb, data)
	}
}

// huffman writes the four tables and derives their codes (T.81, Annex C).
func (e *encoder) huffman() {
	for comp := range 2 {
		for class := range 2 {
			spec := &huffmanK[comp][class]
			data := append([]byte{byte(class<<4 | comp)}, spec.counts[:]...)
			e.marker(0xc4, append(data, spec.values...))
			code, k := uint32(0), 0
			for length, n := range spec.counts {
				for range n {
					e.code[comp][class][spec.values[k]] = code<<8 | uint32(length+1)
					code++
					k++
				}
				code <<= 1
			}
		}
	}
}

// emit appends n bits, n <= 16, with the stuffed zero after each 0xff (T.81, F.1.2.3).
func (e *encoder) emit(v uint32, n uint) {
	e.nBits += n
	e.bits |= v << (32 - e.nBits)
	for e.nBits >= 8 {
		b := byte(e.bits >> 24)
		e.w.WriteByte(b)
		if b == 0xff {
			e.w.WriteByte(0)
		}
		e.bits <<= 8
		e.nBits -= 8
	}
}

// scan codes the picture block by block, the three components of each 8 by 8 pixels in turn. Blocks over the right
// and lower rim repeat the last column and row.
func (e *encoder) scan(m *image.RGBA) {
	width, height := m.Rect.Dx(), m.Rect.Dy()
	var block [3][64]int32
	var dc [3]int32
	for y0 := 0; y0 < height; y0 += 8 {
		for x0 := 0; x0 < width; x0 += 8 {
			flat := load(m, x0, y0, &block)
			for c := range block {
				t := min(c, 1)
				b := &block[c]
				if flat {
					// The transform of an even block is its sum; all else is zero.
					dc[c] = e.flat(b[0], dc[c], t)
					continue
				}
				transform(b)
				dc[c] = e.block(b, dc[c], t)
			}
		}
		if _, err := e.w.Write(nil); err != nil && e.err == nil {
			e.err = err
			return
		}
	}
	e.emit(0x7f, 7) // fill the last byte with ones (T.81, F.1.2.3)
	e.bits, e.nBits = 0, 0
}

// load reads one block as luma and chroma, each less 128, and tells whether all its pixels are equal. ITU-T T.871,
// section 7, in 16-bit fixed point.
func load(m *image.RGBA, x0, y0 int, block *[3][64]int32) (flat bool) {
	width, height := m.Rect.Dx(), m.Rect.Dy()
	flat = true
	var first uint32
	for j := range 8 {
		y := min(y0+j, height-1)
		row := m.Pix[y*m.Stride : y*m.Stride+4*width]
		for i := range 8 {
			p := 4 * min(x0+i, width-1)
			r, g, b := int32(row[p]), int32(row[p+1]), int32(row[p+2])
			v := uint32(r)<<16 | uint32(g)<<8 | uint32(b)
			if i+j == 0 {
				first = v
			}
			flat = flat && v == first
			k := 8*j + i
			block[0][k] = (19595*r+38470*g+7471*b+1<<15)>>16 - 128
			block[1][k] = (-11059*r - 21709*g + 32768*b + 1<<15) >> 16
			block[2][k] = (32768*r - 27439*g - 5329*b + 1<<15) >> 16
		}
	}
	for c := 1; c < 3; c++ {
		for k := range block[c] {
			block[c][k] = min(block[c][k], 127)
		}
	}
	return flat
}

// flat codes an even block of value v and returns its quantised DC.
func (e *encoder) flat(v, dc int32, t int) int32 {
	q := divide(v*64, e.div[t][0])
	e.number(q-dc, &e.code[t][0], 0)
	eob := e.code[t][1][0]
	e.emit(eob>>8, uint(eob&0xff))
	return q
}

// block codes a transformed block and returns its quantised DC.
func (e *encoder) block(b *[64]int32, dc int32, t int) int32 {
	q := divide(b[0], e.div[t][0])
	e.number(q-dc, &e.code[t][0], 0)
	run := 0
	for i := 1; i < 64; i++ {
		k := zigzag[i]
		v := divide(b[k], e.div[t][k])
		if v == 0 {
			run++
			continue
		}
		for ; run > 15; run -= 16 {
			zrl := e.code[t][1][0xf0]
			e.emit(zrl>>8, uint(zrl&0xff))
		}
		e.number(v, &e.code[t][1], run)
		run = 0
	}
	if run > 0 {
		eob := e.code[t][1][0]
		e.emit(eob>>8, uint(eob&0xff))
	}
	return q
}

// number writes the Huffman code of run<<4|size and then the size bits of v (T.81, F.1.2.1 and F.1.2.2).
func (e *encoder) number(v int32, codes *[256]uint32, run int) {
	a, bits := v, v
	if v < 0 {
		a, bits = -v, v-1
	}
	size := uint(0)
	for ; a > 0; a >>= 1 {
		size++
	}
	c := codes[run<<4|int(size)]
	e.emit(c>>8, uint(c&0xff))
	if size > 0 {
		e.emit(uint32(bits)&(1<<size-1), size)
	}
}

// divide returns a/b rounded to the nearest, halves away from zero; b > 0.
func divide(a, b int32) int32 {
	if a >= 0 {
		return (a + b>>1) / b
	}
	return -((-a + b>>1) / b)
}
