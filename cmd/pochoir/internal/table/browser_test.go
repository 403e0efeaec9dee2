package table

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/disintegration/imaging"

	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/recipe"
	"pochoir/svgout"
	"pochoir/trace"
)

// user is somebody at the page, in a headless Chromium.
type user struct {
	*testing.T
	ctx    context.Context
	leaves atomic.Int32 // how often the page asked whether to leave it
}

// sit opens the page in a browser window of that size.
func sit(t *testing.T, address string, w, h int) *user {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if os.Getenv("CI") == "true" {
			t.Fatal("Chromium is not installed")
		}
		t.Skip("Chromium is not installed: the page is not driven")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.ExecPath(path), chromedp.WindowSize(w, h))
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	// Events that are newer than the module are nothing to us.
	ctx, stop2 := chromedp.NewContext(alloc, chromedp.WithErrorf(func(string, ...any) {}))
	t.Cleanup(stop2)
	ctx, stop3 := context.WithTimeout(ctx, 100*time.Second)
	t.Cleanup(stop3)
	u := &user{T: t, ctx: ctx}
	chromedp.ListenTarget(ctx, func(e any) {
		switch e := e.(type) {
		case *runtime.EventExceptionThrown:
			t.Errorf("the page fails: %v", e.ExceptionDetails)
		case *page.EventJavascriptDialogOpening:
			u.leaves.Add(1)
			go chromedp.Run(ctx, page.HandleJavaScriptDialog(true))
		}
	})
	u.do(chromedp.EmulateViewport(int64(w), int64(h)), chromedp.Navigate(address))
	return u
}

func (u *user) do(a ...chromedp.Action) {
	u.Helper()
	if err := chromedp.Run(u.ctx, a...); err != nil {
		u.Fatal(err)
	}
}

// js evaluates an expression to a string.
func (u *user) js(format string, args ...any) string {
	u.Helper()
	var out string
	u.do(chromedp.Evaluate("String("+fmt.Sprintf(format, args...)+")", &out))
	return out
}

// until waits for an expression to become true.
func (u *user) until(format string, args ...any) {
	u.Helper()
	what := fmt.Sprintf(format, args...)
	for end := time.Now().Add(40 * time.Second); time.Now().Before(end); time.Sleep(30 * time.Millisecond) {
		if u.js("%s", what) == "true" {
			return
		}
	}
	u.Fatalf("still not: %s (slip: %s)", what, u.js("document.querySelector('#slip').textContent"))
}

func (u *user) text(selector string) string {
	u.Helper()
	return u.js("document.querySelector(%q).textContent", selector)
}

// drawn waits until the drawing is there and nothing is on its way.
func (u *user) drawn() {
	u.Helper()
	u.until("document.querySelector('#fig-segments').textContent !== '–' && !document.querySelector('#busy').classList.contains('on')")
}

// pixel returns the colour of the glass at a place of the sheet, given as shares of its width and height.
func (u *user) pixel(fx, fy float64) string {
	u.Helper()
	x, y := u.place(fx, fy)
	return u.js(`(() => { const c = document.querySelector('#view'), b = c.getBoundingClientRect(), k = c.width / b.width;
		return [...c.getContext('2d').getImageData((%g - b.x) * k, (%g - b.y) * k, 1, 1).data].slice(0, 3).map((v) => v.toString(16).padStart(2, '0')).join(''); })()`, x, y)
}

// place returns where on the screen a place of the sheet is, when the sheet fits the glass and the note stands beside it.
func (u *user) place(fx, fy float64) (x, y float64) {
	u.Helper()
	var v []float64
	u.do(chromedp.Evaluate(fmt.Sprintf(`(() => { const b = document.querySelector('#glass').getBoundingClientRect(), p = document.querySelector('#view').sheet;
		return [b.x + p.x + %g * p.w, b.y + p.y + %g * p.h]; })()`, fx, fy), &v))
	return v[0], v[1]
}

func (u *user) press(fx, fy float64) {
	u.Helper()
	x, y := u.place(fx, fy)
	u.do(chromedp.MouseClickXY(x, y))
}

// drag pulls from the middle of what a selector finds to a place on the screen.
func (u *user) drag(x0, y0, x1, y1 float64) {
	u.Helper()
	u.do(input.DispatchMouseEvent(input.MousePressed, x0, y0).WithButton(input.Left).WithClickCount(1),
		input.DispatchMouseEvent(input.MouseMoved, (x0+x1)/2, (y0+y1)/2).WithButton(input.Left),
		input.DispatchMouseEvent(input.MouseMoved, x1, y1).WithButton(input.Left),
		input.DispatchMouseEvent(input.MouseReleased, x1, y1).WithButton(input.Left).WithClickCount(1))
}

// slide drags the thumb of a range to a share of its way.
func (u *user) slide(selector string, to float64) {
	u.Helper()
	var b []float64
	u.do(chromedp.Evaluate(fmt.Sprintf(`(() => { const e = document.querySelector(%q), b = e.getBoundingClientRect(), at = (e.value - e.min) / (e.max - e.min), n = e.id === 'wipe' ? 30 : 16;
		return [b.x + n / 2 + at * (b.width - n), b.y + b.height / 2, b.x + n / 2 + %g * (b.width - n)]; })()`, selector, to), &b))
	u.drag(b[0], b[1], b[2], b[1])
}

// snapshot12 is the lantern as a telephone of 12 megapixels takes it.
func snapshot12(t *testing.T) []byte {
	t.Helper()
	p, _ := demo.Draw("lantern", demo.Inked)
	m := imaging.Resize(p.Snapshot(), 4000, 3000, imaging.Linear)
	r := rand.New(rand.NewPCG(12, 5))
	for i := range m.Pix {
		if i%4 != 3 {
			n := int(r.NormFloat64() * 2.2)
			m.Pix[i] = uint8(min(255, max(0, int(m.Pix[i])+n)))
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 90}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// One sitting, from opening a snapshot of 12 megapixels to comparing what is on disk.
func TestSittingWithASnapshot(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "lantern.jpg"), snapshot12(t))
	tb := serve(t, Config{Pictures: []string{dir}})
	u := sit(t, tb.Address(), 1280, 720)
	u.drawn()
	figures := func() string { return u.text("#fig-segments") + " " + u.text("#fig-bytes") }
	const seen = "document.querySelector('#fig-segments').textContent + ' ' + document.querySelector('#fig-bytes').textContent"
	before := figures()

	// A slider moves: the ribbon is there while it does, the points change after.
	u.slide("#smoothness", 0.95)
	u.until(seen+" !== %q", before)
	u.drawn()
	if v := u.js("document.querySelector('#smoothness').value"); v < "90" || len(v) != 2 {
		t.Errorf("smoothness is %s", v)
	}
	smooth := figures()

	// The wipe: right of the rule lies the drawing, left of it the picture with its grain.
	u.do(chromedp.Focus("#view"))
	even := func() int { // colours in a patch of the lantern's foot, where no line is
		x, y := u.place(0.497, 0.705)
		n := u.js(`(() => { const c = document.querySelector('#view'), b = c.getBoundingClientRect(), k = c.width / b.width, d = c.getContext('2d').getImageData((%g - b.x) * k, (%g - b.y) * k, 12, 12).data;
			return new Set(Array.from({length: 144}, (_, i) => d[4*i] << 16 | d[4*i+1] << 8 | d[4*i+2])).size; })()`, x, y)
		k := 0
		fmt.Sscan(n, &k)
		return k
	}
	if n := even(); n != 1 {
		t.Errorf("the foot in the drawing has %d colours", n)
	}
	u.slide("#wipe", 0.6)
	u.until("document.querySelector('#rule').style.visibility === 'visible'")
	if n := even(); n < 2 {
		t.Error("the picture's grain is not seen left of the rule")
	}
	u.slide("#wipe", 0)

	// Lay a flat: the ground right of the lantern takes the colour that is picked.
	u.do(chromedp.Click(`#swatches li[data-name=darkcyan] .chip`), chromedp.Click(`[data-tool=lay]`))
	if c := u.pixel(0.04, 0.5); c != "ffffff" {
		t.Fatalf("the ground is %s before", c)
	}
	teal := strings.TrimPrefix(u.js("getComputedStyle(document.querySelector('#swatches li[data-name=darkcyan]')).getPropertyValue('--c')"), "#")
	u.press(0.04, 0.5)
	u.until("document.querySelector('#undo').disabled === false && !document.querySelector('#busy').classList.contains('on')")
	u.drawn()
	for end := time.Now().Add(20 * time.Second); u.pixel(0.04, 0.5) != teal && time.Now().Before(end); {
		time.Sleep(50 * time.Millisecond)
	}
	if c := u.pixel(0.04, 0.5); c != teal {
		t.Errorf("the flat laid there is %s, want %s", c, teal)
	}

	// Recolour: nothing is traced for it.
	u.do(chromedp.KeyEvent(kb.Escape))
	asked := "performance.getEntriesByType('resource').filter((e) => e.name.endsWith('/trace')).length"
	was := u.js("%s", asked)
	u.do(chromedp.Click(`#swatches li[data-name=darkcyan] [data-act=mix]`), chromedp.SetValue("#mix-hex", "#5a3d8c"), chromedp.Click(`#mix button[value=ok]`))
	for end := time.Now().Add(10 * time.Second); u.pixel(0.04, 0.5) != "5a3d8c" && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	if c := u.pixel(0.04, 0.5); c != "5a3d8c" {
		t.Errorf("recoloured to %s", c)
	}
	u.until("%s === %s + 1", asked, was)

	// Undo and redo, by key.
	undo := chromedp.KeyEvent("z", chromedp.KeyModifiers(input.ModifierCtrl))
	u.do(chromedp.Focus("#view"), undo)
	u.drawn()
	for end := time.Now().Add(10 * time.Second); u.pixel(0.04, 0.5) != teal && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	if c := u.pixel(0.04, 0.5); c != teal {
		t.Errorf("undone to %s, want %s", c, teal)
	}
	u.do(chromedp.Click("#redo"))
	u.drawn()

	// Write, reload, compare.
	u.do(chromedp.Click("#write"))
	u.until("document.querySelector('#picture-state').textContent === 'written'")
	layers, segments, size := u.text("#fig-layers"), u.text("#fig-segments"), u.text("#fig-bytes")
	u.do(chromedp.Reload())
	u.drawn()
	if v := u.text("#picture-state"); v != "written" {
		t.Errorf("after a reload the picture is %q", v)
	}
	if l, s, b := u.text("#fig-layers"), u.text("#fig-segments"), u.text("#fig-bytes"); l != layers || s != segments || b != size {
		t.Errorf("after a reload %s layers, %s segments, %s; before %s, %s, %s", l, s, b, layers, segments, size)
	}
	if v := u.js("document.querySelector('#undo').disabled"); v != "false" {
		t.Error("the steps did not survive the reload")
	}
	svg := read1(t, filepath.Join(dir, "lantern.svg"))
	r, err := recipe.Load(filepath.Join(dir, "lantern.recipe.toml"))
	if err != nil {
		t.Fatal(err)
	}
	opt, err := r.Options()
	if err != nil {
		t.Fatal(err)
	}
	pic, err := intake.Open(filepath.Join(dir, "lantern.jpg"), intake.Options{})
	if err != nil {
		t.Fatal(err)
	}
	res, err := trace.Trace(context.Background(), pic, opt)
	if err != nil {
		t.Fatal(err)
	}
	var want bytes.Buffer
	if err := svgout.Write(&want, res.Drawing, svgout.Options{}); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(svg, want.Bytes()) {
		t.Error("the file is not what the recipe beside it makes of the picture")
	}
	if fmt.Sprint(res.Report.Segments) != segments || segments+" "+size == before || smooth == before {
		t.Errorf("%d segments by the engine, %s on the page", res.Report.Segments, segments)
	}
	if !bytes.Contains(svg, []byte(`id="darkcyan" fill="#5a3d8c"`)) {
		t.Error("the new colour is not in the file")
	}

	// The corners of the sheet can be put by hand, here by key.
	u.do(chromedp.Click("#film-taken"))
	u.until("document.querySelectorAll('#handles button').length === 4 && document.querySelector('#handles').hidden === false")
	u.do(chromedp.Focus("#handles button"), chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.ArrowRight))
	u.until("document.querySelector('input[name=sheet][value=corners]').checked")
	u.drawn()

	// Somebody changes the drawing: it is not written over without a word.
	edited := append(bytes.Clone(svg), "<!-- by hand -->\n"...)
	put(t, filepath.Join(dir, "lantern.svg"), edited)
	u.do(chromedp.Click("#write"))
	u.until("document.querySelector('#ask').open")
	u.do(chromedp.Click(`#ask-answers button:last-child`))
	if !bytes.Equal(read1(t, filepath.Join(dir, "lantern.svg")), edited) {
		t.Error("the drawing that was changed by hand is gone")
	}
}

// Everything can be reached and done without a pointer, and one always sees where one is.
func TestByKeysAlone(t *testing.T) {
	dir := harbour(t, 200, "boat", "kettle")
	tb := serve(t, Config{Pictures: []string{dir}})
	u := sit(t, tb.Address(), 1280, 720)
	u.drawn()
	seen := map[string]bool{}
	here := func() string {
		return u.js("(document.activeElement.id || document.activeElement.dataset.tool || document.activeElement.name || document.activeElement.className || document.activeElement.tagName)")
	}
	bare := map[string]bool{}
	tabTo := func(want string) {
		for range 120 {
			u.do(chromedp.KeyEvent(kb.Tab))
			at := here()
			seen[at] = true
			if u.js(`(() => { const s = getComputedStyle(document.activeElement); return document.activeElement === document.body || document.activeElement.id === 'wipe' || s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2; })()`) != "true" {
				bare[at] = true
			}
			if at == want {
				return
			}
		}
		t.Fatalf("%s is not reached by the tab key", want)
	}
	segments := u.text("#fig-segments")
	tabTo("smoothness")
	u.do(chromedp.KeyEvent(kb.End))
	u.until("document.querySelector('#fig-segments').textContent !== %q", segments)
	u.drawn()
	if v := u.js("document.querySelector('#loupe').classList.contains('on')"); v != "true" {
		t.Error("smoothness does not show itself")
	}
	// A corner marked at the cross in the middle of the glass, then taken back.
	tabTo("corner")
	u.do(chromedp.KeyEvent(kb.Enter))
	tabTo("view")
	u.do(chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent("+"), chromedp.KeyEvent(kb.Enter))
	u.drawn()
	touches := func() int {
		r, err := recipe.Load(filepath.Join(dir, "boat.recipe.toml"))
		if err != nil {
			return 0
		}
		return len(r.Lists().Touches)
	}
	wait := func(n int) {
		for end := time.Now().Add(10 * time.Second); touches() != n && time.Now().Before(end); {
			time.Sleep(20 * time.Millisecond)
		}
		if touches() != n {
			t.Errorf("%d touches on disk, want %d", touches(), n)
		}
	}
	wait(1)
	u.do(chromedp.KeyEvent("z", chromedp.KeyModifiers(input.ModifierCtrl)))
	wait(0)
	// The space bar, held, shows the original.
	u.do(chromedp.KeyEvent(kb.Escape), chromedp.KeyEvent("0"))
	tabTo("wipe")
	u.do(chromedp.KeyEvent(kb.End))
	u.until("document.querySelector('#rule').style.visibility === 'visible'")
	u.do(chromedp.KeyEvent(kb.Home))
	// Pour one swatch into another: pick, act, pick.
	count := u.js("document.querySelectorAll('#swatches li').length")
	tabTo("chip")
	tabTo("chip")
	u.do(chromedp.KeyEvent(kb.Enter), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(kb.Enter))
	u.until("!document.querySelector('#pouring').hidden")
	tabTo("chip")
	u.do(chromedp.KeyEvent(kb.Enter))
	u.until("document.querySelectorAll('#swatches li').length === %s - 1", count)
	u.drawn()
	u.do(chromedp.KeyEvent("s", chromedp.KeyModifiers(input.ModifierCtrl)))
	u.until("document.querySelector('#picture-state').textContent === 'written'")
	if _, err := os.Stat(filepath.Join(dir, "boat.svg")); err != nil {
		t.Error(err)
	}
	u.do(chromedp.KeyEvent(kb.PageDown))
	u.until("document.querySelector('#picture-name').textContent === 'kettle.png'")
	u.drawn()
	for _, id := range []string{"lamp", "film-points", "film-difference", "film-loupe", "zoom-in", "turn", "dust", "write", "room", "undo", "colours-auto", "medium", "join", "lay"} {
		if !seen[id] {
			tabTo(id)
		}
	}
	for at := range bare {
		t.Errorf("one does not see that %s has the focus", at)
	}
	// Every control has a name.
	if v := u.js(`[...document.querySelectorAll('button, input, select')].filter((e) => !(e.textContent.trim() || e.getAttribute('aria-label') || e.labels?.length)).map((e) => e.outerHTML).join()`); v != "" {
		t.Errorf("without a name: %s", v)
	}
}

// Two windows on one picture: the second does not write over what the first one changed without asking.
func TestTwoWindows(t *testing.T) {
	dir := harbour(t, 160, "boat")
	tb := serve(t, Config{Pictures: []string{dir}})
	u := sit(t, tb.Address(), 1280, 720)
	u.drawn()
	id := tb.rack()[0].id
	if code, v := send(t, "POST", tb.Address()+"api/pictures/"+id+"/trace", order{Settings: values(map[string]string{"turn": "77"})}, nil); code != 200 {
		t.Fatalf("%d %v", code, v)
	}
	u.do(chromedp.Focus("#smoothness"), chromedp.KeyEvent(kb.End))
	u.until("document.querySelector('#ask').open")
	u.do(chromedp.Click(`#ask-answers button[value=theirs]`))
	u.until("document.querySelector('#turn').value === '77'")
	r, err := recipe.Load(filepath.Join(dir, "boat.recipe.toml"))
	if err != nil {
		t.Fatal(err)
	}
	if v, _ := r.Text("turn"); v != "77" {
		t.Errorf("turn is %s on disk", v)
	}
	// A drawing that was changed and not written: leaving asks, and what was set is there after.
	u.drawn()
	u.do(chromedp.Focus("#dust"), chromedp.KeyEvent(kb.End))
	u.until("document.querySelector('#picture-state').textContent === 'tuned'")
	u.drawn()
	u.do(chromedp.Reload())
	u.drawn()
	if u.leaves.Load() == 0 {
		t.Error("the page was left without a word")
	}
	if v := u.js("document.querySelector('#dust').value"); v != "24" {
		t.Errorf("after a reload dust is %s", v)
	}
}

// Nothing is cut off or lies on something else at the sizes of a small screen and of a tablet.
func TestFitsScreens(t *testing.T) {
	dir := harbour(t, 160, "boat", "kettle")
	tb := serve(t, Config{Pictures: []string{dir}})
	for _, s := range []image.Point{{1280, 720}, {1024, 1366}} {
		u := sit(t, tb.Address(), s.X, s.Y)
		u.drawn()
		if v := u.js(`document.documentElement.scrollWidth <= innerWidth && document.documentElement.scrollHeight <= innerHeight`); v != "true" {
			t.Errorf("%v: the page is larger than the screen", s)
		}
		if v := u.js(`[...document.querySelectorAll('#tray button, #tray input, #tray select, #films button')].filter((e) => { const b = e.getBoundingClientRect(); return b.width && (b.right > innerWidth || b.bottom > innerHeight); }).map((e) => e.id).join()`); v != "" {
			t.Errorf("%v: beyond the screen: %s", s, v)
		}
		if s.X < s.Y {
			zoom := u.text("#zoom-figure")
			x, y := u.place(0.5, 0.5)
			two := func(d float64) []*input.TouchPoint {
				return []*input.TouchPoint{{X: x - d, Y: y, ID: 1}, {X: x + d, Y: y, ID: 2}}
			}
			u.do(input.DispatchTouchEvent(input.TouchStart, two(30)), input.DispatchTouchEvent(input.TouchMove, two(60)),
				input.DispatchTouchEvent(input.TouchMove, two(120)), input.DispatchTouchEvent(input.TouchEnd, nil))
			u.until("document.querySelector('#zoom-figure').textContent !== %q", zoom)
		}
		// Target size: at least 24 by 24 CSS px (WCAG 2.2, success criterion 2.5.8), boxes with their labels.
		if v := u.js(`[...document.querySelectorAll('button, select, input[type=range], input[type=number]')].filter((e) => { const b = e.getBoundingClientRect(); return b.width && (b.width < 23.9 || b.height < 23.9); }).map((e) => e.id + e.className + e.textContent).join()`); v != "" {
			t.Errorf("%v: too small to be hit: %s", s, v)
		}
	}
}

var update = flag.Bool("update", false, "write the picture of the page in the README anew")

// The picture of the page in the README is what the page looks like with the harbour set on it.
func TestPictureOfThePage(t *testing.T) {
	const kept = "../../../../testdata/table.png"
	dir := filepath.Join(t.TempDir(), "harbour")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, n := range []string{"boat", "crab", "kettle", "lantern"} {
		put(t, filepath.Join(dir, n+".png"), read1(t, "../../../../testdata/harbour/"+n+".png"))
	}
	tb := serve(t, Config{Pictures: []string{dir}})
	u := sit(t, tb.Address(), 1280, 720)
	u.drawn()
	u.do(chromedp.Click("#prints li:nth-child(2) .print"))
	u.until("document.querySelector('#picture-name').textContent === 'crab.png'")
	u.until("document.querySelectorAll('#swatches li').length === 7 && document.querySelector('#fig-segments').textContent !== '–'")
	u.drawn()
	u.do(chromedp.Click("#swatches li:nth-child(2) .chip"))
	u.slide("#wipe", 0.3)
	u.do(chromedp.Click("#film-loupe"))
	x, y := u.place(0.565, 0.305)
	u.do(input.DispatchMouseEvent(input.MouseMoved, x, y))
	u.until("document.querySelector('#loupe').classList.contains('on') && [...document.images].every((i) => i.complete)")
	var shot []byte
	u.do(chromedp.Sleep(300*time.Millisecond), chromedp.CaptureScreenshot(&shot))
	if *update {
		put(t, kept, shot)
		return
	}
	now, err := png.Decode(bytes.NewReader(shot))
	if err != nil {
		t.Fatal(err)
	}
	was, err := png.Decode(bytes.NewReader(read1(t, kept)))
	if err != nil {
		t.Fatal(err)
	}
	if now.Bounds() != was.Bounds() {
		t.Fatalf("the picture is %v, the page %v", was.Bounds(), now.Bounds())
	}
	a, b := imaging.Clone(now), imaging.Clone(was)
	sum := 0
	for i := range a.Pix {
		d := int(a.Pix[i]) - int(b.Pix[i])
		sum += max(d, -d)
	}
	// Browsers of other versions draw controls and type a little differently.
	if mean := float64(sum) / float64(len(a.Pix)); mean > 6 {
		t.Errorf("the picture in the README differs from the page by %.1f levels in the mean; write it anew with -update", mean)
	}
}
