// Package cli reads command lines: options anywhere among the arguments, "--name VALUE", "--name=VALUE", one-letter
// "-o VALUE", "--" to end them, and a suggestion for a name that is almost right. It also lays out help. It prints
// nothing and never exits. Safe to call concurrently.
package cli

import (
	"fmt"
	"strings"
)

// Option is one option of a command.
type Option struct {
	Name   string // without dashes
	Also   string // another name, "" for none; one letter is written with one dash
	Arg    string // what follows, for help: "FILE", "0..100"; "" for a switch
	Doc    string // one line
	Hidden bool   // left out of help
	// Set takes the text that follows, "" for a switch. Its error says what is wanted, without the option's name.
	Set func(text string) error
}

// UsageError says what is wrong with a command line.
type UsageError struct {
	Text string // one line, lower case
	Hint string // a command or a word that would have worked, "" for none
}

func (e *UsageError) Error() string { return e.Text }

// Usagef returns a *UsageError without a hint.
func Usagef(format string, args ...any) *UsageError {
	return &UsageError{Text: fmt.Sprintf(format, args...)}
}

// Parse sets the options in args and returns the other arguments in order. "-" alone is an argument. Errors are of
// type *UsageError.
func Parse(args []string, options []Option) (rest []string, err error) {
	for len(args) > 0 {
		arg := args[0]
		args = args[1:]
		if arg == "--" {
			return append(rest, args...), nil
		}
		if len(arg) < 2 || arg[0] != '-' {
			rest = append(rest, arg)
			continue
		}
		name, value, joined := strings.Cut(arg, "=")
		o := find(options, name)
		if o == nil {
			return nil, unknown(options, name)
		}
		switch {
		case o.Arg == "" && joined:
			return nil, Usagef("%s takes no value", name)
		case o.Arg == "":
		case !joined && len(args) == 0:
			return nil, Usagef("%s wants a value: %s %s", name, name, o.Arg)
		case !joined:
			value, args = args[0], args[1:]
		}
		if err := o.Set(value); err != nil {
			if o.Arg == "" {
				return nil, Usagef("%s: %v", name, err)
			}
			return nil, Usagef("%s %s: %v", name, value, err)
		}
	}
	return rest, nil
}

// dashed returns an option's name as it is written.
func dashed(name string) string {
	if len(name) == 1 {
		return "-" + name
	}
	return "--" + name
}

// find returns the option written as name, or nil.
func find(options []Option, name string) *Option {
	for i := range options {
		o := &options[i]
		if dashed(o.Name) == name || o.Also != "" && dashed(o.Also) == name {
			return o
		}
	}
	return nil
}

// unknown reports an option that does not exist, with the nearest one that does.
func unknown(options []Option, name string) error {
	var names []string
	for _, o := range options {
		names = append(names, dashed(o.Name))
		if o.Also != "" {
			names = append(names, dashed(o.Also))
		}
	}
	e := Usagef("there is no option %s", name)
	if near := Nearest(name, names); near != "" {
		e.Hint = "did you mean " + near + "?"
	}
	return e
}

// Nearest returns the word that name most likely means: the one fewest slips of the keyboard away, at most two and
// fewer than half its letters, or "" when none is near. A word that name begins, or that begins name, counts as one
// slip. On ties the first wins.
func Nearest(name string, words []string) string {
	best, least := "", 3
	for _, w := range words {
		d := slips(name, w)
		bare, other := strings.TrimLeft(name, "-"), strings.TrimLeft(w, "-")
		if len(bare) >= 3 && len(other) >= 3 && (strings.HasPrefix(other, bare) || strings.HasPrefix(bare, other)) {
			d = min(d, 1)
		}
		if d < least && 2*d < len(other) {
			best, least = w, d
		}
	}
	return best
}

// slips is the number of letters dropped, added, changed or swapped with their neighbour between a and b: the optimal
// string alignment distance (Damerau, "A technique for computer detection and correction of spelling errors", 1964).
func slips(a, b string) int {
	prev2, prev, cur := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(a); i++ {
		cur[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			cur[j] = min(prev[j]+1, cur[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				cur[j] = min(cur[j], prev2[j-2]+1)
			}
		}
		prev2, prev, cur = prev, cur, prev2
	}
	return prev[len(b)]
}

// Columns lays out option help: the options on the left, their words on the right, one a line.
func Columns(options []Option) string {
	var left, right []string
	for _, o := range options {
		if o.Hidden {
			continue
		}
		s := dashed(o.Name)
		if len(o.Also) == 1 {
			s = dashed(o.Also) + ", " + s
		}
		if o.Arg != "" {
			s += " " + o.Arg
		}
		left, right = append(left, s), append(right, o.Doc)
	}
	return Table(left, right)
}

// Table lays out two columns, two spaces in, one pair a line.
func Table(left, right []string) string {
	wide := 0
	for _, s := range left {
		wide = max(wide, len([]rune(s)))
	}
	var b strings.Builder
	for i, s := range left {
		fmt.Fprintf(&b, "  %s%s  %s\n", s, strings.Repeat(" ", wide-len([]rune(s))), right[i])
	}
	return b.String()
}
