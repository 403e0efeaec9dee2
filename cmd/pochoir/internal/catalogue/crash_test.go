package catalogue

import (
	"bufio"
	"database/sql"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// The tests of this file run the test program itself as another program that writes: with writerVariable set to a name
// it adds items to the catalogue in its folder until it is killed, or the number in countVariable, and says which it has
// committed.
const (
	writerVariable = "POCHOIR_TEST_WRITER"
	countVariable  = "POCHOIR_TEST_COUNT"
)

func TestMain(m *testing.M) {
	if name := os.Getenv(writerVariable); name != "" {
		var count int
		fmt.Sscan(os.Getenv(countVariable), &count)
		if err := write(name, count); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// perCommit is how many items the writer adds at once.
const perCommit = 3

func write(name string, count int) error {
	c, err := Create(DefaultName)
	if err != nil {
		return err
	}
	for i := 0; count == 0 || i < count; i++ {
		err := c.change(func(tx *sql.Tx) error {
			for k := range perCommit {
				id, err := put(tx, &Item{Kind: Drawing, Path: fmt.Sprintf("%s/%d/%d.svg", name, i, k), Hash: strings.Repeat("0", 64),
					Title: fmt.Sprintf("%s drawing", name), Keywords: []string{"harbour", name}, Palette: []Swatch{{Name: "red", Share: 1}}, Look: &Look{1, 2, 3}})
				if err != nil {
					return err
				}
				if err := record(tx, id, Event{State: Traced}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		fmt.Printf("%d\n", i) // not buffered: said once it is committed
	}
	return c.Close()
}

// writer starts the other program.
func writer(t *testing.T, name string, count int) (*exec.Cmd, *bufio.Scanner) {
	t.Helper()
	program, err := os.Executable()
	must(t, err)
	cmd := exec.Command(program)
	cmd.Env = append(os.Environ(), writerVariable+"="+name, fmt.Sprintf("%s=%d", countVariable, count))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	return cmd, bufio.NewScanner(out)
}

// sound checks the file by SQLite's own means, the index of words too.
func sound(t *testing.T, c *Catalogue) {
	t.Helper()
	var result string
	must(t, c.db.QueryRow("PRAGMA integrity_check").Scan(&result))
	if result != "ok" {
		t.Fatal(result)
	}
	inStep(t, c)
	rows, err := list(c.db, scanString, "SELECT * FROM pragma_foreign_key_check")
	if err != nil || len(rows) > 0 {
		t.Fatal(rows, err)
	}
}

// TestKilledWritersLoseNothing kills a program while it writes, again and again. All it said it had committed must be
// there, each commit whole.
func TestKilledWritersLoseNothing(t *testing.T) {
	t.Chdir(t.TempDir())
	const kills = 25
	rng := rand.New(rand.NewPCG(12, 13))
	total := 0
	for n := range kills {
		name := fmt.Sprintf("w%d", n)
		cmd, lines := writer(t, name, 0)
		committed := -1
		after := rng.IntN(20) // commits, and then somewhere in the next
		for lines.Scan() {
			fmt.Sscan(lines.Text(), &committed)
			if committed >= after {
				break
			}
		}
		time.Sleep(time.Duration(rng.IntN(12000)) * time.Microsecond)
		must(t, cmd.Process.Kill())
		for lines.Scan() { // what it said before it died
			fmt.Sscan(lines.Text(), &committed)
		}
		cmd.Wait()
		if committed < after {
			t.Fatalf("the writer ended by itself after %d commits", committed+1)
		}
		c, err := Open(DefaultName)
		must(t, err)
		counts, err := list(c.db, scanCount, "SELECT substr(path, 1, length(path) - 6), count(*) FROM item WHERE path LIKE ? GROUP BY 1", name+"/%")
		must(t, err)
		for _, k := range counts {
			if k.N != perCommit {
				t.Fatalf("half a commit: %s has %d items", k.Name, k.N)
			}
		}
		// one more may be there: committed, but not yet said
		if len(counts) != committed+1 && len(counts) != committed+2 {
			t.Fatalf("%d commits said, %d found", committed+1, len(counts))
		}
		hits, err := c.Search(Query{Words: name, State: Traced, Limit: 1 << 20})
		must(t, err)
		if len(hits) != perCommit*len(counts) {
			t.Fatalf("%d items, %d found by word", perCommit*len(counts), len(hits))
		}
		total += len(counts)
		if n%8 == 7 || n == kills-1 {
			sound(t, c)
		}
		must(t, c.Close())
	}
	t.Logf("%d kills, %d commits", kills, total)
}

// TestTwoProgramsWrite lets several programs make and fill one catalogue at the same time while this one reads.
func TestTwoProgramsWrite(t *testing.T) {
	t.Chdir(t.TempDir())
	const programs, commits = 3, 60
	var cmds []*exec.Cmd
	var outs []*bufio.Scanner
	for n := range programs {
		cmd, out := writer(t, fmt.Sprintf("w%d", n), commits)
		cmds, outs = append(cmds, cmd), append(outs, out)
	}
	if !outs[0].Scan() {
		t.Fatal("the first writer wrote nothing")
	}
	c, err := Open(DefaultName)
	must(t, err)
	defer c.Close()
	ended := make(chan struct{})
	go func() {
		for _, o := range outs {
			for o.Scan() {
			}
		}
		close(ended)
	}()
	for done := false; !done; {
		select {
		case <-ended:
			done = true
		default:
		}
		n, err := c.Count()
		must(t, err)
		if n%perCommit != 0 {
			t.Fatalf("half a commit was seen: %d items", n)
		}
		if _, err := c.Search(Query{Words: "harbour"}); err != nil {
			t.Fatal(err)
		}
	}
	for _, cmd := range cmds {
		must(t, cmd.Wait())
	}
	if n, err := c.Count(); err != nil || n != programs*commits*perCommit {
		t.Errorf("%d items, want %d (%v)", n, programs*commits*perCommit, err)
	}
	sound(t, c)
}

// TestRolledBackChange lets a change fail half way: nothing of it is there.
func TestRolledBackChange(t *testing.T) {
	c := workshop(t)
	err := c.change(func(tx *sql.Tx) error {
		if _, err := put(tx, &Item{Kind: Drawing, Path: "x.svg", Hash: "0"}); err != nil {
			return err
		}
		return io.ErrUnexpectedEOF
	})
	if err == nil || !strings.HasPrefix(err.Error(), DefaultName+": ") {
		t.Error(err)
	}
	if n, err := c.Count(); n != 0 || err != nil {
		t.Error(n, err)
	}
}
