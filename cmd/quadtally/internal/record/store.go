// Package record keeps everything that is known of one trial in one SQLite
// file inside the trial's folder. Rows are only added; the newest of a kind
// wins and the older ones stay as history. It is the only place that speaks
// SQL.
//
// The rollback journal is used, not the write-ahead log: a trial folder often
// lies on a network share or in a synced folder, where the shared memory that
// a write-ahead log needs is not to be trusted (sqlite.org/wal.html).
package record

import (
	"context"
	"database/sql"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	sqlite3 "github.com/mattn/go-sqlite3"

	"quadtally/cmd/quadtally/internal/trial"
)

// FileName is the record's file inside a trial folder.
const FileName = "trial-record.db"

//go:embed schema.sql
var schema string

// migrations carry an older record forward, one step a version; they are
// never edited once released.
var migrations = []string{schema}

// ErrNoTrial means the folder holds no record.
var ErrNoTrial = errors.New("no trial here")

// ErrNewer means the record was written by a newer quadtally.
var ErrNewer = errors.New("the record was written by a newer version of quadtally: update quadtally on this machine")

// SQLiteVersion is the version of SQLite in use, such as 3.46.1.
func SQLiteVersion() string {
	v, _, _ := sqlite3.Version()
	return v
}

// Store is an open record. It is safe for use by several goroutines, and
// several processes may have the same file open.
type Store struct {
	db       *sql.DB // takes the write lock as a transaction begins
	reads    *sql.DB // never takes it
	dir      string
	readOnly bool
	author   string
	clock    func() time.Time
}

// Options says who writes and what time it is.
type Options struct {
	Author   string
	Clock    func() time.Time // nil: time.Now
	ReadOnly bool
	// Wait is how long to wait for another process that is writing; 0 means 20 s.
	Wait time.Duration
}

// Create starts a record in dir, which must not hold one yet, with the plan
// and its plots as the first entry.
func Create(dir string, t trial.Trial, plots []trial.Plot, opt Options) (*Store, error) {
	path := filepath.Join(dir, FileName)
	if _, err := os.Stat(path); err == nil {
		return nil, fmt.Errorf("%s already holds a trial: choose another folder", dir)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, plain(err)
	}
	s, err := open(dir, opt, true)
	if err != nil {
		return nil, err
	}
	_, err = s.Write(context.Background(), "new", "", func(tx *Tx) error { return tx.SaveTrial(t, plots) })
	if err != nil {
		s.Close()
		os.Remove(path)
		return nil, err
	}
	return s, nil
}

// Open opens the record in dir. A folder that cannot be written to is opened
// for reading alone.
func Open(dir string, opt Options) (*Store, error) {
	path := filepath.Join(dir, FileName)
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%w: %s has no %s; start one with `quadtally new`, or name the folder with --trial", ErrNoTrial, dir, FileName)
	}
	if err != nil {
		return nil, plain(err)
	}
	if info.Size() == 0 {
		return nil, fmt.Errorf("%s is empty: restore it from a backup", path)
	}
	if !writable(path) {
		opt.ReadOnly = true
	}
	return open(dir, opt, false)
}

// writable tries both the file and its folder: SQLite needs to place its
// journal beside the record.
func writable(path string) bool {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return false
	}
	f.Close()
	probe, err := os.CreateTemp(filepath.Dir(path), ".can-write-*")
	if err != nil {
		return false
	}
	probe.Close()
	os.Remove(probe.Name())
	return true
}

func open(dir string, opt Options, create bool) (*Store, error) {
	if opt.Clock == nil {
		opt.Clock = time.Now
	}
	if opt.Wait == 0 {
		opt.Wait = 20 * time.Second
	}
	if strings.TrimSpace(opt.Author) == "" {
		opt.Author = "not stated"
	}
	q := url.Values{}
	q.Set("_foreign_keys", "on")
	q.Set("_journal_mode", "DELETE")
	q.Set("_synchronous", "FULL")
	q.Set("_busy_timeout", strconv.Itoa(int(opt.Wait.Milliseconds())))
	q.Set("_txlock", "immediate")
	switch {
	case opt.ReadOnly:
		q.Set("mode", "ro")
		q.Del("_journal_mode")
		q.Set("_txlock", "deferred")
	case create:
		q.Set("mode", "rwc")
	default:
		q.Set("mode", "rw")
	}
	abs, err := filepath.Abs(filepath.Join(dir, FileName))
	if err != nil {
		return nil, plain(err)
	}
	dsn := func() string { return (&url.URL{Scheme: "file", Path: abs, RawQuery: q.Encode()}).String() }
	db, err := sql.Open("sqlite3", dsn())
	if err != nil {
		return nil, plain(err)
	}
	q.Set("_txlock", "deferred")
	reads, err := sql.Open("sqlite3", dsn())
	if err != nil {
		db.Close()
		return nil, plain(err)
	}
	s := &Store{db: db, reads: reads, dir: dir, readOnly: opt.ReadOnly, author: opt.Author, clock: opt.Clock}
	if err := s.migrate(); err != nil {
		s.Close()
		return nil, plain(err)
	}
	return s, nil
}

// migrate brings the schema to the newest version, keeping a copy of the
// older file beside it first.
func (s *Store) migrate() error {
	var have int
	if err := s.db.QueryRow("pragma user_version").Scan(&have); err != nil {
		return err
	}
	if have > len(migrations) {
		return ErrNewer
	}
	if have == len(migrations) {
		return nil
	}
	if s.readOnly {
		return errors.New("the record needs to be brought up to date but the folder is read-only: copy it to a folder you can write to")
	}
	if have > 0 {
		if err := s.Backup(filepath.Join(s.dir, fmt.Sprintf("%s.before-version-%d", FileName, len(migrations)))); err != nil {
			return err
		}
	}
	tx, err := s.db.Begin() // immediate: two openers do not migrate at once
	if err != nil {
		return err
	}
	defer tx.Rollback()
	if err := tx.QueryRow("pragma user_version").Scan(&have); err != nil {
		return err
	}
	for v := have; v < len(migrations); v++ {
		if _, err := tx.Exec(migrations[v]); err != nil {
			return fmt.Errorf("bringing the record to version %d: %w", v+1, err)
		}
	}
	if _, err := tx.Exec("pragma user_version = " + strconv.Itoa(len(migrations))); err != nil {
		return err
	}
	return tx.Commit()
}

// Close closes the record.
func (s *Store) Close() error { return errors.Join(s.reads.Close(), s.db.Close()) }

// Dir is the trial's folder.
func (s *Store) Dir() string { return s.dir }

// ReadOnly reports whether the folder could not be written to.
func (s *Store) ReadOnly() bool { return s.readOnly }

// Backup writes a consistent copy of the record to path, which must not exist.
func (s *Store) Backup(path string) error {
	if _, err := os.Stat(path); err == nil {
		return nil // an earlier, interrupted update already kept it
	}
	_, err := s.db.Exec("vacuum into ?", path)
	return plain(err)
}

// Check runs SQLite's own integrity check.
func (s *Store) Check() error {
	var word string
	if err := s.db.QueryRow("pragma integrity_check").Scan(&word); err != nil {
		return plain(err)
	}
	if word != "ok" {
		return fmt.Errorf("the record is damaged (%s): restore it from a backup", word)
	}
	return nil
}

// Write runs f inside one transaction under a new entry. Either everything f
// adds is in the record, or nothing. It returns the entry's number.
func (s *Store) Write(ctx context.Context, command, note string, f func(*Tx) error) (int64, error) {
	if s.readOnly {
		return 0, fmt.Errorf("%s cannot be written to: nothing was stored; copy the trial folder to where you may write", s.dir)
	}
	if _, err := os.Stat(filepath.Join(s.dir, FileName)); err != nil {
		return 0, fmt.Errorf("the trial folder %s is gone (unplugged or renamed?): nothing was stored; bring it back and run the command again", s.dir)
	}
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return 0, plain(err)
	}
	defer tx.Rollback()
	at := s.clock().UTC()
	res, err := tx.ExecContext(ctx, "insert into entry(at, author, command, note) values (?,?,?,?)",
		at.Format(time.RFC3339), s.author, command, note)
	if err != nil {
		return 0, plain(err)
	}
	id, err := res.LastInsertId()
	if err != nil {
		return 0, plain(err)
	}
	w := &Tx{tx: tx, ctx: ctx, entry: id, at: at, author: s.author}
	if err := f(w); err != nil {
		return 0, plain(err)
	}
	if err := tx.Commit(); err != nil {
		return 0, plain(err)
	}
	return id, nil
}

// plain turns what SQLite and the system say into a sentence with a way out.
func plain(err error) error {
	if err == nil {
		return nil
	}
	var se sqlite3.Error
	if errors.As(err, &se) {
		switch se.Code {
		case sqlite3.ErrFull:
			return fmt.Errorf("the disk is full: nothing of this step was stored; free some space and run the command again (%w)", err)
		case sqlite3.ErrBusy, sqlite3.ErrLocked:
			return fmt.Errorf("another program is writing to this trial: wait for it to end and run the command again (%w)", err)
		case sqlite3.ErrNotADB, sqlite3.ErrCorrupt:
			return fmt.Errorf("%s is damaged or not a quadtally record: restore it from a backup (%w)", FileName, err)
		case sqlite3.ErrReadonly, sqlite3.ErrPerm:
			return fmt.Errorf("the trial folder cannot be written to: copy it to where you may write (%w)", err)
		case sqlite3.ErrIoErr, sqlite3.ErrCantOpen:
			return fmt.Errorf("the trial folder cannot be reached or has no room left: nothing of this step was stored; bring it back and run the command again (%w)", err)
		}
	}
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return fmt.Errorf("the record ended early: restore it from a backup (%w)", err)
	}
	return err
}

func itoa(n int) string { return strconv.Itoa(n) }

func toJSON(v any) (string, error) {
	b, err := json.Marshal(v)
	return string(b), err
}
