package catalogue

import (
	"context"
	"database/sql"
	"sort"
)

// DefaultLikeness is from where on pictures are called near copies. Measured on 2,436 open pictograms: 99 % of copies
// resized, moved on the page or coded at low JPEG quality lie above it, and one pair in 2,000 of different pictures,
// nearly all of them variants of one another by their artists' intent.
const DefaultLikeness = 0.92

// Near is an item that looks like another picture.
type Near struct {
	Hit
	Likeness float64 `json:"likeness"`           // 0..1, see Look.Likeness
	Mirrored bool    `json:"mirrored,omitempty"` // it looks like the picture turned left to right
}

// Near returns the items that look like l or like its mirror image, with a likeness of at least least, the likest
// first, at most limit; item, the ID of the picture itself, is left out.
//
// Candidates come from an index of parts of the perceptual hash, so that the time depends on how many pictures are
// somewhat alike. A copy whose hash differs in more than 11 of its 64 bits can be missed: one in a hundred of those
// resized or moved, one in five where a tenth of the drawing was painted over.
func (c *Catalogue) Near(l *Look, item int64, least float64, limit int) (near []Near, err error) {
	err = c.view(context.Background(), func(tx *sql.Tx) error {
		near, err = nearLooks(tx, l, item, least, limit)
		return err
	})
	return near, err
}

// nearLooks is Near inside a transaction.
func nearLooks(tx *sql.Tx, l *Look, item int64, least float64, limit int) ([]Near, error) {
	mirror := l.Mirrored()
	keys := append(l.nearKeys(), mirror.nearKeys()...)
	near, err := list(tx, func(r row) (n Near, err error) {
		var blob []byte
		if err := r.Scan(&n.ID, &blob); err != nil {
			return n, err
		}
		if other := lookOf(blob); other != nil {
			n.Likeness = l.Likeness(other)
			if m := mirror.Likeness(other); m > n.Likeness {
				n.Likeness, n.Mirrored = m, true
			}
		}
		return n, nil
	}, "SELECT id, look FROM item WHERE id IN (SELECT item FROM json_each(?) AS near CROSS JOIN lookup ON lookup.key = near.value) AND id <> ?", numbers(keys), item)
	if err != nil {
		return nil, err
	}
	kept := near[:0]
	for _, n := range near {
		if n.Likeness >= least {
			kept = append(kept, n)
		}
	}
	sort.Slice(kept, func(i, j int) bool {
		return kept[i].Likeness > kept[j].Likeness || kept[i].Likeness == kept[j].Likeness && kept[i].ID < kept[j].ID
	})
	kept = kept[:min(limit, len(kept))]
	for i := range kept {
		if kept[i].Hit, err = scanHit(tx.QueryRow("SELECT "+hitColumns+" FROM item i WHERE i.id = ?", kept[i].ID)); err != nil {
			return nil, err
		}
	}
	return kept, nil
}

// Pair is two items that look alike though no link says that they belong together.
type Pair struct {
	A        Hit     `json:"a"` // has the lower ID
	B        Hit     `json:"b"`
	Likeness float64 `json:"likeness"`
	Mirrored bool    `json:"mirrored,omitempty"`
}

// Pairs calls told for all near copies in the catalogue, in the order of their IDs. Items that are linked to each
// other, or to one and the same picture or master, are left out.
func (c *Catalogue) Pairs(ctx context.Context, least float64, told func(Pair)) error {
	ids, err := list(c.db, scanID, "SELECT id FROM item WHERE look IS NOT NULL AND kind <> 'reference' ORDER BY id")
	if err != nil {
		return c.wrap(err)
	}
	for _, id := range ids {
		if err := ctx.Err(); err != nil {
			return err
		}
		var pairs []Pair
		err := c.view(ctx, func(tx *sql.Tx) error {
			var blob []byte
			a, err := scanHit(tx.QueryRow("SELECT "+hitColumns+" FROM item i WHERE i.id = ?", id))
			if err == nil {
				err = tx.QueryRow("SELECT look FROM item WHERE id = ?", id).Scan(&blob)
			}
			look := lookOf(blob)
			if err == sql.ErrNoRows || err == nil && look == nil {
				return nil // gone since
			}
			if err != nil {
				return err
			}
			near, err := nearLooks(tx, look, id, least, len(ids))
			if err != nil {
				return err
			}
			for _, n := range near {
				if n.ID <= id || n.Kind == Reference {
					continue
				}
				together, err := linked(tx, id, n.ID)
				if err != nil {
					return err
				}
				if !together {
					pairs = append(pairs, Pair{a, n.Hit, n.Likeness, n.Mirrored})
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		for _, p := range pairs {
			told(p)
		}
	}
	return nil
}

// Doubles is Near for an item of the catalogue, without what is linked to it and without reference photographs.
func (c *Catalogue) Doubles(id int64, least float64, limit int) (out []Near, err error) {
	err = c.view(context.Background(), func(tx *sql.Tx) error {
		it, err := get(tx, id)
		if err != nil || it == nil || it.Look == nil || it.Kind == Reference {
			return err
		}
		near, err := nearLooks(tx, it.Look, id, least, mostSimilar)
		if err != nil {
			return err
		}
		for _, n := range near {
			if n.Kind == Reference || len(out) == limit {
				continue
			}
			together, err := linked(tx, id, n.ID)
			if err != nil {
				return err
			}
			if !together {
				out = append(out, n)
			}
		}
		return nil
	})
	return out, err
}
