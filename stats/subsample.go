package stats

import (
	"math"

	"quadtally/stats/dist"
)

// Subsampling splits the variance between plots from the variance between the
// quadrats of a plot, on the scale the response was measured on.
//
// VariancePlot is the analysis-of-variance estimate (MS plots - MS quadrats)/n0
// with n0 the mean number of quadrats a plot in the sense of the expectation:
// (N - tr(Z'HZ))/df, H the projection onto blocks and treatments. A negative
// estimate is a sign of a small component, is reported as 0, and its value
// stands in VariancePlotRaw. Searle, Casella & McCulloch 1992, Variance
// Components, ch. 3.
type Subsampling struct {
	ANOVA           []ANOVARow `json:"anova"` // sequential, plots tested against quadrats
	Quadrats        int        `json:"quadrats"`
	N0              float64    `json:"n0"`
	VarianceQuadrat float64    `json:"variance_quadrat"`
	VariancePlot    float64    `json:"variance_plot"`
	VariancePlotRaw float64    `json:"variance_plot_raw"`
	// FTreatment tests treatment against plots. With equal numbers of
	// quadrats it is the F of the plot means; otherwise it is close to it
	// and the plot means are what the verdict rests on.
	FTreatment *float64 `json:"f_treatment,omitempty"`
	PTreatment *float64 `json:"p_treatment,omitempty"`
	Note       string   `json:"note,omitempty"`
}

// NestedANOVA analyses the quadrats within plots of a recognised design. It
// returns nil where no plot has two quadrats with a value: then nothing is
// known of the spread within plots, and the plot values are analysed as they
// stand.
func NestedANOVA(d Design) (*Subsampling, error) {
	used := d.used()
	var rows []Plot
	var y []float64
	for _, p := range used {
		for _, v := range p.readings {
			rows = append(rows, p)
			y = append(y, v)
		}
	}
	if len(rows) == len(used) {
		return nil, nil
	}
	above := append(d.nuisance(rows), treatmentOf(rows))
	fit, err := FitLinear(y, above...)
	if err != nil {
		return nil, err
	}
	// The model is constant within a plot, so that what plots add to it is in
	// the plot means of its residuals, and a plot of n quadrats adds n^2 times
	// the leverage of one of them to tr(Z'HZ).
	e, h := fit.Residuals(), fit.Leverages()
	var between, within, trace float64
	at := 0
	for _, p := range used {
		n := len(p.readings)
		between += float64(n) * sq(mean(e[at:at+n]))
		trace += sq(float64(n)) * h[at]
		for _, v := range p.readings {
			within += sq(v - p.Value)
		}
		at += n
	}
	dfWithin := len(y) - len(used)
	dfPlot := fit.DFResidual - dfWithin
	s := &Subsampling{Quadrats: len(y), VarianceQuadrat: within / float64(dfWithin)}
	for _, r := range fit.Sequential()[:len(above)] {
		// These have no test against the quadrats.
		s.ANOVA = append(s.ANOVA, ANOVARow{Term: r.Term, DF: r.DF, SS: r.SS, MS: r.MS})
	}
	trt, plots := s.ANOVA[len(above)-1], testedRow("plot", dfPlot, between, dfWithin, within, len(y))
	s.ANOVA = append(s.ANOVA, plots, ANOVARow{Term: residuals, DF: dfWithin, SS: within, MS: ptr(s.VarianceQuadrat)})
	if dfPlot == 0 {
		s.Note = "no degrees of freedom between plots: their variance cannot be told"
		return s, nil
	}
	s.N0 = (float64(len(y)) - trace) / float64(dfPlot)
	s.VariancePlotRaw = (*plots.MS - s.VarianceQuadrat) / s.N0
	s.VariancePlot = math.Max(0, s.VariancePlotRaw)
	if s.VariancePlotRaw < 0 {
		s.Note = "plots of one treatment vary no more than their quadrats do; the plot variance is taken as 0. This happens by chance in small trials and changes nothing in the comparison"
	}
	if trt.MS != nil && *plots.MS > 0 {
		f := *trt.MS / *plots.MS
		s.FTreatment, s.PTreatment = &f, ptr(must(dist.FSF(f, float64(trt.DF), float64(plots.DF))))
	}
	return s, nil
}
