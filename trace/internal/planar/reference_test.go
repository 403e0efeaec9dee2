package planar

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"reflect"
	"slices"
	"testing"
)

// labelStatistics is what a labelling of a picture says of itself.
type labelStatistics struct {
	Areas []int `json:"areas"` // of all connected areas, sorted
	Holes int   `json:"holes"` // in all of them together
	Boxes []int `json:"boxes"` // min x, min y, max x, max y of all areas, areas sorted by the same numbers
}

// reference counts the 4-connected areas of each label of label pictures: scikit-image (measure.label, measure.
// regionprops) finds areas, boxes and Euler numbers, OpenCV (connectedComponentsWithStats) areas again. The Euler number
// of a 4-connected area is one less its holes, the holes being 8-connected.
const reference = `
import json, sys
import numpy as np
import cv2
from skimage import measure
for line in sys.stdin:
    job = json.loads(line)
    picture = np.array(job["labels"], dtype=np.uint8).reshape(job["h"], job["w"])
    areas, boxes, holes, other = [], [], 0, []
    for value in np.unique(picture):
        mask = picture == value
        for area in measure.regionprops(measure.label(mask, connectivity=1)):
            y0, x0, y1, x1 = area.bbox
            areas.append(int(area.area))
            boxes.append([int(x0), int(y0), int(x1), int(y1)])
            holes += 1 - int(measure.euler_number(area.image, connectivity=1))
        n, _, statistics, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
        other += [int(a) for a in statistics[1:n, cv2.CC_STAT_AREA]]
    if sorted(areas) != sorted(other):
        sys.exit("the two libraries disagree")
    print(json.dumps({"areas": sorted(areas), "holes": holes, "boxes": sum(sorted(boxes), [])}))
`

// Areas, boxes and holes against Debian's scikit-image (python3-skimage) and OpenCV (python3-opencv).
func TestLabellingAgainstReference(t *testing.T) {
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import numpy, skimage.measure, cv2").Run(); err != nil {
		const missing = "python3-skimage and python3-opencv are not installed: labelling is not held against them"
		if os.Getenv("CI") == "true" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	type job struct {
		W      int   `json:"w"`
		H      int   `json:"h"`
		Labels []int `json:"labels"`
	}
	var input bytes.Buffer
	var maps []*Map
	apart := func(int, int, uint8, uint8, uint8, uint8) SaddleKind { return Apart }
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 3))
		w, h := 1+rng.IntN(60), 1+rng.IntN(60)
		// Where two labels cross at a vertex Build joins one pair, which 4-connected labelling does not: such places
		// are filled.
		labels := randomLabels(rng, w, h, 2+rng.IntN(5), 1+rng.IntN(4))
		fillSaddles(labels, w, h)
		maps = append(maps, Build(labels, w, h, apart, 2))
		j := job{W: w, H: h}
		for _, l := range labels {
			j.Labels = append(j.Labels, int(l))
		}
		if err := json.NewEncoder(&input).Encode(j); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command(python, "-c", reference)
	cmd.Stdin, cmd.Stderr = &input, os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	answers := json.NewDecoder(bytes.NewReader(out))
	total := 0
	for i, m := range maps {
		var want labelStatistics
		if err := answers.Decode(&want); err != nil {
			t.Fatal(err)
		}
		got := statisticsOf(m)
		total += len(got.Areas)
		if !slices.Equal(got.Areas, want.Areas) {
			t.Errorf("picture %d, %d × %d: %d areas, want %d: %v, %v", i, m.W, m.H, len(got.Areas), len(want.Areas), got.Areas, want.Areas)
		}
		if !slices.Equal(got.Boxes, want.Boxes) {
			t.Errorf("picture %d, %d × %d: boxes %v, want %v", i, m.W, m.H, got.Boxes, want.Boxes)
		}
		if got.Holes != want.Holes {
			t.Errorf("picture %d, %d × %d: %d holes, want %d", i, m.W, m.H, got.Holes, want.Holes)
		}
	}
	if total < 1000 {
		t.Errorf("only %d areas compared", total)
	}
}

// fillSaddles changes labels until no vertex has one label on both diagonals.
func fillSaddles(labels []uint8, w, h int) {
	for again := true; again; {
		again = false
		for y := 1; y < h; y++ {
			for x := 1; x < w; x++ {
				a, b, c, d := labels[(y-1)*w+x-1], labels[(y-1)*w+x], labels[y*w+x-1], labels[y*w+x]
				if a == d && b == c && a != b {
					labels[y*w+x], again = b, true
				}
			}
		}
	}
}

func statisticsOf(m *Map) labelStatistics {
	var s labelStatistics
	var boxes [][4]int
	for i := range m.Faces {
		f := &m.Faces[i]
		s.Areas = append(s.Areas, f.Area)
		boxes = append(boxes, [4]int{int(f.MinX), int(f.MinY), int(f.MaxX), int(f.MaxY)})
		for _, r := range f.Rings {
			if m.RingArea(r) < 0 {
				s.Holes++
			}
		}
	}
	slices.Sort(s.Areas)
	slices.SortFunc(boxes, func(a, b [4]int) int { return slices.Compare(a[:], b[:]) })
	for _, b := range boxes {
		s.Boxes = append(s.Boxes, b[:]...)
	}
	return s
}

// Every face has one outer ring, of positive area, and its box is tight.
func TestFacesHaveOneOutline(t *testing.T) {
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 4))
		w, h := 1+rng.IntN(50), 1+rng.IntN(50)
		labels := randomLabels(rng, w, h, 1+rng.IntN(5), 1+rng.IntN(4))
		m := Build(labels, w, h, randomSaddle(seed), 3)
		for i := range m.Faces {
			outer := 0
			for _, r := range m.Faces[i].Rings {
				if m.RingArea(r) > 0 {
					outer++
				}
			}
			if outer != 1 {
				t.Fatalf("seed %d: face %d has %d outer rings", seed, i, outer)
			}
		}
		if err := boxesTight(m); err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
	}
}

// boxesTight compares the boxes of faces with those of their pixels, the slow way.
func boxesTight(m *Map) error {
	type box struct{ x0, y0, x1, y1 int32 }
	boxes := make([]box, len(m.Faces))
	border := make([]bool, len(m.Faces))
	for i := range boxes {
		boxes[i] = box{int32(m.W), int32(m.H), 0, 0}
	}
	for y := range m.H {
		for x := range m.W {
			i := m.FaceAt(x, y)
			b := &boxes[i]
			b.x0, b.y0 = min(b.x0, int32(x)), min(b.y0, int32(y))
			b.x1, b.y1 = max(b.x1, int32(x+1)), max(b.y1, int32(y+1))
			border[i] = border[i] || x == 0 || y == 0 || x == m.W-1 || y == m.H-1
		}
	}
	for i := range m.Faces {
		f := &m.Faces[i]
		if b := boxes[i]; b != (box{f.MinX, f.MinY, f.MaxX, f.MaxY}) {
			return fmt.Errorf("face %d has the box %d %d %d %d, its pixels %v", i, f.MinX, f.MinY, f.MaxX, f.MaxY, b)
		}
		if f.Border != border[i] {
			return fmt.Errorf("face %d: border %t, its pixels %t", i, f.Border, border[i])
		}
	}
	return nil
}

// Dissolving leaves no face that is small and has a neighbour, and changes no pixel of the others.
func TestDissolve(t *testing.T) {
	const least = 6
	small := func(f *Face) bool { return f.Area < least }
	border := func(_ *Face, _ uint8, shared int) float64 { return 1 / float64(shared) }
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 5))
		w, h := 4+rng.IntN(40), 4+rng.IntN(40)
		labels := randomLabels(rng, w, h, 2+rng.IntN(4), 1+rng.IntN(3))
		var b Builder
		after := slices.Clone(labels)
		b.Mark(after, w, h, randomSaddle(seed), 2)
		m := b.Faces()
		_, gone := b.Dissolve(small, border)
		want := 0
		for i := range m.Faces {
			if small(&m.Faces[i]) && len(m.Faces) > 1 {
				want++
			}
		}
		if gone > want {
			t.Fatalf("seed %d: %d faces dissolved, %d are small", seed, gone, want)
		}
		for i, l := range after {
			f := &m.Faces[m.FaceAt(i%w, i/w)]
			if !small(f) && l != labels[i] {
				t.Fatalf("seed %d: pixel %d of a face of %d px has changed", seed, i, f.Area)
			}
		}
		again := Build(after, w, h, randomSaddle(seed), 2)
		if len(again.Faces) > len(m.Faces) {
			t.Fatalf("seed %d: %d faces have become %d", seed, len(m.Faces), len(again.Faces))
		}
		if got := b.Finish(); !reflect.DeepEqual(got, again) {
			t.Fatalf("seed %d: the map after dissolving differs from one of the new labels", seed)
		}
		b.Mark(after, w, h, randomSaddle(seed), 2)
		b.Faces()
		b.Dissolve(func(f *Face) bool { return f.Area < 4*least }, border)
		if b.Restore(); !slices.Equal(after, labels) {
			t.Fatalf("seed %d: the labels are not what they were", seed)
		}
	}
	// One speck amid two colours goes to the one that surrounds more of it.
	labels := []uint8{
		0, 0, 0, 1, 1,
		0, 0, 2, 1, 1,
		0, 0, 0, 1, 1,
	}
	var b Builder
	b.Mark(labels, 5, 3, randomSaddle(0), 1)
	b.Faces()
	if _, gone := b.Dissolve(func(f *Face) bool { return f.Area == 1 }, border); gone != 1 || labels[7] != 0 {
		t.Errorf("%d faces dissolved, the speck has label %d, want label 0", gone, labels[7])
	}
}
