package survey

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"sync"

	"golang.org/x/text/encoding/htmlindex"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

const (
	// MaxBytes is the largest file Read takes.
	MaxBytes = 256 << 20
	mostDeep = 512     // nested elements
	mostNode = 5 << 20 // elements in a file, and elements looked at while following uses
)

// Namespaces that belong into an SVG file.
const (
	svgSpace   = "http://www.w3.org/2000/svg"
	xlinkSpace = "http://www.w3.org/1999/xlink"
	xmlSpace   = "http://www.w3.org/XML/1998/namespace"
)

type attribute struct{ space, name, value string }

type node struct {
	space, name string
	attrs       []attribute
	text        string // character data directly inside
	line        int
	parent      *node
	children    []*node
}

// attr returns an attribute without namespace, or "".
func (n *node) attr(name string) string {
	for _, a := range n.attrs {
		if a.name == name && a.space == "" {
			return a.value
		}
	}
	return ""
}

// href returns the target of a link, by the attribute of SVG 2 or that of XLink.
func (n *node) href() string {
	out := ""
	for _, a := range n.attrs {
		if a.name == "href" && (a.space == "" || out == "" && a.space == xlinkSpace) {
			out = a.value
		}
	}
	return strings.TrimSpace(out)
}

// svg reports whether the element is of the SVG namespace, or of none in a file that declares none.
func (n *node) svg() bool { return n.space == svgSpace || n.space == "" }

// words joins all text inside n.
func (n *node) words() string {
	var b strings.Builder
	var walk func(*node)
	walk = func(n *node) {
		b.WriteString(n.text)
		for _, c := range n.children {
			b.WriteByte(' ')
			walk(c)
		}
	}
	walk(n)
	return strings.TrimSpace(b.String())
}

// plainEntity finds the internal entities that some editors declare for their namespaces. One whose value holds a
// reference is not expanded, so that expansion cannot multiply. It is compiled when it is first needed: that takes some
// milliseconds, which every command would wait for.
var plainEntity = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`<!ENTITY\s+([\w.:-]+)\s+(?:"([^"&%<]{0,1000})"|'([^'&%<]{0,1000})')\s*>`)
})

// parseTree reads the elements of a file. styles holds what processing instructions link to.
func parseTree(src []byte) (root *node, links []Note, err error) {
	if bytes.HasPrefix(src, []byte{0xff, 0xfe}) || bytes.HasPrefix(src, []byte{0xfe, 0xff}) {
		src, _, err = transform.Bytes(unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM).NewDecoder(), src)
		if err != nil {
			return nil, nil, fmt.Errorf("line 1: %w", err)
		}
		src = bytes.Replace(src, []byte("UTF-16"), []byte("UTF-8"), 1)
		src = bytes.Replace(src, []byte("utf-16"), []byte("utf-8"), 1)
	}
	start := bytes.TrimLeft(bytes.TrimPrefix(src, []byte("\ufeff")), " \t\r\n")
	switch {
	case len(start) == 0:
		return nil, nil, errors.New("the file is empty")
	case bytes.HasPrefix(start, []byte{0x1f, 0x8b}):
		return nil, nil, errors.New("the file is compressed; unpack it first")
	case start[0] != '<':
		return nil, nil, errors.New("this is no SVG file: it does not begin with a tag")
	}
	dec := xml.NewDecoder(bytes.NewReader(src))
	dec.CharsetReader = func(label string, r io.Reader) (io.Reader, error) {
		enc, err := htmlindex.Get(label)
		if err != nil {
			return nil, fmt.Errorf("unknown encoding %q", label)
		}
		return transform.NewReader(r, enc.NewDecoder()), nil
	}
	var at *node
	count, depth := 0, 0
	for {
		line, _ := dec.InputPos()
		t, err := dec.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			line, _ = dec.InputPos()
			var se *xml.SyntaxError
			if errors.As(err, &se) {
				return nil, nil, fmt.Errorf("line %d: %s", se.Line, se.Msg)
			}
			return nil, nil, fmt.Errorf("line %d: %w", line, err)
		}
		switch t := t.(type) {
		case xml.Directive:
			for _, m := range plainEntity().FindAllSubmatch(t, -1) {
				if dec.Entity == nil {
					dec.Entity = map[string]string{}
				}
				dec.Entity[string(m[1])] = string(m[2]) + string(m[3])
			}
		case xml.ProcInst:
			if t.Target == "xml-stylesheet" {
				links = append(links, Note{Kind: External, Line: line, Text: "style sheet " + string(t.Inst)})
			}
		case xml.StartElement:
			if count++; count > mostNode {
				return nil, nil, fmt.Errorf("line %d: more than %d elements", line, mostNode)
			}
			if depth++; depth > mostDeep {
				return nil, nil, fmt.Errorf("line %d: elements nested more than %d deep", line, mostDeep)
			}
			n := &node{space: t.Name.Space, name: t.Name.Local, line: line, parent: at}
			for _, a := range t.Attr {
				if a.Name.Space != "xmlns" && a.Name.Local != "xmlns" {
					n.attrs = append(n.attrs, attribute{a.Name.Space, a.Name.Local, a.Value})
				}
			}
			switch {
			case at != nil:
				at.children = append(at.children, n)
			case root == nil:
				root = n
			}
			at = n
		case xml.EndElement:
			if at != nil {
				at = at.parent
				depth--
			}
		case xml.CharData:
			if at != nil {
				at.text += string(t)
			}
		}
	}
	if root == nil {
		return nil, nil, errors.New("this is no SVG file: it holds no elements")
	}
	if root.name != "svg" || !root.svg() {
		return nil, nil, fmt.Errorf("line %d: the file begins with <%s>, not with <svg>", root.line, root.name)
	}
	return root, links, nil
}
