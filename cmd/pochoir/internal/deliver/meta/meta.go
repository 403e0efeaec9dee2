// Package meta holds what a handed-over file says of itself: title, description, keywords, creator and rights, under
// the names of the Dublin Core Metadata Element Set (ISO 15836-1). It reads them from a text file kept beside a
// drawing (ReadSidecar) or from a table for hundreds at once (ReadTable), judges the keywords (Keywords), and packs
// them as an XMP packet (XMP) or as IPTC datasets (IPTC). It neither opens nor writes files, and is safe to call
// concurrently.
package meta

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"pochoir/trace"
)

// Clean returns m with surrounding white space, line ends of other systems and empty keywords taken away. The error
// names the field that holds text no XML file can carry: bytes that are not UTF-8, or control characters other than
// tab and line feed (XML 1.0, 5th edition, production 2).
func Clean(m trace.Meta) (trace.Meta, error) {
	var err error
	field := func(name, s string, oneLine bool) string {
		s = strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n")
		s = strings.TrimSpace(s)
		if oneLine {
			s = strings.Join(strings.Fields(s), " ")
		}
		if e := legal(s); e != nil && err == nil {
			err = fmt.Errorf("%s %w", name, e)
		}
		return s
	}
	out := trace.Meta{
		Title:       field("title", m.Title, false),
		Description: field("description", m.Description, false),
		Creator:     field("creator", m.Creator, false),
		Rights:      field("rights", m.Rights, false),
	}
	for i, k := range m.Keywords {
		if k = field(fmt.Sprintf("keyword %d", i+1), k, true); k != "" {
			out.Keywords = append(out.Keywords, k)
		}
	}
	return out, err
}

// legal reports why s cannot stand in an XML file, or nil.
func legal(s string) error {
	for i, r := range s {
		if r == utf8.RuneError {
			if _, n := utf8.DecodeRuneInString(s[i:]); n == 1 {
				return fmt.Errorf("is not UTF-8 at byte %d", i)
			}
		}
		if r < 0x20 && r != '\t' && r != '\n' || r == 0x7f || r == 0xfffe || r == 0xffff {
			return fmt.Errorf("holds the control character U+%04X", r)
		}
	}
	return nil
}

// Merge returns base with every field that over has filled in.
func Merge(base, over trace.Meta) trace.Meta {
	set := func(dst *string, s string) {
		if s != "" {
			*dst = s
		}
	}
	set(&base.Title, over.Title)
	set(&base.Description, over.Description)
	set(&base.Creator, over.Creator)
	set(&base.Rights, over.Rights)
	if len(over.Keywords) > 0 {
		base.Keywords = over.Keywords
	}
	return base
}

// SplitKeywords cuts "boat, harbour; gull" at commas, semicolons and line ends.
func SplitKeywords(s string) []string {
	var out []string
	for _, k := range strings.FieldsFunc(s, func(r rune) bool {
		return r == ',' || r == ';' || r == '\n' || r == '\u060c' || r == '\u3001' || r == '\uff0c' || r == '\uff1b'
	}) {
		if k = strings.TrimFunc(k, unicode.IsSpace); k != "" {
			out = append(out, k)
		}
	}
	return out
}
