package sheets

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/tables"
	"quadtally/cmd/quadtally/internal/trial"
)

// Counts reads a sheet of hand assessments. Three shapes are understood: one
// row a quadrat with a column for each class and each assessment; one row a
// quadrat and class, with columns class and count; and one row a value, with
// columns variable and value. Columns of numbers that nobody can know the
// meaning of are asked about with an [Ask].
func Counts(t *trial.Trial, plots []trial.Plot, s *tables.Sheet, opt Options) (Import, error) {
	r := newReader(KindCounts, t, plots, s, opt)
	vc, valc := r.column("variable"), r.column("value")
	classc, countc := r.column("class"), r.column("count")
	var err error
	switch {
	case vc >= 0 && valc >= 0:
		err = r.longValues(vc, valc)
	case classc >= 0 && countc >= 0:
		err = r.longCounts(classc, countc)
	default:
		err = r.wide()
	}
	if err != nil {
		return Import{}, err
	}
	r.checkDuplicates()
	return r.done(), nil
}

// wideColumn is a column of a wide sheet with what is stored for its cells.
type wideColumn struct {
	index    int
	variable string
	class    trial.Class
	quantity Quantity
	unit     string // of the header or the answer
	level    Level
}

// wide reads a column for each class and each assessment.
func (r *reader) wide() error {
	if r.column("plot") < 0 {
		return r.missingColumn("the plot")
	}
	columns, err := r.wideColumns()
	if err != nil {
		return err
	}
	if len(columns) == 0 {
		return r.missingColumn("the counts (one column a class, such as broadleaf and grass, or columns class and count)")
	}
	needQuadrat := slices.ContainsFunc(columns, func(c wideColumn) bool {
		return c.variable == record.VarCount || c.variable == record.VarCover
	})
	at, err := r.places(needQuadrat)
	if err != nil {
		return err
	}
	var blank []int
	places := map[int]place{}
	for _, row := range r.s.Rows {
		if r.unfilled(row) {
			blank = append(blank, row.Line)
			continue
		}
		if p, ok := at[row.Line]; ok {
			if p, ok = r.visitOfRow(row.Line, p); ok {
				places[row.Line] = p
			}
		}
	}
	ask := Ask{Sheet: r.s.Name}
	for _, c := range columns {
		values, err := r.columnValues(c)
		if a, asked := err.(Ask); asked {
			ask.Questions = append(ask.Questions, a.Questions...)
			continue
		} else if err != nil {
			return err
		}
		for _, row := range r.s.Rows {
			p, ok := places[row.Line]
			v, has := values[row.Line]
			if !ok || !has {
				continue
			}
			if c.quantity == Things && !r.isCount(row.Line, r.s.Header[c.index], v) {
				continue
			}
			if c.level == PlotLevel {
				p.quadrat = 0
			}
			o := r.observation(row, p)
			o.Variable, o.Unit = c.variable, cmp.Or(c.quantity.StoredUnit(), c.unit)
			o.Class, o.Group, o.Life = c.class.Name, c.class.Group, c.class.Life
			if c.level == PlotLevel && r.repeats(o, v) {
				continue
			}
			r.add(o, v)
		}
	}
	if len(ask.Questions) > 0 {
		return ask
	}
	r.waiting(blank)
	r.unlisted(false)
	r.checkTotals()
	return nil
}

// wideColumns finds out what the columns of a wide sheet hold. Everything that
// only a person can say is asked at once.
func (r *reader) wideColumns() ([]wideColumn, error) {
	var out []wideColumn
	unknown := UnknownColumns{Kind: r.kind}
	var ask Ask
	first := map[string]int{} // what is stored: column
	for i, h := range r.s.Header {
		if h == "" {
			continue
		}
		name, unit := splitUnit(h)
		m := r.opt.Columns[r.keyOf(h)]
		col, fits, known := findColumn(r.kind, h)
		w := wideColumn{index: i, level: QuadratLevel}
		switch {
		case m.As == AsIgnore:
			r.out.Notes = append(r.out.Notes, fmt.Sprintf("column %q is ignored, as you said", h))
			continue
		case m.As == AsClass:
			if of := notPlants(h); of != "" {
				return nil, fmt.Errorf("%s: column %q gives %s, and a class of weeds is the plants counted in the frame: type the counts, or say --columns %q", r.s.Name, h, of, answerKey(h)+"=assessment "+of)
			}
			class := trial.Class{Name: trial.CleanLabel(strings.ReplaceAll(name, "_", " ")), Group: m.Group, Life: m.Life}
			if c, _, ok := r.class(name); ok {
				class.Name = c.Name
				class.Group, class.Life = cmp.Or(m.Group, c.Group), cmp.Or(m.Life, c.Life)
			}
			w.variable, w.class, w.quantity = record.VarCount, class, Things
		case m.As == AsAssessment:
			w.variable = strings.ToLower(trial.CleanLabel(strings.ReplaceAll(name, "_", " ")))
			w.quantity, w.unit, w.level = Number, cmp.Or(m.Unit, unit), cmp.Or(m.Level, QuadratLevel)
			if w.unit == "" {
				return nil, fmt.Errorf("%s: column %q needs a unit: say --columns %q, or write it into the header", r.s.Name, h, name+"=assessment cm")
			}
			if c, u, ok := findColumn(r.kind, w.variable+" "+w.unit); ok && c.accepts(u) {
				w.variable, w.quantity, w.unit = c.Target, c.Quantity, u
			} else {
				w.variable = ownName(w.variable, w.unit)
			}
		case m.As == AsColumn:
			c, u, ok := findColumn(r.kind, m.Column+" "+cmp.Or(m.Unit, unit))
			if !ok {
				c, u, ok = findColumn(r.kind, m.Column)
			}
			if !ok {
				return nil, fmt.Errorf("%s: column %q is said to hold %q, which is no known column", r.s.Name, h, m.Column)
			}
			w.variable, w.quantity, w.unit, w.level = c.Target, c.Quantity, u, c.Level
		case known && !col.wide():
			continue
		case known:
			w.variable, w.quantity, w.unit, w.level = col.Target, col.Quantity, fits, col.Level
		default:
			class, like, ok := r.class(h)
			if !ok && unit == "plants" {
				class, like, ok = r.class(name)
			}
			if ok {
				w.variable, w.class, w.quantity = record.VarCount, class, Things
				break
			}
			if like.Name != "" {
				ask.Questions = append(ask.Questions, LookAlikes{"column", h, like.Name, foreignAlphabet(h, like.Name)})
				continue
			}
			if example, numbers := r.firstNumber(i); numbers {
				unknown.Columns = append(unknown.Columns, UnknownColumn{h, name, unit, example})
			} else {
				r.out.Notes = append(r.out.Notes, fmt.Sprintf("column %q holds no numbers and was passed over", h))
			}
			continue
		}
		stored := w.variable + "\x00" + trial.NameKey(w.class.Name)
		if j, twice := first[stored]; twice {
			return nil, fmt.Errorf("%s: the columns %q and %q both hold %s: rename one, or say --columns %q", r.s.Name, r.s.Header[j], h, cmp.Or(w.class.Name, w.variable), name+"=ignore")
		}
		first[stored] = i
		out = append(out, w)
	}
	if len(unknown.Columns) > 0 {
		ask.Questions = append(ask.Questions, unknown)
	}
	if len(ask.Questions) > 0 {
		ask.Sheet = r.s.Name
		return nil, ask
	}
	return out, nil
}

// class finds a class that the plan or the record knows.
func (r *reader) class(name string) (c, like trial.Class, ok bool) {
	c, like, ok = trial.FindClass(append(r.t.PlantClasses(), r.opt.Classes...), name)
	if !ok && like.Name == "" {
		// Default classes are known beside those of the plan.
		c, like, ok = trial.FindClass(trial.DefaultClasses(), name)
	}
	if trial.NameKey(c.Group) == trial.NameKey(c.Name) {
		c.Group = "" // its name says it
	}
	return c, like, ok
}

// foreignAlphabet names the alphabet of a text that the one it looks like is
// not written in.
func foreignAlphabet(text, like string) string {
	usual := trial.Scripts(like)
	for _, s := range trial.Scripts(text) {
		if !slices.Contains(usual, s) {
			return s
		}
	}
	return "other"
}

// firstNumber is the first cell of a column that a number could stand in.
func (r *reader) firstNumber(col int) (string, bool) {
	for _, row := range r.s.Rows {
		if c := row.Cells[col]; !tables.IsMissing(c) && c.Date.IsZero() && tables.LooksLikeNumber(c) {
			return c.Text, true
		}
	}
	return "", false
}

// ownName is the name of an assessment of the user's own: what the program
// stores in a unit of its own is never held in another one under that name.
func ownName(variable, unit string) string {
	if slices.ContainsFunc(Columns, func(c Column) bool { return c.wide() && trial.NameKey(c.Target) == trial.NameKey(variable) }) {
		return variable + " " + strings.ToLower(unit)
	}
	return variable
}

// columnValues reads a column in the unit its values are stored in, by line.
func (r *reader) columnValues(c wideColumn) (map[int]tables.Value, error) {
	header := r.s.Header[c.index]
	switch c.quantity {
	case Share:
		return r.coverFractions(c)
	case Length, Weight, WeightPerArea:
		unit := c.unit
		if unit == "" {
			unit = map[Quantity]string{Length: r.opt.LengthUnit, Weight: r.opt.WeightUnit}[c.quantity]
		}
		factor, ok := units[c.quantity][unit]
		if !ok {
			return nil, fmt.Errorf("%s: column %q does not say its unit: write it into the header, such as %s", r.s.Name, header, header+suchUnits[r.t.Units][c.quantity])
		}
		values := r.scaled(c.index, factor)
		for line, v := range values {
			if !v.Missing && v.Number < 0 {
				r.fault(line, "column %q is negative", header)
				delete(values, line)
			}
		}
		return values, nil
	}
	return r.numbers(c.index), nil
}

// repeats reports a value of the whole plot that an earlier row of the plot
// gave already; another value is a fault.
func (r *reader) repeats(o record.Observation, v tables.Value) bool {
	k := o.Key()
	for _, was := range r.out.Observations {
		if was.Key() != k {
			continue
		}
		if was.Missing != v.Missing || (!v.Missing && was.Value != v.Number) {
			r.fault(o.Line, "gives %s of plot %s another value than row %d, though it is one value a plot", o.Variable, o.Plot, was.Line)
		}
		return true
	}
	return false
}

// isCount refuses what cannot be a number of plants.
func (r *reader) isCount(line int, header string, v tables.Value) bool {
	switch {
	case v.Missing:
	case v.Percent:
		r.fault(line, "column %q holds %v %%: a count is a number of plants", header, v.Number)
		return false
	case v.Number < 0:
		r.fault(line, "column %q holds %v: a count cannot be negative", header, v.Number)
		return false
	case v.Number != float64(int(v.Number)):
		r.fault(line, "column %q holds %v: a count is a whole number of plants", header, v.Number)
		return false
	}
	return true
}

// coverFractions reads a column of cover as fractions. Percent is not
// proportion: the header decides, then the values; a column that holds both is
// refused, and of one that holds nothing but small whole numbers nobody knows
// whether it is cover at all.
func (r *reader) coverFractions(c wideColumn) (map[int]tables.Value, error) {
	header, unit := r.s.Header[c.index], c.unit
	values := r.numbers(c.index)
	const mostOfScore = 10 // scores go to 5, 9 or 10
	var high, low *tables.Value
	ones, most, whole := 0, 0.0, true
	for _, row := range r.s.Rows {
		v, ok := values[row.Line]
		if !ok || v.Missing || v.Percent {
			continue
		}
		if v.Number == 1 {
			ones++
		}
		most, whole = max(most, v.Number), whole && v.Number == math.Trunc(v.Number)
		if v.Number > 1 && high == nil {
			high = &v
		}
		if v.Number > 0 && v.Number < 1 && low == nil {
			low = &v
		}
	}
	percent := unit == "%"
	if percent && low != nil && high == nil {
		r.doubt("column %q is in %% and none of its values is above 1, such as %v in row %d: are they percent (--agreed)? If they are proportions, write fraction into the header", header, low.Number, low.Line)
	}
	if unit == "fraction" && high == nil && low == nil && ones > 0 {
		r.doubt("column %q holds only 0 and 1, that is no cover and full cover: is that right (--agreed)? If it is percent, write %% into the header; if it says whether something was there, say --columns %q", header, answerKey(header)+"=assessment score")
	}
	if unit == "" && (high != nil || low != nil || ones > 0) {
		switch {
		case high != nil && low != nil:
			r.fault(0, "column %q holds %v in row %d and %v in row %d: percent or proportion? Put %% or fraction into the header", header, low.Number, low.Line, high.Number, high.Line)
			return nil, nil
		case whole && most <= mostOfScore:
			return nil, Ask{r.s.Name, []Question{Score{header, c.variable, most}}}
		default:
			percent = high != nil
		}
		word := "proportions"
		if percent {
			word = "percent"
		}
		r.out.Notes = append(r.out.Notes, "column \""+header+"\" was read as "+word)
	}
	for line, v := range values {
		if v.Missing {
			continue
		}
		// A cell that the spreadsheet shows as 45 % holds 45, whatever the header.
		if percent || v.Percent {
			v.Number /= 100
		}
		if v.Number < 0 || v.Number > 1 {
			r.fault(line, "column %q: cover must lie between 0 and 100 %%", header)
			delete(values, line)
			continue
		}
		values[line] = v
	}
	return values, nil
}

func (r *reader) longCounts(classc, countc int) error {
	at, err := r.places(true)
	if err != nil {
		return err
	}
	byLine := r.numbers(countc)
	var ask Ask
	named, unnamed := false, []int(nil) // classes, and rows that give none
	for _, row := range r.s.Rows {
		p, ok := at[row.Line]
		v, has := byLine[row.Line]
		if !ok || !has {
			continue
		}
		p, ok = r.visitOfRow(row.Line, p)
		if !ok || !r.isCount(row.Line, r.s.Header[countc], v) {
			continue
		}
		o := r.observation(row, p)
		o.Variable, o.Unit, o.Class = record.VarCount, "plants", row.Cells[classc].Text
		if named = named || o.Class != ""; o.Class == "" && !v.Missing {
			unnamed = append(unnamed, row.Line)
		}
		if tables.IsMissing(row.Cells[classc]) && o.Class != "" {
			r.fault(row.Line, "the class is given as %q: write the class, or total", o.Class)
			continue
		}
		o.Group, o.Life = r.text(row, "group"), r.text(row, "life")
		r.nameClass(&o, &ask)
		r.add(o, v)
	}
	if len(ask.Questions) > 0 {
		ask.Sheet = r.s.Name
		return ask
	}
	if named && len(unnamed) > 0 {
		g := tables.FaultGroup{Lines: unnamed}
		r.doubt("the class is blank in %s and given in others: is the number there the total of all weeds (--agreed)? If not, write the class", g.Rows())
	}
	r.unlisted(true)
	r.checkTotals()
	return nil
}

// nameClass gives a class the spelling and kin it has elsewhere: in the plan,
// the record, or an earlier row. A class called total is the total.
func (r *reader) nameClass(o *record.Observation, ask *Ask) {
	if c, _, ok := findColumn(KindCounts, o.Class); o.Class == "" || (ok && c.Target == record.VarCount) {
		o.Class = ""
		return
	}
	c, like, ok := r.class(o.Class)
	switch {
	case ok:
		o.Class, o.Group, o.Life = c.Name, cmp.Or(o.Group, c.Group), cmp.Or(o.Life, c.Life)
	case like.Name != "":
		q := LookAlikes{"class", o.Class, like.Name, foreignAlphabet(o.Class, like.Name)}
		if !slices.ContainsFunc(ask.Questions, func(a Question) bool { return a == Question(q) }) {
			ask.Questions = append(ask.Questions, q)
		}
	default:
		m := r.opt.Columns[trial.NameKey(o.Class)]
		if m.As == AsClass {
			o.Group, o.Life = cmp.Or(o.Group, m.Group), cmp.Or(o.Life, m.Life)
			r.opt.Classes = append(slices.Clip(r.opt.Classes), trial.Class{Name: o.Class, Group: o.Group, Life: o.Life})
			return
		}
		i := slices.IndexFunc(ask.Questions, func(q Question) bool { _, ok := q.(UnknownClasses); return ok })
		if i < 0 {
			i = len(ask.Questions)
			ask.Questions = append(ask.Questions, UnknownClasses{})
		}
		q := ask.Questions[i].(UnknownClasses)
		if !slices.ContainsFunc(q.Classes, func(c trial.Class) bool { return trial.NameKey(c.Name) == trial.NameKey(o.Class) }) {
			q.Classes = append(q.Classes, trial.Class{Name: o.Class, Group: o.Group, Life: o.Life})
			q.Lines = append(q.Lines, o.Line)
			ask.Questions[i] = q
		}
	}
}

// unlisted finds classes that were counted in some quadrats of a visit and not
// in others, as [record.ClassGapsOf] does, with what other sheets have counted.
// Blank is not zero: unless a person says so, those quadrats have no count of
// the class. In a long sheet a class that is not found has no rows, so that what
// was said of it earlier holds at visits without any of it too.
func (r *reader) unlisted(long bool) {
	type cell struct {
		at    record.QuadratAt
		class string
	}
	visits := map[int]bool{}
	at := map[cell]int{} // index of its observation, from 1
	looked := map[record.QuadratAt]bool{}
	for i, o := range r.out.Observations {
		if o.Variable == record.VarCount && !r.bad[o.Line] {
			k := o.Spot()
			at[cell{k, trial.NameKey(o.Class)}] = i + 1
			visits[o.Visit], looked[k] = true, looked[k] || !o.Missing
		}
	}
	gaps := func() []record.ClassGap {
		list := record.ClassGapsOf(slices.Concat(r.opt.Stored, r.sound()), r.t.Classes, r.opt.UnlistedBefore, nil)
		return slices.DeleteFunc(list, func(g record.ClassGap) bool { return !visits[g.Visit] })
	}
	said := func(g record.ClassGap) record.Unlisted {
		return cmp.Or(r.opt.UnlistedOf[trial.NameKey(g.Class)], r.opt.Unlisted)
	}
	zeros := 0
	for _, g := range gaps() {
		key := trial.NameKey(g.Class)
		answer := cmp.Or(said(g), g.Answer)
		if said(g) != "" {
			if r.out.Unlisted == nil {
				r.out.Unlisted = map[string]record.Unlisted{}
			}
			r.out.Unlisted[key], r.out.Unlisted[record.UnlistedAt(key, g.Visit)] = answer, answer
		}
		if long && answer == "" {
			answer = r.opt.UnlistedBefore[key]
		}
		if answer != record.UnlistedZero {
			continue
		}
		for _, k := range g.Without {
			i := at[cell{k, key}]
			switch {
			case !looked[k] || i > 0 && !r.blankCount(r.out.Observations[i-1]):
				continue
			case i > 0:
				r.out.Observations[i-1].Missing = false
			default:
				class, _, _ := r.class(g.Class)
				z := r.firstOf(k)
				z.Class, z.Group, z.Life, z.Value, z.Missing = g.Class, class.Group, class.Life, 0, false
				r.out.Observations = append(r.out.Observations, z)
			}
			zeros++
		}
	}
	for _, g := range gaps() {
		if cmp.Or(said(g), g.Answer) != record.UnlistedUnknown {
			r.out.Questions = append(r.out.Questions, ClassGap(g))
		}
	}
	if long {
		for _, u := range record.UncountedOf(slices.Concat(r.opt.Stored, r.out.Observations), r.plots, r.t.Quadrat.PerPlot) {
			if visits[u.Visit] {
				r.out.Questions = append(r.out.Questions, Uncounted(u))
			}
		}
	}
	if zeros > 0 {
		r.out.Notes = append(r.out.Notes, plural(zeros, "class of a quadrat was", "classes of quadrats were")+" not listed and stored as 0, as you said")
	}
}

// blankCount reports a count whose cell was left blank, which may mean none; a
// cell that says NA means missing.
func (r *reader) blankCount(o record.Observation) bool {
	if !o.Missing {
		return false
	}
	for _, row := range r.s.Rows {
		if row.Line != o.Line {
			continue
		}
		for c, cell := range row.Cells {
			if cell.Text == "" {
				if class, _, ok := r.class(r.s.Header[c]); ok && trial.NameKey(class.Name) == trial.NameKey(o.Class) {
					return true
				}
				if trial.NameKey(r.s.Header[c]) == trial.NameKey(o.Class) {
					return true
				}
			}
		}
	}
	return false
}

func (r *reader) firstOf(k record.QuadratAt) record.Observation {
	for _, o := range r.out.Observations {
		if o.Variable == record.VarCount && o.Spot() == k {
			return o
		}
	}
	return record.Observation{}
}

// longValues reads any assessment: plot, variable, value, unit, and quadrat
// where it is one of a quadrat.
func (r *reader) longValues(vc, valc int) error {
	at, err := r.places(false)
	if err != nil {
		return err
	}
	byLine := r.numbers(valc)
	lengths := map[int]tables.Value{}
	if c := r.column("bed length"); c >= 0 {
		_, unit, _ := findColumn(r.kind, r.s.Header[c])
		factor, ok := units[Length][cmp.Or(unit, r.opt.LengthUnit)]
		if !ok {
			return fmt.Errorf("%s: column %q does not say its unit: write bed_length_m or bed_length_ft", r.s.Name, r.s.Header[c])
		}
		lengths = r.scaled(c, factor)
	}
	var ask Ask
	for _, row := range r.s.Rows {
		p, ok := at[row.Line]
		v, has := byLine[row.Line]
		if !ok || !has {
			continue
		}
		o := r.observation(row, p)
		o.Variable = strings.ToLower(row.Cells[vc].Text)
		o.LengthMM, o.Trim, o.Pick = lengths[row.Line].Number, r.text(row, "trim"), r.text(row, "pick")
		o.Class, o.Unit = r.text(row, "class"), r.text(row, "unit")
		o.Group, o.Life = r.text(row, "group"), r.text(row, "life")
		if o.Variable == "" {
			r.fault(row.Line, "the name of the variable is blank")
			continue
		}
		if p.quadrat > 0 || p.visit > 0 || (o.LengthMM == 0 && !p.date.IsZero() && r.t.VisitOf(p.date) > 0) {
			if p, ok = r.visitOfRow(row.Line, p); !ok {
				continue
			}
			o.Visit, o.Date = p.visit, p.date
		}
		if r.longValue(&o, &v, row.Line) {
			if o.Variable == record.VarCount {
				r.nameClass(&o, &ask)
			}
			r.add(o, v)
		}
	}
	if len(ask.Questions) > 0 {
		ask.Sheet = r.s.Name
		return ask
	}
	r.unlisted(true)
	r.checkTotals()
	return nil
}

// longValue brings one value into the unit its variable is stored in.
func (r *reader) longValue(o *record.Observation, v *tables.Value, line int) bool {
	unit := cmp.Or(unitNames[foldUnit(o.Unit)], o.Unit)
	col := r.variable(o.Variable, unit)
	if trial.NameKey(o.Variable) == trial.NameKey(record.VarYield) {
		i := slices.IndexFunc(Columns, func(c Column) bool { return c.Target == record.VarYield })
		col = &Columns[i] // which weight of the harvest it is, is said by the class
		c, _, ok := findColumn(KindYields, o.Class)
		switch {
		case ok && c.Target == record.VarYield:
			o.Class = c.Class
		case o.Class != "":
			r.fault(line, "the class of a yield is given as %q: say marketable, cull or total", o.Class)
			return false
		}
	}
	if col == nil {
		if o.Unit == "" {
			r.fault(line, "%s needs a unit", o.Variable)
			return false
		}
		o.Variable = ownName(o.Variable, o.Unit)
		return true
	}
	o.Variable = col.Target
	switch {
	case col.Quantity == Things:
		if o.Unit != "" && !col.accepts(unit) {
			r.fault(line, "%s is given in %q: give the plants counted in the quadrat, without a unit or in plants; a number per area goes under a name of its own", o.Variable, o.Unit)
			return false
		}
		o.Unit = cmp.Or(unit, col.Quantity.StoredUnit())
		return r.isCount(line, "value", *v)
	case units[col.Quantity][unit] == 0 && unit != col.Quantity.StoredUnit():
		var known []string
		for u := range units[col.Quantity] {
			known = append(known, u)
		}
		slices.Sort(known)
		if o.Unit == "" {
			r.fault(line, "%s needs a unit: %s", o.Variable, strings.Join(known, ", "))
		} else {
			r.fault(line, "%s is given in %q, which is none of its units: %s", o.Variable, o.Unit, strings.Join(known, ", "))
		}
		return false
	}
	if v.Percent {
		v.Number, unit = v.Number/100, "fraction"
	}
	v.Number *= units[col.Quantity][unit]
	o.Unit = col.Quantity.StoredUnit()
	if col.Quantity == Share && !v.Missing && (v.Number < 0 || v.Number > 1) {
		r.fault(line, "%s must lie between 0 and 100 %%", o.Variable)
		return false
	}
	return true
}

// variable finds the column of the table that a variable of a long sheet is; nil
// for an assessment of the user's own. Where a variable can be held in several
// quantities, the unit decides; the one that fits none comes back to be refused.
func (r *reader) variable(name, unit string) *Column {
	var first *Column
	key := trial.NameKey(name)
	for i := range Columns {
		c := &Columns[i]
		if !c.wide() || !slices.Contains(c.In, KindCounts) && !slices.Contains(c.In, KindYields) || c.Quantity == Weight && c.Target == record.VarYield {
			continue
		}
		if trial.NameKey(c.Target) != key && (!slices.Contains(c.In, KindCounts) || !c.named(key, true) && !c.named(key, false)) {
			continue
		}
		if c.accepts(unit) {
			return c
		}
		if first == nil {
			first = c
		}
	}
	if first != nil && first.Quantity != Things && unit != "" && first.Target != record.VarCover && first.Target != record.VarCropHeight {
		return nil // an assessment in a unit of the user's own, such as regrowth in % of stems
	}
	if first != nil && first.Quantity == Things && unit != "" && !first.accepts(unit) && first.Target != record.VarCount {
		return nil
	}
	return first
}

// checkTotals compares an entered total with the sum of its classes. Within a
// sheet they have to agree; between two sheets a person may know why they do not.
func (r *reader) checkTotals() {
	type sums struct {
		total, parts float64
		hasTotal     bool
		classes      int
		open         bool
		line         int    // of the sheet
		stored       string // where one of them was stored before; "" where the sheet has both
	}
	at := map[record.QuadratAt]*sums{}
	var order []record.QuadratAt
	tells := map[record.Key]bool{}
	for _, o := range r.out.Observations {
		tells[o.Key()] = true
	}
	add := func(o record.Observation, stored string) {
		if o.Variable != record.VarCount || o.Quadrat == 0 {
			return
		}
		k := o.Spot()
		s := at[k]
		if s == nil {
			s = &sums{}
			at[k] = s
			order = append(order, k)
		}
		if s.stored = cmp.Or(s.stored, stored); stored == "" {
			s.line = o.Line
		}
		switch {
		case o.Missing:
			s.open = true
		case o.Class == "":
			s.total, s.hasTotal = o.Value, true
		default:
			s.parts += o.Value
			s.classes++
		}
	}
	for _, o := range r.out.Observations {
		add(o, "")
	}
	for _, o := range r.opt.Stored {
		if _, here := at[o.Spot()]; here && !tells[o.Key()] {
			add(o, cmp.Or(o.Source, "what was entered before"))
		}
	}
	var differ []record.QuadratAt
	for _, k := range order {
		switch s := at[k]; {
		case !s.hasTotal || s.classes == 0 || s.open || s.total == s.parts:
		case s.stored == "":
			r.fault(s.line, "plot %s quadrat %d: the total says %v but the classes add up to %v", k.Plot, k.Quadrat, s.total, s.parts)
		default:
			differ = append(differ, k)
		}
	}
	if len(differ) > 0 {
		k := differ[0]
		s := at[k]
		r.doubt("in %s the total and the classes, of which one is stored already, do not add up, such as plot %s quadrat %d (row %d and %s): the total says %v, the classes %v; are both right (--agreed)? If not, correct the one that is wrong",
			plural(len(differ), "quadrat", "quadrats"), k.Plot, k.Quadrat, s.line, s.stored, s.total, s.parts)
	}
}

// checkDuplicates refuses two rows for one value in the same sheet.
func (r *reader) checkDuplicates() {
	first := map[record.Key]int{}
	for _, o := range r.out.Observations {
		k := o.Key()
		if was, dup := first[k]; dup && was != o.Line {
			way := "keep one"
			if r.kind == KindYields {
				way = "keep one, write their sum, or tell them apart with a column pick"
			}
			r.fault(o.Line, "tells plot %s%s a second time (first in row %d): %s", o.Plot, ofQuadrat(o), was, way)
			continue
		}
		first[k] = o.Line
	}
}

// suchUnits are the units that a header without one is shown as examples.
var suchUnits = map[trial.Units]map[Quantity]string{
	trial.Metric: {Length: "_cm", Weight: "_g", WeightPerArea: " (kg/ha)"},
	trial.US:     {Length: "_in", Weight: "_oz", WeightPerArea: " (lb/acre)"},
}
