package record

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

// TestPhotoState goes through everything that can keep a photo out of
// comparisons, alone and together: the first of the list that holds decides.
func TestPhotoState(t *testing.T) {
	spoil := []struct {
		state PhotoState
		why   string
		do    func(*Photo)
	}{
		{PhotoSetAside, "boot in the frame", func(p *Photo) { p.Rejected = "boot in the frame" }},
		{PhotoUnread, "cut short", func(p *Photo) { p.Fault, p.FaultCode = "cut short", FaultPhoto }},
		{PhotoUnmeasured, "not measured yet: run `quadtally photos` again", func(p *Photo) { p.Result = nil }},
		{PhotoAwaitsPlace, "two cards", func(p *Photo) { p.Place.State, p.Place.Reason = PlaceProposed, "two cards" }},
		{PhotoSpare, "sharper one", func(p *Photo) { p.Place.Spare = "sharper one" }},
	}
	sound := func() *Photo {
		return &Photo{MeasurementID: 1, Result: &Result{}, Place: Place{State: PlaceKnown}}
	}
	if p := sound(); p.State() != PhotoInUse || !p.InUse() || p.Why() != "" {
		t.Errorf("a sound photo is %v: %q", p.State(), p.Why())
	}
	for set := 1; set < 1<<len(spoil); set++ {
		p, first := sound(), -1
		for i, s := range spoil {
			if set&(1<<i) != 0 {
				s.do(p)
				if first < 0 {
					first = i
				}
			}
		}
		if want := spoil[first]; p.State() != want.state || p.Why() != want.why || p.InUse() {
			t.Errorf("with %05b spoilt: %v %q, want %v %q", set, p.State(), p.Why(), want.state, want.why)
		}
	}
	for _, c := range []struct {
		say string
		do  func(*Photo)
		why string
	}{
		{"no measurement", func(p *Photo) { p.MeasurementID, p.Result = 0, nil }, "not measured yet: run `quadtally photos` again"},
		{"an open place without a reason", func(p *Photo) { p.Place = Place{State: PlaceOpen} }, "where it belongs is not known"},
	} {
		p := sound()
		if c.do(p); p.InUse() || p.Why() != c.why {
			t.Errorf("%s: %v %q", c.say, p.State(), p.Why())
		}
	}
	if int(photoStates) != len(spoil)+1 {
		t.Errorf("%d states, %d tried", photoStates, len(spoil)+1)
	}
}

func TestTransient(t *testing.T) {
	for code, want := range map[FaultCode]bool{"": false, FaultPhoto: false, FaultCrashed: true, FaultTimeout: true} {
		if code.Transient() != want {
			t.Errorf("%q: %v", code, !want)
		}
	}
}

// TestSameEndAddsNothing: a measuring that ended like the newest one is not
// stored again, however its sentence is worded; one that ended otherwise is.
func TestSameEndAddsNothing(t *testing.T) {
	s := newStore(t)
	first := addPhoto(t, s, "h1", Measurement{Fingerprint: "f", Fault: "crashed", FaultCode: FaultCrashed}, nil)
	for _, c := range []struct {
		say   string
		m     Measurement
		added bool
	}{
		{"worded anew", Measurement{Fingerprint: "f", Fault: "broke the reader", FaultCode: FaultCrashed}, false},
		{"another end", Measurement{Fingerprint: "f", Fault: "broke the reader", FaultCode: FaultTimeout}, true},
		{"no code means the photo", Measurement{Fingerprint: "f", Fault: "cut short"}, true},
		{"the photo, with its code", Measurement{Fingerprint: "f", Fault: "is cut short", FaultCode: FaultPhoto}, false},
		{"measured", Measurement{Fingerprint: "f"}, true},
		{"measured again", Measurement{Fingerprint: "f"}, false},
		{"another guide", Measurement{Fingerprint: "f", Guide: "{}"}, true},
		{"other settings", Measurement{Fingerprint: "g", Guide: "{}"}, true},
	} {
		c.m.Hash = "h1"
		var id int64
		write(t, s, func(tx *Tx) (err error) { id, err = tx.AddMeasurement(c.m); return err })
		if (id != first) != c.added {
			t.Errorf("%s: added %v, want %v", c.say, id != first, c.added)
		}
		first = id
	}
	if p, _ := snapshot(t, s).Photo("h1"); p.FaultCode != "" || p.Fingerprint != "g" {
		t.Errorf("%+v", p)
	}
}

// TestOlderRecordIsBroughtForward builds a record of the first version, whose
// reasons were sentences alone, and opens it.
func TestOlderRecordIsBroughtForward(t *testing.T) {
	dir := t.TempDir()
	db, err := sql.Open("sqlite3", filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	faults := []struct {
		text string
		code FaultCode
	}{
		{"", ""},
		{"the photo stopped the program that read it: it is probably damaged; open it on the phone and copy it again", FaultCrashed},
		{"reading the photo took too long: it is probably damaged; open it on the phone and copy it again", FaultTimeout},
		{"the file is cut short", FaultPhoto},
	}
	entries := []struct {
		command, note string
		kind          EntryKind
	}{
		{"new", "", EntryOther}, {"photos", "folder", EntryOther}, {"photos", "settings", EntryHand}, {"merge", "settings", EntryHand},
		{"photos", "measured", EntryDerived}, {"photos", "identified", EntryDerived}, {"photos", "settled", EntryDerived},
		{"settle", "measured", EntryHand}, {"review", "settled", EntryHand}, {"counts", "settled", EntryOther},
	}
	script := []string{schema1, "pragma user_version = 1", `insert into trial(entry, doc) values (1, '{}')`}
	for _, e := range entries {
		script = append(script, fmt.Sprintf("insert into entry(at, author, command, note) values ('2025-06-14T09:00:00Z', 'x', '%s', '%s')", e.command, e.note))
	}
	for i, f := range faults {
		script = append(script, fmt.Sprintf("insert into photo(hash, entry, path, doc) values ('h%d', 2, 'p', '{}')", i),
			fmt.Sprintf("insert into measurement(entry, hash, fingerprint, fault, doc) values (5, 'h%d', 'f', '%s', '{}')", i, f.text))
	}
	for _, line := range script {
		if _, err := db.Exec(line); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
	}
	db.Close()
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	snap := snapshot(t, s)
	for i, f := range faults {
		if p, ok := snap.Photo(fmt.Sprintf("h%d", i)); !ok || p.FaultCode != f.code || p.Fault != f.text {
			t.Errorf("%q has the code %q, want %q", f.text, p.FaultCode, f.code)
		}
	}
	list, err := s.Entries(context.Background())
	if err != nil || len(list) != len(entries) {
		t.Fatal(len(list), err)
	}
	for i, e := range entries {
		if list[i].Kind != e.kind {
			t.Errorf("%s %s is %q, want %q", e.command, e.note, list[i].Kind, e.kind)
		}
	}
	for _, change := range []string{"update measurement set fault = ''", "update entry set kind = ''"} {
		if _, err := s.db.Exec(change); err == nil {
			t.Errorf("after it was brought forward, the record let %q pass", change)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, fmt.Sprintf("%s.before-version-%d", FileName, len(migrations)))); err != nil {
		t.Errorf("the older record was not kept: %v", err)
	}
}
