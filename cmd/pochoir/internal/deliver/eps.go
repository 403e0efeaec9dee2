package deliver

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/trace"
)

// maxDSC is the longest line of a structured comment in bytes (Adobe, "PostScript Language Document Structuring
// Conventions Specification", version 3.0, section 3.3).
const maxDSC = 255

var psOperators = operators{"moveto", "lineto", "curveto", "closepath", "fill"}

// writeEPS writes d as Encapsulated PostScript (Adobe Technical Note 5002, "Encapsulated PostScript File Format
// Specification", version 3.0): one page of seven-bit text, language level 2, whose only painting operator is fill.
//
//  1. No definitions: every operator is written out, so that programs which only read the common ones can open it.
//  2. The bounding box is the drawing area, its lower left corner at the origin.
//  3. Each layer stands between comments that name it.
//  4. Stacks and dictionaries are left as they were; the graphics state is saved and restored.
//  5. The XMP packet is passed over by the interpreter as the data of a filter, and is marked by the comment that
//     readers of packets look for.
func writeEPS(w io.Writer, d *trace.Drawing, opt Options) error {
	p := newPage(d, opt.Area)
	var b []byte
	b = append(b, "%!PS-Adobe-3.0 EPSF-3.0\n"...)
	b = fmt.Appendf(b, "%%%%BoundingBox: 0 0 %d %d\n", int(math.Ceil(p.width)), int(math.Ceil(p.height)))
	b = append(b, "%%HiResBoundingBox: 0 0 "...)
	b = append(appendNumber(b, p.width, decimals), ' ')
	b = append(appendNumber(b, p.height, decimals), '\n')
	for _, f := range []struct{ key, text string }{
		{"Creator", meta.Tool}, {"Title", d.Meta.Title}, {"For", d.Meta.Creator}, {"Copyright", d.Meta.Rights},
	} {
		b = appendDSC(b, f.key, f.text)
	}
	b = append(b, "%%LanguageLevel: 2\n%%DocumentData: Clean7Bit\n%%Pages: 1\n%ADO_ContainsXMP: MainFirst\n%%EndComments\n"...)
	b = append(b, "%%BeginProlog\n%%EndProlog\n%%Page: 1 1\n"...)
	b = appendPacket(b, meta.XMP(d.Meta, formats[EPS].media, true))
	b = append(b, "gsave\n"...)
	for _, l := range d.Layers {
		b = fmt.Appendf(b, "%% layer: %s\n", ascii(l.Name))
		b = append(appendColour(b, l.Colour), "setrgbcolor\n"...)
		for _, s := range l.Shapes {
			b = p.appendShape(b, s, psOperators)
		}
		b = fmt.Appendf(b, "%% end of layer: %s\n", ascii(l.Name))
	}
	b = append(b, "grestore\nshowpage\n%%Trailer\n%%EOF\n"...)
	_, err := w.Write(b)
	return err
}

// appendDSC writes a structured comment. Text beyond ASCII loses its accents; what then cannot be written is left
// out, and the comment with it where nothing is left: the packet holds the whole text.
func appendDSC(b []byte, key, text string) []byte {
	text = ascii(text)
	if strings.Trim(text, " .,;:-!?()'\"") == "" {
		return b
	}
	text = strings.NewReplacer(`\`, `\\`, `(`, `\(`, `)`, `\)`).Replace(text)
	head := "%%" + key + ": ("
	if room := maxDSC - len(head) - len(")"); len(text) > room {
		text = text[:room]
		if odd := len(text) - len(strings.TrimRight(text, `\`)); odd%2 == 1 {
			text = text[:len(text)-1]
		}
	}
	return append(append(append(b, head...), text...), ")\n"...)
}

// ascii returns s on one line without what seven-bit text cannot hold: accents are dropped, other characters too.
func ascii(s string) string {
	var out strings.Builder
	for _, r := range norm.NFKD.String(s) {
		switch {
		case unicode.IsSpace(r):
			out.WriteByte(' ')
		case r > 0x20 && r < 0x7f:
			out.WriteRune(r)
		}
	}
	return strings.Join(strings.Fields(out.String()), " ")
}

// packetEnd stops the filter that passes over the packet; it stands nowhere in one.
const packetEnd = "%end_xml_packet"

// appendPacket writes an XMP packet as the data of a filter that the interpreter reads to its end (PostScript Language
// Reference, third edition, section 3.13: SubFileDecode with a string that ends the data; flushfile reads and discards).
func appendPacket(b, packet []byte) []byte {
	body := append(bytes.TrimSpace(packet), '\n')
	lead := "currentfile 0 (" + packetEnd + ") /SubFileDecode filter flushfile\n"
	b = fmt.Appendf(b, "%%%%BeginData: %d ASCII Bytes\n", len(lead)+len(body)+len(packetEnd)+1)
	b = append(b, lead...)
	b = append(b, body...)
	b = append(b, packetEnd...)
	return append(b, "\n%%EndData\n"...)
}
