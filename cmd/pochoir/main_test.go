package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/image/tiff"

	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/svgout"
	"pochoir/trace"
)

// result is what one call of the program gave.
type result struct {
	code        int
	out, errors string
}

// call runs the program in this process.
func call(t *testing.T, stdin io.Reader, args ...string) result {
	t.Helper()
	var out, errs bytes.Buffer
	e := &env{ctx: context.Background(), stdin: stdin, stdout: &out, stderr: &errs}
	code := run(e, args)
	return result{code, out.String(), errs.String()}
}

// workshop makes a folder with small harbour pictures in it and goes there.
func workshop(t *testing.T, names ...string) {
	t.Helper()
	t.Chdir(t.TempDir())
	for _, n := range names {
		object, kind := strings.TrimSuffix(n, ".png"), demo.Inked
		for k := demo.Flat; k <= demo.Ink; k++ {
			if o, ok := strings.CutSuffix(object, k.Suffix()); ok {
				object, kind = o, k
			}
		}
		p, ok := demo.Draw(object, kind)
		if !ok {
			t.Fatalf("no drawing %s", n)
		}
		put(t, n, encoded(t, p.Image(160)))
	}
}

func encoded(t *testing.T, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func put(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
}

func get(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// filesHere lists all there is below the working folder.
func filesHere(t *testing.T) string {
	t.Helper()
	var names []string
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			names = append(names, filepath.ToSlash(path))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return strings.Join(names, " ")
}

func TestTraceBeside(t *testing.T) {
	workshop(t, "buoy-flat.png")
	before := get(t, "buoy-flat.png")
	r := call(t, nil, "trace", "buoy-flat.png")
	if r.code != 0 || r.out != "" {
		t.Fatalf("%+v", r)
	}
	for _, want := range []string{"buoy-flat.png -> buoy-flat.svg\n", "PNG, 160 x 160 px, digital, flat", "palette ", "layers", "shapes", "segments", "deviation  mean ", "worst ", "time "} {
		if !strings.Contains(r.errors, want) {
			t.Errorf("the report lacks %q:\n%s", want, r.errors)
		}
	}
	if n := strings.Count(r.errors, "\n"); n > 24 {
		t.Errorf("the report has %d lines", n)
	}
	if got := filesHere(t); got != "buoy-flat.png buoy-flat.svg" {
		t.Errorf("files: %s", got)
	}
	if !bytes.Equal(before, get(t, "buoy-flat.png")) {
		t.Error("the picture changed")
	}
	d, err := svgout.Read(bytes.NewReader(get(t, "buoy-flat.svg")))
	if err != nil || len(d.Layers) < 5 || d.Meta.Title != "buoy flat" {
		t.Errorf("%v, %+v", err, d)
	}
	// The same picture gives the same bytes, by whatever way it comes and goes and with any number of workers.
	first := get(t, "buoy-flat.svg")
	r = call(t, bytes.NewReader(before), "trace", "-", "-q")
	if r.code != 0 || r.errors != "" || !strings.HasPrefix(r.out, "<?xml") {
		t.Errorf("through streams: %d %s", r.code, r.errors)
	}
	if got := strings.ReplaceAll(r.out, ">drawing<", ">buoy flat<"); got != string(first) {
		t.Errorf("through streams the drawing differs: %d bytes, %d", len(got), len(first))
	}
	r = call(t, nil, "trace", "buoy-flat.png", "-o", "again/", "--jobs", "1", "--quiet")
	if r.code != 0 || !bytes.Equal(first, get(t, "again/buoy-flat.svg")) {
		t.Errorf("again: %+v", r)
	}
}

func TestTraceSeveral(t *testing.T) {
	workshop(t, "buoy-flat.png", "gull-ink.png")
	put(t, "note.png", []byte("Dear harbour master"))
	r := call(t, nil, "trace", "buoy-flat.png", "note.png", "gull-ink.png", "-o", "out")
	if r.code != exitSomeFailed {
		t.Errorf("exit code %d, want %d", r.code, exitSomeFailed)
	}
	lines := strings.Split(strings.TrimSpace(r.errors), "\n")
	want := []string{"buoy-flat.png -> out/buoy-flat.svg: ", "pochoir: note.png: is a text file, not a picture", "pochoir: hint: ", "gull-ink.png -> out/gull-ink.svg: ", "pochoir: 1 of 3 failed"}
	for i, w := range want {
		if i >= len(lines) || !strings.HasPrefix(filepath.ToSlash(lines[i]), w) {
			t.Fatalf("line %d: want %q in\n%s", i, w, r.errors)
		}
	}
	if got := filesHere(t); got != "buoy-flat.png gull-ink.png note.png out/buoy-flat.svg out/gull-ink.svg" {
		t.Errorf("files: %s", got)
	}
	r = call(t, nil, "trace", "buoy-flat.png", "gull-ink.png", "--json", "--jobs", "2")
	var names []string
	dec := json.NewDecoder(strings.NewReader(r.out))
	for dec.More() {
		var v struct {
			Source   string
			Layers   int
			Segments int
			Palette  []struct{ Name, Colour string }
		}
		if err := dec.Decode(&v); err != nil {
			t.Fatal(err)
		}
		names = append(names, v.Source)
		if v.Layers == 0 || v.Segments == 0 || len(v.Palette) == 0 || v.Palette[0].Colour == "" {
			t.Errorf("%+v", v)
		}
	}
	if strings.Join(names, " ") != "buoy-flat.png gull-ink.png" || r.errors != "" {
		t.Errorf("reports on %q, errors %q", names, r.errors)
	}
}

func TestBadInput(t *testing.T) {
	workshop(t, "buoy-flat.png")
	whole := get(t, "buoy-flat.png")
	put(t, "cut.png", whole[:len(whole)/2])
	put(t, "empty.png", nil)
	put(t, "old.svg", []byte("an older drawing"))
	before := filesHere(t)
	for _, c := range []struct {
		args []string
		code int
		text string
	}{
		{[]string{"trace", "cut.png", "-o", "old.svg"}, 1, "cut.png: is "},
		{[]string{"trace", "empty.png", "-o", "old.svg"}, 1, "empty.png: is empty"},
		{[]string{"trace", "absent.png"}, 1, "absent.png: does not exist"},
		{[]string{"trace", "."}, 1, ".: is a folder, not a picture"},
		{[]string{"trace", "buoy-flat.png", "-o", "no/such/x.svg"}, 1, "x.svg: cannot be written: the folder does not exist"},
		{[]string{"trace", "buoy-flat.png", "-o", "buoy-flat.png"}, 2, "buoy-flat.png would be written over"},
		{[]string{"trace", "buoy-flat.png", "-o", "./buoy-flat.png"}, 2, "would be written over"},
		{[]string{"trace", "buoy-flat.png", "--max-megapixels", "0.01"}, 1, "the limit is 0.01"},
		{[]string{"trace", "buoy-flat.png", "buoy-flat.png"}, 2, "would both become"},
		{[]string{"trace", "buoy-flat.png", "cut.png", "-o", "-"}, 2, "cannot go to one place"},
		{[]string{"trace", "buoy-flat.png", "--page", "2"}, 1, "has 1 page(s), no page 2"},
		{[]string{"trace", "buoy-flat.png", "-o", "-", "--json"}, 2, "cannot both go to standard output"},
		{[]string{"trace", "buoy-flat.png", "--colours", "1"}, 2, "--colours 1: want auto or a number from 2 to 64"},
		{[]string{"trace", "buoy-flat.png", "--smothness", "40"}, 2, "there is no option --smothness"},
		{[]string{"trace", "buoy-flat.png", "--palette", "absent.txt"}, 1, "absent.txt: cannot be read"},
		{[]string{"trace", "buoy-flat.png", "--recipe", "absent.toml"}, 1, "absent.toml: cannot be read"},
		{[]string{"trace"}, 2, "no picture given"},
		{[]string{"trace", "-", "--save-recipe"}, 2, "has no name to save beside"},
		{[]string{"tracce", "buoy-flat.png"}, 2, "there is no command tracce"},
		{[]string{"buoy-flat.png"}, 2, "hint: pochoir trace buoy-flat.png"},
		{[]string{"recolour", "old.svg", "--colourway", "absent.txt"}, 1, "absent.txt: cannot be read"},
		{[]string{"recolour", "old.svg"}, 2, "--colourway is missing"},
		{[]string{"proof", "buoy-flat.png"}, 2, "want a picture and its drawing"},
		{[]string{"proof", "buoy-flat.png", "old.svg"}, 1, "old.svg: "},
		{[]string{"demo"}, 2, "want one folder"},
		{[]string{"demo", "old.svg"}, 1, "old.svg: the folder cannot be made"},
		{[]string{}, 2, "usage: pochoir COMMAND"},
	} {
		r := call(t, strings.NewReader(""), c.args...)
		if r.code != c.code || r.out != "" || !strings.Contains(r.errors, c.text) {
			t.Errorf("%v: code %d, want %d, and %q in\n%s", c.args, r.code, c.code, c.text, r.errors)
		}
		if len(c.args) > 0 {
			for _, line := range strings.Split(strings.TrimSpace(r.errors), "\n") {
				if !strings.HasPrefix(line, "pochoir: ") {
					t.Errorf("%v: a line without the program's name: %s", c.args, line)
				}
			}
		}
	}
	if got := filesHere(t); got != before {
		t.Errorf("files: %s, want %s", got, before)
	}
	if string(get(t, "old.svg")) != "an older drawing" || !bytes.Equal(get(t, "buoy-flat.png"), whole) {
		t.Error("a file that was there changed")
	}
}

// TestOddPictures traces pictures that hold next to nothing, or too much.
func TestOddPictures(t *testing.T) {
	t.Chdir(t.TempDir())
	fill := func(w, h int, f func(i int) uint8) []byte {
		m := image.NewNRGBA(image.Rect(0, 0, w, h))
		for i := range m.Pix {
			m.Pix[i] = f(i)
			if i%4 == 3 {
				m.Pix[i] = 255
			}
		}
		return encoded(t, m)
	}
	noise := uint32(1)
	for name, file := range map[string][]byte{
		"one.png":   fill(1, 1, func(int) uint8 { return 7 }),
		"row.png":   fill(9, 1, func(i int) uint8 { return uint8(i / 16 * 255) }),
		"plain.png": fill(60, 40, func(int) uint8 { return 200 }),
		"white.png": fill(60, 40, func(int) uint8 { return 255 }),
		"black.png": fill(60, 40, func(int) uint8 { return 0 }),
		"noise.png": fill(64, 64, func(int) uint8 { noise = noise*1664525 + 1013904223; return uint8(noise >> 24) }),
	} {
		put(t, name, file)
		r := call(t, nil, "trace", name, "-q")
		_, err := os.Stat(stem(name) + ".svg")
		made := err == nil
		switch {
		case r.code == exitDone && made:
			if _, err := svgout.Read(bytes.NewReader(get(t, stem(name)+".svg"))); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		case r.code == exitFailed && !made && strings.Count(r.errors, "\n") <= 2 && strings.HasPrefix(r.errors, "pochoir: "+name+": "):
		default:
			t.Errorf("%s: %+v, drawing made %t", name, r, made)
		}
	}
}

func TestPages(t *testing.T) {
	workshop(t, "buoy-flat.png")
	m, err := png.Decode(bytes.NewReader(get(t, "buoy-flat.png")))
	if err != nil {
		t.Fatal(err)
	}
	put(t, "page.tif", twoPages(t, m))
	for _, c := range []struct {
		args []string
		made string
	}{
		{nil, "page-2.svg page.svg page.tif"},
		{[]string{"--page", "2"}, "page-2.svg page.tif"},
		{[]string{"-o", "x.svg"}, "page.tif x-2.svg x.svg"},
		{[]string{"-o", "x.svg", "--page", "2"}, "page.tif x.svg"},
		{[]string{"-o", "out/"}, "out/page-2.svg out/page.svg page.tif"},
	} {
		for _, f := range strings.Fields(filesHere(t)) {
			if f != "page.tif" {
				os.Remove(f)
			}
		}
		r := call(t, nil, append([]string{"trace", "page.tif", "-q"}, c.args...)...)
		if got := filesHere(t); r.code != 0 || got != c.made {
			t.Errorf("%v: code %d, files %s, want %s\n%s", c.args, r.code, got, c.made, r.errors)
		}
	}
	if r := call(t, nil, "trace", "page.tif", "-o", "-"); r.code != 2 || !strings.Contains(r.errors, "2 pages") {
		t.Errorf("two pages into one stream: %+v", r)
	}
}

// twoPages makes a TIFF of two pages that are the same picture: a second directory, a copy of the first, behind it.
func twoPages(t *testing.T, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := tiff.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	f := b.Bytes()
	at := int(f[4]) | int(f[5])<<8 | int(f[6])<<16
	n := 2 + 12*(int(f[at])|int(f[at+1])<<8)
	second := len(f)
	copied := append(bytes.Clone(f[at:at+n]), 0, 0, 0, 0)
	f[at+n], f[at+n+1], f[at+n+2] = byte(second), byte(second>>8), byte(second>>16)
	return append(f, copied...)
}

func TestRecipe(t *testing.T) {
	workshop(t, "buoy-flat.png")
	put(t, "sea.txt", []byte("#ffffff white\n#1a8c8c sea\n#d94834 red\n#2f4a6b night\n"))
	r := call(t, nil, "trace", "buoy-flat.png", "-q", "--palette", "sea.txt", "--smoothness", "80", "--save-recipe")
	if r.code != 0 {
		t.Fatalf("%+v", r)
	}
	text := string(get(t, "buoy-flat.recipe.toml"))
	for _, want := range []string{"\nsmoothness = 80.0\n", "\npalette = \"sea.txt\"\n", fmt.Sprintf("\n# turn = %.1f\n", trace.DefaultTurn)} {
		if !strings.Contains(text, want) {
			t.Errorf("the recipe lacks %q:\n%s", want, text)
		}
	}
	first := get(t, "buoy-flat.svg")
	if r := call(t, nil, "trace", "buoy-flat.png"); r.code != 0 || !strings.Contains(r.errors, "recipe     buoy-flat.recipe.toml") || !bytes.Equal(first, get(t, "buoy-flat.svg")) {
		t.Errorf("by the recipe beside it: %+v", r)
	}
	if r := call(t, nil, "trace", "buoy-flat.png", "-q", "--recipe", "none"); r.code != 0 || bytes.Equal(first, get(t, "buoy-flat.svg")) {
		t.Errorf("without the recipe: %+v", r)
	}
	// An option goes before the recipe.
	call(t, nil, "trace", "buoy-flat.png", "-q", "--palette", "sea.txt", "--smoothness", "5", "--recipe", "none", "-o", "flags/")
	call(t, nil, "trace", "buoy-flat.png", "-q", "--smoothness", "5", "-o", "both/")
	if !bytes.Equal(get(t, "flags/buoy-flat.svg"), get(t, "both/buoy-flat.svg")) {
		t.Error("the option did not go before the recipe")
	}
	put(t, "buoy-flat.recipe.toml", []byte("smoothness = 80\nsmothness = 3\n"))
	if r := call(t, nil, "trace", "buoy-flat.png"); r.code != 1 || !strings.Contains(r.errors, "buoy-flat.recipe.toml:2: there is no setting smothness") {
		t.Errorf("a slip in the recipe: %+v", r)
	}
}

func TestRecolourAndProof(t *testing.T) {
	workshop(t, "buoy-flat.png")
	if r := call(t, nil, "trace", "buoy-flat.png", "-o", "buoy.svg", "-q"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	d, err := svgout.Read(bytes.NewReader(get(t, "buoy.svg")))
	if err != nil {
		t.Fatal(err)
	}
	put(t, "dusk.txt", fmt.Appendf(nil, "#102030 %s\n", d.Layers[0].Name))
	r := call(t, nil, "recolour", "buoy.svg", "--colourway", "dusk.txt")
	if r.code != 0 || !strings.Contains(r.errors, "buoy.svg -> buoy.dusk.svg") || !bytes.Contains(get(t, "buoy.dusk.svg"), []byte("#102030")) {
		t.Errorf("%+v", r)
	}
	r = call(t, nil, "proof", "buoy-flat.png", "buoy.svg", "--json")
	var f struct {
		Coverage  float64
		Deviation struct{ Mean float64 }
	}
	if err := json.Unmarshal([]byte(r.out), &f); err != nil || r.code != 0 || f.Coverage < 0.97 || f.Deviation.Mean > 0.2 {
		t.Errorf("%v %+v %+v", err, f, r)
	}
	if m, err := png.Decode(bytes.NewReader(get(t, "buoy.proof.png"))); err != nil || m.Bounds().Dx() < 300 {
		t.Errorf("the proof's picture: %v", err)
	}
}

func TestProofOverReference(t *testing.T) {
	workshop(t, "lantern.png")
	if r := call(t, nil, "trace", "lantern.png", "-q"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	before := filesHere(t)
	for _, c := range []struct {
		args, want string
		code       int
	}{
		{"proof lantern.svg lantern.png --reference lantern.png", "want one drawing", exitUsage},
		{"proof lantern.png lantern.svg --match 0,0,1,1,0,0,1,1", "--match goes with --reference", exitUsage},
		{"proof lantern.svg --reference lantern.png --match 0,0,1,1", "want eight numbers", exitUsage},
		{"proof lantern.svg --reference lantern.png --match 0,0,0,0,0,0,1,1", "two points to place by are one", exitFailed},
		{"proof lantern.svg --reference none.png", "none.png: does not exist", exitFailed},
		{"proof lantern.svg --reference lantern.png -o lantern.png", "written over", exitUsage},
	} {
		if r := call(t, nil, strings.Fields(c.args)...); r.code != c.code || !strings.Contains(r.errors, c.want) {
			t.Errorf("%s: %+v", c.args, r)
		}
	}
	if after := filesHere(t); after != before {
		t.Errorf("left behind: %s", after)
	}
	r := call(t, nil, "proof", "lantern.svg", "--reference", "lantern.png", "--json")
	var f struct{ Scale, Turn, X, Y, Near, Wider float64 }
	if err := json.Unmarshal([]byte(r.out), &f); err != nil || r.code != 0 || f.Scale < 0.98 || f.Scale > 1.02 || f.Near < 0.88 || f.Wider < -1.5 || f.Wider > 1.5 {
		t.Errorf("%v %+v", err, r)
	}
	if m, err := png.Decode(bytes.NewReader(get(t, "lantern.reference.png"))); err != nil || m.Bounds().Dx() < 800 {
		t.Errorf("the picture: %v", err)
	}
}

func TestInterrupted(t *testing.T) {
	workshop(t, "buoy-flat.png")
	ctx, stop := context.WithCancel(context.Background())
	stop()
	var errs bytes.Buffer
	code := run(&env{ctx: ctx, stdout: io.Discard, stderr: &errs}, []string{"trace", "buoy-flat.png"})
	if code != exitInterrupted || errs.String() != "pochoir: stopped\n" {
		t.Errorf("code %d, %q", code, errs.String())
	}
	if got := filesHere(t); got != "buoy-flat.png" {
		t.Errorf("files: %s", got)
	}
}

// everyCommand lists all commands, and after each its actions.
func everyCommand() []command {
	var all []command
	for _, c := range commands() {
		all = append(all, c)
		if c.actions != nil {
			all = append(all, c.actions()...)
		}
	}
	return all
}

// TestHelp holds every help against the size of a screen.
func TestHelp(t *testing.T) {
	const lines, columns = 45, 100
	texts := map[string]string{"": call(t, nil, "help").out}
	for _, c := range everyCommand() {
		words := strings.Fields(c.name)
		r := call(t, nil, append(words, "--help")...)
		texts[c.name] = r.out
		if r.code != 0 || r.errors != "" || r.out != call(t, nil, append([]string{"help"}, words...)...).out {
			t.Errorf("%s --help: %+v", c.name, r)
		}
		above, _ := strings.CutSuffix(c.name, words[len(words)-1])
		if !strings.Contains(texts[strings.TrimSpace(above)], "  "+words[len(words)-1]+" ") {
			t.Errorf("the overview lacks %s", c.name)
		}
		if c.prepare == nil {
			continue
		}
		options, _ := c.prepare()
		for _, o := range options {
			if !o.Hidden && !strings.Contains(r.out, "--"+o.Name) {
				t.Errorf("%s: the help lacks --%s", c.name, o.Name)
			}
		}
	}
	for name, text := range texts {
		all := strings.Split(text, "\n")
		if len(all) > lines {
			t.Errorf("help %s: %d lines", name, len(all))
		}
		for _, l := range all {
			if len([]rune(l)) > columns {
				t.Errorf("help %s: too wide: %s", name, l)
			}
		}
	}
}

// TestExamples runs the examples of the help of trace, proof, recolour and demo as they stand there.
func TestExamples(t *testing.T) {
	workshop(t, "lantern.png", "boat.png")
	put(t, "dusk.txt", []byte("#102030 ink\n"))
	put(t, "dawn.txt", []byte("#402030 ink\n"))
	for _, name := range []string{"trace", "proof", "recolour", "version"} {
		for _, x := range find(name).examples {
			r := call(t, nil, strings.Fields(x)[1:]...)
			if r.code != 0 {
				t.Errorf("%s: code %d\n%s", x, r.code, r.errors)
			}
		}
	}
}

func TestDemoCommand(t *testing.T) {
	t.Chdir(t.TempDir())
	if r := call(t, nil, "demo", "harbour", "--size", "64", "-q"); r.code != 0 || r.errors != "" {
		t.Fatalf("%+v", r)
	}
	for _, o := range demo.Objects() {
		for k := demo.Inked; k <= demo.Ink; k++ {
			d, err := svgout.Read(bytes.NewReader(get(t, filepath.Join("harbour", "truth", o+k.Suffix()+".svg"))))
			if err != nil || d.Width != demo.Side {
				t.Errorf("%s%s: %v", o, k.Suffix(), err)
			}
		}
	}
	// Every colour of the pictures has another in each colourway, under the name that its layer gets.
	drawing := filepath.Join("harbour", "boat.svg")
	if r := call(t, nil, "trace", filepath.Join("harbour", "boat.png"), "-q"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	for _, way := range demo.Colourways() {
		r := call(t, nil, "recolour", drawing, "--colourway", filepath.Join("harbour", way.Name+".txt"), "-o", way.Name+".svg")
		if r.code != 0 || bytes.Equal(get(t, way.Name+".svg"), get(t, drawing)) {
			t.Errorf("%s: %+v", way.Name, r)
		}
	}
}

func TestVersion(t *testing.T) {
	for _, arg := range []string{"version", "--version"} {
		if r := call(t, nil, arg); r.code != 0 || !strings.HasPrefix(r.out, "pochoir "+version) {
			t.Errorf("%s: %+v", arg, r)
		}
	}
}

// TestOptionNamesAreUnique looks for two options of one name.
func TestOptionNamesAreUnique(t *testing.T) {
	for _, c := range everyCommand() {
		if c.prepare == nil {
			continue
		}
		seen := map[string]bool{}
		options, _ := c.prepare()
		for _, o := range options {
			for _, n := range []string{o.Name, o.Also} {
				if n != "" && seen[n] {
					t.Errorf("%s has two options %s", c.name, n)
				}
				seen[n] = true
			}
		}
		if _, err := cli.Parse([]string{"--"}, options); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}
