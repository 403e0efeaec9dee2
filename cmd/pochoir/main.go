// Command pochoir turns pictures of drawings into clean, layered vector files. "pochoir help" says how.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"

	"golang.org/x/term"

	"pochoir/cmd/pochoir/internal/catalogue"
	"pochoir/cmd/pochoir/internal/cli"
	_ "pochoir/cmd/pochoir/internal/early"
	"pochoir/cmd/pochoir/internal/intake"
)

// Exit codes. Scripts should treat codes not listed here as failure.
const (
	exitDone        = 0
	exitFailed      = 1   // nothing was made
	exitUsage       = 2   // the command line makes no sense
	exitSomeFailed  = 3   // some of many files failed
	exitInterrupted = 130 // stopped by Ctrl-C
)

// env is what a command has to do with the outside.
type env struct {
	ctx            context.Context
	stdin          io.Reader
	stdout, stderr io.Writer
	live           bool // stderr is a terminal that can take a line back
}

// command is one thing the program does.
type command struct {
	name     string
	args     string // what follows, for help
	doc      string // one line
	more     string // a few lines for its own help, "" for none
	examples []string
	// prepare returns the options and what runs once they are set; nil for a command that only holds actions.
	prepare func() ([]cli.Option, func(e *env, args []string) error)
	actions func() []command // what a second word may say, nil for none; their names hold both words
	watched bool             // it holds its memory to a limit by itself (see watchMemory)
}

// commands lists all, in the order of the help.
func commands() []command {
	return []command{traceCommand, tableCommand, proofCommand, paletteCommand, recolourCommand, exportCommand, checkCommand, packCommand, sketchbookCommand,
		catalogueCommand, demoCommand, versionCommand}
}

// garbage is how much of what is in use may pile up unused, in per cent, where the user does not say (GOGC). Bitmaps
// make up nearly all of the memory and hold no pointers, so collecting early costs next to nothing: on a picture of 12
// megapixels the usual 100 takes half as much memory again and saves no time.
const garbage = 30

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	go func() {
		<-ctx.Done()
		stop() // a second Ctrl-C ends the program at once
	}()
	e := &env{ctx: ctx, stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr,
		live: term.IsTerminal(int(os.Stderr.Fd())) && os.Getenv("TERM") != "dumb"}
	os.Exit(run(e, os.Args[1:]))
}

// run carries out a command line and returns the exit code.
func run(e *env, args []string) int {
	if len(args) == 0 {
		fmt.Fprint(e.stderr, overview())
		return exitUsage
	}
	name, rest := args[0], args[1:]
	switch name {
	case "help", "--help", "-h":
		return help(e, rest)
	case "--version":
		name = "version"
	}
	c := find(name)
	if c == nil {
		return e.fail(noCommand(name))
	}
	if c.actions != nil {
		if len(rest) == 0 {
			fmt.Fprint(e.stderr, c.help())
			return exitUsage
		}
		if rest[0] == "help" || rest[0] == "--help" || rest[0] == "-h" {
			return help(e, append([]string{name}, rest[1:]...))
		}
		a := c.action(rest[0])
		if a == nil {
			return e.fail(c.noAction(rest[0]))
		}
		c, name, rest = a, a.name, rest[1:]
	}
	for _, a := range rest {
		if a == "--" {
			break
		}
		if a == "--help" || a == "-h" {
			return help(e, strings.Fields(name))
		}
	}
	if !c.watched && os.Getenv("GOGC") == "" {
		debug.SetGCPercent(garbage)
	}
	options, do := c.prepare()
	words, err := cli.Parse(rest, options)
	if err == nil {
		err = do(e, words)
	}
	var usage *cli.UsageError
	if errors.As(err, &usage) && usage.Hint == "" {
		usage.Hint = "pochoir " + name + " --help lists what there is"
	}
	return e.fail(err)
}

// find returns the command of that name, or nil.
func find(name string) *command {
	for _, c := range commands() {
		if c.name == name {
			return &c
		}
	}
	return nil
}

// action returns what the second word of a command means, or nil.
func (c *command) action(word string) *command {
	for _, a := range c.actions() {
		if a.name == c.name+" "+word {
			return &a
		}
	}
	return nil
}

// noAction reports a second word that says nothing to do.
func (c *command) noAction(word string) error {
	var words []string
	for _, a := range c.actions() {
		words = append(words, strings.TrimPrefix(a.name, c.name+" "))
	}
	e := cli.Usagef("%s cannot %s", c.name, word)
	e.Hint = "pochoir " + c.name + " help lists what it can"
	if near := cli.Nearest(word, words); near != "" {
		e.Hint = "did you mean pochoir " + c.name + " " + near + "?"
	}
	return e
}

// noCommand reports a first word that is no command.
func noCommand(name string) error {
	var names []string
	for _, c := range commands() {
		names = append(names, c.name)
	}
	e := cli.Usagef("there is no command %s", name)
	e.Hint = "pochoir help lists the commands"
	if near := cli.Nearest(name, append(names, "help")); near != "" {
		e.Hint = "did you mean " + near + "?"
	} else if _, err := os.Stat(name); err == nil {
		e.Hint = "pochoir trace " + name
	}
	return e
}

// someFailed says that of many files some could not be done; each was told of already.
type someFailed struct{ failed, all int }

func (e someFailed) Error() string { return fmt.Sprintf("%d of %d failed", e.failed, e.all) }

// errTold is a failure of which the user has been told already.
var errTold = errors.New("failed")

// fail tells the user of err and returns the exit code for it.
func (e *env) fail(err error) int {
	var usage *cli.UsageError
	var some someFailed
	switch {
	case err == nil:
		return exitDone
	case e.ctx.Err() != nil:
		e.say("stopped")
		return exitInterrupted
	case errors.Is(err, errTold):
		return exitFailed
	case errors.As(err, &some):
		e.say(err.Error())
		return exitSomeFailed
	case errors.As(err, &usage):
		e.tell(err)
		return exitUsage
	}
	e.tell(err)
	return exitFailed
}

// say writes one line of words to the user.
func (e *env) say(text string) { fmt.Fprintf(e.stderr, "pochoir: %s\n", text) }

// tell reports an error and, where it knows of one, a way out.
func (e *env) tell(err error) {
	e.say(words(err))
	if h := hint(err); h != "" {
		e.say("hint: " + h)
	}
}

// words is an error's text on one line, without the name of the package that made it.
func words(err error) string {
	text := strings.TrimSpace(err.Error())
	for _, pkg := range []string{"trace: ", "svgout: ", "quantize: ", "paper: ", "fit: ", "proof: "} {
		text = strings.ReplaceAll(text, pkg, "")
	}
	return strings.ReplaceAll(text, "\n", "; ")
}

// hint returns what an error proposes, "" for nothing.
func hint(err error) string {
	var usage *cli.UsageError
	var open *intake.Error
	var asked *catalogue.Error
	var h hinted
	switch {
	case errors.As(err, &h):
		return h.hint
	case errors.As(err, &usage):
		return usage.Hint
	case errors.As(err, &open):
		return open.Hint
	case errors.As(err, &asked):
		return asked.Hint
	}
	return ""
}
