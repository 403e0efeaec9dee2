package demo

import (
	"fmt"
	"slices"
	"strings"

	"pochoir/quantize/colour"
)

// Colourway is another set of colours for the harbour pictures.
type Colourway struct {
	Name string
	dyes map[string]colour.RGB // by name in the paint box
}

// Colourways lists those that go with the pictures.
func Colourways() []Colourway {
	return []Colourway{
		{"dusk", map[string]colour.RGB{
			"ink": {R: 0x23, G: 0x1a, B: 0x3d}, "night": {R: 0x4b, G: 0x3a, B: 0x72}, "sea": {R: 0x5d, G: 0x5a, B: 0x9e},
			"shallow": {R: 0x9d, G: 0x8f, B: 0xc4}, "foam": {R: 0xe3, G: 0xd7, B: 0xee}, "red": {R: 0xc2, G: 0x3b, B: 0x5e},
			"rust": {R: 0x86, G: 0x28, B: 0x4d}, "lamp": {R: 0xff, G: 0xc8, B: 0x57}, "flame": {R: 0xf7, G: 0x7f, B: 0x4f},
			"glow": {R: 0xff, G: 0xe5, B: 0xc4}, "sand": {R: 0xd9, G: 0xb3, B: 0xa6}, "rope": {R: 0xb5, G: 0x80, B: 0x6a},
			"wood": {R: 0x6e, G: 0x45, B: 0x4a}, "steel": {R: 0x86, G: 0x86, B: 0xa8}, "cloud": {R: 0xcf, G: 0xc9, B: 0xdf},
		}},
		{"fog", map[string]colour.RGB{
			"ink": {R: 0x2c, G: 0x33, B: 0x3a}, "night": {R: 0x51, G: 0x60, B: 0x6c}, "sea": {R: 0x5f, G: 0x82, B: 0x86},
			"shallow": {R: 0x9f, G: 0xb8, B: 0xb6}, "foam": {R: 0xdd, G: 0xe6, B: 0xe4}, "red": {R: 0xb0, G: 0x6a, B: 0x5f},
			"rust": {R: 0x7f, G: 0x52, B: 0x4c}, "lamp": {R: 0xd8, G: 0xb7, B: 0x77}, "flame": {R: 0xc7, G: 0x8f, B: 0x63},
			"glow": {R: 0xf1, G: 0xea, B: 0xda}, "sand": {R: 0xd3, G: 0xc8, B: 0xb3}, "rope": {R: 0xa8, G: 0x95, B: 0x78},
			"wood": {R: 0x73, G: 0x65, B: 0x5a}, "steel": {R: 0x93, G: 0x9d, B: 0xa4}, "cloud": {R: 0xc9, G: 0xcf, B: 0xd3},
		}},
	}
}

// Text writes a colourway as a file of swatches, named as layers of traced pictures are.
func (c Colourway) Text() string {
	var lines []string
	for name, dye := range c.dyes {
		layer := name
		if name != "ink" {
			layer = colour.Name(paintBox[name])
		}
		lines = append(lines, fmt.Sprintf("%s %s\n", dye.Hex(), layer))
	}
	slices.SortFunc(lines, func(a, b string) int { return strings.Compare(a[len("#000000 "):], b[len("#000000 "):]) })
	return strings.Join(lines, "")
}
