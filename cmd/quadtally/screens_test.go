package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"quadtally/cmd/quadtally/internal/wording"
)

// screenTrials are trials of many shapes: few and many treatments, long names,
// names in other scripts, plots that were lost.
var screenTrials = []struct {
	name   string
	codes  []string
	blocks int
	lost   []int // plots without a yield, from 0
	units  string
}{
	{"two", []string{"BARE", "RYE"}, 6, nil, "metric"},
	{"five", []string{"BARE", "RYE", "RYEVETCH", "BARLEY", "STRAW"}, 4, []int{3, 11}, "us"},
	{"long", []string{"BARE-UNTREATED-CHECK", "RYE-ROLLED-AT-MILK-STAGE", "RYE-ROLLED-AT-FLOWERING"}, 4, []int{0}, "metric"},
	{"scripts", []string{"裸地", "ライ麦", "Ячмень", "σίκαλη"}, 4, nil, "metric"},
	{"twelve", []string{"BARE", "T02", "T03", "T04", "T05", "T06", "T07", "T08", "T09", "T10", "T11", "RYEVETCHLATE"}, 4, []int{7}, "us"},
}

// screenTrial enters one of them: counts at two visits, yields.
func screenTrial(t *testing.T, i int) (dir, plan string) {
	t.Helper()
	c := screenTrials[i]
	dir = t.TempDir()
	var b strings.Builder
	fmt.Fprintf(&b, "trial: Alder Bend leeks after rolled winter cereals, trial of %d treatments\nblocks: %d\nunits: %s\nbed spacing: 1.8 m\nplot length: 9 m\nend border: 1 m\n"+
		"gradient: wetter towards the far end of the beds, where the old ditch ran\nquadrat: 500x500mm\nquadrats per plot: 2\nvisits: 2026-06-14, 2026-06-28\nvisit tolerance: 3\nseed: 4\n", len(c.codes), c.blocks, c.units)
	for k, code := range c.codes {
		fmt.Fprintf(&b, "treatment: %s%s\n", code, []string{"; control", ""}[min(k, 1)])
	}
	plan = file(t, dir, "plan.txt", b.String())
	must(t, "new", "--plan", plan, "--trial", dir)
	snap := snapshotOf(t, dir)
	counts, yields := "plot,quadrat,date,broadleaf,grass\n", "plot,date,marketable_kg,bed_length_m\n"
	for k, p := range snap.Plots {
		level := 3 + 4*slices.Index(c.codes, p.Treatment)
		for v, day := range snap.Trial.Visits {
			for q := 1; q <= 2; q++ {
				counts += fmt.Sprintf("%s,%d,%s,%d,%d\n", p.ID, q, day, 40-2*level+(7*k+5*q+3*v)%11, (k+q+v)%5)
			}
		}
		if !slices.Contains(c.lost, k) {
			yields += fmt.Sprintf("%s,2026-10-01,%.1f,4\n", p.ID, 10+0.1*float64(level)+float64((5*k)%7)/10)
		}
	}
	must(t, "counts", file(t, dir, "counts.csv", strings.ReplaceAll(counts, ",-", ",0")), "--trial", dir)
	must(t, "yields", file(t, dir, "harvest.csv", yields), "--trial", dir)
	return dir, plan
}

// TestScreens shows every answer at three widths: no line is wider than the
// terminal, the answers of compare, agree, power, map and new fit 24 lines, and
// nothing but plain text goes to a pipe.
func TestScreens(t *testing.T) {
	pairs := "hand,image,plot,visit,treatment\n"
	for k := range 48 {
		pairs += fmt.Sprintf("%d,%d,%d,%d,%s\n", 10+k%17, 11+k%17+k%3, 101+k/3, 1+k%3, []string{"BARE", "RYE", "STRAW"}[k%3])
	}
	for i, c := range screenTrials {
		t.Run(c.name, func(t *testing.T) {
			dir, plan := screenTrial(t, i)
			file(t, dir, "pairs.csv", pairs)
			answers := [][]string{
				{"new", "--plan", plan, "--dry-run", "--trial", filepath.Join(dir, "again")},
				{"map"}, {"map", "--with-treatment"},
				{"compare", "count"}, {"compare", "count", "--visit", "2"}, {"compare", "yield"},
				{"compare", "yield", "--no-worse-than", c.codes[0], "--margin", "5%"},
				{"power", "--response", "yield", "--difference", "10%"}, {"power", "--cv", "20"},
				{"agree", "--from", filepath.Join(dir, "pairs.csv"), "--of", "count"}, {"agree", "--from", filepath.Join(dir, "pairs.csv"), "--of", "count", "--margin", "3"},
			}
			others := [][]string{{"map", "--full"}, {"status"}, {"loss", "count", "--visit", "1"}, {"compare", "yield", "--full"},
				{"compare", "count", "--full", "--model", "none"}, {"power", "--response", "yield", "--full"},
				{"compare", "yield", "--no-worse-than", c.codes[0], "--margin", "5%", "--step-down", "--full"},
				{"agree", "--from", filepath.Join(dir, "pairs.csv"), "--of", "count", "--margin", "3", "--full"}}
			for _, width := range []int{60, 80, 120} {
				t.Setenv("COLUMNS", fmt.Sprint(width))
				for k, args := range append(slices.Clone(answers), others...) {
					if args[0] != "new" {
						args = append(slices.Clone(args), "--trial", dir)
					}
					code, out, talk := quietly(args...)
					if code != exitDone {
						t.Fatalf("%q: exit %d\n%s%s", args, code, out, talk)
					}
					lines := strings.Split(strings.TrimRight(out, "\n"), "\n")
					for _, l := range lines {
						if n := wording.Width(l); n > width {
							t.Errorf("%q at %d columns: a line of %d: %q", args, width, n, l)
						}
					}
					if !utf8.ValidString(out) {
						t.Errorf("%q: letters broken apart:\n%s", args, out)
					}
					if strings.Contains(out, "\x1b") {
						t.Errorf("%q: escapes in what goes to a pipe", args)
					}
					if strings.Contains(out, "e+0") {
						t.Errorf("%q: a number with a power of ten:\n%s", args, out)
					}
					if k < len(answers) && width >= 80 && len(lines) > 23 {
						t.Errorf("%q at %d columns takes %d lines:\n%s", args, width, len(lines), out)
					}
					if k < len(answers) && !strings.Contains(out, "--full") {
						t.Errorf("%q does not say how the rest is had", args)
					}
				}
			}
		})
	}
}
