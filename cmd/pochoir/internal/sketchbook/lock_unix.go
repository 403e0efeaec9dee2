//go:build unix

package sketchbook

import (
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// errQuota is what the system says when the user's share of the disk is used up.
var errQuota error = syscall.EDQUOT

// lockFile takes the lock of a folder, which the system gives back when the program ends, however it ends.
func lockFile(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) }
