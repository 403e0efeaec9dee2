package main

import (
	"fmt"
	"html"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"

	"pochoir/cmd/pochoir/internal/cli"
	"pochoir/cmd/pochoir/internal/intake"
	"pochoir/cmd/pochoir/internal/table"
)

var tableCommand = command{
	name: "table",
	args: "[PICTURE...|FOLDER]",
	doc:  "the light table: tune pictures on a local page, looking at them",
	more: "Prints the address of the page, which only this machine can reach, and serves it until\n" +
		"Ctrl-C. Settings are kept in each picture's recipe as they change.",
	examples: []string{"pochoir table harbour/ --open", "pochoir table lantern.png"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		t := &tabling{}
		return []cli.Option{
			{Name: "open", Doc: "show the page in the browser", Set: yes(&t.open)},
			{Name: "port", Arg: "N", Doc: "where to listen; default: any that is free", Set: count(&t.port, 1, 65535)},
			{Name: "max-megapixels", Arg: "N", Doc: "largest picture opened, default " + strconv.Itoa(intake.DefaultMaxMegapixels), Set: megapixels(&t.limit)},
		}, t.run
	},
}

// tabling is one run of the table command.
type tabling struct {
	open  bool
	port  int
	limit float64 // megapixels
}

func (t *tabling) run(e *env, args []string) error {
	tb, err := table.New(table.Config{Pictures: args, Port: t.port, Intake: intake.Options{MaxMegapixels: t.limit}, Title: title})
	if err != nil {
		return err
	}
	fmt.Fprintln(e.stdout, tb.Address())
	if t.open {
		forget, err := openBrowser(tb.Address())
		if err != nil {
			e.say("the browser could not be started: " + words(err))
		} else {
			defer forget()
		}
	}
	if err := tb.Serve(e.ctx); err != nil {
		return fmt.Errorf("the table cannot be served: %w", err)
	}
	return e.ctx.Err()
}

// openBrowser shows a page in the user's browser. The address is handed over in a file that only the user can read, as
// the arguments of a program are there for everybody on the machine to see. forget removes that file.
func openBrowser(address string) (forget func(), err error) {
	dir, err := os.MkdirTemp("", "pochoir-")
	if err != nil {
		return nil, err
	}
	forget = func() { os.RemoveAll(dir) }
	page := filepath.Join(dir, "table.html")
	text := "<!doctype html><meta charset=utf-8><title>pochoir</title><meta http-equiv=refresh content=\"0;url=" + html.EscapeString(address) + "\">\n"
	if err := os.WriteFile(page, []byte(text), 0o600); err != nil {
		forget()
		return nil, err
	}
	name, args := "xdg-open", []string{page}
	switch runtime.GOOS {
	case "darwin":
		name = "open"
	case "windows":
		name, args = "rundll32", []string{"url.dll,FileProtocolHandler", page}
	}
	c := exec.Command(name, args...)
	if err := c.Start(); err != nil {
		forget()
		return nil, err
	}
	go c.Wait()
	return forget, nil
}
