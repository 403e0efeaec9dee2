// Command sketchbook runs the built program over many small pages and says what two jobs bring, and whether memory stays
// steady. The yardstick is one job on one processor (GOMAXPROCS=1). Run it from the top of the repository:
//
//	go run ./benchmarks/sketchbook -pages 1000
//
// Memory is read from /proc, so that part needs Linux.
package main

import (
	"bufio"
	"encoding/json"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"

	"github.com/disintegration/imaging"
)

func main() {
	log.SetFlags(0)
	pages := flag.Int("pages", 1000, "pages of the long run")
	timed := flag.Int("timed", 60, "pages of the timed runs")
	rounds := flag.Int("rounds", 3, "timed runs of each kind; the best counts")
	flag.Parse()
	if err := measure(*pages, *timed, *rounds); err != nil {
		log.Fatal(err)
	}
}

func measure(pages, timed, rounds int) error {
	dir, err := os.MkdirTemp("", "sketchbook")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	program := filepath.Join(dir, "pochoir")
	if out, err := exec.Command("go", "build", "-o", program, "./cmd/pochoir").CombinedOutput(); err != nil {
		return fmt.Errorf("%w: %s", err, out)
	}
	fmt.Printf("# %s, %s/%s, %d processors\n", runtime.Version(), runtime.GOOS, runtime.GOARCH, runtime.NumCPU())

	folder := filepath.Join(dir, "pages")
	if err := drawPages(folder, timed, 220); err != nil {
		return err
	}
	best := map[int]time.Duration{}
	for round := range rounds {
		for _, jobs := range []int{1, 2} {
			out := filepath.Join(dir, fmt.Sprintf("out-%d-%d", round, jobs))
			c := exec.Command(program, "sketchbook", folder, "-o", out, "-q", "--jobs", strconv.Itoa(jobs))
			if jobs == 1 {
				c.Env = append(os.Environ(), "GOMAXPROCS=1")
			}
			began := time.Now()
			if text, err := c.CombinedOutput(); err != nil {
				return fmt.Errorf("%w: %s", err, text)
			}
			if took := time.Since(began); best[jobs] == 0 || took < best[jobs] {
				best[jobs] = took
			}
		}
	}
	fmt.Printf("%d pages of 4 drawings: --jobs 1 with GOMAXPROCS=1 %.1f s, --jobs 2 %.1f s, %.2f times as much in the same time (best of %d)\n",
		timed, best[1].Seconds(), best[2].Seconds(), best[1].Seconds()/best[2].Seconds(), rounds)

	long := filepath.Join(dir, "long")
	if err := drawPages(long, pages, 90); err != nil {
		return err
	}
	return watchMemory(program, long, filepath.Join(dir, "out-long"), pages)
}

// watchMemory runs over many pages and prints the memory in use after each tenth of them.
func watchMemory(program, pages, out string, n int) error {
	c := exec.Command(program, "sketchbook", pages, "-o", out, "--json", "--jobs", "2")
	c.Stderr = os.Stderr
	pipe, err := c.StdoutPipe()
	if err != nil {
		return err
	}
	began := time.Now()
	if err := c.Start(); err != nil {
		return err
	}
	lines := bufio.NewScanner(pipe)
	lines.Buffer(nil, 1<<20)
	fmt.Print("resident after each tenth of the pages, MB:")
	for lines.Scan() {
		var e struct {
			Event     string
			PagesDone int `json:"pages_done"`
		}
		if err := json.Unmarshal(lines.Bytes(), &e); err != nil {
			return err
		}
		if e.Event == "page" && e.PagesDone%max(1, n/10) == 0 {
			fmt.Printf(" %.0f", memory(c.Process.Pid, "VmRSS"))
		}
		if e.Event == "page" && e.PagesDone == n {
			fmt.Printf("; at most %.0f", memory(c.Process.Pid, "VmHWM"))
		}
	}
	if err := c.Wait(); err != nil {
		return err
	}
	fmt.Printf("\n%d pages of 4 drawings in one run: %.1f s\n", n, time.Since(began).Seconds())
	return nil
}

// memory reads a figure of a process from /proc, in MB.
func memory(pid int, what string) float64 {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(b)) {
		if rest, ok := strings.CutPrefix(line, what+":"); ok {
			kb, _ := strconv.Atoi(strings.Fields(rest)[0])
			return float64(kb) / 1024
		}
	}
	return 0
}

// drawPages lays the digital harbour pictures out four to a page, each side px long, no two pages alike.
func drawPages(folder string, n, side int) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	names, err := filepath.Glob("testdata/harbour/*.png")
	if err != nil || len(names) == 0 {
		return fmt.Errorf("testdata/harbour: no pictures: run it from the top of the repository (%v)", err)
	}
	var small []*image.NRGBA
	for _, name := range names {
		m, err := imaging.Open(name)
		if err != nil {
			return err
		}
		small = append(small, imaging.Resize(m, side, side, imaging.Box))
	}
	gap := side / 3
	for i := range n {
		page := imaging.New(2*side+3*gap, 2*side+3*gap, color.White)
		for k := range 4 {
			m := small[(i+3*k)%len(small)]
			draw.Draw(page, m.Rect.Add(image.Pt(gap+k%2*(side+gap), gap+k/2*(side+gap))), m, image.Point{}, draw.Src)
		}
		page.Set(0, 0, color.NRGBA{255 - uint8(i%9), 255 - uint8(i/9%9), 255 - uint8(i/81%16), 255})
		if err := imaging.Save(page, filepath.Join(folder, fmt.Sprintf("%04d.png", i+1))); err != nil {
			return err
		}
	}
	return nil
}
