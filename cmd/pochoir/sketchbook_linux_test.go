package main

import (
	"errors"
	"os"
	"os/exec"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// TestSketchbookDiskFull lets the disk, a small one in memory, fill up in the middle of a run. What is finished must stay
// as it is; with more room the next run ends like one that was never disturbed.
func TestSketchbookDiskFull(t *testing.T) {
	t.Chdir(t.TempDir())
	album(t, "pages", 10, 4, 72)
	if r := call(t, nil, "sketchbook", "pages", "-o", "calm", "-q"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	want := tree(t, "calm")
	if err := os.Mkdir("full", 0o755); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("tmpfs", "full", "tmpfs", 0, "size=420k"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("a small disk cannot be mounted: mount tmpfs: %v", err)
		}
		t.Skipf("needs to mount a small disk: mount tmpfs: %v", err)
	}
	defer unix.Unmount("full", unix.MNT_DETACH)
	for _, size := range []string{"size=420k", "size=700k"} {
		if err := unix.Mount("tmpfs", "full", "tmpfs", unix.MS_REMOUNT, size); err != nil {
			t.Fatal(err)
		}
		c := program(t, "sketchbook", "pages", "-o", "full")
		var said strings.Builder
		c.Stderr = &said
		var exit *exec.ExitError
		if err := c.Run(); !errors.As(err, &exit) || exit.ExitCode() != exitFailed {
			t.Fatalf("%v, want exit code %d\n%s", err, exitFailed, said.String())
		}
		if !strings.Contains(said.String(), "no space left on device: what is finished is safe; make room and run it again") {
			t.Errorf("the cause is not told:\n%s", said.String())
		}
		finished := 0
		for name, b := range tree(t, "full") {
			if !strings.HasSuffix(name, ".svg") && !strings.HasPrefix(name, "plates/") {
				continue
			}
			finished++
			if b != want[name] {
				t.Errorf("%s is not what it should be: %d bytes, want %d", name, len(b), len(want[name]))
			}
		}
		t.Logf("%s: %d drawings and plates of %d finished", size, finished, 80)
		if finished == 0 {
			t.Error("nothing was finished: the disk is too small for the test")
		}
	}
	if err := unix.Mount("tmpfs", "full", "tmpfs", unix.MS_REMOUNT, "size=64m"); err != nil {
		t.Fatal(err)
	}
	r := call(t, nil, "sketchbook", "pages", "-o", "full")
	if r.code != 0 || !strings.Contains(r.errors, " done before") {
		t.Errorf("%+v", r)
	}
	sameTree(t, want, tree(t, "full"))
}
