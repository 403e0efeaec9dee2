package main

import (
	"math"
	"os"
	"runtime/debug"
	"testing"
)

// TestMemoryGivesWay: the limit is that of the bitmaps in work, and gives way to a share where more is in use.
func TestMemoryGivesWay(t *testing.T) {
	for _, v := range []string{"GOGC", "GOMEMLIMIT"} {
		if old, ok := os.LookupEnv(v); ok {
			os.Unsetenv(v)
			defer os.Setenv(v, old)
		}
	}
	defer debug.SetGCPercent(debug.SetGCPercent(100))
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(-1))
	const mega = 1 << 20
	m := &memory{}
	look := func(what string, live, limit int64, pile int) {
		t.Helper()
		m.live = live
		m.set()
		if got := debug.SetMemoryLimit(-1); got != limit || m.limit != limit {
			t.Errorf("%s: the limit is %d MB, want %d", what, got/mega, limit/mega)
		}
		got := debug.SetGCPercent(100)
		debug.SetGCPercent(got)
		if got != pile {
			t.Errorf("%s: %d %% may pile up, want %d", what, got, pile)
		}
	}
	m.pile = 100
	look("no picture", 0, leastMemory, noPercentage)
	done := m.hold(5000, 5*mega/1000)
	need := int64(perBitmap * 4 * 5000 * (5 * mega / 1000))
	look("a picture", 50*mega, need, noPercentage)
	look("more in use than it calls for", need, math.MaxInt64, beyondLimit)
	look("less again", 10*mega, need, noPercentage)
	sheet := m.holdSheet(5000, 5*mega/1000)
	look("its sheet", 10*mega, need+need/4, underLimit)
	sheet()
	done()
	look("none", 5*mega, leastMemory, noPercentage)
}
