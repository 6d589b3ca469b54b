package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/trial"
)

// TestTortureSoak measures many small photos in one run and follows, of the
// program and of its workers, memory, open files and the time a photo takes.
// Time is told, not judged: other work on the machine is not the program's.
func TestTortureSoak(t *testing.T) {
	n := full(300, 10_000)
	dir, photos := smallTrial(t, n)
	out := filepath.Join(dir, "part.jsonl")
	cmd := program("photos", photos, "--no-frame", "--part", "1/1", "--out", out, "--trial", dir, "--quiet")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	type sample struct {
		at            time.Time
		bytes         int64
		main, workers procFigures
	}
	var samples []sample
	for running := true; running; {
		select {
		case err := <-ended:
			if err != nil {
				t.Fatal(err)
			}
			running = false
		case <-time.After(100 * time.Millisecond):
			s := sample{at: time.Now()}
			if info, err := os.Stat(out); err == nil {
				s.bytes = info.Size()
			}
			for pid, p := range processes(cmd.Process.Pid) {
				if pid == cmd.Process.Pid {
					s.main = p
				} else {
					s.workers.rss, s.workers.files = max(s.workers.rss, p.rss), max(s.workers.files, p.files)
				}
			}
			if s.bytes > 0 && s.workers.rss > 0 {
				samples = append(samples, s)
			}
		}
	}
	if got := strings.Count(string(mustRead(t, out)), "\n"); got != n+2 {
		t.Errorf("%d lines for %d photos", got, n)
	}
	if len(samples) < 8 {
		t.Skipf("over after %d samples: too short to follow", len(samples))
	}
	// The first quarter warms up; the second is held against the last.
	q := len(samples) / 4
	most := func(list []sample, f func(sample) int64) (m int64) {
		for _, s := range list {
			m = max(m, f(s))
		}
		return m
	}
	for _, what := range []struct {
		name string
		of   func(sample) int64
	}{
		{"program, MB", func(s sample) int64 { return s.main.rss }}, {"largest worker, MB", func(s sample) int64 { return s.workers.rss }},
		{"program, open files", func(s sample) int64 { return int64(s.main.files) << 20 }}, {"worker, open files", func(s sample) int64 { return int64(s.workers.files) << 20 }},
	} {
		early, late := most(samples[q:2*q], what.of), most(samples[3*q:], what.of)
		t.Logf("soak of %d photos: %-20s %6.1f early, %6.1f late (%+.1f %%)", n, what.name, float64(early)/(1<<20), float64(late)/(1<<20), 100*(float64(late)/float64(early)-1))
		if strings.Contains(what.name, "files") && late > early+4<<20 {
			t.Errorf("%s grow", what.name)
		}
		if late > 2*early && late > early+64<<20 {
			t.Errorf("%s: grows without end", what.name)
		}
	}
	rate := func(a, b sample) float64 { return float64(b.bytes-a.bytes) / b.at.Sub(a.at).Seconds() }
	t.Logf("soak of %d photos: speed of the last quarter / of the second: %.2f", n, rate(samples[3*q], samples[len(samples)-1])/rate(samples[q], samples[2*q]))
}

// TestTortureLargeTrial times what people wait for on a trial of 200 plots, 20
// visits and 5 quadrats a plot (short: a tenth of the plots).
func TestTortureLargeTrial(t *testing.T) {
	dir := t.TempDir()
	var b strings.Builder
	b.WriteString("trial: Alder Bend large\nplot length: 10 m\nbed spacing: 1.5 m\nquadrats per plot: 5\nvisits: every 7 days from 2026-04-06 to 2026-08-17\nseed: 1\n")
	fmt.Fprintf(&b, "blocks: %d\n", full(4, 10))
	for i := range full(5, 20) {
		fmt.Fprintf(&b, "treatment: T%02d%s\n", i, []string{"; control", ""}[min(i, 1)])
	}
	plan := filepath.Join(dir, "plan.txt")
	if err := os.WriteFile(plan, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	must(t, "new", "--plan", plan, "--trial", dir)
	snap := snapshotOf(t, dir)
	store, err := record.Open(dir, record.Options{Author: "test"})
	if err != nil {
		t.Fatal(err)
	}
	values := 0
	_, err = store.Write(t.Context(), "test", "", func(tx *record.Tx) error {
		for v, day := range snap.Trial.Visits {
			for i, p := range snap.Plots {
				for q := 1; q <= 5; q++ {
					values++
					cover := 0.1 + 0.02*float64((i*7+q*3+v)%23)
					o := record.Observation{Plot: p.ID, Quadrat: q, Visit: v + 1, Date: day, Variable: "count", Class: "grass", Value: float64(values % 40), Unit: "plants", Source: "test"}
					if _, _, err := tx.AddObservation(o, 0); err != nil {
						return err
					}
					if err := addPhoto(tx, p, q, v+1, day, values, cover); err != nil {
						return err
					}
				}
			}
		}
		return nil
	})
	store.Close()
	if err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"status"}, {"compare", "cover", "--visit", "3"}, {"compare", "count", "--visit", "3"}} {
		began := time.Now()
		r := say(t, append(args, "--trial", dir)...)
		if r.code != exitDone && r.code != exitPartly {
			t.Errorf("%v: %d %s", args, r.code, r.err)
		}
		t.Logf("trial of %d plots, %d visits, %d photos and %d counts: %s in %.2f s", len(snap.Plots), len(snap.Trial.Visits), values, values, strings.Join(args, " "), time.Since(began).Seconds())
	}
}

// addPhoto adds a photo with its numbers, as measuring leaves it.
func addPhoto(tx *record.Tx, p trial.Plot, quadrat, visit int, day trial.Date, n int, cover float64) error {
	hash := fmt.Sprintf("%064x", n)
	if err := tx.AddPhoto(record.PhotoFacts{Hash: hash, Path: fmt.Sprintf("photos/%d.jpg", n), Taken: day.String() + "T09:00:00", Format: "jpeg"}); err != nil {
		return err
	}
	id, err := tx.AddMeasurement(record.Measurement{Hash: hash, Fingerprint: "test", Doc: json.RawMessage(`{"note":"` + strings.Repeat("x", 1500) + `"}`)})
	if err != nil {
		return err
	}
	if err := tx.AddResult(id, record.Result{Threshold: 0.1, CoverFrac: cover, LoFrac: cover, HiFrac: cover, Pieces: n % 9, Kind: "green cover"}); err != nil {
		return err
	}
	_, err = tx.Decide(record.PhotoSubject(hash), record.KindPlace, record.Place{Plot: p.ID, Quadrat: quadrat, Visit: visit, Basis: "card", State: record.PlaceSettled})
	return err
}
