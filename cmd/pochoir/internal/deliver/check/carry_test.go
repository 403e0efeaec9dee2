package check

import (
	"fmt"
	"image/color"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/fit"
	"pochoir/trace"
	"pochoir/trace/proof"
)

// wave is an outline's path data: from top to bottom along a wavy edge about x, then round by the side of far.
func wave(rng *rand.Rand, x, far float64) string {
	var edge []string
	y, at := 20.0, x
	for y < 180 {
		next := x + 16*rng.Float64() - 8
		edge = append(edge, fmt.Sprintf("C%.3f %.3f %.3f %.3f %.3f %.3f", at+10*rng.Float64()-5, y+6, next+10*rng.Float64()-5, y+14, next, y+20))
		y, at = y+20, next
	}
	return fmt.Sprintf("M%.3f 20%sL%g 180L%g 20Z", x, strings.Join(edge, ""), far, far)
}

// TestCarry mends shapes that share a wavy edge, the upper of them wide, and looks at the pixels: nothing changes but along
// the edge, the hairline goes, and no outline crosses itself.
func TestCarry(t *testing.T) {
	rng := rand.New(rand.NewPCG(30, 31))
	for n := range 12 {
		seed := rng.Uint64()
		left := wave(rand.New(rand.NewPCG(seed, 1)), 100, 20)
		right := wave(rand.New(rand.NewPCG(seed, 1)), 100, 180)
		if n%2 == 1 {
			left, right = right, left // the lower one lies on the other side, and runs round the other way
		}
		file := fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" width="200" height="200" viewBox="0 0 200 200">
<g id="sienna" fill="#a0522d"><path d="%s"/></g><g id="ivory" fill="#fffff0"><path d="%s"/></g></svg>`, left, right)
		s, err := survey.Read(strings.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		if Check(s, nil).Counts["hairline"] == 0 {
			t.Fatal("no hairline to mend")
		}
		terms := &Terms{Rules: map[string]Severity{"crossing": Off, "near-points": Off, "excess-points": Off}}
		was, err := plain(s)
		if err != nil {
			t.Fatal(err)
		}
		d, done, err := Mend(s, terms)
		if err != nil {
			t.Fatal(err)
		}
		if len(done) != 1 || done[0].Rule != "hairline" {
			t.Errorf("%d: mended %v", n, done)
		}
		if runs := hairlines(areasIn(d), d.Width, d.Height, 1); len(runs) > 0 {
			t.Errorf("%d: left %v", n, runs[0].box)
		}
		for _, l := range d.Layers {
			for _, r := range l.Shapes[0].Rings {
				if c := fit.Crossings(r); len(c) > 0 {
					t.Errorf("%d: an outline crosses itself at %v", n, c[0].At)
				}
			}
		}
		const zoom = 4
		a, b := proof.Render(was, zoom, color.White), proof.Render(d, zoom, color.White)
		changed := 0
		for y := range a.Rect.Dy() {
			for x := range a.Rect.Dx() {
				i := y*a.Stride + 4*x
				diff := 0
				for k := range 3 {
					diff = max(diff, int(a.Pix[i+k])-int(b.Pix[i+k]), int(b.Pix[i+k])-int(a.Pix[i+k]))
				}
				if diff <= 2 {
					continue
				}
				changed++
				// a hairline lets a quarter of the ground through; half as much again where the pixels lie otherwise than
				// those that Mend looks at
				if diff > 96 {
					t.Fatalf("%d: the pixel at %d,%d changed by %d", n, x, y, diff)
				}
			}
		}
		if changed < 100 || changed > 6*160*zoom {
			t.Errorf("%d: %d pixels changed", n, changed)
		}
	}
}

// TestSameLooksAtEveryPixel changes one pixel at a time: only near the hairline, and only as far as a hairline goes, is that
// no difference.
func TestSameLooksAtEveryPixel(t *testing.T) {
	d := &trace.Drawing{Width: 200, Height: 200, Layers: []trace.Layer{{Shapes: []trace.Shape{{Rings: []fit.Path{ring(10, 10, 190, 10, 190, 190, 10, 190)}}}}}}
	m := mender{d: d, diag: 283}
	view := survey.Box{MinX: 95, MinY: 95, MaxX: 105, MaxY: 105}
	px := 1 / hairScale(d.Width, d.Height)
	var hair []fit.Point // along the middle, from top to bottom
	for y := 0.0; y < 10; y += px {
		hair = append(hair, fit.Point{X: 100, Y: 95 + y})
	}
	seen := nearPixels(hair, carrySeen*px, carrySeen*px, 1)
	a := m.part(view)
	if !m.same(a, m.part(view), view, seen) {
		t.Fatal("the same drawing differs")
	}
	w := a.Rect.Dx()
	for x := range w {
		near := math.Abs(95+(float64(x)+0.5)*px-100) <= carrySeen*px
		for _, by := range []uint8{carrySame, carrySame + 1, carryMost, carryMost + 1} {
			b := m.part(view)
			b.Pix[20*b.Stride+4*x+3] -= by
			want := by <= carrySame || near && by <= carryMost
			if got := m.same(a, b, view, seen); got != want {
				t.Errorf("pixel %d of %d, near %v, changed by %d: same %v", x, w, near, by, got)
			}
		}
	}
}

// TestCarryClosesNotches: a needle lies in a notch of the lower shape, narrower than what is carried on. Both sides of the
// notch are moved past each other, and must neither cross nor leave a hole.
func TestCarryClosesNotches(t *testing.T) {
	for _, lower := range []string{"M20 20L180 20L180 99.7L60 100L180 100.3L180 180L20 180Z", "M20 180L180 180L180 100.3L60 100L180 99.7L180 20L20 20Z"} {
		file := `<svg xmlns="http://www.w3.org/2000/svg" width="200" height="200" viewBox="0 0 200 200">
<g id="sienna" fill="#a0522d"><path d="` + lower + `"/></g><g id="ivory" fill="#fffff0"><path d="M180 99.7L60 100L180 100.3Z"/></g></svg>`
		s, err := survey.Read(strings.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		if Check(s, nil).Counts["hairline"] == 0 {
			t.Fatal("no hairline to mend")
		}
		d, done, err := Mend(s, &Terms{Rules: map[string]Severity{"crossing": Off, "near-points": Off, "excess-points": Off, "sliver": Off}})
		if err != nil {
			t.Fatal(err)
		}
		if len(done) != 1 || done[0].Rule != "hairline" {
			t.Errorf("mended %v", done)
		}
		rings := d.Layers[0].Shapes[0].Rings
		if len(rings) != 1 || len(fit.Crossings(rings[0])) > 0 {
			t.Errorf("%d rings, crossing at %v", len(rings), fit.Crossings(rings[0]))
		}
		if grown := math.Abs(rings[0].Area()) - (160*160 - 36); grown < 9 || grown > 36 { // a quarter is what is narrower than half
			t.Errorf("the notch of 36 square units was filled by %g", grown)
		}
	}
}
