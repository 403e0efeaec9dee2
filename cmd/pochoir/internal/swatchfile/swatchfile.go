// Package swatchfile reads and writes lists of named colours: palettes, whose colours all differ, and colourways, which
// may give several names one colour. The file is text, one "#rrggbb name" a line; empty lines and lines that start with
// "//" are passed over. It does not match names against a drawing. Safe to call concurrently.
package swatchfile

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	"strings"

	"pochoir/quantize"
	"pochoir/quantize/colour"
)

// Limits of a list. A palette has one label a pixel in a byte, so it holds at most 255 colours; a line is a colour and
// a short name.
const (
	maxSwatches = 255
	maxName     = 64  // bytes
	maxLine     = 512 // bytes
)

// Palette reads the list in the file at path and refuses a colour that repeats. Errors name the file and the line.
func Palette(path string) ([]quantize.Swatch, error) { return load(path, true) }

// Colourway reads the list in the file at path. Errors name the file and the line.
func Colourway(path string) ([]quantize.Swatch, error) { return load(path, false) }

func load(path string, distinct bool) ([]quantize.Swatch, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be read: %w", path, bare(err))
	}
	defer f.Close()
	return Read(f, path, distinct)
}

// Read reads a list from r; name is the file's, for errors. A name is lower case letters, digits and hyphens, starting
// with a letter; where it is left out the colour gets the name of the nearest colour of CSS. Names may not repeat, nor
// may colours where they must be distinct, and there must be at least one.
func Read(r io.Reader, name string, distinct bool) ([]quantize.Swatch, error) {
	var list []quantize.Swatch
	lines := bufio.NewScanner(r)
	lines.Buffer(nil, maxLine)
	n := 0
	for lines.Scan() {
		n++
		text := bytes.TrimSpace(bytes.TrimPrefix(lines.Bytes(), []byte("\xef\xbb\xbf")))
		if len(text) == 0 || bytes.HasPrefix(text, []byte("//")) {
			continue
		}
		s, err := parseLine(string(text), list, distinct)
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %w", name, n, err)
		}
		if len(list) == maxSwatches {
			return nil, fmt.Errorf("%s:%d: more than %d colours", name, n, maxSwatches)
		}
		list = append(list, s)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s:%d: not a list of colours: %w", name, n+1, bare(err))
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("%s: no colours in it; want lines such as \"#1a8c8c teal\"", name)
	}
	return list, nil
}

// parseLine reads one line and holds it against those before.
func parseLine(text string, before []quantize.Swatch, distinct bool) (quantize.Swatch, error) {
	hex, name, _ := strings.Cut(text, " ")
	if i := strings.IndexByte(hex, '\t'); i >= 0 {
		hex, name = text[:i], text[i:]
	}
	name = strings.TrimSpace(name)
	c, err := colour.ParseHex(hex)
	if err != nil {
		return quantize.Swatch{}, fmt.Errorf("%q is no colour; want a line such as \"#1a8c8c teal\"", hex)
	}
	if name == "" {
		name = unusedName(colour.Name(c), before)
	}
	if !isName(name) {
		return quantize.Swatch{}, fmt.Errorf("%q is no name; want lower case letters, digits and hyphens, at most %d", name, maxName)
	}
	for _, b := range before {
		if b.Name == name {
			return quantize.Swatch{}, fmt.Errorf("the name %s appears twice", name)
		}
		if distinct && b.Colour == c {
			return quantize.Swatch{}, fmt.Errorf("the colour %s appears twice, as %s and %s", c.Hex(), b.Name, name)
		}
	}
	return quantize.Swatch{Name: name, Colour: c}, nil
}

// unusedName returns name, or name-2, name-3, … where it is taken.
func unusedName(name string, before []quantize.Swatch) string {
	taken := map[string]bool{}
	for _, b := range before {
		taken[b.Name] = true
	}
	for n, base := 2, name; taken[name]; n++ {
		name = fmt.Sprintf("%s-%d", base, n)
	}
	return name
}

// isName reports whether s can name a layer.
func isName(s string) bool {
	if s == "" || len(s) > maxName || s[0] < 'a' || s[0] > 'z' {
		return false
	}
	for _, r := range s {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' {
			return false
		}
	}
	return true
}

// Write writes list to w, in order.
func Write(w io.Writer, list []quantize.Swatch) error {
	var b bytes.Buffer
	for _, s := range list {
		fmt.Fprintf(&b, "%s %s\n", s.Colour.Hex(), s.Name)
	}
	_, err := w.Write(b.Bytes())
	return err
}

// bare takes the path, which the caller names already, off an error of the system.
func bare(err error) error {
	if p, ok := err.(*os.PathError); ok {
		return p.Err
	}
	return err
}
