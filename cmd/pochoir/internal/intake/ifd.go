package intake

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
)

// Tags of image file directories (TIFF 6.0 §8 and §20; EXIF 2.32 §4.6.5).
const (
	tagSubfileType   = 254
	tagWidth         = 256
	tagHeight        = 257
	tagOrientation   = 274
	tagXResolution   = 282
	tagResolution    = 296
	tagExposureTime  = 0x829a
	tagFNumber       = 0x829d
	tagExif          = 0x8769
	tagICC           = 34675
	tagSensitivity   = 0x8827
	tagFocalLength   = 0x920a
	tagFocalLength35 = 0xa405
)

// A TIFF file of more directories or fields than these is taken for damaged: a small crafted file could otherwise keep
// the reader busy for minutes.
const (
	maxPages  = 4096
	maxFields = 1 << 18
)

// errDirectory reports a directory that contradicts the format.
var errDirectory = errors.New("its directory of tags makes no sense")

// directory is one image file directory of a TIFF file or an EXIF block.
type directory struct {
	r     io.ReaderAt
	order binary.ByteOrder
	tags  map[uint16]entry
}

// entry is one field of a directory.
type entry struct {
	kind  uint16 // 1 byte, 2 ascii, 3 short, 4 long, 5 rational, …
	count uint32
	value [4]byte // the value itself when it fits, else its offset
}

// openDirectory reads the byte order and the offset of the first directory of a TIFF structure.
func openDirectory(r io.ReaderAt) (binary.ByteOrder, int64, error) {
	var head [8]byte
	if _, err := r.ReadAt(head[:], 0); err != nil {
		return nil, 0, err
	}
	var order binary.ByteOrder = binary.LittleEndian
	switch string(head[:4]) {
	case "II*\x00":
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return nil, 0, errDirectory
	}
	return order, int64(order.Uint32(head[4:])), nil
}

// readDirectory reads the directory at off and returns it with the offset of the next one, 0 for none.
func readDirectory(r io.ReaderAt, order binary.ByteOrder, off int64) (directory, int64, error) {
	d := directory{r: r, order: order, tags: map[uint16]entry{}}
	var two [2]byte
	if _, err := r.ReadAt(two[:], off); err != nil {
		return d, 0, err
	}
	n := int(order.Uint16(two[:]))
	buf := make([]byte, 12*n+4)
	// The last directory of some writers ends without the offset of the next: that reads as none.
	if m, err := r.ReadAt(buf, off+2); err != nil && (!errors.Is(err, io.EOF) || m < 12*n) {
		return d, 0, err
	}
	for i := range n {
		b := buf[12*i:]
		e := entry{kind: order.Uint16(b[2:]), count: order.Uint32(b[4:])}
		copy(e.value[:], b[8:12])
		d.tags[order.Uint16(b)] = e
	}
	return d, int64(order.Uint32(buf[12*n:])), nil
}

// integer returns the first value of a field of whole numbers; ok is false when it is absent or of another kind.
func (d *directory) integer(tag uint16) (v int, ok bool) {
	e, ok := d.tags[tag]
	if !ok || e.count == 0 {
		return 0, false
	}
	b := e.value[:]
	switch e.kind {
	case 1:
		return int(b[0]), true
	case 3:
		if e.count > 2 {
			return d.far(b, 2)
		}
		return int(d.order.Uint16(b)), true
	case 4:
		if e.count > 1 {
			return d.far(b, 4)
		}
		return int(d.order.Uint32(b)), true
	}
	return 0, false
}

// far reads one number of size bytes at the offset in b.
func (d *directory) far(b []byte, size int) (int, bool) {
	var v [4]byte
	if _, err := d.r.ReadAt(v[:size], int64(d.order.Uint32(b))); err != nil {
		return 0, false
	}
	if size == 2 {
		return int(d.order.Uint16(v[:])), true
	}
	return int(d.order.Uint32(v[:])), true
}

// integers returns the values of a field of whole numbers, nil when it is absent, of another kind, too long or not all
// there.
func (d *directory) integers(tag uint16) []int {
	e, ok := d.tags[tag]
	size := map[uint16]int{1: 1, 3: 2, 4: 4}[e.kind]
	if !ok || size == 0 || e.count == 0 || int64(e.count)*int64(size) > maxBlock {
		return nil
	}
	b := e.value[:]
	if n := int(e.count) * size; n > len(b) {
		far, err := io.ReadAll(io.NewSectionReader(d.r, int64(d.order.Uint32(b)), int64(n)))
		if err != nil || len(far) < n {
			return nil
		}
		b = far
	}
	v := make([]int, e.count)
	for i := range v {
		switch size {
		case 1:
			v[i] = int(b[i])
		case 2:
			v[i] = int(d.order.Uint16(b[2*i:]))
		case 4:
			v[i] = int(d.order.Uint32(b[4*i:]))
		}
	}
	return v
}

// block returns the bytes of a field, nil when it is absent, too large or not all there.
func (d *directory) block(tag uint16) []byte {
	e, ok := d.tags[tag]
	if !ok || e.kind != 1 && e.kind != 7 || e.count <= 4 || e.count > maxBlock {
		return nil
	}
	b, err := io.ReadAll(io.NewSectionReader(d.r, int64(d.order.Uint32(e.value[:])), int64(e.count)))
	if err != nil || len(b) < int(e.count) {
		return nil
	}
	return b
}

// rational returns the first value of a field of fractions, 0 when it is absent, of another kind or not finite.
func (d *directory) rational(tag uint16) float64 {
	e, ok := d.tags[tag]
	if !ok || e.kind != 5 || e.count == 0 {
		return 0
	}
	var v [8]byte
	if _, err := d.r.ReadAt(v[:], int64(d.order.Uint32(e.value[:]))); err != nil {
		return 0
	}
	q := float64(d.order.Uint32(v[:])) / float64(d.order.Uint32(v[4:]))
	if math.IsNaN(q) || math.IsInf(q, 0) {
		return 0
	}
	return q
}

// describe takes from d what concerns the picture: its turn, its resolution, and whether and how a camera took it.
func (d *directory) describe(h *header) {
	if turn, ok := d.integer(tagOrientation); ok && turn >= 1 && turn <= 8 {
		h.turn = turn
	}
	unit, ok := d.integer(tagResolution)
	if !ok {
		unit = 2 // TIFF 6.0: inch by default
	}
	switch res := d.rational(tagXResolution); unit {
	case 2:
		h.dpi = knownDPI(res)
	case 3:
		h.dpi = knownDPI(res * 2.54)
	}
	off, ok := d.integer(tagExif)
	if !ok {
		return
	}
	x, _, err := readDirectory(d.r, d.order, int64(off))
	if err != nil {
		return
	}
	_, sensitive := x.integer(tagSensitivity)
	if sensitive || x.rational(tagExposureTime) > 0 || x.rational(tagFNumber) > 0 || x.rational(tagFocalLength) > 0 {
		h.camera = true
		h.dpi = 0 // a camera cannot know how large the thing before it is
	}
	if mm, ok := x.integer(tagFocalLength35); ok {
		h.focal35 = float64(mm)
	}
}

// knownDPI returns the resolution if it says something of the picture, else 0. 72 says nothing: EXIF 2.32 §4.6.5 has
// writers put it where the resolution is unknown. Values out of reason are taken for garbage.
func knownDPI(dpi float64) float64 {
	const least, most = 10, 20000
	if !(dpi >= least && dpi <= most) || math.Abs(dpi-72) < 0.5 {
		return 0
	}
	return dpi
}

// readExif takes what concerns the picture from an EXIF block (a TIFF structure). A block that cannot be read says
// nothing: pictures with damaged EXIF open all the same.
func readExif(block io.ReaderAt, h *header) {
	order, off, err := openDirectory(block)
	if err != nil {
		return
	}
	d, _, err := readDirectory(block, order, off)
	if err != nil {
		return
	}
	d.describe(h)
}
