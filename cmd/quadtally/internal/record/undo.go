package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// LogEntry is one entry with what it stored and whether it counts.
type LogEntry struct {
	Entry
	Sheets       []Sheet  `json:"sheets,omitempty"`
	Observations int      `json:"observations,omitempty"`
	Operations   int      `json:"operations,omitempty"`
	Decisions    int      `json:"decisions,omitempty"`
	Subjects     []string `json:"subjects,omitempty"` // what the decisions are about
	Photos       int      `json:"photos,omitempty"`
	Measured     int      `json:"measured,omitempty"`
	Plan         bool     `json:"plan,omitempty"`      // holds a version of the plan
	Undoes       int64    `json:"undoes,omitempty"`    // the entry it takes back
	UndoneBy     int64    `json:"undone_by,omitempty"` // the entry that took it back; 0 where it counts
	// Replaced says that nothing it stored is in force, though it was not taken
	// back: something newer stands in its place.
	Replaced bool `json:"replaced,omitempty"`
	// Refusal says why it cannot be taken back; nil where it can.
	Refusal error `json:"-"`
}

// Reasons why an entry cannot be taken back.
var (
	ErrNoEntry = errors.New("there is no such entry: `quadtally undo` lists them")
	ErrStart   = errors.New("this entry starts the trial: what was planned can be amended, not taken back")
	ErrDerived = errors.New("the program worked this out from photos and from what people said: take that back, or run `quadtally photos` again")
	ErrOnlyRaw = errors.New("this entry took in photos, which stay in the record: set aside those that should not count")
	// ErrPlanSince: a version of the plan holds all its keys, so that taking an
	// older one back would change nothing.
	ErrPlanSince = errors.New("the plan was amended again since: take the newer entry back first, or amend the key")
)

// ErrUndone means that the entry was taken back before.
type ErrUndone struct{ By int64 }

func (e ErrUndone) Error() string {
	return fmt.Sprintf("it was taken back already, by entry %d: take that entry back to bring it into force again", e.By)
}

// Log lists the record's entries, newest first.
func (s *Store) Log(ctx context.Context) ([]LogEntry, error) {
	tx, err := s.reads.BeginTx(ctx, nil)
	if err != nil {
		return nil, userError(err)
	}
	defer tx.Rollback()
	list, err := readLog(ctx, tx)
	return list, userError(err)
}

func readLog(ctx context.Context, tx *sql.Tx) ([]LogEntry, error) {
	f, err := readForce(ctx, tx)
	if err != nil {
		return nil, err
	}
	r := reader{ctx: ctx, tx: tx, force: f}
	var out []LogEntry
	at := map[int64]int{}
	err = r.each("select id, at, author, command, note, kind from entry order by id", func(rows *sql.Rows) error {
		var e LogEntry
		var when string
		if err := rows.Scan(&e.ID, &when, &e.Author, &e.Command, &e.Note, &e.Kind); err != nil {
			return err
		}
		e.At, _ = time.Parse(time.RFC3339, when)
		e.UndoneBy = f.off[e.ID]
		at[e.ID] = len(out)
		out = append(out, e)
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, c := range []struct {
		table string
		count func(*LogEntry) *int
	}{
		{"observation", func(e *LogEntry) *int { return &e.Observations }},
		{"operation", func(e *LogEntry) *int { return &e.Operations }},
		{"decision", func(e *LogEntry) *int { return &e.Decisions }},
		{"photo", func(e *LogEntry) *int { return &e.Photos }},
		{"measurement", func(e *LogEntry) *int { return &e.Measured }},
	} {
		err := r.each("select entry, count(*) from "+c.table+" group by entry", func(rows *sql.Rows) error {
			var entry int64
			var n int
			if err := rows.Scan(&entry, &n); err != nil {
				return err
			}
			*c.count(&out[at[entry]]) = n
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	err = r.each("select distinct entry, subject from decision order by entry, subject", func(rows *sql.Rows) error {
		var entry int64
		var subject string
		err := rows.Scan(&entry, &subject)
		out[at[entry]].Subjects = append(out[at[entry]].Subjects, subject)
		return err
	})
	if err != nil {
		return nil, err
	}
	var start int64
	err = r.each("select distinct entry from trial order by entry", func(rows *sql.Rows) error {
		var entry int64
		err := rows.Scan(&entry)
		if start == 0 {
			start = entry
		}
		out[at[entry]].Plan = true
		return err
	})
	if err != nil {
		return nil, err
	}
	for _, sh := range f.sheets {
		if sh.Entry != start {
			out[at[sh.Entry]].Sheets = append(out[at[sh.Entry]].Sheets, sh)
		}
	}
	err = r.each("select entry, undoes from retraction", func(rows *sql.Rows) error {
		var entry, undoes int64
		err := rows.Scan(&entry, &undoes)
		out[at[entry]].Undoes = undoes
		return err
	})
	if err != nil {
		return nil, err
	}
	if err := r.findReplaced(out, at); err != nil {
		return nil, err
	}
	for i := range out {
		out[i].Refusal = out[i].refusal(start)
	}
	slices.Reverse(out)
	return out, nil
}

// findReplaced marks entries nothing of which is in force.
func (r reader) findReplaced(out []LogEntry, at map[int64]int) error {
	live := map[int64]bool{}
	all, err := r.heldObservations("")
	if err != nil {
		return err
	}
	for _, o := range inForce(all) {
		live[o.GivenBy()] = true
	}
	err = r.each("select entry, coalesce(sheet, 0) from operation", func(rows *sql.Rows) error {
		var entry, sheet int64
		if err := rows.Scan(&entry, &sheet); err != nil {
			return err
		}
		live[entry] = live[entry] || r.inForce(entry, sheet)
		return nil
	})
	if err != nil {
		return err
	}
	undone := map[int64]bool{}
	var said []Decision
	err = r.each("select id, entry, subject, kind, coalesce(undoes, 0) from decision order by id", func(rows *sql.Rows) error {
		var d Decision
		if err := rows.Scan(&d.ID, &d.Entry, &d.Subject, &d.Kind, &d.Undoes); err != nil {
			return err
		}
		switch {
		case !r.counts(d.Entry):
		case d.Undoes != 0:
			undone[d.Undoes] = true
			live[d.Entry] = true
		default:
			said = append(said, d)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, d := range said {
		live[d.Entry] = live[d.Entry] || !undone[d.ID]
	}
	var newestPlan int64
	for _, e := range out {
		if e.Plan && e.UndoneBy == 0 {
			newestPlan = e.ID
		}
	}
	for _, sh := range r.sheets {
		live[sh.Entry] = live[sh.Entry] || sh.Current
	}
	for i := range out {
		e := &out[i]
		said := e.Observations+e.Operations+e.Decisions > 0 || len(e.Sheets) > 0 || e.Plan
		e.Replaced = said && e.UndoneBy == 0 && e.Undoes == 0 && !live[e.ID] && e.ID != newestPlan
	}
	return nil
}

func (e *LogEntry) refusal(start int64) error {
	switch {
	case e.ID == start:
		return ErrStart
	case e.UndoneBy != 0:
		return ErrUndone{e.UndoneBy}
	case e.Kind == EntryDerived:
		return ErrDerived
	case e.Observations+e.Operations+e.Decisions == 0 && len(e.Sheets) == 0 && !e.Plan && e.Undoes == 0:
		return ErrOnlyRaw
	}
	return nil
}

// UndoEntry takes an entry back: nothing it stored counts any more, and what
// held before it holds again. Decisions that the program drew from it since go
// with it. An undo is an entry like any other and can be taken back itself.
// The errors are [ErrNoEntry], [ErrStart], [ErrDerived], [ErrOnlyRaw],
// [ErrPlanSince] and [ErrUndone].
func (w *Tx) UndoEntry(id int64) (LogEntry, error) {
	list, err := readLog(w.ctx, w.tx)
	if err != nil {
		return LogEntry{}, err
	}
	i := slices.IndexFunc(list, func(e LogEntry) bool { return e.ID == id })
	if i < 0 || id == w.entry {
		return LogEntry{}, fmt.Errorf("entry %d: %w", id, ErrNoEntry)
	}
	if list[i].Refusal != nil {
		return list[i], fmt.Errorf("entry %d: %w", id, list[i].Refusal)
	}
	if list[i].Plan && list[i].Replaced {
		return list[i], fmt.Errorf("entry %d: %w", id, ErrPlanSince)
	}
	drawn, err := w.drawnFrom(id)
	if err != nil {
		return list[i], err
	}
	for _, d := range drawn {
		if err := w.Undo(d); err != nil {
			return list[i], err
		}
	}
	_, err = w.add("insert into retraction(entry, undoes) values (?,?)", w.entry, id)
	w.force, w.operations = nil, nil
	return list[i], err
}

// drawnFrom lists the decisions that the program drew from those of an entry:
// on the same matter, up to the next word of a person on it.
func (w *Tx) drawnFrom(entry int64) ([]int64, error) {
	r, err := w.reader()
	if err != nil {
		return nil, err
	}
	type matter struct{ subject, kind string }
	following := map[matter]bool{}
	undone := map[int64]bool{}
	var out []int64
	err = r.each(`select d.id, d.entry, d.subject, d.kind, coalesce(d.undoes, 0), e.kind = 'derived'
		from decision d join entry e on e.id = d.entry where d.entry >= ? order by d.id`, func(rows *sql.Rows) error {
		var id, by, undoes int64
		var m matter
		var derived bool
		if err := rows.Scan(&id, &by, &m.subject, &m.kind, &undoes, &derived); err != nil {
			return err
		}
		switch {
		case !r.counts(by):
		case undoes != 0:
			undone[undoes] = true
		case by == entry:
			following[m] = true
		case following[m] && derived:
			out = append(out, id)
		default:
			following[m] = false
		}
		return nil
	}, entry)
	return slices.DeleteFunc(out, func(id int64) bool { return undone[id] }), err
}

// Said puts into one line what an entry stored, for a list: "counts june.csv
// (60 values)". It is for reading only.
func (e *LogEntry) Said() string {
	var parts []string
	n := func(n int, one, many string) {
		if n == 1 {
			parts = append(parts, "1 "+one)
		} else if n > 1 {
			parts = append(parts, fmt.Sprintf("%d %s", n, many))
		}
	}
	for _, s := range e.Sheets {
		parts = append(parts, s.Kind+" sheet "+s.Name)
	}
	n(e.Observations, "value", "values")
	n(e.Operations, "operation", "operations")
	n(e.Decisions, "decision", "decisions")
	n(e.Photos, "photo", "photos")
	n(e.Measured, "measurement", "measurements")
	if e.Plan {
		parts = append(parts, "the plan")
	}
	if e.Undoes != 0 {
		parts = append(parts, fmt.Sprintf("took back entry %d", e.Undoes))
	}
	return strings.Join(parts, ", ")
}
