package frame

import (
	"math"
	"math/rand/v2"
	"testing"

	"quadtally/vision/raster"
)

func randomQuad(rng *rand.Rand) Quad {
	q := rect(600, 400)
	for i := range q {
		q[i].X += 200 + 60*rng.NormFloat64()
		q[i].Y += 150 + 60*rng.NormFloat64()
	}
	return q
}

// TestHomographyLaws: corners go where they are told, the inverse undoes, a
// map of a map is their product, and more points than needed change nothing
// when they agree.
func TestHomographyLaws(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		q := randomQuad(rng)
		if !q.Convex() {
			continue
		}
		h, err := QuadToQuad(rect(500, 500), q)
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range h.ApplyQuad(rect(500, 500)) {
			if dist(p, q[i]) > 1e-6 {
				t.Fatalf("corner %d goes to %v, want %v", i, p, q[i])
			}
		}
		back, err := h.Inverse()
		if err != nil {
			t.Fatal(err)
		}
		var src, dst []raster.Point
		for range 9 {
			p := raster.Point{X: 500 * rng.Float64(), Y: 500 * rng.Float64()}
			if d := dist(back.Apply(h.Apply(p)), p); d > 1e-6 {
				t.Fatalf("there and back is off by %g", d)
			}
			if d := dist(back.Mul(h).Apply(p), p); d > 1e-6 {
				t.Fatalf("the product of a map and its inverse is off by %g", d)
			}
			src, dst = append(src, p), append(dst, h.Apply(p))
		}
		fit, err := FitHomography(src, dst)
		if err != nil {
			t.Fatal(err)
		}
		for i := range src {
			if d := dist(fit.Apply(src[i]), dst[i]); d > 1e-6 {
				t.Fatalf("the fit is off by %g", d)
			}
		}
		// The scale of a map is the root of the area it gives a small square.
		p := raster.Point{X: 120, Y: 310}
		const e = 1e-3
		small := h.ApplyQuad(Quad{{X: p.X - e, Y: p.Y - e}, {X: p.X + e, Y: p.Y - e}, {X: p.X + e, Y: p.Y + e}, {X: p.X - e, Y: p.Y + e}})
		if a := math.Sqrt(small.Area()) / (2 * e); math.Abs(a/h.scaleAt(p)-1) > 1e-5 {
			t.Fatalf("scale %g, by area %g", h.scaleAt(p), a)
		}
	}
}

func TestHomographyRefuses(t *testing.T) {
	line := Quad{{X: 0, Y: 0}, {X: 1, Y: 1}, {X: 2, Y: 2}, {X: 3, Y: 3}}
	if h, err := QuadToQuad(line, rect(1, 1)); err == nil {
		t.Errorf("four points on a line gave %v", h)
	}
	if h, err := QuadToQuad(rect(1, 1), Quad{}); err == nil {
		t.Errorf("one point four times gave %v", h)
	}
	if _, err := FitHomography(line[:3], line[:3]); err == nil {
		t.Error("three points gave a map")
	}
	if _, err := (Homography{}).Inverse(); err == nil {
		t.Error("nothing has an inverse")
	}
}

// TestPose: a camera set up by hand comes back from its own homography, and a
// plane lowered by the pipe's height is the plane the camera sees there.
func TestPose(t *testing.T) {
	cam := camera{focal: 800, centre: raster.Point{X: 500, Y: 375}, mirror: 1}
	tilt := 17 * math.Pi / 180
	sin, cos := math.Sincos(tilt)
	want := pose{r1: vec3{1, 0, 0}, r2: vec3{0, cos, sin}, r3: vec3{0, -sin, cos}, t: vec3{-250, -230, 900}}
	h := want.lowered(0, cam)
	got, ratio, skew, err := poseOf(h, cam)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(got.tiltDeg()-17) > 1e-6 || math.Abs(got.height()-want.height()) > 1e-6 || math.Abs(ratio) > 1e-9 || math.Abs(skew) > 1e-9 {
		t.Errorf("tilt %g, height %g (want %g), ratio %g, skew %g", got.tiltDeg(), got.height(), want.height(), ratio, skew)
	}
	low := want.lowered(30, cam)
	p := vec3{100, 200, 30} // a point of the lower plane, by its own coordinates
	c := want.r1.scale(p[0]).add(want.r2.scale(p[1])).add(want.r3.scale(p[2])).add(want.t)
	px := raster.Point{X: 500 + 800*c[0]/c[2], Y: 375 + 800*c[1]/c[2]}
	if d := dist(low.Apply(raster.Point{X: 100, Y: 200}), px); d > 1e-9 {
		t.Errorf("the lowered plane is off by %g px", d)
	}
}

// TestGrazing: seen from straight above the pipe's inner face the line of
// sight touches the face itself; from the side it meets the ground where a
// drawn tangent does; without a pipe nothing is displaced.
func TestGrazing(t *testing.T) {
	if d := grazing(0, 900, 12); math.Abs(d) > 1e-9 {
		t.Errorf("from above: %g", d)
	}
	const inward, height, r = 250.0, 900.0, 13.5
	d := grazing(inward, height, r)
	// Distance of the pipe's axis (r, r) from the line of sight through the
	// camera (-inward, height) and the ground point (d, 0).
	ux, uz := d+inward, -height
	ax, az := r+inward, r-height
	if off := math.Abs(ux*az-uz*ax) / math.Hypot(ux, uz); math.Abs(off-r) > 1e-9 {
		t.Errorf("the line of sight passes %g mm from the axis, want %g", off, r)
	}
	if d := grazing(250, 900, 0); math.Abs(d) > 1e-9 {
		t.Errorf("a flat frame is displaced by %g", d)
	}
}
