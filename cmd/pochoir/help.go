package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
	"strings"

	"pochoir/cmd/pochoir/internal/cli"
)

// version is what "pochoir version" says.
const version = "0.1.0"

var versionCommand = command{
	name:     "version",
	doc:      "say which pochoir this is",
	examples: []string{"pochoir version"},
	prepare: func() ([]cli.Option, func(*env, []string) error) {
		return nil, func(e *env, args []string) error {
			if len(args) > 0 {
				return cli.Usagef("version takes no arguments")
			}
			fmt.Fprintf(e.stdout, "pochoir %s%s (%s %s/%s)\n", version, revision(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return nil
		}
	},
}

// revision is the commit the program was built from, with a blank before it, or "".
func revision() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return ""
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return " " + s.Value[:12]
		}
	}
	return ""
}

// overview is the help of the whole program.
func overview() string {
	var left, right []string
	for _, c := range commands() {
		left, right = append(left, c.name), append(right, c.doc)
	}
	return `pochoir turns pictures of drawings into clean, layered vector files.

usage: pochoir COMMAND [OPTION]... [FILE]...

` + cli.Table(left, right) + `
pochoir COMMAND --help says more. "-" stands for standard input or output.

exit codes: 0 done, 1 failed, 2 the command line makes no sense,
  3 some of many files failed, 130 stopped by Ctrl-C; treat others as failure

examples:
  pochoir trace lantern.png
  pochoir trace page.jpg -o page.svg --smoothness 70
`
}

// help prints the help of the whole program or of one command.
func help(e *env, args []string) int {
	if len(args) == 0 {
		fmt.Fprint(e.stdout, overview())
		return exitDone
	}
	c := find(args[0])
	if c == nil {
		return e.fail(noCommand(args[0]))
	}
	if len(args) > 1 && c.actions != nil {
		a := c.action(args[1])
		if a == nil {
			return e.fail(c.noAction(args[1]))
		}
		c = a
	}
	fmt.Fprint(e.stdout, c.help())
	return exitDone
}

// help is the help of one command.
func (c *command) help() string {
	var b strings.Builder
	var options []cli.Option
	if c.prepare != nil {
		options, _ = c.prepare()
	}
	usage := "pochoir " + c.name
	if len(options) > 0 {
		usage += " [OPTION]..."
	}
	if c.args != "" {
		usage += " " + c.args
	}
	fmt.Fprintf(&b, "%s: %s\n\nusage: %s\n", c.name, c.doc, usage)
	if c.more != "" {
		fmt.Fprintf(&b, "\n%s\n", c.more)
	}
	if len(options) > 0 {
		fmt.Fprintf(&b, "\n%s", cli.Columns(options))
	}
	if c.actions != nil {
		var left, right []string
		for _, a := range c.actions() {
			left, right = append(left, strings.TrimPrefix(a.name, c.name+" ")), append(right, a.doc)
		}
		fmt.Fprintf(&b, "\n%s\npochoir %s ACTION --help says more.\n", cli.Table(left, right), c.name)
	}
	b.WriteString("\nexamples:\n")
	for _, x := range c.examples {
		fmt.Fprintf(&b, "  %s\n", x)
	}
	return b.String()
}
