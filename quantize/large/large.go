// Package large makes room for bitmaps: slices of megabytes whose every page is soon written.
//
// A system hands memory out in pages of a few kilobytes, each as it is touched first, at one to two microseconds; for the
// bitmap of a photograph that adds up to the better part of decoding it. Where the system has pages of megabytes and gives
// them to those who ask, these slices ask.
package large

// least is the size from which it is worth asking, bytes: below it hardly a large page fits in.
const least = 4 << 20

// Bytes returns n bytes, all zero.
func Bytes(n int) []uint8 {
	b := make([]uint8, n)
	if n >= least {
		ask(b)
	}
	return b
}
