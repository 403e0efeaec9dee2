package check

import (
	"fmt"
	"image/color"
	"math/rand/v2"
	"strings"
	"testing"

	"pochoir/cmd/pochoir/internal/deliver/survey"
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
				if c := crossPoints(r); len(c) > 0 {
					t.Errorf("%d: an outline crosses itself at %v", n, c[0].p)
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

// TestCarryLeavesWhatWouldShow: the upper shape is too narrow to hide anything.
func TestCarryLeavesWhatWouldShow(t *testing.T) {
	file := `<svg xmlns="http://www.w3.org/2000/svg" width="200" height="200" viewBox="0 0 200 200">
<g id="sienna" fill="#a0522d"><path d="M20 40L103.3 34L97.3 160L20 160Z"/></g>
<g id="ivory" fill="#fffff0"><path d="M103.3 34L103.5 34L97.5 160L97.3 160Z"/></g>
<g id="teal" fill="#008080"><path d="M103.5 34L180 34L180 160L97.5 160Z"/></g></svg>`
	s, err := survey.Read(strings.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	was, err := plain(s)
	if err != nil {
		t.Fatal(err)
	}
	d, _, err := Mend(s, &Terms{Rules: map[string]Severity{"sliver": Off, "crossing": Off, "near-points": Off}})
	if err != nil {
		t.Fatal(err)
	}
	// inside of the teal, a unit from the edge, nothing may have changed
	a, b := proof.Render(was, 4, color.White), proof.Render(d, 4, color.White)
	for y := 40 * 4; y < 155*4; y++ {
		edge := 103.5 - 6*(float64(y)/4-34)/126
		for x := int((edge + 1) * 4); x < 175*4; x++ {
			if i := y*a.Stride + 4*x; a.Pix[i] != b.Pix[i] {
				t.Fatalf("the pixel at %d,%d changed", x, y)
			}
		}
	}
}
