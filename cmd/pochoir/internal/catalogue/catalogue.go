// Package catalogue is the library of thousands: what pictures, drawings, packs and reference photographs there are,
// what they show, in which state each is and where it was delivered. It is one SQLite file; the pictures themselves are
// known by their paths and the hash of their content, and are never copied or changed.
//
// Several programs and goroutines may use one catalogue at once. Every change is one transaction: it is either there
// after a crash or was never made.
package catalogue

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// DefaultName is the catalogue used when none is named.
const DefaultName = "pochoir.catalogue"

// patience is how long a program waits for another one's transaction before it gives up.
const patience = 30 * time.Second

// Catalogue is an open catalogue. Close it when done.
type Catalogue struct {
	db   *sql.DB
	path string // of the file
	dir  string // its folder, absolute: paths below it are kept relative to it

	preparing sync.Mutex
	prepared  map[string]*sql.Stmt // the queries of searches
}

// Open opens the catalogue at path, which must exist. An older one is brought up to date after a copy was made beside
// it. Errors name the file.
func Open(path string) (*Catalogue, error) { return open(path, false, schema) }

// Create is Open, and makes an empty catalogue where there is no file.
func Create(path string) (*Catalogue, error) { return open(path, true, schema) }

func open(path string, make bool, steps []string) (*Catalogue, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist) && !make:
		return nil, fmt.Errorf("%s: there is no catalogue%w", path, quiet{fs.ErrNotExist})
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: cannot be opened: %w", path, cause(err))
	case err == nil && !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s: is no file", path)
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if err != nil || info == nil {
		if _, err := os.Stat(filepath.Dir(abs)); err != nil {
			return nil, fmt.Errorf("%s: the folder does not exist", path)
		}
	}
	query := url.Values{
		"_pragma": {
			fmt.Sprintf("busy_timeout(%d)", patience.Milliseconds()),
			"foreign_keys(1)",
			"synchronous(FULL)", // what is committed survives a power cut too
		},
		"_txlock": {"immediate"},
	}
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: filepath.ToSlash(abs)}).EscapedPath()+"?"+query.Encode())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	c := &Catalogue{db: db, path: path, dir: filepath.Dir(abs)}
	if err := c.prepare(steps); err != nil {
		db.Close()
		return nil, c.wrap(err)
	}
	return c, nil
}

// Close closes the catalogue.
func (c *Catalogue) Close() error { return c.wrap(c.db.Close()) }

// wrap names the file in an error of the database; nil stays nil.
func (c *Catalogue) wrap(err error) error {
	if err == nil {
		return nil
	}
	var db *sqlite.Error
	if errors.As(err, &db) {
		switch db.Code() & 0xff { // the rest is detail
		case sqlite3.SQLITE_BUSY:
			return fmt.Errorf("%s: another program has been writing for %v; try again", c.path, patience)
		case sqlite3.SQLITE_NOTADB:
			return fmt.Errorf("%s: is no catalogue", c.path)
		case sqlite3.SQLITE_CORRUPT:
			return fmt.Errorf("%s: is damaged: %w", c.path, err)
		case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN:
			return fmt.Errorf("%s: cannot be written", c.path)
		case sqlite3.SQLITE_FULL:
			return fmt.Errorf("%s: the disk is full", c.path)
		}
	}
	return fmt.Errorf("%s: %w", c.path, err)
}

// change runs one transaction. Only one program at a time is inside of one, so do slow work before.
func (c *Catalogue) change(do func(tx *sql.Tx) error) error {
	tx, err := c.db.Begin()
	if err != nil {
		return c.wrap(err)
	}
	err = do(tx)
	if err == nil {
		err = index(tx)
	}
	if err != nil {
		tx.Rollback()
		var own *Error
		if errors.As(err, &own) {
			return err
		}
		return c.wrap(err)
	}
	return c.wrap(tx.Commit())
}

// view runs several reads of one and the same state of the catalogue.
func (c *Catalogue) view(ctx context.Context, do func(tx *sql.Tx) error) error {
	tx, err := c.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return c.wrap(err)
	}
	defer tx.Rollback()
	err = do(tx)
	var own *Error
	if errors.As(err, &own) {
		return err
	}
	return c.wrap(err)
}

// Error is a mistake in what was asked of the catalogue, not a failure of its file.
type Error struct {
	Text string // one line, lower case
	Hint string // what would have worked, "" for nothing
}

func (e *Error) Error() string { return e.Text }

func errorf(format string, args ...any) *Error { return &Error{Text: fmt.Sprintf(format, args...)} }

// stored is how a path is kept: relative to the catalogue's folder, with slashes, where it lies below it, so that both
// can be moved together; else absolute.
func (c *Catalogue) stored(path string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", fmt.Errorf("%s: %w", path, err)
	}
	if rel, err := filepath.Rel(c.dir, abs); err == nil && filepath.IsLocal(rel) {
		return filepath.ToSlash(rel), nil
	}
	return filepath.ToSlash(abs), nil
}

// Locate returns the absolute path for a path as the catalogue keeps it.
func (c *Catalogue) Locate(stored string) string {
	p := filepath.FromSlash(stored)
	if filepath.IsAbs(p) {
		return p
	}
	return filepath.Join(c.dir, p)
}

// cause is an error of the system without the path it repeats.
func cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// quiet wraps an error that is told in other words already.
type quiet struct{ err error }

func (quiet) Error() string   { return "" }
func (q quiet) Unwrap() error { return q.err }
