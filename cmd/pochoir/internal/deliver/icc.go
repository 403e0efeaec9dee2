package deliver

import (
	"encoding/binary"
	"math"

	"pochoir/quantize/colour"
)

// Colorants of sRGB (IEC 61966-2-1: primaries of ITU-R BT.709, white D65) adapted to the profile connection space's D50
// by the linear Bradford transform, in the 16.16 fixed point of ICC profiles.
var sRGBColorants = [3][3]int32{
	{0x6fa2, 0x38f5, 0x0390},
	{0x6299, 0xb785, 0x18da},
	{0x24a0, 0x0f84, 0xb6cf},
}

// d50 is the white of the profile connection space (ICC.1:2001-04, 6.1.4.3… as X, Y, Z), in 16.16 fixed point.
var d50 = [3]int32{0xf6d6, 0x10000, 0xd32d}

// curveEntries is how finely the transfer curve is told: between entries of 16 bits readers draw straight lines, whose
// error stays below a fiftieth of one level of eight bits.
const curveEntries = 1024

// sRGBProfile returns a version 2 display profile of sRGB (ICC.1:2001-04): three colorants and one curve that all
// channels share.
func sRGBProfile() []byte {
	be := binary.BigEndian
	xyz := func(v [3]int32) []byte {
		b := append([]byte("XYZ "), 0, 0, 0, 0)
		for _, x := range v {
			b = be.AppendUint32(b, uint32(x))
		}
		return b
	}
	text := append(append([]byte("text"), 0, 0, 0, 0), "no copyright, use freely\x00"...)
	const name = "sRGB IEC61966-2.1\x00"
	desc := append([]byte("desc"), 0, 0, 0, 0)
	desc = append(be.AppendUint32(desc, uint32(len(name))), name...)
	desc = append(desc, make([]byte, 4+4+2+1+67)...) // no Unicode and no script-code name
	curve := append([]byte("curv"), 0, 0, 0, 0)
	curve = be.AppendUint32(curve, curveEntries)
	for i := range curveEntries {
		v := colour.ToLinear(float64(i) / (curveEntries - 1))
		curve = be.AppendUint16(curve, uint16(math.Round(v*65535)))
	}
	tags := []struct {
		name string
		data []byte // nil: the data of the tag before
	}{
		{"desc", desc}, {"cprt", text}, {"wtpt", xyz(d50)},
		{"rXYZ", xyz(sRGBColorants[0])}, {"gXYZ", xyz(sRGBColorants[1])}, {"bXYZ", xyz(sRGBColorants[2])},
		{"rTRC", curve}, {"gTRC", nil}, {"bTRC", nil},
	}
	const headSize = 128
	table := be.AppendUint32(nil, uint32(len(tags)))
	var body []byte
	at := headSize + 4 + 12*len(tags)
	var offset, size int
	for _, t := range tags {
		if t.data != nil {
			offset, size = at+len(body), len(t.data)
			body = append(body, t.data...)
			body = append(body, make([]byte, -len(t.data)&3)...)
		}
		table = append(table, t.name...)
		table = be.AppendUint32(table, uint32(offset))
		table = be.AppendUint32(table, uint32(size))
	}
	head := make([]byte, headSize)
	be.PutUint32(head[0:], uint32(headSize+len(table)+len(body)))
	be.PutUint32(head[8:], 0x02100000) // version 2.1
	copy(head[12:], "mntrRGB XYZ ")
	for i, v := range []uint16{2026, 1, 1, 0, 0, 0} {
		be.PutUint16(head[24+2*i:], v)
	}
	copy(head[36:], "acsp")
	for i, v := range d50 {
		be.PutUint32(head[68+4*i:], uint32(v))
	}
	return append(append(head, table...), body...)
}
