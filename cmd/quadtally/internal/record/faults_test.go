package record

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"quadtally/cmd/quadtally/internal/trial"
)

// TestNoWriteIsTakenForDone: whatever adds something tells the fault that keeps
// it from being stored, and one that looks first tells that it could not look.
func TestNoWriteIsTakenForDone(t *testing.T) {
	tr, plots := twoPlots()
	count := Observation{Plot: "101", Quadrat: 1, Visit: 1, Variable: VarCount, Class: "sedge", Value: 9, Unit: "plants", Source: "c.csv:2"}
	work := Operation{What: "hoeing", Source: "c.csv:3"}
	version := SheetVersion{Kind: "counts", Name: "counts.csv", Observations: []Observation{count}, Operations: []Operation{work}}
	for name, c := range map[string]struct {
		tables string
		do     func(tx *Tx, decision int64) error
	}{
		"plan":        {"trial plot", func(tx *Tx, _ int64) error { return tx.SaveTrial(tr, plots) }},
		"photo":       {"photo", func(tx *Tx, _ int64) error { return tx.AddPhoto(PhotoFacts{Hash: "bbbb2222", Path: "b.jpg"}) }},
		"sighting":    {"sighting", func(tx *Tx, _ int64) error { return tx.Saw(Sighting{Path: "a.jpg"}) }},
		"measurement": {"measurement", func(tx *Tx, _ int64) error { _, err := tx.AddMeasurement(Measurement{Hash: "aaaa1111"}); return err }},
		"result":      {"result", func(tx *Tx, _ int64) error { return tx.AddResult(1, Result{}) }},
		"decision":    {"decision", func(tx *Tx, _ int64) error { _, err := tx.Decide("visit:1", KindThreshold, Threshold{}); return err }},
		"undoing":     {"decision retraction sheet", func(tx *Tx, d int64) error { return tx.Undo(d) }},
		"observation": {"observation retraction sheet", func(tx *Tx, _ int64) error { _, _, err := tx.AddObservation(count, 0); return err }},
		"operation":   {"operation retraction sheet", func(tx *Tx, _ int64) error { _, err := tx.AddOperation(work); return err }},
		"sheet":       {"sheet observation operation retraction", func(tx *Tx, _ int64) error { _, err := tx.StoreSheet(version, 0); return err }},
		"sorting":     {"sorting", func(tx *Tx, _ int64) error { return tx.SaveSorting(1, "x", Sorting{}) }},
		"taking back": {"entry observation operation decision photo measurement trial retraction sheet", func(tx *Tx, _ int64) error { _, err := tx.UndoEntry(2); return err }},
	} {
		s, err := Open(filled(t), Options{})
		if err != nil {
			t.Fatal(err)
		}
		var decision int64
		for _, d := range snapshot(t, s).Decisions {
			if d.Kind == KindPlace {
				decision = d.ID
			}
		}
		for _, table := range strings.Fields(c.tables) {
			_, err := s.Write(ctx, "test", "", func(tx *Tx) error {
				if _, err := tx.tx.Exec("alter table " + table + " rename to lost"); err != nil {
					return err
				}
				if err := c.do(tx, decision); err != nil {
					return errLost
				}
				return nil
			})
			if !errors.Is(err, errLost) {
				t.Errorf("%s without the table %s: %v", name, table, err)
			}
		}
		s.Close()
	}
}

var errLost = errors.New("a table is lost")

// TestNoReadIsTakenForEmpty: a list that cannot be read is a fault and no empty
// list; so is one that nobody waits for any more.
func TestNoReadIsTakenForEmpty(t *testing.T) {
	dir := filled(t)
	o := Observation{Plot: "101", Quadrat: 1, Visit: 1, Variable: VarCount, Class: "grass"}
	for name, c := range map[string]struct {
		tables string
		read   func(ctx context.Context, s *Store) error
	}{
		"log":         {"entry observation operation decision photo measurement trial retraction sheet", func(ctx context.Context, s *Store) error { _, err := s.Log(ctx); return err }},
		"entries":     {"entry", func(ctx context.Context, s *Store) error { _, err := s.Entries(ctx); return err }},
		"sightings":   {"sighting", func(ctx context.Context, s *Store) error { _, err := s.Sightings(ctx); return err }},
		"curves":      {"measurement", func(ctx context.Context, s *Store) error { _, err := s.Curves(ctx, []int64{1}); return err }},
		"measurement": {"measurement", func(ctx context.Context, s *Store) error { _, err := s.Measurement(ctx, 1); return err }},
		"history":     {"observation retraction sheet", func(ctx context.Context, s *Store) error { _, err := s.History(ctx, o); return err }},
		"sheet": {"observation operation retraction sheet", func(ctx context.Context, s *Store) error {
			_, err := s.CompareSheet(ctx, SheetVersion{Kind: "counts", Name: "counts.csv"}, 0)
			return err
		}},
		"backup": {"", func(ctx context.Context, s *Store) error { return s.Backup(ctx, filepath.Join(t.TempDir(), "b.db")) }},
		"write": {"entry", func(ctx context.Context, s *Store) error {
			_, err := s.Write(ctx, "test", "", func(*Tx) error { return nil })
			return err
		}},
	} {
		for _, table := range strings.Fields(c.tables) {
			s, err := spoilt(t, dir, "alter table "+table+" rename to lost")
			if err != nil {
				t.Fatal(err)
			}
			if err := c.read(ctx, s); err == nil {
				t.Errorf("%s without the table %s", name, table)
			}
			s.Close()
		}
		s, err := Open(dir, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := c.read(ctx, s); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		ended, stop := context.WithCancel(ctx)
		stop()
		if err := c.read(ended, s); err == nil {
			t.Errorf("%s: nobody waits for it, and it ended well", name)
		}
		s.Close()
	}
}

// TestWhatIsReadApart: curves of the measurings asked for, a measuring with all
// it holds, and every entry with who, what and when.
func TestWhatIsReadApart(t *testing.T) {
	s, err := Open(filled(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	id := snapshot(t, s).Photos[0].MeasurementID
	m, err := s.Measurement(ctx, id)
	if err != nil || m.ID != id || m.Hash != "aaaa1111" || m.Fingerprint != "f" || string(m.Doc) != `{"a":1}` || m.Curve[0] != 1 || m.Plane[0] != 2 || m.Looks[0] != 3 {
		t.Errorf("%+v %v", m, err)
	}
	if _, err := s.Measurement(ctx, id+99); err == nil {
		t.Error("a measuring that is not there")
	}
	if got, err := s.Curves(ctx, []int64{id, id + 99}); err != nil || len(got) != 1 || got[id][0] != 1 {
		t.Errorf("%v %v", got, err)
	}
	if got, err := s.Curves(ctx, nil); err != nil || len(got) != 0 {
		t.Errorf("unasked: %v %v", got, err)
	}
	list, err := s.Entries(ctx)
	if err != nil || len(list) < 5 || list[0].ID != 1 || list[0].Command != "new" || list[0].Author != "Ada" || !list[0].At.Equal(fixedClock()) {
		t.Errorf("%+v %v", list, err)
	}
	snap := snapshot(t, s)
	if got := fmt.Sprint(snap.Used()); got != fmt.Sprint(trial.Used{Quadrats: 1, PhotosAt: map[int]int{1: 1}, ValuesAt: map[int]int{1: 1}}) {
		t.Errorf("used: %s", got)
	}
	// Photos are found by six characters of their content or more.
	for text, want := range map[string]bool{"aaaa1111": true, "aaaa11": true, "aaaa1": false, "bbbb11": false, strings.Repeat("a", 64): false} {
		if _, ok := snap.Photo(text); ok != want {
			t.Errorf("photo %q: %v", text, ok)
		}
	}
	if _, ok := snap.Decision(PhotoSubject("aaaa1111"), KindReject); ok {
		t.Error("a decision that was taken back is in force")
	}
	if d, ok := snap.Decision(PhotoSubject("aaaa1111"), KindPlant); !ok || d.Kind != KindPlant {
		t.Errorf("%+v %v", d, ok)
	}
	if p, ok := snap.Plot("999"); ok || p.ID != "" {
		t.Errorf("%+v", p)
	}
	byHand := &Snapshot{Plots: []trial.Plot{{ID: "7"}}}
	if p, ok := byHand.Plot("7"); !ok || p.ID != "7" {
		t.Errorf("%+v", p)
	}
	if _, ok := byHand.Plot("8"); ok {
		t.Error("a plot that is not there")
	}
	twins := &Snapshot{Photos: []Photo{{PhotoFacts: PhotoFacts{Hash: "abcdef1"}}, {PhotoFacts: PhotoFacts{Hash: "abcdef2"}}}}
	if _, ok := twins.Photo("abcdef"); ok {
		t.Error("one of two photos was chosen")
	}
}

// journalOf writes a rollback journal: number of records, size of the file in
// pages before it, sector and page size, then records of page number and page
// (sqlite.org/fileformat2.html, section 3).
func journalOf(records int32, pages, sector, page int, list ...[]byte) []byte {
	out := make([]byte, sector)
	copy(out, journalMagic)
	binary.BigEndian.PutUint32(out[8:], uint32(records))
	binary.BigEndian.PutUint32(out[16:], uint32(pages))
	binary.BigEndian.PutUint32(out[20:], uint32(sector))
	binary.BigEndian.PutUint32(out[24:], uint32(page))
	for _, r := range list {
		out = append(out, r...)
		out = append(out, make([]byte, 4)...) // checksum
	}
	return out
}

// TestWhoseJournal: a journal belongs to the file beside it where the first page
// that it keeps is that of the file, or of the write before it; everything else
// is not rolled in.
func TestWhoseJournal(t *testing.T) {
	s := newStore(t)
	file, err := os.ReadFile(filepath.Join(s.Dir(), FileName))
	if err != nil {
		t.Fatal(err)
	}
	const page = 4096
	pages := len(file) / page
	record := func(number uint32, change func(first []byte)) []byte {
		first := append([]byte(nil), file[:page]...)
		if change != nil {
			change(first)
		}
		return append(binary.BigEndian.AppendUint32(nil, number), first...)
	}
	counter := func(by int) func([]byte) {
		return func(b []byte) {
			n := binary.BigEndian.Uint32(b[changeCounterAt:])
			binary.BigEndian.PutUint32(b[changeCounterAt:], uint32(int(n)+by))
		}
	}
	other := func(b []byte) { counter(-1)(b); b[markAt]++ }
	for name, c := range map[string]struct {
		journal []byte
		own     bool
	}{
		"none":                          {nil, true},
		"begun and not used":            {make([]byte, 512), true},
		"too short":                     {journalMagic, true},
		"the same first page":           {journalOf(1, pages, 512, page, record(1, nil)), true},
		"the page before the write":     {journalOf(1, pages, 512, page, record(1, counter(-1))), true},
		"the page of two writes before": {journalOf(1, pages, 512, page, record(1, counter(-2))), false},
		"the page of a later write":     {journalOf(1, pages, 512, page, record(1, counter(1))), false},
		"another file's first page":     {journalOf(1, pages, 512, page, record(1, other)), false},
		"first page after another":      {journalOf(2, pages, 512, page, record(2, nil), record(1, counter(-1))), true},
		"foreign page after another":    {journalOf(2, pages, 512, page, record(2, nil), record(1, other)), false},
		"as many records as there are":  {journalOf(-1, pages, 512, page, record(2, nil), record(1, other)), false},
		"and the file's own":            {journalOf(-1, pages, 512, page, record(2, nil), record(1, nil)), true},
		"other page size":               {journalOf(1, pages, 512, 1024, record(1, nil)), false},
		"file shorter than before":      {journalOf(1, pages+1, 512, page, record(1, nil)), false},
		"file longer than before":       {journalOf(1, pages-1, 512, page, record(1, counter(-1))), true},
		"sector shorter than a header":  {append(journalOf(1, pages, 28, page, record(1, nil))[:20], append([]byte{0, 0, 0, 27}, make([]byte, 5000)...)...), false},
		"sector of a header":            {journalOf(1, pages, 28, page, record(1, nil)), true},
		"no record, size as before":     {journalOf(0, pages, 512, page), true},
		"no record, another size":       {journalOf(0, pages-1, 512, page), false},
		"no first page among records":   {journalOf(1, pages, 512, page, record(2, nil)), false},
		"a record cut off":              {journalOf(2, pages, 512, page, record(2, nil)), true},
		"a first page cut off":          {journalOf(1, pages, 512, page, record(1, nil)[:40]), true},
	} {
		dir := t.TempDir()
		path := filepath.Join(dir, FileName)
		os.WriteFile(path, file, 0o644)
		if c.journal != nil {
			os.WriteFile(path+"-journal", c.journal, 0o644)
		}
		if own, err := ownJournal(path, file[:headerBytes]); err != nil || own != c.own {
			t.Errorf("%s: own %v, %v", name, own, err)
		}
		foreign, err := foreignJournals(path)
		if err != nil || (len(foreign) == 0) != c.own {
			t.Errorf("%s: foreign %v, %v", name, foreign, err)
		}
	}
	// A record of the first version keeps no first page in its journal; its size
	// in pages is all that can be held against it.
	for old, own := range map[int]bool{pages: true, pages - 1: false} {
		first := append([]byte(nil), file...)
		binary.BigEndian.PutUint32(first[userVersionAt:], 1)
		binary.BigEndian.PutUint32(first[fileSizeAt:], uint32(old))
		path := filepath.Join(t.TempDir(), FileName)
		os.WriteFile(path, first, 0o644)
		os.WriteFile(path+"-journal", journalOf(1, pages, 512, page, record(2, nil)), 0o644)
		if got, err := ownJournal(path, first[:headerBytes]); err != nil || got != own {
			t.Errorf("version 1, %d of %d pages: own %v, %v", old, pages, got, err)
		}
	}
}

// TestHeaderOfTheFile: the size of a page, and files that are no whole record.
func TestHeaderOfTheFile(t *testing.T) {
	header := func(size uint16) []byte {
		h := make([]byte, 65536)
		copy(h, sqliteMagic)
		binary.BigEndian.PutUint16(h[pageSizeAt:], size)
		return h
	}
	for size, want := range map[uint16]int64{1: 65536, 512: 512, 4096: 4096} {
		if got := pageSize(header(size)); got != want {
			t.Errorf("%d: %d", size, got)
		}
	}
	for name, c := range map[string]struct {
		b    []byte
		want string
	}{
		"whole, of large pages": {header(1), ""},
		"whole, of small pages": {header(512)[:1024], ""},
		"pages too small":       {header(256)[:1024], "middle of a page"},
		"a page cut":            {header(512)[:1000], "middle of a page"},
		"header cut":            {header(512)[:99], "damaged or not a quadtally record"},
		"another file":          {append([]byte("plot"), header(512)[4:1024]...), "damaged or not a quadtally record"},
	} {
		path := filepath.Join(t.TempDir(), FileName)
		os.WriteFile(path, c.b, 0o644)
		err := checkHeader(path, int64(len(c.b)))
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := checkHeader(filepath.Join(t.TempDir(), "none"), 0); err == nil {
		t.Error("no file at all")
	}
}

// TestPutAside: each file gets the first free name, and no file none.
func TestPutAside(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x")
	for n := 1; n <= 3; n++ {
		os.WriteFile(path, []byte{byte(n)}, 0o644)
		to, err := aside(path)
		if b, _ := os.ReadFile(to); err != nil || to != fmt.Sprintf("%s.aside-%d", path, n) || len(b) != 1 || int(b[0]) != n {
			t.Errorf("%d: %s %v", n, to, err)
		}
	}
	if to, err := aside(path); to != "" || err != nil {
		t.Errorf("nothing there: %q %v", to, err)
	}
}

// TestBackupsOfOtherTrials: a backup of another trial is asked about, of the same
// trial or into a folder without one it is not; each record that stood there
// keeps a name of its own, and a folder or a file with a journal is no backup.
func TestBackupsOfOtherTrials(t *testing.T) {
	create := func(name, author string) (*Store, string) {
		tr, plots := twoPlots()
		tr.Name = name
		s, err := Create(t.TempDir(), tr, plots, Options{Author: author, Clock: fixedClock})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { s.Close() })
		bak := filepath.Join(t.TempDir(), "b.db")
		if err := s.Backup(ctx, bak); err != nil {
			t.Fatal(err)
		}
		return s, bak
	}
	s, own := create("east", "Ada")
	_, other := create("west", "Ada")
	_, namesake := create("east", "Ben")
	var another ErrOtherTrial
	if _, err := Restore(ctx, s.Dir(), other, false); !errors.As(err, &another) || !strings.Contains(err.Error(), `of another trial, "west", than the record here, "east"`) {
		t.Errorf("%v", err)
	}
	if _, err := Restore(ctx, s.Dir(), namesake, false); !errors.As(err, &another) || !strings.Contains(err.Error(), `both are called "east"`) {
		t.Errorf("%v", err)
	}
	for n := 1; n <= 2; n++ {
		done, err := Restore(ctx, s.Dir(), own, false)
		if err != nil || done.Kept != fmt.Sprintf("%s.replaced-%d", filepath.Join(s.Dir(), FileName), n) || len(done.Aside) != 0 {
			t.Errorf("its own: %+v %v", done, err)
		}
	}
	// A name is taken where a journal of it stands.
	os.WriteFile(filepath.Join(s.Dir(), FileName+".replaced-3-journal"), nil, 0o644)
	os.WriteFile(filepath.Join(s.Dir(), FileName+".replaced-4-wal"), nil, 0o644)
	done, err := Restore(ctx, s.Dir(), other, true)
	if err != nil || !strings.HasSuffix(done.Kept, ".replaced-5") {
		t.Errorf("agreed: %+v %v", done, err)
	}
	foreignWAL(t, filepath.Join(s.Dir(), FileName+"-wal"))
	done, err = Restore(ctx, s.Dir(), own, true)
	if err != nil || len(done.Aside) != 1 || done.Aside[0] != done.Kept+"-wal" {
		t.Errorf("with the log of another file: %+v %v", done, err)
	}
	if done, err := Restore(ctx, filepath.Join(t.TempDir(), "new", "folder"), own, false); err != nil || done.Kept != "" {
		t.Errorf("into a new folder: %+v %v", done, err)
	}
	if _, err := Restore(ctx, s.Dir(), t.TempDir(), false); err == nil || !strings.Contains(err.Error(), "is not a file") {
		t.Errorf("a folder: %v", err)
	}
	for _, suffix := range []string{"-journal", "-wal"} {
		os.WriteFile(own+suffix, []byte("x"), 0o644)
		if _, err := Restore(ctx, s.Dir(), own, true); err == nil || !strings.Contains(err.Error(), "(b.db"+suffix+")") {
			t.Errorf("%s: %v", suffix, err)
		}
		os.Remove(own + suffix)
	}
	if err := s.Backup(ctx, filepath.Join(t.TempDir(), "no", "such", "folder.db")); err == nil {
		t.Error("a backup into no folder")
	}
}

// TestOrderOfTellings: values stand in the order in which they were first told;
// rows of one telling in their own.
func TestOrderOfTellings(t *testing.T) {
	list := []Observation{{ID: 9, firstID: 9}, {ID: 8, firstID: 2}, {ID: 3, firstID: 2}, {ID: 5, firstID: 5}}
	inOrder(list)
	var got []int64
	for _, o := range list {
		got = append(got, o.ID)
	}
	if fmt.Sprint(got) != "[3 8 5 9]" {
		t.Errorf("%v", got)
	}
}

// TestValuesThatAreNoNumber: what is no number is refused, a value that is
// missing needs none.
func TestValuesThatAreNoNumber(t *testing.T) {
	s := newStore(t)
	for name, c := range map[string]struct {
		o    Observation
		want bool
	}{
		"no number": {Observation{Plot: "101", Variable: "x", Value: math.NaN()}, false},
		"endless":   {Observation{Plot: "101", Variable: "x", Value: math.Inf(-1)}, false},
		"missing":   {Observation{Plot: "101", Variable: "x", Missing: true}, true},
		"a number":  {Observation{Plot: "101", Variable: "x", Value: 3}, true},
	} {
		_, err := s.Write(ctx, "test", "", func(tx *Tx) error { _, _, err := tx.AddObservation(c.o, 0); return err })
		if (err == nil) != c.want {
			t.Errorf("%s: %v", name, err)
		}
	}
}
