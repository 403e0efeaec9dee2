package catalogue

import (
	"bufio"
	"context"
	"database/sql"
	"fmt"
	"io"
	"strings"
)

// Wanted is one subject of a wanted list.
type Wanted struct {
	Subject string
	Line    int // in the list, from 1
	Found   int // items that show it, counted up to foundMost
}

// foundMost is how far items of one subject are counted.
const foundMost = 1000

// ReadWanted reads a list of subjects, one a line; empty lines and lines that start with "#" or "//" are passed over.
// name is the file's, for errors.
func ReadWanted(r io.Reader, name string) ([]Wanted, error) {
	var out []Wanted
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, 1<<16)
	n := 0
	for lines.Scan() {
		n++
		s := strings.TrimSpace(strings.TrimPrefix(lines.Text(), "\ufeff"))
		if s == "" || strings.HasPrefix(s, "#") || strings.HasPrefix(s, "//") {
			continue
		}
		if len(words(s)) == 0 {
			return nil, fmt.Errorf("%s:%d: %q holds no word", name, n, short(s))
		}
		out = append(out, Wanted{Subject: s, Line: n})
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s:%d: %w", name, n+1, err)
	}
	return out, nil
}

// CountWanted fills in how many items there are of each subject: those that q finds with the subject's words.
func (c *Catalogue) CountWanted(subjects []Wanted, q Query) error {
	return c.view(context.Background(), func(tx *sql.Tx) error {
		for i := range subjects {
			q.Words = subjects[i].Subject
			crit, err := c.criteria(tx, q)
			if err != nil {
				return err
			}
			subjects[i].Found = 0
			if err := c.newest(tx, crit, foundMost, func(Hit) { subjects[i].Found++ }); err != nil {
				return err
			}
		}
		return nil
	})
}
