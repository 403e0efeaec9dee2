// Package colour is the colour science of pochoir: sRGB, linear light, OKLab, CIELAB and CIEDE2000, and the named
// colours of CSS. It imports nothing of the project; every function is safe to call from several goroutines.
package colour

import (
	"fmt"
	"strconv"
)

// RGB is an sRGB colour, 8 bits a channel.
type RGB struct{ R, G, B uint8 }

// Hex returns the colour as "#rrggbb", lower case.
func (c RGB) Hex() string { return fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B) }

// ParseHex reads "#rrggbb" or "#rgb" in either case (CSS Color Module Level 4, section 5.2, without alpha).
func ParseHex(s string) (RGB, error) {
	if len(s) != 7 && len(s) != 4 || s[0] != '#' {
		return RGB{}, fmt.Errorf("colour %q, want #rrggbb", s)
	}
	v, err := strconv.ParseUint(s[1:], 16, 32)
	if err != nil {
		return RGB{}, fmt.Errorf("colour %q, want #rrggbb", s)
	}
	if len(s) == 4 {
		return RGB{uint8(v>>8&15) * 17, uint8(v>>4&15) * 17, uint8(v&15) * 17}, nil
	}
	return RGB{uint8(v >> 16), uint8(v >> 8), uint8(v)}, nil
}
