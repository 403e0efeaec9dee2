package deliver

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"pochoir/trace"
)

// hardMeta is metadata of the kinds that go wrong.
var hardMeta = map[string]trace.Meta{
	"plain": {Title: "Red buoy", Description: "A buoy.", Creator: "Harbour Press", Rights: "(c) Harbour Press",
		Keywords: []string{"buoy", "sea", "red"}},
	"marks": {Title: `The "Gull" & <Kettle>, 'quoted' ]]> \(x\) 100 %`, Description: "first line\nsecond line\n\n\ttabbed & \"quoted\"",
		Creator: `Ann "Rope" O'Cleat`, Rights: `© Harbour Press; all rights <reserved>`,
		Keywords: []string{`"quoted"`, "salt & vinegar", "a<b", "crab pot", "'tis", `back\slash`, "(bracket", "100%"}},
	"hebrew": {Title: "מגדלור בנמל", Description: "ציור של מגדלור, English inside, ואז שוב", Creator: "בית הדפוס",
		Rights: "כל הזכויות שמורות", Keywords: []string{"מגדלור", "נמל", "ים"}},
	"arabic": {Title: "منارة الميناء", Keywords: []string{"منارة", "بحر"}},
	"cjk": {Title: "港の灯台と船", Description: "红色浮标，平静的海面。", Creator: "港町印刷", Rights: "無断転載を禁ず",
		Keywords: []string{"灯台", "浮标", "등대"}},
	"emoji": {Title: "Buoy 🛟 afloat", Keywords: []string{"𝄞 sea song"}},
	"long": {Title: strings.Repeat("A very long title with 東京 ", 400), Description: strings.Repeat("words and more words. ", 900),
		Keywords: []string{strings.Repeat("long", 40)}},
}

// TestReadBack has exiftool read the metadata of every format.
func TestReadBack(t *testing.T) {
	exiftool := tool(t, "exiftool", "libimage-exiftool-perl")
	d := drawings(t)["buoy"]
	for name, m := range hardMeta {
		d.Meta = m
		for _, f := range []Format{SVG, EPS, PDF, PNG, JPEG} {
			path := save(t, name+"."+f.Ending(), export(t, d, f, Options{Megapixels: 0.02}))
			var got []map[string]any
			out := run(t, exiftool, "-json", "-G1", "-charset", "UTF8", "-struct", "-api", "LargeFileSupport=1", path)
			if err := json.Unmarshal([]byte(out), &got); err != nil || len(got) != 1 {
				t.Fatalf("%s: %v in %.200s", filepath.Base(path), err, out)
			}
			for tag := range got[0] {
				if strings.HasSuffix(tag, ":Warning") || strings.HasSuffix(tag, ":Error") {
					t.Errorf("%s: %s: %v", filepath.Base(path), tag, got[0][tag])
				}
			}
			text := func(tag string) string {
				switch v := got[0][tag].(type) {
				case string:
					return v
				case []any:
					var list []string
					for _, x := range v {
						list = append(list, asText(x))
					}
					return strings.Join(list, "|")
				default:
					return asText(v)
				}
			}
			m.Title, m.Description = strings.TrimSpace(m.Title), strings.TrimSpace(m.Description)
			for tag, want := range map[string]string{"XMP-dc:Title": m.Title, "XMP-dc:Description": m.Description,
				"XMP-dc:Creator": m.Creator, "XMP-dc:Rights": m.Rights, "XMP-dc:Subject": strings.Join(m.Keywords, "|")} {
				if got := text(tag); got != want {
					t.Errorf("%s: %s reads %.80q, want %.80q", filepath.Base(path), tag, got, want)
				}
			}
			switch f {
			case PDF:
				// exiftool reads these strings as UCS-2; characters beyond it are left to poppler, in TestPDFOutside.
				if got := text("PDF:Title"); got != m.Title && !strings.ContainsFunc(m.Title, func(r rune) bool { return r > 0xffff }) {
					t.Errorf("%s: PDF:Title reads %.80q", filepath.Base(path), got)
				}
			case PNG:
				if got := text("PNG:Title"); got != m.Title {
					t.Errorf("%s: PNG:Title reads %.80q", filepath.Base(path), got)
				}
			case JPEG:
				if got := text("IPTC:ObjectName"); got != cut(m.Title, 64) {
					t.Errorf("%s: IPTC:ObjectName reads %q", filepath.Base(path), got)
				}
				var keys []string
				for _, k := range m.Keywords {
					keys = append(keys, cut(k, 64))
				}
				if got := text("IPTC:Keywords"); got != strings.Join(keys, "|") {
					t.Errorf("%s: IPTC:Keywords reads %q, want %q", filepath.Base(path), got, keys)
				}
				if got := text("IPTC:Caption-Abstract"); got != cut(m.Description, 2000) {
					t.Errorf("%s: IPTC:Caption-Abstract reads %.80q", filepath.Base(path), got)
				}
				if got := text("ICC_Profile:ProfileDescription"); got != "sRGB IEC61966-2.1" {
					t.Errorf("%s: profile %q", filepath.Base(path), got)
				}
			}
		}
	}
}

func asText(v any) string {
	if v == nil {
		return ""
	}
	if s, ok := v.(string); ok {
		return s
	}
	b, _ := json.Marshal(v)
	return string(b)
}

// cut is the longest start of s of at most n bytes that ends on a character.
func cut(s string, n int) string {
	for len(s) > n {
		_, size := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-size]
	}
	return s
}

// TestProfile recomputes the colorants of the profile from the primaries and the white of IEC 61966-2-1 (those of ITU-R
// BT.709) and the Bradford matrix of ICC.1:2001-04, annex E, and the curve from the standard's two-part formula.
func TestProfile(t *testing.T) {
	type vec [3]float64
	type mat [3]vec
	mul := func(m mat, v vec) (r vec) {
		for i := range r {
			for j := range v {
				r[i] += m[i][j] * v[j]
			}
		}
		return r
	}
	solve := func(m mat, v vec) (r vec) { // by Cramer's rule
		det := func(m mat) float64 {
			return m[0][0]*(m[1][1]*m[2][2]-m[1][2]*m[2][1]) - m[0][1]*(m[1][0]*m[2][2]-m[1][2]*m[2][0]) +
				m[0][2]*(m[1][0]*m[2][1]-m[1][1]*m[2][0])
		}
		for k := range r {
			c := m
			for i := range v {
				c[i][k] = v[i]
			}
			r[k] = det(c) / det(m)
		}
		return r
	}
	xyz := func(x, y float64) vec { return vec{x / y, 1, (1 - x - y) / y} }
	primaries := [3]vec{xyz(0.64, 0.33), xyz(0.30, 0.60), xyz(0.15, 0.06)}
	white := xyz(0.3127, 0.3290)
	var columns mat
	for i := range 3 {
		for j := range 3 {
			columns[i][j] = primaries[j][i]
		}
	}
	gain := solve(columns, white)
	bradford := mat{{0.8951, 0.2664, -0.1614}, {-0.7502, 1.7135, 0.0367}, {0.0389, -0.0685, 1.0296}}
	d50 := vec{0.9642, 1, 0.8249}
	from, to := mul(bradford, white), mul(bradford, d50)
	b := sRGBProfile()
	tags := map[string][]byte{}
	for i := range int(binary.BigEndian.Uint32(b[128:])) {
		e := b[132+12*i:]
		at, size := binary.BigEndian.Uint32(e[4:]), binary.BigEndian.Uint32(e[8:])
		tags[string(e[:4])] = b[at : at+size]
	}
	if n := binary.BigEndian.Uint32(b); int(n) != len(b) || string(b[36:40]) != "acsp" {
		t.Errorf("header says %d bytes, there are %d", n, len(b))
	}
	for i, name := range []string{"rXYZ", "gXYZ", "bXYZ"} {
		v := mul(bradford, primaries[i])
		for k := range v {
			v[k] *= gain[i] * to[k] / from[k]
		}
		want := solve(bradford, v)
		for k := range want {
			got := float64(int32(binary.BigEndian.Uint32(tags[name][8+4*k:]))) / 65536
			if math.Abs(got-want[k]) > 3e-4 {
				t.Errorf("%s[%d] = %.5f, want %.5f", name, k, got, want[k])
			}
		}
	}
	curve := tags["rTRC"]
	n := int(binary.BigEndian.Uint32(curve[8:]))
	for i := range n {
		v := float64(i) / float64(n-1)
		want := v / 12.92
		if v > 0.04045 {
			want = math.Pow((v+0.055)/1.055, 2.4)
		}
		if got := float64(binary.BigEndian.Uint16(curve[12+2*i:])) / 65535; math.Abs(got-want) > 1e-5 {
			t.Fatalf("curve[%d] = %.6f, want %.6f", i, got, want)
		}
	}
}
