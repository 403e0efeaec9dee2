package sketchbook

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/disintegration/imaging"
	"github.com/fogleman/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goitalic"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"

	"pochoir/cmd/pochoir/internal/demo"
	"pochoir/trace/paper"
)

// drawings are the harbour objects cut to their marks, painted once.
var drawings = func() func() []*image.NRGBA {
	var all []*image.NRGBA
	return func() []*image.NRGBA {
		if all == nil {
			for _, o := range demo.Objects() {
				for k := demo.Inked; k <= demo.Ink; k++ {
					p, _ := demo.Draw(o, k)
					m := p.Image(512)
					all = append(all, imaging.Crop(m, marked(m)))
				}
			}
		}
		return all
	}
}()

// marked is the box of what is not white.
func marked(m *image.NRGBA) image.Rectangle {
	var r image.Rectangle
	for y := range m.Rect.Dy() {
		for x := range m.Rect.Dx() {
			if q := m.Pix[m.PixOffset(x, y):]; q[0] < 235 || q[1] < 235 || q[2] < 235 {
				r = r.Union(image.Rect(x, y, x+1, y+1))
			}
		}
	}
	return r
}

// made is a generated page and where its drawings are.
type made struct {
	img      *image.NRGBA
	drawings []image.Rectangle
	captions []image.Rectangle
	number   image.Rectangle
}

func face(t testing.TB, ttf []byte, size float64) font.Face {
	f, err := opentype.Parse(ttf)
	if err != nil {
		t.Fatal(err)
	}
	c, err := opentype.NewFace(f, &opentype.FaceOptions{Size: size, DPI: 72})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

var words = []string{"the old light", "crab, two pots", "low water", "mooring no. 7", "before the storm", "rope & cleat", "buoy", "harbour office", "kettle on", "gull"}

// makePage lays n drawings of different sizes on a page, gap px apart at the nearest and often no further, with captions
// and a page number on request.
func makePage(t testing.TB, rng *rand.Rand, w, h, n int, captions, number bool) made {
	p := made{img: imaging.New(w, h, color.White)}
	dc := gg.NewContextForRGBA(image.NewRGBA(image.Rect(0, 0, w, h)))
	long := float64(max(w, h))
	size := long * (0.014 + 0.006*rng.Float64())
	ttf := goregular.TTF
	if rng.IntN(2) == 0 {
		ttf = goitalic.TTF
	}
	f := face(t, ttf, size)
	dc.SetFontFace(f)
	dc.SetColor(color.RGBA{30, 30, 60, 255})
	var taken []image.Rectangle
	gap := int(long * (0.018 + 0.02*rng.Float64()))
	margin := int(0.05 * long)
	all := drawings()
	base := 0.8 * long / (1 + 1.35*float64(intSqrt(n)))
	for range n {
		src := all[rng.IntN(len(all))]
		for try := range 400 {
			side := base * (0.4 + 1.1*rng.Float64())
			if try > 200 {
				side = base * (0.3 + 0.3*rng.Float64())
			}
			k := side / float64(max(src.Rect.Dx(), src.Rect.Dy()))
			dw, dh := int(float64(src.Rect.Dx())*k), int(float64(src.Rect.Dy())*k)
			x, y := margin+rng.IntN(max(1, w-2*margin-dw)), margin+rng.IntN(max(1, h-2*margin-dh))
			if rng.IntN(3) > 0 && len(p.drawings) > 0 { // right beside one that is there
				o := taken[rng.IntN(len(taken))]
				if rng.IntN(2) == 0 {
					x, y = o.Max.X+gap, o.Min.Y+rng.IntN(max(1, o.Dy()))-dh/4
				} else {
					x, y = o.Min.X+rng.IntN(max(1, o.Dx()))-dw/4, o.Max.Y+gap
				}
			}
			r := image.Rect(x, y, x+dw, y+dh)
			whole, caption := r, ""
			var line image.Rectangle
			if captions && rng.IntN(4) > 0 {
				caption = words[rng.IntN(len(words))]
				cw, _ := dc.MeasureString(caption)
				top := r.Max.Y + int(size*(0.5+0.5*rng.Float64()))
				cx := (r.Min.X+r.Max.X)/2 - int(cw/2)
				line = image.Rect(cx, top, cx+int(cw)+1, top+int(1.25*size))
				whole = r.Union(line)
			}
			if !whole.In(image.Rect(margin, margin, w-margin, h-margin)) || overlapsAny(whole.Inset(-gap), taken) {
				continue
			}
			small := imaging.Resize(src, dw, dh, imaging.Lanczos)
			draw.Draw(p.img, r, small, image.Point{}, draw.Src)
			p.drawings = append(p.drawings, r)
			if caption != "" {
				dc.DrawString(caption, float64(line.Min.X), float64(line.Min.Y)+size)
				p.captions = append(p.captions, line)
			}
			taken = append(taken, whole)
			break
		}
	}
	if number {
		s := fmt.Sprint(1 + rng.IntN(180))
		cw, _ := dc.MeasureString(s)
		x := []float64{0.5*float64(w) - cw/2, float64(w) - 0.05*long - cw, 0.05 * long}[rng.IntN(3)]
		y := float64(h) - 0.022*long
		p.number = image.Rect(int(x), int(y-size), int(x+cw), int(y)+1)
		dc.DrawString(s, x, y)
	}
	text := dc.Image().(*image.RGBA)
	draw.Draw(p.img, p.img.Rect, text, image.Point{}, draw.Over)
	return p
}

func intSqrt(n int) int {
	k := 0
	for k*k < n {
		k++
	}
	return k
}

func overlapsAny(r image.Rectangle, list []image.Rectangle) bool {
	for _, o := range list {
		if r.Overlaps(o) {
			return true
		}
	}
	return false
}

func picture(m *image.NRGBA) *paper.Picture {
	return &paper.Picture{W: m.Rect.Dx(), H: m.Rect.Dy(), Pix: m.Pix, Name: "page", Format: "png"}
}

// iou is the area that two boxes share over the area of both.
func iou(a, b image.Rectangle) float64 {
	i := a.Intersect(b)
	s := float64(i.Dx() * i.Dy())
	return s / (float64(a.Dx()*a.Dy()+b.Dx()*b.Dy()) - s)
}

// agree counts the found boxes that are a drawing's: nine tenths of both in common.
func agree(p made, found []paper.Plate) (right int) {
	used := make([]bool, len(p.drawings))
	for _, f := range found {
		for i, d := range p.drawings {
			if !used[i] && iou(f.Marks, d) >= 0.9 {
				used[i] = true
				right++
				break
			}
		}
	}
	return right
}

// asScan makes a page look scanned: warm paper, light that falls off, the noise of a sensor.
func asScan(m *image.NRGBA, rng *rand.Rand) *image.NRGBA {
	out := imaging.Blur(m, 0.6)
	w, h := out.Rect.Dx(), out.Rect.Dy()
	for y := range h {
		for x := range w {
			light := 0.93 - 0.1*float64(x)/float64(w) - 0.05*float64(y)/float64(h)
			q := out.Pix[out.PixOffset(x, y):]
			for c, tint := range [3]float64{1, 0.985, 0.95} {
				q[c] = uint8(min(255, max(0, float64(q[c])*light*tint+1.8*rng.NormFloat64()+0.5)))
			}
		}
	}
	return out
}

// throughJPEG codes a page with loss and takes it back.
func throughJPEG(t testing.TB, m *image.NRGBA) *image.NRGBA {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 85}); err != nil {
		t.Fatal(err)
	}
	back, err := jpeg.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	return imaging.Clone(back)
}

// TestPlatesOfGeneratedPages holds the plates found on pages of 1 to 9 drawings, close together, of different sizes, with
// captions and page numbers, against where the drawings were put.
func TestPlatesOfGeneratedPages(t *testing.T) {
	dump := os.Getenv("POCHOIR_TEST_PAGES") // a folder that pages with mistakes are written to
	for _, c := range []struct {
		name  string
		pages int
		seed  uint64
		kind  paper.Kind
	}{{"digital", 54, 77, paper.Digital}, {"jpeg", 18, 78, paper.Digital}, {"scan", 27, 79, paper.Scan}} {
		t.Run(c.name, func(t *testing.T) {
			var truth, found, right, captions, gotCaptions, numbers, gotNumbers int
			for i := range c.pages {
				rng := rand.New(rand.NewPCG(uint64(i), c.seed))
				size := [][2]int{{1000, 1400}, {1400, 1000}, {700, 900}}[i%3]
				p := makePage(t, rng, size[0], size[1], 1+i%9, i%4 != 0, i%3 != 0)
				pic := picture(p.img)
				switch c.name {
				case "scan":
					pic = picture(asScan(p.img, rng))
				case "jpeg":
					pic = picture(throughJPEG(t, p.img))
					pic.Format, pic.Lossy, pic.Subsampled = "jpeg", true, true
				}
				s, err := paper.Prepare(context.Background(), pic, paper.Options{Page: true})
				if err != nil {
					t.Fatal(err)
				}
				if digital := s.Kind == paper.Digital; digital != (c.kind == paper.Digital) {
					t.Logf("page %d is taken for a %v", i, s.Kind)
				}
				pg, err := paper.FindPlates(context.Background(), s, paper.PlateOptions{})
				if err != nil {
					t.Fatal(err)
				}
				k := agree(p, pg.Plates)
				truth += len(p.drawings)
				found += len(pg.Plates)
				right += k
				captions += len(p.captions)
				gotCaptions += pg.Captions
				if !p.number.Empty() {
					numbers++
				}
				gotNumbers += pg.Numbers
				if k != len(p.drawings) || k != len(pg.Plates) {
					t.Logf("page %d: %d drawings, %d found, %d right", i, len(p.drawings), len(pg.Plates), k)
					if dump != "" {
						dumpPage(t, filepath.Join(dump, fmt.Sprintf("%s%02d.png", c.name, i)), p, pg)
					}
				}
			}
			recall, precision := float64(right)/float64(truth), float64(right)/float64(found)
			t.Logf("%d drawings, recall %.3f, precision %.3f; captions %d of %d, page numbers %d of %d", truth, recall, precision, gotCaptions, captions, gotNumbers, numbers)
			if recall < 0.98 || precision < 0.98 {
				t.Errorf("recall %.3f, precision %.3f, want 0.98 of both", recall, precision)
			}
		})
	}
}

func dumpPage(t *testing.T, path string, p made, pg *paper.Page) {
	dc := gg.NewContextForImage(p.img)
	dc.SetLineWidth(2)
	for _, d := range p.drawings {
		dc.SetRGB(0, 0.6, 0)
		dc.DrawRectangle(float64(d.Min.X), float64(d.Min.Y), float64(d.Dx()), float64(d.Dy()))
		dc.Stroke()
	}
	for i, f := range pg.Plates {
		dc.SetRGB(1, 0, 0)
		d := f.Marks
		dc.DrawRectangle(float64(d.Min.X)-4, float64(d.Min.Y)-4, float64(d.Dx())+8, float64(d.Dy())+8)
		dc.Stroke()
		dc.DrawString(fmt.Sprint(i+1), float64(d.Min.X), float64(d.Min.Y)-6)
	}
	var b bytes.Buffer
	if err := png.Encode(&b, dc.Image()); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
