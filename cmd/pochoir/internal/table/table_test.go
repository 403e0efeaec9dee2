package table

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/cmd/pochoir/internal/recipe"
)

// harbour makes a folder of harbour pictures, each this large.
func harbour(t *testing.T, side int, names ...string) string {
	t.Helper()
	dir := t.TempDir()
	for _, n := range names {
		object, kind := n, demo.Inked
		if o, ok := strings.CutSuffix(n, "-ink"); ok {
			object, kind = o, demo.Ink
		}
		p, ok := demo.Draw(object, kind)
		if !ok {
			t.Fatalf("no drawing %s", n)
		}
		putPNG(t, filepath.Join(dir, n+".png"), p.Image(side))
	}
	return dir
}

func putPNG(t *testing.T, path string, m image.Image) {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	put(t, path, b.Bytes())
}

func put(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
}

func read1(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// serve puts a table up until the test ends.
func serve(t *testing.T, cfg Config) *Table {
	t.Helper()
	tb, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- tb.Serve(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return tb
}

// send asks the table and decodes what it answers, where that is JSON.
func send(t *testing.T, method, url string, body any, change func(*http.Request)) (int, map[string]any) {
	t.Helper()
	var r io.Reader
	switch b := body.(type) {
	case nil:
	case io.Reader:
		r = b
	default:
		text, err := json.Marshal(b)
		if err != nil {
			t.Fatal(err)
		}
		r = bytes.NewReader(text)
	}
	q, err := http.NewRequest(method, url, r)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(q)
	}
	a, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Body.Close()
	text, err := io.ReadAll(a.Body)
	if err != nil {
		t.Fatal(err)
	}
	var v map[string]any
	json.Unmarshal(text, &v)
	return a.StatusCode, v
}

func values(v map[string]string) settings { return settings{Values: v} }

func TestStrangersGetNothing(t *testing.T) {
	dir := harbour(t, 100, "boat")
	tb := serve(t, Config{Pictures: []string{dir}, MostUpload: 1 << 20})
	base := tb.Address()
	rack := base + "api/rack"
	if code, _ := send(t, "GET", rack, nil, nil); code != 200 {
		t.Fatalf("who may does not get in: %d", code)
	}
	if !strings.HasPrefix(tb.ln.Addr().String(), "127.0.0.1:") {
		t.Errorf("listens on %s", tb.ln.Addr())
	}
	root := strings.TrimSuffix(base, tb.token+"/")
	for name, c := range map[string]struct {
		url    string
		change func(*http.Request)
		want   int
	}{
		"no token":           {root, nil, 404},
		"no token, an asset": {root + "main.js", nil, 404},
		"another token":      {root + strings.Repeat("0", len(tb.token)) + "/api/rack", nil, 404},
		"a part of it":       {root + tb.token[:10] + "/api/rack", nil, 404},
		"another host":       {rack, func(r *http.Request) { r.Host = "harbour.example:80" }, 403},
		"host without port":  {rack, func(r *http.Request) { r.Host = "127.0.0.1" }, 403},
		"another origin":     {rack, func(r *http.Request) { r.Header.Set("Origin", "http://harbour.example") }, 403},
		"origin null":        {rack, func(r *http.Request) { r.Header.Set("Origin", "null") }, 403},
		"another port":       {rack, func(r *http.Request) { r.Header.Set("Origin", "http://127.0.0.1:1") }, 403},
		"another site":       {rack, func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, 403},
		"own origin":         {rack, func(r *http.Request) { r.Header.Set("Origin", strings.TrimSuffix(root, "/")) }, 200},
	} {
		if code, _ := send(t, "GET", c.url, nil, c.change); code != c.want {
			t.Errorf("%s: %d, want %d", name, code, c.want)
		}
	}
	a, err := http.Get(base)
	if err != nil {
		t.Fatal(err)
	}
	a.Body.Close()
	if p := a.Header.Get("Content-Security-Policy"); p != policy || strings.Contains(p, "unsafe") {
		t.Errorf("policy %q", p)
	}
}

func TestOnlyFilesOfTheFolder(t *testing.T) {
	outside := harbour(t, 100, "kettle")
	secret := filepath.Join(outside, "kettle.png")
	dir := harbour(t, 100, "boat")
	for link, to := range map[string]string{"gull.png": secret, "sub": outside, "loop.png": filepath.Join(dir, "loop.png")} {
		if err := os.Symlink(to, filepath.Join(dir, link)); err != nil {
			if os.Getenv("CI") == "true" {
				t.Fatal(err)
			}
			t.Skipf("no symbolic links here: %v", err)
		}
	}
	put(t, filepath.Join(outside, "dusk.txt"), []byte("#102030 ink\n"))
	os.Symlink(filepath.Join(outside, "dusk.txt"), filepath.Join(dir, "dusk.txt"))
	tb := serve(t, Config{Pictures: []string{dir}, MostUpload: 200_000})
	base := tb.Address()
	_, r := send(t, "GET", base+"api/rack", nil, nil)
	pictures := r["pictures"].([]any)
	if len(pictures) != 1 || pictures[0].(map[string]any)["name"] != "boat.png" {
		t.Fatalf("the rack shows %v", pictures)
	}
	if a, err := http.Get(base + "api/swatches"); err != nil {
		t.Fatal(err)
	} else if b, _ := io.ReadAll(a.Body); strings.Contains(string(b), "dusk") {
		t.Errorf("a palette behind a link is shown: %s", b)
	}
	id := pictures[0].(map[string]any)["id"].(string)
	trace := base + "api/pictures/" + id + "/trace"
	for name, path := range map[string]string{"a palette elsewhere": filepath.Join(outside, "dusk.txt"), "a palette above": "../" + filepath.Base(outside) + "/dusk.txt", "behind a link": "dusk.txt"} {
		for _, key := range []string{"palette", "suggest"} {
			if code, v := send(t, "POST", trace, order{Settings: values(map[string]string{key: path})}, nil); code != 422 {
				t.Errorf("%s, %s: %d %v", key, name, code, v)
			}
		}
	}
	// A picture that becomes a link while the table is up.
	boat := filepath.Join(dir, "boat.png")
	whole := read1(t, boat)
	os.Remove(boat)
	os.Symlink(secret, boat)
	if code, v := send(t, "POST", trace, order{Draw: true}, nil); code != 422 {
		t.Errorf("a picture that became a link: %d %v", code, v)
	}
	os.Remove(boat)
	put(t, boat, whole)
	// Drawing and recipe that are links are not written through.
	target := filepath.Join(outside, "victim.svg")
	put(t, target, []byte("whole"))
	for _, name := range []string{"boat.svg", "boat.recipe.toml"} {
		os.Symlink(target, filepath.Join(dir, name))
		code, _ := send(t, "POST", base+"api/pictures/"+id+"/write", order{Settings: values(map[string]string{"turn": "40"}), Over: true, Force: true}, nil)
		if code != 422 || string(read1(t, target)) != "whole" {
			t.Errorf("%s: %d, the file behind it is %q", name, code, read1(t, target))
		}
		os.Remove(filepath.Join(dir, name))
		os.Remove(filepath.Join(dir, "boat.recipe.toml"))
	}
	for _, p := range []string{"../guard.go", "..%2fguard.go", "web/../../guard.go", "font/../../table.go", "%2e%2e/table.go", "api/pictures/..%2f..%2fetc", "etc/passwd"} {
		if code, _ := send(t, "GET", base+p, nil, nil); code == 200 {
			t.Errorf("%s is served", p)
		}
	}
	for _, name := range []string{"../up.png", "..%2fup.png", "%2fetc%2fup.png", ".hidden.png", "a%5cb.png", "run.sh", "", "x%00.png"} {
		if code, _ := send(t, "POST", base+"api/upload?name="+name, bytes.NewReader(whole), nil); code != 400 && code != 404 {
			t.Errorf("upload as %q: %d", name, code)
		}
	}
	if code, _ := send(t, "POST", base+"api/upload?name=big.png", bytes.NewReader(make([]byte, 200_001)), nil); code != 413 {
		t.Errorf("a picture above the limit: %d", code)
	}
	chunked := io.MultiReader(bytes.NewReader(whole), bytes.NewReader(make([]byte, 300_000))) // of unknown length
	if code, _ := send(t, "POST", base+"api/upload?name=big.png", chunked, nil); code != 413 {
		t.Errorf("a picture above the limit, length not told: %d", code)
	}
	if code, _ := send(t, "POST", base+"api/upload?name=no.png", strings.NewReader("no picture"), nil); code != 422 {
		t.Errorf("no picture: %d", code)
	}
	if code, _ := send(t, "POST", trace, strings.NewReader(`{"settings":{"values":{"a":"`+strings.Repeat("x", mostWords)+`"}}}`), nil); code != 413 {
		t.Errorf("words above the limit: %d", code)
	}
	left, _ := os.ReadDir(dir)
	for _, e := range left {
		if n := e.Name(); strings.Contains(n, "big") || strings.Contains(n, "no") || strings.HasSuffix(n, ".part") {
			t.Errorf("%s is left behind", n)
		}
	}
	// What is dropped gets a free name and is on the rack at once.
	if code, v := send(t, "POST", base+"api/upload?name=boat.png", bytes.NewReader(whole), nil); code != 200 || v["name"] != "boat-2.png" {
		t.Errorf("%d %v", code, v)
	}
	if !bytes.Equal(read1(t, boat), whole) || !bytes.Equal(read1(t, filepath.Join(dir, "boat-2.png")), whole) {
		t.Error("the copy is not the picture")
	}
}

func TestSettingsOutliveTheServer(t *testing.T) {
	dir := harbour(t, 120, "boat", "kettle", "crab")
	first := serve(t, Config{Pictures: []string{dir}})
	ids := map[string]string{}
	for _, p := range first.rack() {
		ids[p.name] = p.id
	}
	at := func(tb *Table, name, what string) string { return tb.Address() + "api/pictures/" + ids[name] + what }
	set := settings{Values: map[string]string{"smoothness": "80"}}
	set.Touches = []recipe.Touch{{Do: "corner", At: []float64{60, 60}}}
	code, v := send(t, "POST", at(first, "boat.png", "/trace"), order{Settings: set, Draw: true}, nil)
	if code != 200 || v["state"] != stateTuned || v["drawing"].(map[string]any)["segments"].(float64) < 10 {
		t.Fatalf("%d %v", code, v)
	}
	revision := v["revision"].(string)
	// An old revision must not win.
	if code, v := send(t, "POST", at(first, "boat.png", "/trace"), order{Settings: values(nil), Revision: ""}, nil); code != 409 || v["changed"] != true {
		t.Errorf("the settings of another window were written over: %d %v", code, v)
	}
	second := serve(t, Config{Pictures: []string{dir}})
	code, v = send(t, "GET", at(second, "boat.png", ""), nil, nil)
	got := v["settings"].(map[string]any)
	if code != 200 || v["revision"] != revision || got["values"].(map[string]any)["smoothness"] != "80" || len(got["touches"].([]any)) != 1 {
		t.Errorf("%d %v", code, v)
	}
	// Copying leaves alone what belongs to places.
	if code, v := send(t, "POST", second.Address()+"api/copy", map[string]any{"from": ids["boat.png"], "to": []string{ids["kettle.png"]}}, nil); code != 200 {
		t.Fatalf("%d %v", code, v)
	}
	r, err := recipe.Load(filepath.Join(dir, "kettle.recipe.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if s, _ := r.Text("smoothness"); s != "80" || len(r.Lists().Touches) != 0 {
		t.Errorf("smoothness %s, touches %v", s, r.Lists().Touches)
	}
	// The rest is drawn in the background; a drawing that is not ours stays.
	put(t, filepath.Join(dir, "crab.svg"), []byte("<svg/>"))
	if code, v := send(t, "POST", second.Address()+"api/run", map[string]any{"pictures": []string{ids["boat.png"], ids["kettle.png"], ids["crab.png"]}}, nil); code != 200 {
		t.Fatalf("%d %v", code, v)
	}
	states := func() map[string]string {
		_, v := send(t, "GET", second.Address()+"api/rack", nil, nil)
		out := map[string]string{"run": fmt.Sprint(v["run"])}
		for _, p := range v["pictures"].([]any) {
			m := p.(map[string]any)
			out[m["name"].(string)] = m["state"].(string)
		}
		return out
	}
	for end := time.Now().Add(30 * time.Second); states()["run"] != "<nil>" && time.Now().Before(end); {
		time.Sleep(50 * time.Millisecond)
	}
	if s := states(); s["boat.png"] != stateWritten || s["kettle.png"] != stateWritten || s["crab.png"] != stateFailed || string(read1(t, filepath.Join(dir, "crab.svg"))) != "<svg/>" {
		t.Errorf("%v", s)
	}
	// A drawing somebody works on is written over only when that is said.
	svg := filepath.Join(dir, "boat.svg")
	edited := append(read1(t, svg), "<!-- by hand -->\n"...)
	put(t, svg, edited)
	if s := states(); s["boat.png"] != stateTuned {
		t.Errorf("a drawing changed by hand counts as %s", s["boat.png"])
	}
	_, v = send(t, "GET", at(second, "boat.png", ""), nil, nil)
	o := order{Settings: set, Revision: v["revision"].(string)}
	if code, v := send(t, "POST", at(second, "boat.png", "/write"), o, nil); code != 409 || v["edited"] != true || !bytes.Equal(read1(t, svg), edited) {
		t.Errorf("%d %v", code, v)
	}
	o.Over = true
	if code, v := send(t, "POST", at(second, "boat.png", "/write"), o, nil); code != 200 || bytes.Equal(read1(t, svg), edited) {
		t.Errorf("%d %v", code, v)
	}
}

func TestPalettesOfTheFolder(t *testing.T) {
	dir := harbour(t, 120, "boat")
	tb := serve(t, Config{Pictures: []string{dir}})
	base := tb.Address()
	list := map[string]any{"swatches": []pageSwatch{{Name: "white", Colour: "#ffffff"}, {Name: "sea", Colour: "#1e9696"}, {Name: "night", Colour: "#101020"}}}
	if code, v := send(t, "POST", base+"api/swatches/dusk", list, nil); code != 200 || v["name"] != "dusk.txt" {
		t.Fatalf("%d %v", code, v)
	}
	if got := string(read1(t, filepath.Join(dir, "dusk.txt"))); got != "#ffffff white\n#1e9696 sea\n#101020 night\n" {
		t.Errorf("saved as %q", got)
	}
	if code, v := send(t, "POST", base+"api/swatches/dusk.txt", list, nil); code != 409 || v["exists"] != true {
		t.Errorf("written over without a word: %d %v", code, v)
	}
	for _, name := range []string{"..%2fdusk", ".dusk", "a%5cb"} {
		if code, _ := send(t, "POST", base+"api/swatches/"+name, list, nil); code == 200 {
			t.Errorf("%s is taken for a name", name)
		}
	}
	id := tb.rack()[0].id
	code, v := send(t, "POST", base+"api/pictures/"+id+"/trace", order{Settings: values(map[string]string{"palette": "dusk.txt"}), Draw: true}, nil)
	if code != 200 {
		t.Fatalf("%d %v", code, v)
	}
	for _, l := range v["drawing"].(map[string]any)["layers"].([]any) {
		if c := l.(map[string]any)["colour"]; c != "#ffffff" && c != "#1e9696" && c != "#101020" {
			t.Errorf("a layer of %s", c)
		}
	}
	// The recipe names it as seen from its own folder.
	if text := string(read1(t, filepath.Join(dir, "boat.recipe.toml"))); !strings.Contains(text, "palette = \"dusk.txt\"") {
		t.Errorf("the recipe says\n%s", text)
	}
	// Pour and hold, by name; what is poured away is no swatch any more.
	set := values(nil)
	set.Pours = []recipe.Pour{{Swatch: "darkcyan", Into: "wheat"}}
	set.Locked = []recipe.Swatch{{Swatch: "signal", Colour: "#dd4433"}}
	code, v = send(t, "POST", base+"api/pictures/"+id+"/trace", order{Settings: set, Draw: true, Force: true}, nil)
	if code != 200 {
		t.Fatalf("%d %v", code, v)
	}
	names := map[string]bool{}
	for _, s := range v["drawing"].(map[string]any)["swatches"].([]any) {
		names[s.(map[string]any)["name"].(string)] = true
	}
	if names["darkcyan"] || !names["wheat"] || !names["signal"] {
		t.Errorf("swatches %v", names)
	}
}

// Every file that the page names is there and has the right type.
func TestPageIsWhole(t *testing.T) {
	tb := serve(t, Config{Pictures: []string{t.TempDir()}})
	seen := map[string]bool{}
	links := regexp.MustCompile(`(?:src|href)="([^"#]+)"|from "\./([^"]+)"|url\(([^)]+)\)`)
	var walk func(name string)
	walk = func(name string) {
		if seen[name] {
			return
		}
		seen[name] = true
		a, err := http.Get(tb.Address() + name)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		body, err := io.ReadAll(a.Body)
		if err != nil || a.StatusCode != 200 {
			t.Errorf("%s: %d %v", name, a.StatusCode, err)
			return
		}
		ext := path.Ext(name)
		if name == "" {
			ext = ".html"
		}
		if a.Header.Get("Content-Type") != types[ext] || types[ext] == "" {
			t.Errorf("%s is served as %q", name, a.Header.Get("Content-Type"))
		}
		if bytes.Contains(body, []byte("http://")) || bytes.Contains(body, []byte("https://")) {
			if ext != ".ttf" {
				t.Errorf("%s names an address elsewhere", name)
			}
		}
		if ext != ".ttf" {
			for _, m := range links.FindAllStringSubmatch(string(body), -1) {
				walk(m[1] + m[2] + m[3])
			}
		}
	}
	walk("")
	if len(seen) < 8 {
		t.Errorf("only %v", seen)
	}
	// Markup never comes out of data.
	for _, name := range []string{"main.js", "glass.js", "server.js", "geometry.js"} {
		text, err := web.ReadFile("web/" + name)
		if err != nil {
			t.Fatal(err)
		}
		if m := regexp.MustCompile(`innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(|new Function`).Find(text); m != nil {
			t.Errorf("%s uses %s", name, m)
		}
	}
}

// luminance and contrast are those of WCAG 2.2, definitions of "relative luminance" and "contrast ratio" (W3C
// Recommendation of October 2023): the threshold 0.04045 is that of IEC 61966-2-1, which its note names.
func luminance(hex string) float64 {
	v, _ := strconv.ParseUint(hex[1:], 16, 32)
	part := func(shift uint) float64 {
		c := float64(v>>shift&255) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

func contrast(a, b string) float64 {
	la, lb := luminance(a), luminance(b)
	return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05)
}

// Text needs 4.5 to 1 (success criterion 1.4.3), the marks of controls and of focus 3 to 1 (1.4.11), in both surroundings.
func TestContrast(t *testing.T) {
	if c := contrast("#000000", "#ffffff"); math.Abs(c-21) > 1e-9 { // the definition: from 1 to 21
		t.Fatalf("black on white is %g to 1", c)
	}
	text, err := web.ReadFile("web/table.css")
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile(`(?s):root(\.night)? \{(.*?)\}`).FindAllStringSubmatch(string(text), -1)
	if len(blocks) != 2 {
		t.Fatalf("%d sets of colours", len(blocks))
	}
	for _, b := range blocks {
		c := map[string]string{}
		for _, m := range regexp.MustCompile(`--([a-z0-9-]+): (#[0-9a-f]{6})`).FindAllStringSubmatch(b[2], -1) {
			c[m[1]] = m[2]
		}
		for _, p := range []struct {
			front, back string
			least       float64
		}{
			{"ink", "card", 4.5}, {"ink", "well", 4.5}, {"soft", "card", 4.5}, {"soft", "room", 4.5}, {"soft", "room-2", 4.5},
			{"on-brass", "brass", 4.5}, {"bad", "card", 4.5}, {"good", "card", 4.5}, {"note", "glass-1", 4.5}, {"note", "glass-2", 4.5},
			{"focus", "card", 3}, {"focus", "room", 3}, {"focus", "room-2", 3}, {"focus", "glass-1", 3}, {"focus", "glass-2", 3},
			{"brass", "card", 3}, {"card-line", "card", 3}, {"card-line", "well", 3}, {"rim", "glass-1", 3}, {"brass", "glass-2", 3},
		} {
			if c[p.front] == "" || c[p.back] == "" {
				t.Fatalf("no colour %s or %s", p.front, p.back)
			}
			if got := contrast(c[p.front], c[p.back]); got < p.least {
				t.Errorf("surroundings%s: %s on %s is %.2f to 1, want %g", b[1], p.front, p.back, got, p.least)
			}
		}
		// The note stands on paper, which is light by night as well; its ink is fixed.
		if got := contrast("#2f3a3c", c["paper"]); got < 4.5 {
			t.Errorf("the note is %.2f to 1", got)
		}
	}
}
