package catalogue

import (
	"bytes"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pochoir/quantize/colour"
)

// TestRowsOfSetsReadBack writes and reads random rows of the tables that are searched.
func TestRowsOfSetsReadBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(40, 41))
	random := func() colour.RGB {
		return colour.RGB{R: uint8(rng.IntN(256)), G: uint8(rng.IntN(256)), B: uint8(rng.IntN(256))}
	}
	for range 2000 {
		// a list of items with their records
		h := head{}
		id := int64(0)
		for range 1 + rng.IntN(20) {
			id += 1 + rng.Int64N(1<<rng.IntN(30))
			var colours []colour.RGB
			for range rng.IntN(2 * mostColours) {
				colours = append(colours, random())
			}
			side := rng.IntN(mostRange)
			r := encodeRecord(side, colours)
			h.few, h.records = append(h.few, id), append(h.records, r)
			if got, ok := recordColours(r); recordSide(r) != side || ok != (len(colours) <= mostColours) || ok && !bytes.Equal(got, encodeColours(colours)) {
				t.Fatalf("a record of %d colours, side %d: %d, %v", len(colours), side, recordSide(r), ok)
			}
		}
		if rng.IntN(4) == 0 {
			h = head{many: 1 + rng.Int64N(1<<40), set: rng.Int64N(1 << 40), top: rng.Int64N(lastChunk)}
		} else if rng.IntN(4) == 0 {
			h.records = nil
		}
		got, err := decodeHead(h.encode())
		if err != nil || !reflect.DeepEqual(got, h) {
			t.Fatalf("%+v came back as %+v (%v)", h, got, err)
		}
		// a chunk, from empty to full
		var c, back bitset
		for range rng.IntN(2 * chunkSize) {
			c.set(rng.Int64N(chunkSize))
		}
		if err := unite(&back, encodeChunk(&c)); err != nil || back != c {
			t.Fatalf("a chunk of %d came back with %d (%v)", c.count(), back.count(), err)
		}
		// a cell
		var cell []inCell
		for range rng.IntN(12) {
			e := inCell{shade: shadeOf(random()), many: rng.IntN(4) == 0}
			if !e.many {
				for range 1 + rng.IntN(mostInline) {
					e.items = append(e.items, 1+rng.Int64N(1<<32-1))
				}
			}
			cell = append(cell, e)
		}
		all, err := decodeCell(encodeCell(cell))
		if err != nil || len(all) != len(cell) {
			t.Fatalf("%v came back as %v (%v)", cell, all, err)
		}
		for _, e := range cell {
			if !slices.ContainsFunc(all, func(o inCell) bool { return reflect.DeepEqual(o, e) }) {
				t.Fatalf("%v is not in %v", e, all)
			}
		}
	}
}

// TestDamagedRowsAreErrors reads bytes that are no rows: an error or some sense, but no panic.
func TestDamagedRowsAreErrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(42, 43))
	wrong := 0
	for range 50000 {
		b := make([]byte, rng.IntN(60))
		for i := range b {
			b[i] = byte(rng.IntN(256))
			if rng.IntN(3) == 0 {
				b[i] = byte(rng.IntN(4))
			}
		}
		if _, err := decodeHead(b); err != nil {
			wrong++
		}
		if _, err := decodeCell(b); err != nil {
			wrong++
		}
		if err := unite(&bitset{}, b); err != nil {
			wrong++
		}
	}
	if wrong < 50000 {
		t.Errorf("only %d errors", wrong)
	}
}

// TestSidesMakeUpRanges holds the ranges of sizes against going through all sizes.
func TestSidesMakeUpRanges(t *testing.T) {
	rng := rand.New(rand.NewPCG(44, 45))
	of := func(side int) []string {
		return expand([]string{(&facets{kind: Pack, side: float64(side)}).terms()[1]})
	}
	for n := range 300 {
		most := mostRange
		if n%2 == 0 {
			most = 300
		}
		lo := 1 + rng.IntN(most-1)
		hi := lo + rng.IntN(most-lo)
		g := sides(lo, hi)
		if len(g) > 2*sideBits {
			t.Errorf("%d to %d is made up of %d", lo, hi, len(g))
		}
		for _, side := range []int{1, lo - 1, lo, lo + 1, (lo + hi) / 2, hi - 1, hi, hi + 1, mostRange - 1, 1 + rng.IntN(mostRange-1)} {
			if side < 1 || side >= mostRange {
				continue
			}
			n := 0
			for _, t := range of(side) {
				if slices.Contains(g, t) {
					n++
				}
			}
			if want := side >= lo && side <= hi; want != (n == 1) || n > 1 {
				t.Fatalf("%d is %d times in %d to %d", side, n, lo, hi)
			}
		}
	}
}

func TestTokens(t *testing.T) {
	long := string(bytes.Repeat([]byte("k"), 100))
	for in, want := range map[string][]string{
		"Crab-pot, No. 7/boat_2.SVG":     {"crab", "pot", "no", "7", "boat", "2", "svg"},
		"Phare à l’entrée":               {"phare", "a", "l", "entree"},
		"ŻÓŁW ångström Ёлка":             {"zołw", "angstrom", "елка"},
		"港口の Lighthouse灯台":               {"港", "口", "の", "lighthouse", "灯", "台"},
		"שָׁלוֹם قَارِب":                 {"שלום", "قارب"},
		"می\u200cخواهم soft\u00adhyphen": {"میخواهم", "softhyphen"},
		"ﬁsh ＡＢＣ ½":                      {"fish", "abc", "1", "2"},
		long + " x":                      {long[:mostWord], "x"},
		"  \n":                           nil,
	} {
		if got := tokens(in); !slices.Equal(got, want) {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}
