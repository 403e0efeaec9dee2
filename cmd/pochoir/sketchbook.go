package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"runtime"
	"strconv"
	"time"

	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/cmd/pochoir/internal/sketchbook"
	"pochoir/quantize"
	"pochoir/trace"
)

var sketchbookCommand = command{
	name: "sketchbook",
	args: "[PAGE|FOLDER]...",
	doc:  "cut pages into drawings and trace them all, resuming where it stopped",
	more: "Writes NAME.svg for every drawing, its picture plates/NAME.png, a contact sheet and the\n" +
		"list sketchbook.toml, where plates can be renamed, merged, split and skipped. Stopped at\n" +
		"whatever moment, the same command goes on. Settings are kept in sketchbook.recipe.toml.",
	examples: []string{
		"pochoir sketchbook scans/ -o drawings",
		"pochoir sketchbook -o drawings",
		"pochoir sketchbook book.pdf -o drawings --one-palette yes",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		s := &sketching{}
		return s.options(), s.run
	},
}

// sketching is one run of the sketchbook command.
type sketching struct {
	out        string
	recipePath string
	settings   recipe.Recipe
	captions   *bool
	numbers    *bool
	onePalette *bool
	watch      string
	jobs       int
	limit      float64
	json       bool
	quiet      bool

	began time.Time
	live  string // what stands on the terminal's last line
}

func (s *sketching) options() []cli.Option {
	o := []cli.Option{
		{Name: "out", Also: "o", Arg: "FOLDER", Doc: "the sketchbook's folder", Set: text(&s.out)},
		{Name: "recipe", Arg: "FILE|none", Doc: "shared settings; default: those of the last run", Set: text(&s.recipePath)},
		{Name: "captions", Arg: "drop|keep", Doc: "words that stand by a drawing", Set: either(&s.captions, "drop", "keep")},
		{Name: "page-numbers", Arg: "drop|keep", Doc: "page numbers, each as a plate", Set: either(&s.numbers, "drop", "keep")},
		{Name: "one-palette", Arg: "no|yes", Doc: "the same colours for all, kept in palette.txt", Set: either(&s.onePalette, "no", "yes")},
		{Name: "watch", Arg: "FOLDER", Doc: "go on, and take pictures that arrive there", Set: text(&s.watch)},
		{Name: "jobs", Arg: "N", Doc: "pages at the same time", Set: count(&s.jobs, 1, 1024)},
		{Name: "max-megapixels", Arg: "N", Doc: "largest page opened, default " + strconv.Itoa(intake.DefaultMaxMegapixels), Set: megapixels(&s.limit)},
		{Name: "json", Doc: "events on standard output, one JSON line each", Set: yes(&s.json)},
		{Name: "quiet", Also: "q", Doc: "no report", Set: yes(&s.quiet)},
	}
	for i := range recipe.Fields {
		f := &recipe.Fields[i]
		if f.FileOnly {
			continue
		}
		o = append(o, cli.Option{Name: f.Key, Also: f.Also, Arg: f.Arg, Doc: f.Doc, Set: func(v string) error {
			return s.settings.Set(f.Key, v)
		}})
	}
	return o
}

// either is an option of two words, the first of which is false.
func either(to **bool, no, yes string) func(string) error {
	return func(v string) error {
		if v != no && v != yes {
			return fmt.Errorf("want %s or %s", no, yes)
		}
		on := v == yes
		*to = &on
		return nil
	}
}

// reserve is how much memory a run holds and never touches, in bytes, so that no page of it is ever in use. The collector
// goes by how much there is in all: over small pages, whose own share is a few megabytes, it would else run many times a
// second and stop all jobs each time. With the reserve a run uses up to 50 MB more, and two jobs do 1.8 times as much as
// one instead of 1.2 times on a busy machine.
const reserve = 128 << 20

// watchEvery is how often a watched folder is looked at.
const watchEvery = 2 * time.Second

func (s *sketching) run(e *env, args []string) error {
	switch {
	case s.out == "":
		u := cli.Usagef("-o is missing: the folder for the drawings")
		u.Hint = "pochoir sketchbook scans/ -o drawings"
		return u
	case len(args) == 0 && s.watch == "" && !exists(s.out):
		u := cli.Usagef("no pages given, and %s is no sketchbook yet", s.out)
		u.Hint = "pochoir sketchbook scans/ -o " + s.out
		return u
	}
	for _, a := range args {
		if a == "-" {
			return cli.Usagef("a sketchbook reads files, not standard input")
		}
	}
	c := sketchbook.Config{Folder: s.out, Inputs: args, Settings: &s.settings, Captions: s.captions, Numbers: s.numbers, OnePalette: s.onePalette,
		Jobs: s.jobs, MaxMegapixels: s.limit, Version: programPrint()}
	switch s.recipePath {
	case "":
	case "none":
		c.Base = &recipe.Recipe{}
	default:
		base, err := recipe.Load(s.recipePath)
		if err != nil {
			return err
		}
		c.Base = base
	}
	c.Trace = func(ctx context.Context, j sketchbook.TraceJob) (sketchbook.Figures, error) {
		return tracePlate(e, ctx, j)
	}
	c.Colours = plateColours
	c.Tell = func(v sketchbook.Event) { s.tell(e, v) }
	held := make([]byte, reserve)
	defer runtime.KeepAlive(held)
	s.began = time.Now()
	if s.watch != "" {
		if !s.json && !s.quiet {
			e.say("watching " + s.watch + "; Ctrl-C ends it")
		}
		err := sketchbook.Watch(e.ctx, c, s.watch, watchEvery, func(sum *sketchbook.Summary) {
			s.clear(e)
			s.began = time.Now()
			if sum.Pages > 0 {
				s.close(e, sum)
			}
		})
		s.clear(e)
		return err
	}
	sum, err := sketchbook.Run(e.ctx, c)
	s.clear(e)
	if err != nil {
		return err
	}
	return s.close(e, sum)
}

// tracePlate traces a plate just as the trace command does.
func tracePlate(e *env, ctx context.Context, j sketchbook.TraceJob) (sketchbook.Figures, error) {
	t := &tracing{recipe: j.Settings}
	inner := *e
	inner.ctx = ctx
	r, err := t.one(&inner, &sheetJob{path: j.Picture, out: j.Out}, j.Workers)
	if err != nil {
		return sketchbook.Figures{}, err
	}
	p := &r.result.Report
	f := sketchbook.Figures{Kind: p.Kind.String(), Medium: recipe.MediumWord(p.Medium), Layers: p.Layers, Shapes: p.Shapes, Segments: p.Segments,
		Bytes: r.bytes, Mean: p.Mean, Worst: p.Worst, Tolerance: p.Tolerance}
	for _, v := range p.Palette {
		f.Palette = append(f.Palette, v.Colour.Hex()+" "+v.Name)
	}
	return f, nil
}

// plateColours finds the palette of a plate.
func plateColours(ctx context.Context, j sketchbook.TraceJob) ([]quantize.Swatch, error) {
	opt, err := j.Settings.Options()
	if err != nil {
		return nil, err
	}
	opt.Workers = j.Workers
	pic, err := intake.Open(j.Picture, intake.Options{Workers: j.Workers})
	if err != nil {
		return nil, err
	}
	r, err := trace.Trace(ctx, pic, opt)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", j.Picture, err)
	}
	return r.Report.Palette, nil
}

// programPrint tells this build of the program from others: by the content of the program itself.
func programPrint() string {
	path, err := os.Executable()
	if err == nil {
		var f *os.File
		if f, err = os.Open(path); err == nil {
			defer f.Close()
			h := sha256.New()
			if _, err = io.Copy(h, f); err == nil {
				return hex.EncodeToString(h.Sum(nil))
			}
		}
	}
	return version + revision()
}

// tell reports an event: as JSON, on the terminal's last line, or as a line of a log.
func (s *sketching) tell(e *env, v sketchbook.Event) {
	if s.json {
		s.writeJSON(e.stdout, v)
		return
	}
	s.clear(e)
	switch v.Kind {
	case "failed":
		e.say(words(fmt.Errorf("%s", v.Text)))
		if v.Hint != "" {
			e.say("hint: " + v.Hint)
		}
	case "note":
		if v.Page != "" {
			v.Text = v.Page + ": " + v.Text
		}
		e.say(v.Text)
	}
	if s.quiet {
		return
	}
	if !e.live {
		switch v.Kind {
		case "plate":
			how := ""
			if v.Reused {
				how = ", done before"
			}
			f := v.Figures
			fmt.Fprintf(e.stderr, "%s: %s, %d colours, %d segments, deviation %s px (worst %s)%s\n", v.Plate, f.Medium, f.Layers, f.Segments, px(f.Mean), px(f.Worst), how)
		case "page":
			fmt.Fprintf(e.stderr, "%s: %s (%d of %d pages)\n", v.Page, counted(v.Plates, "plate"), v.PagesDone, v.PagesAll)
		}
		return
	}
	s.live = fmt.Sprintf("%d of %d pages, %s%s%s", v.PagesDone, v.PagesAll, counted(v.PlatesDone, "plate"), failures(v.Failed), s.left(v))
	fmt.Fprintf(e.stderr, "\r\x1b[K%s", s.live)
}

// clear takes the last line back.
func (s *sketching) clear(e *env) {
	if s.live != "" {
		fmt.Fprint(e.stderr, "\r\x1b[K")
		s.live = ""
	}
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func failures(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(", %d failed", n)
}

// left is how long it will still take, going by the pages so far.
func (s *sketching) left(v sketchbook.Event) string {
	if v.PagesDone == 0 || v.PagesDone == v.PagesAll {
		return ""
	}
	d := time.Since(s.began) / time.Duration(v.PagesDone) * time.Duration(v.PagesAll-v.PagesDone)
	switch {
	case d < 90*time.Second:
		return fmt.Sprintf(", about %d s left", int(d.Seconds())+1)
	case d < 90*time.Minute:
		return fmt.Sprintf(", about %d min left", int(d.Minutes())+1)
	}
	return fmt.Sprintf(", about %.1f h left", d.Hours())
}

// writeJSON writes an event as one line.
func (s *sketching) writeJSON(w io.Writer, v sketchbook.Event) {
	type event struct {
		Event      string              `json:"event"`
		Page       string              `json:"page,omitempty"`
		Plate      string              `json:"plate,omitempty"`
		Text       string              `json:"text,omitempty"`
		Hint       string              `json:"hint,omitempty"`
		Reused     bool                `json:"reused,omitempty"`
		Plates     *int                `json:"plates,omitempty"` // of a page
		Figures    *sketchbook.Figures `json:"figures,omitempty"`
		PagesDone  int                 `json:"pages_done"`
		Pages      int                 `json:"pages"`
		PlatesDone int                 `json:"plates_done"`
		Failed     int                 `json:"failed"`
	}
	o := event{v.Kind, v.Page, v.Plate, v.Text, v.Hint, v.Reused, nil, v.Figures, v.PagesDone, v.PagesAll, v.PlatesDone, v.Failed}
	if v.Kind == "page" {
		o.Plates = &v.Plates
	}
	json.NewEncoder(w).Encode(o)
}

// close reports on a run that has ended.
func (s *sketching) close(e *env, sum *sketchbook.Summary) error {
	switch {
	case s.json:
		type failure struct {
			Page  string `json:"page"`
			Plate string `json:"plate,omitempty"`
			Text  string `json:"text"`
		}
		list := []failure{}
		for _, f := range sum.Failures {
			list = append(list, failure{f.Page, f.Plate, f.Text})
		}
		err := json.NewEncoder(e.stdout).Encode(struct {
			Event    string    `json:"event"`
			Pages    int       `json:"pages"`
			Plates   int       `json:"plates"`
			Reused   int       `json:"reused"`
			Warnings int       `json:"warnings"`
			Failures []failure `json:"failures"`
		}{"done", sum.Pages, sum.Plates, sum.Reused, sum.Warnings, list})
		if err != nil {
			return err
		}
	case !s.quiet:
		done := ""
		if sum.Reused > 0 {
			done = fmt.Sprintf(", %d of them done before", sum.Reused)
		}
		look := ""
		if sum.Warnings > 0 {
			look = fmt.Sprintf(", %d to look at", sum.Warnings)
		}
		fmt.Fprintf(e.stderr, "%s: %s of %s%s%s; see %s\n", s.out, counted(sum.Plates, "drawing"), counted(sum.Pages, "page"), done, look, sketchbook.ContactHTML)
	}
	if len(sum.Failures) == 0 {
		return nil
	}
	if !s.json {
		e.say("failed:")
		for _, f := range sum.Failures {
			name := f.Page
			if f.Plate != "" {
				name += ", " + f.Plate
			}
			e.say("  " + name)
		}
	}
	if sum.Plates == 0 {
		return errTold
	}
	return someFailed{len(sum.Failures), len(sum.Failures) + sum.Plates}
}
