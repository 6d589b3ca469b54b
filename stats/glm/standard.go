package glm

import (
	"fmt"
	"math"
	"slices"

	"quadtally/stats/terms"
)

// StandardMean is the mean a level of a factor would have on all plots of the
// trial: fitted means of every row with the row's own level replaced by this
// one, averaged (standardisation; Lane and Nelder 1982, Biometrics 38, 613-621).
// In a complete balanced trial it is the plain mean of the level. Unlike
// [Mean.Mean] it is an arithmetic mean, per unit of exposure or as a share.
type StandardMean struct {
	Level string  `json:"level"`
	Mean  float64 `json:"mean"`
	SE    float64 `json:"se"` // by the delta rule; 0 where Extreme
	// Lower and Upper are made on the log or logit scale and carried back, so
	// that they lie where a mean can. Where Extreme they are the mean itself,
	// but for the Upper bound of an all-zero level of counts; see [Mean].
	Lower   float64 `json:"lower"`
	Upper   float64 `json:"upper"`
	Extreme bool    `json:"extreme,omitempty"`
}

// StandardRatio is one standardised mean over another with an interval made on
// the log scale, so that it is always bounded and above 0.
type StandardRatio struct {
	Level string `json:"level"`
	Over  string `json:"over"`
	// Ratio is 0 for an all-zero level. Undefined says that there is nothing to
	// divide by, or that one of the two is extreme and has no ratio.
	Ratio float64 `json:"ratio"`
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
	P     float64 `json:"p"` // two-sided, of a ratio of 1, not adjusted
	// SE is the standard error of the log of the ratio, 0 for an all-zero level.
	// DF are the degrees of freedom of the t distribution that P and the limits
	// come from, the quasi families' [Fit.DispersionDF]; 0 for the others, whose
	// are normal.
	SE        float64 `json:"se"`
	DF        int     `json:"df"`
	Undefined bool    `json:"undefined,omitempty"`
}

// Standard holds the standardised means of a factor, ready to be compared.
type Standard struct {
	Means []StandardMean

	fit      *Fit
	gradient [][]float64 // of the log of each mean, on the orthonormal columns; nil where extreme
}

// Standardise gives the standardised means of the levels of a factor.
func (f *Fit) Standardise(factor string) (Standard, error) {
	at := slices.IndexFunc(f.model.Frame.Factors, func(x terms.Factor) bool { return x.Name == factor })
	if at < 0 {
		return Standard{}, fmt.Errorf("no factor is named %q", factor)
	}
	if n := len(slices.DeleteFunc(slices.Clone(f.model.Fixed), func(t terms.Term) bool { return !slices.Contains(t, factor) })); n != 1 {
		return Standard{}, fmt.Errorf("%s is in %d terms of the model, so its levels have no single mean", factor, n)
	}
	means, err := f.Means(terms.Term{factor})
	if err != nil {
		return Standard{}, err
	}
	s := Standard{fit: f}
	r := newRows(f.model, f.Family, nil)
	for _, m := range means.Means {
		level := m.Labels[0]
		if m.Extreme {
			s.Means = append(s.Means, StandardMean{Level: level, Mean: m.Mean, Lower: m.Lower, Upper: m.Upper, Extreme: true})
			s.gradient = append(s.gradient, nil)
			continue
		}
		rows, err := f.shiftedRows(at, level)
		if err != nil {
			return Standard{}, err
		}
		total, gradient := 0.0, make([]float64, len(f.coord))
		for _, x := range rows {
			eta := 0.0
			for j, v := range x {
				eta += v * f.coord[j]
			}
			mu, slope := r.mean(eta)
			total += mu
			for j, v := range x {
				gradient[j] += slope * v
			}
		}
		mean := total / float64(len(rows))
		v := 0.0
		for i := range gradient {
			gradient[i] /= total // of log mean
		}
		for i := range gradient {
			for j := range gradient {
				v += gradient[i] * gradient[j] * f.cov.At(i, j)
			}
		}
		out := StandardMean{Level: level, Mean: mean, SE: mean * math.Sqrt(max(v, 0))}
		if f.Family.counts() {
			half := f.quantile * out.SE / mean
			out.Lower, out.Upper = mean*math.Exp(-half), mean*math.Exp(half)
		} else {
			half := f.quantile * out.SE / (mean * (1 - mean))
			out.Lower, out.Upper = logistic(r.link(mean)-half), logistic(r.link(mean)+half)
		}
		if math.IsInf(out.Upper, 0) || math.IsNaN(out.Upper) {
			return Standard{}, fmt.Errorf("the mean of %s is so uncertain that no interval can be written down", level)
		}
		s.Means = append(s.Means, out)
		s.gradient = append(s.gradient, gradient)
	}
	return s, nil
}

// shiftedRows are the rows of the design, on its orthonormal columns, as if
// every plot had had the level. Rows set aside as exactly 0 or full stay out.
func (f *Fit) shiftedRows(at int, level string) ([][]float64, error) {
	name := f.model.Frame.Factors[at].Name
	reference := f.design
	frame := f.model.Frame
	if f.keep != nil {
		frame, _ = restrict(frame, f.model.Fixed, f.keep)
	}
	// A row of the design with its level exchanged is the row of a plot that
	// has it, plus the difference of two means of the factor.
	if !slices.Contains(reference.Levels(name), level) || len(reference.Levels(name)) < 2 {
		out := make([][]float64, reference.Rows)
		for i := range out {
			out[i] = make([]float64, reference.Rank())
			for j := range out[i] {
				out[i][j] = reference.Q(j)[i]
			}
		}
		return out, nil
	}
	marginal, err := reference.MeanRows(terms.Term{name})
	if err != nil {
		return nil, err
	}
	pulled := map[string][]float64{}
	for _, m := range marginal {
		if m.Estimable {
			pulled[m.Labels[0]] = reference.Pull(m.Row)
		}
	}
	var labels []string
	for _, fac := range frame.Factors {
		if fac.Name == name {
			labels = fac.Labels
		}
	}
	out := make([][]float64, reference.Rows)
	for i := range out {
		out[i] = make([]float64, reference.Rank())
		from, to := pulled[labels[i]], pulled[level]
		if from == nil || to == nil {
			return nil, fmt.Errorf("the means of %s cannot all be estimated", name)
		}
		for j := range out[i] {
			out[i][j] = reference.Q(j)[i] + to[j] - from[j]
		}
	}
	return out, nil
}

// Ratio compares two levels by name. level may be all zero, over may not.
func (s Standard) Ratio(level, over string) StandardRatio {
	out := StandardRatio{Level: level, Over: over, Undefined: true, P: 1}
	find := func(name string) int {
		return slices.IndexFunc(s.Means, func(m StandardMean) bool { return m.Level == name })
	}
	a, b := find(level), find(over)
	if a < 0 || b < 0 || s.gradient[b] == nil || s.Means[b].Mean <= 0 {
		return out
	}
	if s.gradient[a] == nil {
		if m := s.Means[a]; m.Mean == 0 && m.Upper > 0 {
			// The bound of one over the lower limit of the other.
			out.Undefined, out.Upper = false, m.Upper/s.Means[b].Lower
		}
		return out
	}
	v := 0.0
	for i, x := range s.gradient[a] {
		for j, y := range s.gradient[a] {
			v += (x - s.gradient[b][i]) * (y - s.gradient[b][j]) * s.fit.cov.At(i, j)
		}
	}
	se := math.Sqrt(max(v, 0))
	log := math.Log(s.Means[a].Mean / s.Means[b].Mean)
	half := s.fit.quantile * se
	out.Undefined, out.Ratio, out.Lower, out.Upper = false, math.Exp(log), math.Exp(log-half), math.Exp(log+half)
	out.P, out.SE = s.fit.twoSided(log, se), se
	if s.fit.Family.quasi() {
		out.DF = s.fit.DispersionDF
	}
	if math.IsInf(out.Upper, 0) {
		return StandardRatio{Level: level, Over: over, Undefined: true, P: 1}
	}
	return out
}
