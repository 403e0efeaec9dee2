package paper

import (
	"encoding/binary"

	"pochoir/quantize"
	"pochoir/quantize/mosaic"
)

// Picture is an upright, opaque sRGB picture and what is known of it.
type Picture struct {
	W, H int
	Pix  []uint8 // R,G,B,A a pixel with A = 255, row by row, len = 4*W*H; transparency already lies on white paper
	// Mosaic is the picture instead of Pix, which then is nil, where it was coded with loss and most of it is even; nil else.
	Mosaic *mosaic.Mosaic
	// Clear marks pixels that were mostly transparent (alpha < 128) in the source; nil when none were. Row by row,
	// len W*H.
	Clear      []bool
	Name       string // of the source, for messages
	Format     string // "png", "jpeg", "tiff", ...
	Lossy      bool   // coded with loss (JPEG, lossy WebP, HEIC)
	Subsampled bool   // chroma stored at lower resolution than luma
	// Luma is what a JPEG says of the blocks of its luma, nil where nothing is known, or the pixels are not as decoded.
	Luma    *quantize.Luma
	DPI     float64 // pixels an inch by the file, 0 when unknown
	Focal35 float64 // 35 mm equivalent focal length by EXIF in mm, 0 when unknown
	Camera  bool    // EXIF carries exposure data: a camera took it
	// Plate is the kind of the page that the picture was cut from and straightened on (see Page.Cut); KindAuto for any
	// other picture.
	Plate Kind
}

// len returns the number of pixels there are.
func (p *Picture) len() int {
	if p.Mosaic != nil {
		return p.Mosaic.Len()
	}
	return len(p.Pix) / 4
}

// at returns pixel i as it lies in a bitmap: R in the lowest byte, A in the highest.
func (p *Picture) at(i int) uint32 {
	if p.Mosaic != nil {
		return p.Mosaic.At(i)
	}
	return binary.LittleEndian.Uint32(p.Pix[4*i:])
}

// runEnd returns the first pixel from <= i <= end that is not c, end if there is none.
func (p *Picture) runEnd(from, end int, c uint32) int {
	if p.Mosaic != nil {
		return p.Mosaic.RunEnd(from, end, c)
	}
	i := from
	for ; i+4 <= end && p.four(i, c); i += 4 {
	}
	for i < end && p.at(i) == c {
		i++
	}
	return i
}

// runStart returns the first of the pixels, from <= i <= end, that are c up to end.
func (p *Picture) runStart(from, end int, c uint32) int {
	if p.Mosaic != nil {
		return p.Mosaic.RunStart(from, end, c)
	}
	i := end
	for ; i-4 >= from && p.four(i-4, c); i -= 4 {
	}
	for i > from && p.at(i-1) == c {
		i--
	}
	return i
}

// four reports whether the four pixels from i on are c.
func (p *Picture) four(i int, c uint32) bool {
	two := uint64(c)<<32 | uint64(c)
	b := p.Pix[4*i : 4*i+16 : 4*i+16]
	return (binary.LittleEndian.Uint64(b)^two)|(binary.LittleEndian.Uint64(b[8:])^two) == 0
}

// row returns n pixels from i on as they lie in a bitmap, for which there is room in buf.
func (p *Picture) row(i, n int, buf []uint8) []uint8 {
	if p.Mosaic == nil {
		return p.Pix[4*i : 4*(i+n)]
	}
	for k := range n {
		binary.LittleEndian.PutUint32(buf[4*k:], p.Mosaic.At(i+k))
	}
	return buf[:4*n]
}

// whole returns the picture with Pix.
func (p *Picture) whole() *Picture {
	if p.Mosaic == nil {
		return p
	}
	q := *p
	q.Pix, q.Mosaic = p.Mosaic.Pixels(), nil
	return &q
}
