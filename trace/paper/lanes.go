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

// greatestAlong sets each pixel of a row, three channels each, to the greatest of it and 2r further ones, r being 2 or 3.
// Two neighbours share all but the first and the last of theirs. The last 2r+1 pixels mean nothing.
func greatestAlong(v []uint32, r int) {
	switch r {
	case 2:
		for ; len(v) >= 18; v = v[6:] {
			p := v[:18:18]
			a, b, c := max(p[3], p[6], p[9], p[12]), max(p[4], p[7], p[10], p[13]), max(p[5], p[8], p[11], p[14])
			p[0], p[1], p[2] = max(p[0], a), max(p[1], b), max(p[2], c)
			p[3], p[4], p[5] = max(a, p[15]), max(b, p[16]), max(c, p[17])
		}
	case 3:
		for ; len(v) >= 24; v = v[6:] {
			p := v[:24:24]
			a, b, c := max(p[3], p[6], p[9], p[12]), max(p[4], p[7], p[10], p[13]), max(p[5], p[8], p[11], p[14])
			a, b, c = max(a, p[15], p[18]), max(b, p[16], p[19]), max(c, p[17], p[20])
			p[0], p[1], p[2] = max(p[0], a), max(p[1], b), max(p[2], c)
			p[3], p[4], p[5] = max(a, p[21]), max(b, p[22]), max(c, p[23])
		}
	}
}

// greatestDown is greatestAlong for the first h rows of v, wide words each, which must have 2r+1 more below them.
func greatestDown(v []uint32, wide, h, r int) {
	for y := 0; y < h; y += 2 {
		row := func(k int) []uint32 { return v[(y+k)*wide:][:wide] }
		a, b, c, d, e, f := row(0), row(1), row(2), row(3), row(4), row(5)
		switch r {
		case 2:
			for i := range a {
				m := max(b[i], c[i], d[i], e[i])
				a[i], b[i] = max(a[i], m), max(m, f[i])
			}
		case 3:
			g, h := row(6), row(7)
			for i := range a {
				m := max(b[i], c[i], d[i], e[i], f[i], g[i])
				a[i], b[i] = max(a[i], m), max(m, h[i])
			}
		}
	}
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
