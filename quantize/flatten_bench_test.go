package quantize

import (
	"fmt"
	"math"
	"testing"

	"pochoir/quantize/colour"
)

// fleet paints n x n boats with sails of several colours, each drawn over 1/n of the width: the denser, the more edge.
func fleet(n int, size float64) func(x, y float64) colour.RGB {
	cell := size / float64(n)
	hulls := []colour.RGB{buoy, teal, oilcan, straw}
	return func(x, y float64) colour.RGB {
		u, v := math.Mod(x, cell)/cell, math.Mod(y, cell)/cell
		k := (int(x/cell)*3 + int(y/cell)*5) % len(hulls)
		switch {
		case v > 0.7 && v < 0.88 && u > 0.1+0.5*(v-0.7) && u < 0.9-0.5*(v-0.7):
			return hulls[k]
		case v > 0.12 && v < 0.66 && u > 0.52 && u < 0.52+0.6*(v-0.12):
			return hulls[(k+1)%len(hulls)]
		case v > 0.2 && v < 0.66 && u < 0.46 && u > 0.46-0.5*(v-0.2):
			return hulls[(k+2)%len(hulls)]
		case v > 0.05 && v < 0.7 && math.Abs(u-0.49) < 0.008:
			return black
		}
		return white
	}
}

// BenchmarkFlatten times one core by density of the picture, with the share of pixels that have a wrong label beside.
func BenchmarkFlatten(b *testing.B) {
	const size = 1200
	for _, n := range []int{2, 8, 24} {
		at := fleet(n, size)
		clean := rendered(size, size, at)
		for _, c := range []struct {
			name string
			px   Pixels
		}{{"clean", clean}, {"jpeg", jpegOf(b, clean, 88)}} {
			b.Run(fmt.Sprintf("%s/%dboats", c.name, n*n), func(b *testing.B) {
				b.SetBytes(int64(len(c.px.Pix)))
				b.ReportAllocs()
				var f *Flats
				for b.Loop() {
					var err error
					if f, err = Flatten(c.px, Options{Workers: 1}); err != nil {
						b.Fatal(err)
					}
				}
				wrong := 0
				for i, l := range f.Labels {
					if s := f.Palette[l].Colour; s.Difference(at(float64(i%size)+0.5, float64(i/size)+0.5)) > 3 {
						wrong++
					}
				}
				b.ReportMetric(100*float64(wrong)/float64(len(f.Labels)), "wrong-%")
				b.ReportMetric(float64(len(f.Palette)), "colours")
			})
		}
	}
}

// BenchmarkCoverage times one reading of the share of a label in a pixel.
func BenchmarkCoverage(b *testing.B) {
	px := rendered(240, 200, harbour)
	for _, p := range []Pixels{px, jpegOf(b, px, 88)} {
		b.Run(map[bool]string{false: "clean", true: "jpeg"}[p.Lossy], func(b *testing.B) {
			f, err := Flatten(p, Options{Workers: 1})
			if err != nil {
				b.Fatal(err)
			}
			var sum float64
			i := 0
			for b.Loop() {
				sum += f.Coverage(i%len(f.Labels), uint8(i%2), uint8(2+i%2))
				i += 97
			}
			b.ReportMetric(sum/float64(b.N), "mean-share")
		})
	}
}
