// Package svgout turns a drawing into a plain SVG file, reads such a file back into a drawing, and exchanges its
// colours.
//
// The file holds one group for each layer, named and filled once, and in it nothing but closed paths: no strokes,
// transforms, styles, scripts or private namespaces. Title, description, author, rights and keywords stand in the
// file as Dublin Core.
//
// Most callers need only Write. The package opens no files; every function may be called by several goroutines at
// once as long as nobody changes the drawing meanwhile.
package svgout

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"pochoir/quantize/colour"
	"pochoir/trace"
)

// Options steer Write. The zero value is the good default.
type Options struct {
	// Decimals is the number of digits after the decimal point, 1 to 4. Zero means two, or three in a drawing
	// whose longer side is under smallDrawing: a coordinate is then never more than 0.005 px from where it was,
	// a quarter of what the best edge measurement is worth.
	Decimals int
}

const (
	usualDecimals = 2
	finestDecimal = 4
	smallDrawing  = 100.0 // px; below it the eye looks at the drawing enlarged, and a digit more costs little
	sizeDecimals  = 4     // digits after the point of width, height and viewBox
	mmPerInch     = 25.4
	leastArea     = 0.01 // px²; a ring around less is dropped
	leastExtent   = 1.0  // px; no side of a drawing may be shorter
	mostExtent    = 1e5  // px; no side may be longer, no coordinate further from the origin
	mostDPI       = 1e5  // pixels an inch: with it the shortest side is still above the last decimal in millimetres
)

// ErrDrawing is the kind of every error that Write returns for a drawing it cannot write: one that breaks a promise
// of package trace, such as two layers of one colour or an open outline.
var ErrDrawing = errors.New("svgout: bad drawing")

// Write writes d to w as SVG.
//
//  1. The same drawing gives the same bytes, always.
//  2. Each point is rounded once: two outlines that share a point, or a curve, share it in the file too.
//  3. What was smooth at a join stays smooth as well as the decimals allow: the handles on its two sides are
//     rounded together, to the pair of grid points most nearly in line, each at most 1.5 units of the last decimal
//     off.
//  4. Segments of no length, rings around less than 0.01 px², shapes without an outer ring and layers without a
//     shape are left out.
//  5. What Read makes of the file is written to the same bytes again.
//
// Texts are trimmed; characters that XML 1.0 forbids and other control characters are dropped from them, and line
// ends become line feeds. Write returns an error of kind ErrDrawing for a drawing that is no drawing, before anything
// is written, and else whatever w returns.
func Write(w io.Writer, d *trace.Drawing, opt Options) error {
	if opt.Decimals < 0 || opt.Decimals > finestDecimal {
		return fmt.Errorf("svgout: Decimals = %d, want 1 <= Decimals <= %d or 0", opt.Decimals, finestDecimal)
	}
	if err := check(d); err != nil {
		return err
	}
	dec := opt.Decimals
	if dec == 0 {
		dec = usualDecimals
		if printed(math.Max(d.Width, d.Height)) < smallDrawing {
			dec++
		}
	}
	g := newGrid(dec)
	var b []byte
	b = append(b, `<?xml version="1.0" encoding="UTF-8"?>`+"\n"...)
	b = append(b, `<svg xmlns="http://www.w3.org/2000/svg" width="`...)
	b = appendSize(b, d.Width, d.DPI)
	b = append(b, `" height="`...)
	b = appendSize(b, d.Height, d.DPI)
	b = append(b, `" viewBox="0 0 `...)
	b = appendSize(b, d.Width, 0)
	b = append(b, ' ')
	b = appendSize(b, d.Height, 0)
	b = append(b, "\">\n"...)
	b = appendMeta(b, d.Meta)

	for _, l := range d.Layers {
		open := false
		for _, s := range l.Shapes {
			rings := g.shape(s)
			if len(rings) == 0 {
				continue
			}
			if !open {
				b = append(b, `<g id="`...)
				b = append(b, l.Name...)
				b = append(b, `" fill="`...)
				b = append(b, l.Colour.Hex()...)
				b = append(b, "\">\n"...)
				open = true
			}
			b = append(b, "<path "...)
			if s.ID != "" {
				b = append(b, `id="`...)
				b = append(b, s.ID...)
				b = append(b, `" `...)
			}
			b = append(b, `d="`...)
			b = appendPathData(b, rings, dec)
			b = append(b, "\"/>\n"...)
		}
		if open {
			b = append(b, "</g>\n"...)
		}
	}
	b = append(b, "</svg>\n"...)
	_, err := w.Write(b)
	return err
}

// check tests what package trace promises of a drawing and the file relies on.
func check(d *trace.Drawing) error {
	bad := func(format string, a ...any) error {
		return fmt.Errorf("%w: %s", ErrDrawing, fmt.Sprintf(format, a...))
	}
	for _, v := range []float64{d.Width, d.Height} {
		if !(v >= leastExtent && v <= mostExtent) {
			return bad("size %v x %v px, want %v <= side <= %.0f", d.Width, d.Height, leastExtent, mostExtent)
		}
	}
	if !(d.DPI >= 0 && d.DPI <= mostDPI) {
		return bad("%v pixels an inch, want 0 <= DPI <= %.0f", d.DPI, mostDPI)
	}
	ids := make(map[string]bool)
	colours := make(map[colour.RGB]string)
	for _, l := range d.Layers {
		if !isLayerName(l.Name) {
			return bad("layer name %q, want lower case letters, digits and hyphens, a letter first", l.Name)
		}
		if ids[l.Name] {
			return bad("the name %q occurs twice", l.Name)
		}
		ids[l.Name] = true
		if other, ok := colours[l.Colour]; ok {
			return bad("layers %q and %q have the same colour %s", other, l.Name, l.Colour.Hex())
		}
		colours[l.Colour] = l.Name
	}
	for _, l := range d.Layers {
		for i, s := range l.Shapes {
			if s.ID != "" {
				if !isID(s.ID) {
					return bad("shape id %q in layer %q is no XML name", s.ID, l.Name)
				}
				if ids[s.ID] {
					return bad("the name %q occurs twice", s.ID)
				}
				ids[s.ID] = true
			}
			for j, p := range s.Rings {
				if err := checkRing(p); err != "" {
					return bad("layer %q, shape %d, ring %d: %s", l.Name, i, j, err)
				}
			}
		}
	}
	return nil
}

// isLayerName reports whether s can name a layer.
func isLayerName(s string) bool {
	for i := 0; i < len(s); i++ {
		c := s[i]
		if !(c >= 'a' && c <= 'z' || i > 0 && (c >= '0' && c <= '9' || c == '-')) {
			return false
		}
	}
	return s != ""
}

// isID reports whether s is an XML name without a colon, of ASCII letters, digits, hyphens, points and underscores.
func isID(s string) bool {
	for i := 0; i < len(s); i++ {
		c := s[i]
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c == '_'
		if !(letter || i > 0 && (c >= '0' && c <= '9' || c == '-' || c == '.')) {
			return false
		}
	}
	return s != ""
}

// appendSize appends a length of px pixels: in pixels, or in millimetres where dpi (pixels an inch) is not 0.
func appendSize(b []byte, px, dpi float64) []byte {
	if dpi == 0 {
		return appendShort(b, px)
	}
	return append(appendShort(b, px/dpi*mmPerInch), "mm"...)
}

// printed returns v as it will stand in the file.
func printed(v float64) float64 {
	return math.Round(v*float64(pow10[sizeDecimals])) / float64(pow10[sizeDecimals])
}

// appendShort appends v with at most sizeDecimals digits after the point, v >= 0.
func appendShort(b []byte, v float64) []byte {
	s := strconv.FormatFloat(v, 'f', sizeDecimals, 64)
	return append(b, strings.TrimRight(strings.TrimRight(s, "0"), ".")...)
}

const (
	rdfSpace = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
	dcSpace  = "http://purl.org/dc/elements/1.1/"
)

// appendMeta appends title, description and, if m says anything, Dublin Core in RDF. The elements take the forms that
// ISO 16684-1 (XMP part 1, 2012, section 8.3) gives them: title, description and rights as alternatives by language,
// creator as a sequence, subject as a bag.
func appendMeta(b []byte, m trace.Meta) []byte {
	m = cleanMeta(m)
	line := func(before, text, after string) {
		if text != "" {
			b = append(b, before...)
			b = appendEscaped(b, text)
			b = append(b, after...)
		}
	}
	line("<title>", m.Title, "</title>\n")
	line("<desc>", m.Description, "</desc>\n")
	if m.Title == "" && m.Description == "" && m.Creator == "" && m.Rights == "" && len(m.Keywords) == 0 {
		return b
	}
	b = append(b, "<metadata>\n<rdf:RDF xmlns:rdf=\""+rdfSpace+"\" xmlns:dc=\""+dcSpace+"\">\n"...)
	b = append(b, "<rdf:Description rdf:about=\"\">\n<dc:format>image/svg+xml</dc:format>\n"...)
	alt := func(name, text string) {
		line("<dc:"+name+"><rdf:Alt><rdf:li xml:lang=\"x-default\">", text, "</rdf:li></rdf:Alt></dc:"+name+">\n")
	}
	alt("title", m.Title)
	alt("description", m.Description)
	line("<dc:creator><rdf:Seq><rdf:li>", m.Creator, "</rdf:li></rdf:Seq></dc:creator>\n")
	alt("rights", m.Rights)
	if len(m.Keywords) > 0 {
		b = append(b, "<dc:subject><rdf:Bag>\n"...)
		for _, k := range m.Keywords {
			line("<rdf:li>", k, "</rdf:li>\n")
		}
		b = append(b, "</rdf:Bag></dc:subject>\n"...)
	}
	return append(b, "</rdf:Description>\n</rdf:RDF>\n</metadata>\n"...)
}

// cleanMeta returns m with every text cleaned and empty keywords left out.
func cleanMeta(m trace.Meta) trace.Meta {
	c := trace.Meta{
		Title: cleanText(m.Title), Description: cleanText(m.Description),
		Creator: cleanText(m.Creator), Rights: cleanText(m.Rights),
	}
	for _, k := range m.Keywords {
		if k = cleanText(k); k != "" {
			c.Keywords = append(c.Keywords, k)
		}
	}
	return c
}

// cleanText drops broken UTF-8, control characters except tab and line feed, and the code points that are no Char of
// XML 1.0 (production 2); makes every line end a line feed; and trims white space at both ends.
func cleanText(s string) string {
	s = strings.ReplaceAll(s, "\r\n", "\n")
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		i += n
		switch {
		case r == utf8.RuneError && n == 1, r == 0xfffe, r == 0xffff:
		case r == '\r':
			b.WriteByte('\n')
		case r < 0x20 && r != '\t' && r != '\n', r >= 0x7f && r < 0xa0:
		default:
			b.WriteRune(r)
		}
	}
	return strings.TrimSpace(b.String())
}

// appendEscaped appends s as character data of XML.
func appendEscaped(b []byte, s string) []byte {
	for i := 0; i < len(s); i++ {
		switch c := s[i]; c {
		case '&':
			b = append(b, "&amp;"...)
		case '<':
			b = append(b, "&lt;"...)
		case '>':
			b = append(b, "&gt;"...)
		default:
			b = append(b, c)
		}
	}
	return b
}
