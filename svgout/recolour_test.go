package svgout

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"

	"pochoir/quantize"
	"pochoir/quantize/colour"
)

func TestRecolour(t *testing.T) {
	src := []byte(write(t, buoy(), Options{}))
	before := bytes.Clone(src)
	navy, gold := colour.RGB{B: 0x80}, colour.RGB{R: 0xff, G: 0xd7}
	way := []quantize.Swatch{{Name: "gold", Colour: gold}, {Name: "teal", Colour: navy}, {Name: "ink", Colour: ink}, {Name: "gold", Colour: gold}}
	out, report, err := Recolour(src, way)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(src, before) {
		t.Error("the source was changed")
	}
	if want := strings.Replace(string(src), `fill="#1a8c8c"`, `fill="#000080"`, 1); string(out) != want {
		t.Errorf("got\n%s\nwant\n%s", out, want)
	}
	want := Recolouring{
		Exchanged: []Exchange{{"teal", teal, navy}, {"ink", ink, ink}},
		Kept:      []string{"firebrick"},
		Unmatched: []string{"gold"},
	}
	if !reflect.DeepEqual(report, want) {
		t.Errorf("got %+v, want %+v", report, want)
	}
	again, report, err := Recolour(out, way)
	if err != nil || !bytes.Equal(again, out) || report.Exchanged[0].From != navy {
		t.Errorf("the second time: %v, %+v\n%s", err, report, again)
	}

	out, report, err = Recolour(src, []quantize.Swatch{{Name: "ink", Colour: red}, {Name: "firebrick", Colour: red}})
	if err != nil || !reflect.DeepEqual(report.Shared, [][]string{{"firebrick", "ink"}}) {
		t.Errorf("two layers of one colour: %v, %+v", err, report)
	}
	if d := parse(t, string(out)); len(d.Layers) != 3 || d.Layers[2].Colour != red {
		t.Errorf("got %+v", d.Layers)
	}
	if _, _, err := Recolour(src, []quantize.Swatch{{Name: "ink", Colour: red}, {Name: "ink", Colour: teal}}); err == nil {
		t.Error("a swatch of two colours is taken")
	}
}

// TestRecolourForeignSpelling leaves every other byte alone, however the tag is written.
func TestRecolourForeignSpelling(t *testing.T) {
	navy := []quantize.Swatch{{Name: "a", Colour: colour.RGB{B: 0x80}}}
	doc := func(tag string) string {
		return "\ufeff<?xml version='1.0'?>\r\n<!-- fill='red' --><s:svg xmlns:s='" + svgSpace + "' xmlns:e='urn:e' viewBox='0 0 9 9'>\r\n" + tag +
			"<s:path id='fill' d='M0 0H9V9z'/></s:g></s:svg>\r\n"
	}
	for tag, want := range map[string]string{
		`<s:g e:fill="red" id='a'` + "\n\tfill = 'RED' >": `<s:g e:fill="red" id='a'` + "\n\tfill = '#000080' >",
		`<s:g fill="&#35;f00" e:x="fill='red'" id="a">`:   `<s:g fill="#000080" e:x="fill='red'" id="a">`,
		`<s:g fill="rgb(0,0,128)" id="a">`:                `<s:g fill="rgb(0,0,128)" id="a">`, // that colour already
	} {
		out, _, err := Recolour([]byte(doc(tag)), navy)
		if err != nil {
			t.Errorf("%s: %v", tag, err)
		} else if string(out) != doc(want) {
			t.Errorf("%s: got %s", tag, out)
		}
	}
	for _, tag := range []string{`<s:g id="a" style="fill:red">`, `<s:g id="a">`, `<s:g id="a" fill="red" style="fill:lime">`} {
		if _, _, err := Recolour([]byte(doc(tag)), navy); !errors.Is(err, ErrForeign) {
			t.Errorf("%s: got %v", tag, err)
		}
	}
	if _, _, err := Recolour([]byte("boo"), navy); err == nil {
		t.Error("boo is recoloured")
	}
}

func FuzzRecolour(f *testing.F) {
	f.Add([]byte(head+`<g id="a" fill="red"><path d="M0 0H9V9z"/></g><g fill='#00f' id='b'><path d="M0 0H9V9z"/></g></svg>`), uint8(1), uint8(2), uint8(3))
	f.Fuzz(func(t *testing.T, src []byte, r, g, b uint8) {
		way := []quantize.Swatch{{Name: "a", Colour: colour.RGB{R: r, G: g, B: b}}, {Name: "ink", Colour: colour.RGB{R: b}}}
		out, _, err := Recolour(src, way)
		if err != nil {
			return
		}
		again, report, err := Recolour(out, way)
		if err != nil || !bytes.Equal(out, again) {
			t.Fatalf("not the same twice: %v\n%s\n%s", err, out, again)
		}
		for _, x := range report.Exchanged {
			if x.From != x.To {
				t.Fatalf("layer %s still had %s", x.Layer, x.From.Hex())
			}
		}
	})
}
