package check

import (
	"math"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// area is one connected filled outline, an outer ring and its holes: what the quality rules look at, whether it comes
// from a file or from a drawing.
type area struct {
	rings  []fit.Path // outer ring first
	size   float64    // units²
	box    survey.Box
	colour colour.RGB
	solid  bool // opaque and of one colour: hides what lies below
	mark   int  // index of the mark, or of the layer, it comes from
	shape  int  // index of the shape in its layer
}

// perimeter of all rings, in units.
func (a *area) perimeter() float64 {
	sum := 0.0
	for _, r := range a.rings {
		for _, s := range r.Segments {
			sum += s.Length()
		}
	}
	return sum
}

// width is the mean width of the area, 2·area/perimeter: that of a long strip exactly.
func (a *area) width() float64 {
	p := a.perimeter()
	if p == 0 {
		return 0
	}
	return 2 * a.size / p
}

// areasOf splits the closed outlines of a mark into connected areas. Rings are nested by containment; every second
// level is a hole, except that by the non-zero rule a ring that runs with its container is no hole.
func areasOf(m *survey.Mark, index int) []area {
	type ring struct {
		path  fit.Path
		poly  []fit.Point
		box   survey.Box
		area  float64
		outer int // index of the smallest ring around it, -1 if none
	}
	var rings []ring
	for _, s := range m.Subpaths {
		if len(s.Path.Segments) == 0 {
			continue
		}
		p := closed(s.Path)
		rings = append(rings, ring{p, flatten(p, nil, flatness(survey.BoxOf(p))), survey.BoxOf(p), p.Area(), -1})
	}
	for i := range rings {
		for j := range rings {
			if i == j || !rings[j].box.Meets(rings[i].box) || math.Abs(rings[j].area) <= math.Abs(rings[i].area) {
				continue
			}
			if mostlyInside(rings[j].poly, rings[i].path) && (rings[i].outer < 0 || math.Abs(rings[j].area) < math.Abs(rings[rings[i].outer].area)) {
				rings[i].outer = j
			}
		}
	}
	depth := func(i int) int {
		d := 0
		for k := rings[i].outer; k >= 0; k = rings[k].outer {
			d++
		}
		return d
	}
	solid := m.Fill == survey.Flat && m.FillAlpha*m.Opacity >= 1
	owner := make([]int, len(rings)) // index in out
	var out []area
	hole := make([]bool, len(rings))
	for i, r := range rings {
		hole[i] = depth(i)%2 == 1
		if hole[i] && !m.EvenOdd && r.area*rings[r.outer].area > 0 {
			hole[i] = false
		}
		if !hole[i] {
			owner[i] = len(out)
			out = append(out, area{rings: []fit.Path{r.path}, size: math.Abs(r.area), box: r.box, colour: m.FillColour, solid: solid,
				mark: index})
		}
	}
	for i, r := range rings {
		if hole[i] && !hole[r.outer] {
			a := &out[owner[r.outer]]
			a.rings = append(a.rings, r.path)
			a.size -= math.Abs(r.area)
		}
	}
	return out
}

// mostlyInside reports whether most of a ring lies in a polygon, judged in the middles of up to nine segments: at their
// ends rings may touch.
func mostlyInside(poly []fit.Point, r fit.Path) bool {
	const most = 9
	n, in := min(most, len(r.Segments)), 0
	for k := range n {
		if inside(poly, r.Segments[k*len(r.Segments)/n].At(0.5)) {
			in++
		}
	}
	return 2*in > n
}

// areasIn returns the shapes of a drawing.
func areasIn(d *trace.Drawing) []area {
	var out []area
	for i, l := range d.Layers {
		for j, s := range l.Shapes {
			a := area{rings: s.Rings, box: survey.NoBox(), colour: l.Colour, solid: true, mark: i, shape: j}
			for _, r := range s.Rings {
				a.size += r.Area()
				a.box = a.box.Union(survey.BoxOf(r))
			}
			a.size = math.Abs(a.size)
			out = append(out, a)
		}
	}
	return out
}

// closed returns p with a line back to its start where it is open.
func closed(p fit.Path) fit.Path {
	n := len(p.Segments)
	a, b := p.Segments[0].P[0], p.Segments[n-1].P[3]
	if a == b {
		return fit.Path{Segments: p.Segments, Closed: true}
	}
	segs := append(p.Segments[:n:n], fit.LineTo(b, a))
	return fit.Path{Segments: segs, Closed: true}
}

// flatness is the chord error for judging a ring: a thousandth of its size.
func flatness(b survey.Box) float64 { return math.Max(math.Hypot(b.Width(), b.Height())/1000, 1e-9) }

// flatten appends the corners of a polygon within tol of a ring to dst. A cubic cut into n equal parts is off by at most
// max|P″|/(8n²) (the error bound of linear interpolation; P″ is linear, so its largest values are at the ends).
func flatten(p fit.Path, dst []fit.Point, tol float64) []fit.Point {
	const mostParts = 64
	for _, s := range p.Segments {
		n := 1
		if !s.Line {
			bend := math.Max(s.Deriv2(0).Len(), s.Deriv2(1).Len())
			n = min(mostParts, max(1, int(math.Ceil(math.Sqrt(bend/(8*tol))))))
		}
		dst = append(dst, s.P[0])
		for i := 1; i < n; i++ {
			dst = append(dst, s.At(float64(i)/float64(n)))
		}
	}
	return dst
}

// inside reports whether p lies in a polygon by the even-odd rule.
func inside(poly []fit.Point, p fit.Point) bool {
	in := false
	for i, j := 0, len(poly)-1; i < len(poly); j, i = i, i+1 {
		a, b := poly[i], poly[j]
		if (a.Y > p.Y) != (b.Y > p.Y) && p.X < a.X+(b.X-a.X)*(p.Y-a.Y)/(b.Y-a.Y) {
			in = !in
		}
	}
	return in
}
