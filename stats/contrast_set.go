package stats

import (
	"fmt"
	"math"
	"slices"

	"quadtally/stats/dist"
)

// ContrastAdjustment says how a set of contrasts is kept honest together.
type ContrastAdjustment string

// The adjustments for a set of contrasts. Contrasts set before the trial and
// few in number may stand on their own; Scheffé's holds whatever was looked at
// first (Scheffé 1959, The Analysis of Variance, section 3.5).
const (
	ContrastsAlone   ContrastAdjustment = "none"
	ContrastsHolm    ContrastAdjustment = "holm"
	ContrastsScheffe ContrastAdjustment = "scheffe"
)

// Words is the adjustment's name in print.
func (a ContrastAdjustment) Words() string {
	switch a {
	case ContrastsHolm:
		return "Holm"
	case ContrastsScheffe:
		return "Scheffe"
	}
	return "each on its own"
}

// PlannedContrast is a contrast with what a reader asks of it. Average,
// AverageLower and AverageUpper are the difference between the average of the
// treatments added and the average of those taken away, each treatment
// weighted by its coefficient: the contrast over Divisor, the sum of its
// positive coefficients. P of the contrast is for it alone; PAdjusted, Lower
// and Upper of the average are by the adjustment of the set (under Holm the
// limits are Bonferroni's).
type PlannedContrast struct {
	Contrast
	Divisor      float64  `json:"divisor"`
	Average      *float64 `json:"average,omitempty"`
	AverageLower *float64 `json:"average_lower,omitempty"`
	AverageUpper *float64 `json:"average_upper,omitempty"`
	PAdjusted    *float64 `json:"p_adjusted,omitempty"`
}

// PlannedContrasts answers a set of contrasts together. Orthogonal says that
// no two of them look at the same difference: their sums of squares add up.
type PlannedContrasts struct {
	Adjustment ContrastAdjustment `json:"adjustment"`
	Levels     []string           `json:"levels"`
	Contrasts  []PlannedContrast  `json:"contrasts"`
	Orthogonal bool               `json:"orthogonal"`
}

// Planned answers questions together. Coefficients stay as they were written.
// It refuses an unknown adjustment, a treatment without plots, and
// coefficients that do not sum to zero.
func (m Means) Planned(questions []Question, how ContrastAdjustment, confidence float64) (PlannedContrasts, error) {
	out := PlannedContrasts{Adjustment: how, Levels: m.Levels, Orthogonal: true}
	if how != ContrastsAlone && how != ContrastsHolm && how != ContrastsScheffe {
		return out, fmt.Errorf("no adjustment %q for contrasts; choose one of %s, %s, %s", how, ContrastsAlone, ContrastsHolm, ContrastsScheffe)
	}
	if !(confidence > 0 && confidence < 1) {
		return out, fmt.Errorf("confidence %g is not between 0 and 1", confidence)
	}
	unadjusted, err := m.ask(questions, confidence)
	if err != nil {
		return out, err
	}
	var p []float64
	var at []int
	for i, c := range unadjusted {
		pc := PlannedContrast{Contrast: c}
		for _, w := range c.Coefficients {
			pc.Divisor += max(w, 0)
		}
		out.Contrasts = append(out.Contrasts, pc)
		if c.P != nil {
			p, at = append(p, *c.P), append(at, i)
		}
		for j := range i {
			if !m.orthogonal(c.Coefficients, unadjusted[j].Coefficients) {
				out.Orthogonal = false
			}
		}
	}
	if len(at) == 0 {
		return out, nil
	}
	df, k := float64(m.fit.DFResidual), float64(m.differencesDF())
	adjusted, reach := p, must(dist.TQuantile(0.5+confidence/2, df))
	switch how {
	case ContrastsHolm:
		if adjusted, err = Adjust(p, AdjustHolm); err != nil {
			return out, err
		}
		reach = must(dist.TQuantile(1-(1-confidence)/2/float64(len(p)), df))
	case ContrastsScheffe:
		adjusted = make([]float64, len(p))
		for i, c := range at {
			adjusted[i] = must(dist.FSF(*unadjusted[c].F/k, k, df))
		}
		reach = math.Sqrt(k * must(dist.FQuantile(confidence, k, df)))
	}
	for i, c := range at {
		pc := &out.Contrasts[c]
		pc.PAdjusted = ptr(adjusted[i])
		pc.AverageLower = ptr((*pc.Estimate - reach**pc.SE) / pc.Divisor)
		pc.AverageUpper = ptr((*pc.Estimate + reach**pc.SE) / pc.Divisor)
	}
	for i := range out.Contrasts {
		if pc := &out.Contrasts[i]; pc.Estimate != nil {
			pc.Average = ptr(*pc.Estimate / pc.Divisor)
		}
	}
	return out, nil
}

// differencesDF is the number of independent differences among the levels that
// the design gives.
func (m Means) differencesDF() int {
	t := slices.IndexFunc(m.fit.terms, func(t Term) bool { return t.Name == m.term })
	if t < 0 {
		return max(len(m.Levels)-1, 1)
	}
	others := slices.Delete(slices.Clone(m.fit.terms), t, t+1)
	df, _ := m.fit.refit(append(others, m.fit.terms[t])).termDFSS(len(others))
	return max(df, 1)
}

// orthogonal reports whether two contrasts are uncorrelated in this design.
func (m Means) orthogonal(a, b []float64) bool {
	x, y := m.weighted(a), m.weighted(b)
	if !x.estimable || !y.estimable {
		return false
	}
	return math.Abs(x.covariance(y)) <= 1e-9*math.Sqrt(x.variance()*y.variance())
}

// AnswerContrasts answers further questions of an analysis, on its scale.
func (a Analysis) AnswerContrasts(questions []Question, how ContrastAdjustment) (PlannedContrasts, error) {
	return a.means.Planned(questions, how, a.Confidence)
}
