package trace

import (
	"pochoir/fit"
	"pochoir/quantize/colour"
)

// Drawing is a traced picture: layers bottom to top, in pixels of the straightened sheet (for a digital picture: of
// the input), y down.
type Drawing struct {
	Width, Height float64 // px, > 0
	DPI           float64 // pixels an inch where the physical size is known, else 0
	Layers        []Layer // bottom to top; names are unique
	Meta          Meta
}

// Meta is what the file says of itself (Dublin Core elements of the same names).
type Meta struct {
	Title, Description, Creator, Rights string
	Keywords                            []string // dc:subject
}

// Layer is one colour. Its shapes do not overlap one another, save that a flat may go on a little under its neighbour.
type Layer struct {
	Name   string // unique in the drawing; lower case letters, digits and hyphens; the ink layer is "ink"
	Colour colour.RGB
	Shapes []Shape
}

// Shape is one connected area: an outer ring (clockwise on screen, positive Area) and holes (negative Area). Both
// fill rules, even-odd and non-zero, paint it alike.
type Shape struct {
	ID    string // unique in the drawing, or empty
	Rings []fit.Path
}
