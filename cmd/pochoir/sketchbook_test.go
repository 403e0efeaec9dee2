package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/disintegration/imaging"
	"pochoir/cmd/pochoir/internal/demo"
)

// programVariable makes the test program run as pochoir itself, so that tests can kill it.
const programVariable = "POCHOIR_TEST_PROGRAM"

func init() {
	if os.Getenv(programVariable) != "" {
		main()
	}
}

// program is pochoir as a program of its own.
func program(t testing.TB, args ...string) *exec.Cmd {
	t.Helper()
	path, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(path, args...)
	c.Env = append(os.Environ(), programVariable+"=1")
	return c
}

// album draws pages of small harbour drawings, n to a page, and writes them into a folder as 01.png and so on.
func album(t testing.TB, folder string, pages, n, side int) {
	t.Helper()
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	var small []*image.NRGBA
	for _, o := range demo.Objects() {
		for _, k := range []demo.Kind{demo.Flat, demo.Ink} {
			p, _ := demo.Draw(o, k)
			small = append(small, p.Image(side))
		}
	}
	columns := 2
	rows := (n + columns - 1) / columns
	gap := side / 3
	for i := range pages {
		page := imaging.New(columns*(side+gap)+gap, rows*(side+gap)+gap, color.White)
		for k := range n {
			m := small[(i*n+k*5)%len(small)]
			at := image.Pt(gap+k%columns*(side+gap), gap+k/columns*(side+gap))
			draw.Draw(page, m.Rect.Add(at), m, image.Point{}, draw.Src)
		}
		page.Set(0, 0, color.NRGBA{255, 255, 255 - uint8(i%7), 255}) // pages of the same drawings still differ
		page.Set(1, 0, color.NRGBA{255, 255, 255 - uint8(i/7), 255})
		file := filepath.Join(folder, fmt.Sprintf("%02d.png", i+1))
		if err := writePNG(file, page); err != nil {
			t.Fatal(err)
		}
	}
}

// tree reads all files below a folder.
func tree(t testing.TB, folder string) map[string]string {
	t.Helper()
	files := map[string]string{}
	err := filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		rel, _ := filepath.Rel(folder, path)
		files[filepath.ToSlash(rel)] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// sameTree complains of every file by which two folders differ.
func sameTree(t *testing.T, want, got map[string]string) {
	t.Helper()
	for name, b := range want {
		if g, ok := got[name]; !ok {
			t.Errorf("%s is missing", name)
		} else if g != b {
			t.Errorf("%s differs: %d bytes, want %d", name, len(g), len(b))
		}
	}
	for name := range got {
		if _, ok := want[name]; !ok {
			t.Errorf("%s is too many", name)
		}
	}
}

// TestSketchbookKilled kills one run again and again, each time at a random moment after it has taken up its work, and
// holds what it ends with against a run that nobody disturbed.
func TestSketchbookKilled(t *testing.T) {
	const pages, kills = 64, 100
	if testing.Short() {
		t.Skip("takes most of a minute")
	}
	t.Chdir(t.TempDir())
	album(t, "pages", pages, 3, 72)
	began := time.Now()
	if out, err := program(t, "sketchbook", "pages", "-o", "calm", "-q").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	whole := time.Since(began)
	rng := rand.New(rand.NewPCG(6, 100))
	killed, ended, midway := 0, 0, 0
	reach := 2 * whole / kills
	for killed < kills {
		c := program(t, "sketchbook", "pages", "-o", "stormy", "--json")
		out, err := c.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		lines.Buffer(nil, 1<<20)
		if !lines.Scan() {
			t.Fatal("the run said nothing")
		}
		fresh := !strings.Contains(lines.Text(), `"reused":true`)
		var timer *time.Timer
		start := func() {
			if timer == nil {
				timer = time.AfterFunc(time.Duration(rng.Int64N(int64(reach))+1), func() { c.Process.Kill() })
			}
		}
		if rng.IntN(3) > 0 { // else not before it makes a plate of its own, however busy the machine
			start()
		}
		for lines.Scan() {
			if strings.Contains(lines.Text(), `"event":"plate"`) && !strings.Contains(lines.Text(), `"reused":true`) {
				fresh = true
			}
			if fresh {
				start()
			}
		}
		err = c.Wait()
		if timer != nil {
			timer.Stop()
		}
		if err == nil { // it came to its end first
			ended++
			if ended > 20*kills {
				t.Fatalf("the run ended before it could be killed, %d times", ended)
			}
			continue
		}
		killed++
		if fresh {
			midway++
		}
	}
	r, err := program(t, "sketchbook", "pages", "-o", "stormy", "--json").Output()
	if err != nil {
		t.Fatal(err)
	}
	last := r[bytes.LastIndexByte(r[:len(r)-1], '\n')+1:]
	t.Logf("undisturbed %.1f s; %d kills, %d of them while plates were being made, %d times at the end before; at last %s", whole.Seconds(), killed, midway, ended, last)
	if midway < kills/4 {
		t.Errorf("only %d of %d kills came while plates were being made", midway, kills)
	}
	sameTree(t, tree(t, "calm"), tree(t, "stormy"))
	if n := len(tree(t, "calm")); n < 3*3*pages {
		t.Errorf("%d files of %d pages of 3 drawings", n, pages)
	}
}

// TestSketchbookLikeTrace holds every drawing of a run against tracing its plate alone, and runs with other numbers of
// jobs against it.
func TestSketchbookLikeTrace(t *testing.T) {
	workshop(t)
	album(t, "pages", 3, 4, 90)
	p, _ := demo.Draw("lantern", demo.Inked)
	jpegFile(t, "pages/snap.jpg", imaging.Resize(p.Snapshot(), 800, 0, imaging.Lanczos))
	jpegFile(t, "pages/flat.jpg", p.Image(300))
	half := imaging.Clone(p.Image(200))
	for i := 3; i < len(half.Pix); i += 4 {
		if q := half.Pix[i-3 : i]; q[0] > 250 && q[1] > 250 && q[2] > 250 {
			half.Pix[i] = 60
		}
	}
	put(t, "pages/clear.png", encoded(t, half))
	if r := call(t, nil, "sketchbook", "pages", "-o", "one", "--jobs", "1", "-q", "--smoothness", "60"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	first := tree(t, "one")
	names := 0
	for name := range first {
		if !strings.HasPrefix(name, "plates/") {
			continue
		}
		names++
		svg := stem(filepath.Base(name)) + ".svg"
		if r := call(t, nil, "trace", "one/"+name, "--recipe", "one/sketchbook.recipe.toml", "-q", "-o", "alone/"); r.code != 0 {
			t.Fatalf("%s: %+v", name, r)
		}
		if string(get(t, "alone/"+svg)) != first[svg] {
			t.Errorf("%s differs from its plate traced alone", svg)
		}
	}
	if names != 15 {
		t.Errorf("%d plates, want 15", names)
	}
	for _, jobs := range []string{"2", "7"} {
		if r := call(t, nil, "sketchbook", "pages", "-o", "many"+jobs, "--jobs", jobs, "-q", "--smoothness", "60"); r.code != 0 {
			t.Fatalf("%+v", r)
		}
		sameTree(t, first, tree(t, "many"+jobs))
	}
	// Again, with nothing to do: no option need be repeated, and nothing changes.
	r := call(t, nil, "sketchbook", "-o", "one")
	if r.code != 0 || !strings.Contains(r.errors, "15 drawings of 6 pages, 15 of them done before") {
		t.Errorf("%+v", r)
	}
	sameTree(t, first, tree(t, "one"))
}

// TestSketchbookKeepsWhatAPageKnew holds drawings of a page that is one drawing against tracing the page.
func TestSketchbookKeepsWhatAPageKnew(t *testing.T) {
	workshop(t)
	p, _ := demo.Draw("gull", demo.Flat)
	jpegFile(t, "gull.jpg", p.Image(400))
	if r := call(t, nil, "sketchbook", "gull.jpg", "-o", "book", "-q"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	report := func(path string) (v struct {
		Kind      string
		Layers    int
		Tolerance float64
	}) {
		r := call(t, nil, "trace", path, "--json", "-o", "x.svg")
		if err := json.Unmarshal([]byte(r.out), &v); err != nil {
			t.Fatalf("%v: %+v", err, r)
		}
		return v
	}
	page, plate := report("gull.jpg"), report("book/plates/gull.png")
	if page != plate || page.Kind != "digital" {
		t.Errorf("the page is %+v, its plate %+v", page, plate)
	}
}

// TestSketchbookEdited renames, merges, splits and skips.
func TestSketchbookEdited(t *testing.T) {
	workshop(t)
	album(t, "pages", 2, 4, 90)
	if r := call(t, nil, "sketchbook", "pages", "-o", "book", "-q"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	drawings := func() string {
		var names []string
		for name := range tree(t, "book") {
			if n, ok := strings.CutSuffix(name, ".svg"); ok {
				names = append(names, n)
			}
		}
		slices.Sort(names)
		return strings.Join(names, " ")
	}
	if got := drawings(); got != "01-1 01-2 01-3 01-4 02-1 02-2 02-3 02-4" {
		t.Fatal(got)
	}
	list := string(get(t, "book/sketchbook.toml"))
	edit := func(old, new string) {
		t.Helper()
		if !strings.Contains(list, old) {
			t.Fatalf("the list lacks %q:\n%s", old, list)
		}
		list = strings.Replace(list, old, new, 1)
		put(t, "book/sketchbook.toml", []byte(list))
	}
	put(t, "book/loose.recipe.toml", []byte("smoothness = 100\n"))
	edit(`name = "01-1"`, `name = "buoy at night"`+"\n  recipe = \"loose.recipe.toml\"")
	edit(`name = "01-3"`, `name = "01-2"`)
	edit(`name = "02-1"`, "skip = true\n  name = \"02-1\"")
	edit(`name = "02-4"`, "name = \"left\"\n  box = [200, 180, 40, 100]\n  [[page.plate]]\n  name = \"02-4\"")
	put(t, "book/02-1.svg", []byte("my own work")) // not ours any more: it must stay
	r := call(t, nil, "sketchbook", "-o", "book")
	if r.code != 0 {
		t.Fatalf("%+v", r)
	}
	if got, want := drawings(), "01-2 01-4 02-1 02-2 02-3 02-4 buoy at night left"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if string(get(t, "book/02-1.svg")) != "my own work" {
		t.Error("a file that the user had changed was taken away")
	}
	if text := string(get(t, "book/sketchbook.toml")); strings.Count(text, `"01-2"`) != 1 || !strings.Contains(text, "skip = true") || !strings.Contains(text, `recipe = "loose.recipe.toml"`) {
		t.Errorf("the edited list came back as\n%s", text)
	}
	if !bytes.Contains(get(t, "book/buoy at night.svg"), []byte("<title>buoy at night</title>")) {
		t.Error("the new name is not the title")
	}
	// An edited list gives one state of the folder, whatever was there before.
	if r := call(t, nil, "sketchbook", "-o", "book", "-q"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	for _, c := range []struct{ old, new, text string }{
		{`name = "01-4"`, `name = "a/b"`, "sketchbook.toml:"},
		{`name = "01-4"`, `name = "02-2"`, "stands on two pages"},
		{`name = "01-4"`, `nmae = "01-4"`, "there is no setting nmae"},
		{`captions = "drop"`, `captions = "no"`, `want "drop" or "keep"`},
		{`box = [`, `box = [1, `, "want [x, y, width, height]"},
		{`captions = "drop"`, `captions = `, "sketchbook.toml:"},
	} {
		good := list
		edit(c.old, c.new)
		before := tree(t, "book")
		if r := call(t, nil, "sketchbook", "-o", "book"); r.code != 1 || !strings.Contains(r.errors, c.text) || strings.Count(r.errors, "\n") != 1 {
			t.Errorf("%s: %+v", c.new, r)
		}
		sameTree(t, before, tree(t, "book"))
		list = good
	}
}

func TestSketchbookFailuresStayAlone(t *testing.T) {
	workshop(t)
	album(t, "pages", 2, 1, 90)
	whole := get(t, "pages/01.png")
	put(t, "pages/01b.png", whole[:len(whole)/2])
	put(t, "pages/blank.png", encoded(t, imaging.New(80, 80, color.White)))
	put(t, "pages/notes.txt", []byte("not a picture, and in a folder nobody minds"))
	put(t, "two.tif", twoPages(t, mustDecode(t, whole)))
	r := call(t, nil, "sketchbook", "pages", "two.tif", "absent.png", "-o", "book")
	if r.code != exitSomeFailed {
		t.Errorf("code %d", r.code)
	}
	for _, want := range []string{"pochoir: pages/01b.png: is ", "pochoir: absent.png: does not exist", "pochoir: failed:", "pochoir:   absent.png\n", "pochoir: 2 of 6 failed", "4 drawings of 7 pages, 1 to look at"} {
		if !strings.Contains(filepath.ToSlash(r.errors), want) {
			t.Errorf("%q is missing in\n%s", want, r.errors)
		}
	}
	files := tree(t, "book")
	for _, name := range []string{"01.svg", "02.svg", "two-p1.svg", "two-p2.svg", "contact.png", "plates/two-p2.png"} {
		if _, ok := files[name]; !ok {
			t.Errorf("%s is missing", name)
		}
	}
	page := files["contact.html"]
	if i, k := strings.Index(page, "failed: "), strings.Index(page, ">01<"); i < 0 || k < 0 || i > k {
		t.Errorf("failures do not come first on the contact sheet: %d, %d", i, k)
	}
	for _, outside := range []string{"http:", "https:", "<script", "@import"} {
		if strings.Contains(page, outside) {
			t.Errorf("the contact sheet needs %s", outside)
		}
	}
	// The page is mended: the rest is not done again.
	put(t, "pages/01b.png", get(t, "pages/02.png"))
	r = call(t, nil, "sketchbook", "pages", "two.tif", "-o", "book", "--json")
	if !strings.Contains(r.out, `"reused":4`) || !strings.Contains(r.out, `"plates":5`) {
		t.Errorf("%+v", r)
	}
	for line := range strings.Lines(r.out) {
		var v struct {
			Event string `json:"event"`
		}
		if err := json.Unmarshal([]byte(line), &v); err != nil || v.Event == "" {
			t.Errorf("%v: %s", err, line)
		}
	}
}

func mustDecode(t *testing.T, b []byte) image.Image {
	t.Helper()
	m, _, err := image.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestSketchbookOnePalette(t *testing.T) {
	workshop(t)
	album(t, "pages", 3, 2, 90)
	r := call(t, nil, "sketchbook", "pages", "-o", "book", "-q", "--one-palette", "yes")
	if r.code != 0 {
		t.Fatalf("%+v", r)
	}
	palette := string(get(t, "book/palette.txt"))
	files := tree(t, "book")
	for name, text := range files {
		if !strings.HasSuffix(name, ".svg") {
			continue
		}
		for _, part := range strings.Split(text, `fill="`)[1:] {
			if colour, _, _ := strings.Cut(part, `"`); !strings.Contains(palette, colour) {
				t.Errorf("%s has %s, which is not in the palette:\n%s", name, colour, palette)
			}
		}
		if r := call(t, nil, "trace", "book/plates/"+stem(name)+".png", "--recipe", "book/sketchbook.recipe.toml", "-q", "-o", "alone/"); r.code != 0 || string(get(t, "alone/"+name)) != text {
			t.Errorf("%s differs from its plate traced alone: %+v", name, r)
		}
	}
	// The palette is the user's from now on.
	first, _, _ := strings.Cut(palette, "\n")
	put(t, "book/palette.txt", []byte(strings.Replace(palette, first, "#fefefe snow", 1)))
	if r := call(t, nil, "sketchbook", "-o", "book", "-q"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	if !strings.HasPrefix(string(get(t, "book/palette.txt")), "#fefefe snow\n") {
		t.Error("the edited palette was written over")
	}
	if r := call(t, nil, "sketchbook", "-o", "book", "-q", "--one-palette", "no"); r.code != 0 {
		t.Fatalf("%+v", r)
	}
	if strings.Contains(string(get(t, "book/sketchbook.recipe.toml")), "\npalette = ") {
		t.Error("the palette stays locked when it is no longer asked for")
	}
}

// TestSketchbookBusy lets two runs meet.
func TestSketchbookBusy(t *testing.T) {
	workshop(t)
	album(t, "pages", 30, 4, 72)
	c := program(t, "sketchbook", "pages", "-o", "book", "--json")
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	lines.Scan()
	if r := call(t, nil, "sketchbook", "-o", "book"); r.code != 1 || !strings.Contains(r.errors, "another run is working on this sketchbook") {
		t.Errorf("%+v", r)
	}
	// Ctrl-C ends it in good order, and the next run goes on.
	if err := c.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	for lines.Scan() {
	}
	var exit *exec.ExitError
	if err := c.Wait(); !errors.As(err, &exit) || exit.ExitCode() != exitInterrupted {
		t.Errorf("%v, want exit code %d", err, exitInterrupted)
	}
	for name := range tree(t, "book") {
		if strings.HasSuffix(name, ".part") {
			t.Errorf("%s was left", name)
		}
	}
}

// TestSketchbookWatch lets pictures arrive in pieces.
func TestSketchbookWatch(t *testing.T) {
	workshop(t)
	album(t, "made", 2, 1, 90)
	if err := os.Mkdir("phone", 0o755); err != nil {
		t.Fatal(err)
	}
	c := program(t, "sketchbook", "--watch", "phone", "-o", "book", "--json")
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	defer c.Process.Kill()
	first, second := get(t, "made/01.png"), get(t, "made/02.png")
	put(t, "phone/a.png", first)
	put(t, "phone/b.png", second[:len(second)/2])
	lines := bufio.NewScanner(out)
	next := func() string {
		for lines.Scan() {
			if strings.Contains(lines.Text(), `"event":"plate"`) && !strings.Contains(lines.Text(), `"reused":true`) || strings.Contains(lines.Text(), `"failed"`) && strings.Contains(lines.Text(), `"text"`) {
				return lines.Text()
			}
		}
		t.Fatal("the program ended")
		return ""
	}
	if l := next(); !strings.Contains(l, `"plate":"a"`) {
		t.Errorf("first came %s", l)
	}
	put(t, "phone/b.png", second)
	if l := next(); !strings.Contains(l, `"plate":"b"`) {
		t.Errorf("then came %s", l)
	}
	for lines.Scan() {
		if strings.Contains(lines.Text(), `"event":"done"`) {
			break
		}
	}
	c.Process.Signal(os.Interrupt)
	c.Wait()
	files := tree(t, "book")
	if files["a.svg"] == "" || files["b.svg"] == "" || !strings.Contains(files["contact.html"], ">b<") {
		t.Error("drawings or contact sheet are missing")
	}
}

// jpegFile writes a picture as JPEG.
func jpegFile(t *testing.T, path string, m image.Image) {
	t.Helper()
	if err := imaging.Save(m, path, imaging.JPEGQuality(90)); err != nil {
		t.Fatal(err)
	}
}
