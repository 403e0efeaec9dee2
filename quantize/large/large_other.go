//go:build !linux

package large

func ask(at, bytes uintptr) {}
