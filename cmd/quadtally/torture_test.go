package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/cmd/quadtally/internal/workers"
)

// Tests in the torture files run in a short form by default and in full where
// QUADTALLY_TORTURE is set; either way they print what was done and found.

// full picks a number for the short form or the full one.
func full(short, long int) int {
	if os.Getenv("QUADTALLY_TORTURE") != "" {
		return long
	}
	return short
}

// Environment variables that make the test binary play another process.
const (
	programEnv   = "QUADTALLY_TEST_PROGRAM"   // the program itself
	misbehaveEnv = "QUADTALLY_TEST_MISBEHAVE" // its workers crash and hang on request
	typistEnv    = "QUADTALLY_TEST_TYPIST"    // somebody entering values one by one
)

// program is the program as a process of its own.
func program(args ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), programEnv+"=1")
	return cmd
}

// misbehave plays a worker that crashes or hangs on photos named so.
func misbehave() int {
	signal.Ignore(os.Interrupt)
	var w season.Worker
	err := workers.Serve(os.Stdin, os.Stdout, func(j season.Job) season.Reply {
		switch name := filepath.Base(j.Path); {
		case strings.Contains(name, "crash"):
			syscall.Kill(os.Getpid(), syscall.SIGSEGV)
			time.Sleep(time.Hour)
		case strings.Contains(name, "hang"):
			time.Sleep(time.Hour)
		}
		return w.Do(j)
	})
	if err != nil {
		return 1
	}
	return 0
}

// audit checks that nothing in a record is doubled or half-written and returns
// the number of photos measured.
func audit(t testing.TB, dir string) int {
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
	newest := int64(0)
	for i := range snap.Photos {
		newest = max(newest, snap.Photos[i].MeasurementID)
	}
	seen := map[string]int64{}
	for id := int64(1); id <= newest; id++ {
		m, err := store.Measurement(t.Context(), id)
		if err != nil {
			t.Errorf("measurement %d is lost: %v", id, err)
			continue
		}
		if m.Fault == "" {
			if _, err := season.LoadMeasurement(m); err != nil {
				t.Errorf("measurement %d is half-written: %v", id, err)
			}
		}
		if was, twice := seen[m.Hash]; twice {
			t.Errorf("measurements %d and %d are of the same photo", was, id)
		}
		seen[m.Hash] = id
	}
	return len(seen)
}

// stopped is what came of running a command and stopping it at random moments.
type stopped struct {
	stops, ended, goneOn, whole int
	stages                      map[string]int
}

// stopAtRandom runs a command over and over on one trial, sends it a signal at
// a random moment, checks the record, and now and then lets it end to hold the
// record against that of an uninterrupted run.
func stopAtRandom(t *testing.T, sig syscall.Signal, times int, dir, before, want string, stage func() string, args ...string) stopped {
	t.Helper()
	rng := rand.New(rand.NewPCG(uint64(sig), 99))
	began := time.Now()
	if out, err := program(args...).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	usual := time.Since(began)
	s := stopped{stages: map[string]int{}}
	copyFile(t, before, filepath.Join(dir, record.FileName))
	for tries := 0; s.stops < times && tries < 4*times+40; tries++ {
		cmd := program(args...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// Random moments, closer together where the work is done than while the
		// program starts.
		time.Sleep(time.Duration(math.Sqrt(rng.Float64()) * float64(usual)))
		cmd.Process.Signal(sig)
		err := cmd.Wait()
		var exit *exec.ExitError
		switch {
		case err == nil:
			s.ended++ // it was quicker, so the next is stopped sooner
			usual = usual * 9 / 10
		case !errors.As(err, &exit):
			t.Fatal(err)
		case sig == syscall.SIGKILL && exit.Sys().(syscall.WaitStatus).Signal() == syscall.SIGKILL,
			sig == syscall.SIGINT && (exit.ExitCode() == exitInterrupted || exit.Sys().(syscall.WaitStatus).Signal() == sig):
			s.stops++
			s.stages[stage()]++
		default:
			t.Fatalf("stopped by %v: %v", sig, err)
		}
		if rng.IntN(3) > 0 && err != nil && s.stops < times {
			s.goneOn++ // the next run goes on with what this one left, and is stopped too
			continue
		}
		if out, err := program(args...).CombinedOutput(); err != nil {
			t.Fatalf("going on: %v\n%s", err, out)
		}
		if d := differ(want, contentOf(t, dir)); d != "" {
			t.Fatalf("gone on after %v, the record is not that of an uninterrupted run: %s", sig, d)
		}
		audit(t, dir)
		s.whole++
		os.Remove(filepath.Join(dir, record.FileName+"-journal"))
		copyFile(t, before, filepath.Join(dir, record.FileName))
	}
	if s.stops == 0 {
		t.Errorf("the command was never stopped")
	}
	return s
}

// tell notes the figures of a command that was stopped.
func (s stopped) tell(t *testing.T, command string, sig syscall.Signal) {
	how := map[syscall.Signal]string{syscall.SIGKILL: "killed", syscall.SIGINT: "Ctrl-C"}[sig]
	figure(t, command+", "+how+" at random moments", plural(s.stops, "stop"), "%v; %d records held against an uninterrupted run: 0 lost, 0 doubled, 0 half-written", s.stages, s.whole)
}

func TestTortureStopsWhileMeasuring(t *testing.T) {
	dir, photos := smallTrial(t, full(60, 120))
	before := filepath.Join(t.TempDir(), record.FileName)
	copyFile(t, filepath.Join(dir, record.FileName), before)
	args := []string{"photos", photos, "--no-frame", "--trial", dir, "--quiet"}
	must(t, args...)
	want := contentOf(t, dir)
	copyFile(t, before, filepath.Join(dir, record.FileName))
	stage := func() string {
		switch n, all := audit(t, dir), full(60, 120); {
		case n == 0:
			return "none stored"
		case n < all:
			return "some stored"
		default:
			return "all measured"
		}
	}
	for sig, times := range map[syscall.Signal]int{syscall.SIGKILL: full(4, 200), syscall.SIGINT: full(2, 50)} {
		s := stopAtRandom(t, sig, times, dir, before, want, stage, args...)
		s.tell(t, "photos", sig)
	}
}

func TestTortureStopsWhileImporting(t *testing.T) {
	for _, command := range []string{"counts", "yields", "field"} {
		t.Run(command, func(t *testing.T) { stopImport(t, command) })
	}
}

// longSheet is a sheet for an import that takes a moment.
func longSheet(snap *record.Snapshot, command string) string {
	var b strings.Builder
	times := full(1, 8)
	switch command {
	case "counts":
		b.WriteString("plot,quadrat,visit,species,count\n")
		for visit := 1; visit <= times; visit++ {
			for _, p := range snap.Plots {
				for q := 1; q <= 4; q++ {
					for k, species := range []string{"broadleaf", "grass", "sedge"} {
						fmt.Fprintf(&b, "%s,%d,%d,%s,%d\n", p.ID, q, visit, species, visit+q+k)
					}
				}
			}
		}
	case "yields":
		b.WriteString("plot,date,harvested length m,marketable kg,cull kg\n")
		for pick := range 5 * times {
			for i, p := range snap.Plots {
				fmt.Fprintf(&b, "%s,2026-%02d-%02d,3,%d.%d,0.%d\n", p.ID, 8+pick/28, 1+pick%28, 2+i%5, pick%10, i%10)
			}
		}
	case "field":
		b.WriteString("date,operation,plot,input,rate,rate unit,note\n")
		for day := range 5 * times {
			for i, p := range snap.Plots {
				fmt.Fprintf(&b, "2026-%02d-%02d,weeding,%s,hoe,%d,min/plot,row %d\n", 6+day/28, 1+day%28, p.ID, 3+i, i)
			}
		}
	}
	return b.String()
}

// stopImport stops an import at random moments: a sheet is in the record whole
// or not at all.
func stopImport(t *testing.T, command string) {
	dir, _ := smallTrial(t, 0)
	sheet := filepath.Join(dir, command+".csv")
	if err := os.WriteFile(sheet, []byte(longSheet(snapshotOf(t, dir), command)), 0o644); err != nil {
		t.Fatal(err)
	}
	before := filepath.Join(t.TempDir(), record.FileName)
	copyFile(t, filepath.Join(dir, record.FileName), before)
	args := []string{command, sheet, "--trial", dir}
	must(t, args...)
	want := contentOf(t, dir)
	rows := func() int {
		snap := snapshotOf(t, dir)
		return len(snap.Observations) + len(snap.Operations)
	}
	all := rows()
	copyFile(t, before, filepath.Join(dir, record.FileName))
	stage := func() string {
		switch n := rows(); n {
		case 0:
			return "nothing stored"
		case all:
			return "all stored"
		default:
			t.Errorf("%d of %d values are stored: half a sheet", n, all)
			return "half"
		}
	}
	for sig, times := range map[syscall.Signal]int{syscall.SIGKILL: full(2, 200), syscall.SIGINT: full(1, 50)} {
		stopAtRandom(t, sig, times, dir, before, want, stage, args...).tell(t, command, sig)
	}
}

// TestTortureWorkers: a photo that crashes or hangs its worker is named and
// costs only itself; a later run with a sound worker reads it after all.
func TestTortureWorkers(t *testing.T) {
	dir, photos := smallTrial(t, 20)
	n := full(2, 20)
	for i := range n {
		for _, what := range []string{"crash", "hang"} {
			b := mustRead(t, filepath.Join(photos, firstPhoto(t, photos)))
			name := fmt.Sprintf("%s %d.jpg", what, i)
			if err := os.WriteFile(filepath.Join(photos, name), append(b, []byte(name)...), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	t.Setenv(misbehaveEnv, "1")
	began := time.Now()
	r := say(t, "photos", photos, "--no-frame", "--limit", "3s", "--trial", dir)
	took := time.Since(began)
	r.expect(t, exitPartly, "crash 0.jpg", "hang 0.jpg", "stopped the program that read it", "took too long")
	snap := snapshotOf(t, dir)
	bad := 0
	for i := range snap.Photos {
		p := &snap.Photos[i]
		name := filepath.Base(p.Path)
		wrong := strings.HasPrefix(name, "crash") || strings.HasPrefix(name, "hang")
		if wrong {
			bad++
		}
		if wrong != (p.Fault != "") {
			t.Errorf("%s: fault %q", name, p.Fault)
		}
	}
	if bad != 2*n || len(snap.Photos) != 20+2*n {
		t.Errorf("%d bad of %d photos", bad, len(snap.Photos))
	}
	audit(t, dir)
	t.Setenv(misbehaveEnv, "")
	must(t, "photos", photos, "--no-frame", "--trial", dir)
	snap = snapshotOf(t, dir)
	for i := range snap.Photos {
		if f := snap.Photos[i].Fault; f != "" {
			t.Errorf("%s is still not read: %s", snap.Photos[i].Path, f)
		}
	}
	figure(t, "workers that crash or hang", fmt.Sprintf("%d and %d", n, n), "cost %d photos, named, and no other; %.0f s with a limit of 3 s a photo", bad, took.Seconds())
}

func mustRead(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// typist enters n values, each as an entry of its own: DIR NAME N.
func typist(args []string) int {
	dir, name := args[0], args[1]
	n, _ := strconv.Atoi(args[2])
	store, err := record.Open(dir, record.Options{Author: name, Wait: time.Minute})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer store.Close()
	date, _ := trial.ParseDate("2026-06-01")
	for i := range n {
		_, err := store.Write(context.Background(), "typist", "", func(tx *record.Tx) error {
			_, _, err := tx.AddObservation(record.Observation{Plot: "101", Quadrat: i + 1, Visit: 1, Date: date, Variable: name, Value: float64(i), Unit: "plants", Source: name}, 0)
			return err
		})
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
	}
	return 0
}

// TestTortureTwoPeople: two processes write at once and nothing is lost; where
// both change one value the second is told, and the history keeps both.
func TestTortureTwoPeople(t *testing.T) {
	dir, _ := smallTrial(t, 0)
	n := full(100, 1000)
	before := snapshotOf(t, dir).Entry
	var cmds []*exec.Cmd
	var said [2]bytes.Buffer
	began := time.Now()
	for i, who := range []string{"ada", "grace"} {
		cmd := exec.Command(os.Args[0], dir, who, strconv.Itoa(n))
		cmd.Env = append(os.Environ(), typistEnv+"=1")
		cmd.Stderr = &said[i]
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		cmds = append(cmds, cmd)
	}
	for i, cmd := range cmds {
		if err := cmd.Wait(); err != nil {
			t.Errorf("%v: %s", err, said[i].String())
		}
	}
	took := time.Since(began)
	snap := snapshotOf(t, dir)
	count := map[string]int{}
	for _, o := range snap.Observations {
		count[o.Author]++
	}
	if count["ada"] != n || count["grace"] != n || snap.Entry != before+int64(2*n) {
		t.Errorf("of %d values each: %v, %d entries", n, count, snap.Entry-before)
	}
	figure(t, "two people write at once", plural(n, "entry")+" each", "all %d there, %.0f s", len(snap.Observations), took.Seconds())

	store, err := record.Open(dir, record.Options{Author: "ada"})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	sheet := filepath.Join(dir, "one.csv")
	if err := os.WriteFile(sheet, []byte("plot,quadrat,visit,species,count\n101,1,1,grass,7\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	must(t, "counts", sheet, "--trial", dir, "--author", "grace") // after ada's snapshot
	o := record.Observation{Plot: "101", Quadrat: 1, Visit: 1, Date: snap.Trial.Visits[0], Variable: "count", Class: "grass", Value: 9, Unit: "plants", Source: "typed"}
	var clash *record.Clash
	if _, err := store.Write(t.Context(), "test", "", func(tx *record.Tx) (err error) {
		_, clash, err = tx.AddObservation(o, snap.Entry)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if clash == nil || clash.Was.Value != 7 || clash.Was.Author != "grace" || clash.Now.Value != 9 {
		t.Errorf("the second was not told: %+v", clash)
	}
	history, err := store.History(t.Context(), o)
	if err != nil || len(history) != 2 || history[0].Value != 7 || history[1].Value != 9 {
		t.Errorf("history %+v %v", history, err)
	}
	figure(t, "two people change one value", "1 value", "the second is told, the history keeps both")
}

// TestTortureTwoRunsAtOnce: the same folder taken in twice at once is in the record
// once.
func TestTortureTwoRunsAtOnce(t *testing.T) {
	dir, photos := smallTrial(t, 40)
	other, otherPhotos := dir+"-alone", filepath.Join(dir+"-alone", "photos")
	t.Cleanup(func() { os.RemoveAll(other) })
	copyFile(t, filepath.Join(dir, record.FileName), filepath.Join(other, record.FileName))
	if err := os.CopyFS(otherPhotos, os.DirFS(photos)); err != nil {
		t.Fatal(err)
	}
	must(t, "photos", otherPhotos, "--no-frame", "--trial", other)
	var cmds []*exec.Cmd
	var said [2]bytes.Buffer
	for i := range 2 {
		cmd := program("photos", photos, "--no-frame", "--trial", dir)
		cmd.Stderr = &said[i]
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		cmds = append(cmds, cmd)
	}
	for i, cmd := range cmds {
		if err := cmd.Wait(); err != nil {
			t.Errorf("%v: %s", err, said[i].String())
		}
	}
	must(t, "photos", photos, "--no-frame", "--trial", dir)
	if n := audit(t, dir); n != 40 {
		t.Errorf("%d photos measured", n)
	}
	for _, table := range []string{"== photos", "== values"} {
		if d := differ(section(contentOf(t, other), table), section(contentOf(t, dir), table)); d != "" {
			t.Errorf("%s: %s", table, d)
		}
	}
	figure(t, "two runs of photos at once", "40 photos", "each photo once, numbers as of one run")
}
