package intake

import (
	"bytes"
	"compress/zlib"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"math/bits"
	"slices"

	"golang.org/x/image/ccitt"
	"golang.org/x/image/tiff/lzw"

	"pochoir/quantize/large"
)

// More tags of TIFF 6.0 §8, §15 (tiles), §22 and Technical Note 2 (JPEG).
const (
	tagBits          = 258
	tagCompression   = 259
	tagPhotometric   = 262
	tagFillOrder     = 266
	tagStripOffsets  = 273
	tagSamples       = 277
	tagRowsPerStrip  = 278
	tagStripCounts   = 279
	tagPlanar        = 284
	tagT4Options     = 292
	tagPredictor     = 317
	tagColorMap      = 320
	tagTileWidth     = 322
	tagTileHeight    = 323
	tagTileOffsets   = 324
	tagTileCounts    = 325
	tagExtraSamples  = 338
	tagSampleFormat  = 339
	tagJPEGTables    = 347
	tiffWhiteIsZero  = 0
	tiffBlackIsZero  = 1
	tiffRGB          = 2
	tiffPalette      = 3
	tiffCMYK         = 5
	tiffYCbCr        = 6
	tiffUncompressed = 1
	tiffFax3         = 3
	tiffFax4         = 4
	tiffLZW          = 5
	tiffJPEG         = 7
	tiffDeflate      = 8
	tiffPackBits     = 32773
	tiffDeflateOld   = 32946
)

// tiffPage is one picture of a TIFF file: how its samples are laid out and packed.
type tiffPage struct {
	src         *source
	dir         *directory
	w, h        int
	bits        int // a sample: 1, 2, 4, 8 or 16
	samples     int // a pixel
	photometric int
	compression int
	predictor   int
	separate    bool  // each sample has planes of its own
	reversed    bool  // the first pixel of a byte is its lowest bit
	alpha       int   // index of the sample that holds alpha, -1 for none
	straight    bool  // alpha is not multiplied into the colours
	cw, ch      int   // width and height of a strip or tile, px
	offsets     []int // of strips or tiles
	counts      []int // bytes of each
	palette     [][3]uint8
	tables      []byte // of JPEG
}

// unsupportedTIFF reports a valid variant that is not read.
func (s *source) unsupportedTIFF(what string, args ...any) error {
	e := s.errorf(ErrUnsupported, "is a TIFF with "+what+", which cannot be read", args...)
	e.Hint = "save it as PNG, or as TIFF without compression"
	return e
}

// openTIFF reads the layout of the picture of a directory and checks that its strips or tiles are all in the file.
func (s *source) openTIFF(d *directory, w, h int) (*tiffPage, error) {
	p := &tiffPage{src: s, dir: d, w: w, h: h, alpha: -1}
	one := func(tag uint16, def int) int {
		if v, ok := d.integer(tag); ok {
			return v
		}
		return def
	}
	p.samples = one(tagSamples, 1)
	p.bits = one(tagBits, 1)
	p.compression = one(tagCompression, tiffUncompressed)
	p.predictor = one(tagPredictor, 1)
	p.photometric = one(tagPhotometric, tiffBlackIsZero)
	p.separate = one(tagPlanar, 1) == 2 && p.samples > 1
	p.reversed = one(tagFillOrder, 1) == 2
	p.cw, p.ch = w, one(tagRowsPerStrip, h)
	offsets, counts := uint16(tagStripOffsets), uint16(tagStripCounts)
	if _, tiled := d.tags[tagTileWidth]; tiled {
		p.cw, p.ch = one(tagTileWidth, 0), one(tagTileHeight, 0)
		offsets, counts = tagTileOffsets, tagTileCounts
	} else {
		p.ch = min(p.ch, h)
	}
	const mostTile = 1 << 15 // px a side beyond the picture's own
	if p.samples < 1 || p.samples > 32 || p.cw < 1 || p.ch < 1 || p.cw > w+mostTile || p.ch > h+mostTile || p.cw*p.ch > 4*(w*h+mostTile*16) {
		return nil, errDirectory
	}
	if err := p.checkKind(one); err != nil {
		return nil, err
	}
	p.offsets, p.counts = d.integers(offsets), d.integers(counts)
	need := ((w + p.cw - 1) / p.cw) * ((h + p.ch - 1) / p.ch)
	if p.separate {
		need *= p.samples
	}
	if p.counts == nil && p.compression == tiffUncompressed && len(p.offsets) == 1 {
		p.counts = []int{int(s.size) - p.offsets[0]} // writers of old left the count out
	}
	if len(p.offsets) < need || len(p.counts) < need {
		return nil, errDirectory
	}
	for i := range need {
		if off, n := int64(p.offsets[i]), int64(p.counts[i]); n < 0 || off > s.size || n > s.size-off {
			return nil, io.ErrUnexpectedEOF
		}
	}
	return p, nil
}

// checkKind refuses what is not read, and takes palette, alpha and tables.
func (p *tiffPage) checkKind(one func(uint16, int) int) error {
	for _, b := range p.dir.integers(tagBits) {
		if b != p.bits {
			return p.src.unsupportedTIFF("samples of several sizes")
		}
	}
	if f := one(tagSampleFormat, 1); f != 1 && f != 4 {
		return p.src.unsupportedTIFF("samples that are not whole numbers")
	}
	colours := 1
	switch p.photometric {
	case tiffWhiteIsZero, tiffBlackIsZero:
	case tiffPalette:
		m := p.dir.integers(tagColorMap)
		n := len(m) / 3
		if n == 0 {
			return errors.New("its palette is missing")
		}
		// Entries have 16 bits; writers put 8 bits into the upper half, or into both, and some of old into the lower.
		shift := 0
		if slices.Max(m) > 255 {
			shift = 8
		}
		p.palette = make([][3]uint8, n)
		for i := range p.palette {
			p.palette[i] = [3]uint8{uint8(m[i] >> shift), uint8(m[n+i] >> shift), uint8(m[2*n+i] >> shift)}
		}
	case tiffRGB:
		colours = 3
	case tiffCMYK:
		colours = 4
	case tiffYCbCr:
		colours = 3
		if p.compression != tiffJPEG {
			return p.src.unsupportedTIFF("colours split into brightness and hue")
		}
	default:
		return p.src.unsupportedTIFF("colours of kind %d", p.photometric)
	}
	if p.samples < colours {
		return errDirectory
	}
	if extra, ok := p.dir.integer(tagExtraSamples); ok && p.samples > colours && (extra == 1 || extra == 2) {
		p.alpha, p.straight = colours, extra == 2
	}
	switch p.bits {
	case 8, 16:
	case 1, 2, 4:
		if p.samples > 1 {
			return p.src.unsupportedTIFF("%d samples of %d bits", p.samples, p.bits)
		}
	default:
		return p.src.unsupportedTIFF("samples of %d bits", p.bits)
	}
	switch p.compression {
	case tiffUncompressed, tiffLZW, tiffDeflate, tiffDeflateOld, tiffPackBits:
	case tiffFax3, tiffFax4:
		if p.bits != 1 || p.samples != 1 || p.compression == tiffFax3 && one(tagT4Options, 0)&1 != 0 {
			return p.src.unsupportedTIFF("two-dimensional fax coding of group 3")
		}
	case tiffJPEG:
		if p.bits != 8 || p.separate {
			return p.src.unsupportedTIFF("JPEG coding of separate planes or of more than 8 bits")
		}
		p.tables = p.dir.block(tagJPEGTables)
	default:
		return p.src.unsupportedTIFF("compression %d", p.compression)
	}
	if p.predictor == 2 && p.bits < 8 || p.predictor > 2 {
		return p.src.unsupportedTIFF("predictor %d for %d bits", p.predictor, p.bits)
	}
	return nil
}

// decode returns the picture, 8 bits a channel.
func (p *tiffPage) decode() (image.Image, error) {
	rect := image.Rect(0, 0, p.w, p.h)
	pix := large.Make[uint8](4 * p.w * p.h)
	planes, samples := 1, p.samples
	if p.separate {
		planes, samples = p.samples, 1
	}
	across := (p.w + p.cw - 1) / p.cw
	down := (p.h + p.ch - 1) / p.ch
	for plane := range planes {
		for i := range across * down {
			x0, y0 := i%across*p.cw, i/across*p.ch
			k := plane*across*down + i
			rows := min(p.ch, p.h-y0)
			if p.compression == tiffJPEG {
				if err := p.jpegChunk(k, pix, x0, y0); err != nil {
					return nil, err
				}
				continue
			}
			stride := (p.cw*samples*p.bits + 7) / 8
			b, err := p.unpack(k, stride, rows)
			if err != nil {
				return nil, err
			}
			row := make([]uint8, p.cw*samples)
			for y := range rows {
				line := b[y*stride : (y+1)*stride]
				p.undoPredictor(line, samples)
				p.eightBits(row, line)
				dst := pix[4*((y0+y)*p.w+x0) : 4*((y0+y)*p.w+min(x0+p.cw, p.w))]
				if p.separate {
					scatter(dst, row, plane)
					continue
				}
				if err := p.colours(dst, row); err != nil {
					return nil, err
				}
			}
		}
	}
	if p.separate {
		if err := p.joinPlanes(pix); err != nil {
			return nil, err
		}
	}
	switch {
	case p.alpha >= 0 && !p.straight:
		return &image.RGBA{Pix: pix, Stride: 4 * p.w, Rect: rect}, nil
	default:
		return &image.NRGBA{Pix: pix, Stride: 4 * p.w, Rect: rect}, nil
	}
}

// unpack returns the bytes of strip or tile k: rows of stride bytes.
func (p *tiffPage) unpack(k, stride, rows int) ([]byte, error) {
	raw, err := p.src.bytes(int64(p.offsets[k]), int64(p.counts[k]))
	if err != nil {
		return nil, err
	}
	if p.reversed && p.compression != tiffFax3 && p.compression != tiffFax4 {
		for i := range raw {
			raw[i] = bits.Reverse8(raw[i])
		}
	}
	out := make([]byte, stride*rows)
	var r io.Reader
	switch p.compression {
	case tiffUncompressed:
		if copy(out, raw) < len(out) {
			return nil, io.ErrUnexpectedEOF
		}
		return out, nil
	case tiffPackBits:
		return out, unpackBits(out, raw)
	case tiffLZW:
		z := lzw.NewReader(bytes.NewReader(raw), lzw.MSB, 8)
		defer z.Close()
		r = z
	case tiffDeflate, tiffDeflateOld:
		z, err := zlib.NewReader(bytes.NewReader(raw))
		if err != nil {
			return nil, err
		}
		defer z.Close()
		r = z
	case tiffFax3, tiffFax4:
		order, kind := ccitt.MSB, ccitt.Group3
		if p.reversed {
			order = ccitt.LSB
		}
		if p.compression == tiffFax4 {
			kind = ccitt.Group4
		}
		// In TIFF the white of a fax is 0, whatever 0 is then painted as (TIFF 6.0 §10 and §11).
		r = ccitt.NewReader(bytes.NewReader(raw), order, kind, p.cw, rows, &ccitt.Options{Invert: true})
	}
	if _, err := io.ReadFull(r, out); err != nil {
		return nil, err
	}
	return out, nil
}

// unpackBits undoes PackBits (TIFF 6.0 §9) until dst is full.
func unpackBits(dst, src []byte) error {
	for len(dst) > 0 {
		if len(src) < 2 {
			return io.ErrUnexpectedEOF
		}
		n := int(int8(src[0]))
		src = src[1:]
		switch {
		case n >= 0:
			if len(src) < n+1 {
				return io.ErrUnexpectedEOF
			}
			dst = dst[copy(dst, src[:n+1]):]
			src = src[n+1:]
		case n > -128:
			k := min(1-n, len(dst))
			for i := range k {
				dst[i] = src[0]
			}
			dst, src = dst[k:], src[1:]
		}
	}
	return nil
}

// undoPredictor adds up the differences of a row that were stored in place of its samples (TIFF 6.0 §14).
func (p *tiffPage) undoPredictor(row []uint8, samples int) {
	if p.predictor != 2 {
		return
	}
	if p.bits == 8 {
		for i := samples; i < len(row); i++ {
			row[i] += row[i-samples]
		}
		return
	}
	order := p.dir.order
	for i := 2 * samples; i+2 <= len(row); i += 2 {
		order.PutUint16(row[i:], order.Uint16(row[i:])+order.Uint16(row[i-2*samples:]))
	}
}

// eightBits turns the samples of a row into bytes: 16 bits are rounded, fewer spread over the range, but for a palette's
// indices, which stay what they are.
func (p *tiffPage) eightBits(dst, row []uint8) {
	switch p.bits {
	case 8:
		copy(dst, row)
	case 16:
		for i := range dst {
			v := p.dir.order.Uint16(row[2*i:])
			if p.photometric == tiffPalette {
				dst[i] = uint8(min(v, 255))
				continue
			}
			dst[i] = to8(uint32(v))
		}
	default:
		most := uint8(1<<p.bits - 1)
		scale := 255 / most
		if p.photometric == tiffPalette {
			scale = 1
		}
		per := 8 / p.bits
		for i := range dst {
			shift := 8 - p.bits*(i%per+1)
			dst[i] = row[i/per] >> shift & most * scale
		}
	}
}

// scatter puts one sample a pixel into channel plane, for pictures of separate planes; planes beyond the fourth are
// dropped.
func scatter(dst, row []uint8, plane int) {
	if plane > 3 {
		return
	}
	for i := 0; 4*i < len(dst); i++ {
		dst[4*i+plane] = row[i]
	}
}

// joinPlanes makes colours of what scatter has put side by side.
func (p *tiffPage) joinPlanes(pix []uint8) error {
	if p.alpha > 3 || p.samples > 4 && p.photometric == tiffCMYK {
		p.alpha = -1
	}
	n := min(p.samples, 4)
	line := make([]uint8, p.w*n)
	kept := p.samples
	p.samples = n
	defer func() { p.samples = kept }()
	for y := range p.h {
		dst := pix[4*y*p.w : 4*(y+1)*p.w]
		for x := range p.w {
			copy(line[n*x:n*x+n], dst[4*x:])
		}
		if err := p.colours(dst, line); err != nil {
			return err
		}
	}
	return nil
}

// colours converts a row of samples to R,G,B,A.
func (p *tiffPage) colours(dst, row []uint8) error {
	n := p.samples
	for i := 0; 4*i < len(dst); i++ {
		s, d := row[n*i:n*i+n], dst[4*i:4*i+4:4*i+4]
		switch p.photometric {
		case tiffWhiteIsZero:
			d[0], d[1], d[2] = 255-s[0], 255-s[0], 255-s[0]
		case tiffBlackIsZero:
			d[0], d[1], d[2] = s[0], s[0], s[0]
		case tiffPalette:
			if int(s[0]) >= len(p.palette) {
				return errPaletteIndex
			}
			c := &p.palette[s[0]]
			d[0], d[1], d[2] = c[0], c[1], c[2]
		case tiffCMYK:
			d[0], d[1], d[2] = color.CMYKToRGB(s[0], s[1], s[2], s[3])
		default:
			d[0], d[1], d[2] = s[0], s[1], s[2]
		}
		d[3] = 255
		if p.alpha >= 0 {
			d[3] = s[p.alpha]
		}
	}
	return nil
}

// jpegChunk decodes strip or tile k, a JPEG whose tables may stand in a tag of their own (TIFF Technical Note 2).
func (p *tiffPage) jpegChunk(k int, pix []uint8, x0, y0 int) error {
	raw, err := p.src.bytes(int64(p.offsets[k]), int64(p.counts[k]))
	if err != nil {
		return err
	}
	if len(p.tables) > 4 && len(raw) > 2 {
		raw = append(bytes.Clone(p.tables[:len(p.tables)-2]), raw[2:]...)
	}
	cfg, err := jpeg.DecodeConfig(bytes.NewReader(raw))
	if err != nil {
		return err
	}
	if cfg.Width > p.cw || cfg.Height > p.ch {
		return fmt.Errorf("a strip or tile of %d x %d pixels is given out as one of %d x %d", cfg.Width, cfg.Height, p.cw, p.ch)
	}
	img, err := jpeg.Decode(bytes.NewReader(raw))
	if err != nil {
		return err
	}
	w, h := min(cfg.Width, p.w-x0), min(cfg.Height, p.h-y0)
	if m, ok := img.(*image.YCbCr); ok && p.photometric == tiffRGB && m.SubsampleRatio == image.YCbCrSubsampleRatio444 {
		// The three planes are red, green and blue; nothing in the JPEG itself says so.
		for y := range h {
			dst := pix[4*((y0+y)*p.w+x0):]
			for x := range w {
				i := y*m.YStride + x
				j := y*m.CStride + x
				dst[4*x], dst[4*x+1], dst[4*x+2], dst[4*x+3] = m.Y[i], m.Cb[j], m.Cr[j], 255
			}
		}
		return nil
	}
	src, err := readRows(img, header{})
	if err != nil {
		return err
	}
	row := make([]uint8, 4*src.w)
	for y := range h {
		src.row(y, row, nil)
		if p.photometric == tiffWhiteIsZero {
			for i := range row {
				row[i] = 255 - row[i]
			}
			for i := 3; i < len(row); i += 4 {
				row[i] = 255
			}
		}
		copy(pix[4*((y0+y)*p.w+x0):4*((y0+y)*p.w+x0+w)], row)
	}
	return nil
}
