package catalogue

import (
	"database/sql"
	"encoding/binary"
	"fmt"
	"math"
	"slices"

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

// A cell's row holds the number of its entries, the items of all entries, the colours of all entries, and the colours of
// many items.

func encodeCell(all []inCell) []byte {
	n := 0
	for _, c := range all {
		n += len(c.items)
	}
	b := binary.LittleEndian.AppendUint32(nil, uint32(n))
	for _, c := range all {
		for _, id := range c.items {
			b = binary.LittleEndian.AppendUint32(b, uint32(id)) // postings.change lets no greater in
		}
	}
	for _, c := range all {
		for range c.items {
			b = c.encode(b)
		}
	}
	for _, c := range all {
		if c.many {
			b = c.encode(b)
		}
	}
	return b
}

// cellParts are the parts of a cell's row.
func cellParts(b []byte) (items, colours, many []byte, err error) {
	if len(b) < 4 {
		return nil, nil, nil, errPosting
	}
	n := int(binary.LittleEndian.Uint32(b))
	b = b[4:]
	if n > len(b)/(4+colourBytes) || (len(b)-n*(4+colourBytes))%colourBytes != 0 {
		return nil, nil, nil, errPosting
	}
	end := n * (4 + colourBytes)
	return b[:4*n], b[4*n : end], b[end:], nil
}

func decodeCell(b []byte) (out []inCell, err error) {
	if b == nil {
		return nil, nil
	}
	items, colours, many, err := cellParts(b)
	for ; len(items) > 0; items, colours = items[4:], colours[colourBytes:] {
		s, id := decodeShade(colours), int64(binary.LittleEndian.Uint32(items))
		if n := len(out); n > 0 && out[n-1].shade == s {
			out[n-1].items = append(out[n-1].items, id)
		} else {
			out = append(out, inCell{shade: s, items: []int64{id}})
		}
	}
	for ; len(many) > 0; many = many[colourBytes:] {
		out = append(out, inCell{shade: decodeShade(many), many: true})
	}
	return out, err
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
				err = p.drop(colourSet(s.rgb))
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
// SC is the greater of SC and SH and grows with the mean chroma. The rotation takes at most the share |RT|/2 off the sum of
// both squares. So
//
//	ΔE² >= (ΔL/SL)² + (1-|RT|/2)(D/SC)²
//
// where SL is the greatest for the lightnesses in reach, and SC and |RT| the greatest for the cells of one place in the
// plane, see column.
type ball struct {
	target colour.Lab
	within float64
	c      float64 // chroma of the target
	hue    float64 // of the target, radians
	sL     float64
	reach  float64 // no colour within is farther in the plane of a and b
	reachL float64 // nor in lightness
}

const to7 = 25.0 * 25 * 25 * 25 * 25 * 25 * 25

// share7 is the root in the formula that tells pale from strong colours.
func share7(c float64) float64 {
	c7 := c * c * c * c * c * c * c
	return math.Sqrt(c7 / (c7 + to7))
}

// stretch is the greatest 1+G of a pair whose mean chroma is c or more.
func stretch(c float64) float64 { return 1.5 - 0.5*share7(c) }

// stretched is the greatest mean C' of a pair whose mean chroma is c or less; c times stretch grows with c.
func stretched(c float64) float64 { return c * stretch(c) }

// ballAround bounds the colours within that difference of target.
func ballAround(target colour.Lab, within float64) ball {
	b := ball{target: target, within: within, c: math.Hypot(target.A, target.B), hue: math.Atan2(target.B, target.A)}
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
	lo, hi := 0.0, 400.0
	for range 24 { // the farthest D for which the bound does not exceed within
		mid := (lo + hi) / 2
		if mid/(1+0.045*stretched(b.c+mid/2))*leastTurned <= within {
			lo = mid
		} else {
			hi = mid
		}
	}
	b.reach = hi
	return b
}

// column is one place in the plane of a and b, cells of all lightnesses.
type column struct {
	i, k   int
	d      float64 // its colours are not nearer to the target in the plane
	cm     float64 // nor is the mean C' with one of them greater
	weight float64 // by which a distance in the plane counts without the rotation, at least
	least  float64 // by which it counts with it, as far as is quickly told; see turned
}

// leastTurned is the least root of 1-|RT|/2, as |RT| is less than 2 sin 60°.
var leastTurned = math.Sqrt(1 - 0.8660254037844387)

// corners are what is rounded into the i-th place of a and the k-th of b.
func corners(i, k int) (a0, a1, b0, b1 float64) {
	a0, b0 = float64(i*cellSide)-128.5, float64(k*cellSide)-128.5
	return a0, a0 + cellSide, b0, b0 + cellSide
}

// outside is how far v lies outside an interval.
func outside(v, lo, hi float64) float64 { return max(0, lo-v, v-hi) }

// columns lists the places that may hold colours within.
func (b *ball) columns() []column {
	var out []column
	far := func(lo, hi float64) float64 { return max(math.Abs(lo), math.Abs(hi)) }
	x0, x1 := span(b.target.A+128, b.reach, acrossAB-1)
	y0, y1 := span(b.target.B+128, b.reach, acrossAB-1)
	for i := x0; i <= x1; i++ {
		for k := y0; k <= y1; k++ {
			a0, a1, b0, b1 := corners(i, k)
			col := column{i: i, k: k, d: hypot(outside(b.target.A, a0, a1), outside(b.target.B, b0, b1))}
			col.cm = stretched((b.c + hypot(far(a0, a1), far(b0, b1))) / 2)
			col.weight = 1 / (1 + 0.045*col.cm)
			col.least = col.weight * leastTurned
			// seen from the grey axis, all of a place of chroma 30 lies within 11 degrees of its middle
			if u, v := a0+cellSide/2, b0+cellSide/2; u*u+v*v > 30*30 {
				col.least = col.weight * b.quickly(u, v, 11)
			}
			if col.d*col.least <= b.within {
				out = append(out, col)
			}
		}
	}
	return out
}

// quickly is the least root of 1-|RT|/2 for colours whose hue lies within slack degrees, 0 to 15, of that of u and v in
// the plane.
func (b *ball) quickly(u, v, slack float64) float64 {
	c := hypot(u, v)
	// the sum of both, each as long as the other is in truth, points along the mean hue
	m, n := u*b.c+b.target.A*c, v*b.c+b.target.B*c
	sum := hypot(m, n)
	if b.c < 1 || sum < 0.5*c*b.c { // it is not plain on which side the mean lies
		return leastTurned
	}
	const cos275, sin275 = 0.08715574274765814, -0.9961946980917455
	cos := (m*cos275 + n*sin275) / sum
	for _, t := range quickTurns {
		if cos <= t.cos[int(slack/5)] {
			return t.turned
		}
	}
	return leastTurned
}

// quickTurns tells what the rotation is at most where the mean hue lies so many degrees or more from 275: after what
// stretching a by up to half turns it, 11.6 degrees, and half of the slack, which is rounded up to fives.
var quickTurns = func() (all []quickTurn) {
	for _, away := range [...]float64{48, 30, 15} {
		t := quickTurn{turned: math.Sqrt(1 - math.Sin(2*30*math.Exp(-(away/25)*(away/25))*math.Pi/180))}
		for i := range t.cos {
			t.cos[i] = math.Cos((away + 11.6 + 2.5*float64(i+1)) * math.Pi / 180)
		}
		all = append(all, t)
	}
	return all
}()

type quickTurn struct {
	turned float64
	cos    [4]float64 // by slack in fives
}

// span is the cells in which the values from v-reach to v+reach lie, from 0 to most.
func span(v, reach float64, most int) (lo, hi int) {
	return max(0, int(math.Floor((v-reach-1)/cellSide))), min(most, int(math.Floor((v+reach+1)/cellSide)))
}

// turned is the weight of a column with the rotation, and what the difference in hue adds to the square of the bound: as
// SH is less than SC, (ΔC/SC)² + (ΔH/SH)² = (D'/SC)² + ΔH²(1/SH² - 1/SC²).
func (b *ball) turned(col *column) (weight, more float64) {
	a0, a1, b0, b1 := corners(col.i, col.k)
	nearest := hypot(outside(0, a0, a1), outside(0, b0, b1)) // the least chroma
	var h hues
	if nearest > 0 && b.c > 0 {
		h = b.hues(a0, a1, b0, b1, stretch((b.c+nearest)/2))
	}
	theta := 30 * math.Exp(-(h.away/25)*(h.away/25))
	turned := 1 - share7(col.cm)*math.Sin(2*theta*math.Pi/180)
	if h.told {
		dH := 2 * math.Sqrt(b.c*nearest) * math.Sin(h.apart/2)
		sH := 1 + 0.015*col.cm*h.t
		more = turned * dH * dH * max(0, 1/(sH*sH)-col.weight*col.weight)
	}
	return col.weight * math.Sqrt(turned), more
}

func hypot(x, y float64) float64 { return math.Sqrt(x*x + y*y) }

// hues says how the hues of the target and the colours of a box in the plane lie.
type hues struct {
	told  bool    // the shorter way round from one to the other is the same for all; else nothing is known
	away  float64 // degrees from 275 to the mean hue, at least
	apart float64 // radians between the hues, at least
	t     float64 // T of the formula, at most
}

// hues bounds them for all stretches of a from one to most.
func (b *ball) hues(a0, a1, b0, b1, most float64) (h hues) {
	turn := func(y, x float64) float64 { // from the target's hue, -π to π
		t := math.Atan2(y, x) - b.hue
		switch {
		case t > math.Pi:
			t -= 2 * math.Pi
		case t < -math.Pi:
			t += 2 * math.Pi
		}
		return t
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, y := range [2]float64{b0, b1} {
		for _, x := range [4]float64{a0, a1, most * a0, most * a1} {
			t := turn(y, x)
			lo, hi = min(lo, t), max(hi, t)
		}
	}
	own := turn(b.target.B, most*b.target.A)
	own0, own1 := min(0, own), max(0, own)
	if hi-own0 >= math.Pi || own1-lo >= math.Pi {
		return h
	}
	h.told, h.apart = true, max(0, lo-own1, own0-hi)
	lo, hi = b.hue+(own0+lo)/2, b.hue+(own1+hi)/2 // of the mean
	mean := (lo + hi) / 2
	const steepest = 0.17 + 2*0.24 + 3*0.32 + 4*0.20
	h.t = steepest*(hi-lo)/2 + 1 - 0.17*math.Cos(mean-math.Pi/6) + 0.24*math.Cos(2*mean) + 0.32*math.Cos(3*mean+math.Pi/30) -
		0.20*math.Cos(4*mean-63*math.Pi/180)
	h.away = math.Inf(1)
	for _, at := range [...]float64{275 - 720, 275 - 360, 275, 275 + 360} {
		h.away = min(h.away, outside(at, lo*180/math.Pi, hi*180/math.Pi))
	}
	return h
}

// candidate is a cell that may hold colours within.
type candidate struct {
	cell   int64
	bound  float64 // no colour in it is nearer
	weight float64 // see column
}

// cells lists the cells of a column that may hold colours within.
func (b *ball) cells(dst []candidate, col *column) []candidate {
	weight, more := b.turned(col)
	y := col.d * weight
	if y = math.Sqrt(y*y + more); y > b.within {
		return dst
	}
	l0, l1 := span(b.target.L, b.reachL, 100/cellSide)
	for l := l0; l <= l1; l++ {
		x := outside(b.target.L, float64(l*cellSide)-slackL, float64((l+1)*cellSide)-slackL) / b.sL
		if bound := hypot(x, y); bound <= b.within {
			dst = append(dst, candidate{int64((l*acrossAB+col.i)*acrossAB + col.k), bound, weight})
		}
	}
	return dst
}

// least is the least difference of a colour in a cell of that weight.
func (b *ball) least(s shade, weight float64) float64 {
	dL := max(0, math.Abs(float64(s.lab[0])/2-b.target.L)-slackL) / b.sL
	d := max(0, hypot(float64(s.lab[1])-128-b.target.A, float64(s.lab[2])-128-b.target.B)-slackAB) * weight
	return hypot(dL, d)
}

// near is an item with the difference of its nearest colour.
type near struct {
	id         int64
	difference float64
}

// sortNear puts the nearest first, of equally near ones the newest.
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

// plainlyFar reports whether a colour is beyond within by what is quickly told.
func (b *ball) plainlyFar(s shade) bool {
	x := max(0, math.Abs(float64(s.lab[0])/2-b.target.L)-slackL)
	if x > b.reachL {
		return true
	}
	u, v := float64(s.lab[1])-128, float64(s.lab[2])-128
	c := hypot(u, v)
	turned := leastTurned
	if c > 8 { // rounding turns its hue by less than 6 degrees
		turned = b.quickly(u, v, 6)
	}
	y := max(0, hypot(u-b.target.A, v-b.target.B)-slackAB) * turned / (1 + 0.045*stretched((b.c+c+slackAB)/2))
	x /= b.sL
	return x*x+y*y > b.within*b.within
}

// nearestOf is the difference of the nearest of some colours, infinite where none is within.
func (b *ball) nearestOf(colours []byte) float64 {
	best := math.Inf(1)
	for ; len(colours) >= colourBytes; colours = colours[colourBytes:] {
		if s := decodeShade(colours); !b.plainlyFar(s) {
			best = min(best, colour.Difference(b.target, s.rgb.Lab()))
		}
	}
	if best > b.within {
		return math.Inf(1)
	}
	return best
}

// amongColours returns the items of few with a colour within, the nearest first, equally near ones the newest first.
func (c *Catalogue) amongColours(tx *sql.Tx, few []listing, b *ball) ([]near, error) {
	var out []near
	var open []int64
	take := func(id int64, colours []byte) {
		if d := b.nearestOf(colours); d <= b.within {
			out = append(out, near{id, d})
		}
	}
	for _, l := range few {
		if l.record != nil {
			if colours, ok := recordColours(l.record); ok {
				take(l.id, colours)
				continue
			}
		}
		open = append(open, l.id)
	}
	var err error
	if len(open) > 0 {
		err = c.each(tx, "SELECT x.item, x.colours FROM json_each(?) AS t CROSS JOIN indexed AS x ON x.item = t.value", func(r row) error {
			var id int64
			var colours sql.RawBytes
			err := r.Scan(&id, &colours)
			take(id, colours)
			return err
		}, numbers(open))
	}
	sortNear(out)
	return out, err
}

// Cells are looked into up to a difference that grows: first only that of the colour itself, then a share of that within
// which there would be enough if colours were spread evenly, then by factors between these.
const (
	evenShare = 0.75
	leastStep = 1.25
	mostStep  = 1.8
)

// evenReach is about the difference within which one of n items has a colour, where colours are spread evenly: 2.3 for 50
// of 100,000 items of five colours, measured.
func evenReach(wanted, n int) float64 {
	return 2.3 * math.Cbrt(float64(wanted)/50*100000/float64(max(n, 1)))
}

// tinted is a colour that was met, with an item of it or, where that is 0, with many.
type tinted struct {
	rgb        colour.RGB
	id         int64
	difference float64 // at least, or exactly
}

// nearColours returns up to limit items with a colour within, the nearest first, equally near ones the newest first; only
// such as are in among, where that is not nil.
func (c *Catalogue) nearColours(tx *sql.Tx, among set, b *ball, limit int) ([]near, error) {
	columns := b.columns()
	var queue []candidate // cells of columns that have come into reach
	var kept []*bitset    // among by chunk
	for chunk, s := range among {
		for int64(len(kept)) <= chunk {
			kept = append(kept, nil)
		}
		kept[chunk] = s
	}
	n := among.count()
	if among == nil {
		if err := c.each(tx, "SELECT max(id) FROM item", func(r row) error {
			var id sql.NullInt64
			err := r.Scan(&id)
			n = int(id.Int64)
			return err
		}); err != nil {
			return nil, err
		}
	}
	var vague []tinted // may be nearer than the least step not yet taken
	var open []tinted  // whose difference is known, but not yet that they are the nearest left
	var out []near
	seen := map[int64]bool{}
	reach := 0.0
	if among != nil { // those of the colour itself have been asked for, see ofColour
		reach = min(b.within, evenReach(limit, n)*evenShare)
	}
	for {
		untouched := columns[:0]
		for i := range columns {
			if col := &columns[i]; col.d*col.least <= reach {
				queue = b.cells(queue, col)
			} else {
				untouched = append(untouched, *col)
			}
		}
		columns = untouched
		var now []candidate
		later := queue[:0]
		for _, q := range queue {
			if q.bound <= reach {
				now = append(now, q)
			} else {
				later = append(later, q)
			}
		}
		queue = later
		more, err := c.colours(tx, now, among != nil, kept, b)
		if err != nil {
			return nil, err
		}
		vague = append(vague, more...)
		rest := vague[:0]
		last := tinted{difference: -1} // none yet
		for _, t := range vague {
			if t.difference > reach {
				rest = append(rest, t)
				continue
			}
			if last.difference >= 0 && last.rgb == t.rgb {
				t.difference = last.difference
			} else {
				t.difference = colour.Difference(b.target, t.rgb.Lab())
			}
			last = t
			if t.difference <= b.within {
				open = append(open, t)
			}
		}
		vague = rest
		slices.SortFunc(open, func(a, b tinted) int {
			switch {
			case a.difference < b.difference:
				return -1
			case a.difference > b.difference:
				return 1
			}
			return 0
		})
		done := 0
		for done < len(open) && open[done].difference <= reach && len(out) < limit {
			// those that are equally near are put in order together
			var same []near
			d := open[done].difference
			for ; done < len(open) && open[done].difference == d; done++ {
				t := open[done]
				if t.id != 0 {
					same = append(same, near{t.id, d})
					continue
				}
				ids, err := c.newestOf(tx, t.rgb, among, seen, limit-len(out))
				if err != nil {
					return nil, err
				}
				for _, id := range ids {
					same = append(same, near{id, d})
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
		if len(out) == limit || reach >= b.within {
			return out, nil
		}
		if reach == 0 {
			reach = evenReach(limit, n) * evenShare
		} else {
			reach *= min(mostStep, max(leastStep, math.Cbrt(1.2*float64(limit)/float64(1+len(out)))))
		}
		reach = min(reach, b.within)
	}
}

const runBits = 20

var runsQuery = fmt.Sprintf(`SELECT s.cell, s.colours FROM json_each(?) AS t CROSS JOIN shade AS s
	ON s.cell BETWEEN t.value >> %d AND (t.value >> %[1]d) + (t.value & %d)`, runBits, 1<<runBits-1)

// colours reads cells: their colours that may be within, with items that are among kept where that counts.
func (c *Catalogue) colours(tx *sql.Tx, cells []candidate, some bool, kept []*bitset, b *ball) (out []tinted, err error) {
	if len(cells) == 0 {
		return nil, nil
	}
	slices.SortFunc(cells, func(a, b candidate) int { return int(a.cell - b.cell) })
	// cells that follow each other are read in one go: the number of the first, and how many more
	var runs []int64
	for i, q := range cells {
		if i > 0 && cells[i-1].cell+1 == q.cell {
			runs[len(runs)-1]++
		} else {
			runs = append(runs, q.cell<<runBits)
		}
	}
	at := 0
	err = c.each(tx, runsQuery, func(r row) error {
		var cell int64
		var blob sql.RawBytes
		if err := r.Scan(&cell, &blob); err != nil {
			return err
		}
		for cells[at].cell != cell { // rows come in the order of cells
			at++
		}
		items, colours, many, err := cellParts(blob)
		weight := cells[at].weight
		for i := 0; i < len(items)/4; i++ {
			id := int64(binary.LittleEndian.Uint32(items[4*i:]))
			if some {
				c := id >> chunkBits
				if c >= int64(len(kept)) || kept[c] == nil || !kept[c].has(id&(chunkSize-1)) {
					continue
				}
			}
			s := decodeShade(colours[colourBytes*i:])
			if d := b.least(s, weight); d <= b.within {
				out = append(out, tinted{s.rgb, id, d})
			}
		}
		for ; len(many) > 0; many = many[colourBytes:] {
			s := decodeShade(many)
			if d := b.least(s, weight); d <= b.within {
				out = append(out, tinted{s.rgb, 0, d})
			}
		}
		return err
	}, numbers(runs))
	return out, err
}

// newestOf returns the newest items of a colour of many that are in among, where that is not nil, and not seen yet.
func (c *Catalogue) newestOf(tx *sql.Tx, rgb colour.RGB, among set, seen map[int64]bool, limit int) (ids []int64, err error) {
	s, err := c.sets(tx, []group{{colourSet(rgb)}}, nil)
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
