package calibrate

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/floats"
)

// Method names a way to fit the calibration line of hand on image.
type Method string

// The lines that are fitted.
const (
	MethodOLS           Method = "ordinary_least_squares"
	MethodDeming        Method = "deming"
	MethodTheilSen      Method = "theil_sen"
	MethodPassingBablok Method = "passing_bablok"
	MethodCounts        Method = "quasi_poisson_identity"
	MethodLogs          Method = "logs_with_smearing" // see logs.go
)

// Words is the method in words, for tables and figures.
func (m Method) Words() string {
	return map[Method]string{
		MethodOLS: "ordinary least squares", MethodDeming: "errors in both (Deming)", MethodTheilSen: "Theil-Sen",
		MethodPassingBablok: "Passing-Bablok", MethodCounts: "quasi-Poisson, identity link",
		MethodLogs: "least squares on logarithms, carried back by smearing",
	}[m]
}

// Line is a calibration line of hand on image, hand = Intercept + Slope image,
// with uncertainty that takes whole plots as sampling units: the delete-one-plot
// jackknife of the pair (intercept, slope), t with plots - 1 degrees of freedom.
// For least squares this is the cluster-robust variance known as CR3 (Bell &
// McCaffrey 2002, Surv. Methodol. 28: 169-181), conservative with few plots.
type Line struct {
	Method    Method   `json:"method"`
	N         int      `json:"n"`
	Plots     int      `json:"plots"`
	Intercept Estimate `json:"intercept"`
	Slope     Estimate `json:"slope"`
	// Cov is the jackknife covariance of (intercept, slope); nil when some plot
	// cannot be left out.
	Cov *[2][2]float64 `json:"cov,omitempty"`
	DF  float64        `json:"df"` // plots - 1
	// Shift and Smear carry a line on logarithms back; 0 for all others. Its
	// Intercept, Slope and Cov are of the logarithms.
	Shift float64 `json:"shift,omitempty"`
	Smear float64 `json:"smear,omitempty"`
	// PlotVar and QuadratVar split the scatter of hand values about the line
	// into a part shared by the quadrats of a plot on a visit and a part of their
	// own, both in units of SpreadAt: for counts, of the expectation.
	PlotVar    float64 `json:"plot_var"`
	QuadratVar float64 `json:"quadrat_var"`
	// LastingVar is the part of PlotVar that a plot keeps from visit to visit.
	LastingVar float64 `json:"lasting_var"`
	// Low and High bound the image values the line was fitted on. Beyond them it
	// is extrapolated and flagged.
	Low  float64 `json:"valid_low"`
	High float64 `json:"valid_high"`
	// LeaveOnePlot is the root mean squared error of hand values of a plot
	// predicted from the line of all other plots. Compare with Agreement.RMSE,
	// the error of the raw image value.
	LeaveOnePlot *float64 `json:"leave_one_plot_out_rmse,omitempty"`
	Level        float64  `json:"level"`
	Warnings     []string `json:"warnings,omitempty"`

	parts []part // the line without each plot in turn; nil without Cov
}

// part is a line of hand on image without one plot.
type part struct {
	plot        string
	a, b, smear float64
}

// lineFit is a fitter without uncertainty.
type lineFit func(x, y []float64) (a, b float64, err error)

// fitter gives the bare fit of a method. ratio is Deming's.
func fitter(m Method, ratio float64) lineFit {
	switch m {
	case MethodDeming:
		return func(x, y []float64) (float64, float64, error) { return demingLine(x, y, ratio) }
	case MethodTheilSen:
		return theilSenLine
	case MethodPassingBablok:
		return passingBablokLine
	case MethodCounts:
		return func(x, y []float64) (float64, float64, error) {
			a, b, _, err := countLine(x, y)
			return a, b, err
		}
	}
	if m == MethodLogs {
		return logLine
	}
	return leastSquares
}

func leastSquares(x, y []float64) (a, b float64, err error) {
	if constant(x) {
		return a, b, errConstantX
	}
	mx, my, sxx, _, sxy := centred(x, y)
	return my - sxy/sxx*mx, sxy / sxx, nil
}

// FitLine fits hand on image by the method named. It refuses fewer than 3 pairs
// and an image column that does not vary.
func FitLine(pairs []Pair, m Method, opt Options) (*Line, error) {
	if err := opt.Validate(); err != nil {
		return nil, err
	}
	hand, image := columns(pairs)
	if err := checkXY(image, hand); err != nil {
		return nil, err
	}
	if m == MethodLogs && min(slices.Min(hand), slices.Min(image)) < 0 {
		return nil, errors.New("a count is negative")
	}
	fit := fitter(m, opt.DemingRatio)
	a, b, err := fit(image, hand)
	if err != nil {
		return nil, err
	}
	plot, plots := plotsOf(pairs)
	l := &Line{Method: m, N: len(pairs), Plots: plots, Intercept: Estimate{Value: a}, Slope: Estimate{Value: b},
		DF: float64(plots - 1), Low: slices.Min(image), High: slices.Max(image), Level: opt.Confidence}
	names := make([]string, plots)
	for i, p := range pairs {
		names[plot[i]] = p.Plot
	}
	if m == MethodLogs {
		l.Shift, l.Smear = logShift, smearing(a, b, image, hand)
	}
	l.jackknife(fit, hand, image, plot, names)
	l.scatter(pairs)
	return l, nil
}

// jackknife leaves out one plot at a time: covariance of the line and error of
// prediction for a plot it has not seen.
func (l *Line) jackknife(fit lineFit, hand, image []float64, plot []int, names []string) {
	if l.Plots < 3 {
		l.warn("%d plots: need at least 3 to leave one out, so the line has no uncertainty that respects plots", l.Plots)
		return
	}
	parts := make([]part, l.Plots)
	var sse float64
	for g := range l.Plots {
		var x, y []float64
		for i, p := range plot {
			if p != g {
				x, y = append(x, image[i]), append(y, hand[i])
			}
		}
		err := errConstantX
		without := part{plot: names[g]}
		if len(x) >= 2 {
			without.a, without.b, err = fit(x, y)
		}
		if err != nil {
			l.warn("the line hangs on a single plot: without it none can be fitted, so it has no uncertainty that respects plots")
			return
		}
		if l.Method == MethodLogs {
			without.smear = smearing(without.a, without.b, x, y)
		}
		parts[g] = without
		for i, p := range plot {
			if p == g {
				e := hand[i] - l.of(without, image[i])
				sse += e * e
			}
		}
	}
	// About the full estimate rather than the mean of the parts, the form that is
	// never too small.
	g := float64(l.Plots)
	var cov [2][2]float64
	for _, p := range parts {
		da, db := p.a-l.Intercept.Value, p.b-l.Slope.Value
		cov[0][0] += (g - 1) / g * da * da
		cov[0][1] += (g - 1) / g * da * db
		cov[1][1] += (g - 1) / g * db * db
	}
	cov[1][0] = cov[0][1]
	l.Cov, l.parts = &cov, parts
	l.LeaveOnePlot = ptr(math.Sqrt(sse / float64(len(hand))))
	t := tHalf(l.Level, l.DF)
	for _, e := range []struct {
		est *Estimate
		v   float64
	}{{&l.Intercept, cov[0][0]}, {&l.Slope, cov[1][1]}} {
		se := math.Sqrt(e.v)
		e.est.SE = ptr(se)
		e.est.ClusterCI = around(e.est.Value, t*se, l.Level, "delete-one-plot jackknife, t interval")
	}
}

// scatter splits the variance about the line into what quadrats of one plot on
// one visit share and what each has of its own.
func (l *Line) scatter(pairs []Pair) {
	scaled := l.scaled(pairs)
	var ss float64
	for _, e := range scaled {
		ss += e * e
	}
	l.split(ss/float64(len(pairs)-2), pairs, scaled)
}

// scaled is how far hand values stand off the line, in units of SpreadAt.
func (l *Line) scaled(pairs []Pair) []float64 {
	out := make([]float64, len(pairs))
	for i, p := range pairs {
		mu := l.At(p.Image)
		// Where nothing is expected and, by the fit, nothing counted, nothing is off.
		if spread := l.SpreadAt(mu); spread > 1e-9 {
			out[i] = (p.Hand - mu) / math.Sqrt(spread)
		}
	}
	return out
}

// split takes the proportion of the parts from values off the line; their sum
// is the total given, which has the degrees of freedom of the line taken off.
// What cannot be told is taken as shared, the side that is safe: all of it where
// no plot has two quadrats on a visit, and the part that lasts where no plot has
// two visits.
func (l *Line) split(total float64, pairs []Pair, scaled []float64) {
	l.PlotVar = total
	place, places := placesOf(pairs)
	between, within, ok := components(scaled, place, places)
	if ok && between+within > 0 {
		l.PlotVar = total * between / (between + within)
	}
	l.QuadratVar = total - l.PlotVar
	means, size, at := make([]float64, places), make([]float64, places), make([]Pair, places)
	for i, p := range place {
		means[p] += scaled[i]
		size[p]++
		at[p] = pairs[i]
	}
	for p := range means {
		means[p] /= size[p]
	}
	l.LastingVar = l.PlotVar
	plot, plots := plotsOf(at)
	if lasting, rest, told := components(means, plot, plots); told {
		if !ok {
			between, within = lasting, rest
		}
		if between+within > 0 {
			l.LastingVar = min(l.PlotVar, total*lasting/(between+within))
		}
	}
}

func (l *Line) warn(format string, args ...any) {
	l.Warnings = append(l.Warnings, fmt.Sprintf(format, args...))
}

// At is the calibrated value at one image value.
func (l *Line) At(image float64) float64 {
	return l.of(part{a: l.Intercept.Value, b: l.Slope.Value, smear: l.Smear}, image)
}

// of is the calibrated value by one of the lines that l is judged by.
func (l *Line) of(p part, image float64) float64 {
	if l.Method == MethodLogs {
		return p.smear*math.Exp(p.a+p.b*math.Log(image+logShift)) - logShift
	}
	return p.a + p.b*image
}

// SpreadAt is the factor that turns PlotVar and QuadratVar into variances at a
// calibrated value: 1 for cover, the expected count for counts, its square
// (shifted) on logarithms.
func (l *Line) SpreadAt(value float64) float64 {
	switch l.Method {
	case MethodCounts:
		return max(0, value)
	case MethodLogs:
		return square(max(0, value) + logShift)
	}
	return 1
}

// Calibrated is what a hand would have found, by the line, in one quadrat.
type Calibrated struct {
	Image float64 `json:"image"`
	Value float64 `json:"value"`
	// SELine is the uncertainty of the line, shared by every value calibrated
	// with it; SE adds the scatter of a single quadrat. Nil without a covariance.
	SELine *float64 `json:"se_line,omitempty"`
	SE     *float64 `json:"se,omitempty"`
	// LineCI and Prediction are t intervals for the line and for the hand value
	// of this one quadrat.
	LineCI       *Interval `json:"line_ci,omitempty"`
	Prediction   *Interval `json:"prediction,omitempty"`
	Extrapolated bool      `json:"extrapolated"` // image outside the valid range
}

// Apply calibrates image values of single quadrats. Values are not clipped: a
// calibrated cover slightly below 0 is shown as it is, since clipping would bias
// plot means. For a comparison of treatments use ApplyMeans, which carries the
// uncertainty shared between plots.
func (l *Line) Apply(images []float64) ([]Calibrated, error) {
	out := make([]Calibrated, len(images))
	for i, x := range images {
		if !isFinite(x) {
			return nil, fmt.Errorf("image value %d is missing or infinite: calibrate only what was measured", i+1)
		}
		c := Calibrated{Image: x, Value: l.At(x), Extrapolated: l.outside(x)}
		if l.Cov != nil {
			moved := dense([]map[string]float64{l.deviations([]float64{x})})[0]
			line := floats.Dot(moved, moved)
			all := line + (l.PlotVar+l.QuadratVar)*l.SpreadAt(c.Value)
			t := tHalf(l.Level, l.DF)
			c.SELine, c.SE = ptr(math.Sqrt(line)), ptr(math.Sqrt(all))
			c.LineCI = around(c.Value, t*math.Sqrt(line), l.Level, "line, delete-one-plot jackknife")
			c.Prediction = around(c.Value, t*math.Sqrt(all), l.Level, "one quadrat, line and scatter")
		}
		out[i] = c
	}
	return out, nil
}

// outside allows for rounding at the ends of the range.
func (l *Line) outside(x float64) bool {
	slack := 1e-9 * (l.High - l.Low)
	return x < l.Low-slack || x > l.High+slack
}

// PlotImages are the image values of the quadrats of one plot on one visit.
type PlotImages struct {
	Plot   string
	Images []float64
}

// CalibratedMeans are calibrated plot means and the covariance of their
// calibration error.
//
// How a comparison carries it: analyse Values exactly as raw plot means would
// be, which gives each contrast its estimate c'Values and its variance from the
// plots. Then add Variance(c) to that variance. The part of Cov from the line is
// shared by all plots: for a difference of two treatments it is var(slope) times
// the squared difference of their mean image values, so it does not shrink with
// more plots. The diagonal part is the scatter of hand means about the line,
// which calibrated values lack although hand means would show it. This is the
// split of the two-phase regression estimator (Cochran 1977, section 12.6).
// Degrees of freedom: Satterthwaite from the two variances, with DF for this one.
//
// What it cannot carry: a line fitted on single quadrats is pulled towards the
// mean by the noise of single photos, so differences of plot means come out
// slightly small when the camera is noisy; and a bias of the camera's own in one
// treatment passes through any common line. Double sampling has neither fault.
type CalibratedMeans struct {
	Plots        []string    `json:"plots"`
	Values       []float64   `json:"values"`
	Cov          [][]float64 `json:"cov"`
	DF           float64     `json:"df"`
	Extrapolated []string    `json:"extrapolated,omitempty"` // plots with an image mean outside the valid range
	Warnings     []string    `json:"warnings,omitempty"`
}

// ApplyMeans calibrates plot means: each is the mean of its calibrated quadrats.
// It refuses a line without covariance and a plot without images.
func (l *Line) ApplyMeans(plots []PlotImages) (*CalibratedMeans, error) {
	lines := make([]*Line, len(plots))
	for i := range lines {
		lines[i] = l
	}
	if l.Cov == nil {
		return nil, errNoLineCov
	}
	return ApplyMeansBy(lines, plots)
}

var errNoLineCov = errors.New("the line has no uncertainty that respects plots: pair photos with hand counts in at least 3 plots")

// ApplyMeansBy is ApplyMeans with a line for each plot mean, such as that of its
// visit. Two lines are correlated where they were fitted in the same plots: the
// jackknife leaves a plot out of both at once. DF is that of the line with the
// fewest plots.
func ApplyMeansBy(lines []*Line, plots []PlotImages) (*CalibratedMeans, error) {
	if len(lines) != len(plots) {
		return nil, fmt.Errorf("%d lines for %d plots: need one each", len(lines), len(plots))
	}
	m := &CalibratedMeans{DF: math.Inf(1)}
	x := make([]float64, len(plots)) // image means
	moved := make([]map[string]float64, len(plots))
	var spans []string
	for i, p := range plots {
		l := lines[i]
		if l.Cov == nil {
			return nil, errNoLineCov
		}
		if len(p.Images) == 0 {
			return nil, fmt.Errorf("plot %s has no image value to calibrate", p.Plot)
		}
		x[i] = mean(p.Images)
		if !isFinite(x[i]) {
			return nil, fmt.Errorf("plot %s has a missing or infinite image value", p.Plot)
		}
		value := l.At(x[i])
		if l.Method == MethodLogs { // not straight
			value = 0
			for _, image := range p.Images {
				value += l.At(image) / float64(len(p.Images))
			}
		}
		m.DF = min(m.DF, l.DF)
		m.Plots, m.Values = append(m.Plots, p.Plot), append(m.Values, value)
		if l.outside(x[i]) {
			m.Extrapolated = append(m.Extrapolated, p.Plot)
			spans = append(spans, fmt.Sprintf("%.3g to %.3g", l.Low, l.High))
		}
		moved[i] = l.deviations(p.Images)
	}
	rows := dense(moved)
	for i, p := range plots {
		row := make([]float64, len(plots))
		for j := range plots {
			row[j] = floats.Dot(rows[i], rows[j])
		}
		row[i] += (lines[i].PlotVar + lines[i].QuadratVar/float64(len(p.Images))) * lines[i].SpreadAt(m.Values[i])
		m.Cov = append(m.Cov, row)
	}
	if len(m.Extrapolated) > 0 {
		slices.Sort(spans)
		m.Warnings = append(m.Warnings, fmt.Sprintf("image means of plot %s lie outside the range the line was fitted on (%s): hand-count there too",
			list(m.Extrapolated, 5), strings.Join(slices.Compact(spans), "; ")))
	}
	return m, nil
}

// deviations is how far the mean of calibrated values moves when each plot is
// left out of the line, scaled so that products of two such lists add up to a
// jackknife covariance. Plots without a name, each one of its own, are numbered.
func (l *Line) deviations(images []float64) map[string]float64 {
	full := part{a: l.Intercept.Value, b: l.Slope.Value, smear: l.Smear}
	g := float64(len(l.parts))
	out := make(map[string]float64, len(l.parts))
	for k, p := range l.parts {
		var d float64
		for _, image := range images {
			d += l.of(p, image) - l.of(full, image)
		}
		name := p.plot
		if name == "" {
			name = fmt.Sprintf("%p %d", l, k)
		}
		out[name] = d / float64(len(images)) * math.Sqrt((g-1)/g)
	}
	return out
}

// dense lays lists by name out as rows with the same columns, sorted so that the
// same lists give the same sums.
func dense(lists []map[string]float64) [][]float64 {
	all := map[string]bool{}
	for _, l := range lists {
		for name := range l {
			all[name] = true
		}
	}
	names := slices.Sorted(maps.Keys(all))
	out := make([][]float64, len(lists))
	for i, l := range lists {
		out[i] = make([]float64, len(names))
		for j, name := range names {
			out[i][j] = l[name]
		}
	}
	return out
}

// Variance of the calibration error of the contrast with these coefficients, one
// a plot in the order of Plots.
func (m *CalibratedMeans) Variance(contrast []float64) (float64, error) {
	if len(contrast) != len(m.Values) {
		return 0, fmt.Errorf("%d coefficients for %d plots: need one each", len(contrast), len(m.Values))
	}
	var v float64
	for i, ci := range contrast {
		for j, cj := range contrast {
			v += ci * cj * m.Cov[i][j]
		}
	}
	return max(0, v), nil
}

// Calibration is every line fitted, the one chosen and why.
type Calibration struct {
	Chosen *Line  `json:"chosen,omitempty"`
	Why    string `json:"why"`
	// Outlier is the pair furthest from a least squares line, where it is too
	// far off for chance; it stays in the line.
	Outlier *LineOutlier `json:"outlier,omitempty"`
	// Lines are all lines of hand on image, the chosen one among them.
	Lines []*Line `json:"lines"`
	// Counts carries the dispersion of the count model, for counts.
	Counts *CountLine `json:"counts,omitempty"`
	// Deming, TheilSen and PassingBablok carry the published intervals of their
	// line (hand on image), pairs taken as independent.
	Deming        *Deming `json:"deming,omitempty"`
	TheilSen      *Robust `json:"theil_sen,omitempty"`
	PassingBablok *Robust `json:"passing_bablok,omitempty"`
	HandOnImage   *OLS    `json:"hand_on_image,omitempty"`
	// ImageOnHand is the classical calibration line, read backwards (Inverse) at
	// the lowest, middle and highest tenth of image values.
	ImageOnHand *OLS      `json:"image_on_hand,omitempty"`
	Inverse     []Inverse `json:"inverse,omitempty"`
	// Band draws the chosen line with its intervals over the valid range.
	Band     []Calibrated `json:"band,omitempty"`
	Warnings []string     `json:"warnings,omitempty"`
}

// LineOutlier is a pair far off the line with its p value among all pairs.
type LineOutlier struct {
	Pair string  `json:"pair"`
	P    float64 `json:"p"`
}

// bandPoints is how many points draw the calibration band.
const bandPoints = 41

// Calibrate fits all lines and chooses one by the kind of response: the count
// line for counts, or that on logarithms where the options ask for it, least
// squares of hand on image for cover. Only when no line exists at all
// (constant image, fewer than 3 pairs) is Chosen nil, and Why says so.
func Calibrate(pairs []Pair, opt Options) (Calibration, error) {
	if err := opt.Validate(); err != nil {
		return Calibration{}, err
	}
	var c Calibration
	hand, image := columns(pairs)
	methods := []Method{MethodOLS, MethodDeming, MethodTheilSen, MethodPassingBablok}
	if opt.Kind == Count {
		methods = append([]Method{MethodCounts}, methods...)
	}
	if opt.Logs {
		methods = append([]Method{MethodLogs}, methods...)
	}
	byMethod := map[Method]*Line{}
	for _, m := range methods {
		l, err := FitLine(pairs, m, opt)
		if err != nil {
			c.Warnings = append(c.Warnings, fmt.Sprintf("no %s line: %v", m.Words(), err))
			continue
		}
		c.Lines = append(c.Lines, l)
		byMethod[m] = l
	}
	c.choose(byMethod, pairs, hand, image, opt)
	if c.Chosen == nil {
		return c, nil
	}
	level := opt.Confidence
	// Errors here repeat those above.
	c.HandOnImage, _ = FitOLS(image, hand, level)
	c.Deming, _ = FitDeming(image, hand, opt.DemingRatio, level)
	c.TheilSen, _ = FitTheilSen(image, hand, level)
	c.PassingBablok, _ = FitPassingBablok(image, hand, level)
	if opt.Kind == Count {
		c.Counts, _ = FitCounts(image, hand)
	}
	if l, err := FitOLS(hand, image, level); err == nil {
		c.ImageOnHand = l
		rising := slices.Clone(image)
		slices.Sort(rising)
		for _, p := range []float64{0.1, 0.5, 0.9} {
			if inv, err := l.Inverse(quantileSorted(rising, p), 1); err == nil {
				c.Inverse = append(c.Inverse, inv)
			}
		}
		if len(c.Inverse) > 0 && c.Inverse[0].Unbounded {
			c.Warnings = append(c.Warnings, "the image is not shown to rise with the hand value: no reading can be calibrated to a bounded value")
		}
	}
	grid := make([]float64, bandPoints)
	for i := range grid {
		grid[i] = c.Chosen.Low + (c.Chosen.High-c.Chosen.Low)*float64(i)/(bandPoints-1)
	}
	c.Band, _ = c.Chosen.Apply(grid) // the grid is finite
	return c, nil
}

// choose picks the line and writes the sentence.
func (c *Calibration) choose(lines map[Method]*Line, pairs []Pair, hand, image []float64, opt Options) {
	ols, counts, robust := lines[MethodOLS], lines[MethodCounts], lines[MethodTheilSen]
	switch {
	case lines[MethodLogs] != nil:
		c.Chosen = lines[MethodLogs]
		c.Why = fmt.Sprintf("A line on logarithms was chosen, log(hand + %g) = intercept + slope x log(image + %[1]g), carried back with the mean of the residuals' exponentials (%.3g): plants that touch are one piece, the more so the more there are, and the scatter grows with the count.", logShift, c.Chosen.Smear)
	case counts != nil:
		c.Chosen = counts
		c.Why = "The quasi-Poisson line with identity link was chosen: these are counts, their scatter grows with their size, and what the camera misses adds up plant by plant, so plot means stay on the line."
	case ols == nil:
		c.Why = "No line: the image values do not vary, or there are too few pairs."
		return
	default:
		c.Chosen = ols
		c.Why = "Ordinary least squares of hand on image was chosen: the line is used to say what a hand would have found given the photo, and for that use it is the right one even though the image also errs; Deming and Passing-Bablok lines answer whether the two scales are the same."
	}
	// The line goes by what was assessed and never by how the pairs fall: a line
	// chosen for the outlier it meets has no error that could be stated.
	if worst, p := outlier(image, hand, opt.Confidence); counts == nil && !opt.Logs && robust != nil && p < outlierAt {
		c.Outlier = &LineOutlier{Pair: pairs[worst].Name(), P: p}
		c.Warnings = append(c.Warnings, fmt.Sprintf("%s stands so far off the line (%s after allowing for the search) that least squares leans towards it; look at that photo, and at the Theil-Sen line, which does not", pairs[worst].Name(), pWords(p)))
	}
	if l := c.Chosen; l.Slope.Value <= 0 {
		c.Warnings = append(c.Warnings, "the chosen line falls: more in the photo means less by hand; do not calibrate with it")
	} else if !shown(l.Slope) {
		c.Warnings = append(c.Warnings, "the slope of the chosen line is not shown to differ from 0: calibrated values would say little")
	}
	if share := sharedOnLogs(hand, image); c.Chosen.Method == MethodLogs && share < leastShared {
		c.Warnings = append(c.Warnings, fmt.Sprintf("hand and photo go apart (r squared %.2f on logarithms): as far as that is the camera's doing, ratios of calibrated treatments come out too near to 1, by up to %.0f %% of their logarithm, and the intervals do not know it; double sampling has no such fault", share, 100*(1-share)))
	}
	if raw := rootMeanSquare(hand, image); c.Chosen.LeaveOnePlot != nil && *c.Chosen.LeaveOnePlot > 0.95*raw {
		c.Warnings = append(c.Warnings, "the line predicts plots it has not seen no better than the raw image value does: raw values may stay")
	}
	if l := c.Chosen; l.Method != MethodOLS && ols != nil && l.LeaveOnePlot != nil && ols.LeaveOnePlot != nil && *l.LeaveOnePlot > 1.25**ols.LeaveOnePlot {
		why := "the camera may report pieces where there are no plants; look at the photos with the lowest hand counts"
		if l.Method == MethodLogs {
			why = "look at the photos with the lowest hand counts, which bend it most"
		}
		c.Warnings = append(c.Warnings, "a plain line predicts left-out plots clearly better than the chosen one: "+why)
	}
}

// outlierAt is the p value below which a pair is pointed out, after allowance for
// the search.
const outlierAt = 0.01

// rootMeanSquare is the error of image as it is.
func rootMeanSquare(hand, image []float64) float64 {
	var ss float64
	for i := range hand {
		ss += square(image[i] - hand[i])
	}
	return math.Sqrt(ss / float64(len(hand)))
}

// outlier finds the pair with the largest externally studentised residual and
// its Bonferroni p-value.
func outlier(x, y []float64, level float64) (at int, p float64) {
	l, err := FitOLS(x, y, level)
	n := float64(len(x))
	if err != nil || n < 5 || l.Sigma == 0 {
		return 0, 1
	}
	p = 1
	for i := range x {
		h := 1/n + (x[i]-l.mx)*(x[i]-l.mx)/l.sxx
		r := (y[i] - l.At(x[i])) / l.Sigma
		left := (n - 2 - r*r/(1-h)) / (n - 3) // residual variance without the pair, relative
		if 1-h < 1e-12 || left <= 0 {
			continue
		}
		t := r / math.Sqrt((1-h)*left)
		if q := n * tTwoSided(t, n-3); q < p {
			at, p = i, q
		}
	}
	return at, p
}
