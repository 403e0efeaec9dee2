package demo

import (
	"hash/fnv"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
)

// Side is the width and height of every drawing in its own units; at the usual size a unit is a pixel.
const Side = 512

// Kind is one way of drawing an object.
type Kind int

// The three ways.
const (
	Inked Kind = iota // ink over flat colours
	Flat              // flat colours alone
	Ink               // ink alone
)

// Suffix ends the names of drawings of that kind.
func (k Kind) Suffix() string { return [...]string{"", "-flat", "-ink"}[k] }

// sketch is one object before the hand draws it: areas of colour and pulls of the brush.
type sketch struct {
	name   string
	paints []paint // bottom to top
	pulls  []pull  // in the order of drawing
}

// pull is one stroke of ink, or an area that stands before the ink drawn so far and hides it.
type pull struct {
	stroke
	hides []fit.Path
}

// paint is what has one colour.
type paint struct {
	name   string
	colour colour.RGB
	shapes []area
}

// area is an outline with its holes.
type area struct {
	rings    []fit.Path
	flatOnly bool // stands in for a line of ink where there is none
}

// The paint box: few colours, shared by all drawings.
var paintBox = map[string]colour.RGB{
	"ink":     {R: 0x1d, G: 0x24, B: 0x40},
	"night":   {R: 0x2f, G: 0x4a, B: 0x6b},
	"sea":     {R: 0x1a, G: 0x8c, B: 0x8c},
	"shallow": {R: 0x7c, G: 0xc4, B: 0xb8},
	"foam":    {R: 0xd3, G: 0xec, B: 0xe4},
	"red":     {R: 0xd9, G: 0x48, B: 0x34},
	"rust":    {R: 0xa3, G: 0x2f, B: 0x2a},
	"lamp":    {R: 0xf6, G: 0xb9, B: 0x3b},
	"flame":   {R: 0xee, G: 0x83, B: 0x2b},
	"glow":    {R: 0xfd, G: 0xee, B: 0xc8},
	"sand":    {R: 0xe9, G: 0xd1, B: 0xa0},
	"rope":    {R: 0xc9, G: 0x95, B: 0x4c},
	"wood":    {R: 0x84, G: 0x53, B: 0x31},
	"steel":   {R: 0x8f, G: 0xa3, B: 0xb0},
	"cloud":   {R: 0xd5, G: 0xdf, B: 0xe4},
	"white":   {R: 0xff, G: 0xff, B: 0xff},
}

// newSketch starts an object painted in the named colours, bottom to top.
func newSketch(name string, colours ...string) *sketch {
	s := &sketch{name: name}
	for _, c := range colours {
		rgb, ok := paintBox[c]
		if !ok {
			panic("demo: no colour " + c)
		}
		s.paints = append(s.paints, paint{name: c, colour: rgb})
	}
	return s
}

// layer returns the paint of that name.
func (s *sketch) layer(name string) *paint {
	for i := range s.paints {
		if s.paints[i].name == name {
			return &s.paints[i]
		}
	}
	panic("demo: " + s.name + " has no " + name)
}

// fill paints an area with an outline and, after it, its holes.
func (s *sketch) fill(name string, rings ...fit.Path) { s.add(name, false, rings) }

// flat is fill for drawings without ink.
func (s *sketch) flat(name string, rings ...fit.Path) { s.add(name, true, rings) }

func (s *sketch) add(name string, flatOnly bool, rings []fit.Path) {
	p := s.layer(name)
	for i := range rings {
		rings[i] = clockwise(rings[i], i == 0)
	}
	p.shapes = append(p.shapes, area{rings, flatOnly})
}

// ink pulls the brush along lines, with tips.
func (s *sketch) ink(width float64, lines ...fit.Path) {
	for _, l := range lines {
		if l.Closed {
			l = clockwise(l, true)
		}
		s.pulls = append(s.pulls, pull{stroke: stroke{line: l, width: width}})
	}
}

// blunt pulls the brush along lines, with round ends.
func (s *sketch) blunt(width float64, lines ...fit.Path) {
	for _, l := range lines {
		s.pulls = append(s.pulls, pull{stroke: stroke{line: l, width: width, blunt: true}})
	}
}

// cover hides what ink has been drawn so far inside the outlines.
func (s *sketch) cover(outlines ...fit.Path) {
	for _, o := range outlines {
		s.pulls = append(s.pulls, pull{hides: []fit.Path{clockwise(o, true)}})
	}
}

// shape is a closed line through knots, open one that is not closed.
func shape(text string) fit.Path { return curve(parseLine(text), true) }
func open(text string) fit.Path  { return curve(parseLine(text), false) }

// mirror returns p seen in a mirror at x = 256.
func mirror(p fit.Path) fit.Path {
	out := fit.Path{Closed: p.Closed}
	for _, s := range p.Segments {
		for i := range s.P {
			s.P[i].X = Side - s.P[i].X
		}
		out.Segments = append(out.Segments, s)
	}
	return out
}

// band is the area that a brush of even pressure covers along a line.
func band(line fit.Path, width float64) []fit.Path {
	return stroke{line: line, width: width, blunt: true, even: true}.outline(0)
}

// seed is a number of its own for every name.
func seed(name string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(name))
	return h.Sum64() | 1
}

// draw returns the object as the hand draws it in one of the three ways.
func (s *sketch) draw(kind Kind) *trace.Drawing {
	d := &trace.Drawing{Width: Side, Height: Side, Meta: trace.Meta{Title: s.name, Description: "One of the harbour drawings."}}
	wobble := newHand(seed(s.name), 1.7)
	if kind != Ink {
		for _, p := range s.paints {
			l := trace.Layer{Name: p.name, Colour: p.colour}
			var steps []step
			for _, a := range p.shapes {
				if a.flatOnly && kind != Flat {
					continue
				}
				var rings []fit.Path
				for _, r := range a.rings {
					rings = append(rings, wobble.draw(r))
				}
				steps = append(steps, step{rings: rings})
			}
			l.Shapes = merge(steps)
			if len(l.Shapes) > 0 {
				d.Layers = append(d.Layers, l)
			}
		}
	}
	if kind != Flat {
		l := trace.Layer{Name: "ink", Colour: paintBox["ink"]}
		var steps []step
		for i, p := range s.pulls {
			// Ink and paint are not the same pull of the hand: the line strays a little from the edge it follows.
			stray := newHand(seed(s.name)+uint64(2*i+2), 0.45)
			if p.hides != nil {
				steps = append(steps, step{rings: []fit.Path{wobble.draw(p.hides[0])}, away: true})
				continue
			}
			p.line = stray.draw(wobble.draw(p.line))
			steps = append(steps, step{rings: p.outline(float64(i) * 1.7)})
		}
		l.Shapes = merge(steps)
		d.Layers = append(d.Layers, l)
	}
	return d
}
