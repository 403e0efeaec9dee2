// Command fidelity measures how true drawings are that are traced from open picture sets. The sets are npm packages in
// a folder given by a flag; resvg (npm @resvg/resvg-js) renders them, so that no code of ours draws the truth. Each
// picture is traced at one size and held against a rendering of the truth that is several times as large. It prints a
// table; ../README.md says how to install the packages and what the columns mean.
package main

import (
	"bufio"
	"bytes"
	"context"
	_ "embed"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"time"

	"pochoir/quantize/colour"
	"pochoir/trace"
	"pochoir/trace/paper"
	"pochoir/trace/proof"
)

// sets are the picture sets: files below the packages' folder.
var sets = []struct{ name, files string }{
	{"twemoji", "@twemoji/svg/*.svg"},
	{"openmoji", "openmoji/color/svg/*.svg"},
}

// finer is how many times larger the truth is rendered than the traced picture. proof.Compare looks for an edge 4 px
// either way, so that the truth is found up to 2 px of the traced picture away; what is further is unmatched.
const finer = 2

func main() {
	packages := flag.String("packages", "", "the node_modules `folder` that holds the picture sets and @resvg/resvg-js")
	count := flag.Int("n", 40, "pictures of each set, spread evenly over it")
	size := flag.Int("size", 512, "width of the traced picture, px")
	flag.Parse()
	if *packages == "" || *count < 1 || *size < 16 || flag.NArg() > 0 {
		flag.Usage()
		os.Exit(2)
	}
	if err := run(*packages, *count, *size); err != nil {
		fmt.Fprintln(os.Stderr, "fidelity:", err)
		os.Exit(1)
	}
}

func run(packages string, count, size int) error {
	packages, err := filepath.Abs(packages)
	if err != nil {
		return err
	}
	r, err := startRenderer(packages)
	if err != nil {
		return err
	}
	defer r.close()
	fmt.Println("set       pictures   mean    p95   worst  largest   missed  unmatched  segments  colours   time")
	for _, set := range sets {
		files, err := filepath.Glob(filepath.Join(packages, set.files))
		if err != nil {
			return err
		}
		if len(files) == 0 {
			return fmt.Errorf("%s: no pictures in %s", set.name, filepath.Join(packages, set.files))
		}
		var all []figures
		for i := range min(count, len(files)) {
			file := files[i*len(files)/min(count, len(files))]
			f, err := measure(r, file, size)
			if err != nil {
				return fmt.Errorf("%s: %w", file, err)
			}
			all = append(all, f)
		}
		print(set.name, all)
	}
	return nil
}

// figures are what one picture yields. Distances are in pixels of the traced picture.
type figures struct {
	file              string
	mean, p95, worst  float64
	missed            float64 // share of the truth's edges that have no outline near
	unmatched         float64 // share of the places along outlines that have no edge of the truth near
	segments, artists int     // artists is 0 where they cannot be counted
	colours           bool    // exactly the truth's colours came out
	time              float64 // as a multiple of decoding the picture as JPEG
}

// measure traces one file.
func measure(r *renderer, file string, size int) (figures, error) {
	f := figures{file: filepath.Base(file)}
	small, err := r.render(file, size)
	if err != nil {
		return f, err
	}
	large, err := r.render(file, size*finer)
	if err != nil {
		return f, err
	}
	pic := &paper.Picture{W: small.Rect.Dx(), H: small.Rect.Dy(), Pix: small.Pix, Name: file, Format: "png"}
	start := time.Now()
	res, err := trace.Trace(context.Background(), pic, trace.Options{})
	if err != nil {
		return f, err
	}
	took := time.Since(start)
	decoding, err := decodingTime(small)
	if err != nil {
		return f, err
	}
	f.time = took.Seconds() / decoding.Seconds()
	p, err := proof.Compare(res.Drawing, large.Pix, large.Rect.Dx(), large.Rect.Dy())
	if err != nil {
		return f, err
	}
	f.mean, f.p95, f.worst = p.Deviation.Mean/finer, p.Deviation.P95/finer, p.Deviation.Worst/finer
	f.missed = p.Missed.Share
	f.unmatched = float64(p.Deviation.Unmatched) / float64(max(1, p.Deviation.Measured+p.Deviation.Unmatched))
	f.colours = sameColours(res.Drawing, large)
	f.segments = res.Report.Segments
	src, err := os.ReadFile(file)
	if err != nil {
		return f, err
	}
	f.artists, err = artistSegments(src)
	return f, err
}

// decodingTime returns the shortest of five decodings of a picture as JPEG of quality 92.
func decodingTime(m image.Image) (time.Duration, error) {
	var file bytes.Buffer
	if err := jpeg.Encode(&file, m, &jpeg.Options{Quality: 92}); err != nil {
		return 0, err
	}
	best := time.Duration(0)
	for i := range 5 {
		start := time.Now()
		if _, err := jpeg.Decode(bytes.NewReader(file.Bytes())); err != nil {
			return 0, err
		}
		if d := time.Since(start); i == 0 || d < best {
			best = d
		}
	}
	return best, nil
}

// sameColours reports whether the layers have the colours that the truth shows in flat areas, white aside: it may be
// paper or paint.
func sameColours(d *trace.Drawing, truth *image.RGBA) bool {
	// Pixels like their four neighbours; a colour must show on 1/5000 of the picture.
	w, h := truth.Rect.Dx(), truth.Rect.Dy()
	pixel := func(x, y int) colour.RGB {
		p := truth.Pix[4*(y*w+x):]
		return colour.RGB{R: p[0], G: p[1], B: p[2]}
	}
	flat := map[colour.RGB]int{}
	for y := 1; y < h-1; y++ {
		for x := 1; x < w-1; x++ {
			if c := pixel(x, y); c == pixel(x-1, y) && c == pixel(x+1, y) && c == pixel(x, y-1) && c == pixel(x, y+1) {
				flat[c]++
			}
		}
	}
	white := colour.RGB{R: 255, G: 255, B: 255}
	want := map[colour.RGB]bool{}
	for c, n := range flat {
		if n >= w*h/5000 && c != white {
			want[c] = true
		}
	}
	for _, l := range d.Layers {
		if l.Colour == white {
			continue
		}
		if flat[l.Colour] == 0 {
			return false // invented
		}
		delete(want, l.Colour)
	}
	return len(want) == 0
}

// print prints the row of a set: medians over its pictures; but the largest of all distances, the mean shares of what
// is missed and unmatched, and the ratio of segments over the pictures whose own can be counted. A second line names
// the three worst pictures.
func print(name string, all []figures) {
	missed, unmatched := 0.0, 0.0
	for _, f := range all {
		missed += 100 * f.missed / float64(len(all))
		unmatched += 100 * f.unmatched / float64(len(all))
	}
	median := func(value func(f figures) float64) float64 {
		v := make([]float64, len(all))
		for i := range all {
			v[i] = value(all[i])
		}
		slices.Sort(v)
		return v[len(v)/2]
	}
	right, drawn, own, counted := 0, 0, 0, 0
	for _, f := range all {
		if f.colours {
			right++
		}
		if f.artists > 0 {
			drawn, own, counted = drawn+f.segments, own+f.artists, counted+1
		}
	}
	slices.SortFunc(all, func(a, b figures) int { return int(1e6*b.worst) - int(1e6*a.worst) })
	ratio := "       -"
	if own > 0 {
		ratio = fmt.Sprintf("%8.2f", float64(drawn)/float64(own))
	}
	fmt.Printf("%-9s %8d %6.3f %6.3f %7.2f %8.2f %6.2f%% %9.2f%%  %s %7.0f%% %6.1f\n", name, len(all),
		median(func(f figures) float64 { return f.mean }), median(func(f figures) float64 { return f.p95 }),
		median(func(f figures) float64 { return f.worst }), all[0].worst, missed, unmatched,
		ratio, 100*float64(right)/float64(len(all)), median(func(f figures) float64 { return f.time }))
	fmt.Printf("          segments counted in %d;", counted)
	for _, f := range all[:min(3, len(all))] {
		fmt.Printf(" %s %.2f px", f.file, f.worst)
	}
	fmt.Println()
}

//go:embed render.js
var script string

// renderer is resvg, waiting for files.
type renderer struct {
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Reader
}

func startRenderer(packages string) (*renderer, error) {
	cmd := exec.Command("node", "-e", script, packages)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	return &renderer{cmd, in, bufio.NewReader(out)}, nil
}

// close ends the renderer; its words on the way out are on standard error.
func (r *renderer) close() {
	r.in.Close()
	_ = r.cmd.Wait()
}

// render renders a file on white, width px wide.
func (r *renderer) render(file string, width int) (*image.RGBA, error) {
	if err := json.NewEncoder(r.in).Encode([]any{file, width}); err != nil {
		return nil, err
	}
	var size [2]uint32
	if err := binary.Read(r.out, binary.LittleEndian, &size); err != nil {
		return nil, fmt.Errorf("no answer from the renderer: %w", err)
	}
	if size[0] == 0 {
		return nil, errors.New("the renderer cannot render it")
	}
	m := image.NewRGBA(image.Rect(0, 0, int(size[0]), int(size[1])))
	_, err := io.ReadFull(r.out, m.Pix)
	return m, err
}
