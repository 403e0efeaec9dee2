// Package survey looks at any SVG file, ours or not, and lists what is painted on it and what else it holds: every
// outline in drawing units with its final paint, its layer, whether it is hidden or locked, and notes on everything
// that is no plain fill. It forgives what browsers forgive, runs nothing and follows no link to other files. It judges nothing: package check does. Most callers need only Read; a Sheet is not changed
// after that and may be read by several goroutines.
package survey

import (
	"math"
	"regexp"
	"strings"
	"sync"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// Paint says how an outline is filled or stroked.
type Paint int

const (
	NoPaint Paint = iota
	Flat          // one sRGB colour
	Server        // a gradient or a pattern
	Other         // a colour that is not plainly sRGB (CMYK, Lab, ICC, wide gamut)
)

// Subpath is one run of a path as written.
type Subpath struct {
	Path  fit.Path  // Closed only where the file closes it; the closing line is among the segments
	Start fit.Point // of the path; all there is of a subpath without segments
}

// Mark is one painted element: a path or a basic shape turned into one.
type Mark struct {
	Element  string // local name as written: path, rect, circle, ...
	ID       string
	Line     int // in the file, from 1
	Layer    int // index in Sheet.Layers, -1 outside every group
	Subpaths []Subpath
	EvenOdd  bool

	Fill         Paint
	FillColour   colour.RGB
	FillAlpha    float64 // fill-opacity times the colour's own alpha
	Stroke       Paint
	StrokeColour colour.RGB
	StrokeWidth  float64 // drawing units
	Opacity      float64 // product over the element and its groups
	Hidden       bool    // display or visibility of the element or a group
	Locked       bool
	Transformed  bool // a transform other than the identity applies
	Instance     bool // painted by a use element
}

// Layer is a group that people see as a layer: the outermost one that is no mere wrapper. A wrapper paints nothing itself
// and holds groups with telling names.
type Layer struct {
	Name   string // as the file shows it to people, "" if it has none
	ID     string
	Line   int
	Hidden bool
	Locked bool
}

// stockName matches names that programs give to groups by themselves.
var stockName = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`(?i)^(layer|group|g|svg|path|object|ebene|calque|capa|livello|lager)?[ _-]*[0-9]*(-[0-9]+)*$`)
})

// Telling reports whether a layer's name says something, rather than being empty or one that programs give by
// themselves, such as "Layer 2".
func Telling(name string) bool { return !stockName().MatchString(strings.TrimSpace(name)) }

// Kind of a Note.
type Kind int

const (
	Raster        Kind = iota // image, feImage, foreign object
	Text                      // type that is not outlines
	Gradient                  // paint server in use, or a gradient mesh
	Blend                     // blend mode, mask, filter
	ClipPath                  // clip path in use
	Script                    // script, event handler, animation
	External                  // reference to another file
	NestedSVG                 // a second drawing area
	Instance                  // use element
	IdleDef                   // definition that nothing uses, or a style rule that matches nothing
	EmptyGroup                // group without anything painted
	Private                   // element or attribute of a foreign namespace, beside metadata
	Unreadable                // path data or a number that cannot be read
	UnknownColour             // a colour that is not sRGB
	Marker                    // marker, view, cursor: things that print software does not know
)

// Note is something the file holds beside plain outlines.
type Note struct {
	Kind Kind
	Line int
	Text string // what it is: "image boat.png", "filter #blur"
	Box  *Box   // where, in drawing units, if that is known
}

// Sheet is a surveyed file.
type Sheet struct {
	Width, Height float64 // drawing area in drawing units; the units of the viewBox, whose corner is the origin
	HasArea       bool    // the file states its drawing area by a viewBox or by width and height
	Odd           string  // what is odd about the drawing area, "" if nothing
	Layers        []Layer
	Marks         []Mark // in painting order
	Notes         []Note // in file order
	Meta          trace.Meta
	Bytes         int
}

// Box is an upright rectangle in drawing units.
type Box struct{ MinX, MinY, MaxX, MaxY float64 }

// Width of the box.
func (b Box) Width() float64 { return b.MaxX - b.MinX }

// Height of the box.
func (b Box) Height() float64 { return b.MaxY - b.MinY }

// Empty reports whether the box holds no point.
func (b Box) Empty() bool { return !(b.MinX <= b.MaxX && b.MinY <= b.MaxY) }

// Union returns the smallest box that holds both.
func (b Box) Union(c Box) Box {
	return Box{math.Min(b.MinX, c.MinX), math.Min(b.MinY, c.MinY), math.Max(b.MaxX, c.MaxX), math.Max(b.MaxY, c.MaxY)}
}

// Meets reports whether the boxes share a point.
func (b Box) Meets(c Box) bool {
	return b.MinX <= c.MaxX && c.MinX <= b.MaxX && b.MinY <= c.MaxY && c.MinY <= b.MaxY
}

// NoBox is the empty box, the neutral element of Union.
func NoBox() Box { return Box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)} }

func (b *Box) add(p fit.Point) {
	b.MinX, b.MaxX = math.Min(b.MinX, p.X), math.Max(b.MaxX, p.X)
	b.MinY, b.MaxY = math.Min(b.MinY, p.Y), math.Max(b.MaxY, p.Y)
}

// BoxOf returns the bounding box of a path, exact up to rounding: ends and extrema of every segment.
func BoxOf(p fit.Path) Box {
	b := NoBox()
	for _, s := range p.Segments {
		b.add(s.P[0])
		b.add(s.P[3])
		if s.Line {
			continue
		}
		for _, t := range Extrema(s.P[0].X, s.P[1].X, s.P[2].X, s.P[3].X) {
			b.add(s.At(t))
		}
		for _, t := range Extrema(s.P[0].Y, s.P[1].Y, s.P[2].Y, s.P[3].Y) {
			b.add(s.At(t))
		}
	}
	return b
}

// Extrema returns the parameters inside (0,1) where a cubic coordinate has derivative zero.
func Extrema(p0, p1, p2, p3 float64) []float64 {
	a, b, c := p1-p0, p2-p1, p3-p2
	// derivative/3 = a(1-t)² + 2b(1-t)t + c t² = qa t² + qb t + a
	qa, qb := a-float64(2*b)+c, 2*(b-a)
	var out []float64
	keep := func(t float64) {
		if t > 0 && t < 1 {
			out = append(out, t)
		}
	}
	if disc := float64(qb*qb) - float64(4*qa*a); disc >= 0 {
		// The stable pair of roots: q never cancels.
		q := -(qb + math.Copysign(math.Sqrt(disc), qb)) / 2
		if qa != 0 {
			keep(q / qa)
		}
		if q != 0 {
			keep(a / q)
		}
	}
	return out
}

// Box returns the bounding box of all the mark's outlines, without its stroke.
func (m *Mark) Box() Box {
	b := NoBox()
	for _, s := range m.Subpaths {
		b = b.Union(BoxOf(s.Path))
	}
	return b
}

// Visible reports whether the mark leaves any paint.
func (m *Mark) Visible() bool {
	return !m.Hidden && m.Opacity > 0 && (m.Fill != NoPaint && m.FillAlpha > 0 || m.Stroke != NoPaint && m.StrokeWidth > 0)
}
