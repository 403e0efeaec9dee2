package fit

import "math"

// band is a symmetric positive definite matrix of which only half+1 diagonals can differ from zero. Row i holds the
// entries (i, i-half) … (i, i), so the diagonal is last.
type band struct {
	n, half int
	a       []float64 // n rows of half+1
}

// reset makes b an n×n zero matrix with the given half-width.
func (b *band) reset(n, half int) {
	b.n, b.half = n, half
	need := n * (half + 1)
	if cap(b.a) < need {
		b.a = make([]float64, need)
		return
	}
	b.a = b.a[:need]
	clear(b.a)
}

// copyFrom makes b the same matrix as o.
func (b *band) copyFrom(o *band) {
	b.n, b.half = o.n, o.half
	b.a = append(b.a[:0], o.a...)
}

// add adds v to entry (i, j) and, as the matrix is symmetric, to (j, i).
func (b *band) add(i, j int, v float64) {
	if i < j {
		i, j = j, i
	}
	b.a[i*(b.half+1)+b.half+j-i] += float64(v)
}

// diag returns the place of entry (i, i).
func (b *band) diag(i int) *float64 { return &b.a[i*(b.half+1)+b.half] }

// solve replaces x, the right-hand side, by the solution, and the matrix by its Cholesky factor. It reports false
// when the matrix is not positive definite.
func (b *band) solve(x []float64) bool {
	w, h := b.half+1, b.half
	for i := 0; i < b.n; i++ {
		row := b.a[i*w : i*w+w]
		first := max(0, i-h)
		for j := first; j <= i; j++ {
			other := b.a[j*w : j*w+w]
			from := max(first, j-h)
			s := row[h+j-i]
			for k := from; k < j; k++ {
				s -= float64(row[h+k-i] * other[h+k-j])
			}
			if j < i {
				row[h+j-i] = s / other[h]
				continue
			}
			if !(s > 0) {
				return false
			}
			row[h] = math.Sqrt(s)
		}
	}
	for i := 0; i < b.n; i++ {
		row := b.a[i*w : i*w+w]
		s := x[i]
		for k := max(0, i-h); k < i; k++ {
			s -= float64(row[h+k-i] * x[k])
		}
		x[i] = s / row[h]
	}
	for i := b.n - 1; i >= 0; i-- {
		x[i] /= b.a[i*w+h]
		for k := max(0, i-h); k < i; k++ {
			x[k] -= float64(b.a[i*w+h+k-i] * x[i])
		}
	}
	return true
}
