package frame

import (
	"errors"
	"math"

	"quadtally/vision/raster"
)

// vec3 is a point or direction in space, millimetres.
type vec3 [3]float64

func (a vec3) dot(b vec3) float64   { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
func (a vec3) scale(s float64) vec3 { return vec3{a[0] * s, a[1] * s, a[2] * s} }
func (a vec3) add(b vec3) vec3      { return vec3{a[0] + b[0], a[1] + b[1], a[2] + b[2]} }
func (a vec3) norm() float64        { return math.Sqrt(a.dot(a)) }
func (a vec3) crossWith(b vec3) vec3 {
	return vec3{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
}

// camera is a pinhole: focal length and principal point in pixels.
type camera struct {
	focal  float64
	centre raster.Point
	mirror float64 // -1 where the stored picture is a mirror image, else 1
}

// pose places a plane (x right, y down as seen from above, z into the ground)
// before the camera: a point P of the plane's space lies at r*P + t.
type pose struct {
	r1, r2, r3, t vec3
}

// poseOf takes a homography from plane millimetres to pixels apart. It also
// returns how far the plane is from being a true rectangle: the logarithm of
// the ratio of its two scales, and the sine of its departure from a right
// angle. Both are 0 for a perfect photo of a perfect rectangle taken with
// exactly this focal length (Zhang 2000, IEEE TPAMI 22(11), eqs 3-4).
func poseOf(h Homography, c camera) (p pose, logRatio, skew float64, err error) {
	col := func(i int) vec3 {
		return vec3{
			(h[i] - c.centre.X*h[6+i]) / (c.mirror * c.focal),
			(h[3+i] - c.centre.Y*h[6+i]) / c.focal,
			h[6+i],
		}
	}
	m1, m2, m3 := col(0), col(1), col(2)
	l1, l2 := m1.norm(), m2.norm()
	if !(l1 > 0) || !(l2 > 0) || math.IsInf(l1+l2, 0) {
		return p, 0, 0, errDegenerate
	}
	s := 1 / math.Sqrt(l1*l2)
	if m3[2] < 0 {
		s = -s
	}
	logRatio = math.Log(l1 / l2)
	a, b := m1.scale(math.Copysign(1/l1, s)), m2.scale(math.Copysign(1/l2, s))
	skew = a.dot(b)
	// The nearest pair of perpendicular unit vectors: turn both alike.
	sum, diff := a.add(b), a.add(b.scale(-1))
	if !(sum.norm() > 0) || !(diff.norm() > 0) {
		return p, 0, 0, errDegenerate
	}
	sum, diff = sum.scale(math.Sqrt(.5)/sum.norm()), diff.scale(math.Sqrt(.5)/diff.norm())
	p.r1, p.r2 = sum.add(diff), sum.add(diff.scale(-1))
	p.r3 = p.r1.crossWith(p.r2)
	p.t = m3.scale(s)
	if !(p.r3[2] > 0) || !(p.height() > 0) {
		return p, 0, 0, errors.New("the plane is seen from below")
	}
	return p, logRatio, skew, nil
}

// tiltDeg is the angle between the camera's axis and the vertical.
func (p pose) tiltDeg() float64 { return math.Acos(min(1, p.r3[2])) * 180 / math.Pi }

// height is the distance of the camera from the plane.
func (p pose) height() float64 { return p.r3.dot(p.t) }

// below is the point of the plane straight below the camera.
func (p pose) below() raster.Point { return raster.Point{X: -p.r1.dot(p.t), Y: -p.r2.dot(p.t)} }

// lowered is the map to pixels of the parallel plane that lies drop
// millimetres deeper.
func (p pose) lowered(drop float64, c camera) Homography {
	t := p.t.add(p.r3.scale(drop))
	across := c.mirror * c.focal
	h := Homography{
		across*p.r1[0] + c.centre.X*p.r1[2], across*p.r2[0] + c.centre.X*p.r2[2], across*t[0] + c.centre.X*t[2],
		c.focal*p.r1[1] + c.centre.Y*p.r1[2], c.focal*p.r2[1] + c.centre.Y*p.r2[2], c.focal*t[1] + c.centre.Y*t[2],
		p.r1[2], p.r2[2], t[2],
	}
	s := 1 / h[8]
	for i := range h {
		h[i] *= s
	}
	return h
}

// groundFromPipe is the map from the ground to pixels for a frame of round
// pipe whose seen inner edge is seen. The line of sight that grazes the pipe
// does not meet the ground below the pipe's inner face but delta away from
// it, on each side by another amount; on the ground the seen edge is still a
// rectangle with sides parallel to the frame's, only a displaced one. delta
// depends on where the camera is, and that on delta: a few rounds suffice.
// radius 0 is a frame without height.
func groundFromPipe(seen Quad, w, h, radius float64, c camera) (Homography, pose, error) {
	var d [4]float64 // of the sides top, right, bottom, left
	for round := 0; ; round++ {
		on := Quad{{X: -d[3], Y: -d[0]}, {X: w + d[1], Y: -d[0]}, {X: w + d[1], Y: h + d[2]}, {X: -d[3], Y: h + d[2]}}
		g, err := QuadToQuad(on, seen)
		if err != nil {
			return g, pose{}, err
		}
		p, _, _, err := poseOf(g, c)
		if err != nil || radius <= 0 || round == 4 {
			return g, p, err
		}
		b, height := p.below(), p.height()
		for i, inward := range [4]float64{b.Y, w - b.X, h - b.Y, b.X} {
			d[i] = grazing(inward, height, radius)
		}
	}
}

// grazing is where the line of sight along the inner side of a pipe meets the
// ground, millimetres outward from the pipe's inner face, for a camera at the
// given height whose foot lies inward millimetres inside that face.
func grazing(inward, height, radius float64) float64 {
	across, down := inward+radius, height-radius
	far := math.Hypot(across, down)
	if !(far > radius) || !(down > 0) {
		return 0
	}
	angle := math.Atan2(across, down) - math.Asin(radius/far)
	return height*math.Tan(angle) - inward
}
