package glm

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"quadtally/stats/dist"
	"quadtally/stats/internal/tails"
	"quadtally/stats/terms"
)

// Coefficient is an effect on the link scale (log or logit), as a difference
// from the first levels.
type Coefficient struct {
	Name     string  `json:"name"`
	Estimate float64 `json:"estimate"`
	SE       float64 `json:"se"`
	P        float64 `json:"p"`
}

// Test is one line of the analysis of deviance: the term after those before
// it.
type Test struct {
	Term string `json:"term"`
	DF   int    `json:"df"`
	// Deviance is the fall in deviance; for negative binomial and beta twice
	// the rise in log-likelihood with theta or phi fitted anew.
	Deviance float64 `json:"deviance"`
	// F and DenDF belong to the quasi families and are 0 for the others, whose
	// P comes from chi-square. With few plots neither P keeps its level: see
	// [Fit.Resample] for one that does, and TestLevelReport for how far off.
	F     float64 `json:"f,omitempty"`
	DenDF int     `json:"den_df,omitempty"`
	P     float64 `json:"p"`
}

// Theta is the negative binomial's parameter, variance = mu + mu^2/theta.
type Theta struct {
	Value float64 `json:"value"`
	SE    float64 `json:"se"`
	// Infinite says that the counts vary no more than Poisson: the fit is the
	// Poisson one and Value and SE are 0.
	Infinite bool `json:"infinite"`
	// Fixed says that the options gave it.
	Fixed bool `json:"fixed"`
}

// Precision is beta regression's phi, variance = mu(1-mu)/(1+phi).
type Precision struct {
	Value float64 `json:"value"`
	SE    float64 `json:"se"`
}

// Fit is a fitted model. Its exported fields are plain data without NaN or
// infinities.
type Fit struct {
	Family Family `json:"family"`
	Rows   int    `json:"rows"`
	// Coefficients leave out those of all-zero (or full) levels, which are
	// infinite; ExtremeRows says how many rows those are.
	Coefficients []Coefficient `json:"coefficients"`
	ExtremeRows  int           `json:"extreme_rows,omitempty"`
	Tests        []Test        `json:"tests"`
	// Deviance, NullDeviance (of the common mean) and PearsonChi2 are 0 for
	// beta regression. The negative binomial's null deviance has its own theta.
	Deviance     float64 `json:"deviance"`
	NullDeviance float64 `json:"null_deviance"`
	PearsonChi2  float64 `json:"pearson_chi2"`
	// ResidualDF is rows minus coefficients; DispersionDF leaves out rows that
	// are fitted as exactly 0 or full, which say nothing about spread.
	ResidualDF   int `json:"residual_df"`
	DispersionDF int `json:"dispersion_df"`
	// Dispersion is PearsonChi2 over DispersionDF. The quasi families multiply
	// variances by it; the others assume 1 and warn when it is far above.
	Dispersion float64 `json:"dispersion"`
	// LogLik is the full log-likelihood; HasLogLik is false for shares of an
	// area, which have none outside beta regression.
	LogLik    float64    `json:"log_lik"`
	HasLogLik bool       `json:"has_log_lik"`
	AIC       float64    `json:"aic"`
	Theta     *Theta     `json:"theta,omitempty"`
	Precision *Precision `json:"precision,omitempty"`
	// Spread is set under [SpreadOfPatches], unless the residuals could not
	// tell; standard errors are then the family's, and the warnings say so.
	Spread   *SpreadFit `json:"spread,omitempty"`
	Aliased  []string   `json:"aliased,omitempty"`
	Warnings []string   `json:"warnings,omitempty"`

	model    Model
	opt      Options
	full     *terms.Design // all rows
	design   *terms.Design // without extreme rows
	keep     []bool        // rows in design; nil for all
	coord    []float64
	cov      *mat.SymDense // of coord, dispersion included
	beta     []float64
	fitted   []float64 // fitted mean of every row, area or points included
	last     part      // the fit to all terms
	quantile float64   // of t or the normal, for intervals
}

// part is one fit of some terms to all rows, extreme ones set aside.
type part struct {
	solution
	full, design *terms.Design
	keep         []bool
	r            rows // of the kept rows
	theta        float64
	infinite     bool
	phi, phiSE   float64
	logLik       float64
	hasLogLik    bool
}

// FitModel fits the model. It refuses, with the row named, what the family
// cannot take, tables where nothing varies, and no residual degrees of
// freedom.
func FitModel(m Model, opt Options) (*Fit, error) {
	if err := opt.Validate(); err != nil {
		return nil, err
	}
	if err := m.validate(opt.Family); err != nil {
		return nil, err
	}
	pt, err := fitPart(m, opt, m.Fixed)
	if err != nil {
		return nil, err
	}
	n, p := pt.full.Rows, pt.full.Rank()
	f := &Fit{Family: opt.Family, Rows: n, ResidualDF: n - p, DispersionDF: pt.design.Rows - pt.design.Rank(), ExtremeRows: n - pt.design.Rows,
		Deviance: pt.deviance, LogLik: pt.logLik, HasLogLik: pt.hasLogLik, Aliased: pt.full.Aliased,
		model: m, opt: opt, full: pt.full, design: pt.design, keep: pt.keep, coord: pt.coord, last: pt}
	f.describeExtremes()
	f.describeSpread(pt)
	if f.Family.quasi() && f.DispersionDF == 0 {
		return nil, fmt.Errorf("no plots are left to judge the spread from (residual degrees of freedom 0): add blocks, or use a family that assumes its spread")
	}
	if f.Family.quasi() && f.PearsonChi2 <= 1e-16*float64(n) {
		return nil, fmt.Errorf("the terms reproduce every row exactly: no variation is left to test against")
	}
	f.cov = mat.NewSymDense(len(f.coord), nil)
	for i := range f.coord {
		for j := range i + 1 {
			f.cov.SetSym(i, j, pt.cov.At(i, j)*f.scale())
		}
	}
	if opt.Spread == SpreadOfPatches && !f.patchyCovariance(pt) {
		f.warn("no residual is left to judge how the spread follows the mean: standard errors are those of the %s family", f.Family)
	}
	if f.quantile, err = f.intervalQuantile(); err != nil {
		return nil, err
	}
	f.beta = f.design.Coefficients(f.coord)
	for j, name := range f.design.Names {
		unit := make([]float64, len(f.beta))
		unit[j] = 1
		e, se := f.linear(unit)
		f.Coefficients = append(f.Coefficients, Coefficient{Name: name, Estimate: e, SE: se, P: f.twoSided(e, se)})
	}
	f.fitRows(pt)
	if err := f.analyse(); err != nil {
		return nil, err
	}
	return f, nil
}

// fitPart fits terms to the rows. Rows that run to a mean of exactly 0 or
// full are set aside and the rest fitted without them: the limit of the
// likelihood (Albert and Anderson 1984, Biometrika 71, 1-10, for separation).
func fitPart(m Model, opt Options, fixed []terms.Term) (part, error) {
	full, err := terms.Build(m.Frame, fixed)
	if err != nil {
		return part{}, err
	}
	if full.Rows <= full.Rank() {
		return part{}, fmt.Errorf("%d rows for %d coefficients leave no residual degrees of freedom: add plots or drop terms", full.Rows, full.Rank())
	}
	pt := part{full: full, design: full, r: newRows(m, opt.Family, nil)}
	if opt.Family == Beta {
		return pt, pt.solveBeta(m, opt)
	}
	// Which rows run to zero does not depend on theta, so the negative
	// binomial leaves finding them to Poisson.
	screen := opt
	if opt.Family == NegativeBinomial {
		screen = Options{Family: Poisson}
	}
	for {
		pt.r.family = screen.Family
		if err := pt.solve(screen); err != nil {
			return part{}, err
		}
		marked, any := pt.r.extreme(pt.eta)
		if !any {
			break
		}
		if err := pt.setAside(m, opt.Family, fixed, marked); err != nil {
			return part{}, err
		}
	}
	if opt.Family == NegativeBinomial {
		pt.r.family = NegativeBinomial
		err = pt.solve(opt)
	}
	return pt, err
}

// setAside takes the marked ones of the kept rows out.
func (pt *part) setAside(m Model, family Family, fixed []terms.Term, marked []bool) error {
	if pt.keep == nil {
		pt.keep = allRows(pt.full.Rows)
	}
	k, left := 0, 0
	for i := range pt.keep {
		if pt.keep[i] {
			pt.keep[i] = !marked[k]
			k++
		}
		if pt.keep[i] {
			left++
		}
	}
	if left == 0 {
		return fmt.Errorf("the terms separate the rows into empty and full ones completely: nothing is left to estimate")
	}
	frame, kept := restrict(m.Frame, fixed, pt.keep)
	var err error
	pt.design, err = terms.Build(frame, kept)
	pt.r = newRows(m, family, pt.keep)
	return err
}

func allRows(n int) []bool {
	keep := make([]bool, n)
	for i := range keep {
		keep[i] = true
	}
	return keep
}

func (pt *part) solveBeta(m Model, opt Options) error {
	b, err := solveBeta(pt.full, m.Response, opt.ObservedInformation)
	if err != nil {
		return err
	}
	p := pt.full.Rank()
	cov := mat.NewSymDense(p, nil)
	for i := range p {
		for j := range i + 1 {
			cov.SetSym(i, j, b.cov.At(i, j))
		}
	}
	pt.solution = solution{coord: b.coord, eta: b.eta, cov: cov}
	pt.phi, pt.phiSE = b.phi, math.Sqrt(b.cov.At(p, p))
	pt.logLik, pt.hasLogLik = b.logLik, true
	return nil
}

func (pt *part) solve(opt Options) error {
	var err error
	switch {
	case opt.Family == NegativeBinomial && opt.Theta == 0:
		pt.solution, pt.theta, pt.infinite, err = pt.r.solveNegBin(pt.design)
		pt.r.theta = pt.theta
		if pt.infinite {
			pt.r.family = Poisson
		}
	default:
		pt.theta = opt.Theta
		pt.r.theta = opt.Theta
		pt.solution, err = pt.r.solve(pt.design, nil)
	}
	if err == nil {
		pt.logLik, pt.hasLogLik = pt.r.logLikelihood(pt.eta)
	}
	return err
}

// restrict keeps some rows of a frame, without the levels that vanish; terms
// lose factors that have one level left.
func restrict(f terms.Frame, fixed []terms.Term, keep []bool) (terms.Frame, []terms.Term) {
	var out terms.Frame
	gone := map[string]bool{}
	for _, fac := range f.Factors {
		g := terms.Factor{Name: fac.Name}
		present := map[string]bool{}
		for i, l := range fac.Labels {
			if keep[i] {
				g.Labels = append(g.Labels, l)
				present[l] = true
			}
		}
		for _, l := range fac.Levels {
			if present[l] {
				g.Levels = append(g.Levels, l)
			}
		}
		gone[fac.Name] = len(present) < 2
		out.Factors = append(out.Factors, g)
	}
	for _, cov := range f.Covariates {
		c := terms.Covariate{Name: cov.Name}
		for i, x := range cov.Values {
			if keep[i] {
				c.Values = append(c.Values, x)
			}
		}
		out.Covariates = append(out.Covariates, c)
	}
	var left []terms.Term
	for _, t := range fixed {
		u := slices.DeleteFunc(slices.Clone(t), func(name string) bool { return gone[name] })
		twice := slices.ContainsFunc(left, func(v terms.Term) bool { return slices.Equal(u, v) })
		if len(u) > 0 && !twice {
			left = append(left, u)
		}
	}
	return out, left
}

// scale is what the family multiplies variances by.
func (f *Fit) scale() float64 {
	if f.Family.quasi() {
		return f.Dispersion
	}
	return 1
}

// The factors beyond which the spread is remarked on; our choice.
const (
	overdispersed  = 1.5
	underdispersed = 0.5
)

func (f *Fit) describeSpread(pt part) {
	if f.Family == Beta {
		f.Precision = &Precision{Value: pt.phi, SE: pt.phiSE}
		f.AIC = -2*f.LogLik + 2*float64(f.full.Rank()+1)
		return
	}
	for i, e := range pt.eta {
		mu, slope := pt.r.mean(e)
		if v := pt.r.variance(mu, slope); v > 0 {
			f.PearsonChi2 += pt.r.weight[i] * (pt.r.y[i] - mu) * (pt.r.y[i] - mu) / v
		}
	}
	if f.DispersionDF > 0 {
		f.Dispersion = f.PearsonChi2 / float64(f.DispersionDF)
	}
	parameters := f.full.Rank()
	if f.Family == NegativeBinomial {
		f.Theta = &Theta{Value: pt.theta, Infinite: pt.infinite, Fixed: f.opt.Theta > 0}
		if pt.infinite {
			f.warn("the counts vary no more than chance alone would make them (theta runs to infinity): the fit is the Poisson one")
		} else if !f.Theta.Fixed {
			_, info := pt.r.thetaScore(pt.r.means(pt.eta), pt.theta)
			if info > 0 {
				f.Theta.SE = 1 / math.Sqrt(info)
			}
		}
		if !f.Theta.Fixed && !pt.infinite {
			parameters++
		}
	}
	if f.HasLogLik && !f.Family.quasi() {
		f.AIC = -2*f.LogLik + 2*float64(parameters)
	}
	if (f.Family == Poisson || f.Family == Binomial) && f.Dispersion > overdispersed {
		f.warn("the rows vary %.1f times as much as the %s family allows: its p-values are too small; use the quasi family", f.Dispersion, f.Family)
	}
	// Shares of an area have no variance of chance alone to be held against.
	if f.Family.quasi() && (f.Family.counts() || f.model.Trials != nil) && f.Dispersion < underdispersed {
		f.warn("the rows vary less (%.2f times) than chance alone would make them: check how they were recorded", f.Dispersion)
	}
}

// fitRows fills in the fitted mean of every row.
func (f *Fit) fitRows(pt part) {
	f.fitted = make([]float64, f.Rows)
	k := 0
	for i := range f.fitted {
		if f.keep != nil && !f.keep[i] {
			f.fitted[i] = f.model.Response[i] // exactly 0 or full
			continue
		}
		mu, _ := pt.r.mean(pt.eta[k])
		f.fitted[i] = mu * pt.r.weight[k]
		k++
	}
}

// analyse builds the analysis of deviance, term by term.
func (f *Fit) analyse() error {
	chain := make([]part, len(f.model.Fixed)+1)
	for k := range chain {
		if k == len(chain)-1 {
			chain[k] = f.last
			break
		}
		var err error
		if chain[k], err = fitPart(f.model, f.opt, f.model.Fixed[:k]); err != nil {
			return err
		}
	}
	if f.Family != Beta {
		f.NullDeviance = chain[0].deviance
	}
	for k := 1; k < len(chain); k++ {
		term := f.model.Fixed[k-1].String()
		df := chain[k].full.Rank() - chain[k-1].full.Rank()
		if df == 0 {
			f.warn("term %s: confounded with the terms before it, 0 degrees of freedom, not tested", term)
			continue
		}
		f.Tests = append(f.Tests, f.test(term, df, f.fall(chain[k-1], chain[k])))
	}
	if len(f.Tests) > 0 && f.eager() {
		f.warn("likelihood-ratio p-values of the %s family are too small in trials of this kind: with 5 treatments in 4 blocks they call about one true null in five significant at 5 %%; read the p-value by resampling beside them", f.Family)
	}
	return nil
}

// eager tells whether the family estimates its spread by maximum likelihood,
// which does not pay for the block coefficients: in simulation (see
// TestSimulatedCounts, TestSimulatedCover and TestLevelReport) the test rejects
// far too often.
func (f *Fit) eager() bool {
	return f.Family == Beta || (f.Theta != nil && !f.Theta.Fixed && !f.Theta.Infinite)
}

// fall is how much worse the smaller model fits.
func (f *Fit) fall(small, large part) float64 {
	if f.Family == Beta || (f.Family == NegativeBinomial && f.opt.Theta == 0) {
		return math.Max(2*(large.logLik-small.logLik), 0)
	}
	return math.Max(small.deviance-large.deviance, 0)
}

func (f *Fit) test(term string, df int, fall float64) Test {
	t := Test{Term: term, DF: df, Deviance: fall}
	if f.Family.quasi() {
		t.F = fall / float64(df) / f.Dispersion
		t.DenDF = f.DispersionDF
		t.P = tails.F(t.F, float64(df), float64(t.DenDF))
	} else {
		t.P = tails.ChiSquare(fall, float64(df))
	}
	return t
}

// describeExtremes says which labels have only zeros (or are full).
func (f *Fit) describeExtremes() {
	if f.ExtremeRows == 0 {
		return
	}
	said := false
	for _, t := range f.model.Fixed {
		for _, g := range f.extremeGroups(t) {
			state := "0"
			if g.full {
				state = "full"
			}
			f.warn("every row of %s is %s: its mean is reported as that, without a standard error on the %s scale; comparisons with it use the deviance", g.label, state, f.linkName())
			said = true
		}
	}
	if !said {
		f.warn("%d rows are fitted as exactly 0 or full: together the terms leave no doubt about them", f.ExtremeRows)
	}
	if f.DispersionDF < f.ResidualDF {
		f.warn("rows fitted as exactly 0 or full say nothing about spread: it is judged from the other rows on %d degrees of freedom", f.DispersionDF)
	}
}

type extremeGroup struct {
	label string
	full  bool
}

// extremeGroups lists the groups of a term all of whose rows are extreme on
// the same side. Covariate terms have none.
func (f *Fit) extremeGroups(t terms.Term) []extremeGroup {
	codes, labels, err := f.model.Frame.Groups(t)
	if err != nil {
		return nil
	}
	in, low, high := make([]bool, len(labels)), make([]bool, len(labels)), make([]bool, len(labels))
	for i, c := range codes {
		if f.keep[i] {
			in[c] = true
		} else if f.model.Response[i] == 0 {
			low[c] = true
		} else {
			high[c] = true
		}
	}
	var out []extremeGroup
	for c, label := range labels {
		if !in[c] && low[c] != high[c] {
			out = append(out, extremeGroup{label: strings.Join(t, ":") + " " + label, full: high[c]})
		}
	}
	return out
}

func (f *Fit) linkName() string {
	if f.Family.counts() {
		return "log"
	}
	return "logit"
}

func (f *Fit) warn(format string, args ...any) {
	f.Warnings = append(f.Warnings, fmt.Sprintf(format, args...))
}

// linear gives a linear function of the coefficients and its standard error.
func (f *Fit) linear(row []float64) (value, se float64) {
	x := f.design.Pull(row)
	v := 0.0
	for i := range x {
		value += row[i] * f.beta[i]
		for j := range x {
			v += x[i] * x[j] * f.cov.At(i, j)
		}
	}
	return value, math.Sqrt(math.Max(v, 0))
}

// twoSided tests an estimate against 0: by t for the quasi families, whose
// spread is estimated, by the normal for the others.
func (f *Fit) twoSided(value, se float64) float64 {
	if !(se > 0) {
		return 1
	}
	if f.Family.quasi() {
		return tails.T(value/se, float64(f.DispersionDF))
	}
	return math.Erfc(math.Abs(value/se) / math.Sqrt2)
}

// intervalQuantile is of the distribution twoSided uses.
func (f *Fit) intervalQuantile() (float64, error) {
	p := 0.5 + f.opt.Level/2
	if f.Family.quasi() {
		return dist.TQuantile(p, float64(f.DispersionDF))
	}
	return dist.NormalQuantile(p)
}
