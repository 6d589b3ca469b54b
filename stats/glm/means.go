package glm

import (
	"fmt"
	"math"
	"strings"

	"quadtally/stats/terms"
)

// Mean is an adjusted mean of a treatment, on the response scale: a count per
// unit of exposure, or a share.
type Mean struct {
	Labels []string `json:"labels"`
	// Mean is the inverse link of the linear predictor averaged with equal
	// weight over the other factors: for counts with blocks a geometric kind
	// of mean, a little below FittedMean.
	Mean float64 `json:"mean"`
	// Link and LinkSE are mean and standard error on the link scale; both are
	// 0 where Extreme.
	Link   float64 `json:"link"`
	LinkSE float64 `json:"link_se"`
	// Lower and Upper bound the interval at the level of the options, from the
	// link scale. Where Extreme, see there.
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
	// FittedMean is the plain mean of the fitted rows of the treatment, area
	// and points included; in a complete balanced trial the raw mean.
	FittedMean float64 `json:"fitted_mean"`
	// Extreme says that every row is 0 (Mean 0) or full (Mean 1). Lower and
	// Upper are then both the mean, except that HasBound says that Upper is
	// the profile-likelihood bound of an all-zero treatment's mean rate.
	Extreme  bool `json:"extreme,omitempty"`
	HasBound bool `json:"has_bound,omitempty"`
}

// Means are the adjusted means of a term.
type Means struct {
	Term     string   `json:"term"`
	Means    []Mean   `json:"means"`
	Warnings []string `json:"warnings,omitempty"`
}

// Means gives the adjusted means of the combinations of the factors of a term.
// Combinations that the data cannot give are left out and named.
//
// The bound of an all-zero treatment of counts is where -2 log-likelihood
// rises by the chi-square quantile (by the F quantile times the dispersion, or
// 1 if that is larger, for quasi-Poisson): with no plant on a total exposure E the rate T adds 2TE,
// so the bound is quantile/(2E).
func (f *Fit) Means(term terms.Term) (Means, error) {
	all, err := f.full.MeanRows(term)
	if err != nil {
		return Means{}, err
	}
	rows, err := f.keptRows(term)
	if err != nil {
		return Means{}, err
	}
	codes, labels, err := f.model.Frame.Groups(term)
	if err != nil {
		return Means{}, err
	}
	group := map[string]int{}
	for c, l := range labels {
		group[l] = c
	}
	r := newRows(f.model, f.Family, nil)
	out := Means{Term: term.String()}
	for _, a := range all {
		key := strings.Join(a.Labels, ":")
		m := Mean{Labels: a.Labels}
		c, seen := group[key]
		row, kept := rows[key]
		extreme := seen && f.allExtreme(codes, c)
		switch {
		case extreme:
			f.extremeMean(&m, codes, c)
		case kept:
			m.Link, m.LinkSE = f.linear(row)
			half := m.LinkSE * f.quantile
			m.Mean, _ = r.mean(m.Link)
			m.Lower, _ = r.mean(m.Link - half)
			m.Upper, _ = r.mean(m.Link + half)
			if math.IsInf(m.Upper, 0) || m.Mean == 0 {
				out.Warnings = append(out.Warnings, fmt.Sprintf("the mean of %s is so uncertain that no interval can be written down: left out", key))
				continue
			}
		default:
			out.Warnings = append(out.Warnings, fmt.Sprintf("the mean of %s cannot be estimated: it has no data, or is confounded with another term", key))
			continue
		}
		if seen {
			m.FittedMean = f.fittedMean(codes, c)
		}
		out.Means = append(out.Means, m)
	}
	return out, nil
}

// keptRows gives the estimable means of the design without extreme rows, by
// label. Factors of the term that vanished from it leave none.
func (f *Fit) keptRows(term terms.Term) (map[string][]float64, error) {
	rows := map[string][]float64{}
	for _, name := range term {
		if len(f.design.Levels(name)) < 2 {
			return f.loneRows(term)
		}
	}
	means, err := f.design.MeanRows(term)
	if err != nil {
		return nil, err
	}
	for _, m := range means {
		if m.Estimable {
			rows[strings.Join(m.Labels, ":")] = m.Row
		}
	}
	return rows, nil
}

// loneRows serves a term with a factor of which one level is left: that
// level's mean is the mean over everything else.
func (f *Fit) loneRows(term terms.Term) (map[string][]float64, error) {
	var rest terms.Term
	for _, name := range term {
		if len(f.design.Levels(name)) > 1 {
			rest = append(rest, name)
		}
	}
	means, err := f.design.MeanRows(rest)
	if err != nil {
		return nil, err
	}
	rows := map[string][]float64{}
	for _, m := range means {
		if !m.Estimable {
			continue
		}
		var labels []string
		k := 0
		for _, name := range term {
			if levels := f.design.Levels(name); len(levels) == 1 {
				labels = append(labels, levels[0])
			} else {
				labels = append(labels, m.Labels[k])
				k++
			}
		}
		rows[strings.Join(labels, ":")] = m.Row
	}
	return rows, nil
}

// allExtreme tells whether no row of the group is in the kept design.
func (f *Fit) allExtreme(codes []int, c int) bool {
	if f.keep == nil {
		return false
	}
	for i, k := range codes {
		if k == c && f.keep[i] {
			return false
		}
	}
	return true
}

func (f *Fit) extremeMean(m *Mean, codes []int, c int) {
	m.Extreme = true
	exposure := 0.0
	for i, k := range codes {
		if k != c {
			continue
		}
		if f.model.Response[i] > 0 {
			m.Mean, m.Lower, m.Upper = 1, 1, 1
		}
		if f.model.Exposure != nil {
			exposure += f.model.Exposure[i]
		} else {
			exposure++
		}
	}
	switch {
	case f.Family == Poisson:
		z := f.quantile
		m.Upper, m.HasBound = z*z/(2*exposure), true
	case f.Family == QuasiPoisson:
		t := f.quantile // t^2 is the F quantile with 1 numerator df
		m.Upper, m.HasBound = math.Max(f.Dispersion, 1)*t*t/(2*exposure), true
	}
}

// fittedMean is the mean of the fitted rows of a group, per unit of exposure
// or as a share.
func (f *Fit) fittedMean(codes []int, c int) float64 {
	s, base := 0.0, 0.0
	for i, k := range codes {
		if k != c {
			continue
		}
		s += f.fitted[i]
		switch {
		case f.model.Exposure != nil:
			base += f.model.Exposure[i]
		case f.model.Trials != nil:
			base += f.model.Trials[i]
		default:
			base++
		}
	}
	return s / base
}

// Ratio compares two adjusted means: A over B for counts, the odds of A over
// those of B for shares.
type Ratio struct {
	A []string `json:"a"`
	B []string `json:"b"`
	// LogRatio is the difference on the link scale and SE its standard error.
	LogRatio float64 `json:"log_ratio"`
	SE       float64 `json:"se"`
	Ratio    float64 `json:"ratio"`
	Lower    float64 `json:"lower"`
	Upper    float64 `json:"upper"`
	// P is two-sided and not adjusted for the number of comparisons.
	P float64 `json:"p"`
	// ByDeviance says that one of the two is all 0 (or full): there is no
	// finite ratio, its fields are 0, and P comes from the rise in deviance
	// when the two are taken as one treatment.
	ByDeviance bool `json:"by_deviance,omitempty"`
	// Undefined says that both are all 0 (or full), or that the data cannot
	// give the pair; P is then 1 and means nothing.
	Undefined bool `json:"undefined,omitempty"`
}

// Ratios compares the levels of one factor pair by pair.
func (f *Fit) Ratios(factor string) ([]Ratio, error) {
	means, err := f.Means(terms.Term{factor})
	if err != nil {
		return nil, err
	}
	rows, err := f.keptRows(terms.Term{factor})
	if err != nil {
		return nil, err
	}
	var out []Ratio
	for i, a := range means.Means {
		for _, b := range means.Means[i+1:] {
			r := Ratio{A: a.Labels, B: b.Labels}
			switch {
			case a.Extreme && b.Extreme:
				r.P, r.Undefined = 1, true
			case a.Extreme || b.Extreme:
				r.ByDeviance = true
				if r.P, err = f.mergedP(factor, a.Labels[0], b.Labels[0]); err != nil {
					return nil, err
				}
			default:
				f.finiteRatio(&r, rows[a.Labels[0]], rows[b.Labels[0]])
			}
			out = append(out, r)
		}
	}
	return out, nil
}

func (f *Fit) finiteRatio(r *Ratio, a, b []float64) {
	row := make([]float64, len(a))
	for j := range row {
		row[j] = a[j] - b[j]
	}
	r.LogRatio, r.SE = f.linear(row)
	r.P = f.twoSided(r.LogRatio, r.SE)
	half := r.SE * f.quantile
	r.Ratio, r.Lower, r.Upper = math.Exp(r.LogRatio), math.Exp(r.LogRatio-half), math.Exp(r.LogRatio+half)
	if math.IsInf(r.Upper, 0) {
		*r = Ratio{A: r.A, B: r.B, P: 1, Undefined: true}
	}
}

// mergedP tests two levels of a factor by fitting them as one.
func (f *Fit) mergedP(factor, a, b string) (float64, error) {
	m := f.model
	m.Frame.Factors = nil
	single := false
	for _, fac := range f.model.Frame.Factors {
		if fac.Name == factor {
			g := terms.Factor{Name: factor, Labels: make([]string, len(fac.Labels))}
			levels := map[string]bool{}
			for i, l := range fac.Labels {
				if l == b {
					l = a
				}
				g.Labels[i] = l
				levels[l] = true
			}
			single = len(levels) == 1
			fac = g
		}
		m.Frame.Factors = append(m.Frame.Factors, fac)
	}
	fixed := m.Fixed
	if single {
		_, fixed = restrict(m.Frame, fixed, allRows(f.Rows))
	}
	small, err := fitPart(m, f.opt, fixed)
	if err != nil {
		return 1, err
	}
	df := f.full.Rank() - small.full.Rank()
	if df == 0 {
		return 1, nil
	}
	return f.test(factor, df, f.fall(small, f.last)).P, nil
}
