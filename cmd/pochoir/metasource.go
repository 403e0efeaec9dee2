package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/trace"
)

// metaSource is where title, keywords and the rest of a drawing come from, beside the drawing itself: a table or a text
// file named on the command line, and the text file beside each drawing.
type metaSource struct {
	table *meta.Table
	one   trace.Meta
	used  map[int]bool // rows of the table, by line
}

// newMetaSource reads the file named on the command line, by its ending; "" is none.
func newMetaSource(path string) (*metaSource, error) {
	s := &metaSource{used: map[int]bool{}}
	if path == "" {
		return s, nil
	}
	f, err := openText(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	switch strings.ToLower(filepath.Ext(path)) {
	case ".csv", ".tsv":
		s.table, err = meta.ReadTable(f, path)
	case ".toml":
		s.one, err = meta.ReadSidecar(f, path)
	default:
		err = fmt.Errorf("%s: want a table (.csv) or a text file (.toml)", path)
	}
	return s, err
}

// apply puts into m what is known of a drawing: over the file's own words those of the recipe beside it, over these
// those of the text file beside it, and over these the table's or the named file's.
func (s *metaSource) apply(drawing string, m *trace.Meta) error {
	if drawing != "-" {
		switch r, err := recipe.Load(recipe.Beside(drawing)); {
		case err == nil:
			*m = meta.Merge(*m, r.Words())
		case !errors.Is(err, fs.ErrNotExist):
			return err
		}
		beside := stem(drawing) + meta.SidecarEnding
		f, err := openText(beside)
		switch {
		case err == nil:
			own, err := meta.ReadSidecar(f, beside)
			f.Close()
			if err != nil {
				return err
			}
			*m = meta.Merge(*m, own)
		case !errors.Is(err, fs.ErrNotExist):
			return err
		}
	}
	*m = meta.Merge(*m, s.one)
	if s.table != nil {
		if row, ok := s.table.Find(drawing); ok {
			s.used[row.Line] = true
			*m = meta.Merge(*m, row.Meta)
		}
	}
	return nil
}

// unused lists the files of table rows that no drawing has asked for.
func (s *metaSource) unused() []string {
	var out []string
	if s.table != nil {
		for _, r := range s.table.Rows {
			if !s.used[r.Line] {
				out = append(out, fmt.Sprintf("%s (line %d)", r.File, r.Line))
			}
		}
	}
	return out
}

// openText opens a file to read; the error names it once.
func openText(path string) (*os.File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be read: %w", path, bare(err))
	}
	return f, nil
}

// hinted is an error with a way out.
type hinted struct {
	error
	hint string
}

func (h hinted) Unwrap() error { return h.error }
