package main

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
)

// TestSameBytesOnAnotherProcessor builds the program for arm64, whose compiler may fuse a product with a sum into one
// rounding, runs it in Debian's qemu-aarch64 on pictures of every kind, and wants the very bytes that this processor
// gives.
func TestSameBytesOnAnotherProcessor(t *testing.T) {
	if testing.Short() {
		missing(t, "time to build the program anew (-short)")
	}
	if runtime.GOOS != "linux" || runtime.GOARCH == "arm64" {
		missing(t, "Linux on another processor than arm64")
	}
	qemu, err := exec.LookPath("qemu-aarch64")
	if err != nil {
		missing(t, "qemu-aarch64 (Debian qemu-user)")
	}
	dir := t.TempDir()
	program := filepath.Join(dir, "pochoir")
	build := exec.Command("go", "build", "-o", program, ".")
	build.Env = append(os.Environ(), "GOARCH=arm64", "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, name := range []string{"kettle.png", "crab-pot-ink.png", "gull-flat.png", "lantern-snapshot.jpg"} {
		picture, err := filepath.Abs(filepath.Join("..", "..", "testdata", "harbour", name))
		if err != nil {
			t.Fatal(err)
		}
		here := filepath.Join(dir, "drawing.svg")
		if code := run(&env{ctx: t.Context(), stdin: bytes.NewReader(nil), stdout: io.Discard, stderr: os.Stderr}, []string{"trace", picture, "-o", here}); code != exitDone {
			t.Fatalf("%s: exit code %d", name, code)
		}
		there := filepath.Join(dir, "arm64", "drawing.svg")
		if err := os.MkdirAll(filepath.Dir(there), 0o777); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.CommandContext(t.Context(), qemu, program, "trace", picture, "-o", there).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		want, err := os.ReadFile(here)
		if err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(there)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s: arm64 and %s draw different files", name, runtime.GOARCH)
		}
	}
}
