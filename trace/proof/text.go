package proof

import (
	"fmt"
	"strings"
)

// Text returns the figures in words, a line each, for a person to read.
func (f Figures) Text() string {
	var b strings.Builder
	line := func(name, format string, a ...any) {
		fmt.Fprintf(&b, "%-10s %s\n", name, fmt.Sprintf(format, a...))
	}
	line("picture", "%d x %d px, on %s", f.Width, f.Height, f.Ground)
	line("drawing", "%d layers, %d shapes, %d segments", len(f.Layers), f.Shapes, f.Segments)
	line("coverage", "%.2f %% of the picture is explained", 100*f.Coverage)
	line("colour", "mean difference %.2f, 95 of 100 pixels within %.1f, worst %.1f at %s", f.Colour.Mean, f.Colour.P95, f.Colour.Worst, f.Colour.At)
	if d := f.Deviation; d.Measured > 0 {
		line("deviation", "mean %.3f px, median %.3f, 95 of 100 within %.3f, worst %.2f at %s (%s)", d.Mean, d.Median, d.P95, d.Worst, d.At, d.Layer)
		line("", "the picture's areas reach %+.3f px beyond the outlines on average", d.Bias)
	} else {
		line("deviation", "nowhere to measure it")
	}
	line("", "%d places measured, %d unclear, %d where the picture has no edge%s",
		f.Deviation.Measured, f.Deviation.Unclear, f.Deviation.Unmatched, where(f.Deviation.Unmatched > 0, f.Deviation.UnmatchedAt))
	line("missed", "%.2f %% of the picture's edges, %.0f px%s", 100*f.Missed.Share, f.Missed.Length, where(f.Missed.Length > 0, f.Missed.At))
	for _, l := range f.Layers {
		seen := "too thin to tell its colour"
		if l.Picture != "" {
			seen = fmt.Sprintf("%s in the picture, difference %.2f", l.Picture, l.Difference)
		}
		line("layer", "%s %s, %.2f %% of the area, %s", l.Colour, l.Name, 100*l.Share, seen)
	}
	return b.String()
}

// String returns the place in whole pixels.
func (p Place) String() string { return fmt.Sprintf("(%.0f, %.0f)", p.X, p.Y) }

func where(there bool, p Place) string {
	if !there {
		return ""
	}
	return ", as at " + p.String()
}
