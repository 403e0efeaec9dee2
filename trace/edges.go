package trace

import (
	"math"

	"pochoir/fit"
	"pochoir/quantize"
	"pochoir/quantize/large"
	"pochoir/trace/internal/planar"
)

// This file measures where an edge runs between pixels. Along the normal of a lattice crack the shares of the two
// colours add up to the exact mean position of the edge over that pixel column or row: grey-level moments with known
// levels, Tabatabai & Mitchell, "Edge location to subpixel values in digital imagery", 1984, the zeroth moment.

// edgeSample is one measured edge position, at crack index at+½ of its arc.
type edgeSample struct {
	fit.Sample
	at int32
}

const (
	// directionSpan is how many cracks either side of one tell the local direction of the boundary. Cracks across it
	// carry no position of their own.
	directionSpan = 3
	// maxReach is how far a profile is followed either side of a crack, px. Blur of up to 1.5 px fits.
	maxReach = 8
	// doubtfulWeight is what a sample counts whose profile met a third colour that could not be told apart.
	doubtfulWeight = 0.05
	// A profile that stays within halfSlack of one half for halfPixels in a row runs along an edge that halves them, whose
	// labels coding made change to and fro. One across an edge at up to 45 degrees, with chroma stored for two pixels at a
	// time, passes through that much in two.
	halfSlack  = 0.15
	halfPixels = 3
)

// edgeMeter measures the arcs of one planar map. It reads only, so arcs may be measured in parallel.
type edgeMeter struct {
	flats *quantize.Flats
	m     *planar.Map  // of its labels
	room  []edgeSample // of all arcs: what an arc has lies where its cracks do
	reach int          // px followed either side
	noise float64      // flats.Noise, levels
	coded bool         // a digital picture, with loss: labels along an edge may change to and fro
}

func newEdgeMeter(flats *quantize.Flats, m *planar.Map) *edgeMeter {
	reach := 4 + int(math.Ceil(2.5*flats.Blur))
	return &edgeMeter{flats: flats, m: m, room: large.Make[edgeSample](len(m.Dirs)), reach: min(reach, maxReach), noise: flats.Noise}
}

// pair is what the profile walk needs to know of the two labels of an arc.
type pair struct {
	a, b uint8   // left and right
	pure float64 // an impurity below this counts as none
	rise float64 // an impurity that grows by more than this announces another edge
}

func (e *edgeMeter) pairOf(a, b uint8) pair {
	ca, cb := e.flats.Palette[a].Colour, e.flats.Palette[b].Colour
	dr, dg, db := float64(ca.R)-float64(cb.R), float64(ca.G)-float64(cb.G), float64(ca.B)-float64(cb.B)
	contrast := math.Sqrt(float64(dr*dr) + float64(dg*dg) + float64(db*db))
	noise := 0.0
	if contrast > 0 {
		noise = e.noise / contrast
	}
	// One level of an 8-bit channel is the least that can be told apart; 2.5 σ keep 99 % of a noisy flat area pure.
	return pair{a: a, b: b, pure: min(0.2, max(0.004, 2.5*noise)), rise: min(0.3, max(0.02, 4*noise))}
}

// roomOf returns room for as many samples as an arc has cracks.
func (e *edgeMeter) roomOf(arc *planar.Arc) []edgeSample {
	return e.room[arc.Off : arc.Off : arc.Off+arc.N]
}

// measure returns the samples of an arc in order along it, and how hard its edge is. Arcs along the picture's frame have none.
func (e *edgeMeter) measure(arc *planar.Arc) (out []edgeSample, h hardness) {
	if arc.Left == planar.Outside || arc.Right == planar.Outside {
		return nil, h
	}
	dirs := e.m.Dirs[arc.Off : arc.Off+arc.N]
	pr := e.pairOf(e.m.Faces[arc.Left].Label, e.m.Faces[arc.Right].Label)
	closed := arc.From == planar.None
	out = e.roomOf(arc)
	x, y := int(arc.X), int(arc.Y)
	for i, d := range dirs {
		if alongBoundary(dirs, i, closed) {
			off, weight, mixed := e.offset(x, y, d, pr)
			if mixed >= 0 && besideStep(dirs, i, closed) {
				h.add(hardness{mixed, 1})
			}
			lx, ly, rx, ry := planar.SidePixels(x, y, d)
			out = append(out, edgeSample{
				Sample: fit.Sample{
					Point: fit.Point{
						X: float64(x) + float64(planar.DX[d])/2 + float64(off*float64(rx-lx)),
						Y: float64(y) + float64(planar.DY[d])/2 + float64(off*float64(ry-ly)),
					},
					Weight: weight,
				},
				at: int32(i),
			})
		}
		x += planar.DX[d]
		y += planar.DY[d]
	}
	return out, h
}

// alongBoundary reports whether crack i runs more along the local direction of the boundary than across it.
func alongBoundary(dirs []uint8, i int, closed bool) bool {
	n := len(dirs)
	dx, dy := 0, 0
	for k := i - directionSpan; k <= i+directionSpan; k++ {
		j := k
		if j < 0 || j >= n {
			if !closed {
				continue
			}
			j = (j%n + n) % n
		}
		dx += planar.DX[dirs[j]]
		dy += planar.DY[dirs[j]]
	}
	if dx < 0 {
		dx = -dx
	}
	if dy < 0 {
		dy = -dy
	}
	if dirs[i]&1 == 0 {
		return dx+1 >= dy
	}
	return dy+1 >= dx
}

// offset returns how far the edge lies from the crack that leaves vertex (x, y) in direction d, in px towards the
// right-hand side, how far the measure can be trusted, and how much of the pixels beside is the other colour's, px; -1 where
// that is not one edge's.
func (e *edgeMeter) offset(x, y int, d uint8, pr pair) (off, weight, mixed float64) {
	lx, ly, rx, ry := planar.SidePixels(x, y, d)
	nx, ny := rx-lx, ry-ly
	right := e.side(rx, ry, nx, ny, pr, false)
	if right.thin {
		if w, c, ok := e.band(rx, ry, nx, ny, pr, false); ok {
			return c - w/2, 1, -1
		}
	}
	left := e.side(lx, ly, -nx, -ny, pr, true)
	if left.thin {
		if w, c, ok := e.band(lx, ly, -nx, -ny, pr, true); ok {
			return -(c - w/2), 1, -1
		}
	}
	if right.third >= 0 || left.third >= 0 {
		if o, ok := e.unmix(lx, ly, nx, ny, pr, left, right); ok {
			return o, 0.7, -1
		}
		return right.sum - left.sum, doubtfulWeight, -1
	}
	if !right.ended || !left.ended {
		return right.sum - left.sum, doubtfulWeight, -1
	}
	return right.sum - left.sum, 1, right.sum + left.sum
}

// sideWalk is what a profile meets on one side of a crack.
type sideWalk struct {
	sum   float64 // share of the other colour summed over the side, px
	n     int     // pixels walked
	ended bool    // a pure pixel or the frame was reached
	thin  bool    // the other colour comes back before a pure pixel
	third int     // label met before a pure pixel, -1 if none
}

// side walks from pixel (px, py) in steps of (sx, sy) on the left (a) or right (b) side of a crack.
func (e *edgeMeter) side(px, py, sx, sy int, pr pair, left bool) sideWalk {
	own, other := pr.b, pr.a
	if left {
		own, other = pr.a, pr.b
	}
	w := sideWalk{third: -1}
	last := 2.0
	width, height := e.m.W, e.m.H
	for w.n < e.reach {
		if px < 0 || py < 0 || px >= width || py >= height {
			w.ended = true
			return w
		}
		i := py*width + px
		if l := e.flats.Labels[i]; l != own {
			if l == other {
				w.thin = true
			} else {
				w.third = int(l)
			}
			return w
		}
		f := e.flats.Coverage(i, other, own)
		if f > last+pr.rise {
			// Another edge begins before the colour was pure: the other colour's if the impurity keeps growing, a third
			// one's where the two do not explain it.
			if w.third = e.beyond(i, px, py, sx, sy, own, other); w.third < 0 {
				w.thin = true
			}
			return w
		}
		w.sum += f
		w.n++
		if f < pr.pure || e.flats.IsCore(i) {
			w.ended = true
			return w
		}
		last = f
		px += sx
		py += sy
	}
	return w
}

// foreign is by how many levels a pixel must miss the mixtures of two colours to show a third: each of three channels is
// rounded about twice.
const foreign = 3.5

// beyond returns the label that a walk from pixel i at (px, py) in steps of (sx, sy) meets after own, where the pixel
// shows a colour beside own and other and the label is neither; else -1. Noise tells nothing of the kind.
func (e *edgeMeter) beyond(i, px, py, sx, sy int, own, other uint8) int {
	if _, miss := e.flats.Mixed(i, own, other); e.noise > 0 || miss <= foreign {
		return -1
	}
	for k := 0; k < e.reach && px >= 0 && py >= 0 && px < e.m.W && py < e.m.H; k++ {
		if l := e.flats.Labels[py*e.m.W+px]; l != own {
			if l == other {
				return -1
			}
			return int(l)
		}
		px, py = px+sx, py+sy
	}
	return -1
}

// band measures a stroke too thin for a pure pixel, with the same colour on both sides: its width is the sum of its
// shares along the profile and its centre their centre of gravity, both in px from the crack. The stroke starts at
// pixel (px, py) and is crossed in steps of (sx, sy); left says that it is the left label's.
func (e *edgeMeter) band(px, py, sx, sy int, pr pair, left bool) (width, centre float64, ok bool) {
	own, other := pr.b, pr.a
	if left {
		own, other = pr.a, pr.b
	}
	var sum, moment float64
	add := func(k int) (share float64, inside bool) {
		x, y := px+k*sx, py+k*sy
		if x < 0 || y < 0 || x >= e.m.W || y >= e.m.H {
			return 0, false
		}
		i := y*e.m.W + x
		if l := e.flats.Labels[i]; l != own && l != other {
			return 0, false
		}
		return e.flats.Coverage(i, own, other), true
	}
	// Up the stroke and down its far side.
	last, falling, half := 0.0, false, 0
	for k := range e.reach {
		s, in := add(k)
		if !in {
			return 0, 0, false
		}
		if half++; math.Abs(s-0.5) > halfSlack {
			half = 0
		}
		if e.coded && half == halfPixels {
			return 0, 0, false
		}
		if s < pr.pure {
			break
		}
		if falling && s > last+pr.rise { // the next stroke
			break
		}
		if s < last-pr.rise {
			falling = true
		}
		sum += s
		moment += s * (float64(k) + 0.5)
		last = s
	}
	// Down its near side, before the crack.
	last = 2
	for k := -1; k > -e.reach; k-- {
		s, in := add(k)
		if !in {
			return 0, 0, false
		}
		if s < pr.pure || s > last+pr.rise {
			break
		}
		sum += s
		moment += s * (float64(k) + 0.5)
		last = s
	}
	if sum <= 0 {
		return 0, 0, false
	}
	centre = moment / sum
	if e.noise == 0 && sum < stairWidth {
		st := stroke{e: e, own: own, other: other, pr: pr}
		a, b, sign := px, py, sy
		if sx != 0 {
			st.axis, a, b, sign = 1, py, px, sx
		}
		edge := float64(b) // of pixel (px, py), where the profile begins
		if sign < 0 {
			edge++
		}
		c := column{sum, edge + float64(float64(sign)*centre)}
		centre = float64(sign) * (c.middle - st.stair(a, c) - edge)
	}
	return sum, centre, true
}

// unmix measures an edge whose one side is too thin for a pure pixel and borders a third colour beyond: every pixel
// of the profile is parted into three shares, and the first colour's shares place the edge.
func (e *edgeMeter) unmix(lx, ly, nx, ny int, pr pair, left, right sideWalk) (float64, bool) {
	third := right.third
	if third < 0 {
		third = left.third
	}
	if right.third >= 0 && left.third >= 0 && right.third != left.third {
		return 0, false
	}
	if right.thin || left.thin { // the shares beyond belong to another edge of the two
		return 0, false
	}
	thinRight := right.third >= 0
	if thinRight == (left.third >= 0) {
		return 0, false
	}
	var sum float64
	for _, dir := range [2]int{-1, 1} { // left of the crack, then right of it
		towardsThird := (dir > 0) == thinRight
		for k := 0; ; k++ {
			if k == e.reach {
				return 0, false
			}
			x, y := lx-k*nx, ly-k*ny
			if dir > 0 {
				x, y = lx+(k+1)*nx, ly+(k+1)*ny
			}
			if x < 0 || y < 0 || x >= e.m.W || y >= e.m.H {
				break
			}
			i := y*e.m.W + x
			sa, sb, sc, ok := sharesAt(e.flats, i, pr.a, pr.b, uint8(third))
			if !ok {
				return 0, false
			}
			// The colour on the side away from the third places the edge.
			wide := sa
			if !thinRight {
				wide = sb
			}
			if e.flats.IsCore(i) || towardsThird && 1-sc < pr.pure || !towardsThird && 1-wide < pr.pure {
				break
			}
			switch {
			case towardsThird:
				sum += wide
			default:
				sum -= 1 - wide
			}
		}
	}
	if !thinRight {
		sum = -sum
	}
	return sum, true
}

// distinctLevels is the distance of a colour from the line through two others, levels, from which on rounding alone leaves
// their shares in a pixel good to 0.02: three channels rounded to whole levels are off by 0.4 along any one direction.
const distinctLevels = 20.0

// sharesAt returns the shares of three labels in pixel i.
func sharesAt(f *quantize.Flats, i int, a, b, c uint8) (sa, sb, sc float64, ok bool) {
	var basis [3][3]float64
	for k, l := range [3]uint8{a, b, c} {
		v := f.Palette[l].Colour
		basis[k] = [3]float64{float64(v.R), float64(v.G), float64(v.B)}
	}
	x, y, z := f.Pixel(i)
	return shares([3]float64{x, y, z}, basis, f.Noise == 0)
}

// shares parts colour c into three basis colours, each 0..1 with sum 1 (least squares, then clamped). ok is false
// where the three lie too nearly on a line to be told apart; exact says that pixels are rounded, but have no noise.
func shares(c [3]float64, basis [3][3]float64, exact bool) (a, b, d float64, ok bool) {
	var u, v, w [3]float64
	for k := range c {
		u[k], v[k], w[k] = basis[0][k]-basis[2][k], basis[1][k]-basis[2][k], c[k]-basis[2][k]
	}
	uu, vv, uv, uw, vw := dot3(u, u), dot3(v, v), dot3(u, v), dot3(u, w), dot3(v, w)
	det := float64(uu*vv) - float64(uv*uv)
	// sin² of the angle between the two colour differences; below 10° noise decides.
	if det < 0.03*uu*vv && !(exact && det > distinctLevels*distinctLevels*max(uu, vv, uu+vv-2*uv)) {
		return 0, 0, 0, false
	}
	a = (float64(uw*vv) - float64(vw*uv)) / det
	b = (float64(vw*uu) - float64(uw*uv)) / det
	a, b = max(0, min(1, a)), max(0, min(1, b))
	if s := a + b; s > 1 {
		a, b = a/s, b/s
	}
	return a, b, 1 - a - b, true
}

func dot3(a, b [3]float64) float64 {
	return float64(a[0]*b[0]) + float64(a[1]*b[1]) + float64(a[2]*b[2])
}
