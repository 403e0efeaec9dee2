package trace

import (
	"fmt"
	"math"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/trace/paper"
)

// Options steer a trace. The zero value does the right thing for every kind of picture.
type Options struct {
	Colours    int               // number of colours, paper included; 0 finds it, else 2..64
	Palette    []quantize.Swatch // locked palette; overrides Colours
	Smoothness *float64          // 0..100; nil means DefaultSmoothness
	Turn       *float64          // degrees, 0..180: the sharpest turn still drawn round; nil means DefaultTurn
	Dust       *float64          // px across: the smallest mark kept; nil means DefaultDust, more on a noisy sheet, and lone pixels of a sharp one
	Medium     quantize.Medium
	KeepPaper  bool              // paint the paper instead of dropping it
	Knockout   bool              // cut neighbours exactly instead of spreading lower layers under upper ones
	Sheet      paper.Options     // finding, straightening and cleaning the sheet
	Locked     []quantize.Swatch // swatches that the palette that is found must hold; read where Palette is empty
	Pours      []Pour            // swatches given to others, in order
	Colourway  []quantize.Swatch // new colours for layers, by their names; nothing else changes with them
	Touches    []Touch           // corrections at single places, in order

	LayFlats       bool              // give every area that ink encloses a shape of its own beneath the ink
	Gap            *float64          // px: the widest break in a line of ink that still encloses; nil takes it from the lines
	Flats          []FlatColour      // colours of flats, by place
	Suggest        []quantize.Swatch // colours for flats that have none, so that neighbours differ
	RegisterColour bool              // bring loose colour to the lines around it
	Ink            InkMode           // other than InkDrawn where flats are laid

	Workers int // goroutines; 0 means runtime.GOMAXPROCS(0). The result does not depend on it
}

// Defaults read by flags, recipes and documentation.
const (
	DefaultSmoothness = 50.0 // neutral: the tolerance follows the measured noise
	DefaultTurn       = 24.0 // degrees
	DefaultDust       = 1.0  // px
)

// usualDrawing is the least size, px, that drawings on paper are brought to where their picture has as much.
const usualDrawing = 1200.0

// check names the first field that is out of range.
func (o *Options) check() error {
	within := func(name string, p *float64, lo, hi float64) error {
		if p != nil && !(*p >= lo && *p <= hi) {
			return fmt.Errorf("trace: %s = %g, want %g..%g", name, *p, lo, hi)
		}
		return nil
	}
	if o.Colours != 0 && (o.Colours < 2 || o.Colours > 64) {
		return fmt.Errorf("trace: Colours = %d, want 0 or 2..64", o.Colours)
	}
	if err := o.checkTouches(); err != nil {
		return err
	}
	if err := within("Smoothness", o.Smoothness, 0, 100); err != nil {
		return err
	}
	if err := within("Turn", o.Turn, 0, 180); err != nil {
		return err
	}
	if err := within("Gap", o.Gap, 0, MaxGap); err != nil {
		return err
	}
	if o.Ink < InkDrawn || o.Ink > InkToned {
		return fmt.Errorf("trace: Ink = %d, want %d..%d", o.Ink, InkDrawn, InkToned)
	}
	for _, c := range o.Flats {
		if math.IsNaN(c.At.X+c.At.Y) || math.IsInf(c.At.X+c.At.Y, 0) {
			return fmt.Errorf("trace: Flats: (%g, %g) is no place in the picture", c.At.X, c.At.Y)
		}
	}
	return within("Dust", o.Dust, 0, 1000)
}

// MaxGap is the widest gap that may be asked for, px.
const MaxGap = 200.0

// lays reports whether flats are to be laid: on request, or because what is asked for needs them.
func (o *Options) lays() bool {
	return o.LayFlats || len(o.Flats) > 0 || len(o.Suggest) > 0 || o.RegisterColour || o.Ink != InkDrawn
}

// dust returns the smallest mark kept, px across.
func (o *Options) dust(s *paper.Sheet) float64 {
	switch {
	case o.Dust != nil:
		return *o.Dust
	case s.Kind != paper.Digital:
		return 3 // a speck of grain or dust on paper is thinner than about 3 px
	}
	return DefaultDust
}

// fit returns the options of the curve fit for samples of the given noise, px.
func (o *Options) fit(s *paper.Sheet, noise float64) fit.Options {
	turn := DefaultTurn
	if o.Turn != nil {
		turn = *o.Turn
	}
	// Below the noise segments multiply and the error does not fall; 0.06 px is what rounding to 8 bits leaves. Edges that
	// were not coded with loss err evenly, by the few levels of a coarse renderer say, and bear more.
	tolerance := min(0.35, max(0.11, 0.06+4.4*noise))
	if s.Lossy { // coding bends edges by more than the noise of neighbours tells
		tolerance = min(0.35, max(0.2, 0.06+3.5*noise))
	}
	scale := 1.0
	if hand := handOf(s); hand > 0 {
		tolerance = min(3, max(2.2*hand, onPaper(noise)))
		scale = 1 + hand
	}
	return fit.Options{Tolerance: tolerance * o.freedom(), Noise: noise, Turn: turn, Scale: scale, Freehand: s.Kind != paper.Digital}
}

// handOf returns by how much a hand wobbled that drew on paper, px, about: by a pixel where the drawing has the usual size,
// and by less in a smaller one. It is 0 for digital pictures.
func handOf(s *paper.Sheet) float64 {
	if s.Kind == paper.Digital {
		return 0
	}
	return min(1, max(0.35, s.Drawn/usualDrawing))
}

// onPaper returns how far a curve may leave samples of that noise on paper, px.
func onPaper(noise float64) float64 { return 0.2 + float64(3.5*noise) }

// freedom is by how much smoothness multiplies tolerances: 0 halves them, 50 keeps them, 100 makes them four times as wide.
func (o *Options) freedom() float64 {
	smoothness := DefaultSmoothness
	if o.Smoothness != nil {
		smoothness = *o.Smoothness
	}
	if smoothness < 50 {
		return math.Exp2((smoothness - 50) / 50)
	}
	return math.Exp2((smoothness - 50) / 25)
}
