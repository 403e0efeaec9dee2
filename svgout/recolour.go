package svgout

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"

	"pochoir/quantize"
	"pochoir/quantize/colour"
)

// Recolouring says what Recolour did.
type Recolouring struct {
	Exchanged []Exchange // the layers the colourway names, bottom to top, changed or not
	Kept      []string   // layers it does not name, bottom to top
	Unmatched []string   // swatches that no layer is named after, in their order
	Shared    [][]string // groups of layers that now have one colour, bottom to top
}

// Exchange is the swatch of one layer before and after.
type Exchange struct {
	Layer    string
	From, To colour.RGB
}

// Recolour gives each layer of the SVG file src the colour of the swatch of its name. Of the bytes of the file only
// the values of fill attributes of layer groups change; src itself stays as it is. A second call changes nothing
// further.
//
// Two layers may be given one colour: they stay two layers, which Shared lists; Write would not write such a drawing.
// Errors are those of Read; of kind ErrForeign also when a layer's colour stands elsewhere than in the fill attribute
// of its group. Two swatches of one name and different colours are an error.
func Recolour(src []byte, colourway []quantize.Swatch) ([]byte, Recolouring, error) {
	var report Recolouring
	d, err := read(src)
	if err != nil {
		return nil, report, err
	}
	swatch := make(map[string]colour.RGB, len(colourway))
	for _, s := range colourway {
		if c, ok := swatch[s.Name]; ok && c != s.Colour {
			return nil, report, fmt.Errorf("svgout: swatch %q is both %s and %s", s.Name, c.Hex(), s.Colour.Hex())
		}
		swatch[s.Name] = s.Colour
	}
	want := make(map[string]colour.RGB, len(d.Layers)) // layers to change
	final := make(map[string]colour.RGB, len(d.Layers))
	for _, l := range d.Layers {
		c, ok := swatch[l.Name]
		if !ok {
			report.Kept = append(report.Kept, l.Name)
			final[l.Name] = l.Colour
			continue
		}
		report.Exchanged = append(report.Exchanged, Exchange{l.Name, l.Colour, c})
		final[l.Name] = c
		if c != l.Colour {
			want[l.Name] = c
		}
	}
	for i, s := range colourway {
		if _, ok := final[s.Name]; !ok && firstOfName(colourway[:i], s.Name) {
			report.Unmatched = append(report.Unmatched, s.Name)
		}
	}
	for i, l := range d.Layers {
		group := []string{l.Name}
		for j, m := range d.Layers {
			if j == i || final[m.Name] != final[l.Name] {
				continue
			}
			if j < i {
				group = nil
				break
			}
			group = append(group, m.Name)
		}
		if len(group) > 1 {
			report.Shared = append(report.Shared, group)
		}
	}

	out := make([]byte, 0, len(src))
	done := 0
	dec := xml.NewDecoder(bytes.NewReader(src))
	for {
		from := dec.InputOffset()
		t, err := dec.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, report, fmt.Errorf("svgout: %w", err)
		}
		e, ok := t.(xml.StartElement)
		if !ok || e.Name.Local != "g" || e.Name.Space != svgSpace {
			continue
		}
		for _, a := range e.Attr {
			if c, ok := want[a.Value]; ok && a.Name.Local == "id" && a.Name.Space == "" {
				if i, j := attribute(src[from:dec.InputOffset()], "fill"); i >= 0 {
					out = append(out, src[done:int(from)+i]...)
					out = append(out, c.Hex()...)
					done = int(from) + j
				}
			}
		}
	}
	out = append(out, src[done:]...)

	after, err := read(out)
	if err != nil {
		return nil, report, err
	}
	for _, l := range after.Layers {
		if l.Colour != final[l.Name] {
			return nil, report, fmt.Errorf("%w: the colour of layer %q is not in the fill attribute of its group", ErrForeign, l.Name)
		}
	}
	return out, report, nil
}

// firstOfName reports whether no swatch in s has that name.
func firstOfName(s []quantize.Swatch, name string) bool {
	for _, w := range s {
		if w.Name == name {
			return false
		}
	}
	return true
}

// attribute returns the range of bytes of an attribute's value in a start tag known to be sound, or -1, -1.
func attribute(tag []byte, name string) (from, to int) {
	space := func(c byte) bool { return c == ' ' || c == '\t' || c == '\n' || c == '\r' }
	i := 1
	for i < len(tag) && !space(tag[i]) && tag[i] != '>' && tag[i] != '/' { // the element's name
		i++
	}
	for i < len(tag) {
		for i < len(tag) && space(tag[i]) {
			i++
		}
		start := i
		for i < len(tag) && !space(tag[i]) && tag[i] != '=' && tag[i] != '>' && tag[i] != '/' {
			i++
		}
		word := tag[start:i]
		for i < len(tag) && space(tag[i]) {
			i++
		}
		if i >= len(tag) || tag[i] != '=' {
			return -1, -1
		}
		i++
		for i < len(tag) && space(tag[i]) {
			i++
		}
		if i >= len(tag) {
			return -1, -1
		}
		quote := tag[i]
		i++
		n := bytes.IndexByte(tag[i:], quote)
		if n < 0 {
			return -1, -1
		}
		if string(word) == name {
			return i, i + n
		}
		i += n + 1
	}
	return -1, -1
}
