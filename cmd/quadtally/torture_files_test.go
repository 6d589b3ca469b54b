package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/tables"
)

// filesOf reads a folder's files, but for those begun and never finished,
// which have a dot before their name.
func filesOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if !strings.HasPrefix(e.Name(), ".") {
			out[e.Name()] = string(mustRead(t, filepath.Join(dir, e.Name())))
		}
	}
	return out
}

// TestTortureStopsWhileWriting kills `report` and `export` at random moments:
// a report is the older or the newer one, an export is there whole or not at
// all.
func TestTortureStopsWhileWriting(t *testing.T) {
	dir, photos := smallTrial(t, 24)
	must(t, "photos", photos, "--no-frame", "--trial", dir)
	reports := filepath.Join(dir, "report")
	must(t, "report", "--trial", dir)
	older := filesOf(t, reports)
	sheet := filepath.Join(dir, "counts.csv")
	text := "plot,quadrat,visit,species,count\n"
	for i, p := range snapshotOf(t, dir).Plots {
		text += fmt.Sprintf("%s,1,1,grass,%d\n", p.ID, i)
	}
	if err := os.WriteFile(sheet, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	must(t, "counts", sheet, "--trial", dir)
	began := time.Now()
	must(t, "report", "--trial", dir)
	usual := time.Since(began) + 100*time.Millisecond // the program starts more slowly than a function is called
	newer := filesOf(t, reports)
	must(t, "report", "--trial", dir)
	for name, text := range filesOf(t, reports) {
		if text != newer[name] || text == older[name] {
			t.Fatalf("%s: two reports of one record differ, or those of two records do not", name)
		}
	}
	whole := filepath.Join(dir, "whole")
	must(t, "export", whole, "--trial", dir)
	want := filesOf(t, whole)

	rng := rand.New(rand.NewPCG(2, 3))
	seen := map[string]int{}
	n := full(4, 60)
	for range n {
		for name, text := range older {
			if err := os.WriteFile(filepath.Join(reports, name), []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		out := filepath.Join(dir, "out")
		for _, args := range [][]string{{"report"}, {"export", out}} {
			cmd := program(append(args, "--trial", dir)...)
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Duration(rng.Float64() * float64(usual)))
			cmd.Process.Kill()
			cmd.Wait()
		}
		for name, text := range filesOf(t, reports) {
			switch text {
			case older[name]:
				seen["older report"]++
			case newer[name]:
				seen["newer report"]++
			default:
				t.Errorf("%s is neither the older nor the newer one", name)
			}
		}
		if _, err := os.Stat(out); err != nil {
			seen["no export"]++
			continue
		}
		seen["whole export"]++
		got := filesOf(t, out)
		for name, text := range want {
			switch {
			case filepath.Ext(name) == ".xlsx": // holds its parts in any order
				if _, err := tables.Read(name, []byte(got[name])); err != nil || len(got[name]) < len(text)*9/10 {
					t.Errorf("the export's %s is not whole: %v", name, err)
				}
			case got[name] != text:
				t.Errorf("the export's %s is not whole", name)
			}
		}
		if err := os.RemoveAll(out); err != nil {
			t.Fatal(err)
		}
	}
	figure(t, "report and export, killed", plural(2*n, "time"), "%v; none in between", seen)
}
