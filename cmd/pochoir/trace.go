package main

import (
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/paper"
)

var traceCommand = command{
	name: "trace",
	args: "PICTURE...",
	doc:  "make a layered SVG of each picture",
	more: "Without -o the SVG goes beside the picture, NAME.svg; further pages of a file get\n" +
		"NAME-2.svg and so on. Settings come from the options, else from the recipe.",
	examples: []string{
		"pochoir trace lantern.png",
		"pochoir trace lantern.png -o drawing.svg --smoothness 70 --save-recipe",
		"pochoir trace lantern.png boat.png -o vector/ --colours 6",
	},
	watched: true,
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		t := &tracing{}
		return t.options(), t.run
	},
}

// tracing is one run of the trace command.
type tracing struct {
	out        string
	recipePath string
	settings   recipe.Recipe // given as options
	saveRecipe bool
	keepSheet  string
	page       int // 0 for all
	jobs       int
	memory     *memory
	limit      float64 // megapixels
	quiet      bool
	json       bool

	recipe *recipe.Recipe // of --recipe, nil when the one beside each picture counts
}

func (t *tracing) options() []cli.Option {
	o := []cli.Option{
		{Name: "out", Also: "o", Arg: "FILE|DIR", Doc: "where to write; - is standard output", Set: text(&t.out)},
		{Name: "recipe", Arg: "FILE|none", Doc: "read settings from there; default: NAME" + recipe.Suffix, Set: text(&t.recipePath)},
		{Name: "save-recipe", Doc: "write the settings used to NAME" + recipe.Suffix, Set: yes(&t.saveRecipe)},
	}
	for i := range recipe.Fields {
		f := &recipe.Fields[i]
		if f.FileOnly {
			continue
		}
		o = append(o, cli.Option{Name: f.Key, Also: f.Also, Arg: f.Arg, Doc: f.Doc, Set: func(v string) error {
			return t.settings.Set(f.Key, v)
		}})
	}
	return append(o,
		cli.Option{Name: "keep-sheet", Arg: "FILE", Doc: "write the cleaned sheet as PNG", Set: text(&t.keepSheet)},
		cli.Option{Name: "page", Arg: "N", Doc: "only this page of a file of several", Set: count(&t.page, 1, 1e6)},
		cli.Option{Name: "jobs", Arg: "N", Doc: "pictures traced at the same time", Set: count(&t.jobs, 1, 1024)},
		cli.Option{Name: "max-megapixels", Arg: "N", Doc: "largest picture opened, default " + strconv.Itoa(intake.DefaultMaxMegapixels), Set: megapixels(&t.limit)},
		cli.Option{Name: "json", Doc: "report on standard output, one JSON line a picture", Set: yes(&t.json)},
		cli.Option{Name: "quiet", Also: "q", Doc: "no report", Set: yes(&t.quiet)},
	)
}

// text, yes, count and megapixels store an option's value.
func text(to *string) func(string) error {
	return func(v string) error {
		if v == "" {
			return errors.New("want a name")
		}
		*to = v
		return nil
	}
}

func yes(to *bool) func(string) error {
	return func(string) error { *to = true; return nil }
}

func count(to *int, lo, hi int) func(string) error {
	return func(v string) (err error) {
		n, err := strconv.Atoi(v)
		if err != nil || n < lo || n > hi {
			return fmt.Errorf("want a number from %d to %d", lo, hi)
		}
		*to = n
		return nil
	}
}

func megapixels(to *float64) func(string) error {
	return func(v string) error {
		f, err := strconv.ParseFloat(v, 64)
		if err != nil || !(f > 0 && f <= 1e5) {
			return errors.New("want a number of megapixels, above 0 and at most 100000")
		}
		*to = f
		return nil
	}
}

// sheetJob is one page to trace.
type sheetJob struct {
	path string
	file *intake.File // standard input, which opens only once; else nil
	page int
	out  string // "-" for standard output
	err  error  // the file could not be opened
}

// mostJobs bounds the pictures that are traced at once by default, and so the memory.
const mostJobs = 4

func (t *tracing) run(e *env, args []string) error {
	if len(args) == 0 {
		u := cli.Usagef("no picture given")
		u.Hint = "pochoir trace lantern.png"
		return u
	}
	if t.recipePath != "" && t.recipePath != "none" {
		var err error
		if t.recipe, err = recipe.Load(t.recipePath); err != nil {
			return err
		}
	}
	jobs, err := t.plan(e, args)
	if err != nil {
		return err
	}
	workers := runtime.GOMAXPROCS(0)
	atOnce := t.jobs
	if atOnce == 0 {
		atOnce = min(workers, mostJobs)
	}
	atOnce = min(atOnce, len(jobs))
	return t.all(e, jobs, atOnce, max(workers/atOnce, 1))
}

// plan lists the pages to trace and where each result goes.
func (t *tracing) plan(e *env, args []string) ([]sheetJob, error) {
	folder := t.out != "" && t.out != "-" && (strings.HasSuffix(t.out, "/") || strings.HasSuffix(t.out, string(filepath.Separator)) || isFolder(t.out))
	if len(args) > 1 && t.out != "" && !folder {
		if t.out == "-" || exists(t.out) {
			return nil, cli.Usagef("%d pictures cannot go to one place, %s", len(args), t.out)
		}
		folder = true
	}
	opt := intake.Options{MaxMegapixels: t.limit, Stdin: e.stdin, Mosaic: t.keepSheet == ""}
	var jobs []sheetJob
	stdin := 0
	for _, path := range args {
		if path == "-" {
			if stdin++; stdin > 1 {
				return nil, cli.Usagef("standard input can be read only once")
			}
			if t.saveRecipe {
				return nil, cli.Usagef("--save-recipe: a picture on standard input has no name to save beside")
			}
		}
		f, err := intake.OpenFile(path, opt)
		if err != nil {
			jobs = append(jobs, sheetJob{path: path, err: err})
			continue
		}
		first, last := 0, f.Pages()-1
		if t.page > 0 {
			first, last = t.page-1, t.page-1 // that it exists is checked when it is opened
		}
		for p := first; p <= last; p++ {
			j := sheetJob{path: path, page: p}
			j.out = t.target(path, folder, p, first == last)
			if path == "-" {
				j.file = f
			}
			if j.out == "-" && first != last {
				u := cli.Usagef("%s has %d pages, which cannot all go to standard output", path, f.Pages())
				u.Hint = "choose one: --page 1"
				return nil, u
			}
			jobs = append(jobs, j)
		}
		if path != "-" {
			f.Close()
		}
	}
	if t.json && len(jobs) > 0 && jobs[0].out == "-" {
		return nil, cli.Usagef("--json and the drawing cannot both go to standard output")
	}
	if t.keepSheet != "" && len(jobs) > 1 {
		return nil, cli.Usagef("--keep-sheet takes one picture at a time, these are %d", len(jobs))
	}
	if folder {
		if err := os.MkdirAll(t.out, 0o777); err != nil {
			return nil, fmt.Errorf("%s: the folder cannot be made: %w", t.out, bare(err))
		}
	}
	return jobs, t.apart(args, jobs)
}

// target is where the drawing of a page goes.
func (t *tracing) target(path string, folder bool, page int, only bool) string {
	out := t.out
	switch {
	case out == "-" || out == "" && path == "-":
		return "-"
	case folder && path == "-":
		out = filepath.Join(out, "drawing.svg")
	case folder:
		out = filepath.Join(out, stem(filepath.Base(path))+".svg")
	case out == "":
		out = stem(path) + ".svg"
	}
	if page > 0 && !(only && t.out != "" && !folder) {
		out = fmt.Sprintf("%s-%d%s", stem(out), page+1, filepath.Ext(out))
	}
	return out
}

// apart refuses to write over a picture that is read, and to write two drawings to one file.
func (t *tracing) apart(args []string, jobs []sheetJob) error {
	taken := map[string]string{}
	for _, j := range jobs {
		if j.err != nil || j.out == "-" {
			continue
		}
		name, err := filepath.Abs(j.out)
		if err != nil {
			return err
		}
		if before, ok := taken[name]; ok {
			u := cli.Usagef("%s and %s would both become %s", before, j.path, j.out)
			u.Hint = "trace them one at a time, each with its own -o"
			return u
		}
		taken[name] = j.path
		if err := notOver(j.out, args); err != nil {
			return err
		}
	}
	if t.keepSheet != "" {
		return notOver(t.keepSheet, args)
	}
	return nil
}

// notOver refuses to write to a file that is also read, by whatever name.
func notOver(out string, inputs []string) error {
	have, err := os.Stat(out)
	if err != nil {
		return nil
	}
	for _, in := range inputs {
		if info, err := os.Stat(in); err == nil && os.SameFile(info, have) {
			return cli.Usagef("%s would be written over, and it is read as %s", out, in)
		}
	}
	return nil
}

// outcome is what became of one page.
type outcome struct {
	report *report
	err    error
}

// all traces the jobs, so many at once, and reports on them in their order.
func (t *tracing) all(e *env, jobs []sheetJob, atOnce, workers int) error {
	t.memory = watchMemory()
	defer t.memory.release()
	done := make([]chan outcome, len(jobs))
	for i := range done {
		done[i] = make(chan outcome, 1)
	}
	next := make(chan int)
	var wg sync.WaitGroup
	for range atOnce {
		wg.Go(func() {
			for i := range next {
				r, err := t.one(e, &jobs[i], workers)
				done[i] <- outcome{r, err}
			}
		})
	}
	go func() {
		defer close(next)
		for i := range jobs {
			next <- i
		}
	}()
	failed := 0
	for i := range jobs {
		clear := e.progress(t.quiet, i, len(jobs), jobs[i].path)
		o := <-done[i]
		clear()
		switch {
		case e.ctx.Err() != nil:
			failed++ // told once, at the end
		case o.err != nil:
			failed++
			e.tell(o.err)
		case t.json:
			if err := o.report.writeJSON(e.stdout); err != nil {
				return err
			}
		case !t.quiet && len(jobs) == 1:
			io.WriteString(e.stderr, o.report.screen())
		case !t.quiet:
			io.WriteString(e.stderr, o.report.line())
		}
	}
	wg.Wait()
	switch {
	case e.ctx.Err() != nil:
		return e.ctx.Err()
	case failed == len(jobs):
		return errTold
	case failed > 0:
		return someFailed{failed, len(jobs)}
	}
	return nil
}

// progress shows what is being done where that can be taken back, and returns what takes it back.
func (e *env) progress(quiet bool, i, n int, name string) (clear func()) {
	if quiet || !e.live {
		return func() {}
	}
	fmt.Fprintf(e.stderr, "\r\x1b[K%d/%d %s", i+1, n, name)
	return func() { fmt.Fprint(e.stderr, "\r\x1b[K") }
}

// one traces one page. A fault in the engine is reported like any other, so that it does not end a long run.
func (t *tracing) one(e *env, j *sheetJob, workers int) (r *report, err error) {
	defer func() {
		if p := recover(); p != nil {
			r, err = nil, fmt.Errorf("%s: pochoir itself failed (%v); this is a fault worth reporting", j.path, p)
		}
	}()
	if j.err != nil {
		return nil, j.err
	}
	if err := e.ctx.Err(); err != nil {
		return nil, err
	}
	settings, from, err := t.recipeFor(j.path)
	if err != nil {
		return nil, err
	}
	opt, err := settings.Options()
	if err != nil {
		return nil, err
	}
	opt.Workers = workers
	clock := time.Now()
	file := j.file
	if file == nil {
		if file, err = intake.OpenFile(j.path, intake.Options{MaxMegapixels: t.limit, Workers: workers, Mosaic: t.keepSheet == ""}); err != nil {
			return nil, err
		}
		defer file.Close()
	}
	defer t.memory.hold(file.Size(j.page))()
	pic, err := file.Page(j.page)
	if err != nil {
		return nil, err
	}
	r = &report{source: j.path, page: j.page, pages: file.Pages(), recipe: from, output: j.out,
		width: pic.W, height: pic.H, format: pic.Format}
	if opt.Sheet.Kind = paper.KindOf(pic, opt.Sheet); opt.Sheet.Kind != paper.Digital {
		defer t.memory.holdSheet(pic.W, pic.H)()
	}
	r.stage("open", time.Since(clock))
	tracer := trace.NewTracer(pic)
	if tracer.Once(); t.keepSheet == "" {
		w, h := pic.W, pic.H
		tracer.Last(func() { collect(w, h) })
	}
	result, err := tracer.Trace(e.ctx, opt)
	if err != nil {
		if e.ctx.Err() != nil {
			return nil, err
		}
		return nil, fmt.Errorf("%s: %w", j.path, err)
	}
	r.result = result
	for _, s := range result.Report.Stages {
		r.stage(s.Name, s.Took)
	}
	clock = time.Now()
	result.Drawing.Meta = meta.Merge(result.Drawing.Meta, settings.Words())
	if result.Drawing.Meta.Title == "" {
		result.Drawing.Meta.Title = title(j.out)
	}
	if err := t.write(e, j, tracer, result.Drawing, r); err != nil {
		return nil, err
	}
	if t.saveRecipe {
		if err := settings.Save(recipe.Beside(j.path)); err != nil {
			return nil, err
		}
	}
	r.stage("write", time.Since(clock))
	return r, nil
}

// recipeFor returns the settings for a picture: the options over the recipe, and the file that one came from.
func (t *tracing) recipeFor(path string) (*recipe.Recipe, string, error) {
	if t.recipe != nil {
		return t.recipe.Over(&t.settings), t.recipePath, nil
	}
	if t.recipePath == "" && path != "-" {
		beside := recipe.Beside(path)
		switch r, err := recipe.Load(beside); {
		case err == nil:
			return r.Over(&t.settings), beside, nil
		case !errors.Is(err, fs.ErrNotExist):
			return nil, "", err
		}
	}
	return new(recipe.Recipe).Over(&t.settings), "", nil
}

// write puts out the drawing and what else was asked for.
func (t *tracing) write(e *env, j *sheetJob, tracer *trace.Tracer, d *trace.Drawing, r *report) error {
	put := func(w io.Writer) error {
		c := &counting{w: w}
		err := svgout.Write(c, d, svgout.Options{})
		r.bytes = c.n
		if err != nil {
			err = fmt.Errorf("%s: %w", j.path, err)
		}
		return err
	}
	var err error
	if j.out == "-" {
		err = put(e.stdout)
	} else {
		err = atomicfile.Write(j.out, put)
	}
	if err != nil || t.keepSheet == "" {
		return err
	}
	s := tracer.Sheet()
	img := &image.NRGBA{Pix: s.Pix, Stride: 4 * s.W, Rect: image.Rect(0, 0, s.W, s.H)}
	return atomicfile.Write(t.keepSheet, func(w io.Writer) error { return png.Encode(w, img) })
}

// counting counts the bytes that pass.
type counting struct {
	w io.Writer
	n int64
}

func (c *counting) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += int64(n)
	return n, err
}

// title is what a drawing is called until its maker says more: the name of its file, in words.
func title(out string) string {
	if out == "-" {
		return "drawing"
	}
	return strings.ReplaceAll(strings.ReplaceAll(stem(filepath.Base(out)), "_", " "), "-", " ")
}

// stem is a path without its ending.
func stem(path string) string { return strings.TrimSuffix(path, filepath.Ext(path)) }

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// bare takes the path off an error of the system.
func bare(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
