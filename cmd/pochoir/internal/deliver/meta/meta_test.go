package meta

import (
	"bytes"
	"encoding/xml"
	"io"
	"reflect"
	"strings"
	"testing"

	"pochoir/trace"
)

var full = trace.Meta{Title: "The \"Gull\" \\ boat\nof 東京", Description: "line one\n\tline two", Creator: "Ann O'Cleat",
	Rights: "© Harbour Press", Keywords: []string{"boat", "crab pot", "מגדלור", `a "b" c`}}

func TestSidecarRoundTrip(t *testing.T) {
	for _, m := range []trace.Meta{full, {}, {Title: strings.Repeat("long ", 2000) + "end"}} {
		var b bytes.Buffer
		if err := WriteSidecar(&b, m); err != nil {
			t.Fatal(err)
		}
		got, err := ReadSidecar(&b, "boat.meta.toml")
		if err != nil || !reflect.DeepEqual(got, m) {
			t.Errorf("%v\nread back as %.200v\nwant %.200v", err, got, m)
		}
	}
}

func TestSidecarErrors(t *testing.T) {
	for text, want := range map[string]string{
		"title = \"a\"\ntitle = \"b\"":                 "boat.meta.toml:2: ",
		"title = \"a\"\n\nsubject = [\"a\", ":          "boat.meta.toml:3: ",
		"titel = \"a\"":                                `unknown key "titel"`,
		"subject = [\"a\"]\nkeywords = [\"b\"]":        "the same thing",
		"title = 7":                                    "boat.meta.toml:",
		"title = \"a\\u0001b\"":                        "title holds the control character U+0001",
		"subject = [\"boat\", \"bell \\u0007 sound\"]": "keyword 2 holds the control character",
	} {
		_, err := ReadSidecar(strings.NewReader(text), "boat.meta.toml")
		if err == nil || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), "boat.meta.toml:") ||
			strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: error %v, want one line with %q", text, err, want)
		}
	}
}

func TestTableRoundTrip(t *testing.T) {
	rows := []Row{{File: "boat.eps", Meta: full}, {File: "kettle.eps"}, {File: "灯台.svg", Meta: trace.Meta{Title: "灯台"}}}
	rows[0].Meta.Keywords = []string{"boat", "sea", `"quoted"`}
	var b bytes.Buffer
	if err := WriteTable(&b, rows); err != nil {
		t.Fatal(err)
	}
	got, err := ReadTable(&b, "pack.csv")
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range rows {
		if g := got.Rows[i]; g.File != r.File || !reflect.DeepEqual(g.Meta, r.Meta) {
			t.Errorf("row %d: %v, want %v", i, g, r)
		}
	}
	for name, want := range map[string]bool{"a/b/boat.svg": true, `C:\x\kettle.png`: true, "灯台": true, "gull.svg": false} {
		if _, ok := got.Find(name); ok != want {
			t.Errorf("%s found: %v", name, ok)
		}
	}
}

// TestTableForms reads what spreadsheet programs write: byte order mark, semicolons, tabs, CR LF, columns in any order.
func TestTableForms(t *testing.T) {
	want := trace.Meta{Title: "Red buoy, afloat", Keywords: []string{"buoy", "sea"}}
	for _, text := range []string{
		"\ufefffile,title,keywords\r\nbuoy.svg,\"Red buoy, afloat\",\"buoy, sea\"\r\n",
		"Title;File;Subject\nRed buoy, afloat;buoy.svg;buoy, sea\n",
		"file\ttitle\tsubject\nbuoy.svg\tRed buoy, afloat\tbuoy; sea;\n",
		"file,title,subject,rights\n\nbuoy.svg,\"Red buoy, afloat\",\"buoy\nsea\",\n",
	} {
		got, err := ReadTable(strings.NewReader(text), "titles.csv")
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if r, ok := got.Find("buoy.svg"); !ok || !reflect.DeepEqual(r.Meta, want) {
			t.Errorf("%q: %v", text, r)
		}
	}
}

func TestTableErrors(t *testing.T) {
	for text, want := range map[string]string{
		"":                                           "titles.csv:1: empty",
		"title,subject\na,b\n":                       `titles.csv:1: no column "file"`,
		"file,titel\na,b\n":                          `titles.csv:1: unknown column "titel"`,
		"file,title,title\n":                         `titles.csv:1: column "title" stands twice`,
		"file,title\na.svg,x\nb.svg\n":               "titles.csv:3: 1 fields, the first line has 2",
		"file,title\na.svg,x\n\"b.svg,y\n":           "titles.csv:3: ",
		"file,title\na.svg,x\nb.svg,y \"z\" w\n":     "titles.csv:3: ",
		"file,title\na.svg,x\n,y\n":                  "titles.csv:3: no file named",
		"file,title\na.svg,x\nb.svg,y\nc/a.png,z\n":  "titles.csv:4: c/a.png stands already in line 2",
		"file,title\na.svg,\"x\ny\"\nb.svg,bell\a\n": "titles.csv:4: title holds the control character U+0007",
		"file,title\na.svg,\xff\xfe\n":               "titles.csv:2: title is not UTF-8",
		"file,title\r\na.svg,x,too,many\r\n":         "titles.csv:2: 4 fields",
	} {
		_, err := ReadTable(strings.NewReader(text), "titles.csv")
		if err == nil || !strings.HasPrefix(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: error %v, want %q", text, err, want)
		}
	}
}

func TestKeywords(t *testing.T) {
	for _, c := range []struct {
		words    string
		min, max int
		want     string // kinds and dropped words
	}{
		{"boat,sea,gull", 3, 3, ""},
		{"boat,sea", 3, 0, "few"},
		{"boat,sea,gull", 0, 2, "many"},
		{"boat,Boat", 0, 0, "duplicate:Boat"},
		{"crab pot,crab-pot", 0, 0, "duplicate:crab-pot"},
		{"ﬁsh,fish", 0, 0, "duplicate:fish"},      // a ligature is its letters
		{"boat,boats", 0, 0, "plural:boats"},      // plain -s
		{"boats,boat", 0, 0, "plural:boats"},      // the singular stays whichever comes first
		{"ferry,ferries", 0, 0, "plural:ferries"}, // -ies
		{"wrench,wrenches", 0, 0, "plural:wrenches"},
		{"glass,compass,iris,cactus", 0, 0, ""}, // only look like plurals
		{"gas,bus", 0, 0, ""},
		{"a boat that sails away", 0, 0, "phrase"},
		{"coil of rope", 0, 0, ""},
	} {
		words := strings.Split(c.words, ",")
		var got []string
		for _, r := range Keywords(words, c.min, c.max) {
			s := r.Kind
			if r.Drop >= 0 {
				s += ":" + words[r.Drop]
			}
			got = append(got, s)
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: %q, want %q", c.words, got, c.want)
		}
	}
}

// TestXMPIsXML parses the packet in both forms with the standard library's reader.
func TestXMPIsXML(t *testing.T) {
	for _, ascii := range []bool{false, true} {
		b := XMP(full, "application/pdf", ascii)
		if ascii {
			for _, c := range b {
				if c > 0x7e {
					t.Fatalf("byte %#x in an ASCII packet", c)
				}
			}
		}
		var text strings.Builder
		dec := xml.NewDecoder(bytes.NewReader(b))
		for {
			tok, err := dec.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if c, ok := tok.(xml.CharData); ok {
				text.Write(c)
			}
		}
		for _, want := range append(full.Keywords, full.Title, full.Description, full.Creator, full.Rights) {
			if !strings.Contains(text.String(), want) {
				t.Errorf("ascii %v: %q is not in the packet", ascii, want)
			}
		}
	}
}

func TestIPTCLimits(t *testing.T) {
	if b, err := IPTC(trace.Meta{}); b != nil || err != nil {
		t.Errorf("nothing to say gives %d bytes, %v", len(b), err)
	}
	b, err := IPTC(trace.Meta{Title: strings.Repeat("灯", 50)})
	if err != nil || bytes.Count(b, []byte("灯")) != 21 { // 21 characters of three bytes fit into 64
		t.Errorf("%d characters of the title, %v", bytes.Count(b, []byte("灯")), err)
	}
	many := make([]string, 3000)
	for i := range many {
		many[i] = strings.Repeat("k", 30)
	}
	if _, err := IPTC(trace.Meta{Keywords: many}); err == nil {
		t.Error("3000 keywords fit into a segment")
	}
}

func TestMerge(t *testing.T) {
	got := Merge(trace.Meta{Title: "a", Creator: "b", Keywords: []string{"c"}}, trace.Meta{Title: "d", Keywords: []string{"e", "f"}})
	want := trace.Meta{Title: "d", Creator: "b", Keywords: []string{"e", "f"}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func FuzzTable(f *testing.F) {
	f.Add("file,title,subject\nboat.svg,\"A \"\"boat\"\"\",\"a, b\"\n")
	f.Add("file;title\nx;\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		table, err := ReadTable(strings.NewReader(text), "t.csv")
		if err != nil {
			if !strings.HasPrefix(err.Error(), "t.csv:") || strings.Contains(err.Error(), "\n") {
				t.Fatalf("error %q", err)
			}
			return
		}
		var b bytes.Buffer
		if err := WriteTable(&b, table.Rows); err != nil {
			t.Fatal(err)
		}
		again, err := ReadTable(&b, "t.csv")
		if err != nil {
			t.Fatal(err)
		}
		for i := range table.Rows {
			if x, y := table.Rows[i], again.Rows[i]; x.File != y.File || !reflect.DeepEqual(x.Meta, y.Meta) {
				t.Fatalf("%v became %v", x, y)
			}
		}
	})
}

func FuzzSidecar(f *testing.F) {
	f.Add("title = \"A boat\"\nsubject = [\"a\", \"b\"]\n")
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ReadSidecar(strings.NewReader(text), "t.toml")
		if err != nil {
			if !strings.HasPrefix(err.Error(), "t.toml:") || strings.Contains(err.Error(), "\n") {
				t.Fatalf("error %q", err)
			}
			return
		}
		var b bytes.Buffer
		if err := WriteSidecar(&b, m); err != nil {
			t.Fatal(err)
		}
		if again, err := ReadSidecar(&b, "t.toml"); err != nil || !reflect.DeepEqual(again, m) {
			t.Fatalf("%v became %v, %v", m, again, err)
		}
	})
}
