package check

import (
	"fmt"
	"io"
	"strings"

	"github.com/BurntSushi/toml"

	"pochoir/cmd/pochoir/internal/deliver/meta"
)

// Terms are the limits of one library, filled in by the user from that library's own rules. The zero value of a field
// means our own default, or no limit where the field's comment says so.
type Terms struct {
	Library string `toml:"library"`
	Area    struct {
		Aim float64 `toml:"aim"` // square units of the drawing area in EPS and PDF
		Min float64 `toml:"min"` // of every vector file; none by default
		Max float64 `toml:"max"` // none by default
	} `toml:"area"`
	Preview struct {
		Megapixels float64 `toml:"megapixels"`
	} `toml:"preview"`
	File struct {
		MaxMegabytes float64 `toml:"max_megabytes"`
	} `toml:"file"`
	Title struct {
		Min int `toml:"min_characters"`
		Max int `toml:"max_characters"`
	} `toml:"title"`
	Keywords struct {
		Min int `toml:"min"`
		Max int `toml:"max"`
	} `toml:"keywords"`
	Words struct {
		Refused []string `toml:"refused"` // not allowed in title, description or keywords
	} `toml:"words"`
	Pack struct {
		Formats []string `toml:"formats"` // endings; all by default
	} `toml:"pack"`
	Rules map[string]Severity `toml:"rules"`
}

// DefaultMaxMegabytes is the file size that draws a warning: common practice, no source.
const DefaultMaxMegabytes = 10.0

func orInt(v, otherwise int) int {
	if v == 0 {
		return otherwise
	}
	return v
}

func orFloat(v, otherwise float64) float64 {
	if v == 0 {
		return otherwise
	}
	return v
}

func (t *Terms) maxTitle() int    { return orInt(t.Title.Max, meta.DefaultMaxTitle) }
func (t *Terms) minKeywords() int { return orInt(t.Keywords.Min, meta.DefaultMinKeywords) }
func (t *Terms) maxKeywords() int { return orInt(t.Keywords.Max, meta.DefaultMaxKeywords) }

// MaxMegabytes is the file size above which a warning is due.
func (t *Terms) MaxMegabytes() float64 { return orFloat(t.File.MaxMegabytes, DefaultMaxMegabytes) }

// severity returns what a rule counts for under these terms.
func (t *Terms) severity(r *Rule) Severity {
	if s, ok := t.Rules[r.ID]; ok {
		return s
	}
	return r.Severity
}

// ReadTerms reads a terms file. Errors name the file and, where known, the line.
func ReadTerms(r io.Reader, name string) (*Terms, error) {
	text, err := io.ReadAll(io.LimitReader(r, 1<<20))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	var t Terms
	md, err := toml.Decode(string(text), &t)
	if err != nil {
		return nil, meta.TOMLError(name, err)
	}
	if un := md.Undecoded(); len(un) > 0 {
		return nil, fmt.Errorf("%s: unknown key %q", name, un[0].String())
	}
	for _, key := range md.Keys() {
		if len(key) == 2 && key[0] == "rules" {
			if _, ok := ruleIndex[key[1]]; !ok {
				return nil, fmt.Errorf("%s: there is no rule %q", name, key[1])
			}
		}
	}
	for _, v := range []struct {
		key string
		x   float64
	}{
		{"area.aim", t.Area.Aim}, {"area.min", t.Area.Min}, {"area.max", t.Area.Max},
		{"preview.megapixels", t.Preview.Megapixels}, {"file.max_megabytes", t.File.MaxMegabytes},
		{"title.min_characters", float64(t.Title.Min)}, {"title.max_characters", float64(t.Title.Max)},
		{"keywords.min", float64(t.Keywords.Min)}, {"keywords.max", float64(t.Keywords.Max)},
	} {
		if !(v.x >= 0 && v.x < 1e12) {
			return nil, fmt.Errorf("%s: %s = %g, want 0 or more", name, v.key, v.x)
		}
	}
	if t.Area.Max > 0 && t.Area.Min > t.Area.Max {
		return nil, fmt.Errorf("%s: area.min = %g is above area.max = %g", name, t.Area.Min, t.Area.Max)
	}
	return &t, nil
}

// WriteTerms writes an empty terms file with every key explained and commented out.
func WriteTerms(w io.Writer) error {
	var b strings.Builder
	b.WriteString(`# Terms of one library, filled in from its own rules for contributors.
# Take the # away before a line to set it; what stands there is the default.

# library = "name of the library"

[area]          # drawing area in square units
# aim = 16000000  # of EPS and PDF
# min = 0         # of the SVG; 0 means no limit
# max = 0

[preview]
# megapixels = 16

[file]
`)
	fmt.Fprintf(&b, "# max_megabytes = %g\n\n[title]\n# min_characters = 0\n# max_characters = %d\n\n", DefaultMaxMegabytes,
		meta.DefaultMaxTitle)
	fmt.Fprintf(&b, "[keywords]\n# min = %d\n# max = %d\n\n", meta.DefaultMinKeywords, meta.DefaultMaxKeywords)
	b.WriteString(`[words]
# refused = []    # words that must not stand in title, description or keywords

[pack]
# formats = ["svg", "eps", "pdf", "png", "jpg"]

[rules]         # off, note, warning or refusal
`)
	for _, r := range Rules {
		fmt.Fprintf(&b, "# %-17s = %-10s # %s\n", r.ID, `"`+r.Severity.String()+`"`, r.Title)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
