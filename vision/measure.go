package vision

import (
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
// data: it can be stored as JSON, sent between machines and settled against
// any threshold later.
type Measurement struct {
	Format      Format `json:"format"`
	Width       int    `json:"width"` // of the upright full-size photo, pixels
	Height      int    `json:"height"`
	Orientation int    `json:"orientation"` // EXIF, 1 where the photo has none
	Denom       int    `json:"denom"`       // scale of the decode: 1/Denom
	Fingerprint string `json:"fingerprint"` // of the settings
	Index       Index  `json:"index"`

	// Frame is nil where the whole photo was measured.
	Frame *FrameFix `json:"frame"`
	// Card is the text of the plot card, "" where none was read.
	Card string `json:"card"`
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
}

// Measure reads one photo: decode, frame, card, straightening, greenness,
// quality. The threshold is a matter of the visit and comes later: see
// VisitThreshold and Settle.
//
// An error means no answer and is one plain sentence with the way out; a
// *NoFrameError still says which card was read. Options are validated.
//
// Many photos are measured faster in one [Workspace].
func Measure(photo []byte, opt Options) (Measurement, error) {
	return new(Workspace).Measure(photo, opt)
}

// Measure is [Measure] in the memory of the last photo. The answer holds none
// of it.
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
	Card          string // the plot card's text, "" where none was read: the photo's place is known all the same
	Width, Height int    // of the upright full-size photo, pixels, for marking the corners
}

func (e *NoFrameError) Error() string {
	return fmt.Sprintf("%v: %s; mark its four inner corners by hand", frame.ErrNotFound, e.Reason)
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
	if opt.ReadCard {
		if white, err = m.readCard(r, opt, marks); err != nil {
			return white, err
		}
	}
	if none != nil {
		none.Card = m.Card
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
	m.Frame = &fix
	m.Notes = append(m.Notes, f.Warnings...)
	for _, k := range f.Marks {
		marks = append(marks, k.Corners)
	}
	return marks, nil
}

// readCard takes the plot card's text, its scale where its size is stated and
// nothing better gives one, and its paper as white where asked. Two cards in
// one photo are an error: the plot is never guessed.
func (m *Measurement) readCard(r *raster.Raster, opt Options, marks []frame.Quad) (white gains, _ error) {
	white = noGains
	co := card.DefaultOptions()
	co.CodeMM, co.Known = opt.CardCodeMM, marks
	read, err := card.Find(r, co)
	if err != nil {
		return white, err
	}
	c, err := read.One()
	switch {
	case errors.Is(err, card.ErrAmbiguous):
		return white, err
	case err != nil:
		m.Notes = append(m.Notes, err.Error())
		return white, nil
	}
	if m.Card, err = label.Encode(c.Label); err != nil {
		return white, err
	}
	if opt.CardWhite {
		var note string
		if white, note = paperGains(c.White); note != "" {
			m.Notes = append(m.Notes, note)
		}
	}
	if c.MMPerPx > 0 && opt.MMPerPx == 0 {
		m.MMPerPx = c.MMPerPx * float64(r.Width) / float64(r.FullWidth)
	}
	return white, nil
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
	f, err := ws.newField(r, stored, n, sigma, opt.Index, white)
	if err != nil {
		return err
	}
	codes := raster.Sized(&ws.codes, f.w*f.h)
	if err := opt.Index.codes(f, codes); err != nil {
		return err
	}

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

	m.Curve = Curve{Index: opt.Index}
	cut := p.fill(codes, f, toField, opt.Exclude, &m.Curve, raster.Sized(&ws.outside, p.Width*p.Height))
	p.keepPlain(&m.Curve)
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
	m.Quality = judge(r, toField, p.Width, p.Height)
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

// maxSmoothMM keeps the seedlings of a large frame from being smoothed away.
const maxSmoothMM = 1.2

// stride is how many cells apart places are mapped exactly; between them they
// lie on a line, which for a tilt of 25 degrees is right to a fiftieth of a
// cell (TestStride).
const stride = 16

// fill samples the codes on to the plane and counts them, held against the
// ground's own colour. It returns the share of the ground outside the photo.
// outside is scratch, one for each cell.
func (p *Plane) fill(codes []uint8, f *field, toField frame.Homography, exclude [][]raster.Point, c *Curve, outside []bool) float64 {
	p.Levels = make([]uint8, p.Width*p.Height)
	clear(outside)
	cut, excluded := 0, 0
	var counts [2][256]uint32 // cells take turns, as counting one code twice in a row is slow
	const one = 1 << 24       // places are whole numbers of this, so that stepping is exact
	at := func(x, y float64) (int, int) {
		q := toField.Apply(raster.Point{X: x, Y: y})
		return int(math.Floor((q.X - f.x0) / f.pitch * one)), int(math.Floor((q.Y - f.y0) / f.pitch * one))
	}
	for y := range p.Height {
		cy := float64(y) + 0.5
		fx, fy := at(0.5, cy)
		for x0 := 0; x0 < p.Width; x0 += stride {
			nx, ny := at(float64(x0)+stride+0.5, cy)
			dx, dy := (nx-fx)/stride, (ny-fy)/stride
			row := p.Levels[y*p.Width+x0 : y*p.Width+min(x0+stride, p.Width)]
			lx, ly := fx+(len(row)-1)*dx, fy+(len(row)-1)*dy
			if len(exclude) == 0 && max(uint(fx), uint(lx))/one < uint(f.w) && max(uint(fy), uint(ly))/one < uint(f.h) {
				for k := range row { // between two places in the photo all are
					code := codes[uint(fy)/one*uint(f.w)+uint(fx)/one]
					fx, fy = fx+dx, fy+dy
					counts[k&1][code]++
					row[k] = code
				}
				fx, fy = nx, ny
				continue
			}
			for k := range row {
				sx, sy := uint(fx)/one, uint(fy)/one // below zero is far outside
				fx, fy = fx+dx, fy+dy
				switch {
				case sx >= uint(f.w) || sy >= uint(f.h):
					outside[y*p.Width+x0+k] = true
					cut++
				case len(exclude) > 0 && p.excluded(exclude, float64(x0+k)+0.5, cy):
					outside[y*p.Width+x0+k] = true
					excluded++
				default:
					code := codes[sy*uint(f.w)+sx]
					counts[0][code]++
					row[k] = code
				}
			}
			fx, fy = nx, ny
		}
	}
	var raw [256]uint64
	for i := range raw {
		raw[i] = uint64(counts[0][i]) + uint64(counts[1][i])
	}
	settled := p.Index.toGround(raw[:])
	first, last, _ := p.Index.grid()
	var level [256]uint8
	for i, code := range settled {
		level[i] = uint8(min(max(int(code)-first+1, 0), last-first+1))
		c.Counts[code] += uint32(raw[i])
	}
	for i, code := range p.Levels {
		p.Levels[i] = level[code]
	}
	if cut+excluded > 0 {
		for i, out := range outside {
			if out {
				p.Levels[i] = Outside
			}
		}
	}
	return float64(cut) / float64(len(p.Levels))
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
		m.Flags = append(m.Flags, Flag{FlagCutFrame, cut, 0.005,
			fmt.Sprintf("%.1f %% of the frame lies outside the photo: step back so that all of it shows", 100*cut)})
	}
	if m.Frame != nil && m.Frame.TiltDeg > limitTilt {
		m.Flags = append(m.Flags, Flag{FlagTilt, m.Frame.TiltDeg, limitTilt,
			fmt.Sprintf("camera was tilted %.0f degrees: hold it straight above the frame", m.Frame.TiltDeg)})
	}
	if limit := smallestPlantMM / cellsPerPlant; m.Plane.MMPerCell > limit {
		m.Flags = append(m.Flags, Flag{FlagCoarse, m.Plane.MMPerCell, limit,
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
	// Quantity says what CoverFrac is of: "green cover", unless crop and weed
	// were told apart; then CropFrac and WeedFrac hold the shares of the
	// ground under pieces of each.
	Quantity string  `json:"quantity"`
	CropFrac float64 `json:"crop_frac,omitempty"`
	WeedFrac float64 `json:"weed_frac,omitempty"`
}

// Settle answers for a measurement at a threshold: cover with its range and
// the pieces. It needs no photo.
func Settle(m Measurement, th Threshold, opt Options) (Result, error) {
	if err := opt.Validate(); err != nil {
		return Result{}, err
	}
	if th.Index != m.Curve.Index {
		return Result{}, fmt.Errorf("threshold is for index %q but the photo was measured with %q: measure it again", th.Index, m.Curve.Index)
	}
	res := Result{CoverFrac: m.Curve.CoverFrac(th.Value), Threshold: th, Quantity: "green cover"}
	res.CoverLo, res.CoverHi = coverRange(res.CoverFrac)
	if m.Plane == nil {
		return res, nil
	}
	pieces, err := m.Plane.Pieces(th.Value, opt.Pieces)
	if err != nil {
		return Result{}, err
	}
	res.Pieces = pieces
	if opt.Pieces.separates() {
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

// CoverAt settles a bare cover curve: cover and its range at a threshold, for
// re-thresholding a season from stored curves.
func CoverAt(c *Curve, th Threshold) (cover, lo, hi float64) {
	cover = c.CoverFrac(th.Value)
	lo, hi = coverRange(cover)
	return cover, lo, hi
}
