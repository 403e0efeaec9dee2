package catalogue

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/disintegration/imaging"

	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/quantize/colour"
	"pochoir/svgout"
	"pochoir/trace"
)

// workshop makes a folder with a catalogue and enters it.
func workshop(t *testing.T) *Catalogue {
	t.Helper()
	t.Chdir(t.TempDir())
	c, err := Create(DefaultName)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// drawing writes a harbour drawing as name.svg; change may alter it first.
func drawing(t *testing.T, name, object string, change func(*trace.Drawing)) {
	t.Helper()
	p, ok := demo.Draw(object, demo.Inked)
	if !ok {
		t.Fatalf("no %s", object)
	}
	if change != nil {
		change(p.Drawing)
	}
	var b bytes.Buffer
	if err := svgout.Write(&b, p.Drawing, svgout.Options{}); err != nil {
		t.Fatal(err)
	}
	put := os.WriteFile
	if err := put(name+".svg", b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
}

// picture writes a harbour picture of size pixels as name, by its ending.
func picture(t *testing.T, name, object string, kind demo.Kind, size int) {
	t.Helper()
	p, ok := demo.Draw(object, kind)
	if !ok {
		t.Fatalf("no %s", object)
	}
	if err := imaging.Save(p.Image(size), name); err != nil {
		t.Fatal(err)
	}
}

// add puts files in and fails the test where one cannot be read.
func add(t *testing.T, c *Catalogue, paths ...string) []Added {
	t.Helper()
	var out []Added
	err := c.Add(context.Background(), paths, "", func(a Added) {
		if a.Err != nil {
			t.Fatal(a.Err)
		}
		out = append(out, a)
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func item(t *testing.T, c *Catalogue, name string) *Item {
	t.Helper()
	it, err := c.Item(name)
	must(t, err)
	return it
}

func paths(hits []Hit) (out []string) {
	for _, h := range hits {
		out = append(out, h.Path)
	}
	return out
}

func search(t *testing.T, c *Catalogue, q Query) []string {
	t.Helper()
	hits, err := c.Search(q)
	must(t, err)
	return paths(hits)
}

func TestAddReadsWhatFilesSay(t *testing.T) {
	c := workshop(t)
	picture(t, "boat.png", "boat", demo.Inked, 300)
	drawing(t, "boat", "boat", func(d *trace.Drawing) {
		d.Meta = trace.Meta{Title: "Fishing boat", Keywords: []string{"boat", "harbour"}}
	})
	drawing(t, "boat.dusk", "boat", func(d *trace.Drawing) { d.Layers[0].Colour = colour.RGB{R: 90, G: 40, B: 110} })
	must(t, os.WriteFile("kettle.meta.toml", []byte("title = \"Kettle\"\nsubject = [\"kettle\", \"galley\"]\n"), 0o666))
	drawing(t, "kettle", "kettle", nil)
	all := add(t, c, "boat.png", "boat.svg", "boat.dusk.svg", "kettle.svg")
	if got := fmt.Sprint(all[1].Linked, all[2].Linked); got != "[drawn from boat.png] [variant of boat.svg]" {
		t.Error(got)
	}
	boat := item(t, c, "boat") // the drawing, not the picture
	if boat.Kind != Drawing || boat.Title != "Fishing boat" || boat.Width != demo.Side || !slices.Equal(boat.Keywords, []string{"boat", "harbour"}) {
		t.Errorf("%+v", boat)
	}
	p, _ := demo.Draw("boat", demo.Inked)
	if len(boat.Palette) != len(p.Drawing.Layers) {
		t.Errorf("%d swatches of %d layers", len(boat.Palette), len(p.Drawing.Layers))
	}
	total := 0.0
	for i, s := range boat.Palette {
		total += s.Share
		if l := p.Drawing.Layers[i]; s.Name != l.Name || s.Colour != l.Colour {
			t.Errorf("swatch %v, layer %s %v", s, l.Name, l.Colour)
		}
	}
	if total < 0.99 || total > 1.01 {
		t.Errorf("shares sum to %g", total)
	}
	pic := item(t, c, "boat.png")
	if pic.Width != 300 || pic.Bytes == 0 || len(pic.Hash) != 64 {
		t.Errorf("%+v", pic)
	}
	// a picture's palette holds the drawing's larger colours
	for _, s := range boat.Palette {
		near := 100.0
		for _, q := range pic.Palette {
			near = min(near, s.Colour.Difference(q.Colour))
		}
		if s.Share > 0.1 && near > 3 {
			t.Errorf("%s (%g of the drawing) is %.1f from every swatch of the picture: %v", s.Name, s.Share, near, pic.Palette)
		}
	}
	if k := item(t, c, "kettle"); k.Title != "Kettle" || len(k.Keywords) != 2 {
		t.Errorf("%+v", k)
	}
	if all := add(t, c, "boat.svg"); all[0].Result != Unchanged {
		t.Errorf("%+v", all)
	}
	if n, err := c.Count(); n != 4 || err != nil {
		t.Error(n, err)
	}
}

func TestAddPassesOverWhatItCannotRead(t *testing.T) {
	c := workshop(t)
	must(t, os.WriteFile("broken.png", []byte("\x89PNG\r\n\x1a\nnothing"), 0o666))
	must(t, os.WriteFile("broken.svg", []byte("<svg xmlns='http://www.w3.org/2000/svg'><path"), 0o666))
	must(t, os.WriteFile("foreign.svg", []byte("<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 30 20'><title>Rope</title><path d='M0 0L9 9' stroke='red'/></svg>"), 0o666))
	picture(t, "gull.png", "gull", demo.Flat, 64)
	var failed, done []string
	must(t, c.Add(context.Background(), []string{"broken.png", "broken.svg", "absent.png", "foreign.svg", "gull.png"}, "", func(a Added) {
		if a.Err != nil {
			failed = append(failed, a.Err.Error())
			return
		}
		done = append(done, a.Path)
	}))
	if len(failed) != 3 || !slices.Equal(done, []string{"foreign.svg", "gull.png"}) {
		t.Fatal(failed, done)
	}
	for i, name := range []string{"broken.png: ", "broken.svg: ", "absent.png: "} {
		if !strings.HasPrefix(failed[i], name) || strings.Contains(failed[i], "\n") {
			t.Errorf("%q", failed[i])
		}
	}
	if it := item(t, c, "foreign.svg"); it.Width != 30 || it.Look != nil || it.Title != "Rope" {
		t.Errorf("%+v", it)
	}
}

func TestWordsOfAllKinds(t *testing.T) {
	c := workshop(t)
	long := strings.Repeat("keel ", 2000) // 10,000 characters
	titles := map[string]string{
		"quote":   `The "Old" Harbour's; lamp, DROP TABLE item; --`,
		"lines":   "first line\nsecond line\r\nthird",
		"hebrew":  "סירת דיג בנמל",
		"arabic":  "قارب صيد في الميناء",
		"chinese": "港口里的灯塔",
		"japan":   "灯台とカモメ",
		"accent":  "Phare à l’entrée du port",
		"long":    long,
		"emoji":   "⛵ boat ⚓",
		"percent": "100%_of 'rope' \\ [coil]*",
	}
	var names []string
	for name := range titles {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		drawing(t, name, "cleat", func(d *trace.Drawing) { d.Meta.Description = name })
		add(t, c, name+".svg")
		title := titles[name]
		it, err := c.Describe(name+".svg", Words{Title: &title, Keywords: []string{title[:min(40, len(title))], "a, b"}})
		if name == "hebrew" || name == "arabic" || name == "chinese" || name == "japan" || name == "emoji" || name == "accent" {
			it, err = c.Describe(name+".svg", Words{Title: &title, Keywords: []string{title, "a, b"}})
		}
		must(t, err)
		if want := strings.TrimSpace(strings.ReplaceAll(title, "\r\n", "\n")); it.Title != want {
			t.Errorf("%s: %q", name, it.Title)
		}
	}
	for words, want := range map[string]string{
		`"old"`: "quote.svg", "harbours": "quote.svg", "harbors": "", "second": "lines.svg", "סירת": "hebrew.svg", "الميناء": "arabic.svg",
		"灯塔": "chinese.svg", "灯台": "japan.svg", "カモメ": "japan.svg", "entree": "accent.svg", "keels": "long.svg",
		"boats": "emoji.svg", "coil*": "percent.svg", "co*": "percent.svg", "灯 塔": "chinese.svg", "drop table": "quote.svg",
	} {
		if got := strings.Join(search(t, c, Query{Words: words}), " "); got != want {
			t.Errorf("%s: %q, want %q", words, got, want)
		}
	}
	for _, words := range []string{`"`, "***", "-", "( )"} {
		if _, err := c.Search(Query{Words: words}); err == nil {
			t.Errorf("%q: no error", words)
		}
	}
	for _, words := range []string{`a"b OR c`, "NEAR(boat)", "title:boat", "boat AND", "^boat", "{boat}", "boat' OR 1=1"} {
		if _, err := c.Search(Query{Words: words}); err != nil {
			t.Errorf("%q: %v", words, err)
		}
	}
	bad := "\xff\xfe"
	if _, err := c.Describe("long", Words{Title: &bad}); err == nil {
		t.Error("bytes that are no text were taken")
	}
}

func TestKeywordsAreKeptOnce(t *testing.T) {
	c := workshop(t)
	drawing(t, "buoy", "buoy", nil)
	add(t, c, "buoy.svg")
	it, err := c.Describe("buoy", Words{Keywords: []string{"Buoy", "sea  mark", "buoy", " ", "sea-mark", "red"}})
	must(t, err)
	if !slices.Equal(it.Keywords, []string{"Buoy", "sea mark", "red"}) {
		t.Errorf("%q", it.Keywords)
	}
	it, err = c.Describe("buoy", Words{More: []string{"float"}, Less: []string{"RED"}})
	must(t, err)
	if !slices.Equal(it.Keywords, []string{"Buoy", "sea mark", "float"}) {
		t.Errorf("%q", it.Keywords)
	}
}

func TestStates(t *testing.T) {
	c := workshop(t)
	for _, o := range []string{"boat", "gull", "kettle"} {
		drawing(t, o, o, nil)
		add(t, c, o+".svg")
	}
	must(t, c.Record([]string{"boat", "gull"}, Event{State: Delivered, Place: "Deck Library", Day: "2026-01-10"}))
	must(t, c.Record([]string{"boat"}, Event{State: Sold, Place: "Deck Library", Day: "2026-03-01", Note: "12.50"}))
	must(t, c.Record([]string{"boat"}, Event{State: Accepted, Place: "Deck Library", Day: "2026-02-01"})) // told late
	must(t, c.Record([]string{"gull"}, Event{State: Refused, Place: "Deck Library", Day: "2026-02-01", Note: "similar content"}))
	must(t, c.Record([]string{"gull"}, Event{State: Delivered, Place: "Quay Shop", Day: "2026-02-02"}))
	must(t, c.Record([]string{"gull"}, Event{State: Delivered, Place: "Quay Shop", Day: "2026-02-02"})) // the same once more
	for _, x := range []struct {
		q    Query
		want string
	}{
		{Query{State: Sold}, "boat.svg"},
		{Query{State: Accepted}, ""}, // boat went on to be sold
		{Query{State: Refused}, "gull.svg"},
		{Query{State: Delivered}, "gull.svg"},
		{Query{State: Delivered, Place: "Deck Library"}, ""},
		{Query{Place: "Deck Library"}, "gull.svg boat.svg"},
		{Query{State: Traced}, "kettle.svg gull.svg boat.svg"},
		{Query{State: Traced, Words: "kettle"}, "kettle.svg"},
	} {
		if got := strings.Join(search(t, c, x.q), " "); got != x.want {
			t.Errorf("%+v: %q, want %q", x.q, got, x.want)
		}
	}
	h, err := c.History(item(t, c, "gull").ID)
	must(t, err)
	if len(h) != 4 || h[1].Note != "similar content" {
		t.Errorf("%+v", h)
	}
	for _, e := range []Event{
		{State: Delivered}, {State: Refused, Place: "Quay Shop"}, {State: Drawn, Place: "Quay Shop"}, {State: "lost"},
		{State: Checked, Day: "10.1.2026"}, {State: Checked, Day: "2026-02-30"},
	} {
		if err := c.Record([]string{"boat", "kettle"}, e); err == nil {
			t.Errorf("%+v was taken", e)
		}
	}
	// all or none
	if err := c.Record([]string{"kettle", "anchor"}, Event{State: Checked}); err == nil || !strings.Contains(err.Error(), "anchor: is not in the catalogue") {
		t.Error(err)
	}
	if got := search(t, c, Query{State: Checked}); len(got) != 0 {
		t.Error(got)
	}
}

func TestOutdated(t *testing.T) {
	c := workshop(t)
	picture(t, "lantern.png", "lantern", demo.Inked, 200)
	drawing(t, "lantern", "lantern", nil)
	drawing(t, "lantern.ink", "lantern", func(d *trace.Drawing) { d.Layers = d.Layers[len(d.Layers)-1:] })
	must(t, os.Mkdir("parcel", 0o777))
	must(t, os.WriteFile("parcel/pack.csv", []byte("file,title\nlantern.eps,Lantern\nanchor.eps,Anchor\n"), 0o666))
	a := add(t, c, "lantern.png", "lantern.svg", "lantern.ink.svg", "parcel")
	if got := fmt.Sprint(a[3].Linked, a[3].Unknown); got != "[holds lantern.svg] [anchor]" {
		t.Error(got)
	}
	must(t, c.Record([]string{"lantern.svg"}, Event{State: Delivered, Place: "Deck Library", Day: "2026-01-10"}))
	must(t, c.Record([]string{"lantern.svg"}, Event{State: Accepted, Place: "Deck Library", Day: "2026-01-12"}))
	if out, err := c.Outdated(); err != nil || len(out) != 0 {
		t.Fatal(out, err)
	}
	drawing(t, "lantern", "lantern", func(d *trace.Drawing) { d.Layers[0].Colour = colour.RGB{R: 1, G: 2, B: 3} })
	if a := add(t, c, "lantern.svg"); a[0].Result != Corrected {
		t.Error(a)
	}
	outdated := func() (got []string) {
		out, err := c.Outdated()
		must(t, err)
		for _, o := range out {
			got = append(got, strings.TrimSpace(fmt.Sprintf("%s %s %s%s", o.Path, o.What, o.Place, o.Other)))
		}
		return got
	}
	want := []string{"lantern.svg delivered Deck Library", "lantern.ink.svg master lantern.svg", "parcel holds lantern.svg"}
	if got := outdated(); !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	must(t, c.Record([]string{"lantern.svg"}, Event{State: Delivered, Place: "Deck Library", Day: "2026-04-01"}))
	must(t, c.Link("lantern.ink", FromMaster, "lantern.svg", "ink only")) // the variant was looked at again
	if got := outdated(); !slices.Equal(got, want[2:]) {
		t.Errorf("%q", got)
	}
	if err := c.Link("lantern.svg", FromMaster, "lantern.ink", ""); err == nil {
		t.Error("a master became the variant of its variant")
	}
	if err := c.Link("lantern.svg", FromMaster, "lantern.svg", ""); err == nil {
		t.Error("an item became its own master")
	}
	n, err := c.Neighbours(item(t, c, "lantern.svg").ID)
	must(t, err)
	if len(n) != 3 {
		t.Errorf("%+v", n)
	}
	must(t, c.Unlink("lantern.ink", FromMaster, "lantern.svg"))
	if err := c.Unlink("lantern.ink", FromMaster, "lantern.svg"); err == nil {
		t.Error("a link that is not there was taken away")
	}
}

func TestForget(t *testing.T) {
	c := workshop(t)
	drawing(t, "boat", "boat", nil)
	drawing(t, "boat.dusk", "boat", nil)
	add(t, c, "boat.svg", "boat.dusk.svg")
	_, err := c.Forget("boat.svg")
	must(t, err)
	if _, err := os.Stat("boat.svg"); err != nil {
		t.Error(err)
	}
	if got := search(t, c, Query{Words: "boat"}); !slices.Equal(got, []string{"boat.dusk.svg"}) {
		t.Error(got)
	}
	for _, table := range []string{"keyword", "swatch", "state", "link", "lookup"} {
		var n int
		must(t, c.db.QueryRow("SELECT count(*) FROM "+table+" WHERE item NOT IN (SELECT id FROM item)").Scan(&n))
		if n > 0 {
			t.Errorf("%d rows left in %s", n, table)
		}
	}
	var uses, swatches int
	must(t, c.db.QueryRow("SELECT (SELECT sum(uses) FROM tint), (SELECT count(*) FROM swatch)").Scan(&uses, &swatches))
	if uses != swatches {
		t.Errorf("%d uses of colours, %d swatches", uses, swatches)
	}
}

func TestNames(t *testing.T) {
	c := workshop(t)
	must(t, os.MkdirAll("a", 0o777))
	must(t, os.MkdirAll("b", 0o777))
	for _, n := range []string{"a/rope", "b/rope", "a/gull"} {
		drawing(t, n, "rope", nil)
		add(t, c, n+".svg")
	}
	for name, want := range map[string]string{"gull": "a/gull.svg", "gull.eps": "a/gull.svg", "a/rope.svg": "a/rope.svg", "#2": "b/rope.svg"} {
		if it := item(t, c, name); it.Path != want {
			t.Errorf("%s: %s", name, it.Path)
		}
	}
	t.Chdir("b")
	if it := item(t, c, "rope.svg"); it.Path != "b/rope.svg" {
		t.Error(it.Path)
	}
	for name, want := range map[string]string{"rope": "2 items", "#9": "no item #9", "oar": "not in the catalogue"} {
		if _, err := c.Item(name); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestFilesThatAreNoCatalogue(t *testing.T) {
	t.Chdir(t.TempDir())
	must(t, os.WriteFile("text", []byte(strings.Repeat("harbour ", 1000)), 0o666))
	must(t, os.Mkdir("folder", 0o777))
	for name, want := range map[string]string{"absent": "there is no catalogue", "text": "is no catalogue", "folder": "is no file"} {
		if _, err := Open(name); err == nil || err.Error() != name+": "+want {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := Create("no/such"); err == nil || !strings.Contains(err.Error(), "folder does not exist") {
		t.Error(err)
	}
	if got, err := os.ReadFile("text"); err != nil || len(got) != 8000 {
		t.Error("the text was altered")
	}
	// a database of someone else's
	c, err := Create("other")
	must(t, err)
	_, err = c.db.Exec("PRAGMA application_id = 7")
	must(t, err)
	must(t, c.Close())
	if _, err := Open("other"); err == nil || !strings.Contains(err.Error(), "another program") {
		t.Error(err)
	}
	// odd names
	for _, name := range []string{"with space?mode=ro&x=#1", "ünïcode 目録", "100%25"} {
		c, err := Create(name)
		must(t, err)
		must(t, c.Close())
		if _, err := os.Stat(name); err != nil {
			t.Error(err)
		}
	}
	// one file, when nobody has it open
	left, err := filepath.Glob("100*")
	must(t, err)
	if len(left) != 1 {
		t.Error(left)
	}
}

func TestMigration(t *testing.T) {
	t.Chdir(t.TempDir())
	c, err := Create("c")
	must(t, err)
	drawing(t, "boat", "boat", nil)
	add(t, c, "boat.svg")
	must(t, c.Close())
	must(t, os.WriteFile(fmt.Sprintf("c.v%d.backup", len(schema)), []byte("mine"), 0o666)) // never overwritten
	next := append(slices.Clone(schema), "ALTER TABLE item ADD COLUMN shelf TEXT NOT NULL DEFAULT 'upper'")

	// a step that fails changes nothing
	if _, err := open("c", false, append(slices.Clone(next), "CREATE TABLE item (id)")); err == nil || !strings.Contains(err.Error(), "nothing was changed") {
		t.Fatal(err)
	}
	c, err = Open("c")
	must(t, err)
	if n, err := c.Count(); n != 1 || err != nil {
		t.Error(n, err)
	}
	must(t, c.Close())

	c, err = open("c", false, next)
	must(t, err)
	var shelf string
	must(t, c.db.QueryRow("SELECT shelf FROM item").Scan(&shelf))
	must(t, c.Close())
	if shelf != "upper" {
		t.Error(shelf)
	}
	if b, _ := os.ReadFile(fmt.Sprintf("c.v%d.backup", len(schema))); string(b) != "mine" {
		t.Error("a file was overwritten by the copy")
	}
	copies, _ := filepath.Glob(fmt.Sprintf("c.v%d-*.backup", len(schema)))
	if len(copies) == 0 {
		t.Fatal("no copy")
	}
	old, err := Open(copies[0])
	must(t, err)
	if got := search(t, old, Query{Words: "boat"}); len(got) != 1 {
		t.Error(got)
	}
	must(t, old.Close())
	// and an older program keeps its hands off
	if _, err := Open("c"); err == nil || !strings.Contains(err.Error(), "newer pochoir") {
		t.Error(err)
	}
	parts, _ := filepath.Glob("*.part")
	if len(parts) > 0 {
		t.Error(parts)
	}
}

func TestWanted(t *testing.T) {
	c := workshop(t)
	for _, o := range []string{"boat", "gull"} {
		drawing(t, o, o, func(d *trace.Drawing) { d.Meta.Keywords = []string{"sea", o + "s"} })
		add(t, c, o+".svg")
	}
	list, err := ReadWanted(strings.NewReader("\ufeff# winter list\nboat\n\n// birds\ngulls\nsea gull\nanchor\nsea\n"), "list.txt")
	must(t, err)
	must(t, c.CountWanted(list, Query{}))
	var got []string
	for _, w := range list {
		got = append(got, fmt.Sprintf("%d %s %d", w.Line, w.Subject, w.Found))
	}
	if s := strings.Join(got, ", "); s != "2 boat 1, 5 gulls 1, 6 sea gull 1, 7 anchor 0, 8 sea 2" {
		t.Error(s)
	}
	must(t, c.CountWanted(list, Query{State: Delivered}))
	if list[0].Found != 0 {
		t.Error("counted what is not delivered")
	}
	if _, err := ReadWanted(strings.NewReader("boat\n***\n"), "list.txt"); err == nil || !strings.HasPrefix(err.Error(), "list.txt:2: ") {
		t.Error(err)
	}
	if _, err := ReadWanted(io.MultiReader(strings.NewReader("boat\n"), strings.NewReader(strings.Repeat("x", 1<<17))), "list.txt"); err == nil || !strings.HasPrefix(err.Error(), "list.txt:2: ") {
		t.Error(err)
	}
}

func TestSuggest(t *testing.T) {
	c := workshop(t)
	drawing(t, "one", "boat", func(d *trace.Drawing) { d.Meta.Keywords = []string{"boat", "harbour", "wooden"} })
	drawing(t, "two", "boat", func(d *trace.Drawing) {
		d.Layers[0].Colour = colour.RGB{R: 240, G: 240, B: 200}
		d.Meta.Keywords = []string{"boats", "harbour", "sail"}
	})
	drawing(t, "far", "kettle", func(d *trace.Drawing) { d.Meta.Keywords = []string{"kettle", "galley"} })
	drawing(t, "new", "boat", func(d *trace.Drawing) { d.Meta.Keywords = []string{"Sail"} })
	add(t, c, "one.svg", "two.svg", "far.svg")
	f, err := Inspect("new.svg", "")
	must(t, err)
	f.Path = "new.svg"
	s, err := c.Suggest(f, 10)
	must(t, err)
	var words []string
	for _, k := range s {
		words = append(words, k.Word)
	}
	slices.Sort(words)
	if got := strings.Join(words, " "); got != "boats harbour wooden" && got != "boat harbour wooden" {
		t.Errorf("%+v", s)
	}
	if s[0].Score > 1 || s[0].Score < s[len(s)-1].Score || len(s[0].From) != 2 {
		t.Errorf("%+v", s)
	}
	// by a word of the title alone
	f.Look, f.Title, f.Keywords = nil, "A kettle", nil
	if s, err = c.Suggest(f, 10); err != nil || len(s) != 2 {
		t.Errorf("%+v %v", s, err)
	}
	if f.Title = "Nothing of the kind"; true {
		if s, err = c.Suggest(f, 10); err != nil || len(s) != 0 {
			t.Errorf("%+v %v", s, err)
		}
	}
}

func TestStatistics(t *testing.T) {
	c := workshop(t)
	if s, err := c.Statistics(); err != nil || s.Items != 0 {
		t.Fatal(s, err)
	}
	picture(t, "boat.png", "boat", demo.Inked, 100)
	for _, o := range []string{"boat", "gull", "kettle"} {
		drawing(t, o, o, func(d *trace.Drawing) { d.Meta.Keywords = []string{"harbour", o} })
		add(t, c, o+".svg")
	}
	add(t, c, "boat.png")
	hostile := `<script>alert("1")</script>`
	must(t, c.Record([]string{"boat", "gull"}, Event{State: Delivered, Place: hostile, Day: "2026-01-10"}))
	must(t, c.Record([]string{"boat"}, Event{State: Refused, Place: hostile, Day: "2026-02-10", Note: "too dark"}))
	s, err := c.Statistics()
	must(t, err)
	if s.Items != 4 || fmt.Sprint(s.Kinds) != "[{drawing 3} {picture 1}]" || fmt.Sprint(s.States) != "[{drawn 1} {traced 3} {delivered 1} {refused 1}]" {
		t.Errorf("%+v", s)
	}
	if len(s.Places) != 1 || s.Places[0].Delivered != 2 || s.Places[0].Refused != 1 || fmt.Sprint(s.Keywords[0]) != "{harbour 3}" ||
		fmt.Sprint(s.PerItem) != "[{1–5 3}]" || fmt.Sprint(s.Sizes) != "[{64–127 px 1} {512–1023 px 3}]" {
		t.Errorf("%+v", s)
	}
	var b bytes.Buffer
	must(t, s.WritePage(&b))
	html := b.String()
	if strings.Contains(html, "<script") || strings.Contains(html, "http") || strings.Contains(html, "ZgotmplZ") {
		t.Error("the page holds a script, an address or text that could not be escaped")
	}
	for _, want := range []string{"States now", "too dark", "Added by month", "<rect", time.Now().Format("2006-01")} {
		if !strings.Contains(html, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if text := s.Text(); !strings.Contains(text, "drawing 3") {
		t.Error(text)
	}
}
