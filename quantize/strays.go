package quantize

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"pochoir/quantize/colour"
)

// A patch is a connected quiet place whose colour is no tint yet.
type patch struct {
	pixels []int
	v      tone // median
	c      colour.RGB
}

// strays makes tints of quiet patches that no tint and no haze between tints explains. It reports whether it made any.
func (q *flattener) strays() bool {
	q.prepareMixtures()
	patches := q.quietPatches()
	slices.SortStableFunc(patches, func(a, b patch) int { return cmp.Compare(len(b.pixels), len(a.pixels)) })
	type cluster struct {
		v      tone
		pixels []int
	}
	var clusters []cluster
next:
	for _, p := range patches {
		for k := range clusters {
			if toneDistance(p.v, clusters[k].v, q.soft) <= roughRadius {
				clusters[k].pixels = append(clusters[k].pixels, p.pixels...)
				continue next
			}
		}
		clusters = append(clusters, cluster{p.v, p.pixels})
	}
	made := false
	least := max(strayFloor, int(strayShare*float64(q.w*q.h)))
	for _, c := range clusters {
		if len(c.pixels) >= least && len(q.tints) < q.limit() {
			q.addTint(q.median(c.pixels), len(c.pixels))
			made = true
		}
	}
	return made
}

// quietPatches returns the connected quiet places without a label that are no haze.
func (q *flattener) quietPatches() []patch {
	quiet := q.blank() // and blank again in the end
	defer func() { q.spare = append(q.spare, quiet) }()
	rowBands(q.h, q.opt.Workers, func(_, y0, y1 int) {
		for y := max(1, y0); y < min(q.h-1, y1); y++ {
			row := q.labels[y*q.w : (y+1)*q.w]
			for x := 1; x < q.w-1; x++ {
				if x = nextByte(row, x, unlabelled); x >= q.w-1 {
					break
				}
				if i := y*q.w + x; q.quiet(i) {
					setBits(quiet, i, i+1)
				}
			}
		}
	})
	var out []patch
	for k := range quiet {
		for quiet[k] != 0 {
			i := k<<6 + bits.TrailingZeros64(quiet[k])
			clearBit(quiet, i)
			pixels := []int{i}
			first := q.tone(i)
			for n := 0; n < len(pixels); n++ {
				j := pixels[n]
				for _, o := range [4]int{-q.w, -1, 1, q.w} {
					// quiet pixels keep off the frame, so j+o is in the picture and in the next row or column
					if m := j + o; bit(quiet, m) && q.step(j, o) && toneDistance(first, q.tone(m), q.soft) <= strayRadius {
						clearBit(quiet, m)
						pixels = append(pixels, m)
					}
				}
			}
			if len(pixels) < fewestStray {
				continue
			}
			c := q.median(pixels)
			p := patch{pixels, toneOfRGB(c, q.soft), c}
			if !q.haze(&p) {
				out = append(out, p)
			}
		}
	}
	return out
}

// quiet reports whether the eight neighbours of pixel i differ little from it.
func (q *flattener) quiet(i int) bool {
	for _, o := range [8]int{1, -1, q.w, -q.w, q.w + 1, q.w - 1, -q.w + 1, -q.w - 1} {
		if !q.step(i, o) {
			return false
		}
	}
	return true
}

// step reports whether pixels i and i+o differ little.
func (q *flattener) step(i, o int) bool {
	a, b := q.px.at(i), q.px.at(i+o)
	r, g, bl := int(uint8(a))-int(uint8(b)), int(uint8(a>>8))-int(uint8(b>>8)), int(uint8(a>>16))-int(uint8(b>>16))
	y := 77*r + 150*g + 29*bl
	return y <= quietStep*256 && y >= -quietStep*256 && r <= quietColour && r >= -quietColour && bl <= quietColour && bl >= -quietColour
}

// median returns the median of each channel over the pixels.
func (q *flattener) median(pixels []int) colour.RGB {
	var m [3]uint8
	for k := range m {
		var count [256]int
		for _, i := range pixels {
			count[uint8(q.px.at(i)>>(8*k))]++
		}
		n := 0
		for v := range count {
			if n += count[v]; 2*n > len(pixels) {
				m[k] = uint8(v)
				break
			}
		}
	}
	return colour.RGB{R: m[0], G: m[1], B: m[2]}
}

// haze reports whether a patch only shows what coding makes of the tints close by: it is a little off one of them, or
// its luma is that of one of them and its chroma lies on the way to another. What holds for most of its pixels
// decides.
func (q *flattener) haze(p *patch) bool {
	const samples = 32
	asked, yes := 0, 0
	for k := 0; k < len(p.pixels); k += max(1, len(p.pixels)/samples) {
		asked++
		if q.hazeAt(p.pixels[k], p.v) {
			yes++
		}
	}
	return 2*yes > asked
}

func (q *flattener) hazeAt(i int, v tone) bool {
	const (
		far = 6   // px: chroma is coded in squares of 16 pixels, but an edge's haze fades within a few
		off = 9.0 // levels
	)
	var near [256]bool
	var list []int
	x, y := i%q.w, i/q.w
	for yy := max(0, y-far); yy <= min(q.h-1, y+far); yy++ {
		for _, l := range q.labels[yy*q.w+max(0, x-far) : yy*q.w+min(q.w, x+far+1)] {
			if l != unlabelled && !near[l] {
				near[l] = true
				list = append(list, int(l))
			}
		}
	}
	for _, a := range list {
		if toneDistance(v, q.tints[a].v, q.soft) <= off {
			return true
		}
		if !q.soft || math.Abs(v.x-q.tints[a].v.x) > off {
			continue
		}
		for _, b := range list {
			if _, miss := q.pair(a, b).mix(v); b != a && miss <= off {
				return true
			}
		}
	}
	return false
}
