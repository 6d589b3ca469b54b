package record

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func undo(t *testing.T, s *Store, id int64) int64 {
	t.Helper()
	return write(t, s, func(tx *Tx) error { _, err := tx.UndoEntry(id); return err })
}

// TestUndoTakesAnyEntryBack: decisions with what the program drew from them, a
// plan, single values; and what cannot be taken back says why.
func TestUndoTakesAnyEntryBack(t *testing.T) {
	s := newStore(t)
	addPhoto(t, s, "aaaa1111", Measurement{Fingerprint: "f"}, &Result{})
	photos := snapshot(t, s).Entry
	subject := PhotoSubject("aaaa1111")
	place := func(plot string) func(*Tx) error {
		return func(tx *Tx) error {
			_, err := tx.Decide(subject, KindPlace, Place{Plot: plot, State: PlaceKnown})
			return err
		}
	}
	before, err := s.WriteAs(ctx, EntryDerived, "photos", "", place("101"))
	if err != nil {
		t.Fatal(err)
	}
	said := write(t, s, place("102"))
	if _, err := s.WriteAs(ctx, EntryDerived, "photos", "", place("103")); err != nil {
		t.Fatal(err)
	}
	shows := func(want string) {
		t.Helper()
		if p, _ := snapshot(t, s).Photo("aaaa1111"); p.Place.Plot != want {
			t.Errorf("the photo shows plot %q, want %q", p.Place.Plot, want)
		}
	}
	back := undo(t, s, said)
	shows("101")
	undo(t, s, back)
	shows("103")

	plan, plots := twoPlots()
	plan.Name = "amended"
	amended := write(t, s, func(tx *Tx) error { return tx.SaveTrial(plan, plots) })
	undo(t, s, amended)
	if name := snapshot(t, s).Trial.Name; name == "amended" {
		t.Error("the plan was not taken back")
	}

	_, err = s.Write(ctx, "undo", "", func(tx *Tx) error { _, err := tx.UndoEntry(amended); return err })
	var undone ErrUndone
	if !errors.As(err, &undone) {
		t.Errorf("twice: %v", err)
	}
	for id, want := range map[int64]error{1: ErrStart, photos: ErrOnlyRaw, before: ErrDerived, 999: ErrNoEntry} {
		if _, err := s.Write(ctx, "undo", "", func(tx *Tx) error { _, err := tx.UndoEntry(id); return err }); !errors.Is(err, want) {
			t.Errorf("entry %d: %v, want %v", id, err, want)
		}
	}
}

// TestUndoKeepsWhatOthersSaid: an older correction taken back leaves the newer
// version of the sheet whole.
func TestUndoKeepsWhatOthersSaid(t *testing.T) {
	s := newStore(t)
	v := func(kg ...float64) int64 {
		store(t, s, SheetVersion{Kind: "yields", Name: "h.csv", Observations: harvest("2025-10-02", kg...)})
		return snapshot(t, s).Entry
	}
	first, second, third := v(1, 2), v(1, 3), v(1, 3, 4)
	log, err := s.Log(ctx)
	if err != nil || log[1].ID != second || log[1].Replaced || log[2].Replaced {
		t.Errorf("rows of all three are in force: %+v", log)
	}
	for _, c := range []struct {
		undo int64
		want string
	}{
		{first, "101 2025-10-02 1; 102 2025-10-02 3; 103 2025-10-02 4"},
		{third, "101 2025-10-02 1; 102 2025-10-02 3"},
		{second, ""},
	} {
		undo(t, s, c.undo)
		if got := yields(snapshot(t, s)); got != c.want {
			t.Errorf("after undo of %d: %q, want %q", c.undo, got, c.want)
		}
	}
}

// TestReplacedIsSaid: an entry whose value another one stands over.
func TestReplacedIsSaid(t *testing.T) {
	s := newStore(t)
	o := Observation{Plot: "101", Quadrat: 1, Visit: 1, Variable: "count", Value: 7, Unit: "plants"}
	write(t, s, func(tx *Tx) error { _, _, err := tx.AddObservation(o, 0); return err })
	o.Value = 8
	write(t, s, func(tx *Tx) error { _, _, err := tx.AddObservation(o, 1<<40); return err })
	log, err := s.Log(ctx)
	if err != nil || log[0].Replaced || !log[1].Replaced {
		t.Errorf("%+v %v", log, err)
	}
}

// versionOne builds a record as the first version of the schema kept it.
func versionOne(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	db, err := sql.Open("sqlite3", fileURI(filepath.Join(dir, FileName), "mode=rwc"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, q := range []string{
		schema1, "pragma user_version = 1",
		`insert into entry(at, author, command, note) values ('2025-06-01T00:00:00Z','Ada','new',''), ('2025-10-02T00:00:00Z','Ada','yields','x/harvest.csv'),
			('2025-10-03T00:00:00Z','Ada','yields','harvest.csv'), ('2025-10-03T00:00:00Z','Ada','field','f.csv'), ('2025-10-04T00:00:00Z','Ada','photos','identified')`,
		`insert into trial(entry, doc) values (1, '{"name":"Alder Bend leeks"}')`,
		`insert into operation(entry, doc) values (4, '{"date":"2025-05-20","what":"rolling","source":"f.csv:2"}')`,
	} {
		if _, err := db.Exec(q); err != nil {
			t.Fatal(err)
		}
	}
	// The same sheet stored, then stored again with another date: both dates
	// were kept.
	for i, date := range []string{"2025-10-02", "2025-10-03"} {
		for _, o := range harvest(date, 5, 6) {
			o.Line, o.Entry = 0, int64(i+2)
			doc, _ := toJSON(o)
			if _, err := db.Exec("insert into observation(entry, plot, quadrat, visit, date, variable, class, value, unit, doc) values (?,?,?,?,?,?,?,?,?,?)",
				o.Entry, o.Plot, o.Quadrat, o.Visit, date, o.Variable, o.Class, o.Value, o.Unit, doc); err != nil {
				t.Fatal(err)
			}
		}
	}
	return dir
}

// TestRecordOfVersionOne: an older record is kept beside the new one and says
// after the migration what it said before; its sheets can be corrected, and
// its entries taken back.
func TestRecordOfVersionOne(t *testing.T) {
	dir := versionOne(t)
	before, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	ro, err := Open(dir, Options{ReadOnly: true}) // reads a copy that is brought up to date
	if err != nil {
		t.Fatal(err)
	}
	if snap := snapshot(t, ro); len(snap.Observations) != 4 {
		t.Errorf("read-only: %+v", snap.Observations)
	}
	ro.Close()
	if after, err := os.ReadFile(filepath.Join(dir, FileName)); err != nil || !bytes.Equal(before, after) {
		t.Error("opening to read wrote to the record")
	}
	s, err := Open(dir, Options{Author: "Ada", Clock: fixedClock})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	kept := filepath.Join(dir, fmt.Sprintf("%s.before-version-%d", FileName, len(migrations)))
	old, err := sql.Open("sqlite3", fileURI(kept, "mode=ro"))
	if err != nil {
		t.Fatal(err)
	}
	defer old.Close()
	var version, rows int
	if err := errors.Join(old.QueryRow("pragma user_version").Scan(&version), old.QueryRow("select count(*) from observation").Scan(&rows)); err != nil || version != 1 || rows != 4 {
		t.Errorf("the copy kept before: version %d, %d rows, %v", version, rows, err)
	}
	snap := snapshot(t, s)
	if len(snap.Observations) != 4 || len(snap.Sheets) != 2 || snap.Sheets[0].Name != "harvest.csv" || len(snap.Operations) != 1 {
		t.Errorf("%+v", snap)
	}
	if entries, _ := s.Entries(ctx); entries[4].Kind != EntryDerived || entries[3].Kind == EntryDerived {
		t.Errorf("what the program worked out: %+v", entries)
	}
	undo(t, s, 3)
	if got := yields(snapshot(t, s)); got != "101 2025-10-02 5; 102 2025-10-02 6" {
		t.Errorf("the second telling taken back: %s", got)
	}
	undo(t, s, snapshot(t, s).Entry)
	d := store(t, s, SheetVersion{Kind: "yields", Name: "harvest.csv", Observations: harvest("2025-10-03", 5, 6)})
	if len(d.Withdrawn) != 2 || d.Unchanged != 2 {
		t.Errorf("the sheet stored once more puts the doubled values right: %+v", d)
	}
	if got := yields(snapshot(t, s)); got != "101 2025-10-03 5; 102 2025-10-03 6" {
		t.Errorf("in force: %s", got)
	}
	store(t, s, SheetVersion{Kind: "field", Name: "f.csv"})
	if n := len(snapshot(t, s).Operations); n != 0 {
		t.Errorf("%d operations after they were taken out", n)
	}
	for _, q := range []string{"update observation set value=1", "delete from sheet", "update operation set doc=''", "update entry set note='x'"} {
		if _, err := s.db.Exec(q); err == nil || !strings.Contains(err.Error(), "only grows") {
			t.Errorf("%s: %v", q, err)
		}
	}
}

// TestVersionsAtTheBoundary: a record one version newer is refused, one without
// a version is not one of ours, and neither is written to.
func TestVersionsAtTheBoundary(t *testing.T) {
	for version, want := range map[int]error{len(migrations) + 1: ErrNewer, 0: ErrForeign} {
		s := newStore(t)
		if _, err := s.db.Exec(fmt.Sprint("pragma user_version = ", version)); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(s.Dir(), FileName)
		before, _ := os.ReadFile(path)
		if _, err := Open(s.Dir(), Options{}); !errors.Is(err, want) {
			t.Errorf("version %d: %v, want %v", version, err, want)
		}
		if after, _ := os.ReadFile(path); string(after) != string(before) {
			t.Errorf("version %d: the file was written to", version)
		}
	}
}

// TestUndoPlan: versions of the plan are taken back from the newest on; an
// older one is refused, since taking it back would change nothing.
func TestUndoPlan(t *testing.T) {
	s := newStore(t)
	before := snapshot(t, s)
	amend := func(name string) int64 {
		id, err := s.Write(ctx, "amend", name, func(tx *Tx) error {
			changed := before.Trial
			changed.Name = name
			return tx.SaveTrial(changed, before.Plots)
		})
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	undo := func(id int64) error {
		_, err := s.Write(ctx, "undo", "", func(tx *Tx) error { _, err := tx.UndoEntry(id); return err })
		return err
	}
	first, second := amend("first"), amend("second")
	if err := undo(first); !errors.Is(err, ErrPlanSince) || snapshot(t, s).Trial.Name != "second" {
		t.Errorf("an older plan was taken back: %v, the trial is %q", err, snapshot(t, s).Trial.Name)
	}
	for _, step := range []struct {
		id   int64
		name string
	}{{second, "first"}, {first, before.Trial.Name}} {
		if err := undo(step.id); err != nil || snapshot(t, s).Trial.Name != step.name {
			t.Errorf("after undo of %d: %v, the trial is %q, want %q", step.id, err, snapshot(t, s).Trial.Name, step.name)
		}
	}
}
