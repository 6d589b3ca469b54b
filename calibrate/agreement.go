package calibrate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// LimitsMultiplier turns the standard deviation of differences into 95 % limits
// of agreement, the rounded value Bland & Altman use.
const LimitsMultiplier = 1.96

// Agreement is how far image values stand from hand values of the same
// quadrats. Differences are image minus hand, so a positive bias means the
// camera reads high. All values are in the unit of the pairs (cover fraction or
// pieces per quadrat) except the coefficients, which have none.
type Agreement struct {
	N         int     `json:"n"`     // pairs
	Plots     int     `json:"plots"` // sampling units
	HandMean  float64 `json:"hand_mean"`
	ImageMean float64 `json:"image_mean"`

	// Bias is the mean difference: CI is the t interval of independent pairs,
	// ClusterCI a t interval with plots as units (plots - 1 degrees of freedom).
	Bias Estimate `json:"bias"`
	// SDDiff is the standard deviation of differences (divisor n-1), and its
	// parts between and within plots by one-way analysis of variance (a negative
	// part is reported as 0).
	SDDiff    Estimate `json:"sd_diff"`
	SDBetween *float64 `json:"sd_between_plots,omitempty"`
	SDWithin  *float64 `json:"sd_within_plots,omitempty"`
	// LowerLimit and UpperLimit hold about 95 % of differences of single
	// quadrats: bias -+ 1.96 SD. SE and CI as in Bland & Altman 1999; ClusterCI by
	// variance components between and within plots (Zou 2013).
	LowerLimit Estimate `json:"lower_limit"`
	UpperLimit Estimate `json:"upper_limit"`
	// LimitSE1986 is the rougher standard error sqrt(3/n) SD of the 1986 paper.
	LimitSE1986 float64 `json:"limit_se_1986"`
	// Sloping are the limits from regression on the mean, for spread that grows.
	Sloping *SlopingLimits `json:"sloping_limits,omitempty"`

	// CCC is Lin's concordance with variances of divisor n (Lin 1989); CI by the
	// Fisher z transform with the variance as corrected in 2000.
	CCC *Concordance `json:"ccc,omitempty"`
	// Pearson and Spearman measure only how well ranks or a line fit. A camera
	// that reads double has r = 1: r alone proves nothing about agreement.
	Pearson  *Correlation `json:"pearson,omitempty"`
	Spearman *Correlation `json:"spearman,omitempty"`
	// ICC is the intraclass correlation ICC(2,1): absolute agreement of single
	// values, both methods taken as random (Shrout & Fleiss 1979).
	ICC  *ICC     `json:"icc,omitempty"`
	RMSE Estimate `json:"rmse"` // root mean squared difference
	MAE  Estimate `json:"mae"`  // mean absolute difference

	Warnings []string `json:"warnings,omitempty"`
}

// SlopingLimits are Bland & Altman's (1999) limits for bias or
// spread that changes with the size of the value: with A the mean of hand and
// image, the difference is BiasIntercept + BiasSlope A, and the limits lie 1.96
// sqrt(pi/2) (SpreadIntercept + SpreadSlope A) to either side.
type SlopingLimits struct {
	BiasIntercept   Estimate `json:"bias_intercept"`
	BiasSlope       Estimate `json:"bias_slope"`
	BiasP           *float64 `json:"bias_p,omitempty"` // of slope 0, independent pairs
	SpreadIntercept Estimate `json:"spread_intercept"`
	SpreadSlope     Estimate `json:"spread_slope"`
	SpreadP         *float64 `json:"spread_p,omitempty"`
	// Advised is set when the bias or the spread is shown to change with the
	// mean, so that flat limits mislead.
	Advised bool `json:"advised"`
	// Points draw the three lines from the smallest to the largest mean.
	Points []LimitPoint `json:"points"`
}

// LimitPoint is bias and limits at one mean of hand and image.
type LimitPoint struct {
	Mean  float64 `json:"mean"`
	Bias  float64 `json:"bias"`
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// Concordance is Lin's coefficient and its parts: CCC = r * BiasCorrection.
type Concordance struct {
	Estimate                // divisor n
	NMinus1        float64  `json:"with_n_minus_1"`            // variances with divisor n-1
	BiasCorrection *float64 `json:"bias_correction,omitempty"` // C_b, 1 on the line of equality
	LocationShift  float64  `json:"location_shift"`            // (hand - image mean) / sqrt(product of SDs), divisor n
	ScaleShift     float64  `json:"scale_shift"`               // SD of hand / SD of image
	Z              *float64 `json:"z,omitempty"`               // atanh of the coefficient
	SEZ            *float64 `json:"se_z,omitempty"`            // its standard error
	Formula        string   `json:"formula"`                   // names divisor and interval
}

// Correlation is a correlation coefficient with the test of no correlation (t,
// n-2 degrees of freedom, nil for |r| = 1).
type Correlation struct {
	Estimate
	Test *Test `json:"test,omitempty"`
}

// Positions of the statistics that are bootstrapped together.
const (
	statBias = iota
	statCCC
	statPearson
	statSpearman
	statICC
	statRMSE
	statMAE
	statBiasSlope
	statSpreadSlope
	statCount
)

// sample is paired columns prepared for repeated weighting: ranks and resamples
// cost one pass.
type sample struct {
	hand, image           []float64
	byHand, byImage       []int // positions in rising order
	ranksHand, ranksImage []float64
	residual              []float64
}

func newSample(hand, image []float64) *sample {
	s := &sample{hand: hand, image: image, byHand: rising(hand), byImage: rising(image)}
	s.ranksHand, s.ranksImage = make([]float64, len(hand)), make([]float64, len(hand))
	s.residual = make([]float64, len(hand))
	return s
}

// rising returns the positions of v in rising order of value.
func rising(v []float64) []int {
	order := make([]int, len(v))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case v[a] < v[b]:
			return -1
		case v[a] > v[b]:
			return 1
		}
		return 0
	})
	return order
}

// weightedRanks fills ranks with mid-ranks when pair i occurs w[i] times.
func weightedRanks(v []float64, order []int, w, ranks []float64) {
	below := 0.0
	for i := 0; i < len(order); {
		j, tied := i, 0.0
		for ; j < len(order) && v[order[j]] == v[order[i]]; j++ {
			tied += w[order[j]]
		}
		for ; i < j; i++ {
			ranks[order[i]] = below + (tied+1)/2
		}
		below += tied
	}
}

// moments are weighted means and centred sums.
type moments struct{ n, mx, my, sxx, syy, sxy float64 }

func weighted(x, y, w []float64) (m moments) {
	for i := range x {
		m.n += w[i]
		m.mx += w[i] * x[i]
		m.my += w[i] * y[i]
	}
	m.mx, m.my = m.mx/m.n, m.my/m.n
	for i := range x {
		dx, dy := x[i]-m.mx, y[i]-m.my
		m.sxx += w[i] * dx * dx
		m.syy += w[i] * dy * dy
		m.sxy += w[i] * dx * dy
	}
	return m
}

// r is the correlation, NaN when a column is constant. The cut at rounding
// level keeps 1e-17 of scatter from passing for a correlation.
func (m moments) r() float64 {
	if flat(m.sxx, m.n, m.mx) || flat(m.syy, m.n, m.my) {
		return math.NaN()
	}
	return max(-1, min(1, m.sxy/math.Sqrt(m.sxx)/math.Sqrt(m.syy)))
}

// flat reports whether a centred sum of squares is no more than rounding.
func flat(ss, n, centre float64) bool { return ss <= n*1e-24*centre*centre }

// all computes every bootstrapped statistic with pair i occurring w[i] times.
// Undefined ones are NaN.
func (s *sample) all(w []float64) (v [statCount]float64) {
	m := weighted(s.hand, s.image, w)
	n := m.n
	bias := m.my - m.mx
	var sdd, abs, square, sMean, sCross float64
	midpoint := (m.mx + m.my) / 2
	for i := range s.hand {
		d := s.image[i] - s.hand[i]
		a := (s.image[i]+s.hand[i])/2 - midpoint
		sdd += w[i] * (d - bias) * (d - bias)
		abs += w[i] * math.Abs(d)
		square += w[i] * d * d
		sMean += w[i] * a * a
		sCross += w[i] * a * (d - bias)
	}
	v[statBias] = bias
	v[statRMSE], v[statMAE] = math.Sqrt(square/n), abs/n
	v[statPearson] = m.r()
	v[statCCC] = math.NaN()
	if den := m.sxx + m.syy + n*bias*bias; den > 0 {
		v[statCCC] = 2 * m.sxy / den
	}
	weightedRanks(s.hand, s.byHand, w, s.ranksHand)
	weightedRanks(s.image, s.byImage, w, s.ranksImage)
	v[statSpearman] = weighted(s.ranksHand, s.ranksImage, w).r()
	bms, jms, ems := 2*sMean/(n-1), n*bias*bias/2, sdd/(2*(n-1))
	v[statICC] = (bms - ems) / (bms + ems + 2*(jms-ems)/n)
	v[statBiasSlope], v[statSpreadSlope] = math.NaN(), math.NaN()
	if !flat(sMean, n, midpoint) {
		slope := sCross / sMean
		v[statBiasSlope] = slope
		var meanAbs, cross float64
		for i := range s.hand {
			a := (s.image[i]+s.hand[i])/2 - midpoint
			s.residual[i] = math.Abs(s.image[i] - s.hand[i] - bias - slope*a)
			meanAbs += w[i] * s.residual[i]
		}
		meanAbs /= n
		for i := range s.hand {
			cross += w[i] * ((s.image[i]+s.hand[i])/2 - midpoint) * (s.residual[i] - meanAbs)
		}
		v[statSpreadSlope] = cross / sMean
	}
	return v
}

// Agree computes the agreement of full pairs: at least 3, all values finite
// (Clean gives such pairs). Only opt.Confidence, Seed and Resamples matter.
func Agree(pairs []Pair, opt Options) (Agreement, error) {
	if err := opt.Validate(); err != nil {
		return Agreement{}, err
	}
	if len(pairs) < 3 {
		return Agreement{}, fmt.Errorf("%d pairs: need at least 3 for limits of agreement", len(pairs))
	}
	hand, image := columns(pairs)
	for i := range pairs {
		if !isFinite(hand[i]) || !isFinite(image[i]) {
			return Agreement{}, fmt.Errorf("%s: a value is missing or infinite; clean the pairs first", pairs[i].Name())
		}
	}
	n, level := float64(len(pairs)), opt.Confidence
	s := newSample(hand, image)
	ones := make([]float64, len(pairs))
	for i := range ones {
		ones[i] = 1
	}
	v := s.all(ones)
	plot, plots := plotsOf(pairs)
	diff := make([]float64, len(pairs))
	for i := range diff {
		diff[i] = image[i] - hand[i]
	}

	a := Agreement{N: len(pairs), Plots: plots, HandMean: mean(hand), ImageMean: mean(image)}
	sd, t := math.Sqrt(variance(diff)), tHalf(level, n-1)
	lower, upper := v[statBias]-LimitsMultiplier*sd, v[statBias]+LimitsMultiplier*sd
	seBias := sd / math.Sqrt(n)
	seLimit := sd * math.Sqrt(1/n+LimitsMultiplier*LimitsMultiplier/(2*(n-1)))
	const limitCI = "t interval, Bland & Altman 1999, independent pairs"
	a.Bias = Estimate{v[statBias], ptr(seBias), around(v[statBias], t*seBias, level, "t interval, independent pairs"), nil}
	if _, se, df := clusterMean(diff, plot, plots); df > 0 {
		a.Bias.ClusterCI = around(v[statBias], tHalf(level, df)*se, level, "t interval with plots as units")
	}
	a.SDDiff = Estimate{Value: sd}
	a.LowerLimit = Estimate{lower, ptr(seLimit), around(lower, t*seLimit, level, limitCI), nil}
	a.UpperLimit = Estimate{upper, ptr(seLimit), around(upper, t*seLimit, level, limitCI), nil}
	a.LimitSE1986 = sd * math.Sqrt(3/n)
	a.RMSE = Estimate{Value: v[statRMSE]}
	absolute := make([]float64, len(diff))
	for i, d := range diff {
		absolute[i] = math.Abs(d)
	}
	seMAE := math.Sqrt(variance(absolute) / n)
	a.MAE = Estimate{v[statMAE], ptr(seMAE), around(v[statMAE], t*seMAE, level, "t interval, independent pairs"), nil}
	a.clusterLimits(diff, plot, level)
	if between, within, ok := components(diff, plot, plots); ok {
		a.SDBetween, a.SDWithin = ptr(math.Sqrt(between)), ptr(math.Sqrt(within))
	}
	a.coefficients(hand, image, v, level)
	a.Sloping = slopingLimits(diff, hand, image, level)

	switch {
	case constant(hand):
		a.warn("every hand value is the same: correlation and concordance say nothing, and a line would be flat")
	case constant(image):
		a.warn("every image value is the same: correlation and concordance say nothing, and no line can be fitted; check the measurement")
	}
	if sd == 0 {
		a.warn("every pair differs by exactly the same amount: check that the image column is not a copy of the hand column")
	}
	if err := a.bootstrap(s, plot, plots, opt); err != nil {
		a.warn("%v", err)
	}
	if sl := a.Sloping; sl != nil {
		sl.Advised = shown(sl.BiasSlope) || shown(sl.SpreadSlope)
		if sl.Advised {
			a.warn("the difference or its spread changes with the size of the value: read the sloping limits, not the flat ones")
		}
	}
	return a, nil
}

// clusterLimits fills the intervals of SD and limits that respect plots. The
// variance of a single difference is S2 + (1-1/m) MSW, with S2 the variance of
// plot means, m the harmonic mean of pairs per plot and MSW the mean square
// within plots; its interval is that of Graybill & Wang 1980 (JASA 75: 869-873)
// and is joined with the interval of the bias by the recovery of variance
// estimates (Zou 2013, Stat. Methods Med. Res. 22: 630-642).
func (a *Agreement) clusterLimits(diff []float64, plot []int, level float64) {
	if a.Plots < 2 || a.Bias.ClusterCI == nil {
		return
	}
	g, n := float64(a.Plots), float64(len(diff))
	means, size := make([]float64, a.Plots), make([]float64, a.Plots)
	for i, d := range diff {
		means[plot[i]] += d
		size[plot[i]]++
	}
	var perPlot float64
	for k := range means {
		means[k] /= size[k]
		perPlot += 1 / size[k] / g
	}
	part := []struct{ v, df float64 }{{variance(means), g - 1}}
	if n > g {
		var ssw float64
		for i, d := range diff {
			ssw += square(d - means[plot[i]])
		}
		part = append(part, struct{ v, df float64 }{(1 - perPlot) * ssw / (n - g), n - g})
	}
	var total, below, above float64
	for _, p := range part {
		chi := distuv.ChiSquared{K: p.df}
		total += p.v
		below += square(p.v * (1 - p.df/chi.Quantile(0.5+level/2)))
		above += square(p.v * (p.df/chi.Quantile(0.5-level/2) - 1))
	}
	sd := math.Sqrt(total)
	lo, hi := math.Sqrt(max(0, total-math.Sqrt(below))), math.Sqrt(total+math.Sqrt(above))
	a.SDDiff.ClusterCI = interval(lo, hi, level, "Graybill & Wang 1980, plots as units")
	const how, k = "Zou 2013, plots as units", LimitsMultiplier
	b, ci := a.Bias.Value, a.Bias.ClusterCI
	a.LowerLimit.ClusterCI = interval(b-k*sd-math.Hypot(b-ci.Low, k*(hi-sd)), b-k*sd+math.Hypot(ci.High-b, k*(sd-lo)), level, how)
	a.UpperLimit.ClusterCI = interval(b+k*sd-math.Hypot(b-ci.Low, k*(sd-lo)), b+k*sd+math.Hypot(ci.High-b, k*(hi-sd)), level, how)
}

func (a *Agreement) warn(format string, args ...any) {
	a.Warnings = append(a.Warnings, fmt.Sprintf(format, args...))
}

// shown reports whether the best interval of a slope leaves out 0.
func shown(e Estimate) bool {
	ci := e.Best()
	return ci != nil && (ci.Low > 0 || ci.High < 0)
}

// coefficients fills concordance, correlations and ICC with their formula
// intervals.
func (a *Agreement) coefficients(hand, image []float64, v [statCount]float64, level float64) {
	n := float64(len(hand))
	mx, my, sxx, syy, sxy := centred(hand, image)
	r := v[statPearson]
	if c := v[statCCC]; isFinite(c) {
		shift := mx - my
		k := &Concordance{
			Estimate: Estimate{Value: c},
			NMinus1:  2 * sxy / (sxx + syy + (n-1)*shift*shift),
			Formula:  "Lin 1989, variances with divisor n; interval by Fisher z, variance as corrected in 2000",
		}
		if isFinite(r) {
			k.LocationShift = shift / math.Sqrt(math.Sqrt(sxx)*math.Sqrt(syy)/n)
			k.ScaleShift = math.Sqrt(sxx / syy)
			k.BiasCorrection = ptr(c / r)
			u2, c2 := k.LocationShift*k.LocationShift, c*c
			vz := ((1-r*r)*c2/((1-c2)*r*r) + 2*c*c2*(1-c)*u2/(r*(1-c2)*(1-c2)) - c2*c2*u2*u2/(2*r*r*(1-c2)*(1-c2))) / (n - 2)
			z, se := math.Atanh(c), math.Sqrt(vz)
			k.Z, k.SEZ = ptr(z), ptr(se)
			k.SE = ptr(se * (1 - c2)) // delta method, back from z
			k.CI = interval(math.Tanh(z-zHalf(level)*se), math.Tanh(z+zHalf(level)*se), level, "Fisher z, Lin 1989 and 2000, independent pairs")
		}
		a.CCC = k
	}
	a.Pearson = correlation(r, n, 1/math.Sqrt(n-3), level, "Fisher z, independent pairs")
	rho := v[statSpearman]
	// Bonett & Wright 2000 (Psychometrika 65: 23-28): the variance of z for ranks.
	a.Spearman = correlation(rho, n, math.Sqrt((1+rho*rho/2)/(n-3)), level, "Fisher z, Bonett & Wright 2000, independent pairs")
	rows := make([][]float64, len(hand))
	for i := range rows {
		rows[i] = []float64{hand[i], image[i]}
	}
	if icc, err := NewICC(rows, level); err == nil {
		a.ICC = icc
	}
}

func correlation(r, n, seZ, level float64, method string) *Correlation {
	if !isFinite(r) {
		return nil
	}
	c := &Correlation{Estimate: Estimate{Value: r}}
	if math.Abs(r) < 1 {
		c.Test = tTest(r*math.Sqrt((n-2)/((1-r)*(1+r))), n-2)
		if n > 3 {
			z := math.Atanh(r)
			c.CI = interval(math.Tanh(z-zHalf(level)*seZ), math.Tanh(z+zHalf(level)*seZ), level, method)
		}
	}
	return c
}

// slopingLimits returns nil when the means do not vary.
func slopingLimits(diff, hand, image []float64, level float64) *SlopingLimits {
	mid := make([]float64, len(diff))
	for i := range mid {
		mid[i] = (hand[i] + image[i]) / 2
	}
	bias, err := FitOLS(mid, diff, level)
	if err != nil {
		return nil
	}
	absolute := make([]float64, len(diff))
	for i := range absolute {
		absolute[i] = math.Abs(diff[i] - bias.At(mid[i]))
	}
	spread, err := FitOLS(mid, absolute, level)
	if err != nil {
		return nil
	}
	s := &SlopingLimits{
		BiasIntercept: bias.Intercept, BiasSlope: bias.Slope, BiasP: slopeP(bias),
		SpreadIntercept: spread.Intercept, SpreadSlope: spread.Slope, SpreadP: slopeP(spread),
	}
	// Residuals are half-normal: their mean is SD sqrt(2/pi).
	half := func(x float64) float64 { return LimitsMultiplier * math.Sqrt(math.Pi/2) * max(0, spread.At(x)) }
	lo, hi := slices.Min(mid), slices.Max(mid)
	ends := []float64{lo, hi}
	// Where the fitted spread would be negative it is 0, so the line has a knee.
	if knee := -spread.Intercept.Value / spread.Slope.Value; spread.Slope.Value != 0 && knee > lo && knee < hi {
		ends = []float64{lo, knee, hi}
	}
	for _, x := range ends {
		b := bias.At(x)
		s.Points = append(s.Points, LimitPoint{x, b, b - half(x), b + half(x)})
	}
	return s
}

// clusterMean is the mean of values with a standard error that takes clusters
// as the sampling units (the ratio-to-size estimator of cluster sampling, Cochran
// 1977; equal to the t test on cluster means when clusters are of one size). df is
// clusters - 1; 0 means no standard error.
func clusterMean(values []float64, cluster []int, clusters int) (m, se, df float64) {
	m = mean(values)
	if clusters < 2 {
		return m, 0, 0
	}
	total := make([]float64, clusters)
	for i, v := range values {
		total[cluster[i]] += v - m
	}
	var ss float64
	for _, t := range total {
		ss += t * t
	}
	g := float64(clusters)
	return m, math.Sqrt(ss*g/(g-1)) / float64(len(values)), g - 1
}

// components splits the variance of values into parts between and within
// clusters by one-way analysis of variance with unequal sizes. A negative part
// is 0. Not ok when there is one cluster or no cluster with two values.
func components(values []float64, cluster []int, clusters int) (between, within float64, ok bool) {
	n := float64(len(values))
	if clusters < 2 || clusters == len(values) {
		return 0, 0, false
	}
	sum, size := make([]float64, clusters), make([]float64, clusters)
	for i, v := range values {
		sum[cluster[i]] += v
		size[cluster[i]]++
	}
	grand := mean(values)
	var ssb, ssw, squares float64
	for g := range sum {
		d := sum[g]/size[g] - grand
		ssb += size[g] * d * d
		squares += size[g] * size[g]
	}
	for i, v := range values {
		d := v - sum[cluster[i]]/size[cluster[i]]
		ssw += d * d
	}
	g := float64(clusters)
	within = ssw / (n - g)
	n0 := (n - squares/n) / (g - 1)
	return max(0, (ssb/(g-1)-within)/n0), within, true
}

// ICC holds the intraclass correlations of a subjects x raters table and its
// mean squares (between subjects, raters, error, within subjects).
type ICC struct {
	Estimate          // ICC(2,1)
	BMS       float64 `json:"bms"`
	JMS       float64 `json:"jms"`
	EMS       float64 `json:"ems"`
	WMS       float64 `json:"wms"`
	OneOne    float64 `json:"icc_1_1"`
	ThreeOne  float64 `json:"icc_3_1"`
	OneK      float64 `json:"icc_1_k"`
	TwoK      float64 `json:"icc_2_k"`
	ThreeK    float64 `json:"icc_3_k"`
	DF        float64 `json:"satterthwaite_df,omitempty"` // of the interval, 0 when there is none
	DFSubject float64 `json:"df_subjects"`
}

// NewICC computes intraclass correlations of ratings[subject][rater], complete,
// at least 2 by 2. The interval of ICC(2,1) is that of Shrout & Fleiss (1979),
// subjects independent.
func NewICC(ratings [][]float64, level float64) (*ICC, error) {
	if len(ratings) < 2 || len(ratings[0]) < 2 {
		return nil, errors.New("intraclass correlation: need at least 2 subjects and 2 raters")
	}
	n, k := float64(len(ratings)), float64(len(ratings[0]))
	rater := make([]float64, len(ratings[0]))
	var all []float64
	for i, row := range ratings {
		if len(row) != len(rater) {
			return nil, fmt.Errorf("intraclass correlation: subject %d has %d ratings, need %d", i+1, len(row), len(rater))
		}
		all = append(all, row...)
	}
	grand := mean(all)
	if !isFinite(grand) {
		return nil, errors.New("intraclass correlation: a rating is missing or infinite")
	}
	for _, row := range ratings {
		for j, v := range row {
			rater[j] += (v - grand) / n
		}
	}
	var bss, ess float64
	for _, row := range ratings {
		subject := mean(row) - grand
		bss += k * subject * subject
		for j, v := range row {
			e := v - grand - subject - rater[j]
			ess += e * e
		}
	}
	var jss float64
	for _, r := range rater {
		jss += n * r * r
	}
	c := &ICC{BMS: bss / (n - 1), JMS: jss / (k - 1), EMS: ess / ((n - 1) * (k - 1)), DFSubject: n - 1}
	c.WMS = (jss + ess) / (n * (k - 1))
	if flat(bss, n*k, grand) {
		return nil, errors.New("intraclass correlation: subjects do not differ, so there is nothing to tell apart")
	}
	b, j, e, w := c.BMS, c.JMS, c.EMS, c.WMS
	icc := (b - e) / (b + (k-1)*e + k*(j-e)/n)
	c.Value = icc
	c.OneOne, c.ThreeOne = (b-w)/(b+(k-1)*w), (b-e)/(b+(k-1)*e)
	c.OneK, c.TwoK, c.ThreeK = (b-w)/b, (b-e)/(b+(j-e)/n), (b-e)/b
	for _, v := range []float64{icc, c.OneOne, c.ThreeOne, c.OneK, c.TwoK, c.ThreeK} {
		if !isFinite(v) {
			return nil, errors.New("intraclass correlation: no variation between or within subjects to divide by")
		}
	}
	if e > 0 {
		f := j / e
		a := k*icc*f + n*(1+(k-1)*icc) - k*icc
		d := n*(1+(k-1)*icc) - k*icc
		df := (k - 1) * (n - 1) * a * a / ((n-1)*k*k*icc*icc*f*f + d*d)
		if positive(df) {
			p := 0.5 + level/2
			lower, upper := fQuantile(p, n-1, df), fQuantile(p, df, n-1)
			c.DF = df
			c.CI = interval(
				n*(b-lower*e)/(lower*(k*j+(k*n-k-n)*e)+n*b),
				n*(upper*b-e)/(k*j+(k*n-k-n)*e+n*upper*b),
				level, "Shrout & Fleiss 1979, independent subjects")
		}
	}
	return c, nil
}
