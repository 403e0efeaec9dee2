package paper

import "cmp"

// nth returns what would stand at index k if v were sorted, and leaves v in another order (C. A. R. Hoare, "Algorithm 65:
// find", Communications of the ACM 4(7), 1961). v must hold no NaN.
func nth[T cmp.Ordered](v []T, k int) T {
	for lo, hi := 0, len(v)-1; lo < hi; {
		pivot := v[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for pivot < v[j] {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}
