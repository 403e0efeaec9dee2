package check

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"testing"

	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/svgout"
)

// load surveys a file of testdata.
func load(t *testing.T, name string) *survey.Sheet {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	s, err := survey.Read(bytes.NewReader(b))
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return s
}

// termsFor returns the terms a rule is tested under. Most test files carry no metadata, so that the rules on it are
// switched off where they are not what is tested.
func termsFor(t *testing.T, rule string) *Terms {
	t.Helper()
	terms := &Terms{}
	if f, err := os.Open(filepath.Join("testdata", rule+".toml")); err == nil {
		defer f.Close()
		if terms, err = ReadTerms(f, rule+".toml"); err != nil {
			t.Fatal(err)
		}
	}
	terms.Rules = map[string]Severity{}
	for _, id := range []string{"title-missing", "keyword-count"} {
		if id != rule {
			terms.Rules[id] = Off
		}
	}
	return terms
}

func broken(r *Report) string {
	var ids []string
	for id := range r.Counts {
		ids = append(ids, id)
	}
	sort.Strings(ids)
	return strings.Join(ids, " ")
}

// alsoBroken lists what the failing file of a rule breaks besides, because one cannot be had without the other.
var alsoBroken = map[string]string{
	"external": "external instance",
}

// TestRules has a passing and a failing file for every rule: the one breaks no rule at all, except notes on what it is
// meant to show, the other that rule only.
func TestRules(t *testing.T) {
	for _, rule := range Rules {
		terms := termsFor(t, rule.ID)
		if got := Check(load(t, rule.ID+"-pass.svg"), terms); got.Counts[rule.ID] != 0 || got.Refusals != 0 {
			t.Errorf("%s-pass.svg: breaks %s: %+v", rule.ID, broken(got), got.Findings)
		}
		got := Check(load(t, rule.ID+"-fail.svg"), terms)
		want := rule.ID
		if also := alsoBroken[rule.ID]; also != "" {
			want = also
		}
		if broken(got) != want {
			t.Errorf("%s-fail.svg: breaks %q, want %q: %+v", rule.ID, broken(got), want, got.Findings)
		}
		for _, f := range got.Findings {
			if f.Text == "" || strings.Contains(f.Text, "\n") || f.Severity != rule.Severity && f.Rule == rule.ID {
				t.Errorf("%s-fail.svg: finding %+v", rule.ID, f)
			}
		}
	}
}

// TestMend mends the failing file of every rule that can be mended: the rule is kept afterwards, and no other broken.
// Files that need a person are left alone with an error that says so.
func TestMend(t *testing.T) {
	for _, rule := range Rules {
		terms := termsFor(t, rule.ID)
		sheet := load(t, rule.ID+"-fail.svg")
		d, done, err := Mend(sheet, terms)
		person := false
		for _, id := range hands {
			person = person || id == rule.ID
		}
		if person {
			if !errors.Is(err, ErrReadOnly) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%s: error %v, want one of kind ErrReadOnly", rule.ID, err)
			}
			continue
		}
		if rule.ID == "external" {
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", rule.ID, err)
			continue
		}
		after, err := OfDrawing(d, terms)
		if err != nil {
			t.Errorf("%s: %v", rule.ID, err)
			continue
		}
		if rule.Mend == "" {
			continue
		}
		if broken(after) != "" {
			t.Errorf("%s: the mended drawing breaks %s: %+v", rule.ID, broken(after), after.Findings)
		}
		told := false
		for _, m := range done {
			told = told || m.Rule == rule.ID && m.Count > 0
		}
		if !told {
			t.Errorf("%s: mended without a word: %v", rule.ID, done)
		}
	}
}

// TestMendLeavesGoodFilesAlone mends files that break nothing: what comes out is what svgout reads from them.
func TestMendLeavesGoodFilesAlone(t *testing.T) {
	for _, name := range []string{"stroke-pass.svg", "zero-area-pass.svg", "clipped-pass.svg", "excess-points-pass.svg"} {
		sheet := load(t, name)
		d, done, err := Mend(sheet, termsFor(t, ""))
		if err != nil || len(done) > 0 {
			t.Errorf("%s: mended %v, %v", name, done, err)
			continue
		}
		b, err := os.ReadFile(filepath.Join("testdata", name))
		if err != nil {
			t.Fatal(err)
		}
		want, err := svgout.Read(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		want.Meta = d.Meta
		var x, y bytes.Buffer
		if err := errors.Join(svgout.Write(&x, d, svgout.Options{}), svgout.Write(&y, want, svgout.Options{})); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(x.Bytes(), y.Bytes()) {
			t.Errorf("%s: mending changed it:\n%s\nwant\n%s", name, x.String(), y.String())
		}
	}
}
