package main

import "testing"

func TestArtistSegments(t *testing.T) {
	for src, want := range map[string]int{
		`<svg><path d="M1 2 3 4 5 6z"/></svg>`:                             2, // pairs after the first are lines
		`<svg><path d="m.5.5h3v3h-3zM9-9l1 1-1-1"/></svg>`:                 5,
		`<svg><path d="M0 0c1 2 3 4 5 6s7 8 9 10q1 2 3 4t5 6"/></svg>`:     4,
		`<svg><path d="M18 10a1 1 0 0 1-1-1a.9.9 0 011.4 1.4"/></svg>`:     2, // flags may run together
		`<svg><path d="M0 0a1 1 0 0 1 2 2 3 3 0 1 0 4 4"/></svg>`:          2,
		`<svg><circle r="4"/><rect/><polygon points="0,0 1,1 2,0"/></svg>`: 11,
		`<svg><path d="M0 0h9v9z"/><path stroke="#000" d="M0 0h9"/></svg>`: 0,
		`<svg><path fill="none" stroke="none" d="M0 0h9v9"/></svg>`:        2,
	} {
		if got, err := artistSegments([]byte(src)); err != nil || got != want {
			t.Errorf("%s: %d segments, error %v, want %d", src, got, err, want)
		}
	}
	if _, err := artistSegments([]byte("<svg><path")); err == nil {
		t.Error("a broken file gives no error")
	}
}
