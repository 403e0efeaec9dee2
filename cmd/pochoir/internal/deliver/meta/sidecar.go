package meta

import (
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"sync"

	"github.com/BurntSushi/toml"

	"pochoir/cmd/pochoir/internal/tomltext"
	"pochoir/trace"
)

// SidecarEnding is what the name of a sidecar has in place of the drawing's ".svg".
const SidecarEnding = ".meta.toml"

// maxText bounds a sidecar and a table, bytes.
const maxText = 64 << 20

// sidecar is the text file: the Dublin Core elements of these names, all optional. Keywords are dc:subject; the
// trade's word is taken too.
type sidecar struct {
	Title       string   `toml:"title"`
	Description string   `toml:"description"`
	Creator     string   `toml:"creator"`
	Rights      string   `toml:"rights"`
	Subject     []string `toml:"subject"`
	Keywords    []string `toml:"keywords"`
}

// ReadSidecar reads a TOML file with the keys title, description, creator, rights and subject (a list; "keywords" is
// the same). Errors name the file and the line.
func ReadSidecar(r io.Reader, name string) (trace.Meta, error) {
	text, err := io.ReadAll(io.LimitReader(r, maxText+1))
	if err != nil {
		return trace.Meta{}, fmt.Errorf("%s: %w", name, err)
	}
	if len(text) > maxText {
		return trace.Meta{}, fmt.Errorf("%s: larger than %d MiB", name, maxText>>20)
	}
	var s sidecar
	md, err := toml.Decode(string(text), &s)
	if err != nil {
		return trace.Meta{}, TOMLError(name, err)
	}
	if un := md.Undecoded(); len(un) > 0 {
		return trace.Meta{}, fmt.Errorf("%s: unknown key %q; known are title, description, creator, rights, subject",
			name, un[0].String())
	}
	if len(s.Subject) > 0 && len(s.Keywords) > 0 {
		return trace.Meta{}, fmt.Errorf("%s: subject and keywords are the same thing; keep one", name)
	}
	m, err := Clean(trace.Meta{Title: s.Title, Description: s.Description, Creator: s.Creator, Rights: s.Rights,
		Keywords: append(s.Subject, s.Keywords...)})
	if err != nil {
		return trace.Meta{}, fmt.Errorf("%s: %w", name, err)
	}
	return m, nil
}

// lineIn finds the place in those errors of the TOML library that are no toml.ParseError.
var lineIn = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^toml: line (\d+) \(last key "(.*)"\): (.*)$`) })

// TOMLError returns an error of the TOML library as NAME:LINE: cause, on one line.
func TOMLError(name string, err error) error {
	var pe toml.ParseError
	if errors.As(err, &pe) {
		return fmt.Errorf("%s:%d: %s", name, pe.Position.Line, oneLine(pe.Message))
	}
	text := oneLine(err.Error())
	if m := lineIn().FindStringSubmatch(text); m != nil {
		return fmt.Errorf("%s:%s: %s: %s", name, m[1], m[2], m[3])
	}
	return fmt.Errorf("%s: %s", name, strings.TrimPrefix(text, "toml: "))
}

// WriteSidecar writes m in the form that ReadSidecar reads.
func WriteSidecar(w io.Writer, m trace.Meta) error {
	var b strings.Builder
	for _, f := range []struct{ key, value string }{
		{"title", m.Title}, {"description", m.Description}, {"creator", m.Creator}, {"rights", m.Rights},
	} {
		fmt.Fprintf(&b, "%s = %s\n", f.key, tomltext.Quoted(f.value))
	}
	b.WriteString("subject = [")
	for i, k := range m.Keywords {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(tomltext.Quoted(k))
	}
	b.WriteString("]\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
