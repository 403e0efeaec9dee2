package csvtext

import (
	"encoding/binary"
	"reflect"
	"strings"
	"testing"
	"unicode/utf16"
)

func TestReaderOpensWhatSpreadsheetsWrite(t *testing.T) {
	want := [][]string{{"file", "title"}, {"boat.svg", "港, \"old\" סירה\nclef 𝄞"}}
	text := func(sep, end string) string {
		return "file" + sep + "title" + end + "boat.svg" + sep + "\"港, \"\"old\"\" סירה\nclef 𝄞\"" + end
	}
	wide := func(s string, order binary.ByteOrder) string {
		b := []byte{0, 0}
		order.PutUint16(b, 0xfeff)
		for _, u := range utf16.Encode([]rune(s)) {
			c := []byte{0, 0}
			order.PutUint16(c, u)
			b = append(b, c...)
		}
		return string(b)
	}
	for name, in := range map[string]string{
		"plain":               text(",", "\n"),
		"line ends":           text(",", "\r\n"),
		"byte order mark":     "\ufeff" + text(",", "\n"),
		"semicolons":          "\ufeff" + text(";", "\r\n"),
		"tabs, little endian": wide(text("\t", "\r\n"), binary.LittleEndian),
		"big endian":          wide(text(",", "\n"), binary.BigEndian),
	} {
		got, err := NewReader(strings.NewReader(in), 1<<20).ReadAll()
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %q, %v", name, got, err)
		}
	}
	long := text(",", "\n")
	for extra := range 2 {
		_, err := NewReader(strings.NewReader(long), int64(len(long)-extra)).ReadAll()
		if (err != nil) != (extra > 0) {
			t.Errorf("%d bytes too long: %v", extra, err)
		}
	}
}
