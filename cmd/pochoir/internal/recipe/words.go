package recipe

import (
	"fmt"
	"strings"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/trace"
)

// This file holds what a recipe says of the drawing in words: Dublin Core elements, as in a drawing's sidecar.

// Words returns title, description, keywords, creator and rights.
func (r *Recipe) Words() trace.Meta { return r.words }

// SetWords sets them; empty ones are not set.
func (r *Recipe) SetWords(m trace.Meta) { r.words = m }

// takeWords takes the words out of the keys of a recipe. Its errors name no file.
func takeWords(all map[string]any, line func(key string) int) (m trace.Meta, badLine int, err error) {
	for _, f := range []struct {
		key string
		dst *string
	}{{"title", &m.Title}, {"description", &m.Description}, {"creator", &m.Creator}, {"rights", &m.Rights}} {
		v, ok := all[f.key]
		if !ok {
			continue
		}
		if *f.dst, ok = v.(string); !ok {
			return m, line(f.key), fmt.Errorf("%s: want text in quotes", f.key)
		}
		delete(all, f.key)
	}
	last := ""
	for _, key := range []string{"keywords", "subject"} { // the trade's word and the standard's
		v, ok := all[key]
		if !ok {
			continue
		}
		if last != "" {
			return m, line(key), fmt.Errorf("subject and keywords are the same thing; keep one")
		}
		last = key
		delete(all, key)
		list, ok := v.([]any)
		for _, w := range list {
			s, isText := w.(string)
			ok = ok && isText
			m.Keywords = append(m.Keywords, s)
		}
		if !ok {
			return m, line(key), fmt.Errorf("%s: want a list such as [\"boat\", \"harbour\"]", key)
		}
	}
	if m, err = meta.Clean(m); err != nil {
		field, _, _ := strings.Cut(err.Error(), " ")
		if field == "keyword" {
			field = last
		}
		return m, line(field), err
	}
	return m, 0, nil
}

// wordLines writes the words as a recipe has them.
func wordLines(m trace.Meta) string {
	var b strings.Builder
	b.WriteString("\n# What the drawing and its deliveries say of themselves.\n")
	row := func(key, value string, set bool) {
		if !set {
			b.WriteString("# ")
		}
		fmt.Fprintf(&b, "%s = %s\n", key, value)
	}
	row("title", tomlValue(m.Title), m.Title != "")
	row("description", tomlValue(m.Description), m.Description != "")
	var words []string
	for _, k := range m.Keywords {
		words = append(words, tomlValue(k))
	}
	row("keywords", "["+strings.Join(words, ", ")+"]", len(words) > 0)
	row("creator", tomlValue(m.Creator), m.Creator != "")
	row("rights", tomlValue(m.Rights), m.Rights != "")
	return b.String()
}
