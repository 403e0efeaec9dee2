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

// collapse is MADV_COLLAPSE of madvise(2), which Linux has since 6.1.
const collapse = 25

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
	for _, advice := range [2]uintptr{syscall.MADV_HUGEPAGE, collapse} {
		_, _, _ = syscall.Syscall(syscall.SYS_MADVISE, first*chunk, (last-first+1)*chunk, advice)
	}
}
