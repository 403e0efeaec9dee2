package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/catalogue"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/deliver"
	"pochoir/cmd/pochoir/internal/deliver/check"
	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/trace"
)

var packCommand = command{
	name: "pack",
	args: "DRAWING.svg... -o FOLDER",
	doc:  "make everything a picture library takes: checked, keyworded, previewed",
	more: "The folder gets NAME.svg, .eps, .pdf, .png and .jpg of every drawing, pack.csv for upload forms,\n" +
		"checks.json and reminder.txt. Titles and keywords come from the drawing, NAME.recipe.toml and\n" +
		"NAME.meta.toml beside it and the table of --meta; the later goes before the earlier. What none of\n" +
		"them says, the catalogue fills in; it proposes keywords, tells near copies, and notes the pack.\n" +
		"What would be refused is not packed.",
	examples: []string{
		"pochoir pack lantern.svg -o out/",
		"pochoir pack *.svg -o out/ --meta titles.csv --terms library.toml",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		p := &packing{}
		return []cli.Option{
			{Name: "out", Also: "o", Arg: "DIR", Doc: "the folder to fill", Set: text(&p.out)},
			{Name: "meta", Arg: "FILE", Doc: "a table (.csv) or text (.toml) of titles, keywords and the rest", Set: text(&p.meta)},
			{Name: "terms", Arg: "FILE", Doc: "limits and sizes of one library", Set: text(&p.terms)},
			{Name: "formats", Arg: "LIST", Doc: "for instance eps,jpg; default: the terms', or all", Set: text(&p.formats)},
			{Name: "no-mend", Doc: "change nothing in the drawings", Set: yes(&p.opt.NoMend)},
			{Name: "anyway", Doc: "pack what would be refused, too", Set: yes(&p.opt.Anyway)},
			{Name: "jobs", Arg: "N", Doc: "drawings packed at the same time", Set: count(&p.jobs, 1, 64)},
			{Name: "catalogue", Arg: "FILE|none", Doc: "default: " + catalogue.DefaultName + " where there is one", Set: text(&p.catalogue)},
			{Name: "quiet", Also: "q", Doc: "no report", Set: yes(&p.quiet)},
		}, p.run
	},
}

// packing is one run of the pack command.
type packing struct {
	out, meta, terms, formats string
	catalogue                 string
	opt                       deliver.PackOptions
	jobs                      int
	quiet                     bool
}

// packed is what became of one drawing.
type packed struct {
	*deliver.Packed
	err error
}

func (p *packing) run(e *env, args []string) error {
	if len(args) == 0 {
		u := cli.Usagef("no drawing given")
		u.Hint = "pochoir pack lantern.svg -o out/"
		return u
	}
	if p.out == "" || p.out == "-" {
		return cli.Usagef("-o wants a folder")
	}
	names := map[string]string{}
	for _, path := range args {
		if path == "-" {
			return cli.Usagef("a drawing on standard input has no name for its files")
		}
		name := stem(filepath.Base(path))
		if before, twice := names[name]; twice {
			return cli.Usagef("%s and %s would both become %s", before, path, name)
		}
		names[name] = path
	}
	p.opt.Terms = &check.Terms{}
	var err error
	if p.terms != "" {
		if p.opt.Terms, err = loadTerms(p.terms); err != nil {
			return err
		}
	}
	list := p.opt.Terms.Pack.Formats
	if p.formats != "" {
		list = strings.Split(p.formats, ",")
	}
	if p.opt.Formats, err = deliver.Formats(list); err != nil {
		return cli.Usagef("%v", err)
	}
	source, err := newMetaSource(p.meta)
	if err != nil {
		return err
	}
	c, err := besides(p.catalogue)
	if err != nil {
		return err
	}
	if c != nil {
		defer c.Close()
	}
	before := exists(p.out)
	if err := os.MkdirAll(p.out, 0o777); err != nil {
		return fmt.Errorf("%s: the folder cannot be made: %w", p.out, bare(err))
	}
	err = p.all(e, args, source, c)
	if err != nil && !before {
		os.Remove(p.out) // where nothing was put into it
	}
	return err
}

// all packs the drawings, several at once, and writes and reports in their order.
func (p *packing) all(e *env, args []string, source *metaSource, c *catalogue.Catalogue) error {
	done := make([]chan packed, len(args))
	for i := range done {
		done[i] = make(chan packed, 1)
	}
	words := make([]trace.Meta, len(args)) // gathered in order, so that the table's use is known
	bad := make([]error, len(args))
	under := make([]trace.Meta, len(args))
	for i, path := range args {
		bad[i] = source.apply(path, &words[i])
		if c != nil {
			it, err := c.At(path)
			if err != nil {
				return err
			}
			if it != nil {
				under[i] = trace.Meta{Title: it.Title, Description: it.Description, Keywords: it.Keywords}
			}
		}
	}
	const mostJobs = 4 // a drawing in work holds a preview or two in memory
	atOnce := p.jobs
	if atOnce == 0 {
		atOnce = min(runtime.GOMAXPROCS(0), mostJobs)
	}
	room := make(chan struct{}, atOnce) // given back once the files are written
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := range args {
			room <- struct{}{}
			wg.Go(func() {
				if bad[i] != nil || e.ctx.Err() != nil {
					done[i] <- packed{nil, errors.Join(bad[i], e.ctx.Err())}
					return
				}
				r, err := p.one(e, args[i], words[i], under[i])
				done[i] <- packed{r, err}
			})
		}
	})
	var rows []meta.Row
	reports := []*check.Report{}
	var fine []string // what no check refuses
	failed := 0
	for i, path := range args {
		clear := e.progress(p.quiet, i, len(args), path)
		r := <-done[i]
		clear()
		if r.err == nil {
			r.err = p.write(path, r.Packed, args)
		}
		<-room
		if r.err != nil {
			failed++
			if e.ctx.Err() == nil {
				e.tell(r.err)
			}
			continue
		}
		name := stem(filepath.Base(path))
		r.Report.File = name + "." + r.Files[0].Format.Ending()
		reports = append(reports, r.Report)
		rows = append(rows, meta.Row{File: name + "." + uploadFormat(r.Files).Ending(), Meta: r.Meta})
		if !p.quiet {
			fmt.Fprintf(e.stderr, "%s -> %s: %s; %s; %s\n", path, filepath.Join(p.out, name), fileList(r.Files), mendedText(r.Mended), sums(r.Report))
			for _, f := range r.Report.Findings {
				if f.Severity >= check.Warning {
					fmt.Fprintf(e.stderr, "  %s %s: %s\n", f.Severity, f.Rule, f.Text)
				}
			}
			for _, s := range r.Remarks {
				fmt.Fprintf(e.stderr, "  %s\n", s)
			}
			if c != nil {
				k, err := knownOf(c, path, r.Meta)
				if err != nil {
					e.tell(err)
				}
				fmt.Fprint(e.stderr, k.text("  "))
			}
		}
		if r.Report.Refusals == 0 {
			fine = append(fine, path)
		}
	}
	wg.Wait()
	if err := e.ctx.Err(); err != nil {
		return err
	}
	if len(rows) > 0 {
		if err := p.papers(rows, reports); err != nil {
			return err
		}
		if c != nil {
			if err := noteChecked(e, c, fine); err != nil {
				return err
			}
			if err := putIn(e, c, p.out, catalogue.Pack); err != nil {
				return err
			}
		}
	}
	if !p.quiet {
		if un := source.unused(); len(un) > 0 {
			e.say(fmt.Sprintf("%s: no drawing given for %s", p.meta, strings.Join(un, ", ")))
		}
		if len(rows) > 0 {
			e.say(deliver.Reminder)
		}
	}
	switch {
	case failed == len(args):
		return errTold
	case failed > 0:
		return someFailed{failed, len(args)}
	}
	return nil
}

// one makes the files of one drawing. A fault of the program is reported like any other, so that it does not end a long
// run.
func (p *packing) one(e *env, path string, words, under trace.Meta) (r *deliver.Packed, err error) {
	defer func() {
		if f := recover(); f != nil {
			r, err = nil, fmt.Errorf("%s: pochoir itself failed (%v); this is a fault worth reporting", path, f)
		}
	}()
	src, err := e.readDrawing(path)
	if err != nil {
		return nil, err
	}
	opt := p.opt
	opt.Meta, opt.Under, opt.Name = words, under, title(path)
	if r, err = deliver.Pack(src, opt); err != nil {
		err = fmt.Errorf("%s: %w", path, err)
		var refused *deliver.RefusedError
		if errors.As(err, &refused) {
			return nil, hinted{err, "pochoir check " + path + " says more; --anyway packs it all the same where it can be read"}
		}
		return nil, err
	}
	return r, nil
}

// write puts the files of a drawing into the folder.
func (p *packing) write(path string, r *deliver.Packed, inputs []string) error {
	name := stem(filepath.Base(path))
	for _, f := range r.Files {
		out := filepath.Join(p.out, name+"."+f.Format.Ending())
		if err := notOver(out, inputs); err != nil {
			return err
		}
	}
	for _, f := range r.Files {
		out := filepath.Join(p.out, name+"."+f.Format.Ending())
		if err := atomicfile.Write(out, func(w io.Writer) error { _, err := w.Write(f.Data); return err }); err != nil {
			return err
		}
	}
	return nil
}

// papers writes what goes with the whole pack.
func (p *packing) papers(rows []meta.Row, reports []*check.Report) error {
	for _, f := range []struct {
		name  string
		write func(io.Writer) error
	}{
		{"pack.csv", func(w io.Writer) error { return meta.WriteTable(w, rows) }},
		{"checks.json", func(w io.Writer) error {
			enc := json.NewEncoder(w)
			enc.SetIndent("", " ")
			return enc.Encode(reports)
		}},
		{"reminder.txt", func(w io.Writer) error { _, err := fmt.Fprintln(w, deliver.Reminder); return err }},
	} {
		if err := atomicfile.Write(filepath.Join(p.out, f.name), f.write); err != nil {
			return err
		}
	}
	return nil
}

// uploadFormat is the format an upload form is asked about: the vector where there is one.
func uploadFormat(files []deliver.File) deliver.Format {
	for _, want := range []deliver.Format{deliver.EPS, deliver.SVG, deliver.PDF, deliver.JPEG} {
		for _, f := range files {
			if f.Format == want {
				return want
			}
		}
	}
	return files[0].Format
}

func fileList(files []deliver.File) string {
	var out []string
	for _, f := range files {
		out = append(out, f.Format.Ending())
	}
	return strings.Join(out, ", ")
}
