package main

import (
	"strings"
	"testing"
)

// What is made ready before package early lies in small pages: no more than what it imports itself and a few packages of the
// standard library may be.
func TestEarly(t *testing.T) {
	c := program(t, "version")
	c.Env = append(c.Env, "GODEBUG=inittrace=1")
	var trace strings.Builder
	c.Stderr = &trace
	if err := c.Run(); err != nil {
		t.Fatal(err)
	}
	order := map[string]int{}
	for line := range strings.Lines(trace.String()) {
		if f := strings.Fields(line); len(f) > 1 && f[0] == "init" {
			order[f[1]] = len(order)
		}
	}
	early, ok := order["pochoir/cmd/pochoir/internal/early"]
	if !ok {
		t.Fatalf("package early is not among %d: %s", len(order), trace.String())
	}
	for _, heavy := range []string{"time", "os", "net/http", "modernc.org/libc", "modernc.org/sqlite/lib", "github.com/pdfcpu/pdfcpu/internal/corefont/metrics"} {
		if at, ok := order[heavy]; !ok || at < early {
			t.Errorf("%s is not made ready after package early", heavy)
		}
	}
	if len(order) < 5*early {
		t.Errorf("%d of %d packages are made ready before package early", early, len(order))
	}
}
