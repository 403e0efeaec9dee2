package catalogue

import (
	"context"
	"database/sql"
	"path"
	"runtime"
	"strings"
	"sync"
)

// Added is what became of one file.
type Added struct {
	Path    string // as given
	From    string // where the file was before, as the catalogue keeps paths; for Moved only
	ID      int64
	Result  Result
	SameAs  string   // the path of another item of the same content whose file is still there, "" for none
	Linked  []string // what it was linked to, in words: "drawn from boat.png"
	Unknown []string // names in a pack's table that no item has
	Err     error    // why it could not be read; nothing was changed then
}

// Result says what became of a file.
type Result string

const (
	New       Result = "new"
	Unchanged Result = "unchanged"
	Corrected Result = "corrected" // the file at this path has a new content
	Moved     Result = "moved"     // this content was at another path before
	Gone      Result = "gone"      // a scan no longer found the file
	Failed    Result = "failed"
)

// commitEvery is how many files are put into the catalogue at once: others wait no longer than that takes, and no more
// than that is lost by a crash.
const commitEvery = 64

// Add puts files into the catalogue, or reads again what is there already, and calls told for each in the order given.
// kind "" is found out. A file that cannot be read is told of and passed over. Drawings are linked to the picture of
// the same name in their folder and, by names such as boat.dusk.svg, to their master boat.svg; packs to the drawings
// they were made of.
func (c *Catalogue) Add(ctx context.Context, paths []string, kind Kind, told func(Added)) error {
	for start := 0; start < len(paths); start += commitEvery {
		batch := paths[start:min(start+commitEvery, len(paths))]
		facts, errs := inspectAll(ctx, batch, kind)
		if err := ctx.Err(); err != nil {
			return err
		}
		all := make([]Added, len(batch))
		err := c.change(func(tx *sql.Tx) error {
			for i, p := range batch {
				all[i] = Added{Path: p, Result: Failed, Err: errs[i]}
				if errs[i] != nil {
					continue
				}
				var err error
				if all[i], err = c.add(tx, p, facts[i]); err != nil {
					return err
				}
			}
			for _, variants := range []bool{true, false} { // once all are as they are now
				for i := range batch {
					if errs[i] == nil && strings.Contains(stem(facts[i].Path), ".") == variants {
						if err := c.connectByName(tx, &all[i], facts[i]); err != nil {
							return err
						}
					}
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		for _, a := range all {
			told(a)
		}
	}
	return nil
}

// inspectAll inspects files on all processors.
func inspectAll(ctx context.Context, paths []string, kind Kind) ([]*Facts, []error) {
	facts, errs := make([]*Facts, len(paths)), make([]error, len(paths))
	next := make(chan int)
	var wg sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(paths)) {
		wg.Go(func() {
			for i := range next {
				facts[i], errs[i] = Inspect(paths[i], kind)
			}
		})
	}
	for i := range paths {
		if ctx.Err() != nil {
			break
		}
		next <- i
	}
	close(next)
	wg.Wait()
	return facts, errs
}

// add puts one inspected file into the catalogue.
func (c *Catalogue) add(tx *sql.Tx, given string, f *Facts) (Added, error) {
	a := Added{Path: given, Result: New}
	stored, err := c.stored(given)
	if err != nil {
		return a, err
	}
	old, err := atPath(tx, stored)
	if err != nil {
		return a, err
	}
	f.ID, f.Path = old, stored
	if old != 0 {
		was, err := get(tx, old)
		if err != nil {
			return a, err
		}
		a.Result = Unchanged
		if was.Hash != f.Hash {
			a.Result = Corrected
		}
		f.Added = was.Added
		keepWords(f, was)
	}
	if a.ID, err = put(tx, f); err != nil {
		return a, err
	}
	if a.Result == New {
		var event Event
		switch f.Kind {
		case Picture:
			event.State = Drawn
		case Drawing:
			event.State = Traced
		}
		if event.State != "" {
			if err := record(tx, a.ID, event); err != nil {
				return a, err
			}
		}
	}
	return a, tx.QueryRow("SELECT coalesce((SELECT path FROM item WHERE hash = ? AND id <> ? AND gone = 0 ORDER BY id LIMIT 1), '')",
		f.Hash, a.ID).Scan(&a.SameAs)
}

// keepWords puts what the user wrote in the catalogue over what the file says.
func keepWords(f, was *Facts) {
	if was.Title != "" {
		f.Title = was.Title
	}
	if was.Description != "" {
		f.Description = was.Description
	}
	if len(was.Keywords) > 0 {
		f.Keywords = was.Keywords
	}
}

// connectByName links a new or corrected item to what its name says it was made from, and to a new master the variants
// that were there before it.
func (c *Catalogue) connectByName(tx *sql.Tx, a *Added, f *Facts) error {
	if a.Result == Unchanged {
		return nil
	}
	stored := f.Path
	join := func(relation Relation, other int64, note, words string) error {
		var p string
		if err := tx.QueryRow("SELECT path FROM item WHERE id = ?", other).Scan(&p); err != nil {
			return err
		}
		a.Linked = append(a.Linked, words+" "+p)
		return connect(tx, a.ID, relation, other, note, "")
	}
	switch f.Kind {
	case Drawing:
		name, folder := stem(stored), path.Dir(stored)
		others, err := list(tx, scanItem, "SELECT "+itemColumns+" FROM item WHERE stem = ? AND kind = 'picture' AND gone = 0 ORDER BY id", name)
		if err != nil {
			return err
		}
		for _, o := range others {
			if path.Dir(o.Path) == folder {
				if err := join(FromPicture, o.ID, "", "drawn from"); err != nil {
					return err
				}
			}
		}
		if dot := strings.LastIndexByte(name, '.'); dot > 0 {
			master, err := first(tx, "SELECT id FROM item WHERE path = ? AND id <> ?", path.Join(folder, name[:dot]+".svg"), a.ID)
			if err != nil || master == 0 {
				return err
			}
			return join(FromMaster, master, name[dot+1:], "variant of")
		}
		if a.Result == New {
			variants, err := list(tx, scanItem, "SELECT "+itemColumns+` FROM item i WHERE stem > ?1 || '.' AND stem < ?1 || '/' AND kind = 'drawing'
				AND NOT EXISTS (SELECT 1 FROM link WHERE item = i.id AND relation = 'master') ORDER BY id`, name)
			if err != nil {
				return err
			}
			for _, v := range variants {
				if note := strings.TrimPrefix(stem(v.Path), name+"."); path.Dir(v.Path) == folder && !strings.Contains(note, ".") {
					if err := connect(tx, v.ID, FromMaster, a.ID, note, ""); err != nil {
						return err
					}
					a.Linked = append(a.Linked, "master of "+v.Path)
				}
			}
		}
	case Pack:
		names, err := packed(c.Locate(stored))
		if err != nil {
			return err
		}
		for _, n := range names {
			ids, err := list(tx, scanID, "SELECT id FROM item WHERE stem = ? AND kind = 'drawing' AND gone = 0 LIMIT 2", n)
			if err != nil {
				return err
			}
			if len(ids) != 1 {
				a.Unknown = append(a.Unknown, n)
				continue
			}
			if err := join(Holds, ids[0], "", "holds"); err != nil {
				return err
			}
		}
	}
	return nil
}
