package stats

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"quadtally/stats/dist"
	"quadtally/stats/mixed"
	"quadtally/stats/terms"
)

// StrataKind names a layout with plots of more than one size.
type StrataKind string

// The layouts with plots of more than one size. In a split plot the levels of
// one factor have whole plots, and those of another are randomised inside
// each. In a strip plot (split block) both have strips across the block, which
// cross.
const (
	SplitPlot StrataKind = "split_plot"
	StripPlot StrataKind = "strip_plot"
)

// StrataInput holds the smallest plots of a split-plot or strip-plot trial,
// each column with one entry a plot. Values are on the scale of the analysis;
// leave a missing plot out of every column.
type StrataInput struct {
	Kind   StrataKind
	Values []float64
	Blocks []string
	// Whole is the factor of the whole plots (of one set of strips), Sub the
	// one inside them (of the other strips).
	Whole, Sub Factor
	Alpha      float64 // significance level; intervals have confidence 1-Alpha
}

// Stratum is one size of plot: the terms compared between plots of that size
// and, as the last row, the error they are tested against.
type Stratum struct {
	Name string     `json:"name"`
	Rows []ANOVARow `json:"rows"`
}

// StrataTest is the F test of a term against its own error.
type StrataTest struct {
	Term  string   `json:"term"`
	NumDF int      `json:"num_df"`
	DenDF float64  `json:"den_df"`
	F     *float64 `json:"f,omitempty"`
	P     *float64 `json:"p,omitempty"`
}

// SEDKind says which means a standard error of a difference is for.
type SEDKind string

// The differences of a layout with two sizes of plot.
const (
	SEDWhole       SEDKind = "means of the whole-plot factor"
	SEDSub         SEDKind = "means of the sub-plot factor"
	SEDSubInWhole  SEDKind = "sub-plot levels at one whole-plot level"
	SEDWholeAtSub  SEDKind = "whole-plot levels at one sub-plot level"
	SEDDifferentBy SEDKind = "combinations that differ in both"
)

// StrataSED is the standard error of a difference of a kind, its degrees of
// freedom (Satterthwaite's where it mixes errors), and the least significant
// difference. In an unbalanced trial every pair has its own; Min and Max are
// then their range and SED their mean.
type StrataSED struct {
	Kind SEDKind `json:"kind"`
	SED  float64 `json:"sed"`
	Min  float64 `json:"min"`
	Max  float64 `json:"max"`
	DF   float64 `json:"df"`
	LSD  float64 `json:"lsd"`
}

// StrataAnalysis is the analysis of a split-plot or strip-plot trial. Tests
// are those to read. With one plot in every combination of every block they
// come from the error strata, each term against the plots it was randomised to
// (Gomez & Gomez 1984, Statistical Procedures for Agricultural Research, ch.
// 3); else from a mixed model with blocks fixed, whole plots or strips random,
// by REML with Kenward and Roger's degrees of freedom, and Strata is empty.
type StrataAnalysis struct {
	Kind     StrataKind    `json:"kind"`
	Balanced bool          `json:"balanced"`
	Strata   []Stratum     `json:"strata,omitempty"`
	Tests    []StrataTest  `json:"tests"`
	SEDs     []StrataSED   `json:"seds"`
	Effects  []EffectMeans `json:"effects"`
	// CVPercent is the coefficient of variation of each error, in the order
	// of the strata after blocks.
	CVPercent []float64 `json:"cv_percent,omitempty"`
	// Components are the variances between whole plots (strips) and between
	// the smallest plots, by REML.
	Components []mixed.Component `json:"components,omitempty"`
	Warnings   []string          `json:"warnings,omitempty"`

	in  StrataInput
	fit *Fit
}

func (in StrataInput) validate() error {
	n := len(in.Values)
	switch {
	case in.Kind != SplitPlot && in.Kind != StripPlot:
		return fmt.Errorf("layout %q is not one of %s, %s", in.Kind, SplitPlot, StripPlot)
	case n == 0:
		return errors.New("no plots: need the value, block and both factors of each plot")
	case len(in.Blocks) != n:
		return fmt.Errorf("blocks have %d entries for %s", len(in.Blocks), count(n, "plot"))
	case len(levels(in.Blocks)) < 2:
		return fmt.Errorf("%s: a layout with two sizes of plot needs 2 or more to judge the larger ones by", count(len(levels(in.Blocks)), "block"))
	case !(in.Alpha > 0 && in.Alpha < 0.5):
		return fmt.Errorf("significance level %g is not between 0 and 0.5", in.Alpha)
	case in.Whole.Name == in.Sub.Name:
		return fmt.Errorf("both factors are called %q: give each a name of its own", in.Whole.Name)
	}
	for i, v := range in.Values {
		if !usable(v) {
			return fmt.Errorf("plot %d: the value is not a number that could be measured; leave a missing plot out", i+1)
		}
	}
	for _, f := range []Factor{in.Whole, in.Sub} {
		switch {
		case f.Name == "" || strings.Contains(f.Name, ":") || f.Name == "block":
			return fmt.Errorf("a factor cannot be called %q: give it a name of its own without a colon", f.Name)
		case len(f.Labels) != n:
			return fmt.Errorf("factor %s has %d entries for %s", f.Name, len(f.Labels), count(n, "plot"))
		case slices.Contains(f.Labels, ""):
			return fmt.Errorf("factor %s: plot %d has no level; every plot needs one", f.Name, slices.Index(f.Labels, "")+1)
		case len(levels(f.Labels)) < 2:
			return fmt.Errorf("factor %s has one level only: nothing to compare", f.Name)
		}
	}
	return nil
}

// balanced reports whether every combination stands once in every block.
func (in StrataInput) balanced() bool {
	seen := map[[3]string]int{}
	for i := range in.Values {
		seen[[3]string{in.Blocks[i], in.Whole.Labels[i], in.Sub.Labels[i]}]++
	}
	for _, n := range seen {
		if n != 1 {
			return false
		}
	}
	return len(seen) == len(levels(in.Blocks))*len(levels(in.Whole.Labels))*len(levels(in.Sub.Labels))
}

// AnalyseStrataContext analyses a split-plot or strip-plot trial. It refuses a
// single block, factors of one level, and an unbalanced trial whose variances the
// plots cannot tell apart. The end of ctx stops it.
func AnalyseStrataContext(ctx context.Context, in StrataInput) (StrataAnalysis, error) {
	if err := in.validate(); err != nil {
		return StrataAnalysis{}, err
	}
	out := StrataAnalysis{Kind: in.Kind, Balanced: in.balanced(), in: in}
	m, mixedErr := in.mixedFit(ctx)
	if err := ctx.Err(); err != nil {
		return StrataAnalysis{}, err
	}
	if mixedErr == nil {
		out.Components = m.Components
	}
	if !out.Balanced {
		if mixedErr != nil {
			return StrataAnalysis{}, mixedErr
		}
		return out, out.fillMixed(m)
	}
	return out, out.fillStrata()
}

// mixedFit fits blocks, both factors and their interaction as fixed, and whole
// plots or strips as random.
func (in StrataInput) mixedFit(ctx context.Context) (*mixed.Fit, error) {
	a, b := in.Whole.Name, in.Sub.Name
	m := mixed.Model{Response: in.Values, Frame: terms.Frame{Factors: []terms.Factor{
		{Name: "block", Labels: in.Blocks}, {Name: a, Labels: in.Whole.Labels}, {Name: b, Labels: in.Sub.Labels},
	}}}
	m.Fixed = []terms.Term{{"block"}, {a}, {b}, {a, b}}
	m.Random = []terms.Term{{"block", a}}
	if in.Kind == StripPlot {
		m.Random = append(m.Random, terms.Term{"block", b})
	}
	opt := mixed.DefaultOptions()
	opt.Level = 1 - in.Alpha
	return mixed.FitContext(ctx, m, opt)
}

// meanSquare is a mean square with its degrees of freedom.
type meanSquare struct {
	value float64
	df    float64
}

// share is a multiple of a mean square in a variance.
type share struct {
	of     meanSquare
	weight float64
}

// synthesize adds mean squares with weights and gives Satterthwaite's degrees
// of freedom (1946, Biometrics Bulletin 2, 110-114). ok is false where the sum
// is not above 0.
func synthesize(parts ...share) (variance, df float64, ok bool) {
	var bottom float64
	for _, s := range parts {
		v := s.weight * s.of.value
		variance += v
		bottom += v * v / s.of.df
	}
	if !(variance > 0) || bottom == 0 {
		return 0, 0, false
	}
	return variance, variance * variance / bottom, true
}

func (out *StrataAnalysis) fillStrata() error {
	in := out.in
	block, a, b := FactorTerm("block", in.Blocks), FactorTerm(in.Whole.Name, in.Whole.Labels), FactorTerm(in.Sub.Name, in.Sub.Labels)
	ab, blockA, blockB := InteractionTerm(a, b), InteractionTerm(block, a), InteractionTerm(block, b)
	model := []Term{block, a, blockA, b, ab}
	if in.Kind == StripPlot {
		model = []Term{block, a, blockA, b, blockB, ab}
	}
	fit, err := FitLinear(in.Values, model...)
	if err != nil {
		return err
	}
	out.fit = fit
	rows := fit.Sequential()
	n := fit.N
	row := func(t Term) ANOVARow {
		return rows[slices.IndexFunc(rows, func(r ANOVARow) bool { return r.Term == t.Name })]
	}
	stratum := func(name string, error ANOVARow, tested ...Term) {
		s := Stratum{Name: name}
		for _, t := range tested {
			r := row(t)
			r = testedRow(r.Term, r.DF, r.SS, error.DF, error.SS, n)
			s.Rows = append(s.Rows, r)
			out.Tests = append(out.Tests, StrataTest{r.Term, r.DF, float64(error.DF), r.F, r.P})
		}
		last := ANOVARow{Term: residuals, DF: error.DF, SS: error.SS, MS: error.MS}
		s.Rows = append(s.Rows, last)
		out.Strata = append(out.Strata, s)
		if len(tested) > 0 && error.MS != nil {
			if cv := 100 * math.Sqrt(*error.MS) / math.Abs(fit.Mean); finite(cv) {
				out.CVPercent = append(out.CVPercent, cv)
			}
		}
	}
	residual := rows[len(rows)-1]
	out.Strata = append(out.Strata, Stratum{"blocks", []ANOVARow{row(block)}})
	nb, na, ns := float64(len(levels(in.Blocks))), float64(len(levels(in.Whole.Labels))), float64(len(levels(in.Sub.Labels)))
	ms := func(r ANOVARow) meanSquare { return meanSquare{deref(r.MS), float64(r.DF)} }
	ea, ec := ms(row(blockA)), ms(residual)
	v := strataVariances{}
	if in.Kind == SplitPlot {
		stratum("whole plots", row(blockA), a)
		stratum("sub-plots", residual, b, ab)
		v[SEDWhole] = []share{{ea, 2 / (nb * ns)}}
		v[SEDSub] = []share{{ec, 2 / (nb * na)}}
		v[SEDSubInWhole] = []share{{ec, 2 / nb}}
		v[SEDWholeAtSub] = []share{{ec, 2 * (ns - 1) / (nb * ns)}, {ea, 2 / (nb * ns)}}
		v[SEDDifferentBy] = v[SEDWholeAtSub]
		v[meanOfWhole] = []share{{ea, 1 / (nb * ns)}}
		v[meanOfSub] = []share{{ea, 1 / (nb * na * ns)}, {ec, (ns - 1) / (nb * na * ns)}}
		v[meanOfBoth] = []share{{ea, 1 / (nb * ns)}, {ec, (ns - 1) / (nb * ns)}}
	} else {
		eb := ms(row(blockB))
		stratum("strips of "+in.Whole.Name, row(blockA), a)
		stratum("strips of "+in.Sub.Name, row(blockB), b)
		stratum("crossings", residual, ab)
		v[SEDWhole] = []share{{ea, 2 / (nb * ns)}}
		v[SEDSub] = []share{{eb, 2 / (nb * na)}}
		v[SEDSubInWhole] = []share{{ec, 2 * (na - 1) / (nb * na)}, {eb, 2 / (nb * na)}}
		v[SEDWholeAtSub] = []share{{ec, 2 * (ns - 1) / (nb * ns)}, {ea, 2 / (nb * ns)}}
		v[SEDDifferentBy] = []share{{ea, 2 / (nb * ns)}, {eb, 2 / (nb * na)}, {ec, 2 / nb * (1 - 1/ns - 1/na)}}
		v[meanOfWhole] = []share{{ea, 1 / (nb * ns)}, {eb, 1 / (nb * na * ns)}, {ec, -1 / (nb * na * ns)}}
		v[meanOfSub] = []share{{eb, 1 / (nb * na)}, {ea, 1 / (nb * na * ns)}, {ec, -1 / (nb * na * ns)}}
		v[meanOfBoth] = []share{{ea, 1 / (nb * ns)}, {eb, 1 / (nb * na)}, {ec, (1 - 1/ns - 1/na) / nb}}
		if eb.value < ec.value {
			out.Warnings = append(out.Warnings, fmt.Sprintf("the strips of %s differ less than the crossings within them would by chance: their error is estimated low, with few degrees of freedom", in.Sub.Name))
		}
	}
	if ea.value < ec.value {
		out.Warnings = append(out.Warnings, fmt.Sprintf("the plots of %s differ less than the plots within them would by chance: their error is estimated low, with few degrees of freedom", in.Whole.Name))
	}
	out.warnOfFewDF()
	for _, k := range []SEDKind{SEDWhole, SEDSub, SEDSubInWhole, SEDWholeAtSub, SEDDifferentBy} {
		variance, df, ok := synthesize(v[k]...)
		if !ok {
			continue
		}
		sed := math.Sqrt(variance)
		out.SEDs = append(out.SEDs, StrataSED{Kind: k, SED: sed, Min: sed, Max: sed, DF: df, LSD: sed * must(dist.TQuantile(1-in.Alpha/2, df))})
	}
	return out.fillStrataMeans(v)
}

// strataVariances holds the variance of each kind of difference and mean.
type strataVariances map[SEDKind][]share

// Keys of the variances of means, beside those of differences.
const (
	meanOfWhole SEDKind = "mean of a whole-plot level"
	meanOfSub   SEDKind = "mean of a sub-plot level"
	meanOfBoth  SEDKind = "mean of a combination"
)

// warnOfFewDF says which tests rest on little; degrees of freedom are whole
// numbers where the trial is balanced.
func (out *StrataAnalysis) warnOfFewDF() {
	for _, t := range out.Tests {
		if !(t.DenDF < 6) {
			continue
		}
		df := significant(t.DenDF, 3) + " degrees"
		if t.DenDF == math.Trunc(t.DenDF) {
			df = count(int(t.DenDF), "degree")
		}
		out.Warnings = append(out.Warnings, fmt.Sprintf("%s is judged by %s of freedom of error: only large differences can be shown", t.Term, df))
	}
}

func (out *StrataAnalysis) fillStrataMeans(v strataVariances) error {
	in := out.in
	one := func(names []string, labels [][]string, mean SEDKind, kind func(a, b []string) SEDKind) error {
		e := EffectMeans{Factors: names}
		sums, n := map[string]float64{}, map[string]int{}
		for i, y := range in.Values {
			key := ""
			for _, l := range labels {
				key += l[i] + "\x00"
			}
			sums[key] += y - out.fit.Mean
			n[key]++
		}
		combos := [][]string{{}}
		for _, l := range labels {
			var next [][]string
			for _, head := range combos {
				for _, level := range levels(l) {
					next = append(next, append(slices.Clone(head), level))
				}
			}
			combos = next
		}
		variance, df, ok := synthesize(v[mean]...)
		for _, c := range combos {
			key := strings.Join(c, "\x00") + "\x00"
			m := out.fit.Mean + sums[key]/float64(n[key])
			cell := CellMean{Levels: c, Plots: n[key], Mean: &m}
			if ok {
				se := math.Sqrt(variance)
				t := must(dist.TQuantile(1-in.Alpha/2, df))
				cell.SE, cell.Lower, cell.Upper = &se, ptr(m-t*se), ptr(m+t*se)
			}
			e.Means = append(e.Means, cell)
		}
		for i := range e.Means {
			for j := i + 1; j < len(e.Means); j++ {
				p := EffectPair{A: i, B: j, Difference: ptr(*e.Means[i].Mean - *e.Means[j].Mean)}
				if variance, df, ok := synthesize(v[kind(combos[i], combos[j])]...); ok {
					p.fill(math.Sqrt(variance), df, in.Alpha)
				}
				e.Pairs = append(e.Pairs, p)
			}
		}
		if err := e.finish(in.Alpha); err != nil {
			return err
		}
		out.Effects = append(out.Effects, e)
		return nil
	}
	a, b := in.Whole, in.Sub
	return errors.Join(
		one([]string{a.Name}, [][]string{a.Labels}, meanOfWhole, func(_, _ []string) SEDKind { return SEDWhole }),
		one([]string{b.Name}, [][]string{b.Labels}, meanOfSub, func(_, _ []string) SEDKind { return SEDSub }),
		one([]string{a.Name, b.Name}, [][]string{a.Labels, b.Labels}, meanOfBoth, cellKind),
	)
}

// cellKind says in what two combinations differ.
func cellKind(x, y []string) SEDKind {
	switch {
	case x[0] == y[0]:
		return SEDSubInWhole
	case x[1] == y[1]:
		return SEDWholeAtSub
	}
	return SEDDifferentBy
}

// fill completes a difference from its standard error.
func (p *EffectPair) fill(sed, df, alpha float64) {
	t := *p.Difference / sed
	reach := sed * must(dist.TQuantile(1-alpha/2, df))
	p.SED, p.DF, p.T = &sed, df, &t
	p.P = ptr(must(dist.TTwoSided(t, df)))
	p.Lower, p.Upper = ptr(*p.Difference-reach), ptr(*p.Difference+reach)
}

// finish adjusts the pairs by Holm's method and sets letters.
func (e *EffectMeans) finish(alpha float64) error {
	var p []float64
	var tested []int
	for i, pair := range e.Pairs {
		if pair.P != nil {
			p, tested = append(p, *pair.P), append(tested, i)
		}
	}
	if len(p) > 0 {
		adjusted, err := Adjust(p, AdjustHolm)
		if err != nil {
			return err
		}
		for i, at := range tested {
			e.Pairs[at].PHolm = ptr(adjusted[i])
		}
	}
	return e.letter(alpha)
}

func (out *StrataAnalysis) fillMixed(m *mixed.Fit) error {
	in := out.in
	out.Warnings = append(out.Warnings, m.Warnings...)
	for _, t := range m.Adjusted {
		if t.Term == "block" {
			continue
		}
		out.Tests = append(out.Tests, StrataTest{t.Term, t.NumDF, t.DenDF, ptr(t.F), ptr(t.P)})
	}
	// A factor whose levels lack cells has no test averaged over the other; it is
	// tested as far as it can be, after the terms before it.
	for _, t := range m.Sequential {
		if t.Term == "block" || slices.ContainsFunc(out.Tests, func(x StrataTest) bool { return x.Term == t.Term }) {
			continue
		}
		out.Tests = append(out.Tests, StrataTest{t.Term, t.NumDF, t.DenDF, ptr(t.F), ptr(t.P)})
		out.Warnings = append(out.Warnings, fmt.Sprintf("%s is tested after the terms before it, not averaged over levels that have no plots: read its means where both levels have plots", t.Term))
	}
	order := []string{in.Whole.Name, in.Sub.Name, in.Whole.Name + ":" + in.Sub.Name}
	slices.SortStableFunc(out.Tests, func(x, y StrataTest) int {
		return cmp.Compare(slices.Index(order, x.Term), slices.Index(order, y.Term))
	})
	out.warnOfFewDF()
	kinds := map[SEDKind][]EffectPair{}
	for _, names := range [][]string{{in.Whole.Name}, {in.Sub.Name}, {in.Whole.Name, in.Sub.Name}} {
		e := EffectMeans{Factors: names}
		means, err := m.Means(terms.Term(names))
		if err != nil {
			return err
		}
		for _, x := range means.Means {
			e.Means = append(e.Means, CellMean{Levels: x.Labels, Plots: in.countOf(names, x.Labels), Mean: ptr(x.Mean), SE: ptr(x.SE), Lower: ptr(x.Lower), Upper: ptr(x.Upper)})
		}
		out.Warnings = append(out.Warnings, means.Warnings...)
		differences, _, err := m.Differences(terms.Term(names), nil)
		if err != nil {
			return err
		}
		at := func(labels []string) int {
			return slices.IndexFunc(e.Means, func(c CellMean) bool { return slices.Equal(c.Levels, labels) })
		}
		for _, d := range differences {
			p := EffectPair{A: at(d.A), B: at(d.B), Difference: ptr(d.Difference)}
			if d.SED > 0 {
				p.fill(d.SED, d.DF, in.Alpha)
			}
			e.Pairs = append(e.Pairs, p)
			kind := map[string]SEDKind{in.Whole.Name: SEDWhole, in.Sub.Name: SEDSub}[strings.Join(names, ":")]
			if len(names) == 2 {
				kind = cellKind(d.A, d.B)
			}
			if p.SED != nil {
				kinds[kind] = append(kinds[kind], p)
			}
		}
		if err := e.finish(in.Alpha); err != nil {
			return err
		}
		out.Effects = append(out.Effects, e)
	}
	for _, k := range []SEDKind{SEDWhole, SEDSub, SEDSubInWhole, SEDWholeAtSub, SEDDifferentBy} {
		ps := kinds[k]
		if len(ps) == 0 {
			continue
		}
		s := StrataSED{Kind: k, Min: math.Inf(1), DF: math.Inf(1)}
		for _, p := range ps {
			s.SED += *p.SED / float64(len(ps))
			s.Min, s.Max, s.DF = min(s.Min, *p.SED), max(s.Max, *p.SED), min(s.DF, p.DF)
		}
		s.LSD = s.SED * must(dist.TQuantile(1-in.Alpha/2, s.DF))
		out.SEDs = append(out.SEDs, s)
	}
	return nil
}

// countOf counts the plots with the levels of the named factors.
func (in StrataInput) countOf(names, want []string) int {
	n := 0
	for i := range in.Values {
		match := true
		for k, name := range names {
			l := in.Sub.Labels[i]
			if name == in.Whole.Name {
				l = in.Whole.Labels[i]
			}
			match = match && l == want[k]
		}
		if match {
			n++
		}
	}
	return n
}

// Trend looks for a trend over the rates of one of the two factors, against
// the error of that factor. It refuses an unbalanced trial, where the strata do
// not separate.
func (out StrataAnalysis) Trend(factor string, rates map[string]float64, most int) (Trend, error) {
	in := out.in
	switch {
	case factor != in.Whole.Name && factor != in.Sub.Name:
		return Trend{}, fmt.Errorf("no factor %q: there are %s and %s", factor, in.Whole.Name, in.Sub.Name)
	case !out.Balanced:
		return Trend{}, fmt.Errorf("a trend over %s needs every combination once in every block; compare the means of its levels instead", factor)
	case factor == in.Sub.Name && in.Kind == SplitPlot:
		return out.fit.Trend(factor, rates, most, in.Alpha)
	}
	// The plots of this factor are read as means over the other.
	f := in.Whole
	if factor == in.Sub.Name {
		f = in.Sub
	}
	var y []float64
	var block, level []string
	for _, b := range levels(in.Blocks) {
		for _, l := range levels(f.Labels) {
			var v []float64
			for i := range in.Values {
				if in.Blocks[i] == b && f.Labels[i] == l {
					v = append(v, in.Values[i])
				}
			}
			y, block, level = append(y, mean(v)), append(block, b), append(level, l)
		}
	}
	fit, err := FitLinear(y, FactorTerm("block", block), FactorTerm(factor, level))
	if err != nil {
		return Trend{}, err
	}
	t, err := fit.Trend(factor, rates, most, in.Alpha)
	t.Warnings = append(t.Warnings, fmt.Sprintf("sums of squares are of the plots of %s, read as means of the plots within them", factor))
	return t, err
}
