package check

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"

	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/svgout"
	"pochoir/trace"
)

// ErrReadOnly is the kind of the error that Mend returns for a file which holds something only a person can turn into
// filled outlines. The text names the first such thing and its line.
var ErrReadOnly = errors.New("cannot be mended automatically")

// Mended is one thing that Mend has put right.
type Mended struct {
	Rule  string `json:"rule"`
	Count int    `json:"count"`
}

// hands lists the rules whose breaches need a person.
var hands = []string{"unreadable", "stroke", "raster", "text", "gradient", "transparency", "effect", "clip-path",
	"colour-space", "script", "external", "empty"}

// Mend returns a drawing in which every breach of a rule that can be mended is mended, and the list of what was done,
// in the order of Rules. Rules that the terms switch off are left alone. A file that holds strokes, type, pixels and the
// like is not touched at all: the error is of kind ErrReadOnly, as it is where one colour is painted both below and
// above others.
func Mend(s *survey.Sheet, terms *Terms) (*trace.Drawing, []Mended, error) {
	if terms == nil {
		terms = &Terms{}
	}
	strict := *terms
	strict.Rules = nil
	before := Check(s, &strict)
	for _, id := range hands {
		if before.Counts[id] > 0 {
			for _, f := range before.Findings {
				if f.Rule == id {
					return nil, nil, fmt.Errorf("%w: %s%s (%s)", ErrReadOnly, atLine(f.Line), Rules[ruleIndex[id]].Title, f.Text)
				}
			}
		}
	}
	d, err := plain(s)
	if err != nil {
		return nil, nil, err
	}
	m := mender{d: d, terms: terms, diag: math.Hypot(s.Width, s.Height), done: map[string]int{}}
	// What building the plain drawing has put right already.
	for _, id := range []string{"drawing-area", "open-path", "stray-point", "zero-area", "unpainted", "hidden", "locked",
		"instance", "private-data", "transform", "idle", "empty-group", "loose-shape", "layer-name", "layer-colour"} {
		m.note(id, before.Counts[id])
	}
	m.shapes("outside-area", m.cut)
	m.carry()
	m.shapes("crossing", m.uncross)
	m.shapes("near-points", m.merge)
	m.shapes("excess-points", m.thin)
	m.shapes("sliver", func(s trace.Shape) ([]trace.Shape, int) {
		a := areasIn(&trace.Drawing{Layers: []trace.Layer{{Shapes: []trace.Shape{s}}}})[0]
		if a.width() < thinShare*m.diag {
			return nil, 1
		}
		return []trace.Shape{s}, 0
	})
	m.covered()
	m.colours()
	m.scale()
	m.keywords()
	m.empty()
	var out []Mended
	for _, r := range Rules {
		if n := m.done[r.ID]; n > 0 {
			out = append(out, Mended{r.ID, n})
		}
	}
	return m.d, out, nil
}

func atLine(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("line %d: ", n)
}

// plain builds a drawing of a sheet's visible marks, regrouped by colour.
func plain(s *survey.Sheet) (*trace.Drawing, error) {
	type item struct {
		mark  *survey.Mark
		areas []area
	}
	type group struct {
		colour colour.RGB
		name   string
		items  []item
	}
	clash := func(as []area, g *group) bool {
		for i := range as {
			for _, it := range g.items {
				for j := range it.areas {
					if overlap(&as[i], &it.areas[j]) {
						return true
					}
				}
			}
		}
		return false
	}
	var groups []*group
	for i := range s.Marks {
		mark := &s.Marks[i]
		if !mark.Visible() {
			continue
		}
		it := item{mark: mark}
		for _, a := range areasOf(mark, i) {
			if a.size >= zeroArea*s.Width*s.Height {
				it.areas = append(it.areas, a)
			}
		}
		if len(it.areas) == 0 {
			continue
		}
		at := -1
		for j, g := range groups {
			if g.colour == mark.FillColour {
				at = j
			}
		}
		if at < 0 {
			name := ""
			if mark.Layer >= 0 {
				name = s.Layers[mark.Layer].Name
			}
			groups = append(groups, &group{mark.FillColour, name, []item{it}})
			continue
		}
		g := groups[at]
		sinks := true // below all that was painted since
		for _, above := range groups[at+1:] {
			sinks = sinks && !clash(it.areas, above)
		}
		if !sinks { // or the whole group rises
			var all []area
			for _, o := range g.items {
				all = append(all, o.areas...)
			}
			for _, above := range groups[at+1:] {
				if clash(all, above) {
					return nil, fmt.Errorf("%w: %s%s is painted both below and above other colours", ErrReadOnly,
						atLine(mark.Line), mark.FillColour.Hex())
				}
			}
			groups = append(append(groups[:at:at], groups[at+1:]...), g)
		}
		g.items = append(g.items, it)
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%s\" height=\"%s\" viewBox=\"0 0 %s %s\">\n",
		number(s.Width), number(s.Height), number(s.Width), number(s.Height))
	taken := map[string]bool{}
	for _, g := range groups {
		g.name = layerName(g.name, g.colour, taken)
	}
	for _, g := range groups {
		fmt.Fprintf(&b, "<g id=\"%s\" fill=\"%s\" fill-rule=\"evenodd\">\n", g.name, g.colour.Hex())
		for _, it := range g.items {
			for _, a := range it.areas {
				b.WriteString("<path ")
				if id := it.mark.ID; len(it.areas) == 1 && goodID().MatchString(id) && !taken[id] {
					taken[id] = true
					fmt.Fprintf(&b, "id=\"%s\" ", id)
				}
				b.WriteString("d=\"")
				for _, r := range a.rings {
					writeRing(&b, r)
				}
				b.WriteString("\"/>\n")
			}
		}
		b.WriteString("</g>\n")
	}
	b.WriteString("</svg>\n")
	d, err := svgout.Read(&b)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrReadOnly, err)
	}
	d.Meta = s.Meta
	return d, nil
}

var (
	goodID   = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[A-Za-z][A-Za-z0-9-]*$`) })
	goodName = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[a-z][a-z0-9-]*$`) })
)

// layerName returns want where it is a fit name for a layer, else the colour's name, with a number where it is taken.
func layerName(want string, c colour.RGB, taken map[string]bool) string {
	if !goodName().MatchString(want) || !survey.Telling(want) {
		want = colour.Name(c)
	}
	name := want
	for i := 2; taken[name]; i++ {
		name = want + "-" + strconv.Itoa(i)
	}
	taken[name] = true
	return name
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func writeRing(b *bytes.Buffer, r fit.Path) {
	put := func(cmd byte, pts ...fit.Point) {
		b.WriteByte(cmd)
		for _, p := range pts {
			b.WriteString(number(p.X) + " " + number(p.Y) + " ")
		}
	}
	put('M', r.Segments[0].P[0])
	for _, s := range r.Segments {
		if s.Line {
			put('L', s.P[3])
		} else {
			put('C', s.P[1], s.P[2], s.P[3])
		}
	}
	b.WriteByte('Z')
}

type mender struct {
	d     *trace.Drawing
	terms *Terms
	diag  float64
	done  map[string]int
}

func (m *mender) on(id string) bool { return m.terms.severity(&Rules[ruleIndex[id]]) != Off }

func (m *mender) note(id string, n int) {
	if n > 0 {
		m.done[id] += n
	}
}

// shapes replaces every shape by what mend makes of it and counts.
func (m *mender) shapes(id string, mend func(trace.Shape) ([]trace.Shape, int)) {
	if !m.on(id) {
		return
	}
	for i := range m.d.Layers {
		var kept []trace.Shape
		for _, s := range m.d.Layers[i].Shapes {
			out, n := mend(s)
			m.note(id, n)
			kept = append(kept, out...)
		}
		m.d.Layers[i].Shapes = kept
	}
}

// cut cuts a shape along the edges of the drawing area where it stands over by more than the slack.
func (m *mender) cut(s trace.Shape) ([]trace.Shape, int) {
	page := survey.Box{MaxX: m.d.Width, MaxY: m.d.Height}
	slack := slackShare * m.diag
	box := survey.NoBox()
	for _, r := range s.Rings {
		box = box.Union(survey.BoxOf(r))
	}
	if box.MinX >= -slack && box.MinY >= -slack && box.MaxX <= page.MaxX+slack && box.MaxY <= page.MaxY+slack {
		return []trace.Shape{s}, 0
	}
	mark := survey.Mark{EvenOdd: true, Fill: survey.Flat, FillAlpha: 1, Opacity: 1}
	for _, r := range clip(s.Rings, page) {
		mark.Subpaths = append(mark.Subpaths, survey.Subpath{Path: r, Start: r.Segments[0].P[0]})
	}
	return m.reshape(&mark, s.ID), 1
}

// reshape makes shapes of a mark's outlines by the even-odd rule; a single one keeps the name.
func (m *mender) reshape(mark *survey.Mark, id string) []trace.Shape {
	var out []trace.Shape
	for _, a := range areasOf(mark, 0) {
		if a.size < zeroArea*m.d.Width*m.d.Height {
			continue
		}
		for i, r := range a.rings { // outer ring clockwise, holes against it
			if r.Area() > 0 != (i == 0) {
				a.rings[i] = r.Reverse()
			}
		}
		out = append(out, trace.Shape{Rings: a.rings})
	}
	if len(out) == 1 {
		out[0].ID = id
	}
	return out
}

func (m *mender) merge(s trace.Shape) ([]trace.Shape, int) {
	least, count := nearShare*m.diag, 0
	for i, r := range s.Rings {
		if n, _ := nearPoints(r, least); n > 0 {
			count += n
			s.Rings[i] = mergeNear(r, least)
		}
	}
	return []trace.Shape{s}, count
}

func (m *mender) thin(s trace.Shape) ([]trace.Shape, int) {
	rings := make([]fit.Path, len(s.Rings))
	points, spare := 0, 0
	for i, r := range s.Rings {
		var n int
		rings[i], n = thin(r, excessShare*m.diag)
		points, spare = points+len(r.Segments), spare+n
	}
	if spare < excessAtLeast || float64(points) < excessFactor*float64(points-spare) {
		return []trace.Shape{s}, 0
	}
	s.Rings = rings
	return []trace.Shape{s}, spare
}

// covered takes out shapes that others hide.
func (m *mender) covered() {
	if !m.on("covered-shape") {
		return
	}
	areas := areasIn(m.d)
	drop := map[[2]int]bool{}
	for _, i := range covered(areas, survey.Box{MaxX: m.d.Width, MaxY: m.d.Height}) {
		drop[[2]int{areas[i].mark, areas[i].shape}] = true
	}
	for i := range m.d.Layers {
		var kept []trace.Shape
		for j, s := range m.d.Layers[i].Shapes {
			if !drop[[2]int{i, j}] {
				kept = append(kept, s)
			}
		}
		m.d.Layers[i].Shapes = kept
	}
	m.note("covered-shape", len(drop))
}

// colours merges layers whose colours look the same, where nothing painted between them is in the way.
func (m *mender) colours() {
	if !m.on("near-colours") {
		return
	}
	for again := true; again; {
		again = false
		for i := 0; i < len(m.d.Layers) && !again; i++ {
			for j := i + 1; j < len(m.d.Layers) && !again; j++ {
				if m.d.Layers[i].Colour.Difference(m.d.Layers[j].Colour) < nearColour && m.join(i, j) {
					m.note("near-colours", 1)
					again = true
				}
			}
		}
	}
}

// join merges layer j > i into one with layer i and reports whether it could.
func (m *mender) join(i, j int) bool {
	byLayer := make([][]area, len(m.d.Layers))
	size := make([]float64, len(m.d.Layers))
	for _, a := range areasIn(m.d) {
		byLayer[a.mark] = append(byLayer[a.mark], a)
		size[a.mark] += a.size
	}
	free := func(k int) bool {
		for between := i + 1; between < j; between++ {
			for x := range byLayer[between] {
				for y := range byLayer[k] {
					if overlap(&byLayer[between][x], &byLayer[k][y]) {
						return false
					}
				}
			}
		}
		return true
	}
	l := m.d.Layers
	joined := l[i]
	if size[j] > size[i] {
		joined = l[j]
	}
	joined.Shapes = append(append([]trace.Shape(nil), l[i].Shapes...), l[j].Shapes...)
	switch {
	case free(i): // the lower rises
		l[j] = joined
		m.d.Layers = append(l[:i:i], l[i+1:]...)
	case free(j):
		l[i] = joined
		m.d.Layers = append(l[:j:j], l[j+1:]...)
	default:
		return false
	}
	return true
}

// scale brings the drawing area within the terms' limits.
func (m *mender) scale() {
	a, t := m.d.Width*m.d.Height, &m.terms.Area
	k := 1.0
	switch {
	case t.Min > 0 && a < t.Min:
		k = math.Sqrt(t.Min/a) * (1 + 1e-6)
	case t.Max > 0 && a > t.Max:
		k = math.Sqrt(t.Max/a) * (1 - 1e-6)
	}
	if k == 1 || !m.on("area-size") {
		return
	}
	Scale(m.d, k)
	m.note("area-size", 1)
}

// Scale multiplies every length of d by k.
func Scale(d *trace.Drawing, k float64) {
	d.Width, d.Height, d.DPI = d.Width*k, d.Height*k, d.DPI*k
	for i := range d.Layers {
		for _, s := range d.Layers[i].Shapes {
			for _, r := range s.Rings {
				for n := range r.Segments {
					for q := range r.Segments[n].P {
						r.Segments[n].P[q] = r.Segments[n].P[q].Mul(k)
					}
				}
			}
		}
	}
}

// keywords takes out repeated and plural keywords.
func (m *mender) keywords() {
	words := m.d.Meta.Keywords
	drop := make([]bool, len(words))
	for _, r := range meta.Keywords(words, 0, 0) {
		id := "keyword-" + r.Kind
		if r.Drop >= 0 && !drop[r.Drop] && (r.Kind == "duplicate" || r.Kind == "plural") && m.on(id) {
			drop[r.Drop] = true
			m.note(id, 1)
		}
	}
	var kept []string
	for i, w := range words {
		if !drop[i] {
			kept = append(kept, w)
		}
	}
	m.d.Meta.Keywords = kept
}

// empty drops layers that have lost all their shapes.
func (m *mender) empty() {
	var kept []trace.Layer
	for _, l := range m.d.Layers {
		if len(l.Shapes) > 0 {
			kept = append(kept, l)
		}
	}
	m.d.Layers = kept
}

// surveyOf surveys a drawing as the file it would be written to.
func surveyOf(d *trace.Drawing) (*survey.Sheet, error) {
	r, w := io.Pipe()
	go func() { w.CloseWithError(svgout.Write(w, d, svgout.Options{})) }()
	s, err := survey.Read(r)
	if err != nil {
		return nil, fmt.Errorf("%s", strings.TrimPrefix(err.Error(), "svgout: "))
	}
	return s, nil
}
