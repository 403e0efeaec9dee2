package main

import (
	"encoding/json"
	"image"
	_ "image/jpeg"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pochoir/cmd/pochoir/internal/deliver"
)

const buoyDrawing = `<svg xmlns="http://www.w3.org/2000/svg" width="360" height="300" viewBox="0 0 360 300">
<title>Red buoy</title>
<g id="firebrick" fill="#c8322f"><path d="M150 96L210 96L252 204C262 230 240 250 180 250C120 250 98 230 108 204Z"/></g>
<g id="steelblue" fill="#4a86b0"><path d="M20 240C64 228 96 252 140 240C176 230 198 250 238 240C278 230 306 252 340 240L340 282L20 282Z"/></g>
</svg>
`

// bench makes a folder with drawings in it and goes there.
func bench(t *testing.T, names ...string) {
	t.Helper()
	t.Chdir(t.TempDir())
	for _, n := range names {
		put(t, n, []byte(buoyDrawing))
	}
}

func listing(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return strings.Join(names, " ")
}

func TestExportCommand(t *testing.T) {
	bench(t, "buoy.svg")
	put(t, "buoy.meta.toml", []byte("title = \"Buoy of the \\\"Gull\\\"\"\nsubject = [\"buoy\", \"sea\"]\n"))
	for file, begins := range map[string]string{"a.eps": "%!PS-Adobe-3.0 EPSF-3.0\n", "b.pdf": "%PDF-1.5\n", "c.png": "\x89PNG",
		"d.JPG": "\xff\xd8\xff\xe0", "e.svg": "<?xml"} {
		r := call(t, nil, "export", "buoy.svg", "-o", file, "--megapixels", "0.05")
		if b := string(get(t, file)); r.code != exitDone || r.errors != "" || !strings.HasPrefix(b, begins) {
			t.Errorf("%s: %+v begins %.20q", file, r, b)
		} else if file != "b.pdf" && !strings.Contains(b, "Buoy of the ") {
			t.Errorf("%s: the title of the text file is not in it", file)
		}
	}
	r := call(t, nil, "export", "buoy.svg", "--format", "eps", "-o", "-", "--area", "1000000")
	if r.code != exitDone || !strings.Contains(r.out, "%%BoundingBox: 0 0 1096 913\n") {
		t.Errorf("%d %s %.200s", r.code, r.errors, r.out)
	}
	if r := call(t, strings.NewReader(buoyDrawing), "export", "-", "-o", "f.png", "--megapixels", "0.01", "--paper", "Teal"); r.code != exitDone {
		t.Errorf("%+v", r)
	}
	f, err := os.Open("f.png")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, _, err := image.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	if r, g, b, a := m.At(0, 0).RGBA(); r != 0 || g>>8 != 128 || b>>8 != 128 || a>>8 != 255 {
		t.Error("the paper is not teal")
	}
}

func TestExportCommandErrors(t *testing.T) {
	bench(t, "buoy.svg")
	put(t, "stroked.svg", []byte(strings.Replace(buoyDrawing, "fill=", `stroke="red" fill=`, 1)))
	put(t, "bad.meta.toml", []byte("titel = \"x\"\n"))
	put(t, "bad.svg", []byte(buoyDrawing))
	put(t, "broken.csv", []byte("file,title\nbuoy.svg\n"))
	before := listing(t, ".")
	for _, c := range []struct {
		args string
		code int
		want string
	}{
		{"export", exitUsage, "want one drawing"},
		{"export buoy.svg", exitUsage, "-o is missing"},
		{"export buoy.svg -o buoy.tif", exitUsage, `ending ".tif"`},
		{"export buoy.svg -o x.eps --area lots", exitUsage, "--area lots"},
		{"export buoy.svg -o x.eps --area 5", exitFailed, "buoy.svg: drawing area of 5"},
		{"export buoy.svg -o buoy.svg", exitUsage, "written over"},
		{"export none.svg -o x.eps", exitFailed, "none.svg: cannot be read"},
		{"export stroked.svg -o x.eps", exitFailed, "pochoir check stroked.svg"},
		{"export bad.svg -o x.eps", exitFailed, `bad.meta.toml: unknown key "titel"`},
		{"export buoy.svg -o x.eps --meta broken.csv", exitFailed, "broken.csv:2: 1 fields"},
		{"export buoy.svg -o x.eps --meta buoy.svg", exitFailed, "buoy.svg: want a table"},
		{"export buoy.svg -o no/such/x.eps", exitFailed, "no/such/x.eps: cannot be written"},
		{"export buoy.svg -o x.png --paper blurple", exitUsage, "want #rrggbb"},
	} {
		r := call(t, nil, strings.Fields(c.args)...)
		if r.code != c.code || !strings.Contains(r.errors, c.want) || r.out != "" {
			t.Errorf("%s: %+v, want code %d and %q", c.args, r, c.code, c.want)
		}
	}
	if after := listing(t, "."); after != before {
		t.Errorf("left behind: %s", after)
	}
}

func TestCheckCommand(t *testing.T) {
	bench(t, "buoy.svg")
	put(t, "open.svg", []byte(strings.Replace(buoyDrawing, "20 282Z", "20 282", 1)))
	r := call(t, nil, "check", "buoy.svg")
	if r.code != exitDone || r.errors != "" || !strings.Contains(r.out, "buoy.svg: 0 refusals, 1 warning, 0 notes") || !strings.Contains(r.out, "keyword-count") {
		t.Errorf("%+v", r)
	}
	r = call(t, nil, "check", "open.svg", "-q")
	if r.code != exitFailed || !strings.Contains(r.out, "line 4: path in layer steelblue") || strings.Contains(r.out, "keyword-count") {
		t.Errorf("%+v", r)
	}
	r = call(t, nil, "check", "buoy.svg", "open.svg", "--json", "--marked", "marks")
	if r.code != exitSomeFailed || listing(t, "marks") != "buoy.check.png open.check.png" {
		t.Errorf("%+v", r)
	}
	for i, line := range strings.Split(strings.TrimSpace(r.out), "\n") {
		var report struct {
			File     string
			Refusals int
			Counts   map[string]int
			Findings []struct {
				Rule, Severity, Text string
				Line                 int
				Box                  *struct{ MinX, MaxX float64 }
			}
		}
		if err := json.Unmarshal([]byte(line), &report); err != nil {
			t.Fatal(err)
		}
		if i == 1 && (report.File != "open.svg" || report.Refusals != 1 || report.Counts["open-path"] != 1 ||
			report.Findings[0].Rule != "open-path" || report.Findings[0].Severity != "refusal" || report.Findings[0].Line != 4 || report.Findings[0].Box == nil) {
			t.Errorf("%s", line)
		}
	}
	original := string(get(t, "open.svg"))
	r = call(t, nil, "check", "open.svg", "--mend")
	if r.code != exitDone || !strings.Contains(r.errors, "open.svg -> open.mended.svg: mended open-path 1; 0 refusals") || string(get(t, "open.svg")) != original {
		t.Errorf("%+v", r)
	}
	if r := call(t, nil, "check", "open.mended.svg"); r.code != exitDone {
		t.Errorf("%+v", r)
	}
	if r := call(t, nil, "check", "--rules"); r.code != exitDone || strings.Count(r.out, "\n") < 40 {
		t.Errorf("%+v", r)
	}
}

func TestCheckCommandTerms(t *testing.T) {
	bench(t, "buoy.svg")
	if r := call(t, nil, "check", "--write-terms", "library.toml"); r.code != exitDone {
		t.Errorf("%+v", r)
	}
	if r := call(t, nil, "check", "--write-terms", "library.toml"); r.code != exitFailed || !strings.Contains(r.errors, "is there already") {
		t.Errorf("%+v", r)
	}
	b := strings.Replace(string(get(t, "library.toml")), "# keyword-count     = \"warning\"", "keyword-count = \"refusal\"", 1)
	put(t, "strict.toml", []byte(b))
	if r := call(t, nil, "check", "buoy.svg", "--terms", "library.toml"); r.code != exitDone {
		t.Errorf("%+v", r)
	}
	if r := call(t, nil, "check", "buoy.svg", "--terms", "strict.toml"); r.code != exitFailed || !strings.Contains(r.out, "refusal  keyword-count") {
		t.Errorf("%+v", r)
	}
}

func TestCheckCommandErrors(t *testing.T) {
	bench(t, "buoy.svg")
	put(t, "broken.svg", []byte("<svg>\n<g>\n</svg>"))
	put(t, "lamp.svg", []byte("\x89PNG\r\n"))
	put(t, "stroked.svg", []byte(strings.Replace(buoyDrawing, "fill=", `stroke="red" fill=`, 1)))
	before := listing(t, ".")
	for _, c := range []struct {
		args string
		code int
		want string
	}{
		{"check", exitUsage, "no drawing given"},
		{"check broken.svg", exitFailed, "broken.svg: line 3: "},
		{"check lamp.svg", exitFailed, "lamp.svg: this is no SVG file"},
		{"check none.svg buoy.svg", exitSomeFailed, "none.svg: cannot be read"},
		{"check stroked.svg --mend", exitFailed, "stroked.svg: cannot be mended automatically: line 3: a stroked outline"},
		{"check buoy.svg -o x.svg", exitUsage, "--mend is missing"},
		{"check buoy.svg --mend -o buoy.svg", exitUsage, "written over"},
		{"check buoy.svg --terms buoy.svg", exitFailed, "buoy.svg:1: "},
	} {
		r := call(t, nil, strings.Fields(c.args)...)
		if r.code != c.code || !strings.Contains(r.errors, c.want) {
			t.Errorf("%s: %+v, want code %d and %q", c.args, r, c.code, c.want)
		}
	}
	if after := listing(t, "."); after != before {
		t.Errorf("left behind: %s", after)
	}
}

func TestPackCommand(t *testing.T) {
	bench(t, "buoy.svg", "kettle.svg", "cleat.svg")
	put(t, "stroked.svg", []byte(strings.Replace(buoyDrawing, "fill=", `stroke="red" fill=`, 1)))
	put(t, "small.toml", []byte("[preview]\nmegapixels = 0.02\n"))
	put(t, "titles.csv", []byte("file,title,subject\nbuoy.svg,\"Buoy, red\",\"buoy, sea, red, float, harbour, water, mark\"\nkettle.jpg,Kettle,\"kettle\ntea\"\ngull.svg,Gull,\n"))
	put(t, "kettle.meta.toml", []byte("title = \"overruled\"\ncreator = \"Harbour Press\"\n"))
	r := call(t, nil, "pack", "buoy.svg", "kettle.svg", "stroked.svg", "-o", "out/one", "--meta", "titles.csv", "--terms", "small.toml")
	if r.code != exitSomeFailed {
		t.Fatalf("%+v", r)
	}
	if got := listing(t, "out/one"); got != "buoy.eps buoy.jpg buoy.pdf buoy.png buoy.svg checks.json kettle.eps kettle.jpg kettle.pdf kettle.png kettle.svg pack.csv reminder.txt" {
		t.Errorf("files %s", got)
	}
	for _, want := range []string{"buoy.svg -> out/one/buoy: svg, eps, pdf, png, jpg; nothing to mend; 0 refusals, 0 warnings",
		"keyword-count: 2 keywords", "stroked.svg: would be refused: stroke:", "hint: pochoir check stroked.svg",
		"titles.csv: no drawing given for gull.svg (line 5)", deliver.Reminder, "1 of 3 failed"} {
		if !strings.Contains(r.errors, want) {
			t.Errorf("no %q in\n%s", want, r.errors)
		}
	}
	if got := string(get(t, "out/one/pack.csv")); got != "file,title,description,subject,creator,rights\nbuoy.eps,\"Buoy, red\",,\"buoy, sea, red, float, harbour, water, mark\",,\nkettle.eps,Kettle,,\"kettle, tea\",Harbour Press,\n" {
		t.Errorf("table\n%s", got)
	}
	if got := string(get(t, "out/one/reminder.txt")); got != deliver.Reminder+"\n" {
		t.Errorf("reminder %q", got)
	}
	var reports []struct{ File string }
	if err := json.Unmarshal(get(t, "out/one/checks.json"), &reports); err != nil || len(reports) != 2 || reports[1].File != "kettle.svg" {
		t.Errorf("%v, %v", reports, err)
	}
	// The pack's table serves as input again.
	if r := call(t, nil, "pack", "buoy.svg", "-o", "two", "--meta", "out/one/pack.csv", "--formats", "eps", "-q"); r.code != exitDone || r.errors != "" || r.out != "" {
		t.Errorf("%+v", r)
	}
	// One job or several: the same bytes.
	for _, jobs := range []string{"1", "3"} {
		if r := call(t, nil, "pack", "buoy.svg", "kettle.svg", "cleat.svg", "-o", "jobs"+jobs, "--jobs", jobs, "--terms", "small.toml"); r.code != exitDone {
			t.Errorf("%+v", r)
		}
	}
	names, err := filepath.Glob("jobs1/*")
	if err != nil || len(names) != 18 {
		t.Errorf("%d files, %v", len(names), err)
	}
	for _, n := range names {
		if string(get(t, n)) != string(get(t, filepath.Join("jobs3", filepath.Base(n)))) {
			t.Errorf("%s differs with three jobs", n)
		}
	}
}

func TestPackCommandErrors(t *testing.T) {
	bench(t, "buoy.svg")
	if err := os.Mkdir("other", 0o777); err != nil {
		t.Fatal(err)
	}
	put(t, "other/buoy.svg", []byte(buoyDrawing))
	put(t, "stroked.svg", []byte(strings.Replace(buoyDrawing, "fill=", `stroke="red" fill=`, 1)))
	before := listing(t, ".")
	for _, c := range []struct {
		args string
		code int
		want string
	}{
		{"pack -o out", exitUsage, "no drawing given"},
		{"pack buoy.svg", exitUsage, "-o wants a folder"},
		{"pack - -o out", exitUsage, "standard input"},
		{"pack buoy.svg other/buoy.svg -o out", exitUsage, "both become buoy"},
		{"pack buoy.svg -o . --formats svg", exitFailed, "written over"},
		{"pack buoy.svg -o out --formats svg,doc", exitUsage, `no format "doc"`},
		{"pack buoy.svg -o out --meta none.csv", exitFailed, "none.csv: cannot be read"},
		{"pack buoy.svg -o out --terms none.toml", exitFailed, "none.toml: cannot be read"},
		{"pack buoy.svg -o stroked.svg", exitFailed, "stroked.svg: the folder cannot be made"},
	} {
		r := call(t, nil, strings.Fields(c.args)...)
		if r.code != c.code || !strings.Contains(r.errors, c.want) {
			t.Errorf("%s: %+v, want code %d and %q", c.args, r, c.code, c.want)
		}
	}
	if after := listing(t, "."); after != before {
		t.Errorf("left behind: %s", after)
	}
	if r := call(t, nil, "pack", "stroked.svg", "-o", "none"); r.code != exitFailed || listing(t, ".") != before {
		t.Errorf("%+v: %s", r, listing(t, "."))
	}
}
