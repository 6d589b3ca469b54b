package stats

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
)

// PlotSeason is the course of one plot over the visits.
type PlotSeason struct {
	Name      string    `json:"name"`
	Treatment string    `json:"treatment"`
	Block     string    `json:"block,omitempty"`
	Column    string    `json:"column,omitempty"`
	Days      []float64 `json:"days"`   // visits with a value
	Values    []float64 `json:"values"` // plot means at those visits
	// Area is the trapezoid area under Values from the first to the last of
	// Days, in unit times days; PeriodMean is Area over that span. Both are
	// nil where there are fewer than two visits with a value.
	Area       *float64 `json:"area,omitempty"`
	PeriodMean *float64 `json:"period_mean,omitempty"`
	// Bridged are inner visits without a value, across which a straight
	// line stands. WholePeriod is false where the first or last visit is
	// missing: the curve is not carried on beyond what was seen.
	Bridged     []float64 `json:"bridged,omitempty"`
	WholePeriod bool      `json:"whole_period"`
	Covariate   *float64  `json:"covariate,omitempty"`
	Sources     []string  `json:"sources,omitempty"`
}

// Area returns the area under the points (days, values) by the trapezoid rule
// and the span from the first day to the last. Days must rise. The rule
// overstates growth that bends upward between visits.
func Area(days, values []float64) (area, span float64, err error) {
	if len(days) != len(values) {
		return 0, 0, fmt.Errorf("%d days for %d values", len(days), len(values))
	}
	if len(days) < 2 {
		return 0, 0, fmt.Errorf("%s: need 2 for an area", count(len(days), "visit"))
	}
	for i := range days {
		if !finite(days[i]) || !finite(values[i]) {
			return 0, 0, fmt.Errorf("visit %d has a day or value that is not a number", i+1)
		}
		if i == 0 {
			continue
		}
		step := days[i] - days[i-1]
		if step <= 0 {
			return 0, 0, fmt.Errorf("day %g does not come after day %g", days[i], days[i-1])
		}
		area += step * (values[i-1] + values[i]) / 2
	}
	return area, days[len(days)-1] - days[0], nil
}

// SeasonPlots gathers the rows of all visits into the course of each plot, in
// a fixed order, with the visits of the trial. Rows of a plot on one day are
// its quadrats.
func SeasonPlots(rows []Row) (plots []PlotSeason, days []float64, err error) {
	byDay := map[float64][]Row{}
	var faults []Fault
	for _, r := range rows {
		if !finite(r.Day) {
			faults = append(faults, Fault{[]string{r.name()}, "the day is not a number"})
			continue
		}
		byDay[r.Day] = append(byDay[r.Day], r)
	}
	faults = append(faults, unlinked(byDay)...)
	for d := range byDay {
		days = append(days, d)
	}
	slices.Sort(days)
	type key struct{ block, column, plot, treatment string }
	index := map[key]int{}
	treatments := map[[2]string]string{} // block and plot label -> treatment
	var errs []error
	for _, d := range days {
		visit, err := PlotMeans(byDay[d])
		if err != nil {
			errs = append(errs, fmt.Errorf("day %g: %w", d, err))
			continue
		}
		for _, p := range visit {
			// A plot label identifies the plot within its block; its
			// treatment must be the same on every day.
			at := [2]string{p.Block, p.Name}
			if t, ok := treatments[at]; ok && t != p.Treatment {
				faults = append(faults, Fault{p.Sources, fmt.Sprintf("plot %s has treatment %s on day %g and %s before; a plot keeps its treatment", p.Name, p.Treatment, d, t)})
				continue
			}
			treatments[at] = p.Treatment
			k := key{p.Block, p.Column, p.Name, p.Treatment}
			i, ok := index[k]
			if !ok {
				i = len(plots)
				index[k] = i
				plots = append(plots, PlotSeason{Name: p.Name, Treatment: p.Treatment, Block: p.Block, Column: p.Column})
			}
			s := &plots[i]
			for _, source := range p.Sources {
				if !slices.Contains(s.Sources, source) {
					s.Sources = append(s.Sources, source)
				}
			}
			if p.Covariate != nil {
				if s.Covariate != nil && *s.Covariate != *p.Covariate {
					faults = append(faults, Fault{p.Sources, fmt.Sprintf("plot %s has covariate %g on day %g and %g before; give one value a plot", p.Name, *p.Covariate, d, *s.Covariate)})
				}
				s.Covariate = p.Covariate
			}
			if !p.Missing {
				s.Days, s.Values = append(s.Days, d), append(s.Values, p.Value)
			}
		}
	}
	if err := joinErrors(faults, errors.Join(errs...)); err != nil {
		return nil, nil, err
	}
	for i := range plots {
		plots[i].measure(days)
	}
	slices.SortFunc(plots, func(a, b PlotSeason) int {
		return cmp.Or(compareLabels(a.Block, b.Block), compareLabels(a.Column, b.Column),
			compareLabels(a.Treatment, b.Treatment), compareLabels(a.Name, b.Name))
	})
	return plots, days, nil
}

// unlinked finds rows without a plot name that share their treatment and block
// with others of the same day: nothing says which continues which.
func unlinked(byDay map[float64][]Row) []Fault {
	type cell struct {
		day                      float64
		block, column, treatment string
	}
	cells := map[cell][]string{}
	for d, rows := range byDay {
		for _, r := range rows {
			if r.Plot == "" && r.Quadrat == "" {
				c := cell{d, r.Block, r.Column, r.Treatment}
				cells[c] = append(cells[c], r.name())
			}
		}
	}
	var faults []Fault
	for c, rows := range cells {
		if len(rows) > 1 {
			slices.Sort(rows)
			faults = append(faults, Fault{rows, fmt.Sprintf("several rows of treatment %s on day %g without a plot name; name the plots, so that a plot can be followed from visit to visit", c.treatment, c.day)})
		}
	}
	slices.SortFunc(faults, func(a, b Fault) int { return cmp.Compare(a.Error(), b.Error()) })
	return faults
}

// measure fills what follows from the days and values.
func (s *PlotSeason) measure(days []float64) {
	n := len(s.Days)
	if n == 0 {
		return
	}
	s.WholePeriod = s.Days[0] == days[0] && s.Days[n-1] == days[len(days)-1]
	for _, d := range days {
		if d > s.Days[0] && d < s.Days[n-1] && !slices.Contains(s.Days, d) {
			s.Bridged = append(s.Bridged, d)
		}
	}
	if area, span, err := Area(s.Days, s.Values); err == nil {
		s.Area, s.PeriodMean = &area, ptr(area/span)
	}
}

// Season is the comparison of treatments over all visits.
type Season struct {
	Days  []float64    `json:"days"`
	Plots []PlotSeason `json:"plots"`
	// PeriodMean compares the mean over the period, one value a plot. The
	// area is the same comparison times the length of the period.
	PeriodMean Analysis `json:"period_mean"`
	// Area compares the area under the curve of plots seen over the whole
	// period; nil where no treatment would be left.
	Area *Analysis `json:"area,omitempty"`
	// InTime tests whether the treatments part over time; nil where plots
	// lack visits, with the reason among the warnings.
	InTime *SplitPlotInTime `json:"in_time,omitempty"`
	// DateByDate says whether comparisons within single visits have a leg to
	// stand on; nil where nothing tests whether the treatments part over time.
	DateByDate *DateByDate `json:"date_by_date,omitempty"`
	Warnings   []string    `json:"warnings,omitempty"`
	Notes      []string    `json:"notes,omitempty"`
}

// AnalyseSeason compares treatments over all visits by one value a plot (the
// mean over the period and the area under the curve) and, where every plot was
// seen at every visit, by split plot in time. Visits are never replicates.
//
// A plot without its first or last visit has no whole period: it is left out of
// both comparisons, as missing, for what happened outside its visits is not
// known.
func AnalyseSeason(rows []Row, opt Options) (Season, error) {
	if err := opt.Validate(); err != nil {
		return Season{}, err
	}
	if len(rows) == 0 {
		return Season{}, Fault{Text: "no rows: need the readings of at least 2 visits"}
	}
	clean, notes := CleanLabels(rows)
	faults := append(checkRange(opt.Kind, opt.UnitKnown, clean), checkNames(clean, &opt)...)
	plots, days, err := SeasonPlots(clean)
	if err != nil || len(faults) > 0 {
		return Season{}, joinErrors(faults, err)
	}
	if len(days) < 2 {
		return Season{}, Fault{Text: "1 visit: need 2 for a season; compare the visit on its own"}
	}
	s := Season{Days: days, Plots: plots, Notes: notes}
	var bridged, cut []string
	for _, p := range plots {
		if len(p.Values) == 0 {
			continue // missing, and told as such
		}
		if len(p.Bridged) > 0 {
			bridged = append(bridged, fmt.Sprintf("%s (day %s)", p.Name, numbers(p.Bridged)))
		}
		if !p.WholePeriod {
			cut = append(cut, p.Name)
		}
	}
	if len(bridged) > 0 {
		s.Warnings = append(s.Warnings, fmt.Sprintf("interpolated: a straight line bridges the missing visit of plot %s", listed(bridged)))
	}
	if len(cut) > 0 {
		s.Warnings = append(s.Warnings, fmt.Sprintf("without the first or last visit, so left out, for a curve is not carried on beyond what was seen: plot %s", listed(cut)))
	}
	of := func(value func(PlotSeason) *float64) []Plot {
		var out []Plot
		for _, p := range plots {
			q := Plot{Name: p.Name, Treatment: p.Treatment, Block: p.Block, Column: p.Column, Covariate: p.Covariate, Sources: p.Sources, Missing: true}
			if v := value(p); v != nil && p.WholePeriod {
				q.Value, q.Missing, q.Quadrats = *v, false, 1
				q.readings = []float64{*v}
			}
			out = append(out, q)
		}
		return out
	}
	meanOpt := opt
	meanOpt.Response = strings.TrimSpace("mean " + opt.Response + " over the period")
	if s.PeriodMean, err = analysePlots(of(func(p PlotSeason) *float64 { return p.PeriodMean }), meanOpt); err != nil {
		return Season{}, err
	}
	areaOpt := opt
	areaOpt.Response, areaOpt.Kind, areaOpt.Scale = strings.TrimSpace("area under "+opt.Response), Measure, Raw
	areaOpt.Randomise.Draws = 0 // it would say again what it says of the period mean
	if opt.Unit != "" {
		areaOpt.Unit = opt.Unit + " x days"
	}
	area, err := analysePlots(of(func(p PlotSeason) *float64 { return p.Area }), areaOpt)
	if err != nil {
		return Season{}, err
	}
	s.Area = &area
	if s.InTime, err = SplitInTime(plots, days, s.PeriodMean.Transform, SplitOptions{BlockByVisit: true, EpsilonWithinBlocks: true}); err != nil {
		s.Warnings = append(s.Warnings, err.Error())
	}
	if s.InTime != nil {
		s.DateByDate = s.InTime.DateByDate(opt.Alpha)
	}
	return s, nil
}

// DateByDate is the test that comes before letters and pairs of single visits:
// treatment by visit, with the p value of Greenhouse and Geisser's epsilon.
// Where it shows nothing, treatments are not shown to differ otherwise at one
// visit than at another, and the mean over the period is the answer; many
// visits looked at one by one show something by chance.
type DateByDate struct {
	F        float64 `json:"f"`
	DF1      float64 `json:"df1"` // times Epsilon
	DF2      float64 `json:"df2"` // times Epsilon
	Epsilon  float64 `json:"epsilon"`
	P        float64 `json:"p"`
	Supports bool    `json:"supports"` // P at or below the level
	Visits   int     `json:"visits"`   // looked at one by one
}

// DateByDate returns the test at the significance level alpha; nil where it
// has no answer.
func (s *SplitPlotInTime) DateByDate(alpha float64) *DateByDate {
	var visit, both *WithinTest
	for i := range s.Within {
		switch s.Within[i].Term {
		case "visit":
			visit = &s.Within[i]
		case TreatmentTerm + ":visit":
			both = &s.Within[i]
		}
	}
	if visit == nil || both == nil || both.F == nil || both.PGG == nil {
		return nil
	}
	e := *s.EpsilonGG
	dfe := s.Within[len(s.Within)-1].DF
	return &DateByDate{F: *both.F, DF1: e * float64(both.DF), DF2: e * float64(dfe), Epsilon: e,
		P: *both.PGG, Supports: *both.PGG <= alpha, Visits: visit.DF + 1}
}

func numbers(x []float64) string {
	s := make([]string, len(x))
	for i, v := range x {
		s[i] = fmt.Sprintf("%g", v)
	}
	return strings.Join(s, ", ")
}

// SplitPlotInTime is the analysis of variance with plots as the main units and
// visits within them. Treatment is tested against plots. Visit, and treatment
// by visit, are tested against what is left within plots, with degrees of
// freedom cut down because visits close in time are alike.
//
// EpsilonGG is Greenhouse & Geisser's (1959, Psychometrika 24, 95) factor,
// tr(S)^2/(p tr(S^2)) with S the covariance of p orthonormal visit contrasts
// about the model between plots; EpsilonHF is Huynh & Feldt's (1976, J. Educ.
// Stat. 1, 69), ((v+1) p GG - 2)/(p (v - p GG)) with v the error degrees of
// freedom of that model (ErrorDF), cut at 1. Mauchly's test of sphericity (1940, Ann.
// Math. Stat. 11, 204) needs v >= p and is left out otherwise.
type SplitPlotInTime struct {
	Plot   []ANOVARow   `json:"plot"`   // blocks, treatment, residual between plots
	Within []WithinTest `json:"within"` // visit, blocks by visit, treatment by visit, residual
	// BlockByVisit says that blocks by visit has left the error within plots.
	BlockByVisit bool     `json:"block_by_visit"`
	ErrorDF      int      `json:"error_df_between"`
	EpsilonGG    *float64 `json:"epsilon_gg,omitempty"`
	EpsilonHF    *float64 `json:"epsilon_hf,omitempty"`
	HFUncut      *float64 `json:"epsilon_hf_uncut,omitempty"`
	EpsilonLow   float64  `json:"epsilon_lower_bound"`
	MauchlyW     *float64 `json:"mauchly_w,omitempty"`
	MauchlyP     *float64 `json:"mauchly_p,omitempty"`
}

// WithinTest is a line within plots with its corrected p values. PLow takes
// the lowest epsilon there can be.
type WithinTest struct {
	ANOVARow
	PGG  *float64 `json:"p_gg,omitempty"`
	PHF  *float64 `json:"p_hf,omitempty"`
	PLow *float64 `json:"p_lower_bound,omitempty"`
}

// SplitOptions choose the errors of a split plot in time with blocks.
type SplitOptions struct {
	// BlockByVisit takes blocks by visit out of the error within plots, as
	// [AnalyseSeason] does: blocks have their own rain, shade and observer on
	// each date. Otherwise it is pooled with it, as in the usual table, and the
	// test of treatment by visit is far too cautious where blocks do differ; see
	// TestSeasonSizeReport.
	BlockByVisit bool
	// EpsilonWithinBlocks takes S from residuals free of blocks, whatever the
	// error, so that it describes the plots' own course and not that of the
	// blocks. Otherwise S goes with the error.
	EpsilonWithinBlocks bool
}

// SplitInTime analyses the plots of SeasonPlots on the scale of t. It refuses
// where a plot lacks a visit: then the mean over the period or a mixed model
// answers. Plots without any value are left out.
//
// Each plot's course is turned into its mean and p orthonormal contrasts of
// the visits, and each of these is fitted between plots: the sums of squares
// within plots are sums over the contrasts, and S comes from the residuals.
func SplitInTime(plots []PlotSeason, days []float64, t Transform, opt SplitOptions) (*SplitPlotInTime, error) {
	var gaps []string
	var units []Plot
	var courses [][]float64
	for _, p := range plots {
		switch len(p.Days) {
		case 0:
		case len(days):
			units = append(units, Plot{Name: p.Name, Treatment: p.Treatment, Block: p.Block, Column: p.Column, Quadrats: 1})
			course := make([]float64, len(days))
			for i, v := range p.Values {
				course[i] = t.Forward(v)
			}
			courses = append(courses, course)
		default:
			gaps = append(gaps, p.Name)
		}
	}
	if len(gaps) > 0 {
		return nil, fmt.Errorf("no split plot in time: plot%s %s lack%s visits; the mean over the period or a mixed model still answers",
			plural(len(gaps)), listed(gaps), map[bool]string{true: "s"}[len(gaps) == 1])
	}
	if len(units) < 2 || len(days) < 2 {
		return nil, fmt.Errorf("no split plot in time: %s at %s, need 2 of each", count(len(units), "plot"), count(len(days), "visit"))
	}
	nuisance := designOf(units).nuisance(units)
	between := append(slices.Clone(nuisance), treatmentOf(units))
	if !opt.BlockByVisit {
		nuisance = nil
	}
	contrasts, err := PolynomialContrasts(days, len(days)-1)
	if err != nil {
		return nil, err
	}
	k, p := float64(len(days)), len(contrasts)

	sums := make([]float64, len(units))
	for i, c := range courses {
		sums[i] = mean(c) * math.Sqrt(k)
	}
	whole, err := FitLinear(sums, between...)
	if err != nil {
		return nil, err
	}
	s := &SplitPlotInTime{Plot: whole.Sequential(), BlockByVisit: len(nuisance) > 0, EpsilonLow: 1 / float64(p)}

	within := append(slices.Clone(nuisance), treatmentOf(units))
	df, ss := make([]int, len(within)+2), make([]float64, len(within)+2)
	left := make([][]float64, p)
	for j, c := range contrasts {
		y := make([]float64, len(units))
		for i, course := range courses {
			for v, w := range c {
				y[i] += w * (course[v] - course[0])
			}
		}
		f, err := FitLinear(y, within...)
		if err != nil {
			return nil, err
		}
		df[0]++
		ss[0] += float64(len(units)) * sq(f.Mean)
		for i := range within {
			d, v := f.termDFSS(i)
			df[i+1] += d
			ss[i+1] += v
		}
		df[len(df)-1] += f.DFResidual
		ss[len(ss)-1] += f.SSResidual
		if opt.EpsilonWithinBlocks && len(between) > len(within) {
			if f, err = FitLinear(y, between...); err != nil {
				return nil, err
			}
		}
		left[j], s.ErrorDF = f.Residuals(), f.DFResidual
	}
	s.sphericity(left)
	names := []string{"visit"}
	for _, t := range within {
		names = append(names, t.Name+":visit")
	}
	last := len(df) - 1
	for i, name := range names {
		s.Within = append(s.Within, s.test(testedRow(name, df[i], ss[i], df[last], ss[last], len(units)*len(days)), df[last]))
	}
	e := ANOVARow{Term: residuals, DF: df[last], SS: ss[last]}
	if df[last] > 0 {
		e.MS = ptr(ss[last] / float64(df[last]))
	}
	s.Within = append(s.Within, WithinTest{ANOVARow: e})
	return s, nil
}

// sphericity works out the epsilons from the residuals of each contrast.
func (s *SplitPlotInTime) sphericity(left [][]float64) {
	p := len(left)
	if s.ErrorDF == 0 {
		return
	}
	cov := mat.NewSymDense(p, nil)
	var trace, square float64
	for i := range p {
		for j := range i + 1 {
			var v float64
			for k, e := range left[i] {
				v += e * left[j][k]
			}
			cov.SetSym(i, j, v)
		}
		trace += cov.At(i, i)
	}
	if trace <= 0 {
		return
	}
	for i := range p {
		for j := range p {
			square += sq(cov.At(i, j) / trace)
		}
	}
	v, fp := float64(s.ErrorDF), float64(p)
	gg := 1 / (fp * square)
	s.EpsilonGG = &gg
	// With v <= p GG the formula of Huynh and Feldt has no finite value.
	if below := fp * (v - fp*gg); below > 0 {
		hf := ((v+1)*fp*gg - 2) / below
		s.HFUncut, s.EpsilonHF = &hf, ptr(min(1, max(hf, s.EpsilonLow)))
	} else {
		s.EpsilonHF = ptr(1)
	}
	var chol mat.Cholesky
	if s.ErrorDF < p || p < 2 || !chol.Factorize(cov) {
		return
	}
	logW := chol.LogDet() - fp*math.Log(trace/fp)
	s.MauchlyW = ptr(math.Exp(logW))
	// Box's series to the second term (Anderson 2003, Introduction to
	// Multivariate Statistical Analysis, 3rd ed., section 10.7).
	rho := 1 - (2*fp*fp+fp+2)/(6*fp*v)
	w2 := (fp + 2) * (fp - 1) * (fp - 2) * (2*fp*fp*fp + 6*fp*fp + 3*fp + 2) / (288 * sq(v*fp*rho))
	z := max(0, -v*rho*logW)
	df := fp*(fp+1)/2 - 1
	p1, p2 := must(dist.ChiSquareSF(z, df)), must(dist.ChiSquareSF(z, df+4))
	s.MauchlyP = ptr(min(1, max(0, p1+w2*(p2-p1))))
}

// test corrects the p value of a line within plots.
func (s *SplitPlotInTime) test(r ANOVARow, dfe int) WithinTest {
	w := WithinTest{ANOVARow: r}
	if r.F == nil {
		return w
	}
	corrected := func(epsilon *float64) *float64 {
		if epsilon == nil {
			return nil
		}
		return ptr(must(dist.FSF(*r.F, *epsilon*float64(r.DF), *epsilon*float64(dfe))))
	}
	w.PGG, w.PHF, w.PLow = corrected(s.EpsilonGG), corrected(s.EpsilonHF), corrected(&s.EpsilonLow)
	return w
}
