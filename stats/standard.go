package stats

import (
	"fmt"
	"math"
	"slices"

	"quadtally/stats/glm"
	"quadtally/stats/terms"
)

// suppressionByModel is the Method of suppression from standardised means.
const suppressionByModel = "ratio of standardised means on the log scale"

// mostReach is how many times an estimate the upper limit of a mean count, or
// the control a treatment, may be to be worth writing down (our own choice).
const mostReach = 1000.0

// standardise adds the means of shares and counts with intervals that lie where
// a mean can, and suppression from the same: standardised means of a
// quasi-binomial or quasi-Poisson fit whose variance grows with the mean as it
// does where weeds stand in patches (see [glm.SpreadOfPatches]). One pooled
// variance on any scale makes the intervals of the weediest treatments too
// narrow and of the cleanest too wide; TestStandardMeansReport of package glm
// shows how often these hold. It is the way for these kinds unless another
// scale than theirs is asked for.
func (a *Analysis) standardise(used []Plot, opt Options) {
	counts := opt.Kind == Count
	if opt.Kind == Measure || a.Transform.Scale != DefaultScale(opt.Kind) || a.treatment().F == nil {
		return
	}
	family := glm.QuasiBinomial
	whole := a.Transform.whole()
	if counts {
		family, whole = glm.QuasiPoisson, 1
	}
	m, ok := modelOf(used, opt, a.Transform)
	if !ok {
		return
	}
	fit, err := glm.FitModel(m, glm.Options{Family: family, Level: a.Confidence, Spread: glm.SpreadOfPatches})
	if err != nil {
		a.note("no interval of the means as measured: %s", err)
		return
	}
	s, err := fit.Standardise(TreatmentTerm)
	if err != nil {
		a.note("no interval of the means as measured: %s", err)
		return
	}
	a.StandardBy = string(family)
	a.standardised, a.standard = m, s
	var unbounded []string
	for _, x := range s.Means {
		r := a.result(x.Level)
		if r == nil {
			continue
		}
		r.Standard = ptr(whole * x.Mean)
		switch {
		case counts && !x.Extreme && x.Upper > mostReach*x.Mean:
			unbounded = append(unbounded, x.Level)
		case !x.Extreme || x.Upper > x.Lower:
			r.StandardLower, r.StandardUpper = ptr(whole*x.Lower), ptr(whole*x.Upper)
		}
		if r.Suppression == nil || r.Suppression.Percent == nil {
			continue
		}
		p := r.Suppression
		ratio := s.Ratio(x.Level, opt.Control)
		if ratio.Undefined {
			p.Lower, p.Upper, p.Method = nil, nil, ""
			p.Note = "no interval: nothing varies where every plot holds nothing or is full"
			continue
		}
		if ratio.Upper > mostReach {
			p.Percent, p.Lower, p.Upper, p.Method = ptr(100*(1-ratio.Ratio)), nil, nil, ""
			p.Note = fmt.Sprintf("no interval: by the spread of the plots it could hold more than %g times what the control holds", mostReach)
			continue
		}
		p.Percent, p.Lower, p.Upper = ptr(100*(1-ratio.Ratio)), ptr(100*(1-ratio.Upper)), ptr(100*(1-ratio.Lower))
		p.Method, p.Note = suppressionByModel, ""
	}
	if len(unbounded) > 0 {
		a.warn("no interval of the mean of %s: by the spread of the plots it could be more than %g times as high; see whether one plot stands far out", listed(unbounded), mostReach)
	}
}

// Standardised are the values behind the standardised means, one for each of
// Plots: counts with the ground they stood on (nil for equal ground), or shares
// from 0 to 1. Both are nil where there are no such means.
func (a *Analysis) Standardised() (response, exposure []float64) {
	return a.standardised.Response, a.standardised.Exposure
}

// Shown are the mean and interval for people, in the unit of the response: the
// standardised ones where there are any, else those carried back, else the
// plain mean alone.
func (r TreatmentResult) Shown() (mean, lower, upper *float64) {
	switch {
	case r.Standard != nil:
		return r.Standard, r.StandardLower, r.StandardUpper
	case r.Back != nil:
		return r.Back, r.BackLower, r.BackUpper
	}
	return r.Mean, nil, nil
}

// modelOf lays the plots out for a generalised linear model: blocks, then the
// covariate, then treatment. Counts that make whole plants with their readings
// (and the ground of one) are given as such, with the ground as exposure.
func modelOf(used []Plot, opt Options, t Transform) (m glm.Model, ok bool) {
	ground := opt.Ground
	if ground == 0 {
		ground = 1
	}
	var treatment, block, column []string
	var covariate []float64
	whole := opt.Kind == Count
	for _, p := range used {
		treatment, block, column = append(treatment, p.Treatment), append(block, p.Block), append(column, p.Column)
		if opt.UseCovariate {
			covariate = append(covariate, deref(p.Covariate))
		}
		if opt.Kind != Count {
			m.Response = append(m.Response, p.Value/t.whole())
			continue
		}
		on := float64(p.Quadrats) * ground
		total := p.Value * on
		if near := math.Round(total); math.Abs(total-near) < 1e-6*max(1, near) {
			total = near
		} else {
			whole = false
		}
		m.Response, m.Exposure = append(m.Response, total), append(m.Exposure, on)
	}
	if opt.Kind == Count && !whole {
		m.Exposure = nil
		for i, p := range used {
			m.Response[i] = p.Value
		}
	}
	add := func(name string, labels []string) {
		if len(levels(labels)) > 1 {
			m.Frame.Factors = append(m.Frame.Factors, terms.Factor{Name: name, Labels: labels})
			m.Fixed = append(m.Fixed, terms.Term{name})
		}
	}
	add("block", block)
	add("column", column)
	if covariate != nil {
		m.Frame.Covariates = []terms.Covariate{{Name: "covariate", Values: covariate}}
		m.Fixed = append(m.Fixed, terms.Term{"covariate"})
	}
	add(TreatmentTerm, treatment)
	return m, slices.ContainsFunc(m.Frame.Factors, func(f terms.Factor) bool { return f.Name == TreatmentTerm })
}
