package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/deliver"
	"pochoir/cmd/pochoir/internal/deliver/check"
	"pochoir/quantize/colour"
	"pochoir/svgout"
)

var exportCommand = command{
	name: "export",
	args: "DRAWING.svg -o FILE",
	doc:  "write a drawing as EPS, PDF, PNG or JPEG, by the file's ending",
	more: "EPS and PDF are closed RGB fills without transparency; in PDF every layer is an optional\n" +
		"content group and its colour a named swatch. PNG is transparent unless --paper is given,\n" +
		"JPEG lies on white. Title, keywords and the rest go into the file; a NAME.meta.toml beside\n" +
		"the drawing is read for them.",
	examples: []string{
		"pochoir export lantern.svg -o lantern.eps",
		"pochoir export lantern.svg -o lantern.png --megapixels 4 --paper \"#fdf6e3\"",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		x := &exporting{}
		return []cli.Option{
			{Name: "out", Also: "o", Arg: "FILE", Doc: "where to write; the ending says the format", Set: text(&x.out)},
			{Name: "format", Arg: "svg|eps|pdf|png|jpg", Doc: "the format, where the ending does not say it", Set: text(&x.format)},
			{Name: "area", Arg: "UNITS", Doc: "drawing area of EPS and PDF in square units, default 16000000", Set: number(&x.opt.Area)},
			{Name: "megapixels", Arg: "N", Doc: "size of PNG and JPEG, default 16", Set: number(&x.opt.Megapixels)},
			{Name: "paper", Arg: "COLOUR", Doc: "paint this paper colour, #rrggbb or a CSS name", Set: paperColour(&x.opt.Ground)},
			{Name: "quality", Arg: "1..100", Doc: "of the JPEG, default " + strconv.Itoa(deliver.DefaultQuality), Set: count(&x.opt.Quality, 1, 100)},
			{Name: "meta", Arg: "FILE", Doc: "take title, keywords and the rest from this .toml or .csv", Set: text(&x.meta)},
			{Name: "terms", Arg: "FILE", Doc: "take area and preview size from a library's terms", Set: text(&x.terms)},
		}, x.run
	},
}

// number stores an option's value.
func number(to *float64) func(string) error {
	return func(v string) error {
		f, err := strconv.ParseFloat(v, 64)
		if err != nil || !(f > 0 && f <= 1e12) {
			return errors.New("want a number above 0")
		}
		*to = f
		return nil
	}
}

// paperColour stores a colour.
func paperColour(to **colour.RGB) func(string) error {
	return func(v string) error {
		c, err := colour.ParseHex(v)
		if err != nil {
			named, ok := colour.Named(strings.ToLower(v))
			if !ok {
				return errors.New("want #rrggbb or the name of a CSS colour")
			}
			c = named
		}
		*to = &c
		return nil
	}
}

// exporting is one run of the export command.
type exporting struct {
	out, format, meta, terms string
	opt                      deliver.Options
}

func (x *exporting) run(e *env, args []string) error {
	if len(args) != 1 {
		return cli.Usagef("want one drawing, got %d", len(args))
	}
	if x.out == "" {
		u := cli.Usagef("-o is missing")
		u.Hint = "pochoir export lantern.svg -o lantern.eps"
		return u
	}
	name := x.out
	if x.format != "" {
		name = "." + x.format
	}
	format, err := deliver.FormatOf(name)
	if err != nil {
		return cli.Usagef("%v", err)
	}
	if x.out != "-" {
		if err := notOver(x.out, args); err != nil {
			return err
		}
	}
	if x.terms != "" {
		t, err := loadTerms(x.terms)
		if err != nil {
			return err
		}
		if x.opt.Area == 0 {
			x.opt.Area = t.Area.Aim
		}
		if x.opt.Megapixels == 0 {
			x.opt.Megapixels = t.Preview.Megapixels
		}
	}
	source, err := newMetaSource(x.meta)
	if err != nil {
		return err
	}
	src, err := e.readDrawing(args[0])
	if err != nil {
		return err
	}
	d, err := svgout.Read(bytes.NewReader(src))
	if err != nil {
		err = fmt.Errorf("%s: %w", args[0], err)
		if errors.Is(err, svgout.ErrForeign) {
			return hinted{err, "pochoir check " + args[0] + " --mend lists what is in the way, and makes a plain copy where it can"}
		}
		return err
	}
	if err := source.apply(args[0], &d.Meta); err != nil {
		return err
	}
	put := func(w io.Writer) error {
		if err := deliver.Export(w, d, format, x.opt); err != nil {
			return fmt.Errorf("%s: %w", args[0], err)
		}
		return nil
	}
	if x.out == "-" {
		return put(e.stdout)
	}
	return atomicfile.Write(x.out, put)
}

// loadTerms reads a terms file.
func loadTerms(path string) (*check.Terms, error) {
	f, err := openText(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return check.ReadTerms(f, path)
}
