package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/demoseason"
	"quadtally/cmd/quadtally/internal/outfile"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/status"
)

// TestPlantsCommand names plants in a rendered trial, answers check points and
// takes a name back; once looks are stored no photo is opened again.
func TestPlantsCommand(t *testing.T) {
	dir, plan := newSeasonPlan(t, 6, 2)
	takeIn(t, dir)
	write := func(name string, spots []demo.Spot) string {
		path := filepath.Join(dir, name)
		if err := outfile.Whole(path, demoseason.WriteSpots(spots)); err != nil {
			t.Fatal(err)
		}
		return path
	}
	state := func() (visit season.PlantVisit, next []status.PlantAsk) {
		t.Helper()
		r := say(t, "plants", "--trial", dir, "--json", "--quiet")
		var got struct {
			Visits []season.PlantVisit `json:"visits"`
			Next   []status.PlantAsk   `json:"next"`
		}
		if err := json.Unmarshal([]byte(r.out), &got); err != nil || len(got.Visits) != 1 {
			t.Fatalf("%v: %s %s", err, r.out, r.err)
		}
		return got.Visits[0], got.Next
	}
	snap := func() *record.Snapshot {
		t.Helper()
		store, err := record.Open(dir, record.Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		defer store.Close()
		s, err := store.Snapshot(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	v, next := state()
	if v.Sorted != 0 || v.NoLooks != v.Photos || len(next) != 0 || len(v.Lacks) != 1 || v.Lacks[0] != record.LackNames {
		t.Fatalf("before anything is named: %+v, to name %v", v, next)
	}
	if r := say(t, "compare", "weed-cover", "--trial", dir); r.code == exitDone || !strings.Contains(r.err, "name plants") {
		t.Errorf("weed cover before anything is named: %d %s", r.code, r.err)
	}

	inUse := map[string]bool{}
	for _, p := range snap().Photos {
		inUse[filepath.Base(p.Path)] = p.InUse()
	}
	visit := plan.Photos[0].Visit
	named := plan.NamePlants(visit, 12, func(file string) bool { return inUse[file] })
	for i := range 2 { // two more rounds over the same photos
		more := *plan
		more.Seed += uint64(i + 1)
		named = append(named, more.NamePlants(visit, 12, func(file string) bool { return inUse[file] })...)
	}
	// Nobody names one spot twice.
	apart := named[:0]
	for _, q := range named {
		if !slices.ContainsFunc(apart, func(r demo.Spot) bool { return r.File == q.File && math.Hypot(r.X-q.X, r.Y-q.Y) < 12 }) {
			apart = append(apart, q)
		}
	}
	named = apart
	must(t, "plants", write("named.csv", named[3:]), "--trial", dir, "--quiet")
	v, next = state()
	if v.Sorted != v.Photos || v.NoLooks != 0 || len(next) == 0 {
		t.Fatalf("after naming: %+v, to name %v", v, next)
	}
	seen := map[string]bool{}
	for _, n := range next {
		if seen[n.Photo] || n.Best == n.Second || !inUse[n.Photo] {
			t.Errorf("to name next: %+v", next)
		}
		seen[n.Photo] = true
	}

	// From here on there are no photos.
	if err := os.Rename(filepath.Join(dir, "photos"), filepath.Join(t.TempDir(), "gone")); err != nil {
		t.Fatal(err)
	}
	correctedFiles(t, dir, snap, write, named[3:])
	before := snap()
	must(t, "plants", write("few.csv", named[:3]), "--trial", dir, "--quiet")
	after := snap()
	if len(after.Named) != len(before.Named)+3 {
		t.Fatalf("%d plants named, then %d", len(before.Named), len(after.Named))
	}
	moved := false
	for i := range after.Photos {
		if p, q := &after.Photos[i], &before.Photos[i]; p.InUse() {
			if p.Sorting == nil || q.Sorting == nil {
				t.Fatalf("%s is not sorted", p.Path)
			}
			var sum, pieces float64
			for k, c := range p.Sorting.Classes {
				sum += c.CoverFrac
				pieces += float64(c.Pieces)
				moved = moved || k < len(q.Sorting.Classes) && c.Mean != q.Sorting.Classes[k].Mean
				if c.LoFrac > c.CoverFrac || c.HiFrac < c.CoverFrac {
					t.Errorf("%s: %+v", p.Path, c)
				}
			}
			if math.Abs(sum-p.Result.CoverFrac) > 1e-6 || int(pieces) != p.Result.Pieces {
				t.Errorf("%s: classes make %.5f and %.0f pieces, all green %.5f and %d", p.Path, sum, pieces, p.Result.CoverFrac, p.Result.Pieces)
			}
		}
	}
	if !moved {
		t.Error("three more names changed nothing")
	}

	// Check points: drawn, half of them answered, then all.
	r := say(t, "plants", "--ask", "60", "--trial", dir, "--quiet")
	points, err := demoseason.ReadDrawn([]byte(r.out))
	if err != nil || len(points) != 60 {
		t.Fatalf("%v: %d check points: %s", err, len(points), r.err)
	}
	for _, p := range points {
		if !inUse[p.File] {
			t.Errorf("a check point in %s", p.File)
		}
	}
	answered := plan.AnswerChecks(points)
	half := append([]demo.Spot(nil), answered...)
	for i := range half[:40] {
		half[i].Class = ""
	}
	must(t, "plants", "--answers", write("half.csv", half), "--trial", dir, "--quiet")
	if v, _ = state(); v.Drawn != 60 || v.Done != 20 || len(v.Lacks) != 1 || v.Lacks[0] != record.LackChecks {
		t.Errorf("a third answered: %+v", v)
	}
	must(t, "plants", "--answers", write("all.csv", answered), "--trial", dir, "--quiet")
	// Stored again with one answer blank, that answer is gone; undone, it is back.
	less := append([]demo.Spot(nil), answered...)
	less[3].Class = ""
	must(t, "plants", "--answers", write("all.csv", less), "--trial", dir, "--quiet")
	if v, _ = state(); v.Done != 59 {
		t.Errorf("one answer was taken out of the file: %d answered", v.Done)
	}
	must(t, "undo", newestByHand(t, dir), "--trial", dir, "--quiet")
	// The crop was named once, too rarely to be found, and check points lie on
	// it: that is said, and cured by naming some beside these.
	if v, _ = state(); v.Done != 60 || !slices.Equal(v.Lacks, []record.PlantsLacking{record.LackCrop}) {
		t.Errorf("all answered: %+v", v)
	}
	var leeks []demo.Spot
	for _, q := range answered {
		if q.Class == "crop" {
			q.X += 2
			leeks = append(leeks, q)
		}
	}
	must(t, "plants", write("leeks.csv", leeks), "--trial", dir, "--quiet")
	if v, _ = state(); v.Done != 60 || len(v.Lacks) != 0 {
		t.Errorf("all answered and crop named: %+v", v)
	}
	weeds, err := analysis.Find(snap(), "weed-cover", "")
	if err != nil {
		t.Fatal(err)
	}
	rs, _, err := weeds.Readings(snap())
	if err != nil || len(rs) != v.Photos {
		t.Fatalf("weed cover of %d photos of %d: %v", len(rs), v.Photos, err)
	}
	var measured, truth float64
	for _, x := range rs {
		measured += x.Value / float64(len(rs))
		for i := range plan.Photos {
			if p := &plan.Photos[i]; p.Plot == x.Plot && p.Quadrat == x.Quadrat && p.Visit == visit {
				truth += (p.Truth.WeedFrac - p.Truth.ByClass[demo.Red]) / float64(len(rs))
			}
		}
	}
	t.Logf("weed cover %.4f, truth %.4f", measured, truth)
	if math.Abs(measured-truth) > 0.03 {
		t.Errorf("weed cover %.4f, truth %.4f", measured, truth)
	}
	agreesOnWeeds(t, dir, snap, rs)

	// Refused whole: places that are none, answers to what was not asked.
	for say1, c := range map[string]struct {
		args []string
		says string
	}{
		"outside the photo":    {[]string{write("out.csv", []demo.Spot{{File: named[0].File, X: 99999, Y: 1, Class: "weed"}})}, "lies outside"},
		"no such photo":        {[]string{write("none.csv", []demo.Spot{{File: "nowhere.jpg", X: 1, Y: 1, Class: "weed"}})}, "nowhere.jpg"},
		"no such class":        {[]string{write("class.csv", []demo.Spot{{File: named[0].File, X: 1, Y: 1, Class: "shrub"}})}, `class "shrub"`},
		"answer without asked": {[]string{"--answers", write("other.csv", []demo.Spot{{File: points[0].File, X: 1, Y: 1, Class: "weed"}})}, "no check point was drawn"},
	} {
		was := len(snap().Decisions)
		if r := say(t, append([]string{"plants", "--trial", dir}, c.args...)...); r.code == exitDone || !strings.Contains(r.err, c.says) {
			t.Errorf("%s: %d %s", say1, r.code, r.err)
		}
		if is := len(snap().Decisions); is != was {
			t.Errorf("%s: %d decisions were stored", say1, is-was)
		}
	}
	if _, err := csv.NewReader(bytes.NewReader([]byte(r.out))).ReadAll(); err != nil {
		t.Errorf("the check points are no CSV: %v", err)
	}
}

// agreesOnWeeds stores sheets with weeds judged by eye and counted by class, and
// holds what the photos tell apart against them: weeds against weeds, never all
// green.
func agreesOnWeeds(t *testing.T, dir string, snap func() *record.Snapshot, weeds []analysis.Reading) {
	t.Helper()
	pieces, err := analysis.Find(snap(), "weed-pieces", "broadleaf")
	if err != nil {
		t.Fatal(err)
	}
	ofPhotos, _, err := pieces.Readings(snap())
	if err != nil {
		t.Fatal(err)
	}
	byEye, counted := "plot,quadrat,visit,weed_cover_%\n", "plot,quadrat,visit,species,count\n"
	var eye, hand, all float64 // means of what the sheets say
	for i, x := range weeds {
		v := math.Round(100 * (x.Value + 0.02))
		eye += v / float64(len(weeds))
		byEye += fmt.Sprintf("%s,%d,%d,%g\n", x.Plot, x.Quadrat, x.Visit, v)
		n, grass := 2*ofPhotos[i].Value+1, i%3
		hand += n / float64(len(weeds))
		all += (n + float64(grass)) / float64(len(weeds))
		at := fmt.Sprintf("%s,%d,%d", ofPhotos[i].Plot, ofPhotos[i].Quadrat, ofPhotos[i].Visit)
		counted += fmt.Sprintf("%s,broadleaf,%g\n%s,grass,%d\n", at, n, at, grass)
	}
	for name, text := range map[string]string{"eye.csv": byEye, "weeds.csv": counted} {
		must(t, "counts", file(t, dir, name, text), "--trial", dir, "--quiet")
	}
	agree := func(args ...string) (got struct {
		Hand  string `json:"hand_name"`
		Image string `json:"image_name"`
		Of    struct {
			N    int     `json:"n"`
			Hand float64 `json:"hand_mean"`
		} `json:"agreement"`
		Line struct {
			Chosen struct {
				Method string `json:"method"`
			} `json:"chosen"`
		} `json:"calibration"`
	}) {
		r := say(t, append([]string{"agree", "--trial", dir, "--json", "--quiet"}, args...)...)
		if err := json.Unmarshal([]byte(r.out), &got); err != nil || r.code != exitDone {
			t.Fatalf("agree %s: %v %s", args, err, r.err)
		}
		return got
	}
	for _, of := range []string{"cover", "weed-cover"} {
		if got := agree("--of", of); got.Of.N != len(weeds) || math.Abs(100*got.Of.Hand-eye) > 1e-9 || got.Image != "weed cover" || got.Hand != "weed cover judged by eye" {
			t.Errorf("agree --of %s: %+v, by eye %.3f in %d quadrats", of, got, eye, len(weeds))
		}
	}
	for _, c := range []struct {
		args  []string
		hand  float64
		image string
	}{
		{[]string{"--of", "count"}, all, "weed pieces"},
		{[]string{"--of", "weed-pieces"}, all, "weed pieces"},
		{[]string{"--of", "weed-pieces", "--class", "broadleaf"}, hand, "weed pieces of broadleaf"},
		{[]string{"--of", "count", "--class", "broadleaf"}, hand, "weed pieces of broadleaf"},
	} {
		got := agree(c.args...)
		if got.Of.N != len(weeds) || math.Abs(got.Of.Hand-c.hand) > 1e-9 || got.Image != c.image || !strings.HasPrefix(got.Hand, "hand count") || got.Line.Chosen.Method != "logs_with_smearing" {
			t.Errorf("agree %s: %+v, counted %.3f", c.args, got, c.hand)
		}
	}
	for want, args := range map[string][]string{
		"no plant is named":       {"--of", "weed-pieces", "--class", "sedge"},
		"--class goes with count": {"--of", "cover", "--class", "grass"},
		"do not go with --from":   {"--from", filepath.Join(dir, "weeds.csv"), "--of", "weed-pieces"},
	} {
		if r := say(t, append([]string{"agree", "--trial", dir, "--quiet"}, args...)...); r.code != exitUsage || !strings.Contains(r.err, want) {
			t.Errorf("agree %s: %d %s, want %q", args, r.code, r.err, want)
		}
	}
	must(t, "compare", "weed-pieces", "--calibrated", "--class", "broadleaf", "--full", "--trial", dir, "--quiet").expect(t, exitDone, "CALIBRATED VALUES", "(image + 0.5)^")
}

// newestByHand is the newest entry in which a person named plants or answered
// points.
func newestByHand(t *testing.T, dir string) string {
	t.Helper()
	store, err := record.Open(dir, record.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	log, err := store.Log(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(log, func(e record.LogEntry) bool { return e.Command == "plants" && e.Kind == record.EntryHand })
	return fmt.Sprint(log[i].ID)
}

// correctedFiles stores a file of named plants again under its name: what it
// does not give any more is withdrawn, what it gives in another place or of
// another class is so, and undo brings all of it back. Two classes at one spot
// are refused with their rows.
func correctedFiles(t *testing.T, dir string, snap func() *record.Snapshot, write func(string, []demo.Spot) string, named []demo.Spot) {
	t.Helper()
	inForce := func() string {
		var lines []string
		for _, n := range snap().Named {
			lines = append(lines, fmt.Sprintf("%.6s %.1f %.1f %s", n.Hash, n.X, n.Y, n.Class.Name))
		}
		slices.Sort(lines)
		return strings.Join(lines, "; ")
	}
	was := inForce()
	entry := snap().Entry
	r := must(t, "plants", write("named.csv", named), "--trial", dir, "--quiet", "--next", "0")
	if inForce() != was || snap().Entry != entry {
		t.Errorf("the same file again changed something: %s", r.err)
	}
	corrected := append([]demo.Spot(nil), named[1:]...) // the first is gone
	corrected[1].X += 30                                // moved
	other := map[bool]string{true: "crop", false: "regrowth"}[corrected[2].Class != "crop"]
	corrected[2].Class = other
	r = must(t, "plants", write("named.csv", corrected), "--trial", dir, "--next", "0")
	now := snap().Named
	if len(now) != len(named)-1 || !strings.Contains(r.err, "1 of them new, 1 of another class than before; 2 that its former version gave withdrawn") {
		t.Errorf("%d plants named: %s", len(now), r.err)
	}
	for _, q := range corrected[:3] {
		found := false
		for _, n := range now {
			found = found || math.Abs(n.X-q.X) < 0.06 && math.Abs(n.Y-q.Y) < 0.06 && n.Class.Name == q.Class
		}
		if !found {
			t.Errorf("%+v is not in force", q)
		}
	}
	must(t, "undo", newestByHand(t, dir), "--trial", dir, "--quiet")
	if got := inForce(); got != was {
		t.Errorf("undone, there is\n%s\nin place of\n%s", got, was)
	}
	// The same plants under another name are not withdrawn with this one.
	twice := append(append([]demo.Spot(nil), named...), named[4])
	twice[len(twice)-1].X += 2
	twice[len(twice)-1].Class = map[bool]string{true: "crop", false: "regrowth"}[named[4].Class != "crop"]
	for name, path := range map[string]string{
		"in one file":  write("named.csv", twice),
		"in two files": write("second.csv", twice[len(twice)-1:]),
	} {
		entry := snap().Entry
		r := say(t, "plants", path, "--trial", dir)
		if r.code == exitDone || snap().Entry != entry || !strings.Contains(r.err, ".csv:") || !strings.Contains(r.err, named[4].Class) {
			t.Errorf("two classes at one spot %s: %d %s", name, r.code, r.err)
		}
	}
}
