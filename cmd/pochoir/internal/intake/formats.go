package intake

import (
	"bufio"
	"bytes"
	"errors"
	"image"
	"image/gif"
	"image/jpeg"
	"image/png"
	"io"
	"strings"

	"golang.org/x/image/bmp"
	"golang.org/x/image/webp"

	"pochoir/cmd/pochoir/internal/intake/jpegread"
)

// isUnsupported reports whether a decoder says that the file is valid but of a variant it does not know.
func isUnsupported(err error) bool {
	var j jpeg.UnsupportedError
	var p png.UnsupportedError
	return errors.As(err, &j) || errors.As(err, &p) || errors.Is(err, bmp.ErrUnsupported) ||
		strings.Contains(err.Error(), "unsupported") || strings.Contains(err.Error(), "not implemented")
}

// buffered returns a reader over the whole file that asks the system for large pieces.
func (s *source) buffered() io.Reader { return bufio.NewReaderSize(s.reader(), 1<<16) }

// single makes a one-page file of a header and a decoder.
func (s *source) single(h header, decode func(io.Reader) (image.Image, error)) []page {
	return []page{{header: h, decode: func(*header) (pixels, error) {
		img, err := decode(s.buffered())
		return pixels{img: img}, err
	}}}
}

// maxBlock bounds the metadata blocks that are read into memory, in bytes.
const maxBlock = 16 << 20

// readJPEG walks the markers of a JPEG file up to the first frame header (ITU-T T.81 annex B). EXIF lies in APP1
// (EXIF 2.32 §4.7.2), the resolution of JFIF in APP0 (ITU-T T.871 §10.1), the colour profile in APP2.
func readJPEG(s *source) ([]page, error) {
	h := header{lossy: true}
	var exif []byte
	icc := iccChunks{}
	for off := int64(2); ; {
		m, err := s.bytes(off, 4)
		if err != nil {
			return nil, err
		}
		if m[0] != 0xff {
			return nil, errors.New("a JPEG marker is missing")
		}
		if m[1] == 0xff { // fill byte
			off++
			continue
		}
		if m[1] == 0x01 || m[1] >= 0xd0 && m[1] <= 0xd7 { // markers without a length
			off += 2
			continue
		}
		if m[1] == 0xd9 || m[1] == 0xda {
			return nil, errors.New("no frame header before the pixels")
		}
		n := int64(be16(m[2:]))
		if n < 2 {
			return nil, errors.New("a JPEG marker is too short")
		}
		b, err := s.bytes(off+4, n-2)
		if err != nil {
			return nil, err
		}
		switch {
		case m[1] == 0xe0 && len(b) >= 12 && string(b[:5]) == "JFIF\x00":
			switch x := float64(be16(b[8:])); b[7] {
			case 1:
				h.dpi = knownDPI(x)
			case 2:
				h.dpi = knownDPI(x * 2.54)
			}
		case m[1] == 0xe1 && len(b) > 6 && string(b[:6]) == "Exif\x00\x00" && exif == nil:
			exif = b[6:]
		case m[1] == 0xe2:
			icc.add(b)
		case m[1] >= 0xc0 && m[1] <= 0xcf && m[1] != 0xc4 && m[1] != 0xc8 && m[1] != 0xcc:
			if err := s.jpegFrame(m[1], b, &h); err != nil {
				return nil, err
			}
			readExif(bytes.NewReader(exif), &h)
			h.icc = icc.join()
			return []page{{header: h, decode: func(*header) (pixels, error) { return s.jpegPixels(h.w, h.h), nil }}}, nil
		}
		off += 2 + n
	}
}

// evenShare is how many pixels a byte of a JPEG must stand for if most may be even: drawings have twenty and more, captures of
// paper two to a dozen, and what is seen on the way tells those apart (see tiling).
const evenShare = 10

// jpegPixels decodes a JPEG of w x h px in bands where it is one as cameras write them and no longer than its bitmap, as
// it is held in memory; others, and those with faults, whole.
func (s *source) jpegPixels(w, h int) pixels {
	bands := func(workers int, put func(*image.YCbCr), coded func(jpegread.Block)) error {
		if s.size > 4*int64(w)*int64(h) {
			return jpegread.ErrVariant
		}
		data, err := s.bytes(0, s.size)
		if err != nil {
			return err
		}
		if s.size > mostCodedBytes {
			coded = func(jpegread.Block) {}
		}
		return jpegread.Decode(data, w, h, workers, put, coded)
	}
	return pixels{w: w, h: h, even: evenShare*s.size < int64(w)*int64(h), bands: bands, whole: func() (image.Image, error) { return jpeg.Decode(s.buffered()) }}
}

// jpegFrame reads a frame header and refuses the processes that no decoder at hand knows.
func (s *source) jpegFrame(marker byte, b []byte, h *header) error {
	if len(b) < 6 {
		return errors.New("the frame header is too short")
	}
	variant := ""
	switch {
	case marker == 0xc3 || marker >= 0xc5 && marker <= 0xc7 || marker == 0xcb || marker >= 0xcd:
		variant = "lossless or hierarchical JPEG"
	case marker == 0xc9 || marker == 0xca:
		variant = "JPEG with arithmetic coding"
	case b[0] != 8:
		variant = "JPEG with more than 8 bits a sample"
	}
	if variant != "" {
		e := s.errorf(ErrUnsupported, "is a %s, which cannot be read", variant)
		e.Hint = "save it as PNG in the program that made it, then try again"
		return e
	}
	h.h, h.w = int(be16(b[1:])), int(be16(b[3:]))
	// Chroma is stored at lower resolution where the first component, luma, has more samples than the second.
	h.subsampled = b[5] == 3 && len(b) >= 6+3*2 && b[7] != b[10]
	return nil
}

// readPNG walks the chunks up to the pixels (PNG specification, third edition, §11): IHDR, pHYs and eXIf.
func readPNG(s *source) ([]page, error) {
	var h header
	var exif []byte
	for off := int64(8); ; {
		c, err := s.bytes(off, 8)
		if err != nil {
			return nil, err
		}
		n, kind := int64(be32(c)), string(c[4:])
		if off == 8 && kind != "IHDR" || kind == "IHDR" && n != 13 {
			return nil, errors.New("it does not start with a proper IHDR chunk")
		}
		if kind == "IDAT" || kind == "IEND" {
			break
		}
		if n <= maxBlock && (kind == "IHDR" || kind == "pHYs" || kind == "eXIf" || kind == "iCCP" || kind == "tEXt") {
			b, err := s.bytes(off+8, n)
			if err != nil {
				return nil, err
			}
			switch kind {
			case "IHDR":
				h.w, h.h = int(int32(be32(b))), int(int32(be32(b[4:])))
			case "pHYs":
				if n == 9 && b[8] == 1 { // unit: the metre
					h.dpi = knownDPI(float64(be32(b)) * 0.0254)
				}
			case "eXIf":
				exif = b
			case "iCCP":
				h.icc = inflateProfile(b)
			case "tEXt":
				h.readPlate(b)
			}
		}
		off += 12 + n
	}
	dpi := h.dpi
	readExif(bytes.NewReader(exif), &h)
	if h.dpi == 0 && !h.camera {
		h.dpi = dpi
	}
	return s.single(h, png.Decode), nil
}

// readTIFF follows the chain of directories (TIFF 6.0 §2). Reduced-resolution copies and transparency masks
// (NewSubfileType bits 0 and 2) are no pages.
func readTIFF(s *source) ([]page, error) {
	order, off, err := openDirectory(s.r)
	if err != nil {
		return nil, err
	}
	var pages []page
	seen := map[int64]bool{}
	fields := 0
	for off != 0 {
		if seen[off] {
			return nil, errors.New("its directories run in a circle")
		}
		if len(seen) == maxPages || fields > maxFields {
			return nil, errDirectory
		}
		seen[off] = true
		d, next, err := readDirectory(s.r, order, off)
		if err != nil {
			return nil, err
		}
		off = next
		fields += len(d.tags)
		if kind, _ := d.integer(tagSubfileType); kind&5 != 0 {
			continue
		}
		w, ok1 := d.integer(tagWidth)
		ht, ok2 := d.integer(tagHeight)
		if !ok1 || !ok2 {
			return nil, errDirectory
		}
		p := page{header: header{w: w, h: ht}}
		d.describe(&p.header)
		p.icc = d.block(tagICC)
		p.decode = func(h *header) (pixels, error) {
			t, err := s.openTIFF(&d, w, ht)
			if err != nil {
				return pixels{}, err
			}
			h.lossy = t.compression == tiffJPEG
			img, err := t.decode()
			return pixels{img: img}, err
		}
		pages = append(pages, p)
	}
	if len(pages) == 0 {
		return nil, errors.New("it holds no picture")
	}
	return pages, nil
}

// readWebP walks the chunks of the RIFF container (RFC 9649 §2). Dimensions stand in VP8X, or in the frame header of
// VP8 (RFC 6386 §9.1) or VP8L (RFC 9649 §3.4).
func readWebP(s *source) ([]page, error) {
	var h header
	var exif []byte
	for off := int64(12); off+8 <= s.size; {
		c, err := s.bytes(off, 8)
		if err != nil {
			return nil, err
		}
		n, kind := int64(le32(c[4:])), string(c[:4])
		switch kind {
		case "VP8X", "VP8 ", "VP8L":
			b, err := s.bytes(off+8, min(n, 10))
			if err != nil {
				return nil, err
			}
			if err := s.webpFrame(kind, b, &h); err != nil {
				return nil, err
			}
		case "ICCP":
			if n <= maxBlock {
				if h.icc, err = s.bytes(off+8, n); err != nil {
					return nil, err
				}
			}
		case "EXIF":
			if n <= maxBlock {
				if exif, err = s.bytes(off+8, n); err != nil {
					return nil, err
				}
				exif = bytes.TrimPrefix(exif, []byte("Exif\x00\x00")) // some writers keep JPEG's prefix
			}
		}
		off += 8 + n + n&1
	}
	readExif(bytes.NewReader(exif), &h)
	return s.single(h, webp.Decode), nil
}

// webpFrame reads the dimensions from the first bytes of a chunk that carries them.
func (s *source) webpFrame(kind string, b []byte, h *header) error {
	switch {
	case kind == "VP8X" && len(b) >= 10:
		if b[0]&2 != 0 {
			e := s.errorf(ErrUnsupported, "is an animated WebP, which cannot be read")
			e.Hint = "save the frame you want as PNG"
			return e
		}
		h.w = 1 + int(b[4]) + int(b[5])<<8 + int(b[6])<<16
		h.h = 1 + int(b[7]) + int(b[8])<<8 + int(b[9])<<16
	case kind == "VP8 " && len(b) >= 10:
		h.lossy, h.subsampled, h.videoRange = true, true, true
		h.w, h.h = max(h.w, int(le16(b[6:])&0x3fff)), max(h.h, int(le16(b[8:])&0x3fff))
	case kind == "VP8L" && len(b) >= 5:
		bits := le32(b[1:])
		h.w, h.h = max(h.w, 1+int(bits&0x3fff)), max(h.h, 1+int(bits>>14&0x3fff))
	default:
		return io.ErrUnexpectedEOF
	}
	return nil
}

// readBMP reads the information header (BITMAPCOREHEADER, BITMAPINFOHEADER and its successors).
func readBMP(s *source) ([]page, error) {
	b, err := s.bytes(0, 26)
	if err != nil {
		return nil, err
	}
	var h header
	if le32(b[14:]) == 12 {
		h.w, h.h = int(le16(b[18:])), int(le16(b[20:]))
		return s.single(h, bmp.Decode), nil
	}
	h.w, h.h = int(int32(le32(b[18:]))), int(int32(le32(b[22:])))
	if h.h < 0 { // stored top row first
		h.h = -h.h
	}
	if b, err = s.bytes(38, 4); err != nil {
		return nil, err
	}
	h.dpi = knownDPI(float64(int32(le32(b))) * 0.0254)
	return s.single(h, bmp.Decode), nil
}

// readGIF reads the logical screen (GIF89a §18). The first frame lies somewhere on it; the rest is transparent.
func readGIF(s *source) ([]page, error) {
	b, err := s.bytes(6, 4)
	if err != nil {
		return nil, err
	}
	return s.single(header{w: int(le16(b)), h: int(le16(b[2:]))}, gif.Decode), nil
}
