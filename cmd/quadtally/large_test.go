package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
)

// largeTrial is a trial of blocks times treatments plots, 20 visits and 5
// quadrats a plot, every quadrat photographed and counted. Its numbers are
// invented.
func largeTrial(t testing.TB, blocks, treatments int) (dir string, photos int) {
	t.Helper()
	dir = t.TempDir()
	var b strings.Builder
	b.WriteString("trial: Alder Bend large\nplot length: 10 m\nbed spacing: 1.5 m\nquadrats per plot: 5\nvisits: every 7 days from 2026-04-06 to 2026-08-17\nseed: 1\n")
	fmt.Fprintf(&b, "blocks: %d\n", blocks)
	for i := range treatments {
		fmt.Fprintf(&b, "treatment: T%02d%s\n", i, []string{"; control", ""}[min(i, 1)])
	}
	plan := filepath.Join(dir, "plan.txt")
	if err := os.WriteFile(plan, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	if code := run([]string{"new", "--plan", plan, "--trial", dir}, strings.NewReader(""), io.Discard, &said); code != exitDone {
		t.Fatal(said.String())
	}
	snap := snapshotOf(t, dir)
	store, err := record.Open(dir, record.Options{Author: "test"})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	rng := rand.New(rand.NewPCG(20, 5))
	for v, day := range snap.Trial.Visits {
		_, err = store.Write(t.Context(), "test", "", func(tx *record.Tx) error {
			for i, p := range snap.Plots {
				for q := 1; q <= 5; q++ {
					photos++
					count := record.Observation{Plot: p.ID, Quadrat: q, Visit: v + 1, Date: day, Variable: "count", Class: "grass", Value: float64(photos % 40), Unit: "plants", Source: "test"}
					if _, _, err := tx.AddObservation(count, 0); err != nil {
						return err
					}
					cover := 0.1 + 0.02*float64((i*7+q*3+v)%23) + 0.01*rng.Float64()
					if err := addPhoto(tx, p, q, v+1, day, photos, cover); err != nil {
						return err
					}
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return dir, photos
}

// planeStandIn stands for a photo's plane, which nothing but applying a threshold reads. A
// real one is larger still; any that fills more than two pages of the record
// lies apart from its row in the same way.
var planeStandIn = make([]byte, 12<<10)

// addPhoto adds a photo with its numbers, as measuring leaves it.
func addPhoto(tx *record.Tx, p trial.Plot, quadrat, visit int, day trial.Date, n int, cover float64) error {
	hash := fmt.Sprintf("%064x", n)
	if err := tx.AddPhoto(record.PhotoFacts{Hash: hash, Path: fmt.Sprintf("photos/%d.jpg", n), Taken: day.String() + "T09:00:00", Format: "jpeg"}); err != nil {
		return err
	}
	opt := vision.DefaultOptions()
	doc, err := json.Marshal(vision.Measurement{Index: opt.Index, Curve: vision.Curve{Index: opt.Index}, Card: fmt.Sprint("QT1.", n), Fingerprint: opt.Fingerprint(),
		Notes: []string{strings.Repeat("a measurement's doc is of about this length. ", 25)}})
	if err != nil {
		return err
	}
	curve, err := vision.Curve{Index: opt.Index}.MarshalBinary()
	if err != nil {
		return err
	}
	id, err := tx.AddMeasurement(record.Measurement{Hash: hash, Fingerprint: opt.Fingerprint(), Doc: doc, Curve: curve, Plane: planeStandIn})
	if err != nil {
		return err
	}
	if err := tx.AddResult(id, record.Result{Threshold: 0.1, CoverFrac: cover, LoFrac: cover, HiFrac: cover, Pieces: n % 9, Kind: "green cover"}); err != nil {
		return err
	}
	_, err = tx.Decide(record.PhotoSubject(hash), record.KindPlace, record.Place{Plot: p.ID, Quadrat: quadrat, Visit: visit, Basis: "card", State: record.PlaceKnown})
	return err
}

// waitedFor is what people wait for on a large trial.
var waitedFor = [][]string{{"status"}, {"compare", "cover", "--visit", "3"}, {"compare", "count", "--visit", "3"}, {"compare", "cover"}}

// computing is the processor time this process has used.
func computing() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// watch notes when a command first shows something, and what it had computed
// by then.
type watch struct {
	began, before time.Duration // since the test began; of computing
	shown, used   time.Duration // until the first of it
}

var watched = time.Now()

func newWatch() *watch { return &watch{began: time.Since(watched), before: computing()} }

func (w *watch) Write(b []byte) (int, error) {
	if w.shown == 0 {
		w.shown, w.used = time.Since(watched)-w.began, computing()-w.before
	}
	return len(b), nil
}

// waitFor runs a command on a trial and watches it.
func waitFor(t testing.TB, dir string, args []string) (w *watch, all time.Duration) {
	t.Helper()
	w = newWatch()
	var said bytes.Buffer
	if code := run(append(slices.Clone(args), "--trial", dir), strings.NewReader(""), w, &said); code != exitDone {
		t.Fatal(said.String())
	}
	return w, time.Since(watched) - w.began
}

// TestTortureLargeTrial times them on 200 plots, 20 visits and 5 quadrats a
// plot (short: a tenth of the plots). Time is told, not judged.
func TestTortureLargeTrial(t *testing.T) {
	dir, photos := largeTrial(t, full(4, 10), full(5, 20))
	for _, args := range waitedFor {
		shown, used, all := time.Hour, time.Hour, time.Hour
		for range 3 {
			w, took := waitFor(t, dir, args)
			shown, used, all = min(shown, w.shown), min(used, w.used), min(all, took)
		}
		figure(t, strings.Join(args, " "), fmt.Sprintf("%d photos, as many counts", photos), "shows after %.2f s (%.2f s of computing), ends after %.2f s", shown.Seconds(), used.Seconds(), all.Seconds())
	}
}

// BenchmarkLargeTrial reports, on 200 plots, 20 visits and 5 quadrats a plot,
// seconds until something is shown: by the clock, and of computing, which
// other work on the machine does not lengthen.
func BenchmarkLargeTrial(b *testing.B) {
	dir, _ := largeTrial(b, 10, 20)
	for _, args := range waitedFor {
		b.Run(strings.Join(args, " "), func(b *testing.B) {
			var shown, used time.Duration
			for b.Loop() {
				w, _ := waitFor(b, dir, args)
				shown, used = shown+w.shown, used+w.used
			}
			b.ReportMetric(shown.Seconds()/float64(b.N), "s-shown")
			b.ReportMetric(used.Seconds()/float64(b.N), "cpu-s-shown")
		})
	}
}
