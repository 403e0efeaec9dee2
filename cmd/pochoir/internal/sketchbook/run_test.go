package sketchbook

import (
	"context"
	"errors"
	"fmt"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/disintegration/imaging"

	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/quantize"
	"pochoir/quantize/colour"
)

// square is the drawing that stands for any: what is traced does not matter here.
const square = `<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" width="40" height="40" viewBox="0 0 40 40">
<g id="ink" fill="#000000">
<path d="M10 10H30V30H10Z"/>
</g>
</svg>
`

// plain is a Config whose drawings are all the square.
func plain(folder string, inputs ...string) Config {
	return Config{Folder: folder, Inputs: inputs, Version: "1", Trace: func(ctx context.Context, j TraceJob) (Figures, error) {
		if _, err := intake.Open(j.Picture, intake.Options{}); err != nil {
			return Figures{}, err
		}
		return Figures{Kind: "digital", Medium: "line", Layers: 1, Shapes: 1, Segments: 4}, os.WriteFile(j.Out, []byte(square), 0o644)
	}}
}

// writePages writes n small pages with one square each.
func writePages(t *testing.T, folder string, n, side int) {
	t.Helper()
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		m := imaging.New(side, side, color.White)
		for y := side / 4; y < side/2+i%7; y++ {
			for x := side / 4; x < side/2+i/7%11; x++ {
				m.Set(x, y, color.NRGBA{uint8(i), uint8(i >> 8), 90, 255})
			}
		}
		f, err := os.Create(filepath.Join(folder, fmt.Sprintf("%d.png", i+1)))
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(png.Encode(f, m), f.Close()); err != nil {
			t.Fatal(err)
		}
	}
}

// TestManyPagesInSteadyMemory runs over many pages and looks at the memory in use early and late.
func TestManyPagesInSteadyMemory(t *testing.T) {
	t.Chdir(t.TempDir())
	const pages = 240
	writePages(t, "pages", pages, 48)
	c := plain("book", "pages")
	c.Jobs = 4
	var early, late uint64
	c.Tell = func(e Event) {
		if e.Kind != "page" || e.PagesDone != pages/10 && e.PagesDone != pages {
			return
		}
		var m runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&m)
		if early == 0 {
			early = m.HeapAlloc
		} else {
			late = m.HeapAlloc
		}
	}
	s, err := Run(context.Background(), c)
	if err != nil || s.Plates != pages || len(s.Failures) > 0 {
		t.Fatalf("%v %+v", err, s)
	}
	// What is kept of a page is its place on the list and in the journal; its pixels alone are 9 kB.
	each := (float64(late) - float64(early)) / (0.9 * pages)
	t.Logf("%.1f MB after %d pages, %.1f MB after %d: %.1f kB a page", float64(early)/1e6, pages/10, float64(late)/1e6, pages, each/1e3)
	if each > 6e3 {
		t.Errorf("memory grows by %.0f bytes a page", each)
	}
}

// TestGate holds what goes on at once against the limit.
func TestGate(t *testing.T) {
	g := newGate(100)
	var mu sync.Mutex
	inside, most := 0.0, 0.0
	var wg sync.WaitGroup
	for i := range 60 {
		wg.Go(func() {
			n := float64(10 + i%5*40) // some larger than all there is
			leave, err := g.enter(context.Background(), n)
			if err != nil {
				t.Error(err)
				return
			}
			mu.Lock()
			inside += min(n, 100)
			most = max(most, inside)
			mu.Unlock()
			time.Sleep(time.Millisecond)
			mu.Lock()
			inside -= min(n, 100)
			mu.Unlock()
			leave()
		})
	}
	wg.Wait()
	if most > 100 || most < 50 {
		t.Errorf("at most %.0f at once, want close to 100 and no more", most)
	}
	leave, _ := g.enter(context.Background(), 100)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := g.enter(ctx, 1); !errors.Is(err, context.Canceled) {
		t.Errorf("%v, want to be let go", err)
	}
	leave()
}

// TestFinishedWorkIsKnownByContent changes what the key of finished work is made of, one thing at a time.
func TestFinishedWorkIsKnownByContent(t *testing.T) {
	t.Chdir(t.TempDir())
	writePages(t, "pages", 2, 60)
	c := plain("book", "pages")
	traced := 0
	inner := c.Trace
	c.Trace = func(ctx context.Context, j TraceJob) (Figures, error) { traced++; return inner(ctx, j) }
	c.Jobs = 1
	again := func(what string, want int) {
		t.Helper()
		traced = 0
		if _, err := Run(context.Background(), c); err != nil {
			t.Fatal(err)
		}
		if traced != want {
			t.Errorf("%s: %d plates traced, want %d", what, traced, want)
		}
	}
	again("the first time", 2)
	again("with nothing changed", 0)
	c.Version = "2"
	again("by another program", 2)
	if err := os.WriteFile("book/"+RecipeName, []byte("smoothness = 70\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	again("with another recipe", 2)
	if err := os.WriteFile("book/plates/1.recipe.toml", []byte("smoothness = 20\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	again("with a recipe beside one plate", 1)
	b, err := os.ReadFile("pages/2.png")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile("pages/1.png", b, 0o644); err != nil {
		t.Fatal(err)
	}
	again("with another page", 1)
	if err := os.WriteFile("book/2.svg", []byte(square[:40]), 0o644); err != nil {
		t.Fatal(err)
	}
	again("with half a drawing", 1)
	if err := os.Remove("book/plates/2.png"); err != nil {
		t.Fatal(err)
	}
	again("without a plate's picture, but with its drawing", 0)
	if _, err := os.Stat("book/plates/2.png"); err != nil {
		t.Error(err)
	}
	if err := os.Rename("pages", "elsewhere"); err != nil {
		t.Fatal(err)
	}
	again("with the pages put away", 0)
	// A journal that broke off, or was overwritten in part, costs work and nothing else.
	j, err := os.ReadFile("book/" + journalName)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Rename("elsewhere", "pages"); err != nil {
		t.Fatal(err)
	}
	last := strings.LastIndex(string(j[:len(j)-1]), "\n")
	if err := os.WriteFile("book/"+journalName, append(j[:last+20:last+20], make([]byte, 30)...), 0o644); err != nil {
		t.Fatal(err)
	}
	again("with a broken journal", 1)
	again("once more", 0)
}

func TestNames(t *testing.T) {
	page := func(file string, plates ...string) *Page {
		p := &Page{File: file, Number: 1}
		for _, n := range plates {
			p.Plates = append(p.Plates, Plate{Name: n})
		}
		return p
	}
	r := &run{list: &List{Pages: []*Page{page("a/boat.png"), page("b/boat.jpg"), page("boat-1.png"), page("x.png", "gull", "boat_2"), page("gull.png"), page("con:tact.png"), page("contact.png")}}}
	r.list.Pages[1].several = true
	r.nameStems()
	for i, want := range []string{"boat", "boat-p1", "boat-1", "x", "gull", "page", "page_2"} {
		if got := r.stems[r.list.Pages[i]]; got != want {
			t.Errorf("page %d is called %s, want %s", i, got, want)
		}
	}
	two := &cutRecord{Plates: make([]foundBox, 2)}
	one := &cutRecord{Plates: make([]foundBox, 1)}
	for _, c := range []struct {
		page int
		cut  *cutRecord
		want string
	}{{0, two, "boat-1 boat-2"}, {0, one, "boat"}, {2, one, "boat-1-1"}, {4, one, "gull_2"}, {4, two, "gull-1 gull-2"}, {3, one, "x"}} {
		r.namePlates(r.list.Pages[c.page], c.cut)
		var names []string
		for _, p := range r.list.Pages[c.page].Plates {
			names = append(names, p.Name)
		}
		if got := strings.Join(names, " "); got != c.want {
			t.Errorf("page %d: %s, want %s", c.page, got, c.want)
		}
	}
	for a, b := range map[string]string{"page-9.png": "page-10.png", "a2b": "a10b", "x": "y", "02": "3"} {
		if countable(a) >= countable(b) {
			t.Errorf("%s does not come before %s", a, b)
		}
	}
}

func TestMergePalettes(t *testing.T) {
	s := func(hex ...string) (list []quantize.Swatch) {
		for _, h := range hex {
			c, err := colour.ParseHex(h)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, quantize.Swatch{Colour: c})
		}
		return list
	}
	got := MergePalettes([][]quantize.Swatch{s("#ffffff", "#1a8c8c", "#d94834"), s("#ffffff", "#1a8c8c"), s("#fdfdfc", "#1b8b8e", "#000000")}, 0)
	var b strings.Builder
	for _, v := range got {
		b.WriteString(v.Colour.Hex() + " ")
	}
	if b.String() != "#1a8c8c #ffffff #000000 #d94834 " {
		t.Errorf("%s", b.String())
	}
	var many [][]quantize.Swatch
	for i := range 400 {
		many = append(many, []quantize.Swatch{{Colour: colour.RGB{R: uint8(i * 37), G: uint8(i * 91), B: uint8(i * 53)}}})
	}
	if n := len(MergePalettes(many, 0)); n > mostPalette || n < mostPalette/3 {
		t.Errorf("%d colours of 400", n)
	}
}

// FuzzReadList writes what it has read and reads it again.
func FuzzReadList(f *testing.F) {
	f.Add([]byte("captions = \"keep\"\n[[page]]\nfile = \"a.png\"\n[[page.plate]]\nname = \"a\"\nbox = [1, 2, 3, 4]\n"))
	f.Add([]byte("[[page]]\nfile = \"a.png\"\nskip = true\n[[page]]\nfile = \"a.png\"\nnumber = 2\nrecipe = \"x\"\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		l, err := readList(text, "list")
		if err != nil {
			if !strings.HasPrefix(err.Error(), "list:") || strings.Contains(err.Error(), "\n") {
				t.Fatalf("%q", err)
			}
			return
		}
		var a, b strings.Builder
		if err := l.write(&a); err != nil {
			t.Fatal(err)
		}
		again, err := readList([]byte(a.String()), "list")
		if err != nil {
			t.Fatalf("%v\n%s", err, a.String())
		}
		if err := again.write(&b); err != nil {
			t.Fatal(err)
		}
		if a.String() != b.String() {
			t.Fatalf("%s\nbecomes\n%s", a.String(), b.String())
		}
	})
}
