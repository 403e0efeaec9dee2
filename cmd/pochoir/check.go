package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/catalogue"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/deliver/check"
	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/svgout"
)

var checkCommand = command{
	name: "check",
	args: "FILE.svg...",
	doc:  "say what a reviewer would refuse in any SVG, and mend what can be mended",
	more: "The files are only read. --mend writes a mended copy as NAME.mended.svg where nothing needs\n" +
		"a person. Exit code 1 when every file would be refused, 3 when some would. From the catalogue come\n" +
		"keywords that similar drawings carry, and near copies; it notes which of its drawings passed.",
	examples: []string{
		"pochoir check lantern.svg",
		"pochoir check *.svg --marked marked/ --json > report.json",
		"pochoir check edited.svg --mend",
		"pochoir check --write-terms library.toml",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		c := &checking{}
		return []cli.Option{
			{Name: "terms", Arg: "FILE", Doc: "limits of one library", Set: text(&c.terms)},
			{Name: "mend", Doc: "write a mended copy", Set: yes(&c.mend)},
			{Name: "out", Also: "o", Arg: "FILE|DIR", Doc: "where the mended copy goes", Set: text(&c.out)},
			{Name: "marked", Arg: "DIR", Doc: "write NAME.check.png with the places marked", Set: text(&c.marked)},
			{Name: "json", Doc: "report on standard output, one JSON line a file", Set: yes(&c.json)},
			{Name: "rules", Doc: "list every rule and why it is one", Set: yes(&c.rules)},
			{Name: "write-terms", Arg: "FILE", Doc: "write an empty terms file to fill in", Set: text(&c.writeTerms)},
			{Name: "catalogue", Arg: "FILE|none", Doc: "default: " + catalogue.DefaultName + " where there is one", Set: text(&c.catalogue)},
			{Name: "quiet", Also: "q", Doc: "refusals only", Set: yes(&c.quiet)},
		}, c.run
	},
}

// checking is one run of the check command.
type checking struct {
	terms, out, marked, writeTerms string
	catalogue                      string
	mend, json, rules, quiet       bool
}

func (c *checking) run(e *env, args []string) error {
	if c.rules {
		return listRules(e.stdout)
	}
	if c.writeTerms != "" {
		if len(args) > 0 {
			return cli.Usagef("--write-terms checks no files")
		}
		if exists(c.writeTerms) {
			return fmt.Errorf("%s: is there already; terms filled in by hand are not written over", c.writeTerms)
		}
		return atomicfile.Write(c.writeTerms, check.WriteTerms)
	}
	if len(args) == 0 {
		u := cli.Usagef("no drawing given")
		u.Hint = "pochoir check lantern.svg"
		return u
	}
	if c.out != "" && !c.mend {
		return cli.Usagef("-o says where a mended copy goes; --mend is missing")
	}
	terms := &check.Terms{}
	if c.terms != "" {
		var err error
		if terms, err = loadTerms(c.terms); err != nil {
			return err
		}
	}
	for _, dir := range []string{c.marked} {
		if dir != "" {
			if err := os.MkdirAll(dir, 0o777); err != nil {
				return fmt.Errorf("%s: the folder cannot be made: %w", dir, bare(err))
			}
		}
	}
	k, err := besides(c.catalogue)
	if err != nil {
		return err
	}
	if k != nil {
		defer k.Close()
	}
	failed := 0
	for i, path := range args {
		if err := e.ctx.Err(); err != nil {
			return err
		}
		clear := e.progress(c.quiet, i, len(args), path)
		refused, err := c.one(e, path, args, terms, k, clear)
		clear()
		if err != nil {
			var usage *cli.UsageError
			if errors.As(err, &usage) {
				return err
			}
			e.tell(err)
		}
		if err != nil || refused {
			failed++
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

// one checks one file and reports on it.
func (c *checking) one(e *env, path string, all []string, terms *check.Terms, k *catalogue.Catalogue, clear func()) (refused bool, err error) {
	src, err := e.readDrawing(path)
	if err != nil {
		return false, err
	}
	sheet, err := survey.Read(bytes.NewReader(src))
	if err != nil {
		return false, fmt.Errorf("%s: %w", path, err)
	}
	r := check.Check(sheet, terms)
	r.File = path
	if c.marked != "" {
		name := "drawing"
		if path != "-" {
			name = stem(filepath.Base(path))
		}
		pic, err := check.Picture(sheet, r)
		if err != nil {
			return false, fmt.Errorf("%s: %w", path, err)
		}
		out := filepath.Join(c.marked, name+".check.png")
		if err := notOver(out, all); err != nil {
			return false, err
		}
		if err := atomicfile.Write(out, func(w io.Writer) error { return png.Encode(w, pic) }); err != nil {
			return false, err
		}
	}
	var about known
	if k != nil && path != "-" {
		if about, err = knownOf(k, path, sheet.Meta); err != nil {
			return false, err
		}
		if about.item && r.Refusals == 0 {
			if err := noteChecked(e, k, []string{path}); err != nil {
				return false, err
			}
		}
	}
	clear()
	if c.json {
		if err := json.NewEncoder(e.stdout).Encode(struct {
			*check.Report
			known
		}{r, about}); err != nil {
			return false, err
		}
	} else {
		text := reportText(r, c.quiet)
		if !c.quiet {
			text += about.text("  ")
		}
		if _, err := io.WriteString(e.stdout, text); err != nil {
			return false, err
		}
	}
	if !c.mend {
		return r.Refusals > 0, nil
	}
	return c.mended(e, path, all, sheet, terms)
}

// mended writes the mended copy of a file and reports whether that would still be refused.
func (c *checking) mended(e *env, path string, all []string, sheet *survey.Sheet, terms *check.Terms) (refused bool, err error) {
	d, done, err := check.Mend(sheet, terms)
	if err != nil {
		return false, fmt.Errorf("%s: %w", path, err)
	}
	out := c.out
	switch {
	case out == "" && path == "-":
		out = "-"
	case out == "":
		out = stem(path) + ".mended.svg"
	case out != "-" && (len(all) > 1 || strings.HasSuffix(out, "/") || isFolder(out)):
		if err := os.MkdirAll(out, 0o777); err != nil {
			return false, fmt.Errorf("%s: the folder cannot be made: %w", out, bare(err))
		}
		out = filepath.Join(out, filepath.Base(path))
	}
	put := func(w io.Writer) error { return svgout.Write(w, d, svgout.Options{}) }
	if out == "-" {
		if !c.json {
			return false, cli.Usagef("the report goes to standard output; name a file for the mended copy with -o")
		}
		return false, cli.Usagef("--json and the mended copy cannot both go to standard output")
	}
	if err := notOver(out, all); err != nil {
		return false, err
	}
	if err := atomicfile.Write(out, put); err != nil {
		return false, err
	}
	after, err := check.OfDrawing(d, terms)
	if err != nil {
		return false, fmt.Errorf("%s: %w", out, err)
	}
	if !c.quiet {
		fmt.Fprintf(e.stderr, "%s -> %s: %s; %s left\n", path, out, mendedText(done), sums(after))
	}
	return after.Refusals > 0, nil
}

func mendedText(done []check.Mended) string {
	if len(done) == 0 {
		return "nothing to mend"
	}
	var parts []string
	for _, m := range done {
		parts = append(parts, fmt.Sprintf("%s %d", m.Rule, m.Count))
	}
	return "mended " + strings.Join(parts, ", ")
}

func sums(r *check.Report) string {
	return fmt.Sprintf("%s, %s, %s", plural(r.Refusals, "refusal"), plural(r.Warnings, "warning"), plural(r.Notes, "note"))
}

func plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// mostLines is how many findings of one rule the text report spells out.
const mostLines = 5

// reportText is the report for people: findings grouped by rule, each rule with its reason.
func reportText(r *check.Report, refusalsOnly bool) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s (%g x %g units, %s, %s, %s)\n", r.File, sums(r), r.Width, r.Height, plural(r.Layers, "layer"),
		plural(r.Shapes, "shape"), plural(r.Points, "point"))
	for i := 0; i < len(r.Findings); {
		id := r.Findings[i].Rule
		j := i
		for j < len(r.Findings) && r.Findings[j].Rule == id {
			j++
		}
		list := r.Findings[i:j]
		i = j
		if refusalsOnly && list[0].Severity != check.Refusal {
			continue
		}
		rule := check.RuleByID(id)
		fmt.Fprintf(&b, "  %-8s %s: %s; %s\n", list[0].Severity, id, rule.Title, rule.Why)
		for k, f := range list {
			if k == mostLines {
				break
			}
			where := ""
			if f.Line > 0 {
				where = fmt.Sprintf("line %d: ", f.Line)
			}
			fmt.Fprintf(&b, "           %s%s\n", where, f.Text)
		}
		if n := r.Counts[id] - min(len(list), mostLines); n > 0 {
			fmt.Fprintf(&b, "           and %d more\n", n)
		}
		if rule.Mend != "" {
			fmt.Fprintf(&b, "           --mend: %s\n", rule.Mend)
		}
	}
	return b.String()
}

func listRules(w io.Writer) error {
	for _, r := range check.Rules {
		mend := "needs a person"
		if r.Mend != "" {
			mend = "--mend: " + r.Mend
		}
		if _, err := fmt.Fprintf(w, "%-17s %-8s %s: %s; %s\n", r.ID, r.Severity, r.Title, r.Why, mend); err != nil {
			return err
		}
	}
	return nil
}
