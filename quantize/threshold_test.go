package quantize

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"pochoir/quantize/colour"
)

// greyScenes are arrays to threshold: two crowds of levels, a slope under strokes, plain noise.
func greyScenes() (scenes [][]uint8, w, h int) {
	r := rand.New(rand.NewPCG(5, 6))
	w, h = 67, 45
	for k := range 3 {
		g := make([]uint8, w*h)
		for i := range g {
			x, y := float64(i%w), float64(i/w)
			v := 200 + 12*r.NormFloat64()
			switch k {
			case 0:
				if r.IntN(4) == 0 {
					v = 60 + 20*r.NormFloat64()
				}
			case 1:
				v -= 1.5 * x
				if math.Mod(x+y, 11) < 2 {
					v -= 70
				}
			case 2:
				v = 256 * r.Float64()
			}
			g[i] = uint8(min(255, max(0, v)))
		}
		scenes = append(scenes, g)
	}
	return scenes, w, h
}

// TestThresholdsAgainstReference: Otsu's and Sauvola's thresholds against scikit-image on the same arrays.
func TestThresholdsAgainstReference(t *testing.T) {
	const python = "/usr/bin/python3" // Debian's, which python3-skimage belongs to
	const script = `
import sys, json, numpy as np
from skimage.filters import threshold_otsu, threshold_sauvola
q = json.load(sys.stdin)
out = []
for s in q["Scenes"]:
    a = np.array(s, np.uint8).reshape(q["H"], q["W"])
    out.append({"Otsu": int(threshold_otsu(a)),
                "Sauvola": threshold_sauvola(a.astype(float), window_size=q["Window"], k=q["K"], r=q["R"]).ravel().tolist()})
json.dump(out, sys.stdout)
`
	if err := exec.Command(python, "-c", "import skimage").Run(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("scikit-image (Debian: python3-skimage) is needed: %v", err)
		}
		t.Skip("no scikit-image (Debian: python3-skimage)")
	}
	scenes, w, h := greyScenes()
	const window = 15
	type query struct {
		Scenes       [][]int
		W, H, Window int
		K, R         float64
	}
	q := query{W: w, H: h, Window: window, K: sauvolaK, R: sauvolaR}
	for _, s := range scenes {
		ints := make([]int, len(s))
		for i, v := range s {
			ints[i] = int(v)
		}
		q.Scenes = append(q.Scenes, ints)
	}
	in, err := json.Marshal(q)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", script)
	cmd.Stdin = bytes.NewReader(in)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var want []struct {
		Otsu    int
		Sauvola []float64
	}
	if err := json.Unmarshal(out, &want); err != nil {
		t.Fatal(err)
	}
	for k, g := range scenes {
		var count [256]int
		for _, v := range g {
			count[v]++
		}
		if got := otsu(&count); got != want[k].Otsu {
			t.Errorf("scene %d: Otsu's threshold %d, want %d", k, got, want[k].Otsu)
		}
		for _, workers := range []int{1, 3} {
			ink := sauvola(g, w, h, window, sauvolaK, sauvolaR, workers)
			for i, v := range g {
				d := float64(v) - want[k].Sauvola[i]
				if math.Abs(d) > 1e-6 && bit(ink, i) != (d < 0) {
					t.Fatalf("scene %d: level %d at %d,%d, threshold %g, ink %v", k, v, i%w, i/w, want[k].Sauvola[i], bit(ink, i))
				}
			}
		}
	}
}

// TestOtsuTwoLevels: between two levels every threshold is equally good, and the lowest is taken; one level is its own.
func TestOtsuTwoLevels(t *testing.T) {
	var count [256]int
	count[30], count[200] = 50, 7
	if got := otsu(&count); got != 30 {
		t.Errorf("threshold %d, want 30", got)
	}
}

// TestInk: strokes of ink are cut half way between their level and the paper's, wherever on the sheet.
func TestInk(t *testing.T) {
	stroke := func(x, y float64) bool {
		for k := range 6 {
			if math.Abs(x-30-40*float64(k)-6*math.Sin(y/17)) < 1.1+0.7*float64(k) {
				return true
			}
		}
		return false
	}
	r := rand.New(rand.NewPCG(7, 8))
	for _, c := range []struct {
		name  string
		shade float64 // how much darker the right side is
		noise float64 // levels
		opt   Options
	}{
		{"noise", 0, 4, Options{}},
		{"noise, line asked for", 0, 4, Options{Medium: MediumLine}},
		{"shade", 0.4, 2, Options{Medium: MediumLine}},
	} {
		px := rendered(260, 200, func(x, y float64) colour.RGB {
			if stroke(x, y) {
				return colour.RGB{R: 40, G: 40, B: 40}
			}
			return colour.RGB{R: 240, G: 240, B: 240}
		})
		for i := range px.W * px.H {
			v := float64(px.Pix[4*i])*(1-c.shade*float64(i%px.W)/float64(px.W)) + c.noise*r.NormFloat64()
			b := uint8(math.Round(min(255, max(0, v))))
			copy(px.Pix[4*i:], []uint8{b, b, b})
		}
		f := flatten(t, px, c.opt)
		if len(f.Palette) != 2 || f.Medium != MediumLine || f.Ground < 0 {
			t.Fatalf("%s: palette %v, medium %d, ground %d", c.name, f.Palette, f.Medium, f.Ground)
		}
		var ink, truth, off float64
		for i, l := range f.Labels {
			want := 0.0
			for s := range 16 {
				if stroke(float64(i%px.W)+(float64(s%4)+0.5)/4, float64(i/px.W)+(float64(s/4)+0.5)/4) {
					want += 1.0 / 16
				}
			}
			truth += want
			if int(l) == f.Ink {
				ink++
			}
			if want == 0 && int(l) == f.Ink || want == 1 && int(l) != f.Ink {
				t.Fatalf("%s: wrong label at %d,%d", c.name, i%px.W, i/px.W)
			}
			off += math.Abs(f.Coverage(i, uint8(f.Ink), uint8(f.Ground)) - want)
		}
		if math.Abs(ink-truth) > 0.03*truth {
			t.Errorf("%s: %g pixels of ink, want %.0f", c.name, ink, truth)
		}
		if mean := off / float64(len(f.Labels)); mean > 0.025 {
			t.Errorf("%s: coverage is off by %.3f in the mean", c.name, mean)
		}
	}
}
