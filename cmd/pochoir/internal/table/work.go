package table

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/quantize"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// desk is a picture that is being worked on: opened, its stages kept.
type desk struct {
	p *picture

	turn sync.Mutex // held while tracing
	pic  *paper.Picture
	tr   *trace.Tracer
	key  string // the options of last, colourway left out
	last *trace.Result
}

// mostDesks is how many pictures are kept open; each holds a few bitmaps.
const mostDesks = 2

// desk returns the desk of a picture and clears the one used longest ago.
func (t *Table) desk(p *picture) *desk {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i, d := range t.desks {
		if d.p == p {
			t.desks = append([]*desk{d}, slices.Delete(t.desks, i, i+1)...)
			return d
		}
	}
	d := &desk{p: p}
	t.desks = append([]*desk{d}, t.desks...)
	t.desks = t.desks[:min(len(t.desks), mostDesks)]
	return d
}

// trace draws the picture by the options. It stops when ctx ends, as it does when the page that asked gives up.
func (d *desk) trace(ctx context.Context, t *Table, opt trace.Options) (*trace.Result, error) {
	d.turn.Lock()
	defer d.turn.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err := d.load(t); err != nil {
		return nil, err
	}
	colourway := opt.Colourway
	opt.Colourway = nil
	key := optionsKey(opt)
	if d.last == nil || d.key != key {
		r, err := guarded(func() (*trace.Result, error) { return d.tr.Trace(ctx, opt) })
		if err != nil {
			return nil, err
		}
		d.last, d.key = r, key
	}
	r := *d.last
	drawing := *r.Drawing
	drawing.Layers = slices.Clone(drawing.Layers)
	for i := range drawing.Layers {
		for _, s := range colourway {
			if s.Name == drawing.Layers[i].Name {
				drawing.Layers[i].Colour = s.Colour
			}
		}
	}
	r.Drawing = &drawing
	return &r, nil
}

// guarded turns a fault of the engine into an error.
func guarded(f func() (*trace.Result, error)) (r *trace.Result, err error) {
	defer func() {
		if p := recover(); p != nil {
			r, err = nil, fmt.Errorf("pochoir itself failed (%v); this is a fault worth reporting", p)
		}
	}()
	return f()
}

// load opens the picture. d.turn is held.
func (d *desk) load(t *Table) error {
	if d.pic != nil {
		return nil
	}
	f, err := t.open(d.p)
	if err != nil {
		return err
	}
	defer f.Close()
	pic, err := f.Page(0)
	if err != nil {
		return err
	}
	d.pic, d.tr = pic, trace.NewTracer(pic)
	return nil
}

// size returns width and height of the picture, px.
func (d *desk) size() [2]int {
	d.turn.Lock()
	defer d.turn.Unlock()
	if d.pic == nil {
		return [2]int{}
	}
	return [2]int{d.pic.W, d.pic.H}
}

// optionsKey tells options apart.
func optionsKey(o trace.Options) string {
	s := ""
	for _, p := range []*float64{o.Smoothness, o.Turn, o.Dust} {
		if p != nil {
			s += fmt.Sprint(*p)
		}
		s += "|"
	}
	o.Smoothness, o.Turn, o.Dust = nil, nil, nil
	return s + fmt.Sprintf("%+v", o)
}

// encoded is the drawing as a file.
func encoded(d *trace.Drawing) ([]byte, error) {
	var b bytes.Buffer
	err := svgout.Write(&b, d, svgout.Options{})
	return b.Bytes(), err
}

// settings are a picture's, as the page knows them.
type settings struct {
	Values map[string]string `json:"values"` // those that are set, by key; a palette by the name of its file
	recipe.Lists
}

// errOutside is about a palette that is not in the picture's folder.
var errOutside = errors.New("a palette must lie in the folder of the picture")

// load reads the recipe of a picture. p.file is held.
func (p *picture) load() (*recipe.Recipe, string, error) {
	if err := ownFile(p.recipe()); err != nil {
		return nil, "", err
	}
	text, err := os.ReadFile(p.recipe())
	if errors.Is(err, fs.ErrNotExist) {
		return &recipe.Recipe{}, "", nil
	}
	if err != nil {
		return nil, "", fmt.Errorf("%s: cannot be read: %w", filepath.Base(p.recipe()), bare(err))
	}
	r, err := recipe.Load(p.recipe())
	if err != nil {
		return nil, "", errors.New(strings.ReplaceAll(err.Error(), filepath.Dir(p.path)+string(filepath.Separator), ""))
	}
	for i := range recipe.Fields {
		f := &recipe.Fields[i]
		if list, ok := r.Text(f.Key); ok && f.NamesFile() && list != "" && !p.beside(list) {
			return nil, "", errOutside
		}
	}
	return r, fingerprint(text), nil
}

// beside reports whether a palette lies in the picture's folder.
func (p *picture) beside(path string) bool {
	abs, err := filepath.Abs(path)
	return err == nil && inside(abs, filepath.Dir(p.path))
}

func fingerprint(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:12])
}

// toPage turns a recipe into what the page gets.
func toPage(r *recipe.Recipe) settings {
	s := settings{Values: map[string]string{}, Lists: r.Lists()}
	for _, f := range recipe.Fields {
		if v, ok := r.Text(f.Key); ok && !f.FileOnly {
			if f.NamesFile() {
				v = filepath.Base(v)
			}
			s.Values[f.Key] = v
		}
	}
	return s
}

// fromPage turns what the page sends into a recipe.
func (p *picture) fromPage(s settings, written string) (*recipe.Recipe, error) {
	r := &recipe.Recipe{Written: written}
	for key, v := range s.Values {
		f := recipe.FieldOf(key)
		if f == nil || f.FileOnly {
			return nil, fmt.Errorf("there is no setting %q", key)
		}
		if f.NamesFile() {
			if v == "" {
				continue
			}
			if v != filepath.Base(v) || !p.beside(filepath.Join(filepath.Dir(p.path), v)) {
				return nil, errOutside
			}
			v = filepath.Join(filepath.Dir(p.path), v)
		}
		if err := r.Set(key, v); err != nil {
			return nil, fmt.Errorf("%s: %w", key, err)
		}
		if v == fmt.Sprint(f.Default) && key != "dust" { // dust has another default on paper
			r.Unset(key)
		}
	}
	return r, r.SetLists(s.Lists)
}

// settingsKey tells settings apart.
func settingsKey(r *recipe.Recipe) string {
	var b strings.Builder
	for _, f := range recipe.Fields {
		v, _ := r.Text(f.Key)
		if f.NamesFile() && v != "" {
			v = filepath.Base(v)
		}
		b.WriteString(f.Key + "=" + v + "\n")
	}
	return fingerprint([]byte(b.String()))
}

// save writes the recipe where it says something new, and returns its revision. p.file is held.
func (p *picture) save(r, before *recipe.Recipe, revision string) (string, error) {
	if revision == "" && settingsKey(r) == settingsKey(&recipe.Recipe{}) && r.Written == "" || settingsKey(r) == settingsKey(before) && r.Written == before.Written {
		return revision, nil
	}
	if err := ownFile(p.recipe()); err != nil {
		return "", err
	}
	if err := r.Save(p.recipe()); err != nil {
		return "", err
	}
	text, err := os.ReadFile(p.recipe())
	return fingerprint(text), err
}

// errEdited says that the drawing on disk is not the one the table wrote.
var errEdited = errors.New("the drawing on disk is not the one that was written from here: somebody has changed it, or made it elsewhere")

// write writes the drawing, and the recipe with a note of it. A drawing that is not the table's own is written over only
// when over is true. p.file is held.
func (p *picture) write(t *Table, r, before *recipe.Recipe, revision string, d *trace.Drawing, over bool) (bytesOut int, rev string, err error) {
	if err := ownFile(p.svg()); err != nil {
		return 0, "", err
	}
	out := *d
	if out.Meta.Title == "" && t.cfg.Title != nil {
		out.Meta.Title = t.cfg.Title(p.svg())
	}
	text, err := encoded(&out)
	if err != nil {
		return 0, "", err
	}
	if old, err := os.ReadFile(p.svg()); err == nil && !over && !bytes.Equal(old, text) {
		if was, _, _ := strings.Cut(before.Written, ":"); was != fingerprint(old) {
			return 0, "", errEdited
		}
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, "", fmt.Errorf("%s: cannot be read: %w", filepath.Base(p.svg()), bare(err))
	}
	err = atomicfile.Write(p.svg(), func(w io.Writer) error { _, err := w.Write(text); return err })
	if err != nil {
		return 0, "", err
	}
	r.Written = fingerprint(text) + ":" + settingsKey(r)
	rev, err = p.save(r, before, revision)
	return len(text), rev, err
}

// The states of a picture on the rack.
const (
	stateNew     = "new"
	stateTuned   = "tuned"
	stateWritten = "written"
	stateFailed  = "failed"
)

// state tells from the disk how far a picture is, and why where it failed.
func (t *Table) state(p *picture) (state, why string) {
	t.mu.Lock()
	failed := p.failed
	t.mu.Unlock()
	if failed != "" {
		return stateFailed, failed
	}
	p.file.Lock()
	defer p.file.Unlock()
	r, revision, err := p.load()
	if err != nil {
		return stateFailed, err.Error()
	}
	svg, set, ok := strings.Cut(r.Written, ":")
	if text, err := os.ReadFile(p.svg()); ok && err == nil && fingerprint(text) == svg && set == settingsKey(r) {
		return stateWritten, ""
	}
	if revision != "" && (r.Written != "" || settingsKey(r) != settingsKey(&recipe.Recipe{})) {
		return stateTuned, ""
	}
	return stateNew, ""
}

func (t *Table) setFailed(p *picture, why string) {
	t.mu.Lock()
	p.failed = why
	t.mu.Unlock()
}

// run is a pass over pictures in the background.
type run struct {
	stop  context.CancelFunc
	done  int
	total int
	name  string // of the picture that is being drawn
}

// startRun draws and writes pictures one after the other, unless a run is on already.
func (t *Table) startRun(list []*picture) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.run != nil {
		return false
	}
	ctx, stop := context.WithCancel(t.ctx)
	r := &run{stop: stop, total: len(list)}
	t.run = r
	go func() {
		defer stop()
		failed := 0
		for i, p := range list {
			t.mu.Lock()
			r.done, r.name = i, p.name
			t.mu.Unlock()
			t.events.send(event{"run", map[string]any{"done": i, "total": len(list), "name": p.name}})
			err := t.drawAndWrite(ctx, p)
			if ctx.Err() != nil {
				break
			}
			if err != nil {
				failed++
				t.setFailed(p, words(err))
			} else {
				t.setFailed(p, "")
			}
			t.events.send(event{"rack", p.id})
		}
		t.mu.Lock()
		t.run = nil
		t.mu.Unlock()
		t.events.send(event{"run", map[string]any{"done": len(list), "total": len(list), "failed": failed, "over": true, "stopped": ctx.Err() != nil}})
	}()
	return true
}

func (t *Table) drawAndWrite(ctx context.Context, p *picture) error {
	p.file.Lock()
	defer p.file.Unlock()
	r, revision, err := p.load()
	if err != nil {
		return err
	}
	opt, err := r.Options()
	if err != nil {
		return err
	}
	d := &desk{p: p}
	if err := d.load(t); err != nil {
		return err
	}
	res, err := guarded(func() (*trace.Result, error) { return d.tr.Trace(ctx, opt) })
	if err != nil {
		return err
	}
	before := *r
	_, _, err = p.write(t, r, &before, revision, res.Drawing, false)
	return err
}

// copySettings gives the settings of one picture to others: all but what belongs to places in it.
func (t *Table) copySettings(from *picture, to []*picture) error {
	from.file.Lock()
	source, _, err := from.load()
	from.file.Unlock()
	if err != nil {
		return err
	}
	for _, p := range to {
		if p == from {
			continue
		}
		err := func() error {
			p.file.Lock()
			defer p.file.Unlock()
			before, revision, err := p.load()
			if err != nil {
				return err
			}
			own := before.Lists()
			r := (&recipe.Recipe{Written: before.Written}).Over(source)
			for _, key := range []string{"sheet"} {
				r.Unset(key)
				if v, ok := before.Text(key); ok {
					if err := r.Set(key, v); err != nil {
						return err
					}
				}
			}
			lists := source.Lists()
			lists.Touches, lists.Flats = own.Touches, own.Flats
			if err := r.SetLists(lists); err != nil {
				return err
			}
			_, err = p.save(r, before, revision)
			return err
		}()
		if err != nil {
			return fmt.Errorf("%s: %w", p.name, err)
		}
		t.setFailed(p, "")
		t.events.send(event{"rack", p.id})
	}
	return nil
}

// swatchesOf lists what the page shows as swatches: the palette without what was poured away.
func swatchesOf(r *trace.Result, pours []trace.Pour) []quantize.Swatch {
	var out []quantize.Swatch
	for _, s := range r.Report.Palette {
		if !slices.ContainsFunc(pours, func(p trace.Pour) bool { return p.From == s.Name }) {
			out = append(out, s)
		}
	}
	return out
}

// words is an error's text on one line, without the names of packages.
func words(err error) string {
	text := strings.TrimSpace(err.Error())
	for _, pkg := range []string{"trace: ", "svgout: ", "quantize: ", "paper: ", "fit: "} {
		text = strings.ReplaceAll(text, pkg, "")
	}
	return strings.ReplaceAll(text, "\n", "; ")
}
