package catalogue

import (
	"database/sql"
	"math"
	"slices"
	"sort"

	"pochoir/quantize/colour"
)

// This file holds the index of colours. The colours there are lie in cells of CIELAB, one row of the table shade each,
// with the items that have them; a colour of many items has a set of its own (colourTerm). A search goes from the colour
// asked for outwards. Which cells and colours may be near enough is told by a lower bound of CIEDE2000 that takes no
// angles, see ball.

// mostInline is how many items a colour may have to stand with it in its cell.
const mostInline = 8

// A colour in the tables is its red, green and blue and its rounded CIELAB: L in halves, a and b in ones from -128.
const colourBytes = 6

// What rounding leaves open.
const (
	slackL  = 0.25
	slackAB = 0.7072 // half the diagonal of a square of 1
)

// shade is a colour with its rounded CIELAB.
type shade struct {
	rgb colour.RGB
	lab [3]uint8
}

func shadeOf(c colour.RGB) shade {
	l := c.Lab()
	byteOf := func(v float64) uint8 { return uint8(min(max(math.Round(v), 0), 255)) }
	return shade{c, [3]uint8{byteOf(2 * l.L), byteOf(l.A + 128), byteOf(l.B + 128)}}
}

func (s shade) encode(b []byte) []byte {
	return append(b, s.rgb.R, s.rgb.G, s.rgb.B, s.lab[0], s.lab[1], s.lab[2])
}

func decodeShade(b []byte) shade {
	return shade{colour.RGB{R: b[0], G: b[1], B: b[2]}, [3]uint8{b[3], b[4], b[5]}}
}

func encodeColours(colours []colour.RGB) []byte {
	b := make([]byte, 0, colourBytes*len(colours))
	for _, c := range colours {
		b = shadeOf(c).encode(b)
	}
	return b
}

func decodeColours(b []byte) (out []shade) {
	for ; len(b) >= colourBytes; b = b[colourBytes:] {
		out = append(out, decodeShade(b))
	}
	return out
}

// Cells are cubes of side cellSide in CIELAB.
const (
	cellSide = 8
	acrossAB = 256 / cellSide
)

// cell is the number of the cell a colour lies in: by L, then a, then b.
func (s shade) cell() int64 {
	return (int64(s.lab[0])/(2*cellSide)*acrossAB+int64(s.lab[1])/cellSide)*acrossAB + int64(s.lab[2])/cellSide
}

// inCell is a colour with its items, ascending; none are listed where there are many.
type inCell struct {
	shade
	many  bool
	items []int64
}

func decodeCell(b []byte) (out []inCell, err error) {
	for len(b) > 0 {
		if len(b) <= colourBytes {
			return nil, errPosting
		}
		c := inCell{shade: decodeShade(b)}
		if c.items, b, err = cutItems(nil, b[colourBytes:]); err != nil {
			return nil, err
		}
		c.many = len(c.items) == 0
		out = append(out, c)
	}
	return out, nil
}

func encodeCell(all []inCell) (b []byte) {
	for _, c := range all {
		b = appendItems(c.encode(b), c.items)
	}
	return b
}

// colourSet is the term of a colour of many items.
func colourSet(c colour.RGB) string { return colourTerm + c.Hex()[1:] }

// indexColours brings cells and sets of the colours up to date.
func indexColours(tx *sql.Tx, p *postings, changed map[colour.RGB]*delta) error {
	byCell := map[int64][]shade{}
	for c := range changed {
		s := shadeOf(c)
		byCell[s.cell()] = append(byCell[s.cell()], s)
	}
	cells := make([]int64, 0, len(byCell))
	for c := range byCell {
		cells = append(cells, c)
	}
	slices.Sort(cells)
	users, err := tx.Prepare("SELECT DISTINCT item FROM swatch WHERE colour = ? ORDER BY item LIMIT ?")
	if err != nil {
		return err
	}
	defer users.Close()
	itemsOf := func(c colour.RGB, limit int) (ids []int64, err error) {
		rows, err := users.Query(tint(c), limit)
		if err != nil {
			return nil, err
		}
		defer rows.Close()
		for rows.Next() {
			var id int64
			if err := rows.Scan(&id); err != nil {
				return nil, err
			}
			ids = append(ids, id)
		}
		return ids, rows.Err()
	}
	for _, cell := range cells {
		var b []byte
		err := tx.QueryRow("SELECT colours FROM shade WHERE cell = ?", cell).Scan(&b)
		if err != nil && err != sql.ErrNoRows {
			return err
		}
		all, err := decodeCell(b)
		if err != nil {
			return err
		}
		at := map[colour.RGB]int{}
		for i, c := range all {
			at[c.rgb] = i
		}
		for _, s := range byCell[cell] {
			i, known := at[s.rgb]
			if !known {
				i = len(all)
				at[s.rgb] = i
				all = append(all, inCell{shade: s})
			}
			c := &all[i]
			if c.items, err = itemsOf(s.rgb, mostInline+1); err != nil {
				return err
			}
			was := c.many
			c.many = len(c.items) > mostInline
			switch {
			case c.many && was:
				err = p.change(colourSet(s.rgb), changed[s.rgb])
			case c.many:
				var ids []int64
				if ids, err = itemsOf(s.rgb, -1); err == nil {
					err = p.change(colourSet(s.rgb), &delta{add: ids})
				}
			case was:
				_, err = p.clear.Exec(colourSet(s.rgb))
			}
			if err != nil {
				return err
			}
		}
		kept := all[:0]
		for _, c := range all {
			switch {
			case c.many:
				c.items = nil
			case len(c.items) == 0:
				continue // no item has it any more
			}
			kept = append(kept, c)
		}
		slices.SortFunc(kept, func(a, b inCell) int { return int(tint(a.rgb) - tint(b.rgb)) })
		if len(kept) == 0 {
			_, err = tx.Exec("DELETE FROM shade WHERE cell = ?", cell)
		} else {
			_, err = tx.Exec("INSERT OR REPLACE INTO shade VALUES (?, ?)", cell, encodeCell(kept))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// MostWithin is how far from a colour can be searched, CIEDE2000.
const MostWithin = 30.0

// ball is a bound from below of CIEDE2000 around a colour (G. Sharma, W. Wu, E. N. Dalal, "The CIEDE2000
// Color-Difference Formula", Color Research & Application 30(1), 2005, equations 2 to 22).
//
// With D the distance of two colours in the plane of a and b: a' = (1+G)a stretches, so D' >= D, and ΔC'² + ΔH'² = D'².
// SC is the greater of SC and SH and grows with the mean chroma, which is at most the target's plus D/2. The rotation takes
// at most the share |RT|/2 off the sum of both squares. So
//
//	ΔE² >= (ΔL/SL)² + turned (D/SC)²
//
// where SL is the greatest for the lightnesses in reach, and turned = 1-|RT|/2 the least for the hues in reach.
type ball struct {
	target colour.Lab
	within float64
	c      float64 // chroma of the target
	sL     float64
	turned float64
	reach  float64 // no colour within is farther in the plane of a and b
	reachL float64 // nor in lightness
}

const to7 = 25.0 * 25 * 25 * 25 * 25 * 25 * 25

func pow7(c float64) float64 { return c * c * c * c * c * c * c }

// stretched is the greatest C' of a colour of chroma c whose partner makes the mean chroma c.
func stretched(c float64) float64 {
	c7 := pow7(c)
	return c * (1.5 - 0.5*math.Sqrt(c7/(c7+to7)))
}

// ballAround bounds the colours within that difference of target.
func ballAround(target colour.Lab, within float64) ball {
	b := ball{target: target, within: within, c: math.Hypot(target.A, target.B)}
	weightL := func(l float64) float64 {
		l50 := (l - 50) * (l - 50)
		return 1 + 0.015*l50/math.Sqrt(20+l50)
	}
	b.sL = max(weightL(0), weightL(100)) // the greatest there is
	for range 3 {
		b.reachL = within * b.sL
		lo, hi := max(0, target.L-b.reachL/2), min(100, target.L+b.reachL/2)
		b.sL = max(weightL(lo), weightL(hi)) // it grows with the distance from 50
	}
	const leastTurned = 1 - 0.8660254037844387 // |RT| is less than 2 sin 60°
	b.turned = leastTurned
	for range 3 {
		// the farthest D for which the bound does not exceed within
		lo, hi := 0.0, 400.0
		for range 30 {
			mid := (lo + hi) / 2
			if b.plane(mid)*math.Sqrt(b.turned) <= within {
				lo = mid
			} else {
				hi = mid
			}
		}
		b.reach = hi
		b.turned = 1 - b.rotation()/2
	}
	return b
}

// plane is D over the greatest SC.
func (b *ball) plane(d float64) float64 { return d / (1 + 0.045*stretched(b.c+d/2)) }

// rotation is the greatest |RT| for a colour in reach.
func (b *ball) rotation() float64 {
	c7 := pow7(stretched(b.c + b.reach/2))
	rc := 2 * math.Sqrt(c7/(c7+to7))
	// the mean hue lies half as far from the target's as the other's; a' stretches by one to one and a half
	away := 0.0
	if b.c > 1.5*b.reach {
		h1, h2 := math.Atan2(b.target.B, b.target.A), math.Atan2(b.target.B, 1.5*b.target.A)
		turn := math.Asin(1.5*b.reach/b.c) / 2
		lo, hi := min(h1, h2)-turn, max(h1, h2)+turn
		blue := 275.0 - 360
		lo, hi = lo*180/math.Pi, hi*180/math.Pi
		for _, at := range []float64{blue, blue + 360} {
			d := max(0, lo-at, at-hi)
			if at == blue || d < away {
				away = d
			}
		}
	}
	theta := 30 * math.Exp(-(away/25)*(away/25))
	return rc * math.Sin(2*theta*math.Pi/180)
}

// from is the least difference of a colour whose lightness is dL and whose place in the plane of a and b is d from the
// target's, at least; infinite beyond within.
func (b *ball) from(dL, d float64) float64 {
	if dL > b.reachL || d > b.reach {
		return math.Inf(1)
	}
	x, y := dL/b.sL, b.plane(d)
	return math.Sqrt(x*x + b.turned*y*y)
}

// least is the least difference of a colour.
func (b *ball) least(s shade) float64 {
	dL := math.Abs(float64(s.lab[0])/2-b.target.L) - slackL
	da, db := float64(s.lab[1])-128-b.target.A, float64(s.lab[2])-128-b.target.B
	return b.from(max(0, dL), max(0, math.Sqrt(da*da+db*db)-slackAB))
}

// candidate is a cell that may hold colours within.
type candidate struct {
	cell  int64
	bound float64 // no colour in it is nearer
}

// cells lists the cells that may hold colours within, the nearest first.
func (b *ball) cells() []candidate {
	var out []candidate
	span := func(v, reach, unit float64, most int) (lo, hi int) {
		return max(0, int(math.Floor((v-reach-1)/unit))), min(most, int(math.Floor((v+reach+1)/unit)))
	}
	gap := func(v float64, i int, slack float64) float64 { // from v to what is rounded into the i-th interval
		return max(0, float64(i*cellSide)-slack-v, v-float64((i+1)*cellSide)+slack)
	}
	l0, l1 := span(b.target.L, b.reachL, cellSide, 100/cellSide)
	a0, a1 := span(b.target.A+128, b.reach, cellSide, acrossAB-1)
	b0, b1 := span(b.target.B+128, b.reach, cellSide, acrossAB-1)
	for l := l0; l <= l1; l++ {
		dL := gap(b.target.L, l, slackL)
		for i := a0; i <= a1; i++ {
			da := gap(b.target.A+128, i, 0.5)
			for k := b0; k <= b1; k++ {
				db := gap(b.target.B+128, k, 0.5)
				if d := b.from(dL, math.Sqrt(da*da+db*db)); d <= b.within {
					out = append(out, candidate{int64((l*acrossAB+i)*acrossAB + k), d})
				}
			}
		}
	}
	sort.Slice(out, func(i, j int) bool {
		return out[i].bound < out[j].bound || out[i].bound == out[j].bound && out[i].cell < out[j].cell
	})
	return out
}

// near is an item with the difference of its nearest colour.
type near struct {
	id         int64
	difference float64
}

func sortNear(all []near) {
	slices.SortFunc(all, func(a, b near) int {
		switch {
		case a.difference < b.difference:
			return -1
		case a.difference > b.difference:
			return 1
		}
		return int(b.id - a.id)
	})
}

// amongColours returns the items of few with a colour within, the nearest first, equally near ones the newest first.
func (c *Catalogue) amongColours(tx *sql.Tx, few set, b ball) ([]near, error) {
	var ids []int64
	few.each(func(id int64) bool { ids = append(ids, id); return true })
	var out []near
	err := c.each(tx, "SELECT x.item, x.colours FROM json_each(?) AS t CROSS JOIN indexed AS x ON x.item = t.value", func(r row) error {
		var id int64
		var blob sql.RawBytes
		if err := r.Scan(&id, &blob); err != nil {
			return err
		}
		best := math.Inf(1)
		for ; len(blob) >= colourBytes; blob = blob[colourBytes:] {
			s := decodeShade(blob)
			if bound := b.least(s); bound <= b.within && bound < best {
				best = min(best, colour.Difference(b.target, s.rgb.Lab()))
			}
		}
		if best <= b.within {
			out = append(out, near{id, best})
		}
		return nil
	}, numbers(ids))
	sortNear(out)
	return out, err
}

// firstReach is the difference up to which cells are looked into first; each time after it is nearStep times as much.
const (
	firstReach = 1.0
	nearStep   = 1.6
)

// nearColours returns up to limit items with a colour within, the nearest first, equally near ones the newest first; only
// such as are in among, where that is not nil.
func (c *Catalogue) nearColours(tx *sql.Tx, among set, b ball, limit int) ([]near, error) {
	queue := b.cells()
	type tinted struct {
		inCell
		difference float64
	}
	var open []tinted // seen, but not yet known to be the nearest left
	var out []near
	seen := map[int64]bool{}
	for reach := firstReach; ; reach *= nearStep {
		reach = min(reach, b.within)
		n := sort.Search(len(queue), func(i int) bool { return queue[i].bound > reach })
		var cells []int64
		for _, q := range queue[:n] {
			cells = append(cells, q.cell)
		}
		queue = queue[n:]
		err := c.each(tx, "SELECT s.colours FROM json_each(?) AS t CROSS JOIN shade AS s ON s.cell = t.value", func(r row) error {
			var blob sql.RawBytes
			if err := r.Scan(&blob); err != nil {
				return err
			}
			var ids [mostInline]int64
			for len(blob) > colourBytes {
				s := decodeShade(blob)
				items, rest, err := cutItems(ids[:0], blob[colourBytes:])
				if err != nil {
					return err
				}
				blob = rest
				many := len(items) == 0
				if among != nil {
					items = slices.DeleteFunc(items, func(id int64) bool { return !among.has(id) })
				}
				if len(items) == 0 && !many || b.least(s) > b.within {
					continue
				}
				if d := colour.Difference(b.target, s.rgb.Lab()); d <= b.within {
					open = append(open, tinted{inCell{s, many, slices.Clone(items)}, d})
				}
			}
			return nil
		}, numbers(cells))
		if err != nil {
			return nil, err
		}
		slices.SortFunc(open, func(a, b tinted) int {
			switch {
			case a.difference < b.difference:
				return -1
			case a.difference > b.difference:
				return 1
			}
			return int(tint(a.rgb) - tint(b.rgb))
		})
		done := 0
		for done < len(open) && open[done].difference <= reach && len(out) < limit {
			// those that are equally near are put in order together
			var same []near
			d := open[done].difference
			for ; done < len(open) && open[done].difference == d; done++ {
				t := open[done]
				if t.many {
					if t.items, err = c.newestOf(tx, t.rgb, among, seen, limit-len(out)); err != nil {
						return nil, err
					}
				}
				for _, id := range t.items {
					if !seen[id] {
						same = append(same, near{id, d})
					}
				}
			}
			sortNear(same)
			for _, s := range same {
				if !seen[s.id] && len(out) < limit {
					seen[s.id] = true
					out = append(out, s)
				}
			}
		}
		open = open[done:]
		if len(out) == limit || reach == b.within {
			return out, nil
		}
	}
}

// newestOf returns the newest items of a colour of many that are in among, where that is not nil, and not seen yet.
func (c *Catalogue) newestOf(tx *sql.Tx, rgb colour.RGB, among set, seen map[int64]bool, limit int) (ids []int64, err error) {
	s, err := c.sets(tx, []group{{colourSet(rgb)}})
	if err != nil {
		return nil, err
	}
	err = s.walk(limit+len(seen), func(id int64) bool {
		if !seen[id] && (among == nil || among.has(id)) {
			ids = append(ids, id)
		}
		return len(ids) < limit
	})
	return ids, err
}
