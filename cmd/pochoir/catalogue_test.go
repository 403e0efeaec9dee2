package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/disintegration/imaging"

	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/svgout"
	"pochoir/trace"
)

// harbour makes a folder with pictures and drawings for a catalogue and goes there.
func harbour(t *testing.T) {
	t.Helper()
	t.Chdir(t.TempDir())
	writeDrawing(t, "boat.svg", "boat", func(d *trace.Drawing) {
		d.Meta = trace.Meta{Title: "Red boat", Keywords: []string{"boat", "harbour", "oars", "sea"}}
	})
	writeDrawing(t, "crab.svg", "crab", func(d *trace.Drawing) { d.Meta.Title = "Crab" })
	for _, o := range []string{"boat", "kettle"} {
		p, ok := demo.Draw(o, demo.Inked)
		if !ok {
			t.Fatalf("no %s", o)
		}
		if err := imaging.Save(p.Image(160), o+".png"); err != nil {
			t.Fatal(err)
		}
	}
}

// writeDrawing writes a harbour drawing; change may alter it first.
func writeDrawing(t *testing.T, path, object string, change func(*trace.Drawing)) {
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
	put(t, path, b.Bytes())
}

// step is one line of a script: what is called, with which exit code, and what must and must not (after "!") stand on
// standard output and standard error.
type step struct {
	line string
	code int
	out  []string
	errs []string
}

// split parts a line into words; a blank inside double quotes parts nothing.
func split(line string) []string {
	var words []string
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			words = append(words, part)
		} else {
			words = append(words, strings.Fields(part)...)
		}
	}
	return words
}

func play(t *testing.T, steps []step) {
	t.Helper()
	for _, s := range steps {
		r := call(t, nil, split(s.line)...)
		if r.code != s.code {
			t.Errorf("%s: code %d, want %d\n%s%s", s.line, r.code, s.code, r.out, r.errors)
		}
		for _, w := range []struct {
			text  string
			wants []string
		}{{r.out, s.out}, {r.errors, s.errs}} {
			if len(w.wants) == 0 && w.text != "" && s.code == 0 {
				t.Errorf("%s: unasked for:\n%s", s.line, w.text)
			}
			for _, want := range w.wants {
				if not, ok := strings.CutPrefix(want, "!"); ok {
					if strings.Contains(w.text, not) {
						t.Errorf("%s: %q stands in\n%s", s.line, not, w.text)
					}
				} else if !strings.Contains(filepath.ToSlash(w.text), want) {
					t.Errorf("%s: no %q in\n%s", s.line, want, w.text)
				}
			}
		}
	}
}

// TestCatalogueCommand plays the life of a few drawings.
func TestCatalogueCommand(t *testing.T) {
	harbour(t)
	today := time.Now().Format(time.DateOnly)
	play(t, []step{
		{"catalogue scan .", 0, nil, []string{"boat.png #1: new", "kettle.png #2: new", "boat.svg #3: new, drawn from boat.png", "crab.svg #4: new", ".: 4 new; 4 items", "!looks like"}},
		{"catalogue scan .", 0, nil, []string{".: nothing has changed; 4 items"}},
		{"catalogue search", 0, []string{"#4     drawing     512 x 512  crab.svg  \"Crab\"  traced\n#3 ", "#2     picture     160 x 160  kettle.png  drawn"}, nil},
		{"catalogue list --kind picture", 0, []string{"#2 ", "#1 ", "!#3 "}, nil},
		{"catalogue search boats harbours", 0, []string{"#3 ", "!#1 ", "!crab"}, nil},
		{"catalogue search nothing", 0, nil, []string{"nothing found"}},
		{"catalogue search --limit 1", 0, []string{"#4 "}, []string{"more than 1; --limit"}},
		{"catalogue search --size 100..200", 0, []string{"#1 ", "#2 ", "!#3 "}, nil},
		{"catalogue search --size 400.. --kind drawing", 0, []string{"#3 ", "#4 ", "!#1 "}, nil},
		{"catalogue search --colour #d94834 --kind drawing --limit 1", 0, []string{"drawing"}, []string{"more"}},
		{"catalogue search --state traced --json crab", 0, []string{`{"id":4,"kind":"drawing","path":"crab.svg","title":"Crab","width":512,"height":512,"state":"traced"}`}, nil},
		{"catalogue state delivered boat.svg crab --at \"deck library\" --day 2026-03-01", 0, nil, []string{"delivered: 2 items"}},
		{"catalogue state refused crab.svg --at \"deck library\" --note \"too many points\" --day 2026-03-09", 0, nil, []string{"refused: 1 item"}},
		{"catalogue search --state refused --at \"deck library\"", 0, []string{"#4 ", "refused, deck library", "!#3 "}, nil},
		{"catalogue search --state delivered", 0, []string{"#3 ", "!#4 "}, nil},
		{"catalogue show crab.svg", 0, []string{"#4 drawing crab.svg", "history     2026-03-09 refused, deck library: too many points", "palette "}, nil},
		{"catalogue outdated", 0, nil, []string{"nothing is out of date"}},
		{"catalogue describe crab.svg --title \"Shore crab\" --keywords \"crab, crabs\"", 0, nil, []string{"2 keywords, at least", `"crab" and "crabs"`}},
		{"catalogue describe crab.svg --drop crabs --add \"claw, sea\"", 0, nil, []string{"3 keywords"}},
		{"catalogue show #4", 0, []string{"Shore crab", "crab, claw, sea\n"}, nil},
	})
	// a correction, a move, a variant, a file that is gone
	writeDrawing(t, "boat.svg", "boat", func(d *trace.Drawing) { d.Meta.Title = "Red boat"; d.Layers[0].Colour.R ^= 64 })
	writeDrawing(t, "boat.dusk.svg", "boat", func(d *trace.Drawing) { d.Layers[0].Colour.B ^= 64 })
	if err := os.Mkdir("shore", 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename("crab.svg", "shore/hermit.svg"); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove("kettle.png"); err != nil {
		t.Fatal(err)
	}
	play(t, []step{
		{"catalogue scan .", 0, nil, []string{"boat.svg #3: corrected", "boat.dusk.svg #5: new, variant of boat.svg", "shore/hermit.svg #4: moved from crab.svg", "kettle.png #2: gone", "1 new, 1 corrected, 1 moved, 1 gone", "!looks like"}},
		{"catalogue outdated", 0, []string{"#3 boat.svg: delivered to deck library on 2026-03-01, corrected since"}, nil},
		{"catalogue show hermit", 0, []string{"Shore crab", "refused"}, nil},
		{"catalogue search --gone", 0, []string{"#2 ", "(gone)"}, nil},
		{"catalogue state delivered boat.svg --at \"deck library\"", 0, nil, []string{"delivered"}},
		{"catalogue outdated", 0, nil, []string{"nothing"}},
		{"catalogue link hermit boat.svg --as master --note \"shares the sea\"", 0, nil, nil},
		{"catalogue show boat.svg", 0, []string{"master of #4 shore/hermit.svg, shares the sea", "master of #5 boat.dusk.svg, dusk", "drawn from #1 boat.png", today + " delivered"}, nil},
		{"catalogue link hermit boat.svg --undo", 0, nil, nil},
		{"catalogue link hermit boat.svg --undo", 1, nil, []string{"boat.svg is no master of hermit"}},
	})
	// the same thing drawn twice
	writeDrawing(t, "dinghy.svg", "boat", func(d *trace.Drawing) { d.Width, d.Height = d.Width+40, d.Height+40 })
	play(t, []step{
		{"catalogue near dinghy.svg", 0, []string{"dinghy.svg looks like #", "boat.svg (likeness 0.9"}, nil},
		{"catalogue add dinghy.svg", 0, nil, []string{"dinghy.svg #6: new", "  looks like #"}},
		{"catalogue near", 0, []string{"looks like #6 dinghy.svg"}, nil},
		{"catalogue near --json --likeness 0.95", 0, []string{`{"a":{"id":`, `"likeness":`}, nil},
		{"catalogue suggest dinghy.svg", 0, []string{"dinghy.svg: 0 keywords", "0 keywords, at least 7", "oars ", "as boat.svg"}, nil},
		{"catalogue suggest dinghy.svg --plain --limit 2", 0, []string{", "}, nil},
	})
	put(t, "wanted.txt", []byte("# subjects\nboats\ncrab\ngull\n"))
	play(t, []step{
		{"catalogue wanted wanted.txt", 0, []string{"   0  gull\n", "!boats"}, []string{"1 of 3 subjects missing"}},
		{"catalogue wanted wanted.txt --least 2 --all --kind drawing", 0, []string{"   0  gull\n", "   1  crab\n", "  boats\n"}, []string{"2 of 3 subjects missing"}},
		{"catalogue statistics", 0, []string{"items      6", "deck library: delivered 2, accepted 0, refused 1, sold 0"}, nil},
		{"catalogue statistics -o page.html", 0, nil, nil},
	})
	page := string(get(t, "page.html"))
	if !strings.HasPrefix(page, "<!DOCTYPE html>") || strings.Count(page, "<svg ") < 5 || !strings.Contains(page, "too many points") {
		t.Errorf("the page of statistics:\n%.600s", page)
	}
	// sales from a list, and everything through tables into another catalogue
	put(t, "sales.csv", []byte("path;state;place;day;note\r\nboat.svg;sold;deck library;2026-04-01;\"4,20 EUR\"\r\nhermit;sold;quay shop;2026-04-02;\r\n"))
	play(t, []step{
		{"catalogue import sales.csv", 0, nil, []string{"sales.csv: 2 states"}},
		{"catalogue search --state sold", 0, []string{"#4 ", "sold, quay shop"}, nil},
		{"catalogue show boat.svg", 0, []string{"2026-04-01 sold, deck library: 4,20 EUR"}, nil},
		{"catalogue export -o tables", 0, nil, nil},
		{"catalogue import tables/items.csv tables/states.csv tables/links.csv --catalogue second", 0, nil, []string{"items.csv: 6 new, 0 changed", "links.csv: "}},
		{"catalogue export -o again --catalogue second", 0, nil, nil},
		{"catalogue forget dinghy.svg", 0, nil, []string{"forgot #6 dinghy.svg"}},
		{"catalogue search dinghy", 0, nil, []string{"nothing found"}},
	})
	for _, name := range []string{"items.csv", "states.csv", "links.csv"} {
		if a, b := get(t, filepath.Join("tables", name)), get(t, filepath.Join("again", name)); !bytes.Equal(a, b) {
			t.Errorf("%s changed on its way through another catalogue:\n%s\n%s", name, a, b)
		}
	}
}

// TestCatalogueErrors holds wrong calls and wrong files against what is said of them; nothing may be left behind.
func TestCatalogueErrors(t *testing.T) {
	harbour(t)
	put(t, "bad.csv", []byte("path,state,place\nboat.svg,sold,\"deck\n"))
	put(t, "odd.csv", []byte("path,state,royalty\n"))
	put(t, "unknown.csv", []byte("path,state,place\nnone.svg,sold,deck library\n"))
	put(t, "note.txt", []byte("no picture"))
	put(t, "broken.svg", []byte("<svg><g></svg>"))
	before := filesHere(t)
	play(t, []step{
		{"catalogue search boat", 1, nil, []string{"pochoir.catalogue: there is no catalogue", "hint: pochoir catalogue scan ."}},
		{"catalogue", 2, nil, []string{"usage: pochoir catalogue ACTION"}},
		{"catalogue serch", 2, nil, []string{"catalogue cannot serch", "did you mean pochoir catalogue search?"}},
		{"catalogue add", 2, nil, []string{"no file given"}},
		{"catalogue add none.png", 1, nil, []string{"none.png: cannot be read"}},
		{"catalogue add note.txt", 1, nil, []string{"note.txt: is a text file"}},
		{"catalogue add .", 2, nil, []string{".: is a folder, and no pack lies in it", "catalogue scan ."}},
		{"catalogue import unknown.csv", 1, nil, []string{"unknown.csv:2: none.svg: is not in the catalogue"}},
		{"catalogue search --catalogue note.txt", 1, nil, []string{"note.txt: is no catalogue"}},
	})
	if after := filesHere(t); after != before {
		t.Errorf("left behind: %s", after)
	}
	play(t, []step{
		{"catalogue add boat.svg broken.svg", 3, nil, []string{"broken.svg: ", "1 of 2 failed"}},
		{"catalogue search --size big", 2, nil, []string{"--size big: want a range"}},
		{"catalogue search --size 900..100", 2, nil, []string{"want a range"}},
		{"catalogue search --colour blurple", 2, nil, []string{"want #rrggbb"}},
		{"catalogue search --state lost", 2, nil, []string{`state "lost", want drawn`}},
		{"catalogue search --within 90 --colour red", 1, nil, []string{"within 90 of a colour"}},
		{"catalogue search --lmit 3", 2, nil, []string{"did you mean --limit?"}},
		{"catalogue show crab.svg", 1, nil, []string{"crab.svg: is not in the catalogue", "hint: pochoir catalogue add crab.svg"}},
		{"catalogue state sold boat.svg", 1, nil, []string{"sold: at which place?"}},
		{"catalogue state refused boat.svg --at quay", 1, nil, []string{"for what reason?"}},
		{"catalogue state sold boat.svg --at quay --day yesterday", 1, nil, []string{`day "yesterday"`}},
		{"catalogue state boat.svg", 2, nil, []string{"want a state and the items"}},
		{"catalogue link boat.svg boat.svg", 1, nil, []string{"an item is no master of itself"}},
		{"catalogue describe boat.svg", 2, nil, []string{"nothing to set"}},
		{"catalogue import bad.csv", 1, nil, []string{"bad.csv:2: a quoted field is not closed"}},
		{"catalogue import odd.csv", 1, nil, []string{`odd.csv:1: unknown column "royalty"; a table of states has path, state, place, day, note, hash`}},
		{"catalogue statistics -o page.txt", 2, nil, []string{"ends in .html"}},
		{"catalogue export", 2, nil, []string{"-o wants a folder"}},
		{"catalogue wanted none.txt", 1, nil, []string{"none.txt: cannot be read"}},
		{"catalogue scan note.txt", 1, nil, []string{"note.txt: is no folder"}},
	})
}

// TestCatalogueBesidesPackAndCheck has pack and check use the catalogue of the folder.
func TestCatalogueBesidesPackAndCheck(t *testing.T) {
	harbour(t)
	put(t, "small.toml", []byte("[preview]\nmegapixels = 0.02\n"))
	writeDrawing(t, "dinghy.svg", "boat", func(d *trace.Drawing) {
		d.Width, d.Height = d.Width+40, d.Height+40
		d.Meta.Title = "dinghy"
	})
	play(t, []step{
		{"catalogue add boat.svg crab.svg -q", 0, nil, nil},
		{"catalogue describe crab.svg --keywords \"crab, claw, shore, shell, sea, red, animal\"", 0, nil, nil},
		{"check dinghy.svg", 0, []string{"looks like #1 boat.svg", "keywords of similar ones: ", "oars"}, nil},
		{"check dinghy.svg --catalogue none", 0, []string{"!looks like", "!similar"}, nil},
		{"check dinghy.svg --json", 0, []string{`"alike":[{"id":1,`, `"suggested_keywords":[{"word":`}, nil},
		{"check crab.svg -q", 0, []string{"0 refusals"}, nil},
		{"catalogue search --state checked", 0, []string{"crab.svg", "!boat"}, nil},
		{"pack dinghy.svg crab.svg -o out --terms small.toml", 0, nil, []string{"looks like #1 boat.svg", "keywords of similar ones: ", "decide what may be sold"}},
		{"catalogue show out", 0, []string{"pack out", "holds #2 crab.svg", "dinghy.svg"}, nil},
		{"catalogue show dinghy.svg", 0, []string{"checked", "in pack #"}, nil},
	})
	table := string(get(t, "out/pack.csv"))
	if !strings.Contains(table, `crab.eps,Crab,One of the harbour drawings.,"crab, claw, shore, shell, sea, red, animal",,`) {
		t.Errorf("the catalogue's keywords did not stand in for missing ones:\n%s", table)
	}
	if !strings.Contains(string(get(t, "out/crab.svg")), "shell") {
		t.Error("the packed drawing lacks the catalogue's keywords")
	}
	// a correction makes pack and check out of date
	writeDrawing(t, "crab.svg", "crab", func(d *trace.Drawing) { d.Layers[0].Colour.R ^= 64 })
	play(t, []step{
		{"catalogue scan . -q", 0, nil, []string{"1 corrected"}},
		{"catalogue outdated", 0, []string{"out: holds crab.svg, which was corrected since", "crab.svg: checked on"}, nil},
	})
}

// TestWordsFromRecipe takes title and keywords from recipe, sidecar and table, the later over the earlier.
func TestWordsFromRecipe(t *testing.T) {
	workshop(t, "buoy-flat.png")
	long := strings.Repeat("קו חוף 港 ", 1000)
	put(t, "buoy-flat.recipe.toml", []byte("title = \"Buoy of the \\\"Gull\\\"\"\nkeywords = [\"buoy\", \"浮标\", \"salt, and vinegar\"]\ncreator = \"Harbour Press\"\nrights = \"all\\nreserved\"\ndescription = \""+long+"\"\n"))
	if r := call(t, nil, "trace", "buoy-flat.png", "-q", "-o", "traced/"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	d, err := svgout.Read(bytes.NewReader(get(t, "traced/buoy-flat.svg")))
	if err != nil {
		t.Fatal(err)
	}
	if m := d.Meta; m.Title != `Buoy of the "Gull"` || strings.Join(m.Keywords, "|") != "buoy|浮标|salt, and vinegar" ||
		m.Creator != "Harbour Press" || m.Rights != "all\nreserved" || m.Description != strings.TrimSpace(long) {
		t.Errorf("%+v", m)
	}
	// --save-recipe keeps the words
	if r := call(t, nil, "trace", "buoy-flat.png", "-q", "-o", "traced/", "--smoothness", "60", "--save-recipe"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	if s := string(get(t, "buoy-flat.recipe.toml")); !strings.Contains(s, `title = "Buoy of the \"Gull\""`) || !strings.Contains(s, `"浮标"`) {
		t.Errorf("the saved recipe:\n%.900s", s)
	}
	// export and pack read the recipe beside the drawing, under sidecar and table
	bench(t, "buoy.svg")
	put(t, "buoy.recipe.toml", []byte("title = \"by recipe\"\ncreator = \"recipe\"\nrights = \"recipe\"\n"))
	put(t, "buoy.meta.toml", []byte("title = \"by sidecar\"\ncreator = \"sidecar\"\n"))
	put(t, "titles.csv", []byte("file,title\nbuoy.svg,by table\n"))
	for _, c := range []struct{ args, want string }{
		{"export buoy.svg -o x.svg", "by sidecar|sidecar|recipe"},
		{"export buoy.svg -o x.svg --meta titles.csv", "by table|sidecar|recipe"},
	} {
		if r := call(t, nil, strings.Fields(c.args)...); r.code != 0 {
			t.Fatalf("%s: %+v", c.args, r)
		}
		d, err := svgout.Read(bytes.NewReader(get(t, "x.svg")))
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join([]string{d.Meta.Title, d.Meta.Creator, d.Meta.Rights}, "|"); got != c.want {
			t.Errorf("%s: %s, want %s", c.args, got, c.want)
		}
	}
	for _, c := range []struct{ recipe, want string }{
		{"title = 3\n", "buoy.recipe.toml:1: title: want text in quotes"},
		{"turn = 30\nkeywords = \"a, b\"\n", "buoy.recipe.toml:2: keywords: want a list"},
		{"keywords = [\"a\"]\nsubject = [\"b\"]\n", "buoy.recipe.toml:2: subject and keywords are the same thing"},
		{"title = \"bell\\u0007\"\n", "buoy.recipe.toml:1: title holds the control character U+0007"},
	} {
		put(t, "buoy.recipe.toml", []byte(c.recipe))
		if r := call(t, nil, "export", "buoy.svg", "-o", "y.svg"); r.code != exitFailed || !strings.Contains(r.errors, c.want) || exists("y.svg") {
			t.Errorf("%q: %+v", c.recipe, r)
		}
	}
}

// TestJSONIsReadable reads back what the catalogue writes for machines, with names that need quoting.
func TestJSONIsReadable(t *testing.T) {
	harbour(t)
	odd := "\u202eעברית, \"quoted\"\n二行 " + strings.Repeat("x", 10000)
	writeDrawing(t, "gull.svg", "gull", func(d *trace.Drawing) { d.Meta.Title = odd })
	if r := call(t, nil, "catalogue", "scan", ".", "-q"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	r := call(t, nil, "catalogue", "search", "עברית", "--json")
	var h struct{ Title, Path string }
	if err := json.Unmarshal([]byte(r.out), &h); err != nil || h.Title != odd || h.Path != "gull.svg" {
		t.Errorf("%v: %.200s", err, r.out)
	}
	// on a terminal it is one short line without direction characters
	r = call(t, nil, "catalogue", "search", "עברית")
	if strings.Count(r.out, "\n") != 1 || len(r.out) > 300 || strings.Contains(r.out, "\u202e") {
		t.Errorf("%q", r.out)
	}
}
