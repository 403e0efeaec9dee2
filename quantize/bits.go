package quantize

import "math/bits"

// A bitmap is one bit a pixel: bit i%64 of word i/64 stands for pixel i, row by row without padding.

func bitmapLen(n int) int { return (n + 63) / 64 }

func bit(b []uint64, i int) bool { return b[i>>6]>>(uint(i)&63)&1 != 0 }

// setBits sets the bits from i up to but not including j.
func setBits(b []uint64, i, j int) {
	if i >= j {
		return
	}
	first, last := i>>6, (j-1)>>6
	lo, hi := ^uint64(0)<<(uint(i)&63), ^uint64(0)>>(63-uint(j-1)&63)
	if first == last {
		b[first] |= lo & hi
		return
	}
	b[first] |= lo
	for k := first + 1; k < last; k++ {
		b[k] = ^uint64(0)
	}
	b[last] |= hi
}

// clearBit clears bit i.
func clearBit(b []uint64, i int) { b[i>>6] &^= 1 << (uint(i) & 63) }

// countBits returns how many bits from i up to but not including j are set.
func countBits(b []uint64, i, j int) int {
	if i >= j {
		return 0
	}
	first, last := i>>6, (j-1)>>6
	lo, hi := ^uint64(0)<<(uint(i)&63), ^uint64(0)>>(63-uint(j-1)&63)
	if first == last {
		return bits.OnesCount64(b[first] & lo & hi)
	}
	n := bits.OnesCount64(b[first]&lo) + bits.OnesCount64(b[last]&hi)
	for k := first + 1; k < last; k++ {
		n += bits.OnesCount64(b[k])
	}
	return n
}

// nextSet returns the first bit that is set from i up to but not including end, end if there is none.
func nextSet(b []uint64, i, end int) int {
	for k := i >> 6; k<<6 < end; k++ {
		v := b[k]
		if k == i>>6 {
			v &= ^uint64(0) << (uint(i) & 63)
		}
		if v != 0 {
			return min(end, k<<6+bits.TrailingZeros64(v))
		}
	}
	return end
}

// nextClear returns the first bit that is clear from i up to but not including end, end if there is none.
func nextClear(b []uint64, i, end int) int {
	for k := i >> 6; k<<6 < end; k++ {
		v := ^b[k]
		if k == i>>6 {
			v &= ^uint64(0) << (uint(i) & 63)
		}
		if v != 0 {
			return min(end, k<<6+bits.TrailingZeros64(v))
		}
	}
	return end
}

// words calls do for parts of n words of a bitmap, on up to workers goroutines (0 means GOMAXPROCS). do may write only to
// its own words.
func words(n, workers int, do func(lo, hi int)) {
	const part = 1 << 14
	parallel((n+part-1)/part, workers, func(i int) { do(i*part, min((i+1)*part, n)) })
}

// shifted returns word k of the bitmap moved up by n places: bit i of the result is bit i-n of b, 0 below the start.
func shifted(b []uint64, k, n int) uint64 {
	w, s := k-n>>6, uint(n)&63
	var v uint64
	if w >= 0 {
		v = b[w] << s
	}
	if s != 0 && w >= 1 {
		v |= b[w-1] >> (64 - s)
	}
	return v
}

// shiftedDown returns word k of the bitmap moved down by n places: bit i of the result is bit i+n of b.
func shiftedDown(b []uint64, k, n int) uint64 {
	w, s := k+n>>6, uint(n)&63
	var v uint64
	if w < len(b) {
		v = b[w] >> s
	}
	if s != 0 && w+1 < len(b) {
		v |= b[w+1] << (64 - s)
	}
	return v
}
