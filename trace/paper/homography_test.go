package paper

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"pochoir/fit"
)

// someHomography returns a map such as a hand-held camera makes of a sheet.
func someHomography(r *rand.Rand) Homography {
	u := func(s float64) float64 { return s * (2*r.Float64() - 1) }
	return Homography{1 + u(0.3), u(0.3), u(400), u(0.3), 1 + u(0.3), u(400), u(1e-4), u(1e-4), 1}
}

func randomPoints(r *rand.Rand, n int) []fit.Point {
	p := make([]fit.Point, n)
	for i := range p {
		p[i] = fit.Point{X: 2000 * r.Float64(), Y: 3000 * r.Float64()}
	}
	return p
}

// The map behind exact points comes back, from four points as from forty.
func TestHomographyFromTruth(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{4, 5, 40} {
		for range 50 {
			truth := someHomography(r)
			src := randomPoints(r, n)
			if n == 4 {
				src = []fit.Point{{X: 10 * r.Float64(), Y: 5}, {X: 1900, Y: 90 * r.Float64()}, {X: 2000, Y: 2900}, {X: 30, Y: 2800}}
			}
			dst := make([]fit.Point, n)
			for i, p := range src {
				dst[i] = truth.Apply(p)
			}
			h, err := fitHomography(src, dst)
			if err != nil {
				t.Fatal(err)
			}
			inv, err := h.Inverse()
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range randomPoints(r, 20) {
				if d := h.Apply(p).Sub(truth.Apply(p)).Len(); d > 1e-6 {
					t.Fatalf("%d points: %v goes %g px beside its place", n, p, d)
				}
				if d := inv.Apply(h.Apply(p)).Sub(p).Len(); d > 1e-6 {
					t.Fatalf("there and back ends %g px away", d)
				}
			}
		}
	}
}

// On noisy points the normalised direct linear transform agrees with a reference that shares none of its code: the
// reprojection error minimised by Gauss–Newton on gonum's QR solver. The two criteria differ, so the agreement asked for
// is a small share of the noise.
func TestHomographyAgainstLeastSquares(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 20 {
		truth := someHomography(r)
		src := randomPoints(r, 60)
		dst := make([]fit.Point, len(src))
		for i, p := range src {
			dst[i] = truth.Apply(p).Add(fit.Point{X: r.NormFloat64(), Y: r.NormFloat64()})
		}
		got, err := fitHomography(src, dst)
		if err != nil {
			t.Fatal(err)
		}
		want := truth
		for range 20 {
			j := mat.NewDense(2*len(src), 8, nil)
			e := mat.NewVecDense(2*len(src), nil)
			for i, p := range src {
				z := want[6]*p.X + want[7]*p.Y + 1
				q := want.Apply(p)
				j.SetRow(2*i, []float64{p.X / z, p.Y / z, 1 / z, 0, 0, 0, -q.X * p.X / z, -q.X * p.Y / z})
				j.SetRow(2*i+1, []float64{0, 0, 0, p.X / z, p.Y / z, 1 / z, -q.Y * p.X / z, -q.Y * p.Y / z})
				e.SetVec(2*i, dst[i].X-q.X)
				e.SetVec(2*i+1, dst[i].Y-q.Y)
			}
			var qr mat.QR
			qr.Factorize(j)
			var step mat.VecDense
			if err := qr.SolveVecTo(&step, false, e); err != nil {
				if _, bad := err.(mat.Condition); !bad {
					t.Fatal(err)
				}
			}
			for k := range 8 {
				want[k] += step.AtVec(k)
			}
		}
		for _, p := range src {
			if d := got.Apply(p).Sub(want.Apply(p)).Len(); d > 0.25 {
				t.Errorf("%v: %.3f px from the least squares solution, noise 1 px", p, d)
			}
		}
	}
}

func TestHomographyRefusesDegenerate(t *testing.T) {
	unit := []fit.Point{{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}, {X: 0, Y: 1}}
	for name, src := range map[string][]fit.Point{
		"three on a line": {{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 2, Y: 0}, {X: 0, Y: 1}},
		"one point":       {{X: 5, Y: 5}, {X: 5, Y: 5}, {X: 5, Y: 5}, {X: 5, Y: 5}},
		"two alike":       {{X: 0, Y: 0}, {X: 0, Y: 0}, {X: 1, Y: 1}, {X: 0, Y: 1}},
		"too few":         {{X: 0, Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}},
		"not numbers":     {{X: math.NaN(), Y: 0}, {X: 1, Y: 0}, {X: 1, Y: 1}, {X: 0, Y: 1}},
	} {
		if h, err := fitHomography(src, unit[:len(src)]); err == nil {
			t.Errorf("%s: got %v", name, h)
		}
	}
}

// camera returns the picture of a sheet w × h (any unit) that a pinhole camera takes: focal length f over the long side
// of the picture, tilted by tilt radians about an axis in the sheet at angle axis.
func camera(w, h, f, tilt, axis float64, pw, ph int) [4]fit.Point {
	long := float64(max(pw, ph))
	k := 0.6 * float64(min(pw, ph)) / math.Max(w, h)
	var q [4]fit.Point
	for i, c := range [4]fit.Point{{X: -w / 2, Y: -h / 2}, {X: w / 2, Y: -h / 2}, {X: w / 2, Y: h / 2}, {X: -w / 2, Y: h / 2}} {
		c = c.Mul(k)
		s, co := math.Sincos(axis)
		along, across := c.X*co+c.Y*s, -c.X*s+c.Y*co
		z := f*long + across*math.Sin(tilt)
		across *= math.Cos(tilt)
		g := f * long / z
		q[i] = fit.Point{X: float64(pw)/2 + g*(along*co-across*s), Y: float64(ph)/2 + g*(along*s+across*co)}
	}
	return q
}

// ISO 216:2007, 3.1: the sides of every sheet of the A, B and C series are as 1 to √2.
func TestProportion(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for _, c := range []struct {
		w, h float64
		name string
	}{
		{210, 297, "ISO 216 1:√2"}, {420, 297, "ISO 216 1:√2"}, {250, 353, "ISO 216 1:√2"},
		{8.5, 11, "US letter 11:8.5"}, {14, 8.5, "US legal 14:8.5"}, {1, 1, "square"},
	} {
		for range 100 {
			f := 0.7 + 0.5*r.Float64()
			q := camera(c.w, c.h, f, 0.25*r.Float64(), 2*math.Pi*r.Float64(), 4000, 3000)
			focal35 := f * 4000 / 5000 * diagonal35
			ratio, name := sheetProportion(q, 4000, 3000, focal35)
			if name != c.name || math.Abs(ratio/(c.w/c.h)-1) > 2e-3 { // 250×353 mm is rounded to whole mm
				t.Fatalf("%v×%v at focal length %.2f: %s, %.4f", c.w, c.h, f, name, ratio)
			}
		}
	}
	q := camera(200, 100, 1, 0.2, 1, 4000, 3000)
	if ratio, name := sheetProportion(q, 4000, 3000, 0); math.Abs(ratio-2) > 0.02 || name != "measured 2.00" {
		t.Errorf("2:1 came out as %.3f, %s", ratio, name)
	}
}
