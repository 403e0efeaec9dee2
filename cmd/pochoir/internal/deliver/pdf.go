package deliver

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"strings"

	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu/types"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/trace"
)

var pdfOperators = operators{"m", "l", "c", "h", "f"}

// writePDF writes d as PDF 1.5 (ISO 32000-1): one page whose size is the drawing area. Each layer is an optional
// content group of its name (8.11), and its colour a Separation colour space of the same name with an RGB alternate
// (8.6.6.4), so that programs list it as a named swatch. Metadata stands in an XMP stream (14.3.2) and in the
// information dictionary (14.3.3). There is no date in the file, and its identifier is a digest of its contents.
func writePDF(w io.Writer, d *trace.Drawing, opt Options) error {
	p := newPage(d, opt.Area)
	var f pdfFile
	catalogue, pages, onlyPage := f.reserve(), f.reserve(), f.reserve()

	var content []byte
	spaces, groups := types.NewDict(), types.NewDict()
	var order types.Array
	for i, l := range d.Layers {
		group := f.add(types.Dict{
			"Type": types.Name("OCG"), "Name": pdfText(l.Name),
		})
		order = append(order, group)
		space := f.add(types.Array{
			types.Name("Separation"), types.Name(l.Name), types.Name("DeviceRGB"), types.Dict{
				"FunctionType": types.Integer(2),
				"Domain":       types.Array{types.Integer(0), types.Integer(1)},
				"N":            types.Integer(1),
				"C0":           types.Array{types.Integer(1), types.Integer(1), types.Integer(1)},
				"C1": types.Array{types.Float(float64(l.Colour.R) / 255), types.Float(float64(l.Colour.G) / 255),
					types.Float(float64(l.Colour.B) / 255)},
			},
		})
		groups[fmt.Sprintf("L%d", i)] = group
		spaces[fmt.Sprintf("C%d", i)] = space
		content = fmt.Appendf(content, "/OC /L%d BDC\n/C%d cs 1 scn\n", i, i)
		for _, s := range l.Shapes {
			content = p.appendShape(content, s, pdfOperators)
		}
		content = append(content, "EMC\n"...)
	}

	stream, err := f.addStream(types.NewDict(), content, true)
	if err != nil {
		return err
	}
	packet, err := f.addStream(types.Dict{"Type": types.Name("Metadata"), "Subtype": types.Name("XML")},
		meta.XMP(d.Meta, formats[PDF].media, false), false)
	if err != nil {
		return err
	}
	box := types.Array{types.Integer(0), types.Integer(0), types.Float(p.width), types.Float(p.height)}
	resources := types.NewDict()
	if len(d.Layers) > 0 {
		resources["ColorSpace"], resources["Properties"] = spaces, groups
	}
	f.set(onlyPage, types.Dict{
		"Type": types.Name("Page"), "Parent": pages, "MediaBox": box, "CropBox": box, "TrimBox": box,
		"Contents": stream, "Resources": resources,
	})
	f.set(pages, types.Dict{"Type": types.Name("Pages"), "Kids": types.Array{onlyPage}, "Count": types.Integer(1)})
	root := types.Dict{"Type": types.Name("Catalog"), "Pages": pages, "Metadata": packet}
	if len(order) > 0 {
		// Viewers list the groups top to bottom.
		topDown := make(types.Array, len(order))
		for i, g := range order {
			topDown[len(order)-1-i] = g
		}
		root["OCProperties"] = types.Dict{
			"OCGs": order,
			"D": types.Dict{"Name": pdfText("layers"), "Order": topDown, "ON": order,
				"ListMode": types.Name("AllPages")},
		}
		root["PageMode"] = types.Name("UseOC")
	}
	f.set(catalogue, root)
	info := types.Dict{"Creator": pdfText(meta.Tool), "Producer": pdfText(meta.Tool)}
	for _, e := range []struct{ key, text string }{
		{"Title", d.Meta.Title}, {"Author", d.Meta.Creator}, {"Subject", d.Meta.Description},
		{"Keywords", strings.Join(d.Meta.Keywords, ", ")},
	} {
		if e.text != "" {
			info[e.key] = pdfText(e.text)
		}
	}
	return f.write(w, catalogue, f.add(info))
}

// pdfText returns s as a text string (ISO 32000-1, 7.9.2.2): UTF-16 with a byte order mark, in hexadecimal.
func pdfText(s string) types.Object { return types.NewHexLiteral([]byte(types.EncodeUTF16String(s))) }

// pdfFile gathers indirect objects and writes them with a classic cross-reference table. The objects themselves are
// put into words by the PDF library; its own file writer is not used because it stamps the time of day into the file.
type pdfFile struct {
	objects []string // object n is objects[n-1]
}

func (f *pdfFile) reserve() types.IndirectRef {
	f.objects = append(f.objects, "")
	return *types.NewIndirectRef(len(f.objects), 0)
}

func (f *pdfFile) set(ref types.IndirectRef, o types.Object) {
	f.objects[ref.ObjectNumber.Value()-1] = o.PDFString()
}

func (f *pdfFile) add(o types.Object) types.IndirectRef {
	ref := f.reserve()
	f.set(ref, o)
	return ref
}

func (f *pdfFile) addStream(dict types.Dict, content []byte, pack bool) (types.IndirectRef, error) {
	var pipeline []types.PDFFilter
	if pack {
		dict["Filter"] = types.Name("FlateDecode")
		pipeline = []types.PDFFilter{{Name: "FlateDecode"}}
	}
	sd := types.NewStreamDict(dict, 0, nil, nil, pipeline)
	sd.Content = content
	if err := sd.Encode(); err != nil {
		return types.IndirectRef{}, err
	}
	ref := f.reserve()
	f.objects[ref.ObjectNumber.Value()-1] = sd.Dict.PDFString() + "\nstream\n" + string(sd.Raw) + "\nendstream"
	return ref, nil
}

// write puts out header, objects, cross-reference table and trailer (ISO 32000-1, 7.5).
func (f *pdfFile) write(w io.Writer, root, info types.IndirectRef) error {
	var b bytes.Buffer
	b.WriteString("%PDF-1.5\n%\xe2\xe3\xcf\xd3\n")
	offsets := make([]int, len(f.objects))
	for i, o := range f.objects {
		offsets[i] = b.Len()
		fmt.Fprintf(&b, "%d 0 obj\n%s\nendobj\n", i+1, o)
	}
	digest := sha256.Sum256(b.Bytes())
	id := types.NewHexLiteral(digest[:16])
	start := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(offsets)+1)
	for _, o := range offsets {
		fmt.Fprintf(&b, "%010d 00000 n \n", o)
	}
	trailer := types.Dict{"Size": types.Integer(len(offsets) + 1), "Root": root, "Info": info, "ID": types.Array{id, id}}
	fmt.Fprintf(&b, "trailer\n%s\nstartxref\n%d\n%%%%EOF\n", trailer.PDFString(), start)
	_, err := w.Write(b.Bytes())
	return err
}
