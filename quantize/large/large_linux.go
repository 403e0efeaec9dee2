package large

import "syscall"

// ask asks for large pages (madvise(2), MADV_HUGEPAGE). The runtime begins what is as large as this on a page, so none is
// shared with anything else. An error says only that there are none.
func ask(b []uint8) { _ = syscall.Madvise(b, syscall.MADV_HUGEPAGE) }
