package fit

import "math"

// envelope is a symmetric positive definite matrix of which each row is kept from its first entry that can differ from
// zero to the diagonal: its Cholesky factor has no others (A. Jennings, "A compact storage scheme for the solution of
// symmetric linear simultaneous equations", The Computer Journal 9, 1966).
type envelope struct {
	first []int     // column of the first entry of each row
	end   []int     // place in a behind the diagonal of each row
	a     []float64 // rows one after the other
	scale []float64 // 1 over the diagonal of the factor
}

// reset makes e a zero matrix whose row i begins in column first[i] ≤ i.
func (e *envelope) reset(first []int) {
	e.first = append(e.first[:0], first...)
	e.end = e.end[:0]
	need := 0
	for i, f := range first {
		need += i - f + 1
		e.end = append(e.end, need)
	}
	e.a = sized(e.a, need)
	e.clear()
}

// clear makes all entries zero.
func (e *envelope) clear() { clear(e.a) }

// copyFrom makes e the same matrix as o.
func (e *envelope) copyFrom(o *envelope) {
	e.first, e.end, e.a = append(e.first[:0], o.first...), append(e.end[:0], o.end...), append(e.a[:0], o.a...)
}

// add adds v to entry (i, j) and, as the matrix is symmetric, to (j, i).
func (e *envelope) add(i, j int, v float64) {
	if i < j {
		i, j = j, i
	}
	e.a[e.end[i]-1+j-i] += v
}

// diag returns the place of entry (i, i).
func (e *envelope) diag(i int) *float64 { return &e.a[e.end[i]-1] }

// row returns the entries of row i left of the diagonal.
func (e *envelope) row(i int) []float64 { return e.a[e.end[i]-1-i+e.first[i] : e.end[i]-1] }

// solve replaces x, the right-hand side, by the solution, and the matrix by its Cholesky factor. It reports false
// when the matrix is not positive definite.
func (e *envelope) solve(x []float64) bool {
	n := len(e.first)
	e.scale = sized(e.scale, n)
	for i := range n {
		row, first := e.row(i), e.first[i]
		s, y := *e.diag(i), x[i]
		for k := range row {
			j := first + k
			v := row[k]
			// The columns that both rows have.
			if other := e.row(j); len(other) >= k {
				v -= dot(row[:k], other[len(other)-k:])
			} else {
				v -= dot(other, row[k-len(other):k])
			}
			v *= e.scale[j]
			row[k] = v
			s -= float64(v * v)
			y -= float64(v * x[j])
		}
		if !(s > 0) {
			return false
		}
		root := math.Sqrt(s)
		*e.diag(i), e.scale[i] = root, 1/root
		x[i] = y * e.scale[i]
	}
	for i := n - 1; i >= 0; i-- {
		v := x[i] * e.scale[i]
		x[i] = v
		row := e.row(i)
		to := x[e.first[i]:i]
		for k, r := range row[:len(to)] {
			to[k] -= float64(r * v)
		}
	}
	return true
}

// dot returns the scalar product of a and as many entries of b. Two sums run side by side: each addition waits for the
// one before.
func dot(a, b []float64) float64 {
	b = b[:len(a)]
	var even, odd float64
	k := 0
	for ; k+1 < len(a); k += 2 {
		even += float64(a[k] * b[k])
		odd += float64(a[k+1] * b[k+1])
	}
	if k < len(a) {
		even += float64(a[k] * b[k])
	}
	return even + odd
}
