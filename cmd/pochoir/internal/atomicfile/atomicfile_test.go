package atomicfile

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
}

// only fails the test unless dir holds exactly the named files.
func only(t *testing.T, dir string, names ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, e.Name())
	}
	if strings.Join(got, " ") != strings.Join(names, " ") {
		t.Errorf("the folder holds %q, want %q", got, names)
	}
}

func content(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestWrite(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lantern.svg")
	for _, s := range []string{"first", "second, longer", ""} {
		if err := Write(path, text(s)); err != nil {
			t.Fatal(err)
		}
		if got := content(t, path); got != s {
			t.Errorf("the file holds %q, want %q", got, s)
		}
		only(t, dir, "lantern.svg")
	}
}

func TestFailureLeavesWhatWasThere(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lantern.svg")
	fault := errors.New("lamp out")
	fail := func(w io.Writer) error {
		io.WriteString(w, strings.Repeat("half a drawing", 10000))
		return fault
	}
	if err := Write(path, fail); err != fault {
		t.Errorf("%v, want the writer's own error", err)
	}
	only(t, dir)
	if err := Write(path, text("whole")); err != nil {
		t.Fatal(err)
	}
	if err := Write(path, fail); err != fault {
		t.Errorf("%v, want the writer's own error", err)
	}
	only(t, dir, "lantern.svg")
	if got := content(t, path); got != "whole" {
		t.Errorf("the old file now holds %q", got)
	}
}

func TestKeepsModeAndLink(t *testing.T) {
	if runtime.GOOS == "windows" {
		missing(t, "no Unix permissions here")
	}
	dir := t.TempDir()
	real, link := filepath.Join(dir, "a.svg"), filepath.Join(dir, "b.svg")
	if err := os.WriteFile(real, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(real, 0o640); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("a.svg", link); err != nil {
		t.Fatal(err)
	}
	if err := Write(link, text("x")); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(real); err != nil || info.Mode().Perm() != 0o640 {
		t.Errorf("mode %v (%v), want 0640", info.Mode(), err)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&fs.ModeSymlink == 0 {
		t.Errorf("the link became %v (%v)", info.Mode(), err)
	}
	if got := content(t, real); got != "x" {
		t.Errorf("the linked file holds %q", got)
	}
}

func TestErrorsNameTheFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "no", "such", "x.svg")
	err := Write(path, text("x"))
	if !errors.Is(err, fs.ErrNotExist) || err.Error() != path+": cannot be written: the folder does not exist" {
		t.Errorf("%v", err)
	}
	if err := Write(dir, text("x")); err == nil || err.Error() != dir+": is a folder, not a file to write" {
		t.Errorf("%v", err)
	}
}

func TestDevice(t *testing.T) {
	if _, err := os.Stat(os.DevNull); err != nil || runtime.GOOS == "windows" {
		missing(t, "no null device in the file system")
	}
	if err := Write(os.DevNull, text("x")); err != nil {
		t.Error(err)
	}
}

// missing skips a test for want of a part of the system, and fails it on the continuous integration machine.
func missing(t *testing.T, why string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatal(why)
	}
	t.Skip(why)
}
