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
	"syscall"
	"time"

	sqlite3 "github.com/mattn/go-sqlite3"

	"quadtally/cmd/quadtally/internal/trial"
)

// FileName is the record's file inside a trial folder.
const FileName = "trial-record.db"

//go:embed schema.sql
var schema1 string

//go:embed schema-3.sql
var schema3 string

//go:embed schema-4.sql
var schema4 string

//go:embed schema-5.sql
var schema5 string

// migrations carry an older record forward, one step a version; they are
// never edited once released.
var migrations = []string{schema1, typedReasons, schema3, schema4, schema5}

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
	notes    []Note
	copied   string // folder of the copy that is read in place of the record; "" where there is none
}

// Note is something that was found beside the record as it was opened.
type Note struct {
	Journal string // a journal that belongs to another file
	MovedTo string // "" where it was left where it is and passed over
}

func (n Note) String() string {
	if n.MovedTo == "" {
		return fmt.Sprintf("%s is the journal of another file and was passed over", n.Journal)
	}
	return fmt.Sprintf("%s is the journal of another file and was put aside as %s", n.Journal, n.MovedTo)
}

// Notes says what was found beside the record as it was opened.
func (s *Store) Notes() []Note { return s.notes }

// Options says who writes and what time it is.
type Options struct {
	Author   string
	Clock    func() time.Time // nil: time.Now
	ReadOnly bool
	// Wait is how long to wait for another process that is writing; 0 means 20 s.
	Wait time.Duration
}

// Create starts a record in dir, which must not hold one yet, with the plan
// and its plots as the first entry. The record is built under another name and
// given its own when it is complete: an interrupted Create leaves no trial.
func Create(dir string, t trial.Trial, plots []trial.Plot, opt Options) (*Store, error) {
	if err := CanCreate(dir); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, userError(err)
	}
	half, err := os.MkdirTemp(dir, ".new-record-*")
	if err != nil {
		return nil, userError(err)
	}
	defer os.RemoveAll(half)
	s, err := open(half, opt, true)
	if err != nil {
		return nil, err
	}
	_, err = s.Write(context.Background(), "new", "", func(tx *Tx) error { return tx.SaveTrial(t, plots) })
	if err := errors.Join(err, s.Close()); err != nil {
		return nil, userError(err)
	}
	path := filepath.Join(dir, FileName)
	for _, suffix := range []string{"-journal", "-wal", "-shm"} { // of a record that was removed
		if _, err := aside(path + suffix); err != nil {
			return nil, userError(err)
		}
	}
	if err := moveNew(filepath.Join(half, FileName), path); err != nil {
		if errors.Is(err, fs.ErrExist) {
			return nil, ErrExists{dir}
		}
		return nil, userError(err)
	}
	return Open(dir, opt)
}

// ErrExists means that the folder holds a trial already.
type ErrExists struct{ Dir string }

func (e ErrExists) Error() string {
	return fmt.Sprintf("%s already holds a trial: choose another folder, or change its plan with `quadtally amend`", e.Dir)
}

// CanCreate tells, without writing anything, whether a trial may be started in
// dir: [ErrExists] where it holds one.
func CanCreate(dir string) error {
	switch _, err := os.Lstat(filepath.Join(dir, FileName)); {
	case err == nil:
		return ErrExists{dir}
	case errors.Is(err, fs.ErrNotExist):
		return nil
	default:
		return userError(err)
	}
}

// moveNew gives a complete file its name; fs.ErrExist where that is taken.
func moveNew(from, to string) error {
	err := os.Link(from, to)
	if err == nil || errors.Is(err, fs.ErrExist) {
		if err == nil {
			os.Remove(from)
		}
		return err
	}
	if _, err := os.Lstat(to); err == nil { // a file system without hard links
		return fs.ErrExist
	}
	return os.Rename(from, to)
}

// Open opens the record in dir. A folder that cannot be written to is opened
// for reading alone. A journal beside the record that is not its own is put
// aside first; Notes says so.
func Open(dir string, opt Options) (*Store, error) {
	path := filepath.Join(dir, FileName)
	info, err := os.Stat(path)
	var notDir *fs.PathError
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%w: %s has no %s; start one with `quadtally new`, or name the folder with --trial", ErrNoTrial, dir, FileName)
	case errors.As(err, &notDir) && errors.Is(err, syscall.ENOTDIR):
		return nil, fmt.Errorf("%w: %s is a file; name the folder that holds the trial with --trial", ErrNoTrial, dir)
	case err != nil:
		return nil, userError(err)
	case info.Size() == 0:
		return nil, fmt.Errorf("%s is empty: bring back a copy with `quadtally restore`", path)
	}
	if err := checkHeader(path, info.Size()); err != nil {
		return nil, err
	}
	if !opt.ReadOnly && !writable(path) {
		opt.ReadOnly = true
	}
	foreign, err := foreignJournals(path)
	if err != nil {
		return nil, userError(err)
	}
	if opt.ReadOnly {
		return openForReading(dir, opt, foreign)
	}
	var notes []Note
	for _, f := range foreign {
		to, err := aside(f)
		if err != nil {
			return nil, userError(err)
		}
		notes = append(notes, Note{Journal: f, MovedTo: to})
	}
	s, err := open(dir, opt, false)
	if err != nil {
		return nil, err
	}
	s.notes = notes
	return s, nil
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
		return nil, userError(err)
	}
	dsn := func() string { return fileURI(abs, q.Encode()) }
	db, err := sql.Open("sqlite3", dsn())
	if err != nil {
		return nil, userError(err)
	}
	q.Set("_txlock", "deferred")
	reads, err := sql.Open("sqlite3", dsn())
	if err != nil {
		db.Close()
		return nil, userError(err)
	}
	s := &Store{db: db, reads: reads, dir: dir, readOnly: opt.ReadOnly, author: opt.Author, clock: opt.Clock}
	if err := s.migrate(create); err != nil {
		s.Close()
		return nil, userError(err)
	}
	return s, nil
}

// errOlder means that a record has to be brought up to date before it can be
// read.
var errOlder = errors.New("the record was written by an older quadtally and must be brought up to date, but the folder is read-only: copy it to a folder you can write to")

// ErrForeign means that the file is a database, but not a record of quadtally.
var ErrForeign = errors.New(FileName + " is not a record of quadtally, or its beginning is damaged: bring back a copy with `quadtally restore`")

// migrate brings the schema to the newest version, keeping a copy of the
// older file beside it first. Only a record that is being created may have no
// version yet.
func (s *Store) migrate(create bool) error {
	var have int
	if err := s.db.QueryRow("pragma user_version").Scan(&have); err != nil {
		return err
	}
	switch {
	case have > len(migrations):
		return ErrNewer
	case have <= 0 && !create:
		return ErrForeign
	case have == len(migrations):
		return nil
	case s.readOnly:
		return errOlder
	}
	if have > 0 {
		err := s.Backup(context.Background(), filepath.Join(s.dir, fmt.Sprintf("%s.before-version-%d", FileName, len(migrations))))
		if err != nil && !errors.Is(err, fs.ErrExist) { // an earlier, interrupted update already kept it
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
	if have > len(migrations) { // a newer program was quicker by a moment
		return ErrNewer
	}
	for v := have; v < len(migrations); v++ {
		if _, err := tx.Exec(migrations[v]); err != nil {
			return fmt.Errorf("the record could not be brought to version %d: bring back the copy that was kept beside it: %w", v+1, err)
		}
	}
	if err := setMark(context.Background(), tx); err != nil {
		return err
	}
	if _, err := tx.Exec("pragma user_version = " + strconv.Itoa(len(migrations))); err != nil {
		return err
	}
	return tx.Commit()
}

// Close closes the record.
func (s *Store) Close() error {
	err := errors.Join(s.reads.Close(), s.db.Close())
	if s.copied != "" {
		err = errors.Join(err, os.RemoveAll(s.copied))
	}
	return err
}

// Dir is the trial's folder.
func (s *Store) Dir() string { return s.dir }

// ReadOnly reports whether the folder could not be written to.
func (s *Store) ReadOnly() bool { return s.readOnly }

// Check runs SQLite's own integrity check.
func (s *Store) Check() error {
	var word string
	if err := s.db.QueryRow("pragma integrity_check").Scan(&word); err != nil {
		return userError(err)
	}
	if word != "ok" {
		return fmt.Errorf("the record is damaged (%s): bring back a copy with `quadtally restore`", word)
	}
	return nil
}

// Write runs f inside one transaction under a new entry. Either everything f
// adds is in the record, or nothing. It returns the entry's number.
func (s *Store) Write(ctx context.Context, command, note string, f func(*Tx) error) (int64, error) {
	return s.WriteAs(ctx, EntryOther, command, note, f)
}

// WriteAs is Write for an entry of a kind.
func (s *Store) WriteAs(ctx context.Context, kind EntryKind, command, note string, f func(*Tx) error) (int64, error) {
	if s.readOnly {
		return 0, fmt.Errorf("%s cannot be written to: nothing was stored; copy the trial folder to where you may write", s.dir)
	}
	if _, err := os.Stat(filepath.Join(s.dir, FileName)); err != nil {
		return 0, fmt.Errorf("the trial folder %s is gone (unplugged or renamed?): nothing was stored; bring it back and run the command again", s.dir)
	}
	tx, err := s.db.BeginTx(ctx, nil)
	if err != nil {
		return 0, userError(err)
	}
	defer tx.Rollback()
	// The first page goes into the journal before any other, so that a journal
	// left behind can be held against the file it lies beside (ownJournal).
	if _, err := tx.ExecContext(ctx, "pragma user_version = "+strconv.Itoa(len(migrations))); err != nil {
		return 0, userError(err)
	}
	at := s.clock().UTC()
	res, err := tx.ExecContext(ctx, "insert into entry(at, author, command, note, kind) values (?,?,?,?,?)",
		at.Format(time.RFC3339), s.author, command, note, kind)
	if err != nil {
		return 0, userError(err)
	}
	id, err := res.LastInsertId()
	if err != nil {
		return 0, userError(err)
	}
	w := &Tx{tx: tx, ctx: ctx, entry: id, at: at, author: s.author}
	if err := f(w); err != nil {
		return 0, userError(err)
	}
	if err := tx.Commit(); err != nil {
		return 0, userError(err)
	}
	return id, nil
}

// fault is a plain sentence that keeps the error it stands for.
type fault struct {
	text string
	err  error
}

func (f fault) Error() string { return f.text }
func (f fault) Unwrap() error { return f.err }

// userError turns what SQLite and the system say into a sentence with a way out.
func userError(err error) error {
	if err == nil {
		return nil
	}
	var done fault
	if errors.As(err, &done) {
		return err
	}
	var se sqlite3.Error
	if errors.As(err, &se) {
		switch se.Code {
		case sqlite3.ErrFull:
			return fault{"the disk is full: nothing of this step was stored; free some space and run the command again", err}
		case sqlite3.ErrBusy, sqlite3.ErrLocked:
			return fault{"another program is writing to this trial: wait for it to end and run the command again", err}
		case sqlite3.ErrNotADB, sqlite3.ErrCorrupt:
			return fault{FileName + " is damaged or not a quadtally record: bring back a copy with `quadtally restore`", err}
		case sqlite3.ErrReadonly, sqlite3.ErrPerm, sqlite3.ErrAuth:
			return fault{"the trial folder cannot be written to: copy it to where you may write", err}
		case sqlite3.ErrIoErr, sqlite3.ErrCantOpen:
			return fault{"the trial folder cannot be reached or has no room left: nothing of this step was stored; bring it back and run the command again", err}
		case sqlite3.ErrInterrupt:
			return context.Canceled
		default:
			return fault{FileName + " does not hold what a record of quadtally holds: bring back a copy with `quadtally restore`", err}
		}
	}
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return fault{"the disk is full: nothing of this step was stored; free some space and run the command again", err}
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return fault{"the trial folder cannot be written to: copy it to where you may write", err}
	case errors.Is(err, io.ErrUnexpectedEOF):
		return fault{"the record ended early: bring back a copy with `quadtally restore`", err}
	}
	return err
}

// fileURI names a file to SQLite with its options (sqlite.org/uri.html).
func fileURI(path, options string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	return (&url.URL{Scheme: "file", Path: path, RawQuery: options}).String()
}

func itoa(n int) string { return strconv.Itoa(n) }

func fromJSON(doc string, v any) error { return json.Unmarshal([]byte(doc), v) }

func toJSON(v any) (string, error) {
	b, err := json.Marshal(v)
	return string(b), err
}
