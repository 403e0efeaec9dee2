package catalogue

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// export returns the tables by name.
func export(t *testing.T, c *Catalogue) map[string]string {
	t.Helper()
	out := map[string]string{}
	must(t, c.Export(func(table string, fill func(io.Writer) error) error {
		var b bytes.Buffer
		err := fill(&b)
		out[table] = b.String()
		return err
	}))
	return out
}

func TestTablesRoundTrip(t *testing.T) {
	c := workshop(t)
	picture(t, "boat.png", "boat", demo.Inked, 100)
	drawing(t, "boat", "boat", nil)
	drawing(t, "boat.dusk", "boat", recoloured)
	drawing(t, "gull", "gull", nil)
	drawing(t, "kettle", "kettle", nil)
	must(t, os.WriteFile("odd name, \"quoted\" #3.svg", []byte("<svg xmlns='http://www.w3.org/2000/svg' width='3' height='4'><rect width='1' height='1' stroke='red'/></svg>"), 0o666))
	add(t, c, "boat.png", "boat.svg", "boat.dusk.svg", "gull.svg", "kettle.svg", "odd name, \"quoted\" #3.svg")
	title, text := "He said \"ahoy\",\nthen; سفينة 船\t"+strings.Repeat("x", 10000), "=1+1\r\n\r\n  - dashes\n"
	_, err := c.Describe("gull", Words{Title: &title, Description: &text, Keywords: []string{"one, two"}})
	must(t, err)
	_, err = c.Describe("kettle", Words{Keywords: []string{"tea; coffee"}})
	must(t, err)
	_, err = c.Describe("boat", Words{Keywords: []string{"قارب", "船", `"`, "a,b"}})
	must(t, err)
	must(t, c.Record([]string{"gull"}, Event{State: Delivered, Place: `The "Quay", Ltd`, Day: "2026-01-02"}))
	must(t, c.Record([]string{"gull"}, Event{State: Refused, Place: `The "Quay", Ltd`, Day: "2026-01-03", Note: "too\nsimilar, they say"}))
	drawing(t, "gull", "gull", recoloured)
	add(t, c, "gull.svg")
	must(t, os.Remove("kettle.svg"))
	scan(t, c, ".", ScanOptions{KnownOnly: true})
	first := export(t, c)

	other, err := Create("second")
	must(t, err)
	defer other.Close()
	for _, table := range Tables {
		done, err := other.Import(strings.NewReader(first[table]), table+".csv")
		must(t, err)
		if done.Table != table {
			t.Errorf("%s was read as %s", table, done.Table)
		}
	}
	second := export(t, other)
	for _, table := range Tables {
		if first[table] != second[table] {
			t.Errorf("%s differ:\n%.3000s\n---\n%.3000s", table, first[table], second[table])
		}
		if strings.Count(first[table], "\n") < 3 {
			t.Errorf("%s: hardly anything to compare", table)
		}
	}
	// and once more over what is there: nothing changes
	for _, table := range Tables {
		_, err := other.Import(strings.NewReader(first[table]), table+".csv")
		must(t, err)
	}
	if third := export(t, other); third["items"] != first["items"] || third["states"] != first["states"] || third["links"] != first["links"] {
		t.Error("a second import changed something")
	}
	a, _ := c.Outdated()
	b, _ := other.Outdated()
	if len(a) == 0 || !slices.Equal(a, b) {
		t.Errorf("%v, %v", a, b)
	}
	if got := search(t, other, Query{Words: "ahoy", Colour: &colour.RGB{R: 250, G: 240, B: 200}}); !slices.Equal(got, []string{"gull.svg"}) {
		t.Error(got)
	}
}

func TestTablesMadeByHand(t *testing.T) {
	c := workshop(t)
	for _, o := range []string{"boat", "gull"} {
		drawing(t, o, o, func(d *trace.Drawing) { d.Meta.Keywords = []string{"harbour"} })
		add(t, c, o+".svg")
	}
	// as a shop might send it: its own file names, another separator, a byte order mark, Windows line ends
	_, err := c.Import(strings.NewReader("\ufeffPath;State;Place;Day;Note\r\nboat.eps;sold;Quay Shop;2026-03-01;2,40 per copy\r\ngull.jpg;Refused;Quay Shop;2026-03-02;too similar\r\n"), "sales.csv")
	must(t, err)
	if got := search(t, c, Query{State: Sold}); !slices.Equal(got, []string{"boat.svg"}) {
		t.Error(got)
	}
	_, err = c.Import(strings.NewReader("path,keywords,title\nboat.svg,\"boat, sail, sea\",Boat\n"), "words.csv")
	must(t, err)
	if it := item(t, c, "boat"); it.Title != "Boat" || !slices.Equal(it.Keywords, []string{"boat", "sail", "sea"}) || len(it.Palette) == 0 {
		t.Errorf("%+v", it)
	}
	_, err = c.Import(strings.NewReader("path,title\ngull,Gull\n"), "words.csv")
	must(t, err)
	if it := item(t, c, "gull"); it.Title != "Gull" || !slices.Equal(it.Keywords, []string{"harbour"}) {
		t.Errorf("%+v", it)
	}
}

func TestMalformedTables(t *testing.T) {
	c := workshop(t)
	drawing(t, "boat", "boat", nil)
	add(t, c, "boat.svg")
	before := export(t, c)
	hash := strings.Repeat("0", 64)
	for _, x := range []struct{ text, want string }{
		{"", ":1: empty"},
		{"\n\n", ":1: empty"},
		{"title\nBoat\n", `:1: no column "path"`},
		{"path,tilte\nboat.svg,x\n", `:1: unknown column "tilte"`},
		{"path,path\nboat.svg,x\n", `:1: column "path" stands twice`},
		{"path,title\nboat.svg,Boat\nboat.svg\n", ":3: has more or fewer fields"},
		{"path,title\nboat.svg,\"Boat\n\nboat.svg,x\n", ":2: a quoted field is not closed"},
		{"path,title\nboat.svg,Boat\nboat.svg,B\"oat\n", ":3: a quote stands in a field"},
		{"path,title\n\"boat.svg\",\"two\nlines\"\nanchor.svg,x\n", ":4: anchor.svg: is not in the catalogue"},
		{"path,title\n,x\n", ":2: no path"},
		{"path,title\nboat.svg,\xff\n", ":2: \"\" is not UTF-8"},
		{"path,title\nboat.svg,a\x00b\n", ":2: \"ab\" holds a null character"},
		{"path,kind,hash\nx.svg,poster," + hash + "\n", `:2: kind "poster"`},
		{"path,kind,hash\nx.svg,drawing,abc\n", `:2: hash "abc"`},
		{"path,kind,hash,width\nx.svg,drawing," + hash + ",-1\n", `:2: width "-1"`},
		{"path,kind,hash,height\nx.svg,drawing," + hash + ",NaN\n", `:2: height "NaN"`},
		{"path,kind,hash,bytes\nx.svg,drawing," + hash + ",1e3\n", `:2: bytes "1e3"`},
		{"path,kind,hash,look\nx.svg,drawing," + hash + ",00\n", `:2: look "00"`},
		{"path,kind,hash,added\nx.svg,drawing," + hash + ",soon\n", `:2: day "soon"`},
		{"path,kind,hash,gone\nx.svg,drawing," + hash + ",yes\n", `:2: gone "yes"`},
		{"path,kind,hash,palette\nx.svg,drawing," + hash + ",#12345 1 red\n", `:2: swatch`},
		{"path,kind,hash,palette\nx.svg,drawing," + hash + ",#123456 2 red\n", `:2: swatch`},
		{"path,state\nboat.svg,checked\nboat.svg,lost\n", `:3: state "lost"`},
		{"path,state,place\nboat.svg,delivered,\n", ":2: delivered: at which place?"},
		{"path,state,place,day\nboat.svg,delivered,Quay,01.02.2026\n", ":2: day"},
		{"path,relation,other\nboat.svg,cousin,boat.svg\n", `:2: relation "cousin"`},
		{"path,relation,other\nboat.svg,master,boat.svg\n", ":2: an item is no master of itself"},
		{"path,relation,other\nboat.svg,master,ship.svg\n", ":2: ship.svg: is not in the catalogue"},
	} {
		_, err := c.Import(strings.NewReader(x.text), "t.csv")
		if err == nil || !strings.HasPrefix(err.Error(), "t.csv"+x.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v, want %s", x.text, err, x.want)
		}
	}
	if after := export(t, c); after["items"] != before["items"] || after["states"] != before["states"] {
		t.Error("a malformed table changed something")
	}
	_, err := c.Import(strings.NewReader("path,tilte\n"), "t.csv")
	var own *Error
	if !errors.As(err, &own) || own.Hint != "did you mean title?" {
		t.Errorf("%+v", own)
	}
}

// FuzzImport feeds anything; what is read must be written and read again to the same tables.
func FuzzImport(f *testing.F) {
	hash := strings.Repeat("ab", 32)
	f.Add("path,kind,hash,title,keywords\na.svg,drawing," + hash + ",T,\"x, y\"\n")
	f.Add("path,kind,hash,palette,gone\na.png,picture," + hash + ",#aabbcc 0.5 red,gone\n")
	f.Add("path;state\na;checked\n")
	f.Add("\"path\"\n\"")
	f.Fuzz(func(t *testing.T, text string) {
		t.Chdir(t.TempDir())
		c, err := Create("a")
		must(t, err)
		defer c.Close()
		if _, err := c.Import(strings.NewReader(text), "t.csv"); err != nil {
			return
		}
		first := export(t, c)
		d, err := Create("b")
		must(t, err)
		defer d.Close()
		for _, table := range Tables {
			_, err := d.Import(strings.NewReader(first[table]), table)
			must(t, err)
		}
		if second := export(t, d); second["items"] != first["items"] {
			t.Errorf("%q became %q", first["items"], second["items"])
		}
	})
}

func TestWordsAreAlwaysAQuery(t *testing.T) {
	c := workshop(t)
	rng := rand.New(rand.NewPCG(1, 1))
	signs := []rune("ab \"'*()^-:+{}~|ANDORNOT灯יد\n\\/.")
	for range 2000 {
		var s []rune
		for range rng.IntN(12) {
			s = append(s, signs[rng.IntN(len(signs))])
		}
		if len(words(string(s))) > 0 {
			if _, err := c.Search(Query{Words: string(s)}); err != nil {
				t.Fatalf("%q: %v", string(s), err)
			}
		}
	}
}
