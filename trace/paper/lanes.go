package paper

import "encoding/binary"

// This file finds running extremes of bytes, eight at a time: in a word of 64 bits the bytes are lanes that no carry
// crosses (L. Lamport, "Multiple byte processing with full-word instructions", Communications of the ACM 18(8), 1975).

const topBits = 0x8080808080808080

// notLess has every bit set in the bytes where that of a is not less than that of b.
func notLess(a, b uint64) uint64 {
	low := a | topBits - b&^topBits // the top bit tells whether the lower seven are not less
	m := (a&^b | ^(a^b)&low) & topBits
	return m | (m - m>>7)
}

// most8 and least8 return the greater and the lesser of each byte of a and b.
func most8(a, b uint64) uint64  { return b ^ (a^b)&notLess(a, b) }
func least8(a, b uint64) uint64 { return a ^ (a^b)&notLess(a, b) }

// widen sets each byte of v to the greatest, or the least, of those from it to n-1 further ones, each step bytes from
// the next. For the bytes within step·(n-1) of the end it is that of fewer.
func widen(v []uint8, n, step int, least bool) {
	flip := uint64(0)
	if least {
		flip = ^flip // the least is the greatest of the complements
	}
	overlap(n, func(run int) {
		p, q := v[:max(len(v)-run*step, 0)], v[min(run*step, len(v)):]
		for len(p) >= 32 && len(q) >= 32 {
			u, v := p[:32:32], q[:32:32]
			for i := 0; i < 32; i += 8 {
				a, b := binary.LittleEndian.Uint64(u[i:]), binary.LittleEndian.Uint64(v[i:])
				m := notLess(a, b) ^ flip
				binary.LittleEndian.PutUint64(u[i:], b^(a^b)&m)
			}
			p, q = p[32:], q[32:]
		}
		for i := range p {
			if least {
				p[i] = min(p[i], q[i])
			} else {
				p[i] = max(p[i], q[i])
			}
		}
	})
}

// widen32 is widen for words.
func widen32(v []uint32, n, step int, least bool) {
	overlap(n, func(run int) {
		p, q := v[:max(len(v)-run*step, 0)], v[min(run*step, len(v)):]
		q = q[:len(p)]
		if least {
			for i, a := range p {
				p[i] = min(a, q[i])
			}
		} else {
			for i, a := range p {
				p[i] = max(a, q[i])
			}
		}
	})
}

// overlap calls pass so often that extremes of n are made of those of two runs each, that begin so many apart: the
// runs are as long as powers of two, the last two overlap.
func overlap(n int, pass func(run int)) {
	for have := 1; have < n; {
		more := min(have, n-have)
		pass(more)
		have += more
	}
}
