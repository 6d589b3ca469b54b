package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"

	sqlite3 "github.com/mattn/go-sqlite3"
)

// Backup writes a complete copy of the record to path with SQLite's own
// online backup, while others may go on working. fs.ErrExist where something
// stands there already: a backup replaces nothing. The copy is checked before
// it gets its name.
func (s *Store) Backup(ctx context.Context, path string) error {
	if _, err := os.Lstat(path); err == nil {
		return fault{fmt.Sprintf("%s exists already: a backup replaces nothing, choose another name", path), fs.ErrExist}
	}
	half, err := os.MkdirTemp(filepath.Dir(path), ".half-backup-*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: check that its folder is there and may be written to (%w)", path, err)
	}
	defer os.RemoveAll(half)
	tmp := filepath.Join(half, filepath.Base(path))
	if err := backup(ctx, s.reads, tmp); err != nil {
		return userError(err)
	}
	if err := checkCopy(ctx, tmp); err != nil {
		return err
	}
	if err := syncFile(tmp); err != nil {
		return userError(err)
	}
	return userError(moveNew(tmp, path))
}

// setMark gives a file a number of its own in its header, by which its journal
// is told from that of another file. A backup gets a new one.
func setMark(ctx context.Context, db interface {
	ExecContext(context.Context, string, ...any) (sql.Result, error)
}) error {
	_, err := db.ExecContext(ctx, fmt.Sprint("pragma application_id = ", rand.Int32N(math.MaxInt32-1)+1))
	return err
}

// backup copies a whole database (sqlite.org/backup.html).
func backup(ctx context.Context, from *sql.DB, path string) error {
	to, err := sql.Open("sqlite3", fileURI(path, "mode=rwc&_journal_mode=DELETE&_synchronous=FULL"))
	if err != nil {
		return err
	}
	defer to.Close()
	dst, err := to.Conn(ctx)
	if err != nil {
		return err
	}
	defer dst.Close()
	src, err := from.Conn(ctx)
	if err != nil {
		return err
	}
	defer src.Close()
	err = dst.Raw(func(d any) error {
		return src.Raw(func(s any) error {
			b, err := d.(*sqlite3.SQLiteConn).Backup("main", s.(*sqlite3.SQLiteConn), "main")
			if err != nil {
				return err
			}
			for done := false; !done && err == nil; {
				if err = ctx.Err(); err == nil {
					done, err = b.Step(1024) // pages: about 4 MB between looks at ctx
				}
			}
			return errors.Join(err, b.Finish())
		})
	})
	if err != nil {
		return err
	}
	return setMark(ctx, dst)
}

// checkCopy refuses a file that is not a whole record of this or an older
// version. The file is opened for reading alone.
func checkCopy(ctx context.Context, path string) error {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fault{fmt.Sprintf("%s: there is no such file: check the spelling", path), err}
	case err != nil:
		return userError(err)
	case !info.Mode().IsRegular():
		return fmt.Errorf("%s is not a file: name the file that `quadtally backup` wrote", path)
	}
	damaged := func(err error) error {
		return fault{fmt.Sprintf("%s is not a whole record of quadtally: name the file that `quadtally backup` wrote", path), err}
	}
	h, err := readAt(path, 0, headerBytes)
	if err != nil {
		return userError(err)
	}
	if len(h) < headerBytes || string(h[:len(sqliteMagic)]) != string(sqliteMagic) || info.Size()%max(512, pageSize(h)) != 0 {
		return damaged(nil)
	}
	for _, suffix := range []string{"-journal", "-wal"} {
		if _, err := os.Lstat(path + suffix); err == nil {
			return fmt.Errorf("%s has an unfinished journal beside it (%s), so it is no backup: open it once with quadtally in a folder of its own, as %s, then use `quadtally backup`", path, filepath.Base(path+suffix), FileName)
		}
	}
	db, err := sql.Open("sqlite3", fileURI(path, "mode=ro&immutable=1"))
	if err != nil {
		return damaged(err)
	}
	defer db.Close()
	var word string
	var version, trials int
	if err := db.QueryRowContext(ctx, "pragma integrity_check(1)").Scan(&word); err != nil || word != "ok" {
		return damaged(err)
	}
	if err := db.QueryRowContext(ctx, "pragma user_version").Scan(&version); err != nil {
		return damaged(err)
	}
	if version > len(migrations) {
		return ErrNewer
	}
	if err := db.QueryRowContext(ctx, "select count(*) from trial").Scan(&trials); err != nil || trials == 0 || version < 1 {
		return damaged(err)
	}
	return nil
}

// Restored says what Restore did.
type Restored struct {
	Kept  string   // where the record that stood here before is now; "" where there was none
	Aside []string // journals that lay beside it and went with it
}

// Restore puts a backup into dir as its record. The record that stood there is
// kept under another name, with its journal, so that SQLite can still finish
// what was interrupted in it; neither is ever rolled into the other. Nobody may
// be working on the trial meanwhile. A record of another trial is refused with
// [ErrOtherTrial] unless agreed.
func Restore(ctx context.Context, dir, from string, agreed bool) (Restored, error) {
	var done Restored
	if err := checkCopy(ctx, from); err != nil {
		return done, err
	}
	path := filepath.Join(dir, FileName)
	if stands, ok := originOf(ctx, path); ok && !agreed {
		if comes, ok := originOf(ctx, from); ok && comes != stands {
			return done, ErrOtherTrial{From: from, Is: comes.name, Stands: stands.name}
		}
	}
	if a, err := os.Stat(from); err == nil {
		if b, err := os.Stat(path); err == nil && os.SameFile(a, b) {
			return done, fmt.Errorf("%s is the record itself: name the file that `quadtally backup` wrote", from)
		}
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return done, userError(err)
	}
	half, err := os.MkdirTemp(dir, ".half-restored-*")
	if err != nil {
		return done, userError(err)
	}
	defer os.RemoveAll(half)
	tmp := filepath.Join(half, FileName)
	if err := copyFile(from, tmp); err != nil {
		return done, userError(err)
	}
	if err := checkCopy(ctx, tmp); err != nil {
		return done, err
	}
	if err := lockedBySomeone(ctx, path); err != nil {
		return done, err
	}
	kept := ""
	for n := 1; kept == ""; n++ {
		name := fmt.Sprintf("%s.replaced-%d", path, n)
		if free(name) && free(name+"-journal") && free(name+"-wal") {
			kept = name
		}
	}
	// The journal goes first: a record without it can be looked at again, a new
	// record beside it could be destroyed.
	for _, suffix := range []string{"-journal", "-wal", "-shm", ""} {
		if free(path + suffix) {
			continue
		}
		if err := os.Rename(path+suffix, kept+suffix); err != nil {
			return done, userError(err)
		}
		if suffix == "" {
			done.Kept = kept
		} else {
			done.Aside = append(done.Aside, kept+suffix)
		}
	}
	if err := moveNew(tmp, path); err != nil {
		return done, userError(err)
	}
	return done, nil
}

// ErrOtherTrial means that a backup is of another trial than the record it
// would take the place of.
type ErrOtherTrial struct{ From, Is, Stands string }

func (e ErrOtherTrial) Error() string {
	what := fmt.Sprintf("of another trial, %q, than the record here, %q", e.Is, e.Stands)
	if e.Is == e.Stands {
		what = fmt.Sprintf("of another trial than the record here, though both are called %q", e.Is)
	}
	return fmt.Sprintf("%s is %s: name the right folder with --trial, or say --agreed if it is meant", e.From, what)
}

// origin is how a trial began, which all copies of its record share.
type origin struct{ at, author, doc, name string }

// originOf reads how the trial of a record began, from its file alone: what a
// journal beside it holds does not matter for this and is left there. ok is
// false where it cannot be read.
func originOf(ctx context.Context, path string) (o origin, ok bool) {
	if free(path) {
		return o, false
	}
	db, err := sql.Open("sqlite3", fileURI(path, "mode=ro&immutable=1"))
	if err != nil {
		return o, false
	}
	defer db.Close()
	err = db.QueryRowContext(ctx, "select e.at, e.author, t.doc from trial t join entry e on e.id = t.entry order by t.id limit 1").Scan(&o.at, &o.author, &o.doc)
	var named struct{ Name string }
	if err == nil {
		err = json.Unmarshal([]byte(o.doc), &named)
	}
	o.name = named.Name
	return o, err == nil
}

// lockedBySomeone refuses to take a record away from a program that is writing
// to it.
func lockedBySomeone(ctx context.Context, path string) error {
	if free(path) {
		return nil
	}
	db, err := sql.Open("sqlite3", fileURI(path, "mode=rw&_txlock=exclusive&_busy_timeout=2000&immutable=0"))
	if err != nil {
		return nil
	}
	defer db.Close()
	h, err := readAt(path, 0, headerBytes)
	if err != nil || len(h) < headerBytes {
		return nil
	}
	if foreign, err := foreignJournals(path); err != nil || len(foreign) > 0 {
		return nil // asking SQLite for the lock would roll them in
	}
	tx, err := db.BeginTx(ctx, nil)
	if err == nil {
		return tx.Rollback()
	}
	var se sqlite3.Error
	if errors.As(err, &se) && (se.Code == sqlite3.ErrBusy || se.Code == sqlite3.ErrLocked) {
		return userError(err)
	}
	return nil // damaged: all the more reason to replace it
}

func free(path string) bool {
	_, err := os.Lstat(path)
	return errors.Is(err, fs.ErrNotExist)
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
