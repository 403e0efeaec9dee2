package sketchbook

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"html/template"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"sync"

	"github.com/fogleman/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/svgout"
	"pochoir/trace/paper"
	"pochoir/trace/proof"
)

// The contact sheet shows every plate beside its original. The small pictures for it are made when a plate is traced and
// kept, two side by side, so that a later run need not open everything again.

const (
	panelSide   = 240 // px, longer side of a small picture
	panelGap    = 8
	pairQuality = 85
)

// writePair writes the small pictures of a plate and returns the file's hash.
func (r *run) writePair(name string) (string, error) {
	pic, err := intake.Open(r.picturePath(name), intake.Options{MaxMegapixels: 1e6, Workers: 1})
	if err != nil {
		return "", err
	}
	text, err := os.ReadFile(r.drawingPath(name))
	if err != nil {
		return "", err
	}
	d, err := svgout.Read(bytes.NewReader(text))
	if err != nil {
		return "", fmt.Errorf("%s: %w", r.drawingPath(name), err)
	}
	left := reduced(pic, panelSide)
	scale := math.Min(panelSide/math.Max(d.Width, d.Height), 1)
	right := proof.Render(d, scale, color.White)
	h := max(left.Rect.Dy(), right.Rect.Dy())
	m := image.NewRGBA(image.Rect(0, 0, 2*panelSide+panelGap, h))
	draw.Draw(m, m.Rect, image.White, image.Point{}, draw.Src)
	for i, p := range []*image.RGBA{left, right} {
		at := image.Pt(i*(panelSide+panelGap)+(panelSide-p.Rect.Dx())/2, (h-p.Rect.Dy())/2)
		draw.Draw(m, p.Rect.Add(at), p, image.Point{}, draw.Src)
	}
	sum := sha256.New()
	err = atomicfile.WriteUnsynced(r.pairPath(name), func(w io.Writer) error {
		return jpeg.Encode(io.MultiWriter(w, sum), m, &jpeg.Options{Quality: pairQuality})
	})
	return hex.EncodeToString(sum.Sum(nil)), err
}

// reduced is a picture at most side px long, each pixel the mean of those it covers, in whole numbers. A smaller picture
// keeps its size.
func reduced(p *paper.Picture, side int) *image.RGBA {
	long := max(p.W, p.H)
	w, h := p.W, p.H
	if long > side {
		w, h = max(1, (p.W*side+long/2)/long), max(1, (p.H*side+long/2)/long)
	}
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		y0, y1 := y*p.H/h, max(y*p.H/h+1, (y+1)*p.H/h)
		for x := range w {
			x0, x1 := x*p.W/w, max(x*p.W/w+1, (x+1)*p.W/w)
			var sum [3]int
			for v := y0; v < y1; v++ {
				for row := p.Pix[4*(v*p.W+x0) : 4*(v*p.W+x1)]; len(row) >= 4; row = row[4:] {
					sum[0] += int(row[0])
					sum[1] += int(row[1])
					sum[2] += int(row[2])
				}
			}
			n := (y1 - y0) * (x1 - x0)
			q := m.Pix[m.PixOffset(x, y):]
			for k, s := range sum {
				q[k] = uint8((s + n/2) / n)
			}
			q[3] = 255
		}
	}
	return m
}

// Limits above which a drawing deserves a look. Choices of ours.
const (
	farOff       = 3.0  // px of deviation, or three tolerances
	manySegments = 4000 // segments of one drawing
	manyColours  = 24
)

// card is one plate, or one page without plates, on the contact sheet.
type card struct {
	Name, Page string
	Error      string
	Warnings   []string
	Figures    []string
	Swatches   []template.CSS
	Drawing    string // href, "" when there is none
	Picture    string // href
	Pair       template.URL
	pair       string // path
}

// severity orders cards: failures, warnings, the rest.
func (c *card) severity() int {
	switch {
	case c.Error != "":
		return 0
	case len(c.Warnings) > 0:
		return 1
	}
	return 2
}

// cards lists what the contact sheet shows, what needs a look first.
func (r *run) cards() []card {
	var list []card
	for _, p := range r.list.Pages {
		res := r.done[p]
		if res == nil {
			continue
		}
		page := r.title(p)
		if res.err != nil {
			list = append(list, card{Name: page, Page: page, Error: res.err.Text})
			continue
		}
		if len(res.plates) == 0 && len(p.Plates) == 0 {
			list = append(list, card{Name: page, Page: page, Warnings: []string{"no drawing was found on this page"}})
		}
		for _, q := range res.plates {
			c := card{Name: q.plate.Name, Page: page, Picture: PlateFolder + "/" + q.plate.Name + ".png"}
			if q.err != nil {
				c.Error = q.err.Text
				list = append(list, c)
				continue
			}
			f := &q.rec.Figures
			c.Drawing, c.pair = q.plate.Name+".svg", r.pairPath(q.plate.Name)
			c.Warnings = warnings(f, res.cut, q.plate)
			c.Figures = []string{
				f.Kind + ", " + f.Medium,
				fmt.Sprintf("%d colours, %d shapes, %d segments", f.Layers, f.Shapes, f.Segments),
				fmt.Sprintf("deviation %.2f px, worst %.2f", f.Mean, f.Worst),
				fmt.Sprintf("%.1f kB", float64(f.Bytes)/1000),
			}
			for _, s := range f.Palette {
				hex, _, _ := strings.Cut(s, " ")
				c.Swatches = append(c.Swatches, template.CSS("background:"+hex))
			}
			list = append(list, c)
		}
	}
	slices.SortStableFunc(list, func(a, b card) int { return a.severity() - b.severity() })
	return list
}

// warnings says what about a drawing deserves a look.
func warnings(f *Figures, cut *cutRecord, p Plate) []string {
	var w []string
	if f.Shapes == 0 {
		w = append(w, "nothing was drawn")
	}
	if f.Worst > math.Max(farOff, 3*f.Tolerance) {
		w = append(w, fmt.Sprintf("an outline is %.1f px off", f.Worst))
	}
	if f.Segments > manySegments {
		w = append(w, fmt.Sprintf("%d segments", f.Segments))
	}
	if f.Layers > manyColours {
		w = append(w, fmt.Sprintf("%d colours", f.Layers))
	}
	if cut != nil {
		for _, b := range cut.Plates {
			if b.AtRim && boxOf(b.Box) == p.Box {
				w = append(w, "it runs into the rim of the page")
			}
		}
		for _, n := range cut.Notes {
			if why, ok := strings.CutPrefix(n, "not straightened: "); ok {
				w = append(w, "the page was not straightened: "+why)
			}
		}
	}
	return w
}

//go:embed contact.html
var contactPage string

var contactTemplate = sync.OnceValue(func() *template.Template { return template.Must(template.New("contact").Parse(contactPage)) })

// writeContact writes the contact sheet, as a page and as a picture, and returns how many cards have warnings.
func (r *run) writeContact() (warned int, err error) {
	cards := r.cards()
	drawings, failed := 0, 0
	for i := range cards {
		c := &cards[i]
		switch c.severity() {
		case 0:
			failed++
		case 1:
			warned++
		}
		if c.pair == "" {
			continue
		}
		drawings++
		b, err := os.ReadFile(c.pair)
		if err != nil {
			return 0, fmt.Errorf("%s: cannot be read: %w", c.pair, bare(err))
		}
		c.Pair = template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(b))
	}
	err = atomicfile.Write(r.path(ContactHTML), func(w io.Writer) error {
		return contactTemplate().Execute(w, map[string]any{"Cards": cards, "Drawings": drawings, "Pages": len(r.done), "Failed": failed, "Warned": warned,
			"Wide": 2*panelSide + panelGap})
	})
	if err != nil {
		return 0, err
	}
	m, err := contactPicture(cards)
	if err != nil {
		return 0, err
	}
	quick := png.Encoder{CompressionLevel: png.BestSpeed} // all processors but one wait for it
	return warned, atomicfile.Write(r.path(ContactPNG), func(w io.Writer) error { return quick.Encode(w, m) })
}

// The contact picture holds at most so many pixels; with more plates they are shown smaller.
const (
	contactPixels = 24e6
	contactWide   = 1600
	leastPair     = 120 // px, width of a pair
)

// contactPicture paints the cards side by side.
func contactPicture(cards []card) (*image.RGBA, error) {
	const margin, gap, line = 24, 16, 17
	words := 5 * line
	wide := 2*panelSide + panelGap
	columns := func() int { return max(1, (contactWide-2*margin+gap)/(wide+gap)) }
	high := func() int { return wide/2 + words + gap }
	for wide > leastPair && float64((len(cards)+columns()-1)/columns()*high())*contactWide > contactPixels {
		wide = wide * 9 / 10
		if wide < 300 {
			words = 2 * line
		}
	}
	rows := (len(cards) + columns() - 1) / columns()
	m := image.NewRGBA(image.Rect(0, 0, contactWide, 2*margin+48+rows*high()))
	dc := gg.NewContextForRGBA(m)
	dc.SetRGB255(0xf3, 0xf0, 0xea)
	dc.Clear()
	small, err := typeface(goregular.TTF, 12.5)
	if err != nil {
		return nil, err
	}
	bold, err := typeface(gobold.TTF, 13)
	if err != nil {
		return nil, err
	}
	dc.SetFontFace(bold)
	dc.SetRGB255(0x2b, 0x29, 0x26)
	dc.DrawString(fmt.Sprintf("%d plates, each beside its original", len(cards)), margin, margin+16)
	for i := range cards {
		c := &cards[i]
		x, y := margin+i%columns()*(wide+gap), margin+48+i/columns()*high()
		if c.pair != "" {
			b, err := os.ReadFile(c.pair)
			if err != nil {
				return nil, fmt.Errorf("%s: cannot be read: %w", c.pair, bare(err))
			}
			pair, err := jpeg.Decode(bytes.NewReader(b))
			if err != nil {
				return nil, fmt.Errorf("%s: %w", c.pair, err)
			}
			p := asPicture(pair)
			s := reduced(p, wide)
			draw.Draw(m, s.Rect.Add(image.Pt(x, y+(wide/2-min(wide/2, s.Rect.Dy()))/2)), s, image.Point{}, draw.Src)
		} else {
			dc.SetRGB255(0xe2, 0xdd, 0xd2)
			dc.DrawRectangle(float64(x), float64(y), float64(wide), float64(wide/2))
			dc.Fill()
		}
		texts := append([]string{}, c.Warnings...)
		if c.Error != "" {
			texts = []string{c.Error}
		}
		marked := len(texts)
		if len(c.Figures) > 1 {
			texts = append(texts, c.Figures[1:]...)
		}
		top := y + wide/2
		for k, t := range append([]string{c.Name}, texts...) {
			if (k+1)*line > words {
				break
			}
			dc.SetFontFace(small)
			dc.SetRGB255(0x5d, 0x58, 0x50)
			switch {
			case k == 0:
				dc.SetFontFace(bold)
				dc.SetRGB255(0x2b, 0x29, 0x26)
			case k <= marked:
				dc.SetRGB255(0xb0, 0x38, 0x20)
			}
			dc.DrawString(fitting(dc, t, float64(wide)), float64(x), float64(top+(k+1)*line-3))
		}
	}
	return m, nil
}

// asPicture takes the pixels of an image.
func asPicture(m image.Image) *paper.Picture {
	b := m.Bounds()
	n := image.NewNRGBA(image.Rect(0, 0, b.Dx(), b.Dy()))
	draw.Draw(n, n.Rect, m, b.Min, draw.Src)
	return &paper.Picture{W: b.Dx(), H: b.Dy(), Pix: n.Pix}
}

// fitting cuts a text to a width.
func fitting(dc *gg.Context, t string, wide float64) string {
	if w, _ := dc.MeasureString(t); w <= wide {
		return t
	}
	runes := []rune(t)
	for len(runes) > 1 {
		runes = runes[:len(runes)-1]
		if w, _ := dc.MeasureString(string(runes) + "…"); w <= wide {
			break
		}
	}
	return string(runes) + "…"
}

func typeface(ttf []byte, size float64) (font.Face, error) {
	f, err := opentype.Parse(ttf)
	if err != nil {
		return nil, err
	}
	return opentype.NewFace(f, &opentype.FaceOptions{Size: size, DPI: 72})
}
