package colour

import (
	"bufio"
	"cmp"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/lucasb-eyer/go-colorful"
	"golang.org/x/image/colornames"
)

// TestDifferenceTable: the 34 pairs of Sharma, Wu & Dalal 2005, table 1, printed to four decimals.
func TestDifferenceTable(t *testing.T) {
	f, err := os.Open("testdata/ciede2000.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	n := 0
	for s := bufio.NewScanner(f); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") {
			continue
		}
		var v [8]float64
		for i, w := range strings.Fields(s.Text()) {
			if v[i], err = strconv.ParseFloat(w, 64); err != nil {
				t.Fatal(err)
			}
		}
		a, b := Lab{v[1], v[2], v[3]}, Lab{v[4], v[5], v[6]}
		for _, d := range []float64{Difference(a, b), Difference(b, a)} {
			if math.Abs(d-v[7]) > 0.5e-4+1e-9 {
				t.Errorf("pair %g: %.5f, want %.4f", v[0], d, v[7])
			}
		}
		n++
	}
	if n != 34 {
		t.Fatalf("%d pairs, want 34", n)
	}
}

func random(r *rand.Rand) RGB {
	return RGB{uint8(r.UintN(256)), uint8(r.UintN(256)), uint8(r.UintN(256))}
}

// TestAgainstReference: random colours against the go-colorful library (its white is rounded to five figures,
// hence the tolerances).
func TestAgainstReference(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 5000 {
		a, b := random(r), random(r)
		ca := colorful.Color{R: float64(a.R) / 255, G: float64(a.G) / 255, B: float64(a.B) / 255}
		cb := colorful.Color{R: float64(b.R) / 255, G: float64(b.G) / 255, B: float64(b.B) / 255}
		l, x, y := ca.Lab()
		if g := a.Lab(); math.Abs(g.L-100*l)+math.Abs(g.A-100*x)+math.Abs(g.B-100*y) > 0.05 {
			t.Fatalf("%v: Lab %v, want %v %v %v", a, g, 100*l, 100*x, 100*y)
		}
		l, x, y = ca.OkLab()
		if g := a.OKLab(); math.Abs(g.L-l)+math.Abs(g.A-x)+math.Abs(g.B-y) > 1e-3 {
			t.Fatalf("%v: OKLab %v, want %v %v %v", a, g, l, x, y)
		}
		lr, lg, lb := ca.LinearRgb()
		if math.Abs(lr-Linear(a.R))+math.Abs(lg-Linear(a.G))+math.Abs(lb-Linear(a.B)) > 1e-9 {
			t.Fatalf("%v: linear %v %v %v, want %v %v %v", a, Linear(a.R), Linear(a.G), Linear(a.B), lr, lg, lb)
		}
		if d, want := a.Difference(b), 100*ca.DistanceCIEDE2000(cb); math.Abs(d-want) > 0.05 {
			t.Fatalf("%v %v: difference %v, want %v", a, b, d, want)
		}
		if a.Difference(b) != b.Difference(a) || a.Difference(a) != 0 {
			t.Fatalf("%v %v: difference is not symmetric or not zero on itself", a, b)
		}
	}
}

// TestSampleConversions: colours that CSS Color Module Level 4 gives in several notations (section 9.4, oklab() and
// its sRGB value in the examples), from memory, and the table of XYZ and Oklab pairs in Ottosson 2020 by way of
// white.
func TestSampleConversions(t *testing.T) {
	for _, c := range []struct {
		ok   OKLab
		want RGB
	}{
		{OKLab{0.40101, 0.1147, 0.0453}, RGB{125, 35, 41}},
		{OKLab{0.59686, 0.1009, 0.1192}, RGB{198, 93, 6}},
		{OKLab{0.65125, -0.0320, 0.1274}, RGB{157, 147, 24}},
		{OKLab{0.66016, -0.1084, 0.1114}, RGB{104, 166, 57}},
		{OKLab{0.72322, -0.0465, -0.1150}, RGB{98, 172, 239}},
		{OKLab{1, 0, 0}, RGB{255, 255, 255}},
		{OKLab{}, RGB{}},
	} {
		if got := c.ok.RGB(); dist(got, c.want) > 1 {
			t.Errorf("%v: %v, want %v", c.ok, got, c.want)
		}
		if got := c.want.OKLab(); math.Abs(got.L-c.ok.L)+math.Abs(got.A-c.ok.A)+math.Abs(got.B-c.ok.B) > 0.006 {
			t.Errorf("%v: %v, want %v", c.want, got, c.ok)
		}
	}
	// the corners of IEC 61966-2-1: white is neutral, and the linear part meets the power at the threshold
	w := RGB{255, 255, 255}.Lab()
	if math.Abs(w.L-100)+math.Abs(w.A)+math.Abs(w.B) > 1e-9 {
		t.Errorf("white is %v", w)
	}
	if d := math.Abs(ToLinear(0.04045) - ToLinear(0.04045+1e-12)); d > 1e-7 {
		t.Errorf("step of %g at the threshold", d)
	}
}

func dist(a, b RGB) int {
	d := func(x, y uint8) int { return max(int(x)-int(y), int(y)-int(x)) }
	return max(d(a.R, b.R), d(a.G, b.G), d(a.B, b.B))
}

func TestRoundTrips(t *testing.T) {
	for i := 0; i < 1<<24; i += 97 {
		c := RGB{uint8(i >> 16), uint8(i >> 8), uint8(i)}
		if got := c.Lab().RGB(); got != c {
			t.Fatalf("%v through Lab is %v", c, got)
		}
		if got := c.OKLab().RGB(); got != c {
			t.Fatalf("%v through OKLab is %v", c, got)
		}
		if got, err := ParseHex(c.Hex()); err != nil || got != c {
			t.Fatalf("%v through %s is %v, %v", c, c.Hex(), got, err)
		}
	}
	for i := range 256 {
		if got := Byte(FromLinear(Linear(uint8(i)))); got != uint8(i) {
			t.Fatalf("%d through linear light is %d", i, got)
		}
	}
}

func TestParseHex(t *testing.T) {
	for s, want := range map[string]RGB{"#1a8C8c": {26, 140, 140}, "#fA0": {255, 170, 0}} {
		if got, err := ParseHex(s); err != nil || got != want {
			t.Errorf("%s: %v, %v", s, got, err)
		}
	}
	for _, s := range []string{"", "#", "1a8c8c", "#1a8c8", "#1a8c8g", "#+12345", "#12345678", "#-12"} {
		if got, err := ParseHex(s); err == nil {
			t.Errorf("%q: %v, want an error", s, got)
		}
	}
}

// TestNames: every named colour is nearest to itself, and a few in between.
func TestNames(t *testing.T) {
	if len(css) != 148 || !slices.IsSortedFunc(css[:], func(a, b cssColour) int { return strings.Compare(a.name, b.name) }) {
		t.Errorf("%d names, or out of order", len(css))
	}
	if len(named()) != 139 { // 147 names of SVG 1.1 less 7 spellings with "grey", cyan and magenta, and rebeccapurple
		t.Errorf("%d colours", len(named()))
	}
	for _, n := range colornames.Names {
		c, ok := Named(n)
		if !ok {
			t.Fatalf("no colour %s", n)
		}
		if want := colornames.Map[n]; c != (RGB{want.R, want.G, want.B}) {
			t.Errorf("%s is %v, want %v", n, c, want)
		}
		if back, _ := Named(Name(c)); back != c {
			t.Errorf("%s is named %s", n, Name(c))
		}
	}
	for c, want := range map[RGB]string{{0x66, 0x33, 0x99}: "rebeccapurple", {0, 0, 2}: "black", {0x1a, 0x8c, 0x8c}: "darkcyan",
		{128, 128, 128}: "gray", {0, 255, 255}: "aqua"} {
		if got := Name(c); got != want {
			t.Errorf("%v is named %s, want %s", c, got, want)
		}
	}
	if c, ok := Named("no colour"); ok {
		t.Errorf("a colour of no name: %v", c)
	}
	// Whatever the lightness says beforehand, the nearest of all is found.
	rng := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		c := RGB{uint8(rng.Uint32()), uint8(rng.Uint32()), uint8(rng.Uint32())}
		l := c.Lab()
		nearest := slices.MinFunc(named(), func(a, b namedColour) int { return cmp.Compare(Difference(l, a.lab), Difference(l, b.lab)) })
		if got := Name(c); got != nearest.name {
			t.Errorf("%v is named %s, want %s", c, got, nearest.name)
		}
	}
}

func BenchmarkDifference(b *testing.B) {
	x, y := RGB{10, 200, 30}.Lab(), RGB{12, 190, 60}.Lab()
	var s float64
	for b.Loop() {
		s += Difference(x, y)
	}
	b.ReportMetric(s/float64(b.N), "difference")
}
