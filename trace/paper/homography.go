package paper

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"

	"pochoir/fit"
)

// Homography maps the plane onto itself and keeps lines straight: the matrix, row by row, acts on (x, y, 1), and the
// result is divided by its third coordinate.
type Homography [9]float64

// Identity leaves every point where it is.
var Identity = Homography{1, 0, 0, 0, 1, 0, 0, 0, 1}

// Apply returns where p goes. The point is not finite where p lies on the line that goes to infinity.
func (h Homography) Apply(p fit.Point) fit.Point {
	z := float64(h[6]*p.X) + float64(h[7]*p.Y) + h[8]
	return fit.Point{
		X: (float64(h[0]*p.X) + float64(h[1]*p.Y) + h[2]) / z,
		Y: (float64(h[3]*p.X) + float64(h[4]*p.Y) + h[5]) / z,
	}
}

// Mul returns the map that applies g first and then h.
func (h Homography) Mul(g Homography) Homography {
	var r Homography
	for i := range 3 {
		for j := range 3 {
			r[3*i+j] = float64(h[3*i]*g[j]) + float64(h[3*i+1]*g[3+j]) + float64(h[3*i+2]*g[6+j])
		}
	}
	return r.scaled()
}

// scaled returns the same map with a last element of 1, where it is not 0.
func (h Homography) scaled() Homography {
	if k := h[8]; k != 0 && k != 1 {
		for i := range h {
			h[i] /= k
		}
	}
	return h
}

// settled returns h with its elements rounded to shortBits, as are those of every result of the linear algebra library:
// its kernels add up in another order on another processor, and the last bits with them.
func (h Homography) settled() Homography {
	for i := range h {
		h[i] = settled(h[i])
	}
	return h
}

// shortBits is the precision of settled, bits: 4,000 px are exact to a millionth.
const shortBits = 34

// settled rounds x to shortBits.
func settled(x float64) float64 {
	f, e := math.Frexp(x)
	return math.Ldexp(math.RoundToEven(math.Ldexp(f, shortBits)), e-shortBits)
}

var errSingular = errors.New("paper: the points do not determine a homography")

// Inverse returns the map that undoes h, or an error when h has none.
func (h Homography) Inverse() (Homography, error) {
	m := mat.NewDense(3, 3, append([]float64(nil), h[:]...))
	var inv mat.Dense
	if err := inv.Inverse(m); err != nil {
		return Homography{}, errSingular
	}
	var r Homography
	copy(r[:], inv.RawMatrix().Data)
	return r.scaled().settled(), nil
}

// fitHomography returns the map that takes src[i] to dst[i], for four or more points; for more than four in the sense
// of least algebraic squares. Method: the normalised direct linear transform, R. Hartley, "In defense of the eight-point
// algorithm", IEEE PAMI 19(6), 1997. It fails when the points do not determine a map, as when three of four lie on a
// line.
func fitHomography(src, dst []fit.Point) (Homography, error) {
	if len(src) != len(dst) || len(src) < 4 {
		return Homography{}, errSingular
	}
	ns, okS := normalising(src)
	nd, okD := normalising(dst)
	if !okS || !okD {
		return Homography{}, errSingular
	}
	rows := 2 * len(src)
	a := mat.NewDense(max(rows, 9), 9, nil) // a ninth row of zeros makes the thin decomposition whole
	for i := range src {
		p, q := ns.Apply(src[i]), nd.Apply(dst[i])
		a.SetRow(2*i, []float64{p.X, p.Y, 1, 0, 0, 0, -q.X * p.X, -q.X * p.Y, -q.X})
		a.SetRow(2*i+1, []float64{0, 0, 0, p.X, p.Y, 1, -q.Y * p.X, -q.Y * p.Y, -q.Y})
	}
	var svd mat.SVD
	if !svd.Factorize(a, mat.SVDThin) {
		return Homography{}, errSingular
	}
	// The null space must be a single line: relative to the largest, the last but one singular value stands for how far
	// the points are from leaving the map open. And the map must not flatten the plane, as it does where the points lie
	// on a line.
	const open, flattens = 1e-9, 1e7
	if s := svd.Values(nil); !(s[7] > open*s[0]) {
		return Homography{}, errSingular
	}
	var v mat.Dense
	svd.VTo(&v)
	var m Homography
	for i := range m {
		m[i] = v.At(i, 8)
	}
	if !(mat.Cond(mat.NewDense(3, 3, append([]float64(nil), m[:]...)), 2) < flattens) {
		return Homography{}, errSingular
	}
	back, err := nd.Inverse()
	if err != nil {
		return Homography{}, err
	}
	return back.Mul(m.Mul(ns)).settled(), nil
}

// normalising returns the similarity that moves the centroid of the points to the origin and their mean distance from
// it to √2, and whether there is one.
func normalising(p []fit.Point) (Homography, bool) {
	var c fit.Point
	for _, q := range p {
		c = c.Add(q)
	}
	c = c.Mul(1 / float64(len(p)))
	var d float64
	for _, q := range p {
		d += q.Sub(c).Len()
	}
	if !(d > 0) || math.IsInf(d, 0) {
		return Homography{}, false
	}
	k := math.Sqrt2 * float64(len(p)) / d
	return Homography{k, 0, -float64(k * c.X), 0, k, -float64(k * c.Y), 0, 0, 1}, true
}
