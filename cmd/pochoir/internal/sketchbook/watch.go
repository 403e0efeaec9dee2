package sketchbook

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"time"

	"pochoir/cmd/pochoir/internal/intake"
)

// Watch is Run, and then goes on for pictures that arrive in a folder, until ctx ends. A picture is taken once it is
// complete: when its size and time have not changed from one look to the next, every so often, and all its pages can be
// decoded. One that stays broken for brokenLooks looks is taken as it is and fails. Each batch ends like a run. ended is
// called after each, with what Run returns.
func Watch(ctx context.Context, c Config, folder string, every time.Duration, ended func(*Summary)) error {
	if _, err := os.ReadDir(folder); err != nil {
		return inFile(folder, bare(err))
	}
	r, err := open(c)
	if err != nil {
		return err
	}
	defer r.close()
	if err := r.addInputs(c.Inputs); err != nil {
		return err
	}
	w := &watch{folder: folder, seen: map[string]*arrival{}}
	ready, err := w.look(c.MaxMegapixels)
	first := true
	for {
		if err != nil {
			return err
		}
		if len(ready) > 0 || first {
			if err := r.addInputs(ready); err != nil {
				return err
			}
			r.hashes = map[string]*fileHash{}
			s, err := r.all(ctx)
			if err != nil {
				return err
			}
			ended(s)
			first = false
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(every):
		}
		ready, err = w.look(c.MaxMegapixels)
	}
}

// brokenLooks is how often a picture that does not change is looked at before it counts as broken.
const brokenLooks = 10

// watch remembers the files of a folder.
type watch struct {
	folder string
	seen   map[string]*arrival
}

// arrival is what was last seen of a file.
type arrival struct {
	size  int64
	time  time.Time
	still int // looks without a change
	taken bool
}

// look returns the files that have become complete since the last look.
func (w *watch) look(limit float64) ([]string, error) {
	files, err := picturesIn(w.folder)
	if err != nil {
		return nil, err
	}
	var ready []string
	for _, path := range files {
		info, err := os.Stat(path)
		if errors.Is(err, fs.ErrNotExist) {
			continue // gone again
		}
		if err != nil {
			return nil, inFile(path, bare(err))
		}
		a := w.seen[path]
		if a == nil {
			a = &arrival{size: -1}
			w.seen[path] = a
		}
		if a.size != info.Size() || !a.time.Equal(info.ModTime()) {
			*a = arrival{size: info.Size(), time: info.ModTime()}
			continue
		}
		a.still++
		if !a.taken && (a.still >= brokenLooks || whole(path, limit)) {
			a.taken = true
			ready = append(ready, path)
		}
	}
	return ready, nil
}

// whole reports whether all pages of a file can be decoded.
func whole(path string, limit float64) bool {
	f, err := intake.OpenFile(path, intake.Options{MaxMegapixels: limit})
	if err != nil {
		return false
	}
	defer f.Close()
	for n := range f.Pages() {
		if _, err := f.Page(n); err != nil && !errors.Is(err, intake.ErrUnsupported) && !errors.Is(err, intake.ErrNotPicture) {
			return false
		}
	}
	return true
}
