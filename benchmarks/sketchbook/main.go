// Command sketchbook runs the built program over many small pages and says what two jobs bring over one, and whether memory stays
// steady. The yardstick is one job on one processor (GOMAXPROCS=1). Run it from the top of the repository:
//
//	go run ./benchmarks/sketchbook -pages 1000
//
// Memory is read from /proc and runs are bound to a processor by taskset, so it needs Linux.
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
	rounds := flag.Int("rounds", 2, "timed rounds")
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
	if err := inTurn(program, folder, filepath.Join(dir, "turn"), rounds); err != nil {
		return err
	}
	for round := range rounds {
		if err := sideBySide(program, folder, filepath.Join(dir, fmt.Sprint("out-", round))); err != nil {
			return err
		}
	}

	long := filepath.Join(dir, "long")
	if err := drawPages(long, pages, 90); err != nil {
		return err
	}
	return watchMemory(program, long, filepath.Join(dir, "out-long"), pages)
}

// racer is one of two runs that go on at the same time.
type racer struct {
	*exec.Cmd
	plates int
}

// start starts a run that says on done which it is for each plate, and once more, as -1 less itself, when it ends.
func (r *racer) start(me int, done chan<- int) error {
	pipe, err := r.StdoutPipe()
	if err != nil {
		return err
	}
	if err := r.Start(); err != nil {
		return err
	}
	go func() {
		lines := bufio.NewScanner(pipe)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			if strings.HasPrefix(lines.Text(), `{"event":"plate"`) {
				done <- me
			}
		}
		done <- -1 - me
	}()
	return nil
}

// inTurn runs one job and two jobs one after the other, and gives the best times: what counts on a quiet machine with two
// processors.
func inTurn(program, pages, out string, rounds int) error {
	var best [2]time.Duration
	var cpu [2]time.Duration
	for round := range rounds {
		for i := range best {
			c := exec.Command(program, "sketchbook", pages, "-o", fmt.Sprintf("%s-%d-%d", out, round, i+1), "-q", "--jobs", strconv.Itoa(i+1))
			c.Env = append(os.Environ(), "GOMAXPROCS="+strconv.Itoa(i+1))
			began := time.Now()
			if text, err := c.CombinedOutput(); err != nil {
				return fmt.Errorf("%w: %s", err, text)
			}
			if took := time.Since(began); best[i] == 0 || took < best[i] {
				best[i] = took
				cpu[i] = c.ProcessState.UserTime() + c.ProcessState.SystemTime()
			}
		}
	}
	for i := range best {
		fmt.Printf("--jobs %d with GOMAXPROCS=%d: %.1f s, of the processors %.1f s\n", i+1, i+1, best[i].Seconds(), cpu[i].Seconds())
	}
	fmt.Printf("in turn, best of %d: %.2f times as much in the same time\n", rounds, best[0].Seconds()/best[1].Seconds())
	return nil
}

// sideBySide runs one job and two jobs at the same time on one processor, until the faster has ended, and counts what each
// got done. The system gives each thread that wants to run the same share of that processor, whatever else it does, so
// this tells on a busy machine too how well two jobs keep two threads at work.
func sideBySide(program, pages, out string) error {
	var run [2]racer
	done := make(chan int)
	for i := range run {
		run[i].Cmd = exec.Command("taskset", "-c", "0", program, "sketchbook", pages, "-o", out+"-"+strconv.Itoa(i+1), "--json", "--jobs", strconv.Itoa(i+1))
		run[i].Env = append(os.Environ(), "GOMAXPROCS="+strconv.Itoa(i+1))
	}
	for i := range run {
		if err := run[i].start(i, done); err != nil {
			return err
		}
	}
	began := time.Now()
	ended := 0
	for e := range done {
		if e < 0 {
			ended++
			i := -1 - e
			if err := run[i].Wait(); err != nil && ended == 1 {
				return err
			}
			if ended == 1 {
				fmt.Printf("side by side on one processor for %.0f s: %d plates by --jobs 2, %d by --jobs 1 with GOMAXPROCS=1: %.2f times as many\n",
					time.Since(began).Seconds(), run[1].plates, run[0].plates, float64(run[1].plates)/float64(run[0].plates))
				run[1-i].Process.Kill()
				continue
			}
			return nil
		}
		if ended == 0 {
			run[e].plates++
		}
	}
	return nil
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
