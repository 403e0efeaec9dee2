package catalogue

import (
	"database/sql"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"pochoir/quantize/colour"
)

// This file keeps the tables that are searched (term, chunk, shade, indexed and item.standing) in step with those that hold
// what is known. Triggers note in the table stale which items have changed, whatever changed them; index is called
// before a change is committed and brings these up to date.

// indexAtOnce is how many items are held in memory.
const indexAtOnce = 4096

// indexed is what the index holds of an item.
type indexed struct {
	terms   []string
	colours []colour.RGB
	side    int // whole pixels, 0 where unknown
}

// index brings the tables that are searched up to date.
func index(tx *sql.Tx) error {
	for {
		var n, last int64
		err := tx.QueryRow(fmt.Sprintf("SELECT count(*), coalesce(max(item), 0) FROM (SELECT item FROM stale ORDER BY item LIMIT %d)", indexAtOnce)).Scan(&n, &last)
		if err != nil || n == 0 {
			return err
		}
		if err := indexTo(tx, last); err != nil {
			return err
		}
		if _, err := tx.Exec("DELETE FROM stale WHERE item <= ?", last); err != nil {
			return err
		}
	}
}

// standing says how an item stands: at the place heard of last, before that at home.
const standing = `coalesce((SELECT CASE place WHEN '' THEN state ELSE state || ', ' || place END FROM state
	WHERE state.item = item.id AND latest = 1 ORDER BY place <> '' DESC, day DESC, id DESC LIMIT 1), '')`

// indexTo does so for the stale items up to number last.
func indexTo(tx *sql.Tx, last int64) error {
	old, err := indexedBefore(tx, last)
	if err != nil {
		return err
	}
	now, order, err := indexedNow(tx, last)
	if err != nil {
		return err
	}
	sets, colours := map[string]*delta{}, map[colour.RGB]*delta{}
	put, err := tx.Prepare("INSERT OR REPLACE INTO indexed VALUES (?, ?, ?)")
	if err != nil {
		return err
	}
	defer put.Close()
	for _, id := range order {
		was, is := old[id], now[id]
		if was == nil {
			was = &indexed{}
		}
		if is == nil {
			is = &indexed{}
		}
		terms := expand(is.terms)
		changes(sets, expand(was.terms), terms, id)
		changes(colours, was.colours, is.colours, id)
		if was.side != is.side || !slices.Equal(was.colours, is.colours) {
			for _, t := range terms {
				if sets[t] == nil {
					sets[t] = &delta{}
				}
				if d := sets[t]; len(d.add) == 0 || d.add[len(d.add)-1] != id {
					d.fresh = append(d.fresh, id)
				}
			}
		}
		if now[id] == nil {
			if _, err := tx.Exec("DELETE FROM indexed WHERE item = ?", id); err != nil {
				return err
			}
		} else if _, err := put.Exec(id, strings.Join(is.terms, "\n"), encodeColours(is.colours)); err != nil {
			return err
		}
	}
	p, err := preparePostings(tx)
	if err != nil {
		return err
	}
	defer p.close()
	p.record = func(id int64) []byte { return encodeRecord(now[id].side, now[id].colours) }
	if err := indexColours(tx, p, colours); err != nil {
		return err
	}
	terms := make([]string, 0, len(sets))
	for t := range sets {
		terms = append(terms, t)
	}
	slices.Sort(terms)
	for _, t := range terms {
		if err := p.change(t, sets[t]); err != nil {
			return err
		}
	}
	_, err = tx.Exec("UPDATE item SET standing = "+standing+" WHERE id IN (SELECT item FROM stale WHERE item <= ?) AND standing <> "+standing, last)
	return err
}

// changes notes in all what differs for item id between was and is, both of them sorted.
func changes[T comparable](all map[T]*delta, was, is []T, id int64) {
	of := func(t T) *delta {
		if all[t] == nil {
			all[t] = &delta{}
		}
		return all[t]
	}
	before := make(map[T]bool, len(was))
	for _, t := range was {
		before[t] = true
	}
	for _, t := range is {
		if before[t] {
			delete(before, t)
			continue
		}
		d := of(t)
		d.add = append(d.add, id)
	}
	for _, t := range was {
		if before[t] {
			d := of(t)
			d.remove = append(d.remove, id)
		}
	}
}

// indexedBefore reads what the index holds of the stale items.
func indexedBefore(tx *sql.Tx, last int64) (map[int64]*indexed, error) {
	out := map[int64]*indexed{}
	_, err := list(tx, func(r row) (none struct{}, err error) {
		var id int64
		var terms string
		var b []byte
		if err := r.Scan(&id, &terms, &b); err != nil {
			return none, err
		}
		e := &indexed{}
		if terms != "" {
			e.terms = strings.Split(terms, "\n")
			for _, t := range e.terms {
				if t[:1] == sideTerm {
					e.side, _ = strconv.Atoi(t[1:])
				}
			}
		}
		for _, s := range decodeColours(b) {
			e.colours = append(e.colours, s.rgb)
		}
		out[id] = e
		return none, nil
	}, "SELECT x.item, x.terms, x.colours FROM stale s CROSS JOIN indexed x ON x.item = s.item WHERE s.item <= ?", last)
	return out, err
}

// indexedNow works out what the index is to hold of the stale items, and lists them all; those that are no more are nil.
func indexedNow(tx *sql.Tx, last int64) (map[int64]*indexed, []int64, error) {
	order, err := list(tx, scanID, "SELECT item FROM stale WHERE item <= ? ORDER BY item", last)
	if err != nil {
		return nil, nil, err
	}
	of := map[int64]*facets{}
	colours := map[int64][]colour.RGB{}
	type pair struct {
		id   int64
		text string
	}
	for _, q := range []struct {
		query string
		scan  func(row) (struct{}, error)
	}{
		{"SELECT i.id, kind, path, title, description, side, gone FROM stale s CROSS JOIN item i ON i.id = s.item WHERE s.item <= ?", func(r row) (none struct{}, err error) {
			var id int64
			f := &facets{texts: make([]string, 3)}
			err = r.Scan(&id, &f.kind, &f.texts[0], &f.texts[1], &f.texts[2], &f.side, &f.gone)
			of[id] = f
			return none, err
		}},
		{"SELECT k.item, word FROM stale s CROSS JOIN keyword k ON k.item = s.item WHERE s.item <= ?", func(r row) (none struct{}, err error) {
			var k pair
			if err = r.Scan(&k.id, &k.text); err == nil {
				of[k.id].texts = append(of[k.id].texts, k.text)
			}
			return none, err
		}},
		{"SELECT t.item, state, place FROM stale s CROSS JOIN state t ON t.item = s.item WHERE s.item <= ? AND latest = 1", func(r row) (none struct{}, err error) {
			var id int64
			var s [2]string
			if err = r.Scan(&id, &s[0], &s[1]); err == nil {
				of[id].states = append(of[id].states, s)
			}
			return none, err
		}},
		{"SELECT DISTINCT w.item, colour FROM stale s CROSS JOIN swatch w ON w.item = s.item WHERE s.item <= ? ORDER BY w.item, colour", func(r row) (none struct{}, err error) {
			var id, t int64
			if err = r.Scan(&id, &t); err == nil {
				colours[id] = append(colours[id], untint(t))
			}
			return none, err
		}},
	} {
		if _, err := list(tx, q.scan, q.query, last); err != nil {
			return nil, nil, err
		}
	}
	now := map[int64]*indexed{}
	for id, f := range of {
		now[id] = &indexed{f.terms(), colours[id], f.wholeSide()}
	}
	return now, order, nil
}

func preparePostings(tx *sql.Tx) (*postings, error) {
	p := &postings{}
	for _, s := range []struct {
		dst   **sql.Stmt
		query string
	}{
		{&p.get, "SELECT items FROM term WHERE term = ?"},
		{&p.put, "INSERT OR REPLACE INTO term VALUES (?, ?)"},
		{&p.remove, "DELETE FROM term WHERE term = ?"},
		{&p.getChunk, "SELECT items FROM chunk WHERE key = ?"},
		{&p.putChunk, "INSERT OR REPLACE INTO chunk VALUES (?, ?)"},
		{&p.removeChunk, "DELETE FROM chunk WHERE key = ?"},
		{&p.clear, "DELETE FROM chunk WHERE key BETWEEN ? AND ?"},
		{&p.last, fmt.Sprintf("SELECT coalesce(max(key) >> %d, 0) FROM chunk", setBits)},
	} {
		st, err := tx.Prepare(s.query)
		if err != nil {
			return nil, err
		}
		*s.dst = st
	}
	return p, nil
}

func (p *postings) close() {
	for _, st := range []*sql.Stmt{p.get, p.put, p.remove, p.getChunk, p.putChunk, p.removeChunk, p.clear, p.last} {
		st.Close()
	}
}
