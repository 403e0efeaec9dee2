package catalogue

import (
	"context"
	"database/sql"
	"testing"
	"time"

	"pochoir/quantize/colour"
)

// BenchmarkSearch searches a catalogue of 100,000 drawings with half a million colours. Beside the time it reports
// x-select: how many times as long a search takes as the plain select, by an index, of as many rows of one table, asked
// for in turn with it. How far beyond the first hits a search has to look does not show in that figure, so the rows
// found are reported too.
func BenchmarkSearch(b *testing.B) {
	b.Chdir(b.TempDir())
	c, err := Create(DefaultName)
	must2(b, err)
	defer c.Close()
	const rows = 100000
	all := stock(b, c, rows)
	teal := colour.RGB{R: 0x1a, G: 0x8c, B: 0x8c}
	cells() // made once a run of the program
	for _, bench := range []struct {
		name string
		q    Query
	}{
		{"word-rare", Query{Words: "number777"}},
		{"word-some", Query{Words: "row1200"}},
		{"word-common", Query{Words: "lantern"}},
		{"words-two", Query{Words: "lantern row1200"}},
		{"prefix", Query{Words: "lanter*"}},
		{"colour", Query{Colour: &teal}},
		{"colour-house", Query{Colour: &all[0].Palette[0].Colour}},
		{"state", Query{State: Sold}},
		{"place", Query{State: Delivered, Place: "library 3"}},
		{"size", Query{MinSide: 1000, MaxSide: 1100}},
		{"word-state", Query{Words: "kettle", State: Sold}},
		{"word-colour", Query{Words: "row1200", Colour: &all[0].Palette[0].Colour}},
		{"state-size", Query{State: Sold, MinSide: 1000, MaxSide: 1100}},
		{"newest", Query{}},
	} {
		b.Run("rows=100000/"+bench.name, func(b *testing.B) {
			hits, err := c.Search(bench.q)
			must2(b, err)
			found := len(hits)
			if found == 0 {
				b.Fatal("nothing found")
			}
			var search, plain time.Duration
			from := 0
			for b.Loop() {
				clock := time.Now()
				if _, err := c.Search(bench.q); err != nil {
					b.Fatal(err)
				}
				middle := time.Now()
				from = (from + 7919) % 3000
				got, err := c.plain(float64(100+from), found)
				if err != nil || len(got) != found {
					b.Fatal(len(got), err)
				}
				search += middle.Sub(clock)
				plain += time.Since(middle)
			}
			b.ReportMetric(float64(found), "found")
			b.ReportMetric(search.Seconds()*1e6/float64(b.N), "search-µs")
			b.ReportMetric(plain.Seconds()*1e6/float64(b.N), "select-µs")
			b.ReportMetric(search.Seconds()/plain.Seconds(), "x-select")
		})
	}
}

// plain selects n rows of the table of items by its index of sizes.
func (c *Catalogue) plain(from float64, n int) (hits []Hit, err error) {
	err = c.view(context.Background(), func(tx *sql.Tx) error {
		hits, err = list(tx, func(r row) (h Hit, err error) {
			return h, r.Scan(&h.ID, &h.Kind, &h.Path, &h.Title, &h.Width, &h.Height, &h.Gone, &h.State)
		}, "SELECT id, kind, path, title, width, height, gone, added FROM item WHERE side >= ? ORDER BY side LIMIT ?", from, n)
		return err
	})
	return hits, err
}
