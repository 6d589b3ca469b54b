package season

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/intake"
	"quadtally/cmd/quadtally/internal/intake/phototest"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/cmd/quadtally/internal/workers"
)

// misbehaveEnv makes the worker process crash and hang on request.
const misbehaveEnv = "QUADTALLY_TEST_MISBEHAVE"

// TestMain lets the test binary play the worker process.
func TestMain(m *testing.M) {
	if os.Getenv(WorkerEnv) != "1" {
		os.Exit(m.Run())
	}
	var w Worker
	err := workers.Serve(os.Stdin, os.Stdout, func(j Job) Reply {
		if os.Getenv(misbehaveEnv) == "1" {
			switch name := filepath.Base(j.Path); {
			case strings.Contains(name, "crash"):
				syscall.Kill(os.Getpid(), syscall.SIGKILL)
			case strings.Contains(name, "hang"):
				time.Sleep(time.Hour)
			}
		}
		return w.Do(j)
	})
	if err != nil {
		os.Exit(1)
	}
	os.Exit(0)
}

const plan = "trial: Alder Bend leeks\nblocks: 4\ntreatment: BARE; control\ntreatment: RYE = rolled rye\ntreatment: TARP\n" +
	"bed spacing: 1.5 m\nplot length: 10 m\nquadrats per plot: 4\nvisits: every 14 days from 2026-05-25 to 2026-08-31\nseed: 7\n"

// newTrial begins a record in a fresh folder.
func newTrial(t *testing.T) (*record.Store, *record.Snapshot) {
	t.Helper()
	tr, faults := trial.ReadPlan(trial.Defaults(), strings.NewReader(plan), "plan.txt")
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	plots, err := trial.LayOut(&tr)
	if err != nil {
		t.Fatal(err)
	}
	store, err := record.Create(t.TempDir(), tr, plots, record.Options{Author: "Ada"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { store.Close() })
	return store, newest(t, store)
}

func newest(t *testing.T, store *record.Store) *record.Snapshot {
	t.Helper()
	snap, err := store.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return snap
}

// quiet measures with two processes and nobody watching.
var quiet = Options{Workers: 2, Limit: time.Minute}

func writePhoto(t *testing.T, path string, seed uint64, taken string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, phototest.JPEG(phototest.Ground(seed, 96, 72), phototest.Taken(taken), nil), 0o644); err != nil {
		t.Fatal(err)
	}
}

// somePhotos writes photos named by plot and quadrat, of the first visit.
func somePhotos(t *testing.T, store *record.Store, snap *record.Snapshot, n int) (folder string) {
	t.Helper()
	folder = filepath.Join(store.Dir(), "photos")
	for i := range n {
		writePhoto(t, filepath.Join(folder, fmt.Sprintf("plot %s q1.jpg", snap.Plots[i].ID)), uint64(i+1), fmt.Sprintf("2026:05:25 09:%02d:00", i))
	}
	return folder
}

func whole() Change {
	yes := true
	return Change{NoFrame: &yes}
}

// TestPhotos goes the whole way from a folder to numbers, without a command,
// and then again: what is known is not done twice.
func TestPhotos(t *testing.T) {
	store, snap := newTrial(t)
	folder := somePhotos(t, store, snap, 4)
	writePhoto(t, filepath.Join(folder, "IMG_1.jpg"), 90, "2026:05:25 10:00:00") // says nothing of its plot
	writePhoto(t, filepath.Join(folder, "x copy.jpg"), 1, "2026:05:25 09:00:00") // the first photo again
	for name, b := range map[string]string{"notes.txt": "x", "broken.jpg": "\xff\xd8\xff\xe0 nothing else"} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(b), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	steps := map[string]int{}
	opt := quiet
	opt.Progress = func(total int, what string) Bar { steps[what]++; return noBar{} }
	s := New(store, opt)
	out, err := s.Photos(t.Context(), snap, []string{folder}, whole(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if out.Files != 8 || out.Ignored != 1 || out.Photos != 6 || out.New != 6 || out.Measured != 6 || len(out.Copies) != 1 ||
		out.Placed[intake.ByName] != 4 || len(out.Open) != 1 || len(out.Faults) != 1 || out.Spare != 0 {
		t.Errorf("%+v", out)
	}
	if filepath.Base(out.Open[0].Photo) != "IMG_1.jpg" || out.Open[0].Text == "" || filepath.Base(out.Faults[0].Path) != "broken.jpg" {
		t.Errorf("open %+v, faults %+v", out.Open, out.Faults)
	}
	if steps["measuring"] != 1 || steps["looking through the folders"] != 1 || steps["counting pieces"] != 1 {
		t.Errorf("shown: %v", steps)
	}
	want := map[record.PhotoState]int{record.PhotoInUse: 4, record.PhotoAwaitsPlace: 1, record.PhotoUnread: 1}
	got := map[record.PhotoState]int{}
	after := newest(t, store)
	for i := range after.Photos {
		p := &after.Photos[i]
		got[p.State()]++
		if p.State() == record.PhotoUnread && p.FaultCode != record.FaultPhoto {
			t.Errorf("the broken photo has the code %q", p.FaultCode)
		}
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("states %v, want %v", got, want)
	}
	if th, ok := out.Thresholds[1]; !ok || th.ByHand || th.Fingerprint != out.Settings {
		t.Errorf("threshold of the visit: %+v", th)
	}
	again, err := s.Photos(t.Context(), after, []string{folder}, Change{}, nil)
	if err != nil || again.New != 0 || again.Measured != 0 || again.Placed[intake.ByName] != 4 {
		t.Errorf("the second time: %+v, %v", again, err)
	}
	if end := newest(t, store); end.Entry != after.Entry {
		t.Errorf("the second time stored %d entries", end.Entry-after.Entry)
	}
}

// TestRetryRule: a photo whose worker crashed or took too long is measured
// again by the next run; one that is itself at fault is not.
func TestRetryRule(t *testing.T) {
	store, snap := newTrial(t)
	folder := filepath.Join(store.Dir(), "photos")
	writePhoto(t, filepath.Join(folder, "crash.jpg"), 1, "2026:05:25 09:00:00")
	writePhoto(t, filepath.Join(folder, "hang.jpg"), 2, "2026:05:25 09:01:00")
	if err := os.WriteFile(filepath.Join(folder, "broken.jpg"), []byte("\xff\xd8\xff\xe0 nothing else"), 0o644); err != nil {
		t.Fatal(err)
	}
	codes := func() map[string]record.FaultCode {
		out := map[string]record.FaultCode{}
		for _, p := range newest(t, store).Photos {
			out[filepath.Base(p.Path)] = p.FaultCode
		}
		return out
	}
	t.Setenv(misbehaveEnv, "1")
	s := New(store, Options{Workers: 2, Limit: 3 * time.Second})
	out, err := s.Photos(t.Context(), snap, []string{folder}, whole(), nil)
	if err != nil || out.Measured != 3 || len(out.Faults) != 3 {
		t.Fatalf("%+v, %v", out, err)
	}
	want := map[string]record.FaultCode{"crash.jpg": record.FaultCrashed, "hang.jpg": record.FaultTimeout, "broken.jpg": record.FaultPhoto}
	if got := codes(); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("codes %v, want %v", got, want)
	}
	t.Setenv(misbehaveEnv, "")
	if out, err = s.Photos(t.Context(), newest(t, store), []string{folder}, Change{}, nil); err != nil || out.Measured != 2 {
		t.Errorf("%+v, %v", out, err)
	}
	want = map[string]record.FaultCode{"crash.jpg": "", "hang.jpg": "", "broken.jpg": record.FaultPhoto}
	if got := codes(); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("after the second run: codes %v, want %v", got, want)
	}
}

func TestNoPhotos(t *testing.T) {
	store, snap := newTrial(t)
	empty := t.TempDir()
	_, err := New(store, quiet).Photos(t.Context(), snap, []string{empty}, whole(), nil)
	if e, ok := err.(*NoPhotosError); !ok || e.Seen != 0 {
		t.Errorf("%v", err)
	}
	for n, want := range map[int]string{0: "(0 files looked at)", 1: "(1 file looked at)", 2: "(2 files looked at)"} {
		if s := (&NoPhotosError{[]string{"a", "b"}, n}).Error(); !strings.Contains(s, want) || !strings.Contains(s, "a, b") {
			t.Error(s)
		}
	}
}

// TestSummariseLeavesOthersAlone: a run speaks of its own photos only.
func TestSummariseLeavesOthersAlone(t *testing.T) {
	snap := &record.Snapshot{Photos: []record.Photo{
		{PhotoFacts: record.PhotoFacts{Hash: "a", Path: "a.jpg"}, Result: &record.Result{}, Place: record.Place{State: record.PlaceKnown, Basis: intake.ByCard}},
		{PhotoFacts: record.PhotoFacts{Hash: "b", Path: "b.jpg"}, Result: &record.Result{}, Place: record.Place{State: record.PlaceKnown, Basis: intake.ByCard}},
		{PhotoFacts: record.PhotoFacts{Hash: "c", Path: "c.jpg"}, Rejected: "boot"},
		{PhotoFacts: record.PhotoFacts{Hash: "d", Path: "d.jpg"}},
	}}
	out := newOutcome("f")
	out.summarise(snap, map[string]string{"a": "a.jpg", "c": "c.jpg", "d": "d.jpg"})
	if out.Placed[intake.ByCard] != 1 || len(out.Open)+len(out.Faults)+out.Spare != 0 {
		t.Errorf("%+v", out)
	}
}
