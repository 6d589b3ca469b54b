// Package frame finds the quadrat frame in a photo and says where its ground
// lies: by the marks stuck at its corners where there are any, by its edges
// where there are none.
//
// Steps of the search by edges: signed line evidence in luma and colour at
// small scale (vote), quadrilaterals of two facing pairs (crossAll), each held
// against the picture (judge), the best brought to a fraction of a pixel on the
// full raster and to one pipe all round (refine), checked as the image of a
// rectangle of the stated size (poseOf), and dropped from the pipe to the
// ground (groundFromPipe). What fails any of these is refused. The full raster
// is looked at only along the sides of the few best.
package frame

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"

	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// Options says what frame to look for.
type Options struct {
	// WidthMM and HeightMM are the inner size of the frame. Which of the two
	// lies across the photo is found out. 0 x 0 looks for marks only.
	WidthMM, HeightMM float64

	// PipeDiameterMM is the outer diameter of a round-pipe frame, 0 for one
	// that is flat: its seen inner edge lies above the ground, and so makes
	// the quadrat look larger than it is. With marks it is the height of the
	// plates above the ground.
	PipeDiameterMM float64

	// FocalPx is the camera's focal length in pixels of the full photo, 0 if
	// not known: then that of a usual phone is taken (26 mm in 35 mm terms,
	// common practice). It matters for tilt, height and pipe correction only.
	FocalPx float64

	// MinSupport is the share of each side's length along which the inner
	// edge must be seen, 0..1.
	MinSupport float64

	// NoMarks leaves corner marks unread.
	NoMarks bool
}

// DefaultOptions looks for a 500 x 500 mm frame, with or without marks.
func DefaultOptions() Options {
	return Options{WidthMM: 500, HeightMM: 500, MinSupport: .4}
}

// Validate says what is wrong with the options.
func (o Options) Validate() error {
	for _, v := range []struct {
		name      string
		mm        float64
		low, high float64
	}{
		{"frame width", o.WidthMM, 50, 5000}, {"frame height", o.HeightMM, 50, 5000},
	} {
		if o.WidthMM == 0 && o.HeightMM == 0 && !o.NoMarks {
			break
		}
		if !(v.mm >= v.low && v.mm <= v.high) {
			return fmt.Errorf("%s of %g mm: use the inner size, %g to %g mm", v.name, v.mm, v.low, v.high)
		}
	}
	if !(o.PipeDiameterMM >= 0 && o.PipeDiameterMM <= 120) {
		return fmt.Errorf("pipe diameter of %g mm: use 0 (flat) to 120 mm", o.PipeDiameterMM)
	}
	if !(o.FocalPx >= 0) || math.IsInf(o.FocalPx, 0) {
		return fmt.Errorf("focal length of %g pixels: use 0 if not known", o.FocalPx)
	}
	if !(o.MinSupport >= .2 && o.MinSupport <= 1) {
		return fmt.Errorf("least support of %g: use .2 to 1", o.MinSupport)
	}
	return nil
}

// Method says how a frame was found.
type Method int

const (
	ByEdges Method = iota + 1
	ByMarks
)

func (m Method) String() string {
	switch m {
	case ByEdges:
		return "edges"
	case ByMarks:
		return "marks"
	}
	return "none"
}

// Frame is where the quadrat lies. Positions are in pixels of the raster's
// luma plane, as stored; corners run clockwise, as a person sees the upright
// photo, from the one nearest its upper left.
type Frame struct {
	Inner  Quad // inner edge as seen
	Ground Quad // the quadrat on the ground, after the pipe's height is taken out

	WidthMM, HeightMM float64    // inner size: corner 0 to 1, corner 1 to 2
	ToPixel           Homography // ground millimetres, from corner 0 toward 1 and 3, to luma pixels

	MMPerPx        float64 // at the centre of the quadrat, millimetres per luma pixel
	TiltDeg        float64 // camera axis against the vertical, degrees
	CameraHeightMM float64 // above the ground, as far as the focal length is right
	PipeWidthMM    float64 // as seen; 0 when found by marks

	Method     Method
	Confidence float64    // 0..1: by edges, the support of the weakest side, the second edge, and whether shape and pipe are as stated; by marks, their number and fit
	Support    [4]float64 // share of each side seen, from corner 0; all 1 by marks

	Class       label.Class // which frame, where a mark was read
	HasClass    bool
	FirstCorner int        // by marks: the frame's own number of the first corner
	Marks       []SeenMark // by marks
	PrintScale  float64    // by marks: their size in the frame over the size they should have; else 0

	// Another tells that a second frame was seen elsewhere in the photo, or inside
	// or around this one, be its pipe of another width; by edges only.
	Another bool

	Warnings []string

	byColour bool // the edge was found by colour alone
	seen     seen // by edges
}

// seen is what else is known of a frame found by its edges.
type seen struct {
	shown    float64 // confidence by how much of the sides is seen
	uneven   float64 // of the side whose strip's two halves differ most, shares
	contrast float64 // steps from ground to pipe over the ground's clutter
	mismatch float64 // of the stated rectangle, see fitRectangle
	pipe     float64 // seen width over the stated diameter, 0 where that is not stated
}

// doubted is the confidence of a frame that is sure to be asked about.
const doubted = LookConfidence - .05

// sure is the confidence in a frame by all that is known of it, from how much of its
// sides is seen. A quad that has the stated shape and a pipe of the stated width
// is hardly ever wrong though leaves lie over its sides; one along the pipe's
// back or along a shadow may be seen all round, but its strip is uneven and has not the pipe's
// width, or nothing tells its strip from the ground, or it misses the stated shape.
// Limits chosen on 205 drawn frames of 18 kinds, 22 of them off by
// 1.5 % of the side or more, and 239 photos of a drawn season.
func (s seen) sure(confidence float64) float64 {
	const (
		faint    = .4  // contrast that the ground has by itself
		misshape = .03 // a side off by a thirtieth
		alike    = .4  // unevenness of a pipe half in the sun
		twofold  = .11 // unevenness times the share by which the width is off
	)
	off := math.Abs(s.pipe - 1)
	switch {
	case s.contrast < faint, s.mismatch > misshape, s.pipe > 0 && s.uneven*off > twofold:
		return min(confidence, doubted)
	case s.pipe == 0 && s.uneven > alike:
		return min(confidence, .95*DoubtfulConfidence)
	case s.pipe > .8 && s.pipe < 1.25 && s.mismatch < .012 && s.contrast > 1:
		return confidence + (1-confidence)*.25
	}
	return confidence
}

// ErrNotFound is what every NotFoundError is by errors.Is.
var ErrNotFound = errors.New("no frame found")

// NotFoundError means that the photo shows no frame that can be trusted.
type NotFoundError struct {
	Reason string // what was seen instead
	WayOut string // what to do about the photo
}

func (e *NotFoundError) Error() string {
	return fmt.Sprintf("%v: %s; %s", ErrNotFound, e.Reason, e.WayOut)
}

// Is makes every NotFoundError an ErrNotFound.
func (e *NotFoundError) Is(target error) bool { return target == ErrNotFound }

// Find looks for the frame. A *NotFoundError is a normal answer and says what
// to do about the photo.
func (ws *Workspace) Find(r *raster.Raster, opt Options) (Frame, error) {
	if err := opt.Validate(); err != nil {
		return Frame{}, err
	}
	if !usable(r) {
		return Frame{}, errors.New("the photo has no colour planes to look at")
	}
	ws.half = plane{}
	byEdges := sync.OnceValues(func() (Frame, error) { return ws.findByEdges(r, opt) })
	var few fewMarks
	if !opt.NoMarks {
		large := ws.coarseMarks(r)
		if len(large) == 0 && opt.WidthMM > 0 {
			// A frame of high confidence without large marks has none.
			if f, err := byEdges(); err == nil && min(f.Confidence, f.seen.shown) >= quickConfidence && shownCoarsely(r, f) {
				return f, nil
			}
		}
		f, err := ws.findByMarks(r, opt, large)
		if err == nil || !errors.As(err, &few) {
			return f, err
		}
	}
	if opt.WidthMM == 0 && few.read > 0 { // one mark says the size already
		opt.WidthMM, opt.HeightMM = few.class.WidthMM, few.class.HeightMM
	}
	if opt.WidthMM == 0 {
		return Frame{}, &NotFoundError{"no corner mark was read", "state the frame's inner size to look for its edges"}
	}
	f, err := byEdges()
	if err == nil && few.read > 0 {
		if sameSize(opt, few.class) {
			f.Class, f.HasClass = few.class, true
		}
		f.Warnings = append(f.Warnings, fmt.Sprintf("only %d corner mark(s) read, 3 needed: found by edges instead", few.read))
	}
	return f, err
}

// cameraOf is the pinhole of the raster: principal point at the middle.
func cameraOf(r *raster.Raster, focalFullPx float64) camera {
	if focalFullPx == 0 {
		// The 35 mm frame's diagonal is 43.27 mm.
		focalFullPx = 26 / 43.27 * math.Hypot(float64(r.FullWidth), float64(r.FullHeight))
	}
	mirror := 1.0
	if mirrored(r) {
		mirror = -1
	}
	return camera{
		mirror: mirror,
		focal:  focalFullPx * float64(r.Width) / float64(r.FullWidth),
		centre: raster.Point{X: float64(r.Width) / 2, Y: float64(r.Height) / 2},
	}
}

// tolerance is how far a quad may depart from the image of a rectangle of the
// stated size: the logarithm of the ratio of its two scales and the sine of its
// departure from a right angle.
type tolerance struct {
	logRatio, skew float64
	// ofFocal is added to both, times the squared sine of the tilt: with a focal
	// length k times the true one a rectangle tilted by t seems to have its
	// scales in the ratio of the root of 1 + (k^2 - 1) sin^2 t.
	ofFocal float64
}

var (
	// guessTolerance is for lines as the votes give them, to 2 degrees.
	guessTolerance = tolerance{.16, .14, 0}
	// looseTolerance is for a frame clearly seen, which may be handmade: one side up
	// to a twentieth off its stated length and corners 3 degrees out of square;
	// and for a focal length a third off.
	looseTolerance = tolerance{.05, .06, .39}
	// strictTolerance is for a frame of which a side is half hidden: what is seen
	// there is accepted if it completes the rectangle, and a photo in which a
	// wrong focal length may hide whether it does is refused. With .02 one or
	// two frames more in a hundred are found, and as many wrong ones.
	strictTolerance = tolerance{.012, .012, 0}
)

// toleranceFor is how close to a rectangle a frame must be of whose weakest side so much is seen:
// strictTolerance up to a quarter more than enough, looseTolerance from 2.25 times as much on.
func toleranceFor(weakest, enough float64) tolerance {
	return between(weakest/enough - 1.25)
}

// toleranceOf is how close to a rectangle a frame of so much confidence must be:
// of one that is seen poorly a side may be mistaken for a line beside it, which
// shows in its shape.
func toleranceOf(confidence float64) tolerance { return between(4 * (confidence - .5)) }

// between is strictTolerance at 0 and looseTolerance at 1.
func between(s float64) tolerance {
	s = min(1, max(0, s))
	a, b := strictTolerance, looseTolerance
	return tolerance{a.logRatio + s*(b.logRatio-a.logRatio), a.skew + s*(b.skew-a.skew), a.ofFocal + s*(b.ofFocal-a.ofFocal)}
}

func (ws *Workspace) findByEdges(r *raster.Raster, opt Options) (Frame, error) {
	const advice = "photograph the whole frame from straight above, its inner edge free of leaves, or stick marks at its corners"
	s := ws.searchPicture(r)
	if s.w < 48 || s.h < 48 {
		return Frame{}, &NotFoundError{"the photo is too small", "use the original from the phone"}
	}
	var grads [channels]gradients
	f, reason := ws.search(r, s, &grads, opt, quickly)
	if f.Confidence < quickConfidence {
		if g, why := ws.search(r, s, &grads, opt, thoroughly); g.Confidence > 0 {
			f = g
		} else if f.Confidence == 0 {
			reason = why
		}
	}
	if f.Confidence == 0 {
		return Frame{}, &NotFoundError{reason, advice}
	}
	f.seen.shown = f.Confidence
	f.Confidence = f.seen.sure(f.Confidence)
	return f, nil
}

// effort says how far a search goes before it gives up.
type effort struct {
	in     []int // channels
	every  int   // every how many-th pixel votes
	lines  int   // a channel's strongest lines
	pairs  int   // a channel's and polarity's strongest pairs of facing lines
	looked int   // guesses looked at
	judged int   // guesses judged
}

// Most frames are clearly seen. Only where none is found, or none that is
// of high confidence, is all the picture searched and every guess that could be
// one.
var (
	quickly    = effort{in: []int{inLuma, inWarmth}, every: 2, lines: 30, pairs: 30, looked: 60, judged: 10}
	thoroughly = effort{in: []int{inLuma, inBlue, inRed, inWarmth}, every: 1, lines: 40, pairs: 60, looked: 300, judged: 48}
)

// quickConfidence is the confidence above which a quick search is enough.
const quickConfidence = .5

// search gives the best frame it finds, of confidence 0 where it finds none,
// and then the reason.
func (ws *Workspace) search(r *raster.Raster, s picture, grads *[channels]gradients, opt Options, e effort) (best Frame, reason string) {
	cam := cameraOf(r, opt.FocalPx)
	all := ws.crossings[:0]
	for _, c := range e.in {
		if grads[c].g == nil {
			grads[c] = gradientsOf(s.planes[c], &ws.pixels[c])
		}
		all = crossAll(all, ws.vote(grads[c], e.every).peaks(e.lines, 40/e.every), s.w, s.h, c, e.pairs, opt.slender())
	}
	ws.crossings = all
	slices.SortStableFunc(all, func(a, b crossed) int { return cmpDesc(a.strength, b.strength) })

	// Of the strongest guesses that can be such a frame at all, those that show
	// most of their sides are judged.
	type looked struct {
		guess
		seen int
	}
	likely := make([]looked, 0, e.looked)
	for _, c := range all {
		if len(likely) == e.looked {
			break
		}
		g, ok := c.guess(s.w, s.h, opt.slender())
		if !ok || slices.ContainsFunc(likely, func(t looked) bool {
			return t.channel == g.channel && t.outward == g.outward && nearQuads(t.quad, g.quad, 4)
		}) {
			continue
		}
		luma, _ := fromUpperLeft(r, s.toLuma(g.quad), [4]float64{})
		if _, _, _, err := fitRectangle(luma, opt, cam, guessTolerance); err != nil {
			continue
		}
		likely = append(likely, looked{g, grads[g.channel].seen(g.quad, g.outward)})
	}
	slices.SortStableFunc(likely, func(a, b looked) int { return b.seen - a.seen })
	var verdicts []verdict
	clear := 0
	for _, g := range likely[:min(len(likely), e.judged)] {
		if clear == enoughClear {
			break
		}
		if v, ok := ws.judge(g.guess, s, grads[g.channel]); ok {
			verdicts = append(verdicts, v)
			if v.score > clearScore {
				clear++
			}
		}
	}
	slices.SortStableFunc(verdicts, func(a, b verdict) int { return cmpDesc(a.score, b.score) })

	// The few best are carried through, for the full raster may see better
	// than the search picture which of them is the inner edge.
	reason = "no four edges that could be one"
	var found, otherPipe []Frame
	for i, v := range distinct(verdicts, mostRefined) {
		// Once a pipe's edge is found by its colour, other lines along the same
		// pipe lead to the same edge.
		if q, _ := fromUpperLeft(r, s.toLuma(v.quad), [4]float64{}); best.byColour && nearQuads(q, best.Inner, .5*best.PipeWidthMM/best.MMPerPx) {
			continue
		}
		f, why := ws.finish(r, s, v, opt, cam)
		if why == "" {
			found = append(found, f)
		} else if f.Confidence > 0 {
			otherPipe = append(otherPipe, f)
		}
		switch {
		case why != "":
		case best.Confidence == 0,
			f.Confidence > best.Confidence && !within(best.Inner, f.Inner),
			f.Confidence > .75*best.Confidence && within(f.Inner, best.Inner):
			best = f
		}
		if i == 0 && why != "" {
			reason = why
		}
	}
	for _, f := range found {
		best.Another = best.Another || f.Confidence > secondFrame*best.Confidence && (apart(f.Inner, best.Inner) || nested(f, best))
	}
	for _, f := range otherPipe {
		best.Another = best.Another || f.Confidence > secondFrame*best.Confidence && nested(f, best)
	}
	return best, reason
}

// nested tells whether one frame lies well inside the other: farther on all four
// sides than the outline of one pipe and its shadow lie from the inner edge.
func nested(a, b Frame) bool {
	const pipes = 3
	if math.Abs(a.Inner.Area()) > math.Abs(b.Inner.Area()) {
		a, b = b, a
	}
	if !within(a.Inner, b.Inner) {
		return false
	}
	wide := pipes * max(a.PipeWidthMM/a.MMPerPx, b.PipeWidthMM/b.MMPerPx)
	for i := range 4 {
		side := lineThrough(b.Inner[i], b.Inner[(i+1)%4])
		for _, p := range a.Inner {
			if math.Abs(side.at(p)) < wide {
				return false
			}
		}
	}
	return true
}

// secondFrame is the confidence, as a share of the best frame's, from which a
// frame in another place counts as a second one.
const secondFrame = 0.6

// apart tells whether neither quad holds the other's middle.
func apart(a, b Quad) bool {
	holds := func(q Quad, p raster.Point) bool {
		turn := math.Copysign(1, q.Area())
		for i := range 4 {
			if turn*cross(sub(q[(i+1)%4], q[i]), sub(p, q[i])) <= 0 {
				return false
			}
		}
		return true
	}
	return !holds(a, b.Centre()) && !holds(b, a.Centre())
}

// The search ends early on an easy photo: after a few guesses that are seen
// nearly all round.
const (
	enoughClear = 4
	clearScore  = 6 // of 7
)

// within reports whether a lies inside b on all four sides. Of two frames one
// inside the other the inner one is the quadrat: the other is the outline of
// the pipe, or the bright line along its back.
func within(a, b Quad) bool {
	turn := math.Copysign(1, b.Area())
	for _, p := range a {
		for i := range 4 {
			if turn*cross(sub(b[(i+1)%4], b[i]), sub(p, b[i])) <= 2*b.Side(i) { // 2 pixels
				return false
			}
		}
	}
	return true
}

// mostRefined is how many verdicts are carried through to the full raster.
const mostRefined = 6

// distinct are the first most verdicts that lie in different places.
func distinct(vs []verdict, most int) (out []verdict) {
	for _, v := range vs {
		if len(out) == most {
			break
		}
		if !slices.ContainsFunc(out, func(o verdict) bool { return nearQuads(o.quad, v.quad, 2.5) }) {
			out = append(out, v)
		}
	}
	return out
}

func cmpDesc(a, b float64) int {
	switch {
	case a > b:
		return -1
	case a < b:
		return 1
	}
	return 0
}

func nearQuads(a, b Quad, tol float64) bool {
	if math.Abs(a[0].X+a[1].X+a[2].X+a[3].X-b[0].X-b[1].X-b[2].X-b[3].X) >= 4*tol {
		return false
	}
	for k := range 4 {
		t := b.turned(k)
		if dist(a[0], t[0]) < tol && dist(a[1], t[1]) < tol && dist(a[2], t[2]) < tol && dist(a[3], t[3]) < tol {
			return true
		}
	}
	return false
}

func (s picture) toLuma(q Quad) Quad {
	for i := range q {
		q[i].X *= s.perPx[0]
		q[i].Y *= s.perPx[1]
	}
	return q
}

// fitRectangle decides which side of the quad is the frame's width and
// refuses a quad that is no image of such a rectangle. mismatch is how far it is
// from one: the larger of the errors of the ratio of its sides, as a logarithm, and
// of its right angles.
func fitRectangle(q Quad, opt Options, cam camera, most tolerance) (w, h, mismatch float64, err error) {
	best := math.Inf(1)
	sizes := [][2]float64{{opt.WidthMM, opt.HeightMM}, {opt.HeightMM, opt.WidthMM}}
	if opt.WidthMM == opt.HeightMM {
		sizes = sizes[:1]
	}
	for _, size := range sizes {
		g, e := QuadToQuad(rect(size[0], size[1]), q)
		if e != nil {
			return 0, 0, 0, e
		}
		p, ratio, skew, e := poseOf(g, cam)
		focal := most.ofFocal * (1 - p.r3[2]*p.r3[2])
		if e != nil || math.Abs(ratio) > most.logRatio+focal || math.Abs(skew) > most.skew+focal {
			continue
		}
		if math.Abs(ratio) < best {
			best, w, h, mismatch = math.Abs(ratio), size[0], size[1], max(math.Abs(ratio), math.Abs(skew))
		}
	}
	if math.IsInf(best, 1) {
		return 0, 0, 0, errors.New("not a rectangle of the stated size")
	}
	return w, h, mismatch, nil
}

// finish turns a verdict into a frame, or says why not. A frame of which
// nothing but the pipe's width is not the stated one comes with the reason.
func (ws *Workspace) finish(r *raster.Raster, s picture, v verdict, opt Options, cam camera) (Frame, string) {
	if v.outside {
		return Frame{}, "of the best candidate only the outer edge is seen"
	}
	if !v.strip() {
		return Frame{}, "the best candidate has no second edge, as a pipe has"
	}
	if ws.shadow(s, v) {
		return Frame{}, "the best candidate is the shadow that a frame throws"
	}
	expect := 0.0
	if opt.PipeDiameterMM > 0 {
		expect = opt.PipeDiameterMM * math.Sqrt(math.Abs(s.toLuma(v.quad).Area())/(opt.WidthMM*opt.HeightMM))
	}
	fine, ok := ws.refine(s, v, expect)
	if !ok {
		return Frame{}, "the edges of the best candidate do not hold at full scale"
	}
	q, support := fromUpperLeft(r, fine.quad, fine.support)
	order := slices.Clone(support[:])
	slices.Sort(order)
	weakest := order[0]
	if weakest < weakShare*opt.MinSupport || weakest < opt.MinSupport && order[1] < opt.MinSupport+.1 {
		return Frame{}, fmt.Sprintf("of the best candidate's weakest side %.0f %% is seen, %.0f %% needed", 100*weakest, 100*opt.MinSupport)
	}
	limits := toleranceFor(weakest, opt.MinSupport)
	if fine.doubtful {
		limits = strictTolerance
	}
	for _, p := range q {
		if p.X < 0 || p.Y < 0 || p.X > float64(r.Width) || p.Y > float64(r.Height) {
			return Frame{}, "a corner lies outside the photo"
		}
	}
	w, h, mismatch, err := fitRectangle(q, opt, cam, limits)
	if err != nil {
		return Frame{}, fmt.Sprintf("the best candidate is %s, %g x %g mm", err, opt.WidthMM, opt.HeightMM)
	}
	ground, p, err := groundFromPipe(q, w, h, opt.PipeDiameterMM/2, cam)
	if err != nil {
		return Frame{}, "the best candidate cannot lie on the ground"
	}
	f := newFrame(q, w, h, ground, p)
	f.byColour = fine.byColour
	// Without colour to tell, the width is read to a search pixel or two only.
	pxPerSearch := (s.perPx[0] + s.perPx[1]) / 2
	f.PipeWidthMM = v.widthPx * pxPerSearch * f.MMPerPx
	slack := max(.5*opt.PipeDiameterMM, 2.5*pxPerSearch*f.MMPerPx)
	if fine.pipePx > 0 {
		f.PipeWidthMM = fine.pipePx * f.MMPerPx
		slack = max(.4*opt.PipeDiameterMM, 4*f.MMPerPx)
	}
	otherPipe := ""
	if f.PipeWidthMM < 3 || f.PipeWidthMM > 90 {
		return Frame{}, fmt.Sprintf("the best candidate's pipe would be %.0f mm wide", f.PipeWidthMM)
	}
	if d := opt.PipeDiameterMM; d > 0 && math.Abs(f.PipeWidthMM-d) > slack {
		otherPipe = fmt.Sprintf("the best candidate's pipe is about %.0f mm wide, not %.3g mm", f.PipeWidthMM, d)
	}
	f.Method = ByEdges
	f.Support = support
	worst := slices.Max(v.uneven[:])
	if worst > mostUneven {
		return Frame{}, cmp.Or(otherPipe, "the best candidate's edges are not those of one pipe, a shadow may lie along them")
	}
	mean := (support[0] + support[1] + support[2] + support[3]) / 4
	f.Confidence = (.5*weakest + .5*mean) * min(1, .7+.3*max(0, slices.Min(v.outer[:]))) * (1 - .6*min(1, worst))
	if f.Confidence < leastConfidence {
		return Frame{}, cmp.Or(otherPipe, "too little of the best candidate is seen")
	}
	if _, _, _, err := fitRectangle(q, opt, cam, toleranceOf(f.Confidence)); err != nil {
		return Frame{}, cmp.Or(otherPipe, fmt.Sprintf("the best candidate is seen poorly and is %s, %g x %g mm", err, opt.WidthMM, opt.HeightMM))
	}
	f.seen = seen{uneven: worst, contrast: fine.contrast, mismatch: mismatch}
	if opt.PipeDiameterMM > 0 {
		f.seen.pipe = f.PipeWidthMM / opt.PipeDiameterMM
	}
	if opt.PipeDiameterMM == 0 {
		f.Warnings = append(f.Warnings, "pipe diameter not stated: the frame's height above the ground is not corrected")
	}
	return f, otherPipe
}

// leastConfidence: of drawn frames found with less than this none was right,
// while with a little more nearly all were.
const leastConfidence = .3

// LookConfidence is the confidence below which a person is asked about a frame
// found by its edges. Of 239 photos of a drawn season, in which weeds grow over the
// frame, 1 has less, the only one off by more than 1 % of the side (2.4 %); at
// DoubtfulConfidence 8 would be asked about, and nothing but that one found.
const LookConfidence = .5

// DoubtfulConfidence is the confidence below which a frame found by its edges
// is worth a glance. Of 165 drawn frames of hard kinds that were found, none with
// more was off by 2 % of the side; frames half in hard shade were, at .61 and .62.
const DoubtfulConfidence = .65

// weakShare of MinSupport is enough for one side where the others are well
// seen. mostUneven is how far the two halves of a pipe may differ in colour.
const (
	weakShare  = .62
	mostUneven = .8
)

// newFrame fills in what follows from the map.
func newFrame(inner Quad, w, h float64, ground Homography, p pose) Frame {
	return Frame{
		Inner: inner, Ground: ground.ApplyQuad(rect(w, h)),
		WidthMM: w, HeightMM: h, ToPixel: ground,
		MMPerPx:        1 / ground.scaleAt(raster.Point{X: w / 2, Y: h / 2}),
		TiltDeg:        p.tiltDeg(),
		CameraHeightMM: p.height(),
	}
}

// fromUpperLeft turns a quad so that it runs clockwise in the upright photo
// and begins at the corner nearest the upper left.
func fromUpperLeft(r *raster.Raster, q Quad, support [4]float64) (Quad, [4]float64) {
	if mirrored(r) {
		q = Quad{q[0], q[3], q[2], q[1]}
		support = [4]float64{support[3], support[2], support[1], support[0]}
	}
	first := upperLeft(r, q)
	var turned [4]float64
	for i := range turned {
		turned[i] = support[(first+i)%4]
	}
	return q.turned(first), turned
}

// upperLeft is the corner nearest the upper left of the upright photo.
func upperLeft(r *raster.Raster, q Quad) int {
	first, least := 0, math.Inf(1)
	for i, p := range q {
		if u := r.ToUpright(p); u.X+u.Y < least {
			first, least = i, u.X+u.Y
		}
	}
	return first
}
