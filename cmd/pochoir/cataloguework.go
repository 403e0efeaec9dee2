package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/catalogue"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/deliver/meta"
)

// This file holds the actions of the catalogue that work on single items and those that sum up.

var stateAction = command{
	name: "catalogue state",
	args: "STATE ITEM...",
	doc:  "note that items were checked, delivered, accepted, refused, sold",
	more: "States: drawn, traced, checked, and at a place: delivered, accepted, refused (with --note REASON),\n" +
		"sold. Nothing is overwritten: an item keeps its history. A list of sales is read by import.",
	examples: []string{
		"pochoir catalogue state delivered boat.svg crab.svg --at \"deck library\"",
		"pochoir catalogue state refused crab.svg --at \"deck library\" --note \"too many points\"",
		"pochoir catalogue state sold boat.svg --at \"deck library\" --day 2026-03-31 --note \"4.20 EUR\"",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		var ev catalogue.Event
		return []cli.Option{
				{Name: "at", Arg: "PLACE", Doc: "the library or shop", Set: text(&ev.Place)},
				{Name: "note", Arg: "TEXT", Doc: "why it was refused, what it was sold for", Set: text(&ev.Note)},
				{Name: "day", Arg: "YYYY-MM-DD", Doc: "when; default: today", Set: text(&ev.Day)},
				on.option(),
			}, func(e *env, args []string) (err error) {
				if len(args) < 2 {
					return cli.Usagef("want a state and the items that reached it")
				}
				if ev.State, err = catalogue.ParseState(args[0]); err != nil {
					return cli.Usagef("%v", err)
				}
				return on.use(func(c *catalogue.Catalogue) error {
					if err := c.Record(args[1:], ev); err != nil {
						return err
					}
					e.say(fmt.Sprintf("%s: %s", ev.State, plural(len(args)-1, "item")))
					return nil
				})
			}
	},
}

var linkAction = command{
	name: "catalogue link",
	args: "ITEM OTHER",
	doc:  "say what OTHER is to ITEM: its master, picture, reference, or part of the pack",
	more: "Once OTHER is corrected, ITEM is listed as out of date until it is linked anew.",
	examples: []string{
		"pochoir catalogue link crab.svg boat.svg --as master --note \"ink only\"",
		"pochoir catalogue link crab.svg boat.svg --as master --undo",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		relation, note, undo := catalogue.FromMaster, "", false
		return []cli.Option{
				{Name: "as", Arg: "master|picture|reference|holds", Doc: "default: master, ITEM is a variant of OTHER", Set: func(v string) (err error) {
					relation, err = catalogue.ParseRelation(v)
					return err
				}},
				{Name: "note", Arg: "TEXT", Doc: "which variant: ink only, the name of a colourway", Set: text(&note)},
				{Name: "undo", Doc: "take the link away", Set: yes(&undo)},
				on.option(),
			}, func(e *env, args []string) error {
				if len(args) != 2 {
					return cli.Usagef("want two items, got %d", len(args))
				}
				return on.use(func(c *catalogue.Catalogue) error {
					if undo {
						return c.Unlink(args[0], relation, args[1])
					}
					return c.Link(args[0], relation, args[1], note)
				})
			}
	},
}

var describeAction = command{
	name: "catalogue describe",
	args: "ITEM",
	doc:  "set title, description and keywords of an item",
	more: "The words are kept in the catalogue, the file stays as it is. pack takes them for drawings that say\n" +
		"nothing themselves; see suggest for keywords.",
	examples: []string{
		"pochoir catalogue describe boat.svg --title \"Red boat\" --keywords \"boat, harbour\"",
		"pochoir catalogue describe boat.svg --add \"fishing, oars\" --drop harbour",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		var w catalogue.Words
		set := func(to **string) func(string) error {
			return func(v string) error { *to = &v; return nil }
		}
		words := func(to *[]string) func(string) error {
			return func(v string) error {
				*to = append([]string{}, meta.SplitKeywords(v)...)
				return nil
			}
		}
		return []cli.Option{
				{Name: "title", Arg: "TEXT", Doc: "title", Set: set(&w.Title)},
				{Name: "description", Arg: "TEXT", Doc: "description", Set: set(&w.Description)},
				{Name: "keywords", Arg: "LIST", Doc: "all keywords, parted by commas", Set: words(&w.Keywords)},
				{Name: "add", Arg: "LIST", Doc: "keywords to add", Set: words(&w.More)},
				{Name: "drop", Arg: "LIST", Doc: "keywords to take away", Set: words(&w.Less)},
				on.option(),
			}, func(e *env, args []string) error {
				if len(args) != 1 {
					return cli.Usagef("want one item, got %d", len(args))
				}
				if w.Title == nil && w.Description == nil && w.Keywords == nil && w.More == nil && w.Less == nil {
					return cli.Usagef("nothing to set")
				}
				return on.use(func(c *catalogue.Catalogue) error {
					it, err := c.Describe(args[0], w)
					if err != nil {
						return err
					}
					for _, r := range meta.Keywords(it.Keywords, meta.DefaultMinKeywords, meta.DefaultMaxKeywords) {
						e.say(r.Text)
					}
					return nil
				})
			}
	},
}

// Suggestions of keywords.
const (
	defaultSuggestions = 20
	mostFrom           = 2 // items named for each
)

var suggestAction = command{
	name: "catalogue suggest",
	args: "FILE|ITEM...",
	doc:  "propose keywords: what similar pictures of yours carry",
	more: "Similar is what looks alike, shares words of title and name, or keywords. Also told: keywords that\n" +
		"stand twice or in singular and plural, too few and too many. All comes from your own catalogue.",
	examples: []string{"pochoir catalogue suggest boat.svg", "pochoir catalogue suggest sketch.jpg --plain"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		limit, plain := defaultSuggestions, false
		return []cli.Option{
				{Name: "limit", Arg: "N", Doc: fmt.Sprintf("at most so many, default %d", defaultSuggestions), Set: count(&limit, 1, 1000)},
				{Name: "plain", Doc: "only the keywords, parted by commas", Set: yes(&plain)},
				on.option(),
			}, func(e *env, args []string) error {
				if len(args) == 0 {
					return cli.Usagef("no picture, drawing or item given")
				}
				return on.use(func(c *catalogue.Catalogue) error {
					for _, name := range args {
						it, err := itemOrFile(c, name)
						if err != nil {
							return err
						}
						if err := suggest(e, c, name, it, limit, plain); err != nil {
							return err
						}
					}
					return nil
				})
			}
	},
}

// itemOrFile returns the facts of a file, as the catalogue has them where it knows the file, or else the item of that
// name.
func itemOrFile(c *catalogue.Catalogue, name string) (*catalogue.Item, error) {
	if !exists(name) {
		return c.Item(name)
	}
	it, err := c.At(name)
	if it != nil || err != nil {
		return it, err
	}
	if it, err = catalogue.Inspect(name, ""); err == nil {
		it.Path = filepath.ToSlash(name)
	}
	return it, err
}

// suggest writes what there is to say of the keywords of one item.
func suggest(e *env, c *catalogue.Catalogue, name string, it *catalogue.Item, limit int, plain bool) error {
	list, err := c.Suggest(it, limit)
	if err != nil {
		return err
	}
	if plain {
		var words []string
		for _, s := range list {
			words = append(words, catalogue.Printable(s.Word, longPath))
		}
		_, err := fmt.Fprintln(e.stdout, strings.Join(words, ", "))
		return err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s\n", name, plural(len(it.Keywords), "keyword"))
	for _, r := range meta.Keywords(it.Keywords, meta.DefaultMinKeywords, meta.DefaultMaxKeywords) {
		fmt.Fprintf(&b, "  %s\n", r.Text)
	}
	if len(list) == 0 {
		b.WriteString("  nothing similar in the catalogue carries another one\n")
	}
	for _, s := range list {
		from := s.From[:min(mostFrom, len(s.From))]
		fmt.Fprintf(&b, "  %-20s %3.0f %%  as %s\n", catalogue.Printable(s.Word, 40), 100*s.Score, catalogue.Printable(strings.Join(from, ", "), longPath))
	}
	_, err = fmt.Fprint(e.stdout, b.String())
	return err
}

var outdatedAction = command{
	name:     "catalogue outdated",
	doc:      "list what is older than a correction: delivered copies, checks, variants, packs",
	examples: []string{"pochoir catalogue outdated"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		return []cli.Option{on.option()}, func(e *env, args []string) error {
			if len(args) > 0 {
				return cli.Usagef("outdated takes no arguments")
			}
			return on.use(func(c *catalogue.Catalogue) error {
				list, err := c.Outdated()
				if err != nil {
					return err
				}
				if len(list) == 0 {
					e.say("nothing is out of date")
				}
				for _, o := range list {
					what := fmt.Sprintf("%s on %s, corrected since", o.What, o.Day)
					switch {
					case o.Other != "":
						what = relationText(catalogue.Relation(o.What), false) + " " + catalogue.Printable(o.Other, longPath) + ", which was corrected since"
					case o.Place != "":
						what = fmt.Sprintf("%s to %s on %s, corrected since", o.What, catalogue.Printable(o.Place, 60), o.Day)
					}
					if _, err := fmt.Fprintf(e.stdout, "#%d %s: %s\n", o.ID, catalogue.Printable(o.Path, longPath), what); err != nil {
						return err
					}
				}
				return nil
			})
		}
	},
}

var wantedAction = command{
	name:     "catalogue wanted",
	args:     "LIST.txt",
	doc:      "which subjects of a list are missing",
	more:     "The list holds one subject a line, such as crab pot; lines that start with # are passed over.",
	examples: []string{"pochoir catalogue wanted subjects.txt", "pochoir catalogue wanted subjects.txt --kind drawing --all"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		var q catalogue.Query
		all, least := false, 1
		return []cli.Option{
				kindOption(&q.Kind, "count only pictures, drawings, packs or references"),
				{Name: "state", Arg: "STATE", Doc: "count only what stands so", Set: func(v string) (err error) {
					q.State, err = catalogue.ParseState(v)
					return err
				}},
				{Name: "least", Arg: "N", Doc: "how many of each are wanted, default 1", Set: count(&least, 1, 1000)},
				{Name: "all", Doc: "list what there is enough of, too", Set: yes(&all)},
				on.option(),
			}, func(e *env, args []string) error {
				if len(args) != 1 {
					return cli.Usagef("want one list, got %d", len(args))
				}
				f, err := openText(args[0])
				if err != nil {
					return err
				}
				subjects, err := catalogue.ReadWanted(f, args[0])
				f.Close()
				if err != nil {
					return err
				}
				return on.use(func(c *catalogue.Catalogue) error {
					if err := c.CountWanted(subjects, q); err != nil {
						return err
					}
					missing := 0
					for _, w := range subjects {
						if w.Found < least {
							missing++
						} else if !all {
							continue
						}
						if _, err := fmt.Fprintf(e.stdout, "%4d  %s\n", w.Found, catalogue.Printable(w.Subject, longPath)); err != nil {
							return err
						}
					}
					e.say(fmt.Sprintf("%d of %s missing", missing, plural(len(subjects), "subject")))
					return nil
				})
			}
	},
}

var statisticsAction = command{
	name:     "catalogue statistics",
	doc:      "figures of the whole catalogue, and a page of plots",
	examples: []string{"pochoir catalogue statistics", "pochoir catalogue statistics -o statistics.html"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		out := ""
		return []cli.Option{
				{Name: "out", Also: "o", Arg: "FILE.html", Doc: "write the page here", Set: text(&out)},
				on.option(),
			}, func(e *env, args []string) error {
				if len(args) > 0 {
					return cli.Usagef("statistics takes no arguments")
				}
				if out != "" && out != "-" {
					if ending := strings.ToLower(filepath.Ext(out)); ending != ".html" && ending != ".htm" {
						return cli.Usagef("-o %s: the page is HTML; want a name that ends in .html", out)
					}
				}
				return on.use(func(c *catalogue.Catalogue) error {
					s, err := c.Statistics()
					if err != nil {
						return err
					}
					switch out {
					case "":
						_, err = io.WriteString(e.stdout, s.Text())
						return err
					case "-":
						return s.WritePage(e.stdout)
					}
					return atomicfile.Write(out, s.WritePage)
				})
			}
	},
}

var exportAction = command{
	name:     "catalogue export",
	args:     "-o FOLDER",
	doc:      "write all as tables: items.csv, states.csv, links.csv",
	more:     "import reads them again, in this order.",
	examples: []string{"pochoir catalogue export -o tables"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		out := ""
		return []cli.Option{
				{Name: "out", Also: "o", Arg: "DIR", Doc: "the folder to fill", Set: text(&out)},
				on.option(),
			}, func(e *env, args []string) error {
				if len(args) > 0 || out == "" || out == "-" {
					return cli.Usagef("-o wants a folder")
				}
				return on.use(func(c *catalogue.Catalogue) error {
					if err := os.MkdirAll(out, 0o777); err != nil {
						return fmt.Errorf("%s: the folder cannot be made: %w", out, bare(err))
					}
					return c.Export(func(table string, fill func(io.Writer) error) error {
						return atomicfile.Write(filepath.Join(out, table+".csv"), fill)
					})
				})
			}
	},
}

var importAction = command{
	name: "catalogue import",
	args: "TABLE.csv...",
	doc:  "read tables: items, states (a list of sales too) or links",
	more: "The first line names the columns and so tells which table it is; for a list of sales it is for\n" +
		"instance path,state,place,day,note. An item is named by its path or its file's name. A table is\n" +
		"read whole or, after any error, not at all. Fields may be parted by comma, semicolon or tab.",
	examples: []string{"pochoir catalogue import tables/items.csv tables/states.csv tables/links.csv", "pochoir catalogue import sales.csv"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		return []cli.Option{on.option()}, func(e *env, args []string) error {
			if len(args) == 0 {
				return cli.Usagef("no table given")
			}
			return on.make(func(c *catalogue.Catalogue) error {
				for _, name := range args {
					f, err := openText(name)
					if err != nil {
						return err
					}
					done, err := c.Import(f, name)
					f.Close()
					if err != nil {
						return err
					}
					what := map[string]string{
						"items":  fmt.Sprintf("%d new, %d changed", done.New, done.Changed),
						"states": plural(done.Events, "state"),
						"links":  plural(done.Linked, "link"),
					}[done.Table]
					fmt.Fprintf(e.stderr, "%s: %s\n", name, what)
				}
				return nil
			})
		}
	},
}

var forgetAction = command{
	name:     "catalogue forget",
	args:     "ITEM...",
	doc:      "take items out, with their history; the files stay",
	examples: []string{"pochoir catalogue forget crab.png"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		var on onCatalogue
		return []cli.Option{on.option()}, func(e *env, args []string) error {
			if len(args) == 0 {
				return cli.Usagef("no item given")
			}
			return on.use(func(c *catalogue.Catalogue) error {
				for _, name := range args {
					it, err := c.Forget(name)
					if err != nil {
						return err
					}
					e.say(fmt.Sprintf("forgot #%d %s", it.ID, catalogue.Printable(it.Path, longPath)))
				}
				return nil
			})
		}
	},
}
