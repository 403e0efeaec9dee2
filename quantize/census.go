package quantize

import (
	"cmp"
	"slices"

	"pochoir/quantize/colour"
)

// tally is how often one colour was seen.
type tally struct {
	colour colour.RGB
	core   int // core pixels
	deep   int // middles of uniform 3 x 3 squares
}

// census counts colours in an open-addressed table, to be merged and sorted at the end.
type census struct {
	slots []slot
	used  int
}

type slot struct {
	key        uint32 // colour + 1<<24, 0 when free
	core, deep uint32
}

func (c *census) add(rgb uint32, core, deep int) {
	if 2*c.used >= len(c.slots) {
		c.grow()
	}
	s := c.find(rgb&0xffffff | 1<<24)
	if s.key == 0 {
		s.key = rgb&0xffffff | 1<<24
		c.used++
	}
	s.core += uint32(core)
	s.deep += uint32(deep)
}

func (c *census) find(key uint32) *slot {
	mask := uint32(len(c.slots) - 1)
	for i := key * 2654435761 >> 8 & mask; ; i = (i + 1) & mask {
		if s := &c.slots[i]; s.key == key || s.key == 0 {
			return s
		}
	}
}

func (c *census) grow() {
	old := c.slots
	c.slots = make([]slot, max(256, 4*len(old)))
	for _, s := range old {
		if s.key != 0 {
			*c.find(s.key) = s
		}
	}
}

// list returns the colours, those with most cores first, equal ones by colour.
func (c *census) list() []tally {
	out := make([]tally, 0, c.used)
	for _, s := range c.slots {
		if s.key != 0 {
			out = append(out, tally{unpack(s.key), int(s.core), int(s.deep)})
		}
	}
	slices.SortFunc(out, func(a, b tally) int {
		return cmp.Or(cmp.Compare(b.core, a.core), cmp.Compare(pack(a.colour), pack(b.colour)))
	})
	return out
}

// pack orders the bytes of a colour as at does; unpack reverses it.
func pack(c colour.RGB) uint32 { return uint32(c.R) | uint32(c.G)<<8 | uint32(c.B)<<16 }

func unpack(v uint32) colour.RGB { return colour.RGB{R: uint8(v), G: uint8(v >> 8), B: uint8(v >> 16)} }

// coreCensus counts the colours of core pixels.
func coreCensus(px *Pixels, core, deep []uint64, workers int) []tally {
	w := px.W
	parts := make([]census, bandCount(px.H))
	rowBands(px.H, workers, func(band, y0, y1 int) {
		part := &parts[band]
		for y := y0; y < y1; y++ {
			for i, end := y*w, (y+1)*w; i < end; {
				c := px.at(i)
				e := px.runEnd(i+1, end, c)
				if e > i+1 {
					if n := countBits(core, i, e); n > 0 {
						part.add(c, n, countBits(deep, i, e))
					}
				}
				i = e
			}
		}
	})
	return merged(parts)
}

// solidCensus counts the colours of pixels that equal the next one in their row, which solid marks.
func solidCensus(px *Pixels, solid []uint64, workers int) []tally {
	w := px.W
	parts := make([]census, bandCount(px.H))
	rowBands(px.H, workers, func(band, y0, y1 int) {
		part := &parts[band]
		for i, end := y0*w, y1*w; ; {
			// The next run of marks is of one colour: the last pixel of a row has none.
			if i = nextSet(solid, i, end); i == end {
				break
			}
			e := nextClear(solid, i, end)
			part.add(px.at(i), e-i, e-i)
			i = e
		}
	})
	return merged(parts)
}

// merged adds up what the bands counted.
func merged(parts []census) []tally {
	var all census
	for i := range parts {
		for _, s := range parts[i].slots {
			if s.key != 0 {
				all.add(s.key, int(s.core), int(s.deep))
			}
		}
	}
	return all.list()
}
