package paper

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"
)

// bandRows is the height of the bands that rows are split into.
const bandRows = 32

// crew spreads work over goroutines and stops early when its context ends.
type crew struct {
	ctx     context.Context
	workers int
}

func newCrew(ctx context.Context, workers int) crew {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	return crew{ctx, workers}
}

// rows calls do for bands of rows [y0,y1) that together make [0,h), each band once, in no order. do may write only to
// its own rows. Bands that have not begun when the context ends are left out.
func (c crew) rows(h int, do func(y0, y1 int)) {
	n := (h + bandRows - 1) / bandRows
	c.each(n, func(i int) { do(i*bandRows, min((i+1)*bandRows, h)) })
}

// each calls do(0) ... do(n-1), each once, in no order.
func (c crew) each(n int, do func(i int)) {
	workers := min(c.workers, n)
	if workers <= 1 {
		for i := range n {
			if c.ctx.Err() != nil {
				return
			}
			do(i)
		}
		return
	}
	var next atomic.Int64
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for c.ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				do(i)
			}
		})
	}
	wg.Wait()
}

// beside runs do beside what follows, where there is a worker for that, and returns a function that waits until it is
// done; it may be called more than once.
func (c crew) beside(do func()) (wait func()) {
	if c.workers <= 1 {
		do()
		return func() {}
	}
	var wg sync.WaitGroup
	wg.Go(do)
	return wg.Wait
}
