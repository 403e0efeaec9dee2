package catalogue

import (
	"slices"
	"testing"
	"time"

	"pochoir/quantize/colour"
)

// BenchmarkSearch searches a catalogue of 100,000 drawings with half a million colours. Beside the time it reports
// x-select: how many times as long a search takes as the plain select, by an index, of as many rows of the table of items,
// both prepared, one after the other in the same run; of both the median counts. x-page is the same for the 50 rows that
// the search asked for, of which there may be fewer.
func BenchmarkSearch(b *testing.B) {
	b.Chdir(b.TempDir())
	c, err := Create(DefaultName)
	must2(b, err)
	defer c.Close()
	const rows = 100000
	all := stock(b, c, rows)
	searches(b, c, &all[0].Palette[0].Colour, &all[700].Palette[1].Colour)
}

// searches times searches of the stock; house is a colour of many of it, rare one of few.
func searches(b *testing.B, c *Catalogue, house, rare *colour.RGB) {
	absent := &colour.RGB{R: 0x1a, G: 0x8c, B: 0x8c}
	for _, bench := range []struct {
		name string
		q    Query
	}{
		{"word-rare", Query{Words: "number777"}},
		{"word-some", Query{Words: "row1200"}},
		{"word-common", Query{Words: "lantern"}},
		{"prefix-rare", Query{Words: "number77*"}},
		{"prefix-common", Query{Words: "lanter*"}},
		{"prefix-long", Query{Words: "lighthous*"}},
		{"colour-of-house", Query{Colour: house}},
		{"colour-of-few", Query{Colour: rare}},
		{"colour-of-none", Query{Colour: absent}},
		{"state", Query{State: Sold}},
		{"state-at-place", Query{State: Delivered, Place: "library 3"}},
		{"size", Query{MinSide: 1000, MaxSide: 1100}},
		{"size-from", Query{MinSide: 2500}},
		{"kind", Query{Kind: Picture}},
		{"newest", Query{}},
		{"words-rare+common", Query{Words: "lantern row1200"}},
		{"words-common+common", Query{Words: "lantern harbour"}},
		{"words-common+none", Query{Words: "lantern gull"}},
		{"word+state", Query{Words: "kettle", State: Sold}},
		{"word+place", Query{Words: "kettle", Place: "library 3"}},
		{"word+size", Query{Words: "kettle", MinSide: 1000, MaxSide: 1100}},
		{"word+kind", Query{Words: "kettle", Kind: Picture}},
		{"word-some+colour-of-house", Query{Words: "row1200", Colour: house}},
		{"word-some+colour-of-none", Query{Words: "row1200", Colour: absent}},
		{"word-common+colour-of-house", Query{Words: "kettle", Colour: house}},
		{"word-common+colour-of-none", Query{Words: "kettle", Colour: absent}},
		{"state+size", Query{State: Sold, MinSide: 1000, MaxSide: 1100}},
		{"state+kind", Query{State: Sold, Kind: Picture}},
		{"state+colour-of-house", Query{State: Sold, Colour: house}},
		{"state+colour-of-none", Query{State: Sold, Colour: absent}},
		{"place+size", Query{Place: "library 3", MinSide: 1000, MaxSide: 1100}},
		{"place+colour-of-none", Query{Place: "library 3", Colour: absent}},
		{"size+kind", Query{MinSide: 1000, MaxSide: 1100, Kind: Picture}},
		{"size+colour-of-none", Query{MinSide: 1000, MaxSide: 1100, Colour: absent}},
		{"kind+colour-of-none", Query{Kind: Picture, Colour: absent}},
		{"word+state+size", Query{Words: "kettle", State: Delivered, MinSide: 1000, MaxSide: 1100}},
		{"word+place+size+kind+colour", Query{Words: "harbour", Place: "library 3", MinSide: 1000, Kind: Picture, Colour: house}},
	} {
		b.Run("rows=100000/"+bench.name, func(b *testing.B) {
			hits, err := c.Search(bench.q)
			must2(b, err)
			found := len(hits)
			read := max(found, 1) // where nothing is found, a select that reads one row is the least there is
			var search, plain, page []time.Duration
			from := 0
			for b.Loop() {
				clock := time.Now()
				if _, err := c.Search(bench.q); err != nil {
					b.Fatal(err)
				}
				middle := time.Now()
				from = (from + 7919) % 3000
				got, err := c.plain(float64(100+from), read)
				if err != nil || len(got) != read {
					b.Fatal(len(got), err)
				}
				end := time.Now()
				if got, err := c.plain(float64(100+(from+1500)%3000), DefaultLimit); err != nil || len(got) != DefaultLimit {
					b.Fatal(len(got), err)
				}
				search, plain, page = append(search, middle.Sub(clock)), append(plain, end.Sub(middle)), append(page, time.Since(end))
			}
			median := func(d []time.Duration) float64 {
				slices.Sort(d)
				return d[len(d)/2].Seconds() * 1e6
			}
			s, p := median(search), median(plain)
			b.ReportMetric(0, "ns/op") // of both together, and says nothing
			b.ReportMetric(float64(found), "found")
			b.ReportMetric(s, "search-µs")
			b.ReportMetric(p, "select-µs")
			b.ReportMetric(s/p, "x-select")
			b.ReportMetric(s/median(page), "x-page")
		})
	}
}

// plain selects n rows of the table of items by its index of sizes.
func (c *Catalogue) plain(from float64, n int) ([]Hit, error) {
	st, err := c.statement("SELECT id, kind, path, title, width, height, gone, standing FROM item WHERE side >= ? ORDER BY side LIMIT ?")
	if err != nil {
		return nil, err
	}
	rows, err := st.Query(from, n)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var hits []Hit
	for rows.Next() {
		h, err := scanHit(rows)
		if err != nil {
			return nil, err
		}
		hits = append(hits, h)
	}
	return hits, rows.Err()
}
