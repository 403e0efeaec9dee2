package demo

import (
	"image"
	"image/color"
	"math"

	"github.com/disintegration/imaging"
)

// The snapshot: a telephone held over a sheet of ISO A paper, 1 to √2, that lies askew on a desk, with a lamp at the
// upper left.
const (
	snapshotW, snapshotH = 1600, 1200
	sheetH               = 1000.0 // height of the sheet in its own units
	sheetW               = sheetH * math.Sqrt2
	drawingSide          = 860.0 // the drawing on it
	lensBlur             = 0.8   // px, standard deviation
	sensorNoise          = 2.2   // levels of 255, standard deviation
	fineSide             = 1200  // px, how large the drawing is painted before it is photographed
)

// sheetCorners are where the corners of the sheet lie in the snapshot, clockwise from the upper left.
var sheetCorners = [4][2]float64{{188, 148}, {1420, 96}, {1512, 1042}, {96, 1098}}

// Snapshot shows the picture as a telephone takes it. The same picture gives the same snapshot.
func (p Picture) Snapshot() *image.NRGBA {
	drawing := p.Image(fineSide)
	toSheet := inverse(squareTo(sheetCorners))
	out := image.NewNRGBA(image.Rect(0, 0, snapshotW, snapshotH))
	shadow := sheetShadow()
	for y := range snapshotH {
		for x := range snapshotW {
			var sum [3]float64
			const n = 2 // samples each way
			for k := range n * n {
				fx, fy := float64(x)+(float64(k%n)+0.5)/n, float64(y)+(float64(k/n)+0.5)/n
				u, v := project(toSheet, fx, fy)
				c := desk(fx, fy)
				if u >= 0 && u <= 1 && v >= 0 && v <= 1 {
					c = sheetColour(drawing, u*sheetW, v*sheetH)
				} else {
					dark := 1 - 0.45*float64(shadow.Pix[shadow.PixOffset(x/4, y/4)])/255
					for i := range c {
						c[i] *= dark
					}
				}
				for i := range sum {
					sum[i] += c[i] / (n * n)
				}
			}
			// The lamp: brightest at the upper left, half of it lost towards the far corner.
			dx, dy := (float64(x)-300)/snapshotW, (float64(y)-200)/snapshotH
			light := 1.06 / (1 + 0.62*(dx*dx+dy*dy))
			i := out.PixOffset(x, y)
			for j, warm := range [3]float64{1, 0.965, 0.88} {
				out.Pix[i+j] = level(sum[j] * light * warm)
			}
			out.Pix[i+3] = 255
		}
	}
	out = imaging.Blur(out, lensBlur)
	grain(out)
	return out
}

// level rounds to 0..255.
func level(v float64) uint8 { return uint8(min(max(v, 0), 255) + 0.5) }

// sheetColour is the colour of the paper, or of what is drawn on it, at a place on the sheet.
func sheetColour(drawing *image.NRGBA, x, y float64) [3]float64 {
	fibre := 244 + 1.5*math.Sin(x*0.9+3*math.Sin(y*0.31))*math.Sin(y*1.1)
	c := [3]float64{fibre, fibre, fibre * 0.985}
	x, y = (x-(sheetW-drawingSide)/2)*fineSide/drawingSide-0.5, (y-(sheetH-drawingSide)/2)*fineSide/drawingSide-0.5
	if x < 0 || y < 0 || x >= fineSide-1 || y >= fineSide-1 {
		return c
	}
	ix, iy := int(x), int(y)
	fx, fy := x-float64(ix), y-float64(iy)
	a := drawing.Pix[drawing.PixOffset(ix, iy):]
	b := drawing.Pix[drawing.PixOffset(ix, iy+1):]
	for i := range c {
		top := float64(a[i])*(1-fx) + float64(a[i+4])*fx
		bottom := float64(b[i])*(1-fx) + float64(b[i+4])*fx
		c[i] *= (top*(1-fy) + bottom*fy) / 255
	}
	return c
}

// desk is the colour of the table: planks of dark wood.
func desk(x, y float64) [3]float64 {
	g := math.Sin(y*0.19+2.5*math.Sin(x*0.004)) + 0.6*math.Sin(y*0.53+x*0.006) + 0.3*math.Sin(y*1.7)
	k := 1 + 0.06*g
	if math.Mod(y+0.03*x, 260) < 4 {
		k *= 0.6
	}
	return [3]float64{112 * k, 80 * k, 58 * k}
}

// sheetShadow is the soft shadow that the sheet casts on the desk, at a quarter of the size: 255 where it is deepest.
func sheetShadow() *image.Gray {
	m := imaging.New(snapshotW/4, snapshotH/4, color.Black)
	toSheet := inverse(squareTo(sheetCorners))
	for y := range snapshotH / 4 {
		for x := range snapshotW / 4 {
			u, v := project(toSheet, float64(4*x-14), float64(4*y-16))
			if u >= 0 && u <= 1 && v >= 0 && v <= 1 {
				m.SetNRGBA(x, y, color.NRGBA{255, 255, 255, 255})
			}
		}
	}
	soft := imaging.Blur(m, 4)
	g := image.NewGray(soft.Rect)
	for i := range g.Pix {
		g.Pix[i] = soft.Pix[4*i]
	}
	return g
}

// grain adds the noise of a sensor: nearly normal, from the sum of four even numbers, the same every time.
func grain(m *image.NRGBA) {
	r := uint64(0x9e3779b97f4a7c15)
	for i := range m.Pix {
		if i%4 == 3 {
			continue
		}
		r ^= r << 13
		r ^= r >> 7
		r ^= r << 17
		sum := float64(r&0xffff) + float64(r>>16&0xffff) + float64(r>>32&0xffff) + float64(r>>48)
		// Four even numbers of 0..1 have a standard deviation of √(4/12).
		m.Pix[i] = level(float64(m.Pix[i]) + (sum/65536-2)*sensorNoise*math.Sqrt(3))
	}
}

// squareTo returns the homography that takes the unit square to a quadrilateral, row by row (Heckbert, "Fundamentals
// of Texture Mapping and Image Warping", 1989, §2.2.3).
func squareTo(q [4][2]float64) [9]float64 {
	sx, sy := q[0][0]-q[1][0]+q[2][0]-q[3][0], q[0][1]-q[1][1]+q[2][1]-q[3][1]
	dx1, dx2 := q[1][0]-q[2][0], q[3][0]-q[2][0]
	dy1, dy2 := q[1][1]-q[2][1], q[3][1]-q[2][1]
	det := dx1*dy2 - dx2*dy1
	g, h := (sx*dy2-dx2*sy)/det, (dx1*sy-sx*dy1)/det
	return [9]float64{
		q[1][0] - q[0][0] + g*q[1][0], q[3][0] - q[0][0] + h*q[3][0], q[0][0],
		q[1][1] - q[0][1] + g*q[1][1], q[3][1] - q[0][1] + h*q[3][1], q[0][1],
		g, h, 1,
	}
}

// inverse returns the homography that undoes m, up to a factor.
func inverse(m [9]float64) [9]float64 {
	return [9]float64{
		m[4]*m[8] - m[5]*m[7], m[2]*m[7] - m[1]*m[8], m[1]*m[5] - m[2]*m[4],
		m[5]*m[6] - m[3]*m[8], m[0]*m[8] - m[2]*m[6], m[2]*m[3] - m[0]*m[5],
		m[3]*m[7] - m[4]*m[6], m[1]*m[6] - m[0]*m[7], m[0]*m[4] - m[1]*m[3],
	}
}

// project applies a homography.
func project(m [9]float64, x, y float64) (u, v float64) {
	w := m[6]*x + m[7]*y + m[8]
	return (m[0]*x + m[1]*y + m[2]) / w, (m[3]*x + m[4]*y + m[5]) / w
}
