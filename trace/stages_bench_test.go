package trace_test

import (
	"bytes"
	"context"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pochoir/svgout"
	"pochoir/trace"
	"pochoir/trace/paper"
	"pochoir/trace/proof"
)

// opaque returns a rendering as a picture.
func opaque(m *image.RGBA) *paper.Picture {
	return &paper.Picture{W: m.Rect.Dx(), H: m.Rect.Dy(), Pix: m.Pix, Name: "test", Format: "png"}
}

// harbour returns a harbour drawing (testdata/harbour/truth), size px wide, on white.
func harbour(b testing.TB, name string, size int) *paper.Picture {
	b.Helper()
	f, err := os.Open(filepath.Join("..", "testdata", "harbour", "truth", name+".svg"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	d, err := svgout.Read(f)
	if err != nil {
		b.Fatal(err)
	}
	return opaque(proof.Render(d, float64(size)/d.Width, color.White))
}

// tiles lays copies of a picture beside each other until w × h px are full.
func tiles(p *paper.Picture, w, h int) *paper.Picture {
	out := &paper.Picture{W: w, H: h, Pix: make([]uint8, 4*w*h), Name: p.Name, Format: p.Format}
	for y := range h {
		row := p.Pix[4*p.W*(y%p.H) : 4*p.W*(y%p.H+1)]
		for x := 0; x < w; x += p.W {
			copy(out.Pix[4*(y*w+x):4*(y*w+w)], row)
		}
	}
	return out
}

// under adds even noise of ± level to a picture.
func under(p *paper.Picture, level int) *paper.Picture {
	rng := rand.New(rand.NewPCG(1, 1))
	for k := range p.Pix {
		if k%4 != 3 {
			p.Pix[k] = uint8(min(255, max(0, int(p.Pix[k])+rng.IntN(2*level+1)-level)))
		}
	}
	return p
}

// stages traces pic and reports, beside the time, ms by stage and what the drawing is worth.
func stages(b *testing.B, pic *paper.Picture, opt trace.Options) {
	b.SetBytes(int64(len(pic.Pix)))
	b.ReportAllocs()
	took := map[string]time.Duration{}
	var r trace.Report
	for b.Loop() {
		res, err := trace.Trace(context.Background(), pic, opt)
		if err != nil {
			b.Fatal(err)
		}
		r = res.Report
		for _, s := range r.Stages {
			took[s.Name] += s.Took
		}
	}
	for name, d := range took {
		b.ReportMetric(float64(d.Microseconds())/1e3/float64(b.N), name+"-ms")
	}
	b.ReportMetric(float64(r.Segments), "segments")
	b.ReportMetric(r.Worst, "maxerr-px")
}

// By picture: the harbour drawings as they are delivered, 512 px wide.
func BenchmarkHarbour(b *testing.B) {
	for _, name := range []string{"boat", "crab", "gull-flat", "lantern-ink"} {
		pic := harbour(b, name, 512)
		b.Run(name, func(b *testing.B) { stages(b, pic, trace.Options{}) })
	}
}

// By size and density: one large drawing, many small ones, and many small ones under noise.
func BenchmarkTrace(b *testing.B) {
	for _, size := range []struct {
		name string
		w, h int
	}{{"1MP", 1155, 866}, {"12MP", 4000, 3000}, {"48MP", 8000, 6000}} {
		for _, density := range []struct {
			name string
			pic  func() *paper.Picture
		}{
			{"sparse", func() *paper.Picture { return tiles(harbour(b, "boat", size.h), size.w, size.h) }},
			{"dense", func() *paper.Picture { return tiles(harbour(b, "boat", 250), size.w, size.h) }},
			{"noise", func() *paper.Picture { return under(tiles(harbour(b, "boat", 250), size.w, size.h), 6) }},
		} {
			b.Run(size.name+"/"+density.name, func(b *testing.B) { stages(b, density.pic(), trace.Options{}) })
		}
	}
}

// What no drawing is: time must stay in proportion to the pixels.
func BenchmarkHostile(b *testing.B) {
	paint := func(w, h int, at func(x, y int) (r, g, b uint8)) *paper.Picture {
		p := &paper.Picture{W: w, H: h, Pix: make([]uint8, 4*w*h), Name: "test", Format: "png"}
		for y := range h {
			for x := range w {
				r, g, bl := at(x, y)
				copy(p.Pix[4*(y*w+x):], []uint8{r, g, bl, 255})
			}
		}
		return p
	}
	rng := rand.New(rand.NewPCG(2, 2))
	random := func(int, int) (uint8, uint8, uint8) {
		v := rng.Uint32()
		return uint8(v), uint8(v >> 8), uint8(v >> 16)
	}
	for _, c := range []struct {
		name string
		pic  func() *paper.Picture
	}{
		{"random/1MP", func() *paper.Picture { return paint(1000, 1000, random) }},
		{"random/4MP", func() *paper.Picture { return paint(2000, 2000, random) }},
		{"blackwhite/1MP", func() *paper.Picture { // few boundaries, but long ones
			return paint(1000, 1000, func(int, int) (uint8, uint8, uint8) { v := uint8(255 * (rng.Uint32() & 1)); return v, v, v })
		}},
		{"checkerboard/4MP", func() *paper.Picture {
			return paint(2000, 2000, func(x, y int) (uint8, uint8, uint8) { v := uint8(255 * ((x + y) & 1)); return v, v, v })
		}},
		{"strip/65000x200", func() *paper.Picture {
			return paint(65000, 200, func(x, y int) (uint8, uint8, uint8) {
				if i := x / 37; x%37 < 25 && y > 20+i%130 && y < 40+i%130 {
					return uint8(40 * (i % 5)), uint8(50 * (i % 4)), 60
				}
				return 255, 255, 255
			})
		}},
		{"colours/10000", func() *paper.Picture {
			return paint(2000, 2000, func(x, y int) (uint8, uint8, uint8) {
				k := y/20*100 + x/20
				return uint8(k * 37), uint8(k*91 + k/256), uint8(k / 40)
			})
		}},
	} {
		b.Run(c.name, func(b *testing.B) { stages(b, c.pic(), trace.Options{}) })
	}
}

// A move of the smoothness: the time of a Tracer that keeps what the move does not touch, as a multiple of decoding
// the same picture as JPEG.
func BenchmarkRetraceAgainstDecoding(b *testing.B) {
	for _, density := range []struct {
		name string
		size int
	}{{"sparse", 3000}, {"dense", 500}} {
		b.Run("12MP/"+density.name, func(b *testing.B) {
			pic := tiles(harbour(b, "boat", density.size), 4000, 3000)
			var file bytes.Buffer
			m := &image.RGBA{Pix: pic.Pix, Stride: 4 * pic.W, Rect: image.Rect(0, 0, pic.W, pic.H)}
			if err := jpeg.Encode(&file, m, &jpeg.Options{Quality: 92}); err != nil {
				b.Fatal(err)
			}
			decoding := time.Duration(math.MaxInt64)
			for range 3 {
				start := time.Now()
				if _, err := jpeg.Decode(bytes.NewReader(file.Bytes())); err != nil {
					b.Fatal(err)
				}
				decoding = min(decoding, time.Since(start))
			}
			tr := trace.NewTracer(pic)
			s := 50.0
			retrace := func() trace.Report {
				res, err := tr.Trace(context.Background(), trace.Options{Smoothness: &s})
				if err != nil {
					b.Fatal(err)
				}
				return res.Report
			}
			retrace() // the first call runs every stage
			var r trace.Report
			start := time.Now()
			for b.Loop() {
				s = 110 - s // 60 and 50 in turn
				r = retrace()
			}
			b.ReportMetric(time.Since(start).Seconds()/float64(b.N)/decoding.Seconds(), "x-decoding")
			b.ReportMetric(float64(r.Segments), "segments")
			b.ReportMetric(r.Worst, "maxerr-px")
		})
	}
}
