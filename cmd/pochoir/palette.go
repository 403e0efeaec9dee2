package main

import (
	"fmt"
	"io"
	"runtime"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/cmd/pochoir/internal/sketchbook"
	"pochoir/cmd/pochoir/internal/swatchfile"
	"pochoir/quantize"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

var paletteCommand = command{
	name: "palette",
	args: "PICTURE...",
	doc:  "propose one palette for a set of pictures",
	more: "Colours that several pictures nearly share become one swatch; where one of them has it\n" +
		"exactly, the swatch is that. Trace the set with --palette FILE and all come out in one\n" +
		"set of colours. Names may be changed in the file: layers are called by them.",
	examples: []string{
		"pochoir palette lantern.png boat.png -o harbour.txt",
		"pochoir palette lantern.png boat.png --colours 8 -o harbour.txt",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		p := &proposing{out: "-"}
		return []cli.Option{
			{Name: "out", Also: "o", Arg: "FILE", Doc: "where to write; - is standard output, which is the default", Set: text(&p.out)},
			{Name: "colours", Also: "colors", Arg: "N", Doc: "at most so many swatches", Set: count(&p.most, 2, 64)},
			{Name: "max-megapixels", Arg: "N", Doc: fmt.Sprintf("largest picture opened, default %d", intake.DefaultMaxMegapixels), Set: megapixels(&p.limit)},
			{Name: "quiet", Also: "q", Doc: "no report", Set: yes(&p.quiet)},
		}, p.run
	},
}

// proposing is one run of the palette command.
type proposing struct {
	out   string
	most  int // 0 for as many as there are
	limit float64
	quiet bool
}

func (p *proposing) run(e *env, args []string) error {
	if len(args) == 0 {
		u := cli.Usagef("no picture given")
		u.Hint = "pochoir palette lantern.png boat.png -o harbour.txt"
		return u
	}
	if p.out != "-" {
		if err := notOver(p.out, args); err != nil {
			return err
		}
	}
	var all [][]quantize.Swatch
	var inks []colour.RGB
	t := tracing{limit: p.limit}
	for i, path := range args {
		clear := e.progress(p.quiet, i, len(args), path)
		found, err := p.coloursOf(e, &t, path)
		clear()
		if err != nil {
			return err
		}
		all = append(all, found)
		for _, s := range found {
			if s.Name == "ink" {
				inks = append(inks, s.Colour)
			}
		}
	}
	list := sketchbook.MergePalettes(all, p.most)
	nameInk(list, inks)
	put := func(w io.Writer) error { return swatchfile.Write(w, list) }
	if p.out == "-" {
		return put(e.stdout)
	}
	if err := atomicfile.Write(p.out, put); err != nil {
		return err
	}
	if p.quiet {
		return nil
	}
	fmt.Fprintf(e.stderr, "%d pictures -> %s: %d swatches\n", len(args), p.out, len(list))
	for i, found := range all {
		worst, at := 0.0, quantize.Swatch{}
		for _, s := range found {
			if near, d := nearest(list, s.Colour); d > worst {
				worst, at = d, near
			}
		}
		if worst > 0 {
			fmt.Fprintf(e.stderr, "  %s: off by up to %.1f (CIEDE2000), at %s\n", args[i], worst, at.Name)
		}
	}
	return nil
}

// coloursOf finds the palette of one picture, by its own recipe.
func (p *proposing) coloursOf(e *env, t *tracing, path string) ([]quantize.Swatch, error) {
	settings, _, err := t.recipeFor(path)
	if err != nil {
		return nil, err
	}
	settings = settings.Over(new(recipe.Recipe)) // a copy
	settings.Unset("palette")
	opt, err := settings.Options()
	if err != nil {
		return nil, err
	}
	opt.Workers = runtime.GOMAXPROCS(0)
	pic, err := intake.Open(path, intake.Options{MaxMegapixels: p.limit, Stdin: e.stdin, Workers: opt.Workers})
	if err != nil {
		return nil, err
	}
	r, err := trace.Trace(e.ctx, pic, opt)
	if err != nil {
		if e.ctx.Err() != nil {
			return nil, err
		}
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return r.Report.Palette, nil
}

// nameInk calls the swatch "ink" that serves most pictures as such.
func nameInk(list []quantize.Swatch, inks []colour.RGB) {
	votes, best := make([]int, len(list)), -1
	for _, c := range inks {
		s, _ := nearest(list, c)
		for i := range list {
			if list[i] == s {
				votes[i]++
				if best < 0 || votes[i] > votes[best] {
					best = i
				}
			}
		}
	}
	if best >= 0 {
		list[best].Name = "ink"
	}
}

// nearest returns the swatch nearest to c by CIEDE2000, and how far it is.
func nearest(list []quantize.Swatch, c colour.RGB) (quantize.Swatch, float64) {
	best, least := list[0], c.Difference(list[0].Colour)
	for _, s := range list[1:] {
		if d := c.Difference(s.Colour); d < least {
			best, least = s, d
		}
	}
	return best, least
}
