package catalogue

import (
	"context"
	"database/sql"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/csvtext"
	"pochoir/quantize/colour"
)

// Tables are the names of the tables that Export writes and Import reads, in the order in which they must be read.
var Tables = []string{"items", "states", "links"}

// columns are those of each table, in the order in which they are written.
var columns = map[string][]string{
	"items": {"path", "kind", "title", "description", "keywords", "palette", "width", "height", "bytes", "modified", "hash",
		"look", "added", "gone"},
	"states": {"path", "state", "place", "day", "note", "hash"},
	"links":  {"path", "relation", "other", "note", "hash"},
}

// needed are the columns a table cannot do without.
var needed = map[string][]string{"items": {"path"}, "states": {"path", "state"}, "links": {"path", "relation", "other"}}

// Export writes each table as comma-separated values (RFC 4180), all as of one moment, to the writer that create returns
// for its name.
func (c *Catalogue) Export(write func(table string, fill func(io.Writer) error) error) error {
	return c.view(context.Background(), func(tx *sql.Tx) error {
		for _, table := range Tables {
			if err := write(table, func(w io.Writer) error { return exportTable(tx, table, w) }); err != nil {
				return err
			}
		}
		return nil
	})
}

// exportTable writes one table in the order of its entries.
func exportTable(tx *sql.Tx, table string, w io.Writer) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	out.Write(columns[table])
	var rows [][]string
	var err error
	switch table {
	case "items":
		for after := int64(0); err == nil; {
			// in portions: what belongs to an item is asked for while no other query is open
			var items []*Item
			items, err = list(tx, scanItem, "SELECT "+itemColumns+" FROM item WHERE id > ? ORDER BY id LIMIT 500", after)
			if len(items) == 0 {
				break
			}
			for _, it := range items {
				if err := fill(tx, it); err != nil {
					return err
				}
				out.Write(itemRecord(it))
				after = it.ID
			}
		}
	case "states":
		rows, err = list(tx, scanRecord(6), "SELECT path, state, place, day, note, s.hash FROM state s JOIN item i ON i.id = s.item ORDER BY s.id")
	case "links":
		rows, err = list(tx, scanRecord(5), `SELECT i.path, relation, o.path, note, l.hash FROM link l
			JOIN item i ON i.id = l.item JOIN item o ON o.id = l.other ORDER BY i.id, relation, o.id`)
	}
	if err != nil {
		return err
	}
	out.WriteAll(rows)
	return out.Error()
}

// scanRecord scans n columns of text.
func scanRecord(n int) func(row) ([]string, error) {
	return func(r row) ([]string, error) {
		rec := make([]string, n)
		dst := make([]any, n)
		for i := range rec {
			dst[i] = &rec[i]
		}
		return rec, r.Scan(dst...)
	}
}

func itemRecord(it *Item) []string {
	var palette []string
	for _, s := range it.Palette {
		palette = append(palette, fmt.Sprintf("%s %s %s", s.Colour.Hex(), number(s.Share), s.Name))
	}
	look := ""
	if it.Look != nil {
		look = hex.EncodeToString(it.Look.blob())
	}
	gone := ""
	if it.Gone {
		gone = "gone"
	}
	keywords := strings.Join(it.Keywords, "\n")
	if len(it.Keywords) == 1 {
		keywords += "\n" // a line end says that a comma inside parts nothing
	}
	return []string{it.Path, string(it.Kind), it.Title, it.Description, keywords,
		strings.Join(palette, "\n"), number(it.Width), number(it.Height), strconv.FormatInt(it.Bytes, 10),
		strconv.FormatInt(it.Modified, 10), it.Hash, look, it.Added, gone}
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// Imported says what an import has done.
type Imported struct {
	Table          string
	New, Changed   int // items
	Events, Linked int // states and links read
}

// maxTable bounds a table, bytes.
const maxTable = 1 << 30

// Import reads one table as Export writes it, or one made by hand with some of its columns; the first line names them
// and so tells which table it is. Fields may be parted by commas, semicolons or tabs. An item is named by its path, as
// the catalogue keeps it or from the current folder, or by its file's name, so that a shop's list of sales can be read
// as states. Columns that are left out are left as they are. All is read or, after any error, nothing; an error reads
// NAME:LINE: cause.
func (c *Catalogue) Import(r io.Reader, name string) (done Imported, err error) {
	t, err := openTable(r, name)
	if err != nil {
		return done, err
	}
	done.Table = t.kind
	err = c.change(func(tx *sql.Tx) error {
		for {
			rec, err := t.next()
			if err == io.EOF {
				return nil
			}
			if err == nil {
				err = c.importRecord(tx, t.kind, rec, &done)
			}
			var own *Error
			switch {
			case errors.As(err, &own):
				return &Error{Text: fmt.Sprintf("%s:%d: %s", name, t.line, own.Text), Hint: own.Hint}
			case err != nil:
				return err
			}
		}
	})
	return done, err
}

// table reads a file of comma-separated values.
type table struct {
	kind    string
	columns []string
	r       *csv.Reader
	line    int // of the record read last
}

// openTable reads the first line.
func openTable(r io.Reader, name string) (*table, error) {
	t := &table{r: csvtext.NewReader(r, maxTable), line: 1}
	rec, err := t.r.Read()
	if err == io.EOF {
		return nil, errorf("%s:1: empty; the first line names the columns, for instance path,state,place,day,note", name)
	}
	if err != nil {
		return nil, errorf("%s:%d: %s", name, csvLine(err, 1), csvText(err))
	}
	for _, column := range rec {
		t.columns = append(t.columns, strings.ToLower(strings.TrimSpace(column)))
	}
	t.kind = "items"
	switch {
	case slices.Contains(t.columns, "relation"):
		t.kind = "links"
	case slices.Contains(t.columns, "state"):
		t.kind = "states"
	}
	for i, column := range t.columns {
		if !slices.Contains(columns[t.kind], column) {
			e := errorf("%s:1: unknown column %q; a table of %s has %s", name, short(column), t.kind, strings.Join(columns[t.kind], ", "))
			if near := cli.Nearest(column, columns[t.kind]); near != "" {
				e.Hint = "did you mean " + near + "?"
			}
			return nil, e
		}
		if slices.Contains(t.columns[:i], column) {
			return nil, errorf("%s:1: column %q stands twice", name, column)
		}
	}
	for _, column := range needed[t.kind] {
		if !slices.Contains(t.columns, column) {
			return nil, errorf("%s:1: no column %q", name, column)
		}
	}
	return t, nil
}

// next returns the next record by its columns' names.
func (t *table) next() (map[string]string, error) {
	rec, err := t.r.Read()
	if err == io.EOF {
		return nil, err
	}
	if err != nil {
		t.line = csvLine(err, t.line+1)
		return nil, errorf("%s", csvText(err))
	}
	t.line, _ = t.r.FieldPos(0)
	out := make(map[string]string, len(rec))
	for i, v := range rec {
		out[t.columns[i]] = v
	}
	return out, nil
}

// csvLine is the line an error of the reader names: where a quoted field went wrong, that in which it began.
func csvLine(err error, otherwise int) int {
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		if errors.Is(pe.Err, csv.ErrFieldCount) {
			return pe.Line
		}
		return pe.StartLine
	}
	return otherwise
}

func csvText(err error) string {
	switch {
	case errors.Is(err, csv.ErrFieldCount):
		return "has more or fewer fields than the first line"
	case errors.Is(err, csv.ErrQuote):
		return `a quoted field is not closed, or a quote inside is not doubled ("")`
	case errors.Is(err, csv.ErrBareQuote):
		return `a quote stands in a field that does not begin with one`
	}
	return err.Error()
}

// importRecord puts one record into the catalogue.
func (c *Catalogue) importRecord(tx *sql.Tx, kind string, rec map[string]string, done *Imported) error {
	if kind == "items" {
		return c.importItem(tx, rec, done)
	}
	id, err := c.named(tx, rec["path"])
	if err != nil {
		return err
	}
	if kind == "states" {
		done.Events++
		return record(tx, id, Event{State: State(strings.ToLower(strings.TrimSpace(rec["state"]))), Place: rec["place"],
			Day: strings.TrimSpace(rec["day"]), Note: rec["note"], Hash: strings.TrimSpace(rec["hash"])})
	}
	relation, err := ParseRelation(strings.ToLower(strings.TrimSpace(rec["relation"])))
	if err != nil {
		return err
	}
	other, err := c.named(tx, rec["other"])
	if err != nil {
		return err
	}
	done.Linked++
	return connect(tx, id, relation, other, rec["note"], strings.TrimSpace(rec["hash"]))
}

// named is find, with paths as the catalogue keeps them before those from the current folder.
func (c *Catalogue) named(tx *sql.Tx, name string) (int64, error) {
	if name == "" {
		return 0, errorf("no path")
	}
	if id, err := atPath(tx, name); id != 0 || err != nil {
		return id, err
	}
	return c.find(tx, name)
}

// importItem inserts or changes an item.
func (c *Catalogue) importItem(tx *sql.Tx, rec map[string]string, done *Imported) error {
	whole := rec["hash"] != "" && rec["kind"] != "" // enough for an item of its own
	name := rec["path"]
	if whole && name != "" && !path.IsAbs(name) {
		name = path.Clean(name)
	}
	find := c.named
	if whole {
		find = atPath
	}
	id, err := find(tx, name)
	if err != nil {
		return err
	}
	it := &Item{Path: name}
	switch {
	case id != 0:
		if it, err = get(tx, id); err != nil {
			return err
		}
		done.Changed++
	case name == "":
		return errorf("no path")
	default:
		done.New++
	}
	for _, column := range columns["items"] {
		if v, ok := rec[column]; ok {
			if err := it.set(column, v); err != nil {
				return err
			}
		}
	}
	_, err = put(tx, it)
	return err
}

// set reads one field of an exported item.
func (it *Item) set(column, v string) (err error) {
	if column == "keywords" {
		it.Keywords = splitKeywords(v)
		return nil
	}
	v = strings.TrimSpace(v)
	switch column {
	case "kind":
		it.Kind, err = ParseKind(v)
	case "title":
		it.Title = v
	case "description":
		it.Description = v
	case "palette":
		it.Palette, err = parsePalette(v)
	case "width":
		it.Width, err = parseSize(column, v)
	case "height":
		it.Height, err = parseSize(column, v)
	case "bytes":
		it.Bytes, err = parseWhole(column, v)
	case "modified":
		it.Modified, err = parseWhole(column, v)
	case "hash":
		if b, e := hex.DecodeString(v); e != nil || len(b) != 32 {
			return errorf("hash %q, want 64 hexadecimal digits", short(v))
		}
		it.Hash = strings.ToLower(v)
	case "look":
		it.Look = nil
		if v != "" {
			b, e := hex.DecodeString(v)
			if it.Look = lookOf(b); e != nil || it.Look == nil {
				return errorf("look %q, want %d hexadecimal digits", short(v), 2*len(Look{}))
			}
		}
	case "added":
		if _, e := time.Parse(time.DateOnly, v); e != nil {
			return errorf("day %q, want a date such as 2026-03-31", short(v))
		}
		it.Added = v
	case "gone":
		if v != "" && v != "gone" {
			return errorf("gone %q, want gone or nothing", short(v))
		}
		it.Gone = v == "gone"
	}
	return err
}

// splitKeywords cuts a field of keywords at line ends where it has any, as Export writes them, else at semicolons, else
// at commas, as people do.
func splitKeywords(v string) []string {
	at := ","
	for _, sep := range []string{"\n", ";"} {
		if strings.Contains(v, sep) {
			at = sep
			break
		}
	}
	return strings.Split(v, at)
}

func parseSize(column, v string) (float64, error) {
	f, err := strconv.ParseFloat(v, 64)
	if err != nil || !(f >= 0 && f <= 1e9) {
		return 0, errorf("%s %q, want a number of pixels", column, short(v))
	}
	return f, nil
}

func parseWhole(column, v string) (int64, error) {
	n, err := strconv.ParseInt(v, 10, 64)
	if err != nil || n < 0 {
		return 0, errorf("%s %q, want a whole number", column, short(v))
	}
	return n, nil
}

// parsePalette reads "#rrggbb SHARE NAME" lines.
func parsePalette(v string) ([]Swatch, error) {
	var out []Swatch
	for _, l := range strings.Split(v, "\n") {
		if l = strings.TrimSpace(l); l == "" {
			continue
		}
		f := strings.SplitN(l, " ", 3)
		c, err := colour.ParseHex(f[0])
		if err != nil || len(f) != 3 {
			return nil, errorf("swatch %q, want #rrggbb, share and name", short(l))
		}
		share, err := strconv.ParseFloat(f[1], 64)
		if err != nil || !(share >= 0 && share <= 1) {
			return nil, errorf("swatch %q, want a share from 0 to 1", short(l))
		}
		out = append(out, Swatch{f[2], c, share})
	}
	return out, nil
}
