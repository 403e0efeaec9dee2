package paper

import (
	"context"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pochoir/fit"
)

// drawn is a page on which tests put marks.
type drawn struct{ *Picture }

func newDrawn(w, h int) drawn {
	p := &Picture{W: w, H: h, Pix: make([]uint8, 4*w*h), Name: "page", Format: "png"}
	for i := range p.Pix {
		p.Pix[i] = 255
	}
	return drawn{p}
}

// block fills a box with a colour.
func (d drawn) block(x, y, w, h int, c [3]uint8) {
	for v := y; v < y+h; v++ {
		for u := x; u < x+w; u++ {
			copy(d.Pix[4*(v*d.W+u):], c[:])
		}
	}
}

// frame draws the outline of a box, t px thick.
func (d drawn) frame(x, y, w, h, t int) {
	ink := [3]uint8{20, 20, 40}
	d.block(x, y, w, t, ink)
	d.block(x, y+h-t, w, t, ink)
	d.block(x, y, t, h, ink)
	d.block(x+w-t, y, t, h, ink)
}

func (d drawn) plates(t *testing.T, opt PlateOptions) *Page {
	t.Helper()
	s, err := Prepare(context.Background(), d.Picture, Options{Kind: Digital})
	if err != nil {
		t.Fatal(err)
	}
	pg, err := FindPlates(context.Background(), s, opt)
	if err != nil {
		t.Fatal(err)
	}
	return pg
}

func boxes(pg *Page) string {
	var list []string
	for _, p := range pg.Plates {
		list = append(list, fmt.Sprintf("%d,%d", p.Marks.Min.X, p.Marks.Min.Y))
	}
	return strings.Join(list, " ")
}

func TestReadingOrder(t *testing.T) {
	d := newDrawn(900, 900)
	for _, b := range [][4]int{{600, 80, 120, 120}, {60, 60, 200, 180}, {330, 110, 150, 60}, {500, 420, 90, 200}, {80, 400, 220, 220}, {90, 700, 100, 100}} {
		d.frame(b[0], b[1], b[2], b[3], 6)
	}
	if got, want := boxes(d.plates(t, PlateOptions{})), "60,60 330,110 600,80 80,400 500,420 90,700"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestWhatBelongsTogether(t *testing.T) {
	ink := [3]uint8{20, 20, 40}
	for _, c := range []struct {
		name string
		draw func(d drawn)
		want string
	}{
		{"nothing", func(d drawn) {}, ""},
		{"a mark within an outline", func(d drawn) { d.frame(100, 100, 300, 300, 5); d.block(240, 240, 20, 20, ink) }, "100,100"},
		{"dashes of one line", func(d drawn) {
			for x := 100; x < 500; x += 24 {
				d.block(x, 300, 20, 3, ink)
			}
			d.frame(100, 310, 400, 200, 4)
		}, "100,300"},
		{"rays about a lamp", func(d drawn) {
			d.frame(300, 300, 200, 200, 5)
			d.block(240, 390, 30, 5, ink)
			d.block(530, 390, 30, 5, ink)
			d.block(398, 240, 5, 30, ink)
		}, "240,240"},
		{"two drawings close together", func(d drawn) { d.frame(100, 100, 200, 200, 5); d.frame(318, 100, 200, 200, 5) }, "100,100 318,100"},
		{"a small one beside a large one", func(d drawn) { d.frame(100, 100, 400, 400, 5); d.frame(520, 200, 60, 60, 4) }, "100,100 520,200"},
		{"one painted to all edges", func(d drawn) {
			for i := range 8 {
				d.block(0, 100*i, 800, 100, [3]uint8{uint8(30 * i), 120, uint8(240 - 30*i)})
			}
		}, "0,0"},
		{"one on a coloured ground", func(d drawn) { d.block(0, 0, 800, 800, [3]uint8{250, 220, 160}); d.frame(90, 90, 200, 200, 5) }, "90,90"},
		{"a speck far from all", func(d drawn) { d.frame(100, 100, 200, 200, 5); d.block(700, 700, 4, 4, ink) }, "100,100"},
	} {
		d := newDrawn(800, 800)
		c.draw(d)
		if pg := d.plates(t, PlateOptions{}); boxes(pg) != c.want {
			t.Errorf("%s: plates at %q, want %q", c.name, boxes(pg), c.want)
		}
	}
}

// TestCutIsTheBoxOfThePage compares what is cut with the page, pixel by pixel, but for what is hidden.
func TestCutIsTheBoxOfThePage(t *testing.T) {
	d := newDrawn(700, 500)
	d.frame(60, 60, 260, 200, 5)
	d.frame(336, 100, 200, 300, 5) // near enough to lie in the other's margin
	pg := d.plates(t, PlateOptions{})
	if len(pg.Plates) != 2 {
		t.Fatalf("plates at %s", boxes(pg))
	}
	all := []image.Rectangle{pg.Plates[0].Box, pg.Plates[1].Box}
	for k, p := range pg.Plates {
		cut, err := pg.Cut(context.Background(), p.Box, pg.Hide(all, k), 2)
		if err != nil {
			t.Fatal(err)
		}
		if cut.Plate != Digital || cut.W != p.Box.Dx() || cut.H != p.Box.Dy() {
			t.Fatalf("%+v", p)
		}
		for y := range cut.H {
			for x := range cut.W {
				at := image.Pt(x, y).Add(p.Box.Min)
				want := d.Pix[4*(at.Y*d.W+at.X):][:4]
				if at.In(pg.Plates[1-k].Marks) {
					want = []uint8{255, 255, 255, 255}
				}
				if got := cut.Pix[4*(y*cut.W+x):][:4]; !slices.Equal(got, want) {
					t.Fatalf("plate %d at %v: %v, want %v", k, at, got, want)
				}
			}
		}
	}
	// A box of the user's own shows all that lies in it; outside the page there is nothing.
	own := image.Rect(-50, 0, 330, 700)
	cut, err := pg.Cut(context.Background(), own, pg.Hide([]image.Rectangle{own}, 0), 1)
	if err != nil || cut.W != 330 || cut.H != 500 || cut.Pix[4*(62*cut.W+62)] != 20 {
		t.Errorf("%v, %d x %d", err, cut.W, cut.H)
	}
}

// TestPlateFromPaper cuts a plate from a page of paper and holds what Prepare measures on it against the page.
func TestPlateFromPaper(t *testing.T) {
	d := newDrawn(900, 700)
	d.frame(200, 200, 300, 240, 8)
	d.block(260, 260, 120, 100, [3]uint8{40, 140, 140})
	rng := rand.New(rand.NewPCG(1, 2))
	for y := range d.H {
		for x := range d.W {
			light := 0.92 - 0.12*float64(x)/float64(d.W)
			q := d.Pix[4*(y*d.W+x):]
			for k := range 3 {
				q[k] = uint8(float64(q[k])*light + 2*rng.NormFloat64() + 4)
			}
		}
	}
	s, err := Prepare(context.Background(), d.Picture, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if s.Kind == Digital {
		t.Fatal("the page is taken for a digital one")
	}
	pg, err := FindPlates(context.Background(), s, PlateOptions{})
	if err != nil || len(pg.Plates) != 1 || pg.W != d.W || pg.H != d.H {
		t.Fatalf("%v, plates at %s of %d x %d", err, boxes(pg), pg.W, pg.H)
	}
	if m := pg.Plates[0].Marks; m.Min.X < 196 || m.Min.X > 204 || m.Max.Y < 436 || m.Max.Y > 444 {
		t.Errorf("marks at %v", m)
	}
	cut, err := pg.Cut(context.Background(), pg.Plates[0].Box, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	again, err := Prepare(context.Background(), cut, Options{Sheet: SheetCorners}) // a plate has no sheet to look for
	if err != nil {
		t.Fatal(err)
	}
	if again.Kind != s.Kind || again.Straightened || again.LightRange > 1.1 {
		t.Errorf("%v, straightened %t, light %.2f", again.Kind, again.Straightened, again.LightRange)
	}
	if r := again.Noise / s.Noise; r < 0.75 || r > 1.35 {
		t.Errorf("noise %.2f levels on the page, %.2f on the plate", s.Noise, again.Noise)
	}
	// level is the mean of a channel round a point of the picture that a sheet was made from.
	level := func(s *Sheet, at image.Point, channel int) int {
		p := s.Homography.Apply(fit.Point{X: float64(at.X), Y: float64(at.Y)})
		sum := 0
		for i := range 25 {
			sum += int(s.Pix[4*((int(p.Y)+i/5)*s.W+int(p.X)+i%5)+channel])
		}
		return sum / 25
	}
	for _, at := range []image.Point{{230, 230}, {300, 300}} { // paper, paint
		for k := range 3 {
			a, b := level(s, at, k), level(again, at.Sub(pg.Plates[0].Box.Min), k)
			if v := abs(a - b); v > 6 {
				t.Errorf("at %v channel %d is %d levels off", at, k, v)
			}
		}
	}
}

// A small drawing in a sharp picture of paper is enlarged; not so a page of drawings.
func TestSmallDrawingEnlarged(t *testing.T) {
	d := newDrawn(700, 600)
	d.frame(200, 150, 300, 240, 4)
	rng := rand.New(rand.NewPCG(3, 2))
	for i := range d.Pix {
		d.Pix[i] = uint8(0.9*float64(d.Pix[i]) + 2*rng.NormFloat64() + 8)
	}
	for _, c := range []struct {
		page bool
		want float64
	}{{false, mostEnlarged}, {true, 1}} {
		s, err := Prepare(context.Background(), d.Picture, Options{Page: c.page, Kind: Scan})
		if err != nil {
			t.Fatal(err)
		}
		corner := s.Homography.Apply(fit.Point{X: 200, Y: 150})
		if s.W != int(math.Round(700*c.want)) || corner.Sub(fit.Point{X: 200 * c.want, Y: 150 * c.want}).Len() > 0.01 {
			t.Errorf("page %t: %d px wide, corner at %v, want it %g times as large", c.page, s.W, corner, c.want)
		}
		at := func(x, y float64) uint8 {
			p := s.Homography.Apply(fit.Point{X: x, Y: y})
			return s.Pix[4*(int(p.Y)*s.W+int(p.X))]
		}
		if ink, paper := at(300, 152), at(300, 160); ink > 90 || paper < 240 {
			t.Errorf("page %t: ink %d, paper %d", c.page, ink, paper)
		}
	}
}

// TestPlateFromRuledPaper looks for the ruling of a page on a plate too small to show that it is ruling.
func TestPlateFromRuledPaper(t *testing.T) {
	for _, size := range []int{1, 2} { // at 2 the sheet has fewer pixels than the page
		d := newDrawn(1500*size, 1100*size)
		for y := 60; y < 1080; y += 50 {
			d.block(0, y*size, d.W, 2*size, [3]uint8{176, 196, 228})
		}
		d.frame(600*size, 500*size, 160*size, 140*size, 7*size)
		d.frame(200*size, 100*size, 900*size, 300*size, 7*size)
		rng := rand.New(rand.NewPCG(1, 3))
		for i := range d.Pix {
			if i%4 != 3 {
				d.Pix[i] = uint8(0.93*float64(d.Pix[i]) + 1.5*rng.NormFloat64() + 4)
			}
		}
		s, err := Prepare(context.Background(), d.Picture, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !s.dropped {
			t.Fatalf("the ruling stays on the page: %v", s.Notes)
		}
		pg, err := FindPlates(context.Background(), s, PlateOptions{})
		if err != nil || len(pg.Plates) != 2 {
			t.Fatalf("%v, plates at %s", err, boxes(pg))
		}
		p := pg.Plates[1]
		cut, err := pg.Cut(context.Background(), p.Box, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		// The margin beside the drawing, row by row.
		var rows []int
		for y := range cut.H {
			sum, n := 0, 0
			for x := 2; x < p.Marks.Min.X-p.Box.Min.X-3*size; x++ {
				sum += int(cut.Pix[4*(y*cut.W+x)])
				n++
			}
			rows = append(rows, sum/n)
		}
		if lo, hi := slices.Min(rows), slices.Max(rows); hi-lo > 10 {
			t.Errorf("size %d, sheet %d px wide: rows of bare paper from %d to %d levels", size, s.W, lo, hi)
		}
	}
}
