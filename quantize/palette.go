package quantize

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"

	"pochoir/quantize/colour"
)

// ReadPalette reads a palette file: one swatch a line, "#rrggbb name" ("#rgb" is fine too), in order. Blank lines are
// skipped, and so is a line whose first mark is ';' or whose '#' is followed by a blank: "# a note". A swatch without
// a name gets one from the nearest CSS colour. Names are lower case letters, digits and hyphens and start with a
// letter; no name and no colour may come twice, and there are 2 to 255 swatches. Errors name the file (as the
// argument name has it) and the line.
func ReadPalette(r io.Reader, name string) ([]Swatch, error) {
	var out []Swatch
	byName, byColour := map[string]int{}, map[colour.RGB]int{}
	s := bufio.NewScanner(r)
	line := 0
	for s.Scan() {
		line++
		f := strings.Fields(strings.TrimPrefix(s.Text(), "\ufeff"))
		if len(f) == 0 || f[0] == "#" || f[0][0] == ';' {
			continue
		}
		fail := func(format string, args ...any) error {
			return fmt.Errorf("%s:%d: %s", name, line, fmt.Sprintf(format, args...))
		}
		c, err := colour.ParseHex(f[0])
		if err != nil {
			return nil, fail("%v", err)
		}
		if len(f) > 2 {
			return nil, fail("%q after the name, want one word", f[2])
		}
		w := Swatch{Colour: c}
		if len(f) == 2 {
			w.Name = f[1]
			if !validName(w.Name) {
				return nil, fail("name %q, want lower case letters, digits and hyphens", w.Name)
			}
			if at, twice := byName[w.Name]; twice {
				return nil, fail("name %q is already on line %d", w.Name, at)
			}
			byName[w.Name] = line
		}
		if at, twice := byColour[c]; twice {
			return nil, fail("colour %s is already on line %d", c.Hex(), at)
		}
		byColour[c] = line
		if len(out) == maxSwatches {
			return nil, fail("more than %d swatches", maxSwatches)
		}
		out = append(out, w)
	}
	if err := s.Err(); err != nil {
		return nil, fmt.Errorf("%s:%d: %w", name, line+1, err)
	}
	if len(out) < 2 {
		return nil, fmt.Errorf("%s: %d swatches, want at least 2", name, len(out))
	}
	NameSwatches(out)
	return out, nil
}

// WritePalette writes swatches so that ReadPalette reads them back.
func WritePalette(w io.Writer, swatches []Swatch) error {
	b := bufio.NewWriter(w)
	for _, s := range swatches {
		b.WriteString(s.Colour.Hex())
		if s.Name != "" {
			b.WriteString(" " + s.Name)
		}
		b.WriteString("\n")
	}
	return b.Flush()
}

// maxSwatches is the most a palette holds: labels are bytes, and 255 stays free.
const maxSwatches = 255

func validName(s string) bool {
	for i, r := range s {
		if !(r >= 'a' && r <= 'z' || i > 0 && (r >= '0' && r <= '9' || r == '-')) {
			return false
		}
	}
	return s != ""
}

// NameSwatches gives each swatch without a name that of the nearest CSS colour, with "-2", "-3" ... where it is
// taken, in order. Names that are there stay.
func NameSwatches(s []Swatch) {
	taken := map[string]bool{}
	for _, w := range s {
		taken[w.Name] = true
	}
	nearest := make([]string, len(s))
	parallel(len(s), 0, func(i int) {
		if s[i].Name == "" {
			nearest[i] = colour.Name(s[i].Colour)
		}
	})
	for i, base := range nearest {
		if base == "" {
			continue
		}
		n := base
		for k := 2; taken[n]; k++ {
			n = base + "-" + strconv.Itoa(k)
		}
		s[i].Name = n
		taken[n] = true
	}
}
