package record

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

func day(s string) trial.Date {
	d, err := trial.ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

// harvest is a sheet of one pick: a weight for each plot, by rows from 2.
func harvest(date string, kg ...float64) []Observation {
	var out []Observation
	for i, v := range kg {
		out = append(out, Observation{Plot: fmt.Sprint(101 + i), Date: day(date), Variable: "yield", Class: "marketable", Value: v, Unit: "kg",
			LengthMM: 3000, Line: i + 2, Source: fmt.Sprintf("harvest.csv:%d", i+2)})
	}
	return out
}

func store(t *testing.T, s *Store, v SheetVersion) SheetDiff {
	t.Helper()
	var d SheetDiff
	write(t, s, func(tx *Tx) (err error) {
		d, err = tx.StoreSheet(v, 1<<40)
		return err
	})
	return d
}

func yields(snap *Snapshot) string {
	var out []string
	for _, o := range snap.Observations {
		out = append(out, fmt.Sprintf("%s %s %g", o.Plot, o.Key().When, o.Value))
	}
	slices.Sort(out)
	return strings.Join(out, "; ")
}

// TestCorrectedDateReplaces: storing a sheet again with another harvest date
// moves the values; nothing is counted twice, and the step can be taken back,
// and that again.
func TestCorrectedDateReplaces(t *testing.T) {
	s := newStore(t)
	first := SheetVersion{Kind: "yields", Name: "harvest.csv", Observations: harvest("2025-10-02", 5, 6, 7)}
	if d := store(t, s, first); len(d.New) != 3 || d.Version != 1 {
		t.Fatalf("first: %+v", d)
	}
	again, err := s.CompareSheet(ctx, first, 1<<40)
	if err != nil || !again.Empty() || again.Unchanged != 3 {
		t.Fatalf("the same again: %+v %v", again, err)
	}
	second := first
	second.Observations = harvest("2025-10-03", 5, 6, 7)
	dry, err := s.CompareSheet(ctx, second, 1<<40)
	if err != nil || len(dry.Moved) != 3 || len(dry.New)+len(dry.Withdrawn)+len(dry.Changed) != 0 {
		t.Fatalf("dry run: %+v %v", dry, err)
	}
	if got := yields(snapshot(t, s)); !strings.Contains(got, "10-02") {
		t.Errorf("comparing stored something: %s", got)
	}
	d := store(t, s, second)
	if len(d.Moved) != 3 || d.Moved[0].Was.Date != day("2025-10-02") || d.Moved[0].Now.Date != day("2025-10-03") || d.Version != 2 {
		t.Errorf("second: %+v", d)
	}
	const now, was = "101 2025-10-03 5; 102 2025-10-03 6; 103 2025-10-03 7", "101 2025-10-02 5; 102 2025-10-02 6; 103 2025-10-02 7"
	if got := yields(snapshot(t, s)); got != now {
		t.Errorf("in force: %s", got)
	}
	correction := snapshot(t, s).Entry
	undo := write(t, s, func(tx *Tx) error { _, err := tx.UndoEntry(correction); return err })
	if got := yields(snapshot(t, s)); got != was {
		t.Errorf("after undo: %s", got)
	}
	write(t, s, func(tx *Tx) error { _, err := tx.UndoEntry(undo); return err })
	if got := yields(snapshot(t, s)); got != now {
		t.Errorf("after undoing the undo: %s", got)
	}
	log, err := s.Log(ctx)
	if err != nil || log[0].Undoes != undo || log[1].UndoneBy != log[0].ID || log[2].UndoneBy != 0 || log[2].Sheets[0].Version != 2 {
		t.Errorf("log %+v %v", log, err)
	}
}

// TestEveryPartOfARowCanBeCorrected: plot, quadrat, visit, pick, value; and a
// row taken out is withdrawn.
func TestEveryPartOfARowCanBeCorrected(t *testing.T) {
	base := func() []Observation {
		return []Observation{
			{Plot: "101", Quadrat: 1, Visit: 1, Variable: "count", Class: "grass", Value: 4, Unit: "plants", Line: 2, Source: "c.csv:2"},
			{Plot: "102", Quadrat: 1, Visit: 1, Variable: "count", Class: "grass", Value: 4, Unit: "plants", Line: 3, Source: "c.csv:3"},
			{Plot: "101", Pick: "1", Date: day("2025-09-01"), Variable: "yield", Class: "cull", Value: 2, Unit: "kg", LengthMM: 3000, Line: 4, Source: "c.csv:4"},
		}
	}
	for name, c := range map[string]struct {
		change func([]Observation) []Observation
		want   string // new, changed, moved, withdrawn
	}{
		"nothing":           {func(l []Observation) []Observation { return l }, "0 0 0 0"},
		"a value":           {func(l []Observation) []Observation { l[0].Value = 5; return l }, "0 1 0 0"},
		"to missing":        {func(l []Observation) []Observation { l[0].Missing, l[0].Value = true, 0; return l }, "0 1 0 0"},
		"a quadrat":         {func(l []Observation) []Observation { l[0].Quadrat = 2; return l }, "0 0 1 0"},
		"a visit":           {func(l []Observation) []Observation { l[1].Visit = 2; return l }, "0 0 1 0"},
		"a plot":            {func(l []Observation) []Observation { l[1].Plot = "103"; return l }, "0 0 1 0"},
		"a pick":            {func(l []Observation) []Observation { l[2].Pick = "2"; return l }, "0 0 1 0"},
		"the day of a pick": {func(l []Observation) []Observation { l[2].Date = day("2025-09-02"); return l }, "0 1 0 0"},
		"an observer":       {func(l []Observation) []Observation { l[0].Observer = "Ben"; return l }, "0 1 0 0"},
		"a row out":         {func(l []Observation) []Observation { return l[:2] }, "0 0 0 1"},
		"a row more": {func(l []Observation) []Observation {
			return append(l, Observation{Plot: "103", Quadrat: 1, Visit: 1, Variable: "count", Class: "grass", Value: 1, Unit: "plants", Line: 5, Source: "c.csv:5"})
		}, "1 0 0 0"},
		"another spelling of a class": {func(l []Observation) []Observation { l[0].Class = "Grass"; l[1].Class = "gr-ass"; return l }, "0 0 0 0"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStore(t)
			store(t, s, SheetVersion{Kind: "counts", Name: "c.csv", Observations: base()})
			v := SheetVersion{Kind: "counts", Name: "c.csv", Observations: c.change(base())}
			d := store(t, s, v)
			if got := fmt.Sprintf("%d %d %d %d", len(d.New), len(d.Changed), len(d.Moved), len(d.Withdrawn)); got != c.want {
				t.Errorf("new, changed, moved, withdrawn: %s, want %s", got, c.want)
			}
			if got := snapshot(t, s).Observations; len(got) != len(v.Observations) {
				t.Errorf("%d values in force, want %d: %+v", len(got), len(v.Observations), got)
			}
		})
	}
}

// TestAnotherSheetIsAsked: a value that another sheet gives, or gives again
// under another day, is named; and re-storing an older sheet with its row
// unchanged does not bring that row back over a newer one.
func TestAnotherSheetIsAsked(t *testing.T) {
	s := newStore(t)
	store(t, s, SheetVersion{Kind: "yields", Name: "harvest.csv", Observations: harvest("2025-10-02", 5, 6)})
	other := harvest("2025-10-02", 5, 9)
	d, err := s.CompareSheet(ctx, SheetVersion{Kind: "yields", Name: "other.csv", Observations: other}, 1<<40)
	if err != nil || len(d.Against) != 1 || d.Against[0].Was.Value != 6 || d.Against[0].Now.Value != 9 || len(d.Alike) != 0 {
		t.Errorf("another value: %+v %v", d, err)
	}
	d, err = s.CompareSheet(ctx, SheetVersion{Kind: "yields", Name: "harvest corrected.csv", Observations: harvest("2025-10-03", 5, 6)}, 1<<40)
	if err != nil || len(d.Alike) != 2 || len(d.Against) != 0 {
		t.Errorf("a copy with another day: %+v %v", d, err)
	}
	store(t, s, SheetVersion{Kind: "yields", Name: "other.csv", Observations: other})
	corrected := harvest("2025-10-02", 4, 6)
	store(t, s, SheetVersion{Kind: "yields", Name: "harvest.csv", Observations: corrected})
	if got := yields(snapshot(t, s)); got != "101 2025-10-02 4; 102 2025-10-02 9" {
		t.Errorf("the newest telling of each value stands: %s", got)
	}
}

// TestPartialSheetWithdrawsNothing: a mistyped row is not a row taken out.
func TestPartialSheetWithdrawsNothing(t *testing.T) {
	s := newStore(t)
	store(t, s, SheetVersion{Kind: "yields", Name: "h.csv", Observations: harvest("2025-10-02", 5, 6, 7)})
	_, err := s.Write(ctx, "yields", "", func(tx *Tx) error {
		_, err := tx.StoreSheet(SheetVersion{Kind: "yields", Name: "h.csv", Partial: true, Observations: harvest("2025-10-02", 5, 6)}, 1<<40)
		return err
	})
	var partial ErrPartial
	if !errors.As(err, &partial) || len(partial.Diff.Withdrawn) != 1 {
		t.Errorf("got %v", err)
	}
	if n := len(snapshot(t, s).Observations); n != 3 {
		t.Errorf("%d values in force", n)
	}
	d := store(t, s, SheetVersion{Kind: "yields", Name: "h.csv", Partial: true, Observations: harvest("2025-10-02", 5, 6, 8)})
	if len(d.Changed) != 1 {
		t.Errorf("a partial sheet may correct: %+v", d)
	}
}

// TestStoredMeanwhile: a version that somebody stored after the writer looked
// is named.
func TestStoredMeanwhile(t *testing.T) {
	s := newStore(t)
	seen := snapshot(t, s).Entry
	v := SheetVersion{Kind: "yields", Name: "h.csv", Observations: harvest("2025-10-02", 5)}
	store(t, s, v)
	now := snapshot(t, s).Entry
	if d, _ := s.CompareSheet(ctx, v, seen); d.Meanwhile == nil || d.Meanwhile.Version != 1 {
		t.Errorf("%+v", d.Meanwhile)
	}
	if d, _ := s.CompareSheet(ctx, v, now); d.Meanwhile != nil {
		t.Errorf("one's own newest version: %+v", d.Meanwhile)
	}
}

// TestCorrectedOperations: other words in a corrected sheet change the work and
// do not add to it.
func TestCorrectedOperations(t *testing.T) {
	s := newStore(t)
	rate := 112.0
	work := func(what, unit string) []Operation {
		return []Operation{
			{Date: day("2024-10-05"), What: "seeding", Treatment: "RYE", Input: "rye", Rate: &rate, RateUnit: unit, Line: 2, Source: "f.csv:2"},
			{Date: day("2025-05-20"), What: what, Treatment: "RYE", Line: 3, Source: "f.csv:3"},
		}
	}
	store(t, s, SheetVersion{Kind: "field", Name: "f.csv", Operations: work("rolling", "lb/A")})
	d := store(t, s, SheetVersion{Kind: "field", Name: "f.csv", Operations: work("termination", "lb/acre")})
	if len(d.ChangedOperations) != 2 || len(d.NewOperations)+len(d.WithdrawnOperations) != 0 {
		t.Errorf("%+v", d)
	}
	ops := snapshot(t, s).Operations
	if len(ops) != 2 || ops[0].RateUnit != "lb/acre" || ops[1].What != "termination" {
		t.Errorf("in force: %+v", ops)
	}
	c, err := s.CompareSheet(ctx, SheetVersion{Kind: "field", Name: "f corrected.csv", Operations: work("termination", "kg/ha")}, 1<<40)
	if err != nil || len(c.AlikeOperations) != 1 {
		t.Errorf("a seeding under another sheet's name: %+v %v", c, err)
	}
	store(t, s, SheetVersion{Kind: "field", Name: "f.csv"})
	if ops := snapshot(t, s).Operations; len(ops) != 0 {
		t.Errorf("taken out: %+v", ops)
	}
}

// TestOwnCorrectionIsNoClash: who has seen the newest value corrects it; who
// has not, clashes.
func TestOwnCorrectionIsNoClash(t *testing.T) {
	s := newStore(t)
	o := Observation{Plot: "101", Quadrat: 1, Visit: 1, Variable: "count", Value: 7, Unit: "plants"}
	entry := write(t, s, func(tx *Tx) error { _, _, err := tx.AddObservation(o, 0); return err })
	for _, c := range []struct {
		seen  int64
		clash bool
	}{{entry, false}, {entry - 1, true}} {
		o.Value++
		_, err := s.Write(ctx, "test", "", func(tx *Tx) error {
			_, clash, err := tx.AddObservation(o, c.seen)
			if (clash != nil) != c.clash {
				t.Errorf("seen %d, stored by %d: clash %+v", c.seen, entry, clash)
			}
			return errors.Join(err, errors.New("look only"))
		})
		if err == nil {
			t.Fatal("stored")
		}
	}
}

// TestCorrectedObserverIsStored: everything a reader sees makes a value another
// one; the same again adds no row.
func TestCorrectedObserverIsStored(t *testing.T) {
	base := Observation{Plot: "101", Quadrat: 1, Visit: 1, Date: day("2025-06-14"), Variable: "count", Value: 7, Unit: "plants", Observer: "Ada"}
	for name, change := range map[string]func(*Observation){
		"observer": func(o *Observation) { o.Observer = "Ben" },
		"date":     func(o *Observation) { o.Date = day("2025-06-15") },
		"unit":     func(o *Observation) { o.Unit = "stems" },
		"length":   func(o *Observation) { o.LengthMM = 3000 },
		"trim":     func(o *Observation) { o.Trim = "150 mm" },
		"group":    func(o *Observation) { o.Group = "grass" },
		"life":     func(o *Observation) { o.Life = "annual" },
		"missing":  func(o *Observation) { o.Missing = true },
		"":         func(*Observation) {},
	} {
		s := newStore(t)
		o := base
		write(t, s, func(tx *Tx) error { _, _, err := tx.AddObservation(o, 0); return err })
		change(&o)
		write(t, s, func(tx *Tx) error {
			added, _, err := tx.AddObservation(o, 1<<40)
			if added != (name != "") {
				t.Errorf("%q corrected: added %v", name, added)
			}
			return err
		})
	}
}

// TestHistoryOfTwoPicks: the tellings of one pick are not those of another.
func TestHistoryOfTwoPicks(t *testing.T) {
	s := newStore(t)
	one, two := harvest("2025-09-01", 5)[0], harvest("2025-09-08", 6)[0]
	three := two
	three.Value = 6.5
	for _, o := range []Observation{one, two, three} {
		write(t, s, func(tx *Tx) error { _, _, err := tx.AddObservation(o, 1<<40); return err })
	}
	for _, c := range []struct {
		of   Observation
		want int
	}{{one, 1}, {two, 2}} {
		h, err := s.History(ctx, c.of)
		if err != nil || len(h) != c.want {
			t.Errorf("%s: %d tellings, want %d (%v)", c.of.Date, len(h), c.want, err)
		}
	}
}

// TestWithdrawnHereStandsThere: a value that a corrected sheet no longer tells,
// or tells of another day, goes on to count where another sheet told it too, and
// that is said; rows that change places are told still.
func TestWithdrawnHereStandsThere(t *testing.T) {
	sheet := func(name, when string, kg ...float64) SheetVersion {
		return SheetVersion{Kind: "yields", Name: name, Observations: harvest(when, kg...)}
	}
	without := sheet("a.csv", "2025-10-02", 5, 6)
	swapped := sheet("a.csv", "2025-10-02", 5, 6, 7)
	swapped.Observations[0].Plot, swapped.Observations[1].Plot = "102", "101"
	for name, c := range map[string]struct {
		other *SheetVersion
		now   SheetVersion
		want  string // the values that stand, as another sheet has them
	}{
		"no other sheet":     {nil, without, "[]"},
		"a copy":             {&SheetVersion{Kind: "yields", Name: "copy.csv", Observations: harvest("2025-10-02", 5, 6, 7)}, without, "[103 7]"},
		"told otherwise":     {&SheetVersion{Kind: "yields", Name: "copy.csv", Observations: harvest("2025-10-02", 5, 6, 8)}, without, "[103 8]"},
		"of another day":     {&SheetVersion{Kind: "yields", Name: "copy.csv", Observations: harvest("2025-10-09", 5, 6, 7)}, without, "[]"},
		"moved to a day":     {&SheetVersion{Kind: "yields", Name: "copy.csv", Observations: harvest("2025-10-02", 5)}, sheet("a.csv", "2025-10-03", 5, 6, 7), "[101 5]"},
		"plots interchanged": {&SheetVersion{Kind: "yields", Name: "copy.csv", Observations: harvest("2025-10-02", 5, 6, 7)}, swapped, "[]"},
	} {
		s := newStore(t)
		store(t, s, sheet("a.csv", "2025-10-02", 5, 6, 7))
		if c.other != nil {
			store(t, s, *c.other)
		}
		d := store(t, s, c.now)
		got := []string{}
		inForce := yields(snapshot(t, s))
		for _, x := range d.Stands {
			got = append(got, fmt.Sprintf("%s %g", x.Now.Plot, x.Now.Value))
			if !strings.Contains(inForce, fmt.Sprintf("%s %s %g", x.Now.Plot, x.Now.Key().When, x.Now.Value)) {
				t.Errorf("%s: %+v is not in force: %s", name, x.Now, inForce)
			}
		}
		if fmt.Sprint(got) != c.want {
			t.Errorf("%s: %v, want %s", name, got, c.want)
		}
	}
}
