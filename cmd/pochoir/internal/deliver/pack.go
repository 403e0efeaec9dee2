package deliver

import (
	"bytes"
	"fmt"
	"strings"

	"pochoir/cmd/pochoir/internal/deliver/check"
	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/svgout"
	"pochoir/trace"
)

// Reminder stands on every pack.
const Reminder = "The receiving library's own terms, and the law on trademarks, designs and likenesses, decide what may be sold; " +
	"this tool does not."

// PackOptions steer a pack. The zero value is the good default.
type PackOptions struct {
	Terms   *check.Terms // nil means our own defaults
	Meta    trace.Meta   // fields set here go over those in the file
	Under   trace.Meta   // fields set here stand in for those that neither the file nor Meta has
	Name    string       // a title in the file that says no more than this counts as none
	Formats []Format     // nil means those of the terms, or all
	NoMend  bool         // leave everything as it is in the file
	Anyway  bool         // pack what a reviewer would refuse, too
}

// File is one file of a pack.
type File struct {
	Format Format
	Data   []byte
}

// Packed is what became of one drawing.
type Packed struct {
	Files   []File
	Meta    trace.Meta
	Report  *check.Report // of the delivered drawing
	Mended  []check.Mended
	Remarks []string // on the delivered files, such as one that is very large
}

// RefusedError says that a drawing was not packed because a reviewer would refuse it.
type RefusedError struct {
	Report *check.Report
}

// Error names the first refusal.
func (e *RefusedError) Error() string {
	for _, f := range e.Report.Findings {
		if f.Severity == check.Refusal {
			more := ""
			if n := e.Report.Refusals - 1; n > 0 {
				more = fmt.Sprintf(" and %d more", n)
			}
			return fmt.Sprintf("would be refused: %s: %s%s", f.Rule, f.Text, more)
		}
	}
	return "would be refused"
}

// Formats returns the formats of a list of endings.
func Formats(endings []string) ([]Format, error) {
	var out []Format
	for _, e := range endings {
		f, err := FormatOf("." + strings.TrimPrefix(strings.TrimSpace(e), "."))
		if err != nil {
			return nil, fmt.Errorf("there is no format %q; known are svg, eps, pdf, png, jpg", e)
		}
		for _, have := range out {
			if have == f {
				return nil, fmt.Errorf("the format %s stands twice", f.Ending())
			}
		}
		out = append(out, f)
	}
	return out, nil
}

// Pack makes all files of one drawing from the bytes of its SVG: checked, mended where that needs no person, metadata
// and preview inside. The error is a *RefusedError when the checks find what would be refused, unless Anyway is set;
// wraps check.ErrReadOnly or svgout.ErrForeign when the file is no layered drawing of filled outlines; or says why the
// file cannot be read.
func Pack(src []byte, opt PackOptions) (*Packed, error) {
	terms := opt.Terms
	if terms == nil {
		terms = &check.Terms{}
	}
	formats := opt.Formats
	if formats == nil {
		var err error
		if formats, err = Formats(terms.Pack.Formats); err != nil {
			return nil, err
		}
		if formats == nil {
			formats = []Format{SVG, EPS, PDF, PNG, JPEG}
		}
	}
	sheet, err := survey.Read(bytes.NewReader(src))
	if err != nil {
		return nil, err
	}
	sheet.Meta = meta.Merge(sheet.Meta, opt.Meta)
	words := sheet.Meta
	if words.Title == opt.Name {
		words.Title = ""
	}
	if sheet.Meta, err = meta.Clean(meta.Merge(sheet.Meta, meta.Merge(opt.Under, words))); err != nil {
		return nil, err
	}
	out := &Packed{Report: check.Check(sheet, terms)}
	var d *trace.Drawing
	if out.Report.Mendable() && !opt.NoMend {
		d, out.Mended, err = check.Mend(sheet, terms)
	} else {
		d, err = svgout.Read(bytes.NewReader(src))
	}
	if err != nil {
		if out.Report.Refusals > 0 {
			return nil, &RefusedError{out.Report}
		}
		return nil, err
	}
	if out.Mended == nil {
		d.Meta = sheet.Meta
	}
	if len(out.Mended) > 0 {
		if out.Report, err = check.OfDrawing(d, terms); err != nil {
			return nil, err
		}
	}
	out.Meta = d.Meta
	if out.Report.Refusals > 0 && !opt.Anyway {
		return nil, &RefusedError{out.Report}
	}
	for _, f := range formats {
		var b bytes.Buffer
		if err := Export(&b, d, f, Options{Area: terms.Area.Aim, Megapixels: terms.Preview.Megapixels}); err != nil {
			return nil, err
		}
		if mb := float64(b.Len()) / 1e6; mb > terms.MaxMegabytes() {
			out.Remarks = append(out.Remarks, fmt.Sprintf("the %s has %.1f MB, at most %g are usual", strings.ToUpper(f.Ending()), mb,
				terms.MaxMegabytes()))
		}
		out.Files = append(out.Files, File{f, b.Bytes()})
	}
	return out, nil
}
