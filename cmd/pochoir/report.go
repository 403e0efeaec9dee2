package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/trace"
)

// report is what the trace command says of one page.
type report struct {
	source        string
	page, pages   int // page counts from 0
	recipe        string
	output        string
	bytes         int64
	width, height int // px of the picture
	format        string
	result        *trace.Result
	stages        []trace.StageTime
}

// stage notes how long a stage took.
func (r *report) stage(name string, took time.Duration) {
	r.stages = append(r.stages, trace.StageTime{Name: name, Took: took})
}

// title names the page.
func (r *report) title() string {
	if r.pages > 1 {
		return fmt.Sprintf("%s page %d", r.source, r.page+1)
	}
	return r.source
}

// line is the report on one of many pictures.
func (r *report) line() string {
	p := &r.result.Report
	return fmt.Sprintf("%s -> %s: %s %s, %d colours, %d shapes, %d segments, deviation %s px (worst %s), %s\n", r.title(), r.output,
		p.Kind, recipe.MediumWord(p.Medium), p.Layers, p.Shapes, p.Segments, px(p.Mean), px(p.Worst), short(r.total()))
}

// lineWidth is how wide the report may be, in characters.
const lineWidth = 88

// screen is the report on a single picture.
func (r *report) screen() string {
	p := &r.result.Report
	var b strings.Builder
	row := func(name, text string) { fmt.Fprintf(&b, "  %-10s %s\n", name, text) }
	fmt.Fprintf(&b, "%s -> %s\n", r.title(), r.output)
	row("picture", fmt.Sprintf("%s, %d x %d px, %s, %s", strings.ToUpper(r.format), r.width, r.height, p.Kind, recipe.MediumWord(p.Medium)))
	for i, l := range r.palette() {
		row([]string{"palette", ""}[min(i, 1)], l)
	}
	row("drawing", fmt.Sprintf("%d layers, %d shapes, %d segments, %s", p.Layers, p.Shapes, p.Segments, size(r.bytes)))
	row("deviation", fmt.Sprintf("mean %s px, worst %s px at %.0f,%.0f; tolerance %s px", px(p.Mean), px(p.Worst), p.WorstAt.X, p.WorstAt.Y, px(p.Tolerance)))
	if len(p.Flats) > 0 {
		white := 0
		for _, f := range p.Flats {
			if !f.Chosen {
				white++
			}
		}
		row("flats", fmt.Sprintf("%d, %d of them still white; breaks up to %s px bridged", len(p.Flats), white, px(p.Gap)))
	}
	if p.Dust > 0 {
		row("dust", fmt.Sprintf("%d specks dissolved", p.Dust))
	}
	if r.recipe != "" {
		row("recipe", r.recipe)
	}
	for _, n := range p.Notes {
		row("sheet", n)
	}
	if s := p.Paper; s != nil {
		row("measured", fmt.Sprintf("noise %.1f levels, blur %.2f px, light %.2f to 1", s.Noise, s.Blur, s.LightRange))
		row("homography", numbers(s.Homography[:]))
	}
	var times []string
	for _, s := range r.stages {
		times = append(times, s.Name+" "+short(s.Took))
	}
	row("time", short(r.total())+": "+strings.Join(times, ", "))
	return b.String()
}

// numbers writes a matrix of three columns in one line.
func numbers(v []float64) string {
	var b strings.Builder
	for i, x := range v {
		if i > 0 {
			b.WriteString([]string{"; ", " ", " "}[i%3])
		}
		fmt.Fprintf(&b, "%.5g", x)
	}
	return b.String()
}

// palette lists the swatches, several a line.
func (r *report) palette() []string {
	var lines []string
	line := ""
	for i, s := range r.result.Report.Palette {
		word := s.Name + " " + s.Colour.Hex()
		if i == r.result.Report.Ground {
			word += " (paper, dropped)"
		}
		if line != "" && len(line)+len(word) > lineWidth-len("             , ") {
			lines = append(lines, line+",")
			line = ""
		}
		if line != "" {
			line += ", "
		}
		line += word
	}
	return append(lines, line)
}

// total is the time of all stages.
func (r *report) total() time.Duration {
	var sum time.Duration
	for _, s := range r.stages {
		sum += s.Took
	}
	return sum
}

// px writes a length of some hundredths of a pixel.
func px(v float64) string { return fmt.Sprintf("%.3g", math.Round(v*1000)/1000) }

// short writes a time in two or three digits.
func short(d time.Duration) string {
	switch {
	case d < 10*time.Millisecond:
		return fmt.Sprintf("%.1f ms", d.Seconds()*1e3)
	case d < time.Second:
		return fmt.Sprintf("%.0f ms", d.Seconds()*1e3)
	}
	return fmt.Sprintf("%.1f s", d.Seconds())
}

// size writes a number of bytes.
func size(n int64) string {
	switch {
	case n < 1000:
		return fmt.Sprintf("%d bytes", n)
	case n < 1e6:
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}

// writeJSON writes the report as one line of JSON. Lengths are in pixels, times in seconds; pages count from 1.
func (r *report) writeJSON(w io.Writer) error {
	type swatch struct {
		Name   string `json:"name"`
		Colour string `json:"colour"`
		Ground bool   `json:"ground,omitempty"`
	}
	type stage struct {
		Name    string  `json:"name"`
		Seconds float64 `json:"seconds"`
	}
	type sheet struct {
		Straightened bool       `json:"straightened"`
		Proportion   string     `json:"proportion,omitempty"`
		Width        int        `json:"width"`
		Height       int        `json:"height"`
		Homography   [9]float64 `json:"homography"` // rows, from px of the picture to px of the sheet
		Noise        float64    `json:"noise"`      // 8-bit levels
		Blur         float64    `json:"blur"`       // px
		LightRange   float64    `json:"light_range"`
		Shadow       bool       `json:"shadow"`
	}
	p := &r.result.Report
	var onPaper *sheet
	if s := p.Paper; s != nil {
		onPaper = &sheet{s.Straightened, s.Proportion, s.Width, s.Height, s.Homography, s.Noise, s.Blur, s.LightRange, s.ShadowFound}
	}
	type flat struct {
		ID     string     `json:"id"`
		Layer  string     `json:"layer"`
		At     [2]float64 `json:"at"` // a place well inside, px of the sheet
		Area   int        `json:"area"`
		Chosen bool       `json:"chosen"` // by place, paint or suggestion
	}
	var flats []flat
	for _, f := range p.Flats {
		flats = append(flats, flat{f.ID, f.Layer, [2]float64{f.At.X, f.At.Y}, f.Area, f.Chosen})
	}
	swatches := []swatch{}
	for i, s := range p.Palette {
		swatches = append(swatches, swatch{s.Name, s.Colour.Hex(), i == p.Ground})
	}
	stages := []stage{}
	for _, s := range r.stages {
		stages = append(stages, stage{s.Name, s.Took.Seconds()})
	}
	notes := p.Notes
	if notes == nil {
		notes = []string{}
	}
	return json.NewEncoder(w).Encode(struct {
		Source    string     `json:"source"`
		Page      int        `json:"page"`
		Output    string     `json:"output"`
		Recipe    string     `json:"recipe,omitempty"`
		Format    string     `json:"format"`
		Width     int        `json:"width"`
		Height    int        `json:"height"`
		Kind      string     `json:"kind"`
		Medium    string     `json:"medium"`
		Palette   []swatch   `json:"palette"`
		Layers    int        `json:"layers"`
		Shapes    int        `json:"shapes"`
		Segments  int        `json:"segments"`
		Bytes     int64      `json:"bytes"`
		Dust      int        `json:"dust"`
		Worst     float64    `json:"worst"`
		WorstAt   [2]float64 `json:"worst_at"`
		Mean      float64    `json:"mean"`
		EdgeNoise float64    `json:"edge_noise"`
		Tolerance float64    `json:"tolerance"`
		Sheet     *sheet     `json:"sheet,omitempty"`
		Flats     []flat     `json:"flats,omitempty"`
		Gap       float64    `json:"gap,omitempty"`
		Notes     []string   `json:"notes"`
		Stages    []stage    `json:"stages"`
	}{r.source, r.page + 1, r.output, r.recipe, r.format, r.width, r.height, p.Kind.String(), recipe.MediumWord(p.Medium),
		swatches, p.Layers, p.Shapes, p.Segments, r.bytes, p.Dust, p.Worst, [2]float64{p.WorstAt.X, p.WorstAt.Y}, p.Mean,
		p.EdgeNoise, p.Tolerance, onPaper, flats, p.Gap, notes, stages})
}
