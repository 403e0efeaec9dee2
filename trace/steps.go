package trace

import (
	"math"

	"pochoir/fit"
)

// This file finds small steps: places where an edge jumps aside and runs on in nearly the same direction, as where one
// rectangle ends beside a slightly wider one. The two corners of a step lie nearer to each other than the search for
// corners can tell apart, but both sides are known, and so is the row of pixels in which the edge changes over.

const (
	// stepLeast and stepMost bound by how much the edge jumps, px: less is a bend to the eye, more has an edge of its own.
	stepLeast, stepMost = 0.45, 3.5
	// stepArm is the number of samples that tell either side.
	stepArm = 6
	// stepEven is by how much the samples of a side may leave its line in the mean, px.
	stepEven = 0.02
	// stepTurn is the cosine of the angle between the two sides, 15 degrees at most.
	stepTurn = 0.966
	// stepRows is how many rows of pixels the change may take: one, and one more where the sides slant.
	stepRows = 2
	// stepCracks is how many samples may lie between the two sides.
	stepCracks = 8
	// stepGlance is the area, px², that the first sample off a side spans with the last two on it.
	stepGlance = 0.04
)

// withSteps puts the corners of small steps among the samples of an arc and returns what the fit must know of them.
func withSteps(s []edgeSample, pr pair) ([]edgeSample, []fit.Tip) {
	if pr.pure > quietTip {
		return s, nil
	}
	var tips []fit.Tip
	for i := stepArm - 1; i+stepArm < len(s); i++ {
		a, b, next, ok := stepAt(s, i)
		if !ok {
			continue
		}
		tips = append(tips, fit.Tip{At: a.Add(b).Mul(0.5), Out: b.Sub(a).Unit(), End: fit.Square, Reach: b.Sub(a).Len()/2 + 1, Sides: [2]fit.Point{a, b}})
		out := append(make([]edgeSample, 0, len(s)+2), s[:i+1]...)
		for _, p := range [2]fit.Point{a, b} {
			out = append(out, edgeSample{Sample: fit.Sample{Point: p, Weight: 1}, at: s[i].at})
		}
		s = append(out, s[next:]...)
		i += 2 + stepArm - 1
	}
	return s, tips
}

// stepAt tests for a step that begins at sample i. It returns its corners and the first sample behind it.
func stepAt(s []edgeSample, i int) (a, b fit.Point, next int, ok bool) {
	// A glance first: the edge must leave the line of two samples.
	if d := s[i].Sub(s[i-1].Point); math.Abs(d.Cross(s[i+1].Sub(s[i].Point))) < stepGlance {
		return a, b, 0, false
	}
	before, dir, ok := stepSide(s[i+1-stepArm : i+1])
	if !ok {
		return a, b, 0, false
	}
	// Along is the axis of the rows of pixels that the side crosses.
	along, across := fit.Point{X: 1}, fit.Point{Y: 1}
	if math.Abs(dir.Y) > math.Abs(dir.X) {
		along, across = across, along
	}
	if dir.Dot(along) < 0 {
		along = along.Mul(-1)
	}
	rows := 0 // in which the edge changes over
	var changes [stepRows]fit.Point
	for next = i + 1; next+stepArm <= len(s) && next <= i+stepCracks; next++ {
		n := s[next].Sub(s[i].Point).Dot(along)
		if math.Abs(n-math.Round(n)) > 0.01 || s[next].Weight <= doubtfulWeight {
			continue // beside the step's own edge
		}
		if int(math.Round(n)) != rows+1 {
			return a, b, 0, false
		}
		after, dir2, ok := stepSide(s[next : next+stepArm])
		if !ok || dir.Dot(dir2) < stepTurn {
			if rows == stepRows {
				return a, b, 0, false
			}
			changes[rows] = s[next].Point
			rows++
			continue
		}
		at := s[i].Add(along.Mul(0.5)) // where the first row behind the side begins
		for _, c := range changes[:rows] {
			p, _ := before.At(c)
			q, _ := after.At(c)
			share := c.Sub(p).Dot(across) / q.Sub(p).Dot(across)
			if !(share > -0.1 && share < 1.1) {
				return a, b, 0, false
			}
			at = at.Add(along.Mul(1 - share))
		}
		place := func(l fit.Local) fit.Point {
			p, d := l.At(at)
			return p.Add(d.Mul(at.Sub(p).Dot(along) / d.Dot(along)))
		}
		a, b = place(before), place(after)
		jump := b.Sub(a).Len()
		return a, b, next, jump >= stepLeast && jump <= stepMost
	}
	return a, b, 0, false
}

// stepSide fits a line to one side of a step.
func stepSide(s []edgeSample) (l fit.Local, dir fit.Point, ok bool) {
	var p [stepArm]fit.Point
	for k := range s {
		if s[k].Weight <= doubtfulWeight {
			return l, dir, false
		}
		p[k] = s[k].Point
	}
	l = fit.FitLocal(p[:], false)
	_, dir = l.At(p[0])
	return l, dir, l.RMS <= stepEven
}
