package sketchbook

import (
	"os"

	"golang.org/x/sys/windows"
)

// errQuota is what the system says when the disk is full.
var errQuota error = windows.ERROR_DISK_FULL

// lockFile takes the lock of a folder, which the system gives back when the program ends, however it ends.
func lockFile(f *os.File) error {
	return windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, new(windows.Overlapped))
}
