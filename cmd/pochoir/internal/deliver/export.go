// Package deliver turns a drawing into the files that picture libraries take: EPS, PDF, PNG and a JPEG preview, each
// with the drawing's metadata inside, and packs of them. It neither judges drawings (package check does) nor reads
// them (package svgout does). Most callers need only Export and Pack; all functions are safe to call concurrently as
// long as nobody changes the drawing meanwhile. The same drawing gives the same bytes on every machine.
package deliver

import (
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/svgout"
	"pochoir/trace"
)

// Format is a kind of file a drawing is delivered as.
type Format int

const (
	SVG Format = iota
	EPS
	PDF
	PNG
	JPEG
)

// formats lists every format with its usual ending and media type, in the order of the constants.
var formats = []struct {
	ending, media string
}{
	SVG:  {"svg", "image/svg+xml"},
	EPS:  {"eps", "application/postscript"},
	PDF:  {"pdf", "application/pdf"},
	PNG:  {"png", "image/png"},
	JPEG: {"jpg", "image/jpeg"},
}

// Ending returns the format's usual file ending, without the dot.
func (f Format) Ending() string { return formats[f].ending }

// FormatOf returns the format that a path's ending names: svg, eps, pdf, png, jpg or jpeg in any case.
func FormatOf(path string) (Format, error) {
	ending := strings.ToLower(strings.TrimPrefix(filepath.Ext(path), "."))
	if ending == "jpeg" {
		ending = "jpg"
	}
	for i, f := range formats {
		if f.ending == ending {
			return Format(i), nil
		}
	}
	return 0, fmt.Errorf("%s: no format has the ending %q; known are svg, eps, pdf, png, jpg", path, filepath.Ext(path))
}

// Options steer an export. The zero value is the good default.
type Options struct {
	// Area is the size of the drawing area in EPS and PDF in square units (points), 1e4 <= Area <= MaxArea. Zero means
	// DefaultArea. The longer side stays within MaxSide whatever Area says.
	Area float64
	// Megapixels is the size of PNG and JPEG in millions of pixels, 0.01 <= Megapixels <= MaxMegapixels. Zero means
	// DefaultMegapixels.
	Megapixels float64
	// Ground is the paper colour painted below the drawing in PNG and JPEG. Nil means none in PNG and white in JPEG.
	Ground *colour.RGB
	// Quality of the JPEG, 1..100. Zero means DefaultQuality.
	Quality int
}

// Sizes usual in the picture trade (common practice, no source), and limits.
const (
	DefaultArea       = 16e6 // square units
	DefaultMegapixels = 16.0
	DefaultQuality    = 96 // the mean difference from the vector is then well below one level
	MaxArea           = MaxSide * MaxSide
	MaxMegapixels     = 200.0
	// MaxSide is the longest side of a PDF page in points that every reader takes (ISO 32000-1, annex C, table C.1).
	MaxSide = 14400.0

	minArea       = 1e4
	minMegapixels = 0.01
)

func (o Options) filled() (Options, error) {
	if o.Area == 0 {
		o.Area = DefaultArea
	}
	if o.Megapixels == 0 {
		o.Megapixels = DefaultMegapixels
	}
	if o.Quality == 0 {
		o.Quality = DefaultQuality
	}
	switch {
	case !(o.Area >= minArea && o.Area <= MaxArea):
		return o, fmt.Errorf("drawing area of %g square units, want %g..%g", o.Area, float64(minArea), float64(MaxArea))
	case !(o.Megapixels >= minMegapixels && o.Megapixels <= MaxMegapixels):
		return o, fmt.Errorf("%g megapixels, want %g..%g", o.Megapixels, minMegapixels, MaxMegapixels)
	case o.Quality < 1 || o.Quality > 100:
		return o, fmt.Errorf("JPEG quality %d, want 1..100", o.Quality)
	}
	return o, nil
}

// Export writes d to w in the given format, its metadata inside. Errors: options out of range, a drawing without size
// or with coordinates that are no numbers, metadata that the format cannot carry (the text says which), or whatever w
// returns.
func Export(w io.Writer, d *trace.Drawing, f Format, opt Options) error {
	opt, err := opt.filled()
	if err != nil {
		return err
	}
	if err := sound(d); err != nil {
		return err
	}
	clean := *d
	if clean.Meta, err = meta.Clean(d.Meta); err != nil {
		return err
	}
	switch f {
	case SVG:
		return svgout.Write(w, &clean, svgout.Options{})
	case EPS:
		return writeEPS(w, &clean, opt)
	case PDF:
		return writePDF(w, &clean, opt)
	case PNG:
		return writePNG(w, &clean, opt)
	case JPEG:
		return writeJPEG(w, &clean, opt)
	}
	return fmt.Errorf("no such format: %d", int(f))
}

// sound reports what would make every format nonsense.
func sound(d *trace.Drawing) error {
	if !(d.Width > 0 && d.Height > 0 && d.Width < 1e6 && d.Height < 1e6) {
		return fmt.Errorf("drawing area of %g x %g px", d.Width, d.Height)
	}
	for _, l := range d.Layers {
		for _, s := range l.Shapes {
			for _, r := range s.Rings {
				for _, g := range r.Segments {
					for _, p := range g.P {
						if math.IsNaN(p.X+p.Y) || math.Abs(p.X) > 1e7 || math.Abs(p.Y) > 1e7 {
							return fmt.Errorf("layer %s: a point at (%g, %g)", l.Name, p.X, p.Y)
						}
					}
				}
			}
		}
	}
	return nil
}

// page is the drawing area of a vector format in points, y up.
type page struct {
	scale         float64 // points a pixel
	width, height float64
	tall          float64 // px
}

func newPage(d *trace.Drawing, area float64) page {
	scale := math.Sqrt(area / (d.Width * d.Height))
	if long := math.Max(d.Width, d.Height); long*scale > MaxSide {
		scale = MaxSide / long
	}
	return page{scale, d.Width * scale, d.Height * scale, d.Height}
}

// decimals is how many digits after the point a coordinate gets: with the usual area of 16 million square units, a
// hundredth is 0.001 px of a picture 512 px wide.
const decimals = 2

// appendNumber writes v with at most n digits after the point, n > 0, without trailing zeros, negative zero or exponent.
func appendNumber(b []byte, v float64, n int) []byte {
	start := len(b)
	b = strconv.AppendFloat(b, v, 'f', n, 64)
	for b[len(b)-1] == '0' {
		b = b[:len(b)-1]
	}
	if b[len(b)-1] == '.' {
		b = b[:len(b)-1]
	}
	if string(b[start:]) == "-0" {
		b = append(b[:start], '0')
	}
	return b
}

// operators are the words of a page description language for the parts of an outline.
type operators struct{ move, line, curve, shut, fill string }

// appendShape writes a shape as closed subpaths and one fill by the non-zero rule, as the SVG does. The straight line
// that closes a ring is left to the closing operator, so that no point lies on another.
func (p page) appendShape(b []byte, s trace.Shape, op operators) []byte {
	put := func(pt fit.Point) {
		b = appendNumber(b, float64(pt.X*p.scale), decimals)
		b = append(b, ' ')
		b = appendNumber(b, float64((p.tall-pt.Y)*p.scale), decimals)
		b = append(b, ' ')
	}
	drawn := false
	for _, r := range s.Rings {
		if len(r.Segments) == 0 {
			continue
		}
		drawn = true
		put(r.Segments[0].P[0])
		b = append(append(b, op.move...), '\n')
		for i, g := range r.Segments {
			switch {
			case g.Line && i == len(r.Segments)-1 && i > 0:
			case g.Line:
				put(g.P[3])
				b = append(append(b, op.line...), '\n')
			default:
				put(g.P[1])
				put(g.P[2])
				put(g.P[3])
				b = append(append(b, op.curve...), '\n')
			}
		}
		b = append(append(b, op.shut...), '\n')
	}
	if drawn {
		b = append(append(b, op.fill...), '\n')
	}
	return b
}

// appendColour writes the three channels as shares of one. Five digits bring each of the 256 levels back exactly.
func appendColour(b []byte, c colour.RGB) []byte {
	for _, v := range [3]uint8{c.R, c.G, c.B} {
		b = append(appendNumber(b, float64(v)/255, 5), ' ')
	}
	return b
}
