package frame

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"

	"quadtally/vision/raster"
)

// Quad is a quadrilateral, its corners clockwise as seen in a picture whose y
// runs downward.
type Quad [4]raster.Point

// Area is the signed area by the shoelace formula, positive for a quad that
// runs clockwise as Quad asks.
func (q Quad) Area() float64 {
	var sum float64
	for i, p := range q {
		n := q[(i+1)%4]
		sum += p.X*n.Y - n.X*p.Y
	}
	return sum / 2
}

// Convex reports whether the quad is strictly convex and clockwise.
func (q Quad) Convex() bool {
	for i := range 4 {
		a, b, c := q[i], q[(i+1)%4], q[(i+2)%4]
		if !(cross(sub(b, a), sub(c, b)) > 0) {
			return false
		}
	}
	return true
}

// Side is the length from corner i to the next.
func (q Quad) Side(i int) float64 {
	d := sub(q[(i+1)%4], q[i%4])
	return math.Hypot(d.X, d.Y)
}

// Centre is where the diagonals cross: the image of the rectangle's own
// centre under any perspective. Where they are parallel it is the mean of
// the corners.
func (q Quad) Centre() raster.Point {
	if p, ok := lineThrough(q[0], q[2]).meet(lineThrough(q[1], q[3])); ok {
		return p
	}
	return raster.Point{X: (q[0].X + q[1].X + q[2].X + q[3].X) / 4, Y: (q[0].Y + q[1].Y + q[2].Y + q[3].Y) / 4}
}

// turned starts the quad at corner k instead.
func (q Quad) turned(k int) Quad {
	return Quad{q[k%4], q[(k+1)%4], q[(k+2)%4], q[(k+3)%4]}
}

// rect is the rectangle from the origin to (w, h).
func rect(w, h float64) Quad {
	return Quad{{X: 0, Y: 0}, {X: w, Y: 0}, {X: w, Y: h}, {X: 0, Y: h}}
}

func sub(a, b raster.Point) raster.Point { return raster.Point{X: a.X - b.X, Y: a.Y - b.Y} }
func cross(a, b raster.Point) float64    { return a.X*b.Y - a.Y*b.X }
func dist(a, b raster.Point) float64     { return math.Hypot(a.X-b.X, a.Y-b.Y) }

// line is the set of points with nx*x + ny*y = rho, (nx, ny) of length one.
type line struct{ nx, ny, rho float64 }

func lineThrough(a, b raster.Point) line {
	dx, dy := b.X-a.X, b.Y-a.Y
	l := math.Hypot(dx, dy)
	nx, ny := dy/l, -dx/l
	return line{nx, ny, nx*a.X + ny*a.Y}
}

// at is the signed distance of p from the line, positive along the normal.
func (l line) at(p raster.Point) float64 { return l.nx*p.X + l.ny*p.Y - l.rho }

// meet is the common point of two lines; false when they are as good as
// parallel.
func (l line) meet(m line) (raster.Point, bool) {
	det := l.nx*m.ny - l.ny*m.nx
	if !(math.Abs(det) > 1e-6) {
		return raster.Point{}, false
	}
	return raster.Point{
		X: (l.rho*m.ny - m.rho*l.ny) / det,
		Y: (l.nx*m.rho - m.nx*l.rho) / det,
	}, true
}

// Homography is a 3 x 3 projective map of the plane, row by row.
type Homography [9]float64

// Apply maps a point. Points on the horizon come back as infinities.
func (h Homography) Apply(p raster.Point) raster.Point {
	w := h[6]*p.X + h[7]*p.Y + h[8]
	return raster.Point{
		X: (h[0]*p.X + h[1]*p.Y + h[2]) / w,
		Y: (h[3]*p.X + h[4]*p.Y + h[5]) / w,
	}
}

// ApplyQuad maps the four corners.
func (h Homography) ApplyQuad(q Quad) Quad {
	for i := range q {
		q[i] = h.Apply(q[i])
	}
	return q
}

// Mul is the map that applies g first and h after.
func (h Homography) Mul(g Homography) (out Homography) {
	for r := range 3 {
		for c := range 3 {
			out[3*r+c] = h[3*r]*g[c] + h[3*r+1]*g[3+c] + h[3*r+2]*g[6+c]
		}
	}
	return out
}

var errDegenerate = errors.New("points lie on one line or fall together: no map between the planes")

// Inverse is the map back.
func (h Homography) Inverse() (Homography, error) {
	inv := Homography{
		h[4]*h[8] - h[5]*h[7], h[2]*h[7] - h[1]*h[8], h[1]*h[5] - h[2]*h[4],
		h[5]*h[6] - h[3]*h[8], h[0]*h[8] - h[2]*h[6], h[2]*h[3] - h[0]*h[5],
		h[3]*h[7] - h[4]*h[6], h[1]*h[6] - h[0]*h[7], h[0]*h[4] - h[1]*h[3],
	}
	det := h[0]*inv[0] + h[1]*inv[3] + h[2]*inv[6]
	var scale float64
	for _, v := range h {
		scale = max(scale, math.Abs(v))
	}
	if !(math.Abs(det) > 1e-15*scale*scale*scale) {
		return Homography{}, errDegenerate
	}
	for i := range inv {
		inv[i] /= det
	}
	return inv, nil
}

// scaleAt is the local magnification of the map at p: the square root of the
// area of the image of a small unit square.
func (h Homography) scaleAt(p raster.Point) float64 {
	w := h[6]*p.X + h[7]*p.Y + h[8]
	q := h.Apply(p)
	a := (h[0] - q.X*h[6]) / w
	b := (h[1] - q.X*h[7]) / w
	c := (h[3] - q.Y*h[6]) / w
	d := (h[4] - q.Y*h[7]) / w
	return math.Sqrt(math.Abs(a*d - b*c))
}

// QuadToQuad is the one homography that takes four corners to four others, by
// way of the unit square (Heckbert 1989, Fundamentals of texture mapping and
// image warping, section 2.2.3).
func QuadToQuad(from, to Quad) (Homography, error) {
	a, ok1 := squareToQuad(from)
	b, ok2 := squareToQuad(to)
	if !ok1 || !ok2 {
		return Homography{}, errDegenerate
	}
	back, err := a.Inverse()
	if err != nil {
		return Homography{}, err
	}
	h := b.Mul(back)
	if !(math.Abs(h[8]) > 0) {
		return Homography{}, errDegenerate
	}
	scale := 1 / h[8]
	for i := range h {
		h[i] *= scale
	}
	return h, nil
}

// squareToQuad takes (0,0), (1,0), (1,1), (0,1) to the corners of q; false
// where three of them lie on one line.
func squareToQuad(q Quad) (Homography, bool) {
	size := 0.0
	for i := range 4 {
		size = max(size, q.Side(i))
	}
	for i := range 4 {
		if !(math.Abs(cross(sub(q[(i+1)%4], q[i]), sub(q[(i+2)%4], q[i]))) > 1e-9*size*size) {
			return Homography{}, false
		}
	}
	e, f := sub(q[1], q[2]), sub(q[3], q[2])
	s := sub(sub(q[0], q[1]), sub(q[3], q[2]))
	det := cross(e, f)
	g, h := cross(s, f)/det, cross(e, s)/det
	return Homography{
		q[1].X - q[0].X + g*q[1].X, q[3].X - q[0].X + h*q[3].X, q[0].X,
		q[1].Y - q[0].Y + g*q[1].Y, q[3].Y - q[0].Y + h*q[3].Y, q[0].Y,
		g, h, 1,
	}, true
}

// FitHomography is the least-squares homography from src to dst, 4 points or
// more: the direct linear transform on normalised coordinates (Hartley &
// Zisserman 2004, Multiple View Geometry, 2nd ed., algorithm 4.2), solved by
// orthogonal decomposition. Points on one line give an error.
func FitHomography(src, dst []raster.Point) (Homography, error) {
	n := len(src)
	if n < 4 || len(dst) != n {
		return Homography{}, errors.New("a map between planes needs 4 points or more in each")
	}
	ts, _, ok1 := normaliser(src)
	td, tdInv, ok2 := normaliser(dst)
	if !ok1 || !ok2 {
		return Homography{}, errDegenerate
	}
	rows := max(2*n, 9)
	a := mat.NewDense(rows, 9, nil)
	for i := range n {
		s, d := ts.Apply(src[i]), td.Apply(dst[i])
		a.SetRow(2*i, []float64{s.X, s.Y, 1, 0, 0, 0, -d.X * s.X, -d.X * s.Y, -d.X})
		a.SetRow(2*i+1, []float64{0, 0, 0, s.X, s.Y, 1, -d.Y * s.X, -d.Y * s.Y, -d.Y})
	}
	var svd mat.SVD
	if !svd.Factorize(a, mat.SVDThinV) {
		return Homography{}, errDegenerate
	}
	values := svd.Values(nil)
	if !(values[7] > 1e-7*values[0]) { // a second null vector: no unique map
		return Homography{}, errDegenerate
	}
	var v mat.Dense
	svd.VTo(&v)
	var h Homography
	for i := range h {
		h[i] = v.At(i, 8)
	}
	h = tdInv.Mul(h).Mul(ts)
	if !(math.Abs(h[8]) > 0) {
		return Homography{}, errDegenerate
	}
	scale := 1 / h[8]
	for i := range h {
		h[i] *= scale
	}
	return h, nil
}

// normaliser moves points to mean 0 and mean distance sqrt(2).
func normaliser(ps []raster.Point) (to, back Homography, ok bool) {
	var m raster.Point
	for _, p := range ps {
		m.X += p.X / float64(len(ps))
		m.Y += p.Y / float64(len(ps))
	}
	var d float64
	for _, p := range ps {
		d += dist(p, m) / float64(len(ps))
	}
	if !(d > 0) || math.IsInf(d, 0) {
		return to, back, false
	}
	s := math.Sqrt2 / d
	return Homography{s, 0, -s * m.X, 0, s, -s * m.Y, 0, 0, 1},
		Homography{1 / s, 0, m.X, 0, 1 / s, m.Y, 0, 0, 1}, true
}
