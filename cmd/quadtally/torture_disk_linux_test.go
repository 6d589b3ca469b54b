package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/record"
)

// smallDisk mounts a disk of its own in memory and returns its folder.
func smallDisk(t *testing.T, size string) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Skipf("a small disk needs the right to mount one: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	return dir
}

// fill leaves room bytes free on a small disk; freed by the function returned.
func fill(t *testing.T, dir string, room int64) (free func()) {
	t.Helper()
	var st syscall.Statfs_t
	if err := syscall.Statfs(dir, &st); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "filler")
	if n := int64(st.Bavail)*int64(st.Bsize) - room; n > 0 {
		if err := os.WriteFile(path, make([]byte, n), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return func() { os.Remove(path) }
}

// oneSentence checks a failed run: its exit code and a single line that says a
// way out.
func oneSentence(t *testing.T, r ran, code int, texts ...string) {
	t.Helper()
	r.expect(t, code, texts...)
	if lines := strings.Count(strings.TrimSpace(r.err), "\n") + 1; lines > 2 {
		t.Errorf("%d lines instead of a sentence:\n%s", lines, r.err)
	}
	if strings.Contains(r.err, "goroutine") || strings.Contains(r.err, "panic") {
		t.Errorf("a stack trace:\n%s", r.err)
	}
}

// TestTortureFullDisk runs out of room at many sizes: each time one sentence,
// a whole record, and with room again the same end.
func TestTortureFullDisk(t *testing.T) {
	disk := smallDisk(t, "24m")
	home := t.TempDir()
	_, photos := smallTrialIn(t, home, 30)
	want := filepath.Join(home, "copy")
	before := filepath.Join(home, "before.db")
	copyFile(t, filepath.Join(home, record.FileName), before)
	copyFile(t, before, filepath.Join(want, record.FileName))
	must(t, "photos", photos, "--no-frame", "--trial", want)
	wanted := contentOf(t, want)

	ended := map[string]int{}
	sizes := []int64{0, 28 << 10, 120 << 10}
	if full(0, 1) == 1 {
		for room := int64(4 << 10); room < 500<<10; room += 20 << 10 {
			sizes = append(sizes, room)
		}
	}
	for _, room := range sizes {
		copyFile(t, before, filepath.Join(disk, record.FileName))
		free := fill(t, disk, room)
		r := say(t, "photos", photos, "--no-frame", "--trial", disk)
		if r.code == exitDone {
			ended["enough room"]++
		} else {
			ended["full"]++
			oneSentence(t, r, exitFailed)
			if !strings.Contains(r.err, "disk is full") && !strings.Contains(r.err, "no room") && !strings.Contains(r.err, "cannot be written") {
				t.Errorf("%d bytes of room: %s", room, r.err)
			}
			audit(t, disk)
		}
		free()
		must(t, "photos", photos, "--no-frame", "--trial", disk)
		if d := differ(wanted, contentOf(t, disk)); d != "" {
			t.Fatalf("after %d bytes of room: %s", room, d)
		}
	}
	if ended["full"] == 0 {
		t.Error("the disk was never full")
	}

	// Tables are written whole or not at all.
	free := fill(t, disk, 20<<10)
	oneSentence(t, say(t, "export", filepath.Join(disk, "out"), "--trial", disk), exitFailed, "was not written")
	oneSentence(t, say(t, "report", "--format", "html", "--out", filepath.Join(disk, "report"), "--trial", disk), exitFailed, "was not written")
	os.Remove(filepath.Join(disk, "report")) // fails where anything is in it, and is found below
	list, err := os.ReadDir(disk)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if e.Name() != record.FileName && e.Name() != "filler" {
			t.Errorf("the failed export left %s behind", e.Name())
		}
	}
	// So is a part: what is in it stays and is gone on with.
	part := filepath.Join(disk, "part.jsonl")
	r := say(t, "photos", photos, "--no-frame", "--part", "1/1", "--out", part, "--trial", disk)
	oneSentence(t, r, exitFailed, "free some space")
	free()
	must(t, "photos", photos, "--no-frame", "--part", "1/1", "--out", part, "--trial", disk)
	must(t, "merge", part, "--photos", photos, "--trial", disk).expect(t, exitDone, "30 photos in 1 part, 0 new")
	figure(t, "disk runs full", plural(len(sizes), "size")+" of room", "%d times full: one sentence each, the record whole, the same end with room again; exports whole or not at all", ended["full"])
}

// readOnly makes a folder one that cannot be written to.
func readOnly(t *testing.T, files map[string]string) string {
	t.Helper()
	if os.Getuid() != 0 {
		dir := t.TempDir()
		for name, from := range files {
			copyFile(t, from, filepath.Join(dir, name))
		}
		if err := os.Chmod(dir, 0o555); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { os.Chmod(dir, 0o755) })
		return dir
	}
	dir := smallDisk(t, "24m") // permissions do not bind root; a disk does
	for name, from := range files {
		copyFile(t, from, filepath.Join(dir, name))
	}
	if err := syscall.Mount("", dir, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""); err != nil {
		t.Skipf("a read-only disk needs the right to mount one: %v", err)
	}
	return dir
}

func TestTortureReadOnlyFolder(t *testing.T) {
	home, photos := smallTrial(t, 6)
	must(t, "photos", photos, "--no-frame", "--trial", home)
	sheet := filepath.Join(home, "one.csv")
	if err := os.WriteFile(sheet, []byte("plot,quadrat,visit,species,count\n101,1,1,grass,7\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	dir := readOnly(t, map[string]string{record.FileName: filepath.Join(home, record.FileName)})
	must(t, "status", "--trial", dir) // reading goes
	oneSentence(t, say(t, "photos", photos, "--trial", dir), exitFailed, "cannot be written to", "copy the trial folder")
	oneSentence(t, say(t, "counts", sheet, "--trial", dir), exitFailed, "cannot be written to")
	oneSentence(t, say(t, "export", filepath.Join(dir, "out"), "--trial", dir), exitFailed, "cannot be written")
	out := filepath.Join(home, "part.jsonl")
	must(t, "photos", photos, "--no-frame", "--part", "1/2", "--out", out, "--trial", dir) // a part needs no more than reading
	oneSentence(t, say(t, "merge", out, "--trial", dir), exitFailed, "cannot be written to")
	oneSentence(t, say(t, "photos", photos, "--part", "1/2", "--out", filepath.Join(dir, "p"), "--trial", dir), exitFailed, "cannot be written")

	// A record whose last writer was killed needs to be put right by somebody
	// who may write.
	hot := killedInTheMiddle(t)
	dir = readOnly(t, map[string]string{record.FileName: hot, record.FileName + "-journal": hot + "-journal"})
	r := say(t, "status", "--trial", dir)
	if r.code != exitDone {
		oneSentence(t, r, exitFailed, "copy it to where you may write")
	}
	figure(t, "read-only folder", "8 commands", "reading and measuring parts go, everything else is one sentence")
}

// killedInTheMiddle returns a record with the journal of a writer that was
// killed in the middle of a transaction.
func killedInTheMiddle(t *testing.T) string {
	t.Helper()
	dir, _ := smallTrial(t, 0)
	store, err := record.Open(dir, record.Options{Author: "test"})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	out := filepath.Join(t.TempDir(), record.FileName)
	_, err = store.Write(t.Context(), "test", strings.Repeat("a long note ", 1000), func(tx *record.Tx) error {
		for i := range 3000 { // more than SQLite keeps in memory, so that the file itself is written to
			if _, err := tx.Decide("trial", "note", strings.Repeat(fmt.Sprint(i), 1000)); err != nil {
				return err
			}
		}
		copyFile(t, filepath.Join(dir, record.FileName), out)
		copyFile(t, filepath.Join(dir, record.FileName+"-journal"), out+"-journal")
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestTortureLeftJournals: what a killed writer or another program left beside
// the record does no harm.
func TestTortureLeftJournals(t *testing.T) {
	hot := killedInTheMiddle(t)
	dir := filepath.Dir(hot)
	if n := len(snapshotOf(t, dir).Decisions); n != 0 {
		t.Errorf("%d decisions of a transaction that never ended are in force", n)
	}
	if _, err := os.Stat(hot + "-journal"); err == nil {
		t.Error("the journal is still there")
	}
	want := contentOf(t, dir)
	for name, left := range map[string][]byte{"empty": {}, "zeros": make([]byte, 5000), "text": []byte(strings.Repeat("no journal ", 900))} {
		if err := os.WriteFile(hot+"-journal", left, 0o644); err != nil {
			t.Fatal(err)
		}
		must(t, "status", "--trial", dir)
		if d := differ(want, contentOf(t, dir)); d != "" {
			t.Errorf("a journal of %s: %s", name, d)
		}
	}
	// A writer that does not end.
	store, err := record.Open(dir, record.Options{Author: "ada"})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	second, err := record.Open(dir, record.Options{Author: "grace", Wait: 50 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	_, err = store.Write(t.Context(), "test", "", func(*record.Tx) error {
		_, err := second.Write(t.Context(), "test", "", func(*record.Tx) error { return nil })
		if err == nil || !strings.Contains(err.Error(), "another program is writing") {
			t.Errorf("two writers at once: %v", err)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	figure(t, "left journals and locks", "5 kinds", "rolled back, passed over or waited for; the record whole")
}

// TestTortureClockSetBack: order in the record is the order of writing.
func TestTortureClockSetBack(t *testing.T) {
	dir, _ := smallTrial(t, 0)
	snap := snapshotOf(t, dir)
	now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	store, err := record.Open(dir, record.Options{Author: "ada", Clock: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	for i := range 5 {
		if _, err := store.Write(t.Context(), "test", "", func(tx *record.Tx) error {
			_, _, err := tx.AddObservation(record.Observation{Plot: "101", Quadrat: 1, Visit: 1, Date: snap.Trial.Visits[0], Variable: "count", Value: float64(i), Unit: "plants"}, 0)
			return err
		}); err != nil {
			t.Fatal(err)
		}
		now = now.AddDate(-1, 0, 0)
	}
	after := snapshotOf(t, dir)
	if len(after.Observations) != 1 || after.Observations[0].Value != 4 {
		t.Errorf("the newest value is not in force: %+v", after.Observations)
	}
	figure(t, "clock set back by a year", "5 times", "the value written last is in force")
}

// TestTortureFolderVanishes takes the photos, and then the trial, away in the
// middle of a run.
func TestTortureFolderVanishes(t *testing.T) {
	dir, photos := smallTrial(t, 60)
	before := filepath.Join(t.TempDir(), record.FileName)
	copyFile(t, filepath.Join(dir, record.FileName), before)
	must(t, "photos", photos, "--no-frame", "--trial", dir)
	want := contentOf(t, dir)
	outcomes := map[string]int{}
	for i := range full(2, 40) {
		what := []string{photos, dir}[i%2]
		copyFile(t, before, filepath.Join(dir, record.FileName))
		cmd := program("photos", photos, "--no-frame", "--trial", dir)
		var said strings.Builder
		cmd.Stderr = &said
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(200+150*(i/2)) * time.Millisecond)
		if err := os.Rename(what, what+"-away"); err != nil {
			t.Fatal(err)
		}
		err := cmd.Wait()
		if e := os.Rename(what+"-away", what); e != nil {
			t.Fatal(e)
		}
		name := filepath.Base(what)
		if what == dir {
			name = "trial"
		}
		outcomes[fmt.Sprintf("%s: exit %d", name, cmd.ProcessState.ExitCode())]++
		if err != nil && (said.Len() == 0 || strings.Contains(said.String(), "goroutine ")) {
			t.Errorf("%s gone: %q", name, said.String())
		}
		must(t, "photos", photos, "--no-frame", "--trial", dir)
		if d := differ(want, contentOf(t, dir)); d != "" {
			t.Fatalf("%s gone and back (%s): %s", name, said.String(), d)
		}
		audit(t, dir)
	}
	figure(t, "photos or trial taken away in mid-run", fmt.Sprintf("%d times", full(2, 40)), "%v: the same end after going on each time", outcomes)
}
