package stats

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
)

// OwnError is the uncertainty of plot values that are themselves estimates,
// such as image values carried through a calibration line. It comes on top of
// the spread between plots, and what plots share of it does not shrink with
// more plots.
type OwnError struct {
	// Plots names the values by plot, as in Row.Plot; Days gives the day of
	// each and is nil for a single visit.
	Plots []string
	Days  []float64
	// Cov is the covariance of the errors of the values in that order, in
	// squared units of the response.
	Cov [][]float64
	// DF are the degrees of freedom of Cov, +Inf if it is known.
	DF float64
}

// Validate reports what is wrong with the sizes and numbers.
func (e OwnError) Validate() error {
	n := len(e.Plots)
	if e.Days != nil && len(e.Days) != n {
		return fmt.Errorf("own error: %d days for %d plot values", len(e.Days), n)
	}
	if !(e.DF > 0) {
		return fmt.Errorf("own error: %g degrees of freedom; need a number above 0", e.DF)
	}
	if len(e.Cov) != n {
		return fmt.Errorf("own error: covariance of %d values for %d plot values", len(e.Cov), n)
	}
	for i, row := range e.Cov {
		if len(row) != n {
			return fmt.Errorf("own error: row %d of the covariance has %d values, need %d", i+1, len(row), n)
		}
		for _, v := range row {
			if !finite(v) {
				return fmt.Errorf("own error: the covariance of plot %s is not a number", e.Plots[i])
			}
		}
		if row[i] < 0 {
			return fmt.Errorf("own error: the variance of plot %s is below zero", e.Plots[i])
		}
	}
	return nil
}

// OwnErrorTest is what the plot values' own uncertainty did to a comparison.
type OwnErrorTest struct {
	// F is the Wald test that all treatments are alike, both uncertainties in
	// it; DF2 after Fai & Cornelius (1996, J. Stat. Comput. Simul. 54, 363).
	// All are nil where the trial has no error variance or some treatments
	// cannot be compared.
	F   *float64 `json:"f,omitempty"`
	DF1 int      `json:"df1"`
	DF2 *float64 `json:"df2,omitempty"`
	P   *float64 `json:"p,omitempty"`
	// OwnDF are the degrees of freedom of the own error, nil where known.
	OwnDF *float64 `json:"own_df,omitempty"`
	// LargestShare is the largest part of the variance of a difference of two
	// treatments that comes from the own error, 0 to 1; LargestPair names it.
	LargestShare float64   `json:"largest_share"`
	LargestPair  [2]string `json:"largest_pair"`
}

// AnalyseUncertain is [Analyse] for plot values with an error of their own.
// Every adjusted mean is a weighted sum c'y of the plot values. Its variance is
// MSE c'c from the spread between plots, as ever, plus c'Cov c from the own
// error; degrees of freedom are Satterthwaite's (1946, Biometrics Bulletin 2,
// 110) for that sum. Means, pairs, letters, contrasts, the comparison with the
// control (at the fewest df of its differences), suppression and the verdict
// carry both. The analysis of variance, the checks and the rank and
// randomisation tests are of the values as they stand.
//
// The response has to be analysed on the raw scale, since Cov is in its unit;
// that is the scale unless another is asked for, which is refused.
// With Cov zero everything is as in Analyse.
func AnalyseUncertain(rows []Row, opt Options, e OwnError) (Analysis, error) {
	if err := e.Validate(); err != nil {
		return Analysis{}, err
	}
	opt.Scale = cmp.Or(opt.Scale, Raw)
	a, err := Analyse(rows, opt)
	if err != nil {
		return a, err
	}
	at := make(map[string]int, len(e.Plots))
	for i, p := range e.Plots {
		if _, twice := at[p]; twice {
			return a, fmt.Errorf("own error: plot %s is given twice", p)
		}
		at[p] = i
	}
	return a, a.addOwnError(opt, e.DF, func(p, q string) (float64, error) {
		i, known := at[p]
		j, knownToo := at[q]
		if !known || !knownToo {
			return 0, fmt.Errorf("own error: none is given for plot %s or %s", p, q)
		}
		return e.Cov[i][j], nil
	})
}

// AnalyseSeasonUncertain is [AnalyseSeason] for plot values with an error of
// their own at every visit. Period mean and area are weighted sums of a plot's
// values, and so their covariance is that of these sums.
func AnalyseSeasonUncertain(rows []Row, opt Options, e OwnError) (Season, error) {
	if err := e.Validate(); err != nil {
		return Season{}, err
	}
	if e.Days == nil {
		return Season{}, fmt.Errorf("own error: a season needs the day of every plot value")
	}
	opt.Scale = cmp.Or(opt.Scale, Raw)
	s, err := AnalyseSeason(rows, opt)
	if err != nil {
		return s, err
	}
	weights := map[string][]float64{} // by plot, one for each value of e
	for _, p := range s.Plots {
		w := make([]float64, len(e.Plots))
		for k, d := range p.Days {
			at := -1
			for i := range e.Plots {
				if e.Plots[i] == p.Name && e.Days[i] == d {
					at = i
				}
			}
			if at < 0 {
				return s, fmt.Errorf("own error: none is given for plot %s on day %g", p.Name, d)
			}
			w[at] = trapezoidWeight(p.Days, k)
		}
		weights[p.Name] = w
	}
	areaCov := func(p, q string) (float64, error) {
		wp, wq := weights[p], weights[q]
		if wp == nil || wq == nil {
			return 0, fmt.Errorf("own error: plot %s or %s is not in the season", p, q)
		}
		return bilinear(wp, e.Cov, wq), nil
	}
	span := s.Days[len(s.Days)-1] - s.Days[0]
	meanOpt := opt
	meanOpt.Response = s.PeriodMean.Response
	if err := s.PeriodMean.addOwnError(meanOpt, e.DF, func(p, q string) (float64, error) {
		v, err := areaCov(p, q)
		return v / span / span, err
	}); err != nil {
		return s, err
	}
	if s.Area != nil {
		meanOpt.Response = s.Area.Response
		if err := s.Area.addOwnError(meanOpt, e.DF, areaCov); err != nil {
			return s, err
		}
	}
	return s, nil
}

// trapezoidWeight is the weight of visit k in the area under rising days.
func trapezoidWeight(days []float64, k int) float64 {
	var w float64
	if k > 0 {
		w += (days[k] - days[k-1]) / 2
	}
	if k < len(days)-1 {
		w += (days[k+1] - days[k]) / 2
	}
	return w
}

func bilinear(a []float64, m [][]float64, b []float64) float64 {
	var s float64
	for i, x := range a {
		if x == 0 {
			continue
		}
		for j, y := range b {
			s += x * m[i][j] * y
		}
	}
	return s
}

// uncertain holds the two sources of variance of a fit.
type uncertain struct {
	means Means
	mse   float64
	df    float64
	own   [][]float64
	ownDF float64
}

// weights are the coefficients of the combination in the observations: the
// first columns of Q times u, and the mean's share.
func (f *Fit) weights(c combination) []float64 {
	w := make([]float64, f.N)
	copy(w, c.u)
	for k := len(f.kept) - 1; k >= 0; k-- {
		reflect(f.house[k], w[k:])
	}
	for i := range w {
		w[i] += c.intercept / float64(f.N)
	}
	return w
}

// parts splits the covariance of two combinations by source.
func (u uncertain) parts(c, d combination) (plots, own float64) {
	return u.mse * c.covariance(d), bilinear(u.means.fit.weights(c), u.own, u.means.fit.weights(d))
}

// spread gives the standard error of a combination, its df, and the share of
// its variance that is the own error.
func (u uncertain) spread(c combination) (se, df, share float64) {
	plots, own := u.parts(c, c)
	if own <= 0 {
		return math.Sqrt(plots), u.df, 0
	}
	v := plots + own
	df = v * v / (plots*plots/u.df + own*own/u.ownDF)
	return math.Sqrt(v), df, own / v
}

// addOwnError adds the own error, given by plot names, to what has been compared.
func (a *Analysis) addOwnError(opt Options, ownDF float64, cov func(p, q string) (float64, error)) error {
	if a.Transform.Scale != Raw {
		return fmt.Errorf("values with an error of their own are compared on the raw scale, not as the %s", a.Transform.Words())
	}
	own := make([][]float64, len(a.Plots))
	for i, p := range a.Plots {
		own[i] = make([]float64, len(a.Plots))
		for j, q := range a.Plots {
			v, err := cov(p.Name, q.Name)
			if err != nil {
				return err
			}
			own[i][j] = v
		}
	}
	a.Own = &OwnErrorTest{}
	if finite(ownDF) {
		a.Own.OwnDF = &ownDF
	}
	mse, ok := a.fit.MSE()
	if !ok || mse <= 0 || a.treatment().F == nil {
		a.warn("the values' own uncertainty is not carried: without a test of the treatments there is nothing to carry it into")
		return nil
	}
	opt.Control = a.Control
	u := uncertain{means: a.means, mse: mse, df: float64(a.fit.DFResidual), own: own, ownDF: ownDF}
	u.fillMeans(a)
	if err := u.fillPairs(a, opt); err != nil {
		return err
	}
	u.fillContrasts(a)
	if err := u.fillControl(a, opt); err != nil {
		return err
	}
	u.wald(a.Own)
	u.detectable(a, opt)
	a.judgeUncertain(opt)
	a.note("the values' own uncertainty is in means, pairs, letters, contrasts and the comparison with the control (up to %.0f %% of the variance of a difference, %s - %s); the analysis of variance, the checks and the tests without a normal distribution are of the values as they stand",
		100*a.Own.LargestShare, a.Own.LargestPair[0], a.Own.LargestPair[1])
	return nil
}

func (a *Analysis) result(treatment string) *TreatmentResult {
	for i := range a.Treatments {
		if a.Treatments[i].Treatment == treatment {
			return &a.Treatments[i]
		}
	}
	return nil
}

func (u uncertain) fillMeans(a *Analysis) {
	for i, l := range u.means.Levels {
		r, c := a.result(l), u.means.combos[i]
		if !c.estimable {
			continue
		}
		se, df, _ := u.spread(c)
		half := se * must(dist.TQuantile(0.5+a.Confidence/2, df))
		r.SE, r.Lower, r.Upper = &se, ptr(*r.Adjusted-half), ptr(*r.Adjusted+half)
		r.BackLower, r.BackUpper = a.back(r.Lower), a.back(r.Upper)
	}
}

// fillPairs gives each pair its own df. Letters follow the new p values.
func (u uncertain) fillPairs(a *Analysis, opt Options) error {
	var tested []*Pair
	var unadjusted, dfs []float64
	for i := range a.Pairs {
		p := &a.Pairs[i]
		if p.P == nil {
			continue
		}
		se, df, share := u.spread(u.between(p.A, p.B))
		if share > a.Own.LargestShare {
			a.Own.LargestShare, a.Own.LargestPair = share, [2]string{p.A, p.B}
		}
		p.SED, p.T = &se, ptr(*p.Difference/se)
		p.PLSD = ptr(must(dist.TTwoSided(*p.T, df)))
		tested, unadjusted, dfs = append(tested, p), append(unadjusted, *p.PLSD), append(dfs, df)
	}
	if len(tested) == 0 {
		return nil
	}
	k := len(u.means.Levels)
	together := family{method: opt.Method, k: k}
	adjusted := unadjusted
	_, byP := adjustments[opt.Method]
	if byP {
		adjusted = together.adjust(unadjusted, nil)
	}
	families := map[float64]family{}
	for i, p := range tested {
		f, known := families[dfs[i]]
		if !known {
			f = family{method: opt.Method, k: k, df: dfs[i]}
			if opt.Method == Tukey && k > 2 {
				r, err := dist.NewStudentizedRange(k, dfs[i])
				if err != nil {
					return err
				}
				f.studentized = r
			}
			families[dfs[i]] = f
		}
		p.P = ptr(adjusted[i])
		if !byP {
			p.P = ptr(f.adjust(unadjusted[i:i+1], func(int) float64 { return math.Abs(*p.T) })[0])
		}
		p.Differ = *p.P <= opt.Alpha
		p.LSD = ptr(must(dist.TQuantile(1-opt.Alpha/2, dfs[i])) * *p.SED)
		half := f.critical(opt.Alpha, len(tested)) * *p.SED
		p.Lower, p.Upper = ptr(*p.Difference-half), ptr(*p.Difference+half)
	}
	ranked := slices.DeleteFunc(slices.Clone(a.Treatments), func(r TreatmentResult) bool { return r.Plots == 0 })
	slices.SortStableFunc(ranked, func(x, y TreatmentResult) int { return compareMeans(y, x) })
	order := make([]string, len(ranked))
	for i, r := range ranked {
		order[i] = r.Treatment
	}
	if letters, err := LettersFor(order, a.Pairs); err == nil {
		for t, l := range letters {
			a.result(t).Letters = l
		}
	}
	return nil
}

// between is the difference of two levels known to be there.
func (u uncertain) between(first, second string) combination {
	return u.means.difference(slices.Index(u.means.Levels, first), slices.Index(u.means.Levels, second))
}

func (u uncertain) fillContrasts(a *Analysis) {
	for i := range a.Contrasts {
		c := &a.Contrasts[i]
		if c.T == nil {
			continue
		}
		se, df, _ := u.spread(u.means.weighted(c.Coefficients))
		t := *c.Estimate / se
		half := se * must(dist.TQuantile(0.5+a.Confidence/2, df))
		c.SE, c.T, c.F, c.P = &se, &t, ptr(t*t), ptr(must(dist.TTwoSided(t, df)))
		c.Lower, c.Upper = ptr(*c.Estimate-half), ptr(*c.Estimate+half)
	}
}

func (u uncertain) fillControl(a *Analysis, opt Options) error {
	var combos []combination
	var tested []*ControlComparison
	fewest := math.Inf(1)
	for i := range a.VsControl {
		row := &a.VsControl[i]
		if row.P == nil {
			continue
		}
		c := u.between(row.Treatment, opt.Control)
		se, df, _ := u.spread(c)
		row.SED, row.T = &se, ptr(*row.Difference/se)
		fewest = min(fewest, df)
		combos, tested = append(combos, c), append(tested, row)
		if s := a.result(row.Treatment).Suppression; s != nil && s.Lower != nil {
			tc, cc := u.means.combos[slices.Index(u.means.Levels, row.Treatment)], u.means.combos[slices.Index(u.means.Levels, opt.Control)]
			total := func(x, y combination) float64 { p, o := u.parts(x, y); return p + o }
			*s = fieller(row.Treatment, u.means.fit.shift+tc.estimate, u.means.fit.shift+cc.estimate,
				total(tc, tc), total(cc, cc), total(tc, cc), must(dist.TQuantile(0.5+a.Confidence/2, df)))
		}
	}
	if len(tested) == 0 {
		return nil
	}
	r := mat.NewSymDense(len(combos), nil)
	for i, c := range combos {
		r.SetSym(i, i, 1)
		for j := range i {
			p, o := u.parts(c, combos[j])
			r.SetSym(i, j, (p+o)/(*tested[i].SED**tested[j].SED))
		}
	}
	sided := dist.TwoSided
	if opt.Side != BothSides {
		sided = dist.OneSided
	}
	maxT, err := dist.NewMaxTContext(opt.context(), r, fewest, sided)
	if err != nil {
		return fmt.Errorf("comparison with control %s: %w", opt.Control, err)
	}
	crit, err := maxT.Quantile(1 - opt.Alpha)
	if err != nil {
		return fmt.Errorf("comparison with control %s: %w", opt.Control, err)
	}
	for _, row := range tested {
		t := *row.T
		switch opt.Side {
		case BothSides:
			t = math.Abs(t)
		case BelowControl:
			t = -t
		}
		p, absErr, err := maxT.SF(t)
		if err != nil {
			return fmt.Errorf("comparison with control %s: %w", opt.Control, err)
		}
		row.P, row.PError, row.Differ = ptr(p), absErr, p <= opt.Alpha
		if row.Lower != nil {
			row.Lower = ptr(*row.Difference - crit**row.SED)
		}
		if row.Upper != nil {
			row.Upper = ptr(*row.Difference + crit**row.SED)
		}
	}
	return nil
}

// wald tests all treatments at once, on orthonormal contrasts so that the
// order of treatments plays no part.
func (u uncertain) wald(out *OwnErrorTest) {
	k := len(u.means.Levels)
	basis := make([]combination, 0, k-1)
	for i := 1; i < k; i++ {
		w := make([]float64, k)
		n := math.Sqrt(float64(i * (i + 1)))
		for j := range i {
			w[j] = 1 / n
		}
		w[i] = -float64(i) / n
		c := u.means.weighted(w)
		if !c.estimable {
			return
		}
		basis = append(basis, c)
	}
	q := len(basis)
	plots, own, both := mat.NewSymDense(q, nil), mat.NewSymDense(q, nil), mat.NewSymDense(q, nil)
	for i := range q {
		for j := range i + 1 {
			p, o := u.parts(basis[i], basis[j])
			plots.SetSym(i, j, p)
			own.SetSym(i, j, o)
			both.SetSym(i, j, p+o)
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(both, true) {
		return
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	var f, e float64
	least := math.Inf(1)
	for l, value := range eigen.Values(nil) {
		if value <= 0 {
			return
		}
		v := vectors.ColView(l)
		var d float64
		for i, c := range basis {
			d += v.AtVec(i) * c.estimate
		}
		f += d * d / value / float64(q)
		p, o := mat.Inner(v, plots, v), max(0, mat.Inner(v, own, v))
		df := u.df
		if o > 0 {
			df = (p + o) * (p + o) / (p*p/u.df + o*o/u.ownDF)
		}
		least = min(least, df)
		e += df / (df - 2)
	}
	df2 := least
	if least > 2 {
		df2 = 2 * e / (e - float64(q))
	}
	out.F, out.DF1, out.DF2 = &f, q, &df2
	out.P = ptr(must(dist.FSF(f, float64(q), df2)))
}

// detectable asks again what the trial could have seen, at the pair that is
// known least well.
func (u uncertain) detectable(a *Analysis, opt Options) {
	if a.Detectable == nil {
		return
	}
	var worst, at float64
	for _, p := range a.Pairs {
		if p.SED != nil && *p.SED > worst {
			worst, at, _ = u.spread(u.between(p.A, p.B))
		}
	}
	a.Detectable = nil
	a.detectableFrom(opt, worst, at)
}

// judgeUncertain writes the verdict anew.
func (a *Analysis) judgeUncertain(opt Options) {
	a.Verdict, a.PlainVerdict = nil, nil
	what := "the treatments"
	if a.Response != "" {
		what = "the treatments in " + a.Response
	}
	if t := a.Own; t.F != nil {
		test := fmt.Sprintf("F(%d,%s) = %.2f, %s, the values' own uncertainty included", t.DF1, strings.TrimSuffix(fmt.Sprintf("%.1f", *t.DF2), ".0"), *t.F, PWords(*t.P))
		a.judgeBy(test, *t.P <= a.Alpha, what, opt)
		return
	}
	if len(a.VsControl) > 0 {
		a.judgeControl(opt)
	} else {
		a.judgePairs()
	}
}
