package catalogue

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"math/bits"
	"slices"
	"sort"
)

// This file holds the index of sets: for every term - a word, a state, a kind - which items it holds for. Sets are kept as
// bits, in chunks of chunkSize items, so that several are intersected word by word; of what holds for few items, all are
// in one row.
//
// A row of the table posting is named by term and chunk. Each term has a row at chunk headChunk: with its items, where
// there are up to mostListed, else with their number only; then the items are in rows of their own.

const (
	chunkBits  = 12
	chunkSize  = 1 << chunkBits
	headChunk  = 1 << 40 // above all chunks of items
	mostListed = 255
)

// bitset is which items of a chunk are in a set.
type bitset [chunkSize / 64]uint64

func (b *bitset) has(i int64) bool { return b[i>>6]>>(i&63)&1 == 1 }
func (b *bitset) set(i int64)      { b[i>>6] |= 1 << (i & 63) }
func (b *bitset) clear(i int64)    { b[i>>6] &^= 1 << (i & 63) }

func (b *bitset) count() (n int) {
	for _, w := range b {
		n += bits.OnesCount64(w)
	}
	return n
}

// set is a set of items, by chunk.
type set map[int64]*bitset

func (s set) add(id int64) { s.chunk(id >> chunkBits).set(id & (chunkSize - 1)) }

// chunk returns a chunk to be changed.
func (s set) chunk(c int64) *bitset {
	b := s[c]
	if b == nil {
		b = &bitset{}
		s[c] = b
	}
	return b
}

func (s set) has(id int64) bool {
	b := s[id>>chunkBits]
	return b != nil && b.has(id&(chunkSize-1))
}

func (s set) count() (n int) {
	for _, b := range s {
		n += b.count()
	}
	return n
}

// chunks lists the chunks that hold items, the newest first.
func (s set) chunks() []int64 {
	out := make([]int64, 0, len(s))
	for c := range s {
		out = append(out, c)
	}
	slices.Sort(out)
	slices.Reverse(out)
	return out
}

// each calls do for the items, the newest first, until it returns false, and reports whether it never did.
func (s set) each(do func(id int64) bool) bool {
	for _, c := range s.chunks() {
		b := s[c]
		for i := len(b) - 1; i >= 0; i-- {
			for w := b[i]; w != 0; {
				top := 63 - bits.LeadingZeros64(w)
				w &^= 1 << top
				if !do(c<<chunkBits | int64(i<<6|top)) {
					return false
				}
			}
		}
	}
	return true
}

var errPosting = errors.New("the index of words is damaged; export and import makes a new one")

// head is the head row of a term: few items, or the number of many.
type head struct {
	few  []int64 // ascending
	many int64   // 0 where few holds all
}

func (h head) count() int64 { return max(h.many, int64(len(h.few))) }

func (h head) encode() []byte {
	if h.many > 0 {
		return binary.AppendUvarint([]byte{1}, uint64(h.many))
	}
	return appendItems([]byte{0}, h.few)
}

func decodeHead(b []byte) (h head, err error) {
	if len(b) < 2 {
		return h, errPosting
	}
	if b[0] == 1 {
		n, k := binary.Uvarint(b[1:])
		if k <= 0 || n == 0 {
			return h, errPosting
		}
		h.many = int64(n)
		return h, nil
	}
	h.few, _, err = cutItems(nil, b[1:])
	return h, err
}

// appendItems appends a list of items, ascending, to b: their number and the steps between them.
func appendItems(b []byte, ids []int64) []byte {
	b = binary.AppendUvarint(b, uint64(len(ids)))
	last := int64(0)
	for _, id := range ids {
		b = binary.AppendUvarint(b, uint64(id-last))
		last = id
	}
	return b
}

// cutItems reads a list of items from the beginning of b, appends it to dst and returns the rest of b.
func cutItems(dst []int64, b []byte) (ids []int64, rest []byte, err error) {
	n, k := binary.Uvarint(b)
	if k <= 0 || n > uint64(len(b)) {
		return nil, nil, errPosting
	}
	b = b[k:]
	last := int64(0)
	for range n {
		d, k := binary.Uvarint(b)
		if k <= 0 {
			return nil, nil, errPosting
		}
		b = b[k:]
		last += int64(d)
		dst = append(dst, last)
	}
	return dst, b, nil
}

// A chunk's row holds the places in it as 16-bit numbers or, where there are as many as that takes as much, as bits.

func encodeChunk(c *bitset) []byte {
	if c.count() >= len(c)*4 {
		b := make([]byte, 0, 8*len(c))
		for _, w := range c {
			b = binary.LittleEndian.AppendUint64(b, w)
		}
		return b
	}
	var b []byte
	for i, w := range c {
		for ; w != 0; w &= w - 1 {
			b = binary.LittleEndian.AppendUint16(b, uint16(i<<6|bits.TrailingZeros64(w)))
		}
	}
	return b
}

// unite adds what a chunk's row holds to c.
func unite(c *bitset, b []byte) error {
	if len(b) == 8*len(c) {
		for i := range c {
			c[i] |= binary.LittleEndian.Uint64(b[8*i:])
		}
		return nil
	}
	if len(b)%2 != 0 || len(b) > 8*len(c) {
		return errPosting
	}
	for i := 0; i < len(b); i += 2 {
		v := int64(binary.LittleEndian.Uint16(b[i:]))
		if v >= chunkSize {
			return errPosting
		}
		c.set(v)
	}
	return nil
}

// delta is what is to be changed in a set, ascending.
type delta struct{ add, remove []int64 }

// postings writes sets.
type postings struct{ get, put, remove, clear *sql.Stmt }

func (p *postings) row(term string, chunk int64) (b []byte, err error) {
	if err = p.get.QueryRow(term, chunk).Scan(&b); err == sql.ErrNoRows {
		err = nil
	}
	return b, err
}

// change applies d to the set of a term. What is added may be there already, and what is removed may not.
func (p *postings) change(term string, d *delta) error {
	b, err := p.row(term, headChunk)
	if err != nil {
		return err
	}
	var h head
	if b != nil {
		if h, err = decodeHead(b); err != nil {
			return err
		}
	}
	if h.many == 0 {
		kept := slices.DeleteFunc(h.few, func(id int64) bool { return slices.Contains(d.remove, id) })
		kept = append(kept, d.add...)
		slices.Sort(kept)
		kept = slices.Compact(kept)
		if len(kept) <= mostListed {
			h.few = kept
			return p.head(term, h)
		}
		d, h.few = &delta{add: kept}, nil
	}
	parts := map[int64]*delta{}
	part := func(id int64) *delta {
		c := id >> chunkBits
		if parts[c] == nil {
			parts[c] = &delta{}
		}
		return parts[c]
	}
	for _, id := range d.add {
		part(id).add = append(part(id).add, id&(chunkSize-1))
	}
	for _, id := range d.remove {
		part(id).remove = append(part(id).remove, id&(chunkSize-1))
	}
	for chunk, d := range parts {
		var c bitset
		if b, err = p.row(term, chunk); err == nil {
			err = unite(&c, b)
		}
		if err != nil {
			return err
		}
		before := c.count()
		for _, i := range d.remove {
			c.clear(i)
		}
		for _, i := range d.add {
			c.set(i)
		}
		after := c.count()
		h.many += int64(after - before)
		if after == 0 {
			_, err = p.remove.Exec(term, chunk)
		} else {
			_, err = p.put.Exec(term, chunk, encodeChunk(&c))
		}
		if err != nil {
			return err
		}
	}
	return p.head(term, h)
}

// head writes the head row of a term, or takes it away where nothing is left.
func (p *postings) head(term string, h head) (err error) {
	if h.count() == 0 {
		_, err = p.remove.Exec(term, headChunk)
	} else {
		_, err = p.put.Exec(term, headChunk, h.encode())
	}
	return err
}

// A group is a list of terms of which one must hold.
type group []string

// operand is a group as a search reads it.
type operand struct {
	few   []int64 // items of terms that list theirs, in any order
	dense []string
	most  int64 // the items are not more
}

// sets finds the items for which all of some groups hold.
type sets struct {
	c     *Catalogue
	tx    *sql.Tx
	all   []operand // the rarest that has no dense terms, else the rarest, first
	none  bool      // nothing can be found
	items int64     // the highest number of an item
}

const (
	headsQuery  = "SELECT t.key, p.items FROM json_each(?) AS t CROSS JOIN posting AS p ON p.term = t.value AND p.chunk = ?"
	rangeQuery  = "SELECT t.key, p.chunk, p.items FROM json_each(?) AS t CROSS JOIN posting AS p ON p.term = t.value AND p.chunk BETWEEN ? AND ?"
	chunksQuery = "SELECT t.key, p.chunk, p.items FROM json_each(?) AS t CROSS JOIN json_each(?) AS k CROSS JOIN posting AS p ON p.term = t.value AND p.chunk = k.value"
)

// sets looks up what there is of each group.
func (c *Catalogue) sets(tx *sql.Tx, groups []group) (*sets, error) {
	s := &sets{c: c, tx: tx, all: make([]operand, len(groups))}
	var terms []string
	var of []int
	for i, g := range groups {
		for _, t := range g {
			terms, of = append(terms, t), append(of, i)
		}
	}
	err := c.each(tx, headsQuery, func(r row) error {
		var k int
		var b sql.RawBytes
		if err := r.Scan(&k, &b); err != nil {
			return err
		}
		h, err := decodeHead(b)
		o := &s.all[of[k]]
		if o.most += h.count(); h.many > 0 {
			o.dense = append(o.dense, terms[k])
		} else {
			o.few = append(o.few, h.few...)
		}
		return err
	}, texts(terms), headChunk)
	if err != nil {
		return nil, err
	}
	s.none = len(groups) == 0
	for _, o := range s.all {
		s.none = s.none || o.most == 0
	}
	sort.SliceStable(s.all, func(i, j int) bool {
		a, b := s.all[i], s.all[j]
		if listed := len(a.dense) == 0; listed != (len(b.dense) == 0) {
			return listed
		}
		return a.most < b.most
	})
	if s.none || len(s.all[0].dense) == 0 {
		return s, nil
	}
	return s, c.each(tx, "SELECT max(id) FROM item", func(r row) error { return r.Scan(&s.items) })
}

// load returns the items of the groups from the i-th on, each united from its terms, as far as they lie in the chunks
// from lo to hi or, where chunks is not nil, in these.
func (s *sets) load(i int, lo, hi int64, chunks []int64) ([]set, error) {
	out := make([]set, len(s.all))
	var terms []string
	var of []int
	for k := i; k < len(s.all); k++ {
		out[k] = set{}
		for _, id := range s.all[k].few {
			if c := id >> chunkBits; c >= lo && c <= hi {
				out[k].add(id)
			}
		}
		for _, t := range s.all[k].dense {
			terms, of = append(terms, t), append(of, k)
		}
	}
	if len(terms) == 0 {
		return out[i:], nil
	}
	query, args := rangeQuery, []any{texts(terms), lo, hi}
	if chunks != nil {
		query, args = chunksQuery, []any{texts(terms), numbers(chunks)}
	}
	err := s.c.each(s.tx, query, func(r row) error {
		var k int
		var chunk int64
		var b sql.RawBytes
		if err := r.Scan(&k, &chunk, &b); err != nil {
			return err
		}
		return unite(out[of[k]].chunk(chunk), b)
	}, args...)
	return out[i:], err
}

// intersect keeps in all[0] what is in all the others too, and returns it.
func intersect(all []set) set {
	first := all[0]
	for _, other := range all[1:] {
		for c, b := range first {
			o := other[c]
			if o == nil {
				delete(first, c)
				continue
			}
			any := uint64(0)
			for i := range b {
				b[i] &= o[i]
				any |= b[i]
			}
			if any == 0 {
				delete(first, c)
			}
		}
	}
	return first
}

// listed returns what is found where the rarest group lists its items.
func (s *sets) listed() (set, error) {
	got := set{}
	for _, id := range s.all[0].few {
		got.add(id)
	}
	if len(s.all) == 1 {
		return got, nil
	}
	chunks := got.chunks()
	rest, err := s.load(1, 0, headChunk-1, chunks)
	if err != nil {
		return nil, err
	}
	return intersect(append([]set{got}, rest...)), nil
}

// whole returns all that is found.
func (s *sets) whole() (set, error) {
	switch {
	case s.none:
		return set{}, nil
	case len(s.all[0].dense) == 0:
		return s.listed()
	}
	all, err := s.load(0, 0, headChunk-1, nil)
	if err != nil {
		return nil, err
	}
	return intersect(all), nil
}

// walk calls take for what is found, the newest first, until it returns false. About want are expected to be taken.
func (s *sets) walk(want int, take func(id int64) bool) error {
	if s.none {
		return nil
	}
	if len(s.all[0].dense) == 0 {
		got, err := s.listed()
		if err == nil {
			got.each(take)
		}
		return err
	}
	// as many chunks as should do if what is asked for is spread evenly, then more and more
	top := s.items >> chunkBits
	each := float64(chunkSize)
	for _, o := range s.all {
		each *= min(1, float64(o.most)/float64(s.items))
	}
	n := int64(1)
	for n <= top && each*float64(n) < float64(want) {
		n++
	}
	for hi := top; hi >= 0; n *= 4 {
		lo := max(0, hi-n+1)
		all, err := s.load(0, lo, hi, nil)
		if err != nil {
			return err
		}
		if !intersect(all).each(take) {
			return nil
		}
		hi = lo - 1
	}
	return nil
}

// texts is a list for json_each.
func texts(s []string) string {
	b, _ := json.Marshal(s) // text never fails
	return string(b)
}

// numbers is a list for json_each.
func numbers(n []int64) string {
	b, _ := json.Marshal(n) // numbers never fail
	return string(b)
}

// statement returns a query prepared once for all searches.
func (c *Catalogue) statement(query string) (*sql.Stmt, error) {
	c.preparing.Lock()
	defer c.preparing.Unlock()
	st := c.prepared[query]
	if st == nil {
		var err error
		if st, err = c.db.Prepare(query); err != nil {
			return nil, err
		}
		if c.prepared == nil {
			c.prepared = map[string]*sql.Stmt{}
		}
		c.prepared[query] = st
	}
	return st, nil
}

// each runs a query of a view, prepared once, and calls do for its rows.
func (c *Catalogue) each(tx *sql.Tx, query string, do func(row) error, args ...any) error {
	st, err := c.statement(query)
	if err != nil {
		return err
	}
	rows, err := tx.Stmt(st).QueryContext(context.Background(), args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := do(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
