package record

import (
	"context"
	"fmt"
	"slices"
)

// SheetVersion is a sheet as it is to be stored: everything it gives.
type SheetVersion struct {
	Kind   string // "counts", "yields", "field"
	Name   string // what the sheet is known by from version to version
	Digest string // SHA-256 of the file, hex
	// Partial says that some rows of the sheet could not be read. Such a sheet
	// may add and correct values but not withdraw any.
	Partial      bool
	Observations []Observation
	Operations   []Operation
}

// Change is one value before and after.
type Change struct {
	Was Observation `json:"was"`
	Now Observation `json:"now"`
}

// OperationChange is one operation before and after.
type OperationChange struct {
	Was Operation `json:"was"`
	Now Operation `json:"now"`
}

// SheetDiff is what storing a version of a sheet does, or would do.
type SheetDiff struct {
	Kind    string `json:"kind"`
	Name    string `json:"name"`
	Version int    `json:"version"` // the new one's number, from 1

	Unchanged int           `json:"unchanged"`
	New       []Observation `json:"new"`
	Changed   []Change      `json:"changed"`   // same thing, another value
	Moved     []Change      `json:"moved"`     // same row, said of another plot, quadrat, date, visit or pick
	Withdrawn []Observation `json:"withdrawn"` // no longer in the sheet

	OperationsUnchanged int               `json:"operations_unchanged"`
	NewOperations       []Operation       `json:"new_operations"`
	ChangedOperations   []OperationChange `json:"changed_operations"`
	WithdrawnOperations []Operation       `json:"withdrawn_operations"`

	// Against are values in force from another sheet or a person, of which this
	// sheet says something else. Once the sheet is stored, its value stands.
	Against []Change `json:"against"`
	// Alike are values that stand in another sheet as well, word for word but
	// for the day, pick, plot or quadrat: perhaps a corrected copy under
	// another name, which would count everything twice.
	Alike           []Change          `json:"alike"`
	AlikeOperations []OperationChange `json:"alike_operations"`

	// Stands are values that this version no longer tells and that another sheet
	// or a person told as well, so that they go on to count: as this sheet told
	// them and as they stand.
	Stands []Change `json:"stands,omitempty"`

	// Meanwhile is the newest version of the sheet, where somebody stored it
	// after the writer had looked.
	Meanwhile *Sheet `json:"meanwhile,omitempty"`

	renumbered bool // rows stand in other lines than before
}

// Empty reports that storing the sheet changes nothing.
func (d *SheetDiff) Empty() bool {
	return len(d.New)+len(d.Changed)+len(d.Moved)+len(d.Withdrawn)+len(d.NewOperations)+len(d.ChangedOperations)+len(d.WithdrawnOperations) == 0
}

// ErrPartial means that a sheet with unreadable rows would withdraw values:
// nobody can tell whether the rows were taken out or mistyped.
type ErrPartial struct{ Diff SheetDiff }

func (e ErrPartial) Error() string {
	n := len(e.Diff.Withdrawn) + len(e.Diff.Moved) + len(e.Diff.WithdrawnOperations) + len(e.Diff.ChangedOperations)
	return fmt.Sprintf("some rows of %s cannot be read, and %d values of its former version are not in the rows that can: correct those rows first, nothing was stored", e.Diff.Name, n)
}

// CompareSheet says what storing the sheet would do. It writes nothing.
func (s *Store) CompareSheet(ctx context.Context, v SheetVersion, seen int64) (SheetDiff, error) {
	tx, err := s.reads.BeginTx(ctx, nil)
	if err != nil {
		return SheetDiff{}, userError(err)
	}
	defer tx.Rollback()
	r := reader{ctx: ctx, tx: tx, snap: &Snapshot{}}
	if r.force, err = readForce(ctx, tx); err != nil {
		return SheetDiff{}, userError(err)
	}
	d, _, err := r.compareSheet(v, seen)
	return d, userError(err)
}

// StoreSheet makes v the newest version of its sheet: what the former version
// gave and this one does not counts no more. seen is the newest entry the
// writer had before them (Snapshot.Entry). A version that changes nothing
// stores nothing. A partial version that would withdraw something is refused
// with [ErrPartial].
func (w *Tx) StoreSheet(v SheetVersion, seen int64) (SheetDiff, error) {
	r, err := w.reader()
	if err != nil {
		return SheetDiff{}, err
	}
	d, rows, err := r.compareSheet(v, seen)
	if err != nil {
		return d, err
	}
	if d.Empty() && !d.renumbered {
		return d, nil
	}
	doc, err := toJSON(sheetDoc{v.Digest})
	if err != nil {
		return d, err
	}
	sheet, err := w.add("insert into sheet(entry, kind, name, doc) values (?,?,?,?)", w.entry, v.Kind, v.Name, doc)
	if err != nil {
		return d, err
	}
	for _, o := range rows {
		o.Sheet = sheet
		if o.firstID == 0 {
			o.Entry, o.At, o.Author = w.entry, w.at, w.author
		}
		if _, err := w.insertObservation(o); err != nil {
			return d, err
		}
	}
	for _, o := range v.Operations {
		o.At, o.Author = w.at, w.author
		doc, err := toJSON(o)
		if err != nil {
			return d, err
		}
		if _, err := w.add("insert into operation(entry, doc, sheet) values (?,?,?)", w.entry, doc, sheet); err != nil {
			return d, err
		}
	}
	w.force, w.operations = nil, nil
	return d, nil
}

// compareSheet finds what v changes, and its rows as they are to be stored:
// those that say what the former version said keep its telling.
func (r reader) compareSheet(v SheetVersion, seen int64) (SheetDiff, []Observation, error) {
	d := SheetDiff{Kind: v.Kind, Name: v.Name, Version: 1}
	var former int64
	for _, s := range r.sheets {
		if s.Current && s.Kind == v.Kind && s.Name == v.Name {
			former, d.Version = s.ID, s.Version+1
			if s.Entry > seen {
				d.Meanwhile = &s
			}
		}
	}
	all, err := r.heldObservations("")
	if err != nil {
		return d, nil, err
	}
	if err := r.operations(); err != nil {
		return d, nil, err
	}
	var mine, others []Observation
	for _, o := range all {
		if former != 0 && o.Sheet == former {
			mine = append(mine, o)
		} else {
			others = append(others, o)
		}
	}
	rows := d.observations(inForce(mine), v.Observations)
	d.elsewhere(inForce(others))
	var myWork, otherWork []Operation
	for _, o := range r.snap.Operations {
		if former != 0 && o.Sheet == former {
			myWork = append(myWork, o)
		} else {
			otherWork = append(otherWork, o)
		}
	}
	d.operations(myWork, v.Operations, otherWork)
	if v.Partial && len(d.Withdrawn)+len(d.Moved)+len(d.WithdrawnOperations)+len(d.ChangedOperations) > 0 {
		return d, nil, ErrPartial{d}
	}
	return d, rows, nil
}

// observations compares the rows of two versions and returns the new ones with
// the tellings they repeat.
func (d *SheetDiff) observations(former, list []Observation) []Observation {
	rows := slices.Clone(list)
	at := make(map[Key]int, len(former)) // of those not yet found again
	for i, o := range former {
		at[o.Key()] = i
	}
	var fresh []Observation
	for i := range rows {
		o := &rows[i]
		k := o.Key()
		j, ok := at[k]
		if !ok {
			fresh = append(fresh, *o)
			continue
		}
		delete(at, k)
		was := former[j]
		d.renumbered = d.renumbered || was.Source != o.Source
		if !sameValue(was, *o) {
			d.Changed = append(d.Changed, Change{was, *o})
			continue
		}
		d.Unchanged++
		o.firstID, o.Entry, o.At, o.Author = was.firstID, was.Entry, was.At, was.Author
	}
	var gone []Observation
	for _, o := range former {
		if _, left := at[o.Key()]; left {
			gone = append(gone, o)
		}
	}
	d.Moved, gone, fresh = pair(gone, fresh)
	d.New, d.Withdrawn = fresh, gone
	return rows
}

// pair finds rows that were moved: first those that stand in the same line,
// then those that are alike in all but one part of what they are about.
func pair(gone, fresh []Observation) (moved []Change, stillGone, stillFresh []Observation) {
	type row struct {
		line            int
		variable, class string
	}
	byLine := map[row]int{}
	for i, o := range gone {
		if o.Line > 0 {
			k := o.Key()
			byLine[row{o.Line, k.Variable, k.Class}] = i
		}
	}
	took := make([]bool, len(gone))
	for _, o := range fresh {
		k := o.Key()
		if i, ok := byLine[row{o.Line, k.Variable, k.Class}]; ok && !took[i] && o.Line > 0 && likely(gone[i], o) {
			took[i] = true
			moved = append(moved, Change{gone[i], o})
			continue
		}
		stillFresh = append(stillFresh, o)
	}
	fresh, stillFresh = stillFresh, nil
	byContent := map[Key][]int{}
	for i, o := range gone {
		if !took[i] {
			for _, k := range nearKeys(o) {
				byContent[k] = append(byContent[k], i)
			}
		}
	}
	for _, o := range fresh {
		found := -1
		for _, k := range nearKeys(o) {
			for _, i := range byContent[k] {
				if !took[i] && sameContent(gone[i], o) {
					found = i
					break
				}
			}
			if found >= 0 {
				break
			}
		}
		if found < 0 {
			stillFresh = append(stillFresh, o)
			continue
		}
		took[found] = true
		moved = append(moved, Change{gone[found], o})
	}
	for i, o := range gone {
		if !took[i] {
			stillGone = append(stillGone, o)
		}
	}
	return moved, stillGone, stillFresh
}

// likely reports two rows in one line that are likely one: they agree in what
// they say or in all but one part of what they are about.
func likely(a, b Observation) bool {
	return sameContent(a, b) || slices.ContainsFunc(nearKeys(a), func(k Key) bool { return slices.Contains(nearKeys(b), k) })
}

// sameContent compares what two values say, leaving aside what they are about.
func sameContent(a, b Observation) bool {
	a.Date, a.Pick = b.Date, b.Pick
	return sameValue(a, b)
}

// nearKeys are an observation's key with one part left out at a time: where it
// was (the quadrat or the plot), and when.
func nearKeys(o Observation) []Key {
	k := o.Key()
	when, quadrat, plot := k, k, k
	when.Visit, when.When = -1, "?"
	quadrat.Quadrat = -1
	plot.Plot = "?"
	return []Key{when, quadrat, plot}
}

// elsewhere looks for what other sheets and people say of the same things.
func (d *SheetDiff) elsewhere(others []Observation) {
	at := make(map[Key]int, len(others))
	near := map[Key][]int{}
	for i, o := range others {
		at[o.Key()] = i
		if o.Visit == 0 && !o.absent() && o.Value != 0 {
			k := nearKeys(o)[0]
			near[k] = append(near[k], i)
		}
	}
	look := func(o Observation) {
		if i, ok := at[o.Key()]; ok {
			if !sameValue(others[i], o) {
				d.Against = append(d.Against, Change{others[i], o})
			}
			return
		}
		// Counts of plants repeat by chance; weights to the gram do not.
		if o.Visit == 0 && !o.absent() && o.Value != 0 {
			for _, i := range near[nearKeys(o)[0]] {
				if sameContent(others[i], o) {
					d.Alike = append(d.Alike, Change{others[i], o})
					break
				}
			}
		}
	}
	for _, o := range d.New {
		look(o)
	}
	for _, c := range d.Changed {
		look(c.Now)
	}
	listed := map[Key]bool{}
	for _, o := range d.New {
		listed[o.Key()] = true
	}
	gone := slices.Clone(d.Withdrawn)
	for _, c := range d.Moved {
		look(c.Now)
		listed[c.Now.Key()] = true
		gone = append(gone, c.Was)
	}
	for _, o := range gone {
		if i, ok := at[o.Key()]; ok && !others[i].Withdrawn && !listed[o.Key()] {
			d.Stands = append(d.Stands, Change{o, others[i]})
		}
	}
}

// operations compares the work of two versions.
func (d *SheetDiff) operations(former, list, others []Operation) {
	took := make([]bool, len(former))
	var fresh []Operation
	for _, o := range list {
		i := slices.IndexFunc(former, func(old Operation) bool { return sameOperation(old, o) })
		if i < 0 {
			fresh = append(fresh, o)
			continue
		}
		if !took[i] {
			took[i] = true
			d.OperationsUnchanged++
		}
		d.renumbered = d.renumbered || former[i].Source != o.Source
	}
	for _, o := range fresh {
		best, most := -1, 0
		for i, old := range former {
			if took[i] {
				continue
			}
			n := alikeParts(old, o)
			if old.Line == o.Line && o.Line > 0 {
				n++
			}
			if n > most {
				best, most = i, n
			}
		}
		if best >= 0 && most >= operationParts-1 {
			took[best] = true
			d.ChangedOperations = append(d.ChangedOperations, OperationChange{former[best], o})
			continue
		}
		d.NewOperations = append(d.NewOperations, o)
		for _, old := range others {
			if n := alikeParts(old, o); n == operationParts-1 && old.Input != "" {
				d.AlikeOperations = append(d.AlikeOperations, OperationChange{old, o})
			}
		}
	}
	for i, old := range former {
		if !took[i] {
			d.WithdrawnOperations = append(d.WithdrawnOperations, old)
		}
	}
}

const operationParts = 6

// alikeParts counts in how many of its parts a piece of work is the same: day,
// work, ground, input, rate, unit.
func alikeParts(a, b Operation) int {
	n := 0
	for _, same := range []bool{a.Date == b.Date, a.What == b.What, a.Treatment == b.Treatment && a.Plot == b.Plot,
		a.Input == b.Input, (a.Rate == nil && b.Rate == nil) || (a.Rate != nil && b.Rate != nil && *a.Rate == *b.Rate), a.RateUnit == b.RateUnit} {
		if same {
			n++
		}
	}
	return n
}
