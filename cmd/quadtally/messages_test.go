package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/record"
)

// Faults of the kind that used to show a parser's or the disk's own words:
// each is one plain sentence with a way out.
func TestPlainSentences(t *testing.T) {
	dir := bedTrial(t)
	text := "plot,quadrat,date,grass\n101,1,2025-06-14,4\n"
	whole := mustRead(t, filepath.Join(dir, record.FileName))
	spoilt := func(b []byte) string {
		d := t.TempDir()
		if err := os.WriteFile(filepath.Join(d, record.FileName), b, 0o644); err != nil {
			t.Fatal(err)
		}
		return d
	}
	noVersion := bytes.Clone(whole)
	binary.BigEndian.PutUint32(noVersion[60:], 0)
	many := ""
	for i := range 400 {
		many += fmt.Sprintf("treatment: T%d\n", i)
	}
	plan := file(t, dir, "many.txt", "trial: Alder Bend leeks\nblocks: 4\n"+many+"bed spacing: 1.5 m\nplot length: 10 m\nvisits: 2025-06-14\n")
	for _, c := range []struct {
		name string
		args []string
		code int
		want []string
	}{
		{"a record one byte short", []string{"status", "--trial", spoilt(whole[:len(whole)-1])}, exitFailed, []string{"restore"}},
		{"a record without a version", []string{"status", "--trial", spoilt(noVersion)}, exitFailed, []string{"restore"}},
		{"an empty record", []string{"status", "--trial", spoilt(nil)}, exitFailed, []string{"restore"}},
		{"a file as the trial", []string{"status", "--trial", plan}, exitFailed, []string{"is a file", "--trial"}},
		{"unknown paper", []string{"cards", "--paper", "A9", "--trial", dir}, exitUsage, []string{"A4", "Letter"}},
		{"unknown paper of a map", []string{"map", "--pdf", filepath.Join(dir, "m.pdf"), "--paper", "A9", "--trial", dir}, exitUsage, []string{"A4", "Letter"}},
		{"unknown decimal mark", []string{"counts", file(t, dir, "a.csv", text), "--decimal", "x", "--trial", dir}, exitUsage, []string{"say comma or point"}},
		{"400 treatments", []string{"new", "--plan", plan, "--trial", t.TempDir()}, exitFailed, []string{"treatments"}},
		{"a web page named .xls", []string{"counts", file(t, dir, "b.xls", "<html><table><tr><td>plot</td></tr></table></html>"), "--trial", dir}, exitFailed, []string{"web page", "CSV"}},
		{"a line with the separator", []string{"counts", file(t, dir, "c.csv", "sep=;\n"+strings.ReplaceAll(text, ",", ";")), "--trial", dir}, exitDone, nil},
		{"title rows above the header", []string{"counts", file(t, dir, "d.csv", "Alder Bend,,,\n,,,\n"+text), "--trial", dir, "--as", "c.csv"}, exitDone, nil},
		{"a folder as a sheet", []string{"counts", dir, "--trial", dir}, exitFailed, []string{"is a folder"}},
		{"no such worksheet", []string{"counts", file(t, dir, "e.csv", text), "--worksheet", "june", "--trial", dir}, exitFailed, []string{"no workbook", "--worksheet"}},
	} {
		code, out, talk := quietly(c.args...)
		for _, raw := range []string{"SQL", "sqlite", "xml:", "zip:", "disk's room", "goroutine", "runtime error", "invalid syntax", "EOF"} {
			if strings.Contains(out+talk, raw) {
				t.Errorf("%s: speaks of %q:\n%s", c.name, raw, talk)
			}
		}
		if code != c.code {
			t.Errorf("%s: exit %d, want %d\n%s", c.name, code, c.code, talk)
		}
		for _, w := range c.want {
			if !strings.Contains(talk, w) {
				t.Errorf("%s: nothing says %q:\n%s", c.name, w, talk)
			}
		}
	}
}

// A reading command writes nothing, also not beside a record that it cannot
// read.
func TestReadingWritesNothing(t *testing.T) {
	dir := bedTrial(t)
	foreign := t.TempDir()
	if err := os.WriteFile(filepath.Join(foreign, record.FileName), append([]byte("SQLite format 3\x00"), make([]byte, 8176)...), 0o644); err != nil {
		t.Fatal(err)
	}
	must(t, "counts", file(t, t.TempDir(), "counts.csv", "plot,quadrat,date,grass\n101,1,2025-06-14,4\n102,1,2025-06-14,3\n103,1,2025-06-14,7\n"), "--trial", dir)
	for _, d := range []string{dir, foreign} {
		before := filesOf(t, d)
		for _, args := range [][]string{{"status"}, {"map"}, {"undo"}, {"visits"}, {"describe"}, {"compare", "count"}, {"sheet", "counts"}, {"amend", "--set", "soil: silt", "--dry-run"}, {"agree"}} {
			code, out, talk := quietly(append(args, "--trial", d)...)
			want := exitFailed // a record that is damaged, or no pairs to agree
			if d == dir && args[0] != "agree" {
				want = exitDone
			}
			if code != want || want == exitDone && out == "" || want == exitFailed && talk == "" {
				t.Errorf("%v: exit %d, want %d\n%s%s", args, code, want, out, talk)
			}
			if after := filesOf(t, d); fmt.Sprint(after) != fmt.Sprint(before) {
				t.Errorf("%v changed the folder", args)
			}
		}
	}
}

// Every command ends soon after the terminal closes or asks it to, whatever it
// waits for.
func TestEndsWhenAsked(t *testing.T) {
	dir := bedTrial(t)
	pipe := filepath.Join(dir, "never.csv") // opening it waits for a writer
	if err := syscall.Mkfifo(pipe, 0o644); err != nil {
		t.Skip("no pipes here:", err)
	}
	for _, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP} {
		var said bytes.Buffer
		cmd := program("counts", pipe, "--trial", dir)
		cmd.Stderr = &said
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Second) // let it start, also on a busy machine
		began := time.Now()
		if err := cmd.Process.Signal(sig); err != nil {
			t.Fatal(err)
		}
		done := make(chan error, 1)
		go func() { done <- cmd.Wait() }()
		select {
		case err := <-done:
			exit, _ := err.(*exec.ExitError)
			if exit == nil || exit.ExitCode() != exitInterrupted || !strings.Contains(said.String(), "interrupted") {
				t.Errorf("%v: %v, %s", sig, err, said.String())
			}
			t.Logf("%v: ended after %v", sig, time.Since(began).Round(10*time.Millisecond))
		case <-time.After(10 * time.Second):
			t.Errorf("%v: still there", sig)
			cmd.Process.Kill()
			<-done
		}
	}
}
