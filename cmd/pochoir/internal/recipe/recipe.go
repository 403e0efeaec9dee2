// Package recipe holds the settings of one picture: which there are, how they are written on the command line and in
// the recipe file beside the picture (TOML, NAME.recipe.toml), and what they mean to the engine. One table, Fields,
// says it all, so flags, file and page cannot disagree. The package does not trace. Safe to call concurrently as long
// as no Recipe is changed meanwhile.
package recipe

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/BurntSushi/toml"

	"pochoir/cmd/pochoir/internal/atomicfile"
	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/cmd/pochoir/internal/tomltext"
	"pochoir/trace"
)

// Suffix ends the name of a recipe file: lantern.png has lantern.recipe.toml beside it.
const Suffix = ".recipe.toml"

// Recipe is a set of settings; those not set have their defaults. The zero value sets nothing.
type Recipe struct {
	// Written tells what was last written by these settings, in words of whoever wrote it; it steers nothing.
	Written string

	values map[string]any // by key: int64, float64, string or inline
	words  trace.Meta
}

// Beside returns the path of the recipe that belongs to a picture.
func Beside(picture string) string {
	return strings.TrimSuffix(picture, filepath.Ext(picture)) + Suffix
}

// Set gives key the value that text says, as on a command line. The error says what is wanted, without the key.
func (r *Recipe) Set(key, text string) error {
	f := FieldOf(key)
	if f == nil {
		return fmt.Errorf("no such setting")
	}
	v, err := f.parse(text)
	if err != nil {
		return err
	}
	r.put(key, v)
	return nil
}

func (r *Recipe) put(key string, v any) {
	if r.values == nil {
		r.values = map[string]any{}
	}
	r.values[key] = v
}

// Text returns the value of key as Set takes it; ok is false where it is not set.
func (r *Recipe) Text(key string) (text string, ok bool) {
	v, ok := r.values[key]
	if !ok {
		return "", false
	}
	return fmt.Sprint(v), true
}

// Unset takes key back to its default.
func (r *Recipe) Unset(key string) { delete(r.values, key) }

// Over returns r with what top sets put over it.
func (r *Recipe) Over(top *Recipe) *Recipe {
	out := &Recipe{Written: r.Written, words: meta.Merge(r.words, top.words)}
	for _, layer := range []*Recipe{r, top} {
		for k, v := range layer.values {
			out.put(k, v)
		}
	}
	return out
}

// Options returns what r means to the engine. It reads the palette file, if one is named; its errors name it.
func (r *Recipe) Options() (trace.Options, error) {
	var o trace.Options
	for i := range Fields {
		f := &Fields[i]
		v, ok := r.values[f.Key]
		if !ok {
			continue
		}
		if err := f.apply(&o, v); err != nil {
			return trace.Options{}, err
		}
	}
	return o, nil
}

// Load reads the recipe at path. Unknown keys and values out of range are errors that name file and line; a file that
// is not there is one of kind fs.ErrNotExist. Paths in it count from its folder.
func Load(path string) (*Recipe, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		var p *fs.PathError
		if errors.As(err, &p) {
			err = p.Err
		}
		return nil, fmt.Errorf("%s: cannot be read: %w", path, err)
	}
	return read(text, path)
}

// writtenKey is the key of Recipe.Written in the file.
const writtenKey = "written"

// read is Load on the text of the file.
func read(text []byte, path string) (*Recipe, error) {
	all := map[string]any{}
	if _, err := toml.Decode(string(text), &all); err != nil {
		var p toml.ParseError
		if errors.As(err, &p) {
			return nil, fmt.Errorf("%s:%d: %s", path, p.Position.Line, p.Message)
		}
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	r := &Recipe{}
	if w, ok := all[writtenKey].(string); ok {
		r.Written = w
		delete(all, writtenKey)
	}
	for i := range Fields {
		f := &Fields[i]
		v, ok := all[f.Key]
		if !ok {
			continue
		}
		delete(all, f.Key)
		word := fmt.Sprint(v)
		switch v.(type) {
		case int64, float64, string, bool:
		case []any, []map[string]any:
			if !f.FileOnly {
				return nil, fmt.Errorf("%s:%d: %s: want one value", path, lineOf(text, f.Key), f.Key)
			}
			word = inlineOf(v)
		default:
			return nil, fmt.Errorf("%s:%d: %s: want one value", path, lineOf(text, f.Key), f.Key)
		}
		got, err := f.parse(word)
		if err != nil {
			return nil, fmt.Errorf("%s:%d: %s = %s: %w", path, lineOf(text, f.Key), f.Key, word, err)
		}
		if f.isPath {
			got = anchored(got.(string), filepath.Dir(path))
		}
		r.put(f.Key, got)
	}
	var line int
	var err error
	if r.words, line, err = takeWords(all, func(key string) int { return lineOf(text, key) }); err != nil {
		return nil, fmt.Errorf("%s:%d: %w", path, line, err)
	}
	if key, line := firstUnknown(text, all); key != "" {
		return nil, fmt.Errorf("%s:%d: there is no setting %s", path, line, key)
	}
	return r, nil
}

// firstUnknown returns the key of rest that stands first in the text, with its line.
func firstUnknown(text []byte, rest map[string]any) (key string, line int) {
	for k := range rest {
		if n := lineOf(text, k); key == "" || n < line || n == line && k < key {
			key, line = k, n
		}
	}
	return key, line
}

// lineOf returns the line on which a top-level key of a valid TOML text stands: where a line begins with it, bare,
// quoted, before a dot or as the name of a table. 1 where it is written in some other way.
func lineOf(text []byte, key string) int {
	for i, line := range bytes.Split(text, []byte("\n")) {
		s := strings.TrimLeft(string(line), " \t[")
		s = strings.TrimLeft(s, `"'`)
		if rest, ok := strings.CutPrefix(s, key); ok {
			rest = strings.TrimLeft(rest, `"' `+"\t")
			if rest != "" && strings.ContainsAny(rest[:1], "=.]") {
				return i + 1
			}
		}
	}
	return 1
}

// anchored returns path as seen from the working folder, where it is written as seen from dir.
func anchored(path, dir string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(dir, filepath.FromSlash(path))
}

// Save writes r to path, complete or not at all. Settings left at their default stand in it as comments, so the file
// says what there is. Paths are written as seen from its folder, where that can be said.
func (r *Recipe) Save(path string) error {
	return atomicfile.Write(path, func(w io.Writer) error { return r.write(w, filepath.Dir(path)) })
}

// write writes the recipe as a file in dir.
func (r *Recipe) write(w io.Writer, dir string) error {
	var b bytes.Buffer
	b.WriteString("# Settings for pochoir. A line that starts with # is at its default.\n")
	for i := range Fields {
		f := &Fields[i]
		doc := f.Doc + ": " + f.Arg
		if f.FileOnly {
			doc = f.Doc
		}
		fmt.Fprintf(&b, "\n# %s\n", doc)
		v, set := r.values[f.Key]
		if !set {
			fmt.Fprintf(&b, "# %s = %s\n", f.Key, tomlValue(f.Default))
			continue
		}
		if f.isPath {
			if rel, err := relative(v.(string), dir); err == nil {
				v = rel
			}
		}
		fmt.Fprintf(&b, "%s = %s\n", f.Key, tomlValue(v))
	}
	b.WriteString(wordLines(r.words))
	if r.Written != "" {
		fmt.Fprintf(&b, "\n# the drawing that was last written by these settings\n%s = %s\n", writtenKey, tomlValue(r.Written))
	}
	_, err := w.Write(b.Bytes())
	return err
}

// relative returns path as seen from dir, with forward slashes.
func relative(path, dir string) (string, error) {
	base, err := filepath.Abs(dir)
	if err != nil {
		return "", err
	}
	full, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	rel, err := filepath.Rel(base, full)
	return filepath.ToSlash(rel), err
}

// tomlValue writes one value as TOML does.
func tomlValue(v any) string {
	switch v := v.(type) {
	case inline:
		return string(v)
	case string:
		return tomltext.Quoted(v)
	case float64:
		s := fmt.Sprint(v)
		if !strings.ContainsAny(s, ".e") {
			s += ".0"
		}
		return s
	}
	return fmt.Sprint(v)
}
