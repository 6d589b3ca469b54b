package season

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/vision"
)

func TestNeedsMeasuring(t *testing.T) {
	measured := record.Photo{MeasurementID: 1, Fingerprint: "f", Guide: "g"}
	with := func(do func(*record.Photo)) record.Photo { p := measured; do(&p); return p }
	for _, c := range []struct {
		say   string
		photo record.Photo
		want  bool
	}{
		{"measured like this", measured, false},
		{"never measured", record.Photo{}, true},
		{"under other settings", with(func(p *record.Photo) { p.Fingerprint = "x" }), true},
		{"with another drawing", with(func(p *record.Photo) { p.Guide = "" }), true},
		{"the photo is at fault", with(func(p *record.Photo) { p.Fault, p.FaultCode = "cut short", record.FaultPhoto }), false},
		{"its worker crashed", with(func(p *record.Photo) { p.Fault, p.FaultCode = "reworded since", record.FaultCrashed }), true},
		{"its worker took too long", with(func(p *record.Photo) { p.Fault, p.FaultCode = "reworded since", record.FaultTimeout }), true},
	} {
		if got := needsMeasuring(&c.photo, "f", "g"); got != c.want {
			t.Errorf("%s: %v", c.say, got)
		}
	}
}

func TestReplacesMeasured(t *testing.T) {
	at := func(taken string) record.PhotoFacts { return record.PhotoFacts{Taken: taken} }
	for _, c := range []struct {
		say  string
		was  record.Photo
		now  record.PhotoFacts
		want bool
	}{
		{"the same time", record.Photo{PhotoFacts: at("9")}, at("9"), true},
		{"its header is lost", record.Photo{PhotoFacts: at("9")}, at(""), true},
		{"another photo", record.Photo{PhotoFacts: at("9")}, at("10"), false},
		{"neither has a time", record.Photo{}, at(""), true},
		{"the old one could not be read", record.Photo{PhotoFacts: at("9"), Fault: "cut short"}, at("9"), false},
		{"the old one was set aside", record.Photo{PhotoFacts: at("9"), Rejected: "boot"}, at("9"), false},
	} {
		if got := replacesMeasured(&c.was, c.now); got != c.want {
			t.Errorf("%s: %v", c.say, got)
		}
	}
}

func TestDifferentVersions(t *testing.T) {
	photo := func(path, taken string) record.Photo {
		return record.Photo{PhotoFacts: record.PhotoFacts{Path: path, Taken: taken}}
	}
	aside, unread := photo("g/IMG_1.jpg", "9"), photo("h/IMG_1.jpg", "9")
	aside.Rejected, unread.Fault = "edited", "cut short"
	snap := &record.Snapshot{Photos: []record.Photo{aside, unread, photo("a/IMG_1.jpg", "9"), photo("b/img_1.JPG", "9"), photo("c/IMG_2.jpg", "9"),
		photo("d/IMG_1.jpg", "10"), photo("e/IMG_3.jpg", ""), photo("f/IMG_3.jpg", "")}}
	if got, want := DifferentVersions(snap), []Copy{{"b/img_1.JPG", "a/IMG_1.jpg"}}; !reflect.DeepEqual(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestFilesOfPhotos(t *testing.T) {
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 3)
	s := New(store, quiet)
	ctx := t.Context()
	if _, err := s.Photos(ctx, snap, []string{folder}, whole(), nil); err != nil {
		t.Fatal(err)
	}
	snap = newest(t, store)
	check := func(sound, changed, gone int) {
		t.Helper()
		got, err := s.CheckFiles(ctx, snap)
		if err != nil || got.Sound != sound || len(got.Changed) != changed || len(got.Gone) != gone {
			t.Errorf("%+v, %v; want %d sound, %d changed, %d gone", got, err, sound, changed, gone)
		}
	}
	check(3, 0, 0)
	p := &snap.Photos[0]
	if path, b, err := s.Original(ctx, p); err != nil || len(b) == 0 || path != filepath.Join(store.Dir(), p.Path) {
		t.Errorf("%s, %d bytes, %v", path, len(b), err)
	}
	// Moved, and seen at the new place: it is found there.
	moved := filepath.Join(store.Dir(), "moved", "x.jpg")
	if err := os.MkdirAll(filepath.Dir(moved), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(store.Dir(), p.Path), moved); err != nil {
		t.Fatal(err)
	}
	check(2, 0, 1)
	if _, _, err := s.Original(ctx, p); err == nil {
		t.Error("a photo that is gone was read")
	}
	if _, err := s.Photos(ctx, snap, []string{filepath.Dir(moved)}, Change{}, nil); err != nil {
		t.Fatal(err)
	}
	check(3, 0, 0)
	if path, _, err := s.Original(ctx, p); err != nil || path != moved {
		t.Errorf("%s, %v", path, err)
	}
	// Changed: it is the photo no more.
	if err := os.WriteFile(moved, []byte("something else"), 0o644); err != nil {
		t.Fatal(err)
	}
	check(2, 1, 0)
	if r := new(Worker).Do(Job{Path: moved, Hash: p.Hash}); !r.Unreachable || r.FaultCode != "" || !strings.Contains(r.Fault, "other bytes") {
		t.Errorf("%+v", r)
	}
	if r := new(Worker).Do(Job{Path: filepath.Join(folder, "none.jpg"), Hash: p.Hash}); !r.Unreachable {
		t.Errorf("%+v", r)
	}
}

func TestRelativeInside(t *testing.T) {
	for _, c := range [][3]string{
		{"/trial", "/trial/photos/a.jpg", "photos/a.jpg"},
		{"/trial", "/other/a.jpg", "/other/a.jpg"},
		{"/trial", "/trial-2/a.jpg", "/trial-2/a.jpg"},
		{"/trial", "/a.jpg", "/a.jpg"},
	} {
		if got := relativeInside(c[0], c[1]); got != c[2] {
			t.Errorf("%s in %s: %s", c[1], c[0], got)
		}
	}
}

func TestSettings(t *testing.T) {
	yes, no := true, false
	vari := vision.Indices()[len(vision.Indices())-1]
	was := Settings{Index: vari, NoFrame: true, CardWhite: true}
	for _, c := range []struct {
		change Change
		want   Settings
	}{
		{Change{}, was},
		{Change{NoFrame: &no}, Settings{Index: vari, CardWhite: true}},
		{Change{CardWhite: &no}, Settings{Index: vari, NoFrame: true}},
		{Change{NoFrame: &yes, CardWhite: &yes}, was},
		{Change{Index: vision.Indices()[0]}, Settings{Index: vision.Indices()[0], NoFrame: true, CardWhite: true}},
		{Change{Plants: &yes}, Settings{Index: vari, NoFrame: true, CardWhite: true, Plants: true}},
	} {
		if got := was.With(c.change); got != c.want {
			t.Errorf("%+v gives %+v, want %+v", c.change, got, c.want)
		}
	}
	_, snap := newTrial(t)
	q := snap.Trial.Quadrat
	framed, err := Settings{}.VisionOptions(&snap.Trial)
	if err != nil || framed.FrameMM != [2]float64{q.WidthMM, q.LengthMM} || framed.CardCodeMM != 0 || framed.Index != vision.DefaultOptions().Index || framed.CardWhite {
		t.Errorf("%+v, %v", framed, err)
	}
	loose, err := was.VisionOptions(&snap.Trial)
	if err != nil || loose.FrameMM != [2]float64{} || loose.CardCodeMM != print.CodeMM || loose.Index != vari || !loose.CardWhite {
		t.Errorf("%+v, %v", loose, err)
	}
}

// TestChangeSettings stores what changes, and only that.
func TestChangeSettings(t *testing.T) {
	store, snap := newTrial(t)
	s := New(store, quiet)
	yes, v := true, 0.2
	change := func(c Change, entries int64) vision.Options {
		t.Helper()
		before := snap.Entry
		opt, err := s.changeSettings(t.Context(), &snap, c)
		if err != nil || snap.Entry-before != entries || newest(t, store).Entry != snap.Entry {
			t.Errorf("%+v: %d entries, want %d (%v)", c, snap.Entry-before, entries, err)
		}
		return opt
	}
	change(Change{}, 0)
	if opt := change(Change{CardWhite: &yes}, 1); !opt.CardWhite {
		t.Error("the change does not hold at once")
	}
	change(Change{CardWhite: &yes}, 0)
	change(Change{Thresholds: []HandThreshold{{2, &v}, {3, nil}}}, 1)
	if th := snap.Thresholds; th[2] != (record.Threshold{Value: 0.2, Basis: "set by hand", ByHand: true}) || th[3].ByHand || th[1] != (record.Threshold{}) {
		t.Errorf("%+v", th)
	}
	entries, err := store.Entries(t.Context())
	if err != nil || entries[len(entries)-1].Kind != record.EntryHand {
		t.Errorf("%+v, %v", entries, err)
	}
}

func square(x, y, side float64) [][2]float64 {
	return [][2]float64{{x, y}, {x + side, y}, {x + side, y + side}, {x, y + side}}
}

func TestContains(t *testing.T) {
	for at, want := range map[[2]float64]bool{{5, 5}: true, {0.1, 9.9}: true, {10.1, 5}: false, {-0.1, 5}: false, {5, -0.1}: false, {5, 10.1}: false} {
		if contains(square(0, 0, 10), at) != want {
			t.Errorf("%v: %v", at, !want)
		}
	}
	notched := [][2]float64{{0, 0}, {10, 0}, {10, 10}, {5, 2}, {0, 10}}
	if contains(notched, [2]float64{5, 5}) || !contains(notched, [2]float64{1, 5}) {
		t.Error("a notch is not left out")
	}
	if contains(nil, [2]float64{}) {
		t.Error("nothing contains a spot")
	}
}

func TestMarksOf(t *testing.T) {
	spot := func(x, y float64) *[2]float64 { return &[2]float64{x, y} }
	for _, c := range []struct {
		say       string
		marks     []Mark
		left      []string // classes in force
		weedsOnly bool
	}{
		{"none", nil, nil, false},
		{"a weed at a spot says nothing of the rest", []Mark{{MarkWeed, spot(5, 5), square(0, 0, 10)}}, []string{MarkWeed}, false},
		{"all green is weed", []Mark{{Class: MarkWeed}}, []string{MarkWeed}, true},
		{"crop", []Mark{{MarkCrop, spot(5, 5), square(0, 0, 10)}}, []string{MarkCrop}, true},
		{"regrowth", []Mark{{MarkRegrowth, spot(5, 5), square(0, 0, 10)}}, []string{MarkRegrowth}, true},
		{"no plant", []Mark{{MarkNoPlant, spot(5, 5), square(0, 0, 10)}}, []string{MarkNoPlant}, false},
		{"the newest about a spot", []Mark{{MarkCrop, spot(5, 5), square(0, 0, 10)}, {MarkWeed, spot(6, 6), square(0, 0, 10)}}, []string{MarkWeed}, false},
		{"two spots", []Mark{{MarkCrop, spot(5, 5), square(0, 0, 10)}, {MarkWeed, spot(26, 26), square(20, 20, 10)}}, []string{MarkCrop, MarkWeed}, true},
	} {
		store, _ := newTrial(t)
		_, err := store.WriteAs(t.Context(), record.EntryHand, "review", "", func(tx *record.Tx) error {
			for _, v := range c.marks {
				if _, err := tx.Decide(record.PhotoSubject("h"), record.KindPatch, v); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		m, err := MarksOf(newest(t, store), "h")
		var left []string
		for _, v := range m.List {
			left = append(left, v.Class)
		}
		if err != nil || !reflect.DeepEqual(left, c.left) || m.weedsOnly != c.weedsOnly || len(strings.Fields(m.decisions)) != len(c.marks) {
			t.Errorf("%s: %v, weeds only %v, rests on %q (%v)", c.say, left, m.weedsOnly, m.decisions, err)
		}
	}
}

// TestGuided: regions left out and patches that are no plants steer the
// measuring; marks of plants do not.
func TestGuided(t *testing.T) {
	store, snap := newTrial(t)
	opt := vision.DefaultOptions()
	if guide, with, err := guided(snap, "h", opt); err != nil || guide != "" || with.Fingerprint() != opt.Fingerprint() || with.Corners != nil {
		t.Errorf("nothing drawn: %q, %v", guide, err)
	}
	corners := [4][2]float64{{1, 1}, {9, 1}, {9, 9}, {1, 9}}
	decide := func(kind string, v any) {
		t.Helper()
		_, err := store.Write(t.Context(), "test", "", func(tx *record.Tx) error { _, err := tx.Decide(record.PhotoSubject("h"), kind, v); return err })
		if err != nil {
			t.Fatal(err)
		}
	}
	decide(record.KindPatch, Mark{MarkCrop, &[2]float64{5, 5}, square(0, 0, 10)})
	if guide, _, err := guided(newest(t, store), "h", opt); err != nil || guide != "" {
		t.Errorf("a mark of a plant steers: %q, %v", guide, err)
	}
	decide(record.KindGuide, Guide{Corners: &corners, Exclude: [][][2]float64{square(0, 0, 3)}})
	decide(record.KindPatch, Mark{MarkNoPlant, &[2]float64{25, 25}, square(20, 20, 10)})
	decide(record.KindPatch, Mark{MarkNoPlant, &[2]float64{45, 45}, square(40, 40, 10)[:2]}) // not a region
	guide, with, err := guided(newest(t, store), "h", opt)
	if err != nil || guide == "" || len(with.Exclude) != 2 || with.Corners == nil || with.Corners[2].X != 9 || with.Exclude[1][0].X != 20 {
		t.Errorf("%q, %+v, %v", guide, with, err)
	}
	if len(opt.Exclude) != 0 || opt.Corners != nil {
		t.Error("the caller's options changed")
	}
	if guide, _, _ := guided(newest(t, store), "another", opt); guide != "" {
		t.Errorf("another photo is steered by %q", guide)
	}
}

func TestWeedsOnly(t *testing.T) {
	res := vision.Result{CoverFrac: 0.5, CoverLo: 0.3, CoverHi: 0.6, CropFrac: 0.2, Pieces: []vision.Piece{{Kind: vision.Crop}, {}, {}}}
	notes := make([]string, 1, 4)
	out := record.Result{CoverFrac: 0.5, LoFrac: 0.3, HiFrac: 0.6, Pieces: 3, Kind: "green cover", Notes: notes}
	weedsOnly(&out, res)
	near := func(a, b float64) bool { return a-b < 1e-12 && b-a < 1e-12 }
	if !near(out.CoverFrac, 0.3) || !near(out.LoFrac, 0.1) || !near(out.HiFrac, 0.4) || out.Pieces != 2 || !out.WeedsOnly() ||
		out.AllGreen.CoverFrac != 0.5 || out.AllGreen.Pieces != 3 || len(out.Notes) != 2 {
		t.Errorf("%+v", out)
	}
	if notes[:2][1] != "" {
		t.Error("the notes of the result it came from were written over")
	}
	// More crop than green at the lower end: never below nothing, and the range
	// holds its value.
	out = record.Result{}
	weedsOnly(&out, vision.Result{CoverFrac: 0.5, CoverLo: 0.1, CoverHi: 0.45, CropFrac: 0.45})
	if out.LoFrac != 0 || !near(out.CoverFrac, 0.05) || out.HiFrac != out.CoverFrac {
		t.Errorf("%+v", out)
	}
	out = record.Result{}
	weedsOnly(&out, vision.Result{CoverFrac: 0.2, CropFrac: 0.3})
	if out.CoverFrac != 0 || out.HiFrac != 0 {
		t.Errorf("%+v", out)
	}
}

func TestPlaceByHand(t *testing.T) {
	_, snap := newTrial(t)
	visits, per := len(snap.Trial.Visits), snap.Trial.Quadrat.PerPlot
	plot := snap.Plots[0].ID
	for _, c := range []struct {
		plot           string
		quadrat, visit int
		fault          string
	}{
		{plot, 1, 1, ""}, {plot, per, visits, ""},
		{"999", 1, 1, "not in the layout"}, {"", 1, 1, "not in the layout"},
		{plot, 0, 1, "quadrat 0"}, {plot, -1, 1, "quadrat -1"}, {plot, per + 1, 1, "quadrat 5"},
		{plot, 1, 0, "visit 0"}, {plot, 1, visits + 1, "visit 9"},
	} {
		p, err := PlaceByHand(snap, c.plot, c.quadrat, c.visit)
		if c.fault == "" {
			if err != nil || p != (record.Place{Plot: c.plot, Quadrat: c.quadrat, Visit: c.visit, Basis: intake.ByHand, State: record.PlaceKnown}) {
				t.Errorf("%+v: %+v, %v", c, p, err)
			}
		} else if err == nil || !strings.Contains(err.Error(), c.fault) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	free := *snap
	free.Trial.Quadrat.PerPlot = 0 // their number was not planned
	if _, err := PlaceByHand(&free, plot, 40, 1); err != nil {
		t.Error(err)
	}
}

func TestCompleted(t *testing.T) {
	from := record.Place{Plot: "101", Quadrat: 2, Visit: 3}
	for _, c := range []struct{ to, want record.Place }{
		{record.Place{}, from},
		{record.Place{Plot: "102"}, record.Place{Plot: "102", Quadrat: 2, Visit: 3}},
		{record.Place{Quadrat: 1}, record.Place{Plot: "101", Quadrat: 1, Visit: 3}},
		{record.Place{Visit: 1}, record.Place{Plot: "101", Quadrat: 2, Visit: 1}},
	} {
		if got := completed(c.to, from); got != c.want {
			t.Errorf("%+v: %+v", c.to, got)
		}
	}
}

// TestDecide: what people say stands before what was worked out, all photos of
// one word or none, and the newest word is taken back first.
func TestDecide(t *testing.T) {
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 2)
	s := New(store, quiet)
	ctx := t.Context()
	if _, err := s.Photos(ctx, snap, []string{folder}, whole(), nil); err != nil {
		t.Fatal(err)
	}
	say := func(word Word) ([]Decided, error) {
		snap = newest(t, store)
		return s.Decide(ctx, snap, []*record.Photo{&snap.Photos[0], &snap.Photos[1]}, word, "both")
	}
	if _, err := say(Word{TakeBack: true}); err == nil || !strings.Contains(err.Error(), "nothing was said") {
		t.Errorf("what was worked out was taken back: %v", err)
	}
	if _, err := say(Word{Accept: true}); err == nil || !strings.Contains(err.Error(), "nothing is proposed") {
		t.Errorf("%v", err)
	}
	entry := newest(t, store).Entry
	if _, err := say(Word{Place: &record.Place{Quadrat: 9}}); err == nil || newest(t, store).Entry != entry {
		t.Errorf("%v", err)
	}
	was := newest(t, store).Photos[1].Place
	done, err := say(Word{Place: &record.Place{Visit: 2}})
	if err != nil || len(done) != 2 || done[1].Place.Visit != 2 || done[1].Place.Plot != was.Plot {
		t.Fatalf("%+v, %v", done, err)
	}
	if p := newest(t, store).Photos[1].Place; p.Visit != 2 || p.Basis != intake.ByHand || p.Plot != was.Plot || p.Quadrat != was.Quadrat {
		t.Errorf("%+v", p)
	}
	if done, err = say(Word{SetAside: "boot"}); err != nil || done[0].SetAside != "boot" || newest(t, store).Photos[0].State() != record.PhotoSetAside {
		t.Errorf("%+v, %v", done, err)
	}
	if done, err = say(Word{TakeBack: true}); err != nil || done[0].TookBack.Kind != record.KindReject {
		t.Errorf("%+v, %v", done, err)
	}
	if done, err = say(Word{TakeBack: true}); err != nil || done[0].TookBack.Kind != record.KindPlace || newest(t, store).Photos[1].Place != was {
		t.Errorf("%+v, %v", done, err)
	}
	// A plant that was named on the photo is no word about the photo.
	hash := newest(t, store).Photos[1].Hash
	if _, err := store.Write(t.Context(), "plants", "", func(tx *record.Tx) error {
		_, err := tx.Decide(record.PhotoSubject(hash), record.KindPlant, record.Plant{})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if done, err = say(Word{TakeBack: true}); err == nil {
		t.Errorf("a named plant was taken back: %+v", done)
	}
}

func TestFindPhotos(t *testing.T) {
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 2)
	writePhoto(t, filepath.Join(folder, "other", fileName(filepath.Join(folder, "plot "+snap.Plots[0].ID+" q1.jpg"))), 50, "2026:05:25 12:00:00")
	if _, err := New(store, quiet).Photos(t.Context(), snap, []string{folder}, whole(), nil); err != nil {
		t.Fatal(err)
	}
	snap = newest(t, store)
	twice, once := "plot "+snap.Plots[0].ID+" q1.jpg", "plot "+snap.Plots[1].ID+" q1.jpg"
	hash := snap.Photos[0].Hash
	for _, names := range [][]string{{once}, {filepath.Join("photos", twice)}, {hash}, {strings.ToUpper(hash[:8])}, {once, hash}} {
		if got, err := FindPhotos(snap, names); err != nil || len(got) != len(names) {
			t.Errorf("%q: %v, %v", names, got, err)
		}
	}
	_, err := FindPhotos(snap, []string{"none.jpg", once, twice})
	if err == nil || !strings.Contains(err.Error(), "none.jpg: no photo") || !strings.Contains(err.Error(), "2 photos have that name") {
		t.Errorf("%v", err)
	}
}

// TestMeasureLoose: photos of a day share a threshold, alone each has its own,
// and one given by hand holds for all.
func TestMeasureLoose(t *testing.T) {
	dir := t.TempDir()
	for i, day := range []string{"25", "25", "26"} {
		writePhoto(t, filepath.Join(dir, string(rune('a'+i))+".jpg"), uint64(10*i+1), "2026:05:"+day+" 09:00:00")
	}
	if err := os.WriteFile(filepath.Join(dir, "broken.jpg"), []byte("\xff\xd8\xff\xe0 nothing else"), 0o644); err != nil {
		t.Fatal(err)
	}
	thresholds := func(loose LooseOptions) (out []float64) {
		t.Helper()
		loose.Vision = vision.DefaultOptions()
		l, err := MeasureLoose(t.Context(), []string{dir}, loose, quiet)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		for i, p := range l.Photos {
			switch {
			case filepath.Base(p.Path) == "broken.jpg":
				if p.Result != nil || p.Fault == "" {
					t.Errorf("%+v", p)
				}
			case p.Result == nil || p.Measurement.Plane != nil:
				t.Errorf("%s: %s", p.Path, p.Fault)
			default:
				out = append(out, p.Result.Threshold.Value)
				if img, err := l.Outlined(i, 200); err != nil || max(img.Bounds().Dx(), img.Bounds().Dy()) != 200 {
					t.Errorf("%s: %v", p.Path, err)
				}
			}
		}
		return out
	}
	shared, alone := thresholds(LooseOptions{}), thresholds(LooseOptions{Alone: true})
	if len(shared) != 3 || shared[0] != shared[1] || shared[2] != alone[2] {
		t.Errorf("shared %v, alone %v", shared, alone)
	}
	v := 0.1
	for _, got := range thresholds(LooseOptions{Threshold: &v}) {
		if got < 0.095 || got > 0.105 {
			t.Errorf("by hand 0.1: %g", got)
		}
	}
}
