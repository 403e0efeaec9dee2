package intake

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"

	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu"
	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu/model"
	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu/validate"
)

// pdfSetup keeps the PDF library from making a folder for settings in the user's home.
var pdfSetup = sync.OnceFunc(func() { model.ConfigPath = "disable" })

// readPDF finds the scan on each page of a PDF file: its one picture, or the one that makes up nearly all of the page.
// Nothing is painted: the picture is taken out as it was put in. A page without a scan fails when it is asked for, so
// that the others can be had.
func readPDF(s *source) ([]page, error) {
	// The library mends files whose end is missing; but a scan that is not all there must not pass for one.
	tail, err := s.bytes(max(s.size-pdfTail, 0), min(s.size, pdfTail))
	if err != nil {
		return nil, err
	}
	if !bytes.Contains(tail, []byte("startxref")) {
		return nil, io.ErrUnexpectedEOF
	}
	pdfSetup()
	ctx, err := pdfContext(s.reader())
	if err != nil {
		text := strings.ToLower(err.Error())
		if strings.Contains(text, "password") || strings.Contains(text, "encrypt") {
			e := s.errorf(ErrUnsupported, "is a PDF locked by a password")
			e.Hint = "unlock it, or export its pages as PNG"
			return nil, e
		}
		return nil, fmt.Errorf("the PDF cannot be read (%s)", lastPart(err))
	}
	pages := make([]page, ctx.PageCount)
	if len(pages) == 0 {
		return nil, errors.New("the PDF has no pages")
	}
	if len(pages) > maxPages {
		return nil, s.errorf(ErrTooLarge, "has %d pages, at most %d can be read", len(pages), maxPages)
	}
	for i := range pages {
		pages[i] = s.pdfPage(ctx, i+1)
	}
	return pages, nil
}

// pdfContext reads, checks and tidies the tables of a PDF file. The library's package for whole commands does the same,
// but brings along tables for forms whose making takes every start of the program a tenth of a large picture's time.
func pdfContext(r io.ReadSeeker) (*model.Context, error) {
	ctx, err := pdfcpu.Read(r, model.NewDefaultConfiguration())
	if err != nil {
		return nil, err
	}
	if err := validate.XRefTable(ctx); err != nil {
		return nil, err
	}
	return ctx, pdfcpu.OptimizeXRefTable(ctx)
}

// pdfTail is how far from the end of a PDF file its "startxref" may stand, in bytes: the specification has it on the
// last lines (ISO 32000-1 §7.5.5), some writers put rubbish behind.
const pdfTail = 4096

// lastPart is the innermost text of a chain of errors.
func lastPart(err error) string {
	text := oneLine(err.Error())
	if i := strings.LastIndex(text, ": "); i >= 0 {
		text = text[i+2:]
	}
	return text
}

// mostOfPage is the share of all pixels of a page that a picture must have to be the scan, where there are others.
const mostOfPage = 0.9

// pdfPage finds the scan of page n, counted from 1.
func (s *source) pdfPage(ctx *model.Context, n int) page {
	fail := func(err error) page { return page{err: err} }
	found, err := pdfcpu.ExtractPageImages(ctx, n, true)
	if err != nil && len(found) == 0 {
		return fail(s.noScan(n, "holds a picture that cannot be taken out"))
	}
	var scan model.Image
	sum, most := 0.0, 0.0
	for _, nr := range pdfcpu.ImageObjNrs(ctx, n) {
		m, ok := found[nr]
		if !ok || m.Thumb {
			continue
		}
		area := float64(m.Width) * float64(m.Height)
		sum += area
		if area > most {
			scan, most = m, area
		}
	}
	switch {
	case most == 0:
		return fail(s.noScan(n, "holds no scan; it is drawn or written"))
	case most < mostOfPage*sum:
		return fail(s.noScan(n, fmt.Sprintf("holds %d pictures, none of which is the whole page", len(found))))
	}
	p := page{header: header{w: scan.Width, h: scan.Height}}
	dict, _, inherited, err := ctx.PageDict(n, false)
	if err == nil && dict != nil {
		if content, err := ctx.PageContent(dict, n); err == nil {
			p.place(placement(content, scan.Name), inherited.Rotate)
		}
	}
	p.decode = func(h *header) (pixels, error) {
		object := ctx.Optimize.ImageObjects[scan.ObjNr]
		m, err := pdfcpu.ExtractImage(ctx, object.ImageDict, false, scan.Name, scan.ObjNr, false)
		if err != nil || m == nil || m.Reader == nil {
			return pixels{}, s.noScan(n, "holds a picture that cannot be taken out")
		}
		if m.FileType == "jpx" || m.FileType == "jbig2" {
			return pixels{}, s.noScan(n, "holds a scan in "+strings.ToUpper(m.FileType)+" coding, which cannot be read")
		}
		b, err := io.ReadAll(m.Reader)
		if err != nil {
			return pixels{}, err
		}
		return s.within(b, h)
	}
	return p
}

// noScan reports a page that yields no picture.
func (s *source) noScan(n int, why string) *Error {
	e := s.errorf(ErrUnsupported, "page %d %s", n, why)
	e.Hint = "export the page as PNG, at 300 dots an inch or more"
	return e
}

// within decodes a picture file that lies in another. Its own header says how it is coded and coloured; how it lies on
// the page is known already.
func (s *source) within(file []byte, h *header) (pixels, error) {
	inner := &source{name: s.name, r: bytes.NewReader(file), size: int64(len(file))}
	kind, err := inner.sniff()
	if err != nil {
		return pixels{}, err
	}
	pages, err := read(kind, inner)
	if err != nil {
		return pixels{}, err
	}
	own := pages[0].header
	// What a picture in a file says of its size is what the file says of it, or the limits were held against a lie.
	if own.w > h.w || own.h > h.h {
		return pixels{}, fmt.Errorf("a picture of %d x %d pixels is given out as one of %d x %d", own.w, own.h, h.w, h.h)
	}
	h.lossy, h.subsampled, h.icc = own.lossy, own.subsampled, own.icc
	return pages[0].decode(h)
}

// matrix2 is the linear part of a PDF transform: a step to the right becomes (a, b), one up (c, d).
type matrix2 struct{ a, b, c, d float64 }

// mul returns the transform that does m, then n.
func (m matrix2) mul(n matrix2) matrix2 {
	return matrix2{
		float64(m.a*n.a) + float64(m.b*n.c), float64(m.a*n.b) + float64(m.b*n.d),
		float64(m.c*n.a) + float64(m.d*n.c), float64(m.c*n.b) + float64(m.d*n.d),
	}
}

// placement reads off a page's content how the picture of that name is placed: the transform in force where it is
// painted (ISO 32000-1 §8.3.4 and §8.8). It is the zero matrix where that cannot be told.
func placement(content []byte, name string) matrix2 {
	now := matrix2{1, 0, 0, 1}
	var stack []matrix2
	var operands []string
	for _, word := range strings.Fields(string(content)) {
		switch word {
		case "q":
			stack = append(stack, now)
		case "Q":
			if n := len(stack); n > 0 {
				now, stack = stack[n-1], stack[:n-1]
			}
		case "cm":
			if n := len(operands); n >= 6 {
				var v [4]float64
				for i := range v {
					v[i], _ = strconv.ParseFloat(operands[n-6+i], 64)
				}
				now = matrix2{v[0], v[1], v[2], v[3]}.mul(now)
			}
		case "Do":
			if n := len(operands); n > 0 && operands[n-1] == "/"+name {
				return now
			}
		default:
			operands = append(operands, word)
			continue
		}
		operands = operands[:0]
	}
	return matrix2{}
}

// place sets the turn and the resolution of a scan that m puts on a page which is shown turned clockwise by so many
// degrees (ISO 32000-1 table 30, Rotate).
func (p *page) place(m matrix2, rotate int) {
	if m == (matrix2{}) {
		m = matrix2{1, 0, 0, 1}
	} else {
		p.dpi = knownDPI(float64(p.w) * 72 / math.Hypot(m.a, m.b))
	}
	// With y pointing down, as on a screen: where a step to the right and one down in the picture lead on the page.
	rx, ry, dx, dy := m.a, -m.b, -m.c, m.d
	for range ((rotate%360 + 360) % 360) / 90 {
		rx, ry, dx, dy = -ry, rx, -dy, dx
	}
	if math.Abs(rx) >= math.Abs(ry) {
		p.turn = [2][2]int{{1, 4}, {2, 3}}[below(rx)][below(dy)]
	} else {
		p.turn = [2][2]int{{5, 6}, {8, 7}}[below(ry)][below(dx)]
	}
}

// below is 1 for a negative number, else 0.
func below(v float64) int {
	if v < 0 {
		return 1
	}
	return 0
}
