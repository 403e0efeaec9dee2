package deliver

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"testing"

	"pochoir/cmd/pochoir/internal/deliver/check"
	"pochoir/cmd/pochoir/internal/deliver/survey"
	"pochoir/svgout"
)

// BenchmarkExport writes a drawing in every format at the default sizes.
func BenchmarkExport(b *testing.B) {
	src, err := os.ReadFile(filepath.Join("testdata", "lantern.svg"))
	if err != nil {
		b.Fatal(err)
	}
	d, err := svgout.Read(bytes.NewReader(src))
	if err != nil {
		b.Fatal(err)
	}
	for f := SVG; f <= JPEG; f++ {
		b.Run(f.Ending(), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := Export(io.Discard, d, f, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkCheck surveys and checks a drawing.
func BenchmarkCheck(b *testing.B) {
	src, err := os.ReadFile(filepath.Join("testdata", "lantern.svg"))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		s, err := survey.Read(bytes.NewReader(src))
		if err != nil {
			b.Fatal(err)
		}
		check.Check(s, nil)
	}
}
