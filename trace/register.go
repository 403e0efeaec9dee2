package trace

// This file brings loose colour into register with the line.

// brush is one connected pull of a paint, seen across the ink that covers it.
type brush struct {
	paint int16
	in    map[int32]int // pixels by area
	home  int32         // the area that holds most of it
}

// shortOf is the share of its border that paper between paint and line has in common with the paint; with less it is a
// light left open on purpose.
const shortOf = 0.1

// register lets every pull of the brush fill the area where most of it lies, and any other that it fills by half or
// more: what else runs over the line goes, and paper between the paint and the line is filled. Paper that no line or no
// such paint touches is a light left open and stays.
func (w *flatwork) register() {
	width, n := w.f.W, len(w.paint)
	of := make([]int32, n) // pull of each pixel, -1 for paper
	var brushes []brush
	var todo []int32
	flood := func(i int, visit func(i int32), same func(i, j int32) bool) {
		todo = append(todo[:0], int32(i))
		visit(int32(i))
		for len(todo) > 0 {
			p := todo[len(todo)-1]
			todo = todo[:len(todo)-1]
			x := int(p) % width
			for k, q := range [4]int32{p - 1, p + 1, p - int32(width), p + int32(width)} {
				if k == 0 && x == 0 || k == 1 && x == width-1 || q < 0 || int(q) >= n || !same(p, q) {
					continue
				}
				visit(q)
				todo = append(todo, q)
			}
		}
	}
	for i := range of {
		of[i] = -1
	}
	for i := range of {
		if of[i] >= 0 || w.paint[i] < 0 {
			continue
		}
		b := int32(len(brushes))
		brushes = append(brushes, brush{paint: w.paint[i], in: map[int32]int{}})
		flood(i, func(p int32) {
			of[p] = b
			if !w.inks[w.f.Labels[p]] {
				brushes[b].in[w.areas.Of[p]]++
			}
		}, func(p, q int32) bool { return of[q] < 0 && w.paint[q] == w.paint[p] })
	}
	// The base of an area is the pull at home there that covers most of it.
	base := make([]int32, len(w.areas.At))
	for a := range base {
		base[a] = -1
	}
	room := make([]int, len(base)) // px in sight
	for i, a := range w.areas.Of {
		if !w.inks[w.f.Labels[i]] {
			room[a]++
		}
	}
	atHome := func(k, a int32) bool { return brushes[k].home == a || a > 0 && 2*brushes[k].in[a] >= room[a] }
	for k := range brushes {
		b := &brushes[k]
		most := -1
		for a, c := range b.in {
			if c > most || c == most && a < b.home {
				b.home, most = a, c
			}
		}
		for a, c := range b.in {
			if h := base[a]; atHome(int32(k), a) && (h < 0 || brushes[h].in[a] < c) {
				base[a] = int32(k)
			}
		}
	}
	// Paper that touches no line is left open.
	lights := make([]bool, n)
	seen := make([]bool, n)
	var patch []int32
	for i := range seen {
		if seen[i] || w.paint[i] >= 0 || w.areas.Of[i] == 0 {
			continue
		}
		patch = patch[:0]
		touches := false
		flood(i, func(p int32) {
			seen[p] = true
			patch = append(patch, p)
			touches = touches || w.inks[w.f.Labels[p]]
		}, func(p, q int32) bool { return !seen[q] && w.paint[q] < 0 && w.areas.Of[q] == w.areas.Of[p] })
		border, shared := 0, 0
		for _, p := range patch {
			if w.inks[w.f.Labels[p]] {
				continue
			}
			x := int(p) % width
			for k, q := range [4]int32{p - 1, p + 1, p - int32(width), p + int32(width)} {
				if k == 0 && x == 0 || k == 1 && x == width-1 || q < 0 || int(q) >= n {
					continue
				}
				switch b := base[w.areas.Of[p]]; {
				case w.inks[w.f.Labels[q]]:
					border++
				case of[q] >= 0:
					border++
					if of[q] == b {
						shared++
					}
				}
			}
		}
		if !touches || float64(shared) < float64(shortOf*float64(border)) {
			for _, p := range patch {
				lights[p] = true
			}
		}
	}
	for i := range w.paint {
		a := w.areas.Of[i]
		k := of[i]
		switch {
		case lights[i], a == 0 && k < 0:
		case k >= 0 && atHome(k, a):
		case a > 0 && base[a] >= 0:
			w.paint[i] = brushes[base[a]].paint
		default:
			w.paint[i] = -1
		}
	}
}
