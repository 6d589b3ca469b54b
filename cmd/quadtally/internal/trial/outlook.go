package trial

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// WantedDF is the least number of residual degrees of freedom the trade
// accepts for a field trial (EPPO standard PP 1/152, "Design and analysis of
// efficacy evaluation trials"; the wording is from memory).
const WantedDF = 12

// Outlook says what a layout can show before anything is measured.
type Outlook struct {
	Plots      int
	ResidualDF int
	Linked     bool // every treatment can be compared with every other

	// Replicates is the number of plots a treatment that would compare any two
	// treatments as well, on average, in complete blocks of the same residual
	// variance. In balanced complete layouts it is the plots a treatment has.
	Replicates float64

	CVPercent float64 // as given
	// DetectablePct is the smallest true difference between two treatments, in
	// % of the mean, that a two-sided test at 5 % finds with power 80 %:
	// CV sqrt(2/r) (t[.975, df] + t[.80, df]). 0 where it cannot be said.
	DetectablePct float64
	// NormalPct is the same with normal quantiles, 1.960 + 0.842, the formula
	// in the handbooks. It promises too much where df are few.
	NormalPct float64

	BlocksForDF int // fewest blocks (or replicates) that reach WantedDF; 0 where no number does
	Sentences   []string
	Warnings    []string
}

// WhatItCanShow works out residual degrees of freedom from the plots as they
// are (missing or repeated treatments included), and the smallest difference
// that can be expected to be found at the given coefficient of variation of
// plot values within blocks. The planning formula is that of Cochran & Cox,
// Experimental Designs, 2nd ed. 1957, section 2.21 (the number is from
// memory): r >= 2 (CV/d)^2 (t1 + t2)^2, solved for d at the r and df in hand.
// A cvPercent that is not above 0 leaves the difference out.
func WhatItCanShow(t *Trial, plots []Plot, cvPercent float64) Outlook {
	o := Outlook{Plots: len(plots), CVPercent: cvPercent}
	if len(plots) == 0 || len(t.Treatments) < 2 {
		o.Warnings = append(o.Warnings, "nothing can be said yet: the layout needs plots and at least two treatments")
		return o
	}
	info := information(t, plots)
	o.ResidualDF, o.Linked, o.Replicates = info.df, info.linked, info.replicates
	o.BlocksForDF = blocksForDF(t)
	o.Sentences = append(o.Sentences, fmt.Sprintf("%d treatments in %d plots (%s): %d residual degrees of freedom.",
		len(t.Treatments), len(plots), t.Design, o.ResidualDF))

	if !o.Linked {
		o.Warnings = append(o.Warnings, "some treatments never share a block with others, directly or through a third: their difference cannot be told from the difference between blocks. Lay it out again with blocks that overlap.")
	}
	o.judgeDF(t)
	if cvPercent > 0 && !math.IsInf(cvPercent, 0) && o.ResidualDF > 0 && o.Linked {
		o.judgeDifference(t)
	}
	o.judgeLayout(t, plots)
	return o
}

func (o *Outlook) judgeDF(t *Trial) {
	if o.ResidualDF >= WantedDF {
		return
	}
	w := fmt.Sprintf("%d residual degrees of freedom are fewer than %d: the trial's own error will be poorly known and real differences easily missed.", o.ResidualDF, WantedDF)
	if o.ResidualDF < 1 {
		w = "no residual degrees of freedom are left: nothing could be tested."
	}
	switch {
	case t.Design == LatinSquare && len(t.Treatments) < 5:
		w += fmt.Sprintf(" A single Latin square of %d has no more; randomised complete blocks reach %d with %d blocks.",
			len(t.Treatments), WantedDF, completeBlocksForDF(len(t.Treatments)))
	case o.BlocksForDF > t.Blocks:
		w += fmt.Sprintf(" %s would reach %d.", counted(o.BlocksForDF, blockWord(t)), WantedDF)
	}
	o.Warnings = append(o.Warnings, w)
}

func (o *Outlook) judgeDifference(t *Trial) {
	df := float64(o.ResidualDF)
	se := o.CVPercent * math.Sqrt(2/o.Replicates)
	n := distuv.UnitNormal
	st := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}
	o.NormalPct = se * (n.Quantile(0.975) + n.Quantile(0.80))
	o.DetectablePct = se * (st.Quantile(0.975) + st.Quantile(0.80))
	o.Sentences = append(o.Sentences, fmt.Sprintf(
		"If plots within a block vary by %.3g %% (coefficient of variation), two treatments must truly differ by about %.0f %% of the mean for a two-sided test at 5 %% to find it four times in five.",
		o.CVPercent, math.Ceil(o.DetectablePct)))
	o.Sentences = append(o.Sentences, fmt.Sprintf(
		"That is CV x sqrt(2/%.3g) x (t.975 + t.80) with %d df = %.1f %%; the handbook's normal approximation says %.1f %%, too hopeful with few df. Comparing all pairs with one error rate needs a larger difference still.",
		o.Replicates, o.ResidualDF, o.DetectablePct, o.NormalPct))
	if o.DetectablePct > 100 {
		o.Warnings = append(o.Warnings, "the smallest difference that can be expected to be found is larger than the mean itself: laid out like this the trial will hardly show anything short of failure. More blocks, or more quadrats in a plot, would help.")
	}
	var wants []string
	if t.Design == CompleteBlocks || t.Design == CompletelyRandomised {
		for _, d := range []float64{20, 30, 50} {
			if b := BlocksForDifference(t, o.CVPercent, d); b > 0 {
				wants = append(wants, fmt.Sprintf("%d for %g %%", b, d))
			}
		}
	}
	if len(wants) > 0 {
		o.Sentences = append(o.Sentences, fmt.Sprintf("At this CV the %s needed: %s.", blockWord(t)+"s", strings.Join(wants, ", ")))
	}
}

func (o *Outlook) judgeLayout(t *Trial, plots []Plot) {
	control := t.Control()
	if control == "" {
		o.Warnings = append(o.Warnings, "no treatment is marked as control: weed control in % of an untreated check cannot be given, and nothing shows that weeds were there to be controlled.")
	}
	if len(t.Treatments) == 2 && t.Design == CompleteBlocks {
		o.Sentences = append(o.Sentences, "With two treatments this is a paired comparison: each block is one pair.")
	}
	if t.Design == IncompleteBlocks {
		lo, hi := sharedBlocks(t, plots)
		how := fmt.Sprintf("any two treatments share %d to %d blocks", lo, hi)
		if lo == hi {
			how = fmt.Sprintf("any two treatments share %s: the plan is balanced", counted(lo, "block"))
		}
		o.Sentences = append(o.Sentences, fmt.Sprintf("Blocks do not hold every treatment; %s. On average two treatments are compared as well as with %.3g plots each in complete blocks of the same evenness.", how, o.Replicates))
		return
	}
	if control == "" || t.Design == CompletelyRandomised {
		return
	}
	var without []string
	for _, b := range BlockNames(plots) {
		if !slices.ContainsFunc(plots, func(p Plot) bool { return p.Block == b && p.Treatment == control }) {
			without = append(without, b)
		}
	}
	if len(without) > 0 {
		o.Warnings = append(o.Warnings, fmt.Sprintf("%s %s without the control %s: control in %% cannot be given there.",
			blockWord(t), strings.Join(without, ", "), control))
	}
}

// sharedBlocks is the fewest and the most blocks any two treatments share.
func sharedBlocks(t *Trial, plots []Plot) (lo, hi int) {
	var blocks [][]int
	for _, b := range BlockNames(plots) {
		var in []int
		for i, tr := range t.Treatments {
			if slices.ContainsFunc(plots, func(p Plot) bool { return p.Block == b && p.Treatment == tr.Code }) {
				in = append(in, i)
			}
		}
		blocks = append(blocks, in)
	}
	d := judged(blocks, len(t.Treatments), "")
	return d.MinShared, d.MaxShared
}

func blockWord(t *Trial) string {
	if t.Design == CompletelyRandomised {
		return "replicate"
	}
	return "block"
}

func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// residualDF is what a full layout of t would leave with b blocks.
func residualDF(t *Trial, b int) int {
	n := len(t.Treatments)
	switch t.Design {
	case CompletelyRandomised:
		return n * (b - 1)
	case LatinSquare:
		return (n - 1) * (n - 2)
	case IncompleteBlocks:
		return b*t.BlockSize - b - n + 1
	}
	return (n - 1) * (b - 1)
}

// blocksForDF is the fewest blocks that reach WantedDF, 0 where none does.
func blocksForDF(t *Trial) int {
	for b := 2; b <= 1000; b++ {
		if residualDF(t, b) >= WantedDF {
			if t.Design == LatinSquare {
				return len(t.Treatments)
			}
			return b
		}
	}
	return 0
}

func completeBlocksForDF(treatments int) int {
	return blocksForDF(&Trial{Design: CompleteBlocks, Treatments: make([]Treatment, treatments)})
}

// BlocksForDifference is the fewest complete blocks (or replicates) for which a
// difference of diffPct % of the mean is found with power 80 % at 5 %
// two-sided: r >= 2 (CV/d)^2 (t[.975, df] + t[.80, df])^2 with the df that r
// itself leaves. 0 where the numbers make no sense, the design has another
// block size, or 1000 blocks do not do.
func BlocksForDifference(t *Trial, cvPercent, diffPct float64) int {
	if !(cvPercent > 0 && diffPct > 0) || len(t.Treatments) < 2 || t.Design == LatinSquare || t.Design == IncompleteBlocks {
		return 0
	}
	ratio := cvPercent / diffPct
	for b := 2; b <= 1000; b++ {
		st := distuv.StudentsT{Sigma: 1, Nu: float64(residualDF(t, b))}
		q := st.Quantile(0.975) + st.Quantile(0.80)
		if float64(b) >= 2*ratio*ratio*q*q {
			return b
		}
	}
	return 0
}

type infoResult struct {
	df         int
	linked     bool
	replicates float64
}

// information fits the layout's nuisance terms (mean, blocks, columns) and
// reads the rest off the treatments' information matrix: its rank says whether
// all are linked, and the trace of its pseudo-inverse gives the mean variance
// of a difference, 2 tr(C+)/(t-1), in units of the residual variance
// (John & Williams, Cyclic and Computer Generated Designs, 2nd ed. 1995,
// section 2.3; the number is from memory).
func information(t *Trial, plots []Plot) infoResult {
	n, k := len(plots), len(t.Treatments)
	index := map[string]int{}
	for i, tr := range t.Treatments {
		index[tr.Code] = i
	}
	columns := map[string]int{"mean": 0}
	at := make([][]int, n)
	for i, p := range plots {
		at[i] = []int{0}
		for _, name := range []string{"block " + p.Block, "column " + p.Column} {
			if strings.HasSuffix(name, " ") {
				continue
			}
			if _, ok := columns[name]; !ok {
				columns[name] = len(columns)
			}
			at[i] = append(at[i], columns[name])
		}
	}
	z := mat.NewDense(n, len(columns), nil)
	x := mat.NewDense(n, k, nil)
	for i, p := range plots {
		for _, c := range at[i] {
			z.Set(i, c, 1)
		}
		if j, ok := index[p.Treatment]; ok {
			x.Set(i, j, 1)
		}
	}
	const tol = 1e-9
	var svd mat.SVD
	if !svd.Factorize(z, mat.SVDThin) {
		return infoResult{}
	}
	var u mat.Dense
	svd.UTo(&u)
	rankZ := 0
	for _, s := range svd.Values(nil) {
		if s > tol*math.Sqrt(float64(n)) {
			rankZ++
		}
	}
	basis := u.Slice(0, n, 0, rankZ)
	var coef, fit, resid, c mat.Dense
	coef.Mul(basis.T(), x)
	fit.Mul(basis, &coef)
	resid.Sub(x, &fit)
	c.Mul(resid.T(), &resid)
	sym := mat.NewSymDense(k, nil)
	for i := range k {
		for j := i; j < k; j++ {
			sym.SetSym(i, j, c.At(i, j))
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(sym, false) {
		return infoResult{}
	}
	rank, trace := 0, 0.0
	for _, v := range eig.Values(nil) {
		if v > tol*float64(n) {
			rank++
			trace += 1 / v
		}
	}
	r := infoResult{df: n - rankZ - rank, linked: rank == k-1}
	if r.linked && trace > 0 {
		r.replicates = float64(k-1) / trace
	}
	return r
}

// OperationDate is one treatment's plots worked on one day.
type OperationDate struct {
	Operation string // "seeding", "termination", "planting"
	Treatment string
	Block     string // "" where it was done in all
	Date      Date
}

// PlannedDates lists the dates of seeding and termination in the plan.
func (t *Trial) PlannedDates() []OperationDate {
	var ops []OperationDate
	for _, tr := range t.Treatments {
		if !tr.Seeded.IsZero() {
			ops = append(ops, OperationDate{Operation: "seeding", Treatment: tr.Code, Date: tr.Seeded})
		}
		if !tr.Terminated.IsZero() {
			ops = append(ops, OperationDate{Operation: "termination", Treatment: tr.Code, Date: tr.Terminated})
		}
	}
	return ops
}

// ConfoundedDates says, one sentence for each operation, which treatments never
// shared a day, directly or through a third: there the effect of the treatment
// and that of the date cannot be told apart. Treatments without the operation
// (bare ground is never terminated) are left out.
func ConfoundedDates(ops []OperationDate) []string {
	var names []string
	for _, o := range ops {
		if !slices.Contains(names, o.Operation) {
			names = append(names, o.Operation)
		}
	}
	var out []string
	for _, name := range names {
		groups := dateGroups(ops, name)
		if len(groups) < 2 {
			continue
		}
		var parts []string
		for _, g := range groups {
			parts = append(parts, fmt.Sprintf("%s on %s", strings.Join(g.treatments, ", "), strings.Join(g.dates, ", ")))
		}
		out = append(out, fmt.Sprintf("%s: %s. Treatment and date cannot be separated between these groups: a difference may come from the date alone. Where the date is part of the treatment, say so in its name.",
			name, strings.Join(parts, "; ")))
	}
	return out
}

type dateGroup struct{ treatments, dates []string }

// dateGroups joins treatments that share a day until nothing more joins.
func dateGroups(ops []OperationDate, name string) []dateGroup {
	var groups []dateGroup
	for _, o := range ops {
		if o.Operation != name || o.Date.IsZero() {
			continue
		}
		joined := dateGroup{[]string{o.Treatment}, []string{o.Date.String()}}
		var rest []dateGroup
		for _, g := range groups {
			if slices.Contains(g.treatments, o.Treatment) || slices.Contains(g.dates, o.Date.String()) {
				joined.treatments = append(g.treatments, joined.treatments...)
				joined.dates = append(g.dates, joined.dates...)
				continue
			}
			rest = append(rest, g)
		}
		joined.treatments, joined.dates = unique(joined.treatments), unique(joined.dates)
		groups = append(rest, joined)
	}
	for i := range groups {
		slices.Sort(groups[i].dates)
	}
	return groups
}

// unique keeps the first of each, in order.
func unique(s []string) []string {
	var out []string
	for _, v := range s {
		if !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	return out
}
