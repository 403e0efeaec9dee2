package catalogue

import (
	"context"
	"database/sql"
	"math"
	"slices"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/quantize/colour"
)

// Query is what is searched for; every field that is set must hold. The zero value finds everything.
type Query struct {
	Words   string      // all of them, in title, description, keywords or path; "boat*" is any word that begins so
	Colour  *colour.RGB // a swatch near this colour
	Within  float64     // how near, CIEDE2000; 0 means DefaultWithin
	Kind    Kind        // "" for all
	State   State       // where the item stands now, at any place; "" for all
	Place   string      // with or without a State: where it was delivered
	MinSide float64     // long side in px, inclusive
	MaxSide float64     // 0 for no limit
	Gone    bool        // only what a scan no longer found
	Limit   int         // 0 means DefaultLimit
}

// Defaults of a Query.
const (
	DefaultWithin = 10.0 // CIEDE2000: one would give both colours the same name
	DefaultLimit  = 50
)

// Hit is one item found.
type Hit struct {
	ID         int64   `json:"id"`
	Kind       Kind    `json:"kind"`
	Path       string  `json:"path"`
	Title      string  `json:"title,omitempty"`
	Width      float64 `json:"width"`
	Height     float64 `json:"height"`
	State      string  `json:"state,omitempty"` // how it stands: at the place heard of last, before how it stands at home: "refused, deck library"
	Gone       bool    `json:"gone,omitempty"`
	Difference float64 `json:"difference,omitempty"` // from the colour asked for, CIEDE2000; else 0
}

const hitColumns = "i.id, i.kind, i.path, i.title, i.width, i.height, i.gone, i.standing"

func scanHit(r row) (h Hit, err error) {
	return h, r.Scan(&h.ID, &h.Kind, &h.Path, &h.Title, &h.Width, &h.Height, &h.Gone, &h.State)
}

// Search returns what q asks for: by colour the nearest first, equally near ones and all others the newest first. How long
// it takes depends on the number of hits, not on the size of the catalogue.
func (c *Catalogue) Search(q Query) (hits []Hit, err error) {
	if q.Limit == 0 {
		q.Limit = DefaultLimit
	}
	if q.Within == 0 {
		q.Within = DefaultWithin
	}
	if !(q.Within > 0 && q.Within <= MostWithin) {
		return nil, errorf("within %g of a colour, want up to %g (CIEDE2000)", q.Within, MostWithin)
	}
	err = c.view(context.Background(), func(tx *sql.Tx) error {
		crit, err := c.criteria(tx, q)
		switch {
		case err != nil:
		case q.Colour != nil:
			hits, err = c.byColour(tx, q, crit)
		default:
			err = c.newest(tx, crit, q.Limit, func(h Hit) { hits = append(hits, h) })
		}
		return err
	})
	return hits, err
}

// criteria are a query's demands on the index, and what the index leaves open.
type criteria struct {
	groups  []group // all must hold
	size    *extent // and the size lie in it, nil for any
	phrases []asked // words in a row; the index only says that they are there
	minSide float64 // parts of a pixel are not in the index
	maxSide float64
	sized   bool
}

// criteria puts q, without its colour, into terms.
func (c *Catalogue) criteria(tx *sql.Tx, q Query) (*criteria, error) {
	crit := &criteria{}
	if q.Words != "" {
		all := words(q.Words)
		if len(all) == 0 {
			return nil, errorf("%q holds no word to search for", short(q.Words))
		}
		for _, a := range all {
			groups, start := a.groups()
			if start != "" {
				g, err := list(tx, scanString, "SELECT term FROM term WHERE term BETWEEN ? AND ?",
					wordTerm+start, wordTerm+start+"\U0010ffff")
				if err != nil {
					return nil, err
				}
				groups = append(groups, g)
			}
			crit.groups = append(crit.groups, groups...)
			if !a.sure() {
				crit.phrases = append(crit.phrases, a)
			}
		}
	}
	place := meta.Fold(q.Place)
	switch {
	case q.State != "" && place != "":
		crit.groups = append(crit.groups, group{thereTerm + string(q.State) + " " + place})
	case q.State != "":
		crit.groups = append(crit.groups, group{stateTerm + string(q.State)})
	case place != "":
		crit.groups = append(crit.groups, group{placeTerm + place})
	}
	if q.Gone {
		crit.groups = append(crit.groups, group{goneTerm})
	}
	if q.Kind != "" {
		crit.groups = append(crit.groups, group{kindTerm + string(q.Kind)})
	}
	if q.MinSide > 0 || q.MaxSide > 0 {
		crit.sized, crit.minSide, crit.maxSide = true, q.MinSide, q.MaxSide
		if crit.maxSide == 0 {
			crit.maxSide = math.MaxFloat64
		}
		crit.size = &extent{wholeSide(crit.minSide), wholeSide(crit.maxSide)}
	}
	return crit, nil
}

// holds decides what the index leaves open.
func (crit *criteria) holds(tx *sql.Tx, h Hit) (bool, error) {
	if side := max(h.Width, h.Height); crit.sized && !(side > 0 && side >= crit.minSide && side <= crit.maxSide) {
		return false, nil
	}
	if len(crit.phrases) == 0 {
		return true, nil
	}
	it, err := get(tx, h.ID)
	if err != nil || it == nil {
		return false, err
	}
	for _, a := range crit.phrases {
		if !a.inAny(append([]string{it.Title, it.Description, it.Path}, it.Keywords...)) {
			return false, nil
		}
	}
	return true, nil
}

// newest calls take for what meets the criteria, the newest first, at most limit.
func (c *Catalogue) newest(tx *sql.Tx, crit *criteria, limit int, take func(Hit)) error {
	if len(crit.groups) == 0 && crit.size == nil {
		return c.each(tx, "SELECT "+hitColumns+" FROM item i ORDER BY id DESC LIMIT ?", func(r row) error {
			h, err := scanHit(r)
			take(h)
			return err
		}, limit)
	}
	s, err := c.sets(tx, crit.groups, crit.size)
	if err != nil {
		return err
	}
	var ids []int64
	n := 0
	look := func() error {
		err := c.hits(tx, ids, func(h Hit) error {
			ok, err := crit.holds(tx, h)
			if ok {
				n++
				take(h)
			}
			return err
		})
		ids = ids[:0]
		return err
	}
	var failed error
	err = s.walk(limit, func(id int64) bool {
		if ids = append(ids, id); len(ids) == limit-n {
			failed = look()
		}
		return failed == nil && n < limit
	})
	if err == nil {
		err = failed
	}
	if err == nil && len(ids) > 0 {
		err = look()
	}
	return err
}

// hits calls take for the items of these IDs, in their order. Within take, tx may be used.
func (c *Catalogue) hits(tx *sql.Tx, ids []int64, take func(Hit) error) error {
	hits := make([]Hit, 0, len(ids))
	err := c.each(tx, "SELECT "+hitColumns+" FROM json_each(?) AS t CROSS JOIN item i ON i.id = t.value ORDER BY t.id", func(r row) error {
		h, err := scanHit(r)
		hits = append(hits, h)
		return err
	}, numbers(ids))
	for i := 0; i < len(hits) && err == nil; i++ {
		err = take(hits[i])
	}
	return err
}

// fewItems is up to how many items are looked at one by one for their colours.
const fewItems = 100

// byColour returns the items with a swatch near q.Colour that meet the criteria.
func (c *Catalogue) byColour(tx *sql.Tx, q Query, crit *criteria) ([]Hit, error) {
	b := ballAround(q.Colour.Lab(), q.Within)
	var few []listing // where not nil, all that meet the other criteria
	var among set     // else these, where not nil
	if len(crit.groups) > 0 || crit.size != nil {
		s, err := c.sets(tx, crit.groups, crit.size)
		switch {
		case err != nil:
			return nil, err
		case s.listed():
			if few, err = s.among(); len(few) == 0 {
				return nil, err
			}
		default:
			// of a colour of many there may be enough at once, and none is nearer than itself
			if hits, err := c.ofColour(tx, q, crit); err != nil || len(hits) == q.Limit {
				return hits, err
			}
			if among, err = s.whole(); err != nil || len(among) == 0 {
				return nil, err
			}
			if among.count() <= fewItems {
				among.each(func(id int64) bool { few = append(few, listing{id: id}); return true })
			}
		}
	}
	var hits []Hit
	for limit := q.Limit; ; limit *= 8 {
		var found []near
		var err error
		if few != nil {
			found, err = c.amongColours(tx, few, &b)
		} else {
			found, err = c.nearColours(tx, among, &b, limit)
		}
		if err != nil {
			return nil, err
		}
		last := few != nil || len(found) < limit
		hits = hits[:0]
		for len(found) > 0 && len(hits) < q.Limit {
			n := min(len(found), q.Limit-len(hits))
			ids, difference := make([]int64, n), make(map[int64]float64, n)
			for i, f := range found[:n] {
				ids[i], difference[f.id] = f.id, f.difference
			}
			found = found[n:]
			err := c.hits(tx, ids, func(h Hit) error {
				ok, err := crit.holds(tx, h)
				if ok {
					h.Difference = difference[h.ID]
					hits = append(hits, h)
				}
				return err
			})
			if err != nil {
				return nil, err
			}
		}
		if last || len(hits) == q.Limit {
			return hits, nil
		}
	}
}

// ofColour returns the newest items of just q.Colour that meet the criteria, where it is a colour of many.
func (c *Catalogue) ofColour(tx *sql.Tx, q Query, crit *criteria) (hits []Hit, err error) {
	term, many := colourSet(*q.Colour), false
	err = c.each(tx, "SELECT 1 FROM term WHERE term = ?", func(row) error {
		many = true
		return nil
	}, term)
	if err != nil || !many {
		return nil, err
	}
	own := *crit
	own.groups = append(slices.Clone(crit.groups), group{term})
	err = c.newest(tx, &own, q.Limit, func(h Hit) { hits = append(hits, h) })
	return hits, err
}
