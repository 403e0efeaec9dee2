package deliver

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"

	"pochoir/cmd/pochoir/internal/deliver/jfif"
	"pochoir/cmd/pochoir/internal/deliver/meta"
	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/proof"
)

// pictureDPI is noted in pictures for programs that ask for a printed size: what print shops usually want.
const pictureDPI = 300

// white is the paper that previews lie on.
var white = colour.RGB{R: 255, G: 255, B: 255}

// render draws d with the given number of pixels, in millions, on ground; nil leaves it transparent.
func render(d *trace.Drawing, megapixels float64, ground *colour.RGB) *image.RGBA {
	var paper color.Color
	if ground != nil {
		paper = color.RGBA{R: ground.R, G: ground.G, B: ground.B, A: 255}
	}
	return proof.Render(d, math.Sqrt(megapixels*1e6/(d.Width*d.Height)), paper)
}

// writePNG writes d as PNG (ISO/IEC 15948) with an sRGB chunk, and its metadata both as an XMP packet in an iTXt chunk
// and under the standard's own keywords.
func writePNG(w io.Writer, d *trace.Drawing, opt Options) error {
	var b bytes.Buffer
	enc := png.Encoder{CompressionLevel: png.DefaultCompression}
	if err := enc.Encode(&b, render(d, opt.Megapixels, opt.Ground)); err != nil {
		return err
	}
	// Signature and IHDR come first; all other chunks of ours may follow them.
	const head = 8 + 12 + 13
	out := append([]byte(nil), b.Bytes()[:head]...)
	out = appendChunk(out, "sRGB", []byte{0})
	perMetre := make([]byte, 9)
	binary.BigEndian.PutUint32(perMetre, uint32(math.Round(pictureDPI/0.0254)))
	copy(perMetre[4:8], perMetre[:4])
	perMetre[8] = 1
	out = appendChunk(out, "pHYs", perMetre)
	for _, t := range []struct{ key, text string }{
		{"Title", d.Meta.Title}, {"Author", d.Meta.Creator}, {"Description", d.Meta.Description},
		{"Copyright", d.Meta.Rights}, {"XML:com.adobe.xmp", string(meta.XMP(d.Meta, formats[PNG].media, false))},
	} {
		if t.text != "" {
			// keyword 0, not compressed, method 0, no language, no translated keyword
			out = appendChunk(out, "iTXt", append(append([]byte(t.key), 0, 0, 0, 0, 0), t.text...))
		}
	}
	if _, err := w.Write(out); err != nil {
		return err
	}
	_, err := w.Write(b.Bytes()[head:])
	return err
}

// appendChunk writes a PNG chunk with its length and check sum.
func appendChunk(b []byte, kind string, data []byte) []byte {
	b = binary.BigEndian.AppendUint32(b, uint32(len(data)))
	start := len(b)
	b = append(append(b, kind...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[start:]))
}

// writeJPEG writes d as JPEG with an sRGB profile, without chroma subsampling.
func writeJPEG(w io.Writer, d *trace.Drawing, opt Options) error {
	segments, err := jpegSegments(d.Meta)
	if err != nil {
		return err
	}
	ground := opt.Ground
	if ground == nil {
		ground = &white
	}
	return jfif.Encode(w, render(d, opt.Megapixels, ground), opt.Quality, pictureDPI, segments...)
}

// jpegSegments returns the metadata as APP1 with an XMP packet (ISO 16684-1 and part 3 of the XMP specification), APP13
// with IPTC datasets, and APP2 with the colour profile (ICC.1, annex B.4).
func jpegSegments(m trace.Meta) ([]jfif.Segment, error) {
	packet := append([]byte("http://ns.adobe.com/xap/1.0/\x00"), meta.XMP(m, formats[JPEG].media, false)...)
	if len(packet) > jfif.MaxSegment {
		return nil, fmt.Errorf("title, description and keywords too long for a JPEG: %d bytes, room for %d",
			len(packet), jfif.MaxSegment)
	}
	segments := []jfif.Segment{{Marker: 0xe1, Data: packet}}
	iptc, err := meta.IPTC(m)
	if err != nil {
		return nil, err
	}
	if iptc != nil {
		segments = append(segments, jfif.Segment{Marker: 0xed, Data: iptc})
	}
	return append(segments, jfif.Segment{Marker: 0xe2, Data: append([]byte("ICC_PROFILE\x00\x01\x01"), sRGBProfile()...)}), nil
}
