package planar

import "pochoir/quantize/large"

// regions are the connected areas of a label picture, found over runs of equal labels in a row: pixels that share a
// side, and those that a saddle vertex joins.
type regions struct {
	w, h     int
	rowStart []int32 // first run of each row, len h+1
	runX     []int32 // first pixel of each run
	parent   []int32 // union-find over runs, until the faces are known
	face     []int32 // face of each run
	faces    []Face
}

// findRegions finds the regions of a label picture with the lattice of its cracks.
func findRegions(labels []uint8, l *lattice, workers int) *regions {
	w, h := l.w, l.h
	r := &regions{w: w, h: h, rowStart: make([]int32, h+1)}
	inBands(h, workers, func(lo, hi int) {
		for y := lo; y < hi; y++ {
			r.rowStart[y+1] = int32(l.runs(y))
		}
	})
	for y := range h {
		r.rowStart[y+1] += r.rowStart[y]
	}
	total := int(r.rowStart[h])
	r.runX, r.parent, r.face = large.Make[int32](total), large.Make[int32](total), large.Make[int32](total)
	// Within a band rows unite runs of that band only; then the bands are united.
	inBands(h, workers, func(lo, hi int) {
		for i := r.rowStart[lo]; i < r.rowStart[hi]; i++ {
			r.parent[i] = i
		}
		for y := lo; y < hi; y++ {
			l.fillRuns(r.runX[r.rowStart[y]:r.rowStart[y+1]], y)
			if y > lo {
				r.joinRows(labels, l, y)
			}
		}
	})
	for y := bandRows; y < h; y += bandRows {
		r.joinRows(labels, l, y)
	}
	r.collect(labels)
	r.parent = nil
	return r
}

// joinRows unites the runs of row y with those above that they touch.
func (r *regions) joinRows(labels []uint8, l *lattice, y int) {
	w := r.w
	i, iEnd := r.rowStart[y-1], r.rowStart[y]
	j, jEnd := r.rowStart[y], r.rowStart[y+1]
	passes := l.passes[y]
	for i < iEnd && j < jEnd {
		if labels[(y-1)*w+int(r.runX[i])] == labels[y*w+int(r.runX[j])] {
			r.union(i, j)
		}
		// Whichever run ends first gives way; a shared end is a vertex where four cracks may meet.
		ie, je := int32(w), int32(w)
		if i+1 < iEnd {
			ie = r.runX[i+1]
		}
		if j+1 < jEnd {
			je = r.runX[j+1]
		}
		switch {
		case ie < je:
			i++
		case je < ie:
			j++
		default:
			for len(passes) > 0 && passes[0].x < ie {
				passes = passes[1:]
			}
			if len(passes) > 0 && passes[0].x == ie {
				if passes[0].kind == Falling {
					r.union(i, j+1)
				} else {
					r.union(i+1, j)
				}
			}
			i++
			j++
		}
	}
}

func (r *regions) find(i int32) int32 {
	for r.parent[i] != i {
		r.parent[i] = r.parent[r.parent[i]]
		i = r.parent[i]
	}
	return i
}

// union keeps the earlier run as the root, so that faces are numbered in reading order.
func (r *regions) union(i, j int32) {
	i, j = r.find(i), r.find(j)
	if i < j {
		r.parent[j] = i
	} else {
		r.parent[i] = j
	}
}

// collect numbers the faces and sums their areas and boxes.
func (r *regions) collect(labels []uint8) {
	for y := 0; y < r.h; y++ {
		for i := r.rowStart[y]; i < r.rowStart[y+1]; i++ {
			x0, x1 := r.runX[i], int32(r.w)
			if i+1 < r.rowStart[y+1] {
				x1 = r.runX[i+1]
			}
			// An earlier run of the face is its root, or this one.
			if root := r.find(i); root != i {
				r.face[i] = r.face[root]
			} else {
				r.face[i] = int32(len(r.faces))
				r.faces = append(r.faces, Face{Label: labels[y*r.w+int(x0)], MinX: x0, MinY: int32(y), MaxX: x1, MaxY: int32(y) + 1})
			}
			f := &r.faces[r.face[i]]
			f.Area += int(x1 - x0)
			f.MinX, f.MaxX = min(f.MinX, x0), max(f.MaxX, x1)
			f.MaxY = int32(y) + 1
		}
	}
}

// endOf returns the pixel behind a run of row y.
func (r *regions) endOf(run int32, y int) int32 {
	if run+1 < r.rowStart[y+1] {
		return r.runX[run+1]
	}
	return int32(r.w)
}

// runAt returns the run that covers pixel (x, y).
func (r *regions) runAt(x, y int) int32 {
	lo, hi := r.rowStart[y], r.rowStart[y+1]
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if r.runX[mid] <= int32(x) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}
