package quantize

import (
	"pochoir/quantize/colour"
	"pochoir/quantize/large"
)

// A finder answers which tint is nearest to a colour within roughRadius levels. Colours are sorted into cells of 8
// levels a channel; most cells are far from every tint, and most of the others near one alone.
type finder struct {
	cell [1 << 15]uint16 // 0: no tint; k+1 up to 255: only tint k; 256 and more: those of many[cell-256]
	many [][]uint8
}

const (
	cellShift = 3
	cellReach = 5   // cells either side of a tint that may lie within roughRadius: chroma counts by chromaTrust
	cellHalf  = 6.5 // levels from the middle of a cell to its corners, at most
)

func cellOf(r, g, b uint8) int {
	return int(r)>>cellShift<<10 | int(g)>>cellShift<<5 | int(b)>>cellShift
}

func (q *flattener) newFinder() *finder {
	f := &large.Make[finder](1)[0]
	const n = 1 << (8 - cellShift)
	for k := range q.tints {
		if k == q.paper {
			continue
		}
		c := q.tints[k].colour
		r0, g0, b0 := int(c.R)>>cellShift, int(c.G)>>cellShift, int(c.B)>>cellShift
		for r := max(0, r0-cellReach); r <= min(n-1, r0+cellReach); r++ {
			for g := max(0, g0-cellReach); g <= min(n-1, g0+cellReach); g++ {
				for b := max(0, b0-cellReach); b <= min(n-1, b0+cellReach); b++ {
					const half = 1 << (cellShift - 1)
					mid := toneOf(uint8(r<<cellShift+half), uint8(g<<cellShift+half), uint8(b<<cellShift+half), q.soft)
					if toneDistance(mid, q.tints[k].v, q.soft) <= roughRadius+cellHalf {
						f.add(r<<10|g<<5|b, uint8(k))
					}
				}
			}
		}
	}
	return f
}

func (f *finder) add(cell int, k uint8) {
	switch v := f.cell[cell]; {
	case v == 0:
		f.cell[cell] = uint16(k) + 1
	case v < 256:
		f.cell[cell] = uint16(256 + len(f.many))
		f.many = append(f.many, []uint8{uint8(v - 1), k})
	default:
		f.many[v-256] = append(f.many[v-256], k)
	}
}

// find returns the nearest tint within roughRadius of c, the first of equally near ones, or unlabelled.
func (q *flattener) find(f *finder, c colour.RGB) uint8 {
	v := f.cell[cellOf(c.R, c.G, c.B)]
	if v == 0 {
		return unlabelled
	}
	t := toneOfRGB(c, q.soft)
	if v < 256 {
		if toneDistance(t, q.tints[v-1].v, q.soft) <= roughRadius {
			return uint8(v - 1)
		}
		return unlabelled
	}
	best, label := roughRadius, uint8(unlabelled)
	for _, k := range f.many[v-256] {
		if d := toneDistance(t, q.tints[k].v, q.soft); d < best || d == best && label == unlabelled {
			best, label = d, k
		}
	}
	return label
}

// nearestLabels gives each pixel the tint nearest to the middle of its colour's cell.
func (q *flattener) nearestLabels(pixels []int) {
	var near [1 << 15]uint8
	for c := range near {
		const half = 1 << (cellShift - 1)
		near[c] = uint8(q.nearestTint(colour.RGB{
			R: uint8(c>>10<<cellShift + half), G: uint8(c>>5&31<<cellShift + half), B: uint8(c&31<<cellShift + half)}))
	}
	for _, i := range pixels {
		q.labels[i] = near[cellOf(channels(q.px.at(i)))]
	}
}
