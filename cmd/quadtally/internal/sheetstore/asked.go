package sheetstore

import (
	"fmt"
	"maps"
	"slices"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/cmd/quadtally/internal/wording"
)

// questionsAbout are what a person has to agree to before a sheet is stored:
// what looks like a slip in it, that it is the same sheet as the one of its
// name, that it replaces what others have said, and that it repeats values that
// stand elsewhere. Doubts were agreed to where all of the sheet is stored.
func questionsAbout(im sheets.Import, d record.SheetDiff, snap *record.Snapshot) []string {
	var out []string
	u := snap.Trial.Units
	if !d.Empty() {
		for _, doubt := range im.Doubts {
			out = append(out, string(doubt))
		}
	}
	stays := d.Unchanged + len(d.Changed)
	doubtful := len(d.Withdrawn)
	former := stays + len(d.Moved) + len(d.Withdrawn)
	for _, c := range d.Moved {
		// A nought says nothing of whether two rows are the same.
		if c.Was.Missing || c.Now.Missing || c.Was.Value != c.Now.Value || c.Now.Value == 0 || c.Was.Plot != c.Now.Plot {
			doubtful++
		}
	}
	workStays := d.OperationsUnchanged + len(d.ChangedOperations)
	workFormer := workStays + len(d.WithdrawnOperations)
	switch {
	case (stays == 0 && 10*doubtful > former && former > 1) || 2*doubtful > former,
		(workStays == 0 && workFormer > 1) || 2*len(d.WithdrawnOperations) > workFormer:
		out = append(out, fmt.Sprintf("a sheet named %s is stored already, and little of it is in this one: is this another sheet (give it a name of its own with --as) or does it take the place of the former one (--agreed)?", d.Name))
	}
	if n := len(d.Against); n > 0 {
		c := d.Against[0]
		out = append(out, fmt.Sprintf("%s %s said otherwise in %s, such as %s: is this sheet right (--agreed)? If not, correct it and store it again",
			wording.Plural(n, "value"), isOrAre(n), from(c.Was), wasAndNow(c.Was, c.Now, u)))
	}
	if n := len(d.Alike); n > 0 {
		c := d.Alike[0]
		out = append(out, fmt.Sprintf("%s %s also in %s, the same but for the day or the place, such as %s: is this a corrected copy of that sheet (store it with --as %q) or are both to count (--agreed)?",
			wording.Plural(n, "value"), standOrStands(n), from(c.Was), wasAndNow(c.Was, c.Now, u), nameOf(snap, c.Was.Sheet, from(c.Was))))
	}
	if was, now, n := sameAtAnotherVisit(d, snap); n > 0 {
		out = append(out, fmt.Sprintf("%s %s the same for visit %d in %s as for visit %d here: is this a corrected copy of that sheet (store it with --as %q) or was the same found twice (--agreed)?",
			wording.Plural(n, "value"), isOrAre(n), was.Visit, from(was), now.Visit, nameOf(snap, was.Sheet, from(was))))
	}
	if n := len(d.AlikeOperations); n > 0 {
		c := d.AlikeOperations[0]
		out = append(out, fmt.Sprintf("%s %s also in %s, the same but for one thing, such as %s: is this a corrected copy of that sheet (store it with --as %q) or was both done (--agreed)?",
			wording.Plural(n, "operation"), standOrStands(n), c.Was.Source, operationChange(c, u), nameOf(snap, c.Was.Sheet, c.Was.Source)))
	}
	return out
}

// sameAtAnotherVisit finds a sheet whose new values stand at another visit
// already, all but a few: plants are not counted alike twice. Noughts say
// nothing, and neither do a handful of values.
func sameAtAnotherVisit(d record.SheetDiff, snap *record.Snapshot) (was, now record.Observation, n int) {
	const fewest, share = 8, 0.9
	type what struct {
		plot            string
		quadrat         int
		variable, class string
		value           float64
	}
	key := func(o record.Observation) what {
		return what{o.Plot, o.Quadrat, o.Variable, trial.NameKey(o.Class), o.Value}
	}
	stored := map[what][]record.Observation{}
	for _, o := range snap.Observations {
		if o.Visit > 0 && o.Value != 0 {
			stored[key(o)] = append(stored[key(o)], o)
		}
	}
	alike, compared := map[int][]record.Change{}, 0 // by the other visit
	for _, o := range d.New {
		if o.Visit == 0 || o.Missing || o.Value == 0 {
			continue
		}
		compared++
		for _, other := range stored[key(o)] {
			if other.Visit != o.Visit {
				alike[other.Visit] = append(alike[other.Visit], record.Change{Was: other, Now: o})
			}
		}
	}
	for _, visit := range slices.Sorted(maps.Keys(alike)) {
		if list := alike[visit]; len(list) >= fewest && float64(len(list)) >= share*float64(compared) {
			return list[0].Was, list[0].Now, len(list)
		}
	}
	return was, now, 0
}

func isOrAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func standOrStands(n int) string {
	if n == 1 {
		return "stands"
	}
	return "stand"
}

// nameOf is the name of a stored sheet.
func nameOf(snap *record.Snapshot, id int64, otherwise string) string {
	for _, s := range snap.Sheets {
		if s.ID == id {
			return s.Name
		}
	}
	return otherwise
}

// from says where a stored value came from.
func from(o record.Observation) string {
	if o.Source == "" {
		return "what " + o.Author + " entered"
	}
	return o.Source
}
