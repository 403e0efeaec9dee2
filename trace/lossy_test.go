package trace_test

import (
	"bytes"
	"image"
	"image/draw"
	"image/jpeg"
	"math"
	"slices"
	"testing"

	"pochoir/fit"
	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// This file traces figures whose picture was coded with loss, by the standard library's encoder, with chroma at half the
// resolution.

// coded returns the picture as it comes back from JPEG.
func coded(t *testing.T, pic *paper.Picture, quality int) *paper.Picture {
	t.Helper()
	var file bytes.Buffer
	src := &image.RGBA{Pix: pic.Pix, Stride: 4 * pic.W, Rect: image.Rect(0, 0, pic.W, pic.H)}
	if err := jpeg.Encode(&file, src, &jpeg.Options{Quality: quality}); err != nil {
		t.Fatal(err)
	}
	m, err := jpeg.Decode(&file)
	if err != nil {
		t.Fatal(err)
	}
	out := image.NewRGBA(src.Rect)
	draw.Draw(out, src.Rect, m, image.Point{}, draw.Src)
	return &paper.Picture{W: pic.W, H: pic.H, Pix: out.Pix, Lossy: true, Subsampled: true}
}

// A light shape with round corners that touches a dark one along a straight edge: where its corner runs into the edge the
// ground between the two is a wedge that thins out to nothing, and its colour is about their mixture. The outline must run
// on through the wedge to where the two meet.
func TestWedgesOfLossyPictures(t *testing.T) {
	dark, mid, light := colour.RGB{R: 85, G: 55, B: 136}, colour.RGB{R: 116, G: 78, B: 170}, colour.RGB{R: 146, G: 102, B: 204}
	var sum, most float64
	n := 0
	for i := range 6 {
		r, y0 := 10+1.5*float64(i), 60+0.37*float64(i)
		x0, x1, y1 := 50.2+0.71*float64(i), 110.3, 130.4
		pic := drawn(140, 160, box(mid, 12.3, 40.3, 132.2, 150.1), box(dark, 12.3, 40.3, 132.2, y0), box(dark, 12.3, y1, 132.2, 150.1), roundedBox(light, x0, y0, x1, y1, r))
		for _, quality := range []int{85, 88, 95} {
			d := traced(t, coded(t, pic, quality), trace.Options{Knockout: true}).Drawing
			var l *trace.Layer
			for k := range d.Layers { // coding shifts a colour by a level or two
				if d.Layers[k].Colour.Difference(light) < 2 {
					l = &d.Layers[k]
				}
			}
			if l == nil {
				t.Fatalf("quality %d, radius %g: no light shape in %s", quality, r, summary(d))
			}
			off := worstOff(l.Shapes[0].Rings[0], func(q fit.Point) float64 {
				dx := math.Abs(q.X-(x0+x1)/2) - ((x1-x0)/2 - r)
				dy := math.Abs(q.Y-(y0+y1)/2) - ((y1-y0)/2 - r)
				return math.Hypot(math.Max(dx, 0), math.Max(dy, 0)) + math.Min(0, math.Max(dx, dy)) - r
			})
			sum, most = sum+off, math.Max(most, off)
			n++
		}
	}
	// A wedge that ends where the labels part its sides, about half a pixel thick, is cut off some px early: a boundary
	// that stops there misses the shape by more than a px.
	if mean := sum / float64(n); mean > 0.6 || most > 1.5 {
		t.Errorf("the light shape is %.2f px off in the mean of the worst places and %.2f at most, want at most 0.6 and 1.5", mean, most)
	}
}

// A buckle with round corners that juts out a little beyond the side of the shape it lies on: the side ends on the buckle in a
// corner, of which the samples beside it tell nothing. The two may not be drawn as one line that goes round it.
func TestSidesThatEndOnBuckles(t *testing.T) {
	dark, light := colour.RGB{R: 0, G: 116, B: 186}, colour.RGB{R: 0, G: 166, B: 237}
	var sum, most float64
	const n = 16
	for i := range n {
		turn, out := 2*math.Pi/n*float64(i), 3.2+0.13*float64(i%7)
		sin, cos := math.Sincos(turn)
		turned := func(f figure) figure {
			return figure{f.c, func(x, y float64) bool {
				x, y = x-50.2, y-50.3
				return f.inside(x*cos+y*sin, y*cos-x*sin)
			}}
		}
		pic := drawn(100, 100, turned(box(light, -25, -30, 25, 10)), turned(roundedBox(dark, -25-out, 5, 30, 30, 3)))
		d := traced(t, coded(t, pic, 88), trace.Options{Knockout: true, Sheet: paper.Options{Kind: paper.Digital}}).Drawing
		for _, l := range d.Layers {
			if l.Colour.Difference(light) >= 2 { // coding shifts a colour by a level or two
				continue
			}
			off := worstOff(l.Shapes[0].Rings[0], func(q fit.Point) float64 {
				q = q.Sub(fit.Point{X: 50.2, Y: 50.3})
				x, y := math.Abs(q.X*cos+q.Y*sin), q.Y*cos-q.X*sin
				return math.Max(x-25, math.Abs(y+12.5)-17.5)
			})
			sum, most = sum+off, math.Max(most, off)
		}
	}
	if mean := sum / n; mean > 0.5 || most > 1.2 {
		t.Errorf("the shape beneath is %.2f px off in the mean of the worst places and %.2f at most, want at most 0.5 and 1.2", mean, most)
	}
}

// Coding with loss rounds the corners of small boxes of little contrast off: they must be drawn sharp all the same, where
// they are, while round ones of a radius that shows stay round.
func TestCornersOfLossyPictures(t *testing.T) {
	ground, brick := colour.RGB{R: 217, G: 158, B: 130}, colour.RGB{R: 192, G: 105, B: 78}
	sharp, of, invented := 0, 0, 0
	for i := range 8 {
		s := float64(i)
		x0, y0, x1, y1 := 20.3+0.31*s, 22.2+0.43*s, 60.4+0.37*s, 58.3+0.29*s
		pic := drawn(200, 90, box(ground, 5.2, 5.3, 190.4, 84.2), box(brick, x0, y0, x1, y1), roundedBox(brick, x0+90, y0, x1+90, y1, 6))
		d := traced(t, coded(t, pic, 88), trace.Options{Knockout: true}).Drawing
		for k := range d.Layers {
			l := &d.Layers[k]
			if l.Colour.Difference(brick) > 2 {
				continue
			}
			var corners []fit.Point
			for _, shape := range l.Shapes {
				corners = append(corners, cornersOf(shape.Rings[0])...)
			}
			for _, at := range [4]fit.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x0, Y: y1}, {X: x1, Y: y1}} {
				of++
				for _, c := range corners {
					if c.Sub(at).Len() < 0.7 {
						sharp++
						break
					}
				}
			}
			for _, c := range corners {
				if c.X > 100 {
					invented++
				}
			}
		}
	}
	if of != 32 || sharp < 30 {
		t.Errorf("%d of %d corners are sharp", sharp, of)
	}
	if invented > 3 {
		t.Errorf("%d corners of round boxes", invented)
	}
}

// Where an edge halves a row of pixels, coding decides to which side each of them goes: where their labels change to and
// fro beside a corner, what is read along the row is no place of the edge, and the corner must be found all the same.
func TestCornersBesideHalvedRows(t *testing.T) {
	night, lamp := colour.RGB{R: 41, G: 47, B: 51}, colour.RGB{R: 255, G: 204, B: 77}
	sharp, of := 0, 0
	for i := range 40 {
		s := float64(i)
		x0, y0, x1, y1 := 20.5+math.Mod(3.02*s, 8), 22.49+math.Mod(s, 8), 60.51+math.Mod(5.01*s, 8), 58.5+math.Mod(3*s, 8)
		pic := drawn(120, 100, box(night, 5.2, 5.3, 110.4, 94.2), box(lamp, x0, y0, x1, y1))
		d := traced(t, coded(t, pic, 88), trace.Options{Knockout: true, Sheet: digital.Sheet}).Drawing
		for k := range d.Layers {
			l := &d.Layers[k]
			if l.Colour.Difference(lamp) > 2 {
				continue
			}
			corners := cornersOf(l.Shapes[0].Rings[0])
			for _, at := range [4]fit.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x0, Y: y1}, {X: x1, Y: y1}} {
				of++
				if slices.ContainsFunc(corners, func(c fit.Point) bool { return c.Sub(at).Len() < 0.5 }) {
					sharp++
				}
			}
		}
	}

	if of != 160 || sharp < 155 {
		t.Errorf("%d of %d corners are sharp", sharp, of)
	}
}
