package paper

// wipeRim whitens the sliver of desk, or of the sheet's own edge, that a straightened sheet keeps along its rim: dark
// pixels at the rim with paper right behind them. What goes on into the sheet stays.
func (s *Sheet) wipeRim() {
	const (
		deepest = 5   // px: the sides are known to a pixel or two of the sheet, and blurred
		paper   = 246 // level that all channels of bare paper reach
	)
	if s.W <= 4*deepest || s.H <= 4*deepest {
		return
	}
	side := func(n, start, along, in int) {
		for i := range n {
			at := 4 * (start + i*along)
			depth := 0
			for depth < deepest {
				p := s.Pix[at+4*depth*in:][:3]
				if p[0] >= paper && p[1] >= paper && p[2] >= paper {
					break
				}
				depth++
			}
			if depth == deepest {
				continue
			}
			if depth > 0 {
				depth++ // its blur
			}
			for d := range depth {
				p := s.Pix[at+4*d*in:][:3]
				p[0], p[1], p[2] = 255, 255, 255
			}
		}
	}
	side(s.W, 0, 1, s.W)
	side(s.W, (s.H-1)*s.W, 1, -s.W)
	side(s.H, 0, s.W, 1)
	side(s.H, s.W-1, s.W, -1)
}
