package meta

import (
	"fmt"
	"strings"

	"pochoir/trace"
)

// Tool is the name the files give as the program that made them.
const Tool = "pochoir"

// XMP returns m as an XMP packet (ISO 16684-1: RDF with the Dublin Core elements as Alt, Seq and Bag containers).
// format is the media type for dc:format, such as "application/pdf". With ascii, every character beyond ASCII is
// written as a numeric reference and the packet header's begin attribute stays empty, which the standard allows for
// UTF-8; the packet then fits into files of seven-bit text.
func XMP(m trace.Meta, format string, ascii bool) []byte {
	var b strings.Builder
	esc := func(s string) { escapeXML(&b, s, ascii) }
	alt := func(tag, s string) {
		if s != "" {
			fmt.Fprintf(&b, "   <dc:%s>\n    <rdf:Alt>\n     <rdf:li xml:lang=\"x-default\">", tag)
			esc(s)
			fmt.Fprintf(&b, "</rdf:li>\n    </rdf:Alt>\n   </dc:%s>\n", tag)
		}
	}
	list := func(tag, kind string, items []string) {
		if len(items) == 0 {
			return
		}
		fmt.Fprintf(&b, "   <dc:%s>\n    <rdf:%s>\n", tag, kind)
		for _, s := range items {
			b.WriteString("     <rdf:li>")
			esc(s)
			b.WriteString("</rdf:li>\n")
		}
		fmt.Fprintf(&b, "    </rdf:%s>\n   </dc:%s>\n", kind, tag)
	}
	begin := "\ufeff"
	if ascii {
		begin = ""
	}
	fmt.Fprintf(&b, "<?xpacket begin=\"%s\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n", begin)
	b.WriteString(`<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about=""
    xmlns:dc="http://purl.org/dc/elements/1.1/"
    xmlns:xmp="http://ns.adobe.com/xap/1.0/"
    xmlns:pdf="http://ns.adobe.com/pdf/1.3/"
    xmlns:xmpRights="http://ns.adobe.com/xap/1.0/rights/">
`)
	fmt.Fprintf(&b, "   <dc:format>%s</dc:format>\n", format)
	alt("title", m.Title)
	alt("description", m.Description)
	if m.Creator != "" {
		list("creator", "Seq", []string{m.Creator})
	}
	alt("rights", m.Rights)
	list("subject", "Bag", m.Keywords)
	if m.Rights != "" {
		b.WriteString("   <xmpRights:Marked>True</xmpRights:Marked>\n")
	}
	fmt.Fprintf(&b, "   <xmp:CreatorTool>%s</xmp:CreatorTool>\n", Tool)
	if format == "application/pdf" {
		fmt.Fprintf(&b, "   <pdf:Producer>%s</pdf:Producer>\n", Tool)
		if len(m.Keywords) > 0 {
			b.WriteString("   <pdf:Keywords>")
			esc(strings.Join(m.Keywords, ", "))
			b.WriteString("</pdf:Keywords>\n")
		}
	}
	b.WriteString("  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n<?xpacket end=\"r\"?>")
	return []byte(b.String())
}

// escapeXML writes s as character data. Line ends are written as references, so that no reader folds them.
func escapeXML(b *strings.Builder, s string, ascii bool) {
	for _, r := range s {
		switch {
		case r == '&':
			b.WriteString("&amp;")
		case r == '<':
			b.WriteString("&lt;")
		case r == '>':
			b.WriteString("&gt;")
		case r == '"':
			b.WriteString("&quot;")
		case r < 0x20, ascii && r > 0x7e:
			fmt.Fprintf(b, "&#x%X;", r)
		default:
			b.WriteRune(r)
		}
	}
}
