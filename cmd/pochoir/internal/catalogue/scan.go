package catalogue

import (
	"context"
	"database/sql"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"sort"
	"strings"
	"sync"
)

// ScanOptions steer Scan. The zero value takes in everything.
type ScanOptions struct {
	KnownOnly bool // follow what is known, add nothing
	Kind      Kind // of new pictures: Picture, or Reference for a folder of photographs; "" means Picture
}

// endings are those of the files a scan takes for pictures.
var endings = []string{".bmp", ".gif", ".jpeg", ".jpg", ".png", ".tif", ".tiff", ".webp"}

// found is a file, or the folder of a pack, that a scan came across.
type found struct {
	path, stored string
	kind         Kind // Drawing or Pack for sure, else Picture
	bytes        int64
	modified     int64
	hash         string // "" until it is needed
	err          error
	item         *known // the item at this path
	look         *Look  // of the content now, where it was needed
}

// known is what a scan needs to know of an item.
type known struct {
	id       int64
	kind     Kind
	path     string
	hash     string
	bytes    int64
	modified int64
	gone     bool
	look     *Look
}

// Scan goes through a folder and all below it, and brings the catalogue up to date: files moved or renamed are followed
// by their content, corrected ones read again, new ones added, and items whose file is no longer there marked as gone
// (they are kept; a file that turns up again is recognised). A known content at another path counts as moved when its
// old path is empty or holds another drawing; when the old path holds something that still looks like it, that is the
// corrected drawing and the other file a copy. Hidden files, proofs and the insides of packs are passed over. told is
// called for everything that is not unchanged.
func (c *Catalogue) Scan(ctx context.Context, folder string, opt ScanOptions, told func(Added)) error {
	files, err := c.walk(ctx, folder)
	if err != nil {
		return err
	}
	items, err := list(c.db, func(r row) (*known, error) {
		k := &known{}
		var blob []byte
		err := r.Scan(&k.id, &k.kind, &k.path, &k.hash, &k.bytes, &k.modified, &k.gone, &blob)
		k.look = lookOf(blob)
		return k, err
	}, "SELECT id, kind, path, hash, bytes, modified, gone, look FROM item ORDER BY id")
	if err != nil {
		return c.wrap(err)
	}
	at, byHash := map[string]*known{}, map[string][]*known{}
	for _, k := range items {
		at[k.path] = k
		byHash[k.hash] = append(byHash[k.hash], k)
	}
	present := map[string]*found{}
	var changed []*found // all that cannot be told to be unchanged by size and time
	for _, f := range files {
		present[f.stored] = f
		f.item = at[f.stored]
		if k := f.item; k == nil || k.gone || k.bytes != f.bytes || k.modified != f.modified || f.kind == Pack {
			changed = append(changed, f)
		}
	}
	if err := each(ctx, changed, func(f *found) {
		if f.kind == Pack {
			f.bytes, f.hash, f.err = hashFolder(f.path)
		} else {
			f.hash, f.err = hashFile(f.path)
		}
	}); err != nil {
		return err
	}
	var touched, rest []*found
	for _, f := range changed {
		switch {
		case f.err != nil:
			told(Added{Path: f.path, Result: Failed, Err: f.err})
		case f.item != nil && f.item.hash == f.hash:
			touched = append(touched, f)
		default:
			rest = append(rest, f)
		}
	}
	// which items have left their path?
	left := func(k *known) bool {
		f, ok := present[k.path]
		switch {
		case !ok:
			_, err := os.Lstat(c.Locate(k.path))
			return err != nil
		case f.hash == "" || f.hash == k.hash || f.err != nil:
			return false
		}
		if f.look == nil && k.look != nil && k.kind != Pack {
			if facts, err := Inspect(f.path, k.kind); err == nil {
				f.look = facts.Look
			}
		}
		return f.look == nil || k.look == nil || f.look.Likeness(k.look) < DefaultLikeness
	}
	moved := map[*known]*found{}
	var other []*found
	for _, f := range rest {
		var best *known
		for _, k := range byHash[f.hash] {
			if moved[k] == nil && (best == nil || path.Base(k.path) == path.Base(f.stored) && path.Base(best.path) != path.Base(f.stored)) && left(k) {
				best = k
			}
		}
		if best != nil {
			moved[best] = f
		} else {
			other = append(other, f)
		}
	}
	if err := c.follow(touched, moved, told); err != nil {
		return err
	}
	return c.takeIn(ctx, folder, other, items, present, moved, opt, told)
}

// takeIn adds what is new or corrected, and marks as gone what a scan has not found.
func (c *Catalogue) takeIn(ctx context.Context, folder string, files []*found, items []*known, present map[string]*found,
	moved map[*known]*found, opt ScanOptions, told func(Added)) error {
	byKind := map[Kind][]string{}
	for _, f := range files {
		kind := f.kind
		switch {
		case f.item != nil && moved[f.item] == nil:
			kind = f.item.kind
		case opt.KnownOnly:
			continue
		case kind == Picture && opt.Kind != "":
			kind = opt.Kind
		}
		byKind[kind] = append(byKind[kind], f.path)
	}
	// pictures before the drawings made of them, and drawings before the packs that hold them
	for _, kind := range []Kind{Reference, Picture, Drawing, Pack} {
		if err := c.Add(ctx, byKind[kind], kind, told); err != nil {
			return err
		}
	}
	base, err := c.stored(folder)
	if err != nil {
		return err
	}
	taken := map[string]bool{} // paths at which a moved file now lies
	for _, f := range moved {
		taken[f.stored] = true
	}
	var gone []*known
	for _, k := range items {
		if taken[k.path] && moved[k] == nil {
			gone = append(gone, k) // follow has marked it
			continue
		}
		inside := base == "." && !path.IsAbs(k.path) || k.path == base || strings.HasPrefix(k.path, strings.TrimSuffix(base, "/")+"/")
		if !inside || k.gone || present[k.path] != nil || moved[k] != nil {
			continue
		}
		if _, err := os.Lstat(c.Locate(k.path)); err != nil { // not merely passed over
			gone = append(gone, k)
		}
	}
	err = c.change(func(tx *sql.Tx) error {
		for _, k := range gone {
			if _, err := tx.Exec("UPDATE item SET gone = 1 WHERE id = ? AND path = ?", k.id, k.path); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, k := range gone {
		told(Added{Path: k.path, ID: k.id, Result: Gone})
	}
	return nil
}

// follow gives moved items their new paths, and notes times and sizes of files that were merely touched.
func (c *Catalogue) follow(touched []*found, moved map[*known]*found, told func(Added)) error {
	movers := make([]*known, 0, len(moved))
	for k := range moved {
		movers = append(movers, k)
	}
	sort.Slice(movers, func(i, j int) bool { return moved[movers[i]].stored < moved[movers[j]].stored })
	err := c.change(func(tx *sql.Tx) error {
		for _, f := range touched {
			if _, err := tx.Exec("UPDATE item SET bytes = ?, modified = ?, gone = 0 WHERE id = ? AND hash = ?", f.bytes, f.modified, f.item.id, f.hash); err != nil {
				return err
			}
		}
		for _, k := range movers { // first off their paths, so that two may have swapped them
			if _, err := tx.Exec("UPDATE item SET path = ? WHERE id = ? AND path = ?", fmt.Sprintf("#moving %d", k.id), k.id, k.path); err != nil {
				return err
			}
		}
		for _, k := range movers {
			f := moved[k]
			if err := vacate(tx, f.stored, k.id); err != nil {
				return err
			}
			it, err := get(tx, k.id)
			if err != nil {
				return err
			}
			if it == nil { // forgotten meanwhile
				continue
			}
			it.Path, it.Bytes, it.Modified, it.Gone = f.stored, f.bytes, f.modified, false
			if _, err := put(tx, it); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, k := range movers {
		told(Added{Path: moved[k].path, From: k.path, ID: k.id, Result: Moved})
	}
	return nil
}

// walk lists the files of a folder and all below it, by path.
func (c *Catalogue) walk(ctx context.Context, folder string) ([]*found, error) {
	var files []*found
	err := filepath.WalkDir(folder, func(p string, d fs.DirEntry, err error) error {
		if err == nil {
			err = ctx.Err()
		}
		switch {
		case err != nil:
			return fmt.Errorf("%s: cannot be read: %w", p, cause(err))
		case p != folder && strings.HasPrefix(d.Name(), "."):
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		case d.IsDir():
			if _, err := os.Stat(filepath.Join(p, packTable)); err != nil || p == folder {
				return nil
			}
			f := &found{path: p, kind: Pack}
			if info, err := d.Info(); err == nil {
				f.modified = info.ModTime().UnixNano()
			}
			if f.stored, err = c.stored(p); err != nil {
				return err
			}
			files = append(files, f)
			return fs.SkipDir
		case !d.Type().IsRegular():
			return nil
		}
		f := &found{path: p, kind: Picture}
		ending := strings.ToLower(filepath.Ext(p))
		switch {
		case ending == ".svg":
			f.kind = Drawing
		case !slices.Contains(endings, ending), strings.HasSuffix(strings.ToLower(p), ".proof.png"):
			return nil
		}
		info, err := d.Info()
		if err != nil {
			return nil // removed since the folder was listed
		}
		f.bytes, f.modified = info.Size(), info.ModTime().UnixNano()
		f.stored, err = c.stored(p)
		files = append(files, f)
		return err
	})
	return files, err
}

// each calls do for all files on all processors.
func each(ctx context.Context, files []*found, do func(*found)) error {
	next := make(chan *found)
	var wg sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(files)) {
		wg.Go(func() {
			for f := range next {
				do(f)
			}
		})
	}
	for _, f := range files {
		if ctx.Err() != nil {
			break
		}
		next <- f
	}
	close(next)
	wg.Wait()
	return ctx.Err()
}
