package stats

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
)

// A Row is one reading as it stands in the records: a quadrat, or a whole
// plot where nothing smaller was read.
//
// Treatment, Block, Column, Plot and Quadrat are labels, never numbers:
// treatment "2" is not twice treatment "1". Day counts days from an origin the
// caller states and matters only for a season of visits. Value is in the unit
// of the response. Missing marks a reading that was not taken; a plot that was
// looked at and held nothing has Value 0 and is not missing. Covariate is a
// plot value from before treatment, used only where HasCovariate. Source says
// where the reading stands ("counts.csv:14", a photo name) and appears in
// every message about the row.
type Row struct {
	Plot, Treatment, Block, Column string
	Quadrat                        string
	Day                            float64
	Value                          float64
	Missing                        bool
	Covariate                      float64
	HasCovariate                   bool
	Source                         string
}

// name is how a message refers to the row.
func (r Row) name() string {
	if r.Source != "" {
		return r.Source
	}
	var parts []string
	for _, p := range [][2]string{{"plot ", r.Plot}, {"block ", r.Block}, {"treatment ", r.Treatment}, {"quadrat ", r.Quadrat}} {
		if p[1] != "" {
			parts = append(parts, p[0]+p[1])
		}
	}
	if len(parts) == 0 {
		return "a row without labels"
	}
	return strings.Join(parts, " ")
}

// A Plot is one experimental unit with the mean of its readings. Quadrats in a
// plot are subsamples: they sharpen the plot's value but are not replicates.
type Plot struct {
	// Name is unique within the trial: the plot's own label where there is
	// one, otherwise its block and treatment.
	Name      string   `json:"name"`
	Treatment string   `json:"treatment"`
	Block     string   `json:"block,omitempty"`
	Column    string   `json:"column,omitempty"`
	Value     float64  `json:"value"` // mean of the readings taken; 0 where Missing
	Missing   bool     `json:"missing"`
	Quadrats  int      `json:"quadrats"` // readings behind the mean
	Lost      int      `json:"lost"`     // readings marked missing
	Covariate *float64 `json:"covariate,omitempty"`
	Sources   []string `json:"sources,omitempty"`

	readings   []float64
	unlabelled bool // no row of it names a plot
}

// Fault is one thing wrong with the input, tied to the rows it concerns.
type Fault struct {
	Rows []string `json:"rows"`
	Text string   `json:"text"`
}

func (f Fault) Error() string {
	if len(f.Rows) == 0 {
		return f.Text
	}
	return listed(f.Rows) + ": " + f.Text
}

// listed joins row names, cutting a long list with its count.
func listed(rows []string) string {
	const most = 8
	if len(rows) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(rows[:most], ", "), len(rows)-most)
	}
	return strings.Join(rows, ", ")
}

// joinFaults returns nil for no faults, and otherwise one error holding all.
func joinFaults(faults []Fault) error {
	errs := make([]error, len(faults))
	for i, f := range faults {
		errs[i] = f
	}
	return errors.Join(errs...)
}

// cleanLabel drops spaces of every kind around a label, joins inner runs of
// them into one plain space, and drops characters without width.
func cleanLabel(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r) || unicode.Is(unicode.Zs, r):
			return ' '
		case unicode.IsControl(r) || unicode.Is(unicode.Cf, r):
			return -1
		}
		return r
	}, s)
	return strings.Join(strings.Fields(s), " ")
}

// CleanLabels returns a copy of rows in which treatment, block, column, plot
// and quadrat labels have lost surrounding and no-break spaces, and treatments,
// blocks and columns written with different capitals are one label: the spelling used most,
// the first in alphabetical order on a tie. Each change of spelling that
// unites two labels is told in the notes. Labels that differ in any letter are
// left apart: a typing error must be found by a person.
func CleanLabels(rows []Row) ([]Row, []string) {
	out := slices.Clone(rows)
	fields := []struct {
		name string
		get  func(*Row) *string
		fold bool
	}{
		{"treatment", func(r *Row) *string { return &r.Treatment }, true},
		{"block", func(r *Row) *string { return &r.Block }, true},
		{"column", func(r *Row) *string { return &r.Column }, true},
		{"plot", func(r *Row) *string { return &r.Plot }, false},
		{"quadrat", func(r *Row) *string { return &r.Quadrat }, false},
	}
	var notes []string
	for _, f := range fields {
		raw := make(map[string]map[string][]string) // united form -> spelling -> rows
		count := make(map[string]map[string]int)    // united form -> cleaned -> times
		key := func(clean string) string {
			if f.fold {
				return strings.ToLower(clean)
			}
			return clean
		}
		for i := range out {
			s := *f.get(&out[i])
			c := cleanLabel(s)
			k := key(c)
			if raw[k] == nil {
				raw[k], count[k] = map[string][]string{}, map[string]int{}
			}
			raw[k][s] = append(raw[k][s], out[i].name())
			count[k][c]++
		}
		chosen := make(map[string]string, len(raw))
		for k, spellings := range count {
			best, times := "", -1
			for s, n := range spellings {
				if n > times || n == times && s < best {
					best, times = s, n
				}
			}
			chosen[k] = best
		}
		for _, k := range sortedKeys(raw) {
			if len(raw[k]) < 2 {
				continue
			}
			for _, s := range sortedKeys(raw[k]) {
				if s != chosen[k] {
					notes = append(notes, fmt.Sprintf("%s %q is read as %q (%s)", f.name, s, chosen[k], listed(raw[k][s])))
				}
			}
		}
		for i := range out {
			p := f.get(&out[i])
			*p = chosen[key(cleanLabel(*p))]
		}
	}
	return out, notes
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// compareLabels orders labels as a person would: runs of digits by their
// number, so that T2 comes before T10, everything else by letter.
func compareLabels(a, b string) int {
	for i, j := 0, 0; i < len(a) && j < len(b); {
		if isDigit(a[i]) && isDigit(b[j]) {
			si, sj := i, j
			for i < len(a) && isDigit(a[i]) {
				i++
			}
			for j < len(b) && isDigit(b[j]) {
				j++
			}
			na, nb := strings.TrimLeft(a[si:i], "0"), strings.TrimLeft(b[sj:j], "0")
			if c := cmp.Or(cmp.Compare(len(na), len(nb)), cmp.Compare(na, nb)); c != 0 {
				return c
			}
			continue
		}
		if a[i] != b[j] {
			return cmp.Compare(a[i], b[j])
		}
		i++
		j++
	}
	return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b))
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// levels returns the distinct labels in the order of compareLabels.
func levels(labels []string) []string {
	out := slices.Clone(labels)
	slices.SortFunc(out, compareLabels)
	return slices.Compact(out)
}

// PlotMeans gathers the rows of one visit (or of a response read once) into
// plots, in a fixed order that does not depend on the order of the rows. Rows
// with the same block and plot label are quadrats of that plot. Where no plot
// label is given, rows that carry a quadrat label belong to the plot of their
// block, column and treatment, and a row without one is a plot of its own.
//
// The error joins everything found wrong: a treatment left blank, a value that
// is not a number, a quadrat read twice, a plot with two treatments, two
// covariate values in a plot, or blocks given for only some rows.
func PlotMeans(rows []Row) ([]Plot, error) {
	var faults []Fault
	blocked, columned := 0, 0
	for _, r := range rows {
		if r.Block != "" {
			blocked++
		}
		if r.Column != "" {
			columned++
		}
	}
	var noTreatment, noBlock, noColumn, notNumber, badCovariate []string
	for _, r := range rows {
		if r.Treatment == "" {
			noTreatment = append(noTreatment, r.name())
		}
		if blocked > 0 && r.Block == "" {
			noBlock = append(noBlock, r.name())
		}
		if columned > 0 && r.Column == "" {
			noColumn = append(noColumn, r.name())
		}
		if !r.Missing && !usable(r.Value) {
			notNumber = append(notNumber, r.name())
		}
		if r.HasCovariate && !usable(r.Covariate) {
			badCovariate = append(badCovariate, r.name())
		}
	}
	add := func(rows []string, text string) {
		if len(rows) > 0 {
			faults = append(faults, Fault{rows, text})
		}
	}
	if columned > 0 && blocked == 0 {
		faults = append(faults, Fault{Text: "columns are given without blocks: give the rows of the square as blocks, or the columns as blocks if there are no rows"})
	}
	add(noTreatment, "no treatment given; a blank treatment cannot be compared")
	add(noBlock, "no block given while other rows have one; fill in the block")
	add(noColumn, "no column given while other rows have one; fill in the column")
	add(notNumber, "the value is not a number that could be measured; correct it or mark the reading missing")
	add(badCovariate, "the covariate is not a number that could be measured; correct it or leave it out")

	type key struct{ block, column, plot, treatment string }
	groups := map[key][]Row{}
	var order []key
	for _, r := range rows {
		k := key{block: r.Block, plot: r.Plot}
		if r.Plot == "" {
			k = key{block: r.Block, column: r.Column, treatment: r.Treatment}
			if r.Quadrat == "" {
				// Every such row is its own plot; they are gathered here
				// and split below so that their order is fixed by value.
				k.plot = "\x00"
			}
		}
		if _, ok := groups[k]; !ok {
			order = append(order, k)
		}
		groups[k] = append(groups[k], r)
	}

	var plots []Plot
	for _, k := range order {
		g := groups[k]
		slices.SortFunc(g, compareRows)
		if k.plot == "\x00" {
			for _, r := range g {
				plots = append(plots, makePlot([]Row{r}, &faults))
			}
			continue
		}
		plots = append(plots, makePlot(g, &faults))
	}
	slices.SortFunc(plots, comparePlots)
	namePlots(plots)
	if len(faults) > 0 {
		return nil, joinFaults(faults)
	}
	return plots, nil
}

// usable reports whether x is a number whose square is one too; what is larger
// is no measurement.
func usable(x float64) bool { return math.Abs(x) <= 1e100 }

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// compareRows is a total order on all that can change a result.
func compareRows(a, b Row) int {
	miss := func(r Row) int {
		if r.Missing {
			return 1
		}
		return 0
	}
	return cmp.Or(
		compareLabels(a.Block, b.Block), compareLabels(a.Column, b.Column),
		compareLabels(a.Treatment, b.Treatment), compareLabels(a.Plot, b.Plot),
		cmp.Compare(a.Day, b.Day), compareLabels(a.Quadrat, b.Quadrat),
		cmp.Compare(miss(a), miss(b)), cmp.Compare(a.Value, b.Value),
		cmp.Compare(a.Covariate, b.Covariate), cmp.Compare(a.Source, b.Source))
}

func comparePlots(a, b Plot) int {
	return cmp.Or(
		compareLabels(a.Block, b.Block), compareLabels(a.Column, b.Column),
		compareLabels(a.Treatment, b.Treatment), compareLabels(a.Name, b.Name),
		cmp.Compare(a.Value, b.Value), cmp.Compare(a.Quadrats, b.Quadrats),
		cmp.Compare(deref(a.Covariate), deref(b.Covariate)))
}

func deref(p *float64) float64 {
	if p == nil {
		return 0
	}
	return *p
}

// makePlot averages the rows of one plot, which come sorted.
func makePlot(rows []Row, faults *[]Fault) Plot {
	first := rows[0]
	p := Plot{Name: first.Plot, Treatment: first.Treatment, Block: first.Block, Column: first.Column}
	names := make([]string, 0, len(rows))
	for _, r := range rows {
		names = append(names, r.name())
		if r.Source != "" {
			p.Sources = append(p.Sources, r.Source)
		}
	}
	p.Sources = slices.Compact(p.Sources)
	seen := map[string]string{}
	for i, r := range rows {
		if r.Treatment != first.Treatment {
			*faults = append(*faults, Fault{names, fmt.Sprintf("plot %s has treatments %s and %s; a plot has one treatment", first.Plot, first.Treatment, r.Treatment)})
			break
		}
		if r.Column != first.Column {
			*faults = append(*faults, Fault{names, fmt.Sprintf("plot %s stands in columns %s and %s; a plot stands in one", first.Plot, first.Column, r.Column)})
			break
		}
		if other, dup := seen[r.Quadrat]; dup {
			what := "is given twice; keep one row, or name the quadrats if they are several readings of the plot"
			if r.Quadrat != "" {
				what = fmt.Sprintf("has quadrat %s twice; keep one reading or give the second its own quadrat name", r.Quadrat)
			}
			*faults = append(*faults, Fault{[]string{other, names[i]}, fmt.Sprintf("plot %s %s", plotWords(first), what)})
		}
		seen[r.Quadrat] = names[i]
		if r.HasCovariate {
			if p.Covariate != nil && *p.Covariate != r.Covariate {
				*faults = append(*faults, Fault{names, fmt.Sprintf("plot %s has covariate %g and %g; give one value a plot", plotWords(first), *p.Covariate, r.Covariate)})
			}
			v := r.Covariate
			p.Covariate = &v
		}
		if r.Missing {
			p.Lost++
			continue
		}
		p.readings = append(p.readings, r.Value)
	}
	p.Quadrats = len(p.readings)
	p.Missing = p.Quadrats == 0
	if !p.Missing {
		p.Value = mean(p.readings)
	}
	return p
}

func plotWords(r Row) string {
	if r.Plot != "" {
		return r.Plot
	}
	if r.Block != "" {
		return "of treatment " + r.Treatment + " in block " + r.Block
	}
	return "of treatment " + r.Treatment
}

// namePlots gives plots without a label, or with a label used again in
// another block, a name that is their own.
func namePlots(plots []Plot) {
	times := map[string]int{}
	for _, p := range plots {
		times[p.Name]++
	}
	taken := map[string]bool{}
	for name, n := range times {
		taken[name] = n == 1 // a label that stays
	}
	used := map[string]int{}
	for i := range plots {
		p := &plots[i]
		if p.Name != "" && times[p.Name] == 1 {
			continue
		}
		p.unlabelled = p.Name == ""
		var base string
		switch {
		case !p.unlabelled:
			base = p.Block + "/" + p.Name
		case p.Block != "":
			base = p.Block + "/" + p.Treatment
		default:
			base = p.Treatment
		}
		for p.Name = ""; p.Name == "" || taken[p.Name]; {
			used[base]++
			p.Name = base
			if p.Block == "" || used[base] > 1 {
				p.Name = fmt.Sprintf("%s #%d", base, used[base])
			}
		}
		taken[p.Name] = true
	}
}

// mean is the arithmetic mean after a shift by the first value, so that a
// large constant common to all values costs no digits.
func mean(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	c := x[0]
	var sum float64
	for _, v := range x {
		sum += v - c
	}
	m := sum / float64(len(x))
	// One pass of correction takes out the rounding of the first.
	sum = 0
	for _, v := range x {
		sum += (v - c) - m
	}
	return c + (m + sum/float64(len(x)))
}

// joinErrors joins faults with an error that may hold more.
func joinErrors(faults []Fault, err error) error {
	return errors.Join(joinFaults(faults), err)
}
