// Package check looks at a surveyed file with a reviewer's eyes: what picture libraries commonly refuse, and what a
// careful eye takes for sloppy work. Each rule has an id, a severity and a reason (Rules); a library's own limits come
// from a terms file (ReadTerms). Check reports, Mend puts right what can be put right without a person. Both leave
// their arguments alone and are safe to call concurrently.
package check

import (
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// Finding is one place where a rule is broken.
type Finding struct {
	Rule     string      `json:"rule"`
	Severity Severity    `json:"severity"`
	Text     string      `json:"text"`           // what and where, in plain words
	Line     int         `json:"line,omitempty"` // in the file, from 1; 0 where no line is to blame
	Box      *survey.Box `json:"box,omitempty"`  // in drawing units
}

// Report is what Check found. Findings stand in the order of Rules.
type Report struct {
	File     string         `json:"file,omitempty"`
	Width    float64        `json:"width"` // drawing area, drawing units
	Height   float64        `json:"height"`
	Bytes    int            `json:"bytes"`
	Layers   int            `json:"layers"`
	Shapes   int            `json:"shapes"`
	Points   int            `json:"points"`
	Colours  int            `json:"colours"`
	Refusals int            `json:"refusals"` // findings of each severity, those left out of the list counted too
	Warnings int            `json:"warnings"`
	Notes    int            `json:"notes"`
	Counts   map[string]int `json:"counts"` // by rule
	Findings []Finding      `json:"findings"`
}

// Mendable reports whether some finding is of a rule that Mend can do something about.
func (r *Report) Mendable() bool {
	for _, f := range r.Findings {
		if Rules[ruleIndex[f.Rule]].Mend != "" {
			return true
		}
	}
	return false
}

// mostListed is how many findings of one rule a report lists; all are counted.
const mostListed = 100

// Shares of the diagonal of the drawing area; a drawing of 512 by 512 units has one of 724. Our own choice, set so
// that careful pen-tool work passes.
const (
	nearShare   = 1.5e-4 // points closer than this are on top of each other (0.1 in 724)
	thinShare   = 4e-4   // an area narrower than this on average is a sliver (0.3)
	excessShare = 2.5e-4 // points that can go while the outline moves by no more than this are too many (0.2)
	slackShare  = 5e-4   // how far an outline may stand over the edge of the area (0.4)
)

const (
	zeroArea      = 2e-8 // share of the drawing area below which an outline holds nothing (0.005 square units in 512²)
	excessFactor  = 2.0  // a shape with this many times the points it needs has too many
	excessAtLeast = 16   // and no fewer than this many to spare
	nearColour    = 2.5  // CIEDE2000; below it two flats side by side look the same to most
	rimLeast      = 0.004
	rimMost       = 0.9 // a drawing painted along more of its rim than this is meant to fill its area
)

type checker struct {
	sheet  *survey.Sheet
	terms  *Terms
	report *Report
	found  [][]Finding // by rule
	diag   float64
	page   survey.Box
}

// Check applies every rule to a surveyed file. Nil terms are our own defaults.
func Check(s *survey.Sheet, terms *Terms) *Report {
	if terms == nil {
		terms = &Terms{}
	}
	c := checker{sheet: s, terms: terms, found: make([][]Finding, len(Rules)), diag: math.Hypot(s.Width, s.Height),
		page:   survey.Box{MaxX: s.Width, MaxY: s.Height},
		report: &Report{Width: s.Width, Height: s.Height, Bytes: s.Bytes, Counts: map[string]int{}, Findings: []Finding{}}}
	c.notes()
	c.structure()
	c.quality()
	c.metadata()
	c.sizes()
	for _, list := range c.found {
		c.report.Findings = append(c.report.Findings, list...)
	}
	return c.report
}

// add records a finding unless the terms have switched the rule off.
func (c *checker) add(id string, line int, box *survey.Box, format string, args ...any) {
	i, ok := ruleIndex[id]
	if !ok {
		panic("check: no rule " + id)
	}
	sev := c.terms.severity(&Rules[i])
	switch sev {
	case Off:
		return
	case Refusal:
		c.report.Refusals++
	case Warning:
		c.report.Warnings++
	case Note:
		c.report.Notes++
	}
	c.report.Counts[id]++
	if len(c.found[i]) < mostListed {
		c.found[i] = append(c.found[i], Finding{id, sev, fmt.Sprintf(format, args...), line, box})
	}
}

// noteRules says which rule each kind of note breaks.
var noteRules = map[survey.Kind]string{
	survey.Raster: "raster", survey.Text: "text", survey.Gradient: "gradient", survey.Blend: "effect",
	survey.ClipPath: "clip-path", survey.Script: "script", survey.External: "external", survey.NestedSVG: "drawing-area",
	survey.Instance: "instance", survey.IdleDef: "idle", survey.EmptyGroup: "empty-group", survey.Private: "private-data",
	survey.Unreadable: "unreadable", survey.UnknownColour: "colour-space", survey.Marker: "effect",
}

func (c *checker) notes() {
	for _, n := range c.sheet.Notes {
		c.add(noteRules[n.Kind], n.Line, n.Box, "%s", n.Text)
	}
}

// name is how a mark is called in a finding.
func (c *checker) name(m *survey.Mark) string {
	s := m.Element
	if m.ID != "" {
		s += " #" + m.ID
	}
	if m.Layer >= 0 && c.sheet.Layers[m.Layer].Name != "" {
		s += " in layer " + c.sheet.Layers[m.Layer].Name
	}
	return s
}

func (c *checker) structure() {
	s := c.sheet
	if !s.HasArea {
		c.add("drawing-area", 0, nil, "neither a viewBox nor width and height")
	}
	if s.Odd != "" {
		c.add("drawing-area", 0, nil, "%s", s.Odd)
	}
	perLayer := make([][]colour.RGB, len(s.Layers))
	layersOf := map[colour.RGB][]int{}
	var colours []colour.RGB
	visible := 0
	for i := range s.Marks {
		m := &s.Marks[i]
		box := m.Box()
		at := &box
		if box.Empty() {
			at = nil
		}
		if m.Hidden {
			if m.Layer < 0 || !s.Layers[m.Layer].Hidden {
				c.add("hidden", m.Line, at, "%s", c.name(m))
			}
			continue
		}
		if m.Locked && (m.Layer < 0 || !s.Layers[m.Layer].Locked) {
			c.add("locked", m.Line, at, "%s", c.name(m))
		}
		c.paint(m, at)
		c.outlines(m)
		if m.Transformed && !m.Instance {
			c.add("transform", m.Line, at, "%s", c.name(m))
		}
		if !m.Visible() {
			continue
		}
		visible++
		if !box.Empty() {
			c.outside(m, box)
		}
		if m.Fill != survey.Flat {
			continue
		}
		if m.Layer < 0 {
			c.add("loose-shape", m.Line, at, "%s", c.name(m))
		} else if !has(perLayer[m.Layer], m.FillColour) {
			perLayer[m.Layer] = append(perLayer[m.Layer], m.FillColour)
			if layersOf[m.FillColour] == nil {
				colours = append(colours, m.FillColour)
			}
			layersOf[m.FillColour] = append(layersOf[m.FillColour], m.Layer)
		}
	}
	if visible == 0 && c.report.Counts["raster"]+c.report.Counts["text"] == 0 {
		c.add("empty", 0, nil, "no visible shape")
	}
	for i, l := range s.Layers {
		if l.Hidden {
			c.add("hidden", l.Line, nil, "layer %s", named(l))
		}
		if l.Locked {
			c.add("locked", l.Line, nil, "layer %s", named(l))
		}
		if !survey.Telling(l.Name) {
			c.add("layer-name", l.Line, nil, "layer %s", named(l))
		}
		if len(perLayer[i]) > 1 {
			c.add("layer-colour", l.Line, nil, "layer %s holds %d colours", named(l), len(perLayer[i]))
		}
	}
	for _, k := range colours {
		if list := layersOf[k]; len(list) > 1 {
			c.add("layer-colour", s.Layers[list[1]].Line, nil, "colour %s stands in %d layers: %s, %s …", k.Hex(), len(list),
				named(s.Layers[list[0]]), named(s.Layers[list[1]]))
		}
	}
	c.report.Layers, c.report.Shapes = len(s.Layers), visible
}

func named(l survey.Layer) string {
	if l.Name == "" {
		return "without a name"
	}
	return fmt.Sprintf("%q", l.Name)
}

func has(list []colour.RGB, c colour.RGB) bool {
	for _, x := range list {
		if x == c {
			return true
		}
	}
	return false
}

// paint checks how a mark is painted.
func (c *checker) paint(m *survey.Mark, at *survey.Box) {
	if m.Stroke != survey.NoPaint && m.StrokeWidth > 0 && len(m.Subpaths) > 0 {
		c.add("stroke", m.Line, at, "%s, stroke %.3g wide", c.name(m), m.StrokeWidth)
	}
	if m.Fill == survey.NoPaint && (m.Stroke == survey.NoPaint || m.StrokeWidth == 0) {
		c.add("unpainted", m.Line, at, "%s", c.name(m))
	}
	if m.Opacity < 1 || m.Fill != survey.NoPaint && m.FillAlpha < 1 {
		a := m.Opacity
		if m.Fill != survey.NoPaint {
			a *= m.FillAlpha
		}
		c.add("transparency", m.Line, at, "%s is %.0f %% opaque", c.name(m), 100*a)
	}
}

// outlines checks a mark's subpaths.
func (c *checker) outlines(m *survey.Mark) {
	limit := zeroArea * c.sheet.Width * c.sheet.Height
	for _, s := range m.Subpaths {
		if pointLike(s.Path) {
			c.add("stray-point", m.Line, around(s.Start, c.diag), "%s at (%.4g, %.4g)", c.name(m), s.Start.X, s.Start.Y)
			continue
		}
		c.report.Points += len(s.Path.Segments)
		if m.Fill == survey.NoPaint {
			continue
		}
		box := survey.BoxOf(s.Path)
		if !s.Path.Closed {
			c.add("open-path", m.Line, &box, "%s", c.name(m))
		}
		if math.Abs(closed(s.Path).Area()) < limit && !selfCrossing(s.Path, limit) {
			c.add("zero-area", m.Line, &box, "%s", c.name(m))
		}
	}
	if len(m.Subpaths) == 0 {
		c.add("zero-area", m.Line, nil, "%s has no outline", c.name(m))
	}
}

// selfCrossing reports whether a path without net area still paints something: a figure of eight does.
func selfCrossing(p fit.Path, limit float64) bool {
	box := survey.BoxOf(p)
	if box.Width()*box.Height() < limit {
		return false
	}
	poly := flatten(closed(p), nil, flatness(box))
	for i := range 9 { // a grid of points off the axes of symmetry
		for j := range 9 {
			at := fit.Point{X: box.MinX + box.Width()*(float64(i)+0.37)/9, Y: box.MinY + box.Height()*(float64(j)+0.41)/9}
			if inside(poly, at) {
				return true
			}
		}
	}
	return false
}

// pointLike reports whether all points of a path coincide, or there is but one.
func pointLike(p fit.Path) bool {
	for _, s := range p.Segments {
		for _, q := range s.P {
			if q != p.Segments[0].P[0] {
				return false
			}
		}
	}
	return true
}

// around is a box to mark a point with.
func around(p fit.Point, diag float64) *survey.Box {
	r := diag / 200
	return &survey.Box{MinX: p.X - r, MinY: p.Y - r, MaxX: p.X + r, MaxY: p.Y + r}
}

func (c *checker) outside(m *survey.Mark, box survey.Box) {
	slack := slackShare * c.diag
	w := 0.0
	if m.Stroke != survey.NoPaint {
		w = m.StrokeWidth / 2
	}
	over := math.Max(math.Max(-box.MinX, -box.MinY), math.Max(box.MaxX-c.sheet.Width, box.MaxY-c.sheet.Height)) + w
	switch {
	case !box.Meets(c.page):
		c.add("outside-area", m.Line, &box, "%s lies outside entirely", c.name(m))
	case over > slack:
		c.add("outside-area", m.Line, &box, "%s stands over the edge by %.3g", c.name(m), over)
	}
}

func (c *checker) quality() {
	s := c.sheet
	var areas []area
	layerOf := func(a *area) *survey.Mark { return &s.Marks[a.mark] }
	for i := range s.Marks {
		m := &s.Marks[i]
		if m.Visible() && m.Fill != survey.NoPaint && m.FillAlpha > 0 {
			for _, a := range areasOf(m, i) {
				if a.size >= zeroArea*s.Width*s.Height {
					areas = append(areas, a)
				}
			}
		}
	}
	for i := range areas {
		a := &areas[i]
		m := layerOf(a)
		if w := a.width(); w < thinShare*c.diag {
			c.add("sliver", m.Line, &a.box, "%s: %.2g wide on average", c.name(m), w)
		}
		for _, r := range a.rings {
			if b := crossesItself(r, math.Sqrt(coverPixels/(s.Width*s.Height))); b != nil {
				c.add("crossing", m.Line, b, "%s, between (%.4g, %.4g) and (%.4g, %.4g)", c.name(m), b.MinX, b.MinY, b.MaxX, b.MaxY)
				break
			}
		}
		points, spare, near := 0, 0, 0
		var at fit.Point
		for _, r := range a.rings {
			n, p := nearPoints(r, nearShare*c.diag)
			if n > 0 && near == 0 {
				at = p
			}
			near += n
			points += len(r.Segments)
			_, k := thin(r, excessShare*c.diag)
			spare += k
		}
		if near > 0 {
			c.add("near-points", m.Line, around(at, c.diag), "%s: %d, the first at (%.4g, %.4g)", c.name(m), near, at.X, at.Y)
		}
		if spare >= excessAtLeast && float64(points) >= excessFactor*float64(points-spare) {
			c.add("excess-points", m.Line, &a.box, "%s: %d of %d points could go", c.name(m), spare, points)
		}
	}
	if len(areas) > 0 {
		for _, i := range covered(areas, c.page) {
			m := layerOf(&areas[i])
			c.add("covered-shape", m.Line, &areas[i].box, "%s", c.name(m))
		}
		if share, runs := rimShare(areas, c.page); s.HasArea && share > rimLeast && share < rimMost {
			for i, r := range runs {
				if i == 4 {
					break
				}
				c.add("clipped", 0, &runs[i], "painted along the edge from (%.4g, %.4g) to (%.4g, %.4g)", r.MinX, r.MinY, r.MaxX, r.MaxY)
			}
		}
		for _, run := range hairlines(areas, s.Width, s.Height, 1) {
			b := run.box
			c.add("hairline", 0, &b, "from (%.4g, %.4g) to (%.4g, %.4g)", b.MinX, b.MinY, b.MaxX, b.MaxY)
		}
		if b := signature(areas, s.Width, s.Height); b != nil {
			c.add("signature", 0, b, "a small group of strokes in the corner, from (%.4g, %.4g) to (%.4g, %.4g)", b.MinX, b.MinY,
				b.MaxX, b.MaxY)
		}
	}
	var colours []colour.RGB
	for i := range areas {
		if layerOf(&areas[i]).Fill == survey.Flat && !has(colours, areas[i].colour) {
			colours = append(colours, areas[i].colour)
		}
	}
	c.report.Colours = len(colours)
	const mostColours = 256 // pairs grow with the square; beyond this the file has other troubles
	for i := range min(len(colours), mostColours) {
		for j := range i {
			if d := colours[i].Difference(colours[j]); d < nearColour {
				c.add("near-colours", 0, nil, "%s and %s differ by %.1f", colours[j].Hex(), colours[i].Hex(), d)
			}
		}
	}
}

func (c *checker) metadata() {
	m, t := c.sheet.Meta, c.terms
	n := utf8.RuneCountInString(m.Title)
	switch {
	case n == 0:
		c.add("title-missing", 0, nil, "no title")
	case n > t.maxTitle():
		c.add("title-length", 0, nil, "%d characters, at most %d are usual", n, t.maxTitle())
	case n < t.Title.Min:
		c.add("title-length", 0, nil, "%d characters, at least %d are wanted", n, t.Title.Min)
	}
	ids := map[string]string{"few": "keyword-count", "many": "keyword-count", "duplicate": "keyword-duplicate",
		"plural": "keyword-plural", "phrase": "keyword-phrase"}
	for _, r := range meta.Keywords(m.Keywords, t.minKeywords(), t.maxKeywords()) {
		c.add(ids[r.Kind], 0, nil, "%s", r.Text)
	}
	texts := append([]string{m.Title, m.Description}, m.Keywords...)
	for i, s := range texts {
		if i != 1 && strings.ContainsAny(s, "®™℠©") {
			c.add("trade-sign", 0, nil, "%q", cut(s))
		}
		padded := " " + strings.Join(strings.FieldsFunc(meta.Fold(s), func(r rune) bool { return strings.ContainsRune(" ,.;:!?\"'()", r) }), " ") + " "
		for _, w := range t.Words.Refused {
			if f := meta.Fold(w); f != "" && strings.Contains(padded, " "+f+" ") {
				c.add("refused-word", 0, nil, "%q in %q", w, cut(s))
			}
		}
	}
}

func cut(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}

func (c *checker) sizes() {
	a, t := c.sheet.Width*c.sheet.Height, c.terms
	if t.Area.Min > 0 && a < t.Area.Min {
		c.add("area-size", 0, nil, "%.3g square units, at least %.3g are wanted", a, t.Area.Min)
	}
	if t.Area.Max > 0 && a > t.Area.Max {
		c.add("area-size", 0, nil, "%.3g square units, at most %.3g are taken", a, t.Area.Max)
	}
	if mb := float64(c.sheet.Bytes) / 1e6; mb > t.MaxMegabytes() {
		c.add("file-size", 0, nil, "%.1f MB, at most %g are usual", mb, t.MaxMegabytes())
	}
}

// OfDrawing surveys a drawing in memory, as the SVG it would be written to.
func OfDrawing(d *trace.Drawing, terms *Terms) (*Report, error) {
	s, err := surveyOf(d)
	if err != nil {
		return nil, err
	}
	return Check(s, terms), nil
}
