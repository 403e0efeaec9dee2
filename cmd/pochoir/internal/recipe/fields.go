package recipe

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"pochoir/cmd/pochoir/internal/swatchfile"
	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// Field is one setting.
type Field struct {
	Key     string // in the file, and with two dashes on the command line
	Also    string // another name on the command line, "" for none
	Arg     string // what values it takes: "0..100", "drop|keep"; "" for a switch
	Doc     string // one line
	Default any    // the value that stands for the default: int64, float64, string or the text of an empty list

	FileOnly bool // a list that stands in the recipe and is no option of the command line

	isPath bool // the value names a file
	parse  func(text string) (any, error)
	apply  func(o *trace.Options, v any) error
}

// Fields are all settings, in the order of help and file. To add one, add a row.
var Fields = []Field{
	{
		Key: "colours", Also: "colors", Arg: "auto|N", Doc: "how many colours, paper included", Default: "auto",
		parse: func(text string) (any, error) {
			if text == "auto" {
				return text, nil
			}
			n, err := strconv.ParseInt(text, 10, 64)
			if err != nil || n < minColours || n > maxColours {
				return nil, fmt.Errorf("want auto or a number from %d to %d", minColours, maxColours)
			}
			return n, nil
		},
		apply: func(o *trace.Options, v any) error {
			n, _ := v.(int64) // "auto" is 0
			o.Colours = int(n)
			return nil
		},
	},
	{
		Key: "palette", Arg: "FILE", Doc: "use just these colours: lines \"#1a8c8c teal\"", Default: "",
		isPath: true,
		parse:  func(text string) (any, error) { return text, nil },
		apply: func(o *trace.Options, v any) (err error) {
			if v != "" {
				o.Palette, err = swatchfile.Palette(v.(string))
			}
			return err
		},
	},
	number("smoothness", "0..100", "how freely a curve may leave the edge", trace.DefaultSmoothness, 0, 100,
		func(o *trace.Options, v *float64) { o.Smoothness = v }),
	number("turn", "DEG", "sharpest turn still drawn round, 0 to 180", trace.DefaultTurn, 0, 180,
		func(o *trace.Options, v *float64) { o.Turn = v }),
	number("dust", "PX", "smallest mark kept, across", trace.DefaultDust, 0, 1000,
		func(o *trace.Options, v *float64) { o.Dust = v }),
	choice("medium", "what was drawn: ink, ink over flats, flats", mediumWords[:],
		func(o *trace.Options, i int) { o.Medium = media[i] }),
	choice("paper", "the ground around the drawing", []string{"drop", "keep"},
		func(o *trace.Options, i int) { o.KeepPaper = i == 1 }),
	choice("kind", "where the picture comes from", kindWords[:],
		func(o *trace.Options, i int) { o.Sheet.Kind = kinds[i] }),
	{
		Key: "sheet", Arg: "auto|off|X,Y,X,Y,X,Y,X,Y", Doc: "find the sheet, take all, or its corners in px", Default: "auto",
		parse: func(text string) (any, error) {
			_, _, err := parseSheet(text)
			return text, err
		},
		apply: func(o *trace.Options, v any) (err error) {
			o.Sheet.Sheet, o.Sheet.Corners, err = parseSheet(v.(string))
			return err
		},
	},
	choice("light", "even out lamp and shadow on paper", []string{"even", "keep"},
		func(o *trace.Options, i int) { o.Sheet.KeepLight = i == 1 }),
	choice("ruled", "lines printed on notebook paper, and folds", []string{"drop", "keep"},
		func(o *trace.Options, i int) { o.Sheet.KeepRuled = i == 1 }),
	choice("pencil", "pencil and pale blue under ink", []string{"drop", "keep"},
		func(o *trace.Options, i int) { o.Sheet.KeepPencil = i == 1 }),
	choice("holes", "punched holes and the binding of a pad", []string{"drop", "keep"},
		func(o *trace.Options, i int) { o.Sheet.KeepHoles = i == 1 }),
	choice("back", "what shows through from the back of the paper", []string{"drop", "keep"},
		func(o *trace.Options, i int) { o.Sheet.KeepBack = i == 1 }),
	choice("seams", "grow colours under neighbours, or cut exactly", []string{"spread", "knockout"},
		func(o *trace.Options, i int) { o.Knockout = i == 1 }),
	{
		Key: "lay-flats", Doc: "a fill of its own beneath the ink for every area it encloses", Default: false,
		parse: parseSwitch,
		apply: func(o *trace.Options, v any) error { o.LayFlats = v.(bool); return nil },
	},
	{
		Key: "gap", Arg: "auto|PX", Doc: "widest break in a line that still encloses", Default: "auto",
		parse: func(text string) (any, error) {
			if text == "auto" {
				return text, nil
			}
			v, err := strconv.ParseFloat(text, 64)
			if err != nil || !(v >= 0 && v <= trace.MaxGap) {
				return nil, fmt.Errorf("want auto or a number from 0 to %g", trace.MaxGap)
			}
			return v, nil
		},
		apply: func(o *trace.Options, v any) error {
			if g, ok := v.(float64); ok { // "auto" leaves it open
				o.Gap = &g
			}
			return nil
		},
	},
	{
		Key: "suggest", Arg: "FILE", Doc: "colours for flats without one: lines \"#1a8c8c teal\"", Default: "",
		isPath: true,
		parse:  func(text string) (any, error) { return text, nil },
		apply: func(o *trace.Options, v any) (err error) {
			if v != "" {
				o.Suggest, err = swatchfile.Colourway(v.(string))
			}
			return err
		},
	},
	{
		Key: "register-colour", Also: "register-color", Doc: "bring loose colour to the lines around it", Default: false,
		parse: parseSwitch,
		apply: func(o *trace.Options, v any) error { o.RegisterColour = v.(bool); return nil },
	},
	choice("ink", "ink over flats: as drawn, in one colour, or toned by its fill", inkWords[:],
		func(o *trace.Options, i int) { o.Ink = trace.InkMode(i) }),
	list[Flat]("flats", `{at = [X, Y], swatch = "NAME"}, {at = [X, Y], swatch = "NAME", colour = "#rrggbb"}`,
		"colours of flats, by a place in each, px of the picture", func(o *trace.Options, v []trace.FlatColour) { o.Flats = v }),
	list[Touch]("touches", `{do = "corner|smooth|drop|keep", at = [X, Y]}, {do = "join|separate", at = [X, Y], to = [X, Y]}, {do = "lay", at = [X, Y], swatch = "NAME", colour = "#rrggbb"}`,
		"corrections at single places, px of the picture", func(o *trace.Options, v []trace.Touch) { o.Touches = v }),
	list[Pour]("pours", `{swatch = "NAME", into = "NAME"}`, "swatches given to others",
		func(o *trace.Options, v []trace.Pour) { o.Pours = v }),
	list[Swatch]("locked", `{swatch = "NAME", colour = "#rrggbb"}`, "swatches that the palette must hold",
		func(o *trace.Options, v []quantize.Swatch) { o.Locked = v }),
	list[Swatch]("colourway", `{swatch = "NAME", colour = "#rrggbb"}`, "new colours for layers",
		func(o *trace.Options, v []quantize.Swatch) { o.Colourway = v }),
}

// The range of a fixed number of colours, as trace.Options has it.
const (
	minColours = 2
	maxColours = 64
)

// inkWords are the ways to colour ink, by trace.InkMode.
var inkWords = [...]string{trace.InkDrawn: "drawn", trace.InkOne: "one", trace.InkToned: "toned"}

// parseSwitch reads a switch; on the command line its name alone turns it on.
func parseSwitch(text string) (any, error) {
	switch text {
	case "", "true":
		return true, nil
	case "false":
		return false, nil
	}
	return nil, errors.New("want true or false")
}

var (
	mediumWords = [...]string{"auto", "line", "inked", "flat"}
	media       = [...]quantize.Medium{quantize.MediumAuto, quantize.MediumLine, quantize.MediumInked, quantize.MediumFlat}
)

var (
	kindWords = [...]string{"auto", "digital", "scan", "snapshot"}
	kinds     = [...]paper.Kind{paper.KindAuto, paper.Digital, paper.Scan, paper.Snapshot}
)

// parseSheet reads how the sheet is found: auto, off, or its four corners.
func parseSheet(text string) (mode paper.SheetMode, corners [4]fit.Point, err error) {
	switch text {
	case "auto":
		return paper.SheetAuto, corners, nil
	case "off":
		return paper.SheetOff, corners, nil
	}
	words := strings.Split(text, ",")
	var v [8]float64
	if len(words) != len(v) {
		return 0, corners, errors.New("want auto, off, or four corners as x,y,x,y,x,y,x,y")
	}
	for i, w := range words {
		v[i], err = strconv.ParseFloat(strings.TrimSpace(w), 64)
		if err != nil || !(math.Abs(v[i]) <= 1e6) {
			return 0, corners, fmt.Errorf("%s is no place in a picture", strings.TrimSpace(w))
		}
	}
	for i := range corners {
		corners[i] = fit.Point{X: v[2*i], Y: v[2*i+1]}
	}
	if !paper.CanBeSheet(corners) {
		return 0, corners, errors.New("these are not the corners of a sheet")
	}
	return paper.SheetCorners, corners, nil
}

// MediumWord names a medium as the command line does.
func MediumWord(m quantize.Medium) string {
	for i, v := range media {
		if v == m {
			return mediumWords[i]
		}
	}
	return "unknown"
}

// NamesFile reports whether the value is the path of a file.
func (f *Field) NamesFile() bool { return f.isPath }

// FieldOf returns the setting of that key, or nil.
func FieldOf(key string) *Field {
	for i := range Fields {
		if Fields[i].Key == key {
			return &Fields[i]
		}
	}
	return nil
}

// number is a setting of a number from lo to hi.
func number(key, arg, doc string, def, lo, hi float64, set func(*trace.Options, *float64)) Field {
	return Field{
		Key: key, Arg: arg, Doc: doc, Default: def,
		parse: func(text string) (any, error) {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil || math.IsNaN(v) || v < lo || v > hi {
				return nil, fmt.Errorf("want a number from %g to %g", lo, hi)
			}
			return v, nil
		},
		apply: func(o *trace.Options, v any) error {
			f := v.(float64)
			set(o, &f)
			return nil
		},
	}
}

// choice is a setting of one of a few words, the first of which is the default.
func choice(key, doc string, words []string, set func(*trace.Options, int)) Field {
	index := func(text string) int {
		for i, w := range words {
			if w == text {
				return i
			}
		}
		return -1
	}
	return Field{
		Key: key, Arg: strings.Join(words, "|"), Doc: doc, Default: words[0],
		parse: func(text string) (any, error) {
			if index(text) < 0 {
				return nil, fmt.Errorf("want one of %s", strings.Join(words, ", "))
			}
			return text, nil
		},
		apply: func(o *trace.Options, v any) error {
			set(o, index(v.(string)))
			return nil
		},
	}
}
