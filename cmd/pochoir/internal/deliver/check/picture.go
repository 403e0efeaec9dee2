package check

import (
	"fmt"
	"image"
	"math"
	"strings"

	"github.com/fogleman/gg"
	"github.com/golang/freetype/truetype"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
)

// Layout of the marked picture, in pixels.
const (
	pictureSide = 1200.0 // longer side of the drawing
	legendWide  = 560.0
	pictureRim  = 24.0
	rowHigh     = 34.0
	badgeRadius = 11.0
	mostMarks   = 60 // places marked; the legend says how many more there are
)

// markColours are what each severity is marked in: dark red, orange, blue; all readable on white.
var markColours = map[Severity][3]float64{
	Refusal: {0.75, 0.05, 0.10}, Warning: {0.80, 0.42, 0.0}, Note: {0.10, 0.35, 0.70},
}

// Picture draws a surveyed file, faded, with a numbered frame around every place that the report names, and a legend
// that says what each number stands for. Places beyond mostMarks are only counted.
func Picture(s *survey.Sheet, r *Report) (image.Image, error) {
	k := pictureSide / math.Max(s.Width, s.Height)
	w, h := s.Width*k, s.Height*k
	shown := r.Findings
	if len(shown) > mostMarks {
		shown = shown[:mostMarks]
	}
	rows := len(shown)
	if rest := total(r) - len(shown); rest > 0 {
		rows++
	}
	height := math.Max(h+2*pictureRim, float64(rows+2)*rowHigh+2*pictureRim)
	dc := gg.NewContext(int(w+legendWide+3*pictureRim), int(height))
	dc.SetRGB(1, 1, 1)
	dc.Clear()

	at := func(p fit.Point) (x, y float64) { return pictureRim + p.X*k, pictureRim + p.Y*k }
	dc.DrawRectangle(pictureRim, pictureRim, w, h)
	dc.SetRGB(0.97, 0.97, 0.97)
	dc.FillPreserve()
	dc.SetRGB(0.6, 0.6, 0.6)
	dc.SetLineWidth(1)
	dc.Stroke()
	for i := range s.Marks {
		drawMark(dc, &s.Marks[i], at, k)
	}
	plain, bold, err := faces()
	if err != nil {
		return nil, err
	}
	x, y := w+2*pictureRim, pictureRim+rowHigh/2
	dc.SetFontFace(bold)
	dc.SetRGB(0.1, 0.1, 0.1)
	dc.DrawStringAnchored(fmt.Sprintf("%d refusals, %d warnings, %d notes", r.Refusals, r.Warnings, r.Notes), x, y, 0, 0.35)
	for i, f := range shown {
		c := markColours[f.Severity]
		y += rowHigh
		badge(dc, bold, i+1, x+badgeRadius, y, c)
		dc.SetRGB(0.1, 0.1, 0.1)
		dc.SetFontFace(bold)
		dc.DrawStringAnchored(Rules[ruleIndex[f.Rule]].Title, x+3*badgeRadius, y-7, 0, 0.35)
		dc.SetFontFace(plain)
		dc.DrawStringAnchored(fitText(dc, f.Text, legendWide-3*badgeRadius), x+3*badgeRadius, y+8, 0, 0.35)
		if f.Box == nil {
			continue
		}
		x0, y0 := at(fit.Point{X: f.Box.MinX, Y: f.Box.MinY})
		x1, y1 := at(fit.Point{X: f.Box.MaxX, Y: f.Box.MaxY})
		const least = 8.0
		if grow := (least - (x1 - x0)) / 2; grow > 0 {
			x0, x1 = x0-grow, x1+grow
		}
		if grow := (least - (y1 - y0)) / 2; grow > 0 {
			y0, y1 = y0-grow, y1+grow
		}
		clampX := func(v float64) float64 { return math.Min(math.Max(v, pictureRim/2), w+1.5*pictureRim) }
		clampY := func(v float64) float64 { return math.Min(math.Max(v, pictureRim/2), h+1.5*pictureRim) }
		x0, x1, y0, y1 = clampX(x0), clampX(x1), clampY(y0), clampY(y1)
		dc.DrawRectangle(x0, y0, x1-x0, y1-y0)
		dc.SetRGB(c[0], c[1], c[2])
		dc.SetLineWidth(2)
		dc.Stroke()
		badge(dc, bold, i+1, x0, y0, c)
	}
	if rest := total(r) - len(shown); rest > 0 {
		dc.SetFontFace(plain)
		dc.SetRGB(0.1, 0.1, 0.1)
		dc.DrawStringAnchored(fmt.Sprintf("and %d more", rest), x+3*badgeRadius, y+rowHigh, 0, 0.35)
	}
	return dc.Image(), nil
}

func total(r *Report) int { return r.Refusals + r.Warnings + r.Notes }

// drawMark paints a mark in its own colours, half of it white.
func drawMark(dc *gg.Context, m *survey.Mark, at func(fit.Point) (x, y float64), k float64) {
	if !m.Visible() {
		return
	}
	for _, s := range m.Subpaths {
		dc.MoveTo(at(s.Start))
		for _, g := range s.Path.Segments {
			if g.Line {
				dc.LineTo(at(g.P[3]))
				continue
			}
			x1, y1 := at(g.P[1])
			x2, y2 := at(g.P[2])
			x3, y3 := at(g.P[3])
			dc.CubicTo(x1, y1, x2, y2, x3, y3)
		}
		if s.Path.Closed {
			dc.ClosePath()
		}
	}
	const fade = 0.5
	pale := func(v uint8) float64 { return 1 - fade*(1-float64(v)/255) }
	if m.Fill != survey.NoPaint {
		if m.EvenOdd {
			dc.SetFillRuleEvenOdd()
		} else {
			dc.SetFillRuleWinding()
		}
		dc.SetRGBA(pale(m.FillColour.R), pale(m.FillColour.G), pale(m.FillColour.B), m.Opacity*m.FillAlpha)
		dc.FillPreserve()
	}
	if m.Stroke != survey.NoPaint && m.StrokeWidth > 0 {
		dc.SetRGBA(pale(m.StrokeColour.R), pale(m.StrokeColour.G), pale(m.StrokeColour.B), m.Opacity)
		dc.SetLineWidth(m.StrokeWidth * k)
		dc.StrokePreserve()
	}
	dc.ClearPath()
}

func badge(dc *gg.Context, face font.Face, n int, x, y float64, c [3]float64) {
	dc.DrawCircle(x, y, badgeRadius)
	dc.SetRGB(c[0], c[1], c[2])
	dc.Fill()
	dc.SetFontFace(face)
	dc.SetRGB(1, 1, 1)
	dc.DrawStringAnchored(fmt.Sprint(n), x, y, 0.5, 0.35)
}

// faces returns the two fonts of the legend.
func faces() (plain, bold font.Face, err error) {
	const points = 13
	for i, ttf := range [][]byte{goregular.TTF, gobold.TTF} {
		f, err := truetype.Parse(ttf)
		if err != nil {
			return nil, nil, err
		}
		face := truetype.NewFace(f, &truetype.Options{Size: points, Hinting: font.HintingFull})
		if i == 0 {
			plain = face
		} else {
			bold = face
		}
	}
	return plain, bold, nil
}

// fitText cuts s to a width in pixels.
func fitText(dc *gg.Context, s string, width float64) string {
	s = strings.Join(strings.Fields(s), " ")
	if w, _ := dc.MeasureString(s); w <= width {
		return s
	}
	r := []rune(s)
	for len(r) > 0 {
		r = r[:len(r)-1]
		if w, _ := dc.MeasureString(string(r) + "…"); w <= width {
			break
		}
	}
	return string(r) + "…"
}
