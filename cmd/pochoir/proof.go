package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"strconv"
	"strings"

	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/fit"
	"pochoir/svgout"
	"pochoir/trace/paper"
	"pochoir/trace/proof"
)

var proofCommand = command{
	name: "proof",
	args: "PICTURE DRAWING.svg, or DRAWING.svg --reference PHOTO",
	doc:  "compare a drawing with its picture, in figures and to look at",
	more: "Writes one picture of original, drawing, points and difference beside the drawing, as\n" +
		"NAME.proof.png. Deviation is the distance between drawn and measured edge. A snapshot\n" +
		"is straightened and cleaned first, by the recipe beside it. --reference lays the outlines over a\n" +
		"photograph of the subject instead, where they fit best, and tells whether the proportions agree;\n" +
		"where the photograph is too busy for that, give two points of the drawing and of the photograph.",
	examples: []string{
		"pochoir proof lantern.png lantern.svg",
		"pochoir proof lantern.png lantern.svg --json -o none",
		"pochoir proof lantern.svg --reference lantern.png",
		"pochoir proof lantern.svg --reference lantern.png --match 0,0,512,512,0,0,160,160",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		p := &proofing{page: 1}
		return []cli.Option{
			{Name: "out", Also: "o", Arg: "FILE|none", Doc: "where the picture goes", Set: text(&p.out)},
			{Name: "recipe", Arg: "FILE|none", Doc: "settings of the trace; default: NAME" + recipe.Suffix, Set: text(&p.recipePath)},
			{Name: "page", Arg: "N", Doc: "page of the picture's file", Set: count(&p.page, 1, 1e6)},
			{Name: "max-megapixels", Arg: "N", Doc: fmt.Sprintf("largest picture opened, default %d", intake.DefaultMaxMegapixels), Set: megapixels(&p.limit)},
			{Name: "reference", Arg: "PHOTO", Doc: "lay the outlines over this photograph", Set: text(&p.reference)},
			{Name: "match", Arg: "X,Y,X,Y,X,Y,X,Y", Doc: "two points of the drawing, the same on the photograph", Set: p.setMatch},
			{Name: "json", Doc: "figures as JSON", Set: yes(&p.json)},
		}, p.run
	},
}

// proofing is one run of the proof command.
type proofing struct {
	out, recipePath string
	reference       string
	match           []float64 // eight numbers, or none
	page            int
	limit           float64
	json            bool
}

// setMatch reads two points of the drawing and two of the photograph.
func (p *proofing) setMatch(v string) error {
	p.match = nil
	for _, f := range strings.Split(v, ",") {
		x, err := strconv.ParseFloat(strings.TrimSpace(f), 64)
		if err != nil || math.IsNaN(x) || math.Abs(x) > 1e7 {
			return errors.New("want eight numbers")
		}
		p.match = append(p.match, x)
	}
	if len(p.match) != 8 {
		return errors.New("want eight numbers")
	}
	return nil
}

// overReference lays a drawing over a photograph.
func (p *proofing) overReference(e *env, args []string) error {
	if len(args) != 1 {
		return cli.Usagef("--reference: want one drawing, got %d file(s)", len(args))
	}
	drawing := args[0]
	if drawing == "-" && p.reference == "-" {
		return cli.Usagef("standard input can be only one of the two")
	}
	out := p.out
	if out == "" {
		out = "none"
		if drawing != "-" {
			out = stem(drawing) + ".reference.png"
		}
	}
	if out != "none" {
		if err := notOver(out, []string{drawing, p.reference}); err != nil {
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
	pic, err := intake.OpenPage(p.reference, p.page-1, intake.Options{MaxMegapixels: p.limit, Stdin: e.stdin})
	if err != nil {
		return err
	}
	var place proof.Placement
	if m := p.match; m != nil {
		place, err = proof.PlaceByPoints([2]fit.Point{{X: m[0], Y: m[1]}, {X: m[2], Y: m[3]}}, [2]fit.Point{{X: m[4], Y: m[5]}, {X: m[6], Y: m[7]}})
	} else {
		place, err = proof.PlaceOver(d, pic.Pix, pic.W, pic.H)
	}
	var f proof.ReferenceFigures
	if err == nil {
		f, err = proof.OverFigures(d, pic.Pix, pic.W, pic.H, place)
	}
	if err != nil {
		return fmt.Errorf("%s and %s: %w", drawing, p.reference, err)
	}
	if p.json {
		err = json.NewEncoder(e.stdout).Encode(f)
	} else {
		_, err = io.WriteString(e.stdout, f.Text())
	}
	if err != nil || out == "none" {
		return err
	}
	return writePNG(out, proof.ReferenceSheet(d, pic.Pix, pic.W, pic.H, place, f))
}

func (p *proofing) run(e *env, args []string) error {
	if p.reference != "" {
		return p.overReference(e, args)
	}
	if p.match != nil {
		return cli.Usagef("--match goes with --reference")
	}
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
