package intake

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math"
	"os/exec"
	"path/filepath"
	"testing"

	"gonum.org/v1/gonum/mat"

	"pochoir/quantize/colour"
)

// Chromaticities of the primaries and the white, x and y.
var (
	// IEC 61966-2-1:1999, table 1 (ITU-R BT.709 primaries).
	srgbPrimaries = [3][2]float64{{0.640, 0.330}, {0.300, 0.600}, {0.150, 0.060}}
	// SMPTE EG 432-1:2010 (P3) with the white of D65, as CSS Color Module Level 4 §10.3 (display-p3) has them.
	p3Primaries = [3][2]float64{{0.680, 0.320}, {0.265, 0.690}, {0.150, 0.060}}
	d65         = [2]float64{0.3127, 0.3290}
	d50XYZ      = []float64{0.9642, 1, 0.8249} // ICC.1:2010 §7.2.16
)

// primariesToXYZ returns linear RGB to XYZ relative to D50: primaries scaled to give white (SMPTE RP 177-1993 §3.3),
// then adapted by the Bradford transform (ICC.1:2010 annex E).
func primariesToXYZ(p [3][2]float64) *mat.Dense {
	xyz := func(c [2]float64) []float64 { return []float64{c[0] / c[1], 1, (1 - c[0] - c[1]) / c[1]} }
	m := mat.NewDense(3, 3, nil)
	for i := range 3 {
		m.SetCol(i, xyz(p[i]))
	}
	var scale mat.VecDense
	if err := scale.SolveVec(m, mat.NewVecDense(3, xyz(d65))); err != nil {
		panic(err)
	}
	var scaled mat.Dense
	scaled.Mul(m, mat.NewDiagDense(3, scale.RawVector().Data))
	bradford := mat.NewDense(3, 3, []float64{0.8951, 0.2664, -0.1614, -0.7502, 1.7135, 0.0367, 0.0389, -0.0685, 1.0296})
	var from, to mat.VecDense
	from.MulVec(bradford, mat.NewVecDense(3, xyz(d65)))
	to.MulVec(bradford, mat.NewVecDense(3, d50XYZ))
	gain := mat.NewDiagDense(3, []float64{to.AtVec(0) / from.AtVec(0), to.AtVec(1) / from.AtVec(1), to.AtVec(2) / from.AtVec(2)})
	var back, adapt, out mat.Dense
	if err := back.Inverse(bradford); err != nil {
		panic(err)
	}
	adapt.Product(&back, gain, bradford)
	out.Mul(&adapt, &scaled)
	return &out
}

func TestConnectionSpaceMatrix(t *testing.T) {
	var inv mat.Dense
	if err := inv.Inverse(primariesToXYZ(srgbPrimaries)); err != nil {
		t.Fatal(err)
	}
	// The white of D65 is given here by two rounded chromaticities, there by three rounded tristimulus values.
	for i := range 3 {
		for j := range 3 {
			if d := inv.At(i, j) - xyzToSRGB[i][j]; math.Abs(d) > 1e-3 {
				t.Errorf("[%d][%d] is %.7f, derived %.7f", i, j, xyzToSRGB[i][j], inv.At(i, j))
			}
		}
	}
}

// buildProfile makes an ICC profile of three primaries and one curve.
func buildProfile(primaries [3][2]float64, curve []byte) []byte {
	m := primariesToXYZ(primaries)
	be := binary.BigEndian
	var tags, data []byte
	add := func(name string, b []byte) {
		tags = append(tags, name...)
		tags = be.AppendUint32(tags, uint32(132+6*12+len(data)))
		tags = be.AppendUint32(tags, uint32(len(b)))
		data = append(data, b...)
		for len(data)%4 != 0 {
			data = append(data, 0)
		}
	}
	for i, c := range []string{"r", "g", "b"} {
		b := []byte("XYZ \x00\x00\x00\x00")
		for j := range 3 {
			b = be.AppendUint32(b, uint32(int32(math.Round(m.At(j, i)*65536))))
		}
		add(c+"XYZ", b)
		add(c+"TRC", curve)
	}
	h := make([]byte, 128)
	copy(h[8:], "\x02\x10\x00\x00mntrRGB XYZ ")
	copy(h[36:], "acsp")
	out := be.AppendUint32(h, 6)
	out = append(append(out, tags...), data...)
	be.PutUint32(out, uint32(len(out)))
	return out
}

// parametric is the curve of sRGB as a parametricCurveType of kind 3.
func parametric() []byte {
	b := []byte("para\x00\x00\x00\x00\x00\x03\x00\x00")
	for _, v := range []float64{2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045} {
		b = binary.BigEndian.AppendUint32(b, uint32(int32(math.Round(v*65536))))
	}
	return b
}

// tabulated is the curve of sRGB as a table.
func tabulated(n int) []byte {
	b := binary.BigEndian.AppendUint32([]byte("curv\x00\x00\x00\x00"), uint32(n))
	for i := range n {
		b = binary.BigEndian.AppendUint16(b, uint16(math.Round(65535*colour.ToLinear(float64(i)/float64(n-1)))))
	}
	return b
}

func TestDisplayP3(t *testing.T) {
	for name, curve := range map[string][]byte{"parametric": parametric(), "table": tabulated(1024)} {
		p := parseProfile(buildProfile(p3Primaries, curve))
		if p == nil {
			t.Fatalf("%s: not read, or taken for sRGB", name)
		}
		// P3 to sRGB by the definition: linear light, the primaries' matrices, back.
		var toSRGB, m mat.Dense
		if err := toSRGB.Inverse(primariesToXYZ(srgbPrimaries)); err != nil {
			t.Fatal(err)
		}
		m.Mul(&toSRGB, primariesToXYZ(p3Primaries))
		for r := 0; r < 256; r += 15 {
			for g := 0; g < 256; g += 15 {
				for b := 0; b < 256; b += 15 {
					row := []uint8{uint8(r), uint8(g), uint8(b), 255}
					p.apply(row)
					in := mat.NewVecDense(3, []float64{colour.Linear(uint8(r)), colour.Linear(uint8(g)), colour.Linear(uint8(b))})
					var out mat.VecDense
					out.MulVec(&m, in)
					for k := range 3 {
						want := 255 * colour.FromLinear(min(max(out.AtVec(k), 0), 1))
						if d := float64(row[k]) - want; math.Abs(d) > 1 {
							t.Fatalf("%s: P3 %d,%d,%d: channel %d is %d, want %.2f", name, r, g, b, k, row[k], want)
						}
					}
				}
			}
		}
	}
	// What a file names by number is what it would say by a profile.
	for k := range 4096 {
		a := []uint8{uint8(k % 16 * 17), uint8(k / 16 % 16 * 17), uint8(k / 256 * 17), 255}
		b := bytes.Clone(a)
		displayP3().apply(a)
		named := parseProfile(buildProfile(p3Primaries, parametric()))
		named.apply(b)
		for i := range a {
			if d := int(a[i]) - int(b[i]); d > 1 || d < -1 {
				t.Fatalf("by number %v, by profile %v", a, b)
			}
		}
	}
	if parseProfile(buildProfile(srgbPrimaries, parametric())) != nil || parseProfile(buildProfile(srgbPrimaries, tabulated(256))) != nil {
		t.Error("a profile of sRGB itself changes colours")
	}
	// CSS Color Module Level 4 §10.3: the gamut of sRGB lies within Display P3; its red is about color(display-p3
	// 0.917 0.2 0.139), a value given in the sample conversions to that space.
	p := parseProfile(buildProfile(p3Primaries, parametric()))
	row := []uint8{234, 51, 35, 255}
	p.apply(row)
	if row[0] < 254 || row[1] > 8 || row[2] > 8 {
		t.Errorf("the red of sRGB, written in Display P3, becomes %v", row)
	}
}

// profileFiles are a flat P3 colour in every format that can carry a profile.
func profileFiles(t *testing.T, icc []byte) map[string][]byte {
	t.Helper()
	m := image.NewNRGBA(image.Rect(0, 0, 8, 8))
	for i := range 64 {
		m.SetNRGBA(i%8, i/8, color.NRGBA{200, 80, 60, 255})
	}
	var jpg, pn bytes.Buffer
	if err := jpeg.Encode(&jpg, m, &jpeg.Options{Quality: 100}); err != nil {
		t.Fatal(err)
	}
	if err := png.Encode(&pn, m); err != nil {
		t.Fatal(err)
	}
	app2 := func(file, data []byte, i, n byte) []byte {
		size := len(data) + 16
		out := append(bytes.Clone(file[:2]), 0xff, 0xe2, byte(size>>8), byte(size))
		out = append(append(out, "ICC_PROFILE\x00"...), i, n)
		return append(append(out, data...), file[2:]...)
	}
	half := len(icc) / 2
	var z bytes.Buffer
	w := zlib.NewWriter(&z)
	if _, err := w.Write(icc); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return map[string][]byte{
		// Two parts, the second first.
		"parts.jpg": app2(app2(jpg.Bytes(), icc[:half], 1, 2), icc[half:], 2, 2),
		"chunk.png": withChunkPNG(pn.Bytes(), "iCCP", append([]byte("p3\x00\x00"), z.Bytes()...)),
	}
}

func TestProfilesAreFound(t *testing.T) {
	icc := buildProfile(p3Primaries, parametric())
	p := parseProfile(icc)
	for name, file := range profileFiles(t, icc) {
		pic, err := Open("-", Options{Stdin: bytes.NewReader(file)})
		if err != nil {
			t.Fatal(err)
		}
		want := []uint8{200, 80, 60, 255}
		p.apply(want)
		for k := range 3 {
			if d := int(pic.Pix[4*27+k]) - int(want[k]); d > 2 || d < -2 {
				t.Errorf("%s: %v, want %v", name, pic.Pix[4*27:4*27+3], want)
			}
		}
	}
}

// TestAgainstLittleCMS converts with the colour library that Pillow brings (LittleCMS), an independent reader of
// profiles.
func TestAgainstLittleCMS(t *testing.T) {
	py := python(t)
	if exec.Command(py, "-c", "from PIL import ImageCms").Run() != nil {
		missing(t, "Pillow with ImageCms")
	}
	dir := t.TempDir()
	icc := buildProfile(p3Primaries, tabulated(1024))
	path := filepath.Join(dir, "p3.icc")
	if err := writeFile(path, icc); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(py, "-c", `
import sys
from PIL import Image, ImageCms
im = Image.new('RGB', (4096, 1))
im.putdata([(i % 16 * 17, i // 16 % 16 * 17, i // 256 * 17) for i in range(4096)])
im = ImageCms.profileToProfile(im, sys.argv[1], ImageCms.createProfile('sRGB'), renderingIntent=1)
sys.stdout.buffer.write(im.tobytes())`, path).Output()
	if err != nil {
		t.Fatal(err)
	}
	p := parseProfile(icc)
	for i := range 4096 {
		row := []uint8{uint8(i % 16 * 17), uint8(i / 16 % 16 * 17), uint8(i / 256 * 17), 255}
		p.apply(row)
		for k := range 3 {
			if d := int(row[k]) - int(out[3*i+k]); d > 2 || d < -2 {
				t.Fatalf("colour %d, channel %d: %d, LittleCMS %d", i, k, row[k], out[3*i+k])
			}
		}
	}
}

func TestGreyProfile(t *testing.T) {
	// A linear grey: stored 50 % is sRGB 188 (IEC 61966-2-1: 1.055·0.5^(1/2.4) - 0.055 = 0.7354).
	h := make([]byte, 128)
	copy(h[16:], "GRAYXYZ ")
	copy(h[36:], "acsp")
	h = binary.BigEndian.AppendUint32(h, 1)
	h = append(h, "kTRC"...)
	h = binary.BigEndian.AppendUint32(h, 144)
	h = binary.BigEndian.AppendUint32(h, 12)
	h = append(h, "curv\x00\x00\x00\x00\x00\x00\x00\x00"...)
	p := parseProfile(h)
	if p == nil {
		t.Fatal("not read")
	}
	row := []uint8{128, 128, 128, 255}
	p.apply(row)
	if row[0] != 188 || row[2] != 188 {
		t.Errorf("%v, want 188", row)
	}
}

func FuzzProfile(f *testing.F) {
	f.Add(buildProfile(p3Primaries, parametric()))
	f.Add(buildProfile(srgbPrimaries, tabulated(16)))
	f.Fuzz(func(t *testing.T, b []byte) {
		if p := parseProfile(b); p != nil {
			p.apply([]uint8{0, 1, 2, 255, 253, 254, 255, 255})
		}
	})
}
