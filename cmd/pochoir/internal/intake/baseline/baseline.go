// Package baseline decodes the plain kind of JPEG that nearly all files are: sequential, Huffman-coded, 8 bits a sample,
// luma and chroma in one scan without restart markers. It is made for speed: one goroutine reads the entropy-coded
// data, another turns coefficients into samples, and blocks without detail are merely filled. Whatever is not plain, or
// not as the standard demands it, is left to a decoder that takes all kinds: Decode then answers no more than that.
//
// Samples are within one level of those of the standard library's image/jpeg. Decode is safe to call concurrently.
package baseline

import (
	"image"
	"sync"
)

// Markers (ITU-T T.81, table B.1), without their 0xff.
const (
	markerSOF0 = 0xc0 // baseline
	markerSOF1 = 0xc1 // extended sequential
	markerDHT  = 0xc4
	markerEOI  = 0xd9
	markerSOS  = 0xda
	markerDQT  = 0xdb
	markerAPP0 = 0xe0
	markerAPPn = 0xef
	markerCOM  = 0xfe
)

// markerAdobe is the APP14 segment that may say that the components are not luma and chroma.
const markerAdobe = 0xee

// component is one plane of the picture.
type component struct {
	id     uint8
	h, v   int // sampling factors
	quant  *[64]int32
	dc, ac *table
	plane  []uint8
	stride int
}

// decoder holds what the markers of a file say.
type decoder struct {
	data   []byte
	w, h   int
	quant  [4][64]int32 // in zigzag order
	quants [4]bool      // which are given
	tables [2][4]*table // for DC and AC
	comp   [3]component
	frame  bool
}

// Decode returns the luma and chroma of a JPEG file, or false where it is not plain, not whole or not sound. With more
// than one worker it uses two goroutines; the result is the same.
func Decode(data []byte, workers int) (*image.YCbCr, bool) {
	d := decoder{data: data}
	if len(data) < 4 || data[0] != 0xff || data[1] != 0xd8 {
		return nil, false
	}
	for at := 2; at+4 <= len(data) && data[at] == 0xff; {
		marker := data[at+1]
		n := int(data[at+2])<<8 | int(data[at+3])
		if n < 2 || at+2+n > len(data) {
			return nil, false
		}
		body := data[at+4 : at+2+n]
		at += 2 + n
		ok := false
		switch {
		case marker == markerDQT:
			ok = d.readQuant(body)
		case marker == markerDHT:
			ok = d.readTables(body)
		case marker == markerSOF0 || marker == markerSOF1:
			ok = d.readFrame(body)
		case marker == markerSOS:
			if !d.readScan(body) {
				return nil, false
			}
			return d.decode(at, workers)
		case marker == markerAdobe:
			ok = false
		case marker >= markerAPP0 && marker <= markerAPPn || marker == markerCOM:
			ok = true
		}
		if !ok {
			return nil, false
		}
	}
	return nil, false
}

// readQuant reads quantization tables (B.2.4.1) of 8 bits.
func (d *decoder) readQuant(b []byte) bool {
	for len(b) > 0 {
		k := int(b[0])
		if k > 3 || len(b) < 65 {
			return false
		}
		for i, q := range b[1:65] {
			d.quant[k][i] = int32(q)
		}
		d.quants[k] = true
		b = b[65:]
	}
	return true
}

// readFrame reads the frame header (B.2.2). Chroma has as many samples as luma, or half as many across, down, or both.
func (d *decoder) readFrame(b []byte) bool {
	if d.frame || len(b) != 15 || b[0] != 8 || b[5] != 3 {
		return false
	}
	d.frame = true
	d.h, d.w = int(b[1])<<8|int(b[2]), int(b[3])<<8|int(b[4])
	if d.w == 0 || d.h == 0 {
		return false
	}
	for k := range d.comp {
		c := &d.comp[k]
		f := b[6+3*k : 9+3*k]
		c.id, c.h, c.v = f[0], int(f[1]>>4), int(f[1]&15)
		if f[2] > 3 {
			return false
		}
		c.quant = &d.quant[f[2]]
		if !d.quants[f[2]] {
			return false
		}
	}
	y, cb, cr := &d.comp[0], &d.comp[1], &d.comp[2]
	if y.id == 'R' && cb.id == 'G' && cr.id == 'B' || y.id == cb.id || y.id == cr.id || cb.id == cr.id {
		return false
	}
	return y.h >= 1 && y.h <= 2 && y.v >= 1 && y.v <= 2 && cb.h == 1 && cb.v == 1 && cr.h == 1 && cr.v == 1
}

// readScan reads the scan header (B.2.3): all components, whole.
func (d *decoder) readScan(b []byte) bool {
	if !d.frame || len(b) != 10 || b[0] != 3 || b[7] != 0 || b[8] != 63 || b[9] != 0 {
		return false
	}
	for k := range d.comp {
		c := &d.comp[k]
		dc, ac := b[2+2*k]>>4, b[2+2*k]&15
		if b[1+2*k] != c.id || dc > 3 || ac > 3 {
			return false
		}
		c.dc, c.ac = d.tables[0][dc], d.tables[1][ac]
		if c.dc == nil || c.ac == nil {
			return false
		}
	}
	return true
}

// strip is one row of the interleaved units of a picture, as read: of each block its DC and how many other coefficients
// it has, in order, and these.
type strip struct {
	row  int
	dc   []int32
	n    []uint8
	coef []coefficient
}

// coefficient is a value and its place in zigzag order.
type coefficient struct {
	value int16
	at    uint8
}

// strips is how many rows may wait between reading and transforming.
const strips = 8

// decode reads the scan that begins at an offset and transforms it.
func (d *decoder) decode(at, workers int) (*image.YCbCr, bool) {
	y := &d.comp[0]
	across, down := (d.w+8*y.h-1)/(8*y.h), (d.h+8*y.v-1)/(8*y.v)
	ratio := [2][2]image.YCbCrSubsampleRatio{
		{image.YCbCrSubsampleRatio444, image.YCbCrSubsampleRatio440},
		{image.YCbCrSubsampleRatio422, image.YCbCrSubsampleRatio420},
	}[y.h-1][y.v-1]
	if len(d.data)-at < across*down*3*2/8 { // two bits are the least that a block takes
		return nil, false
	}
	img := image.NewYCbCr(image.Rect(0, 0, 8*y.h*across, 8*y.v*down), ratio)
	for k, plane := range [3][]uint8{img.Y, img.Cb, img.Cr} {
		d.comp[k].plane, d.comp[k].stride = plane, img.CStride
	}
	y.stride = img.YStride

	r := reader{data: d.data, at: at}
	var dc [3]int32
	blocks := across * (y.h*y.v + 2)
	sound := true
	if workers == 1 {
		var s strip
		for row := 0; row < down && sound; row++ {
			if sound = d.read(&r, &s, row, blocks, across, &dc); sound {
				d.render(&s, across)
			}
		}
	} else {
		full, free := make(chan *strip, strips), make(chan *strip, strips)
		for range strips {
			free <- new(strip)
		}
		var wg sync.WaitGroup
		wg.Go(func() {
			for s := range full {
				d.render(s, across)
				free <- s
			}
		})
		for row := 0; row < down && sound; row++ {
			s := <-free
			if sound = d.read(&r, s, row, blocks, across, &dc); sound {
				full <- s
			}
		}
		close(full)
		wg.Wait()
	}
	if !sound || !r.ended() {
		return nil, false
	}
	return img.SubImage(image.Rect(0, 0, d.w, d.h)).(*image.YCbCr), true
}

// read fills s with a row of units. It reports whether the data are sound.
func (d *decoder) read(r *reader, s *strip, row, blocks, across int, dc *[3]int32) bool {
	s.row = row
	if cap(s.dc) < blocks {
		s.dc, s.n = make([]int32, 0, blocks), make([]uint8, 0, blocks)
	}
	s.dc, s.n, s.coef = s.dc[:0], s.n[:0], s.coef[:0]
	for range across {
		for k := range d.comp {
			c := &d.comp[k]
			for range c.h * c.v {
				step, ok := r.dc(c.dc)
				if !ok {
					return false
				}
				dc[k] += step
				before := len(s.coef)
				if s.coef, ok = r.ac(s.coef, c.ac); !ok {
					return false
				}
				s.dc, s.n = append(s.dc, dc[k]), append(s.n, uint8(len(s.coef)-before))
			}
		}
	}
	return true
}

// render transforms a row of units into samples.
func (d *decoder) render(s *strip, across int) {
	var b [64]int32
	next, block := 0, 0
	for unit := range across {
		for k := range d.comp {
			c := &d.comp[k]
			for part := range c.h * c.v {
				x, y := unit*c.h+part%c.h, s.row*c.v+part/c.h
				out := c.plane[8*(y*c.stride+x):]
				n := int(s.n[block])
				flat := s.dc[block] * c.quant[0]
				block++
				if n == 0 {
					fill(out, c.stride, flat)
					continue
				}
				b[0] = flat
				for _, e := range s.coef[next : next+n] {
					b[natural[e.at]] = int32(e.value) * c.quant[e.at]
				}
				next += n
				inverse(&b, out, c.stride)
				b = [64]int32{}
			}
		}
	}
}
