package catalogue

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"

	"github.com/disintegration/imaging"
	"gonum.org/v1/gonum/dsp/fourier"

	"pochoir/cmd/pochoir/internal/demo"
)

// smallOf is a picture as a look is taken of it.
func smallOf(m image.Image) small {
	n := imaging.Clone(m)
	return shrink(n.Pix, n.Rect.Dx(), n.Rect.Dy())
}

func harbour(t *testing.T, object string, kind demo.Kind, size int) *image.NRGBA {
	t.Helper()
	p, ok := demo.Draw(object, kind)
	if !ok {
		t.Fatalf("no %s", object)
	}
	return p.Image(size)
}

// TestTransform holds the integer transform against gonum's: its type-II cosine transform over rows and columns.
func TestTransform(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var cells [lookSide * lookSide]int
	wave := make([]float64, lookSide*lookSide)
	for i := range cells {
		cells[i] = rng.IntN(255001)
		wave[i] = float64(cells[i])
	}
	f := dct2(wave)
	most := 0.0
	at := func(v, u int) float64 {
		if v == 0 && u == 0 {
			u = lookFrequencies
		}
		return f[v*lookSide+u]
	}
	for v := range lookFrequencies {
		for u := range lookFrequencies {
			most = max(most, math.Abs(at(v, u)))
		}
	}
	l := transform(&cells)
	for i, got := range l {
		if want := 127 * at(i/lookFrequencies, i%lookFrequencies) / most; math.Abs(want-float64(got)) > 0.51 {
			t.Errorf("frequency %d: %d, want %.2f", i, got, want)
		}
	}
}

// dct2 is the type-II cosine transform of a square, by gonum's Fourier transform of the even extension.
func dct2(cells []float64) []float64 {
	fft := fourier.NewCmplxFFT(4 * lookSide)
	line := func(in []float64) []float64 {
		seq := make([]complex128, 4*lookSide)
		for x, v := range in {
			seq[2*x+1], seq[4*lookSide-2*x-1] = complex(v, 0), complex(v, 0)
		}
		out := fft.Coefficients(nil, seq)
		r := make([]float64, lookSide)
		for u := range r {
			r[u] = real(out[u]) / 2
		}
		return r
	}
	rows := make([]float64, len(cells))
	for y := range lookSide {
		copy(rows[y*lookSide:], line(cells[y*lookSide:(y+1)*lookSide]))
	}
	out := make([]float64, len(cells))
	for x := range lookSide {
		col := make([]float64, lookSide)
		for y := range col {
			col[y] = rows[y*lookSide+x]
		}
		for v, c := range line(col) {
			out[v*lookSide+x] = c
		}
	}
	return out
}

func TestCopiesLookAlike(t *testing.T) {
	var all []*Look
	for _, o := range demo.Objects() {
		m := harbour(t, o, demo.Inked, 400)
		l := smallOf(m).look()
		all = append(all, l)
		var b bytes.Buffer
		if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 40}); err != nil {
			t.Fatal(err)
		}
		coded, err := jpeg.Decode(&b)
		if err != nil {
			t.Fatal(err)
		}
		tinted := imaging.AdjustFunc(m, func(c color.NRGBA) color.NRGBA {
			return color.NRGBA{uint8(int(c.R) * 250 / 255), uint8(int(c.G) * 242 / 255), uint8(int(c.B) * 228 / 255), 255}
		})
		edited := imaging.Clone(m)
		draw.Draw(edited, image.Rect(180, 190, 225, 225), image.NewUniform(color.NRGBA{200, 30, 30, 255}), image.Point{}, draw.Src)
		for name, c := range map[string]image.Image{
			"large": imaging.Resize(m, 1100, 0, imaging.CatmullRom), "small": imaging.Resize(m, 110, 0, imaging.Box), "coded": coded,
			"moved": imaging.Paste(imaging.New(700, 520, color.White), m, image.Pt(220, 30)), "on cream paper": tinted,
			"turned": imaging.Rotate(m, 2, color.White), "edited": edited,
		} {
			other := smallOf(c).look()
			if k := l.Likeness(other); k < DefaultLikeness {
				t.Errorf("%s, %s: likeness %.3f", o, name, k)
			}
			if d := bits.OnesCount64(l.hash() ^ other.hash()); d > quarters*quarterBits+quarters-1 {
				t.Errorf("%s, %s: %d bits differ", o, name, d)
			}
		}
		flipped := smallOf(imaging.FlipH(m)).look()
		if k := l.Mirrored().Likeness(flipped); k < 0.99 {
			t.Errorf("%s mirrored: likeness %.3f", o, k)
		}
	}
	for i, a := range all {
		for j := range i {
			if k := max(a.Likeness(all[j]), a.Mirrored().Likeness(all[j])); k >= DefaultLikeness {
				t.Errorf("%s and %s: likeness %.3f", demo.Objects()[i], demo.Objects()[j], k)
			}
		}
	}
}

func TestBlankPicturesHaveNoLook(t *testing.T) {
	for _, m := range []image.Image{imaging.New(40, 30, color.White), imaging.New(1, 1, color.Black), imaging.New(3000, 1, color.White)} {
		if l := smallOf(m).look(); l != nil {
			t.Errorf("%v: %v", m.Bounds(), l)
		}
	}
	odd := imaging.New(2000, 3, color.White)
	odd.Set(700, 1, color.Black)
	odd.Set(701, 1, color.Black)
	for x := 900; x < 1100; x++ {
		odd.Set(x, 1, color.Black)
	}
	smallOf(odd).look() // any answer but no panic
	if p := smallOf(imaging.New(40, 30, color.White)).palette(); len(p) != 0 {
		t.Error(p)
	}
}

// TestKeysFindAllNear checks the promise of quarterBits on random hashes.
func TestKeysFindAllNear(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		a := randomLook(rng)
		b := *a
		for k := 0; bits.OnesCount64(a.hash()^b.hash()) < 9 && k < 200; k++ {
			b[rng.IntN(64)] = int8(rng.IntN(255) - 127)
		}
		if d := bits.OnesCount64(a.hash() ^ b.hash()); d > 11 {
			continue
		}
		near := map[int64]bool{}
		for _, k := range a.nearKeys() {
			near[k] = true
		}
		found := false
		for _, k := range b.keys() {
			found = found || near[k]
		}
		if !found {
			t.Fatalf("not found at %d bits", bits.OnesCount64(a.hash()^b.hash()))
		}
	}
}

func randomLook(rng *rand.Rand) *Look {
	l := &Look{}
	for i := range l {
		l[i] = int8(rng.NormFloat64() * 127 / float64(2+i%8+i/8))
	}
	return l
}

func TestNear(t *testing.T) {
	c := workshop(t)
	picture(t, "boat.png", "boat", demo.Inked, 400)
	picture(t, "boat-small.jpg", "boat", demo.Inked, 150)
	must(t, imaging.Save(imaging.FlipH(harbour(t, "boat", demo.Inked, 300)), "boat-left.png"))
	picture(t, "kettle.png", "kettle", demo.Inked, 400)
	drawing(t, "boat", "boat", nil)
	drawing(t, "gull", "gull", nil)
	add(t, c, "boat.png", "boat-small.jpg", "boat-left.png", "kettle.png", "boat.svg", "gull.svg")
	it := item(t, c, "boat.png")
	near, err := c.Near(it.Look, it.ID, DefaultLikeness, 10)
	must(t, err)
	got := map[string]bool{}
	for _, n := range near {
		got[n.Path] = n.Mirrored
	}
	if len(got) != 3 || got["boat-small.jpg"] || !got["boat-left.png"] || got["boat.svg"] {
		t.Errorf("%+v", near)
	}
	if _, ok := got["boat.svg"]; !ok {
		t.Error("the drawing is not found by its picture")
	}
	pairs := map[string]bool{}
	must(t, c.Pairs(context.Background(), DefaultLikeness, func(p Pair) { pairs[p.A.Path+" "+p.B.Path] = true }))
	// boat.png and boat.svg belong together; the others do not say so
	if len(pairs) != 5 || pairs["boat.png boat.svg"] || !pairs["boat.png boat-left.png"] || !pairs["boat-small.jpg boat.svg"] {
		t.Error(pairs)
	}
}

func TestShrink(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {256, 256}, {257, 3}, {1000, 777}, {5, 4000}} {
		w, h := size[0], size[1]
		pix := make([]uint8, 4*w*h)
		for i := range pix {
			pix[i] = 77
		}
		s := shrink(pix, w, h)
		if max(s.w, s.h) > smallSide || len(s.pix) != 3*s.w*s.h {
			t.Errorf("%v: %d by %d", size, s.w, s.h)
		}
		for _, v := range s.pix {
			if v != 77 {
				t.Fatalf("%v: %d", size, v)
			}
		}
	}
	// 512 to 256: means of two by two
	pix := make([]uint8, 4*512*2)
	for i := range pix {
		pix[i] = uint8(i / 4 % 2 * 100)
	}
	if s := shrink(pix, 512, 2); s.w != 256 || s.h != 1 || s.pix[0] != 50 || s.pix[3*255] != 50 {
		t.Errorf("%d by %d, %v", s.w, s.h, s.pix[:6])
	}
}
