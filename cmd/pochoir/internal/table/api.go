package table

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"

	"github.com/disintegration/imaging"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/cmd/pochoir/internal/swatchfile"
	"pochoir/quantize"
	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// mostWords bounds what the page sends as JSON, bytes.
const mostWords = 1 << 20

func (t *Table) routes() *http.ServeMux {
	m := http.NewServeMux()
	m.HandleFunc("GET /", asset)
	m.HandleFunc("GET /api/rack", t.getRack)
	m.HandleFunc("GET /api/events", t.getEvents)
	m.HandleFunc("GET /api/pictures/{id}", t.withPicture(t.getPicture))
	m.HandleFunc("GET /api/pictures/{id}/thumb", t.withPicture(t.getThumb))
	m.HandleFunc("GET /api/pictures/{id}/sheet", t.withPicture(t.getSheet))
	m.HandleFunc("GET /api/pictures/{id}/taken", t.withPicture(t.getTaken))
	m.HandleFunc("POST /api/pictures/{id}/trace", t.withPicture(t.postTrace))
	m.HandleFunc("POST /api/pictures/{id}/write", t.withPicture(t.postWrite))
	m.HandleFunc("POST /api/upload", t.postUpload)
	m.HandleFunc("POST /api/copy", t.postCopy)
	m.HandleFunc("POST /api/run", t.postRun)
	m.HandleFunc("POST /api/run/stop", t.postStop)
	m.HandleFunc("GET /api/swatches", t.getSwatchFiles)
	m.HandleFunc("POST /api/swatches/read", t.postReadSwatches)
	m.HandleFunc("POST /api/swatches/{name}", t.postSwatchFile)
	return m
}

// fault is an answer that says what is wrong.
type fault struct {
	status int
	text   string
	more   map[string]any
}

func (f fault) Error() string { return f.text }

func answer(w http.ResponseWriter, v any, err error) {
	status := http.StatusOK
	if err != nil {
		var f fault
		var large *http.MaxBytesError
		body := map[string]any{"error": words(err)}
		status = http.StatusUnprocessableEntity
		switch {
		case errors.As(err, &f):
			status = f.status
			for k, x := range f.more {
				body[k] = x
			}
		case errors.As(err, &large):
			status = http.StatusRequestEntityTooLarge
			body["error"] = fmt.Sprintf("too large: the limit is %d MB", large.Limit>>20)
		case errors.Is(err, context.Canceled):
			status = http.StatusConflict
			body["stale"] = true
		}
		v = body
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(v)
}

// read decodes the JSON of a request, of bounded size and known fields only.
func read(w http.ResponseWriter, r *http.Request, v any) error {
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostWords))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return err
		}
		return fault{status: http.StatusBadRequest, text: "the request makes no sense"}
	}
	return nil
}

func (t *Table) withPicture(f func(http.ResponseWriter, *http.Request, *picture)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		p := t.find(r.PathValue("id"))
		if p == nil {
			http.NotFound(w, r)
			return
		}
		f(w, r, p)
	}
}

// getRack lists the pictures, the settings there are, and the run that is on.
func (t *Table) getRack(w http.ResponseWriter, r *http.Request) {
	if t.whole {
		if err := t.search(t.folder); err != nil {
			answer(w, nil, err)
			return
		}
	}
	type item struct {
		ID    string `json:"id"`
		Name  string `json:"name"`
		State string `json:"state"`
		Why   string `json:"why,omitempty"`
	}
	items := []item{}
	for _, p := range t.rack() {
		state, why := t.state(p)
		items = append(items, item{p.id, p.name, state, why})
	}
	type field struct {
		Arg     string `json:"arg"`
		Doc     string `json:"doc"`
		Default any    `json:"default"`
	}
	fields := map[string]field{}
	for _, f := range recipe.Fields {
		fields[f.Key] = field{f.Arg, f.Doc, f.Default}
	}
	var on any
	t.mu.Lock()
	if t.run != nil {
		on = map[string]any{"done": t.run.done, "total": t.run.total, "name": t.run.name}
	}
	t.mu.Unlock()
	answer(w, map[string]any{"folder": filepath.Base(t.folder), "pictures": items, "fields": fields, "run": on}, nil)
}

func (t *Table) getPicture(w http.ResponseWriter, r *http.Request, p *picture) {
	p.file.Lock()
	defer p.file.Unlock()
	rec, revision, err := p.load()
	if err != nil {
		answer(w, nil, err)
		return
	}
	answer(w, map[string]any{"name": p.name, "settings": toPage(rec), "revision": revision, "written": rec.Written}, nil)
}

// thumbSide is the long side of a picture on the rack, px: twice what is shown, for fine screens.
const thumbSide = 224

func (t *Table) getThumb(w http.ResponseWriter, r *http.Request, p *picture) {
	t.mu.Lock()
	thumb := p.thumb
	t.mu.Unlock()
	if thumb == nil {
		t.thumbs.Lock()
		defer t.thumbs.Unlock()
		f, err := t.open(p)
		if err == nil {
			defer f.Close()
			var pic *paper.Picture
			if pic, err = f.Page(0); err == nil {
				thumb, err = reduced(pic, thumbSide, 85)
			}
		}
		if err != nil {
			answer(w, nil, err)
			return
		}
		t.mu.Lock()
		p.thumb = thumb
		t.mu.Unlock()
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Write(thumb)
}

// reduced is a picture as a JPEG, its long side no longer than that.
func reduced(pic *paper.Picture, side, quality int) ([]byte, error) {
	var m image.Image = &image.NRGBA{Pix: pic.Pix, Stride: 4 * pic.W, Rect: image.Rect(0, 0, pic.W, pic.H)}
	if max(pic.W, pic.H) > side {
		m = imaging.Fit(m, side, side, imaging.Box)
	}
	var b bytes.Buffer
	err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality})
	return b.Bytes(), err
}

// takenSide is the long side of the picture as it was taken, px: enough to place the corners of a sheet.
const takenSide = 2400

// getTaken serves the picture before anything was done to it.
func (t *Table) getTaken(w http.ResponseWriter, r *http.Request, p *picture) {
	d := t.desk(p)
	d.turn.Lock()
	defer d.turn.Unlock()
	if err := d.load(t); err != nil {
		answer(w, nil, err)
		return
	}
	b, err := reduced(d.pic, takenSide, 90)
	if err != nil {
		answer(w, nil, err)
		return
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Write(b)
}

// getSheet serves the pixels of the clean sheet of the last drawing, R,G,B,A row by row.
func (t *Table) getSheet(w http.ResponseWriter, r *http.Request, p *picture) {
	d := t.desk(p)
	d.turn.Lock()
	defer d.turn.Unlock()
	var s *paper.Sheet
	if d.tr != nil {
		s = d.tr.Sheet()
	}
	if s == nil {
		answer(w, nil, fault{status: http.StatusConflict, text: "nothing was drawn yet"})
		return
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("X-Width", strconv.Itoa(s.W))
	w.Header().Set("X-Height", strconv.Itoa(s.H))
	w.Write(s.Pix)
}

// order is what the page asks to be drawn or written.
type order struct {
	Settings settings `json:"settings"`
	Revision string   `json:"revision"` // of the recipe that the settings were made from
	Force    bool     `json:"force"`    // whatever the recipe says meanwhile
	Draw     bool     `json:"draw"`
	Over     bool     `json:"over"` // write over a drawing that is not the table's own
}

// take checks an order against the disk and saves its settings. p.file is held.
func (t *Table) take(p *picture, o *order) (now, before *recipe.Recipe, revision string, err error) {
	before, revision, err = p.load()
	if err != nil && !o.Force {
		return nil, nil, "", err
	}
	if err != nil {
		before, revision = &recipe.Recipe{}, "unreadable"
	}
	if revision != o.Revision && !o.Force {
		return nil, nil, "", fault{http.StatusConflict, "the settings of this picture were changed elsewhere meanwhile",
			map[string]any{"changed": true, "settings": toPage(before), "revision": revision}}
	}
	now, err = p.fromPage(o.Settings, before.Written)
	if err != nil {
		return nil, nil, "", err
	}
	revision, err = p.save(now, before, revision)
	return now, before, revision, err
}

func (t *Table) postTrace(w http.ResponseWriter, r *http.Request, p *picture) {
	var o order
	if err := read(w, r, &o); err != nil {
		answer(w, nil, err)
		return
	}
	p.file.Lock()
	now, _, revision, err := t.take(p, &o)
	p.file.Unlock()
	if err != nil {
		answer(w, nil, err)
		return
	}
	out := map[string]any{"revision": revision}
	if o.Draw {
		opt, err := now.Options()
		if err == nil {
			var res *trace.Result
			if res, err = t.desk(p).trace(r.Context(), t, opt); err == nil {
				var text []byte
				if text, err = encoded(res.Drawing); err == nil {
					page := drawingFor(res, opt, len(text))
					page.Picture = t.desk(p).size()
					out["drawing"] = page
				}
			}
		}
		if err != nil {
			if !errors.Is(err, context.Canceled) {
				t.setFailed(p, words(err))
				err = fault{http.StatusUnprocessableEntity, words(err), map[string]any{"revision": revision}}
			}
			answer(w, nil, err)
			return
		}
		t.setFailed(p, "")
	}
	out["state"], _ = t.state(p)
	t.events.send(event{"changed", map[string]any{"id": p.id, "revision": revision}})
	answer(w, out, nil)
}

func (t *Table) postWrite(w http.ResponseWriter, r *http.Request, p *picture) {
	var o order
	if err := read(w, r, &o); err != nil {
		answer(w, nil, err)
		return
	}
	out, err := func() (any, error) {
		p.file.Lock()
		defer p.file.Unlock()
		now, before, revision, err := t.take(p, &o)
		if err != nil {
			return nil, err
		}
		opt, err := now.Options()
		if err != nil {
			return nil, err
		}
		res, err := t.desk(p).trace(r.Context(), t, opt)
		if err != nil {
			return nil, err
		}
		was := *now
		was.Written = before.Written
		n, rev, err := p.write(t, now, &was, revision, res.Drawing, o.Over)
		if errors.Is(err, errEdited) {
			return nil, fault{http.StatusConflict, err.Error(), map[string]any{"edited": true, "file": filepath.Base(p.svg()), "revision": revision}}
		}
		if err != nil {
			return nil, err
		}
		return map[string]any{"file": filepath.Base(p.svg()), "bytes": n, "revision": rev, "state": stateWritten}, nil
	}()
	if err == nil {
		t.setFailed(p, "")
		t.events.send(event{"rack", p.id})
	}
	answer(w, out, err)
}

// The drawing as the page gets it. A ring is a flat list of numbers: x, y of its start, then for each segment 0, x, y
// for a line or 1 and the three further points of a cubic.
type (
	pageDrawing struct {
		Width      float64      `json:"width"`
		Height     float64      `json:"height"`
		Layers     []pageLayer  `json:"layers"`
		Swatches   []pageSwatch `json:"swatches"`
		Marks      []pageMark   `json:"marks"`
		Kind       string       `json:"kind"`
		Medium     string       `json:"medium"`
		Shapes     int          `json:"shapes"`
		Segments   int          `json:"segments"`
		Bytes      int          `json:"bytes"`
		Worst      float64      `json:"worst"`
		WorstAt    [2]float64   `json:"worstAt"`
		Mean       float64      `json:"mean"`
		Tolerance  float64      `json:"tolerance"`
		Dust       int          `json:"dust"`
		Flats      int          `json:"flats"`
		Gap        float64      `json:"gap"`
		Bridges    [][4]float64 `json:"bridges"`
		Notes      []string     `json:"notes"`
		Picture    [2]int       `json:"picture"`    // width and height of the picture, px
		Homography [9]float64   `json:"homography"` // from px of the picture to px of the sheet
		Straight   bool         `json:"straightened"`
		Stages     []string     `json:"stages"` // those that ran
	}
	pageLayer struct {
		Name   string        `json:"name"`
		Colour string        `json:"colour"`
		Shapes [][][]float64 `json:"shapes"`
	}
	pageSwatch struct {
		Name   string `json:"name"`
		Colour string `json:"colour"` // as found, before the colourway
		Paper  bool   `json:"paper,omitempty"`
	}
	pageMark [4]float64 // x, y, radius, the dust that drops it
)

func drawingFor(r *trace.Result, opt trace.Options, size int) pageDrawing {
	d, p := r.Drawing, &r.Report
	out := pageDrawing{Width: d.Width, Height: d.Height, Layers: []pageLayer{}, Kind: p.Kind.String(), Medium: recipe.MediumWord(p.Medium),
		Shapes: p.Shapes, Segments: p.Segments, Bytes: size, Worst: p.Worst, WorstAt: [2]float64{p.WorstAt.X, p.WorstAt.Y}, Mean: p.Mean,
		Tolerance: p.Tolerance, Dust: p.Dust, Notes: p.Notes, Homography: paper.Identity}
	if p.Paper != nil {
		out.Homography, out.Straight = p.Paper.Homography, p.Paper.Straightened
	}
	for _, l := range d.Layers {
		pl := pageLayer{Name: l.Name, Colour: l.Colour.Hex()}
		for _, s := range l.Shapes {
			var rings [][]float64
			for _, ring := range s.Rings {
				if len(ring.Segments) == 0 {
					continue
				}
				v := make([]float64, 0, 2+7*len(ring.Segments))
				v = append(v, fine(ring.Segments[0].P[0].X), fine(ring.Segments[0].P[0].Y))
				for _, g := range ring.Segments {
					if g.Line {
						v = append(v, 0, fine(g.P[3].X), fine(g.P[3].Y))
						continue
					}
					v = append(v, 1, fine(g.P[1].X), fine(g.P[1].Y), fine(g.P[2].X), fine(g.P[2].Y), fine(g.P[3].X), fine(g.P[3].Y))
				}
				rings = append(rings, v)
			}
			pl.Shapes = append(pl.Shapes, rings)
		}
		out.Layers = append(out.Layers, pl)
	}
	ground := ""
	if p.Ground >= 0 {
		ground = p.Palette[p.Ground].Name
	}
	for _, s := range swatchesOf(r, opt.Pours) {
		out.Swatches = append(out.Swatches, pageSwatch{s.Name, s.Colour.Hex(), s.Name == ground})
	}
	for _, m := range p.Marks {
		out.Marks = append(out.Marks, pageMark{fine(m.At.X), fine(m.At.Y), fine(m.Radius), math.Ceil(m.Dust*100) / 100})
	}
	out.Flats, out.Gap = len(p.Flats), fine(p.Gap)
	for _, b := range p.Bridges {
		out.Bridges = append(out.Bridges, [4]float64{b[0].X, b[0].Y, b[1].X, b[1].Y})
	}
	for _, s := range p.Stages {
		out.Stages = append(out.Stages, s.Name)
	}
	return out
}

// fine rounds to a thousandth of a pixel, which no screen shows.
func fine(v float64) float64 { return math.Round(v*1000) / 1000 }

// postUpload copies a picture that was dropped on the page into the working folder.
func (t *Table) postUpload(w http.ResponseWriter, r *http.Request) {
	p, err := t.upload(w, r)
	if err != nil {
		answer(w, nil, err)
		return
	}
	t.events.send(event{"rack", p.id})
	answer(w, map[string]any{"id": p.id, "name": p.name}, nil)
}

func (t *Table) upload(w http.ResponseWriter, r *http.Request) (*picture, error) {
	name := r.URL.Query().Get("name")
	bad := name == "" || len(name) > 200 || strings.HasPrefix(name, ".") || strings.ContainsAny(name, "/\\:\x00") || strings.ContainsFunc(name, func(r rune) bool { return r < ' ' })
	known := false
	for _, e := range endings {
		known = known || strings.HasSuffix(strings.ToLower(name), e)
	}
	if bad || !known {
		return nil, fault{status: http.StatusBadRequest, text: fmt.Sprintf("%q is no name of a picture", name)}
	}
	if r.ContentLength > t.cfg.MostUpload {
		return nil, fault{status: http.StatusRequestEntityTooLarge, text: fmt.Sprintf("%s: too large: the limit is %d MB", name, t.cfg.MostUpload>>20)}
	}
	body := http.MaxBytesReader(w, r.Body, t.cfg.MostUpload)
	ext := filepath.Ext(name)
	stem := strings.TrimSuffix(name, ext)
	path := filepath.Join(t.folder, name)
	for n := 2; ; n++ {
		// The drawing and the recipe are named by the stem, so that must be free as well.
		f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
		if err == nil {
			f.Close()
			break
		}
		if !errors.Is(err, os.ErrExist) {
			return nil, fmt.Errorf("%s: cannot be written: %w", name, bare(err))
		}
		path = filepath.Join(t.folder, fmt.Sprintf("%s-%d%s", stem, n, ext))
	}
	err := atomicfile.Write(path, func(w io.Writer) error { _, err := io.Copy(w, body); return err })
	if err == nil {
		var f *intake.File
		if f, err = intake.OpenFile(path, t.cfg.Intake); err == nil {
			f.Close()
		}
	}
	if err != nil {
		os.Remove(path)
		return nil, err
	}
	return t.add(path), nil
}

// chosen finds the pictures of a list of names.
func (t *Table) chosen(ids []string) ([]*picture, error) {
	var out []*picture
	for _, id := range ids {
		p := t.find(id)
		if p == nil {
			return nil, fault{status: http.StatusNotFound, text: "there is no such picture"}
		}
		out = append(out, p)
	}
	return out, nil
}

func (t *Table) postCopy(w http.ResponseWriter, r *http.Request) {
	var o struct {
		From string   `json:"from"`
		To   []string `json:"to"`
	}
	err := read(w, r, &o)
	if err == nil {
		var from, to []*picture
		if from, err = t.chosen([]string{o.From}); err == nil {
			if to, err = t.chosen(o.To); err == nil {
				err = t.copySettings(from[0], to)
			}
		}
	}
	answer(w, map[string]any{"copied": len(o.To)}, err)
}

func (t *Table) postRun(w http.ResponseWriter, r *http.Request) {
	var o struct {
		Pictures []string `json:"pictures"`
	}
	err := read(w, r, &o)
	if err == nil {
		var list []*picture
		if list, err = t.chosen(o.Pictures); err == nil && !t.startRun(list) {
			err = fault{status: http.StatusConflict, text: "a run is on already"}
		}
	}
	answer(w, map[string]any{"total": len(o.Pictures)}, err)
}

func (t *Table) postStop(w http.ResponseWriter, r *http.Request) {
	t.mu.Lock()
	if t.run != nil {
		t.run.stop()
	}
	t.mu.Unlock()
	answer(w, map[string]any{}, nil)
}

// swatchEnding ends the names of palettes and colourways that the page saves.
const swatchEnding = ".txt"

// mostSwatchFiles bounds the text files of a folder that are looked at.
const mostSwatchFiles = 200

func (t *Table) getSwatchFiles(w http.ResponseWriter, r *http.Request) {
	type file struct {
		Name     string       `json:"name"`
		Swatches []pageSwatch `json:"swatches"`
	}
	files := []file{}
	list, err := filepath.Glob(filepath.Join(t.folder, "*"+swatchEnding))
	for _, path := range list[:min(len(list), mostSwatchFiles)] {
		if !inside(path, t.folder) {
			continue
		}
		if s, err := swatchfile.Colourway(path); err == nil {
			files = append(files, file{filepath.Base(path), toSwatches(s)})
		}
	}
	answer(w, files, err)
}

func toSwatches(list []quantize.Swatch) []pageSwatch {
	out := []pageSwatch{}
	for _, s := range list {
		out = append(out, pageSwatch{Name: s.Name, Colour: s.Colour.Hex()})
	}
	return out
}

func (t *Table) postReadSwatches(w http.ResponseWriter, r *http.Request) {
	list, err := swatchfile.Read(http.MaxBytesReader(w, r.Body, mostWords), "the file", false)
	answer(w, toSwatches(list), err)
}

func (t *Table) postSwatchFile(w http.ResponseWriter, r *http.Request) {
	var o struct {
		Swatches []pageSwatch `json:"swatches"`
		Over     bool         `json:"over"`
	}
	name := r.PathValue("name")
	err := func() error {
		if err := read(w, r, &o); err != nil {
			return err
		}
		if name == "" || name != filepath.Base(name) || strings.HasPrefix(name, ".") || strings.ContainsAny(name, "\\:") || len(name) > 100 {
			return fault{status: http.StatusBadRequest, text: fmt.Sprintf("%q is no name of a file", name)}
		}
		name = strings.TrimSuffix(name, swatchEnding) + swatchEnding
		var list []quantize.Swatch
		for _, s := range o.Swatches {
			c, err := colour.ParseHex(s.Colour)
			if err != nil {
				return err
			}
			list = append(list, quantize.Swatch{Name: s.Name, Colour: c})
		}
		var b bytes.Buffer
		if err := swatchfile.Write(&b, list); err != nil {
			return err
		}
		if _, err := swatchfile.Read(bytes.NewReader(b.Bytes()), name, false); err != nil {
			return err
		}
		path := filepath.Join(t.folder, name)
		if err := ownFile(path); err != nil {
			return err
		}
		if _, err := os.Stat(path); err == nil && !o.Over {
			return fault{http.StatusConflict, name + " is there already", map[string]any{"exists": true}}
		}
		return atomicfile.Write(path, func(w io.Writer) error { _, err := w.Write(b.Bytes()); return err })
	}()
	answer(w, map[string]any{"name": name}, err)
}

// event is something that pages are told of.
type event struct {
	Kind string `json:"kind"` // "rack", "changed", "run"
	Data any    `json:"data"`
}

// broker tells events to all pages that listen.
type broker struct {
	mu   sync.Mutex
	list map[chan event]bool
}

// mostWaiting is how many events a slow page may be behind; it loses those beyond.
const mostWaiting = 256

func (b *broker) send(e event) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for c := range b.list {
		select {
		case c <- e:
		default:
		}
	}
}

func (t *Table) getEvents(w http.ResponseWriter, r *http.Request) {
	flusher, ok := w.(http.Flusher)
	if !ok {
		http.Error(w, "cannot stream", http.StatusInternalServerError)
		return
	}
	c := make(chan event, mostWaiting)
	b := &t.events
	b.mu.Lock()
	if b.list == nil {
		b.list = map[chan event]bool{}
	}
	b.list[c] = true
	b.mu.Unlock()
	defer func() {
		b.mu.Lock()
		delete(b.list, c)
		b.mu.Unlock()
	}()
	w.Header().Set("Content-Type", "text/event-stream")
	fmt.Fprint(w, ": here\n\n")
	flusher.Flush()
	for {
		select {
		case <-r.Context().Done():
			return
		case e := <-c:
			text, err := json.Marshal(e)
			if err != nil {
				return
			}
			fmt.Fprintf(w, "data: %s\n\n", text)
			flusher.Flush()
		}
	}
}
