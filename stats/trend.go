package stats

import (
	"fmt"
	"math"
	"slices"
)

// Equation is a polynomial of the response in the rate, at the average of the
// blocks: the sum of Coefficients[i] times rate^i, in units of the response (on
// the scale of the analysis) over units of the rate to that power. It holds
// between From and To, the lowest and highest rate, and nowhere else. SE uses
// the residual mean square of the whole analysis, of DF degrees of freedom.
type Equation struct {
	Degree       int       `json:"degree"`
	Coefficients []float64 `json:"coefficients"`
	SE           []float64 `json:"se,omitempty"`
	From         float64   `json:"from"`
	To           float64   `json:"to"`
}

// At is the value of the equation at a rate.
func (e Equation) At(rate float64) float64 {
	var v float64
	for i := len(e.Coefficients) - 1; i >= 0; i-- {
		v = v*rate + e.Coefficients[i]
	}
	return v
}

// Trend splits the differences among ordered rates into a straight line, a
// bend, an S, and what these leave. Rows are sequential: each degree is
// adjusted for the lower ones and for all the other terms, at the true spacing
// of the rates, so that with equal replication they are the orthogonal
// polynomial contrasts. All are tested against the residual of the whole
// analysis (Snedecor & Cochran 1989, Statistical Methods, 8th ed., ch. 19, from
// memory).
//
// A significant "lack of fit" row says that the polynomial misses something.
// Suggested is the highest degree whose row is significant at the level asked
// for, 0 where none is: it is chosen by looking at the data, and its equation
// is a description.
type Trend struct {
	Factor    string     `json:"factor"`
	Rates     []float64  `json:"rates"`
	Means     []*float64 `json:"means"` // at each rate, averaged over treatments of the rate
	Rows      []ANOVARow `json:"rows"`
	Equations []Equation `json:"equations"`
	Suggested int        `json:"suggested"`
	// Apart lists levels without a rate; they keep a mean of their own and
	// take no part in the trend.
	Apart    []string `json:"apart,omitempty"`
	Warnings []string `json:"warnings,omitempty"`
}

// ThroughEveryMean reports whether the suggested polynomial has as many
// coefficients as there are rates: it passes through the mean of each, and
// nothing tests its shape between them.
func (t Trend) ThroughEveryMean() bool {
	return t.Suggested > 0 && t.Suggested+1 >= len(t.Rates)
}

// leastStep is the least step between rates, as a share of their span. Closer ones,
// such as 0.3 and a spreadsheet's 3 times 0.1, are one rate, and a polynomial
// through both would follow nothing but rounding.
const leastStep = 1e-9

// Trend looks for a trend over rates of the factor term named, up to degree
// most (1 to 3). rates gives the rate of each level; levels without one stand
// apart, and several levels may share a rate. It refuses fewer than two rates,
// rates that differ by rounding alone, a rate of an unknown level and rates that
// are not numbers.
func (f *Fit) Trend(term string, rates map[string]float64, most int, alpha float64) (Trend, error) {
	out := Trend{Factor: term}
	t := slices.IndexFunc(f.terms, func(t Term) bool { return t.Name == term && len(t.factors) == 1 })
	if t < 0 {
		return out, fmt.Errorf("the model has no factor %q", term)
	}
	if most < 1 || most > len(trendNames) {
		return out, fmt.Errorf("a trend of degree %d: choose 1 to %d", most, len(trendNames))
	}
	if !(alpha > 0 && alpha < 1) {
		return out, fmt.Errorf("significance level %g is not between 0 and 1", alpha)
	}
	levels := f.coding[t].levels[0]
	for _, name := range sortedKeys(rates) {
		if !slices.Contains(levels, name) {
			return out, fmt.Errorf("a rate is given for %q, which is not among %s", name, listed(levels))
		}
		if !usable(rates[name]) {
			return out, fmt.Errorf("the rate of %s is not a number", name)
		}
		if !slices.Contains(out.Rates, rates[name]) {
			out.Rates = append(out.Rates, rates[name])
		}
	}
	slices.Sort(out.Rates)
	if len(out.Rates) < 2 {
		return out, fmt.Errorf("a trend over %s needs at least 2 different rates", term)
	}
	span := out.Rates[len(out.Rates)-1] - out.Rates[0]
	for i, r := range out.Rates[1:] {
		if r-out.Rates[i] < leastStep*span {
			return out, fmt.Errorf("the rates %v and %v are the same but for rounding: write them alike", out.Rates[i], r)
		}
	}
	for _, l := range levels {
		if _, ok := rates[l]; !ok {
			out.Apart = append(out.Apart, l)
		}
	}
	degree := min(most, len(out.Rates)-1)
	f.fillTrendRows(&out, t, rates, degree)
	f.fillTrendMeans(&out, rates)
	for d := 1; d <= degree; d++ {
		if e, ok := f.equation(t, rates, out, d); ok {
			out.Equations = append(out.Equations, e)
		}
		if p := out.Rows[d-1].P; p != nil && *p <= alpha {
			out.Suggested = d
		}
	}
	if lack := out.Rows[degree]; lack.Term == lackOfFit && lack.P != nil && *lack.P <= alpha {
		out.Warnings = append(out.Warnings, fmt.Sprintf("the rates differ in ways a polynomial of degree %d does not follow (%s): read the means, not the equation", degree, PWords(*lack.P)))
	}
	return out, nil
}

// lackOfFit is the row of a trend that the polynomial leaves.
const lackOfFit = "lack of fit"

// trendTerms are columns for the rates of term t: what sets levels without a
// rate apart from the others, then powers of the rate, each cleared of the
// lower ones over the observations with a rate.
func (f *Fit) trendTerms(t int, rates map[string]float64, degree int) []Term {
	labels := f.terms[t].factors[0].Labels
	var scores []float64
	for _, l := range sortedKeys(rates) {
		if !slices.Contains(scores, rates[l]) {
			scores = append(scores, rates[l])
		}
	}
	slices.Sort(scores)
	// The contrasts of the distinct rates keep the powers well apart.
	set := must(PolynomialContrasts(scores, degree))
	var terms []Term
	apart := make([]string, len(labels))
	for i, l := range labels {
		apart[i] = "rated"
		if _, ok := rates[l]; !ok {
			apart[i] = "apart: " + l
		}
	}
	if len(levels(apart)) > 1 {
		terms = append(terms, FactorTerm("levels without a rate", apart))
	}
	for d, c := range set {
		x := make([]float64, len(labels))
		for i, l := range labels {
			if r, ok := rates[l]; ok {
				x[i] = c[slices.Index(scores, r)]
			}
		}
		terms = append(terms, CovariateTerm(trendNames[d], x))
	}
	return terms
}

func (f *Fit) fillTrendRows(out *Trend, t int, rates map[string]float64, degree int) {
	var model, holding []Term
	for i, other := range f.terms {
		switch {
		case i == t:
		case other.contains(f.terms[t]):
			holding = append(holding, other)
		default:
			model = append(model, other)
		}
	}
	// Terms that contain the factor come after it, so that the trend is not
	// adjusted for its own interactions.
	model = append(model, f.trendTerms(t, rates, degree)...)
	last := len(model)
	model = append(append(model, f.terms[t]), holding...)
	g := f.refit(model)
	for i := last - degree; i < last; i++ {
		df, ss := g.termDFSS(i)
		out.Rows = append(out.Rows, f.row(model[i].Name, df, ss))
	}
	if df, ss := g.termDFSS(last); df > 0 {
		out.Rows = append(out.Rows, f.row(lackOfFit, df, ss))
	}
	out.Rows = append(out.Rows, f.residualRow())
}

func (f *Fit) fillTrendMeans(out *Trend, rates map[string]float64) {
	m, err := f.MeansOf(out.Factor)
	if err != nil {
		return
	}
	for _, r := range out.Rates {
		w := make([]float64, len(m.Levels))
		n := 0.0
		for i, l := range m.Levels {
			if v, ok := rates[l]; ok && v == r {
				w[i] = 1
				n++
			}
		}
		for i := range w {
			w[i] /= n
		}
		c := m.average(w)
		if !c.estimable {
			out.Means = append(out.Means, nil)
			continue
		}
		out.Means = append(out.Means, ptr(f.shift+c.estimate))
	}
}

// average combines the levels with weights that sum to one.
func (m Means) average(w []float64) combination {
	l := make([]float64, len(m.fit.x))
	for i, v := range m.vectors {
		for j := range l {
			l[j] += w[i] * v[j]
		}
	}
	return m.fit.combine(1, l)
}

// equation fits the polynomial of a degree in place of the factor, the other
// terms kept but not those that contain it.
func (f *Fit) equation(t int, rates map[string]float64, out Trend, degree int) (Equation, bool) {
	e := Equation{Degree: degree, From: out.Rates[0], To: out.Rates[len(out.Rates)-1]}
	var model []Term
	for i, other := range f.terms {
		if i != t && !other.contains(f.terms[t]) {
			model = append(model, other)
		}
	}
	first := len(model)
	columns := f.trendTerms(t, rates, degree)
	model = append(model, columns...)
	g := f.refit(model)
	powers := first + len(columns) - degree
	// The polynomial runs through degree+1 points of the fitted curve, from
	// which its coefficients follow; so do their variances.
	points := make([]float64, degree+1)
	combos := make([]combination, degree+1)
	set := must(PolynomialContrasts(out.Rates, degree))
	for k := range points {
		at := k * (len(out.Rates) - 1) / degree
		points[k] = out.Rates[at]
		l := make([]float64, len(g.x))
		for i, term := range model {
			c := g.coding[i]
			switch {
			case i >= powers:
				l[c.first] = set[i-powers][at]
			case term.numeric != nil:
				l[c.first] = g.xMean[c.first]
			case i >= first: // levels without a rate: the rated ones
				rated := slices.Index(c.levels[0], "rated")
				for j := range c.count {
					if rated < c.count && j == rated {
						l[c.first+j] = 1
					} else if rated == c.count {
						l[c.first+j] = -1
					}
				}
			}
		}
		combos[k] = g.combine(1, l)
		if !combos[k].estimable {
			return e, false
		}
	}
	basis := lagrange(points)
	mse, ok := f.MSE()
	ok = ok && mse > 0
	for power := range basis {
		var v, variance float64
		for k, c := range combos {
			v += basis[power][k] * c.estimate
			for j, d := range combos {
				variance += basis[power][k] * basis[power][j] * c.covariance(d)
			}
		}
		if power == 0 {
			v += f.shift
		}
		e.Coefficients = append(e.Coefficients, v)
		if ok {
			e.SE = append(e.SE, math.Sqrt(max(mse*variance, 0)))
		}
	}
	return e, true
}

// lagrange returns, for each power, what the value at each point adds to its
// coefficient in the polynomial through the points.
func lagrange(points []float64) [][]float64 {
	n := len(points)
	out := make([][]float64, n)
	for i := range out {
		out[i] = make([]float64, n)
	}
	for k, xk := range points {
		poly := []float64{1}
		for j, xj := range points {
			if j == k {
				continue
			}
			next := make([]float64, len(poly)+1)
			for i, c := range poly {
				next[i+1] += c / (xk - xj)
				next[i] -= c * xj / (xk - xj)
			}
			poly = next
		}
		for i, c := range poly {
			out[i][k] = c
		}
	}
	return out
}

// Trend looks for a trend over the rates of the treatments, on the scale of
// the analysis.
func (a Analysis) Trend(rates map[string]float64, most int) (Trend, error) {
	if a.fit == nil {
		return Trend{}, fmt.Errorf("nothing was analysed, so there is no trend to look for")
	}
	return a.fit.Trend(TreatmentTerm, rates, most, a.Alpha)
}
