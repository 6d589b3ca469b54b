package main

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/intake/phototest"
	"quadtally/cmd/quadtally/internal/record"
)

// snap writes a photo of its own content into a folder.
func snap(t *testing.T, path string, seed int, camera, taken string) {
	t.Helper()
	tags := phototest.Taken("2025:06:14 " + taken)
	if camera != "" {
		tags = append(tags, phototest.Tag{ID: 0x0110, ASCII: camera})
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, phototest.JPEG(phototest.Ground(uint64(seed), 96, 72), tags, nil), 0o644); err != nil {
		t.Fatal(err)
	}
}

// placesOf are the quadrats of the photos by the last parts of their paths.
func placesOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	s := snapshotOf(t, dir)
	for i := range s.Photos {
		p := &s.Photos[i]
		name := filepath.Base(filepath.Dir(p.Path)) + "/" + filepath.Base(p.Path)
		out[name] = p.Place.State
		if p.Place.State == record.PlaceKnown {
			out[name] = fmt.Sprintf("%s/%d@%d", p.Place.Plot, p.Place.Quadrat, p.Place.Visit)
		}
	}
	return out
}

// TestTwoPhones: two phones with the same file names and clocks three hours
// apart, through the command line.
func TestTwoPhones(t *testing.T) {
	folder := func(dir string) string {
		photos := filepath.Join(dir, "photos")
		for i := 1; i <= 3; i++ {
			snap(t, filepath.Join(photos, "ada", fmt.Sprintf("IMG_000%d.jpg", i)), i, "Maker One", fmt.Sprintf("09:0%d:00", i))
			snap(t, filepath.Join(photos, "ben", fmt.Sprintf("IMG_000%d.jpg", i)), 10+i, "Maker Two", fmt.Sprintf("12:0%d:00", i))
		}
		return photos
	}
	t.Run("a sheet that names the folders", func(t *testing.T) {
		dir := bedTrial(t)
		photos := folder(dir)
		sheet := "photo,plot,quadrat,visit\n"
		for i := 1; i <= 3; i++ {
			sheet += fmt.Sprintf("ada/IMG_000%d.jpg,101,%d,1\nben/IMG_000%d.jpg,102,%d,1\n", i, i, i, i)
		}
		must(t, "photos", photos, "--no-frame", "--trial", dir, "--sheet", file(t, dir, "which.csv", sheet))
		got := placesOf(t, dir)
		for i := 1; i <= 3; i++ {
			for who, plot := range map[string]string{"ada": "101", "ben": "102"} {
				if at := got[fmt.Sprintf("%s/IMG_000%d.jpg", who, i)]; at != fmt.Sprintf("%s/%d@1", plot, i) {
					t.Errorf("%s's photo %d is at %s", who, i, at)
				}
			}
		}
	})
	t.Run("a sheet that does not", func(t *testing.T) {
		dir := bedTrial(t)
		photos := folder(dir)
		r := say(t, "photos", photos, "--no-frame", "--trial", dir, "--sheet", file(t, dir, "which.csv", "photo,plot,quadrat,visit\nIMG_0001.jpg,101,1,1\n"))
		if !strings.Contains(r.err+r.out, "IMG_0001.jpg may mean") || !strings.Contains(r.err+r.out, "write its folder before the name") {
			t.Errorf("%s%s", r.out, r.err)
		}
		for name, at := range placesOf(t, dir) {
			if strings.Contains(at, "@") {
				t.Errorf("%s is at %s", name, at)
			}
		}
	})
	t.Run("one plot, two clocks", func(t *testing.T) {
		dir := bedTrial(t)
		photos := filepath.Join(dir, "photos")
		snap(t, filepath.Join(photos, "ada", "plot101 a.jpg"), 1, "Maker One", "09:01:00")
		snap(t, filepath.Join(photos, "ben", "plot101 a.jpg"), 2, "Maker Two", "12:01:00")
		snap(t, filepath.Join(photos, "ben", "plot102 b.jpg"), 3, "Maker Two", "12:05:00")
		say(t, "photos", photos, "--no-frame", "--trial", dir)
		for name, at := range placesOf(t, dir) {
			if strings.Contains(name, "plot101") && strings.Contains(at, "@") {
				t.Errorf("%s is at %s, by the order of two clocks", name, at)
			}
		}
		if r := say(t, "status", "--all", "--trial", dir); !strings.Contains(r.out+r.err, "clocks may differ") {
			t.Errorf("nothing is said of the clocks:\n%s%s", r.out, r.err)
		}
	})
}

// TestOddFolders: what a folder may hold besides photos, through the command
// line: it ends in time, uses what is a photo, counts what it skips, and puts no
// control character on the screen.
func TestOddFolders(t *testing.T) {
	dir := bedTrial(t)
	photos := filepath.Join(dir, "photos")
	snap(t, filepath.Join(photos, "plot101-1.jpg"), 1, "", "09:01:00")
	snap(t, filepath.Join(photos, ".Trash-1000/files/plot101-2.jpg"), 2, "", "09:02:00")
	snap(t, filepath.Join(photos, ".thumbnails/plot101-3.jpg"), 3, "", "09:03:00")
	snap(t, filepath.Join(photos, "plot102-1 caf\xe9.jpg"), 4, "", "09:04:00")
	snap(t, filepath.Join(photos, "plot103-1 \x1b[31mred\x07.jpg"), 5, "", "09:05:00")
	elsewhere := t.TempDir()
	snap(t, filepath.Join(elsewhere, "plot201-1.jpg"), 6, "", "09:06:00")
	for name, to := range map[string]string{"phone": elsewhere, "circle": photos, "gone": filepath.Join(photos, "nowhere"), "zero.jpg": "/dev/zero"} {
		if err := os.Symlink(to, filepath.Join(photos, name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := syscall.Mkfifo(filepath.Join(photos, "pipe.jpg"), 0o644); err != nil {
		t.Skip("no pipes here:", err)
	}
	l, err := net.Listen("unix", filepath.Join(photos, "s.jpg"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	bad := file(t, photos, "plot202-1 \x1b]0;x\x07.jpg", "\xff\xd8\xff no photo")
	type came struct{ out, err string }
	within := func(args ...string) came {
		t.Helper()
		done := make(chan came, 1)
		go func() {
			r := say(t, args...)
			done <- came{r.out, r.err}
		}()
		select {
		case c := <-done:
			if strings.ContainsAny(c.out+c.err, "\x1b\x07") {
				t.Errorf("%v puts control characters on the screen: %q", args, c.out+c.err)
			}
			return c
		case <-time.After(2 * time.Minute):
			t.Fatalf("%v: still at it", args)
		}
		return came{}
	}
	c := within("photos", photos, "--no-frame", "--trial", dir)
	for _, want := range []string{"trash", "plot202-1"} {
		if !strings.Contains(strings.ToLower(c.out+c.err), want) {
			t.Errorf("nothing says %q:\n%s%s", want, c.out, c.err)
		}
	}
	got := placesOf(t, dir)
	settled := 0
	for name, at := range got {
		if strings.Contains(at, "@") {
			settled++
		}
		if strings.Contains(name, "plot101-2") || strings.Contains(name, "plot101-3") {
			t.Errorf("%s was taken in", name)
		}
	}
	if settled != 4 {
		t.Errorf("%d photos have their quadrat: %q", settled, got)
	}
	within("status", "--all", "--trial", dir)
	within("status", "--files", "--trial", dir)
	within("measure", "--no-frame", photos)
	if err := os.Remove(bad); err != nil {
		t.Fatal(err)
	}
	// A renamed photo is placed by its new name, and told.
	if err := os.Rename(filepath.Join(photos, "plot101-1.jpg"), filepath.Join(photos, "plot105-1.jpg")); err != nil {
		t.Fatal(err)
	}
	within("photos", photos, "--no-frame", "--trial", dir)
	for name, at := range placesOf(t, dir) {
		if strings.Contains(name, "plot105") && strings.HasPrefix(at, "101") {
			t.Errorf("a renamed photo is still at %s", at)
		}
	}
	if err := os.Rename(filepath.Join(photos, "plot105-1.jpg"), filepath.Join(photos, "plot301-2.jpg")); err != nil {
		t.Fatal(err)
	}
	within("photos", photos, "--no-frame", "--trial", dir)
	if at := placesOf(t, dir)["photos/plot301-2.jpg"]; at != "301/2@1" {
		t.Errorf("a renamed photo is at %q", at)
	}
}

// TestEveryCommandEndsSoon: at Ctrl-C, SIGTERM and SIGHUP, whatever a command is
// doing.
func TestEveryCommandEndsSoon(t *testing.T) {
	dir, photos := smallTrial(t, 24)
	pipe := filepath.Join(t.TempDir(), "never.csv") // opening it waits for a writer
	if err := syscall.Mkfifo(pipe, 0o644); err != nil {
		t.Skip("no pipes here:", err)
	}
	must(t, "photos", photos, "--no-frame", "--trial", dir)
	counts := "plot,quadrat,visit,grass\n"
	for i, p := range snapshotOf(t, dir).Plots {
		counts += fmt.Sprintf("%s,1,1,%d\n", p.ID, 5*i)
	}
	sheet := file(t, dir, "counts.csv", counts)
	must(t, "counts", sheet, "--trial", dir)
	more := filepath.Join(t.TempDir(), "more")
	for i := range 40 {
		snap(t, filepath.Join(more, fmt.Sprintf("IMG_%04d.jpg", i)), 1000+i, "", fmt.Sprintf("10:%02d:00", i))
	}
	slow := filepath.Join(t.TempDir(), "slow.jpg")
	f, err := os.Create(slow)
	if err != nil {
		t.Fatal(err)
	}
	head, _ := os.ReadFile(filepath.Join(more, "IMG_0000.jpg"))
	f.Write(head)
	f.Truncate(48 << 30) // sparse: minutes to read
	f.Close()
	for _, c := range []struct {
		name string
		args []string
	}{
		{"a sheet from a pipe", []string{"counts", pipe, "--trial", dir}},
		{"a sheet", []string{"counts", sheet, "--trial", dir}},
		{"photos", []string{"photos", more, "--no-frame", "--trial", dir}},
		{"photos of a file that never ends", []string{"photos", slow, "--no-frame", "--trial", dir}},
		{"compare", []string{"compare", "y", "--from", casePath("dunnett-078.csv"), "--control", "CTRL"}},
		{"report", []string{"report", "--trial", dir}},
		{"demo", []string{"demo", filepath.Join(t.TempDir(), "demo")}},
	} {
		for i, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP} {
			if full(0, 1) == 0 && i > 0 && c.name != "photos" {
				continue
			}
			var said bytes.Buffer
			cmd := program(c.args...)
			cmd.Stderr = &said
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			done := make(chan error, 1)
			go func() { done <- cmd.Wait() }()
			select {
			case <-done:
				continue // it was done before it was asked to end
			case <-time.After(400 * time.Millisecond):
			}
			began := time.Now()
			cmd.Process.Signal(sig)
			select {
			case err := <-done:
				took := time.Since(began)
				exit, stopped := err.(*exec.ExitError)
				status, _ := 0, stopped
				if stopped {
					status = exit.ExitCode()
				}
				if took > 2*time.Second || stopped && status != exitInterrupted && status != -1 {
					t.Errorf("%s, %v: exit %d after %v: %s", c.name, sig, status, took, said.String())
				}
				t.Logf("%s, %v: ended after %v", c.name, sig, took.Round(10*time.Millisecond))
			case <-time.After(20 * time.Second):
				t.Errorf("%s, %v: still there", c.name, sig)
				cmd.Process.Kill()
				<-done
			}
		}
	}
}
