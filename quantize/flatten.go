package quantize

import (
	"errors"
	"fmt"
	"sync"

	"pochoir/quantize/colour"
	"pochoir/quantize/large"
)

// ErrEmpty is returned for a picture without pixels.
var ErrEmpty = errors.New("quantize: the picture has no pixels")

const (
	maxAutomatic = 64 // colours that are found without being asked for
	minColours   = 2
	maxColours   = 64
)

// check returns an error that names the field, its value and its range.
func (o *Options) check() error {
	switch {
	case o.Colours != 0 && (o.Colours < minColours || o.Colours > maxColours):
		return fmt.Errorf("quantize: Colours = %d, want 0 or %d to %d", o.Colours, minColours, maxColours)
	case len(o.Palette) > maxSwatches:
		return fmt.Errorf("quantize: Palette has %d swatches, want at most %d", len(o.Palette), maxSwatches)
	case o.Medium < MediumAuto || o.Medium > MediumFlat:
		return fmt.Errorf("quantize: Medium = %d, want %d to %d", o.Medium, MediumAuto, MediumFlat)
	}
	return nil
}

// Flatten reduces a digital picture or a clean scan to its palette and gives every pixel a label:
//
//  1. Every swatch labels a pixel at least; every label is an index of the palette.
//  2. Flat areas of a picture coded without loss give their exact colours.
//  3. Where two areas meet, the pixels between them carry one of their two labels, the one with the larger share,
//     even if the mixture is itself a colour of the palette.
//  4. Marks too thin to show their colour unmixed keep a label of their own.
//  5. The result does not depend on the number of workers.
//
// Noisy paper is not for Flatten. It returns ErrEmpty for a picture without pixels, and an error that names the field
// where opt is out of range.
func Flatten(px Pixels, opt Options) (*Flats, error) {
	if px.W < 1 || px.H < 1 {
		return nil, ErrEmpty
	}
	if px.len() != px.W*px.H || px.Clear != nil && len(px.Clear) != px.W*px.H {
		return nil, fmt.Errorf("quantize: %d pixels for %d x %d", px.len(), px.W, px.H)
	}
	if err := opt.check(); err != nil {
		return nil, err
	}
	q := &flattener{px: &px, opt: opt, w: px.W, h: px.H, soft: px.Lossy, paper: -1}
	q.labels = large.Make[uint8](px.W * px.H)
	q.blocks = uniformBlocks(&px, opt.Workers)
	if q.rough = px.Lossy; !q.rough && roughened(&px, opt.Workers) {
		q.rough, q.soft = true, true // who knows what its colours went through
	}
	if q.soft && (px.Subsampled || !px.Lossy) {
		q.chromaBlur = chromaBlur
	}
	if opt.Medium == MediumLine && len(opt.Palette) == 0 || q.rough && opt.Medium == MediumAuto && q.inkOnly() {
		q.soft, q.chromaBlur = false, 0
		q.drawInk()
		q.prepareMixtures()
		q.measureNoise(make([]uint64, len(q.core)))
		q.blur = q.measureBlur()
		return q.flats(), nil
	}
	var solid []uint64
	if q.rough {
		solid = q.roughTints()
	} else {
		solid = q.cleanTints()
	}
	var beside sync.WaitGroup
	if solid != nil {
		beside.Go(func() { q.measureNoise(solid) })
	}
	q.prepareMixtures()
	q.blur = q.measureBlur()
	beside.Wait()
	if solid != nil {
		q.spare = append(q.spare, solid)
	}
	q.spare, q.blocks = append(q.spare, q.blocks), nil
	q.fringes()
	if q.soft {
		q.unring()
	}
	return q.flats(), nil
}

// unlabelled stands for no label.
const unlabelled = 255

// A tint is a colour of the picture. Labels are tints until the end, when several may come under one swatch.
type tint struct {
	colour colour.RGB
	v      tone
	cores  int // core pixels
}

// flattener holds the state of one run of Flatten.
type flattener struct {
	px         *Pixels
	opt        Options
	w, h       int
	soft       bool    // luma and chroma were coded apart, with loss: tones are luma and chroma
	rough      bool    // flat areas are not exactly even
	inked      bool    // nothing but ink on paper: the labels are paperLabel and inkLabel
	noise      float64 // standard deviation of flat areas, levels
	blur       float64 // of the edge spread beyond the pixel's box, px
	chromaBlur float64 // of pairs
	tints      []tint
	paper      int // tint of transparent places, -1 when there are none
	labels     []uint8
	core       []uint64
	blocks     []uint64   // pixels in the upper left of 2 x 2 equal ones
	spare      [][]uint64 // bitmaps that are free again
	unsettled  []uint64   // pixels that thinFeatures labels, so that no part reads what another writes
	adrift     []uint64   // pixels of islands
	pairs      []pair     // of tints, row by row
	clear      overlay    // of the picture
	seamed     []uint64   // pixels without what shone through a seam, nil where there are none
	mids       []bool     // by tints a and b: whether another tint is a mixture of the two
}

// bitmap returns a bitmap of the picture, a spare one if there is one, with anything in it.
func (q *flattener) bitmap() []uint64 {
	if n := len(q.spare); n > 0 {
		b := q.spare[n-1]
		q.spare = q.spare[:n-1]
		return b
	}
	return large.Make[uint64](bitmapLen(q.w * q.h))
}

// blank returns a bitmap of the picture with no bit set.
func (q *flattener) blank() []uint64 {
	b := q.bitmap()
	clear(b)
	return b
}

func (q *flattener) tone(i int) tone {
	return toneAt(q.clear.over(q.px, i), q.soft)
}

func (q *flattener) addTint(c colour.RGB, cores int) int {
	q.tints = append(q.tints, tint{c, toneOfRGB(c, q.soft), cores})
	q.pairs = nil
	return len(q.tints) - 1
}

// pair returns the mixtures of tints a and b. prepareMixtures must have run since the last addTint.
func (q *flattener) pair(a, b int) *pair { return &q.pairs[a*len(q.tints)+b] }

// prepareMixtures makes the tables of all pairs of tints, pairs and mids together, since both are looked up by the
// number of tints; nothing is to be done where the tints are the same. It must not run on several goroutines at once.
func (q *flattener) prepareMixtures() {
	n := len(q.tints)
	if len(q.pairs) == n*n {
		return
	}
	q.pairs = large.Make[pair](n * n)
	for a := range n {
		for b := range n {
			q.pairs[a*n+b] = pairOf(q.tints[a].v, q.tints[b].v, q.soft, q.chromaBlur)
		}
	}
	q.findMids()
}

// limit returns how many tints may be found.
func (q *flattener) limit() int {
	if q.opt.Colours > 0 {
		return max(q.opt.Colours, maxAutomatic)
	}
	return maxAutomatic
}
