package cli

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

func TestParse(t *testing.T) {
	for _, c := range []struct {
		line string
		out  string // what was set and what is left, or the error and its hint
	}{
		{"trace a.png", "[trace a.png]"},
		{"a.png -o b.svg c.png", "out=b.svg [a.png c.png]"},
		{"--out=b.svg -", "out=b.svg [-]"},
		{"--out b=c.svg", "out=b=c.svg []"},
		{"--out= a", "out= [a]"},
		{"-q -- -o --out", "quiet [-o --out]"},
		{"--quiet=yes", "! --quiet takes no value"},
		{"a --out", "! --out wants a value: --out FILE"},
		{"--otu x", "! there is no option --otu | did you mean --out?"},
		{"--colour 3", "! there is no option --colour | did you mean --colours?"},
		{"--colors 3", "colours=3 []"},
		{"--smothness 3", "! there is no option --smothness"}, // nothing near
		{"--colours x", "! --colours x: want a number"},
		{"-x", "! there is no option -x"},
		{"", "[]"},
	} {
		var got []string
		set := func(name string) func(string) error {
			return func(v string) error {
				if name == "quiet" {
					got = append(got, name)
					return nil
				}
				if v == "x" && name == "colours" {
					return errors.New("want a number")
				}
				got = append(got, name+"="+v)
				return nil
			}
		}
		rest, err := Parse(strings.Fields(c.line), []Option{
			{Name: "out", Also: "o", Arg: "FILE", Set: set("out")},
			{Name: "quiet", Also: "q", Set: set("quiet")},
			{Name: "colours", Also: "colors", Arg: "N", Set: set("colours")},
		})
		s := strings.TrimSpace(strings.Join(got, " ") + " " + fmt.Sprint(rest))
		var usage *UsageError
		if errors.As(err, &usage) {
			s = "! " + usage.Text
			if usage.Hint != "" {
				s += " | " + usage.Hint
			}
		}
		if s != c.out {
			t.Errorf("%q: %s, want %s", c.line, s, c.out)
		}
	}
}

func TestSlips(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{
		{"", "", 0}, {"", "ab", 2}, {"lantern", "lantern", 0}, {"latnern", "lantern", 1}, {"lantrn", "lantern", 1},
		{"lanternn", "lantern", 1}, {"kitten", "sitting", 3},
		{"ca", "abc", 3}, // the alignment never edits a swapped pair again; the unrestricted distance is 2
	} {
		if got := slips(c.a, c.b); got != c.want || slips(c.b, c.a) != c.want {
			t.Errorf("%q, %q: %d and %d, want %d", c.a, c.b, got, slips(c.b, c.a), c.want)
		}
	}
}

func TestColumns(t *testing.T) {
	got := Columns([]Option{{Name: "out", Also: "o", Arg: "FILE", Doc: "where to"}, {Name: "colours", Also: "colors", Arg: "N", Doc: "how many"}, {Name: "x", Hidden: true}})
	want := "  -o, --out FILE  where to\n  --colours N     how many\n"
	if got != want {
		t.Errorf("got\n%swant\n%s", got, want)
	}
}
