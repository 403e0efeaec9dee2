package catalogue

import (
	"database/sql"
	"strings"
	"time"
	"unicode/utf8"
)

// State is a station of an item's life.
type State string

const (
	Drawn     State = "drawn"
	Traced    State = "traced"
	Checked   State = "checked"
	Delivered State = "delivered" // at a place, like those that follow
	Accepted  State = "accepted"
	Refused   State = "refused" // with the reason as note
	Sold      State = "sold"    // with the price or anything else as note
)

// States lists all, in their order.
var States = []State{Drawn, Traced, Checked, Delivered, Accepted, Refused, Sold}

// ParseState reads the name of a state.
func ParseState(s string) (State, error) {
	for _, k := range States {
		if s == string(k) {
			return k, nil
		}
	}
	return "", errorf("state %q, want drawn, traced, checked, delivered, accepted, refused or sold", short(s))
}

// away reports whether a state belongs to a place outside.
func (s State) away() bool { return s == Delivered || s == Accepted || s == Refused || s == Sold }

// Event is an item's reaching a state.
type Event struct {
	State State
	Place string // the library or shop; empty for drawn, traced, checked
	Day   string // YYYY-MM-DD; "" means today
	Note  string // why it was refused, what it was sold for
	Hash  string // of the item's content then; "" means as it is now
}

// clean checks an event and fills in what is not said.
func (e *Event) clean() error {
	e.Place, e.Note = strings.Join(strings.Fields(e.Place), " "), tidy(e.Note)
	if _, err := ParseState(string(e.State)); err != nil {
		return err
	}
	if !utf8.ValidString(e.Place + e.Note) {
		return errorf("the place or the note is not UTF-8")
	}
	if len(e.Place)+len(e.Note) > maxText {
		return errorf("the note is longer than %d MB", maxText>>20)
	}
	switch {
	case e.State.away() && e.Place == "":
		return errorf("%s: at which place?", e.State)
	case !e.State.away() && e.Place != "":
		return errorf("%s happens at no place, but %q is given", e.State, short(e.Place))
	case e.State == Refused && e.Note == "":
		return errorf("refused: for what reason?")
	}
	if e.Day == "" {
		e.Day = today()
	}
	if _, err := time.Parse(time.DateOnly, e.Day); err != nil {
		return errorf("day %q, want a date such as 2026-03-31", short(e.Day))
	}
	return nil
}

// record adds an event to an item. The same event twice is one.
func record(tx *sql.Tx, item int64, e Event) error {
	if err := e.clean(); err != nil {
		return err
	}
	if e.Hash == "" {
		if err := tx.QueryRow("SELECT hash FROM item WHERE id = ?", item).Scan(&e.Hash); err != nil {
			return err
		}
	}
	_, err := tx.Exec(`INSERT INTO state (item, state, place, day, note, hash) SELECT ?1, ?2, ?3, ?4, ?5, ?6
		WHERE NOT EXISTS (SELECT 1 FROM state WHERE item = ?1 AND place = ?3 AND day = ?4 AND state = ?2 AND note = ?5 AND hash = ?6)`,
		item, e.State, e.Place, e.Day, e.Note, e.Hash)
	return err
}

// Record adds an event to the items of these names, to all or to none.
func (c *Catalogue) Record(names []string, e Event) error {
	return c.change(func(tx *sql.Tx) error {
		for _, n := range names {
			id, err := c.find(tx, n)
			if err != nil {
				return err
			}
			if err := record(tx, id, e); err != nil {
				return err
			}
		}
		return nil
	})
}

// History returns the events of an item, the oldest first.
func (c *Catalogue) History(id int64) ([]Event, error) {
	out, err := list(c.db, scanEvent, "SELECT state, place, day, note, hash FROM state WHERE item = ? ORDER BY day, id", id)
	return out, c.wrap(err)
}

func scanEvent(r row) (e Event, err error) {
	return e, r.Scan(&e.State, &e.Place, &e.Day, &e.Note, &e.Hash)
}

// Relation says what another item is to an item.
type Relation string

const (
	FromPicture   Relation = "picture"   // a drawing was traced from it
	FromMaster    Relation = "master"    // it is a variant of it: ink only, a colourway
	FromReference Relation = "reference" // it was drawn from that photograph
	Holds         Relation = "holds"     // the pack contains it
)

// ParseRelation reads the name of a relation.
func ParseRelation(s string) (Relation, error) {
	for _, r := range []Relation{FromPicture, FromMaster, FromReference, Holds} {
		if s == string(r) {
			return r, nil
		}
	}
	return "", errorf("relation %q, want picture, master, reference or holds", short(s))
}

// connect links an item to another, as their contents are now or, where hash is not "", as the other's was then. An
// earlier link of the two in this relation is replaced.
func connect(tx *sql.Tx, item int64, relation Relation, other int64, note, hash string) error {
	if item == other {
		return errorf("an item is no %s of itself", relation)
	}
	note = tidy(note)
	if !utf8.ValidString(note) || len(note) > maxText {
		return errorf("the note of the link is not UTF-8 or longer than %d MB", maxText>>20)
	}
	if relation == FromMaster {
		// up the masters of the other: whoever is its own master far away would never be up to date
		loop, err := first(tx, `WITH RECURSIVE up(id) AS (VALUES (?) UNION SELECT other FROM up JOIN link ON item = up.id AND relation = 'master')
			SELECT id FROM up WHERE id = ?`, other, item)
		if err != nil {
			return err
		}
		if loop != 0 {
			return errorf("the master is a variant of this item already")
		}
	}
	_, err := tx.Exec(`INSERT INTO link (item, relation, other, note, hash) VALUES (?1, ?2, ?3, ?4,
			CASE ?5 WHEN '' THEN (SELECT hash FROM item WHERE id = ?3) ELSE ?5 END)
		ON CONFLICT DO UPDATE SET note = excluded.note, hash = excluded.hash`, item, relation, other, note, hash)
	return err
}

// Link says what the other item is to the item: Link("boat-red.svg", FromMaster, "boat.svg", "red colourway").
func (c *Catalogue) Link(item string, relation Relation, other, note string) error {
	return c.change(func(tx *sql.Tx) error {
		a, err := c.find(tx, item)
		if err != nil {
			return err
		}
		b, err := c.find(tx, other)
		if err != nil {
			return err
		}
		return connect(tx, a, relation, b, note, "")
	})
}

// Unlink takes a link away.
func (c *Catalogue) Unlink(item string, relation Relation, other string) error {
	return c.change(func(tx *sql.Tx) error {
		a, err := c.find(tx, item)
		if err != nil {
			return err
		}
		b, err := c.find(tx, other)
		if err != nil {
			return err
		}
		res, err := tx.Exec("DELETE FROM link WHERE item = ? AND relation = ? AND other = ?", a, relation, b)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err == nil && n == 0 {
			return errorf("%s is no %s of %s", Printable(other, 80), relation, Printable(item, 80))
		}
		return nil
	})
}

// Neighbour is an item at the other end of a link.
type Neighbour struct {
	Relation Relation
	Back     bool // the neighbour has this item as its picture, master, ...
	ID       int64
	Path     string
	Note     string
	Changed  bool // the picture, master, ... was changed since they were linked
}

// Neighbours lists what an item is linked to.
func (c *Catalogue) Neighbours(id int64) ([]Neighbour, error) {
	out, err := list(c.db, func(r row) (n Neighbour, err error) {
		return n, r.Scan(&n.Relation, &n.Back, &n.ID, &n.Path, &n.Note, &n.Changed)
	}, `SELECT relation, 0 AS back, i.id AS other, path, note, l.hash <> i.hash FROM link l JOIN item i ON i.id = l.other WHERE l.item = ?1
		UNION ALL
		SELECT relation, 1, i.id, path, note, l.hash <> (SELECT hash FROM item WHERE id = ?1) FROM link l JOIN item i ON i.id = l.item WHERE l.other = ?1
		ORDER BY back, relation, other`, id)
	return out, c.wrap(err)
}

// Outdated is something made or handed over before a correction.
type Outdated struct {
	ID    int64
	Path  string
	What  string // "delivered", "checked", or a Relation
	Place string // of a delivery
	Day   string // of a delivery or check
	Other string // for a relation: the path of the item that was corrected
}

// Outdated lists, by their items' numbers: copies delivered whose item was changed since, checks of an earlier content,
// and drawings, variants and packs whose picture, master or drawings were changed since they were made.
func (c *Catalogue) Outdated() ([]Outdated, error) {
	out, err := list(c.db, func(r row) (o Outdated, err error) {
		return o, r.Scan(&o.ID, &o.Path, &o.What, &o.Place, &o.Day, &o.Other)
	}, `SELECT i.id AS id, i.path, s.state AS what, s.place AS place, s.day, '' FROM state s JOIN item i ON i.id = s.item
		WHERE s.state IN ('delivered', 'checked') AND s.hash <> i.hash AND s.id = (SELECT id FROM state
			WHERE item = s.item AND state = s.state AND place = s.place ORDER BY day DESC, id DESC LIMIT 1)
		UNION ALL
		SELECT i.id, i.path, l.relation, '', '', o.path FROM link l JOIN item i ON i.id = l.item JOIN item o ON o.id = l.other
		WHERE l.relation <> 'reference' AND l.hash <> o.hash
		ORDER BY id, what, place`)
	return out, c.wrap(err)
}

// linked reports whether two items belong together: links to pictures and masters lead from one to the other, over any
// others: the drawing of a picture of which there is a variant belongs to that, too.
func linked(tx *sql.Tx, a, b int64) (bool, error) {
	n, err := first(tx, `WITH RECURSIVE kin(id) AS (
			VALUES (?1)
			UNION SELECT other FROM kin JOIN link ON link.item = kin.id AND relation IN ('picture', 'master')
			UNION SELECT item FROM kin JOIN link ON link.other = kin.id AND relation IN ('picture', 'master'))
		SELECT EXISTS (SELECT 1 FROM kin WHERE id = ?2)`, a, b)
	return n == 1, err
}
