// Package proof shows how far a drawing agrees with the picture it was traced from. It renders a drawing (Render),
// measures the agreement in figures (Compare), and draws both beside each other (Sheet).
//
// Nothing here knows how a drawing comes about: edges are measured in the picture anew, so that a fault of the tracer
// cannot hide itself. Positions and distances are in pixels of the picture, pixel (x, y) covering [x,x+1)×[y,y+1).
// Every function may be called by several goroutines at once; results do not depend on the number of processors.
package proof

import (
	"fmt"
	"image/color"
	"math"
	"runtime"
	"sync"

	"pochoir/quantize/colour"
	"pochoir/trace"
)

// Figures say how a drawing agrees with its picture. Distances are in pixels of the picture, colour differences are
// CIEDE2000 (1 is where a careful eye begins to see one).
type Figures struct {
	Width     int            `json:"width"`    // of the picture, px
	Height    int            `json:"height"`   // px
	Ground    string         `json:"ground"`   // colour the drawing was laid on: the picture's own where nothing is drawn
	Coverage  float64        `json:"coverage"` // share of the picture that differs by less than 10, in [0,1]
	Colour    ColourFigures  `json:"colour"`
	Deviation EdgeFigures    `json:"deviation"`
	Missed    MissedFigures  `json:"missed"`
	Layers    []LayerFigures `json:"layers"` // bottom to top
	Shapes    int            `json:"shapes"`
	Segments  int            `json:"segments"`
}

// ColourFigures describe the colour differences of all pixels.
type ColourFigures struct {
	Mean  float64 `json:"mean"`
	P95   float64 `json:"p95"`   // 95 of 100 pixels differ by no more, to 0.1
	Worst float64 `json:"worst"` // the worst single pixel; a pixel that an edge crosses is soon far off
	At    Place   `json:"at"`    // where the worst is
}

// EdgeFigures describe the distance between drawn and measured edges, at places a pixel apart along every outline
// that can be seen.
type EdgeFigures struct {
	Mean   float64 `json:"mean"`
	Median float64 `json:"median"`
	P95    float64 `json:"p95"`
	Worst  float64 `json:"worst"`
	At     Place   `json:"at"`    // where the worst is
	Layer  string  `json:"layer"` // whose outline it is
	// Bias is the mean with its sign: positive where the picture's areas reach beyond the drawn outlines.
	Bias float64 `json:"bias"`
	// Measured counts the places measured. Unclear counts those where the drawing shows no single edge to measure:
	// at junctions, at tips, and in strokes of about two pixels and less. Unmatched counts those where the drawing has
	// an edge and the picture has none within 4 px.
	Measured    int   `json:"measured"`
	Unclear     int   `json:"unclear"`
	Unmatched   int   `json:"unmatched"`
	UnmatchedAt Place `json:"unmatchedAt"` // one of them, the zero place if there is none
}

// MissedFigures describe the edges of the picture that have no outline within 2 px.
type MissedFigures struct {
	Share  float64 `json:"share"`  // of the length of all edges of the picture, in [0,1]
	Length float64 `json:"length"` // px
	At     Place   `json:"at"`     // amid the most of them, the zero place if there are none
}

// LayerFigures describe one layer.
type LayerFigures struct {
	Name       string  `json:"name"`
	Colour     string  `json:"colour"`     // as drawn
	Picture    string  `json:"picture"`    // mean of the picture well inside the layer; empty where it is too thin to tell
	Difference float64 `json:"difference"` // of the two, 0 where it is too thin to tell
	Share      float64 `json:"share"`      // of the picture's area that shows the layer, in [0,1]
}

// Place is a position in the picture, px.
type Place struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
}

// explained is the colour difference below which a pixel counts as explained: shades of one colour, and pixels in
// which an edge is a tenth of a pixel off. Choice of ours.
const explained = 10.0

// Compare measures how d agrees with the picture pix (R,G,B,A a pixel, opaque, row by row), which is w by h pixels. The
// picture may be larger or smaller than the drawing, but must have its proportions, to a pixel; else, and if pix has
// the wrong length, Compare returns an error.
//
// Where the drawing paints nothing it is laid on the median colour of the picture there, on white where there is no
// such place.
func Compare(d *trace.Drawing, pix []uint8, w, h int) (Figures, error) {
	if err := fits(d, pix, w, h); err != nil {
		return Figures{}, err
	}
	p := layOn(d, pix, w, h)
	f := Figures{Width: w, Height: h, Ground: p.ground.Hex()}
	for _, l := range d.Layers {
		f.Shapes += len(l.Shapes)
		for _, s := range l.Shapes {
			for _, r := range s.Rings {
				f.Segments += len(r.Segments)
			}
		}
	}
	f.Coverage, f.Colour = p.colours()
	f.Layers = p.layers(d)
	f.Deviation = p.deviation(d)
	f.Missed = p.missed()
	return f, nil
}

// fits checks what Compare asks of its arguments.
func fits(d *trace.Drawing, pix []uint8, w, h int) error {
	if w <= 0 || h <= 0 || len(pix) != 4*w*h {
		return fmt.Errorf("proof: %d bytes of picture for %d x %d px", len(pix), w, h)
	}
	if !(d.Width > 0 && d.Height > 0) {
		return fmt.Errorf("proof: the drawing is %v x %v", d.Width, d.Height)
	}
	scale := max(float64(w)/d.Width, float64(h)/d.Height)
	if math.Abs(d.Width*scale-float64(w)) > 1 || math.Abs(d.Height*scale-float64(h)) > 1 {
		return fmt.Errorf("proof: the picture is %d x %d px, the drawing %v x %v: not of one shape", w, h, d.Width, d.Height)
	}
	return nil
}

// pair is a picture and the rendering of a drawing, of the same size.
type pair struct {
	w, h   int
	sx, sy float64 // pixels of the picture to a unit of the drawing
	pix    []uint8 // the picture, R,G,B,A
	drawn  []uint8 // the rendering, R,G,B,A, opaque
	top    []uint16
	ground colour.RGB
}

// layOn renders d at the size of the picture, on the picture's own ground.
func layOn(d *trace.Drawing, pix []uint8, w, h int) *pair {
	p := &pair{w: w, h: h, sx: float64(w) / d.Width, sy: float64(h) / d.Height, pix: pix}
	r := newPainter(w, h, p.sx, p.sy, true)
	r.drawing(d)
	p.drawn, p.top = r.img.Pix, r.top
	p.ground = groundOf(pix, p.drawn)
	for i := 0; i < len(p.drawn); i += 4 {
		q := p.drawn[i : i+4 : i+4]
		n := uint32(255 - q[3])
		if n == 0 {
			continue
		}
		q[0] += uint8((uint32(p.ground.R)*n + 127) / 255)
		q[1] += uint8((uint32(p.ground.G)*n + 127) / 255)
		q[2] += uint8((uint32(p.ground.B)*n + 127) / 255)
		q[3] = 255
	}
	return p
}

// groundOf returns the median, channel by channel, of pix where drawn is transparent, or white.
func groundOf(pix, drawn []uint8) colour.RGB {
	var count [3][256]int
	n := 0
	for i := 0; i < len(drawn); i += 4 {
		if drawn[i+3] == 0 {
			count[0][pix[i]]++
			count[1][pix[i+1]]++
			count[2][pix[i+2]]++
			n++
		}
	}
	if n == 0 {
		return colour.RGB{R: 255, G: 255, B: 255}
	}
	var m [3]uint8
	for c := range m {
		for sum, v := 0, 0; v < 256; v++ {
			if sum += count[c][v]; 2*sum >= n {
				m[c] = uint8(v)
				break
			}
		}
	}
	return colour.RGB{R: m[0], G: m[1], B: m[2]}
}

// rows calls f for bands of rows that cover 0..h, on all processors. A band is the business of one call alone.
func rows(h int, f func(y0, y1 int)) {
	n := max(1, min(runtime.GOMAXPROCS(0), h))
	var wg sync.WaitGroup
	for i := range n {
		wg.Add(1)
		go func() {
			defer wg.Done()
			f(i*h/n, (i+1)*h/n)
		}()
	}
	wg.Wait()
}

// meter measures colour differences, and remembers the last ones.
type meter struct {
	key [1 << meterBits]uint64 // both colours, 24 bits each, plus 1<<48
	val [1 << meterBits]float32
}

const meterBits = 13

// difference returns the CIEDE2000 difference of two pixels.
func (m *meter) difference(a, b []uint8) float64 {
	_, _ = a[2], b[2]
	if a[0] == b[0] && a[1] == b[1] && a[2] == b[2] {
		return 0
	}
	k := uint64(1)<<48 | uint64(a[0])<<40 | uint64(a[1])<<32 | uint64(a[2])<<24 | uint64(b[0])<<16 | uint64(b[1])<<8 | uint64(b[2])
	slot := k * 0x9e3779b97f4a7c15 >> (64 - meterBits) // Fibonacci hashing
	if m.key[slot] != k {
		m.key[slot] = k
		m.val[slot] = float32(colour.RGB{R: a[0], G: a[1], B: a[2]}.Difference(colour.RGB{R: b[0], G: b[1], B: b[2]}))
	}
	return float64(m.val[slot])
}

// colours measures all pixels.
func (p *pair) colours() (coverage float64, f ColourFigures) {
	const bins = 1500 // of 0.1; no two sRGB colours differ by 150
	type row struct {
		sum, worst float64
		at, near   int
	}
	perRow := make([]row, p.h)
	var mu sync.Mutex
	var hist [bins]int
	rows(p.h, func(y0, y1 int) {
		m := new(meter)
		var own [bins]int
		for y := y0; y < y1; y++ {
			r := row{}
			a, b := p.pix[4*y*p.w:4*(y+1)*p.w], p.drawn[4*y*p.w:4*(y+1)*p.w]
			for x := range p.w {
				e := m.difference(a[4*x:4*x+3], b[4*x:4*x+3])
				r.sum += e
				if e > r.worst {
					r.worst, r.at = e, x
				}
				if e < explained {
					r.near++
				}
				own[min(int(math.Ceil(e*10)), bins-1)]++
			}
			perRow[y] = r
		}
		mu.Lock()
		for i, n := range own {
			hist[i] += n
		}
		mu.Unlock()
	})
	n := p.w * p.h
	sum, near := 0.0, 0
	for y, r := range perRow {
		sum += r.sum
		near += r.near
		if r.worst > f.Worst {
			f.Worst, f.At = r.worst, Place{float64(r.at) + 0.5, float64(y) + 0.5}
		}
	}
	f.Mean, f.Worst = short(sum/float64(n)), short(f.Worst)
	for i, seen := 0, 0; i < bins; i++ {
		if seen += hist[i]; 100*seen >= 95*n {
			f.P95 = float64(i) / 10
			break
		}
	}
	return short(float64(near) / float64(n)), f
}

// short rounds a figure to four decimals, which is more than it is worth.
func short(v float64) float64 { return math.Round(v*1e4) / 1e4 }

// layers measures the colour and the share of each layer.
func (p *pair) layers(d *trace.Drawing) []LayerFigures {
	const inside = 2 // px; edges of the picture may be soft over as much
	type tally struct {
		area, n int
		sum     [3]int
	}
	all := make([]tally, len(d.Layers)+1)
	for y := range p.h {
		for x := range p.w {
			k := p.top[y*p.w+x]
			t := &all[k]
			t.area++
			if y < inside || x < inside || y >= p.h-inside || x >= p.w-inside {
				continue
			}
			alone := true
			for dy := -inside; dy <= inside && alone; dy++ {
				at := (y+dy)*p.w + x
				for _, v := range p.top[at-inside : at+inside+1] {
					if v != k {
						alone = false
						break
					}
				}
			}
			if alone {
				q := p.pix[4*(y*p.w+x):]
				t.n++
				t.sum[0] += int(q[0])
				t.sum[1] += int(q[1])
				t.sum[2] += int(q[2])
			}
		}
	}
	f := make([]LayerFigures, len(d.Layers))
	for i, l := range d.Layers {
		t := &all[i+1]
		f[i] = LayerFigures{Name: l.Name, Colour: l.Colour.Hex(), Share: short(float64(t.area) / float64(p.w*p.h))}
		if t.n > 0 {
			mean := colour.RGB{R: uint8((t.sum[0] + t.n/2) / t.n), G: uint8((t.sum[1] + t.n/2) / t.n), B: uint8((t.sum[2] + t.n/2) / t.n)}
			f[i].Picture = mean.Hex()
			f[i].Difference = short(mean.Difference(l.Colour))
		}
	}
	return f
}

// rgba converts a colour for the picture packages.
func rgba(c colour.RGB) color.RGBA { return color.RGBA{R: c.R, G: c.G, B: c.B, A: 255} }
