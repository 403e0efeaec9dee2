package baseline

import "encoding/binary"

// table decodes one Huffman code (T.81, annex C and F.2.2.3).
type table struct {
	fast  [1 << fastBits]uint32 // by the next bits: what they begin with, see entry
	most  [17]int32             // the largest code of each length, -1 where there is none
	first [17]int32             // what to add to a code of each length to get its place in symbols
	names [256]uint8            // the symbols in order of their codes
}

// fastBits is how many bits are looked up at once: codes of common symbols are shorter, mostly with the bits of their
// value.
const fastBits = 10

// An entry of the fast table holds from low to high: in 8 bits, how many bits it takes, 0 where the code is longer than
// fastBits; in 4 bits, how many bits of the value are still to be read; in 4, the run of zeros before it; in 16, the
// value.
func entry(taken, size, run, value int) uint32 {
	return uint32(taken) | uint32(size)<<8 | uint32(run)<<12 | uint32(uint16(int16(value)))<<16
}

// readTables reads Huffman tables (B.2.4.2).
func (d *decoder) readTables(b []byte) bool {
	for len(b) > 0 {
		if len(b) < 17 {
			return false
		}
		kind, k := b[0]>>4, b[0]&15
		count := 0
		for _, n := range b[1:17] {
			count += int(n)
		}
		if kind > 1 || k > 3 || count == 0 || count > 256 || len(b) < 17+count {
			return false
		}
		t := new(table)
		copy(t.names[:], b[17:17+count])
		if !t.build(b[1:17]) {
			return false
		}
		d.tables[kind][k] = t
		b = b[17+count:]
	}
	return true
}

// build makes the codes: counts[i] of them have i+1 bits.
func (t *table) build(counts []byte) bool {
	code, at := int32(0), 0
	for l := 1; l <= 16; l++ {
		t.most[l] = -1
		t.first[l] = int32(at) - code
		for range counts[l-1] {
			if code >= 1<<l {
				return false // more codes than there are
			}
			if l <= fastBits {
				t.spread(int(code), l, int(t.names[at]))
			}
			t.most[l] = code
			code++
			at++
		}
		code <<= 1
	}
	return true
}

// spread fills the fast entries that begin with a code.
func (t *table) spread(code, length, symbol int) {
	run, size := symbol>>4, symbol&15
	rest := fastBits - length
	for low := range 1 << rest {
		e := entry(length, size, run, 0)
		if size > 0 && size <= rest {
			e = entry(length+size, 0, run, extend(uint32(low>>(rest-size)), size))
		}
		t.fast[code<<rest|low] = e
	}
}

// extend returns the value that size bits stand for (F.2.2.1, EXTEND).
func extend(v uint32, size int) int {
	if v>>(size-1) == 0 {
		return int(v) - 1<<size + 1
	}
	return int(v)
}

// reader takes bits from entropy-coded data. Beyond their end it gives zeros, which ended notices.
type reader struct {
	data []byte
	at   int    // of the next byte
	acc  uint64 // bits read, the next one at the top
	n    int    // how many of them are left, those made up included
	made int    // bits made up beyond the end
}

// fill tops acc up to more than 32 bits.
func (r *reader) fill() {
	if r.at+8 <= len(r.data) {
		v := binary.BigEndian.Uint64(r.data[r.at:])
		// No byte is 0xff: then no byte of its complement is zero.
		if c := ^v; (c-0x0101010101010101)&^c&0x8080808080808080 == 0 {
			r.acc |= v >> r.n
			take := (64 - r.n) >> 3
			r.at += take
			r.n += 8 * take
			r.acc &= ^uint64(0) << (64 - r.n)
			return
		}
	}
	for r.n <= 56 {
		b := byte(0)
		switch {
		case r.at >= len(r.data) || r.data[r.at] == 0xff && (r.at+1 >= len(r.data) || r.data[r.at+1] != 0):
			r.made += 8
		case r.data[r.at] == 0xff:
			b = 0xff
			r.at += 2
		default:
			b = r.data[r.at]
			r.at++
		}
		r.acc |= uint64(b) << (56 - r.n)
		r.n += 8
	}
}

// skip drops bits that were looked at.
func (r *reader) skip(n int) {
	r.acc <<= n
	r.n -= n
}

// bits returns the next n bits, 1 to 16.
func (r *reader) bits(n int) uint32 {
	v := uint32(r.acc >> (64 - n))
	r.skip(n)
	return v
}

// symbol returns the run and size of the next code, which is longer than fastBits.
func (r *reader) symbol(t *table) (run, size int, ok bool) {
	for l := fastBits + 1; l <= 16; l++ {
		if code := int32(r.acc >> (64 - l)); code <= t.most[l] {
			s := int(t.names[(code+t.first[l])&255])
			r.skip(l)
			return s >> 4, s & 15, true
		}
	}
	return 0, 0, false
}

// mostDC is the largest size of a difference of DC coefficients in pictures of 8 bits (T.81, table F.1).
const mostDC = 11

// dc returns the next difference of DC coefficients.
func (r *reader) dc(t *table) (int32, bool) {
	if r.n < 32 {
		r.fill()
	}
	e := t.fast[r.acc>>(64-fastBits)]
	size := int(e >> 8 & 15)
	run := int(e >> 12 & 15)
	if taken := int(e & 255); taken > 0 {
		r.skip(taken)
	} else {
		var ok bool
		if run, size, ok = r.symbol(t); !ok {
			return 0, false
		}
	}
	if run != 0 || size > mostDC {
		return 0, false
	}
	if size == 0 {
		return int32(int16(e >> 16)), true
	}
	return int32(extend(r.bits(size), size)), true
}

// ac appends the other coefficients of a block to dst.
func (r *reader) ac(dst []coefficient, t *table) ([]coefficient, bool) {
	for at := 1; at < 64; at++ {
		if r.n < 32 {
			r.fill()
		}
		e := t.fast[r.acc>>(64-fastBits)]
		size, run, value := int(e>>8&15), int(e>>12&15), int(int16(e>>16))
		if taken := int(e & 255); taken > 0 {
			r.skip(taken)
		} else {
			var ok bool
			if run, size, ok = r.symbol(t); !ok {
				return dst, false
			}
			value = 0
		}
		if size > 0 {
			value = extend(r.bits(size), size)
		}
		at += run
		if value == 0 {
			if run == 0 {
				return dst, true // end of block
			}
			if run != 15 {
				return dst, false
			}
			continue
		}
		if at > 63 {
			return dst, false
		}
		dst = append(dst, coefficient{int16(value), uint8(at)})
	}
	return dst, true
}

// ended reports whether the data were enough and nothing but the end of the picture follows.
func (r *reader) ended() bool {
	// What is left of the last byte is filling.
	if left := r.n - r.made; left < 0 || left >= 8 {
		return false
	}
	at := r.at
	for at < len(r.data) && r.data[at] == 0xff {
		at++
	}
	return at > r.at && at < len(r.data) && r.data[at] == markerEOI
}
