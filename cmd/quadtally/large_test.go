package main

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
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

// planeStandIn stands for a photo's plane, which nothing but settling reads. A
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
	doc, err := measurementDoc(vision.Measurement{Index: opt.Index, Card: fmt.Sprint("QT1.", n), Fingerprint: opt.Fingerprint(),
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
	areas := make([]int, 12)
	for i := range areas {
		areas[i] = 20 + (n*7+i*13)%900
	}
	if err := tx.AddResult(id, record.Result{Threshold: 0.1, CoverFrac: cover, LoFrac: cover, HiFrac: cover, Pieces: n % 9, AreasMM2: areas, Kind: "green cover"}); err != nil {
		return err
	}
	_, err = tx.Decide(record.PhotoSubject(hash), record.KindPlace, record.Place{Plot: p.ID, Quadrat: quadrat, Visit: visit, Basis: "card", State: record.PlaceSettled})
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

// TestTortureLargeTrial times them on 200 plots, 20 visits and 5 quadrats a
// plot (short: a tenth of the plots). Time is told, not judged.
func TestTortureLargeTrial(t *testing.T) {
	dir, photos := largeTrial(t, full(4, 10), full(5, 20))
	for _, args := range waitedFor {
		best, used := time.Hour, time.Hour
		for range 3 {
			began, before := time.Now(), computing()
			must(t, append(args, "--trial", dir)...)
			best, used = min(best, time.Since(began)), min(used, computing()-before)
		}
		figure(t, strings.Join(args, " "), fmt.Sprintf("%d photos, as many counts", photos), "%.2f s (%.2f s of computing)", best.Seconds(), used.Seconds())
	}
}

// BenchmarkLargeTrial reports, on 200 plots, 20 visits and 5 quadrats a plot,
// seconds by the clock and seconds of computing, which other work on the
// machine does not lengthen.
func BenchmarkLargeTrial(b *testing.B) {
	dir, _ := largeTrial(b, 10, 20)
	for _, args := range waitedFor {
		b.Run(strings.Join(args, " "), func(b *testing.B) {
			before := computing()
			for b.Loop() {
				var said bytes.Buffer
				if code := run(append(args, "--trial", dir), strings.NewReader(""), io.Discard, &said); code != exitDone {
					b.Fatal(said.String())
				}
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s")
			b.ReportMetric((computing()-before).Seconds()/float64(b.N), "cpu-s")
		})
	}
}
