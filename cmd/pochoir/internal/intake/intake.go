// Package intake opens picture files safely: it tells the format by content, checks the promised size before any
// pixel is decoded, turns the picture upright, lays transparency on white paper and converts it to 8-bit sRGB. What
// comes out is a paper.Picture; what the file says of its resolution and camera comes with it. It neither crops nor
// cleans. Input data never panics: every fault becomes a one-line *Error. All functions are safe to call
// concurrently. Most callers need only Open.
package intake

import (
	"errors"
	"fmt"
	"image"
	"io"
	"strings"

	"pochoir/cmd/pochoir/internal/intake/jpegread"
	"pochoir/trace/paper"
)

// DefaultMaxMegapixels is the largest picture opened when Options does not say otherwise. It holds a page of A3 at
// 1200 dots an inch, and its bitmap of 800 MB still fits a small machine.
const DefaultMaxMegapixels = 200

// Options steer Open. The zero value serves every picture of ordinary size.
type Options struct {
	// MaxMegapixels is the largest picture accepted, in millions of pixels, > 0. Zero means DefaultMaxMegapixels.
	MaxMegapixels float64
	// Workers is the number of goroutines that convert pixels; 0 means runtime.GOMAXPROCS(0). The result does not
	// depend on it.
	Workers int
	// Mosaic asks for a Picture.Mosaic instead of pixels where the file says that most of the picture is even: who wants no
	// more than to trace it needs less memory for it.
	Mosaic bool
	// Stdin is read where the path is "-".
	Stdin io.Reader
}

// What an *Error is about; told apart by errors.Is.
var (
	ErrUnsupported = errors.New("not supported")       // a valid file of a kind or variant that cannot be read
	ErrDamaged     = errors.New("damaged")             // cut short, or contradicts its own format
	ErrNotPicture  = errors.New("not a picture")       // something else: text, a program, an empty file
	ErrTooLarge    = errors.New("too large")           // more pixels than Options allow
	ErrUnreadable  = errors.New("unreadable")          // the system would not hand over the file
	ErrNoPage      = errors.New("page does not exist") // OpenPage beyond the last page
)

// Error says which file could not be opened, why, and what may help.
type Error struct {
	Name string // the file as the user named it
	Text string // the cause, one line, lower case, without the name
	Hint string // what to do, one line; empty when there is nothing to say
	Kind error  // one of the sentinels above
	Err  error  // the error of the system below, nil when there is none
}

func (e *Error) Error() string { return e.Name + ": " + e.Text }

// Unwrap returns the kind and, where there is one, the cause.
func (e *Error) Unwrap() []error {
	if e.Err == nil {
		return []error{e.Kind}
	}
	return []error{e.Kind, e.Err}
}

// Open reads the picture at path, its first page where it has several; "-" is Options.Stdin. Errors are of type
// *Error.
func Open(path string, opt Options) (*paper.Picture, error) { return OpenPage(path, 0, opt) }

// OpenPage reads one page of a file, counted from 0; a file of a single picture has page 0 only. Errors are of type
// *Error; a page beyond the last is ErrNoPage.
func OpenPage(path string, page int, opt Options) (*paper.Picture, error) {
	f, err := OpenFile(path, opt)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return f.Page(page)
}

// File is an opened picture file of one or more pages. It must not be used by two goroutines at once.
type File struct {
	src    *source
	format format
	pages  []page
	opt    Options
}

// page is one picture of a file: what its header promises and how to decode it.
type page struct {
	header
	err error // why there is no picture on it; the rest is then empty
	// decode returns the pixels. Where what it finds says more of the picture, it puts that into h.
	decode func(h *header) (pixels, error)
}

// pixels are those of a page, as a decoder hands them out: an image, or what decodes one of w x h px in bands.
type pixels struct {
	img  image.Image
	w, h int
	even bool // most of it is, by the length of the file
	// bands calls put for bands of rows, in any order, from several goroutines at once, and coded for their blocks of luma
	// (see jpegread.Decode); nil where there is an image. After an error whole decodes the picture, or says what is wrong
	// with it.
	bands func(workers int, put func(*image.YCbCr), coded func(jpegread.Block)) error
	whole func() (image.Image, error)
}

// header is what a file says of a picture before its pixels are decoded.
type header struct {
	w, h       int     // as stored, before the turn
	turn       int     // orientation of EXIF and TIFF 6.0, 1..8; 0 means 1
	dpi        float64 // 0 when unknown
	focal35    float64 // mm, 0 when unknown
	camera     bool
	lossy      bool
	subsampled bool
	icc        []byte // ICC profile, nil when there is none
	p3         bool   // the primaries are those of Display P3; counts where there is no profile
	matrix     int    // of the chroma, by ITU-T H.273 table 4; 0, 2, 5 and 6 are that of JFIF and BT.601
	plate      paper.Kind
	videoRange bool // luma runs 16..235 and chroma 16..240 (VP8), not 0..255
}

// OpenFile reads the headers of the file at path and checks every page's size; no pixel is decoded. Close it when
// done. Errors are of type *Error.
func OpenFile(path string, opt Options) (*File, error) {
	src, err := openSource(path, opt.Stdin)
	if err != nil {
		return nil, err
	}
	f := &File{src: src, opt: opt}
	if err := src.guard(f.readHeaders); err != nil {
		src.Close()
		return nil, err
	}
	return f, nil
}

// Pages returns the number of pages, at least 1.
func (f *File) Pages() int { return len(f.pages) }

// Size returns the size in pixels that the header of a page promises, before it is turned upright; 0, 0 where there is
// no picture on it.
func (f *File) Size(n int) (w, h int) {
	if n < 0 || n >= len(f.pages) {
		return 0, 0
	}
	return f.pages[n].w, f.pages[n].h
}

// Format names the file's format in lower case: "png", "jpeg", "tiff", …
func (f *File) Format() string { return string(f.format) }

// Close releases the file.
func (f *File) Close() error { return f.src.Close() }

// Page decodes one page, counted from 0. Errors are of type *Error.
func (f *File) Page(n int) (*paper.Picture, error) {
	if n < 0 || n >= len(f.pages) {
		return nil, f.src.errorf(ErrNoPage, "has %d page(s), no page %d", len(f.pages), n+1)
	}
	var pic *paper.Picture
	err := f.src.guard(func() error {
		p := &f.pages[n]
		if p.err != nil {
			return p.err
		}
		h := p.header
		px, err := p.decode(&h)
		if err != nil {
			return err
		}
		pic, err = toPicture(px, h, f.opt)
		return err
	})
	if err != nil {
		return nil, err
	}
	pic.Name, pic.Format = f.src.name, string(f.format)
	return pic, nil
}

// readHeaders tells the format, reads the headers of all pages and holds them against the limits.
func (f *File) readHeaders() error {
	var err error
	if f.format, err = f.src.sniff(); err != nil {
		return err
	}
	if f.pages, err = read(f.format, f.src); err != nil {
		return err
	}
	limit := f.opt.MaxMegapixels
	if limit == 0 {
		limit = DefaultMaxMegapixels
	}
	for i := range f.pages {
		p := &f.pages[i]
		if p.err != nil {
			continue
		}
		if p.w <= 0 || p.h <= 0 {
			return f.src.errorf(ErrDamaged, "promises a picture of %d x %d pixels", p.w, p.h)
		}
		if mp := float64(p.w) * float64(p.h) / 1e6; mp > limit {
			e := f.src.errorf(ErrTooLarge, "promises %d x %d pixels (%.0f megapixels), the limit is %g", p.w, p.h, mp, limit)
			e.Hint = fmt.Sprintf("if the picture is really that large, allow it: --max-megapixels %.0f", mp+1)
			return e
		}
	}
	return nil
}

// guard runs one step of reading and turns its errors, and the panics of decoders, into *Error.
func (s *source) guard(step func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = s.errorf(ErrDamaged, "is damaged: the decoder gave up (%v)", oneLine(fmt.Sprint(r)))
		}
	}()
	return s.explain(step())
}

// explain gives an error of a decoder the file's name and plain words.
func (s *source) explain(err error) error {
	var own *Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &own):
		return own
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		e := s.errorf(ErrDamaged, "is cut short: the picture ends too early")
		e.Err = err
		return e
	}
	text := oneLine(err.Error())
	e := s.errorf(ErrDamaged, "is damaged: %s", text)
	if isUnsupported(err) {
		e = s.errorf(ErrUnsupported, "is of a variant that cannot be read: %s", text)
		e.Hint = "save it as PNG in the program that made it, then try again"
	}
	e.Err = err
	return e
}

// errorf returns an *Error about s.
func (s *source) errorf(kind error, text string, args ...any) *Error {
	return &Error{Name: s.name, Kind: kind, Text: fmt.Sprintf(text, args...)}
}

// oneLine keeps the first line of a message, cut to a length that fits a terminal.
func oneLine(text string) string {
	text, _, _ = strings.Cut(strings.TrimSpace(text), "\n")
	const most = 160
	if r := []rune(text); len(r) > most {
		text = string(r[:most]) + "…"
	}
	return text
}
