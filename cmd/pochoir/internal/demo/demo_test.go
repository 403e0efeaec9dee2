package demo

import (
	"bytes"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/disintegration/imaging"

	"pochoir/fit"
	"pochoir/svgout"
)

func TestEveryDrawingIsSound(t *testing.T) {
	if n := len(Objects()); n < 10 {
		t.Errorf("%d objects, want ten or more", n)
	}
	for _, name := range Objects() {
		for kind := Inked; kind <= Ink; kind++ {
			p, ok := Draw(name, kind)
			if !ok || len(p.Drawing.Layers) == 0 {
				t.Fatalf("%s: nothing drawn", name)
			}
			if top := p.Drawing.Layers[len(p.Drawing.Layers)-1].Name; (top == "ink") != (kind != Flat) {
				t.Errorf("%s: the top layer is %s", p.Name, top)
			}
			for _, l := range p.Drawing.Layers {
				for _, s := range l.Shapes {
					for i, r := range s.Rings {
						checkRing(t, p.Name+" "+l.Name, r, i == 0)
					}
				}
			}
			var a, b bytes.Buffer
			if err := svgout.Write(&a, p.Drawing, svgout.Options{}); err != nil {
				t.Fatalf("%s: %v", p.Name, err)
			}
			again, _ := Draw(name, kind)
			if err := svgout.Write(&b, again.Drawing, svgout.Options{}); err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(a.Bytes(), b.Bytes()) {
				t.Errorf("%s: drawn twice, it differs", p.Name)
			}
		}
	}
	if _, ok := Draw("whale", Flat); ok {
		t.Error("there is a whale")
	}
}

// checkRing holds an outline against what trace.Shape promises.
func checkRing(t *testing.T, what string, r fit.Path, outer bool) {
	t.Helper()
	if !r.Closed || len(r.Segments) == 0 || (r.Area() > 0) != outer {
		t.Errorf("%s: a ring of %d segments and %.1f px²", what, len(r.Segments), r.Area())
	}
	for i, s := range r.Segments {
		next := r.Segments[(i+1)%len(r.Segments)]
		if s.P[3] != next.P[0] {
			t.Errorf("%s: a gap of %g px at %v", what, next.P[0].Sub(s.P[3]).Len(), s.P[3])
		}
		for _, p := range s.P {
			if !(p.X > -10 && p.X < Side+10 && p.Y > -10 && p.Y < Side+10) {
				t.Errorf("%s: a point at %v", what, p)
			}
		}
	}
}

// TestMergeKeepsWhatIsPainted paints a layer's areas one over the other and merged: the same picture but for rounding
// at edges, which blend twice where areas overlap.
func TestMergeKeepsWhatIsPainted(t *testing.T) {
	p, _ := Draw("lantern", Ink)
	merged := render(p.Drawing, 300)
	s := lantern()
	wobble := newHand(seed(s.name), 1.7)
	area := 0.0
	for _, sh := range p.Drawing.Layers[0].Shapes {
		for _, r := range sh.Rings {
			area += r.Area()
		}
	}
	var seen float64
	for i := 0; i < len(merged.Pix); i += 4 {
		ink := paintBox["ink"]
		seen += (255 - float64(merged.Pix[i])) / (255 - float64(ink.R))
	}
	seen *= Side * Side / (300.0 * 300)
	if math.Abs(seen-area) > 0.002*area {
		t.Errorf("the outlines enclose %.0f px², %.0f are painted", area, seen)
	}
	// A stroke that nothing hides or crosses keeps its own area.
	lone := stroke{line: wobble.draw(open("100,100 200,150 300,120")), width: 9}
	rings := lone.outline(0)
	shapes := merge([]step{{rings: rings}})
	if len(shapes) != 1 || len(shapes[0].Rings) != 1 || math.Abs(shapes[0].Rings[0].Area()-rings[0].Area()) > 1e-6 {
		t.Errorf("a lone stroke becomes %d shapes", len(shapes))
	}
}

func TestMerge(t *testing.T) {
	square := func(x, y, side float64) []fit.Path {
		p := []fit.Point{{X: x, Y: y}, {X: x + side, Y: y}, {X: x + side, Y: y + side}, {X: x, Y: y + side}}
		path := fit.Path{Closed: true}
		for i := range p {
			path.Segments = append(path.Segments, fit.LineTo(p[i], p[(i+1)%4]))
		}
		return []fit.Path{path}
	}
	for _, c := range []struct {
		name         string
		steps        []step
		shapes, ring int
		area         float64
	}{
		{"apart", []step{{rings: square(0, 0, 10)}, {rings: square(20, 0, 10)}}, 2, 2, 200},
		{"crossing", []step{{rings: square(0, 0, 10)}, {rings: square(5, 5, 10)}}, 1, 1, 175},
		{"within", []step{{rings: square(0, 0, 10)}, {rings: square(3, 3, 2)}}, 1, 1, 100},
		{"a hole", []step{{rings: square(0, 0, 10)}, {rings: square(3, 3, 2), away: true}}, 1, 2, 96},
		{"a hole filled", []step{{rings: square(0, 0, 10)}, {rings: square(3, 3, 4), away: true}, {rings: square(4, 4, 1)}}, 2, 3, 85},
		{"cut in two", []step{{rings: square(0, 0, 10)}, {rings: square(-5, 4, 2), away: true}, {rings: square(-3, -20, 40), away: true}}, 0, 0, 0},
		{"circle over circle", []step{{rings: []fit.Path{ellipse(50, 50, 10, 10)}}, {rings: []fit.Path{ellipse(62, 50, 10, 10)}, away: true}}, 1, 1,
			// Circle less lens: πr² - (2r²·acos(d/2r) - d/2·√(4r²-d²)).
			100*math.Pi - (200*math.Acos(0.6) - 6*math.Sqrt(400-144))},
	} {
		shapes := merge(c.steps)
		rings, area := 0, 0.0
		for _, s := range shapes {
			for i, r := range s.Rings {
				rings++
				area += r.Area()
				checkRing(t, c.name, r, i == 0)
			}
		}
		// A circle of four cubics is off by 2.7e-4 of its radius.
		if len(shapes) != c.shapes || rings != c.ring || math.Abs(area-c.area) > 0.2 {
			t.Errorf("%s: %d shapes, %d rings, %.2f px², want %d, %d, %.2f", c.name, len(shapes), rings, area, c.shapes, c.ring, c.area)
		}
	}
}

func TestCurveFollowsACircle(t *testing.T) {
	// Knots on a circle give arcs: 4/3·tan(θ/4) is off by 2.7e-4 of the radius for a quarter (a classic figure).
	c := shape("100,0 0,100 -100,0 0,-100")
	for _, s := range c.Segments {
		for i := range 21 {
			if d := math.Abs(s.At(float64(i)/20).Len() - 100); d > 0.0273 {
				t.Fatalf("off the circle by %.4f px", d)
			}
		}
	}
}

func TestSnapshot(t *testing.T) {
	p, _ := Draw("buoy", Inked)
	m := p.Snapshot()
	if m.Rect.Dx() != snapshotW || m.Rect.Dy() != snapshotH {
		t.Fatalf("%v", m.Rect)
	}
	// The paper is lighter than the desk, and lighter near the lamp than far from it.
	near, far, table := m.NRGBAAt(260, 220).R, m.NRGBAAt(1440, 1000).R, m.NRGBAAt(20, 600).R
	if !(near > far+30 && far > table+30) {
		t.Errorf("paper %d near the lamp, %d far from it, desk %d", near, far, table)
	}
	h := squareTo(sheetCorners)
	for i, uv := range [][2]float64{{0, 0}, {1, 0}, {1, 1}, {0, 1}} {
		x, y := project(h, uv[0], uv[1])
		u, v := project(inverse(h), x, y)
		if math.Hypot(x-sheetCorners[i][0], y-sheetCorners[i][1]) > 1e-6 || math.Hypot(u-uv[0], v-uv[1]) > 1e-9 {
			t.Errorf("corner %d goes to %g,%g and back to %g,%g", i, x, y, u, v)
		}
	}
}

func TestContactSheet(t *testing.T) {
	p, _ := Draw("cleat", Flat)
	m := ContactSheet([]Picture{p, p, p}, 2)
	if m.Rect.Dx() != 2*contactCell || m.Rect.Dy() != 2*contactCell {
		t.Errorf("%v", m.Rect)
	}
}

// TestHarbourTestdata holds the pictures in testdata/harbour against what is drawn now. After a change to a drawing,
// write them anew with the command in DEVELOPERS.md.
func TestHarbourTestdata(t *testing.T) {
	dir := filepath.Join("..", "..", "..", "..", "testdata", "harbour")
	names, err := filepath.Glob(filepath.Join(dir, "*.png"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no pictures in %s (%v)", dir, err)
	}
	drawn := map[string]Picture{}
	for _, o := range Objects() {
		for kind := Inked; kind <= Ink; kind++ {
			p, _ := Draw(o, kind)
			drawn[p.Name] = p
		}
	}
	for _, path := range names {
		p, ok := drawn[strings.TrimSuffix(filepath.Base(path), ".png")]
		if !ok {
			t.Errorf("%s is no picture of the harbour", path)
			continue
		}
		f, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		m, err := png.Decode(f)
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		got, want := imaging.Clone(m), p.Image(m.Bounds().Dx())
		for i := range want.Pix {
			// Machines that fuse multiplication and addition may round one level differently.
			if d := int(got.Pix[i]) - int(want.Pix[i]); d > 1 || d < -1 {
				t.Errorf("%s differs from what is drawn now", path)
				break
			}
		}
		text, err := os.ReadFile(filepath.Join(dir, "truth", p.Name+".svg"))
		if err != nil {
			t.Fatal(err)
		}
		if d, err := svgout.Read(bytes.NewReader(text)); err != nil || len(d.Layers) != len(p.Drawing.Layers) {
			t.Errorf("%s: its truth is not what is drawn now (%v)", path, err)
		}
	}
}
