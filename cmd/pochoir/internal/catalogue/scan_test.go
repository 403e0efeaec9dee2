package catalogue

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/quantize/colour"
	"pochoir/svgout"
	"pochoir/trace"
)

// scan scans and returns what was told, sorted: "moved a.svg -> b.svg".
func scan(t *testing.T, c *Catalogue, folder string, opt ScanOptions) []string {
	t.Helper()
	var out []string
	err := c.Scan(context.Background(), folder, opt, func(a Added) {
		if a.Err != nil {
			out = append(out, "failed "+a.Path)
			return
		}
		p, err := c.stored(a.Path)
		must(t, err)
		from := ""
		if a.From != "" {
			from = a.From + " -> "
		}
		out = append(out, fmt.Sprintf("%s %s%s", a.Result, from, p))
	})
	must(t, err)
	slices.Sort(out)
	return out
}

func expect(t *testing.T, got []string, want ...string) {
	t.Helper()
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}

func move(t *testing.T, from, to string) {
	t.Helper()
	must(t, os.MkdirAll(filepath.Dir(to), 0o777))
	must(t, os.Rename(from, to))
}

// recoloured is a correction that leaves a drawing recognisable.
func recoloured(d *trace.Drawing) { d.Layers[0].Colour = colour.RGB{R: 250, G: 240, B: 200} }

func TestScanFollowsFiles(t *testing.T) {
	c := workshop(t)
	must(t, os.Mkdir("art", 0o777))
	for _, o := range []string{"boat", "gull", "kettle", "cleat"} {
		drawing(t, "art/"+o, o, nil)
	}
	must(t, os.WriteFile("art/notes.txt", []byte("not for us"), 0o666))
	must(t, os.WriteFile("art/.hidden.png", []byte("no"), 0o666))
	must(t, os.WriteFile("art/boat.proof.png", []byte("no"), 0o666))
	must(t, os.WriteFile("art/torn.png", []byte("no picture"), 0o666))
	expect(t, scan(t, c, "art", ScanOptions{}), "new art/boat.svg", "new art/gull.svg", "new art/kettle.svg", "new art/cleat.svg", "failed art/torn.png")
	must(t, os.Remove("art/torn.png"))
	expect(t, scan(t, c, "art", ScanOptions{}))
	title := "The old kettle"
	_, err := c.Describe("kettle", Words{Title: &title})
	must(t, err)
	id := item(t, c, "kettle").ID

	// renamed, moved into a folder, swapped, corrected, removed, new: all at once
	move(t, "art/kettle.svg", "art/galley/tin kettle.svg")
	move(t, "art/boat.svg", "art/x")
	move(t, "art/gull.svg", "art/boat.svg")
	move(t, "art/x", "art/gull.svg")
	must(t, os.Remove("art/cleat.svg"))
	drawing(t, "art/rope", "rope", nil)
	expect(t, scan(t, c, ".", ScanOptions{}), "moved art/kettle.svg -> art/galley/tin kettle.svg", "moved art/boat.svg -> art/gull.svg",
		"moved art/gull.svg -> art/boat.svg", "gone art/cleat.svg", "new art/rope.svg")
	it := item(t, c, "tin kettle")
	if it.ID != id || it.Title != title {
		t.Errorf("%+v", it)
	}
	if got := search(t, c, Query{Words: "galley"}); !slices.Equal(got, []string{"art/galley/tin kettle.svg"}) {
		t.Error(got)
	}
	if got := search(t, c, Query{Gone: true}); !slices.Equal(got, []string{"art/cleat.svg"}) {
		t.Error(got)
	}
	// back again, elsewhere
	drawing(t, "art/galley/horn", "cleat", nil)
	expect(t, scan(t, c, "art/galley", ScanOptions{}), "moved art/cleat.svg -> art/galley/horn.svg")
	if got := search(t, c, Query{Gone: true}); len(got) != 0 {
		t.Error(got)
	}
	// touched, but the same
	must(t, os.Chtimes("art/rope.svg", time.Time{}, time.Now().Add(time.Hour)))
	expect(t, scan(t, c, ".", ScanOptions{}))
	// only what is known
	drawing(t, "art/lantern", "lantern", nil)
	drawing(t, "art/rope", "rope", recoloured)
	expect(t, scan(t, c, ".", ScanOptions{KnownOnly: true}), "corrected art/rope.svg")
	// a whole folder
	move(t, "art", "shelf/art")
	expect(t, scan(t, c, ".", ScanOptions{KnownOnly: true}), "moved art/boat.svg -> shelf/art/boat.svg", "moved art/gull.svg -> shelf/art/gull.svg",
		"moved art/rope.svg -> shelf/art/rope.svg", "moved art/galley/horn.svg -> shelf/art/galley/horn.svg",
		"moved art/galley/tin kettle.svg -> shelf/art/galley/tin kettle.svg")
	if err := c.Scan(context.Background(), "nowhere", ScanOptions{}, func(Added) {}); err == nil || !strings.HasPrefix(err.Error(), "nowhere: cannot be read") {
		t.Error(err)
	}
}

// TestScanTellsCopiesFromMoves covers the cases where content alone leaves both open.
func TestScanTellsCopiesFromMoves(t *testing.T) {
	c := workshop(t)
	drawing(t, "boat", "boat", nil)
	drawing(t, "gull", "gull", nil)
	drawing(t, "cleat", "cleat", nil)
	scan(t, c, ".", ScanOptions{})
	// kept aside and corrected in its place: the item is the corrected drawing
	move(t, "boat.svg", "boat-old.svg")
	drawing(t, "boat", "boat", recoloured)
	// renamed, and another drawing under its old name: the item goes with its content
	move(t, "gull.svg", "bird.svg")
	drawing(t, "gull", "lantern", nil)
	// a plain copy
	b, err := os.ReadFile("cleat.svg")
	must(t, err)
	must(t, os.WriteFile("cleat-2.svg", b, 0o666))
	expect(t, scan(t, c, ".", ScanOptions{}), "corrected boat.svg", "new boat-old.svg", "moved gull.svg -> bird.svg", "new gull.svg", "new cleat-2.svg")
	// over another: that one is gone, and keeps what was known of it
	must(t, c.Record([]string{"cleat.svg"}, Event{State: Checked}))
	must(t, os.Remove("cleat-2.svg"))
	move(t, "bird.svg", "cleat.svg")
	expect(t, scan(t, c, ".", ScanOptions{}), "moved bird.svg -> cleat.svg", "gone cleat.svg", "gone cleat-2.svg")
	if got := search(t, c, Query{State: Checked}); !slices.Equal(got, []string{"cleat.svg#2"}) {
		t.Error(got)
	}
	if it := item(t, c, "cleat.svg"); it.Gone || it.ID != 3 {
		t.Errorf("%+v", it)
	}
}

func TestScanPacks(t *testing.T) {
	c := workshop(t)
	drawing(t, "boat", "boat", nil)
	must(t, os.Mkdir("out", 0o777))
	must(t, os.WriteFile("out/pack.csv", []byte("file,title\nboat.eps,Boat\n"), 0o666))
	drawing(t, "out/boat", "boat", nil)
	expect(t, scan(t, c, ".", ScanOptions{}), "new boat.svg", "new out")
	move(t, "out", "sent/January")
	expect(t, scan(t, c, ".", ScanOptions{}), "moved out -> sent/January")
	drawing(t, "sent/January/boat", "boat", recoloured)
	expect(t, scan(t, c, ".", ScanOptions{}), "corrected sent/January")
	n, err := c.Neighbours(item(t, c, "sent/January").ID)
	must(t, err)
	if len(n) != 1 || n[0].Relation != Holds || n[0].Path != "boat.svg" {
		t.Errorf("%+v", n)
	}
}

func TestScanReferences(t *testing.T) {
	c := workshop(t)
	must(t, os.Mkdir("photos", 0o777))
	picture(t, "photos/quay.jpg", "boat", 0, 120)
	expect(t, scan(t, c, "photos", ScanOptions{Kind: Reference}), "new photos/quay.jpg")
	if it := item(t, c, "quay"); it.Kind != Reference {
		t.Error(it.Kind)
	}
	picture(t, "photos/quay.jpg", "boat", 0, 130)
	expect(t, scan(t, c, ".", ScanOptions{}), "corrected photos/quay.jpg")
	if it := item(t, c, "quay"); it.Kind != Reference || it.Width != 130 {
		t.Errorf("%+v", it)
	}
}

// TestScanLinksWhatBelongsTogether: pictures and drawings in folders of their own, ink and flats of one master, drawn from
// pictures of their own: no two of them are near copies. The same drawn twice is one, and names alone link nothing.
func TestScanLinksWhatBelongsTogether(t *testing.T) {
	for name, order := range map[string][]string{"pictures first": {"pictures", "drawings"}, "drawings first": {"drawings", "pictures"}} {
		t.Run(name, func(t *testing.T) {
			c := workshop(t)
			must(t, os.MkdirAll("pictures", 0o777))
			must(t, os.MkdirAll("drawings", 0o777))
			for _, v := range []struct {
				name string
				kind demo.Kind
			}{{"boat", demo.Inked}, {"boat-flat", demo.Flat}, {"boat-ink", demo.Ink}} {
				picture(t, "pictures/"+v.name+".png", "boat", v.kind, 300)
				p, _ := demo.Draw("boat", v.kind)
				var b bytes.Buffer
				must(t, svgout.Write(&b, p.Drawing, svgout.Options{}))
				must(t, os.WriteFile("drawings/"+v.name+".svg", b.Bytes(), 0o666))
			}
			picture(t, "pictures/crab.png", "crab", demo.Inked, 300)
			drawing(t, "drawings/crab-pot", "crab-pot", nil)
			drawing(t, "drawings/crab", "gull", nil) // another crab
			drawing(t, "drawings/boat-2", "boat", nil)
			for _, f := range order {
				must(t, c.Scan(context.Background(), f, ScanOptions{}, func(a Added) { must(t, a.Err) }))
			}
			links := map[string]bool{}
			all, err := list(c.db, scanRecord(3), "SELECT a.path, relation, b.path FROM link JOIN item a ON a.id = link.item JOIN item b ON b.id = link.other")
			must(t, err)
			for _, l := range all {
				links[strings.Join(l, " ")] = true
			}
			want := []string{
				"drawings/boat.svg picture pictures/boat.png", "drawings/boat-ink.svg picture pictures/boat-ink.png",
				"drawings/boat-flat.svg picture pictures/boat-flat.png",
				"drawings/boat-ink.svg master drawings/boat.svg", "drawings/boat-flat.svg master drawings/boat.svg",
				"pictures/boat-ink.png master pictures/boat.png", "pictures/boat-flat.png master pictures/boat.png",
			}
			for _, l := range want {
				if !links[l] {
					t.Errorf("no link %s", l)
				}
			}
			if len(links) != len(want) {
				t.Error(links)
			}
			pairs := 0
			must(t, c.Pairs(context.Background(), DefaultLikeness, func(p Pair) {
				pairs++
				if p.A.Path != "drawings/boat-2.svg" && p.B.Path != "drawings/boat-2.svg" {
					t.Errorf("%s looks like %s", p.A.Path, p.B.Path)
				}
			}))
			if pairs < 2 {
				t.Errorf("only %d pairs: the copy was not seen", pairs)
			}
		})
	}
}
