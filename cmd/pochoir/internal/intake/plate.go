package intake

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"math"
	"slices"
	"strings"

	"pochoir/trace/paper"
)

// A plate cut from a page is a PNG that says in a text chunk what its pixels cannot tell: the kind of the page, and
// whether it was coded with loss. Without that, a page kept as JPEG would be traced less well once its drawings are cut
// apart. The chunk is a tEXt chunk (PNG specification, third edition, §11.3.3.2) under a keyword of ours; others ignore
// it.
const plateKeyword = "pochoir-plate"

// What the text is made of, blanks between.
const (
	plateLossy      = "lossy"
	plateSubsampled = "subsampled"
	plateCamera     = "camera"
)

var plateKinds = []paper.Kind{paper.Digital, paper.Scan, paper.Snapshot}

// readPlate takes what a text chunk says of a plate.
func (h *header) readPlate(chunk []byte) {
	keyword, text, ok := bytes.Cut(chunk, []byte{0})
	if !ok || string(keyword) != plateKeyword {
		return
	}
	for _, w := range strings.Fields(string(text)) {
		switch w {
		case plateLossy:
			h.lossy = true
		case plateSubsampled:
			h.subsampled = true
		case plateCamera:
			h.camera = true
		}
		if i := slices.IndexFunc(plateKinds, func(k paper.Kind) bool { return k.String() == w }); i >= 0 {
			h.plate = plateKinds[i]
		}
	}
}

// clearAlpha is the alpha that WritePlate gives to pixels that were mostly transparent: below half, so that they count
// as clear, and the most that is, so that any pixel laid on white so thinly can be said with it.
const clearAlpha = 127

// WritePlate writes a plate as PNG. Opening the file gives the same pixels and what is known of them.
func WritePlate(w io.Writer, p *paper.Picture) error {
	m := &image.NRGBA{Pix: p.Pix, Stride: 4 * p.W, Rect: image.Rect(0, 0, p.W, p.H)}
	if p.Clear != nil {
		m.Pix = slices.Clone(p.Pix)
		for i, c := range p.Clear {
			if !c {
				continue
			}
			q := m.Pix[4*i : 4*i+4 : 4*i+4]
			for k, v := range q[:3] {
				// v = (127·c + 128·255)/255, laid on white
				q[k] = uint8(min(255, (max(0, int(v)-(255-clearAlpha))*255+clearAlpha/2)/clearAlpha))
			}
			q[3] = clearAlpha
		}
	}
	var b bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&b, m); err != nil {
		return err
	}
	file := b.Bytes()
	const head = 8 + 12 + 13 // signature and IHDR
	out := [][]byte{file[:head]}
	if p.DPI > 0 {
		d := make([]byte, 9)
		metre := uint32(math.Round(p.DPI / 0.0254))
		binary.BigEndian.PutUint32(d, metre)
		binary.BigEndian.PutUint32(d[4:], metre)
		d[8] = 1 // unit: the metre
		out = append(out, chunk("pHYs", d))
	}
	words := []string{p.Plate.String()}
	for _, f := range []struct {
		on   bool
		word string
	}{{p.Lossy, plateLossy}, {p.Subsampled, plateSubsampled}, {p.Camera, plateCamera}} {
		if f.on {
			words = append(words, f.word)
		}
	}
	out = append(out, chunk("tEXt", []byte(plateKeyword+"\x00"+strings.Join(words, " "))), file[head:])
	for _, part := range out {
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return nil
}

// chunk makes a chunk of a PNG file.
func chunk(kind string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, kind...), data...)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}
