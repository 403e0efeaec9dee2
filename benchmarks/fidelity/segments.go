package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"regexp"
	"strings"
)

// artistSegments counts the segments an artist's file is made of: lines and curves of filled outlines, four for a
// rectangle, a circle or an ellipse. It is 0 for a file that strokes, clips or repeats shapes, since what such a file
// shows has other outlines than it holds.
func artistSegments(src []byte) (int, error) {
	total := 0
	for dec := xml.NewDecoder(bytes.NewReader(src)); ; {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return total, nil
		}
		if err != nil {
			return 0, err
		}
		e, ok := token.(xml.StartElement)
		if !ok {
			continue
		}
		attr := map[string]string{}
		for _, a := range e.Attr {
			attr[a.Name.Local] = a.Value
		}
		if s, ok := attr["stroke"]; ok && s != "none" || strings.Contains(attr["style"], "stroke:") {
			return 0, nil
		}
		switch e.Name.Local {
		case "path":
			total += pathSegments(attr["d"])
		case "polygon":
			total += len(number.FindAllString(attr["points"], -1)) / 2
		case "rect", "circle", "ellipse":
			total += 4
		case "use", "clipPath", "mask", "line", "polyline", "text", "image", "style", "linearGradient", "radialGradient":
			return 0, nil
		}
	}
}

var (
	command = regexp.MustCompile(`[a-zA-Z][^a-zA-Z]*`)
	number  = regexp.MustCompile(`[-+]?(\d+\.?\d*|\.\d+)`)
)

// operands is how many numbers a command of path data takes (SVG 1.1, section 8.3), the arc aside.
var operands = map[byte]int{'l': 2, 'h': 1, 'v': 1, 'c': 6, 's': 4, 'q': 4, 't': 2}

// pathSegments counts lines and curves of path data.
func pathSegments(d string) int {
	n := 0
	for _, c := range command.FindAllString(d, -1) {
		letter := c[0] | 0x20
		switch letter {
		case 'z':
		case 'a':
			n += len(arc.FindAllString(c[1:], -1))
		case 'm':
			n += len(number.FindAllString(c[1:], -1))/2 - 1 // the first pair only moves
		default:
			if k := operands[letter]; k > 0 {
				n += len(number.FindAllString(c[1:], -1)) / k
			}
		}
	}
	return n
}

// arc is one set of an arc's numbers: radii, turn, two flags of one digit that may run together, and an end.
var arc = regexp.MustCompile(`[-+]?(\d+\.?\d*|\.\d+)[\s,]*[-+]?(\d+\.?\d*|\.\d+)[\s,]*[-+]?(\d+\.?\d*|\.\d+)[\s,]*[01][\s,]*[01][\s,]*[-+]?(\d+\.?\d*|\.\d+)[\s,]*[-+]?(\d+\.?\d*|\.\d+)`)
