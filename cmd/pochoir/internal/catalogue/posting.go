package catalogue

import (
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math/bits"
	"slices"
	"sort"
	"strconv"

	"pochoir/quantize/colour"
)

// This file holds the index of sets: for every term - a word, a state, a kind - which items it holds for. A term of few
// items lists them in its row of the table term, with what else a search may ask of each; the items of others are bits, in
// chunks of chunkSize items, in the rows of the table chunk, so that several sets are intersected word by word.

const (
	chunkBits  = 14 // a chunk's bits fill half a page of the file
	chunkSize  = 1 << chunkBits
	setBits    = 18 // of a row's number in chunk, below that of the set: items up to 2^32
	lastChunk  = 1<<setBits - 1
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

// head is a term's row: few items with their records, or the number of many and that of their set.
type head struct {
	few     []int64  // ascending
	records [][]byte // nil for sorts of terms that need none
	many    int64    // 0 where few holds all
	set     int64
	top     int64 // no chunk of the set lies above
}

func (h *head) count() int64 { return max(h.many, int64(len(h.few))) }

func (h *head) encode() []byte {
	if h.many > 0 {
		b := []byte{1}
		for _, v := range [3]int64{h.many, h.set, h.top} {
			b = binary.AppendUvarint(b, uint64(v))
		}
		return b
	}
	if h.records == nil {
		return appendItems([]byte{2}, h.few)
	}
	b := appendItems([]byte{0}, h.few)
	for _, r := range h.records {
		b = append(b, r...)
	}
	return b
}

func decodeHead(b []byte) (h head, err error) {
	if len(b) < 2 {
		return h, errPosting
	}
	if b[0] == 1 {
		b = b[1:]
		for _, dst := range [3]*int64{&h.many, &h.set, &h.top} {
			v, k := binary.Uvarint(b)
			if k <= 0 {
				return h, errPosting
			}
			*dst, b = int64(v), b[k:]
		}
		if h.many == 0 {
			return h, errPosting
		}
		return h, nil
	}
	bare := b[0] == 2
	if h.few, b, err = cutItems(nil, b[1:]); err != nil || bare {
		return h, err
	}
	h.records = make([][]byte, 0, len(h.few))
	for range h.few {
		n, err := recordLength(b)
		if err != nil {
			return h, err
		}
		h.records = append(h.records, b[:n:n])
		b = b[n:]
	}
	return h, nil
}

// A record holds what a search may ask of an item beside the terms: its long side in whole pixels and its colours.

// mostColours is how many colours a record holds; those of items of more stand in indexed alone.
const mostColours = 24

func encodeRecord(side int, colours []colour.RGB) []byte {
	b := binary.AppendUvarint(nil, uint64(side))
	if len(colours) > mostColours {
		return append(b, 255)
	}
	b = append(b, byte(len(colours)))
	for _, c := range colours {
		b = shadeOf(c).encode(b)
	}
	return b
}

func recordLength(b []byte) (int, error) {
	_, k := binary.Uvarint(b)
	if k <= 0 || k >= len(b) {
		return 0, errPosting
	}
	n := k + 1
	if b[k] != 255 {
		n += int(b[k]) * colourBytes
	}
	if n > len(b) {
		return 0, errPosting
	}
	return n, nil
}

// recordSide is the side in a record.
func recordSide(r []byte) int {
	side, _ := binary.Uvarint(r)
	return int(side)
}

// recordColours are the colours in a record, as in indexed, and whether it holds them.
func recordColours(r []byte) ([]byte, bool) {
	_, k := binary.Uvarint(r)
	return r[k+1:], r[k] != 255
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

// delta is what is to be changed in a set, ascending. Items in fresh stay as they are, but their records have changed.
type delta struct{ add, remove, fresh []int64 }

// postings writes sets.
type postings struct {
	record func(id int64) []byte // of an item in a delta

	get, put, remove, getChunk, putChunk, removeChunk, clear, last *sql.Stmt
}

// bytesOf is the only column of the only row, nil where there is none.
func bytesOf(st *sql.Stmt, key any) (b []byte, err error) {
	if err = st.QueryRow(key).Scan(&b); err == sql.ErrNoRows {
		err = nil
	}
	return b, err
}

// head reads the row of a term.
func (p *postings) head(term string) (h head, err error) {
	b, err := bytesOf(p.get, term)
	if err == nil && b != nil {
		h, err = decodeHead(b)
	}
	return h, err
}

// change applies d to the set of a term. What is added may be there already, and what is removed may not.
func (p *postings) change(term string, d *delta) error {
	h, err := p.head(term)
	if err != nil {
		return err
	}
	if h.many == 0 {
		bare := term[:1] == sideTerm || term[:1] == colourTerm
		records := make(map[int64][]byte, len(h.few))
		for i, id := range h.few {
			records[id] = nil
			if !bare {
				records[id] = h.records[i]
			}
		}
		record := func(id int64) []byte {
			if bare {
				return nil
			}
			return p.record(id)
		}
		for _, id := range d.remove {
			delete(records, id)
		}
		for _, id := range slices.Concat(d.fresh, d.add) {
			records[id] = record(id)
		}
		h.few, h.records = h.few[:0], nil
		for id := range records {
			h.few = append(h.few, id)
		}
		slices.Sort(h.few)
		if len(h.few) <= mostListed {
			for _, id := range h.few {
				if !bare {
					h.records = append(h.records, records[id])
				}
			}
			return p.write(term, &h)
		}
		d = &delta{add: h.few}
		h.few = nil
		if err := p.last.QueryRow().Scan(&h.set); err != nil {
			return err
		}
		h.set++
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
		if chunk > lastChunk {
			return fmt.Errorf("item %d is one too many for the index", chunk<<chunkBits)
		}
		h.top = max(h.top, chunk)
		key := h.set<<setBits | chunk
		b, err := bytesOf(p.getChunk, key)
		var c bitset
		if err == nil {
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
			_, err = p.removeChunk.Exec(key)
		} else {
			_, err = p.putChunk.Exec(key, encodeChunk(&c))
		}
		if err != nil {
			return err
		}
	}
	return p.write(term, &h)
}

// write writes the row of a term, or takes it away where nothing is left.
func (p *postings) write(term string, h *head) (err error) {
	if h.count() == 0 {
		_, err = p.remove.Exec(term)
	} else {
		_, err = p.put.Exec(term, h.encode())
	}
	return err
}

// drop takes a term away with all its items.
func (p *postings) drop(term string) error {
	h, err := p.head(term)
	if err == nil && h.many > 0 {
		_, err = p.clear.Exec(h.set<<setBits, h.set<<setBits|lastChunk)
	}
	if err == nil {
		_, err = p.remove.Exec(term)
	}
	return err
}

// A group is a list of terms of which one must hold.
type group []string

// extent is a range of long sides in whole pixels, both ends included.
type extent struct{ lo, hi int }

// operand is a group as a search reads it.
type operand struct {
	few     []int64  // items of terms that list theirs, in any order
	records [][]byte // of these; nil for those without
	dense   []int64  // the first rows of the others' sets
	most    int64    // the items are not more
	top     int64    // nor in a chunk above
	size    bool     // the group is that of the size
	bare    bool     // some have no records
}

// sets finds the items for which all of some groups hold.
type sets struct {
	c    *Catalogue
	tx   *sql.Tx
	all  []operand // the rarest of those that are listed first, else the rarest of all
	size *extent
	none bool // nothing can be found
}

const (
	headsQuery  = "SELECT t.key, p.items FROM json_each(?) AS t CROSS JOIN term AS p ON p.term = t.value"
	rangeQuery  = "SELECT t.key, p.key, p.items FROM json_each(?1) AS t CROSS JOIN chunk AS p ON p.key BETWEEN t.value + ?2 AND t.value + ?3"
	chunksQuery = "SELECT t.key, p.key, p.items FROM json_each(?) AS t CROSS JOIN json_each(?) AS k CROSS JOIN chunk AS p ON p.key = t.value + k.value"
)

// sets looks up what there is of each group and, where size is not nil, of the sizes in it.
func (c *Catalogue) sets(tx *sql.Tx, groups []group, size *extent) (*sets, error) {
	s := &sets{c: c, tx: tx, size: size, all: make([]operand, len(groups))}
	err := s.heads(groups, s.all)
	if err != nil {
		return nil, err
	}
	listed := func(o *operand) bool { return len(o.dense) == 0 }
	sort.SliceStable(s.all, func(i, j int) bool {
		a, b := &s.all[i], &s.all[j]
		if listed(a) != listed(b) {
			return listed(a)
		}
		return a.most < b.most
	})
	if size != nil && (len(s.all) == 0 || !listed(&s.all[0]) || s.all[0].bare) {
		// no records to look for the size in
		by := []operand{{size: true}}
		if err := s.heads([]group{sides(size.lo, size.hi)}, by); err != nil {
			return nil, err
		}
		s.all = append(by, s.all...)
		sort.SliceStable(s.all, func(i, j int) bool { return s.all[i].most < s.all[j].most })
		if listed(&by[0]) {
			sort.SliceStable(s.all, func(i, j int) bool { return s.all[i].size && !s.all[j].size })
		}
		s.size = nil
	}
	s.none = len(s.all) == 0
	for i := range s.all {
		s.none = s.none || s.all[i].most == 0
	}
	return s, nil
}

// heads reads the rows of the groups' terms.
func (s *sets) heads(groups []group, all []operand) error {
	var terms []string
	var of []int
	for i, g := range groups {
		for _, t := range g {
			terms, of = append(terms, t), append(of, i)
		}
	}
	return s.c.each(s.tx, headsQuery, func(r row) error {
		var k int
		var b []byte
		if err := r.Scan(&k, &b); err != nil {
			return err
		}
		h, err := decodeHead(b)
		o := &all[of[k]]
		if o.most += h.count(); h.many > 0 {
			o.dense, o.top = append(o.dense, h.set<<setBits), max(o.top, h.top)
		} else {
			for _, id := range h.few {
				o.top = max(o.top, id>>chunkBits)
			}
			if h.records == nil {
				h.records = make([][]byte, len(h.few))
				o.bare = true
			}
			o.few, o.records = append(o.few, h.few...), append(o.records, h.records...)
		}
		return err
	}, texts(terms))
}

// load returns the items of the groups from the i-th on, each united from its terms, as far as they lie in the chunks
// from lo to hi or, where chunks is not nil, in these.
func (s *sets) load(i int, lo, hi int64, chunks []int64) ([]set, error) {
	out := make([]set, len(s.all))
	var keys []int64
	var of []int
	for k := i; k < len(s.all); k++ {
		out[k] = set{}
		for _, id := range s.all[k].few {
			if c := id >> chunkBits; c >= lo && c <= hi {
				out[k].add(id)
			}
		}
		for _, key := range s.all[k].dense {
			keys, of = append(keys, key), append(of, k)
		}
	}
	if len(keys) == 0 {
		return out[i:], nil
	}
	query, args := rangeQuery, []any{numbers(keys), lo, hi}
	if chunks != nil {
		query, args = chunksQuery, []any{numbers(keys), numbers(chunks)}
	}
	err := s.c.each(s.tx, query, func(r row) error {
		var k int
		var key int64
		var b sql.RawBytes
		if err := r.Scan(&k, &key, &b); err != nil {
			return err
		}
		return unite(out[of[k]].chunk(key&lastChunk), b)
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

// listed reports whether the rarest group lists its items.
func (s *sets) listed() bool { return s.none || len(s.all[0].dense) == 0 }

// among returns what is found where the rarest group lists its items, the newest first, with their records.
func (s *sets) among() ([]listing, error) {
	if s.none {
		return nil, nil
	}
	o := &s.all[0]
	var got []listing
	for i, id := range o.few {
		if s.size != nil {
			if side := recordSide(o.records[i]); side < s.size.lo || side > s.size.hi {
				continue
			}
		}
		got = append(got, listing{id, o.records[i]})
	}
	slices.SortFunc(got, func(a, b listing) int { return int(b.id - a.id) })
	got = slices.CompactFunc(got, func(a, b listing) bool { return a.id == b.id })
	if len(s.all) == 1 || len(got) == 0 {
		return got, nil
	}
	var chunks []int64
	for _, l := range got {
		if c := l.id >> chunkBits; len(chunks) == 0 || chunks[len(chunks)-1] != c {
			chunks = append(chunks, c)
		}
	}
	rest, err := s.load(1, 0, lastChunk, chunks)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(got, func(l listing) bool {
		return slices.ContainsFunc(rest, func(r set) bool { return !r.has(l.id) })
	}), nil
}

// listing is an item with its record.
type listing struct {
	id     int64
	record []byte
}

// whole returns all that is found where the groups are not listed.
func (s *sets) whole() (set, error) {
	all, err := s.load(0, 0, lastChunk, nil)
	if err != nil {
		return nil, err
	}
	return intersect(all), nil
}

// walk calls take for what is found, the newest first, until it returns false. About want are expected to be taken.
func (s *sets) walk(want int, take func(id int64) bool) error {
	if s.listed() {
		got, err := s.among()
		for i := 0; i < len(got) && take(got[i].id); i++ {
		}
		return err
	}
	// as many chunks as should do if what is asked for is spread evenly, then more and more
	top := s.all[0].top
	for _, o := range s.all {
		top = min(top, o.top)
	}
	each := float64(chunkSize)
	for _, o := range s.all {
		each *= min(1, float64(o.most)/float64((o.top+1)<<chunkBits))
	}
	n := int64(1)
	for n <= top && each*float64(n) < float64(want) {
		n++
	}
	for hi := top; hi >= 0; n *= 16 {
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
	b := make([]byte, 0, 2+8*len(n))
	b = append(b, '[')
	for i, v := range n {
		if i > 0 {
			b = append(b, ',')
		}
		b = strconv.AppendInt(b, v, 10)
	}
	return string(append(b, ']'))
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
