package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/demo"
	"quadtally/cmd/quadtally/internal/demoseason"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
)

// TestPlantsCommand names plants in a rendered trial, answers check points and
// takes a name back; once looks are stored no photo is opened again.
func TestPlantsCommand(t *testing.T) {
	dir, plan := newSeasonPlan(t, 6, 2)
	takeIn(t, dir)
	write := func(name string, spots []demo.Spot) string {
		path := filepath.Join(dir, name)
		if err := writeWhole(path, demoseason.WriteSpots(spots)); err != nil {
			t.Fatal(err)
		}
		return path
	}
	state := func() (visit season.PlantVisit, next []plantAsk) {
		t.Helper()
		r := say(t, "plants", "--trial", dir, "--json", "--quiet")
		var got struct {
			Visits []season.PlantVisit `json:"visits"`
			Next   []plantAsk          `json:"next"`
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
	if v, _ = state(); v.Done != 60 || len(v.Lacks) != 0 {
		t.Errorf("all answered: %+v", v)
	}
	weeds, err := analysis.Find(snap(), "weed-cover", "")
	if err != nil {
		t.Fatal(err)
	}
	rs, _, err := weeds.Readings(snap())
	if err != nil || len(rs) != v.Photos {
		t.Fatalf("weed cover of %d photos of %d: %v", len(rs), v.Photos, err)
	}
	var told, truth float64
	for _, x := range rs {
		told += x.Value / float64(len(rs))
		for i := range plan.Photos {
			if p := &plan.Photos[i]; p.Plot == x.Plot && p.Quadrat == x.Quadrat && p.Visit == visit {
				truth += (p.Truth.WeedFrac - p.Truth.ByClass[demo.Red]) / float64(len(rs))
			}
		}
	}
	t.Logf("weed cover %.4f, truth %.4f", told, truth)
	if math.Abs(told-truth) > 0.03 {
		t.Errorf("weed cover %.4f, truth %.4f", told, truth)
	}

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
