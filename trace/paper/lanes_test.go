package paper

import (
	"context"
	"math/rand/v2"
	"slices"
	"testing"
)

// TestWiden holds running extremes against those found one by one.
func TestWiden(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, size := range []int{1, 7, 8, 9, 64, 201} {
		for _, n := range []int{1, 2, 3, 11, 13, 15} {
			for _, step := range []int{1, 3, 4, 10} {
				for _, least := range []bool{false, true} {
					v := make([]uint8, size)
					for i := range v {
						v[i] = uint8(rng.UintN(256))
						if rng.UintN(4) == 0 {
							v[i] = 127 + uint8(rng.UintN(2)) // the sign's border
						}
					}
					want := make([]uint8, size)
					for i := range want {
						want[i] = v[i]
						for k := 1; k < n && i+k*step < size; k++ {
							if e := v[i+k*step]; e < want[i] == least {
								want[i] = e
							}
						}
					}
					widen(v, n, step, least)
					for i := range v {
						if v[i] != want[i] {
							t.Fatalf("%d bytes, %d of step %d, least %t: %d at %d, want %d", size, n, step, least, v[i], i, want[i])
						}
					}
				}
			}
		}
	}
}

// TestNth holds selection against sorting.
func TestNth(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 500 {
		v := make([]float64, 1+rng.IntN(40))
		for i := range v {
			v[i] = float64(rng.IntN(12))
		}
		want := slices.Clone(v)
		slices.Sort(want)
		k := rng.IntN(len(v))
		if got := nth(slices.Clone(v), k); got != want[k] {
			t.Fatalf("%v: %g at %d, want %g", v, got, k, want[k])
		}
	}
}

func BenchmarkWiden(b *testing.B) {
	v := make([]uint8, 1<<16)
	b.SetBytes(int64(len(v)))
	for b.Loop() {
		widen(v, 13, 4, false)
	}
}

// TestClosing holds the closing of a field against its definition, rims and bands included.
func TestClosing(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for _, size := range [][2]int{{1, 1}, {5, 3}, {40, 2*bandRows + 9}, {33, 4*bandRows + 1}} {
		f := newField(size[0], size[1])
		for i := range f.v {
			f.v[i] = rng.Float32()
		}
		for _, r := range []int{2, 3} {
			extreme := func(of *field, least bool) *field {
				out := newField(of.w, of.h)
				for y := range of.h {
					for x := range of.w {
						for k := range 3 {
							v := of.v[3*(y*of.w+x)+k]
							for yy := max(0, y-r); yy <= min(of.h-1, y+r); yy++ {
								for xx := max(0, x-r); xx <= min(of.w-1, x+r); xx++ {
									if e := of.v[3*(yy*of.w+xx)+k]; e < v == least {
										v = e
									}
								}
							}
							out.v[3*(y*of.w+x)+k] = v
						}
					}
				}
				return out
			}
			want := extreme(extreme(f, false), true)
			if got := f.closing(newCrew(context.Background(), 2), r); !slices.Equal(got.v, want.v) {
				t.Errorf("%d×%d samples, reach %d: another closing", size[0], size[1], r)
			}
		}
	}
}

// TestAround holds the extremes about a pixel against their definition.
func TestAround(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	const w, h = 23, 17
	v := make([]uint8, w*h)
	for i := range v {
		v[i] = uint8(rng.UintN(256))
	}
	for _, r := range []int{1, 3, 5} {
		for _, least := range []bool{false, true} {
			got := around(v, w, h, r, least)
			for i := range v {
				want := v[i]
				for yy := max(0, i/w-r); yy <= min(h-1, i/w+r); yy++ {
					for xx := max(0, i%w-r); xx <= min(w-1, i%w+r); xx++ {
						if e := v[yy*w+xx]; e < want == least {
							want = e
						}
					}
				}
				if got[i] != want {
					t.Fatalf("reach %d, least %t: %d at %d,%d, want %d", r, least, got[i], i%w, i/w, want)
				}
			}
		}
	}
}
