package sketchbook

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/quantize"
	"pochoir/quantize/colour"
	"pochoir/trace/paper"
)

// The journal says what is finished. It is a text file of one JSON object a line, only ever added to while a run lasts;
// a line that was cut off when the run was stopped is passed over. What it says is believed only as far as the files
// agree: every record holds their hashes. So it need not be synced line by line; after a power cut what the last second
// finished may be done again. When a run ends by itself the journal is written anew, with the records in use, in order.
type journal struct {
	path     string
	file     *os.File
	lock     *os.File
	mu       sync.Mutex
	torn     bool          // the last line may have been written in part
	stop     chan struct{} // ends the syncing
	cuts     map[string]*cutRecord
	pictures map[string]*pictureRecord
	plates   map[string]*plateRecord
	palettes map[string]*coloursRecord
}

// cutRecord says what was found on a page.
type cutRecord struct {
	Key      string     `json:"cut"`
	W        int        `json:"w"`
	H        int        `json:"h"`
	Plates   []foundBox `json:"plates"`
	Captions int        `json:"captions,omitempty"`
	Numbers  int        `json:"numbers,omitempty"`
	Specks   int        `json:"specks,omitempty"`
	Notes    []string   `json:"notes,omitempty"`
}

type foundBox struct {
	Box   [4]int `json:"box"`
	AtRim bool   `json:"rim,omitempty"`
}

// pictureRecord says that the picture of a plate was written.
type pictureRecord struct {
	Key  string `json:"picture"`
	Name string `json:"name"`
	PNG  string `json:"png"`
	W    int    `json:"w"`
	H    int    `json:"h"`
}

// plateRecord says that a plate was traced.
type plateRecord struct {
	Key     string  `json:"plate"`
	Name    string  `json:"name"`
	SVG     string  `json:"svg"`
	Pair    string  `json:"pair"`
	Figures Figures `json:"figures"`

	reused bool
}

// coloursRecord is the palette of a plate by itself.
type coloursRecord struct {
	Key     string   `json:"colours"`
	Palette []string `json:"palette"` // "#rrggbb name"
}

func newCutRecord(key string, pg *paper.Page, s *paper.Sheet) *cutRecord {
	c := &cutRecord{Key: key, W: pg.W, H: pg.H, Captions: pg.Captions, Numbers: pg.Numbers, Specks: pg.Specks, Notes: s.Notes}
	for _, p := range pg.Plates {
		c.Plates = append(c.Plates, foundBox{boxNumbers(p.Box), p.AtRim})
	}
	return c
}

// boxNumbers writes a box as x, y, width and height.
func boxNumbers(r image.Rectangle) [4]int { return [4]int{r.Min.X, r.Min.Y, r.Dx(), r.Dy()} }

func boxOf(n [4]int) image.Rectangle { return image.Rect(n[0], n[1], n[0]+n[2], n[1]+n[3]) }

func newColoursRecord(key string, s []quantize.Swatch) *coloursRecord {
	c := &coloursRecord{Key: key}
	for _, v := range s {
		c.Palette = append(c.Palette, v.Colour.Hex()+" "+v.Name)
	}
	return c
}

func (c *coloursRecord) swatches() ([]quantize.Swatch, error) {
	var list []quantize.Swatch
	for _, s := range c.Palette {
		hex, name, _ := strings.Cut(s, " ")
		v, err := colour.ParseHex(hex)
		if err != nil {
			return nil, err
		}
		list = append(list, quantize.Swatch{Name: name, Colour: v})
	}
	return list, nil
}

// openJournal locks the folder and reads its journal.
func openJournal(folder string) (*journal, error) {
	j := &journal{path: filepath.Join(folder, filepath.FromSlash(journalName)), cuts: map[string]*cutRecord{}, pictures: map[string]*pictureRecord{},
		plates: map[string]*plateRecord{}, palettes: map[string]*coloursRecord{}}
	name := filepath.Join(folder, filepath.FromSlash(lockName))
	lock, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be written: %w", name, bare(err))
	}
	if err := lockFile(lock); err != nil {
		lock.Close()
		return nil, fmt.Errorf("%s: %w", folder, ErrBusy)
	}
	j.lock = lock
	text, err := os.ReadFile(j.path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		j.close()
		return nil, fmt.Errorf("%s: cannot be read: %w", j.path, bare(err))
	}
	for line := range bytes.Lines(text) {
		j.take(line)
	}
	if j.file, err = os.OpenFile(j.path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o666); err == nil && len(text) > 0 && text[len(text)-1] != '\n' {
		_, err = j.file.Write([]byte{'\n'}) // what was cut off ends here
	}
	if err != nil {
		j.close()
		return nil, fmt.Errorf("%s: cannot be written: %w", j.path, bare(err))
	}
	j.stop = make(chan struct{})
	go j.syncing(j.stop)
	return j, nil
}

// syncing has the disk take what was written, from time to time. Nobody waits for it: a sync may take long.
func (j *journal) syncing(stop chan struct{}) {
	for {
		select {
		case <-stop:
			return
		case <-time.After(syncEvery):
		}
		j.mu.Lock()
		file := j.file
		j.mu.Unlock()
		file.Sync() // an error here shows when the next line is written; a closed file has been synced
	}
}

func (j *journal) close() {
	if j.stop != nil {
		close(j.stop)
	}
	if j.file != nil {
		j.file.Close()
	}
	j.lock.Close()
}

// take takes in one line, if it is whole.
func (j *journal) take(line []byte) {
	var kind struct{ Cut, Picture, Plate, Colours string }
	if json.Unmarshal(line, &kind) != nil {
		return
	}
	var err error
	switch {
	case kind.Cut != "":
		r := &cutRecord{}
		if err = json.Unmarshal(line, r); err == nil {
			j.cuts[r.Key] = r
		}
	case kind.Picture != "":
		r := &pictureRecord{}
		if err = json.Unmarshal(line, r); err == nil {
			j.pictures[r.Key] = r
		}
	case kind.Plate != "":
		r := &plateRecord{}
		if err = json.Unmarshal(line, r); err == nil {
			j.plates[r.Key] = r
		}
	case kind.Colours != "":
		r := &coloursRecord{}
		if err = json.Unmarshal(line, r); err == nil {
			j.palettes[r.Key] = r
		}
	}
}

// syncEvery is how much work a power cut may cost.
const syncEvery = time.Second

// add writes a record.
func (j *journal) add(record any) error {
	line, err := json.Marshal(record)
	if err != nil {
		return err
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	out := append(bytes.Clone(line), '\n')
	if j.torn {
		out = append([]byte{'\n'}, out...)
	}
	_, err = j.file.Write(out)
	j.torn = err != nil
	if err != nil {
		return fmt.Errorf("%s: cannot be written: %w", j.path, bare(err))
	}
	j.take(line)
	return nil
}

func (j *journal) cut(key string) *cutRecord {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.cuts[key]
}

func (j *journal) picture(key string) *pictureRecord {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.pictures[key]
}

func (j *journal) plate(key string) *plateRecord {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.plates[key]
}

func (j *journal) colours(key string) *coloursRecord {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.palettes[key]
}

func (j *journal) allPlates() []*plateRecord {
	var list []*plateRecord
	for _, k := range sortedKeys(j.plates) {
		list = append(list, j.plates[k])
	}
	return list
}

func (j *journal) allPictures() []*pictureRecord {
	var list []*pictureRecord
	for _, k := range sortedKeys(j.pictures) {
		list = append(list, j.pictures[k])
	}
	return list
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// compact writes the journal anew with the records in use alone.
func (j *journal) compact(use map[string]bool) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	keep(j.cuts, use)
	keep(j.pictures, use)
	keep(j.plates, use)
	keep(j.palettes, use)
	err := atomicfile.Write(j.path, func(w io.Writer) error {
		e := json.NewEncoder(w)
		e.SetEscapeHTML(false)
		return errors.Join(encodeAll(e, j.cuts), encodeAll(e, j.pictures), encodeAll(e, j.plates), encodeAll(e, j.palettes))
	})
	if err != nil {
		return err
	}
	file, err := os.OpenFile(j.path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return fmt.Errorf("%s: cannot be written: %w", j.path, bare(err))
	}
	j.file.Close()
	j.file = file
	return nil
}

func keep[V any](m map[string]V, use map[string]bool) {
	for k := range m {
		if !use[k] {
			delete(m, k)
		}
	}
}

func encodeAll[V any](e *json.Encoder, m map[string]V) error {
	for _, k := range sortedKeys(m) {
		if err := e.Encode(m[k]); err != nil {
			return err
		}
	}
	return nil
}

// leftover is the name of a file that was being written when a run was stopped; see atomicfile.
var leftover = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^\..+\.[0-9a-f]{8}\.part$`) })

// sweep removes half-written files. No other run can be writing them: the folder is locked.
func sweep(folder string) {
	for _, d := range []string{"", PlateFolder, workFolder, pairFolder} {
		dir := filepath.Join(folder, filepath.FromSlash(d))
		entries, err := os.ReadDir(dir)
		if err != nil {
			continue
		}
		for _, e := range entries {
			if e.Type().IsRegular() && leftover().MatchString(e.Name()) {
				os.Remove(filepath.Join(dir, e.Name()))
			}
		}
	}
}
