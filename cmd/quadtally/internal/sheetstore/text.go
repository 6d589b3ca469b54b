package sheetstore

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/cmd/quadtally/internal/wording"
)

// Before are the notes and faults of a sheet, a line each, that are said before
// what was stored.
func (o *Outcome) Before() []string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	for _, n := range o.Notes {
		say("note: %s", n)
	}
	for _, s := range o.Sums {
		say("note: %s:%d: %s in column %q was read as %g", o.File, s.Line, s.Text, s.Header, s.Number)
	}
	for _, f := range o.Faults {
		switch len(f.Lines) {
		case 0:
			say("%s: %s", o.File, f.Text)
		case 1:
			say("%s:%d: %s", o.File, f.Lines[0], f.Text)
		default:
			say("%s: %s: %s", o.File, f.Rows(), f.Text)
		}
	}
	return out
}

// After are the questions that are said after it: what a sheet leaves open, and
// in a dry run what would be asked.
func (o *Outcome) After() []string {
	if o.DryRun {
		return append(slices.Clone(o.Open), o.Asked...)
	}
	return o.Open
}

// Refused is why nothing of a sheet was stored, nil where something was, or
// would be.
func (o *Outcome) Refused() error {
	switch {
	case len(o.Asked) > 0 && !o.DryRun:
		return fmt.Errorf("%s: nothing was stored: %s", o.File, strings.Join(o.Asked, "\n"))
	case len(o.Asked) == 0 && o.Unread > 0 && o.Values == 0:
		return fmt.Errorf("%s: nothing could be read; see the lines above", o.File)
	}
	return nil
}

// WriteText writes what was stored, and what that changed, for the screen.
func (o *Outcome) WriteText(w io.Writer) {
	d := &o.Diff
	verb := "not stored"
	switch {
	case o.DryRun:
		verb = "understood; nothing was stored (dry run)"
	case o.Stored:
		verb = "stored"
	}
	fmt.Fprintf(w, "%s: %s, %s %s", o.File, wording.Plural(o.Rows, "row"), wording.Plural(o.Values, "value"), verb)
	if d.Version > 1 { // of a first version everything is new
		fmt.Fprintf(w, " (%d new, %d changed, %d moved, %d withdrawn, %d as before)", len(d.New)+len(d.NewOperations),
			len(d.Changed)+len(d.ChangedOperations), len(d.Moved), len(d.Withdrawn)+len(d.WithdrawnOperations), d.Unchanged+d.OperationsUnchanged)
	}
	fmt.Fprintln(w)
	if d.Version > 1 {
		writeChanges(w, "new", newLines(d, o.units))
	}
	writeChanges(w, "changed", changedLines(d, o.units))
	writeChanges(w, "moved", movedLines(d, o.units))
	writeChanges(w, "withdrawn", withdrawnLines(d, o.units))
	writeChanges(w, "still counts", standingLines(d, o.units))
	if m := d.Meanwhile; m != nil {
		fmt.Fprintf(w, "  %s was stored by somebody else meanwhile (entry %d); this version takes its place\n", m.Name, m.Entry)
	}
	if len(o.Stages) > 0 {
		var words []string
		for _, s := range o.Stages {
			words = append(words, fmt.Sprintf("%s is %s", s.Word, stageName(s.Stage)))
		}
		fmt.Fprintf(w, "  taken as: %s (the plan's key \"work\" corrects this)\n", strings.Join(words, ", "))
	}
}

func stageName(s trial.Stage) string {
	if s == trial.OtherWork {
		return "other work"
	}
	return string(s)
}

// writeChanges writes one line for all rows of which the same can be said.
func writeChanges(w io.Writer, what string, list []tables.Fault) {
	const show = 20
	groups := tables.GroupFaults(list)
	for i, g := range groups {
		if i == show && len(groups) > show+1 {
			fmt.Fprintf(w, "  %s: %d more (--json names them)\n", what, len(groups)-show)
			return
		}
		rows := g.Rows()
		if rows != "" {
			rows = ", " + rows
		}
		fmt.Fprintf(w, "  %s%s: %s\n", what, rows, g.Text)
	}
}
