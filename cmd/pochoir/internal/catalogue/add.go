package catalogue

import (
	"context"
	"database/sql"
	"path"
	"runtime"
	"slices"
	"strings"
	"sync"
)

// Added is what became of one file.
type Added struct {
	Path    string // as given; of what is gone, as the catalogue keeps paths
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
// the same name, in their folder or elsewhere if they look like it, and by names such as boat.dusk.svg and boat-ink.svg to
// their master boat.svg, pictures likewise; packs to the drawings they were made of.
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
			var order []int // once all are as they are now, the longest names first: variants, then masters
			for i := range batch {
				if errs[i] == nil {
					order = append(order, i)
				}
			}
			slices.SortStableFunc(order, func(i, j int) int { return len(facts[j].Path) - len(facts[i].Path) })
			for _, i := range order {
				if err := c.connectByName(tx, &all[i], facts[i]); err != nil {
					return err
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

// connectByName links a new or corrected item to what its name, and for pictures elsewhere its look, say it was made from, and to a new master or
// picture what was made of it and was there before.
func (c *Catalogue) connectByName(tx *sql.Tx, a *Added, f *Facts) error {
	if a.Result == Unchanged {
		return nil
	}
	j := joiner{tx, a}
	switch f.Kind {
	case Picture, Drawing:
		if f.Kind == Drawing {
			if err := j.toPicture(f); err != nil {
				return err
			}
		}
		if err := j.toMaster(f); err != nil || a.Result != New {
			return err
		}
		if f.Kind == Picture {
			if err := j.toDrawings(f); err != nil {
				return err
			}
		}
		return j.toVariants(f)
	case Pack:
		return c.holds(j, f)
	}
	return nil
}

// joiner links items and tells of it.
type joiner struct {
	tx *sql.Tx
	a  *Added
}

// to links the item added to another.
func (j joiner) to(relation Relation, other *Item, note, words string) error {
	j.a.Linked = append(j.a.Linked, words+" "+other.Path)
	return connect(j.tx, j.a.ID, relation, other.ID, note, "")
}

// from links another item to the one added.
func (j joiner) from(relation Relation, other *Item, note, words string) error {
	j.a.Linked = append(j.a.Linked, words+" "+other.Path)
	return connect(j.tx, other.ID, relation, j.a.ID, note, "")
}

// alike reports whether two items look like copies.
func alike(x, y *Item) bool {
	return x.Look != nil && y.Look != nil && x.Look.Likeness(y.Look) >= DefaultLikeness
}

// toPicture links a drawing to the pictures of its name in its folder or, where there is none, to that of its name
// elsewhere which it looks like, if there is just one.
func (j joiner) toPicture(f *Item) error {
	all, err := list(j.tx, scanItem, "SELECT "+itemColumns+" FROM item WHERE stem = ? AND kind = 'picture' AND gone = 0 ORDER BY id", stem(f.Path))
	if err != nil {
		return err
	}
	var here, elsewhere []*Item
	for _, o := range all {
		switch {
		case path.Dir(o.Path) == path.Dir(f.Path):
			here = append(here, o)
		case alike(o, f):
			elsewhere = append(elsewhere, o)
		}
	}
	if len(here) == 0 && len(elsewhere) == 1 {
		here = elsewhere
	}
	for _, o := range here {
		if err := j.to(FromPicture, o, "", "drawn from"); err != nil {
			return err
		}
	}
	return nil
}

// toDrawings links the drawings of a picture's name that it looks like and that have no picture yet.
func (j joiner) toDrawings(f *Item) error {
	all, err := list(j.tx, scanItem, "SELECT "+itemColumns+` FROM item i WHERE stem = ? AND kind = 'drawing'
		AND NOT EXISTS (SELECT 1 FROM link WHERE item = i.id AND relation = 'picture') ORDER BY id`, stem(f.Path))
	if err != nil {
		return err
	}
	for _, o := range all {
		if path.Dir(o.Path) == path.Dir(f.Path) || alike(o, f) {
			if err := j.from(FromPicture, o, "", "picture of"); err != nil {
				return err
			}
		}
	}
	return nil
}

// variantWords are what the names of variants end in, after a hyphen: the same drawing with less or more in it.
var variantWords = []string{"ink", "line", "lines", "flat", "flats", "colour", "color", "outline", "silhouette"}

// variantOf reports whether x is by its name a variant of master, and which: boat.dusk and boat-ink are of boat. boat-2 is
// none: it may be the same drawn twice, and crab-pot is something else than crab.
func variantOf(x, master *Item) (note string, ok bool) {
	if x.Kind != master.Kind || path.Dir(x.Path) != path.Dir(master.Path) {
		return "", false
	}
	rest, found := strings.CutPrefix(stem(x.Path), stem(master.Path))
	if !found || len(rest) < 2 {
		return "", false
	}
	note = rest[1:]
	switch rest[0] {
	case '.':
		return note, x.Kind == Drawing && !strings.Contains(note, ".")
	case '-', '_':
		return note, slices.Contains(variantWords, strings.ToLower(note))
	}
	return "", false
}

// toMaster links a variant to its master, the one of the longest name that is there.
func (j joiner) toMaster(f *Item) error {
	name := stem(f.Path)
	for i := len(name) - 1; i > 0; i-- {
		if !strings.ContainsRune(".-_", rune(name[i])) {
			continue
		}
		masters, err := list(j.tx, scanItem, "SELECT "+itemColumns+" FROM item WHERE stem = ? AND kind = ? AND id <> ? ORDER BY gone, id", name[:i], f.Kind, j.a.ID)
		if err != nil {
			return err
		}
		for _, m := range masters {
			if note, ok := variantOf(f, m); ok {
				return j.to(FromMaster, m, note, "variant of")
			}
		}
	}
	return nil
}

// toVariants links the variants of a master that have none yet.
func (j joiner) toVariants(f *Item) error {
	for _, sign := range []string{"-", ".", "_"} {
		first := stem(f.Path) + sign
		all, err := list(j.tx, scanItem, "SELECT "+itemColumns+` FROM item i WHERE stem > ? AND stem < ? AND kind = ? AND id <> ?
			AND NOT EXISTS (SELECT 1 FROM link WHERE item = i.id AND relation = 'master') ORDER BY id`,
			first, first+"\U0010ffff", f.Kind, j.a.ID)
		if err != nil {
			return err
		}
		for _, v := range all {
			if note, ok := variantOf(v, f); ok {
				if err := j.from(FromMaster, v, note, "master of"); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// holds links a pack to the drawings that its table names.
func (c *Catalogue) holds(j joiner, f *Item) error {
	names, err := packed(c.Locate(f.Path))
	if err != nil {
		return err
	}
	for _, n := range names {
		all, err := list(j.tx, scanItem, "SELECT "+itemColumns+" FROM item WHERE stem = ? AND kind = 'drawing' AND gone = 0 LIMIT 2", n)
		if err != nil {
			return err
		}
		if len(all) != 1 {
			j.a.Unknown = append(j.a.Unknown, n)
			continue
		}
		if err := j.to(Holds, all[0], "", "holds"); err != nil {
			return err
		}
	}
	return nil
}
