// Package demo draws the harbour pictures: a dozen objects of a harbour town, each inked, flat and in ink alone, with a
// hand's unsteadiness that is the same every time. As they are drawn as outlines, the true vectors of every picture are
// known. Some are also shown as a telephone would take them: a sheet on a desk. The package reads no files. Safe to
// call concurrently.
package demo

import (
	"image"
	"image/color"

	"github.com/disintegration/imaging"

	"pochoir/trace"
)

// Picture is one drawing and how to see it.
type Picture struct {
	Name    string // lower case, with the suffix of its kind
	Object  string
	Kind    Kind
	Drawing *trace.Drawing // the truth
}

// Objects names the objects, in order.
func Objects() []string {
	var names []string
	for _, f := range harbour {
		names = append(names, f().name)
	}
	return names
}

// Draw returns an object drawn in one of the three ways; ok is false where there is no such object.
func Draw(object string, kind Kind) (p Picture, ok bool) {
	for _, f := range harbour {
		if s := f(); s.name == object {
			return Picture{Name: s.name + kind.Suffix(), Object: s.name, Kind: kind, Drawing: s.draw(kind)}, true
		}
	}
	return Picture{}, false
}

// Image paints the picture on white, size pixels wide and high.
func (p Picture) Image(size int) *image.NRGBA { return render(p.Drawing, size) }

// contactCell is the side of one picture on the contact sheet, px.
const contactCell = 200

// ContactSheet shows pictures side by side, so many in a row.
func ContactSheet(pictures []Picture, columns int) *image.NRGBA {
	rows := (len(pictures) + columns - 1) / columns
	sheet := imaging.New(columns*contactCell, rows*contactCell, color.White)
	for i, p := range pictures {
		small := imaging.Resize(p.Image(Side), contactCell-10, contactCell-10, imaging.Lanczos)
		sheet = imaging.Paste(sheet, small, image.Pt(i%columns*contactCell+5, i/columns*contactCell+5))
	}
	return sheet
}
