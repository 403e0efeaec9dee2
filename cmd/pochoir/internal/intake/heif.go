package intake

import (
	"bytes"
	"errors"
	"image"
	"io"
	"os"
	"slices"
	"sync"

	"github.com/gen2brain/heic"
)

// A HEIC file is a tree of boxes (ISO/IEC 14496-12 §4.2). Pictures are items; what is known of one, its size and its
// colours, are properties tied to it (ISO/IEC 23008-12 §6.5).

// heifBox is one box: its kind and its content.
type heifBox struct {
	kind string
	body []byte
}

// leastHEIC is the smallest side that is read, px: below it the decoder and the library within it disagree on how long
// a row is.
const leastHEIC = 128

// errBoxes reports boxes that contradict one another.
var errBoxes = errors.New("its boxes make no sense")

// readHEIF reads what the meta box says of the primary picture. The decoder turns and mirrors by itself, so the
// orientation in EXIF says nothing here.
func readHEIF(s *source) ([]page, error) {
	meta, err := s.topBox("meta")
	if err != nil {
		return nil, err
	}
	h, err := s.heifHeader(meta)
	if err != nil {
		return nil, err
	}
	if h.w < leastHEIC || h.h < leastHEIC {
		e := s.errorf(ErrUnsupported, "is a HEIC of %d x %d pixels; such small ones cannot be read", h.w, h.h)
		e.Hint = "save it as PNG"
		return nil, e
	}
	decode := func(r io.Reader) (image.Image, error) {
		quietHEIC()
		img, err := heic.Decode(r)
		if errors.Is(err, heic.ErrDecode) {
			e := s.errorf(ErrDamaged, "is damaged, or a HEIC of a variant that cannot be read")
			e.Hint = "save it as JPEG or PNG on the telephone or computer that opens it, then try again"
			return nil, e
		}
		mendFirstRow(img)
		return img, err
	}
	return s.single(h, decode), nil
}

// quietHEIC starts the decoder in such a way that the remarks it makes on damaged files reach nobody: it takes the
// process's streams for them once, when it starts, which are set aside for that moment.
var quietHEIC = sync.OnceFunc(func() {
	null, err := os.OpenFile(os.DevNull, os.O_WRONLY, 0)
	if err != nil {
		return // then the remarks are seen
	}
	out, errs := os.Stdout, os.Stderr
	os.Stdout, os.Stderr = null, null
	defer func() { os.Stdout, os.Stderr = out, errs }()
	heic.Init()
})

// freedBytes is how much of the decoder's bitmap its allocator has overwritten: the decoder (version 0.4.5) hands out
// memory that it has freed already, and the links of the list of free blocks take six words of four bytes.
const freedBytes = 24

// mendFirstRow puts the samples of the second row where the first row has lost its own.
func mendFirstRow(img image.Image) {
	switch m := img.(type) {
	case *image.YCbCr:
		copy(m.Y[:freedBytes], m.Y[m.YStride:])
	case *image.Gray:
		copy(m.Pix[:freedBytes], m.Pix[m.Stride:])
	case *image.NRGBA:
		copy(m.Pix[:freedBytes], m.Pix[m.Stride:])
	case *image.RGBA:
		copy(m.Pix[:freedBytes], m.Pix[m.Stride:])
	}
}

// topBox returns the content of the first box of a kind at the top of the file.
func (s *source) topBox(kind string) ([]byte, error) {
	for off := int64(0); off+8 <= s.size; {
		b, err := s.bytes(off, 8)
		if err != nil {
			return nil, err
		}
		size, head := int64(be32(b)), int64(8)
		switch size {
		case 0: // to the end of the file
			size = s.size - off
		case 1: // a size of 64 bits follows
			b, err := s.bytes(off+8, 8)
			if err != nil {
				return nil, err
			}
			size, head = int64(be32(b))<<32|int64(be32(b[4:])), 16
		}
		if size < head {
			return nil, errBoxes
		}
		if string(b[4:8]) == kind {
			if size > maxBlock {
				return nil, errBoxes
			}
			return s.bytes(off+head, size-head)
		}
		off += size
	}
	return nil, io.ErrUnexpectedEOF
}

// boxes splits the content of a box into the boxes in it; what is left over at the end is dropped.
func boxes(b []byte) []heifBox {
	var all []heifBox
	for len(b) >= 8 {
		n := int64(be32(b))
		if n == 0 {
			n = int64(len(b))
		}
		if n < 8 || n > int64(len(b)) {
			break
		}
		all = append(all, heifBox{string(b[4:8]), b[8:n]})
		b = b[n:]
	}
	return all
}

// child returns the content of the first box of a kind, nil for none.
func child(all []heifBox, kind string) []byte {
	for _, b := range all {
		if b.kind == kind {
			return b.body
		}
	}
	return nil
}

// fields reads numbers off a box one after the other; past the end it reads zeros and notes the fault.
type fields struct {
	b   []byte
	bad bool
}

func (f *fields) take(bytes int) int64 {
	if len(f.b) < bytes {
		f.bad = true
		f.b = nil
		return 0
	}
	v := int64(0)
	for _, c := range f.b[:bytes] {
		v = v<<8 | int64(c)
	}
	f.b = f.b[bytes:]
	return v
}

// heifHeader takes size, colours and EXIF from the meta box.
func (s *source) heifHeader(meta []byte) (header, error) {
	h := header{lossy: true, subsampled: true}
	if len(meta) < 4 {
		return h, io.ErrUnexpectedEOF
	}
	all := boxes(meta[4:]) // a version and flags come first
	pitm := fields{b: child(all, "pitm")}
	version := pitm.take(4) >> 24
	primary := pitm.take(2 + 2*int(min(version, 1)))
	iprp := boxes(child(all, "iprp"))
	properties := boxes(child(iprp, "ipco"))
	own := tied(child(iprp, "ipma"), primary)
	for i, p := range properties {
		f := fields{b: p.body}
		switch p.kind {
		case "ispe":
			f.take(4)
			w, ht := int(f.take(4)), int(f.take(4))
			// A picture of tiles has the size of a tile beside its own. Where nothing is tied, the largest counts.
			if slices.Contains(own, i) || len(own) == 0 && w*ht > h.w*h.h {
				h.w, h.h = w, ht
			}
		case "colr":
			if len(own) > 0 && !slices.Contains(own, i) || len(p.body) < 4 {
				continue
			}
			switch kind := string(p.body[:4]); {
			case kind == "prof" || kind == "rICC":
				h.icc = p.body[4:]
			case kind == "nclx" && len(p.body) >= 11:
				h.matrix = int(be16(p.body[8:]))
				h.videoRange = p.body[10]&0x80 == 0
				h.p3 = be16(p.body[4:]) == 12 // ITU-T H.273 table 2: P3 with the white of D65
			}
		}
	}
	if h.w == 0 || h.h == 0 {
		return h, errBoxes
	}
	if exif := s.heifExif(all); exif != nil {
		readExif(bytes.NewReader(exif), &h)
	}
	h.turn = 1
	return h, nil
}

// tied lists the properties, counted from 0, that an item has (ISO/IEC 23008-12 §9.3, ItemPropertyAssociationBox).
func tied(ipma []byte, item int64) []int {
	f := fields{b: ipma}
	flags := f.take(4)
	idBytes := 2
	if flags>>24 >= 1 {
		idBytes = 4
	}
	var own []int
	for range f.take(4) {
		id := f.take(idBytes)
		for range f.take(1) {
			index := 0
			if flags&1 != 0 {
				index = int(f.take(2) & 0x7fff)
			} else {
				index = int(f.take(1) & 0x7f)
			}
			if id == item && index > 0 {
				own = append(own, index-1)
			}
		}
		if f.bad {
			break
		}
	}
	return own
}

// heifExif returns the EXIF block, nil where there is none (ISO/IEC 23008-12 annex A.2.1: four bytes say how far into
// the item the TIFF structure starts).
func (s *source) heifExif(all []heifBox) []byte {
	iinf := child(all, "iinf")
	if len(iinf) < 6 {
		return nil
	}
	skip := 6
	if iinf[0] != 0 {
		skip = 8
	}
	item := int64(-1)
	for _, e := range boxes(iinf[min(skip, len(iinf)):]) {
		f := fields{b: e.body}
		version := f.take(4) >> 24
		if e.kind != "infe" || version < 2 {
			continue
		}
		id := f.take(2 + 2*int(min(version-2, 1)))
		f.take(2)
		if kind := f.take(4); kind == 'E'<<24|'x'<<16|'i'<<8|'f' {
			item = id
		}
	}
	off, n, ok := located(child(all, "iloc"), item)
	if !ok || n < 4 || n > maxBlock {
		return nil
	}
	b, err := s.bytes(off, n)
	if err != nil {
		return nil
	}
	start := 4 + int64(be32(b))
	if start >= n {
		return nil
	}
	return b[start:]
}

// located returns where the bytes of an item lie in the file (ISO/IEC 14496-12 §8.11.3, ItemLocationBox): of one piece,
// counted from the start of the file.
func located(iloc []byte, item int64) (off, n int64, ok bool) {
	f := fields{b: iloc}
	version := f.take(4) >> 24
	sizes := f.take(2)
	offSize, lenSize, baseSize, indexSize := int(sizes>>12&15), int(sizes>>8&15), int(sizes>>4&15), int(sizes&15)
	if version == 0 {
		indexSize = 0
	}
	idSize := 2
	if version >= 2 {
		idSize = 4
	}
	for range f.take(idSize) {
		id := f.take(idSize)
		method := int64(0)
		if version >= 1 {
			method = f.take(2) & 15
		}
		f.take(2)
		base := f.take(baseSize)
		pieces := f.take(2)
		for range pieces {
			f.take(indexSize)
			off, n = base+f.take(offSize), f.take(lenSize)
			if f.bad {
				return 0, 0, false
			}
		}
		if f.bad {
			return 0, 0, false
		}
		if id == item {
			return off, n, pieces == 1 && method == 0
		}
	}
	return 0, 0, false
}
