package calibrate

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"testing"
)

// workedValues are what R gives for an invented trial: testdata/worked.R writes
// them to testdata/worked.json, from R's own functions and the published formulas.
type workedValues struct {
	Pairs []struct {
		Plot, Visit, Treatment, Quadrat string
		Hand, Image                     float64
		Counted                         bool
	}
	Double struct {
		Slope, Gain, Gap float64
		WithinVar        float64 `json:"within_var"`
		WithinCorr       float64 `json:"within_corr"`
		GapP             float64 `json:"gap_p"`
		Plots            []workedRow
		Treatments       []workedRow
	}
	Agreement struct {
		Bias, Between, Within, MAE, Spearman float64
		BiasCI                               [2]float64 `json:"bias_ci"`
		SDCI                                 [2]float64 `json:"sd_ci"`
		Limits                               [4]float64
		BiasLine                             [2]float64 `json:"bias_line"`
		SpreadLine                           [2]float64 `json:"spread_line"`
		BiasP                                float64    `json:"bias_p"`
		SpreadP                              float64    `json:"spread_p"`
		MAECI                                [2]float64 `json:"mae_ci"`
		SpearmanCI                           [2]float64 `json:"spearman_ci"`
		PearsonCI                            [2]float64 `json:"pearson_ci"`
	}
	Lines  map[Method]workedLine
	Counts []struct{ Hand, Image float64 }
	Tight  []struct {
		Plot        string
		Hand, Image float64
	}
	TightLine   workedLine `json:"tight_line"`
	LogsOfPlots struct {
		Photos [][]float64
		Cov    [][]float64
	} `json:"logs_of_plots"`
	Visits struct {
		Intercept, Slope []float64
		PlotVar          []float64 `json:"plot_var"`
		QuadratVar       []float64 `json:"quadrat_var"`
		LastingVar       []float64 `json:"lasting_var"`
		CovAt            []float64 `json:"cov_at"`
		Cov, DF          float64
	}
	Shares    [7]float64
	BiasTests struct {
		Treatment, Visit [4]float64
		AfterLine        [4]float64 `json:"after_line"`
		AfterLogLine     [4]float64 `json:"after_log_line"`
	} `json:"bias_tests"`
	Outlier struct {
		At int
		P  float64
	}
	Quantiles struct{ Of, At, Value []float64 }
	Check     struct {
		Points []struct {
			Group, Unit string
			Prob        float64
			Answer      int
		}
		Apart, Common []float64
		F             [4]float64
		Green, Mean   []float64
		ApartAreas    []float64   `json:"apart_areas"`
		ApartCov      [][]float64 `json:"apart_cov"`
		CommonAreas   []float64   `json:"common_areas"`
		CommonCov     [][]float64 `json:"common_cov"`
		DF            [2]float64
	}
}

// workedLine is a line with what whole plots say of it.
type workedLine struct {
	Intercept, Slope float64
	Cov              [2][2]float64
	LeaveOnePlot     float64    `json:"leave_one_plot"`
	SlopeCI          [2]float64 `json:"slope_ci"`
	PlotVar          float64    `json:"plot_var"`
	QuadratVar       float64    `json:"quadrat_var"`
	LastingVar       float64    `json:"lasting_var"`
	At, Value        []float64
	LineCov          [][]float64 `json:"line_cov"`
	Prediction       [][]float64
}

// workedRow is a plot or treatment on a visit.
type workedRow struct {
	Name, Visit   string
	Plots         int
	PlotsWithHand int `json:"plots_with_hand"`
	Regression    *float64
	RegressionSE  float64    `json:"regression_se"`
	RegressionCI  [2]float64 `json:"regression_ci"`
	Ratio         float64
	RatioSE       float64    `json:"ratio_se"`
	HandOnly      float64    `json:"hand_only"`
	HandSE        float64    `json:"hand_se"`
	ImageOnly     float64    `json:"image_only"`
	ImageSE       float64    `json:"image_se"`
	ImageCI       [2]float64 `json:"image_ci"`
	Gain          float64
}

func worked(t *testing.T) (w workedValues, full, photo, counted []Pair) {
	t.Helper()
	raw, err := os.ReadFile("testdata/worked.json")
	if err == nil {
		err = json.Unmarshal(raw, &w)
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range w.Pairs {
		p := Pair{Plot: r.Plot, Visit: r.Visit, Treatment: r.Treatment, Quadrat: r.Quadrat, Hand: r.Hand, Image: r.Image}
		if r.Counted {
			c := p
			c.Hand, c.Image = w.Counts[len(full)].Hand, w.Counts[len(full)].Image
			full, counted = append(full, p), append(counted, c)
		} else {
			p.Hand = Missing()
			photo = append(photo, p)
		}
	}
	return w, full, photo, counted
}

func nearCI(t *testing.T, what string, got *Interval, want [2]float64, tol float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: no interval", what)
		return
	}
	near(t, what+", low", got.Low, want[0], tol)
	near(t, what+", high", got.High, want[1], tol)
}

func nearTest(t *testing.T, what string, got *Test, want [4]float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: no test", what)
		return
	}
	near(t, what, got.Statistic, want[0], 1e-9)
	near(t, what+", df", got.DF1, want[1], 0)
	near(t, what+", residual df", got.DF2, want[2], 0)
	near(t, what+", p", got.P, want[3], 1e-10)
}

// TestDoubleSamplingAsByR: every number of double sampling, plots and treatments.
func TestDoubleSamplingAsByR(t *testing.T) {
	w, full, photo, _ := worked(t)
	d, err := NewDoubleSampling(full, photo, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	if d.Photos != len(w.Pairs) || d.Hands != len(full) || len(d.Warnings) != 0 {
		t.Errorf("%d photos, %d hands, %q", d.Photos, d.Hands, d.Warnings)
	}
	near(t, "slope", d.Slope, w.Double.Slope, 1e-12)
	near(t, "variance within plots", *d.WithinVar, w.Double.WithinVar, 1e-12)
	near(t, "correlation within plots", *d.WithinCorr, w.Double.WithinCorr, 1e-12)
	near(t, "gain", *d.Gain, w.Double.Gain, 1e-9)
	gap, p := handPicked(cells(full, photo))
	near(t, "gap", gap, w.Double.Gap, 1e-12)
	near(t, "p of the gap", p, w.Double.GapP, 1e-10)
	for name, c := range map[string]struct {
		got  []DomainRow
		want []workedRow
	}{"plot": {d.Plots, w.Double.Plots}, "treatment": {d.Treatments, w.Double.Treatments}} {
		if len(c.got) != len(c.want) {
			t.Fatalf("%d %ss, want %d", len(c.got), name, len(c.want))
		}
		for _, want := range c.want {
			i := slices.IndexFunc(c.got, func(r DomainRow) bool { return r.Name == want.Name && r.Visit == want.Visit })
			if i < 0 {
				t.Fatalf("no %s %s", name, want.Name)
			}
			r, what := c.got[i], name+" "+want.Name+" "+want.Visit
			near(t, what+" image only", r.ImageOnly.Value, want.ImageOnly, 1e-12)
			if want.Regression == nil {
				if r.Regression != nil || r.HandOnly != nil || r.Ratio != nil || r.PlotsHand != 0 || r.Hands != 0 || r.Note == "" {
					t.Errorf("%s has no hand count: %+v", what, r)
				}
				continue
			}
			near(t, what+" regression", r.Regression.Value, *want.Regression, 1e-12)
			near(t, what+" regression se", *r.Regression.SE, want.RegressionSE, 1e-10)
			nearCI(t, what+" regression", r.Regression.Best(), want.RegressionCI, 1e-9)
			near(t, what+" hand", r.HandOnly.Value, want.HandOnly, 1e-12)
			near(t, what+" hand se", *r.HandOnly.SE, want.HandSE, 1e-10)
			near(t, what+" ratio", r.Ratio.Value, want.Ratio, 1e-12)
			near(t, what+" gain", *r.Gain, want.Gain, 1e-9)
			if name == "plot" {
				if r.PlotsHand != 1 || r.Plots != 1 {
					t.Errorf("%s: %+v", what, r)
				}
				continue
			}
			near(t, what+" ratio se", *r.Ratio.SE, want.RatioSE, 1e-10)
			near(t, what+" image se", *r.ImageOnly.SE, want.ImageSE, 1e-10)
			nearCI(t, what+" image", r.ImageOnly.ClusterCI, want.ImageCI, 1e-9)
			if r.Plots != want.Plots || r.PlotsHand != want.PlotsWithHand || r.Note != "" {
				t.Errorf("%s: %+v", what, r)
			}
		}
	}
}

// TestAgreementByPlotsAsByR: intervals that respect plots of unequal size, and the
// limits that slope.
func TestAgreementByPlotsAsByR(t *testing.T) {
	w, full, _, _ := worked(t)
	a, err := Agree(full, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	g := w.Agreement
	near(t, "bias", a.Bias.Value, g.Bias, 1e-12)
	nearCI(t, "bias by plots", a.Bias.ClusterCI, g.BiasCI, 1e-10)
	near(t, "between plots", *a.SDBetween, g.Between, 1e-12)
	near(t, "within plots", *a.SDWithin, g.Within, 1e-12)
	nearCI(t, "sd", a.SDDiff.ClusterCI, g.SDCI, 1e-9)
	nearCI(t, "lower limit", a.LowerLimit.ClusterCI, [2]float64{g.Limits[0], g.Limits[1]}, 1e-9)
	nearCI(t, "upper limit", a.UpperLimit.ClusterCI, [2]float64{g.Limits[2], g.Limits[3]}, 1e-9)
	near(t, "mae", a.MAE.Value, g.MAE, 1e-12)
	nearCI(t, "mae", a.MAE.CI, g.MAECI, 1e-10)
	near(t, "spearman", a.Spearman.Value, g.Spearman, 1e-12)
	nearCI(t, "spearman", a.Spearman.CI, g.SpearmanCI, 1e-10)
	nearCI(t, "pearson", a.Pearson.CI, g.PearsonCI, 1e-10)
	s := a.Sloping
	near(t, "bias intercept", s.BiasIntercept.Value, g.BiasLine[0], 1e-12)
	near(t, "bias slope", s.BiasSlope.Value, g.BiasLine[1], 1e-12)
	near(t, "p of the bias slope", *s.BiasP, g.BiasP, 1e-10)
	near(t, "spread intercept", s.SpreadIntercept.Value, g.SpreadLine[0], 1e-12)
	near(t, "spread slope", s.SpreadSlope.Value, g.SpreadLine[1], 1e-12)
	near(t, "p of the spread slope", *s.SpreadP, g.SpreadP, 1e-10)
	hand, image := columns(full)
	lowest, highest := math.Inf(1), math.Inf(-1)
	for i := range hand {
		lowest, highest = min(lowest, (hand[i]+image[i])/2), max(highest, (hand[i]+image[i])/2)
	}
	if len(s.Points) != 2 || s.Points[0].Mean != lowest || s.Points[1].Mean != highest || s.Advised {
		t.Errorf("%+v", s)
	}
	for _, p := range s.Points {
		// Bland & Altman 1999: 1.96 sqrt(pi/2) = 2.46 times the mean residual.
		half := 2.4565 * (g.SpreadLine[0] + g.SpreadLine[1]*p.Mean)
		near(t, "bias at a mean", p.Bias, g.BiasLine[0]+g.BiasLine[1]*p.Mean, 1e-12)
		near(t, "lower limit at a mean", p.Lower, p.Bias-half, 1e-5)
		near(t, "upper limit at a mean", p.Upper, p.Bias+half, 1e-5)
	}
}

// TestLinesAsByR: lines with the covariance that whole plots give, the parts of
// the scatter, and what they say of new photos.
func TestLinesAsByR(t *testing.T) {
	w, full, _, counted := worked(t)
	for method, want := range w.Lines {
		pairs, opt := full, DefaultOptions()
		if method == MethodCounts || method == MethodLogs {
			pairs, opt.Kind = counted, Count
		}
		opt.DemingRatio = 0.5
		l, err := FitLine(pairs, method, opt)
		if err != nil {
			t.Fatal(err)
		}
		checkLine(t, string(method), l, want)
	}
	// Counts closer to their line than chance would have them.
	var tight []Pair
	for _, r := range w.Tight {
		tight = append(tight, Pair{Plot: r.Plot, Hand: r.Hand, Image: r.Image})
	}
	l, err := FitLine(tight, MethodLogs, counts())
	if err != nil {
		t.Fatal(err)
	}
	checkLine(t, "tight counts", l, w.TightLine)
}

func checkLine(t *testing.T, name string, l *Line, want workedLine) {
	t.Helper()
	tol := 1e-10
	if l.Method == MethodCounts {
		tol = 1e-7 // glm's own steps stop there
	}
	near(t, name+" intercept", l.Intercept.Value, want.Intercept, tol)
	near(t, name+" slope", l.Slope.Value, want.Slope, tol)
	for i := range 2 {
		for j := range 2 {
			near(t, name+" covariance", l.Cov[i][j], want.Cov[i][j], tol)
		}
	}
	near(t, name+" slope se", *l.Slope.SE, math.Sqrt(want.Cov[1][1]), tol)
	near(t, name+" intercept se", *l.Intercept.SE, math.Sqrt(want.Cov[0][0]), tol)
	nearCI(t, name+" slope", l.Slope.ClusterCI, want.SlopeCI, 1e-7)
	near(t, name+" leave one plot out", *l.LeaveOnePlot, want.LeaveOnePlot, 1e-7)
	near(t, name+" variance of plots", l.PlotVar, want.PlotVar, 1e-7)
	near(t, name+" variance of quadrats", l.QuadratVar, want.QuadratVar, 1e-7)
	near(t, name+" variance that lasts", l.LastingVar, want.LastingVar, 1e-7)
	c, err := l.Apply(want.At)
	if err != nil {
		t.Fatal(err)
	}
	in := make([]PlotImages, len(c))
	for i := range c {
		near(t, name+" value", c[i].Value, want.Value[i], 1e-7)
		se := math.Sqrt(want.LineCov[i][i])
		near(t, name+" se of the line", *c[i].SELine, se, 1e-7)
		nearCI(t, name+" prediction", c[i].Prediction, [2]float64(want.Prediction[i]), 1e-6)
		half := map[float64]float64{9: 2.26215716, 5: 2.57058184}[l.DF] * se // R 4.2.2: qt(0.975, df)
		nearCI(t, name+" line", c[i].LineCI, [2]float64{want.Value[i] - half, want.Value[i] + half}, 1e-7)
		in[i] = PlotImages{Plot: "new", Images: []float64{want.At[i]}}
	}
	m, err := l.ApplyMeans(in)
	if err != nil {
		t.Fatal(err)
	}
	near(t, name+" covariance of two values", m.Cov[0][1], want.LineCov[0][1], 1e-7)
	near(t, name+" degrees of freedom", m.DF, l.DF, 0)
	if v, err := m.Variance([]float64{1, -2}); err != nil {
		t.Error(err)
	} else {
		near(t, name+" variance of a contrast", v, m.Cov[0][0]-4*m.Cov[0][1]+4*m.Cov[1][1], 1e-10)
	}
}

// TestMeansOnLogsAsByR: the mean of several photos of a plot is that of their
// calibrated values, and so is its error, though the line bends.
func TestMeansOnLogsAsByR(t *testing.T) {
	w, _, _, counted := worked(t)
	l, err := FitLine(counted, MethodLogs, counts())
	if err != nil {
		t.Fatal(err)
	}
	var in []PlotImages
	for _, photos := range w.LogsOfPlots.Photos {
		in = append(in, PlotImages{Plot: "new", Images: photos})
	}
	m, err := l.ApplyMeans(in)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range in {
		c, err := l.Apply(p.Images)
		if err != nil {
			t.Fatal(err)
		}
		var values []float64
		for _, v := range c {
			values = append(values, v.Value)
		}
		near(t, "mean of a plot", m.Values[i], mean(values), 1e-10)
		near(t, "variance", m.Cov[i][i], w.LogsOfPlots.Cov[i][i]+(l.PlotVar+l.QuadratVar/float64(len(p.Images)))*square(mean(values)+0.5), 1e-8)
	}
	near(t, "covariance", m.Cov[0][1], w.LogsOfPlots.Cov[0][1], 1e-8)
}

// TestVisitLinesAsByR: a line for each visit, the scatter about them split over
// both, and the covariance of two visits of the same plots.
func TestVisitLinesAsByR(t *testing.T) {
	w, full, _, _ := worked(t)
	lines, err := FitVisits(full, MethodOLS, DefaultOptions())
	if err != nil {
		t.Fatal(err)
	}
	v := w.Visits
	for i, name := range []string{"v1", "v2"} {
		l := lines[name]
		near(t, name+" intercept", l.Intercept.Value, v.Intercept[i], 1e-10)
		near(t, name+" slope", l.Slope.Value, v.Slope[i], 1e-10)
		near(t, name+" variance of plots", l.PlotVar, v.PlotVar[i], 1e-10)
		near(t, name+" variance of quadrats", l.QuadratVar, v.QuadratVar[i], 1e-10)
		near(t, name+" variance that lasts", l.LastingVar, v.LastingVar[i], 1e-10)
	}
	m, err := ApplyMeansBy([]*Line{lines["v1"], lines["v2"]}, []PlotImages{{"p01", v.CovAt[:1]}, {"p01", v.CovAt[1:]}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "covariance", m.Cov[0][1], v.Cov, 1e-12)
	near(t, "degrees of freedom", m.DF, v.DF, 0)
}

// TestSharesAsByR: the share of a class in points of plots, with its range.
func TestSharesAsByR(t *testing.T) {
	w, _, _, _ := worked(t)
	var points []CheckPoint
	for _, p := range w.Check.Points {
		mapped := 0
		if p.Prob > 0.5 {
			mapped = 1
		}
		points = append(points, CheckPoint{Prob: []float64{1 - p.Prob, p.Prob}, Mapped: mapped, Answer: p.Answer, Unit: p.Unit})
	}
	got, err := NewClassShares(Mapped{Green: 2, Mean: []float64{0.55, 0.45}}, points, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	c := got.Classes[1]
	for i, v := range []float64{c.Share, c.SE, c.DF, c.Low, c.High, float64(c.Errors), got.Explained} {
		near(t, []string{"share", "se", "df", "low", "high", "errors", "explained"}[i], v, w.Shares[i], 1e-9)
	}
	other := got.Classes[0]
	near(t, "the other share", other.Share, 1-c.Share, 1e-12)
	near(t, "its low", other.Low, 1-c.High, 1e-9)
	near(t, "its high", other.High, 1-c.Low, 1e-9)
	if got.Points != 48 || got.Units != 12 || c.Raw != 0.45 || other.Raw != 0.55 {
		t.Errorf("%+v", got)
	}
}

// TestBiasTestsAsByR: equal bias between treatments and between visits, before
// and after a common line.
func TestBiasTestsAsByR(t *testing.T) {
	w, full, _, counted := worked(t)
	b, note := biasTest(full, ByTreatment, 0.95, false)
	if b == nil {
		t.Fatal(note)
	}
	nearTest(t, "between treatments", &b.Test, w.BiasTests.Treatment)
	nearTest(t, "after the line", b.AfterLine, w.BiasTests.AfterLine)
	if b.Shown || b.AfterLineShown || b.Design != "between plots" {
		t.Errorf("%+v", b)
	}
	if b, note = biasTest(counted, ByTreatment, 0.95, true); b == nil {
		t.Fatal(note)
	}
	nearTest(t, "after the line on logarithms", b.AfterLine, w.BiasTests.AfterLogLine)
	if b, note = biasTest(full, ByVisit, 0.95, false); b == nil {
		t.Fatal(note)
	}
	nearTest(t, "between visits", &b.Test, w.BiasTests.Visit)
	if b.Design != "within plots" || b.AfterLine != nil {
		t.Errorf("%+v", b)
	}
}

// TestOutlierAsByR: the pair furthest off and its p value, R's rstudent times the
// number of pairs looked at.
func TestOutlierAsByR(t *testing.T) {
	w, full, _, _ := worked(t)
	full[4].Image += 0.25
	hand, image := columns(full)
	at, p := outlier(image, hand, 0.95)
	if at+1 != w.Outlier.At {
		t.Errorf("pair %d, want %d", at+1, w.Outlier.At)
	}
	near(t, "p", p, w.Outlier.P, 1e-10)
}

func TestQuantilesAsByR(t *testing.T) {
	w, _, _, _ := worked(t)
	rising := slices.Sorted(slices.Values(w.Quantiles.Of))
	for i, p := range w.Quantiles.At {
		near(t, "quantile", quantileSorted(rising, p), w.Quantiles.Value[i], 1e-12)
	}
}

// TestShareLineAsByR: the line of check points with a start for each group, which
// they need, and with one start for all, with the areas of plots and the
// covariance of these.
func TestShareLineAsByR(t *testing.T) {
	w, _, _, _ := worked(t)
	c := w.Check
	var points []CheckPoint
	for _, p := range c.Points {
		points = append(points, CheckPoint{Prob: []float64{1 - p.Prob, p.Prob}, Mapped: p.Answer, Answer: p.Answer, Unit: p.Unit, Group: p.Group})
	}
	groups := []string{"bare", "oats", "rye"}
	plots := make([]Mapped, len(groups))
	for i, g := range groups {
		plots[i] = Mapped{Name: g, Group: g, Green: c.Green[i], Mean: []float64{1 - c.Mean[i], c.Mean[i]}}
	}
	for _, apart := range []bool{true, false} {
		level, want, areas, cov, df := 0.95, c.Apart, c.ApartAreas, c.ApartCov, c.DF[0]
		if !apart {
			level, want, areas, cov, df = 1-c.F[3]/2, c.Common, c.CommonAreas, c.CommonCov, c.DF[1]
		}
		l, err := NewShareLine(1, 2, points, level)
		if err != nil {
			t.Fatal(err)
		}
		nearTest(t, "between groups", l.Test, c.F)
		if l.Shown != apart || l.Points != len(points) || l.Note != "" || l.Class != 1 {
			t.Fatalf("%+v", l)
		}
		near(t, "slope", l.Slope, want[0], 1e-10)
		near(t, "df", l.DF, df, 0)
		if apart {
			for i, g := range groups {
				near(t, "start of "+g, l.Starts[g], want[i+1], 1e-10)
			}
		} else {
			near(t, "start", l.Start, want[1], 1e-10)
		}
		got, gotCov, err := l.PlotAreas(plots)
		if err != nil {
			t.Fatal(err)
		}
		for i := range plots {
			near(t, "area of "+groups[i], got[i], min(max(areas[i], 0), c.Green[i]), 1e-10)
			for j := range plots {
				near(t, "covariance of areas", gotCov[i][j], cov[i][j], 1e-12)
			}
		}
		stranger := plots[0]
		stranger.Group = "tarp"
		if _, _, err := l.PlotAreas([]Mapped{stranger}); (err != nil) != apart {
			t.Errorf("a plot of a group without check points: %v, starts by group %v", err, apart)
		}
	}
}
