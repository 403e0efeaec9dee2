package trace_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/image/font/gofont/goregular"

	"pochoir/fit"
	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/paper"
)

// This file states what holds for every drawing, and tries it on pictures of all kinds.

// checkDrawing verifies the promises of trace.Drawing: layers named uniquely and painted in one colour each; every
// shape an outer ring of positive area, then holes of negative area; every ring closed, finite and near the picture.
// A digital picture's drawing is as large as the picture; from paper the sheet is cut out.
func checkDrawing(res *trace.Result, pic *paper.Picture) error {
	d := res.Drawing
	if res.Report.Kind == paper.Digital && (d.Width != float64(pic.W) || d.Height != float64(pic.H)) {
		return fmt.Errorf("the drawing is %g × %g, the picture %d × %d", d.Width, d.Height, pic.W, pic.H)
	}
	names := map[string]bool{}
	for _, l := range d.Layers {
		if l.Name == "" || strings.Trim(l.Name, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" {
			return fmt.Errorf("layer name %q", l.Name)
		}
		if names[l.Name] {
			return fmt.Errorf("two layers %q", l.Name)
		}
		names[l.Name] = true
		if len(l.Shapes) == 0 {
			return fmt.Errorf("layer %s is empty", l.Name)
		}
		for i, s := range l.Shapes {
			for k, r := range s.Rings {
				if err := checkRing(r, k > 0, d.Width, d.Height); err != nil {
					return fmt.Errorf("layer %s, shape %d, ring %d: %w", l.Name, i, k, err)
				}
			}
			if len(s.Rings) == 0 {
				return fmt.Errorf("layer %s, shape %d has no outline", l.Name, i)
			}
		}
	}
	return nil
}

// farOut is how far a handle of a curve may lie beyond the picture, px: half a trap would do for the curve itself.
const farOut = 16.0

func checkRing(r fit.Path, hole bool, w, h float64) error {
	if !r.Closed || len(r.Segments) == 0 {
		return errors.New("not closed")
	}
	for i, s := range r.Segments {
		next := r.Segments[(i+1)%len(r.Segments)]
		if s.P[3] != next.P[0] {
			return fmt.Errorf("segment %d ends at %v, the next begins at %v", i, s.P[3], next.P[0])
		}
		for _, p := range s.P {
			// False for NaN too.
			if !(p.X >= -farOut && p.Y >= -farOut && p.X <= w+farOut && p.Y <= h+farOut) {
				return fmt.Errorf("segment %d goes to %v", i, p)
			}
		}
	}
	if a := r.Area(); hole != (a < 0) || a == 0 {
		return fmt.Errorf("area %g, hole %t", a, hole)
	}
	return nil
}

// checkFile verifies that svgout takes the drawing, and that reading gives back the layers and the same file again.
func checkFile(d *trace.Drawing) ([]byte, error) {
	var file, again bytes.Buffer
	if err := svgout.Write(&file, d, svgout.Options{}); err != nil {
		return nil, err
	}
	back, err := svgout.Read(bytes.NewReader(file.Bytes()))
	if err != nil {
		return nil, err
	}
	for i, l := range back.Layers {
		if len(back.Layers) == len(d.Layers) && (l.Name != d.Layers[i].Name || l.Colour != d.Layers[i].Colour) {
			return nil, fmt.Errorf("layer %s %v was read back as %s %v", d.Layers[i].Name, d.Layers[i].Colour, l.Name, l.Colour)
		}
	}
	if err := svgout.Write(&again, back, svgout.Options{}); err != nil {
		return nil, err
	}
	if !bytes.Equal(file.Bytes(), again.Bytes()) {
		return nil, errors.New("the file changes when it is read and written")
	}
	return file.Bytes(), nil
}

// anyPicture returns a picture of the family i: flat blobs, anti-aliased scenes, noise of several kinds, ramps.
func anyPicture(i int) *paper.Picture {
	rng := rand.New(rand.NewPCG(uint64(i), 13))
	w, h := 1+rng.IntN(70), 1+rng.IntN(70)
	cell := 1 + rng.IntN(12)
	colours := make([][3]uint8, 1+rng.IntN(6))
	for k := range colours {
		v := rng.Uint32()
		colours[k] = [3]uint8{uint8(v), uint8(v >> 8), uint8(v >> 16)}
	}
	cells := map[[2]int][3]uint8{}
	cellAt := func(x, y int) [3]uint8 {
		key := [2]int{x / cell, y / cell}
		c, ok := cells[key]
		if !ok {
			c = colours[rng.IntN(len(colours))]
			cells[key] = c
		}
		return c
	}
	switch i % 5 {
	case 0: // blocks with hard edges
		return picture(w, h, func(x, y int) (uint8, uint8, uint8) { c := cellAt(x, y); return c[0], c[1], c[2] })
	case 1: // discs with soft edges
		return scene(w, h, uint64(i))
	case 2: // blocks seen through a box of three pixels
		return picture(w, h, func(x, y int) (uint8, uint8, uint8) {
			var sum [3]int
			for k := range 9 {
				c := cellAt(x+k%3, y+k/3)
				for j := range sum {
					sum[j] += int(c[j])
				}
			}
			return uint8(sum[0] / 9), uint8(sum[1] / 9), uint8(sum[2] / 9)
		})
	case 3: // discs under noise
		p := scene(w, h, uint64(i))
		for k := range p.Pix {
			if k%4 != 3 {
				p.Pix[k] = uint8(min(255, max(0, int(p.Pix[k])+rng.IntN(25)-12)))
			}
		}
		return p
	}
	return picture(w, h, func(x, y int) (uint8, uint8, uint8) { // a ramp
		return uint8(x * 255 / w), uint8(y * 255 / h), uint8(rng.IntN(2 * cell))
	})
}

// oddPictures are those that lie at the ends of what a picture may be.
func oddPictures() map[string]*paper.Picture {
	rng := rand.New(rand.NewPCG(64, 64))
	noise := func(int, int) (uint8, uint8, uint8) {
		v := rng.Uint32()
		return uint8(v), uint8(v >> 8), uint8(v >> 16)
	}
	bits := func(int, int) (uint8, uint8, uint8) { v := uint8(rng.IntN(2) * 255); return v, v, v }
	flat := func(v uint8) func(int, int) (uint8, uint8, uint8) {
		return func(int, int) (uint8, uint8, uint8) { return v, v, v }
	}
	return map[string]*paper.Picture{
		"one white pixel":     picture(1, 1, flat(255)),
		"one black pixel":     picture(1, 1, flat(0)),
		"two pixels":          picture(2, 1, func(x, _ int) (uint8, uint8, uint8) { return uint8(255 * x), 0, 0 }),
		"a column":            picture(1, 70, func(_, y int) (uint8, uint8, uint8) { return uint8(y / 10 * 36), 0, 0 }),
		"a row":               picture(70, 1, func(x, _ int) (uint8, uint8, uint8) { return 0, uint8(x % 7 * 40), 0 }),
		"all white":           picture(40, 30, flat(255)),
		"all black":           picture(40, 30, flat(0)),
		"all grey":            picture(3, 3, flat(119)),
		"noise":               picture(64, 64, noise),
		"black and white":     picture(40, 40, bits),
		"a chessboard":        picture(48, 48, func(x, y int) (uint8, uint8, uint8) { v := uint8((x + y) % 2 * 255); return v, v, v }),
		"a grid":              picture(48, 48, func(x, y int) (uint8, uint8, uint8) { v := uint8(255 * min(1, x%4*(y%4))); return v, v, v }),
		"a frame":             drawn(50, 50, box(navy, 0, 0, 50, 50), box(white, 3, 3, 47, 47)),
		"all transparent":     {W: 9, H: 9, Pix: picture(9, 9, flat(255)).Pix, Clear: bytesToBools(bytes.Repeat([]byte{1}, 81)), Name: "test", Format: "png"},
		"shapes at the frame": drawn(60, 40, disc(teal, 0, 0, 15), disc(red, 60, 20, 12), disc(orange, 30, 44, 10)),
	}
}

func bytesToBools(b []byte) []bool {
	out := make([]bool, len(b))
	for i := range b {
		out[i] = b[i] != 0
	}
	return out
}

// eachPicture calls f with every odd picture and with some of every family.
func eachPicture(t *testing.T, n int, f func(t *testing.T, pic *paper.Picture)) {
	for name, pic := range oddPictures() {
		t.Run(name, func(t *testing.T) { f(t, pic) })
	}
	if testing.Short() {
		n /= 5
	}
	for i := range n {
		t.Run(fmt.Sprint("picture ", i), func(t *testing.T) { f(t, anyPicture(i)) })
	}
}

func TestDrawingsKeepTheirPromises(t *testing.T) {
	eachPicture(t, 40, func(t *testing.T, pic *paper.Picture) {
		for _, knockout := range []bool{false, true} {
			var first []byte
			for _, workers := range []int{1, 7} {
				res := traced(t, pic, trace.Options{Workers: workers, Knockout: knockout, KeepPaper: pic.W%2 == 0})
				if err := checkDrawing(res, pic); err != nil {
					t.Fatalf("%d × %d, knockout %t: %v", pic.W, pic.H, knockout, err)
				}
				file, err := checkFile(res.Drawing)
				if err != nil {
					t.Fatalf("%d × %d, knockout %t: %v", pic.W, pic.H, knockout, err)
				}
				if first == nil {
					first = file
				}
				if !bytes.Equal(first, file) {
					t.Fatalf("%d × %d, knockout %t: %d workers give another file", pic.W, pic.H, knockout, workers)
				}
			}
		}
	})
}

// A Tracer whose options change gives the file that a fresh trace gives, whatever stage the change reaches.
func TestTracerKeepsNothingStale(t *testing.T) {
	value := func(v float64) *float64 { return &v }
	changes := []trace.Options{
		{}, {Smoothness: value(0)}, {Smoothness: value(100)}, {Turn: value(60)}, {Dust: value(6)}, {Colours: 3},
		{Colours: 3, Smoothness: value(30)}, {Knockout: true}, {KeepPaper: true}, {},
	}
	for i := range 4 {
		pic := anyPicture(5*i + i%2)
		tr := trace.NewTracer(pic)
		for k, opt := range changes {
			res, err := tr.Trace(context.Background(), opt)
			if err != nil {
				t.Fatal(err)
			}
			kept, err := checkFile(res.Drawing)
			if err != nil {
				t.Fatal(err)
			}
			fresh, err := checkFile(traced(t, pic, opt).Drawing)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(kept, fresh) {
				t.Errorf("picture %d, change %d: the kept stages give another file", i, k)
			}
		}
	}
}

// smoothScenes are pictures with edges enough for the effect of an option to show.
func smoothScenes(n int) []*paper.Picture {
	var out []*paper.Picture
	for i := range n {
		p := scene(220, 180, uint64(100+i))
		if i%2 == 1 { // as a camera or a painter's grain would leave it
			rng := rand.New(rand.NewPCG(uint64(i), 5))
			for k := range p.Pix {
				if k%4 != 3 {
					p.Pix[k] = uint8(min(255, max(0, int(p.Pix[k])+rng.IntN(9)-4)))
				}
			}
		}
		out = append(out, p)
	}
	return out
}

// More smoothness never takes more segments, to 3 % over a set of pictures.
func TestSmoothnessSparesSegments(t *testing.T) {
	values := []float64{0, 25, 50, 75, 100}
	pics := smoothScenes(8)
	for _, r := range "gS&" {
		_, p := glyph(t, goregular.TTF, r, 200)
		pics = append(pics, p)
	}
	tracers := make([]*trace.Tracer, len(pics))
	for i := range pics {
		tracers[i] = trace.NewTracer(pics[i])
	}
	last := math.MaxInt
	for _, v := range values {
		total := 0
		for _, tr := range tracers {
			res, err := tr.Trace(context.Background(), trace.Options{Smoothness: &v, Knockout: true})
			if err != nil {
				t.Fatal(err)
			}
			total += res.Report.Segments
		}
		if float64(total) > 1.03*float64(last) {
			t.Errorf("smoothness %g takes %d segments, the step before %d", v, total, last)
		}
		t.Logf("smoothness %g: %d segments", v, total)
		last = total
	}
}

// A wider turn drawn round never leaves more corners.
func TestTurnSparesCorners(t *testing.T) {
	var pics []*paper.Picture
	for _, r := range "ktW&G5" {
		_, p := glyph(t, goregular.TTF, r, 200)
		pics = append(pics, p)
	}
	pics = append(pics, smoothScenes(4)...)
	last := math.MaxInt
	for _, turn := range []float64{5, 15, trace.DefaultTurn, 45, 70, 100, 140, 180} {
		corners := 0
		for _, p := range pics {
			corners += len(sharp(joints(rings(traced(t, p, trace.Options{Turn: &turn, Knockout: true}).Drawing)), 8))
		}
		if corners > last {
			t.Errorf("turn %g°: %d corners, the narrower turn before left %d", turn, corners, last)
		}
		t.Logf("turn %g°: %d corners", turn, corners)
		last = corners
	}
}

// countdown is a context that ends after its Err has been asked a number of times, so that every stage meets it.
type countdown struct {
	context.Context
	left atomic.Int64
}

// countingDown returns a countdown from n.
func countingDown(n int) *countdown {
	c := &countdown{Context: context.Background()}
	c.left.Store(int64(n))
	return c
}

func (c *countdown) Err() error {
	if c.left.Add(-1) < 0 {
		return context.Canceled
	}
	return nil
}

func TestEveryStageEnds(t *testing.T) {
	pic := scene(80, 60, 4)
	ends := 0
	for n := range 8 {
		res, err := trace.Trace(countingDown(n), pic, trace.Options{})
		if err == nil {
			break
		}
		if !errors.Is(err, context.Canceled) || res != nil {
			t.Fatalf("after %d questions: result %v, error %v", n, res, err)
		}
		ends++
	}
	if ends < 5 {
		t.Errorf("the context is asked %d times, want once a stage", ends)
	}
	ctx, cancel := context.WithDeadline(context.Background(), time.Unix(0, 0))
	defer cancel()
	if _, err := trace.Trace(ctx, pic, trace.Options{}); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("error %v, want context.DeadlineExceeded", err)
	}
}

// A Tracer that was stopped goes on as if nothing had happened.
func TestStoppedTracerGoesOn(t *testing.T) {
	pic := scene(80, 60, 4)
	want, err := checkFile(traced(t, pic, trace.Options{}).Drawing)
	if err != nil {
		t.Fatal(err)
	}
	for n := range 5 {
		tr := trace.NewTracer(pic)
		if _, err := tr.Trace(countingDown(n), trace.Options{}); err == nil {
			t.Fatalf("after %d questions: no error", n)
		}
		res, err := tr.Trace(context.Background(), trace.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if got, err := checkFile(res.Drawing); err != nil || !bytes.Equal(got, want) {
			t.Errorf("stopped after %d questions: another file, error %v", n, err)
		}
	}
}

func TestOptionsOutOfRange(t *testing.T) {
	pic := scene(20, 20, 1)
	value := func(v float64) *float64 { return &v }
	for want, opt := range map[string]trace.Options{
		"Colours = 1":      {Colours: 1},
		"Colours = 65":     {Colours: 65},
		"Colours = -2":     {Colours: -2},
		"Smoothness = -1":  {Smoothness: value(-1)},
		"Smoothness = 101": {Smoothness: value(101)},
		"Smoothness = NaN": {Smoothness: value(math.NaN())},
		"Turn = 180.5":     {Turn: value(180.5)},
		"Dust = -0.1":      {Dust: value(-0.1)},
		"Dust = +Inf":      {Dust: value(math.Inf(1))},
	} {
		_, err := trace.Trace(context.Background(), pic, opt)
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("error %v, want one line with %q", err, want)
		}
	}
	for _, bad := range []*paper.Picture{
		{W: 0, H: 4, Name: "empty.png"},
		{W: 3, H: 3, Pix: make([]uint8, 35), Name: "short.png"},
		{W: -1, H: -1, Pix: make([]uint8, 4), Name: "negative.png"},
	} {
		if _, err := trace.Trace(context.Background(), bad, trace.Options{}); err == nil || !strings.Contains(err.Error(), bad.Name) {
			t.Errorf("error %v, want one that names %s", err, bad.Name)
		}
	}
}
