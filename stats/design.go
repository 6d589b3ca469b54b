package stats

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
)

// DesignKind names how treatments were allotted to plots.
type DesignKind string

// The designs that are recognised.
const (
	CompletelyRandomised DesignKind = "completely_randomised"
	CompleteBlocks       DesignKind = "complete_blocks"
	IncompleteBlocks     DesignKind = "incomplete_blocks"
	LatinSquare          DesignKind = "latin_square"
	RowColumn            DesignKind = "row_column"
)

// Design is the layout of a trial as its rows show it.
type Design struct {
	Kind       DesignKind `json:"kind"`
	Treatments []string   `json:"treatments"` // with at least one value
	Blocks     []string   `json:"blocks,omitempty"`
	Columns    []string   `json:"columns,omitempty"`
	Empty      []string   `json:"blocks_without_data,omitempty"` // of Blocks: every plot is missing
	// Plots holds every plot, with a value or missing, in a fixed order.
	Plots []Plot `json:"-"`
	// Balanced says that all treatments are equally replicated and, in
	// incomplete blocks, that every two meet in equally many blocks.
	Balanced bool `json:"balanced"`
	// Lost lists treatments of which every plot is missing.
	Lost []string `json:"lost,omitempty"`
	// Groups lists treatments by connected set. Treatments of different
	// sets never meet, even through others, and cannot be compared within
	// blocks.
	Groups [][]string `json:"groups"`
	// QuadratsMin and QuadratsMax are the readings in a plot with a value.
	QuadratsMin int    `json:"quadrats_min"`
	QuadratsMax int    `json:"quadrats_max"`
	ResidualDF  int    `json:"residual_df"`
	layout      string // Words without the residual df
	fewAt       int    // place of the warning of few residual df, from 1; 0 for none
	// Words says all this as one line a person can check.
	Words    string   `json:"words"`
	Warnings []string `json:"warnings,omitempty"`
	Notes    []string `json:"notes,omitempty"`
}

// Recognise cleans the labels, forms the plots and works out the design. The
// error joins every fault of the rows; see [PlotMeans]. The result does not
// depend on the order of the rows.
func Recognise(rows []Row) (Design, error) {
	clean, notes := CleanLabels(rows)
	plots, err := PlotMeans(clean)
	if err != nil {
		return Design{}, err
	}
	d := designOf(plots)
	d.Notes = append(notes, d.Notes...)
	return d, nil
}

// designOf recognises the design of plots already formed.
func designOf(plots []Plot) Design {
	d := Design{Plots: plots}
	var all, trt, blk, col []string
	for _, p := range plots {
		all = append(all, p.Treatment)
		if p.Block != "" {
			blk = append(blk, p.Block)
		}
		if p.Column != "" {
			col = append(col, p.Column)
		}
		if p.Missing {
			continue
		}
		trt = append(trt, p.Treatment)
		if d.QuadratsMin == 0 || p.Quadrats < d.QuadratsMin {
			d.QuadratsMin = p.Quadrats
		}
		d.QuadratsMax = max(d.QuadratsMax, p.Quadrats)
	}
	d.Treatments, d.Blocks, d.Columns = levels(trt), levels(blk), levels(col)
	for _, t := range levels(all) {
		if !slices.Contains(d.Treatments, t) {
			d.Lost = append(d.Lost, t)
		}
	}
	if len(d.Treatments) > 0 {
		for _, b := range d.Blocks {
			if !slices.ContainsFunc(plots, func(p Plot) bool { return p.Block == b && !p.Missing }) {
				d.Empty = append(d.Empty, b)
			}
		}
	}
	absent := d.classify()
	d.Groups = connectedSets(d.used())
	d.ResidualDF = d.residualDF()
	d.describe(absent)
	return d
}

// used returns the plots with a value.
func (d Design) used() []Plot {
	var out []Plot
	for _, p := range d.Plots {
		if !p.Missing {
			out = append(out, p)
		}
	}
	return out
}

// classify sets the kind and balance, and returns block and treatment of plots
// that the design asks for but of which there is no row at all.
func (d *Design) classify() (absent []string) {
	n := map[[2]string]int{}
	replication := map[string]int{}
	for _, p := range d.Plots {
		n[[2]string{p.Block, p.Treatment}]++
		replication[p.Treatment]++
	}
	planned := append(slices.Clone(d.Treatments), d.Lost...)
	slices.SortFunc(planned, compareLabels)
	d.Balanced = true
	for _, t := range planned {
		d.Balanced = d.Balanced && replication[t] == replication[planned[0]]
	}
	if len(d.used()) < len(d.Plots) {
		d.Balanced = false
	}
	switch {
	case len(d.Blocks) == 0:
		d.Kind = CompletelyRandomised
		return nil
	case len(d.Columns) > 0:
		d.Kind = RowColumn
		if d.isLatin(planned) {
			d.Kind = LatinSquare
		}
		return nil
	}
	full := 0
	for _, b := range d.Blocks {
		whole := true
		for _, t := range planned {
			if n[[2]string{b, t}] == 0 {
				whole = false
				absent = append(absent, fmt.Sprintf("treatment %s in block %s", t, b))
			}
		}
		if whole {
			full++
		}
	}
	// One whole block is enough to see that complete blocks were meant.
	if full > 0 {
		d.Kind = CompleteBlocks
		d.Balanced = d.Balanced && len(absent) == 0
		return absent
	}
	d.Kind = IncompleteBlocks
	size := 0
	for i, b := range d.Blocks {
		k := 0
		for _, t := range planned {
			k += n[[2]string{b, t}]
		}
		if i == 0 {
			size = k
		}
		d.Balanced = d.Balanced && k == size
	}
	meet := -1
	for i, s := range planned {
		for _, t := range planned[:i] {
			together := 0
			for _, b := range d.Blocks {
				together += n[[2]string{b, s}] * n[[2]string{b, t}]
			}
			if meet < 0 {
				meet = together
			}
			d.Balanced = d.Balanced && together == meet
		}
	}
	return nil
}

// isLatin reports whether the plots, missing ones counted, are a square in
// which no treatment comes twice in a row or a column.
func (d *Design) isLatin(planned []string) bool {
	t := len(planned)
	if len(d.Blocks) != t || len(d.Columns) != t || len(d.Plots) > t*t {
		return false
	}
	seen := map[[3]string]bool{}
	for _, p := range d.Plots {
		for _, k := range [][3]string{{"row", p.Block, p.Treatment}, {"column", p.Column, p.Treatment}, {"cell", p.Block, p.Column}} {
			if seen[k] {
				return false
			}
			seen[k] = true
		}
	}
	return true
}

// connectedSets groups treatments that are linked through shared blocks.
// Without blocks, all are linked.
func connectedSets(plots []Plot) [][]string {
	parent := map[string]string{}
	var find func(string) string
	find = func(s string) string {
		if parent[s] != s {
			parent[s] = find(parent[s])
		}
		return parent[s]
	}
	var trt []string
	for _, p := range plots {
		t, b := "t"+p.Treatment, "b"+p.Block
		for _, s := range []string{t, b} {
			if _, ok := parent[s]; !ok {
				parent[s] = s
			}
		}
		parent[find(t)] = find(b)
		trt = append(trt, p.Treatment)
	}
	index := map[string]int{}
	var out [][]string
	for _, t := range levels(trt) {
		root := find("t" + t)
		i, ok := index[root]
		if !ok {
			i = len(out)
			index[root] = i
			out = append(out, nil)
		}
		out[i] = append(out[i], t)
	}
	return out
}

// terms are the terms of the design that stand before treatment.
func (d Design) nuisance(plots []Plot) []Term {
	var blk, col []string
	for _, p := range plots {
		blk = append(blk, p.Block)
		col = append(col, p.Column)
	}
	var terms []Term
	if len(d.Blocks) > 0 {
		name := "block"
		if d.Kind == LatinSquare || d.Kind == RowColumn {
			name = "row"
		}
		terms = append(terms, FactorTerm(name, blk))
	}
	if len(d.Columns) > 0 {
		terms = append(terms, FactorTerm("column", col))
	}
	return terms
}

// TreatmentTerm names the treatment in every model of this package.
const TreatmentTerm = "treatment"

func treatmentOf(plots []Plot) Term {
	labels := make([]string, len(plots))
	for i, p := range plots {
		labels[i] = p.Treatment
	}
	return FactorTerm(TreatmentTerm, labels)
}

func (d Design) residualDF() int {
	plots := d.used()
	if len(plots) == 0 {
		return 0
	}
	fit, err := FitLinear(make([]float64, len(plots)), append(d.nuisance(plots), treatmentOf(plots))...)
	if err != nil {
		return 0
	}
	return fit.DFResidual
}

func (d *Design) describe(absent []string) {
	t := len(d.Treatments) + len(d.Lost)
	blocks := len(d.Blocks) - len(d.Empty)
	var s strings.Builder
	fmt.Fprintf(&s, "%s ", count(t, "treatment"))
	switch d.Kind {
	case CompletelyRandomised:
		fmt.Fprintf(&s, "on %s without blocks (%s)", count(len(d.Plots), "plot"), d.replication())
	case CompleteBlocks:
		fmt.Fprintf(&s, "in %d complete block%s", blocks, plural(blocks))
	case IncompleteBlocks:
		fmt.Fprintf(&s, "in %d incomplete block%s", blocks, plural(blocks))
		if d.Balanced {
			s.WriteString(", balanced")
		}
	case LatinSquare:
		fmt.Fprintf(&s, "in a Latin square of %d rows and columns", len(d.Blocks))
	case RowColumn:
		fmt.Fprintf(&s, "in %s and %s", count(len(d.Blocks), "row"), count(len(d.Columns), "column"))
	}
	if r := d.replication(); d.Kind == CompleteBlocks && len(d.Plots) > t*len(d.Blocks) {
		fmt.Fprintf(&s, " (%s)", r)
	}
	var missing, thin []string
	for _, p := range d.Plots {
		if p.Missing {
			if !slices.Contains(d.Empty, p.Block) {
				missing = append(missing, p.Name)
			}
		} else if p.Lost > 0 {
			thin = append(thin, fmt.Sprintf("%s (%d of %d)", p.Name, p.Quadrats, p.Quadrats+p.Lost))
		}
	}
	if len(d.Empty) > 0 {
		fmt.Fprintf(&s, ", no data in block%s %s", plural(len(d.Empty)), listed(d.Empty))
	}
	if len(missing) > 0 {
		fmt.Fprintf(&s, ", plot%s %s missing", plural(len(missing)), listed(missing))
	}
	if len(absent) > 0 {
		fmt.Fprintf(&s, ", no row for %s", listed(absent))
	}
	switch {
	case d.QuadratsMax > 1 && d.QuadratsMin == d.QuadratsMax:
		fmt.Fprintf(&s, ", %d quadrats a plot", d.QuadratsMax)
	case d.QuadratsMax > 1:
		fmt.Fprintf(&s, ", %d to %d quadrats a plot", d.QuadratsMin, d.QuadratsMax)
	}
	d.layout = s.String()
	d.Words = fmt.Sprintf("%s, residual df %d", d.layout, d.ResidualDF)

	if len(thin) > 0 {
		d.Notes = append(d.Notes, "the mean of plot "+listed(thin)+" comes from the quadrats that were read")
	}
	if len(d.Lost) > 0 {
		d.Warnings = append(d.Warnings, fmt.Sprintf("every plot of %s is missing; it is not in the comparison", listed(d.Lost)))
	}
	if len(d.Groups) > 1 {
		names := make([]string, len(d.Groups))
		for i, g := range d.Groups {
			names[i] = "{" + strings.Join(g, ", ") + "}"
		}
		d.Warnings = append(d.Warnings, fmt.Sprintf("the treatments fall into sets that never meet in a block: %s; only treatments of one set can be compared", strings.Join(names, " and ")))
	}
	if repeats := d.repeatsWithoutPlotName(); repeats != "" {
		d.Warnings = append(d.Warnings, repeats)
	}
	if w := d.fewDFWarning(); w != "" {
		d.Warnings = append(d.Warnings, w)
		d.fewAt = len(d.Warnings)
	}
}

// replication says how many plots a treatment has.
func (d *Design) replication() string {
	n := map[string]int{}
	for _, p := range d.Plots {
		n[p.Treatment]++
	}
	lo, hi := math.MaxInt, 0
	for _, c := range n {
		lo, hi = min(lo, c), max(hi, c)
	}
	if lo == hi {
		return count(hi, "plot") + " a treatment"
	}
	return fmt.Sprintf("%d to %d plots a treatment", lo, hi)
}

// repeatsWithoutPlotName warns where several rows of one treatment in one
// block became plots of their own only because no plot or quadrat is named.
func (d *Design) repeatsWithoutPlotName() string {
	if len(d.Blocks) == 0 {
		return ""
	}
	n := map[string]int{}
	for _, p := range d.Plots {
		if p.unlabelled {
			n[p.Treatment+" in block "+p.Block]++
		}
	}
	maps.DeleteFunc(n, func(_ string, plots int) bool { return plots == 1 })
	if len(n) == 0 {
		return ""
	}
	return fmt.Sprintf("%s has several rows without a plot name; they are taken as separate plots. If they are quadrats of one plot, name plot or quadrat, or the differences will look surer than they are", listed(sortedKeys(n)))
}

func (d *Design) fewDFWarning() string {
	t, df := len(d.Treatments), d.ResidualDF
	if df >= FewResidualDF || t < 2 {
		return ""
	}
	if df == 0 {
		switch {
		case d.Kind == CompletelyRandomised:
			return "no residual degrees of freedom: need at least 2 plots of a treatment to judge any difference"
		case len(d.Blocks)-len(d.Empty) == 1:
			return "1 block: need at least 2 blocks to judge any difference"
		}
		return "no residual degrees of freedom: more plots are needed to judge any difference"
	}
	cure := ""
	switch d.Kind {
	case CompletelyRandomised:
		cure = fmt.Sprintf("; %d plots a treatment would reach it", ceilDiv(FewResidualDF+t, t))
	case CompleteBlocks:
		cure = fmt.Sprintf("; %d complete blocks would reach it", ceilDiv(FewResidualDF, t-1)+1)
	case IncompleteBlocks:
		cure = "; more blocks would raise it"
	case LatinSquare, RowColumn:
		cure = "; a second square would raise it"
	}
	return fmt.Sprintf("residual df %d is below %d, so only large differences can be shown%s", df, FewResidualDF, cure)
}

func ceilDiv(a, b int) int { return (a + b - 1) / b }

func plural(n int) string {
	if n == 1 {
		return ""
	}
	return "s"
}

func count(n int, noun string) string { return fmt.Sprintf("%d %s%s", n, noun, plural(n)) }

// DateSet is one operation of the trial (seeding, termination, planting) with
// the days on which it was done to the plots of each treatment. Days are
// written in any one way that sorts by time.
type DateSet struct {
	Operation   string              `json:"operation"`
	ByTreatment map[string][]string `json:"by_treatment"`
}

// Add notes a day for a treatment.
func (s *DateSet) Add(treatment, day string) {
	if s.ByTreatment == nil {
		s.ByTreatment = map[string][]string{}
	}
	if !slices.Contains(s.ByTreatment[treatment], day) {
		s.ByTreatment[treatment] = append(s.ByTreatment[treatment], day)
	}
}

// DateGroup is a set of treatments that share days of an operation, directly or
// through a third treatment, with all their days in order.
type DateGroup struct {
	Treatments []string `json:"treatments"`
	Days       []string `json:"days"`
}

// Groups joins treatments that share a day until nothing more joins. Between
// two groups a difference of treatments cannot be told from one of dates.
// Treatments without a day (bare ground is never terminated) are left out.
// Groups are in the order of their first day.
func (s DateSet) Groups(treatments []string) []DateGroup {
	var groups []DateGroup
	for _, t := range treatments {
		days := s.ByTreatment[t]
		if len(days) == 0 {
			continue
		}
		joined := DateGroup{Days: slices.Clone(days)}
		var apart []DateGroup
		for _, g := range groups {
			if slices.ContainsFunc(g.Days, func(d string) bool { return slices.Contains(days, d) }) {
				joined.Treatments = append(joined.Treatments, g.Treatments...)
				joined.Days = append(joined.Days, g.Days...)
			} else {
				apart = append(apart, g)
			}
		}
		joined.Treatments = append(joined.Treatments, t)
		slices.Sort(joined.Days)
		joined.Days = slices.Compact(joined.Days)
		groups = append(apart, joined)
	}
	slices.SortStableFunc(groups, func(a, b DateGroup) int { return strings.Compare(a.Days[0], b.Days[0]) })
	return groups
}

// ConfoundedDates warns, once for each operation, of groups of treatments that
// share no day of it: what the treatments of one group did cannot be told from
// what its days did.
func ConfoundedDates(treatments []string, sets []DateSet) []string {
	var out []string
	for _, set := range sets {
		groups := set.Groups(treatments)
		if len(groups) < 2 {
			continue
		}
		parts := make([]string, len(groups))
		for i, g := range groups {
			parts[i] = fmt.Sprintf("%s on %s", strings.Join(g.Treatments, ", "), strings.Join(g.Days, ", "))
		}
		out = append(out, fmt.Sprintf("a difference may come from the date of %s alone, which is confounded with treatment: %[1]s was done to %s; where the date is part of the treatment, say so in its name", set.Operation, strings.Join(parts, ", and to ")))
	}
	return out
}

// EffectiveReplicates is the number of plots a treatment would have in complete
// blocks that compare any two treatments as well, on average, at the same
// residual variance: 2 over the mean variance of a difference in units of that
// variance. In balanced complete layouts it is the plots a treatment has. It is
// 0 where two treatments cannot be compared. John and Williams 1995, Cyclic and
// Computer Generated Designs, 2nd ed., write the mean variance as 2 tr(C+)/(t-1)
// with C the information matrix of treatments.
func (d Design) EffectiveReplicates() float64 {
	plots := d.used()
	fit, err := FitLinear(make([]float64, len(plots)), append(d.nuisance(plots), treatmentOf(plots))...)
	if err != nil {
		return 0
	}
	_, vectors, err := fit.levelVectors(TreatmentTerm)
	if err != nil {
		return 0
	}
	sum, pairs := 0.0, 0
	for i, a := range vectors {
		for _, b := range vectors[i+1:] {
			between := slices.Clone(a)
			for j := range between {
				between[j] -= b[j]
			}
			c := fit.combine(0, between)
			if !c.estimable {
				return 0
			}
			sum += c.variance()
			pairs++
		}
	}
	if sum <= 0 {
		return 0
	}
	return 2 * float64(pairs) / sum
}

// EfficiencyFactors returns the canonical efficiency factors for treatments,
// largest first: for each of t-1 independent contrasts, the share of the
// information an unblocked trial of the same replication would have that lies
// within blocks. They are all 1 in complete blocks, and 0 for a contrast that
// blocks wholly hide. Lost plots count as they fell. James & Wilkinson 1971,
// Biometrika 58, 279.
func (d Design) EfficiencyFactors() ([]float64, error) {
	plots := d.used()
	t := len(d.Treatments)
	if t < 2 {
		return nil, nil
	}
	left := make([][]float64, t)
	r := make([]float64, t)
	for i, name := range d.Treatments {
		indicator := make([]float64, len(plots))
		for k, p := range plots {
			if p.Treatment == name {
				indicator[k] = 1
				r[i]++
			}
		}
		fit, err := FitLinear(indicator, d.nuisance(plots)...)
		if err != nil {
			return nil, err
		}
		left[i] = fit.Residuals()
	}
	info := mat.NewSymDense(t, nil)
	for i := range t {
		for j := range i + 1 {
			var s float64
			for k, e := range left[i] {
				s += e * left[j][k]
			}
			info.SetSym(i, j, s/math.Sqrt(r[i]*r[j]))
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(info, false) {
		return nil, errors.New("the efficiency factors could not be found")
	}
	values := eigen.Values(nil) // rising; the first is 0, for the mean
	out := make([]float64, 0, t-1)
	for i := t - 1; i > 0; i-- {
		out = append(out, min(1, max(0, values[i])))
	}
	return out, nil
}
