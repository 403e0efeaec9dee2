package quantize

import (
	"math"
	"math/rand/v2"
	"testing"

	"pochoir/quantize/colour"
)

// The heap of a paint that covers much reaches far: tiles of a near one that covers little fall to it, where grain throws
// them that way. Their neighbours take them back, if the paints are not so far apart that it cannot have been grain.
func TestTilesOfNearPaintsSettle(t *testing.T) {
	const w, h = 60, 45
	const grain = 1.2 // ΔE, standard deviation along the line between the paints
	light, dark := vecOf(colour.RGB{R: 168, G: 107, B: 82}), vecOf(colour.RGB{R: 141, G: 83, B: 62})
	if d := colour.Difference(light.lab(), dark.lab()); d < driftDE {
		t.Fatalf("the paints differ by %.1f: they would be near whatever the grain", d)
	}
	u := dark.sub(light)
	spread := func() (s [6]float64) {
		v := math.Pow(grain*labUnit, 2) / float64(u.dot(u))
		p := [3]float64{float64(u.l), float64(u.a), float64(u.b)}
		for k, ij := range [6][2]int{{0, 0}, {1, 1}, {2, 2}, {0, 1}, {0, 2}, {1, 2}} {
			s[k] = v * p[ij[0]] * p[ij[1]]
		}
		return s
	}()
	paints := []*crowd{{c: light, spread: spread}, {c: dark, spread: spread}}
	if sd := math.Sqrt(paints[0].along(u)); math.Abs(sd-grain) > 0.01 {
		t.Fatalf("the grain is %.2f, want %.2f", sd, grain)
	}
	rng := rand.New(rand.NewPCG(1, 7))
	in := func(x, y int) bool { return math.Abs(math.Hypot(float64(x)-30, float64(y)+10)-32) < 4 } // a band
	of, colours := make([]int32, w*h), make([]vec, w*h)
	wrong := func() (n int) {
		for i, v := range of {
			if v != 0 && (v == 2) != in(i%w, i/w) {
				n++
			}
		}
		return n
	}
	for i := range of {
		share := grain * rng.NormFloat64() / u.len()
		if in(i%w, i/w) {
			share++
		}
		colours[i] = vec{light.l + int32(share*float64(u.l)), light.a + int32(share*float64(u.a)), light.b + int32(share*float64(u.b))}
		if of[i] = 1; share > 0.85 {
			of[i] = 2
		}
		if (i%w+i/w)%11 == 0 {
			of[i] = 0 // not even
		}
	}
	before := wrong()
	settleTiles(of, colours, paints, w, h)
	if after := wrong(); before < 30 || after > 2 {
		t.Errorf("%d tiles have the wrong paint, %d before", after, before)
	}
}
