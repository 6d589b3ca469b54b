package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/export"
	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/intake/phototest"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/vision"
)

// smallTrial is a trial in a fresh folder with n small photos in photos/, named
// by plot and quadrat and dated to the visits.
func smallTrial(t testing.TB, n int) (dir, photos string) {
	t.Helper()
	dir = t.TempDir()
	return smallTrialIn(t, dir, n)
}

const smallPlan = "trial: Alder Bend leeks\nblocks: 4\ntreatment: BARE; control\ntreatment: RYE = rolled rye\ntreatment: TARP\n" +
	"bed spacing: 1.5 m\nplot length: 10 m\nquadrats per plot: 4\nvisits: every 14 days from 2026-05-25 to 2026-08-31\nseed: 7\n"

func smallTrialIn(t testing.TB, dir string, n int) (trialDir, photos string) {
	t.Helper()
	plan := filepath.Join(dir, "plan.txt")
	if err := os.WriteFile(plan, []byte(smallPlan), 0o644); err != nil {
		t.Fatal(err)
	}
	var o, e bytes.Buffer
	if code := run([]string{"new", "--plan", plan, "--trial", dir}, strings.NewReader(""), &o, &e); code != exitDone {
		t.Fatal(e.String())
	}
	snap := snapshotOf(t, dir)
	photos = filepath.Join(dir, "photos")
	if err := os.MkdirAll(photos, 0o755); err != nil {
		t.Fatal(err)
	}
	for i := range n {
		plot := snap.Plots[i%len(snap.Plots)].ID
		quadrat := i/len(snap.Plots)%4 + 1
		visit := i / (4 * len(snap.Plots)) % len(snap.Trial.Visits)
		s := 9*3600 + i*20%30000
		at := fmt.Sprintf("%s %02d:%02d:%02d", strings.ReplaceAll(snap.Trial.Visits[visit].String(), "-", ":"), s/3600, s/60%60, s%60)
		img := phototest.Ground(uint64(i)+1, 96, 72)
		name := fmt.Sprintf("plot %s q%d visit %d no %d.jpg", plot, quadrat, visit+1, i)
		if err := os.WriteFile(filepath.Join(photos, name), phototest.JPEG(img, phototest.Taken(at), nil), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir, photos
}

func snapshotOf(t testing.TB, dir string) *record.Snapshot {
	t.Helper()
	store, err := record.Open(dir, record.Options{Author: "test"})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	if err := store.Check(); err != nil {
		t.Fatal(err)
	}
	snap, err := store.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return snap
}

// contentOf is all that the tables of a trial say, but for the numbers of
// entries and the times they were made at.
func contentOf(t testing.TB, dir string) string {
	t.Helper()
	var b strings.Builder
	snap := snapshotOf(t, dir)
	// A run in two steps finds a threshold of a visit twice; the one that a newer one
	// replaced is history, not content.
	newest := map[string]int64{}
	for _, d := range snap.Decisions {
		if d.Kind == record.KindThreshold {
			newest[d.Subject] = d.ID
		}
	}
	snap.Decisions = slices.DeleteFunc(snap.Decisions, func(d record.Decision) bool {
		return d.Kind == record.KindThreshold && newest[d.Subject] != d.ID
	})
	// Nor does it matter in which of two steps a photo was placed.
	slices.SortStableFunc(snap.Decisions, func(a, b record.Decision) int {
		return cmp.Or(strings.Compare(a.Subject, b.Subject), strings.Compare(a.Kind, b.Kind))
	})
	all, err := export.Tables(snap)
	if err != nil {
		t.Fatal(err)
	}
	for _, table := range all {
		for k := len(table.Header) - 1; k >= 0; k-- {
			if slices.Contains([]string{"decision", "at", "entered_at", "by", "entered_by"}, table.Header[k]) {
				table.Header = slices.Delete(slices.Clone(table.Header), k, k+1)
				for i := range table.Rows {
					table.Rows[i] = slices.Delete(slices.Clone(table.Rows[i]), k, k+1)
				}
			}
		}
		fmt.Fprintf(&b, "== %s\n", table.Name)
		if err := tables.WriteCSV(&b, table); err != nil {
			t.Fatal(err)
		}
	}
	for i := range snap.Photos {
		fmt.Fprintf(&b, "%s %s\n", snap.Photos[i].Hash, snap.Photos[i].Doc)
	}
	return b.String()
}

// differ names the first line in which two texts differ.
func differ(a, b string) string {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			return fmt.Sprintf("line %d:\n%.300s\n%.300s", i+1, x[i], y[i])
		}
	}
	if len(x) != len(y) {
		return fmt.Sprintf("%d and %d lines", len(x), len(y))
	}
	return ""
}

func copyFile(t testing.TB, from, to string) {
	t.Helper()
	b, err := os.ReadFile(from)
	if err == nil {
		err = os.MkdirAll(filepath.Dir(to), 0o755)
	}
	if err == nil {
		err = os.WriteFile(to, b, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// TestPartsAddUpToOneRun measures a folder in four parts on a copy of the
// record, merges them in several orders, twice, and one at a time, and holds
// the trial against one uninterrupted run, byte for byte.
func TestPartsAddUpToOneRun(t *testing.T) {
	dir, photos := smallTrial(t, 50)
	// A copy of a photo, which may fall into another part; no photo at all; a
	// damaged one; and the copy of the record as another machine has it.
	copyFile(t, filepath.Join(photos, firstPhoto(t, photos)), filepath.Join(photos, "again", "copy.jpg"))
	whole, err := os.ReadFile(filepath.Join(photos, firstPhoto(t, photos)))
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{"notes.txt": []byte("x"), "empty.jpg": nil, "cut.jpg": whole[:len(whole)*2/3]} {
		if err := os.WriteFile(filepath.Join(photos, name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	before := filepath.Join(t.TempDir(), record.FileName)
	copyFile(t, filepath.Join(dir, record.FileName), before)
	say(t, "photos", photos, "--no-frame", "--trial", dir).expect(t, exitPartly, "51 photos in the folders", "cut.jpg", "empty.jpg")
	want := contentOf(t, dir)

	var parts []string
	held := 0
	for k := 1; k <= 4; k++ {
		out := filepath.Join(t.TempDir(), fmt.Sprintf("part-%d.jsonl", k))
		copyFile(t, before, filepath.Join(dir, record.FileName))
		r := say(t, "photos", photos, "--no-frame", "--part", fmt.Sprintf("%d/4", k), "--out", out, "--json", "--trial", dir)
		var o season.PartOutcome
		if err := json.Unmarshal([]byte(r.out), &o); err != nil {
			t.Fatalf("%v\n%s%s", err, r.out, r.err)
		}
		if !o.Finished || o.Photos != o.Measured {
			t.Errorf("part %d: %+v", k, o)
		}
		held += o.Photos
		parts = append(parts, out)
		after, err1 := os.ReadFile(filepath.Join(dir, record.FileName))
		asWas, err2 := os.ReadFile(before)
		if err1 != nil || err2 != nil || !bytes.Equal(after, asWas) {
			t.Error("measuring a part changed the record")
		}
	}
	if held < 51 || held > 52 { // the copy counts again where it is in another part
		t.Errorf("the parts hold %d photos", held)
	}
	rng := rand.New(rand.NewPCG(8, 8))
	for round := range 3 {
		rng.Shuffle(len(parts), func(i, j int) { parts[i], parts[j] = parts[j], parts[i] })
		copyFile(t, before, filepath.Join(dir, record.FileName))
		for again := range 2 {
			say(t, append([]string{"merge", "--trial", dir}, parts...)...).expect(t, exitPartly, "51 photos in 4 parts", "cut.jpg", "empty.jpg")
			if d := differ(want, contentOf(t, dir)); d != "" {
				t.Fatalf("round %d, merged %d times, %v: %s", round, again+1, parts, d)
			}
		}
	}
	// One at a time: the history of thresholds is longer, the numbers are the same.
	copyFile(t, before, filepath.Join(dir, record.FileName))
	for _, p := range parts {
		say(t, "merge", "--trial", dir, p).expect(t, exitPartly, "3 of 4 parts", "were not given")
	}
	got := contentOf(t, dir)
	for _, table := range []string{"== plots", "== values"} {
		if d := differ(section(want, table), section(got, table)); d != "" {
			t.Errorf("merged one at a time, %s: %s", table, d)
		}
	}
}

func section(s, head string) string {
	_, s, _ = strings.Cut(s, head+"\n")
	s, _, _ = strings.Cut(s, "\n== ")
	return s
}

func firstPhoto(t testing.TB, dir string) string {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if strings.HasSuffix(e.Name(), ".jpg") && strings.HasPrefix(e.Name(), "plot") {
			return e.Name()
		}
	}
	t.Fatal("no photo")
	return ""
}

// TestPartGoesOn stops a part in the middle of a line and goes on.
func TestPartGoesOn(t *testing.T) {
	dir, photos := smallTrial(t, 12)
	out := filepath.Join(t.TempDir(), "one.jsonl")
	args := []string{"photos", photos, "--no-frame", "--part", "1/1", "--out", out, "--trial", dir}
	must(t, args...)
	whole, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	for _, keep := range []float64{0, 0.0001, 0.3, 0.6, 0.9999} {
		if err := os.WriteFile(out, whole[:int(float64(len(whole))*keep)], 0o644); err != nil {
			t.Fatal(err)
		}
		if keep > 0.2 {
			say(t, "merge", out, "--trial", dir).expect(t, exitPartly, "was not measured to its end")
		}
		must(t, args...)
		got, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Count(got, []byte("\n")) != 14 { // header, 12 photos, end
			t.Errorf("gone on from %g of the file: %d lines", keep, bytes.Count(got, []byte("\n")))
		}
	}
	must(t, args...).expect(t, exitDone, "0 measured now")
	must(t, "merge", out, "--trial", dir).expect(t, exitDone, "12 photos in 1 part")
}

func TestPartFaults(t *testing.T) {
	dir, photos := smallTrial(t, 6)
	at := func(name string) string { return filepath.Join(dir, name) }
	say(t, "photos", photos, "--part", "5/4", "--trial", dir).expect(t, exitUsage, "part 5/4 does not exist")
	say(t, "photos", photos, "--part", "x", "--trial", dir).expect(t, exitUsage, "write it as 3/16")
	say(t, "photos", photos, "--out", "x", "--trial", dir).expect(t, exitUsage, "--part")
	say(t, "photos", photos, photos, "--part", "1/2", "--trial", dir).expect(t, exitUsage, "one folder")
	say(t, "photos", photos, "--part", "1/2", "--sheet", "x.csv", "--trial", dir).expect(t, exitUsage, "quadtally merge")
	say(t, "photos", at("none"), "--part", "1/2", "--trial", dir).expect(t, exitFailed, "is no folder")

	must(t, "photos", photos, "--no-frame", "--part", "1/2", "--out", at("a"), "--trial", dir)
	must(t, "photos", photos, "--no-frame", "--part", "2/2", "--out", at("b"), "--trial", dir)
	must(t, "photos", photos, "--no-frame", "--index", string(vision.Indices()[len(vision.Indices())-1]), "--part", "2/2", "--out", at("c"), "--trial", dir)
	must(t, "photos", photos, "--no-frame", "--part", "1/3", "--out", at("d"), "--trial", dir)
	say(t, "photos", photos, "--no-frame", "--part", "2/2", "--out", at("a"), "--trial", dir).expect(t, exitFailed, "holds part 1/2 of another run")
	say(t, "photos", photos, "--no-frame", "--part", "2/2", "--out", at("plan.txt"), "--trial", dir).expect(t, exitFailed, "plan.txt")
	before := contentOf(t, dir)
	say(t, "merge", at("a"), at("c"), "--trial", dir).expect(t, exitFailed, "different settings")
	say(t, "merge", at("a"), at("d"), "--trial", dir).expect(t, exitFailed, "parts of one division")
	say(t, "merge", at("plan.txt"), "--trial", dir).expect(t, exitFailed, "part file")
	say(t, "merge", at("none"), "--trial", dir).expect(t, exitFailed, "no such file")
	b, err := os.ReadFile(at("a"))
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if err := os.WriteFile(at("flipped"), b, 0o644); err != nil {
		t.Fatal(err)
	}
	say(t, "merge", at("flipped"), "--trial", dir).expect(t, exitFailed, "line", "measure the part again")
	if d := differ(before, contentOf(t, dir)); d != "" {
		t.Errorf("a refused merge changed the record: %s", d)
	}
	must(t, "merge", at("a"), at("b"), "--trial", dir)
	say(t, "merge", at("c"), "--trial", dir).expect(t, exitFailed, "other settings")

	time.Sleep(1100 * time.Millisecond) // another trial of the same name is told apart by when it was begun
	later, _ := smallTrial(t, 0)
	say(t, "merge", at("a"), at("b"), "--trial", later).expect(t, exitFailed, "belongs to another trial")
}

func TestPartsAreADivision(t *testing.T) {
	for _, n := range []int{1, 2, 7, 16, 256} {
		counts := make([]int, n)
		for i := range 4000 {
			in := 0
			for k := range n {
				if (intake.Part{K: k + 1, N: n}).Contains(fmt.Sprintf("june/IMG_%04d.jpg", i)) {
					in++
					counts[k]++
				}
			}
			if in != 1 {
				t.Fatalf("a photo is in %d of %d parts", in, n)
			}
		}
		// A fair die stays within 6 standard deviations of its mean.
		for k, c := range counts {
			if mean := 4000 / float64(n); float64(c) > mean+6*math.Sqrt(mean) || float64(c) < mean-6*math.Sqrt(mean) {
				t.Errorf("part %d/%d holds %d of 4000", k+1, n, c)
			}
		}
	}
	// Pinned: a photo must stay in its part in every version (SHA-256 of the
	// path, first eight bytes, modulo 16).
	if !(intake.Part{K: 7, N: 16}).Contains("IMG_0001.jpg") {
		t.Error("IMG_0001.jpg is no longer in part 7 of 16")
	}
}

// TestWorkersDoNotMatter: the same photos give the same record however many
// are measured at once.
func TestWorkersDoNotMatter(t *testing.T) {
	dir, photos := smallTrial(t, 40)
	before := filepath.Join(t.TempDir(), record.FileName)
	copyFile(t, filepath.Join(dir, record.FileName), before)
	var first string
	for _, workers := range []string{"1", "2", "5"} {
		copyFile(t, before, filepath.Join(dir, record.FileName))
		must(t, "photos", photos, "--no-frame", "--workers", workers, "--trial", dir)
		got := contentOf(t, dir)
		if first == "" {
			first = got
		} else if d := differ(first, got); d != "" {
			t.Errorf("with %s workers: %s", workers, d)
		}
	}
}
