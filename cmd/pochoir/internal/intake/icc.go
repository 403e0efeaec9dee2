package intake

import (
	"bytes"
	"compress/zlib"
	"io"
	"math"
	"sync"

	"pochoir/quantize/colour"
)

// profile converts pixels of another colour space to sRGB.
type profile struct {
	grey   *[256]uint8     // for a profile of greys: the sRGB level of each stored level
	linear [3][256]float32 // linear light of each stored level, per channel
	matrix [3][3]float32   // linear light of the profile to that of sRGB, both relative to white
}

// parseProfile reads an ICC profile (ICC.1:2010) of three primaries and curves, or of greys. It returns nil where the
// profile is as good as sRGB, and where it is of another kind (tables, inks) or damaged: the picture is then taken for
// sRGB, which is what most programs do.
func parseProfile(b []byte) *profile {
	if len(b) < 132 || string(b[36:40]) != "acsp" || string(b[20:24]) != "XYZ " {
		return nil
	}
	tag := func(name string) []byte {
		n := int(be32(b[128:]))
		for i := range min(n, (len(b)-132)/12) {
			t := b[132+12*i:]
			off, size := int64(be32(t[4:])), int64(be32(t[8:]))
			if string(t[:4]) == name && off+size <= int64(len(b)) {
				return b[off : off+size]
			}
		}
		return nil
	}
	p := &profile{}
	switch string(b[16:20]) {
	case "GRAY":
		curve := parseCurve(tag("kTRC"))
		if curve == nil {
			return nil
		}
		p.grey = new([256]uint8)
		for i := range p.grey {
			p.grey[i] = colour.Byte(colour.FromLinear(curve(float64(i) / 255)))
		}
	case "RGB ":
		var to [3][3]float64 // columns: the primaries in XYZ
		for i, c := range []string{"r", "g", "b"} {
			xyz, curve := tag(c+"XYZ"), parseCurve(tag(c+"TRC"))
			if len(xyz) < 20 || string(xyz[:4]) != "XYZ " || curve == nil {
				return nil
			}
			for j := range 3 {
				to[j][i] = float64(int32(be32(xyz[8+4*j:]))) / 65536
			}
			for l := range 256 {
				p.linear[i][l] = float32(curve(float64(l) / 255))
			}
		}
		for i := range 3 {
			for j := range 3 {
				sum := 0.0
				for k := range 3 {
					sum += float64(xyzToSRGB[i][k] * to[k][j])
				}
				p.matrix[i][j] = float32(sum)
			}
		}
	default:
		return nil
	}
	if p.isSRGB() {
		return nil
	}
	return p
}

// displayP3 returns the conversion from Display P3, for files that name it by number: the curve of sRGB, and linear
// light from the primaries of SMPTE EG 432-1 to those of sRGB, both with the white of D65 (CSS Color Module Level 4
// §10.3; a test derives the matrix).
func displayP3() *profile {
	p := &profile{matrix: [3][3]float32{
		{1.2249402, -0.2249402, 0},
		{-0.0420570, 1.0420570, 0},
		{-0.0196376, -0.0786360, 1.0982736},
	}}
	for i := range p.linear {
		for l := range p.linear[i] {
			p.linear[i][l] = float32(colour.Linear(uint8(l)))
		}
	}
	return p
}

// xyzToSRGB takes XYZ of the profile connection space (D50) to linear sRGB: the inverse of the primaries of IEC
// 61966-2-1, adapted from D65 to D50 by the Bradford transform as ICC.1:2010 annex E has it. Values from B. Lindbloom,
// "RGB/XYZ Matrices"; a test derives them anew.
var xyzToSRGB = [3][3]float64{
	{3.1338561, -1.6168667, -0.4906146},
	{-0.9787684, 1.9161415, 0.0334540},
	{0.0719453, -0.2289914, 1.4052427},
}

// parseCurve reads a tone curve (ICC.1:2010 §10.5 curveType, §10.15 parametricCurveType), nil for damage.
func parseCurve(b []byte) func(float64) float64 {
	if len(b) < 12 {
		return nil
	}
	switch string(b[:4]) {
	case "curv":
		n := int(be32(b[8:]))
		switch {
		case n == 0:
			return func(x float64) float64 { return x }
		case n < 0 || n > (len(b)-12)/2:
			return nil
		case n == 1:
			g := float64(be16(b[12:])) / 256
			return func(x float64) float64 { return math.Pow(x, g) }
		}
		table := make([]float64, n)
		for i := range table {
			table[i] = float64(be16(b[12+2*i:])) / 65535
		}
		return func(x float64) float64 {
			at := x * float64(n-1)
			i := min(int(at), n-2)
			return table[i] + float64((at-float64(i))*(table[i+1]-table[i]))
		}
	case "para":
		kind := be16(b[8:])
		if kind > 4 {
			return nil
		}
		count := [...]int{1, 3, 4, 5, 7}[kind]
		if len(b) < 12+4*count {
			return nil
		}
		var v [7]float64 // g a b c d e f
		for i := range count {
			v[i] = float64(int32(be32(b[12+4*i:]))) / 65536
		}
		g, a, bb, c, d, e, f := v[0], v[1], v[2], v[3], v[4], v[5], v[6]
		power := func(x float64) float64 { return math.Pow(max(float64(a*x)+bb, 0), g) }
		return func(x float64) float64 {
			var y float64
			switch kind {
			case 0:
				y = math.Pow(x, g)
			case 1:
				if float64(a*x)+bb >= 0 {
					y = power(x)
				}
			case 2:
				y = c
				if float64(a*x)+bb >= 0 {
					y = power(x) + c
				}
			case 3:
				y = c * x
				if x >= d {
					y = power(x)
				}
			case 4:
				y = float64(c*x) + f
				if x >= d {
					y = power(x) + e
				}
			}
			if math.IsNaN(y) {
				return 0
			}
			return min(max(y, 0), 1)
		}
	}
	return nil
}

// isSRGB reports whether p changes no colour by more than a level: the greys, the corners of the cube and the middles
// between them.
func (p *profile) isSRGB() bool {
	var row []uint8
	for v := range 256 {
		row = append(row, uint8(v), uint8(v), uint8(v), 255)
	}
	for i := range 27 {
		row = append(row, uint8(i%3*127), uint8(i/3%3*127), uint8(i/9*127), 255)
	}
	same := bytes.Clone(row)
	p.apply(row)
	for i := range row {
		if d := int(row[i]) - int(same[i]); d > 1 || d < -1 {
			return false
		}
	}
	return true
}

// encodeSteps is how finely linear light is told apart on the way back to 8 bits: at the dark end, where sRGB is
// steepest (12.92), one step is a fifth of a level.
const encodeSteps = 1 << 14

// encodedLevels returns the sRGB level of each step of linear light. Few pictures need it.
var encodedLevels = sync.OnceValue(func() *[encodeSteps + 1]uint8 {
	var t [encodeSteps + 1]uint8
	for i := range t {
		t[i] = colour.Byte(colour.FromLinear(float64(i) / encodeSteps))
	}
	return &t
})

// apply converts a row of opaque pixels in place.
func (p *profile) apply(row []uint8) {
	if p.grey != nil {
		for i := 0; i+4 <= len(row); i += 4 {
			d := row[i : i+4 : i+4]
			d[0], d[1], d[2] = p.grey[d[0]], p.grey[d[1]], p.grey[d[2]]
		}
		return
	}
	var last, now [3]uint8
	have := false
	m, encoded := &p.matrix, encodedLevels()
	for i := 0; i+4 <= len(row); i += 4 {
		d := row[i : i+4 : i+4]
		if in := [3]uint8{d[0], d[1], d[2]}; !have || in != last {
			r, g, b := p.linear[0][in[0]], p.linear[1][in[1]], p.linear[2][in[2]]
			for k := range 3 {
				v := float32(m[k][0]*r) + float32(m[k][1]*g) + float32(m[k][2]*b)
				now[k] = encoded[int(min(max(v, 0), 1)*encodeSteps+0.5)]
			}
			last, have = in, true
		}
		d[0], d[1], d[2] = now[0], now[1], now[2]
	}
}

// inflateProfile unpacks the profile of a PNG file (iCCP: a name, a zero byte, the method, a zlib stream); nil for
// damage.
func inflateProfile(chunk []byte) []byte {
	_, rest, ok := bytes.Cut(chunk, []byte{0})
	if !ok || len(rest) < 1 || rest[0] != 0 {
		return nil
	}
	z, err := zlib.NewReader(bytes.NewReader(rest[1:]))
	if err != nil {
		return nil
	}
	b, err := io.ReadAll(io.LimitReader(z, maxBlock))
	if err != nil {
		return nil
	}
	return b
}

// iccChunks gathers a profile that JPEG splits over several markers (ICC.1:2010 annex B.4): each has its number, from
// 1, and the count of all.
type iccChunks map[byte][]byte

// add takes the content of an APP2 marker.
func (c iccChunks) add(b []byte) {
	if len(b) > 14 && string(b[:12]) == "ICC_PROFILE\x00" {
		c[b[12]] = b[14:]
	}
}

// join returns the profile, nil where a part is missing.
func (c iccChunks) join() []byte {
	var all []byte
	for i := 1; i <= len(c); i++ {
		part, ok := c[byte(i)]
		if !ok {
			return nil
		}
		all = append(all, part...)
	}
	return all
}
