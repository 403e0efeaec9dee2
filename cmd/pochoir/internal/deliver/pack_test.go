package deliver

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pochoir/cmd/pochoir/internal/deliver/check"
	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/svgout"
	"pochoir/trace"
)

func source(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// small keeps previews quick to make.
func small() *check.Terms {
	var terms check.Terms
	terms.Preview.Megapixels = 0.05
	return &terms
}

func TestPack(t *testing.T) {
	got, err := Pack(source(t, "lantern.svg"), PackOptions{Terms: small(), Meta: trace.Meta{Title: "Brass lantern, lit"}})
	if err != nil {
		t.Fatal(err)
	}
	var endings []string
	for _, f := range got.Files {
		endings = append(endings, f.Format.Ending())
		if f.Format != PNG && !bytes.Contains(f.Data, []byte("Brass lantern, lit")) && f.Format != PDF {
			t.Errorf("%s: the title is not in the file", f.Format.Ending())
		}
	}
	if s := strings.Join(endings, " "); s != "svg eps pdf png jpg" {
		t.Errorf("files %s", s)
	}
	if got.Meta.Title != "Brass lantern, lit" || len(got.Meta.Keywords) != 8 || len(got.Mended) != 0 || got.Report.Refusals != 0 {
		t.Errorf("%+v", got)
	}
	// The packed SVG is the drawing as it was, but for the title.
	a, err := svgout.Read(bytes.NewReader(got.Files[0].Data))
	if err != nil {
		t.Fatal(err)
	}
	b, err := svgout.Read(bytes.NewReader(source(t, "lantern.svg")))
	if err != nil {
		t.Fatal(err)
	}
	a.Meta, b.Meta = trace.Meta{}, trace.Meta{}
	var x, y bytes.Buffer
	if err := errors.Join(svgout.Write(&x, a, svgout.Options{}), svgout.Write(&y, b, svgout.Options{})); err != nil || !bytes.Equal(x.Bytes(), y.Bytes()) {
		t.Errorf("the packed drawing differs (%v)", err)
	}
}

// TestPackMends packs a drawing with an open outline, a hidden leftover and a doubled keyword: mended unless that is
// forbidden.
func TestPackMends(t *testing.T) {
	src := bytes.Replace(source(t, "buoy.svg"), []byte("340 280L20 280Z"), []byte("340 280L20 280"), 1)
	src = bytes.Replace(src, []byte(`<g id="snow"`), []byte(`<g id="old" display="none" fill="#000"><path d="M0 0h9v9z"/></g><g id="snow"`), 1)
	words := trace.Meta{Title: "Buoy", Keywords: strings.Split("buoy,sea,red,float,harbour,water,Buoy,mark", ",")}
	got, err := Pack(src, PackOptions{Terms: small(), Meta: words, Formats: []Format{SVG, EPS}})
	if err != nil {
		t.Fatal(err)
	}
	var done []string
	for _, m := range got.Mended {
		done = append(done, m.Rule)
	}
	if s := strings.Join(done, " "); s != "open-path hidden keyword-duplicate" {
		t.Errorf("mended %s", s)
	}
	if len(got.Meta.Keywords) != 7 || got.Report.Refusals+got.Report.Warnings != 0 {
		t.Errorf("%+v %+v", got.Meta, got.Report)
	}
	sheet, err := survey.Read(bytes.NewReader(got.Files[0].Data))
	if err != nil || len(sheet.Marks) != 7 {
		t.Errorf("%d shapes packed (%v)", len(sheet.Marks), err)
	}
	var refused *RefusedError
	_, err = Pack(src, PackOptions{Terms: small(), NoMend: true})
	if !errors.As(err, &refused) || !strings.HasPrefix(err.Error(), "would be refused: open-path: ") || strings.Contains(err.Error(), "\n") {
		t.Errorf("without mending: %v", err)
	}
}

func TestPackRefuses(t *testing.T) {
	stroked := bytes.Replace(source(t, "buoy.svg"), []byte(`<g id="snow"`), []byte(`<g id="snow" stroke="#000"`), 1)
	var refused *RefusedError
	if _, err := Pack(stroked, PackOptions{Terms: small()}); !errors.As(err, &refused) || refused.Report.Counts["stroke"] != 2 {
		t.Errorf("stroked: %v", err)
	}
	if _, err := Pack([]byte("<svg"), PackOptions{}); err == nil || errors.As(err, &refused) {
		t.Errorf("broken: %v", err)
	}
	terms := small()
	terms.Words.Refused = []string{"flame"}
	if _, err := Pack(source(t, "lantern.svg"), PackOptions{Terms: terms}); !errors.As(err, &refused) {
		t.Errorf("refused word: %v", err)
	}
	if got, err := Pack(source(t, "lantern.svg"), PackOptions{Terms: terms, Anyway: true, Formats: []Format{EPS}}); err != nil || len(got.Files) != 1 {
		t.Errorf("anyway: %v", err)
	}
	terms = small()
	terms.File.MaxMegabytes = 0.002
	got, err := Pack(source(t, "buoy.svg"), PackOptions{Terms: terms, Formats: []Format{EPS}})
	if err != nil || len(got.Remarks) != 1 {
		t.Errorf("large: %v, %v", got, err)
	}
}

// TestPackTerms scales the drawing to a library's least area and takes the formats from its terms.
func TestPackTerms(t *testing.T) {
	terms := small()
	terms.Area.Min, terms.Area.Aim = 1e6, 25e6
	terms.Pack.Formats = []string{"eps", "svg"}
	got, err := Pack(source(t, "buoy.svg"), PackOptions{Terms: terms})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Files) != 2 || got.Files[0].Format != EPS || !bytes.Contains(got.Files[0].Data, []byte("%%BoundingBox: 0 0 5478 4565\n")) {
		t.Errorf("%d files: %.120s", len(got.Files), got.Files[0].Data)
	}
	d, err := svgout.Read(bytes.NewReader(got.Files[1].Data))
	if err != nil || d.Width*d.Height < 1e6 || d.Width*d.Height > 1.001e6 {
		t.Errorf("%v x %v, %v", d.Width, d.Height, err)
	}
	if _, err := Formats([]string{"eps", "wmf"}); err == nil {
		t.Error("there is a format wmf")
	}
	if _, err := Formats([]string{"eps", ".EPS"}); err == nil {
		t.Error("a format may stand twice")
	}
}
