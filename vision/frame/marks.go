package frame

import (
	"fmt"
	"math"

	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// SeenMark is a mark read in the photo, with the corners of its black square
// in luma pixels, clockwise from its own upper-left as printed.
type SeenMark struct {
	Mark    label.Mark
	Corners Quad
	Fixed   int // cells that had to be corrected, at most 2 of 36
}

// fewMarks is the answer when too few marks were read: how many, and what
// frame they belong to.
type fewMarks struct {
	read  int
	class label.Class
}

func (n fewMarks) Error() string { return fmt.Sprintf("%d corner marks read, 3 needed", n.read) }

// Marks that are stuck on by hand are never quite in place. Beyond warnMarkMM
// from where they should lie the frame is reported with a warning, beyond
// maxMarkMM it is refused.
const (
	warnMarkMM = 2.0
	maxMarkMM  = 6.0
)

// findByMarks reads the marks, of which the large ones have been read, and fits
// the frame to all their corners. Marks
// that contradict each other give a *NotFoundError: a photo with inconsistent
// marks is not measured by its edges instead.
func (ws *Workspace) findByMarks(r *raster.Raster, opt Options, large []SeenMark) (Frame, error) {
	seen := ws.allMarks(r, large)
	if len(seen) == 0 {
		return Frame{}, fewMarks{}
	}
	if err := oneFrame(seen); err != nil {
		return Frame{}, err
	}
	class, _ := seen[0].Mark.Class()
	if len(seen) < 3 {
		return Frame{}, fewMarks{len(seen), class}
	}
	rough, err := roughMap(r, seen)
	if err != nil {
		return Frame{}, err
	}
	top, mm, px, print, err := fitMarks(rough, seen)
	if err != nil {
		return Frame{}, badMarks("the corner marks lie on one line")
	}
	off, err := worstOff(top, mm, px)
	if err != nil || off > maxMarkMM {
		return Frame{}, badMarks("the corner marks lie up to %.0f mm from where a %s has them", off, class)
	}
	cam := cameraOf(r, opt.FocalPx)
	p, _, _, err := poseOf(top, cam)
	if err != nil {
		return Frame{}, badMarks("the corner marks cannot lie flat on one frame")
	}
	ground := top
	if opt.PipeDiameterMM > 0 {
		// The plates lie on top of the pipe; the ground is that much deeper.
		flat, err := p.lowered(0, cam).Inverse()
		if err != nil {
			return Frame{}, badMarks("the corner marks cannot lie flat on one frame")
		}
		ground = p.lowered(opt.PipeDiameterMM, cam).Mul(flat).Mul(top)
		p.t = p.t.add(p.r3.scale(opt.PipeDiameterMM))
	}

	w, h := class.WidthMM, class.HeightMM
	q := ground.ApplyQuad(rect(w, h))
	for _, c := range q {
		if !(c.X >= 0 && c.Y >= 0 && c.X <= float64(r.Width) && c.Y <= float64(r.Height)) {
			return Frame{}, badMarks("part of the quadrat lies outside the photo")
		}
	}
	first := upperLeft(r, q)
	inner := top.ApplyQuad(rect(w, h)).turned(first)
	if first%2 == 1 {
		w, h = h, w
	}
	ground, err = QuadToQuad(rect(w, h), q.turned(first))
	if err != nil {
		return Frame{}, badMarks("the corner marks lie on one line")
	}
	f := newFrame(inner, w, h, ground, p)
	f.Method, f.Support = ByMarks, [4]float64{1, 1, 1, 1}
	f.Class, f.HasClass, f.FirstCorner, f.Marks, f.PrintScale = class, true, first, seen, print
	f.Confidence = 1 - .5*off/maxMarkMM
	if len(seen) == 3 {
		f.Confidence *= .9
		f.Warnings = append(f.Warnings, "one corner mark was not read: the fourth corner follows from the other three")
	}
	if off > warnMarkMM {
		f.Warnings = append(f.Warnings, fmt.Sprintf("a corner mark lies %.1f mm from its place: is it flush with the inner corner?", off))
	}
	if opt.WidthMM != 0 && !sameSize(opt, class) {
		f.Warnings = append(f.Warnings, fmt.Sprintf("the marks say %g x %g mm, the settings %g x %g mm: the marks were believed", class.WidthMM, class.HeightMM, opt.WidthMM, opt.HeightMM))
	}
	return f, nil
}

// fitMarks is the map from millimetres to pixels by all corners of the marks,
// with the places it was fitted to and how large the marks are printed. A
// printer that fits the page makes them smaller; as their plates touch the
// frame's corners, their size follows from the frame's and the frame's does not
// follow from theirs.
func fitMarks(rough Homography, seen []SeenMark) (top Homography, mm, px []raster.Point, print float64, err error) {
	for _, s := range seen {
		place, _ := s.Mark.PlacementMM()
		turn := bestTurn(rough, place, s.Corners)
		for i := range 4 {
			px = append(px, s.Corners[(i+turn)%4])
		}
	}
	at := func(scale float64) []raster.Point {
		mm := make([]raster.Point, 0, len(px))
		for _, s := range seen {
			place, _ := s.Mark.PlacementMM()
			class, _ := s.Mark.Class()
			var corner raster.Point // of the frame, where the plate touches it
			if k := s.Mark.Corner(); k == label.UpperRight || k == label.LowerRight {
				corner.X = class.WidthMM
			}
			if k := s.Mark.Corner(); k == label.LowerLeft || k == label.LowerRight {
				corner.Y = class.HeightMM
			}
			for _, p := range place {
				mm = append(mm, raster.Point{X: corner.X + scale*(p[0]-corner.X), Y: corner.Y + scale*(p[1]-corner.Y)})
			}
		}
		return mm
	}
	print = 1.0
	for range 4 {
		mm = at(print)
		if top, err = FitHomography(mm, px); err != nil {
			return top, mm, px, print, err
		}
		back, err := top.Inverse()
		if err != nil {
			return top, mm, px, print, err
		}
		var side float64
		for k := 0; k < len(px); k += 4 {
			q := back.ApplyQuad(Quad(px[k : k+4]))
			side += (q.Side(0) + q.Side(1) + q.Side(2) + q.Side(3)) / float64(len(px))
		}
		print = side / label.MarkSizeMM
	}
	if math.Abs(print-1) <= printTolerance {
		mm = at(1)
		top, err = FitHomography(mm, px)
	}
	return top, mm, px, print, err
}

// printTolerance is how far the size of marks may be off and still be taken as
// nominal: the uncertainty of the estimate is half of that.
const printTolerance = 0.02

func sameSize(opt Options, c label.Class) bool {
	near := func(a, b float64) bool { return math.Abs(a-b) <= .5 }
	return near(opt.WidthMM, c.WidthMM) && near(opt.HeightMM, c.HeightMM) ||
		near(opt.WidthMM, c.HeightMM) && near(opt.HeightMM, c.WidthMM)
}

// oneFrame refuses marks that cannot all belong to one frame.
func oneFrame(seen []SeenMark) error {
	class, _ := seen[0].Mark.Class()
	ids := map[int]bool{}
	for _, s := range seen {
		if c, _ := s.Mark.Class(); c != class {
			return badMarks("marks of two frames in one photo, %s and %s", class, c)
		}
		if ids[s.Mark.ID] {
			return badMarks("the mark of corner %d of %s is in the photo twice", s.Mark.Corner(), class)
		}
		ids[s.Mark.ID] = true
	}
	return nil
}

// mirrored reports whether the stored picture is a mirror image.
func mirrored(r *raster.Raster) bool {
	switch r.Orientation {
	case 2, 4, 5, 7:
		return true
	}
	return false
}

// roughMap is the map from millimetres to pixels by the centres of the marks
// alone, affine for three. It refuses marks in the wrong order.
func roughMap(r *raster.Raster, seen []SeenMark) (Homography, error) {
	var mm, px []raster.Point
	for _, s := range seen {
		place, _ := s.Mark.PlacementMM()
		mm = append(mm, raster.Point{X: (place[0][0] + place[2][0]) / 2, Y: (place[0][1] + place[2][1]) / 2})
		px = append(px, s.Corners.Centre())
	}
	a, b, c, d := sub(mm[1], mm[0]), sub(mm[2], mm[0]), sub(px[1], px[0]), sub(px[2], px[0])
	want, got := cross(a, b), cross(c, d)
	if mirrored(r) {
		got = -got
	}
	if !(want*got > 0) {
		return Homography{}, badMarks("the corner marks are in the wrong order round the frame")
	}
	if len(mm) == 3 { // complete the parallelogram to make the affine map
		for _, p := range []*[]raster.Point{&mm, &px} {
			q := *p
			*p = append(q, raster.Point{X: q[1].X + q[2].X - q[0].X, Y: q[1].Y + q[2].Y - q[0].Y})
		}
	}
	h, err := FitHomography(mm, px)
	if err != nil {
		return h, badMarks("the corner marks lie on one line")
	}
	return h, nil
}

// bestTurn is by how many corners a mark was turned when it was stuck on.
func bestTurn(rough Homography, place [4][2]float64, corners Quad) int {
	best, least := 0, math.Inf(1)
	for turn := range 4 {
		var sum float64
		for i, m := range place {
			sum += dist(rough.Apply(raster.Point{X: m[0], Y: m[1]}), corners[(i+turn)%4])
		}
		if sum < least {
			best, least = turn, sum
		}
	}
	return best
}

// worstOff is the largest distance between a mark's corner and its place.
func worstOff(h Homography, mm, px []raster.Point) (float64, error) {
	back, err := h.Inverse()
	if err != nil {
		return 0, err
	}
	worst := 0.0
	for i := range mm {
		worst = max(worst, dist(back.Apply(px[i]), mm[i]))
	}
	return worst, nil
}

// badMarks says what is wrong with the marks that were read.
func badMarks(format string, args ...any) error {
	return &NotFoundError{fmt.Sprintf(format, args...), "stick each mark on its own corner of one frame and show all of it"}
}
