package trace

import (
	"testing"

	"pochoir/fit"
	"pochoir/trace/internal/planar"
)

// Where coding with loss parted labels and shares, a drawn edge runs inside the pixels of its own lower colour. The room
// under the higher colour beyond must be found all the same, and none where the lower colour lies on both sides.
func TestRoomBeyondStrayEdges(t *testing.T) {
	const w, h, lattice = 24, 8, 10 // the higher colour begins at x = lattice
	labels := make([]uint8, w*h)
	for i := range labels {
		if i%w >= lattice {
			labels[i] = 1
		}
	}
	apart := func(x, y int, a, b, c, d uint8) planar.SaddleKind { return planar.Apart }
	var b planar.Builder
	m := b.Build(labels, w, h, apart, 1)
	s := &stack{m: m, o: &outlines{used: fit.Options{Tolerance: 0.1}}, rank: make([]int, len(m.Faces)), ink: -2}
	for i := range m.Faces {
		s.rank[i] = int(m.Faces[i].Label)
	}
	lower := m.FaceAt(0, 0)
	for _, x := range []float64{lattice, lattice - 0.9, lattice - 1.2} {
		if room, _ := s.room(fit.Point{X: x, Y: 4.5}, fit.Point{X: 1}, lower, s.o.used.Tolerance); room < trap/trapShare {
			t.Errorf("edge drawn %.1f px before the boundary: room for %.2f px, want %.2f", lattice-x, room, trap/trapShare)
		}
	}
	if room, _ := s.room(fit.Point{X: 5, Y: 4.5}, fit.Point{X: 1}, lower, s.o.used.Tolerance); room > 0.5 {
		t.Errorf("nothing higher near: room for %.2f px", room)
	}
}

// A parallel that runs out to the side it stands for is none; what crosses a gate far away is another part of the outline.
func TestParallelsStayDeep(t *testing.T) {
	var gates []fit.Corridor
	for x := 10.0; x <= 190; x += 10 {
		gates = append(gates, fit.Corridor{Base: fit.Point{X: x}, Normal: fit.Point{Y: 1}, Want: 2.75, Low: 2, High: 3.5})
	}
	line := func(y0, y1 float64) []fit.Segment {
		return []fit.Segment{fit.LineTo(fit.Point{Y: y0}, fit.Point{X: 200, Y: y1})}
	}
	for _, c := range []struct {
		segs []fit.Segment
		want bool
	}{
		{line(2.75, 2.75), true},
		{line(2.75, 1.2), true},
		{line(2.75, 0), false},
		{line(-1, -1), false},
		{line(-40, -40), true},
	} {
		if got := deepEnough(gates, c.segs); got != c.want {
			t.Errorf("from depth %.2f to %.2f: %v, want %v", c.segs[0].P[0].Y, c.segs[0].P[3].Y, got, c.want)
		}
	}
}
