package main

import (
	"math"
	"os"
	"runtime/debug"
	"runtime/metrics"
	"sync"
	"time"
)

// memory holds the runtime to a limit in proportion to the bitmaps in work: near it garbage is collected at once, far
// below it hardly ever. The limit gives way where what is in use needs more.
type memory struct {
	mu      sync.Mutex
	bitmaps int64 // bytes in work
	live    int64 // bytes that the last collection left
	stop    chan struct{}
}

const (
	// perBitmap is the limit for each byte of a bitmap. A trace needs the bitmap itself, half as much again for labels
	// and boundaries, and what it makes of them.
	perBitmap = 1.75
	// leastMemory is the limit where pictures are small, bytes.
	leastMemory = 64 << 20
	// perLive is the least limit for each byte in use: less would do nothing but collect.
	perLive = 1.15
	// underLimit is how much of what is in use may pile up unused while there is a limit, in per cent: where most of
	// the room is free, as when the bitmap is gone and curves are fitted, garbage may wait.
	underLimit = 100
	// lookEvery is how often what is in use is looked at.
	lookEvery = 20 * time.Millisecond
)

// watchMemory begins to hold the limit, unless the user set one (GOMEMLIMIT), until release is called.
func watchMemory() *memory {
	m := &memory{stop: make(chan struct{})}
	if os.Getenv("GOMEMLIMIT") != "" {
		return m
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(underLimit)
	}
	m.set()
	go func() {
		tick := time.NewTicker(lookEvery)
		defer tick.Stop()
		sample := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
		for {
			select {
			case <-m.stop:
				return
			case <-tick.C:
			}
			metrics.Read(sample)
			if sample[0].Value.Kind() != metrics.KindUint64 {
				return
			}
			m.mu.Lock()
			m.live = int64(sample[0].Value.Uint64())
			m.mu.Unlock()
			m.set()
		}
	}()
	return m
}

// hold counts a bitmap of w x h px in until the function it returns is called. Without a watch it does nothing.
func (m *memory) hold(w, h int) (release func()) {
	if m == nil {
		return func() {}
	}
	m.add(4 * int64(w) * int64(h))
	return func() { m.add(-4 * int64(w) * int64(h)) }
}

func (m *memory) add(bytes int64) {
	m.mu.Lock()
	m.bitmaps += bytes
	m.mu.Unlock()
	if os.Getenv("GOMEMLIMIT") == "" {
		m.set()
	}
}

// set makes the limit what it should be now.
func (m *memory) set() {
	m.mu.Lock()
	defer m.mu.Unlock()
	debug.SetMemoryLimit(max(leastMemory, int64(perBitmap*float64(m.bitmaps)), int64(perLive*float64(m.live))))
}

// release ends the watch and lifts the limit.
func (m *memory) release() {
	close(m.stop)
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(math.MaxInt64)
		if os.Getenv("GOGC") == "" {
			debug.SetGCPercent(garbage)
		}
	}
}
