package quantize

import "pochoir/quantize/colour"

// Swatch is one colour of a palette.
type Swatch struct {
	Name   string // CSS name of the nearest named colour, "-2", "-3" added where it repeats; "ink" for the ink
	Colour colour.RGB
}

// Medium says what was drawn.
type Medium int

const (
	MediumAuto  Medium = iota // find out
	MediumLine                // ink only
	MediumInked               // ink over flat colours
	MediumFlat                // flat colours without a drawn line
)

// Flats is a picture reduced to a palette: one label a pixel, and what is needed to measure edges between labels.
type Flats struct {
	W, H    int
	Palette []Swatch // index = label; at most 255 entries
	Labels  []uint8  // row by row, len W*H
	Core    []uint64 // bit i%64 of word i/64 is set where pixel i shows its swatch unmixed (deep inside an area)
	Ground  int      // label of the paper around the drawing, -1 if none (a picture painted to all its edges)
	Ink     int      // label of the ink in inked and line pictures, else -1
	Medium  Medium   // never MediumAuto
	Noise   float64  // standard deviation of a flat area, 8-bit levels a channel; 0 for a clean digital picture
	Blur    float64  // standard deviation of the edge spread beyond the pixel's box, px; 0 for plain anti-aliasing

	px         Pixels     // the picture, its pixels alone; read by Coverage
	clear      overlay    // of its pixels, those without the ringing of an edge and without what shines through a seam
	soft       bool       // luma and chroma were coded apart, with loss
	chromaBlur float64    // of its mixtures
	grid       chromaGrid // of a soft picture with chroma at lower resolution
	runs       []pairRun  // by label a and label b
	mixtures   []pair
}

// IsCore reports whether pixel i shows its swatch unmixed.
func (f *Flats) IsCore(i int) bool { return f.Core[i>>6]>>(uint(i)&63)&1 != 0 }

// Forget lets go of all that is held by the pixel, labels included, to save memory; what is known of the picture as a
// whole stays.
func (f *Flats) Forget() { f.Labels, f.Core, f.px, f.clear = nil, nil, Pixels{}, overlay{} }

// Pixel returns the picture's colour at pixel i, 8-bit levels.
func (f *Flats) Pixel(i int) (r, g, b float64) {
	u, v, w := channels(f.seen(i))
	return float64(u), float64(v), float64(w)
}

// Unrung reports whether the picture was coded with loss and the ringing beside its edges has been taken out of luma.
func (f *Flats) Unrung() bool { return f.soft && len(f.clear.at) > 0 }
