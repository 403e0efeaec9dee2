// Package mosaic holds pictures most of whose pixels are like their neighbours, as drawings coded with loss are, in a
// sixth of a bitmap: pixels are taken in spans of sixteen, one after the other without regard to rows, and a span of one
// colour is held as that colour.
package mosaic

import (
	"encoding/binary"
	"sync"

	"pochoir/quantize/large"
)

// Span is how many pixels are held together.
const Span = 16

// Mosaic is a picture of opaque pixels, numbered row by row.
type Mosaic struct {
	n       int
	spans   []uint32   // the colour, marked even, or the number of a tile
	crates  [][]uint32 // tiles, of Span pixels each, crate of them after the other
	fillers chan *Filler

	mu   sync.Mutex
	used int // tiles that fillers have taken
	most int // that they may take
}

const (
	even   = 1 << 31 // marks a span of one colour
	opaque = 0xff << 24
)

// New returns a mosaic of n pixels, to be filled by up to workers fillers at once.
func New(n, workers int) *Mosaic {
	count := (n + Span - 1) / Span
	m := &Mosaic{n: n, spans: large.Make[uint32](count), fillers: make(chan *Filler, workers)}
	m.most = (count/batch + 1 + workers) * batch
	m.crates = make([][]uint32, (m.most+crate-1)/crate)
	for range workers {
		m.fillers <- &Filler{m: m}
	}
	return m
}

// Len returns the number of pixels.
func (m *Mosaic) Len() int { return m.n }

// At returns pixel i as its bytes R,G,B,A lie in memory, R lowest; A is 255.
func (m *Mosaic) At(i int) uint32 {
	s := m.spans[uint(i)/Span]
	if s >= even {
		return s | opaque
	}
	return m.crates[s/crate][s%crate*Span+uint32(i)%Span]
}

// Spans returns how many pixels from i on, a multiple of Span, up to end at most are told of at once: as many whole spans as
// are of one colour c, as At returns it, or one whose pixels are those of tile.
func (m *Mosaic) Spans(i, end int) (c uint32, n int, tile []uint32) {
	k := i / Span
	s := m.spans[k]
	if s < even {
		return 0, min(Span, end-i), m.tile(s)
	}
	to := k + 1
	for to*Span < end && m.spans[to] == s {
		to++
	}
	return s | opaque, min(to*Span, end) - i, nil
}

// RunEnd returns the first pixel from `from` on, up to but not including end, that is not c, a pixel as At returns it; end if
// there is none.
func (m *Mosaic) RunEnd(from, end int, c uint32) int {
	for i := from; i < end; {
		k := i / Span
		next := (k + 1) * Span
		if s := m.spans[k]; s >= even {
			if s|opaque != c {
				return i
			}
			for next < end && m.spans[next/Span] == s {
				next += Span
			}
			i = next
		} else {
			tile := m.tile(s)
			for ; i < min(next, end); i++ {
				if tile[i%Span] != c {
					return i
				}
			}
		}
	}
	return end
}

// RunStart returns the first pixel of those up to but not including end, from `from` on, that are c to the last; end if the
// last is not.
func (m *Mosaic) RunStart(from, end int, c uint32) int {
	i := end
	for i > from {
		k := (i - 1) / Span
		if s := m.spans[k]; s >= even {
			if s|opaque != c {
				return i
			}
			i = max(from, k*Span)
			continue
		}
		if m.At(i-1) != c {
			return i
		}
		i--
	}
	return i
}

// Pixels returns the picture as a bitmap, R,G,B,A a pixel.
func (m *Mosaic) Pixels() []uint8 {
	pix := large.Make[uint8](4 * m.n)
	m.Copy(pix, 0)
	return pix
}

// Copy copies pixels from number i on to a bitmap, R,G,B,A each, as many as it has room for.
func (m *Mosaic) Copy(pix []uint8, i int) {
	for ; len(pix) >= 4; pix, i = pix[4:], i+1 {
		binary.LittleEndian.PutUint32(pix, m.At(i))
	}
}

// Tiled returns about how many pixels lie in spans that are not of one colour.
func (m *Mosaic) Tiled() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.used * Span
}

// Filler fills a mosaic. It holds tiles in hand, so that goroutines that do so do not meet over each.
type Filler struct {
	m        *Mosaic
	next, to uint32
}

// Filler returns a filler, when one of those that may be at work at once is free, which is to be given back by Done.
func (m *Mosaic) Filler() *Filler { return <-m.fillers }

// Done gives f back.
func (f *Filler) Done() { f.m.fillers <- f }

// batch is how many tiles a filler takes at a time, and crate how many room is made for at most: four megabytes.
const batch, crate = 1 << 8, 1 << 16

// take hands out the next batch of tiles.
func (m *Mosaic) take() uint32 {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.used%crate == 0 {
		m.crates[m.used/crate] = large.Make[uint32](min(crate, m.most-m.used) * Span)
	}
	m.used += batch
	return uint32(m.used - batch)
}

func (m *Mosaic) tile(k uint32) []uint32 { return m.crates[k/crate][k%crate*Span:][:Span] }

// Even fills in n pixels of colour c, as At returns it, from number i on: whole spans.
func (f *Filler) Even(i, n int, c uint32) {
	spans := f.m.spans[i/Span : (i+n)/Span]
	for k := range spans {
		spans[k] = c&^opaque | even
	}
}

// Fill fills in the pixels from number i on, a multiple of Span, R,G,B,A each with A = 255: whole spans of them, or all up to
// the end.
func (f *Filler) Fill(i int, pix []uint8) {
	for k := i / Span; len(pix) > 0; k++ {
		span := pix[:min(4*Span, len(pix))]
		pix = pix[len(span):]
		if c := binary.LittleEndian.Uint32(span); alike(span, c) {
			f.m.spans[k] = c&^opaque | even
			continue
		}
		if f.next == f.to {
			f.next = f.m.take()
			f.to = f.next + batch
		}
		tile := f.m.tile(f.next)
		for x := range len(span) / 4 {
			tile[x] = binary.LittleEndian.Uint32(span[4*x:])
		}
		f.m.spans[k] = f.next
		f.next++
	}
}

// alike reports whether all pixels of a span are c.
func alike(span []uint8, c uint32) bool {
	two := uint64(c)<<32 | uint64(c)
	var differ uint64
	for ; len(span) >= 8; span = span[8:] {
		differ |= binary.LittleEndian.Uint64(span) ^ two
	}
	return differ == 0 && (len(span) == 0 || binary.LittleEndian.Uint32(span) == c)
}

// Blocks sets the bits of dst, bit i%64 of word i/64 for pixel i, of those pixels of rows y0 up to but not including y1 that
// equal the next in their row and both below these; all of them are clear. Rows are w pixels long, whole spans, and there
// is one more below.
func (m *Mosaic) Blocks(dst []uint64, w, y0, y1 int) {
	n := w / Span
	for y := y0; y < y1; y++ {
		top, below := m.spans[y*n:(y+1)*n], m.spans[(y+1)*n:(y+2)*n]
		put := func(k int, v uint32) {
			i := (y*n + k) * Span
			dst[i/64] |= uint64(v) << (i % 64)
		}
		// Of the span before: pixels that equal the next, those that equal the one below, and its last pixel.
		var next, down, last uint32
		for k := 0; k < n; k++ {
			s, t := top[k], below[k]
			first := s | opaque
			d, right, end := uint32(0), uint32(0xffff>>1), first
			switch {
			case s >= even && t >= even:
				if s == t {
					d = 0xffff
				}
			case s >= even:
				d = equalTo(m.tile(t), first)
			default:
				tile := m.tile(s)
				first, end = tile[0], tile[Span-1]
				right = equalNext(tile)
				if t >= even {
					d = equalTo(tile, t|opaque)
				} else {
					d = equal(tile, m.tile(t))
				}
			}
			if k > 0 {
				if first == last {
					next |= 1 << (Span - 1)
				}
				if v := next & down & (down>>1 | d<<(Span-1)); v != 0 {
					put(k-1, v)
				}
			}
			next, down, last = right, d, end
		}
		put(n-1, next&down&(down>>1))
	}
}

// same is 1 where a and b are equal, else 0.
func same(a, b uint32) uint32 {
	d := a ^ b
	return (d - 1) &^ d >> 31
}

// equal returns a bit for each pixel that equals the one of the other tile, equalTo for each that is c, and equalNext for each
// that equals the next in the tile.
func equal(a, b []uint32) (v uint32) {
	a, b = a[:Span], b[:Span]
	for i := range Span {
		v |= same(a[i], b[i]) << i
	}
	return v
}

func equalTo(a []uint32, c uint32) (v uint32) {
	for i, p := range a[:Span] {
		v |= same(p, c) << i
	}
	return v
}

func equalNext(a []uint32) (v uint32) {
	a = a[:Span]
	for i := range Span - 1 {
		v |= same(a[i], a[i+1]) << i
	}
	return v
}
