package sketchbook

import (
	"bytes"
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
	"unicode"

	"github.com/BurntSushi/toml"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/tomltext"
)

// List is what sketchbook.toml says: which pages there are and what is cut from them. People edit it.
type List struct {
	KeepCaptions, KeepNumbers, OnePalette bool
	Pages                                 []*Page
}

// Page is one page on the list.
type Page struct {
	File    string // as seen from the folder, with forward slashes, or absolute
	Number  int    // from 1
	Content string // SHA-256 of the file when it was cut, in hexadecimal; "" before
	Recipe  string // file of settings in place of the shared ones, "" for none
	Skip    bool
	Plates  []Plate // in reading order; none before the page is cut

	several bool   // the file has other pages
	cutKey  string // of the record of what was found
}

// Plate is one drawing of a page.
type Plate struct {
	Name   string          // of its files, without ending
	Box    image.Rectangle // px of the page
	Recipe string          // file of settings, "" for the page's or the shared ones
	Skip   bool
}

// boxes are those of all plates.
func (p *Page) boxes() []image.Rectangle {
	b := make([]image.Rectangle, len(p.Plates))
	for i := range p.Plates {
		b[i] = p.Plates[i].Box
	}
	return b
}

// What stands in the file.
type (
	listFile struct {
		Captions string     `toml:"captions"`
		Numbers  string     `toml:"page-numbers"`
		Palette  string     `toml:"palette"`
		Pages    []pageFile `toml:"page"`
	}
	pageFile struct {
		File    string      `toml:"file"`
		Number  int         `toml:"number"`
		Content string      `toml:"content"`
		Recipe  string      `toml:"recipe"`
		Skip    bool        `toml:"skip"`
		Plates  []plateFile `toml:"plate"`
	}
	plateFile struct {
		Name   string `toml:"name"`
		Box    []int  `toml:"box"`
		Recipe string `toml:"recipe"`
		Skip   bool   `toml:"skip"`
	}
)

// maxCoordinate bounds the numbers of a box.
const maxCoordinate = 1 << 20

// readList reads the text of a list; errors name the file and, where they can, the line.
func readList(text []byte, path string) (*List, error) {
	var f listFile
	meta, err := toml.Decode(string(text), &f)
	if err != nil {
		var p toml.ParseError
		if errors.As(err, &p) {
			return nil, fmt.Errorf("%s:%d: %s", path, p.Position.Line, oneLine(p.Message))
		}
		return nil, fmt.Errorf("%s: %s", path, oneLine(err.Error()))
	}
	if u := meta.Undecoded(); len(u) > 0 {
		k := u[0][len(u[0])-1]
		return nil, fmt.Errorf("%s:%d: there is no setting %s", path, lineWith(text, k), k)
	}
	l := &List{}
	for _, o := range []struct {
		key, text string
		words     [2]string
		to        *bool
	}{{"captions", f.Captions, [2]string{"drop", "keep"}, &l.KeepCaptions}, {"page-numbers", f.Numbers, [2]string{"drop", "keep"}, &l.KeepNumbers},
		{"palette", f.Palette, [2]string{"each", "one"}, &l.OnePalette}} {
		switch o.text {
		case "", o.words[0]:
		case o.words[1]:
			*o.to = true
		default:
			return nil, fmt.Errorf("%s:%d: %s = %q, want %q or %q", path, lineWith(text, o.key), o.key, o.text, o.words[0], o.words[1])
		}
	}
	owner := map[string]*Page{}
	pages := map[string]bool{}
	perFile := map[string]int{}
	for i := range f.Pages {
		pf := &f.Pages[i]
		p := &Page{File: pf.File, Number: max(1, pf.Number), Content: pf.Content, Recipe: pf.Recipe, Skip: pf.Skip}
		if p.File == "" {
			return nil, fmt.Errorf("%s: page %d has no file", path, i+1)
		}
		id := fmt.Sprint(p.Number, " ", p.File)
		if pages[id] {
			return nil, fmt.Errorf("%s: page %d of %s is listed twice", path, p.Number, p.File)
		}
		pages[id] = true
		perFile[p.File]++
		for _, q := range pf.Plates {
			if why := badName(q.Name); why != "" {
				return nil, fmt.Errorf("%s:%d: the name %q %s", path, lineWith(text, q.Name), q.Name, why)
			}
			if len(q.Box) != 4 || q.Box[2] < 1 || q.Box[3] < 1 || slices.ContainsFunc(q.Box, func(v int) bool { return v < -maxCoordinate || v > maxCoordinate }) {
				return nil, fmt.Errorf("%s:%d: the box of %s is %v, want [x, y, width, height] in px", path, lineWith(text, q.Name), q.Name, q.Box)
			}
			box := boxOf([4]int(q.Box))
			fold := strings.ToLower(q.Name)
			if other := owner[fold]; other == p { // the same name twice on a page: one plate
				k := slices.IndexFunc(p.Plates, func(o Plate) bool { return strings.ToLower(o.Name) == fold })
				o := &p.Plates[k]
				o.Box = o.Box.Union(box)
				o.Skip = o.Skip && q.Skip
				if o.Recipe == "" {
					o.Recipe = q.Recipe
				}
				continue
			} else if other != nil {
				return nil, fmt.Errorf("%s:%d: the name %s stands on two pages, %s and %s", path, lineWith(text, q.Name), q.Name, other.File, p.File)
			}
			owner[fold] = p
			p.Plates = append(p.Plates, Plate{Name: q.Name, Box: box, Recipe: q.Recipe, Skip: q.Skip})
		}
		l.Pages = append(l.Pages, p)
	}
	for _, p := range l.Pages {
		p.several = perFile[p.File] > 1 || p.Number > 1
	}
	return l, nil
}

// lineWith returns the last line on which a word stands, 1 where none does: of two that are the same the second is the
// one to complain of.
func lineWith(text []byte, word string) int {
	n := 1
	for i, line := range bytes.Split(text, []byte("\n")) {
		if bytes.Contains(line, []byte(word)) && !bytes.HasPrefix(bytes.TrimSpace(line), []byte("#")) {
			n = i + 1
		}
	}
	return n
}

// badName says what is wrong with a name for files, "" for nothing.
func badName(name string) string {
	switch {
	case name == "":
		return "is empty"
	case len(name) > 200:
		return "is too long"
	case strings.HasPrefix(name, "."):
		return "starts with a dot"
	case strings.ContainsAny(name, `/\:*?"<>|`):
		return `has one of / \ : * ? " < > | in it`
	case strings.ContainsFunc(name, unicode.IsControl) || strings.TrimSpace(name) != name:
		return "has a blank at an end or a control character"
	case strings.EqualFold(name, "contact"):
		return "is that of the contact sheet"
	}
	return ""
}

const listHead = `# The pages of this sketchbook and the plates cut from them. Edit it and run "pochoir sketchbook" again:
#
#   rename   change a name: the files are named anew
#   merge    give two plates of a page the same name
#   split    write a plate twice, with other names and boxes
#   skip     skip = true on a plate or a page
#   box      [x, y, width, height] in px of the page, straightened where it was
#   recipe   recipe = "FILE" on a plate or a page: settings in place of the shared ones in ` + RecipeName + `
#
# A page without plates is cut anew. Files are named as seen from this folder.

`

// write writes the list as a file.
func (l *List) write(w io.Writer) error {
	var b bytes.Buffer
	b.WriteString(listHead)
	word := func(on bool, no, yes string) string {
		if on {
			return yes
		}
		return no
	}
	fmt.Fprintf(&b, "captions = %q       # drop or keep: words that stand by a drawing\n", word(l.KeepCaptions, "drop", "keep"))
	fmt.Fprintf(&b, "page-numbers = %q   # drop or keep, each as a plate\n", word(l.KeepNumbers, "drop", "keep"))
	fmt.Fprintf(&b, "palette = %q        # each drawing its own, or one for all in %s\n", word(l.OnePalette, "each", "one"), PaletteName)
	for _, p := range l.Pages {
		fmt.Fprintf(&b, "\n[[page]]\nfile = %s\n", tomltext.Quoted(p.File))
		if p.several {
			fmt.Fprintf(&b, "number = %d\n", p.Number)
		}
		if p.Content != "" {
			fmt.Fprintf(&b, "content = %q\n", p.Content)
		}
		if p.Recipe != "" {
			fmt.Fprintf(&b, "recipe = %s\n", tomltext.Quoted(p.Recipe))
		}
		if p.Skip {
			b.WriteString("skip = true\n")
		}
		for _, q := range p.Plates {
			n := boxNumbers(q.Box)
			fmt.Fprintf(&b, "\n  [[page.plate]]\n  name = %s\n  box = [%d, %d, %d, %d]\n", tomltext.Quoted(q.Name), n[0], n[1], n[2], n[3])
			if q.Recipe != "" {
				fmt.Fprintf(&b, "  recipe = %s\n", tomltext.Quoted(q.Recipe))
			}
			if q.Skip {
				b.WriteString("  skip = true\n")
			}
		}
	}
	_, err := w.Write(b.Bytes())
	return err
}

// saveList writes the list, unless it says nothing new. What somebody else has changed in the file since it was read is
// not written over.
func (r *run) saveList() error {
	var b bytes.Buffer
	if err := r.list.write(&b); err != nil {
		return err
	}
	path := r.path(ListName)
	now, err := os.ReadFile(path)
	switch {
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: cannot be read: %w", path, bare(err))
	case err == nil && bytes.Equal(now, b.Bytes()):
		r.listText = now
		return nil
	case err == nil && !bytes.Equal(now, r.listText):
		r.tell(Event{Kind: "note", Text: path + " was edited meanwhile and stays as it is; run again to honour it"})
		return nil
	}
	if err := atomicfile.Write(path, func(w io.Writer) error { _, err := w.Write(b.Bytes()); return err }); err != nil {
		return err
	}
	r.listText = b.Bytes()
	return nil
}

// addInputs puts pictures, and the pictures in folders, on the list. What cannot be opened goes there too, and fails in
// its turn.
func (r *run) addInputs(inputs []string) error {
	known := map[string]bool{}
	for _, p := range r.list.Pages {
		if abs, err := filepath.Abs(r.source(p)); err == nil {
			known[abs] = true
		}
	}
	add := func(path string, several int) error {
		abs, err := filepath.Abs(path)
		if err != nil {
			return err
		}
		if known[abs] {
			return nil
		}
		known[abs] = true
		name, err := r.listed(abs)
		if err != nil {
			return err
		}
		for n := 1; n <= several; n++ {
			r.list.Pages = append(r.list.Pages, &Page{File: name, Number: n, several: several > 1})
		}
		return nil
	}
	for _, in := range inputs {
		info, err := os.Stat(in)
		if err != nil || !info.IsDir() {
			if err := add(in, pagesOf(in)); err != nil {
				return err
			}
			continue
		}
		files, err := picturesIn(in)
		if err != nil {
			return err
		}
		for _, f := range files {
			if err := add(f, pagesOf(f)); err != nil {
				return err
			}
		}
	}
	return nil
}

// listed is how a file, given by its absolute path, is named on the list.
func (r *run) listed(abs string) (string, error) {
	base, err := filepath.Abs(r.Folder)
	if err != nil {
		return "", err
	}
	if rel, err := filepath.Rel(base, abs); err == nil {
		return filepath.ToSlash(rel), nil
	}
	return filepath.ToSlash(abs), nil
}

// pagesOf is the number of pages of a file, 1 where it cannot be opened.
func pagesOf(path string) int {
	f, err := intake.OpenFile(path, intake.Options{MaxMegapixels: 1e6})
	if err != nil {
		return 1
	}
	defer f.Close()
	return f.Pages()
}

// picturesIn lists the pictures in a folder, not below it, numbers in names counting as numbers. What is plainly no
// picture, and what is hidden, is passed over.
func picturesIn(folder string) ([]string, error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, fmt.Errorf("%s: cannot be read: %w", folder, bare(err))
	}
	var files []string
	for _, e := range entries {
		path := filepath.Join(folder, e.Name())
		if strings.HasPrefix(e.Name(), ".") {
			continue
		}
		if info, err := os.Stat(path); err != nil || !info.Mode().IsRegular() {
			continue
		}
		f, err := intake.OpenFile(path, intake.Options{MaxMegapixels: 1e6})
		if errors.Is(err, intake.ErrNotPicture) {
			continue
		}
		if err == nil {
			f.Close()
		}
		files = append(files, path)
	}
	slices.SortFunc(files, func(a, b string) int { return strings.Compare(countable(a), countable(b)) })
	return files, nil
}

var digits = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`[0-9]+`) })

// countable pads the numbers in a name, so that page-9 sorts before page-10.
func countable(s string) string {
	return digits().ReplaceAllStringFunc(strings.ToLower(s), func(n string) string {
		n = strings.TrimLeft(n, "0")
		return fmt.Sprintf("%012s", n)
	}) + "\x00" + s
}

// nameStems gives every page a name for its plates: that of its file, -p and the number where there are several pages,
// and _2, _3 where two files have the same.
func (r *run) nameStems() {
	r.stems = map[*Page]string{}
	r.taken = map[string]*Page{}
	used := map[string]bool{}
	for _, p := range r.list.Pages {
		for _, q := range p.Plates {
			r.taken[strings.ToLower(q.Name)] = p
		}
		base := filepath.Base(filepath.FromSlash(p.File))
		base = strings.TrimSuffix(base, filepath.Ext(base))
		if badName(base) != "" {
			base = "page"
		}
		if p.several {
			base = fmt.Sprintf("%s-p%d", base, p.Number)
		}
		stem := base
		for n := 2; used[strings.ToLower(stem)]; n++ {
			stem = fmt.Sprintf("%s_%d", base, n)
		}
		used[strings.ToLower(stem)] = true
		r.stems[p] = stem
	}
}

var numbered = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^(.+)-[0-9]+$`) })

// namePlates puts what was found on a page on the list: a single plate has the page's name, several are numbered. The
// names depend on the list alone, not on the order in which pages are finished.
func (r *run) namePlates(p *Page, c *cutRecord) {
	stem := r.stems[p]
	single := len(c.Plates) == 1
	if m := numbered().FindStringSubmatch(stem); single && m != nil {
		for _, other := range r.stems { // its plates might be called the same
			if strings.EqualFold(other, m[1]) {
				single = false
			}
		}
	}
	p.Plates = nil
	for i, f := range c.Plates {
		name := fmt.Sprintf("%s-%d", stem, i+1)
		if single {
			name = stem
		}
		for base, n := name, 2; ; n++ {
			if owner := r.taken[strings.ToLower(name)]; owner == nil || owner == p {
				break
			}
			name = fmt.Sprintf("%s_%d", base, n)
		}
		p.Plates = append(p.Plates, Plate{Name: name, Box: boxOf(f.Box)})
	}
}
