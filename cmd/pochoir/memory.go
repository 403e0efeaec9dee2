package main

import (
	"math"
	"os"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync"
	"time"

	"pochoir/quantize/large"
)

// memory holds the runtime to a limit in proportion to the bitmaps in work: garbage is collected near it, and never below.
// The limit gives way where what is in use needs more.
type memory struct {
	mu     sync.Mutex
	need   int64 // bytes that the bitmaps in work ask for
	sheets int   // of captures of paper in work
	live   int64 // bytes that the last collection left
	stop   chan struct{}

	// As set last.
	limit int64
	pile  int
}

const (
	// perBitmap is the limit for each byte of a bitmap. A trace needs the bitmap itself, half as much again for labels
	// and boundaries, and what it makes of them. What a capture of paper needs more is perSheet: most of it for the sheet,
	// which is made while the bitmap is held. Near the limit a trace of a capture takes a tenth longer.
	perBitmap = 2.0
	perSheet  = 0.5
	// leastMemory is the limit where pictures are small, bytes.
	leastMemory = 64 << 20
	// perLive is the least limit for each byte in use: near it there would be nothing but collecting. Where it is more, as for
	// a picture that is none, what piles up is held to beyondLimit per cent of what is in use instead: a limit that is passed
	// all the time has the runtime hand back every page, and ask for it again.
	perLive     = 1.15
	beyondLimit = 40
	// noPercentage lets garbage pile up to the limit. Collecting it sooner would save nothing, and a bitmap that is made
	// would have it collected twice for its size alone, when there is none yet.
	noPercentage = -1
	// underLimit is how much of what is in use may pile up unused where captures of paper are in work, in per cent.
	underLimit = 400
	// lookEvery is how often what is in use is looked at.
	lookEvery = 20 * time.Millisecond
)

// watchMemory begins to hold the limit, unless the user set one (GOMEMLIMIT), until release is called.
func watchMemory() *memory {
	m := &memory{stop: make(chan struct{})}
	large.Begin() // package early has, but its page may be full by now
	if os.Getenv("GOMEMLIMIT") != "" {
		m.piles(garbage)
		return m
	}
	m.piles(noPercentage)
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
	return m.add(perBitmap * 4 * float64(w) * float64(h))
}

// holdSheet counts the sheet in that a capture of w x h px becomes. Of what is made on the way much is soon garbage: collected
// in time its memory serves again, while the system takes longer to hand out more.
func (m *memory) holdSheet(w, h int) (release func()) {
	if m == nil {
		return func() {}
	}
	count := func(n int) {
		m.mu.Lock()
		m.sheets += n
		m.mu.Unlock()
	}
	count(1)
	done := m.add(perSheet * 4 * float64(w) * float64(h))
	return func() { done(); count(-1) }
}

// add raises the limit by so many bytes until the function it returns is called. The limit is not lowered before the next
// look: at once it would hand pages back to the system that the next picture asks for again.
func (m *memory) add(bytes float64) (release func()) {
	if m == nil {
		return func() {}
	}
	count := func(n int64) {
		m.mu.Lock()
		m.need += n
		m.mu.Unlock()
	}
	count(int64(bytes))
	if os.Getenv("GOMEMLIMIT") == "" {
		m.set()
	}
	return func() { count(-int64(bytes)) }
}

// collect collects garbage when the pixels of a picture of w x h px have been let go of. What is made after that is small and
// comes to lie where they were, in memory that the system has handed out already; else it takes tens of megabytes more,
// page by page, before the limit is near.
func collect(w, h int) {
	if 4*w*h >= worthCollecting {
		go runtime.GC() // beside what comes next
	}
}

// worthCollecting is the size of a bitmap, bytes, from which collecting it takes less time than the pages it saves.
const worthCollecting = 16 << 20

// set makes the limit what it should be now. To set it stops the world, so it is left alone where it is right.
func (m *memory) set() {
	m.mu.Lock()
	defer m.mu.Unlock()
	limit, percent := max(leastMemory, m.need), noPercentage
	if m.sheets > 0 {
		percent = underLimit
	}
	if least := int64(perLive * float64(m.live)); least > limit {
		if limit = least; os.Getenv("GOGC") == "" {
			limit, percent = math.MaxInt64, beyondLimit
		}
	}
	m.piles(percent)
	if limit != m.limit {
		m.limit = limit
		debug.SetMemoryLimit(limit)
	}
}

// piles sets how much of what is in use may pile up unused, in per cent, where the user does not say.
func (m *memory) piles(percent int) {
	if percent != m.pile && os.Getenv("GOGC") == "" {
		m.pile = percent
		debug.SetGCPercent(percent)
	}
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
