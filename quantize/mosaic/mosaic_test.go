package mosaic

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"sync"
	"testing"
)

// bitmapOf returns n opaque pixels in runs of few colours, as long as those of a drawing or as short as those of noise.
func bitmapOf(rng *rand.Rand, n int) []uint8 {
	pix := make([]uint8, 4*n)
	longest := 1 + rng.IntN(200)
	for i := 0; i < n; {
		c := 0xff<<24 | rng.Uint32N(4)*0x305070
		for end := min(n, i+1+rng.IntN(longest)); i < end; i++ {
			binary.LittleEndian.PutUint32(pix[4*i:], c)
		}
	}
	return pix
}

// filled returns a mosaic of the bitmap, filled in parts of whole spans, in any order, on several goroutines at once.
func filled(rng *rand.Rand, pix []uint8, workers int) *Mosaic {
	n := len(pix) / 4
	m := New(n, workers)
	var from []int
	for i := 0; i < n; i += Span * (1 + rng.IntN(40)) {
		from = append(from, i)
	}
	parts := make(chan int, len(from))
	for _, k := range rng.Perm(len(from)) {
		parts <- k
	}
	close(parts)
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			f := m.Filler()
			defer f.Done()
			for k := range parts {
				end := n
				if k+1 < len(from) {
					end = from[k+1]
				}
				if c := binary.LittleEndian.Uint32(pix[4*from[k]:]); end%Span == 0 && alike(pix[4*from[k]:4*end], c) {
					f.Even(from[k], end-from[k], c)
				} else {
					f.Fill(from[k], pix[4*from[k]:4*end])
				}
			}
		})
	}
	wg.Wait()
	return m
}

// A mosaic holds the pixels it was filled with, and finds the ends of runs where a look at every pixel does.
func TestMosaicIsTheBitmap(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for round := range 60 {
		n := 1 + rng.IntN(3000)
		if round == 0 {
			n = 3 * crate * Span / 2 // more than one crate, of noise
		}
		pix := bitmapOf(rng, n)
		if round == 0 {
			for i := range n {
				pix[4*i] = uint8(rng.IntN(256))
			}
		}
		m := filled(rng, pix, 1+rng.IntN(4))
		if m.Len() != n || !bytes.Equal(m.Pixels(), pix) {
			t.Fatalf("%d pixels are not those filled in", n)
		}
		at := func(i int) uint32 { return binary.LittleEndian.Uint32(pix[4*i:]) }
		for range 300 {
			from := rng.IntN(n + 1)
			end := from + rng.IntN(n+1-from)
			c := at(rng.IntN(n))
			if from < n && rng.IntN(2) == 0 {
				c = at(from)
			}
			first := from
			for first < end && at(first) == c {
				first++
			}
			if got := m.RunEnd(from, end, c); got != first {
				t.Fatalf("run of %x from %d to %d ends at %d, want %d", c, from, end, got, first)
			}
			if end > 0 && rng.IntN(2) == 0 {
				c = at(end - 1)
			}
			last := end
			for last > from && at(last-1) == c {
				last--
			}
			if got := m.RunStart(from, end, c); got != last {
				t.Fatalf("run of %x back from %d to %d starts at %d, want %d", c, end, from, got, last)
			}
		}
	}
}

// Blocks are the pixels that comparing each with its neighbours finds.
func TestBlocks(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 60 {
		w, h := Span*(1+rng.IntN(9)), 2+rng.IntN(9)
		pix := bitmapOf(rng, w*h)
		for y := 1; y < h; y++ { // most rows are much like the one above
			if rng.IntN(4) > 0 {
				copy(pix[4*y*w:4*(y+1)*w], pix[4*(y-1)*w:])
				pix[4*(y*w+rng.IntN(w))] ^= uint8(rng.IntN(2))
			}
		}
		at := func(x, y int) uint32 { return binary.LittleEndian.Uint32(pix[4*(y*w+x):]) }
		got := make([]uint64, (w*h+63)/64)
		filled(rng, pix, 2).Blocks(got, w, 0, h-1)
		for y := range h {
			for x := range w {
				want := x+1 < w && y+1 < h && at(x, y) == at(x+1, y) && at(x, y) == at(x, y+1) && at(x, y) == at(x+1, y+1)
				if i := y*w + x; got[i/64]>>(i%64)&1 != 0 != want {
					t.Fatalf("%d x %d: pixel %d,%d: %t, want %t", w, h, x, y, !want, want)
				}
			}
		}
	}
}

// Large areas of one colour take a span's word each, and nothing more.
func TestEvenPicturesAreSmall(t *testing.T) {
	const n = 1 << 20
	pix := bytes.Repeat([]uint8{200, 30, 60, 255}, n)
	m := New(n, 2)
	m.Filler().Fill(0, pix)
	if m.used != 0 {
		t.Errorf("%d tiles for a picture of one colour", m.used)
	}
}

func BenchmarkAt(b *testing.B) {
	rng := rand.New(rand.NewPCG(3, 4))
	pix := bitmapOf(rng, 1<<20)
	m := filled(rng, pix, 1)
	var sum uint32
	b.Run("mosaic", func(b *testing.B) {
		for k := range b.N {
			sum += m.At(k * 7919 & (1<<20 - 1))
		}
	})
	b.Run("bitmap", func(b *testing.B) {
		for k := range b.N {
			sum += binary.LittleEndian.Uint32(pix[4*(k*7919&(1<<20-1)):])
		}
	})
	if sum == 1 {
		b.Log(sum)
	}
}
