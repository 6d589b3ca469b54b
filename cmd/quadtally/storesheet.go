package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/sheets"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// storeOutcome is what came of a sheet.
type storeOutcome struct {
	File   string              `json:"file"`
	Rows   int                 `json:"rows"`
	Values int                 `json:"values"`
	Stored bool                `json:"stored"`
	Diff   record.SheetDiff    `json:"diff"`
	Asked  []string            `json:"asked"` // what keeps it from being stored
	Open   []string            `json:"open"`  // questions that do not
	Sums   []sheets.Sum        `json:"sums,omitempty"`
	Stages []trial.StageWord   `json:"stages,omitempty"` // what the words for work were taken for
	Notes  []string            `json:"notes"`
	Faults []tables.FaultGroup `json:"faults"`

	faults int
	dry    bool
	units  trial.Units // that people of the trial read
}

// errNothingNew ends a transaction that would store what is there already.
var errNothingNew = errors.New("nothing new")

// errAsked ends a transaction that a person has to agree to first.
var errAsked = errors.New("asked")

func (a *app) storeSheet(k sheetKind, path string, f sheetFlags) error {
	opt, err := f.options()
	if err != nil {
		return err
	}
	data, err := readFile(path, tables.MaxBytes)
	if err != nil {
		return err
	}
	sheet, err := tables.ReadPart(path, data, tables.Options{Worksheet: f.worksheet})
	if err != nil {
		return err
	}
	with := a.withTrialToWrite
	if f.dryRun {
		with = a.withTrial
	}
	return with(func(store *record.Store, snap *record.Snapshot) error {
		if opt.Visit < 0 || opt.Visit > len(snap.Trial.Visits) {
			return usagef("--visit %d: the plan has %d visits", opt.Visit, len(snap.Trial.Visits))
		}
		now := opt.Columns
		columns, learned, err := rememberedColumns(snap, opt.Columns)
		if err != nil {
			return err
		}
		name := sheetName(path, f)
		opt.Columns, opt.Classes = columns, classesOf(snap)
		opt.Stored, opt.UnlistedBefore = valuesOfOthers(snap, k.name, name), snap.Unlisted()
		im, err := k.read(&snap.Trial, snap.Plots, sheet, opt)
		if err != nil {
			return err
		}
		out := outcomeOf(path, im)
		out.dry, out.units = f.dryRun, snap.Trial.Units
		out.Notes = append(out.Notes, sheets.Unused(sheets.Kind(k.name), sheet, opt, im)...)
		if names := sheets.NotInSheet(sheet, im, slices.Sorted(maps.Keys(now))); len(names) > 0 {
			out.Notes = append(out.Notes, fmt.Sprintf("--columns: this sheet has neither a column nor a class %s; it has the columns %s", strings.Join(names, ", "), strings.Join(sheet.Header, ", ")))
		}
		if k.name == string(sheets.KindField) {
			out.Stages = stagesOf(&snap.Trial, im.Operations)
		}
		if out.Values == 0 && out.faults > 0 {
			return a.tellOutcome(out, f.json)
		}
		v := record.SheetVersion{Kind: k.name, Name: name, Digest: digest(data),
			Partial: im.Partial(), Observations: im.Observations, Operations: im.Operations}
		if f.dryRun {
			if out.Diff, err = store.CompareSheet(a.ctx, v, snap.Entry); err == nil && !f.agreed {
				out.Asked = questionsAbout(im, out.Diff, snap)
			}
		} else {
			_, err = store.Write(a.ctx, k.name, path, func(tx *record.Tx) (err error) {
				if out.Diff, err = tx.StoreSheet(v, snap.Entry); err != nil {
					return err
				}
				if !f.agreed {
					if out.Asked = questionsAbout(im, out.Diff, snap); len(out.Asked) > 0 {
						return errAsked
					}
				}
				unlisted, answered := remembered(opt.UnlistedBefore, im.Unlisted)
				if out.Diff.Empty() && !learned && !answered {
					return errNothingNew
				}
				if learned {
					_, err = tx.Decide(columnsSubject, record.KindColumns, columns)
				}
				if answered && err == nil {
					_, err = tx.Decide(record.UnlistedSubject, record.KindUnlisted, unlisted)
				}
				return err
			})
			out.Stored = err == nil || errors.Is(err, errNothingNew)
		}
		var partial record.ErrPartial
		switch {
		case errors.Is(err, errAsked), errors.Is(err, errNothingNew):
			err = nil
		case errors.As(err, &partial):
			out.Diff = partial.Diff
		}
		if told := a.tellOutcome(out, f.json); err == nil {
			err = told
		}
		return err
	})
}

// sheetName is what a sheet is known by from version to version.
func sheetName(path string, f sheetFlags) string {
	name := f.as
	if name == "" {
		name = filepath.Base(path)
		if f.worksheet != "" {
			name += " " + f.worksheet
		}
	}
	return name
}

// columnsSubject is what decisions about the meaning of columns are about.
const columnsSubject = "columns"

// rememberedColumns are the answers about columns that were given before, with
// those given now; learned reports that some of these are new.
func rememberedColumns(snap *record.Snapshot, now map[string]sheets.Meaning) (all map[string]sheets.Meaning, learned bool, err error) {
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

// stagesOf says what each word for work in a sheet was taken for.
func stagesOf(t *trial.Trial, work []record.Operation) []trial.StageWord {
	var out []trial.StageWord
	for _, o := range work {
		if stage, _ := t.StageOf(o.What); !slices.ContainsFunc(out, func(w trial.StageWord) bool { return w.Word == o.What }) {
			out = append(out, trial.StageWord{Word: o.What, Stage: stage})
		}
	}
	return out
}

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
			plural(n, "value"), isOrAre(n), from(c.Was), wasAndNow(c.Was, c.Now, u)))
	}
	if n := len(d.Alike); n > 0 {
		c := d.Alike[0]
		out = append(out, fmt.Sprintf("%s %s also in %s, the same but for the day or the place, such as %s: is this a corrected copy of that sheet (store it with --as %q) or are both to count (--agreed)?",
			plural(n, "value"), standOrStands(n), from(c.Was), wasAndNow(c.Was, c.Now, u), nameOf(snap, c.Was.Sheet, from(c.Was))))
	}
	if was, now, n := sameAtAnotherVisit(d, snap); n > 0 {
		out = append(out, fmt.Sprintf("%s %s the same for visit %d in %s as for visit %d here: is this a corrected copy of that sheet (store it with --as %q) or was the same found twice (--agreed)?",
			plural(n, "value"), isOrAre(n), was.Visit, from(was), now.Visit, nameOf(snap, was.Sheet, from(was))))
	}
	if n := len(d.AlikeOperations); n > 0 {
		c := d.AlikeOperations[0]
		out = append(out, fmt.Sprintf("%s %s also in %s, the same but for one thing, such as %s: is this a corrected copy of that sheet (store it with --as %q) or was both done (--agreed)?",
			plural(n, "operation"), standOrStands(n), c.Was.Source, operationChange(c, u), nameOf(snap, c.Was.Sheet, c.Was.Source)))
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
	alike, told := map[int][]record.Change{}, 0 // by the other visit
	for _, o := range d.New {
		if o.Visit == 0 || o.Missing || o.Value == 0 {
			continue
		}
		told++
		for _, other := range stored[key(o)] {
			if other.Visit != o.Visit {
				alike[other.Visit] = append(alike[other.Visit], record.Change{Was: other, Now: o})
			}
		}
	}
	for _, visit := range slices.Sorted(maps.Keys(alike)) {
		if list := alike[visit]; len(list) >= fewest && float64(len(list)) >= share*float64(told) {
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

func outcomeOf(path string, im sheets.Import) storeOutcome {
	out := storeOutcome{File: path, Rows: im.Rows, Values: len(im.Observations) + len(im.Operations), Sums: im.Sums,
		Faults: tables.GroupFaults(im.Faults), faults: len(im.Faults), Asked: []string{}, Open: []string{}, Notes: []string{}}
	for _, q := range im.Questions {
		out.Open = append(out.Open, q.Text())
	}
	for _, n := range im.Notes {
		if !slices.Contains(out.Open, n) {
			out.Notes = append(out.Notes, n)
		}
	}
	return out
}

func (a *app) tellOutcome(o storeOutcome, asJSON bool) error {
	for _, n := range o.Notes {
		a.note("note: %s", n)
	}
	for _, s := range o.Sums {
		a.note("note: %s:%d: %s in column %q was read as %g", o.File, s.Line, s.Text, s.Header, s.Number)
	}
	for _, f := range o.Faults {
		switch len(f.Lines) {
		case 0:
			a.note("%s: %s", o.File, f.Text)
		case 1:
			a.note("%s:%d: %s", o.File, f.Lines[0], f.Text)
		default:
			a.note("%s: %s: %s", o.File, f.Rows(), f.Text)
		}
	}
	if asJSON {
		if err := a.writeJSON(o); err != nil {
			return err
		}
	} else {
		a.printStored(o)
	}
	for _, q := range o.Open {
		a.note("question: %s", q)
	}
	switch {
	case len(o.Asked) > 0 && !o.dry:
		return fmt.Errorf("%s: nothing was stored: %s", o.File, strings.Join(o.Asked, "\n"))
	case len(o.Asked) > 0:
		for _, q := range o.Asked {
			a.note("question: %s", q)
		}
	case o.faults > 0 && o.Values == 0:
		return fmt.Errorf("%s: nothing could be read; see the lines above", o.File)
	}
	if o.faults > 0 {
		return partly{o.faults}
	}
	return nil
}

func (a *app) printStored(o storeOutcome) {
	d := &o.Diff
	verb := "not stored"
	switch {
	case o.dry:
		verb = "understood; nothing was stored (dry run)"
	case o.Stored:
		verb = "stored"
	}
	fmt.Fprintf(a.out, "%s: %s, %s %s", o.File, plural(o.Rows, "row"), plural(o.Values, "value"), verb)
	if d.Version > 1 { // of a first version everything is new
		fmt.Fprintf(a.out, " (%d new, %d changed, %d moved, %d withdrawn, %d as before)", len(d.New)+len(d.NewOperations),
			len(d.Changed)+len(d.ChangedOperations), len(d.Moved), len(d.Withdrawn)+len(d.WithdrawnOperations), d.Unchanged+d.OperationsUnchanged)
	}
	fmt.Fprintln(a.out)
	if d.Version > 1 {
		a.printChanges("new", newLines(d, o.units))
	}
	a.printChanges("changed", changedLines(d, o.units))
	a.printChanges("moved", movedLines(d, o.units))
	a.printChanges("withdrawn", withdrawnLines(d, o.units))
	a.printChanges("still counts", standingLines(d, o.units))
	if m := d.Meanwhile; m != nil {
		fmt.Fprintf(a.out, "  %s was stored by somebody else meanwhile (entry %d); this version takes its place\n", m.Name, m.Entry)
	}
	if len(o.Stages) > 0 {
		var words []string
		for _, w := range o.Stages {
			words = append(words, fmt.Sprintf("%s is %s", w.Word, stageName(w.Stage)))
		}
		fmt.Fprintf(a.out, "  taken as: %s (the plan's key \"work\" corrects this)\n", strings.Join(words, ", "))
	}
}

func stageName(s trial.Stage) string {
	if s == trial.OtherWork {
		return "other work"
	}
	return string(s)
}

// printChanges prints one line for all rows of which the same can be said.
func (a *app) printChanges(what string, list []tables.Fault) {
	const show = 20
	groups := tables.GroupFaults(list)
	for i, g := range groups {
		if i == show && len(groups) > show+1 {
			fmt.Fprintf(a.out, "  %s: %d more (--json names them)\n", what, len(groups)-show)
			return
		}
		rows := g.Rows()
		if rows != "" {
			rows = ", " + rows
		}
		fmt.Fprintf(a.out, "  %s%s: %s\n", what, rows, g.Text)
	}
}

func newLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, o := range d.New {
		out = append(out, tables.Fault{Line: o.Line, Text: describe(o) + ", " + amount(o, u)})
	}
	for _, o := range d.NewOperations {
		out = append(out, tables.Fault{Line: o.Line, Text: operation(o, u)})
	}
	return out
}

func changedLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, c := range d.Changed {
		out = append(out, tables.Fault{Line: c.Now.Line, Text: wasAndNow(c.Was, c.Now, u)})
	}
	for _, c := range d.ChangedOperations {
		out = append(out, tables.Fault{Line: c.Now.Line, Text: operationChange(c, u)})
	}
	return out
}

func movedLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, c := range d.Moved {
		var parts []string
		part := func(name, was, now string) {
			if was != now {
				parts = append(parts, fmt.Sprintf("%s was %s, now %s", name, was, now))
			}
		}
		part("plot", c.Was.Plot, c.Now.Plot)
		part("quadrat", fmt.Sprint(c.Was.Quadrat), fmt.Sprint(c.Now.Quadrat))
		part("visit", fmt.Sprint(c.Was.Visit), fmt.Sprint(c.Now.Visit))
		part("date", c.Was.Date.String(), c.Now.Date.String())
		part("pick", orNone(c.Was.Pick), orNone(c.Now.Pick))
		if amount(c.Was, u) != amount(c.Now, u) {
			part(c.Now.Variable, amount(c.Was, u), amount(c.Now, u))
		}
		out = append(out, tables.Fault{Line: c.Now.Line, Text: strings.Join(parts, ", ")})
	}
	return out
}

func orNone(s string) string {
	if s == "" {
		return "not stated"
	}
	return s
}

func withdrawnLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, o := range d.Withdrawn {
		out = append(out, tables.Fault{Text: describe(o) + ", " + amount(o, u)})
	}
	for _, o := range d.WithdrawnOperations {
		out = append(out, tables.Fault{Text: operation(o, u)})
	}
	return out
}

// standingLines are values that are no longer in the sheet and stand elsewhere.
func standingLines(d *record.SheetDiff, u trial.Units) (out []tables.Fault) {
	for _, c := range d.Stands {
		out = append(out, tables.Fault{Text: fmt.Sprintf("%s, %s, as it stands in %s: take it out there too if it is wrong", describe(c.Now), amount(c.Now, u), from(c.Now))})
	}
	return out
}

// wasAndNow says what becomes of a value: the value itself, or what else was
// said with it.
func wasAndNow(was, now record.Observation, u trial.Units) string {
	s := describe(now)
	if a, b := amount(was, u), amount(now, u); a != b {
		return s + ", was " + a + ", now " + b
	}
	var parts []string
	for _, p := range [][3]string{{"date", was.Date.String(), now.Date.String()}, {"plot", was.Plot, now.Plot},
		{"quadrat", fmt.Sprint(was.Quadrat), fmt.Sprint(now.Quadrat)}, {"pick", orNone(was.Pick), orNone(now.Pick)},
		{"observer", orNone(was.Observer), orNone(now.Observer)}, {"trim", orNone(was.Trim), orNone(now.Trim)},
		{"group", orNone(was.Group), orNone(now.Group)}, {"life form", orNone(was.Life), orNone(now.Life)},
		{"bed length", trial.Length(was.LengthMM, u), trial.Length(now.LengthMM, u)}} {
		if p[1] != p[2] {
			parts = append(parts, fmt.Sprintf("%s was %s, now %s", p[0], p[1], p[2]))
		}
	}
	return s + ", " + strings.Join(parts, ", ")
}

func describe(o record.Observation) string {
	s := "plot " + o.Plot
	if o.Quadrat > 0 {
		s += fmt.Sprintf(" quadrat %d", o.Quadrat)
	}
	switch {
	case o.Visit > 0:
		s += fmt.Sprintf(" visit %d", o.Visit)
	case o.Pick != "":
		s += " pick " + o.Pick
	case !o.Date.IsZero() && o.Variable != record.VarStand:
		s += " on " + o.Date.String()
	}
	s += " " + o.Variable
	if o.Class != "" {
		s += " (" + o.Class + ")"
	}
	return s
}

// amount is a value in the unit that people of the trial read; an assessment of
// their own is in the unit they gave it.
func amount(o record.Observation, u trial.Units) string {
	if o.Missing {
		return "missing"
	}
	v, unit := o.Value, o.Unit
	known := slices.ContainsFunc(sheets.Columns, func(c sheets.Column) bool { return c.Target == o.Variable })
	switch us := u == trial.US; {
	case !known:
	case unit == "fraction":
		v, unit = 100*v, "%"
	case unit == "mm" && us:
		v, unit = v/trial.MMPerInch, "in"
	case unit == "mm":
		v, unit = v/10, "cm"
	case unit == "kg":
		v, unit = weightIn(v, u)
	case unit == "kg/m2" && us:
		v, unit = v/trial.KGPerLB*trial.M2PerAcre, "lb/acre"
	case unit == "kg/m2":
		v, unit = v*trial.M2PerHa, "kg/ha"
	}
	return fmt.Sprintf("%.7g %s", v, unit)
}

func weightIn(kg float64, u trial.Units) (v float64, unit string) {
	if u == trial.US {
		return kg / trial.KGPerLB, "lb"
	}
	return kg, "kg"
}

// operation says what was done where.
func operation(o record.Operation, u trial.Units) string {
	parts := operationParts(o, u)
	out := []string{o.Date.String() + " " + o.What}
	for _, name := range slices.Sorted(maps.Keys(parts)) {
		if v := parts[name]; v != "" && name != "date" && name != "work" {
			out = append(out, name+" "+v)
		}
	}
	return strings.Join(out, ", ")
}

func operationParts(o record.Operation, u trial.Units) map[string]string {
	p := map[string]string{"date": o.Date.String(), "work": o.What, "treatment": o.Treatment, "plot": o.Plot, "input": o.Input,
		"rate unit": o.RateUnit, "stage": o.Stage, "implement": o.Implement, "soil moisture": o.SoilMoisture, "note": o.Note}
	if o.Rate != nil {
		p["rate"] = fmt.Sprintf("%g", *o.Rate)
	}
	if o.Passes > 0 {
		p["passes"] = fmt.Sprint(o.Passes)
	}
	if o.ImplementKG != nil {
		v, unit := weightIn(*o.ImplementKG, u)
		p["implement weight"] = fmt.Sprintf("%.6g %s", v, unit)
	}
	return p
}

func operationChange(c record.OperationChange, u trial.Units) string {
	was, now := operationParts(c.Was, u), operationParts(c.Now, u)
	var parts []string
	for _, name := range slices.Sorted(maps.Keys(now)) {
		if was[name] != now[name] {
			parts = append(parts, fmt.Sprintf("%s was %s, now %s", name, orNone(was[name]), orNone(now[name])))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(was)) {
		if _, ok := now[name]; !ok {
			parts = append(parts, fmt.Sprintf("%s was %s, now not stated", name, was[name]))
		}
	}
	return c.Now.Date.String() + " " + c.Now.What + ", " + strings.Join(parts, ", ")
}
