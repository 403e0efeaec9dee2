package intake

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"unicode/utf8"

	"pochoir/quantize/large"
)

// format is the kind of a file, told by its content.
type format string

const (
	formatJPEG format = "jpeg"
	formatPNG  format = "png"
	formatTIFF format = "tiff"
	formatWebP format = "webp"
	formatBMP  format = "bmp"
	formatGIF  format = "gif"
	formatHEIC format = "heic"
	formatPDF  format = "pdf"
)

// read reads the headers of all pages of a file of a known format.
func read(f format, s *source) ([]page, error) {
	switch f {
	case formatJPEG:
		return readJPEG(s)
	case formatPNG:
		return readPNG(s)
	case formatTIFF:
		return readTIFF(s)
	case formatWebP:
		return readWebP(s)
	case formatBMP:
		return readBMP(s)
	case formatGIF:
		return readGIF(s)
	case formatHEIC:
		return readHEIF(s)
	}
	return readPDF(s)
}

// maxStream is the most that is read from standard input or a pipe, in bytes: they must be held in memory.
const maxStream = 2 << 30

// source is the bytes of one file with its name for messages.
type source struct {
	name string
	r    io.ReaderAt
	size int64
	file *os.File // nil for a stream
}

// openSource opens path, or takes stdin where path is "-". A regular file stays on disk; a stream is read whole, once
// its first bytes look like a picture.
func openSource(path string, stdin io.Reader) (*source, error) {
	s := &source{name: path}
	if path == "-" {
		s.name = "standard input"
		if stdin == nil {
			return nil, s.errorf(ErrUnreadable, "cannot be read here")
		}
		return s, s.readStream(stdin)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, s.systemError(err)
	}
	info, err := file.Stat()
	switch {
	case err != nil:
		err = s.systemError(err)
	case info.IsDir():
		e := s.errorf(ErrNotPicture, "is a folder, not a picture")
		e.Hint = "name the pictures in it"
		err = e
	case !info.Mode().IsRegular():
		err = s.readStream(file)
		file.Close()
		if err == nil {
			return s, nil
		}
	}
	if err != nil {
		file.Close()
		return nil, err
	}
	s.r, s.size, s.file = file, info.Size(), file
	return s, nil
}

// readStream fills s from r.
func (s *source) readStream(r io.Reader) error {
	head := make([]byte, sniffLen)
	n, err := io.ReadFull(r, head)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return s.systemError(err)
	}
	head = head[:n]
	s.r, s.size = bytes.NewReader(head), int64(n)
	if _, err := s.sniff(); err != nil {
		return err
	}
	var all bytes.Buffer
	all.Write(head)
	m, err := io.Copy(&all, io.LimitReader(r, maxStream))
	if err != nil {
		return s.systemError(err)
	}
	if m == maxStream {
		return s.errorf(ErrTooLarge, "is longer than %d MB", maxStream>>20)
	}
	s.r, s.size = bytes.NewReader(all.Bytes()), int64(all.Len())
	return nil
}

// Close closes the file beneath, if any.
func (s *source) Close() error {
	if s.file == nil {
		return nil
	}
	return s.file.Close()
}

// reader returns a fresh reader over the whole of s, for decoders.
func (s *source) reader() *io.SectionReader { return io.NewSectionReader(s.r, 0, s.size) }

// bytes returns n bytes at off, or an error when they are not all there.
func (s *source) bytes(off, n int64) ([]byte, error) {
	if off < 0 || n < 0 || off > s.size || n > s.size-off {
		return nil, io.ErrUnexpectedEOF
	}
	b := large.Make[byte](int(n))
	if _, err := s.r.ReadAt(b, off); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	return b, nil
}

// systemError puts an error of the operating system in plain words.
func (s *source) systemError(err error) *Error {
	text := "cannot be read: " + oneLine(err.Error())
	var path *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		text = "does not exist"
	case errors.Is(err, fs.ErrPermission):
		text = "may not be read: permission denied"
	case errors.As(err, &path):
		text = "cannot be read: " + oneLine(path.Err.Error())
	}
	e := s.errorf(ErrUnreadable, "%s", text)
	e.Err = err
	return e
}

// sniffLen is how many bytes sniff looks at.
const sniffLen = 512

// signatures are the first bytes of the formats that can be read. Sources: RFC 2083 §3.1 (PNG), ITU-T T.81 annex B
// (JPEG), TIFF 6.0 §2, GIF89a §17, RFC 9649 (WebP), ISO/IEC 23008-12 annex B (HEIC), ISO
// 32000-1 §7.5.2 (PDF), the Windows BITMAPFILEHEADER (BMP).
var signatures = []struct {
	format format
	at     int
	magic  string
}{
	{formatJPEG, 0, "\xff\xd8\xff"},
	{formatPNG, 0, "\x89PNG\r\n\x1a\n"},
	{formatTIFF, 0, "II*\x00"},
	{formatTIFF, 0, "MM\x00*"},
	{formatWebP, 8, "WEBPVP8"},
	{formatGIF, 0, "GIF87a"},
	{formatGIF, 0, "GIF89a"},
	{formatHEIC, 4, "ftypheic"},
	{formatHEIC, 4, "ftypheix"},
	{formatHEIC, 4, "ftypheim"},
	{formatHEIC, 4, "ftypheis"},
	{formatHEIC, 4, "ftypmif1"},
	{formatPDF, 0, "%PDF-"},
}

// strangers are files that people may well hand over and that cannot be read, with what to do instead.
var strangers = []struct {
	at          int
	magic, what string
	hint        string
}{
	{0, "II+\x00", "is a BigTIFF file", "save it as ordinary TIFF or as PNG"},
	{0, "MM\x00+", "is a BigTIFF file", "save it as ordinary TIFF or as PNG"},
	{0, "%!PS", "is a PostScript file", "save the picture in it as PNG"},
	{0, "8BPS", "is a layered file of a paint program", "save a flattened copy as PNG"},
	{4, "ftypavif", "is an AVIF file", "save it as PNG or JPEG"},
	{0, "\x00\x00\x00\x0cjP  ", "is a JPEG 2000 file", "save it as PNG or JPEG"},
	{0, "\x00\x00\x00\x0cJXL ", "is a JPEG XL file", "save it as PNG or JPEG"},
	{0, "PK\x03\x04", "is a packed archive", "unpack it and name the picture"},
	{0, "\x00\x00\x01\x00", "is an icon file", "save it as PNG"},
}

// sniff tells the format by the first bytes.
func (s *source) sniff() (format, error) {
	head, err := s.bytes(0, min(s.size, sniffLen))
	if err != nil {
		return "", s.systemError(err)
	}
	if len(head) == 0 {
		return "", s.errorf(ErrNotPicture, "is empty")
	}
	for _, m := range signatures {
		if len(head) >= m.at && bytes.HasPrefix(head[m.at:], []byte(m.magic)) {
			return m.format, nil
		}
	}
	if isBMP(head) {
		return formatBMP, nil
	}
	for _, m := range strangers {
		if len(head) >= m.at && bytes.HasPrefix(head[m.at:], []byte(m.magic)) {
			e := s.errorf(ErrUnsupported, "%s, which cannot be read", m.what)
			e.Hint = m.hint
			return "", e
		}
	}
	const known = "pictures are JPEG, PNG, TIFF, HEIC, WebP, BMP, GIF or scans in PDF"
	if isText(head) {
		if bytes.Contains(head, []byte("<svg")) {
			e := s.errorf(ErrNotPicture, "is a vector drawing (SVG) already")
			return "", e
		}
		e := s.errorf(ErrNotPicture, "is a text file, not a picture")
		e.Hint = known
		return "", e
	}
	for _, m := range signatures {
		if m.at == 0 && bytes.HasPrefix([]byte(m.magic), head) {
			return "", s.errorf(ErrDamaged, "is cut short: the picture ends too early")
		}
	}
	e := s.errorf(ErrNotPicture, "is of no known picture format")
	e.Hint = known
	return "", e
}

// isBMP reports whether head starts like a bitmap file. Two letters alone would claim many a text, so the size of the
// information header must be one of those in use (12 to 124 bytes).
func isBMP(head []byte) bool {
	if len(head) < 18 || head[0] != 'B' || head[1] != 'M' {
		return false
	}
	switch le32(head[14:]) {
	case 12, 16, 40, 52, 56, 64, 108, 124:
		return true
	}
	return false
}

// isText reports whether head looks like text: valid UTF-8, but for a rune cut off at its end, without control
// characters other than white space; or UTF-16 with a byte order mark.
func isText(head []byte) bool {
	if bytes.HasPrefix(head, []byte("\xff\xfe")) || bytes.HasPrefix(head, []byte("\xfe\xff")) {
		return true
	}
	for i := 0; i < len(head); {
		r, n := utf8.DecodeRune(head[i:])
		if r == utf8.RuneError && n == 1 {
			return len(head) == sniffLen && len(head)-i < utf8.UTFMax
		}
		if r < ' ' && r != '\t' && r != '\n' && r != '\r' && r != '\f' && r != '\v' && r != 0x1b || r == 0x7f {
			return false
		}
		i += n
	}
	return true
}

func le16(b []byte) uint32 { return uint32(b[0]) | uint32(b[1])<<8 }
func le32(b []byte) uint32 { return le16(b) | le16(b[2:])<<16 }
func be16(b []byte) uint32 { return uint32(b[0])<<8 | uint32(b[1]) }
func be32(b []byte) uint32 { return be16(b)<<16 | be16(b[2:]) }
