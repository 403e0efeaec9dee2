package large

import (
	"sync"
	"syscall"
)

// asked holds the chunks, by number, that large pages were asked for: memory that the collector hands out again keeps them.
var asked struct {
	sync.Mutex
	chunk map[uintptr]bool
}

// collapse is MADV_COLLAPSE of madvise(2), which Linux has since 6.1; page is a large page, bytes.
const (
	collapse = 25
	page     = chunk / 2
)

// ask asks for large pages (madvise(2), MADV_HUGEPAGE) in the chunks that hold these bytes, and so for what will lie
// beside them. Pages that small things have begun are exchanged for a large one. An error says only that there is none.
func ask(at, bytes uintptr) {
	asked.Lock()
	defer asked.Unlock()
	if asked.chunk == nil {
		asked.chunk = map[uintptr]bool{}
	}
	first, last := at/chunk, (at+bytes-1)/chunk
	for first <= last && asked.chunk[first] {
		first++
	}
	if first > last {
		return
	}
	for c := first; c <= last; c++ {
		asked.chunk[c] = true
	}
	_, _, _ = syscall.Syscall(syscall.SYS_MADVISE, first*chunk, (last-first+1)*chunk, syscall.MADV_HUGEPAGE)
	// One by one: the call ends at the first that cannot be exchanged. What lies between the first and the last chunk is new.
	for at := first * chunk; at < (last+1)*chunk; at += page {
		if c := at / chunk; c == first || c == last {
			exchange(at)
		}
	}
}

// exchange gives a large page for the small ones that have been begun from at on. Where one of them is busy the system says so
// and wants to be asked again.
func exchange(at uintptr) {
	const tries = 5
	for range tries {
		if _, _, err := syscall.Syscall(syscall.SYS_MADVISE, at, page, collapse); err != syscall.EAGAIN {
			return
		}
	}
}
