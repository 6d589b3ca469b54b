package stats

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"quadtally/stats/dist"
)

// FactorialInput holds the plots of a trial whose treatments are combinations
// of several factors, each column with one entry a plot. Values are on the
// scale of the analysis; leave a missing plot out of every column.
type FactorialInput struct {
	Values []float64
	// Blocks and Columns are layout terms; either may be empty. Plots of one
	// block may carry the same combination more than once.
	Blocks  []string
	Columns []string
	// Factors are two or more, in the order in which effects are listed.
	Factors []Factor
	// Covariate is measured before the treatments; empty for none.
	Covariate []float64
	Alpha     float64 // significance level; intervals have confidence 1-Alpha
}

// CellMean is the mean of a combination of levels, averaged with equal weight
// over the levels of all other factors and over blocks.
type CellMean struct {
	Levels []string `json:"levels"`
	Plots  int      `json:"plots"`
	Mean   *float64 `json:"mean,omitempty"`
	SE     *float64 `json:"se,omitempty"`
	Lower  *float64 `json:"lower,omitempty"`
	Upper  *float64 `json:"upper,omitempty"`
}

// EffectMeans are the means of a main effect or an interaction, and the
// standard errors of their differences. P of a pair is for the pair on its own,
// PHolm is adjusted over all pairs of the effect; Letters go with PHolm.
type EffectMeans struct {
	Factors []string     `json:"factors"`
	Means   []CellMean   `json:"means"`
	Letters []string     `json:"letters,omitempty"`
	Pairs   []EffectPair `json:"pairs,omitempty"`
}

// EffectPair is the difference of two means of an effect, by index.
type EffectPair struct {
	A          int      `json:"a"`
	B          int      `json:"b"`
	Difference *float64 `json:"difference,omitempty"`
	SED        *float64 `json:"sed,omitempty"`
	DF         float64  `json:"df,omitempty"`
	T          *float64 `json:"t,omitempty"`
	P          *float64 `json:"p,omitempty"`
	PHolm      *float64 `json:"p_holm,omitempty"`
	Lower      *float64 `json:"lower,omitempty"`
	Upper      *float64 `json:"upper,omitempty"`
}

// Factorial is the analysis of a factorial trial. ANOVA has blocks first, then
// every effect adjusted for blocks and all effects that do not contain it (type
// II), which in a complete
// factorial with equal replication is the one analysis there is. An effect
// confounded with blocks has 0 degrees of freedom and no F.
//
// Read from the highest interaction down: where one is significant, the means
// of its combinations are the answer and the main effects in it are averages
// over different things.
type Factorial struct {
	ANOVA      []ANOVARow    `json:"anova"`
	ResidualDF int           `json:"residual_df"`
	MSE        *float64      `json:"mse,omitempty"`
	CVPercent  *float64      `json:"cv_percent,omitempty"`
	Effects    []EffectMeans `json:"effects"`
	// Read lists the effects to read: interactions that are significant and
	// not part of a higher one that is, then main effects in none of them.
	Read []string `json:"read"`
	// Absent lists combinations of levels without a plot.
	Absent []string `json:"absent,omitempty"`
	// BlockByTreatment tests, where combinations are repeated within blocks,
	// whether they differ from block to block by more than their plots do.
	BlockByTreatment *BlockByTreatment `json:"block_by_treatment,omitempty"`
	Warnings         []string          `json:"warnings,omitempty"`

	fit   *Fit // effects
	cells *Fit // one term for the combination
}

// Fit is the fitted linear model of the effects, for trends over the rates of a
// factor ([Fit.Trend]).
func (f Factorial) Fit() *Fit { return f.fit }

// cellTerm names the term of combinations; no factor can be called so.
const cellTerm = "combination of all factors"

// AnalyseFactorial fits blocks, columns, the covariate, every factor and every
// interaction. It refuses columns of unequal length, factors without two
// levels, and two factors of one name. A trial without residual degrees of
// freedom gives means without tests.
func AnalyseFactorial(in FactorialInput) (Factorial, error) {
	if err := in.validate(); err != nil {
		return Factorial{}, err
	}
	layout := in.layout()
	terms := slices.Clone(layout)
	effects := subsets(len(in.Factors))
	for _, set := range effects {
		terms = append(terms, in.term(set))
	}
	fit, err := FitLinear(in.Values, terms...)
	if err != nil {
		return Factorial{}, err
	}
	combination := InteractionTerm(in.factorTerms()...)
	labels := make([]string, len(in.Values))
	for i := range labels {
		var parts []string
		for _, f := range combination.factors {
			parts = append(parts, f.Labels[i])
		}
		labels[i] = strings.Join(parts, "\x00")
	}
	cells, err := FitLinear(in.Values, append(slices.Clone(layout), FactorTerm(cellTerm, labels))...)
	if err != nil {
		return Factorial{}, err
	}
	out := Factorial{ANOVA: fit.TypeII(), ResidualDF: fit.DFResidual, fit: fit, cells: cells}
	// Blocks and columns stand as they are; nobody asks what treatments leave
	// of them.
	for i, r := range fit.Sequential()[:len(layout)] {
		if layout[i].numeric == nil {
			out.ANOVA[i] = r
		}
	}
	if mse, ok := fit.MSE(); ok {
		out.MSE = ptr(mse)
		if cv := 100 * math.Sqrt(mse) / math.Abs(fit.Mean); finite(cv) {
			out.CVPercent = &cv
		}
	}
	out.findAbsent(in, labels)
	means, err := cells.MeansOf(cellTerm)
	if err != nil {
		return Factorial{}, err
	}
	for _, set := range effects {
		e, err := out.effectMeans(in, means, set)
		if err != nil {
			return Factorial{}, err
		}
		out.Effects = append(out.Effects, e)
	}
	out.choose(in, effects, len(layout))
	if len(in.Blocks) > 0 {
		out.BlockByTreatment = blockByTreatment(in.Values, layout, in.Blocks, labels)
		if b := out.BlockByTreatment; b != nil && b.P <= in.Alpha {
			out.Warnings = append(out.Warnings, b.warning())
		}
	}
	if out.ResidualDF == 0 {
		out.Warnings = append(out.Warnings, "no residual degrees of freedom: means are given, nothing can be tested; repeat the combinations in blocks")
	}
	return out, nil
}

func (in FactorialInput) validate() error {
	n := len(in.Values)
	if n == 0 {
		return errors.New("no plots: a factorial needs the value, the block and every factor of each plot")
	}
	for i, v := range in.Values {
		if !usable(v) {
			return fmt.Errorf("plot %d: the value is not a number that could be measured; leave a missing plot out", i+1)
		}
	}
	if len(in.Factors) < 2 {
		return fmt.Errorf("%d factor: a factorial has 2 or more; compare the treatments of a single factor as they are", len(in.Factors))
	}
	if len(in.Factors) > 4 {
		return fmt.Errorf("%d factors: at most 4 can be analysed with all their interactions", len(in.Factors))
	}
	if !(in.Alpha > 0 && in.Alpha < 0.5) {
		return fmt.Errorf("significance level %g is not between 0 and 0.5", in.Alpha)
	}
	for _, c := range []struct {
		name string
		n    int
	}{{"blocks", len(in.Blocks)}, {"columns", len(in.Columns)}, {"the covariate", len(in.Covariate)}} {
		if c.n != 0 && c.n != n {
			return fmt.Errorf("%s have %d entries for %s", c.name, c.n, count(n, "plot"))
		}
	}
	seen := map[string]bool{}
	for _, f := range in.Factors {
		switch {
		case f.Name == "" || strings.Contains(f.Name, ":") || f.Name == "block" || f.Name == "column" || f.Name == "covariate":
			return fmt.Errorf("a factor cannot be called %q: give it a name of its own without a colon", f.Name)
		case seen[f.Name]:
			return fmt.Errorf("two factors are called %s: give each a name of its own", f.Name)
		case len(f.Labels) != n:
			return fmt.Errorf("factor %s has %d entries for %s", f.Name, len(f.Labels), count(n, "plot"))
		case slices.Contains(f.Labels, ""):
			return fmt.Errorf("factor %s: plot %d has no level; every plot needs one", f.Name, slices.Index(f.Labels, "")+1)
		case len(levels(f.Labels)) < 2:
			return fmt.Errorf("factor %s has one level only (%s): leave it out", f.Name, f.Labels[0])
		}
		seen[f.Name] = true
	}
	return nil
}

func (in FactorialInput) layout() []Term {
	var terms []Term
	if len(in.Blocks) > 0 {
		terms = append(terms, FactorTerm("block", in.Blocks))
	}
	if len(in.Columns) > 0 {
		terms = append(terms, FactorTerm("column", in.Columns))
	}
	if len(in.Covariate) > 0 {
		terms = append(terms, CovariateTerm("covariate", in.Covariate))
	}
	return terms
}

func (in FactorialInput) factorTerms() []Term {
	var terms []Term
	for _, f := range in.Factors {
		terms = append(terms, FactorTerm(f.Name, f.Labels))
	}
	return terms
}

// term is the main effect or interaction of the factors numbered in set.
func (in FactorialInput) term(set []int) Term {
	var terms []Term
	for _, i := range set {
		terms = append(terms, FactorTerm(in.Factors[i].Name, in.Factors[i].Labels))
	}
	if len(terms) == 1 {
		return terms[0]
	}
	return InteractionTerm(terms...)
}

// subsets lists the non-empty sets of n numbers, small ones first, each in
// order.
func subsets(n int) [][]int {
	var out [][]int
	for size := 1; size <= n; size++ {
		var pick func(from int, set []int)
		pick = func(from int, set []int) {
			if len(set) == size {
				out = append(out, slices.Clone(set))
				return
			}
			for i := from; i < n; i++ {
				pick(i+1, append(set, i))
			}
		}
		pick(0, nil)
	}
	return out
}

// combinations lists the levels of the factors numbered in set, the last one
// changing fastest.
func (in FactorialInput) combinations(set []int) [][]string {
	out := [][]string{nil}
	for _, i := range set {
		var next [][]string
		for _, head := range out {
			for _, l := range levels(in.Factors[i].Labels) {
				next = append(next, append(slices.Clone(head), l))
			}
		}
		out = next
	}
	return out
}

func (f *Factorial) findAbsent(in FactorialInput, labels []string) {
	all := make([]int, len(in.Factors))
	for i := range all {
		all[i] = i
	}
	for _, c := range in.combinations(all) {
		if !slices.Contains(labels, strings.Join(c, "\x00")) {
			f.Absent = append(f.Absent, strings.Join(c, " "))
		}
	}
	if len(f.Absent) > 0 {
		f.Warnings = append(f.Warnings, fmt.Sprintf("no plot has %s: means over levels that lack it are left out, and interactions have fewer degrees of freedom", nameList(f.Absent)))
	}
}

// effectMeans averages the means of combinations over the factors not in set.
func (f *Factorial) effectMeans(in FactorialInput, m Means, set []int) (EffectMeans, error) {
	var out EffectMeans
	for _, i := range set {
		out.Factors = append(out.Factors, in.Factors[i].Name)
	}
	// Every mean must average over the same combinations of the others.
	others := 1
	for i := range in.Factors {
		if !slices.Contains(set, i) {
			others *= len(levels(in.Factors[i].Labels))
		}
	}
	mse, ok := m.fit.MSE()
	ok = ok && mse > 0
	df := float64(m.fit.DFResidual)
	var t float64
	if ok {
		t = must(dist.TQuantile(1-in.Alpha/2, df))
	}
	var weights [][]float64
	for _, want := range in.combinations(set) {
		w := make([]float64, len(m.Levels))
		c := CellMean{Levels: want}
		found := 0
		for k, l := range m.Levels {
			parts := strings.Split(l, "\x00")
			match := true
			for j, i := range set {
				match = match && parts[i] == want[j]
			}
			if match {
				w[k] = 1 / float64(others)
				found++
				c.Plots += m.Plots[k]
			}
		}
		if found < others {
			w = nil
		} else if v := m.average(w); v.estimable {
			c.Mean = ptr(m.fit.shift + v.estimate)
			if ok {
				se := math.Sqrt(mse * v.variance())
				c.SE, c.Lower, c.Upper = &se, ptr(*c.Mean-t*se), ptr(*c.Mean+t*se)
			}
		}
		weights = append(weights, w)
		out.Means = append(out.Means, c)
	}
	for i := range out.Means {
		for j := i + 1; j < len(out.Means); j++ {
			pair := EffectPair{A: i, B: j}
			if weights[i] != nil && weights[j] != nil {
				w := slices.Clone(weights[i])
				for k := range w {
					w[k] -= weights[j][k]
				}
				if c := m.weighted(w); c.estimable {
					pair.Difference = ptr(c.estimate)
					if ok {
						pair.fill(math.Sqrt(mse*c.variance()), df, in.Alpha)
					}
				}
			}
			out.Pairs = append(out.Pairs, pair)
		}
	}
	return out, out.finish(in.Alpha)
}

// letter sets letters where every pair was tested.
func (e *EffectMeans) letter(alpha float64) error {
	n := len(e.Means)
	differ := make(map[[2]int]bool)
	order := make([]int, n)
	for i := range order {
		order[i] = i
		if e.Means[i].Mean == nil {
			return nil
		}
	}
	for _, p := range e.Pairs {
		if p.PHolm == nil {
			return nil
		}
		differ[[2]int{p.A, p.B}], differ[[2]int{p.B, p.A}] = *p.PHolm <= alpha, *p.PHolm <= alpha
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch x, y := *e.Means[a].Mean, *e.Means[b].Mean; {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	letters, err := Letters(n, func(i, j int) bool { return differ[[2]int{order[i], order[j]}] })
	if err != nil {
		return err
	}
	e.Letters = make([]string, n)
	for i, at := range order {
		e.Letters[at] = letters[i]
	}
	return nil
}

// choose names the effects to read.
func (f *Factorial) choose(in FactorialInput, effects [][]int, layout int) {
	significant := func(k int) bool {
		r := f.ANOVA[layout+k]
		return r.P != nil && *r.P <= in.Alpha
	}
	var taken [][]int
	inside := func(set []int) bool {
		for _, t := range taken {
			all := true
			for _, i := range set {
				all = all && slices.Contains(t, i)
			}
			if all {
				return true
			}
		}
		return false
	}
	for k := len(effects) - 1; k >= 0; k-- {
		set := effects[k]
		r := f.ANOVA[layout+k]
		if r.DF == 0 {
			f.Warnings = append(f.Warnings, fmt.Sprintf("%s cannot be told apart from blocks or other effects: 0 degrees of freedom, not tested", r.Term))
			continue
		}
		if inside(set) || len(set) > 1 && !significant(k) {
			continue
		}
		if len(set) > 1 {
			taken = append(taken, set)
		}
		f.Read = append(f.Read, r.Term)
	}
	slices.Reverse(f.Read)
	slices.SortStableFunc(f.Read, func(a, b string) int { return strings.Count(b, ":") - strings.Count(a, ":") })
}
