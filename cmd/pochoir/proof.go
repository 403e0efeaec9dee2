package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"

	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/svgout"
	"pochoir/trace/paper"
	"pochoir/trace/proof"
)

var proofCommand = command{
	name: "proof",
	args: "PICTURE DRAWING.svg",
	doc:  "compare a drawing with its picture, in figures and to look at",
	more: "Writes one picture of original, drawing, points and difference beside the drawing, as\n" +
		"NAME.proof.png. Deviation is the distance between drawn and measured edge. A snapshot\n" +
		"is straightened and cleaned first, by the recipe beside it.",
	examples: []string{"pochoir proof lantern.png lantern.svg", "pochoir proof lantern.png lantern.svg --json -o none"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		p := &proofing{page: 1}
		return []cli.Option{
			{Name: "out", Also: "o", Arg: "FILE|none", Doc: "where the picture goes", Set: text(&p.out)},
			{Name: "recipe", Arg: "FILE|none", Doc: "settings of the trace; default: NAME" + recipe.Suffix, Set: text(&p.recipePath)},
			{Name: "page", Arg: "N", Doc: "page of the picture's file", Set: count(&p.page, 1, 1e6)},
			{Name: "max-megapixels", Arg: "N", Doc: fmt.Sprintf("largest picture opened, default %d", intake.DefaultMaxMegapixels), Set: megapixels(&p.limit)},
			{Name: "json", Doc: "figures as JSON", Set: yes(&p.json)},
		}, p.run
	},
}

// proofing is one run of the proof command.
type proofing struct {
	out, recipePath string
	page            int
	limit           float64
	json            bool
}

func (p *proofing) run(e *env, args []string) error {
	if len(args) != 2 {
		return cli.Usagef("want a picture and its drawing, got %d file(s)", len(args))
	}
	picture, drawing := args[0], args[1]
	out := p.out
	if out == "" {
		out = "none"
		if drawing != "-" {
			out = stem(drawing) + ".proof.png"
		}
	}
	if picture == "-" && drawing == "-" {
		return cli.Usagef("standard input can be only one of the two")
	}
	if out != "none" {
		if err := notOver(out, args); err != nil {
			return err
		}
	}
	text, err := e.readDrawing(drawing)
	if err != nil {
		return err
	}
	d, err := svgout.Read(bytes.NewReader(text))
	if err != nil {
		return fmt.Errorf("%s: %w", drawing, err)
	}
	pic, err := intake.OpenPage(picture, p.page-1, intake.Options{MaxMegapixels: p.limit, Stdin: e.stdin})
	if err != nil {
		return err
	}
	settings, err := p.settings(picture)
	if err != nil {
		return err
	}
	sheet, err := paper.Prepare(e.ctx, pic, settings)
	if err != nil {
		return fmt.Errorf("%s: %w", picture, err)
	}
	f, err := proof.Compare(d, sheet.Pix, sheet.W, sheet.H)
	if err != nil {
		return fmt.Errorf("%s and %s: %w", picture, drawing, err)
	}
	if p.json {
		err = json.NewEncoder(e.stdout).Encode(f)
	} else {
		_, err = fmt.Fprint(e.stdout, f.Text())
	}
	if err != nil || out == "none" {
		return err
	}
	return writePNG(out, proof.Sheet(d, sheet.Pix, sheet.W, sheet.H, f))
}

// settings are how the sheet of the picture was made.
func (p *proofing) settings(picture string) (paper.Options, error) {
	path := p.recipePath
	if path == "none" || path == "" && picture == "-" {
		return paper.Options{}, nil
	}
	if path == "" {
		path = recipe.Beside(picture)
	}
	r, err := recipe.Load(path)
	if p.recipePath == "" && errors.Is(err, fs.ErrNotExist) {
		return paper.Options{}, nil
	}
	if err != nil {
		return paper.Options{}, err
	}
	o, err := r.Options()
	return o.Sheet, err
}
