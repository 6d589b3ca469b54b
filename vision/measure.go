package vision

import (
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"math"

	"quadtally/vision/card"
	"quadtally/vision/classes"
	"quadtally/vision/frame"
	"quadtally/vision/label"
	"quadtally/vision/raster"
)

// Measurement is everything one photo tells, without the photo. It is plain
// data: it can be stored as JSON, sent between machines and evaluated against
// any threshold later.
type Measurement struct {
	Format      Format `json:"format"`
	Width       int    `json:"width"` // of the upright full-size photo, pixels
	Height      int    `json:"height"`
	Orientation int    `json:"orientation"` // EXIF, 1 where the photo has none
	Denom       int    `json:"denom"`       // scale of the decode: 1/Denom
	Fingerprint string `json:"fingerprint"` // of the settings
	Index       Index  `json:"index"`
	// Profile is the name of the photo's ICC colour profile, "" where it has
	// none or none that could be read. Colours are measured in sRGB.
	Profile string `json:"profile,omitempty"`

	// Frame is nil where the whole photo was measured.
	Frame *FrameFix `json:"frame"`
	// Card is the text of the plot card, "" where none was read or more than
	// one lies in the photo.
	Card string `json:"card"`
	// Cards are the texts of all plot cards that were read, and UnreadCards is
	// the number of further ones that could not be. Which of several holds is a
	// person's to say.
	Cards       []string `json:"cards,omitempty"`
	UnreadCards int      `json:"unread_cards,omitempty"`
	// MMPerPx is millimetres per pixel of the full-size photo at the middle of
	// the ground; 0 where the photo has no scale.
	MMPerPx float64 `json:"mm_per_px"`

	Curve Curve  `json:"curve"`
	Plane *Plane `json:"plane,omitempty"`
	// Looks is what the green looks like, nil unless Options.Looks is set.
	Looks   *classes.Looks `json:"looks,omitempty"`
	Quality Quality        `json:"quality"`
	Flags   []Flag         `json:"flags"`
	Notes   []string       `json:"notes,omitempty"`
}

// FrameFix is where the frame lies in the photo.
type FrameFix struct {
	// Corners are the ground's corners, clockwise from the upper left, pixels
	// of the upright full-size photo.
	Corners    [4]raster.Point `json:"corners"`
	InnerMM    [2]float64      `json:"inner_mm"`
	Kind       string          `json:"kind"`       // "marks", "edges" or "by hand"
	Confidence float64         `json:"confidence"` // 0..1
	TiltDeg    float64         `json:"tilt_deg"`
	// Name is which frame it is, as printed beside its corner marks; "" where
	// the marks do not say.
	Name string `json:"name,omitempty"`
	// PrintScale is the size of the corner marks in the photo over the size
	// they are meant to have, as the frame's own size tells it: 0.94 for marks
	// printed at 94 %. The ground's corners do not depend on it. 0 where no
	// marks were read.
	PrintScale float64 `json:"print_scale,omitempty"`
}

// Measure reads one photo: decode, frame, card, straightening, greenness,
// quality. The threshold is a matter of the visit and comes later: see
// VisitThreshold and AtThreshold.
//
// An error means no answer and is one plain sentence with the way out; a
// *NoFrameError still says which card was read. Options are validated.
//
// It works in the memory of the last photo, of which the answer holds nothing.
func (ws *Workspace) Measure(photo []byte, opt Options) (Measurement, error) {
	if err := opt.Validate(); err != nil {
		return Measurement{}, err
	}
	r, format, notes, err := ws.decode(photo, opt.NeedLongSide)
	if err != nil {
		return Measurement{}, err
	}
	m := Measurement{
		Format: format, Orientation: r.Orientation, Denom: r.Denom,
		Fingerprint: opt.Fingerprint(), Index: opt.Index, Notes: notes,
		Flags: []Flag{},
	}
	m.Width, m.Height = r.UprightSize()
	m.Profile = ws.profile
	if ws.badProfile != nil {
		m.Flags = append(m.Flags, Flag{FlagProfile, MustLook, 1, 0, ws.badProfile.Error() + ": its colours were taken for sRGB, leaves may be paler or greener than they are"})
	}
	if long := float64(max(m.Width, m.Height)) / float64(min(m.Width, m.Height)); long > limitLong || stitched(photo, format) {
		m.Flags = append(m.Flags, Flag{FlagPanorama, MustLook, long, limitLong, "photo is a panorama, stitched from several: ground may be in it twice or not at all; take one photo of the frame"})
	}
	white, err := ws.locate(&m, r, opt)
	if err != nil {
		return Measurement{}, err
	}
	if err := ws.look(&m, r, opt, white); err != nil {
		return Measurement{}, err
	}
	return m, nil
}

// NoFrameError is the answer to a photo that could be read but shows no frame
// that can be trusted. With Options.Corners marked by hand it can be measured.
type NoFrameError struct {
	Reason        string
	Card          string // the plot card's text, "" where none or more than one was read: the photo's place is known all the same
	Cards         []string
	UnreadCards   int // see Measurement
	Width, Height int // of the upright full-size photo, pixels, for marking the corners
}

func (e *NoFrameError) Error() string {
	text := fmt.Sprintf("%v: %s; mark its four inner corners by hand", frame.ErrNotFound, e.Reason)
	if n := len(e.Cards) + e.UnreadCards; n > 1 {
		text += fmt.Sprintf(", and say which of %d plot cards holds", n)
	}
	return text
}

// Is makes it a frame.ErrNotFound.
func (e *NoFrameError) Is(target error) bool { return target == frame.ErrNotFound }

// locate finds the ground, the frame's inside or the whole photo, and the
// card, whose paper may be the white reference. The card is read also where no
// frame is found.
func (ws *Workspace) locate(m *Measurement, r *raster.Raster, opt Options) (white gains, err error) {
	white = noGains
	marks, noFrame := ws.findFrame(m, r, opt)
	var none *NoFrameError
	if noFrame != nil && !errors.As(noFrame, &none) {
		return white, noFrame
	}
	sheet, seen := paperOfMarks(r, marks)
	if opt.ReadCard {
		card, ok, err := m.readCard(r, opt, marks)
		if err != nil {
			return white, err
		}
		if ok {
			sheet, seen = card, true
		}
	}
	if seen {
		m.Quality.PaperGreen, m.Quality.PaperClipped = sheet.green()
		// Daylight has no green or magenta cast: one that paper proves is taken
		// out without being asked for.
		if opt.CardWhite && m.Card != "" || opt.Index == IndexSoftExG && math.Abs(m.Quality.PaperGreen) > limitPaper {
			var note string
			if white, note = sheet.gains(); note != "" {
				m.Notes = append(m.Notes, note)
			}
			m.Quality.PaperUsed = white != noGains
		}
	}
	if none != nil {
		none.Card, none.Cards, none.UnreadCards = m.Card, m.Cards, m.UnreadCards
	}
	return white, noFrame
}

// findFrame sets the frame, unless the whole photo is the ground, and tells
// where its marks lie in the Y plane.
func (ws *Workspace) findFrame(m *Measurement, r *raster.Raster, opt Options) (marks []frame.Quad, err error) {
	switch {
	case opt.Corners != nil:
		m.Frame = &FrameFix{Corners: *opt.Corners, InnerMM: opt.FrameMM, Kind: "by hand", Confidence: 1}
		return nil, nil
	case opt.FrameMM[0] == 0 && !opt.FrameByMarks:
		m.MMPerPx = opt.MMPerPx
		return nil, nil
	}
	fo := frame.DefaultOptions()
	fo.WidthMM, fo.HeightMM = opt.FrameMM[0], opt.FrameMM[1]
	fo.PipeDiameterMM, fo.FocalPx = opt.PipeDiameterMM, opt.FocalPx
	f, err := ws.frame.Find(r, fo)
	var none *frame.NotFoundError
	switch {
	case errors.As(err, &none):
		return nil, &NoFrameError{Reason: none.Reason, Width: m.Width, Height: m.Height}
	case err != nil:
		return nil, err
	}
	fix := FrameFix{InnerMM: [2]float64{f.WidthMM, f.HeightMM}, Kind: f.Method.String(), Confidence: f.Confidence, TiltDeg: f.TiltDeg}
	if f.HasClass {
		fix.Name = f.Class.String()
	}
	for i, p := range f.Ground {
		fix.Corners[i] = r.ToUpright(p)
	}
	if f.PrintScale > 0 {
		fix.PrintScale = f.PrintScale
		if off := math.Abs(f.PrintScale - 1); off > limitPrint {
			m.Flags = append(m.Flags, Flag{FlagPrintSize, Glance, off, limitPrint,
				fmt.Sprintf("corner marks are printed at about %.0f %%: print them at 100 %%; the frame's own size was believed", 100*f.PrintScale)})
		}
	}
	if f.Another {
		m.Flags = append(m.Flags, Flag{FlagTwoFrames, MustLook, 2, 1, "two frames lie in the photo, beside or inside one another, and the plainer one of the stated size was measured: mark the corners of the one that holds, or photograph it alone"})
	}
	if f.Method == frame.ByEdges && f.Confidence < frame.DoubtfulConfidence {
		severity := Glance
		if f.Confidence < frame.LookConfidence {
			severity = MustLook
		}
		m.Flags = append(m.Flags, Flag{FlagDoubtfulFrame, severity, f.Confidence, frame.DoubtfulConfidence,
			"the frame was hardly to be seen, or its pipe or shape is not the stated one, and may lie elsewhere: look at its outline and move the corners where they are off"})
	}
	m.Frame = &fix
	m.Notes = append(m.Notes, f.Warnings...)
	for _, k := range f.Marks {
		marks = append(marks, k.Corners)
	}
	return marks, nil
}

// readCard takes the plot card's text, its scale where its size is stated and
// nothing better gives one, and its paper. Where more than one card lies in the
// photo none is taken, and the photo is flagged: the plot is never guessed.
func (m *Measurement) readCard(r *raster.Raster, opt Options, marks []frame.Quad) (sheet paper, ok bool, _ error) {
	co := card.DefaultOptions()
	co.CodeMM, co.Known = opt.CardCodeMM, marks
	read, err := card.Find(r, co)
	if err != nil {
		return sheet, false, err
	}
	for _, c := range read.Cards {
		text, err := label.Encode(c.Label)
		if err != nil {
			return sheet, false, err
		}
		m.Cards = append(m.Cards, text)
	}
	m.UnreadCards = read.Unread
	c, err := read.One()
	switch {
	case errors.Is(err, card.ErrAmbiguous):
		m.Flags = append(m.Flags, Flag{FlagTwoCards, MustLook, float64(len(read.Cards) + read.Unread), 1, err.Error()})
		return sheet, false, nil
	case err != nil:
		m.Notes = append(m.Notes, err.Error())
		return sheet, false, nil
	}
	m.Card = m.Cards[0]
	if c.MMPerPx > 0 && opt.MMPerPx == 0 {
		m.MMPerPx = c.MMPerPx * float64(r.Width) / float64(r.FullWidth)
	}
	return paperOf(c.White), true, nil
}

// ground is the measured area in upright full-size pixels.
func (m *Measurement) ground() frame.Quad {
	if m.Frame != nil {
		return m.Frame.Corners
	}
	return box(float64(m.Width), float64(m.Height))
}

// box is the rectangle from the origin to (w, h).
func box(w, h float64) frame.Quad {
	return frame.Quad{{X: 0, Y: 0}, {X: w, Y: 0}, {X: w, Y: h}, {X: 0, Y: h}}
}

// look measures greenness and quality inside the ground.
func (ws *Workspace) look(m *Measurement, r *raster.Raster, opt Options, white gains) error {
	ground := m.ground()
	var stored frame.Quad // in the Y plane
	for i, p := range ground {
		if !(math.Abs(p.X) < farthest && math.Abs(p.Y) < farthest) {
			return errors.New("a frame corner is not a number or lies far outside the photo: mark the corners again")
		}
		stored[i] = r.FromUpright(p)
	}
	side := func(a, b raster.Point) float64 { return math.Hypot(a.X-b.X, a.Y-b.Y) }
	across := (side(stored[0], stored[1]) + side(stored[3], stored[2])) / 2
	down := (side(stored[1], stored[2]) + side(stored[0], stored[3])) / 2
	around := boundsOf(stored)
	if !(across >= minSide && down >= minSide) || !around.Overlaps(image.Rect(0, 0, r.Width, r.Height)) {
		return errors.New("frame is too small or lies outside the photo: mark its corners again")
	}

	// Samples of n x n pixels, the smallest n that keeps the ground within the
	// working size. Smoothing goes with the size of the ground, so that neither
	// a larger file nor a wider margin changes it, and with the noise there is
	// to smooth: a clean picture keeps its one-pixel gaps.
	n := max(1, int(math.Ceil(max(across, down)/float64(opt.WorkCells))))
	sigma := opt.Smooth * math.Sqrt(across*down/float64(n*n)/1e6)
	if m.Frame != nil {
		mmPerSample := math.Sqrt(m.Frame.InnerMM[0]*m.Frame.InnerMM[1]/(across*down)) * float64(n)
		sigma = min(sigma, maxSmoothMM/mmPerSample)
	}
	sigma *= min(1, roughness(r, around)/fullSmoothing)
	n, sigma = coarser(n, sigma)
	p := &Plane{Index: opt.Index}
	if m.Frame != nil {
		w, h := m.Frame.InnerMM[0], m.Frame.InnerMM[1]
		p.MMPerCell = math.Sqrt(w*h/(across*down)) * float64(n)
		p.Width, p.Height = max(int(math.Round(w/p.MMPerCell)), 1), max(int(math.Round(h/p.MMPerCell)), 1)
		p.MMPerCell = math.Sqrt(w * h / float64(p.Width*p.Height))
		full := math.Sqrt(side(ground[0], ground[1]) * side(ground[1], ground[2]))
		m.MMPerPx = math.Sqrt(w*h) / full
	} else {
		p.Width, p.Height = max(int(across)/n, 1), max(int(down)/n, 1)
		p.MMPerCell = m.MMPerPx * math.Sqrt(float64(m.Width)*float64(m.Height)/float64(p.Width*p.Height))
	}
	toPhoto, err := frame.QuadToQuad(box(float64(p.Width), float64(p.Height)), ground)
	if err != nil {
		return errors.New("three frame corners lie on one line: mark the corners again")
	}
	toField, err := frame.QuadToQuad(box(float64(p.Width), float64(p.Height)), stored)
	if err != nil {
		return errors.New("three frame corners lie on one line: mark the corners again")
	}
	p.ToPhoto = toPhoto

	m.Quality.judge(r, toField, p.Width, p.Height)
	swatches := swatchesOf(r, toField, p.Width, p.Height, white)
	swatches.leaveOut(p, opt.Exclude)
	green := swatches.greennesses()
	m.Quality.GreenSpread, m.Quality.WarmSpread = swatches.spreads()
	m.Quality.GreenFiftieth, m.Quality.GreenQuarter, m.Quality.GreenHalf = green.fiftieth, green.quarter, green.half
	// Paper that shows what the light is outranks the ground.
	seen := swatches
	m.Quality.GroundHue = swatches.groundHue()
	if opt.Index == IndexSoftExG && (m.Quality.PaperGreen == 0 || m.Quality.PaperClipped) {
		var k gains
		k, m.Quality.Corrected = green.lightGains(m.Quality.GroundHue)
		white.red, white.blue = white.red*k.red, white.blue*k.blue
		if k != noGains {
			swatches = swatches.balanced(k)
			m.Quality.CastTaken = math.Log(k.red)
		}
		// A film of algae has one hue, as ground under a green cast has: it is looked
		// for as it was seen.
		if m.Quality.Corrected || k.red < 1 {
			seen = swatches
		}
	}
	marked, thing, nearly, flat := swatches.things()
	m.Quality.ThingFrac, m.Quality.NearThingFrac, m.Quality.FlatFrac = thing, nearly, flat
	m.Quality.GreenFrac = seen.greenFrac()
	m.Quality.MatFrac, m.Quality.GreenRise = seen.mats()
	m.Quality.MatScore = seen.matScore()
	if opt.Index != IndexSoftExG || thing > mostThing {
		marked = nil
	}
	m.Quality.StandsOut, m.Quality.TwoKinds = swatches.standsOut(marked)
	m.Quality.BesideFrac, m.Quality.GroundUneven, m.Quality.Beside = swatches.beside(marked)
	f, err := ws.newField(r, stored, n, sigma, opt.Index, white)
	if err != nil {
		return err
	}
	codes := raster.Sized(&ws.codes, f.w*f.h)
	if err := opt.Index.codes(f, codes); err != nil {
		return err
	}

	m.Curve = Curve{Index: opt.Index}
	m.Quality.Contrast = swatches.contrast()
	cut, move := p.fill(codes, f, toField, opt.Exclude, marked, m.Quality.Contrast, &m.Curve, raster.Sized(&ws.outside, p.Width*p.Height))
	m.Quality.FaintFrac = p.dropUnconnected(&m.Curve, move, p.reach(), &ws.sets)
	m.Quality.BelowFrac = m.Curve.shareBelow(farBelow)
	if m.Curve.Cells() == 0 {
		return errors.New("nothing of the ground is left to measure: check the excluded areas")
	}
	m.Plane = p
	if opt.Looks {
		// Shapes need one outline; the photo's own threshold is near that of its
		// visit, which is not known yet.
		alone, err := VisitThreshold([]Curve{m.Curve}, opt)
		if err != nil {
			return err
		}
		if m.Looks, err = ws.takeLooks(r, p, stored, n, toField, alone.Value, white); err != nil {
			return err
		}
	}
	m.Flags = append(m.Flags, m.Quality.flags()...)
	m.flagGeometry(cut)
	return nil
}

// farthest is how far from the photo's origin a corner may lie, in pixels.
const farthest = 1e6

// coarser doubles the side of a sample, n pixels, where smoothing by sigma
// samples leaves nothing that the finer ones would show: a quarter of the
// samples tells the same. What the larger square itself smooths is taken off.
func coarser(n int, sigma float64) (int, float64) {
	const (
		square = (2*2 - 1) / 12.0 // variance of a mean over two by two samples
		least  = 0.9              // smoothing that must be left, larger samples
	)
	if left := math.Sqrt(max(sigma*sigma-square, 0)) / 2; left >= least {
		return 2 * n, left
	}
	return n, sigma
}

// fullSmoothing is the roughness at and above which a photo gets all of the
// smoothing; the quietest of 200 open field photos has 0.6.
const fullSmoothing = 0.5

// maxSmoothMM keeps thin leaves in a frame from being smoothed into the ground
// and wide ones from being smeared over it; it is about what the open field
// photos have, which show less ground. On the drawn stands (see stands_test.go)
// 0.45 instead costs a tenth more error, and 1.2 twice as much.
const maxSmoothMM = 0.3

// stride is how many cells apart places are mapped exactly; between them they
// lie on a line, which for a tilt of 25 degrees is right to a fiftieth of a
// cell (TestStride).
const stride = 16

// fill samples the codes on to the plane and counts them, held against the
// ground's own colour. It returns the share of the ground outside the photo and
// by how many codes certain green lies higher than usual; contrast is that of the
// photo's brightness. things marks swatches that are green and no plant, nil for
// none: they are counted as bare and change nothing of what ground and leaves look
// like. outside is memory to work in, one for each cell.
func (p *Plane) fill(codes []uint8, f *field, toField frame.Homography, exclude [][]raster.Point, things []bool, contrast float64, c *Curve, outside []bool) (cutFrac float64, move int) {
	p.Levels = make([]uint8, p.Width*p.Height)
	clear(outside)
	cut, excluded, bare := 0, 0, 0
	plainly := len(exclude) == 0 && things == nil
	const one = placeUnit
	// The map from cells to places in steps of the field.
	toSteps := frame.Homography{one / f.pitch, 0, -f.x0 * one / f.pitch, 0, one / f.pitch, -f.y0 * one / f.pitch, 0, 0, 1}.Mul(toField)
	at := func(x, y float64) (int, int) {
		w := 1 / (toSteps[6]*x + toSteps[7]*y + toSteps[8])
		return int(math.Floor((toSteps[0]*x + toSteps[1]*y + toSteps[2]) * w)), int(math.Floor((toSteps[3]*x + toSteps[4]*y + toSteps[5]) * w))
	}
	w, h := uint(f.w), uint(f.h)
	for y := range p.Height {
		cy := float64(y) + 0.5
		fx, fy := at(0.5, cy)
		for x0 := 0; x0 < p.Width; x0 += stride {
			nx, ny := at(float64(x0)+stride+0.5, cy)
			dx, dy := (nx-fx)/stride, (ny-fy)/stride
			row := p.Levels[y*p.Width+x0 : y*p.Width+min(x0+stride, p.Width)]
			lx, ly := fx+(len(row)-1)*dx, fy+(len(row)-1)*dy
			if plainly && max(uint(fx), uint(lx))/one < w && max(uint(fy), uint(ly))/one < h {
				along(row, codes, w, uint(fx), uint(fy), uint(dx), uint(dy)) // between two places in the photo all are
				fx, fy = nx, ny
				continue
			}
			for k := range row {
				sx, sy := uint(fx)/one, uint(fy)/one // below zero is far outside
				fx, fy = fx+dx, fy+dy
				switch {
				case sx >= w || sy >= h:
					outside[y*p.Width+x0+k] = true
					cut++
				case len(exclude) > 0 && p.excluded(exclude, float64(x0+k)+0.5, cy):
					outside[y*p.Width+x0+k] = true
					excluded++
				case things != nil && things[y*swatchesAcross/p.Height*swatchesAcross+(x0+k)*swatchesAcross/p.Width]:
					row[k] = 0
					bare++
				default:
					row[k] = codes[sy*w+sx]
				}
			}
			fx, fy = nx, ny
		}
	}
	raw := frequencies(p.Levels)
	raw[0] -= uint64(cut + excluded + bare) // which stand at 0 and have no say
	grounded, move := p.Index.toGround(raw[:], contrast)
	first, last, _ := p.Index.grid()
	var level [256]uint8
	for i, code := range grounded {
		level[i] = uint8(min(max(int(code)-first+1, 0), last-first+1))
		c.Counts[code] += uint32(raw[i])
	}
	for i, code := range p.Levels {
		p.Levels[i] = level[code]
	}
	c.Counts[first-1] += uint32(bare)
	if cut+excluded > 0 {
		for i, out := range outside {
			if out {
				p.Levels[i] = Outside
			}
		}
	}
	return float64(cut) / float64(len(p.Levels)), move
}

// placeUnit is what one sample of a field counts: places are whole numbers, so
// that stepping is exact.
const placeUnit = 1 << 24

// along takes the codes on a line, from the place (x, y) in steps of (dx, dy),
// which may turn round below zero; mostly they are all in one row. w is the codes'
// width. It is kept apart so that all it counts with stays in registers.
//
//go:noinline
func along(row, codes []uint8, w, x, y, dx, dy uint) {
	if n := uint(len(row) - 1); y/placeUnit == (y+n*dy)/placeUnit {
		line := codes[y/placeUnit*w:][:w]
		for k := range row {
			row[k] = line[x/placeUnit]
			x += dx
		}
		return
	}
	for k := range row {
		row[k] = codes[y/placeUnit*w+x/placeUnit]
		x, y = x+dx, y+dy
	}
}

// frequencies counts how often each value occurs. Eight values are taken at a time
// and counted by turns in four tables: to count one value twice in a row waits
// for the first.
func frequencies(values []uint8) (sum [256]uint64) {
	var counts [4][256]uint32
	for ; len(values) >= 8; values = values[8:] {
		v := binary.LittleEndian.Uint64(values)
		counts[0][uint8(v)]++
		counts[1][uint8(v>>8)]++
		counts[2][uint8(v>>16)]++
		counts[3][uint8(v>>24)]++
		counts[0][uint8(v>>32)]++
		counts[1][uint8(v>>40)]++
		counts[2][uint8(v>>48)]++
		counts[3][uint8(v>>56)]++
	}
	for _, v := range values {
		counts[0][v]++
	}
	for i := range sum {
		sum[i] = uint64(counts[0][i]) + uint64(counts[1][i]) + uint64(counts[2][i]) + uint64(counts[3][i])
	}
	return sum
}

func (p *Plane) excluded(areas [][]raster.Point, x, y float64) bool {
	at := p.At(x, y)
	for _, a := range areas {
		if inside(a, at) {
			return true
		}
	}
	return false
}

// flagGeometry adds the doubts that come from where the ground lies.
func (m *Measurement) flagGeometry(cut float64) {
	if cut > 0.005 {
		m.Flags = append(m.Flags, Flag{FlagCutFrame, MustLook, cut, 0.005,
			fmt.Sprintf("%.1f %% of the frame lies outside the photo: step back so that all of it shows", 100*cut)})
	}
	if m.Frame != nil && m.Frame.TiltDeg > limitTilt {
		m.Flags = append(m.Flags, Flag{FlagTilt, Glance, m.Frame.TiltDeg, limitTilt,
			fmt.Sprintf("camera was tilted %.0f degrees: hold it straight above the frame", m.Frame.TiltDeg)})
	}
	if limit := smallestPlantMM / cellsPerPlant; m.Plane.MMPerCell > limit {
		severity := Glance
		if m.Plane.MMPerCell > lookCoarse*limit {
			severity = MustLook
		}
		m.Flags = append(m.Flags, Flag{FlagCoarse, severity, m.Plane.MMPerCell, limit,
			fmt.Sprintf("one cell is %.1f mm: seedlings under %.0f mm are missed; go closer", m.Plane.MMPerCell, smallestPlantMM)})
	}
}

// Result is a measurement held against a threshold.
type Result struct {
	CoverFrac float64 `json:"cover_frac"` // green share of the ground, 0..1
	// CoverLo and CoverHi bound the cover that careful hand masks would give;
	// see interval.go for how often they did.
	CoverLo   float64   `json:"cover_lo"`
	CoverHi   float64   `json:"cover_hi"`
	Threshold Threshold `json:"threshold"`
	// Pieces are the connected patches of green above the least area, largest
	// first; nil where the measurement was stored without its plane.
	Pieces   []Piece  `json:"pieces"`
	Warnings []string `json:"warnings,omitempty"`
	// Flags are doubts that only a threshold shows; those of the photo are in
	// the measurement.
	Flags []Flag `json:"flags,omitempty"`
	// Quantity says what CoverFrac is of: "green cover", unless crop and weed
	// were told apart; then CropFrac and WeedFrac hold the shares of the
	// ground under pieces of each.
	Quantity string  `json:"quantity"`
	CropFrac float64 `json:"crop_frac,omitempty"`
	WeedFrac float64 `json:"weed_frac,omitempty"`
}

// AtThreshold answers for a measurement at the threshold that its photo has in the
// visit (see Threshold.For): cover with its range and the pieces. th is the
// visit's. It needs no photo.
func AtThreshold(m Measurement, th Threshold, opt Options) (Result, error) {
	if err := opt.Validate(); err != nil {
		return Result{}, err
	}
	th, err := th.For(m.Curve, opt)
	if err != nil {
		return Result{}, err
	}
	res := Result{CoverFrac: m.Curve.CoverFrac(th.Value), Threshold: th, Quantity: "green cover"}
	res.CoverLo, res.CoverHi = coverRange(&m.Curve, th.Value)
	if wide := res.CoverHi - res.CoverLo; wide > limitRange {
		res.Flags = append(res.Flags, Flag{FlagWideRange, MustLook, wide, limitRange,
			fmt.Sprintf("cover hangs on the threshold, %.0f to %.0f %%: faint green, look at its outline", 100*res.CoverLo, 100*res.CoverHi)})
	}
	if looks := m.Quality.GreenFrac; m.Index == IndexSoftExG && res.CoverFrac > tenPoints && looks < looksGreen*res.CoverFrac {
		res.Flags = append(res.Flags, Flag{FlagFaint, MustLook, res.CoverFrac - looks, (1 - looksGreen) * res.CoverFrac,
			fmt.Sprintf("%.0f %% was counted as green and %.0f %% looks so: pale leaves, a film on the ground, or a cast; look at the outline", 100*res.CoverFrac, 100*looks)})
	}
	limit := limitTwoWays
	if m.Quality.DarkFrac > inShade {
		limit = limitInShade
	}
	if off := m.Quality.StandsOut - res.CoverFrac; m.Index == IndexSoftExG && m.Quality.TwoKinds && math.Abs(off) > limit {
		text := "%.0f %% was counted as green and %.0f %% stands out from the ground, each spot held against its own light: look for leaves in shade, dappled light or frost"
		if off < 0 {
			text = "%.0f %% was counted as green and only %.0f %% stands out from the ground, each spot held against its own light: look for a film of moss or algae, glare, or green cast on the ground"
		}
		res.Flags = append(res.Flags, Flag{FlagTwoWays, MustLook, math.Abs(off), limit, fmt.Sprintf(text, 100*res.CoverFrac, 100*m.Quality.StandsOut)})
	}
	if f, ok := m.Quality.matFlag(res.CoverFrac); ok {
		res.Flags = append(res.Flags, f)
	}
	res.Flags = append(res.Flags, m.weighed(th.Value, res.CoverFrac)...)
	if m.Plane == nil {
		return res, nil
	}
	pieces, err := m.Plane.Pieces(th.Value, opt.Pieces)
	if err != nil {
		return Result{}, err
	}
	res.Pieces = pieces
	if len(opt.Pieces.Crop) > 0 {
		res.Quantity = "green cover, crop and weed told apart by what was stated"
		cells := float64(m.Curve.Cells())
		for _, q := range pieces {
			switch q.Kind {
			case Crop:
				res.CropFrac += float64(q.Cells) / cells
			case Weed:
				res.WeedFrac += float64(q.Cells) / cells
			}
		}
	}
	return res, nil
}
