package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/swatchfile"
	"pochoir/quantize"
	"pochoir/svgout"
	"pochoir/trace"
)

var recolourCommand = command{
	name: "recolour",
	args: "DRAWING.svg --colourway FILE...",
	doc:  "exchange the colours of a drawing by the names of its layers",
	more: "A colourway is a text file of lines such as \"#1a8c8c teal\". Without -o the result\n" +
		"goes beside the drawing, as NAME.COLOURWAY.svg. Several colourways make several files\n" +
		"and one picture that shows all side by side, NAME.colourways.png.",
	examples: []string{
		"pochoir recolour lantern.svg --colourway dusk.txt",
		"pochoir recolour lantern.svg --colourway dusk.txt --colourway dawn.txt -o ways/",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		r := &recolouring{}
		return []cli.Option{
			{Name: "colourway", Also: "colorway", Arg: "FILE", Doc: "new colours, by layer; may be given several times", Set: func(v string) error {
				if v == "" {
					return errors.New("want a name")
				}
				r.colourways = append(r.colourways, v)
				return nil
			}},
			{Name: "out", Also: "o", Arg: "FILE|DIR", Doc: "where to write; - is standard output", Set: text(&r.out)},
			{Name: "compare", Arg: "FILE|none", Doc: "picture of all colourways side by side", Set: text(&r.compare)},
			{Name: "quiet", Also: "q", Doc: "no report", Set: yes(&r.quiet)},
		}, r.run
	},
}

// recolouring is one run of the recolour command.
type recolouring struct {
	colourways   []string
	out, compare string
	quiet        bool
}

// way is one colourway and the drawing in it.
type way struct {
	path, out string
	svg       []byte
	drawing   *trace.Drawing
	report    svgout.Recolouring
	clashes   []clash
}

func (r *recolouring) run(e *env, args []string) error {
	if len(args) != 1 {
		return cli.Usagef("want one drawing, got %d", len(args))
	}
	if len(r.colourways) == 0 {
		return cli.Usagef("--colourway is missing")
	}
	in := args[0]
	ways, compare, err := r.plan(in)
	if err != nil {
		return err
	}
	lists := make([][]quantize.Swatch, len(ways))
	for i := range ways {
		if lists[i], err = swatchfile.Colourway(ways[i].path); err != nil {
			return err
		}
	}
	src, err := e.readDrawing(in)
	if err != nil {
		return err
	}
	before, err := svgout.Read(bytes.NewReader(src))
	if err != nil {
		return fmt.Errorf("%s: %w", in, err)
	}
	beside := neighbours(before)
	// All are made before any is written, so that a bad colourway leaves no half of a set.
	for i := range ways {
		w := &ways[i]
		if w.svg, w.report, err = svgout.Recolour(src, lists[i]); err != nil {
			return fmt.Errorf("%s: %w", in, err)
		}
		if w.drawing, err = svgout.Read(bytes.NewReader(w.svg)); err != nil {
			return fmt.Errorf("%s: %w", in, err)
		}
		w.clashes = clashesOf(before, w.drawing, beside)
	}
	if strings.HasSuffix(r.out, "/") || len(ways) > 1 && r.out != "" {
		if err := os.MkdirAll(r.out, 0o777); err != nil {
			return fmt.Errorf("%s: the folder cannot be made: %w", r.out, bare(err))
		}
	}
	for i := range ways {
		w := &ways[i]
		put := func(to io.Writer) error { _, err := to.Write(w.svg); return err }
		if w.out == "-" {
			err = put(e.stdout)
		} else {
			err = atomicfile.Write(w.out, put)
		}
		if err != nil {
			return err
		}
		if !r.quiet {
			io.WriteString(e.stderr, w.words(in))
		}
	}
	if compare == "" {
		return nil
	}
	sheet, err := colourwaySheet(in, before, ways)
	if err != nil {
		return err
	}
	if err := writePNG(compare, sheet); err != nil {
		return err
	}
	if !r.quiet {
		fmt.Fprintf(e.stderr, "%d colourways side by side: %s\n", len(ways), compare)
	}
	return nil
}

// plan says where everything goes, and refuses to write over what is read or two results to one place.
func (r *recolouring) plan(in string) (ways []way, compare string, err error) {
	folder := r.out != "" && r.out != "-" && (strings.HasSuffix(r.out, "/") || isFolder(r.out) || len(r.colourways) > 1)
	if len(r.colourways) > 1 && (r.out == "-" || r.out == "" && in == "-") {
		return nil, "", cli.Usagef("%d drawings cannot all go to standard output", len(r.colourways))
	}
	if folder && exists(r.out) && !isFolder(r.out) {
		return nil, "", cli.Usagef("%d drawings cannot go to one place, %s", len(r.colourways), r.out)
	}
	base := stem(in)
	if in == "-" {
		base = "drawing"
	}
	if folder {
		base = filepath.Join(r.out, filepath.Base(base))
	}
	read := append([]string{in}, r.colourways...)
	taken := map[string]string{}
	for _, path := range r.colourways {
		w := way{path: path, out: r.out}
		switch {
		case r.out == "" && in == "-":
			w.out = "-"
		case r.out == "" || folder:
			w.out = base + "." + filepath.Base(stem(path)) + ".svg"
		}
		if w.out != "-" {
			if before, ok := taken[w.out]; ok {
				return nil, "", cli.Usagef("%s and %s would both become %s", before, path, w.out)
			}
			taken[w.out] = path
			if err := notOver(w.out, read); err != nil {
				return nil, "", err
			}
		}
		ways = append(ways, w)
	}
	compare = r.compare
	switch {
	case compare == "none":
		compare = ""
	case compare == "" && len(ways) > 1:
		compare = base + ".colourways.png"
	}
	if compare != "" {
		return ways, compare, notOver(compare, read)
	}
	return ways, "", nil
}

// words is the report on one colourway.
func (w *way) words(in string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s -> %s\n", in, w.out)
	for _, x := range w.report.Exchanged {
		fmt.Fprintf(&b, "  %s %s -> %s\n", x.Layer, x.From.Hex(), x.To.Hex())
	}
	if len(w.report.Kept) > 0 {
		fmt.Fprintf(&b, "  kept: %s\n", strings.Join(w.report.Kept, ", "))
	}
	if len(w.report.Unmatched) > 0 {
		fmt.Fprintf(&b, "  no such layer: %s\n", strings.Join(w.report.Unmatched, ", "))
	}
	for _, g := range w.report.Shared {
		fmt.Fprintf(&b, "  of one colour now: %s\n", strings.Join(g, ", "))
	}
	for _, c := range w.clashes {
		fmt.Fprintf(&b, "  %s\n", c)
	}
	return b.String()
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
