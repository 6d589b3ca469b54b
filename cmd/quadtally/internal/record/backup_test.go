package record

import (
	"database/sql"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func files(t *testing.T, dir string) string {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, f := range list {
		out = append(out, f.Name())
	}
	return strings.Join(out, " ")
}

// killed leaves a folder as a killed import leaves it: pages of an unfinished
// transaction in the record, and the journal that can undo it.
func killed(t *testing.T, early func(*Store)) (dir string, before string) {
	t.Helper()
	s := newStore(t)
	if early != nil {
		early(s)
	}
	store(t, s, SheetVersion{Kind: "yields", Name: "h.csv", Observations: harvest("2025-10-02", 5, 6)})
	before = yields(snapshot(t, s))
	dir = t.TempDir()
	_, err := s.Write(ctx, "test", "", func(tx *Tx) error {
		if _, err := tx.tx.Exec("pragma cache_size = 1"); err != nil {
			return err
		}
		for range 60 {
			if _, err := tx.add("insert into entry(at, author, command, note) values ('','','', ?)", strings.Repeat("x", 3000)); err != nil {
				return err
			}
		}
		for _, suffix := range []string{"", "-journal"} {
			if err := copyFile(filepath.Join(s.Dir(), FileName+suffix), filepath.Join(dir, FileName+suffix)); err != nil {
				return err
			}
		}
		return errors.New("killed")
	})
	if err == nil || err.Error() != "killed" {
		t.Fatal(err)
	}
	return dir, before
}

// TestOwnJournalIsRolledBack: a killed import leaves the record as it was
// before; reading alone writes nothing beside it.
func TestOwnJournalIsRolledBack(t *testing.T) {
	dir, before := killed(t, nil)
	was := files(t, dir)
	ro, err := Open(dir, Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	if got := yields(snapshot(t, ro)); got != before {
		t.Errorf("read alone: %s, want %s", got, before)
	}
	copied := ro.copied
	ro.Close()
	if _, err := os.Stat(copied); copied != "" && !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the copy that was read is left behind: %s", copied)
	}
	if now := files(t, dir); now != was {
		t.Errorf("reading left %s, was %s", now, was)
	}
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if got := yields(snapshot(t, s)); got != before || len(s.Notes()) != 0 {
		t.Errorf("%s, want %s; notes %v", got, before, s.Notes())
	}
	if err := s.Check(); err != nil {
		t.Error(err)
	}
}

// TestForeignJournalIsPutAside: a copy laid over the record while the journal
// of a killed import lies beside it, made in each way a copy can be made; and
// a write-ahead log from elsewhere.
func TestForeignJournalIsPutAside(t *testing.T) {
	for _, c := range []struct {
		name   string
		backup func(s *Store, to string) error
		suffix string

		otherRecord bool
	}{
		{"file copied", func(s *Store, to string) error { return copyFile(filepath.Join(s.Dir(), FileName), to) }, "-journal", false},
		{"file of another record", func(s *Store, to string) error { return copyFile(filepath.Join(s.Dir(), FileName), to) }, "-journal", true},
		{"backup", func(s *Store, to string) error { return s.Backup(ctx, to) }, "-journal", false},
		{"vacuum into", func(s *Store, to string) error { _, err := s.db.Exec("vacuum into ?", to); return err }, "-journal", false},
		{"write-ahead log", func(s *Store, to string) error { return s.Backup(ctx, to) }, "-wal", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			bak, want := filepath.Join(t.TempDir(), "bak.db"), ""
			early := func(s *Store) {
				store(t, s, SheetVersion{Kind: "yields", Name: "h.csv", Observations: harvest("2025-10-01", 1)})
				want = yields(snapshot(t, s))
				if err := c.backup(s, bak); err != nil {
					t.Fatal(err)
				}
			}
			var dir string
			if c.otherRecord {
				early(newStore(t))
				dir, _ = killed(t, nil)
			} else {
				dir, _ = killed(t, early)
			}
			path := filepath.Join(dir, FileName)
			if c.suffix == "-wal" {
				os.Remove(path + "-journal")
				foreignWAL(t, path+"-wal")
			}
			os.Remove(path)
			if err := copyFile(bak, path); err != nil {
				t.Fatal(err)
			}
			was := files(t, dir)
			ro, err := Open(dir, Options{ReadOnly: true})
			if err != nil {
				t.Fatal(err)
			}
			if got := yields(snapshot(t, ro)); got != want || len(ro.Notes()) == 0 {
				t.Errorf("read alone: %s, want %s; notes %v", got, want, ro.Notes())
			}
			ro.Close()
			if now := files(t, dir); now != was {
				t.Errorf("reading left %s, was %s", now, was)
			}
			w, err := Open(dir, Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer w.Close()
			if got := yields(snapshot(t, w)); got != want || len(w.Notes()) == 0 || w.Notes()[0].MovedTo == "" {
				t.Errorf("%s, want %s; notes %v", got, want, w.Notes())
			}
			if err := w.Check(); err != nil {
				t.Error(err)
			}
			if !strings.Contains(files(t, dir), c.suffix+".aside-1") {
				t.Errorf("the journal is not kept: %s", files(t, dir))
			}
		})
	}
}

// foreignWAL writes the write-ahead log of another database.
func foreignWAL(t *testing.T, to string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "other.db")
	db, err := sql.Open("sqlite3", fileURI(path, "_journal_mode=WAL"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec("create table t(x); insert into t values (1)"); err != nil {
		t.Fatal(err)
	}
	if err := copyFile(path+"-wal", to); err != nil {
		t.Fatal(err)
	}
}

func TestBackupAndRestore(t *testing.T) {
	s := newStore(t)
	store(t, s, SheetVersion{Kind: "yields", Name: "h.csv", Observations: harvest("2025-10-01", 1)})
	want := yields(snapshot(t, s))
	bak := filepath.Join(t.TempDir(), "bak.db")
	if err := s.Backup(ctx, bak); err != nil {
		t.Fatal(err)
	}
	if err := s.Backup(ctx, bak); !errors.Is(err, fs.ErrExist) {
		t.Errorf("over an existing file: %v", err)
	}
	if got := files(t, filepath.Dir(bak)); got != "bak.db" {
		t.Errorf("left %s", got)
	}
	nowhere := filepath.Join(t.TempDir(), "no folder", "bak.db")
	if err := s.Backup(ctx, nowhere); err == nil || !strings.HasPrefix(err.Error(), nowhere+" cannot be written: check that its folder is there") {
		t.Errorf("into a folder that is not there: %v", err)
	}
	dir, before := killed(t, nil)
	done, err := Restore(ctx, dir, bak, false)
	if err != nil {
		t.Fatal(err)
	}
	if done.Kept == "" {
		t.Errorf("%+v", done)
	}
	r, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if got := yields(snapshot(t, r)); got != want {
		t.Errorf("restored %s, want %s", got, want)
	}
	// What was replaced is whole: its own journal was rolled back first.
	old := t.TempDir()
	if err := copyFile(done.Kept, filepath.Join(old, FileName)); err != nil {
		t.Fatal(err)
	}
	o, err := Open(old, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer o.Close()
	if err := o.Check(); err != nil || yields(snapshot(t, o)) != before {
		t.Errorf("%v; kept %s, want %s", err, yields(snapshot(t, o)), before)
	}
	if _, err := Restore(ctx, t.TempDir(), bak, false); err != nil {
		t.Errorf("into an empty folder: %v", err)
	}
}

// TestRestoreRefuses: nothing that is not a whole record replaces one.
func TestRestoreRefuses(t *testing.T) {
	s := newStore(t)
	path := filepath.Join(s.Dir(), FileName)
	data, _ := os.ReadFile(path)
	for name, content := range map[string][]byte{
		"text": []byte("plot,count\n"), "empty": nil, "short": data[:len(data)-1], "half": data[:len(data)/2/4096*4096],
		"no version": func() []byte { d := append([]byte{}, data...); copy(d[60:], []byte{0, 0, 0, 0}); return d }(),
	} {
		from := filepath.Join(t.TempDir(), "x.db")
		os.WriteFile(from, content, 0o644)
		if _, err := Restore(ctx, s.Dir(), from, false); err == nil || !strings.Contains(err.Error(), "not a whole record") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := Restore(ctx, s.Dir(), path, false); err == nil {
		t.Error("the record over itself")
	}
	if _, err := Restore(ctx, s.Dir(), filepath.Join(t.TempDir(), "none"), false); err == nil || !strings.Contains(err.Error(), "no such file") {
		t.Errorf("no file: %v", err)
	}
	if now, _ := os.ReadFile(path); string(now) != string(data) {
		t.Error("the record was touched")
	}
	// While somebody writes, the record is not taken away.
	_, err := s.Write(ctx, "test", "", func(*Tx) error {
		bak := filepath.Join(t.TempDir(), "bak.db")
		os.WriteFile(bak, data, 0o644)
		_, err := Restore(ctx, s.Dir(), bak, false)
		return err
	})
	if err == nil || !strings.Contains(err.Error(), "another program is writing") {
		t.Errorf("while writing: %v", err)
	}
}

// TestDamageIsOneSentence: no raw words of SQLite or the system.
func TestDamageIsOneSentence(t *testing.T) {
	s := newStore(t)
	data, _ := os.ReadFile(filepath.Join(s.Dir(), FileName))
	foreign := filepath.Join(t.TempDir(), "other.db")
	db, _ := sql.Open("sqlite3", fileURI(foreign, "mode=rwc"))
	db.Exec("create table t(x)")
	db.Close()
	other, _ := os.ReadFile(foreign)
	for name, content := range map[string][]byte{
		"one byte short": data[:len(data)-1], "no database": []byte(strings.Repeat("junk ", 100)), "another database": other,
		"cut": data[:4096*3], "tiny": data[:50],
	} {
		dir := t.TempDir()
		os.WriteFile(filepath.Join(dir, FileName), content, 0o644)
		st, err := Open(dir, Options{})
		if err == nil {
			_, err = st.Snapshot(ctx)
			st.Close()
		}
		if err == nil {
			t.Errorf("%s: opened", name)
			continue
		}
		for _, raw := range []string{"sqlite", "SQL", "no such table", "malformed", "disk image", "errno", "\n", "(%!"} {
			if strings.Contains(err.Error(), raw) {
				t.Errorf("%s: %v", name, err)
			}
		}
		if got, _ := os.ReadFile(filepath.Join(dir, FileName)); string(got) != string(content) {
			t.Errorf("%s: the file was written to", name)
		}
	}
	file := filepath.Join(t.TempDir(), "plan.txt")
	os.WriteFile(file, []byte("x"), 0o644)
	if _, err := Open(file, Options{}); !errors.Is(err, ErrNoTrial) || !strings.Contains(err.Error(), "is a file") {
		t.Errorf("a file for a folder: %v", err)
	}
}

// TestCreateLeavesNothingHalf: whatever goes wrong, there is either a whole
// trial or none, and a stale journal of a removed record does not touch it.
func TestCreateLeavesNothingHalf(t *testing.T) {
	dir, _ := killed(t, nil)
	os.Remove(filepath.Join(dir, FileName))
	tr, plots := twoPlots()
	s, err := Create(dir, tr, plots, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Check(); err != nil || len(snapshot(t, s).Plots) != 2 {
		t.Errorf("beside a stale journal: %v", err)
	}
	s.Close()
	if got := files(t, dir); strings.Contains(got, ".new-record") {
		t.Errorf("left %s", got)
	}
	var exists ErrExists
	if err := CanCreate(dir); !errors.As(err, &exists) {
		t.Errorf("%v", err)
	}
	empty := t.TempDir()
	if _, err := Create(empty, tr, append(plots, plots[0]), Options{}); err == nil {
		t.Error("a plot twice")
	}
	if got := files(t, empty); got != "" {
		t.Errorf("a failed start left %s", got)
	}
}
