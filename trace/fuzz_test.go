package trace_test

import (
	"bytes"
	"context"
	"math"
	"testing"

	"pochoir/trace"
	"pochoir/trace/paper"
)

// fuzzPicture draws a grid of colours as a turned and scaled pattern with soft edges. The first bytes give columns,
// size of a cell, turn and options, the rest the cells; it is nil where there are too few.
func fuzzPicture(data []byte) *paper.Picture {
	const head = 4
	if len(data) <= head {
		return nil
	}
	columns := 1 + int(data[0])%8
	cells := data[head:min(len(data), head+64)]
	rows := (len(cells) + columns - 1) / columns
	size := 1 + float64(data[1]%48)/8 // px
	sin, cos := math.Sincos(float64(data[2]) * math.Pi / 512)
	w, h := max(1, int(size*float64(columns))), max(1, int(size*float64(rows)))
	palette := [8][3]uint8{{255, 255, 255}, {24, 28, 44}, {230, 140, 20}, {30, 120, 140}, {127, 127, 127}, {200, 40, 40}, {240, 220, 160}, {90, 160, 60}}
	return picture(w, h, func(x, y int) (uint8, uint8, uint8) {
		const n = 4
		var sum [3]int
		for k := range n * n {
			px, py := float64(x)+(float64(k%n)+0.5)/n-float64(w)/2, float64(y)+(float64(k/n)+0.5)/n-float64(h)/2
			u := int(math.Floor((px*cos-py*sin)/size + float64(columns)/2))
			v := int(math.Floor((px*sin+py*cos)/size + float64(rows)/2))
			c := palette[0]
			if i := v*columns + u; u >= 0 && u < columns && v >= 0 && i < len(cells) {
				c = palette[cells[i]%8]
			}
			for j := range sum {
				sum[j] += int(c[j])
			}
		}
		return uint8(sum[0] / n / n), uint8(sum[1] / n / n), uint8(sum[2] / n / n)
	})
}

// FuzzTrace traces patterns of a few colours with soft edges: the drawing keeps its promises, is written and read
// back, and does not depend on the number of workers.
func FuzzTrace(f *testing.F) {
	f.Add([]byte{3, 32, 20, 0, 0, 0, 0, 0, 0, 1, 1, 0, 0, 2, 3, 0, 0, 0, 0, 0})
	f.Add([]byte{7, 40, 0, 1, 1, 2, 3, 4, 5, 6, 7, 0, 1, 2, 3, 4, 5, 6, 7, 0})
	f.Add([]byte{2, 17, 60, 2, 1, 0, 1, 0, 1, 0, 1, 0, 1})
	f.Add([]byte{4, 8, 100, 3, 1, 4, 0, 4, 1, 4, 0, 4, 1, 4, 0, 4})
	f.Add([]byte{0, 0, 0, 0, 1})
	f.Fuzz(func(t *testing.T, data []byte) {
		pic := fuzzPicture(data)
		if pic == nil {
			return
		}
		opt := trace.Options{Workers: 1, Knockout: data[3]&1 != 0, KeepPaper: data[3]&2 != 0}
		if data[3]&4 == 0 { // pictures this small may pass for a scan
			opt.Sheet.Kind = paper.Digital
		}
		res, err := trace.Trace(context.Background(), pic, opt)
		if err != nil {
			t.Fatal(err)
		}
		if err := checkDrawing(res, pic); err != nil {
			t.Fatal(err)
		}
		file, err := checkFile(res.Drawing)
		if err != nil {
			t.Fatal(err)
		}
		opt.Workers = 5
		if res, err = trace.Trace(context.Background(), pic, opt); err != nil {
			t.Fatal(err)
		}
		if again, err := checkFile(res.Drawing); err != nil || !bytes.Equal(file, again) {
			t.Fatalf("five workers give another file, error %v", err)
		}
	})
}
