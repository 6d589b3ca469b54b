package glm

import (
	"math"
	"slices"
	"strings"
	"testing"

	"quadtally/stats/dist"
	"quadtally/stats/terms"
)

// small is a trial of three mulches in four blocks (invented counts).
func small() Model {
	return Model{
		Response: []float64{12, 7, 3, 15, 9, 6, 8, 8, 2, 20, 11, 4},
		Frame: terms.Frame{Factors: []terms.Factor{
			{Name: "treatment", Labels: strings.Fields("a b c a b c a b c a b c")},
			{Name: "block", Labels: strings.Fields("1 1 1 2 2 2 3 3 3 4 4 4")},
		}},
		Fixed: []terms.Term{{"block"}, {"treatment"}},
	}
}

func refused(t *testing.T, err error, want string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("got %v, want a refusal with %q", err, want)
	}
}

func TestOptionBounds(t *testing.T) {
	for _, c := range []struct {
		o    Options
		want string // "" where it is taken
	}{
		{Options{Family: Poisson, Level: 0.5}, ""},
		{Options{Family: Poisson, Level: 0.9999}, ""},
		{Options{Family: Poisson, Level: 0.4999}, "interval level"},
		{Options{Family: Poisson, Level: 0.99991}, "interval level"},
		{Options{Family: Poisson, Level: math.NaN()}, "interval level"},
		{Options{Family: "gamma", Level: 0.95}, "family"},
		{Options{Family: Binomial, Level: 0.95}, ""},
		{Options{Family: Beta, Level: 0.95, ObservedInformation: true}, ""},
		{Options{Family: Binomial, Level: 0.95, ObservedInformation: true}, "observed information"},
		{Options{Family: NegativeBinomial, Level: 0.95, Theta: 1e-3}, ""},
		{Options{Family: NegativeBinomial, Level: 0.95, Theta: -1e-3}, "must be positive"},
		{Options{Family: NegativeBinomial, Level: 0.95, Theta: math.Inf(1)}, "must be positive"},
		{Options{Family: Poisson, Level: 0.95, Theta: 1}, "negative binomial"},
		{Options{Family: QuasiPoisson, Level: 0.95, Spread: SpreadOfPatches}, ""},
		{Options{Family: QuasiBinomial, Level: 0.95, Spread: SpreadOfPatches}, ""},
		{Options{Family: Poisson, Level: 0.95, Spread: SpreadOfPatches}, "spread of its own"},
		{Options{Family: QuasiPoisson, Level: 0.95, Spread: "wide"}, "is not known"},
	} {
		switch err := c.o.Validate(); {
		case c.want == "" && err != nil:
			t.Errorf("%+v: %v", c.o, err)
		case c.want != "":
			refused(t, err, c.want)
		}
	}
}

// Columns that do not fit the table or the family, and the values next to the
// bounds of a response.
func TestColumnBounds(t *testing.T) {
	ones := slices.Repeat([]float64{20}, 12)
	shares := func(m *Model) {
		for i := range m.Response {
			m.Response[i] /= 100
		}
	}
	for _, c := range []struct {
		family Family
		change func(m *Model)
		want   string
	}{
		{Poisson, func(m *Model) { m.Response = m.Response[:11] }, "the response has 11 rows, the table has 12"},
		{Poisson, func(m *Model) { m.Exposure = ones[:11] }, "the exposure have 11 rows"},
		{Binomial, func(m *Model) { m.Trials = ones[:11] }, "the trials have 11 rows"},
		{Poisson, func(m *Model) { m.Exposure = slices.Clone(ones); m.Exposure[2] = math.Inf(1) }, "row 3: exposure"},
		{Binomial, func(m *Model) { m.Trials = slices.Clone(ones); m.Trials[2] = math.NaN() }, "row 3: trials"},
		{QuasiBinomial, func(m *Model) { shares(m); m.Exposure = ones }, "exposure belongs to counts"},
		{Beta, func(m *Model) { shares(m); m.Exposure = ones }, "exposure belongs to counts"},
		{Beta, func(m *Model) { shares(m); m.Trials = ones }, "trials belong to the binomial"},
		{QuasiPoisson, func(m *Model) { m.Trials = ones }, "trials belong to the binomial"},
		{Poisson, func(m *Model) { m.Response[0] = math.Inf(1) }, "row 1: the response is not a finite"},
		{QuasiPoisson, func(m *Model) { m.Response[0] = 1.0001e12 }, "beyond any count"},
		{QuasiPoisson, func(m *Model) { m.Response[0] = -1e-9 }, "is negative"},
		{Binomial, func(m *Model) { m.Trials = slices.Clone(ones); m.Trials[9] = 19 }, "row 10: 20 hits out of 19"},
		{QuasiBinomial, func(m *Model) { shares(m); m.Response[4] = 1.0001 }, "row 5: share"},
		{Beta, func(m *Model) { shares(m); m.Response[4] = 1 }, "strictly between 0 and 1"},
		{Poisson, func(m *Model) { m.Response[4] = 8.5 }, "row 5: response 8.5 is no whole count"},
		{Poisson, func(m *Model) {}, ""},
		{QuasiPoisson, func(m *Model) { m.Response[4] = 8.5 }, ""},
		{QuasiPoisson, func(m *Model) { m.Response[0] = 0 }, ""},
		{Binomial, func(m *Model) { m.Trials = ones }, ""}, // 20 of 20 is all
		{QuasiBinomial, func(m *Model) { shares(m); m.Response[4] = 1 }, ""},
		{QuasiBinomial, func(m *Model) { shares(m); m.Response[4] = 0 }, ""},
		{Beta, shares, ""},
	} {
		m := small()
		c.change(&m)
		_, err := FitModel(m, Options{Family: c.family, Level: 0.95})
		if c.want != "" {
			refused(t, err, c.want)
		} else if err != nil {
			t.Errorf("%s of %v: %v", c.family, m.Response, err)
		}
	}
	m := small()
	m.Frame = terms.Frame{}
	_, err := FitModel(m, Options{Family: Poisson, Level: 0.95})
	refused(t, err, "no columns")
}

// A covariate goes with its row where rows of an all-zero treatment are set
// aside: the fit of the other treatments is the fit without those rows.
func TestCovariateOfKeptRows(t *testing.T) {
	x := []float64{1, 3, 2, 5, 4, 6, 2, 7, 1, 3, 8, 5}
	m := small()
	m.Frame.Covariates = []terms.Covariate{{Name: "before", Values: x}}
	m.Fixed = []terms.Term{{"before"}, {"treatment"}}
	for i := 2; i < 12; i += 3 {
		m.Response[i] = 0
	}
	f := mustFit(t, m, QuasiPoisson)
	var cut Model
	var treatment []string
	var before []float64
	for i, y := range m.Response {
		if i%3 != 2 {
			cut.Response = append(cut.Response, y)
			treatment, before = append(treatment, m.Frame.Factors[0].Labels[i]), append(before, x[i])
		}
	}
	cut.Frame = terms.Frame{Factors: []terms.Factor{{Name: "treatment", Labels: treatment}}, Covariates: []terms.Covariate{{Name: "before", Values: before}}}
	cut.Fixed = m.Fixed
	g := mustFit(t, cut, QuasiPoisson)
	if len(f.Coefficients) != len(g.Coefficients) || f.ExtremeRows != 4 {
		t.Fatalf("%d and %d coefficients, %d rows set aside", len(f.Coefficients), len(g.Coefficients), f.ExtremeRows)
	}
	for i := range g.Coefficients {
		near(t, g.Coefficients[i].Name, f.Coefficients[i].Estimate, g.Coefficients[i].Estimate, 1e-9)
	}
}

func TestResampleRefuses(t *testing.T) {
	try := func(m Model, family Family, blocks string, draws int) error {
		f, err := FitModel(m, Options{Family: family, Level: 0.95})
		if err != nil {
			t.Fatal(err)
		}
		_, err = f.Resample(t.Context(), blocks, ResampleOptions{Draws: draws})
		return err
	}
	m := small()
	refused(t, try(m, QuasiPoisson, "block", -1), "-1 draws")
	refused(t, try(m, QuasiPoisson, "field", 1), "field")
	m.Frame.Covariates = []terms.Covariate{{Name: "before", Values: []float64{1, 3, 2, 5, 4, 6, 2, 7, 1, 3, 8, 5}}}
	m.Fixed = []terms.Term{{"treatment"}, {"before"}}
	refused(t, try(m, QuasiPoisson, "", 1), "before is no factor")
	m.Fixed = nil
	refused(t, try(m, QuasiPoisson, "", 1), "no term to test")
	m = small()
	m.Frame.Factors = append(m.Frame.Factors, terms.Factor{Name: "rate", Labels: strings.Fields("x x x y y y x x x y y y")})
	m.Fixed = []terms.Term{{"treatment"}, {"rate"}, {"treatment", "rate"}}
	refused(t, try(m, QuasiPoisson, "", 1), "is not a factor that was tested last")
	for _, blocks := range []string{"", "block"} {
		if err := try(small(), QuasiPoisson, blocks, 1); err != nil {
			t.Errorf("blocks %q: %v", blocks, err)
		}
	}
}

// With a single allotment to draw from, every draw is the trial itself: p is 1
// and every draw counts. The usual numbers of draws stand for 0.
func TestResampleCounts(t *testing.T) {
	m := small()
	m.Response = []float64{12, 7, 3, 15, 9, 6, 8, 8, 2, 20, 11, 4}
	f := mustFit(t, m, QuasiPoisson)
	// Within groups of one plot nothing is exchanged.
	m.Frame.Factors = append(m.Frame.Factors, terms.Factor{Name: "plot", Labels: strings.Fields("1 2 3 4 5 6 7 8 9 10 11 12")})
	g := mustFit(t, m, QuasiPoisson)
	r, err := g.Resample(t.Context(), "plot", ResampleOptions{Draws: 7})
	if err != nil || r.AtLeast != 7 || r.P != 1 || r.Draws != 7 || r.Failed != 0 || r.StdErr != 0 {
		t.Errorf("%+v, %v", r, err)
	}
	r, err = f.Resample(t.Context(), "block", ResampleOptions{})
	if err != nil || r.Draws != 999 || r.Method != Permuted || r.Statistic != f.Tests[len(f.Tests)-1].F {
		t.Errorf("%+v, %v", r, err)
	}
	near(t, "standard error", r.StdErr, math.Sqrt(r.P*(1-r.P)/999), 1e-12)
	near(t, "p", r.P, float64(r.AtLeast+1)/1000, 1e-12)
}

func TestStandardiseRefuses(t *testing.T) {
	m := small()
	m.Frame.Factors = append(m.Frame.Factors, terms.Factor{Name: "rate", Labels: strings.Fields("x x x y y y x x x y y y")})
	m.Fixed = []terms.Term{{"treatment"}, {"rate"}, {"treatment", "rate"}}
	f := mustFit(t, m, QuasiPoisson)
	_, err := f.Standardise("mulch")
	refused(t, err, `no factor is named "mulch"`)
	_, err = f.Standardise("treatment")
	refused(t, err, "treatment is in 2 terms")
	_, err = f.Standardise("block")
	refused(t, err, "block is in 0 terms")
	_, err = f.Means(terms.Term{"mulch"})
	refused(t, err, "mulch")
	s, err := mustFit(t, small(), QuasiPoisson).Standardise("treatment")
	if err != nil {
		t.Fatal(err)
	}
	for _, pair := range [][2]string{{"a", "d"}, {"d", "a"}} {
		if r := s.Ratio(pair[0], pair[1]); !r.Undefined || r.P != 1 {
			t.Errorf("a level that is not there: %+v", r)
		}
	}
	if r := s.Ratio("a", "a"); r.Undefined || r.Ratio != 1 || r.SE != 0 || r.Lower != 1 || r.Upper != 1 {
		t.Errorf("a level over itself: %+v", r)
	}
}

// P and the limits of a ratio come from one distribution: of as many df as
// there are for the spread, also where a treatment without a plant says nothing
// of it.
func TestRatioOnTheDFOfTheSpread(t *testing.T) {
	m := small()
	for _, df := range []int{6, 3} {
		f := mustFit(t, m, QuasiPoisson)
		s, err := f.Standardise("treatment")
		if err != nil {
			t.Fatal(err)
		}
		r := s.Ratio("a", "b")
		if r.DF != df || f.DispersionDF != df {
			t.Errorf("df %d, want %d", r.DF, df)
		}
		q, err := dist.TQuantile(0.975, float64(r.DF))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "upper", r.Upper, r.Ratio*math.Exp(q*r.SE), 1e-10)
		p, err := dist.TTwoSided(math.Log(r.Ratio)/r.SE, float64(r.DF))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "p", r.P, p, 1e-10)
		for i := 2; i < 12; i += 3 {
			m.Response[i] = 0
		}
	}
	s, err := mustFit(t, small(), Poisson).Standardise("treatment")
	if err != nil {
		t.Fatal(err)
	}
	if r := s.Ratio("a", "b"); r.DF != 0 || r.SE == 0 {
		t.Errorf("Poisson: %+v", r)
	}
}

// A ratio and its turned-round form are reciprocal, limits exchanged.
func TestRatiosAreReciprocal(t *testing.T) {
	for _, family := range []Family{Poisson, QuasiPoisson, NegativeBinomial} {
		s, err := mustFit(t, small(), family).Standardise("treatment")
		if err != nil {
			t.Fatal(err)
		}
		a, b := s.Ratio("a", "c"), s.Ratio("c", "a")
		near(t, "ratio", a.Ratio*b.Ratio, 1, 1e-12)
		near(t, "limits", a.Lower*b.Upper, 1, 1e-12)
		near(t, "p", a.P, b.P, 1e-10)
		if a.Ratio < a.Lower || a.Ratio > a.Upper {
			t.Errorf("%+v", a)
		}
	}
}

// The bound of a treatment without a single plant is the quantile over twice
// its exposure (chi-square of 1 df: 3.841459 in R 4.2.2, F of 1 and 3 df:
// 10.127964), and a wholly covered treatment has no limits but 1.
func TestBoundsOfExtremes(t *testing.T) {
	m := small()
	for i := 2; i < 12; i += 3 {
		m.Response[i] = 0
	}
	exposure := []float64{1, 2, 0.25, 1, 1, 0.5, 2, 1, 0.25, 1, 1, 2}
	last := func(m Model, family Family) (*Fit, Mean) {
		f := mustFit(t, m, family)
		means, err := f.Means(terms.Term{"treatment"})
		if err != nil || len(means.Means) != 3 {
			t.Fatal(means, err)
		}
		return f, means.Means[2]
	}
	for _, by := range [][]float64{nil, exposure} {
		m.Exposure = by
		total := 4.0
		if by != nil {
			total = 3 // of the treatment
		}
		_, c := last(m, Poisson)
		if !c.Extreme || !c.HasBound || c.Mean != 0 || c.Lower != 0 {
			t.Errorf("Poisson: %+v", c)
		}
		near(t, "Poisson bound", c.Upper, 3.841458821/(2*total), 1e-8)
		f, c := last(m, QuasiPoisson)
		// 8 rows say something of the spread, on 5 coefficients.
		if f.ResidualDF != 6 || f.DispersionDF != 3 {
			t.Fatalf("residual df %d, for the spread %d", f.ResidualDF, f.DispersionDF)
		}
		near(t, "quasi-Poisson bound", c.Upper, math.Max(f.Dispersion, 1)*10.1279644860/(2*total), 1e-7)
	}
	m = small()
	for i := range m.Response {
		m.Response[i] /= 100
		if i%3 == 2 {
			m.Response[i] = 1
		}
	}
	if _, c := last(m, QuasiBinomial); !c.Extreme || c.HasBound || c.Mean != 1 || c.Lower != 1 || c.Upper != 1 || c.Link != 0 || c.LinkSE != 0 {
		t.Errorf("full: %+v", c)
	}
}

// The part of the spread beyond chance is found where the mean square is 1;
// counts that agree more than chance lets them have none.
func TestPoissonPartOfTheSpread(t *testing.T) {
	for _, k := range []float64{0.5, 2, 40} {
		want := SpreadFit{Scale: 1 + 10/k, Weight: 1 - 1/(1+10/k)}
		s := solvePoissonPart(func(s SpreadFit) float64 { return want.Scale / s.Scale })
		near(t, "scale", s.Scale, want.Scale, 1e-12)
		near(t, "weight", s.Weight, want.Weight, 1e-12)
	}
	if s := solvePoissonPart(func(s SpreadFit) float64 { return 0.7 / s.Scale }); s.Scale != 0.7 || s.Weight != 0 {
		t.Errorf("less than chance: %+v", s)
	}
	if s := solvePoissonPart(func(s SpreadFit) float64 { return 1 / s.Scale }); s.Scale != 1 || s.Weight != 0 {
		t.Errorf("as much as chance: %+v", s)
	}
}
