package jfif

// cosine[k] is cos(k·π/16)·√½·2^13, rounded; k = 1…7. The zeroth row, with cos(0)·½ = cos(4·π/16)·√½, takes
// cosine[4].
var cosine = [8]int32{0, 5681, 5352, 4816, 4096, 3218, 2217, 1130}

// The sums of one pass are √2·2^13 times the transform's, those of both 2^27. The rows keep √2·2^4 of it for accuracy;
// after the columns 2^3 is left.
const (
	rowShift    = 9
	columnShift = 15
)

// transform replaces b by its two-dimensional discrete cosine transform (T.81, A.3.3) times 8. Rows first, then
// columns, each an 8-point transform split into sums and differences of mirrored samples.
func transform(b *[64]int32) {
	for i := 0; i < 64; i += 8 {
		line(b, i, 1, rowShift)
	}
	for i := range 8 {
		line(b, i, 8, columnShift)
	}
}

// line transforms the eight values from b[at] in the given step and divides the sums by 2^shift.
func line(b *[64]int32, at, step int, shift uint) {
	half := int32(1) << (shift - 1)
	x0, x1, x2, x3 := b[at], b[at+step], b[at+2*step], b[at+3*step]
	x4, x5, x6, x7 := b[at+4*step], b[at+5*step], b[at+6*step], b[at+7*step]
	s0, s1, s2, s3 := x0+x7, x1+x6, x2+x5, x3+x4
	d0, d1, d2, d3 := x0-x7, x1-x6, x2-x5, x3-x4
	b[at] = (cosine[4]*(s0+s1+s2+s3) + half) >> shift
	b[at+4*step] = (cosine[4]*(s0-s1-s2+s3) + half) >> shift
	b[at+2*step] = (cosine[2]*(s0-s3) + cosine[6]*(s1-s2) + half) >> shift
	b[at+6*step] = (cosine[6]*(s0-s3) - cosine[2]*(s1-s2) + half) >> shift
	b[at+step] = (cosine[1]*d0 + cosine[3]*d1 + cosine[5]*d2 + cosine[7]*d3 + half) >> shift
	b[at+3*step] = (cosine[3]*d0 - cosine[7]*d1 - cosine[1]*d2 - cosine[5]*d3 + half) >> shift
	b[at+5*step] = (cosine[5]*d0 - cosine[1]*d1 + cosine[7]*d2 + cosine[3]*d3 + half) >> shift
	b[at+7*step] = (cosine[7]*d0 - cosine[5]*d1 + cosine[3]*d2 - cosine[1]*d3 + half) >> shift
}
