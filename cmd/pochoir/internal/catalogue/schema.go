package catalogue

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// applicationID marks the file as ours in SQLite's header: "pchr".
const applicationID = 0x70636872

// schema lists the steps that make a catalogue: after step i its user_version is i+1. Released steps are never changed,
// only followed by new ones.
var schema = []string{`
CREATE TABLE item (
	id INTEGER PRIMARY KEY AUTOINCREMENT,
	kind TEXT NOT NULL CHECK (kind IN ('picture', 'drawing', 'pack', 'reference')),
	path TEXT NOT NULL UNIQUE,               -- with slashes; relative to the catalogue where it lies below its folder
	stem TEXT NOT NULL,                      -- name of the file without folder and ending
	hash TEXT NOT NULL,                      -- SHA-256 of the content, hex
	bytes INTEGER NOT NULL,                  -- size and
	modified INTEGER NOT NULL,               -- time of last change (ns since 1970) when the content was read
	width REAL NOT NULL,                     -- px, 0 where unknown
	height REAL NOT NULL,
	side REAL NOT NULL AS (max(width, height)) STORED,
	title TEXT NOT NULL,
	description TEXT NOT NULL,
	look BLOB,                               -- see Look
	added TEXT NOT NULL,                     -- day, YYYY-MM-DD
	gone INTEGER NOT NULL CHECK (gone IN (0, 1)) -- a scan no longer found the file
) STRICT;
CREATE INDEX item_hash ON item(hash);
CREATE INDEX item_stem ON item(stem);
CREATE INDEX item_side ON item(side);
CREATE INDEX item_kind ON item(kind);
CREATE INDEX item_gone ON item(id) WHERE gone = 1;

CREATE TABLE keyword (
	item INTEGER NOT NULL REFERENCES item(id) ON DELETE CASCADE,
	place INTEGER NOT NULL,
	word TEXT NOT NULL,                      -- as the user wrote it
	fold TEXT NOT NULL,                      -- the form in which spellings of one keyword are equal
	PRIMARY KEY (item, place)
) STRICT, WITHOUT ROWID;
CREATE INDEX keyword_fold ON keyword(fold);

-- A colour is kept as its six hexadecimal digits reordered, the high ones of red, green and blue before the low ones:
-- colours of one cell of 16 levels a channel are neighbours.
CREATE TABLE swatch (
	item INTEGER NOT NULL REFERENCES item(id) ON DELETE CASCADE,
	place INTEGER NOT NULL,
	name TEXT NOT NULL,
	colour INTEGER NOT NULL,
	share REAL NOT NULL,                     -- of the painted area, 0..1
	PRIMARY KEY (item, place)
) STRICT, WITHOUT ROWID;
CREATE INDEX swatch_colour ON swatch(colour, item);
CREATE TABLE tint (colour INTEGER PRIMARY KEY, uses INTEGER NOT NULL) STRICT; -- the colours there are
CREATE TRIGGER swatch_added AFTER INSERT ON swatch BEGIN
	INSERT INTO tint VALUES (new.colour, 1) ON CONFLICT DO UPDATE SET uses = uses + 1;
END;
CREATE TRIGGER swatch_removed AFTER DELETE ON swatch BEGIN
	UPDATE tint SET uses = uses - 1 WHERE colour = old.colour;
	DELETE FROM tint WHERE colour = old.colour AND uses = 0;
END;

CREATE TABLE state (
	id INTEGER PRIMARY KEY,
	item INTEGER NOT NULL REFERENCES item(id) ON DELETE CASCADE,
	state TEXT NOT NULL CHECK (state IN ('drawn', 'traced', 'checked', 'delivered', 'accepted', 'refused', 'sold')),
	place TEXT NOT NULL,                     -- where it was delivered; '' for what happens at home
	day TEXT NOT NULL,                       -- YYYY-MM-DD
	note TEXT NOT NULL,                      -- why it was refused, what it was sold for
	hash TEXT NOT NULL,                      -- of the item's content then
	latest INTEGER NOT NULL DEFAULT 1        -- nothing later is known of the item at this place
) STRICT;
CREATE INDEX state_item ON state(item, place, day);
CREATE INDEX state_latest ON state(state, item) WHERE latest = 1;
CREATE INDEX state_place ON state(place, item) WHERE latest = 1;
CREATE TRIGGER state_added AFTER INSERT ON state BEGIN
	UPDATE state SET latest = id = (SELECT id FROM state WHERE item = new.item AND place = new.place
		ORDER BY day DESC, id DESC LIMIT 1)
	WHERE item = new.item AND place = new.place;
END;

CREATE TABLE link (
	item INTEGER NOT NULL REFERENCES item(id) ON DELETE CASCADE,
	relation TEXT NOT NULL CHECK (relation IN ('picture', 'master', 'reference', 'holds')),
	other INTEGER NOT NULL REFERENCES item(id) ON DELETE CASCADE,
	note TEXT NOT NULL,                      -- 'ink only', the name of a colourway
	hash TEXT NOT NULL,                      -- of the other's content when they were linked
	PRIMARY KEY (item, relation, other)
) STRICT, WITHOUT ROWID;
CREATE INDEX link_other ON link(other);

CREATE TABLE lookup (                        -- finds near looks, see Look.keys
	key INTEGER NOT NULL,
	item INTEGER NOT NULL REFERENCES item(id) ON DELETE CASCADE,
	PRIMARY KEY (key, item)
) STRICT, WITHOUT ROWID;
CREATE INDEX lookup_item ON lookup(item);

CREATE VIRTUAL TABLE words USING fts5(title, description, keywords, path,
	content = '', contentless_delete = 1, tokenize = 'unicode61 remove_diacritics 2', prefix = '2 3');
CREATE TRIGGER item_removed AFTER DELETE ON item BEGIN
	DELETE FROM words WHERE rowid = old.id;
END;
`, `
-- What is searched. It all follows from the tables before and is brought up to date, before a change is committed, for the
-- items in stale.
DROP TRIGGER item_removed;
DROP TABLE words;
DROP INDEX state_place;
ALTER TABLE item ADD COLUMN standing TEXT NOT NULL DEFAULT ''; -- at the place heard of last, before that at home
CREATE TABLE term (                          -- what can be asked of an item, with the items it holds for or their set
	term TEXT PRIMARY KEY,
	items BLOB NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE chunk (                         -- the sets of terms that hold for many, in pieces
	key INTEGER PRIMARY KEY,
	items BLOB NOT NULL
) STRICT;
CREATE TABLE shade (                         -- the colours in each cell of CIELAB, with their items
	cell INTEGER PRIMARY KEY,
	colours BLOB NOT NULL
) STRICT;
CREATE TABLE indexed (                       -- for which terms and colours an item stands in both
	item INTEGER PRIMARY KEY,
	terms TEXT NOT NULL,
	colours BLOB NOT NULL
) STRICT;
CREATE TABLE stale (item INTEGER PRIMARY KEY) STRICT;
CREATE TRIGGER item_came AFTER INSERT ON item BEGIN INSERT OR IGNORE INTO stale VALUES (new.id); END;
CREATE TRIGGER item_changed AFTER UPDATE OF kind, path, width, height, title, description, gone ON item BEGIN
	INSERT OR IGNORE INTO stale VALUES (new.id);
END;
CREATE TRIGGER item_went AFTER DELETE ON item BEGIN INSERT OR IGNORE INTO stale VALUES (old.id); END;
CREATE TRIGGER keyword_came AFTER INSERT ON keyword BEGIN INSERT OR IGNORE INTO stale VALUES (new.item); END;
CREATE TRIGGER keyword_went AFTER DELETE ON keyword BEGIN INSERT OR IGNORE INTO stale VALUES (old.item); END;
CREATE TRIGGER swatch_came AFTER INSERT ON swatch BEGIN INSERT OR IGNORE INTO stale VALUES (new.item); END;
CREATE TRIGGER swatch_went AFTER DELETE ON swatch BEGIN INSERT OR IGNORE INTO stale VALUES (old.item); END;
CREATE TRIGGER state_came AFTER INSERT ON state BEGIN INSERT OR IGNORE INTO stale VALUES (new.item); END;
CREATE TRIGGER state_went AFTER DELETE ON state BEGIN INSERT OR IGNORE INTO stale VALUES (old.item); END;
INSERT INTO stale SELECT id FROM item;
`}

// prepare makes or updates the tables by steps.
func (c *Catalogue) prepare(steps []string) error {
	ctx := context.Background()
	conn, err := c.db.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	version, err := check(ctx, conn, len(steps))
	if err != nil || version == len(steps) {
		return err
	}
	// Readers go on while one writes. The switch needs the file for itself for a moment, and SQLite does not wait there.
	for start := time.Now(); ; time.Sleep(10 * time.Millisecond) {
		_, err = conn.ExecContext(ctx, "PRAGMA journal_mode = WAL")
		if !busy(err) || time.Since(start) > patience {
			break
		}
	}
	if err != nil {
		return err
	}
	tx, err := conn.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if version, err = check(ctx, tx, len(steps)); err != nil || version == len(steps) { // another program was faster
		return err
	}
	if version > 0 {
		if err := c.backup(version); err != nil {
			return err
		}
	}
	for _, s := range steps[version:] {
		if _, err := tx.ExecContext(ctx, s); err != nil {
			return fmt.Errorf("the update failed, nothing was changed: %w", err)
		}
	}
	if err := index(tx); err != nil {
		return fmt.Errorf("the update failed, nothing was changed: %w", err)
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d; PRAGMA application_id = %d", len(steps), applicationID)); err != nil {
		return err
	}
	return tx.Commit()
}

// busy reports whether err says that another program holds the file.
func busy(err error) bool {
	var db *sqlite.Error
	return errors.As(err, &db) && db.Code()&0xff == sqlite3.SQLITE_BUSY
}

// queryer is a connection or a transaction.
type queryer interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// check returns the version of the catalogue's tables, 0 for an empty file, and an error where this program must not
// touch the file.
func check(ctx context.Context, q queryer, newest int) (version int, err error) {
	var id, tables int
	// The tables first: where another program has just made them, it has said by then that they are its own.
	if err := q.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return 0, err
	}
	for pragma, dst := range map[string]*int{"user_version": &version, "application_id": &id} {
		if err := q.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(dst); err != nil {
			return 0, err
		}
	}
	switch {
	case tables > 0 && id != applicationID:
		return 0, errors.New("is a database of another program, no catalogue")
	case version > newest:
		return 0, fmt.Errorf("was made by a newer pochoir (version %d of the catalogue, this one knows %d)", version, newest)
	}
	return version, nil
}

// backup copies the catalogue, which is of that version, to a file beside it that is not there yet. Nobody may write
// meanwhile.
func (c *Catalogue) backup(version int) error {
	name := fmt.Sprintf("%s.v%d.backup", c.path, version)
	for i := 2; ; i++ {
		_, err := os.Lstat(name)
		if errors.Is(err, fs.ErrNotExist) {
			break
		}
		name = fmt.Sprintf("%s.v%d-%d.backup", c.path, version, i)
	}
	part := fmt.Sprintf("%s.%d.part", name, os.Getpid())
	defer os.Remove(part)
	if _, err := c.db.Exec("VACUUM INTO ?", part); err != nil {
		return fmt.Errorf("no copy could be made before the update, nothing was changed: %w", err)
	}
	if err := os.Rename(part, name); err != nil {
		return fmt.Errorf("no copy could be made before the update, nothing was changed: %w", cause(err))
	}
	return nil
}
