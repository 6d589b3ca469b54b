package mixed

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"strings"

	"quadtally/stats/internal/tails"
	"quadtally/stats/terms"
)

// Component is one variance component.
type Component struct {
	// Name is the grouping ("block", "block:treatment") or "residual".
	Name string `json:"name"`
	// Levels is the number of groups; for the residual, of rows.
	Levels int `json:"levels"`
	// Variance is in squared units of the response, at least 0.
	Variance float64 `json:"variance"`
	// SD is its square root.
	SD float64 `json:"sd"`
	// AtZero says that the likelihood is largest at no variance at all.
	AtZero bool `json:"at_zero"`
}

// SerialEstimate is the fitted correlation over time.
type SerialEstimate struct {
	// CorrelationPerDay is phi: residuals d days apart correlate by phi^d.
	CorrelationPerDay float64 `json:"correlation_per_day"`
	// GapDays is the median gap between neighbouring dates of a plot.
	GapDays float64 `json:"gap_days"`
	// CorrelationAtGap is the correlation of dates that far apart.
	CorrelationAtGap float64 `json:"correlation_at_gap"`
	// AtZero says that no serial correlation is left to estimate.
	AtZero bool `json:"at_zero"`
	// AtOne says that the correlation runs to its upper bound.
	AtOne bool `json:"at_one"`
}

// Coefficient is a fixed effect as a difference from the first levels.
type Coefficient struct {
	Name     string  `json:"name"`
	Estimate float64 `json:"estimate"`
	// SE is the standard error; Kenward-Roger's is the adjusted one.
	SE float64 `json:"se"`
	DF float64 `json:"df"`
	P  float64 `json:"p"`
}

// Test is an F test of a term.
type Test struct {
	Term  string  `json:"term"`
	NumDF int     `json:"num_df"`
	DenDF float64 `json:"den_df"`
	F     float64 `json:"f"`
	P     float64 `json:"p"`
}

// Fit is a fitted mixed model. Its exported fields are plain data without NaN
// or infinities; its methods answer further questions from the same fit.
type Fit struct {
	Method     Method          `json:"method"`
	DFMethod   DFMethod        `json:"df_method"`
	Rows       int             `json:"rows"`
	Components []Component     `json:"components"`
	Serial     *SerialEstimate `json:"serial,omitempty"`
	// Coefficients depend on the order of levels; tests and means do not.
	Coefficients []Coefficient `json:"coefficients"`
	// Sequential holds each term after those before it (type I), Adjusted
	// each term after all others with margins averaged equally (type III).
	Sequential []Test `json:"sequential"`
	Adjusted   []Test `json:"adjusted"`
	// LogLik is the restricted log-likelihood (REML; comparable only between
	// models with the same fixed terms) or the full one (ML).
	LogLik float64 `json:"log_lik"`
	// Parameters counts fixed coefficients and variance parameters.
	Parameters int `json:"parameters"`
	// AIC is -2 LogLik + 2 Parameters.
	AIC float64 `json:"aic"`
	// ResidualDF is rows minus fixed coefficients.
	ResidualDF int `json:"residual_df"`
	// Aliased names columns the data cannot separate from earlier terms.
	Aliased  []string `json:"aliased,omitempty"`
	Warnings []string `json:"warnings,omitempty"`

	ctx    context.Context // whose end stops what is asked of the fit
	in     *inference
	design *terms.Design
	beta   []float64
	level  float64
}

// FitModel fits the model. It refuses, with what would be needed, tables with
// gaps, a constant response, no residual degrees of freedom, and variance
// components that the rows cannot tell apart.
//
// The likelihood is maximised over the ratios of the variances (bounded at
// zero) and the rate of the serial correlation by Newton's method with exact
// derivatives from several starts; fixed effects and residual variance are
// profiled out (Searle, Casella and McCulloch 1992, Variance Components).
func FitModel(m Model, opt Options) (*Fit, error) {
	return FitContext(context.Background(), m, opt)
}

// FitContext is [FitModel] with a context whose end stops it, and later the
// methods of the fit, with its error.
func FitContext(ctx context.Context, m Model, opt Options) (*Fit, error) {
	if err := opt.Validate(); err != nil {
		return nil, err
	}
	if err := m.validate(); err != nil {
		return nil, err
	}
	design, err := terms.Build(m.Frame, m.Fixed)
	if err != nil {
		return nil, err
	}
	n, p := design.Rows, design.Rank()
	if n <= p {
		return nil, fmt.Errorf("%d rows for %d fixed coefficients leave no residual degrees of freedom: add plots or drop terms", n, p)
	}
	s, err := newStructure(m)
	if err != nil {
		return nil, err
	}
	pr := newProblem(m, design, s, opt.Method)
	pr.ctx = ctx
	if pr.exact() {
		return nil, fmt.Errorf("the fixed terms reproduce every row exactly: no residual variation is left to test against")
	}
	if err := pr.distinguishable(m); err != nil {
		return nil, cmp.Or(ctx.Err(), err)
	}
	st, ok := pr.maximise()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if !ok {
		return nil, fmt.Errorf("the likelihood has no maximum: rows of the same group agree exactly, so the residual variance is zero; analyse the means of the groups")
	}
	for k, g := range st.params.gamma {
		if g > 1e10 {
			return nil, fmt.Errorf("random %s: rows of the same group agree exactly, so the residual variance is zero; analyse the means of the groups", s.groups[k].name)
		}
	}
	in, ok := newInference(pr, st, opt.DF)
	if !ok {
		return nil, s.indistinct(m)
	}
	f := &Fit{ctx: ctx, Method: opt.Method, DFMethod: opt.DF, Rows: n, ResidualDF: n - p, Aliased: design.Aliased, in: in, design: design, level: opt.Level}
	f.describeVariances(pr, st)
	f.describeFixed()
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	f.LogLik = pr.logLikelihood(st)
	f.Parameters = p + 1 + len(s.groups)
	if s.serial {
		f.Parameters++
	}
	f.AIC = -2*f.LogLik + 2*float64(f.Parameters)
	return f, nil
}

// exact tells whether nothing but rounding is left after the fixed terms.
func (pr *problem) exact() bool {
	size := 0.0
	for _, c := range pr.ols {
		size = math.Hypot(size, c)
	}
	return pr.scale <= 1e-13*size || pr.scale == 0
}

// distinguishable refuses components that the rows cannot tell apart: at
// middling params the information about them is singular.
func (pr *problem) distinguishable(m Model) error {
	p := params{gamma: make([]float64, len(pr.s.groups))}
	for k := range p.gamma {
		p.gamma[k] = 1
	}
	if pr.s.serial {
		p.logRate = math.Log(math.Ln2 / pr.s.medianGap)
	}
	st, ok := pr.evaluate(p, true)
	if !ok {
		return nil // the climb will say what is wrong
	}
	expected := pr.differentiate(st, true).info[1]
	all := make([]int, len(expected))
	for k := range all {
		all[k] = k
	}
	for k, g := range pr.s.groups {
		if expected[k][k] < 1e-9*pr.traceBlocks(st, derivOf(k), derivOf(k)) {
			return fmt.Errorf("random %s: the fixed terms already take up its groups; keep it either fixed or random", g.name)
		}
	}
	if len(all) > 0 {
		if _, ok := inverse(submatrix(expected, all)); !ok {
			return pr.s.indistinct(m)
		}
	}
	return nil
}

func (s *structure) indistinct(m Model) error {
	return fmt.Errorf("the rows cannot tell the variance components apart (%s): drop one of them", strings.Join(s.names(m), ", "))
}

func (s *structure) names(m Model) []string {
	var names []string
	for _, g := range s.groups {
		names = append(names, g.name)
	}
	if s.serial {
		names = append(names, serialName(m.Serial.Group))
	}
	return append(names, "residual")
}

func (f *Fit) describeVariances(pr *problem, st *state) {
	residual := f.in.sigma * f.in.sigma
	for k, g := range pr.s.groups {
		v := st.params.gamma[k] * residual
		c := Component{Name: g.name, Levels: g.levels, Variance: v, SD: math.Sqrt(v), AtZero: v == 0}
		f.Components = append(f.Components, c)
		if c.AtZero {
			f.warn("the variance of %s is estimated as 0: its groups differ no more than rows within them would by chance; it stays in the model and changes nothing else", g.name)
		} else if g.levels < 5 {
			f.warn("the variance of %s rests on %d groups only and is poorly known (5 or more: common practice)", g.name, g.levels)
		}
	}
	f.Components = append(f.Components, Component{Name: "residual", Levels: f.Rows, Variance: residual, SD: f.in.sigma})
	if !pr.s.serial {
		return
	}
	f.Serial = &SerialEstimate{GapDays: pr.s.medianGap, AtZero: st.params.independent}
	if st.params.independent {
		f.warn("the serial correlation is estimated as 0: dates of a plot are no more alike the closer they are")
		return
	}
	rate := math.Exp(st.params.logRate)
	f.Serial.CorrelationPerDay = math.Exp(-rate)
	f.Serial.CorrelationAtGap = math.Exp(-rate * pr.s.medianGap)
	if st.params.logRate <= pr.slowestRate()+1e-6 {
		f.Serial.AtOne = true
		f.warn("the serial correlation runs to 1 over the whole season: it cannot be told from a lasting difference between plots")
	}
}

func (f *Fit) describeFixed() {
	f.beta = f.in.coefficients()
	units := make([][]float64, len(f.beta))
	for j := range units {
		units[j] = make([]float64, len(f.beta))
		units[j][j] = 1
	}
	functions := f.in.pull(units)
	for j, name := range f.design.Names {
		e := f.estimate(units[j], functions[j])
		f.Coefficients = append(f.Coefficients, Coefficient{Name: name, Estimate: e.value, SE: e.se, DF: e.df, P: e.p})
	}
	for k := 1; k < len(f.design.Terms) && f.ctx.Err() == nil; k++ {
		term := f.design.Terms[k].String()
		var rows [][]float64
		for j, a := range f.design.Assign {
			if a == k {
				rows = append(rows, f.design.SequentialRow(j))
			}
		}
		if len(rows) == 0 {
			f.warn("term %s: confounded with the terms before it, 0 degrees of freedom, not tested", term)
			continue
		}
		if t, ok := f.testRows(term, rows); ok {
			f.Sequential = append(f.Sequential, t)
		}
		rows, err := f.design.AdjustedRows(k)
		if err != nil {
			f.warn("%v", err)
			continue
		}
		if t, ok := f.testRows(term, rows); ok {
			f.Adjusted = append(f.Adjusted, t)
		}
	}
	if len(f.Aliased) > 0 {
		f.warn("%d of the fixed columns cannot be separated from earlier ones (%s): means that need them are left out", len(f.Aliased), strings.Join(f.Aliased, ", "))
	}
}

func (f *Fit) testRows(term string, rows [][]float64) (Test, bool) {
	t, ok := f.in.test(rows, f.beta)
	if !ok {
		f.warn("term %s: its test is not defined for these data", term)
		return Test{}, false
	}
	return Test{Term: term, NumDF: t.num, DenDF: t.den, F: t.f, P: tails.F(t.f, float64(t.num), t.den)}, true
}

func (f *Fit) warn(format string, args ...any) {
	f.Warnings = append(f.Warnings, fmt.Sprintf(format, args...))
}

// estimate is a linear function of the coefficients with its uncertainty.
type estimate struct{ value, se, df, t, p float64 }

// estimate tells the value of a linear function, given also as carried over.
func (f *Fit) estimate(row []float64, x pulled) estimate {
	e := estimate{value: dot(row, f.beta), df: f.in.singleDF(x)}
	e.se = math.Sqrt(max(x.covariance(x), 0))
	if e.se > 0 {
		e.t = e.value / e.se
		e.p = tails.T(e.t, e.df)
	} else {
		e.p = 1
	}
	return e
}
