package catalogue

import (
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"testing"

	"pochoir/quantize/colour"
)

// stock fills c with n made-up drawings, quickly.
func stock(t testing.TB, c *Catalogue, n int) []*Item {
	t.Helper()
	rng := rand.New(rand.NewPCG(5, uint64(n)))
	subjects := []string{"boat", "buoy", "lantern", "lighthouse", "gull", "oilskin", "rope", "kettle", "crab pot", "cleat"}
	// half of the colours come from a house palette, the others are all different
	house := make([]colour.RGB, 24)
	random := func() colour.RGB {
		return colour.RGB{R: uint8(rng.IntN(256)), G: uint8(rng.IntN(256)), B: uint8(rng.IntN(256))}
	}
	for i := range house {
		house[i] = random()
	}
	var all []*Item
	for i := range n {
		s := subjects[rng.IntN(len(subjects))]
		it := &Item{Kind: Drawing, Path: fmt.Sprintf("stock/%s-%d.svg", s, i), Hash: fmt.Sprintf("%064x", i), Bytes: 1000, Modified: 1,
			Width: float64(100 + rng.IntN(4000)), Height: float64(100 + rng.IntN(4000)), Title: fmt.Sprintf("%s number%d", s, i),
			Keywords: []string{s, "harbour", fmt.Sprintf("row%d", i/40)}, Look: randomLook(rng), Added: "2026-01-01"}
		if i%5 == 0 {
			it.Kind = Picture
		}
		for k := range 5 {
			rgb := house[rng.IntN(len(house))]
			if k%2 == 1 {
				rgb = random()
			}
			it.Palette = append(it.Palette, Swatch{fmt.Sprintf("c%d", k), rgb, 0.2})
		}
		all = append(all, it)
	}
	for start := 0; start < n; start += 2000 {
		must2(t, c.change(func(tx *sql.Tx) error {
			for i := start; i < min(start+2000, n); i++ {
				id, err := put(tx, all[i])
				if err != nil {
					return err
				}
				all[i].ID = id
				events := []Event{{State: Traced, Day: "2026-01-01"}}
				if i%3 == 0 {
					events = append(events, Event{State: Delivered, Place: fmt.Sprintf("library %d", i%4), Day: "2026-01-02"})
				}
				if i%500 == 0 {
					events = append(events, Event{State: Sold, Place: "library 9", Day: "2026-01-03"})
				}
				for _, e := range events {
					if err := record(tx, id, e); err != nil {
						return err
					}
				}
			}
			return nil
		}))
	}
	return all
}

func must2(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// nearest is the search by colour done the plain way: the difference of every swatch.
func nearest(all []*Item, target colour.RGB, within float64, keep func(*Item) bool) []Hit {
	var out []Hit
	for _, it := range all {
		best := within + 1
		for _, s := range it.Palette {
			best = min(best, target.Difference(s.Colour))
		}
		if best <= within && keep(it) {
			out = append(out, Hit{ID: it.ID, Difference: best})
		}
	}
	sort.Slice(out, func(i, j int) bool {
		return out[i].Difference < out[j].Difference || out[i].Difference == out[j].Difference && out[i].ID > out[j].ID
	})
	return out
}

// TestColourSearchFindsAll compares with the difference of every swatch, over random colours and those that CIEDE2000 is
// known to be uneven for: blues, near greys, the corners of the cube.
func TestColourSearchFindsAll(t *testing.T) {
	c := workshop(t)
	all := stock(t, c, 1500)
	rng := rand.New(rand.NewPCG(6, 7))
	targets := []colour.RGB{{}, {R: 255, G: 255, B: 255}, {B: 255}, {R: 255}, {G: 255}, {R: 128, G: 128, B: 128}, {R: 127, G: 128, B: 129}, {R: 40, B: 200}}
	for range 60 {
		targets = append(targets, colour.RGB{R: uint8(rng.IntN(256)), G: uint8(rng.IntN(256)), B: uint8(rng.IntN(256))})
	}
	found := 0
	for i, target := range targets {
		q := Query{Colour: &target, Within: 1 + float64(i%7)*4, Limit: 10 + i%3*1000}
		keep := func(*Item) bool { return true }
		switch i % 4 {
		case 1:
			q.Kind = Picture
			keep = func(it *Item) bool { return it.Kind == Picture }
		case 2:
			q.Words, q.MinSide = "gull", 1000
			keep = func(it *Item) bool { return it.Keywords[0] == "gull" && max(it.Width, it.Height) >= 1000 }
		case 3:
			q.State = Sold
			keep = func(it *Item) bool { return (it.ID-1)%500 == 0 }
		}
		got, err := c.Search(q)
		must(t, err)
		want := nearest(all, target, q.Within, keep)
		want = want[:min(len(want), q.Limit)]
		found += len(want)
		if len(got) != len(want) {
			t.Fatalf("%s %+v: %d hits, want %d", target.Hex(), q, len(got), len(want))
		}
		for k := range got {
			if got[k].Difference != want[k].Difference {
				t.Fatalf("%s %+v: hit %d is #%d at %g, want #%d at %g", target.Hex(), q, k, got[k].ID, got[k].Difference, want[k].ID, want[k].Difference)
			}
		}
	}
	if found < 1000 {
		t.Errorf("only %d hits in all: the test tests little", found)
	}
}

// TestBallBound checks on random colours that none is nearer to a target than it and its cell are bounded to be. Half of
// the targets are blues, where CIEDE2000 turns.
func TestBallBound(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	tried, blue := 0, 0
	tightest := math.Inf(1)
	for i := range 300 {
		target := colour.RGB{R: uint8(rng.IntN(256)), G: uint8(rng.IntN(256)), B: uint8(rng.IntN(256))}
		if i%2 == 1 {
			target = colour.RGB{R: uint8(rng.IntN(100)), G: uint8(rng.IntN(120)), B: uint8(130 + rng.IntN(126))}
		}
		b := ballAround(target.Lab(), []float64{2, DefaultWithin, 20, MostWithin}[i/2%4])
		cells := map[int64]candidate{}
		for _, col := range b.columns() {
			for _, c := range b.cells(nil, &col) {
				cells[c.cell] = c
			}
		}
		for range 3000 {
			near := func(v uint8) uint8 { return uint8(min(255, max(0, int(v)+rng.IntN(181)-90))) }
			s := shadeOf(colour.RGB{R: near(target.R), G: near(target.G), B: near(target.B)})
			d := colour.Difference(target.Lab(), s.rgb.Lab())
			if d > b.within {
				continue
			}
			tried++
			if i%2 == 1 {
				blue++
			}
			cell, ok := cells[s.cell()]
			if !ok || cell.bound > d {
				t.Fatalf("%s is at %g from %s, its cell at %g (%v) or more", s.rgb.Hex(), d, target.Hex(), cell.bound, ok)
			}
			if least := b.least(s, cell.weight); least > d {
				t.Fatalf("%s is at %g from %s, not at %g or more", s.rgb.Hex(), d, target.Hex(), least)
			} else if least > 0 {
				tightest = min(tightest, d/least)
			}
			if got := b.nearestOf(s.encode(nil)); got != d {
				t.Fatalf("%s is at %g from %s, not %g", s.rgb.Hex(), d, target.Hex(), got)
			}
		}
	}
	if tried < 50000 || blue < 20000 {
		t.Errorf("only %d pairs were near, %d of them blue", tried, blue)
	}
	if tightest > 1.2 {
		t.Errorf("nothing comes nearer to its bound than %g times: the bound is loose", tightest)
	}
}

func TestTintsAreColours(t *testing.T) {
	seen := map[int64]bool{}
	for r := 0; r < 256; r += 5 {
		for g := 0; g < 256; g += 3 {
			for b := 0; b < 256; b += 7 {
				c := colour.RGB{R: uint8(r), G: uint8(g), B: uint8(b)}
				k := tint(c)
				if untint(k) != c || seen[k] || k>>12 != int64(r>>4<<8|g>>4<<4|b>>4) {
					t.Fatal(c, k)
				}
				seen[k] = true
			}
		}
	}
}

// TestSearchCombined compares combinations of criteria with going through all items.
func TestSearchCombined(t *testing.T) {
	c := workshop(t)
	all := stock(t, c, 1200)
	rng := rand.New(rand.NewPCG(10, 11))
	some := 0
	for range 150 {
		q := Query{Limit: 1 + rng.IntN(60)}
		keep := []func(*Item) bool{}
		if rng.IntN(2) == 0 {
			w := []string{"gull", "lanterns", "crab pot", "harbour boat", "row3", "nothing"}[rng.IntN(6)]
			q.Words = w
			keep = append(keep, func(it *Item) bool {
				switch w {
				case "nothing":
					return false
				case "row3":
					return it.Keywords[2] == w
				}
				return it.Keywords[0] == map[string]string{"gull": "gull", "lanterns": "lantern", "crab pot": "crab pot", "harbour boat": "boat"}[w]
			})
		}
		if rng.IntN(2) == 0 {
			q.State = []State{Traced, Delivered, Sold, Refused}[rng.IntN(4)]
			keep = append(keep, func(it *Item) bool {
				i := it.ID - 1
				return q.State == Traced || q.State == Delivered && i%3 == 0 || q.State == Sold && i%500 == 0
			})
		}
		if rng.IntN(3) == 0 {
			q.Place = "library 2"
			// one and the same event has the state and the place
			keep = append(keep, func(it *Item) bool {
				i := it.ID - 1
				return i%3 == 0 && i%4 == 2 && (q.State == "" || q.State == Delivered)
			})
		}
		if rng.IntN(2) == 0 {
			q.MinSide, q.MaxSide = float64(rng.IntN(4000)), float64(2000+rng.IntN(3000))
			keep = append(keep, func(it *Item) bool { s := max(it.Width, it.Height); return s >= q.MinSide && s <= q.MaxSide })
		}
		if rng.IntN(3) == 0 {
			q.Kind = Picture
			keep = append(keep, func(it *Item) bool { return it.Kind == Picture })
		}
		want := map[int64]bool{}
		for _, it := range all {
			ok := true
			for _, k := range keep {
				ok = ok && k(it)
			}
			if ok {
				want[it.ID] = true
			}
		}
		some += len(want)
		hits, err := c.Search(q)
		must(t, err)
		if len(hits) != min(q.Limit, len(want)) {
			t.Fatalf("%+v: %d hits, want %d", q, len(hits), min(q.Limit, len(want)))
		}
		seen := map[int64]bool{}
		for _, h := range hits {
			if !want[h.ID] || seen[h.ID] {
				t.Fatalf("%+v: #%d is wrong or twice", q, h.ID)
			}
			seen[h.ID] = true
		}
	}
	if some < 2000 {
		t.Errorf("only %d hits in all", some)
	}
	hits, err := c.Search(Query{Words: "gull", Limit: 30})
	must(t, err)
	if !slices.IsSortedFunc(hits, func(a, b Hit) int { return int(b.ID - a.ID) }) {
		t.Error("not the newest first")
	}
}
