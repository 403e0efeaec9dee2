package check

import (
	"image"
	"math"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
	"pochoir/trace"
	"pochoir/trace/proof"
)

// This file mends hairlines as a printer traps colours: the outline of the lower shape is moved outwards along the hairline,
// so that the shape runs on beneath the upper one. What it would change is rendered and looked at first.

const (
	carryShare = 1.4e-3 // of the diagonal: how far the lower shape is carried on at first (1 unit in 724), then half, a quarter
	carryTries = 3
	carryGap   = 3                  // pixels between parts of a hairline that are mended as one
	carryNear  = 5                  // pixels along an outline within which there are some of a hairline, where it is moved,
	carryFew   = 5                  // and how many: of those that it runs across there are fewer
	carrySeen  = 1.6                // pixels from those of a hairline within which colours may change
	carryLeast = 0.2                // share of a hairline's pixels that may be left
	carryWorth = 0.08               // share of its pixels that an outline must be near to, and that moving it must take away
	carrySame  = 255 - hairSeen + 1 // 8-bit levels by which other pixels may change: where a gap in a hairline is filled
	carryMost  = 72                 // and by which those of the hairline may: a quarter, and the error of eight bits
)

// carry mends hairlines.
func (m *mender) carry() {
	if !m.on("hairline") {
		return
	}
	for _, run := range hairlines(areasIn(m.d), m.d.Width, m.d.Height, carryGap) {
		if m.carryUnder(run) {
			m.note("hairline", 1)
		}
	}
}

// carryUnder mends one hairline and reports whether it could.
func (m *mender) carryUnder(run hairRun) bool {
	px := 1 / hairScale(m.d.Width, m.d.Height)
	most := carryShare * m.diag
	view := survey.Box{MinX: run.box.MinX - most - 6*px, MinY: run.box.MinY - most - 6*px, MaxX: run.box.MaxX + most + 6*px, MaxY: run.box.MaxY + most + 6*px}
	near, seen := nearPixels(run.pixels, carryNear*px, carrySeen*px, carryFew), nearPixels(run.pixels, carrySeen*px, carrySeen*px, 1)
	// the shapes along the hairline, from the lowest; the uppermost runs beneath none
	var along [][2]int
	for i := range m.d.Layers {
		for j, s := range m.d.Layers[i].Shapes {
			if boxOf(s).Meets(view) && touched(s, run.pixels, carrySeen*px) > carryWorth {
				along = append(along, [2]int{i, j})
			}
		}
	}
	if len(along) < 2 {
		return false
	}
	before := m.part(view)
	_, hairs := hairMask(before)
	left := hairs
	for _, at := range along[:len(along)-1] {
		shape := &m.d.Layers[at[0]].Shapes[at[1]]
		was, done := shape.Rings, false
		for try, by := 0, most; try < carryTries && !done; try, by = try+1, by/2 {
			moved := carried(was, near, by, px, thinShare*m.diag)
			if moved == nil {
				continue
			}
			shape.Rings = moved
			after := m.part(view)
			_, n := hairMask(after)
			if done = float64(left-n) > carryWorth*float64(hairs) && m.same(before, after, view, seen); done {
				left = n
			}
		}
		if !done {
			shape.Rings = was
		}
	}
	return float64(left) <= carryLeast*float64(hairs)
}

// united parts a ring that crosses itself because sides of a narrow notch or hole have been moved past each other, and
// leaves out what is covered twice, areas narrower than thin and holes narrower than by, the ends of such notches. outer tells
// an outline from a hole; it returns nil where the ring cannot be parted.
func united(r fit.Path, outer, positive bool, thin, by float64) []fit.Path {
	if len(fit.Crossings(r)) == 0 {
		return []fit.Path{r}
	}
	loops := fit.Uncross(closed(r))
	var out []fit.Path
	for i, l := range loops {
		fills := (l.Area() > 0) == positive // else it is a hole
		length := 0.0
		for _, g := range l.Segments {
			length += g.Length()
		}
		width := 2 * math.Abs(l.Area()) / length
		twice := fills && !outer || width < thin || outer && !fills && width < by
		for k, o := range loops {
			twice = twice || fills && k != i && (o.Area() > 0) == positive && math.Abs(o.Area()) > math.Abs(l.Area()) &&
				mostlyInside(flatten(o, nil, flatness(survey.BoxOf(o))), l)
		}
		if !twice {
			out = append(out, l)
		}
	}
	return out
}

// boxOf is the box around a shape.
func boxOf(s trace.Shape) survey.Box {
	box := survey.NoBox()
	for _, r := range s.Rings {
		box = box.Union(survey.BoxOf(r))
	}
	return box
}

// nearPixels returns whether least of the pixels lie near a point: up to ahead along a direction of unit length, either way,
// and up to aside across it.
func nearPixels(pixels []fit.Point, ahead, aside float64, least int) func(p, along fit.Point) bool {
	type cell struct{ x, y int }
	size := ahead + aside
	at := func(p fit.Point) cell { return cell{int(math.Floor(p.X / size)), int(math.Floor(p.Y / size))} }
	cells := map[cell][]fit.Point{}
	for _, p := range pixels {
		cells[at(p)] = append(cells[at(p)], p)
	}
	return func(p, along fit.Point) bool {
		c, n := at(p), 0
		for dx := -1; dx <= 1; dx++ {
			for dy := -1; dy <= 1; dy++ {
				for _, q := range cells[cell{c.x + dx, c.y + dy}] {
					if d := q.Sub(p); math.Abs(d.Dot(along)) <= ahead && math.Abs(d.Cross(along)) <= aside {
						if n++; n == least {
							return true
						}
					}
				}
			}
		}
		return false
	}
}

// touched is the share of the pixels within reach of a shape's outline.
func touched(s trace.Shape, pixels []fit.Point, reach float64) float64 {
	var outline []fit.Point
	for _, r := range s.Rings {
		for _, seg := range r.Segments {
			n := max(1, int(math.Ceil(2*seg.Length()/reach)))
			for i := range n {
				outline = append(outline, seg.At(float64(i)/float64(n)))
			}
		}
	}
	near := nearPixels(outline, 1.25*reach, 1.25*reach, 1) // half a step farther
	n := 0
	for _, p := range pixels {
		if near(p, fit.Point{X: 1}) {
			n++
		}
	}
	return float64(n) / float64(len(pixels))
}

// part renders what lies in a box, at the scale at which hairlines are looked for.
func (m *mender) part(view survey.Box) *image.RGBA {
	d := &trace.Drawing{Width: view.Width(), Height: view.Height()}
	corner := fit.Point{X: view.MinX, Y: view.MinY}
	for _, l := range m.d.Layers {
		out := trace.Layer{Colour: l.Colour}
		for _, s := range l.Shapes {
			if box := boxOf(s); !box.Meets(view) {
				continue
			}
			var moved trace.Shape
			for _, r := range s.Rings {
				p := fit.Path{Segments: append([]fit.Segment(nil), r.Segments...), Closed: r.Closed}
				for i := range p.Segments {
					for k := range p.Segments[i].P {
						p.Segments[i].P[k] = p.Segments[i].P[k].Sub(corner)
					}
				}
				moved.Rings = append(moved.Rings, p)
			}
			out.Shapes = append(out.Shapes, moved)
		}
		d.Layers = append(d.Layers, out)
	}
	return proof.Render(d, hairScale(m.d.Width, m.d.Height), nil)
}

// same reports whether two renderings of a box agree but for the pixels near a hairline, and these as far as a hairline goes.
func (m *mender) same(a, b *image.RGBA, view survey.Box, near func(p, along fit.Point) bool) bool {
	scale := hairScale(m.d.Width, m.d.Height)
	for y := range a.Rect.Dy() {
		for x := range a.Rect.Dx() {
			i := y*a.Stride + 4*x
			differ := 0
			for k := range 4 {
				d := int(a.Pix[i+k]) - int(b.Pix[i+k])
				differ = max(differ, d, -d)
			}
			if differ > carryMost ||
				differ > carrySame && !near(fit.Point{X: view.MinX + (float64(x)+0.5)/scale, Y: view.MinY + (float64(y)+0.5)/scale}, fit.Point{X: 1}) {
				return false
			}
		}
	}
	return true
}

// carried moves the outlines outwards by that many units where they run near the hairline; px is the length of a step;
// loops narrower than thin that this makes are left out. It returns nil where no outlines come of it.
func carried(rings []fit.Path, near func(p, along fit.Point) bool, by, px, thin float64) []fit.Path {
	var out []fit.Path
	for n, r := range rings {
		side := by // to the right of the direction, where y points down; the area lies to the other side
		if (r.Area() > 0) == (n == 0) {
			side = -by
		}
		pieces, along := piecesAlong(r, near, px, int(math.Ceil(by/px)))
		for i, s := range pieces {
			if along[i] {
				a, b := tangent(s, 0).Perp().Mul(side), tangent(s, 1).Perp().Mul(side)
				s.P[0], s.P[1], s.P[2], s.P[3] = s.P[0].Add(a), s.P[1].Add(a), s.P[2].Add(b), s.P[3].Add(b)
			}
			pieces[i] = s
		}
		var joined []fit.Segment
		for i, s := range pieces {
			joined = append(joined, s)
			if next := pieces[(i+1)%len(pieces)].P[0]; next != s.P[3] {
				joined = append(joined, fit.LineTo(s.P[3], next))
			}
		}
		loops := united(fit.Path{Segments: joined, Closed: true}, n == 0, rings[0].Area() > 0, thin, by)
		if loops == nil {
			return nil
		}
		out = append(out, loops...)
	}
	return out
}

// piecesAlong cuts a ring into pieces that run along the hairline and others. The last spare steps of px before an end of the
// hairline count to the others: what is moved there might stand out beside the upper shape.
func piecesAlong(r fit.Path, near func(p, along fit.Point) bool, px float64, spare int) (pieces []fit.Segment, along []bool) {
	var is []bool // by steps
	steps := make([]int, len(r.Segments))
	for k, s := range r.Segments {
		steps[k] = max(1, int(math.Ceil(s.Length()/px)))
		for i := range steps[k] {
			t := (float64(i) + 0.5) / float64(steps[k])
			is = append(is, near(s.At(t), tangent(s, t)))
		}
	}
	kept := make([]bool, len(is))
	for i := range is {
		kept[i] = is[i]
		for d := -spare; d <= spare && kept[i]; d++ {
			kept[i] = is[((i+d)%len(is)+len(is))%len(is)]
		}
	}
	first := 0
	for k, s := range r.Segments {
		from := 0
		for i := 1; i <= steps[k]; i++ {
			if i < steps[k] && kept[first+i] == kept[first+from] {
				continue
			}
			piece := s
			if from > 0 || i < steps[k] {
				piece = s.Sub(float64(from)/float64(steps[k]), float64(i)/float64(steps[k]))
			}
			pieces, along = append(pieces, piece), append(along, kept[first+from])
			from = i
		}
		first += steps[k]
	}
	return pieces, along
}

// tangent is the unit tangent of a segment.
func tangent(s fit.Segment, t float64) fit.Point {
	d := s.Deriv(t)
	if d.Len() == 0 {
		d = s.P[3].Sub(s.P[0])
	}
	return d.Unit()
}
