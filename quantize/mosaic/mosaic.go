// Package mosaic holds pictures most of whose pixels are like their neighbours, as drawings coded with loss are, in a
// tenth of a bitmap: pixels are taken in spans of sixteen, one after the other without regard to rows, and a span of one
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
	fillers chan *filler

	mu   sync.Mutex
	used int // tiles that fillers have taken
	most int // that they may take
}

const (
	even   = 1 << 31 // marks a span of one colour
	opaque = 0xff << 24
)

// New returns a mosaic of n pixels, to be filled on up to workers goroutines at once.
func New(n, workers int) *Mosaic {
	count := (n + Span - 1) / Span
	m := &Mosaic{n: n, spans: large.Make[uint32](count), fillers: make(chan *filler, workers)}
	m.most = (count/batch + 1 + workers) * batch
	m.crates = make([][]uint32, (m.most+crate-1)/crate)
	for range workers {
		m.fillers <- new(filler)
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
	for i := range m.n {
		binary.LittleEndian.PutUint32(pix[4*i:], m.At(i))
	}
	return pix
}

// filler holds tiles in hand, so that goroutines that fill a mosaic do not meet over each.
type filler struct{ next, to uint32 }

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

// Fill fills in the pixels from number i on, a multiple of Span, R,G,B,A each with A = 255: whole spans of them, or all up to
// the end.
func (m *Mosaic) Fill(i int, pix []uint8) {
	f := <-m.fillers
	defer func() { m.fillers <- f }()
	for k := i / Span; len(pix) > 0; k++ {
		span := pix[:min(4*Span, len(pix))]
		pix = pix[len(span):]
		if c := binary.LittleEndian.Uint32(span); alike(span, c) {
			m.spans[k] = c&^opaque | even
			continue
		}
		if f.next == f.to {
			f.next = m.take()
			f.to = f.next + batch
		}
		tile := m.tile(f.next)
		for x := range len(span) / 4 {
			tile[x] = binary.LittleEndian.Uint32(span[4*x:])
		}
		m.spans[k] = f.next
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
