package survey

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/fit"
	"pochoir/trace"
)

// Read surveys an SVG file. The error says in one line, without the file's name, why this is no SVG file at all:
// broken XML, another root element, more than MaxBytes. Everything else that is wrong with a file stands in the
// Sheet.
func Read(r io.Reader) (*Sheet, error) {
	src, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	if err != nil {
		return nil, err
	}
	if len(src) > MaxBytes {
		return nil, fmt.Errorf("larger than %d MiB", MaxBytes>>20)
	}
	root, links, err := parseTree(src)
	if err != nil {
		return nil, err
	}
	v := visitor{sheet: &Sheet{Bytes: len(src), Notes: links}, ids: map[string]*node{}, refs: map[string]bool{},
		layers: map[*node]int{}}
	if err := v.run(root); err != nil {
		return nil, err
	}
	return v.sheet, nil
}

// state is what an element passes on to its children.
type state struct {
	fill, stroke, current           tint
	fillAlpha, strokeAlpha, opacity float64
	strokeWidth                     float64
	evenOdd                         bool
	hidden, invisible               bool // display: none of any ancestor; visibility
	locked, instance                bool
	matrix                          affine
	layer                           int
}

type visitor struct {
	sheet   *Sheet
	rules   []*rule
	ids     map[string]*node
	refs    map[string]bool
	layers  map[*node]int
	private map[string]int // index in Notes by namespace
	origin  fit.Point      // shift that brings the corner of the viewBox to zero
	visited int
	using   []*node // uses being followed
}

var errTooMuch = errors.New("uses multiply to too many elements")

func (v *visitor) note(k Kind, n *node, format string, args ...any) *Note {
	v.sheet.Notes = append(v.sheet.Notes, Note{Kind: k, Line: n.line, Text: fmt.Sprintf(format, args...)})
	return &v.sheet.Notes[len(v.sheet.Notes)-1]
}

func (v *visitor) run(root *node) error {
	v.private = map[string]int{}
	v.index(root)
	v.area(root)
	origin := identity
	if box := root.attr("viewBox"); box != "" {
		if b, ok := parseViewBox(box); ok {
			v.origin = fit.Point{X: -b.MinX, Y: -b.MinY}
			origin = affine{1, 0, 0, 1, v.origin.X, v.origin.Y}
		}
	}
	black := tint{paint: Flat, alpha: 1, ok: true}
	s := state{fill: black, stroke: tint{ok: true}, current: black, fillAlpha: 1, strokeAlpha: 1, opacity: 1, strokeWidth: 1,
		matrix: origin, layer: -1}
	if err := v.element(root, s, true); err != nil {
		return err
	}
	if !v.sheet.HasArea {
		b := NoBox()
		for i := range v.sheet.Marks {
			b = b.Union(v.sheet.Marks[i].Box())
		}
		v.sheet.Width, v.sheet.Height = 100, 100
		if !b.Empty() && b.MaxX > 0 && b.MaxY > 0 {
			const margin = 0.05
			m := margin * math.Max(b.MaxX, b.MaxY)
			v.sheet.Width, v.sheet.Height = math.Ceil(b.MaxX+m), math.Ceil(b.MaxY+m)
		}
	}
	for _, r := range v.rules {
		if !r.used {
			v.sheet.Notes = append(v.sheet.Notes, Note{Kind: IdleDef, Line: r.line, Text: "style rule " + r.text})
		}
	}
	v.idle(root, false)
	v.meta(root)
	return nil
}

// index gathers ids, references and style sheets, and notes what stands for itself: scripts, private data, links.
func (v *visitor) index(n *node) {
	if n.name == "metadata" && n.svg() {
		return
	}
	if !n.svg() {
		v.privately(n, n.space, "element "+n.name)
		return
	}
	if id := n.attr("id"); id != "" && v.ids[id] == nil {
		v.ids[id] = n
	}
	for _, a := range n.attrs {
		for rest := a.value; ; {
			i := strings.Index(rest, "url(")
			if i < 0 {
				break
			}
			rest = rest[i+4:]
			ref := strings.Trim(strings.TrimSpace(rest[:max(0, strings.IndexByte(rest+")", ')'))]), `"'`)
			if strings.HasPrefix(ref, "#") {
				v.refs[ref[1:]] = true
			} else if ref != "" && !strings.HasPrefix(ref, "data:") {
				v.note(External, n, "%s refers to %s", n.name, shorten(ref))
			}
		}
		switch {
		case a.name == "href" && (a.space == "" || a.space == xlinkSpace):
			ref := strings.TrimSpace(a.value)
			if strings.HasPrefix(ref, "#") {
				v.refs[ref[1:]] = true
			} else if ref != "" && !strings.HasPrefix(ref, "data:") {
				v.note(External, n, "%s links to %s", n.name, shorten(ref))
			}
		case a.space == "" && len(a.name) > 2 && strings.HasPrefix(a.name, "on"):
			v.note(Script, n, "event handler %s", a.name)
		case a.space != "" && a.space != xlinkSpace && a.space != xmlSpace && a.space != "xml" && a.space != "xlink":
			v.privately(n, a.space, "attribute "+a.name)
		}
	}
	switch n.name {
	case "style":
		if t := n.attr("type"); t == "" || t == "text/css" {
			rules, imports := parseSheet(n.text, n.line)
			for i := range rules {
				rules[i].order += len(v.rules)
			}
			v.rules = append(v.rules, rules...)
			for _, s := range imports {
				v.note(External, n, "style sheet with %s", shorten(s))
			}
		}
	case "script", "animate", "animateTransform", "animateMotion", "animateColor", "set", "handler":
		v.note(Script, n, "element %s", n.name)
	case "marker", "view", "cursor":
		v.note(Marker, n, "element %s", n.name)
	}
	for _, c := range n.children {
		v.index(c)
	}
}

// privately notes the first thing of each foreign namespace.
func (v *visitor) privately(n *node, space, what string) {
	if _, ok := v.private[space]; !ok {
		v.private[space] = len(v.sheet.Notes)
		v.note(Private, n, "%s of the namespace %s", what, shorten(space))
	}
}

// called is how a finding calls an element.
func called(n *node) string {
	if id := n.attr("id"); id != "" {
		return n.name + " #" + shorten(id)
	}
	return n.name
}

func shorten(s string) string {
	const limit = 60
	r := []rune(strings.Join(strings.Fields(s), " "))
	if len(r) <= limit {
		return string(r)
	}
	return string(r[:limit]) + "…"
}

func parseViewBox(s string) (Box, bool) {
	sc := scanner{s: s}
	var v [4]float64
	for i := range v {
		x, ok := sc.number()
		if !ok {
			return Box{}, false
		}
		v[i] = x
	}
	b := Box{v[0], v[1], v[0] + v[2], v[1] + v[3]}
	return b, math.Abs(v[0]) <= farthest && math.Abs(v[1]) <= farthest && side(b.Width()) && side(b.Height())
}

// side reports whether v can be a side of a drawing area.
func side(v float64) bool { return v >= 1/farthest && v <= farthest }

// length reads a length in user units (px), with 96 px an inch (CSS Values 4, section 6.2). ok is false for lengths
// that depend on something else.
func length(s string) (v float64, ok bool) {
	sc := scanner{s: s}
	v, ok = sc.number()
	if !ok {
		return 0, false
	}
	switch strings.ToLower(sc.unit()) {
	case "", "px":
		return v, true
	case "in":
		return v * 96, true
	case "cm":
		return v * 96 / 2.54, true
	case "mm":
		return v * 96 / 25.4, true
	case "q":
		return v * 96 / 101.6, true
	case "pt":
		return v * 96 / 72, true
	case "pc":
		return v * 16, true
	}
	return v, false
}

// stretch is by how much the proportions of viewBox and page may part before it counts as odd.
const stretch = 0.005

// area finds the drawing area.
func (v *visitor) area(root *node) {
	s := v.sheet
	w, okW := length(root.attr("width"))
	h, okH := length(root.attr("height"))
	okW, okH = okW && side(w), okH && side(h)
	if text := root.attr("viewBox"); text != "" {
		if b, ok := parseViewBox(text); ok {
			s.Width, s.Height, s.HasArea = b.Width(), b.Height(), true
			if okW && okH && math.Abs(w/h*s.Height/s.Width-1) > stretch {
				s.Odd = fmt.Sprintf("width and height (%g x %g) have other proportions than the viewBox (%g x %g)", w, h,
					s.Width, s.Height)
			}
			return
		}
		s.Odd = fmt.Sprintf("the viewBox %q cannot be read", shorten(text))
	}
	if okW && okH {
		s.Width, s.Height, s.HasArea = w, h, true
	}
}

// painted reports whether an element leaves paint of its own.
func painted(n *node) bool {
	switch n.name {
	case "path", "rect", "circle", "ellipse", "line", "polyline", "polygon", "text", "image", "use", "foreignObject",
		"flowRoot", "mesh":
		return n.svg()
	}
	return false
}

// definition reports whether an element only waits to be referred to.
func definition(n *node) bool {
	switch n.name {
	case "linearGradient", "radialGradient", "meshgradient", "meshGradient", "pattern", "hatch", "clipPath", "mask",
		"filter", "symbol", "marker", "solidColor", "solidcolor":
		return n.svg()
	}
	return false
}

// idle notes definitions that nothing refers to.
func (v *visitor) idle(n *node, inDefs bool) {
	if !n.svg() || n.name == "metadata" {
		return
	}
	if (definition(n) || inDefs && n.attr("id") != "" && n.name != "style") && !v.refs[n.attr("id")] {
		v.note(IdleDef, n, "%s", called(n))
		return
	}
	for _, c := range n.children {
		v.idle(c, n.name == "defs")
	}
}

// element walks an element and everything below it.
func (v *visitor) element(n *node, s state, root bool) error {
	if !n.svg() || definition(n) {
		return nil
	}
	if v.visited++; v.visited > mostNode {
		return errTooMuch
	}
	switch n.name {
	case "defs", "metadata", "title", "desc", "style", "script":
		return nil
	}
	props := properties(n, v.rules)
	v.inherit(n, props, &s)
	switch n.name {
	case "svg":
		if !root {
			v.note(NestedSVG, n, "a drawing area of its own inside the drawing")
			x, _ := length(n.attr("x"))
			y, _ := length(n.attr("y"))
			s.matrix = v.fitBox(n).then(affine{1, 0, 0, 1, x, y}).then(s.matrix)
		}
	case "g":
		switch {
		case s.layer < 0 && !s.instance && v.anything(n) && !v.wrapper(n):
			s.layer = v.layer(n, &s)
		case !v.anything(n):
			v.note(EmptyGroup, n, "%s", called(n))
		}
	case "text", "flowRoot":
		if words := n.words(); words != "" || len(n.children) > 0 {
			x, _ := length(n.attr("x"))
			y, _ := length(n.attr("y"))
			p := s.matrix.apply(fit.Point{X: x, Y: y})
			v.note(Text, n, "text %q", shorten(words)).Box = &Box{p.X, p.Y, p.X, p.Y}
		}
		return nil
	case "image", "foreignObject":
		x, _ := length(n.attr("x"))
		y, _ := length(n.attr("y"))
		w, _ := length(n.attr("width"))
		h, _ := length(n.attr("height"))
		b := NoBox()
		for _, p := range []fit.Point{{X: x, Y: y}, {X: x + w, Y: y}, {X: x, Y: y + h}, {X: x + w, Y: y + h}} {
			b.add(s.matrix.apply(p))
		}
		v.note(Raster, n, "%s", called(n)).Box = &b
		return nil
	case "mesh":
		v.note(Gradient, n, "gradient mesh")
		return nil
	case "use":
		return v.use(n, s)
	}
	if painted(n) {
		v.mark(n, s)
		return nil
	}
	for _, c := range n.children {
		if err := v.element(c, s, false); err != nil {
			return err
		}
	}
	return nil
}

// anything reports whether something painted stands below n.
func (v *visitor) anything(n *node) bool {
	for _, c := range n.children {
		if c.svg() && (painted(c) || c.name != "defs" && !definition(c) && v.anything(c)) {
			return true
		}
	}
	return false
}

// inherit applies an element's own properties to what it got from its parent and notes effects.
func (v *visitor) inherit(n *node, props map[string]string, s *state) {
	number := func(key string, dst *float64, limit float64) {
		val, ok := props[key]
		if !ok || val == "inherit" {
			return
		}
		sc := scanner{s: val}
		x, good := sc.number()
		if good && sc.unit() == "%" {
			x /= 100
		}
		if good {
			*dst = math.Min(math.Max(x, 0), limit)
		}
	}
	paint := func(key string, dst *tint) {
		val, ok := props[key]
		if !ok || val == "inherit" || strings.HasPrefix(val, "context-") {
			return
		}
		t := parsePaint(val, s.current)
		if !t.ok {
			v.note(UnknownColour, n, "%s %q", key, shorten(val))
			return
		}
		*dst = t
	}
	paint("color", &s.current)
	paint("fill", &s.fill)
	paint("stroke", &s.stroke)
	number("fill-opacity", &s.fillAlpha, 1)
	number("stroke-opacity", &s.strokeAlpha, 1)
	own := 1.0
	number("opacity", &own, 1)
	s.opacity *= own
	if val, ok := props["stroke-width"]; ok && val != "inherit" {
		if x, good := length(val); good {
			s.strokeWidth = x
		}
	}
	switch props["fill-rule"] {
	case "evenodd":
		s.evenOdd = true
	case "nonzero":
		s.evenOdd = false
	}
	if props["display"] == "none" {
		s.hidden = true
	}
	switch props["visibility"] {
	case "hidden", "collapse":
		s.invisible = true
	case "visible":
		s.invisible = false
	}
	if props["pointer-events"] == "none" || lockedBy(n) {
		s.locked = true
	}
	if val := props["transform"]; val != "" {
		m, ok := parseTransform(val)
		if !ok {
			v.note(Unreadable, n, "transform %q", shorten(val))
		}
		s.matrix = m.then(s.matrix)
	}
	used := func(key string) bool {
		val := props[key]
		return val != "" && val != "none" && val != "normal" && val != "inherit"
	}
	if used("clip-path") {
		v.note(ClipPath, n, "%s cut by clip-path %s", n.name, shorten(props["clip-path"]))
	}
	for _, key := range []string{"mask", "filter", "mix-blend-mode"} {
		if used(key) {
			v.note(Blend, n, "%s on %s: %s", key, n.name, shorten(props[key]))
		}
	}
	for _, key := range []string{"marker", "marker-start", "marker-mid", "marker-end"} {
		if used(key) {
			v.note(Marker, n, "%s on %s", key, n.name)
		}
	}
}

// lockedBy reports whether an attribute says that an editor shall not touch the element. SVG has no such attribute, so
// that every editor has its own; the words for it are few.
func lockedBy(n *node) bool {
	for _, a := range n.attrs {
		name := strings.ToLower(strings.TrimPrefix(a.name, "data-"))
		switch name {
		case "lock", "locked", "islocked", "protected", "frozen", "insensitive":
			switch strings.ToLower(strings.TrimSpace(a.value)) {
			case "", "0", "no", "false", "off", "none":
			default:
				return true
			}
		}
	}
	return false
}

// layer returns the index of the layer that group n is.
func (v *visitor) layer(n *node, s *state) int {
	if i, ok := v.layers[n]; ok {
		return i
	}
	v.sheet.Layers = append(v.sheet.Layers, Layer{ID: n.attr("id"), Name: layerName(n), Line: n.line,
		Hidden: s.hidden || s.invisible, Locked: s.locked})
	i := len(v.sheet.Layers) - 1
	v.layers[n] = i
	return i
}

// wrapper reports whether a group only holds layers together.
func (v *visitor) wrapper(n *node) bool {
	named := false
	for _, c := range n.children {
		if painted(c) {
			return false
		}
		named = named || c.name == "g" && c.svg() && v.anything(c) && Telling(layerName(c))
	}
	return named
}

// layerName is what editors show as the name of a group: a label in a namespace of theirs, its title, or else its id.
func layerName(n *node) string {
	for _, a := range n.attrs {
		if (a.space != "" || strings.HasPrefix(a.name, "data-")) && (a.name == "label" || a.name == "data-name" || a.name == "name") ||
			a.name == "aria-label" {
			return strings.TrimSpace(a.value)
		}
	}
	for _, c := range n.children {
		if c.name == "title" && c.svg() && c.words() != "" {
			return c.words()
		}
	}
	return n.attr("id")
}

// fitBox returns the map from the viewBox of a nested svg or a symbol into its width and height (SVG 2, section 8.2,
// with the usual alignment xMidYMid meet).
func (v *visitor) fitBox(n *node) affine {
	b, ok := parseViewBox(n.attr("viewBox"))
	w, okW := length(n.attr("width"))
	h, okH := length(n.attr("height"))
	if !ok {
		return identity
	}
	if !okW || !okH {
		return affine{1, 0, 0, 1, -b.MinX, -b.MinY}
	}
	kx, ky := w/b.Width(), h/b.Height()
	if strings.TrimSpace(n.attr("preserveAspectRatio")) != "none" {
		kx = math.Min(kx, ky)
		ky = kx
	}
	return affine{kx, 0, 0, ky, (w-kx*b.Width())/2 - kx*b.MinX, (h-ky*b.Height())/2 - ky*b.MinY}
}

// use follows a use element.
func (v *visitor) use(n *node, s state) error {
	v.note(Instance, n, "copy of %s", shorten(n.href()))
	target := v.ids[strings.TrimPrefix(n.href(), "#")]
	if target == nil {
		return nil
	}
	for p := n; p != nil; p = p.parent {
		if p == target {
			return nil // a use of what it stands in paints nothing
		}
	}
	for _, u := range v.using {
		if u == n {
			return nil
		}
	}
	const mostUses = 32
	if len(v.using) >= mostUses {
		return errTooMuch
	}
	v.using = append(v.using, n)
	defer func() { v.using = v.using[:len(v.using)-1] }()
	x, _ := length(n.attr("x"))
	y, _ := length(n.attr("y"))
	s.matrix = affine{1, 0, 0, 1, x, y}.then(s.matrix)
	s.instance = true
	if target.name == "symbol" || target.name == "svg" {
		sized := *target
		for _, key := range []string{"width", "height"} {
			if val := n.attr(key); val != "" {
				sized.attrs = append([]attribute{{"", key, val}}, sized.attrs...)
			}
		}
		s.matrix = v.fitBox(&sized).then(s.matrix)
		v.inherit(target, properties(target, v.rules), &s)
		for _, c := range target.children {
			if err := v.element(c, s, false); err != nil {
				return err
			}
		}
		return nil
	}
	return v.element(target, s, false)
}

// mark records a painted outline.
func (v *visitor) mark(n *node, s state) {
	subs, ok := outline(n)
	if !ok {
		v.note(Unreadable, n, "%s cannot be read to the end", called(n))
	}
	m := Mark{Element: n.name, ID: n.attr("id"), Line: n.line, Layer: s.layer, EvenOdd: s.evenOdd,
		Fill: s.fill.paint, FillColour: s.fill.rgb, FillAlpha: s.fillAlpha * s.fill.alpha,
		Stroke: s.stroke.paint, StrokeColour: s.stroke.rgb, StrokeWidth: s.strokeWidth * s.matrix.scale(),
		Opacity: s.opacity, Hidden: s.hidden || s.invisible, Locked: s.locked, Instance: s.instance}
	if m.Fill == Server && v.ids[s.fill.ref] == nil {
		m.Fill = NoPaint // a reference to nothing paints nothing (SVG 2, section 13.2)
	}
	if m.Stroke == Server && v.ids[s.stroke.ref] == nil {
		m.Stroke = NoPaint
	}
	if n.name == "line" {
		m.Fill = NoPaint
	}
	if m.Fill == Server || m.Stroke == Server {
		v.note(Gradient, n, "%s painted with #%s", called(n), s.fill.ref+s.stroke.ref)
	}
	for _, t := range []tint{s.fill, s.stroke} {
		if t.paint == Other {
			v.note(UnknownColour, n, "%s has a colour that is not plain sRGB", called(n))
		}
	}
	m.Transformed = s.matrix != affine{1, 0, 0, 1, v.origin.X, v.origin.Y}
	for _, sub := range subs {
		sub.Path, sub.Start = s.matrix.path(sub.Path), s.matrix.apply(sub.Start)
		if !finite(sub) {
			v.note(Unreadable, n, "%s has coordinates beyond %g", called(n), farthest)
			continue
		}
		m.Subpaths = append(m.Subpaths, sub)
	}
	v.sheet.Marks = append(v.sheet.Marks, m)
}

// farthest is the largest coordinate and the largest side of a drawing area that is looked at, in units; the smallest
// side is its inverse.
const farthest = 1e7

func finite(s Subpath) bool {
	ok := func(p fit.Point) bool { return math.Abs(p.X) <= farthest && math.Abs(p.Y) <= farthest }
	for _, g := range s.Path.Segments {
		for _, p := range g.P {
			if !ok(p) {
				return false
			}
		}
	}
	return ok(s.Start)
}

// outline returns the subpaths of a path or a basic shape (SVG 2, chapter 10), and whether all could be read.
func outline(n *node) ([]Subpath, bool) {
	get := func(key string) float64 { x, _ := length(n.attr(key)); return x }
	closed := func(segs ...fit.Segment) []Subpath {
		return []Subpath{{fit.Path{Segments: segs, Closed: true}, segs[0].P[0]}}
	}
	round := func(cx, cy, rx, ry float64) []Subpath {
		if rx <= 0 || ry <= 0 {
			return nil
		}
		e, s := fit.Point{X: cx + rx, Y: cy}, fit.Point{X: cx - rx, Y: cy}
		return closed(append(arc(e, s, rx, ry, 0, false, true), arc(s, e, rx, ry, 0, false, true)...)...)
	}
	switch n.name {
	case "path":
		return parsePath(n.attr("d"))
	case "rect":
		x, y, w, h := get("x"), get("y"), get("width"), get("height")
		if w <= 0 || h <= 0 {
			return nil, true
		}
		rx, okX := length(n.attr("rx"))
		ry, okY := length(n.attr("ry"))
		if !okX {
			rx = ry
		}
		if !okY {
			ry = rx
		}
		rx, ry = math.Min(math.Max(rx, 0), w/2), math.Min(math.Max(ry, 0), h/2)
		p := func(x, y float64) fit.Point { return fit.Point{X: x, Y: y} }
		if rx == 0 || ry == 0 {
			a, b, c, d := p(x, y), p(x+w, y), p(x+w, y+h), p(x, y+h)
			return closed(fit.LineTo(a, b), fit.LineTo(b, c), fit.LineTo(c, d), fit.LineTo(d, a)), true
		}
		var segs []fit.Segment
		at := p(x+rx, y)
		side := func(to, bend fit.Point) {
			if to != at {
				segs = append(segs, fit.LineTo(at, to))
			}
			segs = append(segs, arc(to, bend, rx, ry, 0, false, true)...)
			at = bend
		}
		side(p(x+w-rx, y), p(x+w, y+ry))
		side(p(x+w, y+h-ry), p(x+w-rx, y+h))
		side(p(x+rx, y+h), p(x, y+h-ry))
		side(p(x, y+ry), p(x+rx, y))
		return closed(segs...), true
	case "circle":
		r := get("r")
		return round(get("cx"), get("cy"), r, r), true
	case "ellipse":
		return round(get("cx"), get("cy"), get("rx"), get("ry")), true
	case "line":
		a, b := fit.Point{X: get("x1"), Y: get("y1")}, fit.Point{X: get("x2"), Y: get("y2")}
		return []Subpath{{fit.Path{Segments: []fit.Segment{fit.LineTo(a, b)}}, a}}, true
	case "polyline", "polygon":
		var pts []fit.Point
		sc := scanner{s: n.attr("points")}
		good := true
		for !sc.done() {
			x, ok1 := sc.number()
			y, ok2 := sc.number()
			if good = ok1 && ok2; !good {
				break
			}
			pts = append(pts, fit.Point{X: x, Y: y})
		}
		if len(pts) == 0 {
			return nil, good
		}
		var segs []fit.Segment
		for i := 1; i < len(pts); i++ {
			segs = append(segs, fit.LineTo(pts[i-1], pts[i]))
		}
		shut := n.name == "polygon"
		if last := pts[len(pts)-1]; shut && len(pts) > 1 && last != pts[0] {
			segs = append(segs, fit.LineTo(last, pts[0]))
		}
		return []Subpath{{fit.Path{Segments: segs, Closed: shut}, pts[0]}}, good
	}
	return nil, true
}

// meta reads what the file says of itself: title and desc of the root, and the Dublin Core elements anywhere in its
// metadata.
func (v *visitor) meta(root *node) {
	var m trace.Meta
	var dc func(n *node)
	dc = func(n *node) {
		if n.space == "http://purl.org/dc/elements/1.1/" {
			var items []string
			var leaves func(*node)
			leaves = func(n *node) {
				if n.name == "li" || len(n.children) == 0 {
					if t := n.words(); t != "" {
						items = append(items, t)
					}
					return
				}
				for _, c := range n.children {
					leaves(c)
				}
			}
			leaves(n)
			if len(items) > 0 {
				switch n.name {
				case "title":
					m.Title = items[0]
				case "description":
					m.Description = items[0]
				case "creator":
					m.Creator = strings.Join(items, "; ")
				case "rights":
					m.Rights = items[0]
				case "subject":
					m.Keywords = append(m.Keywords, items...)
				}
			}
			return
		}
		for _, c := range n.children {
			dc(c)
		}
	}
	for _, c := range root.children {
		if c.svg() && c.name == "metadata" {
			dc(c)
		}
	}
	for _, c := range root.children {
		if c.svg() && c.name == "title" && m.Title == "" {
			m.Title = c.words()
		}
		if c.svg() && c.name == "desc" && m.Description == "" {
			m.Description = c.words()
		}
	}
	if clean, err := meta.Clean(m); err == nil {
		m = clean
	}
	v.sheet.Meta = m
}
