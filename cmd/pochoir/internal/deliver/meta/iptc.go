package meta

import (
	"fmt"
	"unicode/utf8"

	"pochoir/trace"
)

// Dataset numbers of record 2 and their longest values in bytes (IPTC-NAA Information Interchange Model, version 4.1,
// section 6). Longer text is cut at a character; the XMP packet beside it keeps the whole.
const (
	iimObjectName = 5
	iimKeyword    = 25
	iimByline     = 80
	iimCopyright  = 116
	iimCaption    = 120

	maxObjectName = 64
	maxKeyword    = 64
	maxByline     = 32
	maxCopyright  = 128
	maxCaption    = 2000
)

// maxSegment is the most bytes a JPEG marker segment holds after its length (ITU-T T.81, B.1.1.4: the length is 16
// bits and counts itself).
const maxSegment = 65533

// IPTC returns m as the payload of a JPEG APP13 segment: image resource block 0x0404 with IIM datasets in UTF-8
// (dataset 1:90 holds the ISO 2022 escape ESC % G that says so). It is nil when m has nothing to say. The error tells
// that the keywords do not fit into one segment.
func IPTC(m trace.Meta) ([]byte, error) {
	var iim []byte
	put := func(record, set byte, v string, limit int) {
		if v == "" {
			return
		}
		v = cutBytes(v, limit)
		iim = append(iim, 0x1c, record, set, byte(len(v)>>8), byte(len(v)))
		iim = append(iim, v...)
	}
	put(1, 90, "\x1b%G", 3)
	put(2, 0, "\x00\x04", 2)
	empty := len(iim)
	put(2, iimObjectName, m.Title, maxObjectName)
	for _, k := range m.Keywords {
		put(2, iimKeyword, k, maxKeyword)
	}
	put(2, iimByline, m.Creator, maxByline)
	put(2, iimCopyright, m.Rights, maxCopyright)
	put(2, iimCaption, m.Description, maxCaption)
	if len(iim) == empty {
		return nil, nil
	}
	out := []byte("Photoshop 3.0\x008BIM\x04\x04\x00\x00")
	n := len(iim)
	out = append(out, byte(n>>24), byte(n>>16), byte(n>>8), byte(n))
	out = append(out, iim...)
	if n%2 == 1 {
		out = append(out, 0)
	}
	if len(out) > maxSegment {
		return nil, fmt.Errorf("keywords too long for a JPEG: %d bytes with the other fields, room for %d", len(out), maxSegment)
	}
	return out, nil
}

// cutBytes returns the longest start of s that has at most n bytes and ends on a character.
func cutBytes(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}
