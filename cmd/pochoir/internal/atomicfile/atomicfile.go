// Package atomicfile writes files that are either complete or not there: into a temporary file in the target's
// folder, which takes the target's name only when all is written. Safe to call concurrently.
package atomicfile

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// Write makes a file at path of what write puts out. An existing file is replaced at once and keeps its permissions;
// a link stays a link; after any error what was there before is there still. A device or a pipe is written to as it
// is. Errors of write come back as they are, others name the path.
func Write(path string, write func(io.Writer) error) error { return replace(path, write, true) }

// WriteUnsynced is Write for a file that can be made again: it does not wait until the disk has it. After a power cut,
// but by nothing less, the file may be there and not be whole.
func WriteUnsynced(path string, write func(io.Writer) error) error {
	return replace(path, write, false)
}

func replace(path string, write func(io.Writer) error, sync bool) error {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	mode := fs.FileMode(0)
	switch info, err := os.Stat(path); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return plain(path, err)
	case info.IsDir():
		return fmt.Errorf("%s: is a folder, not a file to write", path)
	case !info.Mode().IsRegular():
		return stream(path, write)
	default:
		mode = info.Mode().Perm()
	}
	temp, err := create(path)
	if err != nil {
		return plain(path, err)
	}
	if err := fill(temp, path, mode, write, sync); err != nil {
		temp.Close()
		os.Remove(temp.Name())
		return err
	}
	if err := os.Rename(temp.Name(), path); err != nil {
		os.Remove(temp.Name())
		return plain(path, err)
	}
	return nil
}

// tries is how many names create takes before it gives up; one is enough but for a freak.
const tries = 100

// create opens a new file beside path. Unlike os.CreateTemp it leaves the permissions to the user's mask.
func create(path string) (*os.File, error) {
	dir, base := filepath.Split(path)
	for i := 0; ; i++ {
		name := filepath.Join(dir, fmt.Sprintf(".%s.%08x.part", base, rand.Uint32()))
		f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
		if err == nil || i == tries || !errors.Is(err, fs.ErrExist) {
			return f, err
		}
	}
}

// fill writes, on request syncs, and closes f, the temporary file of path.
func fill(f *os.File, path string, mode fs.FileMode, write func(io.Writer) error, sync bool) error {
	w := bufio.NewWriterSize(f, 1<<16)
	if err := write(w); err != nil {
		return err
	}
	err := w.Flush()
	if err == nil && mode != 0 {
		err = f.Chmod(mode)
	}
	if err == nil && sync {
		err = f.Sync()
	}
	if err == nil {
		err = f.Close()
	}
	return plain(path, err)
}

// stream writes to something that is no regular file.
func stream(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return plain(path, err)
	}
	w := bufio.NewWriter(f)
	if err := write(w); err != nil {
		f.Close()
		return err
	}
	if err := errors.Join(w.Flush(), f.Close()); err != nil {
		return plain(path, err)
	}
	return nil
}

// plain names the file the user asked for, not the temporary one, in an error of the system.
func plain(path string, err error) error {
	if err == nil {
		return nil
	}
	var p *fs.PathError
	var l *os.LinkError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: cannot be written: the folder does not exist%w", path, quiet{err})
	case errors.As(err, &p):
		err = p.Err
	case errors.As(err, &l):
		err = l.Err
	}
	return fmt.Errorf("%s: cannot be written: %w", path, err)
}

// quiet wraps an error that is told in other words already.
type quiet struct{ err error }

func (quiet) Error() string   { return "" }
func (q quiet) Unwrap() error { return q.err }
