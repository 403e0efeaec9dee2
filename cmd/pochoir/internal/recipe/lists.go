package recipe

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// This file holds the settings that are lists of small tables: what is corrected at single places and among swatches.
// They stand in the recipe only, as TOML; a command line would be no place for them.

// inline is the TOML text of a list.
type inline string

const noList = inline("[]")

// Touch is one entry of "touches"; At and To are in px of the picture.
type Touch struct {
	Do     string    `toml:"do" json:"do"` // corner, smooth, join, separate, drop, keep or lay
	At     []float64 `toml:"at" json:"at"`
	To     []float64 `toml:"to" json:"to,omitempty"`         // of join and separate
	Swatch string    `toml:"swatch" json:"swatch,omitempty"` // of lay
	Colour string    `toml:"colour" json:"colour,omitempty"` // of lay, for where the palette has no such swatch
}

// Flat is one entry of "flats"; At is in px of the picture.
type Flat struct {
	At     []float64 `toml:"at" json:"at"`
	Swatch string    `toml:"swatch" json:"swatch"`
	Colour string    `toml:"colour" json:"colour,omitempty"` // where no swatch has the name
}

func (f *Flat) check() (trace.FlatColour, error) {
	out := trace.FlatColour{Swatch: f.Swatch}
	if !isPlace(f.At) {
		return out, errors.New("want at = [x, y]")
	}
	out.At = fit.Point{X: f.At[0], Y: f.At[1]}
	if !isLayerName(f.Swatch) {
		return out, fmt.Errorf("swatch = %q: want lower case letters, digits and hyphens", f.Swatch)
	}
	if f.Colour == "" {
		return out, nil
	}
	c, err := colour.ParseHex(f.Colour)
	if err != nil {
		return out, fmt.Errorf("colour = %q: want one such as \"#1a8c8c\"", f.Colour)
	}
	out.Colour, out.Own = c, true
	return out, nil
}

func (f Flat) inline() string {
	s := fmt.Sprintf("{at = [%s, %s], swatch = %s", tomlValue(f.At[0]), tomlValue(f.At[1]), tomlValue(f.Swatch))
	if f.Colour != "" {
		s += ", colour = " + tomlValue(f.Colour)
	}
	return s + "}"
}

// Pour is one entry of "pours".
type Pour struct {
	Swatch string `toml:"swatch" json:"swatch"`
	Into   string `toml:"into" json:"into"`
}

// Swatch is one entry of "locked" and of "colourway".
type Swatch struct {
	Swatch string `toml:"swatch" json:"swatch"`
	Colour string `toml:"colour" json:"colour"`
}

// touchWords names the kinds of touches, by trace.TouchKind.
var touchWords = [...]string{trace.Corner: "corner", trace.Smooth: "smooth", trace.Join: "join", trace.Separate: "separate",
	trace.Drop: "drop", trace.Keep: "keep", trace.Lay: "lay"}

func (t *Touch) check() (trace.Touch, error) {
	kind := slices.Index(touchWords[:], t.Do)
	if kind < 0 {
		return trace.Touch{}, fmt.Errorf("do = %q: want one of %s", t.Do, strings.Join(touchWords[:], ", "))
	}
	out := trace.Touch{Do: trace.TouchKind(kind)}
	two := out.Do == trace.Join || out.Do == trace.Separate
	if !isPlace(t.At) || two && !isPlace(t.To) {
		return out, fmt.Errorf("%s wants at = [x, y]%s", t.Do, map[bool]string{true: " and to = [x, y]"}[two])
	}
	if !two && t.To != nil {
		return out, fmt.Errorf("%s wants no to", t.Do)
	}
	if lay := out.Do == trace.Lay; lay {
		w := Swatch{t.Swatch, t.Colour}
		s, err := w.check()
		if err != nil {
			return out, err
		}
		out.Swatch = s
	} else if t.Swatch != "" || t.Colour != "" {
		return out, fmt.Errorf("%s wants no swatch", t.Do)
	}
	out.At = fit.Point{X: t.At[0], Y: t.At[1]}
	if two {
		out.To = fit.Point{X: t.To[0], Y: t.To[1]}
	}
	return out, nil
}

func isPlace(v []float64) bool {
	const farthest = 1e6 // px
	return len(v) == 2 && math.Abs(v[0]) <= farthest && math.Abs(v[1]) <= farthest
}

func (t Touch) inline() string {
	s := fmt.Sprintf("{do = %s, at = [%s, %s]", tomlValue(t.Do), tomlValue(t.At[0]), tomlValue(t.At[1]))
	if len(t.To) == 2 {
		s += fmt.Sprintf(", to = [%s, %s]", tomlValue(t.To[0]), tomlValue(t.To[1]))
	}
	if t.Swatch != "" {
		s += fmt.Sprintf(", swatch = %s, colour = %s", tomlValue(t.Swatch), tomlValue(t.Colour))
	}
	return s + "}"
}

func (p *Pour) check() (trace.Pour, error) {
	if p.Swatch == "" || p.Into == "" || p.Swatch == p.Into {
		return trace.Pour{}, errors.New("want a swatch and another one to pour it into")
	}
	return trace.Pour{From: p.Swatch, Into: p.Into}, nil
}

func (p Pour) inline() string {
	return fmt.Sprintf("{swatch = %s, into = %s}", tomlValue(p.Swatch), tomlValue(p.Into))
}

func (s *Swatch) check() (quantize.Swatch, error) {
	c, err := colour.ParseHex(s.Colour)
	if err != nil {
		return quantize.Swatch{}, fmt.Errorf("colour = %q: want one such as \"#1a8c8c\"", s.Colour)
	}
	if !isLayerName(s.Swatch) {
		return quantize.Swatch{}, fmt.Errorf("swatch = %q: want lower case letters, digits and hyphens", s.Swatch)
	}
	return quantize.Swatch{Name: s.Swatch, Colour: c}, nil
}

func (s Swatch) inline() string {
	return fmt.Sprintf("{swatch = %s, colour = %s}", tomlValue(s.Swatch), tomlValue(s.Colour))
}

// isLayerName reports whether s can name a layer.
func isLayerName(s string) bool {
	for i, r := range s {
		if !(r >= 'a' && r <= 'z' || i > 0 && (r >= '0' && r <= '9' || r == '-')) {
			return false
		}
	}
	return s != ""
}

// entry is one table of a list, and what it means to the engine.
type entry[M any] interface {
	check() (M, error)
}

// list is a setting of tables of type E that mean M.
func list[E interface{ inline() string }, M any, P interface {
	*E
	entry[M]
}](key, arg, doc string, set func(*trace.Options, []M)) Field {
	decode := func(text string) (entries []E, meaning []M, err error) {
		var v map[string][]E
		meta, err := toml.Decode(key+" = "+text, &v)
		if err != nil {
			return nil, nil, fmt.Errorf("want a list such as [%s]", arg)
		}
		if odd := meta.Undecoded(); len(odd) > 0 {
			return nil, nil, fmt.Errorf("%s is not known here; want a list such as [%s]", odd[0], arg)
		}
		for i := range v[key] {
			m, err := P(&v[key][i]).check()
			if err != nil {
				return nil, nil, fmt.Errorf("entry %d: %w", i+1, err)
			}
			meaning = append(meaning, m)
		}
		return v[key], meaning, nil
	}
	return Field{
		Key: key, Arg: arg, Doc: doc, Default: noList, FileOnly: true,
		parse: func(text string) (any, error) {
			entries, _, err := decode(text)
			if err != nil {
				return nil, err
			}
			words := make([]string, len(entries))
			for i, e := range entries {
				words[i] = e.inline()
			}
			return inline("[" + strings.Join(words, ", ") + "]"), nil
		},
		apply: func(o *trace.Options, v any) error {
			_, meaning, err := decode(string(v.(inline)))
			if err == nil {
				set(o, meaning)
			}
			return err
		},
	}
}

// Lists are the list settings as Go values; the zero value of each means that it is not set.
type Lists struct {
	Touches   []Touch  `json:"touches"`
	Flats     []Flat   `json:"flats"`
	Pours     []Pour   `json:"pours"`
	Locked    []Swatch `json:"locked"`
	Colourway []Swatch `json:"colourway"`
}

// Lists returns the settings of r that are lists.
func (r *Recipe) Lists() Lists {
	var l Lists
	get(r, "touches", &l.Touches)
	get(r, "flats", &l.Flats)
	get(r, "pours", &l.Pours)
	get(r, "locked", &l.Locked)
	get(r, "colourway", &l.Colourway)
	return l
}

// get decodes a list of r. What is in r was checked when it was set, so there can be no error.
func get[E any](r *Recipe, key string, to *[]E) {
	text, ok := r.values[key].(inline)
	if !ok {
		return
	}
	var v struct{ List []E }
	if _, err := toml.Decode("List = "+string(text), &v); err == nil {
		*to = v.List
	}
}

// SetLists puts the lists into r. Its errors name the list.
func (r *Recipe) SetLists(l Lists) error {
	put := func(key string, words []string) error {
		if len(words) == 0 {
			r.Unset(key)
			return nil
		}
		if err := r.Set(key, "["+strings.Join(words, ", ")+"]"); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
		return nil
	}
	for i := range l.Touches {
		if _, err := l.Touches[i].check(); err != nil {
			return fmt.Errorf("touches: entry %d: %w", i+1, err)
		}
	}
	for i := range l.Flats {
		if _, err := l.Flats[i].check(); err != nil {
			return fmt.Errorf("flats: entry %d: %w", i+1, err)
		}
	}
	return errors.Join(put("touches", words(l.Touches)), put("flats", words(l.Flats)), put("pours", words(l.Pours)), put("locked", words(l.Locked)),
		put("colourway", words(l.Colourway)))
}

func words[E interface{ inline() string }](list []E) []string {
	out := make([]string, len(list))
	for i, e := range list {
		out[i] = e.inline()
	}
	return out
}

// inlineOf writes a value that was read from TOML as one line of TOML.
func inlineOf(v any) string {
	var parts []string
	switch v := v.(type) {
	case []map[string]any:
		for _, x := range v {
			parts = append(parts, inlineOf(x))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case []any:
		for _, x := range v {
			parts = append(parts, inlineOf(x))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case map[string]any:
		keys := make([]string, 0, len(v))
		for k := range v {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		for _, k := range keys {
			parts = append(parts, tomlValue(k)+" = "+inlineOf(v[k]))
		}
		return "{" + strings.Join(parts, ", ") + "}"
	}
	return tomlValue(v)
}
