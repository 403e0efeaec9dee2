package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/swatchfile"
	"pochoir/svgout"
)

var recolourCommand = command{
	name: "recolour",
	args: "DRAWING.svg --colourway FILE",
	doc:  "exchange the colours of a drawing by the names of its layers",
	more: "A colourway is a text file of lines such as \"#1a8c8c teal\". Without -o the result\n" +
		"goes beside the drawing, as NAME.COLOURWAY.svg.",
	examples: []string{"pochoir recolour lantern.svg --colourway dusk.txt"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		r := &recolouring{}
		return []cli.Option{
			{Name: "colourway", Also: "colorway", Arg: "FILE", Doc: "the new colours, by layer", Set: text(&r.colourway)},
			{Name: "out", Also: "o", Arg: "FILE", Doc: "where to write; - is standard output", Set: text(&r.out)},
			{Name: "quiet", Also: "q", Doc: "no report", Set: yes(&r.quiet)},
		}, r.run
	},
}

// recolouring is one run of the recolour command.
type recolouring struct {
	colourway, out string
	quiet          bool
}

func (r *recolouring) run(e *env, args []string) error {
	if len(args) != 1 {
		return cli.Usagef("want one drawing, got %d", len(args))
	}
	if r.colourway == "" {
		return cli.Usagef("--colourway is missing")
	}
	in, out := args[0], r.out
	if out == "" {
		out = "-"
		if in != "-" {
			out = stem(in) + "." + filepath.Base(stem(r.colourway)) + ".svg"
		}
	}
	list, err := swatchfile.Colourway(r.colourway)
	if err != nil {
		return err
	}
	src, err := e.readDrawing(in)
	if err != nil {
		return err
	}
	if out != "-" {
		if err := notOver(out, []string{in, r.colourway}); err != nil {
			return err
		}
	}
	recoloured, report, err := svgout.Recolour(src, list)
	if err != nil {
		return fmt.Errorf("%s: %w", in, err)
	}
	put := func(w io.Writer) error { _, err := w.Write(recoloured); return err }
	if out == "-" {
		err = put(e.stdout)
	} else {
		err = atomicfile.Write(out, put)
	}
	if err != nil || r.quiet {
		return err
	}
	fmt.Fprintf(e.stderr, "%s -> %s\n", in, out)
	for _, x := range report.Exchanged {
		fmt.Fprintf(e.stderr, "  %s %s -> %s\n", x.Layer, x.From.Hex(), x.To.Hex())
	}
	if len(report.Kept) > 0 {
		fmt.Fprintf(e.stderr, "  kept: %s\n", strings.Join(report.Kept, ", "))
	}
	if len(report.Unmatched) > 0 {
		fmt.Fprintf(e.stderr, "  no such layer: %s\n", strings.Join(report.Unmatched, ", "))
	}
	for _, g := range report.Shared {
		fmt.Fprintf(e.stderr, "  of one colour now: %s\n", strings.Join(g, ", "))
	}
	return nil
}

// readDrawing reads the bytes of an SVG file, or of standard input.
func (e *env) readDrawing(path string) ([]byte, error) {
	r, name := e.stdin, "standard input"
	if path != "-" {
		f, err := os.Open(path)
		if err != nil {
			return nil, fmt.Errorf("%s: cannot be read: %w", path, bare(err))
		}
		defer f.Close()
		r, name = f, path
	}
	b, err := io.ReadAll(io.LimitReader(r, svgout.MaxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be read: %w", name, bare(err))
	}
	return b, nil
}
