// Package large makes room for bitmaps and lists of megabytes whose every page is soon written.
//
// A system hands memory out in pages of a few kilobytes, each as it is touched first. That costs from a fraction of a
// microsecond to a dozen (on a virtual machine whose host hands out memory in its turn), and adds up to the better part of
// decoding a picture, or more. Where the system has pages of megabytes and gives them to those who ask, these slices ask.
package large

import "unsafe"

// least is the size from which it is worth asking, bytes. What is smaller mostly comes to lie beside something larger.
const least = 64 << 10

// Begin has what the program holds by now, and what comes to lie beside it, moved to large pages. It is for a time from which on
// memory grows by small things.
func Begin() {
	// The one lies where there is room for little, the other where there is room for more.
	for _, n := range [2]int{512, least} {
		ask(uintptr(unsafe.Pointer(unsafe.SliceData(Make[byte](n)))), 1)
	}
}

// chunk is what the runtime gets from the system at a time, bytes, or a part of it; it begins at a multiple of its size. A
// large page is half of one.
const chunk = 4 << 20

// Make returns n values, all zero.
func Make[T any](n int) []T {
	s := make([]T, n)
	if size := uintptr(n) * unsafe.Sizeof(*new(T)); size >= least {
		ask(uintptr(unsafe.Pointer(unsafe.SliceData(s))), size)
	}
	return s
}
