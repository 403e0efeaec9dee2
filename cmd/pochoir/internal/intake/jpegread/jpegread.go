// Package jpegread reads the JPEGs that cameras write: baseline, Huffman coded, one scan, grey or YCbCr with chroma at
// full or half resolution (ITU-T T.81). Entropy decoding runs on one goroutine; the rows of coded units that it has
// finished are transformed on others and handed out as bands of samples, so no plane of the whole picture is ever held.
// It reads nothing else and repairs nothing: whatever departs from the standard, or from these limits, is ErrVariant,
// and the samples it hands out are those of image/jpeg to the last bit, so that a caller may turn to that.
package jpegread

import (
	"errors"
	"image"
	"sync"
)

// ErrVariant reports a file that is damaged, or of a kind that this package does not read.
var ErrVariant = errors.New("jpegread: not a plain baseline JPEG")

// Markers of ITU-T T.81 table B.1.
const (
	markerSOF0  = 0xc0 // baseline frame
	markerDHT   = 0xc4 // Huffman tables
	markerRST0  = 0xd0 // first of eight restarts
	markerSOI   = 0xd8 // start of image
	markerEOI   = 0xd9 // end of image
	markerSOS   = 0xda // start of scan
	markerDQT   = 0xdb // quantization tables
	markerDRI   = 0xdd // restart interval
	markerAPP0  = 0xe0 // first of sixteen for applications
	markerAPP14 = 0xee // in use by Adobe: which colours the components are
	markerAPP15 = 0xef
	markerCOM   = 0xfe // comment
)

// component is one of a frame's (ITU-T T.81 §B.2.2) with what its scan says of it.
type component struct {
	id     uint8
	h, v   int   // sampling factors: blocks of a coded unit across and down
	tq     uint8 // which quantization table
	quant  *[64]int32
	dc, ac *huffman
	first  int // of its blocks in a coded unit
}

// Block is a block of luma as it was coded. It must not be kept.
type Block struct {
	X, Y  int        // in blocks
	Coefs *[64]int16 // not yet multiplied by the quantization table, in natural order
	Quant *[64]int32
}

// decoder holds what the markers before the pixels say.
type decoder struct {
	w, h    int
	quant   [4]*[64]int32 // in natural order
	dc, ac  [2]*huffman
	restart int // coded units from one restart marker to the next, 0 for none
	comps   []component
	across  int // coded units in a row
	down    int // rows of them
	blocks  int // in a coded unit
	coded   func(Block)
}

// Decode reads the JPEG in data, which must be a picture of w x h pixels, and calls put for every band of its rows, whose
// bounds are its place in the picture; grey is 4:2:0 with chroma of 128 throughout. The bands come in any order, from as
// many goroutines at once as workers says, at least 1; a band must not be kept. Before a band is put, coded is called for
// each of its blocks of luma that is not even, in every row of blocks from left to right. After an error, which is always
// ErrVariant, some bands may have been put.
func Decode(data []byte, w, h, workers int, put func(*image.YCbCr), coded func(Block)) error {
	d := decoder{w: w, h: h, coded: coded}
	scan, err := d.headers(data)
	if err != nil {
		return err
	}
	// Every row of coded units that is in work lies in a buffer of its own. Two for each goroutine keep all busy; where
	// all are full, the reader transforms a row itself.
	free := make(chan *unitRow, 2*workers)
	full := make(chan *unitRow, 2*workers)
	for range min(2*workers, d.down) {
		free <- d.newUnitRow()
	}
	var others sync.WaitGroup
	for range workers - 1 {
		others.Go(func() {
			t := d.newTransformer(put)
			for r := range full {
				t.transform(r)
				free <- r
			}
		})
	}
	own := d.newTransformer(put)
	e := entropy{decoder: &d, bitReader: bitReader{data: scan}}
	for y := range d.down {
		var r *unitRow
		select {
		case r = <-free:
		default:
			select {
			case r = <-free:
			case r = <-full:
				own.transform(r)
			}
		}
		r.y = y
		if err = e.readRow(r); err != nil {
			break
		}
		full <- r
	}
	close(full)
	for r := range full {
		own.transform(r)
	}
	others.Wait()
	if err != nil {
		return err
	}
	return e.end()
}

// headers reads all marker segments up to the scan (ITU-T T.81 §B.2) and returns the coded data behind them.
func (d *decoder) headers(data []byte) ([]byte, error) {
	if len(data) < 2 || data[0] != 0xff || data[1] != markerSOI {
		return nil, ErrVariant
	}
	data = data[2:]
	for {
		if len(data) < 4 || data[0] != 0xff {
			return nil, ErrVariant
		}
		marker, n := data[1], 2+int(data[2])<<8+int(data[3])
		if n < 4 || n > len(data) {
			return nil, ErrVariant
		}
		segment := data[4:n]
		data = data[n:]
		ok := true
		switch {
		case marker == markerSOF0:
			ok = d.frame(segment)
		case marker == markerDHT:
			ok = d.huffmanTables(segment)
		case marker == markerDQT:
			ok = d.quantTables(segment)
		case marker == markerDRI:
			ok = len(segment) == 2
			if ok {
				d.restart = int(segment[0])<<8 + int(segment[1])
			}
		case marker == markerSOS:
			if !d.scan(segment) {
				return nil, ErrVariant
			}
			return data, nil
		case marker == markerAPP14 && len(segment) >= 12 && string(segment[:5]) == "Adobe":
			ok = segment[11] == 1 // YCbCr
		case marker >= markerAPP0 && marker <= markerAPP15 || marker == markerCOM:
		default:
			ok = false
		}
		if !ok {
			return nil, ErrVariant
		}
	}
}

// frame reads a frame header (ITU-T T.81 §B.2.2).
func (d *decoder) frame(b []byte) bool {
	if d.comps != nil || len(b) < 6 || b[0] != 8 || int(b[1])<<8+int(b[2]) != d.h || int(b[3])<<8+int(b[4]) != d.w ||
		d.w == 0 || d.h == 0 || len(b) != 6+3*int(b[5]) || b[5] != 1 && b[5] != 3 {
		return false
	}
	for c := b[6:]; len(c) > 0; c = c[3:] {
		p := component{id: c[0], h: int(c[1] >> 4), v: int(c[1] & 15), tq: c[2], first: d.blocks}
		if b[5] == 1 {
			p.h, p.v = 1, 1 // a single component's blocks are never interleaved (§A.2.2)
		}
		most := 1 // only luma, the first, may have more samples
		if len(d.comps) == 0 {
			most = 2
		}
		if p.h < 1 || p.h > most || p.v < 1 || p.v > most || p.tq > 3 {
			return false
		}
		d.blocks += p.h * p.v
		d.comps = append(d.comps, p)
	}
	c := d.comps
	if len(c) == 3 && (c[0].id == c[1].id || c[0].id == c[2].id || c[1].id == c[2].id ||
		c[0].id == 'R' && c[1].id == 'G' && c[2].id == 'B') {
		return false
	}
	d.across = (d.w + 8*c[0].h - 1) / (8 * c[0].h)
	d.down = (d.h + 8*c[0].v - 1) / (8 * c[0].v)
	return true
}

// quantTables reads tables of 8 bits (ITU-T T.81 §B.2.4.1).
func (d *decoder) quantTables(b []byte) bool {
	for ; len(b) >= 65 && b[0] <= 3; b = b[65:] {
		t := new([64]int32)
		for k, v := range b[1:65] {
			t[zigzag[k]] = int32(v)
		}
		d.quant[b[0]] = t
	}
	return len(b) == 0
}

// huffmanTables reads tables of codes (ITU-T T.81 §B.2.4.2).
func (d *decoder) huffmanTables(b []byte) bool {
	for len(b) >= 17 {
		n := 0
		for _, c := range b[1:17] {
			n += int(c)
		}
		class, at := b[0]>>4, b[0]&15
		if class > 1 || at > 1 || n == 0 || n > 256 || len(b) < 17+n {
			return false
		}
		t, ok := newHuffman(b[1:17], b[17:17+n], class == 1)
		if !ok {
			return false
		}
		if class == 0 {
			d.dc[at] = t
		} else {
			d.ac[at] = t
		}
		b = b[17+n:]
	}
	return len(b) == 0
}

// scan reads the header of the one scan, of all components in the order of the frame (ITU-T T.81 §B.2.3).
func (d *decoder) scan(b []byte) bool {
	n := len(d.comps)
	if n == 0 || len(b) != 4+2*n || int(b[0]) != n {
		return false
	}
	for i := range d.comps {
		c := &d.comps[i]
		dc, ac := b[2+2*i]>>4, b[2+2*i]&15
		if b[1+2*i] != c.id || dc > 1 || ac > 1 {
			return false
		}
		c.quant, c.dc, c.ac = d.quant[c.tq], d.dc[dc], d.ac[ac]
		if c.quant == nil || c.dc == nil || c.ac == nil {
			return false
		}
	}
	return true
}
