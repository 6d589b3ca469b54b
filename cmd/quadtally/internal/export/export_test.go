package export

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/analysis"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/stats"
)

// fieldSeason is an invented trial of three treatments in four blocks with
// photos, counts, yields and an assessment. Its values have many digits, a
// quadrat lacks a class, a plot lacks a photo at a visit.
func fieldSeason(units trial.Units) *record.Snapshot {
	day := func(s string) trial.Date { d, _ := trial.ParseDate(s); return d }
	s := &record.Snapshot{Trial: trial.Trial{Name: "Alder Bend", Design: trial.CompleteBlocks, Blocks: 4, Units: units,
		Treatments: []trial.Treatment{{Code: "BARE", Control: true}, {Code: "RYE"}, {Code: "STRAW"}},
		Ground:     trial.Ground{BedSpacingMM: 1800}, Quadrat: trial.Quadrat{WidthMM: 300, LengthMM: 700, PerPlot: 2},
		Visits: []trial.Date{day("2025-06-14"), day("2025-06-28")}}}
	for b := range 4 {
		for i, code := range []string{"BARE", "RYE", "STRAW"} {
			p := trial.Plot{ID: fmt.Sprintf("%d0%d", b+1, i+1), Block: fmt.Sprint(b + 1), Treatment: code}
			s.Plots = append(s.Plots, p)
			for v := 1; v <= 2; v++ {
				for q := 1; q <= 2; q++ {
					n := float64(7*b + 11*i + 3*v + q)
					if !(p.ID == "302" && v == 2) {
						s.Photos = append(s.Photos, record.Photo{PhotoFacts: record.PhotoFacts{Path: fmt.Sprintf("%s-%d-%d.jpg", p.ID, v, q), Taken: s.Trial.Visits[v-1].String() + "T09:00:00"},
							Place:  record.Place{State: record.PlaceKnown, Plot: p.ID, Quadrat: q, Visit: v},
							Result: &record.Result{CoverFrac: n / 97, Pieces: int(n)}})
					}
					for k, class := range []string{"broadleaf", "grass"} {
						if p.ID == "201" && q == 2 && k == 1 {
							continue
						}
						s.Observations = append(s.Observations, record.Observation{Plot: p.ID, Quadrat: q, Visit: v, Date: s.Trial.Visits[v-1], Variable: "count", Class: class, Value: n + float64(k), Unit: "plants"})
					}
					s.Observations = append(s.Observations, record.Observation{Plot: p.ID, Quadrat: q, Visit: v, Date: s.Trial.Visits[v-1], Variable: "residue height", Value: n / 7, Unit: "mm"})
				}
			}
			for pick := range 2 {
				s.Observations = append(s.Observations, record.Observation{Plot: p.ID, Date: day("2025-09-20").AddDays(14 * pick), Variable: "yield", Class: "marketable", Value: float64(20+b+i)/3 + float64(pick)/7, LengthMM: 3100 + 700*float64(pick), Unit: "kg"})
			}
		}
	}
	return s
}

// TestValuesAreThoseCompared: every response, compared from values.csv alone,
// gives the plot values of the comparison to the last bit.
func TestValuesAreThoseCompared(t *testing.T) {
	for _, units := range []trial.Units{trial.Metric, trial.US} {
		snap := fieldSeason(units)
		list, err := Tables(snap)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := tables.WriteCSV(&b, list[len(list)-1]); err != nil {
			t.Fatal(err)
		}
		all, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(b.Bytes(), []byte("\ufeff")))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		column := map[string]int{}
		for i, h := range all[0] {
			column[h] = i
		}
		rows := map[string][]stats.Row{}
		for _, x := range all[1:] {
			at := func(name string) string { return x[column[name]] }
			r := stats.Row{Plot: at("plot"), Treatment: at("treatment"), Block: at("block"), Quadrat: at("quadrat"), Missing: at("value") == ""}
			if !r.Missing {
				if r.Value, err = strconv.ParseFloat(at("value"), 64); err != nil {
					t.Fatal(err)
				}
			}
			if at("day") != "" {
				r.Day, _ = strconv.ParseFloat(at("day"), 64)
			}
			k := at("response") + "|" + at("class")
			rows[k] = append(rows[k], r)
		}
		want := []string{"green-cover|", "count|", "count|broadleaf", "count|grass", "yield|", "yield-per-bed|", "yield-pick-1|", "yield-pick-2|", "pieces|", "residue height|"}
		if len(rows) != len(want) {
			t.Errorf("%d responses in values.csv, want %d", len(rows), len(want))
		}
		for _, k := range want {
			name, class, _ := strings.Cut(k, "|")
			o := analysis.DefaultOptions()
			o.Class, o.Model = class, analysis.NoModel
			told, err := analysis.Compare(snap, name, o)
			if err != nil {
				t.Errorf("%s: %v", k, err)
				continue
			}
			r, err := analysis.Find(snap, name, class)
			if err != nil {
				t.Fatal(err)
			}
			o.Class = ""
			again, err := analysis.CompareRows(rows[k], r.Label, r.Kind, o)
			if err != nil {
				t.Errorf("%s from values.csv: %v", k, err)
				continue
			}
			if a, b := told.Main().Plots, again.Main().Plots; len(a) != 12 && len(a) != 11 || len(a) != len(b) {
				t.Errorf("%s: %d plots compared, %d from values.csv", k, len(a), len(b))
			} else {
				for i := range a {
					if a[i].Name != b[i].Name || a[i].Value != b[i].Value {
						t.Errorf("%s plot %s: compared %v, from values.csv %v", k, a[i].Name, a[i].Value, b[i].Value)
					}
				}
			}
			if a, b := len(told.Main().Missing), len(again.Main().Missing); a != b {
				t.Errorf("%s: %d plots missing, %d from values.csv", k, a, b)
			}
		}
	}
}

// TestWriteWholeOrNot: a folder that is there is left alone, and nothing stays
// behind of one that cannot be written.
func TestWriteWholeOrNot(t *testing.T) {
	dir := t.TempDir()
	out := filepath.Join(dir, "out")
	n, err := Write(out, fieldSeason(trial.Metric), nil)
	scripts, _ := filepath.Glob(filepath.Join(out, "*.R"))
	if err != nil || n != 9+len(scripts) || len(scripts) == 0 {
		t.Fatalf("%d files, %d scripts, %v", n, len(scripts), err)
	}
	if _, err := Write(out, fieldSeason(trial.Metric), nil); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("over an older export: %v", err)
	}
	list, err := os.ReadDir(dir)
	if err != nil || len(list) != 1 {
		t.Errorf("left behind: %v %v", list, err)
	}
}

// asSheet writes a table of the export and reads it again.
func asSheet(t *testing.T, snap *record.Snapshot, name string) *tables.Sheet {
	t.Helper()
	list, err := Tables(snap)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range list {
		if x.Name != name {
			continue
		}
		var b bytes.Buffer
		if err := tables.WriteCSV(&b, x); err != nil {
			t.Fatal(err)
		}
		s, err := tables.Read(name+".csv", b.Bytes())
		if err != nil {
			t.Fatalf("%s cannot be read again: %v", name, err)
		}
		return s
	}
	t.Fatalf("no table %s", name)
	return nil
}

// An exported trial gives, read back, the values, kind, label, control and every
// question and note that its record gives, whatever the spelling of a class.
func TestExportKeepsWhatIsOpen(t *testing.T) {
	open := fieldSeason(trial.Metric)
	open.Observations = slices.DeleteFunc(open.Observations, func(o record.Observation) bool {
		return o.Variable == "yield" && o.Plot == "302" && o.Date == open.Observations[len(open.Observations)-1].Date
	})
	open.Observations = append(open.Observations, record.Observation{Plot: "101", Quadrat: 1, Visit: 1, Date: open.Trial.Visits[0], Variable: "count", Class: "Sedge", Group: "Perennial", Value: 3, Unit: "plants"})
	ungraded := fieldSeason(trial.US)
	for i, o := range ungraded.Observations {
		if o.Variable == "yield" {
			ungraded.Observations[i].Class = "total"
		}
	}
	for name, snap := range map[string]*record.Snapshot{"whole": fieldSeason(trial.Metric), "questions": open, "ungraded": ungraded} {
		values, questions := asSheet(t, snap, "values"), asSheet(t, snap, "questions")
		for _, x := range []struct{ response, class string }{{"yield", ""}, {"count", ""}, {"count", "GRASS"}, {"green-cover", ""}, {"residue height", ""}, {"yield-per-bed", ""}} {
			want, err := analysis.ValuesOfTrial(snap, x.response, x.class, 0)
			if err != nil {
				t.Fatal(name, x, err)
			}
			got, err := analysis.ValuesOfExport(values, questions, snap.Trial.Name, x.response, x.class, 0)
			if err != nil {
				t.Fatal(name, x, err)
			}
			if got.Kind != want.Kind || got.Unit != want.Unit || got.Control != want.Control || !strings.EqualFold(want.Response, got.Response) {
				t.Errorf("%s %v: %s in %s, a %s, control %q; the record has %s in %s, a %s, control %q", name, x, got.Response, got.Unit, got.Kind, got.Control, want.Response, want.Unit, want.Kind, want.Control)
			}
			if !slices.Equal(got.Plots, want.Plots) {
				t.Errorf("%s %v: plots %v, the record has %v", name, x, got.Plots, want.Plots)
			}
			for _, n := range want.Notes {
				if !slices.Contains(got.Notes, n) {
					t.Errorf("%s %v: the export does not say %q, only %q", name, x, n, got.Notes)
				}
			}
		}
	}
	kinds := map[analysis.QuestionKind]bool{}
	for _, q := range analysis.SheetQuestions(open) {
		kinds[q.Kind] = true
	}
	if !kinds[analysis.AskPick] || !kinds[analysis.AskClass] {
		t.Errorf("questions of the kinds %v are open, want a pick and a class", kinds)
	}
}

// TestCoversCanBeWorkedOutAgain: the table of plants holds what covers by class
// are taken from, the solid part of the green too; where rims of leaves were not
// looked at that is blank and no nought.
func TestCoversCanBeWorkedOutAgain(t *testing.T) {
	snap := fieldSeason(trial.Metric)
	solid := 0.8
	for i, s := range []record.Sorting{{Solid: &solid}, {}} {
		s.Classes = []record.SortedClass{{PlantClass: record.PlantClass{Name: "weed", Role: "weed"}, Mean: 0.4, SolidMean: 0.3}}
		snap.Photos[i].Sorting = &s
	}
	snap.Named = []record.NamedPlant{{}}
	plants := asSheet(t, snap, "plants")
	if len(plants.Rows) != 2 {
		t.Fatalf("%d rows", len(plants.Rows))
	}
	for i, want := range []string{"0.4 0.8 0.3", "0.4  "} {
		var got []string
		for _, c := range []string{"mean_probability", "solid_share", "solid_mean_probability"} {
			got = append(got, plants.Rows[i].Cells[plants.Column(c)].Text)
		}
		if strings.Join(got, " ") != want {
			t.Errorf("row %d: %q, want %q", i, got, want)
		}
	}
}
