package main

import (
	"context"
	"encoding/json"
	"errors"
	"image"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/demoseason"
	"quadtally/cmd/quadtally/internal/outfile"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/reviewdata"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
	"quadtally/vision/raster"
)

// fewPhotos makes a trial with a handful of rendered photos of one visit,
// taken in and measured, and returns its folder.
func fewPhotos(t *testing.T) string {
	t.Helper()
	dir := newSeason(t, 2, 2)
	takeIn(t, dir)
	return dir
}

// newSeason makes a trial and renders the photos of one visit to its first
// plots, which nobody has taken in yet.
func newSeason(t *testing.T, nPlots, quadrats int) string {
	t.Helper()
	dir, _ := newSeasonPlan(t, nPlots, quadrats)
	return dir
}

// newTrial sets up a trial in a folder by the real command.
func newTrial(t *testing.T, dir string, tr *trial.Trial) {
	t.Helper()
	plan := filepath.Join(dir, "plan.txt")
	if err := outfile.Whole(plan, func(w io.Writer) error { return trial.WritePlan(w, tr) }); err != nil {
		t.Fatal(err)
	}
	must(t, "new", "--plan", plan, "--trial", dir)
}

// drawnConfig is a drawn season of some plots of a trial, with its cards.
func drawnConfig(t *testing.T, tr *trial.Trial, of []trial.Plot) demo.Config {
	t.Helper()
	cfg, err := demoseason.Config(tr, of)
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// writePhotos renders the photos of a drawn season into the trial's folder.
func writePhotos(t *testing.T, dir string, season *demo.SeasonPlan) string {
	t.Helper()
	photos := filepath.Join(dir, "photos")
	if err := os.MkdirAll(photos, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := season.Write(t.Context(), photos, nil); err != nil {
		t.Fatal(err)
	}
	return photos
}

// newSeasonPlan is newSeason with what is really in the photos.
func newSeasonPlan(t *testing.T, nPlots, quadrats int) (string, *demo.SeasonPlan) {
	t.Helper()
	dir := t.TempDir()
	tr := demoseason.Trial(7)
	tr.Quadrat.PerPlot = quadrats
	newTrial(t, dir, tr)
	cfg := drawnConfig(t, tr, newestOf(t, dir).Plots[:nPlots])
	cfg.Size, cfg.BigPhotos, cfg.Quadrats, cfg.Troubles = image.Pt(1200, 900), 0, quadrats, false
	cfg.Visits = cfg.Visits[1:2]
	rendered, err := demo.Season(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	writePhotos(t, dir, rendered)
	return dir, rendered
}

// besideOf is a place on no green whose nearest green is the lobe at a spot.
func besideOf(t *testing.T, m vision.Measurement, threshold float64, at review.XY) raster.Point {
	t.Helper()
	g, err := m.Green(threshold)
	if err != nil {
		t.Fatal(err)
	}
	w, h := m.Plane.Width, m.Plane.Height
	lobe := m.Looks.Lobe[g.At(m.Looks, int(at[0]*float64(w)), int(at[1]*float64(h)))]
	for y := range h {
		for x := range w {
			cx, cy := float64(x)+0.5, float64(y)+0.5
			if m.Looks.Lobe[g.At(m.Looks, x, y)] == lobe && m.Looks.Nearest(g, cx, cy, 4) < 0 {
				return m.Plane.At(cx, cy)
			}
		}
	}
	t.Fatal("no place beside the green")
	return raster.Point{}
}

// takeIn measures the photos of a trial.
func takeIn(t *testing.T, dir string) {
	t.Helper()
	photos := filepath.Join(dir, "photos")
	if r := say(t, "photos", photos, "--trial", dir, "--quiet"); r.code != exitDone && r.code != exitPartly {
		t.Fatal(r.err)
	}
}

// openedPage is the trial as the review page sees it, and its record.
type openedPage struct {
	*reviewdata.Backend
	store *record.Store
}

// openPage opens the review page of a trial without its server.
func openPage(t *testing.T, dir string, readOnly bool) openedPage {
	t.Helper()
	store, err := record.Open(dir, record.Options{Author: "Ada", ReadOnly: readOnly})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { store.Close() })
	return openedPage{reviewdata.New(t.Context(), store, "Ada"), store}
}

// measurement is the stored measurement of a photo.
func (d openedPage) measurement(t *testing.T, p *record.Photo) vision.Measurement {
	t.Helper()
	stored, err := d.store.Measurement(t.Context(), p.MeasurementID)
	if err != nil {
		t.Fatal(err)
	}
	m, err := season.LoadMeasurement(stored)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// stood is how the trial stands: what every comparison starts from.
func stood(t *testing.T, d openedPage) *record.Snapshot {
	t.Helper()
	snap, err := d.store.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return snap
}

// numbers strips a snapshot to what must come back when a word is taken back.
func numbers(snap *record.Snapshot) map[string]any {
	out := map[string]any{}
	visited := map[int]bool{}
	for _, p := range snap.Photos {
		var r record.Result
		if p.Result != nil {
			r = *p.Result
		}
		visited[p.Place.Visit] = true
		out[p.Hash] = []any{p.Place, p.Rejected, p.Accepted, p.Guide, r}
	}
	for n, th := range snap.Thresholds {
		if visited[n] { // a visit that lost its photos keeps an idle threshold
			out[record.VisitSubject(n)] = th
		}
	}
	for _, o := range snap.Observations {
		out[o.Plot+" "+o.Class] = o.Value
	}
	return out
}

func TestReviewActions(t *testing.T) {
	if testing.Short() {
		t.Skip("renders and measures photos")
	}
	dir := fewPhotos(t)
	d := openPage(t, dir, false)
	ctx := t.Context()
	listed, err := d.Season(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var hash string
	inUse := 0
	for _, s := range listed.Shots {
		if s.State == review.InUse {
			inUse++
			hash = s.Hash
		}
	}
	if len(listed.Shots) != 4 || inUse < 3 {
		t.Fatalf("%d photos, %d in use: %+v", len(listed.Shots), inUse, listed.Shots)
	}
	photo := func() review.Photo {
		t.Helper()
		p, err := d.Photo(ctx, hash)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	rec := func() *record.Photo {
		t.Helper()
		p, _ := stood(t, d).Photo(hash)
		return p
	}
	do := func(act review.Action) {
		t.Helper()
		if _, err := d.Do(ctx, act); err != nil {
			t.Fatalf("%#v: %v", act, err)
		}
	}
	// back takes the newest thing back and checks that all numbers are those
	// of before.
	back := func(before map[string]any) {
		t.Helper()
		steps, err := d.Log(ctx)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range steps {
			if s.Live {
				if s.Author != "Ada" || s.At.IsZero() || s.Text == "" {
					t.Errorf("step %+v", s)
				}
				if _, err := d.Undo(ctx, s.Entry); err != nil {
					t.Fatal(err)
				}
				if _, err := d.Undo(ctx, s.Entry); !errors.As(err, new(review.Refusal)) {
					t.Errorf("taken back twice: %v", err)
				}
				break
			}
		}
		if after := numbers(stood(t, d)); !reflect.DeepEqual(before, after) {
			t.Errorf("not as before:\n%v\n%v", before, after)
		}
	}
	start := numbers(stood(t, d))
	was := photo()
	visit := was.Visit

	t.Run("place", func(t *testing.T) {
		do(review.Place{Hash: hash, Plot: listed.Plots[9].ID, Quadrat: 1, Visit: 3})
		if p := rec(); p.Place.Plot != listed.Plots[9].ID || p.Place.Visit != 3 || p.Place.Basis != "hand" || !p.InUse() {
			t.Errorf("%+v", p.Place)
		}
		back(start)
		for _, bad := range []review.Place{
			{Hash: hash, Plot: "999", Quadrat: 1, Visit: 1},
			{Hash: hash, Plot: listed.Plots[0].ID, Quadrat: 9, Visit: 1},
			{Hash: hash, Plot: listed.Plots[0].ID, Quadrat: 1, Visit: 99},
		} {
			if _, err := d.Do(ctx, bad); !errors.As(err, new(review.Refusal)) {
				t.Errorf("%+v: %v", bad, err)
			}
		}
	})

	t.Run("reject and accept", func(t *testing.T) {
		do(review.Reject{Hash: hash, Reason: "boot in the frame"})
		if p := rec(); p.Rejected != "boot in the frame" || p.InUse() {
			t.Errorf("%+v", p)
		}
		if _, err := d.Do(ctx, review.Accept{Hash: hash}); !errors.As(err, new(review.Refusal)) {
			t.Errorf("a photo set aside was accepted: %v", err)
		}
		back(start)
		do(review.Accept{Hash: hash})
		if !rec().Accepted {
			t.Error("not accepted")
		}
		back(start)
	})

	t.Run("threshold", func(t *testing.T) {
		th, err := d.Thresholds(ctx, visit)
		if err != nil {
			t.Fatal(err)
		}
		if len(th.Photos) != inUse || len(th.Values) != len(th.Mean) {
			t.Errorf("%d photos, %d values, %d means", len(th.Photos), len(th.Values), len(th.Mean))
		}
		i := slices.IndexFunc(th.Photos, func(p review.PhotoCover) bool { return p.Hash == hash })
		covers := th.Photos[i].Covers
		if now := th.Photos[i].NowFrac; math.Abs(now-rec().Result.CoverFrac) > 1e-12 {
			t.Errorf("cover %g in force on the page, %g in the record", now, rec().Result.CoverFrac)
		}
		if _, err := d.Thresholds(ctx, 99); !errors.Is(err, review.ErrUnknown) {
			t.Errorf("a visit that is not there: %v", err)
		}
		far := len(th.Values) - 1
		do(review.SetThreshold{Visit: visit, Value: &th.Values[far]})
		for _, p := range stood(t, d).Photos {
			if p.InUse() && math.Abs(p.Result.Threshold-th.Values[far]) > 1e-12 {
				t.Errorf("%s has the threshold %g", p.Path, p.Result.Threshold)
			}
		}
		if math.Abs(rec().Result.CoverFrac-covers[far]) > 1e-12 {
			t.Errorf("cover %g was promised, %g came", covers[far], rec().Result.CoverFrac)
		}
		hand := numbers(stood(t, d))
		do(review.SetThreshold{Visit: visit})
		if got := numbers(stood(t, d)); !reflect.DeepEqual(got, start) {
			t.Errorf("given back, but not as at first")
		}
		back(hand)
		back(start)
		wild := 9.0
		if _, err := d.Do(ctx, review.SetThreshold{Visit: visit, Value: &wild}); !errors.As(err, new(review.Refusal)) {
			t.Errorf("threshold 9: %v", err)
		}
		if _, err := d.Do(ctx, review.SetThreshold{Visit: 77}); !errors.Is(err, review.ErrUnknown) {
			t.Errorf("visit 77: %v", err)
		}
	})

	t.Run("leave out", func(t *testing.T) {
		cells := func() uint64 {
			m := d.measurement(t, rec())
			return m.Curve.Cells()
		}
		all := cells()
		do(review.LeaveOut{Hash: hash, Areas: [][]review.XY{{{0, 0}, {0.5, 0}, {0.5, 1}, {0, 1}}}})
		if half := cells(); math.Abs(float64(half)/float64(all)-0.5) > 0.01 {
			t.Errorf("%d of %d cells are left", half, all)
		}
		if p := photo(); len(p.Areas) != 1 || p.Areas[0].Class != review.LeftOut || math.Abs(p.Areas[0].Points[2][0]-0.5) > 1e-6 {
			t.Errorf("drawn back as %+v", p.Areas)
		}
		if _, err := d.Do(ctx, review.LeaveOut{Hash: hash, Areas: [][]review.XY{{{0, 0}, {1, 0}, {1, 1}, {0, 1}}}}); err == nil && rec().Fault == "" {
			t.Error("a photo with nothing left to measure has a number")
		}
		if p := rec(); p.Fault != "" { // the fault is said; take that back first
			steps, _ := d.Log(ctx)
			if _, err := d.Undo(ctx, steps[0].Entry); err != nil {
				t.Fatal(err)
			}
		}
		back(start)
	})

	t.Run("frame", func(t *testing.T) {
		c := *was.Corners
		for i := range c { // a little inward
			c[i] = review.XY{c[i][0]*0.98 + 0.01, c[i][1]*0.98 + 0.01}
		}
		do(review.Frame{Hash: hash, Corners: &c})
		if m := d.measurement(t, rec()); m.Frame.Kind != "by hand" {
			t.Fatalf("%+v", m.Frame)
		}
		if p := photo(); math.Abs(p.Corners[2][0]-c[2][0]) > 1e-9 {
			t.Errorf("corners %v, want %v", p.Corners, c)
		}
		back(start)
		crossed := [4]review.XY{c[0], c[2], c[1], c[3]}
		if _, err := d.Do(ctx, review.Frame{Hash: hash, Corners: &crossed}); !errors.As(err, new(review.Refusal)) {
			t.Errorf("crossed corners: %v", err)
		}
	})

	t.Run("marks", func(t *testing.T) {
		at, share := largestPiece(t, d, rec())
		do(review.Mark{Hash: hash, Class: review.Weed}) // the person says that no crop is in the frame
		if r := rec().Result; !r.WeedsOnly() || r.CoverFrac != was.Numbers.CoverFrac {
			t.Errorf("all green is weed: %+v", r)
		}
		back(start)
		do(review.Mark{Hash: hash, Class: review.NotPlant, At: &at})
		if r := rec().Result; r.WeedsOnly() || r.CoverFrac >= was.Numbers.CoverFrac-share/2 {
			t.Errorf("of %g no plant of %g leaves %+v", was.Numbers.CoverFrac, share, r)
		}
		back(start)
		if _, err := d.Do(ctx, review.Mark{Hash: hash, Class: review.Crop, At: bare(t, d, hash, rec().Result.Threshold)}); !errors.As(err, new(review.Refusal)) {
			t.Errorf("a name on bare ground: %v", err)
		}
	})

	t.Run("names", func(t *testing.T) {
		at, _ := largestPiece(t, d, rec())
		name := func(class review.Class) { do(review.Mark{Hash: hash, Class: class, At: &at}) }
		name(review.Crop)
		// One named plant changes no number of its photo; it is drawn.
		if r := rec().Result; r.WeedsOnly() || r.CoverFrac != was.Numbers.CoverFrac || !rec().HasLooks {
			t.Errorf("after one name: %+v, looks %v", r, rec().HasLooks)
		}
		if p := photo(); len(p.Areas) != 1 || p.Areas[0].Class != review.Crop || len(p.Areas[0].Points) < 3 {
			t.Errorf("areas %+v", p.Areas)
		}
		named := func() []record.NamedPlant { return stood(t, d).Named }
		if n := named(); len(n) != 1 || n[0].Class.Role != "crop" || n[0].Hash != hash {
			t.Fatalf("named %+v", n)
		}
		weeds, err := analysis.Find(stood(t, d), string(analysis.WeedCover), "")
		if err != nil {
			t.Fatal(err)
		}
		if rs, _, err := weeds.Readings(stood(t, d)); !errors.As(err, new(*analysis.PlantsLackingError)) {
			t.Errorf("weed cover by one name: %v %v", rs, err)
		}
		// A name beside the green is no word about the plant next to it.
		beside := besideOf(t, d.measurement(t, rec()), rec().Result.Threshold, at)
		entry, err := d.store.WriteAs(ctx, record.EntryHand, "plants", "named beside the green", func(tx *record.Tx) error {
			_, err := tx.Decide(record.PhotoSubject(hash), record.KindPlant, record.Plant{X: beside.X, Y: beside.Y, Class: record.PlantClass{Name: "weed", Role: "weed"}})
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		name(review.Crop)
		if n := named(); len(n) != 2 {
			t.Errorf("a name beside the green was taken back: %+v", n)
		}
		if _, err := d.Undo(ctx, entry); err != nil {
			t.Fatal(err)
		}
		// The newest word about a plant stands, and what it replaced comes back.
		name(review.Regrowth)
		if n := named(); len(n) != 1 || n[0].Class.Role != "regrowth" {
			t.Errorf("named anew: %+v", n)
		}
		steps, err := d.Log(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := d.Undo(ctx, steps[0].Entry); err != nil {
			t.Fatal(err)
		}
		if n := named(); len(n) != 1 || n[0].Class.Role != "crop" {
			t.Errorf("the second name taken back: %+v", n)
		}
		if _, err := d.NextPlant(ctx, rec().Place.Visit, ""); !errors.As(err, new(review.Refusal)) {
			t.Errorf("asked about a plant with one class named: %v", err)
		}
		// Check points: drawn, shown without a hint, answered.
		visit := rec().Place.Visit
		if err := d.DrawChecks(ctx, visit, 5); err != nil {
			t.Fatal(err)
		}
		for i := range 5 {
			spot, done, all, err := d.NextCheck(ctx, visit)
			if err != nil || done != i || all != 5 || spot.At[0] < 0 || spot.At[0] > 1 || spot.At[1] < 0 || spot.At[1] > 1 {
				t.Fatalf("%d: %+v, %d of %d: %v", i, spot, done, all, err)
			}
			if err := d.AnswerCheck(ctx, spot.Hash, spot.X, spot.Y, review.Weed); err != nil {
				t.Fatal(err)
			}
		}
		if spot, done, all, err := d.NextCheck(ctx, visit); err != nil || spot.Hash != "" || done != 5 || all != 5 {
			t.Errorf("all answered: %+v, %d of %d: %v", spot, done, all, err)
		}
		if n := named(); len(n) != 1 {
			t.Errorf("an answer was learned from: %+v", n)
		}
		// With one class nothing is told apart; with two, all green and nothing
		// else is, on the outline too.
		if s, err := d.Sorted(ctx, hash); err != nil || len(s.Cells) > 0 {
			t.Errorf("told apart by one class: %d cells, %v", len(s.Cells), err)
		}
		grass := review.KindOf(review.Weed, "grass")
		plane, err := d.Plane(ctx, hash)
		if err != nil {
			t.Fatal(err)
		}
		for y := plane.Height - 1; y >= 0 && len(named()) < 2; y -= 3 { // another plant than the largest
			for x := 0; x < plane.Width && len(named()) < 2; x += 3 {
				if l := plane.Levels[y*plane.Width+x]; int(l) < plane.Level || l == review.OutsideLevel {
					continue
				}
				other := review.XY{(float64(x) + 0.5) / float64(plane.Width), (float64(y) + 0.5) / float64(plane.Height)}
				if _, err := d.Do(ctx, review.Mark{Hash: hash, Class: grass, At: &other}); err != nil {
					t.Fatal(err)
				}
				if n := named(); len(n) == 1 { // it was the same plant
					steps, _ := d.Log(ctx)
					if _, err := d.Undo(ctx, steps[0].Entry); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
		if n := named(); len(n) != 2 || n[1].Class != (record.PlantClass{Name: "grass", Role: "weed"}) {
			t.Fatalf("named %+v", n)
		}
		sorted, err := d.Sorted(ctx, hash)
		if err != nil || len(sorted.Cells) != len(plane.Levels) || len(sorted.Classes) != 2 || !slices.Contains(sorted.Classes, grass) || !slices.Contains(sorted.Classes, review.Crop) {
			t.Fatalf("told apart: %d cells of %d, %v, %v", len(sorted.Cells), len(plane.Levels), sorted.Classes, err)
		}
		for i, c := range sorted.Cells {
			green := int(plane.Levels[i]) >= plane.Level && plane.Levels[i] != review.OutsideLevel
			if (c > 0) != green || int(c) > len(sorted.Classes) {
				t.Fatalf("cell %d of level %d (green from %d) is of class %d", i, plane.Levels[i], plane.Level, c)
			}
		}
		// Back to the start, step by step; looks once taken stay.
		for len(named())+len(stood(t, d).Checks) > 0 {
			steps, err := d.Log(ctx)
			if err != nil {
				t.Fatal(err)
			}
			k := slices.IndexFunc(steps, func(s review.Step) bool { return s.Live })
			if k < 0 {
				t.Fatalf("%d plants stay named, %d check points drawn", len(named()), len(stood(t, d).Checks))
			}
			if _, err := d.Undo(ctx, steps[k].Entry); err != nil {
				t.Fatal(err)
			}
		}
	})

	t.Run("treatments", func(t *testing.T) {
		seen := func() (plots, shots int) {
			list, err := d.Season(ctx)
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range list.Plots {
				if p.Treatment != "" {
					plots++
				}
			}
			for _, s := range list.Shots {
				if s.Treatment != "" {
					shots++
				}
			}
			return plots, shots
		}
		if p, s := seen(); p+s > 0 || photo().Treatment != "" {
			t.Errorf("%d plots and %d photos come with their treatment unasked", p, s)
		}
		do(review.ShowTreatments{Show: true})
		if p, s := seen(); p == 0 || s == 0 || photo().Treatment == "" {
			t.Error("asked for, the treatments are not shown")
		}
		if steps, err := d.Log(ctx); err != nil || !strings.Contains(steps[0].Text, "treatments shown") || steps[0].Author == "" {
			t.Errorf("the asking is not logged: %+v %v", steps[0], err)
		}
		do(review.ShowTreatments{})
		if p, s := seen(); p+s > 0 {
			t.Error("hidden again, the treatments are shown")
		}
		back(start)
		back(start)
	})

	t.Run("count", func(t *testing.T) {
		count := func(n int, seen int64, over review.Over) string {
			done, err := d.Do(ctx, review.Tally{Hash: hash, Observer: "Ben", Seen: seen, Over: over, Classes: []review.ClassCount{{Class: "broadleaf", Plants: n}, {Class: "grass", Plants: 0}}})
			if err != nil {
				t.Fatal(err)
			}
			return done.Text
		}
		before := stood(t, d).Entry
		count(3, before, review.OverAsk)
		count(3, before, review.OverAsk) // the same again replaces nothing
		if p := photo(); !p.Counted || len(p.Counts) != 2 || p.Counts[0].Plants != 3 || p.Counts[1].Plants != 0 || p.Counts[0].Observer != "Ben" {
			t.Errorf("%+v", p.Counts)
		}
		three := numbers(stood(t, d))
		// Another count is asked about, by whomever; kept beside it, or in its
		// place.
		for _, by := range []string{"Ben", "Cleo"} {
			_, err := d.Do(ctx, review.Tally{Hash: hash, Observer: by, Seen: before, Classes: []review.ClassCount{{Class: "Broad-leaf", Plants: 5}}})
			asked := (*review.CountedBefore)(nil)
			if !errors.As(err, &asked) || len(asked.Counts) != 2 || asked.Counts[0].Plants != 3 || asked.Counts[0].Observer != "Ben" || !reflect.DeepEqual(numbers(stood(t, d)), three) {
				t.Errorf("%s: %+v %v", by, asked, err)
			}
		}
		if said := count(5, before, review.OverBeside); !strings.Contains(said, "beside the count in force") || !reflect.DeepEqual(numbers(stood(t, d)), three) {
			t.Errorf("kept beside: %s", said)
		}
		if p := photo(); len(p.Counts) != 2 || p.Counts[0].Plants != 3 || len(p.Beside) != 2 || p.Beside[0].Plants != 5 {
			t.Errorf("in force %+v, beside %+v", p.Counts, p.Beside)
		}
		steps, err := d.Log(ctx)
		if err != nil || !slices.ContainsFunc(steps, func(s review.Step) bool { return strings.Contains(s.Text, "broadleaf 5") && s.Live && s.Hash == hash }) {
			t.Errorf("the log does not hold it: %v", err)
		}
		back(three)
		if p := photo(); len(p.Counts) != 2 || len(p.Beside) != 0 {
			t.Errorf("taken back: in force %+v, beside %+v", p.Counts, p.Beside)
		}
		if said := count(5, before, review.OverReplace); !strings.Contains(said, "had been stored as 3") {
			t.Errorf("a clash is not told: %s", said)
		}
		back(three)
		back(start)
		if len(stood(t, d).Observations) != 0 {
			t.Error("a count taken back is still there")
		}
	})

	t.Run("photos agrees with the page", func(t *testing.T) {
		do(review.LeaveOut{Hash: hash, Areas: [][]review.XY{{{0, 0}, {0.5, 0}, {0.5, 0.5}}}})
		at, _ := largestPiece(t, d, rec())
		do(review.Mark{Hash: hash, Class: review.NotPlant, At: &at})
		page := numbers(stood(t, d))
		r := say(t, "photos", filepath.Join(dir, "photos"), "--trial", dir, "--quiet", "--json")
		var o season.Outcome
		if err := json.Unmarshal([]byte(r.out), &o); err != nil || o.Measured != 0 {
			t.Errorf("photos measured %d again (%v)", o.Measured, err)
		}
		if got := numbers(stood(t, d)); !reflect.DeepEqual(page, got) {
			t.Errorf("photos changed what was decided on the page")
		}
	})

	t.Run("pictures", func(t *testing.T) {
		for _, v := range []review.View{review.Straight, review.Upright, review.Small, review.Card} {
			b, err := d.Picture(ctx, hash, v)
			if err != nil || len(b) < 500 || b[0] != 0xff {
				t.Errorf("%s: %d bytes, %v", v, len(b), err)
			}
		}
		if _, err := d.Picture(ctx, strings.Repeat("0", 64), review.Small); !errors.Is(err, review.ErrUnknown) {
			t.Errorf("%v", err)
		}
		// What could not be measured is drawn apart, by a process of its own.
		pic, err := season.DrawApart(ctx, filepath.Join(dir, rec().Path), 1200)
		if err != nil || pic.Width != 1200 && pic.Height != 1200 {
			t.Errorf("%v", err)
		}
		// A file whose content changed is not the photo any more.
		other := filepath.Join(dir, rec().Path)
		whole, err := os.ReadFile(other)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(other, append(whole, 0), 0o644); err != nil {
			t.Fatal(err)
		}
		fresh := openPage(t, dir, false)
		if _, err := fresh.Picture(ctx, hash, review.Straight); err == nil || !strings.Contains(err.Error(), "content changed") {
			t.Errorf("%v", err)
		}
	})

	t.Run("read-only", func(t *testing.T) {
		r := openPage(t, dir, true)
		s, err := r.Season(context.Background())
		if err != nil || !s.ReadOnly || len(s.Shots) != 4 {
			t.Errorf("%v %+v", err, s)
		}
		if _, err := r.Do(ctx, review.Reject{Hash: hash, Reason: "x"}); !errors.Is(err, review.ErrReadOnly) {
			t.Errorf("%v", err)
		}
		if _, err := r.Undo(ctx, 1); !errors.Is(err, review.ErrReadOnly) {
			t.Errorf("%v", err)
		}
	})
}

// largestPiece is a green spot of a photo in the straight view, and the share
// of the ground its piece covers.
func largestPiece(t *testing.T, d openedPage, p *record.Photo) (review.XY, float64) {
	t.Helper()
	m := d.measurement(t, p)
	pieces, err := m.Plane.Pieces(p.Result.Threshold, vision.DefaultPieceOptions())
	if err != nil || len(pieces) == 0 {
		t.Fatalf("no piece: %v", err)
	}
	mask, err := m.Plane.Mask(p.Result.Threshold)
	if err != nil {
		t.Fatal(err)
	}
	// Its centre need not be green: take the green cell nearest to it.
	best, spot := math.Inf(1), review.XY{}
	for i, green := range mask {
		if !green {
			continue
		}
		x, y := float64(i%m.Plane.Width)+0.5, float64(i/m.Plane.Width)+0.5
		at := m.Plane.At(x, y)
		if dist := math.Hypot(at.X-pieces[0].Centre.X, at.Y-pieces[0].Centre.Y); dist < best {
			best, spot = dist, review.XY{x / float64(m.Plane.Width), y / float64(m.Plane.Height)}
		}
	}
	return spot, float64(pieces[0].Cells) / float64(m.Curve.Cells())
}

// bare is a spot without green.
func bare(t *testing.T, d openedPage, hash string, threshold float64) *review.XY {
	t.Helper()
	p, err := d.Plane(t.Context(), hash)
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range p.Levels {
		if v == 0 {
			return &review.XY{(float64(i%p.Width) + 0.5) / float64(p.Width), (float64(i/p.Width) + 0.5) / float64(p.Height)}
		}
	}
	t.Fatal("all is green")
	return nil
}
