// Package reviewdata is what the review page works on: it answers the page from
// the record of a trial and carries out what a person asks for there, on the
// same path as the commands.
package reviewdata

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
	"quadtally/vision/raster"
)

// Backend is a trial as the review page sees it.
type Backend struct {
	ctx    context.Context // of the whole page: work goes on when a request ends
	store  *record.Store
	season *season.Season
	author string // who the page's actions are stored as

	acting sync.Mutex // one action at a time

	mu         sync.Mutex // guards what follows
	snap       *record.Snapshot
	at         time.Time
	pictures   map[string]*season.Picture // drawn before
	pictureLen int                        // their bytes

	sorters map[int]sorter          // by visit
	asked   map[int]map[string]bool // photos of a visit whose plant was asked about in this run

	decoding chan struct{} // semaphore: at most two photos are decoded at a time
}

const (
	// snapshotLife is how long what another program writes may go unseen.
	snapshotLife = 2 * time.Second
	maxPictures  = 64 << 20 // bytes of pictures kept
	longStraight = 1000
	longUpright  = 1200
	longSmall    = 240
	longClose    = 2000
	longFull     = 3000
	highCard     = 480
)

// New answers the page from an open record, which stays the caller's to close.
// ctx ends what the page began.
func New(ctx context.Context, store *record.Store, author string) *Backend {
	opt := season.Options{Workers: 1, Limit: time.Minute}
	return &Backend{ctx: ctx, store: store, season: season.New(store, opt), author: author,
		pictures: map[string]*season.Picture{}, sorters: map[int]sorter{}, asked: map[int]map[string]bool{}, decoding: make(chan struct{}, 2)}
}

// snapshot is the trial as it stands, at most snapshotLife old.
func (b *Backend) snapshot(ctx context.Context) (*record.Snapshot, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.snap != nil && time.Since(b.at) < snapshotLife {
		return b.snap, nil
	}
	snap, err := b.store.Snapshot(ctx)
	if err == nil {
		b.snap, b.at = snap, time.Now()
	}
	return snap, err
}

// reread makes the next look read the record anew.
func (b *Backend) reread() {
	b.mu.Lock()
	b.snap = nil
	b.mu.Unlock()
}

func (b *Backend) find(ctx context.Context, hash string) (*record.Snapshot, *record.Photo, error) {
	snap, err := b.snapshot(ctx)
	if err != nil {
		return nil, nil, err
	}
	p, ok := snap.Photo(hash)
	if !ok {
		return nil, nil, review.ErrUnknown
	}
	return snap, p, nil
}

// Season lists the trial's photos, by visit and walking order.
func (b *Backend) Season(ctx context.Context) (review.Season, error) {
	snap, err := b.snapshot(ctx)
	if err != nil {
		return review.Season{}, err
	}
	s := review.Season{Trial: snap.Trial.Name, Author: b.author, ReadOnly: b.store.ReadOnly(), PerPlot: snap.Trial.Quadrat.PerPlot,
		Rule: snap.Trial.Quadrat.CountRule, Entry: snap.Entry, Shown: b.treatmentsShown(snap)}
	for i, day := range snap.Trial.Visits {
		s.Visits = append(s.Visits, review.Visit{Number: i + 1, Date: day.String()})
	}
	s.Visits = append(s.Visits, review.Visit{})
	order := map[string]int{}
	for i, p := range snap.Plots {
		order[p.ID] = i
		plot := review.Plot{ID: p.ID}
		if s.Shown {
			plot.Treatment = p.Treatment
		}
		s.Plots = append(s.Plots, plot)
	}
	counted := snap.Counted()
	for _, o := range snap.Observations {
		if o.IsCount() && o.Class != "" && !slices.Contains(s.Classes, o.Class) {
			s.Classes = append(s.Classes, o.Class)
		}
	}
	slices.Sort(s.Classes)
	s.Classes = countedClasses(&snap.Trial, s.Classes)
	s.Plants = plantClasses(snap)
	for i := range snap.Photos {
		p := &snap.Photos[i]
		shot := b.shotOf(snap, p)
		shot.Counted = counted[p.Place.Spot()]
		s.Shots = append(s.Shots, shot)
	}
	last := func(visit int) int { // photos of no visit come last
		if visit == 0 {
			return len(snap.Trial.Visits) + 1
		}
		return visit
	}
	slices.SortStableFunc(s.Shots, func(x, y review.Shot) int {
		xo, yo := len(order), len(order)
		if i, ok := order[x.Plot]; ok {
			xo = i
		}
		if i, ok := order[y.Plot]; ok {
			yo = i
		}
		return cmp.Or(cmp.Compare(last(x.Visit), last(y.Visit)), cmp.Compare(xo, yo), cmp.Compare(x.Quadrat, y.Quadrat))
	})
	return s, nil
}

// countedClasses are the classes that one counts: those of the plan, then those
// that were counted besides; the default ones where there are neither.
func countedClasses(t *trial.Trial, stored []string) []string {
	var out []string
	if len(t.Classes) > 0 || len(stored) == 0 {
		for _, c := range t.PlantClasses() {
			out = append(out, c.Name)
		}
	}
	for _, name := range stored {
		if !slices.ContainsFunc(out, func(c string) bool { return trial.NameKey(c) == trial.NameKey(name) }) {
			out = append(out, name)
		}
	}
	return out
}

// pageStates are the states of a photo as the page shows them.
var pageStates = map[record.PhotoState]review.State{
	record.PhotoSetAside: review.Aside, record.PhotoUnread: review.Unread, record.PhotoUnmeasured: review.Unread,
	record.PhotoAwaitsPlace: review.Waiting, record.PhotoSpare: review.Spare, record.PhotoInUse: review.InUse,
}

// treatmentsShown reports that the person at the page asked for them.
func (b *Backend) treatmentsShown(snap *record.Snapshot) bool {
	d, ok := snap.Decision(record.PageSubject(b.author), record.KindBlind)
	var v record.Blind
	return ok && json.Unmarshal(d.Value, &v) == nil && v.Off
}

func (b *Backend) shotOf(snap *record.Snapshot, p *record.Photo) review.Shot {
	s := review.Shot{Hash: p.Hash, Name: filepath.Base(p.Path), Visit: p.Place.Visit, Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Accepted: season.Answered(p)}
	if pl, ok := snap.Plot(s.Plot); ok && b.treatmentsShown(snap) {
		s.Treatment = pl.Treatment
	}
	s.State, s.Why = pageStates[p.State()], p.Why()
	for _, d := range doubts(season.Doubts(p)) {
		if d.Look {
			s.Looks++
		} else {
			s.Glances++
		}
	}
	return s
}

// doubts are flags as the page shows them, the gravest first.
func doubts(flags []vision.Flag) []review.Doubt {
	var out []review.Doubt
	for _, f := range flags {
		out = append(out, review.Doubt{Text: f.Text, Look: f.Severity == vision.MustLook})
	}
	slices.SortStableFunc(out, func(a, b review.Doubt) int {
		switch {
		case a.Look == b.Look:
			return 0
		case a.Look:
			return -1
		}
		return 1
	})
	return out
}

var basisWords = map[string]string{intake.ByCard: "its plot card", intake.BySheet: "your sheet", intake.ByName: "its name",
	intake.ByHand: "what was said by hand", "order": "the walking order"}

// Photo is everything that is known of one photo.
func (b *Backend) Photo(ctx context.Context, hash string) (review.Photo, error) {
	snap, p, err := b.find(ctx, hash)
	if err != nil {
		return review.Photo{}, err
	}
	out := review.Photo{Shot: b.shotOf(snap, p), Taken: strings.Replace(p.Taken, "T", " ", 1), Basis: basisWords[p.Place.Basis],
		Proposed: p.Place.State == record.PlaceProposed, LikelyVisit: likelyVisit(snap, p), WholeCopy: wholeCopy(snap, p), Evidence: evidence(snap, p)}
	force, beside := snap.CountsAt(p.Place.Spot())
	out.Counted, out.Counts, out.Beside = len(force) > 0, countsIn(force), countsIn(beside)
	if p.State() == record.PhotoUnread {
		_, err := b.draw(ctx, p, review.Upright)
		out.Drawable = err == nil
	}
	out.Notes = append(out.Notes, p.Notes...)
	steps, err := b.Log(ctx)
	if err != nil {
		return out, err
	}
	for _, s := range steps {
		if s.Hash == hash && s.Live {
			out.Steps = append(out.Steps, s)
		}
	}
	if p.Camera != "" {
		out.Found = append(out.Found, review.Fact{Name: "Camera", Text: p.Camera})
	}
	if p.MeasurementID == 0 || p.Fault != "" {
		return out, nil
	}
	m, err := b.measurement(ctx, p)
	if err != nil {
		return out, err
	}
	if out.Measured = m.Plane != nil; out.Measured {
		out.WidthPx, out.HeightPx = sizeOfStraight(m.Plane.Width, m.Plane.Height, longStraight)
	}
	out.Doubts = doubts(season.Doubts(p))
	out.Notes = append(out.Notes, m.Notes...)
	out.Found = append(foundIn(m), out.Found...)
	if m.Frame != nil {
		var c [4]review.XY
		for i, q := range m.Frame.Corners {
			c[i] = review.XY{q.X / float64(m.Width), q.Y / float64(m.Height)}
		}
		out.Corners = &c
	}
	if r := p.Result; r != nil {
		th := snap.Thresholds[p.Place.Visit]
		if r.Threshold != th.Value {
			th.Basis = fmt.Sprintf("between %.4g of its visit and what this photo would have alone; of the visit by the %s", th.Value, th.Basis)
		}
		out.Numbers = &review.Numbers{Quantity: r.Kind, WeedsOnly: r.WeedsOnly(), CoverFrac: r.CoverFrac, LoFrac: r.LoFrac, HiFrac: r.HiFrac, Pieces: r.Pieces,
			Threshold: r.Threshold, Basis: th.Basis, ByHand: th.ByHand, Notes: append(slices.Clip(r.Notes), sortedWords(p)...)}
	}
	out.Areas, err = drawnAreas(snap, hash, &m)
	return out, err
}

func foundIn(m vision.Measurement) []review.Fact {
	fact := func(name, text string) review.Fact { return review.Fact{Name: name, Text: text} }
	frame := "none looked for: the whole photo was measured"
	if f := m.Frame; f != nil {
		kind := map[string]string{"marks": "by its printed corner marks", "edges": "by its four sides", "by hand": "corners set by hand"}[f.Kind]
		frame = cmp.Or(kind, f.Kind)
		if f.Confidence < 1 {
			frame += fmt.Sprintf(", confidence %.0f %%", 100*f.Confidence)
		}
		if f.TiltDeg > 0 {
			frame += fmt.Sprintf(", camera tilted %.0f°", f.TiltDeg)
		}
	}
	out := []review.Fact{fact("Frame", frame), fact("Card", cmp.Or(m.Card, "none read"))}
	if m.MMPerPx > 0 {
		out = append(out, fact("Scale", fmt.Sprintf("%.3f mm a pixel", m.MMPerPx)))
	}
	return append(out, fact("Photo", fmt.Sprintf("%d × %d pixels, %s", m.Width, m.Height, m.Format)))
}

// drawnAreas are what people drew on a photo, in the straight view.
func drawnAreas(snap *record.Snapshot, hash string, m *vision.Measurement) ([]review.Area, error) {
	plane := m.Plane
	if plane == nil {
		return nil, nil
	}
	back, ok := invert(plane.ToPhoto)
	if !ok {
		return nil, nil
	}
	toPlane := vision.Plane{ToPhoto: back}
	var out []review.Area
	add := func(class review.Class, ring [][2]float64) {
		a := review.Area{Class: class}
		for _, q := range ring {
			at := toPlane.At(q[0], q[1])
			a.Points = append(a.Points, review.XY{at.X / float64(plane.Width), at.Y / float64(plane.Height)})
		}
		out = append(out, a)
	}
	g, err := season.GuideOf(snap, hash)
	if err != nil {
		return nil, err
	}
	for _, ring := range g.Exclude {
		add(review.LeftOut, ring)
	}
	marks, err := season.MarksOf(snap, hash)
	for _, p := range marks.List {
		if len(p.Area) > 2 {
			add(pageMarks[p.Class], p.Area)
		}
	}
	if err != nil {
		return out, err
	}
	rings, err := namedRings(snap, hash, m)
	for _, r := range rings {
		add(r.class, r.ring)
	}
	return out, err
}

// invert is the inverse of a projective matrix up to its scale, which does not
// matter: its adjugate.
func invert(m [9]float64) ([9]float64, bool) {
	adj := [9]float64{
		m[4]*m[8] - m[5]*m[7], m[2]*m[7] - m[1]*m[8], m[1]*m[5] - m[2]*m[4],
		m[5]*m[6] - m[3]*m[8], m[0]*m[8] - m[2]*m[6], m[2]*m[3] - m[0]*m[5],
		m[3]*m[7] - m[4]*m[6], m[1]*m[6] - m[0]*m[7], m[0]*m[4] - m[1]*m[3],
	}
	return adj, m[0]*adj[0]+m[1]*adj[3]+m[2]*adj[6] != 0
}

func (b *Backend) measurement(ctx context.Context, p *record.Photo) (vision.Measurement, error) {
	stored, err := b.store.Measurement(ctx, p.MeasurementID)
	if err != nil {
		return vision.Measurement{}, err
	}
	return season.LoadMeasurement(stored)
}

// Picture draws a photo, or takes the picture from those drawn before.
func (b *Backend) Picture(ctx context.Context, hash string, view review.View) ([]byte, error) {
	_, p, err := b.find(ctx, hash)
	if err != nil {
		return nil, err
	}
	pic, err := b.draw(ctx, p, view)
	if err != nil {
		return nil, err
	}
	return pic.JPEG, nil
}

func (b *Backend) draw(ctx context.Context, p *record.Photo, view review.View) (*season.Picture, error) {
	key := fmt.Sprintf("%s %s %d", p.Hash, view, p.MeasurementID)
	b.mu.Lock()
	pic := b.pictures[key]
	b.mu.Unlock()
	if pic != nil {
		return pic, nil
	}
	select {
	case b.decoding <- struct{}{}:
		defer func() { <-b.decoding }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	path, photo, err := b.season.Original(ctx, p)
	if err != nil {
		return nil, err
	}
	measured := p.MeasurementID != 0 && p.Fault == ""
	switch {
	case !measured:
		long := longUpright
		if view == review.Small {
			long = longSmall
		}
		if pic, err = season.DrawApart(b.ctx, path, long); err != nil && b.ctx.Err() == nil {
			err = fmt.Errorf("%w (%w)", review.ErrNoPicture, err)
		}
	case view == review.Upright:
		pic, err = season.DrawUpright(photo, longUpright)
	case view == review.Full:
		pic, err = season.DrawUpright(photo, longFull)
	case view == review.Card:
		pic, err = b.drawCard(ctx, p, photo)
	default:
		pic, err = b.drawStraight(ctx, p, photo, view)
	}
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.pictureLen += len(pic.JPEG); b.pictureLen > maxPictures {
		clear(b.pictures)
		b.pictureLen = len(pic.JPEG)
	}
	b.pictures[key] = pic
	return pic, nil
}

// drawCard draws where the plot card lies, or may lie.
func (b *Backend) drawCard(ctx context.Context, p *record.Photo, photo []byte) (*season.Picture, error) {
	m, err := b.measurement(ctx, p)
	if err != nil {
		return nil, err
	}
	img, err := vision.CardPicture(photo, m.Frame, highCard)
	if errors.Is(err, vision.ErrNoCardSeen) {
		return nil, review.ErrNoCard
	}
	if err != nil {
		return nil, err
	}
	return season.NewPicture(img, m.Width, m.Height)
}

func (b *Backend) drawStraight(ctx context.Context, p *record.Photo, photo []byte, view review.View) (*season.Picture, error) {
	m, err := b.measurement(ctx, p)
	if err != nil {
		return nil, err
	}
	long := longStraight
	switch view {
	case review.Small:
		long = longSmall
	case review.Close:
		long = longClose
	}
	img, err := vision.Straighten(photo, m, long)
	if err != nil {
		return nil, err
	}
	return season.NewPicture(img, m.Width, m.Height)
}

// Plane is the greenness of a photo's ground.
func (b *Backend) Plane(ctx context.Context, hash string) (review.Plane, error) {
	_, p, err := b.find(ctx, hash)
	if err != nil {
		return review.Plane{}, err
	}
	m, err := b.measuredPlane(ctx, p)
	if err != nil {
		return review.Plane{}, err
	}
	out := review.Plane{Width: m.Plane.Width, Height: m.Plane.Height, Levels: m.Plane.Levels}
	if p.Result != nil {
		values, err := m.Curve.Index.Thresholds()
		if err != nil {
			return out, err
		}
		out.Level = nearest(values, p.Result.Threshold) + 1
	}
	return out, nil
}

var errNotMeasured = review.Refusal{Text: "the photo is not measured: set the corners of its frame first, or run `quadtally photos`"}

// measuredPlane is a measurement that has its plane.
func (b *Backend) measuredPlane(ctx context.Context, p *record.Photo) (vision.Measurement, error) {
	if p.MeasurementID == 0 || p.Fault != "" {
		return vision.Measurement{}, errNotMeasured
	}
	m, err := b.measurement(ctx, p)
	if err == nil && m.Plane == nil {
		err = errNotMeasured
	}
	return m, err
}

// straightToPhoto carries a position in the straight view to pixels of the
// upright photo.
func straightToPhoto(plane *vision.Plane, at review.XY) raster.Point {
	return plane.At(at[0]*float64(plane.Width), at[1]*float64(plane.Height))
}

var (
	_ review.Backend = (*Backend)(nil)
	_ review.Plants  = (*Backend)(nil)
)

// refusal turns a fault in what was asked into one the page shows as such.
func refusal(err error) error {
	if err == nil || errors.Is(err, review.ErrUnknown) {
		return err
	}
	return review.Refusal{Text: err.Error()}
}
