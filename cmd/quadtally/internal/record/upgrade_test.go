package record

import (
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// withMigrations lets the test run as a program that knows this list.
func withMigrations(t *testing.T, list []string) {
	t.Helper()
	was := migrations
	migrations = list
	t.Cleanup(func() { migrations = was })
}

// extra is a migration that a later program might bring.
const extra = `create table extra (id integer primary key, entry integer not null references entry(id));
	insert into extra(entry) select id from entry;`

// recordOf builds a record as the program that knew n versions of the schema
// left it, by the path that one took: the first version, then each later one.
func recordOf(t *testing.T, n int) string {
	t.Helper()
	dir := versionOne(t)
	db, err := sql.Open("sqlite3", fileURI(filepath.Join(dir, FileName), "mode=rw"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for v := 1; v < n; v++ {
		if _, err := db.Exec(migrations[v]); err != nil {
			t.Fatalf("version %d: %v", v+1, err)
		}
	}
	if _, err := db.Exec(fmt.Sprint("pragma user_version = ", n)); err != nil {
		t.Fatal(err)
	}
	return dir
}

// content is every row of the tables a record has.
func content(t *testing.T, path string) map[string][]string {
	t.Helper()
	db, err := sql.Open("sqlite3", fileURI(path, "mode=ro"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	names := column(t, db, "select name from sqlite_schema where type = 'table' and name not like 'sqlite_%' order by name")
	out := map[string][]string{}
	for _, name := range names {
		columns := column(t, db, fmt.Sprintf("select 'quote(' || name || ')' from pragma_table_info('%s')", name))
		out[name] = column(t, db, fmt.Sprintf("select %s from %s order by 1", strings.Join(columns, " || ' ' || "), name))
	}
	return out
}

func column(t *testing.T, db *sql.DB, query string) (out []string) {
	t.Helper()
	rows, err := db.Query(query)
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	defer rows.Close()
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

// TestUpgradeFromEveryVersion: whatever version a record has, it opens, a copy
// of it as it was stands beside it, and it then says what one of any other
// version says. One migration more than there are today is among them.
func TestUpgradeFromEveryVersion(t *testing.T) {
	withMigrations(t, append(migrations[:len(migrations):len(migrations)], extra))
	newest := len(migrations)
	var want map[string][]string
	for n := newest; n >= 1; n-- {
		dir := recordOf(t, n)
		path := filepath.Join(dir, FileName)
		before := content(t, path)
		s, err := Open(dir, Options{Author: "Ada", Clock: fixedClock})
		if err != nil {
			t.Fatalf("version %d: %v", n, err)
		}
		if snap := snapshot(t, s); len(snap.Observations) != 4 || len(snap.Operations) != 1 || snap.Trial.Name != "Alder Bend leeks" {
			t.Errorf("version %d: %+v", n, snap)
		}
		if err := s.Check(); err != nil {
			t.Errorf("version %d: %v", n, err)
		}
		s.Close()
		after := content(t, path)
		if want == nil {
			want = after
		} else if !reflect.DeepEqual(after, want) {
			t.Errorf("from version %d the record came to hold\n%v\nand not\n%v", n, after, want)
		}
		kept := filepath.Join(dir, fmt.Sprintf("%s.before-version-%d", FileName, newest))
		if _, err := os.Stat(kept); (err == nil) != (n < newest) {
			t.Errorf("version %d of %d: a copy kept before: %v", n, newest, err)
		} else if err == nil && !reflect.DeepEqual(content(t, kept), before) {
			t.Errorf("version %d: the copy kept before is not what was there", n)
		}
		again, err := Open(dir, Options{})
		if err != nil {
			t.Fatalf("version %d, opened again: %v", n, err)
		}
		again.Close()
	}
}

// TestOlderProgramLeavesNewerRecord: a program that knows one version less
// says so and writes nothing.
func TestOlderProgramLeavesNewerRecord(t *testing.T) {
	newer := append(migrations[:len(migrations):len(migrations)], extra)
	for older := 1; older < len(newer); older++ {
		dir := func() string {
			withMigrations(t, newer)
			return recordOf(t, older+1)
		}()
		withMigrations(t, newer[:older])
		path := filepath.Join(dir, FileName)
		before, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Open(dir, Options{}); !errors.Is(err, ErrNewer) || !strings.Contains(err.Error(), "update quadtally") {
			t.Errorf("version %d with a program of %d: %v", older+1, older, err)
		}
		if after, _ := os.ReadFile(path); string(after) != string(before) {
			t.Errorf("version %d with a program of %d: the file was written to", older+1, older)
		}
	}
}

// TestFailedUpgradeLeavesTheRecord: a migration that stops half way leaves the
// record as it was, for the program that wrote it.
func TestFailedUpgradeLeavesTheRecord(t *testing.T) {
	known := migrations
	dir := recordOf(t, len(known))
	path := filepath.Join(dir, FileName)
	before := content(t, path)
	withMigrations(t, append(known[:len(known):len(known)], extra+"insert into no_such_table values (1);"))
	if _, err := Open(dir, Options{}); err == nil {
		t.Error("a migration that cannot be was called done")
	}
	if after := content(t, path); !reflect.DeepEqual(after, before) {
		t.Errorf("the record changed:\n%v\n%v", after, before)
	}
	withMigrations(t, known)
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatalf("the older program again: %v", err)
	}
	s.Close()
}
