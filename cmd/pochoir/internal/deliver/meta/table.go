package meta

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"path"
	"strings"

	"pochoir/cmd/pochoir/internal/csvtext"
	"pochoir/trace"
)

// Row is one line of a table: a drawing and what its files shall say.
type Row struct {
	File string // as written in the table
	Meta trace.Meta
	Line int // in the table, from 1
}

// Table is the metadata of many drawings.
type Table struct {
	Name string
	Rows []Row

	byFile map[string]int
}

// ReadTable reads comma-separated values (RFC 4180, and what csvtext takes besides). The first line names the columns:
// "file" is needed, title, description, subject (or keywords: several, cut at commas, semicolons or line ends), creator and
// rights are optional, in any order. Every error reads NAME:LINE: cause. Two rows for one file are an error.
func ReadTable(r io.Reader, name string) (*Table, error) {
	cr := csvtext.NewReader(r, maxText)
	cr.FieldsPerRecord = -1
	columns, err := cr.Read()
	if err == io.EOF {
		return nil, fmt.Errorf("%s:1: empty; the first line names the columns, for instance file,title,description,subject", name)
	}
	if err != nil {
		return nil, tableError(name, err)
	}
	at := map[string]int{}
	for i, c := range columns {
		key := strings.ToLower(strings.TrimSpace(c))
		if key == "keywords" {
			key = "subject"
		}
		switch key {
		case "file", "title", "description", "subject", "creator", "rights":
		default:
			return nil, fmt.Errorf("%s:1: unknown column %q; known are file, title, description, subject, creator, rights", name, c)
		}
		if _, twice := at[key]; twice {
			return nil, fmt.Errorf("%s:1: column %q stands twice", name, c)
		}
		at[key] = i
	}
	if _, ok := at["file"]; !ok {
		return nil, fmt.Errorf("%s:1: no column \"file\"", name)
	}
	t := &Table{Name: name, byFile: map[string]int{}}
	for {
		rec, err := cr.Read()
		if err == io.EOF {
			return t, nil
		}
		if err != nil {
			return nil, tableError(name, err)
		}
		line, _ := cr.FieldPos(0)
		if len(rec) != len(columns) {
			return nil, fmt.Errorf("%s:%d: %d fields, the first line has %d", name, line, len(rec), len(columns))
		}
		get := func(key string) string {
			if i, ok := at[key]; ok {
				return rec[i]
			}
			return ""
		}
		row := Row{File: strings.TrimSpace(get("file")), Line: line}
		if row.File == "" {
			return nil, fmt.Errorf("%s:%d: no file named", name, line)
		}
		row.Meta, err = Clean(trace.Meta{Title: get("title"), Description: get("description"), Creator: get("creator"),
			Rights: get("rights"), Keywords: SplitKeywords(get("subject"))})
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w", name, line, err)
		}
		key := tableKey(row.File)
		if j, twice := t.byFile[key]; twice {
			return nil, fmt.Errorf("%s:%d: %s stands already in line %d", name, line, row.File, t.Rows[j].Line)
		}
		t.byFile[key] = len(t.Rows)
		t.Rows = append(t.Rows, row)
	}
}

func tableError(name string, err error) error {
	var pe *csv.ParseError
	if errors.As(err, &pe) {
		return fmt.Errorf("%s:%d: %w", name, pe.Line, pe.Err)
	}
	return fmt.Errorf("%s: %w", name, err)
}

// tableKey is how a file is found in a table: its last path element without the ending, so that a table serves
// pictures, drawings and exports of one name.
func tableKey(file string) string {
	base := path.Base(strings.ReplaceAll(file, `\`, "/"))
	return strings.TrimSuffix(base, path.Ext(base))
}

// Find returns the row for a file, by its last path element without the ending.
func (t *Table) Find(file string) (Row, bool) {
	i, ok := t.byFile[tableKey(file)]
	if !ok {
		return Row{}, false
	}
	return t.Rows[i], true
}

// WriteTable writes rows as RFC 4180 comma-separated values in the columns file, title, description, subject, creator,
// rights; keywords are parted by ", ". ReadTable reads them back.
func WriteTable(w io.Writer, rows []Row) error {
	cw := csv.NewWriter(w)
	if err := cw.Write([]string{"file", "title", "description", "subject", "creator", "rights"}); err != nil {
		return err
	}
	for _, r := range rows {
		if err := cw.Write([]string{r.File, r.Meta.Title, r.Meta.Description, strings.Join(r.Meta.Keywords, ", "),
			r.Meta.Creator, r.Meta.Rights}); err != nil {
			return err
		}
	}
	cw.Flush()
	return cw.Error()
}
