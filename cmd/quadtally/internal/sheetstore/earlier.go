package sheetstore

import (
	"encoding/json"
	"fmt"
	"maps"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/trial"
)

// columnsSubject is what decisions about the meaning of columns are about.
const columnsSubject = "columns"

// RememberedColumns are the answers about columns that were given before, with
// those given now; learned reports that some of these are new.
func RememberedColumns(snap *record.Snapshot, now map[string]sheets.Meaning) (all map[string]sheets.Meaning, learned bool, err error) {
	all = map[string]sheets.Meaning{}
	if d, ok := snap.Decision(columnsSubject, record.KindColumns); ok {
		if err := json.Unmarshal(d.Value, &all); err != nil {
			return nil, false, fmt.Errorf("what was said about columns cannot be read: %w", err)
		}
	}
	all, learned = remembered(all, now)
	return all, learned, nil
}

// remembered are earlier answers and those given now; learned reports that some
// of these are new.
func remembered[A comparable](before, now map[string]A) (all map[string]A, learned bool) {
	all = maps.Clone(before)
	for name, answer := range now {
		if was, ok := all[name]; !ok || was != answer {
			all[name], learned = answer, true
		}
	}
	return all, learned
}

// valuesOfOthers are the stored values that do not come from the sheet of a name.
func valuesOfOthers(snap *record.Snapshot, kind, name string) []record.Observation {
	own := map[int64]bool{}
	for _, s := range snap.Sheets {
		own[s.ID] = s.Kind == kind && s.Name == name
	}
	var out []record.Observation
	for _, o := range snap.Observations {
		if !own[o.Sheet] {
			out = append(out, o)
		}
	}
	return out
}

// classesOf lists the classes of plants that are counted in the record.
func classesOf(snap *record.Snapshot) []trial.Class {
	at := map[string]int{}
	var out []trial.Class
	for _, o := range snap.Observations {
		if o.Variable != record.VarCount || o.Class == "" {
			continue
		}
		k := trial.NameKey(o.Class)
		i, ok := at[k]
		if !ok {
			i, at[k] = len(out), len(out)
			out = append(out, trial.Class{Name: o.Class})
		}
		if o.Group != "" {
			out[i].Group = o.Group
		}
		if o.Life != "" {
			out[i].Life = o.Life
		}
	}
	return out
}
