package catalogue

import (
	"context"
	"database/sql"
	"encoding/json"
	"math"
	"slices"
	"sort"
	"strings"
	"sync"

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

const hitColumns = `i.id, i.kind, i.path, i.title, i.width, i.height, i.gone, coalesce((SELECT
	CASE place WHEN '' THEN state ELSE state || ', ' || place END
	FROM state WHERE item = i.id AND latest = 1 ORDER BY place <> '' DESC, day DESC, id DESC LIMIT 1), '')`

func scanHit(r row) (h Hit, err error) {
	return h, r.Scan(&h.ID, &h.Kind, &h.Path, &h.Title, &h.Width, &h.Height, &h.Gone, &h.State)
}

// A criterion is one thing asked for. It can lead, so that its rows are gone through, or filter what another one leads
// to.
type criterion struct {
	table string // to lead: a table whose column key is the item's ID; "" for item itself
	key   string
	cond  string // condition on the table
	order string // in which the table is quick to go through
	// filter is the condition on i.id; "" means cond.
	filter string
	// bulk is a filter that is worth its start where many rows are looked at; "" means filter.
	bulk string
	args []any // of cond and of filters
	many bool  // the table may hold several rows of an item
}

// from is the criterion leading a SELECT.
func (f criterion) from() string {
	if f.table == "" {
		return " FROM item i WHERE " + f.cond
	}
	return " FROM " + f.table + " CROSS JOIN item i ON i.id = " + f.key + " WHERE " + f.cond
}

// as is the criterion filtering.
func (f criterion) as() string {
	if f.filter == "" {
		return f.cond
	}
	return f.filter
}

// few is up to how many IDs a criterion may hold for to lead without being compared with others; criteria that hold for
// more than many are not told apart.
const (
	few  = 200
	many = 1 << 17
)

// Search returns what q asks for: by colour the nearest first, by size the smallest where that leads, else
// the newest. How long it takes depends on the number of hits and, where several things are asked for, on what the rarest of them holds for;
// not on the size of the catalogue.
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
	all, err := q.criteria()
	if err != nil {
		return nil, err
	}
	err = c.view(context.Background(), func(tx *sql.Tx) error {
		if q.Colour != nil {
			hits, err = byColour(tx, q, all)
			return err
		}
		lead, rows, err := rarest(tx, all)
		if err != nil {
			return err
		}
		query, args, order := hitColumns+" FROM item i WHERE 1", []any{}, "i.id DESC"
		if lead >= 0 {
			f := all[lead]
			query, args, order = hitColumns+f.from(), f.args, f.order
			if f.many {
				query = "DISTINCT " + query
			}
		}
		where, more := filters(all, lead, rows)
		hits, err = list(tx, scanHit, "SELECT "+query+where+" ORDER BY "+order+" LIMIT ?", slices.Concat(args, more, []any{q.Limit})...)
		return err
	})
	return hits, err
}

// fewLooks is up to how many rows are looked at one by one.
const fewLooks = 64

// filters joins the conditions of all criteria but the leading one, which holds for up to rows.
func filters(all []criterion, lead, rows int) (where string, args []any) {
	for i, f := range all {
		if i != lead {
			if rows > fewLooks && f.bulk != "" {
				where += " AND " + f.bulk
			} else {
				where += " AND " + f.as()
			}
			args = append(args, f.args...)
		}
	}
	return where, args
}

// criteria puts q into SQL, what usually holds for the fewest first.
func (q Query) criteria() ([]criterion, error) {
	var all []criterion
	if q.Words != "" {
		m := match(q.Words)
		if m == "" {
			return nil, errorf("%q holds no word to search for", short(q.Words))
		}
		all = append(all, criterion{
			table: "words", key: "words.rowid", cond: "words MATCH ?", order: "words.rowid DESC",
			filter: "EXISTS (SELECT 1 FROM words WHERE words MATCH ? AND rowid = i.id)",
			bulk:   "i.id IN (SELECT rowid FROM words WHERE words MATCH ?)",
			args:   []any{m},
		})
	}
	if q.State != "" || q.Place != "" {
		cond, args := "s.latest = 1", []any{}
		if q.State != "" {
			cond += " AND s.state = ?"
			args = append(args, q.State)
		}
		if q.Place != "" {
			cond += " AND s.place = ?"
			args = append(args, q.Place)
		}
		all = append(all, criterion{
			table: "state s", key: "s.item", cond: cond, order: "s.item DESC",
			filter: "EXISTS (SELECT 1 FROM state s WHERE s.item = i.id AND " + cond + ")",
			args:   args,
			many:   true,
		})
	}
	if q.Gone {
		all = append(all, criterion{cond: "i.gone = 1", order: "i.id DESC"})
	}
	if q.MinSide > 0 || q.MaxSide > 0 {
		if q.MaxSide == 0 {
			q.MaxSide = math.MaxFloat64
		}
		all = append(all, criterion{cond: "i.side BETWEEN ? AND ?", order: "i.side, i.id", args: []any{q.MinSide, q.MaxSide}})
	}
	if q.Kind != "" {
		all = append(all, criterion{cond: "i.kind = ?", order: "i.id DESC", args: []any{q.Kind}})
	}
	return all, nil
}

// rarest returns the criterion to lead, one that holds for about the fewest, and an upper bound of how many that are;
// where none holds for few, the first. It returns -1 where there is none. Counting costs no more than some times what
// the rarest holds for.
func rarest(tx *sql.Tx, all []criterion) (lead, most int, err error) {
	if len(all) < 2 {
		return len(all) - 1, math.MaxInt, nil
	}
	for most = few; most <= many; most *= 8 {
		for i, f := range all {
			n, err := first(tx, "SELECT count(*) FROM (SELECT 1"+f.from()+" LIMIT ?)", slices.Concat(f.args, []any{most + 1})...)
			if err != nil {
				return 0, 0, err
			}
			if n <= int64(most) {
				return i, int(n), nil
			}
		}
	}
	return 0, math.MaxInt, nil
}

// Colours are searched from the nearest outwards, by cells of 16 levels a channel. CIEDE2000 obeys no triangle
// inequality: a colour may be nearer to the one asked for than the middle of its cell by more than the cell's radius.
// By how much grows with the distance; margin is about half as much again as the most that six million random pairs
// showed (1.1 radii within 10, 1.5 within 15, 2.5 within 20, 3.4 within 30).
func margin(within float64) float64 { return max(1.5, within/6) }

// MostWithin is how far from a colour can be searched, CIEDE2000.
const MostWithin = 30.0

type cell struct {
	middle colour.Lab
	radius float64 // the largest difference from the middle to a corner, CIEDE2000
}

// cells holds all cells in the order of tint.
var cells = sync.OnceValue(func() []cell {
	out := make([]cell, 4096)
	for i := range out {
		lo := untint(int64(i) << 12)
		mid := colour.RGB{R: lo.R + 8, G: lo.G + 8, B: lo.B + 8}.Lab()
		c := cell{middle: mid}
		for k := range 8 {
			corner := colour.RGB{R: lo.R + uint8(k&1*15), G: lo.G + uint8(k>>1&1*15), B: lo.B + uint8(k>>2*15)}
			c.radius = max(c.radius, colour.Difference(mid, corner.Lab()))
		}
		out[i] = c
	}
	return out
})

// mostL is by how much L may differ, at most, for a CIEDE2000 of 1: the largest SL of the formula, at L = 0 or 100.
var mostL = 1 + 0.015*2500/math.Sqrt(20+2500)

// firstBatch is how many cells are looked into first; each time after it is twice as many.
const firstBatch = 4

// byColour returns the items with a swatch near q.Colour, the nearest first, that meet the other criteria: where one of
// those holds for few, out of these, else from the colour outwards.
func byColour(tx *sql.Tx, q Query, all []criterion) ([]Hit, error) {
	const fewer = 2000 // items whose swatches are looked at one by one
	for i, f := range all {
		n, err := first(tx, "SELECT count(*) FROM (SELECT 1"+f.from()+" LIMIT ?)", slices.Concat(f.args, []any{fewer + 1})...)
		if err != nil {
			return nil, err
		}
		if n <= fewer {
			return amongColour(tx, q, all, i, int(n))
		}
	}
	return nearColour(tx, q, all)
}

// amongColour goes through what the leading criterion holds for.
func amongColour(tx *sql.Tx, q Query, all []criterion, lead, rows int) ([]Hit, error) {
	where, more := filters(all, lead, rows)
	type swatch struct{ item, tint int64 }
	swatches, err := list(tx, func(r row) (s swatch, err error) { return s, r.Scan(&s.item, &s.tint) },
		"SELECT w.item, w.colour FROM (SELECT DISTINCT i.id AS id"+all[lead].from()+where+") AS few CROSS JOIN swatch w ON w.item = few.id",
		slices.Concat(all[lead].args, more)...)
	if err != nil {
		return nil, err
	}
	target := q.Colour.Lab()
	nearest := map[int64]float64{}
	var ids []int64
	for _, s := range swatches {
		d := colour.Difference(target, untint(s.tint).Lab())
		old, seen := nearest[s.item]
		if d > q.Within || seen && old <= d {
			continue
		}
		if !seen {
			ids = append(ids, s.item)
		}
		nearest[s.item] = d
	}
	sort.Slice(ids, func(i, j int) bool {
		return nearest[ids[i]] < nearest[ids[j]] || nearest[ids[i]] == nearest[ids[j]] && ids[i] > ids[j]
	})
	return hitsOf(tx, ids[:min(q.Limit, len(ids))], nearest)
}

// hitsOf returns the items of these IDs, in their order.
func hitsOf(tx *sql.Tx, ids []int64, difference map[int64]float64) ([]Hit, error) {
	hits, err := list(tx, scanHit, "SELECT "+hitColumns+" FROM json_each(?) AS wanted CROSS JOIN item i ON i.id = wanted.value ORDER BY wanted.id", numbers(ids))
	for i := range hits {
		hits[i].Difference = difference[hits[i].ID]
	}
	return hits, err
}

// nearColour returns the items with a swatch near q.Colour, the nearest first, that meet the other criteria.
func nearColour(tx *sql.Tx, q Query, all []criterion) ([]Hit, error) {
	f := finder{tx: tx, q: q, difference: map[int64]float64{}}
	f.where, f.args = filters(all, -1, 0)
	// none is nearer than the colour itself
	own, err := list(tx, scanTint, "SELECT colour, uses FROM tint WHERE colour = ?", tint(*q.Colour))
	if err != nil {
		return nil, err
	}
	if err := f.take(own); err != nil {
		return nil, err
	}
	if len(f.ids) == q.Limit {
		return hitsOf(tx, f.ids, f.difference)
	}
	target, k := q.Colour.Lab(), margin(q.Within)
	type candidate struct {
		cell  int
		bound float64 // no colour of the cell is nearer
	}
	var queue []candidate
	for i, c := range cells() {
		if math.Abs(c.middle.L-target.L) > mostL*(q.Within+k*c.radius) {
			continue
		}
		if b := colour.Difference(target, c.middle) - k*c.radius; b <= q.Within {
			queue = append(queue, candidate{i, b})
		}
	}
	sort.Slice(queue, func(i, j int) bool {
		return queue[i].bound < queue[j].bound || queue[i].bound == queue[j].bound && queue[i].cell < queue[j].cell
	})
	var tints []nearTint // seen, but not yet known to be the nearest left
	for batch := firstBatch; len(queue) > 0 && len(f.ids) < q.Limit; batch *= 2 {
		n := min(batch, len(queue))
		var starts []int64
		for _, c := range queue[:n] {
			starts = append(starts, int64(c.cell)<<12)
		}
		more, err := list(tx, func(r row) (t nearTint, err error) {
			err = r.Scan(&t.tint, &t.uses)
			t.difference = colour.Difference(target, untint(t.tint).Lab())
			return t, err
		}, "SELECT colour, uses FROM json_each(?) AS cell CROSS JOIN tint ON colour BETWEEN cell.value AND cell.value + 4095", numbers(starts))
		if err != nil {
			return nil, err
		}
		for _, t := range more {
			if t.difference <= q.Within {
				tints = append(tints, t)
			}
		}
		queue = queue[n:]
		sure := q.Within
		if len(queue) > 0 {
			sure = queue[0].bound
		}
		sort.Slice(tints, func(i, j int) bool {
			return tints[i].difference < tints[j].difference || tints[i].difference == tints[j].difference && tints[i].tint < tints[j].tint
		})
		final := sort.Search(len(tints), func(i int) bool { return tints[i].difference > sure })
		if err := f.take(tints[:final]); err != nil {
			return nil, err
		}
		tints = tints[final:]
	}
	return hitsOf(tx, f.ids, f.difference)
}

// nearTint is a colour that occurs.
type nearTint struct {
	tint, uses int64
	difference float64
}

func scanTint(r row) (t nearTint, err error) { return t, r.Scan(&t.tint, &t.uses) }

// finder gathers the items of colours.
type finder struct {
	tx         *sql.Tx
	q          Query
	where      string // the other criteria
	args       []any
	ids        []int64
	difference map[int64]float64 // of those seen
}

// take adds the items of the tints, which come in order, until there are enough.
func (f *finder) take(tints []nearTint) error {
	for len(tints) > 0 && len(f.ids) < f.q.Limit {
		// a run of rare colours is looked up at once; a colour of many items alone, and only as far as needed
		n, uses := 0, int64(0)
		for n < len(tints) && (n == 0 || uses+tints[n].uses <= few) {
			uses += tints[n].uses
			n++
		}
		if err := f.run(tints[:n]); err != nil {
			return err
		}
		tints = tints[n:]
	}
	return nil
}

func (f *finder) run(tints []nearTint) error {
	var keys []int64
	difference := map[int64]float64{}
	for _, t := range tints {
		keys = append(keys, t.tint)
		difference[t.tint] = t.difference
	}
	// a single colour is gone through as far as needed, items seen before come up again; several are sorted
	from, key, limit := "swatch s WHERE s.colour = ?", any(tints[0].tint), f.q.Limit+len(f.difference)
	if len(tints) > 1 {
		from, key, limit = "json_each(?) AS near CROSS JOIN swatch s ON s.colour = near.value WHERE 1", numbers(keys), few
	}
	if f.where != "" {
		from = strings.Replace(from, " WHERE", " CROSS JOIN item i ON i.id = s.item WHERE", 1)
	}
	type found struct{ item, tint int64 }
	got, err := list(f.tx, func(r row) (h found, err error) { return h, r.Scan(&h.item, &h.tint) },
		"SELECT DISTINCT s.item, s.colour FROM "+from+f.where+" ORDER BY s.item DESC LIMIT ?", slices.Concat([]any{key}, f.args, []any{limit})...)
	if err != nil {
		return err
	}
	sort.SliceStable(got, func(i, j int) bool { return difference[got[i].tint] < difference[got[j].tint] })
	for _, h := range got {
		if _, seen := f.difference[h.item]; !seen && len(f.ids) < f.q.Limit {
			f.difference[h.item] = difference[h.tint]
			f.ids = append(f.ids, h.item)
		}
	}
	return nil
}

// numbers is a list for json_each.
func numbers(n []int64) string {
	b, _ := json.Marshal(n) // numbers never fail
	return string(b)
}
