package jpegread

import (
	"encoding/binary"

	"pochoir/quantize/large"
)

// zigzag is where the coefficients of a block lie, in the order they are coded in (ITU-T T.81 figure A.6).
var zigzag = [64]uint8{
	0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5,
	12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7, 14, 21, 28,
	35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51,
	58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54, 47, 55, 62, 63,
}

// unitRow is the coefficients of a row of coded units, block after block as they are coded.
type unitRow struct {
	y     int     // which row
	coefs []int16 // 64 a block, not yet multiplied by the quantization table, in natural order
	last  []uint8 // for each block the place in zigzag of its last coefficient that is not 0
}

func (d *decoder) newUnitRow() *unitRow {
	n := d.across * d.blocks
	return &unitRow{coefs: large.Make[int16](64 * n), last: make([]uint8, n)}
}

// lookBits is how many bits are looked up at once: most codes, with the bits that follow them, are no longer.
const lookBits = 10

// huffman is a table of codes (ITU-T T.81 annex C).
type huffman struct {
	// look answers for the next lookBits bits; 0 where their code is longer.
	look [1 << lookBits]symbol
	// Codes of n bits end before limit[n], a code of 16 bits; code>>(16-n) + offset[n] is the place of such a code in
	// values.
	limit  [17]uint32
	offset [17]int32
	values []uint8
}

// symbol is what a code stands for, with the bits that follow it where they could be looked up as well:
//
//	bits  0-4   the bits it takes in the data, with those that follow if value is known
//	bits  8-11  the run of zeros before the coefficient
//	bits 12-15  the number of bits that follow, where value is not known
//	bits 16-31  value, the coefficient, signed; 0 where it is not known
type symbol int32

// newHuffman makes a table of the numbers of codes of 1 to 16 bits and their values. Baseline coding uses differences
// of up to 11 bits and coefficients of up to 10 (§F.1.2), and but two codes without a coefficient; tables with others
// are refused, and so are codes that do not fit their bits.
func newHuffman(counts, values []uint8, ac bool) (*huffman, bool) {
	for _, v := range values {
		if ac && (v&15 > 10 || v&15 == 0 && v != endOfBlock && v != sixteenZeros) || !ac && v > 11 {
			return nil, false
		}
	}
	t := &huffman{values: values}
	code, at := 0, 0
	for n := 1; n <= 16; n++ {
		count := int(counts[n-1])
		t.offset[n] = int32(at - code)
		if code+count > 1<<n {
			return nil, false
		}
		for i := range count {
			if n <= lookBits {
				t.enter(code+i, n, values[at+i])
			}
		}
		code += count
		at += count
		t.limit[n] = uint32(code) << (16 - n)
		code <<= 1
	}
	return t, true
}

// The codes of coefficients that stand for none (ITU-T T.81 §F.1.2.2.1).
const (
	endOfBlock   = 0x00
	sixteenZeros = 0xf0
)

// enter puts a code of n bits into the table.
func (t *huffman) enter(code, n int, value uint8) {
	rest := lookBits - n
	size := int(value & 15)
	for more := range 1 << rest {
		s := symbol(n) | symbol(value>>4)<<8 | symbol(size)<<12
		if size > 0 && size <= rest {
			s = symbol(n+size) | symbol(value>>4)<<8 | symbol(extend(more>>(rest-size), size))<<16
		}
		t.look[code<<rest|more] = s
	}
}

// long finds the code at the beginning of next, 16 bits, that is longer than lookBits; 0 where there is none.
func (t *huffman) long(next uint32) symbol {
	for n := lookBits + 1; n <= 16; n++ {
		if next < t.limit[n] {
			v := t.values[int32(next>>(16-n))+t.offset[n]]
			return symbol(n) | symbol(v>>4)<<8 | symbol(v&15)<<12
		}
	}
	return 0
}

// extend gives v, of size bits, its sign (ITU-T T.81 figure F.12).
func extend(v, size int) int {
	if v < 1<<(size-1) {
		v -= 1<<size - 1
	}
	return v
}

// bitReader reads the bits of coded data.
type bitReader struct {
	data []byte
	pos  int
	next uint64 // the bits that come next, from the highest on
	n    int    // how many
	pad  int    // how many of those are zeros behind the end of the data
}

// symbolBits is how many bits a code and what follows it take at most: 16 and 11.
const symbolBits = 27

// fill makes next hold symbolBits at least. A byte 0xff is followed by 0x00 in coded data, else it begins a marker, where
// the data end (ITU-T T.81 §B.1.1.5).
func (b *bitReader) fill() {
	if b.pos+4 <= len(b.data) {
		// A byte of v is 0xff where it is 0 in its complement, which then borrows from the top bit.
		v := binary.BigEndian.Uint32(b.data[b.pos:])
		if (^v-0x01010101)&v&0x80808080 == 0 {
			b.next |= uint64(v) << (32 - b.n)
			b.n += 32
			b.pos += 4
			return
		}
	}
	for b.n <= 56 {
		c := uint64(0)
		switch {
		case b.pos >= len(b.data):
			b.pad += 8
		case b.data[b.pos] != 0xff:
			c = uint64(b.data[b.pos])
			b.pos++
		case b.pos+1 < len(b.data) && b.data[b.pos+1] == 0:
			c = 0xff
			b.pos += 2
		default:
			b.pad += 8
		}
		b.next |= c << (56 - b.n)
		b.n += 8
	}
}

// marker passes over a marker that must follow right here, behind less than a byte of padding.
func (b *bitReader) marker(m uint8) bool {
	if left := b.n - b.pad; left < 0 || left > 7 || b.pos+2 > len(b.data) || b.data[b.pos] != 0xff || b.data[b.pos+1] != m {
		return false
	}
	*b = bitReader{data: b.data, pos: b.pos + 2}
	return true
}

// entropy reads the coded data of a scan.
type entropy struct {
	*decoder
	bitReader
	before [3]int // the DC coefficient of the last block of each component
	units  int    // read since the last restart
	resets uint8  // restart markers passed
}

// readRow reads a row of coded units (ITU-T T.81 §F.2.2).
func (e *entropy) readRow(r *unitRow) error {
	block := 0
	for range e.across {
		if e.restart > 0 && e.units == e.restart {
			if !e.marker(markerRST0 + e.resets%8) {
				return ErrVariant
			}
			e.resets++
			e.units, e.before = 0, [3]int{}
		}
		e.units++
		for i := range e.comps {
			c := &e.comps[i]
			for range c.h * c.v {
				last, ok := e.readBlock((*[64]int16)(r.coefs[64*block:]), c, &e.before[i])
				if !ok {
					return ErrVariant
				}
				r.last[block] = last
				block++
			}
		}
	}
	return nil
}

// readBlock reads the coefficients of a block, which is empty, and returns the place of the last in zigzag.
func (e *entropy) readBlock(block *[64]int16, c *component, before *int) (last uint8, ok bool) {
	next, n := e.next, e.n // in registers
	k, table := -1, c.dc
	for k < 63 {
		if n < symbolBits {
			e.next, e.n = next, n
			e.fill()
			next, n = e.next, e.n
		}
		s := table.look[next>>(64-lookBits)]
		if s == 0 {
			if s = table.long(uint32(next >> 48)); s == 0 {
				return 0, false
			}
		}
		taken := int(s & 31)
		v := int(s >> 16)
		if size := int(s >> 12 & 15); size > 0 {
			v = extend(int(next<<taken>>(64-size)), size)
			taken += size
		}
		next <<= taken
		n -= taken
		if k < 0 {
			v += *before
			if v != int(int16(v)) {
				return 0, false
			}
			*before = v
			block[0] = int16(v)
			k, table = 0, c.ac
			continue
		}
		run := int(s >> 8 & 15)
		k += 1 + run
		if v == 0 {
			if run == 0 { // the end of the block; else sixteen zeros
				break
			}
			continue
		}
		if k > 63 {
			return 0, false
		}
		block[zigzag[k]] = int16(v)
		last = uint8(k)
	}
	e.next, e.n = next, n
	return last, true
}

// end reports whether the picture ends where the scan does, as it does when it holds nothing else.
func (e *entropy) end() error {
	if !e.marker(markerEOI) {
		return ErrVariant
	}
	return nil
}
