package main

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"pochoir/cmd/pochoir/internal/catalogue"
	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/trace"
)

var catalogueCommand = command{
	name: "catalogue",
	args: "ACTION [OPTION]... [WORD]...",
	doc:  "keep track of thousands: what there is, how it stands, what looks alike",
	more: "The catalogue is one file, " + catalogue.DefaultName + " in the current folder unless --catalogue names another.\n" +
		"It knows pictures, drawings, packs and reference photographs by path and content, and changes\n" +
		"none of them. An item is called by its path, its file's name, or #12.",
	examples: []string{
		"pochoir catalogue scan .",
		"pochoir catalogue search boat --colour teal",
		"pochoir catalogue state delivered boat.svg --at \"deck library\"",
	},
	actions: func() []command {
		return []command{addAction, scanAction, listAction(), searchAction, showAction, nearAction, stateAction, linkAction, describeAction,
			suggestAction, outdatedAction, wantedAction, statisticsAction, exportAction, importAction, forgetAction}
	},
}

// onCatalogue is what every action has: which catalogue.
type onCatalogue struct{ path string }

// option names the catalogue.
func (o *onCatalogue) option() cli.Option {
	return cli.Option{Name: "catalogue", Arg: "FILE", Doc: "the catalogue; default: " + catalogue.DefaultName, Set: text(&o.path)}
}

// file is the catalogue's path.
func (o *onCatalogue) file() string {
	if o.path == "" {
		return catalogue.DefaultName
	}
	return o.path
}

// open opens the catalogue; without one the error says how to begin.
func (o *onCatalogue) open() (*catalogue.Catalogue, error) {
	c, err := catalogue.Open(o.file())
	if err != nil && !exists(o.file()) {
		return nil, hinted{err, "pochoir catalogue scan . makes one of what lies here"}
	}
	return c, err
}

// use opens the catalogue for do.
func (o *onCatalogue) use(do func(*catalogue.Catalogue) error) error {
	c, err := o.open()
	if err != nil {
		return err
	}
	err = do(c)
	if e := c.Close(); err == nil {
		err = e
	}
	return err
}

// make opens the catalogue for do, and makes an empty one first where there is none. What is made in vain is taken
// away again.
func (o *onCatalogue) make(do func(*catalogue.Catalogue) error) error {
	before := exists(o.file())
	c, err := catalogue.Create(o.file())
	if err != nil {
		return err
	}
	err = do(c)
	n, e := c.Count()
	if err == nil {
		err = e
	}
	if e := c.Close(); err == nil {
		err = e
	}
	if !before && n == 0 {
		os.Remove(o.file())
	}
	return err
}

// kindOption reads the name of a kind.
func kindOption(to *catalogue.Kind, doc string) cli.Option {
	return cli.Option{Name: "kind", Arg: "KIND", Doc: doc, Set: func(v string) (err error) {
		*to, err = catalogue.ParseKind(v)
		return err
	}}
}

var addAction = command{
	name: "catalogue add",
	args: "FILE|PACK...",
	doc:  "put pictures, drawings and packs in, or read them again",
	more: "A drawing is linked to the picture of its name, boat.dusk.svg to its master boat.svg, and a pack's\n" +
		"folder to its drawings. What looks like something you have already is told.",
	examples: []string{"pochoir catalogue add boat.png boat.svg", "pochoir catalogue add --kind reference harbour.jpg"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		a := &adding{}
		return []cli.Option{
			kindOption(&a.kind, "picture, drawing, pack or reference; default: by the file"),
			{Name: "quiet", Also: "q", Doc: "no report", Set: yes(&a.quiet)},
			a.option(),
		}, a.add
	},
}

var scanAction = command{
	name: "catalogue scan",
	args: "FOLDER...",
	doc:  "bring the catalogue up to date: new, corrected, moved, renamed and gone",
	more: "Files are followed by their content. Entries whose file is gone are kept and marked; a file that\n" +
		"turns up again is recognised.",
	examples: []string{"pochoir catalogue scan .", "pochoir catalogue scan ~/photographs --kind reference"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		a := &adding{}
		return []cli.Option{
			kindOption(&a.kind, "of new pictures: picture, or reference for a folder of photographs"),
			{Name: "known", Doc: "follow what is known, add nothing", Set: yes(&a.known)},
			{Name: "quiet", Also: "q", Doc: "sums only", Set: yes(&a.quiet)},
			a.option(),
		}, a.scan
	},
}

// adding is one run of catalogue add or scan.
type adding struct {
	onCatalogue
	kind         catalogue.Kind
	known, quiet bool
}

// mostTold is how many files a scan tells of one by one.
const mostTold = 200

func (a *adding) add(e *env, args []string) error {
	if len(args) == 0 {
		u := cli.Usagef("no file given")
		u.Hint = "pochoir catalogue add boat.png boat.svg"
		return u
	}
	for _, f := range args {
		if isFolder(f) && !exists(filepath.Join(f, "pack.csv")) && a.kind != catalogue.Pack {
			u := cli.Usagef("%s: is a folder, and no pack lies in it", f)
			u.Hint = "pochoir catalogue scan " + f
			return u
		}
	}
	return a.make(func(c *catalogue.Catalogue) error {
		t := tally{e: e, c: c, quiet: a.quiet, most: len(args)}
		if err := c.Add(e.ctx, args, a.kind, t.told); err != nil {
			return err
		}
		return t.end(len(args))
	})
}

func (a *adding) scan(e *env, args []string) error {
	if len(args) == 0 {
		u := cli.Usagef("no folder given")
		u.Hint = "pochoir catalogue scan ."
		return u
	}
	if a.kind != "" && a.kind != catalogue.Picture && a.kind != catalogue.Reference {
		return cli.Usagef("--kind %s: new pictures are of kind picture or reference", a.kind)
	}
	for _, f := range args {
		if !isFolder(f) {
			return fmt.Errorf("%s: is no folder", f)
		}
	}
	return a.make(func(c *catalogue.Catalogue) error {
		t := tally{e: e, c: c, quiet: a.quiet, most: mostTold}
		for _, f := range args {
			if err := c.Scan(e.ctx, f, catalogue.ScanOptions{KnownOnly: a.known, Kind: a.kind}, t.told); err != nil {
				return err
			}
		}
		n, err := c.Count()
		if err != nil {
			return err
		}
		fmt.Fprintf(e.stderr, "%s: %s; %s\n", strings.Join(args, ", "), t.sums(), plural(n, "item"))
		return t.end(t.n[catalogue.New] + t.n[catalogue.Corrected] + t.n[catalogue.Moved] + t.n[catalogue.Failed] + t.n[catalogue.Gone])
	})
}

// tally tells of files as they are put in, and counts them.
type tally struct {
	e     *env
	c     *catalogue.Catalogue
	quiet bool
	most  int // files told of one by one
	lines int
	n     map[catalogue.Result]int
	err   error
}

func (t *tally) told(a catalogue.Added) {
	if t.n == nil {
		t.n = map[catalogue.Result]int{}
	}
	t.n[a.Result]++
	if a.Result == catalogue.Failed {
		t.e.tell(a.Err)
		return
	}
	if t.quiet {
		return
	}
	if t.lines++; t.lines > t.most {
		if t.lines == t.most+1 {
			fmt.Fprintln(t.e.stderr, "and more")
		}
		return
	}
	line := fmt.Sprintf("%s #%d: %s", catalogue.Printable(a.Path, longPath), a.ID, a.Result)
	if a.From != "" {
		line += " from " + catalogue.Printable(a.From, longPath)
	}
	if a.SameAs != "" {
		line += ", the same file as " + catalogue.Printable(a.SameAs, longPath)
	}
	for _, l := range a.Linked {
		line += ", " + catalogue.Printable(l, longPath)
	}
	if len(a.Unknown) > 0 {
		line += ", holds what the catalogue lacks: " + catalogue.Printable(strings.Join(a.Unknown, ", "), longPath)
	}
	fmt.Fprintln(t.e.stderr, line)
	if a.SameAs == "" && (a.Result == catalogue.New || a.Result == catalogue.Corrected) {
		t.alike(a.ID)
	}
}

// longPath is how much of a path or title is shown, in characters.
const longPath = 120

// mostAlike is how many near copies of one item are told of unasked.
const mostAlike = 3

// alike tells what looks like an item and does not belong to it.
func (t *tally) alike(id int64) {
	near, err := t.c.Doubles(id, catalogue.DefaultLikeness, mostAlike)
	if err != nil && t.err == nil {
		t.err = err
	}
	for _, n := range near {
		fmt.Fprintf(t.e.stderr, "  %s\n", alikeText(n))
	}
}

// alikeText says that something looks like an item.
func alikeText(n catalogue.Near) string {
	how := "looks like"
	if n.Mirrored {
		how = "looks like the mirror image of"
	}
	s := fmt.Sprintf("%s #%d %s (likeness %.2f)", how, n.ID, catalogue.Printable(n.Path, longPath), n.Likeness)
	if n.State != "" {
		s += ", " + catalogue.Printable(n.State, longPath)
	}
	return s
}

// sums lists the counts in one order.
func (t *tally) sums() string {
	var parts []string
	for _, r := range []catalogue.Result{catalogue.New, catalogue.Corrected, catalogue.Moved, catalogue.Gone, catalogue.Failed} {
		if n := t.n[r]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, r))
		}
	}
	if len(parts) == 0 {
		return "nothing has changed"
	}
	return strings.Join(parts, ", ")
}

// end turns failures into the error of the run.
func (t *tally) end(all int) error {
	switch failed := t.n[catalogue.Failed]; {
	case t.err != nil:
		return t.err
	case failed == 0:
		return nil
	case failed == all:
		return errTold
	default:
		return someFailed{failed, all}
	}
}

var searchAction = command{
	name: "catalogue search",
	args: "[WORD]...",
	doc:  "find by word, colour, state, size",
	more: "Every word must occur in title, description, keywords or path, in singular or plural; boat* is any\n" +
		"word that begins so. One line an item: number, kind, size, path, title, state.",
	examples: []string{
		"pochoir catalogue search boat harbour",
		"pochoir catalogue search --colour \"#1a8c8c\" --kind drawing",
		"pochoir catalogue search --state refused --at \"deck library\"",
		"pochoir catalogue search --size 1000..",
	},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		s := &searching{}
		return []cli.Option{
			{Name: "colour", Also: "color", Arg: "COLOUR", Doc: "holds a colour near this one, #rrggbb or a CSS name; nearest first", Set: paperColour(&s.q.Colour)},
			{Name: "within", Arg: "DIFFERENCE", Doc: fmt.Sprintf("how near, CIEDE2000, default %g", catalogue.DefaultWithin), Set: number(&s.q.Within)},
			{Name: "state", Arg: "STATE", Doc: "how it stands: drawn, traced, checked, delivered, accepted, refused, sold", Set: func(v string) (err error) {
				s.q.State, err = catalogue.ParseState(v)
				return err
			}},
			{Name: "at", Arg: "PLACE", Doc: "the library it was delivered to", Set: text(&s.q.Place)},
			{Name: "size", Arg: "PX..PX", Doc: "long side: 500..2000, 1000.. or ..800", Set: s.size},
			kindOption(&s.q.Kind, "picture, drawing, pack or reference"),
			{Name: "gone", Doc: "only what a scan no longer found", Set: yes(&s.q.Gone)},
			{Name: "limit", Arg: "N", Doc: fmt.Sprintf("at most so many, default %d", catalogue.DefaultLimit), Set: count(&s.q.Limit, 1, 1e6)},
			{Name: "json", Doc: "one JSON line an item", Set: yes(&s.json)},
			s.option(),
		}, s.run
	},
}

// listAction is the search that is asked for nothing.
func listAction() command {
	c := searchAction
	c.name, c.doc, c.examples = "catalogue list", "list the newest, or what search would find", []string{"pochoir catalogue list", "pochoir catalogue list --kind pack --limit 500"}
	return c
}

// searching is one run of catalogue search.
type searching struct {
	onCatalogue
	q    catalogue.Query
	json bool
}

// size reads a range of long sides.
func (s *searching) size(v string) error {
	lo, hi, ok := strings.Cut(v, "..")
	if !ok {
		hi = lo
	}
	var err error
	bound := func(v string) (f float64) {
		if v != "" && err == nil {
			if f, err = strconv.ParseFloat(v, 64); err == nil && !(f > 0 && f <= 1e9) {
				err = strconv.ErrRange
			}
		}
		return f
	}
	s.q.MinSide, s.q.MaxSide = bound(lo), bound(hi)
	if err != nil || v == ".." || v == "" || s.q.MaxSide > 0 && s.q.MinSide > s.q.MaxSide {
		return fmt.Errorf("want a range of pixels such as 500..2000")
	}
	return nil
}

func (s *searching) run(e *env, args []string) error {
	s.q.Words = strings.Join(args, " ")
	return s.use(func(c *catalogue.Catalogue) error {
		limit := s.q.Limit
		if limit == 0 {
			limit = catalogue.DefaultLimit
		}
		s.q.Limit = limit + 1 // to know whether there are more
		hits, err := c.Search(s.q)
		if err != nil {
			return err
		}
		more := len(hits) > limit
		for _, h := range hits[:min(limit, len(hits))] {
			if s.json {
				err = json.NewEncoder(e.stdout).Encode(h)
			} else {
				_, err = fmt.Fprintln(e.stdout, hitText(h))
			}
			if err != nil {
				return err
			}
		}
		switch {
		case more:
			e.say(fmt.Sprintf("there are more than %d; --limit shows more", limit))
		case len(hits) == 0:
			e.say("nothing found")
		}
		return nil
	})
}

// hitText is one item on a line.
func hitText(h catalogue.Hit) string {
	size := "-"
	if h.Width > 0 {
		size = fmt.Sprintf("%.0f x %.0f", h.Width, h.Height)
	}
	s := fmt.Sprintf("#%-5d %-9s %11s  %s", h.ID, h.Kind, size, catalogue.Printable(h.Path, longPath))
	if h.Title != "" {
		s += "  \"" + catalogue.Printable(h.Title, 60) + "\""
	}
	if h.State != "" {
		s += "  " + catalogue.Printable(h.State, 60)
	}
	if h.Gone {
		s += "  (gone)"
	}
	if h.Difference > 0 {
		s += fmt.Sprintf("  colour off by %.1f", h.Difference)
	}
	return s
}

var showAction = command{
	name:     "catalogue show",
	args:     "ITEM...",
	doc:      "all that is known of an item: words, palette, history, links, near copies",
	examples: []string{"pochoir catalogue show boat.svg", "pochoir catalogue show \"#1\""},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		s := &onCatalogue{}
		return []cli.Option{s.option()}, func(e *env, args []string) error {
			if len(args) == 0 {
				return cli.Usagef("no item given")
			}
			return s.use(func(c *catalogue.Catalogue) error {
				for _, name := range args {
					it, err := c.Item(name)
					if err != nil {
						return err
					}
					text, err := itemText(c, it)
					if err != nil {
						return err
					}
					if _, err := fmt.Fprint(e.stdout, text); err != nil {
						return err
					}
				}
				return nil
			})
		}
	},
}

// itemText is all of an item on a screen.
func itemText(c *catalogue.Catalogue, it *catalogue.Item) (string, error) {
	var b strings.Builder
	row := func(name, text string) {
		if text != "" {
			fmt.Fprintf(&b, "  %-11s %s\n", name, catalogue.Printable(text, 400))
		}
	}
	gone := ""
	if it.Gone {
		gone = " (gone)"
	}
	fmt.Fprintf(&b, "#%d %s %s%s\n", it.ID, it.Kind, catalogue.Printable(it.Path, longPath), gone)
	row("title", it.Title)
	row("description", it.Description)
	row("keywords", strings.Join(it.Keywords, ", "))
	if it.Width > 0 {
		row("size", fmt.Sprintf("%g x %g px, %s", it.Width, it.Height, size(it.Bytes)))
	} else {
		row("size", size(it.Bytes))
	}
	var colours []string
	for _, s := range it.Palette {
		colours = append(colours, fmt.Sprintf("%s %s %.0f %%", s.Name, s.Colour.Hex(), 100*s.Share))
	}
	row("palette", strings.Join(colours, ", "))
	row("added", it.Added)
	events, err := c.History(it.ID)
	if err != nil {
		return "", err
	}
	for _, ev := range events {
		s := ev.Day + " " + string(ev.State)
		if ev.Place != "" {
			s += ", " + ev.Place
		}
		if ev.Note != "" {
			s += ": " + ev.Note
		}
		if ev.Hash != it.Hash {
			s += " (before a correction)"
		}
		row("history", s)
	}
	others, err := c.Neighbours(it.ID)
	if err != nil {
		return "", err
	}
	for _, n := range others {
		s := relationText(n.Relation, n.Back) + fmt.Sprintf(" #%d %s", n.ID, n.Path)
		if n.Note != "" {
			s += ", " + n.Note
		}
		if n.Changed {
			s += " (changed since)"
		}
		row("link", s)
	}
	near, err := c.Doubles(it.ID, catalogue.DefaultLikeness, mostAlike)
	if err != nil {
		return "", err
	}
	for _, n := range near {
		row("near copy", alikeText(n))
	}
	return b.String(), nil
}

// relationText says what an item is to its neighbour.
func relationText(r catalogue.Relation, back bool) string {
	words := map[catalogue.Relation][2]string{
		catalogue.FromPicture: {"drawn from", "picture of"}, catalogue.FromMaster: {"variant of", "master of"},
		catalogue.FromReference: {"drawn after", "reference of"}, catalogue.Holds: {"holds", "in pack"},
	}[r]
	if back {
		return words[1]
	}
	return words[0]
}

var nearAction = command{
	name: "catalogue near",
	args: "[FILE|ITEM]...",
	doc:  "find near copies by look: of a file, of an item, or all there are",
	more: "Look before you draw or deliver the same thing twice: copies at other sizes, places on the page and\n" +
		"qualities, and mirrored ones, are found. A FILE need not be in the catalogue. Without any, all pairs\n" +
		"are listed that no link joins.",
	examples: []string{"pochoir catalogue near sketch.jpg", "pochoir catalogue near", "pochoir catalogue near boat.svg --likeness 0.8"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		n := &nearing{least: catalogue.DefaultLikeness}
		return []cli.Option{
			{Name: "likeness", Arg: "0.5..1", Doc: fmt.Sprintf("how like, default %g; 1 is a copy", catalogue.DefaultLikeness), Set: func(v string) error {
				f, err := strconv.ParseFloat(v, 64)
				if err != nil || !(f >= 0.5 && f <= 1) {
					return fmt.Errorf("want a number from 0.5 to 1")
				}
				n.least = f
				return nil
			}},
			{Name: "limit", Arg: "N", Doc: fmt.Sprintf("at most so many of one, default %d", catalogue.DefaultLimit), Set: count(&n.limit, 1, 1e6)},
			{Name: "json", Doc: "one JSON line a near copy", Set: yes(&n.json)},
			n.option(),
		}, n.run
	},
}

// nearing is one run of catalogue near.
type nearing struct {
	onCatalogue
	least float64
	limit int
	json  bool
}

func (n *nearing) run(e *env, args []string) error {
	if n.limit == 0 {
		n.limit = catalogue.DefaultLimit
	}
	return n.use(func(c *catalogue.Catalogue) error {
		if len(args) == 0 {
			return n.pairs(e, c)
		}
		for _, name := range args {
			it, err := itemOrFile(c, name)
			if err != nil {
				return err
			}
			if it.Look == nil {
				e.say(name + " shows nothing to compare")
				continue
			}
			near, err := c.Near(it.Look, it.ID, n.least, n.limit)
			if err != nil {
				return err
			}
			if len(near) == 0 {
				e.say(fmt.Sprintf("%s: nothing looks like it", name))
			}
			for _, x := range near {
				if n.json {
					err = json.NewEncoder(e.stdout).Encode(struct {
						Of string `json:"of"`
						catalogue.Near
					}{name, x})
				} else {
					_, err = fmt.Fprintf(e.stdout, "%s %s\n", name, alikeText(x))
				}
				if err != nil {
					return err
				}
			}
		}
		return nil
	})
}

func (n *nearing) pairs(e *env, c *catalogue.Catalogue) error {
	found := 0
	var failed error
	err := c.Pairs(e.ctx, n.least, func(p catalogue.Pair) {
		found++
		var err error
		if n.json {
			err = json.NewEncoder(e.stdout).Encode(p)
		} else {
			_, err = fmt.Fprintf(e.stdout, "#%d %s %s\n", p.A.ID, catalogue.Printable(p.A.Path, longPath), alikeText(catalogue.Near{Hit: p.B, Likeness: p.Likeness, Mirrored: p.Mirrored}))
		}
		if failed == nil {
			failed = err
		}
	})
	if err == nil {
		err = failed
	}
	if err == nil && found == 0 {
		e.say("no two items look alike without a link")
	}
	return err
}

// besides opens the catalogue that stands beside the work of another command: the named one, or that of the current
// folder where there is one; nil for none. "none" asks for none.
func besides(path string) (*catalogue.Catalogue, error) {
	switch path {
	case "none":
		return nil, nil
	case "":
		if _, err := os.Stat(catalogue.DefaultName); err != nil {
			if os.IsNotExist(err) {
				return nil, nil
			}
			return nil, fmt.Errorf("%s: cannot be opened: %w", catalogue.DefaultName, err.(*fs.PathError).Err)
		}
		path = catalogue.DefaultName
	}
	return (&onCatalogue{path}).open()
}

// known is what the catalogue has to say of a drawing at hand.
type known struct {
	item     bool                   // it is in the catalogue
	Alike    []catalogue.Near       `json:"alike,omitempty"`
	Keywords []catalogue.Suggestion `json:"suggested_keywords,omitempty"`
}

// A keyword is proposed beside other work where at least this share of what is similar carries it.
const (
	leastScore    = 0.25
	mostProposals = 12
)

// knownOf asks the catalogue about a drawing that has these words.
func knownOf(c *catalogue.Catalogue, path string, words trace.Meta) (k known, err error) {
	it, err := c.At(path)
	if err != nil {
		return k, err
	}
	k.item = it != nil
	if it == nil {
		if it, err = catalogue.Inspect(path, catalogue.Drawing); err != nil {
			return k, err
		}
		it.Path = filepath.ToSlash(path)
	}
	if it.Look != nil {
		if k.item {
			k.Alike, err = c.Doubles(it.ID, catalogue.DefaultLikeness, mostAlike)
		} else {
			k.Alike, err = c.Near(it.Look, 0, catalogue.DefaultLikeness, mostAlike)
		}
		if err != nil {
			return k, err
		}
	}
	it.Title, it.Keywords = words.Title, words.Keywords
	list, err := c.Suggest(it, mostProposals)
	for _, s := range list {
		if s.Score >= leastScore {
			k.Keywords = append(k.Keywords, s)
		}
	}
	return k, err
}

// text is what the catalogue says, in lines that begin with indent.
func (k *known) text(indent string) string {
	var b strings.Builder
	for _, n := range k.Alike {
		fmt.Fprintf(&b, "%s%s\n", indent, alikeText(n))
	}
	var words []string
	for _, s := range k.Keywords {
		words = append(words, catalogue.Printable(s.Word, longPath))
	}
	if len(words) > 0 {
		fmt.Fprintf(&b, "%skeywords of similar ones: %s\n", indent, strings.Join(words, ", "))
	}
	return b.String()
}

// putIn puts one file in, or reads it again.
func putIn(e *env, c *catalogue.Catalogue, path string, kind catalogue.Kind) error {
	var failed error
	err := c.Add(e.ctx, []string{path}, kind, func(a catalogue.Added) { failed = a.Err })
	if err == nil {
		err = failed
	}
	return err
}

// noteChecked notes that drawings have passed the checks as they are now, and puts in those that are new.
func noteChecked(e *env, c *catalogue.Catalogue, paths []string) error {
	var names []string
	for _, p := range paths {
		if err := putIn(e, c, p, catalogue.Drawing); err != nil {
			return err
		}
		it, err := c.At(p)
		if err != nil {
			return err
		}
		if it != nil {
			names = append(names, fmt.Sprintf("#%d", it.ID))
		}
	}
	return c.Record(names, catalogue.Event{State: catalogue.Checked})
}
