package trace

import "pochoir/fit"

// Bridge is a break in the ink that was closed for laying flats: the two ends of what closes it, px of the sheet.
type Bridge [2]fit.Point

const (
	mostBridges     = 2000 // reported at most, in reading order
	mostBridgeSpots = 1 << 16
)

// bridges finds where two areas meet without ink between them.
func (w *flatwork) bridges() []Bridge {
	width, height := w.f.W, w.f.H
	open := func(i int) bool { return !w.inks[w.f.Labels[i]] }
	meets := func(i, j int) bool { return w.areas.Of[i] != w.areas.Of[j] && open(i) && open(j) }
	spots := map[int]bool{}
	var order []int
	for y := range height {
		for x := range width {
			i := y*width + x
			if x+1 < width && meets(i, i+1) || y+1 < height && meets(i, i+width) {
				if len(order) == mostBridgeSpots {
					return nil // no ink to speak of: these are no bridges
				}
				spots[i] = true
				order = append(order, i)
			}
		}
	}
	var out []Bridge
	for _, first := range order {
		if !spots[first] || len(out) == mostBridges {
			continue
		}
		delete(spots, first)
		group := []int{first}
		for k := 0; k < len(group); k++ {
			x, y := group[k]%width, group[k]/width
			for ny := max(0, y-1); ny <= min(height-1, y+1); ny++ {
				for nx := max(0, x-1); nx <= min(width-1, x+1); nx++ {
					if j := ny*width + nx; spots[j] {
						delete(spots, j)
						group = append(group, j)
					}
				}
			}
		}
		// The two ends: what lies farthest from the first, and what lies farthest from that.
		at := func(i int) fit.Point { return fit.Point{X: float64(i%width) + 1, Y: float64(i/width) + 1} }
		farthest := func(from fit.Point) fit.Point {
			best, most := from, -1.0
			for _, i := range group {
				if d := at(i).Sub(from); d.Dot(d) > most {
					best, most = at(i), d.Dot(d)
				}
			}
			return best
		}
		a := farthest(at(first))
		out = append(out, Bridge{a, farthest(a)})
	}
	return out
}
