package swatchfile

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
)

func TestRead(t *testing.T) {
	const text = "// harbour at dusk\n\n#1A8C8C teal\n#d64632\tbuoy-red\r\n  #fff  \n#fefefe\n"
	list, err := Read(strings.NewReader(text), "dusk.palette", true)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := Write(&b, list); err != nil {
		t.Fatal(err)
	}
	const want = "#1a8c8c teal\n#d64632 buoy-red\n#ffffff white\n#fefefe white-2\n"
	if b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
	again, err := Read(&b, "again", true)
	if err != nil || len(again) != 4 || again[3] != list[3] {
		t.Errorf("read back: %v, %v", again, err)
	}
}

func TestFaultsNameFileAndLine(t *testing.T) {
	for text, want := range map[string]string{
		"":                                    "dusk: no colours in it",
		"#1a8c8c teal\nteal #1a8c8c":          `dusk:2: "teal" is no colour`,
		"#1a8c8c Teal":                        `dusk:1: "Teal" is no name`,
		"#1a8c8c sea green":                   `dusk:1: "sea green" is no name`,
		"#1a8c8c teal\n#1a8c8d teal":          "dusk:2: the name teal appears twice",
		"#1a8c8c teal\n\n#1a8c8c sea":         "dusk:3: the colour #1a8c8c appears twice, as teal and sea",
		"#12345 x":                            `dusk:1: "#12345" is no colour`,
		"#1a8c8c " + strings.Repeat("a", 999): "dusk:1: not a list of colours",
	} {
		_, err := Read(strings.NewReader(text), "dusk", true)
		if err == nil || !strings.HasPrefix(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%.30q: %v, want %s …", text, err, want)
		}
	}
	if list, err := Read(strings.NewReader("#1a8c8c teal\n#1a8c8c sea"), "dusk", false); err != nil || len(list) != 2 {
		t.Errorf("a colourway of one colour for two layers: %v, %v", list, err)
	}
	path := filepath.Join(t.TempDir(), "absent")
	if _, err := Palette(path); err == nil || !strings.HasPrefix(err.Error(), path+": cannot be read: ") || strings.Count(err.Error(), path) != 1 {
		t.Errorf("%v", err)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("#1a8c8c teal\n#d64632 buoy-red\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		list, err := Read(bytes.NewReader(text), "x", false)
		if err != nil {
			return
		}
		var b bytes.Buffer
		if err := Write(&b, list); err != nil {
			t.Fatal(err)
		}
		again, err := Read(&b, "x", false)
		if err != nil || len(again) != len(list) {
			t.Fatalf("%d colours come back as %d: %v", len(list), len(again), err)
		}
		for i := range list {
			if list[i] != again[i] {
				t.Fatalf("%v comes back as %v", list[i], again[i])
			}
		}
	})
}
