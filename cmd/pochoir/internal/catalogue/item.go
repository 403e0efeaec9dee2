package catalogue

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/quantize/colour"
)

// Kind says what an item is.
type Kind string

const (
	Picture   Kind = "picture"   // a digital drawing, scan or snapshot
	Drawing   Kind = "drawing"   // an SVG file
	Pack      Kind = "pack"      // a folder handed over for sale
	Reference Kind = "reference" // a photograph drawn from
)

// Kinds lists all kinds.
var Kinds = []Kind{Picture, Drawing, Pack, Reference}

// ParseKind reads the name of a kind.
func ParseKind(s string) (Kind, error) {
	for _, k := range Kinds {
		if s == string(k) {
			return k, nil
		}
	}
	return "", errorf("kind %q, want picture, drawing, pack or reference", short(s))
}

// Swatch is a colour of an item.
type Swatch struct {
	Name   string
	Colour colour.RGB
	Share  float64 // of the painted area, 0..1
}

// Item is one entry of the catalogue.
type Item struct {
	ID            int64
	Kind          Kind
	Path          string // as the catalogue keeps it, see Catalogue.Locate
	Hash          string // SHA-256 of the content, hex
	Bytes         int64
	Modified      int64   // when the content was read: the file's time of last change, ns since 1970
	Width, Height float64 // px, 0 where unknown
	Title         string
	Description   string
	Keywords      []string
	Palette       []Swatch
	Look          *Look  // nil where there is none: blank pictures, packs
	Added         string // day, YYYY-MM-DD
	Gone          bool   // a scan no longer found the file
}

// maxText bounds a title, a description and a keyword, in bytes, against files that are no text.
const maxText = 1 << 20

// clean checks what users write and brings it into one form: no white space around, keywords on one line and without
// repetition.
func clean(title, description string, keywords []string) (string, string, []string, error) {
	for _, s := range append([]string{title, description}, keywords...) {
		if !utf8.ValidString(s) {
			return "", "", nil, errorf("%q is not UTF-8", short(s))
		}
		if strings.ContainsRune(s, 0) {
			return "", "", nil, errorf("%q holds a null character", short(s))
		}
		if len(s) > maxText {
			return "", "", nil, errorf("%q… is longer than %d MB", short(s), maxText>>20)
		}
	}
	var words []string
	seen := map[string]bool{}
	for _, k := range keywords {
		k = strings.Join(strings.Fields(k), " ")
		if f := meta.Fold(k); f != "" && !seen[f] {
			seen[f] = true
			words = append(words, k)
		}
	}
	return tidy(title), tidy(description), words, nil
}

// tidy brings text into one form: no white space around, line ends as line feeds.
func tidy(s string) string { return strings.TrimSpace(lineEnds.Replace(s)) }

var lineEnds = strings.NewReplacer("\r\n", "\n", "\r", "\n")

// today is the day of new entries, YYYY-MM-DD.
func today() string { return time.Now().Format(time.DateOnly) }

// put inserts it, or updates the item of its ID where that is not 0, and returns the ID.
func put(tx *sql.Tx, it *Item) (int64, error) {
	title, description, keywords, err := clean(it.Title, it.Description, it.Keywords)
	if err != nil {
		return 0, err
	}
	if it.Added == "" {
		it.Added = today()
	}
	var look any
	if it.Look != nil {
		look = it.Look.blob()
	}
	row := []any{it.Kind, it.Path, stem(it.Path), it.Hash, it.Bytes, it.Modified, it.Width, it.Height, title, description,
		look, it.Added, it.Gone}
	id := it.ID
	if id == 0 {
		res, err := tx.Exec(`INSERT INTO item (kind, path, stem, hash, bytes, modified, width, height, title, description,
			look, added, gone) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, row...)
		if err != nil {
			return 0, err
		}
		if id, err = res.LastInsertId(); err != nil {
			return 0, err
		}
	} else {
		if _, err := tx.Exec(`UPDATE item SET kind = ?, path = ?, stem = ?, hash = ?, bytes = ?, modified = ?, width = ?,
			height = ?, title = ?, description = ?, look = ?, added = ?, gone = ? WHERE id = ?`, append(row, id)...); err != nil {
			return 0, err
		}
		for _, table := range []string{"keyword", "swatch", "lookup"} {
			if _, err := tx.Exec("DELETE FROM "+table+" WHERE item = ?", id); err != nil {
				return 0, err
			}
		}
	}
	// all rows of a table at once, as JSON: a statement costs more than a row
	var words, swatches [][]any
	for _, k := range keywords {
		words = append(words, []any{k, meta.Fold(k)})
	}
	for _, s := range it.Palette {
		swatches = append(swatches, []any{s.Name, tint(s.Colour), s.Share})
	}
	var looks []int64
	if it.Look != nil {
		keys := it.Look.keys()
		looks = keys[:]
	}
	for _, rows := range []struct {
		query string
		n     int
		of    any
	}{
		{"INSERT INTO keyword SELECT ?, key, value ->> 0, value ->> 1 FROM json_each(?)", len(words), words},
		{"INSERT INTO swatch SELECT ?, key, value ->> 0, value ->> 1, CAST(value ->> 2 AS REAL) FROM json_each(?)", len(swatches), swatches},
		{"INSERT INTO lookup (item, key) SELECT ?, value FROM json_each(?)", len(looks), looks},
	} {
		if rows.n == 0 {
			continue
		}
		b, err := json.Marshal(rows.of)
		if err != nil {
			return 0, err
		}
		if _, err := tx.Exec(rows.query, id, string(b)); err != nil {
			return 0, err
		}
	}
	return id, nil
}

// row is a query's result, one line of it.
type row interface{ Scan(dst ...any) error }

const itemColumns = "id, kind, path, hash, bytes, modified, width, height, title, description, look, added, gone"

func scanItem(r row) (*Item, error) {
	it := &Item{}
	var look []byte
	err := r.Scan(&it.ID, &it.Kind, &it.Path, &it.Hash, &it.Bytes, &it.Modified, &it.Width, &it.Height, &it.Title,
		&it.Description, &look, &it.Added, &it.Gone)
	if err != nil {
		return nil, err
	}
	it.Look = lookOf(look)
	return it, nil
}

// list runs a query and collects its rows.
func list[T any](q interface {
	QueryContext(context.Context, string, ...any) (*sql.Rows, error)
}, scan func(row) (T, error), query string, args ...any) ([]T, error) {
	rows, err := q.QueryContext(context.Background(), query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

func scanString(r row) (s string, err error) { return s, r.Scan(&s) }
func scanID(r row) (id int64, err error)     { return id, r.Scan(&id) }

// get returns an item with all that belongs to it, and nil where there is none of that ID.
func get(tx *sql.Tx, id int64) (*Item, error) {
	it, err := scanItem(tx.QueryRow("SELECT "+itemColumns+" FROM item WHERE id = ?", id))
	if err == sql.ErrNoRows {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return it, fill(tx, it)
}

// fill reads the keywords and the palette of an item.
func fill(tx *sql.Tx, it *Item) (err error) {
	if it.Keywords, err = list(tx, scanString, "SELECT word FROM keyword WHERE item = ? ORDER BY place", it.ID); err != nil {
		return err
	}
	it.Palette, err = list(tx, scanSwatch, "SELECT name, colour, share FROM swatch WHERE item = ? ORDER BY place", it.ID)
	return err
}

func scanSwatch(r row) (Swatch, error) {
	var s Swatch
	var t int64
	err := r.Scan(&s.Name, &t, &s.Share)
	s.Colour = untint(t)
	return s, err
}

// atPath returns the ID of the item whose file is at that path, as the catalogue keeps paths, or 0.
func atPath(tx *sql.Tx, stored string) (int64, error) {
	return first(tx, "SELECT id FROM item WHERE path = ?", stored)
}

// vacate makes a path free for another item: the one that has it is gone, and keeps the path with its number.
func vacate(tx *sql.Tx, stored string, other int64) error {
	id, err := atPath(tx, stored)
	if err != nil || id == 0 || id == other {
		return err
	}
	free := stored
	for taken := id; taken != 0 && err == nil; taken, err = atPath(tx, free) {
		free += fmt.Sprintf("#%d", id)
	}
	if err == nil {
		_, err = tx.Exec("UPDATE item SET path = ?, gone = 1 WHERE id = ?", free, id)
	}
	return err
}

// first returns the first row's number, or 0 where there is no row.
func first(tx *sql.Tx, query string, args ...any) (id int64, err error) {
	if err = tx.QueryRow(query, args...).Scan(&id); err == sql.ErrNoRows {
		return 0, nil
	}
	return id, err
}

// find returns the ID of the item that name means: "#12", a path as it stands from the current folder or as the
// catalogue keeps it, or a file's name with or without its ending where only one item has it. Of a picture and its
// drawing of the same name, the drawing is meant.
func (c *Catalogue) find(tx *sql.Tx, name string) (int64, error) {
	if n, ok := strings.CutPrefix(name, "#"); ok {
		if id, err := strconv.ParseInt(n, 10, 64); err == nil {
			found, err := first(tx, "SELECT id FROM item WHERE id = ?", id)
			if err == nil && found == 0 {
				err = errorf("there is no item %s", name)
			}
			return found, err
		}
	}
	stored, err := c.stored(name)
	if err != nil {
		return 0, err
	}
	for _, p := range []string{stored, filepath.ToSlash(name)} {
		if id, err := atPath(tx, p); id != 0 || err != nil {
			return id, err
		}
	}
	base := path.Base(filepath.ToSlash(name))
	all, err := list(tx, scanItem, "SELECT "+itemColumns+" FROM item WHERE stem IN (?, ?) ORDER BY gone, id LIMIT 100", stem(base), base)
	if err != nil {
		return 0, err
	}
	// from the most telling to the least: the very name; without an ending, as given or of another file; of both the drawing
	whole := func(it *Item) bool { return stem(it.Path) == base }
	drawn := func(it *Item) bool { return it.Kind == Drawing }
	for _, fits := range []func(*Item) bool{
		func(it *Item) bool { return path.Base(it.Path) == base },
		func(it *Item) bool { return whole(it) && drawn(it) },
		whole,
		drawn,
		func(*Item) bool { return true },
	} {
		var ids []string
		var id int64
		for _, it := range all {
			if fits(it) {
				ids = append(ids, fmt.Sprintf("#%d %s", it.ID, Printable(it.Path, 60)))
				id = it.ID
			}
		}
		switch {
		case len(ids) == 1:
			return id, nil
		case len(ids) > 1:
			e := errorf("%s: %d items have this name", Printable(name, 60), len(ids))
			e.Hint = "name one of them: " + strings.Join(ids[:min(len(ids), 4)], ", ")
			return 0, e
		}
	}
	e := errorf("%s: is not in the catalogue", Printable(name, 200))
	e.Hint = "pochoir catalogue add " + Printable(name, 200)
	return 0, e
}

// Item returns the item that name means: "#12", a path, or a file's name with or without its ending.
func (c *Catalogue) Item(name string) (it *Item, err error) {
	err = c.view(context.Background(), func(tx *sql.Tx) error {
		id, err := c.find(tx, name)
		if err != nil {
			return err
		}
		it, err = get(tx, id)
		return err
	})
	return it, err
}

// At returns the item whose file is at that path from the current folder, nil where there is none.
func (c *Catalogue) At(path string) (it *Item, err error) {
	stored, err := c.stored(path)
	if err != nil {
		return nil, err
	}
	err = c.view(context.Background(), func(tx *sql.Tx) error {
		id, err := atPath(tx, stored)
		if err != nil || id == 0 {
			return err
		}
		it, err = get(tx, id)
		return err
	})
	return it, err
}

// Count returns the number of items.
func (c *Catalogue) Count() (n int, err error) {
	err = c.db.QueryRow("SELECT count(*) FROM item").Scan(&n)
	return n, c.wrap(err)
}

// Words are what Describe sets; nil leaves as it is.
type Words struct {
	Title, Description *string
	Keywords           []string // nil leaves, empty clears
	More               []string // keywords to add
	Less               []string // keywords to take away, whatever their case
}

// Describe changes title, description and keywords of an item and returns it.
func (c *Catalogue) Describe(name string, w Words) (it *Item, err error) {
	err = c.change(func(tx *sql.Tx) error {
		id, err := c.find(tx, name)
		if err != nil {
			return err
		}
		if it, err = get(tx, id); err != nil {
			return err
		}
		if w.Title != nil {
			it.Title = *w.Title
		}
		if w.Description != nil {
			it.Description = *w.Description
		}
		if w.Keywords != nil {
			it.Keywords = w.Keywords
		}
		less := map[string]bool{}
		for _, k := range w.Less {
			less[meta.Fold(k)] = true
		}
		var kept []string
		for _, k := range append(it.Keywords, w.More...) {
			if !less[meta.Fold(k)] {
				kept = append(kept, k)
			}
		}
		it.Keywords = kept
		if _, err = put(tx, it); err != nil {
			return err
		}
		it, err = get(tx, id)
		return err
	})
	return it, err
}

// Forget takes an item out of the catalogue, with its states and links; its file stays.
func (c *Catalogue) Forget(name string) (it *Item, err error) {
	err = c.change(func(tx *sql.Tx) error {
		id, err := c.find(tx, name)
		if err != nil {
			return err
		}
		if it, err = get(tx, id); err != nil {
			return err
		}
		_, err = tx.Exec("DELETE FROM item WHERE id = ?", id)
		return err
	})
	return it, err
}

// tint is a colour in the order of the swatch table: the high halves of red, green and blue, then the low ones.
func tint(c colour.RGB) int64 {
	r, g, b := int64(c.R), int64(c.G), int64(c.B)
	return r>>4<<20 | g>>4<<16 | b>>4<<12 | r&15<<8 | g&15<<4 | b&15
}

func untint(t int64) colour.RGB {
	return colour.RGB{R: uint8(t>>20&15<<4 | t>>8&15), G: uint8(t>>16&15<<4 | t>>4&15), B: uint8(t>>12&15<<4 | t&15)}
}

// stem is a file's name without folder and ending.
func stem(p string) string {
	base := path.Base(p)
	if s := strings.TrimSuffix(base, path.Ext(base)); s != "" {
		return s
	}
	return base
}

// short cuts text for a message.
func short(s string) string { return Printable(s, 60) }

// round keeps figures that are written to text short: three decimals.
func round(v float64) float64 { return math.Round(v*1000) / 1000 }
