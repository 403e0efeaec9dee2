package recipe

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/BurntSushi/toml"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/paper"
)

func TestDefaultsSetNothing(t *testing.T) {
	o, err := new(Recipe).Options()
	if err != nil || !reflect.DeepEqual(o, trace.Options{}) {
		t.Errorf("%+v, %v", o, err)
	}
	// A field's default must mean what leaving it out means.
	for _, f := range Fields {
		var r Recipe
		if err := r.Set(f.Key, fmt.Sprint(f.Default)); err != nil {
			t.Errorf("%s: its own default %v is refused: %v", f.Key, f.Default, err)
		}
		o, err := r.Options()
		if err != nil {
			t.Errorf("%s: %v", f.Key, err)
		}
		for _, p := range []**float64{&o.Smoothness, &o.Turn, &o.Dust} {
			if *p != nil && **p == f.Default {
				*p = nil
			}
		}
		if !reflect.DeepEqual(o, trace.Options{}) {
			t.Errorf("%s at its default changes the options to %+v", f.Key, o)
		}
	}
}

func TestRoundTrip(t *testing.T) {
	dir := t.TempDir()
	list := filepath.Join(dir, "sets", "har\"bour.palette")
	if err := os.MkdirAll(filepath.Dir(list), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(list, []byte("#1a8c8c teal\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	var r Recipe
	for k, v := range map[string]string{"colours": "7", "palette": list, "smoothness": "62.5", "turn": "40", "dust": "0",
		"medium": "inked", "paper": "keep", "seams": "knockout", "kind": "scan",
		"touches":   `[{do = "corner", at = [12.5, 7]}, {do = "join", at = [1.0, 2], to = [3, 4e1]}]`,
		"pours":     `[{swatch = "gold", into = "teal-2"}]`,
		"locked":    `[{swatch = "sea", colour = "#1e9696"}]`,
		"colourway": `[{swatch = "ink", colour = "#101020"}]`,
		"sheet":     "900,8, 4,2,7,1200,950.5,1210", "light": "keep", "ruled": "keep", "pencil": "keep"} {
		if err := r.Set(k, v); err != nil {
			t.Fatalf("%s: %v", k, err)
		}
	}
	r.Written = "1f00"
	path := filepath.Join(dir, "lantern.recipe.toml")
	if err := r.Save(path); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), `palette = "sets/har\"bour.palette"`) {
		t.Errorf("the palette is not named from the recipe's folder:\n%s", text)
	}
	got, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	if got.Written != "1f00" {
		t.Errorf("written: %q", got.Written)
	}
	if !reflect.DeepEqual(got.values, r.values) {
		t.Errorf("came back as %v, want %v", got.values, r.values)
	}
	o, err := got.Options()
	if err != nil {
		t.Fatal(err)
	}
	if o.Colours != 7 || len(o.Palette) != 1 || *o.Smoothness != 62.5 || *o.Turn != 40 || *o.Dust != 0 ||
		o.Medium != quantize.MediumInked || !o.KeepPaper || !o.Knockout {
		t.Errorf("%+v", o)
	}
	sea, ink := quantize.Swatch{Name: "sea", Colour: colour.RGB{R: 0x1e, G: 0x96, B: 0x96}}, quantize.Swatch{Name: "ink", Colour: colour.RGB{R: 0x10, G: 0x10, B: 0x20}}
	touches := []trace.Touch{{Do: trace.Corner, At: fit.Point{X: 12.5, Y: 7}}, {Do: trace.Join, At: fit.Point{X: 1, Y: 2}, To: fit.Point{X: 3, Y: 40}}}
	if !reflect.DeepEqual(o.Touches, touches) || !reflect.DeepEqual(o.Pours, []trace.Pour{{From: "gold", Into: "teal-2"}}) ||
		!reflect.DeepEqual(o.Locked, []quantize.Swatch{sea}) || !reflect.DeepEqual(o.Colourway, []quantize.Swatch{ink}) {
		t.Errorf("%+v", o)
	}
	var again Recipe
	if err := again.SetLists(got.Lists()); err != nil || again.values["touches"] != r.values["touches"] || again.values["locked"] != r.values["locked"] {
		t.Errorf("%v: %v", again, err)
	}
	want := paper.Options{Sheet: paper.SheetCorners, Corners: [4]fit.Point{{X: 900, Y: 8}, {X: 4, Y: 2}, {X: 7, Y: 1200}, {X: 950.5, Y: 1210}},
		KeepLight: true, KeepRuled: true, KeepPencil: true, Kind: paper.Scan}
	if o.Sheet != want {
		t.Errorf("%+v", o.Sheet)
	}
}

func TestEmptyRecipeSaysWhatThereIs(t *testing.T) {
	var b bytes.Buffer
	if err := new(Recipe).write(&b, "."); err != nil {
		t.Fatal(err)
	}
	// With the marks of comment taken off the settings, the file must still be valid and every key be known.
	var open []string
	for _, line := range strings.Split(b.String(), "\n") {
		if s, ok := strings.CutPrefix(line, "# "); ok && strings.Contains(s, " = ") {
			line = s
		}
		open = append(open, line)
	}
	r, err := read([]byte(strings.Join(open, "\n")), "lantern.recipe.toml")
	if err != nil {
		t.Fatal(err)
	}
	if len(r.values) != len(Fields) {
		t.Errorf("%d settings in the file, want %d:\n%s", len(r.values), len(Fields), b.String())
	}
}

func TestFaultsNameFileAndLine(t *testing.T) {
	for text, want := range map[string]string{
		"smoothness = 40\nsmothness = 3":                 "r.toml:2: there is no setting smothness",
		"zeal = 1\nanger = 2":                            "r.toml:1: there is no setting zeal",
		"\n[lamp]\nlight = 3":                            "r.toml:2: there is no setting lamp",
		"sheet = \"1,2,3\"":                              "r.toml:1: sheet = 1,2,3: want auto, off, or four corners as x,y,x,y,x,y,x,y",
		"sheet = \"0,0,9,0,9,9,9,9\"":                    "r.toml:1: sheet = 0,0,9,0,9,9,9,9: these are not the corners of a sheet",
		"a.b = 1":                                        "r.toml:1: there is no setting a",
		"turn = 28\nsmoothness = 101":                    "r.toml:2: smoothness = 101: want a number from 0 to 100",
		"\n\n\"medium\" = \"oil\"":                       "r.toml:3: medium = oil: want one of auto, line, inked, flat",
		"colours = 1":                                    "r.toml:1: colours = 1: want auto or a number from 2 to 64",
		"dust = nan":                                     "r.toml:1: dust = NaN: want a number",
		"turn = [1, 2]":                                  "r.toml:1: turn: want one value",
		"touches = 3":                                    "r.toml:1: touches = 3: want a list",
		"touches = [{do = \"corner\"}]":                  `r.toml:1: touches = [{"do" = "corner"}]: entry 1: corner wants at = [x, y]`,
		"pours = [{swatch = \"a\", from = \"b\"}]":       `r.toml:1: pours = [{"from" = "b", "swatch" = "a"}]: pours.from is not known here`,
		"locked = [{swatch = \"a\", colour = \"red\"}]":  `r.toml:1: locked = [{"colour" = "red", "swatch" = "a"}]: entry 1: colour = "red": want one such as`,
		"smoothness = 40\nturn = ":                       "r.toml:2: ",
		"turn = 1\nturn = 2":                             "r.toml:2: ",
		"# smoothness = 3\nturn = 5\nsmoothness = \"x\"": "r.toml:3: smoothness = x",
	} {
		_, err := read([]byte(text), "r.toml")
		if err == nil || !strings.HasPrefix(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v, want %s …", text, err, want)
		}
	}
	if _, err := Load(filepath.Join(t.TempDir(), "absent")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v, want fs.ErrNotExist", err)
	}
}

func TestOver(t *testing.T) {
	var file, flags Recipe
	for _, kv := range [][2]string{{"smoothness", "10"}, {"turn", "11"}} {
		if err := file.Set(kv[0], kv[1]); err != nil {
			t.Fatal(err)
		}
	}
	if err := flags.Set("turn", "99"); err != nil {
		t.Fatal(err)
	}
	r := file.Over(&flags)
	if s, _ := r.Text("smoothness"); s != "10" {
		t.Errorf("smoothness %s, want the recipe's 10", s)
	}
	if s, _ := r.Text("turn"); s != "99" {
		t.Errorf("turn %s, want the flag's 99", s)
	}
	if s, _ := file.Text("turn"); s != "11" {
		t.Errorf("the recipe itself changed to %s", s)
	}
	r.Unset("turn")
	if _, ok := r.Text("turn"); ok {
		t.Error("turn is still set")
	}
	if err := r.Set("zeal", "1"); err == nil {
		t.Error("an unknown key is taken")
	}
}

func TestBeside(t *testing.T) {
	for in, want := range map[string]string{"a/lantern.png": "a/lantern.recipe.toml", "a.b/c": "a.b/c.recipe.toml", "x.tar.gz": "x.tar.recipe.toml"} {
		if got := Beside(in); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
}

func TestTextValuesAreTOML(t *testing.T) {
	for _, s := range []string{"", `a"b\c`, "tab\tbell\a", "dusk é 港"} {
		var v struct{ X string }
		if _, err := toml.Decode("X = "+tomlValue(s), &v); err != nil || v.X != s {
			t.Errorf("%q comes back as %q (%v)", s, v.X, err)
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("smoothness = 40\nmedium = \"line\"\n"))
	f.Add([]byte("[a]\nb = [1, {c = 2}]\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := read(text, "r.toml")
		if err != nil {
			if !strings.HasPrefix(err.Error(), "r.toml:") {
				t.Fatalf("does not name the file: %v", err)
			}
			return
		}
		var b bytes.Buffer
		if err := r.write(&b, "."); err != nil {
			t.Fatal(err)
		}
		again, err := read(b.Bytes(), "r.toml")
		if err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
		for k, v := range r.values {
			if f := FieldOf(k); !f.isPath && again.values[k] != v {
				t.Fatalf("%s = %v comes back as %v", k, v, again.values[k])
			}
		}
	})
}
