package catalogue

import (
	"context"
	"database/sql"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"pochoir/quantize/colour"
)

// Count is one bar of a statistic.
type Count struct {
	Name string
	N    int
}

// PlaceCount is what became of the deliveries to one place, counted by items.
type PlaceCount struct {
	Place                              string
	Delivered, Accepted, Refused, Sold int // that ever reached the state
	Outdated                           int
}

// Statistics are figures of the whole catalogue.
type Statistics struct {
	Day      string // when they were taken
	Items    int
	Gone     int // whose file a scan no longer found
	Outdated int // deliveries, checks, variants and packs older than a correction
	Untitled int // drawings without a title
	Wordless int // drawings without keywords
	Kinds    []Count
	States   []Count // items by each state they are in now, at any place
	Months   []Count // items added, by month
	Places   []PlaceCount
	Reasons  []Count // of refusals
	Keywords []Count // most used
	PerItem  []Count // drawings by number of keywords
	Sizes    []Count // pictures and drawings by long side
	Colours  []Count // items by the CSS name nearest to each of their swatches
}

// mostBars is how many of an open list are shown.
const mostBars = 24

// Statistics takes the figures as of one moment.
func (c *Catalogue) Statistics() (s *Statistics, err error) {
	err = c.view(context.Background(), func(tx *sql.Tx) error {
		s, err = statistics(tx)
		return err
	})
	if err != nil {
		return nil, err
	}
	out, err := c.Outdated()
	if err != nil {
		return nil, err
	}
	s.Outdated = len(out)
	for _, o := range out {
		for i := range s.Places {
			if o.What == string(Delivered) && s.Places[i].Place == o.Place {
				s.Places[i].Outdated++
			}
		}
	}
	return s, nil
}

func scanCount(r row) (c Count, err error) { return c, r.Scan(&c.Name, &c.N) }

func statistics(tx *sql.Tx) (*Statistics, error) {
	s := &Statistics{Day: today()}
	err := tx.QueryRow(`SELECT count(*), coalesce(sum(gone), 0), coalesce(sum(kind = 'drawing' AND title = ''), 0),
		coalesce(sum(kind = 'drawing' AND NOT EXISTS (SELECT 1 FROM keyword WHERE item = i.id)), 0) FROM item i`).
		Scan(&s.Items, &s.Gone, &s.Untitled, &s.Wordless)
	if err != nil {
		return nil, err
	}
	for _, q := range []struct {
		dst   *[]Count
		query string
	}{
		{&s.Kinds, "SELECT kind, count(*) FROM item GROUP BY kind ORDER BY count(*) DESC, kind"},
		{&s.States, "SELECT state, count(DISTINCT item) FROM state WHERE latest = 1 GROUP BY state"},
		{&s.Months, "SELECT substr(added, 1, 7) AS month, count(*) FROM item GROUP BY month ORDER BY month DESC"},
		{&s.Reasons, fmt.Sprintf("SELECT note, count(*) FROM state WHERE state = 'refused' GROUP BY note ORDER BY count(*) DESC, note LIMIT %d", mostBars)},
		{&s.Keywords, fmt.Sprintf("SELECT min(word), count(*) FROM keyword GROUP BY fold ORDER BY count(*) DESC, fold LIMIT %d", mostBars)},
		{&s.PerItem, `SELECT n, count(*) FROM (SELECT (SELECT count(*) FROM keyword WHERE item = i.id) AS n FROM item i WHERE kind = 'drawing')
			GROUP BY n ORDER BY n`},
		{&s.Sizes, "SELECT CAST(side AS INTEGER), count(*) FROM item WHERE side > 0 GROUP BY 1 ORDER BY 1"},
	} {
		if *q.dst, err = list(tx, scanCount, q.query); err != nil {
			return nil, err
		}
	}
	s.States = inOrder(s.States)
	s.Months = everyMonth(s.Months)
	s.PerItem, s.Sizes = groups(s.PerItem, 5, ""), octaves(s.Sizes)
	if s.Places, err = list(tx, func(r row) (p PlaceCount, err error) {
		return p, r.Scan(&p.Place, &p.Delivered, &p.Accepted, &p.Refused, &p.Sold)
	}, `SELECT place, count(DISTINCT iif(state = 'delivered', item, NULL)), count(DISTINCT iif(state = 'accepted', item, NULL)),
		count(DISTINCT iif(state = 'refused', item, NULL)), count(DISTINCT iif(state = 'sold', item, NULL))
		FROM state WHERE place <> '' GROUP BY place ORDER BY 2 DESC, place`); err != nil {
		return nil, err
	}
	return s, s.countColours(tx)
}

// inOrder sorts states by their order in life.
func inOrder(c []Count) []Count {
	at := map[string]int{}
	for i, s := range States {
		at[string(s)] = i
	}
	sort.Slice(c, func(i, j int) bool { return at[c[i].Name] < at[c[j].Name] })
	return c
}

// mostMonths is how far back months are shown.
const mostMonths = 36

// everyMonth puts months, the latest first, into order, with those between in which nothing happened.
func everyMonth(c []Count) []Count {
	if len(c) == 0 {
		return nil
	}
	n := map[string]int{}
	for _, k := range c {
		n[k.Name] = k.N
	}
	at, err := time.Parse("2006-01", c[0].Name)
	var out []Count
	for found := 0; err == nil && found < len(c) && len(out) < mostMonths; at = at.AddDate(0, -1, 0) {
		name := at.Format("2006-01")
		if n[name] > 0 {
			found++
		}
		out = append(out, Count{name, n[name]})
	}
	slices.Reverse(out)
	return out
}

// groups joins counts by number, which come in order, in groups of width.
func groups(c []Count, width int, unit string) []Count {
	var out []Count
	for _, k := range c {
		var n int
		fmt.Sscan(k.Name, &n)
		name := "0"
		if n > 0 {
			lo := (n-1)/width*width + 1
			name = fmt.Sprintf("%d–%d%s", lo, lo+width-1, unit)
		}
		if len(out) == 0 || out[len(out)-1].Name != name {
			out = append(out, Count{Name: name})
		}
		out[len(out)-1].N += k.N
	}
	return out
}

// octaves joins sizes, which come in order, from each power of two to the next.
func octaves(c []Count) []Count {
	var out []Count
	for _, k := range c {
		var n int
		fmt.Sscan(k.Name, &n)
		lo := 1 << int(math.Log2(float64(max(n, 1))))
		name := fmt.Sprintf("%d–%d px", lo, 2*lo-1)
		if len(out) == 0 || out[len(out)-1].Name != name {
			out = append(out, Count{Name: name})
		}
		out[len(out)-1].N += k.N
	}
	return out
}

// countColours counts the swatches by the CSS name nearest to each.
func (s *Statistics) countColours(tx *sql.Tx) error {
	type used struct{ tint, n int64 }
	tints, err := list(tx, func(r row) (u used, err error) { return u, r.Scan(&u.tint, &u.n) }, "SELECT colour, uses FROM tint ORDER BY uses DESC, colour")
	if err != nil {
		return err
	}
	// the rarest of very many are left out: they would take long and change little
	const mostTints = 20000
	n := map[string]int{}
	for _, t := range tints[:min(mostTints, len(tints))] {
		n[colour.Name(untint(t.tint))] += int(t.n)
	}
	for name, k := range n {
		s.Colours = append(s.Colours, Count{name, k})
	}
	sort.Slice(s.Colours, func(i, j int) bool {
		return s.Colours[i].N > s.Colours[j].N || s.Colours[i].N == s.Colours[j].N && s.Colours[i].Name < s.Colours[j].Name
	})
	s.Colours = s.Colours[:min(mostBars, len(s.Colours))]
	return nil
}

// Text is the statistics in a few lines.
func (s *Statistics) Text() string {
	var b strings.Builder
	line := func(name string, c []Count) {
		var parts []string
		for _, k := range c {
			parts = append(parts, fmt.Sprintf("%s %d", k.Name, k.N))
		}
		if len(parts) > 0 {
			fmt.Fprintf(&b, "%-10s %s\n", name, strings.Join(parts, ", "))
		}
	}
	fmt.Fprintf(&b, "%-10s %d\n", "items", s.Items)
	line("kinds", s.Kinds)
	line("states", s.States)
	for _, p := range s.Places {
		fmt.Fprintf(&b, "%-10s %s: delivered %d, accepted %d, refused %d, sold %d\n", "place", Printable(p.Place, 40), p.Delivered, p.Accepted, p.Refused, p.Sold)
	}
	fmt.Fprintf(&b, "%-10s %d out of date, %d gone, %d drawings without title, %d without keywords\n", "to do", s.Outdated, s.Gone, s.Untitled, s.Wordless)
	return b.String()
}

//go:embed statistics.html
var pageText string

var page = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("statistics").Funcs(template.FuncMap{"bars": bars, "columns": columnChart}).Parse(pageText))
})

// WritePage writes the statistics as one page of HTML that needs nothing else: its plots are drawn in it.
func (s *Statistics) WritePage(w io.Writer) error { return page().Execute(w, s) }

// bar is one bar of a plot, in the plot's own units.
type bar struct {
	Label, Short  string
	N             int
	X, Y, W, H    float64
	Middle, Value float64
	Fill          string // CSS colour, "" for the plot's own
}

// plot is a bar plot.
type plot struct {
	Title         string
	Width, Height float64
	Bars          []bar
	Ticks         []tick
	Total         int
}

type tick struct {
	At float64
	N  int
}

// Sizes of plots in px.
const (
	barRow     = 22.0
	barLabel   = 190.0
	barLength  = 380.0
	plotWidth  = 640.0
	plotHeight = 220.0
	plotFoot   = 26.0
)

// bars lays out lying bars, one a line, for lists of names. Colour names show their colours.
func bars(title string, counts []Count) plot {
	p := plot{Title: title, Width: plotWidth, Height: barRow*float64(len(counts)) + 4}
	most := 1
	for _, c := range counts {
		most = max(most, c.N)
		p.Total += c.N
	}
	for i, c := range counts {
		b := bar{Label: c.Name, Short: Printable(c.Name, 26), N: c.N, X: barLabel, Y: barRow*float64(i) + 3, H: barRow - 6,
			W: math.Round(10*barLength*float64(c.N)/float64(most)) / 10}
		b.Middle, b.Value = b.Y+b.H/2, b.X+b.W+6
		if rgb, ok := colour.Named(c.Name); ok && title == "Colours" {
			b.Fill = rgb.Hex()
		}
		p.Bars = append(p.Bars, b)
	}
	return p
}

// columnChart lays out standing bars over a scale, for what has an order: months, sizes.
func columnChart(title string, counts []Count) plot {
	p := plot{Title: title, Width: plotWidth, Height: plotHeight}
	most := 1
	for _, c := range counts {
		most = max(most, c.N)
		p.Total += c.N
	}
	unit := roundStep(most)
	top := float64((most + unit - 1) / unit * unit)
	const left, head = 46.0, 14.0
	high := plotHeight - plotFoot - head
	for n := 0; float64(n) <= top; n += unit {
		p.Ticks = append(p.Ticks, tick{math.Round(10*(head+high-high*float64(n)/top)) / 10, n})
	}
	wide := (plotWidth - left) / float64(max(len(counts), 1))
	every := int(math.Ceil(64 / wide)) // labels must not run into each other
	for i, c := range counts {
		h := math.Round(10*high*float64(c.N)/top) / 10
		b := bar{Label: c.Name, N: c.N, W: math.Round(10*min(wide*0.8, 56)) / 10, H: h, Y: math.Round(10*(head+high-h)) / 10}
		b.Middle = math.Round(10*(left+wide*(float64(i)+0.5))) / 10
		b.X = b.Middle - b.W/2
		if i%every == 0 {
			b.Short = c.Name
		}
		p.Bars = append(p.Bars, b)
	}
	return p
}

// roundStep is a step of 1, 2 or 5 times a power of ten that parts most into at most five.
func roundStep(most int) int {
	for unit := 1; ; unit *= 10 {
		for _, k := range []int{1, 2, 5} {
			if most <= 5*k*unit {
				return k * unit
			}
		}
	}
}
