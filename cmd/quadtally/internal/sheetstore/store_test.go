package sheetstore

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/trial"
)

func newStore(t *testing.T) *record.Store {
	t.Helper()
	plan := trial.Defaults()
	plan.Name, plan.Design, plan.Blocks, plan.Seed = "Alder Bend", trial.CompleteBlocks, 5, 7
	plan.Treatments = []trial.Treatment{{Code: "BARE", Control: true}, {Code: "RYE"}}
	for _, s := range []string{"2025-06-14", "2025-06-28"} {
		d, err := trial.ParseDate(s)
		if err != nil {
			t.Fatal(err)
		}
		plan.Visits = append(plan.Visits, d)
	}
	var plots []trial.Plot
	for b := 1; b <= 5; b++ {
		for k, tr := range []string{"BARE", "RYE"} {
			plots = append(plots, trial.Plot{ID: fmt.Sprint(100*b + k + 1), Block: fmt.Sprint(b), Treatment: tr, Order: 2*b + k})
		}
	}
	s, err := record.Create(t.TempDir(), plan, plots, record.Options{Author: "Ada", Clock: func() time.Time { return time.Date(2025, 7, 1, 9, 0, 0, 0, time.UTC) }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// hand stores a sheet as a command would.
func hand(t *testing.T, s *record.Store, r Request, text string) (*Outcome, error) {
	t.Helper()
	snap, err := s.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if r.Kind == "" {
		r.Kind = sheets.KindCounts
	}
	if r.Path == "" {
		r.Path = "june.csv"
	}
	r.Data = []byte(text)
	return Store(t.Context(), s, snap, r)
}

func counts(visit int, list ...int) string {
	text := "plot,quadrat,visit,grass\n"
	for i, n := range list {
		text += fmt.Sprintf("%d0%d,1,%d,%d\n", 1+i/2, 1+i%2, visit, n)
	}
	return text
}

func must(t *testing.T, o *Outcome, err error) *Outcome {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func shown(o *Outcome) string {
	var b strings.Builder
	o.WriteText(&b)
	return b.String()
}

// TestStoredAndCorrected follows one sheet from its first version on: what is
// stored, what a dry run leaves alone, and how a correction is told.
func TestStoredAndCorrected(t *testing.T) {
	s := newStore(t)
	dry, err := hand(t, s, Request{DryRun: true}, counts(1, 1, 2, 3, 4, 5, 6))
	if o := must(t, dry, err); o.Stored || len(o.Diff.New) != 6 || o.Refused() != nil || !strings.Contains(shown(o), "nothing was stored (dry run)") {
		t.Errorf("dry run: %+v\n%s", o, shown(o))
	}
	for i, c := range []struct {
		text                string
		changed, same, news int
		says                string
	}{
		{counts(1, 1, 2, 3, 4, 5, 6), 0, 0, 6, "june.csv: 6 rows, 6 values stored\n"},
		{counts(1, 1, 2, 3, 4, 5, 6), 0, 6, 0, "6 as before"},
		{counts(1, 1, 2, 3, 4, 5, 7), 1, 5, 0, "changed, row 7: plot 302 quadrat 1 visit 1 count (grass), was 6 "},
	} {
		got, err := hand(t, s, Request{}, c.text)
		o := must(t, got, err)
		if !o.Stored || len(o.Diff.Changed) != c.changed || o.Diff.Unchanged != c.same || len(o.Diff.New) != c.news || !strings.Contains(shown(o), c.says) {
			t.Errorf("%d: stored %v, %d changed, %d the same, %d new\n%s", i, o.Stored, len(o.Diff.Changed), o.Diff.Unchanged, len(o.Diff.New), shown(o))
		}
	}
}

// TestAskedBeforeStoring: what looks like a slip is asked about and leaves the
// record as it was; Agreed stores it.
func TestAskedBeforeStoring(t *testing.T) {
	for name, c := range map[string]struct {
		request Request
		text    string
		asks    string
	}{
		"another sheet of the same name":   {Request{}, counts(2, 11, 12, 13, 14, 15, 16), "little of it is in this one"},
		"another sheet says otherwise":     {Request{Path: "copy.csv"}, counts(1, 1, 2, 3, 4, 5, 9), "1 value is said otherwise in"},
		"the same values at another visit": {Request{Path: "second.csv"}, counts(2, 1, 2, 3, 4, 5, 6, 7, 8, 9, 1), "are the same for visit 1 in"},
		"too few to say so":                {Request{Path: "second.csv"}, counts(2, 1, 2, 3, 4, 5, 6, 7), ""},
		"mostly noughts":                   {Request{Path: "second.csv"}, counts(2, 0, 0, 0, 0, 0, 6, 7, 8, 9, 1), ""},
		"a sheet of its own, as it should": {Request{Path: "second.csv"}, counts(2, 11, 12, 13, 14, 15, 16), ""},
	} {
		s := newStore(t)
		first, err := hand(t, s, Request{}, counts(1, 1, 2, 3, 4, 5, 6, 7, 8, 9, 1))
		must(t, first, err)
		before, err := s.Snapshot(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		got, err := hand(t, s, c.request, c.text)
		o := must(t, got, err)
		asked := strings.Join(o.Asked, "\n")
		if (c.asks == "") != (asked == "") {
			t.Errorf("%s: asked %q", name, asked)
		}
		if !strings.Contains(asked, c.asks) {
			t.Errorf("%s: asked %q, want %q", name, asked, c.asks)
		}
		if c.asks == "" {
			continue
		}
		after, err := s.Snapshot(t.Context())
		if err != nil || after.Entry != before.Entry || o.Stored || o.Refused() == nil || !strings.Contains(o.Refused().Error(), "nothing was stored") {
			t.Errorf("%s: stored %v, refused %v, %v", name, o.Stored, o.Refused(), err)
		}
		c.request.Agreed = true
		got, err = hand(t, s, c.request, c.text)
		if o := must(t, got, err); !o.Stored || o.Refused() != nil {
			t.Errorf("%s, agreed: %+v", name, o)
		}
	}
}

// TestFaultsAreNamed: rows that cannot be read are left out and named; where
// none can, nothing is stored.
func TestFaultsAreNamed(t *testing.T) {
	s := newStore(t)
	got, err := hand(t, s, Request{}, counts(1, 1, 2)+"999,1,1,4\n")
	if o := must(t, got, err); o.Unread != 1 || !o.Stored || o.Refused() != nil || !strings.Contains(strings.Join(o.Before(), "\n"), "june.csv:4: ") {
		t.Errorf("%+v: %q", o, o.Before())
	}
	got, err = hand(t, s, Request{Path: "wrong.csv"}, "plot,quadrat,visit,grass\n999,1,1,4\n")
	if o := must(t, got, err); o.Stored || o.Refused() == nil || !strings.Contains(o.Refused().Error(), "nothing could be read") {
		t.Errorf("%+v: %v", o, o.Refused())
	}
	if o, err := hand(t, s, Request{}, ""); o != nil || err == nil {
		t.Errorf("an empty file gave %+v, %v", o, err)
	}
}

// TestColumnsAreRemembered: what a column holds is asked once; the answer is
// kept, and one about a column that is not there is named.
func TestColumnsAreRemembered(t *testing.T) {
	s := newStore(t)
	text := "plot,quadrat,visit,grass,minutes\n101,1,1,4,7\n"
	if o, err := hand(t, s, Request{}, text); o != nil || err == nil || !strings.Contains(err.Error(), "minutes") {
		t.Fatalf("%+v %v", o, err)
	}
	columns, err := sheets.ParseColumns("minutes=ignore; hours=ignore")
	if err != nil {
		t.Fatal(err)
	}
	got, err := hand(t, s, Request{Options: sheets.Options{Columns: columns}}, text)
	if o := must(t, got, err); !o.Stored || !strings.Contains(strings.Join(o.Before(), "\n"), "neither a column nor a class hours") {
		t.Errorf("%q", o.Before())
	}
	got, err = hand(t, s, Request{Path: "july.csv"}, "plot,quadrat,visit,grass,minutes\n101,1,2,4,7\n")
	if o := must(t, got, err); !o.Stored {
		t.Errorf("asked again: %+v", o)
	}
	snap, err := s.Snapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if all, learned, err := RememberedColumns(snap, nil); err != nil || learned || len(all) != 2 {
		t.Errorf("%v %v %v", all, learned, err)
	}
}

// TestAmountsInTheReadersUnits: stored values are SI; people of a trial in US
// units read theirs, and assessments of their own stay in the unit they gave.
func TestAmountsInTheReadersUnits(t *testing.T) {
	for _, c := range []struct {
		o        record.Observation
		si, here string
	}{
		{record.Observation{Variable: record.VarCover, Value: 0.125, Unit: "fraction"}, "12.5 %", "12.5 %"},
		{record.Observation{Variable: "crop height", Value: 254, Unit: "mm"}, "25.4 cm", "10 in"},
		{record.Observation{Variable: record.VarYield, Value: 4.5359237, Unit: "kg"}, "4.535924 kg", "10 lb"},
		{record.Observation{Variable: record.VarBiomass, Value: 0.5, Unit: "kg/m2"}, "5000 kg/ha", "4460.896 lb/acre"},
		{record.Observation{Variable: "worms", Value: 3, Unit: "kg"}, "3 kg", "3 kg"},
		{record.Observation{Variable: record.VarYield, Missing: true, Unit: "kg"}, "missing", "missing"},
	} {
		if si, us := amount(c.o, trial.Metric), amount(c.o, trial.US); si != c.si || us != c.here {
			t.Errorf("%s: %q and %q, want %q and %q", c.o.Variable, si, us, c.si, c.here)
		}
	}
}
