package paper

// blankMap says which squares of a sheet are white throughout. A nil map knows of none.
type blankMap struct {
	w, h  int // px
	tw    int // squares in a row
	white []bool
}

// blankTile is the side of the squares, px: as high as a band, so that bands of rows share none.
const blankTile = bandRows

// newBlankMap returns a map of w x h px that is white throughout.
func newBlankMap(w, h int) *blankMap {
	tw, th := (w+blankTile-1)/blankTile, (h+blankTile-1)/blankTile
	m := &blankMap{w, h, tw, make([]bool, tw*th)}
	for i := range m.white {
		m.white[i] = true
	}
	return m
}

// drawn marks the squares that the pixels from x0 to x1 of row y lie in.
func (m *blankMap) drawn(x0, x1, y int) {
	row := m.white[y/blankTile*m.tw:][:m.tw]
	for t := x0 / blankTile; t*blankTile < x1; t++ {
		row[t] = false
	}
}

// until returns the first pixel from x on that does not surely lie in white on row y; w where all do.
func (m *blankMap) until(x, y int) int {
	if m == nil {
		return x
	}
	row := m.white[y/blankTile*m.tw:][:m.tw]
	for x < m.w && row[x/blankTile] {
		x = x - x%blankTile + blankTile
	}
	return min(x, m.w)
}

// skip is until for pixels step px apart, x being one of them; it may lie beyond the row.
func (m *blankMap) skip(x, y, step int) int {
	return x + (m.until(x, y)-x+step-1)/step*step
}

// all reports whether a rectangle is surely white.
func (m *blankMap) all(x0, y0, x1, y1 int) bool {
	for y := y0; y < y1; y = y - y%blankTile + blankTile {
		if m.until(x0, y) < x1 {
			return false
		}
	}
	return true
}
