package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// TestEnvelopeSolve compares envelope with the dense Cholesky factorisation of gonum.org/v1/gonum/mat.
func TestEnvelopeSolve(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, n := range []int{1, 2, 5, 13, 40} {
		for _, half := range []int{0, 1, 3, 9} {
			if half >= n {
				continue
			}
			// A sum of outer products of short vectors is banded and, with the unit matrix added, positive definite.
			// Rows of a band, some of which could begin later.
			first := make([]int, n)
			for i := range first {
				first[i] = max(0, i-half)
			}
			var b envelope
			b.reset(first)
			dense := mat.NewSymDense(n, nil)
			put := func(i, j int, v float64) {
				b.add(i, j, v)
				dense.SetSym(i, j, dense.At(i, j)+v)
			}
			for i := range n {
				put(i, i, 1)
			}
			for range 3 * n {
				at := r.IntN(n - half)
				v := make([]float64, half+1)
				for i := range v {
					v[i] = r.NormFloat64()
				}
				for i := range v {
					for j := 0; j <= i; j++ {
						put(at+i, at+j, v[i]*v[j])
					}
				}
			}
			x := make([]float64, n)
			for i := range x {
				x[i] = r.NormFloat64()
			}
			var chol mat.Cholesky
			if !chol.Factorize(dense) {
				t.Fatalf("%d×%d, half-width %d: not positive definite", n, n, half)
			}
			want := mat.NewVecDense(n, nil)
			if err := chol.SolveVecTo(want, mat.NewVecDense(n, append([]float64(nil), x...))); err != nil {
				t.Fatal(err)
			}
			if !b.solve(x) {
				t.Fatalf("%d×%d, half-width %d: refused", n, n, half)
			}
			for i := range x {
				if math.Abs(x[i]-want.AtVec(i)) > 1e-9 {
					t.Fatalf("%d×%d, half-width %d: x[%d] = %g, want %g", n, n, half, i, x[i], want.AtVec(i))
				}
			}
		}
	}
	var b envelope
	b.reset([]int{0, 0})
	b.add(0, 0, 1)
	b.add(1, 0, 2)
	b.add(1, 1, 1)
	if b.solve([]float64{1, 1}) {
		t.Error("an indefinite matrix was solved")
	}
}
