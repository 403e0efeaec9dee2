package paper

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pochoir/fit"
)

// deskView is a sheet on a desk as a camera of 28 mm (35 mm equivalent) sees it, the homography from the sheet's own
// units, w × h of them, and what lies where.
type deskView struct {
	pic  *Picture
	w, h float64
	to   Homography
}

// viewOf photographs a w × h sheet that lies shift from the middle of a pw × ph picture (in sheet units), tilted by the
// angle tilt about an axis turned by axis, both in radians.
func viewOf(t *testing.T, w, h float64, shift fit.Point, tilt, axis float64, pw, ph int) deskView {
	t.Helper()
	const focal = 28.0
	f := focal / diagonal35 * math.Hypot(float64(pw), float64(ph))
	st, ct := math.Sincos(tilt)
	sa, ca := math.Sincos(axis)
	far := 1.25 * f * h / float64(ph)
	var src, dst []fit.Point
	for _, c := range [4]fit.Point{{X: 0, Y: 0}, {X: w, Y: 0}, {X: w, Y: h}, {X: 0, Y: h}} {
		x, y := c.X-w/2+shift.X, c.Y-h/2+shift.Y
		// About the axis through the picture's middle.
		u, v := ca*x+sa*y, -sa*x+ca*y
		z := far + st*v
		v *= ct
		x, y = ca*u-sa*v, sa*u+ca*v
		src = append(src, c)
		dst = append(dst, fit.Point{X: float64(pw)/2 + f*x/z, Y: float64(ph)/2 + f*y/z})
	}
	to, err := fitHomography(src, dst)
	if err != nil {
		t.Fatal(err)
	}
	back, err := to.Inverse()
	if err != nil {
		t.Fatal(err)
	}
	p := &Picture{W: pw, H: ph, Pix: make([]uint8, 4*pw*ph), Name: "test", Format: "jpeg", Lossy: true, Camera: true, Focal35: focal}
	r := rand.New(rand.NewPCG(3, 9))
	for i := range pw * ph {
		v := 0.0
		for k := range 4 { // of each quarter of a pixel
			q := back.Apply(fit.Point{X: float64(i%pw) + 0.25 + 0.5*float64(k%2), Y: float64(i/pw) + 0.25 + 0.5*float64(k/2)})
			switch {
			case q.X < 0 || q.Y < 0 || q.X > w || q.Y > h:
				v += 100
			case math.Abs(math.Hypot(q.X-w/2, q.Y-h/2)-w/6) < w/100: // a ring of ink
				v += 35
			default:
				v += 214
			}
		}
		for c := range 3 {
			p.Pix[4*i+c] = uint8(math.Round(v/4 + 2*r.NormFloat64()))
		}
		p.Pix[4*i+3] = 255
	}
	return deskView{p, w, h, to}
}

// untrue returns how far the straightened sheet is from true to shape, the rms distance that no similarity takes away over
// the width of the sheet, and how many of the places looked at in the picture fell off it.
func (v deskView) untrue(s *Sheet) (share float64, lost int) {
	var a, b []complex128
	var am, bm complex128
	for k := range 81 {
		p := fit.Point{X: v.w * (0.02 + 0.96*float64(k%9)/8), Y: v.h * (0.02 + 0.96*float64(k/9)/8)}
		at := v.to.Apply(p)
		if at.X < 0 || at.Y < 0 || at.X > float64(v.pic.W) || at.Y > float64(v.pic.H) {
			continue
		}
		q := s.Homography.Apply(at)
		if q.X < 0 || q.Y < 0 || q.X > float64(s.W) || q.Y > float64(s.H) {
			lost++
		}
		a, b = append(a, complex(p.X, p.Y)), append(b, complex(q.X, q.Y))
		am += complex(p.X, p.Y)
		bm += complex(q.X, q.Y)
	}
	n := complex(float64(len(a)), 0)
	var num complex128
	var aa float64
	for i := range a {
		a[i], b[i] = a[i]-am/n, b[i]-bm/n
		num += b[i] * complex(real(a[i]), -imag(a[i]))
		aa += real(a[i])*real(a[i]) + imag(a[i])*imag(a[i])
	}
	k := num / complex(aa, 0)
	var sum float64
	for i := range a {
		d := b[i] - k*a[i]
		sum += real(d)*real(d) + imag(d)*imag(d)
	}
	return math.Sqrt(sum/float64(len(a))) / (math.Hypot(real(k), imag(k)) * v.w), lost
}

// A sheet that runs out of the picture on one side is straightened by the other three: it comes out true to shape within
// 0.15 % of its width, and nothing that is seen of it is cut off. Where it is much tilted, three sides may tell too little
// and it is left as it is.
func TestOpenSide(t *testing.T) {
	for i, shift := range [4]fit.Point{{X: 0, Y: 50}, {X: 0, Y: -50}, {X: 65, Y: 0}, {X: -65, Y: 0}} {
		for _, tilt := range [2]float64{0.1, 0.25} {
			t.Run(fmt.Sprintf("side %d, tilt %g", i, tilt), func(t *testing.T) {
				v := viewOf(t, 297, 210, shift, tilt, 0.7, 900, 675)
				s, err := Prepare(context.Background(), v.pic, Options{Workers: 2})
				if err != nil {
					t.Fatal(err)
				}
				if !s.Straightened {
					if told := strings.Contains(strings.Join(s.Notes, "\n"), "do not tell"); tilt < 0.2 || !told {
						t.Errorf("not straightened: %q", s.Notes)
					}
					return
				}
				if share, lost := v.untrue(s); share > 0.0015 || lost > 0 {
					t.Errorf("%.3f %% from true, %d places lost; %q", 100*share, lost, s.Notes)
				}
			})
		}
	}
}

// A sheet that runs out of the picture on two sides is left as it is: nobody can tell how it is tilted.
func TestTwoOpenSides(t *testing.T) {
	for i, shift := range [2]fit.Point{{X: 90, Y: 70}, {X: -90, Y: 70}} {
		v := viewOf(t, 297, 210, shift, 0.2, 0.7, 900, 675)
		s, err := Prepare(context.Background(), v.pic, Options{Workers: 2})
		if err != nil {
			t.Fatal(err)
		}
		if s.Straightened {
			t.Errorf("%d: straightened; %q", i, s.Notes)
		}
	}
}
