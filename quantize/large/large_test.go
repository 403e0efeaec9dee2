package large

import (
	"runtime"
	"testing"
)

// Asking must neither fail the program nor change what the slice holds, whatever was there before.
func TestBytes(t *testing.T) {
	for _, n := range []int{0, 1, least - 1, least, least + 1, 3*least + 4097} {
		for range 3 {
			b := Bytes(n)
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

// Cost of touching every page of a bitmap of 12 megapixels.
func BenchmarkTouch(b *testing.B) {
	const n = 48 << 20
	for _, c := range []struct {
		name string
		of   func(n int) []uint8
	}{{"small pages", func(n int) []uint8 { return make([]uint8, n) }}, {"large pages", Bytes}} {
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
