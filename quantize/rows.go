package quantize

import (
	"runtime"
	"sync"
)

// bandRows is the height of the bands that rows are split into. A multiple of 64, so that no two bands share a word of
// a bitmap whatever the width.
const bandRows = 64

// rowBands calls do for every band of rows, [y0,y1) with its number, on up to workers goroutines (0 means GOMAXPROCS).
// do may write only to its own rows and its own number.
func rowBands(h, workers int, do func(band, y0, y1 int)) {
	n := bandCount(h)
	parallel(n, workers, func(b int) { do(b, b*bandRows, min((b+1)*bandRows, h)) })
}

func bandCount(h int) int { return (h + bandRows - 1) / bandRows }

// parallel calls do(0) ... do(n-1) on up to workers goroutines (0 means GOMAXPROCS), in no order.
func parallel(n, workers int, do func(i int)) {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, n)
	if workers <= 1 {
		for i := range n {
			do(i)
		}
		return
	}
	var wg sync.WaitGroup
	// The goroutines work in stretches far apart: where two meet on a new page of memory, it is cleared twice.
	next := make(chan int, n)
	stretch := (n + workers - 1) / workers
	for i := range stretch {
		for k := i; k < n; k += stretch {
			next <- k
		}
	}
	close(next)
	for range workers {
		wg.Go(func() {
			for i := range next {
				do(i)
			}
		})
	}
	wg.Wait()
}
