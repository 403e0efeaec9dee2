package quantize

import (
	"bytes"
	"strings"
	"testing"

	"pochoir/quantize/colour"
)

func TestReadPalette(t *testing.T) {
	const file = "\ufeff# harbour colours\n" +
		"#1a8c8c teal\n" +
		"\n" +
		"; red lead\n" +
		"  #B33A2e\tbuoy-red  \n" +
		"#\n" +
		"#fff\n" +
		"#fffffe\r\n" // no name, and the nearest one is taken
	got, err := ReadPalette(strings.NewReader(file), "harbour.txt")
	if err != nil {
		t.Fatal(err)
	}
	want := []Swatch{
		{"teal", colour.RGB{R: 0x1a, G: 0x8c, B: 0x8c}},
		{"buoy-red", colour.RGB{R: 0xb3, G: 0x3a, B: 0x2e}},
		{"white", colour.RGB{R: 255, G: 255, B: 255}},
		{"white-2", colour.RGB{R: 255, G: 255, B: 254}},
	}
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("swatch %d is %v, want %v", i, got[i], want[i])
		}
	}
	var b bytes.Buffer
	if err := WritePalette(&b, got); err != nil {
		t.Fatal(err)
	}
	if b.String() != "#1a8c8c teal\n#b33a2e buoy-red\n#ffffff white\n#fffffe white-2\n" {
		t.Errorf("written as %q", b.String())
	}
}

func TestReadPaletteErrors(t *testing.T) {
	long := strings.Repeat("x", 100_000)
	for _, c := range []struct{ file, want string }{
		{"", "p: 0 swatches, want at least 2"},
		{"#fff\n", "p: 1 swatches, want at least 2"},
		{"#fff a\nfff b\n", `p:2: colour "fff", want #rrggbb`},
		{"#ggg a\n", `p:1: colour "#ggg", want #rrggbb`},
		{"#1234567 a\n", `p:1: colour "#1234567", want #rrggbb`},
		{"#fff Teal\n", `p:1: name "Teal", want lower case letters, digits and hyphens`},
		{"#fff 2-teal\n", `p:1: name "2-teal", want lower case letters, digits and hyphens`},
		{"#fff sea green\n", `p:1: "green" after the name, want one word`},
		{"#fff a\n\n#000 a\n", `p:3: name "a" is already on line 1`},
		{"#fff a\n#FFFFFF b\n", `p:2: colour #ffffff is already on line 1`},
		{"#fff " + long + "\n", "p:1: bufio.Scanner: token too long"},
	} {
		_, err := ReadPalette(strings.NewReader(c.file), "p")
		if err == nil || err.Error() != c.want {
			t.Errorf("%.40q: error %v, want %s", c.file, err, c.want)
		}
	}
	var many strings.Builder
	for i := range 256 {
		many.WriteString(colour.RGB{R: uint8(i)}.Hex() + "\n")
	}
	if _, err := ReadPalette(strings.NewReader(many.String()), "p"); err == nil || err.Error() != "p:256: more than 255 swatches" {
		t.Errorf("256 swatches: error %v", err)
	}
}

func TestNameSwatches(t *testing.T) {
	s := []Swatch{
		{Colour: colour.RGB{R: 0x1a, G: 0x8c, B: 0x8c}},
		{Colour: colour.RGB{R: 0x1b, G: 0x8c, B: 0x8c}},
		{Name: "darkcyan-2", Colour: colour.RGB{}},
		{Colour: colour.RGB{R: 0x1c, G: 0x8c, B: 0x8c}},
	}
	NameSwatches(s)
	for i, want := range []string{"darkcyan", "darkcyan-3", "darkcyan-2", "darkcyan-4"} {
		if s[i].Name != want {
			t.Errorf("swatch %d is named %s, want %s", i, s[i].Name, want)
		}
	}
}

// FuzzReadPalette: what is read is written and read back the same.
func FuzzReadPalette(f *testing.F) {
	f.Add("#1a8c8c teal\n#fff\n")
	f.Add("# note\n;\n#000 ink\n#ffffff paper\n")
	f.Fuzz(func(t *testing.T, file string) {
		a, err := ReadPalette(strings.NewReader(file), "p")
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("error of several lines: %v", err)
			}
			return
		}
		var b bytes.Buffer
		if err := WritePalette(&b, a); err != nil {
			t.Fatal(err)
		}
		c, err := ReadPalette(&b, "p")
		if err != nil || len(c) != len(a) {
			t.Fatalf("%v, %v read back as %v", err, a, c)
		}
		for i := range a {
			if a[i] != c[i] {
				t.Errorf("%v read back as %v", a[i], c[i])
			}
		}
	})
}
