package record

import (
	"context"
	"database/sql"
	"slices"
)

// force says what of the record counts now: which entries were taken back and
// which version of each sheet is the newest.
type force struct {
	off     map[int64]int64 // entry taken back: the entry that did
	current map[int64]bool  // versions of sheets
	sheets  []Sheet         // every version, oldest first
}

// Sheet is one stored version of a sheet.
type Sheet struct {
	ID      int64  `json:"id"`
	Entry   int64  `json:"entry"`
	Kind    string `json:"kind"` // "counts", "yields", "field"
	Name    string `json:"name"`
	Digest  string `json:"digest,omitempty"` // SHA-256 of the file, hex
	Version int    `json:"version"`          // from 1, among those in force
	Current bool   `json:"current"`          // false: replaced, or taken back
}

func readForce(ctx context.Context, tx *sql.Tx) (force, error) {
	f := force{off: map[int64]int64{}, current: map[int64]bool{}}
	r := reader{ctx: ctx, tx: tx}
	// From the newest: whoever takes back is known to count before what it
	// takes back, which is always older.
	err := r.each("select entry, undoes from retraction order by entry desc", func(rows *sql.Rows) error {
		var by, of int64
		if err := rows.Scan(&by, &of); err != nil {
			return err
		}
		if f.counts(by) {
			f.off[of] = by
		}
		return nil
	})
	if err != nil {
		return f, err
	}
	type name struct{ kind, name string }
	newest, versions := map[name]int{}, map[name]int{}
	err = r.each("select id, entry, kind, name, doc from sheet order by id", func(rows *sql.Rows) error {
		var s Sheet
		var doc string
		if err := rows.Scan(&s.ID, &s.Entry, &s.Kind, &s.Name, &doc); err != nil {
			return err
		}
		var d sheetDoc
		if err := fromJSON(doc, &d); err != nil {
			return err
		}
		s.Digest = d.Digest
		if f.counts(s.Entry) {
			k := name{s.Kind, s.Name}
			versions[k]++
			s.Version = versions[k]
			newest[k] = len(f.sheets)
		}
		f.sheets = append(f.sheets, s)
		return nil
	})
	for _, i := range newest {
		f.sheets[i].Current = true
		f.current[f.sheets[i].ID] = true
	}
	return f, err
}

// sheetDoc is what a version of a sheet keeps beside its rows.
type sheetDoc struct {
	Digest string `json:"digest,omitempty"`
}

// counts reports an entry that was not taken back.
func (f *force) counts(entry int64) bool { _, off := f.off[entry]; return !off }

// inForce reports a row that counts: of an entry in force, and given one at a
// time or by the newest version of its sheet.
func (f *force) inForce(entry, sheet int64) bool {
	return f.counts(entry) && (sheet == 0 || f.current[sheet])
}

// inOrder brings observations into the order in which their values were first
// given: an unchanged row of a corrected sheet is not newer for the correction.
func inOrder(list []Observation) {
	slices.SortStableFunc(list, func(a, b Observation) int {
		switch {
		case a.firstID != b.firstID:
			return int(a.firstID - b.firstID)
		default:
			return int(a.ID - b.ID)
		}
	})
}

// inForce keeps the newest of each value, at the place of its first telling.
// It uses the list's own memory.
func inForce(list []Observation) []Observation {
	at := make(map[Key]int, len(list))
	newest := list[:0]
	for _, o := range list {
		k := o.Key()
		if i, ok := at[k]; ok {
			newest[i] = o
			continue
		}
		at[k] = len(newest)
		newest = append(newest, o)
	}
	return slices.DeleteFunc(newest, func(o Observation) bool { return o.Withdrawn })
}
