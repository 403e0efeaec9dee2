package svgout

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"pochoir/quantize/colour"
	"pochoir/trace"
)

// ErrForeign is the kind of the error that Read and Recolour return for a file that is sound SVG but holds what no
// drawing of ours does, such as a stroke, a gradient, a transform or a path outside a layer.
var ErrForeign = errors.New("svgout: not a layered drawing")

const (
	// MaxBytes is the largest file that Read takes, a good six times the largest drawing worth delivering.
	MaxBytes = 64 << 20
	mostDeep = 64 // nested elements
)

const svgSpace = "http://www.w3.org/2000/svg"

// Read reads a file that Write has written and returns the drawing.
//
// A file from elsewhere, or one of ours that an editor has saved, is read too if it holds nothing but filled paths in
// groups: fills may be given by attribute or style, inherited, as hex, rgb() or CSS name; groups may be nested; path
// data may use the whole grammar; both fill rules are understood; elements of other namespaces are passed over. The
// name of a layer is the id of the group that sets its fill. A path of several separate areas becomes several shapes.
// A subpath without area changes nothing and is dropped.
//
// The error is of kind ErrForeign for sound SVG that is no such drawing; any other error means that the file is
// broken, longer than MaxBytes or could not be read. Both give the line.
func Read(r io.Reader) (*trace.Drawing, error) {
	src, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("svgout: %w", err)
	}
	return read(src)
}

func read(src []byte) (*trace.Drawing, error) {
	if len(src) > MaxBytes {
		return nil, fmt.Errorf("svgout: more than %d MB", MaxBytes>>20)
	}
	p := reader{dec: xml.NewDecoder(bytes.NewReader(src)), layers: make(map[string]int), ids: make(map[string]bool)}
	if err := p.read(); err != nil {
		return nil, err
	}
	return &p.d, nil
}

// look is what an element paints with, inherited from its parents where it says nothing itself.
type look struct {
	fill    colour.RGB
	evenOdd bool
	none    bool // fill="none"
}

// frame is an open element.
type frame struct {
	look
	id   string
	sets bool // it sets the fill itself
}

type reader struct {
	dec    *xml.Decoder
	line   int // of the token at hand
	d      trace.Drawing
	dx, dy float64 // origin of the viewBox, px
	stack  []frame
	layers map[string]int  // index of each layer by name
	ids    map[string]bool // of layers and shapes
}

func (p *reader) broken(format string, a ...any) error {
	return fmt.Errorf("svgout: line %d: %s", p.line, fmt.Sprintf(format, a...))
}

func (p *reader) foreign(format string, a ...any) error {
	return fmt.Errorf("%w: line %d: %s", ErrForeign, p.line, fmt.Sprintf(format, a...))
}

// token returns the next token.
func (p *reader) token() (xml.Token, error) {
	p.line, _ = p.dec.InputPos()
	t, err := p.dec.Token()
	if err == nil {
		if d, ok := t.(xml.Directive); ok && bytes.Contains(d, []byte("<!ENTITY")) {
			return nil, p.broken("entity declarations are refused")
		}
		return t, nil
	}
	if err == io.EOF {
		return nil, err
	}
	p.line, _ = p.dec.InputPos()
	var bad *xml.SyntaxError
	if errors.As(err, &bad) {
		return nil, p.broken("%s", bad.Msg)
	}
	return nil, p.broken("%v", err)
}

func (p *reader) read() error {
	for {
		t, err := p.token()
		if err == io.EOF {
			return fmt.Errorf("svgout: no <svg> element")
		}
		if err != nil {
			return err
		}
		e, ok := t.(xml.StartElement)
		if !ok {
			continue
		}
		if e.Name.Local != "svg" || e.Name.Space != svgSpace {
			return p.broken("the file begins with <%s>, not with <svg> in the namespace of SVG", e.Name.Local)
		}
		if err := p.root(e); err != nil {
			return err
		}
		break
	}
	for len(p.stack) > 0 {
		t, err := p.token()
		if err == io.EOF {
			return p.broken("unexpected EOF")
		}
		if err != nil {
			return err
		}
		switch e := t.(type) {
		case xml.StartElement:
			err = p.element(e)
		case xml.EndElement:
			p.stack = p.stack[:len(p.stack)-1]
		case xml.CharData:
			if len(bytes.TrimSpace(e)) > 0 {
				err = p.foreign("text outside the title")
			}
		}
		if err != nil {
			return err
		}
	}
	p.d.Meta = cleanMeta(p.d.Meta)
	return p.rest()
}

// rest reads what follows the root element: nothing but comments and white space.
func (p *reader) rest() error {
	for {
		t, err := p.token()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		switch e := t.(type) {
		case xml.StartElement:
			return p.broken("<%s> after the end of <svg>", e.Name.Local)
		case xml.CharData:
			if len(bytes.TrimSpace(e)) > 0 {
				return p.broken("text after the end of <svg>")
			}
		}
	}
}

// root reads the size and opens the outermost frame.
func (p *reader) root(e xml.StartElement) error {
	f, err := p.frame(e, frame{})
	if err != nil {
		return err
	}
	p.stack = append(p.stack, f)
	var width, height length
	var box []float64
	for _, a := range e.Attr {
		if a.Name.Space != "" {
			continue
		}
		switch a.Name.Local {
		case "width":
			width, err = parseLength(a.Value)
		case "height":
			height, err = parseLength(a.Value)
		case "viewBox":
			box, err = parseBox(a.Value)
		}
		if err != nil {
			return p.broken("%s: %v", a.Name.Local, err)
		}
	}
	if box == nil {
		if width.v == 0 || height.v == 0 {
			return p.foreign("neither a viewBox nor a width and height")
		}
		box = []float64{0, 0, width.px(), height.px()}
	}
	p.dx, p.dy = box[0], box[1]
	p.d.Width, p.d.Height = box[2], box[3]
	for _, v := range box[2:] {
		if !(v >= leastExtent && v <= mostExtent) {
			return p.broken("the drawing is %v x %v, want sides of 1 to %.0f", box[2], box[3], mostExtent)
		}
	}
	if width.mm > 0 && height.mm > 0 {
		p.d.DPI = math.Min(mostDPI, density(p.d.Width, p.d.Height, width.v*width.mm, height.v*height.mm))
	}
	return nil
}

// length is a number with a unit; mm is the unit in millimetres, 0 when it is pixels or a percentage. Its zero value
// is a missing length.
type length struct{ v, mm float64 }

// px returns the length in CSS pixels, 96 an inch.
func (l length) px() float64 {
	if l.mm == 0 {
		return l.v
	}
	return l.v * l.mm * 96 / mmPerInch
}

// parseLength reads a length of CSS; a percentage counts as missing.
func parseLength(s string) (length, error) {
	units := []struct {
		name string
		mm   float64
	}{{"mm", 1}, {"cm", 10}, {"in", mmPerInch}, {"pt", mmPerInch / 72}, {"pc", mmPerInch / 6}, {"Q", 0.25}, {"px", 0}}
	s = strings.TrimSpace(s)
	if strings.HasSuffix(s, "%") || s == "auto" {
		return length{}, nil
	}
	mm := 0.0
	for _, u := range units {
		if t, ok := strings.CutSuffix(s, u.name); ok {
			s, mm = t, u.mm
			break
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !(v > 0 && v <= mostExtent) {
		return length{}, fmt.Errorf("%q is no length above 0 and up to %.0f", s, mostExtent)
	}
	return length{v, mm}, nil
}

// parseBox reads the four numbers of a viewBox.
func parseBox(s string) ([]float64, error) {
	f := strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(", \t\r\n\f", r) })
	if len(f) != 4 {
		return nil, fmt.Errorf("%q, want four numbers", s)
	}
	box := make([]float64, 4)
	for i := range f {
		v, err := strconv.ParseFloat(f[i], 64)
		if err != nil || !(math.Abs(v) <= mostExtent) {
			return nil, fmt.Errorf("%q is no number of at most %.0f", f[i], mostExtent)
		}
		box[i] = v
	}
	return box, nil
}

// density returns the pixels an inch of a drawing of w x h px that is wide x high mm, both rounded to sizeDecimals:
// a whole number if one fits, else the middle of those that fit. Written again it gives the same millimetres.
func density(w, h, wide, high float64) float64 {
	half := 0.5 / float64(pow10[sizeDecimals])
	lo := math.Max(w/(wide+half), h/(high+half)) * mmPerInch
	hi := math.Min(w/math.Max(wide-half, half/2), h/math.Max(high-half, half/2)) * mmPerInch
	if lo >= hi { // not of one scale; the longer side says it best
		if w >= h {
			return w / wide * mmPerInch
		}
		return h / high * mmPerInch
	}
	mid := (lo + hi) / 2
	if whole := math.Round(mid); whole > lo && whole < hi {
		return whole
	}
	return mid
}

// frame returns the frame of e within its parent.
func (p *reader) frame(e xml.StartElement, parent frame) (frame, error) {
	f := frame{look: parent.look}
	// A style declaration wins over the attribute of the same name, wherever it stands.
	for pass := range 2 {
		for _, a := range e.Attr {
			if a.Name.Space != "" {
				continue
			}
			var err error
			switch {
			case pass == 0 && a.Name.Local == "id":
				f.id = a.Value
			case pass == 0 && a.Name.Local == "transform":
				err = p.foreign("a transform")
			case pass == 0 && a.Name.Local != "style":
				err = p.property(&f, a.Name.Local, a.Value)
			case pass == 1 && a.Name.Local == "style":
				for decl := range strings.SplitSeq(a.Value, ";") {
					if name, value, ok := strings.Cut(decl, ":"); ok && err == nil {
						value, _, _ = strings.Cut(value, "!")
						err = p.property(&f, strings.TrimSpace(name), strings.TrimSpace(value))
					}
				}
			}
			if err != nil {
				return f, err
			}
		}
	}
	return f, nil
}

// property applies a presentation attribute or style declaration.
func (p *reader) property(f *frame, name, value string) error {
	value = strings.TrimSpace(value)
	if value == "inherit" {
		return nil
	}
	switch name {
	case "fill":
		f.sets, f.none = true, value == "none"
		if f.none {
			return nil
		}
		c, ok := parseFill(value)
		if !ok {
			return p.foreign("fill %q", value)
		}
		f.fill = c
	case "fill-rule":
		f.evenOdd = value == "evenodd"
	case "stroke", "clip-path", "mask", "filter", "marker", "marker-start", "marker-mid", "marker-end":
		if value != "none" {
			return p.foreign("%s %q", name, value)
		}
	case "opacity", "fill-opacity":
		if v, err := strconv.ParseFloat(value, 64); (err != nil || v < 1) && value != "100%" {
			return p.foreign("%s %q", name, value)
		}
	case "display":
		if value == "none" {
			return p.foreign("a hidden element")
		}
	case "visibility":
		if value != "visible" {
			return p.foreign("a hidden element")
		}
	case "mix-blend-mode":
		if value != "normal" {
			return p.foreign("%s %q", name, value)
		}
	}
	return nil
}

// parseFill reads a colour: #rgb, #rrggbb, rgb(r,g,b) with whole numbers, or a CSS name.
func parseFill(s string) (colour.RGB, bool) {
	s = strings.ToLower(s)
	if strings.HasPrefix(s, "#") {
		c, err := colour.ParseHex(s)
		return c, err == nil
	}
	if body, ok := strings.CutPrefix(s, "rgb("); ok {
		f := strings.FieldsFunc(strings.TrimSuffix(body, ")"), func(r rune) bool { return r == ',' || r == ' ' })
		var v [3]uint8
		if len(f) != len(v) {
			return colour.RGB{}, false
		}
		for i := range v {
			n, err := strconv.ParseUint(f[i], 10, 8)
			if err != nil {
				return colour.RGB{}, false
			}
			v[i] = uint8(n)
		}
		return colour.RGB{R: v[0], G: v[1], B: v[2]}, true
	}
	return colour.Named(s)
}

// element reads a start tag inside the root, and what the element holds unless that is drawn.
func (p *reader) element(e xml.StartElement) error {
	if len(p.stack) > mostDeep {
		return p.broken("more than %d nested elements", mostDeep)
	}
	if e.Name.Space != svgSpace {
		return p.skip()
	}
	top := p.stack[len(p.stack)-1]
	switch e.Name.Local {
	case "title", "desc":
		texts, err := p.texts()
		if err != nil || len(p.stack) > 1 || len(texts) == 0 {
			return err
		}
		if e.Name.Local == "title" {
			p.d.Meta.Title = texts[0]
		} else {
			p.d.Meta.Description = texts[0]
		}
		return nil
	case "metadata":
		return p.metadata()
	case "defs":
		return p.skip()
	case "style":
		texts, err := p.texts()
		if err == nil && len(texts) > 0 {
			err = p.foreign("a style sheet")
		}
		return err
	case "g":
		f, err := p.frame(e, top)
		p.stack = append(p.stack, f)
		return err
	case "path":
		f, err := p.frame(e, top)
		if err != nil {
			return err
		}
		p.stack = append(p.stack, f)
		for _, a := range e.Attr {
			if a.Name.Space == "" && a.Name.Local == "d" {
				return p.path(a.Value, f)
			}
		}
		return nil
	}
	return p.foreign("element <%s>", e.Name.Local)
}

// path adds a path to its layer.
func (p *reader) path(data string, f frame) error {
	if f.none {
		return p.foreign("a path without a fill")
	}
	rings, err := parsePath(data)
	if err != nil {
		return p.broken("%v", err)
	}
	if p.dx != 0 || p.dy != 0 {
		for _, r := range rings {
			for i := range r.Segments {
				for j := range r.Segments[i].P {
					r.Segments[i].P[j].X -= p.dx
					r.Segments[i].P[j].Y -= p.dy
				}
			}
		}
	}
	shapes, ok := arrange(rings, f.evenOdd)
	if !ok {
		return p.foreign("a path of %d subpaths that are not one area with holes", len(rings))
	}
	if len(shapes) == 0 {
		return nil
	}
	name := p.layerName()
	if !isLayerName(name) {
		return p.foreign("a path in no named layer (lower case letters, digits and hyphens, a letter first)")
	}
	at, ok := p.layers[name]
	if !ok {
		at = len(p.d.Layers)
		p.layers[name] = at
		if p.ids[name] {
			return p.broken("the id %q occurs twice", name)
		}
		p.ids[name] = true
		p.d.Layers = append(p.d.Layers, trace.Layer{Name: name, Colour: f.fill})
	}
	l := &p.d.Layers[at]
	if l.Colour != f.fill {
		return p.foreign("layer %q paints in %s and %s", name, l.Colour.Hex(), f.fill.Hex())
	}
	if at != len(p.d.Layers)-1 {
		return p.foreign("layer %q goes on above layer %q", name, p.d.Layers[len(p.d.Layers)-1].Name)
	}
	if isID(f.id) {
		if p.ids[f.id] {
			return p.broken("the id %q occurs twice", f.id)
		}
		p.ids[f.id] = true
		shapes[0].ID = f.id
	}
	l.Shapes = append(l.Shapes, shapes...)
	return nil
}

// layerName returns the id of the innermost group that sets the fill of the path on top of the stack, or, where that
// has none or the path sets its own, of the innermost group that has an id.
func (p *reader) layerName() string {
	groups := p.stack[1 : len(p.stack)-1]
	for i := len(groups) - 1; i >= 0 && !p.stack[len(p.stack)-1].sets; i-- {
		if groups[i].sets {
			groups = groups[:i+1]
			break
		}
	}
	for i := len(groups) - 1; i >= 0; i-- {
		if groups[i].id != "" {
			return groups[i].id
		}
	}
	return ""
}

// skip reads to the end of the element just opened.
func (p *reader) skip() error {
	_, err := p.texts()
	return err
}

// texts reads to the end of the element just opened and returns the texts in it, one for each element that holds one,
// trimmed.
func (p *reader) texts() ([]string, error) {
	var all []string
	var b strings.Builder
	flush := func() {
		if t := cleanText(b.String()); t != "" {
			all = append(all, t)
		}
		b.Reset()
	}
	for depth := 1; depth > 0; {
		t, err := p.token()
		if err == io.EOF {
			return nil, p.broken("unexpected EOF")
		}
		if err != nil {
			return nil, err
		}
		switch e := t.(type) {
		case xml.StartElement:
			flush()
			if depth++; len(p.stack)+depth > mostDeep {
				return nil, p.broken("more than %d nested elements", mostDeep)
			}
		case xml.EndElement:
			flush()
			depth--
		case xml.CharData:
			b.Write(e)
		}
	}
	return all, nil
}

// metadata reads the Dublin Core elements in <metadata>, wherever they stand. Title and description of the file's own
// elements go first.
func (p *reader) metadata() error {
	for depth := 1; depth > 0; {
		t, err := p.token()
		if err == io.EOF {
			return p.broken("unexpected EOF")
		}
		if err != nil {
			return err
		}
		switch e := t.(type) {
		case xml.StartElement:
			if e.Name.Space != dcSpace {
				if depth++; len(p.stack)+depth > mostDeep {
					return p.broken("more than %d nested elements", mostDeep)
				}
				continue
			}
			texts, err := p.texts()
			if err != nil {
				return err
			}
			if len(texts) == 0 {
				continue
			}
			m := &p.d.Meta
			set := func(field *string) {
				if *field == "" {
					*field = texts[0]
				}
			}
			switch e.Name.Local {
			case "title":
				set(&m.Title)
			case "description":
				set(&m.Description)
			case "creator":
				set(&m.Creator)
			case "rights":
				set(&m.Rights)
			case "subject":
				m.Keywords = append(m.Keywords, texts...)
			}
		case xml.EndElement:
			depth--
		}
	}
	return nil
}
