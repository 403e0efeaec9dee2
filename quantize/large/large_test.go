package large

import (
	"runtime"
	"sync"
	"testing"
)

// Asking must neither fail the program nor change what the slice holds, whatever was there before.
func TestMake(t *testing.T) {
	for _, n := range []int{0, 1, least - 1, least, least + 1, 3*least + 4097, 5 << 20} {
		for range 3 {
			b := Make[uint8](n)
			if len(b) != n {
				t.Fatalf("%d bytes, want %d", len(b), n)
			}
			for i := range b {
				if b[i] != 0 {
					t.Fatalf("%d bytes: byte %d is %d", n, i, b[i])
				}
				b[i] = 255
			}
			runtime.GC()
		}
	}
}

// Values of any type are counted in their own size, those with pointers stay in the collector's sight, and goroutines may
// make room at once.
func TestMakeOfAnything(t *testing.T) {
	type link struct {
		to *int
		_  [3]int32
	}
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			for range 20 {
				s := Make[link](least / 16)
				for i := range s {
					v := i
					s[i].to = &v
				}
				runtime.GC()
				for i := range s {
					if *s[i].to != i {
						t.Errorf("value %d points to %d", i, *s[i].to)
						return
					}
				}
			}
		})
	}
	wg.Wait()
	if n := len(Make[struct{}](least)); n != least {
		t.Errorf("%d values without a size, want %d", n, least)
	}
}

// Cost of touching every page of a bitmap of 12 megapixels, whose memory is new each time.
func BenchmarkTouch(b *testing.B) {
	const n = 48 << 20
	for _, c := range []struct {
		name string
		of   func(n int) []uint8
	}{{"small pages", func(n int) []uint8 { return make([]uint8, n) }}, {"large pages", Make[uint8]}} {
		b.Run(c.name, func(b *testing.B) {
			b.SetBytes(n)
			for b.Loop() {
				p := c.of(n)
				for i := 0; i < n; i += 4096 {
					p[i] = 1
				}
			}
		})
	}
}

// Begin keeps what there is, and may be called by several at once and again.
func TestBegin(t *testing.T) {
	var held [64][]int
	for k := range held {
		held[k] = make([]int, 1<<(k%12))
		for i := range held[k] {
			held[k][i] = k + i
		}
	}
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(Begin)
	}
	wg.Wait()
	Begin()
	for k := range held {
		for i, v := range held[k] {
			if v != k+i {
				t.Fatalf("value %d of slice %d is %d", i, k, v)
			}
		}
	}
}
