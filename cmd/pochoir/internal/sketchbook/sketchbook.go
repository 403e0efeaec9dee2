// Package sketchbook takes pages to finished drawings in one run: each page is straightened, evened and cut into plates,
// each plate is traced, and a contact sheet shows all of them. A run may be stopped at any moment, by whatever means; the
// next one goes on where it stopped, does nothing twice and ends with the same files. It traces nothing itself: the
// caller says how a picture becomes a drawing. In the folder of a sketchbook lie
//
//	NAME.svg                 the drawings
//	plates/NAME.png          the plates as they were cut: the pictures that were traced
//	sketchbook.toml          the list of pages and plates, to be edited (List)
//	sketchbook.recipe.toml   the settings that all share
//	palette.txt              the colours that all share, where one palette is asked for
//	contact.html, .png       every plate beside its original
//	.sketchbook              the journal, and small pictures for the contact sheet
//
// What is written does not depend on the number of jobs nor on where earlier runs were stopped.
package sketchbook

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"syscall"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/cmd/pochoir/internal/swatchfile"
	"pochoir/quantize"
	"pochoir/trace/paper"
)

// Names in the folder.
const (
	ListName    = "sketchbook.toml"
	RecipeName  = "sketchbook" + recipe.Suffix
	PaletteName = "palette.txt"
	PlateFolder = "plates"
	ContactHTML = "contact.html"
	ContactPNG  = "contact.png"
	workFolder  = ".sketchbook"
	pairFolder  = workFolder + "/pairs"
	journalName = workFolder + "/journal"
	lockName    = workFolder + "/lock"
)

// TraceJob is one plate to trace.
type TraceJob struct {
	Picture  string // its file
	Out      string // where the drawing goes
	Settings *recipe.Recipe
	Workers  int
}

// Figures are what is said of a drawing. Nothing in it depends on the machine.
type Figures struct {
	Kind      string   `json:"kind"`
	Medium    string   `json:"medium"`
	Palette   []string `json:"palette"` // "#rrggbb name", the dropped paper included
	Layers    int      `json:"layers"`
	Shapes    int      `json:"shapes"`
	Segments  int      `json:"segments"`
	Bytes     int64    `json:"bytes"`
	Mean      float64  `json:"mean"`  // deviation, px
	Worst     float64  `json:"worst"` // px
	Tolerance float64  `json:"tolerance"`
}

// Config is what a run needs.
type Config struct {
	Folder string   // of the sketchbook; made when it is not there
	Inputs []string // pictures and folders of pictures; those on the list need not be named again
	// Settings go over those of Base, which is the recipe in the folder where it is nil.
	Settings *recipe.Recipe
	Base     *recipe.Recipe
	// What a plate is and whether all share one palette; nil leaves it as the list has it, which is false at first.
	Captions, Numbers, OnePalette *bool

	Jobs          int     // pages at once; 0 means one for each processor, at most mostJobs
	MaxMegapixels float64 // of a page; 0 means intake.DefaultMaxMegapixels
	Version       string  // of the program: other versions' work is done again

	// Trace makes the drawing of a plate. It must write Out complete or not at all.
	Trace func(ctx context.Context, j TraceJob) (Figures, error)
	// Colours finds the palette of a plate without writing anything.
	Colours func(ctx context.Context, j TraceJob) ([]quantize.Swatch, error)
	// Tell is called for everything that happens, never twice at once. nil means nobody listens.
	Tell func(Event)
}

// Event is one thing that happened.
type Event struct {
	Kind  string // "page", "plate", "failed", "note"
	Page  string // its file, with the page where there are several
	Plate string // its name, "" where it is of the page
	Text  string // of a failure or a note
	Hint  string // what may help, "" for nothing

	Figures *Figures // of a plate
	Plates  int      // of a page
	Reused  bool     // done in an earlier run

	PagesDone, PagesAll, PlatesDone, Failed int // so far
}

// Summary is how a run ended.
type Summary struct {
	Pages, Plates, Reused int
	Failures              []Failure
	Warnings              int // plates and pages with something to look at
}

// Failure is a page or plate that could not be done.
type Failure struct{ Page, Plate, Text, Hint string }

// mostJobs bounds the pages at once where the user does not say.
const mostJobs = 8

// pixelsInFlight bounds the pixels of pages and plates that are worked on at once, whatever the number of jobs; a larger
// page is worked on alone. A pixel costs about 15 bytes at the worst moment.
const pixelsInFlight = 48e6

// run is one run.
type run struct {
	Config
	list     *List
	listText []byte // as last read or written
	journal  *journal
	shared   *recipe.Recipe // without the palette of the run
	palette  []quantize.Swatch
	hashes   map[string]*fileHash
	gate     *gate
	stems    map[*Page]string
	taken    map[string]*Page // whose plates have these names, in lower case, by the list as it was read

	mu       sync.Mutex
	done     map[*Page]*pageResult
	counts   Event
	failures []Failure
	full     error // the disk is full: nothing more can be written
}

// pageResult is what became of a page.
type pageResult struct {
	cut    *cutRecord
	plates []plateResult
	err    *Failure
}

// plateResult is what became of a plate.
type plateResult struct {
	plate Plate
	rec   *plateRecord
	err   *Failure
}

// ErrBusy says that another run works on the folder.
var ErrBusy = errors.New("another run is working on this sketchbook")

// Run does all there is to do. Pages and plates that fail are in the summary; an error means that the run could not
// go on: ctx ended, the folder cannot be written, the list has a fault, the disk is full. What was finished stays.
func Run(ctx context.Context, c Config) (*Summary, error) {
	r, err := open(c)
	if err != nil {
		return nil, err
	}
	defer r.close()
	if err := r.addInputs(c.Inputs); err != nil {
		return nil, err
	}
	return r.all(ctx)
}

// open makes ready the folder and reads what earlier runs left.
func open(c Config) (r *run, err error) {
	r = &run{Config: c, hashes: map[string]*fileHash{}, gate: newGate(pixelsInFlight)}
	for _, d := range []string{"", PlateFolder, pairFolder} {
		if err := os.MkdirAll(filepath.Join(c.Folder, d), 0o777); err != nil {
			return nil, fmt.Errorf("%s: the folder cannot be made: %w", filepath.Join(c.Folder, d), bare(err))
		}
	}
	if r.journal, err = openJournal(c.Folder); err != nil {
		return nil, err
	}
	opened := r
	defer func() {
		if err != nil {
			opened.close()
		}
	}()
	sweep(c.Folder)
	r.list = &List{}
	if r.listText, err = os.ReadFile(r.path(ListName)); err == nil {
		if r.list, err = readList(r.listText, r.path(ListName)); err != nil {
			return nil, err
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: cannot be read: %w", r.path(ListName), bare(err))
	}
	for _, o := range []struct{ from, to *bool }{{c.Captions, &r.list.KeepCaptions}, {c.Numbers, &r.list.KeepNumbers}, {c.OnePalette, &r.list.OnePalette}} {
		if o.from != nil {
			*o.to = *o.from
		}
	}
	base := c.Base
	if base == nil {
		switch base, err = recipe.Load(r.path(RecipeName)); {
		case errors.Is(err, fs.ErrNotExist):
			base = &recipe.Recipe{}
		case err != nil:
			return nil, err
		}
	}
	settings := c.Settings
	if settings == nil {
		settings = &recipe.Recipe{}
	}
	r.shared = base.Over(settings)
	if p, ok := r.shared.Text("palette"); ok && sameFile(p, r.path(PaletteName)) {
		// of the last run; this one finds out anew whether there is one for all
		r.shared.Unset("palette")
	}
	if _, err := r.shared.Options(); err != nil {
		return nil, err
	}
	return r, nil
}

func (r *run) close() { r.journal.close() }

// path is a path in the folder.
func (r *run) path(name string) string { return filepath.Join(r.Folder, filepath.FromSlash(name)) }

func sameFile(a, b string) bool {
	x, err1 := filepath.Abs(a)
	y, err2 := filepath.Abs(b)
	return err1 == nil && err2 == nil && x == y
}

// all works through the list.
func (r *run) all(ctx context.Context) (*Summary, error) {
	r.done = map[*Page]*pageResult{}
	r.failures = nil
	r.nameStems()
	var pages []*Page
	for _, p := range r.list.Pages {
		if !p.Skip {
			pages = append(pages, p)
		}
	}
	r.counts = Event{PagesAll: len(pages)}
	if err := r.saveList(); err != nil {
		return nil, err
	}
	if r.list.OnePalette {
		if err := r.findPalette(ctx, pages); err != nil {
			return nil, err
		}
	}
	if err := r.saveRecipe(); err != nil {
		return nil, err
	}
	r.each(ctx, pages, r.page)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if r.full != nil {
		return nil, r.full
	}
	if err := r.saveList(); err != nil {
		return nil, err
	}
	warnings, err := r.writeContact()
	if err != nil {
		return nil, err
	}
	r.removeStale()
	if err := r.journal.compact(r.keysInUse()); err != nil {
		return nil, err
	}
	return r.summary(pages, warnings), nil
}

func (r *run) summary(pages []*Page, warnings int) *Summary {
	s := &Summary{Pages: len(pages), Warnings: warnings}
	for _, p := range pages {
		res := r.done[p]
		if res.err != nil {
			s.Failures = append(s.Failures, *res.err)
		}
		for _, q := range res.plates {
			switch {
			case q.err != nil:
				s.Failures = append(s.Failures, *q.err)
			case q.rec != nil:
				s.Plates++
				if q.rec.reused {
					s.Reused++
				}
			}
		}
	}
	return s
}

// jobs is the number of pages at once, and the goroutines that each may use.
func (r *run) jobs() (pages, workers int) {
	n := runtime.GOMAXPROCS(0)
	pages = r.Jobs
	if pages == 0 {
		pages = min(n, mostJobs)
	}
	return pages, max(1, n/pages)
}

// each calls do for every page, so many at once, until ctx ends or the disk is full.
func (r *run) each(ctx context.Context, pages []*Page, do func(ctx context.Context, p *Page, workers int)) {
	atOnce, workers := r.jobs()
	next := make(chan *Page)
	var wg sync.WaitGroup
	for range min(atOnce, len(pages)) {
		wg.Go(func() {
			for p := range next {
				do(ctx, p, workers)
			}
		})
	}
	for _, p := range pages {
		if ctx.Err() != nil || r.stopped() {
			break
		}
		next <- p
	}
	close(next)
	wg.Wait()
}

func (r *run) stopped() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.full != nil
}

// tell passes an event on.
func (r *run) tell(e Event) {
	r.mu.Lock()
	defer r.mu.Unlock()
	c := &r.counts
	switch {
	case e.Kind == "page":
		c.PagesDone++
	case e.Kind == "plate":
		c.PlatesDone++
	case e.Kind == "failed":
		c.Failed++
		if e.Plate == "" {
			c.PagesDone++
		}
	}
	if r.Tell != nil {
		e.PagesDone, e.PagesAll, e.PlatesDone, e.Failed = c.PagesDone, c.PagesAll, c.PlatesDone, c.Failed
		r.Tell(e)
	}
}

// fail notes a failure and tells of it. A full disk stops the run.
func (r *run) fail(p *Page, plate string, err error) *Failure {
	f := &Failure{Page: r.title(p), Plate: plate, Text: oneLine(err.Error())}
	var open *intake.Error
	if errors.As(err, &open) {
		f.Hint = open.Hint
	}
	if diskFull(err) {
		r.mu.Lock()
		if r.full == nil {
			r.full = fmt.Errorf("%w: what is finished is safe; make room and run it again", err)
		}
		r.mu.Unlock()
		return f
	}
	r.tell(Event{Kind: "failed", Page: f.Page, Plate: plate, Text: f.Text, Hint: f.Hint})
	return f
}

// diskFull reports whether an error says that there is no room left.
func diskFull(err error) bool { return errors.Is(err, syscall.ENOSPC) || errors.Is(err, errQuota) }

// oneLine keeps a message on one line.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// title names a page for people.
func (r *run) title(p *Page) string {
	name := r.source(p)
	if rel, err := filepath.Rel(".", name); err == nil && !strings.HasPrefix(rel, "..") {
		name = rel
	}
	if p.several {
		return fmt.Sprintf("%s page %d", name, p.Number)
	}
	return name
}

// source is the path of a page's file.
func (r *run) source(p *Page) string {
	f := filepath.FromSlash(p.File)
	if filepath.IsAbs(f) {
		return f
	}
	return filepath.Join(r.Folder, f)
}

// fileHash is the hash of a file, found once.
type fileHash struct {
	once sync.Once
	hex  string
	err  error
}

// content returns the hash of a page's file.
func (r *run) content(p *Page) (string, error) {
	path := r.source(p)
	r.mu.Lock()
	h := r.hashes[path]
	if h == nil {
		h = &fileHash{}
		r.hashes[path] = h
	}
	r.mu.Unlock()
	h.once.Do(func() { h.hex, h.err = hashFile(path) })
	return h.hex, h.err
}

// hashFile returns the SHA-256 of a file in hexadecimal.
func hashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// key makes one key of many words.
func key(words ...string) string {
	h := sha256.New()
	for _, w := range words {
		fmt.Fprintf(h, "%d:%s", len(w), w)
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// fingerprint puts all that settings say into one word, with the colours of a palette file in place of its path.
func fingerprint(s *recipe.Recipe) (string, error) {
	o, err := s.Options()
	if err != nil {
		return "", err
	}
	var b strings.Builder
	for i := range recipe.Fields {
		f := &recipe.Fields[i]
		v, ok := s.Text(f.Key)
		if !ok {
			continue
		}
		if f.Key == "palette" {
			v = fmt.Sprint(o.Palette)
		}
		fmt.Fprintf(&b, "%s=%s\n", f.Key, v)
	}
	fmt.Fprintf(&b, "%+v", s.Words())
	return b.String(), nil
}

// settings are those of a page, or of a plate where it is not nil. A recipe on the list goes before the shared one, and
// the one that lies beside the plate's picture stands between the two.
func (r *run) settings(p *Page, plate *Plate) (*recipe.Recipe, error) {
	path := p.Recipe
	if plate != nil {
		beside := recipe.Beside(PlateFolder + "/" + plate.Name + ".png")
		if _, err := os.Stat(r.path(beside)); err == nil {
			path = beside
		}
		if plate.Recipe != "" {
			path = plate.Recipe
		}
	}
	s := r.shared
	if path != "" {
		if !filepath.IsAbs(filepath.FromSlash(path)) {
			path = r.path(path)
		}
		own, err := recipe.Load(path)
		if err != nil {
			return nil, err
		}
		s = own
	}
	if _, ok := s.Text("palette"); !ok && plate != nil && r.palette != nil {
		s = s.Over(&recipe.Recipe{})
		if err := s.Set("palette", r.path(PaletteName)); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// saveRecipe writes the settings that all share, so that the next run has them and a plate can be traced alone.
func (r *run) saveRecipe() error {
	s := r.shared.Over(&recipe.Recipe{})
	if _, ok := s.Text("palette"); !ok && r.palette != nil {
		if err := s.Set("palette", r.path(PaletteName)); err != nil {
			return err
		}
	}
	return s.Save(r.path(RecipeName))
}

// page does all there is to do for one page.
func (r *run) page(ctx context.Context, p *Page, workers int) {
	res := &pageResult{}
	plates, err := r.plates(ctx, p, res, workers)
	if err == nil {
		for i := range plates {
			if ctx.Err() != nil || r.stopped() {
				break
			}
			q := plateResult{plate: *plates[i].Plate}
			if q.rec, err = r.trace(ctx, p, &plates[i], workers); err != nil {
				if ctx.Err() != nil {
					break
				}
				q.err = r.fail(p, plates[i].Name, err)
			}
			res.plates = append(res.plates, q)
		}
	} else if ctx.Err() == nil {
		res.err = r.fail(p, "", err)
	}
	r.mu.Lock()
	r.done[p] = res
	r.mu.Unlock()
	if res.err == nil && ctx.Err() == nil && !r.stopped() {
		r.tell(Event{Kind: "page", Page: r.title(p), Plates: len(res.plates)})
	}
}

// due is a plate to trace.
type due struct {
	*Plate
	settings *recipe.Recipe
	key      string // of the drawing
	cutKey   string // of the plate's picture
}

// plates cuts a page where that has not been done, writes the pictures of its plates and returns those to be traced.
func (r *run) plates(ctx context.Context, p *Page, res *pageResult, workers int) (list []due, err error) {
	defer func() {
		if v := recover(); v != nil {
			list, err = nil, fmt.Errorf("%s: pochoir itself failed (%v); this is a fault worth reporting", r.title(p), v)
		}
	}()
	hash, err := r.content(p)
	if err != nil {
		if p.Content == "" || !errors.Is(err, fs.ErrNotExist) {
			_, err := intake.OpenFile(r.source(p), intake.Options{}) // says it better
			if err == nil {
				err = fmt.Errorf("%s: cannot be read", r.source(p))
			}
			return nil, err
		}
		hash = p.Content // put away since: its plates may be done
	}
	if p.Content != "" && p.Content != hash && len(p.Plates) > 0 {
		r.tell(Event{Kind: "note", Page: r.title(p), Text: "has changed since it was cut; it is cut anew"})
		p.Plates = nil
	}
	settings, err := r.settings(p, nil)
	if err != nil {
		return nil, err
	}
	opt, err := settings.Options()
	if err != nil {
		return nil, err
	}
	p.Content = hash
	pageKey := key("page", r.Version, hash, fmt.Sprint(p.Number), fmt.Sprintf("%+v", opt.Sheet), fmt.Sprint(r.list.KeepCaptions, r.list.KeepNumbers))
	p.cutKey = pageKey
	res.cut = r.journal.cut(pageKey)
	if len(p.Plates) == 0 && res.cut != nil {
		r.namePlates(p, res.cut)
	}
	if len(p.Plates) > 0 && res.cut != nil {
		if list, err = r.dues(p, pageKey); err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(list, func(d due) bool { return !r.havePicture(&d) }) {
			return list, nil
		}
	}
	file, err := intake.OpenFile(r.source(p), intake.Options{MaxMegapixels: r.MaxMegapixels, Workers: workers})
	if err != nil {
		return nil, err
	}
	defer file.Close()
	w, h := file.Size(p.Number - 1)
	leave, err := r.gate.enter(ctx, float64(w)*float64(h))
	if err != nil {
		return nil, err
	}
	defer leave()
	pic, err := file.Page(p.Number - 1)
	if err != nil {
		return nil, err
	}
	opt.Sheet.Workers, opt.Sheet.Page = workers, true
	sheet, err := paper.Prepare(ctx, pic, opt.Sheet)
	if err != nil {
		return nil, inFile(r.title(p), err)
	}
	found, err := paper.FindPlates(ctx, sheet, paper.PlateOptions{KeepCaptions: r.list.KeepCaptions, KeepNumbers: r.list.KeepNumbers})
	if err != nil {
		return nil, err
	}
	if res.cut == nil {
		res.cut = newCutRecord(pageKey, found, sheet)
		if err := r.journal.add(res.cut); err != nil {
			return nil, err
		}
	}
	if len(p.Plates) == 0 {
		r.namePlates(p, res.cut)
	}
	if list, err = r.dues(p, pageKey); err != nil {
		return nil, err
	}
	boxes := p.boxes()
	for i := range list {
		d := &list[i]
		if r.havePicture(d) {
			continue
		}
		if d.Box.Intersect(found.Bounds()).Empty() {
			return nil, fmt.Errorf("%s: the box of %s lies outside the page, which is %d x %d px", r.path(ListName), d.Name, found.W, found.H)
		}
		k := slices.Index(boxes, d.Box)
		cut, err := found.Cut(ctx, d.Box, found.Hide(boxes, k), workers)
		if err != nil {
			return nil, err
		}
		if err := r.writePicture(d, cut); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// inFile says which file an error is about.
func inFile(name string, err error) error { return fmt.Errorf("%s: %w", name, err) }

// dues lists the plates of a page that are not to be skipped.
func (r *run) dues(p *Page, pageKey string) ([]due, error) {
	all := fmt.Sprint(p.boxes())
	var list []due
	for i := range p.Plates {
		q := &p.Plates[i]
		if q.Skip {
			continue
		}
		s, err := r.settings(p, q)
		if err != nil {
			return nil, err
		}
		words, err := fingerprint(s)
		if err != nil {
			return nil, err
		}
		d := due{Plate: q, settings: s, cutKey: key("cut", pageKey, fmt.Sprint(q.Box), all, q.Name)}
		d.key = key("plate", d.cutKey, words)
		list = append(list, d)
	}
	return list, nil
}

func (r *run) picturePath(name string) string { return r.path(PlateFolder + "/" + name + ".png") }
func (r *run) drawingPath(name string) string { return r.path(name + ".svg") }
func (r *run) pairPath(name string) string    { return r.path(pairFolder + "/" + name + ".jpg") }

// havePicture reports whether the picture of a plate lies there as it was written.
func (r *run) havePicture(d *due) bool {
	rec := r.journal.picture(d.cutKey)
	if rec == nil {
		return false
	}
	h, err := hashFile(r.picturePath(d.Name))
	return err == nil && h == rec.PNG
}

// writePicture writes the picture of a plate.
func (r *run) writePicture(d *due, p *paper.Picture) error {
	h := sha256.New()
	err := atomicfile.WriteUnsynced(r.picturePath(d.Name), func(w io.Writer) error {
		return intake.WritePlate(io.MultiWriter(w, h), p)
	})
	if err != nil {
		return err
	}
	return r.journal.add(&pictureRecord{Key: d.cutKey, Name: d.Name, PNG: hex.EncodeToString(h.Sum(nil)), W: p.W, H: p.H})
}

// trace makes the drawing of a plate unless it is there.
func (r *run) trace(ctx context.Context, p *Page, d *due, workers int) (*plateRecord, error) {
	if rec := r.journal.plate(d.key); rec != nil && r.haveDrawing(rec) {
		again := *rec
		again.reused = true
		r.tell(Event{Kind: "plate", Page: r.title(p), Plate: d.Name, Figures: &rec.Figures, Reused: true})
		return &again, nil
	}
	pic := r.journal.picture(d.cutKey)
	leave, err := r.gate.enter(ctx, float64(pic.W)*float64(pic.H))
	if err != nil {
		return nil, err
	}
	defer leave()
	f, err := r.Trace(ctx, TraceJob{Picture: r.picturePath(d.Name), Out: r.drawingPath(d.Name), Settings: d.settings, Workers: workers})
	if err != nil {
		return nil, err
	}
	rec := &plateRecord{Key: d.key, Name: d.Name, Figures: f}
	if rec.SVG, err = hashFile(r.drawingPath(d.Name)); err != nil {
		return nil, err
	}
	if rec.Pair, err = r.writePair(d.Name); err != nil {
		return nil, err
	}
	if err := r.journal.add(rec); err != nil {
		return nil, err
	}
	r.tell(Event{Kind: "plate", Page: r.title(p), Plate: d.Name, Figures: &f})
	return rec, nil
}

// haveDrawing reports whether a drawing and its small pictures lie there as they were written.
func (r *run) haveDrawing(rec *plateRecord) bool {
	for path, want := range map[string]string{r.drawingPath(rec.Name): rec.SVG, r.pairPath(rec.Name): rec.Pair} {
		if h, err := hashFile(path); err != nil || h != want {
			return false
		}
	}
	return true
}

// keysInUse are the keys of all records that the present list needs.
func (r *run) keysInUse() map[string]bool {
	use := map[string]bool{}
	for _, p := range r.list.Pages {
		if p.cutKey == "" {
			continue
		}
		use[p.cutKey] = true
		list, err := r.dues(p, p.cutKey)
		if err != nil {
			continue
		}
		for _, d := range list {
			use[d.cutKey], use[d.key] = true, true
			if r.list.OnePalette {
				if k, err := r.coloursKey(p, &d); err == nil {
					use[k] = true
				}
			}
		}
	}
	return use
}

// removeStale removes what earlier runs made of plates that are gone from the list, renamed or skipped, unless it was
// changed since.
func (r *run) removeStale() {
	active := map[string]bool{}
	for _, p := range r.list.Pages {
		if p.Skip {
			continue
		}
		if res := r.done[p]; res == nil || res.err != nil {
			for _, q := range p.Plates {
				active[q.Name] = true
			}
			continue
		}
		for _, q := range p.Plates {
			if !q.Skip {
				active[q.Name] = true
			}
		}
	}
	remove := func(path, hash string) {
		if h, err := hashFile(path); err == nil && h == hash {
			os.Remove(path)
		}
	}
	for _, rec := range r.journal.allPlates() {
		if !active[rec.Name] {
			remove(r.drawingPath(rec.Name), rec.SVG)
			remove(r.pairPath(rec.Name), rec.Pair)
		}
	}
	for _, rec := range r.journal.allPictures() {
		if !active[rec.Name] {
			remove(r.picturePath(rec.Name), rec.PNG)
		}
	}
}

// findPalette sets the palette of the run: that of the file in the folder, or one made of the palettes of all plates.
func (r *run) findPalette(ctx context.Context, pages []*Page) (err error) {
	path := r.path(PaletteName)
	if _, err := os.Stat(path); err == nil {
		r.palette, err = swatchfile.Palette(path)
		return err
	}
	var mu sync.Mutex
	found := map[*Page][][]quantize.Swatch{}
	quiet := r.Tell
	r.Tell = nil // failures are told of when the page's turn comes to be traced
	r.each(ctx, pages, func(ctx context.Context, p *Page, workers int) {
		list, err := r.plates(ctx, p, &pageResult{}, workers)
		if err != nil {
			if diskFull(err) {
				r.fail(p, "", err)
			}
			return
		}
		var all [][]quantize.Swatch
		for i := range list {
			s, err := r.colours(ctx, p, &list[i], workers)
			if diskFull(err) {
				r.fail(p, "", err)
				return
			}
			if err == nil {
				all = append(all, s)
			}
		}
		mu.Lock()
		found[p] = all
		mu.Unlock()
	})
	r.Tell, r.counts = quiet, Event{PagesAll: len(pages)}
	if err := ctx.Err(); err != nil {
		return err
	}
	if r.full != nil {
		return r.full
	}
	var all [][]quantize.Swatch
	for _, p := range pages {
		all = append(all, found[p]...)
	}
	if len(all) == 0 {
		return nil
	}
	r.palette = MergePalettes(all, 0)
	return atomicfile.Write(path, func(w io.Writer) error { return swatchfile.Write(w, r.palette) })
}

// coloursKey is the key of the palette that a plate has by itself.
func (r *run) coloursKey(p *Page, d *due) (string, error) {
	keep := r.palette
	r.palette = nil
	s, err := r.settings(p, d.Plate)
	r.palette = keep
	if err != nil {
		return "", err
	}
	words, err := fingerprint(s)
	return key("colours", d.cutKey, words), err
}

// colours returns the palette that a plate has by itself.
func (r *run) colours(ctx context.Context, p *Page, d *due, workers int) ([]quantize.Swatch, error) {
	words, err := fingerprint(d.settings)
	if err != nil {
		return nil, err
	}
	k := key("colours", d.cutKey, words)
	if rec := r.journal.colours(k); rec != nil {
		return rec.swatches()
	}
	pic := r.journal.picture(d.cutKey)
	leave, err := r.gate.enter(ctx, float64(pic.W)*float64(pic.H))
	if err != nil {
		return nil, err
	}
	defer leave()
	s, err := r.Colours(ctx, TraceJob{Picture: r.picturePath(d.Name), Settings: d.settings, Workers: workers})
	if err != nil {
		return nil, err
	}
	return s, r.journal.add(newColoursRecord(k, s))
}

// gate bounds what is worked on at once.
type gate struct {
	mu   sync.Mutex
	free float64
	all  float64
	wait []chan struct{}
}

func newGate(size float64) *gate { return &gate{free: size, all: size} }

// enter waits until there is room for n, or for all there can be, and returns what gives it back.
func (g *gate) enter(ctx context.Context, n float64) (leave func(), err error) {
	n = min(n, g.all)
	for {
		g.mu.Lock()
		if g.free >= n {
			g.free -= n
			g.mu.Unlock()
			return func() { g.leave(n) }, nil
		}
		c := make(chan struct{})
		g.wait = append(g.wait, c)
		g.mu.Unlock()
		select {
		case <-c:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

func (g *gate) leave(n float64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.free += n
	for _, c := range g.wait {
		close(c)
	}
	g.wait = nil
}

// bare takes the path off an error of the system.
func bare(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
