package demo

import "math"

// vec is a point or direction on the trial ground in millimetres: x to the
// right and y down as the frame is seen from above with its first corner at
// the top left, z up towards the phone. The origin is the frame's centre.
type vec struct{ X, Y, Z float64 }

func (a vec) add(b vec) vec       { return vec{a.X + b.X, a.Y + b.Y, a.Z + b.Z} }
func (a vec) sub(b vec) vec       { return vec{a.X - b.X, a.Y - b.Y, a.Z - b.Z} }
func (a vec) scale(k float64) vec { return vec{a.X * k, a.Y * k, a.Z * k} }
func (a vec) dot(b vec) float64   { return a.X*b.X + a.Y*b.Y + a.Z*b.Z }
func (a vec) norm() float64       { return math.Sqrt(a.dot(a)) }
func (a vec) cross(b vec) vec     { return vec{a.Y*b.Z - a.Z*b.Y, a.Z*b.X - a.X*b.Z, a.X*b.Y - a.Y*b.X} }
func (a vec) rotate(k vec, t float64) vec {
	// Rodrigues' rotation of a about the unit axis k by t radians.
	c, s := math.Cos(t), math.Sin(t)
	return a.scale(c).add(k.cross(a).scale(s)).add(k.scale(k.dot(a) * (1 - c)))
}

// Pt is a position: pixels of the upright photo where the name says so,
// millimetres on the ground otherwise.
type Pt struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
}

// View is how the phone was held over the quadrat.
type View struct {
	HeightMM     float64 `json:"height_mm"`   // lens above the ground
	TiltDeg      float64 `json:"tilt_deg"`    // optical axis against the vertical
	TiltToDeg    float64 `json:"tilt_to_deg"` // ground direction the axis leans to
	RollDeg      float64 `json:"roll_deg"`    // turn of the frame within the upright picture
	AimX         float64 `json:"aim_x_mm"`    // ground point in the picture's centre
	AimY         float64 `json:"aim_y_mm"`
	FocalPerLong float64 `json:"focal_per_long"` // focal length over the picture's long side
	Barrel       float64 `json:"barrel"`         // radial share at the picture's corner, >= 0
}

// camera is a View bound to a picture size.
type camera struct {
	centre  vec
	x, y, z vec // right, down and forward in the upright picture
	f       float64
	u0, v0  float64 // principal point, in pixels counted from the first pixel's outer edge
	k       float64 // radial coefficient per squared pixel
	w, h    int
}

// newCamera binds view v to a picture of w x h pixels.
func newCamera(v View, w, h int) camera {
	roll := v.RollDeg * math.Pi / 180
	x := vec{math.Cos(roll), -math.Sin(roll), 0}
	y := vec{math.Sin(roll), math.Cos(roll), 0}
	z := vec{0, 0, -1}
	tilt, to := v.TiltDeg*math.Pi/180, v.TiltToDeg*math.Pi/180
	toward := vec{math.Cos(to), math.Sin(to), 0}
	axis := z.cross(toward)
	x, y, z = x.rotate(axis, tilt), y.rotate(axis, tilt), z.rotate(axis, tilt)
	c := camera{x: x, y: y, z: z, w: w, h: h}
	c.centre = vec{v.AimX, v.AimY, 0}.sub(z.scale(v.HeightMM / -z.Z))
	c.f = v.FocalPerLong * float64(max(w, h))
	c.u0, c.v0 = float64(w)/2, float64(h)/2
	c.k = v.Barrel / (c.u0*c.u0 + c.v0*c.v0)
	return c
}

// ray returns the direction of the light that reaches picture position (u, v).
func (c *camera) ray(u, v float64) vec {
	du, dv := u-c.u0, v-c.v0
	g := (1 + c.k*(du*du+dv*dv)) / c.f
	return c.z.add(c.x.scale(du * g)).add(c.y.scale(dv * g))
}

// ground returns where the ray of (u, v) meets the ground. The tilt is bounded
// so that every ray of a picture points down.
func (c *camera) ground(u, v float64) (x, y float64) {
	d := c.ray(u, v)
	s := c.centre.Z / -d.Z
	return c.centre.X + s*d.X, c.centre.Y + s*d.Y
}

// project returns the picture position of p. Pixel (i, j) has its centre at
// (i+0.5, j+0.5).
func (c *camera) project(p vec) Pt {
	q := p.sub(c.centre)
	m := c.f / q.dot(c.z)
	ux, uy := q.dot(c.x)*m, q.dot(c.y)*m
	// Undo the radial term by fixed-point steps; it is a fraction of a percent.
	dx, dy := ux, uy
	for range 8 {
		g := 1 + c.k*(dx*dx+dy*dy)
		dx, dy = ux/g, uy/g
	}
	return Pt{c.u0 + dx, c.v0 + dy}
}

// seen returns where on the ground plane a point at height z appears to lie,
// looking from the lens: plants and pipes stand above the plane that a
// straightened photo shows.
func (c *camera) seen(x, y, z float64) (float64, float64) {
	k := c.centre.Z / (c.centre.Z - z)
	return c.centre.X + (x-c.centre.X)*k, c.centre.Y + (y-c.centre.Y)*k
}

// footprint returns the ground rectangle which holds the whole picture.
func (c *camera) footprint() (x0, y0, x1, y1 float64) {
	x0, y0, x1, y1 = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	w, h := float64(c.w), float64(c.h)
	for _, p := range [][2]float64{{0, 0}, {w, 0}, {0, h}, {w, h}, {w / 2, 0}, {w / 2, h}, {0, h / 2}, {w, h / 2}} {
		x, y := c.ground(p[0], p[1])
		x0, x1 = min(x0, x), max(x1, x)
		y0, y1 = min(y0, y), max(y1, y)
	}
	return x0, y0, x1, y1
}

// near says whether a ground place lies in the picture or within margin mm of
// it; up to a third of the margin more where the picture is tilted.
func (c *camera) near(x, y, margin float64) bool {
	p := c.project(vec{x, y, 0})
	m := 1.35 * margin * c.f / c.centre.Z
	return p.X > -m && p.Y > -m && p.X < float64(c.w)+m && p.Y < float64(c.h)+m
}
